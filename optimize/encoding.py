"""Genomes for given designs: the way back from candidates to genes, for both decoders."""

from __future__ import annotations

from collections.abc import Callable, Collection

import numpy as np

from evaluate import firing
from evaluate.batch import SLOTS, FloatArray, IntArray
from optimize.families import firing_grid, splay_limit_deg
from optimize.genome import (
    Designs,
    Genome,
    Segment,
    lattice_angles_deg,
    lattice_splays_deg,
    throw_angles_deg,
)
from optimize.study import Choice

_MOST = 1 - 1e-9  # of a gene for the upper end of a range of degrees
_BELOW_ONE = float(np.nextafter(1.0, 0.0))


def encoded(
    genome: Genome, designs: Designs, background: FloatArray, *, keep: Collection[str] = ()
) -> FloatArray:
    """Return genomes that decode to the designs, or to their nearest neighbours in the space.

    Parameters
    ----------
    genome : Genome
        Of the space, free or even.
    designs : Designs
        Of the same family. Firing that is not even has no counterpart in an even space: its
        genome there is only near in some of the genes.
    background : array, shape (candidates, genes)
        Genes in [0, 1) for what the designs do not fix.
    keep : collection of str
        Names of segments whose genes stay as the background has them.

    Returns
    -------
    array, shape (candidates, genes)
    """
    genomes = background.copy()
    for segment in genome.segments:
        encoder = _ENCODERS.get(segment.name)
        if encoder is not None and segment.name not in keep:
            columns = slice(segment.start, segment.stop)
            genomes[:, columns] = encoder(genome, segment, designs, background[:, columns])
    return genomes


def _angle_genes(
    genome: Genome, segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    """Return angle genes: the middle of the nearest cell on a lattice, else the value itself."""
    angles_deg = throw_angles_deg(genome.family, designs.batch)
    if genome.family.pins == "split":
        angles_deg = angles_deg[:, ::2]
    count = segment.stop - segment.start
    angles_deg = (angles_deg - angles_deg[:, :1])[:, 1 : 1 + count]
    if not segment.options:
        return np.minimum(angles_deg / 360 % 1.0, _BELOW_ONE)
    lattice_deg = lattice_angles_deg(genome.study, genome.family)
    apart_deg = np.abs((angles_deg[..., np.newaxis] - lattice_deg + 180) % 360 - 180)
    cells: FloatArray = apart_deg.argmin(axis=-1) + 0.5
    return cells / segment.options


def _bit_genes(
    _genome: Genome, _segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    genes: FloatArray = (designs.batch.firing_bits[:, 1:] + 0.5) / 2
    return genes


def _splay_genes(
    genome: Genome, segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    if segment.options:
        splays_deg = lattice_splays_deg(genome.study, genome.family)
        return _nearest_cell(designs.splay_deg, splays_deg)
    limit_deg = splay_limit_deg(genome.study, genome.family.engine)
    genes: FloatArray = np.clip((designs.splay_deg / limit_deg + 1) / 2, 0, _MOST)
    return genes[:, np.newaxis]


def _bank_angle_genes(
    genome: Genome, _segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    bank_deg = 2 * designs.batch.bank_angles_deg[:, -1]
    return _choice_genes(genome.study.bank_angle_deg, bank_deg, most=_MOST)


def _fraction_genes(
    genome: Genome, _segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    fraction = designs.batch.reciprocating_fraction
    return _choice_genes(genome.study.reciprocating_fraction, fraction, most=_BELOW_ONE)


def _choice_genes(choice: Choice, values: FloatArray, *, most: float) -> FloatArray:
    """Return the gene of a listed or ranged value, shape (candidates, 1)."""
    if not choice.is_range:
        return _nearest_cell(values, np.array(choice.values))
    genes: FloatArray = np.clip((values - choice.low) / (choice.high - choice.low), 0, most)
    return genes[:, np.newaxis]


def _nearest_cell(values: FloatArray, options: FloatArray) -> FloatArray:
    """Return the middle of the cell of the nearest option, shape (candidates, 1)."""
    cells: FloatArray = np.abs(values[:, np.newaxis] - options).argmin(axis=1) + 0.5
    return (cells / len(options))[:, np.newaxis]


def _bank_key_genes(
    _genome: Genome, _segment: Segment, designs: Designs, background: FloatArray
) -> FloatArray:
    """Return keys of which the lower half belongs to the cylinders of the first bank."""
    genes: FloatArray = np.minimum((designs.batch.banks + background) / 2, _MOST)
    return genes


def _shaft_genes(
    genome: Genome, _segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    """Return the gene of the allowed set of shafts with the fewest differences."""
    subsets = genome.study.shaft_subsets
    table = np.zeros((len(subsets), len(SLOTS)))
    for row, subset in enumerate(subsets):
        table[row, list(subset)] = 1.0
    differences = np.abs(designs.batch.shaft_fractions[:, np.newaxis] - table).sum(axis=2)
    cells: FloatArray = differences.argmin(axis=1) + 0.5
    return (cells / len(subsets))[:, np.newaxis]


def _residues(genome: Genome, designs: Designs) -> IntArray:
    """Return the place of each cylinder on the firing grid, counted from the first cylinder's."""
    n_steps, _ = firing_grid(genome.family.cylinders, genome.study.cycle_deg)
    phases_deg = designs.batch.bank_axes_deg() - designs.batch.pin_angles_deg
    later_deg = phases_deg - phases_deg[:, :1]
    return np.rint(later_deg * n_steps / firing.TURN_DEG).astype(np.int64) % n_steps


def _nearest_fits(genome: Genome, designs: Designs) -> IntArray:
    """Return which bank angle and splay of those that fire evenly is nearest to each design's."""
    fits = genome.family.even_fits
    table_deg = np.array([(fit.bank_angle_deg, fit.splay_deg) for fit in fits])
    mine_deg = np.column_stack([2 * designs.batch.bank_angles_deg[:, -1], designs.splay_deg])
    apart_deg = np.abs(mine_deg[:, np.newaxis] - table_deg).sum(axis=2)
    nearest: IntArray = apart_deg.argmin(axis=1)
    return nearest


def _fit_genes(
    genome: Genome, segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    return ((_nearest_fits(genome, designs) + 0.5) / segment.options)[:, np.newaxis]


def _pattern_genes(
    genome: Genome, segment: Segment, designs: Designs, background: FloatArray
) -> FloatArray:
    """Return which pattern of first cylinders each cycle of grid places has.

    The inverse of `genome._paired_residues`: the count at a cycle's first place says whether
    its places are full and empty by turns (0), empty and full (1), or all half full (2).
    """
    n_steps, per_step = firing_grid(genome.family.cylinders, genome.study.cycle_deg)
    first = _residues(genome, designs)[:, ::2]
    counts = (first[:, :, np.newaxis] == np.arange(n_steps)).sum(axis=1)
    steps = np.array([fit.steps for fit in genome.family.even_fits])[_nearest_fits(genome, designs)]
    common = np.where(steps == 0, n_steps, np.gcd(steps, n_steps))
    cosets = min(segment.stop - segment.start, n_steps)
    genes = background.copy()
    begin = counts[:, :cosets]
    patterns = np.where(begin == per_step, 0, np.where(begin == 0, 1, 2))
    is_used = np.arange(cosets) < common[:, np.newaxis]
    genes[:, :cosets] = np.where(is_used, (patterns + 0.5) / segment.options, genes[:, :cosets])
    return genes


def _throw_key_genes(
    genome: Genome, segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    """Return keys whose ranks deal the grid's places out to the throws as the designs have them."""
    residues = _residues(genome, designs)
    if genome.family.is_paired:
        residues = residues[:, ::2]
    count = segment.stop - segment.start
    ranks = np.argsort(np.argsort(residues[:, :count], axis=1, kind="stable"), axis=1)
    genes: FloatArray = (ranks + 0.5) / count
    return genes


def _turn_key_genes(
    _genome: Genome, _segment: Segment, designs: Designs, _background: FloatArray
) -> FloatArray:
    """Return keys that are lower for the cylinders that fire in the first turn."""
    genes: FloatArray = (designs.batch.firing_bits + 0.5) / 2
    return genes


_Encoder = Callable[[Genome, Segment, Designs, FloatArray], FloatArray]
_ENCODERS: dict[str, _Encoder] = {
    "throw_angles": _angle_genes,
    "firing_bits": _bit_genes,
    "splay": _splay_genes,
    "bank_angle": _bank_angle_genes,
    "fraction": _fraction_genes,
    "bank_keys": _bank_key_genes,
    "shafts": _shaft_genes,
    "even_fit": _fit_genes,
    "even_pattern": _pattern_genes,
    "throw_keys": _throw_key_genes,
    "turn_keys": _turn_key_genes,
}
