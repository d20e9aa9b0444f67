"""Tables of layout and study files on gas, flywheel and torsion, and the `Duty` that they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from evaluate.duty import SPEED_FLUCTUATION, Duty, Journals
from evaluate.errors import InputError
from evaluate.pressure import Combustion, default_combustion, pressure_trace, read_trace
from evaluate.tables import Table
from evaluate.torque import Rod
from evaluate.torsion_batch import TorsionGivens
from evaluate.torsion_chain import Chain, Damper
from evaluate.torsion_crank import MAGNIFIER, ShaftProportions
from evaluate.units import m_from_mm

PA_PER_BAR = 1e5
#: Keys of files that are in bar, and the fields that they fill.
_PRESSURES = {
    "mean_effective_pressure_bar": "imep_Pa",
    "intake_pressure_bar": "intake_pressure_Pa",
    "exhaust_pressure_bar": "exhaust_pressure_Pa",
}
_SAME_NAMES = [item.name for item in fields(Combustion) if not item.name.endswith("_Pa")]
Above = Annotated[float, Meta(gt=0, le=1e12)]
NotBelow = Annotated[float, Meta(ge=0, le=1e12)]

CombustionTable = msgspec.defstruct(
    "CombustionTable",
    [
        ("ignition", Literal["spark", "compression"], "spark"),
        ("trace", str | None, None),
        *((name, float | None, None) for name in (*_PRESSURES, *_SAME_NAMES)),
    ],
    bases=(Table,),
    forbid_unknown_fields=True,
    kw_only=True,
)


class FlywheelTable(Table, kw_only=True):
    """Steadiness of speed, and the inertia that torsion reckons with."""

    speed_fluctuation: Annotated[float, Meta(gt=0, le=1)] = SPEED_FLUCTUATION
    inertia_kgm2: Above | None = None


class DamperTable(Table, kw_only=True):
    """A torsional damper at the free end."""

    inertia_kgm2: Above
    stiffness_Nm_per_rad: NotBelow = 0.0
    damping_Nms_per_rad: NotBelow = 0.0
    hub_inertia_kgm2: NotBelow = 0.0


ShaftTable = msgspec.defstruct(
    "ShaftTable",
    [
        (item.name, (str if item.name == "formula" else float) | None, None)
        for item in fields(ShaftProportions)
    ],
    bases=(Table,),
    forbid_unknown_fields=True,
    kw_only=True,
)


class TorsionTable(Table, kw_only=True):
    """Running range, damping, and the shaft: by proportions or by stated numbers."""

    speed_range_to_rated: Annotated[list[Above], Meta(min_length=2, max_length=2)] | None = None
    highest_order: Annotated[float, Meta(gt=0, le=100)] | None = None
    magnifier: Annotated[float, Meta(ge=1, le=1e6)] | None = None
    throw_damping_Nms_per_rad: NotBelow = 0.0
    damper: DamperTable | None = None
    shaft: ShaftTable | None = None  # type: ignore[valid-type]
    inertias_kgm2: Annotated[list[Above], Meta(min_length=2, max_length=100)] | None = None
    stiffnesses_Nm_per_rad: Annotated[list[Above], Meta(min_length=1)] | None = None
    #: Station of each cylinder, counted from 1 at the free end.
    cylinder_stations: Annotated[list[Annotated[int, Meta(ge=1)]], Meta(min_length=1)] | None = None
    diameters_mm: Annotated[list[Above], Meta(min_length=1)] | None = None


class BearingsTable(Table, kw_only=True):
    """Main journals, for specific loads."""

    main_diameter_mm: Above
    main_width_mm: Above


class RodTable(Table, kw_only=True):
    """The connecting rod as a body; its two masses at the pins stand among the others."""

    mass_kg: Above
    centre_from_big_end_mm: Above
    inertia_kgm2: Above


def duty_from(
    combustion: Any,
    flywheel: FlywheelTable | None,
    torsion: TorsionTable | None,
    bearings: BearingsTable | None,
    rod: RodTable | None,
    *,
    cycle_deg: float,
    folder: Path,
) -> Duty:
    """Return what the tables say; defaults where they say nothing.

    Parameters
    ----------
    combustion : CombustionTable or None
        Model or measured trace.
    flywheel, torsion, bearings, rod
        As read, or None.
    cycle_deg : float
        720 or 360. [deg]
    folder : Path
        Where the name of a trace begins.

    Raises
    ------
    InputError
        For values that do not fit together, or a trace that cannot be used.
    """
    flywheel, torsion = flywheel or FlywheelTable(), torsion or TorsionTable()
    model, trace = None, None
    if combustion is not None:
        model = _combustion(combustion, cycle_deg)
        if combustion.trace is not None:
            trace = read_trace(folder / combustion.trace, cycle_deg=cycle_deg)
    try:
        givens = _torsion(torsion, flywheel)
    except InputError as error:
        raise error.inside("torsion") from None
    return Duty(
        combustion=model,
        trace=trace,
        speed_fluctuation=flywheel.speed_fluctuation,
        torsion=givens,
        main_journals=None
        if bearings is None
        else Journals(
            diameter_m=m_from_mm(bearings.main_diameter_mm),
            width_m=m_from_mm(bearings.main_width_mm),
        ),
        rod=None
        if rod is None
        else Rod(
            mass_kg=rod.mass_kg,
            centre_from_big_end_m=m_from_mm(rod.centre_from_big_end_mm),
            inertia_kgm2=rod.inertia_kgm2,
        ),
    )


def check_duty(
    duty: Duty, *, crank_radius_to_rod: float, offset_to_crank_radius: float, cycle_deg: float
) -> None:
    """Solve a stated pressure model once, so that what cannot be is said when the file is read.

    Parameters
    ----------
    duty : Duty
        From `duty_from`.
    crank_radius_to_rod, offset_to_crank_radius : float
        Shape of the engine; the pressure depends on nothing else of it. [-]
    cycle_deg : float
        720 or 360. [deg]

    Raises
    ------
    InputError
        If events of the cycle do not fit, or no heat makes the mean effective pressure.
    """
    if duty.combustion is None or duty.trace is not None:
        return
    try:
        pressure_trace(
            duty.combustion,
            crank_radius_m=1.0,
            rod_length_m=1.0 / crank_radius_to_rod,
            pin_path_offset_m=offset_to_crank_radius,
            cycle_deg=cycle_deg,
        )
    except InputError as error:
        raise _as_key(error) from None


def duty_assumed(
    combustion: Any, flywheel: FlywheelTable | None, torsion: TorsionTable | None
) -> tuple[str, ...]:
    """Return what gas, flywheel and torsion rest on where the file says nothing, as sentences."""
    said = []
    if combustion is None:
        said.append("no combustion in the file: spark ignition with the project's defaults")
    elif combustion.trace is None and combustion.mean_effective_pressure_bar is None:
        said.append(
            "no mean effective pressure in the file: the project's default for the ignition"
        )
    if flywheel is None:
        said.append(f"no flywheel in the file: a speed fluctuation of {SPEED_FLUCTUATION:g}")
    if torsion is None or (torsion.inertias_kgm2 is None and torsion.shaft is None):
        said.append("no shaft in the file: stiffness and inertia from the project's proportions")
    return tuple(said)


def _combustion(table: Any, cycle_deg: float) -> Combustion:
    given = {name: getattr(table, name) for name in _SAME_NAMES}
    for key, name in _PRESSURES.items():
        value = getattr(table, key)
        given[name] = None if value is None else value * PA_PER_BAR
    known = {name: value for name, value in given.items() if value is not None}
    try:
        return default_combustion(table.ignition, cycle_deg, known)
    except InputError as error:
        raise _as_key(error) from None


def _as_key(error: InputError) -> InputError:
    """Return a problem with a field of the model as one with the key of the file."""
    keys = {name: key for key, name in _PRESSURES.items()}
    where = keys.get(error.where)
    if where is None:
        return error.inside("combustion")
    return InputError(f"combustion.{where}", f"{error.got} Pa", f"{error.allowed} Pa")


def _torsion(table: TorsionTable, flywheel: FlywheelTable) -> TorsionGivens:
    damper = None
    if table.damper is not None:
        damper = Damper(**msgspec.structs.asdict(table.damper))
    shaft: dict[str, Any] = {}
    if table.shaft is not None:
        shaft = {k: v for k, v in msgspec.structs.asdict(table.shaft).items() if v is not None}
    plain = ("highest_order", "magnifier")
    stated = {name: getattr(table, name) for name in plain if getattr(table, name) is not None}
    if table.speed_range_to_rated is not None:
        low, high = table.speed_range_to_rated
        stated["speed_range_to_rated"] = (low, high)
    return TorsionGivens(
        shaft=ShaftProportions(**shaft),
        chain=_chain(table, damper),
        flywheel_inertia_kgm2=flywheel.inertia_kgm2,
        damper=damper,
        throw_damping_Nms_per_rad=table.throw_damping_Nms_per_rad,
        **stated,
    )


def _chain(table: TorsionTable, damper: Damper | None) -> Chain | None:
    needed = ("inertias_kgm2", "stiffnesses_Nm_per_rad", "cylinder_stations")
    given = [name for name in needed if getattr(table, name) is not None]
    if not given:
        if table.diameters_mm is not None:
            raise InputError("diameters_mm", "diameters alone", f"with {', '.join(needed)}")
        return None
    if len(given) < len(needed):
        missing = next(name for name in needed if name not in given)
        raise InputError(missing, "nothing", f"a list, since {given[0]} is stated")
    return Chain(
        inertias_kgm2=_floats(table.inertias_kgm2),
        stiffnesses_Nm_per_rad=_floats(table.stiffnesses_Nm_per_rad),
        cylinder_stations=tuple(station - 1 for station in table.cylinder_stations or ()),
        diameters_m=tuple(m_from_mm(d) for d in table.diameters_mm or ()),
        damper=damper,
        magnifier=MAGNIFIER if table.magnifier is None else table.magnifier,
    )


def _floats(values: Sequence[float] | None) -> tuple[float, ...]:
    return tuple(float(value) for value in values or ())
