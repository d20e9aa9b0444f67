"""Processes that work for a run, and the request to stop it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess
from typing import Any, Protocol

_BLAS_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(slots=True)
class StopRequest:
    """Set by the first Ctrl-C: what is under way is finished and saved, then the run ends."""

    is_set: threading.Event = field(default_factory=threading.Event)


class Workers(Protocol):
    """Who does the tasks of a run."""

    @property
    def count(self) -> int:
        """Return how many tasks are done at a time."""

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Hand out a task; raise BrokenExecutor where workers were lost and none will come back."""

    def renew(self) -> None:
        """Take new workers after some were lost; tasks that were handed out are lost too."""


class LocalWorkers:
    """Processes on this machine, one thread of linear algebra each.

    Parameters
    ----------
    count : int
        How many.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._executor = self._new()

    def _new(self) -> ProcessPoolExecutor:
        context = multiprocessing.get_context("spawn")
        executor = ProcessPoolExecutor(self.count, mp_context=context, initializer=_begin_work)
        with _interrupts_ignored():  # what a starting worker inherits
            for _ in range(self.count):
                executor.submit(_ignore_interrupts)
        return executor

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Hand out a task."""
        return self._executor.submit(function, *arguments)

    def renew(self) -> None:
        """Start new processes: when one ends, the system takes all others of its pool down."""
        self._executor.shutdown(wait=True, cancel_futures=True)
        self._executor = self._new()

    def close(self) -> None:
        """End the processes."""
        self._executor.shutdown(wait=True, cancel_futures=True)


class ThisProcess:
    """Does tasks here, when they are handed out."""

    count = 1

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Do a task."""
        future: Future[Any] = Future()
        future.set_result(function(*arguments))
        return future

    def renew(self) -> None:
        """Nothing can be lost here."""


@contextlib.contextmanager
def pool(count: int) -> Iterator[Workers]:
    """Give fresh processes to do tasks, ended when the work is over."""
    saved = {name: os.environ.get(name) for name in _BLAS_THREADS}
    os.environ.update(dict.fromkeys(_BLAS_THREADS, "1"))  # read when a worker imports numpy
    workers = None
    try:
        workers = LocalWorkers(count)
        yield workers
    finally:
        if workers is not None:
            workers.close()
        for name, value in saved.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Ignore Ctrl-C for a moment; only the main thread can say so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    saved = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, saved)


def _begin_work() -> None:
    """Prepare a worker: Ctrl-C is not for it, and it ends when its driver is gone."""
    _ignore_interrupts()
    driver = multiprocessing.parent_process()
    if driver is not None:
        threading.Thread(target=_end_with, args=(driver,), daemon=True).start()


def _end_with(driver: BaseProcess) -> None:
    """Wait for the driver's end and follow it at once.

    A killed driver tells nobody: its workers would wait for tasks for ever, with all their memory.
    """
    driver.join()
    os._exit(1)


def _ignore_interrupts() -> None:
    """Leave Ctrl-C to the driver, which lets a round end and saves it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
