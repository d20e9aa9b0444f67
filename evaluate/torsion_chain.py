"""A shaft as a chain of inertias and springs, from the free end to the driving end.

A damper's ring, if there is one, comes before the first station.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from evaluate.phasors import ComplexArray


@dataclass(frozen=True, kw_only=True, slots=True)
class Damper:
    """A ring at the free end, held to its hub by a spring and a viscous damper.

    Attributes
    ----------
    inertia_kgm2 : float
        Of the ring. [kg m^2]
    stiffness_Nm_per_rad : float
        Between hub and ring; 0 for an untuned viscous damper. [N m/rad]
    damping_Nms_per_rad : float
        Between hub and ring. [N m s/rad]
    hub_inertia_kgm2 : float
        Added to the station at the free end. [kg m^2]
    """

    inertia_kgm2: float
    stiffness_Nm_per_rad: float = 0.0
    damping_Nms_per_rad: float = 0.0
    hub_inertia_kgm2: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.inertia_kgm2 < math.inf:
            raise InputError("damper.inertia_kgm2", f"{self.inertia_kgm2:g}", "above 0")
        for name in ("stiffness_Nm_per_rad", "damping_Nms_per_rad", "hub_inertia_kgm2"):
            if not 0 <= getattr(self, name) < math.inf:
                raise InputError(f"damper.{name}", f"{getattr(self, name):g}", "0 or above")
        if self.stiffness_Nm_per_rad == 0 == self.damping_Nms_per_rad:
            raise InputError("damper", "neither stiffness nor damping", "one of them above 0")


@dataclass(frozen=True, kw_only=True, slots=True)
class Chain:
    """Stations with inertia, joined by shaft sections, from the free end to the driving end.

    Attributes
    ----------
    inertias_kgm2 : tuple of float, one per station
        [kg m^2]
    stiffnesses_Nm_per_rad : tuple of float, one per section
        Section k joins stations k and k + 1. [N m/rad]
    cylinder_stations : tuple of int, one per cylinder
        Station that each cylinder drives, counted from 0 at the free end. [-]
    diameters_m : tuple of float, one per section, or empty
        For the nominal shear stress; empty when unknown, which makes stresses NaN. [m]
    driving_end : int or None
        Station of the flywheel, against which twist is counted; the last one if left out. [-]
    magnifier : float
        Resonance over static twist by damping within the shaft sections: a loss angle, stiffness
        k (1 + j / magnifier) at every frequency. Infinite: none. [-]
    section_damping_Nms_per_rad, station_damping_Nms_per_rad : tuple of float, or empty
        Viscous damping between neighbours, and against the block. [N m s/rad]
    damper : Damper or None
        At the first station.
    """

    inertias_kgm2: tuple[float, ...]
    stiffnesses_Nm_per_rad: tuple[float, ...]
    cylinder_stations: tuple[int, ...]
    diameters_m: tuple[float, ...] = ()
    driving_end: int | None = None
    magnifier: float = math.inf
    section_damping_Nms_per_rad: tuple[float, ...] = ()
    station_damping_Nms_per_rad: tuple[float, ...] = ()
    damper: Damper | None = None

    def __post_init__(self) -> None:
        n = len(self.inertias_kgm2)
        if n < 2:
            raise InputError("inertias_kgm2", f"{n} stations", "two or more")
        _check_numbers("inertias_kgm2", self.inertias_kgm2, (n,), least_is_allowed=False)
        _check_numbers(
            "stiffnesses_Nm_per_rad", self.stiffnesses_Nm_per_rad, (n - 1,), least_is_allowed=False
        )
        _check_numbers("diameters_m", self.diameters_m, (0, n - 1), least_is_allowed=False)
        name = "section_damping_Nms_per_rad"
        _check_numbers(name, getattr(self, name), (0, n - 1), least_is_allowed=True)
        name = "station_damping_Nms_per_rad"
        _check_numbers(name, getattr(self, name), (0, n), least_is_allowed=True)
        if not self.cylinder_stations:
            raise InputError("cylinder_stations", "none", "one station per cylinder")
        for index, station in enumerate(self.cylinder_stations):
            if not 0 <= station < n:
                raise InputError(f"cylinder_stations[{index}]", f"{station}", f"0 to {n - 1}")
        if self.driving_end is not None and not 0 < self.driving_end < n:
            raise InputError("driving_end", f"{self.driving_end}", f"1 to {n - 1}")
        if not self.magnifier >= 1:
            raise InputError("magnifier", f"{self.magnifier:g}", "1 or above")

    @property
    def free_end(self) -> int:
        """Return the index of the free end among all stations, a damper's ring included."""
        return 0 if self.damper is None else 1

    @property
    def driving_station(self) -> int:
        """Return the index of the driving end among all stations, a damper's ring included."""
        last = len(self.inertias_kgm2) - 1 if self.driving_end is None else self.driving_end
        return self.free_end + last

    @property
    def stations_of_cylinders(self) -> IntArray:
        """Return the index of each cylinder's station, a damper's ring included."""
        return np.array(self.cylinder_stations, np.int64) + self.free_end

    @property
    def is_damped(self) -> bool:
        """Return whether anything takes energy out of a vibration."""
        by_damper = self.damper is not None and self.damper.damping_Nms_per_rad > 0
        viscous = (*self.section_damping_Nms_per_rad, *self.station_damping_Nms_per_rad)
        return by_damper or math.isfinite(self.magnifier) or any(viscous)

    def masses_kgm2(self) -> FloatArray:
        """Return the inertia of every station, the ring first where there is one. [kg m^2]"""
        shaft = np.array(self.inertias_kgm2, np.float64)
        if self.damper is None:
            return shaft
        shaft[0] += self.damper.hub_inertia_kgm2
        return np.concatenate([[self.damper.inertia_kgm2], shaft])

    def springs_Nm_per_rad(self) -> ComplexArray:
        """Return the complex stiffness of every section without viscous parts. [N m/rad]"""
        shaft = np.array(self.stiffnesses_Nm_per_rad) * (1 + 1j / self.magnifier)
        if self.damper is None:
            return shaft
        return np.concatenate([[self.damper.stiffness_Nm_per_rad], shaft])

    def section_viscosity_Nms_per_rad(self) -> FloatArray:
        """Return the viscous damping of every section. [N m s/rad]"""
        n_sections = len(self.stiffnesses_Nm_per_rad)
        shaft = np.array(self.section_damping_Nms_per_rad or (0.0,) * n_sections, np.float64)
        if self.damper is None:
            return shaft
        return np.concatenate([[self.damper.damping_Nms_per_rad], shaft])

    def station_viscosity_Nms_per_rad(self) -> FloatArray:
        """Return the damping of every station against the block. [N m s/rad]"""
        n_stations = len(self.inertias_kgm2)
        shaft = np.array(self.station_damping_Nms_per_rad or (0.0,) * n_stations, np.float64)
        return shaft if self.damper is None else np.concatenate([[0.0], shaft])

    def section_diameters_m(self) -> FloatArray:
        """Return the diameter of every section; NaN where unknown and for a damper. [m]"""
        n_sections = len(self.stiffnesses_Nm_per_rad)
        shaft = np.array(self.diameters_m or (math.nan,) * n_sections, np.float64)
        return shaft if self.damper is None else np.concatenate([[math.nan], shaft])


def assembled(sections: ComplexArray) -> ComplexArray:
    """Return the matrices of chains from the values of their sections.

    Parameters
    ----------
    sections : array of complex, shape (..., sections)
        Stiffness (or damping) of each section. [N m/rad]

    Returns
    -------
    array of complex, shape (..., stations, stations)
        Torque on the stations per twist of the stations. [N m/rad]
    """
    n = sections.shape[-1] + 1
    matrix = np.zeros((*sections.shape[:-1], n, n), complex)
    here, after = np.arange(n - 1), np.arange(1, n)
    matrix[..., here, here] += sections
    matrix[..., after, after] += sections
    matrix[..., here, after] = -sections
    matrix[..., after, here] = -sections
    return matrix


def stepped_shaft_stiffness_Nm_per_rad(
    lengths_m: Sequence[float], diameters_m: Sequence[float], *, shear_modulus_Pa: float
) -> float:
    """Return the torsional stiffness of solid round pieces in a row, pi G / (32 sum l / d^4).

    Parameters
    ----------
    lengths_m, diameters_m : sequence of float
        One entry per piece. [m]
    shear_modulus_Pa : float
        [Pa]

    References
    ----------
    Equivalent length sum l (d / d_i)^4: T. Bevan, The Theory of Machines, ch. 15.

    Examples
    --------
    >>> round(stepped_shaft_stiffness_Nm_per_rad([1.0], [0.1], shear_modulus_Pa=80e9))
    785398
    """
    flexibility = np.sum(np.array(lengths_m) / np.array(diameters_m) ** 4)
    return float(math.pi * shear_modulus_Pa / 32 / flexibility)


def _check_numbers(
    name: str, values: tuple[float, ...], lengths: tuple[int, ...], *, least_is_allowed: bool
) -> None:
    """Raise the error for a wrong count, or for a number that is no inertia, stiffness, ..."""
    if len(values) not in lengths:
        raise InputError(name, f"{len(values)} numbers", " or ".join(map(str, lengths)))
    for index, value in enumerate(values):
        if not 0 <= value < math.inf or (value == 0 and not least_is_allowed):  # NaN fails too
            allowed = "0 or above" if least_is_allowed else "above 0"
            raise InputError(f"{name}[{index}]", f"{value:g}", f"a finite number {allowed}")
