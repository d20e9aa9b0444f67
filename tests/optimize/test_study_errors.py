"""Bad studies, a second helping: corners, combinations, and mutations by chance.

What a message must hold is from part 8 of the house style: where, what was found, what is allowed,
the nearest valid spelling. `test_bad_studies.py` has the common slips one by one.
"""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from evaluate import InputError
from optimize.plan import plan_of
from optimize.problem import Island
from optimize.study import Study, read_study, study_from_tables
from tests.optimize.small_studies import small_study, study_tables

V_SHARED: dict[str, Any] = {"arrangements": ["v"], "pins": ["shared"]}

# name: (changed tables, pieces of the message)
TABLES: dict[str, tuple[dict[str, Any], list[str]]] = {
    "two unknown keys at once": (
        {"space": {"cylindres": [4], "pin": ["shared"]}},
        ["space.cylindres", "Did you mean 'cylinders'?", "space.pin"],
    ),
    "unknown key of an objective": (
        {"objectives": [{"metric": "parts", "resolutoin": 1}]},
        ["objectives[0].resolutoin", "Did you mean 'resolution'?"],
    ),
    "unknown proportion": (
        {"proportions": {"stager_to_bore": 0.2}},
        ["proportions.stager_to_bore", "Did you mean 'stagger_to_bore'?"],
    ),
    "negative proportion": (
        {"proportions": {"parts_per_bank": -1.0}},
        ["proportions.parts_per_bank", "-1", "0 or above"],
    ),
    "pin path beyond the rod": (
        {"proportions": {"pin_path_offset_to_crank_radius": -2.5}},
        ["proportions.pin_path_offset_to_crank_radius", "2.5", "below 2.33"],
    ),
    "pitch below the stagger": (
        {"proportions": {"stagger_to_bore": 1.38}},
        ["proportions.pitch_shared_to_bore", "1.35", "above the stagger, 1.38"],
    ),
    "rod shorter than the crank": (
        {"engine": {"crank_radius_to_rod": 1.2}},
        ["engine.crank_radius_to_rod", "1.2"],
    ),
    "three-stroke": ({"engine": {"cycle_strokes": 3}}, ["engine.cycle_strokes", "3"]),
    "true is no number": ({"engine": {"displacement_cm3": True}}, ["displacement_cm3", "True"]),
    "half a cylinder": ({"space": {"cylinders": [2.5]}}, ["space.cylinders[0]", "2.5"]),
    "no cylinder": ({"space": {"cylinders": [0]}}, ["space.cylinders[0]", "0", ">= 1"]),
    "arrangement twice": (
        {"space": {"arrangements": ["v", "v"]}},
        ["space.arrangements[1]", "'v' a second time"],
    ),
    "no arrangement": ({"space": {"arrangements": []}}, ["space.arrangements", "length >= 1"]),
    "no pins": ({"space": {"pins": []}}, ["space.pins", "length >= 1"]),
    "slot twice": (
        {"space": {"balance_shafts": {"slots": ["2 forward", "2 forward"]}}},
        ["space.balance_shafts.slots[1]", "'2 forward' a second time"],
    ),
    "four shafts": (
        {"space": {"balance_shafts": {"slots": [], "at_most": 4}}},
        ["space.balance_shafts.at_most", "4", "3"],
    ),
    "obtuse bank angle": (
        {"space": {"bank_angle_deg": [90.0, 181.0]}},
        ["space.bank_angle_deg[1]", "181", "at most 180"],
    ),
    "range that starts below 0": (
        {"space": {"bank_angle_deg": {"from": -5.0, "to": 60.0}}},
        ["space.bank_angle_deg.from", "-5", "above 0"],
    ),
    "half a range": (
        {"space": {"bank_angle_deg": {"from": 50.0}}},
        ["space.bank_angle_deg", "to", "needed"],
    ),
    "fraction above 2": (
        {"space": {"reciprocating_fraction": [0.5, 2.5]}},
        ["space.reciprocating_fraction[1]", "2.5", "at most 2"],
    ),
    "share above 1": ({"space": {"rotating_fraction": 1.5}}, ["space.rotating_fraction", "1.5"]),
    "step that does not divide a turn": (
        {"space": {"throw_angle_step_deg": 7.0}},
        ["space.throw_angle_step_deg", "7", "divides 360", "or 0"],
    ),
    "NaN deep inside": (
        {"space": {"bank_angle_deg": {"from": 50.0, "to": float("nan")}}},
        ["space.bank_angle_deg.to", "nan", "finite"],
    ),
    "infinite limit": (
        {"constraints": {"parts": {"at_most": float("inf")}}},
        ["constraints.parts.at_most", "inf", "finite"],
    ),
    "limit without a table": ({"constraints": {"parts": 20}}, ["constraints.parts", "20"]),
    "interval factor below 1": (
        {"constraints": {"largest_interval_factor": 0.9}},
        ["constraints.largest_interval_factor", "0.9", ">= 1"],
    ),
    "no objective": ({"objectives": []}, ["objectives", "length >= 1"]),
    "resolution of nothing": (
        {"objectives": [{"metric": "parts", "resolution": 0}]},
        ["objectives[0].resolution", "0"],
    ),
    "nine objectives": (
        {
            "objectives": [
                {"metric": key}
                for key in (
                    "force_rms_N",
                    "couple_rms_Nm",
                    "force_peak_N",
                    "couple_peak_Nm",
                    "internal_couple_Nm",
                    "firing_fluctuation",
                    "parts",
                    "box_litres",
                    "shaft_count",
                )
            ]
        },
        ["objectives", "9 objectives", "1 to 8"],
    ),
    "collectors for a count that is not there": (
        {"exhaust": {"collectors": {"5": [["1", "2", "3", "4", "5"]]}}},
        ["exhaust.collectors.5", "4"],
    ),
    "collectors missing for a count": (
        {
            "space": {"cylinders": [3, 4]},
            "exhaust": {"collectors": {"4": [["1", "2", "3", "4"]]}},
        },
        ["exhaust.collectors", "none for 3 cylinders"],
    ),
    "cylinder in two collectors": (
        {"exhaust": {"collectors": {"4": [["1", "2"], ["2", "3", "4"]]}}},
        ["exhaust.collectors.4[1][0]", "'2' a second time"],
    ),
    "cylinder that is not there": (
        {"exhaust": {"collectors": {"4": [["1", "2", "3", "4", "5"]]}}},
        ["exhaust.collectors.4[0][4]", "'5'"],
    ),
    "empty collector": (
        {"exhaust": {"collectors": {"4": [["1", "2", "3", "4"], []]}}},
        ["exhaust.collectors.4[1]", "empty"],
    ),
    "best of none": (
        {"exhaust": {"collectors": "best of 0"}},
        ["exhaust.collectors", "'best of 0'", "best of 2"],
    ),
    "best of a superscript": (
        {"exhaust": {"collectors": "best of ²"}},
        ["exhaust.collectors", "best of 2"],
    ),
    "exhaust that never closes": (
        {"exhaust": {"open_duration_deg": 721.0}},
        ["exhaust.open_duration_deg", "721", "720"],
    ),
    "huge number": (
        {"engine": {"displacement_cm3": 1e300}},
        ["engine.displacement_cm3", "1e+300"],
    ),
    "huge whole number": (
        {"search": {"evaluations": 10**17}},
        ["search.evaluations", "digits"],
    ),
    "negative seed": ({"study": {"seed": -1}}, ["study.seed", "-1"]),
    "nameless": ({"study": {"name": ""}}, ["study.name", "''"]),
}


@pytest.mark.parametrize("name", TABLES)
def test_bad_study_is_one_message(name: str, tmp_path: Path) -> None:
    changed, pieces = TABLES[name]
    path = tmp_path / "bad.toml"
    path.write_text(tomli_w.dumps(study_tables(**changed)), "utf-8")
    with pytest.raises(InputError) as caught:
        read_study(path)
    message = str(caught.value)
    assert message.startswith("bad.toml: ")
    assert "\n" not in message
    for piece in pieces:
        assert piece in message


# A study that is well written but holds no design at all: the reason of each family is given.
EMPTY: dict[str, tuple[dict[str, Any], list[str]]] = {
    "odd counts on shared pins": (
        {"space": {**V_SHARED, "cylinders": [3, 5]}},
        ["V3 shared: shared pins need an even count", "V5 shared"],
    ),
    "a V of one cylinder": (
        {"space": {**V_SHARED, "pins": ["own-main"], "cylinders": [1]}},
        ["V1 own-main: needs two cylinders"],
    ),
    "no bank angle for even firing": (
        {
            "space": {**V_SHARED, "bank_angle_deg": [50.0]},
            "constraints": {"even_firing": True},
        },
        ["V4 shared: no bank angle of the study lets it fire evenly"],
    ),
    "every crank too long": (
        {"constraints": {"crank_length_mm": {"at_most": 100.0}}},
        ["in-line 4: its crank is", "outside the limit of 100 mm"],
    ),
    "more collectors than cylinders": (
        {"exhaust": {"collectors": "best of 5"}},
        ["in-line 4: 0 partitions into 5 collectors"],
    ),
    "too many partitions": (
        {"space": {"cylinders": [16]}, "exhaust": {"collectors": "best of 8"}},
        ["in-line 16: 2141764053 partitions"],  # Stirling number S(16, 8), OEIS A008277
    ),
    "mirror-symmetric with an odd count": (
        {
            "space": {"cylinders": [5]},
            "constraints": {"even_firing": True, "mirror_symmetric": True},
        },
        ["in-line 5", "mirror-symmetric"],
    ),
}


@pytest.mark.parametrize("name", EMPTY)
def test_a_space_without_a_design_says_why(name: str) -> None:
    changed, pieces = EMPTY[name]
    study = small_study(**changed)
    with pytest.raises(InputError) as caught:
        plan_of(study)
    for piece in ("space", *pieces):
        assert piece in str(caught.value)


def test_mirror_symmetric_odd_two_strokes_in_line_cannot_fire_evenly() -> None:
    study = small_study(
        engine={"cycle_strokes": 2},
        space={"cylinders": [4, 1]},
        constraints={"even_firing": True, "mirror_symmetric": True},
    )
    plan = plan_of(study)
    assert [family.name for family in plan.families] == ["in-line 1"]
    assert plan.left_out[0].startswith("in-line 4: fires evenly only")


@pytest.mark.parametrize(
    ("changed", "piece"),
    [
        pytest.param(
            {"exhaust": {"collectors": {"²": [["1"]]}}},
            "collectors",
            id="superscript as a count",
        ),
        pytest.param(
            {"exhaust": {"collectors": {"9" * 5000: [["1"]]}}},
            "collectors",
            id="endless count",
        ),
        pytest.param(
            {"space": {"reciprocating_fraction": {"from": -0.1, "to": 1.0}}},
            "allowed: 0",
            id="negative fraction",
        ),
        pytest.param(
            {"space": {"throw_angle_step_deg": 1e-12}},
            "throw_angle_step_deg",
            id="tiny step",
        ),
    ],
)
def test_corners_are_one_message(changed: dict[str, Any], piece: str) -> None:
    with pytest.raises(InputError, match=piece):
        study_from_tables(study_tables(**changed))


@pytest.mark.parametrize(
    "proportions",
    [
        {"reciprocating_mass_kg_per_m3": 1e308},
        {"parts_per_cylinder": 1e308},
        {"counterweight_radius_to_crank_radius": 0.0},
        {"pin_diameter_to_bore": 0.0},
        {"shaft_weight_radius_to_bore": 0.0},
        {"pitch_in_line_to_bore": 0.0},  # main bearings in one place
        {"shaft_core_diameter_to_bore": 5e-324},
    ],
)
def test_proportions_that_make_no_engine_are_refused(proportions: dict[str, float]) -> None:
    # Beyond float or divided by: ends in a traceback, or in NaN that counts as feasible.
    with pytest.raises(InputError, match="proportions"):
        study_from_tables(study_tables(proportions=proportions))


def test_split_pins_without_splay_are_left_out() -> None:
    study = small_study(
        space={"arrangements": ["in-line", "v"], "pins": ["split"]},
        constraints={"splay_deg": {"at_most": 10.0}},  # below the step of 90
    )
    assert [family.name for family in plan_of(study).families] == ["in-line 4"]


FULL: dict[str, Any] = study_tables(
    study={"name": "full", "question": "?", "seed": 3},
    engine={"cycle_strokes": 4, "stroke_to_bore": 1.1, "crank_radius_to_rod": 0.3},
    space={
        "cylinders": [2, 4],
        "arrangements": ["in-line", "v", "opposed"],
        "pins": ["shared", "split", "own-web"],
        "bank_angle_deg": {"from": 45.0, "to": 120.0},
        "throw_angle_step_deg": 15.0,
        "reciprocating_fraction": [0.0, 0.5],
        "rotating_fraction": 1.0,
        "balance_shafts": {"slots": ["1 backward", "2 forward"], "at_most": 1},
    },
    proportions={"stagger_to_bore": 0.2, "parts_per_bank": 3.0},
    constraints={
        "even_firing": False,
        "mirror_symmetric": False,
        "largest_interval_factor": 1.5,
        "splay_deg": {"at_most": 40.0},
        "box_litres": {"at_most": 300.0, "at_least": 1.0},
    },
    objectives=[{"metric": "force_rms_N", "resolution": 50.0}, {"metric": "parts"}],
    exhaust={"collectors": {"2": [["1", "2"]], "4": [["1", "4"], ["2", "3"]]}},
    search={"population": 20, "evaluations": 500, "seeds": 2},
)


def _places(tables: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the path of every value in nested tables and lists."""
    pairs: list[tuple[Any, Any]] = []
    if isinstance(tables, dict):
        pairs = list(tables.items())
    elif isinstance(tables, list):
        pairs = list(enumerate(tables))
    return [path, *(p for key, value in pairs for p in _places(value, (*path, key)))]


WORDS = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=8)
ODD_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(),
    st.sampled_from([0, 1, -1, 1e-9, 360, 720, "", "v", "4", "best of 3", [], {}, [[]], [1, "1"]]),
    st.text(max_size=6),
    st.lists(st.one_of(st.integers(0, 20), st.floats(0, 200), st.text(max_size=3)), max_size=3),
    st.dictionaries(st.sampled_from(["from", "to", "at_most", "rpm", "4"]), st.floats(0, 200)),
)


@given(data=st.data())
@settings(max_examples=400, deadline=None)
def test_a_mutated_study_is_a_study_or_one_message(data: st.DataObject) -> None:
    tables = copy.deepcopy(FULL)
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(_places(tables)[1:]))
        parent = tables
        for key in path[:-1]:
            parent = parent[key]
        action = data.draw(st.sampled_from(["replace", "remove", "rename"]))
        if action == "replace":
            parent[path[-1]] = data.draw(ODD_VALUES)
        elif action == "remove" or isinstance(parent, list):
            del parent[path[-1]]
        else:
            parent[data.draw(WORDS)] = parent.pop(path[-1])
        if not tables:
            break
    try:
        outcome: Study | InputError = study_from_tables(tables)
    except InputError as error:
        outcome = error
    if isinstance(outcome, InputError):
        message = str(outcome)
        assert "\n" not in message
        assert "got " in message
        assert "allowed: " in message


def test_a_key_with_a_line_break_is_one_line() -> None:
    with pytest.raises(InputError) as caught:
        study_from_tables(study_tables(space={"cylin\nders": [4]}))
    assert "\n" not in str(caught.value)


def test_the_full_study_is_one() -> None:
    study = study_from_tables(FULL)
    assert study.seeds == 2
    assert len(plan_of(study).families) == 2 * (1 + 3 * 2)  # counts x (in line + pins x V, opposed)
    rng = np.random.default_rng(1)
    for family in plan_of(study).families:
        island = Island(study, family)
        objectives, violations = island.score(rng.random((5, island.genome.n_genes)))
        assert objectives.shape == (5, 2)
        assert violations.shape == (5, len(island.constraint_names))
