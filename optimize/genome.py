"""Genomes: flat vectors in [0, 1) that decode, whole batches at a time, into candidates.

Two decoders share all but the crank. *Free*: throw angles (on a lattice or continuous) and firing
bits are genes. *Even*: the firing grid is given, genes only say which cylinder takes which place,
so that every candidate fires evenly and throw angles follow from order and bank angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evaluate import exhaust, firing
from evaluate.batch import SLOTS, Batch, FloatArray, IntArray
from optimize.families import Family, firing_grid, splay_limit_deg
from optimize.study import Choice, Study

#: How genes vary. "angle": periodic; "step": one of `options` in a natural order; "pick": one of
#: `options` without order; "real": a bounded number; "key": rank within the segment counts.
KINDS = ("angle", "step", "pick", "real", "key")


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """Neighbouring genes of one meaning.

    Attributes
    ----------
    name : str
        Such as "throw_angles" or "firing_bits".
    kind : str
        One of `KINDS`.
    start, stop : int
        Columns of the genome.
    options : int
        Number of values of a step, a pick or a lattice angle; 0 for continuous ones.
    """

    name: str
    kind: str
    start: int
    stop: int
    options: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Designs:
    """Decoded candidates.

    Attributes
    ----------
    batch : Batch
        As `evaluate` wants them.
    splay_deg : array, shape (candidates,)
        Splay of split pins, 0 elsewhere. [deg]
    """

    batch: Batch
    splay_deg: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Genome:
    """The genes of one family and how they decode."""

    study: Study
    family: Family
    segments: tuple[Segment, ...]

    @property
    def n_genes(self) -> int:
        """Return the length of a genome."""
        return self.segments[-1].stop

    def genes(self, genomes: FloatArray, name: str) -> FloatArray:
        """Return the columns of one segment, shape (candidates, genes); no columns if absent."""
        for segment in self.segments:
            if segment.name == name:
                return genomes[:, segment.start : segment.stop]
        return genomes[:, :0]

    def segment(self, name: str) -> Segment:
        """Return a segment by its name."""
        return next(segment for segment in self.segments if segment.name == name)

    def decode(self, genomes: FloatArray) -> Designs:
        """Return the candidates that genomes stand for.

        Parameters
        ----------
        genomes : array, shape (candidates, genes)
            In [0, 1).

        Returns
        -------
        Designs
        """
        if self.study.even_firing:
            return _decode_even(self, genomes)
        return _decode_free(self, genomes)


def genome_of(study: Study, family: Family) -> Genome:
    """Return the genome of a family under a study."""
    n, engine = family.cylinders, family.engine
    n_angles = n // 2 if family.is_paired else engine.n_throws
    parts: list[tuple[str, str, int, int]] = []
    if study.even_firing:
        if family.is_paired:
            parts.append(("even_fit", "pick", 1, len(family.even_fits)))
            parts.append(("even_pattern", "pick", max(1, _most_cosets(study, family)), 3))
            parts.append(("throw_keys", "key", n_angles, 0))
        else:
            is_half = study.mirror_symmetric and family.arrangement == "in-line" and n > 1
            parts.append(("throw_keys", "key", n // 2 if is_half else n, 0))
        if firing_grid(n, study.cycle_deg)[1] == 2:
            parts.append(("turn_keys", "key", n, 0))
    else:
        n_free = (n_angles + 1) // 2 if study.mirror_symmetric else n_angles
        step = study.throw_angle_step_deg
        parts.append(("throw_angles", "angle", n_free - 1, len(lattice_angles_deg(study, family))))
        if study.cycle_deg > firing.TURN_DEG:
            parts.append(("firing_bits", "pick", n - 1, 2))
        if family.pins == "split":
            count = len(lattice_splays_deg(study, family)) if step else 0
            parts.append(("splay", "step" if step else "real", 1, count))
    needs_bank_angle = family.arrangement == "v" and not (study.even_firing and family.is_paired)
    choices = (
        ("bank_angle", study.bank_angle_deg, needs_bank_angle),
        ("fraction", study.reciprocating_fraction, True),
    )
    for name, choice, needed in choices:
        if needed and choice.is_range:
            parts.append((name, "real", 1, 0))
        elif needed and len(choice.values) > 1:
            parts.append((name, "step", 1, len(choice.values)))
    if family.fixed_banks is None:
        parts.append(("bank_keys", "key", n, 0))
    if len(study.shaft_subsets) > 1:
        parts.append(("shafts", "pick", 1, len(study.shaft_subsets)))
    segments, start = [], 0
    for name, kind, count, options in parts:
        if count > 0:
            segments.append(
                Segment(name=name, kind=kind, start=start, stop=start + count, options=options)
            )
            start += count
    if not segments:  # nothing to vary: one design
        segments.append(Segment(name="none", kind="pick", start=0, stop=1, options=1))
    return Genome(study=study, family=family, segments=tuple(segments))


def pick(genes: FloatArray, options: int) -> IntArray:
    """Return which of `options` equal cells of [0, 1) each gene lies in."""
    cells = np.minimum((genes * options).astype(np.int64), options - 1)
    return np.maximum(cells, 0)


def value_of(choice: Choice, genes: FloatArray, n_candidates: int) -> FloatArray:
    """Return the chosen values, shape (candidates,); `genes` has one column or none."""
    if choice.is_range:
        return choice.low + genes[:, 0] * (choice.high - choice.low)
    values = np.array(choice.values)
    if genes.shape[1] == 0:
        return np.full(n_candidates, values[0])
    return values[pick(genes[:, 0], len(values))]


def throw_angles_deg(family: Family, batch: Batch) -> FloatArray:
    """Return the angle of each throw, shape (candidates, throws). [deg]"""
    first = [int(np.argmax(family.engine.throws == t)) for t in range(family.engine.n_throws)]
    return batch.pin_angles_deg[:, first]


def lattice_angles_deg(study: Study, family: Family) -> FloatArray:
    """Return the angles that a throw may take, rising from 0; none when continuous. [deg]"""
    if not study.throw_angle_step_deg:
        return np.zeros(0)
    steps = round(firing.TURN_DEG / study.throw_angle_step_deg)
    lattice_deg: FloatArray = np.arange(steps, dtype=np.float64) * (firing.TURN_DEG / steps)
    if study.add_even_firing_angles:
        n_even, _ = firing_grid(family.cylinders, study.cycle_deg)
        even_deg = np.arange(n_even) * (firing.TURN_DEG / n_even)
        apart_deg = np.abs(even_deg[:, np.newaxis] - lattice_deg).min(axis=1)
        lattice_deg = np.sort(np.concatenate([lattice_deg, even_deg[apart_deg > 1e-6]]))
    return lattice_deg


def lattice_splays_deg(study: Study, family: Family) -> FloatArray:
    """Return the splays on the lattice, without 0, which is a shared pin. [deg]"""
    step, limit_deg = study.throw_angle_step_deg, splay_limit_deg(study, family.engine)
    most = int(limit_deg / step + 1e-9)
    half_turn = step * most >= 180 - 1e-9  # -180 and 180 are one
    steps = [k for k in range(-most + half_turn, most + 1) if k]
    return step * np.array(steps if steps else [0], float)


def _decode_free(genome: Genome, genomes: FloatArray) -> Designs:
    study, family, n = genome.study, genome.family, len(genomes)
    angles = genome.genes(genomes, "throw_angles")
    lattice_deg = lattice_angles_deg(study, family)
    turned_deg = lattice_deg[pick(angles, len(lattice_deg))] if len(lattice_deg) else angles * 360
    turned_deg = np.concatenate([np.zeros((n, 1)), turned_deg], axis=1)
    if study.mirror_symmetric:
        n_angles = family.cylinders // 2 if family.is_paired else family.engine.n_throws
        back = n_angles // 2
        turned_deg = np.concatenate([turned_deg, turned_deg[:, :back][:, ::-1]], axis=1)
    bits = np.zeros((n, family.cylinders), np.int64)
    if study.cycle_deg > firing.TURN_DEG:
        bits[:, 1:] = pick(genome.genes(genomes, "firing_bits"), 2)
    splay_deg = _splay_deg(genome, genomes)
    pins_deg = _pins_from_throws(family, turned_deg, splay_deg)
    bank_deg = _bank_angle_deg(genome, genomes)
    return _designs(genome, genomes, pins_deg, bits, bank_deg, splay_deg)


def _splay_deg(genome: Genome, genomes: FloatArray) -> FloatArray:
    study, family = genome.study, genome.family
    if family.pins != "split":
        return np.zeros(len(genomes))
    genes = genome.genes(genomes, "splay")[:, 0]
    if study.throw_angle_step_deg:
        splays = lattice_splays_deg(study, family)
        return splays[pick(genes, len(splays))]
    limit_deg = splay_limit_deg(study, family.engine)
    return (2 * genes - 1) * limit_deg


def _pins_from_throws(family: Family, turned_deg: FloatArray, splay_deg: FloatArray) -> FloatArray:
    if not family.is_paired:
        return turned_deg
    pins_deg = np.repeat(turned_deg, 2, axis=1)
    pins_deg[:, 1::2] += splay_deg[:, np.newaxis]
    return firing.wrap_deg(pins_deg)


def _bank_angle_deg(genome: Genome, genomes: FloatArray) -> FloatArray:
    """Return the included angle of the banks, shape (candidates,). [deg]"""
    if genome.family.arrangement == "in-line":
        return np.zeros(len(genomes))
    if genome.family.arrangement == "opposed":
        return np.full(len(genomes), 180.0)
    genes = genome.genes(genomes, "bank_angle")
    return value_of(genome.study.bank_angle_deg, genes, len(genomes))


def _banks(genome: Genome, genomes: FloatArray) -> IntArray:
    """Return the bank of each cylinder: fixed, or the half with the lower keys on the first."""
    family = genome.family
    if family.fixed_banks is not None:
        return family.fixed_banks[np.newaxis]
    ranks = np.argsort(np.argsort(genome.genes(genomes, "bank_keys"), axis=1), axis=1)
    return (ranks >= (family.cylinders + 1) // 2).astype(np.int64)


def _decode_even(genome: Genome, genomes: FloatArray) -> Designs:
    family, n = genome.family, len(genomes)
    n_steps, per_step = firing_grid(family.cylinders, genome.study.cycle_deg)
    grid_deg = firing.TURN_DEG / n_steps
    keys = genome.genes(genomes, "throw_keys")
    if family.is_paired:
        fit = pick(genome.genes(genomes, "even_fit")[:, 0], len(family.even_fits))
        table = np.array([(f.bank_angle_deg, f.splay_deg, f.steps) for f in family.even_fits])
        bank_deg, splay_deg, steps = table[fit].T
        residues = _paired_residues(genome, genomes, steps.astype(np.int64), keys)
        banks = np.broadcast_to(_banks(genome, genomes), residues.shape)
    else:
        bank_deg, splay_deg = _bank_angle_deg(genome, genomes), np.zeros(n)
        ranks = np.argsort(np.argsort(keys, axis=1), axis=1)
        if keys.shape[1] < family.cylinders:  # mirror-symmetric: each place once in either half
            residues = np.concatenate([ranks, ranks[:, ::-1]], axis=1)
        else:
            residues = np.repeat(np.arange(n_steps), per_step)[ranks]
        banks = np.broadcast_to(_banks(genome, genomes), residues.shape)
    axes_deg = np.where(banks == 0, -0.5, 0.5) * bank_deg[:, np.newaxis]
    if family.arrangement == "in-line":
        axes_deg = np.zeros_like(axes_deg)
    pins_deg = axes_deg - residues * grid_deg
    pins_deg = firing.wrap_deg(pins_deg - pins_deg[:, :1])
    bits = _even_bits(residues, n_steps, per_step, genome.genes(genomes, "turn_keys"), genome.study)
    return _designs(genome, genomes, pins_deg, bits, bank_deg, splay_deg)


def _most_cosets(study: Study, family: Family) -> int:
    n_steps, _ = firing_grid(family.cylinders, study.cycle_deg)
    return max(
        int(np.gcd(fit.steps, n_steps)) if fit.steps else n_steps for fit in family.even_fits
    )


def _paired_residues(
    genome: Genome, genomes: FloatArray, steps: IntArray, keys: FloatArray
) -> IntArray:
    """Return the firing-grid place (mod one turn) of each cylinder, (candidates, cylinders).

    The second cylinder of a pair comes `steps` later than the first. Each place must be taken
    K times in all (K = 1 or 2), so the counts c of first cylinders obey c(r) + c(r - steps) = K:
    along each cycle r, r + steps, ... they are all K/2, or alternate between 0 and K where the
    cycle's length is even. The pattern genes choose, the keys deal the places out to the throws.
    """
    n_steps, per_step = firing_grid(genome.family.cylinders, genome.study.cycle_deg)
    patterns = pick(genome.genes(genomes, "even_pattern"), 3)
    counts = np.zeros((len(genomes), n_steps), np.int64)
    for step in np.unique(steps):
        rows = np.flatnonzero(steps == step)
        common = int(np.gcd(step, n_steps)) if step else n_steps
        length = n_steps // common
        for coset in range(common):
            members = (coset + int(step) * np.arange(length)) % n_steps
            chosen = patterns[rows, coset]
            even_place = np.arange(length) % 2 == 0
            if length % 2:
                counts[np.ix_(rows, members)] = per_step // 2
                continue
            alternating = np.where(even_place == (chosen[:, np.newaxis] % 2 == 0), per_step, 0)
            if per_step == 2:
                constant = chosen[:, np.newaxis] == 2
                counts[np.ix_(rows, members)] = np.where(constant, 1, alternating)
            else:
                counts[np.ix_(rows, members)] = alternating
    n_pairs = keys.shape[1]
    ends = np.cumsum(counts, axis=1)
    # The place of slot k is the number of places whose cumulative count is at most k.
    slots = (ends[:, np.newaxis, :] <= np.arange(n_pairs)[:, np.newaxis]).sum(axis=2)
    ranks = np.argsort(np.argsort(keys, axis=1), axis=1)
    first = np.take_along_axis(slots, ranks, axis=1)
    residues = np.repeat(first, 2, axis=1)
    residues[:, 1::2] = (first + steps[:, np.newaxis]) % n_steps
    return residues


def _even_bits(
    residues: IntArray, n_steps: int, per_step: int, turn_keys: FloatArray, study: Study
) -> IntArray:
    """Return firing bits that spread the cylinders over the turns of the cycle.

    With two cylinders at each place the one with the lower key fires in the first turn; with an
    odd count in a four-stroke the grid leaves no choice: 360/N steps, 720/N apart.
    """
    relative = (residues - residues[:, :1]) % n_steps
    if study.cycle_deg == firing.TURN_DEG:
        return np.zeros_like(residues)
    if per_step == 1:
        return relative % 2
    order = np.argsort(relative + 0.999 * turn_keys, axis=1)
    bits = np.empty_like(residues)
    np.put_along_axis(
        bits, order, np.broadcast_to(np.arange(bits.shape[1]) % 2, bits.shape), axis=1
    )
    return bits ^ bits[:, :1]


def _designs(
    genome: Genome,
    genomes: FloatArray,
    pins_deg: FloatArray,
    bits: IntArray,
    bank_deg: FloatArray,
    splay_deg: FloatArray,
) -> Designs:
    """Return the candidates with all that both decoders share."""
    study, family, n = genome.study, genome.family, len(genomes)
    halves = np.array([[0.0]]) if family.arrangement == "in-line" else np.array([[-0.5, 0.5]])
    batch = Batch(
        pin_angles_deg=pins_deg,
        bank_angles_deg=bank_deg[:, np.newaxis] * halves,
        banks=_banks(genome, genomes),
        firing_bits=bits,
        rotating_fraction=np.full(n, study.rotating_fraction),
        reciprocating_fraction=value_of(
            study.reciprocating_fraction, genome.genes(genomes, "fraction"), n
        ),
        shaft_fractions=_shafts(genome, genomes),
        collectors=np.zeros((1, family.cylinders), np.int64),
    )
    return Designs(batch=with_collectors(study, family, batch), splay_deg=splay_deg)


def _shafts(genome: Genome, genomes: FloatArray) -> FloatArray:
    subsets = genome.study.shaft_subsets
    table = np.zeros((len(subsets), len(SLOTS)))
    for row, subset in enumerate(subsets):
        table[row, list(subset)] = 1.0
    genes = genome.genes(genomes, "shafts")
    if genes.shape[1] == 0:
        return np.broadcast_to(table[0], (len(genomes), len(SLOTS)))
    return table[pick(genes[:, 0], len(subsets))]


def with_collectors(study: Study, family: Family, batch: Batch) -> Batch:
    """Return candidates with the collectors that the study's rule gives them."""
    rule, n = study.collectors, family.cylinders
    if rule == "one":
        return batch
    collectors: NDArray[np.int64]
    if rule == "per bank":
        collectors = batch.banks
    elif isinstance(rule, dict):
        collectors = np.array([rule[n]])
    else:
        collectors = exhaust.best_partition(
            firing.firing_angles_deg(batch),
            int(rule),
            cycle_deg=study.cycle_deg,
            open_duration_deg=study.open_duration_deg,
        )
    return batch.having(collectors=collectors)
