"""The command in a process of its own, held still while a fault is prepared."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from optimize.cli import main
from tests.torture.kills import ROOT

LONGEST_S = 120.0  # no run of these tests takes so long
POLL_S = 0.001


@dataclass(frozen=True, kw_only=True, slots=True)
class Ended:
    """How a command ended: its exit status and what it wrote to standard error."""

    status: int
    said: str

    @property
    def words(self) -> str:
        """Return what it said in lower case, on one line however it was wrapped."""
        return " ".join(self.said.lower().split())


class Launch:
    """The command at work in a process group of its own.

    Parameters
    ----------
    arguments : sequence
        Of the command.
    said : Path
        Where its standard error goes, on a disk that nothing happens to.
    cwd : Path
        Where it is started.
    environment : mapping
        What it has beyond this process's variables.
    prepare : callable or None
        Called in the new process before the command.
    before : sequence of str
        Command that starts this one.
    """

    def __init__(
        self,
        arguments: Sequence[object],
        said: Path,
        *,
        cwd: Path | None = None,
        environment: Mapping[str, str] | None = None,
        prepare: Callable[[], object] | None = None,
        before: Sequence[str] = (),
    ) -> None:
        self._said = said
        with said.open("wb") as complaints:
            self._process = subprocess.Popen(
                [*before, sys.executable, "-m", "optimize.cli", *map(str, arguments)],
                cwd=cwd or said.parent,
                env={**os.environ, "PYTHONPATH": str(ROOT), **(environment or {})},
                stdout=subprocess.DEVNULL,
                stderr=complaints,
                start_new_session=True,
                preexec_fn=prepare,
            )

    def wait_until(self, has_come: Callable[[], bool]) -> None:
        """Wait until something has come; it must come before the command ends."""
        until = time.monotonic() + LONGEST_S
        while not has_come():
            if self._process.poll() is not None or time.monotonic() > until:
                raise AssertionError(f"it never came; the command said: {self.said}")
            time.sleep(POLL_S)

    @contextmanager
    def held_still(self) -> Iterator[None]:
        """Stop all its processes (`signal(7)`: SIGSTOP) and let them go on afterwards."""
        os.killpg(self._process.pid, signal.SIGSTOP)
        os.waitid(os.P_PID, self._process.pid, os.WSTOPPED | os.WNOWAIT)
        try:
            yield
        finally:
            os.killpg(self._process.pid, signal.SIGCONT)

    @property
    def said(self) -> str:
        """Return what it has complained of so far."""
        return self._said.read_text("utf-8")

    def end(self) -> Ended:
        """Wait for the end of the command."""
        status = self._process.wait(LONGEST_S)
        return Ended(status=status, said=self.said)

    def close(self) -> None:
        """End all its processes, whatever they do."""
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()


def crankfront(*arguments: object) -> Ended:
    """Run the command in this process to its end."""
    result = CliRunner().invoke(main, list(map(str, arguments)))
    said = result.stderr
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        said += f"Traceback: {result.exception!r}"
    return Ended(status=result.exit_code, said=said)


def modified_ns(path: Path) -> int:
    """Return when a file was written, 0 while there is none. [ns]"""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0
