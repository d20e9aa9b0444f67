"""What a member of a front stands for: as many designs as were counted, all with its values.

Reference: the counts of the enumeration, which test_exact.py holds against brute force, and the
plain scoring of each listed design.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from optimize.archive import rounded_boxes
from optimize.canonical import canonical_keys
from optimize.cli import main
from optimize.exact.driver import enumerate_families
from optimize.exact.equals import equal_designs
from optimize.exact.space import Space
from optimize.fronts import read_front
from optimize.problem import Island
from tests.optimize.small_studies import metrics, named_family, small_study, write_study
from tests.optimize.test_brute_force import SPACES

KINDS = (
    "in-line 4 with shafts",
    "V4 split on 30 degrees",
    "V4 own-web, banks free",
    "mirror-symmetric in-line 4",  # scored one by one, for its internal couple
    "even V6 split",
)


@pytest.mark.parametrize("name", KINDS)
def test_every_member_is_listed_with_all_its_equals(name: str) -> None:
    study = small_study(**SPACES[name].tables)
    family = named_family(study, SPACES[name].family)
    front = enumerate_families(study, [family], None, workers=1)[family.name].front
    steps = np.array([o.resolution for o in study.objectives])
    for box, count in zip(front.boxes, front.equals, strict=True):
        designs, is_whole = equal_designs(study, family, box[np.newaxis], most=10_000)
        assert is_whole
        assert len(designs.batch) == count
        ways = Space(study, family).ways
        keys = canonical_keys(designs, ways, cycle_deg=study.cycle_deg)
        assert len(set(keys.tolist())) == count, "a design twice"
        objectives, violations = Island(study, family).judge(designs)
        assert (rounded_boxes(objectives, steps) == box).all()
        assert (violations <= 0).all()


def test_listing_stops_where_it_is_told_to() -> None:
    name = "in-line 4 with shafts"
    study = small_study(**SPACES[name].tables)
    family = named_family(study, SPACES[name].family)
    front = enumerate_families(study, [family], None, workers=1)[family.name].front
    largest = int(front.equals.argmax())
    assert front.equals[largest] > 1
    designs, is_whole = equal_designs(study, family, front.boxes[largest : largest + 1], most=1)
    assert len(designs.batch) == 1
    assert not is_whole


def test_command_lists_the_equals_of_a_run(tmp_path: Path) -> None:
    objectives = metrics(("force_rms_N", 400.0), ("couple_rms_Nm", 40.0))
    study = write_study(
        tmp_path,
        space={"cylinders": [4], "arrangements": ["in-line"], "throw_angle_step_deg": 90.0},
        objectives=objectives,
    )
    out = tmp_path / "run"
    runner = CliRunner()
    arguments = ["enumerate", str(study), "--out", str(out), "--workers", "1", "--no-pictures"]
    assert runner.invoke(main, arguments).exit_code == 0
    rows = read_front(out / "family_fronts.parquet")
    first = rows.iloc[0]
    table = tmp_path / "equals.parquet"
    arguments = ["equals", str(out), first["design"], "--json", "--parquet", str(table)]
    done = runner.invoke(main, arguments)
    assert done.exit_code == 0
    document = json.loads(done.stdout)
    assert document["is_whole"]
    assert document["count"] == len(document["designs"]) == first["equals"]
    assert len(read_front(table)) == first["equals"]
    printed = runner.invoke(main, ["equals", str(out), first["design"]])
    assert f"{first['equals']} designs; these are all." in printed.stdout
    wrong = runner.invoke(main, ["equals", str(out), "D999"])
    assert wrong.exit_code == 2
    assert "DESIGN" in wrong.stderr


def test_a_run_of_another_kind_is_not_gone_on_with(tmp_path: Path) -> None:
    # A search and an enumeration leave the same files, but neither can finish the other.
    study = write_study(
        tmp_path,
        space={"cylinders": [3], "arrangements": ["in-line"], "throw_angle_step_deg": 120.0},
        search={"population": 8, "evaluations": 64},
    )
    runner = CliRunner()
    options = ["--workers", "1", "--no-pictures"]
    for first, second in (("optimize", "enumerate"), ("enumerate", "optimize")):
        out = tmp_path / first
        assert runner.invoke(main, [first, str(study), "--out", str(out), *options]).exit_code == 0
        before = (out / "front.parquet").read_bytes()
        again = [second, str(study), "--out", str(out), "--resume", *options]
        refused = runner.invoke(main, again)
        assert refused.exit_code == 2
        assert "--resume" in refused.stderr
        assert (out / "front.parquet").read_bytes() == before


def test_equals_of_an_empty_front_are_refused(tmp_path: Path) -> None:
    study = write_study(
        tmp_path,
        space={"cylinders": [3], "arrangements": ["in-line"], "throw_angle_step_deg": 120.0},
        constraints={"force_rms_N": {"at_most": -1.0}},
    )
    out, runner = tmp_path / "run", CliRunner()
    made = runner.invoke(main, ["enumerate", str(study), "--out", str(out), "--workers", "1"])
    assert made.exit_code == 1  # no feasible design
    done = runner.invoke(main, ["equals", str(out), "D1"])
    assert done.exit_code == 2
    assert "without any design" in done.stderr


def test_the_representative_is_the_best_of_its_equals() -> None:
    # "The least sum of objectives over resolutions" (METHOD.md, section 7), here by listing all.
    tables = {
        "space": {
            "cylinders": [4],
            "arrangements": ["in-line"],
            "throw_angle_step_deg": 45.0,
            "reciprocating_fraction": [0.0, 0.5],
        },
        "constraints": {"largest_interval_factor": 2.0},
        "objectives": metrics(("couple_rms_Nm", 2000.0), ("force_rms_N", 8000.0)),
    }
    study = small_study(**tables)
    family = named_family(study, "in-line 4")
    front = enumerate_families(study, [family], None, workers=1)[family.name].front
    island, steps = Island(study, family), np.array([2000.0, 8000.0])
    assert front.equals.max() > 10, "nothing to choose from"
    mine = (island.judge(front.designs)[0] / steps).sum(axis=1)
    for row, box in enumerate(front.boxes):
        designs, _ = equal_designs(study, family, box[np.newaxis], most=10_000)
        totals = (island.judge(designs)[0] / steps).sum(axis=1)
        assert mine[row] == pytest.approx(totals.min(), abs=2e-6)  # chosen to six digits
