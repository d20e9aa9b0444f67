"""What a study comes to: its families, which of them are enumerated, and how budget is spent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimize.checkpoint import IslandId
from optimize.exact.driver import refuse_what_cannot_be_enumerated, steps_of
from optimize.exact.space import why_not_exact
from optimize.families import Family, all_families
from optimize.study import Study

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
