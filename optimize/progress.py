"""Progress on the terminal: how far, how long, how good; plain lines where there is no terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar

from optimize.run import Progress

PLAIN_EVERY_S = 10.0


class TimeLeft:
    """Estimates the time left from the pace since the run (or its resumption) began."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._start: tuple[float, int] | None = None

    def seconds(self, progress: Progress) -> float | None:
        """Return the estimate, None while nothing is known. [s]"""
        now = self._clock()
        if self._start is None:
            self._start = (now, progress.evaluations)
            return None
        began, first = self._start
        done = progress.evaluations - first
        if done <= 0 or now <= began:
            return None
        return (progress.budget - progress.evaluations) * (now - began) / done


def duration_text(seconds: float | None) -> str:
    """Return a duration as a person says it."""
    if seconds is None:
        return "estimating"
    whole = round(max(0.0, seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def status_text(progress: Progress, seconds_left: float | None) -> str:
    """Return one line that says everything."""
    return (
        f"{progress.evaluations:,} of at most {progress.budget:,} designs | round "
        f"{progress.round_number}/{progress.rounds} | {progress.live_islands}/{progress.islands} "
        f"families and seeds still finding new designs | front {progress.front_size} | hypervolume "
        f"{progress.hypervolume:.4f} | time left {duration_text(seconds_left)}"
    )


@contextmanager
def shown_progress(console: Console) -> Iterator[Callable[[Progress], None]]:
    """Give a function that shows progress: a live bar on a terminal, else a line now and then."""
    left = TimeLeft()
    if not console.is_terminal:
        yield _plain_lines(left)
        return
    columns = (
        TextColumn("{task.percentage:3.0f} %"),
        BarColumn(),
        TimeElapsedColumn(),
        TextColumn("left {task.fields[left]}  front {task.fields[front]}  hv {task.fields[hv]}"),
        TextColumn("{task.fields[live]}"),
    )
    with Bar(*columns, console=console) as bar:
        task = bar.add_task("search", total=1, left="estimating", front=0, hv="-", live="")

        def show(progress: Progress) -> None:
            bar.update(
                task,
                total=progress.budget,
                completed=progress.evaluations,
                left=duration_text(left.seconds(progress)),
                front=progress.front_size,
                hv=f"{progress.hypervolume:.4f}",
                live=f"round {progress.round_number}/{progress.rounds}",
            )

        yield show


def _plain_lines(left: TimeLeft) -> Callable[[Progress], None]:
    last = [-PLAIN_EVERY_S, -1]

    def show(progress: Progress) -> None:
        seconds, now = left.seconds(progress), time.monotonic()
        if now - last[0] < PLAIN_EVERY_S and progress.round_number < progress.rounds:
            return
        if last[1] == progress.evaluations:
            return
        last[:] = [now, progress.evaluations]
        print(status_text(progress, seconds), file=sys.stderr, flush=True)

    return show
