"""Read thousands of spoilt study and layout files within limits: ``make fuzz``."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import pickle
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.campaign import Tally, kept_faults, try_mutants
from tests.fuzz.commands import try_commands
from tests.fuzz.run_directories import try_run_directories

CHUNK = 400  # examples of one process, so that none grows old
HARD_LIMIT_S = 900.0  # of a chunk; a hang that no alarm ends
SHARES = {"layout": 0.6, "study": 0.4}
ROWS: dict[str, Callable[[int, int], Tally]] = {
    "layout": lambda n, seed: try_mutants("layout", n, first=seed),
    "study": lambda n, seed: try_mutants("study", n, first=seed),
    "trace": lambda n, seed: try_mutants("trace", n, first=seed),
    "command line": lambda n, seed: try_commands(n, first=seed),
    "run directory": lambda n, seed: try_run_directories(n, first=seed),
}


@dataclass(frozen=True, kw_only=True)
class _Chunk:
    row: str
    n: int
    seed: int


def main() -> int:
    """Try, print a table, keep the files of faults; return 1 when there are any."""
    given = _arguments()
    counts = {kind: round(share * given.examples) for kind, share in SHARES.items()}
    counts |= {"trace": given.traces, "command line": given.commands}
    counts["run directory"] = given.runs
    chunks = [
        _Chunk(row=row, n=min(CHUNK, n - start), seed=given.seed * 10_000_019 + 7919 * number)
        for row, n in counts.items()
        for number, start in enumerate(range(0, n, CHUNK))
    ]
    began = time.monotonic()
    tallies = {row: Tally() for row, n in counts.items() if n}
    dead: list[str] = []
    with (
        tempfile.TemporaryDirectory(prefix="fuzz-") as name,
        ThreadPoolExecutor(os.cpu_count()) as threads,
    ):
        for chunk, found in zip(
            chunks, threads.map(lambda c: _in_process(c, Path(name)), chunks), strict=True
        ):
            if isinstance(found, str):
                dead.append(f"{chunk.row}, seed {chunk.seed}: {found}")
            else:
                tallies[chunk.row].merge(found)
            print(f"{chunk.row}: {tallies[chunk.row].mutants}", file=sys.stderr, flush=True)
    print(table_of(tallies))
    minutes = (time.monotonic() - began) / 60
    print(f"\nSeed {given.seed}; {minutes:.1f} minutes, {os.cpu_count()} processes.")
    for row, tally in tallies.items():
        if tally.slowest and tally.largest:
            print(f"{row}: slowest {tally.slowest.name}, {tally.slowest.changes}")
            print(f"{row}: largest {tally.largest.name}, {tally.largest.changes}")
    lines = [line for row, t in tallies.items() for line in kept_faults(t, row, given.keep)]
    print("\n".join([*dead, *lines]))
    return int(bool(dead or lines))


def table_of(tallies: dict[str, Tally]) -> str:
    """Return what came of all mutants as a table."""
    lines = [
        "| file | mutants | valid | refused | faults | slowest example [s] | largest memory [MB] |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row, t in tallies.items():
        counts = f"{t.mutants:,} | {t.valid:,} | {t.refused:,} | {t.n_faults}"
        lines.append(f"| {row} | {counts} | {t.slowest_s:.1f} | {t.largest_MB:.0f} |")
    return "\n".join(lines)


def _in_process(chunk: _Chunk, folder: Path) -> Tally | str:
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


def _work(chunk: _Chunk, file: Path) -> None:
    file.write_bytes(pickle.dumps(ROWS[chunk.row](chunk.n, chunk.seed)))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--examples", type=int, default=10_000, help="studies and layouts")
    parser.add_argument("--traces", type=int, default=600, help="pressure traces")
    parser.add_argument("--commands", type=int, default=400, help="through the command line")
    parser.add_argument("--runs", type=int, default=400, help="run directories")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--keep", type=Path, default=Path("results/fuzz-faults"), help="for files of faults"
    )
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
