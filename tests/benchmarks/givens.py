"""Random eight-cylinder candidates for the benchmarks, from a fixed seed."""

from __future__ import annotations

import numpy as np

from evaluate import Batch, Engine, Proportions
from evaluate.sizing import cylinder_size, sized_engine

METRICS = (
    "force_rms_N",
    "couple_rms_Nm",
    "firing_fluctuation",
    "firing_unevenness_deg",
    "exhaust_unevenness_deg",
    "exhaust_spacing_min_deg",
)


def v_eight() -> Engine:
    """Return the givens of a V8 with shared pins."""
    size = cylinder_size(
        8,
        displacement_m3=4e-3,
        stroke_to_bore=1.0,
        crank_radius_to_rod=0.3,
        speed_rad_s=600.0,
    )
    return sized_engine(
        8,
        n_banks=2,
        pins="shared",
        size=size,
        cycle_deg=720.0,
        open_duration_deg=240.0,
        proportions=Proportions(),
    )


def candidates(n: int, *, step_deg: float) -> Batch:
    """Return random V8 candidates; throw angles on a lattice, or continuous when the step is 0."""
    rng = np.random.default_rng(20261125)
    throws = rng.random((n, 4)) * 360
    if step_deg:
        throws = np.floor(throws / step_deg) * step_deg
    throws[:, 0] = 0
    bits = rng.integers(0, 2, (n, 8))
    bits[:, 0] = 0
    banks = (np.arange(8) % 2)[np.newaxis]
    bank_angles = rng.choice([60.0, 75.0, 90.0, 120.0], n)
    return Batch(
        pin_angles_deg=np.repeat(throws, 2, axis=1),
        bank_angles_deg=bank_angles[:, np.newaxis] * np.array([[-0.5, 0.5]]),
        banks=banks,
        firing_bits=bits,
        rotating_fraction=np.ones(n),
        reciprocating_fraction=np.full(n, 0.5),
        shaft_fractions=np.zeros((n, 3)),
        collectors=banks,
    )
