"""The fence around pymoo: the only module that knows it (seen with pymoo 0.6.2).

pymoo takes misspelt arguments in silence, believes NaN, stops at default budgets and leaves some
paths unseeded. So one function with named arguments builds every algorithm, scores are checked
before they are handed over, budgets are ours, and every random number comes from one generator.
"""

from __future__ import annotations

import json
import warnings
from dataclasses import dataclass
from math import inf
from time import perf_counter
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pymoo.algorithms.moo.nsga2 import NSGA2
from pymoo.core.duplicate import NoDuplicateElimination
from pymoo.core.population import Population
from pymoo.core.problem import Problem
from pymoo.core.termination import NoTermination
from pymoo.operators.survival.rank_and_crowding import RankAndCrowding

from evaluate.batch import FloatArray
from optimize import operators
from optimize.archive import Archive, rounded_boxes
from optimize.keyset import KeySet
from optimize.problem import Island
from optimize.seeding import first_genomes

#: Rounds of so many random draws may bring no new design before an island counts as exhausted.
FRUITLESS_ROUNDS = 25
STRANGERS = 512
SPARE_CHILDREN = 64  # at least, beyond what is missing: many are known, and rounds have a price
#: Of the pairs, that exchange genes: more tears apart angles and firing bits that only make sense
#: together. The children of the others are their parents, mutated.
CROSSED_SHARE = 0.25
#: Parents taken from the archive at most. Fewer while it is small: two of its size, measured by the
#: population, since the neighbours of a few members are soon all known.
ARCHIVE_SHARE = 0.5


@dataclass(slots=True)
class IslandState:
    """All that an island needs to go on; plain arrays, so that it can be stored and sent.

    Attributes
    ----------
    genomes, objectives, violations : array
        The population. (members, genes), (members, objectives), (members, constraints)
    rank, crowding : array, shape (members,)
        From the last survival.
    visited : KeySet
        Canonical keys of all designs scored so far.
    random_state : str
        State of the generator, as JSON.
    generation, evaluations : int
        Generations done and designs scored.
    changed_at : int
        Designs scored when the archive's rounded objectives last changed.
    is_exhausted : bool
        Whether no new design could be found.
    least_violation : array, shape (constraints,)
        Smallest violation seen of each constraint, to explain a family without feasible design.
    archive : Archive
        Non-dominated feasible designs.
    history : list of tuple
        Since the last call of `advance`: (generation, evaluations, seconds, front or None where
        it did not change).
    """

    genomes: FloatArray
    objectives: FloatArray
    violations: FloatArray
    rank: FloatArray
    crowding: FloatArray
    visited: KeySet
    random_state: str
    generation: int
    evaluations: int
    changed_at: int
    is_exhausted: bool
    feasible_seen: int
    least_violation: FloatArray
    archive: Archive
    history: list[tuple[int, int, float, FloatArray | None]]


class _IslandProblem(Problem):  # type: ignore[misc]
    """An island as pymoo sees it: vectorised, constrained, in the unit cube."""

    def __init__(self, island: Island) -> None:
        self.island = island
        n_constraints = len(island.constraint_names)
        super().__init__(
            n_var=island.genome.n_genes,
            n_obj=len(island.study.objectives),
            n_ieq_constr=n_constraints,
            xl=0.0,
            xu=1.0,
        )

    def _evaluate(self, x: FloatArray, out: dict[str, Any], *_: Any, **__: Any) -> None:
        objectives, violations = self.island.score(x)
        assert objectives.shape == (len(x), self.n_obj)
        assert violations.shape == (len(x), self.n_ieq_constr)
        out["F"], out["G"] = objectives, violations


@dataclass(frozen=True, kw_only=True, slots=True)
class _Members:
    """A population as arrays: what pymoo's individuals hold one by one, read once a generation."""

    genomes: FloatArray
    objectives: FloatArray
    violations: FloatArray
    rank: FloatArray
    crowding: FloatArray

    @property
    def violation(self) -> FloatArray:
        """Return the sum of what exceeds the limits, each scaled by its limit."""
        total: FloatArray = np.maximum(self.violations, 0).sum(axis=1)
        return total


class _Nsga2(NSGA2):  # type: ignore[misc]
    """NSGA-II that scores every design once: what was visited is never an offspring again.

    Sorting and crowding are pymoo's; tournament and variation run on whole arrays, since most of
    the time of a stock generation goes into the attributes of single individuals.
    """

    visited: KeySet
    found: Archive
    members: _Members
    is_exhausted = False

    def _initialize_infill(self) -> Population:
        island = self.problem.island
        genomes = first_genomes(island.genome, self.pop_size, self.random_state, island.starts)
        return self._filled(self._new_only(genomes, self.pop_size), self.pop_size)

    def _infill(self) -> Population:
        return self._filled(np.zeros((0, self.problem.n_var)), self.n_offsprings)

    def _initialize_advance(self, infills: Population, **_: Any) -> None:
        self._survive(infills, *infills.get("X", "F", "G"))

    def _advance(self, infills: Population, **_: Any) -> None:
        old = (self.members.genomes, self.members.objectives, self.members.violations)
        new = infills.get("X", "F", "G")
        merged = (np.concatenate(pair) for pair in zip(old, new, strict=True))
        self._survive(Population.merge(self.pop, infills), *merged)

    def _set_optimum(self, **_: Any) -> None:
        self.opt = self.pop[:1]  # ours is the archive

    def _new_only(self, genomes: FloatArray, wanted: int) -> FloatArray:
        """Return at most `wanted` genomes of designs not seen before, and remember them."""
        island = self.problem.island
        fresh = self.visited.take(island.keys(island.genome.decode(genomes)), wanted)
        return genomes[fresh]

    def _filled(self, genomes: FloatArray, wanted: int) -> Population:
        """Return a population of new designs: children first, strangers when these run dry."""
        genome, fruitless = self.problem.island.genome, 0
        while len(genomes) < wanted and fruitless < FRUITLESS_ROUNDS:
            missing = wanted - len(genomes)
            if self.is_initialized and fruitless < 2:
                tried = self._children(missing + max(missing // 2, SPARE_CHILDREN))
            else:
                tried = operators.sample(genome, max(missing, STRANGERS), self.random_state)
            fresh = self._new_only(tried, missing)
            genomes = np.concatenate([genomes, fresh])
            fruitless = 0 if len(fresh) else fruitless + 1
        self.is_exhausted = fruitless >= FRUITLESS_ROUNDS
        return Population.new("X", genomes)

    def _children(self, n: int) -> FloatArray:
        """Return n children of parents from the archive and of winners of a tournament."""
        genome, rng = self.problem.island.genome, self.random_state
        n_pairs = (n + 1) // 2
        parents = self._parents(2 * n_pairs)
        pair = (parents[:n_pairs], parents[n_pairs:])
        children = np.concatenate(operators.crossover(genome, *pair, rng, share=CROSSED_SHARE))
        return operators.vary(genome, children[:n], rng)

    def _parents(self, n: int) -> FloatArray:
        """Return n parents: the population's winners, some replaced by members of the archive.

        A population of the size of the front forgets by crowding what the archive still holds.
        """
        rng, archive = self.random_state, self.found
        parents = self.members.genomes[_tournament(self.members, n, rng)]
        share = min(ARCHIVE_SHARE, 2 * len(archive) / self.pop_size)
        replaced = np.flatnonzero(rng.random(n) < share)
        if len(replaced):
            parents[replaced] = archive.genomes[rng.integers(0, len(archive), len(replaced))]
        return parents

    def _survive(
        self,
        population: Population,
        genomes: FloatArray,
        objectives: FloatArray,
        violations: FloatArray,
    ) -> None:
        """Keep the best: feasible designs by rank and crowding, then the least infeasible.

        What is better by less than the resolution is not better, here as in the archive. Equals
        dominate each other no more than members of a front do, and a member may have more of
        them than the population has room: all but one stand behind every other feasible design.
        """
        resolutions = np.array([o.resolution for o in self.problem.island.study.objectives])
        rounded = rounded_boxes(objectives, resolutions).astype(float)
        total = np.maximum(violations, 0).sum(axis=1)
        feasible, copies = _apart_from_copies(rounded, np.flatnonzero(total <= 0))
        kept: list[NDArray[np.int64]] = []
        left = self.pop_size
        fronts = self.survival.nds.do(rounded[feasible]) if len(feasible) else []
        rank, crowding = np.full(len(genomes), float(len(fronts))), np.zeros(len(genomes))
        for number, places in enumerate(fronts):
            front = feasible[places]
            rank[front] = number
            distance = self.survival.crowding_func.do(rounded[front], n_remove=0)
            crowding[front] = np.nan_to_num(distance, posinf=1e300)
            order = np.lexsort([self.random_state.random(len(front)), -crowding[front]])
            kept.append(front[order[:left]] if len(front) > left else front)
            left -= len(kept[-1])
            if left <= 0:
                break
        kept.append(copies[: max(left, 0)])
        left -= len(kept[-1])
        infeasible = np.flatnonzero(total > 0)
        worst_last = np.argsort(total[infeasible], kind="stable")
        kept.append(infeasible[worst_last[: max(left, 0)]])
        rows = np.concatenate(kept)
        self.pop = population[rows]
        self.members = _Members(
            genomes=genomes[rows],
            objectives=objectives[rows],
            violations=violations[rows],
            rank=rank[rows],
            crowding=crowding[rows],
        )


def _apart_from_copies(
    rounded: FloatArray, rows: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the first of the rows with each vector of rounded objectives, and the other rows."""
    _, first = np.unique(rounded[rows], axis=0, return_index=True)
    is_first = np.zeros(len(rows), bool)
    is_first[first] = True
    return rows[is_first], rows[~is_first]


def _tournament(members: _Members, n: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return the winners of n binary tournaments by violation, then rank, then crowding."""
    size = len(members.genomes)
    order = np.lexsort([rng.random(size), -members.crowding, members.rank, members.violation])
    place = np.empty(size, np.int64)
    place[order] = np.arange(size)
    rounds = -(-2 * n // size)
    drawn = np.concatenate([rng.permutation(size) for _ in range(rounds)])[: 2 * n]
    left, right = drawn.reshape(n, 2).T
    winners: NDArray[np.int64] = np.where(place[left] < place[right], left, right)
    return winners


def _algorithm(island: Island, *, population: int) -> _Nsga2:
    """Return a fresh algorithm with fresh operators; the one place where pymoo is configured."""
    algorithm = _Nsga2(
        pop_size=population,
        survival=RankAndCrowding(),  # the default is one object for all algorithms
        eliminate_duplicates=NoDuplicateElimination(),
        output=None,
    )
    algorithm.setup(_IslandProblem(island), termination=NoTermination(), seed=0)
    algorithm.termination = NoTermination()
    return algorithm


def advance(
    island: Island,
    state: IslandState | None,
    *,
    seed: tuple[int, int, int],
    population: int,
    generations: int,
    longest_s: float = inf,
) -> IslandState:
    """Return the island's state some generations later.

    Parameters
    ----------
    island : Island
        What is optimised.
    state : IslandState or None
        Where to go on; None to start.
    seed : tuple of three int
        Seed of the study, number of the family, number of the repetition.
    population, generations : int
        Size, and how many generations to do.
    longest_s : float
        Fewer generations are done, but one at least, when they take longer than this. [s]

    Returns
    -------
    IslandState
        The same bits whether the generations are done in one call or in many.
    """
    algorithm = _algorithm(island, population=population)
    resolutions = np.array([objective.resolution for objective in island.study.objectives])
    if state is None:
        sequence = np.random.SeedSequence(seed[0], spawn_key=seed[1:])
        algorithm.random_state = np.random.default_rng(sequence)
        algorithm.visited = KeySet()
        archive = Archive.empty(resolutions, island.genome.n_genes)
        evaluations, generation, feasible_seen, changed_at = 0, 0, 0, 0
        least = np.full(len(island.constraint_names), np.inf)
    else:
        _restore(algorithm, state)
        archive, evaluations, generation = state.archive, state.evaluations, state.generation
        feasible_seen, least = state.feasible_seen, state.least_violation
        changed_at = state.changed_at
    algorithm.found = archive
    history: list[tuple[int, int, float, FloatArray | None]] = []
    begun = perf_counter()
    for number in range(generations):
        started = perf_counter()
        if algorithm.is_exhausted or (number and started - begun > longest_s):
            break
        offspring = algorithm.ask()
        if offspring is None or not len(offspring):
            algorithm.is_exhausted = True
            break
        algorithm.evaluator.eval(algorithm.problem, offspring, algorithm=algorithm)
        genomes, objectives, violations = offspring.get("X", "F", "G")
        algorithm.tell(infills=offspring)
        generation += 1
        evaluations += len(genomes)
        feasible = (violations <= 0).all(axis=1)
        feasible_seen += int(feasible.sum())
        least = np.minimum(least, violations.min(axis=0))
        changed = False
        if feasible.any():
            kept = genomes[feasible]
            keys = island.keys(island.genome.decode(kept))
            changed = archive.add(kept, objectives[feasible], keys, generation)
        front = archive.boxes * resolutions if changed else None
        changed_at = evaluations if changed else changed_at
        history.append((generation, evaluations, perf_counter() - started, front))
    members = algorithm.members
    return IslandState(
        genomes=members.genomes,
        objectives=members.objectives,
        violations=members.violations,
        rank=members.rank,
        crowding=members.crowding,
        visited=algorithm.visited,
        random_state=json.dumps(algorithm.random_state.bit_generator.state),
        generation=generation,
        evaluations=evaluations,
        changed_at=changed_at,
        is_exhausted=algorithm.is_exhausted,
        feasible_seen=feasible_seen,
        least_violation=least,
        archive=archive,
        history=history,
    )


def _restore(algorithm: _Nsga2, state: IslandState) -> None:
    """Put a state back into a fresh algorithm."""
    algorithm.members = _Members(
        genomes=state.genomes,
        objectives=state.objectives,
        violations=state.violations,
        rank=state.rank,
        crowding=state.crowding,
    )
    algorithm.pop = Population.new("X", state.genomes, "F", state.objectives, "G", state.violations)
    random_state = np.random.default_rng()
    random_state.bit_generator.state = json.loads(state.random_state)
    algorithm.random_state = random_state
    algorithm.is_initialized = True
    algorithm.n_iter = state.generation + 1
    algorithm.start_time = 0.0
    algorithm.visited = state.visited
    algorithm.is_exhausted = state.is_exhausted
    algorithm._set_optimum()


def knees(scaled: FloatArray) -> list[int]:
    """Return the rows with outstanding trade-offs: little is gained elsewhere for what is lost.

    Parameters
    ----------
    scaled : array, shape (designs, objectives)
        Objectives scaled to 0..1, to be lessened.
    """
    if len(scaled) < 3:
        return []
    # pymoo imports a deprecated name, divides by zero and sets a global filter here.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pymoo.mcdm.high_tradeoff import HighTradeoffPoints

        found = HighTradeoffPoints().do(scaled)
    return [] if found is None else sorted(int(i) for i in np.atleast_1d(found))


def weighted_pick(scaled: FloatArray, weights: FloatArray) -> int:
    """Return the row that is best for a reader who weighs the objectives so.

    pymoo's achievement scalarising function: the largest weighted distance from the ideal point
    is least.

    Parameters
    ----------
    scaled : array, shape (designs, objectives)
        Objectives scaled to 0..1, to be lessened.
    weights : array, shape (objectives,)
        Importance, positive.
    """
    from pymoo.decomposition.asf import ASF

    # ASF divides by its weights, so importance goes in inverted; a hair of the sum breaks ties.
    distance = ASF().do(scaled, 1 / weights, ideal_point=np.zeros(scaled.shape[1]))
    return int(np.lexsort([scaled.sum(axis=1), np.round(np.ravel(distance), 9)])[0])
