"""Several runs side by side, as the page and the print tell them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evaluate.metrics import METRICS
from optimize.pictures.tradeoffs import price_of
from optimize.report.runs import Run
from optimize.report.tables import number_cell
from optimize.report.words import amount_text
from optimize.run_comparison import Beating, RunComparison, Vector, compare_runs
from optimize.sheets import UNKNOWN, Cell, Column, Group, Row, TableView, number_text

MOST_ROWS = 12  # of what only one run has; the others are counted


@dataclass(frozen=True, kw_only=True, slots=True)
class Beside:
    """The first run beside the others.

    Attributes
    ----------
    statements : tuple of str
        How much the fronts share, and what was made equal to compare them.
    tables : tuple of TableView
        The runs; what moved; in what the studies differ; what each run has that the others lack.
    labels : tuple of str
        Short names of the runs.
    comparison : RunComparison
        What all this was made from.
    """

    statements: tuple[str, ...]
    tables: tuple[TableView, ...]
    labels: tuple[str, ...]
    comparison: RunComparison


def beside(runs: Sequence[Run]) -> Beside | None:
    """Return several runs side by side, None where there is only one.

    Raises
    ------
    InputError
        If they share no objective.
    """
    if len(runs) < 2:
        return None
    found = compare_runs([run.files for run in runs])
    tables = [_runs_table(found), _moved_table(found)]
    if found.differences:
        tables.append(_differences_table(found))
    tables += [_only_table(found, place) for place in range(len(runs)) if found.only(place)]
    return Beside(
        statements=(_sharing(found), *found.statements),
        tables=tuple(tables),
        labels=tuple(run.label for run in found.runs),
        comparison=found,
    )


def _sharing(found: RunComparison) -> str:
    shared, every = len(found.shared), len(found.vectors)
    if shared == every:
        return f"All {len(found.runs)} fronts have the same {every} trade-offs."
    own = [
        f"only {run.label} has {number_text(len(found.only(place)))}"
        for place, run in enumerate(found.runs)
    ]
    return (
        f"Of {number_text(every)} different trade-offs (rounded objectives) "
        f"{number_text(shared)} are on every front; {', '.join(own)}."
    )


def _runs_table(found: RunComparison) -> TableView:
    rows = [
        Row(
            cells=(
                Cell(text=run.label, detail=run.study),
                Cell(text=run.how),
                Cell(text=str(run.seed)),
                number_cell(run.front_size),
                number_cell(len(found.only(place))),
                _share_cell(run.hypervolume),
            )
        )
        for place, run in enumerate(found.runs)
    ]
    return TableView(
        key="runs",
        caption="The runs",
        columns=(
            Column(heading="run", is_number=False),
            Column(heading="how", is_number=False),
            Column(heading="seed"),
            Column(heading="designs"),
            Column(heading="only there"),
            Column(heading="hypervolume", unit="%"),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=("Hypervolume: share of one box for all runs that each front dominates.",),
        look="wide",
    )


def _share_cell(share: float | None) -> Cell:
    return Cell(text=UNKNOWN) if share is None else number_cell(100 * share)


def _moved_table(found: RunComparison) -> TableView:
    rows = []
    for objective in found.objectives:
        cells = [_maybe(value) for value in objective.best]
        cells += [_maybe(value) for value in objective.moved[1:]]
        rows.append(
            Row(
                cells=(
                    Cell(text=objective.label),
                    *cells,
                    number_cell(objective.resolution),
                    Cell(text=objective.unit or UNKNOWN),
                )
            )
        )
    labels = [run.label for run in found.runs]
    return TableView(
        key="moved",
        caption=f"The best of each objective, and by how much it is better than in {labels[0]}",
        columns=(
            Column(heading="objective", is_number=False),
            *(Column(heading=f"best, {label}") for label in labels),
            *(Column(heading=f"better, {label}") for label in labels[1:]),
            Column(heading="rounded to"),
            Column(heading="unit", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        look="wide",
    )


def _maybe(value: float | None) -> Cell:
    return Cell(text=UNKNOWN) if value is None else number_cell(value)


def _differences_table(found: RunComparison) -> TableView:
    return TableView(
        key="differences",
        caption="In what the studies differ",
        columns=(
            Column(heading="what", is_number=False),
            *(Column(heading=run.label, is_number=False) for run in found.runs),
        ),
        groups=(
            Group(
                rows=tuple(
                    Row(cells=(Cell(text=d.what), *(Cell(text=value) for value in d.values)))
                    for d in found.differences
                )
            ),
        ),
        look="wide",
    )


def _only_table(found: RunComparison, place: int) -> TableView:
    label, own = found.runs[place].label, found.only(place)
    keys = [objective.metric for objective in found.objectives]
    rows = [
        Row(
            cells=(
                Cell(text=vector.designs[place], detail=vector.families[place]),
                *(number_cell(vector.values[key]) for key in keys),
                Cell(text=_elsewhere(found, vector, place)),
            )
        )
        for vector in own[:MOST_ROWS]
    ]
    left = len(own) - len(rows)
    return TableView(
        key=f"only-{place + 1}",
        caption=f"What only {label} has, rounded",
        columns=(
            Column(heading="design", is_number=False),
            *(Column(heading=METRICS[key].label, unit=METRICS[key].unit) for key in keys),
            Column(heading="elsewhere", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=(f"{number_text(left)} more are not listed.",) if left else (),
        look="wide",
    )


def _elsewhere(found: RunComparison, vector: Vector, place: int) -> str:
    beaten = [b for k, b in enumerate(vector.beaten_by) if k != place and b is not None]
    if not beaten:
        return "nothing as good"
    return "; ".join(_beaten_words(found, one) for one in beaten)


def _beaten_words(found: RunComparison, one: Beating) -> str:
    gains = [f"{METRICS[key].label} by {amount_text(key, gain)}" for key, gain in one.gains.items()]
    return f"{one.design} of {found.runs[one.run].label} is better in {', '.join(gains)}"


def overlay_axes(found: RunComparison) -> tuple[str, tuple[str, ...]]:
    """Return the shared objective that stands for the price, and the others."""
    keys = [objective.metric for objective in found.objectives]
    price = price_of(keys)
    return price, tuple(key for key in keys if key != price) or (price,)
