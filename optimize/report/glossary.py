"""What stands at the foot of a report: the method, and the words that it uses."""

from __future__ import annotations

from evaluate.metrics import METRICS
from optimize.report.runs import Run
from optimize.report.words import DEAR_SHARE, GOOD_SHARE

METHOD = (
    "Every candidate is a rigid crank with slider-crank motion at constant speed; free forces and "
    "couples are summed order by order, after counterweights and balance shafts have taken what "
    "they can.",
    "Different numbers of cylinders are compared at equal total displacement; bore, masses, "
    "pitches and sizes follow from proportions that stand in the study, assumptions of the "
    "project and no measured engine.",
    "A design is on the front if no other is at least as good in every objective and better in "
    "one, after values are counted in whole steps of their resolution, rounded up: anything above "
    "0 counts as one step. One design stands for all with the same counted values.",
    "Where all objectives weigh the same, the design is picked whose worst objective, as a share "
    "of the front's span between best (0 %) and worst (100 %), is least bad. A plain sum of these "
    "shares is another rule, in which a good objective may make up for a bad one; what it would "
    "pick is told beside.",
    "The shortlist is picked by rule: that design, the best in each objective, the design picked "
    "in the same way when the share of one objective counts four times, and up to two knees, "
    "where every neighbour loses more than it gains.",
    f"A strength is a value within {GOOD_SHARE:.0%} of the best, a price one beyond "
    f"{DEAR_SHARE:.0%}, both of the span between the best and the worst on the front.",
)

_WORDS = (
    ("front", "the designs that no other beats in everything: the honest choices"),
    ("objective", "what is to be as small, or as large, as it can be"),
    (
        "free force",
        "what the moving masses leave unbalanced and the mounts must hold; its couple tips or "
        "yaws the engine",
    ),
    ("order", "cycles per turn of the crank: the first order shakes once a turn, the second twice"),
    ("throw, crankpin", "the crank's arms and the pins on them, to which the rods are joined"),
    ("counterweight", "mass on the crank opposite a throw; takes the part that turns with it"),
    (
        "balance shaft",
        "a shaft with weights that turns with or against the crank, once or twice as fast, and "
        "cancels one part of what is left",
    ),
    (
        "firing order",
        "the order in which cylinders fire, numbered along the crank from its free end",
    ),
    ("bank", "a row of cylinders; a V has two, and its bank angle lies between them"),
    ("family", "number of cylinders, arrangement and crankpins together"),
    ("RMS", "root mean square: a mean over a turn in which large values count more"),
    ("hypervolume", "how much of the space of objective values a front beats, 0 to 100 %"),
)


def glossary(run: Run) -> tuple[tuple[str, str], ...]:
    """Return the words of a report with their meanings, the objectives first."""
    metrics = [(METRICS[o.key].label, METRICS[o.key].meaning) for o in run.study.objectives]
    return (*metrics, *_WORDS)
