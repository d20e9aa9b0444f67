"""The frame of a single picture: headline, key and notes at any width, the drawing in inches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

from optimize.pictures.drawing import DPI, FOOTER, Entry, axes_at

TEXT_PT = 8.5  # the smallest text of a single picture
MARGIN_IN = 0.1
_TITLE_PT, _SUBTITLE_PT = 11.5, 9.0
_POINTS_PER_IN = 72.0
_LINE_SHARE = 1.27  # height of a line over the size of its text
_KEY_PT = {"handle": 1.6, "pad": 0.8, "gap": 1.2, "row": 1.5}  # in sizes of its text


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """A figure with room for a drawing.

    Attributes
    ----------
    figure : Figure
        With headline, key and notes.
    left_in, bottom_in : float
        Lower left corner of the room. [in]
    width_in, height_in : float
        Size of the room. [in]
    """

    figure: Figure
    left_in: float
    bottom_in: float
    width_in: float
    height_in: float

    def canvas(
        self, left_in: float = 0.0, bottom_in: float = 0.0, *, size_in: tuple[float, float]
    ) -> Axes:
        """Return axes without lines that count in inches from their lower left corner."""
        axes = self.axes(left_in, bottom_in, size_in=size_in)
        axes.set_axis_off()
        axes.set(xlim=(0, size_in[0]), ylim=(0, size_in[1]))
        return axes

    def axes(self, left_in: float, bottom_in: float, *, size_in: tuple[float, float]) -> Axes:
        """Return axes placed in inches from the lower left corner of the room."""
        return axes_at(self.figure, self.left_in + left_in, self.bottom_in + bottom_in, *size_in)


def room_in(width_in: float) -> float:
    """Return how wide the room of a picture is. [in]"""
    return width_in - 2 * MARGIN_IN


def frame(
    width_in: float,
    height_in: float,
    *,
    title: str,
    subtitle: str = "",
    key: Sequence[Entry] = (),
    notes: Sequence[str] = (),
    is_estimate: bool = False,
) -> Frame:
    """Return a frame around a drawing.

    Parameters
    ----------
    width_in : float
        Width of the whole picture. [in]
    height_in : float
        Height of the drawing. [in]
    title, subtitle : str
        Headline, and the line below it.
    key : sequence of (symbol, text)
        Between headline and drawing.
    notes : sequence of str
        Below the drawing, each a paragraph.
    is_estimate : bool
        Whether the numbers in it come from the idealised models, which the last line then says.
    """
    inner_in = room_in(width_in)
    heading = _paragraphs([title], inner_in, _TITLE_PT, "bold")
    heading += _paragraphs([subtitle], inner_in, _SUBTITLE_PT, "normal")
    n_columns, n_rows = key_shape([text for _, text in key], inner_in)
    small = line_in(TEXT_PT)
    key_in = n_rows * _KEY_PT["row"] * TEXT_PT / _POINTS_PER_IN + 0.06 if key else 0.0
    notes = [*notes, FOOTER] if is_estimate else list(notes)
    below = _paragraphs(notes, inner_in, TEXT_PT, "normal")
    top_in = MARGIN_IN + sum(line_in(size) for _, size, _ in heading) + 0.06 + key_in
    bottom_in = MARGIN_IN + small * len(below) + (0.05 if below else 0.0)
    whole_in = bottom_in + height_in + top_in
    figure = Figure(figsize=(width_in, whole_in), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    _write_down(figure, heading, top_in=whole_in - MARGIN_IN)
    _write_down(figure, below, top_in=bottom_in - 0.05)
    if key:
        _draw_key(figure, key, n_columns, up_in=whole_in - top_in + key_in - 0.03)
    return Frame(
        figure=figure,
        left_in=MARGIN_IN,
        bottom_in=bottom_in,
        width_in=inner_in,
        height_in=height_in,
    )


def line_in(size_pt: float = TEXT_PT) -> float:
    """Return the height of a line of text. [in]"""
    return _LINE_SHARE * size_pt / _POINTS_PER_IN


@lru_cache(maxsize=4096)
def text_in(text: str, size_pt: float = TEXT_PT, weight: str = "normal") -> float:
    """Return the width of a text as it is drawn. [in]"""
    font = get_font(findfont(FontProperties(family=["DejaVu Sans"], weight=weight)))
    font.set_size(size_pt, DPI)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64 / DPI


def fitted(
    text: str, width_in: float, size_pt: float = TEXT_PT, weight: str = "normal"
) -> list[str]:
    """Return a text in lines that fit a width; only a single word may be wider. [in]"""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_in(longer, size_pt, weight) <= width_in:
            lines[-1] = longer
        else:
            lines += _broken(word, width_in, size_pt, weight)
    return lines


def _broken(word: str, width_in: float, size_pt: float, weight: str) -> list[str]:
    """Return a word in pieces that fit: after a hyphen if it has some, else anywhere."""
    if text_in(word, size_pt, weight) <= width_in or len(word) < 2:
        return [word]
    fits = [n for n in range(1, len(word)) if text_in(word[:n], size_pt, weight) <= width_in]
    last = max(fits, default=1)
    hyphen = word.rfind("-", 0, last) + 1
    cut = hyphen or last
    return [word[:cut], *_broken(word[cut:], width_in, size_pt, weight)]


def key_shape(texts: Sequence[str], width_in: float) -> tuple[int, int]:
    """Return columns and rows of a key that is as low as its width allows."""
    em_in = TEXT_PT / _POINTS_PER_IN
    aside_in = (_KEY_PT["handle"] + _KEY_PT["pad"]) * em_in
    widths = [aside_in + text_in(text) for text in texts]
    for n_columns in range(len(texts), 1, -1):
        columns = np.array_split(np.array(widths), n_columns)
        needed_in = sum(float(column.max()) for column in columns)
        if needed_in + _KEY_PT["gap"] * em_in * (n_columns - 1) <= width_in:
            return n_columns, max(len(column) for column in columns)
    return 1, len(texts)


def _draw_key(figure: Figure, key: Sequence[Entry], n_columns: int, *, up_in: float) -> None:
    width_in, height_in = figure.get_size_inches()
    figure.legend(
        handles=[handle for handle, _ in key],
        labels=[text for _, text in key],
        loc="upper left",
        bbox_to_anchor=(MARGIN_IN / width_in, up_in / height_in),
        ncols=n_columns,
        frameon=False,
        fontsize=TEXT_PT,
        borderaxespad=0,
        borderpad=0,
        labelspacing=_KEY_PT["row"] - 1,
        columnspacing=_KEY_PT["gap"],
        handlelength=_KEY_PT["handle"],
        handletextpad=_KEY_PT["pad"],
    )


def _paragraphs(
    texts: Sequence[str], width_in: float, size_pt: float, weight: str
) -> list[tuple[str, float, str]]:
    return [
        (line, size_pt, weight)
        for text in texts
        if text
        for line in fitted(text, width_in, size_pt, weight)
    ]


def _write_down(figure: Figure, lines: list[tuple[str, float, str]], *, top_in: float) -> None:
    width_in, height_in = figure.get_size_inches()
    for text, size_pt, weight in lines:
        place = (MARGIN_IN / width_in, (top_in - 0.5 * line_in(size_pt)) / height_in)
        figure.text(*place, text, va="center", size=size_pt, weight=weight)
        top_in -= line_in(size_pt)
