"""Where a layout stands against a run.

References: plain loops over the columns of the Parquet files; what the run's own table says of
dominated designs; the same engine written otherwise; a published series for one layout at the
study's givens.
"""

from __future__ import annotations

import copy
import itertools
import json
import math
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from evaluate import METRICS, Layout, layout_from_tables, read_layout, score
from optimize.as_candidate import Candidate, as_candidate
from optimize.canonical import canonical_twins
from optimize.cli import main
from optimize.design_changes import changes, described_design
from optimize.exact.certificate import boxes_of_rows
from optimize.exact.equals import equal_designs
from optimize.exact.run_files import RunFiles, read_run
from optimize.export import layout_tables
from optimize.families import all_families
from optimize.fronts import FamilyFront, design_rows, given_rows
from optimize.least_change import steps_alone, steps_together
from optimize.problem import Island
from optimize.why import document, why
from optimize.why_words import gain_text
from tests.optimize.exact_runs import certified_run, searched_run
from tests.optimize.small_studies import metrics, small_study

LAYOUTS = Path(__file__).parents[2] / "studies" / "layouts"
#: Pairs on one pin or splayed, so that designs are read from either end.
PAIRED: dict[str, Any] = {
    "space": {
        "cylinders": [4],
        "arrangements": ["v"],
        "pins": ["shared", "split"],
        "bank_angle_deg": [60.0, 90.0],
        "throw_angle_step_deg": 30.0,
        "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
    },
    "constraints": {"largest_interval_factor": 2.0, "crank_train_mass_kg": {"at_most": 16.5}},
    "objectives": metrics(
        ("force_rms_N", 100.0),
        ("couple_rms_Nm", 20.0),
        ("firing_fluctuation", 0.04),
        ("crank_train_mass_kg", 0.5),
    ),
    "search": {"population": 60, "evaluations": 1200},
}


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> RunFiles:
    return read_run(certified_run(tmp_path_factory.mktemp("why") / "tiny"))


@pytest.fixture(scope="module")
def paired(tmp_path_factory: pytest.TempPathFactory) -> RunFiles:
    return read_run(searched_run(tmp_path_factory.mktemp("why") / "paired", **PAIRED))


@pytest.fixture(scope="module")
def runs(tiny: RunFiles, paired: RunFiles) -> dict[str, RunFiles]:
    return {"tiny": tiny, "paired": paired}


def tables_of(run: RunFiles, row: pd.Series) -> dict[str, Any]:
    """Return the tables of the layout file of a row."""
    family = next(f for f in run.families if f.name == row["family"])
    return layout_tables(row, family, run.study, name="one")


def random_rows(run: RunFiles, n: int, seed: int) -> list[pd.Series]:
    """Return random designs of every family of a run as rows of a front table."""
    rng, rows = np.random.default_rng(seed), []
    for family in run.families:
        island, ones = Island(run.study, family), np.ones(n, np.int64)
        front = FamilyFront(
            island=island,
            designs=island.genome.decode(rng.random((n, island.genome.n_genes))),
            boxes=np.zeros((n, len(run.study.objectives)), np.int64),
            equals=ones,
            generations=ones,
            seeds=ones,
            seeds_found=ones,
        )
        table = design_rows(run.study, front)
        table["design"] = "R"
        rows += [row for _, row in table.iterrows()]
    return rows


def rounded_up(run: RunFiles, layout: Layout) -> list[float]:
    """Return a layout's rounded objectives, to be lessened, in plain code."""
    found = []
    for o in run.study.objectives:
        value = float(score(layout.engine, layout.batch, [o.key])[0, 0])
        signed = value if METRICS[o.key].sense == "least" else -value
        found.append(math.ceil(signed / o.resolution - 1e-6) * o.resolution)
    return found


def front_vectors(run: RunFiles, table: pd.DataFrame) -> dict[str, list[float]]:
    """Return the rounded objectives of each design of a table, to be lessened."""
    signs = [1 if METRICS[o.key].sense == "least" else -1 for o in run.study.objectives]
    columns = [f"{o.key}_rounded" for o in run.study.objectives]
    return {
        row["design"]: [sign * row[c] for sign, c in zip(signs, columns, strict=True)]
        for _, row in table.iterrows()
    }


def beats(one: list[float], other: list[float]) -> bool:
    """Return whether a vector dominates another; the small slack is round-off of multiples."""
    return all(a <= b + 1e-9 for a, b in zip(one, other, strict=True)) and any(
        a < b - 1e-9 for a, b in zip(one, other, strict=True)
    )


@pytest.mark.parametrize("name", ["tiny", "paired"])
def test_random_designs_stand_where_plain_loops_say(name: str, runs: dict[str, RunFiles]) -> None:
    run, places = runs[name], set()
    known = front_vectors(run, run.common)
    for row in [*random_rows(run, 8, seed=3), *(row for _, row in run.common.iterrows())]:
        layout = layout_from_tables(tables_of(run, row))
        mine, standing = rounded_up(run, layout), why(run, layout).judgement.common
        better = {design for design, vector in known.items() if beats(vector, mine)}
        worse = {design for design, vector in known.items() if beats(mine, vector)}
        same = {d for d, vector in known.items() if np.allclose(vector, mine, atol=1e-9)}
        assert {m.design for m in standing.dominated_by} == better
        assert {m.design for m in standing.dominates} == worse
        assert (standing.n_dominating, standing.n_dominated) == (len(better), len(worse))
        assert set(standing.equals) == same
        assert (standing.place == "dominated") == bool(better)
        assert (standing.place in ("equal", "member")) == bool(same)
        places.add(standing.place)
        for member in standing.dominated_by:
            gains = {g.metric: g.gain for g in member.gaps}
            expected = [a - b for a, b in zip(mine, known[member.design], strict=True)]
            assert list(gains.values()) == pytest.approx(expected, abs=1e-9)
    assert {"dominated", "member"} <= places


@pytest.mark.parametrize("name", ["tiny", "paired"])
def test_designs_of_the_run_are_found_and_dominated_as_its_table_says(
    name: str, runs: dict[str, RunFiles]
) -> None:
    run = runs[name]
    for _, row in run.rows.iterrows():
        answer = why(run, layout_from_tables(tables_of(run, row)))
        common, own = answer.judgement.common, answer.judgement.own_family
        assert own is not None
        assert own.place == "member"
        assert own.member == row["design"]
        assert answer.judgement.changed_givens == ()
        assert answer.judgement.outside_space == ()
        assert answer.judgement.breaches == ()
        if row["on_front"]:
            assert (common.place, common.member) == ("member", row["design"])
            assert common.n_dominating == 0
            assert answer.as_filed is not None
            assert answer.as_filed.common.place == "equal"
            assert row["design"] in answer.as_filed.common.equals
        elif row["dominated_how"] == "equal when rounded":
            assert row["dominated_by"] in common.equals
        else:
            assert common.dominated_by[0].design == row["dominated_by"]
            assert gain_text(common.dominated_by[0].gaps) == row["dominated_how"]


def test_a_design_that_the_run_lacks_would_stand_on_its_front(paired: RunFiles) -> None:
    for _, row in paired.common.iterrows():
        rest = paired.common[paired.common["design"] != row["design"]]
        lacking = replace(paired, common=rest, rows=rest)
        layout = layout_from_tables(tables_of(paired, row))
        standing = why(lacking, layout).judgement.common
        assert standing.place == "undominated"
        assert (standing.n_dominating, standing.n_dominated) == (0, 0)
        assert standing.alone == {}
        assert standing.together is None
        known, mine = front_vectors(lacking, rest), rounded_up(paired, layout)
        for column, one in enumerate(standing.between):
            steps = {design: vector[column] - mine[column] for design, vector in known.items()}
            for member, sign in ((one.better, -1), (one.worse, 1)):
                beyond = {d: sign * step for d, step in steps.items() if sign * step > 1e-9}
                assert (member is None) == (not beyond)
                if member is not None:
                    assert beyond[member.design] == pytest.approx(min(beyond.values()))


def test_equals_of_a_member_are_said_to_differ_from_it_in_what_does_not_matter(
    tiny: RunFiles,
) -> None:
    n_equal = 0
    for _, row in tiny.common.iterrows():
        family = next(f for f in tiny.families if f.name == row["family"])
        box = boxes_of_rows(row.to_frame().T, tiny.study)
        designs, _ = equal_designs(tiny.study, family, box, most=5)
        for _, other in given_rows(tiny.study, family, designs).iterrows():
            answer = why(tiny, layout_from_tables(tables_of(tiny, other)))
            common = answer.judgement.common
            assert row["design"] in common.equals
            if common.place == "equal":
                n_equal += 1
                said = next(s for s in answer.sentences if s.startswith("What it differs from"))
                assert said.split()[4] == row["design"]
    assert n_equal > 5


def turned(tables: dict[str, Any], by_deg: float) -> dict[str, Any]:
    """Return the whole engine turned in the air, and its crank further on in time."""
    tables["banks"]["angles_deg"] = [a + by_deg for a in tables["banks"]["angles_deg"]]
    angles = tables["crank"]["throw_angles_deg"]
    tables["crank"]["throw_angles_deg"] = [(a + 3 * by_deg) % 360 for a in angles]
    return tables


def banks_named_otherwise(tables: dict[str, Any]) -> dict[str, Any]:
    """Return the same engine with its banks listed the other way round."""
    angles = tables["banks"]["angles_deg"]
    tables["banks"]["angles_deg"] = angles[::-1]
    tables["cylinders"]["bank"] = [len(angles) + 1 - b for b in tables["cylinders"]["bank"]]
    return tables


def cylinders_listed_otherwise(tables: dict[str, Any]) -> dict[str, Any]:
    """Return the same engine with its cylinders listed from the back, under other labels."""
    cylinders, firing = tables["cylinders"], tables["firing"]
    names = {label: f"Z{10 - int(label)}" for label in cylinders["labels"]}
    for key in ("throw", "bank", "position_mm"):
        cylinders[key] = cylinders[key][::-1]
    cylinders["labels"] = [names[label] for label in cylinders["labels"]][::-1]
    if "order" in firing:
        firing["order"] = [names[label] for label in firing["order"]]
    else:
        fired = np.array(firing["angles_deg"][::-1])
        cycle_deg = 180 * tables["cycle_strokes"]
        firing["angles_deg"] = ((fired - fired[0]) % cycle_deg).tolist()
    groups = tables["exhaust"]["collectors"]
    tables["exhaust"]["collectors"] = [[names[label] for label in group] for group in groups]
    return tables


def end_for_end(tables: dict[str, Any]) -> dict[str, Any]:
    """Return the engine turned end for end: force, couple, firing and exhaust stay."""
    crank, cylinders = tables["crank"], tables["cylinders"]
    n = len(crank["throw_angles_deg"])
    crank["throw_angles_deg"] = crank["throw_angles_deg"][::-1]
    for key in ("throw_positions_mm", "main_bearing_positions_mm"):
        crank[key] = [-place for place in crank[key]][::-1]
    cylinders["throw"] = [n + 1 - throw for throw in cylinders["throw"]]
    cylinders["position_mm"] = [-place for place in cylinders["position_mm"]]
    return tables


def run_backward(tables: dict[str, Any]) -> dict[str, Any]:
    """Return the motion run backward: (angle, bank axis, firing angle) -> minus each."""
    crank, cycle_deg = tables["crank"], 180 * tables["cycle_strokes"]
    crank["throw_angles_deg"] = [-angle % 360 for angle in crank["throw_angles_deg"]]
    tables["banks"]["angles_deg"] = [-angle for angle in tables["banks"]["angles_deg"]]
    if "order" in tables["firing"]:
        tables["firing"]["order"] = tables["firing"]["order"][::-1]
    else:
        fired = tables["firing"]["angles_deg"]
        tables["firing"]["angles_deg"] = [-angle % cycle_deg for angle in fired]
    return tables


OTHERWISE = {
    "turned in the air": lambda tables: turned(tables, 25.0),
    "upside down": lambda tables: turned(tables, 180.0),
    "banks named otherwise": banks_named_otherwise,
    "cylinders listed otherwise": cylinders_listed_otherwise,
    "end for end": end_for_end,
    "run backward": run_backward,
}


@pytest.mark.parametrize("how", OTHERWISE)
@pytest.mark.parametrize("name", ["tiny", "paired"])
def test_an_engine_written_otherwise_stands_in_the_same_place(
    name: str, how: str, runs: dict[str, RunFiles]
) -> None:
    run = runs[name]
    rows = [*random_rows(run, 3, seed=5), *(row for _, row in run.rows.head(6).iterrows())]
    for row in rows:
        plain = tables_of(run, row)
        first = why(run, layout_from_tables(plain)).judgement
        other = why(run, layout_from_tables(OTHERWISE[how](copy.deepcopy(plain)))).judgement
        assert other.family == first.family
        assert other.values == pytest.approx(first.values, rel=1e-9, abs=1e-6)
        assert other.rounded == first.rounded
        assert other.outside_space == first.outside_space
        assert [b.constraint for b in other.breaches] == [b.constraint for b in first.breaches]
        for mine, theirs in ((first.common, other.common), (first.own_family, other.own_family)):
            assert mine is not None
            assert theirs is not None
            assert (theirs.place, theirs.member, theirs.equals) == (
                mine.place,
                mine.member,
                mine.equals,
            )
            assert [m.design for m in theirs.dominated_by] == [m.design for m in mine.dominated_by]
            assert [m.design for m in theirs.nearest] == [m.design for m in mine.nearest]
            assert (theirs.alone, theirs.together) == (mine.alone, mine.together)


def test_twins_differ_in_nothing_and_others_in_something(runs: dict[str, RunFiles]) -> None:
    for run in runs.values():
        for family in run.families:
            island = Island(run.study, family)
            designs = island.genome.decode(
                np.random.default_rng(1).random((12, island.genome.n_genes))
            )
            twins = canonical_twins(designs, island.ways, cycle_deg=run.study.cycle_deg)
            keys = island.keys(designs)
            for i, j in itertools.product(range(12), range(12)):
                pick = [one_of(part, k) for part, k in ((designs, i), (twins, j))]
                mine, other = (described_design(family, part) for part in pick)
                assert (changes(mine, other, island.ways) == ()) == (keys[i] == keys[j])


def one_of(designs: Any, row: int) -> Any:
    return type(designs)(
        batch=designs.batch.rows(np.array([row])), splay_deg=designs.splay_deg[row : row + 1]
    )


def test_breaches_are_the_constraints_that_the_search_sees(paired: RunFiles) -> None:
    seen = {True: 0, False: 0}
    rng = np.random.default_rng(8)
    for family in paired.families:
        island = Island(paired.study, family)
        designs = island.genome.decode(rng.random((20, island.genome.n_genes)))
        _, violations = island.judge(designs)
        rows = [row for row in random_rows(paired, 20, seed=8) if row["family"] == family.name]
        for row, broken in zip(rows, violations > 0, strict=True):
            found = why(paired, layout_from_tables(tables_of(paired, row))).judgement.breaches
            assert len(found) == broken.sum(), (found, island.constraint_names, broken)
            assert all(b.excess > 0 for b in found)
            seen[bool(broken.any())] += 1
    assert min(seen.values()) > 5, seen


def test_limits_missed_by_hand() -> None:
    # A twin with pins half a turn apart fires at 0 and 180 of 720 degrees: the longer wait is 540,
    # 180 above even firing. Its two throws are 180 degrees off each other's mirror image.
    study = small_study(
        space={"cylinders": [2]},
        constraints={"even_firing": True, "mirror_symmetric": True, "parts": {"at_most": 8}},
        objectives=metrics(("force_rms_N", 50.0)),
    )
    run = RunFiles(
        folder=Path(),
        study=study,
        families=tuple(all_families(study)[0]),
        common=pd.DataFrame(),
        rows=pd.DataFrame(),
        written_for={},
        certificate=None,
    )
    answer = why(run, read_layout(LAYOUTS / "in-line-twin-180.toml"))
    found = {b.constraint.split(":")[0]: b for b in answer.judgement.breaches}
    assert found["even firing"].excess == pytest.approx(180)
    assert found["mirror-symmetric crank"].excess == pytest.approx(180)
    # 2 cylinders + 2 throws + 3 main bearings + 4 for the bank (design, section 4.8).
    assert found["parts index at most 8"].value == 11
    assert found["parts index at most 8"].excess == 3
    assert "empty" in answer.sentences[0]


def test_a_flat_four_at_the_studys_givens_has_the_force_of_the_published_series(
    tiny: RunFiles,
) -> None:
    # 1600 cm3 in four cylinders with stroke = bore; m = 900 B^3, r/l = 0.3, 5000 rpm. On a flat
    # crank the first order cancels, and even orders of four cylinders add up: 4 m r w^2 A_k, with
    # A_2 = x + x^3/4 + 15 x^5/128, A_4 = x^3/4 + 3 x^5/16, A_6 = 9 x^5/128 (C. F. Taylor, The
    # Internal-Combustion Engine in Theory and Practice, vol. 2; from memory), cut off after x^5.
    bore_m = (4 * 1600e-6 / (math.pi * 4)) ** (1 / 3)
    omega, x = 5000 * math.pi / 30, 0.3
    force_N = 4 * 900 * bore_m**3 * bore_m / 2 * omega**2
    series = (x + x**3 / 4 + 15 * x**5 / 128, x**3 / 4 + 3 * x**5 / 16, 9 * x**5 / 128)
    expected_N = force_N * math.sqrt(sum(a * a for a in series) / 2)
    judgement = why(tiny, read_layout(LAYOUTS / "in-line-four-flat.toml")).judgement
    assert judgement.givens == "study"
    assert judgement.values["force_rms_N"] == pytest.approx(expected_N, rel=1e-3)
    changed = {change.what: change.other for change in judgement.changed_givens}
    assert changed["speed"] == "5,000 rpm" or "speed" not in changed
    assert "in-line 4" in judgement.outside_space[0]
    assert not judgement.is_searched


FAMILIES = {
    "in-line-three": "in-line 3",
    "in-line-six": "in-line 6",
    "opposed-four": "opposed 4 own-main",
    "opposed-twin": "opposed 2 own-web",
    "v-eight-cross-plane": "V8 shared",
    "v-eight-cross-plane-anticlockwise": "V8 shared",
    "v-four-90-own-throws": "V4 own-main",
    "v-six-60-own-pins": "V6 own-web",
    "v-six-90-split-pins": "V6 split",
    "v-six-120": "V6 shared",
    "v-twin-90": "V2 shared",
}
NO_FAMILY = {
    "radial-three": "3 banks",
    "w-sixteen-four-banks": "4 banks",
    "two-stroke-in-line-three": "2 strokes",
}


@pytest.mark.parametrize("name", [*FAMILIES, *NO_FAMILY])
def test_sample_layouts_are_of_the_family_that_their_drawings_show(name: str) -> None:
    study = small_study()
    found = as_candidate(study, all_families(study)[0], read_layout(LAYOUTS / f"{name}.toml"))
    if name in NO_FAMILY:
        assert isinstance(found, str)
        assert NO_FAMILY[name] in found
        return
    assert isinstance(found, Candidate)
    assert found.family.name == FAMILIES[name]
    if name == "v-six-90-split-pins":  # 90 - splay is a multiple of 120 when it fires evenly
        assert (90 - found.designs.splay_deg[0]) % 120 == pytest.approx(0)


def test_what_is_of_no_family_is_judged_as_its_file_has_it(tiny: RunFiles) -> None:
    answer = why(tiny, read_layout(LAYOUTS / "radial-three.toml"))
    assert answer.as_filed is None
    assert answer.judgement.givens == "file"
    assert answer.judgement.family is None
    assert answer.judgement.own_family is None
    assert any("3 banks" in note for note in answer.judgement.notes)


def test_without_a_bore_what_needs_it_is_unknown_and_said_so(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("sizes") / "run"
    run = read_run(
        searched_run(
            folder,
            space={"cylinders": [2]},
            constraints={"largest_interval_factor": 2.0},
            objectives=metrics(("force_rms_N", 500.0), ("box_litres", 5.0)),
            search={"population": 20, "evaluations": 100},
        )
    )
    tables = tomllib.loads((LAYOUTS / "in-line-twin-180.toml").read_text("utf-8"))
    tables["cylinder"].pop("bore_mm", None)
    layout = layout_from_tables(tables)
    filed = why(run, layout, as_filed=True).judgement
    assert filed.common.place == "unknown"
    assert document(why(run, layout, as_filed=True))["judgement"]["values"]["box_litres"] is None
    assert why(run, layout).judgement.common.place != "unknown"  # the study gives the bore


steps = st.integers(0, 5)
vectors = st.lists(st.tuples(steps, steps, steps), min_size=1, max_size=6)


@settings(max_examples=150, deadline=None)
@given(box=st.tuples(steps, steps, steps), front=vectors, floor=st.sampled_from([0, 2, -math.inf]))
def test_least_changes_are_those_that_trying_everything_finds(
    box: tuple[int, int, int], front: list[tuple[int, int, int]], floor: float
) -> None:
    def is_free(moved: tuple[int, ...]) -> bool:
        return not any(
            all(f <= m for f, m in zip(member, moved, strict=True)) and member != moved
            for member in front
        )

    mine, members = np.array(box), np.array(front)
    floors, spans = np.full(3, floor, float), np.array([1.0, 2.5, 3.0])
    low = [int(max(floor, -2)) if math.isfinite(floor) else -2] * 3

    def moves(columns: tuple[int, ...]) -> list[tuple[int, ...]]:
        ranges = [
            range(min(low[c], box[c]), box[c] + 1) if c in columns else [box[c]] for c in range(3)
        ]
        return [
            moved
            for moved in itertools.product(*ranges)
            if is_free(moved) and all(m >= floor or m == b for m, b in zip(moved, box, strict=True))
        ]

    alone = steps_alone(mine, members, floors)
    for column in range(3):
        best = min((box[column] - moved[column] for moved in moves((column,))), default=None)
        assert alone[column] == best
    costs = [
        sum((b - m) / s for b, m, s in zip(box, moved, spans, strict=True))
        for moved in moves((0, 1, 2))
    ]
    together = steps_together(mine, members, spans, floors)
    if together is None:
        assert not costs
    else:
        assert is_free(tuple((mine - together).tolist()))
        assert (together / spans).sum() == pytest.approx(min(costs))


def test_command_prints_what_stands_in_the_document(tiny: RunFiles, tmp_path: Path) -> None:
    path = LAYOUTS / "in-line-three.toml"
    printed = CliRunner().invoke(main, ["why", str(tiny.folder), str(path)])
    assert printed.exit_code == 0, printed.output
    as_json = CliRunner().invoke(main, ["why", str(tiny.folder), str(path), "--json"])
    assert as_json.exit_code == 0
    known = json.loads(as_json.stdout)
    assert known["schema"] == "crankfront.why/1"
    common = known["judgement"]["common"]
    text = " ".join(printed.output.split())
    assert known["sentences"][0] in text
    for member in [*common["dominated_by"][:6], *common["nearest"]]:
        assert member["design"] in printed.output
    filed = CliRunner().invoke(main, ["why", str(tiny.folder), str(path), "--as-filed", "--json"])
    assert json.loads(filed.stdout)["judgement"]["givens"] == "file"


@pytest.mark.parametrize("which", ["no run", "changed study", "no layout", "a study"])
def test_bad_input_is_one_message(which: str, tiny: RunFiles, tmp_path: Path) -> None:
    run_dir, layout = str(tiny.folder), str(LAYOUTS / "single.toml")
    if which == "no run":
        run_dir = str(tmp_path)
    elif which == "changed study":
        run_dir = str(shutil.copytree(tiny.folder, tmp_path / "changed"))
        text = (tiny.folder / "study.toml").read_text("utf-8")
        changed_text = text.replace("largest_interval_factor = 2.0", "even_firing = true")
        assert changed_text != text
        (tmp_path / "changed" / "study.toml").write_text(changed_text, encoding="utf-8")
    elif which == "no layout":
        layout = str(tmp_path / "none.toml")
    else:
        layout = str(tiny.folder / "study.toml")
    result = CliRunner().invoke(main, ["why", run_dir, layout])
    assert result.exit_code == 2
    assert len(result.output.strip().splitlines()) == 1
