"""Rules of a reading about firing, exhaust pulses and camshafts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from evaluate import exhaust, firing
from evaluate.camshafts import camshafts
from evaluate.layout import MOST_FOR_ORDERS
from evaluate.reading.findings import Findings, Statement, is_even
from evaluate.reading.words import (
    degrees,
    groups_text,
    listed,
    number,
    spaced,
)

#: Up to this many pairs of cylinders are named one by one.
MOST_NAMED = 4


def firing_single(seen: Findings) -> list[Statement]:
    """Speak of the one firing of an engine with one cylinder."""
    if seen.n > 1:
        return []
    text = f"One cylinder fires once in {degrees(seen.cycle_deg)}."
    return [Statement("firing", text, "firing_single")]


def firing_even(seen: Findings) -> list[Statement]:
    """Speak when two or more cylinders fire at equal intervals, none together."""
    if seen.n == 1 or not seen.is_even:
        return []
    text = f"Fires evenly, every {degrees(seen.even_interval_deg)}, in the order {_order(seen)}."
    return [Statement("firing", text, "firing_even")]


def firing_uneven(seen: Findings) -> list[Statement]:
    """Speak when intervals differ or cylinders share one; give longest wait and fluctuation.

    Cylinders that all fire together have one interval and are left to `firing_together`.
    """
    if seen.n == 1 or seen.is_even or len(seen.events) == 1:
        return []
    longest_deg = max(seen.intervals_deg)
    times = longest_deg / seen.even_interval_deg
    fluctuation = float(seen.evaluation.firing.fluctuation[0])
    how = f"unevenly, in the order {_order(seen)} at {spaced(seen.intervals_deg)}"
    if is_even(seen.intervals_deg):
        how = f"every {degrees(longest_deg)}, in the order {_order(seen)}"
    text = (
        f"Fires {how}; the longest wait is {degrees(longest_deg)}, {times:.2f} times the even "
        f"{degrees(seen.even_interval_deg)}. Firing fluctuation {fluctuation:.3f}, where even "
        f"firing has {1 / seen.n:.3f}."
    )
    return [Statement("firing", text, "firing_uneven")]


def firing_even_possible(seen: Findings) -> list[Statement]:
    """Speak when a four-stroke fires unevenly and all its orders can be tried.

    Says whether the same crank has an even order, and names one.
    """
    is_four_stroke = seen.cycle_deg > firing.TURN_DEG
    if seen.n == 1 or seen.is_even or not is_four_stroke or seen.n > MOST_FOR_ORDERS:
        return []
    phases_deg = firing.crank_phases_deg(seen.layout.batch)[0]
    even_deg = firing.allowed_firing_angles_deg(phases_deg, seen.cycle_deg, even_only=True)
    text = "No firing order makes this crank fire evenly."
    if len(even_deg):
        names = seen.labels(np.argsort(even_deg[0], kind="stable").tolist())
        text = f"The same crank could fire evenly, for instance in the order {'-'.join(names)}."
    return [Statement("firing", text, "firing_even_possible")]


def firing_together(seen: Findings) -> list[Statement]:
    """Speak when two or more cylinders fire at the same crank angle."""
    groups = [seen.labels(event) for event in seen.events if len(event) > 1]
    if not groups:
        return []
    text = f"Cylinders fire together: {'; '.join(listed(group) for group in groups)}."
    return [Statement("firing", text, "firing_together")]


def firing_neighbours(seen: Findings) -> list[Statement]:
    """Speak of firings that follow each other on the same or the next throw.

    Silent below three throws or four cylinders, where nothing else is possible, and when cylinders
    fire together.
    """
    throws = seen.layout.engine.throws
    if seen.layout.engine.n_throws < 3 or seen.n < 4 or seen.fire_together:
        return []
    same = [(i, j) for i, j in seen.successions() if throws[i] == throws[j]]
    next_to = [(i, j) for i, j in seen.successions() if abs(throws[i] - throws[j]) == 1]
    places = (("on the same throw as", same), ("on a throw next to that of", next_to))
    clauses = [
        f"{number(len(pairs))} {'is' if len(pairs) == 1 else 'are'} {where} the one before"
        f"{_named(seen, pairs)}"
        for where, pairs in places
        if pairs
    ]
    text = f"Of {number(seen.n)} firings, {listed(clauses)}."
    if not clauses:
        text = "No two successive firings load the same throw or neighbouring throws."
    return [Statement("firing", text, "firing_neighbours")]


def firing_banks(seen: Findings) -> list[Statement]:
    """Speak of how firing alternates between banks.

    Silent with one bank, with one cylinder on each, and when cylinders fire together.
    """
    n_banks, banks = seen.layout.engine.n_banks, seen.layout.batch.banks[0]
    if n_banks == 1 or n_banks == seen.n or seen.fire_together:
        return []
    stays = [(i, j) for i, j in seen.successions() if banks[i] == banks[j]]
    if not stays:
        text = "Every firing is followed by one on another bank."
        if n_banks == 2:
            text = "Firing alternates between the banks throughout."
    else:
        changes = seen.n - len(stays)
        text = (
            f"The bank changes after {number(changes)} of {number(seen.n)} firings; "
            f"{number(len(stays))} {'is' if len(stays) == 1 else 'are'} followed by one on the "
            f"same bank{_named(seen, stays)}."
        )
    return [Statement("firing", text, "firing_banks")]


def exhaust_spacing(seen: Findings) -> list[Statement]:
    """Speak of the spacing of pulses in each collector, for two cylinders or more."""
    if seen.n == 1:
        return []
    spacings = [[space for _, space in seen.pulses(members)] for members in seen.collectors]
    groups = [seen.labels(members) for members in seen.collectors]
    if all(is_even(space) for space in spacings) and len({len(s) for s in spacings}) == 1:
        every = f"a pulse every {degrees(spacings[0][0])}"
        if len(groups) == 1:
            text = f"One collector takes all cylinders and gets {every}."
        else:
            text = f"Each of the {number(len(groups))} collectors, {groups_text(groups)}, gets "
            text += f"{every}."
    elif len(groups) == 1:
        text = "One collector takes all cylinders; in the order of firing its pulses are "
        text += f"{spaced(spacings[0])} apart."
    else:
        names = [groups_text([group]) for group in groups]
        clauses = [
            f"{name}: {spaced(space)}{' (even)' if is_even(space) and len(space) > 1 else ''}"
            for name, space in zip(names, spacings, strict=True)
        ]
        text = f"Spacing of exhaust pulses, in the order of firing: {'; '.join(clauses)}."
    return [Statement("exhaust", text, "exhaust_spacing")]


def exhaust_overlap(seen: Findings) -> list[Statement]:
    """Speak of pulses that overlap in a collector at the stated duration, or that none do."""
    if seen.n == 1:
        return []
    open_deg = seen.layout.engine.open_duration_deg
    close = [
        (space, first, then)
        for members in seen.collectors
        for first, space, then in _pulse_pairs(seen, members)
        if first != then and space < open_deg - firing.SNAP_DEG
    ]
    start = f"With each exhaust open for {degrees(open_deg)}, "
    if not close:
        text = f"{start}no two pulses in one collector overlap."
        return [Statement("exhaust", text, "exhaust_overlap")]
    total_deg = float(seen.evaluation.exhaust.overlap_deg[0])
    nearest_deg = min(space for space, _, _ in close)
    worst = [pair for pair in close if pair[0] < nearest_deg + 0.05]
    if len(worst) == seen.n:
        text = f"{start}every pulse overlaps the next in its collector by "
        text += f"{degrees(open_deg - nearest_deg)}."
    else:
        pairs = listed([f"{then} after {first}" for _, first, then in worst[:MOST_NAMED]])
        more = len(worst) - MOST_NAMED
        pairs += f" and {number(more)} more" if more > 0 else ""
        text = (
            f"{start}pulses overlap by {degrees(total_deg)} a cycle in all, most where they are "
            f"{degrees(nearest_deg)} apart: {pairs}."
        )
    return [Statement("exhaust", text, "exhaust_overlap")]


def exhaust_partition(seen: Findings) -> list[Statement]:
    """Speak when another partition into as many collectors is better, or none of several is.

    Better: less overlap, then a larger least spacing, then more even (`exhaust.best_partition`).
    Silent with one collector, and where there are too many to try. When no
    other is better, speaks only if pulses are uneven.
    """
    n_groups = len(seen.collectors)
    tried = exhaust.n_partitions(seen.n, n_groups)
    if n_groups == 1 or tried > exhaust.MOST_PARTITIONS:
        return []
    engine, angles_deg = seen.layout.engine, seen.evaluation.firing_angles_deg
    duration_deg, cycle_deg = engine.open_duration_deg, engine.cycle_deg
    best = exhaust.best_partition(
        angles_deg, n_groups, cycle_deg=cycle_deg, open_duration_deg=duration_deg
    )
    now, then = (
        exhaust.measures(angles_deg, groups, cycle_deg=cycle_deg, open_duration_deg=duration_deg)
        for groups in (seen.layout.batch.collectors, best)
    )
    keys = [
        tuple(
            round(float(value[0]), 6)
            for value in (scores.overlap_deg, -scores.spacing_min_deg, scores.unevenness_deg)
        )
        for scores in (now, then)
    ]
    as_many = f"{number(n_groups)} collectors"
    if keys[1] < keys[0]:
        groups = [seen.labels(np.flatnonzero(best[0] == g).tolist()) for g in range(n_groups)]
        text = (
            f"A better split into {as_many} is {groups_text(groups)}: overlap "
            f"{degrees(keys[1][0])} a cycle instead of {degrees(keys[0][0])}, least spacing "
            f"{degrees(-keys[1][1])} instead of {degrees(-keys[0][1])}."
        )
    elif keys[0][2] > 0:
        text = f"No other split into {as_many} does better."
    else:
        return []
    return [Statement("exhaust", text, "exhaust_partition")]


def camshaft_drive(seen: Findings) -> list[Statement]:
    """Speak of each camshaft whose drive is given: its sense, and how its lobes stand."""
    statements = []
    for shaft in camshafts(seen.layout):
        if shaft.is_assumed:
            continue
        lobes = "-".join(lobe.label for lobe in shaft.lobes)
        places = ", ".join(degrees(lobe.angle_deg) for lobe in shaft.lobes)
        sense = "as the crank does" if shaft.with_crank else "against the crank"
        text = (
            f"The {shaft.name} turns {sense}, {shaft.turns} as seen from the {shaft.seen_from} "
            f"({shaft.drive.split(':')[0]})"
        )
        if len(shaft.lobes) > 1:
            text += f"; clockwise as seen from there its lobes stand {lobes}, at {places}"
        statements.append(Statement("camshaft", f"{text}.", "camshaft_drive"))
    return statements


def _order(seen: Findings) -> str:
    return "-".join("+".join(seen.labels(event)) for event in seen.events)


def _named(seen: Findings, pairs: Sequence[tuple[int, int]]) -> str:
    """Return the pairs in brackets, or nothing when they are too many."""
    if len(pairs) > MOST_NAMED:
        return ""
    names = [f"{seen.layout.labels[j]} after {seen.layout.labels[i]}" for i, j in pairs]
    return f" ({', '.join(names)})"


def _pulse_pairs(seen: Findings, members: Sequence[int]) -> list[tuple[str, float, str]]:
    """Return each pulse of a collector with the spacing to the next one and that one [deg].

    Cylinders that fire together are pulses 0 degrees apart.
    """
    pulses = seen.pulses(members)
    names = [seen.labels(event) for event, _ in pulses]
    pairs = []
    for index, (name, (_, space)) in enumerate(zip(names, pulses, strict=True)):
        pairs += [(first, 0.0, then) for first, then in pairwise(name)]
        pairs.append((name[-1], space, names[(index + 1) % len(names)][0]))
    return pairs
