"""Layouts to draw, and what a reader of any picture must be able to rely on."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from evaluate import layout_from_tables
from evaluate.layout import Layout
from optimize.pictures import drawing

CYLINDER = {
    "bore_mm": 80,
    "stroke_mm": 80,
    "rod_length_mm": 135,
    "reciprocating_mass_kg": 0.45,
    "rotating_mass_kg": 0.5,
}
#: Crank angles, banks and firing orders of well-known layouts: common practice, no source.
LAYOUTS: dict[str, dict[str, Any]] = {
    "single": {"crank": {"throw_angles_deg": [0]}},
    "in-line four": {
        "crank": {"throw_angles_deg": [0, 180, 180, 0], "throw_pitch_mm": 95},
        "firing": {"order": ["1", "3", "4", "2"]},
    },
    "anticlockwise three": {
        "crank": {"throw_angles_deg": [0, 240, 120], "throw_pitch_mm": 95},
        "rotation": "anticlockwise",
    },
    "opposed four": {
        "crank": {"throw_angles_deg": [0, 180, 180, 0], "throw_pitch_mm": 60},
        "banks": {"angles_deg": [-90, 90]},
        "cylinders": {"bank": [1, 2, 1, 2]},
    },
    "cross-plane V eight": {
        "crank": {"throw_angles_deg": [0, 90, 270, 180], "throw_pitch_mm": 108},
        "banks": {"angles_deg": [-45, 45]},
        "cylinders": {"throw": [1, 1, 2, 2, 3, 3, 4, 4], "bank": [1, 2] * 4},
    },
    "V six with splayed pins": {
        "crank": {
            "throw_angles_deg": [0, 315, 240, 195, 120, 75],
            "throw_positions_mm": [0, 18, 108, 126, 216, 234],
        },
        "banks": {"angles_deg": [-37.5, 37.5]},
        "cylinders": {"bank": [1, 2] * 3},
        "firing": {"order": ["1", "2", "5", "6", "3", "4"]},
    },
    "V twelve": {
        "crank": {"throw_angles_deg": [0, 120, 240, 240, 120, 0], "throw_pitch_mm": 108},
        "banks": {"angles_deg": [-30, 30]},
        "cylinders": {"throw": [1 + i // 2 for i in range(12)], "bank": [1, 2] * 6},
        "exhaust": {"collectors": "one"},
    },
    "two-stroke three": {
        "cycle_strokes": 2,
        "crank": {"throw_angles_deg": [0, 120, 240], "throw_pitch_mm": 95},
        "exhaust": {"open_duration_deg": 160},
    },
    "radial five": {
        "crank": {"throw_angles_deg": [10]},
        "banks": {"angles_deg": [0, 72, 144, 216, 288]},
        "cylinders": {"throw": [1] * 5, "bank": [1, 2, 3, 4, 5]},
        "firing": {"order": ["1", "3", "5", "2", "4"]},
    },
    "four banks of four": {
        "crank": {
            "throw_angles_deg": [0, 90, 270, 180],
            "throw_pitch_mm": 160,
            "main_bearing_positions_mm": [-80, 80, 240, 400, 560],
        },
        "banks": {"angles_deg": [-67.5, -22.5, 22.5, 67.5]},
        "cylinders": {"throw": [1 + i // 4 for i in range(16)], "bank": [1, 2, 3, 4] * 4},
        "rotation": "anticlockwise",
        "numbering": "ISO 1204",
    },
    "in-line sixteen": {
        "crank": {
            "throw_angles_deg": [22.5 * (7 * i % 16) for i in range(16)],
            "throw_pitch_mm": 95,
        },
    },
}


def layout_of(name: str) -> Layout:
    return layout_from_tables({"cylinder": CYLINDER, **LAYOUTS[name]}, default_name=name)


def assert_all_inside(figure: Figure) -> None:
    """Fail if anything that is drawn, text above all, reaches beyond the sheet."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    box = figure.get_tightbbox(renderer)  # in inches
    width_in, height_in = figure.get_size_inches()
    round_off_in = 1e-9
    assert min(box.x0, box.y0) >= -round_off_in, box
    assert box.x1 <= width_in + round_off_in, box
    assert box.y1 <= height_in + round_off_in, box


def texts_of(figure: Figure) -> list[Text]:
    return [text for text in figure.findobj(Text) if text.get_text().strip()]


def assert_texts_clear(figure: Figure) -> None:
    """Fail if a text reaches beyond the sheet, covers another one, or is smaller than 8.5 pt."""
    texts = _drawn_texts(figure)
    renderer = FigureCanvasAgg(figure).get_renderer()
    boxes = np.array([text.get_window_extent(renderer).extents for text in texts])
    width_px, height_px = figure.get_size_inches() * figure.dpi
    assert min(text.get_fontsize() for text in texts) >= 8.5
    touch_px = 1.0  # boxes are whole pixels and a little larger than the letters
    low, high = boxes[:, :2], boxes[:, 2:]
    is_out = np.any(low < -touch_px, axis=1)
    is_out |= np.any(high > np.array([width_px, height_px]) + touch_px, axis=1)
    assert not is_out.any(), [texts[i].get_text() for i in np.flatnonzero(is_out)]
    on_each_other = np.all(
        (low[:, np.newaxis] < high - touch_px) & (high[:, np.newaxis] > low + touch_px), axis=2
    )
    pairs = np.argwhere(np.triu(on_each_other, 1))
    assert not len(pairs), [(texts[i].get_text(), texts[j].get_text()) for i, j in pairs[:4]]


def _drawn_texts(figure: Figure) -> list[Text]:
    """Return what is written, without the labels that matplotlib keeps for ticks out of range."""
    written: list[Text] = []
    draw = Text.draw

    def drawn(text: Text, *args: Any, **keywords: Any) -> None:
        if text.get_visible() and text.get_text().strip():
            written.append(text)
        draw(text, *args, **keywords)

    with matplotlib_style.context(drawing.STYLE), patch.object(Text, "draw", drawn):
        figure.draw_without_rendering()
    return written


def assert_two_pictures(figure: Figure, folder: Path) -> None:
    png, svg = drawing.save(figure, folder / "a.picture")
    assert (png.name, svg.name) == ("a.picture.png", "a.picture.svg")
    assert sorted(folder.iterdir()) == [png, svg]  # nothing unfinished beside them
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # ISO/IEC 15948, section 5.2
    assert svg.read_text(encoding="utf-8").rstrip().endswith("</svg>")
