"""The least couple among all arrangements of a class, and how many stay within a step of it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from evaluate.batch import FloatArray, IntArray
from evaluate.metrics import score
from optimize.archive import TIE_SHARE, rounded_boxes
from optimize.canonical import canonical_twins
from optimize.exact.arrangements import Arrangements, Form, Split, form_of
from optimize.exact.rotors import RotorTable, as_real, mean_squares, rotor_table, round_off
from optimize.exact.space import Frame, Setting, Space

#: Entries of one matrix product: the result stays in the cache.
BLOCK = 1 << 16


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Classes of one form.

    Attributes
    ----------
    form : Form
        Their form.
    members : array of int, shape (classes,)
        Which rows of the block.
    distinct : array of int, shape (classes, items)
        Their distinct kinds.
    """

    form: Form
    members: IntArray
    distinct: IntArray


def groups_of(space: Space, frame: Frame, kinds: IntArray) -> list[Group]:
    """Return classes grouped by form.

    Without mirror-symmetric cranks the form follows from where a class's sorted kinds change, so
    that whole blocks are grouped at once.
    """
    is_new = np.ones(kinds.shape, bool)
    is_new[:, 1:] = kinds[:, 1:] != kinds[:, :-1]
    codes = is_new @ (1 << np.arange(kinds.shape[1]))
    found = []
    for code in np.unique(codes):
        members = np.flatnonzero(codes == code)
        distinct = kinds[members][:, is_new[members[0]]]
        if not space.study.mirror_symmetric:
            form, _ = form_of(space, frame, kinds[members[0]])
            found.append(Group(form=form, members=members, distinct=distinct))
            continue
        forms = [form_of(space, frame, kinds[row])[0] for row in members]
        for form in dict.fromkeys(forms):
            same = np.array([other == form for other in forms])
            found.append(Group(form=form, members=members[same], distinct=distinct[same]))
    return found


class Couples:
    """Couples of all arrangements of the classes of a space under a frame."""

    def __init__(self, space: Space, frame: Frame) -> None:
        self.space, self.frame = space, frame
        self.arrangements = Arrangements(space, frame)
        self.table: RotorTable = rotor_table(space, frame)
        self._memory = threading.local()  # threads of a worker share what is known of a frame

    def least_boxes(
        self, group: Group, setting: int, resolution: float, limit_Nm: float
    ) -> IntArray:
        """Return the least rounded couple of each class of a group, -1 where none keeps the limit.

        Parameters
        ----------
        group : Group
            Classes of one form.
        setting : int
            Which setting of the space.
        resolution : float
            Difference that matters. [N m]
        limit_Nm : float
            Largest couple allowed; infinite without a limit. [N m]

        Returns
        -------
        array of int, shape (classes,)
        """
        least = np.full(len(group.members), np.inf)
        error = np.zeros(len(group.members))
        for _, _, rows, squares, off in self._products(group, setting):
            lowest = squares.min(axis=(1, 2))
            least[rows] = np.minimum(least[rows], lowest)
            error[rows] = np.maximum(error[rows], off)
        found = np.full(len(group.members), -1, np.int64)
        known = np.isfinite(least)  # else the class has no arrangement that is allowed
        least = np.where(known, least, 0.0)
        low = np.sqrt(np.maximum(least - error, 0.0))
        high = np.sqrt(np.maximum(least + error, 0.0))
        steps = np.array([resolution])
        low_box = rounded_boxes(low[:, np.newaxis], steps)[:, 0]
        high_box = rounded_boxes(high[:, np.newaxis], steps)[:, 0]
        sure = known & (low_box == high_box) & (high <= limit_Nm)
        found[sure] = low_box[sure]
        unsure = known & ~sure & (low <= limit_Nm)
        for row in np.flatnonzero(unsure):
            one = _row_of(group, int(row))
            boxes = []
            for arranged, _ in self.within(one, setting, float(least[row] + 2 * error[row])):
                values = self._plain_Nm(arranged, setting)
                values = values[values <= limit_Nm]
                boxes += rounded_boxes(values[:, np.newaxis], steps)[:, 0].tolist()
            found[row] = min(boxes, default=-1)
        return found

    def within(
        self, group: Group, setting: int, square: float
    ) -> Iterator[tuple[IntArray, FloatArray]]:
        """Give the arrangements of one class whose mean square is at most a value, in blocks.

        Each is a pair of arrays: kinds, shape (arrangements, places), and mean squares as the
        product gives them.
        """
        found: list[IntArray] = []
        values: list[FloatArray] = []
        for split, start, _, squares, _ in self._products(group, setting):
            front, rear = np.nonzero(squares[0] <= square)
            if len(front):
                found.append(group.distinct[0][split.rows(front + start, rear)])
                values.append(squares[0][front, rear])
            if sum(map(len, found)) >= BLOCK:
                yield np.concatenate(found), np.concatenate(values)
                found, values = [], []
        if found:
            yield np.concatenate(found), np.concatenate(values)

    def in_box(
        self, group: Group, setting: int, box: int, resolution: float, limit_Nm: float
    ) -> Iterator[IntArray]:
        """Give the arrangements of one class whose couple rounds up to a box, in blocks of rows.

        Values within round-off of an edge are decided by the plain path.
        """
        high = min((box + TIE_SHARE) * resolution, limit_Nm)
        low = (box - 1 + TIE_SHARE) * resolution if box > 0 else -1.0
        return self._between(
            group,
            setting,
            (low, high),
            lambda values: (
                (rounded_boxes(values[:, np.newaxis], np.array([resolution]))[:, 0] == box)
                & (values <= limit_Nm)
            ),
        )

    def least_rows(self, rows: IntArray, setting: int, resolution: float) -> IntArray:
        """Return those arrangements that have the least couple, to a millionth of a step."""
        steps = np.round(self._plain_Nm(rows, setting) / resolution, 6)
        least: IntArray = rows[steps == steps.min()]
        return least

    def under(self, group: Group, setting: int, limit_Nm: float) -> Iterator[IntArray]:
        """Give the arrangements of one class whose couple keeps a limit, in blocks of rows."""
        return self._between(group, setting, (-1.0, limit_Nm), lambda values: values <= limit_Nm)

    def _between(
        self,
        group: Group,
        setting: int,
        edges: tuple[float, float],
        holds: Callable[[FloatArray], np.ndarray],
    ) -> Iterator[IntArray]:
        low, high = edges
        sizes = self._products(group, setting, sizes_only=True)
        error = max((off for *_, off in sizes), default=0.0)
        for rows, squares in self.within(group, setting, high * high + error):
            wanted = np.ones(len(rows), bool)
            unsure = np.abs(squares - high * high) <= error
            if low >= 0:
                wanted = squares > low * low - error
                unsure |= wanted & (np.abs(squares - low * low) <= error)
            if unsure.any():
                wanted[unsure] = holds(self._plain_Nm(rows[unsure], setting))
            yield rows[wanted]

    def _plain_Nm(self, rows: IntArray, setting: int) -> FloatArray:
        """Return couples by the plain path, of each design's canonical twin. [N m]

        Twins may differ in their last digits; scored as one design they cannot.
        """
        if not len(rows):
            return np.zeros(0)
        settings: list[Setting] = [self.space.settings[setting]]
        designs = self.space.designs(self.frame, rows, None, settings)
        twins = canonical_twins(designs, self.space.ways, cycle_deg=self.space.study.cycle_deg)
        return score(self.space.engine, twins.batch, ["couple_rms_Nm"])[:, 0]

    def _room(self, shape: tuple[int, int, int]) -> FloatArray:
        """Return memory for a result, the same each time in a thread."""
        size = shape[0] * shape[1] * shape[2]
        known: FloatArray | None = getattr(self._memory, "buffer", None)
        if known is None or size > len(known):
            known = self._memory.buffer = np.empty(max(size, BLOCK))
        return known[:size].reshape(shape)

    def _products(
        self, group: Group, setting: int, *, sizes_only: bool = False
    ) -> Iterator[tuple[Split, int, slice, FloatArray, float]]:
        """Give the mean squares of all pairs of half-cranks, in blocks.

        Each is (split, first row of the front, classes, squares (classes, front, rear), error);
        the squares hold until the next one is asked for.
        """
        table, weights = self.table, np.repeat(np.sqrt(self.table.weights[setting]), 2)
        items = table.items.T[group.distinct]  # (classes, items, sums)
        counts = np.array(group.form.counts)
        shift = np.einsum("i,cis->cs", counts, table.offsets.T[group.distinct])
        for split, front, rear in self.arrangements.tables(group.form, table.positions_m):
            n_rear = max(1, len(rear))
            n_front = max(1, min(len(front), BLOCK // n_rear))
            n_classes = max(1, BLOCK // (n_rear * n_front))
            for begin in range(0, len(items), n_classes):
                some = slice(begin, begin + n_classes)
                back = weights * as_real(np.matmul(rear, items[some]))
                for start in range(0, len(front), n_front):
                    ahead = np.matmul(front[start : start + n_front], items[some])
                    ahead = weights * as_real(ahead + shift[some, np.newaxis])
                    error = round_off(ahead, back)
                    squares = np.empty((0, 0, 0))
                    if not sizes_only:
                        shape = (len(ahead), ahead.shape[1], back.shape[1])
                        squares = mean_squares(ahead, back, self._room(shape))
                    yield split, start, some, squares, error


def _row_of(group: Group, row: int) -> Group:
    one = slice(row, row + 1)
    return Group(form=group.form, members=group.members[one], distinct=group.distinct[one])
