"""In what two engines differ: throws, banks, firing, counterweights, balance shafts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evaluate import firing
from evaluate.batch import SLOTS, Batch, FloatArray, IntArray
from evaluate.layout import Layout, order_text
from optimize.answers import Change
from optimize.canonical import Symmetry
from optimize.families import Family
from optimize.genome import Designs

_SAME_DEG = 1e-6
_MOST_SINGLE = 3  # throws that are named one by one


@dataclass(frozen=True, kw_only=True, slots=True)
class Described:
    """One engine in the words and numbers that engines are compared by.

    Attributes
    ----------
    family : str
        Its family; empty where it is of none.
    is_split : bool
        Whether its pins are splayed halves.
    throw_angles_deg : array, shape (throws,)
        Counted along the crank, 0 at the first. [deg]
    bank_angle_deg : float
        Included angle of the banks, 0 in line. [deg]
    banks : tuple of int
        Of each cylinder, counted from 1.
    firing_angles_deg : array, shape (cylinders,)
        [deg]
    throws : array of int, shape (cylinders,)
        Of each cylinder, counted from 0.
    labels : tuple of str
        Of the cylinders: counted along the crank, unless it is of no family.
    reciprocating_fraction, rotating_fraction : float
        Of the masses that counterweights balance.
    shafts : str
        Balance shafts in words.
    collectors : str
        Exhaust collectors in words.
    cycle_deg : float
        720 or 360. [deg]
    """

    family: str
    is_split: bool
    throw_angles_deg: FloatArray
    bank_angle_deg: float
    banks: tuple[int, ...]
    firing_angles_deg: FloatArray
    throws: IntArray
    labels: tuple[str, ...]
    reciprocating_fraction: float
    rotating_fraction: float
    shafts: str
    collectors: str
    cycle_deg: float

    @property
    def throws_text(self) -> str:
        """Return the throw angles as people write them."""
        return "-".join(f"{angle:.6g}" for angle in self.throw_angles_deg)

    @property
    def order_text(self) -> str:
        """Return the firing order."""
        return "-".join(order_text(self.labels, self.firing_angles_deg))

    @property
    def intervals_text(self) -> str:
        """Return the firing intervals."""
        rising = np.sort(self.firing_angles_deg)
        return "-".join(f"{i:.5g}" for i in np.diff(rising, append=rising[0] + self.cycle_deg))


def described_design(family: Family, designs: Designs) -> Described:
    """Return one design of a family in words and numbers."""
    labels = tuple(str(i + 1) for i in range(family.cylinders))
    return _described(
        designs.batch, family.engine.throws, labels, family.engine.cycle_deg, family=family
    )


def described_layout(layout: Layout) -> Described:
    """Return a layout of no family in words and numbers, with its own labels."""
    engine = layout.engine
    return _described(layout.batch, engine.throws, layout.labels, engine.cycle_deg, family=None)


def _described(
    batch: Batch,
    throws: IntArray,
    labels: tuple[str, ...],
    cycle_deg: float,
    *,
    family: Family | None,
) -> Described:
    first = np.unique(throws, return_index=True)[1]
    angles_deg = batch.pin_angles_deg[0, first]
    groups: dict[int, list[str]] = {}
    groups_of = np.broadcast_to(batch.collectors, (1, len(labels)))[0]
    for label, group in zip(labels, groups_of, strict=True):
        groups.setdefault(int(group), []).append(label)
    return Described(
        family="" if family is None else family.name,
        is_split=family is not None and family.pins == "split",
        throw_angles_deg=firing.wrap_deg(angles_deg - angles_deg[0]),
        bank_angle_deg=float(np.ptp(batch.bank_angles_deg[0])),
        banks=tuple(int(b) + 1 for b in np.broadcast_to(batch.banks, (1, len(labels)))[0]),
        firing_angles_deg=firing.firing_angles_deg(batch)[0],
        throws=throws,
        labels=labels,
        reciprocating_fraction=float(batch.reciprocating_fraction[0]),
        rotating_fraction=float(batch.rotating_fraction[0]),
        shafts=_shafts_text(batch.shaft_fractions[0]),
        collectors=", ".join("+".join(group) for group in groups.values()),
        cycle_deg=cycle_deg,
    )


def _shafts_text(fractions: FloatArray) -> str:
    names = [
        slot.name if share == 1 else f"{slot.name} ({100 * share:.3g} %)"
        for slot, share in zip(SLOTS, fractions, strict=True)
        if share
    ]
    return " + ".join(names) or "none"


def changes(mine: Described, other: Described, ways: Sequence[Symmetry]) -> tuple[Change, ...]:
    """Return what would have to be changed in one engine to make it another.

    Parameters
    ----------
    mine, other : Described
        The two.
    ways : sequence of Symmetry
        Ways to write the other that are the same engine (`optimize.canonical.symmetries`): the one
        that differs least counts.

    Returns
    -------
    tuple of Change
        Empty for the same engine.
    """
    if mine.family != other.family or not mine.family:
        return _changes_between_families(mine, other)
    written = [_written(other, way) for way in ways] or [other]
    near = min(written, key=lambda one: _apartness(mine, one))
    found = _throw_changes(mine, near)
    texts = [
        ("bank angle", f"{mine.bank_angle_deg:.6g} deg", f"{near.bank_angle_deg:.6g} deg"),
        ("cylinders on banks", _banks_text(mine), _banks_text(near)),
        ("firing order", mine.order_text, near.order_text),
    ]
    if mine.order_text == near.order_text:
        texts.append(("firing intervals", mine.intervals_text, near.intervals_text))
    if mine.banks == near.banks:
        texts.append(("exhaust collectors", mine.collectors, near.collectors))
    return tuple(found + _differing([*texts, *_balance_texts(mine, near)]))


def _changes_between_families(mine: Described, other: Described) -> tuple[Change, ...]:
    texts = [
        ("family", mine.family or "none that studies know", other.family),
        ("bank angle", f"{mine.bank_angle_deg:.6g} deg", f"{other.bank_angle_deg:.6g} deg"),
        ("throw angles", f"{mine.throws_text} deg", f"{other.throws_text} deg"),
        ("firing order", mine.order_text, other.order_text),
        *_balance_texts(mine, other),
    ]
    return tuple(_differing(texts))


def _differing(texts: Sequence[tuple[str, str, str]]) -> list[Change]:
    return [Change(what=what, layout=a, other=b) for what, a, b in texts if a != b]


def _balance_texts(mine: Described, other: Described) -> list[tuple[str, str, str]]:
    return [
        (
            "reciprocating mass balanced by counterweights",
            f"{100 * mine.reciprocating_fraction:.4g} %",
            f"{100 * other.reciprocating_fraction:.4g} %",
        ),
        (
            "rotating mass balanced by counterweights",
            f"{100 * mine.rotating_fraction:.4g} %",
            f"{100 * other.rotating_fraction:.4g} %",
        ),
        ("balance shafts", mine.shafts, other.shafts),
    ]


def _banks_text(one: Described) -> str:
    return "-".join(str(bank) for bank in one.banks)


def _written(one: Described, way: Symmetry) -> Described:
    """Return an engine as a symmetry writes it, counted from its new first cylinder."""
    order, sign = list(way.cylinders), -1.0 if way.is_mirrored else 1.0
    fired_deg = one.firing_angles_deg[order]
    banks = tuple(one.banks[i] for i in order)
    pins_deg = one.throw_angles_deg[one.throws][order]
    first = np.unique(one.throws, return_index=True)[1]
    if way.is_mirrored and one.bank_angle_deg:
        banks = tuple(3 - bank for bank in banks)
    pins_deg = firing.wrap_deg(sign * (pins_deg - pins_deg[0]))
    return replace(
        one,
        throw_angles_deg=pins_deg[first],
        banks=banks,
        firing_angles_deg=firing.wrap_deg(sign * (fired_deg - fired_deg[0]), one.cycle_deg),
        collectors=one.collectors if order == sorted(order) else _renamed(one.collectors, order),
    )


def _renamed(collectors: str, order: Sequence[int]) -> str:
    """Return collectors with the names that cylinders have in a new order."""
    names = {str(old + 1): str(new + 1) for new, old in enumerate(order)}
    groups = [sorted(int(names[n]) for n in group.split("+")) for group in collectors.split(", ")]
    return ", ".join("+".join(str(n) for n in group) for group in sorted(groups))


def _apartness(mine: Described, other: Described) -> tuple[int, int]:
    """Return how many throws, then how many firings and banks, two engines differ in."""
    throws = len(_moved_throws(mine, other)[0])
    fired = np.abs(mine.firing_angles_deg - other.firing_angles_deg) > _SAME_DEG
    banks = sum(a != b for a, b in zip(mine.banks, other.banks, strict=True))
    return throws, int(fired.sum()) + banks


def _moved_throws(mine: Described, other: Described) -> tuple[list[int], FloatArray]:
    """Return the throws that differ, and the other's angles with its crank turned to fit best."""
    step = 2 if mine.is_split else 1
    ours, theirs = mine.throw_angles_deg[::step], other.throw_angles_deg[::step]
    best: tuple[list[int], FloatArray] | None = None
    for held in range(len(ours)):
        turned = firing.wrap_deg(theirs + (ours[held] - theirs[held]))
        apart = np.abs((turned - ours + 180) % 360 - 180)
        moved = np.flatnonzero(apart > _SAME_DEG).tolist()
        if best is None or len(moved) < len(best[0]):
            best = moved, turned
    assert best is not None
    return best


def _throw_changes(mine: Described, other: Described) -> list[Change]:
    moved, turned_deg = _moved_throws(mine, other)
    word, ours = (
        ("pair", mine.throw_angles_deg[::2])
        if mine.is_split
        else (
            "throw",
            mine.throw_angles_deg,
        )
    )
    if len(moved) > _MOST_SINGLE:
        found = [
            Change(
                what="throw angles",
                layout=f"{mine.throws_text} deg",
                other=f"{other.throws_text} deg",
            )
        ]
    else:
        found = [
            Change(
                what=f"{word} {place + 1}",
                layout=f"{ours[place]:.6g} deg",
                other=f"{turned_deg[place]:.6g} deg",
            )
            for place in moved
        ]
    if mine.is_split:
        splays = [f"{(one.throw_angles_deg[1] + 180) % 360 - 180:.6g} deg" for one in (mine, other)]
        found += _differing([("splay", splays[0], splays[1])])
    return found
