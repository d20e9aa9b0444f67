"""What all pictures share: looks, sheets, labels, saving."""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from evaluate.batch import FloatArray
from optimize.files import write_whole

FOOTER = "Concept-stage estimate from idealised rigid-body models."
DPI = 130
TOP_IN, BOTTOM_IN = 0.80, 0.40  # room for the headline and for the footer
LINE_IN = 0.18  # height of a line of small text
CHARACTER_IN = 0.073  # mean width of a character of small text, for wrapping
INK = "#222222"
#: Replaces whatever the reader's own matplotlib settings say, so that a picture is the same
#: everywhere. A dollar sign in a study's name is a dollar sign.
STYLE: list[Any] = [
    "default",
    {
        "font.family": ["DejaVu Sans"],
        "font.size": 9.0,
        "text.color": INK,
        "text.parse_math": False,
        "axes.titlesize": 10.5,
        "axes.titleweight": "bold",
        "axes.titlelocation": "left",
        "axes.labelsize": 9.0,
        "axes.edgecolor": "#555555",
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.axisbelow": True,
        "axes.unicode_minus": False,
        "xtick.labelsize": 8.5,
        "ytick.labelsize": 8.5,
        "hatch.linewidth": 0.7,
        "svg.fonttype": "path",
        "svg.hashsalt": "crankfront",
    },
]
_MOST_PLACES = 1500  # tried for each label, the nearest first


FORWARD, BACKWARD, OPEN, METAL = "#0072b2", "#f0b04a", "#a9d3ee", "#5a5a5a"
Entry = tuple[Patch | Line2D | tuple[Line2D, ...], str]


def sheet(width_in: float, height_in: float, *, title: str, subtitle: str = "") -> Figure:
    """Return an empty figure with headline, line below it and footer."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    headline = textwrap.shorten(title, int(2 * width_in / 0.125), placeholder=" ...")
    lines = textwrap.wrap(headline, max(20, int((width_in - 0.3) / 0.125)))[:2]
    size, down_in = (13.0, 0.12) if len(lines) < 2 else (10.5, 0.06)
    text = "\n".join(lines)
    up = 1 - down_in / height_in
    figure.text(0.15 / width_in, up, text, va="top", size=size, weight="bold", linespacing=1.1)
    below = "\n".join(subtitle_lines(subtitle, width_in))
    figure.text(0.15 / width_in, 1 - 0.46 / height_in, below, va="top", size=9)
    figure.text(0.15 / width_in, 0.10 / height_in, FOOTER, va="bottom", size=8, color="#555555")
    return figure


def subtitle_lines(subtitle: str, width_in: float) -> list[str]:
    """Return the lines that the text below the headline takes, four at most."""
    n_characters = int((width_in - 0.4) / CHARACTER_IN)
    return textwrap.wrap(subtitle, n_characters, max_lines=4, placeholder=" ...")


def axes_at(
    figure: Figure, left_in: float, bottom_in: float, width_in: float, height_in: float
) -> Axes:
    """Return new axes placed in inches from the lower left corner."""
    whole = figure.get_size_inches()
    return figure.add_axes(
        (
            left_in / whole[0],
            bottom_in / whole[1],
            width_in / whole[0],
            height_in / whole[1],
        )
    )


def save(figure: Figure, path_without_suffix: Path | str) -> list[Path]:
    """Write a figure as PNG and SVG, each at once or not at all, and empty it.

    Parameters
    ----------
    figure : Figure
        Any figure of this project; cleared afterwards to free its memory.
    path_without_suffix : path
        Folder and name; the folder is made.

    Returns
    -------
    list of Path
        The two files. The same figure gives the same bytes with the same libraries.
    """
    stem = Path(path_without_suffix)
    stem.parent.mkdir(parents=True, exist_ok=True)
    written = []
    for suffix, metadata in (("png", {}), ("svg", {"Date": None})):
        target = stem.with_name(f"{stem.name}.{suffix}")
        write_whole(target, partial(_write_picture, figure, suffix, metadata))
        written.append(target)
    figure.clear()
    return written


def _write_picture(
    figure: Figure, suffix: str, metadata: Mapping[str, str | None], path: Path
) -> None:
    buffer = io.BytesIO()
    with matplotlib_style.context(STYLE):
        figure.savefig(buffer, format=suffix, dpi=DPI, metadata=metadata)
    path.write_bytes(buffer.getvalue())


def number_text(value: float) -> str:
    """Return a number for a label, thousands set apart by thin spaces."""
    return f"{value + 0.0:,.7g}".replace(",", "\u2009")  # adding 0.0 turns -0.0 into 0.0


def wrapped(texts: Iterable[str], width_in: float) -> list[str]:
    """Return texts wrapped to lines that fit a width."""
    n_characters = max(30, int(width_in / CHARACTER_IN))
    return [line for text in texts for line in textwrap.wrap(text, n_characters)]


def spread(positions: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return positions at least `least` apart between `low` and `high`, moved as little as needed.

    The least-squares solution: isotonic regression of position - rank * least by pooling
    neighbours (M. Ayer et al., Annals of Mathematical Statistics 26, 1955). Where the room is too
    small the distance shrinks.

    Examples
    --------
    >>> spread([5.0, 1.0, 5.0], 2.0, 0.0, 10.0)
    [4.0, 1.0, 6.0]
    """
    n = len(positions)
    if n > 1:
        least = min(least, (high - low) / (n - 1))
    order = sorted(range(n), key=lambda i: positions[i])
    pools: list[tuple[float, int]] = []
    for rank, i in enumerate(order):
        mean, size = positions[i] - rank * least, 1
        while pools and pools[-1][0] > mean:
            other, members = pools.pop()
            mean, size = (mean * size + other * members) / (size + members), size + members
        pools.append((mean, size))
    level = [mean for mean, size in pools for _ in range(size)]
    placed = [0.0] * n
    for rank, i in enumerate(order):
        placed[i] = min(max(level[rank], low), high - (n - 1) * least) + rank * least
    return placed


def place_labels(
    anchors: FloatArray, sizes: FloatArray, obstacles: FloatArray, bounds: FloatArray
) -> FloatArray:
    """Return where labels go so that none covers another, near their anchors.

    Parameters
    ----------
    anchors : array, shape (labels, 2)
        Points that the labels belong to. [px]
    sizes : array, shape (labels, 2)
        Width and height of each label. [px]
    obstacles : array, shape (marks, 3)
        Marks that labels should not cover: middle and radius. [px]
    bounds : array, shape (4,)
        Left, bottom, right, top of the room. [px]

    Returns
    -------
    array, shape (labels, 2)
        Middle of each label. [px]
    """
    placed, leaders = np.empty((0, 4)), np.empty((0, 3))
    middles = np.empty_like(anchors)
    clear = 0.55 * float(sizes[:, 1].max()) if len(sizes) else 0.0
    for index, (anchor, size) in enumerate(zip(anchors, sizes, strict=True)):
        half = 0.5 * size
        grid = np.meshgrid(
            _steps(bounds[0] + half[0], bounds[2] - half[0], clear),
            _steps(bounds[1] + half[1], bounds[3] - half[1], clear),
        )
        middle = np.column_stack([axis.ravel() for axis in grid])
        cost = np.hypot(*np.maximum(np.abs(middle - anchor) - half, 0).T)
        near = np.argsort(cost, kind="stable")[:_MOST_PLACES]
        middle, cost = middle[near], cost[near]
        box = np.concatenate([middle - half, middle + half], axis=1)
        cost += 10 * clear * _covers(box, obstacles).sum(axis=1)
        cost += 30 * clear * _covers(box, leaders).sum(axis=1)
        ways = anchor + np.linspace(0.1, 1, 12)[:, np.newaxis, np.newaxis] * (middle - anchor)
        cost += 30 * clear * _inside(ways, placed).sum(axis=(0, 2))
        # A label on a label is the last resort.
        cost += 1e6 * clear * _crosses(box, placed, 0.3 * clear).sum(axis=1)
        best = int(cost.argmin())
        middles[index] = middle[best]
        placed = np.concatenate([placed, box[best : best + 1]])
        way = np.insert(ways[:-1, best], 2, 0.2 * clear, axis=1)
        leaders = np.concatenate([leaders, way])
    return middles


def _steps(low: float, high: float, step: float) -> FloatArray:
    if high <= low:
        return np.array([0.5 * (low + high)])
    return np.linspace(low, high, int((high - low) / step) + 2)


def _covers(boxes: FloatArray, marks: FloatArray) -> FloatArray:
    """Return for each box and round mark whether they touch, nearly."""
    points, radii = marks[:, :2], marks[:, 2:]
    low, high = boxes[:, np.newaxis, :2] - radii, boxes[:, np.newaxis, 2:] + radii
    covered: FloatArray = np.all((points > low) & (points < high), axis=2).astype(float)
    return covered


def _inside(points: FloatArray, boxes: FloatArray) -> FloatArray:
    """Return for each point (any leading axes) and box whether the point lies in the box."""
    near = points[..., np.newaxis, :]
    inside: FloatArray = np.all((near > boxes[:, :2]) & (near < boxes[:, 2:]), axis=-1)
    return inside.astype(float)


def _crosses(boxes: FloatArray, others: FloatArray, margin: float) -> FloatArray:
    """Return for each pair of boxes whether they overlap, or nearly."""
    low, high = boxes[:, np.newaxis, :2] - margin, boxes[:, np.newaxis, 2:] + margin
    crossing: FloatArray = np.all((others[:, 2:] > low) & (others[:, :2] < high), axis=2)
    return crossing.astype(float)


def percent(share: float) -> str:
    """Return a share as a percentage."""
    return f"{100 * share:.4g} %"


def amount_text(value: float) -> str:
    """Return a force or couple to three digits, without digits that mean nothing."""
    return "<0.01" if 0 < value < 0.01 else number_text(float(f"{value:.3g}"))


def angle_text(angle_deg: float) -> str:
    """Return an angle for a label."""
    return f"{round(angle_deg, 2) + 0.0:g}°".replace("-", "−")


def rounded(value: float) -> float:
    """Return a value rounded to six places, without a negative zero."""
    return round(float(value), 6) + 0.0


def point(picture_deg: float, radius: float) -> tuple[float, float]:
    """Return the point at an angle clockwise from straight up."""
    angle = math.radians(picture_deg)
    return radius * math.sin(angle), radius * math.cos(angle)


def point_arrays(picture_deg: np.ndarray, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points at angles clockwise from straight up."""
    angles = np.deg2rad(picture_deg)
    return radius * np.sin(angles), radius * np.cos(angles)


def tag(
    axes: Axes, place: tuple[float, float], text: str, *, size: float, weight: str = "normal"
) -> None:
    """Write a text on a white ground."""
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


def legend(
    axes: Axes, entries: Sequence[Entry], *, up: float, where: Literal["upper left", "lower right"]
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
