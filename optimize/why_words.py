"""The answer to "why not mine?" in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from evaluate.metrics import METRICS
from optimize.answers import Change, Gap, Judgement, Member, Standing
from optimize.exact.run_files import RunFiles
from optimize.limits import Breach
from optimize.texts import difference_text

_MOST_CHANGES = 4


def sentences(
    run: RunFiles, name: str, judgement: Judgement, as_filed: Judgement | None
) -> list[str]:
    """Return an answer in plain sentences, the verdict first.

    Parameters
    ----------
    run : RunFiles
        The run.
    name : str
        Of the layout.
    judgement : Judgement
        What the answer rests on.
    as_filed : Judgement or None
        The same as its file has it.
    """
    said = [_verdict(run, name, judgement)]
    said += [f"It breaks a limit: {breach_text(one)}." for one in judgement.breaches]
    if judgement.outside_space:
        said.append(f"The search did not look there: {'; '.join(judgement.outside_space)}.")
    elif not judgement.breaches and judgement.common.place == "undominated":
        said.append(_why_not_found(run, judgement))
    said += _what_to_change(judgement)
    said += _of_family(judgement)
    if judgement.givens == "study":
        said.append(_brought(judgement))
    if as_filed is not None and as_filed.common.place != judgement.common.place:
        place = _place(as_filed.common, as_filed.breaches)
        said.append(f"As its file has it, with its own size, speed and masses: {place}.")
    return said


def gain_text(gaps: Iterable[Gap]) -> str:
    """Return in what a design is better, such as "150 N less residual force"."""
    words = []
    for gap in gaps:
        if gap.gain > 0:
            words.append(_difference(gap, 1, is_better=True))
    return ", ".join(words)


def loss_text(gaps: Iterable[Gap]) -> str:
    """Return in what a design is worse; empty where in nothing."""
    return ", ".join(_difference(gap, -1, is_better=False) for gap in gaps if gap.gain < 0)


def _difference(gap: Gap, sign: int, *, is_better: bool) -> str:
    word = "less" if (gap.sense == "least") == is_better else "more"
    counted, exact = sign * gap.gain, sign * gap.exact_gain
    return difference_text(counted, exact, gap.unit, gap.step, f"{word} {gap.label}")


def _with_unit(value: float, unit: str) -> str:
    return f"{value:,.6g} {unit}".strip()


def value_with_unit(metric: str, value: float) -> str:
    """Return a rounded value of a metric with its unit."""
    return _with_unit(value, METRICS[metric].unit)


def breach_text(breach: Breach) -> str:
    """Return a limit that is broken, and by how much."""
    missed, has = (_with_unit(value, breach.unit) for value in (breach.excess, breach.value))
    return f"{breach.constraint}, missed by {missed} (it has {has})"


def changes_text(changes: Sequence[Change]) -> str:
    """Return what would have to be changed, the first few of it."""
    words = [f"{one.what} {one.layout} → {one.other}" for one in changes[:_MOST_CHANGES]]
    more = len(changes) - len(words)
    return "; ".join(words) + (f"; and {more} more" if more > 0 else "")


def _verdict(run: RunFiles, name: str, judgement: Judgement) -> str:
    givens = "At the study's givens" if judgement.givens == "study" else "As its file has it"
    family = f" ({judgement.family})" if judgement.family else ""
    if run.common.empty:
        return f"{givens}, {name}{family} has nothing to be compared with: the front is empty."
    return f"{givens}, {name}{family}: {_place(judgement.common, judgement.breaches)}."


def _place(standing: Standing, breaches: Sequence[Breach]) -> str:
    if standing.place == "unknown":
        return "one of its objectives cannot be known, so it cannot be compared"
    if standing.place == "member":
        return f"it is {standing.member}, on the front"
    if standing.place == "equal":
        return f"it has the same rounded values as {', '.join(standing.equals)}, on the front"
    if standing.place == "dominated":
        return _dominated_text(standing)
    if breaches:
        return "no design of the front dominates it, but it breaks a limit of the study"
    worse = standing.n_dominated
    would = f", and would take {worse} of its designs off" if worse else ""
    return f"no design of the front dominates it: it would stand on the front{would}"


def _dominated_text(standing: Standing) -> str:
    first, others = standing.dominated_by[0], standing.n_dominating - 1
    more = "" if not others else f"; so do {others} more" if others > 1 else "; so does one more"
    return f"{first.design} ({first.family}) dominates it: {gain_text(first.gaps)}{more}"


def _why_not_found(run: RunFiles, judgement: Judgement) -> str:
    exact = [] if run.certificate is None else [f.family for f in run.certificate.families]
    if judgement.givens == "study" and judgement.family in exact:
        return "Its family was enumerated, so that must not be: `crankfront verify` checks the run."
    return "The search has missed it, or a design as good; more evaluations may find it."


def _what_to_change(judgement: Judgement) -> list[str]:
    """Return which values would bring it onto the front, and the nearest design there."""
    standing, said = judgement.common, []
    if standing.place == "dominated":
        ways = [
            f"{METRICS[key].label} {value_with_unit(key, value)}"
            for key, value in standing.alone.items()
            if value is not None
        ]
        if ways:
            said.append(f"One of these alone would bring it onto the front: {'; '.join(ways)}.")
        else:
            said.append("No change in one objective alone would bring it onto the front.")
        if standing.together and len(standing.together) > 1:
            values = [
                f"{METRICS[key].label} {value_with_unit(key, value)}"
                for key, value in standing.together.items()
            ]
            said.append(f"The least change altogether: {' with '.join(values)}.")
    if standing.place == "equal":
        near = next(one for one in standing.nearest if one.design in standing.equals)
        differs = changes_text(near.changes) or "nothing that is listed"
        said.append(f"What it differs from {near.design} in matters in no objective: {differs}.")
    elif standing.nearest and standing.place != "member":
        said.append(f"Nearest on the front is {_near_text(standing.nearest[0])}.")
    return said


def _near_text(member: Member) -> str:
    parts = [f"{member.design} ({member.family})"]
    gain, loss = gain_text(member.gaps), loss_text(member.gaps)
    if gain:
        parts.append(f"with {gain}")
    if loss:
        parts.append(f"but {loss}" if gain else f"with {loss}")
    text = " ".join(parts)
    return f"{text}; to get there: {changes_text(member.changes)}" if member.changes else text


def _of_family(judgement: Judgement) -> list[str]:
    own = judgement.own_family
    if own is None:
        return []
    if own.place == "dominated":
        return [f"On its family's own front ({_designs(own.size)}), {_dominated_text(own)}."]
    if own.place == "member" and judgement.common.place == "member":
        return []
    words = {
        "member": f"It is {own.member} of its family's own front ({_designs(own.size)}).",
        "equal": f"On its family's own front ({_designs(own.size)}) it has the same rounded values "
        f"as {', '.join(own.equals)}.",
        "undominated": f"On its family's own front ({_designs(own.size)}) nothing dominates it.",
    }
    return [words[own.place]] if own.place in words else []


def _designs(n: int) -> str:
    return "1 design" if n == 1 else f"{n} designs"


def _brought(judgement: Judgement) -> str:
    if not judgement.changed_givens:
        return "Its givens are those of the study."
    words = [f"{one.what} {one.layout} → {one.other}" for one in judgement.changed_givens]
    return (
        "Brought to the study's givens, with its own throws, banks, firing, counterweights and "
        f"shafts: {'; '.join(words)}."
    )
