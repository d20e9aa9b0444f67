"""What can be said of a layout against the fronts of a run, as plain data."""

from __future__ import annotations

from dataclasses import dataclass

from evaluate.notebook import table_html
from optimize.limits import Breach

#: What `Standing.place` can be, and what it means.
PLACES = {
    "member": "it is a design of this front",
    "equal": "a design of this front has the same rounded values and stands for it",
    "dominated": "a design of this front is as good in everything and better in something",
    "undominated": "nothing on this front is better: it would stand on it",
    "unknown": "one of its objectives cannot be known",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Gap:
    """One objective of the layout beside that of a design of the front, both rounded.

    Rounded values are whole steps, rounded up: a difference of one step may be next to nothing.

    Attributes
    ----------
    metric, label, unit : str
        Key of the metric, its short name, its unit.
    sense : str
        "least" or "most": what is better.
    layout, design : float
        Values rounded to the study's resolution. [unit]
    gain : float
        By how much the design is better; negative where the layout is. [unit]
    exact_gain : float
        The same of the values before they were rounded. [unit]
    step : float
        Resolution to whose multiples values are rounded up. [unit]
    """

    metric: str
    label: str
    unit: str
    sense: str
    layout: float
    design: float
    gain: float
    exact_gain: float
    step: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One thing in which two engines differ, in words.

    Attributes
    ----------
    what : str
        Such as "bank angle", "throw 3", "firing order", "balance shafts".
    layout, other : str
        What the layout has, and what the other has: a design, or the study's givens.
    """

    what: str
    layout: str
    other: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Member:
    """A design of a front beside the layout.

    Attributes
    ----------
    design, family : str
        Its name, such as "D3", and its family.
    is_on_front : bool
        Whether it stands on the common front, not only on its family's own.
    is_same_family : bool
        Whether the layout is of that family.
    gaps : tuple of Gap
        Every objective, in the study's order.
    changes : tuple of Change
        What would have to be changed in the layout to make it this design.
    """

    design: str
    family: str
    is_on_front: bool
    is_same_family: bool
    gaps: tuple[Gap, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Between:
    """The neighbours of the layout in one objective: the next better and the next worse design."""

    metric: str
    better: Member | None
    worse: Member | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """Where the layout stands among the designs of one front, whether it keeps the limits or not.

    Attributes
    ----------
    front : str
        "common", or the name of the family whose own front it is.
    size : int
        Designs on that front.
    place : str
        One of `PLACES`.
    member : str or None
        Name of the design that the layout is (turned, mirrored or numbered otherwise).
    equals : tuple of str
        Designs with the same rounded values.
    n_dominating, n_dominated : int
        How many designs of the front dominate it, and how many it dominates.
    dominated_by, dominates : tuple of Member
        The first dozen of them: those better (or worse) in most objectives first. The very first of
        `dominated_by` is also the one that `family_fronts.parquet` names.
    between : tuple of Between
        Its neighbours in each objective, where it is not dominated.
    nearest : tuple of Member
        Nearest designs in objectives over the span of the front, those of its family first.
    alone : dict
        Rounded value that one objective alone would have to reach for nothing to dominate the
        layout any more, by the key of its metric; None where no value of it would do. Empty where
        nothing dominates it. [units of the metrics]
    together : dict or None
        The values to reach with the least change in all objectives together, over the spans of the
        front; objectives that may stay are left out. None where none is needed, or none found.
    """

    front: str
    size: int
    place: str
    member: str | None
    equals: tuple[str, ...]
    n_dominating: int
    n_dominated: int
    dominated_by: tuple[Member, ...]
    dominates: tuple[Member, ...]
    between: tuple[Between, ...]
    nearest: tuple[Member, ...]
    alone: dict[str, float | None]
    together: dict[str, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Judgement:
    """The layout under one set of givens.

    Attributes
    ----------
    givens : str
        "study": displacement, speed and proportions of the study, as a design of its family;
        "file": everything as the layout file has it.
    family : str or None
        Family that it would belong to; None where it is of no kind that studies know.
    is_searched : bool
        Whether the study's space has that family.
    changed_givens : tuple of Change
        What was changed to bring it to the study's givens.
    notes : tuple of str
        What else was changed, or could not be, as sentences.
    outside_space : tuple of str
        In which ways it lies outside the space that was searched; empty where it lies inside.
    values, rounded : dict
        Objectives by the key of the metric, exact and rounded; NaN where unknown. [units]
    breaches : tuple of Breach
        Limits that it does not keep.
    common : Standing
        Among the designs of the common front.
    own_family : Standing or None
        Among those of its family's own front; None where the run has none.
    """

    givens: str
    family: str | None
    is_searched: bool
    changed_givens: tuple[Change, ...]
    notes: tuple[str, ...]
    outside_space: tuple[str, ...]
    values: dict[str, float]
    rounded: dict[str, float]
    breaches: tuple[Breach, ...]
    common: Standing
    own_family: Standing | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """Why a layout is not on the front of a run, or where on it it stands.

    Attributes
    ----------
    layout : str
        Its name.
    study : str
        Name of the study of the run.
    judgement : Judgement
        What the answer rests on.
    as_filed : Judgement or None
        The same with everything as the layout file has it, where `judgement` is at the study's
        givens.
    sentences : tuple of str
        The answer in plain language, the verdict first.
    """

    layout: str
    study: str
    judgement: Judgement
    as_filed: Judgement | None
    sentences: tuple[str, ...]

    def _repr_html_(self) -> str:
        """Return the answer as a table of its sentences, for notebooks."""
        rows = [(str(n), sentence) for n, sentence in enumerate(self.sentences, start=1)]
        return table_html(f"{self.layout} against the front of {self.study}", rows)
