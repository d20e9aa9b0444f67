"""The one table of metrics, and the evaluation of a batch that they are read from.

Adding a metric is one function of an `Evaluation` and one line in `METRICS`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from evaluate import (
    bearings,
    duty,
    exhaust,
    firing,
    inertia,
    shafts,
    sizing,
    torque,
    torsion_batch,
)
from evaluate.batch import Batch, Engine, FloatArray, IntArray
from evaluate.errors import unknown_word
from evaluate.notebook import number_text, table_html
from evaluate.phasors import ComplexArray

#: Candidates scored at a time: small enough for the arrays of one step to stay in the cache.
BLOCK = 4096
SHOWN = 6  # candidates that an evaluation shows of itself in a notebook


@dataclass(frozen=True)
class Evaluation:
    """A batch with everything that can be computed of it, each part at most once and on demand.

    Attributes
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates.
    errors : BuildErrors or None
        Masses of built engines; None for engines as drawn.
    """

    engine: Engine
    batch: Batch
    errors: inertia.BuildErrors | None = field(default=None, kw_only=True)

    @cached_property
    def pins(self) -> ComplexArray:
        """Unit phasors of the crankpins, (cylinders, candidates)."""
        return inertia.pin_phasors(self.batch)

    @cached_property
    def reciprocating(self) -> inertia.Inertia:
        """Force and couple of the reciprocating masses before balancing."""
        return inertia.reciprocating(self.engine, self.batch, self.pins, self.errors)

    @cached_property
    def residual(self) -> inertia.Inertia:
        """Force and couple after counterweights and balance shafts."""
        return inertia.residual(self.engine, self.batch, self.pins, self.reciprocating, self.errors)

    @cached_property
    def firing_angles_deg(self) -> FloatArray:
        """Firing angles by cylinder, (candidates, cylinders)."""
        return firing.firing_angles_deg(self.batch)

    @cached_property
    def firing(self) -> firing.FiringMeasures:
        """How even the firing is."""
        rising_deg = firing.sorted_columns(self.firing_angles_deg)
        return firing.measures(rising_deg, self.engine.cycle_deg)

    @cached_property
    def succession(self) -> FloatArray:
        """How much each firing is followed by each other, (candidates, cylinders, cylinders)."""
        return firing.succession(self.firing_angles_deg, self.engine.cycle_deg)

    @cached_property
    def exhaust(self) -> exhaust.ExhaustMeasures:
        """Exhaust pulses in all collectors."""
        return exhaust.measures(
            self.firing_angles_deg,
            self.batch.collectors,
            cycle_deg=self.engine.cycle_deg,
            open_duration_deg=self.engine.open_duration_deg,
        )

    @cached_property
    def shaft_sizes(self) -> shafts.ShaftSizes:
        """Unbalance of each balance shaft."""
        first_deg = firing.tdc_angles_deg(self.batch)[:, 0]
        return shafts.shaft_sizes(self.engine, self.batch, self.reciprocating, first_deg)

    @cached_property
    def box(self) -> sizing.Box:
        """Outer dimensions."""
        return sizing.box(self.engine, self.batch)

    @cached_property
    def torque(self) -> torque.TorqueMeasures:
        """Gas and inertia torque at the crank: mean, ripple, fluctuation of energy."""
        gas_Nm, inertia_Nm = duty.torques_Nm(self.engine)
        return torque.torque_measures(self.engine, self.firing_angles_deg, gas_Nm + inertia_Nm)

    @cached_property
    def main_load_peak_N(self) -> FloatArray:
        """Peak load of the worst main bearing, (candidates,)."""
        pin_force = bearings.pin_force_N(self.engine, duty.trace_of(self.engine))
        if not np.isfinite(pin_force).all():
            return np.full(len(self.batch), np.nan)
        table = bearings.load_table(self.engine, pin_force)
        return bearings.main_load_peak_N(self.engine, self.batch, table)

    @cached_property
    def shaft_count(self) -> FloatArray:
        """Number of balance shafts, (candidates,)."""
        count: IntArray = (self.batch.shaft_fractions > 0).sum(axis=1)
        return count.astype(np.float64)

    def _repr_html_(self) -> str:
        """Return the metrics of the first candidates as a table, for notebooks."""
        n, shown = len(self.batch), min(len(self.batch), SHOWN)
        values = score(self.engine, self.batch.rows(slice(0, shown)), METRICS)
        rows = [
            (axis_label(key), *(number_text(value) for value in values[:, column]))
            for column, key in enumerate(METRICS)
        ]
        title = "1 candidate" if n == 1 else f"{n} candidates" + ", the first" * (n > shown)
        return table_html(title, rows, heading=["", *(str(i) for i in range(shown))])


@dataclass(frozen=True, kw_only=True, slots=True)
class Metric:
    """One line of the metric table.

    Attributes
    ----------
    key : str
        Name in study files, columns and outputs, with its unit.
    unit : str
        Unit for labels; empty for a pure number.
    sense : str
        "least" or "most": what is better.
    label : str
        Short name for axes.
    meaning : str
        One line for help and reports.
    source : str
        Where the definition comes from.
    resolution : float
        Default difference that matters, in the unit.
    keeps : frozenset of str
        Which of "mirror" (motion run backward) and "reverse" (end for end) leave it unchanged;
        turning the crank in the air always does.
    compute : callable
        From an `Evaluation` to an array of shape (candidates,).
    """

    key: str
    unit: str
    sense: str
    label: str
    meaning: str
    source: str
    resolution: float
    compute: Callable[[Evaluation], FloatArray]
    keeps: frozenset[str] = frozenset({"mirror", "reverse"})


_BEVAN = "direct and reverse cranks, Bevan, The Theory of Machines, ch. 14"
_BEVAN_TORQUE = "turning-moment diagram, Bevan, The Theory of Machines, ch. 12"
_WILSON = "Ker Wilson, Practical Solution of Torsional Vibration Problems (from memory)"
_OWN = "definition of this project"
_SIZING = "proportions of this project"


def _box_litres(e: Evaluation) -> FloatArray:
    volume_m3: FloatArray = e.box.length_m * e.box.width_m * e.box.height_m
    return volume_m3 * 1000


def _mass_kg(e: Evaluation) -> FloatArray:
    shafts_kg = shafts.shaft_masses_kg(e.engine, e.batch, e.shaft_sizes).sum(axis=1)
    return sizing.crank_train_mass_kg(e.engine, e.batch, shafts_kg)


def _flywheel_kgm2(e: Evaluation) -> FloatArray:
    return torque.flywheel_inertia_kgm2(
        e.torque.energy_J, e.engine.speed_rad_s, e.engine.duty.speed_fluctuation
    )


def _twist_deg(e: Evaluation) -> FloatArray:
    return torsion_batch.torsional_amplitude_deg(
        e.engine,
        e.batch,
        e.firing_angles_deg,
        givens=e.engine.duty.torsion,
        excited=duty.excitation_of(e.engine),
    )


def _torsion_MPa(e: Evaluation) -> FloatArray:
    return torsion_batch.torsional_stress_MPa(
        e.engine,
        e.batch,
        e.firing_angles_deg,
        givens=e.engine.duty.torsion,
        excited=duty.excitation_of(e.engine),
    )


def _crank_length_mm(e: Evaluation) -> FloatArray:
    return np.full(len(e.batch), sizing.crank_length_m(e.engine) * 1000)


# fmt: off
_Line = tuple[str, str, str, str, str, str, float, Callable[[Evaluation], FloatArray]]
_TABLE: tuple[_Line, ...] = (
    ("force_rms_N", "N", "least", "residual force",
     "RMS over a turn of the free force left by counterweights and shafts",
     _BEVAN, 50.0, lambda e: e.residual.force.rms()),
    ("couple_rms_Nm", "N·m", "least", "residual couple",
     "RMS over a turn of the free couple left by counterweights and shafts",
     _BEVAN, 5.0, lambda e: e.residual.couple.rms()),
    ("force_peak_N", "N", "least", "peak force",
     "Largest residual free force over a turn, all orders together",
     _BEVAN, 50.0, lambda e: e.residual.force.peak()),
    ("couple_peak_Nm", "N·m", "least", "peak couple",
     "Largest residual free couple over a turn, all orders together",
     _BEVAN, 5.0, lambda e: e.residual.couple.peak()),
    ("first_order_force_N", "N", "least", "first-order force",
     "RMS over a turn of the first-order free force left by counterweights and shafts",
     _BEVAN, 50.0, lambda e: e.residual.force.order_rms(1)),
    ("first_order_couple_Nm", "N·m", "least", "first-order couple",
     "RMS over a turn of the first-order free couple left by counterweights and shafts",
     _BEVAN, 5.0, lambda e: e.residual.couple.order_rms(1)),
    ("second_order_force_N", "N", "least", "second-order force",
     "RMS over a turn of the second-order free force left by shafts",
     _BEVAN, 50.0, lambda e: e.residual.force.order_rms(2)),
    ("second_order_couple_Nm", "N·m", "least", "second-order couple",
     "RMS over a turn of the second-order free couple left by shafts",
     _BEVAN, 5.0, lambda e: e.residual.couple.order_rms(2)),
    ("internal_couple_Nm", "N·m", "least", "internal couple",
     "First-order couple of half the crank about its middle after counterweights: bends the crank",
     _OWN, 20.0, lambda e: inertia.internal_couple(e.engine, e.batch, e.pins, e.errors)),
    ("firing_fluctuation", "", "least", "firing fluctuation",
     "Range over the cycle of firings done minus cycle gone: 1/N when even, 1 when all together",
     _OWN, 0.01, lambda e: e.firing.fluctuation),
    ("firing_unevenness_deg", "deg", "least", "firing unevenness",
     "RMS deviation of the firing intervals from cycle/N",
     _OWN, 2.0, lambda e: e.firing.unevenness_deg),
    ("largest_interval_deg", "deg", "least", "largest firing interval",
     "Longest wait between two successive firings",
     _OWN, 5.0, lambda e: e.firing.largest_interval_deg),
    ("neighbour_firing_share", "", "least", "neighbour firings",
     "Share of successive firings on the same or the next throw",
     _OWN, 0.02, lambda e: firing.neighbour_share(e.engine, e.succession)),
    ("bank_alternation_share", "", "most", "bank alternation",
     "Share of successive firings that change the bank",
     _OWN, 0.02, lambda e: firing.bank_alternation_share(e.batch, e.succession)),
    ("exhaust_unevenness_deg", "deg", "least", "exhaust unevenness",
     "RMS over all pulses of their spacing in the collector minus cycle/pulses of that collector",
     _OWN, 5.0, lambda e: e.exhaust.unevenness_deg),
    ("exhaust_spacing_min_deg", "deg", "most", "least exhaust spacing",
     "Least spacing of two exhaust pulses in one collector",
     _OWN, 5.0, lambda e: e.exhaust.spacing_min_deg),
    ("exhaust_overlap_deg", "deg", "least", "exhaust overlap",
     "Sum per cycle of what two exhaust openings in one collector overlap",
     _OWN, 5.0, lambda e: e.exhaust.overlap_deg),
    ("parts", "", "least", "parts index",
     "Cylinders + throws + main bearings + 2 x balance shafts + 4 x banks (weights can be changed)",
     _SIZING, 1.0, lambda e: sizing.parts(e.engine, e.shaft_count)),
    ("box_litres", "l", "least", "box volume",
     "Length x width x height of the engine's box",
     _SIZING, 2.0, _box_litres),
    ("crank_length_mm", "mm", "least", "crank length",
     "Span of the throws and a stated length for the ends",
     _SIZING, 5.0, _crank_length_mm),
    ("crank_train_mass_kg", "kg", "least", "crank-train mass",
     "Pistons, rods, crank, counterweights and balance shafts",
     _SIZING, 0.5, _mass_kg),
    ("shaft_count", "", "least", "balance shafts",
     "Number of balance shafts",
     _OWN, 1.0, lambda e: e.shaft_count),
    ("torque_ripple_Nm", "N·m", "least", "torque ripple",
     "Greatest minus least crank torque over the cycle, gas and inertia",
     _BEVAN_TORQUE, 20.0, lambda e: e.torque.ripple_Nm),
    ("energy_fluctuation_J", "J", "least", "energy fluctuation",
     "Greatest minus least energy in excess of steady running over the cycle",
     _BEVAN_TORQUE, 10.0, lambda e: e.torque.energy_J),
    ("flywheel_inertia_kgm2", "kg·m²", "least", "flywheel inertia",
     "Inertia of all that turns for the stated coefficient of speed fluctuation",
     _BEVAN_TORQUE, 0.01, _flywheel_kgm2),
    ("main_load_peak_N", "N", "least", "main-bearing load",
     "Peak load of the worst main bearing over the cycle, bays statically determinate",
     _OWN, 500.0, lambda e: e.main_load_peak_N),
    ("torsional_amplitude_deg", "deg", "least", "torsional amplitude",
     "Worst twist of the free end against the driving end by one order in the running range",
     _WILSON, 0.02, _twist_deg),
    ("torsional_stress_MPa", "MPa", "least", "torsional stress",
     "Worst nominal shear stress by one order in the running range",
     _WILSON, 2.0, _torsion_MPa),
)
# fmt: on

METRICS: dict[str, Metric] = {
    key: Metric(
        key=key,
        unit=unit,
        sense=sense,
        label=label,
        meaning=meaning,
        source=source,
        resolution=resolution,
        compute=compute,
    )
    for key, unit, sense, label, meaning, source, resolution, compute in _TABLE
}
#: What needs the gas pressure, or the shaft as a spring: dearer than the rest by an order or two.
SHAFT_METRICS = (
    "torque_ripple_Nm",
    "energy_fluctuation_J",
    "flywheel_inertia_kgm2",
    "main_load_peak_N",
    "torsional_amplitude_deg",
    "torsional_stress_MPa",
)
# The motion run backward has another gas torque; seen from the other end it is the same, but for
# the flywheel, and for the samples that bearing loads are looked up at.
for _key in SHAFT_METRICS:
    _keeps = frozenset({"reverse"} if _key in SHAFT_METRICS[:3] else ())
    METRICS[_key] = replace(METRICS[_key], keeps=_keeps)


def axis_label(key: str) -> str:
    """Return the label of a metric for an axis or a heading, with its unit."""
    metric = METRICS[key]
    return f"{metric.label} [{metric.unit}]" if metric.unit else metric.label


def known_metric(key: str, where: str) -> Metric:
    """Return a metric by its key.

    Raises
    ------
    InputError
        If there is none, with the nearest key.
    """
    if key not in METRICS:
        raise unknown_word(where, key, METRICS)
    return METRICS[key]


def score(engine: Engine, batch: Batch, keys: Sequence[str] | Iterable[str]) -> FloatArray:
    """Return the chosen metrics of every candidate.

    Parameters
    ----------
    engine : Engine
        The givens.
    batch : Batch
        The candidates.
    keys : sequence of str
        Keys of `METRICS`.

    Returns
    -------
    array, shape (candidates, metrics)
        In the units of the table.
    """
    columns = [METRICS[key] for key in keys]
    scores = np.empty((len(batch), len(columns)))
    for start in range(0, len(batch), BLOCK):
        block = slice(start, min(start + BLOCK, len(batch)))
        evaluation = Evaluation(engine, batch.rows(block) if len(batch) > BLOCK else batch)
        for column, metric in enumerate(columns):
            scores[block, column] = metric.compute(evaluation)
    return scores
