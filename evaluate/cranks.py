"""Cranks that are known by facts alone: all on a lattice that agree, with their firing orders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from evaluate import evidence
from evaluate.batch import FloatArray
from evaluate.errors import InputError
from evaluate.evidence import Cut, Fact, Rows, Subject
from evaluate.firing import SNAP_DEG, TURN_DEG, wrap_deg
from evaluate.order_choice import MOST_FOR_ORDERS

#: More cranks with orders than this tell nothing: facts are missing.
MOST_FOUND = 20_000
#: Part-cranks that are looked at before the search gives up.
MOST_TRIED = 20_000_000
_CHUNK = 4_096
#: How a search ended.
ALL, MORE, GAVE_UP = "all", "more", "gave up"
_GAVE_UP_TEXT = f"{MOST_TRIED:,} part-cranks were tried without an end"


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """Engines that agree with the facts.

    Attributes
    ----------
    rows : Rows
        Throw angles from throw 1, and firing angles; sorted by both.
    cuts : tuple of Cut
        What each fact does; counts are of cranks with an order.
    """

    rows: Rows
    cuts: tuple[Cut, ...]


def agreeing_cranks(
    subject: Subject, facts: Sequence[Fact], *, step_deg: float, even_only: bool
) -> Found:
    """Return all cranks of a lattice, each with a firing order, that agree with the facts.

    Throws are placed one after another; what a fact refutes, or what cannot fire evenly any more,
    is dropped at once.

    Parameters
    ----------
    subject : Subject
        The engine.
    facts : sequence of Fact
        What is known.
    step_deg : float
        Lattice of the throw angles from throw 1, a part of 360. [deg]
    even_only : bool
        Whether it fires evenly.

    Raises
    ------
    InputError
        For facts that contradict each other, or too few of them.
    """
    if abs(TURN_DEG / step_deg - round(TURN_DEG / step_deg)) > SNAP_DEG:
        raise InputError(
            "crank.throw_angle_step_deg",
            f"{step_deg:g}",
            "a whole part of 360 from 1 to 180, such as 15",
        )
    search = _Search(subject=subject, step_deg=step_deg, even_only=even_only)
    if len(subject.labels) > MOST_FOR_ORDERS and not even_only:
        raise InputError(
            "cylinders",
            f"{len(subject.labels)} of them with all orders",
            f"up to {MOST_FOR_ORDERS}, or even ones",
        )
    rows, outcome = search.run(facts, MOST_FOUND)
    if outcome != ALL:
        count = f"over {MOST_FOUND:,} cranks with a firing order agree"
        raise InputError(
            "facts",
            f"too few of them: {count if outcome == MORE else _GAVE_UP_TEXT}",
            "more facts, a coarser throw_angle_step_deg"
            + ("" if even_only else ", or even firing only"),
        )
    if not len(rows.angles_deg):
        raise _clash(search, facts)
    return Found(rows=_sorted(rows), cuts=tuple(_cuts(search, facts)))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Search:
    subject: Subject
    step_deg: float
    even_only: bool

    def run(self, facts: Sequence[Fact], at_most: int) -> tuple[Rows, str]:
        """Return engines that agree, and whether they are all; depth first, in chunks."""
        n_throws, n = self.subject.n_throws, len(self.subject.labels)
        start = Rows(pins_deg=np.full((1, n_throws), np.nan), angles_deg=np.full((1, n), np.nan))
        sequence = self._sequence(facts)
        waiting = [(0, start)]
        found: list[Rows] = []
        n_found = n_tried = 0
        while waiting:
            depth, rows = waiting.pop()
            if depth == n_throws:
                found.append(rows)
                n_found += len(rows.angles_deg)
                if n_found > at_most:
                    return _joined(found, n_throws, n), MORE
                continue
            rows = self._with_throw(rows, sequence[depth], is_first=depth == 0)
            n_tried += len(rows.angles_deg)
            if n_tried > MOST_TRIED:
                return _joined(found, n_throws, n), GAVE_UP
            kept = evidence.possible(facts, rows)
            rows = Rows(pins_deg=rows.pins_deg[kept], angles_deg=rows.angles_deg[kept])
            for at in range(0, len(rows.angles_deg), _CHUNK):
                part = slice(at, at + _CHUNK)
                chunk = Rows(pins_deg=rows.pins_deg[part], angles_deg=rows.angles_deg[part])
                waiting.append((depth + 1, chunk))
        return _joined(found, n_throws, n), ALL

    def _sequence(self, facts: Sequence[Fact]) -> list[int]:
        """Return the throws so that facts can refute early.

        Next comes the throw that completes most facts, then the one that shares most facts with
        those placed, then the one that most facts speak of.
        """
        placed = [int(self.subject.throws[0])]
        rest = [t for t in range(self.subject.n_throws) if t not in placed]
        while rest:

            def use(throw: int, placed: list[int] = placed) -> tuple[int, int, int]:
                of_it = [fact.throws for fact in facts if throw in fact.throws]
                completed = sum(throws <= {*placed, throw} for throws in of_it)
                return completed, sum(not throws.isdisjoint(placed) for throws in of_it), len(of_it)

            best = max(rest, key=use)
            placed.append(best)
            rest.remove(best)
        return placed

    def _with_throw(self, rows: Rows, throw: int, *, is_first: bool) -> Rows:
        """Return every way to place one more throw and to fire its cylinders."""
        subject = self.subject
        members = np.flatnonzero(subject.throws == throw)
        pins_deg, angles_deg = self._options(members, is_first=is_first)
        n_rows, n_options = len(rows.angles_deg), len(pins_deg)
        wider = Rows(
            pins_deg=np.repeat(rows.pins_deg, n_options, axis=0),
            angles_deg=np.repeat(rows.angles_deg, n_options, axis=0),
        )
        fire_deg = np.tile(angles_deg, (n_rows, 1))
        keep = np.ones(len(fire_deg), bool)
        if self.even_only:  # no two at one place of the cycle
            for column in fire_deg.T:
                keep &= ~(np.abs(wider.angles_deg - column[:, np.newaxis]) < 1.0).any(axis=1)
        wider.pins_deg[:, throw] = np.tile(pins_deg, n_rows)
        wider.angles_deg[:, members] = fire_deg
        return Rows(pins_deg=wider.pins_deg[keep], angles_deg=wider.angles_deg[keep])

    def _options(self, members: np.ndarray, *, is_first: bool) -> tuple[FloatArray, FloatArray]:
        """Return throw angles, (options,), and firing angles of its cylinders, (options, ...)."""
        subject, n = self.subject, len(self.subject.labels)
        # As parts of a turn: a step such as 51.428571 must not give a place too many.
        n_places = 1 if is_first else round(TURN_DEG / self.step_deg)
        lattice_deg = np.arange(n_places) * TURN_DEG / n_places
        turns = (0, 1) if subject.cycle_deg > TURN_DEG else (0,)
        bits = np.array(list(product(*([(0,) if i == 0 else turns for i in members]))), np.float64)
        pins_deg = np.repeat(lattice_deg, len(bits))
        # The first cylinder's throw stands at 0, so phases are known from the throw alone.
        axes_deg = subject.axes_deg[members] - subject.axes_deg[0]
        angles_deg = wrap_deg(axes_deg - pins_deg[:, np.newaxis])
        angles_deg = angles_deg + TURN_DEG * np.tile(bits, (len(lattice_deg), 1))
        if not self.even_only:
            return pins_deg, angles_deg
        place = angles_deg * (n / subject.cycle_deg)
        near = np.abs(place - np.rint(place)) * subject.cycle_deg / n <= SNAP_DEG
        apart = np.array([len(set(np.rint(row).tolist())) == len(members) for row in place])
        kept = near.all(axis=1) & apart
        return pins_deg[kept], angles_deg[kept]


def _joined(found: Sequence[Rows], n_throws: int, n_cylinders: int) -> Rows:
    none = Rows(pins_deg=np.empty((0, n_throws)), angles_deg=np.empty((0, n_cylinders)))
    every = [none, *found]
    return Rows(
        pins_deg=np.concatenate([rows.pins_deg for rows in every]),
        angles_deg=np.concatenate([rows.angles_deg for rows in every]),
    )


def _sorted(rows: Rows) -> Rows:
    pins_deg = wrap_deg(rows.pins_deg - rows.pins_deg[:, :1])
    keys = np.rint(np.hstack([pins_deg, rows.angles_deg]) / SNAP_DEG)
    by_angle = np.lexsort(keys.T[::-1])
    return Rows(pins_deg=pins_deg[by_angle], angles_deg=rows.angles_deg[by_angle])


def _cuts(search: _Search, facts: Sequence[Fact]) -> list[Cut]:
    def count(some: Sequence[Fact]) -> int | None:
        rows, outcome = search.run(some, MOST_FOUND)
        return len(rows.angles_deg) if outcome == ALL else None

    return [
        Cut(
            fact=fact,
            alone=count([fact]),
            after=count(facts[: i + 1]),
            without=count([*facts[:i], *facts[i + 1 :]]),
        )
        for i, fact in enumerate(facts)
    ]


def _clash(search: _Search, facts: Sequence[Fact]) -> InputError:
    """Return the error for facts without an engine: leave out one after another while none is."""
    kept = list(facts)
    for fact in facts:
        fewer = [other for other in kept if other is not fact]
        if search.run(fewer, 0)[1] == ALL:  # not one crank
            kept = fewer
    kind = "crank of the lattice" + (" that fires evenly" if search.even_only else "")
    if not kept:
        return InputError(
            "crank.throw_angle_step_deg",
            f"a lattice of {search.step_deg:g} deg, on which no {kind} exists",
            "a finer step, or all orders instead of even ones",
        )
    named = " and ".join(f"{fact.text!r} ({fact.where})" for fact in kept)
    ways: list[str] = []
    for size in (1, 2):  # where a second clash stands behind the first, two facts must go
        for out in combinations(kept if size == 1 else facts, size):
            rows, outcome = search.run([fact for fact in facts if fact not in out], MOST_FOUND)
            if len(rows.angles_deg) and len(ways) < evidence.MOST_NAMED:
                without = " and ".join(fact.where for fact in out)
                ways.append(f"without {without} {_left_text(rows, outcome)}")
        if ways:
            break
    verb = "which contradict each other" if len(kept) > 1 else "which cannot be"
    return InputError(
        "facts", f"{named}, {verb}: no {kind} agrees", "; ".join(ways) or "fewer facts"
    )


def _left_text(rows: Rows, outcome: str) -> str:
    if outcome != ALL:
        return f"over {min(MOST_FOUND, len(rows.angles_deg) - 1):,} left"
    cranks = np.unique(_sorted(rows).pins_deg, axis=0)
    texts = ["-".join(f"{a:g}" for a in pins) for pins in cranks[: evidence.MOST_NAMED]]
    more = " ..." if len(cranks) > evidence.MOST_NAMED else ""
    named = f" (throws at {', '.join(texts)}{more})" if texts else ""
    return f"{len(rows.angles_deg)} left{named}"
