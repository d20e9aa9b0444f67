"""Damaged run directories: what reads them gives a result, an honest no or one message."""

from __future__ import annotations

import contextlib
import json
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import tomli_w
from click.testing import CliRunner
from hypothesis import strategies as st

from evaluate import InputError
from optimize.cli import main
from optimize.fronts import read_front, write_front
from optimize.study import read_study
from tests.fuzz.campaign import Tally, draw_and_try
from tests.fuzz.commands import run_command
from tests.fuzz.mutants import Draw, Mutant, changed_bytes, changed_plain_values
from tests.fuzz.trials import outcome_of
from tests.optimize.exact_runs import TINY, certify_again
from tests.optimize.small_studies import study_tables

_STUDY = study_tables(**{**TINY, "search": {"population": 16, "evaluations": 600}})
_TABLES = ("front.parquet", "family_fronts.parquet")
#: Files that are damaged, those that matter more several times.
_FILES = (*2 * _TABLES, *3 * ("certificate.json",), "study.toml", "checkpoints/enumeration.json")
_FILES += ("checkpoints/round.json", "checkpoints/*.npz")
_VALUES = (None, "", "x", -1, 0, 10**12, 1.5, float("nan"), float("inf"), [], [1.0], ["a"], True)


def try_run_directories(n: int, *, first: int) -> Tally:
    """Damage files of small runs, and verify, measure, list, resume and start from them."""
    tally = Tally()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        folder = Path(name)
        _good_runs(folder)

        def one(damage: tuple[Mutant, Callable[[Path], None]]) -> None:
            mutant, spoil = damage
            if tally.mutants < n:
                arguments = _spoilt(folder, mutant, spoil)
                tally.note(mutant, outcome_of(lambda: run_command(arguments, folder)))

        draw_and_try(_damages(folder), one, n, first)
    return tally


def _good_runs(folder: Path) -> None:
    study = folder / "tiny.toml"
    study.write_text(tomli_w.dumps(_STUDY), "utf-8")
    for command in ("optimize", "enumerate"):
        options = ["--out", str(folder / command), "--workers", "1", "--no-pictures"]
        result = CliRunner().invoke(main, [command, str(study), *options])
        if result.exit_code:
            raise RuntimeError(f"{command}: {result.output} {result.exception}")


@st.composite
def _damages(draw: Draw[Any], folder: Path) -> tuple[Mutant, Callable[[Path], None]]:
    """Draw a file of a run and what is done to it."""
    command = draw(st.sampled_from(("optimize", "enumerate")))
    pattern = draw(st.sampled_from(_FILES))
    files = sorted((folder / command).glob(pattern)) or [folder / command / "front.parquet"]
    file = draw(st.sampled_from(files))
    changes: list[str] = [file.name]
    choice = draw(st.integers(0, 99))
    if file.suffix == ".parquet" and choice % 3:
        column, what = _change_of_table(draw, changes)
        data = b""

        def spoil(path: Path) -> None:
            with contextlib.suppress(TypeError, ValueError, KeyError):  # what Arrow cannot hold
                _rewrite(path, column, what, again=choice % 2 == 0)
    else:
        data = _damaged(draw, file, changes)

        def spoil(path: Path) -> None:
            path.write_bytes(data)

    name = str(file.relative_to(folder))
    mutant = Mutant(kind="run", name=name, data=data, changes=tuple(changes), choice=choice)
    return mutant, spoil


def _damaged(draw: Draw[Any], file: Path, changes: list[str]) -> bytes:
    """Return the bytes of a file, changed."""
    data = file.read_bytes()
    if file.suffix == ".json" and draw(st.booleans()):
        tables = json.loads(data)
        changed_plain_values(draw, tables, changes)
        with contextlib.suppress(TypeError):  # dates
            return json.dumps(tables).encode("utf-8", "surrogatepass")
    return changed_bytes(draw, data, changes)


def _change_of_table(draw: Draw[Any], changes: list[str]) -> tuple[int, tuple[str, Any]]:
    what = draw(st.sampled_from(("drop", "fill", "cell", "text", "rows", "double", "none")))
    value = draw(st.sampled_from(_VALUES))
    column = draw(st.integers(0, 200))
    changes.append(f"column {column}: {what} {value!r}")
    return column, (what, value)


def _rewrite(path: Path, column: int, change: tuple[str, Any], *, again: bool) -> None:
    """Change a column or the rows of a front, and write it with its metadata."""
    study, table = read_study(path.parent / "study.toml"), read_front(path)
    key, (what, value) = table.columns[column % len(table.columns)], change
    if what == "drop":
        table = table.drop(columns=key)
    elif what == "fill":
        table[key] = pd.Series([value] * len(table), dtype=object)
    elif what == "cell":
        values = list(table[key])
        values[column % max(1, len(values))] = value
        table[key] = pd.Series(values, dtype=object)
    elif what == "text":
        table[key] = [str(item) for item in table[key]]
    elif what == "rows":
        table = table.iloc[: column % 3]
    elif what == "double":
        table = pd.concat([table, table], ignore_index=True)
    write_front(path, table, study, extra={})
    if again and (path.parent / "certificate.json").exists():
        with contextlib.suppress(Exception):  # the hash of nonsense
            certify_again(path.parent)


def _spoilt(folder: Path, mutant: Mutant, spoil: Callable[[Path], None]) -> list[str]:
    """Damage a copy of a run; return a command that reads it."""
    shutil.rmtree(folder / "run", ignore_errors=True)
    shutil.rmtree(folder / "out", ignore_errors=True)
    command, _, name = mutant.name.partition("/")
    run = folder / "run"
    shutil.copytree(folder / command, run)
    with contextlib.suppress(InputError):
        spoil(run / name)
    few = ["--workers", "1"]
    study, quiet = str(folder / "tiny.toml"), [*few, "--no-pictures"]
    if name.startswith("checkpoints"):
        return [command, study, "--out", str(run), "--resume", *quiet]
    every = [
        ["verify", str(run), "--sample", "30", "--json"],
        ["verify", str(run), "--sample", "0"],
        ["gap", str(run), "--exact", str(folder / "enumerate"), *few],
        ["gap", str(folder / "optimize"), "--exact", str(run), "--json", *few],
        ["equals", str(run), "D1", "--most", "5"],
        ["optimize", study, "--start", str(run), "--out", str(folder / "out"), *quiet],
    ]
    return every[mutant.choice % len(every)]
