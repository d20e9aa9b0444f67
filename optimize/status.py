"""The state of a run, for other terminals: written by the run, read while it goes on and after."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import msgspec

from evaluate.errors import InputError
from optimize.files import has_writer, json_text, write_text

SCHEMA = "crankfront.status/1"
NAME = "status.json"
WRITE_EVERY_S = 3.0
RunState = Literal["running", "stopped", "finished", "failed", "interrupted"]


class IslandStatus(msgspec.Struct, kw_only=True):
    """One family and seed.

    Attributes
    ----------
    seed : int or None
        Number of the repetition; None where a family is enumerated.
    mode : str
        Whether it is searched or enumerated.
    state : str
        Waiting, running, settled (its front has stopped moving), exhausted (no new design to be
        found), or done.
    evaluations : int
        Designs scored; 0 where classes of designs are enumerated.
    share_done : float
        Of what it is expected to do, 0 to 1.
    hypervolume : float or None
        Dominated share of the box between best and worst values; None before it can be measured.
    seconds_left : float or None
        Expected work of one process. [s]
    """

    family: str
    seed: int | None
    mode: Literal["searched", "enumerated"]
    state: Literal["waiting", "running", "settled", "exhausted", "done"]
    generations: int = 0
    evaluations: int = 0
    share_done: float = 0.0
    front_size: int = 0
    hypervolume: float | None = None
    seconds_left: float | None = None


class RunStatus(msgspec.Struct, kw_only=True):
    """A run as a whole.

    Attributes
    ----------
    started, updated, saved : str or None
        Begin, last word, last checkpoint: ISO 8601, UTC.
    seconds : float
        Time under way, over all resumptions. [s]
    seconds_left : float or None
        Estimate from the pace so far. [s]
    message : str
        Why it ended, where it did not end well.
    """

    schema: str = SCHEMA
    study: str
    question: str
    seed: int
    command: str
    state: RunState = "running"
    started: str
    updated: str
    saved: str | None = None
    pid: int
    versions: dict[str, str]
    workers: int = 1
    evaluations: int = 0
    budget: int = 0
    round: int = 0
    rounds: int = 0
    front_size: int = 0
    hypervolume: float | None = None
    seconds: float = 0.0
    seconds_left: float | None = None
    message: str = ""
    islands: list[IslandStatus] = []


def now_text(seconds: float | None = None) -> str:
    """Return a time as ISO 8601 in UTC, to the second; now without one."""
    when = time.time() if seconds is None else seconds
    return datetime.fromtimestamp(when, UTC).isoformat(timespec="seconds")


@dataclass(slots=True)
class StatusFile:
    """Writes the state of a run now and then; a file that cannot be written stops nothing.

    Attributes
    ----------
    folder : Path
        Run directory.
    status : RunStatus
        What is written, and changed from outside.
    """

    folder: Path
    status: RunStatus
    _before_s: float = 0.0
    _began: float = field(default_factory=time.monotonic)
    _written: float = float("-inf")

    @classmethod
    def begin(cls, folder: Path, status: RunStatus) -> StatusFile:
        """Return the file of a run, which goes on with the times of an earlier one of the run."""
        made = cls(folder, status)
        earlier = _read(folder / NAME)
        if earlier is not None:
            status.started = earlier.started
            made._before_s = earlier.seconds
        return made

    def write(self, *, at_once: bool = False) -> None:
        """Write, if the last time was some seconds ago."""
        now = time.monotonic()
        if not at_once and now - self._written < WRITE_EVERY_S:
            return
        self._written = now
        self.status.updated = now_text()
        self.status.seconds = round(self._before_s + now - self._began, 1)
        try:
            write_text(self.folder / NAME, json_text(self.status) + "\n")
        except OSError:
            return  # a checkpoint that cannot be written is told; this is the lesser file

    def end(self) -> None:
        """Write the last word, if there was a first."""
        if self._written > float("-inf"):
            self.status.seconds_left = None
            self.write(at_once=True)


def read_status(folder: Path) -> RunStatus:
    """Return the state of a run; "interrupted" where it says running and nobody is at work.

    Raises
    ------
    InputError
        If the directory holds no state of a run, or one that cannot be read.
    """
    file = folder / NAME
    if not file.is_file():
        allowed = "the directory of a run"
        if (folder / "front.parquet").is_file():  # polished, or of an earlier version
            allowed = "a run of optimize or enumerate; `crankfront runs` lists others too"
        raise InputError("RUN_DIR", f"no {NAME} in {folder}", allowed)
    status = _read(file)
    if status is None:
        raise InputError(str(file), "something that is no state of a run", f"a file of {SCHEMA}")
    if status.state == "running" and not has_writer(folder):
        status.state, status.seconds_left = "interrupted", None
        for island in status.islands:
            island.state = "waiting" if island.state == "running" else island.state
    return status


def _read(file: Path) -> RunStatus | None:
    try:
        status = msgspec.json.decode(file.read_bytes(), type=RunStatus)
    except (OSError, ValueError):
        return None
    return status if status.schema == SCHEMA else None


def own_pid() -> int:
    """Return the number of this process."""
    return os.getpid()
