"""Progress on the terminal: how far, how long, how good; plain lines where there is no terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar

from optimize.exact.driver import ExactProgress
from optimize.run import Progress

PLAIN_EVERY_S = 10.0


class TimeLeft:
    """Estimates the time left from the pace since the run (or its resumption) began."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._start: tuple[float, float] | None = None

    def seconds(self, progress: Progress | ExactProgress) -> float | None:
        """Return the estimate, None while nothing is known. [s]"""
        done, total = _done_and_total(progress)
        now = self._clock()
        if self._start is None or done < self._start[1]:  # a search after an enumeration
            self._start = (now, done)
            return None
        began, first = self._start
        if done <= first or now <= began:
            return None
        return (total - done) * (now - began) / (done - first)


def _done_and_total(progress: Progress | ExactProgress) -> tuple[float, float]:
    if isinstance(progress, ExactProgress):
        return progress.done, progress.total
    return progress.evaluations, progress.budget


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


def share_text(share: float | None) -> str:
    """Return a hypervolume, or a dash before it can be measured."""
    return "-" if share is None else f"{share:.4f}"


def status_text(progress: Progress | ExactProgress, seconds_left: float | None) -> str:
    """Return one line that says everything."""
    if isinstance(progress, ExactProgress):
        share = progress.done / progress.total if progress.total else 1.0
        return (
            f"enumerating: {100 * share:.0f} % | {progress.families_done}/{progress.families} "
            f"families swept | {progress.front_size} members of family fronts so far | "
            f"time left {duration_text(seconds_left)}"
        )
    return (
        f"{progress.evaluations:,} of at most {progress.budget:,} designs | round "
        f"{progress.round_number}/{progress.rounds} | {progress.live_islands}/"
        f"{len(progress.islands)} families and seeds still searched | front "
        f"{progress.front_size} | hypervolume {share_text(progress.hypervolume)} | time left "
        f"{duration_text(seconds_left)}"
    )


@contextmanager
def shown_progress(
    console: Console,
) -> Iterator[Callable[[Progress | ExactProgress], None]]:
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

        def show(progress: Progress | ExactProgress) -> None:
            done, total = _done_and_total(progress)
            if isinstance(progress, ExactProgress):
                quality, where = "exact", f"families {progress.families_done}/{progress.families}"
            else:
                quality = share_text(progress.hypervolume)
                where = f"round {progress.round_number}/{progress.rounds}"
            bar.update(
                task,
                total=total,
                completed=done,
                left=duration_text(left.seconds(progress)),
                front=progress.front_size,
                hv=quality,
                live=where,
            )

        yield show


def _plain_lines(left: TimeLeft) -> Callable[[Progress | ExactProgress], None]:
    last = [-PLAIN_EVERY_S, -1.0]

    def show(progress: Progress | ExactProgress) -> None:
        seconds, now = left.seconds(progress), time.monotonic()
        done, total = _done_and_total(progress)
        is_last = done >= total
        if isinstance(progress, Progress):
            is_last = progress.round_number >= progress.rounds
        if now - last[0] < PLAIN_EVERY_S and not is_last:
            return
        if last[1] == done:
            return
        last[:] = [now, done]
        print(status_text(progress, seconds), file=sys.stderr, flush=True)

    return show
