"""Crank classes: sets of items (with repetition) up to turning the crank.

Force, firing and per-bank exhaust depend on which items a crank has, not on their places, and not
on how the crank is turned. So one class stands for all cranks with these items.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import comb, factorial

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import IntArray
from optimize.exact.space import Frame, Space

CountArray = NDArray[np.int8]


@dataclass(frozen=True, kw_only=True, slots=True)
class Classes:
    """A block of classes.

    Attributes
    ----------
    kinds : array of int, shape (classes, places)
        The items, sorted.
    turns : array of int, shape (classes,)
        How many turns of the crank map the items onto themselves.
    twins : array of int, shape (classes,)
        2 where the mirrored class is another one that is left out, else 1.
    """

    kinds: IntArray
    turns: IntArray
    twins: IntArray

    def __len__(self) -> int:
        return len(self.kinds)

    def rows(self, which: slice | IntArray) -> Classes:
        """Return the chosen classes."""
        return Classes(kinds=self.kinds[which], turns=self.turns[which], twins=self.twins[which])

    def check_cover(self, space: Space) -> None:
        """Check that the classes hold every row of lattice angles exactly once.

        A class of m items has m! / product of (times each stands)! rows, and all rows of all
        classes, over how many turns leave a class as it is, are n^(m-1) with n angles.

        Raises
        ------
        ArithmeticError
            If they do not: a fault of this program.
        """
        run = np.ones(len(self.kinds), np.int64)
        repeats = np.ones(len(self.kinds), np.int64)
        for before, here in pairwise(self.kinds.T):
            run = np.where(before == here, run + 1, 1)
            repeats *= run
        m, n_first = space.n_places, space.n_first_bank
        if space.n_kind_banks == 1:
            n_rows, n_banks = factorial(m), 1
        else:
            n_rows, n_banks = factorial(n_first) * factorial(m - n_first), comb(m, n_first)
        # Whole numbers: turns divide the rows of a class; sums stay far below 2^63.
        total = int((self.twins * (n_rows // repeats) // self.turns).sum()) * n_banks
        if total != space.n_angles ** (m - 1) * n_banks:
            raise ArithmeticError(f"{total} cranks in {len(self)} classes")


def classes_of(space: Space, frame: Frame) -> Classes:
    """Return all classes of a space in a fixed order.

    Parameters
    ----------
    space : Space
        The space.
    frame : Frame
        Matters with even firing of pairs only.

    Notes
    -----
    Mirrored classes are left out where a symmetry that mirrors maps the space onto itself and
    banks are not assigned freely.
    """
    is_mirrored = any(w.is_mirrored for w in space.ways) and space.n_kind_banks == 1
    if space.study.even_firing:
        counts = _even_counts(space, frame)
    elif space.n_kind_banks == 1:
        counts = _counts(_necklaces(space.n_angles, space.n_places), space.n_angles)
    else:
        counts = _two_bank_counts(space)
    return _up_to_turning(counts, space.n_angles, is_mirrored=is_mirrored)


def _necklaces(n_angles: int, m: int) -> IntArray:
    """Return the gap sequences of m items on a circle that begin with their largest gap.

    Every class has one at least; those that are left over twice are dropped later.
    """
    rows = np.arange(-(-n_angles // m), n_angles + 1)[:, np.newaxis]
    for place in range(1, m):
        left = n_angles - rows.sum(axis=1)
        most = np.minimum(left, rows[:, 0])
        # What is left after this gap must fit into the gaps that follow.
        least = np.maximum(0, left - (m - 1 - place) * rows[:, 0])
        width = np.maximum(most - least + 1, 0)
        parent = np.repeat(np.arange(len(rows)), width)
        value = np.arange(width.sum()) - np.repeat(np.cumsum(width) - width, width) + least[parent]
        rows = np.column_stack([rows[parent], value])
    whole: IntArray = rows[rows.sum(axis=1) == n_angles]
    return whole


def _counts(gaps: IntArray, n_angles: int) -> CountArray:
    """Return how many items stand at each angle, shape (classes, angles)."""
    places = (np.cumsum(gaps, axis=1) - gaps) % n_angles
    counts = np.zeros((len(gaps), n_angles), np.int8)
    rows = np.arange(len(gaps))
    for column in places.T:
        counts[rows, column] += 1
    return counts


def _multisets(n_angles: int, m: int) -> CountArray:
    """Return all counts of m items at the angles, shape (sets, angles)."""
    rows = np.zeros((1, 0), np.int64)
    for place in range(m):
        low = rows[:, -1] if place else np.zeros(1, np.int64)
        width = n_angles - low
        parent = np.repeat(np.arange(len(rows)), width)
        value = np.arange(width.sum()) - np.repeat(np.cumsum(width) - width, width) + low[parent]
        rows = np.column_stack([rows[parent], value])
    counts = np.zeros((len(rows), n_angles), np.int8)
    for column in rows.T:
        counts[np.arange(len(rows)), column] += 1
    return counts


def _two_bank_counts(space: Space) -> CountArray:
    """Return counts by angle on the first bank and then on the second, (classes, 2 angles).

    The first bank up to turning, with every set on the second.
    """
    n_first = space.n_first_bank
    first = _counts(_necklaces(space.n_angles, n_first), space.n_angles)
    first = _up_to_turning_counts(first, space.n_angles)
    n_second = space.n_places - n_first
    second = (
        _multisets(space.n_angles, n_second) if n_second else np.zeros((1, space.n_angles), np.int8)
    )
    return np.concatenate(
        [np.repeat(first, len(second), axis=0), np.tile(second, (len(first), 1))], axis=1
    )


def _even_counts(space: Space, frame: Frame) -> CountArray:
    """Return the counts that fire evenly: every place of the grid is taken equally often."""
    n_angles = space.n_angles
    per_step = space.family.cylinders // n_angles
    if space.n_kind_banks == 1 and space.per_item == 1:
        return np.full((1, n_angles), per_step, np.int8)
    digits = np.indices((per_step + 1,) * n_angles, dtype=np.int8).reshape(n_angles, -1).T
    if space.n_kind_banks == 2:
        first = digits[digits.sum(axis=1) == space.n_first_bank]
        return np.concatenate([first, per_step - first], axis=1)
    taken = digits + np.roll(digits, frame.steps, axis=1)
    kept: CountArray = digits[(taken == per_step).all(axis=1)]
    return kept


def _rolled(counts: CountArray, n_angles: int, turn: int) -> CountArray:
    halves = counts.reshape(len(counts), -1, n_angles)
    return np.roll(halves, turn, axis=2).reshape(counts.shape)


def _mirrored(counts: CountArray, n_angles: int) -> CountArray:
    return counts[:, (-np.arange(n_angles)) % n_angles]


def _codes(counts: CountArray) -> np.ndarray:
    """Return each row of counts as bytes that compare like the row read as a word."""
    return np.ascontiguousarray(counts.astype(np.uint8)).view(f"S{counts.shape[1]}")[:, 0]


def _largest_turned(counts: CountArray, n_angles: int) -> tuple[np.ndarray, IntArray]:
    """Return each row's largest code over all turns, and how many turns leave it as it is."""
    # Bytes of value 0 at the end are cut off by numpy's comparison, which changes no order.
    here = _codes(counts)
    best, fixed = here.copy(), np.zeros(len(counts), np.int64)
    for turn in range(n_angles):
        code = _codes(_rolled(counts, n_angles, turn))
        best = np.where(code > best, code, best)
        fixed += code == here
    return best, fixed


def _up_to_turning_counts(counts: CountArray, n_angles: int) -> CountArray:
    best, _ = _largest_turned(counts, n_angles)
    _, rows = np.unique(best, return_index=True)
    return counts[np.sort(rows)]


def _up_to_turning(counts: CountArray, n_angles: int, *, is_mirrored: bool) -> Classes:
    """Return one class of each set of counts that are one by turning (and mirroring)."""
    best, turns = _largest_turned(counts, n_angles)
    twins = np.ones(len(counts), np.int64)
    name = best
    if is_mirrored:
        other, _ = _largest_turned(_mirrored(counts, n_angles), n_angles)
        name = np.where(other > best, other, best)
        twins = np.where(other == best, 1, 2)
    _, rows = np.unique(name, return_index=True)
    m = int(counts[0].sum())
    kinds = np.empty((len(rows), m), np.int64)
    flat = np.repeat(np.tile(np.arange(counts.shape[1]), len(rows)), counts[rows].ravel())
    kinds[:] = flat.reshape(len(rows), m)
    return Classes(kinds=kinds, turns=turns[rows], twins=twins[rows])
