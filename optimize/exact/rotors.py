"""Mean squares of force and couple as real matrix products over tables of half-cranks.

Everything that shakes is a set of sums E_q = sum e_q(item), one for each order and sense, and what
is left of them after counterweights and shafts is a weight: mean square = sum_q w_q |E_q|^2
(Parseval). For two halves a and b of a crank, |a + b|^2 = |a|^2 + |b|^2 + 2 Re(a conj b), so that
the mean squares of all pairs of a front and a rear half are one product of two real matrices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate.batch import SLOTS, FloatArray, IntArray
from evaluate.inertia import engine_harmonics
from evaluate.phasors import ComplexArray, unit_phasors
from optimize.exact.space import Frame, Space

_EPSILON = float(np.finfo(np.float64).eps)


@dataclass(frozen=True, kw_only=True, slots=True)
class RotorTable:
    """What each kind of item adds to each sum, and what the sums weigh.

    Attributes
    ----------
    items : array of complex, shape (sums, kinds)
        Sum over the cylinders of an item of u^(1-k) exp(jk alpha) (forward) or
        u^(1+k) exp(-jk alpha) (backward), of unit length each. [-]
    offsets : array of complex, shape (sums, kinds)
        The same weighted by how far each cylinder stands from the item's place. [m]
    positions_m : array, shape (places,)
        Places along the crank. [m]
    weights : array, shape (settings, sums)
        Mean square of the force for a sum of 1: squares of newtons, not negative. [N^2]
    """

    items: ComplexArray
    offsets: ComplexArray
    positions_m: FloatArray
    weights: FloatArray

    def force_square(self, kinds: IntArray) -> FloatArray:
        """Return the mean square of the force of each class and setting. [N^2]

        Parameters
        ----------
        kinds : array of int, shape (classes, places)
            Items.

        Returns
        -------
        array, shape (classes, settings)
        """
        sums = self.items[:, kinds[:, 0]].copy()
        for column in kinds.T[1:]:
            sums += self.items[:, column]
        result: FloatArray = (self.weights @ (sums.real**2 + sums.imag**2)).T
        return result


def rotor_table(space: Space, frame: Frame) -> RotorTable:
    """Return the sums of a space under a bank angle and splay.

    References
    ----------
    Forward and backward components: T. Bevan, The Theory of Machines, ch. 14; as
    `evaluate.inertia.reciprocating`.
    """
    engine = space.engine
    harmonics = engine_harmonics(engine)
    speed_square = engine.crank_radius_m * engine.speed_rad_s**2
    scale = 0.5 * engine.reciprocating_mass_kg * speed_square
    fractions = np.array([setting.fraction for setting in space.settings])
    rotating_kg = (1 - space.study.rotating_fraction) * engine.rotating_mass_kg
    left_kg = rotating_kg - fractions * engine.reciprocating_mass_kg
    sums, weights = [], []
    for order, harmonic in zip(harmonics.orders, harmonics.force, strict=True):
        for sense in ("forward", "backward"):
            amplitude = np.full(len(fractions), scale * harmonic)
            if order == 1 and sense == "forward":
                amplitude = amplitude + left_kg * speed_square
            kept = np.array([not _is_taken(s.slots, order, sense) for s in space.settings])
            sums.append(_phasors(space, frame, order, sense))
            weights.append(np.abs(amplitude) ** 2 * kept)
    items, table = np.stack(sums), np.stack(weights, axis=1)
    positions_m = engine.positions_m.reshape(-1, space.per_item)
    places_m = positions_m.mean(axis=1)
    apart_m = positions_m[0] - places_m[0]
    if space.family.arrangement == "in-line":
        # On one bank a sum turning forward and the one turning backward have the same size.
        items, table = items[::2], table[:, ::2] + table[:, 1::2]
    return RotorTable(
        items=items.sum(axis=2),
        offsets=(items * apart_m).sum(axis=2),
        positions_m=places_m,
        weights=table,
    )


def _is_taken(slots: tuple[int, ...], order: int, sense: str) -> bool:
    return any(SLOTS[i].order == order and SLOTS[i].sense == sense for i in slots)


def _phasors(space: Space, frame: Frame, order: int, sense: str) -> ComplexArray:
    """Return u^(1-k) exp(jk alpha) or u^(1+k) exp(-jk alpha), shape (kinds, per item)."""
    pins_deg, banks = space.pins_deg(frame), space.kind_banks()
    half_deg = 0.0 if space.family.arrangement == "in-line" else 0.5 * frame.bank_angle_deg
    axes_deg = np.where(banks == 0, -half_deg, half_deg)
    k = order if sense == "forward" else -order
    phasors: ComplexArray = unit_phasors((1 - k) * axes_deg + k * pins_deg)
    return phasors


def as_real(values: ComplexArray) -> FloatArray:
    """Return complex numbers along the last axis as twice as many real ones."""
    return np.ascontiguousarray(values).view(np.float64)


def factors(front: FloatArray, rear: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the two matrices whose product is the mean square of every pair of halves.

    Parameters
    ----------
    front, rear : array, shape (..., halves, numbers)
        Real and imaginary parts of the sums of each half, times the roots of their weights;
        leading axes are taken side by side. [N] or [N m]

    Returns
    -------
    tuple of two arrays
        (..., front halves, numbers + 2) and (..., numbers + 2, rear halves).
    """
    shape = (*front.shape[:-1], front.shape[-1] + 2)
    a = np.empty(shape)
    np.multiply(front, 2.0, out=a[..., :-2])
    a[..., -2:-1] = _squares(front)
    a[..., -1] = 1.0
    b = np.empty((*rear.shape[:-2], rear.shape[-1] + 2, rear.shape[-2]))
    b[..., :-2, :] = np.swapaxes(rear, -1, -2)
    b[..., -2, :] = 1.0
    b[..., -1, :] = _squares(rear)[..., 0]
    return a, b


def mean_squares(front: FloatArray, rear: FloatArray, out: FloatArray | None = None) -> FloatArray:
    """Return the mean square of every front half with every rear half: one matrix product.

    Parameters
    ----------
    front, rear : array, shape (..., halves, numbers)
        As for `factors`.
    out : array or None
        Where to put the result; fresh memory costs as much as the product.

    Returns
    -------
    array, shape (..., front halves, rear halves)
        Round-off may leave true zeros a little negative: `round_off` says how much.
    """
    result: FloatArray = np.matmul(*factors(front, rear), out=out)
    return result


def _squares(table: FloatArray) -> FloatArray:
    squares: FloatArray = np.einsum("...i,...i->...", table, table)[..., np.newaxis]
    return squares


def round_off(front: FloatArray, rear: FloatArray) -> float:
    """Return a bound on the error of `mean_squares`, with room.

    A sum of n products is off by at most n u times the sum of their sizes (N. J. Higham, Accuracy
    and Stability of Numerical Algorithms, ch. 3); the sizes add up to at most 2 (|a|^2 + |b|^2).
    The tables' own errors, a few u of their size, are of the same kind.
    """
    n = front.shape[-1] + 2
    largest = float(_squares(front).max(initial=0.0)) + float(_squares(rear).max(initial=0.0))
    return float(4 * (n + 8) * _EPSILON * largest)
