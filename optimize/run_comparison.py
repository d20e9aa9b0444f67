"""Fronts of several runs side by side: what moved, and what each has that the others lack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimize.exact.run_files import RunFiles

SCHEMA = "crankfront.run-comparison/1"


@dataclass(frozen=True, kw_only=True, slots=True)
class ComparedRun:
    """One run among those that are compared.

    Attributes
    ----------
    label : str
        Short and unique: the name of its directory, with a number where two have the same.
    study : str
        Name of its study.
    seed : int
        Of its study.
    how : str
        "searched", "enumerated" or "enumerated in part".
    front_size : int
        Designs on its common front.
    compared_size : int
        Distinct vectors left of them when only the shared objectives count, rounded to the
        coarsest resolution.
    hypervolume : float or None
        Share of the common box that its front dominates, 0 to 1; None where it is too dear to
        measure (many designs in six or more objectives).
    """

    label: str
    study: str
    seed: int
    how: str
    front_size: int
    compared_size: int
    hypervolume: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class ComparedObjective:
    """An objective that all the runs have.

    Attributes
    ----------
    metric, label, unit, sense
        As in the table of metrics.
    resolution : float
        The coarsest of the runs' resolutions, to which all values here are rounded. [unit]
    resolutions : tuple of float
        Of each run. [unit]
    best : tuple of float or None
        Best rounded value on the front of each run; None where that is empty. [unit]
    moved : tuple of float or None
        By how much that is better than the first run's; negative where it is worse. [unit]
    """

    metric: str
    label: str
    unit: str
    sense: str
    resolution: float
    resolutions: tuple[float, ...]
    best: tuple[float | None, ...]
    moved: tuple[float | None, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """One thing in which the studies of the runs differ.

    Attributes
    ----------
    what : str
        Such as "displacement" or "throw-angle step".
    values : tuple of str
        Of each run, in words.
    """

    what: str
    values: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Beating:
    """A design of another run that dominates one.

    Attributes
    ----------
    run : int
        Place of the other run in `RunComparison.runs`.
    design, family : str
        Its name there, and its family.
    gains : dict
        By how much it is better, by the key of the metric, where it is. [units]
    """

    run: int
    design: str
    family: str
    gains: dict[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Vector:
    """A vector of rounded objectives on one front or several.

    Attributes
    ----------
    values : dict
        Rounded objectives by the key of the metric. [units]
    designs : tuple of str
        For each run the design that has it, "" where its front lacks it.
    families : tuple of str
        Family of each of these designs, "" where there is none.
    beaten_by : tuple of Beating or None
        For each run the design that dominates it, best in most objectives; None where its front
        has the vector itself, or nothing that dominates it.
    """

    values: dict[str, float]
    designs: tuple[str, ...]
    families: tuple[str, ...]
    beaten_by: tuple[Beating | None, ...]

    @property
    def n_runs(self) -> int:
        """Return how many of the fronts have it."""
        return sum(1 for design in self.designs if design)


@dataclass(frozen=True, kw_only=True, slots=True)
class RunComparison:
    """Fronts of several runs side by side.

    Attributes
    ----------
    runs : tuple of ComparedRun
        In the order given; the first is what "moved" counts from.
    objectives : tuple of ComparedObjective
        What all runs have as an objective.
    statements : tuple of str
        What was left out or made equal to compare them, and what stands for them, as sentences.
    differences : tuple of Difference
        In what the studies differ.
    vectors : tuple of Vector
        Every vector of every front, once, sorted by objectives.
    """

    runs: tuple[ComparedRun, ...]
    objectives: tuple[ComparedObjective, ...]
    statements: tuple[str, ...]
    differences: tuple[Difference, ...]
    vectors: tuple[Vector, ...]

    @property
    def shared(self) -> tuple[Vector, ...]:
        """Return the vectors that all fronts have."""
        return tuple(v for v in self.vectors if v.n_runs == len(self.runs))

    def only(self, run: int) -> tuple[Vector, ...]:
        """Return the vectors that only the front of one run has."""
        return tuple(v for v in self.vectors if v.n_runs == 1 and v.designs[run])


def compare_runs(runs: Sequence[RunFiles], folders: Sequence[Path] = ()) -> RunComparison:
    """Return the fronts of several runs side by side.

    Parameters
    ----------
    runs : sequence of RunFiles
        From `optimize.exact.run_files.read_run`; two or more.
    folders : sequence of Path
        For the labels, where the runs are to be named otherwise than by their directories.

    Raises
    ------
    InputError
        If there are fewer than two, or they share no objective.
    """
    raise NotImplementedError


def document(comparison: RunComparison) -> dict[str, Any]:
    """Return a comparison ready for JSON, with `schema`."""
    raise NotImplementedError
