"""The command `runs`: every run under a directory with what is in it, damaged ones included.

References: counts come from the files as pandas and the file system see them; hypervolumes from a
sum over the cells between all coordinates; damage is done to real files.
"""

from __future__ import annotations

import itertools
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from optimize.catalogue import catalogue
from optimize.files import only_writer
from optimize.fronts import METADATA_KEY
from tests.optimize.catalogued_runs import (
    ENUMERATED,
    SEARCHED,
    crankfront,
    make_old,
    make_run,
    rewrite,
)
from tests.optimize.small_studies import write_study

ROOT = Path(__file__).parents[2]
_MORE_KEYS = ("firing_fluctuation", "box_litres", "shaft_count", "crank_length_mm", "force_peak_N")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a directory with a searched, an enumerated, an old and a polished run."""
    root = tmp_path_factory.mktemp("catalogue")
    make_run("optimize", root / "night" / "first", **SEARCHED)
    make_run("enumerate", root / "exact", **ENUMERATED)
    shutil.copytree(root / "night" / "first", root / "night" / "old")
    make_old(root / "night" / "old")
    when = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC).timestamp()
    os.utime(root / "night" / "old" / "study.toml", (when, when))
    result = crankfront(
        "polish", root / "exact", "--evaluations", 20, "--workers", 1, "--no-pictures"
    )
    assert result.exit_code == 0, result.output
    return root


@pytest.fixture
def mine(made: Path, tmp_path: Path) -> Path:
    """Return a copy to spoil."""
    shutil.copytree(made, tmp_path / "runs")
    return tmp_path / "runs"


def listed(root: Path) -> dict[str, dict[str, Any]]:
    """Return what the command says of each run, in its order."""
    result = crankfront("runs", root, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["schema"] == "crankfront.runs/1"
    assert "do not compare" in document["note"]
    return {entry["run"]: entry for entry in document["runs"]}


def test_every_run_is_listed_with_what_its_files_say(made: Path) -> None:
    runs = listed(made)
    assert set(runs) == {"night/first", "exact", "night/old", "exact-polished"}
    for name, entry in runs.items():
        folder = made / name
        assert (entry["state"], entry["wrong"]) == ("finished", [])
        assert entry["front_size"] == len(pd.read_parquet(folder / "front.parquet"))
        sizes = [path.stat().st_size for path in folder.rglob("*") if path.is_file()]
        assert entry["bytes"] == sum(sizes)
    first, old, exact, polished = (
        runs[name] for name in ("night/first", "night/old", "exact", "exact-polished")
    )
    assert (first["study"], first["seed"], first["command"]) == ("searched twice", 11, "searched")
    # in-line 2, in-line 4, and two kinds of pins each for V2 and V4
    assert first["families"] == old["families"] == 6
    history = pd.read_parquet(made / "night" / "first" / "history.parquet")
    last = history[history["family"] != "all"].groupby(["family", "seed"])["evaluations"].max()
    assert first["evaluations"] == old["evaluations"] == last.sum()
    assert (old["study"], old["seed"], old["command"]) == ("searched twice", 11, "searched")
    assert (exact["study"], exact["seed"]) == ("every in-line four", 3)
    assert (exact["command"], exact["families"]) == ("enumerated", 1)
    # 4 ^ 3 throw angles, 2 ^ 3 firing bits, four sets of shafts
    assert exact["covered"] == 4**3 * 2**3 * 4
    assert (polished["command"], polished["covered"]) == ("polished", None)


def test_dates_come_from_the_run_or_from_its_files_and_sort(made: Path) -> None:
    runs = listed(made)
    assert runs["night/old"]["started"] == "2026-01-02T03:04:05+00:00"
    status = json.loads((made / "exact" / "status.json").read_text())
    assert runs["exact"]["started"] == status["started"]
    dates = [datetime.fromisoformat(entry["started"]) for entry in runs.values()]
    assert dates == sorted(dates)
    assert next(iter(runs)) == "night/old"


def volume_by_cells(points: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> float:
    """Return the dominated share of a box, cell by cell between all coordinates."""
    axes = [
        np.unique(np.concatenate([points[:, k], [lower[k], upper[k]]]))
        for k in range(points.shape[1])
    ]
    total = 0.0
    for corner in itertools.product(*(range(len(axis) - 1) for axis in axes)):
        low = np.array([axis[i] for axis, i in zip(axes, corner, strict=True)])
        high = np.array([axis[i + 1] for axis, i in zip(axes, corner, strict=True)])
        if (points <= low).all(axis=1).any():
            total += float(np.prod(high - low))
    return total / float(np.prod(upper - lower))


def test_hypervolumes_are_shares_of_one_box_for_one_problem(mine: Path) -> None:
    # Another seed and budget are the same problem, another space is not.
    other = {**SEARCHED, "study": {"name": "again", "seed": 12}}
    make_run("optimize", mine / "again", **{**other, "search": {"evaluations": 1200}})
    runs = listed(mine)
    names = ["night/first", "night/old", "again"]
    columns = ["force_rms_N_rounded", "couple_rms_Nm_rounded", "parts_rounded"]
    fronts = [pd.read_parquet(mine / n / "front.parquet")[columns].to_numpy() for n in names]
    everything, steps = np.concatenate(fronts), np.array([200.0, 20.0, 1.0])
    margin = np.maximum(0.1 * np.ptp(everything, axis=0), steps)
    lower, upper = everything.min(axis=0) - margin, everything.max(axis=0) + margin
    for name, front in zip(names, fronts, strict=True):
        assert runs[name]["hypervolume"] == pytest.approx(volume_by_cells(front, lower, upper))
    before = listed(mine)["exact"]["hypervolume"]
    shutil.rmtree(mine / "again")
    assert listed(mine)["exact"]["hypervolume"] == before


def test_fronts_that_would_take_long_have_no_hypervolume(mine: Path) -> None:
    # Eight objectives: the rounded objectives of the run, and five columns made up for it.
    run = mine / "night" / "first"
    for name in ("front.parquet", "family_fronts.parquet"):
        table = pq.read_table(run / name)
        known = json.loads(table.schema.metadata[METADATA_KEY])
        known["objectives"] += [{"metric": key, "resolution": 1.0} for key in _MORE_KEYS]
        for key in _MORE_KEYS:
            table = table.append_column(f"{key}_rounded", table["parts_rounded"])
        rewrite(run / name, table, known)
    entry = listed(mine)["night/first"]
    assert entry["front_size"] > 20
    assert (entry["hypervolume"], entry["state"]) == (None, "finished")


def test_a_run_directory_lists_itself(made: Path) -> None:
    assert set(listed(made / "exact")) == {"exact"}


def test_runs_within_runs_are_found_and_other_files_are_not(mine: Path) -> None:
    shutil.copytree(mine / "exact", mine / "exact" / "inner" / "again")
    (mine / "notes").mkdir()
    (mine / "notes" / "study.toml").write_text("[study]\nname = 'no run'\n")
    shutil.copytree(mine / "exact", mine / ".hidden")
    assert set(listed(mine)) == {
        *("night/first", "night/old", "exact", "exact-polished"),
        "exact/inner/again",
    }


def test_states_of_runs_that_did_not_finish(mine: Path) -> None:
    def unfinished(name: str, state: str | None, *, front: bool = False) -> Path:
        folder = mine / name
        shutil.copytree(mine / "night" / "first", folder)
        if not front:
            (folder / "front.parquet").unlink()
            (folder / "family_fronts.parquet").unlink()
        if state is None:
            (folder / "status.json").unlink()
        else:
            status = json.loads((folder / "status.json").read_text())
            (folder / "status.json").write_text(json.dumps({**status, "state": state}))
        return folder

    unfinished("failed", "failed")
    unfinished("stopped", "stopped", front=True)
    unfinished("killed", "running")
    unfinished("old and killed", None)
    running = [unfinished("running", "running"), unfinished("old and running", None)]
    with only_writer(running[0], "here"), only_writer(running[1], "here"):
        runs = listed(mine)
    states = {name: runs[name]["state"] for name in runs if name not in ("exact", "night/first")}
    assert states == {
        "night/old": "finished",
        "exact-polished": "finished",
        "failed": "failed",
        "stopped": "stopped",
        "killed": "interrupted",
        "old and killed": "interrupted",
        "running": "running",
        "old and running": "running",
    }
    assert all(not entry["wrong"] for entry in runs.values())


def test_a_run_that_is_killed_is_interrupted(tmp_path: Path) -> None:
    tables = {**SEARCHED, "search": {"population": 16, "evaluations": 10**7, "seeds": 1}}
    study = write_study(tmp_path, **tables)
    command = [sys.executable, "-m", "optimize.cli", "optimize", str(study), "--workers", "1"]
    command += ["--out", str(tmp_path / "runs" / "long")]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        status = tmp_path / "runs" / "long" / "status.json"
        deadline = time.monotonic() + 120
        while not status.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        assert listed(tmp_path / "runs")["long"]["state"] == "running"
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait(60)
    entry = listed(tmp_path / "runs")["long"]
    assert (entry["state"], entry["wrong"]) == ("interrupted", [])


def _cut(name: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        data = (folder / name).read_bytes()
        (folder / name).write_bytes(data[: len(data) // 2])

    return spoil


def _write(name: str, data: bytes) -> Callable[[Path], None]:
    return lambda folder: [(folder / name).write_bytes(data), None][1]


def _remove(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def _make_folder(folder: Path) -> None:
    (folder / "front.parquet").unlink()
    (folder / "front.parquet").mkdir()


DAMAGE: dict[str, tuple[Callable[[Path], None], str]] = {
    "front cut": (_cut("front.parquet"), "front.parquet"),
    "front empty": (_write("front.parquet", b""), "front.parquet"),
    "front is a directory": (_make_folder, "front.parquet"),
    "front gone": (_remove("front.parquet"), "front.parquet: no such file"),
    "family fronts gone": (_remove("family_fronts.parquet"), "family_fronts.parquet"),
    "family fronts cut": (_cut("family_fronts.parquet"), "family_fronts.parquet"),
    "history cut": (_cut("history.parquet"), "history.parquet"),
    "study gone": (_remove("study.toml"), "study.toml: no such file"),
    "study is no TOML": (_write("study.toml", b"[study"), "study.toml"),
    "study is no text": (_write("study.toml", b"\xff\xfe\x00"), "study.toml"),
    "study changed": (_write("study.toml", b"[study]\nname = 'x'\n"), "study.toml: changed since"),
    "status is no JSON": (_write("status.json", b"{"), "status.json"),
    "status of a newer version": (
        _write("status.json", b'{"schema": "crankfront.status/9"}'),
        "status.json",
    ),
    "certificate cut": (_write("certificate.json", b'{"is_complete": tr'), "certificate.json"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_a_damaged_run_says_what_is_wrong_and_others_are_not_touched(name: str, mine: Path) -> None:
    spoil, words = DAMAGE[name]
    before = listed(mine)
    spoil(mine / "night" / "first")
    runs = listed(mine)
    entry = runs.pop("night/first")
    assert entry["state"] == "damaged"
    assert any(words in text for text in entry["wrong"]), entry["wrong"]
    assert entry["study"] in ("searched twice", None)
    del before["night/first"]
    kept = ("state", "wrong", "front_size", "study")
    assert {n: [e[k] for k in kept] for n, e in runs.items()} == {
        n: [e[k] for k in kept] for n, e in before.items()
    }
    shown = crankfront("runs", mine)
    assert shown.exit_code == 0
    assert "night/first: " in shown.stdout


def test_flipped_bytes_never_stop_the_list(mine: Path) -> None:
    # Two hundred files with one byte changed at random, most of them near the end, where Parquet
    # has its table of contents. Seeded, so that a failure can be had again.
    chance = random.Random(20261128)
    folder = mine / "night" / "first"
    names = ("front.parquet", "family_fronts.parquet", "history.parquet", "status.json")
    whole = {name: (folder / name).read_bytes() for name in names}
    damaged = 0
    for _ in range(200):
        name = chance.choice(names)
        data = bytearray(whole[name])
        data[len(data) - 1 - int(chance.random() ** 3 * (len(data) - 1))] = chance.randrange(256)
        (folder / name).write_bytes(data)
        (entry,) = catalogue(folder)
        damaged += entry.state == "damaged"
        assert (entry.state == "damaged") == bool(entry.wrong)
        (folder / name).write_bytes(whole[name])
    assert damaged > 50


def test_a_run_without_a_feasible_design_is_listed(tmp_path: Path) -> None:
    tables = {**SEARCHED, "constraints": {"force_rms_N": {"at_most": -1.0}}}
    study = write_study(tmp_path, **tables)
    out = tmp_path / "runs" / "none"
    result = crankfront("optimize", study, "--out", out, "--workers", 1, "--no-pictures")
    assert result.exit_code == 1
    entry = listed(tmp_path / "runs")["none"]
    assert (entry["state"], entry["wrong"], entry["front_size"]) == ("finished", [], 0)
    assert entry["hypervolume"] is None


def test_nothing_to_list_is_an_honest_no(tmp_path: Path) -> None:
    result = crankfront("runs", tmp_path)
    assert (result.exit_code, result.stdout) == (1, f"No run under {tmp_path}.\n")
    result = crankfront("runs", tmp_path, "--json")
    assert (result.exit_code, json.loads(result.stdout)["runs"]) == (1, [])


@pytest.mark.parametrize("name", ["none", "file"])
def test_what_is_no_directory_is_bad_input(name: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = crankfront("runs", tmp_path / name)
    assert result.exit_code == 2
    assert f"DIR: got {tmp_path / name}" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize("columns", [80, 140])
def test_nothing_is_cut_on_the_terminal(
    columns: int, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr("rich.console.Console.is_terminal", True)
    shown = re.sub(r"\x1b\[[0-9;]*m", "", crankfront("runs", made).stdout)
    lines = shown.splitlines()
    assert max(map(len, lines)) <= columns
    text = " ".join(" ".join(lines).split())
    for name, entry in listed(made).items():
        assert name in text
        assert f"{entry['hypervolume']:.4f}" in text
        assert entry["state"] in text
    assert "do not compare" in text
