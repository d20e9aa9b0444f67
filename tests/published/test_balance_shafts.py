"""Sizes, phases and height of balance shafts.

Source of the table: the collection's notes on balance shafts, recomputed there from the forward and
backward parts of `data/free_forces.json` (single, twin, in-line four and the 90-degree V twin are
textbook results, e.g. Bevan, The Theory of Machines, ch. 14; the one-half rule of a single: example
14.5, read). U is mass times eccentricity of one shaft in kg m.

Handbooks take the two-term second order m r w^2 lambda. This project's second order is m r w^2 C_2,
so that a second-order U is compared after multiplying with lambda / C_2; the difference itself,
lambda^2 / 4 in the leading term, is checked at the end.

The phases have no published values: there the weights are turned as point masses beside the exact
motion of the pistons, and the order that they should take away must be gone.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from evaluate import evaluation_document, layout_from_tables
from evaluate.kinematics import inertia_harmonics

RADIUS_MM, ROD_MM, MASS_KG, SPEED_RPM = 43.0, 43.0 / 0.30, 0.5, 6000.0
SPACING_MM = 100.0
LAMBDA = RADIUS_MM / ROD_MM
M_R = MASS_KG * RADIUS_MM / 1000
A = SPACING_MM / 1000
FIRST_BACKWARD = {"order": 1, "sense": "backward"}
SECOND_PAIR = [{"order": 2, "sense": "forward"}, {"order": 2, "sense": "backward"}]
ROOT_2, ROOT_3 = math.sqrt(2), math.sqrt(3)


def document(
    throws_deg: list[float],
    shafts: list[dict[str, Any]],
    *,
    v_deg: float | None = None,
    shared: bool = False,
    places_mm: list[float] | None = None,
    rod_mm: float = ROD_MM,
    reciprocating_fraction: float = 0.5,
    alternately: tuple[int, int] = (1, 2),
) -> dict[str, Any]:
    """Return the evaluation of an engine in line, or of a V with shared or own pins."""
    n = 2 * len(throws_deg) if shared else len(throws_deg)
    throw = [1 + i // 2 for i in range(n)] if shared else list(range(1, n + 1))
    bank = [1] * n if v_deg is None else [alternately[i % 2] for i in range(n)]
    tables: dict[str, Any] = {
        "cylinder": {
            "bore_mm": 86.0,
            "stroke_mm": 2 * RADIUS_MM,
            "rod_length_mm": rod_mm,
            "reciprocating_mass_kg": MASS_KG,
        },
        "crank": {"throw_angles_deg": throws_deg, "throw_pitch_mm": SPACING_MM},
        "banks": {"angles_deg": [0.0] if v_deg is None else [-v_deg / 2, v_deg / 2]},
        "cylinders": {"throw": throw, "bank": bank},
        "balance": {"reciprocating_fraction": reciprocating_fraction, "shafts": shafts},
        "operation": {"speed_rpm": SPEED_RPM},
    }
    if places_mm is not None:
        tables["cylinders"]["position_mm"] = places_mm
    return evaluation_document(layout_from_tables(tables))


def second_harmonic(rod_mm: float = ROD_MM) -> float:
    """Return C_2 of the exact slider-crank."""
    harmonics = inertia_harmonics(crank_radius_m=RADIUS_MM / 1000, rod_length_m=rod_mm / 1000)
    return float(harmonics.force[harmonics.orders.index(2)].real)


PAIRS_MM = [-100.0, -100.0, 0.0, 0.0, 100.0, 100.0]  # six pins, two at each place
V6_COMMON = {"v_deg": 120.0, "shared": True}
V6_SPLIT = {"v_deg": 90.0, "places_mm": PAIRS_MM}
# Layout; force unbalance in m r, couple unbalance in m r a. The pin of a splayed pair's bank that
# lies ahead lags, so that the engine fires evenly.
FIRST_ORDER = [
    pytest.param([0], {}, 0.5, 0.0, id="single"),
    pytest.param([0, 0], {}, 1.0, 0.0, id="twin, 360-degree crank"),
    pytest.param([0, 240, 120], {}, 0.0, ROOT_3 / 2, id="in-line three"),
    pytest.param([0, 216, 144, 72, 288], {}, 0.0, 0.2245, id="in-line five"),
    pytest.param([0, 330, 240, 210, 120, 90], V6_SPLIT, 0.0, 0.4483, id="90-degree V6, split"),
    pytest.param([0, 240, 120], V6_COMMON, 0.0, 0.8660, id="120-degree V6"),
    pytest.param([0, 180], {"v_deg": 180.0}, 0.0, 0.5, id="flat twin"),  # a is its stagger b
    # Nothing of first order is left for a shaft:
    pytest.param(
        [0, 300, 240, 180, 120, 60], {"v_deg": 60.0, "places_mm": PAIRS_MM}, 0, 0, id="60-degree V6"
    ),
    pytest.param([0, 240, 120], {"v_deg": 90.0, "shared": True}, 0, 0, id="90-degree V6, common"),
    pytest.param([0], {"v_deg": 90.0, "shared": True}, 0, 0, id="90-degree V twin"),
    pytest.param([0, 90, 270, 180], {"v_deg": 90.0, "shared": True}, 0, 0, id="V8, cross-plane"),
]


@pytest.mark.parametrize(("throws_deg", "layout", "force", "couple"), FIRST_ORDER)
def test_first_order_shaft(
    throws_deg: list[float], layout: dict[str, Any], force: float, couple: float
) -> None:
    result = document(throws_deg, [FIRST_BACKWARD], **layout)
    (shaft,) = result["balance"]["shafts"]
    # Four printed decimals where the table gives decimals, closed forms elsewhere.
    assert shaft["force_unbalance_kgm"] / M_R == pytest.approx(force, rel=0, abs=5e-5)
    assert shaft["couple_unbalance_kgm2"] / (M_R * A) == pytest.approx(couple, rel=0, abs=5e-5)
    assert (shaft["phase_deg"] is None) == (force == 0)
    assert (shaft["couple_phase_deg"] is None) == (couple == 0)
    # With half of the reciprocating mass balanced the whole first order is gone.
    first = result["inertia"]["residual"]["1"]
    unit_N = M_R * (2 * math.pi * SPEED_RPM / 60) ** 2
    assert first["force_peak_N"] == pytest.approx(0, abs=1e-9 * unit_N)
    assert first["couple_peak_Nm"] == pytest.approx(0, abs=1e-9 * unit_N * A)


# Second-order pairs: U of each shaft in m r lambda, from the two-term table; lambda / C_2 makes the
# exact one comparable. Closed forms, hence 1e-9.
@pytest.mark.parametrize(
    ("throws_deg", "layout", "unbalance"),
    [
        pytest.param([0, 180, 180, 0], {}, 0.5, id="in-line four"),
        pytest.param(
            [0, 180, 180, 0], {"v_deg": 90.0, "shared": True}, 1 / ROOT_2, id="V8, flat-plane"
        ),
    ],
)
def test_second_order_pair(
    throws_deg: list[float], layout: dict[str, Any], unbalance: float
) -> None:
    result = document(throws_deg, SECOND_PAIR, **layout)
    assert [shaft["sense"] for shaft in result["balance"]["shafts"]] == ["forward", "backward"]
    for shaft in result["balance"]["shafts"]:
        in_table_units = shaft["force_unbalance_kgm"] / (M_R * second_harmonic())
        assert in_table_units == pytest.approx(unbalance, rel=1e-9)
        assert shaft["couple_unbalance_kgm2"] == pytest.approx(0, abs=1e-9 * M_R * A)
    second = result["inertia"]["residual"]["2"]
    assert second["force_peak_N"] == pytest.approx(0, abs=1e-9 * M_R * 4e5)


def test_cross_plane_v8_has_no_second_order() -> None:
    result = document([0, 90, 270, 180], SECOND_PAIR, v_deg=90.0, shared=True)
    assert [s["force_unbalance_kgm"] for s in result["balance"]["shafts"]] == [0, 0]
    assert [s["couple_unbalance_kgm2"] for s in result["balance"]["shafts"]] == [0, 0]


def test_counterweights_of_v_engines_with_shared_pins() -> None:
    # 90-degree V twin: counterweight m r, all of one cylinder's reciprocating mass. Cross-plane V8:
    # the counterweights' couple is sqrt 10 m r a, sum of m r at throws 0, 90, 270, 180.
    twin = document([0], [], v_deg=90.0, shared=True)
    assert twin["balance"]["counterweight_kgm"] == pytest.approx([M_R], rel=1e-12)
    eight = document([0, 90, 270, 180], [], v_deg=90.0, shared=True)
    weights_kgm = np.array(eight["balance"]["counterweight_kgm"])
    arms_m = A * (np.arange(4) - 1.5)
    couple_kgm2 = abs(weights_kgm * arms_m @ np.exp(1j * np.radians([0, 90, 270, 180])))
    assert couple_kgm2 == pytest.approx(math.sqrt(10) * M_R * A, rel=1e-12)
    assert eight["inertia"]["residual"]["1"]["couple_peak_Nm"] == pytest.approx(0, abs=1e-6)


def test_numeric_check_of_the_in_line_four() -> None:
    # Computed beside the table: m = 0.5 kg, r = 43 mm, lambda = 0.30, 6000 rpm: 4 F2 = 10 185 N and
    # U = 3.225e-3 kg m by the two-term series; five and four printed digits.
    result = document([0, 180, 180, 0], SECOND_PAIR)
    two_term = LAMBDA / second_harmonic()
    peak_N = result["inertia"]["reciprocating"]["2"]["force_peak_N"]
    assert peak_N * two_term == pytest.approx(10185, abs=0.5)
    unbalance_kgm = result["balance"]["shafts"][0]["force_unbalance_kgm"]
    assert unbalance_kgm * two_term == pytest.approx(3.225e-3, abs=5e-7)
    # The exact second order is larger by lambda^2 / 4 in the leading term (slider-crank series).
    assert 1 / two_term - 1 == pytest.approx(LAMBDA**2 / 4, rel=0.05)


# Height of the in-line four's pair. The collection derives it with the two-term series: the block
# feels 2 m r^2 w^2 sin 2t and the pair 2 m r lambda w^2 z, so that the inertia part vanishes when
# the forward shaft stands z = r / lambda, one rod length, above the other. With the exact series
# 1/2 becomes |D_2| = 1/2 + lambda^4/32 + ... and lambda becomes C_2 = lambda + lambda^3/4 + ...:
# z = 2 |D_2| r / C_2, one rod length less lambda^2/4 of it.
@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.2, 0.25, 0.3, 0.35])
def test_height_difference_is_one_rod_length(ratio: float) -> None:
    rod_mm = RADIUS_MM / ratio
    pair = document([0, 180, 180, 0], SECOND_PAIR, rod_mm=rod_mm)["balance"]["second_order_pair"]
    height_mm = pair["height_forward_above_backward_mm"]
    assert height_mm == pytest.approx(rod_mm, rel=ratio**2 / 4 + 1e-9)
    in_two_terms_mm = height_mm * second_harmonic(rod_mm) / ratio
    assert in_two_terms_mm == pytest.approx(rod_mm, rel=ratio**4 / 8 + 1e-9)
    assert pair["rolling_moment_then_Nm"] < 1e-9 * pair["rolling_moment_before_Nm"]


def test_height_difference_from_the_printed_harmonics() -> None:
    # A2 = 0.307051 and the second torque harmonic -0.50028 at lambda = 0.30 (see the slider-crank
    # tables in test_worked_examples): 2 * 0.50028 / 0.307051 * r, five printed digits.
    pair = document([0, 180, 180, 0], SECOND_PAIR)["balance"]["second_order_pair"]
    assert pair["height_forward_above_backward_mm"] == pytest.approx(
        2 * 0.50028 / 0.307051 * RADIUS_MM, rel=2e-5
    )


# --- The weights turned as point masses beside the exact motion of the pistons -------------------


def brute_force(result: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return angle, force, couple and torque on the block of the bare pistons, in the time domain.

    Position of each wrist pin from exact geometry, acceleration by a spectral derivative; the block
    feels minus the torque m x'' x' on the crank (virtual work).
    """
    n = 256
    theta = 2 * np.pi * np.arange(n) / n
    radius, rod = RADIUS_MM / 1000, ROD_MM / 1000
    speed = 2 * np.pi * SPEED_RPM / 60
    orders = np.fft.fftfreq(n, 1 / n)
    force, couple, torque = np.zeros(n, complex), np.zeros(n, complex), np.zeros(n)
    places = [cylinder["position_mm"] / 1000 for cylinder in result["cylinders"]]
    for cylinder, place in zip(result["cylinders"], places, strict=True):
        axis = np.exp(1j * np.radians(cylinder["bank_axis_deg"]))
        psi = theta + np.radians(cylinder["pin_angle_deg"] - cylinder["bank_axis_deg"])
        position = radius * np.cos(psi) + np.sqrt(rod**2 - (radius * np.sin(psi)) ** 2)
        spectrum = np.fft.fft(position)
        first = np.fft.ifft(1j * orders * spectrum).real
        second = np.fft.ifft(-(orders**2) * spectrum).real
        pushed = -MASS_KG * second * speed**2
        force += pushed * axis
        couple += pushed * axis * place
        torque += MASS_KG * second * first * speed**2
    return theta, force, couple, torque


def of_order(values: np.ndarray, order: int, sense: str) -> complex:
    """Return the phasor of a complex quantity that turns with or against the crank."""
    index = order if sense == "forward" else -order
    return complex(np.fft.fft(values)[index] / len(values))


PHASES = [
    pytest.param([0, 0], {}, [FIRST_BACKWARD], id="twin"),
    pytest.param([30, 270, 150], {}, [FIRST_BACKWARD], id="three, throw 1 at 30"),
    pytest.param([0, 40, 170], {}, [FIRST_BACKWARD, *SECOND_PAIR], id="odd three, all slots"),
    pytest.param(
        [20, 350, 260, 230, 140, 110],
        {**V6_SPLIT, "alternately": (2, 1)},
        [FIRST_BACKWARD, *SECOND_PAIR],
        id="split V6, bank 2 first",
    ),
    pytest.param(
        [10, 60, 200],
        {"v_deg": 75.0, "shared": True},
        [{**FIRST_BACKWARD, "fraction": 0.7}, {**SECOND_PAIR[0], "fraction": 0.4}],
        id="V6 with partial shafts",
    ),
]


@pytest.mark.parametrize(("throws_deg", "layout", "shafts"), PHASES)
def test_weights_at_their_phases_take_the_slot_away(
    throws_deg: list[float], layout: dict[str, Any], shafts: list[dict[str, Any]]
) -> None:
    # `phase_deg`: where the heavy point stands when cylinder 1 is at its top dead centre.
    result = document(throws_deg, shafts, reciprocating_fraction=0.0, **layout)
    theta, force, couple, _ = brute_force(result)
    since_tdc = theta - math.radians(result["cylinders"][0]["tdc_deg"])
    speed = 2 * math.pi * SPEED_RPM / 60
    for shaft in result["balance"]["shafts"]:
        order, sense = shaft["order"], shaft["sense"]
        turn = order if sense == "forward" else -order
        for bare, unbalance, phase in (
            (force, "force_unbalance_kgm", "phase_deg"),
            (couple, "couple_unbalance_kgm2", "couple_phase_deg"),
        ):
            angle = math.radians(shaft[phase] or 0.0) + turn * since_tdc
            weights = shaft[unbalance] * (order * speed) ** 2 * np.exp(1j * angle)
            before = of_order(bare, order, sense)
            after = of_order(bare + weights, order, sense)
            # Spectral derivatives are exact to round-off, which grows with the square of order.
            tolerance = 1e-9 * M_R * speed**2 * len(result["cylinders"])
            assert after == pytest.approx((1 - shaft["fraction"]) * before, rel=0, abs=tolerance)


def test_pair_at_its_height_takes_the_rolling_moment_away() -> None:
    # A force F at height z above the crank turns the block by Im(F) z in the direction of rotation.
    result = document([0, 180, 180, 0], SECOND_PAIR, reciprocating_fraction=0.0)
    theta, force, _, torque = brute_force(result)
    pair, speed = result["balance"]["second_order_pair"], 2 * math.pi * SPEED_RPM / 60
    height_m = pair["height_forward_above_backward_mm"] / 1000
    block, total = torque.copy(), force.copy()
    for shaft, height in zip(result["balance"]["shafts"], (0.5, -0.5), strict=True):
        turn = 2 if shaft["sense"] == "forward" else -2
        angle = math.radians(shaft["phase_deg"]) + turn * theta
        weight = shaft["force_unbalance_kgm"] * (2 * speed) ** 2 * np.exp(1j * angle)
        total += weight
        block += height * height_m * weight.imag
    before, after = (2 * abs(of_order(moment, 2, "forward")) for moment in (torque, block))
    assert pair["rolling_moment_before_Nm"] == pytest.approx(before, rel=1e-9)
    assert after < 1e-9 * before
    assert abs(of_order(total, 2, "forward")) < 1e-9 * abs(of_order(force, 2, "forward"))
    assert height_m > 0  # the shaft that turns with the crank stands on top


@pytest.mark.parametrize(
    ("throws_deg", "layout"),
    [
        pytest.param([0, 180, 180, 0], {"v_deg": 90.0, "shared": True}, id="V8, flat-plane"),
        pytest.param([0, 240, 120], {}, id="in-line three"),
    ],
)
def test_no_height_is_given_where_none_matters(
    throws_deg: list[float], layout: dict[str, Any]
) -> None:
    # The flat-plane V8's second order is sideways and its torque of that order vanishes, the
    # in-line three has no force of second order: no height changes anything.
    pair = document(throws_deg, SECOND_PAIR, **layout)["balance"]["second_order_pair"]
    assert (pair["height_forward_above_backward_mm"] or 0.0) == pytest.approx(0, abs=1e-6)
