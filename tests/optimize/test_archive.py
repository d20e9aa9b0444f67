"""The archive against plain loops on random whole numbers, and hypervolume against counting.

Dominance and rounding follow section 5 of the design: values count as rounded up to whole
resolutions; one design dominates another when it is nowhere worse and somewhere better.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimize.archive import Archive, hypervolume, non_dominated, rounded_boxes

some = settings(max_examples=60, deadline=None)
Point = tuple[int, ...]
points = st.integers(2, 4).flatmap(
    lambda m: st.lists(st.tuples(*[st.integers(-4, 4)] * m), min_size=1, max_size=40)
)


def dominates(one: Point, other: Point) -> bool:
    """Return whether one point is nowhere worse (larger) and somewhere better."""
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


def front_of(rows: list[Point]) -> set[Point]:
    """Return the points that no other dominates, by comparing each with each."""
    return {a for a in rows if not any(dominates(b, a) for b in rows)}


def filled(
    rows: list[Point],
    keys: list[int],
    *,
    resolutions: np.ndarray | None = None,
    block: int = 7,
    generation: int = 1,
) -> Archive:
    """Return an archive that took the rows in block by block; genomes repeat the key."""
    n = len(rows[0])
    steps = np.ones(n) if resolutions is None else resolutions
    archive = Archive.empty(steps, 1)
    for start in range(0, len(rows), block):
        part, part_keys = rows[start : start + block], keys[start : start + block]
        archive.add(
            np.array(part_keys, float)[:, np.newaxis],
            np.array(part, float) * steps,
            np.array(part_keys, np.uint64),
            generation,
        )
    return archive


def content(archive: Archive) -> dict[Point, tuple[int, tuple[float, ...], frozenset[int]]]:
    """Return representative, its genome and the equals of each box, whatever the order."""
    assert len(archive) == len(archive.genomes) == len(archive.objectives) == len(archive.boxes)
    assert len(archive) == len(archive.equals) == len(archive.generations)
    rows = zip(archive.boxes.tolist(), archive.keys, archive.genomes, archive.equals, strict=True)
    found = {tuple(box): (key, tuple(g), frozenset(equals)) for box, key, g, equals in rows}
    assert len(found) == len(archive), "a box twice"
    return found


@given(rows=points)
@some
def test_non_dominated_rows_are_those_of_a_plain_loop(rows: list[Point]) -> None:
    kept = non_dominated(np.array(rows))
    assert kept.tolist() == [not any(dominates(b, a) for b in rows) for a in rows]


def test_no_rows_have_no_front() -> None:
    assert non_dominated(np.zeros((0, 3), np.int64)).tolist() == []


@given(rows=points, block=st.integers(1, 9))
@some
def test_archive_holds_the_front_and_counts_equals(rows: list[Point], block: int) -> None:
    archive = filled(rows, list(range(1, len(rows) + 1)), block=block)
    found = content(archive)
    assert set(found) == front_of(rows)
    for box, (key, genome, equals) in found.items():
        same = {i + 1 for i, row in enumerate(rows) if row == box}
        assert equals == same
        assert key in same
        assert genome == (float(key),)


def test_a_design_that_comes_twice_counts_once() -> None:
    archive = filled([(1, 2), (1, 2), (1, 2)], [7, 7, 9])
    assert content(archive) == {(1, 2): (7, (7.0,), frozenset({7, 9}))}


@given(rows=points, seed=st.integers(0, 1000))
@some
def test_content_does_not_depend_on_the_order(rows: list[Point], seed: int) -> None:
    keys = list(range(1, len(rows) + 1))
    order = np.random.default_rng(seed).permutation(len(rows))
    shuffled = filled([rows[i] for i in order], [keys[i] for i in order], block=3)
    assert content(shuffled) == content(filled(rows, keys, block=len(rows)))


def test_the_better_of_two_equals_stands_for_both() -> None:
    # Rounded up to 10 both are (20, 30); the second is better in both.
    for order in ([0, 1], [1, 0]):
        archive = Archive.empty(np.array([10.0, 10.0]), 1)
        values = np.array([[19.0, 29.0], [12.0, 22.0]])
        for i in order:
            archive.add(np.array([[float(i)]]), values[i : i + 1], np.array([i + 5], np.uint64), 1)
        assert archive.keys == [6]
        assert archive.objectives.tolist() == [[12.0, 22.0]]
        assert archive.equals == [{5, 6}]


def test_add_says_whether_the_front_changed() -> None:
    archive = Archive.empty(np.ones(2), 1)
    genome = np.zeros((1, 1))

    def add(point: Point, key: int) -> bool:
        return archive.add(genome, np.array([point], float), np.array([key], np.uint64), 1)

    assert add((3, 3), 1)
    assert not add((3, 4), 2), "dominated"
    assert not add((3, 3), 3), "an equal changes no front"
    assert add((2, 5), 4)
    assert add((1, 1), 5)
    assert archive.boxes.tolist() == [[1, 1]]


@given(data=st.data(), rows=points)
@some
def test_merging_is_commutative_and_associative(data: st.DataObject, rows: list[Point]) -> None:
    keys = list(range(1, len(rows) + 1))
    thirds = data.draw(st.lists(st.integers(0, 2), min_size=len(rows), max_size=len(rows)))
    m = len(rows[0])

    def part(third: int) -> Archive:
        mine = [i for i in range(len(rows)) if thirds[i] == third]
        if not mine:
            return Archive.empty(np.ones(m), 1)
        return filled([rows[i] for i in mine], [keys[i] for i in mine])

    a, b, c = part(0), part(1), part(2)
    whole = content(filled(rows, keys))
    assert content(a.merged(b)) == content(b.merged(a))
    assert content(a.merged(b).merged(c)) == content(a.merged(b.merged(c))) == whole


def test_merging_leaves_both_as_they_were() -> None:
    a, b = filled([(1, 5), (5, 1)], [1, 2]), filled([(1, 5), (2, 2)], [3, 4])
    before = content(a), content(b)
    merged = a.merged(b)
    assert content(merged)[(1, 5)][2] == {1, 3}
    assert (content(a), content(b)) == before


def test_merging_is_commutative_when_both_found_the_same_design() -> None:
    # The same design has one key but may have been written in two genomes, in two generations.
    archives = []
    for genome, generation in ((0.25, 3), (0.75, 2)):
        archive = Archive.empty(np.ones(2), 1)
        archive.add(np.array([[genome]]), np.ones((1, 2)), np.array([8], np.uint64), generation)
        archives.append(archive)
    one, other = archives[0].merged(archives[1]), archives[1].merged(archives[0])
    assert one.genomes.tolist() == other.genomes.tolist()
    assert one.generations.tolist() == other.generations.tolist()


def test_round_off_above_a_multiple_counts_as_the_multiple() -> None:
    # 1e-13 N is what is left of forces of 1e4 N that cancel: no difference to any reader.
    steps = np.array([50.0, 5.0, 0.02])
    multiples = np.array([[0.0, 15.0, 0.24], [100.0, 0.0, 1.0]])
    exact = rounded_boxes(multiples, steps)
    assert exact.tolist() == [[0, 3, 12], [2, 0, 50]]
    for noise in (1e-13, -1e-13):
        assert (rounded_boxes(multiples + noise, steps) == exact).all()
    # A real excess, a thousandth of the resolution, counts as the next one.
    assert (rounded_boxes(multiples + 0.001 * steps, steps) == exact + 1).all()
    assert (rounded_boxes(multiples - 0.001 * steps, steps) == exact).all()


@given(
    values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20),
    resolution=st.sampled_from([0.01, 0.02, 1.0, 5.0, 50.0]),
)
@some
def test_boxes_round_up(values: list[float], resolution: float) -> None:
    boxes = rounded_boxes(np.array(values)[:, np.newaxis], np.array([resolution]))[:, 0]
    for value, box in zip(values, boxes.tolist(), strict=True):
        # The least multiple that is not below the value, but for a millionth of the resolution.
        assert box * resolution >= value - 1.1e-6 * resolution
        assert (box - 1) * resolution < value + 1e-9 * resolution


def test_what_is_to_be_most_is_rounded_towards_less() -> None:
    # "Most" comes negated: 179 deg of spacing with a resolution of 5 is worth 175, not 180.
    boxes = rounded_boxes(-np.array([[179.0], [180.0], [180.0 + 1e-12]]), np.array([5.0]))
    assert boxes.tolist() == [[-35], [-36], [-36]]
    archive = filled([(-36, 1), (-35, 1), (-35, 0)], [1, 2, 3])
    assert set(content(archive)) == {(-36, 1), (-35, 0)}


def covered_cells(rows: list[Point], reference: int, m: int) -> float:
    """Return the dominated share of the whole-number box 0..reference, by counting its cells."""
    cells = itertools.product(range(reference), repeat=m)
    covered = sum(
        any(all(p <= c for p, c in zip(r, cell, strict=True)) for r in rows) for cell in cells
    )
    return covered / reference**m


@given(
    rows=st.integers(2, 4).flatmap(
        lambda m: st.lists(st.tuples(*[st.integers(0, 6)] * m), min_size=1, max_size=8)
    )
)
@some
def test_hypervolume_is_the_share_of_cells(rows: list[Point]) -> None:
    # Corners on whole numbers cover whole cells, so counting is exact; 1e-12 for round-off.
    m = len(rows[0])
    share = hypervolume(np.array(rows, float), np.zeros(m), np.full(m, 5.0))
    assert share == pytest.approx(covered_cells(rows, 5, m), abs=1e-12)


def test_hypervolume_of_two_points_by_inclusion_and_exclusion() -> None:
    # Shares 0.7 x 0.4 and 0.5 x 0.8, overlap 0.5 x 0.4.
    lower, reference = np.array([10.0, 2.0]), np.array([20.0, 4.0])
    points = np.array([[13.0, 3.2], [15.0, 2.4]])
    expected = 0.7 * 0.4 + 0.5 * 0.8 - 0.5 * 0.4
    assert hypervolume(points, lower, reference) == pytest.approx(expected, abs=1e-12)


def test_hypervolume_agrees_with_chance_in_five_objectives() -> None:
    # Monte Carlo with 40,000 throws: standard error at most 0.5 / 200 = 0.0025, so four of them.
    rng = np.random.default_rng(4)
    points = rng.random((25, 5)) * 0.9
    throws = rng.random((40_000, 5))
    hit = (points[np.newaxis] <= throws[:, np.newaxis]).all(axis=2).any(axis=1).mean()
    assert 0.05 < hit < 0.95
    assert hypervolume(points, np.zeros(5), np.ones(5)) == pytest.approx(hit, abs=0.01)


def test_hypervolume_at_the_edges() -> None:
    lower, reference = np.zeros(2), np.ones(2)
    assert hypervolume(np.zeros((0, 2)), lower, reference) == 0
    assert hypervolume(np.array([[1.0, 0.0]]), lower, reference) == 0, "no better than the worst"
    assert hypervolume(np.array([[2.0, -1.0]]), lower, reference) == 0
    assert hypervolume(np.array([[-3.0, -1.0]]), lower, reference) == pytest.approx(1, abs=1e-12)


@given(rows=points)
@some
def test_hypervolume_of_a_growing_archive_never_falls(rows: list[Point]) -> None:
    m = len(rows[0])
    archive, before = Archive.empty(np.ones(m), 1), 0.0
    for key, row in enumerate(rows):
        archive.add(np.zeros((1, 1)), np.array([row], float), np.array([key], np.uint64), key)
        now = hypervolume(archive.objectives, np.full(m, -5.0), np.full(m, 4.5))
        assert now >= before - 1e-12
        before = now
    everything = hypervolume(np.array(rows, float), np.full(m, -5.0), np.full(m, 4.5))
    assert math.isclose(before, everything, abs_tol=1e-12), "what is dominated adds nothing"
