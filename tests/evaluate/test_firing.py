"""Firing orders that a crank allows, how even they are, and how exhaust pulses are grouped.

Each rule is checked against a plain enumeration written here (itertools, no numpy tricks), or
against facts of the trade; those are common practice, no source, unless a source is named.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evaluate import InputError, Layout, evaluation_document, layout_from_tables
from evaluate.exhaust import all_partitions, best_partition, half_order_spectrum, n_partitions
from evaluate.firing import (
    all_firing_bits,
    allowed_firing_angles_deg,
    angles_for_order,
    crank_phases_deg,
    firing_sequence,
    measures,
    nearest_orders,
    sorted_columns,
    wrap_deg,
)
from tests.engines import evaluation

few = settings(max_examples=60, deadline=None)


def layout(
    throws_deg: Sequence[float],
    *,
    axes_deg: Sequence[float] | None = None,
    firing: dict[str, Any] | None = None,
    strokes: int = 4,
    labels: Sequence[str] | None = None,
) -> Layout:
    """Return an engine whose cylinders have their own throws, 1, 2, 3 ... from the free end."""
    axes = [0.0] * len(throws_deg) if axes_deg is None else list(axes_deg)
    banks = sorted(set(axes))
    return layout_from_tables(
        {
            "cycle_strokes": strokes,
            "cylinder": {
                "stroke_mm": 80.0,
                "rod_length_mm": 140.0,
                "reciprocating_mass_kg": 0.5,
            },
            "crank": {"throw_angles_deg": list(throws_deg), "throw_pitch_mm": 90.0},
            "banks": {"angles_deg": banks},
            "cylinders": {
                "bank": [1 + banks.index(axis) for axis in axes],
                "labels": list(labels or map(str, range(1, len(axes) + 1))),
            },
            "firing": firing or {},
        }
    )


def document(*args: Any, **kwargs: Any) -> dict[str, Any]:
    """Return the firing part of the evaluation of a layout."""
    part: dict[str, Any] = evaluation_document(layout(*args, **kwargs))["firing"]
    return part


# --- Enumeration by hand -------------------------------------------------------------------------


def every_firing(phases: Sequence[int], cycle: int) -> list[tuple[int, ...]]:
    """Return every vector of firing angles in whole units, cylinder 1 in the first turn."""
    turns = range(cycle // 360)
    later = [[phase + 360 * turn for turn in turns] for phase in phases[1:]]
    return [(phases[0], *rest) for rest in itertools.product(*later)]


def unevenness(angles: Sequence[float], cycle: float) -> float:
    """Return the RMS deviation of the intervals from cycle/N, by a sort and a loop."""
    rising = sorted(angles)
    rising.append(rising[0] + cycle)
    wanted = cycle / len(angles)
    squares = [(b - a - wanted) ** 2 for a, b in itertools.pairwise(rising)]
    return math.sqrt(sum(squares) / len(squares))


def fluctuation(angles: Sequence[float], cycle: float) -> float:
    """Return the range of (share of firings done - share of cycle gone), just before and after."""
    rising = sorted(angles)
    n = len(rising)
    before = [i / n - angle / cycle for i, angle in enumerate(rising)]
    return max(b + 1 / n for b in before) - min(before)


def rises_along(angles: Sequence[float], order: Sequence[int]) -> bool:
    """Return whether cylinders fire in this order, those that fire together in any."""
    return all(angles[a] <= angles[b] for a, b in itertools.pairwise(order))


def swapped_pairs(angles: Sequence[float], order: Sequence[int]) -> int:
    """Return how many pairs of an order fire the other way round."""
    return sum(angles[b] < angles[a] for a, b in itertools.combinations(order, 2))


# --- 90-degree V fours, each cylinder on its own throw -------------------------------------------
#
# Facts, common practice, no source. (a) throws 0-90-0-90, banks alternating; (b) throws
# 0-90-180-270, banks alternating; (c) throws 0-90-270-180, banks A-B-B-A. Each allows exactly two
# even firing orders; (a) keeps a free force of first order that counterweights cannot remove, (b)
# and (c) have none. Throw angles grow in the direction of rotation; the bank at +45 degrees lies
# ahead. (a) holds only with the +45 bank first: in the other reading all four pistons reach top
# dead centre together, which allows no even order. (b) and (c) hold for both.
FOURS = [
    pytest.param([0, 90, 0, 90], [45, -45, 45, -45], 2, True, id="a, +45 first"),
    pytest.param([0, 90, 0, 90], [-45, 45, -45, 45], 0, True, id="a, -45 first"),
    pytest.param([0, 90, 180, 270], [45, -45, 45, -45], 2, False, id="b, +45 first"),
    pytest.param([0, 90, 180, 270], [-45, 45, -45, 45], 2, False, id="b, -45 first"),
    pytest.param([0, 90, 270, 180], [45, -45, -45, 45], 2, False, id="c, +45 first"),
    pytest.param([0, 90, 270, 180], [-45, 45, 45, -45], 2, False, id="c, -45 first"),
]


@pytest.mark.parametrize(("throws", "axes", "n_even", "has_force"), FOURS)
def test_right_angle_v_fours(
    throws: list[int], axes: list[int], n_even: int, has_force: bool
) -> None:
    e = evaluation(pin_angles_deg=throws, bank_axes_deg=axes, reciprocating_fraction=0.5)
    phases = crank_phases_deg(e.batch)[0]
    even = allowed_firing_angles_deg(phases, 720.0, even_only=True)
    assert len(even) == n_even
    # By hand: whole angles, all bit sets, intervals of 180.
    top = [(axis - throw) % 360 for axis, throw in zip(axes, throws, strict=True)]
    by_hand = [
        angles
        for angles in every_firing([(t - top[0]) % 360 for t in top], 720)
        if sorted(angles) == [0, 180, 360, 540]
    ]
    assert sorted(map(tuple, even)) == sorted(by_hand)
    # Order 1 by hand: sum of cos(theta - theta_i) along each bank's axis.
    unit = e.engine.reciprocating_mass_kg * e.engine.crank_radius_m * e.engine.speed_rad_s**2
    against = sum(
        np.exp(1j * np.radians(axis + t)) for axis, t in zip(axes, top, strict=True)
    )  # u exp(+j theta_i), twice the part that turns against the crank
    left = abs(e.residual.force.backward[0, 0]) / unit
    assert left == pytest.approx(0.5 * abs(against), abs=1e-12)
    assert abs(e.residual.force.forward[0, 0]) / unit == pytest.approx(0, abs=1e-12)
    assert (left > 1) == has_force
    assert (left > 1e-12) == has_force


# --- How even ------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 8, 12, 16])
@pytest.mark.parametrize("cycle", [360.0, 720.0])
def test_fluctuation_of_even_firing_and_of_all_together(n: int, cycle: float) -> None:
    even = np.arange(n)[:, np.newaxis] * cycle / n
    got = measures(even, cycle)
    assert got.fluctuation[0] == pytest.approx(1 / n, abs=1e-12)
    assert got.unevenness_deg[0] == pytest.approx(0, abs=1e-9)
    assert got.largest_interval_deg[0] == pytest.approx(cycle / n)
    together = measures(np.zeros((n, 1)), cycle)
    assert together.fluctuation[0] == pytest.approx(1, abs=1e-12)
    assert together.largest_interval_deg[0] == pytest.approx(cycle)


@few
@given(st.lists(st.integers(0, 719), min_size=1, max_size=16))
def test_measures_against_a_loop(angles: list[int]) -> None:
    got = measures(sorted_columns(np.array([angles], float)), 720.0)
    assert got.unevenness_deg[0] == pytest.approx(unevenness(angles, 720), abs=1e-9)
    assert got.fluctuation[0] == pytest.approx(fluctuation(angles, 720), abs=1e-12)
    rising = [*sorted(angles), min(angles) + 720]
    largest = max(b - a for a, b in itertools.pairwise(rising))
    assert got.largest_interval_deg[0] == pytest.approx(largest, abs=1e-9)


@pytest.mark.parametrize("n", range(1, 17))
def test_sorting_network_sorts(n: int) -> None:
    # Zero-one principle (Knuth, The Art of Computer Programming vol. 3, 5.3.4, theorem Z): a
    # network that sorts all sequences of 0 and 1 sorts everything. All 2^n of them.
    zeros_and_ones = (np.arange(2**n)[:, np.newaxis] >> np.arange(n) & 1).astype(float)
    np.testing.assert_array_equal(sorted_columns(zeros_and_ones).T, np.sort(zeros_and_ones, axis=1))
    numbers = np.random.default_rng(n).uniform(0, 720, (50, n))
    np.testing.assert_array_equal(sorted_columns(numbers).T, np.sort(numbers, axis=1))


@pytest.mark.parametrize(
    ("angle_deg", "wanted_deg"),
    [
        (0.0, 0.0),
        (360.0, 0.0),
        (-360.0, 0.0),
        (720.0, 0.0),
        (-1e-13, 0.0),
        (360 - 1e-9, 0.0),
        (1e-9, 0.0),
        (-90.0, 270.0),
        (359.9, 359.9),
        (0.001, 0.001),
    ],
)
def test_remainders_never_move_a_firing_by_a_turn(angle_deg: float, wanted_deg: float) -> None:
    assert wrap_deg(np.array([angle_deg]))[0] == pytest.approx(wanted_deg, abs=1e-9)


def test_thirds_of_a_turn_that_floating_point_misses_fire_evenly() -> None:
    # 7 throws at 360/7: sums of 51.428... do not close to exactly 360 in binary.
    throws = [-720 / 7 * place % 360 for place in (0, 4, 1, 5, 2, 6, 3)]
    assert document(throws)["fluctuation"] == pytest.approx(1 / 7, abs=1e-9)


# --- Which orders a crank allows -----------------------------------------------------------------


@pytest.mark.parametrize("n", range(1, 7))
def test_all_firing_bits(n: int) -> None:
    four_stroke = [(0, *bits) for bits in itertools.product((0, 1), repeat=n - 1)]
    assert list(map(tuple, all_firing_bits(n, 720.0))) == four_stroke
    assert all_firing_bits(n, 360.0).tolist() == [[0] * n]


@few
@given(st.lists(st.sampled_from([0, 45, 90, 120, 180, 270, 300]), min_size=0, max_size=5))
def test_allowed_vectors_are_all_bit_sets_the_most_even_first(rest: list[int]) -> None:
    phases = [0, *rest]
    got = allowed_firing_angles_deg(np.array(phases, float), 720.0)
    wanted = sorted(every_firing(phases, 720), key=lambda a: (round(unevenness(a, 720), 6), a))
    assert [tuple(map(int, row)) for row in got] == wanted


def even_orders_by_permutation(throws_deg: Sequence[float]) -> set[tuple[int, ...]]:
    """Return the even orders of a four-stroke engine in line, by trying every permutation."""
    n = len(throws_deg)
    interval = 720 / n
    found = set()
    for rest in itertools.permutations(range(1, n)):
        order = (0, *rest)
        off = [
            (place * interval + throws_deg[cylinder] - throws_deg[0] + 180) % 360 - 180
            for place, cylinder in enumerate(order)
        ]
        if max(map(abs, off)) < 1e-9:  # each pin is at the top when its turn comes
            found.add(order)
    return found


# Cranks in line and how many even orders each allows (common practice, no source: a flat four has
# two, 1-3-4-2 and 1-2-4-3; a mirror six has four; odd counts have one).
IN_LINE = [
    pytest.param([0, 0], 1, id="2, 360"),
    pytest.param([0, 180], 0, id="2, 180"),
    pytest.param([0, 240, 120], 1, id="3"),
    pytest.param([0, 180, 180, 0], 2, id="4, flat"),
    pytest.param([0, 90, 270, 180], 0, id="4, cross-plane"),
    pytest.param([0, 216, 144, 72, 288], 1, id="5"),
    pytest.param([0, 240, 120, 120, 240, 0], 4, id="6, mirror"),
    pytest.param([0, 120, 240, 0, 120, 240], 4, id="6, no mirror"),
    pytest.param([-720 / 7 * p % 360 for p in (0, 4, 1, 5, 2, 6, 3)], 1, id="7"),
    pytest.param([0, 180, 90, 270, 270, 90, 180, 0], 8, id="8, mirror"),
]


@pytest.mark.parametrize(("throws_deg", "count"), IN_LINE)
def test_even_orders_of_engines_in_line(throws_deg: list[float], count: int) -> None:
    phases = crank_phases_deg(layout(throws_deg).batch)[0]
    even = allowed_firing_angles_deg(phases, 720.0, even_only=True)
    orders = {tuple(row) for row in firing_sequence(even).tolist()} if len(even) else set()
    assert orders == even_orders_by_permutation(throws_deg)
    assert len(orders) == len(even) == count


PHASES = st.lists(st.sampled_from([0, 60, 90, 120, 180, 240, 270]), min_size=1, max_size=5)


@settings(max_examples=150, deadline=None)
@given(PHASES, st.randoms(use_true_random=False), st.sampled_from([360, 720]))
def test_an_order_means_the_most_even_bit_set_that_realises_it(
    rest: list[int], random: Any, cycle: int
) -> None:
    phases = [0, *rest]
    others = list(range(1, len(phases)))
    random.shuffle(others)
    order = [0, *others]
    fitting = [a for a in every_firing(phases, cycle) if rises_along(a, order)]
    found = angles_for_order(np.array(phases, float), order, float(cycle))
    got = found[0] if len(found) else None
    if not fitting:
        assert got is None
    else:
        best = min(fitting, key=lambda a: (round(unevenness(a, cycle), 6), a))
        assert got is not None
        assert tuple(map(int, got)) == best


@settings(max_examples=100, deadline=None)
@given(PHASES, st.randoms(use_true_random=False))
def test_nearest_orders_swap_the_fewest_pairs(rest: list[int], random: Any) -> None:
    phases = [0, *rest]
    others = list(range(1, len(phases)))
    random.shuffle(others)
    order = [0, *others]
    every = every_firing(phases, 720)
    found = nearest_orders(np.array(phases, float), order, 720.0)
    assert 1 <= len(found) <= 3
    least = min(swapped_pairs(angles, order) for angles in every)

    def fewest(sequence: list[int]) -> int:
        realised = [a for a in every if rises_along(a, sequence)]
        return min(swapped_pairs(angles, order) for angles in realised)

    assert fewest(found[0]) == least
    assert len(set(map(tuple, found))) == len(found)
    if len(set(phases)) == len(phases):  # cylinders that fire together have several sequences
        assert [fewest(sequence) for sequence in found] == sorted(map(fewest, found))


def test_the_file_order_picks_the_most_even_angles() -> None:
    # Twin with both pins together: "1-2" could fire both at once; 360 apart is the most even.
    assert document([0, 0], firing={"order": ["1", "2"]})["angles_deg"] == [0, 360]
    # 180-degree twin: 180-540 and 540-180 are equally even; the smaller angles win.
    assert document([0, 180], firing={"order": ["1", "2"]})["angles_deg"] == [0, 180]
    four = document([0, 180, 180, 0], firing={"order": ["1", "2", "4", "3"]})
    assert four["angles_deg"] == [0, 180, 540, 360]
    assert four["intervals_deg"] == [180] * 4


def test_an_order_may_start_anywhere() -> None:
    started = document([0, 180, 180, 0], firing={"order": ["4", "2", "1", "3"]})
    assert started["order"] == ["1", "3", "4", "2"]


def test_a_forbidden_order_names_the_clash_and_what_is_allowed() -> None:
    # In-line five 0-216-144-72-288: tops at 0, 144, 216, 288, 72. 1-4-3-2-5 steps back from 4 to 3
    # and from 3 to 2, and the cycle has two turns only.
    throws = [0, 216, 144, 72, 288]
    with pytest.raises(InputError) as caught:
        layout(throws, firing={"order": ["1", "4", "3", "2", "5"]})
    message = str(caught.value)
    for piece in ("firing.order", "1-4-3-2-5", "4 (at 288 deg) to 3 (at 216 deg)", "two turns"):
        assert piece in message
    assert "3 (at 216 deg) to 2 (at 144 deg)" in message
    # What it offers is allowed, and no allowed order swaps fewer pairs (all 16 bit sets tried).
    offered = message.split("allows: ")[1].split(", ")
    every = every_firing([0, 144, 216, 288, 72], 720)
    least = min(swapped_pairs(angles, [0, 3, 2, 1, 4]) for angles in every)
    for text in offered:
        sequence = [int(label) - 1 for label in text.split("-")]
        assert any(rises_along(angles, sequence) for angles in every)
    first = [int(label) - 1 for label in offered[0].split("-")]
    assert least == min(
        swapped_pairs(angles, [0, 3, 2, 1, 4]) for angles in every if rises_along(angles, first)
    )
    assert layout(throws, firing={"order": offered[0].split("-")}) is not None


def test_an_order_left_out_is_the_most_even_and_is_said() -> None:
    given_none = layout([0, 240, 120, 120, 240, 0])
    firing = evaluation_document(given_none)["firing"]
    assert firing["intervals_deg"] == [120] * 6
    assert any("-".join(firing["order"]) in sentence for sentence in given_none.assumed)


def test_firing_angles_instead_of_an_order() -> None:
    uneven = document([0, 180, 180, 0], firing={"angles_deg": [0, 180, 540, 360]})
    assert uneven["order"] == ["1", "2", "4", "3"]
    # Counted from any cylinder; only differences matter. A hundredth of a degree is forgiven.
    shifted = document([0, 180, 180, 0], firing={"angles_deg": [90, 270.004, 629.996, 450]})
    assert shifted["angles_deg"] == [0, 180, 540, 360]
    with pytest.raises(InputError, match=r"firing\.angles_deg\[1\].*180 or 540"):
        layout([0, 180, 180, 0], firing={"angles_deg": [0, 200, 540, 360]})
    with pytest.raises(InputError, match="one of the two"):
        layout([0, 180], firing={"order": ["1", "2"], "angles_deg": [0, 180]})


def test_two_stroke_has_one_order() -> None:
    six = document([0, 120, 240, 300, 60, 180], strokes=2)
    # Tops at 0, 240, 120, 60, 300, 180: by hand 1-4-3-6-2-5.
    assert six["order"] == ["1", "4", "3", "6", "2", "5"]
    assert six["intervals_deg"] == [60] * 6
    assert six["fluctuation"] == pytest.approx(1 / 6)
    with pytest.raises(InputError, match="one turn"):
        layout([0, 120, 240], strokes=2, firing={"order": ["1", "2", "3"]})
    assert document([0, 120, 240], strokes=2)["order"] == ["1", "3", "2"]


def test_cylinders_that_fire_together_are_flagged_in_label_order() -> None:
    # Big-bang four: pairs together, 10 stands after 9 in label order.
    pair = document(
        [0, 0, 180, 180],
        labels=["9", "10", "2", "1"],
        firing={"angles_deg": [0, 0, 180, 180]},
    )
    assert pair["order"] == ["9", "10", "1", "2"]
    assert pair["fire_together"] == [["9", "10"], ["1", "2"]]
    assert pair["intervals_deg"] == [0, 180, 0, 540]
    # By hand: 2 of 4 done at 0, 4 of 4 just after 180 of 720, where 1/4 is gone: 1 - 1/4 - 0.
    assert pair["fluctuation"] == pytest.approx(0.75)
    assert document([0, 180, 180, 0])["fire_together"] == []


def test_cylinders_that_fire_together_may_be_listed_in_any_order() -> None:
    # Two-stroke three with throws 0-0-180: 1 and 2 fire together, then 3.
    wanted = document([0, 0, 180], strokes=2, firing={"order": ["1", "2", "3"]})
    got = document([0, 0, 180], strokes=2, firing={"order": ["2", "1", "3"]})
    assert got["angles_deg"] == wanted["angles_deg"]


def test_shares_of_neighbours_and_of_bank_changes() -> None:
    # Flat four 1-3-4-2, cyclic steps 1-3, 3-4, 4-2, 2-1: two of four are neighbours.
    engine = layout([0, 180, 180, 0], firing={"order": ["1", "3", "4", "2"]})
    metrics = evaluation_document(engine)["metrics"]
    assert metrics["neighbour_firing_share"] == pytest.approx(0.5)
    assert metrics["bank_alternation_share"] == 0
    # Cross-plane V8: banks in order L-R-L-L-R-L-R-R (Wikipedia 'V8', copied page), so that six of
    # the eight cyclic steps change the bank.
    throws = [0, 0, 90, 90, 270, 270, 180, 180]
    order = list("18436572")
    eight = layout(throws, axes_deg=[45, -45] * 4, firing={"order": order})
    letters = "".join("L" if int(label) % 2 else "R" for label in order)
    changes = sum(a != b for a, b in itertools.pairwise(letters + letters[0]))
    got = evaluation_document(eight)["metrics"]["bank_alternation_share"]
    assert got == pytest.approx(changes / 8)


# --- Collectors ----------------------------------------------------------------------------------


@cache
def stirling(n: int, k: int) -> int:
    """Return the number of partitions of n things into k groups: n stays alone, or joins one."""
    if n == k:
        return 1
    if k < 1 or k > n:
        return 0
    return stirling(n - 1, k - 1) + k * stirling(n - 1, k)


@pytest.mark.parametrize("n", range(1, 11))
def test_count_of_partitions(n: int) -> None:
    for k in range(1, n + 1):
        assert n_partitions(n, k) == stirling(n, k)
        # The same by inclusion and exclusion (Graham, Knuth, Patashnik, eq. 6.19).
        onto = sum((-1) ** j * math.comb(k, j) * (k - j) ** n for j in range(k + 1))
        assert n_partitions(n, k) == onto // math.factorial(k)
    assert n_partitions(n, n + 1) == 0


@pytest.mark.parametrize(("n", "k"), [(1, 1), (4, 2), (5, 3), (6, 2), (6, 3), (7, 4), (6, 6)])
def test_all_partitions_are_there_once(n: int, k: int) -> None:
    def as_sets(labels: Sequence[int]) -> frozenset[frozenset[int]]:
        return frozenset(
            frozenset(i for i, other in enumerate(labels) if other == label) for label in labels
        )

    listed = [as_sets(row) for row in all_partitions(n, k).tolist()]
    every = {
        as_sets(labels) for labels in itertools.product(range(k), repeat=n) if len(set(labels)) == k
    }
    assert len(listed) == len(set(listed)) == stirling(n, k)
    assert set(listed) == every


def test_too_many_partitions_are_refused() -> None:
    with pytest.raises(ValueError, match="partitions"):
        all_partitions(16, 8)


def collector_scores(
    angles: Sequence[float], labels: Sequence[int], open_deg: float
) -> tuple[float, float, float]:
    """Return overlap, minus the least spacing, and unevenness of a partition, by loops."""
    overlap, least, square = 0.0, 720.0, 0.0
    for group in set(labels):
        pulses = sorted(a for a, label in zip(angles, labels, strict=True) if label == group)
        pulses.append(pulses[0] + 720)
        spacings = [b - a for a, b in itertools.pairwise(pulses)]
        overlap += sum(max(0.0, open_deg - spacing) for spacing in spacings)
        least = min(least, *spacings)
        square += sum((spacing - 720 / len(spacings)) ** 2 for spacing in spacings)
    return overlap, -least, math.sqrt(square / len(angles))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(0, 23).map(lambda k: 30 * k), min_size=5, max_size=5),
    st.sampled_from([1, 2, 3]),
    st.sampled_from([180.0, 240.0, 300.0]),
)
def test_best_partition_of_six_cylinders(rest: list[int], n_groups: int, open_deg: float) -> None:
    angles = [0, *rest]
    best = best_partition(
        np.array([angles], float), n_groups, cycle_deg=720.0, open_duration_deg=open_deg
    )[0].tolist()
    assert len(set(best)) == n_groups
    scores = collector_scores(angles, best, open_deg)
    wanted = min(
        tuple(round(score, 6) for score in collector_scores(angles, labels, open_deg))
        for labels in itertools.product(range(n_groups), repeat=6)
        if len(set(labels)) == n_groups
    )
    assert scores == pytest.approx(wanted, abs=1e-6)
    # The scores of the batch path are those of the loops.
    e = evaluation(
        pin_angles_deg=[-angle % 360 for angle in angles],
        firing_bits=[angle // 360 for angle in angles],
        collectors=best,
        open_duration_deg=open_deg,
    )
    np.testing.assert_allclose(e.firing_angles_deg[0], angles, atol=1e-9)
    measured = e.exhaust
    assert measured.overlap_deg[0] == pytest.approx(scores[0], abs=1e-9)
    assert measured.spacing_min_deg[0] == pytest.approx(-scores[1], abs=1e-9)
    assert measured.unevenness_deg[0] == pytest.approx(scores[2], abs=1e-9)


def test_overlap_counts_before_spacing_in_the_best_partition() -> None:
    # Found by trial: the partition of least overlap is not the one of largest least spacing.
    angles, open_deg = [0, 100, 40, 530, 170, 480, 400], 240.0
    every = [
        collector_scores(angles, labels, open_deg)
        for labels in itertools.product(range(2), repeat=7)
        if len(set(labels)) == 2
    ]
    least_overlap, widest = min(every), min(every, key=lambda scores: (scores[1], scores[0]))
    assert least_overlap[0] < widest[0]
    assert -least_overlap[1] < -widest[1]
    best = best_partition(
        np.array([angles], float), 2, cycle_deg=720.0, open_duration_deg=open_deg
    )[0]
    assert collector_scores(angles, best.tolist(), open_deg) == pytest.approx(least_overlap)


@pytest.mark.parametrize(("cycle", "strokes"), [(720.0, 4), (360.0, 2)])
def test_spectrum_of_even_pulses(cycle: float, strokes: int) -> None:
    # n even pulses: every n-th harmonic of the cycle adds up to 1, all others cancel (geometric
    # series); one pulse has all of them.
    for n in (1, 2, 3, 4, 6):
        angles = cycle / n * np.arange(n)
        wanted = [1.0 if q % n == 0 else 0.0 for q in range(1, 13)]
        np.testing.assert_allclose(half_order_spectrum(angles, 12, cycle), wanted, atol=1e-12)
    throws = [0] if strokes == 2 else [0, 0]
    exhaust = evaluation_document(layout(throws, strokes=strokes))["exhaust"]
    assert exhaust["spectrum_orders"][:2] == ([0.5, 1.0] if strokes == 4 else [1.0, 2.0])
