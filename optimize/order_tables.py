"""Firing orders for people: tables on the terminal, rows for Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from rich.markup import escape
from rich.table import Table

from optimize.files import write_whole
from optimize.tables import console

#: What stands in both the table and the Parquet file: key, heading with unit.
_COLUMNS = (
    ("unevenness_deg", "uneven by [deg]"),
    ("neighbour_firing_share", "neighbours fire"),
    ("bank_alternation_share", "bank changes"),
    ("exhaust_overlap_deg", "overlap [deg]"),
)


def print_orders(document: dict[str, Any], *, at_most: int, tree: Sequence[str]) -> None:
    """Print the firing orders of a known crank."""
    out = console()
    _print_heading(document)
    _print_facts(document)
    out.print(f"\n{_count_text(document)}", highlight=False)
    most_even = document["most_even"]
    if document["count"]:
        print_scores(document, at_most=at_most, tree=tree)
    elif most_even is not None:
        intervals = "-".join(f"{i:.5g}" for i in most_even["intervals_deg"])
        limits = "crank and the facts allow" if document["facts"] else "crank allows"
        out.print(
            f"The most even order that the {limits} is {_order_line(most_even)} with intervals "
            f"{intervals} deg; --all lists every order.",
            highlight=False,
        )


def print_scores(document: dict[str, Any], *, at_most: int, tree: Sequence[str]) -> None:
    """Print the table of orders with their scores, and the tree of choices."""
    out = console()
    n = document["count"]
    out.print(_orders_table(document, at_most))
    if n > at_most:
        out.print(f"{n - at_most} more: --most, --json or --parquet show them.", highlight=False)
    if tree:
        out.print("\nWhat can fire next (crank angle in deg: cylinder)", style="bold")
        for line in tree:
            out.print(line, highlight=False, markup=False, soft_wrap=True)


def _order_line(entry: dict[str, Any]) -> str:
    """Return an order as text, ``+`` between cylinders that fire together."""
    signs = ["-" if wait > 1e-6 else "+" for wait in entry["intervals_deg"][:-1]]
    return "".join(a + b for a, b in zip(entry["order"], [*signs, ""], strict=True))


def _count_text(document: dict[str, Any]) -> str:
    n, before, every = (
        document[key] for key in ("count", "count_before_facts", "count_of_all_vectors")
    )
    if not n:
        return f"No even firing order: none of the {every:,} sets of firing angles is even."
    evenly = "even " if document["even_only"] else ""
    text = f"{n:,} {evenly}firing {'order' if n == 1 else 'orders'}"
    if document["facts"]:
        text += f" left of {before:,} that the crank allows"
    if document["even_only"] and every > 1:
        text += f" (of {every:,} sets of firing angles, even or not)"
    return text + (f"; sorted: {document['sorted_by']}." if n > 1 else ".")


def _orders_table(document: dict[str, Any], at_most: int) -> Table:
    table = Table()
    table.add_column("firing order", overflow="fold")
    is_even = document["even_only"]
    if not is_even:
        table.add_column("intervals [deg]", overflow="fold")
    hidden = {"unevenness_deg"} if is_even else set()
    if all(entry["bank_alternation_share"] == 0 for entry in document["orders"]):
        hidden.add("bank_alternation_share")
    columns = [column for column in _COLUMNS if column[0] not in hidden]
    for _, heading in columns:
        table.add_column(escape(heading), justify="right")
    table.add_column(escape("pulse spacing by collector [deg]"), overflow="fold")
    table.add_column("main bearings between", justify="right", overflow="fold")
    groups = {len(o["best_collectors"]) for o in document["orders"] if o["best_collectors"]}
    table.add_column(f"best {min(groups, default=2)} collectors", overflow="fold")
    for entry in document["orders"][:at_most]:
        mark = " *" if entry["is_order_of_the_file"] else ""
        cells = [_order_line(entry) + mark]
        if not is_even:
            cells.append("-".join(f"{i:.5g}" for i in entry["intervals_deg"]))
        cells += [f"{entry[key]:.4g}" for key, _ in columns]
        spacings = ["-".join(f"{s:.4g}" for s in group) for group in entry["exhaust_spacings_deg"]]
        cells += ["\n".join(spacings), " ".join(map(str, entry["main_gaps"]))]
        cells.append(_collectors_text(entry))
        table.add_row(*(escape(cell) for cell in cells))
    collectors = "; ".join(f"{i}: {' '.join(c)}" for i, c in enumerate(document["collectors"], 1))
    mark = "* the order of the file; " if document["order_of_the_file"] else ""
    table.caption = f"{mark}collectors of the file {collectors}"
    return table


def _collectors_text(entry: dict[str, Any]) -> str:
    if entry["best_collectors"] is None:
        return "-"
    groups = " | ".join(" ".join(group) for group in entry["best_collectors"])
    return f"{groups} ({entry['best_collectors_overlap_deg']:.4g} deg overlap)"


def print_cranks(document: dict[str, Any], *, at_most: int) -> None:
    """Print the cranks that agree with the facts, with their firing orders."""
    out = console()
    _print_heading(document)
    _print_facts(document)
    n = document["count_of_cranks"]
    out.print(
        f"\n{n} {'crank' if n == 1 else 'cranks'} on a lattice of "
        f"{document['throw_angle_step_deg']:g} deg "
        f"{'agrees' if n == 1 else 'agree'}, {document['count']} firing "
        f"{'order' if document['count'] == 1 else 'orders'} in all.",
        highlight=False,
    )
    shakes = "force_rms_N" in document["cranks"][0]
    table = Table()
    table.add_column("throw angles from throw 1 [deg]".replace("[", "\\["), overflow="fold")
    table.add_column("firing orders", overflow="fold")
    if shakes:
        table.add_column("residual force \\[N]", justify="right")
        table.add_column("residual couple \\[N·m]", justify="right")
    if n == 1:  # its orders follow, with their scores
        at_most = 1
    for crank in document["cranks"][:at_most]:
        orders = [_order_line(entry) for entry in crank["orders"]]
        if not document["even_only"]:
            waits = ("-".join(f"{i:.5g}" for i in e["intervals_deg"]) for e in crank["orders"])
            orders = [f"{order} ({wait} deg)" for order, wait in zip(orders, waits, strict=True)]
        more = [f"... {len(orders) - 4} more"] if len(orders) > 4 else []
        cells = [" ".join(f"{a:g}" for a in crank["throw_angles_deg"])]
        cells.append("\n".join(orders[:4] + more))
        if shakes:
            cells += [f"{crank['force_rms_N']:.4g}", f"{crank['couple_rms_Nm']:.4g}"]
        table.add_row(*(escape(cell) for cell in cells))
    out.print(table)
    if n > at_most:
        out.print(f"{n - at_most} more: --most, --json or --parquet show them.", highlight=False)


def _print_heading(document: dict[str, Any]) -> None:
    out = console()
    out.print(document["name"], style="bold", highlight=False, markup=False)
    crank = "crank not known"
    if document["crank_is_known"]:
        crank = "throws at " + ", ".join(f"{a:g}" for a in document["throw_angles_deg"]) + " deg"
    strokes = "four-stroke" if document["cycle_deg"] > 360 else "two-stroke"
    out.print(
        f"{strokes}, {document['rotation']} seen from the free end; cylinders "
        f"{' '.join(document['cylinders'])} on throws "
        f"{' '.join(str(t) for t in document['throw_of_cylinder'])}; {crank}",
        highlight=False,
        markup=False,
    )

    for sentence in document["assumed"]:
        out.print(f"Assumed: {sentence}.", highlight=False, markup=False)


def _print_facts(document: dict[str, Any]) -> None:
    if not document["facts"]:
        return
    table = Table(title="What each fact leaves", title_justify="left")
    for name in ("fact", "alone", "with those above", "if it were left out"):
        table.add_column(name, justify="left" if name == "fact" else "right", overflow="fold")
    for fact in document["facts"]:
        counts = (
            fact["left_by_it_alone"],
            fact["left_by_it_and_those_before"],
            fact["left_without_it"],
        )
        shown = ["very many" if count is None else f"{count:,}" for count in counts]
        table.add_row(escape(fact["text"]), *shown)
    if document.get("count_before_facts") == 0:
        table.caption = "counted among all sets of firing angles, since none is even"
    idle = [f for f in document["facts"] if f["left_without_it"] == document["count"]]
    if len(idle) == len(document["facts"]) > 1:
        table.caption = "any one of these facts could be left out"
    console().print(table)


_TEXTS, _NUMBERS = pa.list_(pa.string()), pa.list_(pa.float64())
_ORDER_FIELDS: tuple[tuple[str, pa.DataType], ...] = (
    ("order_text", pa.string()),
    ("order", _TEXTS),
    ("angles_deg", _NUMBERS),
    ("intervals_deg", _NUMBERS),
    ("unevenness_deg", pa.float64()),
)
_SCORE_FIELDS: tuple[tuple[str, pa.DataType], ...] = (
    ("fluctuation", pa.float64()),
    ("largest_interval_deg", pa.float64()),
    ("neighbour_firing_share", pa.float64()),
    ("bank_alternation_share", pa.float64()),
    ("exhaust_spacing_min_deg", pa.float64()),
    ("exhaust_unevenness_deg", pa.float64()),
    ("exhaust_overlap_deg", pa.float64()),
    ("exhaust_spacings_deg", pa.list_(_NUMBERS)),
    ("main_gaps", pa.list_(pa.int64())),
    ("main_gap_least", pa.int64()),
    ("main_gap_mean", pa.float64()),
    ("best_collectors", pa.list_(_TEXTS)),
    ("best_collectors_overlap_deg", pa.float64()),
    ("best_collectors_spacing_min_deg", pa.float64()),
    ("is_order_of_the_file", pa.bool_()),
)
_CRANK_FIELDS: tuple[tuple[str, pa.DataType], ...] = (
    ("throw_angles_deg", _NUMBERS),
    ("force_rms_N", pa.float64()),
    ("couple_rms_Nm", pa.float64()),
    ("internal_couple_Nm", pa.float64()),
)


def order_rows(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return one row an order (of each crank, where the crank is not known)."""
    if document["crank_is_known"]:
        entries: list[Any] = [({}, entry) for entry in document["orders"]]
    else:
        entries = [(crank, entry) for crank in document["cranks"] for entry in crank["orders"]]
    return [{"order_text": _order_line(entry), **crank, **entry} for crank, entry in entries]


def write_orders(document: dict[str, Any], path: Path) -> None:
    """Write the orders as Parquet, with the schema name, rule and facts in the metadata."""
    about = {
        "crankfront.schema": document["schema"],
        "crankfront.name": document["name"],
        "crankfront.sorted_by": document.get("sorted_by", "throw angles, then firing angles"),
        "crankfront.facts": "; ".join(fact["text"] for fact in document["facts"]),
    }
    more = _SCORE_FIELDS if document["crank_is_known"] else _CRANK_FIELDS
    schema = pa.schema([*_ORDER_FIELDS, *more], metadata=about)
    table = pa.Table.from_pylist(order_rows(document), schema=schema)
    write_whole(path, lambda beside: pq.write_table(table, beside))
