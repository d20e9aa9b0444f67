"""What the main bearings carry: polar plots of their loads, peaks and means."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch
from matplotlib.ticker import MaxNLocator

from evaluate import duty, units
from evaluate.bearings import (
    WorstLoad,
    big_end_mass_kg,
    main_loads_N,
    means_N,
    peaks_N,
    pin_force_N,
    pin_load,
    worst_load,
)
from evaluate.layout import Layout
from evaluate.phasors import ComplexArray
from optimize.pictures.drawing import INK, STYLE, Entry, amount_text, angle_text, number_text
from optimize.pictures.frame import TEXT_PT, frame, room_in, text_in
from optimize.pictures.graphs import BORE_UNKNOWN, GRID, number_axis, words_picture

TITLE = "What the main bearings carry"
MOST_PLOTS = 5
SAME_SHARE = 1e-6  # of the peak: loads of mirrored bearings differ by round-off
_ROW_IN, _BELOW_IN, _TITLE_IN = 0.21, 0.48, 0.22
_PATH: dict[str, Any] = {"color": INK, "lw": 1.3}
_START: dict[str, Any] = {
    "ls": "",
    "marker": "o",
    "ms": 5.5,
    "mfc": "white",
    "mec": INK,
    "mew": 1.2,
}
_PEAK: dict[str, Any] = {"ls": "", "marker": "s", "ms": 6, "mfc": INK, "mec": "white", "mew": 0.8}
_MOST: dict[str, Any] = {"fc": "#cfe2f0", "ec": INK, "lw": 0.8}
_MEAN: dict[str, Any] = {"fc": "#5a5a5a", "ec": INK, "lw": 0.8}
_Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class BearingView:
    """The load of one main bearing over the cycle.

    Attributes
    ----------
    number : int
        From 1 at the free end.
    path_N : tuple of points
        (right, up) as seen from the free end, from the first cylinder's firing on; closed. [N]
    at_peak_N : point
        Where the load is largest. [N]
    peak_N, mean_N : float
        Magnitudes. [N]
    is_drawn : bool
        Whether it has a polar plot.
    """

    number: int
    path_N: tuple[_Point, ...]
    at_peak_N: _Point
    peak_N: float
    mean_N: float
    is_drawn: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class BearingsView:
    """All main bearings on a common scale.

    Attributes
    ----------
    bearings : tuple of BearingView
        From the free end.
    crankpin : BearingView
        The load of the first cylinder's rod on its crankpin, number 0; turning with the throw,
        which points up.
    worst : int
        Number of the bearing that `worst_load` names.
    words : tuple of str
        The worst bearing and the firings behind it; what is left out.
    """

    speed_rpm: float
    first: str
    bearings: tuple[BearingView, ...]
    crankpin: BearingView
    worst: int
    is_mirrored: bool
    words: tuple[str, ...]

    @property
    def largest_N(self) -> float:
        """Return the largest load of all. [N]"""
        return max(bearing.peak_N for bearing in (*self.bearings, self.crankpin))

    @property
    def drawn(self) -> tuple[BearingView, ...]:
        """Return the bearings that have a polar plot, the crankpin last."""
        return (*(bearing for bearing in self.bearings if bearing.is_drawn), self.crankpin)


def bearings_view(layout: Layout) -> BearingsView | None:
    """Return the main bearings' loads, mirrored for an anticlockwise crank; None without a bore."""
    engine, batch = layout.engine, layout.batch
    if not math.isfinite(engine.bore_m) or engine.n_mains < 2:
        return None
    pin_force = pin_force_N(engine, duty.trace_of(engine))
    loads = main_loads_N(engine, batch, pin_force)[0]
    peaks, means = peaks_N(loads), means_N(loads)
    most = worst_load(engine, batch, pin_force)
    worst = most.main
    is_mirrored = layout.rotation == "anticlockwise"
    seen = loads.conj() if is_mirrored else loads
    ranked = np.argsort(-peaks.round(6), kind="stable")
    drawn = {worst, *[main for main in ranked.tolist() if main != worst][: MOST_PLOTS - 1]}
    bearings = []
    for main, load in enumerate(seen):
        path = np.append(load, load[0])
        at_peak = load[np.abs(load).argmax()]
        if main == worst:  # of several alike the one that the words name
            at_peak = most.load_N.conjugate() if is_mirrored else most.load_N
        bearings.append(
            BearingView(
                number=main + 1,
                path_N=tuple((float(z.imag), float(z.real)) for z in path),
                at_peak_N=_point(at_peak),
                peak_N=float(peaks[main]),
                mean_N=float(means[main]),
                is_drawn=main in drawn,
            )
        )
    return BearingsView(
        speed_rpm=units.rpm_from_rad_s(engine.speed_rad_s),
        first=layout.labels[0],
        bearings=tuple(bearings),
        crankpin=_crankpin_view(layout, pin_force),
        worst=worst + 1,
        is_mirrored=is_mirrored,
        words=(_worst_text(layout, most, peaks), *_left_out(len(peaks))),
    )


def _crankpin_view(layout: Layout, pin_force: ComplexArray) -> BearingView:
    pin = pin_load(layout.engine, pin_force, big_end_mass_kg(layout.engine))
    load = pin.on_throw_N.conj() if layout.rotation == "anticlockwise" else pin.on_throw_N
    return BearingView(
        number=0,
        path_N=tuple(_point(z) for z in np.append(load, load[0])),
        at_peak_N=_point(load[np.abs(load).argmax()]),
        peak_N=float(np.abs(load).max()),
        mean_N=float(np.abs(load).mean()),
        is_drawn=True,
    )


def _worst_text(layout: Layout, worst: WorstLoad, peaks: np.ndarray) -> str:
    """Return which bearing bears most, when, and after which firings, as sentences."""
    pairs = zip(worst.firing_pair, worst.since_firing_deg, strict=True)
    fired = [f"{angle_text(since)} after cylinder {layout.labels[i]}" for i, since in pairs]
    most_N = abs(worst.load_N)
    text = (
        f"Main bearing {worst.main + 1} bears most: {load_text(most_N)} at a crank angle of "
        f"{angle_text(worst.crank_angle_deg)}, {' and '.join(reversed(fired))} fired."
    )
    alike = np.flatnonzero(np.abs(peaks - most_N) <= SAME_SHARE * most_N)
    others = [str(main + 1) for main in alike.tolist() if main != worst.main]
    if others:
        text += f" As much falls on main bearing{'s' * (len(others) > 1)} {', '.join(others)}."
    return text


def load_text(load_N: float) -> str:
    """Return a load with its unit."""
    if load_N < 1000:
        return f"{amount_text(load_N)}\u00a0N"
    return f"{amount_text(load_N / 1000)}\u00a0kN"


def _left_out(n_mains: int) -> tuple[str, ...]:
    if n_mains <= MOST_PLOTS:
        return ()
    return (f"Polar plots: the {MOST_PLOTS} of {n_mains} main bearings with the highest peaks.",)


def _point(load_N: complex) -> _Point:
    return float(load_N.imag), float(load_N.real)


# Drawing --------------------------------------------------------------------------------------


@matplotlib_style.context(STYLE)
def bearings_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return polar plots of the main bearings' loads over the cycle, with peaks and means.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`; without a bore the picture says so in words.
    width_in : float
        Width of the picture. [in]
    """
    view = bearings_view(layout)
    if view is None:
        words = "Two main bearings or more are needed."
        words = words if math.isfinite(layout.engine.bore_m) else BORE_UNKNOWN
        return words_picture(width_in, title=TITLE, subtitle=layout.name, words=words)
    inner_in = room_in(width_in)
    n_columns = min(3 if width_in > 5.6 else 2, len(view.drawn))
    side_in = min(2.0, (inner_in - 0.1 * (n_columns - 1)) / n_columns)
    n_rows = -(-len(view.drawn) // n_columns)
    plots_in = n_rows * (side_in + _TITLE_IN + 0.08)
    bars_in = _ROW_IN * len(view.bearings) + 0.1
    unit, per = ("kN", 1000.0) if view.largest_N >= 1000 else ("N", 1.0)
    ring = ring_step(view.largest_N / per)
    place = frame(
        width_in,
        plots_in + 0.12 + bars_in + _BELOW_IN,
        title=TITLE,
        subtitle=f"{layout.name}, at {number_text(round(view.speed_rpm, 1))} rpm",
        key=_key(view, f"rings {number_text(ring)} {unit} apart"),
        notes=(*view.words, _note(layout)),
        is_estimate=True,
    )
    step_in = inner_in / n_columns
    for number, bearing in enumerate(view.drawn):
        row, column = divmod(number, n_columns)
        left_in = (column + 0.5) * step_in - 0.5 * side_in
        top_in = place.height_in - row * (side_in + _TITLE_IN + 0.08)
        axes = place.canvas(left_in, top_in - _TITLE_IN, size_in=(side_in, _TITLE_IN))
        weight = "bold" if bearing.number == view.worst else "normal"
        text = f"main bearing {bearing.number}" if bearing.number else f"crankpin of {view.first}"
        middle = (0.5 * side_in, 0.5 * _TITLE_IN)
        axes.text(*middle, text, ha="center", va="center", size=9, weight=weight)
        axes = place.axes(left_in, top_in - _TITLE_IN - side_in, size_in=(side_in, side_in))
        _draw_path(axes, bearing, view.largest_N, ring * per)
    left_in = 0.65
    size_in = (inner_in - left_in - 0.15, bars_in)
    _draw_bars(place.axes(left_in, _BELOW_IN, size_in=size_in), view, unit, per, size_in[0])
    return place.figure


def ring_step(largest: float) -> float:
    """Return a round distance of rings, two to four of them within the largest value.

    Examples
    --------
    >>> ring_step(23.0), ring_step(0.9), ring_step(41.0)
    (10.0, 0.5, 20.0)
    """
    ticks = MaxNLocator(nbins=4, steps=[1, 2, 5, 10]).tick_values(0, largest)
    return round(float(ticks[1] - ticks[0]), 9)


def _key(view: BearingsView, rings: str) -> list[Entry]:
    return [
        (Line2D([], [], **_PATH), "load over the cycle"),
        (Line2D([], [], **_START), f"as cylinder {view.first} fires"),
        (Line2D([], [], **_PEAK), "largest load"),
        (Line2D([], [], color="#999999", lw=0.8), rings),
        (Patch(**_MOST), "bars: peak"),
        (Patch(**_MEAN), "mean"),
    ]


def _note(layout: Layout) -> str:
    text = (
        "What the crank does to the bearing, up is up, seen from the free end; the crank turns "
        f"{layout.rotation}."
    )
    if layout.rotation == "anticlockwise":
        text += " The plots are mirrored, so that left and right are as they are seen."
    return text + (
        " Main bearings are counted from the free end. The crankpin's plot is what one rod does to "
        "it, turning with the throw, which points up."
    )


def _draw_path(axes: Axes, bearing: BearingView, largest_N: float, ring_N: float) -> None:
    reach = 1.06 * largest_N
    axes.set_axis_off()
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    for radius_N in np.arange(ring_N, reach, ring_N):
        axes.add_patch(Circle((0, 0), radius_N, fc="none", ec="#bbbbbb", lw=0.7))
    for line in (axes.axhline, axes.axvline):
        line(0, **GRID)
    axes.plot(*zip(*bearing.path_N, strict=True), **_PATH)
    axes.plot(*bearing.path_N[0], zorder=4, **_START)
    axes.plot(*bearing.at_peak_N, zorder=5, **_PEAK)


def _draw_bars(axes: Axes, view: BearingsView, unit: str, per: float, across_in: float) -> None:
    places = np.arange(len(view.bearings))
    most = [bearing.peak_N / per for bearing in view.bearings]
    mean = [bearing.mean_N / per for bearing in view.bearings]
    axes.barh(places, most, 0.72, **_MOST)
    axes.barh(places, mean, 0.36, **_MEAN)
    texts = [f"{amount_text(m)}, mean {amount_text(a)}" for m, a in zip(most, mean, strict=True)]
    for place, bearing, text in zip(places, view.bearings, texts, strict=True):
        weight = "bold" if bearing.number == view.worst else "normal"
        up = bearing.peak_N / per
        axes.annotate(
            text,
            (up, place),
            (4, 0),
            textcoords="offset points",
            va="center",
            size=TEXT_PT,
            weight=weight,
        )
    room_share = 1 - (max(text_in(text, TEXT_PT, "bold") for text in texts) + 0.1) / across_in
    axes.set(xlim=(0, max(most) / room_share), ylim=(len(places) - 0.5, -0.5))
    axes.set_yticks(places, [str(bearing.number) for bearing in view.bearings])
    axes.tick_params(axis="y", length=0)
    number_axis(axes.xaxis, 5)
    axes.set_xlabel(f"load [{unit}]")
    whole = "main bearing"
    fits = text_in(whole, 9.0) < len(places) * _ROW_IN + 0.1
    axes.set_ylabel(whole if fits else "bearing")
