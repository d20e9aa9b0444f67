"""The peak load of the worst main bearing for whole batches: coarse looks, then close ones.

A table per engine holds the pin force ready to be shifted by any firing angle, so that scoring a
candidate is looking up, turning and adding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.bays import CUBIC, around, bearing_shares, between, cycle_angles_rad, turning_N
from evaluate.firing import firing_angles_deg
from evaluate.phasors import ComplexArray, unit_phasors

#: Step of the coarse look at all bearings; the height of a top is that of a parabola.
COARSE_STEP_DEG = 5.0
#: Tops of the coarse loads around which every sample is looked at.
N_TOPS = 2
#: Candidates at a time: so few that all arrays of a step stay in the cache.
_COARSE_CHUNK, _FINE_CHUNK = 192, 576


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadTable:
    """What the batch metric needs of one engine, from `load_table`.

    Attributes
    ----------
    step : int
        Samples of the pin force from one coarse crank angle to the next. [-]
    samples_per_deg : float
        Of the pin force. [1/deg]
    coarse : array of complex64, shape (step, coarse + 1, coarse)
        The pin force at the coarse angles after any delay by whole samples. [N]
    coarse_turn : array of complex64, shape (coarse,)
        exp(j theta) at the coarse angles. [-]
    fine : array of complex, shape (2 K + 3, 2 step + 2)
        The pin force around each sample, as many samples as a fine look needs. [N]
    fine_turn : array of complex, shape (K,)
        exp(j theta) at each sample. [-]
    shares : array, shape (mains, cylinders)
        From `bearing_shares`, over the journals' projected areas if these were given. [-] or [1/m2]
    near : array of int, shape (mains, most)
        Cylinders that a main carries a share of, filled up with others. [-]
    """

    step: int
    samples_per_deg: float
    coarse: NDArray[np.complex64]
    coarse_turn: NDArray[np.complex64]
    fine: ComplexArray
    fine_turn: ComplexArray
    shares: FloatArray
    near: IntArray


def load_table(
    engine: Engine,
    pin_force: ComplexArray,
    *,
    areas_m2: FloatArray | float | None = None,
    coarse_step_deg: float = COARSE_STEP_DEG,
) -> LoadTable:
    """Return the table from which `main_load_peak_N` reads loads of a whole batch.

    Parameters
    ----------
    engine : Engine
        The givens.
    pin_force : array of complex, shape (K,)
        From `pin_force_N`. [N]
    areas_m2 : array of shape (mains,), float or None
        Projected area of the main journals, diameter times width; with it, peaks are specific loads
        in Pa. [m2]
    coarse_step_deg : float
        At most this far apart are the coarse angles; the widest step that divides the cycle. [deg]
    """
    n_samples = len(pin_force)
    widest = max(1, int(coarse_step_deg * n_samples / engine.cycle_deg + 1e-9))
    step = next(step for step in range(widest, 0, -1) if n_samples % step == 0)
    n_coarse = n_samples // step
    # One row for each sample between two coarse angles, twice around so that no window wraps.
    rows = np.tile(pin_force.reshape(n_coarse, step).T, 2).astype(np.complex64)
    turn = np.exp(1j * cycle_angles_rad(engine, n_samples))
    shares = bearing_shares(engine)
    most = int((shares != 0).sum(axis=1).max())
    if areas_m2 is not None:
        shares = shares / np.reshape(areas_m2, (-1, 1))
    return LoadTable(
        step=step,
        samples_per_deg=n_samples / engine.cycle_deg,
        coarse=sliding_window_view(rows, n_coarse, axis=1),
        coarse_turn=turn[::step].astype(np.complex64),
        fine=sliding_window_view(around(pin_force, before=step), 2 * step - 1 + CUBIC - 1),
        fine_turn=turn,
        shares=shares,
        near=np.argsort(shares == 0, axis=1, kind="stable")[:, :most],
    )


def main_load_peak_N(engine: Engine, batch: Batch, table: LoadTable) -> FloatArray:
    """Return the peak load of the worst main bearing of a whole batch.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates, any number.
    table : LoadTable
        From `load_table`.

    Returns
    -------
    array, shape (candidates,)
        [N], or [Pa] with a table made for areas.

    Notes
    -----
    All loads are looked up every 5 degrees, firing angles rounded to a sample; around the two
    highest tops (parabolas through three squares) every sample is then computed as `main_loads_N`
    does. So a result is never above the fine peak, and nearly always it is that peak; where a third
    top is the highest, it lies below by less than 1.5 % (0.9 % at most in ten thousand random
    candidates), or by more if the pressure jumps from one sample to the next. As the grid starts at
    the first cylinder's firing, the engine seen from its other end agrees within the same.
    """
    fired_deg = firing_angles_deg(batch)
    axes_deg = batch.bank_axes_deg()
    # Directions count from the first cylinder's bank: magnitudes do not see a common turn.
    banks = unit_phasors(axes_deg - axes_deg[:, :1])
    turning = turning_N(engine, batch)[:, np.newaxis] * banks * unit_phasors(-fired_deg)
    centres = np.zeros((len(batch), engine.n_mains), complex)
    for main, cylinder in zip(*np.nonzero(table.shares), strict=True):
        centres[:, main] += table.shares[main, cylinder] * turning[:, cylinder]
    delays = fired_deg * table.samples_per_deg
    squares = np.zeros(len(batch))
    for start in range(0, len(batch), _FINE_CHUNK):
        rows = slice(start, start + _FINE_CHUNK)
        part = (delays[rows], banks[rows], centres[rows])
        for main, sample in _coarse_tops(table, *part):
            np.maximum(squares[rows], _fine_square(table, *part, main, sample), out=squares[rows])
    return np.sqrt(squares)


def _coarse_tops(
    table: LoadTable, delays: FloatArray, banks: ComplexArray, centres: ComplexArray
) -> list[tuple[IntArray, IntArray]]:
    """Return bearing and sample, each (candidates,), of the two highest tops on the coarse grid."""
    found = np.empty((N_TOPS, 2, len(delays)), np.int64)
    for start in range(0, len(delays), _COARSE_CHUNK):
        rows = slice(start, start + _COARSE_CHUNK)
        square = _coarse_squares(table, delays[rows], banks[rows], centres[rows])
        found[:, :, rows] = _two_tops(square)
    return [(main, sample * table.step) for main, sample in found]


def _two_tops(square: NDArray[np.float32]) -> IntArray:
    """Return bearing and coarse angle of the two highest tops, shape (2, 2, candidates)."""
    rows = np.arange(square.shape[1])
    top = square.argmax(axis=2)
    height = _heights(square, top)
    worst = height.argmax(axis=0)
    first = top[worst, rows]
    # The second may be another top of the same bearing.
    same = square[worst, rows]
    is_top = (same >= np.roll(same, 1, axis=1)) & (same >= np.roll(same, -1, axis=1))
    is_top[rows, first] = False
    other = np.where(is_top, same, 0).argmax(axis=1)
    top[worst, rows] = other
    height[worst, rows] = _heights(same[np.newaxis], other[np.newaxis])[0]
    second = height.argmax(axis=0)
    return np.array([[worst, first], [second, top[second, rows]]])


def _heights(square: NDArray[np.float32], top: IntArray) -> NDArray[np.float32]:
    """Return the tops of parabolas through three squares, (mains, candidates)."""
    n_coarse = square.shape[2]
    begin = (n_coarse * np.arange(top.size)).reshape(top.shape)
    flat = square.reshape(-1)
    before, here, after = (flat[begin + (top + step) % n_coarse] for step in (-1, 0, 1))
    bend = 2 * here - before - after
    # At a top the bend is the larger: no square of a square, which single precision could not hold.
    tilt = np.divide(after - before, 8 * bend, out=np.zeros_like(here), where=bend > 0)
    heights: NDArray[np.float32] = here + tilt * (after - before)
    return heights


def _coarse_squares(
    table: LoadTable, delays: FloatArray, banks: ComplexArray, centres: ComplexArray
) -> NDArray[np.float32]:
    """Return squares of main loads at the coarse angles, shape (mains, candidates, coarse).

    In single precision, which is quicker and good enough to tell which load is the highest.
    """
    n_coarse = table.coarse.shape[-1]
    begin = -np.rint(delays).astype(np.int64) % (n_coarse * table.step)
    phase, first = begin % table.step, begin // table.step
    directions = banks.astype(np.complex64)
    is_turned = np.any(banks != 1, axis=0)
    shares = table.shares.astype(np.float32)
    loads = np.empty((len(shares), len(delays), n_coarse), np.complex64)
    part = np.empty(loads.shape[1:], np.complex64)
    for main, centre in enumerate(centres.T.astype(np.complex64)):
        np.multiply(centre[:, np.newaxis], table.coarse_turn, out=loads[main])
    for cylinder in range(delays.shape[1]):
        force = table.coarse[phase[:, cylinder], first[:, cylinder]]
        if is_turned[cylinder]:
            force *= directions[:, cylinder, np.newaxis]
        for carrier in np.flatnonzero(shares[:, cylinder]):
            share = shares[carrier, cylinder]
            np.multiply(force.view(np.float32), share, out=part.view(np.float32))
            loads[carrier] += part
    parts = loads.view(np.float32)
    np.multiply(parts, parts, out=parts)
    square: NDArray[np.float32] = parts[:, :, 0::2] + parts[:, :, 1::2]
    return square


def _fine_square(
    table: LoadTable,
    delays: FloatArray,
    banks: ComplexArray,
    centres: ComplexArray,
    main: IntArray,
    sample: IntArray,
) -> FloatArray:
    """Return the highest square of a main's load near a sample, shape (candidates,)."""
    rows = np.arange(len(main))
    n_samples = len(table.fine_turn)
    near = table.near[main]
    delay = np.take_along_axis(delays, near, axis=1)
    whole = np.floor(delay).astype(np.int64)
    runs = table.fine[(sample[:, np.newaxis] - whole) % n_samples]
    forces = between(runs, (delay - whole)[:, :, np.newaxis])
    weights = table.shares[main[:, np.newaxis], near] * np.take_along_axis(banks, near, axis=1)
    times = (sample[:, np.newaxis] + np.arange(1 - table.step, table.step)) % n_samples
    loads = centres[rows, main, np.newaxis] * table.fine_turn[times]
    for place in range(near.shape[1]):
        loads += weights[:, place, np.newaxis] * forces[:, place]
    squares: FloatArray = (loads.real**2 + loads.imag**2).max(axis=1)
    return squares
