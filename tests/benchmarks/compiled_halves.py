"""A compiled loop over two tables of half-cranks (numba, benchmarks only), written to be quick.

Forces and couples are sums over cylinders, so a crank is a front half plus a rear half (design,
sections 4.2 and 5): for each rotating slot q the complex sums a_q of the front and b_q of the rear
half add up, and the mean square over a turn is sum_q w_q |a_q + b_q|^2. The loop below looks at
every pair by itself; nothing of size pairs is stored.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from evaluate import Engine
from evaluate.inertia import engine_harmonics


@dataclass(frozen=True, kw_only=True, slots=True)
class HalfTables:
    """Front and rear halves of a crank, ready for sums over all pairs.

    Attributes
    ----------
    front_force, rear_force : array of complex, shape (halves, slots)
        Force of each half in each rotating slot: order 1 forward, 1 backward, 2 forward, ... [N]
    front_couple, rear_couple : array of complex, shape (halves, slots)
        The same sums weighted by axial position. [N m]
    weights : array, shape (slots,)
        Of each slot in the mean square: 1, or 0 where a counterweight or a shaft takes it away.
    front_angles_deg, rear_angles_deg : array, shape (halves, throws)
        Throw angles of each half. [deg]
    """

    front_force: np.ndarray
    rear_force: np.ndarray
    front_couple: np.ndarray
    rear_couple: np.ndarray
    weights: np.ndarray
    front_angles_deg: np.ndarray
    rear_angles_deg: np.ndarray

    @property
    def n_pairs(self) -> int:
        """Return the number of whole cranks."""
        return len(self.front_force) * len(self.rear_force)


def half_tables(
    engine: Engine,
    bank_angle_deg: float,
    step_deg: float,
    first_places: Sequence[int],
    rear_places: Sequence[int],
) -> HalfTables:
    """Return all front and rear halves of cranks on a lattice, in plain numpy.

    Parameters
    ----------
    engine : Engine
        Givens; the cylinders of a throw sit on banks 0 and 1 alternately.
    bank_angle_deg : float
        Included angle of the banks. [deg]
    step_deg : float
        Lattice of the throw angles. [deg]
    first_places, rear_places : sequence of int
        Throws of the two halves; the first throw of the front half stays at 0.

    Notes
    -----
    With u = exp(j beta) and theta = beta - alpha (design, section 4.2): P_k = C_k m r omega^2 / 2
    sum u exp(-jk theta), Q_k = conj(C_k) m r omega^2 / 2 sum u exp(+jk theta). Counterweights of
    half the reciprocating mass take the forward first order away, so its weight is 0.
    """
    lattice_deg = np.arange(0.0, 360.0 - 1e-9, step_deg)
    front = [(0.0, *rest) for rest in itertools.product(lattice_deg, repeat=len(first_places) - 1)]
    rear = list(itertools.product(lattice_deg, repeat=len(rear_places)))
    front_deg, rear_deg = np.array(front), np.array(rear)
    front_force, front_couple = _half_sums(engine, bank_angle_deg, front_deg, first_places)
    rear_force, rear_couple = _half_sums(engine, bank_angle_deg, rear_deg, rear_places)
    weights = np.ones(front_force.shape[1])
    weights[0] = 0.0
    return HalfTables(
        front_force=front_force,
        rear_force=rear_force,
        front_couple=front_couple,
        rear_couple=rear_couple,
        weights=weights,
        front_angles_deg=front_deg,
        rear_angles_deg=rear_deg,
    )


def _half_sums(
    engine: Engine, bank_angle_deg: float, angles_deg: np.ndarray, places: Sequence[int]
) -> tuple[np.ndarray, np.ndarray]:
    """Return force and couple of half-cranks by slot, each of shape (halves, slots)."""
    harmonics = engine_harmonics(engine)
    scale = 0.5 * engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    n_slots = 2 * len(harmonics.orders)
    force = np.zeros((len(angles_deg), n_slots), complex)
    couple = np.zeros_like(force)
    for column, place in enumerate(places):
        for cylinder in np.flatnonzero(engine.throws == place):
            half_deg = bank_angle_deg / 2
            beta = np.deg2rad(half_deg if cylinder % 2 else -half_deg)
            theta = beta - np.deg2rad(angles_deg[:, column])
            for row, (order, harmonic) in enumerate(
                zip(harmonics.orders, harmonics.force, strict=True)
            ):
                turn = np.exp(1j * (beta - order * theta)), np.exp(1j * (beta + order * theta))
                parts = scale * harmonic * turn[0], scale * np.conj(harmonic) * turn[1]
                for sense, part in enumerate(parts):
                    force[:, 2 * row + sense] += part
                    couple[:, 2 * row + sense] += engine.positions_m[cylinder] * part
    return force, couple


def least_couples(tables: HalfTables, force_limit_N: float) -> np.ndarray:
    """Return for each front half the least couple among its cranks whose force is in the limit.

    Root mean squares over a turn, infinite where no rear half keeps the limit, shape (front
    halves,); by the compiled loop, on all cores that numba may use. [N m]
    """
    root = np.sqrt(tables.weights)
    used = np.flatnonzero(root > 0)
    # Weighted, real and imaginary parts side by side, the rear halves last: unit stride.
    front = [_real_rows(part[:, used] * root[used]) for part in _front(tables)]
    rear = [
        np.ascontiguousarray(_real_rows(part[:, used] * root[used]).T) for part in _rear(tables)
    ]
    squares = _least(front[0], front[1], rear[0], rear[1], force_limit_N**2)
    return np.asarray(np.sqrt(squares))


def least_couples_plain(tables: HalfTables, force_limit_N: float) -> np.ndarray:
    """Return the same as `least_couples` by numpy, with arrays of all pairs: for small tables."""
    force, couple = (
        (tables.weights * np.abs(a[:, np.newaxis] + b[np.newaxis]) ** 2).sum(axis=2)
        for a, b in zip(_front(tables), _rear(tables), strict=True)
    )
    least = np.where(force <= force_limit_N**2, couple, np.inf).min(axis=1)
    return np.asarray(np.sqrt(least))


def _front(tables: HalfTables) -> tuple[np.ndarray, np.ndarray]:
    return tables.front_force, tables.front_couple


def _rear(tables: HalfTables) -> tuple[np.ndarray, np.ndarray]:
    return tables.rear_force, tables.rear_couple


def _real_rows(values: np.ndarray) -> np.ndarray:
    return np.concatenate([values.real, values.imag], axis=1)


BLOCK = 256  # rear halves at once: two rows of sums and the tables of the block stay in the cache


@numba.njit(parallel=True, fastmath=True)
def _least(
    front_force: np.ndarray,
    front_couple: np.ndarray,
    rear_force: np.ndarray,
    rear_couple: np.ndarray,
    limit: float,
) -> np.ndarray:
    n_front, n_parts = front_force.shape
    n_rear = rear_force.shape[1]
    out = np.full(n_front, 1e300)
    for i in numba.prange(n_front):
        force, couple = np.empty(BLOCK), np.empty(BLOCK)
        least = 1e300
        for start in range(0, n_rear, BLOCK):
            stop = min(start + BLOCK, n_rear)
            count = stop - start
            force[:] = 0.0
            couple[:] = 0.0
            for q in range(0, n_parts, 2):  # there is an even number: real and imaginary parts
                a, b = front_force[i, q], front_force[i, q + 1]
                c, d = front_couple[i, q], front_couple[i, q + 1]
                # Slices, since an index start + j is checked for its sign and not vectorised.
                e, f = rear_force[q, start:stop], rear_force[q + 1, start:stop]
                g, h = rear_couple[q, start:stop], rear_couple[q + 1, start:stop]
                for j in range(count):
                    force[j] += (a + e[j]) ** 2 + (b + f[j]) ** 2
                    couple[j] += (c + g[j]) ** 2 + (d + h[j]) ** 2
            for j in range(count):
                value = couple[j] if force[j] <= limit else 1e300
                least = min(least, value)
        out[i] = least
    for i in range(n_front):
        if out[i] >= 1e300:
            out[i] = np.inf
    return out
