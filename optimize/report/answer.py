"""The answer of a report in a few sentences: what to build, by which rule, and what instead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evaluate.metrics import METRICS
from optimize.report.certainty import next_step, verdict
from optimize.report.runs import Run
from optimize.report.words import amount_text, kind_words, listed, spaced
from optimize.robust import objective_column
from optimize.sheets import NO_BREAK
from optimize.shortlist import FAVOUR, Weighing, weighing

FAVOURED = f" weighs {FAVOUR:g} times each other objective"


@dataclass(frozen=True, kw_only=True, slots=True)
class Option:
    """A design of the shortlist.

    Attributes
    ----------
    design, family, kind : str
        Its name, its family, and what kind of engine it is, in words.
    facts : tuple of (str, str)
        Firing order, throws, balancing, speed.
    strengths, prices, reasons : tuple of str
        What it is good at, what that costs, why it is on the list.
    against_baseline : str
        How it differs from the baseline; empty where there is none.
    """

    design: str
    family: str
    kind: str
    facts: tuple[tuple[str, str], ...]
    strengths: tuple[str, ...]
    prices: tuple[str, ...]
    reasons: tuple[str, ...]
    against_baseline: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Answered:
    """The answer.

    Attributes
    ----------
    sentences : tuple of str
        What to build first, how sure that is last.
    named : tuple of str
        Designs that they name, in that order.
    """

    sentences: tuple[str, ...]
    named: tuple[str, ...]


def answer(run: Run, options: Sequence[Option]) -> Answered:
    """Return the answer of a run.

    Parameters
    ----------
    run : Run
        From `read_report_run`.
    options : sequence of Option
        Its shortlist, the balanced design first.
    """
    first = options[0]
    weighed = weighing(run.front, run.study)
    texts = [_build(run, first, weighed)]
    named = [first.design]
    if weighed is not None and weighed.best == first.design:
        texts += _by_rule(run, weighed)
        named += [weighed.by_sum, weighed.runner_up]
    if first.against_baseline and run.baseline is not None:
        texts.append(_beside_baseline(run, first, run.baseline.layout.name))
    texts += _favoured(run, options)
    named += [option.design for option in options[1:] if _weighed(option)]
    texts.append(f"{verdict(run)} {next_step(run)}".strip())
    return Answered(sentences=tuple(texts), named=tuple(dict.fromkeys(named)))


def _build(run: Run, first: Option, weighed: Weighing | None) -> str:
    good = f" In its favour: {listed(first.strengths)}." if first.strengths else ""
    when = "All that is left is"
    if len(run.front) > 1:
        when = "If all objectives weigh the same, build"
    text = f"{when} {first.design}: {first.kind}.{good}{_cost(first)}"
    if weighed is None or weighed.best != first.design or weighed.by_sum == first.design:
        return text
    return f"It depends on how you weigh: {first.design} or {weighed.by_sum}. {text}"


def _by_rule(run: Run, weighed: Weighing) -> list[str]:
    """Return the rule behind the pick, what a sum would pick, and the runner-up."""
    texts = [
        f"Why {weighed.best}: its worst objective, as a share of the front's span between best "
        f"and worst, is least bad ({_worst(weighed, weighed.best)}). Runner-up by the same rule: "
        f"{_design(run, weighed.runner_up)}, its worst {_worst(weighed, weighed.runner_up)}."
    ]
    if weighed.by_sum == weighed.best:
        texts.append(
            f"A plain sum of these shares, in which good may make up for bad, picks {weighed.best} "
            "too."
        )
    else:
        texts.append(
            "A plain sum of these shares, in which good may make up for bad, picks "
            f"{_design(run, weighed.by_sum)}, its worst {_worst(weighed, weighed.by_sum)}."
        )
    return texts


def _design(run: Run, design: str) -> str:
    return f"{design} ({kind_words(run.row(design))})"


def _worst(weighed: Weighing, design: str) -> str:
    label, share = weighed.worst[design]
    return f"{label}, {100 * share:.0f}{NO_BREAK}% of the span"


def _beside_baseline(run: Run, first: Option, name: str) -> str:
    """Return how the pick differs from the baseline, and why if it is the same layout."""
    if run.placed is None or run.placed.judgement.common.member != first.design:
        return f"{first.design} beside the baseline ({name}): {first.against_baseline}."
    text = f"{first.design} is the baseline's own layout ({name})"
    changed = run.placed.judgement.changed_givens
    if not changed:
        return f"{text}, with the same givens."
    said = [f"{one.what} {one.layout} in the file, {one.other} here" for one in changed]
    return spaced(f"{text}; what differs in the numbers comes from the givens: {'; '.join(said)}.")


def _cost(option: Option) -> str:
    return f" Its price: {listed(option.prices)}." if option.prices else ""


def _favoured(run: Run, options: Sequence[Option]) -> list[str]:
    """Return what to build instead where one objective counts most, one sentence a design."""
    first, texts = options[0], []
    if same := _weighed(first):
        texts.append(
            f"{first.design} stays the choice if {listed(same, 'or')} counts four times as much."
        )
    for option in options[1:]:
        if weighed := _weighed(option):
            texts.append(
                f"If {listed(weighed, 'or')} counts four times as much as anything else, build "
                f"{option.design} instead: {option.kind}, with "
                f"{listed([_said(run, option.design, label) for label in weighed])}.{_cost(option)}"
            )
    return texts


def _said(run: Run, design: str, label: str) -> str:
    objective = next(o for o in run.study.objectives if METRICS[o.key].label == label)
    value = float(run.row(design)[objective_column(run.front, objective)])
    return f"{label} {amount_text(objective.key, value)}"


def _weighed(option: Option) -> list[str]:
    """Return the objectives for whose fourfold weight a design is picked."""
    return [r.removesuffix(FAVOURED) for r in option.reasons if r.endswith(FAVOURED)]
