"""JSON Schemas of study and layout files.

Reference: the jsonschema package, an implementation of the standard (JSON Schema 2020-12) that this
project has no part in, beside what reading a file accepts and refuses.
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from evaluate import METRICS, InputError
from evaluate.tables import typed
from optimize.cli import main
from optimize.schema_texts import TEXTS
from optimize.schemas import FILES, json_schema
from optimize.study import study_from_tables
from tests.optimize.small_studies import study_tables
from tests.optimize.test_bad_studies import CASES, GOOD

STUDIES = Path(__file__).parents[2] / "studies"
SAMPLES = {
    "study": sorted(STUDIES.glob("*.toml")),
    "layout": sorted([*STUDIES.glob("layouts/*.toml"), *STUDIES.glob("bench/*.toml")]),
}
EVERY_SAMPLE = [(kind, path) for kind, paths in SAMPLES.items() for path in paths]
VALIDATORS = {kind: Draft202012Validator(json_schema(kind)) for kind in FILES}
#: Keys that no sample has, with values that make sense.
FULL_STUDY: dict[str, Any] = study_tables(
    proportions={"stagger_to_bore": 0.3, "pin_path_offset_to_crank_radius": -0.1},
    combustion={"ignition": "compression", "mean_effective_pressure_bar": 15.0},
    flywheel={"speed_fluctuation": 0.01},
    torsion={"speed_range_to_rated": [0.2, 1.1], "shaft": {"formula": "ker-wilson"}},
    bearings={"main_diameter_mm": 60, "main_width_mm": 25},
    tolerances={"throw_angle_deg": 0.5, "samples": 400},
    constraints={"splay_deg": {"at_most": 40}, "force_rms_N": {"at_least": 0}},
    objectives=[{"metric": "force_rms_N", "kept_by": 0.9}, {"metric": "parts", "resolution": 2}],
    exhaust={"collectors": {"4": [["1", "4"], ["2", "3"]]}},
    search={"exact": "auto"},
)


def test_the_schemas_themselves_are_valid() -> None:
    for kind in FILES:
        Draft202012Validator.check_schema(json_schema(kind))


@pytest.mark.parametrize(("kind", "path"), EVERY_SAMPLE, ids=lambda one: getattr(one, "stem", one))
def test_every_sample_is_valid(kind: str, path: Path) -> None:
    tables = tomllib.loads(path.read_text("utf-8"))
    problems = [f"{e.json_path}: {e.message}" for e in VALIDATORS[kind].iter_errors(tables)]
    assert problems == []
    other = "layout" if kind == "study" else "study"
    assert not VALIDATORS[other].is_valid(tables)


def test_a_study_with_everything_is_valid() -> None:
    study_from_tables(copy.deepcopy(FULL_STUDY))
    assert list(VALIDATORS["study"].iter_errors(FULL_STUDY)) == []


def places(tables: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Return the path of every table, list and value below the top."""
    items = tables.items() if isinstance(tables, dict) else enumerate(tables)
    for key, value in items:
        yield (*path, key)
        if isinstance(value, (dict, list)):
            yield from places(value, (*path, key))


def at(tables: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        tables = tables[key]
    return tables


def changed(tables: Any, path: tuple[Any, ...], value: Any) -> Any:
    """Return a copy with another value in one place."""
    tables = copy.deepcopy(tables)
    at(tables, path[:-1])[path[-1]] = value
    return tables


GOOD_FILES = [
    ("study", FULL_STUDY),
    *((kind, tomllib.loads(path.read_text("utf-8"))) for kind, path in EVERY_SAMPLE[::9]),
]


@pytest.mark.parametrize(("kind", "tables"), GOOD_FILES)
def test_unknown_keys_are_refused_wherever_reading_refuses_them(kind: str, tables: Any) -> None:
    everywhere = [(), *(p for p in places(tables) if isinstance(at(tables, p), dict))]
    n_refused = 0
    for path in everywhere:
        mutant = copy.deepcopy(tables)
        at(mutant, path)["no_such_key"] = 1
        try:
            typed(mutant, FILES[kind])
        except InputError:
            n_refused += 1
            assert not VALIDATORS[kind].is_valid(mutant), path
    assert n_refused >= len(everywhere) - 1  # collectors by count have keys of their own


@pytest.mark.parametrize("value", ["a text", 3.5, True, [], {}, [{"x": 1}]])
@pytest.mark.parametrize(("kind", "tables"), GOOD_FILES)
def test_what_reading_refuses_for_its_type_the_schema_refuses(
    kind: str, tables: Any, value: Any
) -> None:
    n_refused = 0
    for path in places(tables):
        mutant = changed(tables, path, value)
        try:
            typed(mutant, FILES[kind])
        except InputError:
            n_refused += 1
            assert not VALIDATORS[kind].is_valid(mutant), (path, value)
    assert n_refused > 5


#: Faults of values beside each other, or of files, which no schema of keys and types can see.
BEYOND = {
    "NaN",  # TOML has it, JSON has not
    "range",
    "step",
    "bounds",
    "metric twice",
    "bank angle",
    "collectors by count",
    "no TOML",
    "baseline",
}


@pytest.mark.parametrize("name", sorted(set(CASES) - BEYOND))
def test_common_slips_are_refused(name: str) -> None:
    old, new, _ = CASES[name]
    good, bad = (tomllib.loads(text) for text in (GOOD, GOOD.replace(old, new, 1)))
    assert VALIDATORS["study"].is_valid(good)
    assert not VALIDATORS["study"].is_valid(bad)


def test_words_that_code_checks_are_listed() -> None:
    schema = json_schema("study")["$defs"]
    assert schema["ObjectiveTable"]["properties"]["metric"]["enum"] == list(METRICS)
    assert set(METRICS) < set(schema["ConstraintsTable"]["properties"])
    slots = schema["ShaftsTable"]["properties"]["slots"]["items"]["enum"]
    assert slots == ["1 backward", "2 forward", "2 backward"]  # design, section 7


def tables_of(kind: str) -> Iterator[tuple[str, dict[str, Any]]]:
    schema = json_schema(kind)
    yield FILES[kind].__name__, schema["properties"]
    for name, table in schema["$defs"].items():
        yield name.rpartition(".")[2], table["properties"]


def test_every_key_says_what_it_means_and_in_what_unit() -> None:
    units = {"_mm": "[mm]", "_deg": "[deg]", "_kg": "[kg]", "_cm3": "[cm³]", "_rpm": "[rpm]"}
    for kind in FILES:
        for table, keys in tables_of(kind):
            for key, entry in keys.items():
                assert entry.get("description", "").strip(), f"{kind}: {table}.{key}"
                end = next((end for end in units if key.endswith(end)), None)
                if end is not None:
                    assert units[end] in entry["description"], f"{table}.{key}"
                assert entry.get("default", "") is not None


def test_no_text_is_of_a_key_that_is_gone() -> None:
    known: dict[str, set[str]] = {}
    for kind in FILES:
        for table, keys in tables_of(kind):
            known.setdefault(table, set()).update(keys)
    for table, texts in TEXTS.items():
        assert set(texts) <= known[table], table


def test_defaults_are_those_that_reading_takes() -> None:
    least = study_tables()
    tables = copy.deepcopy(least)
    tables["objectives"] = json_schema("study")["properties"]["objectives"]["default"]
    properties = dict(tables_of("study"))
    for table, name in (("space", "SpaceTable"), ("search", "SearchTable")):
        given = {k: e["default"] for k, e in properties[name].items() if "default" in e}
        tables[table] = {**given, **tables.get(table, {})}
    tables["proportions"] = {k: e["default"] for k, e in properties["ProportionsTable"].items()}
    assert study_from_tables(tables) == study_from_tables(least)


@pytest.mark.parametrize("kind", list(FILES))
def test_command_prints_and_writes_the_schema(kind: str, tmp_path: Path) -> None:
    printed = CliRunner().invoke(main, ["schema", kind])
    assert printed.exit_code == 0
    assert json.loads(printed.stdout) == json_schema(kind)
    path = tmp_path / "it.schema.json"
    written = CliRunner().invoke(main, ["schema", kind, "--out", str(path)])
    assert written.exit_code == 0
    assert json.loads(path.read_text("utf-8")) == json_schema(kind)
    refused = CliRunner().invoke(main, ["schema", kind, "--out", str(tmp_path / "it.toml")])
    assert refused.exit_code == 2
    assert not (tmp_path / "it.toml").exists()
