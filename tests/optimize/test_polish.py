"""Polishing: designs of a coarse lattice reach the classics that stand between its points."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from evaluate.batch import FloatArray
from optimize import polish_session, run
from optimize.archive import rounded_boxes
from optimize.cli import main
from optimize.descents import Found, continuous_columns, improved_from
from optimize.encoding import encoded
from optimize.fronts import one_row_batch, read_front
from optimize.genome import Designs
from optimize.polish import EVALUATIONS, UNPROVEN, dominated_shares, polish, section
from optimize.problem import Island
from optimize.search import advance
from optimize.seeding import first_genomes
from optimize.starts import designs_of, starts_by_family
from optimize.study import Study
from tests.optimize.small_studies import (
    in_this_process,
    metrics,
    named_family,
    searched,
    small_study,
    write_study,
)

FORCE_AND_FIRING = metrics(("force_rms_N", 1.0), ("firing_fluctuation", 0.0005))


def _island(study: Study, name: str) -> Island:
    return Island(study, named_family(study, name))


def _lattice_front(study: Study, name: str) -> Designs:
    """Return a searched front on a lattice so small that the search sees most of it."""
    island = _island(study, name)
    found = searched(study, island.family, population=40, generations=30).archive
    assert len(found)
    return island.genome.decode(found.genomes)


def _studies(*, step_deg: float, bank_deg: Any = None, **changed: Any) -> tuple[Study, Study]:
    """Return a study on a lattice and the same one with continuous angles."""
    space = {"reciprocating_fraction": [0.5], **changed.pop("space")}
    listed = {"bank_angle_deg": bank_deg[0]} if bank_deg else {}
    ranged = {"bank_angle_deg": bank_deg[1]} if bank_deg else {}
    return (
        small_study(space={**space, **listed, "throw_angle_step_deg": step_deg}, **changed),
        small_study(space={**space, **ranged, "throw_angle_step_deg": 0.0}, **changed),
    )


@pytest.mark.parametrize(
    ("cylinders", "step_deg", "n_starts"),
    [(3, 90.0, 1), (5, 60.0, 2)],
)
def test_odd_in_line_engines_reach_their_star(
    cylinders: int, step_deg: float, n_starts: int
) -> None:
    # Throws of an in-line three stand 120 degrees apart, of an in-line five 72; they fire every
    # 240 and 144 degrees and have no free force of first or second order: Bosch, Automotive
    # Handbook, table of free forces and moments of the first and second order (from memory).
    # Neither 120 nor 72 degrees is on the lattice. Sums of unit vectors to 1e-9: round-off.
    lattice, free = _studies(
        step_deg=step_deg,
        space={"cylinders": [cylinders]},
        constraints={"largest_interval_factor": 1.5},
        objectives=FORCE_AND_FIRING,
    )
    starts = _lattice_front(lattice, f"in-line {cylinders}")
    polished = polish(_island(free, f"in-line {cylinders}"), starts)
    assert polished.improved == polished.starts == len(starts.batch) == n_starts
    assert polished.hypervolume_after > polished.hypervolume_before

    designs = polished.front().designs
    assert len(designs.batch) == 1
    angles_deg = designs.batch.pin_angles_deg[0]
    star_deg = 360 / cylinders * np.arange(cylinders)
    np.testing.assert_allclose(np.sort(angles_deg), star_deg, atol=1e-9)
    for order in (1, 2):
        assert abs(np.exp(1j * order * np.radians(angles_deg)).sum()) < 1e-9
    fired_deg = np.sort(-angles_deg % 360 + 360 * designs.batch.firing_bits[0])
    np.testing.assert_allclose(np.diff(fired_deg), 720 / cylinders, atol=1e-9)


def test_v_twin_finds_the_bank_angle_without_first_order() -> None:
    # Two cylinders on one pin with counterweights for half the reciprocating mass leave no first
    # order at a bank angle of 90 degrees: J. P. Den Hartog, Mechanical Vibrations, ch. 5. With
    # rods of a thousand crank radii there is next to nothing but the first order, which leaves
    # |cos V| of ½ m r ω² times two; 0.1 deg, because the force there is 0.002 of that at 0 deg.
    lattice, free = _studies(
        step_deg=90.0,
        bank_deg=([60.0, 75.0, 100.0], {"from": 60.0, "to": 120.0}),
        space={"cylinders": [2], "arrangements": ["v"], "pins": ["shared"]},
        engine={"crank_radius_to_rod": 0.001},
        constraints={"largest_interval_factor": 2.0},
        objectives=metrics(("force_rms_N", 0.1)),
    )
    listed = _island(lattice, "V2 shared")
    genes = encoded(
        listed.genome,
        _of_bank_angles(listed, [60.0, 75.0, 100.0]),
        np.full((3, listed.genome.n_genes), 0.5),
    )
    starts = listed.genome.decode(genes)
    force_N, _ = listed.score(genes)
    expected = np.abs(np.cos(np.radians([60.0, 75.0, 100.0])))
    np.testing.assert_allclose(force_N[:, 0] / force_N[0, 0], expected / expected[0], rtol=1e-4)

    polished = polish(_island(free, "V2 shared"), starts)
    assert polished.improved == 3
    found = polished.front()
    np.testing.assert_allclose(np.ptp(found.designs.batch.bank_angles_deg, axis=1), 90.0, atol=0.1)
    assert polished.archive.objectives.max() < 0.003 * force_N[0, 0] / expected[0]


def _of_bank_angles(island: Island, bank_deg: list[float]) -> Designs:
    """Return designs of a family that differ in the bank angle alone."""
    n = len(bank_deg)
    designs = island.genome.decode(np.full((n, island.genome.n_genes), 0.1))
    half_deg = 0.5 * np.array(bank_deg)[:, np.newaxis]
    batch = designs.batch.having(bank_angles_deg=half_deg * np.array([[-1.0, 1.0]]))
    return Designs(batch=batch, splay_deg=designs.splay_deg)


WIDE: dict[str, Any] = {
    "bank_angle_deg": {"from": 50.0, "to": 120.0},
    "reciprocating_fraction": {"from": 0.0, "to": 1.0},
    "throw_angle_step_deg": 0.0,
    "balance_shafts": {"slots": ["1 backward", "2 forward"]},
}
NAMES = ["in-line 4", "V4 shared", "V4 split", "V4 own-main", "opposed 4 own-web"]


def _wide(**constraints: Any) -> Study:
    space = {"cylinders": [4], "arrangements": ["in-line", "v", "opposed"], **WIDE}
    return small_study(space=space, constraints=constraints)


def _some_genomes(island: Island, n: int, seed: int) -> FloatArray:
    """Return feasible genomes by chance, as coarse as a 30-degree lattice."""
    genomes = first_genomes(island.genome, 400, np.random.default_rng(seed))
    genomes = np.round(genomes * 12 % 12) / 12 % 1.0
    _, violations = island.score(genomes)
    feasible = genomes[(violations <= 0).all(axis=1)]
    assert len(feasible) >= n
    return feasible[:n]


@pytest.mark.parametrize("name", NAMES)
def test_nothing_gets_worse_and_all_limits_hold(name: str) -> None:
    # By definition of dominance, on the rounded values that fronts are compared by.
    study = _wide(largest_interval_factor=1.6, mirror_symmetric=False)
    island = _island(study, name)
    genomes = _some_genomes(island, 5, seed=2)
    polished = polish(island, island.genome.decode(genomes), evaluations=300)
    objectives, _ = island.score(genomes)
    boxes = rounded_boxes(objectives, polished.archive.resolutions)
    for box in boxes:
        assert (polished.archive.boxes <= box).all(axis=1).any()
    assert polished.hypervolume_after >= polished.hypervolume_before
    assert polished.evaluations <= 5 * 301
    again, violations = island.score(polished.archive.genomes)
    assert (violations <= 0).all()
    np.testing.assert_array_equal(again, polished.archive.objectives)


@pytest.mark.parametrize("name", NAMES)
def test_only_continuous_genes_move(name: str) -> None:
    island = _island(_wide(largest_interval_factor=1.6), name)
    for genome in _some_genomes(island, 3, seed=4):
        found = improved_from(island, genome, evaluations=200)
        held = np.setdiff1d(np.arange(len(genome)), continuous_columns(island.genome))
        assert len(held) < len(genome)
        np.testing.assert_array_equal(
            found.genomes[:, held], np.repeat(genome[np.newaxis, held], len(found.genomes), axis=0)
        )


def test_mirror_symmetric_cranks_stay_so() -> None:
    island = _island(_wide(mirror_symmetric=True, largest_interval_factor=2.0), "in-line 4")
    polished = polish(island, island.genome.decode(_some_genomes(island, 4, 1)), evaluations=200)
    angles_deg = polished.front().designs.batch.pin_angles_deg
    np.testing.assert_array_equal(angles_deg, angles_deg[:, ::-1])


def test_a_start_that_breaks_a_limit_is_led_back_to_it() -> None:
    # Throws at 0, 90 and 270 degrees fire every 180 and twice 270 degrees (by hand); 1.05 times
    # the even 240 is 252.
    lattice, free = _studies(
        step_deg=90.0,
        space={"cylinders": [3]},
        constraints={"largest_interval_factor": 1.05},
        objectives=FORCE_AND_FIRING,
    )
    loose, _ = _studies(
        step_deg=90.0,
        space={"cylinders": [3]},
        constraints={"largest_interval_factor": 1.5},
        objectives=FORCE_AND_FIRING,
    )
    starts = _lattice_front(loose, "in-line 3")
    assert (_island(lattice, "in-line 3").judge(starts)[1] > 0).any(axis=1).all()
    polished = polish(_island(free, "in-line 3"), starts)
    assert (polished.infeasible, len(polished.boxes_before), polished.improved) == (1, 0, 0)
    assert len(polished.archive)
    batch = polished.front().designs.batch
    fired_deg = np.sort(-batch.pin_angles_deg % 360 + 360 * batch.firing_bits, axis=1)
    intervals_deg = np.diff(fired_deg, axis=1, append=720.0)
    assert intervals_deg.max() <= 252.0 + 1e-6
    assert "1 starts break a limit" in "\n".join(section([polished]))


@pytest.mark.parametrize("evaluations", [1, 7, 8, 20, 61, 200])
def test_the_budget_is_kept(evaluations: int) -> None:
    island = _island(_wide(largest_interval_factor=1.6), "in-line 4")
    genome = _some_genomes(island, 1, seed=3)[0]
    found = improved_from(island, genome, evaluations=evaluations)
    assert found.evaluations <= evaluations
    if evaluations < 4 * len(continuous_columns(island.genome)):
        assert found.evaluations == len(found.genomes) == 0


def test_the_result_does_not_depend_on_how_starts_are_dealt_out() -> None:
    island = _island(_wide(largest_interval_factor=1.6), "V4 split")
    starts = island.genome.decode(_some_genomes(island, 6, seed=5))

    def backwards(
        task: Callable[[FloatArray], Found], genomes: Iterable[FloatArray]
    ) -> Iterable[Found]:
        return reversed([task(genome) for genome in reversed(list(genomes))])

    one = polish(island, starts, evaluations=250)
    two = polish(island, starts, evaluations=250, run=backwards)
    assert one.archive.genomes.tobytes() == two.archive.genomes.tobytes()
    assert one.archive.objectives.tobytes() == two.archive.objectives.tobytes()
    assert [gain.gained for gain in one.gains] == [gain.gained for gain in two.gains]


def test_shares_of_a_box_that_are_worked_out_by_hand() -> None:
    # Ideal (1, 1), nadir (4, 4), reference 1 + 1.1 * 3 = 4.3. Before: two strips of 2.3 x 0.3
    # less the square of 0.3 that both cover. After: 2.3^2 and two strips of 3.3 x 0.3, each
    # sharing 2.3 x 0.3 with it. Scale 10 and 0.5 must not matter.
    before, after = np.array([[2, 4], [4, 2]]), np.array([[1, 4], [2, 2], [4, 1], [5, 5]])
    shares = dominated_shares(before, after, np.array([10.0, 0.5]))
    wanted = np.array([2 * 0.69 - 0.09, 2.3**2 + 2 * (0.99 - 0.69)]) / 3.3**2
    np.testing.assert_allclose(shares, wanted, rtol=1e-12)


def test_gains_are_those_of_the_objectives_in_their_unit() -> None:
    # In-line three: from three throws on a right angle to the 120-degree star, both objectives
    # better. Fluctuation of intervals 180, 270, 270: the firing after the short interval comes
    # 60 degrees early, 1/3 + 60/720 in all; even firing has 1/3 (definition, by hand).
    lattice, free = _studies(
        step_deg=90.0,
        space={"cylinders": [3]},
        constraints={"largest_interval_factor": 1.5},
        objectives=FORCE_AND_FIRING,
    )
    starts = _lattice_front(lattice, "in-line 3")
    polished = polish(_island(free, "in-line 3"), starts, names=["D1"])
    (gain,) = polished.gains
    assert gain.before == "D1"
    assert gain.gained[1] == pytest.approx(60 / 720, abs=0.0005)  # a resolution of rounding
    text = "\n".join(section([polished], names={("in-line 3", tuple(gain.after_box)): "D7"}))
    assert text.startswith("## What polishing gained\n")
    assert "| in-line 3 | 1 | 1 | 1 | 1 |" in text
    assert "| D1 -> D7 |" in text
    assert text.endswith(UNPROVEN)


def test_starts_come_first_into_a_population_and_change_nothing_else() -> None:
    study = small_study(space={"cylinders": [4], "throw_angle_step_deg": 15.0})
    island = _island(study, "in-line 4")
    rng = np.random.default_rng(1)
    wanted = island.genome.decode(rng.random((5, island.genome.n_genes)))
    plain = first_genomes(island.genome, 30, np.random.default_rng(2))
    seeded = first_genomes(island.genome, 30, np.random.default_rng(2), wanted)
    assert seeded.shape == plain.shape
    keys = island.keys(island.genome.decode(seeded[:5]))
    np.testing.assert_array_equal(keys, island.keys(wanted))
    np.testing.assert_array_equal(seeded[5:], plain[:25])
    few = first_genomes(island.genome, 3, np.random.default_rng(2), wanted)
    np.testing.assert_array_equal(
        island.keys(island.genome.decode(few)), island.keys(wanted)[[0, 2, 4]]
    )


def test_a_search_that_starts_from_designs_is_never_behind_them() -> None:
    study = small_study(space={"cylinders": [6], "throw_angle_step_deg": 30.0})
    family = named_family(study, "in-line 6")
    best = searched(study, family, population=40, generations=40).archive
    starts = Island(study, family).genome.decode(best.genomes)
    state = advance(
        Island(study, family, starts), None, seed=(9, 0, 0), population=100, generations=1
    )
    for box in best.boxes:
        assert (state.archive.boxes <= box).all(axis=1).any()


TINY: dict[str, Any] = {
    "space": {
        "cylinders": [2, 3],
        "arrangements": ["in-line", "v"],
        "pins": ["shared", "own-main"],
        "bank_angle_deg": [60.0, 100.0],
        "throw_angle_step_deg": 90.0,
    },
    "constraints": {"largest_interval_factor": 2.0},
    "objectives": metrics(("force_rms_N", 50.0), ("firing_fluctuation", 0.01), ("parts", 1.0)),
    "search": {"population": 16, "evaluations": 600},
}


def _crankfront(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture(scope="module")
def lattice_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the directory of a tiny finished run; it is only read."""
    folder = tmp_path_factory.mktemp("lattice")
    study = write_study(folder, **TINY)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_pool", in_this_process)
        done = _crankfront("optimize", study, "--out", folder / "run", "--no-pictures")
    assert done.exit_code == 0
    return folder / "run"


@pytest.fixture
def without_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(polish_session, "pool", in_this_process)


def _boxes(rows: pd.DataFrame) -> np.ndarray:
    columns = [f"{table['metric']}_rounded" for table in TINY["objectives"]]
    resolutions = [table["resolution"] for table in TINY["objectives"]]
    boxes: np.ndarray = np.rint(rows[columns].to_numpy() / resolutions)
    return boxes


@pytest.mark.slow  # it draws
@pytest.mark.usefixtures("without_processes")
def test_the_command_leaves_a_run_directory(lattice_run: Path, tmp_path: Path) -> None:
    out = tmp_path / "polished"
    done = _crankfront("polish", lattice_run, "--evaluations", "300", "--out", out)
    assert done.exit_code == 0
    assert "Nothing is proved for continuous angles" in done.stdout
    files = ("study.toml", "front.parquet", "family_fronts.parquet", "history.parquet")
    for name in (*files, "summary.md", "polish.json"):
        assert (out / name).is_file(), name
    assert list((out / "pictures").glob("*.png"))
    assert list((out / "shortlist").glob("*.toml"))
    tables = tomllib.loads((out / "study.toml").read_text(encoding="utf-8"))
    old = tomllib.loads((lattice_run / "study.toml").read_text(encoding="utf-8"))
    assert tables["space"].pop("throw_angle_step_deg") == 0
    assert old["space"].pop("throw_angle_step_deg") == 90
    assert tables == old

    before, after = (read_front(f / "family_fronts.parquet") for f in (lattice_run, out))
    assert set(before["family"]) == set(after["family"])
    for family in set(before["family"]):
        mine = _boxes(after[after["family"] == family])
        for box in _boxes(before[before["family"] == family]):
            assert (mine <= box).all(axis=1).any(), family
    assert read_front(out / "front.parquet").attrs["polished_run"] == "run"


@pytest.mark.usefixtures("without_processes")
def test_the_figures_of_the_files_agree(lattice_run: Path, tmp_path: Path) -> None:
    out = tmp_path / "polished"
    done = _crankfront("polish", lattice_run, "--evaluations", "300", "--out", out, "--no-pictures")
    assert done.exit_code == 0
    figures = json.loads((out / "polish.json").read_text(encoding="utf-8"))
    assert figures["schema"] == "crankfront.polish/1"
    assert figures["is_proved"] is False
    families = figures["families"]
    for key in ("starts", "improved", "evaluations"):
        assert figures[key] == sum(family[key] for family in families)
    before = read_front(lattice_run / "family_fronts.parquet")
    after = read_front(out / "family_fronts.parquet")
    assert figures["starts"] == len(before)
    assert figures["evaluations"] <= len(before) * 301
    assert 0 <= figures["hypervolume_before"] < figures["hypervolume_after"] <= 1
    names = {
        row["design"]: box for (_, row), box in zip(after.iterrows(), _boxes(after), strict=True)
    }
    olds = {
        row["design"]: box for (_, row), box in zip(before.iterrows(), _boxes(before), strict=True)
    }
    keys = [table["metric"] for table in TINY["objectives"]]
    resolutions = [table["resolution"] for table in TINY["objectives"]]
    gains = [gain for family in families for gain in family["gains"]]
    assert len(gains) == figures["improved"] > 0
    for gain in gains:
        steps = (olds[gain["before"]] - names[gain["after"]]) * resolutions
        assert {k: pytest.approx(v) for k, v in zip(keys, steps, strict=True) if v} == gain[
            "better_by"
        ]
    summary = (out / "summary.md").read_text(encoding="utf-8")
    assert "## What polishing gained" in summary
    words = f"Hypervolume of the common front: {figures['hypervolume_before']:.4f} before, "
    assert words + f"{figures['hypervolume_after']:.4f} after" in summary
    assert UNPROVEN in summary


def test_help_states_the_budget_that_the_function_has() -> None:
    (option,) = [p for p in main.commands["polish"].params if p.name == "evaluations"]
    assert option.default == EVALUATIONS


@pytest.mark.slow
def test_two_processes_give_the_same_bytes_as_one(lattice_run: Path, tmp_path: Path) -> None:
    outs = []
    for workers in ("1", "2"):
        outs.append(tmp_path / workers)
        done = _crankfront(
            *("polish", lattice_run, "--evaluations", "200", "--workers", workers),
            *("--out", outs[-1], "--no-pictures"),
        )
        assert done.exit_code == 0
    for name in ("front.parquet", "family_fronts.parquet", "polish.json", "summary.md"):
        assert (outs[0] / name).read_bytes() == (outs[1] / name).read_bytes(), name


@pytest.mark.usefixtures("without_processes")
def test_a_study_with_ranges_widens_the_space(lattice_run: Path, tmp_path: Path) -> None:
    ranged = {**TINY["space"], "bank_angle_deg": {"from": 60.0, "to": 120.0}}
    study = write_study(tmp_path, **{**TINY, "space": {**ranged, "throw_angle_step_deg": 0.0}})
    out = tmp_path / "polished"
    done = _crankfront(
        *("polish", lattice_run, "--study", study, "--evaluations", "300"),
        *("--out", out, "--no-pictures"),
    )
    assert done.exit_code == 0
    rows = read_front(out / "family_fronts.parquet")
    banks_deg = rows.loc[rows["family"] == "V2 shared", "bank_angle_deg"]
    assert not set(banks_deg) <= {60.0, 100.0}
    assert banks_deg.between(60.0, 120.0).all()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"space": {"cylinders": [3]}}, "--study: got cylinders 3; allowed: cylinders of the run"),
        ({"space": {"pins": ["shared"]}}, "--study: got pins shared; allowed: pins of the run"),
        ({"objectives": metrics(("parts", 1.0))}, "--study: got objectives parts (1)"),
        ({"engine": {"displacement_cm3": 1601.0}}, "--study: got displacement that differs"),
        ({"constraints": {"even_firing": True}}, "--study: got a space"),
    ],
)
def test_a_study_that_does_not_fit_is_refused(
    lattice_run: Path, tmp_path: Path, changed: dict[str, Any], words: str
) -> None:
    tables = {
        name: {**TINY.get(name, {}), **table} if isinstance(table, dict) else table
        for name, table in changed.items()
    }
    base = {**TINY, **tables}
    base["engine"] = {
        "displacement_cm3": 1600.0,
        "speed": {"rpm": 5000.0},
        **changed.get("engine", {}),
    }
    base["space"] = {**base["space"], "reciprocating_fraction": [0.5]}
    study = write_study(tmp_path, **base)
    done = _crankfront("polish", lattice_run, "--study", study, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert words in done.stderr
    assert not (tmp_path / "out").exists()


def test_bad_run_directories_are_refused(lattice_run: Path, tmp_path: Path) -> None:
    for given, words in [
        (tmp_path / "nowhere", "no directory"),
        (tmp_path, "without family_fronts.parquet"),
    ]:
        done = _crankfront("polish", given)
        assert done.exit_code == 2
        assert f"RUN_DIR: got {given}" in done.stderr
        assert words in done.stderr
    done = _crankfront("polish", lattice_run, "--out", lattice_run)
    assert done.exit_code == 2
    assert "which holds a run already" in done.stderr


def test_an_evenly_firing_space_has_nothing_to_polish(tmp_path: Path) -> None:
    study = write_study(tmp_path, **{**TINY, "constraints": {"even_firing": True}})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_pool", in_this_process)
        done = _crankfront("optimize", study, "--out", tmp_path / "run", "--no-pictures")
    assert done.exit_code == 0
    done = _crankfront("polish", tmp_path / "run")
    assert done.exit_code == 2
    assert "nothing varies continuously" in done.stderr
    assert "range of bank angles" in done.stderr


def test_designs_of_a_run_are_read_back_as_they_were(lattice_run: Path) -> None:
    rows = read_front(lattice_run / "family_fronts.parquet")
    study = small_study(**TINY)
    families = [named_family(study, name) for name in dict.fromkeys(rows["family"])]
    found = starts_by_family(lattice_run, families, "--start")
    assert sum(len(designs.batch) for designs in found.values()) == len(rows)
    for family in families:
        mine = rows[rows["family"] == family.name]
        island, designs = Island(study, family), designs_of(mine)
        genomes = encoded(
            island.genome, found[family.name], np.full((len(mine), island.genome.n_genes), 0.5)
        )
        decoded = island.genome.decode(genomes)
        np.testing.assert_array_equal(island.keys(decoded), island.keys(designs))
        objectives, _ = island.score(genomes)
        wanted = mine[[table["metric"] for table in TINY["objectives"]]].to_numpy()
        np.testing.assert_allclose(objectives, wanted, rtol=1e-12, atol=1e-9)
        for row in range(len(mine)):
            one = one_row_batch(mine.iloc[row])
            np.testing.assert_array_equal(designs.batch.firing_bits[row], one.firing_bits[0])
