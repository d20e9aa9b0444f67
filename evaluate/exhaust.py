"""Exhaust pulses: spacing, unevenness and overlap in each collector, spectra, best partitions."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import FloatArray, IntArray
from evaluate.firing import intervals_from_sorted, sorted_columns
from evaluate.sums import sum_rows

#: A partition is searched exhaustively up to this many; beyond it the request is refused.
MOST_PARTITIONS = 100_000
_FAR_DEG = 1e9  # stands for "not in this collector": sorts behind every pulse


@dataclass(frozen=True, kw_only=True, slots=True)
class ExhaustMeasures:
    """Scores over all collectors, each of shape (candidates,).

    Attributes
    ----------
    spacing_min_deg : array
        Least spacing of two pulses in one collector. [deg]
    unevenness_deg : array
        RMS over all pulses of spacing - cycle / pulses of that collector. [deg]
    overlap_deg : array
        Sum of max(0, open duration - spacing) per cycle. [deg]
    """

    spacing_min_deg: FloatArray
    unevenness_deg: FloatArray
    overlap_deg: FloatArray


def measures(
    angles_deg: FloatArray, collectors: IntArray, *, cycle_deg: float, open_duration_deg: float
) -> ExhaustMeasures:
    """Return the exhaust scores of a batch.

    Parameters
    ----------
    angles_deg : array, shape (candidates, cylinders)
        Firing angles; pulses follow them at a constant delay. [deg]
    collectors : array of int, shape (candidates or 1, cylinders)
        Collector of each cylinder, counted from 0.
    cycle_deg : float
        720 or 360. [deg]
    open_duration_deg : float
        Crank angle for which an exhaust valve (or port) is open. [deg]

    Returns
    -------
    ExhaustMeasures

    Notes
    -----
    Definitions of this project (design, section 4.4). Interference-free from about 240 deg of
    spacing: H. Humphries, Automotive Supercharging and Turbocharging Manual, as quoted in the
    project's notes.
    """
    n_candidates, n_cylinders = angles_deg.shape
    least_deg = np.full(n_candidates, cycle_deg)
    square_deg2 = np.zeros(n_candidates)
    overlap_deg = np.zeros(n_candidates)
    for group in range(int(collectors.max()) + 1):
        for rising_deg, rows in _collector_pulses(angles_deg, collectors == group):
            spacings_deg = intervals_from_sorted(rising_deg, cycle_deg)
            deviation_deg = spacings_deg - cycle_deg / rising_deg.shape[0]
            excess_deg = np.maximum(0.0, open_duration_deg - spacings_deg)
            least_deg[rows] = np.minimum(least_deg[rows], spacings_deg.min(axis=0))
            square_deg2[rows] += sum_rows(deviation_deg * deviation_deg)
            overlap_deg[rows] += sum_rows(excess_deg)
    return ExhaustMeasures(
        spacing_min_deg=least_deg,
        unevenness_deg=np.sqrt(square_deg2 / n_cylinders),
        overlap_deg=overlap_deg,
    )


def spacings_deg(angles_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """Return the spacings in one collector of one candidate, from its first pulse on. [deg]"""
    return intervals_from_sorted(sorted_columns(angles_deg[np.newaxis]), cycle_deg)[:, 0]


def half_order_spectrum(angles_deg: FloatArray, n_half_orders: int, cycle_deg: float) -> FloatArray:
    """Return |sum exp(-j q phi)| / pulses for q = 1, 2, ... cycles, as orders of the crank.

    Parameters
    ----------
    angles_deg : array, shape (pulses,)
        Pulses of one collector or of the joined tailpipe, taken as equal impulses. [deg]
    n_half_orders : int
        Number of harmonics of the cycle: half orders in a four-stroke.
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array, shape (n_half_orders,)
        1 where all pulses add, 0 where they cancel. [-]
    """
    harmonics = np.arange(1, n_half_orders + 1)[:, np.newaxis]
    phases = np.exp(-2j * np.pi * harmonics * angles_deg / cycle_deg)
    amplitudes: FloatArray = np.abs(phases.mean(axis=1))
    return amplitudes


def best_partition(
    angles_deg: FloatArray, n_groups: int, *, cycle_deg: float, open_duration_deg: float
) -> IntArray:
    """Return the best split of each candidate's cylinders into collectors.

    Least overlap at the stated open duration, then largest least spacing, then least unevenness,
    then the first in lexicographic order; found by trying every partition.

    Parameters
    ----------
    angles_deg : array, shape (candidates, cylinders)
        Firing angles. [deg]
    n_groups : int
        Number of collectors, none empty.

    Returns
    -------
    array of int, shape (candidates, cylinders)

    Raises
    ------
    ValueError
        If there are fewer cylinders than groups, or more than 100,000 partitions.
    """
    partitions = all_partitions(angles_deg.shape[1], n_groups)
    best = np.empty(angles_deg.shape, np.int64)
    for row, angles in enumerate(angles_deg):
        tried = measures(
            np.broadcast_to(angles, partitions.shape),
            partitions,
            cycle_deg=cycle_deg,
            open_duration_deg=open_duration_deg,
        )
        keys = (tried.unevenness_deg, -tried.spacing_min_deg, tried.overlap_deg)
        best[row] = partitions[np.lexsort([np.round(key, 6) for key in keys])[0]]
    return best


def n_partitions(n_cylinders: int, n_groups: int) -> int:
    """Return the number of partitions into non-empty groups (Stirling, second kind)."""
    row = [1] + [0] * n_groups
    for _ in range(n_cylinders):
        row = [0] + [k * row[k] + row[k - 1] for k in range(1, n_groups + 1)]
    return row[n_groups]


@lru_cache(maxsize=16)
def all_partitions(n_cylinders: int, n_groups: int) -> IntArray:
    """Return every partition as restricted growth strings, shape (partitions, cylinders).

    Cylinder 0 is in group 0 and each new group takes the next number (D. E. Knuth, The Art of
    Computer Programming vol. 4A, 7.2.1.5), so that no partition appears twice.
    """
    count = n_partitions(n_cylinders, n_groups)
    if not 0 < count <= MOST_PARTITIONS:
        raise ValueError(
            f"collectors: {n_groups} of {n_cylinders} cylinders make {count} partitions; "
            f"allowed: 1 to {MOST_PARTITIONS}"
        )
    strings = np.zeros((1, 1), np.int64)
    for column in range(1, n_cylinders):
        highest = strings.max(axis=1)
        grown = [
            np.column_stack(
                [strings[highest >= group - 1], np.full((highest >= group - 1).sum(), group)]
            )
            for group in range(n_groups)
        ]
        strings = np.concatenate(grown)
        missing = n_groups - 1 - strings.max(axis=1)
        strings = strings[missing <= n_cylinders - 1 - column]
    return strings[np.lexsort(strings.T[::-1])]


def _collector_pulses(
    angles_deg: FloatArray, member: NDArray[np.bool_]
) -> list[tuple[FloatArray, slice | IntArray]]:
    """Return the rising pulses of one collector with the candidates that they belong to.

    One entry when all candidates have the same members, else one for each number of pulses.
    """
    if member.shape[0] == 1:
        chosen = np.flatnonzero(member[0])
        return [(sorted_columns(angles_deg[:, chosen]), slice(None))] if chosen.size else []
    counts = member.sum(axis=1)
    rising_deg = sorted_columns(np.where(member, angles_deg, _FAR_DEG))
    sizes = [int(size) for size in np.unique(counts) if size]
    if len(sizes) == 1 and counts.all():
        return [(rising_deg[: sizes[0]], slice(None))]
    rows_of = [(size, np.flatnonzero(counts == size)) for size in sizes]
    return [(rising_deg[:size, rows], rows) for size, rows in rows_of]
