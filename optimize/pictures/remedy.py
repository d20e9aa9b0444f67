"""What would remedy the imbalance of a layout, and at what price."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from evaluate import units
from evaluate.layout import Layout
from evaluate.remedies import Remedy
from optimize.pictures.drawing import INK, STYLE, Entry, amount_text, number_text
from optimize.pictures.frame import TEXT_PT, fitted, frame, line_in, room_in, text_in
from optimize.pictures.orders import ROUND_OFF, arm_m

WIDE_FROM_IN = 5.6  # from here on names, bars and price stand in one line
_BAR_IN, _GAP_IN = 0.17, 0.1
_BAR: dict[str, Any] = {"fc": "#8fb8d8", "ec": INK, "lw": 0.8}
_GIVEN: dict[str, Any] = {"fc": "#5a5a5a", "ec": INK, "lw": 0.8}


@dataclass(frozen=True, kw_only=True, slots=True)
class ScaleView:
    """One column of bars: its name, its unit, the largest value and the one as given."""

    name: str
    unit: str
    largest: float
    given: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RungView:
    """A remedy: its name, a value for each column, and the price in words."""

    name: str
    is_given: bool
    values: tuple[float, ...]
    price: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LadderView:
    """All remedies on common scales."""

    scales: tuple[ScaleView, ...]
    rungs: tuple[RungView, ...]


@matplotlib_style.context(STYLE)
def remedies_picture(layout: Layout, remedies: Sequence[Remedy], *, width_in: float) -> Figure:
    """Return what each remedy leaves, and its price.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    remedies : sequence of Remedy
        From `evaluate.remedies`, the layout as given first.
    width_in : float
        Width of the picture. [in]
    """
    view = ladder_view(layout, remedies)
    inner_in = room_in(width_in)
    plan = _plan(view, inner_in)
    speed_rpm = units.rpm_from_rad_s(layout.engine.speed_rad_s)
    place = frame(
        width_in,
        plan.height_in,
        title="What would help, and at what price",
        subtitle=f"{layout.name}, at {number_text(round(speed_rpm, 1))} rpm",
        key=_key(),
        notes=(
            "Bars: root mean square over a turn; inside the crank: first-order couple that bends "
            "it at its middle. Price: parts index, mass of the crank train, bearing friction of "
            "the shafts; in brackets the difference to the layout as given.",
        ),
        is_estimate=True,
    )
    axes = place.canvas(size_in=(inner_in, plan.height_in))
    _draw_headings(axes, view, plan)
    top_in = plan.height_in - plan.heading_in
    for rung, height_in in zip(view.rungs, plan.heights_in, strict=True):
        _draw_rung(axes, view, rung, plan, top_in=top_in, height_in=height_in)
        top_in -= height_in
    return place.figure


def ladder_view(layout: Layout, remedies: Sequence[Remedy]) -> LadderView:
    """Return remedies with common scales; prices as differences to the layout as given."""
    engine = layout.engine
    most_N = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    columns = (
        ("free force", "N", "force_rms_N", most_N),
        ("free couple", "N·m", "couple_rms_Nm", most_N * arm_m(layout)),
        ("inside the crank", "N·m", "internal_couple_Nm", most_N * arm_m(layout)),
    )
    table = np.array([[getattr(r, key) for _, _, key, _ in columns] for r in remedies])
    table[table < ROUND_OFF * engine.n_cylinders * np.array([most for *_, most in columns])] = 0.0
    row = [remedy.is_given for remedy in remedies].index(True)
    scales = [
        ScaleView(name=name, unit=unit, largest=float(values.max()), given=float(values[row]))
        for (name, unit, _, _), values in zip(columns, table.T, strict=True)
    ]
    rungs = [
        RungView(
            name=remedy.name[:1].upper() + remedy.name[1:],
            is_given=remedy.is_given,
            values=tuple(values),
            price=_price(remedy, remedies[row]),
        )
        for remedy, values in zip(remedies, table.tolist(), strict=True)
    ]
    return LadderView(scales=tuple(scales), rungs=tuple(rungs))


def _price(remedy: Remedy, given: Remedy) -> tuple[str, ...]:
    texts = []
    for value, was, unit in (
        (remedy.parts, given.parts, "parts"),
        (remedy.crank_train_mass_kg, given.crank_train_mass_kg, "kg"),
        (remedy.shaft_friction_W, given.shaft_friction_W, "W friction"),
    ):
        if not math.isfinite(value) or (unit == "W friction" and not value and not was):
            continue
        text = f"{amount_text(value)} {unit}"
        change = float(f"{value - was:.2g}")
        if abs(change) > 5e-4 * abs(was):
            text += f"\u00a0({'+' if change > 0 else '−'}{amount_text(abs(change))})"
        texts.append(text)
    return tuple(texts)


# Arranging and drawing ------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plan:
    """Places in inches: columns of bars (left, width), width of names and of prices."""

    is_wide: bool
    columns_in: tuple[tuple[float, float], ...]
    name_in: float
    price_left_in: float
    price_in: float
    heading_in: float
    heights_in: tuple[float, ...]

    @property
    def height_in(self) -> float:
        return self.heading_in + sum(self.heights_in)


def _plan(view: LadderView, inner_in: float) -> _Plan:
    is_wide = inner_in > WIDE_FROM_IN
    name_in = 1.75 if is_wide else inner_in - 0.2
    price_in = 1.35 if is_wide else inner_in - 0.2
    left_in = name_in + 0.25 if is_wide else 0.12
    right_in = inner_in - price_in - 0.1 if is_wide else inner_in
    step_in = (right_in - left_in) / len(view.scales)
    columns = [(left_in + i * step_in, step_in - 0.1) for i in range(len(view.scales))]
    headings = [
        _heading_lines(s, width) for s, (_, width) in zip(view.scales, columns, strict=True)
    ]
    heights = []
    for rung in view.rungs:
        n_name = len(fitted(rung.name, name_in, TEXT_PT, "bold" if rung.is_given else "normal"))
        if is_wide:
            n_lines = max(n_name, len(rung.price), 1)
            heights.append(n_lines * line_in() + _GAP_IN)
        else:
            n_price = len(fitted("; ".join(rung.price), price_in))
            heights.append((n_name + n_price) * line_in() + _BAR_IN + 0.08 + _GAP_IN)
    return _Plan(
        is_wide=is_wide,
        columns_in=tuple(columns),
        name_in=name_in,
        price_left_in=right_in + 0.1 if is_wide else 0.12,
        price_in=price_in,
        heading_in=max(len(lines) for lines in headings) * line_in() + 0.08,
        heights_in=tuple(heights),
    )


def _heading_lines(scale: ScaleView, width_in: float) -> list[str]:
    return fitted(f"{scale.name} [{scale.unit}]", width_in, TEXT_PT, "bold")


def _key() -> list[Entry]:
    return [
        (Patch(**_GIVEN), "as given"),
        (Patch(**_BAR), "with the remedy"),
        (Line2D([], [], marker="|", ms=9, mew=1.4, ls="", color=INK), "before, that is as given"),
    ]


def _draw_headings(axes: Axes, view: LadderView, plan: _Plan) -> None:
    top = plan.height_in
    for scale, (left, width) in zip(view.scales, plan.columns_in, strict=True):
        for row, line in enumerate(_heading_lines(scale, width)):
            axes.text(left, top - row * line_in(), line, va="top", size=TEXT_PT, weight="bold")
    if plan.is_wide:
        axes.text(plan.price_left_in, top, "price", va="top", size=TEXT_PT, weight="bold")


def _draw_rung(
    axes: Axes, view: LadderView, rung: RungView, plan: _Plan, *, top_in: float, height_in: float
) -> None:
    width_in = axes.get_xlim()[1]
    if rung.is_given:
        box = Rectangle((0, top_in - height_in), width_in, height_in, fc="#eeeeee", ec="none")
        axes.add_patch(box)
    axes.plot([0, width_in], [top_in, top_in], color="#bbbbbb", lw=0.6)
    weight = "bold" if rung.is_given else "normal"
    names = fitted(rung.name, plan.name_in, TEXT_PT, weight)
    prices = list(rung.price) if plan.is_wide else fitted("; ".join(rung.price), plan.price_in)
    top_in -= 0.5 * _GAP_IN
    if plan.is_wide:
        middle_in = top_in - 0.5 * (height_in - _GAP_IN)
        for lines, left_in in ((names, 0.05), (prices, plan.price_left_in)):
            up_in = middle_in + 0.5 * len(lines) * line_in()
            _write(axes, lines, left_in=left_in, top_in=up_in, weight=weight)
    else:
        _write(axes, names, left_in=0.05, top_in=top_in, weight=weight)
        middle_in = top_in - len(names) * line_in() - 0.04 - 0.5 * _BAR_IN
        _write(axes, prices, left_in=0.12, top_in=middle_in - 0.5 * _BAR_IN - 0.04)
    look = _GIVEN if rung.is_given else _BAR
    for scale, value, column in zip(view.scales, rung.values, plan.columns_in, strict=True):
        _draw_bar(axes, scale, value, column, middle_in, look)


def _write(
    axes: Axes, lines: Sequence[str], *, left_in: float, top_in: float, weight: str = "normal"
) -> None:
    for row, line in enumerate(lines):
        up = top_in - (row + 0.5) * line_in()
        axes.text(left_in, up, line, va="center", size=TEXT_PT, weight=weight)


def _draw_bar(
    axes: Axes,
    scale: ScaleView,
    value: float,
    column: tuple[float, float],
    middle_in: float,
    look: dict[str, Any],
) -> None:
    left, width = column
    room = width - text_in("00\u2009000") - 0.08
    in_per_unit = room / scale.largest if scale.largest else 0.0
    low = middle_in - 0.5 * _BAR_IN
    axes.add_patch(Rectangle((left, low), value * in_per_unit, _BAR_IN, **look))
    axes.plot([left, left], [low - 0.03, low + _BAR_IN + 0.03], color=INK, lw=0.9)
    was = left + scale.given * in_per_unit
    axes.plot([was, was], [low - 0.025, low + _BAR_IN + 0.025], color=INK, lw=1.4)
    end = max(left + value * in_per_unit, was)
    axes.text(end + 0.05, middle_in, amount_text(value), va="center", size=TEXT_PT)
