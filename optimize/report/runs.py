"""What a report reads of a run directory, checked before anything is written."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from evaluate.errors import InputError
from evaluate.layout import Layout, read_layout
from evaluate.metrics import METRICS, score
from optimize.answers import Answer
from optimize.exact.run_files import RunFiles, read_run
from optimize.export import layout_of, layout_text
from optimize.families import Family
from optimize.fronts import family_of_row, read_front
from optimize.robust import interval_columns
from optimize.shortlist import Pick, shortlist
from optimize.status import NAME as STATUS_NAME
from optimize.status import RunStatus, read_status
from optimize.study import Study
from optimize.why import why

HISTORY = "history.parquet"


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """The layout that a study names for comparison, scored as its file has it.

    Attributes
    ----------
    layout : Layout
        From its file.
    values : dict
        Every metric by its key, and what built engines have, by column. [unit of the metric]
    """

    layout: Layout
    values: dict[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """A finished run as a report needs it.

    Attributes
    ----------
    files : RunFiles
        Study, fronts and certificate.
    metadata : dict
        Of `front.parquet`.
    history : DataFrame
        Growth of the front; empty where nothing was searched.
    status : RunStatus or None
        None for runs from before there was one.
    picks : tuple of Pick
        The shortlist, the balanced design first.
    baseline : Baseline or None
        None where the study names none.
    placed : Answer or None
        Where the baseline stands among the designs; None without one, or where it cannot be told.
    """

    files: RunFiles
    metadata: dict[str, Any]
    history: pd.DataFrame
    status: RunStatus | None
    picks: tuple[Pick, ...]
    baseline: Baseline | None
    placed: Answer | None

    @property
    def study(self) -> Study:
        """Return the study as it was run."""
        return self.files.study

    @property
    def front(self) -> pd.DataFrame:
        """Return the common front, one row a design."""
        return self.files.common

    def row(self, design: str) -> pd.Series:
        """Return the row of a design of the front."""
        front = self.front
        return front[front["design"] == design].iloc[0]

    def family(self, row: pd.Series) -> Family:
        """Return the family of a row."""
        return family_of_row(row, self.files.families)

    def layout(self, row: pd.Series) -> Layout:
        """Return a design as a checked layout."""
        return layout_of(row, self.family(row), self.study, name=design_name(row))

    def layout_file(self, row: pd.Series) -> str:
        """Return the text of a design's layout file, as `crankfront export` writes it."""
        return layout_text(row, self.family(row), self.study, name=design_name(row))


def design_name(row: pd.Series) -> str:
    """Return a design's name in files and pictures, such as "D7 in-line 4"."""
    return f"{row['design']} {row['family']}"


def read_report_run(folder: Path) -> Run:
    """Return a run that can be reported.

    Parameters
    ----------
    folder : Path
        Run directory.

    Raises
    ------
    InputError
        If it holds no finished run, a file of it cannot be read, or its front is empty.
    """
    files = read_run(folder)
    metadata = read_front(folder / "front.parquet").attrs
    if files.common.empty:
        raise InputError(
            "RUN_DIR",
            f"{folder}, whose front has no design",
            "a run that found one; its summary.md says which limit stood in the way",
        )
    files = replace(files, study=replace(files.study, seed=int(metadata["seed"])))
    history = folder / HISTORY
    baseline = _baseline(files.study)
    return Run(
        files=files,
        metadata=metadata,
        history=read_front(history) if history.is_file() else pd.DataFrame(),
        status=read_status(folder) if (folder / STATUS_NAME).is_file() else None,
        picks=_picks(files, metadata),
        baseline=baseline,
        placed=_placed(files, baseline),
    )


def _picks(files: RunFiles, metadata: dict[str, Any]) -> tuple[Pick, ...]:
    """Return the shortlist as the run wrote it, or a new one for runs that wrote none."""
    front, known = files.common, set(files.common["design"])
    stored = [pick for pick in metadata.get("shortlist", ()) if pick["design"] in known]
    if not stored:
        return tuple(shortlist(front, files.study))
    family = dict(zip(front["design"], front["family"], strict=True))
    return tuple(
        Pick(
            design=pick["design"],
            name=f"{pick['design']} {family[pick['design']]}",
            reasons=tuple(pick["reasons"]),
        )
        for pick in stored
    )


def _baseline(study: Study) -> Baseline | None:
    if study.baseline is None:
        return None
    layout = read_layout(Path(study.baseline))
    drawn = score(layout.engine, layout.batch, METRICS)[0].tolist()
    built = interval_columns(study, layout.engine, layout.batch)
    values = dict(zip(METRICS, drawn, strict=True))
    return Baseline(layout=layout, values=values | {k: float(v[0]) for k, v in built.items()})


def _placed(files: RunFiles, baseline: Baseline | None) -> Answer | None:
    if baseline is None:
        return None
    try:
        return why(files, baseline.layout)
    except InputError:
        return None


def plain_value(value: Any) -> Any:
    """Return a cell of a frame as JSON knows it; what is no number is null."""
    if isinstance(value, np.ndarray):
        return [plain_value(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def json_in_page(document: Any) -> str:
    """Return a document as JSON that may stand inside a script element."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
