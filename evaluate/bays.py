"""Bays of a crank as beams, what turns with it, and one cylinder's force delayed by any angle."""

from __future__ import annotations

import numpy as np

from evaluate.batch import Batch, Engine, FloatArray
from evaluate.inertia import forward_mass_kg
from evaluate.phasors import ComplexArray

#: Samples of a working cycle where no pressure trace says otherwise.
N_SAMPLES = 720
#: Samples that a cubic between samples goes through.
CUBIC = 4


def cycle_angles_rad(engine: Engine, n_samples: int = N_SAMPLES) -> FloatArray:
    """Return evenly spaced crank angles of one working cycle, shape (samples,). [rad]"""
    angles_rad: FloatArray = np.deg2rad(engine.cycle_deg) * np.arange(n_samples) / n_samples
    return angles_rad


def bearing_shares(engine: Engine) -> FloatArray:
    """Return which share of a force at each cylinder each main bearing carries.

    Every bay is a beam on its two main bearings. A cylinder beyond the outer mains hangs over the
    last bay: its lever leaves 0 to 1. One that stands exactly over a main loads that one alone.

    Returns
    -------
    array, shape (mains, cylinders)
        Each column sums to 1, and to the cylinder's position when weighted by the mains'. [-]

    Raises
    ------
    ValueError
        For fewer than two main bearings.
    """
    mains_m, places_m = engine.main_positions_m, engine.positions_m
    if engine.n_mains < 2:
        raise ValueError("main_positions_m: two main bearings or more")
    bay = np.clip(np.searchsorted(mains_m, places_m) - 1, 0, engine.n_mains - 2)
    lever = (places_m - mains_m[bay]) / (mains_m[bay + 1] - mains_m[bay])
    shares = np.zeros((engine.n_mains, engine.n_cylinders))
    cylinders = np.arange(engine.n_cylinders)
    shares[bay, cylinders] = 1 - lever
    shares[bay + 1, cylinders] = lever
    return shares


def pull_per_kg(engine: Engine) -> float:
    """Return the centrifugal force of a kilogram at the crankpin, r omega^2. [N/kg]"""
    return engine.crank_radius_m * engine.speed_rad_s**2


def around(pin_force: ComplexArray, before: int = 1) -> ComplexArray:
    """Return the cycle twice, beginning the reach of a cubic and some samples before its start.

    A run that starts at index s, of n + 3 samples, holds what n values from sample s - before + 1
    on need when they are delayed by up to one sample.
    """
    twice: ComplexArray = np.roll(np.tile(pin_force, 2), before + 1)
    return np.concatenate([twice, twice[: CUBIC + 2 * before]])


def between(runs: ComplexArray, rest: FloatArray) -> ComplexArray:
    """Return values delayed by `rest` (0 to 1) of a sample, by Lagrange's cubic on four samples.

    From runs of n + 3 samples come n values; value k lies between samples k + 2 (no delay) and
    k + 1 (a whole sample of it).
    """
    n_values = runs.shape[-1] - CUBIC + 1
    weights = (
        rest * (rest - 1) * (rest + 1) / 6,
        rest * (rest + 1) * (2 - rest) / 2,
        (1 - rest) * (1 + rest) * (2 - rest) / 2,
        -rest * (1 - rest) * (2 - rest) / 6,
    )
    total: ComplexArray = weights[0] * runs[..., :n_values]
    for place in range(1, CUBIC):
        total += weights[place] * runs[..., place : place + n_values]
    return total


def turning_N(engine: Engine, batch: Batch) -> FloatArray:
    """Return the pull of rotating mass less counterweights along one throw, (candidates,). [N]"""
    return forward_mass_kg(engine, batch) * pull_per_kg(engine)
