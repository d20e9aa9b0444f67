"""Inertias and stiffnesses of a crankshaft for torsional vibration, from proportions."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from evaluate.batch import Engine, FloatArray
from evaluate.errors import InputError, unknown_word
from evaluate.torsion_chain import Chain, Damper

#: Formulas for the stiffness of a throw.
FORMULAS = {
    "carter": "B. C. Carter (1928)",
    "ker-wilson": "W. Ker Wilson, Practical Solution of Torsional Vibration Problems, vol. 1",
}
#: Resonance over static twist of a mode without a damper, for bearings, pistons and hysteresis
#: together: a project assumption of the order that is stated for road engines, from memory. [-]
MAGNIFIER = 30.0
#: Throws that a layout puts in one place stand this far apart, over bore.
_LEAST_DISTANCE_TO_BORE = 1e-3
#: Of coefficients of the shaft, far beyond any engine: slips of the pen become no infinities.
LEAST, MOST = 1e-3, 1e6


@dataclass(frozen=True, kw_only=True, slots=True)
class ShaftProportions:
    """What the stiffness and inertia of a crank need beyond `evaluate.proportions`.

    Project assumptions; diameter, thickness and width are of the size that N. Kolchin and
    V. Demidov, Design of Automotive Engines, give for crankshafts (from memory).

    Attributes
    ----------
    main_diameter_to_bore : float
        Main journal diameter. [-]
    web_thickness_to_bore, web_width_to_bore : float
        Axial thickness of a web, and its width across the line from journal to pin. [-]
    main_share_of_journals : float
        Of the length between webs from one throw to the next, the main journal's share; pins have
        the rest. [-]
    flange_length_to_bore : float
        Plain shaft of main diameter from the last main bearing to the flywheel. [-]
    counterweight_inertia_factor : float
        Polar inertia of a counterweight over mass x radius of its centre squared: 1.5 is a sector
        120 degrees wide with an inner radius of 0.6 of the outer. [-]
    flywheel_to_throws_inertia : float
        Flywheel over the sum of all throws without counterweights, where none is stated. [-]
    shear_modulus_Pa : float
        Of steel. [Pa]
    formula : str
        One of `FORMULAS`.
    """

    main_diameter_to_bore: float = 0.70
    web_thickness_to_bore: float = 0.22
    web_width_to_bore: float = 1.00
    main_share_of_journals: float = 0.50
    flange_length_to_bore: float = 0.20
    counterweight_inertia_factor: float = 1.5
    flywheel_to_throws_inertia: float = 8.0
    shear_modulus_Pa: float = 80e9
    formula: str = "carter"

    def __post_init__(self) -> None:
        if self.formula not in FORMULAS:
            raise unknown_word("formula", self.formula, FORMULAS)
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, str):
                continue
            least, most = (1.0, 1e15) if item.name.endswith("_Pa") else (LEAST, MOST)
            if not least <= value <= most:  # NaN fails every comparison
                raise InputError(item.name, f"{value:g}", f"{least:g} to {most:g}")
        if not self.main_share_of_journals < 1:
            raise InputError(
                "main_share_of_journals", f"{self.main_share_of_journals:g}", "above 0, below 1"
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """What lies between two stations of a crank: journal, pins and webs.

    Attributes
    ----------
    main_length_m, pin_length_m : float
        Main journal and crankpins between the stations, without webs. [m]
    main_diameter_m, pin_diameter_m : float
        [m]
    main_ends, pin_ends : int
        How often a web meets the main journal, and a pin. [-]
    n_webs : int
        Webs between the stations. [-]
    lever_m : float
        Distance of the journals that a web joins: crank radius from main to pin. [m]
    web_thickness_m, web_width_m : float
        Axial thickness, and width across the lever. [m]
    """

    main_length_m: float
    pin_length_m: float
    main_diameter_m: float
    pin_diameter_m: float
    main_ends: int
    pin_ends: int
    n_webs: int
    lever_m: float
    web_thickness_m: float
    web_width_m: float


def piece_stiffness_Nm_per_rad(
    piece: Piece, *, shear_modulus_Pa: float, formula: str = "carter"
) -> float:
    """Return the torsional stiffness of a piece of a crank with solid journals.

    Parameters
    ----------
    piece : Piece
        One throw: a main journal, a pin and two webs.
    shear_modulus_Pa : float
        [Pa]
    formula : str
        One of `FORMULAS`.

    Notes
    -----
    For a whole throw, with main journal L_j, D_j, pin L_c, D_c, web h, W and radius R, the
    stiffness is pi G / 32 over

    - Carter: (L_j + 0.8 h) / D_j^4 + 0.75 L_c / D_c^4 + 1.5 R / (h W^3);
    - Ker Wilson: (L_j + 0.4 D_j) / D_j^4 + (L_c + 0.4 D_c) / D_c^4
      + (R - 0.2 (D_j + D_c)) / (h W^3).

    Each web has half of the last term and of the additions to the lengths, so that ends of a crank
    and webs from pin to pin can be composed; that sharing is of this project. Both formulas are
    empirical, and differ by up to a third over ordinary throws.

    References
    ----------
    B. C. Carter, An empirical formula for crankshaft stiffness in torsion, Engineering, 13 July
    1928; W. Ker Wilson, Practical Solution of Torsional Vibration Problems, vol. 1 (both from
    memory).

    Raises
    ------
    InputError
        If the formula is not known.
    """
    if formula not in FORMULAS:
        raise unknown_word("formula", formula, FORMULAS)
    p = piece
    web = p.web_thickness_m * p.web_width_m**3
    if formula == "carter":
        main_m = p.main_length_m + 0.4 * p.main_ends * p.web_thickness_m
        pin_m = 0.75 * p.pin_length_m
        webs_m = 0.75 * p.n_webs * p.lever_m
    else:
        main_m = p.main_length_m + 0.2 * p.main_ends * p.main_diameter_m
        pin_m = p.pin_length_m + 0.2 * p.pin_ends * p.pin_diameter_m
        # Large journals leave less web between them; none at all where they overlap widely.
        held_m = 0.2 * (p.main_ends * p.main_diameter_m + p.pin_ends * p.pin_diameter_m)
        webs_m = 0.5 * max(0.0, p.n_webs * p.lever_m - held_m)
    flexibility = main_m / p.main_diameter_m**4 + pin_m / p.pin_diameter_m**4 + webs_m / web
    return math.pi * shear_modulus_Pa / 32 / flexibility


def crank_pieces(engine: Engine, shaft: ShaftProportions) -> list[Piece]:
    """Return what lies between successive throws, and from the last one to the flywheel.

    Parameters
    ----------
    engine : Engine
        Throw and main-bearing positions, crank radius, bore.
    shaft : ShaftProportions
        Diameters, webs and lengths.

    Notes
    -----
    Pins and journals share the length that the webs leave; a web takes at most half of it. Between
    throws without a main bearing stands one web from pin to pin, as long as for opposite throws
    (the softest case, since candidates differ); where the pins stand closer than two webs they are
    the halves of a splayed pin, and count as a plain pin of that length. Project assumptions.
    """
    apart_m = np.diff(engine.throw_positions_m)
    apart_m = np.maximum(apart_m, _LEAST_DISTANCE_TO_BORE * engine.bore_m)
    pieces = [
        _piece_between(engine, shaft, float(length_m), bool(has_main))
        for length_m, has_main in zip(apart_m, _has_main_after(engine), strict=True)
    ]
    end_m = float(engine.main_positions_m[-1] - engine.throw_positions_m[-1])
    half = _piece_between(engine, shaft, 2 * end_m, has_main=True)
    pieces.append(
        _piece(
            engine,
            shaft,
            main_length_m=half.main_length_m + shaft.flange_length_to_bore * engine.bore_m,
            pin_length_m=0.5 * half.pin_length_m,
            ends=(1, 1),
            web_thickness_m=half.web_thickness_m,
        )
    )
    return pieces


def throw_inertias_kgm2(engine: Engine, shaft: ShaftProportions) -> FloatArray:
    """Return the polar inertia of each throw without counterweights, shape (throws,). [kg m^2]

    Parameters
    ----------
    engine : Engine
        Masses, radius, throws and bearings.
    shaft : ShaftProportions
        Diameters and webs.

    Notes
    -----
    At the crank radius: the rotating mass of each cylinder (big end, and what pin and webs leave
    unbalanced) and half of its reciprocating mass, the mean over a turn for a long rod (J. P. Den
    Hartog, Mechanical Vibrations, ch. 5; W. Ker Wilson). Webs are plates from the far side of the
    journal to the far side of the pin, H long and W wide: of m ((H^2 + W^2) / 12 + r^2 / 4) the
    part m r^2 / 2 is already in the rotating mass. Pins and main journals turn about themselves
    as solid rods; mains are spread over the throws.
    """
    p, bore_m, r_m = engine.proportions, engine.bore_m, engine.crank_radius_m
    volume_m3 = bore_m**3
    pin_m, main_m = p.pin_diameter_to_bore * bore_m, shaft.main_diameter_to_bore * bore_m
    web_kg = p.web_mass_kg_per_m3 * volume_m3
    long_m, wide_m = r_m + 0.5 * (pin_m + main_m), shaft.web_width_to_bore * bore_m
    web = web_kg * ((long_m**2 + wide_m**2) / 12 - r_m**2 / 4)
    at_pin_kg = engine.rotating_mass_kg + 0.5 * engine.reciprocating_mass_kg
    of_cylinder = at_pin_kg * r_m**2 + p.pin_mass_kg_per_m3 * volume_m3 * pin_m**2 / 8
    mains = engine.n_mains * p.main_mass_kg_per_m3 * volume_m3 * main_m**2 / 8
    n_cylinders = np.bincount(engine.throws, minlength=engine.n_throws)
    inertias: FloatArray = of_cylinder * n_cylinders + web * _webs_of_throws(engine)
    return inertias + mains / engine.n_throws


def counterweight_inertia_kgm2(
    engine: Engine,
    shaft: ShaftProportions,
    *,
    rotating_fraction: float,
    reciprocating_fraction: float,
) -> float:
    """Return the polar inertia of the counterweight of one cylinder. [kg m^2]

    Unbalance x radius of its centre x `counterweight_inertia_factor`, with the unbalance and the
    radius of `evaluate.sizing`.
    """
    balanced_kg = (
        rotating_fraction * engine.rotating_mass_kg
        + reciprocating_fraction * engine.reciprocating_mass_kg
    )
    radius_m = engine.proportions.counterweight_radius_to_crank_radius * engine.crank_radius_m
    return balanced_kg * engine.crank_radius_m * radius_m * shaft.counterweight_inertia_factor


def chain_from_proportions(
    engine: Engine,
    *,
    shaft: ShaftProportions,
    rotating_fraction: float = 1.0,
    reciprocating_fraction: float = 0.0,
    flywheel_inertia_kgm2: float | None = None,
    damper: Damper | None = None,
    magnifier: float = MAGNIFIER,
    throw_damping_Nms_per_rad: float = 0.0,
) -> Chain:
    """Return one station per throw and the flywheel behind the last.

    Parameters
    ----------
    engine : Engine
        The givens; the bore must be known.
    shaft : ShaftProportions
        Coefficients.
    rotating_fraction, reciprocating_fraction : float
        Shares of the masses that counterweights balance. [-]
    flywheel_inertia_kgm2 : float or None
        With what turns with it; None for a multiple of the throws' inertia. [kg m^2]
    damper : Damper or None
        At the first throw; a pulley counts as its hub.
    magnifier : float
        Of the shaft sections, see `Chain`. [-]
    throw_damping_Nms_per_rad : float
        Viscous damping of each throw against the block. [N m s/rad]

    Raises
    ------
    InputError
        If the bore is unknown.

    Notes
    -----
    The diameter for the nominal stress is the smaller of pin and main journal.
    """
    if not engine.bore_m > 0:
        raise InputError("cylinder.bore_mm", "nothing", "the bore, or stated inertias_kgm2")
    bare = throw_inertias_kgm2(engine, shaft)
    weight = counterweight_inertia_kgm2(
        engine,
        shaft,
        rotating_fraction=rotating_fraction,
        reciprocating_fraction=reciprocating_fraction,
    )
    throws = bare + weight * np.bincount(engine.throws, minlength=engine.n_throws)
    if flywheel_inertia_kgm2 is None:
        flywheel_inertia_kgm2 = shaft.flywheel_to_throws_inertia * float(bare.sum())
    pieces = crank_pieces(engine, shaft)
    stiffnesses = [
        piece_stiffness_Nm_per_rad(
            piece, shear_modulus_Pa=shaft.shear_modulus_Pa, formula=shaft.formula
        )
        for piece in pieces
    ]
    return Chain(
        inertias_kgm2=(*throws.tolist(), flywheel_inertia_kgm2),
        stiffnesses_Nm_per_rad=tuple(stiffnesses),
        cylinder_stations=tuple(engine.throws.tolist()),
        diameters_m=tuple(min(piece.main_diameter_m, piece.pin_diameter_m) for piece in pieces),
        magnifier=magnifier,
        station_damping_Nms_per_rad=(*(throw_damping_Nms_per_rad,) * engine.n_throws, 0.0),
        damper=damper,
    )


def _piece_between(
    engine: Engine, shaft: ShaftProportions, apart_m: float, has_main: bool
) -> Piece:
    """Return what lies between the middles of two throws."""
    full_m = shaft.web_thickness_to_bore * engine.bore_m
    if not has_main and apart_m < 2 * full_m:
        return _piece(
            engine, shaft, pin_length_m=apart_m, ends=(0, 0), n_webs=0, web_thickness_m=full_m
        )
    n_webs = 2 if has_main else 1
    thickness_m = min(full_m, 0.5 * apart_m / n_webs)
    journals_m = apart_m - n_webs * thickness_m
    share = shaft.main_share_of_journals if has_main else 0.0
    return _piece(
        engine,
        shaft,
        main_length_m=share * journals_m,
        pin_length_m=(1 - share) * journals_m,
        ends=(2, 2) if has_main else (0, 2),
        n_webs=n_webs,
        lever_m=engine.crank_radius_m * (1 if has_main else 2),
        web_thickness_m=thickness_m,
    )


def _piece(
    engine: Engine,
    shaft: ShaftProportions,
    *,
    pin_length_m: float,
    ends: tuple[int, int],
    web_thickness_m: float,
    main_length_m: float = 0.0,
    n_webs: int = 1,
    lever_m: float | None = None,
) -> Piece:
    return Piece(
        main_length_m=main_length_m,
        pin_length_m=pin_length_m,
        main_diameter_m=shaft.main_diameter_to_bore * engine.bore_m,
        pin_diameter_m=engine.proportions.pin_diameter_to_bore * engine.bore_m,
        main_ends=ends[0],
        pin_ends=ends[1],
        n_webs=n_webs,
        lever_m=engine.crank_radius_m if lever_m is None else lever_m,
        web_thickness_m=web_thickness_m,
        web_width_m=shaft.web_width_to_bore * engine.bore_m,
    )


def _webs_of_throws(engine: Engine) -> FloatArray:
    """Return webs per throw: one towards each main bearing, half of one from pin to pin."""
    shares = np.concatenate([[1.0], np.where(_has_main_after(engine), 1.0, 0.5), [1.0]])
    webs: FloatArray = shares[:-1] + shares[1:]
    return webs


def _has_main_after(engine: Engine) -> NDArray[np.bool_]:
    """Return whether a main bearing stands between each throw and the next, (throws - 1,)."""
    mains_before = np.searchsorted(engine.main_positions_m, engine.throw_positions_m)
    has_main: NDArray[np.bool_] = np.diff(mains_before) > 0
    return has_main
