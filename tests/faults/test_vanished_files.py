"""Files that are gone or changed: the study, what it names, the run directory itself.

Reference: `unlink(2)`; the issue of long runs: a changed study is noticed, nothing is lost. The
measured trace is made up: a smooth hump, in bar, with its highest value after dead centre.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import tomli_w

from tests.faults.conftest import SMALL, Start
from tests.faults.launching import Ended, crankfront
from tests.faults.test_disk_full import NOTES, OPTIONS
from tests.optimize.small_studies import metrics, study_tables
from tests.torture.kills import ROOT
from tests.torture.reading import differences, found_in

Undisturbed = Callable[[str], Path]


def trace_text(peak_bar: float) -> str:
    rows = ["crank_angle_deg,pressure_bar"]
    for angle in range(0, 720, 5):
        hump = math.exp(-(((angle - 12) / 25) ** 2)) if angle < 360 else 0.0
        hump += math.exp(-(((angle - 732) / 40) ** 2)) if angle >= 360 else 0.0
        rows.append(f"{angle},{1 + peak_bar * hump:.4f}")
    return "\n".join(rows) + "\n"


def write_named(folder: Path, trace: str = "data/trace.csv") -> Path:
    """Write a study that names a trace and a baseline, and both of them."""
    tables = study_tables(
        **SMALL
        | {
            "space": {"cylinders": [3], "arrangements": ["in-line"], "throw_angle_step_deg": 30.0},
            "objectives": metrics(("force_rms_N", 200.0), ("torque_ripple_Nm", 200.0)),
            "combustion": {"trace": trace},
            "baseline": {"layout": "layouts/three.toml"},
        }
    )
    (folder / "layouts").mkdir(parents=True)
    shutil.copy(ROOT / "studies/layouts/in-line-three.toml", folder / "layouts" / "three.toml")
    csv = folder / trace
    csv.parent.mkdir(parents=True, exist_ok=True)
    csv.write_text(trace_text(40.0), encoding="utf-8")
    (folder / "named.toml").write_text(tomli_w.dumps(tables), encoding="utf-8")
    return folder / "named.toml"


def started(study: Path, folder: Path) -> None:
    """Leave a run as a power cut leaves it just before its results."""
    done = crankfront("enumerate", study, "--out", folder, *OPTIONS)
    assert done.status == 0, done.said
    for path in folder.iterdir():
        if path.suffix in (".parquet", ".md", ".json"):
            path.unlink()


def resumed(study: Path, folder: Path) -> Ended:
    return crankfront("enumerate", study, "--out", folder, "--resume", *OPTIONS)


def assert_refused(ended: Ended, *says: object) -> None:
    assert ended.status == 2, ended.said
    assert "traceback" not in ended.words, ended.said
    for text in says:
        assert str(text).lower() in ended.words, ended.said


# --- between the start and --resume ---


def test_a_run_goes_on_from_its_own_copy_of_the_study_and_what_that_names(tmp_path: Path) -> None:
    whole, folder = tmp_path / "whole", tmp_path / "run"
    study = write_named(tmp_path / "studies")
    assert crankfront("enumerate", study, "--out", whole, *OPTIONS).status == 0
    started(study, folder)
    shutil.rmtree(study.parent)
    assert_refused(resumed(study, folder), study, folder / "study.toml")
    again = resumed(folder / "study.toml", folder)
    assert again.status == 0, again.said
    assert differences(folder, whole) == []


@pytest.mark.parametrize("trace", ["../data/trace.csv", "{folder}/trace.csv"])
def test_a_trace_beyond_the_folder_of_the_study_is_kept_too(trace: str, tmp_path: Path) -> None:
    whole, folder = tmp_path / "whole", tmp_path / "run"
    study = write_named(tmp_path / "a" / "studies", trace.format(folder=tmp_path / "a"))
    assert crankfront("enumerate", study, "--out", whole, *OPTIONS).status == 0
    started(study, folder)
    shutil.rmtree(tmp_path / "a")
    again = resumed(folder / "study.toml", folder)
    assert again.status == 0, again.said
    assert differences(folder, whole) == []


def test_a_study_of_which_nothing_is_left_is_one_message(tmp_path: Path, study: Path) -> None:
    gone = tmp_path / "gone.toml"
    assert_refused(resumed(gone, tmp_path / "run"), gone)
    assert "study.toml" not in resumed(gone, tmp_path / "run").words
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["data/trace.csv", "layouts/three.toml"])
def test_a_vanished_file_that_the_study_names_is_named(name: str, tmp_path: Path) -> None:
    study, folder = write_named(tmp_path / "studies"), tmp_path / "run"
    started(study, folder)
    (study.parent / name).unlink()
    assert_refused(resumed(study, folder), Path(name).name)


@pytest.mark.parametrize("command", ["optimize", "enumerate"])
def test_a_changed_study_is_noticed(command: str, tmp_path: Path, undisturbed: Undisturbed) -> None:
    folder, study = tmp_path / "run", tmp_path / "study.toml"
    shutil.copytree(undisturbed(command), folder)
    text = (folder / "study.toml").read_text("utf-8")
    study.write_text(text.replace("resolution = 20.0", "resolution = 10.0"), encoding="utf-8")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert_refused(crankfront(command, study, "--out", folder, "--resume"), "changed since")
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("kept", ["copy", "no copy"])
def test_a_changed_trace_is_noticed(kept: str, tmp_path: Path) -> None:
    study, folder = write_named(tmp_path / "studies"), tmp_path / "run"
    started(study, folder)
    trace = study.parent / "data" / "trace.csv"
    trace.write_text(trace_text(60.0), encoding="utf-8")
    if kept == "no copy":  # what was computed is then still of the trace as it was
        (folder / "data" / "trace.csv").unlink()
    assert_refused(resumed(study, folder), "trace.csv", "changed since")


@pytest.mark.parametrize("name", ["data/trace.csv", "layouts/three.toml"])
def test_a_changed_copy_in_the_run_directory_is_noticed(name: str, tmp_path: Path) -> None:
    study, folder = write_named(tmp_path / "studies"), tmp_path / "run"
    started(study, folder)
    with (folder / name).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert_refused(resumed(folder / "study.toml", folder), Path(name).name, "changed since")


def test_a_changed_baseline_is_noticed(tmp_path: Path) -> None:
    study, folder = write_named(tmp_path / "studies"), tmp_path / "run"
    started(study, folder)
    layout = study.parent / "layouts" / "three.toml"
    layout.write_text(layout.read_text("utf-8") + "# changed\n", encoding="utf-8")
    assert_refused(resumed(study, folder), "three.toml", "changed since")


# --- while it runs ---


@pytest.mark.slow
def test_a_run_needs_no_file_after_its_start(start: Start, tmp_path: Path) -> None:
    study = write_named(tmp_path / "studies")
    whole, folder = tmp_path / "whole", tmp_path / "run"
    assert crankfront("enumerate", study, "--out", whole, *OPTIONS).status == 0
    launch = start("enumerate", study, "--out", folder, *OPTIONS)
    launch.wait_until((folder / "checkpoints").exists)
    with launch.held_still():
        shutil.rmtree(study.parent)
    ended = launch.end()
    assert ended.status == 0, ended.said
    assert differences(folder, whole) == []
    assert found_in(folder / "shortlist").unreadable == ()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("command", "after"),
    [
        ("optimize", "checkpoints/round.json"),
        ("enumerate", f"checkpoints/{NOTES['enumerate']}"),
        ("enumerate", "summary.md"),
    ],
)
def test_a_run_directory_that_is_deleted_ends_the_run(
    command: str, after: str, start: Start, study: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "run"
    options = ("--workers", 1, "--save-every", 0) if after == "summary.md" else OPTIONS
    launch = start(command, study, "--out", folder, *options)
    launch.wait_until((folder / after).exists)
    with launch.held_still():
        shutil.rmtree(folder)
    ended = launch.end()
    assert ended.status == 1, ended.said
    assert "traceback" not in ended.words, ended.said
    assert ended.words.count("removed") == 1, ended.said
    assert str(folder) in "".join(ended.said.split())
    assert "intact" not in ended.words
    assert not folder.exists()
