"""The tables of a layout file, as declared structures."""

from __future__ import annotations

from dataclasses import fields
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from evaluate import numbering
from evaluate.camshafts import CamshaftsTable
from evaluate.duty_tables import (
    BearingsTable,
    CombustionTable,
    FlywheelTable,
    RodTable,
    TorsionTable,
)
from evaluate.fact_kinds import FactsTable
from evaluate.proportions import Proportions
from evaluate.tables import Table
from evaluate.tolerance_tables import TolerancesTable

MOST_CYLINDERS = 32
REFERENCE_SPEED_RPM = 1000.0

# Bounds far beyond any engine: they keep slips of the pen from becoming infinities.
Length = Annotated[float, Meta(ge=0.01, le=1e5)]
Place = Annotated[float, Meta(ge=-1e6, le=1e6)]
Mass = Annotated[float, Meta(ge=0, le=1e6)]
Angle = Annotated[float, Meta(ge=-36000, le=36000)]
Positive = Annotated[float, Meta(gt=0, le=1e9)]
NotNegative = Annotated[float, Meta(ge=0, le=10)]
Share = Annotated[float, Meta(ge=0, le=1)]
Count = Annotated[int, Meta(ge=1)]
Some = Meta(min_length=1, max_length=MOST_CYLINDERS)


class CylinderTable(Table, kw_only=True):
    """Dimensions and masses of one cylinder."""

    stroke_mm: Length
    rod_length_mm: Length
    reciprocating_mass_kg: Annotated[float, Meta(gt=0, le=1e6)]
    bore_mm: Length | None = None
    pin_path_offset_mm: Place = 0.0
    rotating_mass_kg: Mass = 0.0


class CrankTable(Table, kw_only=True):
    """Throws, from the free end to the driving end."""

    throw_angles_deg: Annotated[list[Angle], Some] | None = None
    #: Where the angles are not known: the lattice that they are sought on, from facts.
    throw_angle_step_deg: Annotated[float, Meta(ge=1, le=180)] | None = None
    throw_positions_mm: Annotated[list[Place], Some] | None = None
    throw_pitch_mm: Length | None = None
    reference_mm: Place | None = None
    main_bearing_positions_mm: Annotated[list[Place], Meta(min_length=2)] | None = None


class BanksTable(Table, kw_only=True):
    """Bank axes, 0 straight up, in the direction of rotation."""

    angles_deg: Annotated[list[Angle], Some] = msgspec.field(default_factory=lambda: [0.0])


class CylindersTable(Table, kw_only=True):
    """What drives each cylinder and where it stands."""

    throw: Annotated[list[Count], Some] | None = None
    bank: Annotated[list[Count], Some] | None = None
    labels: Annotated[list[str], Some] | None = None
    position_mm: Annotated[list[Place], Some] | None = None


class FiringTable(Table, kw_only=True):
    """Firing order, or firing angles by cylinder."""

    order: Annotated[list[str], Some] | None = None
    angles_deg: Annotated[list[Angle], Some] | None = None


class ShaftTable(Table, kw_only=True):
    """One balance shaft."""

    order: Literal[1, 2]
    sense: Literal["forward", "backward"]
    fraction: Annotated[float, Meta(gt=0, le=1)] = 1.0
    #: Above the crank axis, for the rolling moment.
    height_mm: Place | None = None


class BalanceTable(Table, kw_only=True):
    """Counterweights and balance shafts."""

    rotating_fraction: NotNegative = 1.0
    reciprocating_fraction: NotNegative = 0.0
    shafts: list[ShaftTable] = msgspec.field(default_factory=list)


class ExhaustTable(Table, kw_only=True):
    """Collectors: "one", "per bank", "best of 2", or lists of labels."""

    collectors: str | list[list[str]] = "per bank"
    open_duration_deg: Annotated[float, Meta(gt=0, le=720)] = 240.0


class OperationTable(Table, kw_only=True):
    """Running conditions."""

    speed_rpm: Annotated[float, Meta(ge=0.01, le=1e6)] = REFERENCE_SPEED_RPM


ProportionsTable = msgspec.defstruct(
    "ProportionsTable",
    [(item.name, float | None, None) for item in fields(Proportions)],
    forbid_unknown_fields=True,
    kw_only=True,
)


class LayoutTables(Table, kw_only=True):
    """A layout file."""

    cylinder: CylinderTable
    crank: CrankTable
    name: str = ""
    cycle_strokes: Literal[2, 4] = 4
    rotation: Literal["clockwise", "anticlockwise"] = "clockwise"
    numbering: str = numbering.DEFAULT
    banks: BanksTable = msgspec.field(default_factory=BanksTable)
    cylinders: CylindersTable = msgspec.field(default_factory=CylindersTable)
    firing: FiringTable = msgspec.field(default_factory=FiringTable)
    balance: BalanceTable = msgspec.field(default_factory=BalanceTable)
    exhaust: ExhaustTable = msgspec.field(default_factory=ExhaustTable)
    operation: OperationTable | None = None
    camshafts: CamshaftsTable | None = None
    facts: FactsTable | None = None
    combustion: CombustionTable | None = None  # type: ignore[valid-type]
    flywheel: FlywheelTable | None = None
    torsion: TorsionTable | None = None
    bearings: BearingsTable | None = None
    rod: RodTable | None = None
    tolerances: TolerancesTable | None = None
    proportions: ProportionsTable | None = None  # type: ignore[valid-type]
