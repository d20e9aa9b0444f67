"""What turns the crank: torque over the working cycle, and its orders."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from evaluate import duty, torque, units
from evaluate.firing import SNAP_DEG, TURN_DEG
from evaluate.layout import Layout
from optimize.pictures.drawing import INK, STYLE, Entry, amount_text, number_text
from optimize.pictures.frame import TEXT_PT, Frame, frame, line_in, room_in
from optimize.pictures.graphs import (
    BORE_UNKNOWN,
    GRID,
    clear_of_each_other,
    number_axis,
    rows_of,
    words_picture,
)

TITLE = "What turns the crank"
HIGHEST_ORDER = 12.0
ROUND_OFF = 1e-9  # of the largest amplitude: smaller ones are 0
MOST_LABELS = 4  # of bars by order
LABEL_SHARE = 0.05  # of the largest amplitude: smaller bars have no label
_LEFT_IN, _RIGHT_IN, _BELOW_IN, _GAP_IN = 0.78, 0.2, 0.48, 0.16
_WHOLE: dict[str, Any] = {"color": INK, "lw": 1.6}
_MEAN: dict[str, Any] = {"color": "#0072b2", "lw": 1.4, "ls": (0, (8, 2, 1.5, 2))}
_GAS: dict[str, Any] = {"color": "#5a5a5a", "lw": 0.8, "ls": (0, (3.5, 2.2))}


@dataclass(frozen=True, kw_only=True, slots=True)
class FiringView:
    """Cylinders that fire at one crank angle. [deg]"""

    angle_deg: float
    cylinders: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class TorqueView:
    """Torque over the cycle and by order.

    Attributes
    ----------
    speed_rpm, cycle_deg : float
        [1/min], [deg]
    first : str
        Cylinder from whose firing angles count.
    angles_deg, torque_Nm, gas_Nm : tuple of float
        Over the cycle, both ends included: torque of the engine, and gas torque of the first
        cylinder alone. [deg] and [N m]
    firings : tuple of FiringView
        By rising angle.
    orders, amplitudes_Nm : tuple of float
        [-] and [N m]
    mean_Nm, ripple_Nm, energy_J : float
        Scores of `evaluate.torque`. [N m] and [J]
    flywheel_kgm2, coefficient : float
        Moment of inertia of all that turns, and the fluctuation of speed that it leaves.
        [kg m^2] and [-]
    combustion : str
        Where the pressure comes from, as a sentence.
    """

    speed_rpm: float
    cycle_deg: float
    first: str
    angles_deg: tuple[float, ...]
    torque_Nm: tuple[float, ...]
    gas_Nm: tuple[float, ...]
    firings: tuple[FiringView, ...]
    orders: tuple[float, ...]
    amplitudes_Nm: tuple[float, ...]
    mean_Nm: float
    ripple_Nm: float
    energy_J: float
    flywheel_kgm2: float
    coefficient: float
    combustion: str

    @property
    def largest_order(self) -> float:
        """Return the order of the largest amplitude. [-]"""
        return self.orders[int(np.argmax(self.amplitudes_Nm))]


def torque_view(layout: Layout) -> TorqueView | None:
    """Return the torque of a layout as plain data; None where the bore is unknown."""
    engine = layout.engine
    if not np.isfinite(engine.bore_m):
        return None
    fired_deg = layout.firing_angles_deg[np.newaxis]
    gas_Nm, inertia_Nm = duty.torques_Nm(engine)
    one_Nm = gas_Nm + inertia_Nm
    whole_Nm = torque.engine_torque_Nm(engine, fired_deg, one_Nm)
    measures = torque.torque_measures(engine, fired_deg, one_Nm)
    spectrum = torque.torque_by_order(whole_Nm, engine.cycle_deg, highest_order=HIGHEST_ORDER)
    amplitudes_Nm = spectrum.amplitude_Nm[0]
    amplitudes_Nm[amplitudes_Nm < ROUND_OFF * float(np.abs(one_Nm).max())] = 0.0
    energy_J, coefficient = float(measures.energy_J[0]), engine.duty.speed_fluctuation
    flywheel = torque.flywheel_inertia_kgm2(energy_J, engine.speed_rad_s, coefficient)
    angles_deg = np.linspace(0, engine.cycle_deg, len(one_Nm) + 1)
    return TorqueView(
        speed_rpm=units.rpm_from_rad_s(engine.speed_rad_s),
        cycle_deg=engine.cycle_deg,
        first=layout.labels[0],
        angles_deg=tuple(angles_deg.tolist()),
        torque_Nm=_closed(whole_Nm[0]),
        gas_Nm=_closed(gas_Nm),
        firings=_firings(layout),
        orders=tuple(spectrum.orders.tolist()),
        amplitudes_Nm=tuple(amplitudes_Nm.tolist()),
        mean_Nm=float(measures.mean_Nm[0]),
        ripple_Nm=float(measures.ripple_Nm[0]),
        energy_J=energy_J,
        flywheel_kgm2=float(flywheel),
        coefficient=coefficient,
        combustion=combustion_text(layout),
    )


def combustion_text(layout: Layout) -> str:
    """Return where the cylinder pressure comes from, as a sentence."""
    given = layout.engine.duty
    if given.trace is not None:
        return "Cylinder pressure: the measured trace that the layout names."
    trace = duty.trace_of(layout.engine)
    bar = torque.indicated_mep_Pa(layout.engine, trace) / 1e5
    mean = f"indicated mean effective pressure {amount_text(bar)}\u00a0bar"
    if given.combustion is None:
        return f"Combustion is assumed, not given: {mean}."
    if any("mean effective pressure" in sentence for sentence in layout.duty_assumed):
        return f"Combustion as given, but for the pressure: {mean} is assumed."
    return f"Combustion as given: {mean}."


def _closed(values: np.ndarray) -> tuple[float, ...]:
    return tuple(np.append(values, values[0]).tolist())


def _firings(layout: Layout) -> tuple[FiringView, ...]:
    fired = sorted(zip(layout.firing_angles_deg.tolist(), layout.labels, strict=True))
    together = groupby(fired, key=lambda one: round(one[0] / SNAP_DEG))
    return tuple(
        FiringView(angle_deg=same[0][0], cylinders=tuple(label for _, label in same))
        for same in ([*group] for _, group in together)
    )


# Drawing --------------------------------------------------------------------------------------


@matplotlib_style.context(STYLE)
def torque_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return the torque of the crank over the cycle, and below it its amplitudes by order.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`; without a bore the picture says so in words.
    width_in : float
        Width of the picture. [in]
    """
    view = torque_view(layout)
    if view is None:
        return words_picture(width_in, title=TITLE, subtitle=layout.name, words=BORE_UNKNOWN)
    across_in = room_in(width_in) - _LEFT_IN - _RIGHT_IN
    middles_in = [across_in * f.angle_deg / view.cycle_deg for f in view.firings]
    texts = [", ".join(firing.cylinders) for firing in view.firings]
    rows = rows_of(middles_in, texts)
    labels_in = line_in() * (1 + max(rows)) + 0.06
    over_in, by_order_in = (2.3, 1.3) if width_in > 5.6 else (2.0, 1.3)
    height_in = labels_in + over_in + _BELOW_IN + _GAP_IN + by_order_in + _BELOW_IN
    place = frame(
        width_in,
        height_in,
        title=TITLE,
        subtitle=f"{layout.name}, at {number_text(round(view.speed_rpm, 1))} rpm",
        key=_key(view),
        notes=_notes(view),
        is_estimate=True,
    )
    low_in = 2 * _BELOW_IN + _GAP_IN + by_order_in
    axes = place.axes(_LEFT_IN, low_in, size_in=(across_in, over_in))
    _draw_cycle(axes, view)
    _draw_firings(place, middles_in, texts, rows, up_in=low_in + over_in + 0.03)
    axes = place.axes(_LEFT_IN, _BELOW_IN, size_in=(across_in, by_order_in))
    _draw_bars(axes, view, across_in)
    return place.figure


def _key(view: TorqueView) -> list[Entry]:
    return [
        (Line2D([], [], **_WHOLE), "gas and inertia"),
        (Line2D([], [], **_MEAN), "its mean"),
        (Line2D([], [], **_GAS), f"gas of cylinder {view.first} alone"),
    ]


def _notes(view: TorqueView) -> tuple[str, ...]:
    share = f"{100 * view.coefficient:.3g}\u00a0%"
    return (
        f"Mean {amount_text(view.mean_Nm)}\u00a0N·m; ripple, the highest less the lowest, "
        f"{amount_text(view.ripple_Nm)}\u00a0N·m; fluctuation of energy "
        f"{amount_text(view.energy_J)}\u00a0J in a cycle.",
        f"With {inertia_text(view.flywheel_kgm2)}\u00a0kg·m² in all that turns, the speed varies "
        f"by {share} of its mean.",
        view.combustion,
    )


def inertia_text(inertia_kgm2: float) -> str:
    """Return a moment of inertia to three digits, however small."""
    return number_text(float(f"{inertia_kgm2:.3g}"))


def _draw_cycle(axes: Axes, view: TorqueView) -> None:
    for firing in view.firings:
        axes.axvline(firing.angle_deg, **GRID)
    axes.axhline(0, color="#555555", lw=0.8, zorder=1)
    axes.plot(view.angles_deg, view.gas_Nm, **_GAS)
    axes.plot(view.angles_deg, view.torque_Nm, **_WHOLE)
    axes.axhline(view.mean_Nm, zorder=3, **_MEAN)
    axes.set_xlim(0, view.cycle_deg)
    axes.set_xticks(np.arange(0, view.cycle_deg + 1, 90 if view.cycle_deg == TURN_DEG else 180))
    number_axis(axes.yaxis, 6)
    axes.set_xlabel(f"crank angle after cylinder {view.first} fires [deg]")
    axes.set_ylabel("torque [N·m]")


def _draw_firings(
    place: Frame, middles_in: list[float], texts: list[str], rows: list[int], *, up_in: float
) -> None:
    height_in = place.height_in - up_in
    axes = place.canvas(0, up_in, size_in=(place.width_in, height_in))
    axes.text(0, 0.5 * line_in(), "fires", va="center", size=TEXT_PT)
    for middle_in, text, row in zip(middles_in, texts, rows, strict=True):
        up = (row + 0.5) * line_in()
        axes.text(_LEFT_IN + middle_in, up, text, ha="center", va="center", size=TEXT_PT)


def _draw_bars(axes: Axes, view: TorqueView, across_in: float) -> None:
    sizes = np.array(view.amplitudes_Nm)
    largest = float(sizes.max())
    step = view.orders[0]
    axes.bar(view.orders, sizes, 0.62 * step, fc="#8fb8d8", ec=INK, lw=0.8)
    reach = (0.0, view.orders[-1] + step)
    ranked = [i for i in np.argsort(-sizes, kind="stable") if sizes[i] > LABEL_SHARE * largest]
    ranked = ranked[:MOST_LABELS]
    texts = [amount_text(float(sizes[i])) for i in ranked]
    middles_in = [across_in * view.orders[i] / reach[1] for i in ranked]
    for kept in clear_of_each_other(middles_in, texts):
        top = sizes[ranked[kept]] + 0.03 * largest
        place = (view.orders[ranked[kept]], top)
        axes.text(*place, texts[kept], ha="center", va="bottom", size=TEXT_PT)
    axes.set(xlim=reach, ylim=(0, 1.25 * largest or 1.0))
    axes.set_xticks(np.arange(1, view.orders[-1] + 1e-9))
    number_axis(axes.yaxis, 4)
    axes.set_xlabel("order [per turn]")
    axes.set_ylabel("amplitude [N·m]")
