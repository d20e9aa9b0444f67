"""Where the shaft resonates: orders over speed, natural frequencies, criticals and twist."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from evaluate import duty
from evaluate.layout import Layout
from evaluate.torsion import Campbell, Critical, campbell, natural_modes
from evaluate.torsion_chain import Chain
from optimize.pictures.drawing import (
    DPI,
    INK,
    STYLE,
    Entry,
    amount_text,
    number_text,
    place_labels,
    spread,
)
from optimize.pictures.frame import TEXT_PT, Frame, frame, line_in, room_in, text_in
from optimize.pictures.graphs import clear_of_each_other, number_axis, words_picture

TITLE = "Where the shaft resonates"
BORE_UNKNOWN = (
    "Bore unknown: without it the shaft has no size, and the layout states no inertias and "
    "stiffnesses."
)
MOST_MAJORS = 8  # with more of them none is more important than the others
MOST_NAMED = 4  # other orders that have their number beside the ray
MOST_AMOUNTS = 3  # criticals whose twist is written beside them
BESIDE_PEAK = 0.06  # of its speed: so far aside the twist is that beside a peak
FAR = 2.0  # a natural frequency above so many times the highest ray is told in words only
_LEFT_IN, _RIGHT_IN, _BELOW_IN, _GAP_IN, _RAYS_IN = 0.72, 0.45, 0.48, 0.14, 0.22
_LEVEL: dict[str, Any] = {"color": "#0072b2", "lw": 1.4, "ls": (0, (6, 2.5))}
_MAJOR: dict[str, Any] = {"color": INK, "lw": 1.7}
_MINOR: dict[str, Any] = {"color": "#999999", "lw": 0.8}
_DOT: dict[str, Any] = {"ls": "", "marker": "o", "mec": INK, "mew": 1.1}
_BOX: dict[str, Any] = {"boxstyle": "square,pad=0.08", "fc": "white", "ec": "none", "alpha": 0.85}


@dataclass(frozen=True, kw_only=True, slots=True)
class RayView:
    """An order over speed: whether all cylinders excite in phase, whether its number is shown."""

    order: float
    is_major: bool
    is_named: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class CampbellView:
    """What can resonate in the running range.

    Attributes
    ----------
    range_rpm : tuple of two float
        Running range. [1/min]
    top_Hz : float
        Upper end of the picture. [Hz]
    frequencies_Hz : tuple of float
        Natural frequencies, rising: the lowest, and all that an order can meet. [Hz]
    rays : tuple of RayView
        By rising order.
    criticals : tuple of Critical
        All in the range, by falling speed.
    speeds_rpm, twist_deg : tuple of float
        Largest amplitude of a single order over speed; empty without damping. [1/min], [deg]
    highest_order : float
        Orders above it are left out. [-]
    words : tuple of str
        The worst critical, and where shaft and damping come from.
    """

    range_rpm: tuple[float, float]
    top_Hz: float
    frequencies_Hz: tuple[float, ...]
    rays: tuple[RayView, ...]
    criticals: tuple[Critical, ...]
    speeds_rpm: tuple[float, ...]
    twist_deg: tuple[float, ...]
    highest_order: float
    words: tuple[str, ...]

    @property
    def worst(self) -> Critical | None:
        """Return the critical with the largest twist."""
        return max(self.criticals, key=_twist, default=None)

    @property
    def levels_Hz(self) -> tuple[float, ...]:
        """Return the natural frequencies that lie within the picture. [Hz]"""
        return tuple(f for f in self.frequencies_Hz if f < self.top_Hz)


def campbell_view(layout: Layout) -> CampbellView | None:
    """Return orders, natural frequencies and criticals; None where the shaft is unknown."""
    engine, givens = layout.engine, layout.engine.duty.torsion
    if givens.chain is None and not math.isfinite(engine.bore_m):
        return None
    chain = givens.chain_of(
        engine,
        rotating_fraction=float(layout.batch.rotating_fraction[0]),
        reciprocating_fraction=float(layout.batch.reciprocating_fraction[0]),
    )
    found = campbell(
        chain,
        layout.firing_angles_deg,
        cycle_deg=engine.cycle_deg,
        range_rad_s=givens.range_rad_s(engine),
        excited=duty.excitation_of(engine) if chain.is_damped else None,
        highest_order=givens.highest_order,
    )
    low_rpm, high_rpm = float(found.speeds_rpm[0]), float(found.speeds_rpm[-1])
    highest_ray_Hz = float(found.orders[-1]) * high_rpm / 60
    lowest_Hz = float(natural_modes(chain).frequencies_rad_s[0]) / (2 * math.pi)
    frequencies_Hz = tuple(found.natural_frequencies_Hz.tolist()) or (lowest_Hz,)
    majors = dict(zip(found.orders.tolist(), found.is_major.tolist(), strict=True))
    twist_deg = found.twist_deg.max(axis=0)
    is_known = bool(np.isfinite(twist_deg).all())
    return CampbellView(
        range_rpm=(low_rpm, high_rpm),
        top_Hz=_top_Hz(frequencies_Hz[-1], highest_ray_Hz),
        frequencies_Hz=frequencies_Hz,
        rays=_rays(majors, found.criticals),
        criticals=found.criticals,
        speeds_rpm=tuple(found.speeds_rpm.tolist()) if is_known else (),
        twist_deg=tuple(twist_deg.tolist()) if is_known else (),
        highest_order=float(found.orders[-1]),
        words=(
            _worst_text(found.criticals, (low_rpm, high_rpm), float(found.orders[-1]), lowest_Hz),
            *_most_text(found),
            _givens_text(layout, chain),
        ),
    )


def _top_Hz(highest_level_Hz: float, highest_ray_Hz: float) -> float:
    """Return the upper end of the picture: above the levels, without much room above the rays."""
    if highest_level_Hz > FAR * highest_ray_Hz:
        return 1.08 * highest_ray_Hz
    least_Hz = max(highest_ray_Hz, 1.08 * highest_level_Hz)
    return min(1.2 * highest_level_Hz, 1.08 * least_Hz)


def _twist(critical: Critical) -> float:
    return critical.twist_deg if math.isfinite(critical.twist_deg) else critical.phase_vector_sum


def _rays(majors: dict[float, bool], criticals: tuple[Critical, ...]) -> tuple[RayView, ...]:
    """Return the rays worth drawing: of criticals, few majors, and the highest order."""
    major = {order for order, is_major in majors.items() if is_major}
    if len(major) > MOST_MAJORS:
        major = {c.order for c in criticals if c.is_major}
    ranked = sorted(criticals, key=lambda c: -_twist(c))
    of_criticals = [*dict.fromkeys(c.order for c in ranked)]
    highest = max(majors)
    shown = sorted({*of_criticals, *major, highest})
    named = {*[order for order in of_criticals if order not in major][:MOST_NAMED]}
    named |= major if len(major) <= MOST_MAJORS else {*of_criticals[:MOST_NAMED]}
    named |= set() if criticals else {highest}
    return tuple(
        RayView(order=order, is_major=majors[order], is_named=order in named) for order in shown
    )


def _worst_text(
    criticals: tuple[Critical, ...],
    range_rpm: tuple[float, float],
    highest_order: float,
    lowest_Hz: float,
) -> str:
    within = f"between {_rpm(range_rpm[0])} and {_rpm(range_rpm[1])}\u00a0rpm"
    if not criticals:
        return (
            f"No order up to {highest_order:g} meets a natural frequency {within}; the lowest is "
            f"{amount_text(lowest_Hz)}\u00a0Hz."
        )
    worst = max(criticals, key=_twist)
    count = "One critical speed" if len(criticals) == 1 else f"{len(criticals)} critical speeds"
    kind = "major" if worst.is_major else "minor"
    if not math.isfinite(worst.twist_deg):
        return f"{count} {within}; nothing damps the shaft, so that no amplitude can be computed."
    text = (
        f"{count} {within}. The worst: {kind} order {worst.order:g} at {_rpm(worst.speed_rpm)}"
        f"\u00a0rpm with {twist_text(worst.twist_deg)} of twist"
    )
    if math.isfinite(worst.stress_MPa):
        text += f" and {amount_text(worst.stress_MPa)}\u00a0MPa"
    return f"{text}."


def _most_text(found: Campbell) -> tuple[str, ...]:
    """Return where most twist is, if that is not at a critical speed of its order."""
    if np.isnan(found.twist_deg).any():
        return ()
    row, column = np.unravel_index(found.twist_deg.argmax(), found.twist_deg.shape)
    most_deg = float(found.twist_deg[row, column])
    if any(c.twist_deg > 0.99 * most_deg for c in found.criticals):
        return ()
    return (
        f"Most twist of all: {twist_text(most_deg)} of order {found.orders[row]:g} at "
        f"{_rpm(float(found.speeds_rpm[column]))}\u00a0rpm.",
    )


def _givens_text(layout: Layout, chain: Chain) -> str:
    text = "Inertias and stiffnesses as stated"
    if layout.engine.duty.torsion.chain is None:
        text = "Shaft, flywheel and damping are from proportions where the layout states none"
    if not math.isfinite(layout.engine.bore_m):
        text += "; bore unknown, so that only inertia excites"
    ring = "" if chain.damper is None else "; with a damper at the free end"
    return f"{text}{ring}. Twist: amplitude of one order, free end against driving end."


def twist_text(twist_deg: float) -> str:
    """Return an amplitude of twist to two digits, without a power of ten."""
    if twist_deg < 0.0005:
        return "<0.001°"
    return f"{twist_deg:.{max(0, 1 - math.floor(math.log10(twist_deg)))}f}°"


def _rpm(speed_rpm: float) -> str:
    return number_text(round(speed_rpm))


# Drawing --------------------------------------------------------------------------------------


@matplotlib_style.context(STYLE)
def campbell_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return orders over speed with natural frequencies and criticals; below, twist over speed.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`; where the shaft is unknown the picture says so in words.
    width_in : float
        Width of the picture. [in]
    """
    view = campbell_view(layout)
    if view is None:
        return words_picture(width_in, title=TITLE, subtitle=layout.name, words=BORE_UNKNOWN)
    across_in = room_in(width_in) - _LEFT_IN - _RIGHT_IN
    rays_in, twist_in = (2.5, 1.1) if width_in > 5.6 else (2.6, 1.2)
    twist_in = twist_in if view.twist_deg else -_GAP_IN
    place = frame(
        width_in,
        _RAYS_IN + rays_in + _GAP_IN + twist_in + _BELOW_IN,
        title=TITLE,
        subtitle=f"{layout.name}, from {_rpm(view.range_rpm[0])} to {_rpm(view.range_rpm[1])} rpm",
        key=_key(view),
        notes=(*view.words, "Numbers at rays and peaks: orders, in vibrations per turn."),
        is_estimate=True,
    )
    low_in = _BELOW_IN + twist_in + _GAP_IN
    upper = place.axes(_LEFT_IN, low_in, size_in=(across_in, rays_in))
    _draw_rays(upper, view)
    _name_rays(place, view, (_LEFT_IN, low_in), (across_in, rays_in))
    _draw_criticals(upper, view)
    lowest = upper
    if view.twist_deg:
        lowest = place.axes(_LEFT_IN, _BELOW_IN, size_in=(across_in, twist_in))
        _draw_twist(lowest, view, across_in)
        upper.tick_params(axis="x", labelbottom=False)
    lowest.set_xlabel("crank speed [rpm]")
    return place.figure


def _key(view: CampbellView) -> list[Entry]:
    entries: list[Entry] = []
    if any(ray.is_major for ray in view.rays):
        entries.append((Line2D([], [], **_MAJOR), "major order: all cylinders in phase"))
    if not all(ray.is_major for ray in view.rays):
        entries.append((Line2D([], [], **_MINOR), "other order"))
    if view.levels_Hz:
        entries.append((Line2D([], [], **_LEVEL), "natural frequency"))
    if any(critical.is_major for critical in view.criticals):
        entries.append((Line2D([], [], ms=8, mfc=INK, **_DOT), "its critical; area by twist"))
    if not all(critical.is_major for critical in view.criticals):
        mark = Line2D([], [], ms=6, mfc="white", **_DOT)
        entries.append((mark, "critical of another order; area by twist"))
    return entries


def _draw_rays(axes: Axes, view: CampbellView) -> None:
    speeds = np.array(view.range_rpm)
    for ray in view.rays:
        axes.plot(speeds, ray.order * speeds / 60, **(_MAJOR if ray.is_major else _MINOR))
    for frequency_Hz in view.levels_Hz:
        axes.axhline(frequency_Hz, zorder=3, **_LEVEL)
    axes.set(xlim=view.range_rpm, ylim=(0, view.top_Hz))
    for axis in (axes.xaxis, axes.yaxis):
        number_axis(axis, 5)
    axes.set_ylabel("frequency [Hz]")


def _name_rays(
    place: Frame,
    view: CampbellView,
    corner_in: tuple[float, float],
    size_in: tuple[float, float],
) -> None:
    """Write orders where their rays leave the picture: at the right, or above it."""
    low_rpm, high_rpm = view.range_rpm
    across_in, up_in = size_in
    axes = place.canvas(size_in=(place.width_in, place.height_in))
    named = [ray for ray in view.rays if ray.is_named]
    right = [ray for ray in named if ray.order * high_rpm / 60 <= view.top_Hz]
    ends_in = [up_in * ray.order * high_rpm / 60 / view.top_Hz for ray in right]
    for ray, end_in in zip(right, spread(ends_in, line_in(), 0, up_in), strict=True):
        spot = (corner_in[0] + across_in + 0.07, corner_in[1] + end_in)
        axes.text(*spot, f"{ray.order:g}", va="center", size=TEXT_PT, weight=_weight(ray.is_major))
    above = [ray for ray in named if ray.order * high_rpm / 60 > view.top_Hz]
    widest_in = max((text_in(f"{ray.order:g}", TEXT_PT, "bold") for ray in above), default=0.0)
    ends_in = [
        across_in * (60 * view.top_Hz / ray.order - low_rpm) / (high_rpm - low_rpm) for ray in above
    ]
    for ray, end_in in zip(above, spread(ends_in, widest_in + 0.06, 0, across_in), strict=True):
        spot = (corner_in[0] + end_in, corner_in[1] + up_in + 0.5 * _RAYS_IN)
        text = f"{ray.order:g}"
        weight = _weight(ray.is_major)
        axes.text(*spot, text, ha="center", va="center", size=TEXT_PT, weight=weight)


def _weight(is_major: bool) -> str:
    return "bold" if is_major else "normal"


def _draw_criticals(axes: Axes, view: CampbellView) -> None:
    """Draw a mark for each critical and write the largest amplitudes and the modes beside them."""
    sizes_pt = _sizes_pt(view)
    for critical, size_pt in zip(view.criticals, sizes_pt, strict=True):
        fill = INK if critical.is_major else "white"
        spot = (critical.speed_rpm, critical.frequency_Hz)
        axes.plot(*spot, ms=size_pt, mfc=fill, zorder=4, clip_on=False, **_DOT)
    ranked = sorted(view.criticals, key=lambda c: -_twist(c))[:MOST_AMOUNTS]
    told = [c for c in ranked if math.isfinite(c.twist_deg)]
    wide_rpm = view.range_rpm[1] - view.range_rpm[0]
    spots = [(view.range_rpm[0] + 0.02 * wide_rpm, level) for level in view.levels_Hz]
    spots += [(c.speed_rpm, c.frequency_Hz) for c in told]
    texts = [f"mode {n}: {amount_text(f)} Hz" for n, f in enumerate(view.levels_Hz, start=1)]
    texts += [twist_text(c.twist_deg) for c in told]
    weights = ["normal"] * len(view.levels_Hz) + [_weight(c.is_major) for c in told]
    _write_beside(axes, view, spots, texts, weights, sizes_pt)


def _sizes_pt(view: CampbellView) -> list[float]:
    """Return diameters of marks, areas by amplitude of twist. [pt]"""
    if view.worst is None:
        return []
    largest = _twist(view.worst)
    return [3.5 + 9.0 * math.sqrt(_twist(c) / largest) if largest else 3.5 for c in view.criticals]


def _write_beside(
    axes: Axes,
    view: CampbellView,
    spots: list[tuple[float, float]],
    texts: list[str],
    weights: list[str],
    sizes_pt: list[float],
) -> None:
    if not spots:
        return
    figure = axes.get_figure(root=True)
    assert figure is not None
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    written = [
        axes.text(
            0, 0, text, ha="center", va="center", size=TEXT_PT, weight=weight, zorder=6, bbox=_BOX
        )
        for text, weight in zip(texts, weights, strict=True)
    ]
    boxes = [text.get_window_extent(renderer) for text in written]
    sizes = np.array([(box.width, box.height) for box in boxes])
    marks = [(c.speed_rpm, c.frequency_Hz) for c in view.criticals]
    obstacles = np.empty((0, 3))
    if marks:
        radii = 0.5 * np.array(sizes_pt) * DPI / 72 + 3
        obstacles = np.column_stack([axes.transData.transform(marks), radii])
    along = np.linspace(*view.range_rpm, 60)
    for level in view.levels_Hz:  # the line of a mode is to be seen beside its name
        line = axes.transData.transform(np.column_stack([along, np.full(60, level)]))
        obstacles = np.concatenate([obstacles, np.column_stack([line, np.full(60, 2.0)])])
    box = axes.get_window_extent(renderer)
    bounds = np.array([box.x0 + 4, box.y0 + 4, box.x1 - 4, box.y1 - 4])
    anchors = axes.transData.transform(spots)
    to_data = axes.transData.inverted()
    middles = place_labels(anchors, sizes + 4, obstacles, bounds)
    for text, middle in zip(written, middles, strict=True):
        text.set_position(tuple(to_data.transform(middle)))


def _peaks(view: CampbellView) -> list[Critical]:
    """Return the criticals that are peaks of the largest twist over speed, highest first."""
    largest = max(view.twist_deg)
    found = []
    for critical in view.criticals:
        aside_rpm = critical.speed_rpm * np.array([1 - BESIDE_PEAK, 1.0, 1 + BESIDE_PEAK])
        before, here, after = np.interp(aside_rpm, view.speeds_rpm, view.twist_deg)
        is_own = critical.twist_deg > 0.95 * here  # else another order twists more
        if is_own and critical.twist_deg > max(1.15 * min(before, after), 0.1 * largest):
            found.append(critical)
    return sorted(found, key=lambda critical: -critical.twist_deg)


def _draw_twist(axes: Axes, view: CampbellView, across_in: float) -> None:
    twist = np.array(view.twist_deg)
    axes.plot(view.speeds_rpm, twist, color=INK, lw=1.4)
    largest = float(twist.max())
    low_rpm, high_rpm = view.range_rpm
    peaks = _peaks(view)
    middles_in = [across_in * (c.speed_rpm - low_rpm) / (high_rpm - low_rpm) for c in peaks]
    texts = [f"{c.order:g}" for c in peaks]
    for kept in clear_of_each_other(middles_in, texts):
        peak = peaks[kept]
        axes.text(
            peak.speed_rpm,
            peak.twist_deg + 0.04 * largest,
            texts[kept],
            ha="center",
            va="bottom",
            size=TEXT_PT,
            weight=_weight(peak.is_major),
        )
    axes.set(xlim=view.range_rpm, ylim=(0, 1.3 * largest or 1.0))
    number_axis(axes.xaxis, 5)
    number_axis(axes.yaxis, 3)
    axes.set_ylabel("twist [deg]")
