"""Genes for given designs: decoding them gives the designs back.

Definition tested: encoding is an inverse of decoding. Nothing outside is needed but the physics'
own angles, so equality is judged on the decoded arrays themselves: angles and splays to 1e-6 deg
(round-off of a division by 360, and the open upper end of a range, 1e-9 of it), whole numbers
exactly.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimize.encoding import encoded
from optimize.families import Family, all_families
from optimize.genome import Designs, Genome, genome_of
from optimize.study import Study
from tests.optimize.small_studies import named_family, small_study

ANGLE_DEG = 1e-6
COUNTS = [2, 3, 4, 5, 6, 8]
LISTED: dict[str, Any] = {
    "bank_angle_deg": [60.0, 72.0, 90.0],
    "reciprocating_fraction": [0.0, 0.5],
}
RANGED: dict[str, Any] = {
    "bank_angle_deg": {"from": 40.0, "to": 130.0},
    "reciprocating_fraction": {"from": 0.0, "to": 1.2},
}


def _study(*, step_deg: float, ranges: bool, strokes: int = 4, **constraints: bool) -> Study:
    return small_study(
        engine={"cycle_strokes": strokes},
        space={
            "cylinders": COUNTS,
            "arrangements": ["in-line", "v", "opposed"],
            "throw_angle_step_deg": step_deg,
            "add_even_firing_angles": step_deg == 30.0,
            "balance_shafts": {"slots": ["1 backward", "2 forward", "2 backward"], "at_most": 2},
            **(RANGED if ranges else LISTED),
        },
        constraints=constraints,
    )


def _assert_same(found: Designs, wanted: Designs) -> None:
    mine, theirs = found.batch, wanted.batch
    turned = (mine.pin_angles_deg - theirs.pin_angles_deg + 180) % 360 - 180
    np.testing.assert_allclose(turned, 0, atol=ANGLE_DEG)
    np.testing.assert_allclose(mine.bank_angles_deg, theirs.bank_angles_deg, atol=ANGLE_DEG)
    np.testing.assert_allclose(found.splay_deg, wanted.splay_deg, atol=ANGLE_DEG)
    np.testing.assert_array_equal(mine.banks, theirs.banks)
    np.testing.assert_array_equal(mine.firing_bits, theirs.firing_bits)
    np.testing.assert_array_equal(mine.shaft_fractions, theirs.shaft_fractions)
    np.testing.assert_array_equal(mine.collectors, theirs.collectors)
    np.testing.assert_allclose(
        mine.reciprocating_fraction, theirs.reciprocating_fraction, rtol=1e-12
    )


def _there_and_back(genome: Genome, seed: int) -> None:
    rng = np.random.default_rng(seed)
    designs = genome.decode(rng.random((40, genome.n_genes)))
    genomes = encoded(genome, designs, rng.random((40, genome.n_genes)))
    assert ((genomes >= 0) & (genomes < 1)).all()
    _assert_same(genome.decode(genomes), designs)


@pytest.mark.parametrize("strokes", [2, 4])
@pytest.mark.parametrize("mirror_symmetric", [False, True])
@pytest.mark.parametrize("ranges", [False, True])
@pytest.mark.parametrize("step_deg", [0.0, 15.0, 30.0])
def test_any_design_of_a_free_space_comes_back(
    step_deg: float, ranges: bool, mirror_symmetric: bool, strokes: int
) -> None:
    study = _study(
        step_deg=step_deg, ranges=ranges, strokes=strokes, mirror_symmetric=mirror_symmetric
    )
    families, _ = all_families(study)
    assert {family.pins for family in families} == {"", "shared", "split", "own-main", "own-web"}
    for family in families:
        _there_and_back(genome_of(study, family), seed=1)


@pytest.mark.parametrize("strokes", [2, 4])
@pytest.mark.parametrize("mirror_symmetric", [False, True])
@pytest.mark.parametrize("ranges", [False, True])
def test_any_design_of_an_even_space_comes_back(
    ranges: bool, mirror_symmetric: bool, strokes: int
) -> None:
    study = _study(
        step_deg=15.0,
        ranges=ranges,
        strokes=strokes,
        mirror_symmetric=mirror_symmetric,
        even_firing=True,
    )
    families, _ = all_families(study)
    assert {"shared", "split"} <= {family.pins for family in families}
    for family in families:
        _there_and_back(genome_of(study, family), seed=2)


def _family_with(study: Study, name: str) -> tuple[Genome, Family]:
    family = named_family(study, name)
    return genome_of(study, family), family


def test_an_even_design_is_found_in_the_free_space_and_the_other_way_round() -> None:
    # 90-degree V8 with shared pins fires evenly: common practice, no source. On a 90-degree
    # lattice of free angles stand the same cranks as on the even grid.
    even_study = _study(step_deg=90.0, ranges=False, even_firing=True)
    even, _ = _family_with(even_study, "V8 shared")
    free, _ = _family_with(replace(even_study, even_firing=False), "V8 shared")
    rng = np.random.default_rng(3)
    designs = even.decode(rng.random((60, even.n_genes)))
    there = free.decode(encoded(free, designs, rng.random((60, free.n_genes))))
    _assert_same(there, designs)
    back = even.decode(encoded(even, there, rng.random((60, even.n_genes))))
    _assert_same(back, designs)


def test_what_is_off_the_lattice_goes_to_the_nearest_point() -> None:
    # 118 deg is nearer to 120 than to 90; 359 nearer to 0 (by the definition of nearest).
    fine = small_study(space={"throw_angle_step_deg": 0.0, "cylinders": [3]})
    coarse = small_study(space={"throw_angle_step_deg": 30.0, "cylinders": [3]})
    genome, _ = _family_with(fine, "in-line 3")
    onto, _ = _family_with(coarse, "in-line 3")
    genes = np.full((1, genome.n_genes), 0.25)
    genes[:, :2] = np.array([118.0, 359.0]) / 360
    moved = onto.decode(encoded(onto, genome.decode(genes), np.zeros((1, onto.n_genes))))
    np.testing.assert_allclose(moved.batch.pin_angles_deg, [[0.0, 120.0, 0.0]], atol=1e-9)


def test_segments_to_be_kept_stay_as_the_background_has_them() -> None:
    study = _study(step_deg=15.0, ranges=False)
    genome, _ = _family_with(study, "V4 own-main")
    rng = np.random.default_rng(4)
    designs, background = (
        genome.decode(rng.random((9, genome.n_genes))),
        rng.random((9, genome.n_genes)),
    )
    genomes = encoded(genome, designs, background, keep=("fraction", "shafts"))
    for name, same in (("fraction", True), ("shafts", True), ("throw_angles", False)):
        equal = np.array_equal(genome.genes(genomes, name), genome.genes(background, name))
        assert equal is same, name
