"""Sampling, crossover and mutation: pure functions on whole populations, by kind of gene."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.random import Generator

from evaluate import firing
from evaluate.batch import FloatArray, IntArray
from optimize.encoding import encoded
from optimize.genome import Designs, Genome, Segment, value_of

RESET_SHARE = 0.3  # of mutations that draw afresh instead of moving to a neighbour
MORE_MUTATIONS = 0.5  # genes mutated in a child on average, on top of the one that always is
SWAP_RATE = 0.3  # children in which two throws change places, with all that belongs to them
STAY_SHARE = 0.5  # of these, where banks are free, that leave the banks where they are
TURN_RATE = 0.15  # children in which several throws are turned by one angle
#: Children whose cylinders are rearranged instead of mutated, where each has a throw: in a free
#: space fewer, since there the firing angles have to be found as well as dealt out.
REARRANGED_SHARE = {"even": 0.6, "free": 0.35}
#: How, and how often. Firing angles of two cylinders change places; banks of two neighbours do;
#: both do; the firing of a stretch of cylinders runs backward, or steps on; all of a bank fires
#: later; the banks stand at another angle and all fires as before.
REARRANGEMENTS = {
    "even": {"firing": 0.5, "banks": 0.2, "both": 0.1, "backward": 0.1, "step": 0.1},
    "free": {"firing": 0.4, "banks": 0.2, "both": 0.1, "later": 0.2, "bank angle": 0.1},
}
SETTING_RATE = {"even": 0.15, "free": 0.0}  # of settings drawn afresh in a rearranged child
_SETTINGS = ("bank_angle", "fraction", "shafts")
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
    Every gene is exchanged with probability 1/2, keys only with all of their segment: an order, or
    a choice of banks, is of one parent or of the other, since between them lies neither.
    Continuous genes are then blended half of the
    time: angles along the shorter arc, numbers along the straight line, a little beyond the
    parents. Lattice angles, bits, slots and ranks are never blended.
    """
    crossed = rng.random((len(first), 1)) < share
    exchanged = crossed & (rng.random(first.shape) < 0.5)
    for segment in genome.segments:
        if segment.kind == "key":
            exchanged[:, segment.start : segment.stop] = exchanged[:, [segment.start]]
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


def vary(genome: Genome, genomes: FloatArray, rng: Generator) -> FloatArray:
    """Return changed copies: mutated gene by gene, or with their cylinders rearranged.

    Parameters
    ----------
    genome : Genome
        Says which gene is of which kind.
    genomes : array, shape (candidates, genes)
        To be changed; left as they are.
    rng : Generator
        Source of chance.
    """
    is_rearranged = np.zeros(len(genomes), bool)
    if _can_be_rearranged(genome):
        is_rearranged = rng.random(len(genomes)) < REARRANGED_SHARE[_firing_kind(genome)]
    mutated = mutate(genome, genomes[~is_rearranged], rng)
    changed = np.empty_like(genomes)
    changed[~is_rearranged] = turn_together(genome, mutated, rng)
    if is_rearranged.any():
        changed[is_rearranged] = rearrange(genome, genomes[is_rearranged], rng)
    return changed


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


def rearrange(genome: Genome, genomes: FloatArray, rng: Generator) -> FloatArray:
    """Return copies whose cylinders fire in another order or stand on other banks.

    Most changes of single genes break what all of them make together: firing intervals within
    the limit, and room between the bores of a bank. Most changes here keep the firing angles of
    the engine and only deal them out anew, and banks change between next neighbours, of which two
    on one web must stand on two banks. Throw angles follow from both.

    Parameters
    ----------
    genome : Genome
        Of a family in which each cylinder has its own throw.
    genomes : array, shape (candidates, genes)
        To be changed; left as they are.
    rng : Generator
        Source of chance.
    """
    family, count = genome.family, len(genomes)
    rates = _rearrangements(genome)
    moves = np.array(list(rates))[rng.choice(len(rates), count, p=list(rates.values()))]
    pairs = np.argsort(rng.random((count, family.cylinders)), axis=1)[:, :2]
    nearest = _nearest_cylinders(tuple(family.engine.positions_m.tolist()))
    among_neighbours = (moves == "both") | (moves == "banks")
    pairs[among_neighbours, 1] = nearest[pairs[among_neighbours, 0]]
    designs = genome.decode(genomes)
    angles_deg = firing.firing_angles_deg(designs.batch)
    banks = np.broadcast_to(designs.batch.banks, angles_deg.shape).copy()
    angles_deg = np.take_along_axis(angles_deg, _orders(moves, pairs, family.cylinders), axis=1)
    if family.fixed_banks is None:
        _exchange(banks, np.flatnonzero(among_neighbours), pairs[among_neighbours])
    is_later = (moves == "later")[:, np.newaxis] & (banks == 1)
    angles_deg = np.where(is_later, angles_deg + _lags_deg(genome, count, rng), angles_deg)
    changed = genomes.copy()
    if "bank angle" in rates:
        _draw_afresh(genome, changed, "bank_angle", moves == "bank angle", rng)
    moved = _firing_so(genome.decode(changed), angles_deg, banks, genome.study.cycle_deg)
    changed = encoded(genome, moved, changed, keep=_SETTINGS)
    for name in _SETTINGS:
        afresh = rng.random(count) < SETTING_RATE[_firing_kind(genome)]
        _draw_afresh(genome, changed, name, afresh, rng)
    return changed


def _firing_kind(genome: Genome) -> str:
    return "even" if genome.study.even_firing else "free"


@lru_cache(maxsize=64)
def _known_rearrangements(kind: str, has_banks: bool, has_bank_angles: bool) -> dict[str, float]:
    rates = dict(REARRANGEMENTS[kind])
    unknown = [] if has_banks else ["banks", "both", "later"]
    for name in [*unknown, *([] if has_bank_angles else ["bank angle"])]:
        rates.pop(name, None)
    total = sum(rates.values())
    return {name: rate / total for name, rate in rates.items()}


def _rearrangements(genome: Genome) -> dict[str, float]:
    """Return the rearrangements that change anything in a family, and their probabilities."""
    has_bank_angles = any(segment.name == "bank_angle" for segment in genome.segments)
    has_banks = genome.family.fixed_banks is None
    return _known_rearrangements(_firing_kind(genome), has_banks, has_bank_angles)


def _lags_deg(genome: Genome, count: int, rng: Generator) -> FloatArray:
    """Return angles by which a bank comes to fire later, in steps of the lattice. [deg]"""
    lags_deg = firing.TURN_DEG * rng.random((count, 1))
    step_deg = genome.study.throw_angle_step_deg
    return np.round(lags_deg / step_deg) * step_deg if step_deg else lags_deg


def _draw_afresh(
    genome: Genome, genomes: FloatArray, name: str, chosen: np.ndarray, rng: Generator
) -> None:
    """Draw the genes of one segment anew in the chosen rows, if the family has it."""
    for segment in genome.segments:
        if segment.name == name:
            rows = np.flatnonzero(chosen)
            genomes[rows, segment.start : segment.stop] = rng.random((len(rows), 1))


def _can_be_rearranged(genome: Genome) -> bool:
    """Return whether each cylinder has a throw whose angle follows from when it is to fire."""
    is_tied = genome.family.is_paired or genome.study.mirror_symmetric
    return not is_tied and genome.family.cylinders > 2


@lru_cache(maxsize=64)
def _nearest_cylinders(positions_m: tuple[float, ...]) -> IntArray:
    """Return the cylinder that stands nearest to each along the crank."""
    apart_nm = np.rint(1e9 * np.abs(np.subtract.outer(positions_m, positions_m)))
    np.fill_diagonal(apart_nm, np.inf)
    nearest: IntArray = apart_nm.argmin(axis=1)
    return nearest


def _orders(moves: np.ndarray, pairs: IntArray, n_cylinders: int) -> IntArray:
    """Return whose firing each cylinder takes over, shape (candidates, cylinders)."""
    columns = np.arange(n_cylinders)
    orders = np.tile(columns, (len(moves), 1))
    rows = np.flatnonzero((moves == "firing") | (moves == "both"))
    _exchange(orders, rows, pairs[rows])
    low, high = pairs.min(axis=1, keepdims=True), pairs.max(axis=1, keepdims=True)
    inside = (columns >= low) & (columns <= high)
    backward = inside & (moves == "backward")[:, np.newaxis]
    orders = np.where(backward, low + high - columns, orders)
    step = inside & (moves == "step")[:, np.newaxis]
    return np.where(step, np.where(columns == high, low, columns + 1), orders)


def _firing_so(
    designs: Designs, angles_deg: FloatArray, banks: IntArray, cycle_deg: float
) -> Designs:
    """Return designs on whose cranks the cylinders of the given banks fire at the given angles."""
    batch = designs.batch.having(banks=banks)
    pins_deg = batch.bank_axes_deg() - angles_deg
    pins_deg = firing.wrap_deg(pins_deg - pins_deg[:, :1])
    # A hair more, or what rounds to just below a whole cycle would be a turn late.
    later_deg = (angles_deg - angles_deg[:, :1] + 1e-6) % cycle_deg
    bits = (later_deg >= firing.TURN_DEG).astype(np.int64)
    moved = batch.having(pin_angles_deg=pins_deg, firing_bits=bits)
    return Designs(batch=moved, splay_deg=designs.splay_deg)


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


def _exchange(genomes: FloatArray | IntArray, rows: np.ndarray, columns: np.ndarray) -> None:
    """Exchange, in the rows, the values of two columns, (rows, 2), each."""
    one, two = columns.T
    genomes[rows, one], genomes[rows, two] = genomes[rows, two], genomes[rows, one]
