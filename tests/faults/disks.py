"""Small disks that can be filled, and made read-only under a run that is at work."""

from __future__ import annotations

import errno
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

PAGE = 4096


class SmallDisk:
    """A file system in memory (`tmpfs(5)`), mounted for one test."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ballast = path / "ballast"

    def fill(self) -> None:
        """Leave no byte free."""
        with self._ballast.open("ab", buffering=0) as file:
            size = PAGE * PAGE
            while size:
                try:
                    file.write(b"\0" * size)
                except OSError as error:
                    if error.errno != errno.ENOSPC:
                        raise
                    size //= 2

    def free(self) -> None:
        """Give all room back."""
        self._ballast.unlink()

    def make(self, state: str) -> None:
        """Make it read-only ("ro") or writable ("rw"), once no file is open for writing."""
        for _ in range(200):
            done = _mount("-o", f"remount,{state}", str(self.path))
            if not done.returncode:
                return
            time.sleep(0.01)
        raise AssertionError(done.stderr)


def _mount(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["mount", *arguments], capture_output=True, text=True, check=False)


@contextmanager
def small_disk(path: Path, size: str = "4m") -> Iterator[SmallDisk]:
    """Give a disk of its own, or skip the test where this process must not mount one."""
    path.mkdir()
    done = _mount("-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(path))
    if done.returncode:
        pytest.skip(f"no file system can be mounted here (root can): {done.stderr.strip()}")
    try:
        yield SmallDisk(path)
    finally:
        subprocess.run(["umount", "--lazy", str(path)], check=True)


def is_root() -> bool:
    """Return whether permissions of files do not bite."""
    return os.geteuid() == 0
