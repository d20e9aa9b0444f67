"""The crank from the side: throws, main bearings and cylinders in their axial places."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from evaluate import units
from evaluate.layout import Layout
from optimize.pictures.crank import throw_angles_deg
from optimize.pictures.drawing import (
    INK,
    METAL,
    STYLE,
    Entry,
    angle_text,
    number_text,
    rounded,
    spread,
)
from optimize.pictures.frame import frame, room_in, text_in

_NAMES_IN, _BELOW_IN = 0.92, 0.62  # for what is written beside and below the axes
_RADIUS_IN = 0.33  # of the crank as it is drawn, where the height is free
_CIRCLE_IN = 0.27  # across the circle round a throw's number
_CYLINDER: dict[str, Any] = {"fc": "#f0f0f0", "ec": INK, "lw": 1.1}


@dataclass(frozen=True, kw_only=True, slots=True)
class CylinderView:
    """A cylinder along the crank, the height of its pin, and the place of its row.

    Rows 1, 2, ... stand above the crank, -1, -2, ... below it.
    """

    label: str
    position_mm: float
    pin_height_mm: float
    row: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SideView:
    """The crank from the side at crank angle 0."""

    throws_mm: tuple[tuple[int, float, float], ...]  # number, position, height
    mains_mm: tuple[float, ...]
    path_mm: tuple[tuple[float, float], ...]
    cylinders: tuple[CylinderView, ...]
    rows: tuple[tuple[int, str], ...]
    radius_mm: float
    bore_mm: float
    origin: str
    note: str


@matplotlib_style.context(STYLE)
def side_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return the crank from the side.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    width_in : float
        Width of the picture. [in]
    """
    view = side_view(layout)
    size_in = (room_in(width_in) - _NAMES_IN - 0.1, side_height_in(view))
    place = frame(
        width_in,
        size_in[1] + _BELOW_IN,
        title="Along the crank",
        subtitle=f"{layout.name}, at crank angle 0",
        key=side_key(),
        notes=(view.note,),
    )
    axes = place.axes(_NAMES_IN, _BELOW_IN, size_in=size_in)
    draw_side(axes, view, width_in=size_in[0])
    return place.figure


def side_view(layout: Layout) -> SideView:
    """Return throws, main bearings and cylinders along the crank."""
    engine = layout.engine
    radius_mm = units.mm_from_m(engine.crank_radius_m)
    throws_mm = engine.throw_positions_m * units.MM_PER_M
    heights_mm = radius_mm * np.cos(np.deg2rad(throw_angles_deg(layout)))
    bore_mm = units.mm_from_m(engine.bore_m)
    notes = ["Rows of cylinders are not to scale in height."]
    if layout.mains_assumed:
        notes.insert(0, "Places of the main bearings are assumed.")
    if not math.isfinite(bore_mm):
        bore_mm = _drawn_bore_mm(layout, default_mm=1.8 * radius_mm)
        notes.append("The bore is unknown: cylinders are drawn to fit.")
    mains_mm = engine.main_positions_m * units.MM_PER_M
    row_of = {bank: _row(bank) for bank in range(engine.n_banks)}
    angles_deg = layout.batch.bank_angles_deg[0]
    heights = dict(enumerate(np.round(heights_mm, 9) + 0.0))
    cylinders = [
        CylinderView(
            label=label,
            position_mm=rounded(position_m * units.MM_PER_M),
            pin_height_mm=float(heights[int(throw)]),
            row=row_of[int(bank)],
        )
        for label, position_m, throw, bank in zip(
            layout.labels, engine.positions_m, engine.throws, layout.batch.banks[0], strict=True
        )
    ]
    return SideView(
        throws_mm=tuple((j + 1, rounded(s), float(heights[j])) for j, s in enumerate(throws_mm)),
        mains_mm=tuple(rounded(s) for s in mains_mm),
        path_mm=_path_mm(throws_mm, np.array(list(heights.values())), mains_mm),
        cylinders=tuple(cylinders),
        rows=tuple(
            (row_of[bank], f"bank {bank + 1}\n({angle_text(angles_deg[bank])})")
            for bank in range(engine.n_banks)
        ),
        radius_mm=radius_mm,
        bore_mm=bore_mm,
        origin=layout.origin,
        note=" ".join(notes),
    )


def _row(bank: int) -> int:
    """Return 1, -1, 2, -2, ... for the banks 0, 1, 2, 3, ..."""
    return bank // 2 + 1 if bank % 2 == 0 else -(bank // 2 + 1)


def _drawn_bore_mm(layout: Layout, *, default_mm: float) -> float:
    """Return a width that keeps the cylinders of each bank apart where the bore is unknown."""
    widths = [default_mm]
    for bank in range(layout.engine.n_banks):
        own = layout.engine.positions_m[layout.batch.banks[0] == bank] * units.MM_PER_M
        gaps = np.diff(np.sort(own))
        widths += [0.85 * float(gap) for gap in gaps if gap > 0]
    return min(widths)


def _path_mm(
    throws_mm: np.ndarray, heights_mm: np.ndarray, mains_mm: np.ndarray
) -> tuple[tuple[float, float], ...]:
    """Return the crank as a line: along pins at their height, along main journals at 0."""
    stations = [(float(s), float(h)) for s, h in zip(throws_mm, heights_mm, strict=True)]
    stations += [(float(s), 0.0) for s in mains_mm]
    stations.sort()
    path = [stations[0]]
    for (s0, h0), (s1, h1) in pairwise(stations):
        web_mm = 0.5 * (s0 + s1)
        path += [(rounded(web_mm), h0), (rounded(web_mm), h1)]
    path.append(stations[-1])
    return tuple((rounded(s), h) for s, h in path)


def side_height_in(view: SideView) -> float:
    """Return a height that shows the rows of cylinders at a good size."""
    low, high = _height_limits(view)
    return _RADIUS_IN * (high - low) / view.radius_mm


def side_key() -> list[Entry]:
    """Return the key of the side view."""
    circle = Line2D([], [], ls="", marker="o", ms=9, mfc="white", mec=INK)
    square = Line2D([], [], ls="", marker="s", ms=9, mfc="white", mec=INK)
    cross = Line2D([], [], ls="", marker="x", ms=5, mec=INK)
    return [
        (circle, "throw"),
        ((square, cross), "main bearing"),
        (Patch(**_CYLINDER), "cylinder"),
    ]


def draw_side(axes: Axes, view: SideView, *, width_in: float) -> None:
    """Draw the crank from the side."""
    low, high = _length_limits(view)
    axes.set_xlim(low, high)
    axes.set_ylim(*_height_limits(view))
    in_per_mm = width_in / (high - low)
    for cylinder in view.cylinders:
        _draw_cylinder(axes, cylinder, view, in_per_mm=in_per_mm)
    axes.plot(*zip(*view.path_mm, strict=True), color=METAL, lw=4.0, solid_joinstyle="miter")
    gaps_in = np.diff(view.mains_mm) * in_per_mm
    size_pt = float(np.clip(25 * gaps_in.min(), 4.5, 10))
    for main in view.mains_mm:
        axes.plot([main], [0], marker="s", ms=size_pt, mfc="white", mec=INK, mew=1.2, zorder=4)
        axes.plot([main], [0], marker="x", ms=0.55 * size_pt, mec=INK, mew=1.0, zorder=5)
    _number_throws(axes, view, in_per_mm=in_per_mm)
    radius, rows = view.radius_mm, view.rows
    axes.set_yticks(
        [-radius, 0, radius, *(_row_middle(row, radius) for row, _ in rows)],
        [f"−{radius:.3g}", "0", f"{radius:.3g}", *(text for _, text in rows)],
    )
    axes.locator_params(axis="x", nbins=max(3, int(width_in / 0.7)), steps=[1, 2, 5, 10])
    axes.xaxis.set_major_formatter(lambda value, _position: number_text(value).replace("-", "−"))
    ends = "free end on the left, driving end on the right"
    text = f"position from {view.origin} [mm]: {ends}"
    axes.set_xlabel(text if text_in(text, 9.0) < width_in + 0.3 else text.replace(": ", "\n"))
    axes.set_ylabel("height of the pins [mm]", loc=_label_place(view))


def _label_place(view: SideView) -> Literal["bottom", "center"]:
    return "center" if any(row < 0 for row, _ in view.rows) else "bottom"


def _length_limits(view: SideView) -> tuple[float, float]:
    places = [cylinder.position_mm for cylinder in view.cylinders]
    low = min(*view.mains_mm, min(places) - 0.6 * view.bore_mm)
    high = max(*view.mains_mm, max(places) + 0.6 * view.bore_mm)
    room = max(0.03 * (high - low), 2.2 * view.bore_mm - 0.5 * (high - low))
    return low - room, high + room


def _height_limits(view: SideView) -> tuple[float, float]:
    rows, radius = [row for row, _ in view.rows], view.radius_mm
    low, high = (_row_middle(end, radius) for end in (min(*rows, 0), max(*rows, 0)))
    return low - 1.5 * radius, high + 1.5 * radius


def _number_throws(axes: Axes, view: SideView, *, in_per_mm: float) -> None:
    """Write the throws' numbers on their pins, in circles where there is room for circles."""
    places_in = [position * in_per_mm for _, position, _ in view.throws_mm]
    gaps_in = np.diff(places_in)
    has_room = len(gaps_in) == 0 or gaps_in.min() > _CIRCLE_IN
    low, high = (limit * in_per_mm for limit in _length_limits(view))
    moved_in = spread(places_in, _CIRCLE_IN - 0.02, low, high)
    for (number, position, height), place_in in zip(view.throws_mm, moved_in, strict=True):
        box = {"boxstyle": "circle,pad=0.18", "fc": "white", "ec": INK, "lw": 1.2}
        tight = {"boxstyle": "square,pad=0.05", "fc": "white", "ec": "none"}
        crowded = not has_room and len(view.throws_mm) * _CIRCLE_IN > high - low
        axes.text(
            position if has_room or crowded else place_in / in_per_mm,
            height,
            str(number),
            ha="center",
            va="center",
            size=8.5,
            weight="normal" if crowded else "bold",
            zorder=6,
            bbox=tight if crowded else box,
        )


def _row_middle(row: int, radius: float) -> float:
    """Return the height at which a row of cylinders is drawn: symbols, not to scale."""
    return math.copysign(2.9 + 2.4 * (abs(row) - 1), row) * radius if row else 0.0


def _draw_cylinder(axes: Axes, cylinder: CylinderView, view: SideView, *, in_per_mm: float) -> None:
    radius, middle = view.radius_mm, _row_middle(cylinder.row, view.radius_mm)
    place = cylinder.position_mm
    axes.plot([place, place], [cylinder.pin_height_mm, middle], color="#9a9a9a", lw=2.0, zorder=1)
    corner = (place - 0.5 * view.bore_mm, middle - radius)
    axes.add_patch(Rectangle(corner, view.bore_mm, 2 * radius, zorder=2, **_CYLINDER))
    has_room = view.bore_mm * in_per_mm > text_in(cylinder.label, 10, "bold") + 0.05
    axes.text(
        place,
        middle,
        cylinder.label,
        ha="center",
        va="center",
        size=10 if has_room else 8.5,
        weight="bold" if has_room else "normal",
        zorder=3,
    )
