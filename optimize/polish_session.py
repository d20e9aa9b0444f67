"""Polishing from the command line: which space, which directory, what is written."""

from __future__ import annotations

import contextlib
import os
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
import pandas as pd
from rich.console import Console

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.metrics import METRICS, axis_label
from optimize.archive import hypervolume, non_dominated
from optimize.descents import Found, continuous_columns
from optimize.families import Family, all_families
from optimize.files import json_text, toml_text, writable_directory, write_text
from optimize.fronts import front_tables, write_front
from optimize.plan import Plan
from optimize.polish import (
    REFERENCE,
    UNPROVEN,
    Names,
    Polished,
    Run,
    common_shares,
    document,
    markdown_table,
    section,
)
from optimize.polish import polish as polish_family
from optimize.problem import Island
from optimize.processes import pool
from optimize.results import draw_pictures, write_layout_files
from optimize.run import Outcome
from optimize.session import holds_a_run, write_study_files
from optimize.shortlist import Pick, shortlist
from optimize.starts import designs_of, family_front_rows
from optimize.study import Objective, Study, read_study, study_from_tables
from optimize.summary import shortlist_rows
from optimize.texts import CAUTION
from optimize.work import Work

RUN = "RUN_DIR"
GIVENS = (
    "cycle_deg",
    "displacement_m3",
    "stroke_to_bore",
    "crank_radius_to_rod",
    "speed_rad_s",
    "mean_piston_speed_m_s",
    "proportions",
    "duty_tables",
    "rotating_fraction",
    "collectors",
    "open_duration_deg",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class PolishedRun:
    """What the command leaves, for printing.

    Attributes
    ----------
    study : Study
        As polished.
    families : tuple of Polished
        One for each family that the run has designs of.
    common : DataFrame
        The common front.
    picks : list of Pick
        The shortlist.
    folder : Path
        The new run directory.
    """

    study: Study
    families: tuple[Polished, ...]
    common: pd.DataFrame
    picks: list[Pick]
    folder: Path

    @property
    def headline(self) -> str:
        """Return in a line what polishing gained."""
        starts = sum(family.starts for family in self.families)
        improved = sum(family.improved for family in self.families)
        spent = sum(family.evaluations for family in self.families)
        before, after = common_shares(self.families)
        return (
            f"For {improved} of {starts} designs there is something better now; hypervolume of the "
            f"common front {before:.4f} -> {after:.4f}; {spent:,} designs scored. {UNPROVEN}"
        )


def polish_and_write(
    run_dir: Path,
    *,
    study_file: Path | None,
    evaluations: int,
    out: Path | None,
    workers: int | None,
    pictures: bool,
) -> PolishedRun:
    """Polish the family fronts of a run and write a run directory of its own.

    Raises
    ------
    InputError
        If the run, the study or the options cannot be used; nothing is written then.
    """
    rows = family_front_rows(run_dir, RUN)
    study = _continuous(run_dir) if study_file is None else _checked(study_file, run_dir)
    families, left_out = all_families(study)
    islands = _islands(study, families, rows, where=RUN if study_file is None else "--study")
    folder = _new_directory(run_dir, out)
    console = Console(stderr=True)
    console.print(
        f"{study.name}: {len(rows)} designs of {len(islands)} families, at most {evaluations:,} "
        f"evaluations each, into {folder}",
        highlight=False,
    )
    count = workers or os.cpu_count() or 1
    polished, seconds = [], []
    with _runner(count) as run:
        for island in islands:
            began = perf_counter()
            mine = rows[rows["family"] == island.family.name]
            names = mine["design"].tolist()
            polished.append(
                polish_family(
                    island, designs_of(mine), names=names, evaluations=evaluations, run=run
                )
            )
            seconds.append(perf_counter() - began)
            console.print(_progress(polished[-1]), highlight=False)
    plan = Plan(families=tuple(families), left_out=tuple(left_out), population=0, rounds=0)
    common, picks = _write(
        study, plan, polished, folder, run_dir, evaluations, seconds, pictures=pictures
    )
    return PolishedRun(
        study=study, families=tuple(polished), common=common, picks=picks, folder=folder
    )


def _progress(polished: Polished) -> str:
    return (
        f"{polished.island.family.name}: {polished.improved} of {polished.starts} improved, "
        f"hypervolume {polished.hypervolume_before:.4f} -> {polished.hypervolume_after:.4f}"
    )


def _continuous(run_dir: Path) -> Study:
    """Return the study of a run with continuous throw angles.

    With even firing the throws follow from the firing order, so that the step stays: there it
    only says which splays stand for a range.
    """
    tables = _run_tables(run_dir)
    if not tables.get("constraints", {}).get("even_firing", False):
        tables["space"]["throw_angle_step_deg"] = 0.0
    text = f"# The study of the run {run_dir.resolve().name}, as polished.\n\n{toml_text(tables)}"
    return study_from_tables(tables, text=text, folder=run_dir)


def _run_tables(run_dir: Path) -> dict[str, Any]:
    try:
        return tomllib.loads((run_dir / "study.toml").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise InputError(
            RUN, f"{run_dir} without a study.toml that can be read", "the directory of a run"
        ) from None


def _checked(file: Path, run_dir: Path) -> Study:
    """Return the study of --study, once it fits the run."""
    study = read_study(file)
    theirs = study_from_tables(_run_tables(run_dir), folder=file.parent)

    def refuse(what: str, got: Any, wanted: Any) -> None:
        raise InputError("--study", f"{what} {got}", f"{what} of the run, {wanted}")

    for name in ("cylinders", "arrangements", "pins"):
        mine, other = getattr(study, name), getattr(theirs, name)
        if mine != other:
            refuse(name, ", ".join(map(str, mine)), ", ".join(map(str, other)))
    mine, other = ([_objective_text(o) for o in s.objectives] for s in (study, theirs))
    if mine != other:
        refuse("objectives", ", ".join(mine), ", ".join(other))
    for name in GIVENS:
        if getattr(study, name) != getattr(theirs, name):
            word = name.removesuffix("_m3").removesuffix("_deg").replace("_", " ")
            refuse(word, "that differs", "unchanged")
    if study.kept_shares and study.tolerances != theirs.tolerances:
        refuse("tolerances", "that differ", "unchanged")
    return study


def _objective_text(objective: Objective) -> str:
    kept = "" if objective.kept_by is None else f", kept by {objective.kept_by:g}"
    return f"{objective.key} ({objective.resolution:g}{kept})"


def _islands(
    study: Study, families: Sequence[Family], rows: pd.DataFrame, *, where: str
) -> list[Island]:
    """Return the families that the run has designs of, in order; refuse what cannot move."""
    known = [family.name for family in families]
    missing = [name for name in dict.fromkeys(rows["family"]) if name not in known]
    if missing:
        raise InputError(where, f"a space without {', '.join(missing)}", "the families of the run")
    islands = [Island(study, family) for family in families if family.name in set(rows["family"])]
    if not any(len(continuous_columns(island.genome)) for island in islands):
        raise InputError(
            where,
            "a space in which nothing varies continuously",
            "firing that need not be even, or a range of bank angles or of reciprocating "
            "fractions, as --study STUDY.toml",
        )
    return islands


def _new_directory(run_dir: Path, out: Path | None) -> Path:
    whole = run_dir.resolve()
    folder = out or run_dir.parent / f"{whole.name}-polished"
    if run_dir.name in ("", ".."):
        folder = out or whole.with_name(f"{whole.name}-polished")
    if holds_a_run(folder):
        raise InputError(
            "--out", f"{folder}, which holds a run already", "a new directory, as --out DIR"
        )
    return writable_directory(folder, "--out")


@contextlib.contextmanager
def _runner(workers: int) -> Iterator[Run]:
    """Give what deals starts out to processes.

    Even one worker is a process of its own: the linear algebra of the descents rounds otherwise
    with several threads, and the result must not depend on the number of workers.
    """
    with pool(workers) as hands:

        def run(
            task: Callable[[FloatArray], Found], genomes: Iterable[FloatArray]
        ) -> Iterable[Found]:
            work: Work[int] = Work(hands)
            for number, genome in enumerate(genomes):
                work.add(number, task, genome)
            found: dict[int, Found] = {}
            while len(work):
                found.update(work.done(timeout_s=60.0))
            return [found[number] for number in sorted(found)]

        yield run


def _write(
    study: Study,
    plan: Plan,
    polished: Sequence[Polished],
    folder: Path,
    run_dir: Path,
    evaluations: int,
    seconds: Sequence[float],
    *,
    pictures: bool,
) -> tuple[pd.DataFrame, list[Pick]]:
    """Write the run directory; return the common front and the shortlist."""
    fronts = [family.front() for family in polished]
    common, family_rows = front_tables(study, fronts)
    picks = shortlist(common, study)
    history = _history(polished, seconds)
    extra = {
        "is_complete": True,
        "evaluations": sum(family.evaluations for family in polished),
        "polished_run": run_dir.resolve().name,
        "shortlist": [{"design": pick.design, "reasons": list(pick.reasons)} for pick in picks],
    }
    outcome = Outcome(
        plan=plan,
        states={},
        fronts=fronts,
        exact={},
        common=common,
        family_rows=family_rows,
        history=history,
        is_complete=True,
    )
    names = _names(study, family_rows)
    write_study_files(study, folder)
    write_front(folder / "front.parquet", common, study, extra=extra)
    write_front(folder / "family_fronts.parquet", family_rows, study, extra=extra)
    write_front(folder / "history.parquet", history, study, extra={})
    figures = document(polished, run=run_dir.resolve().name, evaluations=evaluations, names=names)
    write_text(folder / "polish.json", json_text(figures))
    write_layout_files(study, outcome, picks, folder / "shortlist")
    if pictures and len(common):
        draw_pictures(study, outcome, history, picks, folder / "pictures")
    summary = _summary(study, polished, common, picks, run_dir.resolve().name, names)
    write_text(folder / "summary.md", summary)
    return common, picks


def _names(study: Study, family_rows: pd.DataFrame) -> Names:
    """Return the names of designs by family and rounded objectives, for what points to them."""
    if family_rows.empty:
        return {}
    columns = [f"{objective.key}_rounded" for objective in study.objectives]
    scales = np.array([o.sign * o.resolution for o in study.objectives])
    boxes = np.rint(family_rows[columns].to_numpy() / scales).astype(np.int64)
    keys = zip(family_rows["family"], map(tuple, boxes.tolist()), strict=True)
    return dict(zip(keys, family_rows["design"], strict=True))


def _history(polished: Sequence[Polished], seconds: Sequence[float]) -> pd.DataFrame:
    """Return front sizes and hypervolumes before (generation 0) and after (1), in one box."""
    resolutions = polished[0].archive.resolutions
    fronts = [(family.boxes_before, family.archive.boxes) for family in polished]
    everything = np.concatenate([boxes for pair in fronts for boxes in pair]) * resolutions
    if not len(everything):
        return pd.DataFrame()
    ideal, span = everything.min(axis=0), np.ptp(everything, axis=0)
    reference = ideal + REFERENCE * np.where(span > 0, span, resolutions)
    rows = []
    for family, pair, elapsed in zip(polished, fronts, seconds, strict=True):
        counts, name = (family.starts, family.evaluations), family.island.family.name
        shares = [hypervolume(boxes * resolutions, ideal, reference) for boxes in pair]
        rows += _history_rows(name, 0, counts, pair, shares, elapsed)
    before, after = (np.concatenate([pair[time] for pair in fronts]) for time in (0, 1))
    whole = (before[non_dominated(before)], after[non_dominated(after)])
    shares = [hypervolume(boxes * resolutions, ideal, reference) for boxes in whole]
    starts = sum(family.starts for family in polished)
    spent = sum(family.evaluations for family in polished)
    rows += _history_rows("all", -1, (starts, spent), whole, shares, sum(seconds))
    return pd.DataFrame(rows)


def _history_rows(
    name: str,
    seed: int,
    evaluations: tuple[int, int],
    fronts: tuple[IntArray, IntArray],
    shares: Sequence[float],
    seconds: float,
) -> list[dict[str, Any]]:
    """Return one front's rows before and after, with the columns of a search's history."""
    return [
        {
            "family": name,
            "seed": seed,
            "round": time,
            "generation": time,
            "evaluations": evaluations[time],
            "front_size": len(np.unique(fronts[time], axis=0)),
            "hypervolume": shares[time],
            "seconds": seconds * time,
        }
        for time in (0, 1)
    ]


def _summary(
    study: Study,
    polished: Sequence[Polished],
    common: pd.DataFrame,
    picks: Sequence[Pick],
    run: str,
    names: Names,
) -> str:
    lines = [
        f"# {study.name}",
        "",
        *([study.question, ""] if study.question else []),
        f"The designs of the run {run}, polished: {len(common)} designs on the front.",
        "",
        "## Objectives",
        "",
        *_objectives(study),
        "",
        *section(polished, names=names),
        "",
        "## Shortlist",
        "",
    ]
    if picks:
        lines += markdown_table(*shortlist_rows(common, picks, study))
        lines += ["", "Throw angles in degrees in the direction of rotation, throw 1 first."]
        lines += ["Cylinders are numbered along the crank from the free end (SAE J824, method A)."]
    else:
        lines.append("No feasible design was found.")
    lines += ["", "## Caution", "", CAUTION, ""]
    return "\n".join(lines)


def _objectives(study: Study) -> list[str]:
    rows = [
        [
            axis_label(o.key),
            METRICS[o.key].sense,
            f"{o.resolution:g} {METRICS[o.key].unit}".strip(),
            METRICS[o.key].meaning,
        ]
        for o in study.objectives
    ]
    return markdown_table(["objective", "better", "difference that matters", "meaning"], rows)
