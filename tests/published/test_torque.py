"""Torque and flywheels against textbooks, series, and a multibody simulation.

Sources of the examples (R. S. Khurmi and J. K. Gupta, T. Bevan), with what was read and what is
from memory: `data/cycle_and_torque_examples.json`. The series of the inertia torque: R. L. Norton,
Design of Machinery; J. P. Den Hartog, Mechanical Vibrations (from memory). Orders of an even-firing
engine: common practice; any text on torsional vibration. The multibody model is `tests/multibody`
(MuJoCo), here by inverse dynamics: no piston formula enters it.
"""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path

import mujoco
import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray

from evaluate.batch import Engine
from evaluate.pressure import (
    Cylinder,
    PressureTrace,
    default_combustion,
    fired_cycle,
    pressure_trace,
)
from evaluate.torque import (
    ATMOSPHERE_PA,
    Rod,
    cycle_harmonics,
    energy_fluctuation_J,
    engine_torque_Nm,
    flywheel_inertia_kgm2,
    gas_torque_Nm,
    indicated_mep_Pa,
    inertia_torque_Nm,
    rolling_moment_Nm,
    speed_fluctuation,
    torque_by_order,
)
from evaluate.units import rad_s_from_rpm
from tests import multibody
from tests.engines import evaluation

EXAMPLES = {
    entry["id"]: entry
    for entry in json.loads(
        (Path(__file__).parent / "data" / "cycle_and_torque_examples.json").read_text(
            encoding="utf-8"
        )
    )["examples"]
}
SEVEN_DIGITS = 1e-6
FloatArray = NDArray[np.float64]


def given(example: str, name: str) -> float:
    """Return an input of an example, in its unit."""
    entry = EXAMPLES[example]["inputs"][name]
    return float(entry["value"] if isinstance(entry, dict) else entry)


def check(example: str, key: str, got: float, *, recomputed_rel: float = SEVEN_DIGITS) -> None:
    """Compare with the printed answer, and with the one recomputed apart from this project."""
    entry = EXAMPLES[example]
    if key in entry["published"]:
        printed = entry["published"][key]["value"]
        assert got == pytest.approx(printed, rel=entry["tolerance_rel"]), key
    assert got == pytest.approx(entry["recomputed"][key]["value"], rel=recomputed_rel), key


def one_cylinder(**changed: float) -> Engine:
    return evaluation(pin_angles_deg=[0.0], **changed).engine  # type: ignore[arg-type]


def constant(pressure_Pa: float) -> PressureTrace:
    psi_rad = 4 * math.pi * np.arange(720) / 720
    return PressureTrace(psi_rad=psi_rad, pressure_Pa=np.full(720, pressure_Pa))


# --- torque on the crank ------------------------------------------------------------------------


def test_torque_of_pressure_and_inertia_of_khurmi_15_7():
    example = "khurmi-15-7"
    engine = one_cylinder(
        bore_m=given(example, "bore"),
        crank_radius_m=given(example, "crank_radius"),
        rod_length_m=given(example, "rod_length"),
        reciprocating_mass_kg=given(example, "reciprocating_mass"),
        speed_rad_s=rad_s_from_rpm(given(example, "speed")),
    )
    trace = constant(given(example, "pressure_difference"))
    torque_Nm = gas_torque_Nm(engine, trace, crankcase_pressure_Pa=0.0) + inertia_torque_Nm(engine)
    # The book's acceleration has two terms; at l/r = 4 the next is 0.4 % of the inertia force,
    # which is a fifth of the gas force here.
    at_60_deg = torque_Nm[round(given(example, "crank_angle"))]
    check(example, "torque", at_60_deg, recomputed_rel=2e-3)


def test_torque_of_a_double_acting_engine_of_khurmi_15_8():
    example = "khurmi-15-8"
    area_m2, rod_m2 = (
        0.25 * math.pi * given(example, name) ** 2 for name in ("bore", "piston_rod_diameter")
    )
    mass_kg = given(example, "reciprocating_mass")
    engine = one_cylinder(
        bore_m=given(example, "bore"),
        crank_radius_m=0.5 * given(example, "stroke"),
        rod_length_m=given(example, "rod_length"),
        reciprocating_mass_kg=mass_kg,
        speed_rad_s=rad_s_from_rpm(given(example, "speed")),
    )
    # The area of the piston rod is lost below, and the weight pushes down like pressure above.
    below_N = given(example, "pressure_below") * (area_m2 - rod_m2)
    above_Pa = given(example, "pressure_above") + mass_kg * 9.81 / area_m2
    trace = constant(above_Pa - below_N / area_m2)
    torque_Nm = gas_torque_Nm(engine, trace, crankcase_pressure_Pa=0.0) + inertia_torque_Nm(engine)
    # At l/r = 5.3 the third term of the acceleration is 0.2 % of the inertia force.
    check(example, "torque", torque_Nm[round(given(example, "crank_angle"))], recomputed_rel=3e-3)


# Amplitudes over m r^2 omega^2, sine terms of orders 1 to 4, recomputed apart from this project by
# FFT of the exact motion, five decimals; and the published leading terms of the series.
INERTIA_TORQUE = [
    (0.25, [0.06351, -0.50013, -0.19206, -0.01613]),
    (0.30, [0.07676, -0.50028, -0.23300, -0.02356]),
    (1 / 3, [0.08578, -0.50043, -0.26112, -0.02941]),
]


@pytest.mark.parametrize(("crank_to_rod", "expected"), INERTIA_TORQUE)
def test_inertia_torque_has_the_exact_orders(crank_to_rod, expected):
    np.testing.assert_allclose(inertia_sines(crank_to_rod), expected, atol=6e-6)


def test_inertia_torque_approaches_the_published_series():
    ratio = 0.02
    leading = [ratio / 4, -1 / 2, -3 * ratio / 4, -(ratio**2) / 4]
    # What follows in each order is smaller by about lambda^2 = 4e-4.
    np.testing.assert_allclose(inertia_sines(ratio), leading, rtol=1e-3)


def inertia_sines(crank_to_rod: float) -> FloatArray:
    engine = one_cylinder(crank_radius_m=0.05, rod_length_m=0.05 / crank_to_rod)
    harmonics = cycle_harmonics(inertia_torque_Nm(engine))
    scale = engine.reciprocating_mass_kg * (engine.crank_radius_m * engine.speed_rad_s) ** 2
    # Re c exp(j psi) = -Im c sin psi; whole orders are every second harmonic of two turns.
    sines: FloatArray = -harmonics.imag[2:9:2] / scale
    return sines


@pytest.mark.parametrize(
    "rod", [None, Rod(mass_kg=0.6, centre_from_big_end_m=0.04, inertia_kgm2=2e-3)]
)
@pytest.mark.parametrize("offset_m", [0.0, 0.011])
def test_mean_inertia_torque_is_zero(offset_m, rod):
    torque_Nm = inertia_torque_Nm(one_cylinder(pin_path_offset_m=offset_m), rod=rod)
    assert abs(torque_Nm.mean()) < 1e-12 * np.abs(torque_Nm).max()  # round-off of 720 terms


KINDS = [(i, c) for i in ("spark", "compression") for c in (720.0, 360.0)]


@pytest.mark.parametrize("offset_m", [0.0, 0.006])
@pytest.mark.parametrize(("ignition", "cycle_deg"), KINDS)
def test_work_of_the_torque_is_the_pressure_volume_loop(ignition, cycle_deg, offset_m):
    engine = one_cylinder(pin_path_offset_m=offset_m, cycle_deg=cycle_deg)
    rod = {"crank_radius_m": 0.045, "rod_length_m": 0.15, "pin_path_offset_m": offset_m}
    combustion = default_combustion(ignition, cycle_deg)
    trace = pressure_trace(combustion, **rod, cycle_deg=cycle_deg)
    work_J = gas_torque_Nm(engine, trace).mean() * math.radians(cycle_deg)
    # The loop by chords, from the exact distance of the wrist pin, on a grid of its own.
    psi_rad = np.linspace(0, math.radians(cycle_deg), 100_001)
    side_m = 0.045 * np.sin(psi_rad) - offset_m
    pin_m = 0.045 * np.cos(psi_rad) + np.sqrt(0.15**2 - side_m**2)
    cycle = fired_cycle(
        combustion, Cylinder(**rod, compression_ratio=combustion.compression_ratio), cycle_deg
    )
    pressure_Pa = cycle.pressure_Pa(psi_rad)
    volume_m3 = -0.25 * math.pi * 0.09**2 * pin_m
    loop_J = (0.5 * (pressure_Pa[1:] + pressure_Pa[:-1]) * np.diff(volume_m3)).sum()
    assert work_J == pytest.approx(loop_J, rel=1e-6)
    assert indicated_mep_Pa(engine, trace) == pytest.approx(combustion.imep_Pa, rel=1e-6)


# --- sums over the engine -----------------------------------------------------------------------


@cache
def spark_trace() -> PressureTrace:
    return pressure_trace(
        default_combustion("spark", 720.0),
        crank_radius_m=0.045,
        rod_length_m=0.15,
        pin_path_offset_m=0.0,
        cycle_deg=720.0,
    )


def test_harmonics_agree_with_a_transform_of_a_sum_in_time():
    engine = one_cylinder()
    angles_deg = np.array([0.0, 77.3, 251.9, 430.04, 600.5])  # none but the first on the grid
    one_Nm = gas_torque_Nm(engine, spark_trace()) + inertia_torque_Nm(engine)
    ours = torque_by_order(engine_torque_Nm(engine, angles_deg[np.newaxis], one_Nm), 720.0)
    # Independent: each cylinder's work per angle at its own angle, by differences of the pin's
    # distance; 4096 samples, transformed by scipy.
    combustion = default_combustion("spark", 720.0)
    size = Cylinder(
        crank_radius_m=0.045,
        rod_length_m=0.15,
        pin_path_offset_m=0.0,
        compression_ratio=combustion.compression_ratio,
    )
    cycle = fired_cycle(combustion, size, 720.0)
    theta_rad = 4 * math.pi * np.arange(4096) / 4096
    total_Nm = np.zeros(4096)
    for angle_deg in angles_deg:
        psi_rad = theta_rad - math.radians(angle_deg)
        force_N = 0.25 * math.pi * 0.09**2 * (cycle.pressure_Pa(psi_rad) - ATMOSPHERE_PA)
        step = 1e-4
        back, here, ahead = (pin_m(psi_rad + k * step) for k in (-1, 0, 1))
        speed, acceleration = (ahead - back) / (2 * step), (ahead - 2 * here + back) / step**2
        total_Nm -= (force_N + 0.5 * 500.0**2 * acceleration) * speed
    theirs = scipy.fft.rfft(total_Nm)[1:25] * 2 / 4096
    found = ours.amplitude_Nm[0] * np.exp(1j * np.deg2rad(ours.phase_deg[0]))
    # Differences of 1e-4 rad leave 2e-9 in the speed and 1e-7 in the acceleration, the two grids
    # of a pressure with kinks in its third derivative about 1e-7.
    np.testing.assert_allclose(found, theirs, atol=1e-6 * np.abs(total_Nm).max())
    np.testing.assert_array_equal(ours.orders, 0.5 * np.arange(1, 25))


def pin_m(psi_rad: FloatArray) -> FloatArray:
    distance_m: FloatArray = 0.045 * np.cos(psi_rad) + np.sqrt(
        0.15**2 - (0.045 * np.sin(psi_rad)) ** 2
    )
    return distance_m


# Reference notes on torque, and common practice: N/2 in a four-stroke, N in a two-stroke.
EVEN = [(720.0, 3), (720.0, 4), (720.0, 5), (720.0, 6), (720.0, 8), (360.0, 3), (360.0, 4)]


@pytest.mark.parametrize(("cycle_deg", "n"), EVEN)
def test_even_firing_leaves_the_major_orders_only(cycle_deg, n):
    engine = one_cylinder(cycle_deg=cycle_deg)
    combustion = default_combustion("spark", cycle_deg)
    trace = pressure_trace(
        combustion,
        crank_radius_m=0.045,
        rod_length_m=0.15,
        pin_path_offset_m=0.0,
        cycle_deg=cycle_deg,
    )
    one_Nm = gas_torque_Nm(engine, trace) + inertia_torque_Nm(engine)
    angles_deg = np.random.default_rng(n).permutation(n) * cycle_deg / n
    spectrum = torque_by_order(engine_torque_Nm(engine, angles_deg[np.newaxis], one_Nm), cycle_deg)
    single = torque_by_order(one_Nm[np.newaxis], cycle_deg)
    major = spectrum.orders % (n * 360 / cycle_deg) == 0
    assert major.any()
    np.testing.assert_allclose(
        spectrum.amplitude_Nm[0, major], n * single.amplitude_Nm[0, major], rtol=1e-9
    )
    # Round-off of 720 terms beside the torque of all cylinders.
    assert spectrum.amplitude_Nm[0, ~major].max() < 1e-12 * n * np.abs(one_Nm).max()


# --- flywheels ----------------------------------------------------------------------------------


def test_flywheel_masses_from_energy():
    for example, energy_J, radius in (
        ("khurmi-16-5", _areas("khurmi-16-5"), "radius"),
        ("bevan-12-8", given("bevan-12-8", "delta_E"), "radius_of_gyration"),
    ):
        speed_rad_s = rad_s_from_rpm(given(example, "speed"))
        inertia = flywheel_inertia_kgm2(energy_J, speed_rad_s, given(example, "C_S"))
        check(example, "mass", float(inertia) / given(example, radius) ** 2)
    example = "khurmi-16-3"
    speed_rpm = given(example, "speed")
    per_turn_J = given(example, "power") * 60 / speed_rpm
    inertia = flywheel_inertia_kgm2(
        per_turn_J * given(example, "coefficient_of_fluctuation_of_energy"),
        rad_s_from_rpm(speed_rpm),
        given(example, "coefficient_of_fluctuation_of_speed"),
    )
    check(example, "mass", float(inertia) / given(example, "radius_of_gyration") ** 2)


def test_speed_fluctuation_of_a_flywheel():
    example = "khurmi-16-4"
    inertia = given(example, "flywheel_mass") * given(example, "radius_of_gyration") ** 2
    speed_rad_s = rad_s_from_rpm(given(example, "speed"))
    check(example, "C_S", float(speed_fluctuation(_areas(example), speed_rad_s, inertia)))


def _areas(example: str) -> float:
    area = given(example, "area_max") - given(example, "area_min")
    return area * given(example, "area_scale")


def test_triangular_diagram_of_khurmi_16_7():
    # Corners on samples: the diagram is straight between them, so the energy is exact.
    example = "khurmi-16-7"
    first_Nm, second_Nm = EXAMPLES[example]["inputs"]["triangle_peaks"]
    corners = ([0, 100, 180, 300, 360], [0, first_Nm, 0, second_Nm, 0])
    torque_Nm = np.interp(np.arange(360), *corners)[np.newaxis]
    energy_J = float(energy_fluctuation_J(torque_Nm, 360.0)[0])
    check(example, "C_E", energy_J / (torque_Nm.mean() * 2 * math.pi))
    speed_rad_s = rad_s_from_rpm(given(example, "speed"))
    inertia = float(flywheel_inertia_kgm2(energy_J, speed_rad_s, given(example, "C_S")))
    check(example, "mass", inertia / given(example, "radius_of_gyration") ** 2)


def test_single_four_stroke_of_khurmi_16_9():
    # A triangle of 1.5 times the net work over the expansion, the rest taken back in compression;
    # what else the idle strokes do does not change the answer, as long as it stays below the mean.
    example = "khurmi-16-9"
    speed_rad_s = rad_s_from_rpm(given(example, "speed"))
    net_J = given(example, "power") * 4 * math.pi / speed_rad_s
    gained_J = given(example, "expansion_work_over_net") * net_J
    top_Nm, bottom_Nm = 2 * gained_J / math.pi, 2 * (net_J - gained_J) / math.pi
    corners = ([0, 90, 180, 540, 660, 720], [0, top_Nm, 0, 0, bottom_Nm, 0])
    torque_Nm = np.interp(np.arange(720), *corners)[np.newaxis]
    energy_J = float(energy_fluctuation_J(torque_Nm, 720.0)[0])
    inertia = float(flywheel_inertia_kgm2(energy_J, speed_rad_s, given(example, "C_S")))
    check(example, "moment_of_inertia", inertia)


def test_three_cranks_of_khurmi_16_13():
    example = "khurmi-16-13"
    assert EXAMPLES[example]["inputs"]["engine_torque"] == "5000 + 1500 sin 3θ N·m"
    theta_rad = 2 * math.pi * np.arange(720) / 720
    engine_Nm = 5000 + 1500 * np.sin(3 * theta_rad)
    load_Nm = np.stack([np.full(720, 5000.0), 5000 + 600 * np.sin(theta_rad)])
    speed_rad_s = rad_s_from_rpm(given(example, "speed"))
    check(example, "power", engine_Nm.mean() * speed_rad_s)
    energy_J = energy_fluctuation_J(engine_Nm - load_Nm, 360.0)
    inertia = given(example, "moment_of_inertia")
    # Chords of half a degree on the third order lose (3 h)^2 / 12 = 6e-5.
    for key, got in zip(
        ("C_S_constant_load", "C_S_load_5000_plus_600_sin"),
        speed_fluctuation(energy_J, speed_rad_s, inertia),
        strict=True,
    ):
        check(example, key, float(got), recomputed_rel=7e-5)


# --- multibody ----------------------------------------------------------------------------------

LONG_ROD = Rod(mass_kg=0.9, centre_from_big_end_m=0.05, inertia_kgm2=3e-3)
SLIM_ROD = Rod(mass_kg=0.6, centre_from_big_end_m=0.04, inertia_kgm2=1.5e-3)
CASES = [
    pytest.param([0.0], [0.0], 0.0, None, id="single"),
    pytest.param([25.0], [40.0], 0.012, None, id="offset"),
    pytest.param([25.0], [0.0], 0.0, LONG_ROD, id="rod"),
    pytest.param([0.0, 75.0, 190.0], [-40.0, 40.0, -40.0], 0.009, SLIM_ROD, id="V"),
]


@pytest.mark.parametrize(("pins_deg", "banks_deg", "offset_m", "rod"), CASES)
def test_inertia_torque_agrees_with_multibody_dynamics(pins_deg, banks_deg, offset_m, rod):
    mechanism = multibody.Mechanism(
        crank_radius_m=0.045,
        rod_length_m=0.15,
        pin_path_offset_m=offset_m,
        reciprocating_mass_kg=0.5,
        rotating_mass_kg=0.7,
        speed_rad_s=520.0,
        pin_angles_deg=tuple(pins_deg),
        bank_angles_deg=tuple(banks_deg),
        positions_m=tuple(0.1 * np.arange(len(pins_deg))),
    )
    engine = one_cylinder(pin_path_offset_m=offset_m, speed_rad_s=520.0, cycle_deg=360.0)
    one_Nm = inertia_torque_Nm(engine, 360, rod)
    # Summed from theta_1: the crank's own angle is that much ahead.
    tdc_deg = np.array(banks_deg) - np.array(pins_deg)
    phases_deg = (tdc_deg - tdc_deg[0])[np.newaxis]
    torque_Nm = engine_torque_Nm(engine, phases_deg, one_Nm)[0]
    rolling_Nm = engine_torque_Nm(engine, phases_deg, rolling_moment_Nm(engine, one_Nm, rod))[0]
    samples = np.arange(0, 360, 15)
    theta_rad = np.deg2rad(samples + tdc_deg[0])
    excess = 0.0 if rod is None else rod.excess_inertia_kgm2(0.15)
    their_torque_Nm, their_rolling_Nm = inverse_dynamics(mechanism, theta_rad, excess)
    # 0.1 % of the peak, as asked of it; the differences found are below 1e-6.
    share = 1e-3
    np.testing.assert_allclose(
        torque_Nm[samples], their_torque_Nm, atol=share * np.abs(torque_Nm).max(), rtol=0
    )
    np.testing.assert_allclose(
        rolling_Nm[samples], their_rolling_Nm, atol=share * np.abs(rolling_Nm).max(), rtol=0
    )
    if offset_m or rod:  # else a test of the terms beyond minus the torque would pass without them
        assert np.abs(rolling_Nm + torque_Nm).max() > 20 * share * np.abs(rolling_Nm).max()


def inverse_dynamics(
    mechanism: multibody.Mechanism, theta_rad: FloatArray, excess_inertia_kgm2: float
) -> tuple[FloatArray, FloatArray]:
    """Return crank torque and rolling moment of the inertia at constant speed. [N m]

    Positions and speeds close the loops; accelerations are differences of the speeds by crank
    angle. What the joints would need, times their speeds, is the power that the crank delivers.
    """
    # The time step only scales the springs of the loops, which take no part here.
    model = multibody._build(mechanism, timestep=1e-5)
    model.opt.disableflags |= mujoco.mjtDisableBit.mjDSBL_CONSTRAINT
    for i in range(len(mechanism.positions_m)):
        about = model.body_inertia[model.body(f"rod{i}").id]
        about[np.argsort(about)[1:]] += excess_inertia_kgm2  # across the rod, both axes alike
    data = mujoco.MjData(model)
    speed_rad_s, step = mechanism.speed_rad_s, 1e-3
    torque_Nm, rolling_Nm = np.empty(len(theta_rad)), np.empty(len(theta_rad))
    for k, theta in enumerate(theta_rad):
        speeds = []
        for ahead in (-2, -1, 1, 2):
            multibody._assemble(mechanism, model, data, theta=theta + ahead * step)
            speeds.append(data.qvel.copy())
        slope = (speeds[0] - 8 * speeds[1] + 8 * speeds[2] - speeds[3]) / (12 * step)
        multibody._assemble(mechanism, model, data, theta=theta)
        data.qacc[:] = slope * speed_rad_s
        data.qacc[model.joint("crank").dofadr[0]] = 0.0
        mujoco.mj_inverse(model, data)
        torque_Nm[k] = -(data.qfrc_inverse @ data.qvel) / speed_rad_s
        # The ground holds what the angular momentum needs, less the load's torque on the crank,
        # which the model keeps between crank and block.
        rolling_Nm[k] = -data.sensordata[5] - torque_Nm[k]
    return torque_Nm, rolling_Nm
