"""What stays unbalanced, by order: force and couple, forward and backward."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from evaluate import inertia, units
from evaluate.batch import SLOTS
from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from optimize.pictures.drawing import (
    BACKWARD,
    DPI,
    FORWARD,
    INK,
    STYLE,
    Entry,
    amount_text,
    legend,
    number_text,
    percent,
)
from optimize.pictures.frame import frame, room_in, text_in

ROUND_OFF = 1e-9  # of the inertia force of one cylinder: smaller forces and couples are 0

BESIDE_FROM_IN = 5.6  # two panels stand side by side from this width on
SLOTS_NOTE = (
    "Counterweights can take order 1 forward; each balance shaft takes one of 1 backward, "
    "2 forward and 2 backward."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class OrdersView:
    """Amplitudes of force or couple by order, before balancing and left over."""

    name: str
    unit: str
    orders: tuple[int, ...]
    forward_before: tuple[float, ...]
    backward_before: tuple[float, ...]
    forward_left: tuple[float, ...]
    backward_left: tuple[float, ...]
    largest: float


@dataclass(frozen=True, kw_only=True, slots=True)
class BalanceView:
    """Force and couple by order, and the means of balance in words."""

    speed_rpm: float
    parts: tuple[OrdersView, OrdersView]
    note: str


@matplotlib_style.context(STYLE)
def orders_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return what remains by order: force and couple, forward and backward, before and after.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    width_in : float
        Width of the picture. [in]
    """
    view = balance_view(layout, Evaluation(layout.engine, layout.batch))
    places, height_in = _panels(room_in(width_in), n_orders=len(view.parts[0].orders))
    place = frame(
        width_in,
        height_in,
        title="What stays unbalanced, by order",
        subtitle=f"{layout.name}, at {number_text(round(view.speed_rpm, 1))} rpm",
        key=orders_key(),
        notes=(f"{view.note.capitalize()}.".replace("\n", "; "), SLOTS_NOTE),
        is_estimate=True,
    )
    for part, (left_in, bottom_in, *size_in) in zip(view.parts, places, strict=True):
        axes = place.axes(left_in, bottom_in, size_in=(size_in[0], size_in[1]))
        axes.set_title(f"Free {part.name}", size=9.5)
        _draw_orders(axes, part)
    return place.figure


def _panels(
    width_in: float, *, n_orders: int
) -> tuple[list[tuple[float, float, float, float]], float]:
    """Return left, bottom, width and height of both panels, beside or below each other. [in]"""
    height_in, left_in, below_in, above_in = 0.42 * n_orders + 0.1, 0.5, 0.5, 0.28
    if width_in > BESIDE_FROM_IN:
        across_in = 0.5 * (width_in - 2 * left_in - 0.2)
        lefts = (left_in, 2 * left_in + across_in + 0.1)
        places = [(left, below_in, across_in, height_in) for left in lefts]
        return places, below_in + height_in + above_in
    step_in = below_in + height_in + above_in
    across_in = width_in - left_in - 0.1
    places = [(left_in, below_in + up * step_in, across_in, height_in) for up in (1, 0)]
    return places, 2 * step_in


def balance_view(layout: Layout, evaluation: Evaluation) -> BalanceView:
    """Return force and couple by order before balancing and after it."""
    engine, batch = layout.engine, layout.batch
    per_kg = inertia.pin_sums(engine, evaluation.pins)
    force_scale = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    before, left = evaluation.reciprocating, evaluation.residual
    parts = []
    for name, unit, raw, after, turning, arm in (
        ("force", "N", before.force, left.force, per_kg[0], 1.0),
        ("couple", "N·m", before.couple, left.couple, per_kg[1], arm_m(layout)),
    ):
        forward = raw.forward[:, 0].copy()
        forward[raw.orders.index(1)] += engine.rotating_mass_kg * turning[0]
        least = ROUND_OFF * force_scale * arm
        sizes = [
            _sizes(phasors, least)
            for phasors in (
                forward,
                raw.backward[:, 0],
                after.forward[:, 0],
                after.backward[:, 0],
            )
        ]
        parts.append(
            OrdersView(
                name=name,
                unit=unit,
                orders=raw.orders,
                forward_before=sizes[0],
                backward_before=sizes[1],
                forward_left=sizes[2],
                backward_left=sizes[3],
                largest=max(size for side in sizes for size in side),
            )
        )
    shafts = [
        slot.name + ("" if share == 1 else f" ({percent(share)})")
        for slot, share in zip(SLOTS, batch.shaft_fractions[0], strict=True)
        if share
    ]
    note = (
        f"counterweights: {percent(batch.rotating_fraction[0])} of rotating, "
        f"{percent(batch.reciprocating_fraction[0])} of reciprocating mass\n"
        f"balance shafts: {', '.join(shafts) if shafts else 'none'}"
    )
    return BalanceView(
        speed_rpm=units.rpm_from_rad_s(engine.speed_rad_s), parts=(parts[0], parts[1]), note=note
    )


def _sizes(phasors: np.ndarray, least: float) -> tuple[float, ...]:
    return tuple(float(size) if size > least else 0.0 for size in np.abs(phasors))


def arm_m(layout: Layout) -> float:
    """Return a length that turns a force into a couple of its scale: half the crank, in m."""
    return max(float(np.abs(layout.engine.positions_m).max()), layout.engine.crank_radius_m)


def orders_key() -> list[Entry]:
    """Return the key of the bars."""
    return [
        (Patch(fc=FORWARD, ec=INK, lw=0.5), "forward (with the crank)"),
        (Patch(fc=BACKWARD, ec=INK, hatch="////", lw=0.5), "backward (against it)"),
        (Patch(fc="none", ec=INK), "before balancing; what remains is filled, and the number"),
    ]


def draw_balance(small: Sequence[Axes], view: BalanceView, *, height_in: float) -> None:
    """Draw bars of force and couple with one key above both."""
    for axes, part in zip(small, view.parts, strict=True):
        _draw_orders(axes, part)
    left = small[0]
    heading = f"Free force and couple by order at {number_text(round(view.speed_rpm, 1))} rpm"
    up = 1 + 0.78 / height_in
    left.text(-0.25, up, heading, transform=left.transAxes, size=10.5, weight="bold", va="center")
    rows = [orders_key()[:2], orders_key()[2:]]
    for row, entries in enumerate(rows):
        legend(left, entries, up=1 + (0.62 - 0.22 * row) / height_in, where="upper left")
        drawn = left.get_legend()
        if row == 0 and drawn is not None:
            left.add_artist(drawn)  # a further legend would replace it
    left.text(-0.25, -0.6 / height_in, view.note, transform=left.transAxes, size=8.5, va="top")


def _draw_orders(axes: Axes, part: OrdersView) -> None:
    axes.set_ylabel("order [per turn]")
    axes.set_xlabel(f"{part.name} amplitude [{part.unit}]")
    if not part.largest:
        axes.set(xlim=(0, 1), xticks=[0], ylim=(len(part.orders) - 0.5, -0.5))
        axes.set_yticks(range(len(part.orders)), [str(order) for order in part.orders])
        text = "none, with or\nwithout balancing"
        axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", size=8.5)
        return
    places = np.arange(len(part.orders))
    sides: tuple[tuple[float, tuple[float, ...], tuple[float, ...], dict[str, Any]], ...] = (
        (-0.2, part.forward_before, part.forward_left, {"fc": FORWARD}),
        (0.2, part.backward_before, part.backward_left, {"fc": BACKWARD, "hatch": "////"}),
    )
    largest = part.largest
    for aside, before, left, look in sides:
        axes.barh(places + aside, left, 0.36, ec=INK, lw=0.5, **look)
        axes.barh(places + aside, before, 0.36, fc="none", ec=INK, lw=1.1)
        for place, outline, value in zip(places, before, left, strict=True):
            axes.text(
                max(outline, value) + 0.03 * largest,
                place + aside,
                amount_text(value),
                va="center",
                size=8.5,
            )
    axes.set_ylim(len(places) - 0.5, -0.5)
    axes.set_yticks(places, [str(order) for order in part.orders])
    width_in = axes.get_window_extent().width / DPI
    digits_in = max(text_in(amount_text(v)) for v in (*part.forward_left, *part.backward_left))
    axes.set_xlim(0, 1.05 * largest / (1 - (digits_in + 0.05) / width_in))
    axes.locator_params(axis="x", nbins=3)
    axes.xaxis.set_major_formatter(lambda value, _position: number_text(value))
