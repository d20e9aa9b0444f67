"""How little must change in objectives until nothing dominates: whole numbers of resolutions."""

from __future__ import annotations

import heapq

import numpy as np

from evaluate.batch import FloatArray, IntArray

_MOST_TRIED = 20_000  # combinations of steps before the search for the least one is given up


def dominating(box: IntArray, front: IntArray) -> IntArray:
    """Return which rows of a front are as good as a box in everything and better in something.

    Parameters
    ----------
    box : array of int, shape (objectives,)
        Rounded objectives as multiples of their resolution, to be lessened.
    front : array of int, shape (members, objectives)
        The same of a front.
    """
    rows: IntArray = np.flatnonzero((front <= box).all(axis=1) & (front < box).any(axis=1))
    return rows


def steps_alone(box: IntArray, front: IntArray, floors: FloatArray) -> list[int | None]:
    """Return for each objective the fewest steps in it alone after which nothing dominates.

    Parameters
    ----------
    box : array of int, shape (objectives,)
        Rounded objectives as multiples of their resolution, to be lessened.
    front : array of int, shape (members, objectives)
        Of the front.
    floors : array, shape (objectives,)
        What an objective cannot be less than; -inf where nothing is known.

    Returns
    -------
    list of int or None
        None where the objective would have to go below its floor.

    Notes
    -----
    What does not dominate the box cannot dominate anything better than it. A member that dominates
    it is got rid of by one step beyond its value, or by reaching the very same vector.
    """
    above = front[dominating(box, front)]
    found: list[int | None] = []
    for column in range(len(box)):
        most = int((box[column] - above[:, column]).max()) if len(above) else 0
        steps = next(
            n for n in (0, most, most + 1) if not _is_dominated(_moved(box, column, n), above)
        )
        is_possible = not steps or box[column] - steps >= floors[column]
        found.append(steps if is_possible else None)
    return found


def steps_together(
    box: IntArray, front: IntArray, spans: FloatArray, floors: FloatArray
) -> IntArray | None:
    """Return the least steps in all objectives after which nothing dominates.

    Parameters
    ----------
    box, front, floors
        As for `steps_alone`.
    spans : array, shape (objectives,)
        What counts as much as what: the sum of steps over spans is least.

    Returns
    -------
    array of int, shape (objectives,), or None
        None where it cannot be done above the floors, or not be found in a bearable time.

    Notes
    -----
    From nothing on, the cheapest combination first (E. W. Dijkstra, A note on two problems in
    connexion with graphs, Numerische Mathematik 1, 1959): where a member still dominates, some
    objective goes one step beyond it, or all reach its very vector; there is no other way.
    """
    above = front[dominating(box, front)]
    start = tuple(0 for _ in box)
    waiting: list[tuple[float, tuple[int, ...]]] = [(0.0, start)]
    seen = {start}
    for _ in range(_MOST_TRIED):
        if not waiting:
            return None
        _, steps = heapq.heappop(waiting)
        moved = box - np.array(steps)
        rows = dominating(moved, above)
        if not len(rows):
            return np.array(steps, np.int64)
        for further in _ways_out(box, np.array(steps), above[rows[0]]):
            taken = np.array(further)
            if further not in seen and ((box - taken >= floors) | (taken == 0)).all():
                seen.add(further)
                heapq.heappush(waiting, (float((taken / spans).sum()), further))
    return None


def _ways_out(box: IntArray, steps: IntArray, member: IntArray) -> list[tuple[int, ...]]:
    """Return the steps with which a member no longer dominates: beyond it once, or the same."""
    ways = [np.maximum(steps, box - member)]
    for column in range(len(box)):
        way = steps.copy()
        way[column] = box[column] - member[column] + 1
        ways.append(way)
    return [tuple(int(n) for n in way) for way in ways]


def _moved(box: IntArray, column: int, steps: int) -> IntArray:
    moved = box.copy()
    moved[column] -= steps
    return moved


def _is_dominated(box: IntArray, front: IntArray) -> bool:
    return len(dominating(box, front)) > 0
