"""One sweep over crank classes: which rounded objective vectors can be had, bounds first."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evaluate.batch import FloatArray, IntArray
from evaluate.metrics import METRICS, score
from optimize.archive import rounded_boxes
from optimize.canonical import canonical_twins
from optimize.exact.boxes import behind, best_of, distinct
from optimize.exact.classes import Classes, classes_of
from optimize.exact.couples import Couples, Group, groups_of
from optimize.exact.levels import HAIR, Levels, best_possible, level_of, must_list
from optimize.exact.outcomes import Outcomes, keeps, outcomes_of
from optimize.exact.space import Frame, Space
from optimize.genome import Designs
from optimize.problem import Island

#: Firings looked at together.
MOST_FIRINGS = 200_000


@dataclass(frozen=True)
class Sweep:
    """All cranks of a space under one frame."""

    space: Space
    frame: Frame
    known_classes: Classes | None = None

    @cached_property
    def classes(self) -> Classes:
        """All crank classes."""
        return self.known_classes or classes_of(self.space, self.frame)

    @cached_property
    def couples(self) -> Couples:
        """Couples of all arrangements."""
        return Couples(self.space, self.frame)

    @cached_property
    def levels(self) -> Levels:
        """Which objective column is on which level."""
        return Levels.of(self.space.study)

    @cached_property
    def resolutions(self) -> FloatArray:
        """Resolution of each objective."""
        return np.array([o.resolution for o in self.space.study.objectives])

    @cached_property
    def floor(self) -> IntArray:
        """Rounded objectives that no candidate can better, (objectives,)."""
        objectives = self.space.study.objectives
        values = [o.sign * best_possible(o.key, self.space.engine) for o in objectives]
        boxes: IntArray = rounded_boxes(np.array([values]), self.resolutions)[0]
        return boxes

    @cached_property
    def frame_values(self) -> dict[str, FloatArray]:
        """Metrics on the level of the frame, each of shape (settings,)."""
        space = self.space
        keys = [k for k in space.study.active_metrics if level_of(k, space.study) == "frame"]
        kinds = np.tile(self.classes.kinds[:1], (len(space.settings), 1))
        batch = space.designs(self.frame, kinds, None, list(space.settings)).batch
        values = score(space.engine, batch, keys)
        return {key: values[:, column] for column, key in enumerate(keys)}

    @cached_property
    def usable_settings(self) -> IntArray:
        """Settings that keep the limits on the level of the frame."""
        kept = np.ones(len(self.space.settings), bool)
        for bound in self.space.study.bounds:
            if bound.key in self.frame_values:
                kept &= keeps(bound, self.frame_values[bound.key])
        return np.flatnonzero(kept)

    @cached_property
    def limit_Nm(self) -> float:
        """Largest couple that the limits allow, with their allowance. [N m]"""
        limits = [
            b.limit + 1e-9 * (abs(b.limit) or METRICS[b.key].resolution)
            for b in self.space.study.bounds
            if b.key == "couple_rms_Nm" and b.sign > 0
        ]
        return min(limits, default=np.inf)

    @property
    def needs_couple(self) -> bool:
        """Return whether arrangements matter."""
        is_limited = bool(np.isfinite(self.limit_Nm)) or self.space.study.mirror_symmetric
        return bool(self.levels.columns["couple"]) or is_limited

    @property
    def is_listed(self) -> bool:
        """Return whether single candidates are scored in the end."""
        return must_list(self.space.study)

    @property
    def block(self) -> int:
        """Return how many classes are looked at together.

        Few where single candidates are scored, so that what they have bounds the next ones.
        """
        most = 64 if self.is_listed else 2048
        return int(np.clip(MOST_FIRINGS // self.space.n_bit_sets, 1, most))

    def rounded(self, values: FloatArray, column: int) -> IntArray:
        """Return rounded values of one objective; a hair less where they are bounds only."""
        step = self.resolutions[column]
        less = HAIR * step if self.is_listed else 0.0
        boxes: IntArray = rounded_boxes(values[:, np.newaxis] - less, np.array([step]))[:, 0]
        return boxes

    def force(self, classes: Classes) -> tuple[IntArray, np.ndarray]:
        """Return rounded objectives on the levels of frame and force, and whether limits are kept.

        Returns
        -------
        tuple of two arrays
            Boxes (classes, settings, objectives), other columns at their floor; and a mask
            (classes, settings).
        """
        space, study = self.space, self.space.study
        shape = (len(classes), len(space.settings))
        boxes = np.broadcast_to(self.floor, (*shape, len(self.floor))).copy()
        kept = np.zeros(shape, bool)
        kept[:, self.usable_settings] = True
        for column in self.levels.columns["frame"]:
            objective = study.objectives[column]
            values = objective.sign * self.frame_values[objective.key]
            boxes[:, :, column] = self.rounded(values, column)
        bounds = [b for b in study.bounds if b.key == "force_rms_N"]
        if self.levels.columns["force"] or bounds:
            values = np.sqrt(self.couples.table.force_square(classes.kinds))
            for bound in bounds:
                kept &= keeps(bound, values)
            for column in self.levels.columns["force"]:
                boxes[:, :, column] = self.rounded(values.ravel(), column).reshape(shape)
        return boxes, kept

    def best_boxes(self, start: int, stop: int, archive: IntArray) -> IntArray:
        """Return the non-dominated rounded objectives of some classes, short of what is behind.

        Parameters
        ----------
        start, stop : int
            Which classes.
        archive : array of int, shape (members, objectives)
            Rounded objectives that are known to be had; what they dominate may be left out.

        Returns
        -------
        array of int, shape (vectors, objectives)
        """
        if self.couples.arrangements.is_empty:
            return archive
        for begin in range(start, stop, self.block):
            some = self.classes.rows(slice(begin, min(begin + self.block, stop)))
            found = self._block(some, archive)
            if len(found):
                archive = best_of(archive, found)
        return archive

    def _block(self, classes: Classes, archive: IntArray) -> IntArray:
        boxes, kept = self.force(classes)
        alive = kept & ~_behind(boxes, archive)
        rows = np.flatnonzero(alive.any(axis=1))
        if not len(rows):
            return archive[:0]
        classes, boxes, alive = classes.rows(rows), boxes[rows], alive[rows]
        outcomes = outcomes_of(self.space, self.frame, classes, as_bounds=self.is_listed)
        if not len(outcomes.classes):
            return archive[:0]
        pairs = self._pairs(boxes, alive, outcomes, archive)
        if not len(pairs):
            return archive[:0]
        if self.is_listed:
            return self._listed(classes, pairs, outcomes, archive)
        return self._with_couples(classes, pairs)

    def _pairs(
        self, boxes: IntArray, alive: np.ndarray, outcomes: Outcomes, archive: IntArray
    ) -> IntArray:
        """Return (class, setting, objectives) of all that may be on the front, couples at floor."""
        columns = list(self.levels.columns["firing"])
        firings, _, _ = distinct(np.column_stack([outcomes.classes, outcomes.boxes]))
        firings = firings[~_behind_in_class(firings)]
        found = []
        for setting in np.flatnonzero(alive.any(axis=0)):
            some = firings[alive[firings[:, 0], setting]]
            vectors = boxes[some[:, 0], setting]
            vectors[:, columns] = some[:, 1:]
            kept = ~behind(vectors, archive)
            head = np.column_stack([some[kept, 0], np.full(kept.sum(), setting)])
            found.append(np.column_stack([head, vectors[kept]]))
        return np.concatenate(found) if found else np.zeros((0, 2 + len(self.floor)), np.int64)

    def _with_couples(self, classes: Classes, pairs: IntArray) -> IntArray:
        """Return vectors with the least couple of each class and setting filled in."""
        columns = list(self.levels.columns["couple"])
        if not self.needs_couple:
            return best_of(pairs[:, 2:])
        resolution = self.resolutions[columns[0]] if columns else 1.0
        least = np.full((len(classes), len(self.space.settings)), -1, np.int64)
        wanted = np.zeros(least.shape, bool)
        wanted[pairs[:, 0], pairs[:, 1]] = True
        for group in groups_of(self.space, self.frame, classes.kinds):
            for setting in np.flatnonzero(wanted[group.members].any(axis=0)):
                some = np.flatnonzero(wanted[group.members, setting])
                part = Group(
                    form=group.form, members=group.members[some], distinct=group.distinct[some]
                )
                least[part.members, setting] = self.couples.least_boxes(
                    part, int(setting), float(resolution), self.limit_Nm
                )
        boxes = least[pairs[:, 0], pairs[:, 1]]
        vectors = pairs[boxes >= 0, 2:]
        for column in columns:
            vectors[:, column] = boxes[boxes >= 0]
        return best_of(vectors) if len(vectors) else vectors

    def twins(self, designs: Designs) -> Designs:
        """Return each design as its canonical twin, so that equivalent ones score alike."""
        return canonical_twins(designs, self.space.ways, cycle_deg=self.space.study.cycle_deg)

    def _listed(
        self, classes: Classes, pairs: IntArray, outcomes: Outcomes, archive: IntArray
    ) -> IntArray:
        """Return vectors of single candidates, scored by the plain path."""
        from optimize.exact.listing import candidates_of  # which needs this module's names

        island = Island(self.space.study, self.space.family)
        found = archive[:0]
        columns = list(self.levels.columns["firing"])
        bounds = pairs.copy()
        bounds[:, 2:][:, columns] = self.floor[columns]
        for listed in candidates_of(self, classes, bounds, outcomes, archive=archive):
            objectives, violations = island.judge(self.twins(listed.designs))
            feasible = (violations <= 0).all(axis=1)
            boxes = rounded_boxes(objectives[feasible], self.resolutions)
            if len(boxes):
                found = best_of(found, boxes)
        return found


def _behind(boxes: IntArray, archive: IntArray) -> np.ndarray:
    return behind(boxes.reshape(-1, boxes.shape[-1]), archive).reshape(boxes.shape[:-1])


def _behind_in_class(firings: IntArray) -> np.ndarray:
    """Return which firings another firing of the same class dominates."""
    result = np.zeros(len(firings), bool)
    if firings.shape[1] == 1:
        return result
    starts = np.flatnonzero(np.diff(firings[:, 0], prepend=-1))
    sizes = np.diff(starts, append=len(firings))
    rounds = int(sizes.max(initial=0))
    # The k-th firing of every class against all firings of its class, class by class side by side.
    number = np.repeat(np.arange(len(starts)), sizes)
    for k in range(rounds):
        other = starts[number] + np.minimum(k, sizes[number] - 1)
        ahead = firings[other, 1:]
        mine = firings[:, 1:]
        result |= (ahead <= mine).all(axis=1) & (ahead < mine).any(axis=1)
    return result
