"""Crankpin and main-bearing loads over the working cycle, every bay statically determinate.

The force of gas and reciprocating mass goes through the rod to the crankpin; with the rotating mass
and the counterweight at the same place it loads the two main bearings of its bay like a beam on two
supports. Loads are what the crank does to the bearing, not the bearing's answer. Left out: weight,
the rod's rotary inertia beyond its two point masses, friction, the drive of balance shafts, and
what a stiff crank hands on past its bays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evaluate.batch import Batch, Engine, FloatArray
from evaluate.bays import CUBIC, N_SAMPLES, around, between, pull_per_kg, turning_N
from evaluate.bays import bearing_shares as bearing_shares
from evaluate.bays import cycle_angles_rad as cycle_angles_rad
from evaluate.bearing_peaks import COARSE_STEP_DEG as COARSE_STEP_DEG
from evaluate.bearing_peaks import LoadTable as LoadTable
from evaluate.bearing_peaks import load_table as load_table
from evaluate.bearing_peaks import main_load_peak_N as main_load_peak_N
from evaluate.firing import SNAP_DEG, firing_angles_deg
from evaluate.kinematics import piston_motion
from evaluate.phasors import ComplexArray, unit_phasors
from evaluate.torque import ATMOSPHERE_PA
from evaluate.traces import PressureTrace

#: Pressure below the piston, against which absolute cylinder pressure pushes: one atmosphere. [Pa]
CRANKCASE_PRESSURE_Pa = ATMOSPHERE_PA


@dataclass(frozen=True, kw_only=True, slots=True)
class PinLoad:
    """Load of one rod on its crankpin over a working cycle, in three frames.

    Attributes
    ----------
    psi_rad : array, shape (K,)
        Crank angle after the cylinder's own firing dead centre. [rad]
    in_bank_N : array of complex, shape (K,)
        Real: outward along the bank axis; imaginary: in the direction of rotation. [N]
    on_throw_N : array of complex, shape (K,)
        As the pin feels it, turning with the crank. Real: outward along the throw; imaginary: in
        the direction of rotation, which is the force that drives. [N]
    in_rod_N : array of complex, shape (K,)
        As the rod's bearing feels it. Real: from the crankpin towards the wrist pin, so that
        compression of the rod is negative; imaginary: at right angles, in the direction of
        rotation. [N]
    """

    psi_rad: FloatArray
    in_bank_N: ComplexArray
    on_throw_N: ComplexArray
    in_rod_N: ComplexArray


@dataclass(frozen=True, kw_only=True, slots=True)
class WorstLoad:
    """The largest load on any main bearing of one candidate, and who makes it.

    Attributes
    ----------
    main : int
        Index of the bearing, from the free end.
    crank_angle_deg : float
        When, from the first cylinder's firing. [deg]
    load_N : complex
        The load in the engine plane. [N]
    firing_pair : tuple of int
        Indices of the two cylinders next to the bearing whose firing dead centres lie nearest
        before that moment, the earlier one first; one index if only one cylinder is next to it.
    since_firing_deg : tuple of float
        How long ago each of the pair fired. [deg]
    shares_N : array, shape (cylinders,)
        What each cylinder, with its rotating mass and counterweight, adds in the direction of the
        load; sums to its magnitude. [N]
    """

    main: int
    crank_angle_deg: float
    load_N: complex
    firing_pair: tuple[int, ...]
    since_firing_deg: tuple[float, ...]
    shares_N: FloatArray


def pin_force_N(
    engine: Engine,
    trace: PressureTrace | None,
    *,
    crankcase_pressure_Pa: float = CRANKCASE_PRESSURE_Pa,
    n_samples: int = N_SAMPLES,
) -> ComplexArray:
    """Return the force of gas and reciprocating mass that the rod puts on the crankpin.

    Parameters
    ----------
    engine : Engine
        The givens; with a trace, the bore too.
    trace : PressureTrace or None
        Cylinder pressure over the cycle; None for inertia alone.
    crankcase_pressure_Pa : float
        Pressure below the piston. [Pa]
    n_samples : int
        Samples of the cycle, where there is no trace.

    Returns
    -------
    array of complex, shape (K,)
        In the frame of the cylinder's bank: real part outward along the bank axis, imaginary part
        in the direction of rotation. The rotating mass is not in it. [N]

    Raises
    ------
    ValueError
        If the trace does not span the engine's working cycle evenly.

    Notes
    -----
    The wrist pin's balance along the bank axis gives the axial force, inertia outward minus gas,
    -m x'' omega^2 - (p - p0) A; the rod has no lateral load of its own, so that the force follows
    its line: lateral over axial is the tangent of the rod's obliquity. The piston presses on the
    wall with minus the lateral part (`wall_force_N`).

    References
    ----------
    Any text on engine dynamics, such as R. S. Khurmi and J. K. Gupta, Theory of Machines, ch. 15
    (piston effort, thrust in the rod, side thrust).
    """
    psi_rad = cycle_angles_rad(engine, n_samples if trace is None else len(trace.psi_rad))
    _, _, second = piston_motion(
        psi_rad,
        crank_radius_m=engine.crank_radius_m,
        rod_length_m=engine.rod_length_m,
        pin_path_offset_m=engine.pin_path_offset_m,
    )
    axial_N = -engine.reciprocating_mass_kg * second * engine.speed_rad_s**2
    if trace is not None:
        if not np.allclose(trace.psi_rad, psi_rad, rtol=0, atol=1e-9):
            raise ValueError(f"trace: must span {engine.cycle_deg:g} deg evenly, from 0 on")
        area_m2 = 0.25 * np.pi * engine.bore_m**2
        axial_N = axial_N - (trace.pressure_Pa - crankcase_pressure_Pa) * area_m2
    rod = _rod_direction(engine, psi_rad)
    force: ComplexArray = axial_N * (1 + 1j * rod.imag / rod.real)
    return force


def wall_force_N(pin_force: ComplexArray) -> FloatArray:
    """Return the force of the piston on the cylinder wall, positive in the sense of rotation. [N]

    Together with the gas force on the head and the main bearings it is all that the block feels.
    """
    return -pin_force.imag


def big_end_mass_kg(engine: Engine) -> float:
    """Return an estimate of the rod's share in the rotating mass of one cylinder. [kg]

    The givens name only the sum of big end and throw; it is shared as in the proportions, with as
    many rods to a throw as the crank has.
    """
    p, rods_per_throw = engine.proportions, engine.n_cylinders / engine.n_throws
    throw_share = p.throw_mass_kg_per_m3 / rods_per_throw
    whole = p.big_end_mass_kg_per_m3 + throw_share
    return engine.rotating_mass_kg * p.big_end_mass_kg_per_m3 / whole if whole else 0.0


def pin_load(engine: Engine, pin_force: ComplexArray, big_end_kg: float) -> PinLoad:
    """Return what one rod does to its crankpin, as polar data in three frames.

    Parameters
    ----------
    engine : Engine
        The givens.
    pin_force : array of complex, shape (K,)
        From `pin_force_N`. [N]
    big_end_kg : float
        Rotating mass of the rod alone, which pulls on the pin; the throw's own mass does not. [kg]
    """
    psi_rad = cycle_angles_rad(engine, len(pin_force))
    throw = np.exp(1j * psi_rad)
    in_bank_N = pin_force + big_end_kg * pull_per_kg(engine) * throw
    return PinLoad(
        psi_rad=psi_rad,
        in_bank_N=in_bank_N,
        on_throw_N=in_bank_N * throw.conj(),
        in_rod_N=in_bank_N * _rod_direction(engine, psi_rad).conj(),
    )


def cylinder_forces_N(engine: Engine, batch: Batch, pin_force: ComplexArray) -> ComplexArray:
    """Return what acts on the crank at each cylinder: pin force, rotating mass, counterweight.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates: a few, since whole cycles are kept.
    pin_force : array of complex, shape (K,)
        From `pin_force_N`. [N]

    Returns
    -------
    array of complex, shape (candidates, cylinders, K)
        In the engine plane, seen from the free end, by crank angle after the first cylinder's
        firing (`cycle_angles_rad`). [N]

    Notes
    -----
    Cylinder i has the pin force of theta - phi_i: exact for whole samples, by a cubic through the
    nearest four between them (harmonics would ring beside the step where a valve opens). Balance
    shafts are not on the crank.
    """
    n_samples = len(pin_force)
    fired_deg = firing_angles_deg(batch)[:, :, np.newaxis]
    delay = fired_deg * (n_samples / engine.cycle_deg)
    whole = np.floor(delay).astype(np.int64)
    runs = sliding_window_view(around(pin_force), n_samples + CUBIC - 1)
    forces = between(runs[-whole[:, :, 0] % n_samples], delay - whole)
    throws = unit_phasors(np.rad2deg(cycle_angles_rad(engine, n_samples)) - fired_deg)
    forces += turning_N(engine, batch)[:, np.newaxis, np.newaxis] * throws
    forces *= unit_phasors(batch.bank_axes_deg())[:, :, np.newaxis]
    return forces


def main_loads_N(engine: Engine, batch: Batch, pin_force: ComplexArray) -> ComplexArray:
    """Return the load of the crank on each main bearing over the cycle.

    Parameters
    ----------
    engine, batch, pin_force
        As in `cylinder_forces_N`.

    Returns
    -------
    array of complex, shape (candidates, mains, K)
        In the engine plane, seen from the free end: real part up, imaginary part to the right for
        a crank that turns clockwise. [N]
    """
    forces = cylinder_forces_N(engine, batch, pin_force)
    loads: ComplexArray = np.einsum("mi,cik->cmk", bearing_shares(engine), forces)
    return loads


def on_journal_N(engine: Engine, batch: Batch, loads: ComplexArray) -> ComplexArray:
    """Return main loads as the journals feel them, turning with the crank.

    Parameters
    ----------
    engine, batch
        Givens and candidates.
    loads : array of complex, shape (candidates, mains, K)
        From `main_loads_N`. [N]

    Returns
    -------
    array of complex, same shape
        Real: in the direction of the first cylinder's throw; imaginary: ahead of it, in the
        direction of rotation. [N]
    """
    axes = unit_phasors(batch.bank_axes_deg()[:, :1])[:, :, np.newaxis]
    turned: ComplexArray = loads * axes.conj()
    turned *= np.exp(-1j * cycle_angles_rad(engine, loads.shape[2]))
    return turned


def peaks_N(loads: ComplexArray) -> FloatArray:
    """Return the largest magnitude over the cycle, along the last axis. [N]"""
    peaks: FloatArray = np.abs(loads).max(axis=-1)
    return peaks


def means_N(loads: ComplexArray) -> FloatArray:
    """Return the mean magnitude over the cycle, along the last axis. [N]"""
    means: FloatArray = np.abs(loads).mean(axis=-1)
    return means


def specific_load_Pa(
    load_N: FloatArray, diameter_m: FloatArray | float, width_m: FloatArray | float
) -> FloatArray:
    """Return loads over the projected area of their journals, F / (d b). [Pa]

    Parameters
    ----------
    load_N : array, shape (..., bearings)
        Magnitudes. [N]
    diameter_m, width_m : array of shape (bearings,), or float
        Bearing diameter and effective width. [m]

    Raises
    ------
    ValueError
        If a diameter or a width is not above 0.
    """
    area_m2 = np.asarray(diameter_m, np.float64) * np.asarray(width_m, np.float64)
    if not (np.all(np.asarray(diameter_m) > 0) and np.all(np.asarray(width_m) > 0)):
        raise ValueError("diameter_m, width_m: must be above 0")
    specific: FloatArray = load_N / area_m2
    return specific


def worst_load(engine: Engine, batch: Batch, pin_force: ComplexArray, *, row: int = 0) -> WorstLoad:
    """Return the largest load on any main bearing of one candidate, and the firings behind it.

    Parameters
    ----------
    engine, batch, pin_force
        As in `cylinder_forces_N`.
    row : int
        The candidate.

    Notes
    -----
    The firing pair is defined by time, not by size: of the cylinders that the bearing carries a
    share of, those two that fired last before the moment of the worst load (or at it). At low
    speed they make it; where inertia does, `WorstLoad.shares_N` says who.
    """
    one = batch.rows(np.array([row])) if len(batch) > 1 else batch
    forces = cylinder_forces_N(engine, one, pin_force)[0]
    shares = bearing_shares(engine)
    sizes = np.abs(np.einsum("mi,ik->mk", shares, forces))
    main, sample = (int(index) for index in np.unravel_index(sizes.argmax(), sizes.shape))
    carried_N = shares[main] * forces[:, sample]
    load_N = complex(carried_N.sum())
    angle_deg = engine.cycle_deg * sample / len(pin_force)
    fired_deg = firing_angles_deg(one)[0]
    since_deg = (angle_deg - fired_deg + SNAP_DEG) % engine.cycle_deg
    near = np.flatnonzero(shares[main])
    last = near[np.argsort(since_deg[near], kind="stable")[:2]]
    pair = last[np.lexsort([last, -since_deg[last].round(5)])]
    along = load_N.conjugate() / abs(load_N) if load_N else 0.0
    return WorstLoad(
        main=main,
        crank_angle_deg=angle_deg,
        load_N=load_N,
        firing_pair=tuple(pair.tolist()),
        since_firing_deg=tuple(since_deg[pair].round(5).tolist()),
        shares_N=(carried_N * along).real,
    )


def _rod_direction(engine: Engine, psi_rad: FloatArray) -> ComplexArray:
    """Return the unit vector from the crankpin to the wrist pin in the bank's frame, (K,)."""
    lateral = (engine.pin_path_offset_m - engine.crank_radius_m * np.sin(psi_rad)) / (
        engine.rod_length_m
    )
    direction: ComplexArray = np.sqrt(1 - lateral**2) + 1j * lateral
    return direction
