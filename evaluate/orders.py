"""The firing orders that one crank allows, scored and sorted by a stated rule."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate import evidence, exhaust, firing
from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.evidence import Cut, Rows
from evaluate.layout import MOST_FOR_ORDERS, Layout, order_line, order_texts
from evaluate.metrics import METRICS, score

#: Metrics that depend on the firing order, and the rule of sorting: the first that differs decides.
SCORE_KEYS = (
    "firing_unevenness_deg",
    "neighbour_firing_share",
    "exhaust_overlap_deg",
    "bank_alternation_share",
    "firing_fluctuation",
    "largest_interval_deg",
    "exhaust_spacing_min_deg",
    "exhaust_unevenness_deg",
)
SORTED_BY = SCORE_KEYS[:4]
SORT_RULE = (
    "most even first; then fewest firings on the same or the next throw, then least exhaust "
    "overlap in the collectors of the file, then most changes of bank, then the smallest firing "
    "angles read by cylinder"
)
#: Collector partitions are tried for as many spacings as keep their number below this.
MOST_PARTITION_TRIES = 1_000_000
MOST_SEARCHED = 1_000


@dataclass(frozen=True, kw_only=True, slots=True)
class AllowedOrders:
    """Firing orders of one crank, best first.

    Attributes
    ----------
    angles_deg : array, shape (orders, cylinders)
        Distinct firing-angle vectors. [deg]
    orders : tuple of tuple of str
        Labels in the order of firing; several vectors may share an order.
    scores : dict of str to array, shape (orders,)
        `SCORE_KEYS`, with `main_gap_least` and `main_gap_mean`. [units of the metric table; -]
    main_gaps : tuple of tuple of int
        Main bearings between the pin of each firing and the next one's. [-]
    spacings_deg : tuple of tuple of tuple of float
        By order and collector of the file: spacing of its pulses from its first one on. [deg]
    best_collectors : tuple of (tuple of tuple of str) or None
        The best partition into `n_collectors`; None where it was not sought.
    best_overlap_deg, best_spacing_min_deg : array, shape (orders,)
        Of that partition; NaN where it was not sought. [deg]
    n_collectors : int
        Number of groups of the best partition.
    n_vectors : int
        Firing-angle vectors of the crank, even or not, before facts.
    n_before_facts : int
        Rows before facts.
    even_only : bool
        Whether only evenly firing ones were asked for.
    cuts : tuple of Cut
        What each fact does.
    """

    angles_deg: FloatArray
    orders: tuple[tuple[str, ...], ...]
    scores: dict[str, FloatArray]
    main_gaps: tuple[tuple[int, ...], ...]
    spacings_deg: tuple[tuple[tuple[float, ...], ...], ...]
    best_collectors: tuple[tuple[tuple[str, ...], ...] | None, ...]
    best_overlap_deg: FloatArray
    best_spacing_min_deg: FloatArray
    n_collectors: int
    n_vectors: int
    n_before_facts: int
    even_only: bool
    cuts: tuple[Cut, ...]

    def __len__(self) -> int:
        return len(self.orders)


def allowed_orders(
    layout: Layout,
    *,
    even_only: bool = True,
    n_collectors: int | None = None,
    must_agree: bool = True,
) -> AllowedOrders:
    """Return every firing order that a crank allows and its facts leave.

    Parameters
    ----------
    layout : Layout
        The firing order of its file does not matter.
    even_only : bool
        Keep only those that fire evenly (within 1e-6 deg).
    n_collectors : int or None
        Groups of the best collector partition; by default two, or one for a single cylinder.
    must_agree : bool
        Whether facts that leave nothing are an error; otherwise the answer is empty.

    Returns
    -------
    AllowedOrders
        Empty when the crank allows no even order.

    Raises
    ------
    InputError
        For too many cylinders, or facts that contradict each other or the crank.
    """
    n, cycle_deg = layout.engine.n_cylinders, layout.engine.cycle_deg
    if n > MOST_FOR_ORDERS and not even_only:
        raise InputError(
            "cylinders", f"{n} of them with all orders", f"up to {MOST_FOR_ORDERS}, or even ones"
        )
    n_collectors = min(2, n) if n_collectors is None else n_collectors
    if not 1 <= n_collectors <= n:
        raise InputError("collectors", str(n_collectors), f"1 to {n}")
    phases_deg = firing.crank_phases_deg(layout.batch)[0]
    angles_deg = firing.allowed_firing_angles_deg(phases_deg, cycle_deg, even_only=even_only)
    n_before = len(angles_deg)
    rows = _rows(layout, angles_deg)
    cuts: list[Cut] = []
    if layout.facts and not n_before and n <= MOST_FOR_ORDERS:
        # None is even, so facts are counted among all orders.
        rows = _rows(layout, firing.allowed_firing_angles_deg(phases_deg, cycle_deg))
    if layout.facts and len(rows.angles_deg):
        kept = evidence.possible(layout.facts, rows)
        if must_agree and not kept.any():
            raise _clash(layout, rows, even_only=even_only and n_before > 0)
        cuts = evidence.cuts(layout.facts, rows)
        angles_deg = angles_deg[kept] if n_before else angles_deg
    return scored_orders(
        layout,
        angles_deg,
        n_collectors=n_collectors,
        n_before_facts=n_before,
        even_only=even_only,
        cuts=tuple(cuts),
    )


def orders_to_show(layout: Layout, *, n_collectors: int | None = None) -> AllowedOrders:
    """Return the even orders that crank and facts leave; where there are none, all orders.

    Empty with more cylinders than all orders are tried for, and no even one.
    """
    even = allowed_orders(layout, n_collectors=n_collectors, must_agree=False)
    if len(even) or layout.engine.n_cylinders > MOST_FOR_ORDERS:
        return even
    return allowed_orders(layout, even_only=False, n_collectors=n_collectors)


def scored_orders(
    layout: Layout,
    angles_deg: FloatArray,
    *,
    n_collectors: int,
    n_before_facts: int,
    even_only: bool,
    cuts: tuple[Cut, ...] = (),
) -> AllowedOrders:
    """Return firing-angle vectors of a crank with their scores, sorted by `SORT_RULE`."""
    engine = layout.engine
    batch = with_firing(layout.batch, angles_deg)
    values = score(engine, batch, SCORE_KEYS)
    signs = np.array([1.0 if METRICS[key].sense == "least" else -1.0 for key in SORTED_BY])
    ranks = firing.ticks(values[:, : len(SORTED_BY)] * signs)
    by_cylinder = firing.ticks(angles_deg)
    best_first = np.lexsort([*by_cylinder.T[::-1], *ranks.T[::-1]])
    angles_deg, values = angles_deg[best_first], values[best_first]
    orders = order_texts(layout.labels, angles_deg)
    gaps = _main_gaps(engine, layout.labels, orders)
    scores = dict(zip(SCORE_KEYS, values.T, strict=True))
    scores["main_gap_least"] = gaps.min(axis=1, initial=engine.n_mains).astype(np.float64)
    scores["main_gap_mean"] = gaps.mean(axis=1) if len(gaps) else np.zeros(0)
    best = _best_collectors(layout, angles_deg, n_collectors)
    is_two_turns = engine.cycle_deg > firing.TURN_DEG
    return AllowedOrders(
        angles_deg=angles_deg,
        orders=orders,
        scores=scores,
        main_gaps=tuple(tuple(row) for row in gaps.tolist()),
        spacings_deg=_spacings_deg(layout, angles_deg),
        best_collectors=best[0],
        best_overlap_deg=best[1],
        best_spacing_min_deg=best[2],
        n_collectors=n_collectors,
        n_vectors=2 ** (engine.n_cylinders - 1) if is_two_turns else 1,
        n_before_facts=n_before_facts,
        even_only=even_only,
        cuts=cuts,
    )


def with_firing(batch: Batch, angles_deg: FloatArray) -> Batch:
    """Return one candidate repeated with other firing angles, shape (orders, cylinders). [deg]"""
    phases_deg = firing.crank_phases_deg(batch)
    bits = np.rint((angles_deg - phases_deg) / firing.TURN_DEG).astype(np.int64)
    repeated = batch.rows(np.zeros(len(angles_deg), np.int64))
    return repeated.having(firing_bits=bits)


def most_even_order(layout: Layout) -> tuple[tuple[str, ...], FloatArray]:
    """Return the most even order that the crank and the facts allow, and its firing angles."""
    every = allowed_orders(layout, even_only=False)
    return every.orders[0], every.angles_deg[0]


def _rows(layout: Layout, angles_deg: FloatArray) -> Rows:
    pins_deg = np.tile(layout.throw_angles_deg, (len(angles_deg), 1))
    return Rows(pins_deg=pins_deg, angles_deg=angles_deg)


def _clash(layout: Layout, rows: Rows, *, even_only: bool) -> InputError:
    """Return the error for facts that leave nothing; among even orders, say what uneven ones do."""
    what = f"{'even ' if even_only else ''}firing order of this crank"
    error = evidence.clash_error(
        layout.facts, rows, lambda i: order_line(layout.labels, rows.angles_deg[i]), what
    )
    n = layout.engine.n_cylinders
    if even_only and n <= MOST_FOR_ORDERS:
        phases_deg = firing.crank_phases_deg(layout.batch)[0]
        every = firing.allowed_firing_angles_deg(phases_deg, layout.engine.cycle_deg)
        kept = evidence.possible(layout.facts, _rows(layout, every))
        if kept.any():
            first, n_kept = order_line(layout.labels, every[kept][0]), int(kept.sum())
            ones = "one agrees" if n_kept == 1 else "ones agree"
            uneven = f"{n_kept} uneven {ones} with all facts, the most even {first}"
            return InputError(error.where, error.got, f"{error.allowed}; {uneven}")
    return error


def _main_gaps(
    engine: Engine, labels: tuple[str, ...], orders: tuple[tuple[str, ...], ...]
) -> IntArray:
    """Return the main bearings between each firing's pin and the next one's, (orders, firings)."""
    bay_of_throw = np.searchsorted(engine.main_positions_m, engine.throw_positions_m)
    bays = bay_of_throw[engine.throws]
    index = {label: i for i, label in enumerate(labels)}
    sequence = np.array([[index[label] for label in order] for order in orders], np.int64)
    in_order = bays[sequence.reshape(-1, len(labels))]
    gaps: IntArray = np.abs(np.roll(in_order, -1, axis=1) - in_order)
    return gaps


def _spacings_deg(
    layout: Layout, angles_deg: FloatArray
) -> tuple[tuple[tuple[float, ...], ...], ...]:
    groups = layout.batch.collectors[0]
    per_group = []
    for group in range(int(groups.max()) + 1):
        rising_deg = firing.sorted_columns(angles_deg[:, groups == group])
        spacings_deg = firing.intervals_from_sorted(rising_deg, layout.engine.cycle_deg).T
        per_group.append([tuple(row) for row in spacings_deg.tolist()])
    return tuple(zip(*per_group, strict=True))


def _best_collectors(
    layout: Layout, angles_deg: FloatArray, n_groups: int
) -> tuple[tuple[tuple[tuple[str, ...], ...] | None, ...], FloatArray, FloatArray]:
    """Return best partitions, their overlaps and least spacings.

    What a partition is worth depends on the rising angles alone, so each distinct set of them is
    searched once.
    """
    engine, labels = layout.engine, layout.labels
    n_orders, n = angles_deg.shape
    found: list[tuple[tuple[str, ...], ...] | None] = [None] * n_orders
    overlap_deg, spacing_deg = np.full(n_orders, np.nan), np.full(n_orders, np.nan)
    n_tries = exhaust.n_partitions(n, n_groups)
    if n_tries > exhaust.MOST_PARTITIONS:
        return tuple(found), overlap_deg, spacing_deg
    sequence = firing.firing_sequence(angles_deg)
    rising_deg = np.take_along_axis(angles_deg, sequence, axis=1)
    patterns = firing.ticks(rising_deg)
    _, first, member = np.unique(patterns, axis=0, return_index=True, return_inverse=True)
    # The best orders come first, so their spacings are searched first.
    n_searched = min(MOST_SEARCHED, max(1, MOST_PARTITION_TRIES // n_tries))
    searched = np.sort(first)[:n_searched]
    duration = {"cycle_deg": engine.cycle_deg, "open_duration_deg": engine.open_duration_deg}
    for row in searched.tolist():
        groups = exhaust.best_partition(rising_deg[row : row + 1], n_groups, **duration)
        scores = exhaust.measures(rising_deg[row : row + 1], groups, **duration)
        for order in np.flatnonzero(member.ravel() == member.ravel()[row]).tolist():
            places = sequence[order]
            found[order] = tuple(
                tuple(labels[places[k]] for k in np.flatnonzero(groups[0] == g))
                for g in range(n_groups)
            )
            overlap_deg[order] = scores.overlap_deg[0]
            spacing_deg[order] = scores.spacing_min_deg[0]
    return tuple(found), overlap_deg, spacing_deg
