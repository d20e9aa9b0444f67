"""A plain loop over bit sets: how even each firing-angle vector of one crank is, sorted."""

from __future__ import annotations

import math
from itertools import product


def sorted_by_evenness(
    phases_deg: list[float], cycle_deg: float
) -> list[tuple[float, tuple[float, ...]]]:
    """Return unevenness and firing angles of every bit set, the most even first. [deg]"""
    n = len(phases_deg)
    mean_deg = cycle_deg / n
    found = []
    for bits in product((0, 1), repeat=n - 1):
        angles = (0.0, *(p + 360 * b for p, b in zip(phases_deg[1:], bits, strict=True)))
        rising = sorted(angles)
        rising.append(cycle_deg)
        waits = [rising[i + 1] - rising[i] for i in range(n)]
        unevenness = math.sqrt(sum((w - mean_deg) ** 2 for w in waits) / n)
        found.append((round(unevenness, 6), angles))
    return sorted(found)
