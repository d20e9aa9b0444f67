"""Enumerations cut up, stopped, resumed, shared out, and run from the command line.

Reference: the run in one piece, in this process, which `test_exact.py` compares with brute force;
and part 7 of the design for what commands write and refuse.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from evaluate.errors import InputError
from optimize import run
from optimize.cli import main
from optimize.exact import couples, driver, ledger, listing, sweep
from optimize.exact.driver import (
    ExactFamily,
    ExactProgress,
    StoppedError,
    enumerate_families,
)
from optimize.exact.space import Frame
from optimize.exact.space import Space as ExactSpace
from optimize.families import all_families
from optimize.fronts import package_versions, read_front
from optimize.processes import StopRequest
from optimize.study import Study
from tests.optimize.every_design import BALANCE, BALANCE_AND_PULSES
from tests.optimize.exact_runs import RAW, TINY
from tests.optimize.small_studies import in_this_process, metrics, small_study, write_study

#: By halves with banks assigned, with shafts and limits; firing evenly; one by one; symmetric.
STUDIES: dict[str, dict[str, Any]] = {
    "tiny": TINY,
    "banks assigned": {
        "space": {
            "cylinders": [4],
            "arrangements": ["v"],
            "pins": ["own-main", "split"],
            "bank_angle_deg": [60.0, 90.0],
            "throw_angle_step_deg": 60.0,
            "balance_shafts": {"slots": ["1 backward", "2 forward"], "at_most": 1},
        },
        "constraints": {"largest_interval_factor": 2.0, "couple_rms_Nm": {"at_most": 1500.0}},
        "objectives": [*BALANCE_AND_PULSES, *metrics(("parts", 1.0))],
    },
    "even": {
        "space": {
            "cylinders": [4, 5, 6],
            "arrangements": ["in-line", "v"],
            "pins": ["own-web", "split"],
            "bank_angle_deg": [75.0, 90.0],
            "throw_angle_step_deg": 15.0,
        },
        "constraints": {"even_firing": True},
        "objectives": [*BALANCE[:2], *metrics(("exhaust_unevenness_deg", 5.0))],
    },
    "listed": {
        "space": {"cylinders": [3, 4], "throw_angle_step_deg": 60.0},
        "constraints": {"largest_interval_factor": 1.5},
        "objectives": [*BALANCE, *metrics(("internal_couple_Nm", 50.0))],
    },
    "symmetric": {
        "space": {
            "cylinders": [4],
            "arrangements": ["in-line", "v"],
            "pins": ["own-main"],
            "bank_angle_deg": [90.0],
            "throw_angle_step_deg": 30.0,
        },
        "constraints": {"largest_interval_factor": 1.75, "mirror_symmetric": True},
        "objectives": BALANCE,
    },
}

Plain = dict[str, dict[str, Any]]


@pytest.fixture(autouse=True)
def _nothing_remembered() -> Iterator[None]:
    """Drop sweeps that were made with other sizes of blocks."""
    _forget()
    yield
    _forget()


def _forget() -> None:
    driver._known_sweep.cache_clear()
    driver._known_classes.cache_clear()


def _enumerated(study: Study, **options: Any) -> dict[str, ExactFamily]:
    families, _ = all_families(study)
    return enumerate_families(study, families, None, **{"workers": 1, **options})


def _plain(found: dict[str, ExactFamily]) -> Plain:
    """Return all that must not depend on how the work was done."""
    plain = {}
    for name, family in found.items():
        designs, front = family.front.designs, family.front
        batch = designs.batch
        plain[name] = {
            "boxes": front.boxes.tolist(),
            "equals": front.equals.tolist(),
            "coverage": family.coverage,
            "pins": batch.pin_angles_deg.tolist(),
            "bits": batch.firing_bits.tolist(),
            "banks": np.broadcast_to(batch.banks, batch.firing_bits.shape).tolist(),
            "bank angles": batch.bank_angles_deg.tolist(),
            "fractions": batch.reciprocating_fraction.tolist(),
            "shafts": batch.shaft_fractions.tolist(),
            "splays": designs.splay_deg.tolist(),
        }
    return plain


def _fronts(found: dict[str, ExactFamily]) -> dict[str, dict[tuple[int, ...], int]]:
    return {
        name: dict(zip(map(tuple, f.front.boxes.tolist()), f.front.equals.tolist(), strict=True))
        for name, f in found.items()
    }


# --- how the work is cut up ---


@pytest.mark.parametrize("name", STUDIES)
def test_sizes_of_tasks_and_blocks_change_nothing(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = small_study(**STUDIES[name])
    whole = _plain(_enumerated(study))
    assert sum(len(family["boxes"]) for family in whole.values()) > 1, "nothing to compare"
    monkeypatch.setattr(driver, "CLASSES_A_TASK", 7)
    monkeypatch.setattr(sweep, "MOST_FIRINGS", 24)
    monkeypatch.setattr(couples, "BLOCK", 16)
    monkeypatch.setattr(listing, "BLOCK", 16)
    _forget()
    assert _plain(_enumerated(study)) == whole


@pytest.mark.parametrize("name", STUDIES)
def test_what_it_begins_with_changes_nothing(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    study = small_study(**STUDIES[name])
    whole = _plain(_enumerated(study))
    monkeypatch.setattr(driver, "FIRST_SAMPLE", 8)
    _forget()
    assert _plain(_enumerated(study)) == whole


@pytest.mark.parametrize("name", ["tiny", "banks assigned", "even"])
def test_order_of_frames_changes_no_front(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # Which of several equals stands for them may change: it is chosen by the frame's number.
    study = small_study(**STUDIES[name])
    whole = _fronts(_enumerated(study))
    usual = ExactSpace.__dict__["frames"].func

    def backward(space: ExactSpace) -> tuple[Frame, ...]:
        frames: tuple[Frame, ...] = usual(space)[::-1]
        return frames

    monkeypatch.setattr(ExactSpace, "frames", property(backward))
    _forget()
    assert _fronts(_enumerated(study)) == whole


def test_two_processes_find_what_one_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    study = small_study(**STUDIES["banks assigned"])
    alone = _plain(_enumerated(study))
    monkeypatch.setattr(driver, "CLASSES_A_TASK", 40)  # in this process, which hands out tasks
    assert _plain(_enumerated(study, workers=2)) == alone


@pytest.mark.parametrize("factor", [3.0, 0.125])
def test_heavier_parts_in_coarser_steps(factor: float) -> None:
    # Forces and couples are linear in the masses: T. Bevan, The Theory of Machines, ch. 14.
    def front(scale: float) -> dict[str, dict[tuple[int, ...], int]]:
        masses = ("reciprocating_mass_kg_per_m3", "big_end_mass_kg_per_m3", "throw_mass_kg_per_m3")
        study = small_study(
            space={
                "cylinders": [3, 4],
                "arrangements": ["in-line", "v"],
                "pins": ["own-main", "shared"],
                "bank_angle_deg": [60.0],
                "throw_angle_step_deg": 60.0,
                "rotating_fraction": 0.6,
            },
            constraints={
                "largest_interval_factor": 2.0,
                "force_rms_N": {"at_most": 9000.0 * scale},
            },
            objectives=metrics(("force_rms_N", 100.0 * scale), ("couple_rms_Nm", 10.0 * scale)),
            proportions={
                key: scale * base for key, base in zip(masses, (900.0, 800.0, 900.0), strict=True)
            },
        )
        return _fronts(_enumerated(study))

    usual = front(1.0)
    assert all(usual.values())
    assert front(factor) == usual


# --- stopped and resumed ---


class _Stopper:
    """Sets a stop request after some reports."""

    def __init__(self, after: int) -> None:
        self.request, self.left = StopRequest(), after

    def __call__(self, _: ExactProgress) -> None:
        self.left -= 1
        if self.left <= 0:
            self.request.is_set.set()


def _in_pieces(study: Study, folder: Path, piece: int) -> tuple[dict[str, ExactFamily], int]:
    """Return an enumeration that was stopped after every few tasks, and how often it was."""
    families, _ = all_families(study)
    for stops in range(1000):
        stopper = _Stopper(piece)
        try:
            found = enumerate_families(
                study,
                families,
                folder,
                workers=1,
                resume=stops > 0,
                report=stopper,
                stop=stopper.request,
            )
        except StoppedError:
            assert (folder / "checkpoints" / ledger.NAME).exists()
        else:
            return found, stops
    raise AssertionError("it never ends")


@pytest.mark.parametrize("name", ["tiny", "banks assigned", "listed"])
def test_stopped_again_and_again_it_ends_alike(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = small_study(**STUDIES[name])
    whole = _plain(_enumerated(study))
    monkeypatch.setattr(driver, "CLASSES_A_TASK", {"listed": 4}.get(name, 20))
    _forget()
    found, stops = _in_pieces(study, tmp_path, piece=5)
    assert stops > 1
    assert _plain(found) == whole


def _stopped(study: Study, folder: Path) -> None:
    families, _ = all_families(study)
    stopper = _Stopper(4)
    with pytest.raises(StoppedError):
        enumerate_families(study, families, folder, workers=1, report=stopper, stop=stopper.request)


def _resumed(study: Study, folder: Path) -> dict[str, ExactFamily]:
    families, _ = all_families(study)
    return enumerate_families(study, families, folder, workers=1, resume=True)


def test_resuming_with_nothing_saved_begins_anew(tmp_path: Path) -> None:
    study = small_study(**STUDIES["tiny"])
    assert _plain(_resumed(study, tmp_path)) == _plain(_enumerated(study))


def test_another_study_is_not_gone_on_with(tmp_path: Path) -> None:
    _stopped(small_study(**STUDIES["tiny"]), tmp_path)
    changed = {**STUDIES["tiny"], "constraints": {"largest_interval_factor": 1.75}}
    with pytest.raises(InputError, match=r"(?s)--resume.*changed"):
        _resumed(small_study(**changed), tmp_path)


def test_other_versions_do_not_go_on(tmp_path: Path) -> None:
    study = small_study(**STUDIES["tiny"])
    _stopped(study, tmp_path)
    _change(tmp_path, lambda note: note["versions"].update(numpy="0.0.1"))
    with pytest.raises(InputError, match=r"(?s)--resume.*versions.*numpy"):
        _resumed(study, tmp_path)


def _change(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    path = folder / "checkpoints" / ledger.NAME
    note = json.loads(path.read_text("utf-8"))
    change(note)
    path.write_text(json.dumps(note), encoding="utf-8")


def _first(note: dict[str, Any]) -> dict[str, Any]:
    families: dict[str, dict[str, Any]] = note["families"]
    return next(iter(families.values()))


DAMAGES: dict[str, Callable[[dict[str, Any]], object]] = {
    "no families": lambda note: note.pop("families"),
    "families in a list": lambda note: note.update(families=[]),
    "versions in a list": lambda note: note.update(versions=[]),
    "versions in a word": lambda note: note.update(versions="1"),
    "no archive": lambda note: _first(note).pop("archive"),
    "words in the archive": lambda note: _first(note).update(archive=[["a", "b", "c", "d"]]),
    "a row too short": lambda note: _first(note).update(archive=[[1, 2, 3]]),
    "too large a number": lambda note: _first(note).update(archive=[[10**30, 1, 1, 1]]),
    "half a candidate": lambda note: _first(note).update(members={"0": {"raw": "1/0"}}),
    "a number that could be": lambda note: _first(note)["archive"][0].reverse(),
    "a task that was not done": lambda note: _first(note)["swept"].append(10**6),
    "a family that is null": lambda note: note["families"].update({"in-line 2": None}),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_damaged_notes_are_refused(name: str, tmp_path: Path) -> None:
    study = small_study(**STUDIES["tiny"])
    _stopped(study, tmp_path)
    _change(tmp_path, DAMAGES[name])
    with pytest.raises(InputError, match=r"(?s)--resume") as refused:
        _resumed(study, tmp_path)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "\x00\xff", '"crankfront"'])
def test_what_is_no_note_is_refused(text: str, tmp_path: Path) -> None:
    study = small_study(**STUDIES["tiny"])
    (tmp_path / "checkpoints").mkdir()
    (tmp_path / "checkpoints" / ledger.NAME).write_text(text, encoding="latin-1")
    with pytest.raises(InputError, match=r"(?s)--resume.*damaged"):
        _resumed(study, tmp_path)


def test_progress_rises_to_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(driver, "CLASSES_A_TASK", 10)
    study = small_study(**STUDIES["tiny"])
    seen: list[ExactProgress] = []
    found = _enumerated(study, report=seen.append)
    done = [progress.done for progress in seen]
    assert done == sorted(done)
    assert done[0] == 0
    assert done[-1] == pytest.approx(seen[-1].total)
    assert seen[-1].families == seen[-1].families_done == len(found) == len(RAW)


def test_raw_candidates_are_those_worked_out_by_hand() -> None:
    # `exact_runs.RAW`: angles, bits, bank angles, banks, fractions, shafts, multiplied by hand.
    found = _enumerated(small_study(**TINY))
    assert {name: family.coverage.raw for name, family in found.items()} == RAW


# --- commands ---


def crankfront(*arguments: str | Path) -> Result:
    """Run a command in this process; what is no orderly exit is raised."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_pool", in_this_process)


def _command(name: str, study: Path, out: Path, *more: str) -> Result:
    return crankfront(name, study, "--out", out, "--workers", "1", "--no-pictures", *more)


def _names(folder: Path) -> set[str]:
    """Return what lies in a run directory, but for shortlisted designs and what goes on from."""
    kinds = {p.relative_to(folder).parts[0] for p in folder.rglob("*") if p.is_file()}
    return kinds - {"checkpoints"}


@pytest.mark.usefixtures("without_processes")
def test_enumerate_writes_what_optimize_writes_and_a_certificate(tmp_path: Path) -> None:
    study = write_study(tmp_path, **TINY)
    searched, exact = tmp_path / "searched", tmp_path / "exact"
    assert _command("optimize", study, searched).exit_code == 0
    result = _command("enumerate", study, exact)
    assert result.exit_code == 0, result.stderr
    assert _names(exact) == _names(searched) | {"certificate.json"}
    assert (exact / "study.toml").read_text("utf-8") == study.read_text("utf-8")
    certificate = json.loads((exact / "certificate.json").read_text("utf-8"))
    assert certificate["schema"] == "crankfront.certificate/1"
    assert certificate["is_complete"] is True
    assert certificate["versions"] == package_versions()
    assert certificate["not_enumerated"] == []
    assert {f["family"]: f["raw"] for f in certificate["families"]} == RAW
    rows = read_front(exact / "family_fronts.parquet")
    for family in certificate["families"]:
        assert family["members"] == (rows["family"] == family["family"]).sum()
    # In spaces as small as these the search finds everything too.
    keys = [o["metric"] + "_rounded" for o in TINY["objectives"]]
    boxes = {
        folder: sorted(read_front(folder / "front.parquet")[keys].itertuples(index=False))
        for folder in (searched, exact)
    }
    assert boxes[searched] == boxes[exact]


REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "continuous angles": ({"throw_angle_step_deg": 0.0}, "throw_angle_step_deg"),
    "a range of bank angles": (
        {"arrangements": ["v"], "pins": ["shared"], "bank_angle_deg": {"from": 60.0, "to": 90.0}},
        "bank_angle_deg",
    ),
    "angles that are not evenly spaced": (
        {"cylinders": [3], "throw_angle_step_deg": 90.0, "add_even_firing_angles": True},
        "add_even_firing_angles",
    ),
    "a range of fractions": (
        {"reciprocating_fraction": {"from": 0.0, "to": 0.5}},
        "reciprocating_fraction",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_enumerated_is_refused(name: str, tmp_path: Path) -> None:
    space, key = REFUSED[name]
    study = write_study(tmp_path, space={"cylinders": [4], **space})
    before = set(tmp_path.rglob("*"))
    result = _command("enumerate", study, tmp_path / "out")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert key in result.stderr
    assert result.stderr.strip().count("\n") == 0, "one message"
    assert "Traceback" not in result.stderr
    assert set(tmp_path.rglob("*")) == before, "nothing is written"


def test_too_fine_a_resolution_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    study = write_study(tmp_path, objectives=metrics(("force_rms_N", 1e-6)))
    result = _command("enumerate", study, tmp_path / "out")
    assert result.exit_code == 2
    assert "force_rms_N" in result.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("without_processes")
@pytest.mark.parametrize("command", ["optimize", "enumerate"])
def test_another_study_in_the_directory_is_refused(command: str, tmp_path: Path) -> None:
    search = {"population": 16, "evaluations": 200}
    out = tmp_path / "out"
    first = write_study(tmp_path, **{**TINY, "search": search})
    assert _command(command, first, out).exit_code == 0
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    other = write_study(tmp_path, **{**TINY, "constraints": {"largest_interval_factor": 1.5}})
    result = _command("enumerate", other, out, "--resume")
    assert result.exit_code == 2, "the directory would hold one study and the fronts of another"
    assert "--resume" in result.stderr
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


@pytest.mark.usefixtures("without_processes")
def test_a_family_without_a_feasible_design_is_named(tmp_path: Path) -> None:
    # A narrow V on shared pins, whose bores clash: 4.7 of the design, V >= 50 deg or so.
    tables = {**TINY, "space": {**TINY["space"], "bank_angle_deg": [20.0]}}
    out = tmp_path / "out"
    result = _command("enumerate", write_study(tmp_path, **tables), out)
    assert result.exit_code == 0, result.stderr
    families = json.loads((out / "certificate.json").read_text("utf-8"))["families"]
    members = {family["family"]: family["members"] for family in families}
    assert members["V2 shared"] == 0
    assert members["in-line 2"] > 0
    assert "no feasible design" in _family_table(out)["V2 shared"]


#: In-line engines can be enumerated, a range of bank angles can only be searched.
MIXED: dict[str, Any] = {
    "space": {
        "cylinders": [2, 3],
        "arrangements": ["in-line", "v"],
        "pins": ["shared"],
        "bank_angle_deg": {"from": 60.0, "to": 120.0},
        "throw_angle_step_deg": 60.0,
    },
    "constraints": {"largest_interval_factor": 2.0},
    "objectives": BALANCE,
}


def _family_table(folder: Path) -> dict[str, str]:
    """Return the lines of the families in a summary."""
    lines = (folder / "summary.md").read_text("utf-8").splitlines()
    return {
        line.split("|")[1].strip(): line
        for line in lines
        if line.startswith("| in-line ") or line.startswith("| V")
    }


@pytest.mark.usefixtures("without_processes")
def test_auto_enumerates_what_it_can_and_searches_the_rest(tmp_path: Path) -> None:
    search = {"population": 16, "evaluations": 600, "exact": "auto"}
    out = tmp_path / "out"
    result = _command("optimize", write_study(tmp_path, **MIXED, search=search), out)
    assert result.exit_code == 0, result.stderr
    certificate = json.loads((out / "certificate.json").read_text("utf-8"))
    assert [f["family"] for f in certificate["families"]] == ["in-line 2", "in-line 3"]
    assert [f["family"] for f in certificate["not_enumerated"]] == ["V2 shared"]
    assert "bank angle" in certificate["not_enumerated"][0]["reason"]
    table = _family_table(out)
    # Six angles a throw but the first, a bit a cylinder but the first.
    assert f"all {6 * 2} | " in table["in-line 2"]
    assert f"all {36 * 4} | " in table["in-line 3"]
    assert "all " not in table["V2 shared"].split("|")[2]
    assert {"in-line 2", "in-line 3", "V2 shared"} <= set(
        read_front(out / "family_fronts.parquet")["family"]
    )


@pytest.mark.usefixtures("without_processes")
def test_one_step_is_enough_for_no_family(tmp_path: Path) -> None:
    search = {"population": 16, "evaluations": 600, "exact": "auto", "exact_steps": 1}
    out = tmp_path / "out"
    result = _command("optimize", write_study(tmp_path, **MIXED, search=search), out)
    assert result.exit_code == 0, result.stderr
    assert not (out / "certificate.json").exists()
    assert "Enumerated" not in (out / "summary.md").read_text("utf-8")
    assert not any("all " in line.split("|")[2] for line in _family_table(out).values())


def test_a_stopped_command_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = write_study(tmp_path, **TINY)
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    assert _command("enumerate", study, whole).exit_code == 0
    usual = driver.enumerate_families

    def stopping(*arguments: Any, **options: Any) -> dict[str, ExactFamily]:
        stopper = _Stopper(3)
        return usual(*arguments, **{**options, "report": stopper, "stop": stopper.request})

    monkeypatch.setattr(run, "enumerate_families", stopping)
    result = _command("enumerate", study, cut)
    assert result.exit_code == 1
    assert "--resume" in result.stderr
    assert not (cut / "front.parquet").exists()
    assert not (cut / "certificate.json").exists()
    monkeypatch.undo()
    assert _command("enumerate", study, cut, "--resume").exit_code == 0
    hashes = [
        json.loads((folder / "certificate.json").read_text("utf-8"))["front_sha256"]
        for folder in (whole, cut)
    ]
    assert hashes[0] == hashes[1]
    assert read_front(whole / "family_fronts.parquet").equals(
        read_front(cut / "family_fronts.parquet")
    )
