"""Free forces and couples: what is left of each order, turning with and against the crank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import SLOTS, Batch, Engine, FloatArray, IntArray
from evaluate.kinematics import inertia_harmonics

ComplexArray = NDArray[np.complex128]
N_PEAK_SAMPLES = 720  # per turn; a parabola through the highest three leaves about 1e-7


@dataclass(frozen=True, kw_only=True, slots=True)
class Rotors:
    """A transverse quantity as pairs of phasors: sum P_k exp(jk theta) + Q_k exp(-jk theta).

    Attributes
    ----------
    orders : tuple of int
        The orders k. [-]
    forward, backward : array of complex, shape (orders, candidates)
        P_k turns with the crank, Q_k against it. Complex plane seen from the free end: real axis
        up, imaginary axis to the right, angles in the direction of rotation. [N] or [N m]
    """

    orders: tuple[int, ...]
    forward: ComplexArray
    backward: ComplexArray

    def mean_square(self) -> FloatArray:
        """Return the mean square over a turn (Parseval), shape (candidates,). [unit^2]"""
        return _square(self.forward).sum(axis=0) + _square(self.backward).sum(axis=0)

    def rms(self) -> FloatArray:
        """Return the root mean square over a turn, shape (candidates,). [unit]"""
        return np.sqrt(self.mean_square())

    def at(self, theta_rad: FloatArray) -> ComplexArray:
        """Return the quantity at crank angles, shape (candidates, angles). [unit]"""
        turning = np.exp(1j * np.outer(self.orders, theta_rad))
        value: ComplexArray = self.forward.T @ turning + self.backward.T @ turning.conj()
        return value

    def peak(self) -> FloatArray:
        """Return the largest magnitude over a turn, all orders together, (candidates,). [unit]"""
        theta_rad = 2 * np.pi * np.arange(N_PEAK_SAMPLES) / N_PEAK_SAMPLES
        square = _square(self.at(theta_rad))
        top = square.argmax(axis=1)[:, np.newaxis]
        before, here, after = (
            np.take_along_axis(square, (top + step) % N_PEAK_SAMPLES, axis=1)[:, 0]
            for step in (-1, 0, 1)
        )
        bend = 2 * here - before - after
        rise = np.divide((after - before) ** 2, 8 * bend, out=np.zeros_like(here), where=bend > 0)
        return np.sqrt(here + rise)


@dataclass(frozen=True, kw_only=True, slots=True)
class Inertia:
    """Free force [N] and couple [N m] of a batch."""

    force: Rotors
    couple: Rotors


def pin_phasors(batch: Batch) -> ComplexArray:
    """Return exp(j alpha) of each cylinder's crankpin, shape (cylinders, candidates)."""
    return _unit_phasors(batch.pin_angles_deg)


def reciprocating(engine: Engine, batch: Batch, pins: ComplexArray) -> Inertia:
    """Return force and couple of the reciprocating masses before any balancing.

    With u = exp(j beta) and theta_i = beta_i - alpha_i, P_k = m r omega^2 C_k / 2 sum u
    exp(-jk theta_i) and Q_k the same with conj(C_k) and exp(+jk theta_i); couples are weighted by
    the axial position.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates.
    pins : array of complex, shape (cylinders, candidates)
        From `pin_phasors`.

    Returns
    -------
    Inertia
        Orders 1, 2, 4, 6, or 1 to 6 with an offset pin path.

    References
    ----------
    Forward and backward components ("direct and reverse cranks"): T. Bevan, The Theory of
    Machines, ch. 14; the same resultants: J. P. Den Hartog, Mechanical Vibrations, ch. 5.
    """
    harmonics = inertia_harmonics(
        crank_radius_m=engine.crank_radius_m,
        rod_length_m=engine.rod_length_m,
        pin_path_offset_m=engine.pin_path_offset_m,
    )
    scale = 0.5 * engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    shape = (len(harmonics.orders), len(batch))
    force = Rotors(
        orders=harmonics.orders, forward=np.zeros(shape, complex), backward=np.zeros(shape, complex)
    )
    couple = Rotors(
        orders=harmonics.orders, forward=np.zeros(shape, complex), backward=np.zeros(shape, complex)
    )
    axes = _unit_phasors(batch.bank_angles_deg)  # (banks, candidates)
    powers = _Powers(pins)
    for row, (order, harmonic) in enumerate(zip(harmonics.orders, harmonics.force, strict=True)):
        turned = powers.of(order)
        for bank, axis in enumerate(axes):
            # u exp(-jk theta_i) = u^(1-k) exp(jk alpha_i); the bank axis leaves the sum.
            into_forward = scale * harmonic * _power(axis, 1 - order)
            into_backward = scale * harmonic.conjugate() * _power(axis, 1 + order)
            forces, couples = _bank_sums(turned, batch.banks, bank, engine.positions_m)
            force.forward[row] += into_forward * forces
            force.backward[row] += into_backward * forces.conj()
            couple.forward[row] += into_forward * couples
            couple.backward[row] += into_backward * couples.conj()
    return Inertia(force=force, couple=couple)


def pin_sums(engine: Engine, pins: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Return force [N/kg] and couple [N m/kg] of one kilogram turning at every crankpin.

    r omega^2 sum exp(j alpha_i), and weighted by axial position; forward, first order, each of
    shape (candidates,).
    """
    scale = engine.crank_radius_m * engine.speed_rad_s**2
    return scale * pins.sum(axis=0), scale * _weighted_sum(pins, engine.positions_m)


def residual(engine: Engine, batch: Batch, pins: ComplexArray, before: Inertia) -> Inertia:
    """Return what counterweights and balance shafts leave.

    Counterweights act on the forward first order only: opposite each cylinder's own pin they take
    `rotating_fraction` of its rotating and `reciprocating_fraction` of its reciprocating mass.
    Each shaft takes its share of one slot, force and couple alike.

    Parameters
    ----------
    engine, batch
        The givens and the candidates.
    pins : array of complex, shape (cylinders, candidates)
        From `pin_phasors`.
    before : Inertia
        From `reciprocating`.
    """
    mass_kg = forward_mass_kg(engine, batch)
    parts = []
    for rotors, per_kg in zip(
        (before.force, before.couple), pin_sums(engine, pins), strict=True
    ):
        forward, backward = rotors.forward.copy(), rotors.backward.copy()
        forward[rotors.orders.index(1)] += mass_kg * per_kg
        for column, slot in enumerate(SLOTS):
            side = forward if slot.sense == "forward" else backward
            side[rotors.orders.index(slot.order)] *= 1 - batch.shaft_fractions[:, column]
        parts.append(Rotors(orders=rotors.orders, forward=forward, backward=backward))
    return Inertia(force=parts[0], couple=parts[1])


def forward_mass_kg(engine: Engine, batch: Batch) -> FloatArray:
    """Return the mass per pin that rotating parts add after counterweights, (candidates,). [kg]

    Negative where counterweights exceed the rotating mass, as they must to balance a share of the
    reciprocating mass.
    """
    left_kg = (1 - batch.rotating_fraction) * engine.rotating_mass_kg
    return left_kg - batch.reciprocating_fraction * engine.reciprocating_mass_kg


def internal_couple(engine: Engine, batch: Batch, pins: ComplexArray) -> FloatArray:
    """Return the couple that bends the crank at its middle, shape (candidates,). [N m]

    The part of the first order that turns with the crank, after counterweights, of the cylinders
    in one half about the middle; the larger of the two halves, so that turning the crank end for
    end changes nothing. On a crank without free force and couple the halves are equal.
    """
    harmonics = inertia_harmonics(
        crank_radius_m=engine.crank_radius_m,
        rod_length_m=engine.rod_length_m,
        pin_path_offset_m=engine.pin_path_offset_m,
    )
    mass_kg = 0.5 * engine.reciprocating_mass_kg * harmonics.force[0] + forward_mass_kg(
        engine, batch
    )
    halves = [
        np.abs(_weighted_sum(pins, half))
        for half in (np.minimum(engine.positions_m, 0), np.maximum(engine.positions_m, 0))
    ]
    scale = engine.crank_radius_m * engine.speed_rad_s**2
    result: FloatArray = scale * np.abs(mass_kg) * np.maximum(*halves)
    return result


class _Powers:
    """Whole powers of unit phasors, made once each by multiplication."""

    def __init__(self, base: ComplexArray) -> None:
        self._known = {1: base}

    def of(self, order: int) -> ComplexArray:
        if order not in self._known:
            half = order // 2
            self._known[order] = self.of(half) * self.of(order - half)
        return self._known[order]


def _unit_phasors(angles_deg: FloatArray) -> ComplexArray:
    """Return exp(j angle) with candidates last, so that sums run over whole rows."""
    angles_rad = np.ascontiguousarray(angles_deg.T) * (np.pi / 180)
    phasors = np.empty(angles_rad.shape, complex)
    np.cos(angles_rad, out=phasors.real)
    np.sin(angles_rad, out=phasors.imag)
    return phasors


def _power(axis: ComplexArray, exponent: int) -> ComplexArray:
    """Return a whole power, negative too, of unit phasors."""
    if exponent == 0:
        return np.ones_like(axis)
    power = _Powers(axis).of(abs(exponent))
    return power if exponent > 0 else power.conj()


def _weighted_sum(turned: ComplexArray, weights: FloatArray) -> ComplexArray:
    """Return sum weight_i * phasor_i, shape (candidates,), without BLAS.

    Matrix products split their work by shape and thread count and then round differently; a plain
    running sum gives a candidate the same bits in any batch.
    """
    parts = turned.view(np.float64)
    return np.einsum("i,ic->c", weights, parts).view(np.complex128)


def _bank_sums(
    turned: ComplexArray, banks: IntArray, bank: int, positions_m: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return the plain and the position-weighted sum over the cylinders of one bank."""
    if banks.shape[0] == 1:
        rows = np.flatnonzero(banks[0] == bank)
        members, arms = turned[rows], positions_m[rows]
    else:
        members, arms = turned * (banks.T == bank), positions_m
    return members.sum(axis=0), _weighted_sum(members, arms)


def _square(values: ComplexArray) -> FloatArray:
    squares: FloatArray = values.real**2 + values.imag**2
    return squares
