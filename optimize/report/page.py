"""The report as a page: one file with its data, its pictures and its script, for any browser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from markupsafe import Markup
from matplotlib.figure import Figure

from optimize.inline_svg import InlineSvg, glyph_sheet, inline_svg
from optimize.pictures import NARROW_IN, WIDE_IN
from optimize.pictures.options import option_alt, option_picture
from optimize.pictures.overlay import OverlayView, overlay_alt, overlay_picture, overlay_view
from optimize.pictures.tradeoffs import (
    TradeoffsView,
    growth_alt,
    growth_picture,
    growth_view,
    tradeoffs_alt,
    tradeoffs_picture,
    tradeoffs_view,
)
from optimize.report.beside import Beside, overlay_axes
from optimize.report.certainty import quoted
from optimize.report.payload import payload
from optimize.report.runs import Run, json_in_page
from optimize.report.story import Story
from optimize.robust import objective_column
from optimize.sheets import css_text, page_environment

CHARTS = "echarts.min.js"  # in templates/vendor, whose README says what it is
_WIDTHS_IN = {"wide": WIDE_IN, "narrow": NARROW_IN}


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawn:
    """Pictures of a report: of each option, and the others in two widths."""

    options: dict[str, InlineSvg]
    pictures: dict[str, dict[str, InlineSvg]]

    @property
    def glyphs(self) -> dict[str, str]:
        """Return the letters of all pictures."""
        every = [*self.options.values(), *(s for p in self.pictures.values() for s in p.values())]
        return {name: path for svg in every for name, path in svg.glyphs.items()}


def report_html(run: Run, told: Story, others: Beside | None = None) -> str:
    """Return the page of a run, complete in itself.

    Parameters
    ----------
    run : Run
        From `read_report_run`.
    told : Story
        From `story`.
    others : Beside or None
        Other runs beside this one.

    Returns
    -------
    str
        HTML. The same run gives the same text with the same libraries.
    """
    drawn = _drawn(run, others)
    return (
        page_environment()
        .get_template("report.html")
        .render(
            story=told,
            beside=others,
            options={design: Markup(svg.markup) for design, svg in drawn.options.items()},
            pictures={
                key: {width: Markup(svg.markup) for width, svg in versions.items()}
                for key, versions in drawn.pictures.items()
            },
            glyphs=Markup(glyph_sheet(drawn.glyphs)),
            running_title=Markup(css_text(told.name)),
            figures=figure_numbers(run, others),
            numbers=table_numbers(told, others),
            folder=quoted(run.files.folder),
            data=Markup(json_in_page(payload(run, others))),
            charts=Markup(template_text("vendor/" + CHARTS)),
            script=Markup(template_text("report.js")),
        )
    )


def figure_numbers(run: Run, others: Beside | None) -> dict[str, int]:
    """Return the number of each picture, the same on the page and in print."""
    keys = ["tradeoffs", *([] if others is None else ["overlay"])]
    keys += [] if growth_view(run.history) is None else ["growth"]
    return {key: n for n, key in enumerate(keys, start=1)}


def table_numbers(told: Story, others: Beside | None) -> dict[str, int]:
    """Return the number of each table, the same on the page and in print."""
    tables = [told.options_table, told.objectives_table, told.baseline_table]
    tables += [*(others.tables if others else ()), told.families_table, told.islands_table]
    return {t.key: n for n, t in enumerate((t for t in tables if t), start=1)}


def template_text(name: str) -> str:
    """Return a file of the templates as it stands.

    Raises
    ------
    ValueError
        If it would end a script element before its time.
    """
    text = files("optimize.templates").joinpath(name).read_text(encoding="utf-8")
    if "</script" in text or "<!--" in text:
        raise ValueError(f"{name}: cannot stand inside a page")
    return text


def tradeoffs_of(run: Run) -> TradeoffsView:
    """Return the trade-offs of a run, with its shortlist and baseline."""
    return tradeoffs_view(
        run.front,
        {o.key: objective_column(run.front, o) for o in run.study.objectives},
        [pick.design for pick in run.picks],
        None if run.baseline is None else run.baseline.values,
    )


def overlay_of(others: Beside) -> OverlayView:
    """Return the fronts of several runs laid over each other."""
    found = others.comparison
    price, keys = overlay_axes(found)
    return overlay_view(
        [vector.values for vector in found.vectors],
        [[bool(design) for design in vector.designs] for vector in found.vectors],
        others.labels,
        price=price,
        others=keys,
    )


def _drawn(run: Run, others: Beside | None) -> Drawn:
    options = {}
    for pick in run.picks:
        layout = run.layout(run.row(pick.design))
        options[pick.design] = inline_svg(
            option_picture(layout),
            key=f"option-{pick.design}",
            title=f"{pick.design}: crank and firings",
            description=option_alt(layout),
        )
    tradeoffs, growth = tradeoffs_of(run), growth_view(run.history)
    pictures = {
        "tradeoffs": _in_both_widths(
            "tradeoffs",
            "What each objective costs",
            tradeoffs_alt(tradeoffs),
            lambda width_in: tradeoffs_picture(tradeoffs, width_in=width_in),
        )
    }
    if others is not None:
        overlay = overlay_of(others)
        pictures["overlay"] = _in_both_widths(
            "overlay",
            "The fronts laid over each other",
            overlay_alt(overlay),
            lambda width_in: overlay_picture(overlay, width_in=width_in),
        )
    if growth is not None:
        pictures["growth"] = _in_both_widths(
            "growth",
            "How the front grew",
            growth_alt(growth),
            lambda width_in: growth_picture(growth, width_in=width_in),
        )
    return Drawn(options=options, pictures=pictures)


def _in_both_widths(
    key: str, title: str, description: str, draw: Callable[[float], Figure]
) -> dict[str, InlineSvg]:
    return {
        width: inline_svg(
            draw(width_in), key=f"{key}-{width}", title=title, description=description
        )
        for width, width_in in _WIDTHS_IN.items()
    }


def page_data(html: str) -> Any:
    """Return the data that a page carries."""
    import json

    start = html.index('id="front-data">') + len('id="front-data">')
    return json.loads(html[start : html.index("</script>", start)])
