"""Shares of an exact front against hypervolumes worked by hand, and the command `gap`.

Reference: areas and volumes in the comments, worked on paper from the definition (objectives
scaled to the exact front's ideal and nadir, reference point 1.1). 1e-12: sums of a few products.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from evaluate import InputError
from optimize.cli import main
from optimize.exact.closeness import differences, shares
from optimize.exact.run_files import TABLES
from optimize.fronts import read_front
from tests.optimize.exact_runs import (
    TINY,
    certificate,
    certified_run,
    certify_again,
    rewrite,
    searched_run,
    write_certificate,
)
from tests.optimize.small_studies import metrics, small_study

FORCE_COUPLE = metrics(("force_rms_N", 50.0), ("couple_rms_Nm", 5.0))
TWO = small_study(objectives=FORCE_COUPLE)
THREE = small_study(objectives=[*FORCE_COUPLE, *metrics(("exhaust_spacing_min_deg", 30.0))])


def _boxes(*rows: tuple[int, ...], n: int = 2) -> np.ndarray:
    return np.array(rows, np.int64).reshape(-1, n)


# Scaled (0, 1), (0.5, 0.5), (1, 0). Slices by the first objective: 0 to 0.5 at 1.1 - 1 = 0.1 deep,
# 0.5 to 1 at 1.1 - 0.5 = 0.6, 1 to 1.1 at 1.1: 0.05 + 0.30 + 0.11 = 0.46.
STAIRS = _boxes((0, 2), (1, 1), (2, 0))


@pytest.mark.parametrize(
    ("found", "share", "members"),
    [
        pytest.param(STAIRS, 1.0, 3, id="all"),
        pytest.param(_boxes((2, 0), (0, 2), (1, 1), (2, 2)), 1.0, 3, id="all and more"),
        pytest.param(_boxes(), 0.0, 0, id="nothing"),
        # 0.6 x 0.6
        pytest.param(_boxes((1, 1)), 0.36 / 0.46, 1, id="the middle"),
        # 1.1 x 0.1 twice, less the common corner 0.1 x 0.1
        pytest.param(_boxes((0, 2), (2, 0)), 0.21 / 0.46, 2, id="the ends"),
        # Dominated by (1, 1): 0.1 x 0.6
        pytest.param(_boxes((2, 1)), 0.06 / 0.46, 0, id="beside"),
        # 1.1 x 0.1 + 0.6 x 0.6 less 0.6 x 0.1
        pytest.param(_boxes((0, 2), (1, 1)), 0.41 / 0.46, 2, id="two of three"),
        # 3 is 1.5 in units of the span, beyond the reference point
        pytest.param(_boxes((3, 0)), 0.0, 0, id="too far out"),
    ],
)
def test_share_of_a_front_in_a_plane(found: np.ndarray, share: float, members: int) -> None:
    result = shares(TWO, found, STAIRS)
    assert result.hypervolume_share == pytest.approx(share, rel=1e-12)
    assert (result.front_members_found, result.front_members_exact) == (members, 3)


def test_shares_do_not_depend_on_where_and_how_long_the_axes_are() -> None:
    # 4 steps instead of 1 in the first objective, 10 in the second, other places, more is better
    # (negated) or not: scaled they are the same points.
    moved = STAIRS * [4, 10] + [-7, 100]
    found = _boxes((1, 1)) * [4, 10] + [-7, 100]
    assert shares(TWO, found, moved).hypervolume_share == pytest.approx(0.36 / 0.46, rel=1e-12)


def test_share_of_a_front_in_space() -> None:
    # (0, 0, 1) covers 1.1 x 1.1 x 0.1 = 0.121, (1, 1, 0) covers 0.1 x 0.1 x 1.1 = 0.011, both
    # together 0.1^3 = 0.001: 0.131 in all.
    exact = _boxes((0, 0, 1), (1, 1, 0), n=3)
    for found, share in ((exact[:1], 0.121 / 0.131), (exact[1:], 0.011 / 0.131), (exact, 1.0)):
        assert shares(THREE, found, exact).hypervolume_share == pytest.approx(share, rel=1e-12)


def test_an_objective_with_one_value_counts_in_resolutions() -> None:
    # One member, so both spans are 0 and one step is the unit: 1.1 x 1.1; a step off in the first
    # objective leaves 0.1 x 1.1.
    exact = _boxes((5, -3))
    assert shares(TWO, exact, exact).hypervolume_share == 1.0
    off = shares(TWO, _boxes((6, -3)), exact)
    assert off.hypervolume_share == pytest.approx(0.11 / 1.21, rel=1e-12)
    assert off.front_members_found == 0
    one = small_study(objectives=metrics(("parts", 1.0)))
    assert shares(one, _boxes((9,), n=1), _boxes((9,), n=1)).hypervolume_share == 1.0


def test_dominated_and_repeated_rows_of_an_exact_front_are_no_members() -> None:
    exact = np.concatenate([STAIRS, STAIRS, _boxes((2, 2))])
    result = shares(TWO, STAIRS, exact)
    assert (result.hypervolume_share, result.front_members_exact) == (1.0, 3)


def test_without_an_exact_front_there_is_no_share() -> None:
    result = shares(TWO, _boxes(), _boxes())
    assert (result.hypervolume_share, result.front_members_exact) == (None, 0)


@pytest.mark.parametrize("better", [(0, 1), (1, 0), (-1, 5)])
def test_what_beats_the_exact_front_is_refused(better: tuple[int, int]) -> None:
    # Cut off at the ideal, (-1, 5) would pass for (0, 5).
    with pytest.raises(InputError, match="dominates or equals"):
        shares(TWO, _boxes(better), STAIRS)
    with pytest.raises(InputError):
        shares(TWO, _boxes(better), _boxes())


def test_boxes_of_other_objectives_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        shares(TWO, _boxes((0, 0, 0), n=3), STAIRS)


# The same space, told otherwise: nothing of this is part of it.
@pytest.mark.parametrize(
    "changed",
    [
        {"study": {"name": "other", "seed": 99, "question": "Why?"}},
        {"search": {"population": 16, "evaluations": 500, "seeds": 3, "exact": "auto"}},
        {"space": {"cylinders": [4], "reciprocating_fraction": [0.5]}},
        {},
    ],
)
def test_what_does_not_change_the_space(changed: dict[str, Any]) -> None:
    assert differences(small_study(), small_study(**changed)) == []


@pytest.mark.parametrize(
    ("changed", "word"),
    [
        ({"space": {"throw_angle_step_deg": 45.0}}, "throw_angle_step_deg"),
        ({"space": {"cylinders": [4, 5]}}, "cylinders"),
        ({"space": {"reciprocating_fraction": [0.0, 0.5]}}, "reciprocating_fraction"),
        ({"engine": {"displacement_cm3": 1601.0}}, "displacement"),
        ({"engine": {"cycle_strokes": 2}}, "cycle"),
        ({"constraints": {"even_firing": True}}, "even_firing"),
        ({"constraints": {"crank_length_mm": {"at_most": 900.0}}}, "bounds"),
        ({"objectives": FORCE_COUPLE}, "objectives"),
        ({"exhaust": {"collectors": "one"}}, "collectors"),
        ({"proportions": {"stagger_to_bore": 0.1}}, "proportions"),
        ({"flywheel": {"speed_fluctuation": 0.03}}, "duty"),
    ],
)
def test_what_changes_the_space_is_named(changed: dict[str, Any], word: str) -> None:
    found = differences(small_study(), small_study(**changed))
    assert len(found) == 1
    assert word in found[0]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a directory with a run of a whole space (`exact`) and a poor one of it (`poor`)."""
    folder = tmp_path_factory.mktemp("runs")
    certified_run(folder / "exact")
    budget = {"population": 8, "evaluations": 60}
    searched_run(folder / "poor", **{**TINY, "search": budget, "study": {"name": "poor"}})
    coarse = {**TINY["space"], "throw_angle_step_deg": 120.0}
    searched_run(folder / "coarse", **{**TINY, "search": budget, "space": coarse})
    return folder


@pytest.fixture
def mine(runs: Path, tmp_path: Path) -> Path:
    """Return copies of these that a test may change."""
    shutil.copytree(runs, tmp_path / "runs")
    return tmp_path / "runs"


def crankfront(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def _gap(*arguments: str | Path) -> dict[str, Any]:
    result = crankfront("gap", *arguments, "--json")
    assert result.exit_code == 0, result.stderr
    document: dict[str, Any] = json.loads(result.stdout)
    assert document["schema"] == "crankfront.gap/1"
    return document


def test_an_exact_front_is_all_of_itself(runs: Path) -> None:
    document = _gap(runs / "exact", "--exact", runs / "exact")
    common, rows = (read_front(runs / "exact" / f"{name}.parquet") for name in TABLES)
    assert document["hypervolume_share"] == 1.0
    assert document["front_members_found"] == document["front_members_exact"] == len(common)
    assert len(document["families"]) == 5
    for family in document["families"]:
        size = int((rows["family"] == family["family"]).sum())
        assert family["front_members_found"] == family["front_members_exact"] == size
        assert family["hypervolume_share"] == (1.0 if size else None)
    assert document["not_enumerated"] == []


def test_a_poor_search_found_a_part(runs: Path) -> None:
    document = _gap(runs / "poor", "--exact", runs / "exact")
    assert 0 < document["hypervolume_share"] < 1
    assert 0 < document["front_members_found"] < document["front_members_exact"]


def _without(family: str) -> Any:
    return lambda table: table[table["family"] != family]


def test_members_that_were_not_found_are_missing_by_number(mine: Path) -> None:
    shutil.copytree(mine / "exact", mine / "less")
    rewrite(mine / "less", _without("in-line 3"))
    before = _gap(mine / "exact", "--exact", mine / "exact")
    after = _gap(mine / "less", "--exact", mine / "exact")
    lost = {f["family"]: f for f in after["families"]}["in-line 3"]
    assert lost["hypervolume_share"] == 0
    assert lost["front_members_found"] == 0
    assert lost["front_members_exact"] >= 2
    assert after["hypervolume_share"] < 1
    common = read_front(mine / "exact" / "front.parquet")
    ours = int((common["family"] == "in-line 3").sum())
    assert after["front_members_found"] == before["front_members_found"] - ours
    others = [f for f in after["families"] if f["family"] != "in-line 3"]
    assert others == [f for f in before["families"] if f["family"] != "in-line 3"]


def test_an_empty_search_reached_nothing(mine: Path) -> None:
    shutil.copytree(mine / "exact", mine / "none")
    rewrite(mine / "none", lambda _: pd.DataFrame())
    document = _gap(mine / "none", "--exact", mine / "exact")
    assert document["hypervolume_share"] == 0
    assert document["front_members_found"] == 0
    assert document["front_members_exact"] > 0


def test_a_family_left_out_counts_on_neither_side(mine: Path) -> None:
    # The search found it all; the enumeration did not cover one family of the common front.
    known = certificate(mine / "exact")
    known["families"] = [f for f in known["families"] if f["family"] != "in-line 3"]
    known["not_enumerated"] = [{"family": "in-line 3", "reason": "too many cranks"}]
    shutil.copytree(mine / "exact", mine / "part")
    rewrite(mine / "part", _without("in-line 3"))
    write_certificate(mine / "part", {**known, "is_complete": False})
    certify_again(mine / "part")
    document = _gap(mine / "exact", "--exact", mine / "part")
    assert document["hypervolume_share"] == 1.0
    assert document["front_members_found"] == document["front_members_exact"]
    assert document["not_enumerated"] == [{"family": "in-line 3", "reason": "too many cranks"}]
    assert "in-line 3" not in [f["family"] for f in document["families"]]
    table = crankfront("gap", mine / "exact", "--exact", mine / "part").stdout
    assert "Not enumerated: in-line 3: too many cranks." in table


def test_table_says_what_the_json_says(runs: Path) -> None:
    document = _gap(runs / "poor", "--exact", runs / "exact")
    lines = crankfront("gap", runs / "poor", "--exact", runs / "exact").stdout.splitlines()
    for family in ({"family": "all families", **document}, *document["families"]):
        line = next(line for line in lines if f" {family['family']} " in line)
        assert f" {family['front_members_found']} " in line
        assert f" {family['front_members_exact']} " in line
        if family["hypervolume_share"] is not None:
            assert f"{family['hypervolume_share']:.9f}"[:8] in line, "rounded down"


@pytest.mark.parametrize(
    ("search", "exact", "words"),
    [
        ("coarse", "exact", ["throw_angle_step_deg", "120", "60", "same space"]),
        ("exact", "coarse", ["throw_angle_step_deg"]),
        ("poor", "poor", ["no certificate"]),
        ("poor", "nowhere", ["--exact", "nowhere"]),
        ("nowhere", "exact", ["RUN_DIR", "nowhere"]),
    ],
)
def test_what_cannot_be_compared_is_one_message(
    search: str, exact: str, words: list[str], runs: Path
) -> None:
    result = crankfront("gap", runs / search, "--exact", runs / exact)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.strip().splitlines()) == 1
    for word in words:
        assert word in result.stderr


def test_an_exact_front_that_is_unfinished_or_changed_is_refused(mine: Path) -> None:
    known = certificate(mine / "exact")
    write_certificate(mine / "exact", {**known, "is_complete": False})
    result = crankfront("gap", mine / "poor", "--exact", mine / "exact")
    assert result.exit_code == 2
    assert "not finished" in result.stderr
    write_certificate(mine / "exact", known)
    rewrite(mine / "exact", lambda table: table.iloc[1:])
    result = crankfront("gap", mine / "poor", "--exact", mine / "exact")
    assert result.exit_code == 2
    assert "was changed" in result.stderr


def test_without_an_exact_run_the_space_is_enumerated(runs: Path) -> None:
    # The enumeration, beside a search that tried every design.
    document = _gap(runs / "poor", "--workers", "1")
    assert document == _gap(runs / "poor", "--exact", runs / "exact")


def test_families_that_cannot_be_enumerated_are_named(tmp_path: Path) -> None:
    # Bank angles in a range: V engines are left out, in-line ones have no bank angle.
    budget = {"population": 8, "evaluations": 200}
    space = {**TINY["space"], "cylinders": [2], "bank_angle_deg": {"from": 60.0, "to": 90.0}}
    folder = searched_run(tmp_path / "mixed", **{**TINY, "search": budget, "space": space})
    document = _gap(folder, "--workers", "1")
    assert [f["family"] for f in document["families"]] == ["in-line 2"]
    left_out = {f["family"]: f["reason"] for f in document["not_enumerated"]}
    assert list(left_out) == ["V2 shared", "V2 own-web"]
    assert "bank angle is a range" in left_out["V2 shared"]
    # Of the common front only what in-line engines have counts, on either side.
    assert document["front_members_exact"] == document["families"][0]["front_members_exact"]


def test_where_nothing_can_be_enumerated_the_reasons_are_told(tmp_path: Path) -> None:
    budget = {"population": 8, "evaluations": 40}
    space = {"cylinders": [2], "arrangements": ["in-line"], "throw_angle_step_deg": 0.0}
    folder = searched_run(tmp_path / "free", **{**TINY, "search": budget, "space": space})
    result = crankfront("gap", folder)
    assert result.exit_code == 2
    assert "in-line 2: its throw angles are continuous" in result.stderr
