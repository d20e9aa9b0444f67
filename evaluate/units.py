"""Where units convert: files and outputs carry mm, deg, rpm; the physics is SI and radians."""

from __future__ import annotations

import math

MM_PER_M = 1000.0
LITRES_PER_M3 = 1000.0


def m_from_mm(length_mm: float) -> float:
    """Return a length in metres."""
    return length_mm / MM_PER_M


def mm_from_m(length_m: float) -> float:
    """Return a length in millimetres."""
    return length_m * MM_PER_M


def rad_s_from_rpm(speed_rpm: float) -> float:
    """Return an angular speed in rad/s."""
    return speed_rpm * 2 * math.pi / 60


def rpm_from_rad_s(speed_rad_s: float) -> float:
    """Return an angular speed in revolutions per minute."""
    return speed_rad_s * 60 / (2 * math.pi)
