"""Chunks of examples in processes of their own, so that a crash or a hang is seen and is no end."""

from __future__ import annotations

import multiprocessing
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.campaign import Tally, try_mutants
from tests.fuzz.commands import try_commands
from tests.fuzz.run_directories import try_run_directories

CHUNK = 400  # examples of one process, so that none grows old
HARD_LIMIT_S = 900.0  # of a chunk; a hang that no alarm ends
ROWS: dict[str, Callable[[int, int], Tally]] = {
    "layout": lambda n, seed: try_mutants("layout", n, first=seed),
    "study": lambda n, seed: try_mutants("study", n, first=seed),
    "trace": lambda n, seed: try_mutants("trace", n, first=seed),
    "command line": lambda n, seed: try_commands(n, first=seed),
    "run directory": lambda n, seed: try_run_directories(n, first=seed),
}


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """Examples of one row of the table, and their seed."""

    row: str
    n: int
    seed: int


def in_process(chunk: Chunk, folder: Path) -> Tally | str:
    """Return the tally of a chunk from a process of its own, or how that died."""
    file = folder / f"{chunk.row}-{chunk.seed}"
    process = multiprocessing.get_context("spawn").Process(target=_work, args=(chunk, file))
    process.start()
    process.join(HARD_LIMIT_S)
    if process.is_alive():
        process.kill()
        process.join()
        return f"no end in {HARD_LIMIT_S:g} s"
    if process.exitcode or not file.exists():
        return f"process died, exit code {process.exitcode}"
    tally: Tally = pickle.loads(file.read_bytes())
    return tally


def _work(chunk: Chunk, file: Path) -> None:
    file.write_bytes(pickle.dumps(ROWS[chunk.row](chunk.n, chunk.seed)))
