"""A compiled loop over the same candidates (numba, benchmarks only), written to be quick."""

from __future__ import annotations

import math

import numba
import numpy as np

from evaluate import Batch, Engine
from evaluate.inertia import engine_harmonics


def score_compiled(engine: Engine, batch: Batch) -> np.ndarray:
    """Return the six benchmark metrics of each candidate."""
    harmonics = engine_harmonics(engine).force.real
    scale = 0.5 * engine.reciprocating_mass_kg * engine.crank_radius_m * engine.speed_rad_s**2
    out = np.empty((len(batch), 6))
    _loop(
        batch.pin_angles_deg,
        batch.bank_angles_deg,
        batch.banks[0],
        batch.firing_bits,
        engine.positions_m,
        scale * harmonics,
        batch.reciprocating_fraction,
        engine.cycle_deg,
        out,
    )
    return out


@numba.njit(inline="always")
def _insert_sorted(values: np.ndarray, count: int, value: float) -> None:
    place = count
    while place > 0 and values[place - 1] > value:
        values[place] = values[place - 1]
        place -= 1
    values[place] = value


@numba.njit
def _loop(pins, axes, banks, bits, positions, scaled, fractions, cycle, out):
    n_candidates, n = pins.shape
    sums = np.empty((4, 8))
    powers = np.empty((2, 7), np.complex128)
    rising, pulses = np.empty(n), np.empty(n)
    for c in range(n_candidates):
        for bank in range(2):
            angle = axes[c, bank] * math.pi / 180
            u = complex(math.cos(angle), math.sin(angle))
            back, square = u.conjugate(), u * u
            powers[bank, 0], powers[bank, 1] = back, back * back * back
            powers[bank, 2] = powers[bank, 1] * back * back
            powers[bank, 3], powers[bank, 4] = square, square * u
            powers[bank, 5] = square * square * u
            powers[bank, 6] = powers[bank, 5] * square
        sums[:] = 0
        for i in range(n):
            angle = pins[c, i] * math.pi / 180
            one = complex(math.cos(angle), math.sin(angle))
            two = one * one
            four = two * two
            six = four * two
            b = banks[i]
            for k in range(4):
                if k == 0:
                    forward, backward = one, powers[b, 3] * one.conjugate()
                elif k == 1:
                    forward, backward = powers[b, 0] * two, powers[b, 4] * two.conjugate()
                elif k == 2:
                    forward, backward = powers[b, 1] * four, powers[b, 5] * four.conjugate()
                else:
                    forward, backward = powers[b, 2] * six, powers[b, 6] * six.conjugate()
                sums[k, 0] += forward.real
                sums[k, 1] += forward.imag
                sums[k, 2] += backward.real
                sums[k, 3] += backward.imag
                sums[k, 4] += positions[i] * forward.real
                sums[k, 5] += positions[i] * forward.imag
                sums[k, 6] += positions[i] * backward.real
                sums[k, 7] += positions[i] * backward.imag
        force, couple = 0.0, 0.0
        for k in range(4):
            weight = scaled[k] ** 2
            ahead = weight if k > 0 else (scaled[0] * (1 - 2 * fractions[c])) ** 2
            force += ahead * (sums[k, 0] ** 2 + sums[k, 1] ** 2)
            force += weight * (sums[k, 2] ** 2 + sums[k, 3] ** 2)
            couple += ahead * (sums[k, 4] ** 2 + sums[k, 5] ** 2)
            couple += weight * (sums[k, 6] ** 2 + sums[k, 7] ** 2)
        out[c, 0], out[c, 1] = math.sqrt(force), math.sqrt(couple)
        first = axes[c, banks[0]] - pins[c, 0]
        uneven, least, seen = 0.0, cycle, 0
        for bank in range(2):
            count = 0
            for i in range(n):
                if banks[i] != bank:
                    continue
                phase = axes[c, bank] - pins[c, i] - first
                phase -= 360 * math.floor(phase / 360)
                if phase < 1e-6 or phase > 360 - 1e-6:
                    phase = 0.0
                value = phase + 360 * bits[c, i]
                _insert_sorted(pulses, count, value)
                _insert_sorted(rising, seen, value)
                count += 1
                seen += 1
            for j in range(count):
                after = pulses[j + 1] if j < count - 1 else pulses[0] + cycle
                uneven += (after - pulses[j] - cycle / count) ** 2
                least = min(least, after - pulses[j])
        out[c, 4], out[c, 5] = math.sqrt(uneven / n), least
        square, highest, lowest = 0.0, -1e9, 1e9
        for j in range(n):
            after = rising[j + 1] if j < n - 1 else rising[0] + cycle
            square += (after - rising[j] - cycle / n) ** 2
            lead = j / n - rising[j] / cycle
            highest, lowest = max(highest, lead), min(lowest, lead)
        out[c, 2], out[c, 3] = highest + 1 / n - lowest, math.sqrt(square / n)
