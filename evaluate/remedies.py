"""What would remedy the imbalance of one layout, and at what price: a ladder of its variants."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evaluate import inertia, shafts, sizing
from evaluate.batch import SLOTS, Batch
from evaluate.inertia import NOTHING_SHARE, scales
from evaluate.layout import Layout
from evaluate.metrics import METRICS, Evaluation

NO_COUNTERWEIGHTS = "no counterweights"
ROTATING = "rotating masses balanced"
HALF = "rotating and half the reciprocating masses balanced"
#: What each of `SLOTS` is in plain words.
SHAFT_NAMES = (
    "shaft at crank speed, against the crank",
    "shaft at twice crank speed, with the crank",
    "shaft at twice crank speed, against the crank",
)
PAIR = "pair of shafts at twice crank speed, contra-rotating"
#: Sets of more than one shaft, by the columns of `SLOTS`.
SET_NAMES = {
    (0, 1): "shaft at crank speed, against the crank, and one at twice crank speed, with it",
    (0, 2): "two shafts against the crank, at crank speed and at twice crank speed",
    (1, 2): PAIR,
    (0, 1, 2): "shaft at crank speed, against the crank, and a pair at twice crank speed",
}

_Fractions = tuple[float, float, tuple[float, float, float]]
_SCORED = (
    "force_rms_N",
    "force_peak_N",
    "couple_rms_Nm",
    "couple_peak_Nm",
    "internal_couple_Nm",
    "parts",
    "crank_train_mass_kg",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Remedy:
    """One rung of the ladder: what it balances, what it leaves and what it costs.

    Attributes
    ----------
    name : str
        In plain words.
    rotating_fraction, reciprocating_fraction : float
        Shares of the masses that counterweights balance. [-]
    shaft_fractions : tuple of float
        Share of each of `SLOTS` that a balance shaft takes. [-]
    is_given : bool
        True for the layout as its file has it.
    force_rms_N, force_peak_N, couple_rms_Nm, couple_peak_Nm, internal_couple_Nm : float
        What is left, as in the table of metrics. [N], [N m]
    parts, crank_train_mass_kg : float
        As in the table of metrics; the mass is NaN without a bore. [-], [kg]
    counterweight_kgm : float
        Counterweights of all throws together. [kg m]
    shaft_friction_W : float
        Bearing friction of all shafts; NaN without a bore where there is a shaft. [W]
    """

    name: str
    rotating_fraction: float
    reciprocating_fraction: float
    shaft_fractions: tuple[float, float, float]
    is_given: bool
    force_rms_N: float
    force_peak_N: float
    couple_rms_Nm: float
    couple_peak_Nm: float
    internal_couple_Nm: float
    parts: float
    crank_train_mass_kg: float
    counterweight_kgm: float
    shaft_friction_W: float

    @property
    def n_shafts(self) -> int:
        """Return the number of balance shafts."""
        return sum(fraction > 0 for fraction in self.shaft_fractions)


def slots_with_something(evaluation: Evaluation) -> tuple[bool, bool, bool]:
    """Return for each of `SLOTS` whether a shaft there has a force or a couple to take."""
    first, second, third = (
        _has_something(evaluation, slot.order, is_forward=slot.sense == "forward") for slot in SLOTS
    )
    return first, second, third


def has_forward_first_order(evaluation: Evaluation) -> bool:
    """Return whether reciprocating masses make a first order that turns with the crank."""
    return _has_something(evaluation, 1, is_forward=True)


def remedies(layout: Layout, evaluation: Evaluation | None = None) -> tuple[Remedy, ...]:
    """Return the ladder of remedies of one layout.

    The layout as given comes first; then no counterweights; the rotating masses balanced; half of
    the reciprocating masses as well, if they make a first order that turns with the crank; and on
    top of the last of these each shaft that has something to take, the second-order pair, and all
    of them. Rungs that change nothing are left out.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout.read_layout`.
    evaluation : Evaluation or None
        Of the layout, if the caller has it.

    Returns
    -------
    tuple of Remedy
        All scored in one batch; firing and exhaust are those of the layout.

    Notes
    -----
    Half of the reciprocating masses cancels the forward first order (one-half rule: T. Bevan, The
    Theory of Machines, ch. 14); what shafts can take is one slot each, see `evaluate.inertia`.
    """
    evaluation = evaluation or Evaluation(layout.engine, layout.batch)
    names, fractions = zip(*_rungs(layout, evaluation), strict=True)
    variants = Evaluation(layout.engine, _variants(layout.batch, fractions))
    columns = {key: METRICS[key].compute(variants) for key in _SCORED}
    friction_W = shafts.shaft_friction_W(layout.engine, variants.batch).sum(axis=1)
    per_cylinder_kgm = sizing.counterweight_kgm(layout.engine, variants.batch)
    return tuple(
        Remedy(
            name=name,
            rotating_fraction=rotating,
            reciprocating_fraction=reciprocating,
            shaft_fractions=of_shafts,
            is_given=row == 0,
            counterweight_kgm=float(per_cylinder_kgm[row]) * layout.engine.n_cylinders,
            shaft_friction_W=float(friction_W[row]),
            **{key: float(column[row]) for key, column in columns.items()},
        )
        for row, (name, (rotating, reciprocating, of_shafts)) in enumerate(
            zip(names, fractions, strict=True)
        )
    )


def without_repeats(ladder: tuple[Remedy, ...]) -> tuple[Remedy, ...]:
    """Return a ladder without rungs that are the layout as given, which then says what it is."""
    given, *others = ladder
    same = [rung for rung in others if _means(rung) == _means(given)]
    if not same:
        return ladder
    named = replace(given, name=f"{given.name}: {same[0].name}")
    return (named, *(rung for rung in others if rung not in same))


def _means(rung: Remedy) -> _Fractions:
    return rung.rotating_fraction, rung.reciprocating_fraction, rung.shaft_fractions


def set_name(columns: tuple[int, ...]) -> str:
    """Return the plain words for a set of shafts, given as columns of `SLOTS`."""
    return SHAFT_NAMES[columns[0]] if len(columns) == 1 else SET_NAMES[columns]


def _rungs(layout: Layout, evaluation: Evaluation) -> list[tuple[str, _Fractions]]:
    batch, none = layout.batch, (0.0, 0.0, 0.0)
    first, second, third = (float(share) for share in batch.shaft_fractions[0])
    given = float(batch.rotating_fraction[0]), float(batch.reciprocating_fraction[0])
    rungs: list[tuple[str, _Fractions]] = [
        ("as given", (*given, (first, second, third))),
        (NO_COUNTERWEIGHTS, (0.0, 0.0, none)),
    ]
    if _has_rotating(evaluation):
        rungs.append((ROTATING, (1.0, 0.0, none)))
    if has_forward_first_order(evaluation):
        rungs.append((HALF, (1.0, 0.5, none)))
    # Shafts come on top of the counterweights that the ladder ends in, or of those given: weights
    # that balance nothing outside still relieve the main bearings.
    is_given_best = rungs[-1][0] == NO_COUNTERWEIGHTS
    rotating, reciprocating = given if is_given_best else rungs[-1][1][:2]
    for columns in _shaft_sets(slots_with_something(evaluation)):
        taken = [float(column in columns) for column in range(len(SLOTS))]
        rungs.append((set_name(columns), (rotating, reciprocating, (taken[0], taken[1], taken[2]))))
    return rungs


def _shaft_sets(has_something: tuple[bool, ...]) -> list[tuple[int, ...]]:
    """Return sets of columns of `SLOTS`: each alone, the second-order pair, all."""
    full = tuple(column for column, has in enumerate(has_something) if has)
    sets: list[tuple[int, ...]] = [(column,) for column in full]
    if {1, 2} <= set(full):
        sets.append((1, 2))
    if len(full) > 1 and full not in sets:
        sets.append(full)
    return sets


def _variants(batch: Batch, fractions: tuple[_Fractions, ...]) -> Batch:
    """Return the layout once for each rung, with its counterweights and shafts."""
    n = len(fractions)
    arrays = {name: np.repeat(getattr(batch, name), n, axis=0) for name in Batch.__slots__}
    arrays["rotating_fraction"] = np.array([rotating for rotating, _, _ in fractions])
    arrays["reciprocating_fraction"] = np.array([share for _, share, _ in fractions])
    arrays["shaft_fractions"] = np.array([of_shafts for _, _, of_shafts in fractions])
    return Batch(**arrays)


def _has_rotating(evaluation: Evaluation) -> bool:
    """Return whether rotating masses make a force, a couple, or one that bends the crank."""
    engine, pins = evaluation.engine, evaluation.pins
    force, couple = inertia.pin_sums(engine, pins)
    bare = _variants(evaluation.batch, ((0.0, 0.0, (0.0, 0.0, 0.0)),))
    bending_Nm = float(inertia.internal_couple(engine, bare, pins)[0])
    least_N, least_Nm = (NOTHING_SHARE * scale for scale in scales(engine))
    mass_kg = engine.rotating_mass_kg
    makes = mass_kg * abs(force[0]) > least_N or mass_kg * abs(couple[0]) > least_Nm
    return bool(makes or (mass_kg > 0 and bending_Nm > least_Nm))


def _has_something(evaluation: Evaluation, order: int, *, is_forward: bool) -> bool:
    before = evaluation.reciprocating
    row = before.force.orders.index(order)
    return any(
        abs((rotors.forward if is_forward else rotors.backward)[row, 0]) > NOTHING_SHARE * scale
        for rotors, scale in zip(
            (before.force, before.couple), scales(evaluation.engine), strict=True
        )
    )
