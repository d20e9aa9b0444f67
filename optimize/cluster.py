"""Workers of a Dask cluster, for tasks that otherwise go to processes on this machine.

Tasks travel as bytes of our own: workers get fresh copies of their arguments each time, the
scheduler never has to understand them, and an error of the cluster cannot be taken for one of a
task. What is not known for sure is treated as lost and handed out again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import pickle
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Future, wait
from typing import TYPE_CHECKING, Any

from evaluate.errors import InputError
from optimize.processes import TaskLostError, failure
from optimize.work import WorkersLostError

if TYPE_CHECKING:
    from distributed import Client

    from optimize.fingerprint import Fingerprint

OPTION = "--cluster"
EXTRA = 'pip install "crankfront[cluster]"'
CONNECT_S = 10.0  # for a scheduler to answer, and for workers to show themselves
CHECK_S = 2.0  # between looks at who is there
SCHEDULER_S = 60.0  # without a scheduler before a run ends
SILENCE_S = 10.0  # without a sign of life before a worker gets no tasks; they come every second
NO_WORKERS_S = 300.0  # without a worker before a run ends; most are started anew before
_LARGE_TASK = "1 GiB"  # for which Dask does not complain: states of islands grow
_SAVED = "what was saved stays, and --resume goes on with it"


@contextlib.contextmanager
def cluster_workers(address: str, say: Callable[[str], None] | None = None) -> Iterator[Cluster]:
    """Give the workers of a Dask cluster to do tasks; they stay when the work is over.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://127.0.0.1:8786``.
    say : callable or None
        Called with what a user should know of the workers; prints to standard error by default.

    Raises
    ------
    InputError
        If Dask is not installed, nobody answers, there is no worker, or workers have other
        versions of what the numbers depend on.
    """
    try:
        import dask
        import distributed  # noqa: F401
        import threadpoolctl  # noqa: F401
    except ImportError as error:
        raise InputError(
            OPTION, f"no package {error.name!r}", f"an environment with Dask: {EXTRA}"
        ) from None
    with (
        _quiet(),
        dask.config.set({"distributed.admin.large-graph-warning-threshold": _LARGE_TASK}),
    ):
        cluster = Cluster(address, say or _to_standard_error)
        try:
            cluster.introduce()
            yield cluster
        finally:
            cluster.close()


def check_cluster(address: str) -> None:
    """Raise the InputErrors of `cluster_workers`, before anything is written."""
    with cluster_workers(address, say=lambda _: None):
        pass


class Cluster:
    """Workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Of the scheduler.
    say : callable
        Called with what a user should know.

    Raises
    ------
    InputError
        If no scheduler answers.
    """

    def __init__(self, address: str, say: Callable[[str], None]) -> None:
        from optimize.fingerprint import fingerprint

        self._address, self._say = address, say
        self._mine = fingerprint()
        self._refused: set[str] = set()
        self._is_warned = False
        self._threads: dict[str, int] = {}
        self._silent: set[str] = set()
        self._checked = self._seen = time.monotonic()
        try:
            self._client = _client(address)
        except (OSError, ValueError, TypeError, EOFError) as error:
            reason = (str(error).splitlines() or [f"no answer within {CONNECT_S:.0f} s"])[0]
            raise InputError(
                OPTION,
                f"{address}, where no scheduler answers ({reason})",
                "the address of a Dask scheduler, such as tcp://127.0.0.1:8786; "
                "crankfront cluster starts one",
            ) from None
        self._executor = self._client.get_executor(pure=False)

    def introduce(self) -> None:
        """Wait for workers, and compare them with this process.

        Raises
        ------
        InputError
            If there is no worker, or one with other versions.
        """
        end = time.monotonic() + CONNECT_S
        self._look()
        while not self._threads and time.monotonic() < end:
            time.sleep(0.2)
            self._look()
        if not self._threads:
            raise InputError(
                OPTION,
                f"{self._address}, a scheduler without workers",
                f"one with workers, started by: dask worker {self._address} --nthreads 1",
            )
        asked = {
            self._executor.submit(introduction, workers=[worker], allow_other_workers=False): worker
            for worker in self._threads
        }
        answers = wait(asked, timeout=CONNECT_S)
        bad = {asked[f]: text for f in answers.done if (text := self._difference_of(f))}
        for future in answers.not_done:  # busy with another run; each task compares once more
            future.cancel()
        if bad:
            raise InputError(
                OPTION,
                "; ".join(f"worker {worker} with {text}" for worker, text in sorted(bad.items())),
                f"workers from an environment like this one: the same versions, and {EXTRA}",
            )

    def _difference_of(self, future: Future[Fingerprint]) -> str:
        from optimize.fingerprint import other_versions

        try:
            theirs = future.result()
        except CancelledError:
            return ""
        except Exception as error:  # whatever it is that a worker cannot import
            return f"an error, {type(error).__name__}: {error}"
        text = other_versions(self._mine, theirs)
        if not text:
            self._compare_bits(theirs["bits"])
        return text

    def _compare_bits(self, bits: str) -> None:
        if bits != self._mine["bits"] and not self._is_warned:
            self._is_warned = True
            self._say(
                "Some workers round differently from this machine (another kind of processor): "
                "last digits, and so a design here and there, may differ from a run on one "
                "machine. For the same bits, take machines of one kind."
            )

    @property
    def count(self) -> int:
        """Return how many tasks are done at a time, by all threads of all workers."""
        return max(1, sum(self._usable().values()))

    def _usable(self) -> dict[str, int]:
        """Return the threads of each worker that may get tasks: of those that live, if any does."""
        allowed = {name: n for name, n in self._threads.items() if name not in self._refused}
        return {name: n for name, n in allowed.items() if name not in self._silent} or allowed

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Hand out a task.

        Raises
        ------
        WorkersLostError
            If the scheduler is gone, or only workers with other versions are left.
        """
        usable = self._usable()
        if self._threads and not usable:
            raise WorkersLostError(
                f"all workers of the cluster that are left have other versions; {_SAVED}"
            )
        is_choosy = len(usable) < len(self._threads)
        return self._submit(function, arguments, sorted(usable) if is_choosy else None)

    def submit_copy(self, function: Callable[..., Any], *arguments: Any) -> Future[Any] | None:
        """Hand out a task once more, to workers that idle; None where there is none.

        Without names the scheduler might queue the copy behind the task that it is a copy of.
        """
        idle = sorted(self._idle())
        return self._submit(function, arguments, idle) if idle else None

    def idle(self, _under_way: int) -> int:
        """Return how many threads of usable workers have no task: the scheduler knows."""
        return sum(self._idle().values())

    def _idle(self) -> dict[str, int]:
        try:
            busy: dict[str, Any] = self._ask("processing")
        except (OSError, TimeoutError):
            return {}
        left = {name: n - len(busy.get(name, ())) for name, n in self._usable().items()}
        return {name: n for name, n in left.items() if n > 0}

    def _submit(
        self, function: Callable[..., Any], arguments: tuple[Any, ...], where: list[str] | None
    ) -> Future[Any]:
        """Hand out a task, to some workers if they are named; to others should these be gone."""
        if self._client.status != "running":
            self._look()
        payload = pickle.dumps((function, arguments), pickle.HIGHEST_PROTOCOL)
        future: Future[Any] = self._executor.submit(
            do, payload, self._mine, workers=where, allow_other_workers=where is not None
        )
        return future

    def result(self, future: Future[Any]) -> Any:
        """Return what a task gave that is over; raise TaskLostError if it has to be done again."""
        try:
            kind, worker, answer, bits = future.result()
        except CancelledError:
            raise TaskLostError("the cluster forgot it") from None
        except Exception as error:  # Dask's own: workers that died, what could not be read
            text = (str(error).splitlines() or [""])[0]
            raise TaskLostError(f"{type(error).__name__}: {text}") from error
        if kind == "refused":
            if worker not in self._refused:
                self._refused.add(worker)
                self._say(f"Worker {worker} gets no tasks, since it has {answer}.")
            raise TaskLostError(f"worker {worker} has {answer}")
        self._compare_bits(bits)
        is_good, outcome = pickle.loads(answer)
        if not is_good:
            raise outcome
        return outcome

    def drop(self, future: Future[Any]) -> None:
        """Let go of a task: what its worker still makes of it is thrown away."""
        future.cancel()

    def check(self) -> None:
        """Look who is there, every few seconds.

        Raises
        ------
        WorkersLostError
            If the scheduler or all workers are gone, and do not come back.
        """
        now = time.monotonic()
        if now - self._checked < CHECK_S:
            return
        self._look()
        self._checked = now = time.monotonic()
        if self._usable():
            self._seen = now
        elif now - self._seen > NO_WORKERS_S:
            raise WorkersLostError(
                f"the scheduler at {self._address} has had no worker for {NO_WORKERS_S:.0f} s; "
                f"{_SAVED}"
            )

    def _look(self) -> None:
        """Take note of the workers that are there; wait for a scheduler that is not.

        Raises
        ------
        WorkersLostError
            If it does not come back.
        """
        end = time.monotonic() + SCHEDULER_S
        while True:
            try:
                if self._client.status in ("closed", "closing"):
                    self._client = _client(self._address)
                    self._executor = self._client.get_executor(pure=False)
                known = self._ask("identity")["workers"]
            except (OSError, TimeoutError):
                if time.monotonic() > end:
                    raise WorkersLostError(
                        f"the scheduler at {self._address} has not answered for "
                        f"{SCHEDULER_S:.0f} s; {_SAVED}"
                    ) from None
                time.sleep(0.5)
            else:
                break
        last = max((worker["last_seen"] for worker in known.values()), default=0.0)
        self._threads = {name: worker["nthreads"] for name, worker in known.items()}
        self._silent = {n for n, worker in known.items() if last - worker["last_seen"] > SILENCE_S}

    def _ask(self, question: str) -> Any:
        """Return a scheduler's answer; raise OSError or TimeoutError when there is none."""
        client = self._client
        if client.status != "running":
            raise OSError("not connected")
        return client.sync(getattr(client.scheduler, question), callback_timeout=CONNECT_S)

    def close(self) -> None:
        """Take leave of the scheduler; tasks under way are forgotten."""
        with contextlib.suppress(OSError, TimeoutError):
            self._client.close(timeout=CONNECT_S)


def _client(address: str) -> Client:
    """Return a client of a scheduler; raise OSError or ValueError where there is none."""
    from distributed import Client

    kind = asyncio.run(_kind_of(address))  # a client that fails to connect leaves threads behind
    if kind != "Scheduler":
        raise ValueError(f"it is a {kind.lower()} of Dask")
    with warnings.catch_warnings():
        # Of versions that differ; those that matter are compared here, and refused.
        warnings.filterwarnings("ignore", message="Mismatched versions found")
        return Client(address, timeout=CONNECT_S, set_as_default=False, name="crankfront")


async def _kind_of(address: str) -> str:
    """Return what answers at an address: a Scheduler, a Worker, a Nanny."""
    from distributed.core import rpc

    async with rpc(address, timeout=CONNECT_S) as other:
        found = await asyncio.wait_for(other.identity(), CONNECT_S)
    return str(found["type"])


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep Dask's log off the screen: what matters is said here, in one message."""
    log = logging.getLogger("distributed")
    saved = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(saved)


def _to_standard_error(text: str) -> None:
    print(text, file=sys.stderr)


def introduction() -> Fingerprint:
    """Return what a worker is like."""
    _prepare()
    from optimize.fingerprint import fingerprint

    return fingerprint()


def do(payload: bytes, wanted: Fingerprint) -> tuple[str, str, Any, str]:
    """Do a task on a worker.

    Parameters
    ----------
    payload : bytes
        Function and arguments, pickled.
    wanted : dict
        Fingerprint of who asks.

    Returns
    -------
    tuple
        "done", the worker, the pickled answer and the hash of its bits; or "refused", the worker
        and what is different there. It never raises: an error means that Dask lost the task.
    """
    from distributed import get_worker

    mine = introduction()
    from optimize.fingerprint import other_versions

    worker = str(get_worker().address)
    if difference := other_versions(wanted, mine):
        return "refused", worker, difference, ""
    try:
        function, arguments = pickle.loads(payload)
        answer = pickle.dumps((True, function(*arguments)), pickle.HIGHEST_PROTOCOL)
    except Exception as error:
        answer = failure(error)
    return "done", worker, answer, mine["bits"]


def _prepare() -> None:
    """Let linear algebra use one thread, as everywhere: it rounds differently with several."""
    import scipy.linalg  # type: ignore[import-untyped]  # noqa: F401  its library is limited only once it is loaded
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)
