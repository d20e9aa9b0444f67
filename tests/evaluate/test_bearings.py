"""Crankpin and main-bearing loads against statics done by hand, multibody dynamics and free forces.

The reference of most tests is `by_hand`: points on their paths, differentiated spectrally, and the
balance of each piston and of each bay solved as linear equations, in a fixed plane with a signed
speed; no formula of `evaluate` is in it. Pressure traces are made up, smooth where exactness is
tested.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import mujoco
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evaluate import Batch, Engine, Evaluation, bearings
from evaluate.firing import firing_angles_deg
from evaluate.kinematics import piston_motion
from evaluate.traces import PressureTrace
from tests import multibody
from tests.engines import evaluation
from tests.evaluate.layouts import CLASSICS, classic
from tests.evaluate.test_multibody import CASES, engine_like, mechanism

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
K = 720
ROUND_OFF = 1e-10  # of the peak: the spectral derivative multiplies rounding by up to 48^2
few = settings(max_examples=40, deadline=None)


def smooth_trace(
    cycle_deg: float, *, rise_Pa: float = 60e5, at_deg: float = 12.0, n_samples: int = K
) -> PressureTrace:
    """Return a bump of pressure, about 20 degrees wide, not symmetric about dead centre."""
    psi_rad = np.deg2rad(cycle_deg) * np.arange(n_samples) / n_samples
    turn = (psi_rad - math.radians(at_deg)) * 360 / cycle_deg
    sharpness = 10 * (cycle_deg / 360) ** 2
    return PressureTrace(
        psi_rad=psi_rad, pressure_Pa=1.1e5 + rise_Pa * np.exp(sharpness * (np.cos(turn) - 1))
    )


def rough_trace(cycle_deg: float, *, n_samples: int = K) -> PressureTrace:
    """Return compression, burning in 50 degrees, expansion, and a blow-down in 40 degrees."""
    psi_rad = np.deg2rad(cycle_deg) * np.arange(n_samples) / n_samples
    after_deg = (np.rad2deg(psi_rad) + cycle_deg / 2) % cycle_deg - cycle_deg / 2
    volume = 1 + 4.5 * (1 - np.cos(np.deg2rad(after_deg)))
    burnt = 1 - np.exp(-5 * np.clip((after_deg + 15) / 50, 0, None) ** 3)
    closed_Pa = 1e5 * (10 / volume) ** 1.35 * (1 + 2.8 * burnt)
    blown = np.clip((after_deg - 130) / 40, 0, 1)
    open_Pa = 1e5 + (closed_Pa - 1e5) * (1 - blown)
    return PressureTrace(
        psi_rad=psi_rad, pressure_Pa=np.where(np.abs(after_deg) < 180, open_Pa, 1e5)
    )


def by_hand(
    e: Evaluation, trace: PressureTrace | None, *, sense: float = 1.0
) -> tuple[ComplexArray, ComplexArray]:
    """Return forces on the crank at each cylinder (cylinders, K) and main loads (mains, K).

    As complex numbers up + j right in a fixed plane. With `sense` -1 the crank turns anticlockwise:
    then all angles and the offset count that way.
    """
    engine, batch = e.engine, e.batch
    r, rod = engine.crank_radius_m, engine.rod_length_m
    offset = sense * engine.pin_path_offset_m
    speed = sense * engine.speed_rad_s
    axes = sense * np.deg2rad(batch.bank_axes_deg()[0])
    pins = sense * np.deg2rad(batch.pin_angles_deg[0])
    turns = round(engine.cycle_deg / 360)
    gone_rad = np.deg2rad(engine.cycle_deg) * np.arange(K) / K
    # Time runs with gone_rad; the crank starts where cylinder 1 stands on its bank axis.
    crank = axes[0] - pins[0] + sense * gone_rad
    first_fired = firing_angles_deg(batch)[0]
    forces = np.empty((engine.n_cylinders, K), complex)
    for i in range(engine.n_cylinders):
        axis = np.exp(1j * axes[i])
        pin = r * np.exp(1j * (crank + pins[i]))
        local = pin * np.conj(axis)
        wrist = local.real + np.sqrt(rod**2 - (local.imag - offset) ** 2)
        orders = np.fft.fftfreq(K, 1 / K) / turns
        orders[np.abs(orders) > 48] = 0  # there the motion is below round-off, which would grow
        acceleration = np.fft.ifft(-((orders * speed) ** 2) * np.fft.fft(wrist)).real
        gas_N = np.zeros(K)
        if trace is not None:
            sample = np.rint(np.rad2deg(gone_rad) * K / engine.cycle_deg)
            sample -= first_fired[i] * K / engine.cycle_deg
            index = np.rint(sample).astype(int)
            assert np.abs(sample - index).max() < 1e-6  # by hand only on whole samples
            area = math.pi * (engine.bore_m / 2) ** 2
            gas_N = (trace.pressure_Pa[index % K] - 101_325.0) * area
        # Unknowns: pull S of the rod on the piston towards the crankpin, push N of the wall.
        rod_line = (local - (wrist + 1j * offset)) / rod
        balance = np.zeros((K, 2, 2))
        balance[:, 0, 0], balance[:, 1, 0], balance[:, 1, 1] = rod_line.real, rod_line.imag, 1.0
        known = np.zeros((K, 2, 1))
        known[:, 0, 0] = engine.reciprocating_mass_kg * acceleration + gas_N
        pull = np.linalg.solve(balance, known)[:, 0, 0]
        on_pin = -pull * rod_line * axis
        weight_kg = (
            batch.rotating_fraction[0] * engine.rotating_mass_kg
            + batch.reciprocating_fraction[0] * engine.reciprocating_mass_kg
        )
        forces[i] = on_pin + (engine.rotating_mass_kg - weight_kg) * speed**2 * pin
    mains = engine.main_positions_m
    loads = np.zeros((len(mains), K), complex)
    for place, force in zip(engine.positions_m, forces, strict=True):
        bay = 0
        while bay < len(mains) - 2 and place > mains[bay + 1]:
            bay += 1
        beam = np.array([[1.0, 1.0], mains[bay : bay + 2]])
        loads[bay : bay + 2] += np.linalg.solve(beam, np.array([force, place * force]))
    return forces, loads


def ours(e: Evaluation, trace: PressureTrace | None) -> ComplexArray:
    """Return our main loads, (mains, K)."""
    return bearings.main_loads_N(e.engine, e.batch, bearings.pin_force_N(e.engine, trace))[0]


def of_layout(name: str, **changed: Any) -> Evaluation:
    """Return the evaluation of a classic layout."""
    layout = classic(name, **changed)
    return Evaluation(layout.engine, layout.batch)


ASYMMETRIC: dict[str, Any] = {"fractions": (0.8, 0.3), "masses_kg": (0.5, 0.9), "offset_mm": 9.0}
W_ENGINE: dict[str, Any] = {
    "throw_angles_deg": [0, 90, 270, 180],
    "axes_deg": [-50, -35, 35, 50],
    "throw": [1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4],
    "bank": [1, 2, 3, 4] * 4,
    "cylinder_mm": [100 * k + s for k in range(4) for s in (-24, -8, 8, 24)],
}
FAMILIES = {
    "in line": lambda: of_layout("five", **ASYMMETRIC),
    "V shared": lambda: of_layout("V8 cross", **ASYMMETRIC),
    "V split": lambda: of_layout("V6 90 split", **ASYMMETRIC),
    "V own": lambda: of_layout("V6 60", **ASYMMETRIC),
    "opposed": lambda: of_layout("opposed 6", **ASYMMETRIC),
    "radial": lambda: of_layout("radial 3", **ASYMMETRIC),
    "W": lambda: of_layout("V8 cross", **(W_ENGINE | ASYMMETRIC)),
    "two-stroke": lambda: of_layout("four cross", strokes=2, order=None, **ASYMMETRIC),
}


@pytest.mark.parametrize("family", FAMILIES)
def test_whole_crank_is_in_equilibrium_at_every_step(family: str) -> None:
    e = FAMILIES[family]()
    trace = smooth_trace(e.engine.cycle_deg)
    forces, loads = by_hand(e, trace)
    got = ours(e, trace)
    most = np.abs(forces).max()
    assert np.abs(got.sum(axis=0) - forces.sum(axis=0)).max() < ROUND_OFF * most
    for point_m in (-1.3, 0.0, 0.4):  # moments about any point
        applied = (e.engine.positions_m - point_m) @ forces
        carried = (e.engine.main_positions_m - point_m) @ got
        assert np.abs(carried - applied).max() < ROUND_OFF * most
    # Nothing vanishes by symmetry, so that the sums are sums of something.
    assert np.abs(loads).max(axis=1).min() > 0.02 * most
    np.testing.assert_allclose(got, loads, rtol=0, atol=ROUND_OFF * most)


@st.composite
def engines(draw: st.DrawFn) -> Evaluation:
    """Draw a layout with firing angles on whole samples and everything else at will."""
    n = draw(st.integers(1, 6))
    whole_deg = st.integers(0, 359)
    axes = draw(st.lists(st.sampled_from([-45, 45, 0, 100]), min_size=n, max_size=n))
    turns = draw(st.sampled_from([1, 2]))
    bits = [0, *draw(st.lists(st.integers(0, turns - 1), min_size=n - 1, max_size=n - 1))]
    gaps = draw(st.lists(st.floats(0.03, 0.2), min_size=n, max_size=n))
    return evaluation(
        pin_angles_deg=draw(st.lists(whole_deg, min_size=n, max_size=n)),
        bank_axes_deg=axes,
        positions_m=np.cumsum(gaps).tolist(),
        firing_bits=bits,
        rotating_fraction=draw(st.floats(0, 1.2)),
        reciprocating_fraction=draw(st.floats(0, 0.6)),
        rod_length_m=draw(st.floats(0.13, 0.3)),
        pin_path_offset_m=draw(st.floats(-0.015, 0.015)),
        rotating_mass_kg=0.7,
        speed_rad_s=draw(st.floats(50, 800)),
        cycle_deg=360.0 * turns,
    )


@few
@given(engines(), st.floats(0, 100e5))
def test_any_layout_as_by_hand_in_either_sense(e: Evaluation, rise_Pa: float) -> None:
    trace = smooth_trace(e.engine.cycle_deg, rise_Pa=rise_Pa)
    got = ours(e, trace)
    forces, clockwise = by_hand(e, trace)
    most = np.abs(forces).max()
    np.testing.assert_allclose(got, clockwise, rtol=0, atol=ROUND_OFF * most)
    # The same engine built to turn the other way: angles count against the clock, and the picture
    # is mirrored. No formula knows the sense.
    _, anticlockwise = by_hand(e, trace, sense=-1.0)
    np.testing.assert_allclose(got, anticlockwise.conj(), rtol=0, atol=ROUND_OFF * most)


def test_firing_angles_between_samples() -> None:
    # Tenths of a degree are whole samples of a grid ten times as fine. Lagrange's cubic leaves at
    # most 3/128 h^4 of the fourth derivative: for a bump 18 degrees wide 1e-6 of its height.
    e = evaluation(
        pin_angles_deg=[0.0, 71.3, 152.6, 338.9],
        bank_axes_deg=[-41.7, 41.7, -41.7, 41.7],
        firing_bits=[0, 1, 0, 1],
        rotating_mass_kg=0.6,
    )
    coarse = ours(e, smooth_trace(720.0))
    fine = ours(e, smooth_trace(720.0, n_samples=10 * K))[:, ::10]
    most = np.abs(fine).max()
    np.testing.assert_allclose(coarse, fine, rtol=0, atol=3e-6 * most)
    # Straight lines or the nearest sample would be seen.
    nearest = e.batch.having(pin_angles_deg=np.round(e.batch.pin_angles_deg))
    assert (
        np.abs(ours(Evaluation(e.engine, nearest), smooth_trace(720.0)) - fine).max() > 1e-3 * most
    )


@few
@given(engines(), st.floats(-720, 720))
def test_turning_the_crank_in_the_air_changes_nothing(e: Evaluation, turn_deg: float) -> None:
    trace = rough_trace(e.engine.cycle_deg)
    turned = e.batch.having(pin_angles_deg=e.batch.pin_angles_deg + turn_deg)
    # Firing angles are differences of turned angles: 1e-12 degrees of them.
    before, after = ours(e, trace), ours(Evaluation(e.engine, turned), trace)
    np.testing.assert_allclose(after, before, rtol=0, atol=1e-9 * np.abs(before).max())


@few
@given(engines(), st.floats(-180, 180))
def test_turning_the_whole_engine_turns_the_loads(e: Evaluation, turn_deg: float) -> None:
    trace = rough_trace(e.engine.cycle_deg)
    turned = e.batch.having(
        pin_angles_deg=e.batch.pin_angles_deg + turn_deg,
        bank_angles_deg=e.batch.bank_angles_deg + turn_deg,
    )
    before, after = ours(e, trace), ours(Evaluation(e.engine, turned), trace)
    expected = before * np.exp(1j * math.radians(turn_deg))
    np.testing.assert_allclose(after, expected, rtol=0, atol=1e-9 * np.abs(before).max())


@few
@given(engines())
def test_motion_run_backward_mirrors_the_loads(e: Evaluation) -> None:
    # All angles and the offset change their sign and pressure runs backward too; loads then come in
    # the opposite sequence, mirrored.
    cycle_deg = e.engine.cycle_deg
    trace = rough_trace(cycle_deg)
    back = PressureTrace(psi_rad=trace.psi_rad, pressure_Pa=np.roll(trace.pressure_Pa[::-1], 1))
    mirrored_deg = -firing_angles_deg(e.batch) % cycle_deg
    batch = e.batch.having(
        pin_angles_deg=-e.batch.pin_angles_deg,
        bank_angles_deg=-e.batch.bank_angles_deg,
        firing_bits=np.floor(mirrored_deg / 360 + 1e-9).astype(int),
    )
    engine = replace(e.engine, pin_path_offset_m=-e.engine.pin_path_offset_m)
    got = ours(Evaluation(engine, batch), back)
    expected = np.roll(ours(e, trace)[:, ::-1], 1, axis=1).conj()
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-9 * np.abs(expected).max())


@few
@given(engines(), st.floats(0, 100e5))
def test_block_feels_the_free_force_whatever_the_gas(e: Evaluation, rise_Pa: float) -> None:
    # Main bearings, pistons on the walls and gas on the heads are all that the block feels; gas
    # cancels in it, and the rest is the free force of `evaluate.inertia`, orders up to the sixth.
    # Rods of at least 0.13 m on 0.045 m leave orders 7, 8, ... below 1e-4 of m r w^2 a cylinder.
    trace = smooth_trace(e.engine.cycle_deg, rise_Pa=rise_Pa)
    pin_force = bearings.pin_force_N(e.engine, trace)
    head_N = (trace.pressure_Pa - bearings.CRANKCASE_PRESSURE_Pa) * math.pi * e.engine.bore_m**2 / 4
    wall_N = bearings.wall_force_N(pin_force)
    axes = np.exp(1j * np.deg2rad(e.batch.bank_axes_deg()[0]))
    delays = np.rint(firing_angles_deg(e.batch)[0] * K / e.engine.cycle_deg).astype(int)
    on_block = np.array(
        [
            axis * np.roll(head_N + 1j * wall_N, delay)
            for axis, delay in zip(axes, delays, strict=True)
        ]
    )
    loads = ours(e, trace)
    crank_rad = np.angle(axes[0]) - math.radians(e.batch.pin_angles_deg[0, 0])
    theta_rad = crank_rad + bearings.cycle_angles_rad(e.engine)
    engine = e.engine
    unit_N = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    tolerance_N = 2e-4 * engine.n_cylinders * unit_N + ROUND_OFF * np.abs(loads).max()
    force = loads.sum(axis=0) + on_block.sum(axis=0)
    assert np.abs(force - e.residual.force.at(theta_rad)[0]).max() < tolerance_N
    couple = engine.main_positions_m @ loads + engine.positions_m @ on_block
    arm_m = np.abs(engine.positions_m).max()
    assert np.abs(couple - e.residual.couple.at(theta_rad)[0]).max() < tolerance_N * arm_m


def test_one_cylinder_by_hand() -> None:
    # Pencil and paper: bore 100 mm, r 50 mm, l 200 mm, 1 kg, 200 rad/s, 20 bar above the crankcase
    # all the time; the cylinder stands 50 mm from the first main and 100 mm from the second.
    e = evaluation(
        pin_angles_deg=[0],
        positions_m=[0.0],
        crank_radius_m=0.05,
        rod_length_m=0.2,
        reciprocating_mass_kg=1.0,
        speed_rad_s=200.0,
        bore_m=0.1,
    )
    engine = replace(e.engine, main_positions_m=np.array([-0.05, 0.1]))
    e = Evaluation(engine, e.batch)
    trace = PressureTrace(
        psi_rad=np.deg2rad(np.arange(K)), pressure_Pa=np.full(K, 20e5 + 101_325.0)
    )
    loads = ours(e, trace)
    gas_N = 20e5 * 7.853982e-3  # 15 708 N
    # At dead centre a = r w^2 (1 + r/l) = 2500 m/s^2, towards the crank: inertia outward.
    at_top_N = 2500.0 - gas_N
    np.testing.assert_allclose(loads[:, 0], [2 / 3 * at_top_N, 1 / 3 * at_top_N], rtol=1e-6)
    # A quarter turn on: sin(obliquity) = 1/4, a = -r w^2 tan(obliquity), outward; the rod pushes
    # the pin down and, leaning back from it, ahead.
    tangent = 0.25 / math.sqrt(1 - 0.0625)
    axial_N = -2000.0 * tangent - gas_N
    at_90 = axial_N * (1 - 1j * tangent)
    assert at_90.imag > 0
    np.testing.assert_allclose(loads[:, 90], [2 / 3 * at_90, 1 / 3 * at_90], rtol=1e-6)


def test_centre_main_of_a_flat_four_carries_two_halves_in_step() -> None:
    # Throws 0, 180, 180, 0: cylinders 2 and 3 move together, so that the centre main gets half of
    # each at once, a whole cylinder; mains 2 and 4 stand between opposite throws and get half of
    # their difference, in which the odd orders add up and the even ones cancel.
    e = of_layout("four flat", fractions=(0.0, 0.0), masses_kg=(0.5, 0.0))
    loads = ours(e, None)
    one = bearings.pin_force_N(e.engine, None)
    second = np.roll(one, 180)
    np.testing.assert_allclose(loads[2], second, rtol=0, atol=1e-9 * np.abs(one).max())
    np.testing.assert_allclose(loads[0], one / 2, rtol=0, atol=1e-9 * np.abs(one).max())
    for main in (1, 3):
        np.testing.assert_allclose(
            loads[main], (one + second) / 2, rtol=0, atol=1e-9 * np.abs(one).max()
        )
    assert bearings.peaks_N(loads)[2] == pytest.approx(2 * bearings.peaks_N(loads)[0], rel=1e-9)
    assert bearings.peaks_N(loads)[1] < 0.6 * bearings.peaks_N(loads)[2]


def test_counterweights_of_a_throw_without_pistons() -> None:
    # Rotating mass alone: fully counterweighted nothing is left; by four tenths, the rest turns
    # with the crank and stands still on the journal, outward along the throw.
    given: dict[str, Any] = {
        "pin_angles_deg": [70],
        "bank_axes_deg": [30],
        "reciprocating_mass_kg": 0.0,
        "rotating_mass_kg": 0.8,
    }
    whole = evaluation(**given, rotating_fraction=1.0)
    pull_N = 0.8 * 0.045 * 500.0**2
    assert np.abs(ours(whole, None)).max() < 1e-12 * pull_N
    part = evaluation(**given, rotating_fraction=0.4)
    loads = ours(part, None)
    np.testing.assert_allclose(np.abs(loads), 0.6 * pull_N / 2, rtol=1e-12)
    on_journal = bearings.on_journal_N(part.engine, part.batch, loads[np.newaxis])[0]
    np.testing.assert_allclose(on_journal, 0.6 * pull_N / 2 + 0j, rtol=1e-12, atol=1e-9 * pull_N)


def test_overhung_cylinder_lifts_the_far_bearing() -> None:
    e = evaluation(pin_angles_deg=[0], positions_m=[0.3])
    engine = replace(e.engine, main_positions_m=np.array([0.0, 0.2]))
    np.testing.assert_allclose(bearings.bearing_shares(engine), [[-0.5], [1.5]])
    engine = replace(engine, main_positions_m=np.array([0.0, 0.3, 0.5]))  # exactly over a main
    np.testing.assert_allclose(bearings.bearing_shares(engine), [[0.0], [1.0], [0.0]], atol=1e-15)
    with pytest.raises(ValueError, match="two main bearings"):
        bearings.bearing_shares(replace(engine, main_positions_m=np.array([0.0])))


def crank_on_block(
    m: multibody.Mechanism, gas_N: float, n_samples: int = 60
) -> tuple[FloatArray, ComplexArray, ComplexArray]:
    """Return what the crank's joint puts on the block in MuJoCo: angle, force, couple about 0.

    As `multibody.ground_wrench`, but at the joint of the crank, and with a steady force down on
    every piston.
    """
    steps = math.ceil(1440 / n_samples)
    step_rad = 2 * math.pi / (n_samples * steps)
    model = multibody._build(m, timestep=step_rad / m.speed_rad_s)
    data = mujoco.MjData(model)
    for i, bank_deg in enumerate(m.bank_angles_deg):
        down = -gas_N * multibody._unit(bank_deg)
        data.body(f"piston{i}").xfrc_applied[:2] = down.real, down.imag
    multibody._assemble(m, model, data, theta=-multibody._WARM_UP_STEPS * step_rad)
    mujoco.mj_step(model, data, nstep=multibody._WARM_UP_STEPS)
    crank = model.body("crank").id
    theta_rad = 2 * math.pi * np.arange(n_samples) / n_samples
    wrench = np.empty((n_samples, 6))
    for k in range(n_samples):
        mujoco.mj_forward(model, data)
        mujoco.mj_rnePostConstraint(model, data)
        multibody._check_state(m, model, data, float(theta_rad[k]))
        torque, force = data.cfrc_int[crank, :3], data.cfrc_int[crank, 3:]
        about = data.subtree_com[model.body_rootid[crank]]
        wrench[k] = *force, *(torque + np.cross(about, force))
        mujoco.mj_step(model, data, nstep=steps)
    return theta_rad, -(wrench[:, 0] + 1j * wrench[:, 1]), -(wrench[:, 4] - 1j * wrench[:, 3])


@pytest.mark.parametrize("gas_N", [0.0, 6000.0])
@pytest.mark.parametrize("case", ["single", "two in one bay", "V pair, offset"])
def test_main_loads_of_a_two_bearing_crank_in_multibody_dynamics(case: str, gas_N: float) -> None:
    # With two mains, force and couple at the crank's joint are the two loads. Tolerance 0.1 % of
    # the peak; the simulation states about 1e-6 of m r w^2 for itself.
    cases = {
        "single": CASES["single"],
        "two in one bay": mechanism([0, 100], [0, 0], [-0.04, 0.05]),
        "V pair, offset": mechanism([20, 50], [-45, 45], [-0.02, 0.03], offset_m=0.01),
    }
    m = cases[case]
    theta_rad, force, couple = crank_on_block(m, gas_N)
    e = engine_like(m)
    engine = replace(e.engine, main_positions_m=np.array([-0.11, 0.13]))
    area_m2 = math.pi / 4 * engine.bore_m**2
    trace = PressureTrace(
        psi_rad=np.deg2rad(np.arange(K)), pressure_Pa=np.full(K, 101_325.0 + gas_N / area_m2)
    )
    loads = ours(Evaluation(engine, e.batch), trace)
    first_tdc_deg = m.bank_angles_deg[0] - m.pin_angles_deg[0]
    samples = np.rint(np.rad2deg(theta_rad) - first_tdc_deg).astype(int) % K
    left_m, right_m = engine.main_positions_m
    right = (couple - left_m * force) / (right_m - left_m)
    expected = np.array([force - right, right])
    worst = np.abs(loads[:, samples] - expected).max() / np.abs(expected).max()
    assert worst < 1e-3, f"{worst:.2e} of the peak"


def test_force_along_the_motion_does_the_work_of_the_gas() -> None:
    # Energy: what drives the throw, over a cycle, is the loop integral of p dV; inertia gives
    # nothing back or away. Both by the rectangle rule, which is spectral for smooth cycles.
    e = evaluation(pin_angles_deg=[0], pin_path_offset_m=0.012)
    trace = smooth_trace(720.0)
    pin = bearings.pin_load(e.engine, bearings.pin_force_N(e.engine, trace), big_end_kg=0.4)
    work_J = e.engine.crank_radius_m * pin.on_throw_N.imag.sum() * 4 * math.pi / K
    x_m, *_ = piston_motion(
        trace.psi_rad, crank_radius_m=0.045, rod_length_m=0.15, pin_path_offset_m=0.012
    )
    orders = np.fft.rfftfreq(K, 1 / K) / 2
    dx_m = np.fft.irfft(1j * orders * np.fft.rfft(x_m), K)  # volume falls while x grows
    loop_J = -(trace.pressure_Pa * dx_m).sum() * 4 * math.pi / K * math.pi / 4 * e.engine.bore_m**2
    assert loop_J > 100
    assert work_J == pytest.approx(loop_J, rel=1e-9)


def test_pin_load_in_its_three_frames() -> None:
    e = evaluation(pin_angles_deg=[0], pin_path_offset_m=-0.01)
    force = bearings.pin_force_N(e.engine, smooth_trace(720.0))
    bare = bearings.pin_load(e.engine, force, big_end_kg=0.0)
    # Without a big end the load lies along the rod; all frames see the same size.
    assert np.abs(bare.in_rod_N.imag).max() < 1e-9 * np.abs(force).max()
    assert bare.in_rod_N.real.min() == pytest.approx(-np.abs(force).max())  # compression
    whole = bearings.pin_load(e.engine, force, big_end_kg=0.4)
    pull_N = 0.4 * 0.045 * 500.0**2
    np.testing.assert_allclose(whole.on_throw_N - bare.on_throw_N, pull_N + 0j, rtol=1e-9)
    for frame in (whole.in_bank_N, whole.in_rod_N):
        np.testing.assert_allclose(np.abs(frame), np.abs(whole.on_throw_N), rtol=1e-9)
    # At dead centre the throw lies on the bank axis.
    assert whole.on_throw_N[0] == pytest.approx(whole.in_bank_N[0])


def test_share_of_the_big_end_in_the_rotating_mass() -> None:
    # Proportions of the project: 800 B^3 for the big end, 900 B^3 once for each throw.
    own = evaluation(pin_angles_deg=[0, 180], rotating_mass_kg=1.7)
    assert bearings.big_end_mass_kg(own.engine) == pytest.approx(0.8)
    shared = evaluation(pin_angles_deg=[0, 0], throws=[0, 0], rotating_mass_kg=1.25)
    assert bearings.big_end_mass_kg(shared.engine) == pytest.approx(0.8)


def test_peak_mean_and_specific_load() -> None:
    loads = np.array([[3 + 4j, 0j], [1j, 1 + 0j]]) * 1e3
    np.testing.assert_allclose(bearings.peaks_N(loads), [5e3, 1e3])
    np.testing.assert_allclose(bearings.means_N(loads), [2.5e3, 1e3])
    # 5 kN on a journal of 50 by 20 mm is 5 N/mm^2.
    specific = bearings.specific_load_Pa(
        bearings.peaks_N(loads), np.array([0.05, 0.05]), np.array([0.02, 0.01])
    )
    np.testing.assert_allclose(specific, [5e6, 2e6])
    for wrong in (0.0, -0.02, math.nan):
        with pytest.raises(ValueError, match="above 0"):
            bearings.specific_load_Pa(bearings.peaks_N(loads), 0.05, wrong)


def three_in_line(mains_m: Sequence[float], speed_rad_s: float) -> Evaluation:
    """Return an in-line three that fires 1-3-2, evenly."""
    e = evaluation(
        pin_angles_deg=[0, 240, 120],
        positions_m=[0.0, 0.1, 0.2],
        firing_bits=[0, 1, 0],
        speed_rad_s=speed_rad_s,
    )
    assert firing_angles_deg(e.batch).tolist() == [[0, 480, 240]]
    return Evaluation(replace(e.engine, main_positions_m=np.array(mains_m)), e.batch)


def test_firing_pair_of_the_worst_load() -> None:
    # At low speed gas makes the worst load. The third main stands so close to cylinder 2 that it
    # carries nine tenths of it: worst just after cylinder 2's firing at 480 degrees, 240 after
    # cylinder 3's, and cylinder 1 is not next to it.
    e = three_in_line([-0.05, 0.05, 0.105, 0.25], speed_rad_s=30.0)
    trace = smooth_trace(720.0)
    worst = bearings.worst_load(e.engine, e.batch, bearings.pin_force_N(e.engine, trace))
    assert worst.main == 2
    assert worst.crank_angle_deg == pytest.approx(480 + 12, abs=3)  # pressure peaks at 12 degrees
    assert worst.firing_pair == (2, 1)
    assert worst.since_firing_deg == pytest.approx(
        (worst.crank_angle_deg - 240, worst.crank_angle_deg - 480)
    )
    assert worst.shares_N[1] > 0.95 * abs(worst.load_N)
    assert worst.shares_N[0] == 0


def test_firing_pair_of_one_cylinder_and_of_two_that_fire_together() -> None:
    trace = smooth_trace(720.0)
    single = evaluation(pin_angles_deg=[0])
    worst = bearings.worst_load(
        single.engine, single.batch, bearings.pin_force_N(single.engine, trace)
    )
    assert worst.firing_pair == (0,)
    twin = evaluation(pin_angles_deg=[0, 0])
    worst = bearings.worst_load(twin.engine, twin.batch, bearings.pin_force_N(twin.engine, trace))
    assert (worst.main, worst.firing_pair) == (1, (0, 1))
    assert worst.since_firing_deg[0] == worst.since_firing_deg[1]


@few
@given(engines())
def test_worst_load_is_the_largest_and_its_shares_add_up(e: Evaluation) -> None:
    pin_force = bearings.pin_force_N(e.engine, rough_trace(e.engine.cycle_deg))
    loads = bearings.main_loads_N(e.engine, e.batch, pin_force)[0]
    worst = bearings.worst_load(e.engine, e.batch, pin_force)
    assert abs(worst.load_N) == pytest.approx(np.abs(loads).max(), rel=1e-12)
    assert worst.shares_N.sum() == pytest.approx(abs(worst.load_N), rel=1e-9)
    # Last two to fire among the cylinders next to the bearing, by counting degrees back.
    fired = np.rint(firing_angles_deg(e.batch)[0] * 2).astype(int)
    mains, places = e.engine.main_positions_m, e.engine.positions_m
    low = mains[max(worst.main - 1, 0)]
    high = mains[min(worst.main + 1, len(mains) - 1)]
    near = [i for i, place in enumerate(places) if low < place < high]
    half_degrees = round(worst.crank_angle_deg * 2)
    ago = {i: (half_degrees - fired[i]) % round(e.engine.cycle_deg * 2) for i in near}
    last = sorted(near, key=lambda i: ago[i])[:2]
    assert sorted(ago[i] for i in worst.firing_pair) == [ago[i] for i in last]
    assert [ago[i] / 2 for i in worst.firing_pair] == pytest.approx(list(worst.since_firing_deg))


def random_batch(
    n: int, n_banks: int, n_candidates: int, step_deg: float, cycle_deg: float, seed: int
) -> tuple[Engine, Batch]:
    """Return an engine of pairs of throws or own ones, and random candidates."""
    rng = np.random.default_rng(seed)
    base = evaluation(
        pin_angles_deg=[0] * n,
        bank_axes_deg=[-45, 45] * (n // 2) if n_banks == 2 else None,
        throws=[i // 2 for i in range(n)] if n_banks == 2 else None,
        positions_m=[0.05 * i for i in range(n)],
        rotating_mass_kg=0.7,
        cycle_deg=cycle_deg,
        speed_rad_s=float(rng.uniform(100, 700)),
    )
    pins_deg = rng.uniform(0, 360, (n_candidates, n))
    if step_deg:
        pins_deg = np.floor(pins_deg / step_deg) * step_deg
    bits = rng.integers(0, 2 if cycle_deg == 720 else 1, (n_candidates, n))
    bits[:, 0] = 0
    half_deg = rng.uniform(20, 90, n_candidates)
    banks_deg = half_deg[:, np.newaxis] * (
        np.array([[-1, 1]]) if n_banks == 2 else np.zeros((1, 1))
    )
    batch = Batch(
        pin_angles_deg=pins_deg,
        bank_angles_deg=banks_deg,
        banks=base.batch.banks,
        firing_bits=bits,
        rotating_fraction=rng.uniform(0, 1, n_candidates),
        reciprocating_fraction=rng.uniform(0, 0.5, n_candidates),
        shaft_fractions=np.zeros((n_candidates, 3)),
        collectors=base.batch.banks,
    )
    return base.engine, batch


#: Cylinders, banks, lattice of the throw angles [deg], cycle [deg].
BATCHES = [
    (8, 1, 0.0, 720.0),
    (8, 2, 0.0, 720.0),
    (8, 2, 15.0, 720.0),
    (6, 2, 0.5, 720.0),
    (3, 1, 1.0, 360.0),
    (1, 1, 0.0, 720.0),
]
#: What the batch metric may lie below the finest grid: two tops are looked at closely, and a third
#: of nearly the same height may be the higher one where the coarse steps cut it short. Of some ten
#: thousand random candidates with such traces none lay lower than by 0.9 %.
COARSE_TOLERANCE = 0.015


@pytest.mark.parametrize(("n", "n_banks", "step_deg", "cycle_deg"), BATCHES)
def test_batch_peak_is_the_fine_peak_within_the_tolerance(
    n: int, n_banks: int, step_deg: float, cycle_deg: float
) -> None:
    engine, batch = random_batch(n, n_banks, 150, step_deg, cycle_deg, seed=n)
    for trace in (rough_trace(cycle_deg), smooth_trace(cycle_deg), None):
        pin_force = bearings.pin_force_N(engine, trace)
        fine = bearings.peaks_N(bearings.main_loads_N(engine, batch, pin_force)).max(axis=1)
        table = bearings.load_table(engine, pin_force)
        assert table.step * engine.cycle_deg / K == bearings.COARSE_STEP_DEG
        coarse = bearings.main_load_peak_N(engine, batch, table)
        ratio = coarse / fine
        assert ratio.max() < 1 + 1e-9
        assert ratio.min() > 1 - COARSE_TOLERANCE
        assert np.mean(ratio > 1 - 1e-9) > 0.9  # nearly always it is the fine peak itself


def test_batch_peak_is_the_same_alone() -> None:
    engine, batch = random_batch(8, 2, 700, 0.0, 720.0, seed=3)
    table = bearings.load_table(engine, bearings.pin_force_N(engine, rough_trace(720.0)))
    together = bearings.main_load_peak_N(engine, batch, table)
    for row in (0, 191, 192, 575, 576, 699):  # chunk edges
        alone = bearings.main_load_peak_N(engine, batch.rows(np.array([row])), table)
        assert alone[0] == together[row]


def test_batch_peak_of_a_giant_is_as_much_larger() -> None:
    # Loads are linear in masses and pressure; a power of two changes no digit.
    engine, batch = random_batch(8, 2, 50, 0.0, 720.0, seed=5)
    times = 2.0**40
    giant = replace(
        engine,
        reciprocating_mass_kg=engine.reciprocating_mass_kg * times,
        rotating_mass_kg=engine.rotating_mass_kg * times,
    )
    pin_force = bearings.pin_force_N(engine, rough_trace(720.0))
    peaks = bearings.main_load_peak_N(engine, batch, bearings.load_table(engine, pin_force))
    table = bearings.load_table(giant, pin_force * times)
    np.testing.assert_array_equal(bearings.main_load_peak_N(giant, batch, table), peaks * times)


def test_batch_peak_seen_from_the_other_end() -> None:
    # The same loads; but samples count from the first cylinder's firing, which is another one now.
    engine, batch = random_batch(6, 2, 60, 0.0, 720.0, seed=5)
    fired_deg = firing_angles_deg(batch)[:, ::-1]
    fired_deg = (fired_deg - fired_deg[:, :1] + 1e-9) % 720
    other = batch.having(
        pin_angles_deg=batch.pin_angles_deg[:, ::-1],
        banks=batch.banks[:, ::-1],
        firing_bits=np.floor(fired_deg / 360).astype(int),
    )
    turned = replace(
        engine,
        positions_m=-engine.positions_m[::-1],
        main_positions_m=-engine.main_positions_m[::-1],
    )
    pin_force = bearings.pin_force_N(engine, rough_trace(720.0))
    before = bearings.main_load_peak_N(engine, batch, bearings.load_table(engine, pin_force))
    after = bearings.main_load_peak_N(turned, other, bearings.load_table(turned, pin_force))
    np.testing.assert_allclose(after, before, rtol=COARSE_TOLERANCE)


def test_batch_peak_over_areas_is_the_specific_load() -> None:
    engine, batch = random_batch(4, 1, 80, 15.0, 720.0, seed=9)
    pin_force = bearings.pin_force_N(engine, smooth_trace(720.0))
    diameter_m = np.linspace(0.05, 0.06, engine.n_mains)
    width_m = np.array([0.03, 0.02, 0.02, 0.02, 0.03])
    table = bearings.load_table(engine, pin_force, areas_m2=diameter_m * width_m)
    peaks_N = bearings.peaks_N(bearings.main_loads_N(engine, batch, pin_force))
    worst_Pa = bearings.specific_load_Pa(peaks_N, diameter_m, width_m).max(axis=1)
    got_Pa = bearings.main_load_peak_N(engine, batch, table)
    np.testing.assert_allclose(got_Pa, worst_Pa, rtol=COARSE_TOLERANCE)


def test_trace_that_does_not_span_the_cycle_is_refused() -> None:
    engine = evaluation(pin_angles_deg=[0]).engine
    for trace in (
        smooth_trace(360.0),
        PressureTrace(psi_rad=np.deg2rad(np.arange(1, K + 1)), pressure_Pa=np.full(K, 1e5)),
        PressureTrace(psi_rad=np.full(K, np.nan), pressure_Pa=np.full(K, 1e5)),
    ):
        with pytest.raises(ValueError, match="must span 720 deg"):
            bearings.pin_force_N(engine, trace)


def test_classic_layouts_have_a_load_on_every_main() -> None:
    for name in CLASSICS:
        e = of_layout(name)
        loads = ours(e, rough_trace(e.engine.cycle_deg))
        assert loads.shape == (e.engine.n_mains, K)
        assert bearings.peaks_N(loads).min() > 0
        assert np.all(bearings.means_N(loads) <= bearings.peaks_N(loads))
