"""Torsional vibration against Holzer tables, MuJoCo, time integration and invariants."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import mujoco
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from evaluate import Batch, Engine, InputError, Proportions
from evaluate.kinematics import piston_motion
from evaluate.results import plain
from evaluate.sizing import cylinder_size, sized_engine
from evaluate.torque import cycle_harmonics, inertia_torque_Nm
from evaluate.torsion import (
    Excitation,
    campbell,
    criticals,
    cycle_multiples,
    damped_resonances,
    excitation,
    forced_response,
    is_major,
    modal_twist_rad,
    natural_modes,
)
from evaluate.torsion_batch import (
    TorsionGivens,
    torsional_amplitude_deg,
    torsional_phase_sum,
    torsional_stress_MPa,
)
from evaluate.torsion_chain import Chain, Damper
from evaluate.torsion_crank import (
    FORMULAS,
    Piece,
    ShaftProportions,
    chain_from_proportions,
    counterweight_inertia_kgm2,
    crank_pieces,
    piece_stiffness_Nm_per_rad,
    throw_inertias_kgm2,
)
from evaluate.torsion_results import torsion_document

STEEL_PA = 80e9
SIX_ANGLES_DEG = np.array([0.0, 480.0, 240.0, 600.0, 120.0, 360.0])  # 1-5-3-6-2-4


@st.composite
def chains(draw: st.DrawFn) -> Chain:
    """Return chains of two to six stations of everyday sizes."""
    n = draw(st.integers(2, 6))
    inertias = draw(st.lists(st.floats(0.02, 0.2), min_size=n, max_size=n))
    springs = draw(st.lists(st.floats(3e5, 1.5e6), min_size=n - 1, max_size=n - 1))
    return Chain(
        inertias_kgm2=tuple(inertias),
        stiffnesses_Nm_per_rad=tuple(springs),
        cylinder_stations=tuple(range(n - 1)),
    )


def holzer(chain: Chain, omega: float) -> tuple[list[float], float]:
    """Return deflections and the torque left at the end by Holzer's table (Thomson, ch. 12)."""
    deflections, torque = [1.0], 0.0
    for inertia, spring in zip(chain.inertias_kgm2, chain.stiffnesses_Nm_per_rad, strict=False):
        torque += inertia * omega**2 * deflections[-1]
        deflections.append(deflections[-1] - torque / spring)
    return deflections, torque + chain.inertias_kgm2[-1] * omega**2 * deflections[-1]


@given(chains())
@settings(max_examples=60, deadline=None)
def test_modes_satisfy_a_holzer_table(chain: Chain) -> None:
    modes = natural_modes(chain)
    assert len(modes.frequencies_rad_s) == len(chain.inertias_kgm2) - 1
    inertias = np.array(chain.inertias_kgm2)
    for omega, shape in zip(modes.frequencies_rad_s, modes.shapes, strict=True):
        deflections, left = holzer(chain, omega)
        table = np.array(deflections)
        # Close to a natural frequency w0 the torque that is left, times the last deflection, is
        # (w^2 - w0^2) sum I b^2 (Rayleigh): so this bounds the error of the frequency. Both sums
        # lose up to seven digits where the table runs into an end that barely moves.
        assert abs(left * table[-1]) < 1e-8 * omega**2 * (inertias @ table**2)
        both = abs(table @ shape) / (np.linalg.norm(table) * np.linalg.norm(shape))
        assert both == pytest.approx(1.0, abs=1e-8)
        if np.abs(table).max() < 900:  # else the free end counts as a node
            assert shape[0] == 1


@given(chains(), st.floats(0.1, 10), st.floats(0.1, 10))
@settings(max_examples=30, deadline=None)
def test_scaling_and_turning_a_free_chain_end_for_end(chain: Chain, heavy: float, stiff: float):
    modes = natural_modes(chain)
    scaled = natural_modes(
        replace(
            chain,
            inertias_kgm2=tuple(heavy * i for i in chain.inertias_kgm2),
            stiffnesses_Nm_per_rad=tuple(stiff * k for k in chain.stiffnesses_Nm_per_rad),
        )
    )
    factor = math.sqrt(stiff / heavy)
    assert scaled.frequencies_rad_s == pytest.approx(modes.frequencies_rad_s * factor, rel=1e-9)
    turned = natural_modes(
        replace(
            chain,
            inertias_kgm2=chain.inertias_kgm2[::-1],
            stiffnesses_Nm_per_rad=chain.stiffnesses_Nm_per_rad[::-1],
        )
    )
    assert turned.frequencies_rad_s == pytest.approx(modes.frequencies_rad_s, rel=1e-9)
    for there, back in zip(modes.shapes, turned.shapes[:, ::-1], strict=True):
        # The same direction: |a . b| = |a| |b|.
        both = abs(there @ back) / (np.linalg.norm(there) * np.linalg.norm(back))
        assert both == pytest.approx(1.0, abs=1e-9)
    # Modes are orthogonal in the inertias, and to the rigid one.
    weighted = modes.shapes * np.array(chain.inertias_kgm2)
    products = weighted @ modes.shapes.T
    size = np.sqrt(np.diag(products))
    np.testing.assert_allclose(products / np.outer(size, size), np.eye(len(size)), atol=1e-9)
    assert np.all(np.abs(weighted.sum(axis=1)) < 1e-9 * np.abs(weighted).sum(axis=1))


def test_natural_frequencies_against_a_multibody_program() -> None:
    # MuJoCo assembles the same shaft from nested bodies on hinges with springs, in relative angles.
    inertias, springs = (0.009, 0.011, 0.008, 0.012, 0.15), (6e5, 7e5, 5e5, 9e5)
    text = "<mujoco><option gravity='0 0 0'/><worldbody>"
    for k, inertia in enumerate(inertias):
        spring = springs[k - 1] if k else 0.0
        text += (
            f"<body><joint type='hinge' axis='0 0 1' stiffness='{spring}'/>"
            f"<inertial pos='0 0 0' mass='1' diaginertia='{inertia} {inertia} {inertia}'/>"
        )
    model = mujoco.MjModel.from_xml_string(
        text + "</body>" * len(inertias) + "</worldbody></mujoco>"
    )
    data = mujoco.MjData(model)
    mujoco.mj_forward(model, data)
    # Acceleration from rest for a unit angle of each joint: -(inverse inertia) x stiffness.
    n = model.nv
    answers = np.zeros((n, n))
    for joint in range(n):
        data.qpos[:] = 0
        data.qpos[joint] = 1e-3
        data.qvel[:] = 0
        mujoco.mj_forward(model, data)
        answers[:, joint] = data.qacc / 1e-3
    squares = np.sort(-np.linalg.eigvals(answers).real)
    chain = Chain(
        inertias_kgm2=inertias, stiffnesses_Nm_per_rad=springs, cylinder_stations=(0, 1, 2, 3)
    )
    found = natural_modes(chain).frequencies_rad_s
    # Its inverse dynamics carry about ten digits.
    assert found == pytest.approx(np.sqrt(squares[1:]), rel=1e-7)
    assert squares[0] == pytest.approx(0, abs=1e-6 * squares[-1])  # turning as a whole


#: Three throws, a flywheel, a tuned damper and viscous damping of every kind, in small numbers.
TOY = Chain(
    inertias_kgm2=(1.0, 1.2, 0.9, 6.0),
    stiffnesses_Nm_per_rad=(90.0, 110.0, 100.0),
    cylinder_stations=(0, 1, 1, 2),  # the second throw carries two cylinders
    diameters_m=(0.05, 0.06, 0.07),
    section_damping_Nms_per_rad=(0.5, 0.4, 0.6),
    station_damping_Nms_per_rad=(1.5, 1.0, 1.5, 2.0),
    damper=Damper(
        inertia_kgm2=0.3, stiffness_Nm_per_rad=6.0, damping_Nms_per_rad=0.8, hub_inertia_kgm2=0.1
    ),
)
TOY_ANGLES_DEG = np.array([0.0, 250.0, 400.0, 560.0])
TOY_TORQUE = np.array([3.0, 2 - 1j, 1.5j, -1 - 0.5j, 0.8, 0.3 + 0.9j, -0.6j])


def in_time(chain: Chain, speed_rad_s: float, n_cycles: int) -> tuple[Any, Any]:
    """Return angles and section torques over the last cycle by integration from rest.

    Equations of motion written station by station, the torque as a plain function of time.
    """
    damper = chain.damper
    assert damper is not None
    inertias = [damper.inertia_kgm2, *chain.inertias_kgm2]
    inertias[1] += damper.hub_inertia_kgm2
    springs = [damper.stiffness_Nm_per_rad, *chain.stiffnesses_Nm_per_rad]
    section_c = [damper.damping_Nms_per_rad, *chain.section_damping_Nms_per_rad]
    station_c = [0.0, *chain.station_damping_Nms_per_rad]
    n, multiples = len(inertias), np.arange(1, len(TOY_TORQUE))

    def section_torques(x: Any, v: Any) -> Any:
        return np.array(
            [
                springs[k] * (x[k + 1] - x[k]) + section_c[k] * (v[k + 1] - v[k])
                for k in range(n - 1)
            ]
        )

    def rates(t: float, state: Any) -> Any:
        x, v = state[:n], state[n:]
        torque = -np.array(station_c) * v
        between = section_torques(x, v)
        torque[:-1] += between
        torque[1:] -= between
        for station, fires_deg in zip(chain.cylinder_stations, TOY_ANGLES_DEG, strict=True):
            psi = speed_rad_s * t - math.radians(fires_deg)
            torque[station + 1] += np.sum((TOY_TORQUE[1:] * np.exp(1j * multiples * psi / 2)).real)
        return np.concatenate([v, torque / inertias])

    cycle_s = 4 * math.pi / speed_rad_s
    times = cycle_s * (n_cycles - 1 + np.arange(64) / 64)
    solution = solve_ivp(
        rates, (0, times[-1]), np.zeros(2 * n), "DOP853", times, rtol=1e-9, atol=1e-11
    )
    return solution.y[:n], section_torques(solution.y[:n], solution.y[n:])


@pytest.mark.parametrize("speed_rad_s", [4.0, 9.0])  # near the first and the second resonance
def test_forced_response_against_time_integration(speed_rad_s: float) -> None:
    excited = excitation(TOY_TORQUE, speed_rad_s=speed_rad_s, cycle_deg=720.0)
    response = forced_response(TOY, excited, TOY_ANGLES_DEG, np.array([speed_rad_s]))
    # The slowest transient, the turning of the whole shaft, falls by exp(-0.6 t).
    angles, torques = in_time(TOY, speed_rad_s, n_cycles=math.ceil(36 * speed_rad_s / 12.6))
    # The whole shaft keeps a constant turn, the mean of harmonic 0; amplitudes do not know it.
    kept = slice(1, len(TOY_TORQUE))
    x = np.fft.rfft(angles, axis=1)[:, kept] / 32
    np.testing.assert_allclose(response.angles_rad[:, 0].T, x, atol=1e-6 * np.abs(x).max())
    t = np.fft.rfft(torques, axis=1)[:, kept] / 32
    np.testing.assert_allclose(response.section_torques_Nm[:, 0].T, t, atol=1e-6 * np.abs(t).max())
    twist = np.fft.rfft(angles[1] - angles[-1])[kept] / 32  # station 0 is the damper's ring
    assert response.twist_rad[:, 0] == pytest.approx(np.abs(twist), abs=1e-6 * np.abs(x).max())


def test_work_of_the_excitation_is_what_damping_takes() -> None:
    chain = replace(TOY, magnifier=20.0)
    speeds = np.array([2.0, 4.0, 7.0])
    excited = excitation(TOY_TORQUE, speed_rad_s=1.0, cycle_deg=720.0)
    response = forced_response(chain, excited, TOY_ANGLES_DEG, speeds)
    for row, order in enumerate(response.orders):
        for column, speed in enumerate(speeds):
            omega, x = order * speed, response.angles_rad[row, column]
            phases = np.exp(-1j * np.deg2rad(TOY_ANGLES_DEG) * order)
            at = np.array(chain.cylinder_stations) + 1
            # Mean power of Re T e^jwt on Re v e^jwt: half the real part of T times v conjugate.
            given_W = (
                0.5 * np.sum((TOY_TORQUE[row + 1] * phases) * np.conj(1j * omega * x[at])).real
            )
            apart = np.abs(np.diff(x)) ** 2
            viscous = np.array([0.8, 0.5, 0.4, 0.6]) * omega**2 * apart
            against_block = np.array([0.0, 1.5, 1.0, 1.5, 2.0]) * omega**2 * np.abs(x) ** 2
            loss = omega * np.array([90.0, 110.0, 100.0]) / 20.0 * apart[1:]
            taken_W = 0.5 * (viscous.sum() + against_block.sum() + loss.sum())
            assert given_W == pytest.approx(taken_W, rel=1e-9)


def two_discs(**changed: Any) -> Chain:
    """Return two discs of 0.02 and 0.3 kg m^2 with a cylinder on the first."""
    parts: dict[str, Any] = {
        "inertias_kgm2": (0.02, 0.3),
        "stiffnesses_Nm_per_rad": (4e5,),
        "cylinder_stations": (0,),
        "diameters_m": (0.05,),
        "magnifier": 25.0,
    }
    return Chain(**(parts | changed))


def test_resonance_of_two_discs_in_closed_form() -> None:
    # The twist d obeys J d'' + k (1 + j/m) d = T I2 / (I1 + I2) with J = I1 I2 / (I1 + I2).
    i1, i2, k, m, torque = 0.02, 0.3, 4e5, 25.0, 100.0
    natural = math.sqrt(k * (i1 + i2) / (i1 * i2))
    excited = excitation([0, 0, torque], speed_rad_s=1.0, cycle_deg=720.0)  # order 1
    found = criticals(
        two_discs(),
        np.zeros(1),
        cycle_deg=720.0,
        range_rad_s=(0.9 * natural, 1.1 * natural),
        excited=excited,
    )
    assert [(c.order, c.mode) for c in found] == [(1.0, 1)]
    twist = torque * i2 / (i1 + i2) * m / k
    assert found[0].twist_deg == pytest.approx(math.degrees(twist), rel=1e-9)
    stress_Pa = k * abs(1 + 1j / m) * twist * 16 / (math.pi * 0.05**3)
    assert found[0].stress_MPa == pytest.approx(stress_Pa * 1e-6, rel=1e-9)
    assert found[0].speed_rpm == pytest.approx(natural * 30 / math.pi, rel=1e-9)


def test_damping_within_the_shaft_is_a_viscous_one_at_each_frequency() -> None:
    # k (1 + j/m) = k + j w c for c = k / (m w): the definition of a loss angle.
    speed, torque = 900.0, excitation([0, 0, 100.0], speed_rad_s=1.0, cycle_deg=720.0)
    within = forced_response(two_discs(), torque, np.zeros(1), np.array([speed]))
    viscous = two_discs(magnifier=math.inf, section_damping_Nms_per_rad=(4e5 / 25.0 / speed,))
    same = forced_response(viscous, torque, np.zeros(1), np.array([speed]))
    np.testing.assert_allclose(within.angles_rad[1], same.angles_rad[1], rtol=1e-12)


def test_inertia_torque_grows_with_speed_squared() -> None:
    gas, inertia = np.array([0, 0, 5.0]), np.array([0, 0, 2.0])
    excited = excitation(gas, inertia, speed_rad_s=100.0, cycle_deg=720.0)
    torques = excited.at(np.array([100.0, 200.0]))
    assert torques[1].real == pytest.approx([7.0, 13.0], rel=1e-12)


def test_excitation_takes_the_inertia_torque_to_another_speed() -> None:
    slow, quick = (
        cycle_harmonics(inertia_torque_Nm(engine(1, speed_rad_s=speed))) for speed in (300.0, 600.0)
    )
    excited = excitation(np.zeros(len(slow)), slow, speed_rad_s=300.0, cycle_deg=720.0)
    there = excited.at(np.array([600.0]))[:, 0]
    np.testing.assert_allclose(there, quick[1:25], atol=1e-12 * np.abs(quick).max())


def test_highest_order_is_included_and_ends_the_list() -> None:
    excited = excitation(np.ones(100), speed_rad_s=1.0, cycle_deg=720.0, highest_order=3)
    assert excited.orders.tolist() == [0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    with pytest.raises(ValueError, match="no harmonic"):
        excitation([1.0], speed_rad_s=1.0, cycle_deg=720.0)


def engine(n: int = 6, *, n_banks: int = 1, pins: str | None = None, **changed: Any) -> Engine:
    """Return an engine of half a litre per cylinder at 6000 rpm."""
    size = cylinder_size(
        n,
        displacement_m3=0.5e-3 * n,
        stroke_to_bore=1.0,
        crank_radius_to_rod=0.3,
        speed_rad_s=6000 * math.pi / 30,
    )
    made = sized_engine(
        n,
        n_banks=n_banks,
        pins=pins,
        size=size,
        cycle_deg=720.0,
        open_duration_deg=240.0,
        proportions=Proportions(),
    )
    return replace(made, **changed)


def batch(firing_angles_deg: Any, reciprocating_fraction: Any = 0.5) -> Batch:
    """Return in-line candidates; only counterweights and the count matter here."""
    n, n_cylinders = np.shape(firing_angles_deg)
    return Batch(
        pin_angles_deg=-np.asarray(firing_angles_deg) % 360,
        bank_angles_deg=np.zeros((n, 1)),
        banks=np.zeros((1, n_cylinders), int),
        firing_bits=(np.asarray(firing_angles_deg) >= 360).astype(int),
        rotating_fraction=np.ones(n),
        reciprocating_fraction=np.broadcast_to(reciprocating_fraction, n).astype(float),
        shaft_fractions=np.zeros((n, 3)),
        collectors=np.zeros((1, n_cylinders), int),
    )


def torque_of_one_cylinder(cycle_deg: float = 720.0) -> Excitation:
    """Return a falling series of harmonics, of the size of a road engine's."""
    q = np.arange(60)
    gas = 250 * np.exp(-q / 7) * np.exp(-0.3j * q)
    inertia = np.zeros(60, complex)
    inertia[[2, 4, 6, 8]] = [15j, -120j, -50j, -5j]
    return excitation(gas, inertia, speed_rad_s=628.0, cycle_deg=cycle_deg)


def random_angles(n: int, n_cylinders: int = 6) -> Any:
    """Return firing angles on a lattice of 15 degrees, the six's own order first."""
    rng = np.random.default_rng(20261125)
    angles_deg = rng.integers(0, 48, (n, n_cylinders)) * 15.0
    angles_deg[:, 0] = 0.0
    if n_cylinders == 6:
        angles_deg[0] = SIX_ANGLES_DEG
    return angles_deg


def test_modal_sum_is_exact_for_damping_within_the_shaft() -> None:
    chain = chain_from_proportions(engine(), shaft=ShaftProportions())
    speeds = np.linspace(100, 628, 40)
    excited = torque_of_one_cylinder()
    exact = forced_response(chain, excited, SIX_ANGLES_DEG, speeds).twist_rad
    by_modes = modal_twist_rad(chain, excited, SIX_ANGLES_DEG, speeds)
    # The loss angle of the shaft alone keeps the modes apart; round-off beside the largest.
    np.testing.assert_allclose(by_modes, exact, atol=1e-10 * exact.max())


def test_modal_sum_takes_in_damping_at_the_throws() -> None:
    # Damping in proportion to inertia keeps the modes apart too (Rayleigh).
    bare = two_discs(magnifier=40.0, cylinder_stations=(0, 1))
    chain = replace(bare, station_damping_Nms_per_rad=tuple(9.0 * i for i in bare.inertias_kgm2))
    speeds = np.linspace(100, 2500, 50)
    excited = torque_of_one_cylinder()
    firing_deg = np.array([0.0, 270.0])
    exact = forced_response(chain, excited, firing_deg, speeds).twist_rad
    by_modes = modal_twist_rad(chain, excited, firing_deg, speeds)
    np.testing.assert_allclose(by_modes, exact, atol=1e-10 * exact.max())


@pytest.mark.parametrize(
    "givens",
    [
        TorsionGivens(),
        TorsionGivens(magnifier=80.0, throw_damping_Nms_per_rad=1.0),
        TorsionGivens(
            damper=Damper(
                inertia_kgm2=0.02,
                stiffness_Nm_per_rad=6e4,
                damping_Nms_per_rad=10.0,
                hub_inertia_kgm2=0.003,
            )
        ),
        TorsionGivens(damper=Damper(inertia_kgm2=0.03, damping_Nms_per_rad=30.0)),
    ],
    ids=["shaft", "throws too", "tuned damper", "viscous damper"],
)
def test_batch_finds_the_peaks_of_a_fine_sweep(givens: TorsionGivens) -> None:
    e, angles_deg, excited = engine(), random_angles(8), torque_of_one_cylinder()
    candidates = batch(angles_deg)
    twist_deg = torsional_amplitude_deg(e, candidates, angles_deg, givens=givens, excited=excited)
    stress_MPa = torsional_stress_MPa(e, candidates, angles_deg, givens=givens, excited=excited)
    chain = givens.chain_of(e, rotating_fraction=1.0, reciprocating_fraction=0.5)
    speeds = np.linspace(*givens.range_rad_s(e), 1201)
    for row, own_deg in enumerate(angles_deg):
        fine = forced_response(chain, excited, own_deg, speeds)
        # Peaks of the batch are missed by less than one per cent, those of the sweep by less.
        assert twist_deg[row] == pytest.approx(np.rad2deg(fine.twist_rad.max()), rel=0.01)
        assert stress_MPa[row] == pytest.approx(np.nanmax(fine.stress_Pa) * 1e-6, rel=0.01)


def test_a_candidate_scores_the_same_bits_alone_and_in_a_batch() -> None:
    e, angles_deg, excited = engine(), random_angles(300), torque_of_one_cylinder()
    angles_deg[100:, 1:] += np.random.default_rng(4).uniform(-0.5, 0.0, (200, 5))  # off the lattice
    angles_deg %= 720
    fractions = np.where(np.arange(300) % 3, 0.5, 0.0)
    candidates, givens = batch(angles_deg, fractions), TorsionGivens()
    forms = (
        lambda b, a: torsional_amplitude_deg(e, b, a, givens=givens, excited=excited),
        lambda b, a: torsional_stress_MPa(e, b, a, givens=givens, excited=excited),
        lambda b, a: torsional_phase_sum(e, b, a, givens=givens),
    )
    for form in forms:
        together = form(candidates, angles_deg)
        alone = [
            form(candidates.rows(slice(k, k + 1)), angles_deg[k : k + 1])[0]
            for k in range(0, 300, 7)
        ]
        assert together[::7].tolist() == alone


def test_flywheel_and_damping_of_a_chain_from_proportions() -> None:
    made, shaft = engine(4), ShaftProportions(flywheel_to_throws_inertia=6.0)
    chain = chain_from_proportions(made, shaft=shaft, throw_damping_Nms_per_rad=0.7)
    throws = throw_inertias_kgm2(made, shaft)
    weight = counterweight_inertia_kgm2(
        made, shaft, rotating_fraction=1.0, reciprocating_fraction=0.0
    )
    assert chain.inertias_kgm2 == pytest.approx([*(throws + weight), 6 * throws.sum()], rel=1e-12)
    assert chain.station_damping_Nms_per_rad == (0.7, 0.7, 0.7, 0.7, 0.0)
    # Webs: two for each plain throw; three for a pair of throws with a web between (sizing).
    pairs = engine(4, n_banks=2, pins="own-web")
    ratio = (
        throw_inertias_kgm2(pairs, shaft)
        - throw_inertias_kgm2(
            replace(pairs, proportions=replace(pairs.proportions, web_mass_kg_per_m3=0.0)), shaft
        )
    ) / (
        throws
        - throw_inertias_kgm2(
            replace(made, proportions=replace(made.proportions, web_mass_kg_per_m3=0.0)), shaft
        )
    )
    assert ratio == pytest.approx([0.75] * 4, rel=1e-9)


def test_counterweights_lower_the_natural_frequency() -> None:
    light, heavy = (
        chain_from_proportions(engine(), shaft=ShaftProportions(), reciprocating_fraction=f)
        for f in (0.0, 0.5)
    )
    ratio = natural_modes(heavy).frequencies_rad_s[0] / natural_modes(light).frequencies_rad_s[0]
    # Between no change and what the throws alone would give: sqrt of their inertias (Rayleigh).
    assert math.sqrt(light.inertias_kgm2[0] / heavy.inertias_kgm2[0]) < ratio < 1


def test_a_nearly_even_engine_has_no_major_orders_but_those_in_phase() -> None:
    # Twin firing 0 and 300: order q in phase when q x 300 is a whole number of turns, q = 6/5 m.
    multiples = cycle_multiples(12.0, 720.0)
    found = is_major(np.array([[0.0, 300.0]]), multiples, cycle_deg=720.0)[0]
    assert (multiples[found] / 2).tolist() == [6.0, 12.0]


def test_phase_sum_is_that_of_the_worst_critical_in_the_range() -> None:
    e, angles_deg, givens = engine(), random_angles(20), TorsionGivens(highest_order=8)
    found = torsional_phase_sum(e, batch(angles_deg), angles_deg, givens=givens)
    chain = givens.chain_of(e, rotating_fraction=1.0, reciprocating_fraction=0.5)
    modes = natural_modes(chain)
    low, high = givens.range_rad_s(e)
    for row, own_deg in enumerate(angles_deg):
        worst = 0.0
        for omega, shape in zip(modes.frequencies_rad_s, modes.shapes[:, :6], strict=True):
            for order in np.arange(0.5, 8.1, 0.5):
                if low <= omega / order <= high:
                    vectors = shape * np.exp(1j * order * np.deg2rad(own_deg))
                    worst = max(worst, abs(vectors.sum()))
        assert found[row] == pytest.approx(worst, rel=1e-9)
    # The even six fires all together in its sixth order, critical in this range.
    assert found[0] == pytest.approx(modes.shapes[0, :6].sum(), rel=1e-9)


def test_phase_sum_is_nothing_without_a_critical_and_survives_running_backward() -> None:
    e, angles_deg = engine(), random_angles(20)
    still = TorsionGivens(speed_range_to_rated=(0.2, 1.0), highest_order=0.5)
    assert torsional_phase_sum(e, batch(angles_deg), angles_deg, givens=still).max() == 0
    backward_deg = -angles_deg % 720
    there, back = (
        torsional_phase_sum(e, batch(a), a, givens=TorsionGivens())
        for a in (angles_deg, backward_deg)
    )
    assert back == pytest.approx(there, rel=1e-12)


def test_stated_chain_takes_the_place_of_proportions() -> None:
    stated = Chain(
        inertias_kgm2=(0.01, 0.01, 0.2),
        stiffnesses_Nm_per_rad=(5e5, 8e5),
        cylinder_stations=(0, 1),
        magnifier=30.0,
    )
    e, angles_deg = engine(2, bore_m=math.nan), np.array([[0.0, 360.0], [0.0, 180.0]])
    givens, excited = TorsionGivens(chain=stated), torque_of_one_cylinder()
    candidates = batch(angles_deg, [0.0, 0.5])
    twist_deg = torsional_amplitude_deg(e, candidates, angles_deg, givens=givens, excited=excited)
    fine = forced_response(
        stated, excited, angles_deg[1], np.linspace(*givens.range_rad_s(e), 4001)
    )
    assert twist_deg[1] == pytest.approx(np.rad2deg(fine.twist_rad.max()), rel=0.01)
    stress_MPa = torsional_stress_MPa(e, candidates, angles_deg, givens=givens, excited=excited)
    assert np.isnan(stress_MPa).all()  # no diameters
    with pytest.raises(InputError, match="one per cylinder"):
        torsional_phase_sum(engine(3), batch(np.zeros((1, 3))), np.zeros((1, 3)), givens=givens)


def test_an_engine_of_unknown_bore_has_no_torsional_numbers() -> None:
    e, angles_deg, givens = engine(2, bore_m=math.nan), np.array([[0.0, 360.0]]), TorsionGivens()
    candidates, excited = batch(angles_deg), torque_of_one_cylinder()
    assert np.isnan(torsional_phase_sum(e, candidates, angles_deg, givens=givens)).all()
    for form in (torsional_amplitude_deg, torsional_stress_MPa):
        assert np.isnan(form(e, candidates, angles_deg, givens=givens, excited=excited)).all()
    with pytest.raises(InputError, match="bore_mm"):
        torsion_document(e, candidates, angles_deg, givens=givens)


def test_document_agrees_with_the_parts_and_is_plain() -> None:
    e, angles_deg, givens = engine(), SIX_ANGLES_DEG[np.newaxis], TorsionGivens()
    candidates, excited = batch(angles_deg), torque_of_one_cylinder()
    document = torsion_document(e, candidates, angles_deg, givens=givens, excited=excited)
    text = json.loads(json.dumps(plain(document)))
    assert text["speed_range_rpm"] == pytest.approx([1200, 6000])
    assert text["cylinder_stations"] == [1, 2, 3, 4, 5, 6]
    # The worst of all is at a critical here, so both ways of finding it meet.
    assert text["amplitude_deg"] == pytest.approx(
        max(c["twist_deg"] for c in text["criticals"]), rel=0.01
    )
    assert text["stress_MPa"] == pytest.approx(
        max(c["stress_MPa"] for c in text["criticals"]), rel=0.01
    )
    assert text["phase_sum"] == pytest.approx(
        max(c["phase_vector_sum"] for c in text["criticals"]), rel=1e-12
    )
    by_order = {entry["order"]: entry for entry in text["phase_vector_sums"]}
    assert [order for order, entry in by_order.items() if entry["is_major"]] == [3, 6, 9, 12]
    for critical in text["criticals"]:
        same = by_order[critical["order"]]["by_mode"][critical["mode"] - 1]
        assert critical["phase_vector_sum"] == pytest.approx(same, rel=1e-12)
    silent = plain(torsion_document(e, candidates, angles_deg, givens=givens))
    assert silent["amplitude_deg"] is None
    assert {c["twist_deg"] for c in silent["criticals"]} == {None}


def test_campbell_rays_meet_natural_frequencies_at_the_criticals() -> None:
    chain = chain_from_proportions(engine(), shaft=ShaftProportions())
    excited = torque_of_one_cylinder()
    picture = campbell(
        chain, SIX_ANGLES_DEG, cycle_deg=720.0, range_rad_s=(120.0, 628.0), excited=excited
    )
    assert picture.speeds_rpm[[0, -1]] == pytest.approx(
        [120 * 30 / math.pi, 628 * 30 / math.pi], rel=1e-12
    )
    assert picture.twist_deg.shape == picture.order_frequencies_Hz.shape
    assert picture.orders[picture.is_major].tolist() == [3.0, 6.0, 9.0, 12.0]
    assert picture.criticals
    for c in picture.criticals:
        natural_Hz = picture.natural_frequencies_Hz[c.mode - 1]
        ray_Hz = np.interp(
            c.speed_rpm,
            picture.speeds_rpm,
            picture.order_frequencies_Hz[np.flatnonzero(picture.orders == c.order)[0]],
        )
        assert ray_Hz == pytest.approx(natural_Hz, rel=1e-9)
        assert c.frequency_Hz == pytest.approx(natural_Hz, rel=1e-12)
    # The curve of the sixth order has its peak at its critical, within half a width of it.
    sixth = picture.twist_deg[np.flatnonzero(picture.orders == 6)[0]]
    own = next(c for c in picture.criticals if c.order == 6 and c.mode == 1)
    assert picture.speeds_rpm[sixth.argmax()] == pytest.approx(own.speed_rpm, rel=0.5 / 30)
    assert sixth.max() == pytest.approx(own.twist_deg, rel=0.01)
    bare = campbell(chain, SIX_ANGLES_DEG, cycle_deg=720.0, range_rad_s=(120.0, 628.0))
    assert np.isnan(bare.twist_deg).all()
    assert [c.order for c in bare.criticals] == [c.order for c in picture.criticals]


@pytest.mark.parametrize("magnifier", [5.0, 30.0, 200.0])
def test_magnifier_of_a_resonance(magnifier: float) -> None:
    # A loss angle 1/m gives every mode w sqrt(1 + j/m): damping ratio 1/(2m) to first order.
    chain = chain_from_proportions(engine(), shaft=ShaftProportions(), magnifier=magnifier)
    found = damped_resonances(chain)
    assert found.magnifiers == pytest.approx(magnifier, rel=1 / magnifier**2)
    natural = natural_modes(chain).frequencies_rad_s
    assert found.frequencies_rad_s == pytest.approx(natural, rel=0.5 / magnifier**2)


def test_resonances_of_a_rotor_with_a_strong_damper() -> None:
    # A rotor against a wall, viscous damping at the rotor: lambda^2 + 2 z lambda + 1 = 0.
    for ratio, expected in ((0.3, [math.sqrt(1 - 0.3**2)]), (1.5, [])):
        chain = Chain(
            inertias_kgm2=(1.0, 1e9),
            stiffnesses_Nm_per_rad=(1.0,),
            cylinder_stations=(0,),
            station_damping_Nms_per_rad=(2 * ratio, 0.0),
        )
        found = damped_resonances(chain)
        assert found.frequencies_rad_s == pytest.approx(expected, rel=1e-7)
        assert found.magnifiers == pytest.approx([0.5 / ratio] * len(expected), rel=1e-7)


def test_nothing_damped_is_refused() -> None:
    free = two_discs(magnifier=math.inf)
    assert np.isinf(damped_resonances(free).magnifiers).all()
    with pytest.raises(InputError, match="damping"):
        forced_response(
            free,
            excitation([0, 1.0], speed_rad_s=1.0, cycle_deg=720.0),
            np.zeros(1),
            np.array([10.0]),
        )


#: A throw in the middle of the ranges that N. Kolchin and V. Demidov, Design of Automotive Engines,
#: give for petrol engines in line (from memory), in bores.
ORDINARY = Piece(
    main_length_m=0.5,
    pin_length_m=0.55,
    main_diameter_m=0.725,
    pin_diameter_m=0.65,
    main_ends=2,
    pin_ends=2,
    n_webs=2,
    lever_m=0.5,
    web_thickness_m=0.225,
    web_width_m=1.1,
)


def test_formulas_for_an_ordinary_throw_agree_with_each_other_and_with_plain_strength() -> None:
    # A throw with free journals: torsion of journal and pin, bending of both webs by the torque
    # (elementary strength of materials, E = 2.6 G), journals reaching 0.2 d into the webs.
    p = ORDINARY
    torsion = 32 / (math.pi * STEEL_PA)
    plain = (
        torsion * (p.main_length_m + 0.4 * p.main_diameter_m) / p.main_diameter_m**4
        + torsion * (p.pin_length_m + 0.4 * p.pin_diameter_m) / p.pin_diameter_m**4
        + 24 * p.lever_m / (2.6 * STEEL_PA * p.web_thickness_m * p.web_width_m**3)
    )
    carter, wilson = (
        piece_stiffness_Nm_per_rad(p, shear_modulus_Pa=STEEL_PA, formula=formula)
        for formula in FORMULAS
    )
    # Two empirical formulas, known to differ by some tens of per cent (common practice, no source).
    assert carter == pytest.approx(wilson, rel=0.3)
    assert carter == pytest.approx(1 / plain, rel=0.4)
    assert wilson == pytest.approx(1 / plain, rel=0.4)


@pytest.mark.parametrize("formula", FORMULAS)
@given(st.floats(0.05, 1.0), st.floats(1.01, 1.3))
@settings(max_examples=30, deadline=None)
def test_stiffness_scales_with_size_and_with_each_part(formula: str, bore_m: float, more: float):
    def stiffness(**changed: float) -> float:
        return piece_stiffness_Nm_per_rad(
            replace(ORDINARY, **changed), shear_modulus_Pa=STEEL_PA, formula=formula
        )

    lengths = {
        name: getattr(ORDINARY, name) * bore_m for name in ORDINARY.__slots__ if name.endswith("_m")
    }
    # [N m/rad] = modulus x length cubed, whatever the formula.
    assert stiffness(**lengths) == pytest.approx(stiffness() * bore_m**3, rel=1e-12)
    for name in ("main_diameter_m", "pin_diameter_m", "web_width_m"):
        assert stiffness(**{name: getattr(ORDINARY, name) * more}) > stiffness()
    for name in ("main_length_m", "pin_length_m", "lever_m"):
        assert stiffness(**{name: getattr(ORDINARY, name) * more}) < stiffness()


def test_carter_and_ker_wilson_as_printed() -> None:
    # The formulas with sums worked out by hand for L_j = 0.04, D_j = 0.06, L_c = 0.03, D_c = 0.05,
    # h = 0.02, W = 0.08, R = 0.045 m (formulas from memory).
    piece = Piece(
        main_length_m=0.04,
        pin_length_m=0.03,
        main_diameter_m=0.06,
        pin_diameter_m=0.05,
        main_ends=2,
        pin_ends=2,
        n_webs=2,
        lever_m=0.045,
        web_thickness_m=0.02,
        web_width_m=0.08,
    )
    # Carter: 0.056 / 1.296e-5 + 0.0225 / 6.25e-6 + 0.0675 / 1.024e-5 = 4320.988 + 3600 + 6591.797.
    # Ker Wilson: 0.064 / 1.296e-5 + 0.05 / 6.25e-6 + 0.023 / 1.024e-5 = 4938.272 + 8000 + 2246.094.
    for formula, total in (("carter", 14512.785), ("ker-wilson", 15184.366)):
        found = piece_stiffness_Nm_per_rad(piece, shear_modulus_Pa=STEEL_PA, formula=formula)
        assert found == pytest.approx(math.pi * STEEL_PA / 32 / total, rel=1e-6)
    with pytest.raises(InputError, match="Did you mean 'carter'"):
        piece_stiffness_Nm_per_rad(piece, shear_modulus_Pa=STEEL_PA, formula="cartr")


def test_a_web_from_pin_to_pin_is_as_long_as_for_opposite_throws() -> None:
    # Pairs of throws with a web between, 0.8 bores apart: pins 0.8 - 0.22 long, one web of 2 r.
    # Carter's web term stands for two webs of r each, so that it is the same here.
    made, shaft = engine(4, n_banks=2, pins="own-web"), ShaftProportions()
    bore, r = made.bore_m, made.crank_radius_m
    total = 0.75 * 0.58 / (0.6**4 * bore**3) + 1.5 * r / (0.22 * bore**4)
    chain = chain_from_proportions(made, shaft=shaft)
    for section in (0, 2):
        assert chain.stiffnesses_Nm_per_rad[section] == pytest.approx(
            math.pi * STEEL_PA / 32 / total, rel=1e-9
        )
    # Nominal stress is that of the thinner journal, the pin of 0.6 bores.
    assert chain.diameters_m == pytest.approx([0.6 * bore] * 4, rel=1e-12)


@pytest.mark.parametrize(
    ("made", "n_pieces"),
    [
        (engine(1), 1),
        (engine(4), 4),
        (engine(8, n_banks=2, pins="shared"), 4),
        (engine(6, n_banks=2, pins="split"), 6),
        (engine(4, n_banks=2, pins="own-web"), 4),
        (engine(4, n_banks=2, pins="own-main"), 4),
    ],
    ids=["single", "four", "shared", "split", "own-web", "own-main"],
)
def test_pieces_fill_the_crank_from_the_first_throw_to_the_flywheel(
    made: Engine, n_pieces: int
) -> None:
    shaft = ShaftProportions()
    found = crank_pieces(made, shaft)
    assert len(found) == n_pieces
    filled_m = sum(p.main_length_m + p.pin_length_m + p.n_webs * p.web_thickness_m for p in found)
    # The last main bearing stands half its length before its own end; then the flange.
    beyond_m = 0.5 * (found[-1].main_length_m - shaft.flange_length_to_bore * made.bore_m)
    flange_m = shaft.flange_length_to_bore * made.bore_m
    span_m = made.main_positions_m[-1] - made.throw_positions_m[0]
    assert filled_m == pytest.approx(span_m + beyond_m + flange_m, rel=1e-9)
    chain = chain_from_proportions(made, shaft=shaft)
    assert len(chain.inertias_kgm2) == n_pieces + 1
    assert chain.stiffnesses_Nm_per_rad == tuple(
        piece_stiffness_Nm_per_rad(p, shear_modulus_Pa=STEEL_PA) for p in found
    )


def test_inertia_of_a_throw_from_its_solids() -> None:
    # A throw drawn as solids: pin, two rectangular webs and journals, integrated on a fine grid;
    # its unbalance is what a layout file would state as rotating mass beside the big end.
    base, p, shaft = engine(1), Proportions(), ShaftProportions()
    bore, r = base.bore_m, base.crank_radius_m
    pin, main = p.pin_diameter_to_bore * bore, shaft.main_diameter_to_bore * bore
    pin_kg, web_kg, main_kg = (
        mass * bore**3
        for mass in (p.pin_mass_kg_per_m3, p.web_mass_kg_per_m3, p.main_mass_kg_per_m3)
    )
    x = np.linspace(-main / 2, r + pin / 2, 2001)
    y = np.linspace(-0.5, 0.5, 2001) * shaft.web_width_to_bore * bore
    web_square = np.mean((x[1:] + x[:-1]) ** 2 / 4) + np.mean((y[1:] + y[:-1]) ** 2 / 4)
    centre = (x[0] + x[-1]) / 2
    big_end_kg = 0.3
    unbalance_kgm = pin_kg * r + 2 * web_kg * r / 2
    made = replace(base, rotating_mass_kg=big_end_kg + unbalance_kgm / r)
    # Web centres stand half-way to the pin when pin and journal are equal; else a little nearer.
    assert centre == pytest.approx(r / 2, abs=0.06 * r)
    shift = 2 * web_kg * (centre**2 - (r / 2) ** 2)
    expected = (
        big_end_kg * r**2
        + 0.5 * made.reciprocating_mass_kg * r**2
        + pin_kg * (r**2 + pin**2 / 8)
        + 2 * (web_kg * web_square)
        + 2 * main_kg * main**2 / 8
    )
    assert throw_inertias_kgm2(made, shaft)[0] == pytest.approx(expected - shift, rel=1e-5)


def test_half_of_the_reciprocating_mass_is_its_mean_over_a_turn() -> None:
    psi = np.linspace(0, 2 * math.pi, 721)[:-1]
    _, first, _ = piston_motion(psi, crank_radius_m=0.04, rod_length_m=40.0)
    light, heavy = (
        throw_inertias_kgm2(engine(1, crank_radius_m=0.04, reciprocating_mass_kg=mass), shaft)[0]
        for shaft in (ShaftProportions(),)
        for mass in (0.5, 1.5)
    )
    assert heavy - light == pytest.approx(np.mean(first**2), rel=1e-5)  # a rod of 1000 radii


def test_inertia_of_a_counterweight_drawn_as_a_sector() -> None:
    # A sector 120 degrees wide from 0.6 to 1 of its outer radius, integrated on a grid.
    radius = np.linspace(0.6, 1, 4001)
    angle = np.linspace(-math.pi / 3, math.pi / 3, 2001)
    area = np.trapezoid(radius, radius) * (2 * math.pi / 3)
    centre = np.trapezoid(radius**2, radius) * np.trapezoid(np.cos(angle), angle) / area
    polar = np.trapezoid(radius**3, radius) * (2 * math.pi / 3) / area
    made, shaft = engine(1), ShaftProportions()
    found = counterweight_inertia_kgm2(
        made, shaft, rotating_fraction=1.0, reciprocating_fraction=0.0
    )
    place_m = made.proportions.counterweight_radius_to_crank_radius * made.crank_radius_m
    mass_kg = made.rotating_mass_kg * made.crank_radius_m / place_m
    # The coefficient is written with two digits.
    assert found == pytest.approx(mass_kg * place_m**2 * polar / centre**2, rel=0.02)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"inertias_kgm2": (1.0,)}, "two or more"),
        ({"inertias_kgm2": (1.0, math.nan)}, r"inertias_kgm2\[1\]"),
        ({"inertias_kgm2": (0.0, 1.0)}, r"inertias_kgm2\[0\]: got 0; allowed: a finite"),
        ({"stiffnesses_Nm_per_rad": (1.0, 2.0)}, "stiffnesses_Nm_per_rad: got 2 numbers"),
        ({"stiffnesses_Nm_per_rad": (-1.0,)}, r"stiffnesses_Nm_per_rad\[0\]"),
        ({"diameters_m": (0.1, 0.1)}, "diameters_m: got 2 numbers; allowed: 0 or 1"),
        ({"cylinder_stations": (2,)}, r"cylinder_stations\[0\]: got 2; allowed: 0 to 1"),
        ({"cylinder_stations": ()}, "one station per cylinder"),
        ({"driving_end": 0}, "driving_end"),
        ({"magnifier": 0.5}, "magnifier"),
        ({"magnifier": math.nan}, "magnifier"),
        ({"station_damping_Nms_per_rad": (-1.0, 0.0)}, r"station_damping_Nms_per_rad\[0\]"),
        ({"section_damping_Nms_per_rad": (math.inf,)}, r"section_damping_Nms_per_rad\[0\]"),
    ],
)
def test_a_chain_that_cannot_be_is_refused(changed: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        two_discs(**changed)


@pytest.mark.parametrize(
    "changed",
    [
        {"inertia_kgm2": 0.0},
        {"inertia_kgm2": 0.1},
        {"inertia_kgm2": 0.1, "stiffness_Nm_per_rad": -1.0},
        {"inertia_kgm2": 0.1, "damping_Nms_per_rad": math.nan},
    ],
)
def test_a_damper_that_cannot_be_is_refused(changed: dict[str, float]) -> None:
    with pytest.raises(InputError, match="damper"):
        Damper(**changed)


def test_proportions_and_givens_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="web_width_to_bore"):
        ShaftProportions(web_width_to_bore=0.0)
    with pytest.raises(InputError, match="below 1"):
        ShaftProportions(main_share_of_journals=1.0)
    with pytest.raises(InputError, match="Did you mean 'ker-wilson'"):
        ShaftProportions(formula="kerwilson")
    with pytest.raises(InputError, match="speed_range"):
        TorsionGivens(speed_range_to_rated=(1.0, 0.5))
    with pytest.raises(InputError, match="highest_order"):
        TorsionGivens(highest_order=math.nan)
