"""A few of the kills of ``make torture``, and what a run leaves behind when it is killed.

Reference: the run in one piece, compared byte by byte, and part 1 of the design: a researcher with
an overnight study must never meet a lost night. `signal(7)`: SIGKILL cannot be caught, so that
nothing of the product runs at that moment.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from evaluate.errors import InputError
from optimize import files, run
from optimize.cli import main
from optimize.files import is_neighbour, only_writer, remove_neighbours, write_text
from optimize.starts import KEPT
from tests.optimize.small_studies import in_this_process, metrics, write_study
from tests.torture.kills import PHASES, ROOT, Job, outliving, run_and_kill, run_to_end
from tests.torture.reading import differences, found_in

SMALL = {
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["own-web"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
    },
    "constraints": {"largest_interval_factor": 1.75},
    "objectives": metrics(("force_rms_N", 200.0), ("couple_rms_Nm", 20.0)),
    "search": {"population": 20, "evaluations": 1200, "seeds": 2, "exact": "never"},
}
QUICK = {
    **SMALL,
    "space": {"cylinders": [3], "arrangements": ["in-line"], "throw_angle_step_deg": 30.0},
    "search": {"population": 16, "evaluations": 200, "exact": "never"},
}
OPTIONS = ("--workers", "2", "--no-pictures")
USUAL_S = 2.5


def crankfront(*arguments: object) -> str:
    """Run a command in this process; return what it complained of, or nothing."""
    result = CliRunner().invoke(main, list(map(str, arguments)))
    assert result.exit_code in (0, 2), (result.output, result.exception)
    return result.stderr if result.exit_code else ""


@pytest.fixture
def without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_pool", in_this_process)


@pytest.mark.slow
@pytest.mark.usefixtures("without_processes")
@pytest.mark.parametrize(
    ("command", "seed"),
    # With these seeds the first kill is aimed at a checkpoint and the second at the results.
    [("optimize", 28), ("enumerate", 47)],
)
def test_a_run_that_is_killed_again_and_again_ends_as_if_nothing_had_been(
    command: str, seed: int, tmp_path: Path
) -> None:
    study = write_study(tmp_path, **SMALL)
    assert not crankfront(
        command, study, "--out", tmp_path / "whole", "--workers", "1", "--no-pictures"
    )
    workers = "2" if command == "enumerate" else "1"  # processes take long to start
    options = ("--workers", workers, "--no-pictures", "--save-every", "0")
    job = Job(command=command, study=study, options=options)
    chance, phases = random.Random(f"{seed} {command}"), []
    folder = tmp_path / "run"
    for number in range(2):
        launch = run_and_kill(
            job,
            folder,
            resume=folder.exists(),
            chance=chance,
            usual_s=USUAL_S,
            parent_only=number == 1,
        )
        assert not found_in(folder).unreadable
        assert launch.n_orphans == 0
        if launch.phase is None:
            assert launch.status == 0, launch.said
            break
        phases.append(launch.phase)
    assert set(phases) <= set(PHASES)
    assert phases, "chance let it end before the first kill"
    last = run_to_end(job, folder, resume=folder.exists())
    assert last.status == 0, last.said
    assert differences(folder, tmp_path / "whole") == []
    assert not found_in(folder).neighbours


ONLY_WAIT = """
import sys, time
from optimize.processes import pool
if __name__ == "__main__":
    with pool(2) as workers:
        for task in [workers.submit(time.sleep, 0.01) for _ in range(20)]:
            task.result()
        if sys.argv[1] == "busy":
            busy = [workers.submit(time.sleep, 300) for _ in range(2)]
        print("ready", flush=True)
        time.sleep(300)
"""


@pytest.mark.slow
@pytest.mark.parametrize("work", ["idle", "busy"])
def test_workers_end_when_their_driver_is_killed(work: str, tmp_path: Path) -> None:
    (tmp_path / "driver.py").write_text(ONLY_WAIT, "utf-8")
    process = subprocess.Popen(
        [sys.executable, tmp_path / "driver.py", work],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"ready\n"
    process.kill()
    process.wait()
    process.stdout.close()
    assert outliving(process.pid) == 0


# --- what a kill may leave behind ---


@pytest.mark.parametrize(
    ("name", "is_one"),
    [
        (".front.parquet.a1b2c3_d.parquet", True),
        (".island-000-001-round-00003.npz.abcdefgh.npz", True),
        (".front.parquet", False),
        (".config.settings", False),
        (".notes.md.old", False),
        ("front.parquet", False),
        ("x.front.parquet.a1b2c3_d.parquet", False),
        (".front.parquet.a1b2c3_d.json", False),
    ],
)
def test_only_neighbours_are_taken_for_such(name: str, is_one: bool) -> None:
    assert is_neighbour(Path(name)) is is_one


def test_what_write_whole_calls_a_neighbour_is_one(tmp_path: Path) -> None:
    met: list[bool] = []

    def write(beside: Path) -> None:
        met.append(is_neighbour(beside))

    files.write_whole(tmp_path / "some.thing.json", write)
    assert met == [True]


def test_neighbours_are_removed_and_nothing_else(tmp_path: Path) -> None:
    kept = ["front.parquet", ".hidden", ".config.settings", "study.toml"]
    for name in [*kept, ".front.parquet.a1b2c3_d.parquet", ".study.toml.________.toml"]:
        (tmp_path / name).write_text("x", "utf-8")
    (tmp_path / ".a.toml.abcdefgh.toml").mkdir()
    remove_neighbours([tmp_path, tmp_path / "missing"])
    assert {p.name for p in tmp_path.iterdir()} == {*kept, ".a.toml.abcdefgh.toml"}


def test_a_name_is_flushed_after_the_file_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # fsync(2): the entry of a file in its directory reaches the disk only by an fsync of that.
    seen: list[tuple[bool, bool]] = []

    def fsync(handle: int) -> None:
        is_folder = os.path.samestat(os.fstat(handle), tmp_path.stat())
        seen.append((is_folder, (tmp_path / "a.json").exists()))

    monkeypatch.setattr(os, "fsync", fsync)
    write_text(tmp_path / "a.json", "{}")
    assert seen == [(False, False), (True, True)]


@pytest.mark.usefixtures("without_processes")
@pytest.mark.parametrize(
    "left", [(), (".study.toml.abcdefgh.toml", ".start.parquet.abcdefgh.parquet")]
)
def test_resuming_a_run_that_died_before_it_wrote_its_study_begins_it(
    left: tuple[str, ...], tmp_path: Path
) -> None:
    study = write_study(tmp_path, **QUICK)
    (tmp_path / "run").mkdir()
    for name in left:
        (tmp_path / "run" / name).write_text("half of", "utf-8")
    assert not crankfront("optimize", study, "--out", tmp_path / "run", "--resume", *OPTIONS)
    assert (tmp_path / "run" / "front.parquet").exists()
    assert not found_in(tmp_path / "run").neighbours


def test_resuming_in_a_directory_of_something_else_is_refused(tmp_path: Path) -> None:
    study = write_study(tmp_path, **QUICK)
    assert "no checkpoint" in crankfront("optimize", study, "--out", tmp_path, "--resume")
    assert [p.name for p in tmp_path.iterdir()] == [study.name]


@pytest.mark.usefixtures("without_processes")
def test_a_run_that_died_before_its_first_round_keeps_what_it_starts_from(tmp_path: Path) -> None:
    study = write_study(tmp_path, **QUICK)
    before, whole, died = (tmp_path / name for name in ("before", "whole", "died"))
    assert not crankfront("enumerate", study, "--out", before, "--workers", 1, "--no-pictures")
    assert not crankfront("optimize", study, "--out", whole, "--start", before, *OPTIONS)
    died.mkdir()
    for name in ("study.toml", KEPT):  # what stands there until the first round is saved
        (died / name).write_bytes((whole / name).read_bytes())
    assert not crankfront("optimize", study, "--out", died, "--resume", *OPTIONS)
    assert differences(died, whole) == []


@pytest.mark.usefixtures("without_processes")
def test_states_that_no_note_names_are_removed_when_a_run_is_gone_on_with(tmp_path: Path) -> None:
    study, out = write_study(tmp_path, **QUICK), tmp_path / "run"
    assert not crankfront("optimize", study, "--out", out, *OPTIONS)
    states = {path.name for path in (out / "checkpoints").glob("*.npz")}
    for number in (10, 99):  # killed before the earlier round was removed, or before the note
        (out / "checkpoints" / f"island-000-000-round-{number:05d}.npz").write_bytes(b"")
    assert not crankfront("optimize", study, "--out", out, "--resume", *OPTIONS)
    assert {path.name for path in (out / "checkpoints").glob("*.npz")} == states


@pytest.fixture
def other_writer(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Return another process that has `tmp_path`."""
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from optimize.files import only_writer\n"
        "with only_writer(Path(sys.argv[1]), '--out'):\n"
        "    print('ready', flush=True)\n"
        "    time.sleep(300)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        yield process
        process.kill()


def test_two_runs_are_not_at_work_in_one_directory(
    other_writer: subprocess.Popen[bytes], tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="another run"), only_writer(tmp_path, "--out"):
        pass
    other_writer.send_signal(signal.SIGKILL)
    other_writer.wait()
    time.sleep(0.05)
    with only_writer(tmp_path, "--out"):  # the lock has ended with its process
        pass
