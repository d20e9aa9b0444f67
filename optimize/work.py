"""Tasks handed out to workers until each has its result, whatever becomes of single workers."""

from __future__ import annotations

import time
from collections.abc import Callable, Hashable
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from optimize.processes import Workers

Key = TypeVar("Key", bound=Hashable)

RENEWALS = 5  # of all workers, without one result in between


class WorkersLostError(Exception):
    """Raised when workers end again and again before any task is done."""


@dataclass(slots=True)
class _Call:
    """One task: what to do, and every place where it is being done."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    began: float
    futures: set[Future[Any]] = field(default_factory=set)


class Work(Generic[Key]):
    """Pure tasks under way, by their key.

    A task is kept until its result is there: when workers die it is handed out again, and gives
    the same result, since it depends on its arguments only.

    Parameters
    ----------
    workers : Workers
        Who does the tasks.
    """

    def __init__(self, workers: Workers) -> None:
        self._workers = workers
        self._calls: dict[Key, _Call] = {}
        self._renewals = 0

    def __len__(self) -> int:
        return len(self._calls)

    def add(self, key: Key, function: Callable[..., Any], *arguments: Any) -> None:
        """Hand out a task, as `function(*arguments)`."""
        call = _Call(function, arguments, time.monotonic())
        self._calls[key] = call
        self._hand_out(call)

    def done(self, timeout_s: float) -> list[tuple[Key, Any]]:
        """Return the results that have come since, each with its key; none when time is up.

        Parameters
        ----------
        timeout_s : float
            How long to wait for the first. [s]

        Raises
        ------
        WorkersLostError
            If workers end again and again before any task is done.
        """
        futures = {f: key for key, call in self._calls.items() for f in call.futures}
        found = []
        for future in wait(futures, timeout=timeout_s, return_when=FIRST_COMPLETED).done:
            key = futures[future]
            if key not in self._calls:
                continue  # a copy was quicker
            try:
                result = future.result()
            except BrokenExecutor:
                self._begin_again()
                break
            del self._calls[key]
            found.append((key, result))
            self._renewals = 0
        return found

    def _hand_out(self, call: _Call) -> None:
        try:
            call.futures.add(self._workers.submit(call.function, *call.arguments))
        except BrokenExecutor:
            self._begin_again()

    def _begin_again(self) -> None:
        """Hand out everything anew to new workers."""
        self._renewals += 1
        if self._renewals > RENEWALS:
            raise WorkersLostError(
                "worker processes end again and again before a task is done; is memory short?"
            )
        self._workers.renew()
        for call in self._calls.values():
            call.futures.clear()
        for call in self._calls.values():
            if not call.futures:
                self._hand_out(call)
