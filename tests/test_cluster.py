"""Searches and enumerations on real Dask clusters of this machine: same bits, whatever fails."""

from __future__ import annotations

import asyncio
import contextlib
import http.server
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evaluate.errors import InputError
from optimize import cluster, work
from optimize.cluster import check_cluster, cluster_workers
from optimize.run import Outcome, run_study
from optimize.study import Study
from optimize.work import Work, WorkersLostError
from tests.optimize.small_studies import small_study, study_text
from tests.optimize.test_work import refuse, slow_square, square

distributed = pytest.importorskip("distributed")
psutil = pytest.importorskip("psutil")  # comes with distributed

ROOT = Path(__file__).parents[1]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
SPACE = {
    "cylinders": [4, 6],
    "arrangements": ["in-line", "v"],
    "pins": ["shared", "own-main"],
    "bank_angle_deg": [60.0, 90.0],
    "throw_angle_step_deg": 30.0,
    "reciprocating_fraction": [0.0, 0.5],
}
SEARCHED: dict[str, Any] = {
    "space": SPACE,
    "search": {"population": 24, "evaluations": 6_000, "seeds": 2, "exact": "never"},
}
ENUMERATED: dict[str, Any] = {
    "space": {**SPACE, "pins": ["shared"], "throw_angle_step_deg": 15.0},
}
pytestmark = pytest.mark.slow


# --- clusters ---


class Launched:
    """`crankfront cluster` in a session of its own."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "optimize.cli", "cluster", *options],
            cwd=ROOT,
            env=ENVIRONMENT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self.process.stdout is not None
        self.lines = [self.process.stdout.readline().strip() for _ in range(2)]
        self.address = self.lines[1].rpartition(" ")[2]
        self._others: list[subprocess.Popen[bytes]] = []

    @property
    def workers(self) -> list[int]:
        """Return the process of each worker."""
        children = psutil.Process(self.process.pid).children(recursive=True)
        return [c.pid for c in children if "spawn_main" in " ".join(c.cmdline())]

    def joined_by(self, threads: int = 1, **environment: str) -> str:
        """Start one more worker by Dask's own command; return its address once it is there."""
        before = self.addresses()
        command = "from distributed.cli.dask_worker import main; main()"
        options = ["--no-nanny", "--no-dashboard", "--host", "127.0.0.1"]
        options += ["--nthreads", str(threads)]
        self._others.append(
            subprocess.Popen(
                [sys.executable, "-c", command, self.address, *options],
                cwd=ROOT,
                env={**ENVIRONMENT, **environment},
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        )
        end = time.monotonic() + 30
        while not (new := self.addresses() - before):
            assert time.monotonic() < end, "the worker never came"
            time.sleep(0.1)
        return new.pop()

    def addresses(self) -> set[str]:
        async def known() -> set[str]:
            async with distributed.core.rpc(self.address) as scheduler:
                return set((await scheduler.identity())["workers"])

        return asyncio.run(known())

    def retired(self, process_id: int) -> None:
        """Let the worker of a process leave."""
        with distributed.Client(self.address, set_as_default=False) as client:
            ids = client.run(os.getpid)
            client.retire_workers([name for name, pid in ids.items() if pid == process_id])

    def end(self, number: int = signal.SIGTERM) -> str:
        """Send a signal to the command; return what it wrote to standard error."""
        for other in self._others:
            other.kill()
            other.wait()
        self.process.send_signal(number)
        _, said = self.process.communicate(timeout=30)
        assert isinstance(said, str)
        return said


@contextlib.contextmanager
def launched(workers: int, port: int = 0) -> Iterator[Launched]:
    made = Launched("--workers", str(workers), "--port", str(port))
    try:
        yield made
    finally:
        with contextlib.suppress(ProcessLookupError):
            for worker in [] if made.process.poll() is not None else made.workers:
                os.kill(worker, signal.SIGCONT)
        made.end(signal.SIGKILL)


@pytest.fixture(scope="module")
def two() -> Iterator[Launched]:
    with launched(2) as made:
        yield made


def left_of(session: int, *, within_s: float = 15.0) -> list[int]:
    """Return which processes of a session do not end."""
    end = time.monotonic() + within_s
    while (left := in_session(session)) and time.monotonic() < end:
        time.sleep(0.1)
    return left


def in_session(session: int) -> list[int]:
    found = []
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error, ProcessLookupError):
            if os.getsid(process.pid) == session and process.status() != psutil.STATUS_ZOMBIE:
                found.append(process.pid)
    return found


# --- runs ---


def outcome_of(tables: dict[str, Any], folder: Path, **options: Any) -> Outcome:
    study: Study = small_study(**tables)
    folder.mkdir()
    return run_study(study, folder, all_exact=tables is ENUMERATED, **options)


@pytest.fixture(scope="module")
def local(tmp_path_factory: pytest.TempPathFactory) -> Callable[[dict[str, Any]], Outcome]:
    """Return what runs on this machine give, each done once."""
    known: dict[int, Outcome] = {}

    def outcome(tables: dict[str, Any]) -> Outcome:
        if id(tables) not in known:
            folder = tmp_path_factory.mktemp("local") / "run"
            known[id(tables)] = outcome_of(tables, folder, workers=2)
        return known[id(tables)]

    return outcome


def assert_same_bits(one: Outcome, other: Outcome) -> None:
    for name in ("common", "family_rows"):
        left, right = getattr(one, name), getattr(other, name)
        assert len(left) > 3
        assert list(left) == list(right)
        for column in left:
            a, b = (frame[column].map(_exactly).tolist() for frame in (left, right))
            assert a == b, f"{name}: {column}"


def _exactly(value: Any) -> Any:
    """Return a value as something that is equal only when every bit is."""
    if isinstance(value, float | np.ndarray):
        return np.asarray(value).tobytes()
    return value


def on_cluster(
    tables: dict[str, Any], made: Launched, folder: Path, during: Callable[[], None] | None = None
) -> Outcome:
    """Do a run on a cluster, and something to the cluster once the run is well under way."""
    calls = [0]

    def report(_: object) -> None:
        calls[0] += 1
        if calls[0] == 4 and during is not None:
            during()

    found = outcome_of(tables, folder, workers=1, cluster=made.address, report=report)
    assert calls[0] > 4
    return found


@pytest.mark.parametrize("tables", [SEARCHED, ENUMERATED], ids=["search", "enumeration"])
def test_two_workers_give_the_bits_of_a_local_run(
    tables: dict[str, Any],
    two: Launched,
    local: Callable[[dict[str, Any]], Outcome],
    tmp_path: Path,
) -> None:
    assert_same_bits(on_cluster(tables, two, tmp_path / "run"), local(tables))


@pytest.mark.parametrize("threads", [1, 3])
def test_one_worker_gives_the_bits_of_a_local_run(
    threads: int, local: Callable[[dict[str, Any]], Outcome], tmp_path: Path
) -> None:
    """Threads share what their process remembers."""
    with launched(1) as made:
        if threads > 1:
            made.joined_by(threads=threads)
            made.retired(made.workers[0])
        for number, tables in enumerate((SEARCHED, ENUMERATED)):
            found = on_cluster(tables, made, tmp_path / f"run-{number}")
            assert_same_bits(found, local(tables))


def test_stopped_worker_does_not_hold_the_rest(
    local: Callable[[dict[str, Any]], Outcome], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work, "STRAGGLER_S", 0.5)
    monkeypatch.setattr(cluster, "SILENCE_S", 2.0)
    with launched(2) as made:
        victim = made.workers[0]
        found = on_cluster(
            SEARCHED, made, tmp_path / "run", lambda: os.kill(victim, signal.SIGSTOP)
        )
        assert psutil.Process(victim).status() == psutil.STATUS_STOPPED
    assert_same_bits(found, local(SEARCHED))


@pytest.mark.parametrize("tables", [SEARCHED, ENUMERATED], ids=["search", "enumeration"])
def test_killed_worker_changes_no_bit(
    tables: dict[str, Any],
    two: Launched,
    local: Callable[[dict[str, Any]], Outcome],
    tmp_path: Path,
) -> None:
    before = two.workers
    assert len(before) == 2
    found = on_cluster(
        tables, two, tmp_path / "run", lambda: os.kill(two.workers[0], signal.SIGKILL)
    )
    assert set(two.workers) != set(before)
    assert_same_bits(found, local(tables))


def test_command_writes_the_files_of_a_local_run(two: Launched, tmp_path: Path) -> None:
    study = tmp_path / "small.toml"
    study.write_text(study_text(**SEARCHED), "utf-8")
    for name, options in (("there", ["--cluster", two.address]), ("here", ["--workers", "2"])):
        options += ["--out", str(tmp_path / name), "--no-pictures"]
        done = subprocess.run(
            [sys.executable, "-m", "optimize.cli", "optimize", str(study), *options],
            cwd=ROOT,
            env=ENVIRONMENT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert "Warning" not in done.stderr, done.stderr
    for name in ("front.parquet", "family_fronts.parquet"):
        assert (tmp_path / "there" / name).read_bytes() == (tmp_path / "here" / name).read_bytes()


# --- single tasks ---


def results(tasks: Work[Any], *, within_s: float = 40.0) -> dict[Any, Any]:
    found: dict[Any, Any] = {}
    end = time.monotonic() + within_s
    while len(tasks):
        assert time.monotonic() < end, f"{len(tasks)} tasks are not done after {within_s} s"
        found.update(tasks.done(timeout_s=0.2))
    return found


def test_error_of_a_task_is_that_error(two: Launched) -> None:
    with cluster_workers(two.address) as hands:
        tasks: Work[int] = Work(hands)
        tasks.add(5, refuse, 5)
        with pytest.raises(ValueError, match="no 5 today") as caught:
            results(tasks)
        assert "in refuse" in caught.value.__notes__[0]


def test_large_arguments_and_results_travel(two: Launched) -> None:
    """Without a word of Dask on large graphs: a warning would be an error here."""
    numbers = np.random.default_rng(1).random(2_000_000)
    with cluster_workers(two.address) as hands:
        tasks: Work[int] = Work(hands)
        tasks.add(0, np.negative, numbers)
        assert results(tasks)[0].tobytes() == (-numbers).tobytes()


def test_tasks_survive_a_new_scheduler_at_the_old_address() -> None:
    with launched(1) as made:
        port = int(made.address.rpartition(":")[2])
        with cluster_workers(made.address) as hands:
            tasks: Work[int] = Work(hands)
            for number in range(3):
                tasks.add(number, slow_square, number, 1.0)
            tasks.done(timeout_s=0.3)
            made.end(signal.SIGKILL)
            with launched(1, port):
                assert results(tasks) == {0: 0, 1: 1, 2: 4}


def test_scheduler_that_stays_away_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "SCHEDULER_S", 2.0)
    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    with launched(1) as made, cluster_workers(made.address) as hands:
        tasks: Work[int] = Work(hands)
        tasks.add(0, slow_square, 0, 60.0)
        made.end(signal.SIGKILL)
        with pytest.raises(WorkersLostError, match=r"scheduler at .* has not answered .*--resume"):
            results(tasks)


def test_scheduler_without_workers_for_long_is_one_message(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cluster, "NO_WORKERS_S", 3.0)
    made = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
    )
    with made, cluster_workers(made.scheduler_address) as hands:
        tasks: Work[int] = Work(hands)
        tasks.add(0, slow_square, 0, 0.2)
        assert results(tasks)
        made.scale(0)  # nobody starts it again
        tasks.add(1, slow_square, 1, 0.2)
        with pytest.raises(WorkersLostError, match="has had no worker for 3 s"):
            results(tasks)


# --- who answers, and with what ---


@contextlib.contextmanager
def silent_server() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@contextlib.contextmanager
def web_server() -> Iterator[int]:
    class Quiet(http.server.BaseHTTPRequestHandler):
        def log_message(self, *_: Any) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Quiet) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1]
        server.shutdown()


@contextlib.contextmanager
def nobody() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    yield port


@pytest.mark.parametrize("whoever", [nobody, silent_server, web_server])
def test_address_where_no_scheduler_answers(
    whoever: Callable[[], contextlib.AbstractContextManager[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 1.5)
    began = time.monotonic()
    with whoever() as port, pytest.raises(InputError, match="no scheduler answers") as caught:
        check_cluster(f"tcp://127.0.0.1:{port}")
    assert caught.value.where == "--cluster"
    assert time.monotonic() - began < 8


@pytest.mark.parametrize("address", ["", "127.0.0.1", "pigeon://127.0.0.1:1", "tcp://:::x"])
def test_what_is_no_address(address: str) -> None:
    with pytest.raises(InputError, match="--cluster"):
        check_cluster(address)


def test_address_of_a_worker_is_not_taken_for_its_scheduler(two: Launched) -> None:
    with pytest.raises(InputError, match="it is a worker"):
        check_cluster(min(two.addresses()))


def test_scheduler_without_workers_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 1.5)
    with launched(1) as made:
        with distributed.Client(made.address, set_as_default=False) as client:
            client.retire_workers(list(made.addresses()), remove=True)
        with pytest.raises(InputError, match="without workers") as caught:
            check_cluster(made.address)
    assert f"dask worker {made.address} --nthreads 1" in str(caught.value)


def with_another_numpy(folder: Path) -> dict[str, str]:
    """Return an environment in which an installed numpy says that it is 0.0.1."""
    note = folder / "numpy-0.0.1.dist-info" / "METADATA"
    note.parent.mkdir()
    note.write_text("Metadata-Version: 2.1\nName: numpy\nVersion: 0.0.1\n", "utf-8")
    return {"PYTHONPATH": f"{folder}{os.pathsep}{ROOT}"}


def test_worker_with_another_version_is_refused_by_name(tmp_path: Path) -> None:
    with launched(1) as made:
        address = made.joined_by(**with_another_numpy(tmp_path))
        with pytest.raises(InputError, match=r"numpy 0\.0\.1 instead of ") as caught:
            check_cluster(made.address)
    assert address in str(caught.value)


def test_worker_with_another_version_that_comes_later_gets_no_tasks(tmp_path: Path) -> None:
    said: list[str] = []
    with launched(1) as made, cluster_workers(made.address, say=said.append) as hands:
        tasks: Work[int] = Work(hands)
        stranger = made.joined_by(**with_another_numpy(tmp_path))
        for number in range(40):
            tasks.add(number, slow_square, number, 0.05)
        assert results(tasks) == {number: number**2 for number in range(40)}
    assert said == [said[0]]
    assert stranger in said[0]
    assert "numpy 0.0.1 instead of" in said[0]


def test_worker_that_rounds_differently_is_pointed_out_once() -> None:
    """numpy takes other instructions, as it would on an older processor."""
    said: list[str] = []
    with launched(1) as made:
        baseline = {"NPY_DISABLE_CPU_FEATURES": "AVX512F AVX512_SKX AVX2 FMA3 X86_V3 X86_V4"}
        made.joined_by(**baseline)
        with cluster_workers(made.address, say=said.append) as hands:
            tasks: Work[int] = Work(hands)
            for number in range(6):
                tasks.add(number, square, number)
            assert results(tasks) == {number: number**2 for number in range(6)}
    assert len(said) == 1
    assert "another kind of processor" in said[0]


@pytest.mark.parametrize("package", ["distributed", "dask", "threadpoolctl"])
def test_without_dask_the_message_says_what_to_install(package: str) -> None:
    code = (
        f"import sys; sys.modules[{package!r}] = None\n"
        "from optimize.cluster import check_cluster\ncheck_cluster('tcp://127.0.0.1:1')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=ENVIRONMENT, capture_output=True, text=True, check=False
    )
    assert 'pip install "crankfront[cluster]"' in done.stderr.splitlines()[-1]


# --- the command ---


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_cluster_ends_with_its_command(number: int) -> None:
    made = Launched("--workers", "2", "--port", "0")
    assert made.lines[0].startswith(f"Scheduler at {made.address}, 2 worker(s)")
    assert made.lines[1] == f"crankfront optimize STUDY.toml --cluster {made.address}"
    assert made.address.startswith("tcp://127.0.0.1:")
    if number == signal.SIGINT:
        os.killpg(made.process.pid, number)  # as a terminal does
    said = made.end(number)
    if number != signal.SIGKILL:
        assert said == ""
        assert made.process.returncode == 0
    assert left_of(made.process.pid) == []


def test_cluster_at_a_port_that_is_taken_is_one_message() -> None:
    with silent_server() as port:
        made = Launched("--workers", "1", "--port", str(port))
        _, said = made.process.communicate(timeout=30)
    assert made.process.returncode == 2
    assert said.count("\n") == 1, said
    assert said.startswith(f"crankfront: --port: got {port}")
    assert left_of(made.process.pid) == []
