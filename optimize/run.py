"""The driver: islands in rounds on all cores, barriers in family order, checkpoints, results."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from optimize import checkpoint
from optimize.archive import Archive, hypervolume, non_dominated
from optimize.checkpoint import IslandId
from optimize.exact import ledger
from optimize.exact.driver import (
    ExactFamily,
    ExactProgress,
    enumerate_families,
    refuse_what_cannot_be_enumerated,
    steps_of,
)
from optimize.exact.space import why_not_exact
from optimize.families import Family, all_families
from optimize.fronts import FamilyFront, front_tables
from optimize.genome import Designs
from optimize.problem import Island
from optimize.processes import StopRequest, ThisProcess, Workers
from optimize.processes import pool as _pool
from optimize.search import IslandState, advance
from optimize.study import Study
from optimize.work import Work

LEAST_ROUNDS = 12
MOST_GENERATIONS_A_ROUND = 50
LEAST_GENERATIONS = 10  # an island has at least so many before the population is made smaller
LEAST_POPULATION = 16


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
        Barriers at which budget is shared out anew; none when nothing is searched.
    exact : tuple of int
        Numbers of the families that are enumerated instead of searched.
    """

    families: tuple[Family, ...]
    left_out: tuple[str, ...]
    population: int
    rounds: int
    exact: tuple[int, ...] = ()

    def islands(self, study: Study) -> list[IslandId]:
        """Return all islands, (family, repetition), in order."""
        searched = [k for k in range(len(self.families)) if k not in self.exact]
        return [(k, r) for k in searched for r in range(study.seeds)]


@dataclass(kw_only=True, slots=True)
class Outcome:
    """What a run ended with.

    Attributes
    ----------
    exact : dict of str to ExactFamily
        Families that were enumerated, by name.
    """

    plan: Plan
    states: dict[IslandId, IslandState]
    fronts: list[FamilyFront]
    exact: dict[str, ExactFamily]
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


def plan_of(study: Study, *, all_exact: bool = False) -> Plan:
    """Return families, population and rounds of a study.

    Parameters
    ----------
    study : Study
        What to search.
    all_exact : bool
        Enumerate every family, whatever it takes.

    Raises
    ------
    InputError
        If the space holds no family, or one that cannot be enumerated though it has to be.
    """
    families, left_out = all_families(study)
    if all_exact:
        refuse_what_cannot_be_enumerated(study, families)
    exact = tuple(
        k for k, family in enumerate(families) if all_exact or why_searched(study, family) is None
    )
    n_searched = len(families) - len(exact)
    if not n_searched:
        return Plan(
            families=tuple(families),
            left_out=tuple(left_out),
            population=study.population,
            rounds=0,
            exact=exact,
        )
    each = study.evaluations / (n_searched * study.seeds)
    population = int(np.clip(each / LEAST_GENERATIONS, LEAST_POPULATION, study.population))
    population = min(population, study.evaluations)  # the smallest budget scores something
    generations = each / population
    rounds = max(LEAST_ROUNDS, int(np.ceil(generations / MOST_GENERATIONS_A_ROUND)))
    return Plan(
        families=tuple(families),
        left_out=tuple(left_out),
        population=population,
        rounds=rounds,
        exact=exact,
    )


def why_searched(study: Study, family: Family) -> str | None:
    """Return why a family is searched, None where the study wants it enumerated."""
    if not study.is_exact_auto:
        return "search.exact is 'never'"
    reason = why_not_exact(study, family)
    if reason is None and (steps := steps_of(study, family)) > study.exact_steps:
        return f"about {steps:.2g} steps, above search.exact_steps, {study.exact_steps:.2g}"
    return reason


def run_study(
    study: Study,
    folder: Path,
    *,
    workers: int,
    resume: bool = False,
    all_exact: bool = False,
    starts: Mapping[str, Designs] | None = None,
    report: Callable[[Progress | ExactProgress], None] = lambda _: None,
    stop: StopRequest | None = None,
) -> Outcome:
    """Search (or enumerate) all families of a study and return the fronts.

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
    all_exact : bool
        Enumerate every family instead of searching.
    starts : mapping of str to Designs, or None
        Designs for the first populations, by family name.
    report : callable
        Called with the progress whenever it grows.
    stop : StopRequest or None
        Ends the run at the next barrier when set.

    Returns
    -------
    Outcome

    Raises
    ------
    StoppedError
        If it was asked to stop while it enumerated; what is done is saved.
    """
    plan = plan_of(study, all_exact=all_exact)
    if resume:
        _refuse_another_kind(plan, folder / "checkpoints")
    stop = stop or StopRequest()
    exact = enumerate_families(
        study,
        [plan.families[k] for k in plan.exact],
        folder / "checkpoints",
        workers=workers,
        resume=resume,
        report=report,
        stop=stop,
    )
    states: dict[IslandId, IslandState] = {}
    history: list[dict[str, Any]] = []
    first = 0
    # A run with enumerated families may have stopped before the first round of its search.
    has_round = checkpoint.exists(folder / "checkpoints") or not plan.exact
    if resume and plan.rounds and has_round:
        done, states, history = checkpoint.load(
            folder / "checkpoints", text=study.text, seed=study.seed
        )
        first = done + 1
    known = [e.front.boxes for e in exact.values()]
    meter = _Meter(study, plan, report, history, known)
    complete = first >= plan.rounds
    if not complete:
        meter.barrier(first, states)
    with _pool(workers) if not complete else nullcontext(ThisProcess()) as hands:
        for number in range(first, plan.rounds):
            shares = _shares(study, plan, states, number)
            if not shares:
                complete = True
                break
            _one_round(study, plan, states, shares, hands, meter, starts or {})
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
    fronts = merged_fronts(study, plan, states, exact)
    common, family_rows = front_tables(study, fronts)
    return Outcome(
        plan=plan,
        states=states,
        fronts=fronts,
        exact=exact,
        common=common,
        family_rows=family_rows,
        history=pd.DataFrame([*_exact_history(exact), *meter.rows]),
        is_complete=complete,
    )


def _refuse_another_kind(plan: Plan, checkpoints: Path) -> None:
    """Refuse to go on with a search as an enumeration, and with an enumeration as a search."""
    is_search, is_enumeration = checkpoint.exists(checkpoints), ledger.exists(checkpoints)
    if is_search and not plan.rounds:
        raise InputError("--resume", "the run of a search", "the run of an enumeration")
    if is_enumeration and not plan.exact:
        raise InputError("--resume", "the run of an enumeration", "the run of a search")


def _exact_history(exact: Mapping[str, ExactFamily]) -> list[dict[str, Any]]:
    """Return one row of the history for each family that was enumerated."""
    return [
        {
            "family": name,
            "seed": -1,
            "round": 0,
            "generation": 0,
            "evaluations": 0,
            "front_size": len(found.front),
            "hypervolume": float("nan"),
            "seconds": found.seconds,
        }
        for name, found in exact.items()
    ]


def merged_fronts(
    study: Study,
    plan: Plan,
    states: dict[IslandId, IslandState],
    exact: Mapping[str, ExactFamily] | None = None,
) -> list[FamilyFront]:
    """Return each family's front: enumerated, or its archive over all seeds."""
    fronts = []
    for index, family in enumerate(plan.families):
        if exact and family.name in exact:
            fronts.append(exact[family.name].front)
            continue
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
    workers: Workers,
    meter: _Meter,
    starts: Mapping[str, Designs],
) -> None:
    """Advance the islands of one round; states are put in place in island order."""
    work: Work[IslandId] = Work(workers)
    for island, generations in shares.items():
        family = plan.families[island[0]]
        start = starts.get(family.name)
        seed, state = (study.seed, *island), states.get(island)
        work.add(island, _task, study, family, state, seed, plan.population, generations, start)
    results: dict[IslandId, IslandState] = {}
    while len(work):
        for island, result in work.done(timeout_s=1.0):
            results[island] = result
            before = states[island].evaluations if island in states else 0
            meter.more(result.evaluations - before)
    for island in sorted(results):
        states[island] = results[island]


def _task(
    study: Study,
    family: Family,
    state: IslandState | None,
    seed: tuple[int, int, int],
    population: int,
    generations: int,
    starts: Designs | None,
) -> IslandState:
    island = Island(study, family, starts)
    return advance(island, state, seed=seed, population=population, generations=generations)


class _Meter:
    """Counts, measures fronts at barriers, and keeps the history."""

    def __init__(
        self,
        study: Study,
        plan: Plan,
        report: Callable[[Progress | ExactProgress], None],
        rows: list[dict[str, Any]],
        known: Sequence[IntArray] = (),
    ) -> None:
        self._study, self._plan, self._report = study, plan, report
        self.rows = rows
        self._known = list(known)  # what was enumerated
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
        boxes = [*self._known, *(states[i].archive.boxes for i in sorted(states))]
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
