"""Camshafts: sense of rotation from the drive, half speed, lobes from firing angles and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from msgspec import Meta

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.firing import TURN_DEG, wrap_deg
from evaluate.tables import Table

if TYPE_CHECKING:
    from evaluate.layout import Layout

FREE_END, DRIVING_END = "free end", "driving end"
Teeth = Annotated[int, Meta(ge=1, le=100_000)]


class DriveTable(Table, kw_only=True):
    """What turns a camshaft: a train of gears, or a chain or belt; teeth from crank to camshaft."""

    by: Literal["gears", "chain", "belt"] = "gears"
    gears: Annotated[int, Meta(ge=2, le=100)] | None = None
    #: A pair of teeth is two gears on one idler: the driven one, then the driving one.
    teeth: Annotated[list[Teeth | list[Teeth]], Meta(min_length=2, max_length=100)] | None = None


class CamshaftsTable(Table, kw_only=True):
    """Where the camshafts are and what turns them."""

    placed: Literal["per bank", "one"] = "per bank"
    drive: DriveTable | list[DriveTable] | None = None
    #: With one camshaft for all banks: where the followers of each bank meet it. [deg]
    follower_angles_deg: (
        Annotated[list[Annotated[float, Meta(ge=-36000, le=36000)]], Meta(min_length=1)] | None
    ) = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Drive:
    """A checked camshaft drive.

    Attributes
    ----------
    with_crank : bool or None
        Whether the camshaft turns as the crank does; None when no drive was given.
    words : str
        The drive and what follows from it.
    """

    with_crank: bool | None
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Shaft:
    """One camshaft before anything is known of the firing order.

    Attributes
    ----------
    name : str
        For headings.
    cylinders : array of int
        Indices of the cylinders it serves, along the crank.
    followers_deg : array, shape (len(cylinders),)
        Direction from the camshaft to each follower, in the direction of crank rotation; only
        differences matter. [deg]
    drive : Drive
        What turns it.
    """

    name: str
    cylinders: IntArray
    followers_deg: FloatArray
    drive: Drive


@dataclass(frozen=True, kw_only=True, slots=True)
class Lobe:
    """A cylinder's lobe; clockwise as seen, from the lobe of the camshaft's first cylinder."""

    label: str
    cylinder: int
    angle_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Camshaft:
    """A camshaft with its lobes of one kind (all exhaust or all intake), in rising angle.

    Attributes
    ----------
    name : str
        For headings.
    banks : tuple of int
        Banks that it serves, counted from 1.
    turns : str
        "clockwise" or "anticlockwise", as seen from `seen_from`.
    with_crank : bool
        Whether it turns as the crank does.
    drive : str
        The drive in words.
    is_assumed : bool
        Whether the drive was not given, but assumed.
    seen_from : str
        "free end" or "driving end".
    lobes : tuple of Lobe
        In rising angle.
    """

    name: str
    banks: tuple[int, ...]
    turns: str
    with_crank: bool
    drive: str
    is_assumed: bool
    seen_from: str
    lobes: tuple[Lobe, ...]


UNKNOWN_DRIVE = Drive(with_crank=None, words="no drive given")


def checked_drive(table: DriveTable, cycle_deg: float, where: str) -> Drive:
    """Return the drive that a table describes.

    Each mesh of two gears turns the sense round, so with an odd number of gears (both ends and
    idlers counted; gears on one idler count once) the camshaft turns as the crank does, with an
    even number against it; a chain or belt keeps the sense. Common practice, no source. Idlers
    that are one gear never change the speed: their teeth cancel.

    Raises
    ------
    InputError
        For a count that disagrees with the teeth, or teeth that do not give one turn a cycle.
    """
    if table.gears is None and table.teeth is None and table.by == "gears":
        raise InputError(where, "gears without their number", 'gears = 3, or by = "chain"')
    if table.gears is not None and table.by != "gears":
        raise InputError(f"{where}.gears", f"gears with by = {table.by!r}", "one of the two")
    if table.teeth is not None:
        _check_teeth(table.teeth, cycle_deg, f"{where}.teeth")
        if table.gears is not None and table.gears != len(table.teeth):
            raise InputError(
                f"{where}.gears",
                f"{table.gears} with teeth of {len(table.teeth)} gears",
                f"{len(table.teeth)} (gears on one idler count once), or leave it out",
            )
    if table.by != "gears":
        return Drive(with_crank=True, words=f"{table.by}: turns as the crank")
    n_gears = table.gears if table.gears is not None else len(table.teeth or ())
    return gear_train(n_gears)


def gear_train(n_gears: int) -> Drive:
    """Return the drive by a train of gears, crank and camshaft gear and idlers counted."""
    with_crank = n_gears % 2 == 1
    sense = "turns as the crank" if with_crank else "turns against the crank"
    return Drive(with_crank=with_crank, words=f"{n_gears} gears in the train: {sense}")


def speed_ratio(teeth: Sequence[int | Sequence[int]]) -> Fraction:
    """Return the speed of the camshaft over that of the crank, from teeth along the train.

    Examples
    --------
    >>> speed_ratio([24, 31, 48]), speed_ratio([24, [36, 24], 32])
    (Fraction(1, 2), Fraction(1, 2))
    """
    pairs = [(gear, gear) if isinstance(gear, int) else tuple(gear) for gear in teeth]
    ratio = Fraction(1)
    for (_, driving), (driven, _) in pairwise(pairs):
        ratio *= Fraction(driving, driven)
    return ratio


def _check_teeth(teeth: Sequence[int | Sequence[int]], cycle_deg: float, where: str) -> None:
    for index, gear in enumerate(teeth):
        if not isinstance(gear, int) and (len(gear) != 2 or index in (0, len(teeth) - 1)):
            raise InputError(
                f"{where}[{index}]", str(gear), "a number; only an idler may be two: [driven, next]"
            )
    wanted, got = Fraction(round(TURN_DEG), round(cycle_deg)), speed_ratio(teeth)
    if got == wanted:
        return
    last = teeth[-1]
    assert isinstance(last, int)  # checked above
    needed = last * got / wanted
    end = f"{needed.numerator} teeth on the camshaft" if needed.denominator == 1 else ""
    start = f"{_first(teeth) * wanted / got} on the crank"
    fits = [text for text in (end, start if "/" not in start else "") if text]
    raise InputError(
        where,
        f"{list(teeth)}, a camshaft at {got} of crank speed",
        f"exactly {wanted} of crank speed" + (f", as with {' or '.join(fits)}" if fits else ""),
    )


def _first(teeth: Sequence[int | Sequence[int]]) -> int:
    first = teeth[0]
    assert isinstance(first, int)  # checked before
    return first


def shafts(
    table: CamshaftsTable | None,
    *,
    positions_m: FloatArray,
    banks: IntArray,
    bank_angles_deg: FloatArray,
    cycle_deg: float,
) -> tuple[Shaft, ...]:
    """Return the camshafts of an engine: one for each bank, or one for all.

    Parameters
    ----------
    table : CamshaftsTable or None
        From the layout file; None for one camshaft a bank whose drive is unknown.
    positions_m, banks : array, shape (cylinders,)
        Places along the crank [m]; bank of each cylinder.
    bank_angles_deg : array, shape (banks,)
        [deg]

    Raises
    ------
    InputError
        For drives or follower angles that do not fit.
    """
    table = table or CamshaftsTable()
    n_banks, is_one = len(bank_angles_deg), table.placed == "one"
    followers_deg = bank_angles_deg
    if table.follower_angles_deg is not None:
        where = "camshafts.follower_angles_deg"
        if not is_one:
            raise InputError(where, "angles with a camshaft per bank", 'placed = "one"')
        if len(table.follower_angles_deg) != n_banks:
            raise InputError(
                where, f"{len(table.follower_angles_deg)} entries", f"{n_banks}, one for each bank"
            )
        followers_deg = np.array(table.follower_angles_deg, float)
    drives = _drives(table.drive, 1 if is_one else n_banks, cycle_deg)
    along = np.lexsort([banks, positions_m])
    made = []
    for number, drive in enumerate(drives):
        members = along if is_one else along[banks[along] == number]
        named = "camshaft" if len(drives) == 1 else f"camshaft of bank {number + 1}"
        reach = followers_deg[banks[members]]
        made.append(Shaft(name=named, cylinders=members, followers_deg=reach, drive=drive))
    return tuple(made)


def _drives(
    table: DriveTable | list[DriveTable] | None, n_shafts: int, cycle_deg: float
) -> list[Drive]:
    if table is None:
        return [UNKNOWN_DRIVE] * n_shafts
    if isinstance(table, DriveTable):
        return [checked_drive(table, cycle_deg, "camshafts.drive")] * n_shafts
    if len(table) != n_shafts:
        raise InputError(
            "camshafts.drive",
            f"{len(table)} drives",
            f"{n_shafts}, one for each camshaft, or one table for all",
        )
    return [checked_drive(d, cycle_deg, f"camshafts.drive[{i}]") for i, d in enumerate(table)]


def clockwise_sign(*, is_clockwise: bool, seen_from: str) -> int:
    """Return 1 if angles in the direction of crank rotation are seen clockwise, else -1."""
    return 1 if is_clockwise == (seen_from == FREE_END) else -1


def lobe_angles_deg(
    firing_angles_deg: FloatArray,
    shaft: Shaft,
    *,
    with_crank: bool,
    cycle_deg: float,
    sign: int,
) -> FloatArray:
    """Return where the lobes of one kind stand, clockwise as seen, from the first one's lobe.

    A lobe reaches its follower after the camshaft has turned by phi / 2 (phi in a two-stroke), so
    it stands that far back against the camshaft's rotation.

    Parameters
    ----------
    firing_angles_deg : array, shape (candidates, cylinders)
        NaN where unknown. [deg]
    shaft : Shaft
        The camshaft.
    with_crank : bool
        Whether it turns as the crank does.
    cycle_deg : float
        720 or 360. [deg]
    sign : int
        From `clockwise_sign`.

    Returns
    -------
    array, shape (candidates, cylinders of the shaft)
        In [0, 360). [deg]
    """
    sense = 1 if with_crank else -1
    turned_deg = firing_angles_deg[:, shaft.cylinders] * (TURN_DEG / cycle_deg)
    place_deg = sign * (shaft.followers_deg - sense * turned_deg)
    return wrap_deg(place_deg - place_deg[:, :1])


def firing_from_lobes_deg(
    lobes_deg: FloatArray, shaft: Shaft, *, with_crank: bool, cycle_deg: float, sign: int
) -> FloatArray:
    """Return when the cylinders of a camshaft fire after its first one, from where lobes stand.

    The inverse of `lobe_angles_deg`.

    Parameters
    ----------
    lobes_deg : array, shape (candidates, cylinders of the shaft)
        Clockwise as seen. [deg]

    Returns
    -------
    array, shape (candidates, cylinders of the shaft)
        In [0, cycle). [deg]
    """
    sense = 1 if with_crank else -1
    turned_deg = sense * (shaft.followers_deg - sign * lobes_deg) * (cycle_deg / TURN_DEG)
    return wrap_deg(turned_deg - turned_deg[:, :1], cycle_deg)


def camshafts(layout: Layout, *, seen_from: str = FREE_END) -> tuple[Camshaft, ...]:
    """Return the camshafts of a layout with their lobes.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`; where its file gives no drive, a chain is assumed.
    seen_from : str
        "free end" or "driving end".
    """
    sign = clockwise_sign(is_clockwise=layout.rotation == "clockwise", seen_from=seen_from)
    angles_deg = layout.firing_angles_deg[np.newaxis]
    banks = layout.batch.banks[0]
    made = []
    for shaft in layout.camshafts:
        is_assumed = shaft.drive.with_crank is None
        with_crank = shaft.drive.with_crank is not False
        places_deg = lobe_angles_deg(
            angles_deg,
            shaft,
            with_crank=with_crank,
            cycle_deg=layout.engine.cycle_deg,
            sign=sign,
        )[0]
        lobes = [
            Lobe(label=layout.labels[i], cylinder=int(i), angle_deg=float(place))
            for i, place in zip(shaft.cylinders, places_deg, strict=True)
        ]
        made.append(
            Camshaft(
                name=shaft.name,
                banks=tuple(int(b) + 1 for b in np.unique(banks[shaft.cylinders])),
                turns="clockwise" if with_crank == (sign > 0) else "anticlockwise",
                with_crank=with_crank,
                drive="no drive given: taken as a chain, which turns as the crank"
                if is_assumed
                else shaft.drive.words,
                is_assumed=is_assumed,
                seen_from=seen_from,
                lobes=tuple(sorted(lobes, key=lambda lobe: lobe.angle_deg)),
            )
        )
    return tuple(made)
