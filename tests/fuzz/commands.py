"""Mutants through the real command line: exit status, one message, nothing written."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from click.testing import CliRunner

from evaluate import InputError
from evaluate.bench import read_bench
from optimize.cli import main
from optimize.exact.driver import steps_of
from optimize.plan import plan_of
from optimize.study import read_study
from tests.fuzz.campaign import Tally, try_mutants
from tests.fuzz.mutants import Mutant
from tests.fuzz.trials import FaultError, Outcome, outcome_of, wrong_with

PREFIX = "crankfront: "
MOST_EVALUATIONS, MOST_FAMILIES, MOST_STEPS = 500, 8, 5_000  # of studies that are run


def try_commands(n: int, *, first: int) -> Tally:
    """Try mutants, three layouts to one study, through the command line."""
    tally = try_mutants("layout", n - n // 4, first=first, try_one=_by_command)
    tally.merge(try_mutants("study", n // 4, first=first, try_one=_by_command))
    return tally


def run_command(arguments: Sequence[str], folder: Path) -> str:
    """Run a command and check what it leaves; return "valid" or "refused".

    Raises
    ------
    FaultError
        If anything is not as design, part 7, wants it.
    """
    before = _files(folder)
    result = CliRunner().invoke(main, arguments)
    words = " ".join(arguments[:2])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    if result.exit_code not in (0, 1, 2):
        raise FaultError(f"{words}: exit status {result.exit_code}")
    if "Traceback" in result.output:
        raise FaultError(f"{words}: a traceback in the output: {result.output[-150:]!r}")
    if result.exit_code != 2:
        return "valid"
    if result.stdout:
        raise FaultError(f"{words}: refused, but it printed {result.stdout[:80]!r}")
    said = result.stderr.removesuffix("\n")
    if "--resume" in arguments:  # the checkpoint is read after the first line of progress
        said = said.splitlines()[-1]
    wrong = wrong_with(said) if said.startswith(PREFIX) else f"without {PREFIX!r}"
    if wrong:
        raise FaultError(f"message {wrong}, {words}: {said[:200]!r}")
    if _files(folder) != before:
        raise FaultError(f"{words}: refused, but it wrote {set(_files(folder)) ^ set(before)}")
    return "refused"


def _by_command(mutant: Mutant, path: Path) -> Outcome:
    # Pages and pictures are many drawings, each of which takes its second.
    return outcome_of(lambda: _all_commands(mutant, path), times=5.0)


def _all_commands(mutant: Mutant, path: Path) -> str:
    out = path.parent / f"out-{mutant.choice}-{len(list(path.parent.iterdir()))}"
    if mutant.kind == "study":
        arguments = _study_command(path, out, mutant.choice)
    else:
        arguments = _layout_command(path, out, mutant.choice)
    return run_command(arguments, path.parent)


def _layout_command(path: Path, out: Path, choice: int) -> list[str]:
    file = str(path)
    every = [
        ["evaluate", file],
        ["evaluate", file, "--json"],
        ["compare", file, str(path.parent / "layouts" / "v-twin-90.toml"), "--json"],
        ["compare", str(path.parent / "layouts" / "single.toml"), file],
        ["firing-orders", file],
        ["firing-orders", file, "--json", "--next", "1,2"],
        ["firing-orders", file, "--save", f"{out}.toml"],
        ["firing-orders", file, "--all", "--most", "3", "--parquet", f"{out}.parquet"],
        ["evaluate", file, "--sheet", f"{out}.html"],
        ["evaluate", file, "--plots", str(out)],
    ]
    # Pages and pictures take seconds: a few only.
    picked = every[choice % 8] if choice < 92 else every[8 + choice % 2]
    return picked if "--all" not in picked or _is_short(path) else every[4]


def _is_short(path: Path) -> bool:
    try:
        return read_bench(path).layout.engine.n_cylinders <= 8
    except InputError:
        return True


def _study_command(path: Path, out: Path, choice: int) -> list[str]:
    """Return a command that searches or enumerates a study, `metrics` where that would be long."""
    command = "enumerate" if choice % 2 else "optimize"
    try:
        study = read_study(path)
        plan = plan_of(study, all_exact=command == "enumerate")
    except InputError:
        is_short = True
    else:
        steps = sum(steps_of(study, plan.families[k]) for k in plan.exact)
        is_short = len(plan.families) <= MOST_FAMILIES and steps <= MOST_STEPS
        is_short &= command == "enumerate" or study.evaluations <= MOST_EVALUATIONS
    if not is_short:
        return ["metrics"]
    return [command, str(path), "--out", str(out), "--workers", "1", "--no-pictures"]


def _files(folder: Path) -> dict[str, tuple[int, int]]:
    """Return size and time of every file and directory under a folder."""
    found = {}
    for path in folder.rglob("*"):
        state = path.stat()
        found[str(path)] = (state.st_size, state.st_mtime_ns)
    return found
