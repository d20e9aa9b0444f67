"""Facts about an engine with a known crank, against a filter that looks at one engine at a time.

The filter is `tests.evaluate.facts_by_hand`, in whole numbers, without the package. Counts must be
equal; firing angles are compared after rounding to 1e-6 degrees, within which the package takes
angles to be equal (design, section 3). Cranks and orders: common practice, no source.
"""

from __future__ import annotations

import itertools
import random
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from evaluate import InputError, evidence, layout_from_tables
from evaluate.bench import bench_from_tables
from evaluate.evidence import Rows
from evaluate.layout import Layout
from evaluate.orders import allowed_orders
from tests.evaluate.facts_by_hand import (
    KINDS,
    Filtered,
    Row,
    Statement,
    Subject,
    in_order,
    statement_about,
)


@dataclass(frozen=True)
class Known:
    subject: Subject
    throws: tuple[int, ...]


def known(throws: Sequence[int], axes: Sequence[int] = (), per_pin: int = 1, **more: Any) -> Known:
    n = len(throws) * per_pin
    throw_of = tuple(1 + i // per_pin for i in range(n))
    labels = more.pop("labels", tuple(str(i + 1) for i in range(n)))
    return Known(Subject(throw_of, tuple(axes) or (0,) * n, tuple(labels), **more), tuple(throws))


CRANKS = {
    "in-line 3": known([0, 240, 120]),
    "in-line 4": known([0, 180, 180, 0], labels=["front", "B", "c 3", "rear"]),
    "in-line 4, cross-plane": known([0, 270, 90, 180]),
    "in-line 5": known([0, 216, 144, 72, 288]),
    "in-line 6": known([0, 240, 120, 120, 240, 0]),
    "V4, a": known([0, 90, 0, 90], [45, -45] * 2),
    "V4, b": known([0, 90, 180, 270], [45, -45] * 2),
    "V4, c, one camshaft": known([0, 90, 270, 180], [45, -45, -45, 45], placed="one"),
    "V6 120": known([0, 240, 120], [60, -60] * 3, 2),
    "V8 cross-plane": known([0, 90, 270, 180], [45, -45] * 4, 2),
    "V8 cross-plane, anticlockwise": known(
        [0, 90, 270, 180], [45, -45] * 4, 2, rotation="anticlockwise", placed="one"
    ),
    "opposed 4": known([0, 180, 180, 0], [90, -90] * 2, labels=["A1", "B1", "A2", "B2"]),
    "opposed 6": known([0, 180, 240, 60, 120, 300], [90, -90] * 3),
    "two-stroke V4": known([0, 90], [45, -45] * 2, 2, strokes=2),
}


def layout_of(case: Known, statements: Sequence[Statement]) -> Layout:
    crank = {"throw_angles_deg": list(case.throws)}
    return bench_from_tables(case.subject.tables(crank, statements)).layout


def rounded(angles_deg: np.ndarray) -> set[tuple[int, ...]]:
    return {tuple(row) for row in np.rint(angles_deg * 1e6).astype(np.int64).tolist()}


def exact(rows: Sequence[Row]) -> set[tuple[int, ...]]:
    return {tuple(round(angle * 1_000_000) for angle in angles) for _, angles in rows}


def with_drives(dice: random.Random, case: Known) -> Known:
    """Return the engine with a train of gears for each camshaft, or nothing known of them."""
    n = len(case.subject.shafts)
    drives = dice.choice([(), tuple(dice.choice([2, 3]) for _ in range(n))])
    return replace(case, subject=replace(case.subject, drives=drives))


def true_senses(dice: random.Random, subject: Subject) -> tuple[bool, ...]:
    if subject.drives:
        return tuple(gears is not None and gears % 2 == 1 for gears in subject.drives)
    return tuple(dice.choice([True, False]) for _ in subject.shafts)


def drawn_statements(
    dice: random.Random,
    subject: Subject,
    rows: Sequence[Row],
    n: int,
    *,
    n_truths: int,
    kinds: Sequence[str] = KINDS,
) -> list[Statement]:
    """Return facts, each true of one of so many engines: with one they agree, with more rarely."""
    truths = [(dice.choice(rows), true_senses(dice, subject)) for _ in range(n_truths)]
    made: list[Statement] = []
    for _ in range(20 * n):
        row, senses = dice.choice(truths)
        statement = statement_about(dice, subject, row, senses, kinds)
        if statement is not None and statement not in made:
            made.append(statement)
        if len(made) == n:
            break
    return in_order(made, subject)


def compare(case: Known, statements: Sequence[Statement], *, even_only: bool) -> bool:
    """Check the orders that are left and every count; return whether anything is left."""
    rows = case.subject.rows_of_crank(case.throws, even_only=even_only)
    by_hand = Filtered.of(case.subject, rows, statements)
    every = range(len(statements))
    layout = layout_of(case, statements)
    assert len(layout.facts) == len(statements)
    wanted = by_hand.left(every)
    if not wanted:
        with pytest.raises(InputError) as refusal:
            allowed_orders(layout, even_only=even_only)
        check_clash(layout, rows, by_hand, str(refusal.value))
        return False
    found = allowed_orders(layout, even_only=even_only)
    assert rounded(found.angles_deg) == exact(wanted)
    assert len(found) == len(wanted)
    assert found.n_before_facts == len(rows)
    assert len(found.cuts) == len(statements)
    for i, cut in enumerate(found.cuts):
        assert cut.alone == by_hand.count([i])
        assert cut.after == by_hand.count(range(i + 1))
        assert cut.without == by_hand.count([j for j in every if j != i])
    return True


def check_clash(layout: Layout, rows: Sequence[Row], by_hand: Filtered, message: str) -> None:
    """Check that the clash that is named is one, that none of its facts can be spared, and more."""
    pins_deg = np.array([throws for throws, _ in rows], float)
    angles_deg = np.array([angles for _, angles in rows], float)
    found = evidence.clashes(layout.facts, Rows(pins_deg=pins_deg, angles_deg=angles_deg))
    assert found
    every = range(len(layout.facts))
    smallest = next(
        size
        for size in range(1, len(layout.facts) + 1)
        if any(not by_hand.count(some) for some in itertools.combinations(every, size))
    )
    for clash in found:
        members = [next(i for i in every if layout.facts[i] is fact) for fact in clash]
        assert by_hand.count(members) == 0
        for i in members:
            assert by_hand.count([j for j in members if j != i]) > 0
        if smallest <= 4:
            assert len(members) == smallest
    assert any(all(fact.text in message for fact in clash) for clash in found)
    # What would be possible: the ways out that are offered leave what they say.
    allowed = message.split("; allowed: ")[1]
    for where, count in re.findall(r"without ([^ ]+) (\d+) left", allowed):
        named = [i for i in every if layout.facts[i].where == where]
        if len(named) != 1 or " and " in allowed.split(f"{where} {count}")[0][-60:]:
            continue  # two drives, or two facts at once
        left = by_hand.left([j for j in every if j != named[0]])
        # Orders are one when the labels and what fires together are the same.
        orders = {
            (
                order_words(layout, angles),
                tuple(a == b for a, b in itertools.pairwise(sorted(angles))),
            )
            for _, angles in left
        }
        assert int(count) == len(orders) > 0


def order_words(layout: Layout, angles: Sequence[Any]) -> tuple[str, ...]:
    names = sorted(range(len(angles)), key=lambda i: natural(layout.labels[i]))
    return tuple(layout.labels[i] for i in sorted(names, key=lambda i: angles[i]))


def together(angles: Sequence[Any]) -> tuple[bool, ...]:
    return tuple(a == b for a, b in itertools.pairwise(sorted(angles)))


def natural(label: str) -> list[Any]:
    return [int(part) if part.isdigit() else part for part in re.split(r"(\d+)", label)]


# --- Each kind of fact, alone and together -------------------------------------------------------


@pytest.mark.parametrize("even_only", [True, False])
@pytest.mark.parametrize("name", CRANKS)
def test_one_fact_alone(name: str, even_only: bool) -> None:
    dice = random.Random(f"one {name} {even_only}")
    kinds = set()
    for _ in range(10):
        case = with_drives(dice, CRANKS[name])
        rows = case.subject.rows_of_crank(case.throws, even_only=even_only)
        if not rows:
            return
        statements = drawn_statements(dice, case.subject, rows, 1, n_truths=1)
        kinds |= {kind for kind, _ in statements}
        assert compare(case, statements, even_only=even_only)
    assert len(kinds) >= 4


@pytest.mark.parametrize("even_only", [True, False])
@pytest.mark.parametrize("name", CRANKS)
def test_facts_that_are_true_of_one_engine_keep_it(name: str, even_only: bool) -> None:
    dice = random.Random(f"true {name} {even_only}")
    for _ in range(8):
        case = with_drives(dice, CRANKS[name])
        rows = case.subject.rows_of_crank(case.throws, even_only=even_only)
        if not rows:
            return
        statements = drawn_statements(dice, case.subject, rows, dice.randint(2, 5), n_truths=1)
        assert compare(case, statements, even_only=even_only)


@pytest.mark.parametrize("name", CRANKS)
def test_facts_of_different_engines_often_clash(name: str) -> None:
    dice = random.Random(f"clash {name}")
    cutting = ("next", "order", "apart", "lobes")  # those that speak of the firing order
    n_clashes = 0
    for _ in range(60):  # until three have clashed
        case = with_drives(dice, CRANKS[name])
        rows = case.subject.rows_of_crank(case.throws, even_only=False)
        statements = drawn_statements(
            dice, case.subject, rows, dice.randint(3, 7), n_truths=4, kinds=cutting
        )
        n_clashes += not compare(case, statements, even_only=False)
        if n_clashes == 3:
            break
    if case.subject.strokes == 4:
        assert n_clashes > 0


def test_a_slip_within_the_tolerance_is_allowed_and_one_beyond_it_is_not() -> None:
    # 180 apart in fact; 2 degrees where the file says nothing, and both ends of it belong.
    case = CRANKS["in-line 4, cross-plane"]
    fact = {"cylinders": ["1", "4"], "degrees": 180.0}
    for slip, tolerance, is_left in [
        (0, 0, True),
        (2, 2, True),
        (-2, 2, True),
        (2.01, 2, False),
        (1, 0.5, False),
        (-10, 10, True),
    ]:
        tables = case.subject.tables(
            {"throw_angles_deg": list(case.throws)},
            [("tdc_apart", fact | {"degrees": 180.0 + slip})],
        )
        tables["facts"]["tolerance_deg"] = tolerance
        layout = bench_from_tables(tables).layout
        if is_left:
            assert len(allowed_orders(layout, even_only=False)) == 8
        else:
            with pytest.raises(InputError, match="deg apart"):
                allowed_orders(layout, even_only=False)


@pytest.mark.parametrize("group", list(itertools.permutations("123")))
def test_together_means_all_of_them_in_whatever_order_they_are_listed(
    group: tuple[str, ...],
) -> None:
    # Throws at 0, 2 and 4 degrees: 1 and 3 are 4 apart, which a tolerance of 2 does not cover.
    layout = layout_of(known([0, 2, 4]), [("same_tdc", list(group))])
    with pytest.raises(InputError, match="together"):
        allowed_orders(layout, even_only=False)
    near = layout_of(known([0, 1, 2]), [("same_tdc", list(group))])
    assert len(allowed_orders(near, even_only=False)) == 4


def test_two_camshafts_turn_each_in_a_sense_of_its_own() -> None:
    # By hand. V4 (b) as in tests/published/test_firing_orders.py: even orders 1-2-4-3 and 1-3-4-2.
    # In 1-3-4-2 lobe 3 is 90 clockwise of 1, and 4 is 270 clockwise of 2 (180 crank degrees before
    # it), if both camshafts turn against the crank; as the crank, the other way about.
    case = CRANKS["V4, b"]
    readings: list[Statement] = [
        ("lobes", {"order": ["1", "3"], "angles_deg": [0, 90]}),
        ("lobes", {"order": ["2", "4"], "angles_deg": [0, 90]}),
    ]
    wanted = {
        (): {"1-2-4-3", "1-3-4-2"},  # one camshaft each way fits both orders
        (2, 2): set(),
        (3, 3): set(),
        (2, 3): {"1-3-4-2"},
        (3, 2): {"1-2-4-3"},
    }
    for drives, orders in wanted.items():
        subject = replace(case.subject, drives=drives)
        layout = layout_of(replace(case, subject=subject), in_order(readings, subject))
        if orders:
            assert {"-".join(o) for o in allowed_orders(layout).orders} == orders
        else:
            with pytest.raises(InputError, match="gears"):
                allowed_orders(layout)


# --- Known in part -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CRANKS)
def test_facts_never_refute_an_engine_that_is_known_in_part(name: str) -> None:
    # What is not known yet may still turn out so that the fact holds.
    dice = random.Random(f"part {name}")
    for _ in range(12):
        case = with_drives(dice, CRANKS[name])
        subject = case.subject
        rows = subject.rows_of_crank(case.throws, even_only=False)
        row = dice.choice(rows)
        senses = true_senses(dice, subject)
        drawn = [statement_about(dice, subject, row, senses) for _ in range(6)]
        statements = in_order([s for s in drawn if s is not None], subject)
        facts = layout_of(case, statements).facts
        for _ in range(8):
            unknown = [t for t in range(subject.n_throws) if dice.random() < 0.5]
            pins_deg, angles_deg = (np.array([part], float) for part in row)
            pins_deg[0, unknown] = np.nan
            hidden = [i for i, throw in enumerate(subject.throw_of) if throw - 1 in unknown]
            angles_deg[0, hidden] = np.nan
            assert evidence.possible(facts, Rows(pins_deg=pins_deg, angles_deg=angles_deg))[0]


# --- Invariances ---------------------------------------------------------------------------------


def orders_left(case: Known, statements: Sequence[Statement], **changed: Any) -> set[str]:
    """Return the orders left, each read from cylinder "1" or the first in the alphabet."""
    tables = case.subject.tables({"throw_angles_deg": list(case.throws)}, statements) | changed
    found = allowed_orders(bench_from_tables(tables).layout, even_only=True)
    first = min(case.subject.labels)
    return {
        "-".join(order[order.index(first) :] + order[: order.index(first)])
        for order in found.orders
    }


EVEN = ["in-line 4", "in-line 5", "in-line 6", "V4, b", "V8 cross-plane", "opposed 6"]


def cases(seed: str, name: str) -> list[tuple[Known, list[Statement]]]:
    dice = random.Random(f"{seed} {name}")
    made = []
    for _ in range(4):
        case = with_drives(dice, CRANKS[name])
        rows = case.subject.rows_of_crank(case.throws, even_only=True)
        n = dice.randint(1, 3)
        made.append((case, drawn_statements(dice, case.subject, rows, n, n_truths=1)))
    return made


@pytest.mark.parametrize("name", EVEN)
def test_a_crank_turned_in_the_air_is_the_same_crank(name: str) -> None:
    for case, statements in cases("air", name):
        for turn in (137, -90):
            turned = replace(case, throws=tuple((t + turn) % 360 for t in case.throws))
            assert orders_left(turned, statements) == orders_left(case, statements)


@pytest.mark.parametrize("name", EVEN)
def test_an_anticlockwise_engine_is_read_in_the_mirror(name: str) -> None:
    # Angles of a file grow in the direction of rotation, so the file is the same; what is read off
    # a camshaft clockwise there is read anticlockwise in the mirror.
    other = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}
    for case, statements in cases("mirror", name):
        mirrored = [
            (kind, value | {"met": other[value.get("met", "clockwise")]})
            if kind == "lobes"
            else (kind, value)
            for kind, value in statements
        ]
        subject = replace(case.subject, rotation=other[case.subject.rotation])
        twin = replace(case, subject=subject)
        assert orders_left(twin, mirrored) == orders_left(case, statements)


@pytest.mark.parametrize("name", EVEN)
def test_an_engine_turned_end_for_end_with_its_labels_fires_the_same(name: str) -> None:
    # Seen from the new free end it turns the other way, but angles in the direction of rotation
    # stay; throws are counted from the other end; free and driving end of a reading change names.
    other = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}
    ends = {"free end": "driving end", "driving end": "free end"}
    for case, statements in cases("ends", name):
        n = case.subject.n_throws
        subject = replace(
            case.subject,
            throw_of=tuple(n + 1 - t for t in reversed(case.subject.throw_of)),
            axes=tuple(reversed(case.subject.axes)),
            labels=tuple(reversed(case.subject.labels)),
            rotation=other[case.subject.rotation],
        )
        if case.subject.bank_axes != subject.bank_axes:  # banks are numbered as they come
            subject = replace(subject, drives=tuple(reversed(subject.drives)))
        carried: list[Statement] = []
        for kind, value in statements:
            new: Any = value
            if kind == "crankpins":
                new = [
                    n + 1 - entry if isinstance(entry, int) else [n + 1 - t for t in entry]
                    for entry in value
                ]
            elif kind == "lobes":
                new = value | {"seen_from": ends[value.get("seen_from", "free end")]}
            carried.append((kind, new))
        turned = Known(subject, tuple(reversed(case.throws)))
        assert orders_left(turned, carried) == orders_left(case, statements)


# --- What cannot be used -------------------------------------------------------------------------

FOUR: dict[str, Any] = {"crank": {"throw_angles_deg": [0, 180, 180, 0]}}


def refusal(facts: dict[str, Any], **more: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        allowed_orders(bench_from_tables(FOUR | {"facts": facts} | more).layout)
    return caught.value


@pytest.mark.parametrize(
    ("facts", "where", "pieces"),
    [
        ({"next": [["1", "5"]]}, "facts.next[0]", ["'5'", "1, 2, 3, 4"]),
        ({"same_tdc": [["1", "4"], ["2", "x"]]}, "facts.same_tdc[1]", ["'x'", "1, 2, 3, 4"]),
        ({"order": [["1", "3", "3"]]}, "facts.order[0]", ["'3' twice"]),
        ({"apart": [{"cylinders": ["1", "9"], "degrees": 90}]}, "facts.apart[0]", ["'9'"]),
        ({"tdc_apart": [{"cylinders": ["1", "1"], "degrees": 0}]}, "facts.tdc_apart[0]", ["twice"]),
        ({"crankpins": [[1, 5]]}, "facts.crankpins[0]", ["throw 5", "1 to 4"]),
        ({"crankpins": [[[1, 4]]]}, "facts.crankpins[0]", ["two or more"]),
        ({"crankpins": [[1, [2, 1]]]}, "facts.crankpins[0]", ["each once"]),
        ({"lobes": [{"order": ["1", "7"]}]}, "facts.lobes[0]", ["'7'", "1, 2, 3, 4"]),
        (
            {"lobes": [{"order": ["1", "2"], "angles_deg": [0]}]},
            "facts.lobes[0].angles_deg",
            ["2"],
        ),
        (
            {"lobes": [{"order": ["1", "2", "3"], "angles_deg": [0, 90, 45]}]},
            "facts.lobes[0].angles_deg",
            ["rising"],
        ),
        (
            {"lobes": [{"order": ["1", "2"], "angles_deg": [0, 360]}]},
            "facts.lobes[0].angles_deg",
            ["one turn"],
        ),
        ({"lobes": [{"order": ["1", "2"], "seen_from": "front"}]}, "facts.lobes[0]", ["front"]),
        ({"tolerance_deg": -1}, "facts.tolerance_deg", ["-1"]),
        ({"neighbour": [["1", "2"]]}, "facts", ["neighbour"]),
        ({"next": [["1"]]}, "facts.next[0]", ["2"]),
    ],
)
def test_facts_that_cannot_be_read(facts: dict[str, Any], where: str, pieces: list[str]) -> None:
    error = refusal(facts)
    assert error.where.startswith(where)
    for piece in pieces:
        assert piece in str(error)
    assert error.got
    assert error.allowed


def test_a_label_that_is_nearly_right_is_suggested() -> None:
    layout = CRANKS["in-line 4"]
    with pytest.raises(InputError, match="Did you mean 'front'"):
        layout_of(layout, [("next", ["frnt", "B"])])


def test_lobes_of_two_camshafts_in_one_reading_are_refused() -> None:
    case = CRANKS["V8 cross-plane"]
    with pytest.raises(InputError) as caught:
        layout_of(case, [("lobes", {"order": ["1", "2", "3"]})])
    message = str(caught.value)
    assert "different camshafts" in message
    assert "1, 3, 5, 7" in message
    assert "2, 4, 6, 8" in message


def test_two_clashing_facts_are_both_named_with_what_each_way_out_leaves() -> None:
    # In-line four, even: 1-3-4-2 or 1-2-4-3. Right after 1 comes 3 or 2, never both.
    error = refusal({"next": [["1", "2"], ["1", "3"]]})
    message = str(error)
    for piece in ("2 fires right after 1", "3 fires right after 1", "contradict", "1-3-4-2"):
        assert piece in message
    assert "1-2-4-3" in message
    assert "facts.next[0]" in message
    assert "facts.next[1]" in message


def test_a_fact_that_the_crank_forbids_is_named_alone() -> None:
    # 1 and 4 share a top dead centre on this crank, 1 and 2 do not.
    error = refusal({"same_tdc": [["1", "2"]], "next": [["1", "3"]]})
    assert "1 and 2 reach top dead centre together" in error.got
    assert "3 fires right after 1" not in error.got
    assert "1-3-4-2" in error.allowed


def test_two_clashes_at_once_still_show_a_way_out() -> None:
    # Neither 4 after 1 (360 apart on this crank), nor 3 after 2: two facts have to go.
    error = refusal({"next": [["1", "4"], ["2", "3"], ["1", "3"]]})
    assert re.search(r"\d-\d-\d-\d", error.allowed), str(error)


def test_a_drive_is_named_when_it_takes_part_in_a_clash() -> None:
    # 1-3-4-2 against the crank: clockwise 1, 3, 4, 2; so with three gears 1-3-4-2 cannot be.
    error = refusal(
        {"lobes": [{"order": ["1", "3", "4", "2"]}], "next": [["1", "3"]]},
        camshafts={"drive": {"gears": 3}},
    )
    assert "3 gears" in error.got
    assert "lobes 1, 3, 4, 2" in error.got
    assert "3 fires right after 1" in error.got


def test_the_file_order_must_agree_with_the_facts_when_it_is_evaluated() -> None:
    tables = FOUR | {
        "cylinder": {"stroke_mm": 80.0, "rod_length_mm": 140.0, "reciprocating_mass_kg": 0.5},
        "firing": {"order": ["1", "2", "4", "3"]},
        "facts": {"next": [["1", "3"]]},
    }
    tables["crank"] = FOUR["crank"] | {"throw_pitch_mm": 90}
    with pytest.raises(InputError) as caught:
        layout_from_tables(tables)
    assert "1-2-4-3" in caught.value.got
    assert "3 fires right after 1" in caught.value.got
    assert "1-3-4-2" in caught.value.allowed
    tables["firing"] = {"order": ["1", "3", "4", "2"]}
    assert layout_from_tables(tables).facts
    del tables["firing"]  # left out: the most even that agrees
    np.testing.assert_allclose(layout_from_tables(tables).firing_angles_deg, [0, 540, 180, 360])
