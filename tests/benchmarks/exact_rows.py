"""Rows of the benchmark table on exact enumeration: every pair of two tables of half-cranks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evaluate import Engine, score
from tests.benchmarks.compiled_halves import (
    HalfTables,
    half_tables,
    least_couples,
    least_couples_plain,
)
from tests.benchmarks.givens import candidates, v_eight
from tests.benchmarks.timing import Row, side_by_side

BANK_ANGLE_DEG = 90.0
STEP_DEG = 1.0
FORCE_LIMIT_N = 500.0
Ours = Callable[[HalfTables], np.ndarray]


def halves_rows(ours: Ours | None = None, *, step_deg: float = STEP_DEG) -> list[Row]:
    """Time all cranks of a V8 on a lattice: half-tables in ours and in a compiled loop, batches.

    Parameters
    ----------
    step_deg : float
        Lattice of the throw angles, and with it the size of the tables. [deg]
    ours : callable or None
        From tables to the least couple (root mean square, N m) of each front half among its
        cranks with a force of at most `FORCE_LIMIT_N`; None to time the compiled loop alone.
    """
    engine = v_eight()
    _check(engine, ours)
    tables = half_tables(engine, BANK_ANGLE_DEG, step_deg, (0, 1), (2, 3))
    many = candidates(100_000, step_deg=15.0)
    tasks: dict[str, Callable[[], object]] = {
        "compiled": lambda: least_couples(tables, FORCE_LIMIT_N),
        "batch": lambda: score(engine, many, ("force_rms_N", "couple_rms_Nm")),
    }
    if ours is not None:
        tasks["ours"] = lambda: ours(tables)
    seconds = side_by_side(tasks)
    rate = {
        name: (len(many) if name == "batch" else tables.n_pairs) / value
        for name, value in seconds.items()
    }
    # What the product is compared with; the compiled loop stands in until there is one.
    first = "ours" if ours is not None else "compiled"
    who = "by matrix products" if ours is not None else "in a compiled loop"
    rows = [
        (
            f"force and couple of all {tables.n_pairs:,} pairs of half-cranks, 8 cylinders, {who}: "
            "cranks/s, beside batch scoring of force and couple",
            f"{rate[first]:,.0f} / {rate['batch']:,.0f}",
            f"{rate[first] / rate['batch']:.0f}",
            "at least 100",
        )
    ]
    if ours is not None:
        rows.append(
            (
                f"the same beside a compiled loop over the same tables ({step_deg:g} deg)",
                f"{rate['ours']:,.0f} / {rate['compiled']:,.0f}",
                f"{rate['ours'] / rate['compiled']:.2f}",
                "at least 1",
            )
        )
    return rows


def _check(engine: Engine, ours: Ours | None) -> None:
    """See that all do the same work: numpy with arrays of all pairs, and the plain scoring."""
    small = half_tables(engine, BANK_ANGLE_DEG, 30.0, (0, 1), (2, 3))
    expected = least_couples_plain(small, FORCE_LIMIT_N)
    assert np.isfinite(expected).any(), "a limit that no crank keeps would check nothing"
    # Squares of sums that cancel to about 1e-13 of their parts: roots agree to 1e-6 N m.
    np.testing.assert_allclose(least_couples(small, FORCE_LIMIT_N), expected, rtol=1e-9, atol=1e-6)
    if ours is not None:
        np.testing.assert_allclose(ours(small), expected, rtol=1e-9, atol=1e-5)
    _check_tables(engine)


def _check_tables(engine: Engine) -> None:
    """See that tables of half-cranks add up to what the batch scoring says of whole cranks."""
    batch = candidates(400, step_deg=30.0)
    rows = np.flatnonzero(np.isclose(np.ptp(batch.bank_angles_deg, axis=1), BANK_ANGLE_DEG))
    batch = batch.rows(rows)
    tables = half_tables(engine, BANK_ANGLE_DEG, 30.0, (0, 1), (2, 3))
    cells = np.rint(batch.pin_angles_deg[:, ::2] / 30.0).astype(int)
    front, rear = cells[:, 1], 12 * cells[:, 2] + cells[:, 3]
    sums = (
        tables.front_force[front] + tables.rear_force[rear],
        tables.front_couple[front] + tables.rear_couple[rear],
    )
    got = np.sqrt(np.stack([(tables.weights * np.abs(s) ** 2).sum(axis=1) for s in sums], axis=1))
    want = score(engine, batch, ("force_rms_N", "couple_rms_Nm"))
    np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-6)
