"""A Dask cluster on this machine, for `crankfront cluster`: a scheduler here, workers beside it."""

from __future__ import annotations

import contextlib
import importlib.util
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType

from evaluate.errors import InputError
from optimize.cluster import EXTRA
from optimize.processes import interrupts_held

HOST = "127.0.0.1"  # a scheduler does what anybody who reaches it asks for
DASHBOARD_PORT = 8787


def serve(
    *, workers: int, port: int, with_dashboard: bool, tell: Callable[[str, str | None], None]
) -> None:
    """Keep a scheduler and its workers until Ctrl-C or SIGTERM.

    Parameters
    ----------
    workers : int
        Processes, of one thread each.
    port : int
        Of the scheduler; 0 for any that is free.
    with_dashboard : bool
        Serve Dask's pages on what the workers do.
    tell : callable
        Called with the addresses of the scheduler and of the dashboard (or None) once all are
        there.

    Raises
    ------
    InputError
        If Dask, or what its dashboard needs, is not installed, or the port is taken.
    """
    for option, package, remedy in (
        ("crankfront cluster", "distributed", EXTRA),
        *([("--dashboard", "bokeh", "pip install bokeh")] if with_dashboard else ()),
    ):
        if importlib.util.find_spec(package) is None:
            raise InputError(option, f"no package {package!r}", f"an environment with it: {remedy}")
    from distributed import LocalCluster

    with _until_asked() as asked:
        try:
            with interrupts_held():  # workers end with the cluster, not before it
                cluster = LocalCluster(
                    n_workers=workers,
                    threads_per_worker=1,
                    processes=True,
                    host=HOST,
                    scheduler_port=port,
                    dashboard_address=f"{HOST}:{DASHBOARD_PORT if with_dashboard else 0}",
                    scheduler_kwargs={"dashboard": with_dashboard},
                    memory_limit=0,  # else Dask pauses workers, and a run waits for them
                    silence_logs=50,
                )
        except (OSError, RuntimeError) as error:
            raise InputError("--port", f"{port} ({_root(error)})", "a port that is free") from None
        with cluster:
            tell(cluster.scheduler_address, cluster.dashboard_link if with_dashboard else None)
            asked.wait()


def _root(error: BaseException) -> BaseException:
    while error.__cause__ is not None:
        error = error.__cause__
    return error


@contextlib.contextmanager
def _until_asked() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and SIGTERM set."""
    asked = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        asked.set()

    saved = {s: signal.signal(s, on_signal) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked
    finally:
        for number, handler in saved.items():
            signal.signal(number, handler)
