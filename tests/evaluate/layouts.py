"""Layouts for tests of remedies and readings, from tables as a layout file has them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from evaluate import Layout, layout_from_tables, read_layout

SAMPLES = sorted((Path(__file__).parents[2] / "studies" / "layouts").glob("*.toml"))


def sample(name: str) -> Layout:
    """Return a layout of `studies/layouts`."""
    return read_layout(next(path for path in SAMPLES if path.stem == name))


def tables(
    throw_angles_deg: Sequence[float],
    *,
    positions_mm: Sequence[float] | None = None,
    axes_deg: Sequence[float] = (0.0,),
    throw: Sequence[int] | None = None,
    bank: Sequence[int] | None = None,
    cylinder_mm: Sequence[float] | None = None,
    order: Sequence[str] | None = None,
    fractions: tuple[float, float] = (1.0, 0.0),
    shafts: Sequence[tuple[int, str, float]] = (),
    collectors: Any = "one",
    open_deg: float = 240.0,
    strokes: int = 4,
    bore_mm: float | None = 90.0,
    stroke_mm: float = 90.0,
    rod_mm: float = 150.0,
    offset_mm: float = 0.0,
    masses_kg: tuple[float, float] = (0.5, 0.8),
    speed_rpm: float | None = 3000.0,
    rotation: str = "clockwise",
    camshafts: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the tables of a layout; what is left out is in line at a pitch of 100 mm."""
    n_throws = len(throw_angles_deg)
    made: dict[str, Any] = {
        "cycle_strokes": strokes,
        "rotation": rotation,
        "cylinder": {
            "stroke_mm": stroke_mm,
            "rod_length_mm": rod_mm,
            "pin_path_offset_mm": offset_mm,
            "reciprocating_mass_kg": masses_kg[0],
            "rotating_mass_kg": masses_kg[1],
        },
        "crank": {
            "throw_angles_deg": list(throw_angles_deg),
            "throw_positions_mm": list(positions_mm or [100 * k for k in range(n_throws)]),
        },
        "banks": {"angles_deg": list(axes_deg)},
        "cylinders": {},
        "balance": {
            "rotating_fraction": fractions[0],
            "reciprocating_fraction": fractions[1],
            "shafts": [{"order": k, "sense": s, "fraction": f} for k, s, f in shafts],
        },
        "exhaust": {"collectors": collectors, "open_duration_deg": open_deg},
    }
    given = {"throw": throw, "bank": bank, "position_mm": cylinder_mm}
    made["cylinders"] |= {key: list(value) for key, value in given.items() if value is not None}
    if bore_mm is not None:
        made["cylinder"]["bore_mm"] = bore_mm
    if order is not None:
        made["firing"] = {"order": list(order)}
    if speed_rpm is not None:
        made["operation"] = {"speed_rpm": speed_rpm}
    if camshafts is not None:
        made["camshafts"] = camshafts
    return made


def layout(throw_angles_deg: Sequence[float], **given: Any) -> Layout:
    """Return a layout; arguments as of `tables`."""
    return layout_from_tables(tables(throw_angles_deg, **given))


#: Classic layouts of the handbook table, without stagger: throws 100 mm apart.
CLASSICS: dict[str, dict[str, Any]] = {
    "single": {"throw_angles_deg": [0]},
    "twin 360": {"throw_angles_deg": [0, 0]},
    "twin 180": {"throw_angles_deg": [0, 180]},
    "twin 270": {"throw_angles_deg": [0, 90]},
    "three": {"throw_angles_deg": [0, 240, 120]},
    "four flat": {"throw_angles_deg": [0, 180, 180, 0]},
    "four cross": {"throw_angles_deg": [0, 270, 90, 180], "order": ["1", "3", "2", "4"]},
    "five": {"throw_angles_deg": [0, 216, 144, 72, 288]},
    "six": {"throw_angles_deg": [0, 240, 120, 120, 240, 0]},
    "eight": {"throw_angles_deg": [0, 180, 90, 270, 270, 90, 180, 0]},
    "V2 90": {"throw_angles_deg": [0], "axes_deg": [-45, 45], "throw": [1, 1], "bank": [1, 2]},
    "V2 60": {"throw_angles_deg": [0], "axes_deg": [-30, 30], "throw": [1, 1], "bank": [1, 2]},
    "V6 60": {
        "throw_angles_deg": [0, 300, 240, 180, 120, 60],
        "positions_mm": [0, 0.001, 100, 100.001, 200, 200.001],
        "cylinder_mm": [0, 0, 100, 100, 200, 200],
        "axes_deg": [-30, 30],
        "bank": [1, 2, 1, 2, 1, 2],
    },
    "V6 90 split": {
        "throw_angles_deg": [0, 330, 240, 210, 120, 90],
        "positions_mm": [0, 0.001, 100, 100.001, 200, 200.001],
        "cylinder_mm": [0, 0, 100, 100, 200, 200],
        "axes_deg": [-45, 45],
        "bank": [1, 2, 1, 2, 1, 2],
    },
    "V6 120": {
        "throw_angles_deg": [0, 240, 120],
        "axes_deg": [-60, 60],
        "throw": [1, 1, 2, 2, 3, 3],
        "bank": [1, 2, 1, 2, 1, 2],
    },
    "V8 cross": {
        "throw_angles_deg": [0, 90, 270, 180],
        "axes_deg": [-45, 45],
        "throw": [1, 1, 2, 2, 3, 3, 4, 4],
        "bank": [1, 2, 1, 2, 1, 2, 1, 2],
    },
    "V8 flat": {
        "throw_angles_deg": [0, 180, 180, 0],
        "axes_deg": [-45, 45],
        "throw": [1, 1, 2, 2, 3, 3, 4, 4],
        "bank": [1, 2, 1, 2, 1, 2, 1, 2],
    },
    "V12": {
        "throw_angles_deg": [0, 240, 120, 120, 240, 0],
        "axes_deg": [-30, 30],
        "throw": [1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6],
        "bank": [1, 2] * 6,
    },
    "opposed 2": {"throw_angles_deg": [0, 180], "axes_deg": [-90, 90], "bank": [1, 2]},
    "opposed 4": {
        "throw_angles_deg": [0, 180, 180, 0],
        "axes_deg": [-90, 90],
        "bank": [1, 2, 1, 2],
    },
    "opposed 6": {
        "throw_angles_deg": [0, 180, 240, 60, 120, 300],
        "axes_deg": [-90, 90],
        "bank": [1, 2, 1, 2, 1, 2],
    },
    "radial 3": {
        "throw_angles_deg": [0],
        "axes_deg": [0, 120, 240],
        "throw": [1, 1, 1],
        "bank": [1, 2, 3],
    },
}


def classic(name: str, **changed: Any) -> Layout:
    """Return a classic layout, with changes."""
    return layout(**(CLASSICS[name] | changed))
