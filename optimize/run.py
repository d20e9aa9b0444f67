"""The driver: islands in rounds on all cores, barriers in family order, checkpoints, results."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray
from optimize import checkpoint
from optimize.archive import Archive, hypervolume, non_dominated
from optimize.checkpoint import IslandId
from optimize.families import Family, all_families
from optimize.fronts import FamilyFront, front_tables
from optimize.problem import Island
from optimize.search import IslandState, advance
from optimize.study import Study

LEAST_ROUNDS = 12
MOST_GENERATIONS_A_ROUND = 50
LEAST_GENERATIONS = 10  # an island has at least so many before the population is made smaller
LEAST_POPULATION = 16
_BLAS_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """How a study's budget is spent.

    Attributes
    ----------
    families : tuple of Family
        In their fixed order.
    left_out : tuple of str
        Families without any design, with the reason.
    population : int
        Of each island.
    rounds : int
        Barriers at which budget is shared out anew.
    """

    families: tuple[Family, ...]
    left_out: tuple[str, ...]
    population: int
    rounds: int

    def islands(self, study: Study) -> list[IslandId]:
        """Return all islands, (family, repetition), in order."""
        return [(k, r) for k in range(len(self.families)) for r in range(study.seeds)]


@dataclass(kw_only=True, slots=True)
class Outcome:
    """What a run ended with."""

    plan: Plan
    states: dict[IslandId, IslandState]
    fronts: list[FamilyFront]
    common: pd.DataFrame
    family_rows: pd.DataFrame
    history: pd.DataFrame
    is_complete: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """What is known at some moment of a run, for a display."""

    evaluations: int
    budget: int
    round_number: int
    rounds: int
    front_size: int
    hypervolume: float
    live_islands: int
    islands: int


@dataclass(slots=True)
class StopRequest:
    """Set by the first Ctrl-C: the round is finished and saved, then the run ends."""

    is_set: threading.Event = field(default_factory=threading.Event)


def plan_of(study: Study) -> Plan:
    """Return families, population and rounds of a study.

    Raises
    ------
    InputError
        If the space holds no family.
    """
    families, left_out = all_families(study)
    each = study.evaluations / (len(families) * study.seeds)
    population = int(np.clip(each / LEAST_GENERATIONS, LEAST_POPULATION, study.population))
    population = min(population, study.evaluations)  # the smallest budget scores something
    generations = each / population
    rounds = max(LEAST_ROUNDS, int(np.ceil(generations / MOST_GENERATIONS_A_ROUND)))
    return Plan(
        families=tuple(families), left_out=tuple(left_out), population=population, rounds=rounds
    )


def run_study(
    study: Study,
    folder: Path,
    *,
    workers: int,
    resume: bool = False,
    report: Callable[[Progress], None] = lambda _: None,
    stop: StopRequest | None = None,
) -> Outcome:
    """Search all families of a study and return the fronts.

    Budget is shared out in rounds: at each barrier every island that can still find new designs
    gets an equal part of what is left. All decisions fall at barriers in family order, so that
    the result depends on neither workers nor timing.

    Parameters
    ----------
    study : Study
        What to search.
    folder : Path
        Run directory, for checkpoints.
    workers : int
        Processes.
    resume : bool
        Go on from the last complete round.
    report : callable
        Called with the progress whenever it grows.
    stop : StopRequest or None
        Ends the run at the next barrier when set.

    Returns
    -------
    Outcome
    """
    plan = plan_of(study)
    states: dict[IslandId, IslandState] = {}
    history: list[dict[str, Any]] = []
    first = 0
    if resume:
        done, states, history = checkpoint.load(
            folder / "checkpoints", text=study.text, seed=study.seed
        )
        first = done + 1
    stop = stop or StopRequest()
    meter = _Meter(study, plan, report, history)
    meter.barrier(first, states)
    complete = first >= plan.rounds
    with _pool(workers) as submit:
        for number in range(first, plan.rounds):
            shares = _shares(study, plan, states, number)
            if not shares:
                complete = True
                break
            _one_round(study, plan, states, shares, submit, meter)
            meter.barrier(number + 1, states)
            checkpoint.save(
                folder / "checkpoints",
                round_number=number,
                states=states,
                text=study.text,
                seed=study.seed,
                history=meter.rows,
            )
            complete = number + 1 >= plan.rounds
            if stop.is_set.is_set():
                break
    fronts = merged_fronts(study, plan, states)
    common, family_rows = front_tables(study, fronts)
    return Outcome(
        plan=plan,
        states=states,
        fronts=fronts,
        common=common,
        family_rows=family_rows,
        history=pd.DataFrame(meter.rows),
        is_complete=complete,
    )


def merged_fronts(
    study: Study, plan: Plan, states: dict[IslandId, IslandState]
) -> list[FamilyFront]:
    """Return each family's archive over all seeds."""
    fronts = []
    for index, family in enumerate(plan.families):
        archives = [states[i].archive for i in plan.islands(study) if i[0] == index and i in states]
        merged: Archive | None = None
        for archive in archives:
            merged = archive if merged is None else merged.merged(archive)
        if merged is not None:
            fronts.append(FamilyFront.from_archive(Island(study, family), merged))
    return fronts


def _shares(
    study: Study, plan: Plan, states: dict[IslandId, IslandState], number: int
) -> dict[IslandId, int]:
    """Return how many generations each live island does in a round; empty when all is done."""
    live = [i for i in plan.islands(study) if i not in states or not states[i].is_exhausted]
    spent = sum(state.evaluations for state in states.values())
    left = (study.evaluations - spent) // plan.population  # in generations
    rounds_left = plan.rounds - number
    if not live or left < 1:
        return {}
    each = left // (len(live) * rounds_left)
    if each >= 1:
        return dict.fromkeys(live, int(each))
    # Less than a generation each: those with the fewest evaluations go on first.
    needy = sorted(live, key=lambda i: (states[i].evaluations if i in states else 0, i))
    return dict.fromkeys(sorted(needy[: max(1, int(left // rounds_left))]), 1)


def _one_round(
    study: Study,
    plan: Plan,
    states: dict[IslandId, IslandState],
    shares: dict[IslandId, int],
    submit: Callable[..., Future[IslandState]],
    meter: _Meter,
) -> None:
    """Advance the islands of one round; states are put in place in island order."""
    futures: dict[Future[IslandState], IslandId] = {}
    for island, generations in shares.items():
        future = submit(
            _task,
            study,
            plan.families[island[0]],
            states.get(island),
            (study.seed, *island),
            plan.population,
            generations,
        )
        futures[future] = island
    results = {}
    for future in as_completed(futures):
        island = futures[future]
        results[island] = future.result()
        before = states[island].evaluations if island in states else 0
        meter.more(results[island].evaluations - before)
    for island in sorted(results):
        states[island] = results[island]


def _task(
    study: Study,
    family: Family,
    state: IslandState | None,
    seed: tuple[int, int, int],
    population: int,
    generations: int,
) -> IslandState:
    return advance(
        Island(study, family), state, seed=seed, population=population, generations=generations
    )


@contextlib.contextmanager
def _pool(workers: int) -> Iterator[Callable[..., Future[IslandState]]]:
    """Give something to submit tasks to: fresh processes, one thread of linear algebra each."""
    saved = {name: os.environ.get(name) for name in _BLAS_THREADS}
    os.environ.update(dict.fromkeys(_BLAS_THREADS, "1"))  # read when a worker imports numpy
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_ignore_interrupts)
    try:
        with _interrupts_ignored():  # what a starting worker inherits
            for _ in range(workers):
                pool.submit(_ignore_interrupts)
        yield pool.submit
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for name, value in saved.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Ignore Ctrl-C for a moment; only the main thread can say so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    saved = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, saved)


def _ignore_interrupts() -> None:
    """Leave Ctrl-C to the driver, which lets a round end and saves it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class _Meter:
    """Counts, measures fronts at barriers, and keeps the history."""

    def __init__(
        self,
        study: Study,
        plan: Plan,
        report: Callable[[Progress], None],
        rows: list[dict[str, Any]],
    ) -> None:
        self._study, self._plan, self._report = study, plan, report
        self.rows = rows
        self._evaluations = 0
        self._round, self._size, self._hypervolume = 0, 0, 0.0
        self._live = len(plan.islands(study))
        self._bounds: tuple[FloatArray, FloatArray] | None = None

    def more(self, evaluations: int) -> None:
        """Take note of evaluations within a round."""
        self._evaluations += evaluations
        self._show()

    def barrier(self, number: int, states: dict[IslandId, IslandState]) -> None:
        """Measure the fronts after a round."""
        self._round = number
        self._evaluations = sum(state.evaluations for state in states.values())
        islands = self._plan.islands(self._study)
        self._live = sum(i not in states or not states[i].is_exhausted for i in islands)
        boxes = [states[i].archive.boxes for i in sorted(states)]
        merged = np.concatenate(boxes) if boxes else np.zeros((0, len(self._study.objectives)))
        if len(merged):
            front = np.unique(merged[non_dominated(merged.astype(np.int64))], axis=0)
            values = front * np.array([o.resolution for o in self._study.objectives])
            self._set_bounds(values)
            assert self._bounds is not None
            self._size, self._hypervolume = len(front), hypervolume(values, *self._bounds)
        self._remember(states)
        self._show()

    def _set_bounds(self, front: FloatArray) -> None:
        """Fix the box of the hypervolume once, on the first front: it only grows from then on.

        From a tenth of the front's span below its best values to a tenth beyond its worst.
        """
        if self._bounds is not None:
            return
        stored = next((row for row in self.rows if row.get("lower")), None)
        if stored is not None:
            self._bounds = (np.array(stored["lower"]), np.array(stored["reference"]))
            return
        resolutions = np.array([o.resolution for o in self._study.objectives])
        margin = np.maximum(0.1 * np.ptp(front, axis=0), resolutions)
        self._bounds = (front.min(axis=0) - margin, front.max(axis=0) + margin)

    def _remember(self, states: dict[IslandId, IslandState]) -> None:
        seconds = 0.0
        for family, repetition in sorted(states):
            state = states[(family, repetition)]
            share, size = self._last(family, repetition)
            for generation, evaluations, elapsed, front in state.history:
                seconds += elapsed
                if front is not None and self._bounds is not None:
                    share, size = hypervolume(front, *self._bounds), len(front)
                self.rows.append(
                    {
                        "family": self._plan.families[family].name,
                        "seed": repetition,
                        "round": self._round,
                        "generation": generation,
                        "evaluations": evaluations,
                        "front_size": size,
                        "hypervolume": share,
                        "seconds": elapsed,
                    }
                )
            state.history = []
        is_known = any(r["family"] == "all" and r["round"] == self._round for r in self.rows)
        if states and self._bounds is not None and not is_known:
            lower, reference = self._bounds
            self.rows.append(
                {
                    "family": "all",
                    "seed": -1,
                    "round": self._round,
                    "generation": self._round,
                    "evaluations": self._evaluations,
                    "front_size": self._size,
                    "hypervolume": self._hypervolume,
                    "seconds": seconds,
                    "lower": lower.tolist(),
                    "reference": reference.tolist(),
                }
            )

    def _last(self, family: int, repetition: int) -> tuple[float, int]:
        name = self._plan.families[family].name
        for row in reversed(self.rows):
            if row["family"] == name and row["seed"] == repetition:
                return row["hypervolume"], row["front_size"]
        return 0.0, 0

    def _show(self) -> None:
        self._report(
            Progress(
                evaluations=self._evaluations,
                budget=self._study.evaluations,
                round_number=self._round,
                rounds=self._plan.rounds,
                front_size=self._size,
                hypervolume=self._hypervolume,
                live_islands=self._live,
                islands=len(self._plan.islands(self._study)),
            )
        )
