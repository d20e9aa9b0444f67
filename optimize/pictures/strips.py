"""Firing and exhaust over one cycle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from evaluate import firing
from evaluate.layout import Layout, order_line
from evaluate.metrics import Evaluation
from evaluate.numbering import natural_key
from optimize.pictures.drawing import INK, OPEN, STYLE, Entry, spread
from optimize.pictures.frame import frame, room_in, text_in

LANE_IN = 0.2
EXHAUST_NOTE = (
    "Exhaust openings are drawn from the firing on, without their constant delay; numbers are "
    "intervals and spacings in degrees of crank angle."
)
_NAMES_IN = 0.82  # for the names of the rows
_OVERLAP: dict[str, Any] = {"fc": "#c4c4c4", "ec": INK, "hatch": "/////", "lw": 0.6}


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkView:
    """A text at a crank angle."""

    angle_deg: float
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OpeningView:
    """When one cylinder's exhaust is open: one piece, or two round the end of the cycle."""

    label: str
    lane: int
    pieces_deg: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class CollectorView:
    """The exhaust pulses of one collector."""

    number: int
    openings: tuple[OpeningView, ...]
    n_lanes: int
    spacings: tuple[MarkView, ...]
    overlaps_deg: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class StripView:
    """Firing and exhaust over one cycle; angles from the firing of the first cylinder. [deg]"""

    cycle_deg: float
    order: str
    firings: tuple[MarkView, ...]
    intervals: tuple[MarkView, ...]
    collectors: tuple[CollectorView, ...]
    open_duration_deg: float


@matplotlib_style.context(STYLE)
def strip_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return firing and exhaust over one cycle.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    width_in : float
        Width of the picture. [in]
    """
    view = strip_view(layout, Evaluation(layout.engine, layout.batch))
    size_in = (room_in(width_in) - _NAMES_IN - 0.2, 0.0)
    size_in = (size_in[0], LANE_IN * strip_height(view, width_in=size_in[0]))
    place = frame(
        width_in,
        size_in[1] + 0.5,
        title=f"What fires when: {view.order}",
        subtitle=layout.name,
        key=strip_key(view),
        notes=(EXHAUST_NOTE,),
    )
    axes = place.axes(_NAMES_IN, 0.5, size_in=size_in)
    draw_strip(axes, view, size_in=size_in)
    return place.figure


def strip_view(layout: Layout, evaluation: Evaluation) -> StripView:
    """Return firing and exhaust over one cycle."""
    angles_deg = evaluation.firing_angles_deg[0]
    cycle_deg = layout.engine.cycle_deg
    firings = _firings(layout.labels, angles_deg)
    groups = layout.batch.collectors[0]
    collectors = [
        _collector(layout, [int(i) for i in np.flatnonzero(groups == group)], group + 1, angles_deg)
        for group in range(int(groups.max()) + 1)
    ]
    return StripView(
        cycle_deg=cycle_deg,
        order=order_line(layout.labels, angles_deg),
        firings=firings,
        intervals=_gaps([mark.angle_deg for mark in firings], cycle_deg),
        collectors=tuple(collectors),
        open_duration_deg=layout.engine.open_duration_deg,
    )


def _firings(labels: tuple[str, ...], angles_deg: np.ndarray) -> tuple[MarkView, ...]:
    """Return the firings in order; cylinders that fire together share a mark."""
    marks: list[MarkView] = []
    for i in sorted(range(len(labels)), key=lambda i: (angles_deg[i], natural_key(labels[i]))):
        angle_deg = float(angles_deg[i])
        if marks and angle_deg - marks[-1].angle_deg < firing.SNAP_DEG:
            marks[-1] = MarkView(
                angle_deg=marks[-1].angle_deg, text=f"{marks[-1].text}+{labels[i]}"
            )
        else:
            marks.append(MarkView(angle_deg=angle_deg, text=labels[i]))
    return tuple(marks)


def _gaps(rising_deg: Sequence[float], cycle_deg: float) -> tuple[MarkView, ...]:
    """Return the spacing after each angle, written half-way to the next one."""
    following = [*rising_deg[1:], rising_deg[0] + cycle_deg]
    return tuple(
        MarkView(
            angle_deg=(0.5 * (here + then)) % cycle_deg, text=f"{round(then - here, 2) + 0.0:g}"
        )
        for here, then in zip(rising_deg, following, strict=True)
    )


def _collector(
    layout: Layout, members: list[int], number: int, angles_deg: np.ndarray
) -> CollectorView:
    cycle_deg = layout.engine.cycle_deg
    duration_deg = min(layout.engine.open_duration_deg, cycle_deg)
    in_order = sorted(members, key=lambda i: (angles_deg[i], natural_key(layout.labels[i])))
    starts_deg = [float(angles_deg[i]) for i in in_order]
    lanes = _lanes(starts_deg, duration_deg, cycle_deg)
    openings = [
        OpeningView(
            label=layout.labels[i], lane=lane, pieces_deg=_pieces(start, duration_deg, cycle_deg)
        )
        for i, start, lane in zip(in_order, starts_deg, lanes, strict=True)
    ]
    return CollectorView(
        number=number,
        openings=tuple(openings),
        n_lanes=max(lanes) + 1,
        spacings=_gaps(starts_deg, cycle_deg),
        overlaps_deg=_overlaps([piece for o in openings for piece in o.pieces_deg]),
    )


def _pieces(start: float, duration: float, cycle: float) -> tuple[tuple[float, float], ...]:
    end = start + duration
    if end <= cycle + firing.SNAP_DEG:
        return ((start, min(end, cycle)),)
    return ((start, cycle), (0.0, end - cycle))


def _lanes(starts_deg: Sequence[float], duration: float, cycle: float) -> list[int]:
    """Return the first lane for each opening in which it touches no other, round the cycle."""
    lanes: list[list[float]] = []
    chosen = []
    for start in starts_deg:
        for number, others in enumerate(lanes):
            apart = [min((start - o) % cycle, (o - start) % cycle) for o in others]
            if min(apart) >= duration - firing.SNAP_DEG:
                others.append(start)
                chosen.append(number)
                break
        else:
            lanes.append([start])
            chosen.append(len(lanes) - 1)
    return chosen


def _overlaps(pieces_deg: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return where two or more of the pieces are open, joined where they meet."""
    edges = sorted({edge for piece in pieces_deg for edge in piece})
    joined: list[tuple[float, float]] = []
    for low, high in pairwise(edges):
        n_open = sum(start <= low and end >= high for start, end in pieces_deg)
        if n_open < 2 or high - low < firing.SNAP_DEG:
            continue
        if joined and joined[-1][1] == low:
            joined[-1] = (joined[-1][0], high)
        else:
            joined.append((low, high))
    return tuple(joined)


def strip_height(view: StripView, *, width_in: float) -> float:
    """Return the height of the strips in lanes."""
    return (
        2.1 - _base(view, width_in) + sum(collector.n_lanes + 2.6 for collector in view.collectors)
    )


def _base(view: StripView, width_in: float) -> float:
    """Return where the line of the firings is drawn, below room for their numerals. [lanes]"""
    longest = max(len(mark.text) for mark in view.firings)
    return -1.2 - (0.45 * longest if _is_upright(view.firings, view.cycle_deg, width_in) else 1.0)


def _is_upright(marks: Sequence[MarkView], cycle_deg: float, width_in: float) -> bool:
    """Return whether texts in a row would touch unless they are turned upright."""
    widest_in = max(text_in(mark.text, 9.5, "bold") for mark in marks)
    nearest_deg = min(np.diff(sorted(mark.angle_deg for mark in marks)), default=math.inf)
    return bool(nearest_deg * width_in < (widest_in + 0.05) * cycle_deg)


def draw_strip(axes: Axes, view: StripView, *, size_in: tuple[float, float]) -> None:
    """Draw rows from the top, in units of a lane."""
    width_in, height_in = size_in
    base = _base(view, width_in)
    _write_row(axes, view.firings, base + 0.75, view.cycle_deg, width_in, ticks_from=base)
    axes.text(
        view.cycle_deg,
        base + 0.75,
        view.firings[0].text,
        ha="center",
        va="bottom",
        color="#777777",
        rotation=90 if _is_upright(view.firings, view.cycle_deg, width_in) else 0,
    )
    _write_row(axes, view.intervals, base - 0.8, view.cycle_deg, width_in)
    axes.plot([0, view.cycle_deg], [base, base], color=INK, lw=1.2)
    places, names = [base], ["firing,\nintervals"]
    top = base - 2.1
    for collector in view.collectors:
        for opening in collector.openings:
            _draw_opening(axes, opening, top - opening.lane, in_per_deg=width_in / view.cycle_deg)
        low = top - collector.n_lanes
        for start, end in collector.overlaps_deg:
            axes.add_patch(Rectangle((start, low - 0.45), end - start, 0.4, **_OVERLAP))
        _write_row(axes, collector.spacings, low - 1.25, view.cycle_deg, width_in)
        places.append(0.5 * (top + low) - 0.3)
        names.append(f"collector {collector.number},\nspacings")
        top = low - 2.6
    # Few lanes do not grow beyond a height that looks like a strip.
    axes.set(xlim=(0, view.cycle_deg), ylim=(min(top + 0.7, -height_in / 0.34), 0))
    axes.set_yticks(places, names)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xticks(np.arange(0, view.cycle_deg + 1, 90 if view.cycle_deg > 360 else 45))
    axes.grid(axis="x", color="#e4e4e4", lw=0.6)
    axes.set_xlabel("crank angle after the first firing [deg]")


def strip_key(view: StripView) -> list[Entry]:
    """Return the key of the strips."""
    entries: list[Entry] = [
        (Patch(fc=OPEN, ec=INK), f"exhaust open for {view.open_duration_deg:g} deg")
    ]
    if any(collector.overlaps_deg for collector in view.collectors):
        entries.append((Patch(**_OVERLAP), "two or more open at once"))
    return entries


def _write_row(
    axes: Axes,
    marks: Sequence[MarkView],
    up: float,
    cycle_deg: float,
    width_in: float,
    *,
    ticks_from: float | None = None,
) -> None:
    """Write texts in a row, turned upright where they would touch, and moved apart if need be."""
    places = [mark.angle_deg for mark in marks]
    least = 0.15 * cycle_deg / width_in
    # What has no tick may leave its exact place, to stay clear of the row's name at the left.
    low = 0.0 if ticks_from is not None else 0.9 * least
    moved = spread(places, least, low, cycle_deg - 0.9 * least)
    for mark, place in zip(marks, moved, strict=True):
        axes.text(
            place,
            up,
            mark.text,
            ha="center",
            va="center" if ticks_from is None else "bottom",
            size=8.5 if ticks_from is None else 9.5,
            weight="normal" if ticks_from is None else "bold",
            rotation=90 if _is_upright(marks, cycle_deg, width_in) else 0,
        )
        if ticks_from is not None:
            axes.plot(
                [mark.angle_deg, mark.angle_deg, place],
                [ticks_from, ticks_from + 0.35, ticks_from + 0.65],
                color=INK,
                lw=1.2,
                clip_on=False,
            )


def _draw_opening(axes: Axes, opening: OpeningView, top: float, *, in_per_deg: float) -> None:
    longest = max(end - start for start, end in opening.pieces_deg)
    needed_in = text_in(opening.label) + 0.06
    for start, end in opening.pieces_deg:
        axes.add_patch(
            Rectangle((start, top - 0.92), end - start, 0.84, fc=OPEN, ec=INK, lw=0.8, alpha=0.95)
        )
        if end - start == longest or (end - start) * in_per_deg > needed_in:
            middle = (0.5 * (start + end), top - 0.52)
            axes.text(*middle, opening.label, ha="center", va="center", size=8.5)
