"""In what studies differ, in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

from evaluate.batch import SLOTS
from evaluate.proportions import Proportions
from evaluate.tolerance_results import limits_text
from evaluate.units import rpm_from_rad_s
from optimize.robust import objective_heading
from optimize.study import Choice, Study

#: What is given to every design: where studies differ in it, values are of different engines.
GIVENS = (
    "cycle",
    "displacement",
    "stroke over bore",
    "crank radius over rod length",
    "speed",
    "proportions",
    "gas, flywheel and torsion",
    "tolerances",
    "exhaust opening",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """One thing in which the studies of several runs differ.

    Attributes
    ----------
    what : str
        Such as "displacement" or "throw-angle step".
    values : tuple of str
        Of each study, in words.
    """

    what: str
    values: tuple[str, ...]


def study_differences(studies: Sequence[Study]) -> list[Difference]:
    """Return in what studies differ: givens, space, limits, objectives, budget.

    Parameters
    ----------
    studies : sequence of Study
        Two or more.

    Returns
    -------
    list of Difference
        In the order of a study file; names and questions are not compared.
    """
    found = []
    for what, words in _WORDS.items():
        values = tuple(words(study) for study in studies)
        if len(set(values)) > 1:
            found.append(Difference(what=what, values=values))
    return found


def study_words(study: Study) -> dict[str, str]:
    """Return givens, space, limits, objectives and budget of a study in words."""
    return {what: words(study) for what, words in _WORDS.items()}


def _speed(study: Study) -> str:
    if study.speed_rad_s is not None:
        return f"{rpm_from_rad_s(study.speed_rad_s):.6g} rpm"
    return f"mean piston speed {study.mean_piston_speed_m_s:.6g} m/s"


def _proportions(study: Study) -> str:
    usual = Proportions()
    changed = [
        f"{item.name} {getattr(study.proportions, item.name):g}"
        for item in fields(Proportions)
        if getattr(study.proportions, item.name) != getattr(usual, item.name)
    ]
    return ", ".join(changed) or "the usual ones"


def _duty(study: Study) -> str:
    tables = [
        f"[{name}] " + ", ".join(f"{key} {value}" for key, value in sorted(table.items()))
        for name, table in sorted(study.duty_tables.items())
    ]
    return "; ".join(tables) or "the usual ones"


def _tolerances(study: Study) -> str:
    if study.tolerances is None:
        return "none"
    t = study.tolerances
    return f"{limits_text(t.limits)}; {t.samples} samples, seed {t.seed}"


def _choice(choice: Choice) -> str:
    if choice.is_range:
        return f"{choice.low:g} to {choice.high:g}"
    return ", ".join(f"{value:g}" for value in choice.values)


def _shafts(study: Study) -> str:
    slots = sorted({column for subset in study.shaft_subsets for column in subset})
    if not slots:
        return "none"
    most = max(len(subset) for subset in study.shaft_subsets)
    return f"at most {most} of {', '.join(SLOTS[column].name for column in slots)}"


def _bounds(study: Study) -> str:
    words = [
        f"{bound.key} {'at most' if bound.sign > 0 else 'at least'} {bound.limit:g}"
        for bound in study.bounds
    ]
    return ", ".join(words) or "none"


def _objectives(study: Study) -> str:
    return ", ".join(f"{objective_heading(o)} to {o.resolution:g}" for o in study.objectives)


def _interval(study: Study) -> str:
    factor = study.largest_interval_factor
    return "no limit" if factor is None else f"{factor:g} x cycle/N"


def _yes(flag: bool) -> str:
    return "yes" if flag else "no"


_WORDS: dict[str, Callable[[Study], str]] = {
    "seed": lambda s: str(s.seed),
    "cycle": lambda s: f"{s.cycle_deg / 180:g}-stroke",
    "displacement": lambda s: f"{s.displacement_m3 * 1e6:.6g} cm³",
    "stroke over bore": lambda s: f"{s.stroke_to_bore:g}",
    "crank radius over rod length": lambda s: f"{s.crank_radius_to_rod:g}",
    "speed": _speed,
    "proportions": _proportions,
    "gas, flywheel and torsion": _duty,
    "tolerances": _tolerances,
    "cylinders": lambda s: ", ".join(str(n) for n in s.cylinders),
    "arrangements": lambda s: ", ".join(s.arrangements),
    "pins": lambda s: ", ".join(s.pins),
    "bank angles [deg]": lambda s: _choice(s.bank_angle_deg),
    "throw-angle step": lambda s: (
        f"{s.throw_angle_step_deg:g} deg" if s.throw_angle_step_deg else "any angle"
    ),
    "even-firing angles added": lambda s: _yes(s.add_even_firing_angles),
    "reciprocating fraction": lambda s: _choice(s.reciprocating_fraction),
    "rotating fraction": lambda s: f"{s.rotating_fraction:g}",
    "balance shafts": _shafts,
    "even firing only": lambda s: _yes(s.even_firing),
    "mirror-symmetric cranks only": lambda s: _yes(s.mirror_symmetric),
    "largest firing interval": _interval,
    "largest splay": lambda s: f"{s.splay_limit_deg:g} deg",
    "limits": _bounds,
    "objectives and resolutions": _objectives,
    "exhaust collectors": lambda s: str(s.collectors),
    "exhaust opening": lambda s: f"{s.open_duration_deg:g} deg",
    "population": lambda s: str(s.population),
    "evaluations": lambda s: str(s.evaluations),
    "repetitions": lambda s: str(s.seeds),
}
