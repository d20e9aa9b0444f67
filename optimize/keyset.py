"""A set of 64-bit keys that takes eight bytes a key: what a search has scored may be millions."""

from __future__ import annotations

import numpy as np

from optimize.canonical import KeyArray

MOST_LATEST = 1 << 14  # keys held one by one before they are sorted in


class KeySet:
    """A growing set of keys: most of them sorted in one array, the latest beside it.

    Parameters
    ----------
    keys : array of uint64
        What it holds at first, each key once.
    """

    __slots__ = ("_latest", "_sorted")

    def __init__(self, keys: KeyArray | None = None) -> None:
        self._sorted = np.zeros(0, np.uint64) if keys is None else np.sort(keys, kind="stable")
        self._latest: set[int] = set()

    def __reduce__(self) -> tuple[type[KeySet], tuple[KeyArray]]:
        # Sets of whole numbers take some ninety bytes each: a driver holds those of all islands.
        return (KeySet, (self.array(),))

    def __len__(self) -> int:
        return len(self._sorted) + len(self._latest)

    def take(self, keys: KeyArray, wanted: int) -> list[int]:
        """Take the first new keys in and return their places in `keys`.

        Parameters
        ----------
        keys : array of uint64
            Keys, known and unknown ones.
        wanted : int
            How many new ones to take at most.
        """
        taken: list[int] = []
        for row in np.flatnonzero(~self._is_sorted_in(keys)).tolist():
            if len(taken) >= wanted:
                break
            key = int(keys[row])
            if key not in self._latest:
                self._latest.add(key)
                taken.append(row)
        if len(self._latest) > MOST_LATEST:
            self._sorted, self._latest = self.array(), set()
        return taken

    def array(self) -> KeyArray:
        """Return all keys, sorted."""
        latest = np.fromiter(self._latest, np.uint64, len(self._latest))
        return np.sort(np.concatenate([self._sorted, latest]), kind="stable")

    def _is_sorted_in(self, keys: KeyArray) -> np.ndarray:
        if not len(self._sorted):
            return np.zeros(len(keys), bool)
        places = np.searchsorted(self._sorted, keys)
        known: np.ndarray = self._sorted[np.minimum(places, len(self._sorted) - 1)] == keys
        return known
