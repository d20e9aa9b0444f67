"""Whether everything in a run directory can be read, and whether two directories hold one run."""

from __future__ import annotations

import json
import tomllib
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimize.files import is_neighbour
from optimize.fronts import read_front
from optimize.status import NAME as STATUS

FRONTS = ("front.parquet", "family_fronts.parquet", "certificate.json")
PNG_BEGIN = b"\x89PNG\r\n\x1a\n"  # W3C Recommendation "Portable Network Graphics", section 5.2
PNG_END = b"\x00\x00\x00\x00IEND\xaeB`\x82"  # the same, section 11.2.5: empty, with its CRC


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """Files of a run directory: how many were read, temporary neighbours, and complaints."""

    n_read: int
    neighbours: tuple[str, ...]
    unreadable: tuple[str, ...]


def found_in(folder: Path) -> Found:
    """Read every file of a run directory."""
    n_read = 0
    neighbours: list[str] = []
    unreadable: list[str] = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        name = str(path.relative_to(folder))
        if path.name.startswith("."):
            (neighbours if is_neighbour(path) else unreadable).append(name)
            continue
        try:
            _READERS[path.suffix](path)
        except Exception as error:  # whatever a reader says is a finding
            unreadable.append(f"{name}: {type(error).__name__}: {error}")
        n_read += 1
    return Found(n_read=n_read, neighbours=tuple(neighbours), unreadable=tuple(unreadable))


def _arrays(path: Path) -> None:
    with np.load(path, allow_pickle=False) as arrays:
        for name in arrays.files:
            _ = arrays[name]


def _png(path: Path) -> None:
    content = path.read_bytes()
    if not (content.startswith(PNG_BEGIN) and content.endswith(PNG_END)):
        raise ValueError("no whole PNG")


def _text(path: Path) -> None:
    if not path.read_text("utf-8").strip():
        raise ValueError("empty")


_READERS: dict[str, Callable[[Path], object]] = {
    ".parquet": read_front,
    ".json": lambda path: json.loads(path.read_text("utf-8")),
    ".toml": lambda path: tomllib.loads(path.read_text("utf-8")),
    ".npz": _arrays,
    ".png": _png,
    ".svg": ElementTree.parse,
    ".md": _text,
}


def differences(folder: Path, whole: Path) -> list[str]:
    """Return what a run that was killed and resumed has otherwise than one in one piece.

    All files are compared, byte by byte; of the history everything but the seconds that it took.
    Checkpoints and the state have no counterpart: they hold times, and what was done in which
    order.
    """
    names, expected = _names(folder), _names(whole)
    wrong = [f"{name} is {'missing' if name in expected else 'new'}" for name in names ^ expected]
    for name in sorted(names & expected):
        if name == "history.parquet":
            mine, theirs = (read_front(f / name).drop(columns="seconds") for f in (folder, whole))
            if not mine.equals(theirs):
                wrong.append(name)
        elif (folder / name).read_bytes() != (whole / name).read_bytes():
            wrong.append(name)
    return wrong


def _names(folder: Path) -> set[str]:
    files = [p.relative_to(folder) for p in folder.rglob("*") if p.is_file()]
    return {str(name) for name in files if name.parts[0] not in ("checkpoints", STATUS)}
