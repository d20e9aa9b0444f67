"""Rearranging cylinders keeps what their firing makes together.

Reference: exchanging which cylinder fires when changes no interval between firings (a definition,
no source), so intervals and counts of a bank are compared before and after.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from evaluate import firing
from evaluate.batch import Batch, FloatArray
from optimize import operators
from optimize.genome import genome_of
from tests.optimize.small_studies import named_family, small_study


def _sorted_intervals_deg(batch: Batch, cycle_deg: float) -> FloatArray:
    rising_deg = np.sort(firing.firing_angles_deg(batch), axis=1)
    gaps_deg = np.diff(rising_deg, axis=1, append=rising_deg[:, :1] + cycle_deg)
    return np.sort(gaps_deg, axis=1)


@pytest.mark.parametrize("cycle_strokes", [2, 4])
@pytest.mark.parametrize("step_deg", [0.0, 30.0])
def test_in_line_engines_keep_their_intervals(cycle_strokes: int, step_deg: float) -> None:
    study = small_study(
        engine={"cycle_strokes": cycle_strokes},
        space={"cylinders": [5], "arrangements": ["in-line"], "throw_angle_step_deg": step_deg},
    )
    genome = genome_of(study, named_family(study, "in-line 5"))
    rng = np.random.default_rng(7)
    genomes = operators.sample(genome, 200, rng)
    changed = operators.rearrange(genome, genomes, rng)
    assert (changed != genomes).any(axis=1).mean() > 0.5, "hardly anything moved"
    before, after = (genome.decode(g).batch for g in (genomes, changed))
    np.testing.assert_allclose(  # angles go through genes of [0, 1): round-off of 360 degrees
        _sorted_intervals_deg(after, study.cycle_deg),
        _sorted_intervals_deg(before, study.cycle_deg),
        atol=1e-9,
    )


@pytest.mark.parametrize("pins", ["own-web", "own-main"])
def test_even_engines_stay_even_with_as_many_cylinders_a_bank(pins: str) -> None:
    tables: dict[str, Any] = {
        "space": {"cylinders": [6], "arrangements": ["v"], "pins": [pins]},
        "constraints": {"even_firing": True},
    }
    study = small_study(**tables)
    genome = genome_of(study, named_family(study, f"V6 {pins}"))
    rng = np.random.default_rng(8)
    genomes = operators.sample(genome, 200, rng)
    changed = operators.vary(genome, genomes, rng)
    batch = genome.decode(changed).batch
    np.testing.assert_allclose(_sorted_intervals_deg(batch, 720.0), 120.0, atol=1e-6)
    assert (batch.banks.sum(axis=1) == 3).all()
    again = operators.vary(genome, genomes, np.random.default_rng(9))
    same = operators.vary(genome, genomes, np.random.default_rng(9))
    np.testing.assert_array_equal(again, same)  # chance comes from the generator alone
