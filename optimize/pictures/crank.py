"""The crank from the free end: throws, bank axes, sense of rotation, what hangs on what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Rectangle

from evaluate.batch import FloatArray
from evaluate.layout import Layout
from evaluate.numbering import natural_key
from optimize.pictures.around import Around, upright_first
from optimize.pictures.drawing import INK, METAL, STYLE, Entry, angle_text, point, point_arrays
from optimize.pictures.frame import TEXT_PT, fitted, frame, line_in, room_in, text_in

SAME_DEG = 0.01  # directions nearer than this are one direction in the picture
_ROW_IN, _GAP_IN = 0.235, 0.045  # of a throw with its cylinders in a label
_NUMERAL_PT = 9.0
_BANK_TEXT_SHARE = 1.15  # of the radius: to this the text at a bank axis is wrapped
AXIS: dict[str, Any] = {"lw": 1.1, "ls": (0, (7, 3, 1, 3)), "zorder": 1}
THROW: dict[str, Any] = {"fc": "white", "ec": INK, "lw": 1.3}
CYLINDER: dict[str, Any] = {"fc": "#ececec", "ec": INK, "lw": 0.9}


@dataclass(frozen=True, kw_only=True, slots=True)
class PinView:
    """Crankpins in one direction: throw numbers, the cylinders on each throw, the angle.

    `picture_deg` counts clockwise from straight up, as drawn.
    """

    throws: tuple[int, ...]
    cylinders: tuple[tuple[str, ...], ...]
    angle_deg: float
    picture_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class BankView:
    """A bank axis: number, cylinders along it, angle, and angle clockwise from up as drawn."""

    number: int
    cylinders: tuple[str, ...]
    angle_deg: float
    picture_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class CrankView:
    """The crank from the free end at crank angle 0, real axis up."""

    pins: tuple[PinView, ...]
    banks: tuple[BankView, ...]
    is_mirrored: bool
    note: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrangement:
    """Where the labels of a crank go, in inches from its centre.

    Attributes
    ----------
    radius_in : float
        Of the circle of the crankpins. [in]
    pins, banks : array, shape (labels, 2)
        Middle of each label. [in]
    bank_lines : tuple of tuple of str
        Text of each bank's label.
    below_in, above_in : float
        How far the drawing reaches. [in]
    """

    radius_in: float
    pins: FloatArray
    banks: FloatArray
    bank_lines: tuple[tuple[str, ...], ...]
    below_in: float
    above_in: float


@matplotlib_style.context(STYLE)
def crank_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return the crank as seen from the free end.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    width_in : float
        Width of the picture. [in]
    """
    view = crank_view(layout)
    inner_in = room_in(width_in)
    arrangement = arrange_crank(view, width_in=inner_in, radius_in=min(1.2, 0.21 * inner_in))
    height_in = arrangement.below_in + arrangement.above_in
    place = frame(
        width_in,
        height_in,
        title="The crank, seen from the free end",
        subtitle=layout.name,
        key=crank_key(view),
        notes=(view.note,),
    )
    axes = place.canvas(size_in=(inner_in, height_in))
    draw_crank(axes, view, arrangement, middle_in=(0.5 * inner_in, arrangement.below_in))
    return place.figure


def crank_view(layout: Layout) -> CrankView:
    """Return pins and bank axes as seen from the free end; mirrored for an anticlockwise crank."""
    is_mirrored = layout.rotation == "anticlockwise"
    sense = -1 if is_mirrored else 1
    throws, banks = layout.engine.throws, layout.batch.banks[0]
    along = np.lexsort([banks, layout.engine.positions_m])
    pins = [
        PinView(
            throws=tuple(members),
            cylinders=tuple(_labels(layout, throws == throw - 1) for throw in members),
            angle_deg=float(angle_deg % 360),
            picture_deg=float(sense * angle_deg % 360),
        )
        for angle_deg, members in _directions(throw_angles_deg(layout))
    ]
    seen = [
        BankView(
            number=bank + 1,
            cylinders=tuple(layout.labels[i] for i in along if banks[i] == bank),
            angle_deg=float(angle_deg),
            picture_deg=float(sense * angle_deg % 360),
        )
        for bank, angle_deg in enumerate(layout.batch.bank_angles_deg[0])
    ]
    note = f"Turns {layout.rotation}; drawn at crank angle 0."
    if is_mirrored:
        note += " The picture is mirrored: angles still grow with the rotation, here to the left."
    return CrankView(pins=tuple(pins), banks=tuple(seen), is_mirrored=is_mirrored, note=note)


def crank_key(view: CrankView) -> list[Entry]:
    """Return the key of a crank."""
    circle = Line2D([], [], ls="", marker="o", ms=9, mfc="white", mec=INK, mew=1.2)
    square = Line2D([], [], ls="", marker="s", ms=8, mfc=CYLINDER["fc"], mec=INK, mew=0.9)
    axis = Line2D([], [], color=METAL, lw=1.1, ls=AXIS["ls"])
    return [
        (circle, "throw, counted from the free end"),
        (square, "cylinder on it"),
        (axis, "bank axes" if len(view.banks) > 1 else "bank axis"),
    ]


def throw_angles_deg(layout: Layout) -> list[float]:
    """Return the angle of each throw, from a cylinder on it."""
    pins_deg = layout.batch.pin_angles_deg[0]
    throws = layout.engine.throws.tolist()
    return [float(pins_deg[throws.index(throw)]) for throw in range(layout.engine.n_throws)]


def _directions(angles_deg: Sequence[float]) -> list[tuple[float, list[int]]]:
    """Return the distinct directions of throws with the numbers of the throws in each."""
    groups: list[tuple[float, list[int]]] = []
    for throw, angle_deg in enumerate(angles_deg, start=1):
        for known_deg, members in groups:
            if abs((angle_deg - known_deg + 180) % 360 - 180) < SAME_DEG:
                members.append(throw)
                break
        else:
            groups.append((angle_deg, [throw]))
    return groups


def _labels(layout: Layout, chosen: Any) -> tuple[str, ...]:
    return tuple(sorted((layout.labels[i] for i in np.flatnonzero(chosen)), key=natural_key))


# Arranging ------------------------------------------------------------------------------------


def arrange_crank(view: CrankView, *, width_in: float, radius_in: float) -> Arrangement:
    """Return where the labels go: near their pins and axes, none on another."""
    bank_lines = [_bank_lines(bank, _BANK_TEXT_SHARE * radius_in) for bank in view.banks]
    bank_sizes = np.array([_bank_size_in(lines) for lines in bank_lines])
    pin_sizes = np.array([_pin_size_in(pin) for pin in view.pins])
    free = Around(radius_in=radius_in, half_width_in=0.5 * width_in - 0.02)  # room for outlines
    banks = [
        free.place(bank.picture_deg, size, least_in=radius_in + 0.25, turn_cost=4.0)
        for bank, size in zip(view.banks, bank_sizes, strict=True)
    ]
    for bank in view.banks:
        free.keep_axis_clear(bank.picture_deg)
    pins = np.empty((len(view.pins), 2))
    turn_cost = 0.35 if len(view.pins) <= 8 else 1.0  # where it is crowded each stays at its place
    for index in upright_first([pin.picture_deg for pin in view.pins]):
        pins[index] = free.place(
            view.pins[index].picture_deg,
            pin_sizes[index],
            least_in=radius_in + 0.1,
            turn_cost=turn_cost,
        )
    middles = np.array([*pins, *banks])
    halves = 0.5 * np.concatenate([pin_sizes, bank_sizes])[:, 1]
    reach = radius_in + 0.16
    return Arrangement(
        radius_in=radius_in,
        pins=pins,
        banks=np.array(banks),
        bank_lines=tuple(bank_lines),
        below_in=max(reach, -float((middles[:, 1] - halves).min()) + 0.05),
        above_in=max(reach, float((middles[:, 1] + halves).max()) + 0.05),
    )


def _pin_size_in(pin: PinView) -> tuple[float, float]:
    rows = [_row_width_in(str(t), c) for t, c in zip(pin.throws, pin.cylinders, strict=True)]
    rows[0] += _GAP_IN + text_in(angle_text(pin.angle_deg))
    return max(rows), _ROW_IN * len(rows)


def _row_width_in(throw: str, cylinders: tuple[str, ...]) -> float:
    return _throw_in(throw) + sum(_GAP_IN + _cylinder_in(label) for label in cylinders)


def _throw_in(throw: str) -> float:
    return max(0.2, text_in(throw, _NUMERAL_PT, "bold") + 0.09)


def _cylinder_in(label: str) -> float:
    return max(0.19, text_in(label) + 0.08)


def _bank_lines(bank: BankView, width_in: float) -> tuple[str, ...]:
    named = "cylinder" if len(bank.cylinders) == 1 else "cylinders"
    members = fitted(f"{named} {_listed(bank.cylinders)}", width_in)
    return (f"bank {bank.number}, {angle_text(bank.angle_deg)}", *members)


def _listed(labels: tuple[str, ...]) -> str:
    """Return labels as a list, or as "1 to 6" where they count on."""
    numbers = [str(int(labels[0]) + k) for k in range(len(labels))] if labels[0].isdigit() else []
    if len(labels) > 2 and list(labels) == numbers:
        return f"{labels[0]}\u00a0to\u00a0{labels[-1]}"
    return ", ".join(labels)


def _bank_size_in(lines: tuple[str, ...]) -> tuple[float, float]:
    return max(text_in(line) for line in lines), line_in() * len(lines)


# Drawing --------------------------------------------------------------------------------------


def draw_crank(
    axes: Axes, view: CrankView, arrangement: Arrangement, *, middle_in: tuple[float, float]
) -> None:
    """Draw the crank round a point of axes that count in inches."""
    radius = arrangement.radius_in
    origin = np.array(middle_in)
    axes.add_patch(Circle(middle_in, radius, fc="none", ec=METAL, lw=1.0))
    labels = zip(view.banks, arrangement.bank_lines, arrangement.banks, strict=True)
    for bank, lines, middle in labels:
        out = origin + point(bank.picture_deg, radius + 0.22)
        ends = np.array([origin, out, origin + middle])
        axes.plot(*ends.T, color=METAL, **AXIS)
        _write_bank(axes, lines, origin + middle)
    for pin, middle in zip(view.pins, arrangement.pins, strict=True):
        place = origin + point(pin.picture_deg, radius)
        axes.plot(*zip(origin, place, strict=True), color=METAL, lw=3.2, solid_capstyle="round")
        axes.plot(*zip(place, origin + middle, strict=True), color=INK, lw=0.8, zorder=1.5)
        axes.plot(*place, marker="o", ms=9, mfc="white", mec=INK, mew=1.6, zorder=4)
        _draw_pin_label(axes, pin, origin + middle)
    axes.plot(*origin, marker="o", ms=13, mfc="white", mec=INK, mew=1.8, zorder=5)
    draw_sense(axes, origin, radius, is_mirrored=view.is_mirrored)


def _write_bank(axes: Axes, lines: tuple[str, ...], middle: FloatArray) -> None:
    width, height = _bank_size_in(lines)
    corner = middle - 0.5 * np.array([width + 0.06, height + 0.02])
    axes.add_patch(
        Rectangle(tuple(corner), width + 0.06, height + 0.02, fc="white", ec="none", zorder=2)
    )
    for row, line in enumerate(lines):
        up = middle[1] + 0.5 * height - (row + 0.5) * line_in()
        axes.text(middle[0], up, line, ha="center", va="center", size=TEXT_PT, zorder=6)


def _draw_pin_label(axes: Axes, pin: PinView, middle: FloatArray) -> None:
    width, height = _pin_size_in(pin)
    corner = middle - 0.5 * np.array([width, height])
    axes.add_patch(Rectangle(tuple(corner), width, height, fc="white", ec="none", zorder=2))
    top = middle[1] + 0.5 * height
    for row, (throw, cylinders) in enumerate(zip(pin.throws, pin.cylinders, strict=True)):
        up = top - (row + 0.5) * _ROW_IN
        left = middle[0] - 0.5 * width
        left = draw_throw(axes, (left, up), str(throw)) + _GAP_IN
        for label in cylinders:
            left = draw_cylinder(axes, (left, up), label) + _GAP_IN
        if row == 0:
            text = angle_text(pin.angle_deg)
            axes.text(left, up, text, ha="left", va="center", size=TEXT_PT, zorder=6)


def draw_throw(axes: Axes, left_middle: tuple[float, float], throw: str) -> float:
    """Draw a throw's number in its circle and return where the circle ends. [in]"""
    across = _throw_in(throw)
    middle = (left_middle[0] + 0.5 * across, left_middle[1])
    axes.add_patch(Circle(middle, 0.5 * across, zorder=3, **THROW))
    axes.text(
        *middle,
        throw,
        ha="center",
        va="center_baseline",
        size=_NUMERAL_PT,
        weight="bold",
        zorder=6,
    )
    return left_middle[0] + across


def draw_cylinder(axes: Axes, left_middle: tuple[float, float], label: str) -> float:
    """Draw a cylinder's label in its square and return where the square ends. [in]"""
    left, up = left_middle
    across = _cylinder_in(label)
    axes.add_patch(Rectangle((left, up - 0.095), across, 0.19, zorder=3, **CYLINDER))
    place = (left + 0.5 * across, up)
    axes.text(*place, label, ha="center", va="center_baseline", size=TEXT_PT, zorder=6)
    return left + across


def draw_sense(axes: Axes, origin: FloatArray, radius: float, *, is_mirrored: bool) -> None:
    """Draw the arrow of rotation inside the circle of a crank."""
    sense = -1 if is_mirrored else 1
    arc_deg = sense * np.linspace(15, 75, 41)
    arc = origin[:, np.newaxis] + point_arrays(arc_deg, 0.55 * radius)
    axes.plot(*arc, color="white", lw=5, zorder=2.5)
    axes.plot(*arc, color=INK, lw=1.8, zorder=3)
    axes.annotate(
        "",
        tuple(origin + point(sense * 92, 0.55 * radius)),
        tuple(origin + point(sense * 72, 0.55 * radius)),
        arrowprops={"arrowstyle": "-|>,head_width=0.35,head_length=0.7", "color": INK, "lw": 1.8},
        zorder=3,
    )
