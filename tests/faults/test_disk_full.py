"""A disk without room: for a while, at the end, at the start.

Reference: `write(2)`, ENOSPC and EFBIG; part 1 of the design: a researcher must never meet a lost
night. What is compared is the run that nothing happened to, byte by byte.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.conftest import Start
from tests.faults.disks import SmallDisk
from tests.faults.launching import Ended, crankfront, modified_ns
from tests.torture.kills import ROOT
from tests.torture.reading import differences, found_in

Undisturbed = Callable[[str], Path]
OPTIONS = ("--workers", 1, "--no-pictures", "--save-every", 0)  # it saves after every task
NOTES = {"optimize": "round.json", "enumerate": "enumeration.json"}
LAYOUT = ROOT / "studies" / "layouts" / "v-eight-cross-plane.toml"


def assert_one_error(ended: Ended, *, says: str, folder: Path, warnings: int = 0) -> None:
    """Assert that it ended with one message: what failed, that nothing is lost, how to go on."""
    assert ended.status == 1, ended.said
    assert "traceback" not in ended.words, ended.said
    assert ended.words.count(says) == 1 + warnings, ended.said
    assert "intact" in ended.words
    # A terminal may break a long path at any place.
    assert f"--out{folder}--resume".lower() in "".join(ended.words.split()), ended.said


def assert_readable(folder: Path) -> None:
    found = found_in(folder)
    assert (found.unreadable, found.neighbours) == ((), ())


@pytest.mark.slow
@pytest.mark.parametrize("command", ["optimize", "enumerate"])
def test_a_disk_that_was_full_for_a_while_loses_nothing(
    command: str, disk: SmallDisk, start: Start, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    note = folder / "checkpoints" / NOTES[command]
    launch = start(command, study, "--out", folder, *OPTIONS)
    launch.wait_until(note.exists)
    with launch.held_still():
        disk.fill()
    launch.wait_until(lambda: "no space left" in launch.said.lower())
    with launch.held_still():
        assert_readable(folder)
        disk.free()
        saved = modified_ns(note)
    ended = launch.end()
    assert ended.status == 0, ended.said
    assert ended.words.count("no space left") == 1, ended.said
    assert modified_ns(note) > saved
    assert differences(folder, undisturbed(command)) == []
    assert_readable(folder)


@pytest.mark.slow
def test_a_disk_that_stays_full_ends_the_run_with_one_message(
    disk: SmallDisk, start: Start, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    launch = start("optimize", study, "--out", folder, *OPTIONS)
    launch.wait_until((folder / "checkpoints" / "round.json").exists)
    with launch.held_still():
        disk.fill()
    assert_one_error(launch.end(), says="no space left", folder=folder, warnings=1)
    assert_readable(folder)
    disk.free()
    assert start("optimize", study, "--out", folder, "--resume", *OPTIONS).end().status == 0
    assert differences(folder, undisturbed("optimize")) == []


@pytest.mark.slow
def test_results_that_find_no_room_are_written_when_there_is_some(
    disk: SmallDisk, start: Start, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    launch = start("enumerate", study, "--out", folder, *OPTIONS)
    launch.wait_until((folder / "front.parquet").exists)
    with launch.held_still():
        disk.fill()
        was_late = (folder / "summary.md").exists()
    assert not was_late, "all results were written before the disk was full"
    assert_one_error(launch.end(), says="no space left", folder=folder)
    assert_readable(folder)
    disk.free()
    assert crankfront("enumerate", study, "--out", folder, "--resume", *OPTIONS).status == 0
    assert differences(folder, undisturbed("enumerate")) == []


@pytest.mark.slow
def test_pictures_that_find_no_room_leave_the_results(
    disk: SmallDisk, start: Start, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    launch = start("enumerate", study, "--out", folder, "--workers", 1)
    launch.wait_until((folder / "summary.md").exists)
    with launch.held_still():
        disk.fill()
    assert_one_error(launch.end(), says="no space left", folder=folder)
    wrong = differences(folder, undisturbed("enumerate"))
    assert not [text for text in wrong if not text.startswith("pictures")]
    assert_readable(folder)
    disk.free()
    again = crankfront("enumerate", study, "--out", folder, "--resume", *OPTIONS)
    assert again.status == 0, again.said
    assert_readable(folder)


@pytest.mark.slow
def test_files_that_must_not_grow_so_large_are_a_full_disk_too(
    start: Start, study: Path, tmp_path: Path, undisturbed: Undisturbed
) -> None:
    # As an ordinary user can have it, `setrlimit(2)`: RLIMIT_FSIZE. Checkpoints fit, fronts do not.
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))

    folder = tmp_path / "run"
    launch = start("enumerate", study, "--out", folder, *OPTIONS, prepare=limit)
    assert_one_error(launch.end(), says="file too large", folder=folder)
    assert_readable(folder)
    assert crankfront("enumerate", study, "--out", folder, "--resume", *OPTIONS).status == 0
    assert differences(folder, undisturbed("enumerate")) == []


@pytest.mark.parametrize("again", [(), ("--resume",)])
def test_a_full_disk_at_the_start_is_one_message(
    again: tuple[str, ...], disk: SmallDisk, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    disk.fill()
    ended = crankfront("enumerate", study, "--out", folder, *OPTIONS)
    assert ended.status == 2, ended.said
    assert "traceback" not in ended.words
    assert ended.words.count("no space left") == 1
    assert str(folder).lower() in ended.words
    assert [path for path in folder.rglob("*") if path.is_file()] == []
    disk.free()
    assert crankfront("enumerate", study, "--out", folder, *again, *OPTIONS).status == 0
    assert differences(folder, undisturbed("enumerate")) == []


@pytest.mark.parametrize(
    ("command", "files"),
    [
        (("evaluate", LAYOUT, "--plots", "DISK/plots"), ("plots",)),
        (("evaluate", LAYOUT, "--sheet", "DISK/sheet.html"), ("",)),  # its directory
        (("firing-orders", LAYOUT, "--parquet", "DISK/orders.parquet"), ("orders.parquet",)),
        (("firing-orders", LAYOUT, "--save", "DISK/order.toml"), ("order.toml",)),
        (("firing-orders", LAYOUT, "--tree", "DISK/tree"), ("tree.png", "tree.svg")),
        (("compare", LAYOUT, LAYOUT, "--picture", "DISK/both"), ("both.png", "both.svg")),
    ],
    ids=["plots", "sheet", "parquet", "save", "tree", "picture"],
)
def test_what_other_commands_write_is_whole_or_missing(
    command: tuple[object, ...], files: tuple[str, ...], disk: SmallDisk
) -> None:
    disk.fill()
    ended = crankfront(*(str(word).replace("DISK", str(disk.path)) for word in command))
    # Their directories are tried before anything is computed.
    assert ended.status == (2 if {"--plots", "--sheet"} & set(command) else 1), ended.said
    assert "traceback" not in ended.words
    assert ended.words.count("no space left") == 1
    assert any(str(disk.path / name) in ended.said for name in files), ended.said
    assert [path.name for path in disk.path.rglob("*") if path.is_file()] == ["ballast"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full, full(4)")
@pytest.mark.parametrize("command", [("metrics",), ("metrics", "--json")])
def test_standard_output_that_finds_no_room(command: tuple[str, ...], tmp_path: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "optimize.cli", *command],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "no space left" in done.stderr.lower()
