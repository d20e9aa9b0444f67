"""Facts about an engine checked one possible engine at a time, in whole numbers, for tests only.

Independent of the package: nothing of it is called in `holds` and what it calls. An engine under
test is a crank (angle of each throw) with firing angles; for lobes, also the sense in which each
camshaft turns. What the facts mean is in the docstrings of `evaluate.evidence` and of the layout
file's tables.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

from tests import firing_by_hand as by_hand
from tests.firing_by_hand import Angle, Vector

KINDS = ("same_tdc", "next", "order", "apart", "tdc_apart", "crankpins", "lobes")
Statement = tuple[str, Any]  # kind, value as in the facts table; ("drive", camshaft) at the end
Row = tuple[tuple[Angle, ...], Vector]  # throw angles, firing angles
Senses = tuple[bool, ...]  # of each camshaft: whether it turns as the crank


@dataclass(frozen=True)
class Subject:
    """An engine without its crank; `drives` are numbers of gears, or None where not known."""

    throw_of: tuple[int, ...]
    axes: tuple[int, ...]
    labels: tuple[str, ...]
    strokes: int = 4
    rotation: str = "clockwise"
    placed: str = "per bank"
    drives: tuple[int | None, ...] = ()

    @property
    def cycle(self) -> int:
        return 180 * self.strokes

    @property
    def n_throws(self) -> int:
        return max(self.throw_of)

    @property
    def bank_axes(self) -> list[int]:
        return list(dict.fromkeys(self.axes))

    @property
    def shafts(self) -> list[list[int]]:
        """Return the cylinders of each camshaft."""
        every = list(range(len(self.axes)))
        if self.placed == "one":
            return [every]
        return [[i for i in every if self.axes[i] == axis] for axis in self.bank_axes]

    def tables(self, crank: dict[str, Any], facts: Sequence[Statement]) -> dict[str, Any]:
        """Return the tables of a layout file."""
        table: dict[str, Any] = {kind: [] for kind in KINDS}
        for kind, value in facts:
            if kind != "drive":
                table[kind].append(value)
        made: dict[str, Any] = {
            "cycle_strokes": self.strokes,
            "rotation": self.rotation,
            "crank": crank,
            "banks": {"angles_deg": self.bank_axes},
            "cylinders": {
                "throw": list(self.throw_of),
                "bank": [1 + self.bank_axes.index(axis) for axis in self.axes],
                "labels": list(self.labels),
            },
            "camshafts": {"placed": self.placed},
        }
        if any(table.values()):
            made["facts"] = {kind: values for kind, values in table.items() if values}
        if self.drives and self.drives[0] is not None:
            drives = [{"gears": gears} for gears in self.drives]
            made["camshafts"]["drive"] = drives if len(drives) > 1 else drives[0]
        return made

    def pins(self, throws: Sequence[Angle]) -> list[Angle]:
        return [throws[k - 1] for k in self.throw_of]

    def rows_of_crank(self, throws: Sequence[Angle], *, even_only: bool) -> list[Row]:
        """Return a crank with each set of firing angles that it allows."""
        find = by_hand.even_vectors if even_only else by_hand.vectors
        vectors = find(self.pins(throws), self.axes, self.cycle)
        return [(tuple(throws), tuple(whole(angle) for angle in angles)) for angles in vectors]

    def rows_of_lattice(self, step: int, *, even_only: bool) -> list[Row]:
        """Return all cranks of a lattice with throw 1 at 0, with all they allow."""
        rest = product(range(0, 360, step), repeat=self.n_throws - 1)
        return [row for some in rest for row in self.rows_of_crank((0, *some), even_only=even_only)]

    def senses(self) -> list[Senses]:
        return list(product([True, False], repeat=len(self.shafts)))


def whole(angle: Angle) -> Angle:
    """Return a whole number as such, which is quicker than a fraction."""
    return int(angle) if int(angle) == angle else angle


def apart(a: Angle, b: Angle, period: int) -> Angle:
    """Return the distance on a circle."""
    return min((a - b) % period, (b - a) % period)


def holds(
    statement: Statement, subject: Subject, row: Row, senses: Senses, tolerance: int = 2
) -> bool:
    """Return whether a fact is true of an engine whose camshafts turn in these senses."""
    (kind, value), (throws, angles) = statement, row
    at = subject.labels.index
    pins = subject.pins(throws)
    tops = [axis - pin for axis, pin in zip(subject.axes, pins, strict=True)]
    cycle = subject.cycle
    if kind == "same_tdc":
        return all(apart(tops[at(a)], tops[at(b)], 360) <= tolerance for a in value for b in value)
    if kind == "tdc_apart":
        a, b = (tops[at(label)] for label in value["cylinders"])
        stated = value["degrees"]
        return min(apart(a + stated, b, 360), apart(b + stated, a, 360)) <= tolerance
    if kind == "apart":
        a, b = (angles[at(label)] for label in value["cylinders"])
        stated = value["degrees"]
        return min(apart(a + stated, b, cycle), apart(b + stated, a, cycle)) <= tolerance
    if kind == "next":
        events = by_hand.events(angles)
        now = next(k for k, event in enumerate(events) if at(value[0]) in event)
        return at(value[1]) in events[(now + 1) % len(events)]
    if kind == "order":
        return rises([(angles[at(label)] - angles[at(value[0])]) % cycle for label in value])
    if kind == "crankpins":
        return walked(throws, value)
    if kind == "drive":
        return senses[value] == (subject.drives[value] % 2 == 1)
    assert kind == "lobes"
    return lobes_hold(value, subject, angles, senses, tolerance)


def rises(values: Sequence[Angle]) -> bool:
    return list(values) == sorted(values)


def walked(throws: Sequence[Angle], met: Sequence[int | list[int]]) -> bool:
    """Walk once round the standing crank in its direction of rotation and see what is met."""
    groups = [[entry] if isinstance(entry, int) else entry for entry in met]
    named = [throw for group in groups for throw in group]
    start = throws[groups[0][0] - 1]
    stops = sorted({(throws[throw - 1] - start) % 360 for throw in named})
    seen = [{t for t in named if (throws[t - 1] - start) % 360 == stop} for stop in stops]
    return seen == [set(group) for group in groups]


def lobes_met(
    value: dict[str, Any], subject: Subject, angles: Vector, senses: Senses
) -> list[Angle]:
    """Return where the lobes of a reading are met, in half degrees from the first.

    Each is turned back from its follower by as far as the camshaft turns before it must be there.
    """
    members = [subject.labels.index(label) for label in value["order"]]
    number = next(k for k, shaft in enumerate(subject.shafts) if set(members) <= set(shaft))
    crank_clockwise = (subject.rotation == "clockwise") == (
        value.get("seen_from", "free end") == "free end"
    )
    cam_clockwise = crank_clockwise == senses[number]
    clockwise = []
    for i in members:
        follower = 0
        if subject.placed == "one":
            follower = 2 * (subject.axes[i] if crank_clockwise else -subject.axes[i])
        turned = angles[i] * (720 // subject.cycle)
        clockwise.append(follower - turned if cam_clockwise else follower + turned)
    if value.get("met", "clockwise") == "anticlockwise":
        clockwise = [-place for place in clockwise]
    return [(place - clockwise[0]) % 720 for place in clockwise]


def lobes_hold(
    value: dict[str, Any], subject: Subject, angles: Vector, senses: Senses, tolerance: int
) -> bool:
    met = lobes_met(value, subject, angles, senses)
    if "angles_deg" in value:
        stated = [2 * (angle - value["angles_deg"][0]) for angle in value["angles_deg"]]
        return all(apart(a, b, 720) <= 2 * tolerance for a, b in zip(met, stated, strict=True))
    if len(met) == 2:  # the second within half a turn
        return met[1] <= 360
    return rises(met)


@dataclass(frozen=True)
class Filtered:
    """Which senses of the camshafts make each statement true, row by row."""

    subject: Subject
    rows: Sequence[Row]
    allowed: Sequence[Sequence[frozenset[Senses]]]

    @classmethod
    def of(cls, subject: Subject, rows: Sequence[Row], statements: Sequence[Statement]) -> Filtered:
        every = frozenset(subject.senses())

        def senses_for(statement: Statement, row: Row) -> frozenset[Senses]:
            if statement[0] in ("lobes", "drive"):
                return frozenset(s for s in every if holds(statement, subject, row, s))
            first = next(iter(every))  # the camshafts do not matter
            return every if holds(statement, subject, row, first) else frozenset()

        allowed = [[senses_for(statement, row) for row in rows] for statement in statements]
        return cls(subject, rows, allowed)

    def left(self, statements: Sequence[int]) -> list[Row]:
        """Return the rows for which one set of senses satisfies all of the statements."""
        every = frozenset(self.subject.senses())
        kept = []
        for k, row in enumerate(self.rows):
            together = every
            for i in statements:
                together &= self.allowed[i][k]
            if together:
                kept.append(row)
        return kept

    def count(self, statements: Sequence[int]) -> int:
        return len(self.left(statements))


def in_order(statements: Sequence[Statement], subject: Subject) -> list[Statement]:
    """Return statements as the package lists them: by kind, then the drives that matter."""
    made = [s for kind in KINDS for s in statements if s[0] == kind]
    read = {
        number
        for kind, value in statements
        if kind == "lobes"
        for number, shaft in enumerate(subject.shafts)
        if {subject.labels.index(label) for label in value["order"]} <= set(shaft)
    }
    known = [n for n in sorted(read) if subject.drives and subject.drives[n] is not None]
    return made + [("drive", number) for number in known]


def statement_about(
    dice: random.Random,
    subject: Subject,
    row: Row,
    senses: Senses,
    kinds: Sequence[str] = KINDS,
) -> Statement | None:
    """Return a fact that a bench might give of an engine, true of it; None if none came up."""
    labels = list(subject.labels)
    throws, angles = row
    tops = [axis - pin for axis, pin in zip(subject.axes, subject.pins(throws), strict=True)]
    kind = dice.choice(kinds)
    value: Any
    slip = dice.choice([0, 0, -1, 2])  # within the tolerance of 2 degrees
    if kind == "crankpins":
        if subject.n_throws < 2:
            return None
        named = dice.sample(range(1, subject.n_throws + 1), dice.randint(2, subject.n_throws))
        start = throws[named[0] - 1]
        stops = sorted({(throws[t - 1] - start) % 360 for t in named})
        groups = [[t for t in named if (throws[t - 1] - start) % 360 == stop] for stop in stops]
        if len(groups) < 2:
            return None
        value = [group[0] if len(group) == 1 else group for group in groups]
    elif kind == "lobes":
        shaft = dice.choice(subject.shafts)
        if len(shaft) < 2:
            return None
        value = {"order": [labels[i] for i in dice.sample(shaft, dice.randint(2, len(shaft)))]}
        if dice.random() < 0.5:
            value["seen_from"] = dice.choice(["free end", "driving end"])
        if dice.random() < 0.5:
            value["met"] = dice.choice(["clockwise", "anticlockwise"])
        met = sorted(zip(lobes_met(value, subject, angles, senses), value["order"], strict=True))
        value["order"] = [label for _, label in met]
        if dice.random() < 0.4:
            value["angles_deg"] = [float(half / 2) for half, _ in met]
    elif len(labels) < 3 and kind == "order":
        return None
    elif kind == "order":
        named_labels = dice.sample(labels, dice.randint(3, len(labels)))
        first = angles[labels.index(named_labels[0])]
        value = sorted(
            named_labels, key=lambda label: (angles[labels.index(label)] - first) % subject.cycle
        )
    elif kind == "same_tdc":
        first = dice.choice(labels)
        top = tops[labels.index(first)]
        value = [label for label in labels if (tops[labels.index(label)] - top) % 360 == 0]
        if len(value) < 2:
            return None
    else:
        a, b = dice.sample(labels, 2)
        i, j = labels.index(a), labels.index(b)
        if dice.random() < 0.5 and kind != "next":
            i, j = j, i  # "apart" is meant either way round
        if kind == "next":
            value = [a, b]
        elif kind == "apart":
            gap = (angles[j] - angles[i]) % subject.cycle
            value = {"cylinders": [a, b], "degrees": float(gap + slip)}
        else:
            value = {"cylinders": [a, b], "degrees": float((tops[j] - tops[i]) % 360 + slip)}
    return (kind, value) if holds((kind, value), subject, row, senses) else None
