"""Facts about an engine, from a drawing or the bench, and what is left when they hold together.

Rows are possible engines (a crank with a firing order); hypotheses are the senses in which the
camshafts may turn. A fact says of each row and hypothesis whether it may hold; the engine is among
the rows for which one hypothesis satisfies all facts. Rows may be known in part only (NaN): a fact
holds there until it is refuted, which is what lets unknown cranks be built throw by throw.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise, product
from typing import Annotated, Any, Literal

import numpy as np
from msgspec import Meta, field
from numpy.typing import NDArray

from evaluate.batch import FloatArray, IntArray
from evaluate.camshafts import Shaft, clockwise_sign, lobe_angles_deg
from evaluate.errors import InputError, nearest
from evaluate.firing import SNAP_DEG, TURN_DEG, wrap_deg
from evaluate.tables import Table

BoolArray = NDArray[np.bool_]
#: How far a stated angle may be off: drawings give more, protractors less. [deg of crank or cam]
TOLERANCE_DEG = 2.0
#: Up to here every subset of facts is tried for the smallest clash.
MOST_CLASHING = 4
MOST_NAMED = 4

Pair = Annotated[list[str], Meta(min_length=2, max_length=2)]
Group = Annotated[list[str], Meta(min_length=2, max_length=32)]
Apart = Annotated[float, Meta(ge=-720, le=720)]
Tolerance = Annotated[float, Meta(ge=0, le=45)]


class ApartTable(Table, kw_only=True):
    """Two cylinders and the crank angle between them, either way round."""

    cylinders: Pair
    degrees: Apart


class LobesTable(Table, kw_only=True):
    """Lobes of one kind (all exhaust or all intake) in the order in which they are met."""

    order: Group
    angles_deg: (
        Annotated[list[Annotated[float, Meta(ge=-720, le=720)]], Meta(min_length=2)] | None
    ) = None
    seen_from: Literal["free end", "driving end"] = "free end"
    met: Literal["clockwise", "anticlockwise"] = "clockwise"


class FactsTable(Table, kw_only=True):
    """What is known of an engine."""

    same_tdc: list[Group] = field(default_factory=list)
    next: list[Pair] = field(default_factory=list)
    #: Cylinders in the order in which they fire, all of them or some.
    order: list[Group] = field(default_factory=list)
    apart: list[ApartTable] = field(default_factory=list)
    tdc_apart: list[ApartTable] = field(default_factory=list)
    #: Throws, counted from the free end, as met in the direction of rotation; together in a list.
    crankpins: list[list[Annotated[int, Meta(ge=1)] | list[Annotated[int, Meta(ge=1)]]]] = field(
        default_factory=list
    )
    lobes: list[LobesTable] = field(default_factory=list)
    tolerance_deg: Tolerance = TOLERANCE_DEG


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """The engine that facts are about.

    Attributes
    ----------
    labels : tuple of str
        Cylinder labels.
    throws : array of int, shape (cylinders,)
        Throw of each cylinder, counted from 0.
    axes_deg : array, shape (cylinders,)
        Bank axis of each cylinder. [deg]
    cycle_deg : float
        720 or 360. [deg]
    is_clockwise : bool
        Sense of rotation seen from the free end.
    camshafts : tuple of Shaft
        Camshafts and their drives.
    """

    labels: tuple[str, ...]
    throws: IntArray
    axes_deg: FloatArray
    cycle_deg: float
    is_clockwise: bool
    camshafts: tuple[Shaft, ...]

    @property
    def n_throws(self) -> int:
        """Return the number of throws."""
        return int(self.throws.max()) + 1

    def senses(self) -> BoolArray:
        """Return all senses of the camshafts (True: as the crank), (hypotheses, camshafts)."""
        return np.array(list(product([True, False], repeat=len(self.camshafts))), bool)


@dataclass(frozen=True, kw_only=True, slots=True)
class Rows:
    """Possible engines, NaN where nothing is known yet.

    Attributes
    ----------
    pins_deg : array, shape (rows, throws)
        Throw angles. [deg]
    angles_deg : array, shape (rows, cylinders)
        Firing angles. [deg]
    """

    pins_deg: FloatArray
    angles_deg: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """One thing that is known.

    Attributes
    ----------
    text : str
        In words.
    where : str
        The key or option that it came from.
    holds : callable
        From rows to bool, shape (rows, 1) or (rows, hypotheses): False where it is refuted.
    throws : frozenset of int
        Throws whose angles it speaks of, counted from 0; empty when it needs all.
    """

    text: str
    where: str
    holds: Callable[[Rows], BoolArray]
    throws: frozenset[int] = frozenset()


@dataclass(frozen=True, kw_only=True, slots=True)
class Cut:
    """What one fact does to the rows.

    Attributes
    ----------
    fact : Fact
        The fact.
    alone : int or None
        Rows left by this fact and nothing else; None when they are too many to count.
    after : int or None
        Rows left by this fact and those before it.
    without : int or None
        Rows left by all the others.
    """

    fact: Fact
    alone: int | None
    after: int | None
    without: int | None


def facts_from(table: FactsTable | None, subject: Subject, where: str = "facts") -> list[Fact]:
    """Return the facts of a table, in the order of its keys.

    Parameters
    ----------
    table : FactsTable or None
        As read.
    subject : Subject
        The engine.
    where : str
        Name of the table in messages.

    Raises
    ------
    InputError
        For cylinders or throws that do not exist, or facts that no engine can have.
    """
    table = table or FactsTable()
    off_deg = table.tolerance_deg
    facts = [
        _same_tdc(group, subject, off_deg, f"{where}.same_tdc[{i}]")
        for i, group in enumerate(table.same_tdc)
    ]
    facts += [_next(pair, subject, f"{where}.next[{i}]") for i, pair in enumerate(table.next)]
    facts += [_order(group, subject, f"{where}.order[{i}]") for i, group in enumerate(table.order)]
    for i, entry in enumerate(table.apart):
        facts.append(_apart(entry, subject, off_deg, f"{where}.apart[{i}]"))
    for i, entry in enumerate(table.tdc_apart):
        facts.append(_tdc_apart(entry, subject, off_deg, f"{where}.tdc_apart[{i}]"))
    for i, met in enumerate(table.crankpins):
        facts.append(_crankpins(met, subject, off_deg, f"{where}.crankpins[{i}]"))
    for i, lobes in enumerate(table.lobes):
        facts.append(_lobes(lobes, subject, off_deg, f"{where}.lobes[{i}]"))
    return facts


def drive_facts(subject: Subject) -> list[Fact]:
    """Return what the camshaft drives say: the sense in which each camshaft turns.

    They cut nothing alone; together with lobes they do.
    """
    senses = subject.senses()
    facts = []
    for number, shaft in enumerate(subject.camshafts):
        if shaft.drive.with_crank is None:
            continue
        agrees = senses[:, number] == shaft.drive.with_crank

        def holds(rows: Rows, agrees: BoolArray = agrees) -> BoolArray:
            return np.broadcast_to(agrees, (len(rows.angles_deg), len(agrees)))

        facts.append(
            Fact(
                text=f"{shaft.name}, driven by {shaft.drive.words}",
                where="camshafts.drive",
                holds=holds,
            )
        )
    return facts


def possible(facts: Sequence[Fact], rows: Rows) -> BoolArray:
    """Return which rows all facts allow together under one sense of the camshafts, (rows,)."""
    return _together([fact.holds(rows) for fact in facts], len(rows.angles_deg))


def cuts(facts: Sequence[Fact], rows: Rows) -> list[Cut]:
    """Return how many rows each fact leaves: alone, after those before it, and left out."""
    held = [fact.holds(rows) for fact in facts]
    return [
        Cut(
            fact=fact,
            alone=_count([held[i]]),
            after=_count(held[: i + 1]),
            without=_count([*held[:i], *held[i + 1 :]]) if len(held) > 1 else len(rows.angles_deg),
        )
        for i, fact in enumerate(facts)
    ]


def clashes(facts: Sequence[Fact], rows: Rows) -> list[tuple[Fact, ...]]:
    """Return the smallest sets of facts that no row satisfies, all of the least size.

    Sets of more than four are found by leaving out one fact after another, which gives one that
    cannot be made smaller.
    """
    held = [fact.holds(rows) for fact in facts]
    for size in range(1, min(MOST_CLASHING, len(facts)) + 1):
        found = [
            tuple(facts[i] for i in members)
            for members in combinations(range(len(facts)), size)
            if not _count([held[i] for i in members])
        ]
        if found:
            return found
    kept = list(range(len(facts)))
    for i in range(len(facts)):
        fewer = [j for j in kept if j != i]
        if not _count([held[j] for j in fewer]):
            kept = fewer
    return [tuple(facts[i] for i in kept)]


def clash_error(
    facts: Sequence[Fact], rows: Rows, describe: Callable[[int], str], what: str
) -> InputError:
    """Return the error for facts that no row satisfies: which clash, and what each way out leaves.

    Parameters
    ----------
    facts : sequence of Fact
        Not all possible together.
    rows : Rows
        The engines.
    describe : callable
        From the index of a row to words, such as its firing order.
    what : str
        What the rows are, such as "firing order of this crank".
    """
    clash = clashes(facts, rows)[0]
    named = " and ".join(f"{fact.text!r} ({fact.where})" for fact in clash)
    if len(clash) == 1:
        got = f"{named}, which no {what} agrees with"
    else:
        got = f"{named}, which contradict each other: no {what} agrees with all of them"
    ways = []
    for fact in clash:
        rest = [other for other in facts if other is not fact]
        left = list(dict.fromkeys(describe(int(i)) for i in np.flatnonzero(possible(rest, rows))))
        few = ", ".join(left[:MOST_NAMED]) + (" ..." if len(left) > MOST_NAMED else "")
        ways.append(f"without {fact.text!r} {len(left)} left" + (f" ({few})" if few else ""))
    return InputError("facts", got, "; ".join(ways))


def _count(held: Sequence[BoolArray]) -> int:
    return int(_together(held, 1).sum())


def _together(held: Sequence[BoolArray], n_rows: int) -> BoolArray:
    """Return for which rows one hypothesis satisfies all, (rows,); all true without any."""
    if not held:
        return np.ones(n_rows, bool)
    every: Any = held[0]
    for mask in held[1:]:
        every = every & mask  # (rows, 1) against (rows, hypotheses)
    allowed: BoolArray = every.any(axis=1)
    return allowed


# Facts ----------------------------------------------------------------------------------------


def _same_tdc(group: Sequence[str], subject: Subject, off_deg: float, where: str) -> Fact:
    members = _indices(group, subject, where)

    def holds(rows: Rows) -> BoolArray:
        phases_deg = _phases_deg(rows, subject)[:, members]
        return _none_false(*(_near(b - a, 0.0, off_deg) for a, b in pairwise(phases_deg.T)))

    return Fact(
        text=f"{_list(group)} reach top dead centre together",
        where=where,
        holds=holds,
        throws=_throws(members, subject),
    )


def _tdc_apart(entry: ApartTable, subject: Subject, off_deg: float, where: str) -> Fact:
    first, second = _indices(entry.cylinders, subject, where)

    def holds(rows: Rows) -> BoolArray:
        phases_deg = _phases_deg(rows, subject)
        gap_deg = phases_deg[:, second] - phases_deg[:, first]
        ahead = _near(gap_deg, entry.degrees, off_deg)
        return np.asarray(ahead | _near(gap_deg, -entry.degrees, off_deg))[:, np.newaxis]

    return Fact(
        text=f"{_list(entry.cylinders)} reach top dead centre {entry.degrees:g} deg apart",
        where=where,
        holds=holds,
        throws=_throws([first, second], subject),
    )


def _apart(entry: ApartTable, subject: Subject, off_deg: float, where: str) -> Fact:
    first, second = _indices(entry.cylinders, subject, where)

    def holds(rows: Rows) -> BoolArray:
        gap_deg = rows.angles_deg[:, second] - rows.angles_deg[:, first]
        near = _near(gap_deg, entry.degrees, off_deg, subject.cycle_deg)
        behind = _near(gap_deg, -entry.degrees, off_deg, subject.cycle_deg)
        return np.asarray(near | behind)[:, np.newaxis]

    return Fact(
        text=f"{_list(entry.cylinders)} fire {entry.degrees:g} deg apart",
        where=where,
        holds=holds,
        throws=_throws([first, second], subject),
    )


def _next(pair: Sequence[str], subject: Subject, where: str) -> Fact:
    first, second = _indices(pair, subject, where)

    def holds(rows: Rows) -> BoolArray:
        wait_deg = rows.angles_deg - rows.angles_deg[:, [first]]
        wait_deg = wrap_deg(wait_deg, subject.cycle_deg)
        wait_deg[wait_deg == 0.0] = subject.cycle_deg  # together is not after
        sooner = wait_deg < wait_deg[:, [second]] - SNAP_DEG
        return np.logical_not(sooner.any(axis=1, keepdims=True))

    return Fact(text=f"{pair[1]} fires right after {pair[0]}", where=where, holds=holds)


def _order(group: Sequence[str], subject: Subject, where: str) -> Fact:
    members = _indices(group, subject, where)

    def holds(rows: Rows) -> BoolArray:
        after_deg = rows.angles_deg[:, members] - rows.angles_deg[:, [members[0]]]
        after_deg = wrap_deg(after_deg, subject.cycle_deg)
        return _none_false(
            *(np.logical_not(b < a - SNAP_DEG) for a, b in combinations(after_deg.T, 2))
        )

    return Fact(
        text=f"the cylinders fire in the order {'-'.join(group)}",
        where=where,
        holds=holds,
        throws=_throws(members, subject),
    )


def _crankpins(
    met: Sequence[int | list[int]], subject: Subject, off_deg: float, where: str
) -> Fact:
    groups = [[entry] if isinstance(entry, int) else list(entry) for entry in met]
    named = [throw for group in groups for throw in group]
    for throw in named:
        if throw > subject.n_throws:
            raise InputError(where, f"throw {throw}", f"1 to {subject.n_throws}, from the free end")
    if len(set(named)) != len(named) or len(groups) < 2 or not all(groups):
        raise InputError(
            where, str(list(met)), "two or more throws, each once: [1, [2, 5], [3, 4]]"
        )

    def holds(rows: Rows) -> BoolArray:
        round_deg = wrap_deg(rows.pins_deg - rows.pins_deg[:, [groups[0][0] - 1]])
        masks = [
            _near(round_deg[:, a - 1] - round_deg[:, b - 1], 0.0, off_deg)
            for group in groups
            for a, b in combinations(group, 2)
        ]
        heads = [group[0] - 1 for group in groups]
        masks += [
            np.logical_not(round_deg[:, b] <= round_deg[:, a] + SNAP_DEG)
            for a, b in combinations(heads, 2)
        ]
        return _none_false(*masks)

    words = ", ".join("+".join(str(throw) for throw in group) for group in groups)
    return Fact(
        text=f"the crankpins are met in the order {words} in the direction of rotation",
        where=where,
        holds=holds,
        throws=frozenset(throw - 1 for throw in named),
    )


def _lobes(table: LobesTable, subject: Subject, off_deg: float, where: str) -> Fact:
    members = _indices(table.order, subject, f"{where}.order")
    number, shaft = _shaft_of(members, table.order, subject, where)
    if table.angles_deg is not None:
        _check_lobe_angles(table, where)
    columns = [shaft.cylinders.tolist().index(i) for i in members]
    met_sign = 1 if table.met == "clockwise" else -1
    sign = met_sign * clockwise_sign(is_clockwise=subject.is_clockwise, seen_from=table.seen_from)
    with_crank = subject.senses()[:, number]

    def holds_in(rows: Rows, sense: bool) -> BoolArray:
        places_deg = lobe_angles_deg(
            rows.angles_deg, shaft, with_crank=sense, cycle_deg=subject.cycle_deg, sign=sign
        )[:, columns]
        round_deg = wrap_deg(places_deg - places_deg[:, :1])
        if table.angles_deg is None:
            masks = [np.logical_not(b < a - SNAP_DEG) for a, b in combinations(round_deg.T, 2)]
        else:
            stated_deg = np.array(table.angles_deg) - table.angles_deg[0]
            masks = [
                _near(there, stated, off_deg)
                for there, stated in zip(round_deg.T, stated_deg, strict=True)
            ]
        return _none_false(*masks)

    def holds(rows: Rows) -> BoolArray:
        either = {sense: holds_in(rows, sense)[:, 0] for sense in (True, False)}
        return np.column_stack([either[bool(sense)] for sense in with_crank])

    at = ""
    if table.angles_deg is not None:
        at = f" at {', '.join(f'{angle:g}' for angle in table.angles_deg)} deg"
    return Fact(
        text=f"lobes {', '.join(table.order)} of the {shaft.name} are met in this order{at}, "
        f"{table.met} as seen from the {table.seen_from}",
        where=where,
        holds=holds,
        throws=_throws(members, subject),
    )


def _check_lobe_angles(table: LobesTable, where: str) -> None:
    angles_deg = table.angles_deg or []
    if len(angles_deg) != len(table.order):
        raise InputError(
            f"{where}.angles_deg", f"{len(angles_deg)} entries", f"{len(table.order)}, one a lobe"
        )
    from_first = np.array(angles_deg) - angles_deg[0]
    if np.any(np.diff(from_first) < 0) or from_first[-1] >= TURN_DEG:
        raise InputError(
            f"{where}.angles_deg", str(angles_deg), "rising within one turn, as the lobes are met"
        )


def _shaft_of(
    members: list[int], labels: Sequence[str], subject: Subject, where: str
) -> tuple[int, Shaft]:
    for number, shaft in enumerate(subject.camshafts):
        if set(members) <= set(shaft.cylinders.tolist()):
            return number, shaft
    allowed = "; ".join(
        f"{shaft.name}: {', '.join(subject.labels[i] for i in shaft.cylinders)}"
        for shaft in subject.camshafts
    )
    raise InputError(
        f"{where}.order",
        f"{', '.join(labels)}, on different camshafts",
        f"those of one ({allowed})",
    )


def _phases_deg(rows: Rows, subject: Subject) -> FloatArray:
    """Return the TDC of each cylinder, theta_i = beta_i - alpha_i. [deg]"""
    phases_deg: FloatArray = subject.axes_deg - rows.pins_deg[:, subject.throws]
    return phases_deg


def _near(
    angle_deg: FloatArray, wanted_deg: float, off_deg: float, period_deg: float = TURN_DEG
) -> BoolArray:
    """Return where an angle is near another on the circle, or not known yet."""
    apart_deg = np.abs((angle_deg - wanted_deg + 0.5 * period_deg) % period_deg - 0.5 * period_deg)
    return np.logical_not(apart_deg > off_deg + SNAP_DEG)


def _none_false(*masks: BoolArray) -> BoolArray:
    together: BoolArray = np.logical_and.reduce(masks)
    return together[:, np.newaxis]


def _indices(labels: Sequence[str], subject: Subject, where: str) -> list[int]:
    for place, label in enumerate(labels):
        if label not in subject.labels:
            raise InputError(
                where,
                repr(label),
                "a cylinder: " + ", ".join(subject.labels),
                nearest(label, subject.labels),
            )
        if label in labels[:place]:
            raise InputError(where, f"{label!r} twice", "different cylinders")
    return [subject.labels.index(label) for label in labels]


def _throws(cylinders: Sequence[int], subject: Subject) -> frozenset[int]:
    return frozenset(int(subject.throws[i]) for i in cylinders)


def _list(labels: Sequence[str]) -> str:
    return " and ".join([", ".join(labels[:-1]), labels[-1]])
