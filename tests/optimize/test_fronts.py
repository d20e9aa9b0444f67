"""Fronts as tables and files: what is written is what was found, and says what it is.

The numbers of a row are checked against `evaluate` along the whole way of a user: row, layout
text, file, `read_layout`, `evaluation_document`. Dominance is checked by plain loops.
"""

from __future__ import annotations

import itertools
import json
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from evaluate import METRICS, InputError, evaluation_document, read_layout, score
from optimize.archive import Archive
from optimize.export import layout_text
from optimize.files import write_text, write_whole
from optimize.fronts import (
    FamilyFront,
    front_tables,
    one_row_batch,
    package_versions,
    read_front,
    write_front,
)
from optimize.study import Study, study_from_tables
from tests.optimize.small_studies import (
    family_fronts,
    metrics,
    small_study,
    study_tables,
    study_text,
)

SENSES = metrics(
    ("force_rms_N", 50.0),
    ("couple_rms_Nm", 5.0),
    ("exhaust_spacing_min_deg", 30.0),  # more is better
    ("parts", 1.0),
)
SHAFTS = {"slots": ["1 backward", "2 forward", "2 backward"], "at_most": 2}


def _mixed_study() -> Study:
    return small_study(
        study={"name": "mixed", "seed": 17, "question": "Which — and why?"},
        space={
            "cylinders": [2, 4],
            "arrangements": ["in-line", "v", "opposed"],
            "pins": ["shared", "own-web"],
            "bank_angle_deg": [60.0, 90.0],
            "throw_angle_step_deg": 45.0,
            "reciprocating_fraction": [0.0, 0.5],
            "balance_shafts": SHAFTS,
        },
        constraints={"largest_interval_factor": 2.0},
        objectives=SENSES,
    )


@pytest.fixture(scope="module")
def mixed() -> tuple[Study, list[FamilyFront], pd.DataFrame, pd.DataFrame]:
    """Return a study with the fronts of some families, and both tables."""
    study = _mixed_study()
    names = ["in-line 2", "V2 shared", "opposed 2 own-web", "in-line 4", "V4 own-web"]
    fronts = family_fronts(study, names, population=40, generations=15)
    return study, fronts, *front_tables(study, fronts)


def _boxes(study: Study, rows: pd.DataFrame) -> list[tuple[int, ...]]:
    """Return the rounded objectives of each row in whole resolutions, to be lessened."""
    columns = []
    for objective in study.objectives:
        sign = 1 if METRICS[objective.key].sense == "least" else -1
        values = rows[f"{objective.key}_rounded"] / objective.resolution * sign
        assert np.allclose(values, np.rint(values), atol=1e-9)
        columns.append(np.rint(values).astype(int).tolist())
    return list(zip(*columns, strict=True))


def _dominates(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


def test_rounded_objectives_are_values_rounded_to_the_worse_side(mixed: Any) -> None:
    study, _, _, rows = mixed
    for objective in study.objectives:
        step, is_least = objective.resolution, METRICS[objective.key].sense == "least"
        for value, rounded in zip(
            rows[objective.key], rows[f"{objective.key}_rounded"], strict=True
        ):
            worse = rounded - value if is_least else value - rounded
            assert -1e-6 * step - 1e-9 <= worse < step * (1 + 1e-9)


def test_common_front_is_what_no_family_dominates(mixed: Any) -> None:
    study, fronts, common, rows = mixed
    assert len(rows) == sum(len(front) for front in fronts)
    boxes = _boxes(study, rows)
    best = {box for box in boxes if not any(_dominates(other, box) for other in boxes)}
    on_front = [box for box, on in zip(boxes, rows["on_front"], strict=True) if on]
    assert len(best) >= 5
    assert set(on_front) == best
    assert len(on_front) == len(best), "one design for each"
    assert _boxes(study, common) == on_front
    assert on_front == sorted(on_front), "in the order of the objectives"


def test_designs_have_names_of_their_own(mixed: Any) -> None:
    _, _, common, rows = mixed
    assert common["design"].tolist() == [f"D{n}" for n in range(1, len(common) + 1)]
    assert rows["design"].is_unique
    assert set(rows[rows["on_front"]]["design"]) == set(common["design"])
    assert rows["design"].str.match(r"^[DF]\d+$").all()


def test_dominated_by_and_how_are_true(mixed: Any) -> None:
    study, _, _, rows = mixed
    by_name = dict(zip(rows["design"], _boxes(study, rows), strict=True))
    off = rows[~rows["on_front"]]
    named, n_far = rows.set_index("design"), 0
    assert len(off) >= 5
    assert (rows[rows["on_front"]]["dominated_by"] == "").all()
    for _, row in off.iterrows():
        mine, winner = by_name[row["design"]], by_name[row["dominated_by"]]
        assert row["dominated_by"].startswith("D")
        if row["dominated_how"] == "equal when rounded":
            assert mine == winner
            continue
        assert _dominates(winner, mine)
        better = [
            (objective, a - b)
            for objective, a, b in zip(study.objectives, mine, winner, strict=True)
            if a != b
        ]
        parts = row["dominated_how"].split(", ")
        assert len(parts) == len(better)
        for part, (objective, steps) in zip(parts, better, strict=True):
            metric = METRICS[objective.key]
            word = "less" if metric.sense == "least" else "more"
            assert part.split(" (counted as ")[0].endswith(f"{word} {metric.label}")
            assert not metric.unit or f" {metric.unit} " in part
            said, counted = float(part.split()[0].replace(",", "")), steps * objective.resolution
            raw = abs(row[objective.key] - named.loc[row["dominated_by"], objective.key])
            if " (counted as " in part:  # the true difference, and what it counted as
                assert said == pytest.approx(raw, rel=5e-3, abs=1e-6)
                assert abs(raw - counted) > 0.25 * counted
                words = "one step" if steps == 1 else f"{steps} steps"
                size = f"{objective.resolution:,.6g} {metric.unit}".strip()
                assert part.endswith(f"(counted as {words} of {size})")
                n_far += 1
            else:
                assert said == pytest.approx(counted)
                assert abs(raw - counted) <= 0.25 * counted + 1e-9
    assert n_far


def test_families_that_tie_are_named(mixed: Any) -> None:
    study, _, common, rows = mixed
    by_name = dict(zip(rows["design"], _boxes(study, rows), strict=True))
    for _, row in common.iterrows():
        tied = {
            other["family"]
            for _, other in rows.iterrows()
            if other["design"] != row["design"]
            and by_name[other["design"]] == by_name[row["design"]]
        }
        assert set(filter(None, row["also_in"].split(", "))) == tied


def test_counts_and_columns(mixed: Any) -> None:
    study, fronts, common, rows = mixed
    for front in fronts:
        mine = rows[rows["family"] == front.island.family.name]
        counts = sorted(front.equals)
        assert sorted(mine["equals"]) == counts
    for column in (*METRICS, "throw_angles", "firing_order", "shafts", "generation"):
        assert column in common.columns
    assert {len(angles) for angles in common["firing_angles_deg"]} <= {2, 4}
    for _, row in rows.iterrows():
        assert sum(row["firing_intervals_deg"]) == pytest.approx(study.cycle_deg, abs=1e-9)
        gaps = itertools.pairwise([*sorted(row["firing_angles_deg"]), study.cycle_deg])
        assert row["firing_intervals_deg"] == pytest.approx([b - a for a, b in gaps], abs=1e-9)
        order = row["firing_order"].split("-")
        fired = [row["firing_angles_deg"][int(label) - 1] for label in order]
        assert fired == sorted(fired)


def test_rows_hold_the_metrics_of_their_design(mixed: Any) -> None:
    # `one_row_batch` rebuilds the candidate from the row alone. 1e-9: decoded and rebuilt angles
    # may differ in the last bits.
    _, fronts, _, rows = mixed
    engines = {f.island.family.name: f.island.family.engine for f in fronts}
    for _, row in rows.iterrows():
        values = score(engines[row["family"]], one_row_batch(row), list(METRICS))[0]
        for key, value in zip(METRICS, values, strict=True):
            assert value == pytest.approx(row[key], rel=1e-9, abs=1e-7), (row["design"], key)


# Every kind of family, both cycles, even and uneven firing, changed proportions, all rules for
# collectors; the family's name, then the tables of its study.
KINDS: dict[str, tuple[str, dict[str, Any]]] = {
    "in line": ("in-line 3", {"space": {"cylinders": [3], "throw_angle_step_deg": 60.0}}),
    "in line, two-stroke": (
        "in-line 4",
        {"engine": {"cycle_strokes": 2}, "exhaust": {"collectors": "one"}},
    ),
    "in line, even": (
        "in-line 5",
        {"space": {"cylinders": [5]}, "constraints": {"even_firing": True}},
    ),
    "single": ("in-line 1", {"space": {"cylinders": [1]}}),
    "shared": (
        "V4 shared",
        {"space": {"arrangements": ["v"], "pins": ["shared"], "bank_angle_deg": [72.0]}},
    ),
    "shared, even": (
        "V8 shared",
        {
            "space": {
                "cylinders": [8],
                "arrangements": ["v"],
                "pins": ["shared"],
                "bank_angle_deg": [90.0],
            },
            "constraints": {"even_firing": True},
            "exhaust": {"collectors": "best of 2", "open_duration_deg": 250.0},
        },
    ),
    "split": (
        "V6 split",
        {
            "space": {
                "cylinders": [6],
                "arrangements": ["v"],
                "pins": ["split"],
                "bank_angle_deg": {"from": 60.0, "to": 90.0},
                "throw_angle_step_deg": 0.0,
                "reciprocating_fraction": {"from": 0.3, "to": 0.7},
            }
        },
    ),
    "own-main": (
        "V4 own-main",
        {
            "space": {"arrangements": ["v"], "pins": ["own-main"], "bank_angle_deg": [60.0]},
            "engine": {"speed": {"mean_piston_speed_m_s": 14.0}},
        },
    ),
    "own-web with a throw left over": (
        "V5 own-web",
        {
            "space": {
                "cylinders": [5],
                "arrangements": ["v"],
                "pins": ["own-web"],
                "bank_angle_deg": [90.0],
                "throw_angle_step_deg": 36.0,
            }
        },
    ),
    "opposed": (
        "opposed 4 own-web",
        {
            "space": {"arrangements": ["opposed"], "pins": ["own-web"]},
            "exhaust": {"collectors": {"4": [["1", "4"], ["2", "3"]]}},
        },
    ),
    "offset pin path, other proportions": (
        "in-line 3",
        {
            "space": {"cylinders": [3], "throw_angle_step_deg": 60.0, "rotating_fraction": 0.8},
            "proportions": {
                "pin_path_offset_to_crank_radius": 0.15,
                "stagger_to_bore": 0.1,
                "parts_per_shaft": 3.5,
                "steel_density_kg_m3": 7900.0,
            },
        },
    ),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_design_as_a_layout_file_has_the_same_metrics(kind: str, tmp_path: Path) -> None:
    # Lengths go through mm and back, angles through decimal text: 1e-9 of the value, and 1e-9 of
    # the largest force or couple in the table for what cancels to nothing.
    name, tables = KINDS[kind]
    space = {**tables.get("space", {}), "balance_shafts": SHAFTS}
    constraints = {"largest_interval_factor": 3.0, **tables.get("constraints", {})}
    study = small_study(**{**tables, "space": space, "constraints": constraints})
    fronts = family_fronts(study, [name], population=30, generations=4)
    rows = front_tables(study, fronts)[1]
    assert len(rows) >= 1
    path = tmp_path / "design.toml"
    unevenness = set()
    for _, row in rows.head(12).iterrows():
        path.write_text(layout_text(row, fronts[0].island.family, study, name="a"), "utf-8")
        document = evaluation_document(read_layout(path))
        assert document["assumed"] == [], "the file says everything"
        for key in METRICS:
            scale = 1e-9 * rows[key].abs().max() + 1e-9
            assert document["metrics"][key] == pytest.approx(row[key], rel=1e-9, abs=scale), key
        fired = document["firing"]["angles_deg"]
        assert fired == pytest.approx(list(row["firing_angles_deg"]), abs=1e-6)
        assert "-".join(document["firing"]["order"]) == row["firing_order"]
        unevenness.add(round(row["firing_unevenness_deg"], 3))
    is_even = tables.get("constraints", {}).get("even_firing") or name == "in-line 1"
    assert is_even or max(unevenness) > 0, "uneven firing is among what was tried"


EXTRA = {"is_complete": True, "evaluations": 123}


def test_parquet_round_trip(mixed: Any, tmp_path: Path) -> None:
    study, _, common, rows = mixed
    for name, table in (("front", common), ("family_fronts", rows)):
        path = tmp_path / f"{name}.parquet"
        write_front(path, table, study, extra=EXTRA)
        read = read_front(path)
        assert list(read.columns) == list(table.columns)
        for column in table.columns:
            got, expected = read[column].tolist(), table[column].tolist()
            if isinstance(expected[0], list):
                got = [list(item) for item in got]
            assert got == expected, column
    assert [p.name for p in sorted(tmp_path.iterdir())] == [
        "family_fronts.parquet",
        "front.parquet",
    ]


def test_metadata_explains_the_file(mixed: Any, tmp_path: Path) -> None:
    study, _, common, _ = mixed
    write_front(tmp_path / "front.parquet", common, study, extra=EXTRA)
    known = read_front(tmp_path / "front.parquet").attrs
    assert known["schema"] == "crankfront.front/1"
    assert known["study"] == study.text
    assert "Which — and why?" in known["study"]
    assert known["seed"] == 17
    assert known["versions"] == package_versions()
    assert {"crankfront", "numpy", "pymoo"} <= set(known["versions"])
    stated = {key: known["units"][key] for key in METRICS}
    assert stated == {key: metric.unit for key, metric in METRICS.items()}
    assert known["units"]["couple_rms_Nm"] == "N·m"
    assert known["senses"]["exhaust_spacing_min_deg"] == "most"
    assert known["senses"]["force_rms_N"] == "least"
    assert [(o["metric"], o["resolution"]) for o in known["objectives"]] == [
        (table["metric"], table["resolution"]) for table in SENSES
    ]
    assert {key: known[key] for key in EXTRA} == EXTRA
    # The metadata are plain JSON in the file itself, for readers of other kinds.
    stored = pq.read_schema(tmp_path / "front.parquet").metadata[b"crankfront"]
    assert json.loads(stored)["seed"] == 17


def test_the_same_front_is_the_same_bytes(mixed: Any, tmp_path: Path) -> None:
    study, fronts, common, _ = mixed
    write_front(tmp_path / "one.parquet", common, study, extra=EXTRA)
    write_front(tmp_path / "two.parquet", front_tables(study, fronts)[0], study, extra=EXTRA)
    assert (tmp_path / "one.parquet").read_bytes() == (tmp_path / "two.parquet").read_bytes()


def test_the_study_in_the_metadata_can_be_run_again(mixed: Any, tmp_path: Path) -> None:
    study, _, common, _ = mixed
    write_front(tmp_path / "front.parquet", common, study, extra={})
    text = read_front(tmp_path / "front.parquet").attrs["study"]
    again = study_from_tables(tomllib.loads(text), text=text)
    assert again == study


def test_no_designs_are_two_empty_tables(tmp_path: Path) -> None:
    study = _mixed_study()
    fronts = family_fronts(study, ["in-line 2"], population=16, generations=1)
    island = fronts[0].island
    archive = Archive.empty(np.ones(len(study.objectives)), island.genome.n_genes)
    common, rows = front_tables(study, [FamilyFront.from_archive(island, archive)])
    assert len(common) == len(rows) == 0
    write_front(tmp_path / "front.parquet", common, study, extra={})
    assert len(read_front(tmp_path / "front.parquet")) == 0


def _plain_parquet(path: Path, schema: str | None) -> None:
    table = pa.table({"a": [1, 2]})
    if schema is not None:
        table = table.replace_schema_metadata({b"crankfront": json.dumps({"schema": schema})})
    pq.write_table(table, path)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        pytest.param(lambda _: None, ["front.parquet"], id="missing"),
        pytest.param(lambda path: path.write_bytes(b"no parquet at all"), [], id="garbage"),
        pytest.param(lambda path: path.write_bytes(b""), [], id="empty"),
        pytest.param(
            lambda path: _plain_parquet(path, None), ["no crankfront"], id="other parquet"
        ),
        pytest.param(
            lambda path: _plain_parquet(path, "crankfront.front/2"),
            ["crankfront.front/2", "crankfront.front/1"],
            id="newer schema",
        ),
        pytest.param(lambda path: path.mkdir(), [], id="directory"),
    ],
)
def test_what_is_no_front_is_one_message(make: Any, words: list[str], tmp_path: Path) -> None:
    path = tmp_path / "front.parquet"
    make(path)
    with pytest.raises(InputError) as caught:
        read_front(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message
    for word in words:
        assert word in message


def test_a_front_cut_short_is_one_message(mixed: Any, tmp_path: Path) -> None:
    study, _, common, _ = mixed
    path = tmp_path / "front.parquet"
    write_front(path, common, study, extra={})
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(InputError, match=r"front\.parquet"):
        read_front(path)


def test_files_appear_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "note.txt"
    write_text(path, "old")

    def half(beside: Path) -> None:
        beside.write_text("ne", "utf-8")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        write_whole(path, half)
    assert path.read_text("utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path], "nothing is left beside it"
    write_text(path, "neu — ü")
    assert path.read_text("utf-8") == "neu — ü"
    with pytest.raises(OSError, match="disk full"):
        write_whole(tmp_path / "never.txt", half)
    assert list(tmp_path.iterdir()) == [path]


def test_a_front_that_cannot_be_written_leaves_the_old_one(mixed: Any, tmp_path: Path) -> None:
    study, _, common, _ = mixed
    path = tmp_path / "front.parquet"
    write_front(path, common, study, extra={})
    before = path.read_bytes()
    with pytest.raises(TypeError):  # a set is no JSON
        write_front(path, common, study, extra={"bad": {1, 2}})
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_speed_and_size_are_those_of_the_givens(mixed: Any) -> None:
    # 1600 cm3 with stroke = bore = twice the crank radius: bore^3 = 4 V / (pi N) (section 4.7).
    _, _, common, _ = mixed
    for _, row in common.iterrows():
        bore_mm = (4 * 1600e3 / (math.pi * row["cylinders"])) ** (1 / 3)
        assert row["bore_mm"] == pytest.approx(bore_mm, rel=1e-12)
        assert row["stroke_mm"] == pytest.approx(bore_mm, rel=1e-12)
        assert row["speed_rpm"] == pytest.approx(5000, rel=1e-12)


def test_small_study_text_and_tables_agree() -> None:
    assert tomllib.loads(study_text(space={"cylinders": [3]})) == study_tables(
        space={"cylinders": [3]}
    )
