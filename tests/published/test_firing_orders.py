"""Firing orders that cranks allow, against a count from the definition and against the trade.

The count is made by `tests.firing_by_hand`: every one of the 2^(n-1) bit sets, in fractions; angles
of the package are compared with a tolerance of 1e-6 degrees, within which it takes angles to be
equal (design, section 3). Orders of known engines carry their source; where none is named they are
common practice, no source.
"""

from __future__ import annotations

import itertools
import random
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from evaluate import InputError, read_layout
from evaluate.bench import bench_from_tables
from evaluate.layout import Layout
from evaluate.orders import AllowedOrders, allowed_orders
from tests import firing_by_hand as by_hand
from tests.firing_by_hand import Angle, Vector

TOLERANCE_DEG = 1e-6


@dataclass(frozen=True)
class Crank:
    """A crank as the tests give it: throw angles, and throw and bank axis of each cylinder."""

    throws: Sequence[Angle]
    axes: Sequence[Angle]
    throw_of: Sequence[int]
    labels: Sequence[str] | None = None
    strokes: int = 4

    @property
    def pins(self) -> list[Angle]:
        return [self.throws[k - 1] for k in self.throw_of]

    @property
    def cycle(self) -> int:
        return 180 * self.strokes

    def layout(self, **more: Any) -> Layout:
        banks = list(dict.fromkeys(self.axes))
        cylinders: dict[str, Any] = {
            "throw": list(self.throw_of),
            "bank": [1 + banks.index(axis) for axis in self.axes],
        }
        if self.labels is not None:
            cylinders["labels"] = list(self.labels)
        tables = {
            "cycle_strokes": self.strokes,
            "crank": {"throw_angles_deg": [float(angle) for angle in self.throws]},
            "banks": {"angles_deg": [float(axis) for axis in banks]},
            "cylinders": cylinders,
            **more,
        }
        return bench_from_tables(tables).layout


def in_line(*throws: Angle, strokes: int = 4) -> Crank:
    return Crank(throws, [0] * len(throws), range(1, len(throws) + 1), strokes=strokes)


def shared_pins(
    axes: Sequence[Angle], *throws: Angle, labels: Sequence[str] | None = None
) -> Crank:
    """Return a V whose two rods of a pair sit on one pin, numbered along the crank."""
    places = [k for k in range(1, len(throws) + 1) for _ in axes]
    return Crank(throws, list(axes) * len(throws), places, labels)


def own_throws(axes: Sequence[Angle], *throws: Angle) -> Crank:
    return Crank(throws, axes, range(1, len(throws) + 1))


#: Throws in the direction of rotation from the free end; numbers along the crank (SAE J824 A).
CLASSICS = {
    "single": in_line(0),
    "in-line 2, 360 crank": in_line(0, 0),
    "in-line 2, 180 crank": in_line(0, 180),
    "in-line 2, 270 crank": in_line(0, 270),
    "in-line 3": in_line(0, 240, 120),
    "in-line 3, T": in_line(0, 270, 180),
    "in-line 4": in_line(0, 180, 180, 0),
    "in-line 4, cross-plane": in_line(0, 270, 90, 180),
    "in-line 5": in_line(0, 216, 144, 72, 288),
    "in-line 6": in_line(0, 240, 120, 120, 240, 0),
    "in-line 6, the other": in_line(0, 120, 240, 240, 120, 0),
    "in-line 7": in_line(*(-Fraction(720 * k, 7) % 360 for k in (0, 3, 5, 1, 6, 4, 2))),
    "in-line 8": in_line(0, 180, 270, 90, 90, 270, 180, 0),
    "in-line 8, the other": in_line(0, 180, 90, 270, 270, 90, 180, 0),
    "in-line 9": in_line(*(80 * k % 360 for k in (0, 2, 4, 6, 8, 1, 3, 5, 7))),
    "in-line 10": in_line(0, 216, 144, 72, 288, 288, 72, 144, 216, 0),
    "in-line 11": in_line(*(Fraction(360 * k, 11) for k in (0, 2, 4, 6, 8, 10, 1, 3, 5, 7, 9))),
    "in-line 12": in_line(0, 60, 120, 180, 240, 300, 300, 240, 180, 120, 60, 0),
    "V2 90": shared_pins([45, -45], 0),
    "V2 60": shared_pins([30, -30], 0),
    "V4 90, pins at 180": shared_pins([-45, 45], 0, 180, labels=["A1", "B1", "A2", "B2"]),
    "V4 90, pins at 0": shared_pins([-45, 45], 0, 0, labels=["A1", "B1", "A2", "B2"]),
    "V4 90, own throws": own_throws([45, -45, 45, -45], 0, 90, 180, 270),
    # alpha_i = beta_i - beta_1 - phi_i, phi from the order 1-6-5-4-3-2; left bank 1, 3, 5 ahead.
    "V6 60, 60 splay": own_throws([30, -30] * 3, 0, 60, 240, 300, 120, 180),
    "V6 90, 30 splay": own_throws([45, -45] * 3, 0, 30, 240, 270, 120, 150),
    "V6 90, shared": shared_pins([45, -45], 0, 240, 120),
    "V6 120": shared_pins([60, -60], 0, 240, 120),
    "V8 cross-plane": shared_pins([45, -45], 0, 90, 270, 180),
    "V8 flat-plane": shared_pins(
        [-45, 45], 0, 180, 180, 0, labels=["1", "5", "2", "6", "3", "7", "4", "8"]
    ),
    "V10 72": shared_pins(
        [-36, 36], 0, 72, 288, 144, 216, labels=["1", "6", "2", "7", "3", "8", "4", "9", "5", "10"]
    ),
    "V10 90": shared_pins([45, -45], 0, 72, 288, 144, 216),
    "V12 60": shared_pins(
        [-30, 30], 0, 240, 120, 120, 240, 0, labels=[f"{b}{k}" for k in range(1, 7) for b in "AB"]
    ),
    "V14": shared_pins(
        [Fraction(180, 7), Fraction(-180, 7)], *(-Fraction(720 * k, 7) % 360 for k in range(7))
    ),
    "V16 45": shared_pins([Fraction(45, 2), Fraction(-45, 2)], 0, 180, 90, 270, 270, 90, 180, 0),
    "opposed 2": own_throws([90, -90], 0, 180),
    "opposed 4": own_throws([90, -90] * 2, 0, 180, 180, 0),
    "opposed 6": own_throws([90, -90] * 3, 0, 180, 240, 60, 120, 300),
    "radial 5": shared_pins([72 * k for k in range(5)], 0),
    "radial 7": shared_pins([Fraction(360 * k, 7) for k in range(7)], 0),
    "radial 9": shared_pins([40 * k for k in range(9)], 0),
    "two-stroke in-line 3": in_line(0, 240, 120, strokes=2),
    "two-stroke in-line 4": in_line(0, 180, 90, 270, strokes=2),
    "two-stroke in-line 2, 360 crank": in_line(0, 0, strokes=2),
}


def random_cranks(kind: str, n: int) -> list[Crank]:
    """Return cranks on lattices: some that fire evenly by making, some thrown like dice."""
    dice = random.Random(f"{kind} {n}")
    made = []
    for k in range(2 if n > 13 else 3 if n > 10 else 6):
        spread = 0 if kind == "in-line" else dice.choice([45, 60, 72, 90, 120, 180])
        axes = [dice.choice([Fraction(spread, 2), -Fraction(spread, 2)]) for _ in range(n)]
        axes[:2] = [Fraction(spread, 2), -Fraction(spread, 2)][: len(axes[:2])]
        if k % 3 == 2:
            step = dice.choice([30, 45, 60, 90, 120, 180])
            throws = [step * dice.randrange(360 // step) for _ in range(n)]
        else:
            places = dice.sample(range(n), n)
            throws = [
                (axis - Fraction(720 * place, n)) % 360
                for axis, place in zip(axes, places, strict=True)
            ]
        made.append(Crank(throws, axes, range(1, n + 1)))
    return made


def exact(crank: Crank, row_deg: Sequence[float]) -> Vector:
    """Return the exact angles that a row of the package stands for, and check that it does."""
    at = by_hand.phases(crank.pins, crank.axes)
    turns = [round((row - float(angle)) / 360) for row, angle in zip(row_deg, at, strict=True)]
    angles = tuple(angle + 360 * turn for angle, turn in zip(at, turns, strict=True))
    off_deg = max(abs(row - float(angle)) for row, angle in zip(row_deg, angles, strict=True))
    assert off_deg < TOLERANCE_DEG
    return angles


def check_vectors(crank: Crank, found: AllowedOrders, wanted: Sequence[Vector]) -> None:
    """Check that the package found exactly these vectors, each once, with their orders."""
    got = [exact(crank, row) for row in found.angles_deg.tolist()]
    assert len(got) == len(wanted)
    assert set(got) == set(wanted)
    for angles, order in zip(got, found.orders, strict=True):
        if len(set(angles)) == len(angles):  # none fire together
            assert order == by_hand.order(angles, crank.labels)


@pytest.mark.parametrize("name", CLASSICS)
def test_even_orders_of_classic_cranks_equal_a_count_over_all_bit_sets(name: str) -> None:
    crank = CLASSICS[name]
    wanted = by_hand.even_vectors(crank.pins, crank.axes, crank.cycle)
    found = allowed_orders(crank.layout())
    check_vectors(crank, found, wanted)
    assert found.n_vectors == (2 ** (len(crank.axes) - 1) if crank.strokes == 4 else 1)
    for angles_deg in found.angles_deg:
        rising = sorted(angles_deg.tolist())
        assert rising == pytest.approx(
            [k * crank.cycle / len(rising) for k in range(len(rising))], abs=TOLERANCE_DEG
        )


@pytest.mark.parametrize(
    ("kind", "n"), [("in-line", n) for n in range(1, 13)] + [("V", n) for n in range(2, 17)]
)
def test_even_orders_of_random_cranks_equal_a_count_over_all_bit_sets(kind: str, n: int) -> None:
    counts = []
    for crank in random_cranks(kind, n):
        wanted = by_hand.even_vectors(crank.pins, crank.axes)
        check_vectors(crank, allowed_orders(crank.layout()), wanted)
        counts.append(len(wanted))
    assert max(counts) > 0  # most of them fire evenly by making


@pytest.mark.parametrize("name", [name for name in CLASSICS if len(CLASSICS[name].axes) % 2 == 0])
def test_closed_form_where_two_cylinders_share_every_top_dead_centre(name: str) -> None:
    # Where each TDC is shared by exactly two and TDCs are spaced evenly, the first pair is settled
    # by b_1 = 0, and in each of the other n/2 - 1 pairs either may fire first: 2^(n/2 - 1).
    crank = CLASSICS[name]
    n, at = len(crank.axes), by_hand.phases(crank.pins, crank.axes)
    spaced = sorted(set(at)) == [Fraction(720 * k, n) for k in range(n // 2)]
    if crank.strokes == 2:
        assert len(allowed_orders(crank.layout())) == (1 if len(set(at)) == n else 0)
    elif spaced and all(at.count(angle) == 2 for angle in at):
        assert len(allowed_orders(crank.layout())) == 2 ** (n // 2 - 1)
    else:
        assert len(allowed_orders(crank.layout())) == 0


def test_closed_form_covers_the_classics() -> None:
    # By hand: these cranks pair their cylinders, so the numbers follow.
    counts = {"in-line 4": 2, "in-line 6": 4, "in-line 8": 8, "in-line 10": 16, "in-line 12": 32}
    counts |= {"V8 cross-plane": 8, "V8 flat-plane": 8, "V10 72": 16, "V12 60": 32, "V16 45": 128}
    counts |= {"V6 120": 4, "V14": 64, "opposed 2": 1, "opposed 4": 2, "opposed 6": 4}
    # An odd number of cylinders: every one has a TDC of its own, so one order or none.
    counts |= {"in-line 3": 1, "in-line 5": 1, "in-line 7": 1, "in-line 9": 1, "in-line 11": 1}
    for name, count in counts.items():
        assert len(allowed_orders(CLASSICS[name].layout())) == count, name


# --- All orders, even or not, and how they are sorted --------------------------------------------

ALL = [name for name in CLASSICS if len(CLASSICS[name].axes) <= 8]


@pytest.mark.parametrize("name", ALL)
def test_all_vectors_and_their_scores(name: str) -> None:
    crank = CLASSICS[name]
    found = allowed_orders(crank.layout(), even_only=False)
    wanted = list(by_hand.vectors(crank.pins, crank.axes, crank.cycle))
    check_vectors(crank, found, wanted)
    keys = [sort_key(crank, exact(crank, row)) for row in found.angles_deg.tolist()]
    assert keys == sorted(keys)


@pytest.mark.parametrize("n", [3, 5, 6, 7])
def test_all_vectors_of_random_cranks_are_sorted_by_the_stated_rule(n: int) -> None:
    for crank in random_cranks("V", n):
        found = allowed_orders(crank.layout(), even_only=False)
        check_vectors(crank, found, list(by_hand.vectors(crank.pins, crank.axes)))
        keys = [sort_key(crank, exact(crank, row)) for row in found.angles_deg.tolist()]
        assert keys == sorted(keys)


def test_sixteen_cylinders_have_all_their_vectors() -> None:
    found = allowed_orders(CLASSICS["V16 45"].layout(), even_only=False)
    assert len(found) == 2**15
    assert (found.scores["firing_unevenness_deg"] < TOLERANCE_DEG).sum() == 128


def sort_key(crank: Crank, angles: Vector) -> tuple[Any, ...]:
    """Return what the stated rule sorts by, in fractions.

    Most even first; then fewest firings on the same or the next throw; then least exhaust overlap
    (one collector a bank and 240 degrees where the file says nothing); then most changes of bank;
    then the smallest angles by cylinder.
    """
    near = [[abs(a - b) <= 1 for b in crank.throw_of] for a in crank.throw_of]
    changes = [[a != b for b in crank.axes] for a in crank.axes]
    banks = [sorted(set(crank.axes)).index(axis) for axis in crank.axes]
    return (
        by_hand.uneven_squares(angles, crank.cycle),
        by_hand.shares(angles, near),
        by_hand.overlap(angles, banks, 240, crank.cycle),
        -by_hand.shares(angles, changes),
        angles,
    )


# --- Familiar orders ------------------------------------------------------------------------------

FAMILIAR = [
    # crank, order, source
    ("in-line 2, 360 crank", "1-2", "common practice, no source"),
    ("in-line 3", "1-3-2", "a rider's notes repository (read)"),
    ("in-line 4", "1-3-4-2", "several pages; common practice"),
    ("in-line 4", "1-2-4-3", "several pages; common practice"),
    ("in-line 5", "1-2-4-5-3", "kfz-tech.de (read)"),
    ("in-line 6", "1-5-3-6-2-4", "US Army OD1001 course; FAA-type text (read)"),
    ("in-line 6, the other", "1-4-2-6-3-5", "from memory; the mirror image of the one above"),
    ("in-line 8", "1-6-2-5-8-3-7-4", "from memory"),
    ("in-line 8, the other", "1-4-7-3-8-5-2-6", "from memory; the mirror image"),
    ("V6 60, 60 splay", "1-6-5-4-3-2", "International VT 275 engine manual p. 21 (60 with 60)"),
    ("V6 90, 30 splay", "1-6-5-4-3-2", "GM 3800 manual, 1997 (left bank 1-3-5)"),
    ("V6 120", "1-6-5-4-3-2", "common practice, no source"),
    ("V8 cross-plane", "1-8-4-3-6-5-7-2", "GLM marine catalogue p. 56 (read)"),
    ("V8 cross-plane", "1-8-7-2-6-5-4-3", "from memory"),
    ("V8 flat-plane", "1-5-3-7-4-8-2-6", "from memory; each bank as an in-line four 1-3-4-2"),
    ("V10 72", "1-6-5-10-2-7-3-8-4-9", "from memory; each bank as a five 1-5-2-3-4"),
    ("V12 60", "A1-B6-A5-B2-A3-B4-A6-B1-A2-B5-A4-B3", "pattern from memory"),
    ("V16 45", "1-8-9-14-3-6-11-2-15-10-7-4-13-12-5-16", "from memory; odd numbers on one bank"),
    ("opposed 2", "1-2", "common practice, no source"),
    ("opposed 4", "1-3-2-4", "FAA-type text (read)"),
    ("opposed 4", "1-4-2-3", "FAA-type text (read)"),
    ("opposed 6", "1-4-5-2-3-6", "FAA-type text (read)"),
    ("radial 5", "1-3-5-2-4", "FAA-type text (read)"),
    ("radial 7", "1-3-5-7-2-4-6", "FAA-type text (read)"),
    ("radial 9", "1-3-5-7-9-2-4-6-8", "FAA-type text (read)"),
    ("V4 90, own throws", "1-3-4-2", "common practice, no source"),
    ("two-stroke in-line 3", "1-2-3", "common practice, no source: TDCs in turn"),
]


@pytest.mark.parametrize(("name", "text", "source"), FAMILIAR)
def test_familiar_even_orders_are_among_them(name: str, text: str, source: str) -> None:
    orders = ["-".join(order) for order in allowed_orders(CLASSICS[name].layout()).orders]
    assert text in orders
    assert len(set(orders)) == len(orders)


#: Uneven ones: order and intervals, in degrees, sum 720.
UNEVEN = [
    ("in-line 2, 180 crank", "1-2", [180, 540], "page on firing orders (read)"),
    (
        "in-line 2, 270 crank",
        "1-2",
        [450, 270],
        "the same; the second piston 90 deg later or before",
    ),
    ("in-line 3, T", "1-3-2", [180, 270, 270], "a rider's notes repository (read)"),
    (
        "in-line 4, cross-plane",
        "1-3-2-4",
        [270, 180, 90, 180],
        "firings at 0, 270, 450, 540 (read)",
    ),
    ("V2 90", "1-2", [270, 450], "rule 360 -+ V (read)"),
    ("V2 60", "1-2", [300, 420], "the same"),
    ("V4 90, pins at 180", "A1-A2-B1-B2", [180, 270, 180, 90], "from memory"),
    ("V4 90, pins at 0", "A1-B1-A2-B2", [90, 270, 90, 270], "from memory"),
]


@pytest.mark.parametrize(("name", "text", "waits", "source"), UNEVEN)
def test_familiar_uneven_orders_are_among_all_of_them(
    name: str, text: str, waits: list[int], source: str
) -> None:
    crank = CLASSICS[name]
    assert len(allowed_orders(crank.layout())) == 0
    found = allowed_orders(crank.layout(), even_only=False)
    rows = [
        row.tolist()
        for order, row in zip(found.orders, found.angles_deg, strict=True)
        if "-".join(order) == text
    ]
    assert any(
        by_hand.intervals(row, 720) == pytest.approx(waits, abs=TOLERANCE_DEG) for row in rows
    )


def test_odd_firing_v_six_is_90_and_150() -> None:
    # A dictionary's example sentence gives 90 and 150 (read); bank by bank from memory.
    crank = CLASSICS["V6 90, shared"]
    assert len(allowed_orders(crank.layout())) == 0
    found = allowed_orders(crank.layout(), even_only=False)
    waits = [by_hand.intervals(exact(crank, row), 720) for row in found.angles_deg.tolist()]
    assert [150, 90] * 3 in waits


# --- Forbidden orders -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["in-line 4, cross-plane", "in-line 5", "in-line 6", "V8 cross-plane", "opposed 6", "radial 5"],
)
def test_orders_are_accepted_just_where_a_bit_set_realises_them(name: str) -> None:
    crank = CLASSICS[name]
    n = len(crank.axes)
    every = list(by_hand.vectors(crank.pins, crank.axes))
    dice = random.Random(name)
    rest = list(itertools.permutations(range(1, n))) if n < 6 else None
    tries = rest or [dice.sample(range(1, n), n - 1) for _ in range(40)]
    n_refused = 0
    for tail in tries:
        sequence = [0, *tail]
        wanted = [str(i + 1) for i in sequence]
        if any(by_hand.can_be_read_as(angles, sequence) for angles in every):
            crank.layout(firing={"order": wanted})
            continue
        n_refused += 1
        with pytest.raises(InputError) as refusal:
            crank.layout(firing={"order": wanted})
        message = str(refusal.value)
        assert "-".join(wanted) in message
        nearest = message.split("nearest that it allows: ")[1].split(", ")
        assert nearest
        for text in nearest:
            offered = [int(label) - 1 for label in text.split("-")]
            assert sorted(offered) == list(range(n))
            assert any(by_hand.can_be_read_as(angles, offered) for angles in every)
    assert n_refused > 0


# --- 90-degree V fours, each cylinder on a throw of its own --------------------------------------
#
# By hand, with theta_i = beta_i - alpha_i and banks at +45 and -45; angles from cylinder 1:
#
# (a) throws 0, 90, 0, 90, banks + - + -: TDCs at 0, 180, 0, 180. 1 and 3 share one, 2 and 4 the
#     other. Even orders 1-2-3-4 and 1-4-3-2. Bank 1 carries cylinders 1 and 3, which fire 360 crank
#     degrees apart in both orders: their lobes stand 180 apart whatever the order and the sense, so
#     NOTHING on one bank's camshaft tells the orders apart. One camshaft for both banks does: its
#     lobe of cylinder i stands at beta_i - s phi_i / 2 in the direction of crank rotation (s = 1 as
#     the crank, -1 against it). Against it: 1-2-3-4 has lobes at 45, -45+90, 45+180, -45+270, so
#     1 and 2 stand in line and 3 and 4 opposite; 1-4-3-2 has 1 and 4 in line. As the crank: the
#     other way about.
# (b) throws 0, 90, 180, 270, banks + - + -: TDCs at 0, 180, 180, 0. Orders 1-2-4-3 and 1-3-4-2.
#     Bank 1 carries 1 and 3: in 1-2-4-3, 3 fires 540 after 1 (270 of cam), in 1-3-4-2 180 after it
#     (90 of cam). A lobe stands so far against its camshaft's rotation. An engine that turns
#     clockwise seen from the free end, camshaft against the crank (anticlockwise): lobe 3 stands 90
#     clockwise of lobe 1 in 1-3-4-2 and 270 in 1-2-4-3; camshaft as the crank: 270 and 90.
#     So "lobe 3 is 90 clockwise of lobe 1" alone leaves both, with an even number of gears
#     (against) 1-3-4-2, with an odd number 1-2-4-3. The order of two lobes without
#     an angle is taken to say that the second is met within half a turn (on a closed circle each
#     follows the other), so it says the same here.
# (c) throws 0, 90, 270, 180, banks + - - +: TDCs at 0, 180, 0, 180. Orders 1-2-3-4 and 1-4-3-2.
#     Bank 1 carries 1 and 4: 4 fires 540 or 180 after 1. As in (b), "lobe 4 is 90 clockwise of lobe
#     1" with an even number is 1-4-3-2, with an odd number 1-2-3-4.

FOURS = {
    "a": (own_throws([45, -45, 45, -45], 0, 90, 0, 90), {"1-2-3-4", "1-4-3-2"}),
    "b": (own_throws([45, -45, 45, -45], 0, 90, 180, 270), {"1-2-4-3", "1-3-4-2"}),
    "c": (own_throws([45, -45, -45, 45], 0, 90, 270, 180), {"1-2-3-4", "1-4-3-2"}),
}


def orders_left(
    crank: Crank, lobes: dict[str, Any] | None, gears: int | None, **more: Any
) -> set[str]:
    """Return the even orders that a lobe reading and a gear count leave."""
    tables: dict[str, Any] = dict(more)
    camshafts = dict(tables.pop("camshafts", {}))
    if gears is not None:
        camshafts["drive"] = {"gears": gears}
    if camshafts:
        tables["camshafts"] = camshafts
    if lobes is not None:
        tables["facts"] = {"lobes": [lobes]}
    return {"-".join(order) for order in allowed_orders(crank.layout(**tables)).orders}


@pytest.mark.parametrize("name", FOURS)
def test_right_angle_fours_have_two_orders_and_gears_alone_cut_nothing(name: str) -> None:
    crank, both = FOURS[name]
    assert orders_left(crank, None, None) == both
    for gears in (2, 3, 4, 5):
        assert orders_left(crank, None, gears) == both
        # With any fact, so that the drive is counted as a fact of its own:
        assert orders_left(crank, None, gears, facts={"tolerance_deg": 1.0}) == both


def test_all_four_pistons_together_allow_no_even_order() -> None:
    # Throws 0, 90, 0, 90 with the -45 bank first: TDCs at -45, -45, -45, -45.
    assert orders_left(own_throws([-45, 45, -45, 45], 0, 90, 0, 90), None, None) == set()


@pytest.mark.parametrize(
    ("name", "second", "even", "odd"),
    [("b", "3", "1-3-4-2", "1-2-4-3"), ("c", "4", "1-4-3-2", "1-2-3-4")],
)
@pytest.mark.parametrize("angles", [{"angles_deg": [0, 90]}, {}])
def test_lobes_on_one_bank_with_the_parity_of_the_gears_single_out_one_order(
    name: str, second: str, even: str, odd: str, angles: dict[str, Any]
) -> None:
    crank, both = FOURS[name]
    lobes = {"order": ["1", second], **angles}
    assert orders_left(crank, lobes, None) == both
    for gears in (2, 4, 6):
        assert orders_left(crank, lobes, gears) == {even}
    for gears in (3, 5, 7):
        assert orders_left(crank, lobes, gears) == {odd}
    # Seen from the other end, or met the other way round, the same words mean the opposite.
    for other in ({"seen_from": "driving end"}, {"met": "anticlockwise"}):
        assert orders_left(crank, lobes | other, 2) == {odd}
        assert orders_left(crank, lobes | other, 3) == {even}
    twice = {"seen_from": "driving end", "met": "anticlockwise"}
    assert orders_left(crank, lobes | twice, 2) == {even}
    # An engine that turns anticlockwise is the mirror image.
    assert orders_left(crank, lobes, 2, rotation="anticlockwise") == {odd}


def test_on_crank_a_only_one_camshaft_for_both_banks_tells_the_orders_apart() -> None:
    crank, both = FOURS["a"]
    own = {"order": ["1", "3"], "angles_deg": [0, 180]}
    for gears in (None, 2, 3):
        assert orders_left(crank, own, gears) == both
    one = {"camshafts": {"placed": "one"}}
    lobes = {"order": ["1", "2", "3", "4"], "angles_deg": [0, 0, 180, 180]}
    assert orders_left(crank, lobes, None, **one) == both
    assert orders_left(crank, lobes, 2, **one) == {"1-2-3-4"}
    assert orders_left(crank, lobes, 3, **one) == {"1-4-3-2"}


# --- The layout files that come with the project --------------------------------------------------

SAMPLES = sorted((Path(__file__).parents[2] / "studies" / "layouts").glob("*.toml"))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_even_orders_of_the_sample_layouts_equal_a_count_over_all_bit_sets(path: Path) -> None:
    # Numbers of the file are read as decimal fractions, so that thirds of a turn are exact or not.
    tables = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Fraction)
    throws = tables["crank"].get("throw_angles_deg")
    if throws is None:  # a crank that is sought
        return
    cylinders = tables.get("cylinders", {})
    throw_of = cylinders.get("throw", list(range(1, len(throws) + 1)))
    banks = tables.get("banks", {}).get("angles_deg", [0])
    axes = [banks[b - 1] for b in cylinders.get("bank", [1] * len(throw_of))]
    crank = Crank(throws, axes, throw_of, strokes=tables.get("cycle_strokes", 4))
    if "facts" in tables:
        return
    layout = read_layout(path)
    crank = replace(crank, labels=layout.labels)
    wanted = by_hand.even_vectors(crank.pins, crank.axes, crank.cycle)
    n_groups = min(2, len(axes))
    check_vectors(crank, allowed_orders(layout, n_collectors=n_groups), wanted)
