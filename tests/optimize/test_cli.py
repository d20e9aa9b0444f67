"""The command line, a second helping: every command, statuses, directories, interrupts.

The promises are those of section 7 of the design and part 9 of the house style. Commands run in
this process where that shows the same; `tests/test_command_line.py` runs them as a user does.
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
import time
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from evaluate import METRICS
from optimize import run
from optimize.cli import main
from optimize.fronts import read_front
from tests.optimize.small_studies import in_this_process, metrics, study_text, write_study

ROOT = Path(__file__).parents[2]
LAYOUTS = sorted((ROOT / "studies" / "layouts").glob("*.toml"))
TINY: dict[str, Any] = {
    "space": {"cylinders": [2, 3], "throw_angle_step_deg": 60.0},
    "constraints": {"largest_interval_factor": 2.0},
    "search": {"population": 16, "evaluations": 400},
}


def crankfront(*arguments: str | Path) -> Result:
    """Run a command in this process; what is no orderly exit is raised."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_pool", in_this_process)


def _contents(folder: Path) -> dict[str, bytes]:
    """Return all files but the one that says when."""
    files = (p for p in sorted(folder.rglob("*")) if p.is_file() and p.name != "status.json")
    return {str(p): p.read_bytes() for p in files}


@pytest.mark.parametrize("command", [None, *main.commands])
@pytest.mark.parametrize("flag", ["--help", "-h"])
def test_every_help_has_a_line_to_copy(command: str | None, flag: str) -> None:
    result = crankfront(*([command] if command else []), flag)
    assert result.exit_code == 0
    last = result.stdout.rstrip().splitlines()[-1].strip()
    assert last.startswith("Try: crankfront ")
    words = last.removeprefix("Try: crankfront ").split()
    assert words[0] in main.commands
    assert command in (None, words[0])
    for before, word in itertools.pairwise(words):
        if before == "--out":
            continue  # it is written
        if word.startswith("--"):
            names = [n for p in main.commands[words[0]].params for n in p.opts]
            assert word in names
        elif word.endswith(".toml"):
            assert (ROOT / word).exists(), "the line works as it stands"


def test_commands_of_the_design_are_there() -> None:
    assert {"evaluate", "optimize", "metrics"} <= set(main.commands)
    for command in main.commands.values():
        assert command.help
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, f"{command.name} {parameter.opts}"


def test_version_is_that_of_the_distribution() -> None:
    result = crankfront("--version")
    assert result.exit_code == 0
    assert result.stdout.strip() == f"crankfront {version('crankfront')}"


ORDER_KEYS = {
    f"{quantity}_{part}_{unit}"
    for quantity, unit in (("force", "N"), ("couple", "Nm"))
    for part in ("peak", "least", "forward", "backward")
}


@pytest.mark.parametrize("path", LAYOUTS[::6], ids=lambda path: path.stem)
def test_evaluate_json_has_the_keys_of_the_design(path: Path) -> None:
    document = json.loads(crankfront("evaluate", path, "--json").stdout)
    assert document["schema"] == "crankfront.evaluation/1"
    inertia = document["inertia"]
    for part in ("reciprocating", "residual"):
        for order in ("1", "2", "4", "6"):
            assert set(inertia[part][order]) >= ORDER_KEYS
    assert set(inertia["rotating"]["1"]) >= ORDER_KEYS
    for key in ("force_rms_N", "couple_rms_Nm", "force_peak_N", "couple_peak_Nm"):
        assert inertia[key] >= 0
    firing, exhaust = document["firing"], document["exhaust"]
    n = len(firing["order"])
    assert len(firing["angles_deg"]) == len(firing["intervals_deg"]) == n
    assert firing["unevenness_deg"] >= 0
    assert firing["fluctuation"] >= 1 / n - 1e-12
    assert len(document["balance"]["counterweight_kgm"]) >= 1
    for shaft in document["balance"]["shafts"]:
        for key in ("order", "sense", "force_unbalance_kgm", "couple_unbalance_kgm2"):
            assert key in shaft
        assert {"phase_deg", "couple_phase_deg"} <= set(shaft)
    members = [label for collector in exhaust["collectors"] for label in collector["cylinders"]]
    assert sorted(members) == sorted(firing["order"])
    for collector in exhaust["collectors"]:
        assert min(collector["spacings_deg"]) == collector["spacing_min_deg"]
    for key in ("spacing_min_deg", "unevenness_deg", "overlap_deg"):
        assert exhaust[key] >= 0
    assert set(document["metrics"]) == set(METRICS)


def test_metrics_table_says_what_the_json_says() -> None:
    rows = json.loads(crankfront("metrics", "--json").stdout)
    first = (  # section 7 of the design: its first keys
        "force_rms_N couple_rms_Nm internal_couple_Nm firing_fluctuation firing_unevenness_deg "
        "exhaust_unevenness_deg exhaust_spacing_min_deg exhaust_overlap_deg parts box_litres "
        "crank_length_mm crank_train_mass_kg shaft_count"
    )
    assert set(first.split()) <= {row["key"] for row in rows}
    table = "".join(crankfront("metrics").stdout.split())  # cells may be folded
    for row in rows:
        assert row["resolution"] > 0
        assert row["key"][:12] in table


@pytest.mark.parametrize(
    ("wrong", "right"), [("optimise", "optimize"), ("evalute", "evaluate"), ("metric", "metrics")]
)
def test_a_misspelt_command_names_the_nearest(wrong: str, right: str) -> None:
    result = crankfront(wrong)
    assert result.exit_code == 2
    assert f"'{right}'" in result.stderr
    assert result.stdout == ""


def test_a_misspelt_option_names_the_nearest() -> None:
    result = crankfront("optimize", "x.toml", "--worker", "2")
    assert result.exit_code == 2
    assert "--workers" in result.stderr


def test_errors_of_input_show_no_traceback_unless_asked(tmp_path: Path) -> None:
    path = write_study(tmp_path, space={"cylinders": [40]})
    result = crankfront("optimize", path)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.strip().splitlines()) == 1
    assert result.stderr.startswith("crankfront: small.toml: space.cylinders[0]: got 40")
    with pytest.raises(ValueError, match=r"space\.cylinders"):
        crankfront("--debug", "optimize", path)


@pytest.mark.usefixtures("without_processes")
def test_a_run_leaves_its_results_and_an_older_one_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    study = write_study(tmp_path, **TINY)
    result = crankfront("optimize", study, "--no-pictures", "--workers", "1")
    assert result.exit_code == 0
    folder = tmp_path / "results" / "small"
    names = {path.name for path in folder.iterdir()}
    assert {"front.parquet", "family_fronts.parquet", "history.parquet"} <= names
    assert {"study.toml", "summary.md", "shortlist", "checkpoints"} <= names
    assert (folder / "study.toml").read_text("utf-8") == study.read_text("utf-8")
    assert "results/small" in result.stdout
    assert "concept-stage estimates" in (folder / "summary.md").read_text("utf-8")
    before = _contents(folder)
    refused = crankfront("optimize", study, "--out", folder, "--no-pictures")
    assert refused.exit_code == 2
    assert "--out" in refused.stderr
    assert refused.stdout == ""
    assert _contents(folder) == before
    again = crankfront("optimize", study, "--no-pictures", "--workers", "1")
    assert again.exit_code == 0
    assert _contents(folder) == before, "without --out each run takes a directory of its own"
    other = tmp_path / "results" / "small-2"
    assert (other / "front.parquet").read_bytes() == (folder / "front.parquet").read_bytes()


@pytest.mark.usefixtures("without_processes")
def test_seed_of_the_command_line_counts(tmp_path: Path) -> None:
    study = write_study(tmp_path, **TINY)
    result = crankfront("optimize", study, "--out", tmp_path / "a", "--seed", "7", "--no-pictures")
    assert result.exit_code == 0
    assert read_front(tmp_path / "a" / "front.parquet").attrs["seed"] == 7
    refused = crankfront("optimize", study, "--out", tmp_path / "a", "--resume", "--no-pictures")
    assert refused.exit_code == 2
    assert "seed 1" in refused.stderr
    assert "7" in refused.stderr
    before = _contents(tmp_path / "a")
    resumed = crankfront(
        "optimize", study, "--out", tmp_path / "a", "--resume", "--seed", "7", "--no-pictures"
    )
    assert resumed.exit_code == 0, "nothing is left to do"
    assert _contents(tmp_path / "a") == before


@pytest.mark.usefixtures("without_processes")
def test_nothing_feasible_is_an_honest_no(tmp_path: Path) -> None:
    # The single cylinder always leaves a first- and second-order force (Bosch: F1 and F2).
    study = write_study(
        tmp_path,
        space={"cylinders": [1], "reciprocating_fraction": [0.0, 0.5]},
        constraints={"force_rms_N": {"at_most": 1.0}},
    )
    result = crankfront("optimize", study, "--out", tmp_path / "none", "--no-pictures")
    assert result.exit_code == 1
    assert "No feasible design" in result.stdout
    summary = (tmp_path / "none" / "summary.md").read_text("utf-8")
    assert "force_rms_N at most 1" in summary
    assert len(read_front(tmp_path / "none" / "front.parquet")) == 0


@pytest.mark.usefixtures("without_processes")
def test_the_baseline_stands_in_the_summary(tmp_path: Path) -> None:
    layout = next(path for path in LAYOUTS if path.stem == "in-line-four-flat")
    (tmp_path / "usual.toml").write_text(layout.read_text("utf-8"), "utf-8")
    study = write_study(tmp_path, **TINY, baseline={"layout": "usual.toml"})
    assert crankfront("optimize", study, "--out", tmp_path / "a", "--no-pictures").exit_code == 0
    assert "## Baseline" in (tmp_path / "a" / "summary.md").read_text("utf-8")


BAD_DIRECTORIES = {
    "below a file": "small.toml/run",
    "a file": "small.toml",
    "deep below a file": "small.toml/a/b",
}


@pytest.mark.parametrize("name", BAD_DIRECTORIES)
def test_a_directory_that_cannot_be_is_refused(name: str, tmp_path: Path) -> None:
    study = write_study(tmp_path, **TINY)
    before = _contents(tmp_path)
    result = crankfront("optimize", study, "--out", tmp_path / BAD_DIRECTORIES[name])
    assert result.exit_code == 2
    assert "--out" in result.stderr
    assert "Traceback" not in result.stderr
    assert _contents(tmp_path) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["small.toml"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_directory_without_permission_is_refused(tmp_path: Path) -> None:
    study = write_study(tmp_path, **TINY)
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    result = crankfront("optimize", study, "--out", closed / "run")
    assert result.exit_code == 2
    assert "permission" in result.stderr
    assert list(closed.iterdir()) == []


def _python(code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, **environment},
        check=False,
    )


def test_start_up_imports_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "sys.argv = ['crankfront', '--help']\n"
        "from optimize.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'pyarrow', 'pymoo', 'matplotlib', 'msgspec'}\n"
        "print('heavy:', sorted(heavy & set(sys.modules)))\n"
    )
    assert _python(code).stdout.rstrip().endswith("heavy: []")


def test_another_package_named_evaluate_is_told_in_one_sentence(tmp_path: Path) -> None:
    # Section 6 of the design: "the command says so in one sentence when it meets the wrong one".
    (tmp_path / "evaluate").mkdir()
    (tmp_path / "evaluate" / "__init__.py").write_text("load = None\n", "utf-8")
    code = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r})\n"
        "sys.argv = ['crankfront', 'metrics']\n"
        "from optimize.cli import main\n"
        "main()\n"
    )
    result = _python(code)
    assert result.returncode != 0
    assert "Traceback" not in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "environment of its own" in result.stderr


LONG: dict[str, Any] = {
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["shared", "own-main"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 15.0,
    },
    "constraints": {"largest_interval_factor": 1.5},
    "objectives": metrics(("force_rms_N", 50.0), ("couple_rms_Nm", 5.0), ("parts", 1.0)),
    "search": {"population": 40, "evaluations": 8000},
}


def _started(folder: Path, name: str) -> subprocess.Popen[str]:
    """Start a run of the long study as the only member of a process group, as a shell does."""
    (folder / "long.toml").write_text(study_text(**LONG), "utf-8")
    command = [sys.executable, "-m", "optimize.cli", "optimize", "long.toml", "--out", name]
    return subprocess.Popen(
        [*command, "--workers", "1", "--no-pictures", "--save-every", "0"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def _wait_for(path: Path, process: subprocess.Popen[str]) -> None:
    deadline = time.monotonic() + 120
    while not path.exists():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the directory of the long study's run without any interruption."""
    folder = tmp_path_factory.mktemp("whole")
    (folder / "long.toml").write_text(study_text(**LONG), "utf-8")
    result = crankfront("optimize", folder / "long.toml", "--out", folder / "run", "--no-pictures")
    assert result.exit_code == 0
    return folder / "run"


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["interrupt", "terminate"])
def test_a_stopped_run_ends_orderly_and_can_be_gone_on_with(
    kind: str, whole: Path, tmp_path: Path
) -> None:
    # Ctrl-C reaches the whole process group, workers too; SIGTERM the command alone.
    process = _started(tmp_path, "cut")
    _wait_for(tmp_path / "cut" / "checkpoints" / "round.json", process)
    if kind == "interrupt":
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.terminate()
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert "Traceback" not in err
    cut = read_front(tmp_path / "cut" / "front.parquet")
    assert len(cut) >= 1
    assert not cut.attrs["is_complete"]
    assert "--resume" in out
    resumed = crankfront(
        "optimize", tmp_path / "long.toml", "--out", tmp_path / "cut", "--resume", "--no-pictures"
    )
    assert resumed.exit_code == 0
    for name in ("front.parquet", "family_fronts.parquet"):
        assert (tmp_path / "cut" / name).read_bytes() == (whole / name).read_bytes()


@pytest.mark.slow
def test_the_second_interrupt_stops_at_once_and_loses_one_round_at_most(tmp_path: Path) -> None:
    process = _started(tmp_path, "cut")
    note = tmp_path / "cut" / "checkpoints" / "round.json"
    _wait_for(note, process)
    process.send_signal(signal.SIGINT)
    time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=120)
    assert "Traceback" not in err
    assert json.loads(note.read_text("utf-8"))["islands"]
    resumed = crankfront(
        "optimize", tmp_path / "long.toml", "--out", tmp_path / "cut", "--resume", "--no-pictures"
    )
    assert resumed.exit_code == 0
    assert read_front(tmp_path / "cut" / "front.parquet").attrs["is_complete"]


@pytest.mark.slow
def test_an_interrupt_while_workers_start_is_orderly_too(tmp_path: Path) -> None:
    process = _started(tmp_path, "early")
    _wait_for(tmp_path / "early" / "study.toml", process)
    time.sleep(0.2)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=120)
    assert "Traceback" not in err
    assert process.returncode == 0


@pytest.mark.usefixtures("without_processes")
def test_a_run_that_died_before_its_first_round_can_be_started_again(tmp_path: Path) -> None:
    study = write_study(tmp_path, **TINY)
    (tmp_path / "died").mkdir()
    (tmp_path / "died" / "study.toml").write_text(study.read_text("utf-8"), "utf-8")
    statuses = [
        crankfront("optimize", study, "--out", tmp_path / "died", "--no-pictures", *more).exit_code
        for more in ([], ["--resume"])
    ]
    assert 0 in statuses
