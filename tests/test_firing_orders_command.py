"""`crankfront firing-orders` as a user meets it: table, JSON, Parquet, files, messages.

Counts and orders come from `tests.firing_by_hand`, which tries every bit set in whole numbers;
angles are compared with a tolerance of 1e-6 degrees, within which the command takes angles to be
equal (design, section 3). Facts of the trade: common practice, no source.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
import tomli_w
from click.testing import CliRunner, Result

from optimize.cli import main
from tests import firing_by_hand as by_hand

ROOT = Path(__file__).parent.parent
#: The keys that the design promises, and what else is worth keeping.
ORDER_KEYS = {"order", "angles_deg", "intervals_deg", "unevenness_deg"}

CYLINDER = {"stroke_mm": 86.0, "rod_length_mm": 144.0, "reciprocating_mass_kg": 0.5}
FOUR: dict[str, Any] = {
    "name": "pump engine",
    "cylinder": CYLINDER,
    "crank": {"throw_angles_deg": [0, 180, 180, 0], "throw_pitch_mm": 96.0},
}
EIGHT: dict[str, Any] = {
    "name": "saw mill engine",
    "cylinder": CYLINDER,
    "crank": {"throw_angles_deg": [0, 90, 270, 180], "throw_pitch_mm": 110.0},
    "banks": {"angles_deg": [45, -45]},
    "cylinders": {"throw": [1, 1, 2, 2, 3, 3, 4, 4], "bank": [1, 2] * 4},
    "firing": {"order": ["1", "8", "4", "3", "6", "5", "7", "2"]},
}
EIGHT_PINS = [0, 0, 90, 90, 270, 270, 180, 180]
EIGHT_AXES = [45, -45] * 4
TWIN: dict[str, Any] = {"crank": {"throw_angles_deg": [0, 180]}}
UNKNOWN: dict[str, Any] = {
    "name": "bench find",
    "cylinder": CYLINDER,
    "crank": {"throw_angle_step_deg": 90, "throw_pitch_mm": 110.0},
    "banks": {"angles_deg": [45, -45]},
    "cylinders": {"throw": [1, 2, 3, 4], "bank": [1, 2, 1, 2]},
}


def written(folder: Path, tables: dict[str, Any], name: str = "engine.toml") -> Path:
    path = folder / name
    path.write_text(tomli_w.dumps(tables), encoding="utf-8")
    return path


def run(path: Path, *arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["firing-orders", str(path), *map(str, arguments)])


def document(path: Path, *arguments: str | Path) -> dict[str, Any]:
    result = run(path, *arguments, "--json")
    assert result.exit_code == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def texts(found: dict[str, Any]) -> set[str]:
    return {"-".join(entry["order"]) for entry in found["orders"]}


# --- JSON ----------------------------------------------------------------------------------------


def test_json_has_the_documented_keys_and_the_orders_of_a_count_by_hand(tmp_path: Path) -> None:
    found = document(written(tmp_path, EIGHT))
    wanted = by_hand.even_vectors(EIGHT_PINS, EIGHT_AXES)
    assert found["count"] == len(found["orders"]) == len(wanted) == 8
    assert texts(found) == {"-".join(by_hand.order(angles)) for angles in wanted}
    for entry in found["orders"]:
        assert set(entry) >= ORDER_KEYS
        angles = tuple(round(angle) for angle in entry["angles_deg"])
        assert angles in wanted
        assert entry["angles_deg"] == pytest.approx(angles, abs=1e-6)
        assert tuple(entry["order"]) == by_hand.order(angles)
        assert entry["intervals_deg"] == pytest.approx([90] * 8, abs=1e-6)
        assert entry["unevenness_deg"] == pytest.approx(0, abs=1e-6)
    of_file = [entry for entry in found["orders"] if entry["is_order_of_the_file"]]
    assert ["-".join(entry["order"]) for entry in of_file] == ["1-8-4-3-6-5-7-2"]
    assert found["order_of_the_file"] == "1-8-4-3-6-5-7-2"


def test_all_lists_every_vector_with_its_intervals(tmp_path: Path) -> None:
    found = document(written(tmp_path, EIGHT), "--all")
    wanted = list(by_hand.vectors(EIGHT_PINS, EIGHT_AXES))
    assert found["count"] == len(found["orders"]) == len(wanted) == 2**7
    got = {tuple(round(angle) for angle in entry["angles_deg"]) for entry in found["orders"]}
    assert got == set(wanted)
    squares = []
    for entry in found["orders"]:
        angles = tuple(round(angle) for angle in entry["angles_deg"])
        assert entry["intervals_deg"] == pytest.approx(by_hand.intervals(angles, 720), abs=1e-6)
        square = float(by_hand.uneven_squares(angles, 720))
        assert entry["unevenness_deg"] ** 2 == pytest.approx(square, abs=1e-6)
        squares.append(round(square, 6))
    assert squares == sorted(squares)  # most even first


def test_a_two_stroke_has_one_order(tmp_path: Path) -> None:
    tables = {"cycle_strokes": 2, "crank": {"throw_angles_deg": [0, 240, 120]}}
    assert texts(document(written(tmp_path, tables))) == {"1-2-3"}


def test_scores_of_an_in_line_four_by_hand(tmp_path: Path) -> None:
    # 1-3-4-2: throws 1-3, 3-4, 4-2, 2-1: two of four firings are on the next throw. With a main
    # bearing between all throws 2, 1, 2 and 1 of them are passed. The pairs 1 and 4, 2 and 3 give
    # pulses 360 apart, so 240 degrees of opening do not overlap; in one collector 180 apart, so
    # each of four overlaps by 60 (hpacademy.com forum, read).
    tables = FOUR | {"exhaust": {"collectors": "one", "open_duration_deg": 240.0}}
    (entry,) = (
        entry
        for entry in document(written(tmp_path, tables))["orders"]
        if entry["order"] == ["1", "3", "4", "2"]
    )
    assert entry["neighbour_firing_share"] == pytest.approx(0.5)
    assert entry["main_gaps"] == [2, 1, 2, 1]
    assert entry["exhaust_spacing_min_deg"] == pytest.approx(180)
    assert entry["exhaust_overlap_deg"] == pytest.approx(240)
    assert {frozenset(group) for group in entry["best_collectors"]} == {
        frozenset("14"),
        frozenset("23"),
    }
    assert entry["best_collectors_overlap_deg"] == pytest.approx(0)
    assert entry["best_collectors_spacing_min_deg"] == pytest.approx(360)
    assert entry["fluctuation"] == pytest.approx(0.25)


def test_a_crank_without_an_even_order_says_so_and_gives_the_most_even(tmp_path: Path) -> None:
    path = written(tmp_path, TWIN)
    found = document(path)
    assert (found["count"], found["orders"]) == (0, [])
    assert found["most_even"]["intervals_deg"] == pytest.approx([180, 540], abs=1e-6)
    result = run(path)
    assert result.exit_code == 0
    assert "No even firing order" in result.stdout
    assert "180-540 deg" in result.stdout
    assert document(path, "--all")["count"] == 2


def test_a_file_without_an_order_has_no_order_of_the_file(tmp_path: Path) -> None:
    path = written(tmp_path, FOUR)
    found = document(path)
    assert not any(entry["is_order_of_the_file"] for entry in found["orders"])
    assert not found["order_of_the_file"]
    assert "order of the file" not in run(path).stdout


# --- Table ---------------------------------------------------------------------------------------


def test_the_table_shows_orders_units_and_the_tree(tmp_path: Path) -> None:
    result = run(written(tmp_path, FOUR))
    assert result.exit_code == 0
    for piece in ("pump engine", "1-3-4-2", "1-2-4-3", "[deg]", "most even first"):
        assert piece in result.stdout
    assert "360: 4 (1 fired 360 before)" in result.stdout
    assert "sets of firing angles" in result.stdout


def test_labels_stand_as_they_are(tmp_path: Path) -> None:
    labels = ["[bold]", "b 2", "ü", "4"]
    path = written(tmp_path, FOUR | {"cylinders": {"labels": labels}})
    result = run(path)
    assert result.exit_code == 0, result.stderr
    assert all(label in result.stdout for label in labels)
    assert set(document(path)["orders"][0]["order"]) == set(labels)


def test_rows_that_are_left_out_are_counted(tmp_path: Path) -> None:
    path = written(tmp_path, EIGHT)
    assert "5 more" in run(path, "--most", "3").stdout
    assert document(path, "--most", "3")["count"] == 8


def test_as_a_process(tmp_path: Path) -> None:
    path = written(tmp_path, EIGHT)
    command = [sys.executable, "-m", "optimize.cli", "firing-orders", str(path), "--json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    result = subprocess.run(
        command, capture_output=True, text=True, env=environment, timeout=120, check=False
    )
    assert result.returncode == 0
    assert result.stderr == ""
    assert json.loads(result.stdout)["count"] == 8


# --- Parquet -------------------------------------------------------------------------------------


@pytest.mark.parametrize("more", [(), ("--all",), ("--next", "1,8"), ("--collectors", "4")])
def test_parquet_reads_back_equal_to_the_json(tmp_path: Path, more: tuple[str, ...]) -> None:
    path = written(tmp_path, EIGHT)
    found = document(path, *more, "--parquet", tmp_path / "orders.parquet")
    check_rows(pd.read_parquet(tmp_path / "orders.parquet"), found["orders"])
    about = pq.read_schema(tmp_path / "orders.parquet").metadata
    assert about[b"crankfront.schema"].decode() == found["schema"]
    assert about[b"crankfront.sorted_by"].decode() == found["sorted_by"]


def test_parquet_has_all_rows_however_few_the_table_shows(tmp_path: Path) -> None:
    path = written(tmp_path, EIGHT)
    assert run(path, "--most", "3", "--parquet", tmp_path / "orders.parquet").exit_code == 0
    found = document(path)
    check_rows(pd.read_parquet(tmp_path / "orders.parquet"), found["orders"])


def check_rows(frame: pd.DataFrame, entries: list[dict[str, Any]]) -> None:
    assert len(frame) == len(entries)
    rows = json.loads(frame.to_json(orient="records", double_precision=15))
    for row, entry in zip(rows, entries, strict=True):
        # Cylinders that fire together are flagged: no wait, a plus.
        signs = ["+" if wait == 0 else "-" for wait in entry["intervals_deg"]]
        text = "".join(a + b for a, b in zip(entry["order"], signs, strict=True))
        assert row["order_text"] == text[:-1]
        for key, value in entry.items():
            is_float = isinstance(value, float) or (
                isinstance(value, list) and value and isinstance(value[0], float)
            )
            assert row[key] == (pytest.approx(value, abs=1e-9) if is_float else value), key


def test_parquet_of_unknown_cranks_reads_back_equal_to_the_json(tmp_path: Path) -> None:
    path = written(tmp_path, UNKNOWN)
    found = document(path, "--parquet", tmp_path / "orders.parquet")
    frame = pd.read_parquet(tmp_path / "orders.parquet")
    assert found["count"] == len(frame) == 6
    k = 0
    for crank in found["cranks"]:
        for entry in crank["orders"]:
            row = frame.iloc[k]
            assert list(row["order"]) == entry["order"]
            assert list(row["throw_angles_deg"]) == pytest.approx(crank["throw_angles_deg"])
            assert list(row["angles_deg"]) == pytest.approx(entry["angles_deg"])
            assert row["force_rms_N"] == pytest.approx(crank["force_rms_N"])
            k += 1


def test_parquet_without_an_order_has_its_columns(tmp_path: Path) -> None:
    document(written(tmp_path, TWIN), "--parquet", tmp_path / "none.parquet")
    frame = pd.read_parquet(tmp_path / "none.parquet")
    assert len(frame) == 0
    assert set(frame.columns) >= ORDER_KEYS


# --- Facts ---------------------------------------------------------------------------------------

PAIRS: dict[str, tuple[dict[str, Any], list[str]]] = {
    "next": ({"next": [["1", "8"], ["8", "4"]]}, ["--next", "1,8", "--next", "8, 4"]),
    "order": ({"order": [["1", "4", "6", "7"]]}, ["--order", "1,4,6,7"]),
    "same tdc": ({"same_tdc": [["1", "6"]]}, ["--same-tdc", "1,6"]),
    "apart": (
        {"apart": [{"cylinders": ["1", "3"], "degrees": 270.0}]},
        ["--apart", "1,3,270"],
    ),
    "tdc apart": (
        {"tdc_apart": [{"cylinders": ["1", "8"], "degrees": 90.0}], "tolerance_deg": 1.0},
        ["--tdc-apart", "1,8,90", "--tolerance", "1"],
    ),
    "crankpins": ({"crankpins": [[1, 2, 4, 3]]}, ["--crankpins", "1,2,4,3"]),
    "lobes": (
        {"lobes": [{"order": ["1", "3", "5", "7"], "met": "anticlockwise"}]},
        ["--lobes", "1,3,5,7", "--lobes-met", "anticlockwise"],
    ),
    "lobe angles": (
        {
            "lobes": [
                {
                    "order": ["1", "3", "5", "7"],
                    "angles_deg": [0.0, 135.0, 225.0, 270.0],
                    "seen_from": "driving end",
                }
            ]
        },
        ["--lobes", "1@0,3@135,5@225,7@270", "--lobes-seen-from", "driving end"],
    ),
}


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize("every", [False, True])
def test_facts_in_the_file_equal_options(tmp_path: Path, name: str, every: bool) -> None:
    table, options = PAIRS[name]
    more = ["--all"] if every else []
    by_file = document(written(tmp_path, EIGHT | {"facts": table}, "with.toml"), *more)
    by_options = document(written(tmp_path, EIGHT), *options, *more)
    assert by_file["orders"] == by_options["orders"]
    assert by_file["count"] > 0
    strip = [
        [(f["text"], *list(f.values())[2:]) for f in d["facts"]] for d in (by_file, by_options)
    ]
    assert strip[0] == strip[1]
    assert by_file["count_before_facts"] == (128 if every else 8)


def test_facts_of_file_and_options_hold_together(tmp_path: Path) -> None:
    # 1-8-4-3-6-5-7-2 is the only even one with 8 after 1, 4 after 8 and 2 before 1.
    path = written(tmp_path, EIGHT | {"facts": {"next": [["1", "8"]]}})
    found = document(path, "--next", "8,4", "--next", "2,1")
    wanted = {
        "-".join(by_hand.order(angles))
        for angles in by_hand.even_vectors(EIGHT_PINS, EIGHT_AXES)
        if "-".join(by_hand.order(angles)).startswith("1-8-4-") and by_hand.order(angles)[-1] == "2"
    }
    assert texts(found) == wanted
    assert len(found["facts"]) == 3


@pytest.mark.parametrize(
    ("options", "drive"),
    [
        (["--gears", "2"], {"gears": 2}),
        (["--gears", "3"], {"gears": 3}),
        (["--drive", "chain"], {"by": "chain"}),
        (["--drive", "belt"], {"by": "belt"}),
    ],
)
def test_the_drive_of_the_options_equals_that_of_the_file(
    tmp_path: Path, options: list[str], drive: dict[str, Any]
) -> None:
    # In-line four, clockwise: lobes met clockwise 1, 3, 4, 2 against the crank are 1-3-4-2, as the
    # crank 1-2-4-3.
    lobes = ["--lobes", "1,3,4,2"]
    by_options = document(written(tmp_path, FOUR), *lobes, *options)
    by_file = document(written(tmp_path, FOUR | {"camshafts": {"drive": drive}}), *lobes)
    assert by_file["orders"] == by_options["orders"]
    assert texts(by_file) == ({"1-3-4-2"} if drive.get("gears") == 2 else {"1-2-4-3"})
    assert document(written(tmp_path, FOUR), *lobes)["count"] == 2


def test_the_table_says_what_each_fact_cuts(tmp_path: Path) -> None:
    result = run(written(tmp_path, FOUR), "--next", "1,3", "--same-tdc", "1,4")
    flat = " ".join(result.stdout.split())
    assert result.exit_code == 0
    assert "3 fires right after 1" in flat
    assert "1 and 4 reach top dead centre together" in flat
    assert "1 even firing order left of 2" in flat


def test_unknown_cranks_and_their_orders(tmp_path: Path) -> None:
    # By hand in tests/evaluate/test_cranks.py: three cranks of two orders each.
    path = written(tmp_path, UNKNOWN)
    found = document(path)
    assert (found["count"], found["count_of_cranks"]) == (6, 3)
    throws = {tuple(map(round, crank["throw_angles_deg"])) for crank in found["cranks"]}
    assert throws == {(0, 90, 0, 90), (0, 90, 180, 270), (0, 270, 180, 90)}
    assert all(set(entry) >= ORDER_KEYS for crank in found["cranks"] for entry in crank["orders"])
    one = document(path, "--same-tdc", "1,4", "--next", "1,3")
    assert [crank["throw_angles_deg"] for crank in one["cranks"]] == [[0, 90, 180, 270]]
    assert one["cranks"][0]["orders"][0]["order"] == ["1", "3", "4", "2"]
    result = run(path, "--same-tdc", "1,4")
    assert result.exit_code == 0
    assert "0 90 180 270" in result.stdout
    assert "1-3-4-2" in result.stdout


# --- Saved again ---------------------------------------------------------------------------------


def evaluated(path: Path) -> dict[str, Any]:
    result = CliRunner().invoke(main, ["evaluate", str(path), "--json"])
    assert result.exit_code == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def test_a_saved_layout_evaluates_and_agrees(tmp_path: Path) -> None:
    path = written(tmp_path, EIGHT)
    facts = ["--next", "1,8", "--order", "1,7,2"]
    found = document(path, *facts, "--save", tmp_path / "saved.toml")
    firing = evaluated(tmp_path / "saved.toml")["firing"]
    assert firing["order"] == found["orders"][0]["order"]
    assert firing["angles_deg"] == pytest.approx(found["orders"][0]["angles_deg"], abs=1e-6)
    again = document(tmp_path / "saved.toml")
    assert again["orders"][0]["is_order_of_the_file"]
    assert again["count"] == found["count"]  # the facts are saved with it
    assert [fact["text"] for fact in again["facts"]] == [fact["text"] for fact in found["facts"]]


def test_a_saved_crank_that_was_not_known_evaluates_and_agrees(tmp_path: Path) -> None:
    path = written(tmp_path, UNKNOWN)
    facts = ["--same-tdc", "1,4", "--lobes", "1@0,3@90", "--gears", "2"]
    found = document(path, *facts, "--save", tmp_path / "saved.toml")
    (crank,) = found["cranks"]
    assert crank["throw_angles_deg"] == [0, 90, 180, 270]
    assert "-".join(crank["orders"][0]["order"]) == "1-3-4-2"
    saved = tomllib.loads((tmp_path / "saved.toml").read_text(encoding="utf-8"))
    assert "throw_angle_step_deg" not in saved["crank"]
    numbers = evaluated(tmp_path / "saved.toml")
    assert numbers["firing"]["order"] == ["1", "3", "4", "2"]
    assert numbers["metrics"]["force_rms_N"] == pytest.approx(crank["force_rms_N"], rel=1e-9)
    assert document(tmp_path / "saved.toml")["count"] == 1


def test_a_tolerance_that_let_a_fact_through_is_saved_with_it(tmp_path: Path) -> None:
    # 1 and 8 are 90 apart; 91 is within the 2 degrees that options have where nothing is said.
    strict = EIGHT | {"facts": {"same_tdc": [["1", "6"]], "tolerance_deg": 0.5}}
    for tables in (EIGHT, strict):
        for more in ([], ["--tolerance", "5"]):
            path = written(tmp_path, tables)
            result = run(path, "--tdc-apart", "1,8,91", *more, "--save", tmp_path / "saved.toml")
            if result.exit_code == 0:  # whatever was let through must be let through again
                assert document(tmp_path / "saved.toml")["count"] > 0
            else:
                assert tables is strict
                assert not more


def test_the_given_layout_file_is_left_as_it_was(tmp_path: Path) -> None:
    path = written(tmp_path, EIGHT)
    before = path.read_bytes()
    document(path, "--next", "1,8", "--gears", "3", "--save", tmp_path / "saved.toml")
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["engine.toml", "saved.toml"]


def test_the_tree_is_drawn(tmp_path: Path) -> None:
    result = run(written(tmp_path, FOUR), "--tree", tmp_path / "tree.png")
    assert result.exit_code == 0, result.stderr
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == ["engine.toml", "tree.png", "tree.svg"]
    assert (tmp_path / "tree.png").read_bytes().startswith(b"\x89PNG")


# --- Bad input -----------------------------------------------------------------------------------

BAD: dict[str, tuple[dict[str, Any], list[str], list[str]]] = {
    "unknown label": (FOUR, ["--next", "1,5"], ["--next", "'5'", "1, 2, 3, 4"]),
    "near label": (
        FOUR | {"cylinders": {"labels": ["front", "two", "three", "rear"]}},
        ["--next", "front,raer"],
        ["Did you mean 'rear'?"],
    ),
    "one label": (FOUR, ["--next", "1"], ["--next"]),
    "three labels": (FOUR, ["--next", "1,2,3"], ["--next"]),
    "dashes": (FOUR, ["--order", "1-3-4-2"], ["--order", "commas"]),
    "order of two": (FOUR, ["--order", "1,3"], ["--order", "3"]),
    "no degrees": (FOUR, ["--apart", "1,3"], ["--apart"]),
    "degrees in words": (FOUR, ["--apart", "1,3,half"], ["--apart", "degrees"]),
    "not a number": (FOUR, ["--apart", "1,3,nan"], ["--apart"]),
    "infinite": (FOUR, ["--tdc-apart", "1,3,inf"], ["--tdc-apart"]),
    "crankpins in words": (FOUR, ["--crankpins", "one,two"], ["--crankpins"]),
    "throw that is not there": (FOUR, ["--crankpins", "1,5"], ["--crankpins", "1 to 4"]),
    "throw 0": (FOUR, ["--crankpins", "0,1"], ["--crankpins"]),
    "half of the lobe angles": (FOUR, ["--lobes", "1@0,3"], ["--lobes", "none"]),
    "falling lobe angles": (FOUR, ["--lobes", "1@0,3@90,4@80"], ["--lobes", "rising"]),
    "lobes of two banks": (EIGHT, ["--lobes", "1,2"], ["--lobes", "different camshafts"]),
    "end": (FOUR, ["--lobes", "1,3", "--lobes-seen-from", "rear"], ["free end"]),
    "tolerance": (FOUR, ["--apart", "1,3,180", "--tolerance", "-1"], ["--tolerance"]),
    "gears": (FOUR, ["--gears", "1"], ["--gears"]),
    "gears and chain": (FOUR, ["--gears", "2", "--drive", "chain"], ["--gears", "one of the two"]),
    "clash": (FOUR, ["--next", "1,2", "--next", "1,3"], ["contradict", "1-3-4-2", "1-2-4-3"]),
    "forbidden": (FOUR, ["--same-tdc", "1,2"], ["1 and 2 reach top dead centre", "1-3-4-2"]),
    "uneven ones would do": (FOUR, ["--next", "1,4"], ["4 fires right after 1", "uneven"]),
    "file order": (
        FOUR
        | {"crank": {"throw_angles_deg": [0, 270, 90, 180], "throw_pitch_mm": 90}}
        | {"firing": {"order": ["1", "3", "4", "2"]}},
        [],
        ["firing.order", "forbids", "nearest"],
    ),
    "facts in the file": (FOUR | {"facts": {"next": [["1", "x"]]}}, [], ["engine.toml", "facts"]),
    "unknown key": (FOUR | {"facts": {"nxt": []}}, [], ["engine.toml", "Did you mean 'next'?"]),
    "wrong teeth": (
        FOUR | {"camshafts": {"drive": {"teeth": [20, 41]}}},
        [],
        ["engine.toml", "camshafts.drive.teeth", "40"],
    ),
    "no even order to save": (TWIN, ["--save", "new.toml"], ["--save", "--all"]),
    "no even order to draw": (TWIN, ["--tree", "new.png"], ["--tree", "--all"]),
    "several cranks to draw": (UNKNOWN, ["--tree", "new.png"], ["--tree", "cranks", "one crank"]),
    "crank clash": (UNKNOWN, ["--same-tdc", "1,2", "--same-tdc", "1,3"], ["contradict", "90"]),
    "too many collectors": (FOUR, ["--collectors", "0"], ["--collectors"]),
    "nowhere to write": (FOUR, ["--save", "missing/new.toml"], ["--save"]),
    "step": (
        UNKNOWN | {"crank": {"throw_angle_step_deg": 7}},
        [],
        ["throw_angle_step_deg", "360"],
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_status_2_one_message_and_nothing_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    tables, options, pieces = BAD[name]
    path = written(tmp_path, tables)
    monkeypatch.chdir(tmp_path)
    result = run(path, *options, "--parquet", "orders.parquet")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    for piece in pieces:
        assert piece in result.stderr
    if "Usage:" not in result.stderr:  # ours
        assert len(result.stderr.strip().splitlines()) == 1
        assert result.stderr.startswith("crankfront: ")
    assert [p.name for p in tmp_path.rglob("*")] == ["engine.toml"]


def test_a_missing_file_is_status_2(tmp_path: Path) -> None:
    result = run(tmp_path / "none.toml")
    assert result.exit_code == 2
    assert "none.toml" in result.stderr
    assert result.stdout == ""
