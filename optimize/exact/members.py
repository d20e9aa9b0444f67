"""Who has the rounded objectives of a front: how many designs, and one to stand for them.

The number of distinct designs is the number of orbits of candidates under the symmetries. By the
Cauchy-Frobenius lemma (W. Burnside, Theory of Groups of Finite Order, 1897) it is the average over
the symmetries of how many candidates each leaves as they are: for the identity all of them, which
is a product of counts; for the others the few cranks that are their own mirror or end-for-end
image, which are listed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from evaluate import firing
from evaluate.batch import FloatArray, IntArray
from optimize.archive import rounded_boxes
from optimize.canonical import canonical_twins, written_rows
from optimize.exact.boxes import packed, reaches
from optimize.exact.classes import Classes
from optimize.exact.couples import Group, groups_of
from optimize.exact.listing import candidates_of, with_firing
from optimize.exact.outcomes import Outcomes, outcomes_of
from optimize.exact.sweep import Sweep
from optimize.genome import Designs
from optimize.problem import Island

Rank = tuple[float, tuple[int, ...]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """One design, as a frame, items on places and firing angles."""

    frame: int
    setting: int
    kinds: tuple[int, ...]
    bits: tuple[int, ...]


@dataclass(slots=True)
class Member:
    """What is known of one rounded objective vector.

    Attributes
    ----------
    raw : Fraction
        Candidates that have it.
    fixed : list of Fraction
        Candidates that have it and that each symmetry but the first leaves as they are.
    rank : tuple or None
        By which the representative was chosen: objectives over resolutions, then whole numbers.
    candidate : Candidate or None
        The representative.
    """

    raw: Fraction = Fraction(0)
    fixed: list[Fraction] = field(default_factory=list)
    rank: Rank | None = None
    candidate: Candidate | None = None

    def merge(self, other: Member) -> None:
        """Take in what another part of the space holds."""
        self.raw += other.raw
        mine = self.fixed or [Fraction(0)] * len(other.fixed)
        theirs = other.fixed or [Fraction(0)] * len(mine)
        self.fixed = [a + b for a, b in zip(mine, theirs, strict=True)]
        if other.rank is not None and (self.rank is None or other.rank < self.rank):
            self.rank, self.candidate = other.rank, other.candidate

    def distinct(self) -> int:
        """Return the number of distinct designs."""
        total = (self.raw + sum(self.fixed)) / (1 + len(self.fixed))
        if total.denominator != 1:
            raise ArithmeticError(
                f"{total} distinct designs: candidates were lost or counted twice"
            )
        return int(total)


def members_of(
    sweep: Sweep, frame: int, start: int, stop: int, targets: IntArray
) -> dict[int, Member]:
    """Return what some classes contribute to each target.

    Parameters
    ----------
    sweep : Sweep
        The space under one frame.
    frame : int
        Number of the frame, to be remembered.
    start, stop : int
        Which classes.
    targets : array of int, shape (members, objectives)
        Rounded objectives.

    Returns
    -------
    dict of int to Member
        By row of the targets; those without any candidate here are left out.
    """
    found: dict[int, Member] = {}
    if sweep.couples.arrangements.is_empty or not len(targets):
        return found
    for begin in range(start, stop, sweep.block):
        classes = sweep.classes.rows(slice(begin, min(begin + sweep.block, stop)))
        work = Block(sweep, frame, classes, targets)
        for target, member in work.members().items():
            found.setdefault(target, Member()).merge(member)
    return found


@dataclass(frozen=True, slots=True)
class Product:
    """Arrangements and firings of one class under one setting, all of which have a target.

    Attributes
    ----------
    rows : array of int, shape (arrangements, places)
        Kinds.
    fired : array, shape (firings, cylinders)
        Firing angles in the order of the class's items. [deg]
    best : array, shape (cylinders,)
        The firing to be shown.
    """

    index: int
    setting: int
    target: int
    rows: IntArray
    fired: FloatArray
    best: FloatArray


@dataclass(frozen=True, slots=True)
class Single:
    """Candidates of one class under one setting that have a target, scored one by one."""

    target: int
    setting: int
    designs: Designs
    share: Fraction
    totals: FloatArray


class Block:
    """One block of classes on the way to its members."""

    def __init__(self, sweep: Sweep, frame: int, classes: Classes, targets: IntArray) -> None:
        self.sweep, self.frame, self.classes, self.targets = sweep, frame, classes, targets
        self.island = Island(sweep.space.study, sweep.space.family)
        self.found: dict[int, Member] = {}

    def members(self) -> dict[int, Member]:
        """Return the members of the block."""
        columns = self.sweep.levels.columns
        early = [*columns["frame"], *columns["force"]]
        boxes, kept = self.sweep.force(self.classes)
        if self.sweep.is_listed:  # these boxes are bounds
            flat = boxes.reshape(-1, boxes.shape[-1])
            kept &= reaches(flat, self.targets).reshape(kept.shape)
        else:
            kept &= _matches(boxes[:, :, early], self.targets[:, early])
        rows = np.flatnonzero(kept.any(axis=1))
        if not len(rows):
            return {}
        self.classes, boxes, kept = self.classes.rows(rows), boxes[rows], kept[rows]
        outcomes = outcomes_of(
            self.sweep.space, self.sweep.frame, self.classes, as_bounds=self.sweep.is_listed
        )
        if self.sweep.is_listed:
            pairs = np.argwhere(kept)
            self._list(np.column_stack([pairs, boxes[kept]]), outcomes)
        else:
            self._match(boxes, kept, early, outcomes)
        return self.found

    def _match(
        self, boxes: IntArray, kept: np.ndarray, early: list[int], outcomes: Outcomes
    ) -> None:
        """Count what has the frame, force and firing of a target, setting by setting."""
        columns = list(self.sweep.levels.columns["firing"])
        known = [*early, *columns]
        joined = np.empty((len(outcomes.classes), len(self.targets[0])), np.int64)
        for setting in np.flatnonzero(kept.any(axis=0)).tolist():
            joined[:, early] = boxes[outcomes.classes, setting][:, early]
            joined[:, columns] = outcomes.boxes
            hit = _matches(joined[:, known], self.targets[:, known])
            rows = np.flatnonzero(kept[outcomes.classes, setting] & hit)
            if len(rows):
                self._count(setting, _taken(outcomes, rows), joined[rows][:, known], known)

    def _count(self, setting: int, outcomes: Outcomes, vectors: IntArray, known: list[int]) -> None:
        """Count the candidates of one setting as arrangements times firings."""
        for index in np.unique(outcomes.classes).tolist():
            mine = outcomes.classes == index
            one = groups_of(
                self.sweep.space, self.sweep.frame, self.classes.kinds[index : index + 1]
            )[0]
            for target in range(len(self.targets)):
                wanted = (vectors[mine] == self.targets[target][known]).all(axis=1)
                if not wanted.any():
                    continue
                fired = outcomes.angles_deg[mine][wanted]
                best = fired[np.argmin(np.round(outcomes.totals[mine][wanted], 6))]
                for rows in self._arrangements(one, setting, target):
                    if len(rows):
                        self.take(Product(index, setting, target, rows, fired, best))

    def _arrangements(self, one: Group, setting: int, target: int) -> Iterator[IntArray]:
        """Give the arrangements of one class that have the couple of a target, in blocks."""
        sweep = self.sweep
        columns = sweep.levels.columns["couple"]
        if columns:
            box, resolution = int(self.targets[target, columns[0]]), sweep.resolutions[columns[0]]
            return sweep.couples.in_box(one, setting, box, float(resolution), sweep.limit_Nm)
        if np.isfinite(sweep.limit_Nm):
            return sweep.couples.under(one, setting, sweep.limit_Nm)
        return (rows for rows, _ in sweep.couples.within(one, setting, np.inf))

    def take(self, hit: Product) -> None:
        """Add arrangements times firings of one class to a member."""
        rows, fired, setting = hit.rows, hit.fired, hit.setting
        share = Fraction(int(self.classes.twins[hit.index]), int(self.classes.turns[hit.index]))
        fixed = [share * n for n in self._fixed(rows, fired, setting)]
        member = Member(raw=share * (len(rows) * len(fired)), fixed=fixed)
        space, frame, columns = self.sweep.space, self.sweep.frame, self.sweep.levels.columns
        for column in columns["couple"]:
            step = float(self.sweep.resolutions[column])
            rows = self.sweep.couples.least_rows(rows, setting, step)
        best = np.repeat(hit.best[np.newaxis], len(rows), axis=0)
        designs = with_firing(space, frame, rows, best, [space.settings[setting]])
        self._choose(member, designs, setting)
        self.found.setdefault(hit.target, Member()).merge(member)

    def _fixed(self, rows: IntArray, fired: FloatArray, setting: int) -> list[int]:
        """Return how many candidates each symmetry but the first leaves as they are."""
        space, frame, counts = self.sweep.space, self.sweep.frame, []
        settings = [space.settings[setting]]
        bare = space.designs(frame, rows, None, settings)
        n = space.family.cylinders
        for way in space.ways[1:]:
            here = written_rows(bare, space.ways[0], cycle_deg=firing.TURN_DEG)
            there = written_rows(bare, way, cycle_deg=firing.TURN_DEG)
            own = rows[(here[:, :n] == there[:, :n]).all(axis=1) & _same_banks(here, there, n)]
            count = 0
            step = max(1, 20_000 // max(1, len(own)))
            for begin in range(0, len(fired) if len(own) else 0, step):
                some = fired[begin : begin + step]
                pairs = np.repeat(own, len(some), axis=0)
                designs = with_firing(space, frame, pairs, np.tile(some, (len(own), 1)), settings)
                count += _unmoved(designs, self.island, way)
            counts.append(count)
        return counts

    def _list(self, pairs: IntArray, outcomes: Outcomes) -> None:
        """Score candidates one by one and count those that have a target."""
        found = candidates_of(self.sweep, self.classes, pairs, outcomes, targets=self.targets)
        for listed in found:
            objectives, violations = self.island.judge(self.sweep.twins(listed.designs))
            boxes = rounded_boxes(objectives, self.sweep.resolutions)
            feasible = (violations <= 0).all(axis=1)
            share = Fraction(
                int(self.classes.twins[listed.index]), int(self.classes.turns[listed.index])
            )
            for target, wanted in enumerate(self.targets):
                rows = np.flatnonzero(feasible & (boxes == wanted).all(axis=1))
                if len(rows):
                    designs = picked(listed.designs, rows)
                    totals = (objectives[rows] / self.sweep.resolutions).sum(axis=1)
                    self.take_listed(Single(target, listed.setting, designs, share, totals))

    def take_listed(self, hit: Single) -> None:
        """Add candidates of one class to a member, each counted as a share."""
        designs, ways = hit.designs, self.sweep.space.ways[1:]
        fixed = [hit.share * _unmoved(designs, self.island, way) for way in ways]
        member = Member(raw=hit.share * len(designs.batch), fixed=fixed)
        totals = np.round(hit.totals, 6)
        self._choose(member, picked(designs, np.flatnonzero(totals == totals.min())), hit.setting)
        self.found.setdefault(hit.target, Member()).merge(member)

    def _choose(self, member: Member, designs: Designs, setting: int) -> None:
        """Make the first of some candidates, written as canonical twins, the representative."""
        space = self.sweep.space
        cycle_deg = space.study.cycle_deg
        twins = canonical_twins(designs, space.ways, cycle_deg=cycle_deg)
        rows = written_rows(twins, space.ways[0], cycle_deg=cycle_deg)
        twin = picked(twins, np.lexsort(rows.T[::-1])[:1])
        objectives, _ = self.island.judge(twin)
        total = round(float((objectives[0] / self.sweep.resolutions).sum()), 6)
        row = written_rows(twin, space.ways[0], cycle_deg=space.study.cycle_deg)[0]
        candidate = Candidate(
            frame=self.frame,
            setting=setting,
            kinds=tuple(self._kinds_of(twin)),
            bits=tuple(twin.batch.firing_bits[0].tolist()),
        )
        member.rank = (total, (self.frame, setting, *row.tolist()))
        member.candidate = candidate

    def _kinds_of(self, twin: Designs) -> list[int]:
        """Return the items on places of a design, its first cylinder's pin at that of kind 0."""
        space, frame = self.sweep.space, self.sweep.frame
        table_deg, banks = space.pins_deg(frame)[:, 0], space.kind_banks()[:, 0]
        mine = np.broadcast_to(twin.batch.banks, twin.batch.pin_angles_deg.shape)[0]
        start = int(mine[0]) * space.n_angles if space.n_kind_banks == 2 else 0
        kinds = []
        for cylinder in range(0, space.family.cylinders, space.per_item):
            wanted = twin.batch.pin_angles_deg[0, cylinder] + table_deg[start]
            off = np.abs((table_deg - wanted + 180) % 360 - 180)
            if space.n_kind_banks == 2:
                off = np.where(banks == mine[cylinder], off, np.inf)
            kinds.append(int(np.argmin(off)))
        return kinds


def picked(designs: Designs, rows: IntArray) -> Designs:
    """Return the chosen designs."""
    return Designs(batch=designs.batch.rows(rows), splay_deg=designs.splay_deg[rows])


def _same_banks(here: IntArray, there: IntArray, n: int) -> np.ndarray:
    same: np.ndarray = (here[:, n:] == there[:, n:]).all(axis=1)
    return same


def _unmoved(designs: Designs, island: Island, way: object) -> int:
    cycle_deg = island.study.cycle_deg
    here = written_rows(designs, island.ways[0], cycle_deg=cycle_deg)
    there = written_rows(designs, way, cycle_deg=cycle_deg)  # type: ignore[arg-type]
    return int((here == there).all(axis=1).sum())


def _matches(boxes: IntArray, targets: IntArray) -> np.ndarray:
    """Return which vectors are among the targets; leading axes are kept."""
    if not boxes.shape[-1]:
        return np.ones(boxes.shape[:-1], bool)
    flat = boxes.reshape(-1, boxes.shape[-1])
    codes = packed(np.concatenate([flat, targets]))
    found: np.ndarray = np.isin(codes[: len(flat)], codes[len(flat) :])
    return found.reshape(boxes.shape[:-1])


def _taken(outcomes: Outcomes, rows: IntArray) -> Outcomes:
    return Outcomes(
        classes=outcomes.classes[rows],
        angles_deg=outcomes.angles_deg[rows],
        boxes=outcomes.boxes[rows],
        totals=outcomes.totals[rows],
    )
