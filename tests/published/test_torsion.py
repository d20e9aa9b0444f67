"""Torsional vibration against published examples, closed forms and rules.

Worked examples are typed in beside their tests, with source and provenance. "Recomputed" values
come from whoever collected the examples, by other code than this project's. No published table of
phase-vector sums could be opened, so the sums below are derived by hand from firing orders and
exact roots of unity; the derivation stands beside each.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from evaluate.torsion import (
    critical_speeds,
    cycle_multiples,
    excitation,
    forced_response,
    is_major,
    natural_modes,
    phase_vectors,
)
from evaluate.torsion_chain import Chain, Damper, stepped_shaft_stiffness_Nm_per_rad

SEVEN_DIGITS = 1e-6
INCH_M = 0.0254
#: Inertia that stands for a fixed end: moves the frequency by its inverse over the rotor's.
WALL_KGM2 = 1e9


def frequencies_rad_s(inertias: list[float], stiffnesses: list[float]) -> Any:
    """Return the natural frequencies of a free chain."""
    chain = Chain(
        inertias_kgm2=tuple(inertias),
        stiffnesses_Nm_per_rad=tuple(stiffnesses),
        cylinder_stations=(0,),
    )
    return natural_modes(chain).frequencies_rad_s


def test_three_discs_of_thomson() -> None:
    # W. T. Thomson, Theory of Vibration with Applications, example 12.4-1 (Holzer): stiffnesses
    # read on the page, inertias and answers from memory; printed with six digits.
    chain = Chain(
        inertias_kgm2=(5.0, 11.0, 22.0),
        stiffnesses_Nm_per_rad=(0.10e6, 0.20e6),
        cylinder_stations=(0,),
    )
    modes = natural_modes(chain)
    assert modes.frequencies_rad_s == pytest.approx([123.666, 202.658], abs=6e-4)
    # Shapes recomputed, five decimals.
    shapes = [[1.0, 0.23534, -0.34494], [1.0, -1.05352, 0.29949]]
    np.testing.assert_allclose(modes.shapes, shapes, atol=6e-6)


# T. Bevan, The Theory of Machines, ch. 15, example 8 (p. 570): rotors of 1500 and 1000 lb ft^2 on a
# shaft of pieces [length, diameter in inches], G = 12e6 lb/in^2, as a code companion reprints them.
BEVAN_15_8_KGM2 = [63.210165140707204, 42.14011009380481]
BEVAN_15_8_PIECES = [(11, 3), (10, 5), (15, 3.5), (4, 7), (10, 5)]
BEVAN_MODULUS_PA = 82737080000.0


def bevan_15_8_stiffness(*, drop: tuple[float, ...] = ()) -> float:
    """Return the stiffness of Bevan's stepped shaft, without pieces of some diameters."""
    pieces = [piece for piece in BEVAN_15_8_PIECES if piece[1] not in drop]
    return stepped_shaft_stiffness_Nm_per_rad(
        [length * INCH_M for length, _ in pieces],
        [diameter * INCH_M for _, diameter in pieces],
        shear_modulus_Pa=BEVAN_MODULUS_PA,
    )


def test_two_rotors_on_a_stepped_shaft_of_bevan() -> None:
    # The companion prints 23.8 Hz, which is wrong: its (3/5)^4 and (3/7)^4 become 0 by integer
    # division. The data give 22.24728 Hz (recomputed, seven digits), and without those pieces the
    # printed answer comes out.
    def found_Hz(stiffness: float) -> float:
        return float(frequencies_rad_s(BEVAN_15_8_KGM2, [stiffness])[0]) / (2 * math.pi)

    assert found_Hz(bevan_15_8_stiffness()) == pytest.approx(22.24728, rel=SEVEN_DIGITS)
    # One decimal printed, with pi = 3.141 or 3.147 in the companion (0.2 per cent).
    wrong = pytest.approx(23.8, abs=0.05 + 0.002 * 23.8)
    assert found_Hz(bevan_15_8_stiffness()) != wrong
    assert found_Hz(bevan_15_8_stiffness(drop=(5, 7))) == wrong


def test_equivalent_length_of_the_stepped_shaft_of_bevan() -> None:
    # Of a shaft of 3 inches: 0.5543187 m (recomputed, seven digits).
    length_m = math.pi * BEVAN_MODULUS_PA * (3 * INCH_M) ** 4 / 32 / bevan_15_8_stiffness()
    assert length_m == pytest.approx(0.5543187, rel=SEVEN_DIGITS)


def test_one_rotor_on_a_fixed_shaft_of_bevan() -> None:
    # Bevan, ch. 15, example 1 (p. 535): 0.3 ton with a radius of gyration of 15 inches on 3 feet of
    # shaft of 3 inches; 786 per minute printed (read in the companion), three digits and its pi.
    stiffness = stepped_shaft_stiffness_Nm_per_rad(
        [0.9144], [0.0762], shear_modulus_Pa=BEVAN_MODULUS_PA
    )
    found = frequencies_rad_s([304.8141 * 0.381**2, WALL_KGM2], [stiffness])[0]
    assert found * 30 / math.pi == pytest.approx(786, rel=0.002)
    assert found / (2 * math.pi) == pytest.approx(13.09392, rel=SEVEN_DIGITS)  # recomputed


def test_two_free_rotors() -> None:
    # omega^2 = k (I1 + I2) / (I1 I2): any textbook, such as Thomson ch. 5 (from memory).
    expected = math.sqrt(1e5 * (3.0 + 7.0) / 21.0)
    assert frequencies_rad_s([3.0, 7.0], [1e5])[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("n", [2, 3, 6, 12])
def test_free_chain_of_equal_discs(n: int) -> None:
    # omega_m = 2 sqrt(k/I) sin(m pi / 2n), shape cos((i - 1/2) m pi / n): Rayleigh, The Theory of
    # Sound vol. 1, par. 120; Timoshenko, Vibration Problems in Engineering (both from memory).
    chain = Chain(
        inertias_kgm2=(0.02,) * n, stiffnesses_Nm_per_rad=(5e5,) * (n - 1), cylinder_stations=(0,)
    )
    modes = natural_modes(chain)
    mode = np.arange(1, n)
    expected = 2 * math.sqrt(5e5 / 0.02) * np.sin(mode * math.pi / (2 * n))
    assert modes.frequencies_rad_s == pytest.approx(expected, rel=1e-11)
    shapes = np.cos(np.outer(mode, np.arange(n) + 0.5) * math.pi / n)
    np.testing.assert_allclose(modes.shapes, shapes / shapes[:, :1], atol=1e-9 * n)


@pytest.mark.parametrize("n", [1, 4, 8])
def test_chain_of_equal_discs_with_a_fixed_end(n: int) -> None:
    # omega_m = 2 sqrt(k/I) sin((2m - 1) pi / (4n + 2)), same sources.
    found = frequencies_rad_s([0.02] * n + [WALL_KGM2], [5e5] * n)
    mode = np.arange(1, n + 1)
    expected = 2 * math.sqrt(5e5 / 0.02) * np.sin((2 * mode - 1) * math.pi / (4 * n + 2))
    assert found == pytest.approx(expected, rel=1e-7)  # round-off beside the heavy wall


def rotor_with_damper(mass_ratio: float, tuning: float, damping_ratio: float) -> Any:
    """Return twist over static twist of a rotor on a fixed shaft, at many speeds.

    The rotor has unit inertia and stiffness; the ring's frequency is `tuning`, and its damping is
    `damping_ratio` times 2 x ring inertia x the rotor's frequency (Den Hartog's c / c_c).
    """
    chain = Chain(
        inertias_kgm2=(1.0, WALL_KGM2),
        stiffnesses_Nm_per_rad=(1.0,),
        cylinder_stations=(0,),
        damper=Damper(
            inertia_kgm2=mass_ratio,
            stiffness_Nm_per_rad=mass_ratio * tuning**2,
            damping_Nms_per_rad=2 * mass_ratio * damping_ratio,
        ),
    )
    unit = excitation([0, 1.0], speed_rad_s=1.0, cycle_deg=360.0, highest_order=1)
    speeds = np.linspace(0.3, 1.6, 20001)
    return speeds, forced_response(chain, unit, np.zeros(1), speeds).twist_rad[0]


@pytest.mark.parametrize("mass_ratio", [0.05, 0.25, 1.0])
def test_best_untuned_viscous_damper(mass_ratio: float) -> None:
    # c/c_c = 1 / sqrt(2 (1 + mu) (2 + mu)) gives the least peak, 1 + 2/mu: Den Hartog, Mechanical
    # Vibrations, ch. 3 (from memory).
    best = 1 / math.sqrt(2 * (1 + mass_ratio) * (2 + mass_ratio))
    peaks = [
        float(rotor_with_damper(mass_ratio, 0.0, factor * best)[1].max())
        for factor in (0.7, 1.0, 1.4)
    ]
    assert peaks[1] == pytest.approx(1 + 2 / mass_ratio, rel=1e-5)  # speeds 6.5e-5 apart
    assert peaks[1] < min(peaks[0], peaks[2])


@pytest.mark.parametrize("damping_ratio", [0.05, 0.2, 0.6])
def test_fixed_points_of_a_tuned_damper(damping_ratio: float) -> None:
    # Tuned to 1 / (1 + mu), all curves pass through two points of height sqrt(1 + 2/mu), at
    # g^2 = (1 -+ sqrt(mu / (2 + mu))) / (1 + mu): Den Hartog, ch. 3 (heights from memory,
    # abscissae by equating the curves without and with infinite damping).
    mu = 0.2
    speeds, twist = rotor_with_damper(mu, 1 / (1 + mu), damping_ratio)
    for sign in (-1, 1):
        at = math.sqrt((1 + sign * math.sqrt(mu / (2 + mu))) / (1 + mu))
        height = float(np.interp(at, speeds, twist))
        assert height == pytest.approx(math.sqrt(1 + 2 / mu), rel=1e-5)  # interpolated


# Firing orders that textbooks print for these engines (common practice, no source).
ORDERS = {
    "in-line four": ("1 3 4 2", 720.0),
    "in-line five": ("1 2 4 5 3", 720.0),
    "in-line six": ("1 5 3 6 2 4", 720.0),
    "in-line eight": ("1 6 2 5 8 3 7 4", 720.0),
    "v eight": ("1 8 4 3 6 5 7 2", 720.0),
    "two-stroke three": ("1 3 2", 360.0),
    "two-stroke four": ("1 3 4 2", 360.0),
    "two-stroke six": ("1 6 2 4 3 5", 360.0),
}


def evenly_fired(name: str) -> tuple[Any, float]:
    """Return firing angles of an evenly firing engine, (1, cylinders) [deg], and its cycle."""
    order, cycle_deg = ORDERS[name]
    cylinders = [int(word) - 1 for word in order.split()]
    angles_deg = np.empty((1, len(cylinders)))
    angles_deg[0, cylinders] = np.arange(len(cylinders)) * cycle_deg / len(cylinders)
    return angles_deg, cycle_deg


def phase_sums(name: str, shape: list[float], orders: list[float]) -> Any:
    """Return the phase-vector sums of an engine at some orders."""
    angles_deg, cycle_deg = evenly_fired(name)
    multiples = np.array([round(order * cycle_deg / 360) for order in orders])
    vectors = phase_vectors(angles_deg, np.array([shape]), multiples, cycle_deg=cycle_deg)
    return np.abs(vectors[0, 0])


def linear(n: int) -> list[float]:
    """Return a straight shape from 1 at the free end to 0 one pitch behind the last throw."""
    return [1 - k / n for k in range(n)]


ROOT = math.sqrt
BY_HAND = [
    # Four, b = 1, 3/4, 1/2, 1/4. Order 1/2: firings 90 deg apart, (b1 - b4) + j (b3 - b2).
    pytest.param("in-line four", 0.5, ROOT(0.75**2 + 0.25**2), id="four, 1/2"),
    # Order 1: 180 deg apart, b1 - b3 + b4 - b2 = 0. Order 2: all in phase, sum of b.
    pytest.param("in-line four", 1.0, 0.0, id="four, 1"),
    pytest.param("in-line four", 1.5, ROOT(0.75**2 + 0.25**2), id="four, 3/2"),
    pytest.param("in-line four", 2.0, 2.5, id="four, 2"),
    pytest.param("in-line four", 4.0, 2.5, id="four, 4"),
    # Six, b = 1, 5/6 .. 1/6. Order 1/2: firings 60 deg apart; with pairs 1-6, 5-2, 3-4 opposed:
    # 5/6 - 1/2 e^(j60) + 1/6 e^(j120) = 1/2 - j (1/2 - 1/6) sqrt(3)/2; modulus 1/sqrt(3).
    pytest.param("in-line six", 0.5, 1 / ROOT(3), id="six, 1/2"),
    # Order 1: 120 deg apart, pairs 1-6, 5-2, 3-4 in phase with equal sums 7/6: a closed star.
    pytest.param("in-line six", 1.0, 0.0, id="six, 1"),
    # Order 3/2: 180 deg apart, (b1 + b3 + b2) - (b5 + b6 + b4) = 5/2 - 1.
    pytest.param("in-line six", 1.5, 1.5, id="six, 3/2"),
    pytest.param("in-line six", 2.0, 0.0, id="six, 2"),
    pytest.param("in-line six", 2.5, 1 / ROOT(3), id="six, 5/2"),
    pytest.param("in-line six", 3.0, 3.5, id="six, 3"),
    pytest.param("in-line six", 4.5, 1.5, id="six, 9/2"),
    # Eight, b = 1, 7/8 .. 1/8, fires 1 6 2 5 8 3 7 4. Order 1: 90 deg apart, opposite pairs
    # (1, 8) - (2, 7) = 9/8 - 9/8 and (6, 3) - (5, 4) = 9/8 - 9/8. Order 2: (1 + 2 + 8 + 7) -
    # (6 + 5 + 3 + 4) = 18/8 - 18/8.
    pytest.param("in-line eight", 1.0, 0.0, id="eight, 1"),
    pytest.param("in-line eight", 2.0, 0.0, id="eight, 2"),
    pytest.param("in-line eight", 4.0, 4.5, id="eight, 4"),
    # Order 1/2: 45 deg apart, differences 1-8, 6-3, 2-7, 5-4 = 7/8, -3/8, 5/8, -1/8 at 0, 45, 90,
    # 135 deg: real 7/8 - 2/8 s, imaginary 5/8 - 4/8 s, with s = sqrt(1/2).
    pytest.param(
        "in-line eight",
        0.5,
        math.hypot(7 / 8 - 2 / 8 * ROOT(0.5), 5 / 8 - 4 / 8 * ROOT(0.5)),
        id="eight, 1/2",
    ),
    # Order 3/2: the same differences at 0, 135, 270, 45 deg: real 7/8 + 2/8 s,
    # imaginary -5/8 - 4/8 s.
    pytest.param(
        "in-line eight",
        1.5,
        math.hypot(7 / 8 + 2 / 8 * ROOT(0.5), 5 / 8 + 4 / 8 * ROOT(0.5)),
        id="eight, 3/2",
    ),
]


@pytest.mark.parametrize(("name", "order", "expected"), BY_HAND)
def test_phase_vector_sum_by_hand(name: str, order: float, expected: float) -> None:
    n_cylinders = len(ORDERS[name][0].split())
    found = phase_sums(name, linear(n_cylinders), [order])[0]
    assert found == pytest.approx(expected, abs=1e-12)  # round-off of eight unit phasors


def test_vectors_of_the_v_eight_by_hand() -> None:
    # Throws b = 1, 3/4, 1/2, 1/4 with cylinders 1, 2 | 3, 4 | 5, 6 | 7, 8; fires 1 8 4 3 6 5 7 2,
    # 90 deg apart. Order 1: real b1 - b4 + b6 - b7 = 1/2, imaginary b8 - b3 + b5 - b2 = -1.
    # Order 2: 180 deg apart, b1 + b4 + b6 + b7 - b8 - b3 - b5 - b2 = 0. Order 4: the sum.
    shape = [1, 1, 0.75, 0.75, 0.5, 0.5, 0.25, 0.25]
    found = phase_sums("v eight", shape, [1.0, 2.0, 4.0])
    assert found == pytest.approx([math.hypot(0.5, 1.0), 0.0, 5.0], abs=1e-12)


def test_vectors_of_the_five_by_hand() -> None:
    # b = 1, 4/5 .. 1/5, fires 1 2 4 5 3: order 1 at 144 deg steps, order 5/2 all in phase. With
    # sums of fifth roots of unity, 5 x vector = 5 + 4 e^(ja) + 2 e^(2ja) + 1 e^(3ja) + 3 e^(4ja):
    # real 5 + 7 cos a + 3 cos 2a, imaginary 1 sin a + 1 sin 2a, for a = 144 deg.
    a = math.radians(144)
    real = 5 + 7 * math.cos(a) + 3 * math.cos(2 * a)
    imaginary = math.sin(a) + math.sin(2 * a)
    found = phase_sums("in-line five", linear(5), [1.0, 2.5])
    assert found == pytest.approx([math.hypot(real, imaginary) / 5, 3.0], abs=1e-12)


def test_groups_of_orders_of_the_six_share_one_diagram() -> None:
    # J. P. Den Hartog, Mechanical Vibrations, ch. 5 (from memory), for 1-5-3-6-2-4, any shape.
    shape = [1.0, 0.93, 0.81, 0.6, 0.33, 0.07]
    groups: list[list[float]] = [[0.5, 2.5, 3.5, 5.5], [1, 2, 4, 5], [1.5, 4.5, 7.5], [3, 6, 9]]
    sums = [phase_sums("in-line six", shape, group) for group in groups]
    for group in sums:
        assert group == pytest.approx(group[0], abs=1e-12)
    assert len({round(float(group[0]), 6) for group in sums}) == len(groups)
    assert sums[3][0] == pytest.approx(sum(shape), abs=1e-12)


@pytest.mark.parametrize("name", ORDERS)
def test_major_orders_of_even_firing(name: str) -> None:
    # Multiples of N/2 in a four-stroke, of N in a two-stroke: Den Hartog, ch. 5; common practice.
    angles_deg, cycle_deg = evenly_fired(name)
    n_cylinders = angles_deg.shape[1]
    multiples = cycle_multiples(12.0, cycle_deg)
    orders = multiples * 360 / cycle_deg
    step = n_cylinders / 2 if cycle_deg == 720.0 else n_cylinders
    expected = np.abs(orders / step - np.rint(orders / step)) < 1e-9
    found = is_major(angles_deg, multiples, cycle_deg=cycle_deg)[0]
    assert found.tolist() == expected.tolist()
    # On a rigid crank all other orders vanish.
    rigid = np.ones((1, n_cylinders))
    sums = np.abs(phase_vectors(angles_deg, rigid, multiples, cycle_deg=cycle_deg))[0, 0]
    assert sums == pytest.approx(np.where(expected, n_cylinders, 0.0), abs=1e-12)


def test_third_order_meets_300_hertz_at_6000_rpm() -> None:
    # A racing V8 as read in a discussion of its measured orders: 5, 4 and 3 appear in turn with
    # rising speed, the third at 300 Hz (physicsforums.com, thread 5718297).
    orders = np.array([3.0, 4.0, 5.0])
    range_rad_s = (math.radians(6 * 1000), math.radians(6 * 7000))
    _, columns, speeds = critical_speeds(np.array([2 * math.pi * 300]), orders, range_rad_s)
    assert orders[columns].tolist() == [3.0, 4.0, 5.0]
    assert speeds * 30 / math.pi == pytest.approx([6000, 4500, 3600], rel=1e-12)
