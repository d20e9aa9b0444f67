"""What `crankfront firing-orders` does: facts in, orders out as table, JSON, Parquet, picture."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

from evaluate.bench import Bench, read_bench
from evaluate.choices import choice_lines, tree_of_choices
from evaluate.cranks import agreeing_cranks
from evaluate.errors import InputError
from evaluate.fact_kinds import OPTIONS
from evaluate.layout import Layout, subject_of
from evaluate.order_results import cranks_document, orders_document
from evaluate.orders import AllowedOrders, allowed_orders
from optimize.fact_options import facts_table
from optimize.files import file_to_write, json_text, picture_stem, toml_text, write_text

#: Orders whose tree of choices is written out on the terminal, and in the JSON document.
TREE_LINES, TREE_ORDERS = 12, 2048


def list_orders(path: Path, options: dict[str, Any]) -> None:
    """Print and write the firing orders of a layout file.

    Raises
    ------
    InputError
        For a file or facts that cannot be used; nothing is written then.
    """
    facts = facts_table(
        **{key: options[key] for key in ("same_tdc", "after", "order", "apart", "tdc_apart")},
        crankpins=options["crankpins"],
        lobes=options["lobes"],
        lobes_seen_from=options["lobes_seen_from"],
        lobes_met=options["lobes_met"],
        tolerance_deg=options["tolerance"],
    )
    drive = _drive(gears=options["gears"], drive=options["drive"])
    bench = read_bench(path, further_facts=facts, drive=drive)
    file_to_write(options["parquet"], "--parquet", suffix=".parquet", inputs=[path])
    file_to_write(options["save"], "--save", suffix=".toml", inputs=[path])
    options = {**options, "tree": picture_stem(options["tree"], "--tree")}
    if drive is not None and not any(
        fact.where == "camshafts.drive" for fact in bench.layout.facts
    ):
        print("Gears and drives tell nothing without --lobes.", file=sys.stderr)
    try:
        if bench.step_deg is None:
            _known_crank(bench, options)
        else:
            _unknown_crank(bench, options)
    except InputError as error:
        is_of_file = not error.where.startswith(OPTIONS)
        raise (error.inside(path.name) if is_of_file else error) from None


def _drive(*, gears: int | None, drive: str | None) -> dict[str, Any] | None:
    if gears is not None and drive is not None:
        raise InputError("--drive", f"{drive!r} with --gears {gears}", "one of the two")
    if gears is not None:
        return {"gears": gears}
    return None if drive is None else {"by": drive}


def _known_crank(bench: Bench, options: dict[str, Any]) -> None:
    from optimize.order_tables import print_orders, write_orders

    layout = bench.layout
    allowed = allowed_orders(
        layout, even_only=not options["every"], n_collectors=_collectors(layout, options)
    )
    for key in ("tree", "save"):
        if options[key] is not None and not len(allowed):
            raise InputError(f"--{key}", "no even firing order", "--all, or another crank")
    needs_all = options["as_json"] or options["parquet"] is not None
    document = orders_document(
        layout,
        allowed,
        assumed=bench.assumed,
        at_most=None if needs_all else options["most"],
        at_most_in_tree=TREE_ORDERS if options["as_json"] else 0,
    )
    lines = _tree_lines(layout, allowed)
    if options["as_json"]:
        print(json_text(document))
    else:
        print_orders(document, at_most=options["most"], tree=lines)
    if options["parquet"] is not None:
        write_orders(document, options["parquet"])
        _wrote(options["parquet"])
    if options["tree"] is not None:
        _draw_tree(layout, allowed.angles_deg, options["tree"])
    if options["save"] is not None:
        angles_deg = allowed.angles_deg[0]
        _save(bench, layout.throw_angles_deg, angles_deg, options["save"], n_left=len(allowed))


def _unknown_crank(bench: Bench, options: dict[str, Any]) -> None:
    from optimize.order_tables import print_cranks, print_scores, write_orders

    assert bench.step_deg is not None
    even_only = not options["every"]
    found = agreeing_cranks(
        subject_of(bench.layout),
        bench.layout.facts,
        step_deg=bench.step_deg,
        even_only=even_only,
    )
    pins_deg = np.unique(found.rows.pins_deg, axis=0)
    for key in ("tree", "save"):
        if options[key] is not None and len(pins_deg) > 1:
            raise InputError(f"--{key}", f"{len(pins_deg)} cranks", "facts that leave one crank")
    known = bench.with_crank(pins_deg[0]) if len(pins_deg) == 1 else None
    allowed = None
    if known is not None:
        n_collectors = _collectors(known.layout, options)
        allowed = allowed_orders(known.layout, even_only=even_only, n_collectors=n_collectors)
    document = cranks_document(bench, found, even_only=even_only, known=known, allowed=allowed)
    if options["as_json"]:
        print(json_text(document))
    else:
        print_cranks(document, at_most=options["most"])
    if known is not None and allowed is not None:
        if not options["as_json"]:
            few = orders_document(known.layout, allowed, at_most=options["most"], at_most_in_tree=0)
            print_scores(few, at_most=options["most"], tree=_tree_lines(known.layout, allowed))
        if options["tree"] is not None:
            _draw_tree(known.layout, allowed.angles_deg, options["tree"])
        if options["save"] is not None:
            n_left = len(allowed)
            _save(bench, pins_deg[0], allowed.angles_deg[0], options["save"], n_left=n_left)
    if options["parquet"] is not None:
        write_orders(document, options["parquet"])
        _wrote(options["parquet"])


def _tree_lines(layout: Layout, allowed: AllowedOrders) -> list[str]:
    if len(allowed) > TREE_ORDERS:
        return [f"left out: over {TREE_ORDERS:,} orders; facts cut it down"]
    if not len(allowed):
        return []
    root = tree_of_choices(allowed.angles_deg, layout.engine.cycle_deg)
    return choice_lines(root, layout.labels, at_most=TREE_LINES)


def _collectors(layout: Layout, options: dict[str, Any]) -> int:
    return min(int(options["collectors"]), layout.engine.n_cylinders)


def _draw_tree(layout: Layout, angles_deg: np.ndarray, path: Path) -> None:
    from optimize.pictures import MOST_IN_TREE, WIDE_IN, choices, drawing

    root = tree_of_choices(angles_deg[:MOST_IN_TREE], layout.engine.cycle_deg)
    n_left_out = max(0, len(angles_deg) - MOST_IN_TREE)
    figure = choices.choices_picture(layout, root, width_in=WIDE_IN, n_left_out=n_left_out)
    for written in drawing.save(figure, path):
        _wrote(written)


def _save(
    bench: Bench, pins_deg: np.ndarray, angles_deg: np.ndarray, path: Path, *, n_left: int
) -> None:
    """Write the file again with a crank and an order, and the facts that led there."""
    tables = dict(bench.tables)
    crank = {k: v for k, v in tables["crank"].items() if k != "throw_angle_step_deg"}
    tables["crank"] = {**crank, "throw_angles_deg": [float(a) for a in pins_deg]}
    tables["firing"] = {"angles_deg": [float(a) for a in angles_deg]}
    if bench.facts_given:
        tables["facts"] = bench.facts_given
    write_text(path, toml_text(tables))
    notes = [f"the first of {n_left} that are left"] if n_left > 1 else []
    if not bench.has_cylinder_data:
        notes.append("crankfront evaluate needs a [cylinder] table beside it")
    _wrote(path, f" ({'; '.join(notes)})" if notes else "")


def _wrote(path: Path, more: str = "") -> None:
    print(f"wrote {path}{more}", file=sys.stderr)
