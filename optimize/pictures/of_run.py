"""The pictures of a run's front, by the names of their files."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from matplotlib.figure import Figure

from optimize.pictures import fronts
from optimize.pictures.seeds import seed_spread
from optimize.seeds import Spread
from optimize.shortlist import Pick
from optimize.study import Study


def run_pictures(
    study: Study,
    front: pd.DataFrame,
    history: pd.DataFrame,
    picks: Sequence[Pick],
    seeds: Sequence[Spread] = (),
) -> dict[str, Figure]:
    """Return the pictures of a front, and of its growth where something was searched.

    Parameters
    ----------
    study : Study
        Names the objectives.
    front, history : DataFrame
        `front.parquet` with a design or more, and `history.parquet`.
    picks : sequence of Pick
        The shortlist.
    seeds : sequence of Spread
        What the seeds agree on, from `Outcome.seed_spreads` or `seeds.spreads_of` the file.

    Returns
    -------
    dict of str to Figure
        By the name under which a run saves it.
    """
    objectives = [objective.key for objective in study.objectives]
    named = [(pick.design, pick.name, "; ".join(pick.reasons)) for pick in picks]
    drawn: dict[str, Figure | None] = {
        "front-scatter-matrix": fronts.scatter_matrix(
            front, objectives, title=f"{study.name}: front, objectives in pairs"
        ),
        "front-parallel-coordinates": fronts.parallel_coordinates(
            front, objectives, named, title=f"{study.name}: front, all objectives at once"
        ),
        "force-and-evenness": fronts.force_evenness(
            front, named, title=f"{study.name}: residual force and evenness of firing"
        ),
    }
    measured = history[history["hypervolume"].notna()]
    if (measured["generation"] > 1).any():  # an enumeration has no such growth
        drawn["hypervolume"] = fronts.hypervolume_history(
            measured, title=f"{study.name}: growth of the front over the search"
        )
    if study.seeds > 1:
        drawn["seeds"] = seed_spread(seeds, title=f"{study.name}: what the seeds agree on")
    return {name: figure for name, figure in drawn.items() if figure is not None}
