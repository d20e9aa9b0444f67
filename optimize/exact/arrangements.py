"""All ways to set a class's items on the places along the crank, as two halves of the crank each.

A *split* names the places of a front and of a rear part, and lists every distinct row of items on
either; every row of the front goes with every row of the rear. The parts are the two ends of the
crank, or the two banks where banks are assigned. So the couple of every arrangement is the sum of
one row of each table.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import factorial, prod

import numpy as np

from evaluate import firing
from evaluate.batch import FloatArray, IntArray
from optimize.exact.space import Frame, Space

Counts = tuple[int, ...]
#: Half rows of one form whose tables are kept for the next class of that form.
MOST_KEPT = 100_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Split:
    """Rows of items for two parts of the crank.

    Attributes
    ----------
    front_places, rear_places : array of int
        Which places along the crank belong to each part.
    front, rear : array of int, shape (rows, places of the part)
        Items as numbers of the class's distinct items.
    """

    front_places: IntArray
    rear_places: IntArray
    front: IntArray
    rear: IntArray

    def __len__(self) -> int:
        return len(self.front) * len(self.rear)

    def rows(self, front: IntArray, rear: IntArray) -> IntArray:
        """Return whole rows of items for pairs of rows, shape (pairs, places)."""
        n_places = len(self.front_places) + len(self.rear_places)
        whole = np.empty((len(front), n_places), np.int64)
        whole[:, self.front_places] = self.front[front]
        whole[:, self.rear_places] = self.rear[rear]
        return whole

    def weights(self, positions_m: FloatArray, n_items: int) -> tuple[FloatArray, FloatArray]:
        """Return the summed positions of each distinct item in each row, (rows, items). [m]"""
        parts = []
        for table, places in ((self.front, self.front_places), (self.rear, self.rear_places)):
            sums = np.zeros((len(table), n_items))
            for column, place in enumerate(places):
                sums[np.arange(len(table)), table[:, column]] += positions_m[place]
            parts.append(sums)
        return parts[0], parts[1]


@lru_cache(maxsize=4096)
def distinct_rows(counts: Counts) -> IntArray:
    """Return every distinct row with item i standing counts[i] times, rising, (rows, places)."""
    rows = np.zeros((1, 0), np.int64)
    left = np.array([counts], np.int64)
    for _ in range(sum(counts)):
        parent, item = np.nonzero(left)
        rows = np.column_stack([rows[parent], item])
        left = left[parent]
        left[np.arange(len(item)), item] -= 1
    return rows


def n_rows(counts: Counts) -> int:
    """Return the number of distinct rows."""
    return factorial(sum(counts)) // prod(factorial(c) for c in counts)


@dataclass(frozen=True, kw_only=True, slots=True)
class Form:
    """What the arrangements of a class depend on.

    Attributes
    ----------
    counts : tuple of int
        How often each distinct item stands, items by kind.
    n_first : int
        How many of the distinct items are of the first bank; all, where banks are not assigned.
    angles : tuple of int
        With mirror-symmetric cranks: equal numbers for items with equal pin angles.
    """

    counts: Counts
    n_first: int
    angles: tuple[int, ...]


def form_of(space: Space, frame: Frame, kinds: IntArray) -> tuple[Form, IntArray]:
    """Return the form of one class and its distinct kinds, rising."""
    distinct, counts = np.unique(kinds, return_counts=True)
    n_first = int((distinct < space.n_angles).sum()) if space.n_kind_banks == 2 else len(distinct)
    angles: tuple[int, ...] = ()
    if space.study.mirror_symmetric:
        ticks = firing.ticks(space.pins_deg(frame)[distinct, 0])
        angles = tuple(np.unique(ticks, return_inverse=True)[1].ravel().tolist())
    return Form(counts=tuple(counts.tolist()), n_first=n_first, angles=angles), distinct


class Arrangements:
    """The splits of all forms of a space under a frame, made once each.

    Parameters
    ----------
    space, frame
        What is arranged.
    only_clear : bool
        Leave out what no engine can have because bores or pin halves clash.
    """

    def __init__(self, space: Space, frame: Frame, *, only_clear: bool = True) -> None:
        self._patterns = space.bank_patterns(frame, only_clear=only_clear)
        self._n_places = space.n_places
        self._by_bank = space.n_kind_banks == 2
        self._made: dict[Form, list[Split]] = {}
        self._weighed: dict[Form, list[tuple[Split, FloatArray, FloatArray]]] = {}

    @property
    def is_empty(self) -> bool:
        """Return whether bores or pin halves clash however items are arranged."""
        return len(self._patterns) == 0

    def splits(self, form: Form) -> list[Split]:
        """Return the splits of a form; each arrangement is in one of them, once."""
        if form not in self._made:
            halves = self._banks_apart(form) if self._by_bank else self._ends_apart(form)
            if form.angles:
                halves = [s for s in (_symmetric(s, form.angles) for s in halves) if len(s)]
            self._made[form] = halves
        return self._made[form]

    def tables(
        self, form: Form, positions_m: FloatArray
    ) -> Iterator[tuple[Split, FloatArray, FloatArray]]:
        """Give each split of a form with the summed positions of its rows. [m]"""
        if form in self._weighed:
            yield from self._weighed[form]
            return
        n_items, made = len(form.counts), []
        splits = self.splits(form)
        is_small = sum(len(s.front) + len(s.rear) for s in splits) <= MOST_KEPT
        for split in splits:
            made.append((split, *split.weights(positions_m, n_items)))
            yield made[-1]
            if not is_small:
                made.clear()
        if is_small:
            self._weighed[form] = made

    def count(self, form: Form) -> int:
        """Return the number of arrangements of a form."""
        return sum(len(split) for split in self.splits(form))

    def _ends_apart(self, form: Form) -> list[Split]:
        n_front = self._n_places // 2
        places = np.arange(self._n_places)
        found = []
        for taken in product(*(range(c + 1) for c in form.counts)):
            if sum(taken) != n_front:
                continue
            rest = tuple(c - t for c, t in zip(form.counts, taken, strict=True))
            found.append(
                Split(
                    front_places=places[:n_front],
                    rear_places=places[n_front:],
                    front=distinct_rows(taken),
                    rear=distinct_rows(rest),
                )
            )
        return found if not self.is_empty else []

    def _banks_apart(self, form: Form) -> list[Split]:
        front = distinct_rows(form.counts[: form.n_first])
        rear = distinct_rows(form.counts[form.n_first :]) + form.n_first
        return [
            Split(
                front_places=np.flatnonzero(pattern == 0),
                rear_places=np.flatnonzero(pattern == 1),
                front=front,
                rear=rear,
            )
            for pattern in self._patterns
        ]


def _symmetric(split: Split, angles: tuple[int, ...]) -> Split:
    """Return a split's rows whose pin angles read the same from both ends, all in its front."""
    front, rear = (
        grid.ravel() for grid in np.indices((len(split.front), len(split.rear)), np.int64)
    )
    rows = split.rows(front, rear)
    read = np.array(angles)[rows]
    rows = rows[(read == read[:, ::-1]).all(axis=1)]
    return Split(
        front_places=np.arange(rows.shape[1]),
        rear_places=np.zeros(0, np.int64),
        front=rows,
        rear=np.zeros((1, 0), np.int64),
    )
