"""Objectives that a share of built engines keeps, and how far built engines scatter."""

from __future__ import annotations

from typing import Any

import numpy as np

from evaluate.batch import Batch, Engine, FloatArray
from evaluate.metrics import METRICS, Evaluation
from evaluate.tolerance_tables import tolerance_table
from evaluate.tolerances import DRAWN, INTERVAL_SHARE, Tolerances, kept_values, spread
from optimize.study import Study

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


def limits_text(tolerances: Tolerances) -> str:
    """Return the limits in words."""
    limits = tolerances.limits
    if not limits:
        return "no limit above 0"
    parts = []
    for name, limit in limits.items():
        words, _, unit = name.rpartition("_")
        parts.append(f"{words.replace('_', ' ')} ±{limit:g} {unit.replace('percent', '%')}")
    return ", ".join(parts)
