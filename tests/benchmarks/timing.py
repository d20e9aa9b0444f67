"""Times of several tasks side by side."""

from __future__ import annotations

import time
from collections.abc import Callable

ROUNDS = 7
Row = tuple[str, str, str, str]


def side_by_side(
    tasks: dict[str, Callable[[], object]], *, rounds: int = ROUNDS
) -> dict[str, float]:
    """Return the least time of each task, taken in turns so that a noisy moment hits all. [s]"""
    times: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(rounds):
        for name, task in tasks.items():
            started = time.perf_counter()
            task()
            times[name].append(time.perf_counter() - started)
    return {name: min(values) for name, values in times.items()}
