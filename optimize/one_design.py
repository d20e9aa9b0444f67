"""One design of a run: its row, the study and family that it was made for, its layout file."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pandas as pd

from evaluate.errors import InputError, nearest
from optimize.catalogue import FAMILY_FRONTS, FRONT, FrontMetadata, read_columns
from optimize.export import layout_text
from optimize.families import Family, all_families
from optimize.files import file_to_write, write_text
from optimize.fronts import SO_FAR
from optimize.study import Study, study_from_tables

FRONTS = {"common": (FRONT, SO_FAR), "families": (FAMILY_FRONTS,)}


def export_design(folder: Path, design: str, *, out: Path | None, front: str | None) -> str:
    """Return one design of a run as the text of a layout file, and write it where asked.

    Parameters
    ----------
    folder : Path
        Run directory.
    design : str
        Name of the design, such as D3, or F12 of a family's own front.
    out : Path or None
        File to write.
    front : str or None
        Key of `FRONTS`; with None all of them are looked through.

    Raises
    ------
    InputError
        If there is no such run or design, or the file cannot be written.
    """
    file_to_write(out, "--out", suffix=".toml")
    row, metadata = design_row(folder, design, front=front)
    study = study_of(metadata, folder)
    text = layout_of_row(row, study, all_families(study)[0])
    if out is not None:
        write_text(out, text)
    return text


def design_row(
    folder: Path, design: str, *, front: str | None = None
) -> tuple[pd.Series, FrontMetadata]:
    """Return the row of a design, and the metadata of the front that it stands on.

    Raises
    ------
    InputError
        If the directory has no front, or the front no such design.
    """
    files = FRONTS[front] if front else (*FRONTS["common"], *FRONTS["families"])
    present = [folder / name for name in files if (folder / name).is_file()]
    if not present:
        got = f"{folder} without {files[0]}" if folder.is_dir() else f"{folder}, no directory"
        raise InputError("RUN_DIR", got, "the directory of a run with a front")
    known: list[str] = []
    for path in present:
        metadata, table = read_columns(path)
        names = table["design"].to_pylist() if "design" in table.column_names else []
        if design in names:
            return table.slice(names.index(design), 1).to_pandas().iloc[0], metadata
        known += [name for name in names if name not in known]
    where = " and ".join(path.name for path in present)
    shown = ", ".join(known[:12]) + (", ..." if len(known) > 12 else "")
    allowed = f"a design of {where}: {shown}" if known else f"a design, but {where} has none"
    raise InputError("DESIGN", repr(design), allowed, nearest(design, known))


def study_of(metadata: FrontMetadata, folder: Path) -> Study:
    """Return the study that a front was made for, whatever became of the file beside it.

    Its baseline is left out: no design depends on it.

    Raises
    ------
    InputError
        If this version cannot read it, or a pressure trace that it names is gone.
    """
    where = f"{folder}: the study in the metadata"
    try:
        tables = tomllib.loads(metadata.study)
        tables.pop("baseline", None)
        study = study_from_tables(tables, text=metadata.study, folder=folder)
    except tomllib.TOMLDecodeError as error:
        raise InputError(where, str(error), "a study as it was written") from None
    except InputError as error:
        raise InputError(f"{where}: {error.where}", error.got, error.allowed) from None
    return replace(study, seed=metadata.seed)


def layout_of_row(row: pd.Series, study: Study, families: list[Family]) -> str:
    """Return the text of a row's layout file.

    Raises
    ------
    InputError
        If the row is of no family of the study, or has no design yet.
    """
    family = next((f for f in families if f.name == row["family"]), None)
    if family is None:
        names = ", ".join(f.name for f in families)
        raise InputError(f"family of {row['design']}", repr(row["family"]), names)
    try:
        return layout_text(row, family, study, name=f"{row['design']} {row['family']}")
    except (AttributeError, KeyError, TypeError, ValueError):  # empty cells, missing columns
        raise InputError(
            f"design {row['design']}",
            "a row without its throws, banks, firing or shafts",
            "a design as a run leaves it; in families that are still being enumerated the front "
            "so far has no designs",
        ) from None
