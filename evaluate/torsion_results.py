"""The torsional vibration of one engine as a plain document for JSON, tables and sheets."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from evaluate.batch import Batch, Engine, FloatArray
from evaluate.torsion import (
    Excitation,
    criticals,
    cycle_multiples,
    damped_resonances,
    is_major,
    natural_modes,
    orders_of,
    phase_vectors,
)
from evaluate.torsion_batch import (
    TorsionGivens,
    torsional_amplitude_deg,
    torsional_phase_sum,
    torsional_stress_MPa,
)
from evaluate.units import rpm_from_rad_s

#: Natural vibrations that are listed, lowest first.
N_MODES = 3
ASSUMPTIONS = (
    "one inertia per throw with half of its reciprocating mass; stiffness from proportions unless "
    "stated; steady vibration, the worst single order, free end against driving end"
)


def torsion_document(
    engine: Engine,
    batch: Batch,
    firing_angles_deg: FloatArray,
    *,
    givens: TorsionGivens,
    excited: Excitation | None = None,
) -> dict[str, Any]:
    """Return everything torsional of one layout, as nested dicts of plain values and arrays.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        A batch of one.
    firing_angles_deg : array, shape (1, cylinders)
        [deg]
    givens : TorsionGivens
        Shaft, damping, running range.
    excited : Excitation or None
        Torque of one cylinder; without it amplitudes are NaN.

    Raises
    ------
    InputError
        If neither the bore is known nor a chain is stated.
    """
    chain = givens.chain_of(
        engine,
        rotating_fraction=float(batch.rotating_fraction[0]),
        reciprocating_fraction=float(batch.reciprocating_fraction[0]),
    )
    modes, resonances = natural_modes(chain), damped_resonances(chain)
    multiples = cycle_multiples(givens.highest_order, engine.cycle_deg)
    at_cylinders = modes.shapes[:N_MODES, chain.stations_of_cylinders]
    sums = np.abs(
        phase_vectors(firing_angles_deg, at_cylinders, multiples, cycle_deg=engine.cycle_deg)
    )
    amplitude_deg = stress_MPa = np.full(1, math.nan)
    if excited is not None:
        amplitude_deg = torsional_amplitude_deg(
            engine, batch, firing_angles_deg, givens=givens, excited=excited
        )
        stress_MPa = torsional_stress_MPa(
            engine, batch, firing_angles_deg, givens=givens, excited=excited
        )
    low, high = givens.range_rad_s(engine)
    return {
        "inertias_kgm2": chain.inertias_kgm2,
        "stiffnesses_Nm_per_rad": chain.stiffnesses_Nm_per_rad,
        "cylinder_stations": [station + 1 for station in chain.cylinder_stations],
        "section_diameters_mm": [1000 * diameter for diameter in chain.diameters_m],
        "is_stated": givens.chain is not None,
        "damper": None if chain.damper is None else asdict(chain.damper),
        "magnifier": chain.magnifier,
        "speed_range_rpm": [rpm_from_rad_s(low), rpm_from_rad_s(high)],
        "highest_order": givens.highest_order,
        "modes": [
            {"mode": number + 1, "frequency_Hz": omega / (2 * math.pi), "shape": shape}
            for number, (omega, shape) in enumerate(
                zip(modes.frequencies_rad_s[:N_MODES], modes.shapes, strict=False)
            )
        ],
        "resonances": [
            {"frequency_Hz": omega / (2 * math.pi), "magnifier": magnifier}
            for omega, magnifier in zip(
                resonances.frequencies_rad_s[:N_MODES], resonances.magnifiers, strict=False
            )
        ],
        "phase_vector_sums": [
            {"order": order, "is_major": major, "by_mode": by_mode}
            for order, major, by_mode in zip(
                orders_of(multiples, engine.cycle_deg),
                is_major(firing_angles_deg, multiples, cycle_deg=engine.cycle_deg)[0],
                sums[0].T,
                strict=True,
            )
        ],
        "criticals": [
            asdict(critical)
            for critical in criticals(
                chain,
                firing_angles_deg[0],
                cycle_deg=engine.cycle_deg,
                range_rad_s=(low, high),
                excited=excited,
                highest_order=givens.highest_order,
            )
        ],
        "amplitude_deg": amplitude_deg[0],
        "stress_MPa": stress_MPa[0],
        "phase_sum": torsional_phase_sum(engine, batch, firing_angles_deg, givens=givens)[0],
        "assumptions": ASSUMPTIONS,
    }
