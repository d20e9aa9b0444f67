"""Sampling, crossover and mutation: pure functions on whole populations, by kind of gene."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.random import Generator

from evaluate.batch import FloatArray, IntArray
from optimize.genome import Genome, Segment, value_of

RESET_SHARE = 0.3  # of mutations that draw afresh instead of moving to a neighbour
MORE_MUTATIONS = 0.5  # genes mutated in a child on average, on top of the one that always is
SWAP_RATE = 0.3  # children in which two throws change places, with all that belongs to them
STAY_SHARE = 0.5  # of these, where banks are free, that leave the banks where they are
TURN_RATE = 0.15  # children in which several throws are turned by one angle
_BELOW_ONE = np.nextafter(1.0, 0.0)


def sample(genome: Genome, n: int, rng: Generator) -> FloatArray:
    """Return random genomes, shape (n, genes)."""
    return rng.random((n, genome.n_genes))


def crossover(
    genome: Genome, first: FloatArray, second: FloatArray, rng: Generator, *, share: float = 1.0
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
    share : float
        Of the pairs, that exchange anything; the children of the others are their parents.

    Notes
    -----
    Every gene is exchanged with probability 1/2. Continuous genes are then blended half of the
    time: angles along the shorter arc, numbers along the straight line, a little beyond the
    parents. Lattice angles, bits, slots and ranks are never blended.
    """
    crossed = rng.random((len(first), 1)) < share
    exchanged = crossed & (rng.random(first.shape) < 0.5)
    one = np.where(exchanged, second, first)
    two = np.where(exchanged, first, second)
    for segment in genome.segments:
        if segment.options or segment.kind not in ("angle", "real"):
            continue
        columns = slice(segment.start, segment.stop)
        gap = two[:, columns] - one[:, columns]
        if segment.kind == "angle":
            gap = (gap + 0.5) % 1 - 0.5
        blended = crossed & (rng.random(gap.shape) < 0.5)
        part = np.where(blended, rng.uniform(-0.25, 0.5, gap.shape), 0.0)
        one[:, columns] = _into_range(segment, one[:, columns] + part * gap)
        two[:, columns] = _into_range(segment, two[:, columns] - part * gap)
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
    hits = rng.random(genomes.shape) < min(0.5, MORE_MUTATIONS / genome.n_genes)
    hits[np.arange(len(genomes)), rng.integers(0, genome.n_genes, len(genomes))] = True
    for segment in genome.segments:
        columns = slice(segment.start, segment.stop)
        old = mutated[:, columns]
        hit = hits[:, columns]
        if segment.kind == "key":
            mutated[:, columns] = _swapped_keys(old, hit, rng)
            continue
        reset = (rng.random(old.shape) < RESET_SHARE) | (segment.kind == "pick")
        moved = np.where(reset, rng.random(old.shape), _neighbours(segment, old, rng))
        mutated[:, columns] = np.where(hit, moved, old)
    return _swap_cylinders(genome, mutated, rng)


def turn_together(genome: Genome, genomes: FloatArray, rng: Generator) -> FloatArray:
    """Return genomes of which some have several throws turned by one angle.

    What cancels between the throws of a group, such as three at 120 degrees, still does when the
    group is turned against the rest; throw by throw the way there leads through worse cranks.

    Parameters
    ----------
    genome : Genome
        Says which gene is of which kind.
    genomes : array, shape (candidates, genes)
        Changed in place.
    rng : Generator
        Source of chance.
    """
    angles = next((s for s in genome.segments if s.name == "throw_angles"), None)
    if angles is None or angles.stop - angles.start < 2:
        return genomes
    rows = np.flatnonzero(rng.random(len(genomes)) < TURN_RATE)
    columns = slice(angles.start, angles.stop)
    old = genomes[rows, columns]
    turned = rng.random(old.shape) < 0.5
    far = rng.random((len(rows), 1))
    if angles.options:
        far = np.floor(far * angles.options) / angles.options
    genomes[rows, columns] = _into_range(angles, np.where(turned, old + far, old))
    return genomes


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


def _swap_cylinders(genome: Genome, genomes: FloatArray, rng: Generator) -> FloatArray:
    """Return genomes of which some have two cylinders, or pairs, in each other's place.

    Forces and firing only depend on which cylinders there are, couples on their places along the
    crank: exchanging angles, firing bits and banks searches the second without losing the first.
    Where the search assigns the banks, half of the cylinders stay on theirs and only their firing
    angles change places. The first throw, from which angles count, stays.
    """
    columns = _exchanged_columns(genome)
    count = len(columns)
    if count < 2:
        return genomes
    rows = np.flatnonzero(rng.random(len(genomes)) < SWAP_RATE)
    places = np.argsort(rng.random((len(rows), count)), axis=1)[:, :2]
    names = {segment.name for segment in genome.segments}
    assigns_banks = {"throw_angles", "bank_keys"} <= names and not genome.study.mirror_symmetric
    stays = np.full(len(rows), assigns_banks) & (rng.random(len(rows)) < STAY_SHARE)
    if assigns_banks:
        _turn_to_banks(genome, genomes, rows[stays], places[stays])
        _exchange(genomes, rows[~stays], columns[places[~stays], -1])  # the keys of the banks
        columns = columns[:, :-1]
    for offset in range(columns.shape[1]):
        _exchange(genomes, rows, columns[places, offset])
    return genomes


def _turn_to_banks(genome: Genome, genomes: FloatArray, rows: IntArray, places: IntArray) -> None:
    """Turn two throws that are about to change places so that each fires as the other did.

    A cylinder that stays on its bank reaches its dead centre when that of the other bank did if
    its throw stands further by the angle between the banks.
    """
    angles = genome.segment("throw_angles")
    family, chosen = genome.family, genomes[rows]
    keys = genome.genes(chosen, "bank_keys")
    upper = np.argsort(np.argsort(keys, axis=1), axis=1) >= (family.cylinders + 1) // 2
    bank_deg = (
        np.full(len(rows), 180.0)
        if family.arrangement == "opposed"
        else value_of(genome.study.bank_angle_deg, genome.genes(chosen, "bank_angle"), len(rows))
    )
    one, two = (np.take_along_axis(upper, places[:, [k]] + 1, axis=1)[:, 0] for k in (0, 1))
    further = bank_deg / 360 * (two.astype(float) - one)  # of what comes to the second place
    for place, sign in ((0, 1.0), (1, -1.0)):
        columns = angles.start + places[:, place]
        genomes[rows, columns] = _into_range(angles, genomes[rows, columns] + sign * further)


@lru_cache(maxsize=64)
def _columns_of(segments: tuple[Segment, ...], is_paired: bool, is_mirrored: bool) -> IntArray:
    """Return the genes of each throw but the first, shape (throws, genes of one)."""
    known = {segment.name: segment for segment in segments}
    lead = known.get("throw_angles", known.get("throw_keys"))
    if lead is None:
        return np.zeros((0, 0), np.int64)
    first = 0 if lead.name == "throw_angles" else 1
    count = lead.stop - lead.start - first
    throws = np.arange(count)
    columns = [lead.start + first + throws]
    for name in ("firing_bits", "turn_keys", "bank_keys"):
        if name not in known or is_mirrored:
            continue
        # Bits begin with the second cylinder, keys with the first.
        start = known[name].start - (1 if name == "firing_bits" else 0)
        if is_paired:  # throw t drives cylinders 2t and 2t + 1
            columns += [start + 2 * (throws + 1), start + 2 * (throws + 1) + 1]
        else:
            columns.append(start + throws + 1)
    return np.stack(columns, axis=1)


def _exchanged_columns(genome: Genome) -> IntArray:
    return _columns_of(genome.segments, genome.family.is_paired, genome.study.mirror_symmetric)


def _exchange(genomes: FloatArray, rows: np.ndarray, columns: np.ndarray) -> None:
    one, two = columns.T
    genomes[rows, one], genomes[rows, two] = genomes[rows, two], genomes[rows, one]
