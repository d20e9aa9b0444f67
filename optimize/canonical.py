"""Equivalent candidates are one: integer keys that turned, mirrored and reversed twins share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evaluate import firing
from evaluate.batch import IntArray
from evaluate.metrics import METRICS
from optimize.families import Family
from optimize.genome import Designs
from optimize.study import Study

KeyArray = NDArray[np.uint64]
_STEPS_PER_DEG = 1e6  # what differs by less than a micro-degree is the same


@dataclass(frozen=True, kw_only=True, slots=True)
class Symmetry:
    """One way to write a design differently: cylinders permuted, motion perhaps run backward."""

    cylinders: tuple[int, ...]
    is_mirrored: bool


def symmetries(study: Study, family: Family) -> tuple[Symmetry, ...]:
    """Return the symmetries that leave every active metric of a family unchanged.

    Turning the crank in the air always does and is taken out by counting angles from the first
    cylinder. "reverse" turns the crank end for end; "mirror" runs the motion backward, which swaps
    the banks. An offset pin path breaks the mirror; given collectors break both.
    """
    n, engine = family.cylinders, family.engine
    found = [Symmetry(cylinders=tuple(range(n)), is_mirrored=False)]
    if isinstance(study.collectors, dict):
        return tuple(found)
    keeps = frozenset.intersection(*(METRICS[key].keeps for key in study.active_metrics))
    for is_reversed, is_mirrored in ((True, False), (False, True), (True, True)):
        if is_reversed and "reverse" not in keeps:
            continue
        if is_mirrored and ("mirror" not in keeps or engine.pin_path_offset_m):
            continue
        cylinders = _matching_cylinders(family, is_reversed=is_reversed, is_mirrored=is_mirrored)
        if cylinders is None:
            continue
        way = Symmetry(cylinders=cylinders, is_mirrored=is_mirrored)
        if way not in found:  # an engine that is short enough reads the same from both ends
            found.append(way)
    return tuple(found)


def canonical_keys(designs: Designs, ways: tuple[Symmetry, ...], *, cycle_deg: float) -> KeyArray:
    """Return one key a candidate, equal exactly for equivalent candidates.

    Parameters
    ----------
    designs : Designs
        Decoded candidates.
    ways : tuple of Symmetry
        From `symmetries`.
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array of uint64, shape (candidates,)
        A 64-bit hash of whole numbers: firing angles and banks by cylinder, bank angle, fraction,
        shafts (crank angles follow from these). Among a million designs two share one by chance
        with a probability of about 3e-8.
    """
    best = None
    for way in ways:
        seen = written_rows(designs, way, cycle_deg=cycle_deg)
        best = seen if best is None else _smaller_rows(best, seen)
    assert best is not None
    return _hashed(np.concatenate([best, _rest(designs)], axis=1))


def written_rows(designs: Designs, way: Symmetry, *, cycle_deg: float) -> IntArray:
    """Return designs as a symmetry writes them: whole numbers of the first cylinder on.

    Parameters
    ----------
    designs : Designs
        Decoded candidates.
    way : Symmetry
        How to write them.
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array of int, shape (candidates, 2 cylinders)
        Firing angles in micro-degrees, then banks.
    """
    cycle = round(cycle_deg * _STEPS_PER_DEG)
    order = list(way.cylinders)
    angles_deg = firing.firing_angles_deg(designs.batch)
    turned_deg = angles_deg[:, order] - angles_deg[:, order[:1]]
    banks = np.broadcast_to(designs.batch.banks, angles_deg.shape)[:, order]
    if way.is_mirrored:
        turned_deg, banks = -turned_deg, designs.batch.bank_angles_deg.shape[1] - 1 - banks
    # Rounded once, after turning: 720/7 is no whole number of micro-degrees.
    turned = firing.ticks(turned_deg) % cycle
    return np.concatenate([turned, banks], axis=1)


def canonical_twins(designs: Designs, ways: tuple[Symmetry, ...], *, cycle_deg: float) -> Designs:
    """Return each design as the symmetry writes it whose whole numbers come first.

    Twins become one design, so that they score alike to the last digit.
    """
    best, winner = None, np.zeros(len(designs.batch), np.int64)
    for index, way in enumerate(ways):
        seen = written_rows(designs, way, cycle_deg=cycle_deg)
        smaller = seen if best is None else _smaller_rows(best, seen)
        if best is not None:
            winner[(smaller != best).any(axis=1)] = index
        best = smaller
    batch = designs.batch
    pins, angles = batch.pin_angles_deg.copy(), firing.firing_angles_deg(batch)
    banks = np.broadcast_to(batch.banks, angles.shape).copy()
    collectors = np.broadcast_to(batch.collectors, banks.shape).copy()
    for index, way in enumerate(ways):
        rows, order = winner == index, list(way.cylinders)
        sign = -1.0 if way.is_mirrored else 1.0
        for array, period in ((pins, firing.TURN_DEG), (angles, cycle_deg)):
            turned = array[rows][:, order] - array[rows][:, order[:1]]
            array[rows] = firing.wrap_deg(sign * turned, period)
        moved = banks[rows][:, order]
        banks[rows] = batch.bank_angles_deg.shape[1] - 1 - moved if way.is_mirrored else moved
        collectors[rows] = collectors[rows][:, order]
    twins = batch.having(
        pin_angles_deg=pins, banks=banks, firing_bits=np.zeros_like(banks), collectors=collectors
    )
    turns = (angles - firing.crank_phases_deg(twins)) / firing.TURN_DEG
    twins = twins.having(firing_bits=np.rint(turns).astype(np.int64))
    return Designs(batch=twins, splay_deg=designs.splay_deg)


def _rest(designs: Designs) -> IntArray:
    batch = designs.batch
    return np.column_stack(
        [
            np.rint(batch.bank_angles_deg[:, -1] * _STEPS_PER_DEG),
            np.rint(batch.reciprocating_fraction * 1e9),
            np.rint(batch.shaft_fractions * 1e6),
        ]
    ).astype(np.int64)


def _hashed(rows: IntArray) -> KeyArray:
    """Return a 64-bit hash of each row: splitmix64 of every entry and its column, summed.

    Mixing function: G. L. Steele, D. Lea and C. H. Flood, Fast splittable pseudorandom number
    generators, OOPSLA 2014.
    """
    columns = np.arange(1, rows.shape[1] + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed = rows.view(np.uint64) * np.uint64(0xD1342543DE82EF95) + columns
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    hashes: KeyArray = (mixed ^ (mixed >> np.uint64(31))).sum(axis=1, dtype=np.uint64)
    return hashes


def _smaller_rows(left: IntArray, right: IntArray) -> IntArray:
    """Return row by row the lexicographically smaller of two equal-shaped arrays."""
    differs = left != right
    column = differs.argmax(axis=1)[:, np.newaxis]
    is_right = np.take_along_axis(right, column, 1) < np.take_along_axis(left, column, 1)
    return np.where(is_right, right, left)


def _matching_cylinders(
    family: Family, *, is_reversed: bool, is_mirrored: bool
) -> tuple[int, ...] | None:
    """Return which cylinder takes the place of each after a symmetry, None if places differ."""
    positions = np.rint(family.engine.positions_m * 1e9).astype(np.int64)
    moved = -positions if is_reversed else positions
    if family.fixed_banks is None or family.arrangement == "in-line":
        banks = moved_banks = np.zeros_like(positions)
    else:
        banks = family.fixed_banks
        moved_banks = 1 - banks if is_mirrored else banks
    here = np.lexsort([banks, positions])
    there = np.lexsort([moved_banks, moved])
    tolerance = 10  # nanometres: positions are sums of floats
    if np.any(np.abs(positions[here] - moved[there]) > tolerance):
        return None
    if np.any(banks[here] != moved_banks[there]):
        return None
    cylinders = np.empty_like(here)
    cylinders[here] = there
    return tuple(int(i) for i in cylinders)
