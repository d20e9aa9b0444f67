"""One front member scored again by the plain path, beside what its row says."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from evaluate import units
from evaluate.batch import Engine, FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.metrics import METRICS, score
from optimize.archive import rounded_boxes
from optimize.exact.levels import HAIR
from optimize.exact.run_files import angles_text, row_designs
from optimize.export import layout_of
from optimize.families import Family
from optimize.problem import Island
from optimize.robust import KEPT, interval_columns
from optimize.study import Study

#: Relative difference by which two computations of one metric may differ: angles and lengths go
#: through decimal text and other units; a share of the same size of the scale of all inertia
#: forces is allowed for what cancels.
TOLERANCE = 1e-9
_SAME_DEG = 1e-6  # what differs by less is one firing
_WHOLE = 1e-6  # by which a rounded value over its resolution may be off a whole number


def score_problems(row: pd.Series, island: Island) -> list[str]:
    """Return what a row says wrongly of its own design; nothing if it is right.

    Parameters
    ----------
    row : Series
        A member of a front that lies in the space of the study.
    island : Island
        Its family under that study.

    Notes
    -----
    The design is rebuilt from throws, banks, firing angles, fractions and shafts in two ways that
    share nothing but the metrics: as a batch of one, and as a layout file. Columns for readers
    must agree with those, rounded objectives as whole numbers.
    """
    designs, study = row_designs(row), island.study
    problems = _label_problems(row, island.family)
    ways = {"as a batch of one": (island.family.engine, designs.batch, study)}
    try:
        layout = layout_of(row, island.family, study, name=str(row["design"]))
        as_filed = replace(study, tolerances=layout.tolerances)
        ways["as a layout file"] = (layout.engine, layout.batch, as_filed)
    except InputError as error:
        problems.append(f"its layout file is refused ({error})")
    for way, (engine, batch, tolerated) in ways.items():
        values = score(engine, batch, list(METRICS))[0]
        problems += _value_problems(row, island.family, values, way)
        built = {k: float(v[0]) for k, v in interval_columns(tolerated, engine, batch).items()}
        problems += _interval_problems(row, island.family, built, way)
        objectives = [
            built.get(o.key + KEPT, values[list(METRICS).index(o.key)]) for o in study.objectives
        ]
        problems += _box_problems(row, study, np.array(objectives), way)
    violations = island.judge(designs)[1][0]
    return problems + [
        f"it violates: {name}"
        for name, violation in zip(island.constraint_names, violations, strict=True)
        if violation > 0
    ]


def _value_problems(row: pd.Series, family: Family, values: FloatArray, way: str) -> list[str]:
    """Return which metrics of a row are not what was computed; older rows have fewer of them."""
    stated = np.array([row.get(key, np.nan) for key in METRICS], float)
    allowed = TOLERANCE * (np.abs(stated) + _scales(family.engine))
    agrees = (np.abs(values - stated) <= allowed) | (np.isnan(values) & np.isnan(stated))
    return [
        f"{key} is {value:.9g} {way}, not {said:.9g}"
        for key, value, said, is_right in zip(METRICS, values, stated, agrees, strict=True)
        if not is_right and key in row
    ]


def _interval_problems(
    row: pd.Series, family: Family, built: dict[str, float], way: str
) -> list[str]:
    """Return which columns on built engines are missing, or not what was computed."""
    scales = dict(zip(METRICS, _scales(family.engine), strict=True))
    problems = []
    for name, value in built.items():
        if name not in row:
            problems.append(f"{name} is missing")
            continue
        stated = float(row[name])
        allowed = TOLERANCE * (abs(stated) + scales[name.rpartition("_")[0]])
        if not (abs(value - stated) <= allowed or (math.isnan(value) and math.isnan(stated))):
            problems.append(f"{name} is {value:.9g} {way}, not {stated:.9g}")
    return problems


def _box_problems(row: pd.Series, study: Study, values: FloatArray, way: str) -> list[str]:
    """Return whether the rounded objectives of a row are not those that were computed."""
    stated, computed = _stated_box(row, study), _box(values, study, 0.0)
    if stated is None:
        return ["a rounded objective is no multiple of its resolution"]
    # On the very edge of a step another writing of the design may round the other way.
    if (_box(values, study, -HAIR) <= stated).all() and (stated <= _box(values, study, HAIR)).all():
        return []
    return [f"rounded objectives are {computed.tolist()} steps {way}, not {stated.tolist()}"]


def _label_problems(row: pd.Series, family: Family) -> list[str]:
    """Return which of the columns for readers disagree with the angles and the engine."""
    rising = np.sort(np.array(row["firing_angles_deg"], float))
    intervals = np.diff(rising, append=rising[0] + family.engine.cycle_deg)
    fired = [row["firing_angles_deg"][i] for i in _order(row)]
    stated = {
        "bore_mm": units.mm_from_m(family.engine.bore_m),
        "stroke_mm": units.mm_from_m(2 * family.engine.crank_radius_m),
        "speed_rpm": units.rpm_from_rad_s(family.engine.speed_rad_s),
    }
    problems = [
        f"{name} is {value:.9g}, not {row[name]:.9g}"
        for name, value in stated.items()
        if name in row and abs(row[name] - value) > TOLERANCE * value
    ]
    if len(fired) != family.cylinders or np.abs(np.array(fired) - rising).max() > _SAME_DEG:
        problems.append(f"firing order {row['firing_order']} is not that of its firing angles")
    given = np.array(row["firing_intervals_deg"], float)
    if given.shape != intervals.shape or np.abs(given - intervals).max() > _SAME_DEG:
        problems.append("firing intervals are not those of its firing angles")
    if "throw_angles" in row and row["throw_angles"] != angles_text(row["throw_angles_deg"]):
        problems.append(f"throws read {row['throw_angles']}")
    return problems


def _order(row: pd.Series) -> list[int]:
    """Return the cylinders of a row in their firing order, from 0; none if it names others."""
    labels = str(row["firing_order"]).split("-")
    known = {str(i + 1): i for i in range(len(row["firing_angles_deg"]))}
    return [known[label] for label in labels] if sorted(labels) == sorted(known) else []


def _scales(engine: Engine) -> FloatArray:
    """Return by metric the size of what may cancel in it: all inertia forces, a cycle, one."""
    mass_kg = engine.reciprocating_mass_kg + engine.rotating_mass_kg
    force_N = engine.n_cylinders * mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    length_m = float(np.ptp(engine.positions_m)) + engine.crank_radius_m
    by_unit = {"N": force_N, "N·m": force_N * length_m, "deg": engine.cycle_deg, "": 1.0}
    return np.array([by_unit.get(metric.unit, 1e-3) for metric in METRICS.values()])


def _stated_box(row: pd.Series, study: Study) -> IntArray | None:
    """Return the whole multiples that a row states, None if they are not whole."""
    steps = [row[f"{o.key}_rounded"] / o.resolution * o.sign for o in study.objectives]
    values = np.array(steps, float)
    is_whole = np.abs(values - np.rint(values)) <= _WHOLE * np.maximum(1, np.abs(values))
    return np.rint(values).astype(np.int64) if is_whole.all() else None


def _box(values: FloatArray, study: Study, hair: float) -> IntArray:
    """Return rounded objectives, given in their units and moved by a share of the resolutions."""
    signed = values * np.array([o.sign for o in study.objectives])
    resolutions = np.array([o.resolution for o in study.objectives])
    box: IntArray = rounded_boxes(signed[np.newaxis] + hair * resolutions, resolutions)[0]
    return box
