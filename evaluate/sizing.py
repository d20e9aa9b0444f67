"""Sizes for a fair comparison: dimensions, masses, prices and feasibility from proportions.

All formulas of section 4.7 and 4.8 of the design stand here; their coefficients are in
`evaluate.proportions`. They are project assumptions for comparing layouts, not a design.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import Batch, Engine, FloatArray
from evaluate.proportions import Proportions

if TYPE_CHECKING:
    from evaluate.duty import Duty

#: Pin arrangements of V and opposed engines, and what each means.
PINS = {
    "shared": "one crankpin for a V pair",
    "split": "the pair's pins splayed",
    "own-main": "each cylinder its own throw, a main bearing between",
    "own-web": "pairs of throws with a web between",
}


#: From the throw to a main bearing, where a crank has one throw only: a project assumption. [-]
SINGLE_THROW_END_TO_BORE = 0.6
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True)
class CylinderSize:
    """Main dimensions and speed of one cylinder count at equal displacement (SI)."""

    bore_m: float
    stroke_m: float
    rod_length_m: float
    speed_rad_s: float

    @property
    def mean_piston_speed_m_s(self) -> float:
        """Return the mean piston speed, 2 stroke n."""
        return self.stroke_m * self.speed_rad_s / math.pi


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """Outer dimensions, each of shape (candidates,). [m]"""

    length_m: FloatArray
    width_m: FloatArray
    height_m: FloatArray


def cylinder_size(
    n_cylinders: int,
    *,
    displacement_m3: float,
    stroke_to_bore: float,
    crank_radius_to_rod: float,
    speed_rad_s: float | None = None,
    mean_piston_speed_m_s: float | None = None,
) -> CylinderSize:
    """Return bore, stroke, rod and speed of an engine of given total displacement.

    Parameters
    ----------
    n_cylinders : int
        Cylinders that share the displacement.
    displacement_m3 : float
        Total swept volume, with the stroke taken as twice the crank radius. [m^3]
    stroke_to_bore, crank_radius_to_rod : float
        Ratios. [-]
    speed_rad_s, mean_piston_speed_m_s : float or None
        Exactly one: equal speed [rad/s], or equal mean piston speed [m/s].

    Raises
    ------
    ValueError
        Unless exactly one of the two speeds is given.
    """
    bore_m = (4 * displacement_m3 / (math.pi * n_cylinders * stroke_to_bore)) ** (1 / 3)
    stroke_m = stroke_to_bore * bore_m
    if mean_piston_speed_m_s is not None and speed_rad_s is None:
        speed_rad_s = math.pi * mean_piston_speed_m_s / stroke_m
    elif speed_rad_s is None or mean_piston_speed_m_s is not None:
        raise ValueError("speed: give either rpm or mean_piston_speed_m_s")
    return CylinderSize(
        bore_m=bore_m,
        stroke_m=stroke_m,
        rod_length_m=stroke_m / 2 / crank_radius_to_rod,
        speed_rad_s=speed_rad_s,
    )


def sized_engine(
    n_cylinders: int,
    *,
    n_banks: int,
    pins: str | None,
    size: CylinderSize,
    cycle_deg: float,
    open_duration_deg: float,
    proportions: Proportions,
    duty: Duty | None = None,
) -> Engine:
    """Return the givens that all candidates of one family share.

    Parameters
    ----------
    n_cylinders, n_banks : int
        Cylinders in all, and banks (1 or 2).
    pins : str or None
        One of `PINS`; None for in-line engines, which have own throws with mains between.
    size : CylinderSize
        From `cylinder_size`.
    cycle_deg, open_duration_deg : float
        Working cycle and exhaust opening. [deg]
    proportions : Proportions
        Coefficients.
    duty : Duty or None
        Gas, flywheel and torsion; None for the usual ones.
    """
    bore_m, p = size.bore_m, proportions
    count = np.arange(n_cylinders)
    if pins in ("shared", "split"):
        n_pairs = n_cylinders // 2
        pitch = p.pitch_shared_to_bore if pins == "shared" else p.pitch_split_to_bore
        pair_m = pitch * bore_m * np.arange(n_pairs)
        stagger_m = 0.5 * p.stagger_to_bore * bore_m
        positions_m = pair_m[count // 2] + np.where(count % 2, stagger_m, -stagger_m)
        throws = count // 2 if pins == "shared" else count
        throw_positions_m = pair_m if pins == "shared" else positions_m
        rods_per_throw = 2
    else:
        if pins == "own-web":
            steps = np.where(count[1:] % 2, p.pitch_own_web_to_bore, p.pitch_own_main_to_bore)
        else:
            pitch = p.pitch_own_main_to_bore if pins == "own-main" else p.pitch_in_line_to_bore
            steps = np.full(n_cylinders - 1, pitch)
        positions_m = bore_m * np.concatenate([[0.0], np.cumsum(steps)])
        throws, throw_positions_m, rods_per_throw = count, positions_m, 1
    middle_m = 0.5 * (positions_m.min() + positions_m.max())
    # In pairs of throws the second follows the first over a web, not over a main bearing.
    in_pairs = pins in ("split", "own-web")
    has_main_after = np.arange(1, len(throw_positions_m)) % (2 if in_pairs else 1) == 0
    mains_m = main_positions_m(throw_positions_m - middle_m, has_main_after, bore_m)
    throw_share_kg = p.throw_mass_kg_per_m3 * bore_m**3 / rods_per_throw
    stated: dict[str, Any] = {} if duty is None else {"duty": duty}
    return Engine(
        cycle_deg=cycle_deg,
        crank_radius_m=0.5 * size.stroke_m,
        rod_length_m=size.rod_length_m,
        pin_path_offset_m=p.pin_path_offset_to_crank_radius * 0.5 * size.stroke_m,
        reciprocating_mass_kg=p.reciprocating_mass_kg_per_m3 * bore_m**3,
        rotating_mass_kg=p.big_end_mass_kg_per_m3 * bore_m**3 + throw_share_kg,
        speed_rad_s=size.speed_rad_s,
        bore_m=bore_m,
        positions_m=positions_m - middle_m,
        throws=throws,
        throw_positions_m=throw_positions_m - middle_m,
        main_positions_m=mains_m,
        n_banks=n_banks,
        open_duration_deg=open_duration_deg,
        proportions=proportions,
        **stated,
    )


def main_positions_m(
    throw_positions_m: FloatArray, has_main_after: BoolArray, bore_m: float
) -> FloatArray:
    """Return places of main bearings: half-way between throws, and as far out at the ends.

    Parameters
    ----------
    throw_positions_m : array, shape (throws,)
        Rising. [m]
    has_main_after : array of bool, shape (throws - 1,)
        Whether a main bearing, not a web, stands between a throw and the next.
    bore_m : float
        For the ends of a crank with one throw. [m]

    Returns
    -------
    array, shape (mains,)
        [m]
    """
    gaps_m = np.diff(throw_positions_m)
    ends_m = 0.5 * float(gaps_m.max()) if len(gaps_m) else SINGLE_THROW_END_TO_BORE * bore_m
    between_m = (throw_positions_m[:-1] + 0.5 * gaps_m)[has_main_after]
    ends = throw_positions_m[[0, -1]] + np.array([-ends_m, ends_m])
    places_m: FloatArray = np.concatenate([ends[:1], between_m, ends[1:]])
    return places_m


def crank_length_m(engine: Engine) -> float:
    """Return the crank length: the span of the throws and a stated length for the ends. [m]"""
    span_m = float(np.ptp(engine.throw_positions_m))
    return span_m + engine.proportions.crank_ends_to_bore * engine.bore_m


def box(engine: Engine, batch: Batch) -> Box:
    """Return length, width and height of the engine's box.

    Each bank is a rectangle from the crank to the top of its head; the crankcase is a circle
    around the path of the crankpins, with a sump below.
    """
    p, bore_m = engine.proportions, engine.bore_m
    above_m = (p.deck_above_pin_to_bore + p.head_height_to_bore) * bore_m
    top_m = engine.crank_radius_m + engine.rod_length_m + above_m
    half_m = 0.5 * p.bank_width_to_bore * bore_m
    case_m = engine.crank_radius_m + p.crankcase_clearance_to_bore * bore_m
    axis_rad = np.deg2rad(batch.bank_angles_deg)
    sin, cos = np.sin(axis_rad), np.cos(axis_rad)
    right_m = np.maximum(case_m, (np.maximum(top_m * sin, 0) + half_m * np.abs(cos)).max(axis=1))
    left_m = np.maximum(case_m, (np.maximum(-top_m * sin, 0) + half_m * np.abs(cos)).max(axis=1))
    up_m = np.maximum(case_m, (np.maximum(top_m * cos, 0) + half_m * np.abs(sin)).max(axis=1))
    down_m = np.maximum(
        case_m + p.sump_depth_to_bore * bore_m,
        (np.maximum(-top_m * cos, 0) + half_m * np.abs(sin)).max(axis=1),
    )
    length_m = crank_length_m(engine) + p.engine_ends_to_bore * bore_m
    return Box(
        length_m=np.full(len(batch), length_m), width_m=left_m + right_m, height_m=up_m + down_m
    )


def parts(engine: Engine, shaft_count: FloatArray) -> FloatArray:
    """Return the index of parts: a declared, overridable sum of what must be made. [-]"""
    p = engine.proportions
    fixed = (
        p.parts_per_cylinder * engine.n_cylinders
        + p.parts_per_throw * engine.n_throws
        + p.parts_per_main * engine.n_mains
        + p.parts_per_bank * engine.n_banks
    )
    return fixed + p.parts_per_shaft * shaft_count


def counterweight_kgm(engine: Engine, batch: Batch) -> FloatArray:
    """Return the counterweight unbalance opposite one cylinder's pin, (candidates,). [kg m]"""
    balanced_kg = (
        batch.rotating_fraction * engine.rotating_mass_kg
        + batch.reciprocating_fraction * engine.reciprocating_mass_kg
    )
    return balanced_kg * engine.crank_radius_m


def crank_train_mass_kg(engine: Engine, batch: Batch, shaft_mass_kg: FloatArray) -> FloatArray:
    """Return pistons, rods, crank, counterweights and balance shafts, shape (candidates,). [kg]

    Webs: one beside each throw and one for each bay between mains, so two for a plain throw and
    three for a pair of throws with a web between.
    """
    p, volume_m3 = engine.proportions, engine.bore_m**3
    n_webs = engine.n_throws + engine.n_mains - 1
    rods_kg = p.big_end_mass_kg_per_m3 * volume_m3 + engine.reciprocating_mass_kg
    crank_kg = volume_m3 * (
        p.main_mass_kg_per_m3 * engine.n_mains
        + p.web_mass_kg_per_m3 * n_webs
        + p.pin_mass_kg_per_m3 * engine.n_cylinders
    )
    radius_m = p.counterweight_radius_to_crank_radius * engine.crank_radius_m
    weights_kg = engine.n_cylinders * counterweight_kgm(engine, batch) / radius_m
    return engine.n_cylinders * rods_kg + crank_kg + weights_kg + shaft_mass_kg


def pin_overlap_shortfall(engine: Engine, splay_deg: FloatArray) -> FloatArray:
    """Return by how much the overlap of splayed pin halves falls short, over pin diameter. [-]

    Overlap d - 2 r sin(delta/2) must be at least 0.2 d (project rule; published limits in degrees
    were not found). Negative or zero is feasible.
    """
    pin_m = engine.proportions.pin_diameter_to_bore * engine.bore_m
    apart_m = 2 * engine.crank_radius_m * np.abs(np.sin(0.5 * np.deg2rad(splay_deg)))
    return engine.proportions.pin_overlap_min - (pin_m - apart_m) / pin_m


def bore_clash_m(engine: Engine, batch: Batch) -> FloatArray:
    """Return by how much bores of different banks run into each other, (candidates,). [m]

    Two bores of radius R whose centres stand `gap` apart along the crank are cut half-way between
    them: there each is a strip of half-width w = sqrt(R^2 - (gap/2)^2) that begins at the height
    h = l - r - 0.1 B above the crank axis. The strips clear each other when h tan(V/2) >= w (for
    gap = 0 this is V >= 2 atan(0.5 B / (l - r - 0.1 B))). Negative or zero is feasible.
    """
    low_m = (
        engine.rod_length_m
        - engine.crank_radius_m
        - engine.proportions.bore_end_below_pin_to_bore * engine.bore_m
    )
    axes_deg = batch.bank_axes_deg()
    banks = np.broadcast_to(batch.banks, axes_deg.shape)
    worst_m = np.full(len(batch), -np.inf)
    for i, j in _neighbours(engine, engine.bore_m):
        gap_m = abs(engine.positions_m[i] - engine.positions_m[j])
        half_width_m = math.sqrt(0.25 * engine.bore_m**2 - 0.25 * gap_m**2)
        between_deg = np.abs(axes_deg[:, i] - axes_deg[:, j])
        half_rad = np.deg2rad(0.5 * np.minimum(between_deg, 360 - between_deg))
        clash_m = half_width_m - low_m * np.tan(np.minimum(half_rad, 0.499 * np.pi))
        worst_m = np.where(banks[:, i] != banks[:, j], np.maximum(worst_m, clash_m), worst_m)
    return worst_m


def bore_spacing_shortfall_m(engine: Engine, batch: Batch) -> FloatArray:
    """Return by how much neighbours in one bank stand too near, (candidates,). [m]"""
    needed_m = engine.proportions.bore_spacing_min_to_bore * engine.bore_m
    banks = np.broadcast_to(batch.banks, batch.pin_angles_deg.shape)
    worst_m = np.full(len(batch), -np.inf)
    for i, j in _neighbours(engine, needed_m):
        short_m = needed_m - abs(engine.positions_m[i] - engine.positions_m[j])
        worst_m = np.where(banks[:, i] == banks[:, j], np.maximum(worst_m, short_m), worst_m)
    return worst_m


def _neighbours(engine: Engine, nearer_than_m: float) -> NDArray[np.int64]:
    """Return the pairs of cylinders that stand nearer along the crank than a length."""
    first, second = np.triu_indices(engine.n_cylinders, 1)
    near = np.abs(engine.positions_m[first] - engine.positions_m[second]) < nearer_than_m - 1e-9
    return np.column_stack([first[near], second[near]])
