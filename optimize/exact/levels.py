"""What each metric depends on: the structure that makes spaces enumerable."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate.batch import Engine
from evaluate.metrics import METRICS
from optimize.study import Study

#: From what changes least to what changes most. "frame": bank angle, splay, fraction and shafts;
#: "force": also which throw angles there are, not where along the crank; "firing": throw angles
#: and firing bits, not the place, not fraction and shafts; "couple": throw angles and places, not
#: bits; "listed": anything, so that single candidates are scored.
LEVELS = ("frame", "force", "firing", "couple", "listed")

#: Share of a resolution by which bounds keep off the edge of a step: far above the round-off that
#: different writings of one design show, far below what a reader would see.
HAIR = 1e-7

_FRAME = ("parts", "shaft_count", "box_litres", "crank_length_mm")
_FIRING = (
    "firing_fluctuation",
    "firing_unevenness_deg",
    "largest_interval_deg",
    "bank_alternation_share",
    "exhaust_unevenness_deg",
    "exhaust_spacing_min_deg",
    "exhaust_overlap_deg",
)


def level_of(key: str, study: Study) -> str:
    """Return the level of a metric under a study, one of `LEVELS`."""
    if key in ("force_rms_N", "couple_rms_Nm"):
        return key.split("_")[0]
    if key in _FRAME or (key == "crank_train_mass_kg" and study.shaft_subsets == ((),)):
        return "frame"  # what shafts weigh depends on what they cancel
    if key.startswith("exhaust_") and isinstance(study.collectors, dict):
        return "listed"  # given collectors name cylinders by their place
    # Force and couple of a single order have the structure of the whole ones, but the tables of
    # half-cranks hold the sum over all orders: single candidates are scored.
    # Torque would be on the level of firing, but is sampled from the first cylinder on: off the
    # grid of samples its value hangs a little on which cylinder that is.
    return "firing" if key in _FIRING else "listed"


@dataclass(frozen=True, kw_only=True, slots=True)
class Levels:
    """Columns of the objectives, and keys of the limits, by level.

    Attributes
    ----------
    columns : dict of str to tuple of int
        Columns of the objective vector on each level.
    """

    columns: dict[str, tuple[int, ...]]

    @classmethod
    def of(cls, study: Study) -> Levels:
        """Return the levels of a study's objectives."""
        found: dict[str, list[int]] = {level: [] for level in LEVELS}
        for column, objective in enumerate(study.objectives):
            found[level_of(objective.key, study)].append(column)
        return cls(columns={level: tuple(columns) for level, columns in found.items()})


def must_list(study: Study) -> bool:
    """Return whether an objective or a limit needs single candidates to be scored."""
    if any(level_of(key, study) == "listed" for key in study.active_metrics):
        return True
    return any(bound.key == "couple_rms_Nm" and bound.sign < 0 for bound in study.bounds)


def best_possible(key: str, engine: Engine) -> float:
    """Return a value that no candidate of an engine can better, in the unit of the metric."""
    n, cycle_deg = engine.n_cylinders, engine.cycle_deg
    if METRICS[key].sense == "most":
        return cycle_deg if key.endswith("_deg") else 1.0
    floors = {"firing_fluctuation": 1 / n, "largest_interval_deg": cycle_deg / n}
    return float(np.nextafter(floors.get(key, 0.0), -np.inf)) if key in floors else 0.0
