"""Cylinder labels by the open standards for engines (see conventions in the reference notes)."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError, nearest

DEFAULT = "SAE J824 A"
#: Scheme and how it counts.
SCHEMES = {
    "SAE J824 A": "1, 2, 3 ... as the rods sit along the crank, from the free end",
    "SAE J824 B": "per bank from the free end, R or L as seen from the driving end",
    "ISO 1204": "per bank from the driving end, A left and B right as seen from there",
    "DIN 73021": "running from the free end, left bank first, as seen from the free end",
}


def labels(
    scheme: str,
    *,
    positions_m: FloatArray,
    banks: IntArray,
    bank_angles_deg: FloatArray,
    is_clockwise: bool,
) -> tuple[str, ...]:
    """Return the label of each cylinder.

    Parameters
    ----------
    scheme : str
        One of `SCHEMES`.
    positions_m : array, shape (cylinders,)
        Axial positions, growing towards the driving end. [m]
    banks : array of int, shape (cylinders,)
        Bank of each cylinder.
    bank_angles_deg : array, shape (banks,)
        In the direction of rotation; to the right as seen from the free end when the crank turns
        clockwise, to the left otherwise. [deg]
    is_clockwise : bool
        Sense of rotation seen from the free end.
    """
    along = np.lexsort([banks, positions_m])
    if scheme == DEFAULT:
        return _by_index(along, [str(place + 1) for place in range(len(along))])
    seen_deg = bank_angles_deg if is_clockwise else -bank_angles_deg
    # Banks as a half plane meets them that starts on the left, seen from the free end, and turns
    # clockwise over the top.
    bank_order = np.argsort((seen_deg + 90) % 360, kind="stable")
    place_of_bank = np.argsort(bank_order)
    if scheme == "DIN 73021":
        by_bank = sorted(along, key=lambda i: int(place_of_bank[banks[i]]))
        return _by_index(np.array(by_bank), [str(place + 1) for place in range(len(along))])
    from_driving_end = scheme == "ISO 1204"
    walk = along[::-1] if from_driving_end else along
    counts = dict.fromkeys(range(len(bank_angles_deg)), 0)
    names: list[str] = []
    for i in walk:
        bank = int(banks[i])
        counts[bank] += 1
        names.append(_bank_label(scheme, counts[bank], place_of_bank[bank], len(bank_angles_deg)))
    return _by_index(walk, names)


def index_of(label: str, names: tuple[str, ...], where: str) -> int:
    """Return the index of a cylinder's label.

    Raises
    ------
    InputError
        If there is no such cylinder, with the nearest label.
    """
    if label not in names:
        raise InputError(
            where, repr(label), "a cylinder: " + ", ".join(names), nearest(label, names)
        )
    return names.index(label)


def natural_key(label: str) -> tuple[tuple[int, str], ...]:
    """Return a sort key under which "2" comes before "10" and "A2" before "A10"."""
    pieces = re.findall(r"[0-9]+|[^0-9]+", label)
    return tuple((int(p), "") if p[0] in "0123456789" else (-1, p) for p in pieces)


def _bank_label(scheme: str, number: int, place: int, n_banks: int) -> str:
    if n_banks == 1:
        return str(number)
    # Left as seen from the free end is right as seen from the driving end.
    place_from_driving_end = n_banks - 1 - place
    if scheme == "ISO 1204":
        return f"{chr(ord('A') + place_from_driving_end)}{number}"
    sides = ("L", "R") if n_banks == 2 else tuple(chr(ord("L") + k) for k in range(n_banks))
    return f"{number}{sides[place_from_driving_end]}"


def _by_index(walk: IntArray, names: Sequence[str]) -> tuple[str, ...]:
    by_index = [""] * len(walk)
    for i, name in zip(walk, names, strict=True):
        by_index[int(i)] = name
    return tuple(by_index)
