"""Fronts as tables and Parquet: one row a design, self-explaining metadata."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from evaluate import firing, units
from evaluate.batch import SLOTS, Batch, FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.layout import order_text
from evaluate.metrics import METRICS, Evaluation
from optimize.archive import Archive, non_dominated
from optimize.families import Family
from optimize.files import write_whole
from optimize.genome import Designs, throw_angles_deg
from optimize.problem import Island
from optimize.robust import interval_columns, tolerance_metadata, values_of_rows
from optimize.study import Study
from optimize.texts import difference_text

SCHEMA = "crankfront.front/1"
SO_FAR = "front_so_far.parquet"  # in a run directory, until the run ends
METADATA_KEY = b"crankfront"


@dataclass(frozen=True, kw_only=True, slots=True)
class FamilyFront:
    """What is best within one family: one representative for each rounded objective vector.

    Attributes
    ----------
    island : Island
        The family under its study.
    designs : Designs
        The representatives.
    boxes : array of int, shape (members, objectives)
        Rounded objectives as multiples of their resolution, to be lessened.
    equals : array of int, shape (members,)
        Number of distinct designs known with the same rounded objectives.
    generations : array of int, shape (members,)
        When the search found the representative; 0 where nothing was searched.
    seeds : array of int, shape (members,)
        Repetition that found the representative; -1 where nothing was searched.
    seeds_found : array of int, shape (members,)
        How many repetitions have the same rounded objectives; 0 where nothing was searched.
    """

    island: Island
    designs: Designs
    boxes: IntArray
    equals: IntArray
    generations: IntArray
    seeds: IntArray
    seeds_found: IntArray

    def __len__(self) -> int:
        return len(self.boxes)

    @classmethod
    def from_archive(
        cls, island: Island, archive: Archive, by_seed: Mapping[int, Archive] | None = None
    ) -> FamilyFront:
        """Return the front that a search has in its archive.

        Parameters
        ----------
        island : Island
            The family under its study.
        archive : Archive
            Of all repetitions.
        by_seed : mapping of int to Archive, or None
            Of each repetition, to say which of them found what; None where there are none.
        """
        seeds, found = _seeds_of(archive, by_seed or {})
        return cls(
            island=island,
            designs=island.genome.decode(archive.genomes),
            boxes=archive.boxes,
            equals=np.array([len(equals) for equals in archive.equals], np.int64),
            generations=archive.generations,
            seeds=seeds,
            seeds_found=found,
        )

    def rows(self, which: IntArray) -> FamilyFront:
        """Return the chosen members."""
        designs = self.designs
        picked = Designs(batch=designs.batch.rows(which), splay_deg=designs.splay_deg[which])
        return FamilyFront(
            island=self.island,
            designs=picked,
            boxes=self.boxes[which],
            equals=self.equals[which],
            generations=self.generations[which],
            seeds=self.seeds[which],
            seeds_found=self.seeds_found[which],
        )


def _seeds_of(archive: Archive, by_seed: Mapping[int, Archive]) -> tuple[IntArray, IntArray]:
    """Return the first repetition with each member's design, and how many have its box."""
    boxes = {seed: {box.tobytes() for box in one.boxes} for seed, one in by_seed.items()}
    owners: dict[tuple[bytes, int, int], int] = {}
    for seed in sorted(by_seed, reverse=True):
        one = by_seed[seed]
        for box, key, generation in zip(one.boxes, one.keys, one.generations, strict=True):
            owners[(box.tobytes(), key, int(generation))] = seed
    members = list(zip(archive.boxes, archive.keys, archive.generations, strict=True))
    first = [owners.get((box.tobytes(), key, int(gen)), -1) for box, key, gen in members]
    counts = [sum(box.tobytes() in of for of in boxes.values()) for box, _, _ in members]
    return np.array(first, np.int64), np.array(counts, np.int64)


def front_tables(study: Study, fronts: Sequence[FamilyFront]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the common front and all family fronts, one row a design.

    Parameters
    ----------
    study : Study
        What was searched.
    fronts : sequence of FamilyFront
        In the order of the families.

    Returns
    -------
    tuple of two frames
        The common front, sorted by objectives and named D1, D2, ...; and every member of every
        family's own front with `on_front`, `dominated_by` and `dominated_how`.
    """
    parts = [design_rows(study, front) for front in fronts if len(front)]
    if not parts:
        return pd.DataFrame(), pd.DataFrame()
    rows = pd.concat(parts, ignore_index=True)
    columns = [f"{objective.key}_rounded" for objective in study.objectives]
    signs = np.array([objective.sign for objective in study.objectives])
    resolutions = np.array([objective.resolution for objective in study.objectives])
    boxes = np.rint(rows[columns].to_numpy() * signs / resolutions).astype(np.int64)
    best = non_dominated(boxes)
    order = np.lexsort([*boxes.T[::-1], ~best])
    rows, boxes, best = rows.iloc[order].reset_index(drop=True), boxes[order], best[order]
    first_of_box = ~pd.DataFrame(boxes).duplicated().to_numpy()
    on_front = best & first_of_box
    rows["on_front"] = on_front
    rows.insert(0, "design", "")
    numbers = np.cumsum(on_front)
    rows.loc[on_front, "design"] = [f"D{n}" for n in numbers[on_front]]
    rows.loc[~on_front, "design"] = [f"F{n + 1}" for n in range(int((~on_front).sum()))]
    rows["also_in"] = ""
    rows["dominated_by"], rows["dominated_how"] = "", ""
    _explain(study, rows, boxes, on_front)
    common = rows[on_front].drop(columns=["on_front", "dominated_by", "dominated_how"])
    return common.reset_index(drop=True), rows.drop(columns=["also_in"])


def front_so_far(
    study: Study, fronts: Sequence[FamilyFront], vectors: Mapping[str, IntArray] | None = None
) -> pd.DataFrame:
    """Return the common front of a run that goes on, sorted by objectives.

    Parameters
    ----------
    study : Study
        What is searched.
    fronts : sequence of FamilyFront
        Of families that are searched, or were enumerated.
    vectors : mapping of str to array of int, or None
        Rounded objectives found in families that are being enumerated, whose designs are chosen
        at the end: their rows have a family, rounded objectives and nothing else.
    """
    vectors = vectors or {}
    boxes = [*(front.boxes for front in fronts), *vectors.values()]
    if not sum(len(part) for part in boxes):
        return pd.DataFrame()
    kept = np.split(
        non_dominated(np.concatenate(boxes)), np.cumsum([len(part) for part in boxes])[:-1]
    )
    parts = [
        design_rows(study, front.rows(np.flatnonzero(rows)))
        for front, rows in zip(fronts, kept, strict=False)
        if rows.any()
    ]
    for (name, rounded), rows in zip(vectors.items(), kept[len(fronts) :], strict=True):
        part: dict[str, Any] = {"family": [name] * int(rows.sum())}
        for column, objective in enumerate(study.objectives):
            values = rounded[rows, column] * objective.resolution * objective.sign
            part[f"{objective.key}_rounded"] = values + 0.0
        parts.append(pd.DataFrame(part))
    frame = pd.concat([part for part in parts if len(part)], ignore_index=True)
    columns = [f"{objective.key}_rounded" for objective in study.objectives]
    order = np.lexsort(
        [o.sign * frame[c] for o, c in zip(study.objectives, columns, strict=True)][::-1]
    )
    frame = frame.iloc[order].drop_duplicates(columns).reset_index(drop=True)
    frame.insert(0, "design", [f"D{n + 1}" for n in range(len(frame))])
    return frame


def write_front_so_far(
    folder: Path,
    study: Study,
    fronts: Sequence[FamilyFront],
    vectors: Mapping[str, IntArray] | None = None,
) -> None:
    """Write the front of a run that goes on; names of designs change until it ends."""
    frame = front_so_far(study, fronts, vectors)
    if len(frame):
        write_front(folder / SO_FAR, frame, study, extra={"is_complete": False})


def _explain(study: Study, rows: pd.DataFrame, boxes: FloatArray, on_front: np.ndarray) -> None:
    """Fill in what dominates each design off the front, and which families tie with one on it."""
    members = np.flatnonzero(on_front)
    values = values_of_rows(rows, study)
    for row in np.flatnonzero(~on_front):
        gains = boxes[row] - boxes[members]
        worthy = np.flatnonzero((gains >= 0).all(axis=1))
        winner = worthy[np.argmax((gains[worthy] > 0).sum(axis=1))]
        index, gain = members[winner], gains[winner]
        rows.loc[row, "dominated_by"] = rows.loc[index, "design"]
        if not gain.any():
            rows.loc[row, "dominated_how"] = "equal when rounded"
            tied = [rows.loc[index, "also_in"], rows.loc[row, "family"]]
            rows.loc[index, "also_in"] = ", ".join(dict.fromkeys(t for t in tied if t))
            continue
        words = []
        apart = np.abs(values[row] - values[index])
        for objective, steps, raw in zip(study.objectives, gain, apart, strict=True):
            if steps:
                metric, step = METRICS[objective.key], objective.resolution
                what = f"{'less' if objective.sign > 0 else 'more'} {metric.label}"
                words.append(difference_text(steps * step, raw, metric.unit, step, what))
        rows.loc[row, "dominated_how"] = ", ".join(words)


def design_rows(study: Study, front: FamilyFront) -> pd.DataFrame:
    """Return designs of one family as a table, scored by the plain path, one row a design."""
    batch, engine = front.designs.batch, front.island.family.engine
    evaluation = Evaluation(engine, batch)
    columns = _given_columns(study, front.island.family, front.designs)
    columns |= {key: metric.compute(evaluation) for key, metric in METRICS.items()}
    columns |= interval_columns(study, engine, batch)
    for column, objective in enumerate(study.objectives):
        rounded = front.boxes[:, column] * objective.resolution * objective.sign
        columns[f"{objective.key}_rounded"] = rounded + 0.0
    columns["equals"] = front.equals
    columns["generation"] = front.generations
    columns["seed"] = front.seeds
    columns["seeds_found"] = front.seeds_found
    return pd.DataFrame(columns)


def given_rows(study: Study, family: Family, designs: Designs) -> pd.DataFrame:
    """Return designs of one family as a table of what they are, without scores."""
    return pd.DataFrame(_given_columns(study, family, designs))


def _given_columns(study: Study, family: Family, designs: Designs) -> dict[str, Any]:
    """Return family, throws, banks, firing, balance and size of designs as columns."""
    batch, engine, n = designs.batch, family.engine, len(designs.batch)
    evaluation = Evaluation(engine, batch)
    labels = [tuple(str(i + 1) for i in range(family.cylinders))] * n
    orders = [
        order_text(names, phi)
        for names, phi in zip(labels, evaluation.firing_angles_deg, strict=True)
    ]
    angles = throw_angles_deg(family, batch)
    rising = np.sort(evaluation.firing_angles_deg, axis=1)
    return {
        "family": [family.name] * n,
        "arrangement": [family.arrangement] * n,
        "cylinders": [family.cylinders] * n,
        "pins": [family.pins] * n,
        "bank_angle_deg": np.ptp(batch.bank_angles_deg, axis=1),
        "splay_deg": designs.splay_deg,
        "throw_angles": ["-".join(f"{a:.6g}" for a in row) for row in angles],
        "firing_order": ["-".join(order) for order in orders],
        "shafts": [_shafts_text(row) for row in batch.shaft_fractions],
        "reciprocating_fraction": batch.reciprocating_fraction,
        "rotating_fraction": batch.rotating_fraction,
        "throw_angles_deg": angles.tolist(),
        "cylinder_banks": (np.broadcast_to(batch.banks, rising.shape) + 1).tolist(),
        "firing_angles_deg": evaluation.firing_angles_deg.tolist(),
        "firing_intervals_deg": firing.intervals_from_sorted(rising.T, study.cycle_deg).T.tolist(),
        "collectors": (np.broadcast_to(batch.collectors, rising.shape) + 1).tolist(),
        "bore_mm": np.full(n, units.mm_from_m(engine.bore_m)),
        "stroke_mm": np.full(n, units.mm_from_m(2 * engine.crank_radius_m)),
        "speed_rpm": np.full(n, units.rpm_from_rad_s(engine.speed_rad_s)),
    }


def _shafts_text(fractions: FloatArray) -> str:
    names = [slot.name for slot, share in zip(SLOTS, fractions, strict=True) if share]
    return " + ".join(names) if names else "none"


def one_row_batch(row: pd.Series) -> Batch:
    """Return the candidate of a row as a batch of one, for pictures and layout files."""
    pins = np.array(row["throw_angles_deg"], float)
    banks = np.array(row["cylinder_banks"], np.int64)[np.newaxis] - 1
    n = banks.shape[1]
    throws = np.repeat(np.arange(len(pins)), n // len(pins))
    half_deg = 0.5 * row["bank_angle_deg"]
    angles = [0.0] if row["arrangement"] == "in-line" else [-half_deg, half_deg]
    names = [slot.name for slot in SLOTS]
    shafts = [float(name in row["shafts"].split(" + ")) for name in names]
    batch = Batch(
        pin_angles_deg=pins[throws][np.newaxis],
        bank_angles_deg=np.array([angles]),
        banks=banks,
        firing_bits=np.zeros((1, n), np.int64),
        rotating_fraction=np.array([row["rotating_fraction"]]),
        reciprocating_fraction=np.array([row["reciprocating_fraction"]]),
        shaft_fractions=np.array([shafts]),
        collectors=np.array(row["collectors"], np.int64)[np.newaxis] - 1,
    )
    turns = np.array(row["firing_angles_deg"]) - firing.crank_phases_deg(batch)[0]
    bits = np.rint(turns / firing.TURN_DEG).astype(np.int64)[np.newaxis]
    return Batch(**({k: getattr(batch, k) for k in Batch.__slots__} | {"firing_bits": bits}))


def write_front(path: Path, table: pd.DataFrame, study: Study, *, extra: dict[str, Any]) -> None:
    """Write a front as Parquet, whole or not at all, the same bytes for the same front.

    Parameters
    ----------
    path : Path
        Where to.
    table : DataFrame
        From `front_tables`.
    study : Study
        Goes into the metadata with its full text.
    extra : dict
        What else belongs into the metadata, JSON-ready.
    """
    metadata = {
        "schema": SCHEMA,
        "study": study.text,
        "seed": study.seed,
        "versions": package_versions(),
        "objectives": [
            {"metric": o.key, "sense": METRICS[o.key].sense, "resolution": o.resolution}
            for o in study.objectives
        ],
        "units": {key: metric.unit for key, metric in METRICS.items()},
        "senses": {key: metric.sense for key, metric in METRICS.items()},
        **tolerance_metadata(study),
        **extra,
    }
    arrow = pa.Table.from_pandas(table, preserve_index=False)
    stored = {**(arrow.schema.metadata or {}), METADATA_KEY: json.dumps(metadata).encode()}
    arrow = arrow.replace_schema_metadata(stored)
    write_whole(path, lambda beside: pq.write_table(arrow, beside, compression="zstd"))


def read_front(path: Path | str) -> pd.DataFrame:
    """Return a front as a frame, with its metadata (units, senses, study, versions) in `attrs`.

    Raises
    ------
    InputError
        If the file is no front, or of a newer schema than this version knows.
    """
    try:
        arrow = pq.read_table(path)
        arrow.validate(full=True)  # texts that are none would show only when somebody looks at them
        stored = (arrow.schema.metadata or {}).get(METADATA_KEY)
        metadata = json.loads(stored) if stored else {}
    except (OSError, pa.ArrowException, ValueError) as error:
        reason = (str(error).splitlines() or ["no Parquet"])[0].rstrip(".")
        raise InputError(str(path), reason, "a front.parquet of a run") from None
    if not isinstance(metadata, dict) or metadata.get("schema") != SCHEMA:
        known = metadata if isinstance(metadata, dict) else {}
        got = known.get("schema", "no crankfront metadata")
        raise InputError(str(path), str(got), f"a file of the schema {SCHEMA}")
    frame = arrow.to_pandas()
    frame.attrs = {**metadata, "units": column_units(frame, metadata.get("units", {}))}
    return frame


def column_units(frame: pd.DataFrame, units_of: Mapping[str, str]) -> dict[str, str]:
    """Return the unit of each column that has one, "" for pure numbers.

    Parameters
    ----------
    frame : DataFrame
        A front.
    units_of : mapping of str to str
        Units of the metrics, whose rounded values and intervals have them too.
    """
    found = dict(units_of)
    for column in frame.columns:
        metric = next((key for key in units_of if column.startswith(f"{key}_")), None)
        if column not in found and metric is not None:
            found[column] = units_of[metric]
        for end in ("_deg", "_mm", "_rpm"):
            if column not in found and column.endswith(end):
                found[column] = end[1:]
    return found


def package_versions() -> dict[str, str]:
    """Return the versions on which the numbers depend."""
    names = ("crankfront", "numpy", "scipy", "pymoo", "moocore", "pandas", "pyarrow")
    found = {}
    for name in names:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def family_of_row(row: pd.Series, families: Sequence[Family]) -> Family:
    """Return the family that a row belongs to."""
    return next(family for family in families if family.name == row["family"])
