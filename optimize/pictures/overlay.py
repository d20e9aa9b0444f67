"""Fronts of several runs in one picture: what all have, and what only one has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from optimize.pictures.drawing import INK, STYLE, Entry, number_text
from optimize.pictures.frame import TEXT_PT, fitted, frame, room_in
from optimize.pictures.fronts import AxisView, axis_view

#: Colours of M. Okabe and K. Ito (2008), with a marker each: they stay apart in grey.
_LOOKS = (
    ("#0072b2", "o"),
    ("#d55e00", "^"),
    ("#009e73", "s"),
    ("#cc79a7", "D"),
    ("#56b4e9", "v"),
    ("#e69f00", "P"),
)
_MANY = 400
_LEFT_IN, _BELOW_IN, _GAP_IN, _CELL_HEIGHT_IN = 0.78, 0.5, 0.3, 2.05


@dataclass(frozen=True, kw_only=True, slots=True)
class OverlayPanel:
    """One objective over the price: what all runs have, then what each has that not all have."""

    x_axis: AxisView
    y_axis: AxisView
    shared: tuple[tuple[float, float], ...]
    of_runs: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class OverlayView:
    """All panels, and the names of the runs."""

    panels: tuple[OverlayPanel, ...]
    labels: tuple[str, ...]
    counts: tuple[int, ...]


def overlay_view(
    vectors: Sequence[dict[str, float]],
    owners: Sequence[Sequence[bool]],
    labels: Sequence[str],
    *,
    price: str,
    others: Sequence[str],
) -> OverlayView:
    """Return fronts laid over each other.

    Parameters
    ----------
    vectors : sequence of dict
        Objectives of every trade-off by the key of the metric. [units]
    owners : sequence of sequence of bool
        For each of them, which runs have it.
    labels : sequence of str
        Names of the runs.
    price, others : str, sequence of str
        Objective to the right, and those upwards, a panel each.
    """
    shared = [vector for vector, own in zip(vectors, owners, strict=True) if all(own)]
    parts = [
        [v for v, own in zip(vectors, owners, strict=True) if own[run] and not all(own)]
        for run in range(len(labels))
    ]

    def points(some: Sequence[dict[str, float]], key: str) -> tuple[tuple[float, float], ...]:
        return tuple((vector[price], vector[key]) for vector in some)

    panels = [
        OverlayPanel(
            x_axis=axis_view(price, np.array([vector[price] for vector in vectors])),
            y_axis=axis_view(key, np.array([vector[key] for vector in vectors])),
            shared=points(shared, key),
            of_runs=tuple(points(part, key) for part in parts),
        )
        for key in others
    ]
    return OverlayView(
        panels=tuple(panels),
        labels=tuple(labels),
        counts=(len(shared), *(len(part) for part in parts)),
    )


@matplotlib_style.context(STYLE)
def overlay_picture(view: OverlayView, *, width_in: float) -> Figure:
    """Return the panels side by side as far as the width goes.

    Parameters
    ----------
    view : OverlayView
        From `overlay_view`.
    width_in : float
        Width of the picture. [in]
    """
    inner_in = room_in(width_in)
    n_columns = min(len(view.panels), max(1, int(inner_in / 3.2)))
    n_rows = -(-len(view.panels) // n_columns)
    cell_in = (inner_in - _GAP_IN * (n_columns - 1)) / n_columns
    row_in = _CELL_HEIGHT_IN + _BELOW_IN + 0.3
    place = frame(
        width_in,
        n_rows * row_in,
        title="The fronts laid over each other",
        subtitle="rounded objectives; grey: on every front",
        key=_key(view),
    )
    is_many = sum(view.counts) > _MANY
    for number, panel in enumerate(view.panels):
        row, column = divmod(number, n_columns)
        axes = place.axes(
            column * (cell_in + _GAP_IN) + _LEFT_IN,
            (n_rows - 1 - row) * row_in + _BELOW_IN,
            size_in=(cell_in - _LEFT_IN - 0.05, _CELL_HEIGHT_IN),
        )
        _draw_panel(axes, panel, is_many=is_many, width_in=cell_in)
    return place.figure


def overlay_alt(view: OverlayView) -> str:
    """Return the picture in a sentence."""
    own = ", ".join(
        f"{count} more of {label}"
        for label, count in zip(view.labels, view.counts[1:], strict=True)
    )
    return f"Fronts of {len(view.labels)} runs: {view.counts[0]} trade-offs on all, {own}."


def _look(run: int) -> tuple[str, str]:
    return _LOOKS[run % len(_LOOKS)]


def _key(view: OverlayView) -> list[Entry]:
    entries: list[Entry] = [(Line2D([], [], **_marks("#9a9a9a", "o", 6.0)), "on every front")]
    for run, label in enumerate(view.labels):
        color, marker = _look(run)
        entries.append((Line2D([], [], **_marks(color, marker, 6.0)), f"{label} (not on all)"))
    return entries


def _marks(color: str, marker: str, size_pt: float) -> dict[str, Any]:
    return {"ls": "", "marker": marker, "ms": size_pt, "mfc": color, "mec": INK, "mew": 0.4}


def _draw_panel(axes: Axes, panel: OverlayPanel, *, is_many: bool, width_in: float) -> None:
    size_pt = 3.5 if is_many else 6.0
    sets = [(panel.shared, "#9a9a9a", "o"), *((p, *_look(k)) for k, p in enumerate(panel.of_runs))]
    shrink = np.linspace(1.25, 0.8, len(sets))  # so that what lies below looks out
    for (points, color, marker), share in zip(sets, shrink, strict=True):
        if points:
            x, y = zip(*points, strict=True)
            axes.plot(
                x,
                y,
                alpha=0.8,
                clip_on=False,
                rasterized=is_many,
                **_marks(color, marker, share * size_pt),
            )
    across, up = panel.x_axis, panel.y_axis
    axes.set(xlim=(across.low, across.high), ylim=(up.low, up.high))
    axes.set_xticks(across.ticks, [number_text(tick) for tick in across.ticks])
    axes.set_yticks(up.ticks, [number_text(tick) for tick in up.ticks])
    axes.grid(color="#e4e4e4", lw=0.6)
    axes.set_xlabel(across.label, size=TEXT_PT)
    better = "more is better" if up.is_most else "less is better"
    heading = fitted(f"{up.label}, {better}", width_in, 9.0, "bold")[0]
    axes.set_title(heading, size=9.0, x=-_LEFT_IN / (width_in - _LEFT_IN - 0.05))
