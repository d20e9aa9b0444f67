"""What the rules of a reading ask of a layout, each computed at most once."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evaluate import firing, inertia, shafts, units
from evaluate.batch import SLOTS, FloatArray
from evaluate.inertia import NOTHING_SHARE, scales
from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from evaluate.remedies import Remedy, remedies

#: Parts of an order below this share of its peak do not change the shape that words give it.
SHAPE_SHARE = 1e-3
#: An order below this share of what all masses could make at that order is called a trace.
TRACE_SHARE = 1e-3
#: Spacings that differ by less than this are even to a reader: angles are quoted to a tenth. [deg]
EVEN_WITHIN_DEG = 0.1


@dataclass(frozen=True, slots=True)
class Statement:
    """One sentence or two of a reading.

    Attributes
    ----------
    topic : str
        "firing", "exhaust", "crank", "force", "couple", "remedy" or "camshaft".
    text : str
        What is said, with units.
    rule : str
        Stable name of the rule that said it.
    """

    topic: str
    text: str
    rule: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """One order of the free force [N] or couple [N m].

    Attributes
    ----------
    kind, unit : str
        "force" and "N", or "couple" and "N·m".
    order : int
        Multiple of crank speed. [-]
    forward, backward : complex
        What is left, turning with and against the crank.
    reciprocating : tuple of complex
        Forward and backward part of the reciprocating masses before balancing.
    before : tuple of complex
        The same with the rotating masses, without counterweights and shafts.
    tolerance : float
        Remainders up to here are nothing.
    full : float
        What all cylinders could make at this order if they acted together.
    """

    kind: str
    unit: str
    order: int
    forward: complex
    backward: complex
    reciprocating: tuple[complex, complex]
    before: tuple[complex, complex]
    tolerance: float
    full: float

    @property
    def peak(self) -> float:
        """Return the largest magnitude over a turn."""
        return abs(self.forward) + abs(self.backward)

    @property
    def least(self) -> float:
        """Return the smallest magnitude over a turn."""
        return abs(abs(self.forward) - abs(self.backward))

    @property
    def before_peak(self) -> float:
        """Return the largest magnitude over a turn before balancing."""
        return abs(self.before[0]) + abs(self.before[1])

    @property
    def is_zero(self) -> bool:
        """Return whether nothing is left but remainders of sums."""
        return self.peak <= self.tolerance

    @property
    def is_trace(self) -> bool:
        """Return whether too little is left to be worth a remedy."""
        return not self.is_zero and self.peak <= TRACE_SHARE * self.full

    @property
    def shape(self) -> str:
        """Return "with", "against" (circles), "line" or "ellipse"; "" for nothing."""
        if self.is_zero:
            return ""
        ahead, against = abs(self.forward), abs(self.backward)
        small = SHAPE_SHARE * self.peak
        if against <= small:
            return "with"
        if ahead <= small:
            return "against"
        return "line" if self.least <= small else "ellipse"

    @property
    def direction_deg(self) -> float:
        """Return the long axis in [0, 180) from straight up; meaningless for circles. [deg]

        P exp(jk theta) and Q exp(-jk theta) meet where their angles agree, at (arg P + arg Q) / 2.
        """
        middle_rad = 0.5 * (np.angle(self.forward) + np.angle(self.backward))
        return math.degrees(middle_rad) % 180.0


@dataclass(frozen=True)
class Findings:
    """A layout with what rules ask of it.

    Attributes
    ----------
    layout : Layout
        The layout.
    evaluation : Evaluation
        Its evaluation.
    """

    layout: Layout
    evaluation: Evaluation

    @property
    def n(self) -> int:
        """Return the number of cylinders."""
        return self.layout.engine.n_cylinders

    @property
    def cycle_deg(self) -> float:
        """Return the crank angle of a working cycle. [deg]"""
        return self.layout.engine.cycle_deg

    @property
    def speed_rpm(self) -> float:
        """Return the speed of all forces and couples. [rpm]"""
        return units.rpm_from_rad_s(self.layout.engine.speed_rad_s)

    def labels(self, cylinders: Sequence[int]) -> list[str]:
        """Return the labels of cylinders."""
        return [self.layout.labels[i] for i in cylinders]

    @cached_property
    def firing_angles_deg(self) -> FloatArray:
        """Firing angles, shape (cylinders,). [deg]"""
        angles_deg: FloatArray = self.evaluation.firing_angles_deg[0]
        return angles_deg

    @cached_property
    def events(self) -> tuple[tuple[int, ...], ...]:
        """Cylinders that fire, one tuple for each crank angle, in the order of firing."""
        return self._events(range(self.n))

    @cached_property
    def intervals_deg(self) -> tuple[float, ...]:
        """Intervals after each of `events`. [deg]"""
        return self._intervals_deg(self.events)

    @property
    def even_interval_deg(self) -> float:
        """Return cycle/N. [deg]"""
        return self.cycle_deg / self.n

    @property
    def fire_together(self) -> bool:
        """Return whether any cylinders fire at the same crank angle."""
        return len(self.events) < self.n

    @property
    def is_even(self) -> bool:
        """Return whether all cylinders fire at equal intervals."""
        return not self.fire_together and is_even(self.intervals_deg)

    def successions(self) -> list[tuple[int, int]]:
        """Return pairs of cylinders whose firings follow each other; none fire together."""
        order = [event[0] for event in self.events]
        return list(zip(order, order[1:] + order[:1], strict=True))

    @cached_property
    def collectors(self) -> list[list[int]]:
        """Cylinders of each collector."""
        groups = self.layout.batch.collectors[0]
        return [np.flatnonzero(groups == g).tolist() for g in range(int(groups.max()) + 1)]

    def pulses(self, members: Sequence[int]) -> list[tuple[tuple[int, ...], float]]:
        """Return the pulses of a collector in order, each with the spacing after it [deg]."""
        events = self._events(members)
        return list(zip(events, self._intervals_deg(events), strict=True))

    @cached_property
    def tdc_deg(self) -> FloatArray:
        """Top dead centres theta_i, shape (cylinders,). [deg]"""
        angles_deg: FloatArray = firing.tdc_angles_deg(self.layout.batch)[0]
        return angles_deg

    @cached_property
    def axes_deg(self) -> FloatArray:
        """Bank axis of each cylinder. [deg]"""
        angles_deg: FloatArray = self.layout.batch.bank_axes_deg()[0]
        return angles_deg

    @cached_property
    def members_of_banks(self) -> list[list[int]]:
        """Cylinders of each bank, along the crank."""
        banks, positions_m = self.layout.batch.banks[0], self.layout.engine.positions_m
        along = np.argsort(positions_m, kind="stable")
        return [along[banks[along] == b].tolist() for b in range(self.layout.engine.n_banks)]

    @cached_property
    def force(self) -> tuple[Part, ...]:
        """The free force by order."""
        return self._parts("force", "N")

    @cached_property
    def couple(self) -> tuple[Part, ...]:
        """The free couple by order."""
        return self._parts("couple", "N·m")

    @cached_property
    def remedies(self) -> tuple[Remedy, ...]:
        """The ladder of remedies."""
        return remedies(self.layout, self.evaluation)

    @property
    def shaft_fractions(self) -> tuple[float, ...]:
        """Return the share of each slot that the layout's shafts take."""
        return tuple(float(share) for share in self.layout.batch.shaft_fractions[0])

    @cached_property
    def internal_couple_Nm(self) -> float:
        """Couple that bends the crank at its middle. [N m]"""
        engine, batch = self.layout.engine, self.layout.batch
        return float(inertia.internal_couple(engine, batch, self.evaluation.pins)[0])

    @cached_property
    def second_order_pair(self) -> shafts.SecondOrderPair | None:
        """What a given second-order pair does to the rolling moment."""
        evaluation = self.evaluation
        return shafts.second_order_pair(
            evaluation.engine, evaluation.batch, evaluation.reciprocating, self.tdc_deg[np.newaxis]
        )[0]

    def slot(self, kind: str, column: int) -> complex:
        """Return what the reciprocating masses put into a slot, as a phasor. [N] or [N m]"""
        slot = SLOTS[column]
        parts: tuple[Part, ...] = self.force if kind == "force" else self.couple
        part = next(part for part in parts if part.order == slot.order)
        return part.reciprocating[0 if slot.sense == "forward" else 1]

    def _parts(self, kind: str, unit: str) -> tuple[Part, ...]:
        evaluation, engine = self.evaluation, self.layout.engine
        is_couple = kind == "couple"
        left = getattr(evaluation.residual, kind)
        raw = getattr(evaluation.reciprocating, kind)
        rotating = engine.rotating_mass_kg * inertia.pin_sums(engine, evaluation.pins)[is_couple][0]
        scale = scales(engine)[is_couple]
        harmonics = inertia.engine_harmonics(engine).force
        parts = []
        for row, order in enumerate(left.orders):
            ahead, against = complex(raw.forward[row, 0]), complex(raw.backward[row, 0])
            parts.append(
                Part(
                    kind=kind,
                    unit=unit,
                    order=order,
                    forward=complex(left.forward[row, 0]),
                    backward=complex(left.backward[row, 0]),
                    reciprocating=(ahead, against),
                    before=(ahead + (complex(rotating) if order == 1 else 0), against),
                    tolerance=NOTHING_SHARE * scale,
                    full=scale * abs(harmonics[row]),
                )
            )
        return tuple(parts)

    def _events(self, cylinders: Sequence[int]) -> tuple[tuple[int, ...], ...]:
        ticks = np.rint(self.firing_angles_deg / firing.SNAP_DEG)
        chosen = sorted(cylinders, key=lambda i: (ticks[i], i))
        events: list[list[int]] = []
        for i in chosen:
            if events and ticks[events[-1][0]] == ticks[i]:
                events[-1].append(i)
            else:
                events.append([i])
        return tuple(tuple(event) for event in events)

    def _intervals_deg(self, events: Sequence[tuple[int, ...]]) -> tuple[float, ...]:
        rising = self.firing_angles_deg[[event[0] for event in events]]
        return tuple(np.diff(np.append(rising, rising[0] + self.cycle_deg)).tolist())


Rule = Callable[[Findings], list[Statement]]


def is_even(spacings_deg: Sequence[float]) -> bool:
    """Return whether spacings are equal within a tenth of a degree."""
    return max(spacings_deg) - min(spacings_deg) < EVEN_WITHIN_DEG
