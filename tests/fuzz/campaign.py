"""Many mutants in a row, and what came of them."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from tests.fuzz.mutants import Mutant, mutants
from tests.fuzz.sources import TRACE, neighbours, sources
from tests.fuzz.trials import Outcome, outcome_of, trial_of

KINDS = ("layout", "study", "trace")


@dataclass(kw_only=True)
class Fault:
    """One kind of fault: how often it was seen, and the shortest file that makes it."""

    said: str
    count: int
    mutant: Mutant


@dataclass(kw_only=True)
class Tally:
    """What came of all mutants of one kind."""

    mutants: int = 0
    valid: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    slowest: Mutant | None = None
    largest_MB: float = 0.0
    largest: Mutant | None = None
    faults: dict[str, Fault] = field(default_factory=dict)

    @property
    def n_faults(self) -> int:
        """Return how many mutants were at fault."""
        return sum(fault.count for fault in self.faults.values())

    def note(self, mutant: Mutant, outcome: Outcome) -> None:
        """Count one example."""
        self.mutants += 1
        self.valid += outcome.what == "valid"
        self.refused += outcome.what == "refused"
        if outcome.what == "fault":
            key = outcome.said.split(": ")[0][:80]
            self._add_fault(key, Fault(said=outcome.said, count=1, mutant=mutant))
        if outcome.seconds > self.slowest_s:
            self.slowest_s, self.slowest = outcome.seconds, mutant
        if outcome.memory_MB > self.largest_MB:
            self.largest_MB, self.largest = outcome.memory_MB, mutant

    def merge(self, other: Tally) -> None:
        """Add what another tally counted."""
        self.mutants += other.mutants
        self.valid += other.valid
        self.refused += other.refused
        if other.slowest_s > self.slowest_s:
            self.slowest_s, self.slowest = other.slowest_s, other.slowest
        if other.largest_MB > self.largest_MB:
            self.largest_MB, self.largest = other.largest_MB, other.largest
        for key, fault in other.faults.items():
            self._add_fault(key, fault)

    def _add_fault(self, key: str, fault: Fault) -> None:
        known = self.faults.setdefault(key, fault)
        if known is not fault:
            known.count += fault.count
            if len(fault.mutant.data) < len(known.mutant.data):
                known.said, known.mutant = fault.said, fault.mutant


def written(mutant: Mutant, folder: Path) -> Path:
    """Write a mutant where what it names lies beside it; return the file that is to be read."""
    path = folder / "mutant.toml"
    if mutant.kind != "trace":
        path.write_bytes(mutant.data)
        return path
    (folder / TRACE).write_bytes(mutant.data)
    path.write_text(next(s.text for s in sources("layout") if s.name == "full-v"), "utf-8")
    return path


def try_mutants(
    kind: str, n: int, *, first: int, try_one: Callable[[Mutant, Path], Outcome] | None = None
) -> Tally:
    """Try mutants of a kind, drawn by Hypothesis without an example database.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    n : int
        How many.
    first : int
        Seed.
    try_one : callable or None
        Another way to try a mutant that stands in a file.
    """
    tally = Tally()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        folder = Path(name)
        neighbours(folder)

        def one(mutant: Mutant) -> None:
            if tally.mutants < n:
                path = written(mutant, folder)
                if try_one is None:
                    tally.note(mutant, outcome_of(trial_of(mutant, path)))
                else:
                    tally.note(mutant, try_one(mutant, path))

        tries = 0
        while tally.mutants < n:  # Hypothesis may stop before max_examples
            draw_and_try(mutants(kind), one, n - tally.mutants, first + 1_000_003 * tries)
            tries += 1
    return tally


def draw_and_try(
    strategy: st.SearchStrategy[Any], one: Callable[[Any], None], n: int, number: int
) -> None:
    """Call a function with n examples of a strategy; nothing is kept, shrunk or timed."""
    run = given(strategy)(one)
    run = settings(
        max_examples=n,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )(run)
    seed(number)(run)()


def kept_faults(tally: Tally, kind: str, folder: Path) -> list[str]:
    """Write the shortest file of each fault; return a line for each."""
    lines = []
    for fault in sorted(tally.faults.values(), key=lambda fault: -fault.count):
        folder.mkdir(parents=True, exist_ok=True)
        suffix = ".csv" if fault.mutant.kind == "trace" else ".toml"
        digest = hashlib.sha256(fault.mutant.data).hexdigest()[:8]
        file = folder / f"{kind}-{digest}{suffix}"
        file.write_bytes(fault.mutant.data)
        what = "; ".join(fault.mutant.changes)[:120]
        lines.append(f"{fault.count} x {fault.said}\n    {file}: {fault.mutant.name}, {what}")
    return lines
