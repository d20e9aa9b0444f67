"""The shortlist: a handful of designs of a front, and why each is on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray
from evaluate.metrics import METRICS
from optimize.search import knees, weighted_pick
from optimize.study import Study

MOST_KNEES = 2
FAVOUR = 4.0  # weight of the favoured objective beside 1 for each other


@dataclass(frozen=True, kw_only=True, slots=True)
class Pick:
    """One design of the shortlist.

    Attributes
    ----------
    design : str
        Its name on the front, such as "D7".
    name : str
        Short name for pictures, such as "D7 in-line 4".
    reasons : tuple of str
        Why it is on the list.
    """

    design: str
    name: str
    reasons: tuple[str, ...]


def scaled_objectives(front: pd.DataFrame, study: Study) -> FloatArray:
    """Return rounded objectives scaled to 0 (best on the front) .. 1 (worst), to be lessened.

    Objectives in which all designs are equal are 0 throughout.
    """
    columns = [f"{objective.key}_rounded" for objective in study.objectives]
    signs = np.array([objective.sign for objective in study.objectives])
    values = front[columns].to_numpy(float) * signs
    span = np.ptp(values, axis=0)
    scaled: FloatArray = (values - values.min(axis=0)) / np.where(span > 0, span, 1.0)
    return scaled


@dataclass(frozen=True, kw_only=True, slots=True)
class Weighing:
    """What is best where all objectives weigh the same, by two rules.

    The first rule looks at the worst objective of a design, as a share of the front's span between
    best and worst, and takes the design in which that share is least. The second takes the least
    sum of these shares, so that a good objective may make up for a bad one.

    Attributes
    ----------
    best, runner_up : str
        First and second by the first rule; no runner-up is empty.
    by_sum : str
        First by the second rule.
    worst : dict
        Label of the worst objective and its share, by design. [-]
    """

    best: str
    runner_up: str
    by_sum: str
    worst: dict[str, tuple[str, float]]


def weighing(front: pd.DataFrame, study: Study) -> Weighing | None:
    """Return what is best where all objectives weigh the same, None where nothing is traded."""
    if front.empty:
        return None
    scaled = scaled_objectives(front, study)
    differing = np.flatnonzero(np.ptp(scaled, axis=0) > 0)
    if not len(differing):
        return None
    some, equal = scaled[:, differing], np.ones(len(differing))
    best = weighted_pick(some, equal)
    others = np.delete(np.arange(len(some)), best)
    second = int(others[weighted_pick(some[others], equal)])
    by_sum = int(np.argmin(np.round(some.sum(axis=1), 9)))
    names = front["design"].to_list()
    worst = {
        names[row]: (
            METRICS[study.objectives[differing[column]].key].label,
            float(some[row, column]),
        )
        for row, column in enumerate(some.argmax(axis=1))
    }
    return Weighing(best=names[best], runner_up=names[second], by_sum=names[by_sum], worst=worst)


def shortlist(front: pd.DataFrame, study: Study) -> list[Pick]:
    """Return the balanced pick, the best in each objective, a pick for each, and knees.

    Parameters
    ----------
    front : DataFrame
        The common front.
    study : Study
        Names the objectives.

    Returns
    -------
    list of Pick
        In the order in which the reasons were found, each design once.
    """
    if front.empty:
        return []
    scaled = scaled_objectives(front, study)
    differing = np.flatnonzero(np.ptp(scaled, axis=0) > 0)
    reasons: dict[int, list[str]] = {}

    def add(row: int, reason: str) -> None:
        reasons.setdefault(row, []).append(reason)

    if len(differing) == 0:
        add(0, "the only trade-off there is")
        return _picks(front, reasons)
    some = scaled[:, differing]
    add(weighted_pick(some, np.ones(len(differing))), "balanced: all objectives weigh the same")
    for column in differing:
        label = METRICS[study.objectives[column].key].label
        best = np.flatnonzero(scaled[:, column] == 0)
        row = int(best[np.argmin(scaled[best].sum(axis=1))])
        shared = f" (shared by {len(best)} designs)" if len(best) > 1 else ""
        add(row, f"best {label}{shared}")
    for place, column in enumerate(differing):
        weights = np.ones(len(differing))
        weights[place] = FAVOUR
        label = METRICS[study.objectives[column].key].label
        add(weighted_pick(some, weights), f"{label} weighs {FAVOUR:g} times each other objective")
    for row in _best_knees(some):
        add(row, "knee: any neighbour loses more than it gains")
    return _picks(front, reasons)


def _best_knees(scaled: FloatArray) -> list[int]:
    found = knees(scaled)
    return sorted(found, key=lambda row: float(scaled[row].sum()))[:MOST_KNEES]


def _picks(front: pd.DataFrame, reasons: dict[int, list[str]]) -> list[Pick]:
    return [
        Pick(
            design=front.loc[row, "design"],
            name=f"{front.loc[row, 'design']} {front.loc[row, 'family']}",
            reasons=tuple(found),
        )
        for row, found in reasons.items()
    ]
