"""Pictures of a front.

Each picture is two functions: a ``..._view`` that decides and returns plain data, and one that
draws the view as it stands. Hue tells the arrangement, lightness the cylinder count, the marker
the crankpins; filling and line type repeat the arrangement for readers without colour.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from matplotlib import patheffects
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import ScaledTranslation

from evaluate.batch import FloatArray
from evaluate.metrics import METRICS, axis_label
from evaluate.sizing import PINS
from optimize.pictures.drawing import (
    BOTTOM_IN,
    CHARACTER_IN,
    DPI,
    LINE_IN,
    STYLE,
    TOP_IN,
    axes_at,
    number_text,
    place_labels,
    sheet,
    spread,
    wrapped,
)

_KEY_LINE_IN = 0.195
_TRACK_LINE_IN = 0.16
KEY_COLUMN_IN = 2.6
Shortlist = Sequence[tuple[str, str, str]]
_HUES_DEG = {"in-line": 250.0, "v": 45.0, "opposed": 160.0}
_LINES = {"in-line": "-", "v": "--", "opposed": ":"}
_MARKERS = {"": "o", "shared": "s", "split": "D", "own-main": "^", "own-web": "v"}
_ARRANGEMENTS = tuple(_HUES_DEG)
_FAMILY_NAME = re.compile(r"(in-line|v|opposed)\s*(\d+)(?:\s+([a-z-]+))?", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, slots=True)
class FamilyStyle:
    """How a family looks in every picture.

    Attributes
    ----------
    color : str
        Hue by arrangement, darker with more cylinders.
    marker : str
        By pins.
    is_hollow : bool
        True for opposed engines: white inside.
    line : str
        By arrangement: solid, dashed, dotted.
    """

    color: str
    marker: str
    is_hollow: bool = False
    line: str = "-"


@dataclass(frozen=True, kw_only=True, slots=True)
class AxisView:
    """One metric as an axis: its text, its range and the values that are written on it."""

    label: str
    better: str
    low: float
    high: float
    ticks: tuple[float, ...]
    is_most: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class FamilyView:
    """The designs of one family with their values, one row per design."""

    family: str
    style: FamilyStyle
    designs: tuple[str, ...]
    values: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class MatrixView:
    """Scatter matrix: an axis per objective, the families in the order of the key."""

    axes: tuple[AxisView, ...]
    families: tuple[FamilyView, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LineView:
    """One design as a line of heights between 0 and 1, and its name if it is shortlisted."""

    design: str
    style: FamilyStyle
    heights: tuple[float, ...]
    name: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ParallelView:
    """Parallel coordinates; lower is better on every axis."""

    axes: tuple[AxisView, ...]
    tick_heights: tuple[tuple[float, ...], ...]
    lines: tuple[LineView, ...]
    families: tuple[FamilyView, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class SpotView:
    """Designs of one family that share a spot: where, how many, and moved aside by how much."""

    family: str
    style: FamilyStyle
    x: float
    y: float
    designs: tuple[str, ...]
    aside_pt: tuple[float, float] = (0.0, 0.0)
    #: Where nine of ten built engines lie, of all designs together; None where that is not known.
    x_bar: tuple[float, float] | None = None
    y_bar: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaneView:
    """Two metrics of a front against each other; `names` gives spot index and text."""

    x_axis: AxisView
    y_axis: AxisView
    spots: tuple[SpotView, ...]
    families: tuple[FamilyView, ...]
    names: tuple[tuple[int, str], ...]
    family_names: tuple[tuple[int, str], ...]
    reasons: tuple[str, ...]
    note: str


@dataclass(frozen=True, kw_only=True, slots=True)
class TrackView:
    """How one family's front, or the merged one, grew."""

    name: str
    style: FamilyStyle
    evaluations: tuple[float, ...]
    hypervolume: tuple[float, ...]
    front_size: tuple[float, ...]
    is_merged: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class KeyLine:
    """One line of a key: a mark (or none) and a text."""

    text: str
    style: FamilyStyle | None = None
    is_heading: bool = False
    size_pt: float = 7.0
    is_ringed: bool = False


#: (most designs in the class, marker size, text)
_SIZE_CLASSES = (
    (1, 5.5, "1 design"),
    (5, 7.5, "2 to 5 designs"),
    (20, 9.5, "6 to 20 designs"),
    (10**9, 12.0, "more than 20 designs"),
)
_NEUTRAL = FamilyStyle(color="#606060", marker="o")
_MERGED = FamilyStyle(color="#000000", marker="o")
_DIRECT_FAMILIES = 6  # up to here families are named beside their marks as well
_CELLS_PER_AXIS = 40
_ASIDE_PT = 11.5


@matplotlib_style.context(STYLE)
def scatter_matrix(front: pd.DataFrame, objectives: Sequence[str], *, title: str) -> Figure:
    """Return every objective against every other.

    Parameters
    ----------
    front : DataFrame
        One row per design: a column per metric key, `family`, `arrangement`, `cylinders`, `pins`,
        `design`.
    objectives : sequence of str
        Keys of `evaluate.METRICS`, one or more.
    title : str
        Headline.
    """
    view = matrix_view(front, objectives)
    n_cells = len(view.axes) - 1
    cell_in = float(np.clip(9.6 / n_cells, 1.55, 5.0))
    step_in = cell_in + 0.16
    key = key_lines(view.families)
    # The key fills the empty upper right triangle as far as it goes.
    key_height_in = (n_cells - 1) * step_in - 0.2 if n_cells > 2 else n_cells * step_in + 0.6
    n_columns = _key_columns(key, key_height_in)
    beside_in = n_columns * KEY_COLUMN_IN - (cell_in if n_cells > 2 else -0.2)
    left_in, bottom_in = 1.05, BOTTOM_IN + 0.75
    subtitle = f"{_count_text(view.families)}; marks of near-equal designs cover each other"
    width_in = max(left_in + n_cells * step_in + max(0.0, beside_in) + 0.1, 6.5)
    height_in = bottom_in + n_cells * step_in + TOP_IN
    figure = sheet(width_in, height_in, title=title, subtitle=subtitle)
    for row in range(n_cells):
        for column in range(row + 1):
            place = (left_in + column * step_in, bottom_in + (n_cells - 1 - row) * step_in)
            axes = axes_at(figure, *place, cell_in, cell_in)
            _draw_cell(axes, view, column=column, row=row + 1)
            if row == n_cells - 1:
                axes.set_xlabel(_axis_text(view.axes[column], 5 + int(11 * cell_in)))
            if column == 0:
                axes.set_ylabel(_axis_text(view.axes[row + 1], 5 + int(11 * cell_in)))
            axes.tick_params(labelbottom=row == n_cells - 1, labelleft=column == 0)
    key_left_in = width_in - 0.1 - n_columns * KEY_COLUMN_IN
    draw_key(figure, key, left_in=key_left_in, top_in=height_in - TOP_IN, height_in=key_height_in)
    return figure


@matplotlib_style.context(STYLE)
def parallel_coordinates(
    front: pd.DataFrame, objectives: Sequence[str], shortlist: Shortlist, *, title: str
) -> Figure:
    """Return every design as a line across all objectives, lower being better everywhere.

    Parameters
    ----------
    front : DataFrame
        As for `scatter_matrix`.
    objectives : sequence of str
        Keys of `evaluate.METRICS`, one or more.
    shortlist : sequence of (design, short name, reason)
        Drawn strongly, named at the right; the reasons stand below.
    title : str
        Headline.

    Raises
    ------
    ValueError
        If a shortlisted design is not in the front.
    """
    view = parallel_view(front, objectives, shortlist)
    n_axes = len(view.axes)
    plot_in = max(0.7, 1.55 * (n_axes - 1))
    names = [line.name for line in view.lines if line.name]
    names_in = 0.5 + CHARACTER_IN * max((len(name) for name in names), default=0)
    key = key_lines(view.families)
    height_in = max(0.25 * len(names), _height_for_key(key, least_in=4.6, beyond_in=0.9))
    n_columns = _key_columns(key, height_in + 0.9)
    left_in = 1.0
    width_in = left_in + plot_in + names_in + n_columns * KEY_COLUMN_IN + 0.3
    reasons = wrapped(view.reasons, width_in - 0.5)
    bottom_in = BOTTOM_IN + 0.95 + LINE_IN * (len(reasons) + bool(reasons))
    figure = sheet(
        width_in, bottom_in + height_in + TOP_IN, title=title, subtitle=_count_text(view.families)
    )
    axes = axes_at(figure, left_in, bottom_in, plot_in, height_in)
    _draw_parallel(axes, view, height_in=height_in, gap=0.55 / plot_in * max(n_axes - 1, 1))
    draw_key(
        figure,
        key,
        left_in=left_in + plot_in + names_in + 0.2,
        top_in=bottom_in + height_in,
        height_in=height_in + 0.9,
    )
    _draw_reasons(figure, reasons)
    return figure


@matplotlib_style.context(STYLE)
def force_evenness(
    front: pd.DataFrame,
    shortlist: Shortlist,
    *,
    title: str,
    x: str = "force_rms_N",
    y: str = "firing_fluctuation",
) -> Figure | None:
    """Return residual force against evenness of firing, or None if `x` or `y` is no column.

    Parameters
    ----------
    front : DataFrame
        As for `scatter_matrix`.
    shortlist : sequence of (design, short name, reason)
        Ringed and named; the reasons stand below.
    title : str
        Headline.
    x, y : str
        Keys of `evaluate.METRICS`.

    Raises
    ------
    ValueError
        If a shortlisted design is not in the front.
    """
    if x not in front.columns or y not in front.columns:
        return None
    view = plane_view(front, shortlist, x=x, y=y)
    key = [*key_lines(view.families), *_spot_key(view)]
    plot_in, left_in = (7.4, _height_for_key(key, least_in=5.4, beyond_in=0.5)), 0.95
    n_columns = _key_columns(key, plot_in[1] + 0.5)
    width_in = left_in + plot_in[0] + 0.3 + n_columns * KEY_COLUMN_IN
    reasons = wrapped(view.reasons, width_in - 0.5)
    note = wrapped((view.note,), width_in - 0.5)
    n_below = len(reasons) + bool(reasons) + len(note)
    bottom_in = BOTTOM_IN + 0.6 + LINE_IN * n_below
    figure = sheet(
        width_in, bottom_in + plot_in[1] + TOP_IN, title=title, subtitle=_count_text(view.families)
    )
    axes = axes_at(figure, left_in, bottom_in, *plot_in)
    _draw_plane(axes, view)
    draw_key(
        figure,
        key,
        left_in=left_in + plot_in[0] + 0.3,
        top_in=bottom_in + plot_in[1],
        height_in=plot_in[1] + 0.5,
    )
    _draw_reasons(figure, [*note, *reasons])
    return figure


@matplotlib_style.context(STYLE)
def hypervolume_history(history: pd.DataFrame, *, title: str) -> Figure:
    """Return how the hypervolume and the size of each front grew with the evaluations.

    Parameters
    ----------
    history : DataFrame
        Columns `evaluations`, `hypervolume`, `front_size` and `family` ("all" for the merged
        front), and perhaps `seed`. The merged front has panels of its own, since it counts the
        evaluations of all families.
    title : str
        Headline.
    """
    tracks = history_view(history)
    merged = [track for track in tracks if track.is_merged]
    families = [track for track in tracks if not track.is_merged]
    names = [track.name for track in families if track.name]
    has_seeds = len(names) < len(families)
    upper_in = max(3.6, len(names) * _TRACK_LINE_IN + 0.2)
    lower_in, left_in, merged_in, families_in = 1.5, 1.0, 3.6, 5.2
    names_in = 0.5 + CHARACTER_IN * max((len(name) for name in names), default=0)
    bottom_in = BOTTOM_IN + 0.5
    columns = [
        (
            merged,
            left_in,
            merged_in,
            "All families together" + ("; thin: single seeds" if len(merged) > 1 else ""),
            "evaluations, all families",
        ),
        (
            families,
            left_in + (merged_in + 0.85 if merged else 0.0),
            families_in,
            "Each family on its own" + ("; thin: its other seeds" if has_seeds else ""),
            "evaluations of the family",
        ),
    ]
    columns = [column for column in columns if column[0]]
    right_in = columns[-1][1] + columns[-1][2] + (names_in if families else 0.2)
    figure = sheet(
        max(right_in + 0.1, 7.5),
        bottom_in + lower_in + 0.25 + upper_in + TOP_IN + 0.2,
        title=title,
        subtitle="Hypervolume: share that a front dominates of a box of objective values, "
        "the same box for all",
    )
    for shown, at_in, width_in, heading, label in columns:
        upper = axes_at(figure, at_in, bottom_in + lower_in + 0.25, width_in, upper_in)
        lower = axes_at(figure, at_in, bottom_in, width_in, lower_in)
        _draw_tracks(upper, shown, [track.hypervolume for track in shown])
        _draw_tracks(lower, shown, [track.front_size for track in shown])
        upper.set_title(heading)
        upper.tick_params(labelbottom=False)
        lower.set_xlabel(label)
        if at_in == left_in:
            upper.set_ylabel("hypervolume\nmore is better →")
            lower.set_ylabel("designs on\nthe front")
        if shown is families:
            _name_tracks(upper, shown, size_in=(width_in, upper_in))
    return figure


def family_style(arrangement: str, cylinders: int, pins: str) -> FamilyStyle:
    """Return how a family looks.

    Parameters
    ----------
    arrangement : str
        "in-line", "v" or "opposed"; anything else is grey.
    cylinders : int
        Cylinder count; each doubling is an equal step darker, 16 and more are the darkest.
    pins : str
        A key of `evaluate.sizing.PINS`, or "" for own throws in line.
    """
    marker = _MARKERS.get(pins, "P")
    if arrangement not in _HUES_DEG:
        return FamilyStyle(color=_NEUTRAL.color, marker=marker)
    doublings = math.log2(min(max(cylinders, 1), 16))
    return FamilyStyle(
        color=_hex_from_oklch(0.86 - 0.14 * doublings, 0.13, _HUES_DEG[arrangement]),
        marker=marker,
        is_hollow=arrangement == "opposed",
        line=_LINES[arrangement],
    )


def matrix_view(front: pd.DataFrame, objectives: Sequence[str]) -> MatrixView:
    """Return axes and families of a scatter matrix; one objective is shown against its rank."""
    axes = [axis_view(key, front[key].to_numpy(float)) for key in objectives]
    columns = {key: front[key] for key in objectives}
    if len(objectives) == 1:
        is_most = METRICS[objectives[0]].sense == "most"
        rank = front[objectives[0]].rank(method="first", ascending=not is_most)
        columns["rank"] = rank
        ranks = rank.to_numpy(float)
        axes.append(_axis("place from the best", "", ranks, resolution=1.0))
    return MatrixView(axes=tuple(axes), families=_families(front, columns))


def parallel_view(
    front: pd.DataFrame, objectives: Sequence[str], shortlist: Shortlist
) -> ParallelView:
    """Return the lines of parallel coordinates, the shortlisted ones last, 0 the best end."""
    axes = tuple(axis_view(key, front[key].to_numpy(float)) for key in objectives)
    families = _families(front, {key: front[key] for key in objectives})
    names = _names(front, shortlist)
    lines = [
        LineView(
            design=design,
            style=family.style,
            heights=tuple(_height(axis, v) for axis, v in zip(axes, values, strict=True)),
            name=names.get(design, ""),
        )
        for family in families
        for design, values in zip(family.designs, family.values, strict=True)
    ]
    return ParallelView(
        axes=axes,
        tick_heights=tuple(tuple(_height(axis, tick) for tick in axis.ticks) for axis in axes),
        lines=tuple(sorted(lines, key=lambda line: bool(line.name))),
        families=families,
        reasons=_reasons(shortlist),
    )


def plane_view(front: pd.DataFrame, shortlist: Shortlist, *, x: str, y: str) -> PlaneView:
    """Return the spots of two metrics against each other, with names for the shortlisted."""
    names = _names(front, shortlist)
    families = _families(front, {"x": front[x], "y": front[y]})
    bars = {key: _intervals(front, key) for key in (x, y)}
    x_axis, y_axis = (
        axis_view(key, np.concatenate([front[key].to_numpy(float), bars[key].to_numpy().ravel()]))
        for key in (x, y)
    )
    spots = tuple(
        replace(spot, x_bar=_bar(bars[x], spot, x_axis), y_bar=_bar(bars[y], spot, y_axis))
        for spot in _spots(families, x_axis, y_axis)
    )
    built = "" if bars[x].empty and bars[y].empty else _BUILT
    named = [
        (index, names[design])
        for design in names
        for index, spot in enumerate(spots)
        if design in spot.designs
    ]
    family_names = []
    if len(families) <= _DIRECT_FAMILIES:
        for family in families:
            own = [i for i, spot in enumerate(spots) if spot.family == family.family]
            if own and not any(index in own for index, _ in named):
                family_names.append((max(own, key=lambda i: len(spots[i].designs)), family.family))
    across, up = (_reach_text(key, axis) for key, axis in ((x, x_axis), (y, y_axis)))
    return PlaneView(
        x_axis=x_axis,
        y_axis=y_axis,
        spots=spots,
        families=families,
        names=tuple(named),
        family_names=tuple(family_names),
        reasons=_reasons(shortlist),
        note=f"Designs of one family within about {across} and {up} are one mark. "
        f"Families that share a spot stand side by side round it; a cross shows the spot.{built}",
    )


_SHORTEST_BAR = 0.015  # share of an axis that a mark takes: shorter bars would only hide it
_BUILT = (
    " Thin bars: where nine of ten engines lie as they are built, within the tolerances of the "
    "study; of several designs in one mark, all their bars together. Bars shorter than a mark are "
    "left out. Marks are engines as drawn."
)


def _intervals(front: pd.DataFrame, key: str) -> pd.DataFrame:
    """Return the ends of each design's interval of built engines; no rows where there is none."""
    ends = [f"{key}_p05", f"{key}_p95"]
    if not set(ends) <= set(front.columns):
        return pd.DataFrame(columns=ends, dtype=float)
    return front.set_index(front["design"].astype(str))[ends].astype(float)


def _bar(intervals: pd.DataFrame, spot: SpotView, axis: AxisView) -> tuple[float, float] | None:
    """Return the least and the most that the intervals of a spot's designs span.

    None where that is not known, or too short to be drawn.
    """
    if intervals.empty:
        return None
    own = intervals.loc[list(spot.designs)].to_numpy()
    low, high = float(own.min()), float(own.max())
    return (low, high) if high - low > _SHORTEST_BAR * (axis.high - axis.low) else None


def _reach_text(key: str, axis: AxisView) -> str:
    """Return the side of a cell of the grid on which designs are counted together."""
    step = float(f"{(axis.high - axis.low) / _CELLS_PER_AXIS:.1g}")
    return f"{number_text(step)} {METRICS[key].unit}".strip()


def history_view(history: pd.DataFrame) -> tuple[TrackView, ...]:
    """Return a track per family and seed; the merged front is the family "all".

    Of several seeds of a family the one that ends highest comes first and bears the name.
    """
    tracks: list[TrackView] = []
    for name, rows in history.groupby("family", sort=False):
        seeds = [part for _, part in rows.groupby("seed")] if "seed" in rows else [rows]
        own = [_track(str(name), part) for part in seeds]
        best, *others = sorted(own, key=lambda track: -track.hypervolume[-1])
        tracks += [best, *(replace(track, name="") for track in others)]
    return tuple(tracks)


def _track(family: str, rows: pd.DataFrame) -> TrackView:
    rising = rows.sort_values("evaluations", kind="stable")
    is_merged = family == "all"
    return TrackView(
        name="all families" if is_merged else family,
        style=_MERGED if is_merged else family_style(*_parsed_family(family)),
        evaluations=tuple(rising["evaluations"].astype(float)),
        hypervolume=tuple(rising["hypervolume"].astype(float)),
        front_size=tuple(rising["front_size"].astype(float)),
        is_merged=is_merged,
    )


def axis_view(key: str, values: FloatArray) -> AxisView:
    """Return the axis of a metric with room for its values, which may be all the same.

    Parameters
    ----------
    key : str
        Key of `evaluate.METRICS`.
    values : array, shape (designs,)
        In the unit of the metric; what is not finite is left out.
    """
    metric = METRICS[key]
    is_most = metric.sense == "most"
    better = "more is better →" if is_most else "← less is better"
    return _axis(axis_label(key), better, values, resolution=metric.resolution, is_most=is_most)


def key_lines(families: Sequence[FamilyView]) -> tuple[KeyLine, ...]:
    """Return a key of the families that explains itself without the rest of the page."""
    names = [
        KeyLine(text=f"{family.family} ({len(family.designs)})", style=family.style)
        for family in families
    ]
    arrangements = sorted({f.style.line for f in families if f.style.line != "-"})
    notes = ["Hue: arrangement.", "Darker: more cylinders."]
    if ":" in arrangements:
        notes.append("White inside: opposed.")
    markers = {family.style.marker for family in families}
    pins = [
        KeyLine(
            text=textwrap.fill(f"{name}: {meaning}", 32),
            style=FamilyStyle(color=_NEUTRAL.color, marker=_MARKERS[name]),
        )
        for name, meaning in PINS.items()
        if _MARKERS[name] in markers
    ]
    if pins:
        pins = [KeyLine(text="Crankpins", is_heading=True), *pins]
    return (
        KeyLine(text="Family (designs)", is_heading=True),
        *names,
        *(KeyLine(text=note) for note in notes),
        *pins,
    )


def _spot_key(view: PlaneView) -> list[KeyLine]:
    """Return the key of the mark sizes that occur, and of the ring."""
    used = {_size_class(len(spot.designs)) for spot in view.spots}
    lines = [KeyLine(text="Size: designs in one mark", is_heading=True)]
    for index, (_, size_pt, text) in enumerate(_SIZE_CLASSES):
        if index in used:
            lines.append(KeyLine(text=text, style=_NEUTRAL, size_pt=size_pt))
    if view.names:
        lines.append(KeyLine(text="shortlisted", style=_NEUTRAL, is_ringed=True))
    return lines


def _families(front: pd.DataFrame, columns: dict[str, pd.Series]) -> tuple[FamilyView, ...]:
    """Return the families of a front in the order of the key, with the values of some columns."""
    table = np.column_stack([column.to_numpy(float) for column in columns.values()])
    found = []
    for name, places in front.groupby("family", sort=False).indices.items():
        rows = front.iloc[places]
        first = rows.iloc[0]
        described = (str(first["arrangement"]), int(first["cylinders"]), str(first["pins"]))
        family = FamilyView(
            family=str(name),
            style=family_style(*described),
            designs=tuple(str(design) for design in rows["design"]),
            values=tuple(tuple(row) for row in table[places].tolist()),
        )
        found.append((_family_rank(*described), family))
    return tuple(family for _, family in sorted(found, key=lambda pair: (pair[0], pair[1].family)))


def _family_rank(arrangement: str, cylinders: int, pins: str) -> tuple[int, int, int]:
    place = _ARRANGEMENTS.index(arrangement) if arrangement in _ARRANGEMENTS else 9
    return place, cylinders, list(_MARKERS).index(pins) if pins in _MARKERS else 9


def _parsed_family(name: str) -> tuple[str, int, str]:
    """Return arrangement, cylinders and pins of a name such as "V6 split"."""
    match = _FAMILY_NAME.fullmatch(name.strip())
    if match is None:
        return "", 0, ""
    return match[1].lower(), int(match[2]), match[3] or ""


def _axis(
    label: str, better: str, values: FloatArray, *, resolution: float, is_most: bool = False
) -> AxisView:
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return AxisView(label=label, better=better, low=0, high=1, ticks=(), is_most=is_most)
    least, most = float(finite.min()), float(finite.max())
    if most - least <= 1e-9 * max(abs(least), abs(most), resolution):
        room = max(resolution, 0.05 * abs(least))
        ticks: tuple[float, ...] = (float(f"{least:.4g}"),)
    else:
        room = 0.07 * (most - least)
        nice = MaxNLocator(nbins=4, steps=[1, 2, 2.5, 5, 10]).tick_values(least, most)
        slack = 0.01 * (most - least)
        ticks = tuple(float(t) for t in nice if least - slack <= t <= most + slack)
    return AxisView(
        label=label,
        better=better,
        low=least - room,
        high=most + room,
        ticks=ticks,
        is_most=is_most,
    )


def _height(axis: AxisView, value: float) -> float:
    """Return a value between 0, the better end, and 1."""
    share = (value - axis.low) / (axis.high - axis.low)
    return 1 - share if axis.is_most else share


def _names(front: pd.DataFrame, shortlist: Shortlist) -> dict[str, str]:
    known = set(front["design"].astype(str))
    for design, _, _ in shortlist:
        if design not in known:
            raise ValueError(f"shortlist: got {design!r}; allowed: a design of the front")
    return {design: name for design, name, _ in shortlist}


def _reasons(shortlist: Shortlist) -> tuple[str, ...]:
    return tuple(
        f"{name if design in name.split() else f'{name} ({design})'}: {reason}"
        for design, name, reason in shortlist
    )


def _spots(
    families: Sequence[FamilyView], x_axis: AxisView, y_axis: AxisView
) -> tuple[SpotView, ...]:
    """Return one spot per family and cell of a fine grid; families in one cell side by side."""
    steps = [(axis.high - axis.low) / _CELLS_PER_AXIS for axis in (x_axis, y_axis)]
    cells: dict[tuple[int, int], dict[str, list[tuple[str, float, float]]]] = {}
    styles = {family.family: family.style for family in families}
    for family in families:
        for design, (x, y) in zip(family.designs, family.values, strict=True):
            if math.isfinite(x) and math.isfinite(y):
                cell = (round((x - x_axis.low) / steps[0]), round((y - y_axis.low) / steps[1]))
                cells.setdefault(cell, {}).setdefault(family.family, []).append((design, x, y))
    spots = []
    for members in cells.values():
        places = [place for group in members.values() for place in group]
        middle = [float(np.mean([place[axis] for place in places])) for axis in (1, 2)]
        for aside, (name, group) in zip(_side_by_side(len(members)), members.items(), strict=True):
            spots.append(
                SpotView(
                    family=name,
                    style=styles[name],
                    x=middle[0],
                    y=middle[1],
                    designs=tuple(design for design, _, _ in group),
                    aside_pt=aside,
                )
            )
    return tuple(spots)


def _side_by_side(n: int) -> list[tuple[float, float]]:
    """Return the n places of a hexagonal lattice that are nearest to its free middle. [pt]"""
    if n == 1:
        return [(0.0, 0.0)]
    reach = range(-7, 8)
    lattice = [(a + 0.5 * b, b * math.sqrt(0.75)) for b in reach for a in reach]
    # The cross stands in the middle; rounding makes equal distances equal.
    around = sorted(
        (place for place in lattice if place != (0.0, 0.0)),
        key=lambda p: (round(math.hypot(*p), 6), round(math.atan2(p[0], p[1]) % (2 * math.pi), 6)),
    )
    if n <= 3:  # evenly round the middle
        turns = [2 * math.pi * k / n + math.pi / 2 for k in range(n)]
        return [(_ASIDE_PT * 0.62 * math.sin(t), _ASIDE_PT * 0.62 * math.cos(t)) for t in turns]
    return [(_ASIDE_PT * right, _ASIDE_PT * up) for right, up in around[:n]]


def _size_class(n_designs: int) -> int:
    return next(i for i, (most, _, _) in enumerate(_SIZE_CLASSES) if n_designs <= most)


def _count_text(families: Sequence[FamilyView]) -> str:
    n_designs = sum(len(family.designs) for family in families)
    designs = "1 design" if n_designs == 1 else f"{n_designs} designs"
    return f"{designs} of {'1 family' if len(families) == 1 else f'{len(families)} families'}"


def draw_key(
    figure: Figure, lines: Sequence[KeyLine], *, left_in: float, top_in: float, height_in: float
) -> None:
    """Draw a key in as many columns as its height asks for."""
    n_columns = _key_columns(lines, height_in)
    axes = axes_at(figure, left_in, top_in - height_in, n_columns * KEY_COLUMN_IN, height_in)
    axes.set_axis_off()
    axes.set(xlim=(0, n_columns * KEY_COLUMN_IN), ylim=(0, height_in))
    for line, (column, row) in zip(lines, _key_places(lines, height_in), strict=True):
        left, up = column * KEY_COLUMN_IN, height_in - (row + 0.5) * _KEY_LINE_IN
        if line.style is not None:
            axes.plot([left + 0.12], [up], ls="", **_marker_look(line.style, line.size_pt))
        if line.is_ringed:
            axes.plot([left + 0.12], [up], ls="", marker="o", ms=13, mfc="none", mec="black")
        indent = 0.0 if line.style is None else 0.28
        weight = "bold" if line.is_heading else "normal"
        for further, text in enumerate(line.text.split("\n")):
            place = (left + indent, up - further * _KEY_LINE_IN)
            axes.text(*place, text, va="center", size=8.5, weight=weight)


def _key_places(lines: Sequence[KeyLine], height_in: float) -> list[tuple[int, int]]:
    """Return column and row of each line; a text is not split, nor a heading left behind."""
    n_rows = max(4, int(height_in / _KEY_LINE_IN))
    places = []
    column = row = 0
    for line in lines:
        needed = 1 + line.text.count("\n") + line.is_heading
        if row and row + needed > n_rows:
            column, row = column + 1, 0
        places.append((column, row))
        row += 1 + line.text.count("\n")
    return places


def _key_columns(lines: Sequence[KeyLine], height_in: float) -> int:
    return 1 + max(column for column, _ in _key_places(lines, height_in))


def _height_for_key(lines: Sequence[KeyLine], *, least_in: float, beyond_in: float) -> float:
    """Return a plot height that lets the key beside it end in one column if near, else in two."""
    n_rows = sum(1 + line.text.count("\n") for line in lines)
    one_in, two_in = (_KEY_LINE_IN * rows - beyond_in for rows in (n_rows + 0.5, n_rows / 2 + 2))
    return max(least_in, one_in if one_in <= 1.3 * least_in else two_in)


def _marker_look(look: FamilyStyle, size_pt: float) -> dict[str, Any]:
    """Return marker settings under which all shapes look equally large."""
    size_pt *= {"s": 0.92, "D": 0.85, "^": 1.12, "v": 1.12}.get(look.marker, 1.0)
    face, edge, width = look.color, "white", 0.4
    if look.is_hollow:
        face, edge, width, size_pt = "white", look.color, 0.2 * size_pt, 0.85 * size_pt
    return {"marker": look.marker, "ms": size_pt, "mfc": face, "mec": edge, "mew": width}


def _axis_text(axis: AxisView, n_characters: int) -> str:
    lines = [*textwrap.wrap(axis.label, n_characters), *([axis.better] if axis.better else [])]
    return "\n".join(lines)


def _draw_cell(axes: Axes, view: MatrixView, *, column: int, row: int) -> None:
    for family in view.families:
        values = np.array(family.values)
        look = _marker_look(family.style, 5.5)
        axes.plot(values[:, column], values[:, row], ls="", alpha=0.85, **look)
    across, up = view.axes[column], view.axes[row]
    axes.set(xlim=(across.low, across.high), ylim=(up.low, up.high))
    axes.set_xticks(across.ticks, [number_text(tick) for tick in across.ticks])
    axes.set_yticks(up.ticks, [number_text(tick) for tick in up.ticks])
    axes.grid(color="#e4e4e4", lw=0.6)


def _draw_parallel(axes: Axes, view: ParallelView, *, height_in: float, gap: float) -> None:
    axes.set_axis_off()
    n_axes = len(view.axes)
    axes.set(xlim=(0, max(n_axes - 1, 1)), ylim=(0, 1))
    for place, (axis, heights) in enumerate(zip(view.axes, view.tick_heights, strict=True)):
        axes.plot([place, place], [0, 1], color="#444444", lw=1.0, clip_on=False, zorder=3)
        for tick, height in zip(axis.ticks, heights, strict=True):
            _tick_label(axes, place, height, number_text(tick))
        better = "down is better" + ("\n(axis upside down)" if axis.is_most else "")
        label = "\n".join([*textwrap.wrap(axis.label, 17), better])
        axes.text(place, -0.15 / height_in, label, ha="center", va="top", size=8.5)
    named = [line for line in view.lines if line.name]
    for line in view.lines:
        _draw_line(axes, line, n_lines=len(view.lines), is_faint=not line.name)
    ends = [line.heights[-1] for line in named]
    places = spread(ends, 0.2 / height_in, 0.0, 1.0)
    for line, end, up in zip(named, ends, places, strict=True):
        last = n_axes - 1
        axes.plot(
            [last, last + 0.6 * gap, last + 0.8 * gap],
            [end, up, up],
            color="#555555",
            lw=0.8,
            clip_on=False,
        )
        axes.text(last + 0.85 * gap, up, line.name, va="center", size=8.5, weight="bold")


def _tick_label(axes: Axes, place: float, height: float, text: str) -> None:
    axes.plot([place], [height], marker="_", color="#444444", ms=6, clip_on=False, zorder=3)
    axes.annotate(
        text,
        (place, height),
        xytext=(-5, 0),
        textcoords="offset points",
        ha="right",
        va="center",
        size=8,
        zorder=6,
        bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.9},
    )


def _draw_line(axes: Axes, line: LineView, *, n_lines: int, is_faint: bool) -> None:
    places = range(len(line.heights))
    if is_faint:
        strength = 0.25 if n_lines > 100 else 0.6
        marker = line.style.marker if len(line.heights) == 1 else ""
        axes.plot(
            places,
            line.heights,
            color=line.style.color,
            ls=line.style.line,
            marker=marker,
            lw=0.7 if n_lines > 100 else 0.9,
            alpha=strength,
            clip_on=False,
        )
        return
    axes.plot(places, line.heights, color="white", lw=4.2, clip_on=False, zorder=4)
    axes.plot(
        places,
        line.heights,
        color=line.style.color,
        ls=line.style.line,
        lw=2.2,
        clip_on=False,
        zorder=5,
        **_marker_look(line.style, 8.0),
    )


def _draw_plane(axes: Axes, view: PlaneView) -> None:
    axes.set(
        xlim=(view.x_axis.low, view.x_axis.high),
        ylim=(view.y_axis.low, view.y_axis.high),
        xlabel=_axis_text(view.x_axis, 90),
        ylabel=_axis_text(view.y_axis, 60),
    )
    axes.set_xticks(view.x_axis.ticks, [number_text(tick) for tick in view.x_axis.ticks])
    axes.set_yticks(view.y_axis.ticks, [number_text(tick) for tick in view.y_axis.ticks])
    axes.grid(color="#e4e4e4", lw=0.6)
    ringed = {index for index, _ in view.names}
    for index, spot in enumerate(view.spots):
        size_pt = _SIZE_CLASSES[_size_class(len(spot.designs))][1]
        moved = axes.transData + _shift(axes, spot.aside_pt)
        common: dict[str, Any] = {"ls": "", "transform": moved, "clip_on": False}
        if spot.aside_pt != (0.0, 0.0):
            axes.plot([spot.x], [spot.y], marker="+", ms=6, mec="black", mew=0.9, clip_on=False)
        axes.plot([spot.x], [spot.y], zorder=3, **common, **_marker_look(spot.style, size_pt))
        _draw_bars(axes, spot)
        if index in ringed:
            ring: dict[str, Any] = {"marker": "o", "mfc": "none", "mec": "black", "mew": 1.3}
            axes.plot([spot.x], [spot.y], ms=size_pt + 6, zorder=4, **common, **ring)
    _draw_names(axes, view)


def _draw_bars(axes: Axes, spot: SpotView) -> None:
    """Draw the intervals of built engines, with a dotted line from a mark that lies outside.

    In black on a white edge, on top of the marks: so they are seen on any colour, and in grey.
    """
    moved = axes.transData + _shift(axes, spot.aside_pt)
    edge = [patheffects.withStroke(linewidth=2.0, foreground="white")]
    look: dict[str, Any] = {"color": "black", "transform": moved, "zorder": 3.5, "clip_on": False}
    for is_across, bar, at in ((True, spot.x_bar, spot.x), (False, spot.y_bar, spot.y)):
        if bar is None:
            continue
        nearest = min(max(at, bar[0]), bar[1])
        for ends, kind in (
            ((at, nearest), {"lw": 0.8, "ls": ":"}),
            (bar, {"lw": 0.9, "path_effects": edge}),
            (bar, {"lw": 0, "marker": "|" if is_across else "_", "ms": 4.5, "mew": 0.9}),
        ):
            across, up = (ends, (spot.y, spot.y)) if is_across else ((spot.x, spot.x), ends)
            axes.plot(across, up, **look, **kind)


def _radius_pt(spot: SpotView, is_ringed: bool) -> float:
    return 0.5 * _SIZE_CLASSES[_size_class(len(spot.designs))][1] + (4.5 if is_ringed else 1.5)


def _shift(axes: Axes, offset_pt: tuple[float, float]) -> ScaledTranslation:
    figure = axes.get_figure(root=True)
    assert figure is not None
    return ScaledTranslation(offset_pt[0] / 72, offset_pt[1] / 72, figure.dpi_scale_trans)


def _draw_names(axes: Axes, view: PlaneView) -> None:
    """Write the names beside their marks with leader lines, none on another."""
    labels = [(index, text, True) for index, text in view.names]
    labels += [(index, text, False) for index, text in view.family_names]
    if not labels:
        return
    px_per_pt = DPI / 72
    spots = np.array([(spot.x, spot.y) for spot in view.spots])
    aside = np.array([spot.aside_pt for spot in view.spots])
    marks = axes.transData.transform(spots) + px_per_pt * aside
    texts = [
        axes.text(
            0,
            0,
            text,
            transform=axes.transAxes,
            ha="center",
            va="center",
            size=8.5,
            weight="bold" if is_short else "normal",
            style="normal" if is_short else "italic",
            zorder=6,
            bbox={"boxstyle": "square,pad=0.12", "fc": "white", "ec": "none", "alpha": 0.85},
        )
        for _, text, is_short in labels
    ]
    figure = axes.get_figure(root=True)
    assert figure is not None
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    sizes = np.array([(b.width, b.height) for b in (t.get_window_extent(renderer) for t in texts)])
    anchors = marks[[index for index, _, _ in labels]]
    box = axes.get_window_extent(renderer)
    bounds = np.array([box.x0 + 4, box.y0 + 4, box.x1, box.y1])
    ringed = {index for index, _ in view.names}
    radii_pt = [_radius_pt(spot, i in ringed) for i, spot in enumerate(view.spots)]
    round_marks = np.column_stack([marks, px_per_pt * np.array(radii_pt)])
    middles = place_labels(anchors, sizes + 4, round_marks, bounds)
    to_axes = axes.transAxes.inverted()
    radii_px = round_marks[[index for index, _, _ in labels], 2]
    for text, anchor, radius_px, size, middle in zip(
        texts, anchors, radii_px, sizes, middles, strict=True
    ):
        text.set_position(tuple(to_axes.transform(middle)))
        end = np.clip(anchor, middle - 0.5 * size, middle + 0.5 * size)
        away_px = math.hypot(*(end - anchor))
        if away_px > radius_px + 2 * px_per_pt:
            start = anchor + (end - anchor) * radius_px / away_px
            ends = to_axes.transform(np.array([start, end]))
            axes.plot(*ends.T, transform=axes.transAxes, color="#555555", lw=0.8, clip_on=False)


#: Least span of an axis of growth, over its highest value: smaller steps are not blown up.
_LEAST_SPAN_SHARE = 0.2


def _draw_tracks(
    axes: Axes, tracks: Sequence[TrackView], values: Sequence[tuple[float, ...]]
) -> None:
    for track, value in zip(tracks, values, strict=True):
        axes.step(
            track.evaluations,
            value,
            where="post",
            color=track.style.color,
            ls=track.style.line,
            lw=(2.4 if track.is_merged else 1.4) if track.name else 0.7,
        )
        if track.name:
            end = (track.evaluations[-1:], value[-1:])
            axes.plot(*end, ls="", **_marker_look(track.style, 6.0))
    axes.grid(color="#e4e4e4", lw=0.6)
    axes.margins(x=0.03, y=0.06)
    low, high = axes.get_ylim()
    least = _LEAST_SPAN_SHARE * high
    if high - low < least:  # a front that hardly grew must look like it
        axes.set_ylim(0.5 * (low + high - least), 0.5 * (low + high + least))
    axes.locator_params(axis="x", nbins=5)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(lambda value, _position: number_text(value))


def _name_tracks(axes: Axes, tracks: Sequence[TrackView], *, size_in: tuple[float, float]) -> None:
    """Write each name at the right end of its line, with a leader where it had to move."""
    named = [track for track in tracks if track.name]
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    axes.set(xlim=(left, right), ylim=(low, high))
    ends = [(track.hypervolume[-1] - low) / (high - low) for track in named]
    places = spread(ends, _TRACK_LINE_IN / size_in[1], 0.02, 0.98)
    bend, text_at = 1 + 0.1 / size_in[0], 1 + 0.3 / size_in[0]
    for track, end, up in zip(named, ends, places, strict=True):
        start = (track.evaluations[-1] - left) / (right - left)
        axes.plot(
            [start + 0.07 / size_in[0], max(bend, start), text_at - 0.03 / size_in[0]],
            [end, end if start < 0.9 else up, up],
            transform=axes.transAxes,
            color=track.style.color,
            lw=0.7,
            clip_on=False,
        )
        axes.text(text_at, up, track.name, transform=axes.transAxes, va="center", size=8.5)


def _draw_reasons(figure: Figure, lines: Sequence[str]) -> None:
    width_in, height_in = figure.get_size_inches()
    for row, line in enumerate(reversed(lines)):
        up_in = BOTTOM_IN + row * LINE_IN
        figure.text(0.15 / width_in, up_in / height_in, line, va="bottom", size=8.5)


def _hex_from_oklch(lightness: float, chroma: float, hue_deg: float) -> str:
    """Return a colour of even perceived lightness (B. Ottosson, the Oklab colour space, 2020)."""
    a = chroma * math.cos(math.radians(hue_deg))
    b = chroma * math.sin(math.radians(hue_deg))
    cones = (
        np.array(
            [
                lightness + 0.3963377774 * a + 0.2158037573 * b,
                lightness - 0.1055613458 * a - 0.0638541728 * b,
                lightness - 0.0894841775 * a - 1.2914855480 * b,
            ]
        )
        ** 3
    )
    linear = (
        np.array(
            [
                [4.0767416621, -3.3077115913, 0.2309699292],
                [-1.2684380046, 2.6097574011, -0.3413193965],
                [-0.0041960863, -0.7034186147, 1.7076147010],
            ]
        )
        @ cones
    )
    linear = np.clip(linear, 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255 * value):02x}" for value in coded)
