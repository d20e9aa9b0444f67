"""Rules of a reading about remedies: what would take what is left, and at what price."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from evaluate import inertia
from evaluate.inertia import NOTHING_SHARE, scales
from evaluate.reading.findings import SHAPE_SHARE, Findings, Statement
from evaluate.reading.words import percent, quantity
from evaluate.remedies import SHAFT_NAMES, Remedy
from evaluate.units import mm_from_m

#: Remedies within this share of the unbalanced engine's burden are equally good.
EQUAL_SHARE = 0.01
#: A smaller remedy is worth a word when it leaves at most this share of the burden.
SMALLER_LEAVES_SHARE = 2 / 3


def remedy_nothing(seen: Findings) -> list[Statement]:
    """Speak when nothing of the first and second order is left."""
    if _classic_left(seen):
        return []
    raw = [part for part in seen.force[:2] + seen.couple[:2] if part.before_peak > part.tolerance]
    shafts = [i for i, share in enumerate(seen.shaft_fractions) if share > 0]
    text = "Nothing is left of first and second order: there is nothing to remedy."
    if raw and shafts:
        text = (
            "Counterweights and balance shafts leave nothing of first and second order to remedy."
        )
    elif raw:
        text = "Counterweights leave nothing of first and second order: no shaft is needed."
    return [Statement("remedy", text, "remedy_nothing")]


def remedy_best(seen: Findings) -> list[Statement]:
    """Speak of the best rung of the ladder, next to the layout as given.

    The burden of a rung is its RMS force and RMS couple, the couple as a force at the length over
    the cylinders or of a rod, whichever is larger, added as squares. Rungs within 1 % of the
    unbalanced engine's burden are equal; of equals the one with fewest parts, then least mass of
    counterweights, is best. Silent when nothing of orders 1 and 2 is left.
    """
    if not _classic_left(seen):
        return []
    given, best = seen.remedies[0], _best(seen)
    if best.is_given:
        text = "Of the remedies tried, none leaves less than the layout as given"
        text += " but for traces." if _least_burden(seen) < _burden(seen, given) else "."
    else:
        text = f"Least is left with {_rung(given, best)}: {_gain(seen, given, best)}."
    return [Statement("remedy", text, "remedy_best")]


def remedy_smaller(seen: Findings) -> list[Statement]:
    """Speak of the best rung with fewer shafts than the best one, if it still takes a third."""
    if not _classic_left(seen):
        return []
    given, best = seen.remedies[0], _best(seen)
    cheaper = [rung for rung in seen.remedies if rung.n_shafts < best.n_shafts]
    if not cheaper:
        return []
    rung = _best(seen, cheaper)
    if rung.is_given or _burden(seen, rung) > SMALLER_LEAVES_SHARE * _burden(seen, given):
        return []
    text = f"Much is gained with {_rung(given, rung)}: {_gain(seen, given, rung)}."
    return [Statement("remedy", text, "remedy_smaller")]


def remedy_given_shafts(seen: Findings) -> list[Statement]:
    """Speak of each given shaft that has something to take, and of what it achieves."""
    statements = []
    for column, share in enumerate(seen.shaft_fractions):
        if not share or not _slot_has_something(seen, column):
            continue
        clauses = []
        for kind, rotors, scale in _kinds(seen):
            raw = abs(seen.slot(kind, column))
            if raw <= NOTHING_SHARE * scale:
                continue
            unit = "N" if kind == "force" else "N·m"
            left = float(rotors.rms()[0])
            without = math.sqrt(left**2 + raw**2 * (1 - (1 - share) ** 2))
            clauses.append(
                f"the RMS {kind} from {quantity(without, unit)} to {_small(left, scale, unit)}"
            )
        partly = "" if share == 1 else f"takes {percent(share)} of its part and "
        text = f"The given {SHAFT_NAMES[column]}, {partly}lowers {' and '.join(clauses)}."
        statements.append(Statement("remedy", text, "remedy_given_shafts"))
    return statements


def remedy_useless_shaft(seen: Findings) -> list[Statement]:
    """Speak of each given shaft that has nothing to take."""
    return [
        Statement(
            "remedy",
            f"The given {SHAFT_NAMES[column]}, has nothing to take: leave it out.",
            "remedy_useless_shaft",
        )
        for column, share in enumerate(seen.shaft_fractions)
        if share and not _slot_has_something(seen, column)
    ]


def remedy_rolling_moment(seen: Findings) -> list[Statement]:
    """Speak of the rolling moment that a given second-order pair changes by its height."""
    pair = seen.second_order_pair
    if pair is None or not pair.pair_moment_N:
        return []
    height_mm = mm_from_m(pair.height_difference_m)
    place = f"{quantity(abs(height_mm), 'mm')} {'above' if height_mm > 0 else 'below'}"
    least = pair.least_rolling_moment_Nm
    left = "nothing" if least < 1e-6 * pair.rolling_moment_Nm else quantity(least, "N·m")
    text = (
        f"With the forward shaft of the pair {place} the backward one, the second-order rolling "
        f"moment of the inertia forces falls from {quantity(pair.rolling_moment_Nm, 'N·m')} peak "
        f"to {left}; level shafts leave it. Gas torque is not in it."
    )
    return [Statement("remedy", text, "remedy_rolling_moment")]


def remedy_unknown(seen: Findings) -> list[Statement]:
    """Speak of what stays unknown without a bore."""
    if not math.isnan(seen.layout.engine.bore_m):
        return []
    text = (
        "Without a bore, the engine's size, the mass of its crank train and the mass and friction "
        "of balance shafts are unknown."
    )
    return [Statement("remedy", text, "remedy_unknown")]


def _gain(seen: Findings, given: Remedy, then: Remedy) -> str:
    """Return what a rung gains over the layout as given, and its price."""
    force_N, couple_Nm = scales(seen.layout.engine)
    changes = []
    for kind, unit, scale, before, after in (
        ("force", "N", force_N, given.force_rms_N, then.force_rms_N),
        ("couple", "N·m", couple_Nm, given.couple_rms_Nm, then.couple_rms_Nm),
    ):
        if abs(before - after) > SHAPE_SHARE * max(before, after) and max(before, after) > (
            NOTHING_SHARE * scale
        ):
            changes.append(
                f"RMS {kind} from {_small(before, scale, unit)} to {_small(after, scale, unit)}"
            )
    return f"{', '.join(changes)}; price: {_price(given, then)}"


def _price(given: Remedy, then: Remedy) -> str:
    """Return what a rung costs more or less than the layout as given."""
    items = []
    for name, unit, before, after in (
        ("parts index", "", given.parts, then.parts),
        ("crank train", "kg", given.crank_train_mass_kg, then.crank_train_mass_kg),
        ("shaft friction", "W", given.shaft_friction_W, then.shaft_friction_W),
    ):
        change = after - before
        if not math.isnan(change) and abs(change) > 1e-6 * abs(before):
            size = f"{abs(change):.3g}" if not unit else quantity(abs(change), unit, digits=2)
            items.append(f"{name} {'+' if change > 0 else '-'}{size}")
    return ", ".join(items) if items else "none"


def _small(value: float, scale: float, unit: str) -> str:
    return "nothing" if value <= NOTHING_SHARE * scale else quantity(value, unit)


def _rung(given: Remedy, rung: Remedy) -> str:
    """Return the name of a rung, with its counterweights where they differ from the given."""
    name = f"a {rung.name}" if rung.name.startswith(("shaft", "pair")) else rung.name
    same = (rung.rotating_fraction, rung.reciprocating_fraction) == (
        given.rotating_fraction,
        given.reciprocating_fraction,
    )
    if same or not rung.n_shafts:
        return name
    weights = "all rotating and half the reciprocating masses"
    if not rung.reciprocating_fraction:
        weights = "all rotating masses" if rung.rotating_fraction else "nothing"
    return f"{name}, and counterweights for {weights}"


def _classic_left(seen: Findings) -> bool:
    return any(not part.is_zero for part in seen.force[:2] + seen.couple[:2])


def _burden(seen: Findings, rung: Remedy) -> float:
    engine = seen.layout.engine
    arm_m = max(float(np.ptp(engine.positions_m)), engine.rod_length_m)
    return math.hypot(rung.force_rms_N, rung.couple_rms_Nm / arm_m)


def _least_burden(seen: Findings) -> float:
    return min(_burden(seen, rung) for rung in seen.remedies)


def _best(seen: Findings, rungs: Sequence[Remedy] = ()) -> Remedy:
    tried = rungs or seen.remedies
    bare = max(_burden(seen, rung) for rung in seen.remedies)
    least = min(_burden(seen, rung) for rung in tried)
    equal = [rung for rung in tried if _burden(seen, rung) <= least + EQUAL_SHARE * bare]
    return min(equal, key=lambda rung: (rung.parts, round(rung.counterweight_kgm, 9)))


def _slot_has_something(seen: Findings, column: int) -> bool:
    return any(
        abs(seen.slot(kind, column)) > NOTHING_SHARE * scale for kind, _, scale in _kinds(seen)
    )


def _kinds(seen: Findings) -> list[tuple[str, inertia.Rotors, float]]:
    residual = seen.evaluation.residual
    force_N, couple_Nm = scales(seen.layout.engine)
    return [("force", residual.force, force_N), ("couple", residual.couple, couple_Nm)]
