"""Several layouts side by side: one table, one picture."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from rich.markup import escape
from rich.table import Table

from evaluate import METRICS, Evaluation, read_layout
from evaluate.errors import InputError
from evaluate.layout import Layout, order_text
from evaluate.results import plain
from evaluate.units import rad_s_from_rpm, rpm_from_rad_s
from optimize.files import json_text, picture_stem
from optimize.tables import console
from optimize.texts import CAUTION, value_text

SCHEMA = "crankfront.comparison/1"
MOST_LAYOUTS = 6


def compare_layouts(
    paths: Sequence[Path], *, speed_rpm: float | None, as_json: bool, picture: Path | None
) -> None:
    """Read, compare and print layouts; draw them if a file is named.

    Raises
    ------
    InputError
        For fewer than two or too many layouts, or files that cannot be used.
    """
    if not 2 <= len(paths) <= MOST_LAYOUTS:
        raise InputError("LAYOUT...", f"{len(paths)} of them", f"2 to {MOST_LAYOUTS} layout files")
    layouts = [read_layout(path) for path in paths]
    if speed_rpm is not None:
        layouts = [_at_speed(layout, speed_rpm) for layout in layouts]
    stem = picture_stem(picture, "--picture")
    document = comparison_document(layouts)
    if as_json:
        print(json_text(document))
    else:
        print_comparison(document)
    if stem is not None:
        from optimize.pictures import WIDE_IN, comparison, drawing

        figure = comparison.comparison_picture(layouts, width_in=WIDE_IN)
        for path in drawing.save(figure, stem):
            print(f"wrote {path}", file=sys.stderr)


def _at_speed(layout: Layout, speed_rpm: float) -> Layout:
    engine = replace(layout.engine, speed_rad_s=rad_s_from_rpm(speed_rpm))
    return replace(layout, engine=engine)


def comparison_document(layouts: Sequence[Layout]) -> dict[str, Any]:
    """Return the layouts' givens and metrics, and which are best in each metric.

    Returns
    -------
    dict
        `layouts` with `name`, `speed_rpm`, `displacement_cm3`, `firing_order`, `intervals_deg` and
        `metrics`; `best` from the key of a metric to the indices of the best layouts (all within
        half a resolution of the best value; empty when all are).
    """
    entries = [_entry(layout) for layout in layouts]
    best: dict[str, list[int]] = {}
    for key, metric in METRICS.items():
        values = [entry["metrics"][key] for entry in entries]
        if any(value is None for value in values):
            best[key] = []
            continue
        ideal = min(values) if metric.sense == "least" else max(values)
        near = [i for i, v in enumerate(values) if abs(v - ideal) <= 0.5 * metric.resolution]
        best[key] = near if len(near) < len(values) else []
    return {"schema": SCHEMA, "layouts": entries, "best": best}


def _entry(layout: Layout) -> dict[str, Any]:
    engine = layout.engine
    evaluation = Evaluation(engine, layout.batch)
    order = order_text(layout.labels, layout.firing_angles_deg)
    sequence = [layout.labels.index(label) for label in order]
    rising_deg = [*layout.firing_angles_deg[sequence], engine.cycle_deg]
    entry: dict[str, Any] = plain(
        {
            "name": layout.name,
            "cylinders": engine.n_cylinders,
            "cycle_strokes": round(engine.cycle_deg / 180),
            "rotation": layout.rotation,
            "speed_rpm": rpm_from_rad_s(engine.speed_rad_s),
            "displacement_cm3": 0.5e6
            * math.pi
            * engine.bore_m**2
            * engine.crank_radius_m
            * engine.n_cylinders,
            "duty_assumed": layout.duty_assumed,
            "firing_order": order,
            "intervals_deg": [b - a for a, b in pairwise(rising_deg)],
            "metrics": {key: float(m.compute(evaluation)[0]) for key, m in METRICS.items()},
        }
    )
    return entry


def print_comparison(document: dict[str, Any]) -> None:
    """Print the table: one column a layout, what is best marked."""
    entries = document["layouts"]
    table = Table(show_lines=False)
    table.add_column("", overflow="fold")
    for entry in entries:
        table.add_column(escape(entry["name"]), justify="right", overflow="fold")
    givens: tuple[tuple[str, Callable[[dict[str, Any]], str]], ...] = (
        ("speed [rpm]", lambda e: f"{e['speed_rpm']:.6g}"),
        ("displacement [cm³]", lambda e: _number(e["displacement_cm3"])),
        ("firing order", lambda e: "-".join(e["firing_order"])),
        ("intervals [deg]", lambda e: "-".join(f"{i:.4g}" for i in e["intervals_deg"])),
    )
    for name, text in givens:
        table.add_row(escape(name), *(escape(text(entry)) for entry in entries))
    table.add_section()
    for key, metric in METRICS.items():
        unit = f" [{metric.unit}]" if metric.unit else ""
        cells = [
            _number(entry["metrics"][key]) + (" *" if i in document["best"][key] else "  ")
            for i, entry in enumerate(entries)
        ]
        table.add_row(escape(f"{metric.label}{unit}"), *cells)
    out = console()
    out.print(table, highlight=False)
    out.print("* best, within half of the difference that matters; - cannot be known", markup=False)
    for name, key, way_out in (
        ("speed", "speed_rpm", "; --speed brings all to one"),
        ("displacement", "displacement_cm3", ""),
    ):
        values = [entry[key] for entry in entries]
        if None not in values and max(values) > 1.01 * min(values):
            sentence = f"Not at equal {name}: each layout is taken as its file says{way_out}."
            out.print(sentence, markup=False, highlight=False)
    if any(entry["duty_assumed"] for entry in entries):
        sentence = (
            "Torque, bearings and torsion rest on the project's defaults where a file has no "
            "[combustion], [flywheel] or [torsion]."
        )
        out.print(sentence, markup=False, highlight=False)
    out.print(CAUTION, highlight=False)


def _number(value: float | None) -> str:
    return "-" if value is None else value_text(value)
