"""Camshafts seen from one end: lobes at their angles, sense of rotation, drive."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Polygon, Rectangle

from evaluate.camshafts import Camshaft
from evaluate.layout import Layout
from optimize.pictures.around import Around
from optimize.pictures.crank import SAME_DEG
from optimize.pictures.drawing import INK, METAL, STYLE, Entry, angle_text, point, point_arrays
from optimize.pictures.frame import TEXT_PT, fitted, frame, line_in, room_in, text_in

_CELL_IN = 1.95  # least width of one camshaft
_HALF_LOBE_DEG = 52.0
_NUMERAL_PT = 9.5


@dataclass(frozen=True, kw_only=True, slots=True)
class LobeView:
    """Lobes at one angle, clockwise from straight up as seen."""

    labels: tuple[str, ...]
    angle_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class CamView:
    """A camshaft: heading, lobes in rising angle, sense of rotation as seen, drive in words."""

    name: str
    lobes: tuple[LobeView, ...]
    is_clockwise: bool
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CamsView:
    """All camshafts of an engine from one end."""

    seen_from: str
    cams: tuple[CamView, ...]
    note: str


@matplotlib_style.context(STYLE)
def camshafts_picture(layout: Layout, camshafts: Sequence[Camshaft], *, width_in: float) -> Figure:
    """Return the camshafts with their lobes.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    camshafts : sequence of Camshaft
        From `evaluate.camshafts`.
    width_in : float
        Width of the picture. [in]
    """
    view = cams_view(camshafts)
    inner_in = room_in(width_in)
    n_rows = math.ceil(len(view.cams) / max(1, int(inner_in / _CELL_IN)))
    n_columns = math.ceil(len(view.cams) / n_rows)
    across_in = inner_in / n_columns
    cells = [_cell(cam, min(across_in, 3.4), words_in=across_in - 0.15) for cam in view.cams]
    rows = [cells[i : i + n_columns] for i in range(0, len(cells), n_columns)]
    heights_in = [max(cell.height_in for cell in row) + 0.1 for row in rows]
    place = frame(
        width_in,
        sum(heights_in),
        title=f"Camshafts, seen from the {view.seen_from}",
        subtitle=layout.name,
        key=_key(),
        notes=(view.note,),
    )
    axes = place.canvas(size_in=(inner_in, sum(heights_in)))
    top_in = sum(heights_in)
    for row, height_in in zip(rows, heights_in, strict=True):
        for column, cell in enumerate(row):
            _draw_cell(axes, cell, middle_in=(column + 0.5) * across_in, top_in=top_in)
        top_in -= height_in
    return place.figure


def cams_view(camshafts: Sequence[Camshaft]) -> CamsView:
    """Return camshafts with the lobes that stand at one angle together."""
    cams = []
    for camshaft in camshafts:
        lobes: list[LobeView] = []
        for lobe in camshaft.lobes:
            if lobes and lobe.angle_deg - lobes[-1].angle_deg < SAME_DEG:
                both = (*lobes[-1].labels, lobe.label)
                lobes[-1] = LobeView(labels=both, angle_deg=lobes[-1].angle_deg)
            else:
                lobes.append(LobeView(labels=(lobe.label,), angle_deg=lobe.angle_deg))
        assumed = "Assumed: " if camshaft.is_assumed else ""
        cams.append(
            CamView(
                name=camshaft.name[:1].upper() + camshaft.name[1:],
                lobes=tuple(lobes),
                is_clockwise=camshaft.turns == "clockwise",
                words=f"Turns {camshaft.turns}. {assumed}{camshaft.drive}.",
            )
        )
    note = (
        "Lobes of one kind, all exhaust or all intake; their shape is a symbol. Angles count "
        "clockwise from the lobe of the camshaft's first cylinder, drawn upwards."
    )
    seen_from = camshafts[0].seen_from if camshafts else "free end"
    return CamsView(seen_from=seen_from, cams=tuple(cams), note=note)


# Arranging and drawing ------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Cell:
    cam: CamView
    tip_in: float
    places: tuple[np.ndarray, ...]
    above_in: float
    below_in: float
    lines: tuple[str, ...]

    @property
    def height_in(self) -> float:
        return 0.24 + self.above_in + self.below_in + 0.06 + line_in() * len(self.lines)


def _cell(cam: CamView, across_in: float, *, words_in: float) -> _Cell:
    """Return where the labels of one camshaft go."""
    tip_in = min(0.85, 0.5 * across_in - 0.42)
    around = Around(radius_in=tip_in, half_width_in=0.5 * across_in)
    sizes = np.array([_label_size_in(lobe) for lobe in cam.lobes])
    places = [
        around.place(lobe.angle_deg, size, least_in=tip_in + 0.05, turn_cost=1.0)
        for lobe, size in zip(cam.lobes, sizes, strict=True)
    ]
    middles = np.array(places)
    return _Cell(
        cam=cam,
        tip_in=tip_in,
        places=tuple(places),
        above_in=max(tip_in, float((middles[:, 1] + 0.5 * sizes[:, 1]).max())) + 0.04,
        below_in=max(0.6 * tip_in, float((0.5 * sizes[:, 1] - middles[:, 1]).max())) + 0.04,
        lines=tuple(fitted(cam.words, words_in)),
    )


def _numerals(lobe: LobeView) -> str:
    return ", ".join(lobe.labels)


def _label_size_in(lobe: LobeView) -> tuple[float, float]:
    widths = text_in(_numerals(lobe), _NUMERAL_PT, "bold"), text_in(angle_text(lobe.angle_deg))
    return max(widths), line_in(_NUMERAL_PT) + line_in()


def _key() -> list[Entry]:
    lobe = Line2D([], [], ls="", marker="d", ms=9, mfc="#ececec", mec=INK)
    return [(lobe, "lobe, with its cylinder and angle")]


def _draw_cell(axes: Axes, cell: _Cell, *, middle_in: float, top_in: float) -> None:
    axes.text(middle_in, top_in, cell.cam.name, ha="center", va="top", size=9.5, weight="bold")
    origin = np.array([middle_in, top_in - 0.24 - cell.above_in])
    base_in = 0.62 * cell.tip_in
    half_deg = min(_HALF_LOBE_DEG, 0.95 * _least_gap_deg(cell.cam.lobes))
    for lobe in cell.cam.lobes:
        outline = _outline(lobe.angle_deg, base_in, cell.tip_in, half_deg)
        axes.add_patch(Polygon(origin + outline, closed=True, fc="#ececec", ec=INK, lw=1.2))
    axes.add_patch(Circle(tuple(origin), base_in, fc="white", ec=INK, lw=1.2, zorder=3))
    axes.plot(*origin, marker="+", ms=8, mec=METAL, mew=1.2, zorder=4)
    _draw_turn(axes, origin, 0.6 * base_in, is_clockwise=cell.cam.is_clockwise)
    for lobe, place in zip(cell.cam.lobes, cell.places, strict=True):
        _write_label(axes, lobe, origin + place)
        tip = origin + point(lobe.angle_deg, cell.tip_in)
        if np.hypot(*(origin + place - tip)) > 0.4:
            axes.plot(*zip(tip, origin + place, strict=True), color="#777777", lw=0.7, zorder=1)
    down_in = origin[1] - cell.below_in - 0.06
    for row, line in enumerate(cell.lines):
        axes.text(middle_in, down_in - row * line_in(), line, ha="center", va="top", size=TEXT_PT)


def _write_label(axes: Axes, lobe: LobeView, middle: np.ndarray) -> None:
    top = middle[1] + 0.5 * (line_in(_NUMERAL_PT) + line_in())
    width, height = _label_size_in(lobe)
    corner = middle - 0.5 * np.array([width, height])
    axes.add_patch(Rectangle(tuple(corner), width, height, fc="white", ec="none", zorder=1.5))
    up = top - 0.5 * line_in(_NUMERAL_PT)
    text = _numerals(lobe)
    axes.text(middle[0], up, text, ha="center", va="center", size=_NUMERAL_PT, weight="bold")
    up = top - line_in(_NUMERAL_PT) - 0.5 * line_in()
    text = angle_text(lobe.angle_deg)
    axes.text(middle[0], up, text, ha="center", va="center", size=TEXT_PT)


def _least_gap_deg(lobes: Sequence[LobeView]) -> float:
    places = [lobe.angle_deg for lobe in lobes]
    gaps = [(b - a) % 360 for a, b in zip(places, [*places[1:], places[0]], strict=True)]
    return min(gap for gap in gaps if gap > 0) if len(places) > 1 else 360.0


def _outline(angle_deg: float, base_in: float, tip_in: float, half_deg: float) -> np.ndarray:
    """Return the outline of one lobe round the middle of its camshaft, shape (points, 2). [in]"""
    turn_deg = np.linspace(-half_deg, half_deg, 61)
    lift = np.cos(0.5 * np.pi * turn_deg / half_deg) ** 2
    right, up = point_arrays(angle_deg + turn_deg, 1.0)
    rim = np.column_stack([right, up]) * (base_in + (tip_in - base_in) * lift)[:, np.newaxis]
    return np.concatenate([[[0.0, 0.0]], rim])


def _draw_turn(axes: Axes, origin: np.ndarray, radius: float, *, is_clockwise: bool) -> None:
    """Draw the arrow of rotation inside the base circle."""
    sense = 1 if is_clockwise else -1
    arc = origin[:, np.newaxis] + point_arrays(sense * np.linspace(-60, 50, 41), radius)
    axes.plot(*arc, color=INK, lw=1.6, zorder=4)
    axes.annotate(
        "",
        tuple(origin + point(sense * 72, radius)),
        tuple(origin + point(sense * 46, radius)),
        arrowprops={"arrowstyle": "-|>,head_width=0.3,head_length=0.6", "color": INK, "lw": 1.6},
        zorder=4,
    )
