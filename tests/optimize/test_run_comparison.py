"""Runs side by side.

References: plain loops over the columns of the Parquet files, and the hypervolume of a front by
slicing it objective by objective (the textbook definition, written differently from the library).
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import optimize
from evaluate import METRICS, InputError
from optimize.exact.run_files import RunFiles, read_run
from optimize.run_comparison import RunComparison, compare_runs, document
from tests.optimize.exact_runs import certified_run, searched_run
from tests.optimize.small_studies import metrics

SPACE: dict[str, Any] = {
    "cylinders": [2, 3],
    "throw_angle_step_deg": 15.0,
    "reciprocating_fraction": [0.0, 0.5],
    "balance_shafts": {"slots": ["1 backward"], "at_most": 1},
}
FREE: dict[str, Any] = {"largest_interval_factor": 2.0}
FIVE = metrics(
    ("force_rms_N", 500.0),
    ("couple_rms_Nm", 50.0),
    ("firing_fluctuation", 0.04),
    ("exhaust_spacing_min_deg", 60.0),
    ("parts", 1.0),
)
RUNS: dict[str, dict[str, Any]] = {
    "little": {
        "study": {"name": "pair", "seed": 1},
        "space": SPACE,
        "constraints": FREE,
        "objectives": FIVE,
        "search": {"population": 16, "evaluations": 64},
    },
    "more": {
        "study": {"name": "pair", "seed": 2},
        "space": SPACE,
        "constraints": FREE,
        "objectives": FIVE,
        "search": {"population": 60, "evaluations": 900},
    },
    "other": {
        "study": {"name": "variant", "seed": 1},
        "engine": {"displacement_cm3": 2000.0},
        "space": {**SPACE, "cylinders": [3, 4]},
        "constraints": FREE,
        "objectives": [
            *metrics(("parts", 2.0), ("force_rms_N", 1000.0), ("crank_length_mm", 20.0)),
        ],
        "search": {"population": 30, "evaluations": 300},
    },
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, RunFiles]:
    folder = tmp_path_factory.mktemp("several")
    found = {name: read_run(searched_run(folder / name, **RUNS[name])) for name in RUNS}
    return found | {"exact": read_run(certified_run(folder / "exact"))}


def vectors_of(
    run: RunFiles, keys: list[str], steps: list[float]
) -> dict[tuple[int, ...], set[str]]:
    """Return the designs of each non-dominated vector of whole steps, to be lessened."""
    boxes: dict[tuple[int, ...], set[str]] = {}
    for _, row in run.common.iterrows():
        signed = [row[key] * (1 if METRICS[key].sense == "least" else -1) for key in keys]
        box = tuple(math.ceil(v / step - 1e-6) for v, step in zip(signed, steps, strict=True))
        boxes.setdefault(box, set()).add(row["design"])
    return {b: names for b, names in boxes.items() if not any(beats(o, b) for o in boxes)}


def beats(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


def sliced_volume(points: np.ndarray, corner: np.ndarray) -> float:
    """Return the volume between points and a corner, by slices along the last coordinate."""
    inside = points[(points < corner).all(axis=1)]
    if not len(inside):
        return 0.0
    if points.shape[1] == 1:
        return float(corner[0] - inside.min())
    heights = np.unique(inside[:, -1])
    tops = np.append(heights[1:], corner[-1])
    return sum(
        (top - low) * sliced_volume(inside[inside[:, -1] <= low][:, :-1], corner[:-1])
        for low, top in zip(heights, tops, strict=True)
    )


PAIRS = [("little", "more"), ("more", "little"), ("little", "other"), ("more", "exact")]


@pytest.mark.parametrize("names", PAIRS)
def test_what_each_run_has_is_what_plain_loops_find(
    names: tuple[str, str], runs: dict[str, RunFiles]
) -> None:
    chosen = [runs[name] for name in names]
    found = compare_runs(chosen)
    keys = [o.metric for o in found.objectives]
    theirs = [{o.key: o.resolution for o in run.study.objectives} for run in chosen]
    assert keys == [key for key in theirs[0] if key in theirs[1]]
    steps = [max(known[key] for known in theirs) for key in keys]
    assert [o.resolution for o in found.objectives] == steps
    known = [vectors_of(run, keys, steps) for run in chosen]
    assert [one.compared_size for one in found.runs] == [len(part) for part in known]
    assert {box_of(v, keys, steps) for v in found.vectors} == set(known[0]) | set(known[1])
    for vector in found.vectors:
        box = box_of(vector, keys, steps)
        for place, part in enumerate(known):
            assert (vector.designs[place] != "") == (box in part)
            if box in part:
                assert vector.designs[place] in part[box]
                assert vector.beaten_by[place] is None
                continue
            better = {name for other, them in part.items() if beats(other, box) for name in them}
            beating = vector.beaten_by[place]
            assert (beating is None) == (not better)
            if beating is not None:
                assert beating.design in better
                assert all(gain > 0 for gain in beating.gains.values())
    assert len(found.shared) == len(set(known[0]) & set(known[1]))
    assert len(found.only(0)) == len(set(known[0]) - set(known[1]))
    assert len(found.only(1)) == len(set(known[1]) - set(known[0]))


def box_of(vector: Any, keys: list[str], steps: list[float]) -> tuple[int, ...]:
    signs = [1 if METRICS[key].sense == "least" else -1 for key in keys]
    return tuple(
        round(vector.values[key] * sign / step)
        for key, sign, step in zip(keys, signs, steps, strict=True)
    )


@pytest.mark.parametrize("names", PAIRS)
def test_hypervolumes_are_shares_of_one_box(
    names: tuple[str, str], runs: dict[str, RunFiles]
) -> None:
    found = compare_runs([runs[name] for name in names])
    keys, steps = [o.metric for o in found.objectives], [o.resolution for o in found.objectives]
    boxes = [
        np.array([box_of(v, keys, steps) for v in found.vectors if v.designs[place]], float) * steps
        for place in range(2)
    ]
    everything = np.concatenate(boxes)
    margin = np.maximum(0.1 * np.ptp(everything, axis=0), steps)
    low, corner = everything.min(axis=0) - margin, everything.max(axis=0) + margin
    for one, points in zip(found.runs, boxes, strict=True):
        share = sliced_volume(points, corner) / np.prod(corner - low)
        assert one.hypervolume == pytest.approx(share, rel=1e-9)
    if names == ("little", "more"):
        assert found.runs[0].hypervolume != found.runs[1].hypervolume


def test_best_values_and_how_they_moved(runs: dict[str, RunFiles]) -> None:
    found = compare_runs([runs["little"], runs["more"]])
    for o in found.objectives:
        column = f"{o.metric}_rounded"
        take = min if o.sense == "least" else max
        best = [take(runs[name].common[column]) for name in ("little", "more")]
        assert list(o.best) == pytest.approx(best)
        better_by = best[0] - best[1] if o.sense == "least" else best[1] - best[0]
        assert o.moved == pytest.approx((0.0, better_by))


def test_a_run_beside_itself_shares_everything(runs: dict[str, RunFiles]) -> None:
    found = compare_runs([runs["more"], runs["more"]])
    assert found.shared == found.vectors
    assert len(found.vectors) == len(runs["more"].common)
    assert found.only(0) == found.only(1) == ()
    assert found.differences == ()
    assert found.runs[0].label != found.runs[1].label
    assert found.runs[0].hypervolume == found.runs[1].hypervolume


def test_what_is_not_equal_is_said(runs: dict[str, RunFiles]) -> None:
    found = compare_runs([runs["little"], runs["other"], runs["exact"]])
    text = " ".join(found.statements)
    assert [o.metric for o in found.objectives] == ["force_rms_N"]
    assert "crank length [mm] (other)" in text
    assert "residual force [N] is rounded to 1000" in text
    assert "not at equal givens (displacement)" in text
    assert "exact is enumerated: nothing in its space is better" in text
    assert "little is searched" in text
    assert {d.what: d.values for d in found.differences}["displacement"] == (
        "1600 cm³",
        "2000 cm³",
        "1600 cm³",
    )
    assert [one.how for one in found.runs] == ["searched", "searched", "enumerated"]
    assert json.loads(json.dumps(document(found)))["schema"] == "crankfront.run-comparison/1"


def test_runs_without_a_common_objective_are_refused(runs: dict[str, RunFiles]) -> None:
    lacking = replace(
        runs["other"],
        study=replace(runs["other"].study, objectives=runs["other"].study.objectives[2:]),
    )
    with pytest.raises(InputError, match="no common objective"):
        compare_runs([runs["little"], lacking])
    with pytest.raises(InputError, match="1 of them"):
        compare_runs([runs["little"]])


def test_an_empty_front_lacks_everything(runs: dict[str, RunFiles]) -> None:
    nothing = replace(runs["little"], common=pd.DataFrame(), rows=pd.DataFrame())
    found = compare_runs([runs["more"], nothing])
    assert found.runs[1].compared_size == 0
    assert len(found.only(0)) == len(found.vectors) > 0
    assert all(o.best[1] is None for o in found.objectives)
    assert any("no feasible design" in said for said in found.statements)


def test_it_is_public_and_shows_itself(runs: dict[str, RunFiles]) -> None:
    found = optimize.compare_runs([optimize.read_run(runs["more"].folder), runs["exact"]])
    assert isinstance(found, RunComparison)
    assert "<table>" in found._repr_html_()
    assert str(Path(runs["more"].folder).name) in found._repr_html_()
