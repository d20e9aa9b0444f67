"""The struct of arrays that everything is computed on: one engine's givens, many candidates."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evaluate.proportions import Proportions

if TYPE_CHECKING:
    from evaluate.duty import Duty

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def _usual_duty() -> Duty:
    from evaluate.duty import Duty  # which needs this module

    return Duty()


@dataclass(frozen=True, kw_only=True, slots=True)
class Slot:
    """A rotating part of the residual that one balance shaft can take."""

    order: int
    sense: str  # "forward": with the crank, "backward": against it

    @property
    def name(self) -> str:
        """Return the slot as study files write it, such as ``1 backward``."""
        return f"{self.order} {self.sense}"


#: What counterweights leave and a shaft can turn against, in the order of every slot array.
SLOTS = (
    Slot(order=1, sense="backward"),
    Slot(order=2, sense="forward"),
    Slot(order=2, sense="backward"),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Engine:
    """What all candidates of a batch have in common (SI units, rad/s; cycle in degrees).

    Attributes
    ----------
    cycle_deg : float
        Crank angle of a working cycle: 720 (four-stroke) or 360 (two-stroke). [deg]
    positions_m : array, shape (cylinders,)
        Axial positions from the reference plane, growing towards the driving end. [m]
    throws : array of int, shape (cylinders,)
        Index of the throw that drives each cylinder, counted from the free end. [-]
    main_positions_m : array, shape (mains,)
        Places of the main bearings along the crank, from the reference plane. [m]
    bore_m : float
        Bore; NaN when unknown, then the metrics of size, mass and gas are NaN. [m]
    duty : Duty
        Gas, flywheel and torsion.
    """

    cycle_deg: float
    crank_radius_m: float
    rod_length_m: float
    pin_path_offset_m: float
    reciprocating_mass_kg: float
    rotating_mass_kg: float
    speed_rad_s: float
    bore_m: float
    positions_m: FloatArray
    throws: IntArray
    throw_positions_m: FloatArray
    main_positions_m: FloatArray
    n_banks: int
    open_duration_deg: float = 240.0
    proportions: Proportions = field(default_factory=Proportions)
    duty: Duty = field(default_factory=_usual_duty)

    @property
    def n_cylinders(self) -> int:
        """Return the number of cylinders."""
        return int(self.positions_m.shape[0])

    @property
    def n_mains(self) -> int:
        """Return the number of main bearings."""
        return int(self.main_positions_m.shape[0])

    @property
    def n_throws(self) -> int:
        """Return the number of crank throws (a splayed pair has two)."""
        return int(self.throw_positions_m.shape[0])


@dataclass(frozen=True, kw_only=True, slots=True)
class Batch:
    """Candidates as arrays, candidates first; a single layout is a batch of one.

    Attributes
    ----------
    pin_angles_deg : array, shape (candidates, cylinders)
        Angle of the crankpin that drives each cylinder, in the direction of rotation. [deg]
    bank_angles_deg : array, shape (candidates, banks)
        Direction of each bank axis, 0 straight up. [deg]
    banks : array of int, shape (candidates or 1, cylinders)
        Bank of each cylinder; one row when it is the same for all candidates. [-]
    firing_bits : array of int, shape (candidates, cylinders)
        1 where a cylinder fires in the second turn of the cycle, first column 0. [-]
    rotating_fraction, reciprocating_fraction : array, shape (candidates,)
        Shares of the rotating and reciprocating mass that counterweights balance. [-]
    shaft_fractions : array, shape (candidates, 3)
        Share of each of `SLOTS` that a balance shaft takes; 0 means no shaft. [-]
    collectors : array of int, shape (candidates or 1, cylinders)
        Exhaust collector of each cylinder, counted from 0. [-]
    """

    pin_angles_deg: FloatArray
    bank_angles_deg: FloatArray
    banks: IntArray
    firing_bits: IntArray
    rotating_fraction: FloatArray
    reciprocating_fraction: FloatArray
    shaft_fractions: FloatArray
    collectors: IntArray

    def __len__(self) -> int:
        return int(self.pin_angles_deg.shape[0])

    def rows(self, which: slice | IntArray) -> Batch:
        """Return the chosen candidates as a batch of their own."""

        def pick(array: Any) -> Any:
            return array if array.shape[0] == 1 != len(self) else array[which]

        return Batch(**{name: pick(getattr(self, name)) for name in self.__slots__})

    def having(self, **changed: Any) -> Batch:
        """Return the same candidates with some arrays replaced."""
        names = self.__slots__
        return Batch(**{name: changed.get(name, getattr(self, name)) for name in names})

    def bank_axes_deg(self) -> FloatArray:
        """Return the bank axis of each cylinder, shape (candidates, cylinders). [deg]"""
        if self.banks.shape[0] == 1:
            rows: FloatArray = self.bank_angles_deg.T[self.banks[0]]
            return rows.T
        axes_deg: FloatArray = np.take_along_axis(self.bank_angles_deg, self.banks, axis=1)
        return axes_deg
