"""The kinds of facts that files and options can state, each as a test of possible engines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from itertools import combinations
from typing import Annotated, Any, Literal

import numpy as np
from msgspec import Meta, field

from evaluate.batch import FloatArray
from evaluate.camshafts import clockwise_sign, lobe_angles_deg
from evaluate.errors import InputError, nearest
from evaluate.evidence import BoolArray, Fact, Rows, Subject
from evaluate.firing import SNAP_DEG, TURN_DEG, wrap_deg
from evaluate.tables import Table

#: How far a stated angle may be off: drawings give more, protractors less. [deg of crank or cam]
TOLERANCE_DEG = 2.0
#: Camshafts whose lobes may be known: each doubles the senses to try.
MOST_SENSED = 8
#: Name of the facts that options state.
OPTIONS = "--"

Pair = Annotated[list[str], Meta(min_length=2, max_length=2)]
Group = Annotated[list[str], Meta(min_length=2, max_length=32)]
#: Two are always in order, since the cycle is closed.
Sequel = Annotated[list[str], Meta(min_length=3, max_length=32)]
Apart = Annotated[float, Meta(ge=-720, le=720)]
Tolerance = Annotated[float, Meta(ge=0, le=45)]


class ApartTable(Table, kw_only=True):
    """Two cylinders and the crank angle between them, either way round."""

    cylinders: Pair
    degrees: Apart


class LobesTable(Table, kw_only=True):
    """Lobes of one kind (all exhaust or all intake), as met going round the standing camshaft.

    Of two lobes without angles, the second is met within half a turn.
    """

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
    order: list[Sequel] = field(default_factory=list)
    apart: list[ApartTable] = field(default_factory=list)
    tdc_apart: list[ApartTable] = field(default_factory=list)
    #: Throws, counted from the free end, as met when one goes round the standing crank in its
    #: direction of rotation; those that stand together in a list.
    crankpins: list[list[Annotated[int, Meta(ge=1)] | list[Annotated[int, Meta(ge=1)]]]] = field(
        default_factory=list
    )
    lobes: list[LobesTable] = field(default_factory=list)
    tolerance_deg: Tolerance | None = None


def facts_from(tables: Sequence[tuple[str, FactsTable | None]], subject: Subject) -> list[Fact]:
    """Return the facts of tables in the order of their keys, then what camshaft drives say.

    Parameters
    ----------
    tables : sequence of (str, FactsTable or None)
        Each with its name in messages: "facts" for the table of a file, "--" for options.
    subject : Subject
        The engine.

    Raises
    ------
    InputError
        For cylinders or throws that do not exist, or facts that no engine can have.
    """
    given = [(where, table) for where, table in tables if table is not None]
    named = {
        _shaft_of(lobes.order, subject, _place(where, "lobes", i))
        for where, table in given
        for i, lobes in enumerate(table.lobes)
    }
    if len(named) > MOST_SENSED:
        raise InputError("facts.lobes", f"lobes of {len(named)} camshafts", f"up to {MOST_SENSED}")
    subject = replace(subject, sensed=tuple(sorted(named)))
    facts: list[Fact] = []
    # One tolerance for all facts: what an option says goes before what the file says.
    stated = [t.tolerance_deg for _, t in given if t.tolerance_deg is not None]
    off_deg = stated[-1] if stated else TOLERANCE_DEG
    for where, table in given:
        kinds: list[tuple[str, Sequence[Any], Callable[[Any, str], Fact]]] = [
            ("same_tdc", table.same_tdc, partial(_same_tdc, subject, off_deg)),
            ("next", table.next, partial(_next, subject)),
            ("order", table.order, partial(_order, subject)),
            ("apart", table.apart, partial(_apart, subject, off_deg)),
            ("tdc_apart", table.tdc_apart, partial(_tdc_apart, subject, off_deg)),
            ("crankpins", table.crankpins, partial(_crankpins, subject, off_deg)),
            ("lobes", table.lobes, partial(_lobes, subject, off_deg)),
        ]
        for key, entries, make in kinds:
            facts += [make(entry, _place(where, key, i)) for i, entry in enumerate(entries)]
    return facts + _drives(subject)


def _place(where: str, key: str, index: int) -> str:
    """Return the place of an entry: a key of a file, or an option with its count."""
    if where == OPTIONS:
        return option_name(key) + (f" (no. {index + 1})" if index else "")
    return f"{where}.{key}[{index}]"


def option_name(key: str) -> str:
    """Return the option that states a kind of fact."""
    return "--" + key.removesuffix("_deg").replace("_", "-")


def _same_tdc(subject: Subject, off_deg: float, group: Sequence[str], where: str) -> Fact:
    members = _indices(group, subject, where)

    def holds(rows: Rows) -> BoolArray:
        phases_deg = _phases_deg(rows, subject)[:, members]
        return _none_false(*(_near(b - a, 0.0, off_deg) for a, b in combinations(phases_deg.T, 2)))

    return Fact(
        text=f"{_list(group)} reach top dead centre together",
        where=where,
        holds=holds,
        throws=_throws(members, subject),
        instead=partial(_tdc_text, subject, members),
    )


def _tdc_apart(subject: Subject, off_deg: float, entry: ApartTable, where: str) -> Fact:
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
        instead=partial(_tdc_text, subject, [first, second]),
    )


def _apart(subject: Subject, off_deg: float, entry: ApartTable, where: str) -> Fact:
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


def _next(subject: Subject, pair: Sequence[str], where: str) -> Fact:
    first, second = _indices(pair, subject, where)

    def holds(rows: Rows) -> BoolArray:
        wait_deg = rows.angles_deg - rows.angles_deg[:, [first]]
        wait_deg = wrap_deg(wait_deg, subject.cycle_deg)
        wait_deg[wait_deg == 0.0] = subject.cycle_deg  # together is not after
        sooner = wait_deg < wait_deg[:, [second]] - SNAP_DEG
        return np.logical_not(sooner.any(axis=1, keepdims=True))

    return Fact(
        text=f"{pair[1]} fires right after {pair[0]}",
        where=where,
        holds=holds,
        throws=_throws([first, second], subject),
    )


def _order(subject: Subject, group: Sequence[str], where: str) -> Fact:
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
    subject: Subject, off_deg: float, met: Sequence[int | list[int]], where: str
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
    words += " (of two, that is only that they stand apart)" if len(groups) == 2 else ""
    return Fact(
        text=f"the crankpins are met in the order {words}, going round the standing "
        "crank in its direction of rotation",
        where=where,
        holds=holds,
        throws=frozenset(throw - 1 for throw in named),
    )


def _lobes(subject: Subject, off_deg: float, table: LobesTable, where: str) -> Fact:
    members = _indices(table.order, subject, where)
    number = _shaft_of(table.order, subject, where)
    shaft = subject.camshafts[number]
    if table.angles_deg is not None:
        _check_lobe_angles(table, where)
    columns = [shaft.cylinders.tolist().index(i) for i in members]
    met_sign = 1 if table.met == "clockwise" else -1
    sign = met_sign * clockwise_sign(is_clockwise=subject.is_clockwise, seen_from=table.seen_from)
    with_crank = subject.senses(number)

    def holds_in(rows: Rows, sense: bool) -> BoolArray:
        places_deg = lobe_angles_deg(
            rows.angles_deg, shaft, with_crank=sense, cycle_deg=subject.cycle_deg, sign=sign
        )[:, columns]
        round_deg = wrap_deg(places_deg - places_deg[:, :1])
        if table.angles_deg is None and len(members) == 2:
            masks = [np.logical_not(round_deg[:, 1] > 0.5 * TURN_DEG + SNAP_DEG)]
        elif table.angles_deg is None:
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
    elif len(members) == 2:
        at = ", the second within half a turn"
    return Fact(
        text=f"lobes {', '.join(table.order)} of the {shaft.name} are met in this order{at}, going "
        f"{table.met} round the standing shaft as seen from the {table.seen_from}",
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


def _shaft_of(labels: Sequence[str], subject: Subject, where: str) -> int:
    members = set(_indices(labels, subject, where))
    for number, shaft in enumerate(subject.camshafts):
        if members <= set(shaft.cylinders.tolist()):
            return number
    allowed = "; ".join(
        f"{shaft.name}: {', '.join(subject.labels[i] for i in shaft.cylinders)}"
        for shaft in subject.camshafts
    )
    raise InputError(
        where, f"{', '.join(labels)}, on different camshafts", f"those of one ({allowed})"
    )


def _drives(subject: Subject) -> list[Fact]:
    """Return the senses in which camshafts turn: they cut nothing alone, but with lobes they do."""
    facts = []
    for number in subject.sensed:
        shaft = subject.camshafts[number]
        if shaft.drive.with_crank is None:
            continue
        agrees = subject.senses(number) == shaft.drive.with_crank

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


def _phases_deg(rows: Rows, subject: Subject) -> FloatArray:
    """Return the TDC of each cylinder, theta_i = beta_i - alpha_i. [deg]"""
    phases_deg: FloatArray = subject.axes_deg - rows.pins_deg[:, subject.throws]
    return phases_deg


def _tdc_text(subject: Subject, members: Sequence[int], rows: Rows) -> str:
    """Return where top dead centres stand on the first row's crank, from the first one's on."""
    phases_deg = _phases_deg(rows, subject)[0, list(members)]
    places = wrap_deg(phases_deg - phases_deg[0])
    after = ", ".join(
        f"{subject.labels[i]} {place:.5g} deg"
        for i, place in zip(members[1:], places[1:], strict=True)
    )
    return f"on this crank top dead centres follow that of {subject.labels[members[0]]} by: {after}"


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
