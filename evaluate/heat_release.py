"""One closed charge, heated while its volume changes: the thermodynamics of the pressure model."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from evaluate.batch import FloatArray
from evaluate.kinematics import piston_motion

# NASA seven-coefficient polynomials, cp/R = a1 + a2 T + ... + a5 T^4, below and above 1000 K, valid
# from 200 to 6000 K: NASA's data for O2 (from TPIS 1989) and N2 (from TPIS 1978), read in the file
# nasa_gas.yaml of Cantera 3.2; the form is that of B. J. McBride, S. Gordon and M. A. Reno, NASA
# TM-4513, 1993.
_O2_LOW = (3.78245636, -2.99673415e-3, 9.847302e-6, -9.68129508e-9, 3.24372836e-12)
_O2_HIGH = (3.66096083, 6.56365523e-4, -1.41149485e-7, 2.05797658e-11, -1.29913248e-15)
_N2_LOW = (3.53100528, -1.23660987e-4, -5.02999437e-7, 2.43530612e-9, -1.40881235e-12)
_N2_HIGH = (2.95257626, 1.39690057e-3, -4.92631691e-7, 7.86010367e-11, -4.60755321e-15)
_ARGON = (2.5, 0.0, 0.0, 0.0, 0.0)
#: Shares of dry air by moles (U.S. Standard Atmosphere 1976, traces counted as argon). [-]
DRY_AIR = (0.2095, 0.7808, 0.0097)
_LOW, _HIGH = (
    tuple(sum(x * a for x, a in zip(DRY_AIR, row, strict=True)) for row in zip(*gases, strict=True))
    for gases in ((_O2_LOW, _N2_LOW, _ARGON), (_O2_HIGH, _N2_HIGH, _ARGON))
)
#: The data's range; beyond it the specific heat is held. [K]
COLDEST_K, HOTTEST_K = 200.0, 6000.0
#: Of the logarithm of pressure, so relative; what comes out is good to about 1e-9.
_ODE_TOLERANCE = 1e-11

Volume = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
Line = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cylinder:
    """Volume of a cylinder per piston area, so that no bore is needed.

    Attributes
    ----------
    crank_radius_m, rod_length_m, pin_path_offset_m : float
        As in `piston_motion`. [m]
    compression_ratio : float
        Greatest over least volume. [-]
    """

    crank_radius_m: float
    rod_length_m: float
    pin_path_offset_m: float
    compression_ratio: float

    @property
    def swept_m(self) -> float:
        """Return the exact stroke, which an offset pin path makes longer than 2 r. [m]"""
        outer_m, inner_m = self._ends_m
        return outer_m - inner_m

    def volume_m(self, psi_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return volume over piston area [m] and its derivative [m/rad]."""
        position_m, first_m, _ = piston_motion(
            psi_rad,
            crank_radius_m=self.crank_radius_m,
            rod_length_m=self.rod_length_m,
            pin_path_offset_m=self.pin_path_offset_m,
        )
        outer_m, inner_m = self._ends_m
        clearance_m = (outer_m - inner_m) / (self.compression_ratio - 1)
        return clearance_m + outer_m - position_m, -first_m

    @property
    def _ends_m(self) -> tuple[float, float]:
        """Return the greatest and least distance of the wrist pin from the crank axis."""
        offset2 = self.pin_path_offset_m**2
        outer_m = math.sqrt((self.rod_length_m + self.crank_radius_m) ** 2 - offset2)
        return outer_m, math.sqrt((self.rod_length_m - self.crank_radius_m) ** 2 - offset2)


def air_gamma(temperature_K: float) -> float:
    """Return the ratio of specific heats of air at low pressure, held outside 200 to 6000 K. [-]

    Examples
    --------
    >>> round(air_gamma(300.0), 3), round(air_gamma(1500.0), 3)
    (1.4, 1.312)
    """
    t = min(max(temperature_K, COLDEST_K), HOTTEST_K)
    a1, a2, a3, a4, a5 = _LOW if t < 1000 else _HIGH
    cp_over_R: float = a1 + t * (a2 + t * (a3 + t * (a4 + t * a5)))
    return cp_over_R / (cp_over_R - 1)


def wiebe_rate(
    start_rad: float, duration_rad: float, *, efficiency: float, exponent: float
) -> Callable[[float], float]:
    """Return the rate of the burned share dx/dpsi as a function of the angle. [1/rad]

    x = 1 - exp(-a tau^(m+1)), not cut off at tau = 1: the share exp(-a) that is left there burns
    on, so that all of the heat is released and the pressure has no kink.

    References
    ----------
    I. I. Wiebe (Vibe), Brennverlauf und Kreisprozess von Verbrennungsmotoren, 1970; J. B. Heywood,
    Internal Combustion Engine Fundamentals, 1988, ch. 9; C. R. Ferguson and A. T. Kirkpatrick,
    Internal Combustion Engines, finite heat release (all from memory).
    """

    def rate(psi_rad: float) -> float:
        tau = (psi_rad - start_rad) / duration_rad
        if not tau > 0:
            return 0.0
        burning: float = efficiency * (exponent + 1) * tau**exponent / duration_rad
        return burning * math.exp(-efficiency * tau ** (exponent + 1))

    return rate


def closed_pressure(
    volume: Volume,
    heat_rate: Callable[[float], float],
    *,
    edges_rad: Sequence[float],
    pressure_Pa: float,
    temperature_K: float,
    gamma: float | None,
) -> Line:
    """Return the pressure of a closed charge that is heated while its volume changes.

    Parameters
    ----------
    volume : callable
        Volume and its derivative by angle, both over any one area or volume. [x] and [x/rad]
    heat_rate : callable
        Heat per angle over the same area or volume. [J/rad/m^3 x]
    edges_rad : sequence of float
        Rising; from the first to the last, with the places where the heat rate has a kink between.
    pressure_Pa, temperature_K : float
        At the first edge. [Pa] and [K]
    gamma : float or None
        Constant ratio of specific heats, or None for that of air at the charge's temperature.

    Returns
    -------
    callable
        Pressure at an array of angles between the outer edges. [Pa]

    References
    ----------
    First law for a single zone of an ideal gas, dp/dpsi = - gamma p/V dV/dpsi + (gamma - 1)/V
    dQ/dpsi: C. R. Ferguson and A. T. Kirkpatrick, Internal Combustion Engines, finite heat release
    (from memory); J. B. Heywood, 1988, ch. 9. Solved for ln p by the eighth-order method of Dormand
    and Prince.
    """
    first = np.asarray(edges_rad[0], float)
    kelvin_per_pV = temperature_K / (pressure_Pa * float(volume(first)[0]))

    def slope(psi_rad: float, log_p: FloatArray) -> list[float]:
        V, V_1 = (float(value) for value in volume(np.float64(psi_rad)))  # type: ignore[arg-type]
        p = math.exp(log_p[0])
        g = air_gamma(p * V * kelvin_per_pV) if gamma is None else gamma
        return [((g - 1) * heat_rate(psi_rad) / p - g * V_1) / V]

    log_p, pieces = math.log(pressure_Pa), []
    for start, end in pairwise(edges_rad):
        solved = solve_ivp(
            slope,
            (start, end),
            [log_p],
            method="DOP853",
            rtol=_ODE_TOLERANCE,
            atol=_ODE_TOLERANCE,
            dense_output=True,
        )
        if not solved.success:
            raise ArithmeticError(f"pressure between {start:g} and {end:g} rad: {solved.message}")
        log_p = float(solved.y[0, -1])
        pieces.append(solved.sol)

    def line(psi_rad: FloatArray) -> FloatArray:
        values = np.empty(psi_rad.shape)
        which = np.clip(np.searchsorted(edges_rad, psi_rad) - 1, 0, len(pieces) - 1)
        for index, piece in enumerate(pieces):
            if (mine := which == index).any():  # scipy refuses an empty array
                values[mine] = piece(psi_rad[mine])[0]
        return np.exp(values)

    return line
