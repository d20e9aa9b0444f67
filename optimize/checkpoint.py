"""Checkpoints: island states as plain arrays in files that appear whole or not at all.

A file of an island is named by how far it is and never changes; the note that names the files
comes last and makes them count. So a save writes only the islands that have moved.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

import evaluate
import optimize
from evaluate.errors import InputError
from optimize.archive import Archive
from optimize.files import write_text, write_whole
from optimize.fronts import package_versions
from optimize.history import Bounds, Track
from optimize.inputs import hashes
from optimize.keyset import KeySet
from optimize.search import IslandState
from optimize.study import Study

SCHEMA = "crankfront.checkpoint/2"
NOTE = "round.json"
_SEAL = "sha256"
IslandId = tuple[int, int]  # (family, repetition)


@dataclass(kw_only=True, slots=True)
class SearchState:
    """How far a search is: all that is needed to go on to the same end.

    Attributes
    ----------
    rounds_done : int
        Barriers passed.
    goals : dict of (family, repetition) to int
        Generation that each island reaches in the round under way; empty between rounds.
    behind : dict of int to int
        At how many barriers in a row each family had no place on the common front.
    states : dict of (family, repetition) to IslandState
        Islands that have begun.
    tracks : dict of (family, repetition) to Track
        Their histories.
    barriers : list of dict
        The history of the common front.
    bounds : Bounds or None
        Where hypervolumes are measured; None before the first barrier.
    """

    rounds_done: int = 0
    goals: dict[IslandId, int] = field(default_factory=dict)
    behind: dict[int, int] = field(default_factory=dict)
    states: dict[IslandId, IslandState] = field(default_factory=dict)
    tracks: dict[IslandId, Track] = field(default_factory=dict)
    barriers: list[dict[str, Any]] = field(default_factory=list)
    bounds: Bounds | None = None

    @property
    def evaluations(self) -> int:
        """Designs scored so far."""
        return sum(state.evaluations for state in self.states.values())


def study_hash(text: str) -> str:
    """Return the hash of a study's text."""
    return hashlib.sha256(text.encode()).hexdigest()


def origin(study: Study) -> dict[str, Any]:
    """Return what a run depends on: study, files that it names, seed, versions, own code.

    A run goes on only where all of this is as it was.
    """
    found = {
        "study_sha256": study_hash(study.text),
        "files_sha256": hashes(study),
        "seed": study.seed,
    }
    return found | {"versions": package_versions(), "code_sha256": _code_hash()}


@cache
def _code_hash() -> str:
    """Return the hash of our own modules: a version number stays the same while code is edited."""
    digest = hashlib.sha256()
    for package in (evaluate, optimize):
        folder = Path(package.__path__[0])
        for file in sorted(folder.rglob("*.py")):
            digest.update(file.relative_to(folder).as_posix().encode() + b"\0")
            digest.update(file.read_bytes())
    return digest.hexdigest()


def refuse_another_origin(note: Mapping[str, Any], study: Study) -> None:
    """Raise an InputError when a note was written for other givens, or by other code."""
    now = origin(study)
    new_out = "or a new --out"
    if note["study_sha256"] != now["study_sha256"]:
        raise InputError(
            "--resume", "a study file that was changed since", f"the study as it was, {new_out}"
        )
    files = [
        text for text, seen in now["files_sha256"].items() if note["files_sha256"][text] != seen
    ]
    if files:
        raise InputError(
            "--resume",
            f"{', '.join(files)}, of the study, changed since",
            f"the study's files as they were, {new_out}",
        )
    if note["seed"] != now["seed"]:
        raise InputError("--resume", f"seed {now['seed']}", f"the seed of the run, {note['seed']}")
    old, new = note["versions"], now["versions"]
    changed = [name for name, version in new.items() if old.get(name) != version]
    if changed:
        was = ", ".join(f"{name} {old.get(name)}" for name in changed)
        raise InputError(
            "--resume",
            f"other package versions: {', '.join(changed)}",
            f"the versions of the run ({was}), {new_out}",
        )
    if note["code_sha256"] != now["code_sha256"]:
        raise InputError(
            "--resume",
            "modules of crankfront that were changed since",
            f"the code that the run began with, {new_out}",
        )


def sealed_text(note: Mapping[str, Any]) -> str:
    """Return a note as JSON, with the hash of all that it holds."""
    return json.dumps({**note, _SEAL: study_hash(json.dumps(note))})


def is_as_sealed(note: Mapping[str, Any]) -> bool:
    """Return whether a note that was read holds what was written, by its hash."""
    held = {key: value for key, value in note.items() if key != _SEAL}
    return bool(note.get(_SEAL) == study_hash(json.dumps(held)))


def save(folder: Path, search: SearchState, begun: Mapping[str, Any]) -> None:
    """Write the islands that have moved, then the note that names all files; then drop others.

    Parameters
    ----------
    folder : Path
        For checkpoints, in the run directory.
    search : SearchState
        How far the search is.
    begun : mapping
        What the run depends on, from `origin` as it began.
    """
    folder.mkdir(exist_ok=True)
    files = {}
    for (family, repetition), state in search.states.items():
        track = search.tracks[(family, repetition)]
        name = _file_name(family, repetition, state, track)
        files[name] = [family, repetition]
        if not (folder / name).exists():
            buffer = io.BytesIO()
            np.savez(buffer, allow_pickle=False, **_arrays(state), **track.arrays())
            write_whole(folder / name, _writer(buffer.getvalue()))
    bounds = search.bounds
    note = {
        "schema": SCHEMA,
        **begun,
        "rounds_done": search.rounds_done,
        "goals": [[*island, goal] for island, goal in search.goals.items()],
        "behind": list(search.behind.items()),
        "islands": files,
        "barriers": search.barriers,
        "bounds": None if bounds is None else [bounds.lower.tolist(), bounds.reference.tolist()],
    }
    write_text(folder / NOTE, sealed_text(note))
    _remove_all_but(folder, files)


def _file_name(family: int, repetition: int, state: IslandState, track: Track) -> str:
    """Return a name that is another one whenever the content is another one."""
    name = f"island-{family:03d}-{repetition:03d}-generation-{state.generation:07d}"
    name += f"-measured-{len(track):07d}"
    return f"{name}-exhausted.npz" if state.is_exhausted else f"{name}.npz"


def _remove_all_but(folder: Path, files: Iterable[str]) -> None:
    """Remove states that no note names: earlier ones, or of a save that was never complete."""
    for old in folder.glob("island-*.npz"):
        if old.name not in files:
            old.unlink()


def clear(folder: Path) -> None:
    """Remove states of a run that died in its first save: names do not tell whose they are."""
    if not exists(folder):
        _remove_all_but(folder, ())


def exists(folder: Path) -> bool:
    """Return whether a folder holds a search to go on with."""
    return (folder / NOTE).exists()


def load(folder: Path, study: Study) -> SearchState:
    """Return how far the search of a folder was when it was last saved.

    What a save that was never complete has left behind is removed.

    Raises
    ------
    InputError
        If there is no checkpoint, or it is damaged, or belongs to another study, seed, package
        version or layout of checkpoints.
    """
    try:
        note = json.loads((folder / NOTE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        note = None
    if not isinstance(note, dict):
        raise InputError(
            "--resume", f"no checkpoint in {folder}", "a run directory that holds one"
        ) from None
    if note.get("schema") != SCHEMA:
        raise InputError(
            "--resume",
            f"a checkpoint that another version of crankfront has written ({note.get('schema')})",
            f"{SCHEMA}: that version, or a new --out",
        )
    try:
        refuse_another_origin(note, study)
        if not is_as_sealed(note):
            raise _damaged(NOTE)
        search = _from_note(note)
    except InputError:
        raise
    except (LookupError, TypeError, ValueError, AttributeError):
        raise _damaged(NOTE) from None
    for name, (family, repetition) in note["islands"].items():
        try:
            # Read first: numpy leaves a file open that is no whole archive.
            content = io.BytesIO((folder / name).read_bytes())
            with np.load(content, allow_pickle=False) as arrays:
                search.states[(family, repetition)] = _state(arrays)
                search.tracks[(family, repetition)] = Track.from_arrays(arrays)
        except (OSError, ValueError, LookupError, EOFError, zipfile.BadZipFile, zlib.error):
            raise _damaged(name) from None
    _remove_all_but(folder, note["islands"])
    return search


def _damaged(name: str) -> InputError:
    return InputError(
        "--resume", f"a damaged checkpoint ({name})", "a checkpoint as it was written"
    )


def _from_note(note: Mapping[str, Any]) -> SearchState:
    bounds = note["bounds"]
    return SearchState(
        rounds_done=int(note["rounds_done"]),
        goals={(int(f), int(r)): int(goal) for f, r, goal in note["goals"]},
        behind={int(family): int(count) for family, count in note["behind"]},
        barriers=[dict(row) for row in note["barriers"]],
        bounds=None if bounds is None else Bounds(*(np.array(b, float) for b in bounds)),
    )


def _writer(content: bytes) -> Callable[[Path], object]:
    return lambda beside: beside.write_bytes(content)


def _arrays(state: IslandState) -> dict[str, Any]:
    archive = state.archive
    sizes = [len(equals) for equals in archive.equals]
    equals = [key for keys in archive.equals for key in sorted(keys)]
    return {
        "genomes": state.genomes,
        "objectives": state.objectives,
        "violations": state.violations,
        "rank": state.rank,
        "crowding": state.crowding,
        "visited": state.visited.array(),
        "random_state": np.array(state.random_state),
        "numbers": np.array(
            [
                state.generation,
                state.evaluations,
                state.changed_at,
                state.is_exhausted,
                state.feasible_seen,
            ]
        ),
        "least_violation": state.least_violation,
        "resolutions": archive.resolutions,
        "archive_genomes": archive.genomes,
        "archive_objectives": archive.objectives,
        "archive_boxes": archive.boxes,
        "archive_keys": np.array(archive.keys, np.uint64),
        "archive_generations": archive.generations,
        "equals": np.array(equals, np.uint64),
        "equals_sizes": np.array(sizes, np.int64),
    }


def _state(arrays: Any) -> IslandState:
    ends = np.cumsum(arrays["equals_sizes"])[:-1]
    equals = [set(part.tolist()) for part in np.split(arrays["equals"], ends)]
    keys = arrays["archive_keys"].tolist()
    archive = Archive(
        resolutions=arrays["resolutions"],
        genomes=arrays["archive_genomes"],
        objectives=arrays["archive_objectives"],
        boxes=arrays["archive_boxes"],
        keys=keys,
        equals=equals if keys else [],
        generations=arrays["archive_generations"],
    )
    generation, evaluations, changed_at, is_exhausted, feasible_seen = arrays["numbers"].tolist()
    return IslandState(
        genomes=arrays["genomes"],
        objectives=arrays["objectives"],
        violations=arrays["violations"],
        rank=arrays["rank"],
        crowding=arrays["crowding"],
        visited=KeySet(arrays["visited"]),
        random_state=str(arrays["random_state"]),
        generation=generation,
        evaluations=evaluations,
        changed_at=changed_at,
        is_exhausted=bool(is_exhausted),
        feasible_seen=feasible_seen,
        least_violation=arrays["least_violation"],
        archive=archive,
        history=[],
    )
