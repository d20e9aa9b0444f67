"""Same seed, same front; budgets, exhaustion, checkpoints and the fence around pymoo.

There is no outside value here: what is tested are the promises of sections 5 and 7 of the design
and parts 2 and 11 of the house style, all of them equalities without a tolerance.
"""

from __future__ import annotations

import ast
import copy
import dataclasses
import hashlib
import itertools
import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import evaluate
import optimize
from evaluate import METRICS, InputError
from optimize import checkpoint, run
from optimize.checkpoint import SearchState
from optimize.history import Bounds, Track
from optimize.plan import plan_of
from optimize.problem import Island
from optimize.run import Outcome, Progress, StopRequest, run_study
from optimize.saving import Saver
from optimize.search import IslandState, advance, knees, weighted_pick
from optimize.study import Study
from tests.optimize.small_studies import in_this_process, named_family, searched, small_study
from tests.optimize.twins import plain_designs

SEED = (5, 0, 0)
SPACE: dict[str, Any] = {
    "cylinders": [3, 4],
    "arrangements": ["in-line", "v"],
    "pins": ["shared", "own-main"],
    "bank_angle_deg": [60.0, 90.0],
    "throw_angle_step_deg": 30.0,
    "reciprocating_fraction": [0.0, 0.5],
}
RUN: dict[str, Any] = {
    "study": {"name": "repeatable", "seed": 5},
    "space": SPACE,
    "constraints": {"largest_interval_factor": 1.5},
    "search": {"population": 20, "evaluations": 1200, "seeds": 2},
}


def _island(name: str = "V4 own-main", **changed: Any) -> Island:
    study = small_study(**{**RUN, **changed})
    return Island(study, named_family(study, name))


def _arrays_of(state: IslandState) -> dict[str, Any]:
    """Return everything in a state but seconds, ready to be compared."""
    plain = dataclasses.asdict(state)
    archive = plain.pop("archive")
    plain["visited"] = state.visited.array()
    plain["history"] = [(g, e, None if f is None else f.tolist()) for g, e, _, f in state.history]
    arrays = {**plain, **{f"archive_{key}": value for key, value in archive.items()}}
    return {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in arrays.items()}


def _continued(island: Island, parts: list[int], *, population: int = 20) -> IslandState:
    """Return the state after so many generations, done in so many calls."""
    state: IslandState | None = None
    history: list[Any] = []
    for generations in parts:
        state = advance(island, state, seed=SEED, population=population, generations=generations)
        history += state.history
    assert state is not None
    state.history = history
    return state


@pytest.mark.parametrize("parts", [[1] * 12, [5, 7], [11, 1], [0, 12, 0]])
@pytest.mark.parametrize("name", ["V4 own-main", "in-line 3"])
def test_generations_in_many_calls_are_those_in_one(name: str, parts: list[int]) -> None:
    island = _island(name)
    if parts[0] == 0:  # nothing to start from: a call without generations comes second
        parts = parts[1:]
    assert _arrays_of(_continued(island, parts)) == _arrays_of(_continued(island, [12]))


def test_another_seed_goes_another_way() -> None:
    island = _island()
    states = [
        advance(island, None, seed=seed, population=20, generations=3)
        for seed in ((5, 0, 0), (6, 0, 0), (5, 1, 0), (5, 0, 1), (5, 0, 0))
    ]
    genomes = [state.genomes.tobytes() for state in states]
    assert len(set(genomes)) == 4
    assert genomes[0] == genomes[4]


FINGERPRINT = """
import hashlib, sys
from tests.optimize.test_search import _arrays_of, _continued, _island
text = repr(_arrays_of(_continued(_island(), [4, 4])))
print(hashlib.sha256(text.encode()).hexdigest())
"""


def test_a_fresh_process_with_another_hash_seed_gives_the_same_bits() -> None:
    root = Path(__file__).parents[2]
    here = hashlib.sha256(repr(_arrays_of(_continued(_island(), [4, 4]))).encode()).hexdigest()
    for hash_seed in ("0", "4711"):
        there = subprocess.run(
            [sys.executable, "-c", FINGERPRINT],
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
            cwd=root,
            capture_output=True,
            text=True,
            check=True,
        )
        assert there.stdout.strip() == here


def _scored(monkeypatch: pytest.MonkeyPatch, island: Island, generations: int) -> list[object]:
    """Return all designs that a search scores, as what all twins of a design have in common."""
    seen: list[object] = []
    score = Island.score

    def remembered(self: Island, genomes: np.ndarray) -> Any:
        designs = self.genome.decode(genomes)
        seen.extend(d.name() for d in plain_designs(self.family.engine, designs.batch))
        return score(self, genomes)

    monkeypatch.setattr(Island, "score", remembered)
    state = advance(island, None, seed=SEED, population=30, generations=generations)
    assert len(seen) == state.evaluations
    return seen


@pytest.mark.parametrize("name", ["V4 own-main", "V4 shared", "in-line 3"])
def test_no_design_is_scored_twice(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    seen = _scored(monkeypatch, _island(name), 20)
    assert len(seen) > 100
    assert max(Counter(seen).values()) == 1


@pytest.fixture
def without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_pool", in_this_process)


@pytest.mark.usefixtures("without_processes")
@pytest.mark.parametrize(("evaluations", "seeds"), [(200, 1), (333, 3), (1000, 2), (1999, 1)])
def test_budget_is_spent_but_not_exceeded(tmp_path: Path, evaluations: int, seeds: int) -> None:
    search = {"population": 20, "evaluations": evaluations, "seeds": seeds}
    study = small_study(**{**RUN, "search": search})
    plan = plan_of(study)
    reports: list[Progress] = []
    outcome = run_study(study, tmp_path, workers=1, report=reports.append)
    spent = sum(state.evaluations for state in outcome.states.values())
    assert spent <= evaluations
    if not all(state.is_exhausted for state in outcome.states.values()):
        assert spent > evaluations - 2 * plan.rounds * plan.population
    counts = [progress.evaluations for progress in reports]
    assert counts == sorted(counts)
    assert counts[-1] == spent
    assert all(progress.evaluations <= progress.budget == evaluations for progress in reports)
    shares = [p.hypervolume for p in reports if p.hypervolume is not None]
    assert all(0 <= a <= b + 1e-12 <= 1 + 1e-12 for a, b in itertools.pairwise(shares))


@pytest.mark.usefixtures("without_processes")
def test_the_smallest_budget_scores_something(tmp_path: Path) -> None:
    study = small_study(search={"population": 200, "evaluations": 8})
    outcome = run_study(study, tmp_path, workers=1)
    assert 0 < sum(state.evaluations for state in outcome.states.values()) <= 8


@pytest.mark.usefixtures("without_processes")
def test_plan_gives_every_island_some_generations() -> None:
    study = small_study(**{**RUN, "search": {"population": 500, "evaluations": 8000}})
    plan = plan_of(study)
    each = 8000 / (len(plan.families) * study.seeds)
    assert each / plan.population >= 9.9
    assert plan.rounds >= 12
    assert plan.islands(study) == [(k, 0) for k in range(len(plan.families))]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_an_objective_that_is_not_finite_stops_the_search(
    monkeypatch: pytest.MonkeyPatch, value: float
) -> None:
    # House style, part 11: pymoo returned a NaN row as the best design.
    def compute(evaluation: evaluate.Evaluation) -> np.ndarray:
        values = np.ones(len(evaluation.batch))
        values[-1] = value
        return values

    broken = dataclasses.replace(METRICS["parts"], compute=compute)
    monkeypatch.setitem(METRICS, "parts", broken)
    with pytest.raises(FloatingPointError, match=r"V4 own-main: parts is not finite"):
        searched(_island().study, _island().family, population=10, generations=1)


def test_exhaustion_is_reported_and_nothing_comes_after() -> None:
    # One throw at 0, the other at 0 or 180, the bit 0 or 1: four designs, of which those with
    # intervals 180-540 and 540-180 are one run backward.
    island = _island(
        "in-line 2", space={"cylinders": [2], "throw_angle_step_deg": 180.0}, constraints={}
    )
    state = advance(island, None, seed=SEED, population=20, generations=50)
    assert state.is_exhausted
    assert state.evaluations == len(state.visited) == 3
    again = advance(island, copy.deepcopy(state), seed=SEED, population=20, generations=5)
    assert again.history == []
    state.history = []
    assert _arrays_of(again) == _arrays_of(state)


@pytest.mark.usefixtures("without_processes")
def test_an_exhausted_run_is_complete(tmp_path: Path) -> None:
    space = {"cylinders": [2, 3], "arrangements": ["in-line"], "throw_angle_step_deg": 180.0}
    study = small_study(
        space=space,
        constraints={"largest_interval_factor": 3.0},
        search={"population": 30, "evaluations": 10_000},
    )
    reports: list[Progress] = []
    outcome = run_study(study, tmp_path, workers=1, report=reports.append)
    assert outcome.is_complete
    assert all(state.is_exhausted for state in outcome.states.values())
    # 2 lattice angles and 2 bits for each cylinder but the first.
    assert sum(state.evaluations for state in outcome.states.values()) <= 4 + 16
    assert reports[-1].live_islands == 0


def test_the_first_population_is_no_larger_than_the_space() -> None:
    island = _island("in-line 1", space={"cylinders": [1], "reciprocating_fraction": [0.5]})
    state = advance(island, None, seed=SEED, population=20, generations=3)
    assert state.is_exhausted
    assert state.evaluations == len(state.archive) == 1


def _plain(waiting: list[Any]) -> list[Any]:
    return [
        (when, *rest, None if front is None else front.tolist()) for when, (*rest, front) in waiting
    ]


def _no_design_is_feasible() -> Island:
    # Two cylinders in line leave some force or some couple, whatever the crank.
    limits = {"force_rms_N": {"at_most": 1.0}, "couple_rms_Nm": {"at_most": 1.0}}
    return _island("in-line 2", space={**SPACE, "cylinders": [2]}, constraints=limits)


@pytest.mark.parametrize("is_feasible", [True, False])
def test_checkpoint_round_trip(tmp_path: Path, is_feasible: bool) -> None:
    island = _island() if is_feasible else _no_design_is_feasible()
    states = {(0, 0): _continued(island, [6]), (3, 1): _continued(island, [2])}
    if not is_feasible:
        assert len(states[(0, 0)].archive) == 0
        assert states[(0, 0)].least_violation.max() > 0
    saved = SearchState(
        rounds_done=7,
        goals={(0, 0): 9},
        behind={0: 2, 3: 0},
        states=states,
        tracks={place: Track() for place in states},
        barriers=[{"family": "all", "seed": -1, "hypervolume": 0.25}],
        bounds=Bounds(np.zeros(5), np.array([1e5, 1e4, 1.0, 360.0, 50.0])),
    )
    for place, state in states.items():
        saved.tracks[place].add(state.history[:-1], 7, saved.bounds)
    # As if no barrier had come before the last generation of this island.
    saved.tracks[(0, 0)].waiting = [(8, one) for one in states[(0, 0)].history]
    checkpoint.save(tmp_path / "checkpoints", saved, checkpoint.origin(island.study))
    back = checkpoint.load(tmp_path / "checkpoints", island.study)
    plain = ("rounds_done", "goals", "behind", "barriers")
    assert [getattr(back, n) for n in plain] == [getattr(saved, n) for n in plain]
    assert back.bounds is not None
    assert back.bounds.reference.tolist() == [1e5, 1e4, 1.0, 360.0, 50.0]
    loaded = back.states
    for place, state in states.items():
        state.history = []
        assert _arrays_of(loaded[place]) == _arrays_of(state)
        assert np.array_equal(back.tracks[place].rows(), saved.tracks[place].rows())
        assert _plain(back.tracks[place].waiting) == _plain(saved.tracks[place].waiting)
    onwards = [
        advance(island, s, seed=SEED, population=20, generations=3)
        for s in (
            loaded[(0, 0)],
            states[(0, 0)],
        )
    ]
    assert _arrays_of(onwards[0]) == _arrays_of(onwards[1])


def test_a_later_save_replaces_the_files_of_islands_that_have_moved(tmp_path: Path) -> None:
    island, folder = _island(), tmp_path / "checkpoints"
    states = {(0, 0): _continued(island, [1]), (1, 0): _continued(island, [2])}
    search = SearchState(states=states, tracks={place: Track() for place in states})
    checkpoint.save(folder, search, checkpoint.origin(island.study))
    before = {file.name: file.stat().st_ino for file in folder.glob("island-*")}
    search.states[(0, 0)] = _continued(island, [3])
    search.rounds_done = 2
    checkpoint.save(folder, search, checkpoint.origin(island.study))
    after = {file.name: file.stat().st_ino for file in folder.glob("island-*")}
    assert len(after) == 2
    assert len(before.items() & after.items()) == 1  # the one that stood still
    assert checkpoint.load(folder, island.study).rounds_done == 2


def _same_front(one: Outcome, other: Outcome) -> None:
    pd.testing.assert_frame_equal(one.common, other.common, check_exact=True)
    pd.testing.assert_frame_equal(one.family_rows, other.family_rows, check_exact=True)
    assert one.states.keys() == other.states.keys()
    for place, state in one.states.items():
        assert _arrays_of(state) == _arrays_of(other.states[place]), place


def _stopped(
    study: Study, folder: Path, *, after: int, resume: bool = False, workers: int = 1
) -> Outcome:
    """Return a run that was asked to stop once a number of rounds was done."""
    stop = StopRequest()

    def report(progress: Progress) -> None:
        if progress.round_number >= after:
            stop.is_set.set()

    return run_study(study, folder, workers=workers, resume=resume, report=report, stop=stop)


@pytest.mark.usefixtures("without_processes")
def test_a_run_resumed_several_times_is_the_run_in_one(tmp_path: Path) -> None:
    study = small_study(**RUN)
    (tmp_path / "whole").mkdir()
    (tmp_path / "parts").mkdir()
    whole = run_study(study, tmp_path / "whole", workers=1)
    assert whole.is_complete
    assert len(whole.common) >= 3
    parts = tmp_path / "parts"
    assert not _stopped(study, parts, after=1).is_complete
    assert not _stopped(study, parts, after=4, resume=True).is_complete
    assert not _stopped(study, parts, after=5, resume=True).is_complete
    resumed = run_study(study, parts, workers=1, resume=True)
    assert resumed.is_complete
    _same_front(resumed, whole)
    again = run_study(study, parts, workers=1, resume=True)
    assert again.is_complete
    _same_front(again, whole)


@pytest.mark.usefixtures("without_processes")
def test_history_of_a_resumed_run_is_that_of_the_run_in_one(tmp_path: Path) -> None:
    study = small_study(**RUN)
    (tmp_path / "whole").mkdir()
    (tmp_path / "parts").mkdir()
    whole = run_study(study, tmp_path / "whole", workers=1)
    _stopped(study, tmp_path / "parts", after=4)
    resumed = run_study(study, tmp_path / "parts", workers=1, resume=True)
    columns = ["family", "seed", "round", "generation", "evaluations", "front_size", "hypervolume"]
    assert resumed.history[columns].to_dict("records") == whole.history[columns].to_dict("records")


@pytest.mark.slow
def test_workers_and_interruption_change_nothing(tmp_path: Path) -> None:
    # Real processes: one, two, and two of which the run is stopped and gone on with by one.
    study = small_study(**{**RUN, "space": {**SPACE, "cylinders": [4]}})
    outcomes = {}
    for workers in (1, 2):
        folder = tmp_path / str(workers)
        folder.mkdir()
        outcomes[workers] = run_study(study, folder, workers=workers)
        assert outcomes[workers].is_complete
    _same_front(outcomes[1], outcomes[2])
    (tmp_path / "stopped").mkdir()
    first = _stopped(study, tmp_path / "stopped", after=2, workers=2)
    assert not first.is_complete
    assert sum(s.evaluations for s in first.states.values()) < 1200 / 4
    resumed = run_study(study, tmp_path / "stopped", workers=1, resume=True)
    _same_front(resumed, outcomes[1])


@pytest.fixture
def stopped_run(tmp_path: Path, without_processes: None) -> tuple[Study, Path]:
    study = small_study(**{**RUN, "space": {**SPACE, "cylinders": [3]}})
    assert not _stopped(study, tmp_path, after=2).is_complete
    return study, tmp_path


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_resume_refuses_what_is_not_the_same_run(
    stopped_run: tuple[Study, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    study, folder = stopped_run
    before = _contents(folder)

    def refused(changed: Study, *words: str, where: Path = folder) -> None:
        with pytest.raises(InputError) as caught:
            run_study(changed, where, workers=1, resume=True)
        for word in ("--resume", *words):
            assert word in str(caught.value)

    refused(dataclasses.replace(study, text=study.text + "\n"), "study file", "changed")
    refused(dataclasses.replace(study, seed=6), "seed 6", "the seed of the run, 5")
    refused(study, "no checkpoint", where=folder / "elsewhere")
    versions = checkpoint.package_versions()
    other = {**versions, "numpy": "0.1"}
    with monkeypatch.context() as patch:
        patch.setattr(checkpoint, "package_versions", lambda: other)
        refused(study, "versions", "numpy", versions["numpy"])
    assert _contents(folder) == before


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": "crankfront.checkpoint/99"}', "{}"])
def test_resume_refuses_a_note_that_is_none(stopped_run: tuple[Study, Path], text: str) -> None:
    study, folder = stopped_run
    (folder / "checkpoints" / "round.json").write_text(text, "utf-8")
    with pytest.raises(InputError, match="--resume"):
        run_study(study, folder, workers=1, resume=True)


def test_resume_refuses_a_note_that_says_something_else(stopped_run: tuple[Study, Path]) -> None:
    study, folder = stopped_run
    file = folder / "checkpoints" / "round.json"
    note = json.loads(file.read_text("utf-8"))
    note["barriers"][0]["evaluations"] += 1
    file.write_text(json.dumps(note), "utf-8")
    with pytest.raises(InputError, match=r"--resume: got a damaged checkpoint \(round\.json\)"):
        run_study(study, folder, workers=1, resume=True)


def _flip_a_byte(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[200] ^= 0xFF  # within the first array, which the zip's checksum guards
    file.write_bytes(bytes(content))


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda file: file.unlink(), id="missing"),
        pytest.param(_flip_a_byte, id="damaged"),
        pytest.param(lambda file: os.truncate(file, file.stat().st_size // 2), id="cut"),
    ],
)
def test_resume_refuses_damaged_states(
    stopped_run: tuple[Study, Path], damage: Callable[[Path], None]
) -> None:
    study, folder = stopped_run
    damage(next((folder / "checkpoints").glob("island-*.npz")))
    with pytest.raises(InputError, match="--resume"):
        run_study(study, folder, workers=1, resume=True)


def test_files_of_an_unfinished_round_are_ignored(stopped_run: tuple[Study, Path]) -> None:
    # Killed between the islands' files and the note that makes them count.
    study, folder = stopped_run
    note = json.loads((folder / "checkpoints" / "round.json").read_text("utf-8"))
    (folder / "checkpoints" / "island-000-000-generation-0000099-measured-0000099.npz").write_bytes(
        b"half"
    )
    resumed = run_study(study, folder, workers=1, resume=True)
    assert resumed.is_complete
    assert note["rounds_done"] == 2


class _KilledError(Exception):
    """Ends a run in the middle, as a kill would: nothing of the run comes after it."""


@pytest.mark.usefixtures("without_processes")
@pytest.mark.parametrize("after", [1, 2, 7, 30])
def test_a_run_saved_within_a_round_ends_as_the_run_in_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    # Legs of one generation, saved after each: rounds of this study have several generations.
    study = small_study(**RUN)
    (tmp_path / "whole").mkdir()
    whole = run_study(study, tmp_path / "whole", workers=1)
    monkeypatch.setattr(run, "LEG_S", 0.0)
    left = [after]

    def write_and_die(folder: Path, search: SearchState, begun: Any) -> None:
        checkpoint_save(folder, search, begun)
        left[0] -= 1
        if not left[0]:
            raise _KilledError

    checkpoint_save = checkpoint.save
    with monkeypatch.context() as patch:
        patch.setattr(checkpoint, "save", write_and_die)
        (tmp_path / "cut").mkdir()
        with pytest.raises(_KilledError):
            run_study(study, tmp_path / "cut", workers=1, saver=Saver(every_s=0.0))
    resumed = run_study(study, tmp_path / "cut", workers=1, resume=True)
    assert resumed.is_complete
    _same_front(resumed, whole)
    columns = ["family", "seed", "round", "generation", "evaluations", "front_size", "hypervolume"]
    pd.testing.assert_frame_equal(resumed.history[columns], whole.history[columns])


def _imports(file: Path) -> set[str]:
    """Return the top-level names of all modules that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, "imports are absolute"
            found.add(node.module.split(".")[0])
    return found


def _place(file: Path) -> str:
    return file.relative_to(Path(optimize.__file__).parent).as_posix()


OPTIMIZE = sorted(Path(optimize.__file__).parent.rglob("*.py"))
PICTURES = {_place(file) for file in OPTIMIZE if file.parent.name == "pictures"}
EVALUATE = sorted(Path(evaluate.__file__).parent.rglob("*.py"))


def test_only_one_module_knows_pymoo() -> None:
    assert len(OPTIMIZE) > 15
    assert [file.name for file in OPTIMIZE if "pymoo" in _imports(file)] == ["search.py"]


@pytest.mark.parametrize(
    ("library", "allowed"),
    [
        (
            "pyarrow",
            {
                "fronts.py",
                "order_tables.py",
                "catalogue.py",
                "catalogue_session.py",
                "query.py",
                "run_comparison.py",
            },
        ),
        ("click", {"cli.py", "completion.py"}),
        ("moocore", {"archive.py"}),
        ("matplotlib", {*PICTURES, "inline_svg.py", "report/page.py", "report/printed.py"}),
    ],
)
def test_each_outside_world_has_its_module(library: str, allowed: set[str]) -> None:
    assert {_place(file) for file in OPTIMIZE if library in _imports(file)} <= allowed


def test_physics_imports_nothing_of_the_search() -> None:
    allowed = {"evaluate", "numpy", "scipy", "msgspec"} | set(sys.stdlib_module_names)
    assert len(EVALUATE) > 10
    for file in EVALUATE:
        assert _imports(file) <= allowed, file.name
    for file in EVALUATE:
        assert not _imports(file) & {"random", "time", "datetime"}, file.name


def test_knees_are_found_without_a_warning() -> None:
    # A process of its own, since modules warn only when they are first imported: pymoo's finder
    # imports a name that scipy has moved.
    code = "import numpy as np; from optimize.search import knees; print(knees(np.eye(9, 2)))"
    subprocess.run(
        [sys.executable, "-W", "error::DeprecationWarning", "-c", code],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        check=True,
    )


def test_knee_and_balanced_pick_of_a_bent_front_are_at_its_bend() -> None:
    # y = (1 - x^0.2)^5 bends sharply towards the ideal point; at the bend x = y, so that
    # x^0.2 = 1/2 and x = 1/32. The neighbours on a grid of 1/20 are rows 0 and 1; row 1, with
    # (0.05, 0.019), has the least larger distance, row 0 the distance 1.
    x = np.linspace(0, 1, 21)[:, np.newaxis]
    front = np.concatenate([x, (1 - x**0.2) ** 5], axis=1)
    found = knees(front)
    assert found
    assert all(row <= 2 for row in found)
    assert weighted_pick(front, np.ones(2)) == 1
    # Whoever weighs the second objective far more goes further along for it.
    assert weighted_pick(front, np.array([1.0, 50.0])) > 1


def test_two_designs_have_no_knee() -> None:
    assert knees(np.array([[0.0, 1.0], [1.0, 0.0]])) == []
