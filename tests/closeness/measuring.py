"""Searches of one family with many seeds, beside its exact front."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
import pandas as pd

from optimize.exact.closeness import shares
from optimize.exact.driver import ExactFamily, enumerate_families
from optimize.problem import Island
from optimize.search import advance
from tests.closeness.spaces import closeness_study


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What one search ended with: rounded objective vectors, and evaluations spent."""

    family: str
    seed: int
    boxes: np.ndarray
    evaluations: int


def exact_family(name: str, *, workers: int) -> ExactFamily:
    """Return the exact front of one of the families."""
    study, family = closeness_study(name, evaluations=1000)
    return enumerate_families(study, [family], None, workers=workers)[name]


def searches(names: list[str], *, seeds: int, evaluations: int, workers: int) -> list[Found]:
    """Search every family with every seed; each search has the whole of `evaluations`."""
    tasks = [(name, seed, evaluations) for name in names for seed in range(1, seeds + 1)]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(_search, tasks))


def _search(task: tuple[str, int, int]) -> Found:
    name, seed, evaluations = task
    study, family = closeness_study(name, evaluations=evaluations, seed=seed)
    state = advance(
        Island(study, family),
        None,
        seed=(seed, 0, 0),
        population=study.population,
        generations=evaluations // study.population,
    )
    return Found(family=name, seed=seed, boxes=state.archive.boxes, evaluations=state.evaluations)


def rows_of(found: list[Found], exact: dict[str, ExactFamily]) -> pd.DataFrame:
    """Return one row a search: share of the exact front's hypervolume, members found."""
    rows = []
    for search in found:
        study, _ = closeness_study(search.family, evaluations=1000)
        truth = exact[search.family]
        part = shares(study, search.boxes, truth.front.boxes)
        rows.append(
            {
                "family": search.family,
                "seed": search.seed,
                "evaluations": search.evaluations,
                "hypervolume_share": part.hypervolume_share,
                "members_found": part.front_members_found,
                "members_exact": part.front_members_exact,
                "raw_candidates": truth.coverage.raw,
            }
        )
    return pd.DataFrame(rows)


def table_of(rows: pd.DataFrame) -> str:
    """Return the rows summed up by family, as a table in Markdown."""
    lines = [
        "| family | exact members | raw candidates | share of hypervolume, least | median | most "
        "| members found, median | evaluations a seed |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, part in rows.groupby("family", sort=False):
        share = part["hypervolume_share"]
        cells = [
            str(name),
            f"{part['members_exact'].iloc[0]:,}",
            f"{part['raw_candidates'].iloc[0]:,}",
            *(_percent(value) for value in (share.min(), share.median(), share.max())),
            f"{part['members_found'].median():g}",
            f"{part['evaluations'].median():,.0f}",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _percent(share: float) -> str:
    """Return a share in per cent, rounded down so that 100 means all."""
    return f"{np.floor(share * 1e4 + 1e-9) / 100:.2f} %"
