"""Firing orders from their definition, in whole numbers and fractions, for tests only.

Independent of the package: no function of it is called here. Definition (design, section 3):
theta_i = beta_i - alpha_i; phi_i = theta_i - theta_1 (mod 360) + 360 b_i, b_1 = 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import pairwise, product
from math import lcm

Angle = int | Fraction
Vector = tuple[Angle, ...]


def phases(pins: Sequence[Angle], axes: Sequence[Angle]) -> list[Angle]:
    """Return theta_i - theta_1 in [0, 360) of each cylinder, from its pin and its bank axis."""
    top = [axis - pin for axis, pin in zip(axes, pins, strict=True)]
    return [(angle - top[0]) % 360 for angle in top]


def vectors(pins: Sequence[Angle], axes: Sequence[Angle], cycle: int = 720) -> Iterator[Vector]:
    """Yield the firing angles of every bit set, 2^(n-1) of them; one in a two-stroke."""
    first, *rest = phases(pins, axes)
    turns = range(cycle // 360)
    for bits in product(turns, repeat=len(rest)):
        yield (first, *(angle + 360 * bit for angle, bit in zip(rest, bits, strict=True)))


def even_vectors(pins: Sequence[Angle], axes: Sequence[Angle], cycle: int = 720) -> list[Vector]:
    """Return those of `vectors` whose intervals are all cycle / n, exactly.

    Every bit set is tried, in whole numbers: angles times n times their common denominator.
    """
    n, angles = len(axes), phases(pins, axes)
    scale = n * lcm(*(Fraction(angle).denominator for angle in angles))
    whole = [int(angle * scale) for angle in angles]
    wanted = [place * cycle * scale // n for place in range(n)]
    found = []
    for bits in product(range(cycle // 360), repeat=n - 1):
        turned = [a + 360 * scale * bit for a, bit in zip(whole, (0, *bits), strict=True)]
        if sorted(turned) == wanted:
            found.append(tuple(Fraction(angle, scale) for angle in turned))
    return found


def events(angles: Vector) -> list[tuple[int, ...]]:
    """Return the cylinders (indices) that fire at one time after another."""
    return [
        tuple(i for i, angle in enumerate(angles) if angle == time) for time in sorted(set(angles))
    ]


def order(angles: Vector, labels: Sequence[str] | None = None) -> tuple[str, ...]:
    """Return the labels in the order of firing; those that fire together by index."""
    names = labels or [str(i + 1) for i in range(len(angles))]
    return tuple(names[i] for event in events(angles) for i in event)


def intervals(angles: Sequence[Angle], cycle: int) -> list[Angle]:
    """Return the waits between firings, the last one back to the first."""
    rising = sorted(angles)
    return [b - a for a, b in pairwise([*rising, rising[0] + cycle])]


def uneven_squares(angles: Sequence[Angle], cycle: int) -> Fraction:
    """Return the mean square of (interval - cycle / n), which sorts as its root does."""
    wanted = Fraction(cycle, len(angles))
    waits = intervals(angles, cycle)
    return sum(((wait - wanted) ** 2 for wait in waits), Fraction(0)) / len(waits)


def shares(angles: Vector, related: Sequence[Sequence[bool]]) -> Fraction:
    """Return the share of successive firings between related cylinders.

    Cylinders that fire together are one event; every event counts the same, and its pairs with
    the next event share that equally.
    """
    sequence = events(angles)
    total = Fraction(0)
    for now, then in pairwise([*sequence, sequence[0]]):
        pairs = [(a, b) for a in now for b in then]
        total += Fraction(sum(related[a][b] for a, b in pairs), len(pairs))
    return total / len(sequence)


def overlap(angles: Vector, groups: Sequence[int], duration: int, cycle: int) -> Angle:
    """Return the sum over all collectors of max(0, duration - spacing) in one cycle."""
    return sum(
        max(0, duration - wait)
        for group in sorted(set(groups))
        for wait in intervals(
            [angle for angle, of in zip(angles, groups, strict=True) if of == group], cycle
        )
    )


def can_be_read_as(angles: Vector, sequence: Sequence[int]) -> bool:
    """Return whether cylinders fire in this sequence, those that fire together in any.

    The cycle is closed, so it may be read from any cylinder on.
    """
    turned = [[*sequence[k:], *sequence[:k]] for k in range(len(sequence))]
    return any(all(angles[a] <= angles[b] for a, b in pairwise(some)) for some in turned)
