"""Engines with one candidate for tests, built directly, without a layout file in between."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evaluate import Batch, Engine, Evaluation, sizing


def evaluation(
    *,
    pin_angles_deg: Sequence[float],
    bank_axes_deg: Sequence[float] | None = None,
    positions_m: Sequence[float] | None = None,
    firing_bits: Sequence[int] | None = None,
    collectors: Sequence[int] | None = None,
    throws: Sequence[int] | None = None,
    rotating_fraction: float = 0.0,
    reciprocating_fraction: float = 0.0,
    shaft_fractions: Sequence[float] = (0.0, 0.0, 0.0),
    crank_radius_m: float = 0.045,
    rod_length_m: float = 0.15,
    pin_path_offset_m: float = 0.0,
    reciprocating_mass_kg: float = 0.5,
    rotating_mass_kg: float = 0.0,
    speed_rad_s: float = 500.0,
    bore_m: float = 0.09,
    cycle_deg: float = 720.0,
    open_duration_deg: float = 240.0,
) -> Evaluation:
    """Return the evaluation of a batch of one; what is left out is in line and unbalanced."""
    n = len(pin_angles_deg)
    axes = np.zeros(n) if bank_axes_deg is None else np.array(bank_axes_deg, float)
    bank_angles_deg, banks = np.unique(axes, return_inverse=True)
    places = 0.1 * np.arange(n) if positions_m is None else np.array(positions_m, float)
    throw_of = np.arange(n) if throws is None else np.array(throws)
    throw_places = np.array(
        [places[throw_of == throw].mean() for throw in range(max(throw_of) + 1)]
    )
    engine = Engine(
        cycle_deg=cycle_deg,
        crank_radius_m=crank_radius_m,
        rod_length_m=rod_length_m,
        pin_path_offset_m=pin_path_offset_m,
        reciprocating_mass_kg=reciprocating_mass_kg,
        rotating_mass_kg=rotating_mass_kg,
        speed_rad_s=speed_rad_s,
        bore_m=bore_m,
        positions_m=places,
        throws=throw_of,
        throw_positions_m=throw_places,
        main_positions_m=sizing.main_positions_m(
            throw_places, np.full(len(throw_places) - 1, True), bore_m
        ),
        n_banks=len(bank_angles_deg),
        open_duration_deg=open_duration_deg,
    )
    batch = Batch(
        pin_angles_deg=np.array([pin_angles_deg], float),
        bank_angles_deg=bank_angles_deg[np.newaxis],
        banks=banks[np.newaxis],
        firing_bits=np.array([[0] * n if firing_bits is None else firing_bits]),
        rotating_fraction=np.array([rotating_fraction], float),
        reciprocating_fraction=np.array([reciprocating_fraction], float),
        shaft_fractions=np.array([shaft_fractions], float),
        collectors=np.array([[0] * n if collectors is None else collectors]),
    )
    return Evaluation(engine, batch)
