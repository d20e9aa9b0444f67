"""Designs as plain lists of cylinders, and which of them are one: turned, mirrored, reversed.

Written from sections 3 and 5 of the design without any of the code under test: a cylinder has a
place along the crank, a bank axis, a crankpin angle and a firing angle. Turning the crank in the
air adds the same to all pins (and moves all dead centres alike); running the motion backward
negates axes, pins and firing angles; turning the crank end for end negates the places.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from evaluate import Batch, Engine

_PER_DEG = 1000  # thousandths of a degree: far above round-off, far below any lattice used
_PER_M = 1e6

Row = tuple[tuple[int, int, int, int], ...]


@dataclass(frozen=True)
class PlainDesign:
    """One design: (place [m], axis, pin, firing angle [deg]) of each cylinder, and the rest."""

    cylinders: tuple[tuple[float, float, float, float], ...]
    cycle_deg: float
    rest: tuple[float, ...]

    def written(self, *, is_mirrored: bool, is_reversed: bool) -> tuple[Row, tuple[float, ...]]:
        """Return the design after the symmetries, in the one way that the first cylinder fixes."""
        sign, side = (-1 if is_mirrored else 1), (-1 if is_reversed else 1)
        moved = [(side * s, sign * a, sign * p, sign * f) for s, a, p, f in self.cylinders]
        along = sorted((round(s * _PER_M), _whole(a, 360.0), p, f) for s, a, p, f in moved)
        _, _, pin, fired = along[0]
        row = tuple(
            (s, a, _whole(p - pin, 360.0), _whole(f - fired, self.cycle_deg))
            for s, a, p, f in along
        )
        return row, self.rest

    def name(self, symmetries: Iterable[str] = ("mirror", "reverse")) -> object:
        """Return what the design and all its twins have in common."""
        known = set(symmetries)
        ways = [
            (m, r)
            for m, r in itertools.product((False, True), repeat=2)
            if (not m or "mirror" in known) and (not r or "reverse" in known)
        ]
        return min(self.written(is_mirrored=m, is_reversed=r) for m, r in ways)


def _whole(angle_deg: float, period_deg: float) -> int:
    return round(angle_deg * _PER_DEG) % round(period_deg * _PER_DEG)


def plain_designs(engine: Engine, batch: Batch) -> list[PlainDesign]:
    """Return each candidate of a batch as a plain design."""
    designs = []
    n = engine.n_cylinders
    banks = np.broadcast_to(batch.banks, (len(batch), n))
    for c in range(len(batch)):
        axes = [float(batch.bank_angles_deg[c, bank]) for bank in banks[c]]
        pins = [float(pin) for pin in batch.pin_angles_deg[c]]
        fired = firing_angles_deg(axes, pins, batch.firing_bits[c].tolist())
        places = [float(s) for s in engine.positions_m]
        rest = (
            float(batch.rotating_fraction[c]),
            round(float(batch.reciprocating_fraction[c]), 6),
            *batch.shaft_fractions[c].tolist(),
            round(float(np.ptp(batch.bank_angles_deg[c])), 3),
        )
        cylinders = tuple(zip(places, axes, pins, fired, strict=True))
        designs.append(PlainDesign(cylinders, engine.cycle_deg, rest))
    return designs


def firing_angles_deg(axes_deg: list[float], pins_deg: list[float], bits: list[int]) -> list[float]:
    """Return theta_i - theta_1 (mod 360) + 360 b_i with theta = axis - pin (design, section 3)."""
    centres = [axis - pin for axis, pin in zip(axes_deg, pins_deg, strict=True)]
    phases = [(centre - centres[0]) % 360.0 for centre in centres]
    return [
        (0.0 if min(phase, 360.0 - phase) < 1e-6 else phase) + 360.0 * bit
        for phase, bit in zip(phases, bits, strict=True)
    ]


def intervals_deg(fired_deg: list[float], cycle_deg: float) -> list[float]:
    """Return the intervals between successive firings, the last one back to the first."""
    rising = sorted(fired_deg)
    return [b - a for a, b in itertools.pairwise([*rising, rising[0] + cycle_deg])]
