"""One way of writing each candidate for all its twins: turned in the air, end for end, mirrored.

Chance that is drawn throw by throw would give twins slightly different results; drawn for one
agreed twin it gives all of them the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from itertools import product

import numpy as np

from evaluate import firing
from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.evidence import BoolArray

_SAME_M = 1e-8  # places along the crank are sums of floats
_SAME_DEG = 1e-6


def representatives(engine: Engine, batch: Batch, keeps: Set[str]) -> Batch:
    """Return each candidate as that of its twins whose whole numbers come first.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates.
    keeps : set of str
        Which of "mirror" (motion run backward) and "reverse" (end for end) make a twin; turning
        the crank in the air always does.

    Returns
    -------
    Batch
        In the order of the candidates, first crankpins at 0.

    Notes
    -----
    A symmetry counts where it puts every cylinder in the place of another, and cylinders of one
    throw on one throw. The mirror swaps the banks; it needs bank axes that lie symmetrically about
    0 and a pin path without offset.
    """
    fired_deg = firing.firing_angles_deg(batch)
    best, written = None, []
    winner = np.zeros(len(batch), np.int64)
    for index, (order, is_mirrored, holds) in enumerate(_ways(engine, batch, keeps)):
        written.append(_Written(engine, batch, fired_deg, order, is_mirrored))
        rows = np.where(holds[:, np.newaxis], written[-1].rows(), np.iinfo(np.int64).max)
        if best is None:
            best = rows
            continue
        is_less = _is_less(rows, best)
        winner[is_less] = index
        best = np.where(is_less[:, np.newaxis], rows, best)
    return _picked(batch, written, winner)


def cylinders_by_place(engine: Engine, banks: IntArray) -> IntArray:
    """Return the cylinders along the crank, those at one place by bank, (rows, cylinders)."""
    places = np.broadcast_to(np.rint(engine.positions_m / _SAME_M), banks.shape)
    return np.lexsort((banks, places), axis=1)


class _Written:
    """All candidates as one symmetry writes them, arrays of shape (candidates, cylinders)."""

    def __init__(
        self,
        engine: Engine,
        batch: Batch,
        fired_deg: FloatArray,
        order: IntArray,
        is_mirrored: bool,
    ) -> None:
        sign = -1.0 if is_mirrored else 1.0

        def turned_deg(angles_deg: FloatArray, period_deg: float) -> FloatArray:
            moved = np.take_along_axis(angles_deg, order, axis=1)
            return firing.wrap_deg(sign * (moved - moved[:, :1]), period_deg)

        shape = fired_deg.shape
        banks = np.take_along_axis(np.broadcast_to(batch.banks, shape), order, axis=1)
        self.cycle_deg = engine.cycle_deg
        self.pins_deg = turned_deg(batch.pin_angles_deg, firing.TURN_DEG)
        self.fired_deg = turned_deg(fired_deg, engine.cycle_deg)
        self.banks = batch.bank_angles_deg.shape[1] - 1 - banks if is_mirrored else banks
        groups = np.broadcast_to(batch.collectors, shape)
        self.collectors = np.take_along_axis(groups, order, axis=1)
        self._by_place = cylinders_by_place(engine, self.banks)

    def rows(self) -> IntArray:
        """Return whole numbers that tell designs apart, shape (candidates, 3 cylinders).

        Cylinders as they stand along the crank, whatever their numbers.
        """
        fired_deg, banks, groups = (
            np.take_along_axis(array, self._by_place, axis=1)
            for array in (self.fired_deg, self.banks, self.collectors)
        )
        cycle = round(self.cycle_deg / firing.SNAP_DEG)
        fired = firing.ticks(fired_deg - fired_deg[:, :1]) % cycle
        alike = groups[:, :, np.newaxis] == groups[:, np.newaxis, :]
        return np.concatenate([fired, banks, alike.argmax(axis=2)], axis=1)


def _picked(batch: Batch, written: list[_Written], winner: IntArray) -> Batch:
    arrays = {}
    for name in ("pins_deg", "fired_deg", "banks", "collectors"):
        arrays[name] = getattr(written[0], name)
        for index, way in enumerate(written[1:], start=1):
            is_way = (winner == index)[:, np.newaxis]
            arrays[name] = np.where(is_way, getattr(way, name), arrays[name])
    # Firing bits follow from firing angles and crank; where banks are the same for all they stay
    # one row, which is quicker to sum.
    banks = arrays["banks"]
    twins = batch.having(
        pin_angles_deg=arrays["pins_deg"],
        banks=banks[:1] if (banks == banks[0]).all() else banks,
        collectors=arrays["collectors"],
    )
    return with_firing_angles(twins, arrays["fired_deg"], written[0].cycle_deg)


def with_firing_angles(batch: Batch, fired_deg: FloatArray, cycle_deg: float) -> Batch:
    """Return candidates with the firing bits that come nearest to firing angles.

    Parameters
    ----------
    batch : Batch
        Its own bits do not matter.
    fired_deg : array, shape (candidates, cylinders)
        Firing angles in [0, cycle), whole turns from what crank and banks give. [deg]
    cycle_deg : float
        720 or 360. [deg]
    """
    turns = (fired_deg - firing.crank_phases_deg(batch)) * (1 / firing.TURN_DEG)
    bits = np.rint(turns).astype(np.int64) % round(cycle_deg / firing.TURN_DEG)
    return batch.having(firing_bits=bits)


def _ways(
    engine: Engine, batch: Batch, keeps: Set[str]
) -> Iterator[tuple[IntArray, bool, BoolArray]]:
    """Return each symmetry: cylinders by place taken, whether mirrored, where it holds.

    Shapes (candidates, cylinders) and (candidates,); the first one leaves all as it is.
    """
    shape = batch.pin_angles_deg.shape
    banks = np.broadcast_to(batch.banks, shape)
    places_m = np.broadcast_to(engine.positions_m, shape)
    here = cylinders_by_place(engine, banks)
    axes_deg = batch.bank_angles_deg
    is_symmetric = (np.abs(axes_deg + axes_deg[:, ::-1]) < _SAME_DEG).all(axis=1)
    may_mirror = "mirror" in keeps and engine.pin_path_offset_m == 0
    for is_reversed, is_mirrored in product((False, True), repeat=2):
        if (is_reversed and "reverse" not in keeps) or (is_mirrored and not may_mirror):
            continue
        moved_m = -places_m if is_reversed else places_m
        moved_banks = axes_deg.shape[1] - 1 - banks if is_mirrored else banks
        there = np.lexsort((moved_banks, np.rint(moved_m / _SAME_M)), axis=1)
        order = np.empty(shape, np.int64)
        np.put_along_axis(order, here, there, axis=1)
        taken_m = np.take_along_axis(moved_m, order, axis=1)
        holds = (np.abs(taken_m - places_m) <= 2 * _SAME_M).all(axis=1)
        throws = engine.throws[order]
        shared = engine.throws[:, np.newaxis] == engine.throws
        is_shared = throws[:, :, np.newaxis] == throws[:, np.newaxis, :]
        holds &= (is_shared == shared).all(axis=(1, 2))
        yield order, is_mirrored, holds & is_symmetric if is_mirrored else holds


def _is_less(left: IntArray, right: IntArray) -> BoolArray:
    """Return row by row whether the left one comes first, numbers compared from the left."""
    differs = left != right
    column = differs.argmax(axis=1)[:, np.newaxis]
    less: BoolArray = (np.take_along_axis(left, column, 1) < np.take_along_axis(right, column, 1))[
        :, 0
    ]
    return less
