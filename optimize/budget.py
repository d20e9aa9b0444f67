"""Who goes on for how long: decided at barriers from counts and fronts, never from time.

An island that has stopped moving ends; a family that others beat in everything goes on with a part
of its share, and what it gives up goes to the others. Islands are looked at in their fixed order,
so that the same study and seed always give the same decisions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

import numpy as np

from optimize.archive import non_dominated
from optimize.checkpoint import IslandId
from optimize.search import IslandState
from optimize.study import Study

#: In-line sixes with a front of six stood still for 20 generations and found the last member later.
LEAST_GENERATIONS_TO_SETTLE = 100
BARRIERS_BEHIND = 2  # in a row without a place on the common front: then a family is behind


def is_settled(study: Study, state: IslandState) -> bool:
    """Return whether an island's front has stayed the same for long enough to end it.

    Long enough is the study's share of all designs that the island has scored. An island without
    any feasible design never settles.
    """
    unchanged = state.evaluations - state.changed_at
    return (
        study.settled_after < 1
        and len(state.archive) > 0
        and state.generation >= LEAST_GENERATIONS_TO_SETTLE
        and unchanged >= study.settled_after * state.evaluations
    )


def has_ended(study: Study, state: IslandState) -> bool:
    """Return whether an island gets no more budget: exhausted or settled."""
    return state.is_exhausted or is_settled(study, state)


def barriers_behind(
    previous: Mapping[int, int],
    states: Mapping[IslandId, IslandState],
    known: Sequence[np.ndarray] = (),
) -> dict[int, int]:
    """Return at how many barriers in a row each family has had no place on the common front.

    Parameters
    ----------
    previous : mapping of int to int
        The same, one barrier ago, by number of the family.
    states : mapping of (family, repetition) to IslandState
        Islands at this barrier.
    known : sequence of array of int
        Rounded objectives of families that were enumerated.

    Returns
    -------
    dict
        0 for families on the front, and for those that have no feasible design yet.
    """
    islands = sorted(states)
    boxes = [*known, *(states[i].archive.boxes for i in islands)]
    owners = [-1] * len(known) + [i[0] for i in islands]
    if not boxes:
        return {}
    kept = non_dominated(np.concatenate(boxes))
    on_front = np.split(kept, np.cumsum([len(part) for part in boxes])[:-1])
    placed = {family for family, rows in zip(owners, on_front, strict=True) if rows.any()}
    found = {i[0] for i in islands if len(states[i].archive)}
    return {
        family: previous.get(family, 0) + 1 if family in found - placed else 0
        for family in sorted({i[0] for i in islands})
    }


def goals(
    study: Study,
    *,
    islands: Sequence[IslandId],
    population: int,
    rounds_left: int,
    states: Mapping[IslandId, IslandState],
    behind: Mapping[int, int],
) -> dict[IslandId, int]:
    """Return the generation that each island shall reach in the next round; empty at the end.

    What is left is dealt out over the rounds that are left; families that are behind get
    `study.dominated_share` of what the others get.

    Parameters
    ----------
    study : Study
        Gives the budget and the shares.
    islands : sequence of (family, repetition)
        All islands, in order.
    population : int
        Designs of a generation.
    rounds_left : int
        Rounds, the next one included.
    states : mapping of (family, repetition) to IslandState
        Islands that have begun.
    behind : mapping of int to int
        From `barriers_behind`.
    """
    live = [i for i in islands if i not in states or not has_ended(study, states[i])]
    spent = sum(state.evaluations for state in states.values())
    left = (study.evaluations - spent) // population  # in generations
    weights = {i: weight(study, behind.get(i[0], 0)) for i in live}
    if not any(weights.values()) or left < 1:
        return {}
    spent_by = {i: states[i].evaluations if i in states else 0 for i in live}
    each = _dealt(max(1, left // rounds_left), weights, spent_by)
    return {
        i: (states[i].generation if i in states else 0) + generations
        for i, generations in each.items()
        if generations
    }


def _dealt(
    quota: int, weights: Mapping[IslandId, Fraction], spent: Mapping[IslandId, int]
) -> dict[IslandId, int]:
    """Deal out generations by weight, whole ones: what is left over by the largest remainders.

    Of equal remainders those with the fewest designs so far go first: who gets less than a
    generation a round has its turn in another round.
    """
    total = sum(weights.values(), Fraction(0))
    exact = {i: quota * share / total for i, share in weights.items()}
    each = {i: int(share) for i, share in exact.items()}
    in_turn = sorted(
        (i for i in exact if weights[i]), key=lambda i: (each[i] - exact[i], spent[i], i)
    )
    for island in in_turn[: quota - sum(each.values())]:
        each[island] += 1
    return each


def weight(study: Study, barriers: int) -> Fraction:
    """Return a family's share of the budget beside that of a family on the front, 1."""
    if barriers < BARRIERS_BEHIND:
        return Fraction(1)
    return Fraction(study.dominated_share).limit_denominator(1000)
