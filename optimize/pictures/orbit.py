"""The path that the free force and the free couple run through in one turn."""

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
from matplotlib.ticker import MaxNLocator

from evaluate import inertia, units
from evaluate.inertia import Rotors
from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from optimize.pictures.drawing import DPI, INK, STYLE, Entry, amount_text, number_text, place_labels
from optimize.pictures.frame import TEXT_PT, Frame, fitted, frame, line_in, room_in
from optimize.pictures.orders import BESIDE_FROM_IN, ROUND_OFF, arm_m

BELOW_IN = 0.55
N_POINTS = 361  # of a turn, both ends included
MARKS_DEG = (0, 90, 180, 270)
POINT_SHARE = 0.04  # of the scale: a smaller path is a point to the eye
_BEFORE: dict[str, Any] = {"color": INK, "lw": 0.9, "ls": (0, (4, 2.5))}
_LEFT: dict[str, Any] = {"color": INK, "lw": 2.0, "ls": "-"}
_LABEL: dict[str, Any] = {
    "ha": "center",
    "va": "center",
    "size": TEXT_PT,
    "zorder": 6,
    "bbox": {"boxstyle": "square,pad=0.08", "fc": "white", "ec": "none", "alpha": 0.8},
}
_Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkView:
    """Crank angles at which the path passes a point."""

    angles_deg: tuple[int, ...]
    place: _Point


@dataclass(frozen=True, kw_only=True, slots=True)
class PathView:
    """One quantity over a turn; points are (right, up) as seen from the free end.

    Attributes
    ----------
    before, left : tuple of points
        Before balancing and left over, over one turn; empty where it is nothing. [unit]
    marks : tuple of MarkView
        On what is left; empty where it is a point.
    scale : float
        Largest magnitude of either. [unit]
    words : str
        What the eye cannot see in the path.
    """

    name: str
    unit: str
    before: tuple[_Point, ...]
    left: tuple[_Point, ...]
    marks: tuple[MarkView, ...]
    scale: float
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OrbitView:
    """Force and couple over a turn."""

    speed_rpm: float
    paths: tuple[PathView, PathView]
    is_mirrored: bool
    note: str


@matplotlib_style.context(STYLE)
def orbit_picture(layout: Layout, *, width_in: float) -> Figure:
    """Return the paths of the free force and the free couple over one turn.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    width_in : float
        Width of the picture. [in]
    """
    view = orbit_view(layout, Evaluation(layout.engine, layout.batch))
    inner_in = room_in(width_in)
    is_beside = inner_in > BESIDE_FROM_IN
    side_in = 0.5 * inner_in - 0.95 if is_beside else min(3.0, inner_in - 0.95)
    heights_in = [_height_in(path, side_in) for path in view.paths]
    place = frame(
        width_in,
        max(heights_in) if is_beside else sum(heights_in) + 0.05,
        title="Which way it shakes",
        subtitle=f"{layout.name}, over one turn at {number_text(round(view.speed_rpm, 1))} rpm",
        key=_key(),
        notes=(view.note,),
        is_estimate=True,
    )
    top_in = place.height_in
    for number, (path, height_in) in enumerate(zip(view.paths, heights_in, strict=True)):
        left_in = 0.8 + (number * (0.5 * inner_in) if is_beside else 0.0)
        _write_words(place, path, left_in=left_in, top_in=top_in, side_in=side_in)
        if path.scale:
            bottom_in = top_in - height_in + BELOW_IN
            axes = place.axes(left_in, bottom_in, size_in=(side_in, side_in))
            _draw_path(axes, path)
        top_in -= 0.0 if is_beside else height_in + 0.05
    return place.figure


def orbit_view(layout: Layout, evaluation: Evaluation) -> OrbitView:
    """Return the paths before balancing and left over, mirrored for an anticlockwise crank."""
    engine = layout.engine
    is_mirrored = layout.rotation == "anticlockwise"
    sense = -1 if is_mirrored else 1
    force_N = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    per_kg = inertia.pin_sums(engine, evaluation.pins)
    before, left = evaluation.reciprocating, evaluation.residual
    paths = []
    for name, unit, raw, after, turning, arm in (
        ("force", "N", before.force, left.force, per_kg[0], 1.0),
        ("couple", "N·m", before.couple, left.couple, per_kg[1], arm_m(layout)),
    ):
        forward = raw.forward.copy()
        forward[raw.orders.index(1)] += engine.rotating_mass_kg * turning
        whole = Rotors(orders=raw.orders, forward=forward, backward=raw.backward)
        least = ROUND_OFF * force_N * arm * engine.n_cylinders
        paths.append(_path(name, unit, _points(whole, sense), _points(after, sense), least))
    note = f"Seen from the free end; the crank turns {layout.rotation}."
    if is_mirrored:
        note += " The picture is mirrored, so that left and right are as they are seen."
    note += " A couple is named by its force at the driving end."
    return OrbitView(
        speed_rpm=units.rpm_from_rad_s(engine.speed_rad_s),
        paths=(paths[0], paths[1]),
        is_mirrored=is_mirrored,
        note=note,
    )


def _points(rotors: Rotors, sense: int) -> np.ndarray:
    """Return right and up over a turn, shape (points, 2)."""
    turn = rotors.at(np.deg2rad(np.linspace(0, 360, N_POINTS)))[0]
    return np.column_stack([sense * turn.imag, turn.real])


def _path(name: str, unit: str, before: np.ndarray, left: np.ndarray, least: float) -> PathView:
    largest_before, largest_left = (float(np.hypot(*p.T).max()) for p in (before, left))
    scale = max(largest_before, largest_left)
    is_nothing, is_point = largest_left < least, largest_left < POINT_SHARE * scale
    if scale < least:
        words = f"No free {name}, with or without balancing."
    elif is_nothing:
        words = f"Nothing remains of the free {name}."
    elif is_point:
        most = f"{amount_text(largest_left)}\u00a0{unit}"
        words = f"What remains is a point at this scale: at most {most}."
    elif math.isclose(largest_left, largest_before, rel_tol=1e-6):
        words = f"At most {amount_text(largest_left)}\u00a0{unit}; balancing takes nothing from it."
    else:
        words = (
            f"Before balancing at most {amount_text(largest_before)}\u00a0{unit}, "
            f"after it {amount_text(largest_left)}\u00a0{unit}."
        )
    return PathView(
        name=name,
        unit=unit,
        before=_as_points(before) if largest_before >= least else (),
        left=() if is_nothing else _as_points(left),
        marks=() if is_nothing or is_point else _marks(left, 0.01 * scale),
        scale=scale if scale >= least else 0.0,
        words=words,
    )


def _as_points(path: np.ndarray) -> tuple[_Point, ...]:
    return tuple((float(right), float(up)) for right, up in path)


def _marks(path: np.ndarray, near: float) -> tuple[MarkView, ...]:
    """Return the marked crank angles, those at one place together."""
    found: list[MarkView] = []
    for angle_deg in MARKS_DEG:
        right, up = (float(x) for x in path[angle_deg * (N_POINTS - 1) // 360])
        for index, mark in enumerate(found):
            if np.hypot(mark.place[0] - right, mark.place[1] - up) < near:
                both = (*mark.angles_deg, angle_deg)
                found[index] = MarkView(angles_deg=both, place=mark.place)
                break
        else:
            found.append(MarkView(angles_deg=(angle_deg,), place=(right, up)))
    return tuple(found)


# Drawing --------------------------------------------------------------------------------------


def _key() -> list[Entry]:
    dot = Line2D([], [], ls="", marker="o", ms=6, mfc="white", mec=INK, mew=1.3)
    return [
        (Line2D([], [], **_LEFT), "remains"),
        (Line2D([], [], **_BEFORE), "before balancing"),
        (dot, "at this crank angle"),
    ]


def _word_lines(path: PathView, side_in: float) -> list[str]:
    return fitted(path.words, side_in)


def _height_in(path: PathView, side_in: float) -> float:
    """Return the height of a panel; where there is no path its words are all of it."""
    words_in = 0.22 + line_in() * len(_word_lines(path, side_in)) + 0.05
    return words_in + (BELOW_IN + side_in if path.scale else 0.05)


def _write_words(
    place: Frame, path: PathView, *, left_in: float, top_in: float, side_in: float
) -> None:
    lines = _word_lines(path, side_in)
    height_in = 0.22 + line_in() * len(lines)
    axes = place.canvas(left_in, top_in - height_in, size_in=(side_in, height_in))
    axes.text(0, height_in, f"Free {path.name}", va="top", size=9.5, weight="bold")
    for row, line in enumerate(lines):
        axes.text(0, height_in - 0.22 - row * line_in(), line, va="top", size=TEXT_PT)


def _draw_path(axes: Axes, path: PathView) -> None:
    reach = 1.3 * path.scale
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    axes.axhline(0, color="#bbbbbb", lw=0.7, zorder=0)
    axes.axvline(0, color="#bbbbbb", lw=0.7, zorder=0)
    if path.before:
        axes.plot(*zip(*path.before, strict=True), **_BEFORE)
    if path.left:
        axes.plot(*zip(*path.left, strict=True), **_LEFT)
    if path.marks:
        _draw_arrow(axes, path)
        _draw_marks(axes, path)
    else:
        axes.plot([0], [0], marker="o", ms=5, mfc=INK, mec=INK)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(nbins=4))
        axis.set_major_formatter(lambda value, _place: number_text(value).replace("-", "−"))
    axes.set_xlabel(f"{path.name} to the right [{path.unit}]")
    axes.set_ylabel(f"{path.name} upwards [{path.unit}]")
    axes.spines[["top", "right"]].set_visible(True)


def _draw_arrow(axes: Axes, path: PathView) -> None:
    """Draw an arrowhead where the path runs fastest between two marks."""
    points = np.array(path.left)
    width = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] / math.sqrt(N_POINTS)
    if width < 0.08 * path.scale:
        return  # to and fro on a line, or too small
    speed = np.hypot(*np.diff(points, axis=0).T)
    for angle_deg in MARKS_DEG:  # clear of the marks
        speed[(np.arange(-18, 18) + angle_deg * (N_POINTS - 1) // 360) % (N_POINTS - 1)] = 0
    fastest = int(speed.argmax())
    ends = points[fastest], points[(fastest + 6) % (N_POINTS - 1)]
    axes.annotate(
        "",
        tuple(ends[1]),
        tuple(ends[0]),
        arrowprops={
            "arrowstyle": "-|>,head_width=0.3,head_length=0.55",
            "color": INK,
            "mutation_scale": 16,
        },
        zorder=3,
    )


def _draw_marks(axes: Axes, path: PathView) -> None:
    figure = axes.get_figure(root=True)
    assert figure is not None
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    axes.apply_aspect()
    points = np.array([mark.place for mark in path.marks])
    axes.plot(*points.T, ls="", marker="o", ms=6, mfc="white", mec=INK, mew=1.3, zorder=4)
    texts = [
        axes.text(0, 0, ", ".join(f"{a}°" for a in mark.angles_deg), **_LABEL)
        for mark in path.marks
    ]
    boxes = [text.get_window_extent(renderer) for text in texts]
    sizes = np.array([(box.width, box.height) for box in boxes])
    anchors = axes.transData.transform(points)
    way = axes.transData.transform(np.array(path.left)[::4])
    obstacles = np.column_stack([way, np.full(len(way), 3.0)])
    marks = np.column_stack([anchors, np.full(len(anchors), 0.075 * DPI)])
    box = axes.get_window_extent(renderer)
    bounds = np.array([box.x0 + 4, box.y0 + 4, box.x1 - 4, box.y1 - 4])
    middles = place_labels(anchors, sizes + 4, np.concatenate([obstacles, marks]), bounds)
    to_data = axes.transData.inverted()
    for text, anchor, size, middle in zip(texts, anchors, sizes, middles, strict=True):
        text.set_position(tuple(to_data.transform(middle)))
        end = np.clip(anchor, middle - 0.5 * size, middle + 0.5 * size)
        if np.hypot(*(end - anchor)) > 0.12 * DPI:
            line = to_data.transform(np.array([anchor, end]))
            axes.plot(*line.T, color="#555555", lw=0.7, zorder=2)
