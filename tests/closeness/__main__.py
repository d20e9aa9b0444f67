"""Compare the search with the exact fronts and write what came out: ``make closeness``."""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path

import pandas as pd

from optimize.files import write_text
from tests.closeness.drawing import draw
from tests.closeness.measuring import exact_family, rows_of, searches, table_of
from tests.closeness.spaces import SPACES, shared_evaluations

FOLDER = Path(__file__).parents[2] / "results" / "closeness"


def main() -> None:
    """Enumerate, search, print and write the table, the rows and the picture."""
    given = _arguments()
    names = given.families or list(SPACES)
    workers = os.cpu_count() or 1
    started = time.perf_counter()
    parts = []
    for name in names:
        exact = exact_family(name, workers=workers)
        found = searches([name], seeds=given.seeds, evaluations=given.evaluations, workers=workers)
        parts.append(rows_of(found, {name: exact}))
        seconds = time.perf_counter() - started
        print(f"{seconds:.0f} s: {table_of(parts[-1]).splitlines()[-1]}", flush=True)
        _write(pd.concat(parts, ignore_index=True), given.out)
    print(f"written to {given.out}")


def _write(rows: pd.DataFrame, folder: Path) -> None:
    """Write what is known so far: table, rows and picture."""
    folder.mkdir(parents=True, exist_ok=True)
    write_text(folder / "closeness.md", table_of(rows))
    write_text(folder / "closeness.csv", rows.to_csv(index=False))
    draw(rows, folder)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.closeness", description=__doc__)
    parser.add_argument("families", nargs="*", metavar="FAMILY", help="default: all of them")
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument(
        "--evaluations",
        type=int,
        default=shared_evaluations(),
        help="of each search; default: the default budget, shared by all the families",
    )
    parser.add_argument("--out", type=Path, default=FOLDER)
    return parser.parse_args()


if __name__ == "__main__":
    main()
