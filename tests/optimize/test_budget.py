"""Who goes on for how long, and what seeds agree on.

Sources: the design, part 5 (budgets are evaluations; decisions fall at barriers in family order);
apportionment by largest remainders (Hamilton's method, common practice, no source); hypervolumes
by `moocore.hypervolume` directly.
"""

from __future__ import annotations

import dataclasses
import pickle
from fractions import Fraction
from pathlib import Path
from typing import Any

import moocore
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimize import budget, run
from optimize.budget import BARRIERS_BEHIND, barriers_behind, goals, has_ended, is_settled
from optimize.history import Bounds
from optimize.keyset import MOST_LATEST, KeySet
from optimize.plan import plan_of
from optimize.problem import Island
from optimize.run import run_study
from optimize.search import IslandState, advance
from optimize.seeds import front_of, seeds_frame, seeds_lines, spreads, spreads_of
from optimize.study import Study
from tests.optimize.small_studies import in_this_process, named_family, small_study

RUN: dict[str, Any] = {
    "study": {"name": "shared out", "seed": 5},
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["shared", "own-main"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
        "reciprocating_fraction": [0.0, 0.5],
    },
    "constraints": {"largest_interval_factor": 1.5},
    "search": {"population": 20, "evaluations": 2400, "seeds": 3},
}


@pytest.fixture(scope="module")
def state() -> IslandState:
    study = small_study(**RUN)
    island = Island(study, named_family(study, "in-line 4"))
    return advance(island, None, seed=(5, 0, 0), population=20, generations=25)


def _with(state: IslandState, **changed: Any) -> IslandState:
    return dataclasses.replace(state, **changed)


# --- settling ---


@pytest.mark.parametrize(
    ("share", "scored", "changed_at", "generation", "is_one"),
    [
        (0.5, 1000, 500, 150, True),  # half of 1000 without a change
        (0.5, 1000, 501, 150, False),
        (0.25, 1000, 750, 150, True),
        (1.0, 1000, 0, 150, False),  # never
        (0.5, 1000, 0, 99, False),  # too young
        (0.5, 1000, 0, 100, True),
    ],
)
def test_an_island_settles_after_the_stated_share_without_a_change(
    state: IslandState, share: float, scored: int, changed_at: int, generation: int, is_one: bool
) -> None:
    study = dataclasses.replace(small_study(**RUN), settled_after=share)
    older = _with(state, evaluations=scored, changed_at=changed_at, generation=generation)
    assert is_settled(study, older) is is_one
    assert has_ended(study, older) is is_one
    assert has_ended(study, _with(older, is_exhausted=True))


def test_what_has_found_nothing_never_settles(state: IslandState) -> None:
    study = small_study(**RUN)
    empty = dataclasses.replace(state.archive, keys=[])
    assert not is_settled(study, _with(state, archive=empty, changed_at=0, generation=500))


def test_the_last_change_is_that_of_the_rounded_front() -> None:
    # By hand: after each generation alone, whether the set of boxes is another one.
    study = small_study(**RUN)
    island = Island(study, named_family(study, "V4 own-main"))
    state, before, changed_at = None, set(), 0
    for _ in range(30):
        state = advance(island, state, seed=(5, 0, 0), population=20, generations=1)
        boxes = {tuple(box) for box in state.archive.boxes.tolist()}
        if boxes != before:
            before, changed_at = boxes, state.evaluations
        assert state.changed_at == changed_at
    assert state is not None
    assert 0 < changed_at <= state.evaluations


# --- dealing out ---

ISLANDS = [(k, r) for k in range(3) for r in range(2)]


def _goals(study: Study, states: dict[Any, IslandState], **given: Any) -> dict[Any, int]:
    usual: dict[str, Any] = {"islands": ISLANDS, "population": 20, "rounds_left": 4, "behind": {}}
    return goals(study, states=states, **{**usual, **given})


def test_alike_islands_get_alike() -> None:
    # 2400 designs are 120 generations, over four rounds 30, for six islands 5 each.
    assert _goals(small_study(**RUN), {}) == dict.fromkeys(ISLANDS, 5)


def test_families_behind_get_their_share_and_give_the_rest() -> None:
    # Weights 1, 1, 1/4 twice each: of 30 generations 30/4.5 = 6.67 and a quarter of it, 1.67.
    study = dataclasses.replace(small_study(**RUN), dominated_share=0.25)
    behind = {0: 0, 1: BARRIERS_BEHIND - 1, 2: BARRIERS_BEHIND}
    found = _goals(study, {}, behind=behind)
    assert sum(found.values()) == 30
    # All remainders are 2/3: the first four of six have the four generations left over.
    assert list(found.values()) == [7, 7, 7, 7, 1, 1]
    nothing = dataclasses.replace(study, dominated_share=0.0)
    assert set(_goals(nothing, {}, behind=behind)) == set(ISLANDS[:4])
    alike = dataclasses.replace(study, dominated_share=1.0)
    assert _goals(alike, {}, behind=behind) == dict.fromkeys(ISLANDS, 5)


def test_ended_islands_give_everything(state: IslandState) -> None:
    study = small_study(**RUN)
    tired = _with(state, evaluations=20, generation=1, is_exhausted=True)
    found = _goals(study, {(0, 0): tired, (0, 1): tired})
    assert set(found) == set(ISLANDS[2:])
    # 2360 designs are left: 118 generations, 29 in this round, for four islands.
    assert sum(found.values()) == 29
    assert _goals(study, dict.fromkeys(ISLANDS, tired)) == {}


def test_less_than_a_generation_each_comes_to_everybody_in_turn(state: IslandState) -> None:
    study = dataclasses.replace(small_study(**RUN), evaluations=20 * 8)
    states: dict[Any, IslandState] = {}
    for left in (4, 3, 2, 1):
        for island, goal in _goals(study, states, rounds_left=left).items():
            done = states[island].generation if island in states else 0
            assert goal == done + 1
            states[island] = _with(
                state, generation=goal, evaluations=20 * goal, changed_at=20 * goal
            )
    assert sorted(s.generation for s in states.values()) == [1, 1, 1, 1, 2, 2]
    assert _goals(study, states, rounds_left=1) == {}


@given(
    quota=st.integers(1, 500),
    weights=st.lists(st.sampled_from([Fraction(1), Fraction(1, 4), Fraction(0)]), min_size=1),
    spent=st.integers(0, 5),
)
def test_all_is_dealt_and_nobody_is_off_by_one(
    quota: int, weights: list[Fraction], spent: int
) -> None:
    if not any(weights):
        return
    named = {(k, 0): weight for k, weight in enumerate(weights)}
    each = budget._dealt(quota, named, {i: i[0] % (spent + 1) for i in named})
    assert sum(each.values()) == quota
    for island, share in named.items():
        fair = quota * share / sum(weights)
        assert abs(each[island] - fair) < 1
        assert each[island] == 0 or share


def _archived(state: IslandState, *boxes: tuple[int, int]) -> IslandState:
    n = len(boxes)
    archive = dataclasses.replace(
        state.archive,
        boxes=np.array(boxes, np.int64).reshape(n, 2),
        keys=list(range(n)),
        equals=[{k} for k in range(n)],
    )
    return _with(state, archive=archive)


def test_a_family_is_behind_while_none_of_its_seeds_is_on_the_common_front(
    state: IslandState,
) -> None:
    states = {
        (0, 0): _archived(state, (1, 5)),
        (0, 1): _archived(state, (9, 9)),  # worse, but the family's other seed is on the front
        (1, 0): _archived(state, (2, 6)),
        (2, 0): _archived(state),  # nothing feasible yet
        (3, 0): _archived(state, (5, 1)),
        (4, 0): _archived(state, (1, 5)),  # a tie is a place
    }
    once = barriers_behind({}, states)
    assert once == {0: 0, 1: 1, 2: 0, 3: 0, 4: 0}
    assert barriers_behind(once, states) == {**once, 1: 2}
    states[(1, 0)] = _archived(state, (0, 9))
    assert barriers_behind({1: 7}, states)[1] == 0
    known = [np.array([[0, 0]], np.int64)]  # an enumerated family that beats them all
    assert barriers_behind({}, states, known) == {0: 1, 1: 1, 2: 0, 3: 1, 4: 1}


@pytest.fixture(scope="module")
def several_seeds(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, run.Outcome]:
    study = small_study(**RUN)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_pool", in_this_process)
        return study, run_study(study, tmp_path_factory.mktemp("run"), workers=1)


def test_budget_moves_to_families_on_the_front(several_seeds: tuple[Study, run.Outcome]) -> None:
    study, outcome = several_seeds
    spent: dict[str, int] = {}
    for (k, _), state in outcome.states.items():
        name = outcome.plan.families[k].name
        spent[name] = spent.get(name, 0) + state.evaluations
    on_front = set(outcome.common["family"])
    behind = [n for name, n in spent.items() if name not in on_front]
    assert on_front
    assert behind
    assert min(spent[name] for name in on_front) > max(behind)
    assert sum(spent.values()) <= study.evaluations


# --- seeds ---


def test_the_spread_over_seeds_is_that_of_each_seed_alone(
    several_seeds: tuple[Study, run.Outcome],
) -> None:
    study, outcome = several_seeds
    assert outcome.bounds is not None
    resolutions = np.array([o.resolution for o in study.objectives])
    low, high = outcome.bounds.lower, outcome.bounds.reference
    found = outcome.seed_spreads(study)
    assert [s.family for s in found] == ["all", *(f.name for f in outcome.plan.families)]
    for seed in range(3):
        boxes = np.concatenate(
            [s.archive.boxes for (_, r), s in sorted(outcome.states.items()) if r == seed]
        )
        scaled = np.clip((boxes * resolutions - low) / (high - low), 0, None)
        inside = scaled[(scaled < 1).all(axis=1)]
        expected = moocore.hypervolume(inside, ref=np.ones(len(resolutions)))
        # Round-off of a sum of some hundred boxes in a unit cube.
        assert found[0].hypervolumes[seed] == pytest.approx(expected, abs=1e-12)
    assert found[0].merged >= max(found[0].hypervolumes) - 1e-12
    assert found[0].merged == pytest.approx(outcome.hypervolume, abs=1e-12)
    assert found[0].least <= found[0].median <= found[0].most
    # The history ends where the spread begins, and no family has more than all have together.
    last = outcome.history.groupby(["family", "seed"])["hypervolume"].last()
    for spread in found[1:]:
        assert [last[spread.family, seed] for seed in range(3)] == list(spread.hypervolumes)
        assert spread.merged <= found[0].merged + 1e-12
    for _, rows in outcome.history.groupby(["family", "seed"]):
        assert (np.diff(rows["hypervolume"]) >= -1e-12).all()


def test_members_are_counted_by_who_found_them(several_seeds: tuple[Study, run.Outcome]) -> None:
    study, outcome = several_seeds
    columns = [f"{o.key}_rounded" for o in study.objectives]
    names = [family.name for family in outcome.plan.families]
    resolutions = np.array([o.resolution * o.sign for o in study.objectives])
    for _, row in outcome.common.iterrows():
        box = np.rint(row[columns].to_numpy(float) / resolutions).astype(int).tolist()
        owners = [
            r
            for (k, r), state in outcome.states.items()
            if names[k] == row["family"] and box in state.archive.boxes.tolist()
        ]
        assert row["seeds_found"] == len(owners)
        assert row["seed"] in owners
    whole = outcome.seed_spreads(study)[0]
    assert whole.members == len(outcome.common)
    # A vector that two families share counts once, whoever has it in a seed.
    assert whole.found_by_all >= int((outcome.common["seeds_found"] == 3).sum())
    frame = seeds_frame(outcome.seed_spreads(study))
    assert len(frame) == 3 * (1 + len(names))
    assert spreads_of(frame) == outcome.seed_spreads(study)
    text = "\n".join(seeds_lines(outcome.seed_spreads(study), outcome.common, 3))
    assert f"{whole.least:.4f} to {whole.most:.4f}" in text
    assert seeds_lines(outcome.seed_spreads(study), outcome.common, 1) == []


def test_a_design_is_found_again_in_its_seed_and_generation(
    several_seeds: tuple[Study, run.Outcome],
) -> None:
    # From study, family, seed and generation alone: the island is run to that generation anew.
    study, outcome = several_seeds
    names = [family.name for family in outcome.plan.families]
    keys = [o.key for o in study.objectives]
    for _, row in outcome.common.iloc[::3].iterrows():
        number = names.index(row["family"])
        island = Island(study, outcome.plan.families[number])
        again = advance(
            island,
            None,
            seed=(study.seed, number, int(row["seed"])),
            population=outcome.plan.population,
            generations=int(row["generation"]),
        )
        signs = np.array([o.sign for o in study.objectives])
        assert (again.archive.objectives == signs * row[keys].to_numpy(float)).all(axis=1).any()
        assert again.generation == row["generation"] in again.archive.generations


def test_the_history_has_a_line_for_each_seed(several_seeds: tuple[Study, run.Outcome]) -> None:
    study, outcome = several_seeds
    common = outcome.history[outcome.history["family"] == "all"]
    assert set(common["seed"]) == {-1, 0, 1, 2}
    last = common.groupby("seed").last()
    found = outcome.seed_spreads(study)[0]
    assert last.loc[[0, 1, 2], "hypervolume"].tolist() == list(found.hypervolumes)
    assert last.loc[-1, "evaluations"] == last.loc[[0, 1, 2], "evaluations"].sum()


def test_no_box_no_spread() -> None:
    study = small_study(**RUN)
    assert spreads(study, plan_of(study), {}, Bounds(np.zeros(5), np.ones(5))) == []
    assert front_of([np.zeros((0, 5), np.int64)]).shape == (0, 5)
    assert seeds_frame([]).equals(pd.DataFrame([]))


# --- keys ---


@given(st.lists(st.lists(st.integers(0, 40), max_size=12), max_size=12), st.integers(0, 8))
def test_a_key_set_is_a_set(batches: list[list[int]], wanted: int) -> None:
    keys, plain = KeySet(), set()
    for batch in batches:
        expected = []
        for row, key in enumerate(batch):
            if key not in plain and len(expected) < wanted:
                plain.add(key)
                expected.append(row)
        assert keys.take(np.array(batch, np.uint64), wanted) == expected
        assert len(keys) == len(plain)
    assert keys.array().tolist() == sorted(plain)


def test_a_large_key_set_stays_one(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    drawn = rng.integers(0, 2**64, 5 * MOST_LATEST, np.uint64)
    drawn[::7] = drawn[0]
    keys = KeySet()
    for part in np.array_split(drawn, 40):
        keys.take(part, len(part))
    assert np.array_equal(keys.array(), np.unique(drawn))
    sent = pickle.loads(pickle.dumps(keys))
    assert np.array_equal(sent.array(), keys.array())
    assert len(pickle.dumps(keys)) < 8 * len(keys) + 1000
    again = KeySet(keys.array())
    assert again.take(drawn, len(drawn)) == []
