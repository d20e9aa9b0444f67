"""A given layout as a candidate of a study: its family, its design, at the study's givens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evaluate import exhaust, firing, sizing
from evaluate.batch import Batch, FloatArray, IntArray
from evaluate.layout import Layout
from evaluate.metrics import METRICS
from optimize.families import Family, family_engine, family_name
from optimize.genome import Designs, with_collectors
from optimize.study import Study

#: Throws nearer than this are the halves of a splayed pin: a project assumption; the study's own
#: halves stand 0.22 apart, its throws with a web between 0.8. [bores]
_SPLIT_BELOW_BORES = 0.5
_SAME_DEG = 1e-6
_TURNED = "Turned end for end, which changes torsion and bearing loads."


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A layout written as a design of a family.

    Attributes
    ----------
    family : Family
        With its engine at the study's givens.
    is_searched : bool
        Whether the study's space has that family.
    designs : Designs
        One design: throws, banks, firing, counterweights and shafts of the layout.
    cylinders : tuple of int
        Which cylinder of the layout stands at each place of the family.
    notes : tuple of str
        What was changed to write it so, as sentences.
    """

    family: Family
    is_searched: bool
    designs: Designs
    cylinders: tuple[int, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Reading:
    """How the places of a family are filled with a layout's cylinders."""

    arrangement: str
    pins: str
    bank_angle_deg: float
    banks: IntArray  # of the layout's cylinders: 0 for the bank behind, 1 for the one ahead
    cylinders: list[int]
    is_mirrored: bool
    notes: list[str]


def as_candidate(study: Study, families: Sequence[Family], layout: Layout) -> Candidate | str:
    """Return a layout as a design of its family at a study's givens, or the reason why not.

    Parameters
    ----------
    study : Study
        Its displacement, speed and proportions replace those of the layout.
    families : sequence of Family
        Of the study's space; a layout of another family gets that family made for it.
    layout : Layout
        Any layout.

    Notes
    -----
    A layout turned in the air, its banks or cylinders numbered otherwise, is the same candidate.
    Pairs whose second bank stands nearer to the free end are read from the driving end.
    """
    reading = _read(study, layout)
    if isinstance(reading, str):
        return reading
    n = layout.engine.n_cylinders
    name = family_name(reading.arrangement, n, reading.pins)
    known = next((family for family in families if family.name == name), None)
    family = known or _made(study, reading, n)
    batch = _batch(study, layout, reading, family)
    notes = list(reading.notes)
    if _has_partition(study, n):
        batch = with_collectors(study, family, batch)
    else:
        own = layout.batch.collectors[0][reading.cylinders][np.newaxis]
        batch = batch.having(collectors=own)
        notes.append(f"The study says no exhaust collectors for {n} cylinders: its own are kept.")
    splay_deg = np.zeros(1)
    if reading.pins == "split":
        splay_deg = _wrapped(batch.pin_angles_deg[:, 1] - batch.pin_angles_deg[:, 0])
    return Candidate(
        family=family,
        is_searched=known is not None,
        designs=Designs(batch=batch, splay_deg=splay_deg),
        cylinders=tuple(reading.cylinders),
        notes=tuple(notes),
    )


def _wrapped(angles_deg: FloatArray) -> FloatArray:
    """Return angles in (-180, 180], with round-off of whole micro-degrees taken away. [deg]"""
    wrapped: FloatArray = np.round(180 - (180 - angles_deg) % 360, 9) + 0.0
    return wrapped


def _has_partition(study: Study, n_cylinders: int) -> bool:
    """Return whether the study's rule on collectors says something for a cylinder count."""
    rule = study.collectors
    if isinstance(rule, dict):
        return n_cylinders in rule
    if isinstance(rule, int):
        return 0 < exhaust.n_partitions(n_cylinders, rule) <= exhaust.MOST_PARTITIONS
    return True


def _read(study: Study, layout: Layout) -> _Reading | str:
    """Return which kind of engine a layout is, and its cylinders in the order of the family."""
    engine = layout.engine
    if abs(engine.cycle_deg - study.cycle_deg) > _SAME_DEG:
        return f"it has {engine.cycle_deg / 180:g} strokes, the study {study.cycle_deg / 180:g}"
    if engine.n_banks > 2:
        return f"it has {engine.n_banks} banks, and studies know one or two"
    per_throw = np.bincount(engine.throws)
    if engine.n_banks == 1:
        if per_throw.max() > 1:
            return "two cylinders in line share a throw, and studies know none like that"
        order = np.argsort(engine.throws).tolist()
        return _Reading(
            arrangement="in-line",
            pins="",
            bank_angle_deg=0.0,
            banks=np.zeros(engine.n_cylinders, np.int64),
            cylinders=order,
            is_mirrored=False,
            notes=[],
        )
    return _read_two_banks(study, layout, per_throw)


def _read_two_banks(study: Study, layout: Layout, per_throw: IntArray) -> _Reading | str:
    angles_deg, banks = layout.batch.bank_angles_deg[0], layout.batch.banks[0]
    apart_deg = float(_wrapped(angles_deg[1:] - angles_deg[:1])[0])
    if abs(apart_deg) < _SAME_DEG:
        return "its two banks stand at one angle"
    if apart_deg < 0:  # the second bank of the file is the one behind
        banks, apart_deg = 1 - banks, -apart_deg
    is_flat = abs(apart_deg - 180) < _SAME_DEG
    is_opposed = is_flat and ("opposed" in study.arrangements or "v" not in study.arrangements)
    order = np.lexsort([banks, layout.engine.throws])
    notes: list[str] = []
    if (per_throw == 2).all():
        if (banks[order][::2] == banks[order][1::2]).any():
            return "two cylinders of one bank share a throw, and studies know none like that"
        pins = "shared"
    elif (per_throw == 1).all():
        if _is_seen_from_behind(layout):
            order = order[::-1]
        found = _pins_of_own_throws(study, layout, banks, order)
        if found is None:
            return "its main bearings stand in no pattern that studies know"
        pins, notes = found
        if _is_seen_from_behind(layout) and "reverse" not in _kept_by_metrics(study):
            notes.append(_TURNED)
    else:
        return "some of its throws are shared and others not, and studies know none like that"
    reading = _Reading(
        arrangement="opposed" if is_opposed else "v",
        pins=pins,
        bank_angle_deg=apart_deg,
        banks=banks,
        cylinders=order.tolist(),
        is_mirrored=False,
        notes=notes,
    )
    return _faced(study, layout, reading)


def _has_main(layout: Layout) -> NDArray[np.bool_]:
    """Return whether a main bearing stands between each throw and the next."""
    mains_m = layout.engine.main_positions_m
    return np.array(
        [
            bool(((mains_m > low) & (mains_m < high)).any())
            for low, high in pairwise(layout.engine.throw_positions_m)
        ],
        bool,
    )


def _begins_with_web(has_main: NDArray[np.bool_]) -> bool:
    """Return whether throws stand in pairs with a web within, and main bearings between pairs."""
    return not has_main[::2].any() and bool(has_main[1::2].all())


def _is_seen_from_behind(layout: Layout) -> bool:
    """Return whether an odd count of throws begins with the one that has no partner.

    The families have it at the driving end.
    """
    has_main = _has_main(layout)
    is_odd = len(has_main) % 2 == 0 and len(has_main) > 0
    return is_odd and not has_main.all() and _begins_with_web(has_main[::-1])


def _pins_of_own_throws(
    study: Study, layout: Layout, banks: IntArray, order: IntArray
) -> tuple[str, list[str]] | None:
    """Return which pins throws of one cylinder each are, and what was decided for that."""
    engine = layout.engine
    throws_m, has_main = engine.throw_positions_m, _has_main(layout)
    if _is_seen_from_behind(layout):
        has_main = has_main[::-1]
    if has_main.all():
        return "own-main", []
    if not _begins_with_web(has_main):
        return None
    width_m = engine.bore_m if np.isfinite(engine.bore_m) else 2 * engine.crank_radius_m
    gaps_m = np.diff(throws_m)[::2]
    if len(order) % 2 or gaps_m.max() >= _SPLIT_BELOW_BORES * width_m:
        return "own-web", []
    pins_deg, sides = layout.batch.pin_angles_deg[0][order], banks[order]
    later_deg = _wrapped(pins_deg[1::2] - pins_deg[::2]) * np.where(sides[::2] == 0, 1, -1)
    near = f"Its pins stand in pairs {gaps_m.max() * 1000:.3g} mm apart"
    if (sides[::2] == sides[1::2]).any() or (sides[::2] != sides[0]).any():
        return "own-web", [f"{near}, but not as pairs of the two banks: taken as own throws."]
    if np.ptp(later_deg) > _SAME_DEG:
        return "own-web", [f"{near}, but are splayed by different angles: taken as own throws."]
    given = family_engine(study, "v", len(order), "split")
    if sizing.pin_overlap_shortfall(given, later_deg[:1])[0] > 1e-9:
        return "own-web", [
            f"{near}; splayed by {abs(later_deg[0]):.4g} deg, their halves would not overlap "
            "enough in the study's proportions: taken as own throws with a web between."
        ]
    return "split", []


def _kept_by_metrics(study: Study) -> frozenset[str]:
    """Return which symmetries leave all metrics that decide unchanged."""
    return frozenset.intersection(*(METRICS[key].keeps for key in study.active_metrics))


def _faced(study: Study, layout: Layout, reading: _Reading) -> _Reading:
    """Return a reading in which pairs begin with the bank behind, as the families have them.

    With own throws, the bank behind must not have fewer cylinders than the one ahead. An odd count
    in pairs has been read from the end at which the families begin.
    """
    keeps = _kept_by_metrics(study)
    order = reading.cylinders
    if reading.pins in ("shared", "split"):
        places_m, sides = layout.engine.positions_m[order], reading.banks[order]
        step_m = (places_m[1::2] - places_m[::2]) * np.where(sides[::2] == 0, 1, -1)
        if (step_m > -1e-6).any():
            return reading
        notes = list(reading.notes)
        if "reverse" not in keeps:
            if reading.pins == "shared":
                notes.append(
                    "In its pairs the bank that lies ahead stands nearer to the free end; in the "
                    "study's it is the other."
                )
                return replace(reading, notes=notes)
            notes.append(_TURNED)
        turned = order[::-1]
        if reading.pins == "shared":  # within a pair by bank
            turned = [i for pair in zip(turned[1::2], turned[::2], strict=True) for i in pair]
        return replace(reading, cylinders=turned, notes=notes)
    is_short = int((reading.banks == 0).sum()) < len(order) // 2 + len(order) % 2
    if is_short and "mirror" in keeps and not study.proportions.pin_path_offset_to_crank_radius:
        return replace(reading, banks=1 - reading.banks, is_mirrored=True)
    return reading


def _made(study: Study, reading: _Reading, n_cylinders: int) -> Family:
    """Return a family that the study does not search, at the study's givens."""
    fixed: IntArray | None = None
    if reading.arrangement == "in-line":
        fixed = np.zeros(n_cylinders, np.int64)
    elif reading.pins in ("shared", "split"):
        fixed = np.arange(n_cylinders, dtype=np.int64) % 2
    return Family(
        name=family_name(reading.arrangement, n_cylinders, reading.pins),
        arrangement=reading.arrangement,
        pins=reading.pins,
        cylinders=n_cylinders,
        engine=family_engine(study, reading.arrangement, n_cylinders, reading.pins),
        fixed_banks=fixed,
    )


def _batch(study: Study, layout: Layout, reading: _Reading, family: Family) -> Batch:
    """Return the layout's throws, banks, firing and balance in the places of the family."""
    given, order, n = layout.batch, reading.cylinders, family.cylinders
    sign = -1.0 if reading.is_mirrored else 1.0
    pins_deg = given.pin_angles_deg[:, order]
    fired_deg = layout.firing_angles_deg[np.newaxis, order]
    half_deg = 0.5 * reading.bank_angle_deg
    angles_deg = [0.0] if reading.arrangement == "in-line" else [-half_deg, half_deg]
    batch = Batch(
        pin_angles_deg=firing.wrap_deg(sign * (pins_deg - pins_deg[:, :1])),
        bank_angles_deg=np.array([angles_deg]),
        banks=reading.banks[order][np.newaxis],
        firing_bits=np.zeros((1, n), np.int64),
        rotating_fraction=given.rotating_fraction.copy(),
        reciprocating_fraction=given.reciprocating_fraction.copy(),
        shaft_fractions=given.shaft_fractions.copy(),
        collectors=np.zeros((1, n), np.int64),
    )
    later_deg = firing.wrap_deg(sign * (fired_deg - fired_deg[:, :1]), study.cycle_deg)
    turns = (later_deg - firing.crank_phases_deg(batch)) / firing.TURN_DEG
    bits = np.rint(turns).astype(np.int64) % round(study.cycle_deg / firing.TURN_DEG)
    return batch.having(firing_bits=bits)
