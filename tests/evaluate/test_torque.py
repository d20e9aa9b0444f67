"""Torque: what must not change, and sums and integrals done over again by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evaluate import shafts
from evaluate.batch import Engine
from evaluate.firing import tdc_angles_deg
from evaluate.pressure import PressureTrace, default_combustion, pressure_trace
from evaluate.torque import (
    Rod,
    _shifted_sum,
    cycle_harmonics,
    energy_fluctuation_J,
    engine_torque_Nm,
    gas_torque_Nm,
    inertia_torque_Nm,
    pair_moment_Nm,
    ripple_Nm,
    ripple_share,
    rolling_moment_Nm,
    torque_by_order,
    torque_measures,
)
from tests.engines import evaluation

FloatArray = NDArray[np.float64]
K = 720
ENGINE: Engine = evaluation(pin_angles_deg=[0.0]).engine
TRACE: PressureTrace = pressure_trace(
    default_combustion("spark", 720.0),
    crank_radius_m=ENGINE.crank_radius_m,
    rod_length_m=ENGINE.rod_length_m,
    pin_path_offset_m=0.0,
    cycle_deg=720.0,
)
ONE_NM = gas_torque_Nm(ENGINE, TRACE) + inertia_torque_Nm(ENGINE)
ROUND_OFF = 1e-11 * float(np.abs(ONE_NM).max())

angles = st.lists(st.floats(0, 720, exclude_max=True), min_size=1, max_size=8)
lattice = st.lists(st.integers(0, K - 1), min_size=1, max_size=8)


@given(lattice)
@settings(max_examples=40, deadline=None)
def test_on_the_grid_shifting_is_rolling(shifts):
    rolled = sum(np.roll(ONE_NM, shift) for shift in shifts)
    angles_deg = np.array([shifts], float)
    np.testing.assert_allclose(engine_torque_Nm(ENGINE, angles_deg, ONE_NM)[0], rolled, atol=0)
    by_harmonics = _shifted_sum(angles_deg, ONE_NM, 720.0)[0]
    np.testing.assert_allclose(by_harmonics, rolled, rtol=0, atol=len(shifts) * ROUND_OFF)


@given(angles, st.integers(0, K - 1), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_numbering_and_the_start_of_the_cycle_change_nothing(angles_deg, shift, random):
    others = [(angle + shift) % 720 for angle in angles_deg]
    random.shuffle(others)
    before, after = (
        engine_torque_Nm(ENGINE, np.array([rows]), ONE_NM) for rows in (angles_deg, others)
    )
    np.testing.assert_allclose(
        after[0], np.roll(before[0], shift), rtol=0, atol=len(angles_deg) * ROUND_OFF
    )
    one, two = (torque_measures(ENGINE, np.array([rows]), ONE_NM) for rows in (angles_deg, others))
    for name in ("mean_Nm", "ripple_Nm", "energy_J"):
        # The energy adds up 720 samples over 4 pi.
        np.testing.assert_allclose(
            getattr(one, name), getattr(two, name), rtol=0, atol=8 * 13 * ROUND_OFF
        )


@given(angles)
@settings(max_examples=40, deadline=None)
def test_mean_torque_is_the_work_of_all_cylinders(angles_deg):
    measures = torque_measures(ENGINE, np.array([angles_deg]), ONE_NM)
    assert measures.mean_Nm[0] == pytest.approx(len(angles_deg) * ONE_NM.mean(), rel=1e-9)


def test_a_candidate_scores_the_same_bits_in_any_batch():
    random = np.random.default_rng(5)
    angles_deg = random.uniform(0, 720, (150, 6))
    angles_deg[::3] = np.round(angles_deg[::3])  # on the grid, summed in another way
    together = torque_measures(ENGINE, angles_deg, ONE_NM)
    for row in (0, 1, 2, 63, 64, 149):
        alone = torque_measures(ENGINE, angles_deg[row : row + 1], ONE_NM)
        for name in ("mean_Nm", "ripple_Nm", "energy_J"):
            assert getattr(alone, name)[0] == getattr(together, name)[row]


def test_next_to_the_grid_is_next_to_the_torque_on_it():
    # The other way of summing takes over: a hundred thousandth of a sample moves the torque by as
    # much as its steepest rise.
    on, off = (
        engine_torque_Nm(ENGINE, np.array([[0.0, 180.0 + step]]), ONE_NM)[0] for step in (0, 1e-5)
    )
    steepest = np.abs(np.diff(ONE_NM)).max()
    assert 0 < np.abs(on - off).max() < 1.5e-5 * steepest


@given(st.lists(st.integers(-5, 5), min_size=4, max_size=40), st.sampled_from([360.0, 720.0]))
@settings(max_examples=200, deadline=None)
def test_energy_is_exact_between_the_samples(samples, cycle_deg):
    # Small whole numbers make zeros on samples, equal neighbours and crossings next to each other.
    values = np.array(samples[: len(samples) // 2 * 2], float)
    n, mean = len(values), values.mean()
    # By hand: the integral at all samples and all crossings of the mean, one step after the other.
    step_rad = math.radians(cycle_deg) / n
    energy, seen = 0.0, [0.0]
    for here, after in zip(values - mean, np.roll(values, -1) - mean, strict=True):
        if here * after < 0:
            seen.append(energy + 0.5 * step_rad * here * here / (here - after))
        energy += 0.5 * step_rad * (here + after)
        seen.append(energy)
    # The running sum gathers round-off of the largest value.
    found = energy_fluctuation_J(values[np.newaxis], cycle_deg)[0]
    assert found == pytest.approx(max(seen) - min(seen), rel=1e-9, abs=1e-11)


def test_energy_of_a_sine_is_that_of_its_half_wave():
    # Integral of A sin(q theta) over half a wave, 2 A / q; chords lose (q h)^2 / 12.
    theta_rad = 4 * math.pi * np.arange(K) / K
    for order in (0.5, 1.5, 4.0):
        torque_Nm = 70 + 30 * np.sin(order * theta_rad + 0.3)
        chords = (order * theta_rad[1]) ** 2 / 12
        energy_J = energy_fluctuation_J(torque_Nm[np.newaxis], 720.0)[0]
        assert energy_J == pytest.approx(60 / order, rel=1.5 * chords)


def test_backward_motion_turns_the_inertia_torque_round():
    # x(-psi) with the offset on the other side is the same motion, so T(-psi) = -T(psi).
    rod = Rod(mass_kg=0.6, centre_from_big_end_m=0.04, inertia_kgm2=2e-3)
    ahead, back = (
        inertia_torque_Nm(
            evaluation(pin_angles_deg=[0.0], pin_path_offset_m=offset_m).engine, rod=rod
        )
        for offset_m in (0.01, -0.01)
    )
    mirrored = -np.roll(back[::-1], 1)
    np.testing.assert_allclose(ahead, mirrored, rtol=0, atol=1e-11 * np.abs(ahead).max())


def test_a_rod_of_two_point_masses_adds_nothing():
    a_m = 0.05
    rod = Rod(mass_kg=0.8, centre_from_big_end_m=a_m, inertia_kgm2=0.8 * a_m * (0.15 - a_m))
    with_rod, without = (inertia_torque_Nm(ENGINE, rod=given) for given in (rod, None))
    np.testing.assert_allclose(with_rod, without, rtol=0, atol=ROUND_OFF)


def test_crankcase_pressure_moves_torque_within_the_turn_only():
    low, high = (gas_torque_Nm(ENGINE, TRACE, crankcase_pressure_Pa=p) for p in (0.0, 1e5))
    assert low.mean() == pytest.approx(high.mean(), rel=1e-9)
    # 90 degrees after top dead centre dx/dpsi = -r (no offset): the force itself at radius r.
    difference_Nm = 1e5 * 0.25 * math.pi * ENGINE.bore_m**2 * ENGINE.crank_radius_m
    assert low[90] - high[90] == pytest.approx(difference_Nm, rel=1e-9)
    assert low[0] == pytest.approx(0, abs=ROUND_OFF)  # top dead centre


def test_without_a_bore_there_is_no_torque():
    engine = evaluation(pin_angles_deg=[0.0], bore_m=math.nan).engine
    torque_Nm = gas_torque_Nm(engine, TRACE)
    measures = torque_measures(engine, np.array([[0.0, 360.0], [0.0, 100.5]]), torque_Nm)
    assert np.isnan([measures.mean_Nm, measures.ripple_Nm, measures.energy_J]).all()


def test_a_trace_of_another_cycle_is_refused():
    engine = evaluation(pin_angles_deg=[0.0], cycle_deg=360.0).engine
    with pytest.raises(ValueError, match="cycle of 360 deg"):
        gas_torque_Nm(engine, TRACE)


def test_ripple_over_the_mean():
    torque_Nm = np.array([[1.0, 3.0, 2.0, 2.0], [-1.0, 1.0, -1.0, 1.0]])
    assert ripple_Nm(torque_Nm).tolist() == [2.0, 2.0]
    assert ripple_share(torque_Nm).tolist() == [1.0, math.inf]


def test_orders_put_together_are_the_torque():
    torque_Nm = engine_torque_Nm(ENGINE, np.array([[0.0, 200.25, 411.0]]), ONE_NM)
    spectrum = torque_by_order(torque_Nm, 720.0, highest_order=1000.0)
    assert spectrum.orders[-1] == 180.0
    theta_rad = 4 * math.pi * np.arange(K) / K
    waves = np.cos(
        spectrum.orders[:, np.newaxis] * theta_rad
        + np.deg2rad(spectrum.phase_deg[0])[:, np.newaxis]
    )
    total = torque_Nm.mean() + spectrum.amplitude_Nm[0] @ waves
    np.testing.assert_allclose(total, torque_Nm[0], rtol=0, atol=10 * ROUND_OFF)
    assert cycle_harmonics(torque_Nm)[0, 0] == pytest.approx(torque_Nm.mean())


FOURS = {
    "in-line four": {"pin_angles_deg": [0.0, 180.0, 180.0, 0.0], "firing_bits": [0, 1, 0, 1]},
    "turned V": {
        "pin_angles_deg": [70.0, 70.0, 100.0, 115.0],
        "bank_axes_deg": [-20.0, 40.0, -20.0, 40.0],
        "firing_bits": [0, 0, 1, 0],
    },
}


@pytest.mark.parametrize("layout", FOURS)
def test_moment_of_a_pair_is_that_of_its_heavy_points(layout):
    e = evaluation(**FOURS[layout], shaft_fractions=[0.0, 1.0, 0.7])
    places_m = {1: 0.21 - 0.05j, 2: 0.08 + 0.11j}  # slots 2 forward and 2 backward
    moment_Nm = pair_moment_Nm(
        e.engine, e.batch, e.reciprocating, forward_at_m=places_m[1], backward_at_m=places_m[2]
    )[0]
    # By hand: a heavy point at 2 omega pulls outward, and stands where `shaft_sizes` says when
    # cylinder 1 fires; moment = height times force to the right less offset times force up.
    sizes = shafts.shaft_sizes(e.engine, e.batch, e.reciprocating, tdc_angles_deg(e.batch)[:, 0])
    theta_rad = 4 * math.pi * np.arange(K) / K
    expected = np.zeros(K)
    for slot, sense in ((1, 1), (2, -1)):
        unbalance = sizes.force_kgm[0, slot]
        force_N = unbalance * (2 * e.engine.speed_rad_s) ** 2 * np.exp(2j * sense * theta_rad)
        expected += places_m[slot].real * force_N.imag - places_m[slot].imag * force_N.real
    assert np.abs(expected).max() > 100
    np.testing.assert_allclose(moment_Nm, expected, rtol=0, atol=1e-9 * np.abs(expected).max())


@pytest.mark.parametrize("layout", FOURS)
def test_best_height_of_a_pair_leaves_the_least_second_order(layout):
    e = evaluation(**FOURS[layout], shaft_fractions=[0.0, 1.0, 1.0])
    pair = shafts.second_order_pair(e.engine, e.batch, e.reciprocating, tdc_angles_deg(e.batch))[0]
    assert pair is not None
    inertia_Nm = rolling_moment_Nm(e.engine, inertia_torque_Nm(e.engine))
    rolling_Nm = engine_torque_Nm(e.engine, e.firing_angles_deg, inertia_Nm)

    def second_order(height_m: float) -> float:
        pair_Nm = pair_moment_Nm(
            e.engine,
            e.batch,
            e.reciprocating,
            forward_at_m=0.5 * height_m,
            backward_at_m=-0.5 * height_m,
        )
        return float(torque_by_order(rolling_Nm + pair_Nm, 720.0).amplitude_Nm[0, 3])

    assert second_order(0.0) == pytest.approx(pair.rolling_moment_Nm, rel=1e-9)
    best_m = pair.height_difference_m
    scale = pair.rolling_moment_Nm
    assert second_order(best_m) == pytest.approx(pair.least_rolling_moment_Nm, abs=1e-9 * scale)
    assert min(second_order(best_m + 0.01), second_order(best_m - 0.01)) > second_order(best_m)


def test_a_pair_one_rod_length_apart_stills_an_in_line_four():
    # Reference notes on balance shafts: then the inertia part of the second order vanishes. With
    # the leading terms; the exact ones leave lambda^2 / 4 = 2 % at a rod of 3.3 cranks.
    e = evaluation(**FOURS["in-line four"], shaft_fractions=[0.0, 1.0, 1.0])
    inertia_Nm = rolling_moment_Nm(e.engine, inertia_torque_Nm(e.engine))
    rolling_Nm = engine_torque_Nm(e.engine, e.firing_angles_deg, inertia_Nm)
    before, after = (
        float(
            torque_by_order(
                rolling_Nm
                + pair_moment_Nm(
                    e.engine,
                    e.batch,
                    e.reciprocating,
                    forward_at_m=0.2 + rod_lengths * e.engine.rod_length_m,
                    backward_at_m=0.2,
                ),
                720.0,
            ).amplitude_Nm[0, 3]
        )
        for rod_lengths in (0, 1)
    )
    assert after < 0.03 * before


def test_the_second_order_pair_starts_from_the_same_rolling_moment() -> None:
    # Two ways to the second order of the rolling moment, with an offset pin path: harmonics in
    # `shafts`, and an FFT of the exact motion here, which MuJoCo confirms above.
    e = evaluation(
        pin_angles_deg=[0, 180, 180, 0],
        firing_bits=[0, 1, 0, 1],
        pin_path_offset_m=0.012,
        speed_rad_s=520.0,
        shaft_fractions=(0.0, 1.0, 1.0),
    )
    tdc_deg = tdc_angles_deg(e.batch)
    pair = shafts.second_order_pair(e.engine, e.batch, e.reciprocating, tdc_deg)[0]
    assert pair is not None
    one_Nm = rolling_moment_Nm(e.engine, inertia_torque_Nm(e.engine))
    moment_Nm = engine_torque_Nm(e.engine, e.firing_angles_deg, one_Nm)[0]
    second_Nm = abs(cycle_harmonics(moment_Nm)[4])
    assert pair.rolling_moment_Nm == pytest.approx(second_Nm, rel=1e-9)
