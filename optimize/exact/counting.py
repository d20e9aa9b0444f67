"""How many candidates a space holds, and how many of them are distinct.

Candidates are what the study allows before any limit on scores: every row of lattice angles with
the first at 0, every set of firing bits with the first 0, every listed bank angle, splay, bank
assignment, fraction and set of shafts. With even firing, those of them that fire evenly.
"""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np

from evaluate import firing
from evaluate.batch import FloatArray, IntArray
from optimize.canonical import Symmetry, written_rows
from optimize.exact.arrangements import Arrangements
from optimize.exact.couples import groups_of
from optimize.exact.listing import with_firing
from optimize.exact.outcomes import outcomes_of
from optimize.exact.space import Frame, Space
from optimize.exact.sweep import Sweep

#: Cranks that are listed at most to count those that are their own image.
MOST_LISTED = 4_000_000
_BLOCK = 1 << 16


def counts_of(space: Space) -> tuple[int, int | None]:
    """Return the number of candidates, and of distinct ones (None: too many to count).

    Notes
    -----
    Distinct ones by the Cauchy-Frobenius lemma, as in `optimize.exact.members`.
    """
    if space.study.even_firing:
        return _even_counts(space)
    raw = space.raw_count()
    if _n_listed(space) > MOST_LISTED:
        return raw, None
    images = [_n_unmoved(space, way) for way in space.ways[1:]]
    total = raw + sum(images) * len(space.settings)
    if total % len(space.ways):
        raise ArithmeticError(f"{total} candidates and images of {len(space.ways)} symmetries")
    return raw, total // len(space.ways)


def _n_listed(space: Space) -> int:
    half = (space.n_places + 1) // 2
    n_banks = comb(space.n_places, space.n_first_bank) if space.n_kind_banks == 2 else 1
    return int(max(space.n_angles**half, 2 ** (space.n_places - 1)) * n_banks)


def _n_unmoved(space: Space, way: Symmetry) -> int:
    """Return how many cranks with firing bits a symmetry leaves as they are, over all frames."""
    total = 0
    kinds = _own_images(space, way)
    for frame in space.frames:
        for start in range(0, len(kinds), _BLOCK):
            rows = kinds[start : start + _BLOCK]
            total += int(_n_unmoved_bits(space, frame, rows, way).sum())
    return total


def _own_images(space: Space, way: Symmetry) -> IntArray:
    """Return all rows of kinds, first angle 0, that a symmetry leaves as they are up to turning.

    With t the angles and p the place that takes the place of j: t(j) = s (t(p(j)) - t(p(1))).
    """
    m, n = space.n_places, space.n_angles
    places = np.array(way.cylinders[:: space.per_item]) // space.per_item
    sign = -1 if way.is_mirrored else 1
    rows = np.full((1, m), -1, np.int64)
    rows[:, 0] = 0
    last = int(places[0])
    if last:
        rows = np.repeat(rows, n, axis=0)
        rows[:, last] = np.arange(n)
    for place in range(m):
        if rows[0, place] >= 0:
            continue
        partner = int(places[place])
        if partner == place:
            rows = _staying(rows, place, last, sign, n)
            continue
        rows = np.repeat(rows, n, axis=0)
        rows[:, place] = np.tile(np.arange(n), len(rows) // n)
        if rows[0, partner] < 0:
            rows[:, partner] = (sign * rows[:, place] + rows[:, last]) % n
    image = sign * (rows[:, places] - rows[:, [last]])
    rows = np.asarray(rows[((image - rows) % n == 0).all(axis=1)], np.int64)
    if space.study.mirror_symmetric:
        rows = rows[(rows == rows[:, ::-1]).all(axis=1)]
    if space.n_kind_banks == 1:
        return rows  # banks are no part of the kind
    banked = []
    for chosen in combinations(range(m), space.n_first_bank):
        banks = np.ones(m, np.int64)
        banks[list(chosen)] = 0
        moved = 1 - banks[places] if way.is_mirrored else banks[places]
        if np.array_equal(moved, banks):
            banked.append(rows + banks * n)
    return np.concatenate(banked) if banked else rows[:0]


def _staying(rows: IntArray, place: int, last: int, sign: int, n: int) -> IntArray:
    """Return rows with an angle for a place that keeps its place: t = s (t - t(p(1))).

    Any angle where nothing is mirrored and the first place keeps its angle; else 2 t = -s t(p(1)),
    which has two solutions at most.
    """
    grown = []
    for angle in range(n):
        wanted = sign * (angle - rows[:, last])
        fits = rows[(wanted - angle) % n == 0].copy()
        fits[:, place] = angle
        grown.append(fits)
    return np.concatenate(grown)


def _n_unmoved_bits(space: Space, frame: Frame, kinds: IntArray, way: Symmetry) -> IntArray:
    """Return for each crank how many sets of firing bits the symmetry leaves as they are.

    phi(i) = p(i) + 360 b(i) shall equal s (phi(g(i)) - phi(g(1))) mod 720: with T(i) the whole
    turns between the phases, b(i) + b(g(i)) + b(g(1)) = T(i) mod 2, and b(1) = 0. A cylinder that
    stays asks b(g(1)) = T, and its own bit is free; a pair that changes places asks for equal T
    and leaves one bit free.
    """
    designs = space.designs(frame, kinds, None, [space.settings[0]])
    phases_deg = firing.crank_phases_deg(designs.batch)
    places = np.array(way.cylinders)
    sign = -1 if way.is_mirrored else 1
    apart_deg = sign * (phases_deg[:, places] - phases_deg[:, places[:1]]) - phases_deg
    turns = np.rint(apart_deg / firing.TURN_DEG).astype(np.int64)
    kept = (np.abs(apart_deg - firing.TURN_DEG * turns) < firing.SNAP_DEG).all(axis=1)
    if space.n_bit_sets == 1:
        return np.asarray(kept, np.int64)
    turns %= 2
    total = np.zeros(len(kinds), np.int64)
    stays = places == np.arange(len(places))
    moves = [(i, int(j)) for i, j in enumerate(places) if i < j]
    for bit in (0, 1) if places[0] else (0,):
        fits = kept & (turns[:, stays] == bit).all(axis=1)
        for i, j in moves:
            fits &= turns[:, i] == turns[:, j]
            if i == 0:
                fits &= turns[:, j] == 0
        free = sum(i != 0 for i, _ in moves) + int(stays[1:].sum())
        total += fits.astype(np.int64) << free
    return total


def _even_counts(space: Space) -> tuple[int, int | None]:
    """Count candidates that fire evenly, class by class."""
    raw, images, is_listed = 0, 0, True
    for frame in space.frames:
        sweep = Sweep(space, frame)
        arrangements = Arrangements(space, frame, only_clear=False)
        for index in range(len(sweep.classes)):
            one = sweep.classes.rows(slice(index, index + 1))
            group = groups_of(space, frame, one.kinds)[0]
            n_rows = arrangements.count(group.form)
            fired = outcomes_of(space, frame, one, with_limits=False).angles_deg
            twins, turns = int(one.twins[0]), int(one.turns[0])
            raw += _whole(twins * n_rows * len(fired), turns)
            is_listed &= n_rows <= MOST_LISTED // max(1, len(sweep.classes))
            if not is_listed:
                continue
            unmoved = 0
            for split in arrangements.splits(group.form):
                pairs = np.indices((len(split.front), len(split.rear))).reshape(2, -1)
                rows = group.distinct[0][split.rows(*pairs)]
                unmoved += _n_even_unmoved(space, frame, rows, fired)
            images += _whole(twins * unmoved, turns)
    if not is_listed:
        return raw * len(space.settings), None
    total = _whole(raw + images, len(space.ways))
    return raw * len(space.settings), total * len(space.settings)


def _whole(number: int, parts: int) -> int:
    """Return a number over parts of it, which has to be whole."""
    if number % parts:
        raise ArithmeticError(f"{number} candidates in {parts} equal parts")
    return number // parts


def _n_even_unmoved(space: Space, frame: Frame, rows: IntArray, fired: FloatArray) -> int:
    """Return how many arrangements with firings the symmetries but the first leave unmoved."""
    settings = [space.settings[0]]
    n, count = space.family.cylinders, 0
    bare = space.designs(frame, rows, None, settings)
    here = written_rows(bare, space.ways[0], cycle_deg=firing.TURN_DEG)
    for way in space.ways[1:]:
        there = written_rows(bare, way, cycle_deg=firing.TURN_DEG)
        own = rows[(here == there).all(axis=1)]
        if not len(own):
            continue
        step = max(1, _BLOCK // len(own))
        for begin in range(0, len(fired), step):
            some = fired[begin : begin + step]
            pairs = np.repeat(own, len(some), axis=0)
            designs = with_firing(space, frame, pairs, np.tile(some, (len(own), 1)), settings)
            mine = written_rows(designs, space.ways[0], cycle_deg=space.study.cycle_deg)
            image = written_rows(designs, way, cycle_deg=space.study.cycle_deg)
            count += int((mine == image)[:, : 2 * n].all(axis=1).sum())
    return count
