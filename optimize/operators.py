"""Sampling, crossover and mutation: pure functions on whole populations, by kind of gene."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from evaluate.batch import FloatArray
from optimize.genome import Genome, Segment

RESET_SHARE = 0.3  # of mutations that draw afresh instead of moving to a neighbour
SWAP_RATE = 0.3  # children in which two throws change places
_BELOW_ONE = np.nextafter(1.0, 0.0)


def sample(genome: Genome, n: int, rng: Generator) -> FloatArray:
    """Return random genomes, shape (n, genes)."""
    return rng.random((n, genome.n_genes))


def crossover(
    genome: Genome, first: FloatArray, second: FloatArray, rng: Generator
) -> tuple[FloatArray, FloatArray]:
    """Return two children of each pair of parents.

    Parameters
    ----------
    genome : Genome
        Says which gene is of which kind.
    first, second : array, shape (pairs, genes)
        Parents.
    rng : Generator
        Source of chance.

    Notes
    -----
    Every gene is exchanged with probability 1/2. Continuous genes are then blended half of the
    time: angles along the shorter arc, numbers along the straight line, a little beyond the
    parents. Lattice angles, bits, slots and ranks are never blended.
    """
    exchanged = rng.random(first.shape) < 0.5
    one = np.where(exchanged, second, first)
    two = np.where(exchanged, first, second)
    for segment in genome.segments:
        if segment.options or segment.kind not in ("angle", "real"):
            continue
        columns = slice(segment.start, segment.stop)
        gap = two[:, columns] - one[:, columns]
        if segment.kind == "angle":
            gap = (gap + 0.5) % 1 - 0.5
        blended = rng.random(gap.shape) < 0.5
        share = np.where(blended, rng.uniform(-0.25, 0.5, gap.shape), 0.0)
        one[:, columns] = _into_range(segment, one[:, columns] + share * gap)
        two[:, columns] = _into_range(segment, two[:, columns] - share * gap)
    return one, two


def mutate(genome: Genome, genomes: FloatArray, rng: Generator) -> FloatArray:
    """Return mutated copies: about one or two genes each, moved or drawn afresh by their kind.

    Parameters
    ----------
    genome : Genome
        Says which gene is of which kind.
    genomes : array, shape (candidates, genes)
        To be mutated; left as they are.
    rng : Generator
        Source of chance.
    """
    mutated = genomes.copy()
    rate = min(0.5, 1.5 / genome.n_genes)
    for segment in genome.segments:
        columns = slice(segment.start, segment.stop)
        old = mutated[:, columns]
        hit = rng.random(old.shape) < rate
        if segment.kind == "key":
            mutated[:, columns] = _swapped_keys(old, hit, rng)
            continue
        reset = (rng.random(old.shape) < RESET_SHARE) | (segment.kind == "pick")
        moved = np.where(reset, rng.random(old.shape), _neighbours(segment, old, rng))
        mutated[:, columns] = np.where(hit, moved, old)
    return _swap_throws(genome, mutated, rng)


def _neighbours(segment: Segment, genes: FloatArray, rng: Generator) -> FloatArray:
    """Return genes a little off: one to three cells, or a distance drawn over three decades."""
    sign = np.where(rng.random(genes.shape) < 0.5, -1.0, 1.0)
    if segment.options:
        distance = rng.integers(1, 4, genes.shape) / segment.options
    else:
        distance = 0.25 * 10 ** (-3 * rng.random(genes.shape))
    return _into_range(segment, genes + sign * distance)


def _into_range(segment: Segment, genes: FloatArray) -> FloatArray:
    if segment.kind == "angle":
        return np.minimum(genes % 1.0, _BELOW_ONE)
    return np.clip(genes, 0.0, _BELOW_ONE)


def _swapped_keys(keys: FloatArray, hit: np.ndarray, rng: Generator) -> FloatArray:
    """Return keys of which each hit one has changed places with another of its segment."""
    keys = keys.copy()
    rows = np.arange(len(keys))
    for column in range(keys.shape[1]):
        partner = rng.integers(0, keys.shape[1], len(keys))
        changed = np.flatnonzero(hit[:, column])
        here, there = rows[changed], partner[changed]
        keys[here, column], keys[here, there] = keys[here, there], keys[here, column]
    return keys


def _swap_throws(genome: Genome, genomes: FloatArray, rng: Generator) -> FloatArray:
    """Return genomes of which some have two throws (angles and firing bits) in each other's place.

    Forces and firing only depend on which angles there are, couples on their places along the
    crank: exchanging throws searches the second without losing the first.
    """
    names = [segment.name for segment in genome.segments]
    if "throw_angles" not in names:
        return genomes
    angles = genome.segment("throw_angles")
    count = angles.stop - angles.start
    if count < 2:
        return genomes
    rows = np.flatnonzero(rng.random(len(genomes)) < SWAP_RATE)
    places = np.argsort(rng.random((len(rows), count)), axis=1)[:, :2]
    _exchange(genomes, rows, angles.start + places)
    if "firing_bits" in names and not genome.study.mirror_symmetric:
        bits = genome.segment("firing_bits")
        if genome.family.is_paired:  # throw t >= 1 drives cylinders 2t and 2t + 1, bits 2t - 1, 2t
            for offset in (0, 1):
                _exchange(genomes, rows, bits.start + 1 + 2 * places + offset)
        else:
            _exchange(genomes, rows, bits.start + places)
    return genomes


def _exchange(genomes: FloatArray, rows: np.ndarray, columns: np.ndarray) -> None:
    one, two = columns.T
    genomes[rows, one], genomes[rows, two] = genomes[rows, two], genomes[rows, one]
