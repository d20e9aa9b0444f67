"""How objects show themselves in a notebook: one plain table each, without scripts or styles."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape


def table_html(title: str, rows: Iterable[Sequence[str]], *, heading: Sequence[str] = ()) -> str:
    """Return a titled table as HTML.

    Parameters
    ----------
    title : str
        Above the table.
    rows : iterable of sequences of str
        Cells; the first of each row names it.
    heading : sequence of str
        Names of the columns, if they need any.
    """
    parts = [f"<table><caption>{escape(title)}</caption>"]
    if heading:
        cells = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in heading)
        parts.append(f"<thead><tr>{cells}</tr></thead>")
    parts.append("<tbody>")
    for first, *others in rows:
        cells = "".join(f"<td>{escape(cell)}</td>" for cell in others)
        parts.append(f'<tr><th scope="row">{escape(first)}</th>{cells}</tr>')
    return "".join([*parts, "</tbody></table>"])


def number_text(value: float) -> str:
    """Return a number with five digits, a dash for one that is unknown."""
    return "-" if math.isnan(value) else f"{value:.5g}"
