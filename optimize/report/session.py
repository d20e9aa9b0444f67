"""`crankfront report`: read runs, write a page and a printed story of the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from evaluate.errors import InputError
from optimize.files import file_to_write, writable_directory, write_text, write_whole
from optimize.report.beside import beside
from optimize.report.page import report_html
from optimize.report.printed import report_pdf
from optimize.report.runs import read_report_run
from optimize.report.story import story

PAGE, PRINTED = "report.html", "report.pdf"


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """What was written, and the answer in one sentence."""

    page: Path
    printed: Path
    answer: str


def report_runs(folders: Sequence[Path], *, out: Path | None) -> Written:
    """Write the report of one run, or of several beside the first.

    Parameters
    ----------
    folders : sequence of Path
        Run directories; the first is told, the others are compared with it.
    out : Path or None
        Where to; None for the first run directory.

    Raises
    ------
    InputError
        If a run cannot be reported or nothing can be written there; nothing is written then.
    """
    _refuse_repeated(folders)
    runs = [read_report_run(folder) for folder in folders]
    where = "RUN_DIR" if out is None else "--out"
    folder = writable_directory(folders[0] if out is None else out, where)
    page, printed = folder / PAGE, folder / PRINTED
    for file in (page, printed):
        file_to_write(file, where, suffix=file.suffix)
    told, others = story(runs[0]), beside(runs)
    html = report_html(runs[0], told, others)
    pdf = report_pdf(runs[0], told, others)
    write_text(page, html)
    write_whole(printed, lambda beside: beside.write_bytes(pdf))
    return Written(page=page, printed=printed, answer=told.short[0])


def _refuse_repeated(folders: Sequence[Path]) -> None:
    seen: set[Path] = set()
    for folder in folders:
        whole = folder.resolve()
        if whole in seen:
            raise InputError("RUN_DIR", f"{folder} twice", "each run once")
        seen.add(whole)
