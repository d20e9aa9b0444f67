"""Facts about an engine, from a drawing or the bench, and what is left when they hold together.

Rows are possible engines (a crank with a firing order); hypotheses are the senses in which the
camshafts may turn. A fact says of each row and hypothesis whether it may hold; the engine is among
the rows for which one hypothesis satisfies all facts. Rows may be known in part only (NaN): a fact
holds there until it is refuted, which is what lets unknown cranks be built throw by throw.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import FloatArray, IntArray
from evaluate.camshafts import Shaft
from evaluate.errors import InputError

BoolArray = NDArray[np.bool_]
#: Up to here every subset of facts is tried for the smallest clash.
MOST_CLASHING = 4
MOST_NAMED = 4


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
    sensed : tuple of int
        Camshafts whose lobes are known, counted from 0: only their sense of rotation matters.
    """

    labels: tuple[str, ...]
    throws: IntArray
    axes_deg: FloatArray
    cycle_deg: float
    is_clockwise: bool
    camshafts: tuple[Shaft, ...]
    sensed: tuple[int, ...] = ()

    @property
    def n_throws(self) -> int:
        """Return the number of throws."""
        return int(self.throws.max()) + 1

    def senses(self, camshaft: int) -> BoolArray:
        """Return how a camshaft turns in each hypothesis (True: as the crank), (hypotheses,)."""
        every = np.array(list(product([True, False], repeat=len(self.sensed))), bool)
        senses: BoolArray = every[:, self.sensed.index(camshaft)]
        return senses


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
        Throws that it names, counted from 0: a search places them one after another.
    instead : callable or None
        From a row that it refutes to what is so there, in words.
    """

    text: str
    where: str
    holds: Callable[[Rows], BoolArray]
    throws: frozenset[int] = frozenset()
    instead: Callable[[Rows], str] | None = None


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
        instead = clash[0].instead
        if instead is not None and np.ptp(rows.pins_deg, axis=0).max(initial=0) == 0:
            got += f": {instead(rows)}"
    else:
        got = f"{named}, which contradict each other: no {what} agrees with all of them"
    ways: list[tuple[tuple[Fact, ...], BoolArray]] = [
        ((fact,), _left(facts, [fact], rows)) for fact in clash
    ]
    if not any(kept.any() for _, kept in ways):  # a second clash stands behind the first
        ways = _ways_out(facts, rows)
    texts = []
    for out, kept in ways:
        left = list(dict.fromkeys(describe(int(i)) for i in np.flatnonzero(kept)))
        if left:
            few = ", ".join(left[:MOST_NAMED]) + (" ..." if len(left) > MOST_NAMED else "")
            without = " and ".join(fact.where for fact in out)
            texts.append(f"without {without} {len(left)} left ({few})")
    return InputError("facts", got, "; ".join(texts) or f"fewer facts, or another {what}")


def _left(facts: Sequence[Fact], out: Sequence[Fact], rows: Rows) -> BoolArray:
    return possible([fact for fact in facts if fact not in out], rows)


def _ways_out(facts: Sequence[Fact], rows: Rows) -> list[tuple[tuple[Fact, ...], BoolArray]]:
    """Return the fewest facts whose removal leaves something, up to four; every way to do so."""
    for size in range(2, MOST_CLASHING + 1):
        ways = [(out, _left(facts, out, rows)) for out in combinations(facts, size)]
        ways = [(out, kept) for out, kept in ways if kept.any()]
        if ways:
            return ways[:MOST_NAMED]
    return []


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
