"""What `runs` and `query` do: tables, JSON, Parquet and layout files of the runs in a directory."""

from __future__ import annotations

import json
import sys
from collections.abc import Collection, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from evaluate.errors import InputError
from evaluate.metrics import METRICS
from optimize.catalogue import FrontMetadata, RunEntry, catalogue, name_of
from optimize.expressions import SAME_SHARE
from optimize.families import all_families
from optimize.files import file_to_write, json_text, writable_directory, write_text, write_whole
from optimize.fronts import METADATA_KEY
from optimize.one_design import layout_of_row, study_of
from optimize.query import (
    NOTHING_SHARE,
    TRACE,
    Answer,
    Question,
    ask,
    difference_that_matters,
    plain_rows,
)
from optimize.tables import console

RUNS_SCHEMA = "crankfront.runs/1"
QUERY_SCHEMA = "crankfront.query/1"
NOT_COMPARABLE = (
    "Hypervolume: share of one box around the fronts of all runs here with the same givens, space, "
    "limits and objectives. Those of other studies do not compare."
)
_MOST_SHOWN = 40  # designs on the terminal, without --most
_FOLDED_TO = 16  # characters
_MOST_NAMED = 4  # runs in a remark


def list_runs(root: Path, *, as_json: bool) -> bool:
    """Print the runs under a directory; return whether there is any.

    Raises
    ------
    InputError
        If it is no directory.
    """
    entries = catalogue(root)
    if as_json:
        runs = [entry.document() for entry in entries]
        print(json_text({"schema": RUNS_SCHEMA, "note": NOT_COMPARABLE, "runs": runs}))
    elif not entries:
        print(f"No run under {root}.")
    else:
        out = console()
        numbers = ("seed", "families", "designs", "front", "MB", "hypervolume")
        table = _table([_cells(entry) for entry in entries], numbers, ("run", "study"))
        if _fits(out, table):
            out.print(table)
        else:  # some lines for each run, which a narrow terminal need not fold
            for entry in entries:
                _print_block(out, entry)
        for entry in entries:
            for text in entry.wrong:
                out.print(f"{entry.run}: {text}", highlight=False, markup=False)
        out.print(NOT_COMPARABLE, style="dim", highlight=False)
    return bool(entries)


def _fits(out: Console, table: Table) -> bool:
    """Return whether a table stands on the terminal with only its long texts folded."""
    unlimited = out.options.update(max_width=10_000)
    return Measurement.get(out, unlimited, table).minimum <= out.width


def _table(
    rows: Sequence[dict[str, str]], numbers: Collection[str], long: Collection[str]
) -> Table:
    """Return rows as a table in which long texts may be folded, and nothing else."""
    table = Table(box=box.SIMPLE, padding=(0, 1, 0, 0), pad_edge=False)
    for name in rows[0]:
        widest = max(len(name), *(len(row[name]) for row in rows))
        is_long = name in long and widest > _FOLDED_TO
        table.add_column(
            name,
            justify="right" if name in numbers else "left",
            overflow="fold",
            no_wrap=not is_long,
            min_width=_FOLDED_TO if is_long else widest,
        )
    for row in rows:
        table.add_row(*(escape(cell) for cell in row.values()))
    return table


def _cells(entry: RunEntry) -> dict[str, str]:
    def count(number: int | None) -> str:
        return "-" if number is None else f"{number:,}"

    return {
        "run": entry.run,
        "study": entry.study or "-",
        "how": entry.command or "-",
        "seed": "-" if entry.seed is None else str(entry.seed),
        "begun": _local(entry.started),
        "families": count(entry.families),
        "designs": _designs(entry),
        "front": count(entry.front_size),
        "MB": f"{entry.bytes / 1e6:,.1f}",
        "hypervolume": "-" if entry.hypervolume is None else f"{entry.hypervolume:.4f}",
        "state": entry.state,
    }


def _designs(entry: RunEntry) -> str:
    """Return what a search has scored and an enumeration has covered."""
    if entry.covered is None:
        return "-" if entry.evaluations is None else f"{entry.evaluations:,}"
    covered = f"{entry.covered:,}" if entry.covered < 1e6 else f"{entry.covered:.2g}"
    return f"{covered} covered" + (f", {entry.evaluations:,}" if entry.evaluations else "")


def _print_block(out: Console, entry: RunEntry) -> None:
    cells = _cells(entry)
    out.print(f"[bold]{escape(entry.run)}[/bold]: {cells['state']}", highlight=False)
    lines = (
        "{study}, {how}, seed {seed}, begun {begun}",
        "families {families}, designs {designs}, front {front}, {MB} MB, hypervolume {hypervolume}",
    )
    for line in lines:
        out.print(Padding(Text(line.format_map(cells)), (0, 0, 0, 2)), highlight=False)


def _local(text: str | None) -> str:
    """Return a time in the zone of the reader."""
    return "-" if text is None else f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M}"


def query_runs(
    root: Path,
    expression: str,
    *,
    columns: str | None,
    sort: str | None,
    most: int | None,
    as_json: bool,
    parquet: Path | None,
    layouts: Path | None,
    all_fronts: bool,
) -> bool:
    """Print the designs for which an expression holds; return whether there is any.

    Parameters
    ----------
    root : Path
        Directory with runs.
    expression : str
        Over the columns of fronts.
    columns, sort, most, as_json, parquet, layouts, all_fronts
        The options of the command.

    Raises
    ------
    InputError
        If something cannot be used; nothing is written then.
    """
    file_to_write(parquet, "--parquet", suffix=".parquet")
    question, answer = ask(
        root,
        expression,
        columns=[name.strip() for name in columns.split(",") if name.strip()] if columns else (),
        sort=sort,
        most=most,
        all_columns=parquet is not None or layouts is not None,
        all_fronts=all_fronts,
    )
    written = {} if layouts is None else _layout_texts(answer, root)
    if layouts is not None and written:
        writable_directory(layouts, "--layouts")
        for name, text in written.items():
            write_text(layouts / name, text)
    if parquet is not None:
        _write(parquet, question, answer)
    if as_json:
        print(json_text(_document(question, answer)))
    else:
        _print_answer(question, answer, is_cut=most is None)
    if not as_json:
        _print_remarks(answer)
    for place, count in ((layouts, len(written)), (parquet, len(answer.table))):
        if place is not None and count:
            print(f"wrote {count} designs to {place}", file=sys.stderr)
    return len(answer.table) > 0


def _document(question: Question, answer: Answer) -> dict[str, Any]:
    shown = [*TRACE, *question.columns]
    rows = plain_rows(answer.table.select(shown)) if len(answer.table) else []
    return {
        "schema": QUERY_SCHEMA,
        "expression": question.expression.text,
        "front": "families" if question.all_fronts else "common",
        "equal_to_share": SAME_SHARE,
        "nothing_below_share_of_resolution": NOTHING_SHARE,
        "units": {key: METRICS[key].unit for key in question.columns if key in METRICS},
        "runs": answer.runs,
        "count": len(rows),
        "designs": rows,
        "remarks": [{"run": run, "remark": text} for run, text in answer.remarks],
        "left_out": [{"run": run, "reason": text} for run, text in answer.left_out],
    }


def _print_answer(question: Question, answer: Answer, *, is_cut: bool) -> None:
    out = console()
    count = len(answer.table)
    runs = "1 run" if answer.runs == 1 else f"{answer.runs} runs"
    if not count:
        out.print(f"No design of {runs} is like that.", highlight=False)
        return
    shown = min(count, _MOST_SHOWN) if is_cut else count
    columns = [*(name for name in TRACE if name not in ("study", "study_seed")), *question.columns]
    rows = []
    plain = plain_rows(answer.table.select(columns).slice(0, shown))
    for folder, row in zip(answer.folders, plain, strict=False):
        metadata = answer.metadata[folder]
        rows.append({name: _cell(name, value, metadata) for name, value in row.items()})
    numbers = [name for name in columns if question.kinds.get(name) == "number"]
    table = _table(rows, numbers, [name for name in columns if name not in numbers])
    if _fits(out, table):
        out.print(table)
    else:
        for cells in rows:
            _print_design(out, cells)
    more = f", the first {shown} shown (--most, --json or --parquet for more)"
    designs = "1 design" if count == 1 else f"{count:,} designs"
    out.print(f"{designs} of {runs}{more if shown < count else ''}.", highlight=False)


def _print_design(out: Console, cells: dict[str, str]) -> None:
    head = f"[bold]{escape(cells['run'])} {escape(cells['design'])}[/bold]: "
    found = [f"{name} {cells[name]}" for name in ("seed", "generation") if cells[name] != "-"]
    out.print(head + escape(", ".join([cells["family"], *found])), highlight=False)
    values = ", ".join(f"{name} {cell}" for name, cell in cells.items() if name not in TRACE)
    if values:
        out.print(Padding(Text(values), (0, 0, 0, 2)), highlight=False)


def _cell(name: str, value: Any, metadata: FrontMetadata) -> str:
    """Return a value for people: remainders are 0, as they are in comparisons."""
    if value is None or (name == "seed" and value < 0):  # no repetition of a search
        return "-"
    if isinstance(value, list):
        return "-".join(_cell(name, item, metadata) for item in value)
    if isinstance(value, float):
        is_nothing = abs(value) < NOTHING_SHARE * difference_that_matters(name, metadata)
        return "0" if is_nothing else f"{value:.6g}"
    return str(value)


def _print_remarks(answer: Answer) -> None:
    """Say on stderr what was computed, and what was left out and why; equal words once."""
    texts: dict[str, list[str]] = {}
    for run, text in answer.remarks:
        texts.setdefault(text, []).append(run)
    for run, text in answer.left_out:
        texts.setdefault(f"left out, {text}", []).append(run)
    for text, runs in texts.items():
        named = ", ".join(runs[:_MOST_NAMED])
        more = f" and {len(runs) - _MOST_NAMED} more" if len(runs) > _MOST_NAMED else ""
        print(f"{named}{more}: {text}", file=sys.stderr)


def _write(path: Path, question: Question, answer: Answer) -> None:
    """Write all columns of the designs that were found, with the question in the metadata."""
    metadata = {
        "schema": QUERY_SCHEMA,
        "expression": question.expression.text,
        "units": {key: METRICS[key].unit for key in answer.table.column_names if key in METRICS},
    }
    table = answer.table.replace_schema_metadata({METADATA_KEY: json.dumps(metadata).encode()})
    write_whole(path, lambda beside: pq.write_table(table, beside, compression="zstd"))


def _layout_texts(answer: Answer, root: Path) -> dict[str, str]:
    """Return a layout file for each design by its name; what has none is a remark."""
    texts: dict[str, str] = {}
    known: dict[Path, Any] = {}
    rows = answer.table.to_pandas()
    for folder, (_, row) in zip(answer.folders, rows.iterrows(), strict=True):
        run = name_of(folder, root)
        try:
            if folder not in known:
                study = study_of(answer.metadata[folder], folder)
                known[folder] = (study, all_families(study)[0])
            text = layout_of_row(row, *known[folder])
        except InputError as error:
            answer.remarks.append((run, f"no layout file of {row['design']} ({error.got})"))
            continue
        stem = "-".join([*run.split("/"), str(row["design"])]).replace(" ", "-")
        name, number = f"{stem}.toml", 2
        while name in texts:
            name, number = f"{stem}-{number}.toml", number + 1
        texts[name] = text
    return texts
