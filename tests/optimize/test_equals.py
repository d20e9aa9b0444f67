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
