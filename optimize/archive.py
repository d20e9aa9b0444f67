"""Archives of non-dominated designs, judged on objectives rounded up to their resolution."""

from __future__ import annotations

from dataclasses import dataclass, field

import moocore
import numpy as np
from numpy.typing import NDArray

from evaluate.batch import FloatArray, IntArray
from optimize.canonical import KeyArray

#: Share of a resolution by which a value may exceed a multiple and still count as that: round-off.
TIE_SHARE = 1e-6
#: Members, by number of objectives, of the largest fronts whose hypervolume is computed exactly.
MOST_EXACT = {6: 300, 7: 100, 8: 50}
SAMPLES = 1 << 14  # directions for the others: some tenths of a second


@dataclass(slots=True)
class Archive:
    """A growing set of designs of which none dominates another.

    Attributes
    ----------
    resolutions : array, shape (objectives,)
        Difference that matters in each objective.
    genomes, objectives : array, shape (members, genes), (members, objectives)
        One representative for each distinct vector of rounded objectives.
    boxes : array of int, shape (members, objectives)
        Rounded objectives as multiples of the resolution.
    keys : list of int
        Canonical key of each representative.
    equals : list of set of int
        Keys of all designs seen with the same rounded objectives, the representative included.
    generations : array of int, shape (members,)
        When the representative was found.
    """

    resolutions: FloatArray
    genomes: FloatArray
    objectives: FloatArray
    boxes: IntArray
    keys: list[int] = field(default_factory=list)
    equals: list[set[int]] = field(default_factory=list)
    generations: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))

    @classmethod
    def empty(cls, resolutions: FloatArray, n_genes: int) -> Archive:
        """Return an archive without members."""
        n = len(resolutions)
        return cls(
            resolutions, np.zeros((0, n_genes)), np.zeros((0, n)), np.zeros((0, n), np.int64)
        )

    def __len__(self) -> int:
        return len(self.keys)

    def add(
        self, genomes: FloatArray, objectives: FloatArray, keys: KeyArray, generation: int
    ) -> bool:
        """Take feasible designs in and drop what they dominate; return whether the front changed.

        Parameters
        ----------
        genomes, objectives : array, shape (candidates, genes), (candidates, objectives)
            Objectives are to be lessened.
        keys : array of uint64, shape (candidates,)
            Canonical keys.
        generation : int
            To be remembered with new representatives.
        """
        boxes = rounded_boxes(objectives, self.resolutions)
        merged = np.concatenate([self.boxes, boxes])
        kept = non_dominated(merged)
        n_old = len(self)
        fresh = np.flatnonzero(kept[n_old:])
        if not len(fresh) and kept[:n_old].all():
            return False
        places = {self.boxes[i].tobytes(): int(i) for i in np.flatnonzero(kept[:n_old])}
        new_rows: list[int] = []
        for row in fresh:
            self._place(int(row), genomes, objectives, boxes, keys, generation, places, new_rows)
        changed = bool(new_rows) or not kept[:n_old].all()
        self._keep(np.flatnonzero(np.concatenate([kept[:n_old], np.ones(len(self) - n_old, bool)])))
        return changed

    def _place(
        self,
        row: int,
        genomes: FloatArray,
        objectives: FloatArray,
        boxes: IntArray,
        keys: KeyArray,
        generation: int,
        places: dict[bytes, int],
        new_rows: list[int],
    ) -> None:
        """Put one non-dominated candidate into its box: as a new member, or among its equals."""
        key, box = int(keys[row]), boxes[row].tobytes()
        index = places.get(box)
        if index is None:
            places[box] = len(self)
            new_rows.append(row)
            self.genomes = np.concatenate([self.genomes, genomes[row : row + 1]])
            self.objectives = np.concatenate([self.objectives, objectives[row : row + 1]])
            self.boxes = np.concatenate([self.boxes, boxes[row : row + 1]])
            self.generations = np.append(self.generations, generation)
            self.keys.append(key)
            self.equals.append({key})
            return
        self.equals[index].add(key)
        new = self._rank(objectives[row], key, generation, genomes[row])
        old = self._rank(
            self.objectives[index],
            self.keys[index],
            int(self.generations[index]),
            self.genomes[index],
        )
        if new < old:
            self.genomes[index], self.objectives[index] = genomes[row], objectives[row]
            self.keys[index], self.generations[index] = key, generation

    def _rank(
        self, objectives: FloatArray, key: int, generation: int, genome: FloatArray
    ) -> tuple[float, int, int, list[float]]:
        """Return what decides between equals: the better in all, then key, age and genome."""
        total = round(float((objectives / self.resolutions).sum()), 6)
        return total, key, generation, genome.tolist()

    def _keep(self, rows: NDArray[np.int64]) -> None:
        self.genomes, self.objectives = self.genomes[rows], self.objectives[rows]
        self.boxes, self.generations = self.boxes[rows], self.generations[rows]
        self.keys = [self.keys[i] for i in rows]
        self.equals = [self.equals[i] for i in rows]

    def merged(self, other: Archive) -> Archive:
        """Return the archive of both, the same whichever comes first."""
        result = Archive.empty(self.resolutions, self.genomes.shape[1])
        for archive in (self, other):
            for i in range(len(archive)):
                key = np.array([archive.keys[i]], np.uint64)
                result.add(
                    archive.genomes[i : i + 1],
                    archive.objectives[i : i + 1],
                    key,
                    int(archive.generations[i]),
                )
        places = {box.tobytes(): i for i, box in enumerate(result.boxes)}
        for archive in (self, other):
            for box, equals in zip(archive.boxes, archive.equals, strict=True):
                if box.tobytes() in places:
                    result.equals[places[box.tobytes()]] |= equals
        return result


def rounded_boxes(objectives: FloatArray, resolutions: FloatArray) -> IntArray:
    """Return objectives rounded up to multiples of their resolution, as whole numbers.

    Round-off of a millionth of a resolution above a multiple (and any below) counts as the
    multiple: what cancels to 1e-13 N is zero.
    """
    return np.ceil(objectives / resolutions - TIE_SHARE).astype(np.int64)


def non_dominated(boxes: IntArray) -> NDArray[np.bool_]:
    """Return which rows no other row dominates; equal rows are all kept."""
    if not len(boxes):
        return np.zeros(0, bool)
    kept: NDArray[np.bool_] = moocore.is_nondominated(boxes.astype(float), keep_weakly=True)
    return kept


def hypervolume(objectives: FloatArray, lower: FloatArray, reference: FloatArray) -> float:
    """Return the dominated share of the box between `lower` and `reference`, 0 to 1.

    Points outside the box are clipped into it, points that reach no lower than the reference count
    nothing. Exact with up to five objectives, and where the front is small; beyond
    `MOST_EXACT` the time of exact algorithms grows from seconds to minutes and the share is
    approximated to about a thousandth, always alike for the same front.

    References
    ----------
    J. Deng, Q. Zhang, "Approximating hypervolume and hypervolume contributions using polar
    coordinate", IEEE Transactions on Evolutionary Computation 23 (2019) 913-918, with the
    directions of Hua and Wang, as `moocore.hv_approx` does.
    """
    scaled = (objectives - lower) / (reference - lower)
    inside = np.clip(scaled[(scaled < 1).all(axis=1)], 0, None)
    if not len(inside):
        return 0.0
    front = np.unique(inside, axis=0)
    reference = np.ones(front.shape[1])
    if len(front) > MOST_EXACT.get(front.shape[1], len(front)):
        share = moocore.hv_approx(front, ref=reference, nsamples=SAMPLES, method="DZ2019-HW")
        return min(float(share), 1.0)
    return float(moocore.hypervolume(front, ref=reference))
