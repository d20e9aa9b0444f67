"""Ratios and coefficients from which sizes, masses and prices follow.

Every default is a project assumption, partly inside handbook ranges that were remembered and not
read; none comes from a measured engine. All can be overridden in a study file. Lengths are in
bores unless the name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

from evaluate.errors import InputError

#: Far beyond any engine: they keep slips of the pen from becoming infinities.
MOST, LEAST = 1e6, 1e-6
#: Coefficients by which something is divided, and distances of throws.
DIVISORS = (
    "pitch_in_line_to_bore",
    "pitch_shared_to_bore",
    "pitch_split_to_bore",
    "pitch_own_web_to_bore",
    "pitch_own_main_to_bore",
    "pin_diameter_to_bore",
    "counterweight_radius_to_crank_radius",
    "shaft_weight_radius_to_bore",
    "shaft_core_diameter_to_bore",
    "shaft_couple_arm_to_crank_length",
    "shaft_bearing_clearance_ratio",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Proportions:
    """Ratios and coefficients from which sizes and masses follow.

    Attributes
    ----------
    reciprocating_mass_kg_per_m3, big_end_mass_kg_per_m3, throw_mass_kg_per_m3 : float
        Masses over bore cubed: piston group and small end per cylinder, big end per cylinder, and
        the throw's own unbalance at the pin radius, once however many rods it carries (a splayed
        pair counts as one throw). Large-bore engines: about 2500 each. [kg/m^3]
    pitch_in_line_to_bore ... pitch_own_main_to_bore : float
        Throw pitch over bore by pin arrangement; shared and split per pair. [-]
    stagger_to_bore : float
        Axial distance of the two rods of a V pair over bore; bank 1 towards the free end. [-]
    pin_path_offset_to_crank_radius : float
        Lateral position of the wrist pin's path, positive in the direction of rotation. [-]
    bore_spacing_min_to_bore : float
        Least spacing of neighbouring bores in one bank over bore. [-]
    pin_overlap_min : float
        Least overlap of the two halves of a splayed pin over pin diameter. [-]
    bore_end_below_pin_to_bore : float
        How far the bore reaches below the wrist pin at bottom dead centre, over bore. [-]
    crank_ends_to_bore, engine_ends_to_bore : float
        Crank length beyond the outer throws, and engine length beyond the crank. [-]
    deck_above_pin_to_bore, head_height_to_bore, bank_width_to_bore : float
        Piston above the wrist pin, head above the piston, width of a bank over bore. [-]
    crankcase_clearance_to_bore, sump_depth_to_bore : float
        Crankcase around the crankpin circle, and sump below it. [-]
    main_mass_kg_per_m3, web_mass_kg_per_m3, pin_mass_kg_per_m3 : float
        Crank masses over bore cubed: per main journal, per web, and pin per rod. [kg/m^3]
    counterweight_radius_to_crank_radius : float
        Where the centre of a counterweight sits. [-]
    shaft_... , oil_viscosity_Pa_s, steel_density_kg_m3 : float
        Balance-shaft estimate: half-disc weights on a plain steel shaft in two plain bearings.
    parts_per_... : float
        Weights of the index `parts`. [-]
    """

    reciprocating_mass_kg_per_m3: float = 900.0
    big_end_mass_kg_per_m3: float = 800.0
    throw_mass_kg_per_m3: float = 900.0
    pin_path_offset_to_crank_radius: float = 0.0
    pitch_in_line_to_bore: float = 1.20
    pitch_shared_to_bore: float = 1.35
    pitch_split_to_bore: float = 1.40
    pitch_own_web_to_bore: float = 0.80
    pitch_own_main_to_bore: float = 1.20
    stagger_to_bore: float = 0.22
    bore_spacing_min_to_bore: float = 1.08
    pin_diameter_to_bore: float = 0.60
    pin_overlap_min: float = 0.20
    bore_end_below_pin_to_bore: float = 0.10
    crank_ends_to_bore: float = 1.40
    engine_ends_to_bore: float = 0.40
    deck_above_pin_to_bore: float = 0.55
    head_height_to_bore: float = 1.10
    bank_width_to_bore: float = 1.60
    crankcase_clearance_to_bore: float = 0.35
    sump_depth_to_bore: float = 0.90
    main_mass_kg_per_m3: float = 1500.0
    web_mass_kg_per_m3: float = 1650.0
    pin_mass_kg_per_m3: float = 1200.0
    counterweight_radius_to_crank_radius: float = 1.30
    shaft_weight_radius_to_bore: float = 0.28
    shaft_core_diameter_to_bore: float = 0.20
    shaft_couple_arm_to_crank_length: float = 0.80
    shaft_bearing_length_to_diameter: float = 0.75
    shaft_bearing_clearance_ratio: float = 0.001
    oil_viscosity_Pa_s: float = 0.010
    steel_density_kg_m3: float = 7850.0
    parts_per_cylinder: float = 1.0
    parts_per_throw: float = 1.0
    parts_per_main: float = 1.0
    parts_per_shaft: float = 2.0
    parts_per_bank: float = 4.0

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "pin_path_offset_to_crank_radius":
                is_right, allowed = abs(value) <= MOST, f"-{MOST:g} to {MOST:g}"
            elif item.name in DIVISORS:
                is_right, allowed = LEAST <= value <= MOST, f"{LEAST:g} to {MOST:g}"
            else:
                is_right, allowed = 0 <= value <= MOST, f"0 or above, at most {MOST:g}"
            if not is_right:  # NaN fails every comparison
                raise InputError(item.name, f"{value:g}", allowed)
