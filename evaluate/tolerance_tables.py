"""The table [tolerances] of layout and study files."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, structs

from evaluate.tables import Table
from evaluate.tolerances import LIMITS, MOST_SAMPLES, USUAL_SAMPLES, Tolerances

# Bounds far beyond any workshop: they keep slips of the pen from turning into other engines.
AngleLimit = Annotated[float, Meta(ge=0, le=10)]
PercentLimit = Annotated[float, Meta(ge=0, le=50)]


class TolerancesTable(Table, kw_only=True):
    """Limits in both directions of what a built engine may differ by from the drawing."""

    throw_angle_deg: AngleLimit = 0.0
    bank_angle_deg: AngleLimit = 0.0
    reciprocating_mass_percent: PercentLimit = 0.0
    rotating_mass_percent: PercentLimit = 0.0
    counterweight_percent: PercentLimit = 0.0
    shaft_phase_deg: AngleLimit = 0.0
    shaft_unbalance_percent: PercentLimit = 0.0
    samples: Annotated[int, Meta(ge=100, le=MOST_SAMPLES)] = USUAL_SAMPLES
    seed: Annotated[int, Meta(ge=0, le=2**53)] = 1


def tolerances_from(table: TolerancesTable | None) -> Tolerances | None:
    """Return what a table says, None where there is none."""
    return None if table is None else Tolerances(**structs.asdict(table))


def tolerance_table(tolerances: Tolerances) -> dict[str, float | int]:
    """Return tolerances as the table of a layout file that gives the same numbers."""
    limits: dict[str, float | int] = {name: tolerances.limits.get(name, 0.0) for name in LIMITS}
    return limits | {"samples": tolerances.samples, "seed": tolerances.seed}
