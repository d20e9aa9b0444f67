"""Designs of many runs for which an expression over the columns of their fronts holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from evaluate.batch import FloatArray
from evaluate.errors import InputError, unknown_word
from evaluate.metrics import METRICS, score
from optimize import expressions
from optimize.catalogue import (
    FrontMetadata,
    columns_of,
    front_file,
    name_of,
    named_study,
    read_columns,
    run_directories,
)
from optimize.expressions import Expression, Kind
from optimize.families import all_families
from optimize.fronts import SO_FAR
from optimize.one_design import study_of
from optimize.starts import designs_of

#: What every design is shown with: which run found it, and how.
TRACE = ("run", "study", "study_seed", "design", "family", "seed", "generation")
_OF_RUN: dict[str, Kind] = {"run": "text", "study": "text", "study_seed": "number"}
#: Share of the difference that matters in a metric below which its value is 0: sums that cancel
#: leave some 1e-15 of what they are made of, values that mean something are far larger.
NOTHING_SHARE = 1e-6
_AGREES = 1e-9  # what is computed anew must agree with the file to this share


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """What is asked of all runs.

    Attributes
    ----------
    expression : Expression
        Which designs.
    columns : tuple of str
        Columns asked for beyond those in `TRACE`: of the expression, to sort by, and more.
    kinds : dict
        What is in each column that can be compared.
    all_columns : bool
        Whether all columns of the designs are wanted.
    all_fronts : bool
        Whether every family's own front is looked through, not the common ones.
    """

    expression: Expression
    columns: tuple[str, ...]
    kinds: Mapping[str, Kind]
    all_columns: bool = False
    all_fronts: bool = False


@dataclass(kw_only=True, slots=True)
class Answer:
    """Designs that were found.

    Attributes
    ----------
    table : Table
        One row a design, `TRACE` first; values as they stand in the fronts.
    folders : list of Path
        Run directory of each row.
    metadata : dict of Path to FrontMetadata
        Of each front with a row.
    runs : int
        Runs that were looked through.
    left_out : list of tuple of str
        Runs that could not be, and why.
    remarks : list of tuple of str
        Runs of which something else should be known, and what.
    """

    table: pa.Table = field(default_factory=lambda: pa.table({}))
    folders: list[Path] = field(default_factory=list)
    metadata: dict[Path, FrontMetadata] = field(default_factory=dict)
    runs: int = 0
    left_out: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[tuple[str, str]] = field(default_factory=list)


def ask(
    root: Path,
    text: str,
    *,
    columns: Sequence[str] = (),
    sort: str | None = None,
    most: int | None = None,
    all_columns: bool = False,
    all_fronts: bool = False,
) -> tuple[Question, Answer]:
    """Return the designs of all runs under a directory for which an expression holds.

    Parameters
    ----------
    root : Path
        Directory with runs.
    text : str
        The expression.
    columns : sequence of str
        Further columns to show.
    sort : str or None
        Column to sort by, best first; by run and name of the design without one.
    most : int or None
        Designs to keep.
    all_columns : bool
        Whether the table has all columns of the fronts.
    all_fronts : bool
        Whether dominated families' own fronts are looked through too.

    Raises
    ------
    InputError
        For a directory or an expression that cannot be used, or columns that there are not.

    Notes
    -----
    Comparisons see metrics as `compared` makes them, and numbers that agree to nine digits as
    equal. Metrics that a front lacks, since it was written before they were added, are computed
    from its designs; runs that lack another column are left out, and named.
    """
    folders = run_directories(root)
    fronts = {folder: front_file(folder, is_whole=all_fronts) for folder in folders}
    schemas = [columns_of(path) for path in fronts.values() if path.is_file()]
    kinds, others = column_kinds(schemas)
    expression = expressions.check(text, kinds, others)
    for option, names in (("--columns", columns), ("--sort", [sort] if sort else [])):
        for name in names:
            if name not in kinds and (name not in others or option == "--sort"):
                raise unknown_word(option, name, sorted(kinds))
    wanted = (*expression.names, *([sort] if sort else []), *columns)
    question = Question(
        expression=expression,
        columns=tuple(name for name in dict.fromkeys(wanted) if name not in TRACE),
        kinds=kinds,
        all_columns=all_columns,
        all_fronts=all_fronts,
    )
    answer = _gathered(question, {name_of(f, root): (f, path) for f, path in fronts.items()})
    rows = _order(answer, sort)[:most]
    answer.table = answer.table.take(pa.array(rows, pa.int64()))
    answer.folders = [answer.folders[row] for row in rows]
    return question, answer


def column_kinds(schemas: Iterable[pa.Schema]) -> tuple[dict[str, Kind], dict[str, str]]:
    """Return which columns can be compared and what is in them, and what to say of the others."""
    kinds: dict[str, Kind] = dict(_OF_RUN)
    kinds |= {"design": "text", "family": "text", "seed": "number", "generation": "number"}
    kinds |= dict.fromkeys(METRICS, "number")
    others = {}
    for schema in schemas:
        for column in schema:
            kind = _kind_of(column.type)
            if kind is not None:
                kinds.setdefault(column.name, kind)
            elif not pa.types.is_null(column.type):
                others[column.name] = "columns of single values; this one holds lists"
    return kinds, {name: text for name, text in others.items() if name not in kinds}


def _kind_of(kind: pa.DataType) -> Kind | None:
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        return "number"
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return "text"
    return "truth" if pa.types.is_boolean(kind) else None


def _gathered(question: Question, fronts: Mapping[str, tuple[Path, Path]]) -> Answer:
    """Return what all runs have, in their order."""
    answer = Answer()
    parts: list[pa.Table] = []
    schema = pa.schema([])
    for run, (folder, path) in fronts.items():
        try:
            metadata, part, remark = _found_in(question, run, folder, path)
            schema = pa.unify_schemas([schema, part.schema], promote_options="permissive")
        except InputError as error:
            answer.left_out.append((run, f"{_short(error, folder)}{error.got}"))
            continue
        except pa.ArrowException as error:
            answer.left_out.append((run, f"columns unlike those of other runs ({error})"))
            continue
        answer.runs += 1
        if path.name == SO_FAR:
            answer.remarks.append((run, "not finished, its front so far"))
        if remark:
            answer.remarks.append((run, remark))
        if len(part):
            parts.append(part)
            answer.folders += [folder] * len(part)
            answer.metadata[folder] = metadata
    if parts:
        answer.table = pa.concat_tables(parts, promote_options="permissive")
    return answer


def _short(error: InputError, folder: Path) -> str:
    where = error.where.removeprefix(f"{folder}").strip("/: ")
    return f"{where}: " if where else ""


def _found_in(
    question: Question, run: str, folder: Path, path: Path
) -> tuple[FrontMetadata, pa.Table, str]:
    """Return the designs of one run for which the expression holds, and a remark on them."""
    remark = ""
    needed = [*TRACE, *question.columns]
    metadata, table = read_columns(path, lambda name: question.all_columns or name in needed)
    table = table.replace_schema_metadata(None)
    study = _study_name(metadata)
    if not table.num_columns:  # nothing feasible was found
        return metadata, table, remark
    of_run = {"run": run, "study": study, "study_seed": metadata.seed}
    for place, (name, value) in enumerate(of_run.items()):
        if name in table.column_names:
            table = table.drop_columns(name)
        table = table.add_column(place, name, pa.array([value] * len(table)))
    for name in ("seed", "generation"):  # older fronts do not say
        if name not in table.column_names and name not in question.expression.names:
            table = table.append_column(name, pa.nulls(len(table), pa.int64()))
    missing = [name for name in needed if name not in table.column_names]
    if missing:
        table = _with_metrics(table, metadata, folder, path, missing)
        remark = f"{', '.join(missing)} computed from the designs"
    values = {name: compared(table, name, metadata, question) for name in question.expression.names}
    holds = expressions.evaluate(question.expression, values, len(table))
    found = table.filter(pa.array(holds))
    rest = [name for name in found.column_names if name not in needed]
    return metadata, found.select([*needed, *rest]), remark


def _study_name(metadata: FrontMetadata) -> str:
    try:
        return str(named_study(metadata.study)["name"])
    except ValueError:
        raise InputError("metadata", "a study without a name", "a study as written") from None


def compared(table: pa.Table, name: str, metadata: FrontMetadata, question: Question) -> np.ndarray:
    """Return a column as comparisons see it: numbers with NaN for nothing, remainders as 0.

    A metric is 0 where it is below `NOTHING_SHARE` of the difference that matters: the study's
    where it is an objective, else the usual one of the metric.

    Raises
    ------
    InputError
        If it holds something else than in other runs.
    """
    column, kind = table[name], question.kinds[name]
    if _kind_of(column.type) != kind and not pa.types.is_null(column.type):
        raise InputError(name, f"a column of {column.type}", f"a {kind}, as in other runs")
    if kind != "number":
        blank = "" if kind == "text" else False
        values = [blank if value is None else value for value in column.to_pylist()]
        return np.array(values, str if kind == "text" else bool)
    numbers = np.array(column.cast(pa.float64()).to_pandas(), float)
    nothing = NOTHING_SHARE * difference_that_matters(name, metadata)
    return np.where(np.abs(numbers) < nothing, 0.0, numbers)


def difference_that_matters(name: str, metadata: FrontMetadata) -> float:
    """Return the resolution of the metric in a column; 0 for columns that are no metric's."""
    stated = {o.metric: o.resolution for o in metadata.objectives}
    for key, metric in METRICS.items():
        if name == key or name.startswith(f"{key}_"):  # of built engines too, such as key_p95
            return stated.get(key, metric.resolution)
    return 0.0


def _with_metrics(
    table: pa.Table, metadata: FrontMetadata, folder: Path, path: Path, missing: Sequence[str]
) -> pa.Table:
    """Return a table with metrics that were added since it was written.

    Raises
    ------
    InputError
        If a column is no metric, or its designs no longer evaluate to the numbers that it has.
    """
    unknown = [name for name in missing if name not in METRICS]
    if unknown:
        raise InputError(path.name, f"no column {', '.join(unknown)}", "a newer run")
    rows = read_columns(path)[1].to_pandas()
    stated = [key for key in ("force_rms_N", "couple_rms_Nm") if key in rows]
    values = _scored(rows, metadata, folder, [*missing, *stated])
    for column, key in enumerate(stated, start=len(missing)):
        resolution = difference_that_matters(key, metadata)
        off = np.abs(values[:, column] - rows[key].to_numpy(float))
        if not (off <= _AGREES * np.abs(values[:, column]) + NOTHING_SHARE * resolution).all():
            got = f"no column {', '.join(missing)}, and designs whose {key} is another by now"
            raise InputError(path.name, got, "a newer run")
    for column, name in enumerate(missing):
        table = table.append_column(name, pa.array(values[:, column]))
    return table


def _scored(
    rows: pd.DataFrame, metadata: FrontMetadata, folder: Path, keys: Sequence[str]
) -> FloatArray:
    """Return metrics of the designs of a front by the plain path, shape (rows, keys)."""
    families = {family.name: family for family in all_families(study_of(metadata, folder))[0]}
    values = np.full((len(rows), len(keys)), np.nan)
    try:
        for name, some in rows.groupby("family", sort=False):
            values[some.index] = score(families[name].engine, designs_of(some).batch, keys)
    except (AttributeError, KeyError, TypeError, ValueError):
        got = f"no column {keys[0]}, and designs that cannot be read"
        raise InputError("", got, "a newer run") from None
    return values


def _order(answer: Answer, sort: str | None) -> list[int]:
    """Return the rows in the order in which they are shown."""
    rows = list(range(len(answer.table)))
    if sort is None or not rows:
        return rows
    column = answer.table[sort].to_pylist()
    known = [row for row in rows if column[row] is not None and column[row] == column[row]]
    is_most = sort in METRICS and METRICS[sort].sense == "most"
    ordered = sorted(known, key=lambda row: -column[row] if is_most else column[row])
    return ordered + sorted(set(rows) - set(known))


def plain_rows(table: pa.Table) -> list[dict[str, Any]]:
    """Return a table as dicts of plain values, NaN as None, ready for JSON."""

    def plain(value: Any) -> Any:
        return None if isinstance(value, float) and not np.isfinite(value) else value

    return [{name: plain(value) for name, value in row.items()} for row in table.to_pylist()]
