"""Objectives of built engines, and what a run says of them.

References: the layout files that a run leaves, evaluated by the command as a reader would; twins
written by plain Python (`twins.py`); numpy's quantiles; and what must not change.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from evaluate import InputError, layout_from_tables
from evaluate.metrics import METRICS
from evaluate.tolerances import spread
from optimize.archive import rounded_boxes
from optimize.canonical import canonical_twins
from optimize.cli import main
from optimize.exact.equals import equals_of_design
from optimize.exact.space import why_not_exact
from optimize.exact.verification import verify_run
from optimize.export import layout_tables
from optimize.families import all_families
from optimize.fronts import family_of_row, read_front
from optimize.genome import Designs
from optimize.pictures.fronts import force_evenness, plane_view
from optimize.problem import Island
from optimize.robust import HIGH, KEPT, LOW, interval_columns, objective_cell
from optimize.shortlist import shortlist
from optimize.study import Study, read_study
from optimize.summary import shortlist_rows
from tests.optimize.exact_runs import rewrite, searched_run
from tests.optimize.small_studies import named_family, small_study, study_tables, write_study
from tests.optimize.twins import plain_designs

STATED: dict[str, Any] = {
    "throw_angle_deg": 0.4,
    "reciprocating_mass_percent": 1.5,
    "counterweight_percent": 2.0,
    "shaft_unbalance_percent": 2.0,
    "samples": 120,
}
KEEPS = [
    {"metric": "force_rms_N", "resolution": 100.0, "kept_by": 0.95},
    {"metric": "couple_rms_Nm", "resolution": 10.0},
    {"metric": "exhaust_spacing_min_deg", "resolution": 5.0, "kept_by": 0.9},  # more is better
    {"metric": "parts", "resolution": 1.0},
]
SPACE: dict[str, Any] = {
    "space": {
        "cylinders": [3],
        "arrangements": ["in-line", "v"],
        "pins": ["own-web"],
        "bank_angle_deg": [60.0],
        "throw_angle_step_deg": 60.0,
        "reciprocating_fraction": [0.5],
        "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
    },
    "constraints": {"largest_interval_factor": 2.0},
    "search": {"population": 40, "evaluations": 1200},
}
ROBUST = SPACE | {"tolerances": STATED, "objectives": KEEPS}
SHOWN = SPACE | {
    "tolerances": STATED,
    "objectives": [{k: v for k, v in o.items() if k != "kept_by"} for o in KEEPS],
}


@pytest.fixture(scope="module")
def robust(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the run of a search for built engines."""
    return searched_run(tmp_path_factory.mktemp("robust") / "run", **ROBUST)


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the run of a search for drawn engines that shows built ones."""
    return searched_run(tmp_path_factory.mktemp("shown") / "run", **SHOWN)


def crankfront(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


# --- What a front says ----------------------------------------------------------------------------


def test_a_front_has_intervals_and_kept_values_of_its_objectives(robust: Path) -> None:
    front = read_front(robust / "front.parquet")
    assert len(front) > 3
    for key in ("force_rms_N", "couple_rms_Nm", "exhaust_spacing_min_deg"):
        assert (front[key + LOW] <= front[key + HIGH]).all()
    assert (front["force_rms_N" + LOW] < front["force_rms_N" + HIGH]).all()
    assert "parts" + LOW not in front.columns
    # 0.95 of the engines keep the upper end of their interval; 0.9 keep less of a spacing.
    assert (front["force_rms_N" + KEPT] == front["force_rms_N" + HIGH]).all()
    assert (front["exhaust_spacing_min_deg" + KEPT] >= front["exhaust_spacing_min_deg" + LOW]).all()
    assert "couple_rms_Nm" + KEPT not in front.columns
    for key, step, sign in (("force_rms_N", 100.0, 1.0), ("exhaust_spacing_min_deg", 5.0, -1.0)):
        kept = front[key + KEPT].to_numpy()[:, np.newaxis] * sign
        boxes = rounded_boxes(kept, np.array([step]))[:, 0]
        assert (front[f"{key}_rounded"].to_numpy() == boxes * step * sign).all()
    said = front.attrs["tolerances"]
    assert said["throw_angle_deg"] == 0.4
    assert said["samples"] == 120
    assert said["kept_by"] == {"force_rms_N": 0.95, "exhaust_spacing_min_deg": 0.9}
    assert set(said["columns"]) == {"<metric>_p05", "<metric>_p95", "<metric>_kept"}


def test_tolerances_without_kept_by_change_nothing_but_columns(shown: Path, tmp_path: Path) -> None:
    without = {name: table for name, table in SHOWN.items() if name != "tolerances"}
    plain = read_front(searched_run(tmp_path / "run", **without) / "family_fronts.parquet")
    more = read_front(shown / "family_fronts.parquet")
    added = [name for name in more.columns if name not in plain.columns]
    objectives = ("force_rms_N", "couple_rms_Nm", "exhaust_spacing_min_deg")
    assert added == [key + end for key in objectives for end in (LOW, HIGH)]
    pd.testing.assert_frame_equal(more.drop(columns=added), plain)
    assert "tolerances" not in plain.attrs


@pytest.mark.parametrize("which", ["robust", "shown"])
def test_any_row_evaluates_as_a_layout_file_to_the_same_numbers(
    which: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    folder: Path = request.getfixturevalue(which)
    study = read_study(folder / "study.toml")
    families = all_families(study)[0]
    rows = read_front(folder / "family_fronts.parquet")
    for _, row in rows.iloc[:: max(1, len(rows) // 8)].iterrows():
        family = family_of_row(row, families)
        layout = layout_from_tables(layout_tables(row, family, study, name="x"))
        assert layout.tolerances == study.tolerances
        columns = interval_columns(study, layout.engine, layout.batch)
        for name, values in columns.items():
            assert values[0] == pytest.approx(row[name], rel=1e-9, abs=1e-6), name
    # And as a reader would: the shortlist's files through the command.
    for path in sorted((folder / "shortlist").glob("*.toml")):
        code, output = crankfront("evaluate", path, "--json")
        assert code == 0
        built = json.loads(output)["tolerances"]["metrics"]["force_rms_N"]
        row = rows[rows["design"] == path.stem.split("-")[0]].iloc[0]
        assert built["p95"] == pytest.approx(row["force_rms_N" + HIGH], rel=1e-9)
        assert built["p05"] == pytest.approx(row["force_rms_N" + LOW], rel=1e-9)


# --- Twins ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "cylinders", "even"),
    [
        ("in-line 5", 5, False),
        ("in-line 5", 5, True),
        ("V3 own-web", 3, False),
        ("V3 own-web", 3, True),
        ("V6 split", 6, False),
        ("V6 split", 6, True),
        ("V4 shared", 4, False),
    ],
)
def test_twins_score_alike_whichever_is_met(name: str, cylinders: int, even: bool) -> None:
    tables = ROBUST | {
        "space": ROBUST["space"]
        | {
            "cylinders": [cylinders],
            "pins": ["shared", "split", "own-web"],
            "throw_angle_step_deg": 30.0,
            "bank_angle_deg": [60.0, 90.0],
        },
        "constraints": {"even_firing": even, "largest_interval_factor": None},
    }
    tables["constraints"] = {k: v for k, v in tables["constraints"].items() if v is not None}
    study = small_study(**tables)
    island = Island(study, named_family(study, name))
    genomes = np.random.default_rng(4).random((60, island.genome.n_genes))
    designs = island.genome.decode(genomes)
    assert len(island.ways) > 1
    values = island.judge(designs)[0]
    twins = canonical_twins(designs, island.ways, cycle_deg=study.cycle_deg)
    moved = np.zeros(60, bool)
    for part in ("pin_angles_deg", "firing_bits"):
        before, after = (getattr(some.batch, part) for some in (designs, twins))
        moved |= (before != after).any(axis=1)
    assert moved.sum() > 10  # else nothing is tested
    np.testing.assert_allclose(island.judge(twins)[0], values, rtol=1e-9, atol=1e-6)
    # By plain Python: designs of one name have one score.
    known: dict[object, np.ndarray] = {}
    both = [(designs, values), (twins, island.judge(twins)[0])]
    for some, scores in both:
        for design, score in zip(
            plain_designs(island.family.engine, some.batch), scores, strict=True
        ):
            first = known.setdefault(design.name(), score)
            np.testing.assert_allclose(score, first, rtol=1e-9, atol=1e-6)


def test_population_and_order_do_not_matter() -> None:
    study = small_study(**ROBUST)
    island = Island(study, named_family(study, "V3 own-web"))
    genomes = np.random.default_rng(5).random((50, island.genome.n_genes))
    whole = island.score(genomes)[0]
    mixed = np.random.default_rng(6).permutation(50)
    assert np.array_equal(island.score(genomes[mixed])[0], whole[mixed])
    assert np.array_equal(island.score(genomes[7:8])[0], whole[7:8])


def test_a_kept_objective_is_the_quantile_of_the_built_engines() -> None:
    study = small_study(**ROBUST)
    island = Island(study, named_family(study, "in-line 3"))
    designs: Designs = island.genome.decode(
        np.random.default_rng(7).random((5, island.genome.n_genes))
    )
    values, _ = island.judge(designs)
    assert study.tolerances is not None
    found = spread(
        island.family.engine, designs.batch, study.tolerances, ["force_rms_N", "couple_rms_Nm"]
    )
    assert np.array_equal(values[:, 0], found.high[:, 0])
    drawn = METRICS["couple_rms_Nm"].compute
    from evaluate.metrics import Evaluation

    assert np.array_equal(values[:, 1], drawn(Evaluation(island.family.engine, designs.batch)))
    assert (values[:, 2] < 0).all()  # negated, since more is better


# --- Exact fronts, verify, equals -----------------------------------------------------------------


def test_quantiles_are_not_enumerated_and_the_reason_is_said(tmp_path: Path) -> None:
    study = small_study(**ROBUST)
    for family in all_families(study)[0]:
        assert "kept_by is a quantile of built engines" in str(why_not_exact(study, family))
    assert (
        why_not_exact(small_study(**SHOWN), named_family(small_study(**SHOWN), "in-line 3")) is None
    )
    path = write_study(tmp_path, **ROBUST)
    code, output = crankfront("enumerate", path, "--out", tmp_path / "run", "--workers", "1")
    assert code == 2
    assert "kept_by" in output


def test_equals_and_gap_of_built_engines_are_refused(robust: Path) -> None:
    with pytest.raises(InputError, match="kept_by"):
        equals_of_design(robust, "D1", most=5)
    code, output = crankfront("gap", robust)
    assert code == 2
    assert "kept_by" in output


def test_an_enumeration_shows_built_engines_and_verifies(tmp_path: Path) -> None:
    path = write_study(tmp_path, **SHOWN)
    options = ("--out", tmp_path / "run", "--workers", "1", "--no-pictures")
    code, output = crankfront("enumerate", path, *options)
    assert code == 0, output
    front = read_front(tmp_path / "run" / "front.parquet")
    assert (front["force_rms_N" + LOW] < front["force_rms_N" + HIGH]).all()
    assert verify_run(tmp_path / "run", sample=200).holds


@pytest.mark.parametrize("which", ["robust", "shown"])
def test_a_true_run_verifies(which: str, request: pytest.FixtureRequest) -> None:
    found = verify_run(request.getfixturevalue(which), sample=0)
    assert found.holds, [check for check in found.checks if not check.holds]


@pytest.mark.parametrize(
    ("column", "said"),
    [
        ("force_rms_N_kept", "force_rms_N_kept is"),
        ("couple_rms_Nm_p95", "couple_rms_Nm_p95 is"),
        ("exhaust_spacing_min_deg_p05", "exhaust_spacing_min_deg_p05 is"),
        ("force_rms_N_rounded", "rounded objectives are"),
    ],
)
def test_a_changed_number_is_found(column: str, said: str, robust: Path, tmp_path: Path) -> None:
    shutil.copytree(robust, tmp_path / "run")

    def spoil(table: pd.DataFrame) -> pd.DataFrame:
        shift = 100.0 if column.endswith("_rounded") else 0.01 * abs(table[column]) + 0.01
        return table.assign(**{column: table[column] + shift})

    rewrite(tmp_path / "run", spoil)
    failing = {
        c.check: c.detail for c in verify_run(tmp_path / "run", sample=0).checks if not c.holds
    }
    assert "scores" in failing
    assert said in failing["scores"]


def test_a_missing_interval_is_found(shown: Path, tmp_path: Path) -> None:
    shutil.copytree(shown, tmp_path / "run")
    rewrite(tmp_path / "run", lambda table: table.drop(columns=["force_rms_N_p95"]))
    failing = {
        c.check: c.detail for c in verify_run(tmp_path / "run", sample=0).checks if not c.holds
    }
    assert "force_rms_N_p95 is missing" in failing["scores"]


# --- Study files ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tables", "where", "said"),
    [
        ({"objectives": KEEPS}, "objectives[0].kept_by", "without a table [tolerances]"),
        ({"tolerances": {"throw_angel_deg": 1}}, "tolerances.throw_angel_deg", "throw_angle_deg"),
        (
            {"tolerances": STATED, "objectives": [{"metric": "parts", "kept_by": 0.9}]},
            "objectives[0].kept_by",
            "a metric that tolerances move",
        ),
        (
            {"tolerances": STATED, "objectives": [{"metric": "force_rms_N", "kept_by": 0.97}]},
            "objectives[0].kept_by",
            "at most 0.958333",
        ),
        (
            {"tolerances": STATED, "objectives": [{"metric": "force_rms_N", "kept_by": 1.0}]},
            "objectives[0].kept_by",
            "< 1.0",
        ),
        (
            {"tolerances": STATED, "objectives": [{"metric": "force_rms_N", "kept_by": 0.05}]},
            "objectives[0].kept_by",
            ">= 0.5",
        ),
        ({"tolerances": {"samples": 10**9}}, "tolerances.samples", "<= 10000"),
    ],
)
def test_what_cannot_be_asked_is_refused(tables: dict[str, Any], where: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        small_study(**tables)
    assert str(caught.value).startswith(where)
    assert said in str(caught.value)


def test_tables_are_declared_alike_in_study_and_layout() -> None:
    study = small_study(tolerances=STATED)
    layout = layout_from_tables(
        {
            "cylinder": {"stroke_mm": 80, "rod_length_mm": 130, "reciprocating_mass_kg": 0.4},
            "crank": {"throw_angles_deg": [0]},
            "tolerances": study_tables(tolerances=STATED)["tolerances"],
        }
    )
    assert layout.tolerances == study.tolerances


# --- Tables and pictures --------------------------------------------------------------------------


def test_the_shortlist_shows_intervals_and_says_how_to_read_them(robust: Path) -> None:
    study, front = read_study(robust / "study.toml"), read_front(robust / "front.parquet")
    picks = shortlist(front, study)
    heading, rows = shortlist_rows(front, picks, study)
    place = heading.index("residual force [N] kept by 0.95")
    row = front[front["design"] == picks[0].design].iloc[0]
    assert rows[0][place] == objective_cell(row, study.objectives[0])
    assert " to " in rows[0][place]
    assert rows[0][heading.index("parts index")] == f"{row['parts']:.0f}"
    text = (robust / "summary.md").read_text(encoding="utf-8")
    assert "nine of ten engines built lie between the two values" in text
    assert "throw angles ± 0.4 deg" in text


def test_cells_say_what_counts_first() -> None:
    row = pd.Series(
        {"force_rms_N": 12.0, "force_rms_N_p05": 30.0, "force_rms_N_p95": 150.0}
        | {"force_rms_N_kept": 140.0, "parts": 17.0}
    )
    study: Study = small_study(**ROBUST)
    force, _, _, parts = study.objectives
    assert objective_cell(row, force) == "140, drawn 12 (30 to 150)"
    assert objective_cell(row, replace(force, kept_by=None)) == "12 (30 to 150)"
    assert objective_cell(row, parts) == "17"


def test_bars_of_the_picture_are_the_intervals_of_the_table(robust: Path) -> None:
    front = read_front(robust / "front.parquet")
    view = plane_view(front, (), x="force_rms_N", y="exhaust_spacing_min_deg")
    known = front.set_index("design")
    drawn = 0
    for spot in view.spots:
        for bar, axis, key in (
            (spot.x_bar, view.x_axis, "force_rms_N"),
            (spot.y_bar, view.y_axis, "exhaust_spacing_min_deg"),
        ):
            rows = known.loc[list(spot.designs)]
            ends = (rows[key + LOW].min(), rows[key + HIGH].max())
            is_long = ends[1] - ends[0] > 0.015 * (axis.high - axis.low)
            assert bar == (pytest.approx(ends) if is_long else None)
            drawn += is_long
            assert axis.low <= ends[0] <= ends[1] <= axis.high
    assert drawn > 0
    assert "Thin bars" in view.note
    assert force_evenness(front, (), title="x") is not None
    without = front.drop(columns=[name for name in front.columns if name[-4:] in (LOW, HIGH)])
    bare = plane_view(without, (), x="force_rms_N", y="exhaust_spacing_min_deg")
    assert all(spot.x_bar is None and spot.y_bar is None for spot in bare.spots)
    assert "Thin bars" not in bare.note
