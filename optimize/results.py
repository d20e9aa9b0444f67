"""What a run leaves in its directory: Parquet, pictures, layout files of the shortlist, summary."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from optimize.exact.certificate import certificate
from optimize.export import layout_of, layout_text
from optimize.files import json_text, write_text
from optimize.fronts import family_of_row, write_front
from optimize.run import Outcome
from optimize.seeds import seeds_frame
from optimize.shortlist import Pick, shortlist
from optimize.study import Study
from optimize.summary import summary_text


def write_results(study: Study, outcome: Outcome, folder: Path, *, pictures: bool) -> list[Pick]:
    """Write all results of a run and return the shortlist.

    Parameters
    ----------
    study, outcome
        What was searched and what came of it.
    folder : Path
        Run directory.
    pictures : bool
        Whether to draw.
    """
    picks = shortlist(outcome.common, study)
    extra: dict[str, Any] = {
        "is_complete": outcome.is_complete,
        "evaluations": sum(state.evaluations for state in outcome.states.values()),
        "population": outcome.plan.population,
        "hypervolume": outcome.hypervolume,
        "shortlist": [{"design": pick.design, "reasons": list(pick.reasons)} for pick in picks],
    }
    write_front(folder / "front.parquet", outcome.common, study, extra=extra)
    write_front(folder / "family_fronts.parquet", outcome.family_rows, study, extra=extra)
    if outcome.exact:
        write_text(folder / "certificate.json", json_text(certificate(study, outcome)))
    history, seeds = outcome.history, outcome.seed_spreads(study)
    if seeds and study.seeds > 1:
        write_front(folder / "seeds.parquet", seeds_frame(seeds), study, extra={})
    write_front(folder / "history.parquet", history, study, extra={})
    write_layout_files(study, outcome, picks, folder / "shortlist")
    write_text(folder / "summary.md", summary_text(study, outcome, picks))
    if pictures and len(outcome.common):
        draw_pictures(study, outcome, history, picks, folder / "pictures")
    return picks


def write_layout_files(study: Study, outcome: Outcome, picks: list[Pick], folder: Path) -> None:
    """Write the shortlist as layout files, and remove those of an earlier one."""
    folder.mkdir(exist_ok=True)
    study = _seen_from(folder, study)
    names = set()
    for pick in picks:
        row = _row(outcome, pick)
        family = family_of_row(row, outcome.plan.families)
        name = f"{_file_name(pick)}.toml"
        names.add(name)
        write_text(folder / name, layout_text(row, family, study, name=pick.name))
    for old in folder.glob("*.toml"):
        if old.name not in names:
            old.unlink()


def _seen_from(folder: Path, study: Study) -> Study:
    """Return a study that names its pressure trace by the way from a folder of the run to it.

    So the layout files of a run can be moved with it, and are the same wherever it was done.
    """
    combustion = study.duty_tables.get("combustion", {})
    if "trace" not in combustion:
        return study
    trace, run = Path(combustion["trace"]), folder.resolve().parent
    if not trace.is_relative_to(run):
        return study
    named = {**combustion, "trace": f"../{trace.relative_to(run).as_posix()}"}
    return replace(study, duty_tables={**study.duty_tables, "combustion": named})


def draw_pictures(
    study: Study, outcome: Outcome, history: pd.DataFrame, picks: list[Pick], folder: Path
) -> None:
    """Draw the front, its growth where something was searched, and a card of each pick."""
    from optimize.pictures import drawing
    from optimize.pictures.card import design_card
    from optimize.pictures.of_run import run_pictures

    folder.mkdir(exist_ok=True)
    for name, figure in run_pictures(
        study, outcome.common, history, picks, outcome.seed_spreads(study)
    ).items():
        drawing.save(figure, folder / name)
    for pick in picks:
        row = _row(outcome, pick)
        family = family_of_row(row, outcome.plan.families)
        card = design_card(
            layout_of(row, family, study, name=pick.name),
            title=pick.name,
            subtitle="; ".join(pick.reasons),
        )
        drawing.save(card, folder / _file_name(pick))
    cards = {_file_name(pick) for pick in picks}
    for old in folder.glob("D[0-9]*-*"):  # of an earlier shortlist, of a run that went on
        if old.suffix in (".png", ".svg") and old.stem not in cards:
            old.unlink()


def _row(outcome: Outcome, pick: Pick) -> pd.Series:
    return outcome.common[outcome.common["design"] == pick.design].iloc[0]


def _file_name(pick: Pick) -> str:
    return pick.name.replace(" ", "-")
