"""Values where rounding changes, and sums that cancel: round-off decides nothing that matters.

Reference: the plain loops of `every_design.py`. A value within 1e-9 of a resolution of an edge may
be rounded either way (round-off of the values here is below 1e-12 of themselves), any other value
in one way only. From this follow, for every front, which boxes must be covered, and the least and
the largest number of designs behind each.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from evaluate import Batch, score
from evaluate.errors import InputError
from optimize.exact.driver import ExactFamily, enumerate_families
from optimize.families import Family
from optimize.problem import Island
from optimize.study import Study
from tests.optimize.every_design import (
    Box,
    Space,
    dominates,
    every_design,
    halves_overlap,
    in_line,
    is_feasible,
    paired,
    truth_of,
)
from tests.optimize.small_studies import metrics, named_family, small_study
from tests.optimize.twins import plain_designs

#: As `optimize.archive.rounded_boxes`: what exceeds a multiple by this share still counts as it.
EDGE = 1e-6
FUZZ = 1e-9

SPACES = {
    "in-line 4": Space(
        family="in-line 4",
        tables={"space": in_line(4, 60.0), "constraints": {"largest_interval_factor": 2.0}},
        step_deg=60.0,
        largest_interval_factor=2.0,
    ),
    "V4 shared": Space(
        family="V4 shared",
        tables={
            "space": paired("v", 4, "shared", 36.0, (72.0,)),
            "constraints": {"largest_interval_factor": 2.0},
        },
        step_deg=36.0,
        bank_angles_deg=(72.0,),
        largest_interval_factor=2.0,
    ),
    "V3 own-main": Space(
        family="V3 own-main",
        tables={
            "space": paired("v", 3, "own-main", 40.0, (80.0,)),
            "constraints": {"largest_interval_factor": 2.0},
        },
        step_deg=40.0,
        bank_angles_deg=(80.0,),
        largest_interval_factor=2.0,
    ),
    "V4 split": Space(
        family="V4 split",
        tables={
            "space": paired("v", 4, "split", 30.0, (60.0,)),
            "constraints": {"largest_interval_factor": 1.5},
        },
        step_deg=30.0,
        bank_angles_deg=(60.0,),
        splays_deg=tuple(30.0 * k for k in range(-6, 7) if k),
        largest_interval_factor=1.5,
    ),
}
STEPS = {"force_rms_N": 400.0, "couple_rms_Nm": 40.0, "firing_fluctuation": 0.02}
LISTED = {**STEPS, "internal_couple_Nm": 50.0}


def _designs(family: Family, space: Space) -> Batch:
    batch = every_design(family, space)
    batch = batch.rows(np.flatnonzero(halves_overlap(family, batch)))
    return batch.rows(np.flatnonzero(is_feasible(family, space, batch)))


def _possible_boxes(study: Study, family: Family, batch: Batch) -> list[set[Box]]:
    """Return the boxes that each design may be rounded to."""
    values = score(family.engine, batch, [o.key for o in study.objectives])
    steps = np.array([o.resolution for o in study.objectives])
    signs = np.array([o.sign for o in study.objectives])
    shares = signs * values / steps - EDGE
    low, high = (np.ceil(shares + d).astype(int).tolist() for d in (-FUZZ, FUZZ))
    return [
        set(itertools.product(*({a, b} for a, b in zip(one, other, strict=True))))
        for one, other in zip(low, high, strict=True)
    ]


def _study_at_an_edge(space: Space, steps: dict[str, float], key: str, rank: int, k: int) -> Study:
    """Return a study in which the value of one known design stands on the k-th edge."""
    family = named_family(small_study(**space.tables), space.family)
    values = np.unique(score(family.engine, _designs(family, space), [key])[:, 0].round(6))
    values = values[values > 1.0]
    exact = score(family.engine, _designs(family, space), [key])[:, 0]
    value = float(exact[np.argmin(np.abs(exact - values[rank]))])
    edged = {**steps, key: value / (k + EDGE)}
    return small_study(**space.tables, objectives=metrics(*edged.items()))


def _enumerated(study: Study, family: Family) -> ExactFamily:
    return enumerate_families(study, [family], None, workers=1)[family.name]


def _check(study: Study, family: Family, space: Space, found: ExactFamily) -> int:
    """Check a front against all that rounding may make of the designs; return the open cases."""
    batch = _designs(family, space)
    possible = _possible_boxes(study, family, batch)
    names = [design.name(space.symmetries) for design in plain_designs(family.engine, batch)]
    front = [tuple(box) for box in found.front.boxes.tolist()]
    assert len(set(front)) == len(front), "a box twice"
    assert not any(dominates(a, b) for a, b in itertools.permutations(front, 2))
    surely: dict[Box, set[object]] = {}
    perhaps: dict[Box, set[object]] = {}
    for boxes, name in zip(possible, names, strict=True):
        covered = [any(f == b or dominates(f, b) for f in front) for b in boxes]
        assert any(covered), "a member is left out"
        for box in boxes:
            perhaps.setdefault(box, set()).add(name)
        if len(boxes) == 1:
            surely.setdefault(next(iter(boxes)), set()).add(name)
    for box, equals in zip(front, found.front.equals.tolist(), strict=True):
        least, most = len(surely.get(box, ())), len(perhaps.get(box, ()))
        assert least <= equals <= most, f"{box}: {equals}, not {least} to {most}"
    _check_members(study, family, found, front)
    return sum(len(boxes) > 1 for boxes in possible)


def _check_members(study: Study, family: Family, found: ExactFamily, front: list[Box]) -> None:
    """Check that representatives are different designs that have their boxes."""
    island = Island(study, family)
    keys = island.keys(found.front.designs)
    assert len(set(keys.tolist())) == len(keys), "two members are one design"
    mine = _possible_boxes(study, family, found.front.designs.batch)
    assert all(box in boxes for box, boxes in zip(front, mine, strict=True))


@pytest.mark.parametrize("steps", [STEPS, LISTED], ids=["by halves", "listed"])
@pytest.mark.parametrize("key", ["force_rms_N", "couple_rms_Nm"])
@pytest.mark.parametrize("name", SPACES)
def test_a_value_on_an_edge(name: str, key: str, steps: dict[str, float]) -> None:
    space = SPACES[name]
    n_open = 0
    for rank, k in ((0, 3), (5, 17)):
        study = _study_at_an_edge(space, steps, key, rank, k)
        family = named_family(study, space.family)
        n_open += _check(study, family, space, _enumerated(study, family))
    assert n_open, "no value is on the edge: this would prove nothing"


@pytest.mark.parametrize("key", ["firing_fluctuation", "exhaust_unevenness_deg"])
@pytest.mark.parametrize("name", ["V4 shared", "V3 own-main"])
def test_a_firing_value_on_an_edge(name: str, key: str) -> None:
    # Turned end for end, a firing is counted from another cylinder: its angles are the same, but
    # not the last digits of what is computed from them.
    space = SPACES[name]
    steps = {"couple_rms_Nm": 40.0, "force_rms_N": 400.0, key: 1.0}
    family = named_family(small_study(**space.tables), space.family)
    values = score(family.engine, _designs(family, space), [key])[:, 0]
    distinct = np.unique(values.round(9))
    for value in distinct[[0, len(distinct) // 2, -1]]:
        exact = float(values[np.argmin(np.abs(values - value))])
        edged = {**steps, key: (exact or 10.0) / (7 + EDGE)}
        study = small_study(**space.tables, objectives=metrics(*edged.items()))
        _check(study, family, space, _enumerated(study, named_family(study, space.family)))


@pytest.mark.parametrize("side", ["at_most", "at_least"])
@pytest.mark.parametrize("key", ["force_rms_N", "couple_rms_Nm", "exhaust_spacing_min_deg"])
def test_a_limit_at_a_value_lets_the_value_in(key: str, side: str) -> None:
    space = SPACES["V3 own-main"]
    family = named_family(small_study(**space.tables), space.family)
    values = np.sort(score(family.engine, _designs(family, space), [key])[:, 0])
    value = float(values[len(values) // 2])
    tables = dict(space.tables)
    tables["constraints"] = {**tables["constraints"], key: {side: value}}
    study = small_study(**tables, objectives=metrics(*STEPS.items()))
    # Limits have an allowance of 1e-9 of themselves; no other value is so near.
    wide = value * (1 + 1e-8) if side == "at_most" else value * (1 - 1e-8)
    limits = (-math.inf, wide) if side == "at_most" else (wide, math.inf)
    bounded = replace(space, bounds={key: limits})
    _check(study, family, bounded, _enumerated(study, named_family(study, space.family)))


def test_the_fuzz_does_not_hide_a_lost_member() -> None:
    space = SPACES["in-line 4"]
    study = small_study(**space.tables, objectives=metrics(*STEPS.items()))
    family = named_family(study, space.family)
    found = _enumerated(study, family)
    _check(study, family, space, found)
    for spoil in _SPOILERS:
        before = found.front.boxes.copy(), found.front.equals.copy()
        found.front.boxes[:], found.front.equals[:] = spoil(*before)
        with pytest.raises(AssertionError):
            _check(study, family, space, found)
        found.front.boxes[:], found.front.equals[:] = before


def _counted_twice(boxes: np.ndarray, equals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return boxes, 2 * equals


def _worse(boxes: np.ndarray, equals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return boxes + 1, equals


def _one_for_another(boxes: np.ndarray, equals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.concatenate([boxes[:1], boxes[:-1]]), equals


_Spoiler = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
_SPOILERS: tuple[_Spoiler, ...] = (_counted_twice, _worse, _one_for_another)


@pytest.mark.parametrize("couple_Nm", [1e-3, 1e-2, 1.0])
def test_true_zeros_are_in_box_zero(couple_Nm: float) -> None:
    # A crank that reads the same from both ends has no couple of any order, as each pair of
    # throws has its middle in that of the engine: J. P. Den Hartog, Mechanical Vibrations, ch. 5.
    # So with couples in steps of a millinewton metre (of some 5000 N m that the masses could
    # make) they are all in box 0, and only they: two-stroke, so that each crank fires in one way.
    step_deg = 45.0
    tables: dict[str, Any] = {
        "engine": {"cycle_strokes": 2},
        "space": in_line(4, step_deg, fractions=(0.3,)),
        "constraints": {"largest_interval_factor": 4.0},
        "objectives": metrics(("couple_rms_Nm", couple_Nm)),
    }
    study = small_study(**tables)
    family = named_family(study, "in-line 4")
    found = _enumerated(study, family)
    assert found.front.boxes.tolist() == [[0]]
    # Throws 0-a-a-0, a of 8 angles; a and -a are mirror images, so 5 are distinct.
    assert found.front.equals.tolist() == [5]
    space = Space(
        family="in-line 4",
        tables=tables,
        step_deg=step_deg,
        fractions=(0.3,),
        cycle_deg=360.0,
        largest_interval_factor=4.0,
    )
    assert truth_of(study, family, space).equals == {(0,): 5}


def test_zero_forces_are_in_box_zero() -> None:
    # A regular star of three throws has no force of orders 1, 2 and 4 (Den Hartog, ch. 5). The
    # sixth order is left, so the rod is long: lambda = 0.001, A_6 = 9 lambda^5 / 128 below 1e-16.
    study = small_study(
        engine={"crank_radius_to_rod": 0.001},
        space=in_line(3, 60.0, fractions=(0.5,)),
        constraints={"largest_interval_factor": 2.0},
        objectives=metrics(("force_rms_N", 0.01), ("firing_fluctuation", 0.02)),
    )
    family = named_family(study, "in-line 3")
    found = _enumerated(study, family)
    assert found.front.boxes[:, 0].min() == 0


@pytest.mark.parametrize("key", ["force_rms_N", "couple_rms_Nm"])
def test_a_resolution_near_round_off_is_refused(key: str) -> None:
    study = small_study(objectives=metrics((key, 1e-5), ("firing_fluctuation", 0.02)))
    family = named_family(study, "in-line 4")
    with pytest.raises(InputError, match=rf"(?s)objectives.*{key}.*in-line 4.*coarser") as refused:
        _enumerated(study, family)
    assert "1e-05" in str(refused.value)
    assert "\n" not in str(refused.value)
