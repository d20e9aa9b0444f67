"""Read thousands of spoilt study and layout files within limits: ``make fuzz``."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.fuzz.campaign import Tally, kept_faults
from tests.fuzz.chunks import CHUNK, Chunk, in_process

SHARES = {"layout": 0.6, "study": 0.4}


def main() -> int:
    """Try, print a table, keep the files of faults; return 1 when there are any."""
    given = _arguments()
    counts = {kind: round(share * given.examples) for kind, share in SHARES.items()}
    counts |= {"trace": given.traces, "command line": given.commands}
    counts["run directory"] = given.runs
    chunks = [
        Chunk(row=row, n=min(CHUNK, n - start), seed=given.seed * 10_000_019 + 7919 * number)
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
            chunks, threads.map(lambda c: in_process(c, Path(name)), chunks), strict=True
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
