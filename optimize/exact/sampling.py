"""Chance against a front: random designs of which none may be better than every member."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import Generator, default_rng
from numpy.typing import NDArray

from evaluate import firing
from evaluate.batch import SLOTS, FloatArray, IntArray
from evaluate.metrics import METRICS
from optimize import operators
from optimize.archive import non_dominated, rounded_boxes
from optimize.encoding import encoded
from optimize.exact.certificate import boxes_of_rows
from optimize.genome import Designs, throw_angles_deg
from optimize.problem import Island
from optimize.starts import designs_of

#: Last part of the seed: no search has it, whose draws would be the same.
_STREAM = 1_000_000
_BLOCK = 4096  # candidates judged at a time
_COMPARED = 512  # candidates compared with all members at a time
MOST_SHOWN = 5  # counterexamples of a family that are written out


@dataclass(frozen=True, kw_only=True, slots=True)
class FamilySample:
    """What chance found in one family.

    Attributes
    ----------
    family : str
        Its name.
    drawn, feasible, beyond : int
        Candidates drawn, feasible ones, and those that no member dominates or equals.
    counterexamples : tuple of dict
        The best of the last, at most `MOST_SHOWN`, JSON-ready.
    """

    family: str
    drawn: int
    feasible: int
    beyond: int
    counterexamples: tuple[dict[str, Any], ...]


def sample_family(island: Island, rows: pd.DataFrame, *, n: int, seed: int) -> FamilySample:
    """Return what a random sample of a family says of its front.

    Parameters
    ----------
    island : Island
        The family under its study.
    rows : DataFrame
        Members of the family's own front; may be empty.
    n : int
        Candidates to draw: half of them anywhere, half by mutation, as in a search, of front
        members (where there are none, of the best of the first half).
    seed : int
        Of the generator.

    Returns
    -------
    FamilySample
    """
    # By name, so that a family's sample does not depend on which others the study has.
    rng = default_rng((seed, *island.family.name.encode(), _STREAM))
    members = boxes_of_rows(rows, island.study)
    anywhere = rng.random((n - n // 2, island.genome.n_genes))
    first = _judged(island, anywhere)
    parents = _parents(island, rows, anywhere, first, rng)
    near = _neighbours(island, parents, n // 2, rng)
    second = _judged(island, near)
    genomes = np.concatenate([anywhere, near])
    boxes, is_feasible = (np.concatenate(pair) for pair in zip(first, second, strict=True))
    beyond = np.flatnonzero(is_feasible)
    beyond = beyond[~is_covered(boxes[beyond], members)]
    return FamilySample(
        family=island.family.name,
        drawn=n,
        feasible=int(is_feasible.sum()),
        beyond=len(beyond),
        counterexamples=_counterexamples(island, genomes[beyond], boxes[beyond]),
    )


def is_covered(boxes: IntArray, members: IntArray) -> NDArray[np.bool_]:
    """Return which boxes some member dominates or equals, shape (boxes,)."""
    covered = np.zeros(len(boxes), bool)
    for start in range(0, len(boxes), _COMPARED):
        block = slice(start, start + _COMPARED)
        is_as_good: NDArray[np.bool_] = members[np.newaxis] <= boxes[block, np.newaxis]
        covered[block] = np.any(np.all(is_as_good, axis=2), axis=1)
    return covered


def _judged(island: Island, genomes: FloatArray) -> tuple[IntArray, NDArray[np.bool_]]:
    """Return boxes and whether each candidate is feasible."""
    resolutions = np.array([o.resolution for o in island.study.objectives])
    boxes = np.zeros((len(genomes), len(resolutions)), np.int64)
    is_feasible = np.zeros(len(genomes), bool)
    for start in range(0, len(genomes), _BLOCK):
        block = slice(start, start + _BLOCK)
        objectives, violations = island.score(genomes[block])
        boxes[block] = rounded_boxes(objectives, resolutions)
        is_feasible[block] = (violations <= 0).all(axis=1)
    return boxes, is_feasible


def _parents(
    island: Island,
    rows: pd.DataFrame,
    genomes: FloatArray,
    judged: tuple[IntArray, NDArray[np.bool_]],
    rng: Generator,
) -> FloatArray:
    """Return genomes near which to look: front members, or the best of those drawn."""
    if len(rows):
        background = rng.random((len(rows), island.genome.n_genes))
        return encoded(island.genome, designs_of(rows), background)
    boxes, is_feasible = judged
    feasible = np.flatnonzero(is_feasible)
    return genomes[feasible[non_dominated(boxes[feasible])]]


def _neighbours(island: Island, parents: FloatArray, n: int, rng: Generator) -> FloatArray:
    if not len(parents):
        return rng.random((n, island.genome.n_genes))
    return operators.mutate(island.genome, parents[rng.integers(0, len(parents), n)], rng)


def _counterexamples(
    island: Island, genomes: FloatArray, boxes: IntArray
) -> tuple[dict[str, Any], ...]:
    """Return the best of the designs that no member covers, each rounded vector once."""
    best = np.flatnonzero(non_dominated(boxes))
    _, first = np.unique(boxes[best], axis=0, return_index=True)
    chosen = np.sort(best[first])[:MOST_SHOWN]
    if not len(chosen):
        return ()
    return tuple(_described(island, island.genome.decode(genomes[[i]])) for i in chosen)


def _described(island: Island, designs: Designs) -> dict[str, Any]:
    """Return one design as plain values."""
    batch = designs.batch
    objectives = island.judge(designs)[0][0]
    values = {
        o.key: float(o.sign * value)
        for o, value in zip(island.study.objectives, objectives, strict=True)
    }
    shafts = [s.name for s, share in zip(SLOTS, batch.shaft_fractions[0], strict=True) if share]
    return {
        "family": island.family.name,
        "bank_angle_deg": float(np.ptp(batch.bank_angles_deg[0])),
        "throw_angles_deg": throw_angles_deg(island.family, batch)[0].tolist(),
        "cylinder_banks": (batch.banks[0] + 1).tolist(),
        "firing_angles_deg": firing.firing_angles_deg(batch)[0].tolist(),
        "shafts": shafts,
        "reciprocating_fraction": float(batch.reciprocating_fraction[0]),
        "values": values,
        "units": {key: METRICS[key].unit for key in values},
    }
