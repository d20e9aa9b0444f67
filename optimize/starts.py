"""Designs of a finished run as starting points: for polishing, and for another search."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from evaluate.batch import Batch
from evaluate.errors import InputError
from optimize.exact.membership import shape_problem
from optimize.exact.run_files import check_columns
from optimize.families import Family
from optimize.files import write_whole
from optimize.fronts import one_row_batch, read_front
from optimize.genome import Designs

FILE = "family_fronts.parquet"
KEPT = "start.parquet"  # a copy in the run that starts from it


def family_front_rows(folder: Path, where: str) -> pd.DataFrame:
    """Return every member of every family's own front in a run directory.

    Parameters
    ----------
    folder : Path
        A run directory.
    where : str
        Argument or option that names it, for the message.

    Raises
    ------
    InputError
        If it holds no finished run with a design.
    """
    allowed = "the directory of a finished run, from optimize or enumerate"
    if not folder.is_dir():
        raise InputError(where, f"{folder}, no directory", allowed)
    if not (folder / FILE).is_file():
        raise InputError(where, f"{folder} without {FILE}", allowed)
    rows = _rows(folder / FILE)
    if rows.empty:
        raise InputError(where, f"{folder} without any design", "a run with a design on its front")
    return rows


def _rows(path: Path) -> pd.DataFrame:
    rows = read_front(path)
    if not rows.empty:
        check_columns(rows, path)
    return rows


def designs_of(rows: pd.DataFrame) -> Designs:
    """Return the designs of some rows of one family."""
    batches = [one_row_batch(row) for _, row in rows.iterrows()]
    arrays = {
        name: np.concatenate([getattr(batch, name) for batch in batches])
        for name in Batch.__slots__
    }
    return Designs(batch=Batch(**arrays), splay_deg=rows["splay_deg"].to_numpy(float))


def starts_by_family(folder: Path, families: Sequence[Family], where: str) -> Mapping[str, Designs]:
    """Return the designs of a run for those of the families that it has too, by family name.

    Parameters
    ----------
    folder : Path
        A run directory.
    families : sequence of Family
        Those of the search that starts from them.
    where : str
        Argument or option that names the directory, for the message.

    Raises
    ------
    InputError
        If it holds no finished run, or none of these families.
    """
    rows = family_front_rows(folder, where)
    found = _by_family(rows, families, where)
    if not found:
        theirs = ", ".join(dict.fromkeys(rows["family"]))
        ours = ", ".join(family.name for family in families)
        raise InputError(where, f"{folder} with the families {theirs}", f"one of {ours}")
    return found


def keep_starts(folder: Path, run: Path) -> None:
    """Copy the designs of a run into another that starts from them, for when it is resumed."""
    content = (folder / FILE).read_bytes()
    write_whole(run / KEPT, lambda beside: beside.write_bytes(content))


def is_kept(folder: Path, run: Path) -> bool:
    """Return whether a run began with the designs that another one has now."""
    kept, now = run / KEPT, folder / FILE
    return kept.is_file() and now.is_file() and kept.read_bytes() == now.read_bytes()


def kept_starts(run: Path, families: Sequence[Family]) -> Mapping[str, Designs] | None:
    """Return the designs that a run started from, None where it started from none."""
    if not (run / KEPT).is_file():
        return None
    return _by_family(_rows(run / KEPT), families, str(run / KEPT))


def _by_family(rows: pd.DataFrame, families: Sequence[Family], where: str) -> dict[str, Designs]:
    by_name = {family.name: family for family in families}
    for _, row in rows.iterrows():
        problem = shape_problem(row, by_name[row["family"]]) if row["family"] in by_name else None
        if problem:
            raise InputError(where, f"{row['design']}: {problem}", "a front as it was written")
    return {
        family.name: designs_of(rows[rows["family"] == family.name])
        for family in families
        if (rows["family"] == family.name).any()
    }
