"""Tables for people on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from evaluate.metrics import METRICS
from evaluate.tolerance_results import limits_text, shares_text
from optimize.shortlist import Pick
from optimize.study import Study
from optimize.summary import shortlist_rows
from optimize.texts import value_text

LEAST_WIDTH = 100


def console() -> Console:
    """Return the terminal, or a wide page when the output goes elsewhere."""
    terminal = Console()
    return terminal if terminal.is_terminal else Console(width=max(LEAST_WIDTH, 140))


def print_rows(title: str, rows: Sequence[dict[str, Any]]) -> None:
    """Print dicts with the same keys as a table."""
    table = Table(title=title, title_justify="left")
    for key in rows[0]:
        table.add_column(key, overflow="fold")
    for row in rows:
        cells = (f"{v:g}" if isinstance(v, float) else str(v) for v in row.values())
        table.add_row(*(escape(cell) for cell in cells))
    console().print(table)


def print_shortlist(study: Study, front: pd.DataFrame, picks: Sequence[Pick]) -> None:
    """Print the shortlist, one block a design, so that nothing is cut on a narrow terminal."""
    out = console()
    heading, rows = shortlist_rows(front, picks, study)
    out.print(f"\n[bold]Shortlist[/bold] of {len(front)} designs on the front")
    n_words = 7
    table = Table(show_lines=True)
    for name in ("design", "layout", "objectives", "why"):
        table.add_column(name, overflow="fold")
    for row in rows:
        words = dict(zip(heading[1:n_words], row[1:n_words], strict=True))
        layout = "\n".join(f"{name}: {text}" for name, text in words.items())
        values = zip(heading[n_words:-1], row[n_words:-1], strict=True)
        objectives = "\n".join(f"{name}: {value}" for name, value in values)
        # Units stand in square brackets, which would be taken for markup.
        table.add_row(*(escape(cell) for cell in (row[0], layout, objectives, row[-1])))
    out.print(table, highlight=False)


def print_evaluation(document: dict[str, Any]) -> None:
    """Print one evaluated layout."""
    out = console()
    firing = document["firing"]
    out.print(document["name"], style="bold", highlight=False, markup=False)
    numbering = document["numbering"]
    out.print(
        f"{document['rotation']} seen from the free end, {document['speed_rpm']:.6g} rpm; cylinder "
        f"labels: {numbering['scheme']}"
        + (f" ({numbering['meaning']})" if numbering["meaning"] else ""),
        highlight=False,
    )
    for sentence in document["assumed"]:
        out.print(f"Assumed: {sentence}.", highlight=False)
    out.print(
        f"\nFires {'-'.join(firing['order'])}, intervals "
        f"{'-'.join(f'{i:.5g}' for i in firing['intervals_deg'])} deg"
        + "".join(f"; {' and '.join(pair)} together" for pair in firing["fire_together"]),
        highlight=False,
    )
    for number, collector in enumerate(document["exhaust"]["collectors"], start=1):
        spacings = "-".join(f"{s:.5g}" for s in collector["spacings_deg"])
        out.print(
            f"Exhaust collector {number}: cylinders {', '.join(collector['cylinders'])}, pulses "
            f"every {spacings} deg",
            highlight=False,
        )
    for shaft in document["camshafts"]:
        if shaft["drive_is_assumed"]:
            continue
        lobes = ", ".join(f"{x['cylinder']} at {x['clockwise_deg']:.4g}" for x in shaft["lobes"])
        out.print(
            f"{shaft['name'].capitalize()} ({shaft['drive']}) seen from the {shaft['seen_from']}: "
            f"turns {shaft['turns']}; lobes clockwise: {lobes} deg",
            highlight=False,
        )
    out.print(_orders_table(document["inertia"]))
    out.print(_balance_text(document["balance"]), highlight=False)
    for sentence in document["duty_assumed"]:
        out.print(f"Assumed for torque, bearings and torsion: {sentence}.", highlight=False)
    table = Table(title="Metrics", title_justify="left")
    for name in ("metric", "value", "unit", "better", "meaning"):
        table.add_column(name, justify="right" if name == "value" else "left", overflow="fold")
    for key, value in document["metrics"].items():
        metric = METRICS[key]
        shown = "-" if value is None else value_text(value)
        table.add_row(key, shown, metric.unit, metric.sense, metric.meaning)
    out.print(table)
    if document["tolerances"] is not None:
        _print_tolerances(out, document["tolerances"])


def _print_tolerances(out: Console, built: dict[str, Any]) -> None:
    """Print how built engines scatter; what keeps the digits shown is left out."""
    share = f"{built['interval_share']:.0%}"
    table = Table(
        title=f"Built engines: {limits_text(built['limits'])}",
        title_justify="left",
        caption=f"{built['samples']} samples, seed {built['seed']}; {built['distribution']}",
        caption_justify="left",
    )
    names = ("metric", "as drawn", f"{share} have at least", f"{share} have at most", "worst")
    for name in (*names, "unit"):
        table.add_column(name, justify="left" if name in ("metric", "unit") else "right")
    for key, values in built["metrics"].items():
        shown = [value_text(values[name]) for name in ("drawn", "p05", "p95", "worst")]
        if len(set(shown)) > 1:
            table.add_row(key, *shown, METRICS[key].unit)
    out.print(table)
    for kind, unit in (("force", "N"), ("couple", "Nm")):
        shares = shares_text(built[kind]["shares"])
        if shares:
            rms = value_text(built[kind][f"rms_of_all_{unit}"])
            out.print(
                f"RMS {kind} of all engines built: {rms} {unit.replace('Nm', 'N·m')}; its scatter "
                f"comes from {shares}.",
                highlight=False,
            )


def _orders_table(inertia: dict[str, Any]) -> Table:
    table = Table(
        title=escape("Free forces [N] and couples [N·m] by order: peak (forward + backward)"),
        title_justify="left",
    )
    table.add_column("order")
    for name in (
        "reciprocating force",
        "residual force",
        "reciprocating couple",
        "residual couple",
    ):
        table.add_column(name, justify="right")
    for order, before in inertia["reciprocating"].items():
        cells = []
        for quantity, unit in (("force", "N"), ("couple", "Nm")):
            for entry in (before, inertia["residual"][order]):
                parts = [
                    0.0
                    if entry[f"{quantity}_{p}_{unit}"] < inertia[f"nothing_below_{unit}"]
                    else entry[f"{quantity}_{p}_{unit}"]
                    for p in ("peak", "forward", "backward")
                ]
                cells.append(f"{parts[0]:,.5g} ({parts[1]:,.5g} + {parts[2]:,.5g})")
        table.add_row(order, *cells)
    turning = dict(inertia["rotating"]["1"])
    for key, unit in (("force_peak_N", "N"), ("couple_peak_Nm", "Nm")):
        turning[key] = 0.0 if turning[key] < inertia[f"nothing_below_{unit}"] else turning[key]
    table.caption = (
        f"rotating masses before counterweights: {turning['force_peak_N']:,.5g} N, "
        f"{turning['couple_peak_Nm']:,.5g} N·m"
    )
    return table


def _balance_text(balance: dict[str, Any]) -> str:
    weights = ", ".join(f"{u:.4g}" for u in balance["counterweight_kgm"])
    lines = [f"Counterweights by throw: {weights} kg·m opposite the pin"]
    for shaft in balance["shafts"]:
        phases = [
            f"{shaft[key]:.4g} deg" if shaft[key] is not None else "-"
            for key in ("phase_deg", "couple_phase_deg")
        ]
        lines.append(
            f"Balance shaft, order {shaft['order']} {shaft['sense']}: unbalance "
            f"{shaft['force_unbalance_kgm']:.4g} kg·m at {phases[0]}, couple unbalance "
            f"{shaft['couple_unbalance_kgm2']:.4g} kg·m² at {phases[1]}; about "
            f"{value_text(shaft['mass_estimate_kg'] or float('nan'))} kg, "
            f"{value_text(shaft['friction_estimate_W'] or float('nan'))} W of friction"
        )
    pair = balance["second_order_pair"]
    if pair:
        lines.append(
            "Second-order pair: rolling moment of order 2 is "
            f"{pair['rolling_moment_before_Nm']:.4g} N·m; with the forward shaft "
            f"{pair['height_forward_above_backward_mm']:.4g} mm above the other "
            f"{pair['rolling_moment_then_Nm']:.4g} N·m (gas torque not counted)"
        )
    return "\n".join(lines) + "\n"
