"""How the fronts of a search have grown: one row a generation of an island, one a barrier."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray
from optimize.archive import hypervolume

COLUMNS = ("round", "generation", "evaluations", "front_size", "hypervolume", "seconds")
MOST_MEASURED_OFTEN = 5  # objectives: exact hypervolumes of more take seconds to minutes
_WHOLE = ("round", "generation", "evaluations", "front_size")  # columns of whole numbers
#: Number of a generation, designs scored, seconds, and the front where it changed.
Generation = tuple[int, int, float, FloatArray | None]


@dataclass(frozen=True, slots=True)
class Bounds:
    """The box in which hypervolumes are measured: fixed once, on the first common front.

    Attributes
    ----------
    lower, reference : array, shape (objectives,)
        Corners, objectives to be lessened.
    """

    lower: FloatArray
    reference: FloatArray

    @classmethod
    def around(cls, front: FloatArray, resolutions: FloatArray) -> Bounds:
        """Return the box from a tenth of the front's span below its best to a tenth beyond.

        Fronts only grow from then on.
        """
        margin = np.maximum(0.1 * np.ptp(front, axis=0), resolutions)
        return cls(front.min(axis=0) - margin, front.max(axis=0) + margin)

    def share(self, front: FloatArray) -> float:
        """Return the dominated share of the box, 0 to 1."""
        return hypervolume(front, self.lower, self.reference)


@dataclass(slots=True)
class Track:
    """The generations of one island.

    Until the box is fixed, at the first barrier, fronts wait to be measured. With more than
    `MOST_MEASURED_OFTEN` objectives that takes so long that they wait for the next barrier, and
    only the last front of a round is measured.

    Attributes
    ----------
    parts : list of array, shape (generations, 6)
        In the columns of `COLUMNS`.
    waiting : list of tuple of int, Generation
        Not measured yet, each with its round before it.
    """

    parts: list[FloatArray] = field(default_factory=list)
    waiting: list[tuple[int, Generation]] = field(default_factory=list)

    def add(
        self,
        generations: Sequence[Generation],
        number: int,
        bounds: Bounds | None,
        *,
        is_barrier: bool = False,
    ) -> None:
        """Take generations of a round in.

        Parameters
        ----------
        generations : sequence of Generation
            From an island's state.
        number : int
            The round, counted from 1.
        bounds : Bounds or None
            None in the first round.
        is_barrier : bool
            Whether the round is over.
        """
        self.waiting.extend((number, generation) for generation in generations)
        if bounds is None or not self.waiting:
            return
        is_dear = len(bounds.lower) > MOST_MEASURED_OFTEN
        if is_dear and not is_barrier:
            return
        changed = [row for row, (_, (*_, front)) in enumerate(self.waiting) if front is not None]
        measured = changed[-1:] if is_dear else changed
        size, share = self.last
        rows = []
        for row, (when, (generation, evaluations, seconds, front)) in enumerate(self.waiting):
            if front is not None:
                size = len(front)
                share = bounds.share(front) if row in measured else share
            rows.append((when, generation, evaluations, size, share, seconds))
        self.parts.append(np.array(rows, float))
        self.waiting = []

    @property
    def last(self) -> tuple[int, float]:
        """Size of the front and hypervolume so far."""
        if not self.parts:
            return 0, 0.0
        row = self.parts[-1][-1]
        return int(row[3]), float(row[4])

    @property
    def seconds(self) -> float:
        """Time of all generations. [s]"""
        measured = sum(float(part[:, 5].sum()) for part in self.parts)
        return measured + sum(seconds for _, (_, _, seconds, _) in self.waiting)

    def __len__(self) -> int:
        """Return the number of measured generations."""
        return sum(len(part) for part in self.parts)

    def rows(self) -> FloatArray:
        """Return all measured generations, shape (generations, 6)."""
        return np.concatenate([*self.parts, np.zeros((0, len(COLUMNS)))])

    def all_rows(self) -> FloatArray:
        """Return all generations; those that were never measured have no hypervolume (NaN)."""
        size, rows = self.last[0], []
        for number, (generation, evaluations, seconds, front) in self.waiting:
            size = size if front is None else len(front)
            rows.append((number, generation, evaluations, size, np.nan, seconds))
        return np.concatenate([self.rows(), np.array(rows, float).reshape(-1, len(COLUMNS))])

    def arrays(self) -> dict[str, FloatArray]:
        """Return everything as arrays, to be stored."""
        fronts = [front for _, (*_, front) in self.waiting]
        known = [front for front in fronts if front is not None]
        return {
            "track_rows": self.rows(),
            "track_waiting": np.array(
                [(number, *rest) for number, (*rest, _) in self.waiting], float
            ).reshape(-1, 4),
            "track_sizes": np.array([-1 if f is None else len(f) for f in fronts], np.int64),
            "track_fronts": np.concatenate(known) if known else np.zeros((0, 0)),
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, Any]) -> Track:
        """Return the track that `arrays` has stored."""
        rows, sizes = arrays["track_rows"], arrays["track_sizes"]
        ends = np.cumsum(np.maximum(sizes, 0))
        fronts = np.split(arrays["track_fronts"], ends[:-1])[: len(sizes)]
        waiting = [
            (
                int(number),
                (int(generation), int(evaluations), float(seconds), front if size >= 0 else None),
            )
            for (number, generation, evaluations, seconds), size, front in zip(
                arrays["track_waiting"], sizes, fronts, strict=True
            )
        ]
        return cls([rows] if len(rows) else [], waiting)


def history_frame(
    tracks: Mapping[tuple[str, int], Track],
    barriers: Sequence[Mapping[str, Any]],
    exact: Sequence[Mapping[str, Any]] = (),
) -> pd.DataFrame:
    """Return the history of a run as a table.

    Parameters
    ----------
    tracks : mapping of (family's name, repetition) to Track
        Of all islands.
    barriers : sequence of mapping
        One row a barrier, for all families together (family "all", seed -1).
    exact : sequence of mapping
        One row a family that was enumerated.
    """
    parts = [pd.DataFrame(list(exact))] if exact else []
    for (family, repetition), track in tracks.items():
        frame = pd.DataFrame(track.all_rows(), columns=list(COLUMNS))
        frame = frame.astype(dict.fromkeys(_WHOLE, np.int64))
        frame.insert(0, "family", family)
        frame.insert(1, "seed", repetition)
        parts.append(frame)
    if barriers:
        parts.append(pd.DataFrame([dict(row) for row in barriers]))
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=["family", "seed", *COLUMNS])
    frame = pd.concat(parts, ignore_index=True)
    return frame.sort_values("round", kind="stable").reset_index(drop=True)
