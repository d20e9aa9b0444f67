"""Fronts of several runs side by side: what moved, and what each has that the others lack."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.metrics import METRICS, axis_label
from evaluate.notebook import table_html
from optimize.archive import non_dominated, rounded_boxes
from optimize.exact.run_files import RunFiles
from optimize.fronts import METADATA_KEY
from optimize.history import Bounds
from optimize.robust import KEPT, objective_heading
from optimize.study import Objective, Study
from optimize.study_differences import GIVENS, Difference, study_differences

SCHEMA = "crankfront.run-comparison/1"
#: Vectors of a front up to which its hypervolume is measured, by the number of objectives: about
#: half a second. It grows without mercy.
_MOST_MEASURED = {**dict.fromkeys(range(1, 5), 20_000), 5: 3000, 6: 500, 7: 60, 8: 20}


@dataclass(frozen=True, kw_only=True, slots=True)
class ComparedRun:
    """One run among those that are compared.

    Attributes
    ----------
    label : str
        Short and unique: the name of its directory, with a number where two have the same.
    study : str
        Name of its study.
    seed : int
        Of its study.
    how : str
        "searched", "enumerated" or "enumerated in part".
    front_size : int
        Designs on its common front.
    compared_size : int
        Distinct vectors left of them when only the shared objectives count, rounded to the
        coarsest resolution.
    hypervolume : float or None
        Share of the common box that its front dominates, 0 to 1; None where it is too dear to
        measure (many designs in six or more objectives).
    """

    label: str
    study: str
    seed: int
    how: str
    front_size: int
    compared_size: int
    hypervolume: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class ComparedObjective:
    """An objective that all the runs have.

    Attributes
    ----------
    metric, label, unit, sense
        As in the table of metrics.
    resolution : float
        The coarsest of the runs' resolutions, to which all values here are rounded. [unit]
    resolutions : tuple of float
        Of each run. [unit]
    best : tuple of float or None
        Best rounded value on the front of each run; None where that is empty. [unit]
    moved : tuple of float or None
        By how much that is better than the first run's; negative where it is worse. [unit]
    """

    metric: str
    label: str
    unit: str
    sense: str
    resolution: float
    resolutions: tuple[float, ...]
    best: tuple[float | None, ...]
    moved: tuple[float | None, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Beating:
    """A design of another run that dominates one.

    Attributes
    ----------
    run : int
        Place of the other run in `RunComparison.runs`.
    design, family : str
        Its name there, and its family.
    gains : dict
        By how much it is better, by the key of the metric, where it is. [units]
    """

    run: int
    design: str
    family: str
    gains: dict[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Vector:
    """A vector of rounded objectives on one front or several.

    Attributes
    ----------
    values : dict
        Rounded objectives by the key of the metric. [units]
    designs : tuple of str
        For each run the design that has it, "" where its front lacks it.
    families : tuple of str
        Family of each of these designs, "" where there is none.
    beaten_by : tuple of Beating or None
        For each run the design that dominates it, best in most objectives; None where its front
        has the vector itself, or nothing that dominates it.
    """

    values: dict[str, float]
    designs: tuple[str, ...]
    families: tuple[str, ...]
    beaten_by: tuple[Beating | None, ...]

    @property
    def n_runs(self) -> int:
        """Return how many of the fronts have it."""
        return sum(1 for design in self.designs if design)


@dataclass(frozen=True, kw_only=True, slots=True)
class RunComparison:
    """Fronts of several runs side by side.

    Attributes
    ----------
    runs : tuple of ComparedRun
        In the order given; the first is what "moved" counts from.
    objectives : tuple of ComparedObjective
        What all runs have as an objective.
    statements : tuple of str
        What was left out or made equal to compare them, and what stands for them, as sentences.
    differences : tuple of Difference
        In what the studies differ.
    vectors : tuple of Vector
        Every vector of every front, once, sorted by objectives.
    """

    runs: tuple[ComparedRun, ...]
    objectives: tuple[ComparedObjective, ...]
    statements: tuple[str, ...]
    differences: tuple[Difference, ...]
    vectors: tuple[Vector, ...]

    @property
    def shared(self) -> tuple[Vector, ...]:
        """Return the vectors that all fronts have."""
        return tuple(v for v in self.vectors if v.n_runs == len(self.runs))

    def only(self, run: int) -> tuple[Vector, ...]:
        """Return the vectors that only the front of one run has."""
        return tuple(v for v in self.vectors if v.n_runs == 1 and v.designs[run])

    def _repr_html_(self) -> str:
        """Return the runs side by side as a table, for notebooks."""
        counts = [str(len(self.only(place))) for place in range(len(self.runs))]
        shares = [one.hypervolume for one in self.runs]
        rows = [
            ("designs on the front", *(str(one.front_size) for one in self.runs)),
            ("vectors compared", *(str(one.compared_size) for one in self.runs)),
            ("of all of them", *(str(len(self.shared)) for _ in self.runs)),
            ("of this one only", *counts),
            ("share of the common box", *("-" if s is None else f"{s:.4f}" for s in shares)),
            *(
                (
                    f"best {axis_label(o.metric)}",
                    *("-" if b is None else f"{b:.6g}" for b in o.best),
                )
                for o in self.objectives
            ),
        ]
        return table_html("Runs", rows, heading=["", *(one.label for one in self.runs)])


def compare_runs(runs: Sequence[RunFiles]) -> RunComparison:
    """Return the fronts of several runs side by side.

    Parameters
    ----------
    runs : sequence of RunFiles
        From `optimize.exact.run_files.read_run`; two or more.

    Raises
    ------
    InputError
        If there are fewer than two, or they share no objective.

    Notes
    -----
    Only what all runs have as an objective counts, rounded to the coarsest of their resolutions; of
    each front the vectors are taken that are not dominated then. Hypervolumes are shares of a box
    from a tenth of the span of all fronts below their best values to a tenth beyond their worst.
    """
    if len(runs) < 2:
        raise InputError("RUN_DIR...", f"{len(runs)} of them", "two runs or more")
    labels = _labels(runs)
    shared = _shared_objectives(runs, labels)
    signs = np.array([o.sign for o in shared])
    resolutions = np.array([o.resolution for o in shared])
    fronts = [_front(run, shared) for run in runs]
    studies = [_as_run(run) for run in runs]
    differences = study_differences(studies)
    shares = _hypervolumes([front.boxes * resolutions for front in fronts], resolutions)
    return RunComparison(
        runs=tuple(
            ComparedRun(
                label=label,
                study=study.name,
                seed=study.seed,
                how=_how(run),
                front_size=len(run.common),
                compared_size=len(front.boxes),
                hypervolume=share,
            )
            for label, run, study, front, share in zip(
                labels, runs, studies, fronts, shares, strict=True
            )
        ),
        objectives=tuple(_compared(runs, fronts, shared, column) for column in range(len(shared))),
        statements=(
            *_made_equal(runs, labels, fronts, shared),
            *_unequal_givens(differences),
            *(
                said
                for label, run in zip(labels, runs, strict=True)
                for said in _certainty(label, run)
            ),
            *_not_measured(labels, fronts, shares),
        ),
        differences=tuple(differences),
        vectors=_vectors(fronts, shared, signs * resolutions),
    )


def document(comparison: RunComparison) -> dict[str, Any]:
    """Return a comparison ready for JSON, with `schema`."""
    return {"schema": SCHEMA, **asdict(comparison)}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Front:
    """Distinct vectors of one front in the shared objectives, and the first design of each."""

    boxes: IntArray  # (vectors, objectives), to be lessened
    designs: tuple[str, ...]
    families: tuple[str, ...]


def _labels(runs: Sequence[RunFiles]) -> list[str]:
    names = [run.folder.resolve().name for run in runs]
    return [
        f"{name} ({names[: place + 1].count(name)})" if names.count(name) > 1 else name
        for place, name in enumerate(names)
    ]


def _how(run: RunFiles) -> str:
    if run.certificate is None:
        return "searched"
    return "enumerated" if run.certificate.is_complete else "enumerated in part"


def _shared_objectives(runs: Sequence[RunFiles], labels: Sequence[str]) -> list[Objective]:
    """Return what all runs have as an objective, with the coarsest resolution."""
    stated = [{(o.key, o.kept_by): o.resolution for o in run.study.objectives} for run in runs]
    shared = [
        replace(o, resolution=max(one[o.key, o.kept_by] for one in stated))
        for o in runs[0].study.objectives
        if all((o.key, o.kept_by) in one for one in stated)
    ]
    if not shared:
        theirs = "; ".join(
            f"{label}: {', '.join(objective_heading(o) for o in run.study.objectives)}"
            for label, run in zip(labels, runs, strict=True)
        )
        raise InputError("RUN_DIR...", f"no common objective ({theirs})", "one or more in common")
    return shared


def _front(run: RunFiles, shared: Sequence[Objective]) -> _Front:
    """Return a run's common front as it is when only the shared objectives count."""
    if run.common.empty:
        return _Front(boxes=np.zeros((0, len(shared)), np.int64), designs=(), families=())
    own = {(o.key, o.kept_by): o.resolution for o in run.study.objectives}
    columns = []
    for o in shared:
        if own[o.key, o.kept_by] == o.resolution:
            values = run.common[f"{o.key}_rounded"].to_numpy(float)
            columns.append(np.rint(values * o.sign / o.resolution).astype(np.int64))
            continue
        values = run.common[o.key if o.kept_by is None else o.key + KEPT].to_numpy(float)
        columns.append(rounded_boxes(values * o.sign, np.array(o.resolution)))
    boxes = np.column_stack(columns)
    best = np.flatnonzero(non_dominated(boxes))
    best = best[np.sort(np.unique(boxes[best], axis=0, return_index=True)[1])]
    rows = run.common.iloc[best]
    return _Front(boxes=boxes[best], designs=tuple(rows["design"]), families=tuple(rows["family"]))


def _hypervolumes(fronts: Sequence[FloatArray], resolutions: FloatArray) -> list[float | None]:
    """Return the share of a common box that each front dominates; None where that is too dear."""
    everything = np.concatenate(fronts)
    if not len(everything):
        return [None] * len(fronts)
    most = _MOST_MEASURED.get(len(resolutions), 0)
    bounds = Bounds.around(everything, resolutions)
    return [bounds.share(front) if len(front) <= most else None for front in fronts]


def _compared(
    runs: Sequence[RunFiles], fronts: Sequence[_Front], shared: Sequence[Objective], column: int
) -> ComparedObjective:
    objective = shared[column]
    metric, step = METRICS[objective.key], objective.sign * objective.resolution
    best = [int(front.boxes[:, column].min()) if len(front.boxes) else None for front in fronts]
    first = best[0]
    known = (objective.key, objective.kept_by)
    return ComparedObjective(
        metric=objective.key,
        label=metric.label,
        unit=metric.unit,
        sense=metric.sense,
        resolution=objective.resolution,
        resolutions=tuple(
            next(o.resolution for o in run.study.objectives if (o.key, o.kept_by) == known)
            for run in runs
        ),
        best=tuple(None if one is None else one * step + 0.0 for one in best),
        moved=tuple(
            None if one is None or first is None else (first - one) * objective.resolution + 0.0
            for one in best
        ),
    )


def _vectors(
    fronts: Sequence[_Front], shared: Sequence[Objective], steps: FloatArray
) -> tuple[Vector, ...]:
    """Return every vector of every front once, and what stands for it or beats it elsewhere."""
    everything = np.unique(np.concatenate([front.boxes for front in fronts]), axis=0)
    places = [{tuple(box): row for row, box in enumerate(f.boxes.tolist())} for f in fronts]
    vectors = []
    for box in everything:
        rows = [place.get(tuple(box.tolist())) for place in places]
        found = list(zip(fronts, rows, strict=True))
        vectors.append(
            Vector(
                values={
                    o.key: float(n * step) + 0.0
                    for o, n, step in zip(shared, box, steps, strict=True)
                },
                designs=tuple("" if row is None else f.designs[row] for f, row in found),
                families=tuple("" if row is None else f.families[row] for f, row in found),
                beaten_by=tuple(
                    None if row is not None else _beating(run, front, box, shared)
                    for run, (front, row) in enumerate(found)
                ),
            )
        )
    return tuple(vectors)


def _beating(run: int, front: _Front, box: IntArray, shared: Sequence[Objective]) -> Beating | None:
    """Return the design of a front that dominates a vector and is better in most objectives."""
    gains = box - front.boxes
    worthy = np.flatnonzero((gains >= 0).all(axis=1))
    if not len(worthy):
        return None
    row = int(worthy[np.argmax((gains[worthy] > 0).sum(axis=1))])
    return Beating(
        run=run,
        design=front.designs[row],
        family=front.families[row],
        gains={
            o.key: float(n * o.resolution) for o, n in zip(shared, gains[row], strict=True) if n
        },
    )


def _made_equal(
    runs: Sequence[RunFiles],
    labels: Sequence[str],
    fronts: Sequence[_Front],
    shared: Sequence[Objective],
) -> list[str]:
    """Return what was left out or made equal to compare the runs, as sentences."""
    said = []
    counted = {(o.key, o.kept_by) for o in shared}
    for label, run in zip(labels, runs, strict=True):
        others = [o for o in run.study.objectives if (o.key, o.kept_by) not in counted]
        if others:
            names = ", ".join(objective_heading(o) for o in others)
            said.append(f"Not an objective of every run, so not compared: {names} ({label}).")
    for o in shared:
        known = [next(x.resolution for x in run.study.objectives if x.key == o.key) for run in runs]
        if len(set(known)) > 1:
            each = ", ".join(f"{n:g} in {name}" for n, name in zip(known, labels, strict=True))
            said.append(
                f"{objective_heading(o)} is rounded to {o.resolution:g}, the coarsest of the "
                f"resolutions: {each}."
            )
    for label, run, front in zip(labels, runs, fronts, strict=True):
        if len(front.boxes) < len(run.common):
            said.append(
                f"Of the {len(run.common)} designs of {label}, {len(front.boxes)} are left when "
                "only the shared objectives count, so rounded."
            )
    return said


def _unequal_givens(differences: Sequence[Difference]) -> list[str]:
    unequal = [difference.what for difference in differences if difference.what in GIVENS]
    if not unequal:
        return []
    return [
        f"The runs are not at equal givens ({', '.join(unequal)}): their values stand side by "
        "side, but are of different engines."
    ]


def _not_measured(
    labels: Sequence[str], fronts: Sequence[_Front], shares: Sequence[float | None]
) -> list[str]:
    return [
        f"The hypervolume of {label} is not measured: it would take too long."
        for label, front, share in zip(labels, fronts, shares, strict=True)
        if share is None and len(front.boxes)
    ]


def _certainty(label: str, run: RunFiles) -> list[str]:
    """Return how sure the front of a run is, as sentences."""
    if run.common.empty:
        return [f"{label} found no feasible design."]
    if not _metadata(run).get("is_complete", True):
        return [f"{label} was stopped early: its front is the best so far."]
    if run.certificate is not None and run.certificate.is_complete:
        return [f"{label} is enumerated: nothing in its space is better than its front."]
    if run.certificate is not None and run.certificate.is_finished:
        names = ", ".join(one.family for one in run.certificate.families)
        return [f"{label} is enumerated in the families {names}, and searched in the others."]
    return [f"{label} is searched: better designs of its space may have been missed."]


def _metadata(run: RunFiles) -> dict[str, Any]:
    """Return what the front says of its run; its seed may be another than the study's."""
    stored = (pq.read_schema(run.folder / "front.parquet").metadata or {}).get(METADATA_KEY)
    found: dict[str, Any] = json.loads(stored) if stored else {}
    return found


def _as_run(run: RunFiles) -> Study:
    """Return the study of a run with the seed that it was run with."""
    return replace(run.study, seed=int(_metadata(run).get("seed", run.study.seed)))
