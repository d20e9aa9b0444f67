"""Equivalent candidates share a key, others do not.

Reference: section 5 of the design (a crank turned in the air, or turned end for end, and the
motion run backward), applied to decoded batches by this test: pins, axes and firing angles are
negated, places along the crank swapped, with no use of the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from evaluate import METRICS, Batch, score
from evaluate.metrics import SHAFT_METRICS
from optimize.families import Family
from optimize.genome import Designs
from optimize.problem import Island
from optimize.study import Study
from tests.optimize.small_studies import metrics, named_family, small_study
from tests.optimize.twins import firing_angles_deg, plain_designs

few = settings(max_examples=30, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])


@dataclass(frozen=True, kw_only=True)
class Case:
    """A family and the symmetries that map it onto itself."""

    tables: dict[str, Any]
    family: str
    mirror: bool
    reverse: bool
    both: bool

    def island(self) -> Island:
        """Return the family as an island of its study."""
        study = small_study(**self.tables)
        return Island(study, named_family(study, self.family))


def _space(arrangement: str, n: int, pins: str = "shared", **more: Any) -> dict[str, Any]:
    space = {
        "cylinders": [n],
        "arrangements": [arrangement],
        "pins": [pins],
        "throw_angle_step_deg": 30.0,
        "bank_angle_deg": [60.0, 90.0],
        "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
    }
    return {"space": {**space, **more}}


# A pair's rods stand side by side, the one of bank 1 towards the free end: turning such a crank
# end for end puts bank 2 there, and only running it backward as well puts bank 1 back. Throws in
# pairs with a web between do not fit onto themselves end for end when one throw is left over.
CASES = {
    "in-line 3": Case(
        tables=_space("in-line", 3), family="in-line 3", mirror=True, reverse=True, both=True
    ),
    "in-line 4 two-stroke": Case(
        tables={"engine": {"cycle_strokes": 2}, **_space("in-line", 4)},
        family="in-line 4",
        mirror=True,
        reverse=True,
        both=True,
    ),
    "V4 shared": Case(
        tables=_space("v", 4), family="V4 shared", mirror=False, reverse=False, both=True
    ),
    "V6 split": Case(
        tables=_space("v", 6, "split"), family="V6 split", mirror=False, reverse=False, both=True
    ),
    "V4 shared without stagger": Case(
        tables={**_space("v", 4), "proportions": {"stagger_to_bore": 0.0}},
        family="V4 shared",
        mirror=True,
        reverse=True,
        both=True,
    ),
    "V4 own-web": Case(
        tables=_space("v", 4, "own-web"), family="V4 own-web", mirror=True, reverse=True, both=True
    ),
    "opposed 6 own-main": Case(
        tables=_space("opposed", 6, "own-main"),
        family="opposed 6 own-main",
        mirror=True,
        reverse=True,
        both=True,
    ),
    "V5 own-main, three and two to a bank": Case(
        tables=_space("v", 5, "own-main"),
        family="V5 own-main",
        mirror=False,  # would put three cylinders on bank 2; the space has them on bank 1
        reverse=True,
        both=False,
    ),
    "V5 own-web, a throw left over": Case(
        tables=_space("v", 5, "own-web"),
        family="V5 own-web",
        mirror=False,
        reverse=False,
        both=False,
    ),
    "in-line 4 with an offset pin path": Case(
        tables={
            **_space("in-line", 4),
            "proportions": {"pin_path_offset_to_crank_radius": 0.2},
        },
        family="in-line 4",
        mirror=False,
        reverse=True,
        both=False,
    ),
    "in-line 4 with given collectors": Case(
        tables={**_space("in-line", 4), "exhaust": {"collectors": {"4": [["1", "2"], ["3", "4"]]}}},
        family="in-line 4",
        mirror=False,
        reverse=False,
        both=False,
    ),
}
ISLANDS = {name: case.island() for name, case in CASES.items()}


def turned(designs: Designs, angle_deg: float) -> Designs:
    """Return the same cranks, turned in the air: all pins, so that all dead centres move alike."""
    batch = designs.batch
    return _with(designs, pin_angles_deg=batch.pin_angles_deg + angle_deg)


def twin(family: Family, designs: Designs, *, mirror: bool, reverse: bool) -> Designs:
    """Return the same engines, motion run backward (`mirror`) or turned end for end (`reverse`).

    Running backward negates axes, pins and firing angles; axes stand at -V/2 and +V/2, so each
    cylinder changes its bank. End for end negates places. Each place of the family then takes the
    cylinder that has come to stand there.
    """
    batch, places = designs.batch, family.engine.positions_m
    swaps_banks = mirror and family.arrangement != "in-line"
    takes = []
    for c, place in enumerate(places):
        comes_from = [
            d
            for d, other in enumerate(places)
            if abs((-other if reverse else other) - place) < 1e-9
            and (
                family.fixed_banks is None
                or (family.fixed_banks[d] != family.fixed_banks[c]) == swaps_banks
            )
        ]
        assert comes_from, "the twin is no member of this family"
        takes.append(comes_from[0])
    sign = -1 if mirror else 1
    banks = np.broadcast_to(batch.banks, batch.pin_angles_deg.shape)
    banks = 1 - banks if swaps_banks else banks
    return _rewritten(
        designs,
        sign * batch.pin_angles_deg[:, takes],
        banks[:, takes],
        sign * _fired_deg(batch)[:, takes],
        family,
    )


def _fired_deg(batch: Batch) -> np.ndarray:
    banks = np.broadcast_to(batch.banks, batch.pin_angles_deg.shape)
    return np.array(
        [
            firing_angles_deg(
                [float(batch.bank_angles_deg[c, b]) for b in banks[c]],
                batch.pin_angles_deg[c].tolist(),
                batch.firing_bits[c].tolist(),
            )
            for c in range(len(batch))
        ]
    )


def _rewritten(
    designs: Designs, pins: np.ndarray, banks: np.ndarray, fired: np.ndarray, family: Family
) -> Designs:
    """Return designs with these pins and banks whose firing angles are these, from cylinder 1."""
    cycle = family.engine.cycle_deg
    wanted = np.mod(fired - fired[:, :1] + 1e-7, cycle)  # what lies a hair below 0 is 0
    without = replace(
        designs.batch, pin_angles_deg=pins, banks=banks, firing_bits=np.zeros(pins.shape, np.int64)
    )
    bits = np.rint((wanted - _fired_deg(without)) / 360.0).astype(np.int64)
    return _with(designs, pin_angles_deg=pins, banks=banks, firing_bits=bits)


def _with(designs: Designs, **changed: Any) -> Designs:
    return replace(designs, batch=replace(designs.batch, **changed))


def _random_designs(island: Island, n: int, seed: int) -> Designs:
    rng = np.random.default_rng(seed)
    return island.genome.decode(rng.random((n, island.genome.n_genes)))


def _cases(attribute: str) -> list[Any]:
    return [name for name, case in CASES.items() if getattr(case, attribute)]


@pytest.mark.parametrize("name", CASES)
@given(seed=st.integers(0, 2**32 - 1), angle_deg=st.floats(-720, 720))
@few
def test_turning_the_crank_keeps_the_key(name: str, seed: int, angle_deg: float) -> None:
    island = ISLANDS[name]
    designs = _random_designs(island, 8, seed)
    assert (island.keys(turned(designs, angle_deg)) == island.keys(designs)).all()


@pytest.mark.parametrize("name", _cases("mirror"))
@given(seed=st.integers(0, 2**32 - 1))
@few
def test_motion_run_backward_keeps_the_key(name: str, seed: int) -> None:
    island = ISLANDS[name]
    designs = _random_designs(island, 8, seed)
    twins = twin(island.family, designs, mirror=True, reverse=False)
    assert (island.keys(twins) == island.keys(designs)).all()


@pytest.mark.parametrize("name", _cases("reverse"))
@given(seed=st.integers(0, 2**32 - 1))
@few
def test_end_for_end_keeps_the_key(name: str, seed: int) -> None:
    island = ISLANDS[name]
    designs = _random_designs(island, 8, seed)
    twins = twin(island.family, designs, mirror=False, reverse=True)
    assert (island.keys(twins) == island.keys(designs)).all()


@pytest.mark.parametrize("name", _cases("both"))
@given(seed=st.integers(0, 2**32 - 1))
@few
def test_backward_and_end_for_end_keeps_the_key(name: str, seed: int) -> None:
    island = ISLANDS[name]
    designs = _random_designs(island, 8, seed)
    twins = twin(island.family, designs, mirror=True, reverse=True)
    assert (island.keys(twins) == island.keys(designs)).all()


@pytest.mark.parametrize("name", CASES)
def test_what_shares_a_key_has_the_same_metrics(name: str) -> None:
    # A key may only merge what no active metric tells apart. Designs and their twins are scored;
    # tolerance on the scale of the largest value: round-off of sums of some ten terms in another
    # order, and for peaks, which are read off samples by a parabola, 1e-5. Left out: two shares
    # that depend on the naming of cylinders that fire together.
    island, case = ISLANDS[name], CASES[name]
    designs = _random_designs(island, 300, 5)
    designs = _with(designs, collectors=designs.batch.banks)
    twins = [turned(designs, 77.7)]
    if case.mirror:
        twins.append(twin(island.family, designs, mirror=True, reverse=False))
    if case.reverse:
        twins.append(twin(island.family, designs, mirror=False, reverse=True))
    if case.both:
        twins.append(twin(island.family, designs, mirror=True, reverse=True))
    # Gas torque, loads and torsion know the sense of time, and say so in `keeps`.
    left_out = {"neighbour_firing_share", "bank_alternation_share", *SHAFT_METRICS}
    keys = [k for k in METRICS if k not in left_out]
    before = score(island.family.engine, designs.batch, keys)
    scale = np.abs(before).max(axis=0) + 1e-9
    tolerance = np.array([1e-5 if "peak" in key else 1e-9 for key in keys])
    for other in twins:
        same_collectors = _with(other, collectors=other.batch.banks).batch
        after = score(island.family.engine, same_collectors, keys)
        worst = np.abs((after - before) / scale).max(axis=0)
        assert (worst <= tolerance).all(), dict(zip(keys, worst.tolist(), strict=True))


def _pairs_of(island: Island, symmetries: tuple[str, ...], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return for all pairs of random designs: whether keys are equal, and whether they are one."""
    designs = _random_designs(island, n, 11)
    keys = island.keys(designs)
    plain = plain_designs(island.family.engine, designs.batch)
    names = [design.name(symmetries) for design in plain]
    numbers = np.array([names.index(name) for name in names])
    return keys[:, None] == keys, numbers[:, None] == numbers


# On a coarse lattice chance makes enough twins: at least 100 pairs beside each with itself.
COARSE = {
    "in-line 3": ({"space": {"cylinders": [3], "throw_angle_step_deg": 90.0}}, "in-line 3"),
    "in-line 4 two-stroke": (
        {"engine": {"cycle_strokes": 2}, "space": {"throw_angle_step_deg": 60.0}},
        "in-line 4",
    ),
    "V4 shared": (_space("v", 4, throw_angle_step_deg=60.0), "V4 shared"),
    "V4 split": (_space("v", 4, "split", throw_angle_step_deg=45.0), "V4 split"),
    "V4 own-web": (
        _space("v", 4, "own-web", throw_angle_step_deg=120.0, bank_angle_deg=[60.0]),
        "V4 own-web",
    ),
    "V3 own-web": (_space("v", 3, "own-web", throw_angle_step_deg=60.0), "V3 own-web"),
    "V3 own-main": (_space("v", 3, "own-main", throw_angle_step_deg=60.0), "V3 own-main"),
}


@pytest.mark.parametrize(
    "name",
    [name for name in COARSE],
)
def test_keys_are_equal_exactly_for_twins(name: str) -> None:
    tables, family = COARSE[name]
    study = small_study(**tables)
    same_key, same_design = _pairs_of(
        Island(study, named_family(study, family)), ("mirror", "reverse"), 1200
    )
    assert np.triu(same_design, 1).sum() >= 100, "too few twins to prove anything"
    assert (same_key == same_design).all()


@pytest.mark.parametrize(
    ("tables", "symmetries"),
    [
        pytest.param(
            {"proportions": {"pin_path_offset_to_crank_radius": 0.2}},
            ("reverse",),
            id="offset pin path",
        ),
        pytest.param({"exhaust": {"collectors": {"3": [["1"], ["2", "3"]]}}}, (), id="collectors"),
    ],
)
def test_broken_symmetries_keep_designs_apart(
    tables: dict[str, Any], symmetries: tuple[str, ...]
) -> None:
    # An offset path moves the pistons differently when the motion runs backward; given collectors
    # name cylinders by their place, so that no symmetry is left.
    space = {"space": {"cylinders": [3], "throw_angle_step_deg": 90.0}}
    study = small_study(**space, **tables)
    same_key, same_design = _pairs_of(
        Island(study, named_family(study, "in-line 3")), symmetries, 600
    )
    assert np.triu(same_design, 1).sum() >= 100, "too few twins to prove anything"
    assert (same_key == same_design).all()


def test_given_collectors_tell_end_for_end_twins_apart() -> None:
    # 1 and 2 joined, 3 and 4 joined against 1 and 3, 2 and 4: after turning end for end the same
    # lists name other pulses. Two designs that are twins but for that have different overlap.
    name = "in-line 4 with given collectors"
    island = ISLANDS[name]
    designs = _random_designs(island, 200, 3)
    twins = twin(island.family, designs, mirror=False, reverse=True)
    there_and_back = twin(island.family, twins, mirror=False, reverse=True)
    keys, twin_keys = island.keys(designs), island.keys(twins)
    is_own_twin = np.array(
        [
            one.written(is_mirrored=False, is_reversed=False)
            == one.written(is_mirrored=False, is_reversed=True)
            for one in plain_designs(island.family.engine, designs.batch)
        ]
    )
    assert not is_own_twin.all()
    assert ((keys == twin_keys) == is_own_twin).all()
    assert (island.keys(there_and_back) == keys).all()


def _one_metric_study(monkeypatch: pytest.MonkeyPatch, keeps: frozenset[str]) -> Study:
    """Return a study whose only objective claims to keep just these symmetries."""
    changed = replace(METRICS["force_rms_N"], keeps=keeps)
    monkeypatch.setitem(METRICS, "force_rms_N", changed)
    return small_study(
        space={"cylinders": [3], "throw_angle_step_deg": 90.0},
        objectives=metrics(("force_rms_N", 50.0)),
    )


@pytest.mark.parametrize(
    "keeps",
    [
        frozenset(),
        frozenset({"reverse"}),
        frozenset({"mirror"}),
    ],
)
def test_only_symmetries_that_every_active_metric_has_count(
    monkeypatch: pytest.MonkeyPatch, keeps: frozenset[str]
) -> None:
    study = _one_metric_study(monkeypatch, keeps)
    same_key, same_design = _pairs_of(
        Island(study, named_family(study, "in-line 3")), tuple(keeps), 600
    )
    assert np.triu(same_design, 1).sum() >= 100, "too few twins to prove anything"
    assert (same_key == same_design).all()


def test_fraction_shafts_and_bank_angle_are_part_of_the_design() -> None:
    study = small_study(
        **_space(
            "v",
            2,
            reciprocating_fraction=[0.0, 0.5],
            throw_angle_step_deg=180.0,
        )
    )
    island = Island(study, named_family(study, "V2 shared"))
    designs = _random_designs(island, 400, 2)
    batch = designs.batch
    # One throw: what is left is the second cylinder's turn, two angles, two fractions, one shaft.
    assert len(set(island.keys(designs).tolist())) == 2 * 2 * 2 * 2
    seen = {
        (b, a, f, s)
        for b, a, f, s in zip(
            batch.firing_bits[:, 1].tolist(),
            batch.bank_angles_deg[:, 1].tolist(),
            batch.reciprocating_fraction.tolist(),
            batch.shaft_fractions[:, 0].tolist(),
            strict=True,
        )
    }
    assert len(seen) == 2 * 2 * 2 * 2
