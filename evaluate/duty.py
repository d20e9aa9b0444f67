"""What the cylinders do and what the shaft is: pressure, steadiness of speed, torsion."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from evaluate import torque
from evaluate.batch import FloatArray
from evaluate.pressure import Combustion, PressureTrace, default_combustion, pressure_trace
from evaluate.torsion import Excitation, excitation
from evaluate.torsion_batch import TorsionGivens

if TYPE_CHECKING:
    from evaluate.batch import Engine

#: Where no coefficient is stated: an alternator driven by belt, rounded (Engineers Edge table, as
#: quoted in the project's notes). [-]
SPEED_FLUCTUATION = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class Journals:
    """Sizes of main journals, one for all bearings."""

    diameter_m: float
    width_m: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Duty:
    """Givens of gas, flywheel and torsion, the same for all candidates.

    Attributes
    ----------
    combustion : Combustion or None
        Pressure model; None for the usual one of a spark-ignition engine of this cycle.
    trace : PressureTrace or None
        A measured trace in place of the model.
    speed_fluctuation : float
        Coefficient of speed fluctuation that the flywheel must hold. [-]
    torsion : TorsionGivens
        Shaft, damping and running range.
    main_journals : Journals or None
        For specific loads.
    rod : Rod or None
        What the connecting rod adds to its two masses at the pins, for torque.
    """

    combustion: Combustion | None = None
    trace: PressureTrace | None = None
    speed_fluctuation: float = SPEED_FLUCTUATION
    torsion: TorsionGivens = field(default_factory=TorsionGivens)
    main_journals: Journals | None = None
    rod: torque.Rod | None = None


def trace_of(engine: Engine) -> PressureTrace:
    """Return the cylinder pressure of an engine over its cycle."""
    if engine.duty.trace is not None:
        return engine.duty.trace
    combustion = engine.duty.combustion or _usual(engine.cycle_deg)
    return pressure_trace(
        combustion,
        crank_radius_m=engine.crank_radius_m,
        rod_length_m=engine.rod_length_m,
        pin_path_offset_m=engine.pin_path_offset_m,
        cycle_deg=engine.cycle_deg,
    )


def torques_Nm(engine: Engine) -> tuple[FloatArray, FloatArray]:
    """Return gas and inertia torque of one cylinder over its cycle, each (samples,). [N m]"""
    trace = trace_of(engine)
    gas_Nm = torque.gas_torque_Nm(engine, trace)
    return gas_Nm, torque.inertia_torque_Nm(engine, len(trace.psi_rad), engine.duty.rod)


def excitation_of(engine: Engine) -> Excitation:
    """Return what excites torsion, from one cylinder's gas and inertia torque."""
    gas_Nm, inertia_Nm = torques_Nm(engine)
    return excitation(
        torque.cycle_harmonics(np.nan_to_num(gas_Nm)),
        torque.cycle_harmonics(inertia_Nm),
        speed_rad_s=engine.speed_rad_s,
        cycle_deg=engine.cycle_deg,
        highest_order=engine.duty.torsion.highest_order,
    )


@lru_cache(maxsize=8)
def _usual(cycle_deg: float) -> Combustion:
    return default_combustion("spark", cycle_deg)
