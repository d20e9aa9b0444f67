"""Torsional metrics of whole batches: worst twist, worst stress, worst phase-vector sum.

What does not depend on the firing order is solved for once per engine and balance fraction and
kept; a candidate then costs one sum over its cylinders per order and speed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.phasors import ComplexArray
from evaluate.sums import sum_rows
from evaluate.torsion import (
    HIGHEST_ORDER,
    Excitation,
    critical_speeds,
    cycle_multiples,
    dynamic_stiffness,
    firing_phasors,
    natural_modes,
    orders_of,
    phase_vectors,
    section_moduli_m3,
    speeds_around_resonances,
    weighted_sums,
)
from evaluate.torsion_chain import Chain, Damper
from evaluate.torsion_crank import MAGNIFIER, ShaftProportions, chain_from_proportions

#: The running range over the speed of the engine: a project assumption. [-]
SPEED_RANGE_TO_RATED = (0.2, 1.0)
#: Speeds at which a batch is judged beside those at and around each resonance.
_N_EVEN_SPEEDS = 9
#: A row of the tables is left out only when it is beaten by more than round-off.
_ROUND_OFF = 1e-12
#: So few that the sums of a block of candidates stay in the cache.
_ROWS_AT_A_TIME = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class TorsionGivens:
    """What a study or a layout states for torsional vibration.

    Attributes
    ----------
    shaft : ShaftProportions
        Coefficients for stiffness and inertia.
    chain : Chain or None
        Stated inertias and stiffnesses in place of proportions; its own damper and damping count.
    flywheel_inertia_kgm2 : float or None
        None for a multiple of the throws' inertia. [kg m^2]
    damper : Damper or None
        At the free end.
    magnifier : float
        Of damping within the shaft, see `Chain`. [-]
    throw_damping_Nms_per_rad : float
        Of each throw against the block. [N m s/rad]
    speed_range_to_rated : tuple of two float
        Running range over the engine's speed. [-]
    highest_order : float
        Orders above it are left out. [-]
    """

    shaft: ShaftProportions = field(default_factory=ShaftProportions)
    chain: Chain | None = None
    flywheel_inertia_kgm2: float | None = None
    damper: Damper | None = None
    magnifier: float = MAGNIFIER
    throw_damping_Nms_per_rad: float = 0.0
    speed_range_to_rated: tuple[float, float] = SPEED_RANGE_TO_RATED
    highest_order: float = HIGHEST_ORDER

    def __post_init__(self) -> None:
        low, high = self.speed_range_to_rated
        if not 0 < low < high < math.inf:
            raise InputError("speed_range", f"{low:g} to {high:g}", "two rising numbers above 0")
        if not 0 < self.highest_order <= 1000:
            raise InputError("highest_order", f"{self.highest_order:g}", "above 0, at most 1000")

    def range_rad_s(self, engine: Engine) -> tuple[float, float]:
        """Return the running range of an engine. [rad/s]"""
        low, high = self.speed_range_to_rated
        return low * engine.speed_rad_s, high * engine.speed_rad_s

    def chain_of(
        self, engine: Engine, *, rotating_fraction: float, reciprocating_fraction: float
    ) -> Chain:
        """Return the stated chain, or the one that proportions and counterweights make.

        Raises
        ------
        InputError
            If a stated chain does not have one station per cylinder, or the bore is unknown.
        """
        if self.chain is None:
            return chain_from_proportions(
                engine,
                shaft=self.shaft,
                rotating_fraction=rotating_fraction,
                reciprocating_fraction=reciprocating_fraction,
                flywheel_inertia_kgm2=self.flywheel_inertia_kgm2,
                damper=self.damper,
                magnifier=self.magnifier,
                throw_damping_Nms_per_rad=self.throw_damping_Nms_per_rad,
            )
        if len(self.chain.cylinder_stations) != engine.n_cylinders:
            raise InputError(
                "cylinder_stations",
                f"{len(self.chain.cylinder_stations)} stations",
                f"{engine.n_cylinders}, one per cylinder",
            )
        return self.chain


def torsional_amplitude_deg(
    engine: Engine,
    batch: Batch,
    firing_angles_deg: FloatArray,
    *,
    givens: TorsionGivens,
    excited: Excitation,
) -> FloatArray:
    """Return the worst twist amplitude of a single order in the running range, (candidates,). [deg]

    Parameters
    ----------
    engine, batch
        Givens and candidates; counterweights change the inertias.
    firing_angles_deg : array, shape (candidates, cylinders)
        [deg]
    givens : TorsionGivens
        Shaft, damping, running range.
    excited : Excitation
        Torque of one cylinder.

    Notes
    -----
    Free end against driving end. What does not depend on the firing order, the twist per cylinder,
    order and speed, is solved for exactly once per engine and balance fraction, and kept; near
    resonances the speeds stand close enough that a peak is missed by less than one per cent. NaN
    where the bore is unknown and no chain is stated.
    """
    return np.rad2deg(_worst("twist", engine, batch, firing_angles_deg, givens, excited))


def torsional_stress_MPa(
    engine: Engine,
    batch: Batch,
    firing_angles_deg: FloatArray,
    *,
    givens: TorsionGivens,
    excited: Excitation,
) -> FloatArray:
    """Return the worst nominal shear stress of one order and section, (candidates,). [MPa]

    Parameters and notes as in `torsional_amplitude_deg`; NaN also where no diameter is known.
    """
    return 1e-6 * _worst("stress", engine, batch, firing_angles_deg, givens, excited)


def torsional_phase_sum(
    engine: Engine,
    batch: Batch,
    firing_angles_deg: FloatArray,
    *,
    givens: TorsionGivens,
) -> FloatArray:
    """Return the largest phase-vector sum of any critical in the running range, (candidates,).

    Parameters
    ----------
    engine, batch, firing_angles_deg, givens
        As in `torsional_amplitude_deg`; no excitation is needed.

    Returns
    -------
    array, shape (candidates,)
        0 where no order up to the highest one is critical in the range; NaN where the bore is
        unknown and no chain is stated. [-]
    """
    worst = np.full(len(batch), np.nan)
    multiples = cycle_multiples(givens.highest_order, engine.cycle_deg)
    orders = orders_of(multiples, engine.cycle_deg)
    for chain, rows in _chains(engine, batch, givens):
        modes = natural_modes(chain)
        shapes = modes.shapes[:, chain.stations_of_cylinders]
        of_mode, column, _ = critical_speeds(
            modes.frequencies_rad_s, orders, givens.range_rad_s(engine)
        )
        worst[rows] = 0.0
        for which in np.unique(column):
            swinging = shapes[of_mode[column == which]]
            sums = phase_vectors(
                firing_angles_deg[rows],
                swinging,
                multiples[which : which + 1],
                cycle_deg=engine.cycle_deg,
            )
            worst[rows] = np.maximum(worst[rows], np.abs(sums[:, :, 0]).max(axis=1))
    return worst


@dataclass(frozen=True, kw_only=True, slots=True)
class _Rows:
    """What one multiple of the cycle can do, by firing phasor of each excited station.

    Rows are speeds, or speeds and sections; those that can do most stand first.
    """

    multiple: int
    per_phasor: ComplexArray  # (rows, stations)
    bounds: FloatArray  # (rows,): the most that any firing angles can make of a row


def _worst(
    kind: str,
    engine: Engine,
    batch: Batch,
    firing_angles_deg: FloatArray,
    givens: TorsionGivens,
    excited: Excitation,
) -> FloatArray:
    """Return the largest amplitude over orders, speeds (and sections), (candidates,)."""
    worst = np.full(len(batch), np.nan)
    for chain, rows in _chains(engine, batch, givens):
        tables = _tables(chain, excited, givens.range_rad_s(engine), kind)
        stations = np.unique(chain.stations_of_cylinders, return_inverse=True)[1]
        worst[rows] = _largest(tables, firing_angles_deg[rows], stations, excited.cycle_deg)
    return worst


def _largest(
    tables: tuple[_Rows, ...], firing_angles_deg: FloatArray, stations: IntArray, cycle_deg: float
) -> FloatArray:
    """Return the largest amplitude of any row, (candidates,); NaN when there is none.

    Candidates that have found more than the rows at hand can make of any firing order are left out
    of the sums, which changes no result.
    """
    if not tables:
        return np.full(len(firing_angles_deg), np.nan)
    largest = np.zeros(len(firing_angles_deg))
    for table in tables:
        waiting = np.flatnonzero(largest <= table.bounds[0] * (1 + _ROUND_OFF))
        if not len(waiting):
            break  # the tables that follow can do less still
        phasors = firing_phasors(firing_angles_deg[waiting], table.multiple, cycle_deg)
        at_stations = np.array(
            [sum_rows(phasors[stations == station]) for station in range(stations.max() + 1)]
        )
        for start in range(0, len(table.bounds), _ROWS_AT_A_TIME):
            can = largest[waiting] <= table.bounds[start] * (1 + _ROUND_OFF)
            if not can.any():
                break
            if not can.all():
                waiting, at_stations = waiting[can], at_stations[:, can]
            values = _complex_sums(table.per_phasor[start : start + _ROWS_AT_A_TIME], at_stations)
            squares = values.real**2 + values.imag**2
            largest[waiting] = np.maximum(largest[waiting], np.sqrt(squares.max(axis=0)))
    return largest


def _complex_sums(weights: ComplexArray, phasors: ComplexArray) -> ComplexArray:
    """Return sum weight_ri * phasor_ic, shape (rows, candidates), in a fixed order of terms."""
    sums = weighted_sums(np.ascontiguousarray(weights.imag), phasors)
    sums *= 1j
    sums += weighted_sums(np.ascontiguousarray(weights.real), phasors)
    return sums


@lru_cache(maxsize=64)
def _tables(
    chain: Chain, excited: Excitation, range_rad_s: tuple[float, float], kind: str
) -> tuple[_Rows, ...]:
    """Return the rows of every multiple, the multiple that can do most first."""
    stations, n_cylinders = np.unique(chain.stations_of_cylinders, return_counts=True)
    unit = np.zeros((len(chain.masses_kgm2()), len(stations)))
    unit[stations, np.arange(len(stations))] = 1.0
    tables = []
    even = np.linspace(*range_rad_s, _N_EVEN_SPEEDS)
    for row, (multiple, order) in enumerate(zip(excited.multiples, excited.orders, strict=True)):
        speeds = np.unique(
            np.concatenate([even, speeds_around_resonances(chain, order, range_rad_s)])
        )
        dynamic, sections = dynamic_stiffness(chain, order * speeds)
        torques = excited.at(speeds)[row][:, np.newaxis, np.newaxis] * unit
        angles = np.linalg.solve(dynamic, torques)  # (speeds, stations, excited stations)
        if kind == "twist":
            per_phasor = angles[:, chain.free_end] - angles[:, chain.driving_station]
        else:
            moduli = section_moduli_m3(chain)
            known = ~np.isnan(moduli)
            stresses = sections[..., np.newaxis] * np.diff(angles, axis=1)
            stresses = stresses[:, known] / moduli[known][:, np.newaxis]
            per_phasor = stresses.reshape(-1, len(stations))
        if len(per_phasor):
            bounds = np.abs(per_phasor) @ n_cylinders.astype(np.float64)
            falling = np.argsort(-bounds, kind="stable")
            tables.append(
                _Rows(
                    multiple=int(multiple), per_phasor=per_phasor[falling], bounds=bounds[falling]
                )
            )
    return tuple(sorted(tables, key=lambda table: -float(table.bounds[0])))


def _chains(
    engine: Engine, batch: Batch, givens: TorsionGivens
) -> Iterator[tuple[Chain, IntArray | slice]]:
    """Return each chain that occurs in a batch, with the candidates that have it.

    None when it can neither be had from proportions, since the bore is unknown, nor is stated.
    """
    if givens.chain is None and not engine.bore_m > 0:
        return
    fractions = np.column_stack([batch.rotating_fraction, batch.reciprocating_fraction])
    kinds, kind_of = np.unique(fractions, axis=0, return_inverse=True)
    if givens.chain is not None:
        kinds, kind_of = kinds[:1], np.zeros(len(batch), np.int64)
    for number, (rotating, reciprocating) in enumerate(kinds.tolist()):
        chain = givens.chain_of(
            engine, rotating_fraction=rotating, reciprocating_fraction=reciprocating
        )
        rows = slice(None) if len(kinds) == 1 else np.flatnonzero(kind_of.ravel() == number)
        yield chain, rows
