"""One evaluated layout as a plain, JSON-ready document ("crankfront.evaluation/1")."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from evaluate import exhaust, firing, shafts, sizing, units
from evaluate.batch import SLOTS
from evaluate.camshafts import DRIVING_END, FREE_END, camshafts
from evaluate.inertia import NOTHING_SHARE, Inertia, Rotors, pin_sums, scales
from evaluate.layout import Layout, order_text
from evaluate.metrics import METRICS, Evaluation
from evaluate.numbering import SCHEMES
from evaluate.tolerance_results import tolerance_document

SCHEMA = "crankfront.evaluation/1"
N_HALF_ORDERS = 24


def evaluation_document(layout: Layout) -> dict[str, Any]:
    """Return everything that is computed of one layout, as nested dicts of plain values.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout.read_layout`.

    Returns
    -------
    dict
        Keys as documented in the README; units are in the names, angles in the direction of
        rotation; None where something does not exist or cannot be known.
    """
    engine, batch = layout.engine, layout.batch
    evaluation = Evaluation(engine, batch)
    speed_rpm = units.rpm_from_rad_s(engine.speed_rad_s)
    document = {
        "schema": SCHEMA,
        "name": layout.name,
        "rotation": layout.rotation,
        "numbering": {"scheme": layout.numbering, "meaning": SCHEMES.get(layout.numbering)},
        "assumed": list(layout.assumed),
        "duty_assumed": list(layout.duty_assumed),
        "speed_rpm": speed_rpm,
        "mean_piston_speed_m_s": 2 * engine.crank_radius_m * engine.speed_rad_s / math.pi,
        "cylinders": _cylinders(layout),
        "inertia": _inertia(evaluation),
        "balance": _balance(evaluation),
        "firing": _firing(layout, evaluation),
        "exhaust": _exhaust(layout, evaluation),
        "camshafts": _camshafts(layout),
        "size": _size(evaluation),
        "metrics": {key: float(metric.compute(evaluation)[0]) for key, metric in METRICS.items()},
        "tolerances": None if layout.tolerances is None else tolerance_document(layout),
    }
    result: dict[str, Any] = plain(document)
    return result


def _cylinders(layout: Layout) -> list[dict[str, Any]]:
    batch = layout.batch
    columns = zip(
        layout.labels,
        layout.engine.throws + 1,
        batch.banks[0] + 1,
        layout.engine.positions_m * units.MM_PER_M,
        batch.pin_angles_deg[0],
        batch.bank_axes_deg()[0],
        firing.tdc_angles_deg(batch)[0],
        strict=True,
    )
    names = ("label", "throw", "bank", "position_mm", "pin_angle_deg", "bank_axis_deg", "tdc_deg")
    return [dict(zip(names, values, strict=True)) for values in columns]


def _inertia(evaluation: Evaluation) -> dict[str, Any]:
    per_kg = pin_sums(evaluation.engine, evaluation.pins)
    turning = [
        Rotors(
            orders=(1,),
            forward=evaluation.engine.rotating_mass_kg * part[np.newaxis],
            backward=np.zeros((1, 1), complex),
        )
        for part in per_kg
    ]
    residual = evaluation.residual
    force_scale_N, couple_scale_Nm = scales(evaluation.engine)
    return {
        "reciprocating": _by_order(evaluation.reciprocating),
        "rotating": _by_order(Inertia(force=turning[0], couple=turning[1])),
        "residual": _by_order(residual),
        "nothing_below_N": NOTHING_SHARE * force_scale_N,
        "nothing_below_Nm": NOTHING_SHARE * couple_scale_Nm,
        "force_rms_N": residual.force.rms()[0],
        "couple_rms_Nm": residual.couple.rms()[0],
        "force_peak_N": residual.force.peak()[0],
        "couple_peak_Nm": residual.couple.peak()[0],
    }


def _by_order(inertia: Inertia) -> dict[str, dict[str, float | None]]:
    orders: dict[str, dict[str, float | None]] = {}
    for row, order in enumerate(inertia.force.orders):
        entry: dict[str, float | None] = {}
        for name, unit, rotors in (
            ("force", "N", inertia.force),
            ("couple", "Nm", inertia.couple),
        ):
            forward, backward = rotors.forward[row, 0], rotors.backward[row, 0]
            ahead, against = abs(forward), abs(backward)
            entry |= {
                f"{name}_peak_{unit}": ahead + against,
                f"{name}_least_{unit}": abs(ahead - against),
                f"{name}_forward_{unit}": ahead,
                f"{name}_backward_{unit}": against,
                f"{name}_direction_deg": _direction_deg(forward, backward),
            }
        orders[str(order)] = entry
    return orders


def _direction_deg(forward: complex, backward: complex) -> float | None:
    """Return the direction of the ellipse's long axis in [0, 180), None for a circle. [deg]

    P exp(jk theta) and Q exp(-jk theta) meet where their angles agree: at (arg P + arg Q) / 2.
    """
    small, large = sorted((abs(forward), abs(backward)))
    if small <= 1e-9 * large or large == 0:
        return None
    middle_deg = math.degrees(0.5 * (np.angle(forward) + np.angle(backward)))
    return float(middle_deg % 180.0)


def _balance(evaluation: Evaluation) -> dict[str, Any]:
    engine, batch, sizes = evaluation.engine, evaluation.batch, evaluation.shaft_sizes
    masses_kg = shafts.shaft_masses_kg(engine, batch, sizes)[0]
    friction_W = shafts.shaft_friction_W(engine, batch)[0]
    entries = []
    for column, slot in enumerate(SLOTS):
        fraction = batch.shaft_fractions[0, column]
        if not fraction:
            continue
        force, couple = sizes.force_kgm[0, column], sizes.couple_kgm2[0, column]
        entries.append(
            {
                "order": slot.order,
                "sense": slot.sense,
                "fraction": fraction,
                "force_unbalance_kgm": abs(force),
                "phase_deg": _phase_deg(force),
                "couple_unbalance_kgm2": abs(couple),
                "couple_phase_deg": _phase_deg(couple),
                "mass_estimate_kg": masses_kg[column],
                "friction_estimate_W": friction_W[column],
            }
        )
    per_cylinder_kgm = sizing.counterweight_kgm(engine, batch)[0]
    per_throw = np.bincount(engine.throws, minlength=engine.n_throws) * per_cylinder_kgm
    tdc_deg = firing.tdc_angles_deg(batch)
    pair = shafts.second_order_pair(engine, batch, evaluation.reciprocating, tdc_deg)[0]
    return {
        "rotating_fraction": batch.rotating_fraction[0],
        "reciprocating_fraction": batch.reciprocating_fraction[0],
        "counterweight_kgm": per_throw,
        "shafts": entries,
        "second_order_pair": None
        if pair is None
        else {
            "rolling_moment_before_Nm": pair.rolling_moment_Nm,
            "pair_moment_per_height_Nm_per_m": pair.pair_moment_N,
            "height_forward_above_backward_mm": units.mm_from_m(pair.height_difference_m),
            "rolling_moment_then_Nm": pair.least_rolling_moment_Nm,
        },
        "shaft_assumptions": "half-disc weights on a plain steel shaft as long as the crank, two "
        "unloaded plain bearings (Petroff); coefficients in the proportions",
    }


def _phase_deg(unbalance: complex) -> float | None:
    return None if unbalance == 0 else float(np.degrees(np.angle(unbalance)) % 360.0)


def _firing(layout: Layout, evaluation: Evaluation) -> dict[str, Any]:
    angles_deg = evaluation.firing_angles_deg[0]
    rising_deg = np.sort(angles_deg)
    order = order_text(layout.labels, angles_deg)
    cycle_deg = layout.engine.cycle_deg
    sequence = [layout.labels.index(label) for label in order]
    steps = np.diff(angles_deg[sequence])
    together = [[order[i], order[i + 1]] for i in np.flatnonzero(np.abs(steps) < firing.SNAP_DEG)]
    return {
        "order": list(order),
        "angles_deg": angles_deg,
        "intervals_deg": firing.intervals_from_sorted(rising_deg[:, np.newaxis], cycle_deg)[:, 0],
        "unevenness_deg": evaluation.firing.unevenness_deg[0],
        "fluctuation": evaluation.firing.fluctuation[0],
        "largest_interval_deg": evaluation.firing.largest_interval_deg[0],
        "fire_together": together,
    }


def _exhaust(layout: Layout, evaluation: Evaluation) -> dict[str, Any]:
    engine, groups = layout.engine, layout.batch.collectors[0]
    angles_deg = evaluation.firing_angles_deg[0]
    collectors = []
    for group in range(int(groups.max()) + 1):
        members = np.flatnonzero(groups == group)
        spacings_deg = exhaust.spacings_deg(angles_deg[members], engine.cycle_deg)
        collectors.append(
            {
                "cylinders": [layout.labels[i] for i in members],
                "spacings_deg": spacings_deg,
                "spacing_min_deg": spacings_deg.min(),
                "spectrum": exhaust.half_order_spectrum(
                    angles_deg[members], N_HALF_ORDERS, engine.cycle_deg
                ),
            }
        )
    return {
        "collectors": collectors,
        "open_duration_deg": engine.open_duration_deg,
        "spacing_min_deg": evaluation.exhaust.spacing_min_deg[0],
        "unevenness_deg": evaluation.exhaust.unevenness_deg[0],
        "overlap_deg": evaluation.exhaust.overlap_deg[0],
        "spectrum_orders": np.arange(1, N_HALF_ORDERS + 1) * firing.TURN_DEG / engine.cycle_deg,
        "tailpipe_spectrum": exhaust.half_order_spectrum(
            angles_deg, N_HALF_ORDERS, engine.cycle_deg
        ),
    }


def _camshafts(layout: Layout) -> list[dict[str, Any]]:
    """Return every camshaft as seen from each end."""
    return [
        {
            "name": shaft.name,
            "banks": shaft.banks,
            "seen_from": shaft.seen_from,
            "turns": shaft.turns,
            "turns_with_crank": shaft.with_crank,
            "drive": shaft.drive,
            "drive_is_assumed": shaft.is_assumed,
            "lobes": [
                {"cylinder": lobe.label, "clockwise_deg": lobe.angle_deg} for lobe in shaft.lobes
            ],
        }
        for seen_from in (FREE_END, DRIVING_END)
        for shaft in camshafts(layout, seen_from=seen_from)
    ]


def _size(evaluation: Evaluation) -> dict[str, Any]:
    engine, box = evaluation.engine, evaluation.box
    return {
        "bore_mm": units.mm_from_m(engine.bore_m),
        "stroke_mm": units.mm_from_m(2 * engine.crank_radius_m),
        "displacement_cm3": 0.25e6
        * math.pi
        * engine.bore_m**2
        * 2
        * engine.crank_radius_m
        * engine.n_cylinders,
        "main_bearings": engine.n_mains,
        "length_mm": units.mm_from_m(box.length_m[0]),
        "width_mm": units.mm_from_m(box.width_m[0]),
        "height_mm": units.mm_from_m(box.height_m[0]),
    }


def plain(value: Any) -> Any:
    """Return the value with numpy types as plain ones and NaN as None."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray) and (value.dtype.kind in "iub" or np.isfinite(value).all()):
        return value.tolist()
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(item) for item in value]
    if isinstance(value, (np.integer, np.bool_)):
        return value.item()
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value
