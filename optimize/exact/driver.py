"""The enumeration of families on all cores: sweep for the front, then count who stands on it.

Two passes over the same tasks (a frame and a range of crank classes). The first finds which
rounded objective vectors can be had and are not dominated; what it leaves out by bounds is
dominated, so the outcome does not depend on order, workers or timing. The second counts, for each
vector of the front, the candidates that have it, and chooses one to stand for them.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import lru_cache
from math import comb, factorial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from evaluate.batch import IntArray
from evaluate.errors import InputError
from optimize.archive import rounded_boxes
from optimize.checkpoint import origin, study_hash
from optimize.exact import ledger
from optimize.exact.boxes import best_of
from optimize.exact.classes import Classes, classes_of
from optimize.exact.counting import counts_of
from optimize.exact.ledger import Account
from optimize.exact.levels import HAIR, must_list
from optimize.exact.members import Member, members_of
from optimize.exact.space import Space, n_classes_at_most, why_not_exact
from optimize.exact.sweep import Sweep
from optimize.families import Family
from optimize.files import into
from optimize.fronts import FamilyFront, write_front_so_far
from optimize.genome import Designs
from optimize.problem import Island
from optimize.processes import StopRequest, ThisProcess, Workers
from optimize.processes import pool as _pool
from optimize.saving import Saver, UnwrittenError
from optimize.seeding import first_genomes
from optimize.status import IslandStatus
from optimize.study import Study
from optimize.work import Work

WAIT_S = 1.0  # between looks at the clock
FIRST_SAMPLE = 4096  # random designs of a family that give the bounds something to begin with
CLASSES_A_TASK = 2048
LISTED_STEPS = 1000  # what scoring one candidate by the plain path counts in steps
COUNT_WEIGHT = 0.2  # of the second pass beside the first, for the estimate of the time left


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """What an enumeration has covered.

    Attributes
    ----------
    raw, distinct : int, int or None
        Candidates, and those that are not one by symmetry (None: not counted).
    classes, frames, settings : int
        Crank classes over all frames; bank angles and splays; fractions and shaft subsets.
    reductions : tuple of str
        Sentences on what was not looked at one by one, and why it need not be.
    """

    raw: int
    distinct: int | None
    classes: int
    frames: int
    settings: int
    reductions: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ExactFamily:
    """One family: its true front, what was covered, and the time of all processes for it. [s]"""

    front: FamilyFront
    coverage: Coverage
    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ExactProgress:
    """How far an enumeration is.

    Attributes
    ----------
    done, total : float
        Classes times frames, in both passes.
    families, families_done : int
        Families, and those swept.
    front_size : int
        Members of all families' own fronts so far.
    islands : tuple of IslandStatus
        Each family.
    """

    done: float
    total: float
    families: int
    families_done: int
    front_size: int
    islands: tuple[IslandStatus, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    number: int
    frame: int
    start: int
    stop: int


class StoppedError(Exception):
    """Raised when an enumeration was asked to stop; what is done is saved."""


def refuse_what_cannot_be_enumerated(study: Study, families: Sequence[Family]) -> None:
    """Raise an InputError that names every family that cannot be enumerated, and why."""
    reasons = [(f.name, why_not_exact(study, f)) for f in families]
    bad = [f"{name}: {reason}" for name, reason in reasons if reason]
    if bad:
        raise InputError(
            "space",
            "; ".join(bad),
            "a lattice space of moderate size; or crankfront optimize with search.exact = "
            "'auto', which enumerates what it can and searches the rest",
        )
    for family in families:
        for text in _too_fine(study, family):
            raise InputError("objectives", text, "a coarser resolution")


def _too_fine(study: Study, family: Family) -> list[str]:
    """Return objectives whose resolution is not well above round-off."""
    from evaluate.inertia import scales

    force_N, couple_Nm = scales(family.engine)
    largest = {"force_rms_N": force_N, "couple_rms_Nm": couple_Nm}
    return [
        f"{o.key} in steps of {o.resolution:g}, of which a millionth is below the round-off of "
        f"{family.name}"
        for o in study.objectives
        if o.resolution * 1e-6 < 1e-13 * largest.get(o.key, 0.0)
    ]


def enumerate_families(
    study: Study,
    families: Sequence[Family],
    folder: Path | None,
    *,
    workers: int = 1,
    hands: Callable[[], AbstractContextManager[Workers]] | None = None,
    resume: bool = False,
    report: Callable[[ExactProgress], None] = lambda _: None,
    stop: StopRequest | None = None,
    saver: Saver | None = None,
) -> dict[str, ExactFamily]:
    """Return the true front of each family, by its name.

    Parameters
    ----------
    study : Study
        What is enumerated.
    families : sequence of Family
        Families of the study.
    folder : Path or None
        Run directory, for what is done so far; None keeps nothing.
    workers : int
        Processes; with one, all is done in this one.
    hands : callable or None
        Gives the workers to take instead.
    resume : bool
        Go on from what the folder holds.
    report : callable
        Called with the progress.
    stop : StopRequest or None
        Ends the run after the tasks under way when set.
    saver : Saver or None
        Says how often to save.

    Raises
    ------
    InputError
        If a family cannot be enumerated, or there is nothing fitting to go on from.
    StoppedError
        If it was asked to stop.
    """
    if not families:
        return {}
    refuse_what_cannot_be_enumerated(study, families)
    accounts = ledger.load(folder / "checkpoints", study) if resume and folder else {}
    work = _Work(study, families, folder, accounts, report, stop or StopRequest(), saver or Saver())
    if work.is_over():
        work.show()
    else:
        taken = hands() if hands else _pool(workers) if workers > 1 else nullcontext(ThisProcess())
        with taken as processes:
            work.run(processes, is_counting=False)
            work.run(processes, is_counting=True)
        work.save(must=True)
    return {family.name: work.finished(family) for family in families}


def steps_of(study: Study, family: Family) -> int:
    """Return about how many firings and arrangements an enumeration may look at, without bounds.

    Frames x classes x (firing-bit sets + settings x arrangements of a class); where single
    candidates have to be scored, `LISTED_STEPS` for each of them.
    """
    space = Space(study, family)
    if must_list(study):
        return LISTED_STEPS * space.raw_count()
    n_classes = n_classes_at_most(space)
    m, n_banks = space.n_places, 1
    if space.n_kind_banks == 2:
        n_banks = comb(m, space.n_first_bank)
    if study.even_firing:
        alike = max(1, space.family.cylinders // space.n_angles)
        cranks = n_classes * factorial(m) // factorial(alike) ** min(space.n_angles, m // alike)
    else:
        cranks = space.n_angles ** (m - 1) * n_banks
    firings = n_classes * space.n_bit_sets
    return int(len(space.frames) * (firings + len(space.settings) * max(cranks, n_classes)))


class _Work:
    """Tasks, accounts and progress of one enumeration."""

    def __init__(
        self,
        study: Study,
        families: Sequence[Family],
        folder: Path | None,
        accounts: dict[str, Account],
        report: Callable[[ExactProgress], None],
        stop: StopRequest,
        saver: Saver,
    ) -> None:
        self.study, self.families, self.folder = study, list(families), folder
        self.report, self.stop, self.saver = report, stop, saver
        self.begun = origin(study)  # once: files that it names may vanish while it runs
        self.key = study_hash(study.text + repr(study))
        self.spaces = {family.name: Space(study, family) for family in families}
        self.tasks = {family.name: self._tasks(family) for family in families}
        self.accounts = {
            family.name: accounts.get(family.name) or Account(archive=_first_archive(study, family))
            for family in families
        }

    def is_over(self) -> bool:
        """Return whether both passes are done."""
        return all(
            len(self.accounts[name].counted) == len(tasks) for name, tasks in self.tasks.items()
        )

    def _tasks(self, family: Family) -> list[_Task]:
        space = self.spaces[family.name]
        tasks: list[_Task] = []
        for frame in range(len(space.frames)):
            n_classes = len(_classes(self.key, self.study, family, frame))
            for start in range(0, n_classes, CLASSES_A_TASK):
                stop = min(start + CLASSES_A_TASK, n_classes)
                tasks.append(_Task(number=len(tasks), frame=frame, start=start, stop=stop))
        return tasks

    def run(self, workers: Workers, *, is_counting: bool) -> None:
        """Do all tasks of one pass that are not done, some more than there are workers at once.

        The archive so far goes with each task, as bounds: so few are handed out ahead.
        """
        function = _count_task if is_counting else _sweep_task
        waiting = deque(
            (family, task)
            for family in self.families
            for task in self.tasks[family.name]
            if task.number not in self._done(family, is_counting)
        )
        under_way: Work[tuple[str, _Task]] = Work(workers)
        families = {family.name: family for family in self.families}
        self.show()
        while waiting or len(under_way):
            while waiting and len(under_way) < 2 * workers.count and not self.stop.is_set.is_set():
                family, task = waiting.popleft()
                archive = self.accounts[family.name].archive
                key = (family.name, task)
                under_way.add(key, function, self.key, self.study, family, task, archive)
            if not len(under_way):
                self.save()
                raise StoppedError
            for (name, task), (result, seconds) in under_way.done(timeout_s=WAIT_S):
                self.accounts[name].seconds += seconds
                self._take(families[name], task, result, is_counting=is_counting)

    def _done(self, family: Family, is_counting: bool) -> set[int]:
        account = self.accounts[family.name]
        return account.counted if is_counting else account.swept

    def _take(self, family: Family, task: _Task, result: Any, *, is_counting: bool) -> None:
        account = self.accounts[family.name]
        if is_counting:
            for row, member in result.items():
                account.members.setdefault(row, Member()).merge(member)
        elif len(result):
            account.archive = best_of(account.archive, result)
        self._done(family, is_counting).add(task.number)
        if self.saver.is_due():
            self.save()
        self.show()

    def save(self, *, must: bool = False) -> None:
        """Write what is done so far.

        Raises
        ------
        UnwrittenError
            If it must be saved and cannot.
        """
        folder = self.folder
        if folder is None:
            return

        def write() -> None:
            with into(folder):
                ledger.save(folder / "checkpoints", self.accounts, self.begun)
                if not must:
                    found = {name: a.archive for name, a in self.accounts.items() if len(a.archive)}
                    write_front_so_far(folder, self.study, [], found)

        if not self.saver.save(write) and must:
            raise UnwrittenError(f"the last checkpoint: {self.saver.problem}")

    def show(self) -> None:
        """Report how far the enumeration is."""
        islands = tuple(self._status(family) for family in self.families)
        sizes = [self._size(name) for name in self.tasks]
        total = (1 + COUNT_WEIGHT) * sum(sizes)
        shares = [i.share_done * size for i, size in zip(islands, sizes, strict=True)]
        self.report(
            ExactProgress(
                done=(1 + COUNT_WEIGHT) * sum(shares),
                total=total,
                families=len(self.families),
                families_done=sum(
                    len(self.accounts[name].swept) == len(tasks)
                    for name, tasks in self.tasks.items()
                ),
                front_size=sum(len(a.archive) for a in self.accounts.values()),
                islands=islands,
            )
        )

    def _size(self, name: str) -> int:
        """Return the work of one family: classes times frames."""
        return sum(task.stop - task.start for task in self.tasks[name])

    def _status(self, family: Family) -> IslandStatus:
        account, tasks = self.accounts[family.name], self.tasks[family.name]
        done = 0.0
        for task in tasks:
            passes = (task.number in account.swept) + COUNT_WEIGHT * (
                task.number in account.counted
            )
            done += (task.stop - task.start) * passes
        share = done / ((1 + COUNT_WEIGHT) * max(self._size(family.name), 1))
        is_over = len(account.counted) == len(tasks)
        word: Literal["waiting", "running", "done"] = "running" if share else "waiting"
        left_s = account.seconds * (1 - share) / share if share else None
        return IslandStatus(
            family=family.name,
            seed=None,
            mode="enumerated",
            state="done" if is_over else word,
            share_done=1.0 if is_over else share,
            front_size=len(account.archive),
            seconds_left=0.0 if is_over else left_s,
        )

    def finished(self, family: Family) -> ExactFamily:
        """Return a family's front and coverage."""
        space, account = self.spaces[family.name], self.accounts[family.name]
        rows = sorted(account.members)
        if len(rows) != len(account.archive):
            raise ArithmeticError(f"{family.name}: a member of the front has no design")
        members = [account.members[row] for row in rows]
        front = FamilyFront(
            island=Island(self.study, family),
            designs=_designs(space, members),
            boxes=account.archive[rows],
            equals=np.array([member.distinct() for member in members], np.int64),
            generations=np.zeros(len(rows), np.int64),
            seeds=np.zeros(len(rows), np.int64) - 1,
            seeds_found=np.zeros(len(rows), np.int64),
        )
        raw, distinct = counts_of(space)
        coverage = Coverage(
            raw=raw,
            distinct=distinct,
            classes=sum(task.stop - task.start for task in self.tasks[family.name]),
            frames=len(space.frames),
            settings=len(space.settings),
            reductions=_reductions(space),
        )
        return ExactFamily(front=front, coverage=coverage, seconds=account.seconds)


def _first_archive(study: Study, family: Family) -> IntArray:
    """Return rounded objectives that random designs have: bounds for the first tasks."""
    island = Island(study, family)
    rng = np.random.default_rng(np.random.SeedSequence(study.seed))
    objectives, violations = island.score(first_genomes(island.genome, FIRST_SAMPLE, rng))
    feasible = (violations <= 0).all(axis=1)
    resolutions = np.array([o.resolution for o in study.objectives])
    # A hair worse: round-off on the edge of a step must not promise what the sweep does not find.
    boxes = rounded_boxes(objectives[feasible] + HAIR * resolutions, resolutions)
    return best_of(boxes) if len(boxes) else boxes


def _designs(space: Space, members: Sequence[Member]) -> Designs:
    """Return the representatives as candidates of the family."""
    island = Island(space.study, space.family)
    chosen = [m.candidate for m in members if m.candidate is not None]
    if not chosen:
        return island.genome.decode(np.zeros((0, island.genome.n_genes)))
    parts = []
    for one in chosen:
        kinds = np.array([one.kinds])
        bits = np.array([one.bits], np.int64)
        parts.append(
            space.designs(space.frames[one.frame], kinds, bits, [space.settings[one.setting]])
        )
    batch = parts[0].batch.having(
        **{
            name: np.concatenate([_whole(part.batch, name) for part in parts])
            for name in parts[0].batch.__slots__
        }
    )
    return Designs(batch=batch, splay_deg=np.concatenate([part.splay_deg for part in parts]))


def _whole(batch: Any, name: str) -> Any:
    array = getattr(batch, name)
    return np.broadcast_to(array, (len(batch), *array.shape[1:]))


def _reductions(space: Space) -> tuple[str, ...]:
    words = [
        "cranks that are one by turning stand for each other",
        "force, firing and exhaust are scored once for all arrangements of the same items along "
        "the crank, couples once for all sets of firing bits",
        "what a bound puts behind a known design is left out",
    ]
    if must_list(space.study):
        words[1] = (
            "force, firing and exhaust of the same items give bounds for all their arrangements; "
            "what the bounds leave over is scored one by one"
        )
    names = {(True, False): "mirrored", (False, True): "turned end for end"}
    names[(True, True)] = "mirrored and turned end for end"
    for way in space.ways[1:]:
        is_reversed = way.cylinders != tuple(range(space.family.cylinders))
        words.append(
            f"designs are counted as one with the same {names[way.is_mirrored, is_reversed]}"
        )
    return tuple(words)


_KNOWN: dict[tuple[str, str], tuple[Study, Family]] = {}


def _sweep_task(
    key: str, study: Study, family: Family, task: _Task, archive: IntArray
) -> tuple[IntArray, float]:
    began = time.perf_counter()
    sweep = _sweep(key, study, family, task.frame)
    found = sweep.best_boxes(task.start, task.stop, archive)
    return found, time.perf_counter() - began


def _count_task(
    key: str, study: Study, family: Family, task: _Task, targets: IntArray
) -> tuple[dict[int, Member], float]:
    began = time.perf_counter()
    sweep = _sweep(key, study, family, task.frame)
    found = members_of(sweep, task.frame, task.start, task.stop, targets)
    return found, time.perf_counter() - began


def _sweep(key: str, study: Study, family: Family, frame: int) -> Sweep:
    """Return the sweep of a frame, made once in each process."""
    _KNOWN[(key, family.name)] = (study, family)
    return _known_sweep(key, family.name, frame)


@lru_cache(maxsize=4)
def _known_sweep(key: str, name: str, frame: int) -> Sweep:
    study, family = _KNOWN[(key, name)]
    space = Space(study, family)
    classes = _classes(key, study, family, frame)
    return Sweep(space, space.frames[frame], classes)


def _classes(key: str, study: Study, family: Family, frame: int) -> Classes:
    """Return the classes of a frame; only with even firing of pairs do they depend on it."""
    _KNOWN[(key, family.name)] = (study, family)
    differ = study.even_firing and family.is_paired
    return _known_classes(key, family.name, frame if differ else 0)


@lru_cache(maxsize=4)
def _known_classes(key: str, name: str, frame: int) -> Classes:
    study, family = _KNOWN[(key, name)]
    space = Space(study, family)
    classes = classes_of(space, space.frames[frame])
    if not study.even_firing:
        classes.check_cover(space)
    return classes
