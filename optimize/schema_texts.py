"""What the keys of study and layout files mean, one line each, for editors."""

from __future__ import annotations

import inspect
import re
from dataclasses import fields
from typing import Any

#: By table (as the class that declares it is named) and key.
TEXTS: dict[str, dict[str, str]] = {
    "StudyTables": {
        "study": "Name, question and seed.",
        "engine": "The givens that hold for every candidate.",
        "space": "What may vary.",
        "proportions": "Coefficients of sizes, masses and prices that differ from the usual ones.",
        "combustion": "Gas pressure, for torque and bearings: a model, or a measured trace.",
        "flywheel": "Steadiness of speed.",
        "torsion": "Running range, damping and shaft, for torsional vibration.",
        "bearings": "Main journals, for specific loads.",
        "tolerances": "By how much built engines may differ from the drawing.",
        "constraints": "What every design must keep; any metric can be bounded.",
        "objectives": "What is traded, each with the difference that matters.",
        "exhaust": "Exhaust collectors and valve opening.",
        "search": "Budget of the search.",
        "baseline": "The layout that everybody would build, scored beside the front.",
    },
    "StudyTable": {
        "name": "Names the run directory under results/.",
        "question": "What the study is to answer, for reports.",
        "seed": "Of the random numbers: the same seed gives the same front.",
    },
    "EngineTable": {
        "displacement_cm3": "Swept volume of the whole engine.",
        "speed": "One speed for all cylinder counts, or one mean piston speed.",
        "cycle_strokes": "Strokes of the working cycle: 4 or 2.",
        "stroke_to_bore": "Stroke over bore.",
        "crank_radius_to_rod": "Crank radius over rod length.",
    },
    "SpeedTable": {
        "rpm": "Speed of every engine.",
        "mean_piston_speed_m_s": "Mean piston speed of every engine: small cylinders turn faster.",
    },
    "SpaceTable": {
        "cylinders": "Cylinder counts.",
        "arrangements": "In line, V, opposed.",
        "pins": "How two cylinders of a V or opposed engine meet the crank.",
        "bank_angle_deg": "Included angles of the Vs: a list, or a range.",
        "throw_angle_step_deg": "Lattice of throw angles and splays; 0 for any angle.",
        "add_even_firing_angles": "Whether the lattice also has the angles of even firing, such as "
        "multiples of 72 for five cylinders.",
        "reciprocating_fraction": "Shares of the reciprocating mass that counterweights balance: a "
        "list, or a range.",
        "rotating_fraction": "Share of the rotating mass that counterweights balance.",
        "balance_shafts": "Balance shafts that may be used.",
    },
    "RangeTable": {"from": "Lower end of the range.", "to": "Upper end of the range."},
    "ShaftsTable": {
        "slots": "Rotating parts of the residual that a shaft may take: order, and sense of "
        "rotation beside the crank's.",
        "at_most": "How many at once.",
    },
    "ConstraintsTable": {
        "even_firing": "Whether all firing intervals must be equal.",
        "mirror_symmetric": "Whether the rear half of the crank must mirror the front half.",
        "largest_interval_factor": "Largest firing interval at most this many times cycle/N.",
        "splay_deg": "Limit of the splay of split pins.",
    },
    "SplayTable": {"at_most": "Largest splay of a split pin, in degrees."},
    "BoundTable": {
        "at_most": "The value may not be above.",
        "at_least": "The value may not be below.",
    },
    "ObjectiveTable": {
        "metric": "Key of a metric; `crankfront metrics` explains them.",
        "resolution": "The difference that matters, in the metric's unit: values are rounded up to "
        "it before designs are compared. Each metric has a default.",
        "kept_by": "Share of built engines that must be as good or better, by [tolerances].",
    },
    "CollectorsTable": {
        "collectors": '"one", "per bank", "best of 2" (the best grouping into two), or lists '
        "of cylinder numbers by cylinder count.",
        "open_duration_deg": "Crank angle for which an exhaust valve is open.",
    },
    "SearchTable": {
        "population": "Designs of each family at a time.",
        "evaluations": "Budget of all families together, in designs.",
        "seeds": "Repetitions with other random numbers.",
        "exact": '"auto" enumerates families that are small enough instead of searching them.',
        "exact_steps": "Firings and arrangements up to which a family counts as small enough.",
        "settled_after": "A front that has not changed over this share of its designs ends its "
        "search; 1 for never.",
        "dominated_share": "Budget of a family without a place on the common front, beside that of "
        "one with.",
    },
    "BaselineTable": {"layout": "Layout file, seen from the folder of the study."},
    "LayoutTables": {
        "cylinder": "Dimensions and masses of one cylinder.",
        "crank": "Throws, from the free end to the driving end.",
        "name": "For headings.",
        "cycle_strokes": "Strokes of the working cycle: 4 or 2.",
        "rotation": "Sense of rotation seen from the free end; pictures and labels need it.",
        "numbering": "Standard by which cylinders are labelled, where no labels are given.",
        "banks": "Bank axes.",
        "cylinders": "Throw, bank, label and place of each cylinder.",
        "firing": "Firing order, or firing angles.",
        "balance": "Counterweights and balance shafts.",
        "exhaust": "Exhaust collectors and valve opening.",
        "operation": "Running conditions.",
        "camshafts": "Where camshafts are and what turns them.",
        "facts": "What is known of the engine, for `crankfront firing-orders`.",
        "combustion": "Gas pressure, for torque and bearings: a model, or a measured trace.",
        "flywheel": "Steadiness of speed, and inertia.",
        "torsion": "Running range, damping and shaft, for torsional vibration.",
        "bearings": "Main journals, for specific loads.",
        "rod": "The connecting rod as a body.",
        "tolerances": "By how much built engines may differ from the drawing.",
        "proportions": "Coefficients of sizes and prices that differ from the usual ones.",
    },
    "CylinderTable": {
        "stroke_mm": "Twice the crank radius.",
        "rod_length_mm": "Between the centres of the rod.",
        "reciprocating_mass_kg": "Piston group and the rod's small-end share, per cylinder.",
        "bore_mm": "Bore; without it sizes, masses and gas are left out.",
        "pin_path_offset_mm": "Lateral position of the wrist pin's path, positive in the direction "
        "of rotation.",
        "rotating_mass_kg": "The rod's big-end share and the throw's own unbalance at the pin "
        "radius, per cylinder.",
    },
    "CrankTable": {
        "throw_angles_deg": "Angle of each throw, in the direction of rotation.",
        "throw_angle_step_deg": "Where the angles are not known: the lattice on which they are "
        "sought from facts.",
        "throw_positions_mm": "Place of each throw, rising from the free end.",
        "throw_pitch_mm": "Distance from throw to throw, instead of their places.",
        "reference_mm": "Place from which couples are reckoned; the middle of the crank by "
        "default.",
        "main_bearing_positions_mm": "Places of the main bearings.",
    },
    "BanksTable": {
        "angles_deg": "Direction of each bank, 0 straight up, in the direction of rotation.",
    },
    "CylindersTable": {
        "throw": "Throw of each cylinder, counted from 1 at the free end.",
        "bank": "Bank of each cylinder, counted from 1.",
        "labels": "Names of the cylinders.",
        "position_mm": "Place of each cylinder along the crank; that of its throw by default.",
    },
    "FiringTable": {
        "order": "Labels in the order in which the cylinders fire.",
        "angles_deg": "Firing angle of each cylinder.",
    },
    "BalanceTable": {
        "rotating_fraction": "Share of the rotating mass that counterweights balance.",
        "reciprocating_fraction": "Share of the reciprocating mass that counterweights balance.",
        "shafts": "Balance shafts.",
    },
    "ShaftTable": {
        "order": "1 for crank speed, 2 for twice that.",
        "sense": "Forward with the crank, backward against it.",
        "fraction": "Share of the residual that it takes.",
        "height_mm": "Above the crank axis, for the rolling moment.",
    },
    "ExhaustTable": {
        "collectors": '"one", "per bank", "best of 2" (the best grouping into two), or lists '
        "of labels.",
        "open_duration_deg": "Crank angle for which an exhaust valve is open.",
    },
    "OperationTable": {"speed_rpm": "Speed."},
    "CamshaftsTable": {
        "placed": "One camshaft in each bank, or one for all.",
        "drive": "What turns them: one drive for all, or one each.",
        "follower_angles_deg": "With one camshaft for all banks: where the followers of each bank "
        "meet it.",
    },
    "DriveTable": {
        "by": "Gears, chain or belt.",
        "gears": "Gears from crank to camshaft, both ends and idlers counted.",
        "teeth": "Teeth from crank to camshaft; a pair is two gears on one idler, the driven one "
        "first.",
    },
    "FactsTable": {
        "same_tdc": "Groups that reach top dead centre together.",
        "next": "Pairs of which the second fires right after the first.",
        "order": "Cylinders in the order in which they fire, all or some.",
        "apart": "Pairs that fire so many degrees of crank apart, either way.",
        "tdc_apart": "Pairs whose dead centres are so many degrees of crank apart, either way.",
        "crankpins": "Throws as met going round the standing crank in its direction of rotation; "
        "those together in a list.",
        "lobes": "Lobes of one kind as met going round a standing camshaft.",
        "tolerance_deg": "How far stated angles may be off.",
    },
    "ApartTable": {"cylinders": "Two labels.", "degrees": "Degrees of crank between them."},
    "LobesTable": {
        "order": "Labels as met going round.",
        "angles_deg": "Of the lobes, in degrees of camshaft.",
        "seen_from": "Where one looks from.",
        "met": "How one goes round, as seen from there.",
    },
    "ProportionsTable": {"pin_diameter_to_bore": "Crankpin diameter over bore."},
    "CombustionTable": {
        "ignition": "Which defaults to take.",
        "trace": "CSV file of crank angle and pressure, instead of the model.",
    },
    "FlywheelTable": {
        "speed_fluctuation": "Coefficient of speed fluctuation: greatest less least, over mean.",
        "inertia_kgm2": "Of the flywheel, for torsion.",
    },
    "TorsionTable": {
        "speed_range_to_rated": "Lowest and highest speed over the rated one.",
        "highest_order": "Highest order of excitation that is looked at.",
        "magnifier": "Resonance over static twist of a mode without a damper.",
        "throw_damping_Nms_per_rad": "Damping of each throw against standing ground.",
        "damper": "A damper at the free end.",
        "shaft": "Proportions of the shaft that differ from the usual ones.",
        "inertias_kgm2": "Stated inertias from the free end on, instead of proportions.",
        "stiffnesses_Nm_per_rad": "Stated stiffnesses between them.",
        "cylinder_stations": "Station of each cylinder among the inertias, counted from 1.",
        "diameters_mm": "Of the shaft between stations, for stresses.",
    },
    "DamperTable": {
        "inertia_kgm2": "Of its ring.",
        "stiffness_Nm_per_rad": "Between hub and ring.",
        "damping_Nms_per_rad": "Between hub and ring.",
        "hub_inertia_kgm2": "Of its hub, on the crank.",
    },
    "BearingsTable": {
        "main_diameter_mm": "Diameter of the main journals.",
        "main_width_mm": "Width of the main bearings.",
    },
    "RodTable": {
        "mass_kg": "Of the whole rod.",
        "centre_from_big_end_mm": "From the big end's centre to the centre of mass.",
        "inertia_kgm2": "About its centre of mass.",
    },
    "TolerancesTable": {
        "throw_angle_deg": "Limit of each throw's angle, either way.",
        "bank_angle_deg": "Limit of each bank's angle, either way.",
        "reciprocating_mass_percent": "Limit of each cylinder's reciprocating mass, either way.",
        "rotating_mass_percent": "Limit of each cylinder's rotating mass, either way.",
        "counterweight_percent": "Limit of each counterweight, either way.",
        "shaft_phase_deg": "Limit of each balance shaft's phase, either way.",
        "shaft_unbalance_percent": "Limit of each balance shaft's unbalance, either way.",
        "samples": "Engines that are built by chance.",
        "seed": "Of that chance.",
    },
}


def attribute_texts(documented: type[Any]) -> dict[str, str]:
    """Return what the docstring of a dataclass says of each field.

    Parameters
    ----------
    documented : type
        A dataclass with a numpydoc section `Attributes`; "shaft_..." and "pitch_a ... pitch_b"
        stand for all fields that begin so.
    """
    names = [item.name for item in fields(documented)]
    section = (inspect.getdoc(documented) or "").partition("Attributes\n----------\n")[2]
    texts: dict[str, str] = {}
    for heading, body in re.findall(r"^(\S.*) : .*\n((?:    .*\n?)+)", section, re.MULTILINE):
        text = " ".join(line.strip() for line in body.splitlines())
        for part in heading.split(","):
            word = part.strip()
            begin = word.partition(" ... ")[0].removesuffix("...")
            begin = begin.partition("_")[0] + "_" if " ... " in word else begin
            found = [n for n in names if (n.startswith(begin) if "..." in word else n == word)]
            texts |= dict.fromkeys(found, text)
    return texts
