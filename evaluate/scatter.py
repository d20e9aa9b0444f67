"""Mean square of the free force and couple of built engines, exactly, and which error makes it.

Force and couple are sums of phasors, each with a factor for its mass and turned by the error of its
throw and its bank. Errors are independent, so the mean of a product of two phasors is a product of
means over the errors that they share, and no sample is needed: |E P|^2 + sum of covariances.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evaluate.batch import SLOTS, Batch, Engine, FloatArray, IntArray
from evaluate.inertia import engine_harmonics
from evaluate.metrics import Evaluation
from evaluate.phasors import ComplexArray, unit_phasors
from evaluate.tolerances import LIMIT_SIGMAS, LIMITS, Tolerances, truncated_variance

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


@dataclass(frozen=True, kw_only=True, slots=True)
class Scatter:
    """Mean squares over a turn and over all engines built, force [N^2] and couple [(N m)^2].

    Attributes
    ----------
    mean_square : tuple of two float
        Of built engines; the square root is the RMS of the fleet.
    of_mean : tuple of two float
        What the mean engine has of it; the rest is scatter.
    scatter : dict of str to tuple of two float
        Scatter that each limit alone would make, by its name.
    """

    mean_square: tuple[float, float]
    of_mean: tuple[float, float]
    scatter: dict[str, tuple[float, float]]


def scatter(engine: Engine, batch: Batch, tolerances: Tolerances) -> Scatter:
    """Return the mean square of free force and couple, and what each tolerance adds to scatter.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        A batch of one.
    tolerances : Tolerances
        Limits; samples and seed do not matter.

    Notes
    -----
    Exact for masses, which are linear, and for angles, whose mean phasor E exp(j k e) is that of
    the cut-off normal distribution. To the first order in the variances this is the law of
    propagation of uncertainty: JCGM 100:2008 (GUM), 5.1.2.
    """
    sides = _phasors(engine, batch)
    squares = np.sum([side.moments(tolerances.limits) for side in sides], axis=0)
    alone = {
        name: np.sum([side.moments({name: limit}) for side in sides], axis=0)[1]
        for name, limit in tolerances.limits.items()
    }
    return Scatter(
        mean_square=_pair(squares.sum(axis=0)),
        of_mean=_pair(squares[0]),
        scatter={name: _pair(values) for name, values in alone.items()},
    )


def _pair(values: FloatArray) -> tuple[float, float]:
    return float(values[0]), float(values[1])


class _Phasors:
    """Phasors that add up to one side of one order, with what moves each of them.

    For each limit: the part whose error a phasor has (-1 for none), and how many times the error of
    an angle turns it (0 for a mass).
    """

    def __init__(self) -> None:
        self.force: list[complex] = []
        self.couple: list[complex] = []
        self.parts: dict[str, list[int]] = {name: [] for name in LIMITS}
        self.turns: dict[str, list[int]] = {name: [] for name in LIMITS}

    def add(self, force: complex, couple: complex, **moved: tuple[int, int]) -> None:
        """Add a phasor; `moved` gives part and turns by the name of a limit."""
        self.force.append(force)
        self.couple.append(couple)
        for name in LIMITS:
            part, turns = moved.get(name, (-1, 0))
            self.parts[name].append(part)
            self.turns[name].append(turns)

    def moments(self, limits: Mapping[str, float]) -> FloatArray:
        """Return square of the mean and scatter, of force and couple, shape (2, 2)."""
        n = len(self.force)
        mean, both = np.ones(n), np.ones((n, n))
        for name, limit in limits.items():
            part, turns = np.array(self.parts[name]), np.array(self.turns[name])
            same = (part[:, np.newaxis] == part) & (part >= 0)
            if name.endswith("_percent"):
                sigma = limit / 100 / LIMIT_SIGMAS
                both *= 1 + same * truncated_variance() * sigma**2
                continue
            alone = _mean_turn(turns, limit)
            mean *= alone
            together = _mean_turn(turns[:, np.newaxis] - turns, limit)
            both *= np.where(same, together, alone[:, np.newaxis] * alone)
        spread = both - mean[:, np.newaxis] * mean
        found = []
        for values in (np.array(self.force), np.array(self.couple)):
            of_mean = abs((values * mean).sum()) ** 2
            found.append([of_mean, float((values.conj() @ spread @ values).real)])
        return np.array(found).T


def _mean_turn(turns: IntArray, limit_deg: float) -> FloatArray:
    """Return E cos(k e) of an angle e that is normal, cut off at its limit; its sine is 0.

    By Gauss-Legendre quadrature, exact to round-off for the few degrees of a tolerance.
    """
    sigmas = LIMIT_SIGMAS * _NODES
    density = np.exp(-0.5 * sigmas**2) * _WEIGHTS
    angles_rad = math.radians(limit_deg) * _NODES
    whole = np.cos(turns[..., np.newaxis] * angles_rad) @ density / density.sum()
    mean: FloatArray = np.where(turns == 0, 1.0, whole)
    return mean


def _phasors(engine: Engine, batch: Batch) -> list[_Phasors]:
    """Return the phasors of each order, forward and backward."""
    harmonics = engine_harmonics(engine)
    at_pin = engine.crank_radius_m * engine.speed_rad_s**2
    pins = unit_phasors(batch.pin_angles_deg[0])
    axes = unit_phasors(batch.bank_axes_deg()[0])
    found = []
    for order, harmonic in zip(harmonics.orders, harmonics.force, strict=True):
        for sign, sense in ((1, "forward"), (-1, "backward")):
            side = _Phasors()
            size = 0.5 * engine.reciprocating_mass_kg * at_pin
            size = size * (harmonic if sign > 0 else harmonic.conjugate())
            for i, s_m in enumerate(engine.positions_m):
                force = size * axes[i] ** (1 - sign * order) * pins[i] ** (sign * order)
                side.add(
                    force,
                    s_m * force,
                    reciprocating_mass_percent=(i, 0),
                    throw_angle_deg=(int(engine.throws[i]), sign * order),
                    bank_angle_deg=(int(batch.banks[0, i]), 1 - sign * order),
                )
            if (order, sense) == (1, "forward"):
                _add_turning(side, engine, batch, at_pin * pins)
            _add_shafts(side, engine, batch, order, sense)
            found.append(side)
    return found


def _add_turning(side: _Phasors, engine: Engine, batch: Batch, per_kg: ComplexArray) -> None:
    """Add rotating masses and, opposite to them, counterweights."""
    weights_kg = batch.rotating_fraction[0] * engine.rotating_mass_kg
    weights_kg += batch.reciprocating_fraction[0] * engine.reciprocating_mass_kg
    for i, s_m in enumerate(engine.positions_m):
        throw = int(engine.throws[i])
        mass, weight = engine.rotating_mass_kg * per_kg[i], -weights_kg * per_kg[i]
        turned = (throw, 1)
        side.add(mass, s_m * mass, rotating_mass_percent=(i, 0), throw_angle_deg=turned)
        side.add(weight, s_m * weight, counterweight_percent=(throw, 0), throw_angle_deg=turned)


def _add_shafts(side: _Phasors, engine: Engine, batch: Batch, order: int, sense: str) -> None:
    """Add what a balance shaft takes: its share of what the drawn engine has."""
    drawn = Evaluation(engine, batch).reciprocating
    for column, slot in enumerate(SLOTS):
        share = float(batch.shaft_fractions[0, column])
        if (slot.order, slot.sense) != (order, sense) or not share:
            continue
        force, couple = (
            complex(getattr(rotors, sense)[rotors.orders.index(order), 0])
            for rotors in (drawn.force, drawn.couple)
        )
        side.add(
            -share * force,
            -share * couple,
            shaft_unbalance_percent=(column, 0),
            shaft_phase_deg=(column, 1),
        )
