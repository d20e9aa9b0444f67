"""All pairs of half-cranks by the product's own matrix products, as its processes do it."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from optimize.exact.rotors import as_real, factors
from tests.benchmarks.compiled_halves import HalfTables
from tests.benchmarks.exact_rows import FORCE_LIMIT_N

BLOCK = (180, 256)  # front and rear halves at a time


def least_couples_by_products(tables: HalfTables) -> np.ndarray:
    """Return for each front half the least couple among its cranks whose force is in the limit.

    One thread of Python a core, each with products of its own: set OPENBLAS_NUM_THREADS=1, as
    the processes of an enumeration do.
    """
    used = np.flatnonzero(tables.weights > 0)
    roots = np.repeat(np.sqrt(tables.weights[used]), 2)

    def real(sums: np.ndarray) -> np.ndarray:
        return as_real(sums[:, used]) * roots

    force = factors(real(tables.front_force), real(tables.rear_force))
    couple = factors(real(tables.front_couple), real(tables.rear_couple))
    n_front, n_cores = len(tables.front_force), os.cpu_count() or 1
    parts = [slice(i * n_front // n_cores, (i + 1) * n_front // n_cores) for i in range(n_cores)]
    with ThreadPoolExecutor(n_cores) as threads:
        found = threads.map(lambda part: _least(force, couple, part), parts)
        return np.sqrt(np.maximum(np.concatenate(list(found)), 0.0))


def _least(
    force: tuple[np.ndarray, np.ndarray], couple: tuple[np.ndarray, np.ndarray], part: slice
) -> np.ndarray:
    """Return least mean squares of the couple; force and couple of every pair are computed."""
    fronts = force[0][part], couple[0][part]
    least = np.full(len(fronts[0]), np.inf)
    limit = FORCE_LIMIT_N**2
    for j in range(0, force[1].shape[1], BLOCK[1]):
        rears = [np.ascontiguousarray(b[:, j : j + BLOCK[1]]) for b in (force[1], couple[1])]
        shape = (BLOCK[0], rears[0].shape[1])
        results, within = np.empty((2, *shape)), np.empty(shape, bool)
        for i in range(0, len(least), BLOCK[0]):
            count = min(BLOCK[0], len(least) - i)
            forces, couples = results[0, :count], results[1, :count]
            np.matmul(fronts[0][i : i + count], rears[0], out=forces)
            np.less_equal(forces, limit, out=within[:count])
            np.matmul(fronts[1][i : i + count], rears[1], out=couples)
            np.copyto(couples, np.inf, where=~within[:count])
            np.minimum(least[i : i + count], couples.min(axis=1), out=least[i : i + count])
    return least
