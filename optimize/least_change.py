"""How little must change in objectives until nothing dominates: whole numbers of resolutions."""

from __future__ import annotations

import heapq

import numpy as np

from evaluate.batch import FloatArray, IntArray

_MOST_TRIED = 5_000  # combinations of steps before the search for the least one is given up


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
    Best first, with a lower bound of what is still to come (P. E. Hart, N. J. Nilsson and
    B. Raphael, A formal basis for the heuristic determination of minimum cost paths, IEEE
    Transactions on Systems Science and Cybernetics 4, 1968). Where a member still dominates, some
    objective goes one step beyond it, or all reach its very vector: there is no other way, and
    what the dearest member costs at least is the bound.
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
        dearest, _ = _dearest(moved, above, spans, floors)
        if dearest is None:
            return np.array(steps, np.int64)
        for further in _ways_out(moved, dearest):
            taken = np.array(steps) + further
            key = tuple(int(n) for n in taken)
            if key in seen or ((further > 0) & (moved - further < floors)).any():
                continue
            seen.add(key)
            _, still = _dearest(box - taken, above, spans, floors)
            if np.isfinite(still):
                heapq.heappush(waiting, (float((taken / spans).sum()) + still, key))
    return None


def _dearest(
    box: IntArray, above: IntArray, spans: FloatArray, floors: FloatArray
) -> tuple[IntArray | None, float]:
    """Return the member that is dearest to get rid of, and what that costs at least."""
    rows = above[dominating(box, above)]
    if not len(rows):
        return None, 0.0
    apart = box - rows
    beyond = np.where(rows - 1 >= floors, (apart + 1) / spans, np.inf).min(axis=1)
    is_high = ((apart == 0) | (rows >= floors)).all(axis=1)
    same = np.where(is_high, (apart / spans).sum(axis=1), np.inf)
    costs = np.minimum(beyond, same)
    place = int(costs.argmax())
    return rows[place], float(costs[place])


def _ways_out(box: IntArray, member: IntArray) -> list[IntArray]:
    """Return the further steps with which a member no longer dominates: beyond it, or the same."""
    apart = box - member
    return [apart, *np.diag(apart + 1)]


def _moved(box: IntArray, column: int, steps: int) -> IntArray:
    moved = box.copy()
    moved[column] -= steps
    return moved


def _is_dominated(box: IntArray, front: IntArray) -> bool:
    return len(dominating(box, front)) > 0
