"""Starting a run, killing it at a moment that chance names, and saying what it was doing then."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
LONGEST_S = 300.0  # no run takes so long
POLL_S = 0.001
PHASES = (
    "start-up",
    "first round or first sweep",
    "between checkpoints",
    "checkpoint being written",
    "results being written",
    "pictures",
)
# What a run writes while it is under way.
BEFORE_RESULTS = ("checkpoints", "study.toml", "status.json", "front_so_far.parquet")
# What a kill waits for, and the longest time that it waits from then on. [s]
AIMS = {"study": 0.05, "checkpoint": 0.06, "results": 0.4, "pictures": 3.0}
# One kill in two falls at any time; the others near the short moments that would hardly be met.
WEIGHTS = {"any": 0.5, "study": 0.1, "checkpoint": 0.2, "results": 0.15, "pictures": 0.05}

Files = dict[str, tuple[int, int, int]]  # name: inode, time of change [ns], size


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """One command on one study file.

    Attributes
    ----------
    command : str
        ``optimize`` or ``enumerate``.
    study : Path
        The study file.
    options : tuple of str
        Further options.
    """

    command: str
    study: Path
    options: tuple[str, ...] = ("--workers", "2")


@dataclass(frozen=True, kw_only=True, slots=True)
class Launch:
    """How one process group ended.

    Attributes
    ----------
    phase : str or None
        Where it was killed; None when it ended by itself.
    status : int
        Exit status of the command.
    said : str
        Its standard error.
    n_orphans : int
        Processes that outlived their killed parent by ten seconds.
    """

    phase: str | None
    status: int
    said: str
    n_orphans: int = 0


def started(job: Job, folder: Path, *, resume: bool) -> subprocess.Popen[bytes]:
    """Start the command in a process group of its own; its complaints go beside the directory."""
    command = [
        sys.executable,
        "-m",
        "optimize.cli",
        job.command,
        str(job.study),
        "--out",
        str(folder),
    ]
    command += [*job.options, *(["--resume"] if resume else [])]
    with _complaints(folder).open("wb") as said:
        return subprocess.Popen(
            command,
            cwd=folder.parent,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            stderr=said,
            start_new_session=True,
        )


def _complaints(folder: Path) -> Path:
    return folder.with_name(f"{folder.name}.stderr")


def run_to_end(job: Job, folder: Path, *, resume: bool = False) -> Launch:
    """Run the command undisturbed."""
    process = started(job, folder, resume=resume)
    status = process.wait(LONGEST_S)
    return Launch(phase=None, status=status, said=_complaints(folder).read_text("utf-8"))


def run_and_kill(
    job: Job,
    folder: Path,
    *,
    resume: bool,
    chance: random.Random,
    usual_s: float,
    parent_only: bool = False,
) -> Launch:
    """Start the command and kill it with SIGKILL at a random moment.

    Parameters
    ----------
    job, folder, resume
        What to start.
    chance : Random
        Chooses the moment: any time within the usual duration, or near an event.
    usual_s : float
        What an undisturbed run takes. [s]
    parent_only : bool
        Kill the command alone, as a system short of memory does, not its whole group.
    """
    aim = chance.choices(list(WEIGHTS), list(WEIGHTS.values()))[0]
    if aim == "study" and resume:
        aim = "any"  # it is written once
    delay_s = chance.uniform(0, AIMS.get(aim, usual_s))
    before = files_of(folder)
    process = started(job, folder, resume=resume)
    if aim != "any":
        _wait(lambda: process.poll() is not None or _has_come(aim, before, folder), 5 * POLL_S)
    until = time.monotonic() + delay_s
    _wait(lambda: process.poll() is not None or time.monotonic() >= until)
    ended = process.poll()
    n_orphans = 0
    if ended is None:
        if parent_only:
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
        ended = process.wait(LONGEST_S)
        n_orphans = outliving(process.pid)
    said = _complaints(folder).read_text("utf-8")
    if ended != -signal.SIGKILL:
        return Launch(phase=None, status=ended, said=said)
    phase = phase_of(before, files_of(folder), folder, has_spoken=bool(said.strip()))
    return Launch(phase=phase, status=ended, said=said, n_orphans=n_orphans)


def outliving(group: int, seconds: float = 10.0) -> int:
    """Return how many processes of a group are alive so much later; they are killed then."""
    until = time.monotonic() + seconds
    while alive := _living(group):
        if time.monotonic() > until:
            os.killpg(group, signal.SIGKILL)
            return len(alive)
        time.sleep(10 * POLL_S)
    return 0


def _living(group: int) -> list[str]:
    """Return the processes of a group that are no zombies (proc(5): state, parent, group)."""
    living = []
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, its_group, *_ = file.read_text().rpartition(")")[2].split()
        except OSError:
            continue  # ended meanwhile
        if int(its_group) == group and state not in "ZX":
            living.append(file.parent.name)
    return living


def _wait(is_over: Callable[[], bool], every_s: float = POLL_S) -> None:
    until = time.monotonic() + LONGEST_S
    while not is_over() and time.monotonic() < until:
        time.sleep(every_s)


def files_of(folder: Path) -> Files:
    """Return all files of a directory, as they are told apart from changed ones."""
    files: Files = {}
    for base, _, names in os.walk(folder):
        for name in names:
            path = os.path.join(base, name)
            try:
                stat = os.stat(path)
            except OSError:
                continue  # renamed meanwhile
            known = (stat.st_ino, stat.st_mtime_ns, stat.st_size)
            files[os.path.relpath(path, folder)] = known
    return files


def _changed(before: Files, after: Files) -> set[str]:
    return {name for name, known in after.items() if before.get(name) != known}


def _has_come(aim: str, before: Files, folder: Path) -> bool:
    if aim == "study":
        return folder.exists()
    changed = _changed(before, files_of(folder))
    if aim == "checkpoint":
        return any(name.startswith("checkpoints") for name in changed)
    if aim == "results":
        return any("front.parquet" in name for name in changed)
    return "summary.md" in changed


def phase_of(before: Files, after: Files, folder: Path, *, has_spoken: bool) -> str:
    """Return what a run was doing when it was killed, by what it has written since its start."""
    changed = _changed(before, after)
    if "summary.md" in changed:
        return "pictures"
    if any(not name.lstrip(".").startswith(BEFORE_RESULTS) for name in changed):
        return "results being written"
    if _is_half_a_checkpoint(changed, after, folder):
        return "checkpoint being written"
    if any(name.startswith("checkpoints") for name in changed):
        return "between checkpoints"
    if not has_spoken or "study.toml" not in after:
        return "start-up"
    if any(name.startswith("checkpoints") for name in before):
        return "between checkpoints"
    return "first round or first sweep"


def _is_half_a_checkpoint(changed: set[str], after: Files, folder: Path) -> bool:
    """Return whether there is a neighbour, or states are not those that the note names."""
    if any(name.startswith("checkpoints/.") for name in changed):
        return True
    states = {Path(name).name for name in after if name.endswith(".npz")}
    note = folder / "checkpoints" / "round.json"
    named = set(json.loads(note.read_text("utf-8"))["islands"]) if note.exists() else set()
    is_new = any(name.endswith(".npz") for name in changed)
    return is_new and states != named
