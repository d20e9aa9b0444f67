"""The report on paper: the story of the page on two to four sheets of A4, as a PDF.

Made with ReportLab, which needs nothing but Python packages, breaks tables over pages and writes
the same bytes for the same story. The letters are those of the pictures, which matplotlib brings.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from matplotlib import get_data_path
from matplotlib import style as matplotlib_style
from matplotlib.figure import Figure
from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    Flowable,
    Image,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from optimize.pictures.drawing import STYLE
from optimize.pictures.options import option_picture
from optimize.pictures.overlay import overlay_picture
from optimize.pictures.tradeoffs import growth_picture, growth_view, tradeoffs_picture
from optimize.report.answer import Option
from optimize.report.beside import Beside
from optimize.report.page import figure_numbers, overlay_of, table_numbers, tradeoffs_of
from optimize.report.runs import Run
from optimize.report.story import Story
from optimize.sheets import NO_BREAK, THIN_SPACE, Cell, TableView

_PADDING = 6.0  # that ReportLab keeps inside its frames [pt]
WIDTH = A4[0] - 36 * mm - 2 * _PADDING
MOST_OPTIONS = 7  # with pictures; what is beyond stands in the table of numbers
_MANY_PANELS = 4
_DPI = 220
_INK, _SOFT, _LINE, _TINT = (
    colors.HexColor(c) for c in ("#20272d", "#4f5860", "#b9b5aa", "#efece3")
)
_FONTS = {
    "Text": "DejaVuSans.ttf",
    "Text-Bold": "DejaVuSans-Bold.ttf",
    "Head": "DejaVuSerif-Bold.ttf",
}


def _style(size: float, **extra: Any) -> ParagraphStyle:
    look = {
        "fontName": "Text",
        "leading": 1.32 * size,
        "textColor": _INK,
        "spaceAfter": 0.25 * size,
    }
    return ParagraphStyle("style", fontSize=size, **{**look, **extra})


_BODY = _style(8.4)
_SMALL = _style(7.2, textColor=_SOFT)
_TINY = _style(6.8, spaceAfter=1)
_CELL, _CELL_RIGHT = _style(7.2, spaceAfter=0), _style(7.2, spaceAfter=0, alignment=TA_RIGHT)
_TITLE = _style(17, fontName="Head", spaceAfter=3)
_HEADING = _style(11.5, fontName="Head", spaceBefore=9, spaceAfter=3)
_ITEM = _style(8.6, leftIndent=12, bulletIndent=0, spaceAfter=3)


@dataclass(frozen=True, kw_only=True, slots=True)
class Numbers:
    """Numbers of tables and pictures by their keys: those of the page, which has more of them."""

    tables: dict[str, int]
    figures: dict[str, int]


def report_pdf(run: Run, told: Story, others: Beside | None = None) -> bytes:
    """Return the printed report.

    Parameters
    ----------
    run : Run
        From `read_report_run`.
    told : Story
        From `story`.
    others : Beside or None
        Other runs beside this one; they take a sheet more.

    Returns
    -------
    bytes
        A PDF; the same run gives the same bytes with the same libraries.
    """
    for name, file in _FONTS.items():
        pdfmetrics.registerFont(TTFont(name, Path(get_data_path()) / "fonts" / "ttf" / file))
    pdfmetrics.registerFontFamily("Text", normal="Text", bold="Text-Bold")
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=18 * mm,
        rightMargin=18 * mm,
        topMargin=15 * mm,
        bottomMargin=17 * mm,
        invariant=1,
        title=f"{told.name}: {told.question}",
        subject="Report on a search for engine layouts",
        creator="crankfront",
        lang="en",
    )

    def foot(canvas: Any, _document: Any) -> None:
        canvas.setFont("Text", 7)
        canvas.setFillColor(_SOFT)
        canvas.drawString(
            18 * mm + _PADDING, 10 * mm, f"{told.name}: concept-stage estimates, see the caution"
        )
        canvas.drawRightString(
            A4[0] - 18 * mm - _PADDING, 10 * mm, f"page {canvas.getPageNumber()}"
        )

    numbers = Numbers(tables=table_numbers(told, others), figures=figure_numbers(run, others))
    parts = [
        *_opening(told),
        *_options(run, told, numbers),
        *_traded(run, told, numbers),
        *_baseline(told, numbers),
        *_families(told),
        *_sure(run, told, numbers),
        *([] if others is None else _beside(others, numbers)),
    ]
    document.build([*parts, *_closing(told)], onFirstPage=foot, onLaterPages=foot)
    return buffer.getvalue()


def _opening(told: Story) -> list[Flowable]:
    facts = [_text(f"<b>{escape(name)}</b> {escape(text)}", _CELL) for name, text in told.facts]
    rows = [facts[k : k + 3] for k in range(0, len(facts), 3)]
    rows[-1] += [""] * (3 - len(rows[-1]))
    givens = Table(rows, colWidths=[WIDTH / 3] * 3, style=_plain_style(), hAlign="LEFT")
    answers = [
        Paragraph(_prose(text), _ITEM, bulletText=f"{n}.") for n, text in enumerate(told.short, 1)
    ]
    return [
        _text(escape(f"Report on {told.name}"), _SMALL),
        _text(escape(told.question), _TITLE),
        givens,
        _heading("The answer"),
        *answers,
    ]


def _options(run: Run, told: Story, numbers: Numbers) -> list[Flowable]:
    rows = [
        [_picture(option_picture(run.layout(run.row(o.design))), 62 * mm), _option_text(o)]
        for o in told.options[:MOST_OPTIONS]
    ]
    cards = Table(rows, colWidths=[66 * mm, WIDTH - 66 * mm], style=_plain_style(), hAlign="LEFT")
    lead = (
        "Left the crank from its free end with its throws, right the firings over one cycle; bars: "
        "when the exhaust of each cylinder is open; lines below: two of one collector at once."
    )
    return [
        _heading("The options at a glance"),
        _text(lead, _SMALL),
        cards,
        Spacer(1, 3 * mm),
        *_table(told.options_table, numbers),
        *(_text(escape(note), _SMALL) for note in told.notes),
    ]


def _option_text(option: Option) -> list[Flowable]:
    lines = [f"<b>{option.design}: {escape(option.kind)}</b> ({escape(option.family)})"]
    named = {
        "Strengths": "; ".join(option.strengths) or "no extreme: a compromise",
        "Price": "; ".join(option.prices),
        "Against the baseline": option.against_baseline,
        "Why it is here": "; ".join(option.reasons),
    }
    lines += [f"<b>{name}:</b> {_prose(text)}" for name, text in named.items() if text]
    return [_text(line, _CELL) for line in lines]


def _traded(run: Run, told: Story, numbers: Numbers) -> list[Flowable]:
    view = tradeoffs_of(run)
    is_small = len(view.panels) <= _MANY_PANELS
    figure = tradeoffs_picture(view, width_in=7.4 if is_small else 9.9)
    return [
        KeepTogether([_heading("What is traded"), *_table(told.objectives_table, numbers)]),
        Spacer(1, 2 * mm),
        KeepTogether(
            [
                _picture(figure, 0.76 * WIDTH if is_small else WIDTH),
                _figure_caption("tradeoffs", "What each objective costs", numbers),
            ]
        ),
    ]


def _baseline(told: Story, numbers: Numbers) -> list[Flowable]:
    if told.baseline_table is None:
        return []
    notes = [_text(_prose(note), _BODY) for note in told.baseline_notes]
    table = _table(told.baseline_table, numbers)
    return [KeepTogether([_heading("Beside the baseline"), *table]), *notes]


def _families(told: Story) -> list[Flowable]:
    head, *lines = told.beaten
    more = [_text("F and a number: on its family's own front only.", _SMALL)] if lines else []
    first = [_heading("Why not mine?"), _text(escape(head), _BODY), *more]
    return [KeepTogether(first), *(_text(escape(line), _TINY) for line in lines)]


def _sure(run: Run, told: Story, numbers: Numbers) -> list[Flowable]:
    texts = [Paragraph(_prose(text), _ITEM, bulletText="\u2022") for text in told.sure]
    growth = growth_view(run.history)
    drawn: list[Flowable] = []
    if growth is not None:
        picture = _picture(growth_picture(growth, width_in=5.4), 0.55 * WIDTH)
        caption = _figure_caption("growth", "How the front grew", numbers)
        drawn = [KeepTogether([picture, caption])]
    return [KeepTogether([_heading("How sure this is"), *texts]), *drawn]


def _beside(others: Beside, numbers: Numbers) -> list[Flowable]:
    """Return the runs in numbers and the fronts laid over each other; the page has the rest."""
    texts = [Paragraph(_prose(text), _ITEM, bulletText="\u2022") for text in others.statements]
    tables = [flowable for view in others.tables[:2] for flowable in _table(view, numbers)]
    view = overlay_of(others)
    is_small = len(view.panels) <= _MANY_PANELS
    figure = overlay_picture(view, width_in=7.4 if is_small else 9.9)
    return [
        _heading("The runs compared"),
        *texts,
        *tables,
        Spacer(1, 2 * mm),
        _picture(figure, 0.78 * WIDTH if is_small else WIDTH),
        _figure_caption("overlay", "The fronts laid over each other", numbers),
    ]


def _closing(told: Story) -> list[Flowable]:
    known = {row.cells[0].text for group in told.objectives_table.groups for row in group.rows}
    words = [
        _text(f"<b>{escape(word)}</b>: {escape(meaning)}", _TINY)
        for word, meaning in told.glossary
        if word not in known  # the objectives stand in their table with what they mean
    ]
    half = -(-len(words) // 2)
    glossary = Table(
        [[words[:half], words[half:]]],
        colWidths=[WIDTH / 2] * 2,
        style=_plain_style(lines=False),
        hAlign="LEFT",
    )
    return [
        _heading("Method and words"),
        *(_text(escape(text), _SMALL) for text in told.method),
        Spacer(1, 1 * mm),
        glossary,
        KeepTogether([_heading("Caution"), _text(escape(told.caution), _BODY)]),
    ]


# Pieces ----------------------------------------------------------------------------------------


def _prose(text: str) -> str:
    """Return a text as markup; ReportLab breaks lines at the thin space inside a number."""
    return escape(text).replace(THIN_SPACE, NO_BREAK)


def _text(markup: str, style: ParagraphStyle) -> Flowable:
    return Paragraph(markup, style)


def _heading(text: str) -> Flowable:
    return Paragraph(escape(text), _HEADING)


def _figure_caption(key: str, title: str, numbers: Numbers) -> Flowable:
    return _text(f"<b>Figure {numbers.figures[key]}. {escape(title)}.</b>", _SMALL)


def _picture(figure: Figure, width: float) -> Flowable:
    """Return a figure at a width, in points."""
    buffer = io.BytesIO()
    with matplotlib_style.context(STYLE):
        figure.savefig(buffer, format="png", dpi=_DPI, metadata={"Software": None})
    across_in, up_in = figure.get_size_inches()
    figure.clear()
    return Image(buffer, width=width, height=width * up_in / across_in, hAlign="LEFT")


def _plain_style(*, lines: bool = True) -> TableStyle:
    commands: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
    ]
    if lines:
        commands.append(("LINEABOVE", (0, 0), (-1, -1), 0.4, _LINE))
        commands.append(("LINEBELOW", (0, -1), (-1, -1), 0.4, _LINE))
    return TableStyle(commands)


def _table(view: TableView, numbers: Numbers) -> list[Flowable]:
    """Return a table of the story with its caption and notes."""
    heading = [
        Paragraph(
            f"<b>{escape(c.heading)}</b>{f' [{escape(c.unit)}]' if c.unit else ''}",
            _CELL_RIGHT if c.is_number else _CELL,
        )
        for c in view.columns
    ]
    rows, marked = [heading], []
    for row in (row for group in view.groups for row in group.rows):
        cells = zip(row.cells, view.columns, strict=True)
        rows.append([_cell(cell, column.is_number) for cell, column in cells])
        if row.mark:
            marked.append(("BACKGROUND", (0, len(rows) - 1), (-1, len(rows) - 1), _TINT))
    style = TableStyle(
        [*_plain_style().getCommands(), ("LINEBELOW", (0, 0), (-1, 0), 0.8, _INK), *marked]
    )
    made = Table(rows, colWidths=_widths(view), style=style, repeatRows=1, hAlign="LEFT")
    caption = _text(f"<b>Table {numbers.tables[view.key]}. {escape(view.caption)}</b>", _SMALL)
    return [caption, made, *(_text(escape(note), _SMALL) for note in view.notes)]


def _cell(cell: Cell, is_number: bool) -> Flowable:
    detail = f' <font size="6.4">{escape(cell.detail)}</font>' if cell.detail else ""
    return Paragraph(f"{escape(cell.text)}{detail}", _CELL_RIGHT if is_number else _CELL)


def _widths(view: TableView) -> list[float]:
    """Return widths of columns in proportion to what stands in them, prose not all of it."""
    columns = range(len(view.columns))
    rows = [row.cells for group in view.groups for row in group.rows]
    longest = [
        max(
            [
                max(len(word) for word in view.columns[k].heading.split(" ")) + 2.0,
                0.55 * len(view.columns[k].heading + view.columns[k].unit),
                *(len(r[k].text) + 0.9 * len(r[k].detail) for r in rows),
            ]
        )
        for k in columns
    ]
    shares = [
        min(width, 48.0) + (2.0 if view.columns[k].is_number else 0.0)
        for k, width in enumerate(longest)
    ]
    return [WIDTH * share / sum(shares) for share in shares]
