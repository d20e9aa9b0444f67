"""What `why` does: read a run and a layout, print where the one stands against the other."""

from __future__ import annotations

import math
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from evaluate.errors import InputError
from evaluate.layout import read_layout
from evaluate.metrics import METRICS, axis_label
from optimize.answers import Answer, Member, Standing
from optimize.exact.run_files import read_run
from optimize.files import json_text
from optimize.tables import console
from optimize.texts import CAUTION
from optimize.why import document, why
from optimize.why_words import breach_text, changes_text, gain_text, loss_text, value_with_unit

_MOST_ROWS = 6


def answer_and_print(run_dir: Path, layout: Path, *, as_filed: bool, as_json: bool) -> None:
    """Read a run and a layout and print where the layout stands.

    Parameters
    ----------
    run_dir, layout : Path
        Directory of a finished run, and a layout file.
    as_filed : bool
        Whether to judge the layout as its file has it.
    as_json : bool
        Whether to print everything as JSON.

    Raises
    ------
    InputError
        If one of them cannot be used.
    """
    run = read_run(run_dir)
    if run.written_for["front"] != run.study.text:
        raise InputError(
            "RUN_DIR",
            f"{run_dir}, whose study.toml is not the one that its front was made for",
            "a run as it was left",
        )
    answer = why(run, read_layout(layout), as_filed=as_filed)
    if as_json:
        print(json_text(document(answer)))
    else:
        print_answer(answer)


def print_answer(answer: Answer) -> None:
    """Print an answer for people: sentences, objectives side by side, the designs beside it."""
    out = console()
    out.print(f"{answer.layout} against the front of {answer.study}", style="bold", markup=False)
    for sentence in answer.sentences:
        out.print(sentence, highlight=False, markup=False)
    for note in answer.judgement.notes:
        out.print(note, highlight=False, markup=False)
    out.print(_objectives(answer))
    for standing, title in _standings(answer):
        for members, what in (
            (standing.dominated_by, f"dominate it ({standing.n_dominating} in all)"),
            (standing.nearest, "stand nearest, those of its family first"),
        ):
            if members:
                out.print(_members(members, f"{title}: designs that {what}"))
    if answer.judgement.common.between:
        out.print(_between(answer))
    for breach in answer.judgement.breaches:
        out.print(f"Limit not kept: {breach_text(breach)}", highlight=False, markup=False)
    out.print(CAUTION, highlight=False)


def _standings(answer: Answer) -> list[tuple[Standing, str]]:
    judgement = answer.judgement
    found = [(judgement.common, "Common front")]
    if judgement.own_family is not None:
        found.append((judgement.own_family, f"Own front of {judgement.family}"))
    return found


def _objectives(answer: Answer) -> Table:
    """Return the objectives of the layout, of what dominates it, and what would be enough."""
    judgement = answer.judgement
    given = "at the study's givens" if judgement.givens == "study" else "as its file has it"
    table = Table(title="Objectives, rounded to the study's resolutions", title_justify="left")
    table.add_column("objective", overflow="fold")
    table.add_column(given, justify="right")
    if answer.as_filed is not None:
        table.add_column("as its file has it", justify="right")
    common = judgement.common
    first = common.dominated_by[0] if common.dominated_by else None
    if first is not None:
        table.add_column(f"{first.design} {first.family}", justify="right")
        table.add_column("enough alone", justify="right")
    for place, (key, value) in enumerate(judgement.rounded.items()):
        cells = [_cell(value)]
        if answer.as_filed is not None:
            cells.append(_cell(answer.as_filed.rounded[key]))
        if first is not None:
            reach = common.alone.get(key)
            cells += [_cell(first.gaps[place].design), "-" if reach is None else _cell(reach)]
        table.add_row(escape(axis_label(key)), *cells)
    return table


def _cell(value: float) -> str:
    return f"{value:,.6g}" if math.isfinite(value) else "-"


def _members(members: tuple[Member, ...], title: str) -> Table:
    table = Table(title=title, title_justify="left", show_lines=True)
    for name in ("design", "family", "better in", "worse in", "what differs"):
        table.add_column(name, overflow="fold")
    for member in members[:_MOST_ROWS]:
        cells = (
            member.design,
            member.family,
            gain_text(member.gaps) or "-",
            loss_text(member.gaps) or "-",
            changes_text(member.changes) or "-",
        )
        table.add_row(*(escape(cell) for cell in cells))
    return table


def _between(answer: Answer) -> Table:
    table = Table(title="Its neighbours on the front, by objective", title_justify="left")
    for name in ("objective", "next better", "the layout", "next worse"):
        table.add_column(name, overflow="fold")
    for one in answer.judgement.common.between:
        cells = [
            "-" if member is None else f"{member.design}: {_of(member, one.metric)}"
            for member in (one.better, one.worse)
        ]
        value = value_with_unit(one.metric, answer.judgement.rounded[one.metric])
        label = METRICS[one.metric].label
        table.add_row(*(escape(cell) for cell in (label, cells[0], value, cells[1])))
    return table


def _of(member: Member, metric: str) -> str:
    gap = next(gap for gap in member.gaps if gap.metric == metric)
    return value_with_unit(metric, gap.design)
