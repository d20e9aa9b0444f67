"""The run in words: what was searched, the shortlist and why, what is not on the front and why."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from evaluate.layout import read_layout
from evaluate.metrics import METRICS, score
from optimize.budget import is_settled
from optimize.robust import (
    interval_columns,
    interval_note,
    objective_cell,
    objective_heading,
)
from optimize.run import Outcome
from optimize.search import FRUITLESS_ROUNDS, STRANGERS
from optimize.seeds import seeds_lines
from optimize.shortlist import Pick, weighing
from optimize.study import Study
from optimize.texts import CAUTION, families_text


def shortlist_rows(
    front: pd.DataFrame, picks: Sequence[Pick], study: Study
) -> tuple[list[str], list[list[str]]]:
    """Return heading and rows of the shortlist table."""
    heading = ["design", "family", "bank", "throws", "firing order", "shafts", "counterweights"]
    heading += [objective_heading(objective) for objective in study.objectives] + ["why"]
    rows = []
    for pick in picks:
        row = front[front["design"] == pick.design].iloc[0]
        bank = "-" if row["arrangement"] == "in-line" else f"{row['bank_angle_deg']:.4g} deg"
        rows.append(
            [
                pick.design,
                row["family"],
                bank,
                row["throw_angles"],
                row["firing_order"],
                row["shafts"],
                f"{100 * row['reciprocating_fraction']:.3g} % of reciprocating",
                *(objective_cell(row, objective) for objective in study.objectives),
                "; ".join(pick.reasons),
            ]
        )
    return heading, rows


def summary_text(study: Study, outcome: Outcome, picks: Sequence[Pick]) -> str:
    """Return the summary of a run as Markdown."""
    lines = [
        f"# {study.name}",
        "",
        *([study.question, ""] if study.question else []),
        *_what_was_done(study, outcome),
        "",
        "## Objectives",
        "",
        *_table(
            ["objective", "better", "counted in steps of", "meaning"],
            [
                [
                    objective_heading(o),
                    METRICS[o.key].sense,
                    f"{o.resolution:g} {METRICS[o.key].unit}".strip(),
                    METRICS[o.key].meaning,
                ]
                for o in study.objectives
            ],
        ),
        "",
        _counting(study),
        "",
        "## Shortlist",
        "",
    ]
    if picks:
        lines += [*_rule(study, outcome.common)]
        lines += _table(*shortlist_rows(outcome.common, picks, study))
        lines += ["", "Throw angles in degrees in the direction of rotation, throw 1 first."]
        lines += ["Cylinders are numbered along the crank from the free end (SAE J824, method A)."]
        note = interval_note(study)
        lines += ["", note] if note else []
    else:
        lines += ["No feasible design was found.", "", *_infeasible(outcome)]
    if agreement := seeds_lines(outcome.seed_spreads(study), outcome.common, study.seeds):
        lines += ["", "## Seeds", "", *agreement]
    lines += ["", "## Families", "", *_families(study, outcome)]
    lines += ["", "D and a number: on the common front; F and a number: only on its family's own."]
    if study.baseline is not None:
        lines += ["", "## Baseline", "", *_baseline(study)]
    lines += ["", "## Caution", "", CAUTION, ""]
    return "\n".join(lines)


def _counting(study: Study) -> str:
    """Return how values are rounded before designs are compared."""
    ways = {"down" if o.sign < 0 else "up" for o in study.objectives}
    way = ways.pop() if len(ways) == 1 else "to the worse side"
    texts = [f"Values are counted in whole steps, rounded {way}"]
    first = next((o for o in study.objectives if o.sign > 0), None)
    if first is not None:
        metric = METRICS[first.key]
        step = f"{first.resolution:,.6g} {metric.unit}".strip()
        texts.append(f"of {metric.label} anything above 0 counts as one step of {step}")
    return f"{': '.join(texts)}."


def _rule(study: Study, front: pd.DataFrame) -> list[str]:
    """Return by which rule the balanced pick was found, and what another would pick."""
    weighed = weighing(front, study)
    if weighed is None:
        return []
    label, share = weighed.worst[weighed.best]
    also = "too" if weighed.by_sum == weighed.best else "instead: it depends on how you weigh"
    return [
        f"Balanced is {weighed.best}: its worst objective, as a share of the front's span between "
        f"best and worst, is least bad ({label}, {100 * share:.0f} %). Runner-up by the same rule: "
        f"{weighed.runner_up}. A plain sum of these shares picks {weighed.by_sum} {also}.",
        "",
    ]


def beaten_text(row: pd.Series) -> str:
    """Return what a design of the common front has before one that is only on its family's."""
    if row["dominated_how"] == "equal when rounded":
        return f"{row['dominated_by']} has the same counted values as {row['design']}"
    return f"{row['dominated_by']} has {row['dominated_how']} than {row['design']}"


def _what_was_done(study: Study, outcome: Outcome) -> list[str]:
    """Return how many designs were looked at, and what is proved."""
    lines = []
    exact, n_searched = outcome.exact, len(outcome.plan.families) - len(outcome.exact)
    if exact:
        raw = sum(family.coverage.raw for family in exact.values())
        known = [family.coverage.distinct for family in exact.values()]
        distinct = "" if None in known else f" ({sum(n or 0 for n in known):,} of them distinct)"
        lines.append(
            f"Enumerated whole: {families_text(len(exact))}, {raw:,} candidates{distinct}. "
            "What is shown of them is exact on the study's lattice and lists: no candidate is "
            "better, in values counted as below. `certificate.json` says what was "
            "covered, `crankfront verify` checks it."
        )
    if n_searched:
        spent = sum(state.evaluations for state in outcome.states.values())
        designs = "different designs" if study.seeds == 1 else "designs (different in each seed)"
        state = "finished" if outcome.is_complete else "stopped early; go on with --resume"
        lines.append(
            f"Search {state}: {spent:,} {designs} scored in {families_text(n_searched)} "
            f"with {study.seeds} seed(s) from {study.seed}."
        )
    return ["\n\n".join([*lines, f"{len(outcome.common)} designs on the front."])]


def _families(study: Study, outcome: Outcome) -> list[str]:
    rows = []
    for index, family in enumerate(outcome.plan.families):
        states = [s for (k, _), s in sorted(outcome.states.items()) if k == index]
        own = outcome.family_rows
        mine = own[own["family"] == family.name] if len(own) else own
        common = int(mine["on_front"].sum()) if len(mine) else 0
        spent = f"{sum(s.evaluations for s in states):,}"
        exact = outcome.exact.get(family.name)
        done = ""
        if exact is not None:
            spent, done = f"all {exact.coverage.raw:,}", "exact"
        if states and all(s.is_exhausted for s in states):
            done = f"no new design in {FRUITLESS_ROUNDS * STRANGERS:,} further draws"
        elif states and any(is_settled(study, s) for s in states):
            share = f"{100 * study.settled_after:.3g} %"
            done = f"settled: its front had not changed over the last {share} of its designs"
        note = done
        if exact is not None and not len(exact.front):
            note = "no feasible design among all candidates"
        elif exact is None and not any(s.feasible_seen for s in states):
            note = "no feasible design: " + _hardest(outcome, index)
        elif not common and len(mine):
            first = mine.iloc[0]
            note = f"{note}; " if note else ""
            note += beaten_text(first)
        rows.append([family.name, spent, str(len(mine)), str(common), note])
    table = _table(["family", "designs scored", "own front", "on common front", "note"], rows)
    left_out = [f"- {reason}" for reason in outcome.plan.left_out]
    return table + (["", "Left out:", "", *left_out] if left_out else [])


def _hardest(outcome: Outcome, index: int) -> str:
    from optimize.problem import Island

    states = [s for (k, _), s in sorted(outcome.states.items()) if k == index]
    if not states:
        return "not searched yet"
    least = np.min([s.least_violation for s in states], axis=0)
    family = outcome.plan.families[index]
    island = Island(outcome.fronts[0].island.study, family)
    worst = int(np.argmax(least))
    return (
        f"'{island.constraint_names[worst]}' is missed by {least[worst]:.3g} of its scale at best"
    )


def _infeasible(outcome: Outcome) -> list[str]:
    return [
        f"- {family.name}: {_hardest(outcome, index)}"
        if family.name not in outcome.exact
        else f"- {family.name}: no candidate keeps the limits"
        for index, family in enumerate(outcome.plan.families)
    ]


def _baseline(study: Study) -> list[str]:
    assert study.baseline is not None
    layout = read_layout(Path(study.baseline))
    keys = [objective.key for objective in study.objectives]
    values = dict(zip(keys, score(layout.engine, layout.batch, keys)[0].tolist(), strict=True))
    built = interval_columns(study, layout.engine, layout.batch)
    row = pd.Series(values | {name: float(column[0]) for name, column in built.items()})
    cells = [objective_cell(row, objective) for objective in study.objectives]
    headings = [objective_heading(objective) for objective in study.objectives]
    return _table(["layout", *headings], [[layout.name, *cells]])


def _table(heading: list[str], rows: list[list[str]]) -> list[str]:
    lines = ["| " + " | ".join(heading) + " |", "|" + " --- |" * len(heading)]
    return lines + [
        "| " + " | ".join(cell.replace("|", "/") for cell in row) + " |" for row in rows
    ]
