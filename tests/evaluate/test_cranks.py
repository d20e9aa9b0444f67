"""Cranks that are known by facts alone, against a filter over the whole lattice.

The filter is `tests.evaluate.facts_by_hand`: every crank of the lattice with every set of firing
angles, looked at one at a time in whole numbers. Counts must be equal; angles are compared after
rounding to 1e-6 degrees, within which the package takes angles to be equal (design, section 3).
"""

from __future__ import annotations

import itertools
import random
import re
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from math import factorial, tau
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evaluate import InputError
from evaluate.bench import Bench, bench_from_tables
from evaluate.cranks import Found, agreeing_cranks
from evaluate.layout import subject_of
from evaluate.order_results import cranks_document
from tests.evaluate.facts_by_hand import (
    Filtered,
    Row,
    Statement,
    Subject,
    holds,
    in_order,
    statement_about,
)

#: Small engines, and a lattice for each that the filter can walk through.
IN_LINE = {n: Subject(tuple(range(1, n + 1)), (0,) * n, tuple("ABCD"[:n])) for n in (1, 2, 3, 4)}
ENGINES: dict[str, tuple[Subject, int]] = {
    "single": (IN_LINE[1], 90),
    "in-line 2, lattice 60": (IN_LINE[2], 60),
    "in-line 3, lattice 60": (IN_LINE[3], 60),
    "in-line 3, lattice 45": (IN_LINE[3], 45),
    "in-line 4, lattice 90": (IN_LINE[4], 90),
    "in-line 4, lattice 60": (IN_LINE[4], 60),
    "two-stroke in-line 3": (replace(IN_LINE[3], strokes=2), 60),
    "cylinder 1 not on throw 1": (Subject((2, 1, 3), (0, 0, 0), ("1", "2", "3")), 60),
    "V4, own throws, lattice 90": (Subject((1, 2, 3, 4), (45, -45) * 2, tuple("1234")), 90),
    "V4, one camshaft": (
        Subject((1, 2, 3, 4), (45, -45, -45, 45), tuple("1234"), placed="one"),
        90,
    ),
    "V4, shared pins, lattice 45": (Subject((1, 1, 2, 2), (45, -45) * 2, tuple("1234")), 45),
    "V4 60, shared pins, anticlockwise": (
        Subject((1, 1, 2, 2), (30, -30) * 2, ("A1", "B1", "A2", "B2"), rotation="anticlockwise"),
        60,
    ),
    "opposed 4, lattice 90": (Subject((1, 2, 3, 4), (90, -90) * 2, tuple("1234")), 90),
    "V6 120, shared pins": (Subject((1, 1, 2, 2, 3, 3), (60, -60) * 3, tuple("123456")), 120),
}


def bench_of(subject: Subject, step: float, statements: Sequence[Statement] = ()) -> Bench:
    return bench_from_tables(subject.tables({"throw_angle_step_deg": step}, statements))


def search(bench: Bench, *, even_only: bool) -> Found:
    assert bench.step_deg is not None
    return agreeing_cranks(
        subject_of(bench.layout), bench.layout.facts, step_deg=bench.step_deg, even_only=even_only
    )


def rounded(found: Found) -> list[tuple[int, ...]]:
    both = np.hstack([found.rows.pins_deg, found.rows.angles_deg])
    return [tuple(row) for row in np.rint(both * 1e6).astype(np.int64).tolist()]


def exact(rows: Sequence[Row]) -> list[tuple[int, ...]]:
    return [
        tuple(round(angle * 1_000_000) for angle in (*throws, *angles)) for throws, angles in rows
    ]


def compare(
    subject: Subject, step: int, rows: Sequence[Row], statements: Sequence[Statement], even: bool
) -> bool:
    """Check the cranks that are left and every count; return whether any is left."""
    bench = bench_of(subject, step, statements)
    assert len(bench.layout.facts) == len(statements)
    by_hand = Filtered.of(subject, rows, statements)
    every = range(len(statements))
    wanted = by_hand.left(every)
    if not wanted:
        with pytest.raises(InputError) as refusal:
            search(bench, even_only=even)
        check_clash(bench, by_hand, refusal.value)
        return False
    found = search(bench, even_only=even)
    assert sorted(rounded(found)) == sorted(exact(wanted))
    assert rounded(found) == sorted(rounded(found))  # throw angles, then firing angles
    assert len(found.cuts) == len(statements)
    for i, cut in enumerate(found.cuts):
        assert cut.alone == by_hand.count([i])
        assert cut.after == by_hand.count(range(i + 1))
        assert cut.without == by_hand.count([j for j in every if j != i])
    return True


def check_clash(bench: Bench, by_hand: Filtered, error: InputError) -> None:
    """Check that the facts that are named clash, that each is needed, and the ways out."""
    facts = bench.layout.facts
    named = [i for i, fact in enumerate(facts) if f"({fact.where})" in error.got]
    named = [i for i in named if facts[i].text in error.got]
    assert by_hand.count(named) == 0
    for i in named:
        assert by_hand.count([j for j in named if j != i]) > 0
    for where, count in re.findall(r"without (\S+) (\d+) left", error.allowed):
        (i,) = [k for k in named if facts[k].where == where]
        left = by_hand.count([j for j in range(len(facts)) if j != i])
        assert int(count) == left > 0


def drawn(
    dice: random.Random, subject: Subject, rows: Sequence[Row], n: int, n_truths: int
) -> list[Statement]:
    truths = []
    for _ in range(n_truths):
        senses = tuple(dice.choice([True, False]) for _ in subject.shafts)
        if subject.drives:
            senses = tuple(gears is not None and gears % 2 == 1 for gears in subject.drives)
        truths.append((dice.choice(rows), senses))
    made: list[Statement] = []
    for _ in range(10 * n):
        statement = statement_about(dice, subject, *dice.choice(truths))
        if statement is not None and statement not in made:
            made.append(statement)
        if len(made) == n:
            break
    return in_order(made, subject)


def with_drives(dice: random.Random, subject: Subject) -> Subject:
    drives = tuple(dice.choice([2, 3]) for _ in subject.shafts)
    return replace(subject, drives=dice.choice([(), drives]))


# --- Against the whole lattice -------------------------------------------------------------------


@pytest.mark.parametrize("even", [True, False])
@pytest.mark.parametrize("name", ENGINES)
def test_without_facts_every_crank_of_the_lattice_is_there(name: str, even: bool) -> None:
    subject, step = ENGINES[name]
    rows = subject.rows_of_lattice(step, even_only=even)
    if rows:
        assert compare(subject, step, rows, [], even)
    else:
        with pytest.raises(InputError, match="lattice"):
            search(bench_of(subject, step), even_only=even)


@pytest.mark.parametrize("even", [True, False])
@pytest.mark.parametrize("name", ENGINES)
def test_facts_leave_what_a_filter_over_the_lattice_leaves(name: str, even: bool) -> None:
    plain, step = ENGINES[name]
    rows = plain.rows_of_lattice(step, even_only=even)
    if not rows or len(plain.labels) == 1:
        return
    dice = random.Random(f"{name} {even}")
    for _ in range(4 if len(rows) > 500 else 10):
        subject = with_drives(dice, plain)
        statements = drawn(dice, subject, rows, dice.randint(1, 4), 1)
        assert compare(subject, step, rows, statements, even)


@pytest.mark.parametrize("name", ENGINES)
def test_facts_of_different_engines_clash_in_the_least_number_of_them(name: str) -> None:
    plain, step = ENGINES[name]
    rows = plain.rows_of_lattice(step, even_only=False)
    if len(plain.labels) < 3:
        return
    dice = random.Random(f"clash {name}")
    n_clashes = 0
    for _ in range(40):  # until three have clashed
        subject = with_drives(dice, plain)
        statements = drawn(dice, subject, rows, dice.randint(3, 6), 3)
        n_clashes += not compare(subject, step, rows, statements, False)
        if n_clashes == 3:
            break
    assert n_clashes > 0


def test_even_cranks_in_line_by_closed_forms() -> None:
    # An odd number of cylinders has one place in the cycle for each, so (n-1)! cranks of one order.
    # An even number pairs them: n cylinders in n/2 pairs, cylinder 1's TDC first, the others on the
    # n/2 - 1 remaining ones: (n - 1)!/2^(n/2 - 1) cranks of 2^(n/2 - 1) orders each.
    for n in (2, 3, 4, 5, 6, 7):
        subject = Subject(tuple(range(1, n + 1)), (0,) * n, tuple(map(str, range(1, n + 1))))
        bench = bench_of(subject, min(180, 720 / n) if n % 2 == 0 else 360 / n)
        document = cranks_document(bench, search(bench, even_only=True), even_only=True)
        orders_each = 2 ** (n // 2 - 1) if n % 2 == 0 else 1
        assert document["count"] == factorial(n - 1)
        assert document["count_of_cranks"] == factorial(n - 1) // orders_each
        assert {crank["count"] for crank in document["cranks"]} == {orders_each}


@pytest.mark.parametrize("step", [51.4285714, 51.42857143, 360 / 7, 51.428571428571])
def test_a_lattice_step_that_decimals_only_come_near_holds_each_crank_once(step: float) -> None:
    # Five decimals of accuracy are more than anybody types: 7 places, not 8. In-line three, all.
    found = search(bench_of(IN_LINE[3], step), even_only=False)
    assert len(found.rows.angles_deg) == 7 * 7 * 4
    places = np.rint(found.rows.pins_deg * 7 / 360)
    assert len(np.unique(np.hstack([places, found.rows.angles_deg]), axis=0)) == 7 * 7 * 4
    assert places.max() == 6


def test_cranks_are_not_counted_twice_for_their_last_digits() -> None:
    # Cylinder 1 on the second throw: angles from throw 1 are differences of sevenths of a turn.
    subject = Subject((2, 1, 3), (0, 0, 0), ("1", "2", "3"))
    bench = bench_of(subject, 360 / 7)
    document = cranks_document(bench, search(bench, even_only=False), even_only=False)
    assert document["count"] == 7 * 7 * 4
    assert document["count_of_cranks"] == 7 * 7


# --- The two unknown V fours ---------------------------------------------------------------------


def test_the_bench_of_a_v_four_with_own_throws() -> None:
    # Facts, common practice, no source: 90-degree V4, own throws, banks + - + -, even firing.
    # By hand: pairs of cylinders that share a TDC are (1,2), (1,3) or (1,4) with the rest, and
    # alpha = beta - theta: 1 and 4 together, 2 and 3 half a turn later gives throws 0, 90, 180,
    # 270; 1 and 3 together gives 0, 90, 0, 90; 1 and 2 together gives 0, 270, 180, 90.
    subject = Subject((1, 2, 3, 4), (45, -45) * 2, tuple("1234"))

    def cranks(*statements: Statement) -> set[tuple[int, ...]]:
        found = search(bench_of(subject, 90, statements), even_only=True)
        return {tuple(map(round, pins)) for pins in found.rows.pins_deg.tolist()}

    every = {(0, 90, 180, 270), (0, 90, 0, 90), (0, 270, 180, 90)}
    assert cranks() == every
    assert cranks(("same_tdc", ["1", "4"])) == {(0, 90, 180, 270)}
    assert cranks(("crankpins", [1, 2, 3, 4])) == {(0, 90, 180, 270)}
    assert cranks(("crankpins", [[1, 3], [2, 4]])) == {(0, 90, 0, 90)}
    assert cranks(("next", ["1", "3"])) == every - {(0, 90, 0, 90)}


# --- Invariances ---------------------------------------------------------------------------------

OTHER = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}
ENDS = {"free end": "driving end", "driving end": "free end"}


@pytest.mark.parametrize(
    "name", ["in-line 4, lattice 90", "V4, shared pins, lattice 45", "V4, one camshaft"]
)
def test_an_anticlockwise_engine_is_read_in_the_mirror(name: str) -> None:
    plain, step = ENGINES[name]
    rows = plain.rows_of_lattice(step, even_only=True) or plain.rows_of_lattice(
        step, even_only=False
    )
    even = bool(plain.rows_of_lattice(step, even_only=True))
    dice = random.Random(f"mirror {name}")
    for _ in range(6):
        subject = with_drives(dice, plain)
        statements = drawn(dice, subject, rows, 3, 1)
        mirrored = [
            (kind, value | {"met": OTHER[value.get("met", "clockwise")]})
            if kind == "lobes"
            else (kind, value)
            for kind, value in statements
        ]
        twin = replace(subject, rotation=OTHER[subject.rotation])
        there = search(bench_of(twin, step, mirrored), even_only=even)
        assert rounded(there) == rounded(
            search(bench_of(subject, step, statements), even_only=even)
        )


@pytest.mark.parametrize(
    "name", ["in-line 3, lattice 60", "in-line 4, lattice 90", "V4, shared pins, lattice 45"]
)
def test_an_engine_turned_end_for_end_with_its_labels_is_the_same(name: str) -> None:
    plain, step = ENGINES[name]
    n = plain.n_throws
    rows = plain.rows_of_lattice(step, even_only=False)
    dice = random.Random(f"ends {name}")

    def seen(found: Found, subject: Subject) -> set[tuple[Any, ...]]:
        """Return firing angles by label from the first of the alphabet on, in degrees."""
        i = subject.labels.index(min(subject.labels))
        turned = (found.rows.angles_deg - found.rows.angles_deg[:, [i]]) % 720
        by_label = np.argsort(subject.labels)
        return {tuple(row) for row in np.rint(turned[:, by_label] * 1000).tolist()}

    for _ in range(6):
        subject = with_drives(dice, plain)
        statements = drawn(dice, subject, rows, 3, 1)
        twin = replace(
            subject,
            throw_of=tuple(n + 1 - t for t in reversed(subject.throw_of)),
            axes=tuple(reversed(subject.axes)),
            labels=tuple(reversed(subject.labels)),
            rotation=OTHER[subject.rotation],
        )
        if twin.bank_axes != subject.bank_axes:
            twin = replace(twin, drives=tuple(reversed(subject.drives)))
        carried: list[Statement] = []
        for kind, value in statements:
            new: Any = value
            if kind == "crankpins":
                new = [
                    n + 1 - entry if isinstance(entry, int) else [n + 1 - t for t in entry]
                    for entry in value
                ]
            elif kind == "lobes":
                new = value | {"seen_from": ENDS[value.get("seen_from", "free end")]}
            carried.append((kind, new))
        here = search(bench_of(subject, step, statements), even_only=False)
        there = search(bench_of(twin, step, carried), even_only=False)
        assert len(here.rows.angles_deg) == len(there.rows.angles_deg)
        assert seen(here, subject) == seen(there, twin)


# --- What cannot be used -------------------------------------------------------------------------


def test_too_few_facts_say_so() -> None:
    subject = Subject(tuple(range(1, 7)), (0,) * 6, tuple("123456"))
    with pytest.raises(InputError) as caught:
        search(bench_of(subject, 15), even_only=False)
    assert "too few" in str(caught.value)
    assert "coarser" in str(caught.value)
    assert "even" in str(caught.value)


def test_a_lattice_without_an_even_crank_says_so() -> None:
    # In-line three, even: 120 apart, which a lattice of 90 does not hold.
    with pytest.raises(InputError) as caught:
        search(bench_of(IN_LINE[3], 90), even_only=True)
    assert "throw_angle_step_deg" in str(caught.value)
    assert "finer" in str(caught.value)


@pytest.mark.parametrize("step", [7.0, 100, 0.5, 0, -15, 200, True, "15", float("nan")])
def test_a_step_that_does_not_divide_the_turn_is_refused(step: Any) -> None:
    with pytest.raises(InputError, match="throw_angle_step_deg"):
        search(bench_of(IN_LINE[2], step), even_only=False)


@pytest.mark.parametrize(
    ("tables", "piece"),
    [
        ({"firing": {"order": ["1", "2"]}}, "firing"),
        ({"cylinders": {}}, "cylinders.throw"),
        ({"cylinders": {"throw": [1, 3]}}, "cylinders.throw"),
        ({"facts": {"next": [["1", "5"]]}}, "facts.next[0]"),
        ({"facts": {"crankpins": [[1, 3]]}}, "facts.crankpins[0]"),
        ({"crank": {"throw_angle_step_deg": 90, "throw_angles_deg": [0, 90]}}, "crank"),
        ({"crank": {}}, "crank.throw_angles_deg"),
    ],
)
def test_files_that_cannot_be_used(tables: dict[str, Any], piece: str) -> None:
    usual = {"crank": {"throw_angle_step_deg": 90}, "cylinders": {"throw": [1, 2]}}
    with pytest.raises(InputError) as caught:
        search(bench_from_tables(usual | tables), even_only=False)
    assert piece in str(caught.value)


def test_contradicting_facts_name_each_other_and_the_ways_out() -> None:
    # Three throws that are met 1, 2, 3 have TDCs in the order 1, 3, 2; so in a two-stroke 3 fires
    # right after 1, and 2 cannot.
    subject = replace(IN_LINE[3], strokes=2)
    statements = [("next", ["A", "B"]), ("crankpins", [1, 2, 3])]
    with pytest.raises(InputError) as caught:
        search(bench_of(subject, 60, statements), even_only=True)
    message = str(caught.value)
    for piece in ("B fires right after A", "crankpins are met in the order 1, 2, 3", "contradict"):
        assert piece in message
    assert "0-120-240" in message  # without the first
    assert "0-240-120" in message  # without the second


# --- Where the lattice is too large to walk through ----------------------------------------------

SIX = Subject(tuple(range(1, 7)), (0,) * 6, tuple("123456"))
#: No crank has two cylinders together and a quarter turn apart, whatever else is known.
NEVER: list[Statement] = [
    ("same_tdc", ["5", "6"]),
    ("tdc_apart", {"cylinders": ["5", "6"], "degrees": 90.0}),
]


def test_a_contradiction_in_a_large_lattice_is_not_taken_for_many_cranks() -> None:
    with pytest.raises(InputError) as caught:
        search(bench_of(SIX, 15, NEVER), even_only=False)
    message = str(caught.value)
    assert "too few" not in message
    assert "contradict" in message


def test_a_fact_that_has_no_part_in_a_clash_is_not_named_in_a_large_lattice() -> None:
    statements = in_order([*NEVER, ("next", ["1", "2"])], SIX)
    with pytest.raises(InputError) as caught:
        search(bench_of(SIX, 15, statements), even_only=False)
    assert "5 and 6 reach top dead centre together" in caught.value.got
    assert "5 and 6 reach top dead centre 90 deg apart" in caught.value.got
    assert "2 fires right after 1" not in caught.value.got


# --- The worked example of the studies -----------------------------------------------------------

BENCH = Path(__file__).parents[2] / "studies" / "bench"


@pytest.mark.parametrize("path", sorted(BENCH.glob("*-found.toml")), ids=lambda path: path.stem)
def test_the_worked_example_is_the_only_engine_that_its_facts_leave(path: Path) -> None:
    # Every even order of n cylinders in line, on any crank: (n - 1)! of them, each looked at alone.
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    n = len(tables["crank"]["throw_angles_deg"])
    assert "banks" not in tables  # in line; with banks, this test must learn of them
    facts = dict(tables["facts"])
    assert "tolerance_deg" not in facts
    gears = tables["camshafts"]["drive"]["gears"]
    subject = Subject(
        tuple(range(1, n + 1)),
        (0,) * n,
        tuple(map(str, range(1, n + 1))),
        rotation=tables["rotation"],
        drives=(gears,),
    )
    statements = in_order([(kind, v) for kind, values in facts.items() for v in values], subject)
    left = []
    for places in itertools.permutations(range(1, n)):
        angles = (0, *(place * 720 // n for place in places))
        row = (tuple(-angle % 360 for angle in angles), angles)
        if all(holds(statement, subject, row, (gears % 2 == 1,)) for statement in statements):
            left.append(row)
    assert len(left) == 1
    ((throws, angles),) = left
    assert list(angles) == tables["firing"]["angles_deg"]
    assert list(throws) == tables["crank"]["throw_angles_deg"]


def test_the_worked_example_tells_the_truth_step_by_step() -> None:
    # Numbers as its README states them, against every even order of eight cylinders in line.
    story = (BENCH / "README.md").read_text(encoding="utf-8")
    subject = Subject(tuple(range(1, 9)), (0,) * 8, tuple("12345678"), drives=(3,))
    rows = []
    for places in itertools.permutations(range(1, 8)):
        angles = (0, *(90 * place for place in places))
        rows.append((tuple(-angle % 360 for angle in angles), angles))

    def left(statements: Sequence[Statement], senses: Sequence[bool] = (True, False)) -> list[Row]:
        return [
            row
            for row in rows
            if any(all(holds(s, subject, row, (sense,)) for s in statements) for sense in senses)
        ]

    def orders(found: Sequence[Row]) -> set[str]:
        return {"-".join(sorted("12345678", key=lambda i: a[int(i) - 1])) for _, a in found}

    facts: list[Statement] = [("same_tdc", pair) for pair in (["1", "4"], ["2", "3"], ["5", "8"])]
    found = left(facts)
    assert (len({throws for throws, _ in found}), len(found)) == (6, 48)
    assert "Six cranks" in story
    assert "48 firing orders" in story
    facts.append(("tdc_apart", {"cylinders": ["1", "2"], "degrees": 180}))
    found = left(facts)
    assert (len({throws for throws, _ in found}), len(found)) == (2, 16)
    facts.append(("crankpins", [1, 5, 2, 6]))
    found = left(facts)
    assert {throws for throws, _ in found} == {(0, 180, 180, 0, 90, 270, 270, 90)}
    assert len(found) == 8
    facts.append(("lobes", {"order": ["1", "2", "6", "5"]}))
    assert orders(left(facts)) == {"1-7-2-8-4-6-3-5", "1-7-3-5-4-6-2-8"}
    assert orders(left(facts, [True])) == {"1-7-3-5-4-6-2-8"}  # three gears
    assert orders(left(facts, [False])) == {"1-7-2-8-4-6-3-5"}  # four gears
    for order in ("1-7-2-8-4-6-3-5", "1-7-3-5-4-6-2-8"):
        assert order in story
    # What shook the deck, by the handbook's sums: second order m r w^2 (l + l^3/4) of each half of
    # four, at 1500 rpm, four pitches apart. Within 1 N m: the series goes on.
    ratio = 70.0 / 262.0
    force_N = (
        4 * 2.35 * 0.070 * (1500 * tau / 60) ** 2 * (ratio + ratio**3 / 4 + 15 / 128 * ratio**5)
    )
    stated = float(re.search(r"couple of ([\d,]+) N·m", story)[1].replace(",", ""))  # type: ignore[index]
    assert force_N * 4 * 0.154 == pytest.approx(stated, abs=1.0)
