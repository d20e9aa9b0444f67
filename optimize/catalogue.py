"""Runs under a directory: which there are, what is in them, how they are, with what is damaged."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from evaluate.batch import FloatArray
from evaluate.errors import InputError
from optimize.files import has_writer
from optimize.fronts import METADATA_KEY, SO_FAR
from optimize.fronts import SCHEMA as FRONT_SCHEMA
from optimize.history import Bounds
from optimize.status import NAME as STATUS
from optimize.status import RunStatus, now_text, read_status

FRONT, FAMILY_FRONTS, HISTORY = "front.parquet", "family_fronts.parquet", "history.parquet"
_SIGNS = (FRONT, STATUS, SO_FAR, "checkpoints")  # one of them makes a directory that of a run
_WITHIN = frozenset({"checkpoints", "shortlist", "pictures"})  # in which no other run stands
_NOT_THE_PROBLEM = frozenset({"study", "search", "baseline"})  # tables of a study file
_MODES = {"optimize": "searched", "enumerate": "enumerated"}
#: Designs on a front up to which its hypervolume is measured, by the number of objectives: about
#: half a second. It grows without mercy.
_MOST_MEASURED = {**dict.fromkeys(range(1, 5), 20_000), 5: 3000, 6: 500, 7: 60, 8: 20}
READ_ERRORS = (OSError, ValueError, pa.ArrowException)


class StatedObjective(msgspec.Struct, kw_only=True):
    """An objective as the metadata of a front state it."""

    metric: str
    resolution: float


class FrontMetadata(msgspec.Struct, kw_only=True):
    """What the catalogue needs of a front's metadata; other keys may stand there too."""

    schema: str
    study: str
    seed: int
    objectives: list[StatedObjective] = []
    units: dict[str, str] = {}
    senses: dict[str, str] = {}
    is_complete: bool = True
    evaluations: int | None = None
    polished_run: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RunEntry:
    """One run in the catalogue; None where a run does not say.

    Attributes
    ----------
    run : str
        Its directory, from the one that was asked for.
    command : str or None
        What made it: searched, enumerated, searched and enumerated, polished.
    started : str or None
        ISO 8601, UTC; of runs that do not say, the time of their study file.
    families, evaluations, front_size : int or None
        Families, designs scored by a search, and designs on the common front.
    covered : int or None
        Candidates that an enumeration has covered.
    bytes : int
        Of all files in the directory.
    hypervolume : float or None
        Dominated share of one box around the fronts of all runs in the catalogue with the same
        givens, space, limits and objectives: among these it compares, beyond them it does not.
        None where it would take long to measure (many objectives), or nothing was found.
    state : str
        running, interrupted, stopped, finished, failed, or damaged.
    wrong : tuple of str
        What cannot be read, or is not as it was written.
    """

    run: str
    study: str | None
    command: str | None
    seed: int | None
    started: str | None
    families: int | None
    evaluations: int | None
    covered: int | None
    front_size: int | None
    bytes: int
    hypervolume: float | None
    state: str
    wrong: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self)


def run_directories(root: Path) -> list[Path]:
    """Return all run directories under a directory, itself included, in the order of their paths.

    Raises
    ------
    InputError
        If it is no directory, or cannot be read.
    """
    try:
        is_empty = not any(root.iterdir())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError("DIR", f"{root} ({reason})", "a directory with runs in it") from None
    return [] if is_empty else sorted(_walk(root))


def _walk(root: Path) -> Iterator[Path]:
    for name, folders, files in os.walk(root):
        here = Path(name)
        if any(sign in files or sign in folders for sign in _SIGNS):
            yield here
            folders[:] = [f for f in folders if f not in _WITHIN]
        folders[:] = [f for f in folders if not f.startswith(".")]


def name_of(folder: Path, root: Path) -> str:
    """Return how the catalogue names a run: its path from the directory that was asked for."""
    return folder.resolve().name if folder == root else folder.relative_to(root).as_posix()


def catalogue(root: Path) -> list[RunEntry]:
    """Return every run under a directory, the oldest first; damaged ones say what is wrong.

    Raises
    ------
    InputError
        If it is no directory.
    """
    readers = [_Reader(folder) for folder in run_directories(root)]
    entries = [reader.entry(name_of(reader.folder, root)) for reader in readers]
    for problem in {reader.problem for reader in readers} - {None}:
        rows = [row for row, reader in enumerate(readers) if reader.problem == problem]
        shares = _shares([readers[row].vectors for row in rows], readers[rows[0]].resolutions)
        for row, share in zip(rows, shares, strict=True):
            entries[row] = replace(entries[row], hypervolume=share)
    return sorted(entries, key=lambda entry: (entry.started or "", entry.run))


def _shares(fronts: list[FloatArray], resolutions: FloatArray) -> list[float | None]:
    """Return the hypervolume of each front in a box around all of them."""
    everything = np.concatenate(fronts)
    if not len(everything):
        return [None] * len(fronts)
    bounds, most = Bounds.around(everything, resolutions), _MOST_MEASURED.get(len(resolutions), 0)
    return [bounds.share(front) if 0 < len(front) <= most else None for front in fronts]


@dataclass(slots=True)
class _Reader:
    """Reads what a run says of itself; what cannot be read is noted and missing."""

    folder: Path
    wrong: list[str] = field(default_factory=list)
    problem: str | None = None  # the same for runs whose hypervolumes compare
    vectors: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    resolutions: FloatArray = field(default_factory=lambda: np.zeros(0))

    def entry(self, run: str) -> RunEntry:
        """Return what it says."""
        status = self._status()
        known, size = self._fronts(status)
        study = self._study(known)
        if status is not None and not (self.folder / FRONT).exists():
            size = status.front_size
        covered, is_whole = self._certificate()
        return RunEntry(
            run=run,
            study=status.study if status else study.get("name"),
            command=self._command(status, known, is_whole),
            seed=status.seed if status else known.seed if known else study.get("seed"),
            started=status.started if status else self._file_time(),
            families=self._families(status),
            evaluations=status.evaluations if status else known.evaluations if known else None,
            covered=covered,
            front_size=size,
            bytes=_bytes_in(self.folder),
            hypervolume=None,
            state=self._state(status, known),
            wrong=tuple(self.wrong),
        )

    def _status(self) -> RunStatus | None:
        if not (self.folder / STATUS).exists():
            return None
        try:
            status = read_status(self.folder)
            datetime.fromisoformat(status.started)
        except InputError as error:
            self.wrong.append(f"{STATUS}: {error.got}")
        except ValueError:
            self.wrong.append(f"{STATUS}: started at {status.started!r}, which is no time")
        else:
            return status
        return None

    def _fronts(self, status: RunStatus | None) -> tuple[FrontMetadata | None, int | None]:
        """Return metadata and size of the common front, once the files that must be there are."""
        path = front_file(self.folder)
        goes_on = status is None and (self.folder / "checkpoints").is_dir()
        is_due = path.name == FRONT and path.exists()
        is_due |= status.state == "finished" if status else not goes_on
        if is_due:
            self._columns(self.folder / FAMILY_FRONTS, {"family"}.__contains__)
        if not path.exists() and not is_due:
            return None, None
        path = self.folder / FRONT if is_due else path
        metadata, table = self._columns(path, lambda name: name.endswith("_rounded"))
        if metadata is None or table is None:
            return None, None
        self._take_vectors(metadata, table, path.name)
        return metadata, len(table)

    def _take_vectors(self, metadata: FrontMetadata, table: pa.Table, name: str) -> None:
        """Keep the rounded objectives, to be lessened."""
        columns = [f"{objective.metric}_rounded" for objective in metadata.objectives]
        signs = [
            -1.0 if metadata.senses.get(o.metric) == "most" else 1.0 for o in metadata.objectives
        ]
        shape = (len(table), len(columns))
        try:
            values = [table[column].to_numpy() for column in columns if len(table)]
            vectors = np.array(values, float).reshape(shape[::-1]).T * signs
            problem = _problem(metadata.study)
        except (KeyError, TypeError, ValueError):
            self.wrong.append(f"{name}: no rounded objectives, or no study")
            return
        if columns and np.isfinite(vectors).all():
            self.vectors, self.problem = vectors, f"{metadata.objectives} {problem}"
            self.resolutions = np.array([o.resolution for o in metadata.objectives])

    def _columns(
        self, path: Path, wanted: Callable[[str], bool]
    ) -> tuple[FrontMetadata | None, pa.Table | None]:
        try:
            return read_columns(path, wanted)
        except InputError as error:
            self.wrong.append(f"{path.name}: {error.got}")
        return None, None

    def _study(self, known: FrontMetadata | None) -> dict[str, Any]:
        """Return name and seed of the study; the copy must be what the front was made of."""
        path = self.folder / "study.toml"
        try:
            text = path.read_text(encoding="utf-8")
            if known is not None and text != known.study:
                self.wrong.append("study.toml: changed since the front was written")
            return named_study(text)
        except OSError as error:
            self.wrong.append(f"study.toml: {(error.strerror or str(error)).lower()}")
        except ValueError:
            self.wrong.append("study.toml: no study file")
        try:
            return named_study(known.study) if known else {}
        except ValueError:
            return {}

    def _families(self, status: RunStatus | None) -> int | None:
        table = None
        if (self.folder / HISTORY).exists():
            _, table = self._columns(self.folder / HISTORY, {"family"}.__contains__)
        if status is not None and status.islands:
            return len({island.family for island in status.islands})
        if table is None or not table.num_columns:
            return None
        return len(set(table["family"].to_pylist()) - {"all"})

    def _certificate(self) -> tuple[int | None, bool | None]:
        """Return how many candidates were enumerated, and whether every family was."""
        path = self.folder / "certificate.json"
        if not path.exists():
            return None, None
        try:
            found = msgspec.json.decode(path.read_bytes(), type=_Certified)
        except (OSError, ValueError):
            self.wrong.append("certificate.json: a damaged certificate")
            return None, None
        return sum(family.raw for family in found.families), found.is_complete

    def _command(
        self, status: RunStatus | None, known: FrontMetadata | None, is_whole: bool | None
    ) -> str | None:
        if known is not None and known.polished_run is not None:
            return "polished"
        if status is not None and status.islands:
            modes = {island.mode for island in status.islands}
            return "searched and enumerated" if len(modes) == 2 else modes.pop()
        if status is not None:
            return _MODES.get(status.command, status.command)
        if is_whole is not None:
            return "enumerated" if is_whole else "searched and enumerated"
        return "searched" if known else None

    def _state(self, status: RunStatus | None, known: FrontMetadata | None) -> str:
        if self.wrong:
            return "damaged"
        if status is not None:
            return status.state
        if has_writer(self.folder):
            return "running"
        if known is None:
            return "interrupted"
        return "finished" if known.is_complete else "stopped"

    def _file_time(self) -> str | None:
        for name in ("study.toml", FRONT, "."):
            try:
                return now_text((self.folder / name).stat().st_mtime)
            except OSError:
                continue
        return None


class _CertifiedFamily(msgspec.Struct):
    raw: int


class _Certified(msgspec.Struct):
    is_complete: bool
    families: list[_CertifiedFamily]


def _problem(text: str) -> str:
    """Return what decides on the hypervolume in the text of a study: not its name, seed, budget."""
    tables = tomllib.loads(text)
    kept = {key: tables[key] for key in sorted(tables) if key not in _NOT_THE_PROBLEM}
    return json.dumps(kept, sort_keys=True, default=str)


def named_study(text: str) -> dict[str, Any]:
    """Return name and seed in the text of a study, where they are what they should be."""
    table = tomllib.loads(text).get("study")
    if not isinstance(table, dict) or not isinstance(table.get("name"), str):
        raise ValueError
    seed = table.get("seed", 1)
    return {"name": table["name"], "seed": seed if isinstance(seed, int) else None}


def _bytes_in(folder: Path) -> int:
    total = 0
    for name, _, files in os.walk(folder):
        for file in files:
            try:
                total += os.lstat(os.path.join(name, file)).st_size
            except OSError:  # a temporary neighbour that has just become a file
                continue
    return total


def front_file(folder: Path, *, is_whole: bool = False) -> Path:
    """Return where a run's front stands, or will stand.

    Parameters
    ----------
    folder : Path
        Run directory.
    is_whole : bool
        Whether every family's own front is meant, not the common one. While a run goes on the
        common front so far is all there is.
    """
    path = folder / (FAMILY_FRONTS if is_whole else FRONT)
    return path if path.exists() or not (folder / SO_FAR).exists() else folder / SO_FAR


def read_columns(
    path: Path, wanted: Callable[[str], bool] = lambda _: True
) -> tuple[FrontMetadata, pa.Table]:
    """Return the metadata of a front and some of its columns.

    Parameters
    ----------
    path : Path
        A Parquet file of a run.
    wanted : callable
        Says of the name of a column whether it is; all are by default.

    Raises
    ------
    InputError
        If it is damaged, no file of a run, or of another schema.
    """
    allowed = "a front of a run"
    if not path.is_file():
        raise InputError(str(path), "no such file", allowed)
    try:
        with pq.ParquetFile(path) as file:
            stored = (file.schema_arrow.metadata or {}).get(METADATA_KEY)
            names = file.schema_arrow.names
            table = file.read([name for name in names if wanted(name)])
        table.validate(full=True)
    except READ_ERRORS as error:
        reason = (str(error).splitlines() or ["unreadable"])[0].rstrip(".")
        raise InputError(str(path), reason, allowed) from None
    try:  # JSON of the standard library: it knows NaN, as its writer does
        metadata = msgspec.convert(json.loads(stored or b"{}"), FrontMetadata)
    except (ValueError, RecursionError):
        raise InputError(str(path), "no metadata of a front", allowed) from None
    if metadata.schema != FRONT_SCHEMA:
        raise InputError(str(path), metadata.schema, f"a file of the schema {FRONT_SCHEMA}")
    return metadata, table


def columns_of(path: Path) -> pa.Schema:
    """Return the columns of a front without reading them; none where it cannot be read."""
    try:
        return pq.read_schema(path)
    except READ_ERRORS:
        return pa.schema([])
