"""The card of one layout: crank, firing and exhaust, what stays unbalanced, places along it."""

from __future__ import annotations

import textwrap

from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from optimize.pictures.crank import (
    Arrangement,
    CrankView,
    arrange_crank,
    crank_key,
    crank_view,
    draw_crank,
)
from optimize.pictures.drawing import (
    BOTTOM_IN,
    LINE_IN,
    STYLE,
    TOP_IN,
    axes_at,
    legend,
    sheet,
    subtitle_lines,
    wrapped,
)
from optimize.pictures.orders import balance_view, draw_balance
from optimize.pictures.side import SideView, draw_side, side_key, side_view
from optimize.pictures.strips import StripView, draw_strip, strip_height, strip_key, strip_view

CRANK_IN, STRIP_IN = 5.4, 7.3  # width of the panels on the left and on the right


@matplotlib_style.context(STYLE)
def design_card(layout: Layout, *, title: str, subtitle: str = "") -> Figure:
    """Return the picture of one layout.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    title, subtitle : str
        Headline, and the line below it.

    Returns
    -------
    Figure
        Four panels: the crank seen from the free end, firing and exhaust over the cycle, force
        and couple by order, and the places along the crank.
    """
    evaluation = Evaluation(layout.engine, layout.batch)
    strip = strip_view(layout, evaluation)
    crank = crank_view(layout)
    arrangement = arrange_crank(crank, width_in=CRANK_IN, radius_in=0.95)
    crank_in = arrangement.below_in + arrangement.above_in
    upper_in = max(3.8, 0.2 * strip_height(strip, width_in=STRIP_IN), crank_in + 0.75)
    bottom_in, lower_in, right_in = BOTTOM_IN + 0.95, 3.4, 6.7
    upper_bottom_in = bottom_in + lower_in + 1.25
    width_in = right_in + STRIP_IN + 0.4
    n_further = max(0, len(subtitle_lines(subtitle, width_in)) - 1)
    height_in = upper_bottom_in + upper_in + TOP_IN + 0.25 + LINE_IN * n_further
    figure = sheet(width_in, height_in, title=title, subtitle=subtitle)
    crank_axes = axes_at(figure, 0.2, upper_bottom_in + upper_in - crank_in, CRANK_IN, crank_in)
    _draw_crank_panel(crank_axes, crank, arrangement, height_in=crank_in)
    strip_axes = axes_at(figure, right_in, upper_bottom_in, STRIP_IN, upper_in)
    _draw_strip_panel(strip_axes, strip, height_in=upper_in)
    bars_in = lower_in - 0.7
    small = [axes_at(figure, left_in, bottom_in, 2.1, bars_in) for left_in in (0.75, 3.5)]
    draw_balance(small, balance_view(layout, evaluation), height_in=bars_in)
    side_axes = axes_at(figure, right_in, bottom_in, STRIP_IN, lower_in)
    _draw_side_panel(side_axes, side_view(layout), height_in=lower_in)
    return figure


def _draw_crank_panel(
    axes: Axes, view: CrankView, arrangement: Arrangement, *, height_in: float
) -> None:
    axes.set_axis_off()
    axes.set(xlim=(0, CRANK_IN), ylim=(0, height_in))
    axes.set_title("Crank seen from the free end")
    draw_crank(axes, view, arrangement, middle_in=(0.5 * CRANK_IN, arrangement.below_in))
    legend(axes, crank_key(view), up=-0.08 / height_in, where="upper left")
    note = "\n".join(wrapped([view.note], CRANK_IN))
    axes.text(0, -0.3, note, va="top", size=8.5)


def _draw_strip_panel(axes: Axes, view: StripView, *, height_in: float) -> None:
    heading = f"Firing order {view.order}"
    is_long = len(heading) > 66
    axes.set_title(textwrap.fill(heading, 80), size=8.5 if is_long else 10.5)
    draw_strip(axes, view, size_in=(STRIP_IN, height_in))
    axes.set_xlabel("crank angle after the first firing [deg]; exhaust without its constant delay")
    legend(axes, strip_key(view), up=-0.52 / height_in, where="upper left")


def _draw_side_panel(axes: Axes, view: SideView, *, height_in: float) -> None:
    axes.set_title("Along the crank, at crank angle 0")
    draw_side(axes, view, width_in=STRIP_IN)
    axes.text(0, -0.5 / height_in, view.note, transform=axes.transAxes, size=8.5, va="top")
    legend(axes, side_key(), up=1 + 0.06 / height_in, where="lower right")
