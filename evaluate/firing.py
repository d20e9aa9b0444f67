"""When each cylinder fires: phases a crank allows, intervals, orders, and how even they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.sums import sum_rows

#: Differences of this size from 0 or 360 are 0: remainders never move a firing by a turn. [deg]
SNAP_DEG = 1e-6
TURN_DEG = 360.0
_TICK_EDGE = 0.3719


@dataclass(frozen=True, kw_only=True, slots=True)
class FiringMeasures:
    """Scores of a batch, each of shape (candidates,).

    Attributes
    ----------
    unevenness_deg : array
        RMS deviation of the firing intervals from cycle/N. [deg]
    largest_interval_deg : array
        Longest wait between successive firings. [deg]
    fluctuation : array
        Max - min over the cycle of (share of firings done - share of the cycle gone); 1/N when
        even, 1 for a single cylinder or for all together. [-]
    """

    unevenness_deg: FloatArray
    largest_interval_deg: FloatArray
    fluctuation: FloatArray


def wrap_deg(angles_deg: FloatArray, period_deg: float = TURN_DEG) -> FloatArray:
    """Return angles in [0, period), with what lies within 1e-6 of either end put to 0. [deg]"""
    wrapped: FloatArray = angles_deg - period_deg * np.floor(angles_deg * (1 / period_deg))
    wrapped[(wrapped < SNAP_DEG) | (wrapped > period_deg - SNAP_DEG)] = 0.0
    return wrapped


def ticks(angles_deg: FloatArray) -> IntArray:
    """Return angles as whole numbers of 1e-6 deg, equal for angles equal but for the last digits.

    The rounding begins at an odd fraction, since angles as people write them, such as 71.7126365,
    would fall on its edge otherwise.
    """
    return np.rint(angles_deg / SNAP_DEG + _TICK_EDGE).astype(np.int64)


def tdc_angles_deg(batch: Batch) -> FloatArray:
    """Return theta_i = beta_i - alpha_i of each cylinder, (candidates, cylinders), in [0, 360)."""
    return wrap_deg(batch.bank_axes_deg() - batch.pin_angles_deg)


def crank_phases_deg(batch: Batch) -> FloatArray:
    """Return theta_i - theta_1 in [0, 360), shape (candidates, cylinders). [deg]"""
    towards_tdc = batch.bank_axes_deg().T - batch.pin_angles_deg.T  # rows of candidates are quick
    towards_tdc -= towards_tdc[0].copy()
    return wrap_deg(towards_tdc).T


def firing_angles_deg(batch: Batch) -> FloatArray:
    """Return phi_i = theta_i - theta_1 (mod 360) + 360 b_i, shape (candidates, cylinders). [deg]"""
    angles_deg = crank_phases_deg(batch)
    angles_deg += TURN_DEG * batch.firing_bits
    return angles_deg


def sorted_columns(angles_deg: FloatArray) -> FloatArray:
    """Return each candidate's angles in rising order, shape (cylinders, candidates). [deg]

    A sorting network on whole rows (Batcher's odd-even merge sort: D. E. Knuth, The Art of
    Computer Programming vol. 3, 5.2.2, algorithm M): for rows this short it beats a sort per row.
    """
    rows = list(np.ascontiguousarray(angles_deg.T))
    for low, high in _network(len(rows)):
        rows[low], rows[high] = np.minimum(rows[low], rows[high]), np.maximum(rows[low], rows[high])
    return np.array(rows)


def intervals_from_sorted(rising_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """Return the intervals that follow each firing, the last one back to the first. [deg]"""
    intervals = np.empty_like(rising_deg)
    np.subtract(rising_deg[1:], rising_deg[:-1], out=intervals[:-1])
    intervals[-1] = rising_deg[0] + cycle_deg - rising_deg[-1]
    return intervals


def measures(rising_deg: FloatArray, cycle_deg: float) -> FiringMeasures:
    """Return how even the firing is.

    Parameters
    ----------
    rising_deg : array, shape (cylinders, candidates)
        Firing angles in rising order, from `sorted_columns`. [deg]
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    FiringMeasures

    Notes
    -----
    Definitions of this project (design, section 4.4); the fluctuation is the range of a
    cumulative count against uniform progress (the two-sided Kuiper statistic of the firings).

    Examples
    --------
    >>> twin = np.array([[0.0], [450.0]])
    >>> float(measures(twin, 720.0).unevenness_deg[0]), float(measures(twin, 720.0).fluctuation[0])
    (90.0, 0.625)
    """
    n = rising_deg.shape[0]
    intervals_deg = intervals_from_sorted(rising_deg, cycle_deg)
    deviation_deg = intervals_deg - cycle_deg / n
    lead = np.arange(n)[:, np.newaxis] / n - rising_deg * (1 / cycle_deg)
    return FiringMeasures(
        unevenness_deg=np.sqrt(sum_rows(deviation_deg * deviation_deg) / n),
        largest_interval_deg=intervals_deg.max(axis=0),
        fluctuation=lead.max(axis=0) + 1 / n - lead.min(axis=0),
    )


def firing_sequence(angles_deg: FloatArray) -> IntArray:
    """Return cylinder indices in the order of firing, shape (candidates, cylinders).

    Cylinders that fire together (within 1e-6 deg) stand in the order of their index.
    """
    return np.argsort(ticks(angles_deg), axis=1, kind="stable")


def succession(angles_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """Return how much each cylinder's firing is followed by each other's.

    Cylinders that fire together are one event; each event has a weight of 1 over their number,
    shared equally among all pairs of one of its cylinders and one of the next event's.

    Parameters
    ----------
    angles_deg : array, shape (candidates, cylinders)
        Firing angles. [deg]
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array, shape (candidates, cylinders, cylinders)
        Weight of "second follows first"; sums to 1 for each candidate. [-]
    """
    cycle = round(cycle_deg / SNAP_DEG)
    fire = ticks(angles_deg)
    wait = (fire[:, np.newaxis, :] - fire[:, :, np.newaxis]) % cycle
    together = (wait == 0).sum(axis=2)
    wait[wait == 0] = cycle
    follows = wait == wait.min(axis=2, keepdims=True)
    n_events = np.rint((1 / together).sum(axis=1))
    share = together * follows.sum(axis=2) * n_events[:, np.newaxis]
    weights: FloatArray = follows / share[:, :, np.newaxis]
    return weights


def neighbour_share(engine: Engine, follows: FloatArray) -> FloatArray:
    """Return the share of successive firings on the same or the next throw, (candidates,). [-]"""
    near = np.abs(engine.throws[:, np.newaxis] - engine.throws) <= 1
    share: FloatArray = (follows * near).sum(axis=(1, 2))
    return share


def bank_alternation_share(batch: Batch, follows: FloatArray) -> FloatArray:
    """Return the share of successive firings that change the bank, shape (candidates,). [-]"""
    changes = batch.banks[:, :, np.newaxis] != batch.banks[:, np.newaxis, :]
    share: FloatArray = (follows * changes).sum(axis=(1, 2))
    return share


def all_firing_bits(n_cylinders: int, cycle_deg: float) -> IntArray:
    """Return every bit set with b_1 = 0, shape (2^(n-1), cylinders); one row in a two-stroke."""
    if cycle_deg == TURN_DEG:
        return np.zeros((1, n_cylinders), np.int64)
    counter = np.arange(2 ** (n_cylinders - 1))[:, np.newaxis]
    bits = counter >> np.arange(n_cylinders - 2, -1, -1) & 1
    return np.concatenate([np.zeros((len(counter), 1), np.int64), bits], axis=1)


def allowed_firing_angles_deg(
    phases_deg: FloatArray, cycle_deg: float, *, even_only: bool = False
) -> FloatArray:
    """Return every distinct firing-angle vector that a crank allows.

    Parameters
    ----------
    phases_deg : array, shape (cylinders,)
        Crank phases of one candidate, from `crank_phases_deg`. [deg]
    cycle_deg : float
        720 or 360. [deg]
    even_only : bool
        Keep only those that fire evenly (within 1e-6 deg).

    Returns
    -------
    array, shape (vectors, cylinders)
        The most even first, equals by angle read by cylinder. [deg]
    """
    if even_only:
        angles_deg = _even_firing_angles_deg(phases_deg, cycle_deg)
        unevenness_deg = np.zeros(len(angles_deg))
    else:
        bits = all_firing_bits(phases_deg.shape[0], cycle_deg)
        angles_deg = phases_deg + TURN_DEG * bits
        unevenness_deg = measures(sorted_columns(angles_deg), cycle_deg).unevenness_deg
    keys = [*ticks(angles_deg).T[::-1], ticks(unevenness_deg)]
    return angles_deg[np.lexsort(keys)]


def _even_firing_angles_deg(phases_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """Return the vectors that fire evenly, filling one place of the cycle after another.

    A place can be taken by a cylinder that reaches top dead centre then and has not fired yet, so
    no more than two branches grow from any place: 2^(n/2 - 1) vectors at most, not 2^(n - 1).
    """
    n = len(phases_deg)
    partial: list[tuple[tuple[int, ...], frozenset[int]]] = [((0,), frozenset(range(1, n)))]
    for place in range(1, n):
        angle_deg = place * cycle_deg / n
        off_deg = np.abs((phases_deg - angle_deg + 180.0) % TURN_DEG - 180.0)
        at_centre = np.flatnonzero(off_deg <= SNAP_DEG).tolist()
        partial = [
            ((*order, i), waiting - {i})
            for order, waiting in partial
            for i in at_centre
            if i in waiting
        ]
    orders = np.array([order for order, _ in partial], np.int64).reshape(-1, n)
    places_deg = np.empty(orders.shape)
    np.put_along_axis(places_deg, orders, np.arange(n)[np.newaxis] * cycle_deg / n, axis=1)
    # The crank's own angle, not the exact place: the two may differ in the last digits.
    turns: FloatArray = np.rint((places_deg - phases_deg) / TURN_DEG)
    return phases_deg + TURN_DEG * turns


def angles_for_order(phases_deg: FloatArray, order: list[int], cycle_deg: float) -> FloatArray:
    """Return the firing angles that realise an order; none when the crank forbids it.

    The crank phases must rise along the order but for one step back, where the second turn
    begins; where several places for that step do, the most even comes first, then the smallest
    angles.

    Parameters
    ----------
    phases_deg : array, shape (cylinders,)
        Crank phases. [deg]
    order : list of int
        Cylinder indices, the first cylinder (index 0) first.
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    array, shape (vectors, cylinders)
        [deg]
    """
    in_order_deg = phases_deg[order]
    n_turns = round(cycle_deg / TURN_DEG)
    first_turn = range(1, len(order) + 1) if n_turns == 2 else [len(order)]
    found = []
    for n_first in first_turn:
        angles_deg = in_order_deg + TURN_DEG * (np.arange(len(order)) >= n_first)
        if np.all(np.diff(angles_deg) > -SNAP_DEG):
            by_cylinder = np.empty_like(angles_deg)
            by_cylinder[order] = angles_deg
            found.append(by_cylinder)
    candidates = np.array(found).reshape(-1, len(order))
    unevenness_deg = measures(sorted_columns(candidates), cycle_deg).unevenness_deg
    keys = [*ticks(candidates).T[::-1], ticks(unevenness_deg)]
    best_first: FloatArray = candidates[np.lexsort(keys)]
    return best_first


def nearest_orders(
    phases_deg: FloatArray, order: list[int], cycle_deg: float, *, at_most: int = 3
) -> list[list[int]]:
    """Return allowed orders that differ least from a forbidden one.

    Distance is the number of cylinder pairs that fire in the other sequence (Kendall's tau:
    M. G. Kendall, Rank Correlation Methods), then unevenness, then the angles by cylinder.
    """
    angles_deg = allowed_firing_angles_deg(phases_deg, cycle_deg)
    wanted = np.argsort(order)
    pairs = np.triu_indices(len(order), 1)
    rank_deg = angles_deg[:, pairs[0]] - angles_deg[:, pairs[1]]
    same = np.sign(wanted[pairs[0]] - wanted[pairs[1]])
    distance = (rank_deg * same < -SNAP_DEG).sum(axis=1)
    nearest: list[list[int]] = []
    for row in np.argsort(distance, kind="stable"):
        candidate = firing_sequence(angles_deg[row : row + 1])[0].tolist()
        if candidate not in nearest:
            nearest.append(candidate)
        if len(nearest) == at_most:
            break
    return nearest


_NETWORKS: dict[int, tuple[tuple[int, int], ...]] = {}


def _network(n: int) -> tuple[tuple[int, int], ...]:
    """Return the comparators of Batcher's merge exchange for n items (Knuth, 5.2.2 M)."""
    if n in _NETWORKS:
        return _NETWORKS[n]
    comparators = []
    top = 1 << max(0, (n - 1).bit_length() - 1)
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while d > 0:
            comparators += [(i, i + d) for i in range(n - d) if i & p == r]
            d, q, r = q - p, q >> 1, p
        p >>= 1
    _NETWORKS[n] = tuple(comparators)
    return _NETWORKS[n]


BoolArray = NDArray[np.bool_]
