"""What `crankfront evaluate` does: one layout as table, JSON, pictures and page."""

from __future__ import annotations

import sys
from pathlib import Path

from evaluate import evaluation_document, read_layout
from evaluate.errors import InputError
from evaluate.layout import Layout
from evaluate.shaft_results import shaft_document
from optimize.files import json_text, writable_directory, write_text


def evaluate_layout(path: Path, *, as_json: bool, plots: Path | None, sheet: Path | None) -> None:
    """Evaluate a layout file, print it, and draw it where asked.

    Raises
    ------
    InputError
        For a file that cannot be used, or places that cannot be written to.
    """
    layout = read_layout(path)
    document = evaluation_document(layout)
    page = ""
    if sheet is not None:
        from optimize.sheets import sheet_file, sheet_html

        if sheet_file(sheet, "--sheet").exists() and sheet.samefile(path):
            raise InputError("--sheet", f"{sheet}, the file that is read", "another file")
        page = sheet_html(layout)
    if plots is not None:
        writable_directory(plots, "--plots")
    if as_json:
        print(json_text(document | shaft_document(layout)))
    else:
        from optimize.tables import print_evaluation

        print_evaluation(document)
    if plots is not None:
        draw_layout(layout, plots, path.stem)
    if sheet is not None:
        write_text(sheet, page)
        print(f"wrote {sheet}", file=sys.stderr)


def draw_layout(layout: Layout, folder: Path, stem: str) -> None:
    """Write the card of a layout and each picture of it on its own, as PNG and SVG."""
    from optimize.pictures import LAYOUT_PICTURES, WIDE_IN, card, drawing

    figures = {stem: card.design_card(layout, title=layout.name)}
    for picture in LAYOUT_PICTURES.values():
        figures[f"{stem}-{picture.key}"] = picture.draw(layout, WIDE_IN)
    for name, figure in figures.items():
        for written in drawing.save(figure, folder / name):
            print(f"wrote {written}", file=sys.stderr)
