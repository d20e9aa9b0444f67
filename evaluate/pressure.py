"""Cylinder pressure over one working cycle by finite heat release in a single zone.

Crank angles count from the cylinder's own firing top dead centre; pressures are absolute. The
model knows no heat loss, leakage or change of composition: what it is for is the shape of the
pressure at a stated mean effective pressure, to which the heat is scaled.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq, minimize_scalar  # type: ignore[import-untyped]

from evaluate.batch import FloatArray
from evaluate.errors import InputError, unknown_word
from evaluate.heat_release import Cylinder as Cylinder
from evaluate.heat_release import Line, closed_pressure, wiebe_rate
from evaluate.traces import PressureTrace as PressureTrace
from evaluate.traces import grid_rad, shared_trace
from evaluate.traces import read_trace as read_trace

#: Before firing top dead centre; an intake that closes earlier belongs to another cycle. [deg]
EARLIEST_CLOSING_DEG = -300.0
_SAME_RAD = 1e-9  # angles nearer than this are one
_PANEL_RAD = math.radians(2.0)
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(6)


@dataclass(frozen=True, kw_only=True, slots=True)
class Combustion:
    """What the pressure model needs; angles after firing top dead centre. [deg]

    Attributes
    ----------
    imep_Pa : float
        Indicated mean effective pressure: work of the whole cycle, gas exchange included, over
        swept volume. [Pa]
    compression_ratio : float
        Greatest over least volume of the cylinder. [-]
    intake_pressure_Pa, exhaust_pressure_Pa : float
        Absolute manifold pressures (two-stroke: of scavenging air and exhaust). [Pa]
    intake_temperature_K : float
        Of the charge when compression starts. [K]
    gamma : float or None
        Ratio of specific heats, or None: that of air at the temperature of the charge. [-]
    burn_start_deg, burn_duration_deg : float
        Start of heat release (negative: before), and its nominal duration. [deg]
    wiebe_efficiency, wiebe_exponent : float
        a and m of the burned share x = 1 - exp(-a ((psi - start) / duration)^(m+1)). [-]
    exhaust_opens_deg, blowdown_deg : float
        Opening of exhaust valve or port, and how long the pressure takes to fall to that in the
        exhaust manifold. [deg]
    intake_opens_deg, exhaust_closes_deg : float
        Between these the pressure goes over from that of the exhaust to that of the intake. [deg]
    intake_closes_deg : float
        Compression starts here, or at the closing of the exhaust if that is later. [deg]
    """

    imep_Pa: float
    compression_ratio: float
    intake_pressure_Pa: float
    exhaust_pressure_Pa: float
    intake_temperature_K: float
    gamma: float | None
    burn_start_deg: float
    burn_duration_deg: float
    wiebe_efficiency: float
    wiebe_exponent: float
    exhaust_opens_deg: float
    blowdown_deg: float
    intake_opens_deg: float
    exhaust_closes_deg: float
    intake_closes_deg: float

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "gamma" and value is None:
                continue
            low, high = _BOUNDS[item.name]
            if not low <= value <= high:  # NaN fails
                raise InputError(item.name, f"{value:g}", f"{low:g} to {high:g}")
        if self.burn_start_deg >= self.exhaust_opens_deg:
            raise InputError(
                "burn_start_deg", f"{self.burn_start_deg:g}", "before exhaust_opens_deg"
            )
        for before, after in pairwise(_EVENTS):
            if not getattr(self, before) <= getattr(self, after):
                raise InputError(after, f"{getattr(self, after):g}", f"{before} or later")
        if self.exhaust_opens_deg + self.blowdown_deg > self.intake_opens_deg:
            raise InputError(
                "blowdown_deg", f"{self.blowdown_deg:g}", "to end by intake_opens_deg at the latest"
            )
        if self.intake_closes_deg < self.intake_opens_deg:
            raise InputError(
                "intake_closes_deg", f"{self.intake_closes_deg:g}", "intake_opens_deg or later"
            )

    @property
    def compression_starts_deg(self) -> float:
        """Return where the cylinder is closed, after the firing before. [deg]"""
        return max(self.intake_closes_deg, self.exhaust_closes_deg)


_EVENTS = ("exhaust_opens_deg", "intake_opens_deg", "exhaust_closes_deg")
# Bounds far beyond any engine: they keep slips of the pen from becoming infinities.
_BOUNDS = {
    "imep_Pa": (0.0, 1e7),
    "compression_ratio": (1.5, 100.0),
    "intake_pressure_Pa": (1e3, 1e7),
    "exhaust_pressure_Pa": (1e3, 1e7),
    "intake_temperature_K": (200.0, 1000.0),
    "gamma": (1.01, 5 / 3),
    "burn_start_deg": (-150.0, 150.0),
    "burn_duration_deg": (1e-6, 360.0),
    "wiebe_efficiency": (0.1, 20.0),
    "wiebe_exponent": (0.0, 10.0),
    "exhaust_opens_deg": (1.0, 360.0),
    "blowdown_deg": (0.0, 360.0),
    "intake_opens_deg": (1.0, 720.0),
    "exhaust_closes_deg": (1.0, 720.0),
    "intake_closes_deg": (1.0, 720.0),
}

IGNITIONS = ("spark", "compression")
_HEYWOOD = "J. B. Heywood, Internal Combustion Engine Fundamentals, 1988 (from memory)"
_ASSUMED = "project assumption"
# fmt: off
#: Field: four-stroke spark, four-stroke compression, two-stroke spark, two-stroke compression
#: ignition, source.
DEFAULTS: dict[str, tuple[float | None, float | None, float | None, float | None, str]] = {
    "imep_Pa": (10e5, 14e5, 6e5, 13e5, f"{_ASSUMED}; brake values of ch. 2 in {_HEYWOOD}"),
    "compression_ratio": (10.5, 17.0, 8.0, 16.0,
                          f"{_ASSUMED} in the ranges 8 to 12 and 12 to 24 of ch. 2 in {_HEYWOOD}"),
    "intake_pressure_Pa": (1.00e5, 2.0e5, 1.10e5, 2.5e5,
                           f"{_ASSUMED}: atmospheric, or charged (compression ignition)"),
    "exhaust_pressure_Pa": (1.05e5, 1.9e5, 1.05e5, 2.3e5, _ASSUMED),
    "intake_temperature_K": (340.0, 350.0, 340.0, 350.0, _ASSUMED),
    "gamma": (None, None, None, None, "air by NASA polynomials (evaluate/heat_release.py)"),
    "burn_start_deg": (-18.0, -5.0, -16.0, -4.0,
                       f"{_ASSUMED}; spark: half burned 8 deg after top dead centre, "
                       f"as for best torque in ch. 9 of {_HEYWOOD}"),
    "burn_duration_deg": (50.0, 70.0, 46.0, 60.0, _ASSUMED),
    "wiebe_efficiency": (5.0, 6.908, 5.0, 6.908,
                         f"spark: ch. 9 of {_HEYWOOD}; compression: 0.999 burned at the end"),
    "wiebe_exponent": (2.0, 1.0, 2.0, 1.0,
                       f"spark: ch. 9 of {_HEYWOOD}; compression: {_ASSUMED}"),
    "exhaust_opens_deg": (130.0, 130.0, 102.0, 112.0, _ASSUMED),
    "blowdown_deg": (70.0, 70.0, 20.0, 24.0, f"{_ASSUMED}: to 20 deg after bottom dead centre, "
                     "in a two-stroke until the intake opens"),
    "intake_opens_deg": (345.0, 345.0, 122.0, 136.0, _ASSUMED),
    "exhaust_closes_deg": (375.0, 375.0, 258.0, 240.0,
                           f"{_ASSUMED}; two-stroke spark: ports uncovered by the piston, "
                           "compression: exhaust valves"),
    "intake_closes_deg": (540.0, 540.0, 238.0, 224.0,
                          f"{_ASSUMED}: in a four-stroke at bottom dead centre"),
}
# fmt: on


def default_combustion(
    ignition: str, cycle_deg: float, changed: Mapping[str, float | None] | None = None
) -> Combustion:
    """Return the model of a usual engine of a kind, with some values changed.

    Parameters
    ----------
    ignition : str
        One of `IGNITIONS`.
    cycle_deg : float
        720 (four-stroke) or 360 (two-stroke). [deg]
    changed : mapping or None
        Fields of `Combustion` that are known better.

    Raises
    ------
    InputError
        For another ignition, an unknown field, or values that do not fit together.
    """
    if ignition not in IGNITIONS:
        raise unknown_word("ignition", ignition, IGNITIONS)
    known = dict(changed or {})
    for name in known:
        if name not in DEFAULTS:
            raise unknown_word("combustion", name, DEFAULTS)
    column = IGNITIONS.index(ignition) + (0 if cycle_deg == 720.0 else 2)
    values = {name: line[column] for name, line in DEFAULTS.items()} | known
    return Combustion(**values)  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Cycle:
    """A solved working cycle, at any angle.

    Attributes
    ----------
    combustion, cylinder, cycle_deg
        What was solved.
    heat_Pa : float
        Heat of one cycle over swept volume. [Pa]
    imep_Pa : float
        Work of one cycle over swept volume. [Pa]
    """

    combustion: Combustion
    cylinder: Cylinder
    cycle_deg: float
    heat_Pa: float
    imep_Pa: float
    _closed: Line

    @property
    def efficiency(self) -> float:
        """Return indicated work over heat, NaN without heat. [-]"""
        return self.imep_Pa / self.heat_Pa if self.heat_Pa else math.nan

    def pressure_Pa(self, psi_rad: FloatArray) -> FloatArray:
        """Return the absolute pressure at angles after firing top dead centre, same shape. [Pa]"""
        return _pressure(self.combustion, self._closed, psi_rad, self.cycle_deg)

    def peak(self) -> tuple[float, float]:
        """Return angle [rad] and value [Pa] of the highest pressure."""
        psi_rad = np.linspace(0, math.radians(self.cycle_deg), 1441)
        near = float(psi_rad[int(self.pressure_Pa(psi_rad).argmax())])
        step = float(psi_rad[1])
        found = minimize_scalar(
            lambda psi: -float(self.pressure_Pa(np.array([psi]))[0]),
            bounds=(near - step, near + step),
            method="bounded",
            options={"xatol": 1e-9},
        )
        return float(found.x), -float(found.fun)


def cycle_of_heat(
    combustion: Combustion, cylinder: Cylinder, heat_Pa: float, cycle_deg: float
) -> Cycle:
    """Return the cycle for a stated heat, whatever `combustion.imep_Pa` says.

    Parameters
    ----------
    combustion : Combustion
        Everything but the mean effective pressure.
    cylinder : Cylinder
        Geometry.
    heat_Pa : float
        Heat of one cycle over swept volume. [Pa]
    cycle_deg : float
        720 or 360. [deg]

    Raises
    ------
    InputError
        If the events do not fit into the cycle.
    """
    closed = _closed_line(combustion, cylinder, heat_Pa, cycle_deg)
    nodes_rad, weights = _nodes(combustion, cylinder, cycle_deg)
    imep_Pa = float(weights @ _pressure(combustion, closed, nodes_rad, cycle_deg))
    return Cycle(
        combustion=combustion,
        cylinder=cylinder,
        cycle_deg=cycle_deg,
        heat_Pa=heat_Pa,
        imep_Pa=imep_Pa,
        _closed=closed,
    )


@lru_cache(maxsize=256)
def fired_cycle(combustion: Combustion, cylinder: Cylinder, cycle_deg: float) -> Cycle:
    """Return the cycle whose heat makes the stated mean effective pressure.

    Raises
    ------
    InputError
        If no heat does, because gas exchange alone gives more or the pressure is out of reach.
    """
    target_Pa = combustion.imep_Pa
    idle = cycle_of_heat(combustion, cylinder, 0.0, cycle_deg)
    if not target_Pa > idle.imep_Pa:
        raise InputError(
            "imep_Pa",
            f"{target_Pa:g}",
            f"above {idle.imep_Pa:g}, which motoring gives without heat",
        )

    def excess(heat_Pa: float) -> float:
        return cycle_of_heat(combustion, cylinder, heat_Pa, cycle_deg).imep_Pa - target_Pa

    most_Pa = 2.5 * (target_Pa - idle.imep_Pa)
    for _ in range(8):
        if excess(most_Pa) > 0:
            break
        most_Pa *= 2
    else:
        raise InputError("imep_Pa", f"{target_Pa:g}", "what burning before the exhaust opens gives")
    heat_Pa = float(brentq(excess, 0.0, most_Pa, xtol=1e-10 * most_Pa, rtol=1e-12))
    return cycle_of_heat(combustion, cylinder, heat_Pa, cycle_deg)


@lru_cache(maxsize=256)
def pressure_trace(
    combustion: Combustion,
    *,
    crank_radius_m: float,
    rod_length_m: float,
    pin_path_offset_m: float,
    cycle_deg: float,
    n_samples: int = 720,
) -> PressureTrace:
    """Return the pressure of one cylinder on the grid of its cycle.

    Parameters
    ----------
    combustion : Combustion
        The model.
    crank_radius_m, rod_length_m, pin_path_offset_m : float
        As in `piston_motion`; the bore does not matter. [m]
    cycle_deg : float
        720 or 360. [deg]
    n_samples : int
        Grid of the cycle, even. [-]

    Returns
    -------
    PressureTrace
        The arrays are shared by all who ask for the same, and cannot be written.
    """
    # In crank radii, rounded: engines of one shape and any size share one solution.
    cylinder = Cylinder(
        crank_radius_m=1.0,
        rod_length_m=round(rod_length_m / crank_radius_m, 12),
        pin_path_offset_m=round(pin_path_offset_m / crank_radius_m, 12),
        compression_ratio=combustion.compression_ratio,
    )
    psi_rad = grid_rad(cycle_deg, n_samples)
    return shared_trace(psi_rad, fired_cycle(combustion, cylinder, cycle_deg).pressure_Pa(psi_rad))


def _burn_edges_deg(combustion: Combustion, end_deg: float) -> list[float]:
    """Return where a closed charge's heat rate has a kink or is past, before an end."""
    edges = [combustion.burn_start_deg + k * combustion.burn_duration_deg for k in range(3)]
    return [edge for edge in edges if edge < end_deg]


def _closed_line(
    combustion: Combustion, cylinder: Cylinder, heat_Pa: float, cycle_deg: float
) -> Line:
    """Return the pressure from the start of compression to the end of the blow-down."""
    start_deg = combustion.compression_starts_deg - cycle_deg
    if not start_deg < combustion.burn_start_deg:
        raise InputError(
            "burn_start_deg",
            f"{combustion.burn_start_deg:g}",
            f"after {start_deg:g}, where intake and exhaust are closed",
        )
    if start_deg < EARLIEST_CLOSING_DEG:
        raise InputError(
            "intake_closes_deg",
            f"{combustion.intake_closes_deg:g}",
            f"{EARLIEST_CLOSING_DEG + cycle_deg:g} or later in a cycle of {cycle_deg:g} deg",
        )
    end_deg = combustion.exhaust_opens_deg + combustion.blowdown_deg
    rate = wiebe_rate(
        math.radians(combustion.burn_start_deg),
        math.radians(combustion.burn_duration_deg),
        efficiency=combustion.wiebe_efficiency,
        exponent=combustion.wiebe_exponent,
    )
    heat_Pa_m = heat_Pa * cylinder.swept_m
    return closed_pressure(
        cylinder.volume_m,
        lambda psi_rad: heat_Pa_m * rate(psi_rad),
        edges_rad=[
            math.radians(edge)
            for edge in (start_deg, *_burn_edges_deg(combustion, end_deg), end_deg)
        ],
        pressure_Pa=combustion.intake_pressure_Pa,
        temperature_K=combustion.intake_temperature_K,
        gamma=combustion.gamma,
    )


def _pressure(
    combustion: Combustion, closed: Line, psi_rad: FloatArray, cycle_deg: float
) -> FloatArray:
    """Return the pressure at any angle: the closed charge, blow-down and gas exchange.

    Blow-down takes the logarithm of pressure smoothly from the closed charge's (expanding on
    beyond the opening) to that of the exhaust; while both intake and exhaust are open it goes over
    to the intake's. A project assumption in place of flow through valves.
    """
    c = combustion
    start_rad = math.radians(c.compression_starts_deg - cycle_deg)
    end_rad = math.radians(c.exhaust_opens_deg + c.blowdown_deg)
    psi_rad = start_rad + (psi_rad - start_rad) % math.radians(cycle_deg)
    exhaust, intake = math.log(c.exhaust_pressure_Pa), math.log(c.intake_pressure_Pa)
    turned = _smooth_step(psi_rad, c.intake_opens_deg, c.exhaust_closes_deg)
    log_p = exhaust + (intake - exhaust) * turned
    is_closed = psi_rad <= end_rad + _SAME_RAD
    blown = _smooth_step(psi_rad[is_closed], c.exhaust_opens_deg, math.degrees(end_rad))
    inside = np.log(closed(np.minimum(psi_rad[is_closed], end_rad)))
    log_p[is_closed] = inside + (exhaust - inside) * blown
    pressure_Pa: FloatArray = np.exp(log_p)
    return pressure_Pa


def _smooth_step(psi_rad: FloatArray, from_deg: float, to_deg: float) -> FloatArray:
    """Return 0 before, 1 after, a rise with two continuous derivatives between; 1/2 on a step."""
    start, length = math.radians(from_deg), math.radians(to_deg - from_deg)
    if length < _SAME_RAD:
        after = psi_rad - start
        return np.where(np.abs(after) < _SAME_RAD, 0.5, (after > 0).astype(float))
    t = np.clip((psi_rad - start) / length, 0, 1)
    return t**3 * (10 + t * (6 * t - 15))


@lru_cache(maxsize=64)
def _nodes(
    combustion: Combustion, cylinder: Cylinder, cycle_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Return angles of a whole cycle, and weights that turn pressures there into work per swept."""
    c = combustion
    start_deg = c.compression_starts_deg - cycle_deg
    end_deg = c.exhaust_opens_deg + c.blowdown_deg
    events = [start_deg, start_deg + cycle_deg, c.exhaust_opens_deg, end_deg]
    events += [c.intake_opens_deg, c.exhaust_closes_deg, c.intake_closes_deg]
    events += _burn_edges_deg(c, end_deg)
    edges_rad = np.deg2rad(np.unique(events))
    panels = [
        np.linspace(low, high, max(16, math.ceil((high - low) / _PANEL_RAD)) + 1)
        for low, high in pairwise(edges_rad)
    ]
    low = np.concatenate([panel[:-1] for panel in panels])
    half = 0.5 * np.concatenate([np.diff(panel) for panel in panels])
    nodes_rad = (low + half)[:, np.newaxis] + half[:, np.newaxis] * _GAUSS_NODES
    _, first_m = cylinder.volume_m(nodes_rad)
    weights = first_m * half[:, np.newaxis] * _GAUSS_WEIGHTS / cylinder.swept_m
    return nodes_rad.ravel(), weights.ravel()
