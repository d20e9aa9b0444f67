"""The plain-language reading of a layout, derived from its numbers by stated rules."""

from __future__ import annotations

from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from evaluate.reading import rules_crank as crank
from evaluate.reading import rules_firing as firing
from evaluate.reading import rules_remedy as remedy
from evaluate.reading import rules_shake as shake
from evaluate.reading.findings import Findings, Rule, Statement

#: All rules, in the order in which they speak; what weighs most comes first within a topic.
RULES: tuple[Rule, ...] = (
    firing.firing_single,
    firing.firing_even,
    firing.firing_uneven,
    firing.firing_together,
    firing.firing_even_possible,
    firing.firing_neighbours,
    firing.firing_banks,
    firing.exhaust_spacing,
    firing.exhaust_overlap,
    firing.exhaust_partition,
    firing.camshaft_drive,
    crank.crank_even_throws,
    crank.crank_opposed_pistons,
    crank.crank_mirror,
    crank.crank_one_plane,
    crank.crank_internal_couple,
    shake.shake_none,
    shake.shake_total,
    shake.force_first,
    shake.force_second,
    shake.force_taken,
    shake.force_higher,
    shake.force_balanced,
    shake.couple_first,
    shake.couple_second,
    shake.couple_taken,
    shake.couple_higher,
    shake.couple_balanced,
    shake.overbalance,
    shake.offset_path,
    remedy.remedy_nothing,
    remedy.remedy_best,
    remedy.remedy_smaller,
    remedy.remedy_given_shafts,
    remedy.remedy_useless_shaft,
    remedy.remedy_rolling_moment,
    remedy.remedy_unknown,
)
TOPICS = ("firing", "exhaust", "camshaft", "crank", "force", "couple", "remedy")

__all__ = ["RULES", "TOPICS", "Findings", "Statement", "reading"]


def reading(layout: Layout) -> tuple[Statement, ...]:
    """Return what the numbers of a layout say, in plain words.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout.read_layout`.

    Returns
    -------
    tuple of Statement
        By topic in the order of `TOPICS`, and within a topic in the order of `RULES`. Angles are
        in the direction of rotation, so that an anticlockwise engine reads like its mirror image.
    """
    seen = Findings(layout, Evaluation(layout.engine, layout.batch))
    statements = [statement for rule in RULES for statement in rule(seen)]
    return tuple(sorted(statements, key=lambda statement: TOPICS.index(statement.topic)))
