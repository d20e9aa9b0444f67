"""The command line as a user meets it: a process of its own, exit status, both streams."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from evaluate import METRICS
from optimize.fronts import read_front
from optimize.pictures import LAYOUT_PICTURES

ROOT = Path(__file__).parent.parent
FLAT_FOUR = ROOT / "studies" / "layouts" / "in-line-four-flat.toml"
STUDY = """
[study]
name = "tiny"
[engine]
displacement_cm3 = 1000
speed = { rpm = 5000 }
[space]
cylinders = [2, 3]
arrangements = ["in-line", "v"]
pins = ["own-main"]
bank_angle_deg = { from = 45, to = 120 }
throw_angle_step_deg = 0
[search]
population = 16
evaluations = 3000
"""


def crankfront(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "optimize.cli", *map(str, arguments)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command, capture_output=True, text=True, cwd=cwd, env=environment, timeout=300, check=False
    )


@pytest.mark.parametrize(
    "command",
    ["evaluate", "firing-orders", "compare", "optimize", "metrics", "runs", "query", "export"],
)
def test_help_ends_in_a_line_to_copy(command):
    result = crankfront(command, "--help")
    assert result.returncode == 0
    assert result.stdout.rstrip().splitlines()[-1].strip().startswith("Try: crankfront ")


def test_help_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from click.testing import CliRunner\n"
        "from optimize.cli import main\n"
        "assert CliRunner().invoke(main, ['--help']).exit_code == 0\n"
        "heavy = {'numpy', 'pandas', 'pymoo', 'matplotlib', 'pyarrow', 'scipy', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert result.stdout.strip() == "[]"


def test_evaluate_prints_json_with_the_documented_keys():
    document = json.loads(crankfront("evaluate", FLAT_FOUR, "--json").stdout)
    assert document["schema"] == "crankfront.evaluation/1"
    for part in ("reciprocating", "residual"):
        assert {"1", "2", "4", "6"} <= set(document["inertia"][part])
    assert set(document["inertia"]["rotating"]) == {"1"}
    assert document["firing"]["order"] == ["1", "3", "4", "2"]
    assert len(document["balance"]["counterweight_kgm"]) == 4
    assert document["exhaust"]["collectors"][0]["spacing_min_deg"] > 0


def test_evaluate_prints_a_table_with_units():
    result = crankfront("evaluate", FLAT_FOUR)
    assert result.returncode == 0
    for text in ("1-3-4-2", "180-180-180-180 deg", "force_rms_N", "[N·m]"):
        assert text in result.stdout


def test_evaluate_draws(tmp_path):
    result = crankfront("evaluate", FLAT_FOUR, "--plots", tmp_path / "new")
    assert result.returncode == 0, result.stderr
    names = {path.name for path in (tmp_path / "new").iterdir()}
    pictures = ["", *(f"-{key}" for key in LAYOUT_PICTURES)]  # the card, and each on its own
    assert names == {f"in-line-four-flat{p}.{kind}" for p in pictures for kind in ("png", "svg")}


def test_metrics_lists_every_metric_with_unit_sense_and_source():
    rows = json.loads(crankfront("metrics", "--json").stdout)
    assert [row["key"] for row in rows] == list(METRICS)
    assert all(
        row["sense"] in ("least", "most") and row["meaning"] and row["source"] for row in rows
    )


BAD = {
    "missing layout": (["evaluate", "none.toml"], "none.toml"),
    "layout is no TOML": (["evaluate", "broken.toml"], "broken.toml"),
    "missing study": (["optimize", "none.toml"], "none.toml"),
    "unknown key": (["optimize", "unknown.toml"], "Did you mean 'cylinders'?"),
    "directory below a file": (["optimize", "tiny.toml", "--out", "tiny.toml/run"], "--out"),
    "resume without directory": (["optimize", "tiny.toml", "--resume"], "--resume"),
    "resume without a run": (["optimize", "tiny.toml", "--resume", "--out", "."], "no checkpoint"),
    "no such command": (["optimise", "tiny.toml"], "optimi"),
    "workers": (["optimize", "tiny.toml", "--workers", "0"], "--workers"),
    "plots below a file": (["evaluate", str(FLAT_FOUR), "--plots", "tiny.toml/x"], "--plots"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_status_2_one_message_and_nothing_written(name, tmp_path):
    (tmp_path / "tiny.toml").write_text(STUDY)
    (tmp_path / "broken.toml").write_text("[crank\n")
    (tmp_path / "unknown.toml").write_text(STUDY.replace("cylinders", "cylinder"))
    before = sorted(path.name for path in tmp_path.rglob("*"))
    arguments, piece = BAD[name]
    result = crankfront(*arguments, cwd=tmp_path)
    assert result.returncode == 2
    assert "Traceback" not in result.stderr
    assert piece in result.stderr
    assert result.stdout == ""
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("run")
    (folder / "tiny.toml").write_text(STUDY)
    result = crankfront("optimize", "tiny.toml", "--out", "run", "--workers", "1", cwd=folder)
    assert result.returncode == 0, result.stderr
    assert "do not replace" in " ".join(result.stdout.split())  # the caution
    return folder


def test_a_run_leaves_front_pictures_summary_and_layouts(finished):
    run = finished / "run"
    front = read_front(run / "front.parquet")
    assert len(front) > 1
    assert front.attrs["seed"] == 1
    assert front.attrs["study"] == STUDY
    assert (run / "study.toml").read_text() == STUDY
    names = {path.stem for path in (run / "pictures").glob("*.png")}
    assert {"front-scatter-matrix", "front-parallel-coordinates", "hypervolume"} <= names
    assert "## Shortlist" in (run / "summary.md").read_text()
    assert not list(run.rglob(".*"))


def test_shortlisted_layout_evaluates_to_the_numbers_of_the_front(finished):
    front = read_front(finished / "run" / "front.parquet").set_index("design")
    for path in (finished / "run" / "shortlist").glob("*.toml"):
        document = json.loads(crankfront("evaluate", path, "--json").stdout)
        row = front.loc[path.stem.split("-")[0]]
        for key in METRICS:  # one rounding of mm and back
            assert document["metrics"][key] == pytest.approx(row[key], rel=1e-9, abs=1e-7), key


def test_a_second_run_does_not_overwrite_the_first(finished):
    before = (finished / "run" / "front.parquet").read_bytes()
    result = crankfront("optimize", "tiny.toml", "--out", "run", cwd=finished)
    assert result.returncode == 2
    assert "holds a run already" in result.stderr
    assert (finished / "run" / "front.parquet").read_bytes() == before


def test_two_workers_give_the_same_bytes(finished):
    result = crankfront(
        "optimize", "tiny.toml", "--out", "two", "--workers", "2", "--no-pictures", cwd=finished
    )
    assert result.returncode == 0, result.stderr
    for name in ("front.parquet", "family_fronts.parquet"):
        assert (finished / "two" / name).read_bytes() == (finished / "run" / name).read_bytes()


def test_ctrl_c_saves_and_resume_ends_with_the_same_bytes(finished):
    command = [sys.executable, "-m", "optimize.cli", "optimize", "tiny.toml", "--out", "cut"]
    command += ["--workers", "1", "--no-pictures"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        command, cwd=finished, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    note = finished / "cut" / "checkpoints" / "round.json"
    deadline = time.monotonic() + 120
    while not note.exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err.decode()
    assert b"Traceback" not in err
    whole = (finished / "run" / "front.parquet").read_bytes()
    resumed = crankfront(
        "optimize", "tiny.toml", "--out", "cut", "--resume", "--no-pictures", cwd=finished
    )
    assert resumed.returncode == 0, resumed.stderr
    assert (finished / "cut" / "front.parquet").read_bytes() == whole
    assert b"--resume" in out or json.loads(note.read_text())["rounds_done"] > 0


def test_resume_refuses_a_changed_study(finished):
    (finished / "changed.toml").write_text(STUDY.replace("1000", "1100"))
    result = crankfront("optimize", "changed.toml", "--out", "run", "--resume", cwd=finished)
    assert result.returncode == 2
    assert "changed since" in result.stderr


def test_the_study_as_run_can_be_run_again_with_its_baseline(finished):
    (finished / "own").mkdir()
    (finished / "own" / "usual.toml").write_text(FLAT_FOUR.read_text(encoding="utf-8"))
    text = STUDY.replace("[2, 3]", "[2]") + '[baseline]\nlayout = "own/usual.toml"\n'
    (finished / "with.toml").write_text(text.replace('"in-line", "v"', '"in-line"'))
    first = crankfront("optimize", "with.toml", "--out", "a", "--no-pictures", cwd=finished)
    again = crankfront("optimize", "a/study.toml", "--out", "b", "--no-pictures", cwd=finished)
    assert (first.returncode, again.returncode) == (0, 0), again.stderr
    assert "## Baseline" in (finished / "b" / "summary.md").read_text()
