"""Which limits of a study an engine does not keep, and by how much in the units of its reader."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evaluate import sizing
from evaluate.metrics import METRICS, Evaluation
from optimize.study import Study

_SHARE = 1e-9  # of a limit by which a value may be beyond it: round-off
_SAME_DEG = 1e-6


@dataclass(frozen=True, kw_only=True, slots=True)
class Breach:
    """A limit of the study that the layout does not keep.

    Attributes
    ----------
    constraint : str
        In words, such as "crank length at most 600 mm".
    value, limit, excess : float
        What it has, what is allowed, and how far it is beyond. [unit]
    unit : str
        Empty for a pure number.
    """

    constraint: str
    value: float
    limit: float
    excess: float
    unit: str


def breaches(study: Study, evaluation: Evaluation, splay_deg: float | None) -> tuple[Breach, ...]:
    """Return the limits that one engine does not keep.

    Parameters
    ----------
    study : Study
        Says what the limits are.
    evaluation : Evaluation
        Of a batch of one, under the study's engine or its own.
    splay_deg : float or None
        Splay of its split pins; None where it has none. [deg]

    Returns
    -------
    tuple of Breach
        Limits on what cannot be known, such as on sizes without a bore, are left out.
    """
    found = [*_firing(study, evaluation), *_room(evaluation, splay_deg)]
    if splay_deg is not None:
        limit_deg = study.splay_limit_deg
        words = f"splay of split pins at most {limit_deg:g} deg"
        found.append(_above(words, abs(splay_deg), limit_deg, "deg"))
    if study.mirror_symmetric:
        apart_deg = _asymmetry_deg(evaluation, is_split=splay_deg is not None)
        found.append(_above("mirror-symmetric crank", apart_deg, 0.0, "deg"))
    for bound in study.bounds:
        metric = METRICS[bound.key]
        value, unit = float(metric.compute(evaluation)[0]), metric.unit
        word = "at most" if bound.sign > 0 else "at least"
        words = f"{metric.label} {word} {bound.limit:g}{f' {unit}' if unit else ''}"
        slack = _SHARE * (abs(bound.limit) or metric.resolution)
        excess = bound.sign * (value - bound.limit)
        found.append(
            Breach(
                constraint=words,
                value=value,
                limit=bound.limit,
                excess=excess if excess > slack else 0.0,
                unit=unit,
            )
        )
    return tuple(breach for breach in found if breach.excess > 0)


def _above(words: str, value: float, limit: float, unit: str) -> Breach:
    """Return a limit that must not be passed; round-off counts as kept."""
    excess = value - limit
    return Breach(
        constraint=words,
        value=value,
        limit=limit,
        excess=excess if excess > _SAME_DEG else 0.0,
        unit=unit,
    )


def _firing(study: Study, evaluation: Evaluation) -> list[Breach]:
    even_deg = study.cycle_deg / evaluation.engine.n_cylinders
    largest_deg = float(evaluation.firing.largest_interval_deg[0])
    if study.even_firing:
        words = f"even firing: no interval above {even_deg:.5g} deg"
        return [_above(words, largest_deg, even_deg, "deg")]
    factor = study.largest_interval_factor
    if factor is None:
        return []
    words = f"largest firing interval at most {factor:g} x cycle/N = {factor * even_deg:.5g} deg"
    return [_above(words, largest_deg, factor * even_deg, "deg")]


def _room(evaluation: Evaluation, splay_deg: float | None) -> list[Breach]:
    """Return what does not fit: bores that clash, pin halves that do not overlap. [mm]"""
    engine, batch = evaluation.engine, evaluation.batch
    if not math.isfinite(engine.bore_m):
        return []
    found = []
    if engine.n_banks > 1:
        clash_m = float(sizing.bore_clash_m(engine, batch)[0])
        found.append(_lengths("bores of the banks clear", clash_m))
        if splay_deg is None and engine.n_throws == engine.n_cylinders:
            short_m = float(sizing.bore_spacing_shortfall_m(engine, batch)[0])
            found.append(_lengths("bores of a bank apart", short_m))
    if splay_deg is not None:
        pin_m = engine.proportions.pin_diameter_to_bore * engine.bore_m
        short = float(sizing.pin_overlap_shortfall(engine, np.array([splay_deg]))[0])
        found.append(_lengths("halves of the splayed pin overlap", short * pin_m))
    return found


def _lengths(words: str, missing_m: float) -> Breach:
    missing_mm = 1000 * missing_m
    return _above(words, missing_mm if math.isfinite(missing_mm) else -1.0, 0.0, "mm")


def _asymmetry_deg(evaluation: Evaluation, *, is_split: bool) -> float:
    """Return the largest angle between a throw and its mirror image along the crank. [deg]

    Of splayed pairs the pins of the first bank count, as in the study's own rule.
    """
    engine, batch = evaluation.engine, evaluation.batch
    first = np.unique(engine.throws, return_index=True)[1]
    pins_deg = batch.pin_angles_deg[0, first][:: 2 if is_split else 1]
    apart_deg = np.abs((pins_deg - pins_deg[::-1] + 180) % 360 - 180)
    return float(apart_deg.max())
