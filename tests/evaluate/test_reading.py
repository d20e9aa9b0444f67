"""The reading against textbook statements, against the document, and rule by rule."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings

from evaluate import Evaluation, Layout, evaluation_document, layout_from_tables
from evaluate.inertia import scales
from evaluate.reading import RULES, TOPICS, Statement, reading
from evaluate.reading.findings import Findings
from evaluate.reading.words import (
    counted,
    couple_plane,
    force_line,
    listed,
    percent,
    quantity,
    spaced,
)
from evaluate.tables import read_toml
from tests.evaluate.layouts import CLASSICS, SAMPLES, classic, layout, sample, tables
from tests.evaluate.random_layouts import random_tables

few = settings(max_examples=40, deadline=None)
#: A quantity as readings print it, three digits: within half a unit of the third.
QUANTITY = re.compile(r"(\d+(?:\.\d+)?) (k?)(N·m|N)(?![·\w])")
PRINTED = 0.0051


def said(of: Layout, rule: str) -> str:
    """Return what a rule says, its statements joined; "" when it is silent."""
    return " | ".join(statement.text for statement in reading(of) if statement.rule == rule)


# Textbook statements --------------------------------------------------------------------------
# In line: J. P. Den Hartog, Mechanical Vibrations, ch. 5, and T. Bevan, The Theory of Machines,
# ch. 14; V and opposed: table of free forces and moments of the Automotive Handbook; the direction
# in which each part turns: the project's notes on free forces, recomputed there by brute force.
# All from memory of those books, as the notes say.

HALF = (1.0, 0.5)
TEXTBOOK = [
    # A single: half the mass leaves a force of constant size that turns backward (Bevan, ex. 14.5).
    ("single", HALF, "force_first", "of constant size, turning against the crank at crank speed"),
    ("single", HALF, "force_first", "one shaft turning backward at crank speed can"),
    ("single", (1.0, 0.0), "force_first", "swinging straight up and down, along the cylinders"),
    ("single", (1.0, 0.0), "force_first", "a backward circle of half the size"),
    # Twins.
    ("twin 360", HALF, "force_first", "turning against the crank"),
    ("twin 360", HALF, "firing_even", "every 360°"),
    ("twin 180", HALF, "firing_uneven", "180-540°"),
    ("twin 180", HALF, "force_balanced", "order 1 is balanced"),
    ("twin 180", HALF, "force_second", "contra-rotating shafts at twice crank speed"),
    ("twin 180", HALF, "couple_first", "It turns backward, so counterweights cannot remove it"),
    ("twin 270", HALF, "force_balanced", "orders 2 and 6 are balanced"),
    # Three: couples of both orders, no force of either; one backward shaft takes the first.
    ("three", HALF, "force_balanced", "Forces of orders 1, 2 and 4 are balanced"),
    ("three", HALF, "couple_first", "one shaft turning backward at crank speed can"),
    ("three", HALF, "couple_second", "in the upright plane (pitching)"),
    # Four: the second order swings in the plane of the cylinders; Lanchester's pair takes it.
    ("four flat", (1.0, 0.0), "force_second", "swinging straight up and down"),
    ("four flat", (1.0, 0.0), "force_second", "pair of contra-rotating shafts at twice"),
    ("four flat", (1.0, 0.0), "crank_mirror", "no couple arises at any order"),
    ("four flat", (1.0, 0.0), "crank_internal_couple", "nothing of it is felt outside"),
    ("four flat", (1.0, 0.0), "remedy_best", "a pair of shafts at twice crank speed"),
    ("four cross", HALF, "force_balanced", "orders 1, 2 and 6"),
    ("four cross", HALF, "firing_uneven", "270-180-90-180°"),
    # Five: 0.449 F1 a and 4.98 F2 a, no force.
    ("five", HALF, "force_balanced", "No free force is left"),
    ("five", HALF, "couple_first", "turning against the crank"),
    ("five", HALF, "couple_second", "in the upright plane"),
    # Six and eight: all four sums vanish.
    ("six", (1.0, 0.0), "remedy_nothing", "Nothing is left of first and second order"),
    ("six", (1.0, 0.0), "couple_balanced", "No free couple is left"),
    ("eight", (1.0, 0.0), "remedy_nothing", "Nothing is left of first and second order"),
    # V2 at 90: counterweights take all of the first order; the second swings across the bisector.
    ("V2 90", HALF, "force_taken", "it turns with the crank, and counterweights take it wholly"),
    ("V2 90", HALF, "force_second", "swinging horizontally, across the bisector of the banks"),
    ("V2 90", (1.0, 0.0), "force_first", "It turns with the crank, so counterweights can"),
    # V2 at 60: second order sqrt(3)/2 F2 of constant size, turning with the crank.
    ("V2 60", HALF, "force_second", "of constant size, turning with the crank at twice"),
    # V6 at 60, own pins: 3/2 F1 a forward only, 3/2 F2 a backward only.
    ("V6 60", HALF, "couple_taken", "counterweights take it wholly"),
    ("V6 60", HALF, "couple_second", "turning against the crank at twice crank speed"),
    (
        "V6 60",
        HALF,
        "couple_second",
        "one shaft turning against the crank at twice crank speed can",
    ),
    # V6 at 90, splayed: what is left turns backward, hence one shaft at crank speed.
    ("V6 90 split", HALF, "couple_first", "counterweights cannot remove it; one shaft turning"),
    ("V6 120", HALF, "couple_first", "counterweights cannot remove it; one shaft turning"),
    ("V6 120", HALF, "firing_even", "every 120°"),
    # V8 cross-plane: sqrt(10) F1 a turns with the crank, so counterweights take it.
    (
        "V8 cross",
        HALF,
        "couple_taken",
        "it turns with the crank, and counterweights take it wholly",
    ),
    ("V8 cross", HALF, "remedy_nothing", "no shaft is needed"),
    ("V8 cross", (1.0, 0.0), "couple_first", "It turns with the crank, so counterweights can"),
    # V8 flat-plane: 4 sqrt(2) F2 across the bisector.
    ("V8 flat", (1.0, 0.0), "force_second", "swinging horizontally, across the bisector"),
    ("V12", (1.0, 0.0), "remedy_nothing", "Nothing is left of first and second order"),
    # Opposed: forces cancel piston by piston; twin F1 b and F2 b, four 2 F2 b, six nothing.
    ("opposed 2", HALF, "crank_opposed_pistons", "1 with 2), so forces of every order cancel"),
    ("opposed 2", HALF, "couple_second", "in the horizontal plane (yawing)"),
    ("opposed 4", (1.0, 0.0), "couple_second", "in the horizontal plane (yawing)"),
    ("opposed 4", (1.0, 0.0), "couple_balanced", "order 1 is balanced"),
    ("opposed 6", (1.0, 0.0), "remedy_nothing", "Nothing is left of first and second order"),
    # Radial three: 3/2 F1 forward, 3/2 F2 backward (Bevan, ex. 14.12).
    ("radial 3", HALF, "force_taken", "it turns with the crank, and counterweights take it wholly"),
    ("radial 3", HALF, "force_second", "turning against the crank at twice crank speed"),
    ("radial 3", HALF, "crank_one_plane", "no couple at any order"),
]


@pytest.mark.parametrize(("name", "fractions", "rule", "words"), TEXTBOOK)
def test_classic_layouts_read_as_in_the_textbooks(name, fractions, rule, words):
    assert words in said(classic(name, fractions=fractions), rule)


# Magnitudes, from the same sources, in F1, F2 = C_2 F1, or these times the pitch of 0.1 m; the
# first number that a statement quotes. C_2 of l/r = 10/3 is 0.30697 by the published series
# lambda + lambda^3/4 + 15 lambda^5/128 (Biezeno and Grammel, Engineering Dynamics IV).
SECOND = 0.3 + 0.3**3 / 4 + 15 * 0.3**5 / 128
MAGNITUDES = [
    ("single", HALF, "force_first", 0.5),
    ("single", HALF, "force_second", SECOND),
    ("twin 180", HALF, "couple_first", 0.05),
    ("three", (1.0, 0.0), "couple_first", 0.1 * 1.7321),
    ("three", HALF, "couple_second", 0.1 * 1.7321 * SECOND),
    ("four flat", (1.0, 0.0), "force_second", 4 * SECOND),
    ("five", (1.0, 0.0), "couple_first", 0.0449),
    ("five", HALF, "couple_second", 0.498 * SECOND),
    ("V2 90", HALF, "force_second", 1.4142 * SECOND),
    ("V6 60", HALF, "couple_second", 0.15 * SECOND),
    ("V6 90 split", HALF, "couple_first", 0.04483),
    ("V8 cross", (1.0, 0.0), "couple_first", 0.31623),
    ("V8 flat", (1.0, 0.0), "force_second", 5.6569 * SECOND),
    ("opposed 4", (1.0, 0.0), "couple_second", 0.2 * SECOND),
    ("radial 3", HALF, "force_second", 1.5 * SECOND),
]


@pytest.mark.parametrize(("name", "fractions", "rule", "coefficient"), MAGNITUDES)
def test_quoted_sizes_are_those_of_the_textbooks(name, fractions, rule, coefficient):
    of = classic(name, fractions=fractions)
    engine = of.engine
    unit = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    # Three printed digits here, three or four in the books; the series of C_2 to 1e-4.
    assert quantities(said(of, rule))[0] == pytest.approx(coefficient * unit, rel=0.008)


def quantities(text: str) -> list[float]:
    """Return all forces and couples that a text quotes. [N] or [N m]"""
    return [float(value) * (1000 if kilo else 1) for value, kilo, _ in QUANTITY.findall(text)]


# Rule by rule ---------------------------------------------------------------------------------
# For each rule a layout at which it must speak, with words that it must say, and one at which it
# must be silent. The conditions are those of the rules' docstrings.

SPLIT_SIDES = {"throw_angles_deg": [0, 0], "axes_deg": [-90, 90], "bank": [1, 2]}
SHAFT = [(1, "backward", 1.0)]
SECOND_PAIR = [(2, "forward", 1.0), (2, "backward", 1.0)]
GEARS = {"drive": {"by": "gears", "gears": 4}}

SPEAKS_AND_IS_SILENT: list[tuple[str, Layout, str, Layout]] = [
    ("firing_single", classic("single"), "fires once in 720°", classic("twin 360")),
    ("firing_even", classic("five"), "every 144°, in the order", classic("twin 180")),
    ("firing_uneven", classic("twin 180"), "longest wait is 540°, 1.50 times", classic("five")),
    ("firing_uneven", classic("twin 180"), "0.750, where even firing has 0.500", classic("single")),
    (
        "firing_even_possible",
        classic("four flat", order=["1", "4", "2", "3"]),
        "could fire evenly, for instance in the order 1-",
        classic("four flat", order=["1", "3", "4", "2"]),
    ),
    ("firing_even_possible", classic("twin 270"), "No firing order", classic("single")),
    (
        "firing_together",
        layout([0, 0], strokes=2),
        "Cylinders fire together: 1 and 2.",
        classic("twin 360"),
    ),
    ("firing_neighbours", classic("four flat"), "two are on a throw next to", classic("three")),
    ("firing_neighbours", classic("six", order=list("153624")), "No two", classic("twin 180")),
    ("firing_neighbours", sample("v-six-120"), "three are on the same throw", classic("V2 90")),
    ("firing_banks", sample("v-six-120"), "alternates between the banks", classic("four flat")),
    ("firing_banks", sample("v-eight-cross-plane"), "after six of eight", classic("opposed 2")),
    ("exhaust_spacing", classic("five"), "gets a pulse every 144°", classic("single")),
    ("exhaust_spacing", classic("twin 180"), "180-540° apart", classic("single")),
    (
        "exhaust_overlap",
        classic("five"),
        "overlaps the next in its collector by 96°",
        classic("single"),
    ),
    ("exhaust_overlap", classic("three"), "no two pulses in one collector", classic("single")),
    (
        # The crossed sets of a cross-plane V8: the project's notes on firing and exhaust.
        "exhaust_partition",
        sample("v-eight-cross-plane"),
        "{1, 4, 6, 7} and {2, 3, 5, 8}: overlap 480°",
        classic("V8 cross", collectors="one"),
    ),
    (
        "exhaust_partition",
        classic("five", collectors=[["1", "4"], ["2", "3", "5"]]),
        "split into two collectors",
        sample("in-line-four-flat"),
    ),
    (
        # With an even number of gears the camshaft turns against the crank; common practice.
        "camshaft_drive",
        classic("four flat", camshafts=GEARS),
        "turns against the crank, anticlockwise as seen from the free end (4 gears in the train)",
        classic("four flat"),
    ),
    ("crank_even_throws", classic("three"), "orders 1, 2 and 4 cancel", classic("twin 270")),
    ("firing_even", classic("five"), "every 144°", classic("single")),
    ("exhaust_partition", sample("v-eight-cross-plane"), "A better split", classic("twin 180")),
    (
        "crank_even_throws",
        layout([0, 0, 180, 120, 240], axes_deg=[-45, 45], bank=[1, 2, 1, 2, 2]),
        "(evenly around the turn), so forces of order 1 cancel within it",
        layout([0, 0, 180, 90, 240], axes_deg=[-45, 45], bank=[1, 2, 1, 2, 2]),
    ),
    (
        "crank_opposed_pistons",
        classic("opposed 2"),
        "of every order cancel",
        layout([0, 180, 90], axes_deg=[-90, 90], bank=[1, 2, 1]),
    ),
    (
        "force_balanced",
        classic("opposed 2"),
        "No free force is left: orders 1, 2, 4 and 6",
        layout([0, 180], axes_deg=[-90, 90], bank=[1, 2], cylinder_mm=[0, 0]),
    ),
    ("offset_path", classic("single", offset_mm=8.0), "of force of first", classic("single")),
    (
        "remedy_rolling_moment",
        classic("four flat", shafts=SECOND_PAIR),
        "level shafts leave it",
        classic("six", shafts=SECOND_PAIR),
    ),
    ("crank_even_throws", classic("V6 120"), "of each bank", classic("opposed 2")),
    ("crank_opposed_pistons", classic("opposed 4"), "1 with 2 and 3 with 4", classic("V2 90")),
    ("crank_opposed_pistons", classic("opposed 6"), "of every order", layout(**SPLIT_SIDES)),
    ("crank_mirror", classic("six"), "no couple arises", classic("three")),
    ("crank_mirror", sample("v-twelve-60"), "only from the stagger", classic("V8 cross")),
    ("crank_one_plane", classic("radial 3"), "in one plane", classic("single")),
    ("crank_internal_couple", classic("six"), "would remove it", classic("six", fractions=HALF)),
    ("crank_internal_couple", classic("four flat"), "bends it", classic("three")),
    (
        "shake_none",
        classic("opposed 6", positions_mm=[0, 100, 200, 300.0, 400, 500], cylinder_mm=[0] * 6),
        "Neither force nor couple",
        classic("six"),
    ),
    (
        "shake_total",
        classic("four flat"),
        "Left at 3000 rpm, all orders",
        layout([0, 180], axes_deg=[-90, 90], bank=[1, 2], cylinder_mm=[0, 0]),
    ),
    (
        "shake_total",
        classic("three", speed_rpm=None),
        "no speed in the file",
        layout([0, 180], axes_deg=[-90, 90], bank=[1, 2], cylinder_mm=[0, 0]),
    ),
    ("force_first", classic("single"), "Counterweights can take", classic("three")),
    ("force_second", classic("four flat"), "twice crank speed", classic("three")),
    ("force_higher", classic("four flat"), "order 4", classic("opposed 2")),
    ("force_higher", classic("six"), "next to nothing", classic("opposed 2")),
    ("force_taken", classic("V2 90", fractions=HALF), "nothing is left", classic("V2 90")),
    ("force_taken", classic("four flat", shafts=SECOND_PAIR), "the pair", classic("four flat")),
    ("force_balanced", classic("three"), "orders 1, 2 and 4", classic("single")),
    ("couple_first", classic("three"), "upright plane", classic("four flat")),
    ("couple_second", classic("V6 60"), "one shaft", classic("V8 cross", fractions=HALF)),
    ("couple_second", classic("V6 120"), "two unequal shafts", classic("six")),
    ("couple_taken", classic("three", fractions=HALF, shafts=SHAFT), "the other", classic("three")),
    ("couple_higher", classic("three"), "order 4", classic("single")),
    ("couple_balanced", classic("three"), "order 6 is balanced", classic("opposed 2")),
    (
        "overbalance",
        classic("single", fractions=(1.0, 0.8)),
        "exceed half the reciprocating masses",
        classic("single", fractions=HALF),
    ),
    ("overbalance", classic("V2 90", fractions=(1.0, 0.6)), "of their own", classic("V2 90")),
    (
        "offset_path",
        classic("three", offset_mm=8.0),
        "counterweights for half the reciprocating masses do not cancel",
        classic("four flat", offset_mm=8.0),
    ),
    (
        "overbalance",
        classic("single", offset_mm=20.0, fractions=(1.0, 0.505)),
        "they leave a first-order force of their own",
        classic("single", offset_mm=20.0, fractions=HALF),
    ),
    (
        "offset_path",
        classic("three", offset_mm=8.0),
        "of couple of first order",
        classic("three", offset_mm=8.0, fractions=HALF),
    ),
    (
        "couple_first",
        classic("three", offset_mm=8.0, fractions=HALF, shafts=SHAFT),
        "It comes from the offset pin path",
        classic("six"),
    ),
    (
        "couple_first",
        classic("three", offset_mm=8.0, fractions=HALF),
        "come from the offset pin path",
        classic("six"),
    ),
    (
        "firing_uneven",
        layout([0, 0, 180, 180], strokes=2),
        "Fires every 180°, in the order 1+2-3+4; the longest wait is 180°, 2.00 times",
        layout([0, 0], strokes=2),
    ),
    (
        "couple_second",
        classic("V8 flat", cylinder_mm=[-5, 5, 95, 105, 195, 205, 295, 305]),
        "about the middle of the crank: ",
        classic("V8 flat"),
    ),
    ("remedy_nothing", classic("six"), "there is nothing to remedy", classic("four flat")),
    (
        "remedy_nothing",
        sample("in-line-four-cross-plane"),
        "Counterweights and balance shafts leave nothing",
        classic("three"),
    ),
    ("remedy_best", classic("three"), "Least is left with", classic("six")),
    (
        "remedy_best",
        classic("four flat", shafts=SECOND_PAIR[:1]),
        "pair of shafts",
        classic("four flat", shafts=SECOND_PAIR),
    ),
    (
        "remedy_best",
        classic(
            "V6 120", fractions=HALF, shafts=[*SHAFT, (2, "forward", 0.99), (2, "backward", 1.0)]
        ),
        "none leaves less than the layout as given but for traces",
        classic("six"),
    ),
    ("remedy_smaller", classic("single", fractions=HALF), "Much is gained", classic("four flat")),
    (
        "remedy_given_shafts",
        classic("three", fractions=HALF, shafts=SHAFT),
        "lowers the RMS couple from",
        classic("four flat", shafts=SHAFT),
    ),
    (
        "remedy_useless_shaft",
        classic("four flat", shafts=SHAFT),
        "has nothing to take: leave it out",
        classic("three", shafts=SHAFT),
    ),
    (
        "remedy_rolling_moment",
        classic("four flat", shafts=SECOND_PAIR),
        "above the backward one",
        classic("four flat", shafts=SECOND_PAIR[:1]),
    ),
    ("remedy_unknown", classic("four flat", bore_mm=None), "Without a bore", classic("four flat")),
]


@pytest.mark.parametrize(
    ("rule", "speaking", "words", "silent"),
    SPEAKS_AND_IS_SILENT,
    ids=[f"{row[0]} {index}" for index, row in enumerate(SPEAKS_AND_IS_SILENT)],
)
def test_each_rule_speaks_where_it_must_and_only_there(rule, speaking, words, silent):
    assert words in said(speaking, rule)
    assert said(silent, rule) == ""


def test_every_rule_is_in_the_table_and_says_when_it_speaks():
    tested = {row[0] for row in SPEAKS_AND_IS_SILENT}
    assert tested == {rule.__name__ for rule in RULES}
    assert all((rule.__doc__ or "").startswith("Speak ") for rule in RULES)


# Invariance -----------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_turning_the_crank_in_the_air_or_mirroring_the_engine_changes_no_word(path):
    given_tables = read_toml(path)
    before = reading(layout_from_tables(given_tables))
    angles = given_tables["crank"]["throw_angles_deg"]
    turned = given_tables["crank"] | {"throw_angles_deg": [angle + 37 for angle in angles]}
    assert reading(layout_from_tables(given_tables | {"crank": turned})) == before
    labels = list(layout_from_tables(given_tables).labels)
    mirrored = given_tables | {
        "rotation": "anticlockwise",
        "cylinders": given_tables.get("cylinders", {}) | {"labels": labels},
    }
    assert reading(layout_from_tables(mirrored)) == before


@given(random_tables())
@few
def test_topics_are_known_and_in_order_and_each_rule_names_itself(given_tables):
    of = layout_from_tables(given_tables)
    statements = reading(of)
    places = [TOPICS.index(statement.topic) for statement in statements]
    assert places == sorted(places)
    facts = Findings(of, evaluation_of(of))
    for rule in RULES:
        assert {statement.rule for statement in rule(facts)} <= {rule.__name__}
    for statement in statements:
        assert statement.text.endswith(".")
        assert statement.text[0].isupper()
        assert "  " not in statement.text
        assert "nan" not in statement.text


def evaluation_of(of: Layout) -> Evaluation:
    """Return the evaluation of a layout."""
    return Evaluation(of.engine, of.batch)


# Numbers --------------------------------------------------------------------------------------


def with_fractions(given_tables: dict[str, Any], fractions: tuple[float, float]) -> dict[str, Any]:
    """Return the document of the layout with other counterweights and no shafts."""
    rotating, reciprocating = fractions
    balance = {"rotating_fraction": rotating, "reciprocating_fraction": reciprocating}
    return evaluation_document(layout_from_tables(given_tables | {"balance": balance}))


@given(random_tables())
@few
def test_every_force_and_couple_quoted_is_in_the_document(given_tables):
    of = layout_from_tables(given_tables)
    document, bare, half = (
        evaluation_document(of),
        with_fractions(given_tables, (0.0, 0.0)),
        with_fractions(given_tables, HALF),
    )
    known = {
        kind: [
            value
            for source in (document, bare, half)
            for entry in source["inertia"]["residual"].values()
            for key, value in entry.items()
            if key.startswith(kind) and not key.endswith("deg")
        ]
        + [document["inertia"][f"{kind}_{key}_{unit}"] for key in ("rms", "peak")]
        for kind, unit in (("force", "N"), ("couple", "Nm"))
    }
    for statement in reading(of):
        if statement.topic not in known or statement.rule == "remedy_best":
            continue
        for value, kilo, unit in QUANTITY.findall(statement.text):
            quoted = float(value) * (1000 if kilo else 1)
            values = known["couple" if unit == "N·m" else "force"]
            assert any(quoted == pytest.approx(v, rel=PRINTED, abs=1e-9) for v in values), (
                statement,
                values,
            )


@given(random_tables())
@few
def test_orders_are_called_balanced_exactly_when_nothing_is_left(given_tables):
    of = layout_from_tables(given_tables)
    residual = evaluation_document(of)["inertia"]["residual"]
    for kind, key, scale in zip(
        ("force", "couple"), ("force_peak_N", "couple_peak_Nm"), scales(of.engine), strict=True
    ):
        empty = {int(k) for k, entry in residual.items() if entry[key] <= 1e-6 * scale}
        text = said(of, f"{kind}_balanced") or said(of, "shake_none")
        orders = {int(found) for found in re.findall(r"\b\d\b", text)}
        assert orders == empty
        for order, name in ((1, "first"), (2, "second")):
            statement = said(of, f"{kind}_{name}")
            assert (statement == "") == (order in empty)
            if statement:
                peak = residual[str(order)][key]
                assert quantities(statement)[0] == pytest.approx(peak, rel=PRINTED)


@given(random_tables())
@few
def test_the_words_for_the_motion_follow_from_forward_and_backward(given_tables):
    of = layout_from_tables(given_tables)
    residual = evaluation_document(of)["inertia"]["residual"]
    for kind, unit in (("force", "N"), ("couple", "Nm")):
        for order, name in (("1", "first"), ("2", "second")):
            text = said(of, f"{kind}_{name}")
            if not text or "trace" in text:
                continue
            ahead = residual[order][f"{kind}_forward_{unit}"]
            against = residual[order][f"{kind}_backward_{unit}"]
            small = 1e-3 * (ahead + against)
            is_circle = min(ahead, against) <= small
            is_line = not is_circle and abs(ahead - against) <= small
            assert ("of constant size" in text) == is_circle
            assert ("swinging" in text) == is_line
            assert ("running round" in text) == (not is_circle and not is_line)
            if not is_line:
                sense = "with" if ahead > against else "against"
                assert re.search(rf"(turning|running round) {sense} the crank", text)
            if order == "1" and is_circle and ahead < against:
                assert "counterweights cannot remove it; one shaft turning backward" in text


@given(random_tables())
@few
def test_directions_are_those_of_the_document(given_tables):
    of = layout_from_tables(given_tables)
    residual = evaluation_document(of)["inertia"]["residual"]
    for kind in ("force", "couple"):
        for order, name in (("1", "first"), ("2", "second")):
            text = said(of, f"{kind}_{name}")
            if not re.search("swinging|running round", text):
                continue
            expected_deg = residual[order][f"{kind}_direction_deg"]
            found = re.search(r"([\d.]+)° from (?:straight up|upright), to the side .* (\w+)", text)
            if found:
                towards = "turns towards" in text
                stated_deg = float(found[1]) if towards else 180 - float(found[1])
            else:
                stated_deg = 90.0 if "horizontal" in text else 0.0
            apart = (stated_deg - expected_deg) % 180
            assert min(apart, 180 - apart) <= 0.0501  # a tenth of a degree is printed


def test_prices_and_gains_are_those_of_layouts_that_have_the_remedy():
    without = classic("four flat")
    having = classic("four flat", shafts=SECOND_PAIR)
    text = said(without, "remedy_best")
    before, after = (evaluation_document(of)["metrics"] for of in (without, having))
    assert quantities(text) == [
        pytest.approx(before["force_rms_N"], rel=PRINTED),
        pytest.approx(after["force_rms_N"], rel=PRINTED),
    ]
    assert "parts index +4" in text  # two parts a shaft: proportions of this project
    mass = float(re.search(r"crank train \+([\d.]+) kg", text)[1])
    assert mass == pytest.approx(
        after["crank_train_mass_kg"] - before["crank_train_mass_kg"], rel=0.051
    )  # two printed digits
    text = said(having, "remedy_given_shafts").split(" | ")
    # Each of the two: the force with only the other one there.
    for lone, sentence in zip((SECOND_PAIR[1:], SECOND_PAIR[:1]), text, strict=True):
        rms_N = evaluation_document(classic("four flat", shafts=lone))["metrics"]["force_rms_N"]
        assert quantities(sentence)[0] == pytest.approx(rms_N, rel=PRINTED)


def test_the_pair_of_a_four_stands_a_rod_length_apart():
    # With the forward shaft one rod length above the other the inertia part vanishes, and before
    # it is 2 m r^2 w^2 (notes on balance shafts): both to first order in lambda = 0.05, so 0.3 %.
    of = classic("four flat", shafts=SECOND_PAIR, rod_mm=900.0)
    engine = of.engine
    text = said(of, "remedy_rolling_moment")
    assert float(re.search(r"(\d+) mm above", text)[1]) == pytest.approx(900, rel=0.003)
    at_pin_kgm2 = engine.reciprocating_mass_kg * engine.crank_radius_m**2
    expected_Nm = 2 * at_pin_kgm2 * engine.speed_rad_s**2
    assert quantities(text) == [pytest.approx(expected_Nm, rel=PRINTED)]
    assert "to nothing" in text


def test_a_share_of_a_shaft_is_said_and_reckoned_with():
    of = classic("single", fractions=HALF, shafts=[(1, "backward", 0.6)])
    text = said(of, "remedy_given_shafts")
    without = evaluation_document(classic("single", fractions=HALF))["metrics"]["force_rms_N"]
    assert "takes 60 % of its part and lowers" in text
    assert quantities(text)[0] == pytest.approx(without, rel=PRINTED)


def test_overbalance_trades_along_for_across():
    # Bevan, The Theory of Machines, ch. 14: with a share c of the reciprocating mass balanced,
    # (1 - c) F1 is left along the cylinder and c F1 across.
    of = classic("single", fractions=(1.0, 0.7))
    engine = of.engine
    unit = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    expected = [0.5 * unit, 0.3 * unit, 0.7 * unit]
    assert quantities(said(of, "overbalance")) == [
        pytest.approx(value, rel=PRINTED) for value in expected
    ]


def test_collectors_and_intervals_are_quoted_in_the_order_of_firing():
    # Spacings of the banks of a cross-plane V8: the project's notes on firing and exhaust.
    text = said(sample("v-eight-cross-plane"), "exhaust_spacing")
    assert "{1, 3, 5, 7}: 270-180-90-180°" in text
    assert "{2, 4, 6, 8}: 90-180-270-180°" in text
    assert "7 after 5 and 4 after 8" in said(sample("v-eight-cross-plane"), "exhaust_overlap")


def test_a_couple_without_a_force_needs_no_point():
    assert " about " not in said(classic("three"), "couple_first")


def test_a_share_is_quoted_only_where_balancing_changed_something():
    # Bevan, ex. 14.5, with rotating masses: (m/2) of m + m_rot = 0.5 + 0.8 kg is left.
    assert "19 % of what it is without balancing" in said(
        classic("single", fractions=HALF), "force_first"
    )
    assert "without balancing" not in said(classic("four flat"), "force_second")


def test_a_remedy_names_the_counterweights_that_it_stands_on():
    words = "counterweights for all rotating and half the reciprocating masses"
    assert words in said(classic("three"), "remedy_best")
    assert words not in said(classic("three", fractions=HALF), "remedy_best")
    bare = classic("four flat", fractions=(0.0, 0.0))
    assert "and counterweights for all rotating masses:" in said(bare, "remedy_best")


def test_a_trace_asks_for_no_remedy():
    # Seven throws 360/7 degrees apart, written with two decimals.
    written = [round(k * 360 / 7, 2) for k in (0, 2, 4, 6, 1, 3, 5)]
    of = layout(written)
    assert said(of, "force_first").startswith("Only a trace of first-order force is left")
    assert "Fires evenly, every 102.9°" in said(of, "firing_even")


def test_most_statements_fit_on_a_page():
    assert all(len(reading(layout_from_tables(read_toml(path)))) <= 16 for path in SAMPLES)
    assert all(isinstance(statement, Statement) for statement in reading(classic("single")))


# Words ----------------------------------------------------------------------------------------


def test_quantities_carry_three_digits_and_a_unit():
    assert quantity(1234.5, "N") == "1230 N"
    assert quantity(9999.9, "N·m") == "10000 N·m"
    assert quantity(45678.0, "N·m") == "45.7 kN·m"
    assert quantity(0.012345, "N") == "0.0123 N"
    assert quantity(45678.0, "mm") == "45700 mm"
    assert quantity(1.26, "kg", digits=2) == "1.3 kg"
    assert quantity(0.0, "N") == "0 N"


def test_numbers_and_lists_have_the_right_grammar():
    assert (counted(1, "shaft"), counted(2, "shaft")) == ("one shaft", "two shafts")
    assert counted(13, "throw") == "13 throws"
    assert listed(["1"]) == "1"
    assert listed(["1", "2"]) == "1 and 2"
    assert listed(["1", "2", "4"]) == "1, 2 and 4"
    assert spaced([180.0, 102.857]) == "180-102.9°"
    assert (percent(0.17), percent(0.001), percent(0.0)) == ("17 %", "less than 1 %", "0 %")


def test_lines_are_named_in_the_direction_of_rotation():
    assert force_line(0.0) == force_line(180.0) == "straight up and down"
    assert force_line(90.0) == "horizontally"
    assert force_line(30.0) == (
        "along a line 30° from straight up, to the side the crank turns towards"
    )
    assert couple_plane(150.0) == "in a plane 30° from upright, to the side the crank comes from"


def test_the_classics_cover_every_order_of_statement():
    spoken = {s.rule for name in CLASSICS for s in reading(classic(name))}
    assert {"force_first", "couple_first", "force_second", "couple_second"} <= spoken
    assert tables([0])["crank"]["throw_angles_deg"] == [0]
