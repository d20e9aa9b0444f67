"""Pictures of fronts and of single layouts; matplotlib, imported only to draw.

`LAYOUT_PICTURES` is the one table of what can be drawn of a layout: a folder of pictures and a
page about a layout both go through it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from evaluate.batch import FloatArray
from evaluate.camshafts import camshafts
from evaluate.choices import Choice, tree_of_choices
from evaluate.firing import TURN_DEG
from evaluate.layout import Layout, order_line
from evaluate.metrics import METRICS, Evaluation
from evaluate.orders import orders_to_show
from evaluate.reading.words import counted
from evaluate.remedies import remedies, without_repeats
from optimize.pictures.bearings import bearings_picture, bearings_view, load_text
from optimize.pictures.campbell import campbell_picture, campbell_view
from optimize.pictures.cams import camshafts_picture
from optimize.pictures.choices import choices_picture
from optimize.pictures.comparison import comparison_picture
from optimize.pictures.crank import crank_picture
from optimize.pictures.drawing import amount_text, angle_text
from optimize.pictures.orbit import orbit_picture
from optimize.pictures.orders import orders_picture
from optimize.pictures.remedy import remedies_picture
from optimize.pictures.side import side_picture
from optimize.pictures.strips import strip_picture
from optimize.pictures.torque import torque_picture, torque_view

__all__ = [
    "LAYOUT_PICTURES",
    "MOST_IN_TREE",
    "NARROW_IN",
    "WIDE_IN",
    "LayoutPicture",
    "bearings_picture",
    "campbell_picture",
    "camshafts_picture",
    "choices_of",
    "choices_picture",
    "comparison_picture",
    "crank_picture",
    "orbit_picture",
    "orders_picture",
    "remedies_picture",
    "side_picture",
    "strip_picture",
    "torque_picture",
]

NARROW_IN, WIDE_IN = 4.2, 7.4  # for a phone, and for a desktop column or A4
MOST_IN_TREE = 1024  # orders: the tree shows two dozen, and a larger one takes seconds


@dataclass(frozen=True, kw_only=True, slots=True)
class LayoutPicture:
    """One line of the table of pictures.

    Attributes
    ----------
    key : str
        Stable name, for file names and for places on a page.
    title : str
        What the picture answers.
    draw : callable
        From a layout and a width in inches to a figure.
    alt : callable
        From a layout to a sentence for readers who cannot see the picture.
    """

    key: str
    title: str
    draw: Callable[[Layout, float], Figure]
    alt: Callable[[Layout], str]


def choices_of(layout: Layout) -> tuple[Choice, int]:
    """Return the tree of choices of a layout's crank, and how many orders are left out of it.

    The even firing orders; where none is even the most even ones, as many as a tree can hold. With
    more cylinders than all orders can be tried for, the tree is the order of the layout.
    """
    found = orders_to_show(layout).angles_deg
    if not len(found):
        found = _firing_angles_deg(layout)[np.newaxis]
    n_left_out = max(0, len(found) - MOST_IN_TREE)
    return tree_of_choices(found[:MOST_IN_TREE], layout.engine.cycle_deg), n_left_out


def _firing_angles_deg(layout: Layout) -> FloatArray:
    angles_deg: FloatArray = Evaluation(layout.engine, layout.batch).firing_angles_deg[0]
    return angles_deg


def _strip_alt(layout: Layout) -> str:
    order = order_line(layout.labels, _firing_angles_deg(layout))
    turns = "one turn" if layout.engine.cycle_deg == TURN_DEG else "two turns"
    return f"Firings and exhaust openings over {turns} of the crank; firing order {order}."


def _choices_alt(layout: Layout) -> str:
    root, n_left_out = choices_of(layout)
    n_orders = root.n_orders + n_left_out
    orders = "one firing order" if n_orders == 1 else f"{n_orders} firing orders"
    return f"Tree of the choices over the cycle; the crank leaves {orders}."


def _crank_alt(layout: Layout) -> str:
    banks = ", ".join(angle_text(angle) for angle in layout.batch.bank_angles_deg[0])
    return (
        f"The crank from the free end with {counted(layout.engine.n_throws, 'throw')}, turning "
        f"{layout.rotation}; bank axes at {banks}."
    )


def _side_alt(layout: Layout) -> str:
    engine = layout.engine
    return (
        f"The crank from the side: {counted(engine.n_throws, 'throw')}, "
        f"{counted(engine.n_mains, 'main bearing')} and {counted(engine.n_cylinders, 'cylinder')} "
        "in their places."
    )


def _left_text(layout: Layout) -> str:
    evaluation = Evaluation(layout.engine, layout.batch)
    force, couple = (
        float(METRICS[key].compute(evaluation)[0]) for key in ("force_rms_N", "couple_rms_Nm")
    )
    return (
        f"{amount_text(force)} N of force and {amount_text(couple)} N·m of couple remain, as root "
        "mean squares over a turn"
    )


def _orders_alt(layout: Layout) -> str:
    return f"Bars of free force and couple by order; {_left_text(layout)}."


def _orbit_alt(layout: Layout) -> str:
    return f"Paths of free force and couple over one turn; {_left_text(layout)}."


def _remedies_alt(layout: Layout) -> str:
    names = "; ".join(remedy.name for remedy in without_repeats(remedies(layout)))
    return f"Bars of what each remedy leaves, with its price: {names}."


def _torque_alt(layout: Layout) -> str:
    view = torque_view(layout)
    if view is None:
        return "Not drawn: the bore is unknown, so there is no gas torque."
    return (
        f"Torque over the cycle with a mean of {amount_text(view.mean_Nm)} N·m and a ripple of "
        f"{amount_text(view.ripple_Nm)} N·m; the largest amplitude is of order "
        f"{view.largest_order:g}."
    )


def _bearings_alt(layout: Layout) -> str:
    view = bearings_view(layout)
    if view is None:
        return "Not drawn: the bore is unknown, so there is no gas force, or too few main bearings."
    return (
        f"Polar plots of the load on {len(view.drawn)} of "
        f"{counted(len(view.bearings), 'main bearing')}; number {view.worst} bears most, "
        f"{load_text(view.largest_N)}."
    )


def _torsion_alt(layout: Layout) -> str:
    view = campbell_view(layout)
    if view is None:
        return "Not drawn: the bore is unknown, so the shaft has no size."
    return f"Orders and natural frequencies over speed. {view.words[0]}"


def _camshafts_alt(layout: Layout) -> str:
    texts = []
    for cam in camshafts(layout):
        lobes = ", ".join(f"{lobe.label} at {angle_text(lobe.angle_deg)}" for lobe in cam.lobes)
        texts.append(f"{cam.name}, turning {cam.turns}, lobes {lobes}")
    return f"Camshafts from the free end: {'; '.join(texts)}."


def _draw_choices(layout: Layout, width_in: float) -> Figure:
    root, n_left_out = choices_of(layout)
    return choices_picture(layout, root, width_in=width_in, n_left_out=n_left_out)


def _draw_remedies(layout: Layout, width_in: float) -> Figure:
    return remedies_picture(layout, without_repeats(remedies(layout)), width_in=width_in)


def _draw_camshafts(layout: Layout, width_in: float) -> Figure:
    return camshafts_picture(layout, camshafts(layout), width_in=width_in)


# fmt: off
_Line = tuple[str, str, Callable[[Layout, float], Figure], Callable[[Layout], str]]
_TABLE: tuple[_Line, ...] = (
    ("strip", "What fires when",
     lambda layout, width_in: strip_picture(layout, width_in=width_in), _strip_alt),
    ("choices", "Which choices the crank leaves", _draw_choices, _choices_alt),
    ("crank", "What the crank is",
     lambda layout, width_in: crank_picture(layout, width_in=width_in), _crank_alt),
    ("side", "What stands where along the crank",
     lambda layout, width_in: side_picture(layout, width_in=width_in), _side_alt),
    ("orders", "What stays unbalanced, by order",
     lambda layout, width_in: orders_picture(layout, width_in=width_in), _orders_alt),
    ("orbit", "Which way it shakes",
     lambda layout, width_in: orbit_picture(layout, width_in=width_in), _orbit_alt),
    ("remedies", "What would help, and at what price", _draw_remedies, _remedies_alt),
    ("torque", "What turns the crank",
     lambda layout, width_in: torque_picture(layout, width_in=width_in), _torque_alt),
    ("bearings", "What the main bearings carry",
     lambda layout, width_in: bearings_picture(layout, width_in=width_in), _bearings_alt),
    ("torsion", "Where the shaft resonates",
     lambda layout, width_in: campbell_picture(layout, width_in=width_in), _torsion_alt),
    ("camshafts", "How the camshafts look", _draw_camshafts, _camshafts_alt),
)
# fmt: on

#: Every picture of one layout, in the order in which they argue.
LAYOUT_PICTURES: dict[str, LayoutPicture] = {
    key: LayoutPicture(key=key, title=title, draw=draw, alt=alt) for key, title, draw, alt in _TABLE
}
