"""How big balance shafts must be, what they weigh and rub, and what a second-order pair does."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evaluate.batch import SLOTS, Batch, Engine, FloatArray
from evaluate.inertia import Inertia, engine_harmonics
from evaluate.phasors import ComplexArray
from evaluate.sizing import crank_length_m

#: Below this share of what the masses could make at most, a slot counts as empty.
EMPTY_SHARE = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class ShaftSizes:
    """Unbalance that takes each slot's share; columns in the order of `SLOTS`.

    Attributes
    ----------
    force_kgm : array of complex, shape (candidates, 3)
        Unbalance [kg m]; its angle is where the heavy point stands when cylinder 1 is at its
        top dead centre theta_1, in the plane seen from the free end, positive in the direction of
        rotation of the crank. Zero where nothing is to be cancelled.
    couple_kgm2 : array of complex, shape (candidates, 3)
        Couple unbalance [kg m^2]: unbalance times axial distance; the angle is that of the heavy
        point towards the driving end.
    """

    force_kgm: ComplexArray
    couple_kgm2: ComplexArray


@dataclass(frozen=True, kw_only=True, slots=True)
class SecondOrderPair:
    """What a pair of shafts (2 forward, 2 backward) does to the rolling moment of a candidate.

    Attributes
    ----------
    rolling_moment_Nm : float
        Amplitude of the second-order rolling moment of the inertia forces on the block. [N m]
    pair_moment_N : float
        Amplitude that the pair adds per metre by which the forward shaft stands above the other.
        [N m/m]
    height_difference_m : float
        Height of the forward above the backward shaft that leaves least rolling moment. [m]
    least_rolling_moment_Nm : float
        What is left then; the gas torque is not in it. [N m]
    """

    rolling_moment_Nm: float
    pair_moment_N: float
    height_difference_m: float
    least_rolling_moment_Nm: float


def shaft_sizes(
    engine: Engine, batch: Batch, before: Inertia, first_tdc_deg: FloatArray
) -> ShaftSizes:
    """Return the unbalance of each candidate's balance shafts.

    Parameters
    ----------
    engine, batch
        The givens and the candidates.
    before : Inertia
        Reciprocating forces and couples before balancing (counterweights touch none of the slots).
    first_tdc_deg : array, shape (candidates,)
        theta_1, where the phases are read. [deg]

    Notes
    -----
    A shaft at k omega with unbalance U makes U (k omega)^2, so U = |Q| / (k omega)^2. Values for
    classic engines: see balance shafts in the project's reference notes.
    """
    theta_1 = np.deg2rad(first_tdc_deg)
    speed2 = engine.speed_rad_s**2
    at_pin = engine.reciprocating_mass_kg * engine.crank_radius_m * engine.n_cylinders
    arm_m = float(np.ptp(engine.positions_m)) or engine.crank_radius_m
    columns = []
    for rotors, most in ((before.force, at_pin), (before.couple, at_pin * arm_m)):
        unbalance = np.zeros((len(batch), len(SLOTS)), complex)
        for column, slot in enumerate(SLOTS):
            side, turn = (rotors.forward, 1) if slot.sense == "forward" else (rotors.backward, -1)
            phasor = side[rotors.orders.index(slot.order)]
            here = phasor * np.exp(1j * turn * slot.order * theta_1)
            unbalance[:, column] = -here / (slot.order**2 * speed2)
        unbalance *= batch.shaft_fractions
        unbalance[np.abs(unbalance) < EMPTY_SHARE * most] = 0
        columns.append(unbalance)
    return ShaftSizes(force_kgm=columns[0], couple_kgm2=columns[1])


def shaft_masses_kg(engine: Engine, batch: Batch, sizes: ShaftSizes) -> FloatArray:
    """Return the mass estimate of each shaft, shape (candidates, 3), 0 where there is none. [kg]

    A plain steel core as long as the crank with half-disc weights: one for the force, a pair for
    the couple, 0.8 crank lengths apart (centroid of a half disc at 4R/(3 pi)).
    """
    p = engine.proportions
    length_m = crank_length_m(engine)
    core_m = p.shaft_core_diameter_to_bore * engine.bore_m
    core_kg = 0.25 * math.pi * core_m**2 * length_m * p.steel_density_kg_m3
    centroid_m = 4 / (3 * math.pi) * p.shaft_weight_radius_to_bore * engine.bore_m
    arm_m = p.shaft_couple_arm_to_crank_length * length_m
    weights_kgm = np.abs(sizes.force_kgm) + 2 * np.abs(sizes.couple_kgm2) / arm_m
    present = batch.shaft_fractions > 0
    return np.where(present, core_kg + weights_kgm / centroid_m, 0.0)


def shaft_friction_W(engine: Engine, batch: Batch) -> FloatArray:
    """Return the bearing friction of each shaft, shape (candidates, 3). [W]

    Petroff's law for two unloaded plain bearings, T = 4 pi^2 mu n L R^3 / c each (any text on
    machine elements, e.g. J. E. Shigley, Mechanical Engineering Design, journal bearings; from
    memory), at a stated viscosity and clearance.
    """
    p = engine.proportions
    radius_m = 0.5 * p.shaft_core_diameter_to_bore * engine.bore_m
    length_m = p.shaft_bearing_length_to_diameter * 2 * radius_m
    clearance_m = p.shaft_bearing_clearance_ratio * radius_m
    turns_per_s = np.array([slot.order for slot in SLOTS]) * engine.speed_rad_s / (2 * math.pi)
    torque_Nm = (
        4 * math.pi**2 * p.oil_viscosity_Pa_s * turns_per_s * length_m * radius_m**3 / clearance_m
    )
    return np.where(batch.shaft_fractions > 0, 2 * torque_Nm * 2 * math.pi * turns_per_s, 0.0)


def second_order_pair(
    engine: Engine, batch: Batch, before: Inertia, tdc_deg: FloatArray
) -> list[SecondOrderPair | None]:
    """Return, per candidate, what its second-order pair does to the rolling moment, if it has one.

    The block feels minus the inertia torque of the crank, and with an offset pin path the pistons'
    inertia forces at that distance from the crank axis. A rotating force F at height z above
    the crank axis adds Im(z F). For the in-line four the inertia part vanishes when the forward
    shaft stands one rod length above the other (see balance shafts in the reference notes).

    Parameters
    ----------
    tdc_deg : array, shape (candidates, cylinders)
        theta_i. [deg]
    """
    harmonics = engine_harmonics(engine)
    row = harmonics.orders.index(2)
    scale = engine.reciprocating_mass_kg * (engine.crank_radius_m * engine.speed_rad_s) ** 2
    turned = np.exp(-2j * np.deg2rad(tdc_deg)).sum(axis=1)
    # About the crank axis the inertia force of an offset piston has a lever arm as well.
    lever = engine.pin_path_offset_m / engine.crank_radius_m * harmonics.force[row]
    rolling = -scale * (harmonics.torque[row] + lever) * turned
    empty_N = EMPTY_SHARE * scale / engine.crank_radius_m * engine.n_cylinders
    pairs: list[SecondOrderPair | None] = []
    for index in range(len(batch)):
        fractions = batch.shaft_fractions[index, 1:]
        if not fractions.all():
            pairs.append(None)
            continue
        forward = -fractions[0] * before.force.forward[row, index]
        backward = -fractions[1] * before.force.backward[row, index]
        # Im(F) of each shaft as the phasor of exp(2j theta), half of the height difference each.
        per_m = 0.5 * (-1j * forward) - 0.5 * (1j * backward.conjugate())
        per_m = complex(per_m) if abs(per_m) > empty_N else 0j
        pairs.append(_pair(complex(rolling[index]), per_m))
    return pairs


def _pair(rolling: complex, per_m: complex) -> SecondOrderPair:
    # Least |rolling + z per_m| over real z.
    height_m = -(rolling * per_m.conjugate()).real / abs(per_m) ** 2 if per_m else 0.0
    return SecondOrderPair(
        rolling_moment_Nm=abs(rolling),
        pair_moment_N=abs(per_m),
        height_difference_m=height_m,
        least_rolling_moment_Nm=abs(rolling + height_m * per_m),
    )
