"""Runs to be reported: a small one that is searched here, and one as large as reports must bear."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimize.session import search_and_write

STUDIES = Path(__file__).parents[1] / "studies"
LARGE = 2000


def small_run(folder: Path) -> Path:
    """Search the demo's study in little: fewer families, two seeds, a small budget."""
    text = (STUDIES / "compact-four-stroke.toml").read_text(encoding="utf-8")
    for old, new in (
        ("cylinders = [2, 3, 4, 5, 6]", "cylinders = [2, 3, 4, 6]"),
        ('pins = ["shared", "split", "own-main", "own-web"]', 'pins = ["shared", "own-web"]'),
        ("bank_angle_deg = [60, 75, 90, 120]", "bank_angle_deg = [90, 120]"),
        ("population = 200", "population = 16"),
        ("evaluations = 60_000", "evaluations = 3_000"),
        ("seeds = 1 ", "seeds = 2 "),
        ("layouts/", f"{(STUDIES / 'layouts').as_posix()}/"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    folder.mkdir(parents=True)
    study = folder / "small.toml"
    study.write_text(text, encoding="utf-8")
    run = folder / "small"
    search_and_write(
        study, out=run, resume=False, workers=1, seed=None, pictures=False, save_every_s=600.0
    )
    return run


def large_run(source: Path, folder: Path) -> Path:
    """Copy a run with its front repeated to `LARGE` designs, a little apart from each other.

    No study with a front of this size runs in seconds. The layouts are those of the source; only
    what is drawn and filtered by is moved, so that the marks do not cover each other.
    """
    shutil.copytree(source, folder)
    table = pq.read_table(folder / "front.parquet")
    rows = table.to_pandas()
    many = rows.iloc[[n % len(rows) for n in range(LARGE)]].reset_index(drop=True)
    known = set(rows["design"])
    names = [f"D{n + 1}" for n in range(LARGE)]
    many["design"] = names[: len(rows)] + [n for n in names if n not in known][: LARGE - len(rows)]
    turn = many.index.to_numpy() // len(rows)
    for key in ("force_rms_N", "couple_rms_Nm", "box_litres", "crank_train_mass_kg"):
        many[key] = many[key] + turn * 0.371 * (1 + many.index.to_numpy() % 17)
    stored = pa.Table.from_pandas(many, preserve_index=False)
    pq.write_table(stored.replace_schema_metadata(table.schema.metadata), folder / "front.parquet")
    return folder


def stored_front(run: Path) -> pd.DataFrame:
    """Read a front with nothing of this project in between."""
    frame: pd.DataFrame = pq.read_table(run / "front.parquet").to_pandas()
    return frame


def stored_metadata(run: Path) -> dict[str, Any]:
    """Read the metadata of a front with nothing of this project in between."""
    stored = pq.read_schema(run / "front.parquet").metadata[b"crankfront"]
    document: dict[str, Any] = json.loads(stored)
    return document
