"""Directories that must not be written to: from the start, and from some moment on.

Reference: `mount(8)`, option ro; `chmod(2)`; `write(2)`, EROFS.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.conftest import Start
from tests.faults.disks import SmallDisk, is_root
from tests.faults.launching import Ended, crankfront
from tests.faults.test_disk_full import OPTIONS, assert_one_error, assert_readable
from tests.torture.reading import differences

Undisturbed = Callable[[str], Path]
SETPRIV = shutil.which("setpriv")


def assert_refused(ended: Ended, folder: Path, *, says: str = "read-only file system") -> None:
    assert ended.status == 2, ended.said
    assert len([line for line in ended.said.splitlines() if line.startswith("crankfront: ")]) == 1
    assert "traceback" not in ended.words
    assert says in ended.words
    assert str(folder) in ended.said


@pytest.mark.parametrize("command", ["optimize", "enumerate"])
def test_a_read_only_disk_is_refused_at_the_start(
    command: str, disk: SmallDisk, study: Path
) -> None:
    disk.make("ro")
    folder = disk.path / "run"
    assert_refused(crankfront(command, study, "--out", folder, *OPTIONS), folder)
    assert list(disk.path.iterdir()) == []


def test_a_run_on_a_disk_that_is_read_only_now_is_read_but_not_gone_on_with(
    disk: SmallDisk, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    shutil.copytree(undisturbed("enumerate"), folder)
    disk.make("ro")
    again = crankfront("enumerate", study, "--out", folder, "--resume", *OPTIONS)
    assert_refused(again, folder)
    polished = crankfront("polish", folder, "--evaluations", 10)
    assert_refused(polished, folder)
    assert differences(folder, undisturbed("enumerate")) == []
    for command in (("verify", folder, "--sample", 100), ("equals", folder, "D1", "--most", 5)):
        ended = crankfront(*command)
        assert ended.status == 0, ended.said


@pytest.mark.slow
def test_a_directory_without_permission_is_refused_at_the_start(
    start: Start, study: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o555)
    before: tuple[str, ...] = ()
    if is_root():  # take the right to pass over permissions from it, capabilities(7)
        if SETPRIV is None:
            pytest.skip("permissions do not bind root, and there is no setpriv to make them bind")
        before = (SETPRIV, "--bounding-set=-dac_override,-dac_read_search", "--")
    ended = start("enumerate", study, "--out", folder, *OPTIONS, before=before).end()
    assert_refused(ended, folder, says="permission denied")
    assert list(folder.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize("command", ["optimize", "enumerate"])
def test_a_disk_that_becomes_read_only_loses_nothing(
    command: str, disk: SmallDisk, start: Start, study: Path, undisturbed: Undisturbed
) -> None:
    folder = disk.path / "run"
    launch = start(command, study, "--out", folder, *OPTIONS)
    launch.wait_until((folder / "checkpoints").exists)
    disk.make("ro")
    assert_one_error(launch.end(), says="read-only file system", folder=folder, warnings=1)
    disk.make("rw")
    assert_readable(folder)
    again = crankfront(command, study, "--out", folder, "--resume", *OPTIONS)
    assert again.status == 0, again.said
    assert differences(folder, undisturbed(command)) == []
