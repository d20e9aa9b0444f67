"""What the seeds of a search agree on: the spread of hypervolumes, and who found which member.

One seed says nothing about luck. Where several repetitions reach the same hypervolume and the same
members, a further one would hardly bring more; where they differ, the budget was too small.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray, IntArray
from optimize.archive import non_dominated
from optimize.checkpoint import IslandId
from optimize.history import Bounds
from optimize.plan import Plan
from optimize.search import IslandState
from optimize.study import Study

ALL = "all"  # families together


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """What the seeds of one family, or of all together, came to.

    Attributes
    ----------
    family : str
        Name of the family, or `ALL`.
    hypervolumes : tuple of float
        Of each seed's own front, as shares of the same box, in the order of the seeds.
    merged : float
        Of the front of all seeds together.
    found : tuple of int
        How many members of the merged front each seed has.
    members : int
        Members of the merged front.
    found_by_all : int
        Members that every seed has.
    """

    family: str
    hypervolumes: tuple[float, ...]
    merged: float
    found: tuple[int, ...]
    members: int
    found_by_all: int

    @property
    def least(self) -> float:
        """Smallest hypervolume over the seeds."""
        return min(self.hypervolumes)

    @property
    def median(self) -> float:
        """Median hypervolume over the seeds."""
        return float(np.median(self.hypervolumes))

    @property
    def most(self) -> float:
        """Largest hypervolume over the seeds."""
        return max(self.hypervolumes)


def spreads(
    study: Study,
    plan: Plan,
    states: Mapping[IslandId, IslandState],
    bounds: Bounds | None,
    known: Sequence[IntArray] = (),
) -> list[Spread]:
    """Return the spread over the seeds, of all families together first, then of each family.

    Parameters
    ----------
    study, plan
        What was searched.
    states : mapping of (family, repetition) to IslandState
        All islands.
    bounds : Bounds or None
        The box of the run's hypervolumes; nothing can be said without one.
    known : sequence of array of int
        Rounded objectives of families that were enumerated: every seed has them.
    """
    if bounds is None or not states:
        return []
    resolutions = np.array([o.resolution for o in study.objectives])
    numbers = sorted({index for index, _ in states})
    found = [
        _spread(
            ALL,
            [
                front_of([*known, *(states[i].archive.boxes for i in sorted(states) if i[1] == r)])
                for r in range(study.seeds)
            ],
            bounds,
            resolutions,
        )
    ]
    for number in numbers:
        own = [states[i].archive.boxes for i in sorted(states) if i[0] == number]
        found.append(_spread(plan.families[number].name, own, bounds, resolutions))
    return found


def front_of(parts: Sequence[IntArray]) -> IntArray:
    """Return the distinct vectors of several fronts that no other dominates."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return parts[0] if parts else np.zeros((0, 0), np.int64)
    boxes = np.unique(np.concatenate(filled), axis=0)
    front: IntArray = boxes[non_dominated(boxes)]
    return front


def _spread(
    family: str, fronts: Sequence[IntArray], bounds: Bounds, resolutions: FloatArray
) -> Spread:
    merged = front_of(fronts)
    members = {box.tobytes() for box in merged}
    owned = [{box.tobytes() for box in front} & members for front in fronts]
    return Spread(
        family=family,
        hypervolumes=tuple(_share(front, bounds, resolutions) for front in fronts),
        merged=_share(merged, bounds, resolutions),
        found=tuple(len(own) for own in owned),
        members=len(members),
        found_by_all=len(set.intersection(*owned)) if owned else 0,
    )


def _share(front: IntArray, bounds: Bounds, resolutions: FloatArray) -> float:
    return bounds.share(front * resolutions) if len(front) else 0.0


def seeds_frame(found: Sequence[Spread]) -> pd.DataFrame:
    """Return one row for each family (and all together) and seed."""
    rows = [
        {
            "family": spread.family,
            "seed": seed,
            "hypervolume": share,
            "hypervolume_of_all_seeds": spread.merged,
            "members_found": spread.found[seed],
            "members": spread.members,
            "members_found_by_all_seeds": spread.found_by_all,
        }
        for spread in found
        for seed, share in enumerate(spread.hypervolumes)
    ]
    return pd.DataFrame(rows)


def spreads_of(frame: pd.DataFrame) -> list[Spread]:
    """Return what a table of `seeds_frame` says, as it was."""
    return [
        Spread(
            family=str(family),
            hypervolumes=tuple(rows["hypervolume"].tolist()),
            merged=float(rows["hypervolume_of_all_seeds"].iloc[0]),
            found=tuple(rows["members_found"].tolist()),
            members=int(rows["members"].iloc[0]),
            found_by_all=int(rows["members_found_by_all_seeds"].iloc[0]),
        )
        for family, rows in frame.groupby("family", sort=False)
    ]


def seeds_lines(found: Sequence[Spread], front: pd.DataFrame, n_seeds: int) -> list[str]:
    """Return what the seeds agree on, as a part of a summary in Markdown.

    Parameters
    ----------
    found : sequence of Spread
        From `spreads`.
    front : DataFrame
        The common front, with `design`, `seed` and `seeds_found`.
    n_seeds : int
        How many repetitions there were.
    """
    if n_seeds < 2 or not found:
        return []
    whole = found[0]
    searched = front[front["seed"] >= 0]
    rare = searched[searched["seeds_found"] < n_seeds]
    lines = [
        f"Hypervolume of the common front by seed: {whole.least:.4f} to {whole.most:.4f}, median "
        f"{whole.median:.4f}; of all {n_seeds} seeds together {whole.merged:.4f} (shares of one "
        "box, 0 to 1).",
        f"Every seed found {len(searched) - len(rare)} of the {len(searched)} searched members.",
    ]
    if len(rare):
        names = [
            f"{row['design']} ({row['seeds_found']} of {n_seeds})" for _, row in rare.iterrows()
        ]
        lines.append(
            "Not found by every seed: "
            + ", ".join(names[:40])
            + (", ..." if names[40:] else "")
            + ". Where there are many, a larger budget is worth its time."
        )
    heading = [
        "family",
        "least",
        "median",
        "most",
        "all seeds together",
        "members",
        "in every seed",
    ]
    table = ["| " + " | ".join(heading) + " |", "|" + " --- |" * len(heading)]
    for one in found:
        numbers = [f"{value:.4f}" for value in (one.least, one.median, one.most, one.merged)]
        cells = [one.family, *numbers, str(one.members), str(one.found_by_all)]
        table.append("| " + " | ".join(cells) + " |")
    return ["\n\n".join(lines), "", *table]
