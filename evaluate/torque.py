"""Crank torque over the working cycle: gas and inertia, summed by firing angle, and what follows.

A cylinder's torque stands on the grid of its cycle, angles from its own firing top dead centre;
the engine's on the same grid, angles from the first cylinder's. Positive drives the crank.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evaluate import firing
from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.inertia import Inertia
from evaluate.kinematics import piston_motion
from evaluate.phasors import ComplexArray, unit_phasors
from evaluate.traces import PressureTrace, grid_rad

#: Standard atmosphere, below the pistons unless stated. [Pa]
ATMOSPHERE_PA = 101325.0
#: Candidates at a time whose torque over the cycle is held: small enough for the cache.
BLOCK = 64
#: Firing angles nearer than this to a sample are on it. [samples]
SAME_SAMPLE = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class Rod:
    """What a connecting rod adds to its two masses at the pins.

    Attributes
    ----------
    mass_kg : float
        Of the whole rod. [kg]
    centre_from_big_end_m : float
        Distance of its centre of gravity from the crankpin. [m]
    inertia_kgm2 : float
        Moment of inertia about the centre of gravity. [kg m^2]
    """

    mass_kg: float
    centre_from_big_end_m: float
    inertia_kgm2: float

    def excess_inertia_kgm2(self, rod_length_m: float) -> float:
        """Return the moment of inertia beyond that of the two masses, J - m a (l - a). [kg m^2]"""
        a_m = self.centre_from_big_end_m
        return self.inertia_kgm2 - self.mass_kg * a_m * (rod_length_m - a_m)


@dataclass(frozen=True, kw_only=True, slots=True)
class TorqueMeasures:
    """Scores of a batch, each of shape (candidates,).

    Attributes
    ----------
    mean_Nm, ripple_Nm : array
        Mean of the torque over the cycle, and its greatest minus its least value. [N m]
    energy_J : array
        Fluctuation of energy, from `energy_fluctuation_J`. [J]
    """

    mean_Nm: FloatArray
    ripple_Nm: FloatArray
    energy_J: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderSpectrum:
    """Torque as a sum over orders of amplitude cos(order theta + phase).

    Attributes
    ----------
    orders : array, shape (orders,)
        From the first harmonic of the cycle: 1/2, 1, ... in a four-stroke. [-]
    amplitude_Nm, phase_deg : array, shape (candidates, orders)
        Theta counts from the first cylinder's firing. [N m] and [deg]
    """

    orders: FloatArray
    amplitude_Nm: FloatArray
    phase_deg: FloatArray


def gas_torque_Nm(
    engine: Engine, trace: PressureTrace, *, crankcase_pressure_Pa: float = ATMOSPHERE_PA
) -> FloatArray:
    """Return the torque of gas pressure on one cylinder's piston, shape (samples,). [N m]

    By virtual work, T = (p - p_crankcase) dV/dpsi with the exact motion.

    Parameters
    ----------
    engine : Engine
        The givens; without a bore the torque is NaN.
    trace : PressureTrace
        On the engine's own cycle.
    crankcase_pressure_Pa : float
        Constant, below the piston. It changes the torque within the cycle, not its mean. [Pa]

    Raises
    ------
    ValueError
        If the trace does not span the engine's cycle.
    """
    _check_grid(engine, trace)
    _, first_m, _ = _motion(engine, trace.psi_rad)
    area_m2 = 0.25 * math.pi * engine.bore_m**2
    torque_Nm: FloatArray = (crankcase_pressure_Pa - trace.pressure_Pa) * area_m2 * first_m
    return torque_Nm


def indicated_mep_Pa(engine: Engine, trace: PressureTrace) -> float:
    """Return the work of one cycle over swept volume, from the samples of a trace. [Pa]"""
    _check_grid(engine, trace)
    _, first_m, _ = _motion(engine, trace.psi_rad)
    r_m, rod_m, offset_m = engine.crank_radius_m, engine.rod_length_m, engine.pin_path_offset_m
    outer_m, inner_m = (math.sqrt((rod_m + end) ** 2 - offset_m**2) for end in (r_m, -r_m))
    mean_N_m2 = -float((trace.pressure_Pa * first_m).mean())
    return mean_N_m2 * math.radians(engine.cycle_deg) / (outer_m - inner_m)


def inertia_torque_Nm(engine: Engine, n_samples: int = 720, rod: Rod | None = None) -> FloatArray:
    """Return the inertia torque of one cylinder at constant speed, shape (samples,). [N m]

    By virtual work, T = -m_rec omega^2 x' x''. The engine's masses hold the rod as two masses, at
    its pins; a stated rod adds the couple of the inertia that these two have too little or too
    much, T = -(J - m a (l - a)) omega^2 chi' chi'' with chi the angle of the rod.

    Parameters
    ----------
    engine : Engine
        The givens.
    n_samples : int
        Grid of the cycle, even. [-]
    rod : Rod or None
        None: two masses are the whole rod.

    References
    ----------
    Two masses and a correcting couple: R. L. Norton, Design of Machinery, ch. 13; T. Bevan, The
    Theory of Machines, ch. 12 (from memory).
    """
    _, first_m, second_m = _motion(engine, psi_rad := grid_rad(engine.cycle_deg, n_samples))
    work_J = engine.reciprocating_mass_kg * first_m * second_m
    if rod is not None:
        turn, swing = _rod_swing(engine, psi_rad)
        work_J += rod.excess_inertia_kgm2(engine.rod_length_m) * turn * swing
    torque_Nm: FloatArray = -(engine.speed_rad_s**2) * work_J
    return torque_Nm


def rolling_moment_Nm(
    engine: Engine, one_cylinder_Nm: FloatArray, rod: Rod | None = None
) -> FloatArray:
    """Return the moment of one cylinder about the crank axis on the block, shape (samples,). [N m]

    Minus the crank torque, positive in the direction of rotation, and minus the rate of change of
    angular momentum: nothing for a piston whose pin path meets the crank axis, m_rec omega^2 e x''
    for an offset one, and -(J - m a (l - a)) omega^2 chi'' for a rod that is more than two masses.
    `engine_torque_Nm` sums it over the cylinders as it does torque.

    Parameters
    ----------
    engine : Engine
        The givens.
    one_cylinder_Nm : array, shape (samples,)
        Torque of one cylinder, gas and inertia. [N m]
    rod : Rod or None
        The same as for `inertia_torque_Nm`.
    """
    psi_rad = grid_rad(engine.cycle_deg, len(one_cylinder_Nm))
    _, _, second_m = _motion(engine, psi_rad)
    change_J = -engine.reciprocating_mass_kg * engine.pin_path_offset_m * second_m
    if rod is not None:
        change_J += rod.excess_inertia_kgm2(engine.rod_length_m) * _rod_swing(engine, psi_rad)[1]
    moment_Nm: FloatArray = -one_cylinder_Nm - engine.speed_rad_s**2 * change_J
    return moment_Nm


def pair_moment_Nm(
    engine: Engine,
    batch: Batch,
    before: Inertia,
    *,
    forward_at_m: complex,
    backward_at_m: complex,
    n_samples: int = 720,
) -> FloatArray:
    """Return the moment on the block of second-order shafts at stated places.

    Parameters
    ----------
    engine, batch
        The givens and the candidates, whose `shaft_fractions` say what the shafts take.
    before : Inertia
        Forces of the reciprocating masses before balancing.
    forward_at_m, backward_at_m : complex
        Where the shaft that turns with the crank, and the other one, stand in the transverse plane
        (real part: height above the crank axis; imaginary part: to the right). [m]
    n_samples : int
        Grid of the cycle, even. [-]

    Returns
    -------
    array, shape (candidates, samples)
        About the crank axis, positive in the direction of rotation; theta from the first
        cylinder's firing. [N m]

    Notes
    -----
    A force F at z has the moment Im(conj(z) F). Which height is best: `shafts.second_order_pair`.
    """
    row = before.force.orders.index(2)
    at_first = unit_phasors(2 * firing.tdc_angles_deg(batch)[:, 0])
    turning = np.exp(2j * grid_rad(engine.cycle_deg, n_samples))
    forward = -batch.shaft_fractions[:, 1] * before.force.forward[row] * at_first
    backward = -batch.shaft_fractions[:, 2] * before.force.backward[row] * at_first.conj()
    moment_Nm: FloatArray = np.outer(np.conj(forward_at_m) * forward, turning).imag
    moment_Nm += np.outer(np.conj(backward_at_m) * backward, turning.conj()).imag
    return moment_Nm


def cycle_harmonics(values: FloatArray) -> ComplexArray:
    """Return the harmonics of a quantity on the grid of its cycle.

    Parameters
    ----------
    values : array, shape (..., samples)
        An even number of samples. [unit]

    Returns
    -------
    array of complex, shape (..., samples/2 + 1)
        c_q with value_k = Re sum c_q exp(2 pi j q k / samples): c_0 is the mean, |c_q| an
        amplitude; the order of q is 360 q / cycle. [unit]
    """
    harmonics: ComplexArray = np.fft.rfft(values, axis=-1) * (2 / values.shape[-1])
    harmonics[..., 0] *= 0.5
    harmonics[..., -1] *= 0.5
    return harmonics


def summed_harmonics(
    angles_deg: FloatArray, one_cylinder: ComplexArray, cycle_deg: float
) -> ComplexArray:
    """Return the harmonics of a sum over cylinders, each shifted by its firing angle.

    Parameters
    ----------
    angles_deg : array, shape (candidates, cylinders)
        Firing angles, on the grid or not. [deg]
    one_cylinder : array of complex, shape (harmonics,)
        From `cycle_harmonics`, or the first ones of them. [unit]
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array of complex, shape (harmonics, candidates)
        c_q sum exp(-2 pi j q phi_i / cycle). [unit]
    """
    step = unit_phasors(np.ascontiguousarray(angles_deg.T) * (-360.0 / cycle_deg))
    # Powers q = width * a + b of the phasors as products of two short tables: a running product
    # over all q would gather round-off, and the exponential costs several times as much.
    width = math.isqrt(len(one_cylinder) - 1) + 1
    fine = _powers(step, width)
    coarse = _powers(fine[-1] * step, width)
    sums = np.zeros((width, width, step.shape[1]), complex)
    for cylinder in range(step.shape[0]):
        sums += coarse[:, np.newaxis, cylinder] * fine[np.newaxis, :, cylinder]
    kept = sums.reshape(width * width, -1)[: len(one_cylinder)]
    kept *= one_cylinder[:, np.newaxis]
    return kept


def engine_torque_Nm(
    engine: Engine, angles_deg: FloatArray, one_cylinder: FloatArray
) -> FloatArray:
    """Return the sum over the cylinders of each candidate, shifted by firing angles.

    Parameters
    ----------
    engine : Engine
        For the length of its cycle.
    angles_deg : array, shape (candidates, cylinders)
        Firing angles; between samples the harmonics of the grid interpolate. [deg]
    one_cylinder : array, shape (samples,)
        Torque (or rolling moment) of one cylinder. [N m]

    Returns
    -------
    array, shape (candidates, samples)
        Theta from the first cylinder's firing. [N m]
    """
    n_samples = len(one_cylinder)
    shifts = angles_deg * (n_samples / engine.cycle_deg)
    whole = np.rint(shifts)
    # Chosen for each candidate by itself, so that it scores the same in any batch.
    is_on_grid = (np.abs(shifts - whole) < SAME_SAMPLE).all(axis=1)
    if is_on_grid.all():
        return _rolled_sum(whole.astype(np.int64), one_cylinder)
    torque_Nm = np.empty((len(angles_deg), n_samples))
    torque_Nm[is_on_grid] = _rolled_sum(whole[is_on_grid].astype(np.int64), one_cylinder)
    torque_Nm[~is_on_grid] = _shifted_sum(angles_deg[~is_on_grid], one_cylinder, engine.cycle_deg)
    return torque_Nm


def torque_measures(
    engine: Engine, angles_deg: FloatArray, one_cylinder_Nm: FloatArray
) -> TorqueMeasures:
    """Return mean, ripple and fluctuation of energy of every candidate.

    Parameters
    ----------
    engine : Engine
        The givens.
    angles_deg : array, shape (candidates, cylinders)
        Firing angles. [deg]
    one_cylinder_Nm : array, shape (samples,)
        Torque of one cylinder. [N m]
    """
    # None of these knows which cylinder fires when, so equal sets of angles are scored once.
    rising_deg = firing.sorted_columns(angles_deg).T
    sets_deg, of_set = np.unique(rising_deg, axis=0, return_inverse=True)
    scores = np.empty((3, len(sets_deg)))
    for start in range(0, len(sets_deg), BLOCK):
        block = slice(start, start + BLOCK)
        torque_Nm = engine_torque_Nm(engine, sets_deg[block], one_cylinder_Nm)
        scores[0, block] = torque_Nm.mean(axis=1)
        scores[1, block] = ripple_Nm(torque_Nm)
        scores[2, block] = energy_fluctuation_J(torque_Nm, engine.cycle_deg)
    mean_Nm, ripple, energy_J = scores[:, of_set.reshape(-1)]
    return TorqueMeasures(mean_Nm=mean_Nm, ripple_Nm=ripple, energy_J=energy_J)


def ripple_Nm(torque_Nm: FloatArray) -> FloatArray:
    """Return the greatest minus the least sample, shape (...,) of (..., samples). [N m]"""
    ripple: FloatArray = torque_Nm.max(axis=-1) - torque_Nm.min(axis=-1)
    return ripple


def ripple_share(torque_Nm: FloatArray) -> FloatArray:
    """Return the ripple over the magnitude of the mean, infinite without one. [-]"""
    with np.errstate(divide="ignore"):
        share: FloatArray = ripple_Nm(torque_Nm) / np.abs(torque_Nm.mean(axis=-1))
    return share


def energy_fluctuation_J(torque_Nm: FloatArray, cycle_deg: float) -> FloatArray:
    """Return the greatest minus the least of the integral of torque less its mean over a cycle.

    Parameters
    ----------
    torque_Nm : array, shape (candidates, samples)
        On the grid of the cycle. [N m]
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array, shape (candidates,)
        Exact for torque that is straight between the samples: where it crosses its mean within a
        step, the extremum there is taken. [J]

    References
    ----------
    Turning-moment diagram: T. Bevan, The Theory of Machines, ch. 12 (from memory).
    """
    n_samples = torque_Nm.shape[1]
    step_rad = math.radians(cycle_deg) / n_samples
    here = torque_Nm - torque_Nm.mean(axis=1, keepdims=True)
    energy = np.cumsum(here, axis=1)
    energy -= 0.5 * here  # by trapezoids, less what is the same for all samples
    is_below = here < 0
    crosses = np.empty_like(is_below)
    np.not_equal(is_below[:, :-1], is_below[:, 1:], out=crosses[:, :-1])
    np.not_equal(is_below[:, -1], is_below[:, 0], out=crosses[:, -1])
    row, column = np.divmod(np.flatnonzero(crosses), n_samples)
    before, after = here[row, column], here[row, (column + 1) % n_samples]
    # A triangle up to the crossing. The sample before it is no extremum, nor needed any more: the
    # energy goes on rising, or falling, from there to the crossing.
    energy[row, column] += 0.5 * before * np.abs(before) / (np.abs(before) + np.abs(after))
    fluctuation_J: FloatArray = step_rad * (energy.max(axis=1) - energy.min(axis=1))
    return fluctuation_J


def flywheel_inertia_kgm2(
    energy_J: FloatArray | float, speed_rad_s: float, coefficient: float
) -> FloatArray:
    """Return the moment of inertia that holds the speed within a coefficient of fluctuation.

    Parameters
    ----------
    energy_J : array or float
        Fluctuation of energy. [J]
    speed_rad_s : float
        Mean speed. [rad/s]
    coefficient : float
        (omega_max - omega_min) / omega_mean. [-]

    Returns
    -------
    array
        I = E / (C omega^2), of all that turns with the crank; same shape as the energy. [kg m^2]

    References
    ----------
    T. Bevan, The Theory of Machines, ch. 12; R. S. Khurmi and J. K. Gupta, Theory of Machines,
    ch. 16 (worked examples read in a companion, formula from memory).
    """
    inertia_kgm2: FloatArray = np.asarray(energy_J) / (coefficient * speed_rad_s**2)
    return inertia_kgm2


def speed_fluctuation(
    energy_J: FloatArray | float, speed_rad_s: float, inertia_kgm2: float
) -> FloatArray:
    """Return the coefficient of fluctuation of speed that a moment of inertia leaves. [-]"""
    coefficient: FloatArray = np.asarray(energy_J) / (inertia_kgm2 * speed_rad_s**2)
    return coefficient


def torque_by_order(
    torque_Nm: FloatArray, cycle_deg: float, *, highest_order: float = 12.0
) -> OrderSpectrum:
    """Return amplitude and phase of the torque by order.

    Parameters
    ----------
    torque_Nm : array, shape (candidates, samples)
        From `engine_torque_Nm`. [N m]
    cycle_deg : float
        720 or 360. [deg]
    highest_order : float
        The last order that is kept; as many as the samples resolve at most. [-]
    """
    harmonics = cycle_harmonics(torque_Nm)
    kept = slice(1, min(math.floor(highest_order * cycle_deg / 360.0) + 1, harmonics.shape[-1]))
    orders: FloatArray = np.arange(harmonics.shape[-1], dtype=np.float64)[kept]
    return OrderSpectrum(
        orders=orders * (360.0 / cycle_deg),
        amplitude_Nm=np.abs(harmonics[..., kept]),
        phase_deg=np.rad2deg(np.angle(harmonics[..., kept])),
    )


def _powers(base: ComplexArray, count: int) -> ComplexArray:
    """Return base^0 .. base^(count - 1), powers first."""
    powers = np.ones((count, *base.shape), complex)
    for row in range(1, count):
        np.multiply(powers[row - 1], base, out=powers[row])
    return powers


def _rolled_sum(shifts: IntArray, one_cylinder: FloatArray) -> FloatArray:
    """Return the sum over cylinders, each shifted by whole samples, (candidates, samples)."""
    n_samples = len(one_cylinder)
    windows = sliding_window_view(np.concatenate([one_cylinder, one_cylinder]), n_samples)
    starts = -shifts % n_samples
    total: FloatArray = windows[starts[:, 0]]
    for column in range(1, shifts.shape[1]):
        total += windows[starts[:, column]]
    return total


def _shifted_sum(angles_deg: FloatArray, one_cylinder: FloatArray, cycle_deg: float) -> FloatArray:
    """Return the sum over cylinders, each shifted by its harmonics, (candidates, samples)."""
    sums = summed_harmonics(angles_deg, cycle_harmonics(one_cylinder), cycle_deg)
    sums[1:-1] *= 0.5
    total: FloatArray = np.fft.irfft(
        np.ascontiguousarray(sums.T), n=len(one_cylinder), axis=1, norm="forward"
    )
    return total


def _motion(engine: Engine, psi_rad: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    return piston_motion(
        psi_rad,
        crank_radius_m=engine.crank_radius_m,
        rod_length_m=engine.rod_length_m,
        pin_path_offset_m=engine.pin_path_offset_m,
    )


def _rod_swing(engine: Engine, psi_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the first and second derivative of the rod's angle from the bank axis. [-]

    sin chi = (e - r sin psi) / l, positive in the direction of rotation.
    """
    side = engine.pin_path_offset_m - engine.crank_radius_m * np.sin(psi_rad)
    side_1, side_2 = (
        -engine.crank_radius_m * np.cos(psi_rad),
        engine.crank_radius_m * np.sin(psi_rad),
    )
    along_rod = np.sqrt(engine.rod_length_m**2 - side**2)
    return side_1 / along_rod, side_2 / along_rod + side * side_1**2 / along_rod**3


def _check_grid(engine: Engine, trace: PressureTrace) -> None:
    psi_rad = grid_rad(engine.cycle_deg, len(trace.psi_rad))
    if not np.allclose(psi_rad, trace.psi_rad, rtol=0, atol=1e-9):
        raise ValueError(f"trace: must span the engine's cycle of {engine.cycle_deg:g} deg")
