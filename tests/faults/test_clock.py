"""A wall clock that is put back by a day and then forward by ten years while a run is at work.

Reference: `clock_gettime(2)`: CLOCK_REALTIME may jump, CLOCK_MONOTONIC does not. The clock of the
command is moved by a library that is loaded before the system's, compiled here. (libfaketime
0.9.10 would do, but lets sleeps until a time of CLOCK_MONOTONIC fail.) ISO 8601 has the form of the
times.
"""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from optimize.fronts import read_front
from optimize.status import read_status
from tests.faults.conftest import Start
from tests.faults.test_disk_full import NOTES, OPTIONS
from tests.torture.reading import differences

Undisturbed = Callable[[str], Path]
COMPILER = shutil.which("cc") or shutil.which("gcc")
DAY_S = 86_400
TEN_YEARS_S = 3653 * DAY_S


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if COMPILER is None or sys.platform != "linux":
        pytest.skip("no C compiler that could make a clock that jumps (Debian: gcc, libc6-dev)")
    made = tmp_path_factory.mktemp("clock") / "jumping_clock.so"
    source = Path(__file__).with_name("jumping_clock.c")
    subprocess.run([COMPILER, "-shared", "-fPIC", "-O1", "-o", made, source, "-ldl"], check=True)
    return made


class Clock:
    """The wall clock of other processes."""

    def __init__(self, library: Path, file: Path) -> None:
        self._file = file
        self.put(0)
        self.environment = {"LD_PRELOAD": str(library), "JUMPING_CLOCK": str(file)}

    def put(self, offset_s: int) -> None:
        with self._file.open("r+b" if self._file.exists() else "w+b", buffering=0) as file:
            file.write(struct.pack("=q", offset_s))


@pytest.fixture
def clock(library: Path, tmp_path: Path) -> Clock:
    return Clock(library, tmp_path / "offset")


def test_the_clock_of_these_tests_jumps(clock: Clock) -> None:
    clock.put(TEN_YEARS_S)
    code = "import time; print(time.time(), time.monotonic())"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=clock.environment,
        capture_output=True,
        text=True,
        check=True,
    )
    wall_s, monotonic_s = map(float, done.stdout.split())
    assert wall_s - time.time() == pytest.approx(TEN_YEARS_S, abs=10)
    assert monotonic_s == pytest.approx(time.monotonic(), abs=10)


@pytest.mark.slow
@pytest.mark.parametrize("command", ["optimize", "enumerate"])
def test_a_clock_that_jumps_changes_nothing(
    command: str,
    clock: Clock,
    start: Start,
    study: Path,
    tmp_path: Path,
    undisturbed: Undisturbed,
) -> None:
    folder = tmp_path / "run"
    note = folder / "checkpoints" / NOTES[command]
    launch = start(command, study, "--out", folder, *OPTIONS, environment=clock.environment)
    for has_come, offset_s in (
        ((folder / "study.toml").exists, -DAY_S),
        (note.exists, TEN_YEARS_S),
    ):
        launch.wait_until(has_come)
        with launch.held_still():
            clock.put(offset_s)
    ended = launch.end()
    assert ended.status == 0, ended.said
    assert differences(folder, undisturbed(command)) == []
    # Seconds of work, and a time left that is one of seconds, not of years.
    seconds = read_front(folder / "history.parquet")["seconds"]
    assert seconds.between(0, 60).all()
    left = re.findall(r"time left ([^|\n]*)", ended.said)
    assert left
    assert all(re.fullmatch(r"estimating|\d\d? s", text.strip()) for text in left), left
    status = read_status(folder)
    started, updated = map(datetime.fromisoformat, (status.started, status.updated))
    assert started.tzinfo is not None
    assert updated.year >= datetime.now(UTC).year + 9  # it tells the clock's time, right or wrong
    assert 0 <= status.seconds < 60
    assert not status.seconds_left or 0 <= status.seconds_left < 60
