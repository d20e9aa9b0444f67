"""The obvious way: one candidate at a time, small numpy arrays, formulas as in the books."""

from __future__ import annotations

import numpy as np

from evaluate import Batch, Engine
from evaluate.inertia import engine_harmonics


def score_one_by_one(engine: Engine, batch: Batch) -> np.ndarray:
    """Return the six benchmark metrics of each candidate, one after the other."""
    harmonics = engine_harmonics(engine)
    scale = 0.5 * engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    cycle, n = engine.cycle_deg, engine.n_cylinders
    rows = []
    for index in range(len(batch)):
        banks = batch.banks[0]
        alpha = np.deg2rad(batch.pin_angles_deg[index])
        beta = np.deg2rad(batch.bank_angles_deg[index][banks])
        theta = beta - alpha
        axis = np.exp(1j * beta)
        squares = []
        for weights in (np.ones(n), engine.positions_m):
            square = 0.0
            for order, harmonic in zip(harmonics.orders, harmonics.force, strict=True):
                forward = scale * harmonic * np.sum(weights * axis * np.exp(-1j * order * theta))
                backward = (
                    scale * np.conj(harmonic) * np.sum(weights * axis * np.exp(1j * order * theta))
                )
                if order == 1:
                    left = batch.reciprocating_fraction[index] * 2 * scale
                    forward -= left * np.sum(weights * np.exp(1j * alpha))
                square += abs(forward) ** 2 + abs(backward) ** 2
            squares.append(np.sqrt(square))
        phases = np.rad2deg(theta - theta[0]) % 360
        phases[(phases < 1e-6) | (phases > 360 - 1e-6)] = 0.0
        phi = phases + 360 * batch.firing_bits[index]
        rising = np.sort(phi)
        gaps = np.diff(np.append(rising, rising[0] + cycle))
        lead = np.arange(n) / n - rising / cycle
        uneven, least = 0.0, cycle
        for bank in range(engine.n_banks):
            pulses = np.sort(phi[banks == bank])
            spacing = np.diff(np.append(pulses, pulses[0] + cycle))
            uneven += np.sum((spacing - cycle / len(pulses)) ** 2)
            least = min(least, spacing.min())
        rows.append(
            [
                *squares,
                lead.max() + 1 / n - lead.min(),
                np.sqrt(np.mean((gaps - cycle / n) ** 2)),
                np.sqrt(uneven / n),
                least,
            ]
        )
    return np.array(rows)
