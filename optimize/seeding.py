"""First populations: chance, and for free spaces the evenly firing cranks that lie near."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.random import Generator

from evaluate.batch import FloatArray
from optimize import operators
from optimize.families import Family, all_families, splay_limit_deg
from optimize.genome import (
    Designs,
    Genome,
    Segment,
    genome_of,
    lattice_angles_deg,
    lattice_splays_deg,
    throw_angles_deg,
)

EVEN_SHARE = 0.5  # of a first population that starts from evenly firing cranks


def first_genomes(genome: Genome, n: int, rng: Generator) -> FloatArray:
    """Return the first population, shape (n, genes).

    In a free space with many cylinders hardly any random crank keeps its firing intervals within
    the limit, so half of the population is taken from the evenly firing space and put on the
    nearest lattice points.
    """
    genomes = operators.sample(genome, n, rng)
    even = _even_genome(genome)
    if even is None:
        return genomes
    count = int(EVEN_SHARE * n)
    designs = even.decode(operators.sample(even, count, rng))
    return np.concatenate([_encoded(genome, designs, genomes[:count]), genomes[count:]])


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


def _encoded(genome: Genome, designs: Designs, background: FloatArray) -> FloatArray:
    """Return genomes that decode to the designs or their nearest neighbours on the lattice.

    Parameters
    ----------
    genome : Genome
        Of the free space.
    designs : Designs
        Evenly firing ones of the same family.
    background : array, shape (candidates, genes)
        Genes for what the designs do not fix.
    """
    encoded, batch = background.copy(), designs.batch
    for segment in genome.segments:
        columns = slice(segment.start, segment.stop)
        if segment.name == "throw_angles":
            angles_deg = throw_angles_deg(genome.family, batch)
            if genome.family.pins == "split":
                angles_deg = angles_deg[:, ::2]
            count = segment.stop - segment.start
            encoded[:, columns] = _angle_genes(genome, segment, angles_deg[:, 1 : 1 + count])
        elif segment.name == "firing_bits":
            encoded[:, columns] = (batch.firing_bits[:, 1:] + 0.5) / 2
        elif segment.name == "splay":
            encoded[:, columns] = _splay_genes(genome, segment, designs)[:, np.newaxis]
        elif segment.name == "bank_angle":
            bank_deg = 2 * batch.bank_angles_deg[:, -1]
            encoded[:, columns] = _choice_genes(genome, segment, bank_deg)[:, np.newaxis]
        elif segment.name == "bank_keys":
            noise = background[:, columns]
            encoded[:, columns] = np.minimum((batch.banks + noise) / 2, 1 - 1e-9)
    return encoded


def _angle_genes(genome: Genome, segment: Segment, angles_deg: FloatArray) -> FloatArray:
    """Return angle genes: the middle of the nearest cell on a lattice, else the value itself."""
    if not segment.options:
        return angles_deg / 360 % 1.0
    lattice_deg = lattice_angles_deg(genome.study, genome.family)
    apart_deg = np.abs((angles_deg[..., np.newaxis] - lattice_deg + 180) % 360 - 180)
    cells: FloatArray = apart_deg.argmin(axis=-1) + 0.5
    return cells / segment.options


def _splay_genes(genome: Genome, segment: Segment, designs: Designs) -> FloatArray:
    if segment.options:
        splays = lattice_splays_deg(genome.study, genome.family)
        distance_deg = np.abs(designs.splay_deg[:, np.newaxis] - splays)
        cell: FloatArray = distance_deg.argmin(axis=1) + 0.5
        return cell / segment.options
    limit_deg = splay_limit_deg(genome.study, genome.family.engine)
    genes: FloatArray = np.clip((designs.splay_deg / limit_deg + 1) / 2, 0, 1 - 1e-9)
    return genes


def _choice_genes(genome: Genome, segment: Segment, bank_deg: FloatArray) -> FloatArray:
    choice = genome.study.bank_angle_deg
    if choice.is_range:
        span_deg = choice.high - choice.low
        genes: FloatArray = np.clip((bank_deg - choice.low) / span_deg, 0, 1 - 1e-9)
        return genes
    distance_deg = np.abs(bank_deg[:, np.newaxis] - np.array(choice.values))
    cell: FloatArray = distance_deg.argmin(axis=1) + 0.5
    return cell / segment.options
