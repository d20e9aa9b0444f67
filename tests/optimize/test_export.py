"""The command `export`: any design of a run as a layout file that evaluates to the row's numbers.

The tolerance, 1e-9 of the value and of what cancels in it: lengths go through mm and back, speeds
through rpm, angles through decimal text. Each is a rounding of some 1e-16, and sums over cylinders
make a few times that; on the machine where this was written most rows came back to the bit. 1e-9
leaves room for another machine's sine, and is far below anything that is read off a number.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from evaluate import METRICS, evaluation_document, read_layout
from optimize.export import layout_text
from tests.optimize.catalogued_runs import (
    ENUMERATED,
    SEARCHED,
    change_column,
    crankfront,
    make_old,
    make_run,
)
from tests.optimize.small_studies import named_family, small_study

#: A pin path off the centre, other proportions, gas and torsion: all that a file must carry over.
RICH: dict[str, Any] = {
    **SEARCHED,
    "study": {"name": "rich", "seed": 5},
    "proportions": {"pin_path_offset_to_crank_radius": 0.1, "stagger_to_bore": 0.1},
    "combustion": {"mean_effective_pressure_bar": 9.0},
    "exhaust": {"collectors": "best of 2"},
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a directory with runs of three kinds."""
    root = tmp_path_factory.mktemp("export")
    make_run("optimize", root / "searched", **SEARCHED)
    make_run("optimize", root / "rich", **{**RICH, "search": {"evaluations": 600}})
    make_run("enumerate", root / "enumerated", **ENUMERATED)
    return root


def scales(rows: pd.DataFrame) -> dict[str, float]:
    """Return by metric what its remainders may be a share of: the most of its unit in a run."""
    by_unit: dict[str, float] = {}
    for key, metric in METRICS.items():
        most = float(np.nanmax(np.abs(rows[key].to_numpy(float)), initial=0.0))
        by_unit[metric.unit] = max(by_unit.get(metric.unit, 1.0), most)
    return {key: by_unit[metric.unit] for key, metric in METRICS.items()}


@pytest.mark.parametrize("run", ["searched", "rich", "enumerated"])
def test_every_row_evaluates_to_its_own_numbers(run: str, made: Path, tmp_path: Path) -> None:
    rows = pd.read_parquet(made / run / "family_fronts.parquet")
    common = pd.read_parquet(made / run / "front.parquet")
    assert set(common["design"]) <= set(rows["design"])  # so the common front is among them
    allowed = {key: 1e-9 * scale for key, scale in scales(rows).items()}
    chosen = rows if len(rows) <= 60 else rows.sample(60, random_state=1)
    assert set(chosen["family"]) == set(rows["family"])
    path = tmp_path / "design.toml"
    for _, row in chosen.iterrows():
        result = crankfront("export", made / run, row["design"], "--out", path)
        assert result.exit_code == 0, result.stderr
        document = evaluation_document(read_layout(path))
        assert document["assumed"] == [], "the file says everything"
        for key in METRICS:
            assert document["metrics"][key] == pytest.approx(
                row[key], rel=1e-9, abs=allowed[key], nan_ok=True
            ), (row["design"], key)


def test_the_commands_fit_together(made: Path, tmp_path: Path) -> None:
    row = pd.read_parquet(made / "searched" / "front.parquet").iloc[0]
    path = tmp_path / "d.toml"
    assert crankfront("export", made / "searched", "D1", "--out", path).exit_code == 0
    result = crankfront("evaluate", path, "--json")
    assert result.exit_code == 0
    metrics = json.loads(result.stdout)["metrics"]
    assert metrics["parts"] == row["parts"]
    assert metrics["box_litres"] == pytest.approx(row["box_litres"], rel=1e-9)


def test_the_heading_traces_a_design(made: Path) -> None:
    history = pd.read_parquet(made / "searched" / "history.parquet")
    for _, row in pd.read_parquet(made / "searched" / "front.parquet").head(20).iterrows():
        first = crankfront("export", made / "searched", row["design"]).stdout.splitlines()[0]
        assert first == (
            f"# {row['design']} {row['family']}: design {row['design']} of the study "
            f"'searched twice' (seed 11), family {row['family']}, found by repetition "
            f"{row['seed']} in generation {row['generation']}."
        )
        then = history[(history["family"] == row["family"]) & (history["seed"] == row["seed"])]
        assert row["generation"] in set(then["generation"])
    row = pd.read_parquet(made / "enumerated" / "front.parquet").iloc[0]
    first = crankfront("export", made / "enumerated", "D1").stdout.splitlines()[0]
    assert first.endswith(f"'every in-line four' (seed 3), family {row['family']}.")


def test_the_heading_of_an_older_front_says_what_it_knows() -> None:
    study = small_study()
    row = _row_of(study)
    text = layout_text(row, named_family(study, "in-line 4"), study, name="a")
    assert text.startswith("# a: design D1 of the study 'small' (seed 1), family in-line 4, found ")
    assert "by repetition" not in text.splitlines()[0]
    assert "in generation 3" in text.splitlines()[0]


def _row_of(study: Any) -> pd.Series:
    from optimize.fronts import front_tables
    from tests.optimize.small_studies import family_fronts

    row = front_tables(study, family_fronts(study, ["in-line 4"], population=8, generations=1))[0]
    return row.drop(columns=["seed", "seeds_found"]).assign(generation=3).iloc[0]


def test_without_out_the_file_is_printed(made: Path, tmp_path: Path) -> None:
    printed = crankfront("export", made / "searched", "D2").stdout
    crankfront("export", made / "searched", "D2", "--out", tmp_path / "d2.toml")
    assert (tmp_path / "d2.toml").read_text("utf-8") == printed
    assert tomllib.loads(printed)["name"].startswith("D2 ")


def test_designs_off_the_common_front(made: Path) -> None:
    rows = pd.read_parquet(made / "searched" / "family_fronts.parquet")
    name = rows[~rows["on_front"]]["design"].iloc[0]
    both = crankfront("export", made / "searched", name)
    assert both.exit_code == 0
    assert (
        crankfront("export", made / "searched", name, "--front", "families").stdout == both.stdout
    )
    result = crankfront("export", made / "searched", name, "--front", "common")
    assert result.exit_code == 2
    assert f"DESIGN: got '{name}'" in result.stderr


def test_the_study_as_it_was_run_counts_not_the_file_beside_it(made: Path, tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(made / "searched", run)
    before = crankfront("export", run, "D1").stdout
    text = (run / "study.toml").read_text("utf-8")
    (run / "study.toml").write_text(text.replace("1600.0", "3200.0"), "utf-8")
    assert crankfront("export", run, "D1").stdout == before
    (run / "study.toml").unlink()
    assert crankfront("export", run, "D1").stdout == before
    make_old_from = tmp_path / "old"
    shutil.copytree(made / "searched", make_old_from)
    make_old(make_old_from)
    older = crankfront("export", make_old_from, "D1").stdout
    assert older.splitlines()[1:] == before.splitlines()[1:]


def test_bad_input_is_one_message_and_nothing_is_written(made: Path, tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(made / "searched", run)

    def refused(*arguments: str | Path) -> str:
        result = crankfront("export", *arguments)
        assert (result.exit_code, result.stdout) == (2, "")
        assert result.stderr.count("\n") == 1
        return str(result.stderr)

    assert "DESIGN: got 'D0'; allowed: a design of front.parquet" in refused(run, "D0")
    assert "no directory" in refused(tmp_path / "none", "D1")
    assert "without front.parquet" in refused(tmp_path, "D1")
    assert "--out" in refused(run, "D1", "--out", tmp_path / "d1.txt")
    assert "--out" in refused(run, "D1", "--out", tmp_path / "no" / "d1.toml")
    path = run / "front.parquet"
    families = pd.read_parquet(path)["family"].tolist()
    change_column(path, "family", ["V99", *families[1:]])
    assert "family of D1: got 'V99'" in refused(run, "D1")
    change_column(path, "family", families)
    change_column(path, "shafts", [None] * len(families))
    assert "a row without its throws" in refused(run, "D1")
    path.write_bytes(path.read_bytes()[:50])
    assert "front.parquet" in refused(run, "D1")
    assert sorted(item.name for item in tmp_path.iterdir()) == ["run"]
