"""The command `query`, and the expressions that it takes.

References: pandas on the Parquet files alone, with masks written by hand; Python's own `eval`, row
by row, for the meaning of expressions; and the layouts of the trade, of which it is known what they
leave (see `tests/published/test_free_forces.py`).
"""

from __future__ import annotations

import json
import math
import shutil
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import Result
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evaluate import METRICS, InputError, evaluation_document, read_layout
from optimize.expressions import Kind, check, evaluate
from optimize.fronts import METADATA_KEY
from optimize.query import ask
from tests.optimize.catalogued_runs import (
    ENUMERATED,
    SEARCHED,
    change_column,
    crankfront,
    fronts_under,
    make_old,
    make_run,
    rewrite,
)

ISSUE = "crank_length_mm < 600 and second_order_couple_Nm == 0"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a directory with a searched and an enumerated run."""
    root = tmp_path_factory.mktemp("query")
    make_run("optimize", root / "night" / "first", **SEARCHED)
    make_run("enumerate", root / "exact", **ENUMERATED)
    return root


@pytest.fixture
def mine(made: Path, tmp_path: Path) -> Path:
    """Return a copy to change."""
    shutil.copytree(made, tmp_path / "runs")
    return tmp_path / "runs"


def found(root: Path, expression: str, *options: str) -> dict[str, Any]:
    """Return the JSON of a query that finds something."""
    result = crankfront("query", root, expression, "--json", *options)
    assert result.exit_code == 0, (result.stdout, result.stderr)
    document: dict[str, Any] = json.loads(result.stdout)
    assert document["schema"] == "crankfront.query/1"
    assert document["count"] == len(document["designs"])
    return document


def designs(rows: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """Return run and name of each design."""
    return [(row["run"], row["design"]) for row in rows]


def test_the_question_of_the_researcher(made: Path) -> None:
    # "All designs of any run with length under 600 mm and no second-order couple."
    document = found(made, ISSUE)
    everything = fronts_under(made)
    short = everything["crank_length_mm"] < 600
    # No couple: less than a hundredth of a newton metre, of engines that can make hundreds.
    none = everything["second_order_couple_Nm"] < 0.01
    assert sorted(designs(document["designs"])) == sorted(
        zip(everything[short & none]["run"], everything[short & none]["design"], strict=True)
    )
    assert 0 < document["count"] < len(everything)
    assert {"in-line 4"} <= {row["family"] for row in document["designs"]}
    assert document["runs"] == 2
    assert document["units"] == {"crank_length_mm": "mm", "second_order_couple_Nm": "N·m"}


def test_the_recipe_for_pandas(made: Path) -> None:
    # As the README gives it; only the directory is another.
    where = str(made)
    files = Path(where).rglob("front.parquet")
    fronts = pd.concat(pd.read_parquet(f).assign(run=str(f.parent)) for f in files)
    answer = fronts.query("crank_length_mm < 600 and second_order_couple_Nm < 1e-6")
    ours = found(made, ISSUE)
    assert len(answer) == ours["count"]
    assert sorted(answer["second_order_couple_Nm"]) == pytest.approx(
        sorted(row["second_order_couple_Nm"] for row in ours["designs"])
    )


MASKS = {
    "cylinders == 4": lambda f: f["cylinders"] == 4,
    "cylinders != 4": lambda f: f["cylinders"] != 4,
    "family in ['in-line 2', 'in-line 4']": lambda f: f["family"].isin(["in-line 2", "in-line 4"]),
    "pins == '' or shaft_count >= 1": lambda f: (f["pins"] == "") | (f["shaft_count"] >= 1),
    "not cylinders == 4": lambda f: f["cylinders"] != 4,
    "'2 forward' in shafts": lambda f: f["shafts"].str.contains("2 forward", regex=False),
    "'2 forward' not in shafts": lambda f: ~f["shafts"].str.contains("2 forward", regex=False),
    "50 < force_rms_N <= 3000": lambda f: (f["force_rms_N"] > 50) & (f["force_rms_N"] <= 3000),
    "force_rms_N / cylinders < 500": lambda f: f["force_rms_N"] / f["cylinders"] < 500,
    "(-force_rms_N) > -1000 and (parts - 10) * 2 < 40": lambda f: (
        (f["force_rms_N"] < 1000) & (2 * f["parts"] - 20 < 40)
    ),
    "run == 'exact'": lambda f: f["run"] == "exact",
    "study_seed == 11 and seed == 1": lambda f: (f["run"] == "night/first") & (f["seed"] == 1),
    "study >= 's'": lambda f: f["run"] == "night/first",
    "force_rms_N == force_rms_N": lambda f: f["force_rms_N"] >= 0,
    "True": lambda f: f["force_rms_N"] >= 0,
}


@pytest.mark.parametrize("expression", MASKS)
def test_expressions_find_what_a_mask_finds(expression: str, made: Path) -> None:
    everything = fronts_under(made)
    wanted = everything[MASKS[expression](everything)]
    assert len(wanted) > 0
    got = designs(found(made, expression)["designs"])
    assert got == list(zip(wanted["run"], wanted["design"], strict=True))


def test_every_design_says_where_it_comes_from(made: Path) -> None:
    for row in found(made, "True")["designs"]:
        assert list(row)[:7] == [
            *("run", "study", "study_seed", "design", "family", "seed", "generation")
        ]
        if row["run"] == "exact":
            assert (row["study"], row["study_seed"]) == ("every in-line four", 3)
            assert (row["seed"], row["generation"]) == (-1, 0)
            continue
        assert (row["study"], row["study_seed"]) == ("searched twice", 11)
        history = pd.read_parquet(made / "night" / "first" / "history.parquet")
        then = history[(history["family"] == row["family"]) & (history["seed"] == row["seed"])]
        assert row["generation"] in set(then["generation"])


def test_every_familys_own_front(made: Path) -> None:
    common, whole = found(made, "True"), found(made, "True", "--all-fronts")
    everything = fronts_under(made, "family_fronts.parquet")
    assert whole["count"] == len(everything) > common["count"]
    dominated = found(made, "not on_front", "--all-fronts", "--columns", "dominated_by")
    wanted = everything[~everything["on_front"]]
    assert [row["dominated_by"] for row in dominated["designs"]] == list(wanted["dominated_by"])


def test_columns_sort_and_most(made: Path) -> None:
    options = ("--columns", "shafts, throw_angles_deg", "--sort", "exhaust_spacing_min_deg")
    rows = found(made, "cylinders == 4", *options, "--most", "5")["designs"]
    everything = fronts_under(made)
    best = everything[everything["cylinders"] == 4]["exhaust_spacing_min_deg"].nlargest(5)
    assert [row["exhaust_spacing_min_deg"] for row in rows] == list(best)  # more is better
    assert all(len(row["throw_angles_deg"]) in (2, 4) and row["shafts"] for row in rows)
    rows = found(made, "cylinders == 4", "--sort", "force_rms_N", "--most", "3")["designs"]
    least = everything[everything["cylinders"] == 4]["force_rms_N"].nsmallest(3)
    assert [row["force_rms_N"] for row in rows] == list(least)


def test_round_off_is_nothing_and_small_things_are_something(mine: Path) -> None:
    # The study's steps: 200 N and 20 N·m; a millionth of them is 2e-4 N and 2e-5 N·m. The metric
    # of the second-order couple is no objective there: 5e-6 N·m, a millionth of its usual step.
    path = mine / "night" / "first" / "front.parquet"
    n = len(pq.read_table(path))
    values = [0.0, -0.0, 1.6e-13, 4.9e-6, 5.1e-6, 1e-3] + [1.0] * (n - 6)
    change_column(path, "second_order_couple_Nm", values)
    forces = [1.9e-4, 2.1e-4] + [1000.0] * (n - 2)
    change_column(path, "force_rms_N", forces)
    here = "run == 'night/first' and "
    assert found(mine, f"{here}second_order_couple_Nm == 0")["count"] == 4
    assert found(mine, f"{here}second_order_couple_Nm > 0")["count"] == n - 4
    assert found(mine, f"{here}force_rms_N == 0")["count"] == 1
    assert found(mine, f"{here}force_rms_N < 1000")["count"] == 2
    # What is shown and written is what stands there.
    rows = found(mine, f"{here}second_order_couple_Nm == 0")["designs"]
    assert [row["second_order_couple_Nm"] for row in rows] == values[:4]


def test_numbers_that_agree_to_nine_digits_are_equal(mine: Path) -> None:
    path = mine / "night" / "first" / "front.parquet"
    n = len(pq.read_table(path))
    values = [90.0, 90 * (1 + 5e-10), 90 * (1 - 5e-10), 90 * (1 + 2e-9), 90 * (1 - 2e-9)]
    change_column(path, "bank_angle_deg", values + [50.0] * (n - 5))
    here = "run == 'night/first' and "
    assert found(mine, f"{here}bank_angle_deg == 90")["count"] == 3
    assert found(mine, f"{here}bank_angle_deg > 90")["count"] == 1
    assert found(mine, f"{here}bank_angle_deg >= 90")["count"] == 4
    assert found(mine, f"{here}50 < bank_angle_deg < 90")["count"] == 1
    assert found(mine, f"{here}bank_angle_deg in [45 * 2, 51]")["count"] == 3


def test_values_that_are_missing_are_like_nothing(mine: Path) -> None:
    path = mine / "night" / "first" / "front.parquet"
    n = len(pq.read_table(path))
    change_column(path, "force_rms_N", [math.nan, None] + [1.0] * (n - 2))
    here = "run == 'night/first' and "
    assert found(mine, f"{here}force_rms_N < 1e9")["count"] == n - 2
    assert found(mine, f"{here}force_rms_N != 1")["count"] == 2
    rows = found(mine, f"{here}force_rms_N != 1", "--sort", "force_rms_N")["designs"]
    assert [row["force_rms_N"] for row in rows] == [None, None]


def test_metrics_that_a_front_lacks_come_from_its_designs(mine: Path) -> None:
    before = found(mine, ISSUE)
    make_old(mine / "night" / "first")
    after = found(mine, ISSUE)
    assert designs(after["designs"]) == designs(before["designs"])
    for row, known in zip(after["designs"], before["designs"], strict=True):
        if row["run"] == "night/first":
            assert row["seed"] is None  # older fronts do not say
        assert row["second_order_couple_Nm"] == pytest.approx(
            known["second_order_couple_Nm"], rel=1e-9, abs=1e-9
        )
    assert [r["run"] for r in after["remarks"]] == ["night/first"]
    assert "second_order_couple_Nm computed" in after["remarks"][0]["remark"]


def test_runs_that_cannot_be_asked_are_named(mine: Path) -> None:
    wanted = len(fronts_under(mine / "exact"))
    make_old(mine / "night" / "first")
    document = found(mine, "seed < 5")
    assert document["count"] == wanted
    assert document["left_out"] == [
        {"run": "night/first", "reason": "front.parquet: no column seed"}
    ]
    # Designs that evaluate to another force by now cannot be extended either.
    path = mine / "night" / "first" / "front.parquet"
    force = pq.read_table(path)["force_rms_N"].to_pylist()
    change_column(path, "force_rms_N", [force[0] + 1.0, *force[1:]])
    (left,) = found(mine, "second_order_force_N >= 0")["left_out"]
    assert left["run"] == "night/first"
    assert "whose force_rms_N is another by now" in left["reason"]
    path.write_bytes(path.read_bytes()[:100])
    (left,) = found(mine, "parts > 0")["left_out"]
    assert left["run"] == "night/first"
    assert found(mine, "parts > 0")["runs"] == 1


def test_a_run_under_way_shows_its_front_so_far(mine: Path) -> None:
    folder = mine / "night" / "first"
    (folder / "front.parquet").rename(folder / "front_so_far.parquet")
    (folder / "family_fronts.parquet").unlink()
    document = found(mine, "run == 'night/first'")
    assert document["count"] > 0
    assert document["remarks"] == [
        {"run": "night/first", "remark": "not finished, its front so far"}
    ]


def test_columns_of_another_kind_leave_a_run_out(mine: Path) -> None:
    path = mine / "night" / "first" / "front.parquet"
    n = len(pq.read_table(path))
    change_column(path, "parts", ["many"] * n)
    (left,) = found(mine, "parts > 0")["left_out"]
    assert left["run"] == "night/first"
    (left,) = found(mine, "cylinders > 0", "--columns", "parts")["left_out"]
    assert left["run"] == "night/first"


def test_parquet_has_all_columns_of_what_was_found(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "found.parquet"
    result = crankfront("query", made, "cylinders == 4", "--parquet", out)
    assert result.exit_code == 0, result.stderr
    table, everything = pd.read_parquet(out), fronts_under(made)
    wanted = everything[everything["cylinders"] == 4].reset_index(drop=True)
    assert set(table.columns) == {*wanted.columns, "study", "study_seed"}
    for name in wanted.columns:
        got = [list(v) if isinstance(v, np.ndarray) else v for v in table[name]]
        assert got == [list(v) if isinstance(v, np.ndarray) else v for v in wanted[name]], name
    known = json.loads(pq.read_schema(out).metadata[METADATA_KEY])
    assert known["expression"] == "cylinders == 4"
    assert known["units"]["force_rms_N"] == "N"


def test_layout_files_of_what_was_found(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "layouts"
    options = ("--layouts", str(out), "--sort", "force_rms_N", "--most", "4")
    rows = found(made, "cylinders == 4", *options)["designs"]
    names = {f"{row['run'].replace('/', '-')}-{row['design']}.toml": row for row in rows}
    assert {path.name for path in out.iterdir()} == set(names)
    for name, row in names.items():
        document = evaluation_document(read_layout(out / name))
        assert document["metrics"]["force_rms_N"] == pytest.approx(
            row["force_rms_N"], rel=1e-9, abs=1e-6
        )


def test_names_of_layout_files_do_not_meet(mine: Path, tmp_path: Path) -> None:
    shutil.copytree(mine / "exact", mine / "exact-a" / "b")
    shutil.copytree(mine / "exact", mine / "exact-a-b")
    shutil.copytree(mine / "exact-a-b", mine / "exact" / "a-b")
    document = found(mine, "design == 'D1'", "--layouts", str(tmp_path / "out"))
    assert document["count"] == 5
    assert len(list((tmp_path / "out").iterdir())) == 5


def test_nothing_like_that_is_status_1(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "layouts"
    result = crankfront("query", made, "force_rms_N < 0", "--layouts", out)
    assert result.exit_code == 1
    assert "No design of 2 runs is like that." in result.stdout
    assert not out.exists()
    result = crankfront("query", made, "force_rms_N < 0", "--json")
    assert (result.exit_code, json.loads(result.stdout)["designs"]) == (1, [])
    (tmp_path / "empty").mkdir()
    assert crankfront("query", tmp_path / "empty", "parts < 1").exit_code == 1


def refused(root: Path, expression: str, *options: str) -> str:
    """Return the message with which a query is refused."""
    result: Result = crankfront("query", root, expression, *options)
    assert (result.exit_code, result.stdout) == (2, "")
    return str(result.stderr)


REFUSED = {
    "crank_lenght_mm < 3": "'crank_length_mm'?",
    "second_order_couple < 3": "Did you mean 'second_order_couple_Nm'?",
    "throw_angles_deg == 0": "'throw_angles_deg'; allowed: columns of single values",
    "family == in-line": "invalid syntax at 'in-line'",
    "family == 4": "a text there",
    "parts == 'ten'": "a number there",
    "parts": "no comparison",
    "parts < 3 and cylinders": "a comparison there",
    "parts < ": "invalid syntax",
    "": "invalid syntax",
    "parts = 3": "invalid syntax",
    "parts < 3 & cylinders > 2": "allowed: and, or",
    "parts is 3": "allowed: == or !=",
    "parts in []": "an empty list",
    "__import__('os').system('true')": "got ",
    "parts.__class__ == 3": "got 'parts.__class__'",
    "abs(parts) < 3": "got 'abs(parts)'",
    "[x for x in (1,)][0] < parts": "got ",
    "(lambda: parts)() < 3": "got ",
    "parts if parts < 3 else parts": "got ",
    "(p := parts) < 3": "got ",
    "f'{parts}' == '3'": "got ",
    "@parts < 3": "invalid syntax",
    "parts < 1j": "got '1j'",
    "parts < 1e999": "got ",
    "parts < None": "got 'None'",
    "parts < ...": "got '...'",
    "parts[0] < 3": "got 'parts[0]'",
    "not " * 100 + "parts < 3": "too deep",
    "(" * 300 + "parts" + ")" * 300 + " < 3": "EXPRESSION",
    "1 < parts " + "and 1 < parts " * 400: "characters",
    "parts < 3\0": "EXPRESSION",
}


@pytest.mark.parametrize("expression", REFUSED, ids=lambda text: text[:30])
def test_what_is_no_comparison_of_columns_is_refused(expression: str, made: Path) -> None:
    message = refused(made, expression)
    assert message.startswith("crankfront: EXPRESSION: got ")
    assert REFUSED[expression] in message
    assert message.count("\n") == 1


def test_other_bad_input(made: Path, tmp_path: Path) -> None:
    assert "Did you mean 'force_rms_N'?" in refused(made, "parts > 0", "--sort", "force_rms")
    assert "--columns: got 'shaft'" in refused(made, "parts > 0", "--columns", "pins,shaft")
    assert "--sort: got 'collectors'" in refused(made, "parts > 0", "--sort", "collectors")
    assert "--parquet" in refused(
        made, "parts > 0", "--parquet", str(tmp_path / "no" / "a.parquet")
    )
    assert "--parquet" in refused(made, "parts > 0", "--parquet", str(tmp_path / "a.txt"))
    assert "DIR: got" in refused(tmp_path / "none", "parts > 0")
    (tmp_path / "file").write_text("")
    message = refused(made, "parts > 0", "--layouts", str(tmp_path / "file" / "x"))
    assert "--layouts" in message
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("columns", [80, 140])
def test_the_table_fits_the_terminal(
    columns: int, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setattr("rich.console.Console.is_terminal", True)
    result = crankfront("query", made, ISSUE, "--columns", "shafts,firing_order,throw_angles")
    shown = " ".join(result.stdout.split())
    for row in found(made, ISSUE)["designs"][:5]:
        assert row["run"] in shown
        assert row["design"] in shown
        assert f"{row['crank_length_mm']:.6g}" in shown
    assert "e-1" not in shown, "remainders are shown as 0"


# --- Expressions, against Python ------------------------------------------------------------------

COLUMNS = {"a": [0, 1, 2, 3, -2], "b": [3, 1, -1, 0, 2]}
KINDS: dict[str, Kind] = {"a": "number", "b": "number"}

numbers = st.deferred(
    lambda: (
        st.sampled_from(["a", "b"])
        | st.integers(0, 4).map(str)
        | st.tuples(numbers, st.sampled_from(["+", "-", "*"]), numbers).map(
            lambda parts: f"({' '.join(parts)})"
        )
        | numbers.map(lambda part: f"(-{part})")
    )
)
comparisons = st.one_of(
    st.tuples(numbers, st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), numbers).map(" ".join),
    st.tuples(numbers, numbers, numbers).map(lambda p: f"{p[0]} <= {p[1]} < {p[2]}"),
    st.tuples(numbers, st.lists(numbers, min_size=1, max_size=3)).map(
        lambda p: f"{p[0]} in [{', '.join(p[1])}]"
    ),
    st.tuples(numbers, st.lists(numbers, min_size=1, max_size=3)).map(
        lambda p: f"{p[0]} not in [{', '.join(p[1])}]"
    ),
)
truths = st.deferred(
    lambda: (
        comparisons
        | st.tuples(truths, st.sampled_from(["and", "or"]), truths).map(
            lambda parts: f"({' '.join(parts)})"
        )
        | truths.map(lambda part: f"(not {part})")
    )
)


@settings(max_examples=300, deadline=None)
@given(truths)
def test_expressions_mean_what_they_mean_in_python(text: str) -> None:
    # Whole numbers, so that no two are nearly equal.
    try:
        expression = check(text, KINDS)
    except InputError as error:
        assume("too deep" not in str(error) and "characters" not in str(error))
        raise
    got = evaluate(expression, {k: np.array(v, float) for k, v in COLUMNS.items()}, 5)
    rows = [dict(zip(COLUMNS, row, strict=True)) for row in zip(*COLUMNS.values(), strict=True)]
    assert got.tolist() == [bool(eval(text, {"__builtins__": {}}, row)) for row in rows]


pieces = st.sampled_from(
    ["a", "b", "t", "<", "==", "(", ")", "[", "]", "and", "not", "in", "1", "'x'", ".", ",", "**"]
)


@settings(max_examples=500, deadline=None)
@given(st.text(max_size=40) | st.lists(pieces, max_size=12).map(" ".join))
def test_any_text_is_an_expression_or_one_message(text: str) -> None:
    kinds: dict[str, Kind] = {"a": "number", "b": "number", "t": "text"}
    columns = {"a": np.array([1.0, np.nan]), "b": np.array([0.0, np.inf]), "t": np.array(["", "x"])}
    try:
        expression = check(text, kinds)
    except InputError:
        return
    assert evaluate(expression, columns, 2).shape == (2,)


def test_huge_powers_are_no_hang() -> None:
    expression = check("9 ** 9 ** 9 ** 9 > a", KINDS)
    assert evaluate(expression, {"a": np.array([1.0])}, 1).tolist() == [True]


def test_fronts_of_a_study_that_no_longer_reads_leave_the_run_out(mine: Path) -> None:
    # Metadata are all that recomputing needs; here they name a metric that there is not.
    make_old(mine / "night" / "first")
    path = mine / "night" / "first" / "front.parquet"
    table = pq.read_table(path)
    known = json.loads(table.schema.metadata[METADATA_KEY])
    known["study"] = known["study"].replace('"parts"', '"bolts"')
    rewrite(path, table, known)
    (left,) = found(mine, "second_order_force_N >= 0")["left_out"]
    assert "bolts" in left["reason"]


def test_two_hundred_runs_are_asked_in_some_seconds(made: Path, tmp_path: Path) -> None:
    # The bound is loose, for machines under load; about two seconds on two idle cores.
    for number in range(200):
        folder = tmp_path / "runs" / f"run-{number}"
        folder.mkdir(parents=True)
        for name in ("front.parquet", "study.toml"):
            shutil.copy(made / "night" / "first" / name, folder / name)
    begun = time.perf_counter()
    _, answer = ask(tmp_path / "runs", ISSUE)
    assert answer.runs == 200
    assert time.perf_counter() - begun < 30


def test_metric_columns_hold_numbers(made: Path) -> None:
    schema = pq.read_schema(made / "exact" / "front.parquet")
    for key in METRICS:
        assert pa.types.is_floating(schema.field(key).type), key
