"""The enumeration against brute force, and against cranks that every handbook has.

Reference, where no other is named: `every_design.py`, which enumerates, constrains, rounds and
compares in plain loops. Rounded objectives and counts are whole numbers and compared exactly.
"""

from __future__ import annotations

import itertools
import math
import tracemalloc
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from evaluate import METRICS, score
from evaluate.errors import InputError
from optimize.archive import rounded_boxes
from optimize.exact.counting import counts_of
from optimize.exact.driver import ExactFamily, enumerate_families
from optimize.exact.space import Space as ExactSpace
from optimize.families import Family, all_families
from optimize.genome import throw_angles_deg
from optimize.problem import Island
from optimize.study import Study
from tests.optimize.every_design import (
    ALL_SLOTS,
    BALANCE,
    BALANCE_AND_PULSES,
    Space,
    Truth,
    in_line,
    paired,
    truth_of,
)
from tests.optimize.small_studies import metrics, named_family, small_study
from tests.optimize.test_brute_force import SPACES, _truth

SUBSETS = tuple(s for k in range(4) for s in itertools.combinations(ALL_SLOTS, k))
STEPS_OF_30 = tuple(30.0 * k for k in range(-6, 7) if k)
NO_FORCE = metrics(("couple_rms_Nm", 20.0), ("firing_fluctuation", 0.02))
TORQUE = ("reverse",)  # gas torque of the motion run backward is another


def _constraints(factor: float, **limits: Any) -> dict[str, Any]:
    return {"largest_interval_factor": factor, **limits}


#: Kinds of spaces that `test_brute_force.SPACES` does not have.
MORE = {
    "V3 own-web, one bank longer": Space(
        family="V3 own-web",
        tables={
            "space": paired("v", 3, "own-web", 60.0, (60.0, 120.0)),
            "constraints": _constraints(2.0),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=60.0,
        bank_angles_deg=(60.0, 120.0),
        largest_interval_factor=2.0,
    ),
    "V3 own-main two-stroke, on 72 degrees": Space(
        family="V3 own-main",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": paired("v", 3, "own-main", 72.0, (72.0,)),
            "constraints": _constraints(2.5),
            "objectives": [*BALANCE, *metrics(("bank_alternation_share", 0.02))],
        },
        step_deg=72.0,
        bank_angles_deg=(72.0,),
        cycle_deg=360.0,
        largest_interval_factor=2.5,
    ),
    "V5 own-main on 180 degrees": Space(
        family="V5 own-main",
        tables={
            "space": paired("v", 5, "own-main", 180.0, (90.0,)),
            "constraints": _constraints(2.5),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=180.0,
        bank_angles_deg=(90.0,),
        largest_interval_factor=2.5,
    ),
    "V5 own-main two-stroke on 90 degrees": Space(
        family="V5 own-main",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": paired("v", 5, "own-main", 90.0, (72.0,)),
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE, *metrics(("exhaust_spacing_min_deg", 20.0))],
        },
        step_deg=90.0,
        bank_angles_deg=(72.0,),
        cycle_deg=360.0,
        largest_interval_factor=2.0,
    ),
    "even V5 own-main on 72 degrees": Space(
        family="V5 own-main",
        tables={
            "space": paired("v", 5, "own-main", 72.0, (72.0,)),
            "constraints": {"even_firing": True},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=72.0,
        bank_angles_deg=(72.0,),
        even=True,
    ),
    "opposed 4 own-web": Space(
        family="opposed 4 own-web",
        tables={
            "space": paired("opposed", 4, "own-web", 90.0, (90.0,)),
            "constraints": _constraints(1.5),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=90.0,
        bank_angles_deg=(180.0,),
        largest_interval_factor=1.5,
        least_members=1,
    ),
    "opposed 3 own-main": Space(
        family="opposed 3 own-main",
        tables={
            "space": paired("opposed", 3, "own-main", 60.0, (90.0,)),
            "constraints": _constraints(1.75),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=60.0,
        bank_angles_deg=(180.0,),
        largest_interval_factor=1.75,
    ),
    "in-line 5 two-stroke on 72 degrees": Space(
        family="in-line 5",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": in_line(5, 72.0),
            "constraints": _constraints(3.0),
            "objectives": BALANCE,
        },
        step_deg=72.0,
        cycle_deg=360.0,
        largest_interval_factor=3.0,
    ),
    "even in-line 5": Space(
        family="in-line 5",
        tables={
            "space": in_line(5, 72.0),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("neighbour_firing_share", 0.02))],
        },
        step_deg=72.0,
        even=True,
    ),
    "in-line 1": Space(
        family="in-line 1",
        tables={
            "space": {
                **in_line(1, 90.0, fractions=(0.0, 0.5, 1.0)),
                "balance_shafts": {"slots": list(ALL_SLOTS), "at_most": 3},
            },
            "objectives": [*BALANCE, *metrics(("parts", 1.0))],
        },
        step_deg=90.0,
        fractions=(0.0, 0.5, 1.0),
        shafts=SUBSETS,
    ),
    "in-line 2": Space(
        family="in-line 2",
        tables={
            "space": in_line(2, 15.0, fractions=(0.0, 0.5)),
            "constraints": _constraints(2.0),
            "objectives": BALANCE,
        },
        step_deg=15.0,
        fractions=(0.0, 0.5),
        largest_interval_factor=2.0,
    ),
    "V2 shared": Space(
        family="V2 shared",
        tables={
            "space": {
                **paired("v", 2, "shared", 180.0, (40.0, 60.0, 90.0, 180.0)),
                "reciprocating_fraction": [0.0, 0.5],
            },
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE, *metrics(("box_litres", 2.0))],
        },
        step_deg=180.0,
        bank_angles_deg=(40.0, 60.0, 90.0, 180.0),
        fractions=(0.0, 0.5),
        largest_interval_factor=2.0,
    ),
    "V4 shared at 180 degrees": Space(
        family="V4 shared",
        tables={
            "space": paired("v", 4, "shared", 45.0, (90.0, 180.0)),
            "constraints": _constraints(2.0),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=45.0,
        bank_angles_deg=(90.0, 180.0),
        largest_interval_factor=2.0,
    ),
    "in-line 3, offset pin path": Space(
        family="in-line 3",
        tables={
            "space": in_line(3, 45.0),
            "constraints": _constraints(2.0),
            "objectives": BALANCE,
            "proportions": {"pin_path_offset_to_crank_radius": 0.15},
        },
        step_deg=45.0,
        largest_interval_factor=2.0,
        symmetries=("reverse",),  # the offset breaks the mirror
    ),
    "V4 split, offset pin path, two-stroke": Space(
        family="V4 split",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": {
                **paired("v", 4, "split", 30.0, (60.0, 90.0)),
                "balance_shafts": {"slots": ["1 backward", "2 forward"], "at_most": 1},
            },
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE, *metrics(("parts", 1.0))],
            "proportions": {"pin_path_offset_to_crank_radius": -0.2},
        },
        step_deg=30.0,
        bank_angles_deg=(60.0, 90.0),
        splays_deg=STEPS_OF_30,
        shafts=((), ("1 backward",), ("2 forward",)),
        cycle_deg=360.0,
        largest_interval_factor=2.0,
        symmetries=("reverse",),
    ),
    "mirror-symmetric V4 own-main": Space(
        family="V4 own-main",
        tables={
            "space": paired("v", 4, "own-main", 45.0, (90.0,)),
            "constraints": _constraints(2.0, mirror_symmetric=True),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=45.0,
        bank_angles_deg=(90.0,),
        mirror_symmetric=True,
        largest_interval_factor=2.0,
    ),
    "mirror-symmetric V5 own-main two-stroke": Space(
        family="V5 own-main",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": paired("v", 5, "own-main", 45.0, (45.0,)),
            "constraints": _constraints(3.0, mirror_symmetric=True),
            "objectives": BALANCE,
        },
        step_deg=45.0,
        bank_angles_deg=(45.0,),
        cycle_deg=360.0,
        mirror_symmetric=True,
        largest_interval_factor=3.0,
    ),
    "mirror-symmetric V6 split": Space(
        family="V6 split",
        tables={
            "space": paired("v", 6, "split", 30.0, (90.0,)),
            "constraints": _constraints(2.0, mirror_symmetric=True),
            "objectives": BALANCE,
        },
        step_deg=30.0,
        bank_angles_deg=(90.0,),
        splays_deg=STEPS_OF_30,
        mirror_symmetric=True,
        largest_interval_factor=2.0,
    ),
    "mirror-symmetric and even V4 own-main": Space(
        family="V4 own-main",
        tables={
            "space": paired("v", 4, "own-main", 90.0, (90.0, 180.0)),
            "constraints": {"mirror_symmetric": True, "even_firing": True},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=45.0,
        bank_angles_deg=(90.0, 180.0),
        mirror_symmetric=True,
        even=True,
    ),
    "even V6 split, six splays": Space(
        family="V6 split",
        tables={
            "space": paired("v", 6, "split", 30.0, (30.0, 60.0, 90.0)),
            "constraints": {"even_firing": True},
            "objectives": [
                *BALANCE[:2],
                *metrics(("box_litres", 2.0), ("bank_alternation_share", 0.1)),
            ],
            "proportions": {"pin_diameter_to_bore": 0.9},
        },
        step_deg=30.0,
        bank_angles_deg=(30.0, 60.0, 90.0),
        splays_deg=(-90.0, -60.0, -30.0, 30.0, 60.0, 90.0),
        even=True,
        least_members=1,
    ),
    "several fractions, big ends balanced in part": Space(
        family="in-line 3",
        tables={
            "space": {**in_line(3, 60.0, fractions=(0.0, 0.4, 1.1)), "rotating_fraction": 0.6},
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE[:2], *metrics(("crank_train_mass_kg", 0.5))],
        },
        step_deg=60.0,
        fractions=(0.0, 0.4, 1.1),
        rotating_fraction=0.6,
        largest_interval_factor=2.0,
    ),
    "V4 shared, no stagger, three shafts": Space(
        family="V4 shared",
        tables={
            "space": {
                **paired("v", 4, "shared", 45.0, (90.0,)),
                "balance_shafts": {"slots": list(ALL_SLOTS), "at_most": 3},
            },
            "constraints": _constraints(1.75),
            "objectives": [*BALANCE, *metrics(("shaft_count", 1.0))],
            "proportions": {"stagger_to_bore": 0.0},
        },
        step_deg=45.0,
        bank_angles_deg=(90.0,),
        shafts=SUBSETS,
        largest_interval_factor=1.75,
    ),
    "V4 split, no stagger": Space(
        family="V4 split",
        tables={
            "space": paired("v", 4, "split", 30.0, (60.0,)),
            "constraints": _constraints(1.75),
            "objectives": BALANCE_AND_PULSES,
            "proportions": {"stagger_to_bore": 0.0},
        },
        step_deg=30.0,
        bank_angles_deg=(60.0,),
        splays_deg=STEPS_OF_30,
        largest_interval_factor=1.75,
    ),
    "opposed 2 shared, no stagger": Space(
        family="opposed 2 shared",
        tables={
            "space": {
                **paired("opposed", 2, "shared", 90.0, (90.0,)),
                "reciprocating_fraction": [0.0, 0.5],
            },
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE[:2], *metrics(("crank_train_mass_kg", 0.5))],
            "proportions": {"stagger_to_bore": 0.0},
        },
        step_deg=90.0,
        bank_angles_deg=(180.0,),
        fractions=(0.0, 0.5),
        largest_interval_factor=2.0,
    ),
    "couple and firing, no force": Space(
        family="in-line 3",
        tables={
            "space": in_line(3, 45.0),
            "constraints": _constraints(2.0),
            "objectives": NO_FORCE,
        },
        step_deg=45.0,
        largest_interval_factor=2.0,
    ),
    "force and firing, no couple": Space(
        family="V4 own-main",
        tables={
            "space": paired("v", 4, "own-main", 90.0, (60.0,)),
            "constraints": _constraints(2.0),
            "objectives": [BALANCE[0], BALANCE[2]],
        },
        step_deg=90.0,
        bank_angles_deg=(60.0,),
        largest_interval_factor=2.0,
        least_members=1,
    ),
    **{
        f"{key} alone": Space(
            family="in-line 3",
            tables={
                "space": in_line(3, 45.0),
                "constraints": _constraints(2.0),
                "objectives": metrics((key, 2 * METRICS[key].resolution)),
            },
            step_deg=45.0,
            largest_interval_factor=2.0,
            least_members=1,
        )
        for key in (
            "force_rms_N",
            "couple_rms_Nm",
            "firing_unevenness_deg",
            "internal_couple_Nm",
            "second_order_couple_Nm",
        )
    },
    "couple at most": Space(
        family="V4 shared",
        tables={
            "space": paired("v", 4, "shared", 30.0, (90.0,)),
            "constraints": _constraints(2.0, couple_rms_Nm={"at_most": 500.0}),
            "objectives": [BALANCE[0], BALANCE[2]],
        },
        step_deg=30.0,
        bank_angles_deg=(90.0,),
        largest_interval_factor=2.0,
        bounds={"couple_rms_Nm": (-math.inf, 500.0)},
    ),
    "couple at most, and an objective": Space(
        family="V4 own-main",
        tables={
            "space": paired("v", 4, "own-main", 90.0, (90.0,)),
            "constraints": _constraints(2.0, couple_rms_Nm={"at_most": 900.0}),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        largest_interval_factor=2.0,
        bounds={"couple_rms_Nm": (-math.inf, 900.0)},
    ),
    "couple at least": Space(
        family="in-line 4",
        tables={
            "space": in_line(4, 60.0),
            "constraints": _constraints(2.0, couple_rms_Nm={"at_least": 300.0}),
            "objectives": BALANCE,
        },
        step_deg=60.0,
        largest_interval_factor=2.0,
        bounds={"couple_rms_Nm": (300.0, math.inf)},
    ),
    "firing, exhaust and parts within bounds": Space(
        family="V4 shared",
        tables={
            "space": {
                **paired("v", 4, "shared", 45.0, (60.0, 90.0)),
                "balance_shafts": {"slots": list(ALL_SLOTS), "at_most": 2},
            },
            "constraints": _constraints(
                2.0,
                firing_fluctuation={"at_most": 0.45},
                exhaust_overlap_deg={"at_most": 250.0},
                parts={"at_most": 21.5},
            ),
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=45.0,
        bank_angles_deg=(60.0, 90.0),
        shafts=tuple(s for s in SUBSETS if len(s) < 3),
        largest_interval_factor=2.0,
        bounds={
            "firing_fluctuation": (-math.inf, 0.45),
            "exhaust_overlap_deg": (-math.inf, 250.0),
            "parts": (-math.inf, 21.5),
        },
    ),
    "torque ripple": Space(
        family="V4 shared",
        tables={
            "space": paired("v", 4, "shared", 45.0, (60.0, 90.0)),
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE[:2], *metrics(("torque_ripple_Nm", 20.0))],
        },
        step_deg=45.0,
        bank_angles_deg=(60.0, 90.0),
        largest_interval_factor=2.0,
        symmetries=TORQUE,
    ),
    "one collector": Space(
        family="V4 own-web",
        tables={
            "space": paired("v", 4, "own-web", 90.0, (60.0,)),
            "constraints": _constraints(1.75),
            "objectives": BALANCE_AND_PULSES,
            "exhaust": {"collectors": "one"},
        },
        step_deg=90.0,
        bank_angles_deg=(60.0,),
        largest_interval_factor=1.75,
        collectors="one",
        least_members=1,
    ),
    "the best two collectors": Space(
        family="in-line 4",
        tables={
            "space": in_line(4, 120.0),
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE_AND_PULSES, *metrics(("exhaust_overlap_deg", 20.0))],
            "exhaust": {"collectors": "best of 2"},
        },
        step_deg=120.0,
        largest_interval_factor=2.0,
        collectors=2,
    ),
    "given collectors": Space(
        family="in-line 4",
        tables={
            "space": in_line(4, 90.0),
            "constraints": _constraints(2.0),
            "objectives": BALANCE_AND_PULSES,
            "exhaust": {"collectors": {"4": [["1", "2"], ["3", "4"]]}},
        },
        step_deg=90.0,
        largest_interval_factor=2.0,
        collectors=(0, 0, 1, 1),
        symmetries=(),  # collectors name cylinders by their place
    ),
    "listed: what bends the crank, which throw fires next": Space(
        family="in-line 4",
        tables={
            "space": in_line(4, 90.0, fractions=(0.0, 0.5)),
            "constraints": _constraints(2.0),
            "objectives": [
                *BALANCE,
                *metrics(("internal_couple_Nm", 50.0), ("neighbour_firing_share", 0.1)),
            ],
        },
        step_deg=90.0,
        fractions=(0.0, 0.5),
        largest_interval_factor=2.0,
    ),
    "listed: mass with shafts": Space(
        family="V4 shared",
        tables={
            "space": {
                **paired("v", 4, "shared", 60.0, (90.0,)),
                "balance_shafts": {"slots": list(ALL_SLOTS), "at_most": 1},
            },
            "constraints": _constraints(2.0),
            "objectives": [*BALANCE[:2], *metrics(("crank_train_mass_kg", 0.5))],
        },
        step_deg=60.0,
        bank_angles_deg=(90.0,),
        shafts=tuple(s for s in SUBSETS if len(s) < 2),
        largest_interval_factor=2.0,
    ),
    "listed: peaks": Space(
        family="V2 own-web",
        tables={
            "space": paired("v", 2, "own-web", 30.0, (60.0, 90.0)),
            "constraints": _constraints(1.75),
            "objectives": metrics(("force_peak_N", 400.0), ("couple_peak_Nm", 10.0)),
        },
        step_deg=30.0,
        bank_angles_deg=(60.0, 90.0),
        largest_interval_factor=1.75,
    ),
    "listed: main bearings": Space(
        family="in-line 3",
        tables={
            "space": in_line(3, 60.0, fractions=(0.0, 0.5)),
            "constraints": _constraints(1.75),
            "objectives": [*BALANCE[:2], *metrics(("main_load_peak_N", 500.0))],
        },
        step_deg=60.0,
        fractions=(0.0, 0.5),
        largest_interval_factor=1.75,
        symmetries=(),  # bearing loads keep neither
    ),
    "a lattice of no whole micro-degrees": Space(
        family="in-line 3",
        tables={
            "space": in_line(3, 360 / 7),
            "constraints": _constraints(2.0),
            "objectives": BALANCE,
        },
        step_deg=360 / 7,
        largest_interval_factor=2.0,
    ),
    "even in-line 7 two-stroke": Space(
        family="in-line 7",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": in_line(7, 60.0),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("neighbour_firing_share", 0.02))],
        },
        step_deg=360 / 7,
        cycle_deg=360.0,
        even=True,
    ),
    "splays up to half a turn": Space(
        family="V4 split",
        tables={
            "space": paired("v", 4, "split", 90.0, (90.0,)),
            "constraints": _constraints(2.0),
            "objectives": BALANCE_AND_PULSES,
            "proportions": {"pin_diameter_to_bore": 3.0},
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        splays_deg=(-90.0, 90.0, 180.0),  # -180 is the pin of 180
        largest_interval_factor=2.0,
    ),
}


def _enumerated(study: Study, family: Family) -> ExactFamily:
    return enumerate_families(study, [family], None, workers=1)[family.name]


def equals_by_box(found: ExactFamily) -> dict[tuple[int, ...], int]:
    """Return how many designs stand behind each rounded objective vector."""
    boxes = [tuple(box) for box in found.front.boxes.tolist()]
    assert len(set(boxes)) == len(boxes)
    return dict(zip(boxes, found.front.equals.tolist(), strict=True))


def check_against(truth: Truth, study: Study, family: Family, found: ExactFamily) -> None:
    """Check front, counts and representatives."""
    assert equals_by_box(found) == truth.equals
    assert found.coverage.raw == truth.n_raw
    assert found.coverage.distinct == truth.n_distinct
    if not truth.equals:
        return
    island = Island(study, family)
    objectives, violations = island.judge(found.front.designs)
    resolutions = np.array([o.resolution for o in study.objectives])
    assert (violations <= 0).all(), "a representative is not feasible"
    assert rounded_boxes(objectives, resolutions).tolist() == found.front.boxes.tolist()
    keys = island.keys(found.front.designs)
    assert len(set(keys.tolist())) == len(keys), "two members are one design"


@pytest.mark.parametrize("name", SPACES)
def test_spaces_of_the_search_are_enumerated(name: str) -> None:
    space = SPACES[name]
    study = small_study(**space.tables)
    family = named_family(study, space.family)
    check_against(_truth(name), study, family, _enumerated(study, family))


@pytest.mark.parametrize("name", MORE)
def test_front_is_the_true_one(name: str) -> None:
    space = MORE[name]
    study = small_study(**space.tables)
    family = named_family(study, space.family)
    truth = truth_of(study, family, space)
    assert len(truth.equals) >= space.least_members, "this space would prove nothing"
    check_against(truth, study, family, _enumerated(study, family))


def test_without_a_limit_on_intervals() -> None:
    # A study file cannot say so, but a caller can.
    space = replace(SPACES["in-line 3 within bounds"], largest_interval_factor=math.inf)
    study = replace(small_study(**space.tables), largest_interval_factor=None)
    family = named_family(study, space.family)
    truth = truth_of(study, family, space)
    check_against(truth, study, family, _enumerated(study, family))


def test_a_space_without_a_feasible_design() -> None:
    space = MORE["couple at most"]
    tables = {**space.tables, "constraints": _constraints(2.0, couple_rms_Nm={"at_most": 1e-3})}
    study = small_study(**tables)
    found = _enumerated(study, named_family(study, space.family))
    assert len(found.front) == 0
    unlimited = replace(space, bounds={})
    assert (
        found.coverage.distinct == truth_of(study, found.front.island.family, unlimited).n_distinct
    )


# --- random spaces ---

KINDS = [
    ("in-line", ""),
    *((a, p) for a in ("v", "opposed") for p in ("shared", "split", "own-web", "own-main")),
]
#: What may be drawn, with a limit that cuts through small spaces; what is dear or listed is rare.
DRAWN = {
    "force_rms_N": 5000.0,
    "couple_rms_Nm": 300.0,
    "firing_fluctuation": 0.6,
    "firing_unevenness_deg": 60.0,
    "exhaust_unevenness_deg": 60.0,
    "exhaust_spacing_min_deg": 150.0,
    "bank_alternation_share": 0.4,
    "parts": 21.5,
    "box_litres": 120.0,
    "crank_train_mass_kg": 16.0,
    "internal_couple_Nm": 200.0,
}
MOST_DESIGNS = 800


@st.composite
def spaces(draw: st.DrawFn) -> Space:
    arrangement, pins = draw(st.sampled_from(KINDS))
    is_paired = pins in ("shared", "split")
    n = draw(st.sampled_from([2, 4] if is_paired else [2, 3, 4] if pins else [1, 2, 3, 4]))
    step_deg = draw(st.sampled_from([45.0, 60.0, 72.0, 90.0, 120.0, 180.0]))
    strokes = draw(st.sampled_from([2, 4]))
    angles: tuple[float, ...] = (0.0,) if arrangement == "in-line" else (180.0,)
    if arrangement == "v":
        listed = st.sampled_from([40.0, 60.0, 72.0, 77.0, 90.0, 120.0, 180.0])
        angles = tuple(sorted(draw(st.sets(listed, min_size=1, max_size=2))))
    fractions = draw(st.sampled_from([(0.0,), (0.5,), (0.0, 0.5), (0.3, 0.8)]))
    rotating = draw(st.sampled_from([1.0, 0.6]))
    slots = draw(st.sets(st.sampled_from(ALL_SLOTS), max_size=2))
    subsets = tuple(s for s in SUBSETS if set(s) <= slots and len(s) <= 1)
    is_symmetric = draw(st.sampled_from([False, False, False, True]))
    offset = draw(st.sampled_from([0.0, 0.0, 0.15]))
    stagger = draw(st.sampled_from([0.22, 0.22, 0.0]))
    factor = draw(st.sampled_from([1.25, 1.5, 2.0, 3.0]))
    keys = draw(st.lists(st.sampled_from(list(DRAWN)), min_size=1, max_size=4, unique=True))
    decades = draw(st.lists(st.floats(-2.0, 1.5), min_size=len(keys), max_size=len(keys)))
    steps = [
        float(f"{METRICS[k].resolution * 10**d:.4g}") for k, d in zip(keys, decades, strict=True)
    ]
    limited = draw(st.lists(st.sampled_from(list(DRAWN)), max_size=1))
    side = draw(st.sampled_from(["at_most", "at_most", "at_least"]))
    rule = draw(st.sampled_from(["per bank", "one"]))
    splays = tuple(k * step_deg for k in range(-4, 5) if k and abs(k * step_deg) < 180)
    n_places = n // 2 if is_paired else n
    n_designs = (
        round(360 / step_deg) ** (n_places - 1)
        * (2 ** (n - 1) if strokes == 4 else 1)
        * (len(splays) if pins == "split" else 1)
        * (math.comb(n, (n + 1) // 2) if pins.startswith("own") else 1)
        * len(angles)
        * len(fractions)
        * len(subsets)
    )
    assume(0 < n_designs <= MOST_DESIGNS)
    space: dict[str, Any] = {
        "cylinders": [n],
        "arrangements": [arrangement],
        "throw_angle_step_deg": step_deg,
        "bank_angle_deg": list(angles) if arrangement == "v" else [90.0],
        "reciprocating_fraction": list(fractions),
        "rotating_fraction": rotating,
        "balance_shafts": {"slots": sorted(slots), "at_most": 1},
    }
    limits = {key: {side: DRAWN[key]} for key in limited}
    infinite = math.inf if side == "at_least" else -math.inf
    return Space(
        family=f"{arrangement} {n} {pins}",
        tables={
            "engine": {"cycle_strokes": strokes},
            "space": {**space, "pins": [pins]} if pins else space,
            "constraints": _constraints(factor, mirror_symmetric=is_symmetric, **limits),
            "objectives": metrics(*zip(keys, steps, strict=True)),
            "exhaust": {"collectors": rule},
            "proportions": {"pin_path_offset_to_crank_radius": offset, "stagger_to_bore": stagger},
        },
        step_deg=step_deg,
        bank_angles_deg=angles,
        splays_deg=splays if pins == "split" else (0.0,),
        fractions=fractions,
        rotating_fraction=rotating,
        shafts=subsets,
        cycle_deg=180.0 * strokes,
        largest_interval_factor=factor,
        mirror_symmetric=is_symmetric,
        bounds={
            key: (DRAWN[key], infinite) if side == "at_least" else (infinite, DRAWN[key])
            for key in limited
        },
        collectors=rule,
        symmetries=("reverse",) if offset else ("mirror", "reverse"),
    )


@given(space=spaces())
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow],
)
def test_random_small_spaces(space: Space) -> None:
    study = small_study(**space.tables)
    try:
        (family,), _ = all_families(study)
    except InputError:
        assume(False)  # no splay within the limits
    truth = truth_of(study, family, space)
    check_against(truth, study, family, _enumerated(study, family))


# --- what every handbook has ---


def _is_turned(angles_deg: np.ndarray, wanted: list[float]) -> np.ndarray:
    """Return which cranks are a wanted one, turned in the air or mirrored."""
    found = np.zeros(len(angles_deg), bool)
    for sign in (1, -1):
        apart = sign * angles_deg - np.array(wanted)
        apart = (apart - apart[:, :1] + 180) % 360 - 180
        found |= np.abs(apart).max(axis=1) < 1e-6
    return found


def _unit_N(family: Family) -> float:
    """Return m_rec r omega^2 of one cylinder, F1 of the handbooks."""
    engine = family.engine
    return engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2


def test_in_line_four_is_the_flat_crank() -> None:
    # 0-180-180-0: free force of the second order, 4 F2, no couple. J. P. Den Hartog, Mechanical
    # Vibrations, ch. 5; the free-forces table of the Bosch Automotive Handbook (both from memory).
    # Of the cranks that fire evenly it alone has no couple: 0-180-0-180 and 0-0-180-180 rock.
    study = small_study(
        constraints={"even_firing": True}, objectives=metrics(("couple_rms_Nm", 5.0))
    )
    family = named_family(study, "in-line 4")
    found = _enumerated(study, family)
    assert found.front.boxes.tolist() == [[0]]
    angles_deg = throw_angles_deg(family, found.front.designs.batch)
    assert _is_turned(angles_deg, [0, 180, 180, 0]).all()
    # Orders 1-3-4-2 and 1-2-4-3, each the other turned end for end: one design.
    assert found.front.equals.tolist() == [1]
    # A_2 = lambda + lambda^3 / 4 + 15 lambda^5 / 128 with lambda = 0.3; A_4, A_6 add below 0.1 %.
    force_N = score(family.engine, found.front.designs.batch, ["force_rms_N"])[0, 0]
    second = 0.3 + 0.3**3 / 4 + 15 * 0.3**5 / 128
    assert force_N == pytest.approx(4 * second * _unit_N(family) / 2**0.5, rel=2e-3)


def test_in_line_six_is_free_of_orders_one_and_two() -> None:
    # 0-120-240-240-120-0: no force and no couple of orders 1 and 2 (and 4); the sixth order, with
    # A_6 = 9 lambda^5 / 128, adds up in all six. Den Hartog, ch. 5; Bosch table (from memory).
    study = small_study(
        space=in_line(6, 120.0, fractions=(0.0,)),
        constraints={"even_firing": True},
        objectives=metrics(("force_rms_N", 50.0), ("couple_rms_Nm", 5.0)),
    )
    family = named_family(study, "in-line 6")
    found = _enumerated(study, family)
    sixth_N = 6 * 9 * 0.3**5 / 128 * _unit_N(family) / 2**0.5
    assert found.front.boxes.tolist() == [[math.ceil(sixth_N / 50.0), 0]]
    angles_deg = throw_angles_deg(family, found.front.designs.batch)
    assert _is_turned(angles_deg, [0, 120, 240, 240, 120, 0]).all()
    score_of = score(family.engine, found.front.designs.batch, ["force_rms_N", "couple_rms_Nm"])
    # The series is cut after its first term (next: a few per cent of lambda^2 = 9 %).
    assert score_of[0, 0] == pytest.approx(sixth_N, rel=0.15)
    assert score_of[0, 1] == pytest.approx(0.0, abs=1e-6)


def test_cross_plane_v_eight() -> None:
    # Common pins 0-90-270-180 at 90 deg: no free force of orders 1 and 2, no couple of order 2;
    # its first-order couple turns with the crank, so that counterweights of half the
    # reciprocating mass (f = 0.5) take it. Den Hartog, ch. 5; Bosch table (from memory). Without
    # stagger no rod's offset is left; order 4 of the force adds up: 8 A_4 F1, A_4 = lambda^3 / 4,
    # within the 4 % of its further terms.
    tables: dict[str, Any] = {
        "space": paired("v", 8, "shared", 90.0, (90.0,)),
        "constraints": {"largest_interval_factor": 1.0},
        "objectives": metrics(("force_rms_N", 50.0), ("couple_rms_Nm", 5.0)),
    }
    for stagger, most_Nm in ((0.0, 1e-6), (0.22, math.inf)):
        study = small_study(**tables, proportions={"stagger_to_bore": stagger})
        family = named_family(study, "V8 shared")
        found = _enumerated(study, family)
        batch = found.front.designs.batch
        cross = _is_turned(throw_angles_deg(family, batch)[:, :4], [0, 90, 270, 180])
        assert cross.any(), f"stagger {stagger}"
        values = score(family.engine, batch, ["force_rms_N", "couple_rms_Nm"])[cross]
        fourth_N = 8 * 0.3**3 / 4 * _unit_N(family)
        assert (values[:, 0] <= fourth_N).all(), "peak of order 4, and some room"
        # With stagger, what is left is of the rods' distance 0.22 B and of order 2 and 4.
        rod_Nm = 8 * 0.22 * family.engine.bore_m * 0.31 * _unit_N(family)
        assert (values[:, 1] <= min(most_Nm, rod_Nm)).all()


@pytest.mark.parametrize(("n", "n_lattice"), [(4, 12), (6, 12), (6, 24)])
def test_counts_of_in_line_engines_by_hand(n: int, n_lattice: int) -> None:
    # Cauchy-Frobenius: distinct designs are the mean of what each symmetry leaves as it is. With
    # L lattice angles and two turns, a cylinder may fire at 2 L angles phi, the first at 0; so
    # (2 L)^(n-1) in all. Mirrored: phi = -phi, so 0 or 360 each. End for end: phi(i) =
    # phi(n+1-i) - phi(n), so phi(n) is 0 or 360 and one of each other pair is free. Both:
    # phi(i) + phi(n+1-i) = phi(n), so phi(n) is free too.
    study = small_study(space=in_line(n, 360 / n_lattice))
    family = named_family(study, f"in-line {n}")
    free = 2 * n_lattice
    raw = free ** (n - 1)
    images = 2 ** (n - 1) + 2 * free ** (n // 2 - 1) + free ** (n // 2)
    tracemalloc.start()
    try:
        found = counts_of(ExactSpace(study, family))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found == (raw, (raw + images) // 4)
    assert peak < 100e6, "cranks that are not their own image are not to be listed"
