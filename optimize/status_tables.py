"""The state of a run on the terminal."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path

from rich.console import Group
from rich.live import Live
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from optimize.files import json_text
from optimize.fronts import SO_FAR
from optimize.progress import duration_text, share_text
from optimize.status import WRITE_EVERY_S, IslandStatus, RunStatus, read_status
from optimize.tables import console

EXPLAINED = {
    "running": "",
    "interrupted": "nobody is at work in this directory: it was killed, or the machine went down; "
    "go on with the same command and --resume",
    "stopped": "stopped before its end; go on with the same command and --resume",
    "failed": "ended with an error",
    "finished": "",
}


def print_status(folder: Path, *, watch: bool, as_json: bool) -> None:
    """Print the state of a run; again and again until it ends when it is watched.

    Raises
    ------
    InputError
        If the directory holds no state of a run.
    """
    status = read_status(folder)
    if as_json:
        print(json_text(status))
        return
    out = console()
    if not watch or not out.is_terminal:
        out.print(_view(status, folder))
        return
    with Live(_view(status, folder), console=out, auto_refresh=False) as live:
        while status.state == "running":
            time.sleep(WRITE_EVERY_S)
            status = read_status(folder)
            live.update(_view(status, folder), refresh=True)


def _view(status: RunStatus, folder: Path) -> Group:
    parts: list[Text | Table] = [Text(line) for line in _lines(status, folder)]
    if status.islands:
        parts.append(_table(status.islands))
        parts.append(
            Text(
                "Hypervolume: dominated share of one box for all, 0 to 1. Work left: of one "
                "process, at the pace so far.",
                style="dim",
            )
        )
    return Group(*parts)


def _lines(status: RunStatus, folder: Path) -> list[str]:
    """Return the run as a whole, a line a thing."""
    explained = status.message or EXPLAINED[status.state]
    lines = [f"{status.study}: {status.state}" + (f" ({explained})" if explained else "")]
    if status.question:
        lines.append(status.question)
    lines.append(
        f"Seed {status.seed}; begun {_local(status.started)}; under way for "
        f"{duration_text(status.seconds)}; last word {_local(status.updated)}"
        + (f", last saved {_local(status.saved)}" if status.saved else "")
    )
    if status.rounds:
        lines.append(
            f"{status.evaluations:,} of at most {status.budget:,} designs, round {status.round} of "
            f"{status.rounds}"
        )
    lines.append(
        f"Front of {status.front_size} designs, hypervolume {share_text(status.hypervolume)}"
        + (f"; time left {duration_text(status.seconds_left)}" if status.state == "running" else "")
    )
    if (folder / SO_FAR).exists():
        lines.append(f"The front as last saved: {folder / SO_FAR}")
    return lines


def _table(islands: list[IslandStatus]) -> Table:
    table = Table()
    table.add_column("family", overflow="fold")
    table.add_column("seed", justify="right")
    table.add_column("state")
    for name in ("done", "generations", "designs", "front", "hypervolume", "work left"):
        table.add_column(name, justify="right")
    for island in islands:
        is_searched = island.mode == "searched"
        table.add_row(
            escape(island.family),
            str(island.seed) if is_searched else "-",
            island.state if is_searched else f"{island.state}, enumerated",
            f"{100 * island.share_done:.0f} %",
            f"{island.generations:,}" if is_searched else "-",
            f"{island.evaluations:,}" if is_searched else "-",
            str(island.front_size),
            share_text(island.hypervolume),
            "-" if island.seconds_left is None else duration_text(island.seconds_left),
        )
    return table


def _local(text: str) -> str:
    """Return a time of the status file in the zone of the reader."""
    try:
        return f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M:%S}"
    except (ValueError, OverflowError):
        return text
