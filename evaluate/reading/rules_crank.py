"""Rules of a reading about the crank: what cancels by its shape, and what bends it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evaluate.reading.findings import Findings, Statement
from evaluate.reading.words import degrees, listed, number, orders_text, quantity

SAME_DEG = 1e-6
SAME_M = 1e-6  # a thousandth of a millimetre


def crank_even_throws(seen: Findings) -> list[Statement]:
    """Speak when the pins of every bank are evenly spread, each direction equally often.

    Then a bank's forces cancel at every order that is no multiple of the number of directions.
    """
    stars = [_n_directions(seen, members) for members in seen.members_of_banks]
    if 0 in stars:
        return []
    orders = [part.order for part in seen.force if all(part.order % n for n in stars)]
    if not orders:
        return []
    where = "" if len(stars) == 1 else " of each bank"
    spread = "two directions, half a turn apart" if set(stars) == {2} else "evenly around the turn"
    if len(set(stars)) == 1 and stars[0] > 2:
        spread = f"{number(stars[0])} directions {degrees(360 / stars[0])} apart"
    text = (
        f"The crankpins{where} are evenly spread ({spread}), so forces of {orders_text(orders)} "
        f"cancel{'' if len(stars) == 1 else ' within it'}."
    )
    return [Statement("crank", text, "crank_even_throws")]


def crank_opposed_pistons(seen: Findings) -> list[Statement]:
    """Speak when all cylinders pair off with one opposite that is at top dead centre with it."""
    pairs = _opposed_pairs(seen)
    if not pairs or 2 * len(pairs) != seen.n:
        return []
    names = listed([f"{seen.layout.labels[i]} with {seen.layout.labels[j]}" for i, j in pairs])
    text = f"Opposite pistons move in and out together ({names}), so forces of every order cancel."
    return [Statement("crank", text, "crank_opposed_pistons")]


def crank_mirror(seen: Findings) -> list[Statement]:
    """Speak when cylinders mirror each other about a middle, pin angles and axes included.

    About one middle for all: no couples. Each bank about its own: couples only from the stagger.
    Silent when every cylinder stands alone on its bank.
    """
    positions_m, everyone = seen.layout.engine.positions_m, list(range(seen.n))
    if seen.n == 1 or seen.layout.engine.n_banks == seen.n:
        return []
    if _is_mirrored(seen, everyone, 0.0):
        text = (
            "Seen from its middle, front and rear of the engine are mirror images, so no couple "
            "arises at any order."
        )
        return [Statement("crank", text, "crank_mirror")]
    middles_m = [float(positions_m[members].mean()) for members in seen.members_of_banks]
    if len(middles_m) == 1 or not all(
        _is_mirrored(seen, members, middle_m)
        for members, middle_m in zip(seen.members_of_banks, middles_m, strict=True)
    ):
        return []
    text = (
        "Front and rear of each bank are mirror images, so couples arise only from the stagger of "
        "the banks, at orders at which the forces of a bank do not cancel."
    )
    return [Statement("crank", text, "crank_mirror")]


def crank_one_plane(seen: Findings) -> list[Statement]:
    """Speak when two or more cylinders all stand in one transverse plane at the middle."""
    if seen.n == 1 or np.abs(seen.layout.engine.positions_m).max() > SAME_M:
        return []
    text = "All cylinders are taken to stand in one plane, so there is no couple at any order."
    return [Statement("crank", text, "crank_one_plane")]


def crank_internal_couple(seen: Findings) -> list[Statement]:
    """Speak when a couple bends the crank though the first order that turns with it is balanced."""
    first_force, first_couple = seen.force[0], seen.couple[0]
    bending_Nm = seen.internal_couple_Nm
    felt = (
        abs(first_force.forward) > first_force.tolerance
        or abs(first_couple.forward) > first_couple.tolerance
    )
    if felt or bending_Nm <= first_couple.tolerance:
        return []
    text = (
        f"Inside, a first-order couple of {quantity(bending_Nm, 'N·m')} turns with the crank and "
        "bends it at its middle, though nothing of it is felt outside"
    )
    if not seen.layout.engine.pin_path_offset_m:
        text += "; rotating and half the reciprocating masses counterweighted would remove it"
    text += "."
    return [Statement("crank", text, "crank_internal_couple")]


def _n_directions(seen: Findings, members: Sequence[int]) -> int:
    """Return in how many evenly spread directions pins stand equally often; 0 if they do not."""
    pins_deg = seen.layout.batch.pin_angles_deg[0][list(members)] % 360.0
    turned_deg = np.sort((pins_deg - pins_deg[0] + SAME_DEG) % 360.0) - SAME_DEG
    starts = np.flatnonzero(np.diff(turned_deg, prepend=-1.0) > 2 * SAME_DEG)
    counts = np.diff(np.append(starts, len(members)))
    steps_deg = np.diff(np.append(turned_deg[starts], 360.0))
    is_star = len(set(counts.tolist())) == 1 and np.ptp(steps_deg) <= 4 * SAME_DEG
    return len(starts) if is_star else 0


def _opposed_pairs(seen: Findings) -> list[tuple[int, int]]:
    free, pairs = list(range(seen.n)), []
    while free:
        i = free.pop(0)
        for j in free:
            opposite_deg = (seen.axes_deg[i] - seen.axes_deg[j] - 180) % 360
            if _is_same_angle(opposite_deg) and _is_same_angle(seen.tdc_deg[i] - seen.tdc_deg[j]):
                pairs.append((i, j))
                free.remove(j)
                break
    return pairs


def _is_mirrored(seen: Findings, members: Sequence[int], middle_m: float) -> bool:
    """Return whether each cylinder has a twin as far on the other side of the middle."""
    positions_m, pins_deg = (
        seen.layout.engine.positions_m,
        seen.layout.batch.pin_angles_deg[0],
    )
    if np.ptp(positions_m[list(members)]) <= SAME_M:
        return False
    free = list(members)
    while free:
        i = free[0]
        twin = next(
            (
                j
                for j in free
                if abs(positions_m[i] + positions_m[j] - 2 * middle_m) <= SAME_M
                and _is_same_angle(pins_deg[i] - pins_deg[j])
                and _is_same_angle(seen.axes_deg[i] - seen.axes_deg[j])
            ),
            None,
        )
        if twin is None:
            return False
        free = [k for k in free if k not in (i, twin)]
    return True


def _is_same_angle(difference_deg: float) -> bool:
    rest = float(difference_deg) % 360.0
    return min(rest, 360.0 - rest) <= SAME_DEG
