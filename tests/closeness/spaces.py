"""The studies whose exact fronts the search is measured against: one family each, invented givens.

Different kinds on purpose: throws of their own and shared, splayed pins, banks that the search
assigns, lattices with and without the even cranks, firing that is even by construction. All have
the default objectives with their default resolutions and up to two balance shafts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import tomli_w

from optimize.families import Family, all_families
from optimize.study import SearchTable, Study, study_from_tables

SLOTS = ["1 backward", "2 forward", "2 backward"]
V_ANGLES_DEG = [60.0, 75.0, 90.0, 120.0]


def _space(
    cylinders: int, arrangement: str, pins: str = "", *, step_deg: float = 15.0, **more: Any
) -> dict[str, Any]:
    space: dict[str, Any] = {
        "cylinders": [cylinders],
        "arrangements": [arrangement],
        "throw_angle_step_deg": step_deg,
        "reciprocating_fraction": [0.0, 0.5],
        "balance_shafts": {"slots": SLOTS, "at_most": 2},
        **more,
    }
    if pins:
        space["pins"] = [pins]
    if arrangement == "v":
        space["bank_angle_deg"] = V_ANGLES_DEG
    return space


def _tables(space: dict[str, Any], litres: float, rpm: float, **limits: Any) -> dict[str, Any]:
    return {
        "engine": {"displacement_cm3": 1000 * litres, "speed": {"rpm": rpm}},
        "space": space,
        "constraints": limits,
    }


#: By family name. Firing limits are the default 1.25 where nothing is said.
SPACES: Mapping[str, dict[str, Any]] = {
    "in-line 4": _tables(_space(4, "in-line"), 1.6, 6000.0, largest_interval_factor=1.5),
    "in-line 5": _tables(
        _space(5, "in-line", step_deg=12.0, add_even_firing_angles=False),
        2.2,
        5600.0,
        largest_interval_factor=1.5,
    ),
    "in-line 6": _tables(_space(6, "in-line"), 3.0, 5500.0, largest_interval_factor=1.5),
    "V4 split": _tables(_space(4, "v", "split"), 1.2, 8000.0, largest_interval_factor=1.75),
    "V6 shared": _tables(_space(6, "v", "shared"), 3.2, 5500.0, largest_interval_factor=1.5),
    "V6 own-web": _tables(_space(6, "v", "own-web", step_deg=30.0), 2.8, 6200.0),
    "V8 shared": _tables(_space(8, "v", "shared"), 4.5, 5200.0, largest_interval_factor=1.5),
    "opposed 4 own-main": _tables(
        _space(4, "opposed", "own-main"), 2.0, 5800.0, largest_interval_factor=1.5
    ),
    "V8 own-web": _tables(_space(8, "v", "own-web"), 3.8, 6000.0, even_firing=True),
}


def shared_evaluations() -> int:
    """Return what one family gets of the default budget when all of these share it."""
    return SearchTable().evaluations // len(SPACES)


def closeness_study(name: str, *, evaluations: int, seed: int = 1) -> tuple[Study, Family]:
    """Return the study of one family and the family."""
    tables = {
        "study": {"name": f"closeness of {name}", "seed": seed},
        **SPACES[name],
        "search": {"evaluations": evaluations},
    }
    study = study_from_tables(tables, text=tomli_w.dumps(tables))
    families, left_out = all_families(study)
    assert [family.name for family in families] == [name], (name, families, left_out)
    return replace(study, seed=seed), families[0]
