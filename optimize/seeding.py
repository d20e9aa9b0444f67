"""First populations: chance, and for free spaces the evenly firing cranks that lie near."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.random import Generator

from evaluate.batch import FloatArray
from optimize import operators
from optimize.encoding import encoded
from optimize.families import Family, all_families
from optimize.genome import Designs, Genome, genome_of

EVEN_SHARE = 0.5  # of a first population that starts from evenly firing cranks


def first_genomes(
    genome: Genome, n: int, rng: Generator, starts: Designs | None = None
) -> FloatArray:
    """Return the first population, shape (n, genes).

    In a free space with many cylinders hardly any random crank keeps its firing intervals within
    the limit, so half of the population is taken from the evenly firing space and put on the
    nearest lattice points.

    Parameters
    ----------
    genome : Genome
        The genes of the family.
    n : int
        Size of the population.
    rng : Generator
        Source of chance; what it gives does not depend on `starts`.
    starts : Designs or None
        Designs of the same family that come first, on the nearest points of the space; where
        there are more than n, every so many-th of them.
    """
    genomes = operators.sample(genome, n, rng)
    even = _even_genome(genome)
    if even is not None:
        count = int(EVEN_SHARE * n)
        designs = even.decode(operators.sample(even, count, rng))
        near = encoded(genome, designs, genomes[:count], keep=("fraction", "shafts"))
        genomes = np.concatenate([near, genomes[count:]])
    if starts is None or not len(starts.batch):
        return genomes
    rows = np.unique(np.linspace(0, len(starts.batch) - 1, n).round().astype(np.int64))
    chosen = Designs(batch=starts.batch.rows(rows), splay_deg=starts.splay_deg[rows])
    first = encoded(genome, chosen, genomes[: len(rows)])
    return np.concatenate([first, genomes])[:n]


def _even_genome(genome: Genome) -> Genome | None:
    """Return the evenly firing genome of the same family, None if there is none."""
    study = genome.study
    if study.even_firing:
        return None
    even_study = replace(study, even_firing=True, bounds=())
    families: list[Family] = []
    try:
        families, _ = all_families(even_study)
    except ValueError:
        return None
    same = [family for family in families if family.name == genome.family.name]
    return genome_of(even_study, same[0]) if same else None
