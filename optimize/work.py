"""Tasks handed out to workers until each has its result, whatever becomes of single workers."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Hashable
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from optimize.processes import TaskLostError, Workers

Key = TypeVar("Key", bound=Hashable)

LOSSES = 5  # of one task, with as many workers
AHEAD = 2  # tasks handed out for each that is done at a time: nobody waits for the next one
STRAGGLER_S = 10.0  # a task that takes less is never handed out twice
STRAGGLER_FACTOR = 4.0  # times the longest of its kind so far
UNKNOWN_S = 60.0  # for a task whose kind nobody has finished yet


class WorkersLostError(Exception):
    """Raised when workers end again and again, or are gone and do not come back."""


@dataclass(eq=False, slots=True)
class _Call:
    """One task: what to do, and every place where it is being done."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    futures: set[Future[Any]] = field(default_factory=set)
    began: float = 0.0
    copies: int = 0
    losses: int = 0

    @property
    def kind(self) -> str:
        """Return a name that tasks have in common which take about as long."""
        return getattr(self.function, "__qualname__", type(self.function).__qualname__)


class Work(Generic[Key]):
    """Pure tasks under way, by their key.

    A task is kept until its result is there: when its worker ends it is handed out again, before
    those that still wait. When workers idle while a task takes far longer than others of its kind,
    a copy of it is handed out, and the first result counts. All of that changes no bit: a result
    depends on the arguments only.

    Parameters
    ----------
    workers : Workers
        Who does the tasks.
    """

    def __init__(self, workers: Workers) -> None:
        self._workers = workers
        self._calls: dict[Key, _Call] = {}
        self._waiting: deque[_Call] = deque()
        self._seconds: dict[str, float] = {}  # the longest of each kind

    def __len__(self) -> int:
        return len(self._calls)

    def add(self, key: Key, function: Callable[..., Any], *arguments: Any) -> None:
        """Hand out a task, as `function(*arguments)`, at once or when there is room."""
        call = _Call(function, arguments)
        self._calls[key] = call
        self._waiting.append(call)
        self._hand_out()

    def done(self, timeout_s: float) -> list[tuple[Key, Any]]:
        """Return the results that have come since, each with its key; none when time is up.

        Parameters
        ----------
        timeout_s : float
            How long to wait for the first. [s]

        Raises
        ------
        WorkersLostError
            If workers end again and again before a task is done, or none is left.
        """
        self._workers.check()
        self._hand_out()
        futures = {f: key for key, call in self._calls.items() for f in call.futures}
        found = []
        for future in wait(futures, timeout=timeout_s, return_when=FIRST_COMPLETED).done:
            key = futures[future]
            call = self._calls.get(key)
            if call is None:
                continue  # a copy was quicker
            call.futures.discard(future)
            try:
                result, seconds = self._workers.result(future)
            except TaskLostError as error:
                self._lost(call, error)
                continue
            found.append((self._settled(key, seconds), result))
        self._hand_out()
        self._hand_out_copies()
        return found

    def _settled(self, key: Key, seconds: float) -> Key:
        """Take a task off the list, and its copies from who may still be busy with them."""
        call = self._calls.pop(key)
        if not call.futures and call in self._waiting:
            self._waiting.remove(call)
        for future in call.futures:
            self._workers.drop(future)
        self._seconds[call.kind] = max(seconds, self._seconds.get(call.kind, 0.0))
        return key

    def _lost(self, call: _Call, error: TaskLostError) -> None:
        call.losses += 1
        if call.losses > LOSSES:
            raise WorkersLostError(
                f"a task lost its worker {call.losses} times, the last time because {error}; is "
                "memory short? What was saved stays, and --resume goes on with it"
            ) from error
        if not call.futures:
            self._waiting.appendleft(call)

    def _hand_out(self) -> None:
        """Hand out what waits, some more than there are workers; stragglers hold nobody up."""
        if not self._waiting:
            return
        stuck = sum(len(call.futures) for call in self._stragglers())
        under_way = self._under_way() - stuck
        while self._waiting and under_way < AHEAD * self._workers.count:
            call = self._waiting.popleft()
            call.began, call.copies = time.monotonic(), 0
            call.futures.add(self._workers.submit(_timed, call.function, *call.arguments))
            under_way += 1

    def _hand_out_copies(self) -> None:
        """Hand out copies of tasks that take far too long, while workers idle."""
        late = sorted(self._stragglers(), key=lambda call: call.began)
        if not late or self._waiting:
            return
        for call in late[: self._workers.idle(self._under_way())]:
            copy = self._workers.submit_copy(_timed, call.function, *call.arguments)
            if copy is not None:
                call.copies += 1
                call.futures.add(copy)

    def _stragglers(self) -> list[_Call]:
        """Return what is under way far longer than others of its kind took."""
        now = time.monotonic()
        found = []
        for call in self._calls.values():
            longest_s = self._seconds.get(call.kind)
            patience_s = UNKNOWN_S if longest_s is None else STRAGGLER_FACTOR * longest_s
            late_s = now - call.began
            if call.futures and late_s > max(patience_s, STRAGGLER_S) * (1 + call.copies):
                found.append(call)
        return found

    def _under_way(self) -> int:
        return sum(len(call.futures) for call in self._calls.values())


def _timed(function: Callable[..., Any], *arguments: Any) -> tuple[Any, float]:
    """Return what a task gives and the time that it took. [s]"""
    began = time.perf_counter()
    result = function(*arguments)
    return result, time.perf_counter() - began
