"""Good files that mutants are made of: those of `studies/`, and some with every kind of table."""

from __future__ import annotations

import shutil
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import msgspec.inspect
import numpy as np

from evaluate.layout_tables import LayoutTables
from evaluate.pressure import default_combustion, pressure_trace
from optimize.study import StudyTables

STUDIES = Path(__file__).parents[2] / "studies"
TRACE = "trace.csv"  # what layouts and studies with a measured trace name

# Made up; together they have every optional table of a layout file.
_FULL_LAYOUTS = {
    "full-in-line": """\
name = "full in-line"
numbering = "DIN 73021"
[cylinder]
bore_mm = 80.0
stroke_mm = 90.0
rod_length_mm = 150.0
pin_path_offset_mm = 1.0
reciprocating_mass_kg = 0.6
rotating_mass_kg = 0.7
[crank]
throw_angles_deg = [0, 180, 180, 0]
throw_pitch_mm = 96.0
main_bearing_positions_mm = [-60, 48, 144, 240, 340]
[firing]
order = ["1", "3", "4", "2"]
[balance]
rotating_fraction = 0.8
shafts = [{ order = 2, sense = "forward", height_mm = 20 }, { order = 2, sense = "backward" }]
[exhaust]
collectors = [["1", "4"], ["2", "3"]]
[operation]
speed_rpm = 4000
[camshafts]
placed = "one"
drive = { by = "gears", teeth = [24, [30, 20], 32] }
[facts]
same_tdc = [["1", "4"]]
next = [["1", "3"]]
order = [["1", "3", "4"]]
apart = [{ cylinders = ["1", "3"], degrees = 180 }]
tdc_apart = [{ cylinders = ["1", "2"], degrees = 180 }]
crankpins = [[[1, 4], [2, 3]]]
tolerance_deg = 3
[combustion]
ignition = "compression"
mean_effective_pressure_bar = 9.0
[flywheel]
speed_fluctuation = 0.01
inertia_kgm2 = 0.2
[torsion]
speed_range_to_rated = [0.3, 1.1]
highest_order = 8
inertias_kgm2 = [0.01, 0.01, 0.01, 0.01, 0.2]
stiffnesses_Nm_per_rad = [4e5, 4e5, 4e5, 8e5]
cylinder_stations = [1, 2, 3, 4]
diameters_mm = [50, 50, 50, 60]
damper = { inertia_kgm2 = 0.01, stiffness_Nm_per_rad = 9000, damping_Nms_per_rad = 3 }
[bearings]
main_diameter_mm = 55
main_width_mm = 24
[rod]
mass_kg = 0.6
centre_from_big_end_mm = 45
inertia_kgm2 = 0.003
""",
    "full-v": f"""\
[cylinder]
bore_mm = 90.0
stroke_mm = 80.0
rod_length_mm = 150.0
reciprocating_mass_kg = 0.5
[crank]
throw_angles_deg = [0, 90, 270, 180]
throw_positions_mm = [0, 110, 220, 330]
[banks]
angles_deg = [-45, 45]
[cylinders]
throw = [1, 1, 2, 2, 3, 3, 4, 4]
bank = [1, 2, 1, 2, 1, 2, 1, 2]
labels = ["A1", "B1", "A2", "B2", "A3", "B3", "A4", "B4"]
[exhaust]
collectors = "best of 2"
[camshafts]
drive = [{{ by = "chain" }}, {{ by = "belt" }}]
[facts]
lobes = [{{ order = ["A1", "A2"], seen_from = "driving end", met = "anticlockwise" }}]
[combustion]
trace = "{TRACE}"
[torsion.shaft]
main_diameter_to_bore = 0.65
[proportions]
bank_width_to_bore = 1.5
""",
    "bench-of-four": """\
[crank]
throw_angle_step_deg = 90
throw_positions_mm = [0, 96, 192, 288]
[facts]
same_tdc = [["1", "4"]]
next = [["1", "3"]]
""",
}

_FULL_STUDIES = {
    "full-study": f"""\
[study]
name = "full"
seed = 3
[engine]
cycle_strokes = 4
displacement_cm3 = 1200
speed = {{ mean_piston_speed_m_s = 12 }}
[proportions]
reciprocating_mass_kg_per_m3 = 1000
[space]
cylinders = [2, 3, 4]
bank_angle_deg = {{ from = 45, to = 120 }}
throw_angle_step_deg = 0
add_even_firing_angles = true
reciprocating_fraction = {{ from = 0, to = 0.5 }}
rotating_fraction = 0.9
balance_shafts = {{ slots = ["1 backward", "2 backward"], at_most = 1 }}
[constraints]
even_firing = false
mirror_symmetric = true
largest_interval_factor = 2.5
splay_deg = {{ at_most = 40 }}
box_litres = {{ at_most = 400 }}
[combustion]
trace = "{TRACE}"
[flywheel]
speed_fluctuation = 0.02
[torsion]
damper = {{ inertia_kgm2 = 0.01, stiffness_Nm_per_rad = 9000, damping_Nms_per_rad = 3 }}
[bearings]
main_diameter_mm = 50
main_width_mm = 20
[[objectives]]
metric = "force_rms_N"
resolution = 100
[[objectives]]
metric = "torque_ripple_Nm"
[[objectives]]
metric = "torsional_amplitude_deg"
[exhaust]
collectors = "best of 2"
[search]
population = 16
evaluations = 400
exact = "auto"
exact_steps = 20000
[baseline]
layout = "layouts/in-line-three.toml"
""",
    "small-lattice": """\
[study]
name = "small"
[engine]
cycle_strokes = 2
displacement_cm3 = 800
speed = { rpm = 3000 }
[space]
cylinders = [2, 3]
bank_angle_deg = [60, 90]
throw_angle_step_deg = 60
[exhaust.collectors]
2 = [["1"], ["2"]]
3 = [["1", "3"], ["2"]]
[search]
evaluations = 200
exact = "auto"
""",
}


@dataclass(frozen=True, kw_only=True)
class Source:
    """One good file.

    Attributes
    ----------
    kind : str
        "layout", "study" or "trace".
    shape
        Declared structure, as `msgspec.inspect` tells it; None for a trace.
    """

    kind: str
    name: str
    text: str
    tables: dict[str, Any]
    shape: Any = None


@cache
def sources(kind: str) -> tuple[Source, ...]:
    """Return the good files of a kind."""
    if kind == "trace":
        return (Source(kind=kind, name="trace", text=trace_text(), tables={}),)
    folders = (STUDIES / "layouts", STUDIES / "bench") if kind == "layout" else (STUDIES,)
    made = _FULL_LAYOUTS if kind == "layout" else _FULL_STUDIES
    texts = {f.stem: f.read_text("utf-8") for d in folders for f in sorted(d.glob("*.toml"))}
    shape = msgspec.inspect.type_info(LayoutTables if kind == "layout" else StudyTables)
    return tuple(
        Source(kind=kind, name=name, text=text, tables=tomllib.loads(text), shape=shape)
        # Those with every table count several times: most of the rest are much alike.
        for name, text in [*texts.items(), *4 * list(made.items())]
    )


@cache
def trace_text() -> str:
    """Return a pressure trace of a whole cycle as CSV."""
    trace = pressure_trace(
        default_combustion("spark", 720.0, {}),
        crank_radius_m=1.0,
        rod_length_m=3.0,
        pin_path_offset_m=0.0,
        cycle_deg=720.0,
    )
    rows = zip(np.rad2deg(trace.psi_rad)[::4], trace.pressure_Pa[::4] / 1e5, strict=True)
    return "crank_angle_deg,pressure_bar\n" + "".join(f"{a:g},{p:.4f}\n" for a, p in rows)


def neighbours(folder: Path) -> None:
    """Write into a folder what studies and layouts name."""
    shutil.copytree(STUDIES / "layouts", folder / "layouts")
    (folder / TRACE).write_text(trace_text(), "utf-8")
