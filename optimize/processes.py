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
from typing import Any

_BLAS_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(slots=True)
class StopRequest:
    """Set by the first Ctrl-C: what is under way is finished and saved, then the run ends."""

    is_set: threading.Event = field(default_factory=threading.Event)


@contextlib.contextmanager
def pool(workers: int) -> Iterator[Callable[..., Future[Any]]]:
    """Give something to submit tasks to: fresh processes, one thread of linear algebra each."""
    saved = {name: os.environ.get(name) for name in _BLAS_THREADS}
    os.environ.update(dict.fromkeys(_BLAS_THREADS, "1"))  # read when a worker imports numpy
    context = multiprocessing.get_context("spawn")
    executor = ProcessPoolExecutor(workers, mp_context=context, initializer=_begin_work)
    try:
        with _interrupts_ignored():  # what a starting worker inherits
            for _ in range(workers):
                executor.submit(_ignore_interrupts)
        yield executor.submit
    finally:
        executor.shutdown(wait=True, cancel_futures=True)
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
