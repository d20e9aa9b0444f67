"""The tables of a report: shortlist, objectives, families, what was searched, baseline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from evaluate.metrics import METRICS
from evaluate.sizing import PINS
from optimize.report.runs import Run
from optimize.report.words import amount_text, listed, shafts_words, spaced
from optimize.robust import HIGH, LOW, objective_column, objective_heading
from optimize.sheets import UNKNOWN, Cell, Column, Group, Row, TableView, number_text
from optimize.study import Objective
from optimize.summary import beaten_text

BALANCED = "balanced: all objectives weigh the same"


def options_table(run: Run) -> TableView:
    """Return the shortlist in its objectives, and the baseline below it."""
    rows = [
        Row(
            cells=(
                Cell(text=pick.design, detail=_family_and_shafts(run.row(pick.design))),
                *_objective_cells(run, run.row(pick.design)),
            ),
            mark="balanced" if BALANCED in pick.reasons else "",
        )
        for pick in run.picks
    ]
    if run.baseline is not None:
        baseline = pd.Series(run.baseline.values)
        cells = _objective_cells(run, baseline)
        rows.append(Row(cells=(Cell(text="baseline", detail=run.baseline.layout.name), *cells)))
    return TableView(
        key="options",
        caption="The options in numbers",
        columns=(Column(heading="design", is_number=False), *_objective_columns(run)),
        groups=(Group(rows=tuple(rows)),),
        notes=_senses(run),
        look="wide",
    )


def _family_and_shafts(row: pd.Series) -> str:
    return f"{row['family']}, {shafts_words(row)}"


def _senses(run: Run) -> tuple[str, ...]:
    most = [METRICS[o.key].label for o in run.study.objectives if METRICS[o.key].sense == "most"]
    if not most:
        return ("Less is better in every column.",)
    if len(most) == len(run.study.objectives):
        return ("More is better in every column.",)
    return (f"Less is better, but for {listed(most)}: there more is.",)


def _objective_columns(run: Run) -> tuple[Column, ...]:
    return tuple(
        Column(heading=_heading(o), unit=METRICS[o.key].unit) for o in run.study.objectives
    )


def _heading(objective: Objective) -> str:
    """Return the heading of an objective without its unit, which has a place of its own."""
    text = objective_heading(objective)
    return text.split(" [")[0] + (text.split("]", 1)[1] if "]" in text else "")


def _objective_cells(run: Run, row: pd.Series) -> tuple[Cell, ...]:
    """Return the objectives of a design as they count, with what built engines have below."""
    return tuple(
        replace(number_cell(float(row[objective_column(run.front, o)])), detail=_built(row, o))
        for o in run.study.objectives
    )


def _built(row: pd.Series, objective: Objective) -> str:
    key, texts = objective.key, []
    if objective.kept_by is not None:
        texts.append(f"drawn {number_text(float(row[key]))}")
    if key + LOW in row:
        low, high = (number_text(float(row[key + end])) for end in (LOW, HIGH))
        if low != high:
            texts.append(f"({low} to {high})")
    return " ".join(texts)


def number_cell(value: float) -> Cell:
    """Return a cell that keeps the exact value beside the text."""
    known = bool(np.isfinite(value))
    return Cell(text=number_text(value), value=value if known else None)


def objectives_table(run: Run) -> TableView:
    """Return the span of each objective over the front, and what it means."""
    rows = []
    for objective in run.study.objectives:
        metric = METRICS[objective.key]
        values = run.front[objective_column(run.front, objective)].to_numpy(float)
        ends = (values.min(), values.max())
        best, worst = ends if metric.sense == "least" else ends[::-1]
        rows.append(
            Row(
                cells=(
                    Cell(text=_heading(objective)),
                    number_cell(float(best)),
                    number_cell(float(worst)),
                    number_cell(objective.resolution),
                    Cell(text=metric.unit or UNKNOWN),
                    Cell(text=metric.meaning),
                )
            )
        )
    return TableView(
        key="objectives",
        caption="What is traded: the span of each objective over the front",
        columns=(
            Column(heading="objective", is_number=False),
            Column(heading="best"),
            Column(heading="worst"),
            Column(heading="counted in steps of"),
            Column(heading="unit", is_number=False),
            Column(heading="meaning", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=(_counting(run),),
        look="wide",
    )


def _counting(run: Run) -> str:
    """Return how values are rounded before designs are compared, with one objective for example."""
    first = run.study.objectives[0]
    step = amount_text(first.key, first.resolution)
    way = "up" if first.sign > 0 else "down"
    one = f"in whole steps of {step}, rounded {way}"
    if first.sign > 0:
        one += ": anything above 0 counts as one step"
    return (
        "Before designs are compared, values are counted in whole steps; "
        f"{METRICS[first.key].label} {one}. Two values a hair apart may so count as one step apart."
    )


def families_table(run: Run) -> TableView:
    """Return each family's own front, and what beats the best of it."""
    rows = []
    on_front = run.front["family"].value_counts()
    for family in run.files.families:
        own = run.files.family_rows(family.name)
        common = int(on_front.get(family.name, 0))
        rows.append(
            Row(
                cells=(
                    Cell(text=family.name),
                    number_cell(len(own)),
                    number_cell(common),
                    Cell(text=what_beats(own, common)),
                )
            )
        )
    return TableView(
        key="families",
        caption="Each family's own front, and what beats the best of it",
        columns=(
            Column(heading="family", is_number=False),
            Column(heading="own front"),
            Column(heading="on the common front"),
            Column(heading="what beats it", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=(
            "Own front: designs that no other of the same family beats. D and a number: on the "
            "common front; F and a number: only on its family's own. Differences are between "
            "counted values. "
            f"Crankpins: {'; '.join(f'{name}, {words}' for name, words in PINS.items())}.",
        ),
        look="wide",
    )


def what_beats(own: pd.DataFrame, common: int) -> str:
    """Return what beats the first design of a family's own front.

    Parameters
    ----------
    own : DataFrame
        Rows of `family_fronts.parquet`, in its order.
    common : int
        Designs of the family on the common front.
    """
    if own.empty:
        return "no design keeps the limits"
    if common:
        return "nothing: it is on the front"
    return beaten_sentence(own.iloc[0])


def beaten_sentence(row: pd.Series) -> str:
    """Return what a design of the common front has before one that is only on its family's."""
    return spaced(beaten_text(row))


def beaten_line(run: Run, own: pd.DataFrame) -> str:
    """Return in a short line what beats a family that is not on the common front."""
    if own.empty:
        return "no design keeps the limits"
    first = own.iloc[0]
    winner = run.row(first["dominated_by"])
    columns = {METRICS[o.key].label: f"{o.key}_rounded" for o in run.study.objectives}
    better = [label for label, column in columns.items() if first[column] != winner[column]]
    if not better:
        return beaten_sentence(first)
    what = "everything" if len(better) == len(columns) else listed(better)
    return f"{winner['design']} ({winner['family']}) beats its best, {first['design']}, in {what}"


_STATES = {
    "exhausted": "no new design to be found",
    "settled": "front had stopped moving",
    "done": "budget spent",
    "running": "under way when written",
    "waiting": "not begun",
}


def islands_table(run: Run) -> TableView:
    """Return what was looked at in each family, and how that ended."""
    raw = (
        {}
        if run.files.certificate is None
        else {family.family: family.raw for family in run.files.certificate.families}
    )
    rows = []
    for family in run.files.families:
        own = (
            []
            if run.status is None
            else [island for island in run.status.islands if island.family == family.name]
        )
        if family.name in raw:
            how, scored, end = "all looked at", float(raw[family.name]), "proved"
        elif own:
            how, scored = "searched", float(sum(island.evaluations for island in own))
            end = listed(sorted({_STATES[island.state] for island in own}))
        else:
            how, scored, end = "searched", np.nan, "not known"
        rows.append(
            Row(cells=(Cell(text=family.name), Cell(text=how), number_cell(scored), Cell(text=end)))
        )
    return TableView(
        key="searched",
        caption="What was looked at, family by family",
        columns=(
            Column(heading="family", is_number=False),
            Column(heading="how", is_number=False),
            Column(heading="designs"),
            Column(heading="how it ended", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        look="wide",
    )


#: Beside the objectives: what tells whether two engines are comparable, and what they weigh.
_BESIDE = ("crank_length_mm", "crank_train_mass_kg", "box_litres")


def baseline_table(run: Run, named: Sequence[str]) -> TableView | None:
    """Return the baseline beside the designs of the answer, None where there is none."""
    baseline = run.baseline
    if baseline is None:
        return None
    keys = [o.key for o in run.study.objectives]
    keys += [key for key in _BESIDE if key not in keys]
    rows = [
        Row(
            cells=(
                Cell(text=METRICS[key].label),
                number_cell(baseline.values[key]),
                *(number_cell(float(run.row(design)[key])) for design in named),
                Cell(text=METRICS[key].unit or UNKNOWN),
            )
        )
        for key in keys
    ]
    return TableView(
        key="baseline",
        caption=f"The baseline, {baseline.layout.name}, beside the designs of the answer",
        columns=(
            Column(heading="value", is_number=False),
            Column(heading="baseline"),
            *(Column(heading=design) for design in named),
            Column(heading="unit", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        look="wide",
    )
