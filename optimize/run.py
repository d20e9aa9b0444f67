"""The driver: islands in rounds on all cores, barriers in family order, checkpoints, results."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from optimize import checkpoint
from optimize.archive import Archive
from optimize.budget import barriers_behind, goals, has_ended, is_settled, weight
from optimize.checkpoint import IslandId, SearchState
from optimize.exact import ledger
from optimize.exact.driver import ExactFamily, ExactProgress, enumerate_families
from optimize.families import Family
from optimize.files import into
from optimize.fronts import FamilyFront, front_tables, write_front_so_far
from optimize.genome import Designs
from optimize.history import Bounds, Track, history_frame
from optimize.plan import Plan, plan_of
from optimize.problem import Island
from optimize.processes import StopRequest, Workers
from optimize.processes import pool as _pool
from optimize.saving import Saver, UnwrittenError
from optimize.search import IslandState, advance
from optimize.seeds import Spread, front_of, spreads
from optimize.status import IslandStatus
from optimize.study import Study
from optimize.work import Work, WorkersLostError

LEG_S = 5.0  # how long an island advances before its state comes back


@dataclass(kw_only=True, slots=True)
class Outcome:
    """What a run ended with.

    Attributes
    ----------
    exact : dict of str to ExactFamily
        Families that were enumerated, by name.
    bounds : Bounds or None
        Where hypervolumes were measured.
    """

    plan: Plan
    states: dict[IslandId, IslandState]
    fronts: list[FamilyFront]
    exact: dict[str, ExactFamily]
    common: pd.DataFrame
    family_rows: pd.DataFrame
    history: pd.DataFrame
    is_complete: bool
    bounds: Bounds | None = None

    def seed_spreads(self, study: Study) -> list[Spread]:
        """Return what the seeds agree on."""
        known = [family.front.boxes for family in self.exact.values()]
        return spreads(study, self.plan, self.states, self.bounds, known)

    @property
    def hypervolume(self) -> float | None:
        """Dominated share of the box of the history, of the common front; None if unmeasured."""
        rows = self.history[(self.history["family"] == "all") & (self.history["seed"] == -1)]
        return None if rows.empty else float(rows["hypervolume"].iloc[-1])


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """What is known at some moment of a search, for a display.

    Attributes
    ----------
    front_size, hypervolume
        Of the common front at the last barrier; None before the first.
    islands : tuple of IslandStatus
        Each family and seed.
    """

    evaluations: int
    budget: int
    round_number: int
    rounds: int
    front_size: int
    hypervolume: float | None
    islands: tuple[IslandStatus, ...]

    @property
    def live_islands(self) -> int:
        """Families and seeds that still get budget."""
        return sum(island.state in ("waiting", "running") for island in self.islands)


def run_study(
    study: Study,
    folder: Path,
    *,
    workers: int,
    cluster: str | None = None,
    resume: bool = False,
    all_exact: bool = False,
    starts: Mapping[str, Designs] | None = None,
    report: Callable[[Progress | ExactProgress], None] = lambda _: None,
    stop: StopRequest | None = None,
    saver: Saver | None = None,
) -> Outcome:
    """Search (or enumerate) all families of a study and return the fronts.

    Parameters
    ----------
    study : Study
        What to search.
    folder : Path
        Run directory, for checkpoints and the front so far.
    workers : int
        Processes.
    cluster : str or None
        Address of the scheduler whose workers are taken instead.
    resume : bool
        Go on from what was saved last.
    all_exact : bool
        Enumerate every family instead of searching.
    starts : mapping of str to Designs, or None
        Designs for the first populations, by family name.
    report : callable
        Called with the progress whenever it grows.
    stop : StopRequest or None
        Ends the run when set, once what is under way has been saved.
    saver : Saver or None
        Says how often to save.

    Returns
    -------
    Outcome

    Raises
    ------
    StoppedError
        If it was asked to stop while it enumerated; what is done is saved.
    """
    plan = plan_of(study, all_exact=all_exact)
    stop, saver = stop or StopRequest(), saver or Saver()
    checkpoints = folder / "checkpoints"
    search = SearchState()
    if resume:
        _refuse_another_kind(plan, checkpoints)
    # A run with enumerated families may have ended before the first save of its search.
    if resume and plan.rounds and (checkpoint.exists(checkpoints) or not plan.exact):
        search = checkpoint.load(checkpoints, study)
    else:
        checkpoint.clear(checkpoints)
    exact = enumerate_families(
        study,
        [plan.families[k] for k in plan.exact],
        folder,
        hands=None if workers == 1 and cluster is None else lambda: _pool(workers, cluster),
        resume=resume,
        report=report,
        stop=stop,
        saver=saver,
    )
    run = _Run(study, plan, folder, search, exact, starts or {}, report, stop, saver)
    is_complete = run.is_over()
    if is_complete:
        run.show()
    else:
        with _pool(workers, cluster) as hands:
            is_complete = run.go(hands)
    return run.outcome(is_complete=is_complete)


class _Run:
    """The search of a run: islands advance in rounds, all decisions fall at barriers.

    What an island does in a round goes out in legs of some seconds, so that there is always
    something to save and nothing to wait for. Where legs are cut depends on time; the states at
    barriers do not.
    """

    def __init__(
        self,
        study: Study,
        plan: Plan,
        folder: Path,
        search: SearchState,
        exact: Mapping[str, ExactFamily],
        starts: Mapping[str, Designs],
        report: Callable[[Progress | ExactProgress], None],
        stop: StopRequest,
        saver: Saver,
    ) -> None:
        self.study, self.plan, self.folder, self.search = study, plan, folder, search
        self.exact, self.starts = dict(exact), starts
        self.report, self.stop, self.saver = report, stop, saver
        self.islands = plan.islands(study)
        self.begun = checkpoint.origin(study)  # once: files that it names may vanish meanwhile

    def is_over(self) -> bool:
        """Return whether nothing is left to do."""
        return self.search.rounds_done >= self.plan.rounds

    def go(self, hands: Workers) -> bool:
        """Do rounds until the budget is spent, or a stop is asked for; return which of both."""
        search = self.search
        self.show()
        while not self.is_over() and not self.stop.is_set.is_set():
            search.goals = search.goals or self._goals()
            if not search.goals:
                search.rounds_done = self.plan.rounds
                break
            try:
                is_whole = self._round(hands)
            except WorkersLostError:
                self._save()
                raise
            if is_whole:
                self._barrier()
        self.show()
        if self.is_over():
            self._save(must=True)
        elif self.stop.is_set.is_set():
            self._save()
        return self.is_over()

    def _goals(self) -> dict[IslandId, int]:
        return goals(
            self.study,
            islands=self.islands,
            population=self.plan.population,
            rounds_left=self.plan.rounds - self.search.rounds_done,
            states=self.search.states,
            behind=self.search.behind,
        )

    def _round(self, hands: Workers) -> bool:
        """Let islands reach their goals; return whether all have."""
        legs: Work[IslandId] = Work(hands)
        for island in self.search.goals:
            self._hand_out(legs, island)
        while len(legs):
            news = legs.done(timeout_s=1.0)
            for island, state in news:
                self._take(island, state)
                if not self.stop.is_set.is_set():
                    self._hand_out(legs, island)
                self.show()
            if news and self.saver.is_due():
                self._save()
        return all(self._has_reached(island) for island in self.search.goals)

    def _has_reached(self, island: IslandId) -> bool:
        state = self.search.states.get(island)
        goal = self.search.goals[island]
        return state is not None and (state.is_exhausted or state.generation >= goal)

    def _hand_out(self, legs: Work[IslandId], island: IslandId) -> None:
        """Hand out an island's next leg, if it has not reached its goal."""
        if self._has_reached(island):
            return
        state = self.search.states.get(island)
        missing = self.search.goals[island] - (state.generation if state else 0)
        family = self.plan.families[island[0]]
        task = _Leg(
            study=self.study,
            family=family,
            seed=(self.study.seed, *island),
            population=self.plan.population,
            starts=self.starts.get(family.name),
        )
        longest_s = min(LEG_S, self.saver.every_s)
        legs.add(island, task, state, missing, longest_s)

    def _take(self, island: IslandId, state: IslandState) -> None:
        search = self.search
        track = search.tracks.setdefault(island, Track())
        track.add(state.history, search.rounds_done + 1, search.bounds)
        state.history = []
        search.states[island] = state

    def _barrier(self) -> None:
        """End a round: measure the common front, see who is behind."""
        search = self.search
        known = [e.front.boxes for e in self.exact.values()]
        search.rounds_done += 1
        search.goals = {}
        search.behind = barriers_behind(search.behind, search.states, known)
        front = self._front([search.states[i].archive.boxes for i in sorted(search.states)])
        if search.bounds is None and len(front):
            search.bounds = Bounds.around(front, self._resolutions)
        for track in search.tracks.values():
            track.add([], search.rounds_done, search.bounds, is_barrier=True)
        if search.bounds is not None:
            search.barriers.append(self._barrier_row(front, search.bounds))
            if self.study.seeds > 1:
                search.barriers += self._rows_by_seed(search.bounds)
        self.show()

    def _barrier_row(self, front: FloatArray, bounds: Bounds) -> dict[str, Any]:
        search = self.search
        return {
            "family": "all",
            "seed": -1,
            "round": search.rounds_done,
            "generation": search.rounds_done,
            "evaluations": search.evaluations,
            "front_size": len(front),
            "hypervolume": bounds.share(front),
            "seconds": sum(track.seconds for track in search.tracks.values()),
        }

    def _rows_by_seed(self, bounds: Bounds) -> list[dict[str, Any]]:
        """Return a row of the history for the common front of each repetition alone."""
        search, rows = self.search, []
        for seed in range(self.study.seeds):
            own = [i for i in sorted(search.states) if i[1] == seed]
            front = self._front([search.states[i].archive.boxes for i in own])
            row = self._barrier_row(front, bounds)
            row["seed"] = seed
            row["evaluations"] = sum(search.states[i].evaluations for i in own)
            row["seconds"] = sum(search.tracks[i].seconds for i in own)
            rows.append(row)
        return rows

    @property
    def _resolutions(self) -> FloatArray:
        return np.array([o.resolution for o in self.study.objectives])

    def _front(self, boxes: list[IntArray]) -> FloatArray:
        """Return the rounded objectives of the common front of some islands, to be lessened."""
        known = [e.front.boxes for e in self.exact.values()]
        none = np.zeros((0, len(self.study.objectives)), np.int64)
        values: FloatArray = front_of([none, *known, *boxes]) * self._resolutions
        return values

    def _save(self, *, must: bool = False) -> None:
        """Save the search and the front so far.

        Raises
        ------
        UnwrittenError
            If it must be saved and cannot.
        """

        def write() -> None:
            with into(self.folder):
                checkpoint.save(self.folder / "checkpoints", self.search, self.begun)
                if not must:
                    write_front_so_far(self.folder, self.study, self._fronts())

        if not self.saver.save(write) and must:
            raise UnwrittenError(f"the last checkpoint: {self.saver.problem}")

    def _fronts(self) -> list[FamilyFront]:
        return merged_fronts(self.study, self.plan, self.search.states, self.exact)

    def show(self) -> None:
        """Report how far the search is."""
        search = self.search
        last: dict[str, Any] = next(
            (row for row in reversed(search.barriers) if row["seed"] == -1), {}
        )
        self.report(
            Progress(
                evaluations=search.evaluations,
                budget=self.study.evaluations,
                round_number=search.rounds_done,
                rounds=self.plan.rounds,
                front_size=last.get("front_size", 0),
                hypervolume=last.get("hypervolume"),
                islands=island_progress(self.study, self.plan, search),
            )
        )

    def outcome(self, *, is_complete: bool) -> Outcome:
        """Return fronts, tables and history."""
        search, plan = self.search, self.plan
        fronts = self._fronts()
        common, family_rows = front_tables(self.study, fronts)
        named = {
            (plan.families[i[0]].name, i[1]): search.tracks[i]
            for i in self.islands
            if i in search.tracks
        }
        return Outcome(
            plan=plan,
            states={i: search.states[i] for i in self.islands if i in search.states},
            fronts=fronts,
            exact=self.exact,
            common=common,
            family_rows=family_rows,
            history=history_frame(named, search.barriers, _exact_history(self.exact)),
            bounds=search.bounds,
            is_complete=is_complete,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Leg:
    """Some generations of one island, in whatever process."""

    study: Study
    family: Family
    seed: tuple[int, int, int]
    population: int
    starts: Designs | None

    def __call__(
        self, state: IslandState | None, generations: int, longest_s: float
    ) -> IslandState:
        return advance(
            Island(self.study, self.family, self.starts),
            state,
            seed=self.seed,
            population=self.population,
            generations=generations,
            longest_s=longest_s,
        )


def island_progress(study: Study, plan: Plan, search: SearchState) -> tuple[IslandStatus, ...]:
    """Return how far each island is, and what it is expected to do still."""
    islands = plan.islands(study)
    left = study.evaluations - search.evaluations
    is_over = search.rounds_done >= plan.rounds
    weights = {
        i: weight(study, search.behind.get(i[0], 0))
        for i in islands
        if not is_over and not (i in search.states and has_ended(study, search.states[i]))
    }
    weights = {i: share for i, share in weights.items() if share}
    total = sum(weights.values()) or Fraction(1)
    found = []
    for island in islands:
        name, state = plan.families[island[0]].name, search.states.get(island)
        expected = max(0.0, float(left * weights.get(island, Fraction(0)) / total))
        if state is None:
            word: Literal["done", "waiting"] = "done" if is_over else "waiting"
            found.append(IslandStatus(family=name, seed=island[1], mode="searched", state=word))
            continue
        track = search.tracks[island]
        is_live = island in weights
        found.append(
            IslandStatus(
                family=name,
                seed=island[1],
                mode="searched",
                state=_state_word(study, state, is_live=is_live),
                generations=state.generation,
                evaluations=state.evaluations,
                share_done=state.evaluations / (state.evaluations + expected) if is_live else 1.0,
                front_size=len(state.archive),
                hypervolume=track.last[1] if search.bounds is not None else None,
                seconds_left=expected * track.seconds / state.evaluations if is_live else 0.0,
            )
        )
    return tuple(found)


def _state_word(
    study: Study, state: IslandState, *, is_live: bool
) -> Literal["running", "settled", "exhausted", "done"]:
    if state.is_exhausted:
        return "exhausted"
    if is_settled(study, state):
        return "settled"
    return "running" if is_live else "done"


def _refuse_another_kind(plan: Plan, checkpoints: Path) -> None:
    """Refuse to go on with a search as an enumeration or the other way, or with other families."""
    is_search, begun = checkpoint.exists(checkpoints), ledger.families(checkpoints)
    enumerated = {plan.families[k].name for k in plan.exact}
    if is_search and not plan.rounds:
        raise InputError("--resume", "the run of a search", "the run of an enumeration")
    if begun and not enumerated:
        raise InputError("--resume", "the run of an enumeration", "the run of a search")
    if begun and begun != enumerated:
        raise InputError(
            "--resume",
            "a run that enumerates " + ("more" if begun > enumerated else "other") + " families",
            "the command that the run began with",
        )


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
        by_seed = {
            i[1]: states[i].archive for i in plan.islands(study) if i[0] == index and i in states
        }
        merged: Archive | None = None
        for archive in by_seed.values():
            merged = archive if merged is None else merged.merged(archive)
        if merged is not None:
            fronts.append(FamilyFront.from_archive(Island(study, family), merged, by_seed))
    return fronts
