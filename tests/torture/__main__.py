"""Kill searches and enumerations at random moments, resume them, compare: ``make torture``."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

from tests.torture.kills import PHASES, Job, Launch, run_and_kill, run_to_end
from tests.torture.reading import FRONTS, differences, found_in
from tests.torture.studies import ENUMERATION, SEARCH

STUDIES = {"optimize": SEARCH, "enumerate": ENUMERATION}
MOST_KILLS_A_STORY = 9


@dataclass(kw_only=True, slots=True)
class Tally:
    """What came of all kills of one command."""

    phases: Counter[str] = field(default_factory=Counter)
    n_parent_only: int = 0
    n_resumes: int = 0
    n_begun_anew: int = 0
    n_read: int = 0
    n_neighbours: int = 0
    n_orphans: int = 0
    n_ends: int = 0
    n_equal: int = 0
    n_all_equal: int = 0
    faults: list[str] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)


class Story:
    """Runs of one command, each killed several times before it may end."""

    def __init__(self, command: str, folder: Path, *, seed: int, kills: int) -> None:
        self.folder, self.kills = folder, kills
        self.chance = random.Random(f"{seed} {command}")
        self.tally = Tally()
        folder.mkdir()
        study = folder / "study-as-given.toml"
        study.write_text(STUDIES[command], "utf-8")
        self.job = Job(command=command, study=study)
        self.whole = folder / "whole"
        self.usual_s = 0.0

    def tell(self) -> Tally:
        """Kill until there are enough kills; return what came of them."""
        began = time.monotonic()
        first = run_to_end(self.job, self.whole)
        self.usual_s = time.monotonic() - began
        if first.status != 0:
            raise RuntimeError(f"not even undisturbed: {first.said}")
        number = 0
        while self.tally.phases.total() < self.kills:
            number += 1
            self._one_run(number)
        return self.tally

    def _one_run(self, number: int) -> None:
        """Start a run, kill it some times, let it end and compare."""
        tally, folder = self.tally, self.folder / f"run-{number}"
        job = self.job
        # Either after every leg or task, or now and then, with work lost in between.
        job = replace(job, options=(*job.options, "--save-every", "0" if number % 2 else "0.5"))
        wanted = self.chance.randint(3, MOST_KILLS_A_STORY)
        for _ in range(min(wanted, self.kills - tally.phases.total())):
            parent_only = self.chance.random() < 0.2
            launch = run_and_kill(
                job,
                folder,
                resume=self._resumes(folder),
                chance=self.chance,
                usual_s=self.usual_s,
                parent_only=parent_only,
            )
            self._note(launch, folder)
            if launch.phase is None:
                break  # it was quicker
            tally.n_parent_only += parent_only
        else:
            self._note(run_to_end(job, folder, resume=self._resumes(folder)), folder)
        self._compare(folder)

    def _resumes(self, folder: Path) -> bool:
        """Return whether to resume: whoever has no directory yet begins."""
        has_begun = folder.exists()
        self.tally.n_resumes += has_begun
        return has_begun

    def _note(self, launch: Launch, folder: Path) -> None:
        tally = self.tally
        found = found_in(folder)
        tally.n_read += found.n_read
        tally.unreadable += [f"{folder.name}: {text}" for text in found.unreadable]
        tally.n_orphans += launch.n_orphans
        if launch.phase is not None:
            tally.phases[launch.phase] += 1
            tally.n_neighbours += len(found.neighbours)
            tally.n_begun_anew += not folder.exists()
            phase = launch.phase
        else:
            phase = "ended"
            tally.faults += [f"{folder.name}: {name} is left behind" for name in found.neighbours]
            if launch.status != 0:
                tally.refusals.append(f"{folder.name}: {launch.status}: {launch.said[-600:]}")
        print(f"{self.job.command} {folder.name}: {phase}", file=sys.stderr, flush=True)

    def _compare(self, folder: Path) -> None:
        wrong = differences(folder, self.whole)
        self.tally.n_ends += 1
        self.tally.n_equal += not any(text.startswith(FRONTS) for text in wrong)
        self.tally.n_all_equal += not wrong
        self.tally.faults += [f"{folder.name}: {text}" for text in wrong]


def table_of(tallies: dict[str, Tally]) -> str:
    """Return what came of all kills as a table."""
    rows: list[tuple[str, list[str]]] = []

    def row(label: str, *values: object) -> None:
        rows.append((label, [str(value) for value in values]))

    every = list(tallies.values())
    for phase in PHASES:
        row(f"killed: {phase}", *(t.phases[phase] for t in every))
    row("killed, in all", *(t.phases.total() for t in every))
    row("of these the parent only", *(t.n_parent_only for t in every))
    row("before there was a directory", *(t.n_begun_anew for t in every))
    row("resumed", *(t.n_resumes for t in every))
    row("refused or failed", *(len(t.refusals) for t in every))
    row("files read", *(t.n_read for t in every))
    row("files that cannot be read", *(len(t.unreadable) for t in every))
    row("temporary neighbours after a kill", *(t.n_neighbours for t in every))
    row("workers that outlived their parent", *(t.n_orphans for t in every))
    row("fronts equal to the undisturbed one", *(f"{t.n_equal} of {t.n_ends}" for t in every))
    row("all files equal, seconds excepted", *(f"{t.n_all_equal} of {t.n_ends}" for t in every))
    lines = ["| what | " + " | ".join(tallies) + " |", "| --- |" + " ---: |" * len(tallies)]
    lines += [f"| {label} | {' | '.join(values)} |" for label, values in rows]
    return "\n".join(lines)


def main() -> int:
    """Kill, resume, compare, print; return 1 when anything is not as it should be."""
    given = _arguments()
    with tempfile.TemporaryDirectory(prefix="torture-") as name:
        began = time.monotonic()
        each = -(-given.kills // len(given.commands))
        folder = Path(name)
        stories = {
            c: Story(c, folder / c, seed=given.seed, kills=each)
            for c in dict.fromkeys(given.commands)
        }
        with ThreadPoolExecutor(len(stories)) as threads:  # on two cores, both commands at a time
            told = {c: threads.submit(story.tell) for c, story in stories.items()}
            tallies = {c: future.result() for c, future in told.items()}
        minutes = (time.monotonic() - began) / 60
    print(table_of(tallies))
    print(f"\nSeed {given.seed}; {minutes:.1f} minutes.")
    complaints = [
        f"{command}, {text}"
        for command, t in tallies.items()
        for text in (*t.refusals, *t.unreadable, *t.faults)
    ]
    print("\n".join(complaints))
    return int(bool(complaints) or any(t.n_orphans for t in tallies.values()))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.torture", description=__doc__)
    parser.add_argument("commands", nargs="*", default=list(STUDIES), metavar="COMMAND")
    parser.add_argument("--kills", type=int, default=100, help="in all; default: 100")
    parser.add_argument("--seed", type=int, default=1, help="of the moments; default: 1")
    given = parser.parse_args()
    if unknown := set(given.commands) - set(STUDIES):
        parser.error(f"{', '.join(sorted(unknown))}: no such command; {', '.join(STUDIES)}")
    return given


if __name__ == "__main__":
    sys.exit(main())
