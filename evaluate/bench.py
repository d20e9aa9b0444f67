"""A layout file read for its firing orders: cylinder data or even the crank may be missing."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from evaluate.batch import FloatArray
from evaluate.errors import InputError
from evaluate.fact_kinds import OPTIONS, FactsTable
from evaluate.layout import Layout, layout_from_tables
from evaluate.tables import read_toml

#: Stand-ins that no firing order depends on.
_CYLINDER = {"stroke_mm": 100.0, "rod_length_mm": 170.0, "reciprocating_mass_kg": 1.0}
_PITCH_MM = 120.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Bench:
    """What is known of an engine whose firing order is sought.

    Attributes
    ----------
    layout : Layout
        With all throws at 0 where the crank is not known.
    assumed : tuple of str
        What the file left open that scores of orders depend on, as sentences.
    step_deg : float or None
        Lattice on which an unknown crank is sought; None where the crank is known. [deg]
    has_cylinder_data : bool
        Whether dimensions and masses are real, so that forces can be computed.
    tables : dict
        The file as read.
    facts_given : dict
        Facts of the file and further ones, as a table for a file.
    further_facts : FactsTable or None
        The further ones.
    """

    layout: Layout
    assumed: tuple[str, ...]
    step_deg: float | None
    has_cylinder_data: bool
    tables: dict[str, Any]
    facts_given: dict[str, Any]
    further_facts: FactsTable | None

    def with_crank(self, pins_deg: FloatArray) -> Bench:
        """Return the same engine with throw angles found, shape (throws,). [deg]"""
        crank = {k: v for k, v in self.tables["crank"].items() if k != "throw_angle_step_deg"}
        crank["throw_angles_deg"] = [float(angle) for angle in pins_deg]
        tables = {**self.tables, "crank": crank}
        return bench_from_tables(
            tables, default_name=self.layout.name, further_facts=self.further_facts
        )


def read_bench(
    path: Path | str,
    *,
    further_facts: FactsTable | None = None,
    drive: dict[str, Any] | None = None,
) -> Bench:
    """Return what a layout file says of an engine, where it need not say all.

    Parameters
    ----------
    path : Path or str
        The file.
    further_facts : FactsTable or None
        Facts beside those of the file.
    drive : dict or None
        Drive of all camshafts, as a table, in place of what the file says.

    Raises
    ------
    InputError
        If the file cannot be used; the message says where and what is allowed.
    """
    file = Path(path)
    tables = read_toml(file)
    camshafts = tables.get("camshafts", {})
    if drive is not None and isinstance(camshafts, dict):
        tables["camshafts"] = {**camshafts, "drive": drive}
    try:
        return bench_from_tables(
            tables, default_name=file.stem, further_facts=further_facts, folder=file.parent
        )
    except InputError as error:
        raise (error if error.where.startswith(OPTIONS) else error.inside(file.name)) from None


def bench_from_tables(
    tables: dict[str, Any],
    *,
    default_name: str = "bench",
    further_facts: FactsTable | None = None,
    folder: Path = Path(),
) -> Bench:
    """Return what tables as `tomllib` reads them say of an engine.

    Raises
    ------
    InputError
        If they do not describe an engine.
    """
    filled, assumed = dict(tables), []
    has_cylinder_data = "cylinder" in tables
    if not has_cylinder_data:
        filled["cylinder"] = _CYLINDER
    crank = tables.get("crank")
    step_deg = None
    if isinstance(crank, dict):
        known = dict(crank)
        if "throw_angles_deg" not in crank and "throw_angle_step_deg" in crank:
            step_deg = known.pop("throw_angle_step_deg")
            known["throw_angles_deg"] = [0.0] * _n_throws(tables, crank)
            if "firing" in tables:
                raise InputError(
                    "firing",
                    "an order with a crank that is not known",
                    'the order as a fact: facts.order = [["1", "3", "2"]]',
                )
        if not {"throw_positions_mm", "throw_pitch_mm"} & set(crank):
            known["throw_pitch_mm"] = _PITCH_MM
            assumed.append("no throw positions in the file: throws at one pitch")
        filled["crank"] = known
    layout = layout_from_tables(
        filled,
        default_name=default_name,
        further_facts=further_facts,
        must_agree=False,
        folder=folder,
    )
    if step_deg is not None and not (
        isinstance(step_deg, (int, float))
        and not isinstance(step_deg, bool)
        and 1 <= step_deg <= 180
    ):
        raise InputError(
            "crank.throw_angle_step_deg",
            repr(step_deg),
            "a whole part of 360 from 1 to 180, such as 15",
        )
    if layout.mains_assumed and layout.engine.n_throws > 1:
        assumed.append("no main bearings in the file: one at each end and between throws with room")
    duration_deg = layout.engine.open_duration_deg
    if "open_duration_deg" not in _table(tables, "exhaust"):
        assumed.append(f"no exhaust opening in the file: {duration_deg:g} deg")
    if "collectors" not in _table(tables, "exhaust"):
        assumed.append("no collectors in the file: one for each bank")
    return Bench(
        layout=layout,
        assumed=tuple(assumed),
        step_deg=None if step_deg is None else float(step_deg),
        has_cylinder_data=has_cylinder_data,
        tables=tables,
        facts_given=_joined(tables.get("facts", {}), further_facts),
        further_facts=further_facts,
    )


def _joined(of_file: dict[str, Any], further: FactsTable | None) -> dict[str, Any]:
    """Return facts of the file with further ones behind them; what is left out stays out."""
    joined = dict(of_file)
    for key, value in msgspec.to_builtins(further or FactsTable()).items():
        if isinstance(value, list):
            if value:
                joined[key] = [*joined.get(key, []), *_without_none(value)]
        elif value is not None:
            joined[key] = value
    return joined


def _without_none(entries: list[Any]) -> list[Any]:
    """Return tables without empty keys, which TOML does not know."""
    return [
        {k: v for k, v in entry.items() if v is not None} if isinstance(entry, dict) else entry
        for entry in entries
    ]


def _table(tables: dict[str, Any], name: str) -> dict[str, Any]:
    table = tables.get(name)
    return table if isinstance(table, dict) else {}


def _n_throws(tables: dict[str, Any], crank: dict[str, Any]) -> int:
    """Return the number of throws of a crank whose angles are not known."""
    cylinders = tables.get("cylinders")
    throws: Any = cylinders.get("throw") if isinstance(cylinders, dict) else None
    if isinstance(throws, list) and throws and all(type(throw) is int for throw in throws):
        return int(max(1, min(max(throws), len(throws))))
    positions = crank.get("throw_positions_mm")
    if isinstance(positions, list) and positions:
        return len(positions)
    raise InputError(
        "cylinders.throw", "nothing", "the throw of each cylinder, where the crank is not known"
    )
