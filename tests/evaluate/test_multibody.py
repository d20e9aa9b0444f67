"""Free forces and couples against a multibody simulation that knows no piston formula.

`tests/multibody.py` builds crank, rods and pistons from bodies, joints and loop closures and turns
them through a revolution by time integration (MuJoCo); the wrench on the ground is read from
sensors. Our phasor sums are compared with it at every sample angle, as complex numbers, so that
signs, directions and the sense of turning count too.

Tolerance: 0.1 % of one cylinder's m r w^2 (times the crank length for couples), for engines of up
to six cylinders whose rods are at least three cranks long. Left out by design are orders above the
sixth (and 7, 9, ... with an offset): at r/l = 0.3 order 8 is 6e-6 of m r w^2 per cylinder; the
simulation's own error is stated there as about 1e-6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from evaluate import Evaluation
from evaluate.firing import tdc_angles_deg
from evaluate.inertia import pin_sums
from tests.engines import evaluation
from tests.multibody import Mechanism, ground_wrench

N_SAMPLES = 180
SHARE = 1e-3
ComplexArray = NDArray[np.complex128]


def engine_like(mechanism: Mechanism, **balance: object) -> Evaluation:
    """Return our evaluation of the mechanism, unbalanced unless `balance` says otherwise."""
    return evaluation(
        pin_angles_deg=mechanism.pin_angles_deg,
        bank_axes_deg=mechanism.bank_angles_deg,
        positions_m=mechanism.positions_m,
        crank_radius_m=mechanism.crank_radius_m,
        rod_length_m=mechanism.rod_length_m,
        pin_path_offset_m=mechanism.pin_path_offset_m,
        reciprocating_mass_kg=mechanism.reciprocating_mass_kg,
        rotating_mass_kg=mechanism.rotating_mass_kg,
        speed_rad_s=mechanism.speed_rad_s,
        **balance,  # type: ignore[arg-type]
    )


def mechanism(
    pins_deg: Sequence[float],
    banks_deg: Sequence[float],
    positions_m: Sequence[float],
    *,
    offset_m: float = 0.0,
    rod_m: float = 0.15,
) -> Mechanism:
    """Return a mechanism with a crank radius of 45 mm."""
    return Mechanism(
        crank_radius_m=0.045,
        rod_length_m=rod_m,
        pin_path_offset_m=offset_m,
        reciprocating_mass_kg=0.5,
        rotating_mass_kg=0.7,
        speed_rad_s=520.0,
        pin_angles_deg=tuple(pins_deg),
        bank_angles_deg=tuple(banks_deg),
        positions_m=tuple(positions_m),
    )


# No symmetry on purpose: every order, force and couple of these engines is alive, and none of the
# reference planes lies in the middle of the crank.
CASES = {
    "single": mechanism([25], [0], [0.04]),
    "in line": mechanism([0, 100, 250, 300], [0] * 4, [-0.10, 0.02, 0.13, 0.26]),
    "V with own throws": mechanism(
        [0, 75, 190, 310], [-40, 40, 40, -40], [-0.12, -0.05, 0.04, 0.16]
    ),
    "V with splayed pins": mechanism(
        [0, 330, 240, 210, 130, 100], [-45, 45] * 3, [-0.12, -0.10, -0.01, 0.01, 0.10, 0.13]
    ),
    "opposed": mechanism([0, 180, 200, 10], [-90, 90] * 2, [-0.11, -0.06, 0.05, 0.12]),
    "offset pin path": mechanism([0, 140, 255], [0] * 3, [-0.09, 0.01, 0.11], offset_m=0.012),
    "offset the other way, V": mechanism(
        [0, 0, 200], [-25, 25, 25], [-0.08, -0.05, 0.07], offset_m=-0.009, rod_m=0.14
    ),
    "long crank, three cranks per rod": mechanism(
        [0, 120, 250], [10] * 3, [-0.2, 0.0, 0.23], rod_m=0.135
    ),
}


@cache
def simulated(case: str) -> tuple[NDArray[np.float64], ComplexArray, ComplexArray]:
    """Return angle, force and couple on the ground."""
    return ground_wrench(CASES[case], N_SAMPLES)


def unbalanced(case: str, theta_rad: NDArray[np.float64]) -> tuple[ComplexArray, ComplexArray]:
    """Return our force and couple: reciprocating plus rotating masses, by hand from the parts."""
    e = engine_like(CASES[case])
    turn = np.exp(1j * theta_rad)
    per_kg = pin_sums(e.engine, e.pins)
    return tuple(
        rotors.at(theta_rad)[0] + e.engine.rotating_mass_kg * sums[0] * turn
        for rotors, sums in zip(
            (e.reciprocating.force, e.reciprocating.couple), per_kg, strict=True
        )
    )


def assert_close(
    case: str, ours: ComplexArray, reference: ComplexArray, *, is_couple: bool
) -> None:
    m = CASES[case]
    unit = m.reciprocating_mass_kg * m.crank_radius_m * m.speed_rad_s**2
    if is_couple:
        unit *= max(float(np.ptp(m.positions_m)), m.crank_radius_m)
    worst = float(np.abs(ours - reference).max()) / unit
    assert worst < SHARE, f"{case}: {worst:.2e} of the unit"
    # The engines are not balanced by chance: what agrees is large beside the tolerance.
    assert np.abs(reference).max() > 0.1 * unit


@pytest.mark.parametrize("case", CASES)
def test_force_and_couple_at_every_angle(case: str) -> None:
    theta_rad, force, couple = simulated(case)
    our_force, our_couple = unbalanced(case, theta_rad)
    assert_close(case, our_force, force, is_couple=False)
    assert_close(case, our_couple, couple, is_couple=True)


@pytest.mark.parametrize("case", CASES)
def test_residual_without_counterweights_is_everything(case: str) -> None:
    # rotating_fraction = reciprocating_fraction = 0 and no shafts: `residual` adds the same parts.
    theta_rad, force, couple = simulated(case)
    e = engine_like(CASES[case])
    assert_close(case, e.residual.force.at(theta_rad)[0], force, is_couple=False)
    assert_close(case, e.residual.couple.at(theta_rad)[0], couple, is_couple=True)


@pytest.mark.parametrize("case", ["in line", "V with splayed pins", "offset the other way, V"])
def test_counterweights(case: str) -> None:
    # The simulation holds no masses opposite the pins, so that the counterweights are added to its
    # wrench as point masses on a circle, which needs no formula but m r w^2.
    m = CASES[case]
    theta_rad, force, couple = simulated(case)
    rotating_fraction, reciprocating_fraction = 0.9, 0.45
    mass_kg = (
        rotating_fraction * m.rotating_mass_kg + reciprocating_fraction * m.reciprocating_mass_kg
    )
    pull_N = mass_kg * m.crank_radius_m * m.speed_rad_s**2
    for pin_deg, place_m in zip(m.pin_angles_deg, m.positions_m, strict=True):
        opposite = pull_N * np.exp(1j * (theta_rad + math.radians(pin_deg + 180)))
        force, couple = force + opposite, couple + place_m * opposite
    e = engine_like(
        m, rotating_fraction=rotating_fraction, reciprocating_fraction=reciprocating_fraction
    )
    assert_close(case, e.residual.force.at(theta_rad)[0], force, is_couple=False)
    assert_close(case, e.residual.couple.at(theta_rad)[0], couple, is_couple=True)


@pytest.mark.parametrize("case", ["in line", "V with own throws", "offset pin path"])
def test_backward_first_order_shaft(case: str) -> None:
    # Again added as point masses: one weight for the force, a pair of opposite ones for the couple,
    # which start at the stated phases when cylinder 1 is at its top dead centre and turn backwards.
    m = CASES[case]
    theta_rad, force, couple = simulated(case)
    e = engine_like(m, shaft_fractions=(1.0, 0.0, 0.0))
    since_tdc = theta_rad - math.radians(tdc_angles_deg(e.batch)[0, 0])
    weight_kgm, pair_kgm2 = e.shaft_sizes.force_kgm[0, 0], e.shaft_sizes.couple_kgm2[0, 0]
    turn = m.speed_rad_s**2 * np.exp(-1j * since_tdc)
    arm_m = 0.2
    force_weight = weight_kgm * turn  # stands at the reference plane
    far = pair_kgm2 / arm_m * turn  # at +arm/2, its opposite at -arm/2
    force = force + force_weight + far - far
    couple = couple + 0.5 * arm_m * far - 0.5 * arm_m * -far
    assert_close(case, e.residual.force.at(theta_rad)[0], force, is_couple=False)
    assert_close(case, e.residual.couple.at(theta_rad)[0], couple, is_couple=True)
