"""Polishing: what lies downhill of a lattice's designs when angles are continuous.

Firing bits, balance shafts and banks stay; throw angles, splay, bank angle and counterweight
fraction move as far as the study lets them vary continuously. Nothing is proved that way: better
designs may lie where no descent from a start leads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from evaluate.batch import FloatArray, IntArray
from evaluate.metrics import METRICS, axis_label
from optimize.archive import Archive, hypervolume, non_dominated, rounded_boxes
from optimize.descents import Found, improved_from
from optimize.encoding import encoded
from optimize.fronts import FamilyFront
from optimize.genome import Designs
from optimize.problem import Island
from optimize.study import Study
from optimize.texts import value_text

SCHEMA = "crankfront.polish/1"
EVALUATIONS = 1500  # a start; about 0.3 s on one core
REFERENCE = 1.1  # of the hypervolume's box, where the ideal point is 0 and the nadir 1
MOST_GAINS = 3  # shown of each objective
UNPROVEN = (
    "Nothing is proved for continuous angles: polishing finds what lies downhill of its starting "
    "points, and better designs may lie elsewhere."
)

Run = Callable[[Callable[[FloatArray], Found], Iterable[FloatArray]], Iterable[Found]]
Names = Mapping[tuple[str, tuple[int, ...]], str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """A start for which polishing has something better: better in something, worse in nothing.

    Attributes
    ----------
    before : str
        Name of the start.
    before_box, after_box : array of int, shape (objectives,)
        Rounded objectives as multiples of their resolution, to be lessened.
    gained : tuple of float
        By how much each objective is better, in its unit, rounded values compared.
    """

    before: str
    before_box: IntArray
    after_box: IntArray
    gained: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Polished:
    """One family polished.

    Attributes
    ----------
    island : Island
        The family under its continuous study.
    archive : Archive
        The starts (generation 0) and what was found (generation 1), as far as nothing is better.
    boxes_before : array of int, shape (members, objectives)
        Rounded objectives of the feasible starts.
    starts, off_space, infeasible : int
        Starts; those that are not in the polished space, so that their nearest neighbour in it
        was taken; those that break a limit there.
    hypervolume_before, hypervolume_after : float
        Share dominated of the same box: ideal 0, nadir 1 of both fronts together, reference 1.1.
    evaluations : int
        Designs scored.
    gains : tuple of Gain
        One for each improved start, in the order of the starts.
    """

    island: Island
    archive: Archive
    boxes_before: IntArray
    starts: int
    off_space: int
    infeasible: int
    hypervolume_before: float
    hypervolume_after: float
    evaluations: int
    gains: tuple[Gain, ...]

    @property
    def study(self) -> Study:
        """Return the continuous study."""
        return self.island.study

    @property
    def improved(self) -> int:
        """Return for how many starts there is something better."""
        return len(self.gains)

    def front(self) -> FamilyFront:
        """Return the family's front after polishing."""
        return FamilyFront.from_archive(self.island, self.archive)


def polish(
    island: Island,
    starts: Designs,
    *,
    names: Sequence[str] = (),
    evaluations: int = EVALUATIONS,
    run: Run = map,
) -> Polished:
    """Improve designs of one family in their continuous variables.

    Parameters
    ----------
    island : Island
        The family under a study with continuous variables.
    starts : Designs
        Designs of the family, one or more.
    names : sequence of str
        What the starts are called; numbered if left out.
    evaluations : int
        Designs scored for each start at most; beside it each start is scored once.
    run : callable
        Applies a function to each start, in order: `map`, or something that uses processes.

    Returns
    -------
    Polished
        The same bits however the starts are dealt out, as long as the linear algebra has the same
        number of threads.
    """
    n, genome = len(starts.batch), island.genome
    genomes = encoded(genome, starts, np.full((n, genome.n_genes), 0.5))
    designs = genome.decode(genomes)
    keys = island.keys(designs)
    objectives, violations = island.score(genomes)
    feasible = np.flatnonzero((violations <= 0).all(axis=1))
    resolutions = np.array([objective.resolution for objective in island.study.objectives])
    archive = Archive.empty(resolutions, genome.n_genes)
    archive.add(genomes[feasible], objectives[feasible], keys[feasible], 0)
    spent = n
    for found in run(partial(improved_from, island, evaluations=evaluations), genomes):
        spent += found.evaluations
        if len(found.genomes):
            found_keys = island.keys(genome.decode(found.genomes))
            archive.add(found.genomes, found.objectives, found_keys, 1)
    boxes = rounded_boxes(objectives[feasible], resolutions)
    before, after = dominated_shares(boxes, archive.boxes, resolutions)
    called = list(names) or [str(number + 1) for number in range(n)]
    return Polished(
        island=island,
        archive=archive,
        boxes_before=boxes,
        starts=n,
        off_space=int((keys != island.keys(starts)).sum()),
        infeasible=n - len(feasible),
        hypervolume_before=before,
        hypervolume_after=after,
        evaluations=spent,
        gains=_gains([called[int(row)] for row in feasible], boxes, archive.boxes, resolutions),
    )


def dominated_shares(
    before: IntArray, after: IntArray, resolutions: FloatArray
) -> tuple[float, float]:
    """Return the hypervolumes of two fronts in one box, shares of it from 0 to 1.

    Parameters
    ----------
    before, after : array of int, shape (members, objectives)
        Rounded objectives as multiples of their resolution.
    resolutions : array, shape (objectives,)
        Each in the unit of its objective.

    Notes
    -----
    Objectives are scaled by the ideal and the nadir point of the members of both fronts that
    nothing dominates within its own front; the reference point is 1.1 in each.
    """
    fronts = [boxes[non_dominated(boxes)] for boxes in (before, after)]
    both = np.concatenate(fronts) * resolutions
    if not len(both):
        return 0.0, 0.0
    ideal, span = both.min(axis=0), np.ptp(both, axis=0)
    reference = ideal + REFERENCE * np.where(span > 0, span, resolutions)
    shares = [hypervolume(boxes * resolutions, ideal, reference) for boxes in fronts]
    return shares[0], shares[1]


def _gains(
    names: Sequence[str], before: IntArray, after: IntArray, resolutions: FloatArray
) -> tuple[Gain, ...]:
    """Return for each start that is now dominated the design that gains most steps in all."""
    gains = []
    for name, box in zip(names, before, strict=True):
        steps = box - after
        better = np.flatnonzero((steps >= 0).all(axis=1) & (steps > 0).any(axis=1))
        if len(better):
            best = better[np.argmax(steps[better].sum(axis=1))]
            gained = tuple((steps[best] * resolutions).tolist())
            gains.append(Gain(before=name, before_box=box, after_box=after[best], gained=gained))
    return tuple(gains)


def common_shares(polished: Sequence[Polished]) -> tuple[float, float]:
    """Return the hypervolumes of the common front of all families before and after."""
    resolutions = polished[0].archive.resolutions
    before = np.concatenate([family.boxes_before for family in polished])
    after = np.concatenate([family.archive.boxes for family in polished])
    return dominated_shares(before, after, resolutions)


def section(polished: Sequence[Polished], *, names: Names | None = None) -> list[str]:
    """Return the part of the summary that says what polishing gained, as lines of Markdown.

    Parameters
    ----------
    polished : sequence of Polished
        One for each family, in their order; one or more.
    names : mapping or None
        Names of the polished designs by family and rounded objectives (multiples of their
        resolution, to be lessened).
    """
    starts = sum(family.starts for family in polished)
    improved = sum(family.improved for family in polished)
    spent = sum(family.evaluations for family in polished)
    before, after = common_shares(polished)
    return [
        "## What polishing gained",
        "",
        f"{starts} designs, the members of the families' own fronts, were moved downhill in "
        f"their continuous variables; {spent:,} designs were scored on the way. For {improved} of "
        "them there is now one that is better in something and worse in nothing (values rounded "
        f"up to what matters). Hypervolume of the common front: {before:.4f} before, {after:.4f} "
        "after.",
        "",
        *_family_table(polished),
        "",
        "Hypervolume: share of a box of objective values that a front dominates, from the best "
        "value of both fronts in each objective to a tenth of their span beyond the worst; each "
        "row has a box of its own.",
        "",
        *_largest(polished, names or {}),
        *_remarks(polished),
        UNPROVEN,
    ]


def _family_table(polished: Sequence[Polished]) -> list[str]:
    heading = ["family", "starts", "improved", "front before", "front after"]
    heading += ["hypervolume before", "after", "designs scored"]
    rows = [
        [
            family.island.family.name,
            str(family.starts),
            str(family.improved),
            str(len(family.boxes_before)),
            str(len(family.archive)),
            f"{family.hypervolume_before:.4f}",
            f"{family.hypervolume_after:.4f}",
            f"{family.evaluations:,}",
        ]
        for family in polished
    ]
    return markdown_table(heading, rows)


def _largest(polished: Sequence[Polished], names: Names) -> list[str]:
    """Return the table of the largest gains in each objective, where there is any."""
    rows = []
    for column, objective in enumerate(polished[0].study.objectives):
        found = [
            (gain.gained[column], family, gain)
            for family in polished
            for gain in family.gains
            if gain.gained[column] > 0
        ]
        found.sort(key=lambda entry: -entry[0])
        scale = objective.sign * objective.resolution
        for gained, family, gain in found[:MOST_GAINS]:
            name = family.island.family.name
            then, now = (box[column] * scale for box in (gain.before_box, gain.after_box))
            rows.append(
                [
                    axis_label(objective.key),
                    value_text(gained),
                    f"{value_text(then)} -> {value_text(now)}",
                    f"{gain.before} -> {names.get((name, tuple(gain.after_box.tolist())), 'new')}",
                    name,
                    _others(gain, column, family.study),
                ]
            )
    if not rows:
        return []
    heading = ["objective", "better by", "value", "design then -> now", "family", "and better in"]
    return ["Largest gains:", "", *markdown_table(heading, rows), ""]


def _others(gain: Gain, column: int, study: Study) -> str:
    """Return what else became better with a gain."""
    words = []
    for place, (objective, gained) in enumerate(zip(study.objectives, gain.gained, strict=True)):
        if gained and place != column:
            metric = METRICS[objective.key]
            words.append(f"{metric.label} by {value_text(gained)} {metric.unit}".strip())
    return ", ".join(words) or "-"


def _remarks(polished: Sequence[Polished]) -> list[str]:
    lines = []
    off = sum(family.off_space for family in polished)
    if off:
        lines += [f"{off} starts are not in the polished space; its nearest designs stood in.", ""]
    infeasible = sum(family.infeasible for family in polished)
    if infeasible:
        lines += [f"{infeasible} starts break a limit of the polished study and do not count.", ""]
    return lines


def markdown_table(heading: list[str], rows: list[list[str]]) -> list[str]:
    """Return a table as lines of Markdown."""
    lines = ["| " + " | ".join(heading) + " |", "|" + " --- |" * len(heading)]
    return lines + ["| " + " | ".join(row) + " |" for row in rows]


def document(
    polished: Sequence[Polished], *, run: str, evaluations: int, names: Names
) -> dict[str, Any]:
    """Return the same figures as plain values for a JSON file.

    Parameters
    ----------
    polished : sequence of Polished
        One for each family.
    run : str
        What was polished.
    evaluations : int
        Designs that could be scored for each start.
    names : mapping
        As for `section`.
    """
    before, after = common_shares(polished)
    objectives = polished[0].study.objectives
    return {
        "schema": SCHEMA,
        "study": polished[0].study.name,
        "polished_run": run,
        "evaluations_per_start": evaluations,
        "evaluations": sum(family.evaluations for family in polished),
        "starts": sum(family.starts for family in polished),
        "improved": sum(family.improved for family in polished),
        "hypervolume_before": before,
        "hypervolume_after": after,
        "hypervolume_box": "ideal and nadir point of both fronts together; reference 1.1",
        "is_proved": False,
        "note": UNPROVEN,
        "objectives": [
            {"metric": o.key, "unit": METRICS[o.key].unit, "resolution": o.resolution}
            for o in objectives
        ],
        "families": [_family_figures(family, names) for family in polished],
    }


def _family_figures(polished: Polished, names: Names) -> dict[str, Any]:
    name = polished.island.family.name
    keys = [objective.key for objective in polished.study.objectives]
    return {
        "family": name,
        "starts": polished.starts,
        "starts_off_space": polished.off_space,
        "starts_infeasible": polished.infeasible,
        "improved": polished.improved,
        "front_before": len(polished.boxes_before),
        "front_after": len(polished.archive),
        "hypervolume_before": polished.hypervolume_before,
        "hypervolume_after": polished.hypervolume_after,
        "evaluations": polished.evaluations,
        "gains": [
            {
                "before": gain.before,
                "after": names.get((name, tuple(gain.after_box.tolist())), ""),
                "better_by": {
                    key: gained for key, gained in zip(keys, gain.gained, strict=True) if gained
                },
            }
            for gain in polished.gains
        ],
    }
