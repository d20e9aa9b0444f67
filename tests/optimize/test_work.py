"""Tasks on real processes that are killed, stopped and slow."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from optimize import processes, work
from optimize.processes import LocalWorkers, ThisProcess, pool
from optimize.work import Work, WorkersLostError

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.slow


# --- tasks, done in other processes ---


def square(number: int) -> int:
    return number * number


def slow_square(number: int, seconds: float, folder: Path | None = None) -> int:
    """Square a number, and leave the number of the process where it can be found."""
    if folder is not None:
        (folder / f"{number}.pid").write_text(str(os.getpid()), "utf-8")
    time.sleep(seconds)
    return number * number


def slow_once(folder: Path, first_s: float) -> int:
    """Take long the first time only."""
    try:
        (folder / "was-here").touch(exist_ok=False)
    except FileExistsError:
        return os.getpid()
    time.sleep(first_s)
    return os.getpid()


def end_yourself(_number: int) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def refuse(number: int) -> None:
    raise ValueError(f"no {number} today")


def give_nothing_to_send() -> Any:
    return lambda: None


# --- helpers ---


@pytest.fixture(scope="module")
def two() -> Iterator[LocalWorkers]:
    with pool(2) as workers:
        assert isinstance(workers, LocalWorkers)
        yield workers


def all_results(tasks: Work[Any], *, within_s: float = 60.0) -> dict[Any, Any]:
    found: dict[Any, Any] = {}
    end = time.monotonic() + within_s
    while len(tasks):
        assert time.monotonic() < end, f"{len(tasks)} tasks are not done after {within_s} s"
        found.update(tasks.done(timeout_s=0.2))
    return found


def process_at_work(folder: Path, number: int) -> int:
    """Return which process does a task, once it has begun."""
    file = folder / f"{number}.pid"
    end = time.monotonic() + 30
    while not (file.exists() and file.read_text("utf-8")):
        assert time.monotonic() < end, "the task never began"
        time.sleep(0.02)
    return int(file.read_text("utf-8"))


def is_there(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    return True


# --- the usual case ---


def test_every_task_has_its_own_result(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    for number in range(50):
        tasks.add(number, square, number)
    assert all_results(tasks) == {number: number**2 for number in range(50)}


def test_no_result_in_time_is_no_result(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    tasks.add(3, slow_square, 3, 1.0)
    assert tasks.done(timeout_s=0.05) == []
    assert len(tasks) == 1
    assert all_results(tasks) == {3: 9}


def test_tasks_are_done_here_where_there_are_no_processes() -> None:
    tasks: Work[int] = Work(ThisProcess())
    for number in range(9):
        tasks.add(number, square, number)
    assert all_results(tasks) == {number: number**2 for number in range(9)}


def test_error_of_a_task_comes_with_where_it_was_raised(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    tasks.add(5, refuse, 5)
    with pytest.raises(ValueError, match="no 5 today") as caught:
        all_results(tasks)
    assert "in refuse" in caught.value.__notes__[0]


def test_result_that_cannot_be_sent_is_an_error_and_no_hang(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    tasks.add(0, give_nothing_to_send)
    with pytest.raises((AttributeError, RuntimeError, TypeError), match=r"pickle|local"):
        all_results(tasks)


def test_argument_that_cannot_be_sent_is_an_error_and_no_hang(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    tasks.add(0, square, (n for n in range(3)))
    with pytest.raises(TypeError, match="pickle"):
        all_results(tasks)


# --- workers that die ---


def test_killed_worker_costs_its_task_only(two: LocalWorkers, tmp_path: Path) -> None:
    tasks: Work[int] = Work(two)
    for number in range(6):
        tasks.add(number, slow_square, number, 0.6, tmp_path)
    victim, other = (process_at_work(tmp_path, number) for number in (0, 1))
    os.kill(victim, signal.SIGKILL)
    assert all_results(tasks) == {number: number**2 for number in range(6)}
    assert victim not in two.process_ids
    assert other in two.process_ids
    assert len(set(two.process_ids)) == 2


def test_all_workers_killed_at_once_are_replaced(two: LocalWorkers, tmp_path: Path) -> None:
    tasks: Work[int] = Work(two)
    for number in range(4):
        tasks.add(number, slow_square, number, 0.5, tmp_path)
    victims = [process_at_work(tmp_path, number) for number in (0, 1)]
    for victim in victims:
        os.kill(victim, signal.SIGKILL)
    assert all_results(tasks) == {number: number**2 for number in range(4)}
    assert not set(victims) & set(two.process_ids)


def test_worker_killed_while_it_idles_is_not_missed(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    tasks.add(1, square, 1)
    assert all_results(tasks) == {1: 1}
    for process_id in two.process_ids:
        os.kill(process_id, signal.SIGKILL)
    tasks.add(2, square, 2)
    tasks.add(3, square, 3)
    assert all_results(tasks) == {2: 4, 3: 9}


def test_task_that_ends_its_worker_each_time_ends_the_run(two: LocalWorkers) -> None:
    tasks: Work[int] = Work(two)
    tasks.add(0, end_yourself, 0)
    with pytest.raises(WorkersLostError, match=r"lost its worker 6 times.*--resume"):
        all_results(tasks)
    tasks = Work(two)  # and the workers are as good as new
    tasks.add(2, square, 2)
    assert all_results(tasks) == {2: 4}


# --- workers that hang ---


def test_stopped_worker_does_not_hold_the_rest(
    two: LocalWorkers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work, "STRAGGLER_S", 1.0)
    tasks: Work[int] = Work(two)
    for number in range(5):
        tasks.add(number, slow_square, number, 0.3, tmp_path)
    victim = process_at_work(tmp_path, 0)
    os.kill(victim, signal.SIGSTOP)
    assert all_results(tasks) == {number: number**2 for number in range(5)}
    deadline = time.monotonic() + 10
    while victim in two.process_ids and time.monotonic() < deadline:
        time.sleep(0.05)
    assert victim not in two.process_ids
    assert not is_there(victim)


def test_only_worker_that_is_stopped_is_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(processes, "SILENCE_S", 1.5)
    with pool(1) as workers:
        tasks: Work[int] = Work(workers)
        tasks.add(4, slow_square, 4, 0.5, tmp_path)
        os.kill(process_at_work(tmp_path, 4), signal.SIGSTOP)
        assert all_results(tasks) == {4: 16}


def test_worker_stopped_before_it_reads_a_large_task_is_replaced(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(processes, "SILENCE_S", 1.0)
    with pool(1) as workers:
        assert isinstance(workers, LocalWorkers)
        tasks: Work[int] = Work(workers)
        tasks.add(0, square, 2)
        assert all_results(tasks) == {0: 4}
        os.kill(workers.process_ids[0], signal.SIGSTOP)
        tasks.add(1, len, bytes(8_000_000))  # more than a pipe holds
        assert all_results(tasks) == {1: 8_000_000}


def test_long_task_that_lives_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(processes, "SILENCE_S", 1.5)
    with pool(1) as workers:
        assert isinstance(workers, LocalWorkers)
        before = workers.process_ids
        tasks: Work[int] = Work(workers)
        tasks.add(4, slow_square, 4, 5.0)
        assert all_results(tasks) == {4: 16}
        assert workers.process_ids == before


def test_straggler_is_done_by_somebody_else(
    two: LocalWorkers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work, "STRAGGLER_S", 0.5)
    monkeypatch.setattr(work, "UNKNOWN_S", 0.5)
    tasks: Work[str] = Work(two)
    tasks.add("slow", slow_once, tmp_path, 120.0)
    began = time.monotonic()
    assert len(all_results(tasks)) == 1
    assert time.monotonic() - began < 20


def test_task_is_not_copied_while_others_wait(
    two: LocalWorkers, monkeypatch: pytest.MonkeyPatch
) -> None:
    copies: list[Any] = []

    def counted(*task: Any) -> Future[Any]:
        copies.append(task)
        return two.submit(*task)

    monkeypatch.setattr(work, "STRAGGLER_S", 0.0)
    monkeypatch.setattr(work, "UNKNOWN_S", 0.0)
    monkeypatch.setattr(two, "submit_copy", counted)
    tasks: Work[int] = Work(two)
    for number in range(8):
        tasks.add(number, slow_square, number, 0.1)
    while len(tasks) > 2:
        tasks.done(timeout_s=0.2)
        assert len(tasks) <= 2 or not copies
    all_results(tasks)


# --- the end ---


def test_pool_ends_its_processes_whatever_they_do(tmp_path: Path) -> None:
    with pool(3) as workers:
        assert isinstance(workers, LocalWorkers)
        for number in range(5):
            workers.submit(slow_square, number, 300.0, tmp_path)
        os.kill(process_at_work(tmp_path, 0), signal.SIGSTOP)
        ids = workers.process_ids
    assert not any(is_there(process_id) for process_id in ids)


ONLY_ENDS = """
import os, signal, sys
from optimize.processes import pool
from tests.optimize.test_work import square
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # shells ignore it in the background
    with pool(2) as workers:
        assert workers.submit(square, 3).result() == 9
        print(*workers.process_ids, flush=True)
        os.killpg(0, signal.SIGINT)
"""


def test_interrupt_reaches_the_driver_only(tmp_path: Path) -> None:
    """A terminal sends Ctrl-C to driver and workers; these do not answer with tracebacks."""
    (tmp_path / "driver.py").write_text(ONLY_ENDS, "utf-8")
    done = subprocess.run(
        [sys.executable, tmp_path / "driver.py"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        start_new_session=True,
        check=False,
    )
    assert done.stderr.count("KeyboardInterrupt") == 1, done.stderr
    assert done.stderr.count("Traceback") == 1, done.stderr
    assert not any(is_there(int(process_id)) for process_id in done.stdout.split())
