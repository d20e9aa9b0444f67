"""The tree of choices: which cylinder can fire when, and the order at the end of each branch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import style as matplotlib_style
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evaluate.choices import Choice
from evaluate.firing import SNAP_DEG, TURN_DEG
from evaluate.layout import Layout
from optimize.pictures.drawing import INK, METAL, STYLE, rounded
from optimize.pictures.frame import TEXT_PT, frame, line_in, room_in, text_in

MOST_LEAVES = 24
_NODE_PT = 9.0
_AXIS_IN = 0.52  # for the axis below the tree
_EDGE_IN = 0.16  # beside the first and the last firing
_EDGE: dict[str, Any] = {"color": METAL, "lw": 1.2, "zorder": 1}
_BOX: dict[str, Any] = {"boxstyle": "square,pad=0.14", "fc": "white", "ec": INK, "lw": 1.0}


@dataclass(frozen=True, kw_only=True, slots=True)
class NodeView:
    """What fires at a crank angle, in a row (0 the uppermost), and who else is at TDC then."""

    angle_deg: float
    row: float
    text: str
    aside: str
    is_chosen: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class LeafView:
    """The end of a row: the node before it, the firing order or how many orders are folded."""

    row: int
    node: int
    text: str
    is_folded: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class ChoicesView:
    """The tree: nodes, edges as pairs of node indices, and the ends of the rows."""

    cycle_deg: float
    nodes: tuple[NodeView, ...]
    edges: tuple[tuple[int, int], ...]
    leaves: tuple[LeafView, ...]
    n_orders: int
    n_hidden: int
    n_left_out: int
    n_even: int
    note: str


@matplotlib_style.context(STYLE)
def choices_picture(
    layout: Layout, root: Choice, *, width_in: float, n_left_out: int = 0
) -> Figure:
    """Return the tree of choices over the cycle.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.
    root : Choice
        From `evaluate.choices.tree_of_choices`.
    width_in : float
        Width of the picture. [in]
    n_left_out : int
        Less even orders that the crank allows too, but that are not in the tree.
    """
    view = choices_view(layout, root, n_left_out=n_left_out)
    plan = _plan(view, room_in(width_in))
    if not plan.is_beside:  # orders are written between the rows, so no node may stand there
        view = choices_view(layout, root, n_left_out=n_left_out, is_level=True)
    place = frame(
        width_in,
        plan.height_in + _AXIS_IN,
        title=_title(view),
        subtitle=layout.name,
        notes=_notes(
            view, has_asides=plan.has_asides, has_dots=len(_named(view, plan)) < len(view.nodes)
        ),
    )
    axes = place.axes(_EDGE_IN, _AXIS_IN, size_in=(plan.width_in, plan.height_in))
    _draw_axis(axes, view, plan)
    _draw_tree(axes, view, plan)
    return place.figure


def choices_view(
    layout: Layout,
    root: Choice,
    *,
    most_leaves: int = MOST_LEAVES,
    n_left_out: int = 0,
    is_level: bool = False,
) -> ChoicesView:
    """Return the tree as far as it has room; what is folded is counted at its row.

    Parameters
    ----------
    layout : Layout
        For the labels.
    root : Choice
        The first firing.
    most_leaves : int
        Rows at most; the first branches are shown whole.
    n_left_out : int
        Orders that are not in the tree.
    is_level : bool
        Whether a fork stands in the row of its first branch, not half-way between its branches.
    """
    grown = _Grown(layout.labels, is_level=is_level)
    grown.grow(root, budget=most_leaves, order=(), is_chosen=False)
    note = ""
    if any(node.aside for node in grown.nodes):
        note = (
            "In both turns of a cycle the same pistons reach top dead centre at an angle; some of "
            "them fire in one turn, the others in the other."
        )
    return ChoicesView(
        cycle_deg=layout.engine.cycle_deg,
        nodes=tuple(grown.nodes),
        edges=tuple(grown.edges),
        leaves=tuple(grown.leaves),
        n_orders=root.n_orders + n_left_out,
        n_hidden=sum(grown.hidden) + n_left_out,
        n_left_out=n_left_out,
        n_even=sum(_is_even(path, layout.engine.cycle_deg) for path in root.leaves()),
        note=note,
    )


def _is_even(path: tuple[Choice, ...], cycle_deg: float) -> bool:
    """Return whether the firings of an order are equal cycles apart, one at a time."""
    firings = [choice for choice in path if choice.cylinders]  # a root may have none
    angles_deg = [choice.angle_deg for choice in firings] + [cycle_deg]
    is_single = all(len(choice.cylinders) == 1 for choice in firings)
    return is_single and bool(np.ptp(np.diff(angles_deg)) < 2 * SNAP_DEG)


class _Grown:
    """A tree while it is laid out, row by row."""

    def __init__(self, labels: tuple[str, ...], *, is_level: bool) -> None:
        self._labels, self._is_level = labels, is_level
        self.nodes: list[NodeView] = []
        self.edges: list[tuple[int, int]] = []
        self.leaves: list[LeafView] = []
        self.hidden: list[int] = []

    def grow(self, choice: Choice, *, budget: int, order: tuple[str, ...], is_chosen: bool) -> int:
        """Lay out a branch in at most `budget` rows and return the index of its first node."""
        index = len(self.nodes)
        if choice.cylinders:
            order = (*order, self._names(choice.cylinders))
        self.nodes.append(self._node(choice, row=0.0, is_chosen=is_chosen))
        rows: list[float] = []
        if not choice.following:
            rows = [self._end(index, "-".join(order), is_folded=False)]
        elif budget == 1 and choice.n_orders > 1:
            rows = [self._fold(index, choice.n_orders)]
        else:
            for follower, share in _shares(choice.following, budget):
                child = self.grow(
                    follower,
                    budget=share,
                    order=order,
                    is_chosen=len(choice.following) > 1,
                )
                self.edges.append((index, child))
                rows.append(self.nodes[child].row)
            left_out = choice.following[len(rows) :]
            if left_out:
                rows.append(self._fold(index, sum(follower.n_orders for follower in left_out)))
        row = rows[0] if self._is_level else 0.5 * (rows[0] + rows[-1])
        self.nodes[index] = self._node(choice, row=row, is_chosen=is_chosen)
        return index

    def _node(self, choice: Choice, *, row: float, is_chosen: bool) -> NodeView:
        aside = ""
        if choice.waiting:
            waits = "wait" if len(choice.waiting) > 1 else "waits"
            aside = f"{self._names(choice.waiting)} {waits}"
        elif choice.done:
            aside = f"{self._names(choice.done)} fired"
        return NodeView(
            angle_deg=rounded(choice.angle_deg),
            row=row,
            text=self._names(choice.cylinders),
            aside=aside,
            is_chosen=is_chosen,
        )

    def _end(self, node: int, text: str, *, is_folded: bool) -> float:
        row = len(self.leaves)
        self.leaves.append(LeafView(row=row, node=node, text=text, is_folded=is_folded))
        return float(row)

    def _fold(self, node: int, n_orders: int) -> float:
        self.hidden.append(n_orders)
        return self._end(
            node, f"{n_orders} more orders" if n_orders > 1 else "1 more order", is_folded=True
        )

    def _names(self, cylinders: tuple[int, ...]) -> str:
        return "+".join(self._labels[i] for i in cylinders)


def _shares(following: Sequence[Choice], budget: int) -> list[tuple[Choice, int]]:
    """Return the rows that each branch gets: one each, and the rest to the first ones."""
    shown = following if len(following) <= budget else following[: budget - 1]
    spare = budget - len(shown) - (len(shown) < len(following))
    shares = []
    for choice in shown:
        more = min(spare, choice.n_orders - 1)
        spare -= more
        shares.append((choice, 1 + more))
    return shares


def _title(view: ChoicesView) -> str:
    if view.n_orders == 1:
        uneven = "" if view.n_even else ", not even"
        return f"Nothing to choose: one firing order{uneven}"
    some_even = {0: ", none of them even", 1: ", one of them even"}.get(
        view.n_even, f", {view.n_even} of them even"
    )
    every = "" if view.n_even == view.n_orders else some_even
    return f"The choices that the crank leaves: {view.n_orders} firing orders{every}"


def _notes(view: ChoicesView, *, has_asides: bool, has_dots: bool) -> list[str]:
    notes = [view.note]
    if has_asides and view.note:
        notes = [
            "Small: who is at top dead centre too, and waits for the next turn or fired in the "
            "last one."
        ]
    if view.n_left_out:
        notes.append(f"The tree holds the {view.n_orders - view.n_left_out} most even ones.")
    if view.n_hidden:
        notes.append(f"{view.n_hidden} of {view.n_orders} orders are not drawn.")
    if has_dots:
        notes.append("Dots: firings without room for their numeral.")
    return notes


# Arranging and drawing ------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plan:
    """Sizes of the tree. [in]"""

    width_in: float
    cycle_in: float
    row_in: float
    height_in: float
    is_beside: bool
    is_upright: bool
    has_asides: bool

    def at(self, view: ChoicesView, node: NodeView) -> tuple[float, float]:
        return node.angle_deg / view.cycle_deg * self.cycle_in, self.up_in(node.row)

    def up_in(self, row: float) -> float:
        return self.height_in - (row + 0.5) * self.row_in


def _plan(view: ChoicesView, inner_in: float) -> _Plan:
    ends_in = max(text_in(leaf.text) for leaf in view.leaves) + 0.12
    is_beside = ends_in < 0.4 * inner_in
    width_in = inner_in - _EDGE_IN - 0.05
    cycle_in = width_in - ends_in if is_beside else width_in
    angles_deg = sorted({node.angle_deg for node in view.nodes})
    nearest_deg = min(np.diff(angles_deg), default=view.cycle_deg)
    step_in = min(float(nearest_deg), view.cycle_deg - angles_deg[-1]) / view.cycle_deg * cycle_in
    widest_in = max(text_in(node.text, _NODE_PT, "bold") for node in view.nodes)
    is_upright = widest_in + 0.1 > step_in
    node_in = (widest_in if is_upright else line_in(_NODE_PT)) + 0.1
    asides = [text_in(node.aside) for node in view.nodes]
    has_asides = max(asides) > 0 and max(asides) + 0.05 < step_in and not is_upright
    row_in = node_in + (line_in() + 0.02 if has_asides else 0.0)
    row_in += 0.1 if is_beside else line_in() + 0.14
    return _Plan(
        width_in=width_in,
        cycle_in=cycle_in,
        row_in=row_in,
        height_in=row_in * len(view.leaves),
        is_beside=is_beside,
        is_upright=is_upright,
        has_asides=has_asides,
    )


def _draw_axis(axes: Axes, view: ChoicesView, plan: _Plan) -> None:
    axes.set(xlim=(0, plan.width_in), ylim=(0, plan.height_in))
    axes.spines[["left", "bottom"]].set_visible(False)
    step_deg = 90 if view.cycle_deg > TURN_DEG else 45
    ticks_deg = np.arange(0, view.cycle_deg + 1, step_deg)
    axes.set_xticks(ticks_deg / view.cycle_deg * plan.cycle_in, [f"{t:g}" for t in ticks_deg])
    axes.set_yticks([])
    axes.grid(axis="x", color="#e4e4e4", lw=0.6)
    axes.set_xlabel("crank angle after the first firing [deg]", loc="left")


def _draw_tree(axes: Axes, view: ChoicesView, plan: _Plan) -> None:
    places = [plan.at(view, node) for node in view.nodes]
    for start, end in view.edges:
        (x0, y0), (x1, y1) = places[start], places[end]
        bend = x0 + 0.5 * (x1 - x0)
        axes.plot([x0, bend, bend, x1], [y0, y0, y1, y1], **_EDGE)
    named = _named(view, plan)
    for index, (node, place) in enumerate(zip(view.nodes, places, strict=True)):
        if index in named:
            _draw_node(axes, node, place, plan)
        else:
            axes.plot(*place, marker="o", ms=4, mfc=INK, mec=INK, zorder=2)
    for leaf in view.leaves:
        _write_end(axes, view, leaf, plan)


def _named(view: ChoicesView, plan: _Plan) -> set[int]:
    """Return the nodes that have room for their numeral, from left to right in each row."""
    named: set[int] = set()
    end_of: dict[float, float] = {}
    for index in sorted(range(len(view.nodes)), key=lambda i: (view.nodes[i].angle_deg, i)):
        node = view.nodes[index]
        right, _ = plan.at(view, node)
        across = line_in(_NODE_PT) if plan.is_upright else text_in(node.text, _NODE_PT, "bold")
        if right - 0.5 * across > end_of.get(node.row, -1.0):
            named.add(index)
            end_of[node.row] = right + 0.5 * across + 0.06
    return named


def _draw_node(axes: Axes, node: NodeView, place: tuple[float, float], plan: _Plan) -> None:
    axes.text(
        *place,
        node.text,
        ha="center",
        va="center",
        rotation=90 if plan.is_upright else 0,
        size=_NODE_PT,
        weight="bold",
        zorder=3,
        bbox={**_BOX, "lw": 1.8 if node.is_chosen else 0.9},
        clip_on=False,
    )
    if plan.has_asides and node.aside:
        down = place[1] - 0.5 * line_in(_NODE_PT) - 0.06
        axes.text(place[0], down, node.aside, ha="center", va="top", size=TEXT_PT, zorder=3)


def _write_end(axes: Axes, view: ChoicesView, leaf: LeafView, plan: _Plan) -> None:
    up = plan.up_in(leaf.row)
    if leaf.is_folded:
        right, start = plan.at(view, view.nodes[leaf.node])
        bend = right + min(0.12, 0.5 * plan.cycle_in / len(view.nodes) + 0.06)
        axes.plot([right, bend, bend, bend + 0.16], [start, start, up, up], ls=":", **_EDGE)
        axes.text(bend + 0.2, up, f"... {leaf.text}", va="center", size=TEXT_PT)
    elif plan.is_beside:
        axes.text(plan.width_in, up, leaf.text, ha="right", va="center", size=TEXT_PT)
    else:
        down = up - 0.5 * plan.row_in + 0.03
        white = {"boxstyle": "square,pad=0.05", "fc": "white", "ec": "none"}
        axes.text(
            plan.width_in,
            down,
            leaf.text,
            ha="right",
            va="bottom",
            size=TEXT_PT,
            zorder=2,
            bbox=white,
        )
