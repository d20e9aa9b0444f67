"""What a certificate says of a front: hashes by which every member can be recognised."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from evaluate.batch import IntArray
from optimize.archive import TIE_SHARE
from optimize.checkpoint import study_hash
from optimize.fronts import package_versions
from optimize.study import Study

if TYPE_CHECKING:
    from optimize.run import Outcome

SCHEMA = "crankfront.certificate/1"
_DECIMALS = 9  # of a degree: far below any lattice, far above round-off
_NUMBERS = ("bank_angle_deg", "splay_deg", "reciprocating_fraction", "rotating_fraction")
_ANGLES = ("throw_angles_deg", "firing_angles_deg")


def certificate(study: Study, outcome: Outcome) -> dict[str, Any]:
    """Return what was covered, by which reductions and tolerances, and hashes of the fronts.

    Parameters
    ----------
    study : Study
        What was enumerated.
    outcome : Outcome
        With at least one enumerated family.

    Returns
    -------
    dict
        Ready for JSON.
    """
    rows = outcome.family_rows
    families = []
    for name, found in outcome.exact.items():
        mine = rows[rows["family"] == name] if len(rows) else rows
        coverage = found.coverage
        families.append(
            {
                "family": name,
                "raw": coverage.raw,
                "distinct": coverage.distinct,
                "classes": coverage.classes,
                "frames": coverage.frames,
                "settings": coverage.settings,
                "reductions": list(coverage.reductions),
                "members": len(mine),
                "front_sha256": front_hash(mine, study),
            }
        )
    from optimize.plan import why_searched  # which needs this package

    searched = [f for f in outcome.plan.families if f.name not in outcome.exact]
    reasons = [{"family": f.name, "reason": why_searched(study, f) or ""} for f in searched]
    return {
        "schema": SCHEMA,
        "study": study.name,
        "study_sha256": study_hash(study.text),
        "versions": package_versions(),
        "tolerances": {
            "tie_share_of_resolution": TIE_SHARE,
            "round_off": "couples within round-off of the edge of a step are scored one by one",
        },
        "is_complete": outcome.is_complete and not searched,
        "families": families,
        "not_enumerated": reasons,
        "front_sha256": front_hash(outcome.common, study),
    }


def front_hash(rows: pd.DataFrame, study: Study) -> str:
    """Return the hash of a front, whatever the order of its rows.

    Parameters
    ----------
    rows : DataFrame
        Rows of `front.parquet` or `family_fronts.parquet`; may be empty.
    study : Study
        Gives the objectives and their resolutions.

    Returns
    -------
    str
        SHA-256 over a line for the objectives and a line for each design, sorted; see
        `design_lines`.
    """
    heading = " ".join(f"{o.key}/{_number(o.resolution)}" for o in study.objectives)
    text = "\n".join([heading, *sorted(design_lines(rows, study))])
    return hashlib.sha256(text.encode()).hexdigest()


def design_lines(rows: pd.DataFrame, study: Study) -> list[str]:
    """Return one line of text for each design, which says all that fixes it.

    Family; rounded objectives as whole multiples of their resolution (to be lessened); number of
    equals; bank angle, splay, fractions; throw angles; firing angles; banks; shafts; collectors.
    """
    if rows.empty:
        return []
    boxes = boxes_of_rows(rows, study)
    return [_line(row, box) for (_, row), box in zip(rows.iterrows(), boxes.tolist(), strict=True)]


def boxes_of_rows(rows: pd.DataFrame, study: Study) -> IntArray:
    """Return rounded objectives as whole multiples, to be lessened, (designs, objectives)."""
    if rows.empty:
        return np.zeros((0, len(study.objectives)), np.int64)
    columns = [
        np.rint(rows[f"{o.key}_rounded"].to_numpy(float) * o.sign / o.resolution)
        for o in study.objectives
    ]
    return np.column_stack(columns).astype(np.int64)


def _line(row: pd.Series, box: list[int]) -> str:
    parts = [
        str(row["family"]),
        " ".join(str(n) for n in box),
        str(int(row["equals"])),
        _numbers(row[name] for name in _NUMBERS),
        *(_numbers(row[name]) for name in _ANGLES),
        _numbers(row["cylinder_banks"]),
        str(row["shafts"]),
        _numbers(row["collectors"]),
    ]
    return "; ".join(parts)


def _numbers(values: Iterable[float]) -> str:
    return " ".join(_number(float(value)) for value in values)


def _number(value: float) -> str:
    """Return nine significant digits; round-off about 0, of either sign, is 0."""
    return f"{round(value, _DECIMALS) + 0.0:.9g}"
