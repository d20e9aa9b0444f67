"""Rules of a reading about the free force and couple: what is left, how it moves, what takes it."""

from __future__ import annotations

from collections.abc import Sequence

from evaluate import inertia
from evaluate.inertia import NOTHING_SHARE
from evaluate.reading.findings import SHAPE_SHARE, Findings, Part, Statement
from evaluate.reading.words import (
    ORDINALS,
    capital,
    couple_plane,
    force_line,
    listed,
    orders_text,
    percent,
    quantity,
    speed_text,
)

SAME_DEG = 1e-6
SAME_M = 1e-6  # a thousandth of a millimetre
NEAR_DEG = 0.05  # directions are quoted to a tenth
#: Higher orders below this share of what all masses could make are next to nothing.
SLIGHT_SHARE = 1e-3


def shake_none(seen: Findings) -> list[Statement]:
    """Speak when no free force and no free couple is left at any order."""
    if not all(part.is_zero for part in seen.force + seen.couple):
        return []
    text = f"Neither force nor couple is left at {_all_orders(seen)}."
    return [Statement("force", text, "shake_none")]


def shake_total(seen: Findings) -> list[Statement]:
    """Speak of all orders together, with the speed that they hold for, when anything is left."""
    residual = seen.evaluation.residual
    clauses = []
    for parts, rotors in ((seen.force, residual.force), (seen.couple, residual.couple)):
        if not all(part.is_zero for part in parts):
            rms, peak = float(rotors.rms()[0]), float(rotors.peak()[0])
            kind, unit = parts[0].kind, parts[0].unit
            clauses.append(
                f"a free {kind} of {quantity(rms, unit)} RMS ({quantity(peak, unit)} peak)"
            )
    if not clauses:
        return []
    is_assumed = any(sentence.startswith("no speed") for sentence in seen.layout.assumed)
    assumed = " (no speed in the file)" if is_assumed else ""
    growth = "it grows" if len(clauses) == 1 else "both grow"
    text = (
        f"Left at {seen.speed_rpm:.0f} rpm{assumed}, all orders together: "
        f"{' and '.join(clauses)}; {growth} with the square of the speed."
    )
    return [Statement("force", text, "shake_total")]


def force_balanced(seen: Findings) -> list[Statement]:
    """Speak of the orders at which no free force is left, if any; silent when none is at any."""
    return _balanced(seen, seen.force)


def couple_balanced(seen: Findings) -> list[Statement]:
    """Speak of the orders at which no free couple is left, if any; silent when none is at any."""
    return _balanced(seen, seen.couple)


def force_first(seen: Findings) -> list[Statement]:
    """Speak of a first-order force that is left: size, motion, and what can remove it."""
    return _left(seen, seen.force[0])


def couple_first(seen: Findings) -> list[Statement]:
    """Speak of a first-order couple that is left: size, motion, and what can remove it."""
    return _left(seen, seen.couple[0])


def force_second(seen: Findings) -> list[Statement]:
    """Speak of a second-order force that is left: size, motion, and what can remove it."""
    return _left(seen, seen.force[1])


def couple_second(seen: Findings) -> list[Statement]:
    """Speak of a second-order couple that is left: size, motion, and what can remove it."""
    return _left(seen, seen.couple[1])


def force_higher(seen: Findings) -> list[Statement]:
    """Speak of free force at orders above the second, which no shaft in use reaches."""
    return _higher(seen.force)


def couple_higher(seen: Findings) -> list[Statement]:
    """Speak of free couple at orders above the second, which no shaft in use reaches."""
    return _higher(seen.couple)


def force_taken(seen: Findings) -> list[Statement]:
    """Speak of first and second-order force that counterweights and shafts take wholly."""
    return _taken(seen.force)


def couple_taken(seen: Findings) -> list[Statement]:
    """Speak of first and second-order couple that counterweights and shafts take wholly."""
    return _taken(seen.couple)


def overbalance(seen: Findings) -> list[Statement]:
    """Speak when counterweights turn the forward first order of the reciprocating masses round.

    Then they take more than the half that turns with the crank, and trade one direction for
    another.
    """
    statements = []
    for part in (seen.force[0], seen.couple[0]):
        ahead = part.reciprocating[0]
        rest = _offset_rest(seen, part.kind)
        weights = part.forward - rest
        if abs(ahead) <= part.tolerance or abs(weights) <= part.tolerance:
            continue
        if (weights / ahead).real > 0:
            continue
        half, now = quantity(abs(part.backward), part.unit), quantity(part.peak, part.unit)
        if abs(rest) > part.tolerance:
            text = (
                "Counterweights exceed half the reciprocating masses: they leave a first-order "
                f"{part.kind} of their own, turning with the crank."
            )
        elif abs(part.backward) <= part.tolerance:
            text = (
                f"Counterweights exceed half the reciprocating masses: they leave {now} of "
                f"first-order {part.kind} of their own, turning with the crank."
            )
        else:
            least = quantity(part.least, part.unit)
            text = (
                "Counterweights exceed half the reciprocating masses: the first-order "
                f"{part.kind}, {half} all round at one half, becomes {least} in the direction in "
                f"which the pistons make most of it and {now} across."
            )
        statements.append(Statement(part.kind, text, "overbalance"))
    return statements


def offset_path(seen: Findings) -> list[Statement]:
    """Speak when an offset pin path leaves a forward first order that no one-half rule cancels.

    Half the reciprocating masses as counterweights leave m r omega^2 (C_1 - 1) / 2 of each
    cylinder. Silent when that cancels between the cylinders, and where it is all that is left of
    the forward part, which the rules for the first order then say.
    """
    clauses, kinds = [], []
    for part in (seen.force[0], seen.couple[0]):
        rest = _offset_rest(seen, part.kind)
        left = abs(rest)
        if left > part.tolerance and abs(part.forward - rest) > part.tolerance:
            clauses.append(f"{quantity(left, part.unit)} of {part.kind}")
            kinds.append(part.kind)
    if not clauses:
        return []
    text = (
        f"The offset pin path adds {listed(clauses)} of first order, turning with the crank, that "
        "counterweights for half the reciprocating masses do not cancel."
    )
    return [Statement(kinds[0], text, "offset_path")]


def _all_orders(seen: Findings) -> str:
    return orders_text([part.order for part in seen.force])


def _balanced(seen: Findings, parts: Sequence[Part]) -> list[Statement]:
    orders = [part.order for part in parts if part.is_zero]
    everything = all(part.is_zero for part in seen.force + seen.couple)
    if not orders or everything:
        return []
    kind = parts[0].kind
    if len(orders) == len(parts):
        text = f"No free {kind} is left: {orders_text(orders)} are balanced."
    else:
        are = "is" if len(orders) == 1 else "are"
        text = f"{capital(kind)}s of {orders_text(orders)} {are} balanced."
        if len(orders) == 1:
            text = f"The {kind} of {orders_text(orders)} is balanced."
    return [Statement(kind, text, f"{kind}_balanced")]


def _left(seen: Findings, part: Part) -> list[Statement]:
    if part.is_zero:
        return []
    rule = f"{part.kind}_{ORDINALS[part.order]}"
    name = f"{ORDINALS[part.order]}-order {part.kind}"
    if part.is_trace:
        text = f"Only a trace of {name} is left, {quantity(part.peak, part.unit)} peak."
        return [Statement(part.kind, text, rule)]
    share = ""
    if part.before_peak > part.peak * (1 + SHAPE_SHARE):
        share = f", {percent(part.peak / part.before_peak)} of what it is without balancing"
    about = f" about {_reference(seen)}" if _needs_reference(seen, part) else ""
    text = f"A {name} is left{about}: {_motion(seen, part)}{share}. {_cure(seen, part)}"
    return [Statement(part.kind, text, rule)]


def _needs_reference(seen: Findings, part: Part) -> bool:
    """Return whether a couple depends on its point, for a force of its order is left too."""
    forces = [force for force in seen.force if force.order == part.order]
    return part.kind == "couple" and not forces[0].is_zero


def _reference(seen: Findings) -> str:
    return seen.layout.origin


def _motion(seen: Findings, part: Part) -> str:
    """Return size and motion of an order: a circle, a line, or an ellipse."""
    speed = speed_text(part.order)
    if part.shape in ("with", "against"):
        return (
            f"{quantity(part.peak, part.unit)} of constant size, turning {part.shape} the crank "
            f"at {speed}"
        )
    line = force_line if part.kind == "force" else couple_plane
    where = line(part.direction_deg)
    if part.kind == "force":
        where += _relative(seen, part.direction_deg)
    peak = f"{quantity(part.peak, part.unit)} peak"
    if part.shape == "line":
        return f"{peak}, swinging {where}{',' if ',' in where else ''} at {speed}"
    sense = "with" if abs(part.forward) > abs(part.backward) else "against"
    return (
        f"{peak} {where}, and {quantity(part.least, part.unit)} across that, running round "
        f"{sense} the crank at {speed}"
    )


def _relative(seen: Findings, direction_deg: float) -> str:
    """Return how a direction lies to the cylinders, where it is along or across them."""
    axes_deg = seen.layout.batch.bank_angles_deg[0]
    middle_deg, middle = float(axes_deg[0]), "the cylinders"
    if len(axes_deg) == 2 and abs((axes_deg[1] - axes_deg[0]) % 180) > SAME_DEG:
        middle_deg, middle = float(axes_deg.mean()), "the bisector of the banks"
    elif len(axes_deg) > 2:
        return ""
    apart_deg = (direction_deg - middle_deg) % 180
    if min(apart_deg, 180 - apart_deg) < NEAR_DEG:
        return f", along {middle}"
    return f", across {middle}" if abs(apart_deg - 90) < NEAR_DEG else ""


def _cure(seen: Findings, part: Part) -> str:
    """Return what can remove an order, from which of its parts turn which way."""
    ahead, against = quantity(abs(part.forward), part.unit), quantity(abs(part.backward), part.unit)
    if part.order == 1:
        rest = _offset_rest(seen, part.kind)
        is_offset = abs(rest) > part.tolerance >= abs(part.forward - rest)
        if part.shape == "with" and is_offset:
            return (
                "It comes from the offset pin path; counterweights for half the reciprocating "
                "masses do not cancel it."
            )
        if part.shape == "with":
            return (
                "It turns with the crank, so counterweights can remove it (for all rotating and "
                "half the reciprocating masses)."
            )
        if part.shape == "against":
            return (
                "It turns backward, so counterweights cannot remove it; one shaft turning "
                "backward at crank speed can."
            )
        if is_offset:
            return (
                f"A shaft turning backward at crank speed takes {against} of it; the other {ahead} "
                "come from the offset pin path."
            )
        half = f" and leave a circle of {against} that turns backward"
        if part.shape == "line":
            half = f" and leave a backward circle of half the size, {against}"
        return (
            f"Counterweights can take the part that turns with the crank, {ahead},{half}; a shaft "
            "turning backward at crank speed takes that."
        )
    if part.shape == "line":
        return (
            "Counterweights cannot touch it; a pair of contra-rotating shafts at twice crank "
            "speed can."
        )
    if part.shape == "ellipse":
        return (
            f"It takes two unequal shafts at twice crank speed, one with the crank ({ahead}) and "
            f"one against it ({against})."
        )
    return (
        f"Counterweights cannot touch it; one shaft turning {part.shape} the crank at twice crank "
        "speed can."
    )


def _higher(parts: Sequence[Part]) -> list[Statement]:
    left = [part for part in parts[2:] if not part.is_zero]
    if not left:
        return []
    kind = parts[0].kind
    slight = [part for part in left if part.peak <= SLIGHT_SHARE / NOTHING_SHARE * part.tolerance]
    large = [part for part in left if part not in slight]
    text = ""
    if large:
        text = (
            f"{capital(kind)} of {_sizes(large)} is left to the mounts: no usual shaft reaches "
            f"{'it' if len(large) == 1 else 'these orders'}."
        )
    if slight:
        text += f"{' ' if text else ''}{capital(kind)} of {_sizes(slight)} is next to nothing."
    return [Statement(kind, text, f"{kind}_higher")]


def _sizes(parts: Sequence[Part]) -> str:
    return listed([f"order {p.order} ({quantity(p.peak, p.unit)} peak)" for p in parts])


def _taken(parts: Sequence[Part]) -> list[Statement]:
    statements = []
    for part in parts[:2]:
        if not part.is_zero or part.before_peak <= part.tolerance:
            continue
        ahead, against = (abs(phasor) > part.tolerance for phasor in part.before)
        size = f"{quantity(part.before_peak, part.unit)} peak"
        if part.order == 1 and not against:
            how = "it turns with the crank, and counterweights take it wholly"
        elif part.order == 1:
            how = "the shaft turning backward takes it"
            if ahead:
                how = "counterweights take the part that turns with the crank, the shaft the other"
        else:
            how = "the pair of shafts takes it" if ahead and against else "the shaft takes it"
        text = f"Of the {ORDINALS[part.order]}-order {part.kind}, {size} without balancing, "
        text += f"nothing is left: {how}."
        statements.append(Statement(part.kind, text, f"{part.kind}_taken"))
    return statements


def _offset_rest(seen: Findings, kind: str) -> complex:
    """Return the forward first order that the one-half rule leaves with an offset pin path."""
    engine = seen.layout.engine
    sums = inertia.pin_sums(engine, seen.evaluation.pins)
    per_kg = complex(sums[kind == "couple"][0])
    more = complex(inertia.engine_harmonics(engine).force[0]) - 1
    return 0.5 * engine.reciprocating_mass_kg * more * per_kg
