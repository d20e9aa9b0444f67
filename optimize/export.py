"""Any design of a front as a layout file that evaluates to the same numbers."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pandas as pd

from evaluate import units
from evaluate.batch import SLOTS
from evaluate.layout import Layout, layout_from_tables
from evaluate.proportions import Proportions
from evaluate.tolerance_tables import tolerance_table
from optimize.families import Family
from optimize.files import toml_text
from optimize.study import Study


def layout_tables(row: pd.Series, family: Family, study: Study, *, name: str) -> dict[str, Any]:
    """Return the tables of a layout file for one design.

    Parameters
    ----------
    row : Series
        A row of a front table.
    family : Family
        The family that it belongs to.
    study : Study
        Gives cycle and exhaust opening.
    name : str
        For the layout's heading.
    """
    engine = family.engine
    labels = [str(i + 1) for i in range(family.cylinders)]
    groups: dict[int, list[str]] = {}
    for label, group in zip(labels, row["collectors"], strict=True):
        groups.setdefault(int(group), []).append(label)
    half_deg = 0.5 * float(row["bank_angle_deg"])
    default = Proportions()
    changed = {
        item.name: getattr(study.proportions, item.name)
        for item in fields(Proportions)
        if getattr(study.proportions, item.name) != getattr(default, item.name)
    }
    mm = units.mm_from_m
    tables: dict[str, Any] = {
        "name": name,
        "cycle_strokes": round(study.cycle_deg / 180),
        "rotation": "clockwise",
        "cylinder": {
            "bore_mm": mm(engine.bore_m),
            "stroke_mm": mm(2 * engine.crank_radius_m),
            "rod_length_mm": mm(engine.rod_length_m),
            "pin_path_offset_mm": mm(engine.pin_path_offset_m),
            "reciprocating_mass_kg": engine.reciprocating_mass_kg,
            "rotating_mass_kg": engine.rotating_mass_kg,
        },
        "crank": {
            "throw_angles_deg": [float(a) for a in row["throw_angles_deg"]],
            "throw_positions_mm": [mm(float(s)) for s in engine.throw_positions_m],
            "main_bearing_positions_mm": [mm(float(s)) for s in engine.main_positions_m],
        },
        "banks": {"angles_deg": [0.0] if engine.n_banks == 1 else [-half_deg, half_deg]},
        "cylinders": {
            "throw": [int(t) + 1 for t in engine.throws],
            "bank": [int(b) for b in row["cylinder_banks"]],
            "labels": labels,
            "position_mm": [mm(float(s)) for s in engine.positions_m],
        },
        "firing": {"order": row["firing_order"].split("-")},
        "balance": {
            "rotating_fraction": float(row["rotating_fraction"]),
            "reciprocating_fraction": float(row["reciprocating_fraction"]),
            "shafts": [
                {"order": slot.order, "sense": slot.sense}
                for slot in SLOTS
                if slot.name in row["shafts"].split(" + ")
            ],
        },
        "exhaust": {
            "collectors": list(groups.values()),
            "open_duration_deg": study.open_duration_deg,
        },
        "operation": {"speed_rpm": units.rpm_from_rad_s(engine.speed_rad_s)},
    }
    if _order_is_ambiguous(row):
        tables["firing"] = {"angles_deg": [float(a) for a in row["firing_angles_deg"]]}
    if study.tolerances is not None:
        tables["tolerances"] = tolerance_table(study.tolerances)
    return tables | study.duty_tables | ({"proportions": changed} if changed else {})


def _order_is_ambiguous(row: pd.Series) -> bool:
    """Return whether angles say more than the order: uneven firing, or cylinders together."""
    intervals = list(row["firing_intervals_deg"])
    return bool(max(intervals) - min(intervals) > 1e-6)


def layout_of(row: pd.Series, family: Family, study: Study, *, name: str) -> Layout:
    """Return one design as a checked layout."""
    return layout_from_tables(layout_tables(row, family, study, name=name))


def layout_text(row: pd.Series, family: Family, study: Study, *, name: str) -> str:
    """Return one design as the text of a layout file, headed by where it comes from."""
    heading = (
        f"# {name}: design {row['design']} of the study {study.name!r} (seed {study.seed}), "
        f"family {row['family']}{_found_text(row)}.\n"
        "# Concept-stage estimate; see the caution in the README before anything is built.\n\n"
    )
    return heading + toml_text(layout_tables(row, family, study, name=name))


def _found_text(row: pd.Series) -> str:
    """Return which repetition of a search found a design, and when; nothing of an enumeration."""
    seed, generation = (row.get(key) for key in ("seed", "generation"))
    if pd.isna(generation) or generation < 1:
        return ""
    by = "" if pd.isna(seed) or seed < 0 else f" by repetition {int(seed)}"
    return f", found{by} in generation {int(generation)}"
