"""Checkpoints: island states as plain arrays in files that appear whole or not at all."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from evaluate.errors import InputError
from optimize.archive import Archive
from optimize.files import write_text, write_whole
from optimize.fronts import package_versions
from optimize.search import IslandState

SCHEMA = "crankfront.checkpoint/1"
IslandId = tuple[int, int]  # (family, repetition)


def study_hash(text: str) -> str:
    """Return the hash by which a changed study is noticed."""
    return hashlib.sha256(text.encode()).hexdigest()


def save(
    folder: Path,
    *,
    round_number: int,
    states: dict[IslandId, IslandState],
    text: str,
    seed: int,
    history: list[dict[str, Any]],
) -> None:
    """Write one round's states; the note that names them comes last and makes them count."""
    folder.mkdir(exist_ok=True)
    files = {}
    for (family, repetition), state in states.items():
        name = f"island-{family:03d}-{repetition:03d}-round-{round_number:05d}.npz"
        buffer = io.BytesIO()
        np.savez(buffer, allow_pickle=False, **_arrays(state))
        write_whole(folder / name, _writer(buffer.getvalue()))
        files[name] = [family, repetition]
    note = {
        "schema": SCHEMA,
        "round": round_number,
        "study_sha256": study_hash(text),
        "seed": seed,
        "versions": package_versions(),
        "islands": files,
        "history": history,
    }
    write_text(folder / "round.json", json.dumps(note))
    _remove_all_but(folder, files)


def _remove_all_but(folder: Path, files: Mapping[str, object]) -> None:
    """Remove states that no note names: of earlier rounds, or of one that was never complete."""
    for old in folder.glob("island-*.npz"):
        if old.name not in files:
            old.unlink()


def exists(folder: Path) -> bool:
    """Return whether a folder holds a round of a search to go on with."""
    return (folder / "round.json").exists()


def load(
    folder: Path, *, text: str, seed: int
) -> tuple[int, dict[IslandId, IslandState], list[dict[str, Any]]]:
    """Return round number, states and history of the last complete round.

    What a round that was never complete has left behind is removed.

    Raises
    ------
    InputError
        If there is no checkpoint, or it belongs to another study, seed or package version.
    """
    file = folder / "round.json"
    try:
        note = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        note = None
    if not isinstance(note, dict):
        raise InputError(
            "--resume", f"no checkpoint in {folder}", "a run directory that holds one"
        ) from None
    if note.get("schema") != SCHEMA:
        raise InputError("--resume", str(note.get("schema")), f"a checkpoint of {SCHEMA}")
    if note["study_sha256"] != study_hash(text):
        raise InputError(
            "--resume", "a study file that was changed since", "the study as it was, or a new --out"
        )
    if note["seed"] != seed:
        raise InputError("--resume", f"seed {seed}", f"the seed of the run, {note['seed']}")
    if note["versions"] != package_versions():
        changed = [k for k, v in package_versions().items() if note["versions"].get(k) != v]
        raise InputError(
            "--resume",
            "other package versions: " + ", ".join(changed),
            "the versions of the run ("
            + ", ".join(f"{k} {note['versions'].get(k)}" for k in changed)
            + "), or a new --out",
        )
    states = {}
    for name, (family, repetition) in note["islands"].items():
        try:
            with np.load(folder / name, allow_pickle=False) as arrays:
                states[(family, repetition)] = _state(arrays)
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
            raise InputError(
                "--resume", f"a damaged checkpoint ({name})", "a checkpoint as it was written"
            ) from None
    _remove_all_but(folder, note["islands"])
    return int(note["round"]), states, note["history"]


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
        "visited": np.array(sorted(state.visited), np.uint64),
        "random_state": np.array(state.random_state),
        "numbers": np.array(
            [state.generation, state.evaluations, state.is_exhausted, state.feasible_seen]
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
    generation, evaluations, is_exhausted, feasible_seen = arrays["numbers"].tolist()
    return IslandState(
        genomes=arrays["genomes"],
        objectives=arrays["objectives"],
        violations=arrays["violations"],
        rank=arrays["rank"],
        crowding=arrays["crowding"],
        visited=set(arrays["visited"].tolist()),
        random_state=str(arrays["random_state"]),
        generation=generation,
        evaluations=evaluations,
        is_exhausted=bool(is_exhausted),
        feasible_seen=feasible_seen,
        least_violation=arrays["least_violation"],
        archive=archive,
        history=[],
    )
