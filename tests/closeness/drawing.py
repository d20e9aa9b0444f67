"""The picture: a dot a search, a row a family."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import pandas as pd

WIDTH_IN = 7.4
AIM = 0.99
#: No share axis begins above this, so that dots at 100 % are seen to be so by less than a per cent.
LEAST_LOW = 0.975


def draw(rows: pd.DataFrame, folder: Path) -> None:
    """Write closeness.png and closeness.svg."""
    names = list(dict.fromkeys(rows["family"]))
    figure, axes = plt.subplots(figsize=(WIDTH_IN, 1.5 + 0.36 * len(names)), layout="constrained")
    low = min(LEAST_LOW, float(rows["hypervolume_share"].min()) - 0.005)
    for place, name in enumerate(names):
        part = rows[rows["family"] == name].sort_values("seed")
        share = part["hypervolume_share"]
        # Seeds are spread over the height of the row, or equal ones would hide each other.
        spread = [place + 0.5 * (k / max(len(part) - 1, 1) - 0.5) for k in range(len(part))]
        axes.axhline(place, color="0.9", linewidth=0.8, zorder=0)
        axes.scatter(
            100 * share, spread, s=16, facecolor="0.25", edgecolor="white", linewidth=0.4, zorder=3
        )
        axes.plot(
            [100 * share.median()] * 2, [place - 0.36, place + 0.36], color="0.0", linewidth=1.4
        )
    axes.axvline(100 * AIM, color="0.0", linestyle="--", linewidth=1.0)
    axes.annotate(
        f"{100 * AIM:g} %", (100 * AIM, -0.75), ha="right", va="center", fontsize=8,
        xytext=(-3, 0), textcoords="offset points",
    )  # fmt: skip
    axes.set_yticks(range(len(names)), [_label(rows, name) for name in names], fontsize=8)
    axes.set_ylim(len(names) - 0.4, -1.1)
    axes.set_xlim(100 * low, 100 + 5 * (1 - low))
    axes.set_xlabel("share of the exact front's hypervolume [%]", fontsize=9)
    axes.tick_params(axis="x", labelsize=8)
    axes.set_title(_title(rows), fontsize=9.5, loc="left")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
    for ending in ("png", "svg"):
        figure.savefig(folder / f"closeness.{ending}", dpi=150)
    plt.close(figure)


def _label(rows: pd.DataFrame, name: str) -> str:
    part = rows[rows["family"] == name]
    found, exact = part["members_found"].median(), int(part["members_exact"].iloc[0])
    return f"{name}\n{found:g} of {exact} members"


def _title(rows: pd.DataFrame) -> str:
    seeds = rows["seed"].nunique()
    evaluations = rows["evaluations"].max()
    return (
        f"How near the search comes to the exact front: {evaluations:,} evaluations a search\n"
        f"One dot for each of {seeds} seeds, a bar at their median; members found: median"
    )
