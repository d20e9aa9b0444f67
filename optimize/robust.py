"""Objectives that a share of built engines keeps, and how far built engines scatter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from evaluate.batch import Batch, Engine, FloatArray
from evaluate.metrics import METRICS, Evaluation, axis_label
from evaluate.tolerance_results import DISTRIBUTION, limits_text
from evaluate.tolerance_tables import tolerance_table
from evaluate.tolerances import DRAWN, INTERVAL_SHARE, kept_values, spread
from optimize.study import Objective, Study
from optimize.texts import value_text

if TYPE_CHECKING:
    import pandas as pd

LOW, HIGH, KEPT = "_p05", "_p95", "_kept"
MEANING = {
    LOW: f"{INTERVAL_SHARE:.0%} of built engines have this or more",
    HIGH: f"{INTERVAL_SHARE:.0%} of built engines have this or less",
    KEPT: "what the share kept_by of built engines keeps, or betters; the objective",
}


def objective_values(study: Study, evaluation: Evaluation) -> FloatArray:
    """Return the objectives of candidates in their units, shape (candidates, objectives).

    Parameters
    ----------
    study : Study
        Says which objectives are those of built engines.
    evaluation : Evaluation
        The candidates as drawn.
    """
    columns = [METRICS[o.key].compute(evaluation) for o in study.objectives]
    values = np.column_stack(columns)
    shares = study.kept_shares
    if shares and study.tolerances is not None:
        kept = kept_values(evaluation.engine, evaluation.batch, study.tolerances, shares)
        places = [place for place, o in enumerate(study.objectives) if o.key in shares]
        values[:, places] = kept
    return values


def objective_column(frame: pd.DataFrame, objective: Objective) -> str:
    """Return the column of a front in which an objective stands as it counts."""
    kept = objective.key + KEPT
    return kept if objective.kept_by is not None and kept in frame.columns else objective.key


def values_of_rows(rows: pd.DataFrame, study: Study) -> FloatArray:
    """Return the objectives of rows of a front as they count, before they are rounded.

    Returns
    -------
    array, shape (rows, objectives)
        Empty for an empty table.
    """
    if rows.empty:
        return np.zeros((0, len(study.objectives)))
    columns = [objective_column(rows, o) for o in study.objectives]
    return np.column_stack([rows[column].to_numpy(float) for column in columns])


def interval_columns(study: Study, engine: Engine, batch: Batch) -> dict[str, FloatArray]:
    """Return columns of a front table on built engines; none where nothing is stated.

    For each objective that tolerances move `..._p05` and `..._p95`, between which nine of ten built
    engines lie, and for each with `kept_by` the value that counts, `..._kept`.

    Parameters
    ----------
    study : Study
        Objectives and tolerances.
    engine : Engine
        Of the family.
    batch : Batch
        Its designs.
    """
    tolerances = study.tolerances
    if tolerances is None:
        return {}
    keys = interval_keys(study)
    if not len(batch) or not keys:
        names = [key + end for key in keys for end in (LOW, HIGH)]
        return {name: np.zeros(0) for name in names + [key + KEPT for key in study.kept_shares]}
    found = spread(engine, batch, tolerances, keys)
    columns = {}
    for column, key in enumerate(keys):
        columns[key + LOW], columns[key + HIGH] = found.low[:, column], found.high[:, column]
    kept = kept_values(engine, batch, tolerances, study.kept_shares)
    for column, key in enumerate(study.kept_shares):
        columns[key + KEPT] = kept[:, column]
    return columns


def interval_keys(study: Study) -> list[str]:
    """Return the objectives that tolerances move."""
    return [objective.key for objective in study.objectives if objective.key not in DRAWN]


def tolerance_metadata(study: Study) -> dict[str, Any]:
    """Return what a front's file says of built engines; nothing where nothing is stated."""
    if study.tolerances is None:
        return {}
    return {
        "tolerances": {
            **tolerance_table(study.tolerances),
            "kept_by": study.kept_shares,
            "columns": {f"<metric>{end}": meaning for end, meaning in MEANING.items()},
        }
    }


def objective_heading(objective: Objective) -> str:
    """Return the heading of an objective in tables, with the share that keeps it."""
    heading = axis_label(objective.key)
    return heading if objective.kept_by is None else f"{heading} kept by {objective.kept_by:.3g}"


def objective_cell(row: pd.Series, objective: Objective) -> str:
    """Return an objective of a row of a front as text, with the interval of built engines if any.

    The value of the engine as drawn comes first, or what the stated share of built engines keeps.
    """
    key = objective.key
    text = value_text(float(row[key]))
    if objective.kept_by is not None and key + KEPT in row:
        text = f"{value_text(float(row[key + KEPT]))}, drawn {text}"
    if key + LOW in row:
        low, high = (value_text(float(row[key + end])) for end in (LOW, HIGH))
        text += f" ({low} to {high})"
    return text


def interval_note(study: Study) -> str:
    """Return how to read intervals in a table of designs; empty without tolerances."""
    if study.tolerances is None:
        return ""
    kept = ""
    if study.kept_shares:
        kept = (
            "An objective kept by a share of the engines is the value that this share of them has "
            "or betters; what the engine has as drawn stands behind it. "
        )
    return (
        f"{kept}In brackets: nine of ten engines built lie between the two values, one of twenty "
        f"on either side beyond. {study.tolerances.samples} samples, seed {study.tolerances.seed}; "
        f"{DISTRIBUTION}: {limits_text(study.tolerances.limits)}."
    )
