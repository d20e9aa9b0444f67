"""The ladder of remedies against handbook values, and against layouts that have the remedy."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings

from evaluate import METRICS, SLOTS, Evaluation, Layout, evaluation_document, layout_from_tables
from evaluate import remedies as module
from evaluate.remedies import HALF, NO_COUNTERWEIGHTS, PAIR, ROTATING, SHAFT_NAMES, Remedy, remedies
from evaluate.tables import read_toml
from tests.evaluate.layouts import SAMPLES, classic, layout, tables
from tests.evaluate.random_layouts import random_tables

BACKWARD, SECOND_FORWARD, SECOND_BACKWARD = SHAFT_NAMES
few = settings(max_examples=40, deadline=None)


def names(rungs: tuple[Remedy, ...]) -> list[str]:
    """Return the names of rungs."""
    return [rung.name for rung in rungs]


def by_name(of: Layout) -> dict[str, Remedy]:
    """Return the rungs of a layout by name."""
    return {rung.name: rung for rung in remedies(of)}


def with_balance(given: dict[str, Any], rung: Remedy) -> Layout:
    """Return the layout of a file that has the counterweights and shafts of a rung."""
    shafts = [
        {"order": slot.order, "sense": slot.sense, "fraction": share}
        for slot, share in zip(SLOTS, rung.shaft_fractions, strict=True)
        if share
    ]
    balance = {
        "rotating_fraction": rung.rotating_fraction,
        "reciprocating_fraction": rung.reciprocating_fraction,
        "shafts": shafts,
    }
    return layout_from_tables(given | {"balance": balance})


def unit_N(of: Layout) -> float:
    """Return m r omega^2 of one cylinder."""
    engine = of.engine
    return engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2


# Balance shafts of classic engines, in F1 or F1 a: the table of balance shafts in the project's
# reference notes, recomputed there from Den Hartog, Mechanical Vibrations, ch. 5 (in-line engines)
# and the table of free forces and moments of the Automotive Handbook (V engines).
BACKWARD_FIRST_ORDER = [
    pytest.param("single", "force", 0.5, id="single"),
    pytest.param("twin 360", "force", 1.0, id="twin with a 360-degree crank"),
    pytest.param("three", "couple", 0.8660, id="in-line three"),
    pytest.param("five", "couple", 0.2245, id="in-line five"),
    pytest.param("V6 90 split", "couple", 0.4483, id="V6, 90 degrees, 30-degree splay"),
    pytest.param("V6 120", "couple", 0.8660, id="V6, 120 degrees"),
    pytest.param("opposed 2", "couple", 0.5, id="opposed twin"),
]


@pytest.mark.parametrize(("name", "kind", "coefficient"), BACKWARD_FIRST_ORDER)
def test_what_a_first_order_shaft_takes_is_that_of_the_handbook(name, kind, coefficient):
    of = classic(name)
    rungs = by_name(of)
    key = "force_rms_N" if kind == "force" else "couple_rms_Nm"
    before, after = (getattr(rungs[rung], key) for rung in (HALF, BACKWARD))
    unit = unit_N(of) * (1.0 if kind == "force" else 0.1)  # throws 100 mm apart
    # Parseval: mean squares add; four printed digits.
    assert math.sqrt(before**2 - after**2) / unit == pytest.approx(coefficient, abs=6e-5)


# What is in the ladder of each: which slots carry something, and whether counterweights have a
# forward first order to take. Den Hartog, Mechanical Vibrations, ch. 5 (in-line engines: flat four
# 4 F2, six nothing); table of free forces and moments, Automotive Handbook (V and opposed);
# Bevan, The Theory of Machines, ex. 14.12 (three cylinders around one pin).
LADDERS = [
    pytest.param("single", True, [BACKWARD, SECOND_FORWARD, SECOND_BACKWARD, PAIR], id="single"),
    pytest.param("four flat", False, [SECOND_FORWARD, SECOND_BACKWARD, PAIR], id="four"),
    pytest.param("four cross", True, [BACKWARD], id="cross-plane four"),
    pytest.param("six", False, [], id="six"),
    pytest.param("eight", False, [], id="eight"),
    pytest.param("V2 90", True, [SECOND_FORWARD, SECOND_BACKWARD, PAIR], id="V2 at 90 degrees"),
    pytest.param("V6 60", True, [SECOND_BACKWARD], id="V6 at 60 degrees"),
    pytest.param("V8 cross", True, [], id="cross-plane V8"),
    pytest.param("V8 flat", False, [SECOND_FORWARD, SECOND_BACKWARD, PAIR], id="flat-plane V8"),
    pytest.param("V12", False, [], id="V12"),
    pytest.param("opposed 4", False, [SECOND_FORWARD, SECOND_BACKWARD, PAIR], id="opposed four"),
    pytest.param("opposed 6", False, [], id="opposed six"),
    pytest.param("radial 3", True, [SECOND_BACKWARD], id="radial three"),
]


@pytest.mark.parametrize(("name", "has_half", "shafts"), LADDERS)
def test_the_ladder_has_what_the_textbooks_say_can_be_taken(name, has_half, shafts):
    ladder = names(remedies(classic(name)))
    assert ladder[:3] == ["as given", NO_COUNTERWEIGHTS, ROTATING]
    assert (HALF in ladder) == has_half
    single_or_pair = [rung for rung in ladder if rung in (*SHAFT_NAMES, PAIR)]
    assert single_or_pair == shafts
    all_of_them = len(set(shafts) & set(SHAFT_NAMES)) == 3
    assert len(ladder) == 3 + has_half + len(shafts) + all_of_them


def test_half_of_the_reciprocating_mass_leaves_half_the_force_of_a_single():
    # One-half rule: Bevan, The Theory of Machines, ch. 14, ex. 5. A rod of 200 radii leaves a
    # second order of 1/200, whose square is below 1e-4 of the first.
    of = classic("single", rod_mm=9000.0)
    assert by_name(of)[HALF].force_rms_N == pytest.approx(0.5 * unit_N(of), rel=1e-4)
    # As found, with its rotating mass balanced, it swings along the cylinder: m r w^2 / sqrt(2).
    assert by_name(of)[ROTATING].force_rms_N == pytest.approx(unit_N(of) / math.sqrt(2), rel=1e-4)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_rungs_equal_layout_files_that_have_them(path):
    # The reference is the evaluation of another layout file, alone in its batch.
    given = read_toml(path)
    of = layout_from_tables(given)
    for rung in remedies(of):
        other = with_balance(given, rung)
        document = evaluation_document(other)
        for key in ("force_rms_N", "force_peak_N", "couple_rms_Nm", "couple_peak_Nm"):
            scale = module.scales(of.engine)[key.startswith("couple")]
            expected = document["metrics"][key]
            # The same sums in another batch: remainders stay far below 1e-12 of the scale.
            assert getattr(rung, key) == pytest.approx(expected, rel=1e-9, abs=1e-12 * scale)
        for key in ("internal_couple_Nm", "parts", "crank_train_mass_kg"):
            assert getattr(rung, key) == pytest.approx(document["metrics"][key], rel=1e-9)
        weights = sum(document["balance"]["counterweight_kgm"])
        assert rung.counterweight_kgm == pytest.approx(weights, rel=1e-9)
        friction = sum(s["friction_estimate_W"] for s in document["balance"]["shafts"])
        assert rung.shaft_friction_W == pytest.approx(friction, rel=1e-9)
        firing = ("firing_unevenness_deg", "exhaust_overlap_deg", "neighbour_firing_share")
        for key in firing:
            here = METRICS[key].compute(Evaluation(of.engine, of.batch))[0]
            assert document["metrics"][key] == here


@given(random_tables())
@few
def test_only_the_first_rung_is_given_and_nothing_but_balance_changes(given_tables):
    of = layout_from_tables(given_tables)
    rungs = remedies(of)
    assert [rung.is_given for rung in rungs] == [True] + [False] * (len(rungs) - 1)
    assert len(set(names(rungs))) == len(rungs)
    fractions = tuple(
        (r.rotating_fraction, r.reciprocating_fraction, r.shaft_fractions) for r in rungs
    )
    assert fractions[0][2] == tuple(of.batch.shaft_fractions[0])
    variants = module._variants(of.batch, fractions)
    for name in ("pin_angles_deg", "bank_angles_deg", "banks", "firing_bits", "collectors"):
        assert np.array_equal(
            getattr(variants, name), np.repeat(getattr(of.batch, name), len(rungs), axis=0)
        )


@given(random_tables(offsets=(0.0,)))
@few
def test_half_the_reciprocating_masses_take_the_whole_forward_first_order(given_tables):
    of = layout_from_tables(given_tables)
    scale_N, scale_Nm = module.scales(of.engine)
    first = evaluation_document(of)["inertia"]["reciprocating"]["1"]
    rung = by_name(of).get(HALF)
    has_something = (
        first["force_forward_N"] > 1e-6 * scale_N or first["couple_forward_Nm"] > 1e-6 * scale_Nm
    )
    assert (rung is not None) == has_something
    if rung is None:
        return
    left = evaluation_document(with_balance(given_tables, rung))["inertia"]["residual"]["1"]
    # Remainders of sums of at most 8 phasors of masses up to a few times the reciprocating one.
    assert left["force_forward_N"] <= 1e-13 * scale_N
    assert left["couple_forward_Nm"] <= 1e-13 * scale_Nm


@given(random_tables())
@few
def test_a_shaft_is_listed_exactly_when_its_slot_has_something_and_then_it_helps(given_tables):
    of = layout_from_tables(given_tables)
    before = evaluation_document(of)["inertia"]["reciprocating"]
    rungs = by_name(of)
    base = rungs.get(HALF) or rungs.get(ROTATING) or rungs[NO_COUNTERWEIGHTS]
    scale_N, scale_Nm = module.scales(of.engine)
    for slot, name in zip(SLOTS, SHAFT_NAMES, strict=True):
        force_N = before[str(slot.order)][f"force_{slot.sense}_N"]
        couple_Nm = before[str(slot.order)][f"couple_{slot.sense}_Nm"]
        assert (name in rungs) == (force_N > 1e-6 * scale_N or couple_Nm > 1e-6 * scale_Nm)
        if name not in rungs:
            continue
        then = rungs[name]
        assert then.parts == base.parts + 2  # two parts a shaft: proportions of this project
        # Mean squares add by order and sense (Parseval); squares lose half the digits.
        assert base.force_rms_N**2 - then.force_rms_N**2 == pytest.approx(
            force_N**2, rel=1e-6, abs=1e-12 * scale_N**2
        )
        assert base.couple_rms_Nm**2 - then.couple_rms_Nm**2 == pytest.approx(
            couple_Nm**2, rel=1e-6, abs=1e-12 * scale_Nm**2
        )


def test_rungs_that_change_nothing_are_left_out():
    # Without rotating mass its counterweights are nothing; two opposed pins in one plane (a pin
    # and a fork) have neither force, couple nor bending.
    assert ROTATING not in names(remedies(classic("three", masses_kg=(0.5, 0.0))))
    in_one_plane = layout([0, 180], axes_deg=[-90, 90], bank=[1, 2], cylinder_mm=[0, 0])
    assert names(remedies(in_one_plane)) == ["as given", NO_COUNTERWEIGHTS]
    # On a mirror-symmetric six they take what bends the crank, so there they stay.
    six = by_name(classic("six", fractions=(0.0, 0.0)))
    assert six[ROTATING].internal_couple_Nm < 0.5 * six[NO_COUNTERWEIGHTS].internal_couple_Nm


def test_sets_of_two_slots_that_are_no_pair_have_a_rung():
    # The forward second order of a V-twin at 60 degrees with one pin is the only one:
    # sqrt(3)/2 F2, table of free forces; its backward first order 1/2 F1.
    ladder = remedies(classic("V2 60"))
    assert ladder[-1].shaft_fractions == (1.0, 1.0, 0.0)
    assert names(ladder)[-3:-1] == [BACKWARD, SECOND_FORWARD]


def test_mass_and_friction_are_unknown_without_a_bore():
    rungs = by_name(classic("single", bore_mm=None))
    assert math.isnan(rungs[HALF].crank_train_mass_kg)
    assert rungs[HALF].shaft_friction_W == 0
    assert math.isnan(rungs[BACKWARD].shaft_friction_W)
    assert rungs[BACKWARD].parts == rungs[HALF].parts + 2


def test_the_layout_as_given_is_scored_as_it_is():
    given_tables = tables([0, 240, 120], fractions=(0.9, 0.3), shafts=[(1, "backward", 0.6)])
    of = layout_from_tables(given_tables)
    rung = remedies(of)[0]
    assert (rung.rotating_fraction, rung.reciprocating_fraction) == (0.9, 0.3)
    assert rung.shaft_fractions == (0.6, 0.0, 0.0)
    assert rung.n_shafts == 1
    assert rung.couple_rms_Nm == evaluation_document(of)["inertia"]["couple_rms_Nm"]
