"""Several layouts side by side: crank, firing, what shakes, on common scales."""

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

from evaluate import units
from evaluate.layout import Layout
from evaluate.metrics import METRICS, Evaluation
from optimize.pictures.around import Around, upright_first
from optimize.pictures.crank import AXIS, CrankView, crank_view, draw_sense
from optimize.pictures.drawing import (
    INK,
    METAL,
    STYLE,
    Entry,
    amount_text,
    number_text,
    point,
    spread,
)
from optimize.pictures.frame import TEXT_PT, fitted, frame, line_in, room_in, text_in
from optimize.pictures.orders import ROUND_OFF, arm_m
from optimize.pictures.strips import MarkView, strip_view

_CRANK_IN, _RADIUS_IN = 1.7, 0.4  # width of a crank with its numerals, and its circle
_STRIP_IN, _BAR_IN, _LINE_STEP_IN = 0.5, 0.17, 0.26
_BAR: dict[str, Any] = {"fc": "#8fb8d8", "ec": INK, "lw": 0.8}


@dataclass(frozen=True, kw_only=True, slots=True)
class BarView:
    """A value on a scale that all layouts share."""

    name: str
    unit: str
    value: float
    largest: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SideBySideView:
    """One layout: heading, crank, firings over the common span, bars."""

    heading: str
    crank: CrankView
    firings: tuple[MarkView, ...]
    bars: tuple[BarView, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ComparisonView:
    """All layouts, over a span of crank angle that they share."""

    span_deg: float
    layouts: tuple[SideBySideView, ...]
    note: str


@matplotlib_style.context(STYLE)
def comparison_picture(layouts: Sequence[Layout], *, width_in: float) -> Figure:
    """Return several layouts below each other on common scales.

    Parameters
    ----------
    layouts : sequence of Layout
        Two to six read well.
    width_in : float
        Width of the picture. [in]
    """
    view = comparison_view(layouts)
    inner_in = room_in(width_in)
    cranks = [_small_crank(one.crank) for one in view.layouts]
    body_in = _STRIP_IN + len(view.layouts[0].bars) * _LINE_STEP_IN + 0.1
    heights_in = []
    for one, crank in zip(view.layouts, cranks, strict=True):
        n_lines = len(_heading_lines(one, inner_in))
        heights_in.append(n_lines * line_in(9.5) + 0.12 + max(body_in, crank.height_in) + 0.1)
    axis_in = 0.4
    height_in = sum(heights_in) + axis_in
    place = frame(
        width_in,
        height_in,
        title="Layouts side by side",
        key=_key(),
        notes=(view.note,),
        is_estimate=True,
    )
    axes = place.canvas(size_in=(inner_in, height_in))
    top_in = height_in
    for one, crank, own_in in zip(view.layouts, cranks, heights_in, strict=True):
        axes.plot([0, inner_in], [top_in, top_in], color="#bbbbbb", lw=0.6)
        _draw_layout(axes, view, one, crank, top_in=top_in - 0.06)
        top_in -= own_in
    _draw_scale(axes, view, top_in=top_in)
    return place.figure


def comparison_view(layouts: Sequence[Layout]) -> ComparisonView:
    """Return layouts with common scales; a shorter cycle is shown as often as it fits."""
    evaluations = [Evaluation(layout.engine, layout.batch) for layout in layouts]
    span_deg = max(layout.engine.cycle_deg for layout in layouts)
    keys = ("force_rms_N", "couple_rms_Nm")
    table = np.array([[float(METRICS[key].compute(e)[0]) for key in keys] for e in evaluations])
    for row, layout in enumerate(layouts):
        engine = layout.engine
        scale_N = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
        least = ROUND_OFF * engine.n_cylinders * scale_N * np.array([1.0, arm_m(layout)])
        table[row, table[row] < least] = 0.0
    found = []
    for layout, evaluation, values in zip(layouts, evaluations, table, strict=True):
        bars = [
            BarView(
                name=METRICS[key].label,
                unit=METRICS[key].unit,
                value=float(value),
                largest=float(table[:, column].max()),
            )
            for column, (key, value) in enumerate(zip(keys, values, strict=True))
        ]
        speed_rpm = units.rpm_from_rad_s(layout.engine.speed_rad_s)
        found.append(
            SideBySideView(
                heading=f"{layout.name}, {number_text(round(speed_rpm, 1))}\u00a0rpm",
                crank=crank_view(layout),
                firings=_firings(layout, evaluation, span_deg),
                bars=tuple(bars),
            )
        )
    note = "Residual force and couple: root mean square over a turn, each at its own speed."
    if any(layout.engine.cycle_deg < span_deg for layout in layouts):
        note += " A two-stroke is shown over two of its cycles."
    if any(one.crank.is_mirrored for one in found):
        note += " Anticlockwise cranks are mirrored: their angles grow to the left."
    return ComparisonView(span_deg=span_deg, layouts=tuple(found), note=note)


def _firings(layout: Layout, evaluation: Evaluation, span_deg: float) -> tuple[MarkView, ...]:
    cycle_deg = layout.engine.cycle_deg
    own = strip_view(layout, evaluation).firings
    return tuple(
        MarkView(angle_deg=mark.angle_deg + turn * cycle_deg, text=mark.text)
        for turn in range(round(span_deg / cycle_deg))
        for mark in own
    )


# Arranging and drawing ------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _SmallCrank:
    """Where the throw numbers of a small crank go, from its centre, and how far it reaches."""

    view: CrankView
    places: tuple[np.ndarray, ...]
    above_in: float
    below_in: float

    @property
    def height_in(self) -> float:
        return self.above_in + self.below_in


def _small_crank(view: CrankView) -> _SmallCrank:
    around = Around(radius_in=_RADIUS_IN, half_width_in=0.5 * _CRANK_IN)
    for bank in view.banks:
        around.keep_axis_clear(bank.picture_deg)
    sizes = np.array([(text_in(_throws(p.throws), TEXT_PT, "bold"), line_in()) for p in view.pins])
    places = np.empty((len(view.pins), 2))
    for index in upright_first([pin.picture_deg for pin in view.pins]):
        places[index] = around.place(
            view.pins[index].picture_deg, sizes[index], least_in=_RADIUS_IN + 0.08, turn_cost=0.6
        )
    axis_ends = [_axis_in() * np.cos(np.deg2rad(bank.picture_deg)) for bank in view.banks]
    high = float((places[:, 1] + 0.5 * sizes[:, 1]).max())
    low = float((places[:, 1] - 0.5 * sizes[:, 1]).min())
    return _SmallCrank(
        view=view,
        places=tuple(places),
        above_in=max(_RADIUS_IN + 0.08, high, *axis_ends),
        below_in=max(_RADIUS_IN + 0.08, -low, *(-end for end in axis_ends)),
    )


def _axis_in() -> float:
    return _RADIUS_IN + 0.28


def _throws(throws: tuple[int, ...]) -> str:
    return ", ".join(str(throw) for throw in throws)


def _heading_lines(one: SideBySideView, width_in: float) -> list[str]:
    return fitted(one.heading, width_in, 9.5, "bold")


def _key() -> list[Entry]:
    dot = Line2D([], [], ls="", marker="o", ms=6, mfc="white", mec=INK, mew=1.3)
    axis = Line2D([], [], color=METAL, lw=1.1, ls=AXIS["ls"])
    return [(dot, "crankpins, with throw numbers"), (axis, "bank axes")]


def _draw_layout(
    axes: Axes, view: ComparisonView, one: SideBySideView, crank: _SmallCrank, *, top_in: float
) -> None:
    width_in = axes.get_xlim()[1]
    for line in _heading_lines(one, width_in):
        axes.text(0, top_in, line, va="top", size=9.5, weight="bold")
        top_in -= line_in(9.5)
    top_in -= 0.06
    _draw_small_crank(axes, crank, np.array([0.5 * _CRANK_IN, top_in - crank.above_in]))
    left_in, strip_in = _strip_room(width_in)
    _draw_firings(axes, view, one, left_in=left_in, width_in=strip_in, top_in=top_in)
    top_in -= _STRIP_IN
    for bar in one.bars:
        _draw_bar(axes, bar, left_in=left_in, width_in=strip_in, middle_in=top_in - 0.13)
        top_in -= _LINE_STEP_IN


def _strip_room(width_in: float) -> tuple[float, float]:
    left_in = _CRANK_IN + 0.15
    return left_in, width_in - left_in - 0.15


def _draw_small_crank(axes: Axes, crank: _SmallCrank, origin: np.ndarray) -> None:
    axes.add_patch(Circle(tuple(origin), _RADIUS_IN, fc="none", ec=METAL, lw=0.9))
    for bank in crank.view.banks:
        end = origin + point(bank.picture_deg, _axis_in())
        axes.plot(*zip(origin, end, strict=True), color=METAL, **AXIS)
    for pin, place in zip(crank.view.pins, crank.places, strict=True):
        at = origin + point(pin.picture_deg, _RADIUS_IN)
        axes.plot(*zip(origin, at, strict=True), color=METAL, lw=2.2, solid_capstyle="round")
        axes.plot(*at, marker="o", ms=6, mfc="white", mec=INK, mew=1.2, zorder=4)
        text = _throws(pin.throws)
        if np.hypot(*(origin + place - at)) > 0.25 + 0.5 * text_in(text):
            axes.plot(*zip(at, origin + place, strict=True), color="#777777", lw=0.6, zorder=1)
        axes.text(
            origin[0] + place[0],
            origin[1] + place[1],
            text,
            ha="center",
            va="center",
            size=TEXT_PT,
            weight="bold",
            zorder=5,
            bbox={"boxstyle": "square,pad=0.05", "fc": "white", "ec": "none"},
        )
    axes.plot(*origin, marker="o", ms=8, mfc="white", mec=INK, mew=1.3, zorder=5)
    draw_sense(axes, origin, _RADIUS_IN, is_mirrored=crank.view.is_mirrored)


def _draw_firings(
    axes: Axes,
    view: ComparisonView,
    one: SideBySideView,
    *,
    left_in: float,
    width_in: float,
    top_in: float,
) -> None:
    in_per_deg = width_in / view.span_deg
    base = top_in - 0.36
    axes.plot([left_in, left_in + width_in], [base, base], color=INK, lw=1.1)
    gaps = np.diff([mark.angle_deg for mark in one.firings])
    widest_in = max(text_in(mark.text, TEXT_PT, "bold") for mark in one.firings)
    is_upright = bool(len(gaps) and gaps.min() * in_per_deg < widest_in + 0.04)
    places = [left_in + mark.angle_deg * in_per_deg for mark in one.firings]
    least_in = line_in() if is_upright else 0.0
    moved = spread(places, least_in, left_in, left_in + width_in)
    for mark, place, aside in zip(one.firings, places, moved, strict=True):
        way = [base, base + 0.05, base + 0.1]
        axes.plot([place, place, aside], way, color=INK, lw=1.1)
        axes.text(
            aside,
            base + 0.12,
            mark.text,
            ha="center",
            va="bottom",
            size=TEXT_PT,
            weight="bold",
            rotation=90 if is_upright else 0,
        )


def _draw_bar(
    axes: Axes, bar: BarView, *, left_in: float, width_in: float, middle_in: float
) -> None:
    text = f"{amount_text(bar.value)} {bar.unit} {bar.name.removeprefix('residual ')}"
    room = width_in - text_in("00\u2009000 N·m couple") - 0.05
    length = room * bar.value / bar.largest if bar.largest else 0.0
    low = middle_in - 0.5 * _BAR_IN
    axes.add_patch(Rectangle((left_in, low), length, _BAR_IN, **_BAR))
    axes.plot([left_in, left_in], [low - 0.03, low + _BAR_IN + 0.03], color=INK, lw=0.9)
    axes.text(left_in + length + 0.06, middle_in, text, va="center", size=TEXT_PT)


def _draw_scale(axes: Axes, view: ComparisonView, *, top_in: float) -> None:
    """Draw the axis of crank angle below all strips."""
    left_in, strip_in = _strip_room(axes.get_xlim()[1])
    step_deg = 180 if view.span_deg > 360 else 90
    axes.plot([0, axes.get_xlim()[1]], [top_in, top_in], color="#bbbbbb", lw=0.6)
    for tick_deg in np.arange(0, view.span_deg + 1, step_deg):
        place = left_in + tick_deg / view.span_deg * strip_in
        axes.plot([place, place], [top_in, top_in - 0.05], color=INK, lw=0.8)
        axes.text(place, top_in - 0.08, f"{tick_deg:g}", ha="center", va="top", size=TEXT_PT)
    label = "crank angle after the first firing [deg]"
    axes.text(left_in + strip_in, top_in - 0.23, label, ha="right", va="top", size=TEXT_PT)
