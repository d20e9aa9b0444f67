"""Where a given layout stands against the fronts of a run, and what would have to change."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from evaluate import units
from evaluate.batch import Engine, FloatArray, IntArray
from evaluate.layout import Layout
from evaluate.metrics import SHAFT_METRICS, Evaluation
from optimize.answers import (
    PLACES,
    Answer,
    Between,
    Change,
    Gap,
    Judgement,
    Member,
    Standing,
)
from optimize.archive import rounded_boxes
from optimize.as_candidate import Candidate, as_candidate
from optimize.canonical import Symmetry, symmetries
from optimize.design_changes import Described, changes, described_design, described_layout
from optimize.exact.certificate import boxes_of_rows
from optimize.exact.membership import space_problems
from optimize.exact.run_files import RunFiles, row_designs
from optimize.families import all_families
from optimize.fronts import given_rows
from optimize.limits import Breach, breaches
from optimize.problem import Island
from optimize.robust import objective_values, values_of_rows
from optimize.standing import Front, standing
from optimize.starts import designs_of
from optimize.study import Study
from optimize.texts import value_text
from optimize.why_words import sentences

__all__ = [
    "PLACES",
    "SCHEMA",
    "Answer",
    "Between",
    "Breach",
    "Change",
    "Gap",
    "Judgement",
    "Member",
    "Standing",
    "document",
    "why",
]

SCHEMA = "crankfront.why/1"


def why(run: RunFiles, layout: Layout, *, as_filed: bool = False) -> Answer:
    """Return where a layout stands against the fronts of a run.

    Parameters
    ----------
    run : RunFiles
        From `optimize.exact.run_files.read_run`.
    layout : Layout
        Any layout.
    as_filed : bool
        Whether to judge it as its file has it; else it is brought to the study's displacement,
        speed and proportions, where it is of a kind that studies know.
    """
    candidate = as_candidate(run.study, run.families, layout)
    if isinstance(candidate, str):
        outside: tuple[str, ...] = (candidate,)
    else:
        outside = _outside(run.study, candidate)
    by_file = _judged_as_filed(run, layout, candidate, outside)
    if as_filed or isinstance(candidate, str):
        judgement, other = by_file, None
    else:
        judgement, other = _judged_at_givens(run, layout, candidate, outside), by_file
    return Answer(
        layout=layout.name,
        study=run.study.name,
        judgement=judgement,
        as_filed=other,
        sentences=tuple(sentences(run, layout.name, judgement, other)),
    )


def document(answer: Answer) -> dict[str, Any]:
    """Return an answer ready for JSON, with `schema`; what is unknown becomes null."""
    plain: dict[str, Any] = _without_nan({"schema": SCHEMA, **asdict(answer)})
    return plain


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _judged_at_givens(
    run: RunFiles, layout: Layout, candidate: Candidate, outside: tuple[str, ...]
) -> Judgement:
    """Return a layout as a design of its family, at the study's givens."""
    study, family = run.study, candidate.family
    island = Island(study, family)
    evaluation = Evaluation(family.engine, candidate.designs.batch)
    twin = _twin(run, island, candidate) if candidate.is_searched else None
    values = objective_values(study, evaluation)[0]
    box = _box(study, values) if twin is None else boxes_of_rows(twin, study)[0]
    splay_deg = float(candidate.designs.splay_deg[0]) if family.pins == "split" else None
    name = None if twin is None else str(twin["design"].iloc[0])
    mine = described_design(family, candidate.designs)
    common, own = _standings(
        run, mine, box, values, family.name, family.cylinders, name, island.ways
    )
    return Judgement(
        givens="study",
        family=family.name,
        is_searched=candidate.is_searched,
        changed_givens=_changed_givens(layout.engine, family.engine),
        notes=(*candidate.notes, *_counting(layout, candidate), *_assumed_givens(study)),
        outside_space=outside,
        values=_by_key(study, values),
        rounded=_rounded(study, box),
        breaches=breaches(study, evaluation, splay_deg),
        common=common,
        own_family=own,
    )


def _judged_as_filed(
    run: RunFiles, layout: Layout, candidate: Candidate | str, outside: tuple[str, ...]
) -> Judgement:
    """Return a layout with everything as its file has it."""
    study = run.study
    evaluation = Evaluation(layout.engine, layout.batch)
    values = objective_values(study, evaluation)[0]
    box = _box(study, values)
    notes = [f"Of the file: {sentence}." for sentence in layout.assumed]
    ways: tuple[Symmetry, ...] = ()
    splay_deg, family = None, ""
    if isinstance(candidate, str):
        notes.insert(0, f"Judged as its file has it: {candidate}.")
        mine = described_layout(layout)
    else:
        family, ways = candidate.family.name, symmetries(study, candidate.family)
        mine = described_design(candidate.family, candidate.designs)
        if candidate.family.pins == "split":
            splay_deg = float(candidate.designs.splay_deg[0])
    n = layout.engine.n_cylinders
    common, own = _standings(run, mine, box, values, family, n, None, ways)
    return Judgement(
        givens="file",
        family=family or None,
        is_searched=not isinstance(candidate, str) and candidate.is_searched,
        changed_givens=(),
        notes=tuple(notes),
        outside_space=outside,
        values=_by_key(study, values),
        rounded=_rounded(study, box),
        breaches=breaches(study, evaluation, splay_deg),
        common=common,
        own_family=own,
    )


def _box(study: Study, values: Any) -> IntArray | None:
    """Return rounded objectives as multiples of their resolution; None if one is unknown."""
    if not np.isfinite(values).all():
        return None
    signs = np.array([o.sign for o in study.objectives])
    resolutions = np.array([o.resolution for o in study.objectives])
    return rounded_boxes(values * signs, resolutions)


def _by_key(study: Study, values: Any) -> dict[str, float]:
    return {o.key: float(v) for o, v in zip(study.objectives, values, strict=True)}


def _rounded(study: Study, box: IntArray | None) -> dict[str, float]:
    if box is None:
        return {o.key: math.nan for o in study.objectives}
    return {
        o.key: float(n) * o.resolution * o.sign + 0.0
        for o, n in zip(study.objectives, box, strict=True)
    }


def _standings(
    run: RunFiles,
    mine: Described,
    box: IntArray | None,
    own_values: FloatArray,
    family: str,
    n_cylinders: int,
    member: str | None,
    ways: tuple[Symmetry, ...],
) -> tuple[Standing, Standing | None]:
    """Return where a layout stands on the common front, and on its family's own."""
    change = _changes_from(run, mine, ways)
    names = frozenset(run.common["design"]) if len(run.common) else frozenset()

    def among(name: str, rows: pd.DataFrame) -> Standing:
        front = Front(
            name=name,
            study=run.study,
            rows=rows.reset_index(drop=True),
            boxes=boxes_of_rows(rows, run.study),
            values=values_of_rows(rows, run.study),
            own=own_values,
            family=family,
            on_front=names,
            changes=change,
        )
        here = member if len(rows) and member in set(rows["design"]) else None
        return standing(front, box, member=here, n_cylinders=n_cylinders)

    own = run.family_rows(family)
    return among("common", run.common), among(family, own) if len(own) else None


def _changes_from(
    run: RunFiles, mine: Described, ways: tuple[Symmetry, ...]
) -> Callable[[pd.Series], tuple[Change, ...]]:
    families = {family.name: family for family in run.families}

    def change(row: pd.Series) -> tuple[Change, ...]:
        other = described_design(families[row["family"]], row_designs(row))
        return changes(mine, other, ways)

    return change


def _twin(run: RunFiles, island: Island, candidate: Candidate) -> pd.DataFrame | None:
    """Return the row of the design that a candidate is, turned, mirrored or as it stands."""
    rows = run.family_rows(candidate.family.name)
    if rows.empty:
        return None
    same = island.keys(designs_of(rows)) == island.keys(candidate.designs)[0]
    fraction = candidate.designs.batch.rotating_fraction[0]
    same &= np.abs(rows["rotating_fraction"].to_numpy(float) - fraction) < 1e-9
    return rows[same].head(1) if same.any() else None


def _outside(study: Study, candidate: Candidate) -> tuple[str, ...]:
    """Return in which ways a candidate lies outside the space that was searched."""
    family = candidate.family
    if not candidate.is_searched:
        reasons = [text for text in all_families(study)[1] if text.startswith(f"{family.name}: ")]
        return tuple(reasons) or (f"the study does not search {family.name}",)
    row = given_rows(study, family, candidate.designs).assign(equals=1).iloc[0]
    problems = list(space_problems(row, family, study))
    shares = candidate.designs.batch.shaft_fractions[0]
    if ((shares > 0) & (shares != 1)).any():
        problems.append("a balance shaft takes only a part of its slot")
    return tuple(problems)


def _changed_givens(given: Engine, used: Engine) -> tuple[Change, ...]:
    """Return what the study's givens have changed in a layout's engine."""
    pairs = [
        (what, _text(measure(given), unit), _text(measure(used), unit))
        for what, unit, measure in _GIVENS
    ]
    return tuple(Change(what=what, layout=a, other=b) for what, a, b in pairs if a != b)


def _text(value: float, unit: str) -> str:
    return f"{value_text(value)} {unit}".strip() if math.isfinite(value) else "not given"


def _displacement_cm3(engine: Engine) -> float:
    area_m2 = 0.25 * math.pi * engine.bore_m**2
    return 1e6 * area_m2 * 2 * engine.crank_radius_m * engine.n_cylinders


def _pitch_mm(engine: Engine) -> float:
    if engine.n_throws < 2:
        return 0.0
    return units.mm_from_m(float(np.ptp(engine.throw_positions_m)) / (engine.n_throws - 1))


_GIVENS: tuple[tuple[str, str, Callable[[Engine], float]], ...] = (
    ("displacement", "cm³", _displacement_cm3),
    ("speed", "rpm", lambda e: units.rpm_from_rad_s(e.speed_rad_s)),
    ("bore", "mm", lambda e: units.mm_from_m(e.bore_m)),
    ("stroke", "mm", lambda e: units.mm_from_m(2 * e.crank_radius_m)),
    ("rod length", "mm", lambda e: units.mm_from_m(e.rod_length_m)),
    ("pin-path offset", "mm", lambda e: units.mm_from_m(e.pin_path_offset_m)),
    ("reciprocating mass per cylinder", "kg", lambda e: e.reciprocating_mass_kg),
    ("rotating mass per cylinder", "kg", lambda e: e.rotating_mass_kg),
    ("mean pitch of the throws", "mm", _pitch_mm),
    ("main bearings", "", lambda e: float(e.n_mains)),
    ("exhaust opening", "deg", lambda e: e.open_duration_deg),
)


def _counting(layout: Layout, candidate: Candidate) -> list[str]:
    """Return which cylinder is which, where the layout's labels are not the study's numbers."""
    labels = [layout.labels[i] for i in candidate.cylinders]
    if labels == [str(i + 1) for i in range(len(labels))]:
        return []
    return [f"Cylinders 1 to {len(labels)} here are the layout's {', '.join(labels)}."]


def _assumed_givens(study: Study) -> list[str]:
    """Return what else is the study's, as sentences, where it decides."""
    said = ["Exhaust collectors follow the study's rule."]
    if set(study.active_metrics) & set(SHAFT_METRICS):
        said.append("Gas, flywheel and torsion are the study's.")
    if study.kept_shares:
        said.append("Tolerances are the study's.")
    return said
