"""What each objective costs: the front objective by objective over a price, for page and print.

Hue and marker tell the arrangement, lightness the cylinder count, as everywhere; the marker stays
in grey.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from evaluate.batch import FloatArray
from optimize.pictures.drawing import INK, STYLE, Entry, number_text
from optimize.pictures.frame import TEXT_PT, fitted, frame, room_in
from optimize.pictures.fronts import AxisView, axis_view, family_style

#: What may stand for the price of an engine, the first that a study has.
PRICES = ("parts", "box_litres", "crank_train_mass_kg", "crank_length_mm")
ARRANGEMENTS = {"in-line": ("o", "in line"), "v": ("^", "V"), "opposed": ("s", "opposed")}
BASELINE_COLOR = "#a3196b"
_LEFT_IN, _BELOW_IN, _GAP_IN, _CELL_HEIGHT_IN = 0.78, 0.5, 0.3, 2.05
_MANY = 400  # designs beyond which marks are small and faint
_ROOM = 0.12  # of the span of the values, left free beyond them at each end of an axis
_RING_PT, _STAR_PT = 10.0, 17.0
_SAME_SPOT_PT = 2.0
_DISTANCES_PT = (2.0, 6.0, 11.0, 17.0, 24.0, 32.0, 42.0)  # of a name from the ring of its mark
_LEADER_PT = 4.0  # distance from which a line leads from the name to its mark


@dataclass(frozen=True, kw_only=True, slots=True)
class MarksView:
    """Designs that look the same: an arrangement with a cylinder count, with their values."""

    arrangement: str
    cylinders: int
    x: tuple[float, ...]
    y: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class NamedView:
    """A shortlisted design: name, arrangement, cylinder count and place."""

    design: str
    arrangement: str
    cylinders: int
    x: float
    y: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PanelView:
    """One objective over the price; the shortlisted designs apart from the others."""

    x_axis: AxisView
    y_axis: AxisView
    marks: tuple[MarksView, ...]
    names: tuple[NamedView, ...]
    baseline: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TradeoffsView:
    """All panels."""

    panels: tuple[PanelView, ...]
    n_designs: int


@dataclass(frozen=True, kw_only=True, slots=True)
class GrowthView:
    """Hypervolume of the common front over designs scored: one line for each seed, and for all."""

    tracks: tuple[tuple[str, tuple[float, ...], tuple[float, ...]], ...]


def price_of(objectives: Sequence[str]) -> str:
    """Return the objective that stands for the price: of `PRICES` the first, or the last of all."""
    return next((key for key in PRICES if key in objectives), objectives[-1])


def tradeoffs_view(
    front: pd.DataFrame,
    columns: Mapping[str, str],
    shortlist: Sequence[str],
    baseline: Mapping[str, float] | None,
) -> TradeoffsView:
    """Return every objective over the price.

    Parameters
    ----------
    front : DataFrame
        One row a design.
    columns : mapping of str to str
        For each objective, by the key of its metric, the column in which it stands.
    shortlist : sequence of str
        Designs to be named.
    baseline : mapping of str to float, or None
        Metrics of the baseline.
    """
    price = price_of(list(columns))
    others = [key for key in columns if key != price] or [price]
    named = front[front["design"].isin(shortlist)]
    panels = []
    for key in others:
        across, up = columns[price], columns[key]
        beside = None if baseline is None else (baseline[price], baseline[key])
        if beside is not None and not np.isfinite(beside).all():
            beside = None
        x, y = front[across].to_numpy(float), front[up].to_numpy(float)
        panels.append(
            PanelView(
                x_axis=_roomy(axis_view(price, np.append(x, beside[0]) if beside else x)),
                y_axis=_roomy(axis_view(key, np.append(y, beside[1]) if beside else y)),
                marks=_marks(front[~front["design"].isin(shortlist)], across, up),
                names=tuple(
                    NamedView(
                        design=str(row["design"]),
                        arrangement=str(row["arrangement"]),
                        cylinders=int(row["cylinders"]),
                        x=float(row[across]),
                        y=float(row[up]),
                    )
                    for _, row in named.iterrows()
                ),
                baseline=beside,
            )
        )
    return TradeoffsView(panels=tuple(panels), n_designs=len(front))


def _roomy(axis: AxisView) -> AxisView:
    """Return an axis with room for rings and names beyond the outermost marks."""
    more = (_ROOM - 0.06) * (axis.high - axis.low)
    return replace(axis, low=axis.low - more, high=axis.high + more)


def _marks(front: pd.DataFrame, across: str, up: str) -> tuple[MarksView, ...]:
    return tuple(
        MarksView(
            arrangement=str(arrangement),
            cylinders=int(cylinders),
            x=tuple(rows[across].astype(float)),
            y=tuple(rows[up].astype(float)),
        )
        for (arrangement, cylinders), rows in front.groupby(["arrangement", "cylinders"])
    )


@matplotlib_style.context(STYLE)
def tradeoffs_picture(view: TradeoffsView, *, width_in: float) -> Figure:
    """Return the panels side by side as far as the width goes.

    Parameters
    ----------
    view : TradeoffsView
        From `tradeoffs_view`.
    width_in : float
        Width of the picture. [in]
    """
    inner_in = room_in(width_in)
    n_columns = min(len(view.panels), max(1, int(inner_in / 3.2)))
    n_rows = -(-len(view.panels) // n_columns)
    cell_in = (inner_in - _GAP_IN * (n_columns - 1)) / n_columns
    row_in = _CELL_HEIGHT_IN + _BELOW_IN + 0.3
    price = view.panels[0].x_axis.label
    place = frame(
        width_in,
        n_rows * row_in,
        title=f"What each objective costs in {price}",
        subtitle="each mark a design of the front; named: the shortlist; darker: more cylinders",
        key=_key(view),
    )
    for number, panel in enumerate(view.panels):
        row, column = divmod(number, n_columns)
        axes = place.axes(
            column * (cell_in + _GAP_IN) + _LEFT_IN,
            (n_rows - 1 - row) * row_in + _BELOW_IN,
            size_in=(cell_in - _LEFT_IN - 0.05, _CELL_HEIGHT_IN),
        )
        _draw_panel(axes, panel, is_many=view.n_designs > _MANY, width_in=cell_in)
    return place.figure


def _key(view: TradeoffsView) -> list[Entry]:
    used = {marks.arrangement for panel in view.panels for marks in panel.marks}
    entries: list[Entry] = [
        (_handle(arrangement), words)
        for arrangement, (_, words) in ARRANGEMENTS.items()
        if arrangement in used
    ]
    if view.panels[0].baseline is not None:
        entries.append((_baseline_handle(), "baseline"))
    return entries


def _handle(arrangement: str) -> Line2D:
    style = family_style(arrangement, 6, "")
    return Line2D(
        [], [], ls="", marker=ARRANGEMENTS[arrangement][0], ms=6, mfc=style.color, mec=INK
    )


def _baseline_handle() -> Line2D:
    return Line2D([], [], ls="", marker="*", ms=11, mfc=BASELINE_COLOR, mec="white", mew=0.6)


def _draw_panel(axes: Axes, panel: PanelView, *, is_many: bool, width_in: float) -> None:
    for marks in panel.marks:
        style = family_style(marks.arrangement, marks.cylinders, "")
        axes.plot(
            marks.x,
            marks.y,
            ls="",
            marker=ARRANGEMENTS[marks.arrangement][0],
            ms=3.5 if is_many else 6.0,
            mfc=style.color,
            mec="white",
            mew=0.3 if is_many else 0.5,
            alpha=0.6 if is_many else 0.9,
            zorder=3,
            clip_on=False,
            rasterized=is_many,  # thousands of marks in a page would be megabytes
        )
    across, up = panel.x_axis, panel.y_axis
    axes.set(xlim=(across.low, across.high), ylim=(up.low, up.high))
    axes.set_xticks(across.ticks, [number_text(tick) for tick in across.ticks])
    axes.set_yticks(up.ticks, [number_text(tick) for tick in up.ticks])
    axes.grid(color="#e4e4e4", lw=0.6)
    axes.set_xlabel(across.label, size=TEXT_PT)
    heading = "\n".join(fitted(f"{up.label}, {_better(up)}", width_in, 9.0, "bold")[:1])
    axes.set_title(heading, size=9.0, x=-_LEFT_IN / (width_in - _LEFT_IN - 0.05))
    if panel.baseline is not None:
        star = _baseline_handle()
        star.set_data([panel.baseline[0]], [panel.baseline[1]])
        # Below the marks and larger: its spikes look out round a design in the same spot.
        star.set(zorder=2.8, clip_on=False, markersize=_STAR_PT)
        axes.add_line(star)
    _name(axes, panel)


def _better(axis: AxisView) -> str:
    return "more is better" if axis.is_most else "less is better"


def _name(axes: Axes, panel: PanelView) -> None:
    """Draw the shortlisted on top, ringed and named; designs in one spot share ring and name."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    px_per_pt = figure.dpi / 72.0
    spots: list[tuple[FloatArray, list[NamedView]]] = []
    for named in panel.names:
        here = axes.transData.transform((named.x, named.y))
        near = (s for s in spots if np.hypot(*(s[0] - here)) < _SAME_SPOT_PT * px_per_pt)
        spot = next(near, None)
        if spot is None:
            spots.append((here, [named]))
        else:
            spot[1].append(named)
    if not spots:
        return
    for _, (first, *_rest) in spots:
        _ring(axes, first)
    texts = [
        axes.text(0, 0, ", ".join(named.design for named in members), **_NAME)
        for _, members in spots
    ]
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    sizes = np.array([[b.width, b.height] for b in (t.get_window_extent(renderer) for t in texts)])
    others = [
        axes.transData.transform((x, y)) for m in panel.marks for x, y in zip(m.x, m.y, strict=True)
    ]
    if panel.baseline is not None:
        others.append(axes.transData.transform(panel.baseline))
    anchors = np.array([here for here, _ in spots])
    box = axes.get_window_extent()
    bounds = np.array([box.x0 + 2, box.y0 + 2, box.x1 + 4, box.y1])
    middles = near_places(
        anchors, sizes, np.array([*others, *anchors]), bounds, px_per_pt=px_per_pt
    )
    to_axes = axes.transAxes.inverted()
    for text, anchor, middle, size in zip(texts, anchors, middles, sizes, strict=True):
        text.set_transform(axes.transAxes)
        text.set_position(tuple(to_axes.transform(middle)))
        edge = np.clip(anchor, middle - 0.5 * size, middle + 0.5 * size)
        away = float(np.hypot(*(edge - anchor)))
        if away > (0.5 * _RING_PT + _LEADER_PT) * px_per_pt:
            start = anchor + (edge - anchor) * 0.5 * _RING_PT * px_per_pt / away
            ends = to_axes.transform(np.array([start, edge]))
            axes.plot(*ends.T, transform=axes.transAxes, color=INK, lw=0.8, zorder=4, clip_on=False)


_NAME: dict[str, Any] = {"size": 8.0, "weight": "bold", "ha": "center", "va": "center", "zorder": 7}


def _ring(axes: Axes, named: NamedView) -> None:
    """Draw a shortlisted design alone within its ring, whatever lies below."""
    style = family_style(named.arrangement, named.cylinders, "")
    marker = ARRANGEMENTS[named.arrangement][0]
    common: dict[str, Any] = {"ls": "", "clip_on": False}
    ring: dict[str, Any] = {
        "marker": "o",
        "ms": _RING_PT,
        "mfc": "white",
        "mec": "black",
        "mew": 1.0,
    }
    axes.plot([named.x], [named.y], **ring, zorder=5, **common)
    axes.plot(
        [named.x], [named.y], marker=marker, ms=5.5, mfc=style.color, mew=0, zorder=6, **common
    )


def near_places(
    anchors: FloatArray,
    sizes: FloatArray,
    marks: FloatArray,
    bounds: FloatArray,
    *,
    px_per_pt: float,
) -> FloatArray:
    """Return where names go: each as near to its mark as other marks and names leave room.

    Parameters
    ----------
    anchors, sizes : array, shape (names, 2)
        Marks that are named; width and height of each name. [px]
    marks : array, shape (marks, 2)
        What a name should not cover. [px]
    bounds : array, shape (4,)
        Left, bottom, right, top of the room. [px]
    px_per_pt : float
        Pixels of a point.

    Returns
    -------
    array, shape (names, 2)
        Middle of each name. [px]
    """
    angles = np.deg2rad(np.arange(0, 360, 15) + 90)
    ways = np.column_stack([np.cos(angles), np.sin(angles)])
    reach = 0.5 * _RING_PT * px_per_pt
    middles = np.empty_like(anchors)
    taken = np.empty((0, 4))
    lines = np.empty((0, 2))  # points along the leaders, and along their own way to the mark
    for index, (anchor, size) in enumerate(zip(anchors, sizes, strict=True)):
        half = 0.5 * size
        far = np.repeat(np.array(_DISTANCES_PT) * px_per_pt + reach, len(ways))
        way = np.tile(ways, (len(_DISTANCES_PT), 1))
        # The box touches the circle of this radius on the side that faces the mark.
        tried = anchor + way * far[:, np.newaxis] + np.clip(way * 1.5, -1, 1) * half
        low, high = tried - half, tried + half
        cost = far - reach
        cost += 1e4 * ((low < bounds[:2]) | (high > bounds[2:])).any(axis=1)
        cost += 25 * px_per_pt * _covered(low, high, marks, 0.8 * reach)
        cost += 60 * px_per_pt * (_covered(low, high, lines, 0.0) > 0)
        crossing = (low[:, None] < taken[:, 2:] + 2) & (high[:, None] > taken[:, :2] - 2)
        cost += 1e4 * crossing.all(axis=2).any(axis=1)
        between = np.linspace(0, 1, 9)[:, None, None] * (tried - anchor) + anchor
        for point in between:
            over = (point[:, None] > taken[:, :2]) & (point[:, None] < taken[:, 2:])
            cost += 40 * px_per_pt * over.all(axis=2).any(axis=1)
        best = int(cost.argmin())
        middles[index] = tried[best]
        taken = np.concatenate([taken, [[*low[best], *high[best]]]])
        lines = np.concatenate([lines, between[:, best]])
    return middles


def _covered(low: FloatArray, high: FloatArray, points: FloatArray, room: float) -> FloatArray:
    """Return how many of the points each box covers, or nearly."""
    inside = (low[:, None] - room < points) & (high[:, None] + room > points)
    return np.asarray(inside.all(axis=2).sum(axis=1), dtype=float)


def growth_view(history: pd.DataFrame) -> GrowthView | None:
    """Return how the common front grew, or None where nothing was searched."""
    if history.empty or not (history["generation"] > 1).any():
        return None
    own = history[history["family"] == "all"]
    tracks = []
    for seed, rows in own.groupby("seed"):
        rising = rows.sort_values("evaluations", kind="stable")
        name = "all seeds together" if int(seed) < 0 else f"seed {int(seed)}"
        tracks.append(
            (name, tuple(rising["evaluations"].astype(float)), tuple(rising["hypervolume"]))
        )
    return GrowthView(tracks=tuple(tracks)) if tracks else None


@matplotlib_style.context(STYLE)
def growth_picture(view: GrowthView, *, width_in: float) -> Figure:
    """Return the hypervolume over the designs scored.

    Parameters
    ----------
    view : GrowthView
        From `growth_view`.
    width_in : float
        Width of the picture. [in]
    """
    inner_in = room_in(width_in)
    several = len(view.tracks) > 1
    looks = {name: _track_look(name, several) for name, _, _ in view.tracks}
    key: list[Entry] = []
    if several:
        key = [
            (Line2D([], [], **_track_look("all seeds together", several)), "all seeds together"),
            (Line2D([], [], **_track_look("seed", several)), "each seed on its own"),
        ]
    place = frame(width_in, 2.55, title="How the front grew", subtitle=_GROWTH, key=key)
    axes = place.axes(0.7, 0.5, size_in=(inner_in - 0.85, 1.95))
    for name, scored, volume in view.tracks:
        axes.step([0.0, *scored], [0.0, *(100 * v for v in volume)], where="post", **looks[name])
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    axes.grid(color="#e4e4e4", lw=0.6)
    axes.locator_params(axis="x", nbins=4)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(lambda value, _position: number_text(value))
    axes.set_xlabel("designs scored")
    axes.set_ylabel("hypervolume [%]")
    return place.figure


_GROWTH = "a level end: the last designs scored brought nothing more"


def _track_look(name: str, several: bool) -> dict[str, Any]:
    if several and name.startswith("seed"):
        return {"color": "#8a8a8a", "lw": 1.0, "ls": (0, (4, 2))}
    return {"color": "#1f4e79", "lw": 2.2}


def tradeoffs_alt(view: TradeoffsView) -> str:
    """Return the picture in a sentence."""
    price = view.panels[0].x_axis.label
    others = ", ".join(panel.y_axis.label for panel in view.panels)
    return f"Scatter plots of {view.n_designs} designs: {others}, each over {price}."


def growth_alt(view: GrowthView) -> str:
    """Return the picture in a sentence."""
    _, scored, volume = view.tracks[0]
    return (
        f"Hypervolume over designs scored; it ends at {100 * volume[-1]:.3g} percent after "
        f"{scored[-1]:,.0f} designs."
    )
