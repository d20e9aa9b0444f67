"""The picture: a dot a search, a row a family."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import pandas as pd
from matplotlib.axes import Axes

from tests.closeness.spaces import closeness_study

WIDTH_IN = 7.4
AIM = 0.99
#: What is missing of the whole is drawn on a logarithmic axis, or the families that come within a
#: thousandth would be one dot beside those that do not; less than this is drawn as this.
LEAST_MISSING = 1e-5
MOST_MISSING = 0.5
TICKS = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.001, 0.0001)


def draw(rows: pd.DataFrame, folder: Path) -> None:
    """Write closeness.png and closeness.svg."""
    names = list(dict.fromkeys(rows["family"]))
    figure, axes = plt.subplots(figsize=(WIDTH_IN, 1.6 + 0.38 * len(names)), layout="constrained")
    for place, name in enumerate(names):
        _draw_family(axes, rows[rows["family"] == name].sort_values("seed"), place)
    axes.axvline(1 - AIM, color="0.0", linestyle="--", linewidth=1.0)
    axes.annotate(
        f"{100 * AIM:g} %: aim", (1 - AIM, -0.75), ha="left", va="center", fontsize=8,
        xytext=(4, 0), textcoords="offset points",
    )  # fmt: skip
    axes.set_yticks(range(len(names)), [_label(rows, name) for name in names], fontsize=8)
    axes.set_ylim(len(names) - 0.4, -1.1)
    _set_share_axis(axes, float(rows["hypervolume_share"].min()))
    axes.set_title(_title(rows), fontsize=9.5, loc="left")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
    for ending in ("png", "svg"):
        figure.savefig(folder / f"closeness.{ending}", dpi=150)
    plt.close(figure)


def _draw_family(axes: Axes, part: pd.DataFrame, place: int) -> None:
    """Draw a dot a seed, filled where it reaches the aim, and a bar at the median."""
    missing = (1 - part["hypervolume_share"]).clip(lower=LEAST_MISSING)
    median = max(1 - float(part["hypervolume_share"].median()), LEAST_MISSING)
    # Seeds are spread over the height of the row, or equal ones would hide each other.
    spread = [place + 0.5 * (k / max(len(part) - 1, 1) - 0.5) for k in range(len(part))]
    faces = ["0.25" if value <= 1 - AIM else "1.0" for value in missing]
    axes.axhline(place, color="0.9", linewidth=0.8, zorder=0)
    axes.scatter(missing, spread, s=17, facecolor=faces, edgecolor="0.25", linewidth=0.8, zorder=3)
    axes.plot([median] * 2, [place - 0.36, place + 0.36], color="0.0", linewidth=1.4)


def _set_share_axis(axes: Axes, least: float) -> None:
    """Let the share rise to the right, with as much room for each decade of what is missing."""
    most = max(MOST_MISSING, 1.1 * (1 - least))
    axes.set_xscale("log")
    axes.set_xlim(most, 0.7 * LEAST_MISSING)
    labels = [f"{100 * (1 - missing):.6g}" for missing in TICKS]
    axes.set_xticks([*TICKS, LEAST_MISSING], [*labels, "99.999\nand more"])
    axes.set_xticks([], minor=True)
    axes.tick_params(axis="x", labelsize=8)
    axes.set_xlabel("share of the exact front's hypervolume [%], by what is missing", fontsize=9)


def _label(rows: pd.DataFrame, name: str) -> str:
    part = rows[rows["family"] == name]
    study, _ = closeness_study(name, evaluations=1000)
    kind = ", even" if study.even_firing else ""
    found, exact = part["members_found"].median(), int(part["members_exact"].iloc[0])
    return f"{name}{kind}\n{found:g} of {exact} members"


def _title(rows: pd.DataFrame) -> str:
    seeds = rows["seed"].nunique()
    evaluations = rows["evaluations"].max()
    return (
        f"How near the search comes to the exact front: {evaluations:,} evaluations a search\n"
        f"One dot for each of {seeds} seeds, filled from {100 * AIM:g} % on, a bar at the median;\n"
        "under the family's name the members found, median of the seeds"
    )
