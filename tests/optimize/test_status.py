"""The state of a run: written while it goes on, read by others, right after any end.

There is no outside value here but the clock: what is tested are the promises of the README and of
section 7 of the design (`status --json`: `state`, and per island what is known).
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from evaluate import InputError
from optimize import run
from optimize.cli import main
from optimize.files import RemovedError, has_writer, only_writer
from optimize.fronts import SO_FAR, front_so_far, read_front
from optimize.plan import plan_of
from optimize.run import run_study
from optimize.saving import Saver
from optimize.status import IslandStatus, RunStatus, StatusFile, now_text, read_status
from tests.optimize.small_studies import in_this_process, metrics, small_study, write_study

ROOT = Path(__file__).parents[2]
STUDY: dict[str, Any] = {
    "study": {"name": "told", "question": "How far is it?", "seed": 5},
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["own-web"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
    },
    "constraints": {"largest_interval_factor": 1.75},
    "objectives": metrics(("force_rms_N", 200.0), ("couple_rms_Nm", 20.0)),
    "search": {"population": 20, "evaluations": 1000, "seeds": 2},
}
LONG = {
    **STUDY,
    "space": {**STUDY["space"], "throw_angle_step_deg": 0.0},  # so that none is exhausted
    "search": {"population": 40, "evaluations": 4_000_000, "seeds": 2, "settled_after": 1.0},
}


def crankfront(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def _json(folder: Path) -> dict[str, Any]:
    result = crankfront("status", folder, "--json")
    assert result.exit_code == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@contextmanager
def _under_way(folder: Path, name: str, *command: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "optimize.cli", *command, "--out", name, "--no-pictures"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _wait(path: Path, process: subprocess.Popen[bytes], seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not path.exists():
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.02)


@pytest.mark.slow
def test_a_run_can_be_watched_from_another_process_and_is_interrupted_once_it_is_killed(
    tmp_path: Path,
) -> None:
    study = write_study(tmp_path, **LONG)
    folder = tmp_path / "long"
    options = ("--workers", "2", "--save-every", "1")
    with _under_way(tmp_path, "long", "optimize", str(study), *options) as process:
        _wait(folder / SO_FAR, process)
        time.sleep(3.5)  # the file is written every three seconds
        told = _json(folder)
        front = read_front(folder / SO_FAR)
        assert has_writer(folder)
        again = crankfront("optimize", study, "--out", folder, "--resume")
        assert again.exit_code == 2
        assert "another run is at work" in again.stderr
        process.kill()
        process.wait()
        killed = _json(folder)
    assert told["state"] == "running"
    assert told["pid"] == process.pid
    assert told["command"] == "optimize"
    plan = plan_of(small_study(**LONG))
    assert [(i["family"], i["seed"]) for i in told["islands"]] == [
        (family.name, seed) for family in plan.families for seed in (0, 1)
    ]
    begun = [i for i in told["islands"] if i["evaluations"]]
    assert begun
    for island in begun:
        assert island["state"] == "running"
        assert island["mode"] == "searched"
        # Populations are whole, but for the first of a small space.
        assert island["generations"] <= island["evaluations"] <= 40 * island["generations"]
        assert 0 < island["share_done"] < 1
        assert island["seconds_left"] > 0
    assert sum(i["evaluations"] for i in told["islands"]) == told["evaluations"] < told["budget"]
    assert told["saved"] is not None
    now = datetime.now(UTC)
    for name in ("started", "updated", "saved"):
        assert now - timedelta(minutes=5) < datetime.fromisoformat(told[name]) <= now
    assert front.attrs["is_complete"] is False
    assert {"design", "family", "force_rms_N", "couple_rms_Nm_rounded", "seed"} <= set(front)
    assert killed["state"] == "interrupted"
    assert killed["seconds_left"] is None
    assert not any(i["state"] == "running" for i in killed["islands"])


@pytest.fixture
def without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_pool", in_this_process)


@pytest.mark.usefixtures("without_processes")
def test_a_finished_run_says_so_and_drops_the_front_so_far(tmp_path: Path) -> None:
    study = write_study(tmp_path, **STUDY)
    done = crankfront(
        "optimize", study, "--out", tmp_path / "a", "--no-pictures", "--save-every", "0"
    )
    assert done.exit_code == 0
    told = _json(tmp_path / "a")
    front = read_front(tmp_path / "a" / "front.parquet")
    assert told["state"] == "finished"
    assert told["front_size"] == len(front)
    assert told["hypervolume"] == front.attrs["hypervolume"]
    assert told["evaluations"] == front.attrs["evaluations"]
    assert {i["state"] for i in told["islands"]} <= {"done", "exhausted", "settled"}
    assert not (tmp_path / "a" / SO_FAR).exists()
    shown = crankfront("status", tmp_path / "a").stdout
    for words in ("told: finished", "How far is it?", "in-line 3", "hypervolume", "work left"):
        assert words in shown


@pytest.mark.usefixtures("without_processes")
def test_an_enumeration_tells_its_families(tmp_path: Path) -> None:
    study = write_study(tmp_path, **STUDY)
    options = ("--workers", "1", "--no-pictures", "--save-every", "0")
    assert crankfront("enumerate", study, "--out", tmp_path / "a", *options).exit_code == 0
    told = _json(tmp_path / "a")
    assert (told["state"], told["command"]) == ("finished", "enumerate")
    for island in told["islands"]:
        assert (island["mode"], island["state"], island["seed"]) == ("enumerated", "done", None)
        assert island["share_done"] == 1
    assert not (tmp_path / "a" / SO_FAR).exists()


@pytest.mark.usefixtures("without_processes")
def test_a_refused_resumption_leaves_the_state_alone(tmp_path: Path) -> None:
    study = write_study(tmp_path, **STUDY)
    crankfront("optimize", study, "--out", tmp_path / "a", "--no-pictures")
    before = (tmp_path / "a" / "status.json").read_bytes()
    refused = crankfront("optimize", study, "--out", tmp_path / "a", "--resume", "--seed", "77")
    assert refused.exit_code == 2
    assert (tmp_path / "a" / "status.json").read_bytes() == before


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": "crankfront.status/99"}', "\x00"])
def test_a_damaged_state_is_one_message(tmp_path: Path, text: str) -> None:
    (tmp_path / "status.json").write_text(text, "utf-8")
    result = crankfront("status", tmp_path)
    assert result.exit_code == 2
    assert "status.json" in result.stderr
    assert result.stderr.count("\n") == 1


def test_no_run_no_state(tmp_path: Path) -> None:
    assert crankfront("status", tmp_path).exit_code == 2
    assert crankfront("status", tmp_path / "nowhere").exit_code == 2


def _status(**changed: Any) -> RunStatus:
    usual: dict[str, Any] = {
        "study": "s",
        "question": "",
        "seed": 1,
        "command": "optimize",
        "started": now_text(),
        "updated": now_text(),
        "pid": 1,
        "versions": {},
    }
    return RunStatus(**{**usual, **changed})


def test_times_go_on_over_resumptions(tmp_path: Path) -> None:
    first = StatusFile.begin(tmp_path, _status(started="2026-01-02T03:04:05+00:00"))
    first._before_s = 100.0
    first.write(at_once=True)
    second = StatusFile.begin(tmp_path, _status())
    assert second.status.started == "2026-01-02T03:04:05+00:00"
    second.write(at_once=True)
    assert read_status(tmp_path).seconds >= 100.0


def test_a_living_writer_is_running_and_a_dead_one_interrupted(tmp_path: Path) -> None:
    island = IslandStatus(family="in-line 2", seed=0, mode="searched", state="running")
    StatusFile.begin(tmp_path, _status(islands=[island])).write(at_once=True)
    assert read_status(tmp_path).state == "interrupted"
    assert read_status(tmp_path).islands[0].state == "waiting"
    with only_writer(tmp_path, "--out"):
        assert read_status(tmp_path).state == "running"
        assert read_status(tmp_path).islands[0].state == "running"
    assert read_status(tmp_path).state == "interrupted"


# --- saving ---


def test_trouble_is_told_once_and_its_end_once() -> None:
    said: list[str] = []
    saver = Saver(every_s=7.0, tell=said.append)

    def full() -> None:
        raise OSError(28, "No space left on device", "round.json")

    assert not saver.save(full)
    assert not saver.save(full)
    assert saver.saved_at is None
    assert len(said) == 1
    for words in ("no space left on device", "round.json", "every 7 s", "intact"):
        assert words in said[0]
    assert saver.save(lambda: None)
    assert saver.save(lambda: None)
    assert len(said) == 2
    assert not saver.is_due()
    assert Saver(every_s=0.0).is_due()


def test_a_directory_that_is_gone_ends_the_run() -> None:
    def gone() -> None:
        raise RemovedError(Path("run"))

    with pytest.raises(RemovedError):
        Saver().save(gone)


@pytest.mark.usefixtures("without_processes")
def test_the_front_so_far_is_the_front_once_all_is_done(tmp_path: Path) -> None:
    study = small_study(**STUDY)
    outcome = run_study(study, tmp_path, workers=1)
    so_far = front_so_far(study, outcome.fronts)
    columns = [c for c in so_far if c != "also_in"]
    assert so_far[columns].equals(outcome.common[columns])
    # As vectors without designs, while an enumeration goes on.
    vectors = {f.island.family.name: f.boxes for f in outcome.fronts if len(f)}
    bare = front_so_far(study, [], vectors)
    rounded = [f"{o.key}_rounded" for o in study.objectives]
    assert bare[rounded].equals(outcome.common[rounded])
    assert front_so_far(study, []).empty


def test_no_state_can_be_read_where_there_is_none(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="RUN_DIR"):
        read_status(tmp_path)
