"""What `verify` and `gap` print: tables for people, JSON for programs."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from rich.markup import escape
from rich.table import Table

from optimize.exact.closeness import Gap, gap_of_run
from optimize.exact.run_files import angles_text
from optimize.exact.verification import Verification, verify_run
from optimize.files import json_text
from optimize.tables import console
from optimize.texts import value_text

MOST_EXAMPLES = 8  # printed under the table; the JSON document holds them all


def verify_and_print(folder: Path, *, sample: int, seed: int | None, as_json: bool) -> bool:
    """Verify a run directory, print what came out, and return whether all holds.

    Parameters
    ----------
    folder : Path
        Run directory.
    sample, seed
        As `verify_run` takes them.
    as_json : bool
        Whether to print the JSON document instead of a table.
    """
    found = verify_run(folder, sample=sample, seed=seed)
    if as_json:
        print(json_text(found.document()))
    else:
        _print_verification(found)
    return found.holds


def gap_and_print(folder: Path, *, exact: Path | None, workers: int | None, as_json: bool) -> None:
    """Measure how near a search came to the exact front, and print it.

    Parameters
    ----------
    folder : Path
        Run directory of the search.
    exact, workers
        As `gap_of_run` takes them.
    as_json : bool
        Whether to print the JSON document instead of a table.
    """
    gap = gap_of_run(folder, exact=exact, workers=workers)
    if as_json:
        print(json_text(gap.document()))
    else:
        _print_gap(gap)


def _print_verification(found: Verification) -> None:
    table = Table(title=escape(f"Verification of {found.study}"), title_justify="left")
    for name in ("check", "holds", "what was found"):
        table.add_column(name, overflow="fold")
    for check in found.checks:
        table.add_row(check.check, "yes" if check.holds else "NO", escape(check.detail))
    console().print(table, highlight=False)
    examples = found.sample["counterexamples"]
    lines = [f"Counterexample: {_example_text(e)}" for e in examples[:MOST_EXAMPLES]]
    if len(examples) > MOST_EXAMPLES:
        lines.append(f"{len(examples) - MOST_EXAMPLES} more counterexamples with --json.")
    lines += [f"Remark: {remark}." for remark in found.remarks]
    if found.sample["drawn"]:
        drawn, seed = found.sample["drawn"], found.sample["seed"]
        lines.append(f"Random sample of {drawn:,} candidates, seed {seed}.")
    failing = sum(not check.holds for check in found.checks)
    total = len(found.checks)
    lines.append(f"{failing} of {total} checks fail." if failing else f"All {total} checks hold.")
    _print_lines(lines)


def _example_text(example: dict[str, Any]) -> str:
    values = ", ".join(
        f"{key} {value_text(value)} {example['units'][key]}".strip()
        for key, value in example["values"].items()
    )
    banks = ""
    if example["bank_angle_deg"]:
        dealt = "-".join(str(bank) for bank in example["cylinder_banks"])
        banks = f", bank angle {example['bank_angle_deg']:g} deg, banks {dealt}"
    return (
        f"{example['family']}{banks}, throws {angles_text(example['throw_angles_deg'])} deg, "
        f"firing angles {angles_text(example['firing_angles_deg'])} deg, shafts "
        f"{' + '.join(example['shafts']) or 'none'}, reciprocating fraction "
        f"{example['reciprocating_fraction']:g}: {values}"
    )


def _print_gap(gap: Gap) -> None:
    title = f"How near {gap.study} came to the exact front"
    table = Table(title=escape(title), title_justify="left")
    table.add_column("front", overflow="fold")
    for name in ("share of its hypervolume", "members found", "of"):
        table.add_column(name, justify="right", overflow="fold")
    for name, part in (("all families", gap.common), *gap.families.items()):
        share = part.hypervolume_share
        # Rounded down, so that only the whole reads as 1.
        shown = "-" if share is None else f"{math.floor(share * 1e6) / 1e6:.6f}"
        table.add_row(name, shown, str(part.front_members_found), str(part.front_members_exact))
    console().print(table, highlight=False)
    _print_lines(
        [f"Not enumerated: {name}: {reason}." for name, reason in gap.not_enumerated.items()]
    )


def _print_lines(lines: list[str]) -> None:
    out = console()
    for line in lines:
        out.print(line, highlight=False, markup=False)
