"""Exact slider-crank motion and the harmonics of the inertia force and torque of one cylinder."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

ORDERS_WITHOUT_OFFSET = (1, 2, 4, 6)
ORDERS_WITH_OFFSET = (1, 2, 3, 4, 5, 6)
# The series falls by lambda^2 (at most 1/4 here) from one even order to the next, so that 1024
# samples leave aliasing far below round-off for any rod that lets the crank turn over.
N_SAMPLES = 1024


@dataclass(frozen=True, kw_only=True, slots=True)
class Harmonics:
    """Complex harmonics of one cylinder, phases from its nominal top dead centre.

    Attributes
    ----------
    orders : tuple of int
        Orders that are kept. [-]
    force : array of complex, shape (orders,)
        C_k: inertia force / (m_rec r omega^2) = Re sum C_k exp(j k psi), outward positive. [-]
    torque : array of complex, shape (orders,)
        D_k: inertia torque on the crank / (m_rec r^2 omega^2) = Re sum D_k exp(j k psi). Only the
        kept orders: the whole torque has a third order too. [-]
    """

    orders: tuple[int, ...]
    force: NDArray[np.complex128]
    torque: NDArray[np.complex128]


def piston_motion(
    psi_rad: NDArray[np.float64],
    *,
    crank_radius_m: float,
    rod_length_m: float,
    pin_path_offset_m: float = 0.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return position, first and second derivative of the wrist pin by crank angle.

    Parameters
    ----------
    psi_rad : array
        Angle of the crankpin from the bank axis, positive in the direction of rotation. [rad]
    crank_radius_m, rod_length_m : float
        Half of the stroke and centre distance of the connecting rod. [m]
    pin_path_offset_m : float
        Lateral position of the wrist pin's path, positive in the direction of rotation. [m]

    Returns
    -------
    tuple of three arrays
        Distance from the crank axis along the bank axis x [m], dx/dpsi [m/rad] and
        d2x/dpsi2 [m/rad^2]; at constant speed omega the velocity is dx/dpsi omega and the
        acceleration d2x/dpsi2 omega^2.

    Raises
    ------
    ValueError
        If the rod is too short for the crank to turn over.

    References
    ----------
    Exact offset slider-crank: R. L. Norton, Design of Machinery, ch. 4 (position) and any text on
    machine dynamics for its derivatives; equations as in the project's notes on slider-cranks.
    """
    if not rod_length_m > crank_radius_m + abs(pin_path_offset_m):
        raise ValueError("rod_length_m: must exceed crank radius plus pin-path offset")
    sin, cos = np.sin(psi_rad), np.cos(psi_rad)
    side = crank_radius_m * sin - pin_path_offset_m
    side_1 = crank_radius_m * cos
    along_rod = np.sqrt(rod_length_m**2 - side**2)
    position = crank_radius_m * cos + along_rod
    first = -crank_radius_m * sin - side * side_1 / along_rod
    second = (
        -crank_radius_m * cos
        - (side_1**2 - side * crank_radius_m * sin) / along_rod
        - (side * side_1) ** 2 / along_rod**3
    )
    return position, first, second


@lru_cache(maxsize=256)
def inertia_harmonics(
    *, crank_radius_m: float, rod_length_m: float, pin_path_offset_m: float = 0.0
) -> Harmonics:
    """Return the harmonics C_k of the inertia force and D_k of the inertia torque.

    The exact motion is expanded numerically (FFT), so nothing is truncated within an order. For a
    centred pin path C_1 = 1, C_2 = A_2, C_4 = -A_4, C_6 = A_6 of the published series in
    lambda = r/l.

    Parameters
    ----------
    crank_radius_m, rod_length_m, pin_path_offset_m : float
        As in `piston_motion`. [m]

    Returns
    -------
    Harmonics
        Orders 1, 2, 4, 6, and all of 1 to 6 when the pin path is offset.

    References
    ----------
    Series to compare with: C. B. Biezeno and R. Grammel, Engineering Dynamics vol. IV; J. P. Den
    Hartog, Mechanical Vibrations, ch. 5; H. Maass and H. Klier, Kraefte, Momente und deren
    Ausgleich (from memory). Torque by virtual work, T omega = -m x'' x' omega^3.

    Examples
    --------
    >>> inertia_harmonics(crank_radius_m=0.25, rod_length_m=1.0).force.real.round(6)
    array([ 1.000000e+00,  2.540250e-01, -4.098000e-03,  7.400000e-05])
    """
    psi_rad = 2 * np.pi * np.arange(N_SAMPLES) / N_SAMPLES
    _, first, second = piston_motion(
        psi_rad,
        crank_radius_m=crank_radius_m,
        rod_length_m=rod_length_m,
        pin_path_offset_m=pin_path_offset_m,
    )
    orders = ORDERS_WITH_OFFSET if pin_path_offset_m else ORDERS_WITHOUT_OFFSET
    kept = np.array(orders)
    force = np.fft.rfft(-second / crank_radius_m)[kept] * 2 / N_SAMPLES
    torque = np.fft.rfft(-second * first / crank_radius_m**2)[kept] * 2 / N_SAMPLES
    if not pin_path_offset_m:  # even motion: what the FFT leaves in the odd part is round-off
        force, torque = force.real + 0j, 1j * torque.imag
    return Harmonics(orders=orders, force=force, torque=torque)
