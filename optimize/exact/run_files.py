"""What verification reads of a run directory: study, fronts, certificate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from evaluate.errors import InputError
from evaluate.metrics import METRICS
from optimize.families import Family, all_families
from optimize.fronts import one_row_batch, read_front
from optimize.genome import Designs
from optimize.study import Study, read_study

#: Columns of texts and of lists of numbers; all others hold numbers.
_TEXTS = ("family", "design", "arrangement", "pins", "shafts", "firing_order")
_LISTS = (
    "throw_angles_deg",
    "cylinder_banks",
    "firing_angles_deg",
    "firing_intervals_deg",
    "collectors",
)
CERTIFICATE_SCHEMA = "crankfront.certificate/1"
TABLES = ("front", "family_fronts")
_COLUMNS = (
    "family",
    "design",
    "arrangement",
    "cylinders",
    "pins",
    "bank_angle_deg",
    "splay_deg",
    "shafts",
    "reciprocating_fraction",
    "rotating_fraction",
    "throw_angles_deg",
    "cylinder_banks",
    "firing_angles_deg",
    "firing_order",
    "firing_intervals_deg",
    "collectors",
    "equals",
    *METRICS,
)


class CertifiedFamily(msgspec.Struct, kw_only=True):
    """What a certificate says of one family that was enumerated."""

    family: str
    raw: int
    members: int
    front_sha256: str
    distinct: int | None = None


class LeftOut(msgspec.Struct, kw_only=True):
    """A family that was not enumerated, and why."""

    family: str
    reason: str


class Certificate(msgspec.Struct, kw_only=True):
    """What verification needs of `certificate.json`; other keys may stand there too."""

    schema: str
    study_sha256: str
    versions: dict[str, str]
    is_complete: bool
    families: list[CertifiedFamily]
    not_enumerated: list[LeftOut]
    front_sha256: str

    @property
    def is_finished(self) -> bool:
        """Return whether the fronts of the families that it names are exact.

        A run that enumerates some families and searches the others is not complete, but says so.
        """
        return self.is_complete or bool(self.not_enumerated)


@dataclass(frozen=True, kw_only=True, slots=True)
class RunFiles:
    """A run directory as it was read.

    Attributes
    ----------
    study : Study
        Of `study.toml`.
    families : tuple of Family
        All families of that study.
    common, rows : DataFrame
        `front.parquet` and `family_fronts.parquet`.
    written_for : dict
        Text of the study in the metadata of each of these files.
    certificate : Certificate or None
        None where a search left the directory.
    """

    folder: Path
    study: Study
    families: tuple[Family, ...]
    common: pd.DataFrame
    rows: pd.DataFrame
    written_for: dict[str, str | None]
    certificate: Certificate | None

    def family_rows(self, name: str) -> pd.DataFrame:
        """Return the members of one family's own front."""
        return self.rows if self.rows.empty else self.rows[self.rows["family"] == name]


def read_run(folder: Path, where: str = "RUN_DIR") -> RunFiles:
    """Return what a run directory holds.

    Parameters
    ----------
    folder : Path
        Left by `optimize` or `enumerate`.
    where : str
        The argument, for messages.

    Raises
    ------
    InputError
        If it is no run directory, or one of its files cannot be read.
    """
    for name in ("study.toml", *(f"{name}.parquet" for name in TABLES)):
        if not (folder / name).is_file():
            got = f"{folder}, which has no {name}" if folder.is_dir() else f"{folder}, no directory"
            raise InputError(where, got, "the directory of a finished run")
    study = read_study(folder / "study.toml")
    tables = {name: _table(folder / f"{name}.parquet", study) for name in TABLES}
    written_for = {name: table.attrs.get("study") for name, table in tables.items()}
    for table in tables.values():
        table.attrs = {}  # pandas copies them with every row that is taken out
    return RunFiles(
        folder=folder,
        study=study,
        families=tuple(all_families(study)[0]),
        common=tables["front"],
        rows=tables["family_fronts"],
        written_for=written_for,
        certificate=_certificate(folder / "certificate.json"),
    )


def _table(path: Path, study: Study) -> pd.DataFrame:
    table = read_front(path)
    if table.empty:
        return table
    rounded = [f"{objective.key}_rounded" for objective in study.objectives]
    check_columns(table, path, rounded)
    steps = table[rounded].to_numpy(float) / [o.resolution for o in study.objectives]
    if not (np.abs(steps) < 2**53).all():  # NaN fails too
        raise InputError(str(path), "a rounded objective that is no number", "a front as written")
    return table


def check_columns(table: pd.DataFrame, path: Path, further: Sequence[str] = ()) -> None:
    """Check that a front has its columns, and in them what their names say.

    Parameters
    ----------
    table : DataFrame
        As read, with its metadata.
    path : Path
        Of the file, for messages.
    further : sequence of str
        Columns of numbers that it must have too.

    Raises
    ------
    InputError
        If a column is missing or holds something else.
    """
    # The metadata name the metrics that there were when the file was written.
    later = set(METRICS) - set(table.attrs.get("units", METRICS))
    wanted = [column for column in (*_COLUMNS, *further) if column not in later]
    missing = [column for column in wanted if column not in table.columns]
    if missing:
        raise InputError(
            str(path), f"no column {', '.join(missing)}", "a front of the study.toml beside it"
        )
    for column in table.columns.intersection(wanted):
        if not _is_as_written(table[column]):
            allowed = "texts" if column in _TEXTS else "numbers"
            allowed = "lists of numbers" if column in _LISTS else allowed
            raise InputError(f"{path}: {column}", "something else", f"{allowed}, as written")


def _is_as_written(column: pd.Series) -> bool:
    """Return whether a column of a front holds what its name says."""
    if column.name in _TEXTS:
        return all(isinstance(item, str) for item in column)
    if column.name in _LISTS:
        return all(isinstance(row, np.ndarray) and row.dtype.kind in "iuf" for row in column)
    return bool(pd.api.types.is_numeric_dtype(column))


def _certificate(path: Path) -> Certificate | None:
    if not path.exists():
        return None
    try:
        certificate = msgspec.json.decode(path.read_bytes(), type=Certificate)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(str(path), reason, "a readable file") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:  # broken JSON, missing keys
        raise InputError(str(path), f"a damaged certificate ({error})", "as written") from None
    if certificate.schema != CERTIFICATE_SCHEMA:
        raise InputError(
            str(path), certificate.schema, f"a certificate of the schema {CERTIFICATE_SCHEMA}"
        )
    return certificate


def row_designs(row: pd.Series) -> Designs:
    """Return the candidate of a row, rebuilt from its throws, banks, shafts and firing angles."""
    return Designs(batch=one_row_batch(row), splay_deg=np.array([float(row["splay_deg"])]))


def row_words(row: pd.Series) -> str:
    """Return a row in a few words, for messages."""
    return f"{row['design']} ({row['family']}, throws {angles_text(row['throw_angles_deg'])})"


def angles_text(angles_deg: Any) -> str:
    """Return angles as people write them."""
    return "-".join(f"{float(angle):.6g}" for angle in angles_deg)
