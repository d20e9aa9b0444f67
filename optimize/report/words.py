"""Designs in plain language: what they are, what they are good at and what that costs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from evaluate.batch import FloatArray
from evaluate.metrics import METRICS
from evaluate.sizing import PINS
from optimize.robust import objective_column
from optimize.sheets import NO_BREAK, THIN_SPACE, arrangement_text, number_text
from optimize.study import Objective, Study

#: Of the span between best and worst on the front: up to here a value is a strength, from there
#: on a price. Rules of this report, no standard.
GOOD_SHARE, DEAR_SHARE = 0.1, 0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """One objective of one design: how good it is among the designs of the front.

    Attributes
    ----------
    objective : Objective
        Which.
    value, best : float
        As it counts, and the best of the front. [unit of the metric]
    share : float
        Rounded value between best (0) and worst (1) of the front.
    is_best, is_worst : bool
        Whether no design is better, or none worse, when rounded.
    n_best : int
        How many designs share the best rounded value.
    """

    objective: Objective
    value: float
    best: float
    share: float
    is_best: bool
    is_worst: bool
    n_best: int


def judged(front: pd.DataFrame, scaled: FloatArray, study: Study, place: int) -> list[Judged]:
    """Return how a design does in every objective in which the designs of the front differ.

    Parameters
    ----------
    front : DataFrame
        The common front.
    scaled : array, shape (designs, objectives)
        From `optimize.shortlist.scaled_objectives`.
    study : Study
        Names the objectives.
    place : int
        Row of the design.
    """
    found = []
    for column, objective in enumerate(study.objectives):
        shares = scaled[:, column]
        if np.ptp(shares) == 0:
            continue
        share = float(shares[place])
        values = front[objective_column(front, objective)].to_numpy(float)
        found.append(
            Judged(
                objective=objective,
                value=float(values[place]),
                best=float(values.min() if objective.sign > 0 else values.max()),
                share=share,
                is_best=share == 0.0,
                is_worst=share == 1.0,
                n_best=int((shares == 0).sum()),
            )
        )
    return found


def strengths(found: Sequence[Judged]) -> tuple[str, ...]:
    """Return what a design is good at, the best first."""
    good = sorted((one for one in found if one.share <= GOOD_SHARE), key=lambda one: one.share)
    return tuple(_strength(one) for one in good)


def _strength(one: Judged) -> str:
    said = _said(one)
    if not one.is_best:
        return f"{said} (near the best)"
    return f"{said} (the best of all)" if one.n_best == 1 else f"{said} (none is better)"


def prices(found: Sequence[Judged]) -> tuple[str, ...]:
    """Return what a design costs, the dearest first; at least its weakest objective."""
    ranked = sorted(found, key=lambda one: -one.share)
    dear = [one for one in ranked if one.share >= DEAR_SHARE] or [
        one for one in ranked[:1] if one.share > 0
    ]
    return tuple(_price(one) for one in dear)


def _price(one: Judged) -> str:
    beside = "the worst of all, best" if one.is_worst else "best"
    return f"{_said(one)} ({beside} {amount_text(one.objective.key, one.best)})"


def _said(one: Judged) -> str:
    key = one.objective.key
    return f"{METRICS[key].label} {amount_text(key, one.value)}"


def amount_text(key: str, value: float) -> str:
    """Return a metric's value with its unit."""
    unit = METRICS[key].unit
    return f"{number_text(value)}{NO_BREAK}{unit}" if unit else number_text(value)


def design_words(row: pd.Series) -> str:
    """Return what kind of engine a design is, such as "6 cylinders in a V of 120°"."""
    half = 0.5 * float(row["bank_angle_deg"])
    banks = [0.0] if row["arrangement"] == "in-line" else [-half, half]
    return arrangement_text(banks, int(row["cylinders"]))


def kind_words(row: pd.Series) -> str:
    """Return what a design is with its shafts: "3 cylinders in line, one balance shaft"."""
    return f"{design_words(row)}, {shafts_words(row)}"


def shafts_words(row: pd.Series) -> str:
    """Return how many balance shafts a design has, in words."""
    shafts = row["shafts"]
    count = shafts.count("+") + 1 if shafts != "none" else 0
    return {0: "no balance shaft", 1: "one balance shaft"}.get(count, f"{count} balance shafts")


def pins_words(row: pd.Series) -> str:
    """Return how the cylinders of two banks meet the crank; empty in line."""
    return PINS[row["pins"]] if row["pins"] else ""


def balance_words(row: pd.Series) -> str:
    """Return counterweights and shafts in a few words."""
    shafts = row["shafts"]
    text = shafts_words(row)
    if shafts != "none":
        text += f" (order {shafts.replace(' + ', ', order ')})"
    share = number_text(100 * float(row["reciprocating_fraction"]))
    return (
        f"{text}; counterweights for the rotating and {share}{NO_BREAK}% of the reciprocating mass"
    )


def difference_text(objective: Objective, value: float, other: float) -> str | None:
    """Return how a value differs from another, in words; None where less than matters.

    Examples
    --------
    >>> difference_text(Objective(key="parts", resolution=1.0), 17.0, 19.0)
    'parts index lower by 2'
    """
    metric = METRICS[objective.key]
    gap = value - other
    if not np.isfinite(gap) or abs(gap) < 0.5 * objective.resolution:
        return None
    word = "lower" if gap < 0 else "higher"
    return f"{metric.label} {word} by {amount_text(objective.key, abs(gap))}"


def spaced(text: str) -> str:
    """Return a text with the thousands of its numbers set apart as everywhere in the report.

    Examples
    --------
    >>> spaced("1,450 N less, 2 more").replace(THIN_SPACE, "_")
    '1_450 N less, 2 more'
    """
    return re.sub(r"(?<=\d),(?=\d{3}(?!\d))", THIN_SPACE, text)


def listed(texts: Sequence[str], last: str = "and") -> str:
    """Return texts as a list in a sentence."""
    if len(texts) < 2:
        return "".join(texts)
    return f"{', '.join(texts[:-1])} {last} {texts[-1]}"
