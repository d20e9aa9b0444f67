"""Engines as they are built: what stated tolerances make of each metric, by seeded samples.

Each error is independent of the others and normal, its limit at three standard deviations (natural
tolerance limits), and what lies beyond the limit is not built in: the distribution ends there. All
candidates meet the same errors, so comparing them is fair, and a seed gives the same numbers
whatever else is in the batch.

References
----------
D. C. Montgomery, Introduction to Statistical Quality Control, chapter on process capability
(natural tolerance limits at mean +- 3 sigma; from memory). Propagation of distributions by Monte
Carlo: JCGM 101:2008, Supplement 1 to the Guide to the expression of uncertainty in measurement.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri  # type: ignore[import-untyped]

from evaluate.batch import SLOTS, Batch, Engine, FloatArray, IntArray
from evaluate.firing import firing_angles_deg, wrap_deg
from evaluate.inertia import BuildErrors
from evaluate.metrics import BLOCK, METRICS, Evaluation, score
from evaluate.phasors import ComplexArray
from evaluate.twins import cylinders_by_place, representatives, with_firing_angles

LIMIT_SIGMAS = 3.0  # standard deviations of the untruncated normal at the tolerance limit
#: Share of built engines below the upper end of an interval, and above the lower end.
INTERVAL_SHARE = 0.95
USUAL_SAMPLES = 400
MOST_SAMPLES = 10_000
#: Samples that must lie beyond a quantile for it to mean something: common practice, no source.
LEAST_BEYOND = 5
#: Metrics of the drawing: which parts there are, their nominal size, who fires after whom.
DRAWN = frozenset(
    {
        "parts",
        "shaft_count",
        "box_litres",
        "crank_length_mm",
        "crank_train_mass_kg",
        "neighbour_firing_share",
        "bank_alternation_share",
    }
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Tolerances:
    """Limits of what a built engine may differ by, each in both directions; 0 is exact.

    Attributes
    ----------
    throw_angle_deg : float
        Angle of each throw, its counterweight included, against the crank's datum. [deg]
    bank_angle_deg : float
        Direction of each bank axis. [deg]
    reciprocating_mass_percent, rotating_mass_percent : float
        Masses of each cylinder. [%]
    counterweight_percent : float
        Counterweight of each throw. [%]
    shaft_phase_deg : float
        Timing of each balance shaft, in degrees of the shaft's own angle. [deg]
    shaft_unbalance_percent : float
        Unbalance of each balance shaft, force and couple alike. [%]
    samples : int
        Engines that are built in thought of each candidate.
    seed : int
        Of the errors.
    """

    throw_angle_deg: float = 0.0
    bank_angle_deg: float = 0.0
    reciprocating_mass_percent: float = 0.0
    rotating_mass_percent: float = 0.0
    counterweight_percent: float = 0.0
    shaft_phase_deg: float = 0.0
    shaft_unbalance_percent: float = 0.0
    samples: int = USUAL_SAMPLES
    seed: int = 1

    @property
    def limits(self) -> dict[str, float]:
        """Return the limits that are not 0, by name."""
        limits = {name: float(getattr(self, name)) for name in LIMITS}
        return {name: limit for name, limit in limits.items() if limit}


#: Names of the limits, in the order in which errors are drawn.
LIMITS = tuple(item.name for item in fields(Tolerances) if item.name not in ("samples", "seed"))


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """What built engines are like, arrays of shape (candidates, metrics).

    Attributes
    ----------
    keys : tuple of str
        Metrics, in the order of the columns.
    drawn : array
        Value of the engine as drawn.
    mean : array
        Mean of the built engines.
    low, high : array
        95 % of built engines have this or more, and this or less.
    worst : array
        Worst of all samples.
    """

    keys: tuple[str, ...]
    drawn: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    worst: FloatArray


def spread(engine: Engine, batch: Batch, tolerances: Tolerances, keys: Sequence[str]) -> Spread:
    """Return how metrics of built engines scatter.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates.
    tolerances : Tolerances
        Limits, number of samples, seed.
    keys : sequence of str
        Keys of `METRICS`.

    Notes
    -----
    Errors of angles move every metric that is computed from angles: a throw that stands wrong
    reaches top dead centre earlier or later, so firing and exhaust move with it. The firing order
    stays that of the drawing, as lobes and ignition do; only cylinders whose firings lie closer
    than the errors may change places. Errors of masses reach free forces and couples and the
    internal couple; torque, bearing loads and torsion see the angles only. NaN where a metric is.
    """
    drawn = drawn_values(engine, batch, keys)
    mean, low, high, worst = (drawn.copy() for _ in range(4))
    lowest, highest = (
        _place(tolerances.samples, INTERVAL_SHARE, sense) for sense in ("most", "least")
    )
    for rows, column, values in _samples(engine, batch, tolerances, keys):
        mean[rows, column] = values.mean(axis=1)
        low[rows, column] = values[:, lowest]
        high[rows, column] = values[:, highest]
        worst[rows, column] = values[:, -1 if METRICS[keys[column]].sense == "least" else 0]
    return Spread(keys=tuple(keys), drawn=drawn, mean=mean, low=low, high=high, worst=worst)


def kept_values(
    engine: Engine, batch: Batch, tolerances: Tolerances, shares: Mapping[str, float]
) -> FloatArray:
    """Return the value of each metric that a share of built engines keeps.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates.
    tolerances : Tolerances
        Limits, number of samples, seed.
    shares : mapping of str to float
        Keys of `METRICS`, and what share of the samples must be as good or better, 0.5 to 1. [-]

    Returns
    -------
    array, shape (candidates, metrics)
        The best value such that the share of the samples is no worse: a quantile from above where
        less is better, from below where more is.
    """
    keys = list(shares)
    kept = drawn_values(engine, batch, keys)
    for rows, column, values in _samples(engine, batch, tolerances, keys):
        key = keys[column]
        kept[rows, column] = values[:, _place(tolerances.samples, shares[key], METRICS[key].sense)]
    return kept


def drawn_values(engine: Engine, batch: Batch, keys: Sequence[str]) -> FloatArray:
    """Return metrics of the engines as drawn, (candidates, metrics)."""
    return score(engine, batch, keys)


def most_share(samples: int) -> float:
    """Return the largest share that a number of samples can speak of. [-]"""
    return 1 - LEAST_BEYOND / samples


def truncated_variance() -> float:
    """Return the variance of a standard normal cut off at +-3, 0.9733. [-]

    1 - 2 a phi(a) / (2 Phi(a) - 1): N. L. Johnson, S. Kotz and N. Balakrishnan, Continuous
    Univariate Distributions vol. 1, ch. 13 (from memory).
    """
    a = LIMIT_SIGMAS
    density = math.exp(-0.5 * a * a) / math.sqrt(2 * math.pi)
    return 1 - 2 * a * density / (2 * float(ndtr(a)) - 1)


def _place(samples: int, share: float, sense: str) -> int:
    """Return the place, in rising order, of the best value that a share of samples keeps."""
    kept = math.ceil(share * samples - 1e-9)
    return kept - 1 if sense == "least" else samples - kept


def _samples(
    engine: Engine, batch: Batch, tolerances: Tolerances, keys: Sequence[str]
) -> Iterator[tuple[slice, int, FloatArray]]:
    """Return rows of the batch, column of the key, and values in rising order, (rows, samples).

    Nothing for what tolerances do not move.
    """
    if not tolerances.limits:
        return
    moved = [column for column, key in enumerate(keys) if key not in DRAWN]
    at_once = max(1, BLOCK // tolerances.samples)
    for start in range(0, len(batch), BLOCK):
        part = batch.rows(slice(start, start + BLOCK)) if len(batch) > BLOCK else batch
        for keeps in dict.fromkeys(METRICS[keys[column]].keeps for column in moved):
            columns = [column for column in moved if METRICS[keys[column]].keeps == keeps]
            twins = representatives(engine, part, keeps)
            for begin in range(0, len(part), at_once):
                few = twins.rows(slice(begin, min(begin + at_once, len(part))))
                values = _values(engine, few, tolerances, [keys[column] for column in columns])
                rows = slice(start + begin, start + begin + len(few))
                for column, of_key in zip(columns, values, strict=True):
                    yield rows, column, of_key


def _values(
    engine: Engine, batch: Batch, tolerances: Tolerances, keys: Sequence[str]
) -> FloatArray:
    """Return values of built engines in rising order, (metrics, candidates, samples)."""
    values = np.empty((len(keys), len(batch), tolerances.samples))
    for start in range(0, tolerances.samples, BLOCK):
        which = slice(start, min(start + BLOCK, tolerances.samples))
        built = _built(engine, batch, tolerances, which)
        for row, key in enumerate(keys):
            values[row, :, which] = METRICS[key].compute(built).reshape(len(batch), -1)
    values[np.isnan(values).any(axis=2)] = np.nan
    values.sort(axis=2)
    return values


def _built(engine: Engine, batch: Batch, tolerances: Tolerances, which: slice) -> Evaluation:
    """Return some samples of each candidate as one batch, samples of a candidate together."""
    table = _errors(tolerances, engine.n_cylinders, engine.n_banks)
    errors = {name: values[which] for name, values in table.items()}
    n = which.stop - which.start
    many = Batch(
        **{
            name: _repeated(getattr(batch, name), n, is_shared=name in ("banks", "collectors"))
            for name in Batch.__slots__
        }
    )
    cylinders, throws = _parts_by_place(engine, batch)

    def masses(name: str, parts: IntArray) -> FloatArray | None:
        """By cylinder and row, (cylinders, rows), over the drawn ones."""
        if name not in errors:
            return None
        return np.ascontiguousarray(1 + _by_row(errors[name], parts, len(batch)).T)

    return Evaluation(
        engine,
        _turned(engine, batch, many, errors, throws),
        errors=BuildErrors(
            reciprocating=masses("reciprocating_mass_percent", cylinders),
            rotating=masses("rotating_mass_percent", cylinders),
            counterweights=masses("counterweight_percent", throws),
            shafts=_taken(engine, batch, errors, n),
        ),
    )


def _parts_by_place(engine: Engine, batch: Batch) -> tuple[IntArray, IntArray]:
    """Return which column of errors each cylinder takes, for itself and for its throw.

    Shape (candidates or 1, cylinders). Columns go along the crank, and a throw has that of its
    first cylinder: numbering cylinders or throws otherwise changes nothing.
    """
    by_place = cylinders_by_place(engine, batch.banks)
    places = np.argsort(by_place, axis=1)
    throws = engine.throws[by_place]
    first = (throws[:, :, np.newaxis] == throws[:, np.newaxis, :]).argmax(axis=2)
    return places, np.take_along_axis(first, places, axis=1)


def _by_row(errors: FloatArray, parts: IntArray, n_candidates: int) -> FloatArray:
    """Return errors by row and cylinder, (rows, cylinders), from (samples, parts)."""
    of_parts = errors[:, parts].swapaxes(0, 1)  # (candidates or 1, samples, cylinders)
    shape = (n_candidates, *of_parts.shape[1:])
    return np.broadcast_to(of_parts, shape).reshape(-1, parts.shape[1])


def _turned(
    engine: Engine, batch: Batch, many: Batch, errors: Mapping[str, FloatArray], throws: IntArray
) -> Batch:
    """Return repeated candidates with throws and banks where errors put them.

    Firing angles move by the error of the cylinder's own dead centre less that of the first
    cylinder's, so that no cylinder jumps by a turn when its phase falls below 0.
    """
    if not {"throw_angle_deg", "bank_angle_deg"} & set(errors):
        return many
    n_samples = len(many) // len(batch)
    pins = errors.get("throw_angle_deg", np.zeros((n_samples, engine.n_cylinders)))
    axes = errors.get("bank_angle_deg", np.zeros((n_samples, engine.n_banks)))
    pins_off_deg = _by_row(pins, throws, len(batch))
    axes_off_deg = np.tile(axes, (len(batch), 1))
    banks = np.broadcast_to(many.banks, pins_off_deg.shape)
    later_deg = np.take_along_axis(axes_off_deg, banks, axis=1) - pins_off_deg
    fired_deg = np.repeat(firing_angles_deg(batch), n_samples, axis=0)
    built = many.having(
        pin_angles_deg=many.pin_angles_deg + pins_off_deg,
        bank_angles_deg=many.bank_angles_deg + axes_off_deg,
    )
    wanted_deg = wrap_deg(fired_deg + later_deg - later_deg[:, :1], engine.cycle_deg)
    return with_firing_angles(built, wanted_deg, engine.cycle_deg)


def _taken(
    engine: Engine, batch: Batch, errors: Mapping[str, FloatArray], n_samples: int
) -> ComplexArray | None:
    """Return force and couple that balance shafts take, (2, slots, rows); None without shafts."""
    if not batch.shaft_fractions.any():
        return None
    made = np.ones((n_samples, len(SLOTS)), complex)
    if "shaft_unbalance_percent" in errors:
        made *= 1 + errors["shaft_unbalance_percent"]
    if "shaft_phase_deg" in errors:
        made *= np.exp(1j * np.deg2rad(errors["shaft_phase_deg"]))
    drawn = Evaluation(engine, batch).reciprocating
    taken = np.empty((2, len(SLOTS), len(batch), n_samples), complex)
    for kind, rotors in enumerate((drawn.force, drawn.couple)):
        for column, slot in enumerate(SLOTS):
            side = rotors.forward if slot.sense == "forward" else rotors.backward
            share = batch.shaft_fractions[:, column]
            phasor = share * side[rotors.orders.index(slot.order)]
            np.multiply(phasor[:, np.newaxis], made[:, column], out=taken[kind, column])
    return taken.reshape(2, len(SLOTS), -1)


def _repeated(array: Any, n_samples: int, *, is_shared: bool) -> Any:
    """Return each candidate's row once a sample; one row for all stays one."""
    if is_shared and array.shape[0] == 1:
        return array
    return np.repeat(array, n_samples, axis=0)


@lru_cache(maxsize=8)
def _errors(tolerances: Tolerances, n_cylinders: int, n_banks: int) -> dict[str, FloatArray]:
    """Return errors of every sample, (samples, parts): degrees, or shares of the drawn value.

    A stream for each limit and a run of it for each part: a further limit, or a family with more
    cylinders, changes none of the others' errors.
    """
    parts = {
        "throw_angle_deg": n_cylinders,
        "bank_angle_deg": n_banks,
        "reciprocating_mass_percent": n_cylinders,
        "rotating_mass_percent": n_cylinders,
        "counterweight_percent": n_cylinders,
        "shaft_phase_deg": len(SLOTS),
        "shaft_unbalance_percent": len(SLOTS),
    }
    below = float(ndtr(-LIMIT_SIGMAS))
    found = {}
    for number, name in enumerate(LIMITS):
        limit = tolerances.limits.get(name)
        if limit is None:
            continue
        # The seed is a given like any other: same tolerances, same errors.
        chance = np.random.Generator(np.random.PCG64([tolerances.seed, number]))
        level = chance.random((parts[name], tolerances.samples)).T
        errors = ndtri(below + (1 - 2 * below) * level) * (limit / LIMIT_SIGMAS)
        found[name] = errors if name.endswith("_deg") else errors / 100
    return found
