"""How readings put quantities, lists, speeds and directions into words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

ORDINALS = {1: "first", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}
_NUMBERS = (
    *("no", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)
_KILO_FROM = 1e4  # 9870 N, but 12.3 kN
_EVEN_DEG = 0.05  # angles are quoted to a tenth


def quantity(value: float, unit: str, *, digits: int = 3) -> str:
    """Return a value with some digits and its unit, in thousands from 10 000 on.

    Examples
    --------
    >>> quantity(4537.2, "N"), quantity(12345.0, "N·m"), quantity(0.4567, "kg", digits=2)
    ('4540 N', '12.3 kN·m', '0.46 kg')
    """
    if abs(value) >= _KILO_FROM and unit in ("N", "N·m", "W"):
        value, unit = value / 1000, f"k{unit}"
    if value == 0:
        return f"0 {unit}"
    places = digits - 1 - int(np.floor(np.log10(abs(value))))
    return f"{round(value, places):.{max(0, places)}f} {unit}"


def degrees(angle_deg: float) -> str:
    """Return an angle to a tenth of a degree at most, such as ``102.9°``."""
    return f"{_tenths(angle_deg)}°"


def spaced(angles_deg: Sequence[float]) -> str:
    """Return successive spacings, such as ``180-540°``."""
    return "-".join(_tenths(angle) for angle in angles_deg) + "°"


def number(count: int) -> str:
    """Return a count in words up to twelve; 0 is ``no``."""
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun in the right number, such as ``one shaft``."""
    return f"{number(count)} {noun if count == 1 else plural or noun + 's'}"


def listed(items: Sequence[str]) -> str:
    """Return a list in prose: ``1``, ``1 and 2``, ``1, 2 and 4``."""
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def orders_text(orders: Sequence[int]) -> str:
    """Return ``order 1`` or ``orders 1, 2 and 4``."""
    return f"order{'' if len(orders) == 1 else 's'} {listed([str(order) for order in orders])}"


def percent(share: float) -> str:
    """Return a share in whole percent, or ``less than 1 %``."""
    return "less than 1 %" if 0 < share < 0.005 else f"{share * 100:.0f} %"


def groups_text(groups: Sequence[Sequence[str]]) -> str:
    """Return sets of cylinders, such as ``{1, 4} and {2, 3}``."""
    return listed(["{" + ", ".join(group) + "}" for group in groups])


def speed_text(order: int) -> str:
    """Return how fast an order turns: crank speed, twice crank speed, ..."""
    times = {1: "", 2: "twice "}.get(order, f"{number(order)} times ")
    return f"{times}crank speed"


def capital(text: str) -> str:
    """Return the text with a capital first letter."""
    return text[:1].upper() + text[1:]


def force_line(direction_deg: float) -> str:
    """Return along which line a force swings, from its angle to straight up."""
    angle_deg, side = _from_upright(direction_deg)
    if not side:
        return "horizontally" if angle_deg > 45 else "straight up and down"
    return f"along a line {degrees(angle_deg)} from straight up, to the side {side}"


def couple_plane(direction_deg: float) -> str:
    """Return in which plane a couple swings, from the angle of its forces to straight up."""
    angle_deg, side = _from_upright(direction_deg)
    if not side:
        return (
            "in the horizontal plane (yawing)"
            if angle_deg > 45
            else "in the upright plane (pitching)"
        )
    return f"in a plane {degrees(angle_deg)} from upright, to the side {side}"


def _from_upright(direction_deg: float) -> tuple[float, str]:
    """Return the angle from straight up in [0, 90] and the side, none when upright or level."""
    angle_deg = direction_deg % 180.0
    towards = angle_deg <= 90.0
    angle_deg = angle_deg if towards else 180.0 - angle_deg
    if angle_deg < _EVEN_DEG or angle_deg > 90.0 - _EVEN_DEG:
        return round(angle_deg), ""
    return angle_deg, f"the crank {'turns towards' if towards else 'comes from'}"


def _tenths(angle_deg: float) -> str:
    text = f"{angle_deg:.1f}"
    return text.removesuffix(".0")
