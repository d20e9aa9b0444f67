"""What --resume takes over and what it refuses; each case was once a lost or mixed-up result.

Reference: the run in one piece, and the README ("a run directory is never overwritten"; "another
study, seed, ... is refused with the reason").
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from optimize import checkpoint, polish_session, run
from optimize.checkpoint import SearchState
from optimize.cli import main
from optimize.exact import driver
from optimize.fronts import read_front
from optimize.saving import Saver
from tests.optimize.small_studies import in_this_process, metrics, write_study

STUDY: dict[str, Any] = {
    "study": {"name": "taken up again", "seed": 5},
    "space": {
        "cylinders": [3, 4],
        "arrangements": ["in-line", "v"],
        "pins": ["own-web"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
    },
    "constraints": {"largest_interval_factor": 1.75},
    "objectives": metrics(("force_rms_N", 200.0), ("couple_rms_Nm", 20.0)),
    "search": {"population": 20, "evaluations": 1200, "seeds": 2},
}


@pytest.fixture(autouse=True)
def _without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_pool", in_this_process)
    monkeypatch.setattr(driver, "_pool", in_this_process)
    monkeypatch.setattr(polish_session, "pool", in_this_process)


def crankfront(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [*map(str, arguments), "--no-pictures"])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def _contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def _stopped_after_first_save(monkeypatch: pytest.MonkeyPatch, *command: object) -> None:
    """Run a command that is killed after its first save: nothing of it comes after."""

    class KilledError(BaseException):
        pass

    def write_and_die(folder: Path, search: SearchState, begun: Any) -> None:
        save(folder, search, begun)
        raise KilledError

    save = checkpoint.save
    with monkeypatch.context() as patch:
        patch.setattr(checkpoint, "save", write_and_die)
        patch.setattr(run, "LEG_S", 0.0)
        with pytest.raises(KilledError):
            CliRunner().invoke(main, [*map(str, command), "--no-pictures"])


def test_resume_begins_where_nothing_is(tmp_path: Path) -> None:
    study = write_study(tmp_path, **STUDY)
    assert crankfront("optimize", study, "--out", tmp_path / "a", "--resume").exit_code == 0
    assert crankfront("optimize", study, "--out", tmp_path / "b").exit_code == 0
    for name in ("front.parquet", "family_fronts.parquet", "seeds.parquet"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.parametrize("loss", ["checkpoints", "polished"])
def test_results_without_a_checkpoint_are_never_begun_anew(loss: str, tmp_path: Path) -> None:
    study = write_study(tmp_path, **STUDY)
    folder = tmp_path / "run"
    crankfront("optimize", study, "--out", folder)
    if loss == "polished":
        done = crankfront("polish", folder, "--evaluations", "50", "--out", tmp_path / "polished")
        assert done.exit_code == 0, done.stderr
        folder = tmp_path / "polished"
        study = folder / "study.toml"
    else:
        shutil.rmtree(folder / "checkpoints")
    before = _contents(folder)
    refused = crankfront("optimize", study, "--out", folder, "--resume")
    assert refused.exit_code == 2
    assert "no checkpoint" in refused.stderr
    assert _contents(folder) == before


def test_states_that_no_note_names_are_not_taken_for_ones_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Killed in its first save, after the states and before the note; then another seed.
    study = write_study(tmp_path, **STUDY)
    folder = tmp_path / "run"
    options = ("--save-every", "0")
    _stopped_after_first_save(monkeypatch, "optimize", study, "--out", folder, *options)
    (folder / "checkpoints" / "round.json").unlink()
    assert list((folder / "checkpoints").glob("island-*"))
    again = ("optimize", study, "--out", folder, "--resume", "--seed", "6", *options)
    _stopped_after_first_save(monkeypatch, *again)
    assert crankfront(*again).exit_code == 0
    crankfront("optimize", study, "--out", tmp_path / "whole", "--seed", "6")
    for name in ("front.parquet", "family_fronts.parquet"):
        assert (folder / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


def test_other_starts_are_refused_and_the_kept_ones_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_study(tmp_path, **STUDY)
    crankfront("optimize", study, "--out", tmp_path / "first", "--seed", "9")
    started = ("--start", tmp_path / "first")
    crankfront("optimize", study, "--out", tmp_path / "whole", *started)
    for name, begin in (("plain", ()), ("started", started)):
        command = ("optimize", study, "--out", tmp_path / name, "--save-every", "0")
        _stopped_after_first_save(monkeypatch, *command, *begin)
    refused = crankfront("optimize", study, "--out", tmp_path / "plain", "--resume", *started)
    assert refused.exit_code == 2
    assert "--start" in refused.stderr
    # Meanwhile the first run goes on: its designs are others now.
    done = crankfront("optimize", study, "--out", tmp_path / "started", "--resume", *started)
    assert done.exit_code == 0
    for name in ("front.parquet", "family_fronts.parquet"):
        mine, whole = (tmp_path / f / name for f in ("started", "whole"))
        assert mine.read_bytes() == whole.read_bytes()
    shutil.copy(tmp_path / "whole" / "family_fronts.parquet", tmp_path / "first")
    refused = crankfront("optimize", study, "--out", tmp_path / "started", "--resume", *started)
    assert refused.exit_code == 2


#: The in-line families are small enough to be enumerated, the V4 is not.
MIXED = {**STUDY, "search": {**STUDY["search"], "exact": "auto", "exact_steps": 5_000}}


def test_a_search_does_not_take_over_what_was_enumerated_whole(tmp_path: Path) -> None:
    study = write_study(tmp_path, **MIXED)
    folder = tmp_path / "exact"
    assert crankfront("enumerate", study, "--out", folder).exit_code == 0
    before = _contents(folder)
    refused = crankfront("optimize", study, "--out", folder, "--resume")
    assert refused.exit_code == 2
    assert "enumerates more families" in refused.stderr
    assert _contents(folder) == before


def test_the_enumeration_of_a_mixed_run_is_not_taken_for_one_of_all_families(
    tmp_path: Path,
) -> None:
    study = write_study(tmp_path, **MIXED)
    folder = tmp_path / "mixed"
    assert crankfront("optimize", study, "--out", folder).exit_code == 0
    (folder / "checkpoints" / "round.json").unlink()  # as if killed before its search was saved
    refused = crankfront("enumerate", study, "--out", folder, "--resume")
    assert refused.exit_code == 2
    assert "other families" in refused.stderr


@pytest.mark.parametrize("tables", [STUDY, MIXED], ids=["searched", "mixed"])
def test_the_state_is_whole_after_a_resumption(tables: dict[str, Any], tmp_path: Path) -> None:
    study = write_study(tmp_path, **tables)
    folder = tmp_path / "run"

    def told() -> dict[str, Any]:
        status = json.loads((folder / "status.json").read_text("utf-8"))
        kept = ("state", "evaluations", "round", "rounds", "front_size", "hypervolume")
        rows = [(i["family"], i["seed"], i["state"], i["evaluations"]) for i in status["islands"]]
        return {**{name: status[name] for name in kept}, "islands": rows}

    crankfront("optimize", study, "--out", folder)
    before = told()
    assert before["evaluations"] > 0
    assert len(before["islands"]) > 2
    assert crankfront("optimize", study, "--out", folder, "--resume").exit_code == 0
    assert told() == before


def test_a_run_without_feasible_designs_still_has_its_history(tmp_path: Path) -> None:
    limits = {"force_rms_N": {"at_most": 0.001}, "couple_rms_Nm": {"at_most": 0.001}}
    study = write_study(tmp_path, **{**STUDY, "constraints": limits})
    done = crankfront("optimize", study, "--out", tmp_path / "none")
    assert done.exit_code == 1
    history = read_front(tmp_path / "none" / "history.parquet")
    status = json.loads((tmp_path / "none" / "status.json").read_text("utf-8"))
    last = history.groupby(["family", "seed"])["evaluations"].last()
    assert last.sum() == status["evaluations"] > 0
    assert history["hypervolume"].isna().all()
    assert (history["front_size"] == 0).all()
    rounds = history.groupby(["family", "seed"])["round"]
    assert all((np.diff(numbers) >= 0).all() for _, numbers in rounds)
    assert history["round"].min() == 1


@pytest.mark.parametrize("value", ["nan", "inf", "-1", "100000", "often"])
def test_an_interval_that_is_none_is_refused(value: str, tmp_path: Path) -> None:
    study = write_study(tmp_path, **STUDY)
    refused = crankfront("optimize", study, "--out", tmp_path / "a", "--save-every", value)
    assert refused.exit_code == 2
    assert not (tmp_path / "a").exists()


def test_saving_seldom_still_saves_at_the_end(tmp_path: Path) -> None:
    assert not Saver(every_s=86_400.0).is_due()
    study = write_study(tmp_path, **STUDY)
    crankfront("optimize", study, "--out", tmp_path / "a", "--save-every", "86400")
    status = json.loads((tmp_path / "a" / "status.json").read_text("utf-8"))
    assert status["saved"] is not None
    assert crankfront("optimize", study, "--out", tmp_path / "a", "--resume").exit_code == 0
