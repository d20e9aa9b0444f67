"""A design at a glance: a small crank from the free end beside its firings and exhaust openings."""

from __future__ import annotations

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from evaluate.numbering import natural_key
from optimize.pictures.crank import AXIS, CrankView, PinView, crank_view
from optimize.pictures.drawing import DPI, INK, METAL, OPEN, STYLE, axes_at, point, spread
from optimize.pictures.frame import text_in
from optimize.pictures.strips import CollectorView, StripView, strip_view

OPTION_IN = 3.3  # fits a phone and a column of a page
_CRANK_IN, _HEIGHT_IN, _GAP_IN = 1.35, 1.5, 0.16
_RADIUS_IN = 0.4
_SMALL_PT = 7.5
_NAME_DEG = 25.0  # on each side of a pin, taken by its name


@matplotlib_style.context(STYLE)
def option_picture(layout: Layout) -> Figure:
    """Return a small picture of a design.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    """
    figure = Figure(figsize=(OPTION_IN, _HEIGHT_IN), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    crank = axes_at(figure, 0, 0, _CRANK_IN, _HEIGHT_IN)
    _draw_crank(crank, crank_view(layout))
    width_in = OPTION_IN - _CRANK_IN - 2 * _GAP_IN
    strip = axes_at(figure, _CRANK_IN + _GAP_IN, 0.05, width_in, _HEIGHT_IN - 0.1)
    view = strip_view(layout, Evaluation(layout.engine, layout.batch))
    _draw_strip(strip, view, width_in=width_in)
    return figure


def option_alt(layout: Layout) -> str:
    """Return the picture in a sentence."""
    view = strip_view(layout, Evaluation(layout.engine, layout.batch))
    pins = "; ".join(
        f"{'cylinder' if len(_cylinders(pin)) == 1 else 'cylinders'} "
        f"{', '.join(_cylinders(pin))} on the crankpin at {pin.angle_deg:.6g} degrees"
        for pin in crank_view(layout).pins
    )
    return f"Crank from the free end: {pins}. Firing order {view.order}."


def _draw_crank(axes: Axes, view: CrankView) -> None:
    half_in = 0.5 * _CRANK_IN
    axes.set_axis_off()
    axes.set(xlim=(-half_in, half_in), ylim=(-0.5 * _HEIGHT_IN, 0.5 * _HEIGHT_IN))
    for bank in view.banks:
        # An axis that points at a name ends at the circle: a stub behind the name says nothing.
        apart = [abs((pin.picture_deg - bank.picture_deg + 180) % 360 - 180) for pin in view.pins]
        is_free = min(apart) > _NAME_DEG
        across, up = point(bank.picture_deg, _RADIUS_IN + (0.27 if is_free else 0.0))
        axes.plot([0, across], [0, up], color=METAL, **AXIS)
    axes.add_patch(Circle((0, 0), _RADIUS_IN, fc="none", ec="#c9c9c9", lw=0.8))
    for pin in view.pins:
        across, up = point(pin.picture_deg, _RADIUS_IN)
        text = ",".join(_cylinders(pin))
        axes.plot([0, across], [0, up], color=METAL, lw=2.2, solid_capstyle="round")
        axes.plot([across], [up], marker="o", ms=5.5, mfc="white", mec=INK, mew=1.1, zorder=4)
        axes.text(
            *_beside(pin.picture_deg, text),
            text,
            size=_SMALL_PT,
            ha="center",
            va="center",
            zorder=6,
            bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none"},
        )
    axes.plot([0], [0], marker="o", ms=7, mfc="white", mec=INK, mew=1.2, zorder=5)


def _cylinders(pin: PinView) -> list[str]:
    """Return the cylinders on the throws in one direction: the numbers of the firings beside it."""
    return sorted({label for group in pin.cylinders for label in group}, key=natural_key)


def _beside(picture_deg: float, text: str) -> tuple[float, float]:
    """Return where the name of a pin stands: outside the circle, a wide one further to the side."""
    across, up = point(picture_deg, 1.0)
    aside_in = max(0.0, 0.5 * text_in(text, _SMALL_PT) - 0.06)
    return across * (_RADIUS_IN + 0.16 + aside_in), up * (_RADIUS_IN + 0.16)


def _draw_strip(axes: Axes, view: StripView, *, width_in: float) -> None:
    """Draw firings as numbered marks above a line, and below it the openings by collector."""
    axes.set_axis_off()
    texts = [mark.text for mark in view.firings]
    needed_in = max(text_in(text, _SMALL_PT, "bold") for text in texts) + 0.03
    is_upright = needed_in * len(texts) > width_in
    least = (0.115 if is_upright else needed_in) * view.cycle_deg / width_in
    places = spread([mark.angle_deg for mark in view.firings], least, 0.0, view.cycle_deg)
    top = 1.0 + (0.55 * max(len(text) for text in texts) if is_upright else 1.0)
    for mark, place in zip(view.firings, places, strict=True):
        axes.plot([mark.angle_deg, mark.angle_deg, place], [0, 0.45, 0.85], color=INK, lw=0.9)
        axes.text(
            place,
            0.95,
            mark.text,
            size=_SMALL_PT,
            weight="bold",
            ha="center",
            va="bottom",
            rotation=90 if is_upright else 0,
        )
    axes.plot([0, view.cycle_deg], [0, 0], color=INK, lw=1.0)
    low = -0.4
    for collector in view.collectors:
        low = _draw_openings(axes, collector, low) - 0.4
    axes.set(xlim=(-0.02 * view.cycle_deg, 1.02 * view.cycle_deg), ylim=(min(low, -3.0), top + 0.3))


def _draw_openings(axes: Axes, collector: CollectorView, top: float) -> float:
    """Draw when the exhausts of a collector are open, and return where it ends."""
    for opening in collector.openings:
        for start, end in opening.pieces_deg:
            corner = (start, top - opening.lane - 0.85)
            axes.add_patch(Rectangle(corner, end - start, 0.75, fc=OPEN, ec=INK, lw=0.6))
    for start, end in collector.overlaps_deg:
        axes.plot([start, end], [top - collector.n_lanes - 0.1] * 2, color="#b03a2e", lw=1.6)
    return float(top - collector.n_lanes - np.sign(len(collector.overlaps_deg)) * 0.1)
