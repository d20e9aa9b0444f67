"""The command `verify`: a true run passes, and whatever is spoilt in it is found and named.

Reference: the space is searched to the end (`exact_runs.py`), so what stands in the directory is
true; each test then spoils one thing, and exactly the checks that look at that thing must fail.
Counts of raw candidates come from the plain loops of `test_brute_force.py` and from hand.
"""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from evaluate import METRICS, score
from optimize.archive import rounded_boxes
from optimize.cli import main
from optimize.exact.certificate import boxes_of_rows, front_hash
from optimize.exact.membership import raw_count
from optimize.exact.rescoring import score_problems
from optimize.exact.run_files import TABLES
from optimize.exact.sampling import is_covered, sample_family
from optimize.exact.verification import Verification, verify_run
from optimize.families import all_families
from optimize.fronts import FamilyFront, front_tables, package_versions, read_front, write_front
from optimize.problem import Island
from optimize.starts import designs_of
from optimize.study import Study, read_study, study_from_tables
from tests.optimize.every_design import every_design, halves_overlap
from tests.optimize.exact_runs import (
    RAW,
    TINY,
    certificate,
    certified_run,
    certify_again,
    enumerated_run,
    rewrite,
    searched_run,
    with_certificate,
    write_certificate,
)
from tests.optimize.small_studies import metrics, named_family, searched, small_study
from tests.optimize.test_brute_force import SPACES

SAMPLE = 3000  # more than half as many as there are raw candidates in all families


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a run of the tiny space that is true in everything."""
    return certified_run(tmp_path_factory.mktemp("whole") / "run")


@pytest.fixture
def mine(whole: Path, tmp_path: Path) -> Path:
    """Return a copy of it to spoil."""
    shutil.copytree(whole, tmp_path / "run")
    return tmp_path / "run"


def crankfront(*arguments: str | Path | int) -> Result:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def _failing(folder: Path, *, sample: int = 0) -> dict[str, str]:
    """Return the checks that fail, with what they say."""
    return _fails(verify_run(folder, sample=sample))


def _fails(found: Verification) -> dict[str, str]:
    return {check.check: check.detail for check in found.checks if not check.holds}


def _study(folder: Path) -> Study:
    return read_study(folder / "study.toml")


def _rows(folder: Path) -> pd.DataFrame:
    return read_front(folder / "family_fronts.parquet")


def _put(design: str, **values: Any) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Return a change of one design's row, in whatever table it stands."""

    def change(table: pd.DataFrame) -> pd.DataFrame:
        for place in np.flatnonzero(table["design"] == design):
            for name, value in values.items():
                table.at[table.index[place], name] = value
        return table

    return change


def test_a_true_run_holds(whole: Path) -> None:
    result = crankfront("verify", whole, "--sample", SAMPLE, "--json")
    assert result.exit_code == 0, result.stdout
    document = json.loads(result.stdout)
    assert document["schema"] == "crankfront.verification/1"
    assert document["holds"] is True
    assert [check["check"] for check in document["checks"]] == [
        "study",
        "certificate",
        "hashes",
        "raw candidates",
        "space",
        "scores",
        "family fronts",
        "common front",
        "random sample",
    ]
    assert all(check["holds"] and check["detail"] for check in document["checks"])
    assert document["remarks"] == []
    sample = document["sample"]
    assert (sample["asked"], sample["drawn"], sample["seed"]) == (SAMPLE, SAMPLE, 4)
    assert {f["family"]: f["drawn"] for f in sample["families"]} == dict.fromkeys(RAW, SAMPLE // 5)
    assert 0 < sample["feasible"] == sum(f["feasible"] for f in sample["families"])
    assert sample["counterexamples"] == []


@pytest.mark.parametrize(
    "name",
    [
        "in-line 4 two-stroke on 90 degrees",
        "V4 split on 30 degrees",
        "V3 own-main, most spacing",
        "mirror-symmetric in-line 4",
        "in-line 3 within bounds",
        "even V6 split",
    ],
)
def test_what_the_enumeration_finds_holds(name: str, tmp_path: Path) -> None:
    # Two roads that share only the metrics: counts, membership and chance against the classes.
    space = SPACES[name]
    found = verify_run(enumerated_run(tmp_path / "run", **space.tables), sample=2000)
    assert not _fails(found)
    assert found.sample["feasible"] > 100
    is_counted = not space.even and not space.mirror_symmetric
    assert ("raw candidates" in [check.check for check in found.checks]) == is_counted


def test_enumeration_and_search_to_the_end_certify_the_same(whole: Path, tmp_path: Path) -> None:
    folder = enumerated_run(tmp_path / "run", **TINY)
    study = _study(folder)
    assert verify_run(folder, sample=500).holds
    for name in TABLES:
        fronts = [read_front(path / f"{name}.parquet") for path in (whole, folder)]
        searched_to_the_end, enumerated = (
            sorted(zip(rows["family"], boxes_of_rows(rows, study).tolist(), strict=True))
            for rows in fronts
        )
        assert enumerated == searched_to_the_end
    assert {f["family"]: f["raw"] for f in certificate(folder)["families"]} == RAW


def test_the_table_says_so_too(whole: Path) -> None:
    result = crankfront("verify", whole, "--sample", 503, "--seed", 11)
    assert result.exit_code == 0
    assert "All 9 checks hold." in result.stdout
    assert "503 candidates, seed 11" in result.stdout
    assert "NO" not in result.stdout


def test_the_sample_is_the_same_for_the_same_seed(whole: Path) -> None:
    one, again, other = (verify_run(whole, sample=400, seed=seed).sample for seed in (1, 1, 2))
    assert one == again
    assert one["feasible"] != other["feasible"]


def _some_member(folder: Path, family: str) -> pd.Series:
    rows = _rows(folder)
    return rows[rows["family"] == family].iloc[0]


@pytest.mark.parametrize("family", ["in-line 3", "V3 own-web"])
def test_a_wrong_value_is_found(mine: Path, family: str) -> None:
    row = _some_member(mine, family)
    rewrite(mine, _put(row["design"], couple_rms_Nm=row["couple_rms_Nm"] + 1e-4))
    failing = _failing(mine)
    assert set(failing) == {"scores"}
    assert row["design"] in failing["scores"]
    assert "couple_rms_Nm" in failing["scores"]


@pytest.mark.parametrize("key", list(METRICS))
def test_every_metric_is_compared(whole: Path, key: str) -> None:
    study, row = _study(whole), _some_member(whole, "V3 own-web")
    island = Island(study, named_family(study, "V3 own-web"))
    assert score_problems(row, island) == []
    row[key] = row[key] * (1 + 1e-6) + 1e-3
    found = score_problems(row, island)
    assert len(found) == 2, "once as a batch of one and once as a layout file"
    assert all(text.startswith(f"{key} is") for text in found)


def test_a_run_from_before_a_metric_was_added_still_holds(mine: Path) -> None:
    new = ["second_order_force_N", "torsional_stress_MPa"]
    study = _study(mine)
    for name in TABLES:
        table = read_front(mine / f"{name}.parquet").drop(columns=new)
        units = {key: metric.unit for key, metric in METRICS.items() if key not in new}
        write_front(mine / f"{name}.parquet", table, study, extra={"units": units})
    assert _failing(mine) == {}
    # The other metrics are compared as ever.
    row = _some_member(mine, "in-line 3")
    rewritten = row["couple_rms_Nm"] + 1e-4
    for name in TABLES:
        table = _put(row["design"], couple_rms_Nm=rewritten)(read_front(mine / f"{name}.parquet"))
        write_front(mine / f"{name}.parquet", table, study, extra={"units": units})
    assert set(_failing(mine)) == {"scores"}


def test_a_column_that_the_metadata_promise_is_missed(mine: Path) -> None:
    rewrite(mine, lambda table: table.drop(columns="second_order_force_N"))
    result = crankfront("verify", mine)
    assert result.exit_code == 2
    assert "no column second_order_force_N" in result.stderr


@pytest.mark.parametrize(("steps", "words"), [(1.0, "not ["), (0.5, "no multiple")])
def test_a_wrong_rounded_objective_is_found(mine: Path, steps: float, words: str) -> None:
    # The firing fluctuation has a resolution of 0.04: a step or half a step more than is true.
    row = _some_member(mine, "in-line 3")
    rounded = row["firing_fluctuation_rounded"] + 0.04 * steps
    rewrite(mine, _put(row["design"], firing_fluctuation_rounded=rounded))
    certify_again(mine)
    failing = _failing(mine)
    assert "scores" in failing
    assert words in failing["scores"]


def _turned(row: pd.Series, by_deg: float) -> dict[str, Any]:
    """Return a row's crank with its last throw turned, everything that follows from it included."""
    throws, fired = (np.array(row[n]) for n in ("throw_angles_deg", "firing_angles_deg"))
    turn = 360 * (fired[-1] // 360)
    throws[-1] = (throws[-1] + by_deg) % 360
    fired[-1] = (fired[-1] - by_deg) % 360 + turn
    rising = np.argsort(fired, kind="stable")
    return {
        "throw_angles_deg": throws.tolist(),
        "throw_angles": "-".join(f"{angle:.6g}" for angle in throws),
        "firing_angles_deg": fired.tolist(),
        "firing_order": "-".join(str(i + 1) for i in rising),
        "firing_intervals_deg": np.diff(fired[rising], append=720.0).tolist(),
    }


def test_another_throw_angle_is_found_by_its_firing(mine: Path) -> None:
    row = _some_member(mine, "in-line 3")
    throws = _turned(row, 60.0)["throw_angles_deg"]
    rewrite(mine, _put(row["design"], throw_angles_deg=throws))
    failing = _failing(mine)
    assert "space" in failing
    assert "firing angles do not follow" in failing["space"]


def test_another_crank_of_the_space_is_found_by_its_values(mine: Path) -> None:
    row = _some_member(mine, "in-line 3")
    rewrite(mine, _put(row["design"], **_turned(row, 60.0)))
    failing = _failing(mine)
    assert "hashes" in failing
    certify_again(mine)
    failing = _failing(mine)
    assert set(failing) == {"scores"}


def test_a_crank_off_the_lattice_is_found(mine: Path) -> None:
    row = _some_member(mine, "in-line 3")
    rewrite(mine, _put(row["design"], **_turned(row, 7.0)))
    certify_again(mine)
    failing = _failing(mine)
    assert {"space", "scores"} <= set(failing)
    assert "not on the lattice" in failing["space"]


@pytest.mark.parametrize(
    ("family", "values", "words"),
    [
        ("V2 own-web", {"bank_angle_deg": 75.0}, "bank angle of 75"),
        ("V2 own-web", {"splay_deg": 10.0}, "splay of 10"),
        ("in-line 3", {"reciprocating_fraction": 0.25}, "fraction of 0.25"),
        ("in-line 3", {"rotating_fraction": 0.5}, "rotating fraction"),
        ("in-line 3", {"shafts": "2 forward"}, "2 forward are not allowed"),
        ("in-line 3", {"shafts": "3 sideways"}, "unknown balance shafts"),
        ("in-line 3", {"collectors": [1, 1, 2]}, "collectors"),
        ("in-line 3", {"equals": 0}, "stand behind it"),
        ("V3 own-web", {"cylinder_banks": [1, 2, 2]}, "dealt out"),
        ("in-line 3", {"cylinder_banks": [1, 1, 2]}, "bank that the family has not"),
        ("in-line 3", {"throw_angles_deg": [0.0, 120.0]}, "2 entries"),
        ("in-line 3", {"throw_angles_deg": [60.0, 180.0, 300.0]}, "throw 1"),
        ("in-line 3", {"firing_angles_deg": [0.0, 240.0, 1200.0]}, "outside the cycle"),
        ("V2 own-web", {"bank_angle_deg": math.nan}, "bank_angle_deg is no number"),
        ("in-line 3", {"throw_angles_deg": [0.0, math.nan, 120.0]}, "holds what is no number"),
        ("in-line 3", {"family": "in-line 9"}, "no family 'in-line 9'"),
        ("in-line 3", {"pins": "shared"}, "not those of its family"),
    ],
)
def test_what_is_not_in_the_space_is_found(
    mine: Path, family: str, values: dict[str, Any], words: str
) -> None:
    rewrite(mine, _put(_some_member(mine, family)["design"], **values))
    certify_again(mine)
    failing = _failing(mine, sample=50)
    assert {"space", "scores"} <= set(failing)
    assert words in failing["space"]


@pytest.mark.parametrize(
    "values",
    [
        {"firing_order": "1-3"},
        {"firing_intervals_deg": [240.0, 241.0, 239.0]},
        {"throw_angles": "0-1-2"},
        {"bore_mm": 80.0},
        {"speed_rpm": 5001.0},
    ],
)
def test_columns_for_readers_are_compared(mine: Path, values: dict[str, Any]) -> None:
    rewrite(mine, _put(_some_member(mine, "in-line 3")["design"], **values))
    failing = _failing(mine)
    assert set(failing) == {"scores"}


def test_a_wrong_number_of_equals_is_found_by_the_hash(mine: Path) -> None:
    row = _some_member(mine, "in-line 3")
    rewrite(mine, _put(row["design"], equals=int(row["equals"]) + 1))
    failing = _failing(mine)
    assert set(failing) == {"hashes"}
    assert "in-line 3" in failing["hashes"]


@pytest.mark.parametrize("family", ["in-line 2", "in-line 3", "V3 own-web"])
def test_a_member_that_is_missing_is_found_by_chance(mine: Path, family: str) -> None:
    # Whatever the certificate says of hashes and counts.
    study, row = _study(mine), _some_member(mine, family)
    rewrite(mine, lambda table: table[table["design"] != row["design"]])
    assert {"hashes", "certificate"} <= set(_failing(mine))
    certify_again(mine)
    found = verify_run(mine, sample=SAMPLE)
    assert "random sample" in _fails(found)
    assert set(_fails(found)) <= {"random sample", "common front"}  # another may come to the fore
    examples = [e for e in found.sample["counterexamples"] if e["family"] == family]
    assert examples == found.sample["counterexamples"]
    lost = _box([row[f"{o.key}_rounded"] for o in study.objectives], study)
    assert lost in [_box([e["values"][o.key] for o in study.objectives], study) for e in examples]


def _box(values: list[float], study: Study) -> list[int]:
    """Return values in steps of their resolution, rounded up from a little above round-off."""
    return [
        math.ceil(o.sign * value / o.resolution - 1e-6)
        for o, value in zip(study.objectives, values, strict=True)
    ]


def test_a_counterexample_is_printed_with_all_that_it_takes(mine: Path) -> None:
    row = _some_member(mine, "in-line 3")
    rewrite(mine, lambda table: table[table["design"] != row["design"]])
    certify_again(mine)
    result = crankfront("verify", mine, "--sample", SAMPLE)
    assert result.exit_code == 1
    text = " ".join(result.stdout.split())
    assert "Counterexample: in-line 3, throws 0-" in text
    for word in ("firing angles 0-", "shafts", "reciprocating fraction", "force_rms_N", "N·m"):
        assert word in text
    assert "checks fail." in text


def _design_of(row: pd.Series, island: Island, box: list[int]) -> FamilyFront:
    rows = pd.DataFrame([row])
    counts = np.ones(1, np.int64)
    return FamilyFront(
        island=island,
        designs=designs_of(rows),
        boxes=np.array([box], np.int64),
        equals=counts,
        generations=counts,
        seeds=counts - 1,
        seeds_found=counts,
    )


def _scored_row(folder: Path, family: str, **values: Any) -> pd.DataFrame:
    """Return a changed design of a family as a true row, whatever front it belongs on."""
    study = _study(folder)
    island = Island(study, named_family(study, family))
    row = pd.Series({**_some_member(folder, family).to_dict(), **values})
    resolutions = np.array([o.resolution for o in study.objectives])
    blank = _design_of(row, island, [0] * len(resolutions))
    box = rounded_boxes(island.judge(blank.designs)[0], resolutions)[0].tolist()
    table = front_tables(study, [_design_of(row, island, box)])[1]
    return table.assign(design="F999", on_front=False, dominated_by="D1", dominated_how="")


def test_a_dominated_row_is_found(mine: Path) -> None:
    # All throws of the in-line three on one angle: nothing shakes more, and two fire together.
    row = _scored_row(
        mine,
        "in-line 3",
        throw_angles_deg=[0.0, 0.0, 0.0],
        firing_angles_deg=[0.0, 360.0, 360.0],
    )
    rewrite(mine, lambda t: pd.concat([t, row], ignore_index=True), names=("family_fronts",))
    failing = _failing(mine)
    assert "hashes" in failing
    certify_again(mine)
    failing = _failing(mine)
    assert "family fronts" in failing
    assert "F999 (in-line 3, throws 0-0-0) is dominated" in failing["family fronts"]


def test_an_equal_row_is_found(mine: Path) -> None:
    row = pd.DataFrame([_some_member(mine, "in-line 3")]).assign(design="F999", on_front=False)
    rewrite(mine, lambda t: pd.concat([t, row], ignore_index=True), names=("family_fronts",))
    certify_again(mine)
    failing = _failing(mine)
    assert set(failing) == {"family fronts"}
    assert "F999 (in-line 3" in failing["family fronts"]
    assert "equals another" in failing["family fronts"]


def test_an_infeasible_row_is_found(mine: Path) -> None:
    # The same fronts under a study that forbids what uneven firing they hold.
    study = _study(mine)
    assert "largest_interval_factor = 2.0" in study.text
    text = study.text.replace("largest_interval_factor = 2.0", "largest_interval_factor = 1.01")
    (mine / "study.toml").write_text(text, "utf-8")
    rewrite(mine, lambda table: table)
    certify_again(mine)
    failing = _failing(mine)
    assert set(failing) == {"scores"}
    assert "it violates: largest firing interval" in failing["scores"]


@pytest.mark.parametrize("place", ["front", "in-line 3", "V2 shared"])
def test_a_wrong_hash_is_found(mine: Path, place: str) -> None:
    known = certificate(mine)
    where = known if place == "front" else {f["family"]: f for f in known["families"]}[place]
    where["front_sha256"] = "0" * 64
    write_certificate(mine, known)
    failing = _failing(mine)
    assert set(failing) == {"hashes"}
    assert place in failing["hashes"]


@pytest.mark.parametrize("name", TABLES)
def test_a_study_that_was_changed_is_found(mine: Path, name: str) -> None:
    (mine / "study.toml").write_text(_study(mine).text + "# a word more\n", "utf-8")
    failing = _failing(mine)
    assert set(failing) == {"study"}
    assert "certificate" in failing["study"]
    certify_again(mine)
    rewrite(mine, lambda table: table, names=tuple(n for n in TABLES if n != name))
    failing = _failing(mine)
    assert set(failing) == {"study"}
    assert f"{name}.parquet" in failing["study"]
    rewrite(mine, lambda table: table)
    assert not _failing(mine)


def test_a_coarser_study_does_not_hold_its_rows(mine: Path) -> None:
    study = _study(mine)
    text = study.text.replace("throw_angle_step_deg = 60.0", "throw_angle_step_deg = 90.0")
    (mine / "study.toml").write_text(text, "utf-8")
    failing = _failing(mine)
    assert {"study", "space", "raw candidates"} <= set(failing)


@pytest.mark.parametrize("family", list(RAW))
def test_a_wrong_raw_count_is_found(mine: Path, family: str) -> None:
    known = certificate(mine)
    claim = {f["family"]: f for f in known["families"]}[family]
    claim["raw"] -= 1
    write_certificate(mine, known)
    failing = _failing(mine)
    assert set(failing) == {"raw candidates"}
    assert f"{family}: {RAW[family]:,} raw candidates" in failing["raw candidates"]


def _spoil_members(known: dict[str, Any]) -> None:
    known["families"][3]["members"] += 1


def _spoil_completeness(known: dict[str, Any]) -> None:
    known["is_complete"] = False


def _drop_family(known: dict[str, Any]) -> None:
    known["families"] = [f for f in known["families"] if f["family"] != "V2 shared"]


def _name_twice(known: dict[str, Any]) -> None:
    known["not_enumerated"] = [{"family": "V2 shared", "reason": "why not"}]


def _add_stranger(known: dict[str, Any]) -> None:
    known["families"].append({**known["families"][0], "family": "in-line 9", "members": 0})


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_spoil_members, "in-line 3 has"),
        (_spoil_completeness, "not finished"),
        (_name_twice, "claims to be complete"),
        (_drop_family, "V2 shared is not mentioned"),
        (_name_twice, "V2 shared is named twice"),
        (_add_stranger, "in-line 9 is no family"),
    ],
)
def test_a_certificate_that_claims_wrongly_is_found(
    mine: Path, spoil: Callable[[dict[str, Any]], None], words: str
) -> None:
    known = certificate(mine)
    spoil(known)
    write_certificate(mine, known)
    failing = _failing(mine)
    assert "certificate" in failing
    assert words in failing["certificate"]


def test_a_common_front_without_one_of_its_members_is_found(mine: Path) -> None:
    rewrite(mine, lambda table: table.iloc[1:], names=("front",))
    certify_again(mine)
    failing = _failing(mine)
    assert set(failing) == {"common front"}
    assert "1 designs are missing" in failing["common front"]


def test_a_common_front_with_a_dominated_design_is_found(mine: Path) -> None:
    rows = _rows(mine)
    off = rows[~rows["on_front"]].head(1)
    assert len(off)
    columns = read_front(mine / "front.parquet").columns
    added = off.assign(also_in="")[columns]
    rewrite(mine, lambda table: pd.concat([table, added], ignore_index=True), names=("front",))
    certify_again(mine)
    failing = _failing(mine)
    assert set(failing) == {"common front"}
    assert "do not belong" in failing["common front"]


def test_a_common_front_that_says_otherwise_is_found(mine: Path) -> None:
    rewrite(mine, _put("D1", parts=1.0), names=("front",))
    failing = _failing(mine)
    assert set(failing) == {"common front"}
    assert "differs in the two files: parts" in failing["common front"]


def test_other_package_versions_are_a_remark(mine: Path) -> None:
    changed = {**package_versions(), "numpy": "1.0.0"}
    write_certificate(mine, {**certificate(mine), "versions": changed})
    found = verify_run(mine, sample=0)
    assert found.holds
    assert "numpy 1.0.0" in " ".join(found.remarks)


def test_a_search_proves_nothing_and_chance_says_so(tmp_path: Path) -> None:
    budget = {"population": 8, "evaluations": 60}
    folder = searched_run(tmp_path / "run", **{**TINY, "search": budget})
    result = crankfront("verify", folder, "--sample", SAMPLE, "--json")
    assert result.exit_code == 1
    document = json.loads(result.stdout)
    failing = [check["check"] for check in document["checks"] if not check["holds"]]
    assert failing == ["random sample"]
    assert "no certificate: a search cannot prove its front" in document["remarks"]
    _check_examples(folder, document["sample"]["counterexamples"])


def _check_examples(folder: Path, examples: list[dict[str, Any]]) -> None:
    """Check that counterexamples are as good as they say and that no member is as good."""
    study = _study(folder)
    keys = [o.key for o in study.objectives]
    assert examples
    for example in examples:
        island = Island(study, named_family(study, example["family"]))
        row = pd.Series(
            {
                "arrangement": island.family.arrangement,
                "splay_deg": 0.0,
                "rotating_fraction": 1.0,
                "collectors": example["cylinder_banks"],
                **example,
                "shafts": " + ".join(example["shafts"]) or "none",
            }
        )
        design = _design_of(row, island, [0] * len(keys)).designs
        assert (island.judge(design)[1] <= 0).all()
        values = score(island.family.engine, design.batch, keys)[0]
        assert [example["values"][key] for key in keys] == pytest.approx(values, rel=1e-9)
        members = _rows(folder)
        members = members[members["family"] == example["family"]]
        for _, member in members.iterrows():
            assert any(
                o.sign * member[f"{o.key}_rounded"] > o.sign * value + 1e-6 * o.resolution
                for o, value in zip(study.objectives, values, strict=True)
            ), "this member would be as good in everything"


def test_families_that_were_not_enumerated_are_not_sampled(mine: Path) -> None:
    known = certificate(mine)
    known["families"] = [f for f in known["families"] if f["family"] != "in-line 3"]
    known["not_enumerated"] = [{"family": "in-line 3", "reason": "searched, not enumerated"}]
    write_certificate(mine, {**known, "is_complete": False})
    certify_again(mine)
    found = verify_run(mine, sample=400)
    assert found.holds  # its members may stand there all the same
    assert [f["family"] for f in found.sample["families"]] == [n for n in RAW if n != "in-line 3"]
    assert "not enumerated, so nothing is proven of them: in-line 3" in found.remarks
    assert "random sample" not in _fails(found)


def test_an_empty_front_is_true_where_nothing_is_feasible(tmp_path: Path) -> None:
    # No twin keeps a force of 1 N: its second order, or the first with half a counterweight, stays.
    tables = {**TINY, "constraints": {"force_rms_N": {"at_most": 1.0}}}
    folder = searched_run(tmp_path / "run", **{**tables, "space": {"cylinders": [2]}})
    found = verify_run(folder, sample=200)
    assert found.holds
    assert found.sample["feasible"] == 0


def test_a_front_that_was_emptied_is_found_by_chance(mine: Path) -> None:
    study = _study(mine)
    for name in TABLES:
        write_front(mine / f"{name}.parquet", pd.DataFrame(), study, extra={})
    certify_again(mine)
    found = verify_run(mine, sample=500)
    assert set(_fails(found)) == {"random sample"}
    assert len(found.sample["counterexamples"]) >= 5


def _break_json(folder: Path) -> None:
    (folder / "certificate.json").write_text("{", "utf-8")


def _newer_schema(folder: Path) -> None:
    write_certificate(folder, {**certificate(folder), "schema": "crankfront.certificate/2"})


def _missing_key(folder: Path) -> None:
    known = certificate(folder)
    del known["families"]
    write_certificate(folder, known)


def _no_study(folder: Path) -> None:
    (folder / "study.toml").unlink()


def _no_front(folder: Path) -> None:
    (folder / "family_fronts.parquet").unlink()


def _broken_front(folder: Path) -> None:
    (folder / "front.parquet").write_bytes(b"no parquet")


def _no_number(folder: Path) -> None:
    rewrite(folder, _put("D1", couple_rms_Nm_rounded=math.nan))


def _other_objective(folder: Path) -> None:
    text = _study(folder).text.replace('"force_rms_N"', '"box_litres"')
    (folder / "study.toml").write_text(text, "utf-8")


def _texts_for_lists(folder: Path) -> None:
    rewrite(folder, lambda table: table.assign(throw_angles_deg=table["throw_angles_deg"].map(str)))


def _numbers_for_texts(folder: Path) -> None:
    rewrite(folder, lambda table: table.assign(shafts=1.5))


def _beyond_whole_numbers(folder: Path) -> None:
    rewrite(folder, _put("D1", couple_rms_Nm_rounded=1e300))


def _no_utf8(folder: Path) -> None:
    path = folder / "front.parquet"
    arrow = pq.read_table(path)
    names = pa.array([b"\xff"] * len(arrow)).view(pa.string())
    place = arrow.schema.get_field_index("family")
    pq.write_table(arrow.set_column(place, "family", names), path)


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (_texts_for_lists, "throw_angles_deg: got something else; allowed: lists of numbers"),
        (_numbers_for_texts, "shafts: got something else; allowed: texts"),
        (_beyond_whole_numbers, "no number"),
        (_no_utf8, "UTF8"),
        (_break_json, "certificate.json"),
        (_newer_schema, "crankfront.certificate/1"),
        (_missing_key, "families"),
        (_no_study, "study.toml"),
        (_no_front, "family_fronts.parquet"),
        (_broken_front, "front.parquet"),
        (_other_objective, "box_litres_rounded"),
        (_no_number, "no number"),
        (shutil.rmtree, "RUN_DIR"),
    ],
)
def test_bad_input_is_one_message(mine: Path, spoil: Callable[[Path], None], word: str) -> None:
    spoil(mine)
    result = crankfront("verify", mine)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.strip().splitlines()) == 1
    assert word in result.stderr


# Without even firing and mirror symmetry, which are counted otherwise.
COUNTED = [name for name, space in SPACES.items() if not space.even and not space.mirror_symmetric]


@pytest.mark.parametrize("name", COUNTED)
def test_raw_candidates_are_as_many_as_loops_make(name: str) -> None:
    # The loops of the brute force; splays whose halves do not overlap are no part of the space.
    space = SPACES[name]
    study = small_study(**space.tables)
    family = named_family(study, space.family)
    batch = every_design(family, space)
    assert raw_count(study, family) == sum(halves_overlap(family, batch))


@pytest.mark.parametrize(
    ("name", "space", "count"),
    [
        # 24 angles of 15 deg and of 72, 144, 216, 288 deg: 28^4, 2^4 sets of bits
        ("in-line 5", {"cylinders": [5], "add_even_firing_angles": True}, 28**4 * 16),
        # Every crank angle of an evenly firing six is on the lattice: 24^5, 2^5 sets of bits
        ("in-line 6", {"cylinders": [6], "add_even_firing_angles": True}, 24**5 * 32),
        # 24^2 cranks, 32 sets of bits, 3 bank angles; V6 shared
        ("V6 shared", {"cylinders": [6], "bank_angle_deg": [60.0, 75.0, 90.0]}, 24**2 * 32 * 3),
        # 24^4 cranks, 16 sets of bits, C(5, 3) = 10 ways to put three cylinders on bank 1
        ("V5 own-main", {"cylinders": [5], "bank_angle_deg": [90.0]}, 24**4 * 16 * 10),
        # 24 cranks, 8 sets of bits, the four sets of at most one of three shafts
        (
            "opposed 4 shared",
            {
                "cylinders": [4],
                "balance_shafts": {
                    "slots": ["1 backward", "2 forward", "2 backward"],
                    "at_most": 1,
                },
            },
            24 * 8 * 4,
        ),
    ],
)
def test_raw_candidates_worked_by_hand(name: str, space: dict[str, Any], count: int) -> None:
    both = {"arrangements": ["in-line", "v", "opposed"], "throw_angle_step_deg": 15.0}
    study = small_study(space={**both, **space})
    assert raw_count(study, named_family(study, name)) == count


@pytest.mark.parametrize(
    "changed",
    [
        {"constraints": {"even_firing": True}},
        {"constraints": {"mirror_symmetric": True}},
        {"space": {"throw_angle_step_deg": 0.0}},
        {"space": {"reciprocating_fraction": {"from": 0.0, "to": 1.0}}},
    ],
)
def test_other_spaces_are_not_counted_so(changed: dict[str, Any]) -> None:
    study = small_study(**changed)
    assert raw_count(study, named_family(study, "in-line 4")) is None


def test_a_family_that_is_not_counted_is_a_remark(tmp_path: Path) -> None:
    tables = {**TINY, "constraints": {"even_firing": True}}
    folder = searched_run(tmp_path / "run", **tables)
    with_certificate(folder, {f.name: 1 for f in all_families(_study(folder))[0]})
    found = verify_run(folder, sample=2000)
    assert not _fails(found)
    assert "raw candidates" not in [check.check for check in found.checks]
    assert any("in-line 3: raw candidates are not counted" in remark for remark in found.remarks)


def test_covered_is_dominated_or_equal() -> None:
    members = np.array([[0, 2], [2, 0]])
    boxes = np.array([[0, 2], [1, 1], [3, 0], [1, 2], [-1, 5]])
    assert is_covered(boxes, members).tolist() == [True, False, True, True, False]
    assert not is_covered(boxes, np.zeros((0, 2), np.int64)).any()


@pytest.mark.parametrize("name", ["V4 split on 30 degrees", "even V6 split", "even in-line 4"])
def test_half_of_the_sample_is_near_the_front(name: str) -> None:
    # Of a true front nothing lies beyond; without members all that is feasible does. Mutants of
    # members are feasible more often than what is drawn anywhere, where that is not all anyway.
    space = SPACES[name]
    study = small_study(**space.tables)
    family = named_family(study, space.family)
    island = Island(study, family)
    state = searched(study, family, population=space.population, generations=400)
    rows = front_tables(study, [FamilyFront.from_archive(island, state.archive)])[1]
    found = sample_family(island, rows, n=400, seed=1)
    assert found.drawn == 400
    assert found.beyond == 0
    blind = sample_family(island, pd.DataFrame(), n=400, seed=1)
    assert blind.beyond == blind.feasible > 0
    anywhere = np.random.default_rng(5).random((200, island.genome.n_genes))
    share = (island.score(anywhere)[1] <= 0).all(axis=1).mean()
    assert found.feasible / 400 > share or share == 1


def test_hash_knows_the_design_and_nothing_else(whole: Path) -> None:
    # Order of rows, round-off and names do not matter; what fixes a design does.
    study, rows = _study(whole), _rows(whole)
    known = front_hash(rows, study)
    assert len(known) == 64
    shuffled = rows.sample(frac=1.0, random_state=1)
    assert front_hash(shuffled, study) == known
    assert front_hash(rows.assign(design="x"), study) == known
    noisy = rows.assign(bank_angle_deg=rows["bank_angle_deg"] * (1 + 1e-14) - 1e-13)
    assert front_hash(noisy, study) == known
    for name, value in (("bank_angle_deg", 61.0), ("shafts", "none"), ("equals", 7)):
        assert front_hash(rows.assign(**{name: value}), study) != known
    other = study_from_tables(
        {
            "study": {"name": "x"},
            "engine": {"displacement_cm3": 1600.0, "speed": {"rpm": 5000.0}},
            "space": {"cylinders": [2]},
            "objectives": metrics(*((o.key, 2 * o.resolution) for o in study.objectives)),
        }
    )
    assert front_hash(rows, other) != known
    assert front_hash(pd.DataFrame(), study) == front_hash(rows.iloc[:0], study)
