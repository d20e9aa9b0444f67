"""The physics of piston-engine layouts: from a layout, or a batch of them, to numbers.

A layout becomes givens (`Engine`) and candidates (`Batch`); `score` reads any column of the table
`METRICS` off them. Nothing here searches, plots or prints.
"""

from evaluate.batch import SLOTS, Batch, Engine
from evaluate.choices import tree_of_choices
from evaluate.errors import InputError
from evaluate.layout import Layout, layout_from_tables, read_layout
from evaluate.metrics import METRICS, Evaluation, Metric, score
from evaluate.orders import allowed_orders
from evaluate.proportions import Proportions
from evaluate.results import evaluation_document

#: Says that this is crankfront's package, since another published one has the same name.
DISTRIBUTION = "crankfront"

__all__ = [
    "DISTRIBUTION",
    "METRICS",
    "SLOTS",
    "Batch",
    "Engine",
    "Evaluation",
    "InputError",
    "Layout",
    "Metric",
    "Proportions",
    "allowed_orders",
    "evaluation_document",
    "layout_from_tables",
    "read_layout",
    "score",
    "tree_of_choices",
]
