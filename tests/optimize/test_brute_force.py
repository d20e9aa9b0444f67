"""The search against brute force on spaces that are small enough to try every design.

Reference: everything here is enumerated, constrained, rounded and compared in the test, in plain
loops, from sections 4.7 and 5 of the design; only the metrics themselves come from
`evaluate.score`, which has tests of its own. The search must return the same set of rounded
objective vectors (whole numbers of resolutions, so compared exactly), and where it has tried every
design it must have scored each distinct one once and counted all equals.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pytest

from evaluate import METRICS, SLOTS, Batch, score
from optimize.families import Family
from optimize.search import IslandState
from optimize.study import Study
from tests.optimize.small_studies import metrics, named_family, searched, small_study
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
    shafts: tuple[tuple[str, ...], ...] = ((),)
    cycle_deg: float = 720.0
    largest_interval_factor: float = 1.25
    even: bool = False
    mirror_symmetric: bool = False
    bounds: dict[str, tuple[float, float]] = field(default_factory=dict)  # least, most
    population: int = 100
    least_members: int = 2


def _in_line(n: int, step_deg: float, *, fractions: tuple[float, ...] = (0.5,)) -> dict[str, Any]:
    return {
        "cylinders": [n],
        "arrangements": ["in-line"],
        "throw_angle_step_deg": step_deg,
        "reciprocating_fraction": list(fractions),
    }


def _paired(
    arrangement: str, n: int, pins: str, step_deg: float, angles_deg: tuple[float, ...]
) -> dict[str, Any]:
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
AT_MOST_TWO = tuple(s for k in range(3) for s in itertools.combinations(ALL_SLOTS, k))

SPACES = {
    "in-line 3 on 60 degrees": Space(
        family="in-line 3",
        tables={
            "space": _in_line(3, 60.0, fractions=(0.0, 0.5)),
            "constraints": {"largest_interval_factor": 2.0},
            "objectives": [*BALANCE, *metrics(("crank_train_mass_kg", 0.5))],
        },
        step_deg=60.0,
        fractions=(0.0, 0.5),
        largest_interval_factor=2.0,
    ),
    "in-line 4 two-stroke on 90 degrees": Space(
        family="in-line 4",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": _in_line(4, 90.0),
            "constraints": {"largest_interval_factor": 4.0},
            "objectives": metrics(
                ("force_rms_N", 400.0),
                ("couple_rms_Nm", 40.0),
                ("firing_unevenness_deg", 5.0),
                ("internal_couple_Nm", 20.0),
            ),
        },
        step_deg=90.0,
        cycle_deg=360.0,
        largest_interval_factor=4.0,
    ),
    "V4 shared at two bank angles": Space(
        family="V4 shared",
        tables={
            "space": _paired("v", 4, "shared", 45.0, (60.0, 90.0)),
            "constraints": {"largest_interval_factor": 1.75},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=45.0,
        bank_angles_deg=(60.0, 90.0),
        largest_interval_factor=1.75,
    ),
    "V4 split on 30 degrees": Space(
        family="V4 split",
        tables={
            "space": _paired("v", 4, "split", 30.0, (60.0, 90.0)),
            "constraints": {"largest_interval_factor": 1.5},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=30.0,
        bank_angles_deg=(60.0, 90.0),
        splays_deg=tuple(30.0 * k for k in range(-6, 7) if k),
        largest_interval_factor=1.5,
        population=200,
    ),
    "V2 own-web": Space(
        family="V2 own-web",
        tables={
            "space": _paired("v", 2, "own-web", 30.0, (30.0, 60.0, 90.0)),
            "constraints": {"largest_interval_factor": 1.5},
            "objectives": metrics(("force_rms_N", 400.0), ("couple_rms_Nm", 10.0), ("parts", 1.0)),
        },
        step_deg=30.0,
        bank_angles_deg=(30.0, 60.0, 90.0),
        largest_interval_factor=1.5,
    ),
    "V4 own-web, banks free": Space(
        family="V4 own-web",
        tables={
            "space": _paired("v", 4, "own-web", 90.0, (90.0,)),
            "constraints": {"largest_interval_factor": 1.5},
            "objectives": [*BALANCE, *metrics(("exhaust_spacing_min_deg", 30.0))],
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        largest_interval_factor=1.5,
        population=300,
    ),
    "V3 own-main, most spacing": Space(
        family="V3 own-main",
        tables={
            "space": _paired("v", 3, "own-main", 60.0, (60.0,)),
            "constraints": {"largest_interval_factor": 1.6},
            "objectives": metrics(
                ("exhaust_spacing_min_deg", 30.0), ("couple_rms_Nm", 40.0), ("force_rms_N", 400.0)
            ),
        },
        step_deg=60.0,
        bank_angles_deg=(60.0,),
        largest_interval_factor=1.6,
        population=200,
    ),
    "opposed 4 shared": Space(
        family="opposed 4 shared",
        tables={
            "space": _paired("opposed", 4, "shared", 30.0, (90.0,)),
            "constraints": {"largest_interval_factor": 2.0},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=30.0,
        bank_angles_deg=(180.0,),
        largest_interval_factor=2.0,
    ),
    "mirror-symmetric in-line 4": Space(
        family="in-line 4",
        tables={
            "space": {
                **_in_line(4, 30.0),
                "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
            },
            "constraints": {"mirror_symmetric": True, "largest_interval_factor": 2.0},
            "objectives": [*BALANCE, *metrics(("internal_couple_Nm", 50.0), ("parts", 1.0))],
        },
        step_deg=30.0,
        shafts=((), ("1 backward",)),
        mirror_symmetric=True,
        largest_interval_factor=2.0,
    ),
    "mirror-symmetric and even in-line 4": Space(
        family="in-line 4",
        tables={
            "space": _in_line(4, 90.0),
            "constraints": {"mirror_symmetric": True, "even_firing": True},
            "objectives": [*BALANCE, *metrics(("neighbour_firing_share", 0.02))],
        },
        step_deg=90.0,
        mirror_symmetric=True,
        even=True,
        least_members=1,
    ),
    "in-line 4 with shafts": Space(
        family="in-line 4",
        tables={
            "space": {
                **_in_line(4, 180.0),
                "balance_shafts": {"slots": list(ALL_SLOTS), "at_most": 2},
            },
            "constraints": {"largest_interval_factor": 2.0},
            "objectives": [*BALANCE, *metrics(("parts", 1.0))],
        },
        step_deg=180.0,
        shafts=AT_MOST_TWO,
        largest_interval_factor=2.0,
    ),
    "in-line 3 within bounds": Space(
        family="in-line 3",
        tables={
            "space": {
                **_in_line(3, 60.0),
                "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
            },
            "constraints": {
                "largest_interval_factor": 2.0,
                "force_rms_N": {"at_most": 15000.0},
                "exhaust_spacing_min_deg": {"at_least": 120.0},
            },
            "objectives": [*metrics(("couple_rms_Nm", 40.0), ("parts", 1.0)), *BALANCE[2:]],
        },
        step_deg=60.0,
        shafts=((), ("1 backward",)),
        largest_interval_factor=2.0,
        bounds={"force_rms_N": (-math.inf, 15000.0), "exhaust_spacing_min_deg": (120.0, math.inf)},
    ),
    "even in-line 4": Space(
        family="in-line 4",
        tables={
            "space": _in_line(4, 90.0),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE, *metrics(("neighbour_firing_share", 0.02))],
        },
        step_deg=90.0,
        even=True,
    ),
    "even in-line 3 two-stroke": Space(
        family="in-line 3",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": _in_line(3, 60.0, fractions=(0.0, 0.5)),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("crank_train_mass_kg", 0.5))],
        },
        step_deg=60.0,
        fractions=(0.0, 0.5),
        cycle_deg=360.0,
        even=True,
    ),
    "even V4 own-web": Space(
        family="V4 own-web",
        tables={
            "space": _paired("v", 4, "own-web", 90.0, (90.0,)),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("exhaust_unevenness_deg", 10.0))],
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        even=True,
        population=200,
    ),
    "even V6 split": Space(
        family="V6 split",
        tables={
            "space": _paired("v", 6, "split", 30.0, (90.0, 150.0)),
            "constraints": {"even_firing": True},
            "objectives": [*BALANCE[:2], *metrics(("box_litres", 2.0))],
        },
        step_deg=30.0,
        bank_angles_deg=(90.0, 150.0),
        splays_deg=tuple(30.0 * k for k in range(-6, 7) if k),
        even=True,
    ),
    "even V4 two-stroke": Space(
        family="V4 shared",
        tables={
            "engine": {"cycle_strokes": 2},
            "space": _paired("v", 4, "shared", 90.0, (90.0,)),
            "constraints": {"even_firing": True},
            "objectives": BALANCE_AND_PULSES,
        },
        step_deg=90.0,
        bank_angles_deg=(90.0,),
        cycle_deg=360.0,
        even=True,
        least_members=1,
    ),
}


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What brute force finds: distinct designs in all, and how many stand behind each front box."""

    n_distinct: int
    equals: dict[Box, int]


@cache
def _found(name: str) -> tuple[Study, Family, IslandState]:
    space = SPACES[name]
    study = small_study(**space.tables)
    family = named_family(study, space.family)
    state = searched(study, family, population=space.population, generations=400)
    return study, family, state


@cache
def _truth(name: str) -> Truth:
    space = SPACES[name]
    study, family, _ = _found(name)
    batch = _every_design(family, space)
    batch = batch.rows(np.flatnonzero(_halves_overlap(family, batch)))
    names = [design.name() for design in plain_designs(family.engine, batch)]
    feasible = _is_feasible(family, space, batch)
    boxes = _boxes(study, family, batch)
    behind: dict[Box, set[object]] = {}
    for box, kept, design in zip(boxes, feasible, names, strict=True):
        if kept:
            behind.setdefault(box, set()).add(design)
    front = [a for a in behind if not any(_dominates(b, a) for b in behind)]
    return Truth(n_distinct=len(set(names)), equals={box: len(behind[box]) for box in front})


def _dominates(one: Box, other: Box) -> bool:
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


def _every_design(family: Family, space: Space) -> Batch:
    """Return all designs of a space as one batch, the first throw at 0."""
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
    rows = []
    for banks in _bank_choices(family):
        for angle, splay in itertools.product(space.bank_angles_deg, space.splays_deg):
            axes = [(angle / 2) * (1 if bank else -1) for bank in banks]
            for turned in throws:
                pins = [a for t in turned for a in (t, t + splay)] if is_paired else list(turned)
                for bit in bits:
                    if space.even and not _fires_evenly(axes, pins, list(bit), space.cycle_deg):
                        continue
                    for fraction, slots in itertools.product(space.fractions, space.shafts):
                        rows.append((pins, angle, banks, bit, fraction, slots))
    pins, angles, banks, bit, fractions, slots = zip(*rows, strict=True)
    halves = [-0.5, 0.5] if family.arrangement != "in-line" else [0.0]
    return Batch(
        pin_angles_deg=np.array(pins, float),
        bank_angles_deg=np.outer(angles, halves),
        banks=np.array(banks),
        firing_bits=np.array(bit),
        rotating_fraction=np.ones(len(rows)),
        reciprocating_fraction=np.array(fractions),
        shaft_fractions=np.array([[float(s.name in chosen) for s in SLOTS] for chosen in slots]),
        collectors=np.array(banks),  # per bank, the default of a study
    )


def _bank_choices(family: Family) -> list[tuple[int, ...]]:
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


def _is_feasible(family: Family, space: Space, batch: Batch) -> list[bool]:
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


def _halves_overlap(family: Family, batch: Batch) -> list[bool]:
    """Return where the halves of splayed pins overlap; the space does not hold other splays."""
    if family.pins != "split":
        return [True] * len(batch)
    pin_m, radius_m = 0.6 * family.engine.bore_m, family.engine.crank_radius_m
    overlaps = []
    for pins in batch.pin_angles_deg:
        half_rad = math.radians(pins[1] - pins[0]) / 2
        overlaps.append(pin_m - 2 * radius_m * abs(math.sin(half_rad)) >= 0.2 * pin_m)
    return overlaps


def _boxes(study: Study, family: Family, batch: Batch) -> list[Box]:
    """Return objectives rounded up to whole resolutions; what exceeds one by round-off is it."""
    keys = [objective.key for objective in study.objectives]
    steps = [objective.resolution for objective in study.objectives]
    boxes = []
    for row in score(family.engine, batch, keys):
        box = []
        for key, step, value in zip(keys, steps, row, strict=True):
            lessened = value if METRICS[key].sense == "least" else -value
            whole = round(lessened / step)
            box.append(
                whole if abs(lessened - whole * step) < 1e-6 * step else math.ceil(lessened / step)
            )
        boxes.append(tuple(box))
    return boxes


@pytest.mark.parametrize("name", SPACES)
def test_front_is_the_true_one(name: str) -> None:
    _, _, state = _found(name)
    truth = _truth(name)
    assert len(truth.equals) >= SPACES[name].least_members, "this space would prove nothing"
    assert {tuple(box) for box in state.archive.boxes.tolist()} == set(truth.equals)


@pytest.mark.parametrize("name", list(SPACES))
def test_every_distinct_design_is_scored_once_and_counted(name: str) -> None:
    # A population far beyond the number of designs: chance draws some 200,000 candidates until
    # no new one turns up, so that in spaces of at most 3,072 designs none is left out.
    study, family, _ = _found(name)
    state = searched(study, family, population=8000, generations=2)
    truth = _truth(name)
    assert state.is_exhausted
    assert len(state.visited) == truth.n_distinct
    assert state.evaluations == truth.n_distinct
    counts = {
        tuple(box): len(equals)
        for box, equals in zip(state.archive.boxes.tolist(), state.archive.equals, strict=True)
    }
    assert counts == truth.equals


def test_an_island_is_exhausted_only_when_every_design_was_tried() -> None:
    # The summary says "every design found" of these.
    left = {}
    for name in SPACES:
        state, truth = _found(name)[2], _truth(name)
        assert state.is_exhausted
        left[name] = truth.n_distinct - len(state.visited)
    assert left == dict.fromkeys(left, 0)
