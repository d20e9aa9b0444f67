"""Every design of a small space, and its true front, found in plain loops.

Enumerated, constrained, rounded and compared here from sections 4.7 and 5 of the design, without
any of the code under test; only the metrics themselves come from `evaluate.score`, which has tests
of its own. Which designs are one is said by `twins.py`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from evaluate import METRICS, SLOTS, Batch, score
from evaluate.batch import FloatArray
from optimize.families import Family
from optimize.study import Study
from tests.optimize.small_studies import metrics
from tests.optimize.twins import firing_angles_deg, intervals_deg, plain_designs

Box = tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Space:
    """A space for both sides: study tables for the search, ranges for the brute force."""

    family: str
    tables: dict[str, Any]
    step_deg: float
    bank_angles_deg: tuple[float, ...] = (0.0,)
    splays_deg: tuple[float, ...] = (0.0,)
    fractions: tuple[float, ...] = (0.5,)
    rotating_fraction: float = 1.0
    shafts: tuple[tuple[str, ...], ...] = ((),)
    cycle_deg: float = 720.0
    largest_interval_factor: float = 1.25
    even: bool = False
    mirror_symmetric: bool = False
    bounds: dict[str, tuple[float, float]] = field(default_factory=dict)  # least, most
    collectors: str | int | tuple[int, ...] = "per bank"  # a number: the best partition
    symmetries: tuple[str, ...] = ("mirror", "reverse")  # that all its metrics have
    population: int = 100
    least_members: int = 2


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What brute force finds.

    How many candidates there are, how many of them are distinct, and how many of these stand
    behind each vector of the front.
    """

    n_raw: int
    n_distinct: int
    equals: dict[Box, int]


def in_line(n: int, step_deg: float, *, fractions: tuple[float, ...] = (0.5,)) -> dict[str, Any]:
    """Return the space table of in-line engines."""
    return {
        "cylinders": [n],
        "arrangements": ["in-line"],
        "throw_angle_step_deg": step_deg,
        "reciprocating_fraction": list(fractions),
    }


def paired(
    arrangement: str, n: int, pins: str, step_deg: float, angles_deg: tuple[float, ...]
) -> dict[str, Any]:
    """Return the space table of engines with two banks."""
    return {
        "cylinders": [n],
        "arrangements": [arrangement],
        "pins": [pins],
        "throw_angle_step_deg": step_deg,
        "bank_angle_deg": list(angles_deg),
    }


BALANCE = metrics(("force_rms_N", 400.0), ("couple_rms_Nm", 40.0), ("firing_fluctuation", 0.02))
BALANCE_AND_PULSES = [*BALANCE, *metrics(("exhaust_unevenness_deg", 10.0))]
ALL_SLOTS = ("1 backward", "2 forward", "2 backward")


def truth_of(
    study: Study,
    family: Family,
    space: Space,
    boxes_of_batch: Callable[[Study, Family, Batch], list[Box]] | None = None,
) -> Truth:
    """Return the true front of a space; `boxes_of_batch` may round in another way."""
    rows = _every_row(family, space)
    if not rows:
        return Truth(n_raw=0, n_distinct=0, equals={})
    batch = _batch_of(family, space, rows)
    batch = batch.rows(np.flatnonzero(halves_overlap(family, batch)))
    names = [design.name(space.symmetries) for design in plain_designs(family.engine, batch)]
    feasible = is_feasible(family, space, batch)
    boxes = (boxes_of_batch or boxes_of)(study, family, batch)
    behind: dict[Box, set[object]] = {}
    for box, kept, design in zip(boxes, feasible, names, strict=True):
        if kept:
            behind.setdefault(box, set()).add(design)
    front: list[Box] = []
    for box in sorted(behind):  # whatever dominates a box comes before it
        if not any(dominates(other, box) for other in front):
            front.append(box)
    return Truth(
        n_raw=len(names),
        n_distinct=len(set(names)),
        equals={box: len(behind[box]) for box in front},
    )


def dominates(one: Box, other: Box) -> bool:
    """Return whether one is nowhere worse and somewhere better."""
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


def every_design(family: Family, space: Space) -> Batch:
    """Return all designs of a space as one batch, the first throw at 0."""
    rows = _every_row(family, space)
    assert rows, "no design at all"
    return _batch_of(family, space, rows)


def _every_row(family: Family, space: Space) -> list[tuple[Any, ...]]:
    """Return (pins, bank angle, banks, bits, fraction, slots) of each design."""
    n = family.cylinders
    is_paired = family.pins in ("shared", "split")
    n_throws = n // 2 if is_paired else n
    lattice = [space.step_deg * k for k in range(round(360 / space.step_deg))]
    throws = [(0.0, *rest) for rest in itertools.product(lattice, repeat=n_throws - 1)]
    if space.mirror_symmetric:
        throws = [t for t in throws if t == t[::-1]]
    bits = [(0, *rest) for rest in itertools.product((0, 1), repeat=n - 1)]
    if space.cycle_deg == 360.0:
        bits = [(0,) * n]
    rows: list[tuple[Any, ...]] = []
    for banks in bank_choices(family):
        for angle, splay in itertools.product(space.bank_angles_deg, space.splays_deg):
            axes = [(angle / 2) * (1 if bank else -1) for bank in banks]
            if family.arrangement == "in-line":
                axes = [0.0] * n
            for turned in throws:
                pins = [a for t in turned for a in (t, t + splay)] if is_paired else list(turned)
                for bit in bits:
                    if space.even and not _fires_evenly(axes, pins, list(bit), space.cycle_deg):
                        continue
                    for fraction, slots in itertools.product(space.fractions, space.shafts):
                        rows.append((pins, angle, banks, bit, fraction, slots))
    return rows


def _batch_of(family: Family, space: Space, rows: list[tuple[Any, ...]]) -> Batch:
    every_pin, angles, every_bank, every_bit, fractions, slots = zip(*rows, strict=True)
    halves = [-0.5, 0.5] if family.arrangement != "in-line" else [0.0]
    batch = Batch(
        pin_angles_deg=np.array(every_pin, float),
        bank_angles_deg=np.outer(angles, halves),
        banks=np.array(every_bank),
        firing_bits=np.array(every_bit),
        rotating_fraction=np.full(len(rows), space.rotating_fraction),
        reciprocating_fraction=np.array(fractions),
        shaft_fractions=np.array([[float(s.name in chosen) for s in SLOTS] for chosen in slots]),
        collectors=np.array(every_bank),  # per bank, the default of a study
    )
    return batch.having(collectors=_collectors(family, space, batch))


def _collectors(family: Family, space: Space, batch: Batch) -> np.ndarray:
    """Return which collector each cylinder belongs to."""
    shape = batch.banks.shape
    if space.collectors == "per bank":
        return batch.banks
    if space.collectors == "one":
        return np.zeros(shape, np.int64)
    if isinstance(space.collectors, tuple):
        return np.tile(space.collectors, (shape[0], 1))
    # Least overlap, then largest least spacing, then least unevenness: README, exhaust.
    groups = range(int(space.collectors))
    ways = [p for p in itertools.product(groups, repeat=shape[1]) if set(p) == set(groups)]
    keys = ["exhaust_overlap_deg", "exhaust_spacing_min_deg", "exhaust_unevenness_deg"]
    tried = np.array(
        [
            score(family.engine, batch.having(collectors=np.tile(way, (len(batch), 1))), keys)
            for way in ways
        ]
    ).round(6)
    best = [
        min(range(len(ways)), key=lambda w: (row[w, 0], -row[w, 1], row[w, 2]))
        for row in tried.transpose(1, 0, 2)
    ]
    return np.array([ways[w] for w in best])


def bank_choices(family: Family) -> list[tuple[int, ...]]:
    """Return the ways to deal the cylinders out to the banks."""
    n = family.cylinders
    if family.arrangement == "in-line":
        return [(0,) * n]
    if family.pins in ("shared", "split"):
        return [(0, 1) * (n // 2)]
    first = itertools.combinations(range(n), (n + 1) // 2)
    return [tuple(0 if i in chosen else 1 for i in range(n)) for chosen in map(set, first)]


def _fires_evenly(axes: list[float], pins: list[float], bits: list[int], cycle_deg: float) -> bool:
    gaps = intervals_deg(firing_angles_deg(axes, pins, bits), cycle_deg)
    return all(abs(gap - cycle_deg / len(gaps)) < 1e-6 for gap in gaps)


def is_feasible(family: Family, space: Space, batch: Batch) -> list[bool]:
    """Return which designs keep the limits: firing interval, clearances, bounds."""
    engine, n = family.engine, family.cylinders
    bore, radius, rod = engine.bore_m, engine.crank_radius_m, engine.rod_length_m
    values = score(engine, batch, list(space.bounds))
    feasible = []
    for c in range(len(batch)):
        banks = batch.banks[c].tolist()
        axes = [float(batch.bank_angles_deg[c, bank]) for bank in banks]
        pins = batch.pin_angles_deg[c].tolist()
        gaps = intervals_deg(
            firing_angles_deg(axes, pins, batch.firing_bits[c].tolist()), engine.cycle_deg
        )
        kept = max(gaps) <= space.largest_interval_factor * engine.cycle_deg / n + 1e-6
        for i, j in itertools.combinations(range(n), 2):
            apart = abs(engine.positions_m[i] - engine.positions_m[j])
            if family.arrangement == "in-line":
                continue
            if banks[i] == banks[j]:
                kept &= apart >= 1.08 * bore - 1e-9
            elif apart < bore:
                low, half_v = rod - radius - 0.1 * bore, 0.5 * abs(axes[i] - axes[j])
                width = math.sqrt(bore**2 - apart**2) / 2
                kept &= half_v >= 90 or low * math.tan(math.radians(half_v)) >= width
        for value, (least, most) in zip(values[c], space.bounds.values(), strict=True):
            kept &= least <= value <= most
        feasible.append(bool(kept))
    return feasible


def halves_overlap(family: Family, batch: Batch) -> list[bool]:
    """Return where the halves of splayed pins overlap; the space does not hold other splays."""
    if family.pins != "split":
        return [True] * len(batch)
    engine = family.engine
    pin_m, radius_m = engine.proportions.pin_diameter_to_bore * engine.bore_m, engine.crank_radius_m
    overlaps = []
    for pins in batch.pin_angles_deg:
        half_rad = math.radians(pins[1] - pins[0]) / 2
        overlaps.append(pin_m - 2 * radius_m * abs(math.sin(half_rad)) >= 0.2 * pin_m)
    return overlaps


def boxes_of(study: Study, family: Family, batch: Batch) -> list[Box]:
    """Return objectives rounded up to whole resolutions; what exceeds one by round-off is it."""
    keys = [objective.key for objective in study.objectives]
    steps = [objective.resolution for objective in study.objectives]
    return [_box(row, keys, steps) for row in score(family.engine, batch, keys)]


def _box(row: FloatArray, keys: list[str], steps: list[float]) -> Box:
    box = []
    for key, step, value in zip(keys, steps, row, strict=True):
        lessened = value if METRICS[key].sense == "least" else -value
        whole = round(lessened / step)
        is_whole = abs(lessened - whole * step) < 1e-6 * step
        box.append(whole if is_whole else math.ceil(lessened / step))
    return tuple(box)
