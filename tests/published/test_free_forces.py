"""Free forces, couples, firing intervals and exhaust spacings of the classic layouts.

Sources: `data/free_forces.json` gives for each of 27 layouts the published expression, its source
and its provenance ("from memory", "derivation only", ...; it also stands in the name of each test).
No handbook table could be opened while it was collected, so that the published numbers are
remembered ones; each was recomputed outside this project by a phasor sum and by brute force over
7200 crank angles. Sources of the other tables stand beside their rows.

Handbooks use the two-term idealisation F2 = m r w^2 lambda. This project keeps the exact second
harmonic C_2 of the slider-crank, so its order-2 results are divided by m r w^2 |C_2| here: what is
compared is how the cylinders add up, which is all that such a table states.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evaluate import METRICS, Evaluation, Layout, evaluation_document, layout_from_tables
from evaluate.kinematics import inertia_harmonics
from tests.engines import evaluation

TABLE = json.loads(
    (Path(__file__).parent / "data" / "free_forces.json").read_text(encoding="utf-8")
)["layouts"]
BY_ID = {entry["id"]: entry for entry in TABLE}
LENGTH_MM = 100.0  # the table's length unit a or b
SIX_DECIMALS = 1e-6  # the recomputed coefficients are written with six
EACH_LAYOUT = [pytest.param(entry, id=f"{entry['id']} [{entry['provenance']}]") for entry in TABLE]
EACH_PUBLISHED = [
    pytest.param(entry, quantity, id=f"{entry['id']} {quantity} [{entry['provenance']}]")
    for entry in TABLE
    for quantity in entry["published"]
]


def layout_of(entry: dict[str, Any]) -> Layout:
    """Return a layout file's worth of one entry; equal pins at one place share a throw."""
    cylinders = entry["cylinders"]
    places = list(dict.fromkeys((c["position"], c["pin_deg"]) for c in cylinders))
    places.sort(key=lambda place: place[0])
    axes = sorted({c["bank_deg"] for c in cylinders})
    return layout_from_tables(
        {
            "name": entry["id"],
            "cylinder": {
                "bore_mm": 80.0,
                "stroke_mm": 84.0,
                "rod_length_mm": 140.0,
                "reciprocating_mass_kg": 0.5,
            },
            "crank": {"throw_angles_deg": [pin for _, pin in places], "throw_pitch_mm": 40.0},
            "banks": {"angles_deg": axes},
            "cylinders": {
                "throw": [1 + places.index((c["position"], c["pin_deg"])) for c in cylinders],
                "bank": [1 + axes.index(c["bank_deg"]) for c in cylinders],
                "labels": [c["label"] for c in cylinders],
                "position_mm": [LENGTH_MM * c["position"] for c in cylinders],
            },
            "firing": {"order": entry["firing_order"]},
        }
    )


def unit_of(given: Evaluation, quantity: str) -> float:
    """Return the unit of "F1" ... "M2": m r w^2 |C_k|, of couples times the table's length."""
    engine = given.engine
    harmonics = inertia_harmonics(
        crank_radius_m=engine.crank_radius_m, rod_length_m=engine.rod_length_m
    )
    unit = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    unit *= abs(harmonics.force[harmonics.orders.index(int(quantity[1]))])
    return unit * LENGTH_MM / 1000 if quantity[0] == "M" else unit


def coefficients(given: Evaluation, quantity: str) -> dict[str, float]:
    """Return forward, backward, extreme and directed parts of "F1" ... "M2" in the table's unit.

    P exp(jkt) + Q exp(-jkt) has the real part Re((P + Q*) exp(jkt)), along the bisector, and the
    imaginary part Im((P - Q*) exp(jkt)), across it.
    """
    rotors = given.reciprocating.force if quantity[0] == "F" else given.reciprocating.couple
    row, unit = rotors.orders.index(int(quantity[1])), unit_of(given, quantity)
    forward, backward = rotors.forward[row, 0] / unit, rotors.backward[row, 0] / unit
    return {
        "forward": abs(forward),
        "backward": abs(backward),
        "max": abs(forward) + abs(backward),
        "min": abs(abs(forward) - abs(backward)),
        "along_bisector": abs(forward + backward.conjugate()),
        "across_bisector": abs(forward - backward.conjugate()),
    }


def turned_to(start: int, intervals: Sequence[float]) -> list[float]:
    """Return intervals of a cycle read from another firing on."""
    return [*intervals[start:], *intervals[:start]]


def test_the_table_is_whole_and_says_where_each_number_is_from() -> None:
    assert len(TABLE) == len(BY_ID) == 27
    assert all(entry["provenance"] and entry["source"] for entry in TABLE)
    # 18 layouts have a (remembered) published expression, nine are derivations only.
    assert sum(bool(entry["published"]) for entry in TABLE) == 18


@pytest.mark.parametrize(("entry", "quantity"), EACH_PUBLISHED)
def test_published_coefficient(entry: dict[str, Any], quantity: str) -> None:
    published = entry["published"][quantity]
    layout = layout_of(entry)
    got = coefficients(Evaluation(layout.engine, layout.batch), quantity)
    # The tolerance follows the printed digits; its reason stands beside it in the file.
    assert got[published["compare_with"]] == pytest.approx(
        published["coefficient"], rel=0, abs=published["tolerance"]
    ), published["expression"]


@pytest.mark.parametrize("entry", EACH_LAYOUT)
def test_parts_that_turn_with_and_against_the_crank(entry: dict[str, Any]) -> None:
    layout = layout_of(entry)
    given = Evaluation(layout.engine, layout.batch)
    for quantity, recomputed in entry["recomputed"].items():
        got = coefficients(given, quantity)
        for part, wanted in recomputed.items():
            assert got[part] == pytest.approx(wanted, rel=0, abs=SIX_DECIMALS), (quantity, part)


@pytest.mark.parametrize("entry", EACH_LAYOUT)
def test_metrics_of_single_orders(entry: dict[str, Any]) -> None:
    # Parts along and across the bisector are peaks of sines, so RMS^2 is half their squares' sum.
    layout = layout_of(entry)  # without rotating masses, counterweights and shafts
    given = Evaluation(layout.engine, layout.batch)
    of_table = {"F1": "first_order_force_N", "F2": "second_order_force_N"}
    of_table |= {"M1": "first_order_couple_Nm", "M2": "second_order_couple_Nm"}
    for quantity, key in of_table.items():
        if quantity not in entry["recomputed"]:
            continue  # a single cylinder, or one throw, has no couple
        parts = entry["recomputed"][quantity]
        wanted = math.hypot(parts["along_bisector"], parts["across_bisector"]) / math.sqrt(2)
        got = METRICS[key].compute(given)[0] / unit_of(given, quantity)
        assert got == pytest.approx(wanted, rel=0, abs=SIX_DECIMALS), key


# Peaks along one line, so sqrt(2) times the RMS. Source: the table's published expressions, from
# memory: 4 F2 (in-line four, flat), 4 sqrt(2) F2 (V8, flat, 90 deg), sqrt(3) F1 a (in-line three).
@pytest.mark.parametrize(
    ("layout_id", "key", "quantity", "peak"),
    [
        ("I4-flat", "second_order_force_N", "F2", 4.0),
        ("V8-90-flat", "second_order_force_N", "F2", 4 * math.sqrt(2)),
        ("V8-90-cross", "second_order_force_N", "F2", 0.0),
        ("I3-120", "first_order_couple_Nm", "M1", math.sqrt(3)),
        ("I3-120", "second_order_couple_Nm", "M2", math.sqrt(3)),
        ("I6", "first_order_couple_Nm", "M1", 0.0),
    ],
)
def test_known_single_orders(layout_id: str, key: str, quantity: str, peak: float) -> None:
    layout = layout_of(BY_ID[layout_id])
    given = Evaluation(layout.engine, layout.batch)
    rms = METRICS[key].compute(given)[0] / unit_of(given, quantity)
    assert rms * math.sqrt(2) == pytest.approx(peak, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("entry", EACH_LAYOUT)
def test_the_order_is_allowed_and_gives_the_intervals(entry: dict[str, Any]) -> None:
    layout = layout_of(entry)
    document = evaluation_document(layout)["firing"]
    # The document's intervals begin at the first cylinder, the table's at the order's first entry.
    start = document["order"].index(entry["firing_order"][0])
    assert turned_to(start, document["order"]) == entry["firing_order"]
    np.testing.assert_allclose(
        turned_to(start, document["intervals_deg"]), entry["firing_intervals_deg"], atol=1e-9
    )


# How the pin of the bank that lies ahead in the direction of rotation is splayed from the other
# pin of its pair: lagging (-) the crank fires evenly, leading (+) it does not. Source: traps 1 and
# 2 of the collection behind the table ("offset sign matters"; recomputed there), the lagging rows
# also Bosch Automotive Handbook, from memory. The leading 90-degree row is a derivation: a pair
# with banks -+V/2 and pins 0 and d adds up to |cos d/2| forward and |cos(V - d/2)| backward in the
# first order, |cos(V/2 - d)| and |cos(3V/2 - d)| in the second; three pairs at 120 degrees make a
# couple of sqrt 3 times that.
ROOT_3 = math.sqrt(3)
LARGE, SMALL = ROOT_3 * math.cos(math.radians(15)), ROOT_3 * math.sin(math.radians(15))
SPLAY_SIGN = [
    pytest.param(60, -60, (1.5, 0.0), (0.0, 1.5), [120] * 6, id="60 deg, lagging 60"),
    pytest.param(60, 60, (1.5, 1.5), (1.5, 1.5), [0, 240] * 3, id="60 deg, leading 60"),
    pytest.param(90, -30, (LARGE, SMALL), (SMALL, LARGE), [120] * 6, id="90 deg, lagging 30"),
    pytest.param(90, 30, (LARGE, SMALL), (LARGE, SMALL), [60, 180] * 3, id="90 deg, leading 30"),
]


@pytest.mark.parametrize(("bank_deg", "splay_deg", "first", "second", "intervals"), SPLAY_SIGN)
def test_sign_of_the_splay(
    bank_deg: float,
    splay_deg: float,
    first: tuple[float, float],
    second: tuple[float, float],
    intervals: list[float],
) -> None:
    entry = {
        "id": "V6",
        "cylinders": [
            {
                "label": f"{bank}{row + 1}",
                "pin_deg": (240 * row + (splay_deg if bank == "B" else 0)) % 360,
                "bank_deg": bank_deg / 2 if bank == "B" else -bank_deg / 2,
                "position": row - 1.0,
            }
            for row in range(3)
            for bank in "AB"
        ],
        "firing_order": ["A1", "B1", "A3", "B3", "A2", "B2"],
    }
    layout = layout_of(entry)
    given = Evaluation(layout.engine, layout.batch)
    for quantity, (forward, backward) in (("M1", first), ("M2", second)):
        got = coefficients(given, quantity)
        assert got["forward"] == pytest.approx(forward, rel=0, abs=1e-9)
        assert got["backward"] == pytest.approx(backward, rel=0, abs=1e-9)
    np.testing.assert_allclose(
        evaluation_document(layout)["firing"]["intervals_deg"], intervals, atol=1e-9
    )


# Best first-order balance of a V twin: pins 180 - 2 * (V angle) apart. Source: motorradonline.de,
# article on mass balance (read). Recomputed with the sign: the pin of the leading bank stands at
# 2 V - 180; backward exactly nothing, forward cos(90 - V) F1, which counterweights take.
V_ANGLES_DEG = [30, 45, 52, 60, 72, 75, 90, 120, 150, 180]


def v_twin(bank_deg: float, splay_deg: float) -> dict[str, float]:
    given = evaluation(
        pin_angles_deg=[0, splay_deg],
        bank_axes_deg=[-bank_deg / 2, bank_deg / 2],
        positions_m=[0, 0],
    )
    return coefficients(given, "F1")


@pytest.mark.parametrize("bank_deg", V_ANGLES_DEG)
def test_pin_offset_rule_of_the_v_twin(bank_deg: float) -> None:
    got = v_twin(bank_deg, 2 * bank_deg - 180)
    assert got["backward"] == pytest.approx(0, abs=1e-12)  # round-off only
    assert got["forward"] == pytest.approx(math.cos(math.radians(90 - bank_deg)), abs=1e-12)


@pytest.mark.parametrize("bank_deg", [v for v in V_ANGLES_DEG if v not in (90, 180)])
def test_pin_offset_of_the_other_sign_does_not_balance_the_v_twin(bank_deg: float) -> None:
    # At 90 and 180 degrees both signs are the same crank.
    assert v_twin(bank_deg, 180 - 2 * bank_deg)["backward"] > 0.1


# Firing intervals. Columns: crank pins, bank of each cylinder in degrees, order, intervals, source.
# "read" and "from memory" as in the collection; every row was recomputed there from the pins.
MIRROR_PAGE = "Wikipedia 'Big-bang firing order', mirror page (read)"
RIDER = "rider's notes repository (read)"
RADIAL = "FAA-type text, copied page (read); one throw, articulation of the rods left out"
INTERVALS = [
    ([0, 0], [0, 0], "1-2", [360, 360], MIRROR_PAGE),
    ([0, 180], [0, 0], "1-2", [180, 540], MIRROR_PAGE),
    ([0, 90], [0, 0], "1-2", [270, 450], MIRROR_PAGE),  # called a 270-degree crank
    ([0, 0], [45, -45], "1-2", [270, 450], MIRROR_PAGE),
    ([0, 75], [0, 0], "1-2", [285, 435], MIRROR_PAGE),  # called a 285-degree crank
    ([0, 0], [37.5, -37.5], "1-2", [285, 435], MIRROR_PAGE),
    ([0, 0], [30, -30], "1-2", [300, 420], MIRROR_PAGE),
    ([0, 0], [22.5, -22.5], "1-2", [315, 405], "rule 360 -+ V angle, from memory"),
    ([0, 240, 120], [0] * 3, "1-3-2", [240] * 3, RIDER),
    # "T-plane 0-90-180": cylinders 2 and 3 reach the top 90 and 180 degrees after cylinder 1.
    ([0, 270, 180], [0] * 3, "1-3-2", [180, 270, 270], RIDER),
    ([0, 180, 180, 0], [0] * 4, "1-3-4-2", [180] * 4, "several pages (read)"),
    ([0, 180, 180, 0], [0] * 4, "1-2-4-3", [180] * 4, "several pages (read)"),
    ([0, 270, 90, 180], [0] * 4, "1-3-2-4", [270, 180, 90, 180], "jalopnik.com (read)"),
    ([0, 216, 144, 72, 288], [0] * 5, "1-2-4-5-3", [144] * 5, "kfz-tech.de (read)"),
    (
        [0, 240, 120, 120, 240, 0],
        [0] * 6,
        "1-5-3-6-2-4",
        [120] * 6,
        "US Army OD1001 course (read)",
    ),
    # The left bank counts odd from the front and lies ahead: SAE J824 method A, with its sense.
    (
        [0, 0, 90, 90, 270, 270, 180, 180],
        [45, -45] * 4,
        "1-8-4-3-6-5-7-2",
        [90] * 8,
        "GLM marine catalogue p. 56 (read)",
    ),
    ([0] * 5, [72 * i for i in range(5)], "1-3-5-2-4", [144] * 5, RADIAL),
    ([0] * 7, [360 / 7 * i for i in range(7)], "1-3-5-7-2-4-6", [720 / 7] * 7, RADIAL),
    ([0] * 9, [40 * i for i in range(9)], "1-3-5-7-9-2-4-6-8", [80] * 9, RADIAL),
]


def engine_of(
    pins: list[float], axes: list[float], order: str, exhaust: dict[str, Any]
) -> dict[str, Any]:
    """Return the document of an engine whose cylinders 1, 2, ... have their own throws."""
    banks = sorted(set(axes))
    layout = layout_from_tables(
        {
            "cylinder": {
                "stroke_mm": 80.0,
                "rod_length_mm": 140.0,
                "reciprocating_mass_kg": 0.5,
            },
            "crank": {"throw_angles_deg": pins, "throw_pitch_mm": 50.0},
            "banks": {"angles_deg": banks},
            "cylinders": {
                "bank": [1 + banks.index(axis) for axis in axes],
                "labels": [str(i + 1) for i in range(len(pins))],
            },
            "firing": {"order": order.split("-")},
            "exhaust": exhaust,
        }
    )
    return evaluation_document(layout)


@pytest.mark.parametrize(
    ("pins", "axes", "order", "intervals"),
    [pytest.param(*row[:4], id=f"{row[2]} {row[3]} [{row[4]}]") for row in INTERVALS],
)
def test_published_firing_intervals(
    pins: list[float], axes: list[float], order: str, intervals: list[float]
) -> None:
    firing = engine_of(pins, axes, order, {})["firing"]
    assert "-".join(firing["order"]) == order
    np.testing.assert_allclose(firing["intervals_deg"], intervals, atol=1e-9)


FLAT_4 = ([0, 180, 180, 0], [0] * 4, "1-3-4-2")
MIRROR_6 = ([0, 240, 120, 120, 240, 0], [0] * 6, "1-5-3-6-2-4")
EVEN_V6 = ([0, 30, 240, 270, 120, 150], [45, -45] * 3, "1-6-5-4-3-2")
CROSS_V8 = ([0, 0, 90, 90, 270, 270, 180, 180], [45, -45] * 4, "1-8-4-3-6-5-7-2")
CROSS_V8_OTHER = (*CROSS_V8[:2], "1-8-7-2-6-5-4-3")
FLAT_V8 = ([0, 0, 180, 180, 180, 180, 0, 0], [-45, 45] * 4, "1-8-5-4-7-2-3-6")
FIVE = ([0, 216, 144, 72, 288], [0] * 5, "1-2-4-5-3")
FORUMS = "hpacademy.com forum, supra-forum.de (read); recomputed"
ODD, EVEN = ["1", "3", "5", "7"], ["2", "4", "6", "8"]
# Spacing of the pulses in one group. Read from any pulse of the group on, since the sources do not
# say where they begin; the sequence is theirs.
EXHAUST_SPACINGS = [
    (FLAT_4, ["1", "4"], [360, 360], FORUMS),
    (FLAT_4, ["2", "3"], [360, 360], FORUMS),
    (FLAT_4, ["1", "3"], [180, 540], FORUMS + " (the wrong pairing)"),
    (MIRROR_6, ["1", "2", "3"], [240] * 3, "compturbotechnology.com (read); recomputed"),
    (MIRROR_6, ["4", "5", "6"], [240] * 3, "compturbotechnology.com (read); recomputed"),
    (EVEN_V6, ["1", "3", "5"], [240] * 3, "recomputed"),
    (EVEN_V6, ["2", "4", "6"], [240] * 3, "recomputed"),
    (CROSS_V8, ODD, [270, 180, 90, 180], "GLM catalogue, Wikipedia 'V8' (read); recomputed"),
    (CROSS_V8, EVEN, [90, 180, 270, 180], "GLM catalogue, Wikipedia 'V8' (read); recomputed"),
    (CROSS_V8, ["1", "4", "6", "7"], [180] * 4, "recomputed"),
    (CROSS_V8, ["2", "3", "5", "8"], [180] * 4, "recomputed"),
    (CROSS_V8_OTHER, ODD, [180, 270, 180, 90], "order from memory; recomputed"),
    (CROSS_V8_OTHER, EVEN, [180, 90, 180, 270], "order from memory; recomputed"),
    (FLAT_V8, ODD, [180] * 4, "recomputed"),
    (FLAT_V8, EVEN, [180] * 4, "recomputed"),
    (FIVE, ["1", "4"], [288, 432], "recomputed"),
]


@pytest.mark.parametrize(
    ("engine", "group", "spacings"),
    [
        pytest.param(*row[:3], id=f"{row[0][2]} {','.join(row[1])} [{row[3]}]")
        for row in EXHAUST_SPACINGS
    ],
)
def test_exhaust_pulse_spacing(
    engine: tuple[list[float], list[float], str], group: list[str], spacings: list[float]
) -> None:
    others = [label for label in engine[2].split("-") if label not in group]
    document = engine_of(*engine, {"collectors": [group, others]})
    collector = document["exhaust"]["collectors"][0]
    assert collector["cylinders"] == sorted(group)
    got = np.round(collector["spacings_deg"], 9).tolist()
    assert got in [turned_to(start, spacings) for start in range(len(spacings))]
    assert collector["spacing_min_deg"] == pytest.approx(min(spacings), abs=1e-9)


# Overlap of two exhaust events in one branch, max(0, open duration - spacing): table of the
# collection (rule of its own). In this project every pulse of a cycle counts, so a collector with
# `pulses` equal spacings has `pulses` times the entry.
OVERLAPS = [
    # duration, then spacing: overlap
    (240, {90: 150, 144: 96, 180: 60, 240: 0, 360: 0}),
    (260, {90: 170, 144: 116, 180: 80, 240: 20, 360: 0}),
    (280, {90: 190, 144: 136, 180: 100, 240: 40, 360: 0}),
]


@pytest.mark.parametrize(
    ("duration", "spacing", "overlap"),
    [(duration, *pair) for duration, row in OVERLAPS for pair in row.items()],
)
def test_overlap_of_exhaust_openings(duration: float, spacing: int, overlap: float) -> None:
    pulses = 720 // spacing
    phases = [spacing * i for i in range(pulses)]
    given = evaluation(
        pin_angles_deg=[-phase % 360 for phase in phases],
        firing_bits=[phase // 360 for phase in phases],
        open_duration_deg=duration,
    )
    assert given.exhaust.spacing_min_deg[0] == pytest.approx(spacing, abs=1e-9)
    assert given.exhaust.overlap_deg[0] == pytest.approx(pulses * overlap, abs=1e-9)


def test_uneven_twin_overlaps_once() -> None:
    # The 270-degree column of the same table: 280 - 270 = 10 once, nothing in the other 450.
    given = evaluation(pin_angles_deg=[0, 90], firing_bits=[0, 0], open_duration_deg=280)
    assert given.exhaust.overlap_deg[0] == pytest.approx(10, abs=1e-9)
