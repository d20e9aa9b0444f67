"""Where one vector of rounded objectives stands among the designs of a front."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from evaluate.batch import FloatArray, IntArray
from evaluate.metrics import METRICS
from optimize.answers import Between, Change, Gap, Member, Standing
from optimize.least_change import dominating, steps_alone, steps_together
from optimize.study import Study

MOST_MEMBERS = 12  # dominating or dominated designs that an answer names
_NEAR_SAME, _NEAR_OTHER = 3, 2  # nearest designs of its family, and of the others


@dataclass(slots=True)
class Front:
    """The designs of one front, as the layout is compared with them.

    Attributes
    ----------
    name : str
        "common", or that of the family whose own front it is.
    study : Study
        Names the objectives.
    rows : DataFrame
        Of a front table.
    boxes : array of int, shape (designs, objectives)
        Their rounded objectives as multiples of the resolution, to be lessened.
    values : array, shape (designs, objectives)
        Their objectives as they count, before they are rounded.
    own : array, shape (objectives,)
        Those of the layout.
    family : str
        Family of the layout; empty where it has none.
    on_front : frozenset of str
        Names of the designs on the common front.
    changes : callable
        From a row to what differs in the layout.
    """

    name: str
    study: Study
    rows: pd.DataFrame
    boxes: IntArray
    values: FloatArray
    own: FloatArray
    family: str
    on_front: frozenset[str]
    changes: Callable[[pd.Series], tuple[Change, ...]]
    _members: dict[tuple[int, bytes], Member] = field(default_factory=dict)

    def member(self, place: int, box: IntArray) -> Member:
        """Return the design of a row beside a layout with these rounded objectives."""
        key = place, box.tobytes()
        if key not in self._members:
            row = self.rows.iloc[place]
            self._members[key] = Member(
                design=str(row["design"]),
                family=str(row["family"]),
                is_on_front=str(row["design"]) in self.on_front,
                is_same_family=row["family"] == self.family,
                gaps=_gaps(self.study, box, self.boxes[place], self.own - self.values[place]),
                changes=self.changes(row),
            )
        return self._members[key]


def standing(
    front: Front, box: IntArray | None, *, member: str | None, n_cylinders: int
) -> Standing:
    """Return where a layout stands among the designs of a front.

    Parameters
    ----------
    front : Front
        The designs.
    box : array of int, shape (objectives,), or None
        Rounded objectives as multiples of their resolution, to be lessened; None where one of them
        is unknown.
    member : str or None
        Name of the design that the layout is, if it is one of this front.
    n_cylinders : int
        Of the layout: no firing fluctuates less than 1/N.
    """
    if box is None:
        return _unknown(front)
    boxes = front.boxes
    above, below = dominating(box, boxes), _dominated(box, boxes)
    equals = np.flatnonzero((boxes == box).all(axis=1))
    place = "undominated"
    if member is not None:
        place = "member"
    elif len(above):
        place = "dominated"
    elif len(equals):
        place = "equal"
    spans = np.maximum(np.ptp(boxes, axis=0), 1) if len(boxes) else np.ones(len(box))
    apart = (np.abs(boxes - box) / spans).sum(axis=1)
    alone, together = _to_change(front.study, box, boxes, spans, n_cylinders)

    def named(places: IntArray, differs: NDArray[np.bool_]) -> tuple[Member, ...]:
        order = np.argsort(-differs.sum(axis=1), kind="stable")[:MOST_MEMBERS]
        return tuple(front.member(int(places[i]), box) for i in order)

    return Standing(
        front=front.name,
        size=len(boxes),
        place=place,
        member=member,
        equals=tuple(str(name) for name in front.rows["design"].iloc[equals]) if len(boxes) else (),
        n_dominating=len(above),
        n_dominated=len(below),
        dominated_by=named(above, boxes[above] < box),
        dominates=named(below, boxes[below] > box),
        between=() if len(above) else _between(front, box, boxes, apart),
        nearest=_nearest(front, box, apart),
        alone=alone,
        together=together,
    )


def _unknown(front: Front) -> Standing:
    return Standing(
        front=front.name,
        size=len(front.rows),
        place="unknown",
        member=None,
        equals=(),
        n_dominating=0,
        n_dominated=0,
        dominated_by=(),
        dominates=(),
        between=(),
        nearest=(),
        alone={},
        together=None,
    )


def _dominated(box: IntArray, boxes: IntArray) -> IntArray:
    rows: IntArray = np.flatnonzero((boxes >= box).all(axis=1) & (boxes > box).any(axis=1))
    return rows


def _gaps(study: Study, box: IntArray, other: IntArray, exact: FloatArray) -> tuple[Gap, ...]:
    found = []
    columns = (study.objectives, box.tolist(), other.tolist(), exact.tolist())
    for o, mine, theirs, apart in zip(*columns, strict=True):
        metric, step = METRICS[o.key], o.sign * o.resolution
        found.append(
            Gap(
                metric=o.key,
                label=metric.label,
                unit=metric.unit,
                sense=metric.sense,
                layout=mine * step + 0.0,
                design=theirs * step + 0.0,
                gain=(mine - theirs) * o.resolution + 0.0,
                exact_gain=apart * o.sign + 0.0,
                step=o.resolution,
            )
        )
    return tuple(found)


def _between(
    front: Front, box: IntArray, boxes: IntArray, apart: FloatArray
) -> tuple[Between, ...]:
    """Return the next better and the next worse design in each objective, the nearer of equals."""
    found = []
    for column, objective in enumerate(front.study.objectives):
        steps = boxes[:, column] - box[column]
        sides: list[Member | None] = []
        for rows in (np.flatnonzero(steps < 0), np.flatnonzero(steps > 0)):
            if len(rows):
                best = rows[np.lexsort([apart[rows], np.abs(steps[rows])])[0]]
                sides.append(front.member(int(best), box))
            else:
                sides.append(None)
        found.append(Between(metric=objective.key, better=sides[0], worse=sides[1]))
    return tuple(found)


def _nearest(front: Front, box: IntArray, apart: FloatArray) -> tuple[Member, ...]:
    if front.rows.empty:
        return ()
    is_same = (front.rows["family"] == front.family).to_numpy(bool)
    order = np.argsort(apart, kind="stable")
    same = [i for i in order if is_same[i]][:_NEAR_SAME]
    others = [i for i in order if not is_same[i]][:_NEAR_OTHER]
    return tuple(front.member(int(i), box) for i in (*same, *others))


def _to_change(
    study: Study, box: IntArray, boxes: IntArray, spans: FloatArray, n_cylinders: int
) -> tuple[dict[str, float | None], dict[str, float] | None]:
    """Return the values to reach: in one objective alone, and in all together."""
    if not len(dominating(box, boxes)):
        return {}, None
    floors = _floors(study, n_cylinders)
    steps = [o.sign * o.resolution for o in study.objectives]
    alone: dict[str, float | None] = {}
    for column, fewer in enumerate(steps_alone(box, boxes, floors)):
        value = None if fewer is None else float(box[column] - fewer) * steps[column] + 0.0
        alone[study.objectives[column].key] = value
    least = steps_together(box, boxes, spans, floors)
    if least is None:
        return alone, None
    return alone, {
        o.key: float(n - fewer) * step + 0.0
        for o, n, fewer, step in zip(study.objectives, box, least, steps, strict=True)
        if fewer
    }


def _floors(study: Study, n_cylinders: int) -> FloatArray:
    """Return what rounded objectives cannot be less than: no metric that is to be least is below 0.

    Firing fluctuates by 1/N at least; no share is above 1.
    """
    floors = []
    for o in study.objectives:
        least = 1 / n_cylinders if o.key == "firing_fluctuation" else 0.0
        if o.sign < 0:
            least = -1.0 if o.key.endswith("_share") else -math.inf
        floors.append(math.ceil(least / o.resolution - 1e-6) if math.isfinite(least) else least)
    return np.array(floors, float)
