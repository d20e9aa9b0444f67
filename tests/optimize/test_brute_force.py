"""The search against brute force on spaces that are small enough to try every design.

Reference: `every_design.py` enumerates, constrains, rounds and compares everything in plain loops,
from sections 4.7 and 5 of the design. The search must return the same set of rounded objective
vectors (whole numbers of resolutions, so compared exactly), and where it has tried every design it
must have scored each distinct one once and counted all equals.
"""

from __future__ import annotations

import itertools
import math
from functools import cache

import pytest

from optimize.families import Family
from optimize.search import IslandState
from optimize.study import Study
from tests.optimize.every_design import (
    ALL_SLOTS,
    BALANCE,
    BALANCE_AND_PULSES,
    Space,
    Truth,
    every_design,
    halves_overlap,
    in_line,
    paired,
    truth_of,
)
from tests.optimize.small_studies import metrics, named_family, searched, small_study

_every_design, _halves_overlap = every_design, halves_overlap  # as other tests know them

AT_MOST_TWO = tuple(s for k in range(3) for s in itertools.combinations(ALL_SLOTS, k))

SPACES = {
    "in-line 3 on 60 degrees": Space(
        family="in-line 3",
        tables={
            "space": in_line(3, 60.0, fractions=(0.0, 0.5)),
            "constraints": {"largest_interval_factor": 2.0},
            "objectives": [*BALANCE, *metrics(("crank_train_mass_kg", 0.5))],
        },
        step_deg=60.0,
        fractions=(0.0, 0.5),
        largest_interval_factor=2.0,
    ),
    "in-line 4 two-stroke on 90 degrees": Space(
        family="in-line 4",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": in_line(4, 90.0),
            "constraints": {"largest_interval_factor": 4.0},
            "objectives": metrics(
                ("force_rms_N", 400.0),
                ("couple_rms_Nm", 40.0),
                ("firing_unevenness_deg", 5.0),
                ("internal_couple_Nm", 20.0),
            ),
        },
        step_deg=90.0,
        cycle_deg=360.0,
        largest_interval_factor=4.0,
    ),
    "V4 shared at two bank angles": Space(
        family="V4 shared",
        tables={
            "space": paired("v", 4, "shared", 45.0, (60.0, 90.0)),
            "constraints": {"largest_interval_factor": 1.75},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=45.0,
        bank_angles_deg=(60.0, 90.0),
        largest_interval_factor=1.75,
    ),
    "V4 split on 30 degrees": Space(
        family="V4 split",
        tables={
            "space": paired("v", 4, "split", 30.0, (60.0, 90.0)),
            "constraints": {"largest_interval_factor": 1.5},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=30.0,
        bank_angles_deg=(60.0, 90.0),
        splays_deg=tuple(30.0 * k for k in range(-6, 7) if k),
        largest_interval_factor=1.5,
        population=200,
    ),
    "V2 own-web": Space(
        family="V2 own-web",
        tables={
            "space": paired("v", 2, "own-web", 30.0, (30.0, 60.0, 90.0)),
            "constraints": {"largest_interval_factor": 1.5},
            "objectives": metrics(("force_rms_N", 400.0), ("couple_rms_Nm", 10.0), ("parts", 1.0)),
        },
        step_deg=30.0,
        bank_angles_deg=(30.0, 60.0, 90.0),
        largest_interval_factor=1.5,
    ),
    "V4 own-web, banks free": Space(
        family="V4 own-web",
        tables={
            "space": paired("v", 4, "own-web", 90.0, (90.0,)),
            "constraints": {"largest_interval_factor": 1.5},
            "objectives": [*BALANCE, *metrics(("exhaust_spacing_min_deg", 30.0))],
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        largest_interval_factor=1.5,
        population=300,
    ),
    "V3 own-main, most spacing": Space(
        family="V3 own-main",
        tables={
            "space": paired("v", 3, "own-main", 60.0, (60.0,)),
            "constraints": {"largest_interval_factor": 1.6},
            "objectives": metrics(
                ("exhaust_spacing_min_deg", 30.0), ("couple_rms_Nm", 40.0), ("force_rms_N", 400.0)
            ),
        },
        step_deg=60.0,
        bank_angles_deg=(60.0,),
        largest_interval_factor=1.6,
        population=200,
    ),
    "opposed 4 shared": Space(
        family="opposed 4 shared",
        tables={
            "space": paired("opposed", 4, "shared", 30.0, (90.0,)),
            "constraints": {"largest_interval_factor": 2.0},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=30.0,
        bank_angles_deg=(180.0,),
        largest_interval_factor=2.0,
    ),
    "mirror-symmetric in-line 4": Space(
        family="in-line 4",
        tables={
            "space": {
                **in_line(4, 30.0),
                "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
            },
            "constraints": {"mirror_symmetric": True, "largest_interval_factor": 2.0},
            "objectives": [*BALANCE, *metrics(("internal_couple_Nm", 50.0), ("parts", 1.0))],
        },
        step_deg=30.0,
        shafts=((), ("1 backward",)),
        mirror_symmetric=True,
        largest_interval_factor=2.0,
    ),
    "mirror-symmetric and even in-line 4": Space(
        family="in-line 4",
        tables={
            "space": in_line(4, 90.0),
            "constraints": {"mirror_symmetric": True, "even_firing": True},
            "objectives": [*BALANCE, *metrics(("neighbour_firing_share", 0.02))],
        },
        step_deg=90.0,
        mirror_symmetric=True,
        even=True,
        least_members=1,
    ),
    "in-line 4 with shafts": Space(
        family="in-line 4",
        tables={
            "space": {
                **in_line(4, 180.0),
                "balance_shafts": {"slots": list(ALL_SLOTS), "at_most": 2},
            },
            "constraints": {"largest_interval_factor": 2.0},
            "objectives": [*BALANCE, *metrics(("parts", 1.0))],
        },
        step_deg=180.0,
        shafts=AT_MOST_TWO,
        largest_interval_factor=2.0,
    ),
    "in-line 3 within bounds": Space(
        family="in-line 3",
        tables={
            "space": {
                **in_line(3, 60.0),
                "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
            },
            "constraints": {
                "largest_interval_factor": 2.0,
                "force_rms_N": {"at_most": 15000.0},
                "exhaust_spacing_min_deg": {"at_least": 120.0},
            },
            "objectives": [*metrics(("couple_rms_Nm", 40.0), ("parts", 1.0)), *BALANCE[2:]],
        },
        step_deg=60.0,
        shafts=((), ("1 backward",)),
        largest_interval_factor=2.0,
        bounds={"force_rms_N": (-math.inf, 15000.0), "exhaust_spacing_min_deg": (120.0, math.inf)},
    ),
    "even in-line 4": Space(
        family="in-line 4",
        tables={
            "space": in_line(4, 90.0),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE, *metrics(("neighbour_firing_share", 0.02))],
        },
        step_deg=90.0,
        even=True,
    ),
    "even in-line 3 two-stroke": Space(
        family="in-line 3",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": in_line(3, 60.0, fractions=(0.0, 0.5)),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("crank_train_mass_kg", 0.5))],
        },
        step_deg=60.0,
        fractions=(0.0, 0.5),
        cycle_deg=360.0,
        even=True,
    ),
    "even V4 own-web": Space(
        family="V4 own-web",
        tables={
            "space": paired("v", 4, "own-web", 90.0, (90.0,)),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("exhaust_unevenness_deg", 10.0))],
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        even=True,
        population=200,
    ),
    "even V6 split": Space(
        family="V6 split",
        tables={
            "space": paired("v", 6, "split", 30.0, (90.0, 150.0)),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("box_litres", 2.0))],
        },
        step_deg=30.0,
        bank_angles_deg=(90.0, 150.0),
        splays_deg=tuple(30.0 * k for k in range(-6, 7) if k),
        even=True,
    ),
    "even V4 two-stroke": Space(
        family="V4 shared",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": paired("v", 4, "shared", 90.0, (90.0,)),
            "constraints": {"even_firing": True},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        cycle_deg=360.0,
        even=True,
        least_members=1,
    ),
}


@cache
def _found(name: str) -> tuple[Study, Family, IslandState]:
    space = SPACES[name]
    study = small_study(**space.tables)
    family = named_family(study, space.family)
    state = searched(study, family, population=space.population, generations=400)
    return study, family, state


@cache
def _truth(name: str) -> Truth:
    study, family, _ = _found(name)
    return truth_of(study, family, SPACES[name])


@pytest.mark.parametrize("name", SPACES)
def test_front_is_the_true_one(name: str) -> None:
    _, _, state = _found(name)
    truth = _truth(name)
    assert len(truth.equals) >= SPACES[name].least_members, "this space would prove nothing"
    assert {tuple(box) for box in state.archive.boxes.tolist()} == set(truth.equals)


@pytest.mark.parametrize("name", list(SPACES))
def test_every_distinct_design_is_scored_once_and_counted(name: str) -> None:
    # A population far beyond the number of designs: chance draws some 200,000 candidates until
    # no new one turns up, so that in spaces of at most 3,072 designs none is left out.
    study, family, _ = _found(name)
    state = searched(study, family, population=8000, generations=2)
    truth = _truth(name)
    assert state.is_exhausted
    assert len(state.visited) == truth.n_distinct
    assert state.evaluations == truth.n_distinct
    counts = {
        tuple(box): len(equals)
        for box, equals in zip(state.archive.boxes.tolist(), state.archive.equals, strict=True)
    }
    assert counts == truth.equals


def test_an_island_is_exhausted_only_when_every_design_was_tried() -> None:
    # The summary says "every design found" of these.
    left = {}
    for name in SPACES:
        state, truth = _found(name)[2], _truth(name)
        assert state.is_exhausted
        left[name] = truth.n_distinct - len(state.visited)
    assert left == dict.fromkeys(left, 0)
