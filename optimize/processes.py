"""Processes that work for a run, and the request to stop it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import queue
import signal
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Protocol

_BLAS_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
BEAT_S = 1.0  # between two signs of life of a process at work
SILENCE_S = 30.0  # twice so long without one, and the process counts as hung


@dataclass(slots=True)
class StopRequest:
    """Set by the first Ctrl-C: what is under way is finished and saved, then the run ends."""

    is_set: threading.Event = field(default_factory=threading.Event)


class TaskLostError(Exception):
    """Raised for a task whose worker ended before it was done; it can be handed out again."""


class Workers(Protocol):
    """Who does the tasks of a run."""

    @property
    def count(self) -> int:
        """Return how many tasks are done at a time."""

    def idle(self, under_way: int) -> int:
        """Return how many could do a task at once, of so many under way."""

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Hand out a task."""

    def submit_copy(self, function: Callable[..., Any], *arguments: Any) -> Future[Any] | None:
        """Hand out a task once more, to a worker that idles; None where there is none."""

    def result(self, future: Future[Any]) -> Any:
        """Return what a task gave that is over; raise TaskLostError if its worker ended."""

    def drop(self, future: Future[Any]) -> None:
        """Let go of a task whose result is not needed, and of whoever is stuck with it."""

    def check(self) -> None:
        """Look after the workers; called every second or so."""


class LocalWorkers:
    """Processes on this machine, one thread of linear algebra each.

    They share nothing, no queue and no lock: one that is killed costs its own task, one that is
    stopped or hangs is replaced, and the others never notice. (The executors of the standard
    library end as a whole when one process does, and wait for ever for one that holds a lock.)

    Parameters
    ----------
    count : int
        How many.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._waiting: queue.SimpleQueue[_Errand | None] = queue.SimpleQueue()
        self._hands: list[_Hand] = []
        try:
            for _ in range(count):
                self._hands.append(_Hand(self._waiting))
        except BaseException:
            self.close()
            raise
        for hand in self._hands:
            hand.start()

    def idle(self, under_way: int) -> int:
        """Return how many processes have no task."""
        return max(0, self.count - under_way)

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Hand out a task."""
        future: Future[Any] = Future()
        self._waiting.put(_Errand(future, function, arguments))
        return future

    def submit_copy(self, function: Callable[..., Any], *arguments: Any) -> Future[Any] | None:
        """Hand out a task once more: only those who idle take tasks."""
        return self.submit(function, *arguments)

    def result(self, future: Future[Any]) -> Any:
        """Return what a task gave that is over; raise TaskLostError if its process ended."""
        return future.result()

    def drop(self, future: Future[Any]) -> None:
        """Let go of a task; a process that is busy with it is replaced."""
        if not future.cancel():
            for hand in self._hands:
                hand.leave(future)

    def check(self) -> None:
        """Nothing to look after: each process has a thread that does."""

    @property
    def process_ids(self) -> list[int]:
        """Return the processes that are there now."""
        return [hand.process_id for hand in self._hands]

    def close(self) -> None:
        """End the processes, whatever they do."""
        with contextlib.suppress(queue.Empty):
            while errand := self._waiting.get_nowait():
                errand.future.cancel()
        for hand in self._hands:
            hand.close()
            self._waiting.put(None)
        for hand in self._hands:
            if hand.ident is not None:
                hand.join()


@dataclass(frozen=True, slots=True)
class _Errand:
    future: Future[Any]
    function: Callable[..., Any]
    arguments: tuple[Any, ...]


class _Hand(threading.Thread):
    """One process, and the thread that gives it tasks and replaces it when it ends or hangs."""

    def __init__(self, waiting: queue.SimpleQueue[_Errand | None]) -> None:
        super().__init__(daemon=True)
        self._waiting = waiting
        self._lock = threading.Lock()
        self._future: Future[Any] | None = None
        self._is_closed = False
        self._process, self._pipe = _started_process()

    def run(self) -> None:
        """Do errands until there are no more."""
        while (errand := self._waiting.get()) is not None:
            if errand.future.set_running_or_notify_cancel():
                self._do(errand)
            del errand  # its arguments may be large

    def _do(self, errand: _Errand) -> None:
        with self._lock:
            self._future = errand.future
        try:
            payload = pickle.dumps((errand.function, errand.arguments), pickle.HIGHEST_PROTOCOL)
            is_good, outcome = self._answer(payload)
        except (EOFError, OSError) as error:
            self._replace()
            is_good, outcome = False, TaskLostError(f"a worker process ended ({error})")
        except Exception as error:
            is_good, outcome = False, error
        with self._lock:
            self._future = None
        if is_good:
            errand.future.set_result(outcome)
        else:
            errand.future.set_exception(outcome)

    def _answer(self, payload: bytes) -> tuple[bool, Any]:
        """Return whether the process did the task, and what it gave or raised.

        Raises
        ------
        EOFError, OSError
            If the process ended, or was ended because it hung.
        """
        watch = threading.Timer(2 * SILENCE_S, self._process.kill)  # it may not even read
        watch.daemon = True
        watch.start()
        try:
            self._pipe.send_bytes(payload)
        finally:
            watch.cancel()
        silences = 0
        while silences < 2:  # one is all there is when this process itself was stopped for long
            if not self._pipe.poll(SILENCE_S):
                silences += 1
                continue
            silences = 0
            if answer := self._pipe.recv_bytes():
                done: tuple[bool, Any] = pickle.loads(answer)
                return done
        raise EOFError("it gave no sign of life")

    def leave(self, future: Future[Any]) -> None:
        """End the process if it is busy with this task; another takes its place."""
        with self._lock:
            if self._future is future:
                self._process.kill()

    def _replace(self) -> None:
        """Start another process in the place of one that ended or hangs."""
        with self._lock:
            if self._is_closed:
                return
            self._end()
            try:
                self._process, self._pipe = _started_process()
            except OSError:
                time.sleep(BEAT_S)  # no memory or no room for a process now; the next task tries

    @property
    def process_id(self) -> int:
        """Return the number of the process."""
        return self._process.pid or 0

    def close(self) -> None:
        """End the process for good."""
        with self._lock:
            self._is_closed = True
            self._end()

    def _end(self) -> None:
        self._process.kill()
        self._process.join()
        with contextlib.suppress(OSError):
            self._pipe.close()


class ThisProcess:
    """Does tasks here, when they are handed out."""

    count = 1

    def idle(self, _under_way: int) -> int:
        """Return 0: nobody is left."""
        return 0

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Do a task."""
        future: Future[Any] = Future()
        future.set_result(function(*arguments))
        return future

    def submit_copy(self, _function: Callable[..., Any], *_: Any) -> Future[Any] | None:
        """Return None: nobody idles."""
        return None

    def result(self, future: Future[Any]) -> Any:
        """Return what a task gave."""
        return future.result()

    def drop(self, future: Future[Any]) -> None:
        """Nothing is under way here."""

    def check(self) -> None:
        """Nothing can be lost here."""


@contextlib.contextmanager
def pool(count: int, cluster: str | None = None) -> Iterator[Workers]:
    """Give fresh processes to do tasks, ended when the work is over; or a cluster's workers."""
    if cluster is not None:
        from optimize.cluster import cluster_workers

        with cluster_workers(cluster) as foreign:
            yield foreign
        return
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


def _started_process() -> tuple[BaseProcess, Connection]:
    """Return a new process that waits for tasks, and this end of the pipe to it."""
    context = multiprocessing.get_context("spawn")
    ours, its = context.Pipe()
    process = context.Process(target=_serve, args=(its,), daemon=True)
    try:
        with interrupts_held():
            process.start()
    except BaseException:
        ours.close()
        raise
    finally:
        its.close()  # else its end would never be noticed
    return process, ours


@contextlib.contextmanager
def interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back from processes that are started meanwhile, where the system can."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it would start with the first process and undo the mask
    saved = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, saved)


def _serve(pipe: Connection) -> None:
    """Do tasks until the driver closes the pipe, with signs of life while one takes long."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # for the driver, which saves and ends
    driver = multiprocessing.parent_process()
    if driver is not None:
        threading.Thread(target=_end_with, args=(driver,), daemon=True).start()
    while True:
        try:
            task = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        with _signs_of_life(pipe):
            answer = _answer_of(task)
        del task
        pipe.send_bytes(answer)
        del answer


@contextlib.contextmanager
def _signs_of_life(pipe: Connection) -> Iterator[None]:
    is_over = threading.Event()

    def beat() -> None:
        with contextlib.suppress(OSError):  # the driver is gone; another thread sees to that
            while not is_over.wait(BEAT_S):
                pipe.send_bytes(b"")

    beats = threading.Thread(target=beat, daemon=True)
    beats.start()
    try:
        yield
    finally:
        is_over.set()
        beats.join()


def _answer_of(task: bytes) -> bytes:
    """Do a task; return whether it went well and what it gave or raised, pickled."""
    try:
        function, arguments = pickle.loads(task)
        return pickle.dumps((True, function(*arguments)), pickle.HIGHEST_PROTOCOL)
    except Exception as error:
        return failure(error)


def failure(error: Exception) -> bytes:
    """Return what a task raised, pickled, with its traceback as a note."""
    error.add_note("In a worker:\n" + "".join(traceback.format_exception(error)))
    try:
        answer = pickle.dumps((False, error), pickle.HIGHEST_PROTOCOL)
        pickle.loads(answer)
    except Exception:  # whatever a class of errors does when it is copied
        return pickle.dumps((False, RuntimeError("\n".join(error.__notes__))))
    return answer


def _end_with(driver: BaseProcess) -> None:
    """Wait for the driver's end and follow it at once.

    A killed driver tells nobody: its workers would go on with their tasks, with all their memory.
    """
    driver.join()
    os._exit(1)
