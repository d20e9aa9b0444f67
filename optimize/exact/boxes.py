"""Sets of rounded objective vectors: which are distinct, which are behind others."""

from __future__ import annotations

import numpy as np

from evaluate.batch import IntArray
from optimize.archive import non_dominated


def packed(rows: IntArray) -> IntArray:
    """Return one whole number a row, equal for equal rows and rising like them, shape (rows,)."""
    if not rows.size:
        return np.zeros(len(rows), np.int64)
    low = rows.min(axis=0)
    spans = rows.max(axis=0) - low + 1
    if float(np.prod(spans.astype(float))) >= 2.0**62:
        return np.unique(rows, axis=0, return_inverse=True)[1].ravel().astype(np.int64)
    codes = np.zeros(len(rows), np.int64)
    for column, span in enumerate(spans):
        codes = codes * span + (rows[:, column] - low[column])
    return codes


def distinct(rows: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return distinct rows in rising order, the first place of each, and how often each stands."""
    _, first, counts = np.unique(packed(rows), return_index=True, return_counts=True)
    return rows[first], first, counts


def behind(rows: IntArray, archive: IntArray) -> np.ndarray:
    """Return which rows some member of an archive dominates; equal rows it does not.

    Parameters
    ----------
    rows : array of int, shape (rows, objectives)
        To be judged.
    archive : array of int, shape (members, objectives)
        Rounded objectives, to be lessened.
    """
    if not len(rows) or not len(archive):
        return np.zeros(len(rows), bool)
    codes = packed(rows)
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    unique = rows[first]
    alive = np.arange(len(unique))
    for member in archive:
        left = unique[alive]
        is_behind = (member <= left).all(axis=1) & (member < left).any(axis=1)
        if is_behind.any():
            alive = alive[~is_behind]
            if not len(alive):
                break
    kept = np.zeros(len(unique), bool)
    kept[alive] = True
    result: np.ndarray = ~kept[inverse.ravel()]
    return result


def reaches(rows: IntArray, targets: IntArray) -> np.ndarray:
    """Return which rows are nowhere above some target."""
    _, first, inverse = np.unique(packed(rows), return_index=True, return_inverse=True)
    unique = rows[first]
    near = np.zeros(len(unique), bool)
    for target in targets:
        near |= (unique <= target).all(axis=1)
    found: np.ndarray = near[inverse.ravel()]
    return found


def best_of(*parts: IntArray) -> IntArray:
    """Return the distinct rows that no other row dominates, in rising order."""
    rows, _, _ = distinct(np.concatenate(parts))
    return rows[non_dominated(rows)]
