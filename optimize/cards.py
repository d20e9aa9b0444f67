"""The picture of one layout: crank, firing and exhaust, what stays unbalanced, places along it.

Each panel is two functions: a ``..._view`` that decides and returns plain data, and one that
draws the view as it stands. Cylinders and throws are told apart by their numerals.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from evaluate import firing, inertia, units
from evaluate.batch import SLOTS
from evaluate.layout import Layout, order_text
from evaluate.metrics import Evaluation
from evaluate.numbering import natural_key
from optimize.plots import (
    BOTTOM_IN,
    INK,
    LINE_IN,
    STYLE,
    TOP_IN,
    axes_at,
    number_text,
    sheet,
    spread,
    subtitle_lines,
)

SAME_DEG = 0.01  # directions nearer than this are one direction in the picture
ROUND_OFF = 1e-9  # of the inertia force of one cylinder: smaller forces and couples are 0
MOST_PINS_WITH_ANGLES = 14  # beyond it only throw numbers fit round the crank
STRIP_IN = 7.3  # width of the panels on the right
FORWARD, BACKWARD, OPEN, METAL = "#0072b2", "#f0b04a", "#a9d3ee", "#5a5a5a"
_Entry = tuple[Patch | Line2D | tuple[Line2D, ...], str]
_OVERLAP: dict[str, Any] = {"fc": "#c4c4c4", "ec": INK, "hatch": "/////", "lw": 0.6}
_AXIS: dict[str, Any] = {"lw": 1.1, "ls": (0, (7, 3, 1, 3)), "zorder": 1}


@dataclass(frozen=True, kw_only=True, slots=True)
class PinView:
    """Crankpins in one direction: throw numbers, angle, and where they are seen and labelled.

    `picture_deg` and `label_deg` count clockwise from straight up, as drawn.
    """

    throws: tuple[int, ...]
    angle_deg: float
    picture_deg: float
    label_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class BankView:
    """A bank axis: its number, its angle, and where it is seen clockwise from straight up."""

    number: int
    angle_deg: float
    picture_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class CrankView:
    """The crank from the free end at crank angle 0, real axis up."""

    pins: tuple[PinView, ...]
    banks: tuple[BankView, ...]
    is_mirrored: bool
    note: str


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


@dataclass(frozen=True, kw_only=True, slots=True)
class CylinderView:
    """A cylinder along the crank, the height of its pin, and the place of its row.

    Rows 1, 2, ... stand above the crank, -1, -2, ... below it.
    """

    label: str
    position_mm: float
    pin_height_mm: float
    row: int


@dataclass(frozen=True, kw_only=True, slots=True)
class SideView:
    """The crank from the side at crank angle 0."""

    throws_mm: tuple[tuple[int, float, float], ...]  # number, position, height
    mains_mm: tuple[float, ...]
    path_mm: tuple[tuple[float, float], ...]
    cylinders: tuple[CylinderView, ...]
    rows: tuple[tuple[int, str], ...]
    radius_mm: float
    bore_mm: float
    note: str


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
    upper_in = max(3.8, 0.2 * _strip_height(strip))
    bottom_in, lower_in, right_in = BOTTOM_IN + 0.95, 3.4, 6.7
    upper_bottom_in = bottom_in + lower_in + 1.25
    width_in = right_in + STRIP_IN + 0.4
    n_further = max(0, len(subtitle_lines(subtitle, width_in)) - 1)
    height_in = upper_bottom_in + upper_in + TOP_IN + 0.25 + LINE_IN * n_further
    figure = sheet(width_in, height_in, title=title, subtitle=subtitle)
    crank_axes = axes_at(figure, 0.2, upper_bottom_in + upper_in - 3.8, 5.2, 3.8)
    _draw_crank(crank_axes, crank_view(layout), height_in=3.8)
    strip_axes = axes_at(figure, right_in, upper_bottom_in, STRIP_IN, upper_in)
    _draw_strip(strip_axes, strip, height_in=upper_in)
    bars_in = lower_in - 0.7
    small = [axes_at(figure, left_in, bottom_in, 2.1, bars_in) for left_in in (0.75, 3.5)]
    _draw_balance(small, balance_view(layout, evaluation), height_in=bars_in)
    side_axes = axes_at(figure, right_in, bottom_in, STRIP_IN, lower_in)
    _draw_side(side_axes, side_view(layout), height_in=lower_in)
    return figure


# Views ----------------------------------------------------------------------------------------


def crank_view(layout: Layout) -> CrankView:
    """Return pins and bank axes as seen from the free end; mirrored for an anticlockwise crank."""
    is_mirrored = layout.rotation == "anticlockwise"
    sense = -1 if is_mirrored else 1
    groups: list[tuple[float, list[int]]] = []
    for throw, angle_deg in enumerate(_throw_angles_deg(layout), start=1):
        for known_deg, members in groups:
            if abs((angle_deg - known_deg + 180) % 360 - 180) < SAME_DEG:
                members.append(throw)
                break
        else:
            groups.append((angle_deg, [throw]))
    pictures_deg = [float(sense * angle_deg % 360) for angle_deg, _ in groups]
    labels_deg = _spread_round(pictures_deg, 360 / max(12, 1.25 * len(groups)))
    pins = [
        PinView(
            throws=tuple(members),
            angle_deg=float(angle_deg % 360),
            picture_deg=picture_deg,
            label_deg=label_deg,
        )
        for (angle_deg, members), picture_deg, label_deg in zip(
            groups, pictures_deg, labels_deg, strict=True
        )
    ]
    banks = [
        BankView(number=number, angle_deg=float(a), picture_deg=float(sense * a % 360))
        for number, a in enumerate(layout.batch.bank_angles_deg[0], start=1)
    ]
    note = f"turns {layout.rotation}, seen from the free end"
    if is_mirrored:
        note += ";\npicture mirrored: angles still grow with the rotation"
    return CrankView(pins=tuple(pins), banks=tuple(banks), is_mirrored=is_mirrored, note=note)


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
        order="-".join(order_text(layout.labels, angles_deg)),
        firings=firings,
        intervals=_gaps([mark.angle_deg for mark in firings], cycle_deg),
        collectors=tuple(collectors),
        open_duration_deg=layout.engine.open_duration_deg,
    )


def balance_view(layout: Layout, evaluation: Evaluation) -> BalanceView:
    """Return force and couple by order before balancing and after it."""
    engine, batch = layout.engine, layout.batch
    per_kg = inertia.pin_sums(engine, evaluation.pins)
    force_scale = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    before, left = evaluation.reciprocating, evaluation.residual
    parts = []
    for name, unit, raw, after, turning, arm in (
        ("force", "N", before.force, left.force, per_kg[0], 1.0),
        ("couple", "N·m", before.couple, left.couple, per_kg[1], _arm_m(layout)),
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
        slot.name + ("" if share == 1 else f" ({_percent(share)})")
        for slot, share in zip(SLOTS, batch.shaft_fractions[0], strict=True)
        if share
    ]
    note = (
        f"counterweights: {_percent(batch.rotating_fraction[0])} of rotating, "
        f"{_percent(batch.reciprocating_fraction[0])} of reciprocating mass\n"
        f"balance shafts: {', '.join(shafts) if shafts else 'none'}"
    )
    return BalanceView(
        speed_rpm=units.rpm_from_rad_s(engine.speed_rad_s), parts=(parts[0], parts[1]), note=note
    )


def side_view(layout: Layout) -> SideView:
    """Return throws, main bearings and cylinders along the crank."""
    engine = layout.engine
    radius_mm = units.mm_from_m(engine.crank_radius_m)
    throws_mm = engine.throw_positions_m * units.MM_PER_M
    heights_mm = radius_mm * np.cos(np.deg2rad(_throw_angles_deg(layout)))
    bore_mm = units.mm_from_m(engine.bore_m)
    notes = ["places of the main bearings assumed", "rows of cylinders not to scale in height"]
    gaps_mm = np.diff(throws_mm)
    if not math.isfinite(bore_mm):
        bore_mm = _drawn_bore_mm(layout, default_mm=1.8 * radius_mm)
        notes.append("bore unknown, drawn to fit")
    ends_mm = 0.5 * float(gaps_mm.max()) if len(gaps_mm) else 0.6 * bore_mm
    mains_mm = _mains_mm(throws_mm, ends_mm, engine.n_mains, 0.9 * bore_mm)
    row_of = {bank: _row(bank) for bank in range(engine.n_banks)}
    angles_deg = layout.batch.bank_angles_deg[0]
    heights = dict(enumerate(np.round(heights_mm, 9) + 0.0))
    cylinders = [
        CylinderView(
            label=label,
            position_mm=_rounded(position_m * units.MM_PER_M),
            pin_height_mm=float(heights[int(throw)]),
            row=row_of[int(bank)],
        )
        for label, position_m, throw, bank in zip(
            layout.labels, engine.positions_m, engine.throws, layout.batch.banks[0], strict=True
        )
    ]
    return SideView(
        throws_mm=tuple((j + 1, _rounded(s), float(heights[j])) for j, s in enumerate(throws_mm)),
        mains_mm=tuple(_rounded(s) for s in mains_mm),
        path_mm=_path_mm(throws_mm, np.array(list(heights.values())), mains_mm),
        cylinders=tuple(cylinders),
        rows=tuple(
            (row_of[bank], f"bank {bank + 1}\n({_angle_text(angles_deg[bank])})")
            for bank in range(engine.n_banks)
        ),
        radius_mm=radius_mm,
        bore_mm=bore_mm,
        note="; ".join(notes),
    )


def _throw_angles_deg(layout: Layout) -> list[float]:
    """Return the angle of each throw, from a cylinder on it."""
    pins_deg = layout.batch.pin_angles_deg[0]
    throws = layout.engine.throws.tolist()
    return [float(pins_deg[throws.index(throw)]) for throw in range(layout.engine.n_throws)]


def _spread_round(angles_deg: Sequence[float], least_deg: float) -> list[float]:
    """Return angles on a circle moved apart to a least distance, in [0, 360). [deg]"""
    if len(angles_deg) < 2:
        return list(angles_deg)
    rising = sorted(angles_deg)
    gaps = [(rising[i] - rising[i - 1]) % 360 for i in range(len(rising))]
    cut = rising[gaps.index(max(gaps))]  # the row begins after the widest gap
    in_row = [(angle - cut) % 360 for angle in angles_deg]
    room = max(gaps) - least_deg
    placed = spread(in_row, least_deg, -0.5 * room, max(in_row) + 0.5 * room)
    return [round((cut + angle) % 360, 9) % 360 for angle in placed]


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


def _sizes(phasors: np.ndarray, least: float) -> tuple[float, ...]:
    return tuple(float(size) if size > least else 0.0 for size in np.abs(phasors))


def _arm_m(layout: Layout) -> float:
    """Return a length that turns a force into a couple of its scale: half the crank, in m."""
    return max(float(np.abs(layout.engine.positions_m).max()), layout.engine.crank_radius_m)


def _percent(share: float) -> str:
    return f"{100 * share:.4g} %"


def _amount_text(value: float) -> str:
    """Return a force or couple to three digits, without digits that mean nothing."""
    return "<0.01" if 0 < value < 0.01 else number_text(float(f"{value:.3g}"))


def _angle_text(angle_deg: float) -> str:
    return f"{round(angle_deg, 2) + 0.0:g}°"


def _rounded(value: float) -> float:
    return round(float(value), 6) + 0.0


def _row(bank: int) -> int:
    """Return 1, -1, 2, -2, ... for the banks 0, 1, 2, 3, ..."""
    return bank // 2 + 1 if bank % 2 == 0 else -(bank // 2 + 1)


def _drawn_bore_mm(layout: Layout, *, default_mm: float) -> float:
    """Return a width that keeps the cylinders of each bank apart where the bore is unknown."""
    widths = [default_mm]
    for bank in range(layout.engine.n_banks):
        own = layout.engine.positions_m[layout.batch.banks[0] == bank] * units.MM_PER_M
        gaps = np.diff(np.sort(own))
        widths += [0.85 * float(gap) for gap in gaps if gap > 0]
    return min(widths)


def _mains_mm(throws_mm: np.ndarray, ends_mm: float, n_mains: int, least_mm: float) -> list[float]:
    """Return one bearing at each end and the others in the gaps wide enough, else the widest."""
    gaps = list(enumerate(np.diff(throws_mm)))
    wide = [gap for gap in gaps if gap[1] >= least_mm]
    if len(wide) != n_mains - 2:
        middle = 0.5 * (len(gaps) - 1)
        wide = sorted(gaps, key=lambda g: (-round(g[1], 6), abs(g[0] - middle)))
        wide = wide[: max(0, n_mains - 2)]
    inner = sorted(0.5 * float(throws_mm[i] + throws_mm[i + 1]) for i, _ in wide)
    return [float(throws_mm[0]) - ends_mm, *inner, float(throws_mm[-1]) + ends_mm]


def _path_mm(
    throws_mm: np.ndarray, heights_mm: np.ndarray, mains_mm: Sequence[float]
) -> tuple[tuple[float, float], ...]:
    """Return the crank as a line: along pins at their height, along main journals at 0."""
    stations = [(float(s), float(h)) for s, h in zip(throws_mm, heights_mm, strict=True)]
    stations += [(s, 0.0) for s in mains_mm]
    stations.sort()
    path = [stations[0]]
    for (s0, h0), (s1, h1) in pairwise(stations):
        web_mm = 0.5 * (s0 + s1)
        path += [(_rounded(web_mm), h0), (_rounded(web_mm), h1)]
    path.append(stations[-1])
    return tuple((_rounded(s), h) for s, h in path)


# Drawing --------------------------------------------------------------------------------------


def _point(picture_deg: float, radius: float) -> tuple[float, float]:
    angle = math.radians(picture_deg)
    return radius * math.sin(angle), radius * math.cos(angle)


def _draw_crank(axes: Axes, view: CrankView, *, height_in: float) -> None:
    axes.set_axis_off()
    axes.set_title("Crank seen from the free end")
    axes.set(xlim=(-2.7, 2.7), ylim=(-2.0, 2.0), aspect="equal")
    round_deg = np.linspace(0, 360, 181)
    axes.plot(*_point_arrays(round_deg, 1.0), color=METAL, lw=1.0)
    for bank in view.banks:
        axes.plot(*zip((0, 0), _point(bank.picture_deg, 1.62), strict=True), color=METAL, **_AXIS)
        text = f"bank {bank.number}\n{_angle_text(bank.angle_deg)}"
        _tag(axes, _point(bank.picture_deg, 1.80), text, size=8.5)
    has_angles = len(view.pins) <= MOST_PINS_WITH_ANGLES
    for pin in view.pins:
        place = _point(pin.picture_deg, 1.0)
        axes.plot(*zip((0, 0), place, strict=True), color=METAL, lw=3.2, solid_capstyle="round")
        axes.plot(*zip(place, _point(pin.label_deg, 1.2), strict=True), color=METAL, lw=0.8)
        axes.plot(*place, marker="o", ms=10, mfc="white", mec=INK, mew=1.8, zorder=4)
        numbers = ", ".join(str(throw) for throw in pin.throws)
        if has_angles:
            numbers += f"\n{_angle_text(pin.angle_deg)}"
        _tag(axes, _point(pin.label_deg, 1.33), numbers, size=9.5, weight="bold")
    axes.plot(0, 0, marker="o", ms=13, mfc="white", mec=INK, mew=1.8, zorder=5)
    _draw_sense(axes, is_mirrored=view.is_mirrored)
    note = f"{view.note}\ndots: crankpins at crank angle 0, with throw numbers from the free end"
    below = -0.1 / height_in
    axes.text(0.5, below, note, transform=axes.transAxes, ha="center", va="top", size=8.5)


def _point_arrays(picture_deg: np.ndarray, radius: float) -> tuple[np.ndarray, np.ndarray]:
    angles = np.deg2rad(picture_deg)
    return radius * np.sin(angles), radius * np.cos(angles)


def _tag(
    axes: Axes, place: tuple[float, float], text: str, *, size: float, weight: str = "normal"
) -> None:
    axes.text(
        *place,
        text,
        ha="center",
        va="center",
        size=size,
        weight=weight,
        linespacing=1.05,
        zorder=6,
        bbox={"boxstyle": "square,pad=0.12", "fc": "white", "ec": "none", "alpha": 0.9},
    )


def _draw_sense(axes: Axes, *, is_mirrored: bool) -> None:
    """Draw the arrow of rotation inside the crank circle."""
    sense = -1 if is_mirrored else 1
    arc_deg = sense * np.linspace(15, 75, 41)
    axes.plot(*_point_arrays(arc_deg, 0.55), color="white", lw=5, zorder=2.5)
    axes.plot(*_point_arrays(arc_deg, 0.55), color=INK, lw=1.8, zorder=3)
    axes.annotate(
        "",
        _point(sense * 92, 0.55),
        _point(sense * 72, 0.55),
        arrowprops={"arrowstyle": "-|>,head_width=0.35,head_length=0.7", "color": INK, "lw": 1.8},
        zorder=3,
    )


def _strip_height(view: StripView) -> float:
    """Return the height of the strips in lanes."""
    return 2.1 - _base(view) + sum(collector.n_lanes + 2.6 for collector in view.collectors)


def _base(view: StripView) -> float:
    """Return where the line of the firings is drawn, below room for their numerals. [lanes]"""
    longest = max(len(mark.text) for mark in view.firings)
    return -1.2 - (0.45 * longest if _is_upright(view.firings, view.cycle_deg) else 1.0)


def _is_upright(marks: Sequence[MarkView], cycle_deg: float) -> bool:
    """Return whether texts in a row would touch unless they are turned upright."""
    n_characters = max(len(mark.text) for mark in marks)
    nearest_deg = min(np.diff(sorted(mark.angle_deg for mark in marks)), default=math.inf)
    needed_in = 0.075 * n_characters + 0.05
    return n_characters > 1 and bool(nearest_deg * STRIP_IN < needed_in * cycle_deg)


def _draw_strip(axes: Axes, view: StripView, *, height_in: float) -> None:
    """Draw rows from the top, in units of a lane."""
    heading = f"Firing order {view.order}"
    is_long = len(heading) > 66
    axes.set_title(textwrap.fill(heading, 80), size=8.5 if is_long else 10.5)
    base = _base(view)
    _write_row(axes, view.firings, base + 0.75, view.cycle_deg, ticks_from=base)
    axes.text(
        view.cycle_deg,
        base + 0.75,
        view.firings[0].text,
        ha="center",
        va="bottom",
        color="#777777",
        rotation=90 if _is_upright(view.firings, view.cycle_deg) else 0,
    )
    _write_row(axes, view.intervals, base - 0.8, view.cycle_deg)
    axes.plot([0, view.cycle_deg], [base, base], color=INK, lw=1.2)
    places, names = [base], ["firing,\nintervals"]
    top = base - 2.1
    for collector in view.collectors:
        for opening in collector.openings:
            _draw_opening(axes, opening, top - opening.lane)
        low = top - collector.n_lanes
        for start, end in collector.overlaps_deg:
            axes.add_patch(Rectangle((start, low - 0.45), end - start, 0.4, **_OVERLAP))
        _write_row(axes, collector.spacings, low - 1.25, view.cycle_deg)
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
    axes.set_xlabel("crank angle after the first firing [deg]; exhaust without its constant delay")
    entries: list[_Entry] = [
        (Patch(fc=OPEN, ec=INK), f"exhaust open for {view.open_duration_deg:g} deg")
    ]
    if any(collector.overlaps_deg for collector in view.collectors):
        entries.append((Patch(**_OVERLAP), "two or more open at once"))
    _legend(axes, entries, up=-0.52 / height_in, where="upper left")


def _legend(
    axes: Axes, entries: Sequence[_Entry], *, up: float, where: Literal["upper left", "lower right"]
) -> None:
    """Draw symbols and their meanings in one row, whose height is given as share of the axes."""
    axes.legend(
        handles=[handle for handle, _ in entries],
        labels=[text for _, text in entries],
        loc=where,
        bbox_to_anchor=(1.0 if "right" in where else 0.0, up),
        ncols=len(entries),
        frameon=False,
        fontsize=8.5,
        borderaxespad=0,
        borderpad=0.1,
        columnspacing=1.2,
        handlelength=1.6,
    )


def _write_row(
    axes: Axes,
    marks: Sequence[MarkView],
    up: float,
    cycle_deg: float,
    *,
    ticks_from: float | None = None,
) -> None:
    """Write texts in a row, turned upright where they would touch, and moved apart if need be."""
    places = [mark.angle_deg for mark in marks]
    least = 0.15 * cycle_deg / STRIP_IN
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
            rotation=90 if _is_upright(marks, cycle_deg) else 0,
        )
        if ticks_from is not None:
            axes.plot(
                [mark.angle_deg, mark.angle_deg, place],
                [ticks_from, ticks_from + 0.35, ticks_from + 0.65],
                color=INK,
                lw=1.2,
                clip_on=False,
            )


def _draw_opening(axes: Axes, opening: OpeningView, top: float) -> None:
    for start, end in opening.pieces_deg:
        axes.add_patch(
            Rectangle((start, top - 0.92), end - start, 0.84, fc=OPEN, ec=INK, lw=0.8, alpha=0.95)
        )
    start, end = max(opening.pieces_deg, key=lambda piece: piece[1] - piece[0])
    axes.text(0.5 * (start + end), top - 0.52, opening.label, ha="center", va="center", size=8.5)


def _draw_balance(small: Sequence[Axes], view: BalanceView, *, height_in: float) -> None:
    for axes, part in zip(small, view.parts, strict=True):
        _draw_orders(axes, part)
    left = small[0]
    heading = f"Free force and couple by order at {number_text(round(view.speed_rpm, 1))} rpm"
    up = 1 + 0.78 / height_in
    left.text(-0.25, up, heading, transform=left.transAxes, size=10.5, weight="bold", va="center")
    forward = Patch(fc=FORWARD, ec=INK, lw=0.5)
    backward = Patch(fc=BACKWARD, ec=INK, hatch="////", lw=0.5)
    rows: list[list[_Entry]] = [
        [(forward, "forward (with the crank)"), (backward, "backward (against it)")],
        [(Patch(fc="none", ec=INK), "before balancing; what remains is filled, and the number")],
    ]
    for row, entries in enumerate(rows):
        _legend(left, entries, up=1 + (0.62 - 0.22 * row) / height_in, where="upper left")
        drawn = left.get_legend()
        if row == 0 and drawn is not None:
            left.add_artist(drawn)  # a further legend would replace it
    left.text(-0.25, -0.6 / height_in, view.note, transform=left.transAxes, size=8.5, va="top")


def _draw_orders(axes: Axes, part: OrdersView) -> None:
    places = np.arange(len(part.orders))
    sides: tuple[tuple[float, tuple[float, ...], tuple[float, ...], dict[str, Any]], ...] = (
        (-0.2, part.forward_before, part.forward_left, {"fc": FORWARD}),
        (0.2, part.backward_before, part.backward_left, {"fc": BACKWARD, "hatch": "////"}),
    )
    largest = part.largest or 1.0
    for aside, before, left, look in sides:
        axes.barh(places + aside, left, 0.36, ec=INK, lw=0.5, **look)
        axes.barh(places + aside, before, 0.36, fc="none", ec=INK, lw=1.1)
        for place, outline, value in zip(places, before, left, strict=True):
            axes.text(
                max(outline, value) + 0.03 * largest,
                place + aside,
                _amount_text(value),
                va="center",
                size=8,
            )
    axes.set_ylim(len(places) - 0.5, -0.5)
    axes.set_yticks(places, [str(order) for order in part.orders])
    axes.set_xlim(0, 1.32 * largest)
    axes.set_ylabel("order [per turn]")
    axes.set_xlabel(f"{part.name} amplitude [{part.unit}]")
    axes.locator_params(axis="x", nbins=3)
    axes.xaxis.set_major_formatter(lambda value, _position: number_text(value))
    if not part.largest:
        axes.set_xticks([0])


def _draw_side(axes: Axes, view: SideView, *, height_in: float) -> None:
    radius = view.radius_mm
    axes.set_title("Along the crank, at crank angle 0")
    for cylinder in view.cylinders:
        _draw_cylinder(axes, cylinder, view)
    axes.plot(*zip(*view.path_mm, strict=True), color=METAL, lw=4.5, solid_joinstyle="miter")
    for main in view.mains_mm:
        axes.plot([main], [0], marker="s", ms=11, mfc="white", mec=INK, mew=1.4, zorder=4)
        axes.plot([main], [0], marker="x", ms=6, mec=INK, mew=1.2, zorder=5)
    for number, position, height in view.throws_mm:
        axes.text(
            position,
            height,
            str(number),
            ha="center",
            va="center",
            size=8.5,
            weight="bold",
            zorder=6,
            bbox={"boxstyle": "circle,pad=0.18", "fc": "white", "ec": INK, "lw": 1.2},
        )
    low, high = min(view.mains_mm), max(view.mains_mm)
    starts = [cylinder.position_mm for cylinder in view.cylinders]
    low = min(low, min(starts) - 0.6 * view.bore_mm)
    high = max(high, max(starts) + 0.6 * view.bore_mm)
    room = max(0.03 * (high - low), 2.2 * view.bore_mm - 0.5 * (high - low))
    axes.set_xlim(low - room, high + room)
    rows = [row for row, _ in view.rows]
    axes.set_ylim(
        _row_middle(min(*rows, 0), radius) - 1.5 * radius,
        _row_middle(max(*rows, 0), radius) + 1.5 * radius,
    )
    axes.set_yticks(
        [-radius, 0, radius, *(_row_middle(row, radius) for row in rows)],
        [f"{-radius:.3g}", "0", f"{radius:.3g}", *(text for _, text in view.rows)],
    )
    axes.set_xlabel("position from the middle [mm]: free end on the left, driving end on the right")
    below = -0.5 / height_in
    axes.text(0, below, view.note, transform=axes.transAxes, size=8.5, va="top")
    axes.set_ylabel("height of the pins [mm]")
    circle = Line2D([], [], ls="", marker="o", ms=9, mfc="white", mec=INK)
    square = Line2D([], [], ls="", marker="s", ms=9, mfc="white", mec=INK)
    cross = Line2D([], [], ls="", marker="x", ms=5, mec=INK)
    entries: list[_Entry] = [(circle, "throw"), ((square, cross), "main bearing")]
    _legend(axes, entries, up=1 + 0.06 / height_in, where="lower right")


def _row_middle(row: int, radius: float) -> float:
    """Return the height at which a row of cylinders is drawn: symbols, not to scale."""
    return math.copysign(2.9 + 2.4 * (abs(row) - 1), row) * radius if row else 0.0


def _draw_cylinder(axes: Axes, cylinder: CylinderView, view: SideView) -> None:
    radius, middle = view.radius_mm, _row_middle(cylinder.row, view.radius_mm)
    axes.plot(
        [cylinder.position_mm, cylinder.position_mm],
        [cylinder.pin_height_mm, middle],
        color="#9a9a9a",
        lw=2.2,
        zorder=1,
    )
    axes.add_patch(
        Rectangle(
            (cylinder.position_mm - 0.5 * view.bore_mm, middle - radius),
            view.bore_mm,
            2 * radius,
            fc="#f4f4f4",
            ec=INK,
            lw=1.2,
            zorder=2,
        )
    )
    axes.text(
        cylinder.position_mm,
        middle,
        cylinder.label,
        ha="center",
        va="center",
        size=10,
        weight="bold",
        zorder=3,
    )
