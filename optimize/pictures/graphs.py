"""Pieces of the graphs of torque, bearings and torsion."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from optimize.pictures.drawing import number_text
from optimize.pictures.frame import frame, text_in

#: Why nothing that needs gas force can be drawn.
BORE_UNKNOWN = "Bore unknown: without it there is no gas force."
#: Light lines of a scale.
GRID: dict[str, Any] = {"color": "#cccccc", "lw": 0.7, "zorder": 0}
_GAP_IN = 0.06  # least room between two texts in a row


def words_picture(width_in: float, *, title: str, subtitle: str, words: str) -> Figure:
    """Return a picture that says in words why there is none."""
    place = frame(width_in, 0.05, title=title, subtitle=subtitle, notes=(words,))
    return place.figure


def number_axis(axis: Axis, n_steps: int) -> None:
    """Let an axis count in few round steps, with our own minus sign and thin spaces."""
    axis.set_major_locator(MaxNLocator(nbins=n_steps))
    axis.set_major_formatter(lambda value, _place: number_text(value).replace("-", "−"))


def rows_of(middles_in: Sequence[float], texts: Sequence[str]) -> list[int]:
    """Return the row of each text, the lowest in which it covers none before it.

    Parameters
    ----------
    middles_in : sequence of float
        Middle of each text, rising. [in]
    texts : sequence of str
        In the smallest size.
    """
    ends_in: list[float] = []
    rows = []
    for middle_in, text in zip(middles_in, texts, strict=True):
        half_in = 0.5 * text_in(text)
        row = next(
            (r for r, end_in in enumerate(ends_in) if end_in + _GAP_IN <= middle_in - half_in),
            len(ends_in),
        )
        ends_in[row : row + 1] = [middle_in + half_in]
        rows.append(row)
    return rows


def clear_of_each_other(middles_in: Sequence[float], texts: Sequence[str]) -> list[int]:
    """Return indices of texts in one row that cover none of the ones before them in the list."""
    kept: list[int] = []
    for index, (middle_in, text) in enumerate(zip(middles_in, texts, strict=True)):
        is_clear = all(
            abs(middle_in - middles_in[other])
            >= 0.5 * (text_in(text) + text_in(texts[other])) + _GAP_IN
            for other in kept
        )
        if is_clear:
            kept.append(index)
    return kept
