"""Free forces and couples: what is left of each order, turning with and against the crank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate.batch import SLOTS, Batch, Engine, FloatArray, IntArray
from evaluate.kinematics import Harmonics, inertia_harmonics
from evaluate.phasors import ComplexArray, unit_phasors
from evaluate.sums import sum_rows

#: Below this share of what all masses could make together, nothing is left: remainders of
#: floating-point sums are about 1e-15 of it, the least that an engine's angles leave far above.
NOTHING_SHARE = 1e-6
N_PEAK_SAMPLES = 720  # per turn; a parabola through the highest three leaves at most about 4e-5


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
        return sum_rows(_square(self.forward) + _square(self.backward))

    def rms(self) -> FloatArray:
        """Return the root mean square over a turn, shape (candidates,). [unit]"""
        return np.sqrt(self.mean_square())

    def order_rms(self, order: int) -> FloatArray:
        """Return the root mean square over a turn of one order alone, (candidates,). [unit]

        With |P| and |Q| the parts that turn with the crank and against it, sqrt(|P|^2 + |Q|^2):
        the squares of all orders add up to that of `rms`. Where the order acts along one line,
        |P| = |Q|, its peak is sqrt(2) times as much.
        """
        row = self.orders.index(order)
        return np.sqrt(_square(self.forward[row]) + _square(self.backward[row]))

    def at(self, theta_rad: FloatArray) -> ComplexArray:
        """Return the quantity at crank angles, shape (candidates, angles). [unit]"""
        value = np.zeros((self.forward.shape[1], len(theta_rad)), complex)
        for order, ahead, against in zip(self.orders, self.forward, self.backward, strict=True):
            turning = np.exp(1j * order * theta_rad)
            value += np.outer(ahead, turning)
            value += np.outer(against, turning.conj())
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


@dataclass(frozen=True, kw_only=True, slots=True)
class BuildErrors:
    """By how much built engines differ from the drawing, besides their angles; None: not at all.

    Attributes
    ----------
    reciprocating, rotating, counterweights : array, shape (cylinders, candidates), or None
        Mass of each cylinder, and of its share of its throw's counterweight, over the drawn one.
        [-]
    shafts : array of complex, shape (2, slots, candidates), or None
        Force and couple that balance shafts take of each of `SLOTS`, since shafts are made for the
        drawn engine, not for the built one. [N] and [N m]
    """

    reciprocating: FloatArray | None = None
    rotating: FloatArray | None = None
    counterweights: FloatArray | None = None
    shafts: ComplexArray | None = None


def pin_phasors(batch: Batch) -> ComplexArray:
    """Return exp(j alpha) of each cylinder's crankpin, shape (cylinders, candidates)."""
    return unit_phasors(np.ascontiguousarray(batch.pin_angles_deg.T))


def reciprocating(
    engine: Engine, batch: Batch, pins: ComplexArray, errors: BuildErrors | None = None
) -> Inertia:
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
    errors : BuildErrors or None
        Masses that differ from the drawing.

    Returns
    -------
    Inertia
        Orders 1, 2, 4, 6, or 1 to 6 with an offset pin path.

    References
    ----------
    Forward and backward components ("direct and reverse cranks"): T. Bevan, The Theory of
    Machines, ch. 14; the same resultants: J. P. Den Hartog, Mechanical Vibrations, ch. 5.
    """
    harmonics = engine_harmonics(engine)
    scale = 0.5 * engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    # Axis 1 of all arrays: force, couple.
    forward = np.zeros((len(harmonics.orders), 2, len(batch)), complex)
    backward = np.zeros_like(forward)
    axes = _Powers(unit_phasors(batch.bank_angles_deg.T))  # (banks, candidates)
    powers = _Powers(pins)
    weights = np.stack([np.ones(engine.n_cylinders), engine.positions_m])
    for row, (order, harmonic) in enumerate(zip(harmonics.orders, harmonics.force, strict=True)):
        turned = powers.of(order)
        if errors is not None and errors.reciprocating is not None:
            turned = turned * errors.reciprocating
        # u exp(-jk theta_i) = u^(1-k) exp(jk alpha_i); the bank axis leaves the sum.
        into_forward = scale * harmonic * axes.of(1 - order)
        into_backward = scale * harmonic.conjugate() * axes.of(1 + order)
        for bank in range(engine.n_banks):
            sums = _bank_sums(turned, batch.banks, bank, weights)
            forward[row] += into_forward[bank] * sums
            backward[row] += into_backward[bank] * np.conjugate(sums, out=sums)
    force, couple = (
        Rotors(orders=harmonics.orders, forward=forward[:, k], backward=backward[:, k])
        for k in (0, 1)
    )
    return Inertia(force=force, couple=couple)


def engine_harmonics(engine: Engine) -> Harmonics:
    """Return the harmonics of one cylinder of an engine."""
    return inertia_harmonics(
        crank_radius_m=engine.crank_radius_m,
        rod_length_m=engine.rod_length_m,
        pin_path_offset_m=engine.pin_path_offset_m,
    )


def scales(engine: Engine) -> tuple[float, float]:
    """Return what all reciprocating masses could make together: force [N] and couple [N m].

    m r omega^2 N, and that times the distance of the outermost cylinders (the crank radius when
    all stand in one plane), against which remainders of sums are judged.
    """
    at_pin_N = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    arm_m = float(np.ptp(engine.positions_m)) or engine.crank_radius_m
    force_N = at_pin_N * engine.n_cylinders
    return force_N, force_N * arm_m


def pin_sums(engine: Engine, pins: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Return force [N/kg] and couple [N m/kg] of one kilogram turning at every crankpin.

    r omega^2 sum exp(j alpha_i), and weighted by axial position; forward, first order, each of
    shape (candidates,).
    """
    scale = engine.crank_radius_m * engine.speed_rad_s**2
    weights = scale * np.stack([np.ones(engine.n_cylinders), engine.positions_m])
    force, couple = _weighted_sums(pins, weights)
    return force, couple


def residual(
    engine: Engine,
    batch: Batch,
    pins: ComplexArray,
    before: Inertia,
    errors: BuildErrors | None = None,
) -> Inertia:
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
    errors : BuildErrors or None
        Masses, counterweights and shafts that differ from the drawing.
    """
    taken = None if errors is None else errors.shafts
    parts = []
    for kind, turning in enumerate(_turning(engine, batch, pins, errors)):
        rotors = (before.force, before.couple)[kind]
        forward, backward = rotors.forward.copy(), rotors.backward.copy()
        forward[rotors.orders.index(1)] += turning
        for column, slot in enumerate(SLOTS):
            side = forward if slot.sense == "forward" else backward
            row = rotors.orders.index(slot.order)
            if taken is None:
                side[row] *= 1 - batch.shaft_fractions[:, column]
            else:
                side[row] -= taken[kind, column]
        parts.append(Rotors(orders=rotors.orders, forward=forward, backward=backward))
    return Inertia(force=parts[0], couple=parts[1])


def forward_mass_kg(engine: Engine, batch: Batch) -> FloatArray:
    """Return the mass per pin that rotating parts add after counterweights, (candidates,). [kg]

    Negative where counterweights exceed the rotating mass, as they must to balance a share of the
    reciprocating mass.
    """
    left_kg = (1 - batch.rotating_fraction) * engine.rotating_mass_kg
    return left_kg - batch.reciprocating_fraction * engine.reciprocating_mass_kg


def _turning(
    engine: Engine, batch: Batch, pins: ComplexArray, errors: BuildErrors | None
) -> list[ComplexArray]:
    """Return force and couple of what turns with the crank, after counterweights."""
    if errors is None or (errors.rotating is None and errors.counterweights is None):
        mass_kg = forward_mass_kg(engine, batch)
        return [mass_kg * per_kg for per_kg in pin_sums(engine, pins)]
    return list(pin_sums(engine, pins * built_mass_kg(engine, batch, errors)))


def built_mass_kg(engine: Engine, batch: Batch, errors: BuildErrors) -> FloatArray:
    """Return what is left at each pin of built engines, (cylinders or 1, candidates). [kg]"""
    rotating, weights = _or_one(errors.rotating), _or_one(errors.counterweights)
    drawn_kg = batch.rotating_fraction * engine.rotating_mass_kg
    drawn_kg = drawn_kg + batch.reciprocating_fraction * engine.reciprocating_mass_kg
    left_kg: FloatArray = np.atleast_2d(engine.rotating_mass_kg * rotating - drawn_kg * weights)
    return left_kg


def internal_couple(
    engine: Engine, batch: Batch, pins: ComplexArray, errors: BuildErrors | None = None
) -> FloatArray:
    """Return the couple that bends the crank at its middle, shape (candidates,). [N m]

    The part of the first order that turns with the crank, after counterweights, of the cylinders
    in one half about the middle; the larger of the two halves, so that turning the crank end for
    end changes nothing. On a crank without free force and couple the halves are equal.
    """
    reciprocating_kg = 0.5 * engine.reciprocating_mass_kg * engine_harmonics(engine).force[0]
    positions_m = engine.positions_m
    weights = np.stack([np.minimum(positions_m, 0), np.maximum(positions_m, 0)])
    scale = engine.crank_radius_m * engine.speed_rad_s**2
    if errors is not None:
        # Complex by complex in real numbers: numpy rounds it differently in long and short arrays.
        to_and_fro = _weighted_sums(pins * _or_one(errors.reciprocating), weights)
        turning = _weighted_sums(pins * built_mass_kg(engine, batch, errors), weights)
        kg = complex(reciprocating_kg)
        up = kg.real * to_and_fro.real - kg.imag * to_and_fro.imag + turning.real
        right = kg.real * to_and_fro.imag + kg.imag * to_and_fro.real + turning.imag
        built: FloatArray = scale * np.sqrt((up * up + right * right).max(axis=0))
        return built
    mass_kg = reciprocating_kg + forward_mass_kg(engine, batch)
    halves = np.abs(_weighted_sums(pins, weights)).max(axis=0)
    result: FloatArray = scale * np.abs(mass_kg) * halves
    return result


def _or_one(factors: FloatArray | None) -> FloatArray | float:
    return 1.0 if factors is None else factors


class _Powers:
    """Whole powers of unit phasors, made once each by multiplication."""

    def __init__(self, base: ComplexArray) -> None:
        self._known = {0: np.ones_like(base), 1: base}

    def of(self, order: int) -> ComplexArray:
        if order not in self._known:
            half = order // 2
            made = self.of(-order).conj() if order < 0 else self.of(half) * self.of(order - half)
            self._known[order] = made
        return self._known[order]


def _weighted_sums(phasors: ComplexArray, weights: FloatArray) -> ComplexArray:
    """Return sum weight_wi * phasor_i, shape (weights, candidates), without BLAS.

    Matrix products split their work by shape and thread count and then round differently; a plain
    running sum gives a candidate the same bits in any batch.
    """
    sums = np.einsum("wi,ic->wc", weights, phasors.view(np.float64))
    return np.asarray(sums).view(np.complex128)


def _bank_sums(
    turned: ComplexArray, banks: IntArray, bank: int, weights: FloatArray
) -> ComplexArray:
    """Return the weighted sums over the cylinders of one bank, (weights, candidates)."""
    if banks.shape[0] == 1:
        rows = _as_slice(np.flatnonzero(banks[0] == bank))
        return _weighted_sums(turned[rows], weights[:, rows])
    return _weighted_sums(turned * (bank == banks.T), weights)


def _as_slice(rows: IntArray) -> slice | IntArray:
    """Return evenly spaced rows as a slice, which needs no copy."""
    steps = np.diff(rows)
    if len(rows) > 1 and np.all(steps == steps[0]):
        return slice(int(rows[0]), int(rows[-1]) + 1, int(steps[0]))
    return rows


def _square(values: ComplexArray) -> FloatArray:
    squares: FloatArray = values.real**2 + values.imag**2
    return squares
