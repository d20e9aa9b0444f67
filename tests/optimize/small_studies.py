"""Small studies for tests, and searches of single families without worker processes."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import tomli_w

from optimize.families import Family, all_families
from optimize.fronts import FamilyFront
from optimize.problem import Island
from optimize.processes import ThisProcess, Workers
from optimize.search import IslandState, advance
from optimize.study import Study, study_from_tables


def study_tables(**changed: Any) -> dict[str, Any]:
    """Return the tables of a small study; tables that are given are merged into the usual ones.

    The engine is made up: 1.6 litres at 5000 rpm, the proportions of the project.
    """
    tables: dict[str, Any] = {
        "study": {"name": "small", "seed": 1},
        "engine": {"displacement_cm3": 1600.0, "speed": {"rpm": 5000.0}},
        "space": {
            "cylinders": [4],
            "arrangements": ["in-line"],
            "throw_angle_step_deg": 90.0,
            "reciprocating_fraction": [0.5],
        },
    }
    for name, value in changed.items():
        merged = isinstance(value, dict) and isinstance(tables.get(name), dict)
        tables[name] = {**tables[name], **value} if merged else value
    return tables


def study_text(**changed: Any) -> str:
    """Return the text of a small study file."""
    return tomli_w.dumps(study_tables(**changed))


def small_study(**changed: Any) -> Study:
    """Return a small study with its text."""
    return study_from_tables(study_tables(**changed), text=study_text(**changed))


def write_study(folder: Path, **changed: Any) -> Path:
    """Write a small study file and return its path."""
    path = folder / "small.toml"
    path.write_text(study_text(**changed), encoding="utf-8")
    return path


def metrics(*keys_and_resolutions: tuple[str, float]) -> list[dict[str, Any]]:
    """Return the objectives table of a study file."""
    return [{"metric": key, "resolution": step} for key, step in keys_and_resolutions]


def named_family(study: Study, name: str) -> Family:
    """Return one family of a study."""
    found, left_out = all_families(study)
    matches = [family for family in found if family.name == name]
    assert matches, f"{name} is not among {[f.name for f in found]}; left out: {left_out}"
    return matches[0]


def searched(
    study: Study, family: Family, *, population: int, generations: int, seed: int = 1
) -> IslandState:
    """Return where one family's search ends, in this process."""
    return advance(
        Island(study, family),
        None,
        seed=(seed, 0, 0),
        population=population,
        generations=generations,
    )


def family_fronts(
    study: Study, names: Iterable[str], *, population: int, generations: int, seed: int = 1
) -> list[FamilyFront]:
    """Return the fronts of some families of a study."""
    fronts = []
    for name in names:
        family = named_family(study, name)
        state = searched(study, family, population=population, generations=generations, seed=seed)
        fronts.append(FamilyFront.from_archive(Island(study, family), state.archive))
    return fronts


class _OnCopies(ThisProcess):
    """Does tasks here on copies of what they are given, as another process would."""

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        return super().submit(function, *copy.deepcopy(arguments))


@contextmanager
def in_this_process(*_: object, **__: object) -> Iterator[Workers]:
    """Stand in for the driver's pool of processes, whose start takes seconds."""
    yield _OnCopies()
