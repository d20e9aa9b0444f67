"""Files that a study names: their copies in a run directory, and whether they were changed.

A run directory holds all that its run depends on, so that it can be moved, gone on with and
verified when the files that it began with are gone.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evaluate.errors import InputError
from optimize.files import write_whole

if TYPE_CHECKING:
    from optimize.study import Study

FOLDER = "study-files"  # copies of what lies beyond the folder of the study
_NAMED = (("combustion", "trace"), ("baseline", "layout"))


def copy_of(folder: Path, text: str) -> Path:
    """Return where the copy of a file stands in a run directory.

    Parameters
    ----------
    folder : Path
        Run directory.
    text : str
        The file as the study names it, seen from the study's folder.
    """
    return folder / FOLDER / Path(text).name if _lies_beyond(text) else folder / text


def _lies_beyond(text: str) -> bool:
    return Path(text).is_absolute() or ".." in Path(text).parts


def with_copies(tables: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Return the tables of a study file with what lies beyond its folder named by the copies.

    Parameters
    ----------
    tables : dict
        Of the file, not checked yet.
    folder : Path
        Where the file stands; only a run directory has such copies.
    """
    tables = dict(tables)
    for table, key in _NAMED:
        text = _text_at(tables, table, key)
        if text is not None and _lies_beyond(text) and (copy := copy_of(folder, text)).is_file():
            tables[table] = {**tables[table], key: str(copy.relative_to(folder))}
    return tables


def _text_at(tables: Mapping[str, Any], table: str, key: str) -> str | None:
    found = tables.get(table)
    text = found.get(key) if isinstance(found, dict) else None
    return text if isinstance(text, str) else None


def named_files(study: Study) -> dict[str, Path]:
    """Return the files that a study was read from beside its own, by the text that names them."""
    tables = tomllib.loads(study.text)
    places = {
        "combustion": study.duty_tables.get("combustion", {}).get("trace"),
        "baseline": study.baseline,
    }
    found = {}
    for table, key in _NAMED:
        text, place = _text_at(tables, table, key), places[table]
        if text is not None and place is not None:
            found[text] = Path(place)
    return found


def hashes(study: Study) -> dict[str, str]:
    """Return the SHA-256 of each file that a study names."""
    return {
        text: hashlib.sha256(file.read_bytes()).hexdigest()
        for text, file in named_files(study).items()
    }


def write_copies(study: Study, folder: Path) -> None:
    """Copy what a study names into a run directory, where its own copy will look for it."""
    for text, file in named_files(study).items():
        copy = copy_of(folder, text)
        copy.parent.mkdir(parents=True, exist_ok=True)
        write_whole(copy, partial(_write, file.read_bytes()))


def _write(content: bytes, path: Path) -> None:
    path.write_bytes(content)


def has_copies(study: Study, folder: Path) -> bool:
    """Return whether a run directory has copies of all that the study names."""
    return all(copy_of(folder, text).is_file() for text in named_files(study))


def as_kept(study: Study, folder: Path) -> Study:
    """Return a study as its run directory has it: what it names is read from the copies.

    So a run needs nothing but its directory once it has begun. Where a copy is missing, or a
    baseline names files of its own, it is the study as it was given.
    """
    from optimize.study import read_study  # which imports this module

    if not has_copies(study, folder):
        return study
    try:
        return replace(read_study(folder / "study.toml"), seed=study.seed)
    except InputError:
        return study


def refuse_changed(study: Study, folder: Path) -> None:
    """Raise an InputError when a file that the study names is not as its copy in the run is."""
    for text, file in named_files(study).items():
        copy = copy_of(folder, text)
        if copy.is_file() and copy.read_bytes() != file.read_bytes():
            raise InputError(
                "--resume",
                f"{text}, a file of the study that was changed since",
                f"the file as it was (the run has it as {copy}), or a new --out",
            )
