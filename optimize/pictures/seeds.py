"""The spread of hypervolumes over the seeds of a search."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib import style as matplotlib_style
from matplotlib.figure import Figure

from optimize.pictures.drawing import BOTTOM_IN, INK, STYLE, axes_at, sheet
from optimize.seeds import ALL, Spread

_ROW_IN = 0.3
_GREY = "#8a8a8a"


@dataclass(frozen=True, kw_only=True, slots=True)
class SpreadView:
    """One row: where the seeds lie as shares of what all of them together reached.

    Attributes
    ----------
    name : str
        At the left.
    shares : tuple of float
        Hypervolume of each seed over that of all seeds together.
    median : float
        Of the shares.
    note : str
        At the right.
    """

    name: str
    shares: tuple[float, ...]
    median: float
    note: str


def spread_view(found: Sequence[Spread]) -> tuple[SpreadView, ...]:
    """Return the rows from top to bottom; families without any volume in the box are left out."""
    return tuple(
        SpreadView(
            name="all families together" if one.family == ALL else one.family,
            shares=tuple(share / one.merged for share in one.hypervolumes),
            median=one.median / one.merged,
            note=f"{one.found_by_all} of {one.members}",
        )
        for one in found
        if one.merged > 0
    )


@matplotlib_style.context(STYLE)
def seed_spread(found: Sequence[Spread], *, title: str) -> Figure | None:
    """Return how much of the joint hypervolume each seed reached; None with nothing to show.

    Parameters
    ----------
    found : sequence of Spread
        From `optimize.seeds.spreads`.
    title : str
        Headline.
    """
    rows = spread_view(found)
    if not rows or len(rows[0].shares) < 2:
        return None
    names_in = 0.075 * max(len(row.name) for row in rows) + 0.3
    height_in = _ROW_IN * len(rows) + 0.1
    figure = sheet(
        names_in + 4.6 + 1.5,
        height_in + 2.35,
        title=title,
        subtitle="Hypervolume that each seed reached, as a share of that of all seeds together. "
        "1: this seed alone would have done.",
    )
    axes = axes_at(figure, names_in, BOTTOM_IN + 0.85, 4.6, height_in)
    for place, row in enumerate(rows):
        axes.hlines(place, min(row.shares), max(row.shares), color=_GREY, linewidth=1.2, zorder=1)
        axes.plot(
            row.shares,
            [place] * len(row.shares),
            "o",
            markersize=6,
            markerfacecolor="white",
            markeredgecolor=INK,
            linestyle="none",
            clip_on=False,
            label="one seed" if not place else None,
            zorder=2,
        )
        axes.plot(
            [row.median],
            [place],
            "|",
            markersize=15,
            markeredgewidth=2.4,
            color=INK,
            linestyle="none",
            clip_on=False,
            label="median of the seeds" if not place else None,
            zorder=3,
        )
        axes.annotate(
            row.note,
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(10, 0),
            textcoords="offset points",
            va="center",
        )
    axes.annotate(
        "members that\nevery seed found",
        (1.0, 1.0),
        xycoords="axes fraction",
        xytext=(10, 6),
        textcoords="offset points",
        va="bottom",
        fontsize="small",
    )
    least = min(min(row.shares) for row in rows)
    low = min(least, 0.98)
    axes.set_xlim(low - 0.03 * (1 - low), 1 + 0.01 * (1 - low))
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_yticks(range(len(rows)), [row.name for row in rows])
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("share of the hypervolume of all seeds together; more is better →")
    axes.legend(
        loc="upper left", bbox_to_anchor=(0, -0.52 / height_in), ncols=2, frameon=False, borderpad=0
    )
    return figure
