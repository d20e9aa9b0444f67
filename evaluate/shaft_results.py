"""Torque, main bearings and torsional vibration of one layout as a JSON-ready document."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from evaluate import bearings, duty, torque, units
from evaluate.batch import FloatArray
from evaluate.layout import Layout
from evaluate.metrics import Evaluation
from evaluate.phasors import ComplexArray
from evaluate.results import plain
from evaluate.torsion_results import torsion_document

HIGHEST_ORDER = 12.0


def shaft_document(layout: Layout) -> dict[str, Any]:
    """Return what gas and inertia do to the shaft and its bearings.

    Parameters
    ----------
    layout : Layout
        Without a bore torque and bearings are None; torsion too, unless its shaft is stated.

    Returns
    -------
    dict
        `torque`, `bearings` and `torsion`; units are in the names.
    """
    evaluation = Evaluation(layout.engine, layout.batch)
    has_bore = math.isfinite(layout.engine.bore_m)
    has_shaft = has_bore or layout.engine.duty.torsion.chain is not None
    document = {
        "torque": _torque(layout, evaluation) if has_bore else None,
        "bearings": _bearings(layout) if has_bore else None,
        "torsion": _torsion(layout, evaluation) if has_shaft else None,
    }
    result: dict[str, Any] = plain(document)
    return result


def _torque(layout: Layout, evaluation: Evaluation) -> dict[str, Any]:
    engine = layout.engine
    gas_Nm, inertia_Nm = duty.torques_Nm(engine)
    one_Nm = gas_Nm + inertia_Nm
    angles_deg = evaluation.firing_angles_deg
    scores = torque.torque_measures(engine, angles_deg, one_Nm)
    total_Nm = torque.engine_torque_Nm(engine, angles_deg, one_Nm)
    spectrum = torque.torque_by_order(total_Nm, engine.cycle_deg, highest_order=HIGHEST_ORDER)
    coefficient = engine.duty.speed_fluctuation
    flywheel = torque.flywheel_inertia_kgm2(scores.energy_J, engine.speed_rad_s, coefficient)
    return {
        "mean_Nm": scores.mean_Nm[0],
        "ripple_Nm": scores.ripple_Nm[0],
        "greatest_Nm": total_Nm.max(),
        "least_Nm": total_Nm.min(),
        "energy_fluctuation_J": scores.energy_J[0],
        "speed_fluctuation": coefficient,
        "flywheel_inertia_kgm2": flywheel[0],
        "rolling_moment": _rolling(layout, evaluation, one_Nm),
        "orders": [
            {"order": order, "amplitude_Nm": amplitude, "phase_deg": phase_deg}
            for order, amplitude, phase_deg in zip(
                spectrum.orders, spectrum.amplitude_Nm[0], spectrum.phase_deg[0], strict=True
            )
        ],
    }


def _rolling(layout: Layout, evaluation: Evaluation, one_Nm: FloatArray) -> dict[str, Any]:
    """Return the moment about the crank axis on the block, with and without a second-order pair."""
    engine, heights_m = layout.engine, layout.shaft_heights_m[1:]
    of_one_Nm = torque.rolling_moment_Nm(engine, one_Nm, engine.duty.rod)
    moment_Nm = torque.engine_torque_Nm(engine, evaluation.firing_angles_deg, of_one_Nm)[0]
    found: dict[str, Any] = {
        "ripple_Nm": np.ptp(moment_Nm),
        "second_order_Nm": _second_order(moment_Nm, engine.cycle_deg),
        "shaft_heights_mm": [None if h is None else h * units.MM_PER_M for h in heights_m],
        "ripple_with_shafts_Nm": None,
        "second_order_with_shafts_Nm": None,
    }
    stated = [share > 0 for share in layout.batch.shaft_fractions[0, 1:]]
    is_known = all(h is not None for h, has in zip(heights_m, stated, strict=True) if has)
    if any(stated) and is_known:
        forward, backward = (h or 0.0 for h in heights_m)
        pair_Nm = torque.pair_moment_Nm(
            engine,
            layout.batch,
            evaluation.reciprocating,
            forward_at_m=forward,
            backward_at_m=backward,
            n_samples=len(moment_Nm),
        )[0]
        found["ripple_with_shafts_Nm"] = np.ptp(moment_Nm + pair_Nm)
        second_Nm = _second_order(moment_Nm + pair_Nm, engine.cycle_deg)
        found["second_order_with_shafts_Nm"] = second_Nm
    return found


def _second_order(moment_Nm: FloatArray, cycle_deg: float) -> float:
    multiple = round(2 * cycle_deg / 360.0)
    return float(np.abs(torque.cycle_harmonics(moment_Nm)[multiple]))


def _bearings(layout: Layout) -> dict[str, Any]:
    engine, batch = layout.engine, layout.batch
    pin_force = bearings.pin_force_N(engine, duty.trace_of(engine))
    loads = bearings.main_loads_N(engine, batch, pin_force)[0]
    worst = bearings.worst_load(engine, batch, pin_force)
    columns = zip(
        engine.main_positions_m * units.MM_PER_M,
        bearings.peaks_N(loads),
        bearings.means_N(loads),
        np.abs(loads).argmax(axis=1) * engine.cycle_deg / loads.shape[1],
        strict=True,
    )
    journals = engine.duty.main_journals
    area_mm2 = math.nan if journals is None else 1e6 * journals.diameter_m * journals.width_m
    return {
        "mains_assumed": layout.mains_assumed,
        "mains": [
            {
                "position_mm": place,
                "peak_N": peak,
                "mean_N": mean,
                "peak_at_deg": angle,
                "specific_peak_MPa": peak / area_mm2,  # N/mm2
                "specific_mean_MPa": mean / area_mm2,
            }
            for place, peak, mean, angle in columns
        ],
        "crankpin": _crankpin(layout, pin_force),
        "worst": {
            "main": worst.main + 1,
            "crank_angle_deg": worst.crank_angle_deg,
            "load_N": abs(worst.load_N),
            "direction_deg": float(np.degrees(np.angle(worst.load_N)) % 360.0),
            "firing_pair": [layout.labels[i] for i in worst.firing_pair],
            "since_firing_deg": worst.since_firing_deg,
            "share_by_cylinder_N": worst.shares_N,
        },
    }


def _crankpin(layout: Layout, pin_force: ComplexArray) -> dict[str, Any]:
    """Return what one rod does to its crankpin; angles from the cylinder's own firing."""
    engine = layout.engine
    pin = bearings.pin_load(engine, pin_force, bearings.big_end_mass_kg(engine))
    sizes_N = np.abs(pin.in_bank_N)
    return {
        "peak_N": sizes_N.max(),
        "mean_N": sizes_N.mean(),
        "peak_at_deg": float(np.degrees(pin.psi_rad[sizes_N.argmax()])),
        "side_thrust_peak_N": np.abs(bearings.wall_force_N(pin_force)).max(),
    }


def _torsion(layout: Layout, evaluation: Evaluation) -> dict[str, Any]:
    engine = layout.engine
    has_bore = math.isfinite(engine.bore_m)
    return torsion_document(
        engine,
        layout.batch,
        evaluation.firing_angles_deg,
        givens=engine.duty.torsion,
        excited=duty.excitation_of(engine) if has_bore else None,
    )
