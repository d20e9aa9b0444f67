"""Firing orders of a crank, or of all cranks that agree with facts, as JSON-ready documents."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evaluate import firing
from evaluate.batch import FloatArray
from evaluate.bench import Bench
from evaluate.choices import Choice, tree_of_choices
from evaluate.cranks import Found
from evaluate.evidence import Cut
from evaluate.layout import MOST_FOR_ORDERS, Layout, order_line, order_texts
from evaluate.metrics import score
from evaluate.orders import SCORE_KEYS, SORT_RULE, AllowedOrders, most_even_order
from evaluate.results import plain

SCHEMA = "crankfront.firing-orders/1"
_METRIC_NAMES = {"firing_unevenness_deg": "unevenness_deg", "firing_fluctuation": "fluctuation"}


def orders_document(
    layout: Layout,
    allowed: AllowedOrders,
    *,
    assumed: Sequence[str] = (),
    at_most: int | None = None,
    at_most_in_tree: int,
) -> dict[str, Any]:
    """Return the firing orders of a crank with scores, facts and the tree of choices.

    Parameters
    ----------
    layout : Layout
        The engine.
    allowed : AllowedOrders
        From `evaluate.orders.allowed_orders`.
    assumed : sequence of str
        What the file left open that scores depend on.
    at_most : int or None
        Orders to describe, the best first; all by default.
    at_most_in_tree : int
        The tree is left out (None) when there are more orders.

    Returns
    -------
    dict
        Keys as documented in the README; units are in the names.
    """
    given = order_line(layout.labels, layout.firing_angles_deg)
    is_given = np.all(np.abs(allowed.angles_deg - layout.firing_angles_deg) < 1e-6, axis=1)
    is_given &= layout.order_is_given
    document = {
        **_heading(layout),
        "assumed": list(assumed),
        "crank_is_known": True,
        "throw_angles_deg": layout.throw_angles_deg,
        "even_only": allowed.even_only,
        "count": len(allowed),
        "count_of_orders": len(set(allowed.orders)),
        "count_before_facts": allowed.n_before_facts,
        "count_of_all_vectors": allowed.n_vectors,
        "sorted_by": SORT_RULE,
        "collectors": _collectors(layout),
        "order_of_the_file": given if layout.order_is_given else None,
        "facts": [_fact(cut) for cut in allowed.cuts],
        "most_even": None if len(allowed) else _most_even(layout),
        "orders": [],
        "tree": _tree(tree_of_choices(allowed.angles_deg, layout.engine.cycle_deg), layout.labels)
        if 0 < len(allowed) <= at_most_in_tree
        else None,
    }
    result: dict[str, Any] = plain(document)
    result["orders"] = _orders(layout, allowed, is_given.tolist(), at_most)  # plain already
    return result


def cranks_document(
    bench: Bench,
    found: Found,
    *,
    even_only: bool,
    known: Bench | None = None,
    allowed: AllowedOrders | None = None,
) -> dict[str, Any]:
    """Return all cranks that agree with the facts, each with its firing orders.

    Forces are those of the balance in the file; there are none without cylinder data. Where one
    crank is left, `known` is the engine with it and `allowed` its orders with their scores.
    """
    layout = bench.layout
    pins_deg, which = np.unique(found.rows.pins_deg, axis=0, return_inverse=True)
    orders = order_texts(layout.labels, found.rows.angles_deg)
    cranks = [
        {
            "throw_angles_deg": pins,
            "count": int((which.ravel() == k).sum()),
            "orders": [
                {
                    "order": orders[row],
                    "angles_deg": found.rows.angles_deg[row],
                    "intervals_deg": _intervals_deg(found.rows.angles_deg[row], layout),
                    "unevenness_deg": _unevenness_deg(found.rows.angles_deg[row], layout),
                }
                for row in np.flatnonzero(which.ravel() == k)
            ],
        }
        for k, pins in enumerate(pins_deg)
    ]
    if bench.has_cylinder_data:
        keys = ("force_rms_N", "couple_rms_Nm", "internal_couple_Nm")
        for crank, row in zip(cranks, _shakes(layout, pins_deg, keys), strict=True):
            crank |= dict(zip(keys, row, strict=True))
    document = {
        **_heading(layout),
        "assumed": list(bench.assumed),
        "crank_is_known": False,
        "throw_angle_step_deg": bench.step_deg,
        "even_only": even_only,
        "count": len(found.rows.angles_deg),
        "count_of_cranks": len(cranks),
        "facts": [_fact(cut) for cut in found.cuts],
        "cranks": cranks,
    }
    result: dict[str, Any] = plain(document)
    if known is not None and allowed is not None:
        scored = _orders(known.layout, allowed, [False] * len(allowed), None)
        result["cranks"][0]["orders"] = scored
    result["orders"] = [
        {"throw_angles_deg": crank["throw_angles_deg"], **entry}
        for crank in result["cranks"]
        for entry in crank["orders"]
    ]
    return result


def _collectors(layout: Layout) -> list[list[str]]:
    groups = layout.batch.collectors[0]
    return [
        [layout.labels[i] for i in np.flatnonzero(groups == group)]
        for group in range(int(groups.max()) + 1)
    ]


def _heading(layout: Layout) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "name": layout.name,
        "rotation": layout.rotation,
        "cycle_deg": layout.engine.cycle_deg,
        "cylinders": layout.labels,
        "throw_of_cylinder": layout.engine.throws + 1,
        "camshafts": [
            {
                "name": shaft.name,
                "cylinders": [layout.labels[i] for i in shaft.cylinders],
                "turns_with_crank": shaft.drive.with_crank,
                "drive": shaft.drive.words,
            }
            for shaft in layout.camshafts
        ],
    }


def _fact(cut: Cut) -> dict[str, Any]:
    return {
        "text": cut.fact.text,
        "where": cut.fact.where,
        "left_by_it_alone": cut.alone,
        "left_by_it_and_those_before": cut.after,
        "left_without_it": cut.without,
    }


def _most_even(layout: Layout) -> dict[str, Any] | None:
    if layout.engine.n_cylinders > MOST_FOR_ORDERS:
        return None
    order, angles_deg = most_even_order(layout)
    return {
        "order": order,
        "angles_deg": angles_deg,
        "intervals_deg": _intervals_deg(angles_deg, layout),
        "unevenness_deg": _unevenness_deg(angles_deg, layout),
    }


def _orders(
    layout: Layout, allowed: AllowedOrders, is_given: Sequence[bool], at_most: int | None
) -> list[dict[str, Any]]:
    rising_deg = np.sort(allowed.angles_deg, axis=1).T
    columns: dict[str, Sequence[Any]] = {
        "order": allowed.orders,
        "angles_deg": allowed.angles_deg.tolist(),
        "intervals_deg": firing.intervals_from_sorted(
            rising_deg, layout.engine.cycle_deg
        ).T.tolist()
        if len(allowed)
        else [],
        **{_METRIC_NAMES.get(key, key): allowed.scores[key].tolist() for key in SCORE_KEYS},
        "exhaust_spacings_deg": allowed.spacings_deg,
        "main_gaps": allowed.main_gaps,
        "main_gap_least": allowed.scores["main_gap_least"].astype(np.int64).tolist(),
        "main_gap_mean": allowed.scores["main_gap_mean"].tolist(),
        "best_collectors": allowed.best_collectors,
        "best_collectors_overlap_deg": plain(allowed.best_overlap_deg),
        "best_collectors_spacing_min_deg": plain(allowed.best_spacing_min_deg),
        "is_order_of_the_file": is_given,
    }
    rows = zip(*(values[:at_most] for values in columns.values()), strict=True)
    return [dict(zip(columns, row, strict=True)) for row in rows]


def _intervals_deg(angles_deg: FloatArray, layout: Layout) -> FloatArray:
    rising_deg = np.sort(angles_deg)[:, np.newaxis]
    return firing.intervals_from_sorted(rising_deg, layout.engine.cycle_deg)[:, 0]


def _unevenness_deg(angles_deg: FloatArray, layout: Layout) -> float:
    rising_deg = np.sort(angles_deg)[:, np.newaxis]
    return float(firing.measures(rising_deg, layout.engine.cycle_deg).unevenness_deg[0])


def _shakes(layout: Layout, pins_deg: FloatArray, keys: Sequence[str]) -> FloatArray:
    """Return metrics of inertia of each crank, (cranks, keys)."""
    cylinder_pins_deg = pins_deg[:, layout.engine.throws]
    repeated = layout.batch.rows(np.zeros(len(pins_deg), np.int64))
    return score(layout.engine, repeated.having(pin_angles_deg=cylinder_pins_deg), keys)


def _tree(choice: Choice, labels: tuple[str, ...]) -> dict[str, Any]:
    return {
        "angle_deg": choice.angle_deg,
        "fires": [labels[i] for i in choice.cylinders],
        "waits_a_turn": [labels[i] for i in choice.waiting],
        "fired_360_before": [labels[i] for i in choice.done],
        "orders": choice.n_orders,
        "then": [_tree(follower, labels) for follower in choice.following],
    }
