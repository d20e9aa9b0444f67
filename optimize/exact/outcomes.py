"""Firing of whole classes: every set of firing bits that keeps the limits, and what it scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate import exhaust, firing
from evaluate.batch import Batch, FloatArray, IntArray
from evaluate.metrics import METRICS, Evaluation
from optimize.archive import rounded_boxes
from optimize.exact.classes import Classes
from optimize.exact.levels import HAIR, Levels, level_of
from optimize.exact.space import Frame, Space
from optimize.study import Bound

#: What the largest interval may exceed its limit by, as in `optimize.problem`: times cycle/N.
_ALLOWANCE = 1e-9
_DECIMALS = 11  # of degrees and shares: above round-off, below a millionth of any resolution in use


@dataclass(frozen=True)
class GivenFiring(Evaluation):
    """An evaluation whose firing angles are given instead of following from pins."""

    angles_deg: FloatArray

    @property
    def firing_angles_deg(self) -> FloatArray:
        """Firing angles by cylinder, (candidates, cylinders)."""
        return self.angles_deg


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcomes:
    """Feasible sets of firing bits of a block of classes.

    Attributes
    ----------
    classes : array of int, shape (rows,)
        Which class of the block.
    angles_deg : array, shape (rows, cylinders)
        Firing angles, the cylinders in the order of the class's items. [deg]
    boxes : array of int, shape (rows, firing columns)
        Rounded objectives.
    totals : array, shape (rows,)
        Sum of the objectives over their resolutions, to choose between equals.
    """

    classes: IntArray
    angles_deg: FloatArray
    boxes: IntArray
    totals: FloatArray


def phases_of(space: Space, frame: Frame, kinds: IntArray) -> FloatArray:
    """Return crank phases from the first listed cylinder, shape (classes, cylinders). [deg]"""
    batch = space.designs(frame, kinds, None, [space.settings[0]]).batch
    return firing.crank_phases_deg(batch)


def outcomes_of(
    space: Space,
    frame: Frame,
    classes: Classes,
    *,
    with_limits: bool = True,
    as_bounds: bool = False,
) -> Outcomes:
    """Return all feasible firings of some classes with their scores.

    Parameters
    ----------
    space, frame, classes
        Whose firings.
    with_limits : bool
        Leave out what a limit on a metric forbids.
    as_bounds : bool
        Round a hair lower, so that no writing of a design scores below its box.
    """
    phases_deg = phases_of(space, frame, classes.kinds)
    if space.study.even_firing:
        rows, angles_deg = _even_firings(space, phases_deg)
    else:
        rows, angles_deg = feasible_firings(
            phases_deg,
            space.study.cycle_deg,
            largest_deg=_largest_interval_deg(space),
        )
    values = _values(space, classes.kinds, rows, angles_deg)
    bounds = [b for b in space.study.bounds if level_of(b.key, space.study) == "firing"]
    kept = np.ones(len(rows), bool)
    for bound in bounds if with_limits else []:
        kept &= keeps(bound, values[bound.key])
    columns = Levels.of(space.study).columns["firing"]
    objectives = [space.study.objectives[c] for c in columns]
    signed = np.zeros((len(rows), len(columns)))
    for column, objective in enumerate(objectives):
        signed[:, column] = objective.sign * values[objective.key]
    resolutions = np.array([o.resolution for o in objectives])
    kept &= np.isfinite(signed).all(axis=1)
    signed = signed[kept]
    return Outcomes(
        classes=rows[kept],
        angles_deg=angles_deg[kept],
        boxes=rounded_boxes(signed - (HAIR * resolutions if as_bounds else 0.0), resolutions),
        totals=(signed / resolutions).sum(axis=1),
    )


def keeps(bound: Bound, values: FloatArray) -> np.ndarray:
    """Return which values keep a limit, with the allowance of `optimize.problem`."""
    scale = abs(bound.limit) or METRICS[bound.key].resolution
    kept: np.ndarray = bound.sign * (values - bound.limit) / scale <= 1e-9
    return kept


def _largest_interval_deg(space: Space) -> float:
    factor = space.study.largest_interval_factor
    even_deg = space.study.cycle_deg / space.family.cylinders
    return np.inf if factor is None else (factor + _ALLOWANCE) * even_deg


def _even_firings(space: Space, phases_deg: FloatArray) -> tuple[IntArray, FloatArray]:
    found = [
        firing.allowed_firing_angles_deg(row, space.study.cycle_deg, even_only=True)
        for row in phases_deg
    ]
    rows = np.repeat(np.arange(len(found)), [len(angles) for angles in found])
    return rows, np.concatenate(found)


def feasible_firings(
    phases_deg: FloatArray, cycle_deg: float, *, largest_deg: float
) -> tuple[IntArray, FloatArray]:
    """Return every firing whose largest interval keeps a limit.

    Cylinders are taken by rising phase and put into the first or the second turn of the cycle.
    Within a turn firings follow each other by phase, so a turn whose last firing lies further back
    than the limit can only end there; a row in which both turns are so far behind is dropped with
    all that would follow from it.

    Parameters
    ----------
    phases_deg : array, shape (classes, cylinders)
        Crank phases from the first cylinder, whose own is 0. [deg]
    cycle_deg : float
        720 or 360. [deg]
    largest_deg : float
        The limit. [deg]

    Returns
    -------
    tuple of two arrays
        Class of each row, and firing angles by cylinder, the first one's 0. [deg]
    """
    n_turns = round(cycle_deg / firing.TURN_DEG)
    order = np.argsort(phases_deg, axis=1, kind="stable")
    rising_deg = np.take_along_axis(phases_deg, order, axis=1)
    row = np.arange(len(phases_deg))
    bits = np.zeros((len(row), 1), np.int8)
    last = np.full((len(row), n_turns), -np.inf)
    first = np.full((len(row), n_turns), np.inf)
    first[:, 0] = last[:, 0] = 0.0
    for column in range(1, phases_deg.shape[1]):
        parts = []
        for turn in range(n_turns):
            here = rising_deg[row, column]
            gap = here - last[:, turn]
            fits = (gap <= largest_deg) | np.isinf(gap)
            fits &= (here <= largest_deg) | ~np.isinf(gap)
            parts.append((np.flatnonzero(fits), turn))
        parent = np.concatenate([rows for rows, _ in parts])
        turn_of = np.concatenate([np.full(len(rows), turn) for rows, turn in parts])
        row, bits = row[parent], np.column_stack([bits[parent], turn_of.astype(np.int8)])
        last, first = last[parent], first[parent]
        here, new = rising_deg[row, column], np.arange(len(parent))
        last[new, turn_of] = here
        first[new, turn_of] = np.minimum(first[new, turn_of], here)
    kept = _wraps(first, last) <= largest_deg
    row, bits = row[kept], bits[kept]
    by_cylinder = np.empty(bits.shape, np.int8)
    np.put_along_axis(by_cylinder, order[row], bits, axis=1)
    return row, phases_deg[row] + firing.TURN_DEG * by_cylinder


def _wraps(first: FloatArray, last: FloatArray) -> FloatArray:
    """Return the larger of the intervals that lead from one turn into the next. [deg]"""
    turn = firing.TURN_DEG
    if first.shape[1] == 1:
        alone: FloatArray = turn + first[:, 0] - last[:, 0]
        return alone
    one_turn = 2 * turn + first[:, 0] - last[:, 0]
    both = np.maximum(turn + first[:, 1] - last[:, 0], turn + first[:, 0] - last[:, 1])
    return np.where(np.isinf(first[:, 1]), one_turn, both)


def _values(
    space: Space, kinds: IntArray, rows: IntArray, angles_deg: FloatArray
) -> dict[str, FloatArray]:
    """Return every firing metric that the study asks for, each of shape (rows,)."""
    keys = [k for k in space.study.active_metrics if level_of(k, space.study) == "firing"]
    banks = space.kind_banks()[kinds].reshape(len(kinds), -1)
    is_one_pattern = space.n_kind_banks == 1
    batch = Batch(
        pin_angles_deg=np.broadcast_to(0.0, angles_deg.shape),
        bank_angles_deg=np.broadcast_to(0.0, (len(rows), space.engine.n_banks)),
        banks=banks[:1] if is_one_pattern else banks[rows],
        firing_bits=np.broadcast_to(0, angles_deg.shape),
        rotating_fraction=np.broadcast_to(0.0, len(rows)),
        reciprocating_fraction=np.broadcast_to(0.0, len(rows)),
        shaft_fractions=np.broadcast_to(0.0, (len(rows), 3)),
        collectors=np.zeros((1, angles_deg.shape[1]), np.int64),
    )
    rule = space.study.collectors
    if rule == "per bank":
        batch = batch.having(collectors=batch.banks)
    elif isinstance(rule, int) and any(key.startswith("exhaust_") for key in keys):
        batch = batch.having(
            collectors=exhaust.best_partition(
                angles_deg,
                rule,
                cycle_deg=space.study.cycle_deg,
                open_duration_deg=space.study.open_duration_deg,
            )
        )
    if not len(rows):
        return {key: np.zeros(0) for key in keys}
    evaluation = GivenFiring(space.engine, batch, angles_deg)
    # The same firing counted from another cylinder may differ in the last digit.
    return {key: np.round(METRICS[key].compute(evaluation), _DECIMALS) for key in keys}
