"""Layout files: one engine layout from TOML, checked, as a batch of one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from evaluate import exhaust, firing, numbering, sizing, units
from evaluate.batch import SLOTS, Batch, Engine, FloatArray, IntArray
from evaluate.camshafts import Shaft, shafts
from evaluate.duty_tables import check_duty, duty_assumed, duty_from
from evaluate.errors import InputError, unknown_word
from evaluate.evidence import Fact, Subject
from evaluate.fact_kinds import OPTIONS, FactsTable, facts_from
from evaluate.layout_tables import (
    MOST_CYLINDERS,
    REFERENCE_SPEED_RPM,
    BalanceTable,
    CrankTable,
    ExhaustTable,
    LayoutTables,
    OperationTable,
)
from evaluate.notebook import number_text, table_html
from evaluate.order_choice import MOST_FOR_ORDERS as MOST_FOR_ORDERS
from evaluate.order_choice import Known, firing_bits
from evaluate.order_choice import order_line as order_line
from evaluate.order_choice import order_text as order_text
from evaluate.order_choice import order_texts as order_texts
from evaluate.proportions import Proportions
from evaluate.tables import lengths_agree, read_toml, typed
from evaluate.tolerance_tables import tolerances_from
from evaluate.tolerances import Tolerances

ORIGIN_TOLERANCE_M = 1e-6
#: A web, not a main bearing, fits where throws stand nearer: a project assumption. [bores]
WEB_BELOW_BORES = 0.9
DRAWN_BORE_TO_STROKE = 0.9  # only to place the outer bearings of a single throw without a bore


@dataclass(frozen=True, kw_only=True, slots=True)
class Layout:
    """One checked layout.

    Attributes
    ----------
    name : str
        For headings.
    rotation : str
        "clockwise" or "anticlockwise" seen from the free end; only pictures and labels need it.
    labels : tuple of str
        Cylinder labels, in the order of the arrays.
    numbering : str
        Scheme of the labels, or "given".
    engine : Engine
        The givens.
    batch : Batch
        A batch of one.
    assumed : tuple of str
        What the file left open and how it was filled in, as sentences.
    order_is_given : bool
        Whether the firing order is from the file.
    duty_assumed : tuple of str
        What gas, flywheel and torsion rest on where the file says nothing, as sentences.
    shaft_heights_m : tuple of float or None
        Height of the shaft in each of `SLOTS` above the crank axis, where stated. [m]
    mains_assumed : bool
        Whether the places of the main bearings are a guess.
    camshafts : tuple of Shaft
        Camshafts and their drives.
    facts : tuple of Fact
        What is known of the engine, drives of camshafts last.
    tolerances : Tolerances or None
        By how much built engines may differ; None where the file does not say.
    """

    name: str
    rotation: str
    labels: tuple[str, ...]
    numbering: str
    engine: Engine
    batch: Batch
    assumed: tuple[str, ...]
    order_is_given: bool
    duty_assumed: tuple[str, ...]
    shaft_heights_m: tuple[float | None, ...]
    mains_assumed: bool
    camshafts: tuple[Shaft, ...]
    facts: tuple[Fact, ...]
    tolerances: Tolerances | None = None

    @property
    def firing_angles_deg(self) -> FloatArray:
        """Return the firing angle of each cylinder, shape (cylinders,). [deg]"""
        angles_deg: FloatArray = firing.firing_angles_deg(self.batch)[0]
        return angles_deg

    @property
    def origin(self) -> str:
        """Return where places along the crank are counted from, in words."""
        places_m = self.engine.positions_m
        is_middle = abs(float(places_m.min() + places_m.max())) <= ORIGIN_TOLERANCE_M
        return "the middle of the crank" if is_middle else "the reference plane of the file"

    @property
    def throw_angles_deg(self) -> FloatArray:
        """Return the angle of each throw as the file gives it, shape (throws,). [deg]"""
        first = np.unique(self.engine.throws, return_index=True)[1]
        angles_deg: FloatArray = self.batch.pin_angles_deg[0, first]
        return angles_deg

    def _repr_html_(self) -> str:
        """Return the layout as a table, for notebooks."""
        mm, engine = units.mm_from_m, self.engine
        intervals = np.diff(np.sort(self.firing_angles_deg), append=engine.cycle_deg)
        shafts = [
            slot.name
            for slot, share in zip(SLOTS, self.batch.shaft_fractions[0], strict=True)
            if share
        ]
        rows = [
            ("bore [mm]", number_text(mm(engine.bore_m))),
            ("stroke [mm]", number_text(mm(2 * engine.crank_radius_m))),
            ("strokes", f"{engine.cycle_deg / 180:g}"),
            ("speed [rpm]", number_text(units.rpm_from_rad_s(engine.speed_rad_s))),
            ("throw angles [deg]", "-".join(f"{a:.6g}" for a in self.throw_angles_deg)),
            ("banks [deg]", ", ".join(f"{a:.6g}" for a in self.batch.bank_angles_deg[0])),
            ("firing order", "-".join(order_text(self.labels, self.firing_angles_deg))),
            ("firing intervals [deg]", "-".join(f"{i:.5g}" for i in intervals)),
            ("reciprocating mass balanced", f"{self.batch.reciprocating_fraction[0]:.4g}"),
            ("balance shafts", " + ".join(shafts) or "none"),
        ]
        return table_html(self.name, rows)


def read_layout(path: Path | str) -> Layout:
    """Return the layout in a file.

    Raises
    ------
    InputError
        If the file cannot be used; the message says where and what is allowed.
    """
    file = Path(path)
    tables = read_toml(file)
    try:
        return layout_from_tables(tables, default_name=file.stem, folder=file.parent)
    except InputError as error:
        raise error.inside(file.name) from None


def layout_from_tables(
    tables: dict[str, Any],
    *,
    default_name: str = "layout",
    further_facts: FactsTable | None = None,
    must_agree: bool = True,
    folder: Path = Path(),
) -> Layout:
    """Return a layout from tables as `tomllib` reads them.

    Parameters
    ----------
    tables : dict
        Tables as read.
    default_name : str
        Name where the file gives none.
    further_facts : FactsTable or None
        Facts beside those of the file.
    must_agree : bool
        Whether the firing order must agree with the facts; where the file gives no order, the most
        even of those that agree is taken.
    folder : Path
        Where names of files in the tables begin.

    Raises
    ------
    InputError
        If they do not describe a layout.
    """
    file = typed(tables, LayoutTables)
    throw_angles_deg = _throw_angles_deg(file.crank)
    if file.numbering not in numbering.SCHEMES:
        raise unknown_word("numbering", file.numbering, numbering.SCHEMES)
    throw_mm = _throw_positions_mm(file.crank)
    throws, banks = _cylinder_places(file)
    n = len(throws)
    position_mm = lengths_agree("cylinders.position_mm", file.cylinders.position_mm, n)
    cylinder_mm = throw_mm[throws] if position_mm is None else np.array(position_mm)
    middle_mm = file.crank.reference_mm
    if middle_mm is None:
        middle_mm = 0.5 * (cylinder_mm.min() + cylinder_mm.max())
    positions_m = (cylinder_mm - middle_mm) / units.MM_PER_M
    angles_deg = np.array(file.banks.angles_deg, float)
    names = _labels(file, positions_m, banks, angles_deg)
    throw_positions_m = (throw_mm - middle_mm) / units.MM_PER_M
    engine = _engine(file, positions_m, throws, throw_positions_m, middle_mm, folder)
    check_duty(
        engine.duty,
        crank_radius_to_rod=engine.crank_radius_m / engine.rod_length_m,
        offset_to_crank_radius=engine.pin_path_offset_m / engine.crank_radius_m,
        cycle_deg=engine.cycle_deg,
    )
    chain = engine.duty.torsion.chain
    if chain is not None:
        lengths_agree("torsion.cylinder_stations", list(chain.cylinder_stations), n)
    batch = Batch(
        pin_angles_deg=np.array(throw_angles_deg, float)[throws][np.newaxis],
        bank_angles_deg=angles_deg[np.newaxis],
        banks=banks[np.newaxis],
        firing_bits=np.zeros((1, n), np.int64),
        rotating_fraction=np.array([file.balance.rotating_fraction], float),
        reciprocating_fraction=np.array([file.balance.reciprocating_fraction], float),
        shaft_fractions=_shaft_fractions(file.balance)[np.newaxis],
        collectors=np.zeros((1, n), np.int64),
    )
    assumed: list[str] = []
    camshafts = shafts(
        file.camshafts,
        positions_m=positions_m,
        banks=banks,
        bank_angles_deg=angles_deg,
        cycle_deg=engine.cycle_deg,
    )
    subject = Subject(
        labels=names,
        throws=throws,
        axes_deg=angles_deg[banks],
        cycle_deg=engine.cycle_deg,
        is_clockwise=file.rotation == "clockwise",
        camshafts=camshafts,
    )
    facts = facts_from([("facts", file.facts), (OPTIONS, further_facts)], subject)
    known = Known(facts=facts if must_agree else [], throw_angles_deg=throw_angles_deg)
    bits = firing_bits(file, batch, names, known, engine.cycle_deg, assumed)
    batch = batch.having(firing_bits=bits)
    batch = batch.having(collectors=_collectors(file.exhaust, batch, names, engine))
    if file.operation is None:
        assumed.append(
            f"no speed in the file: forces are for {REFERENCE_SPEED_RPM:.0f} rpm and grow with its "
            "square"
        )
    if file.cylinder.bore_mm is None:
        assumed.append("no bore in the file: sizes and masses of the engine are left out")
    return Layout(
        name=file.name or default_name,
        rotation=file.rotation,
        labels=names,
        numbering="given" if file.cylinders.labels is not None else file.numbering,
        engine=engine,
        batch=batch,
        assumed=tuple(assumed),
        order_is_given=file.firing.order is not None or file.firing.angles_deg is not None,
        camshafts=camshafts,
        facts=tuple(facts),
        tolerances=tolerances_from(file.tolerances),
        shaft_heights_m=_shaft_heights_m(file.balance),
        duty_assumed=duty_assumed(file.combustion, file.flywheel, file.torsion),
        mains_assumed=file.crank.main_bearing_positions_mm is None,
    )


def subject_of(layout: Layout) -> Subject:
    """Return a layout as the engine that facts are about."""
    return Subject(
        labels=layout.labels,
        throws=layout.engine.throws,
        axes_deg=layout.batch.bank_axes_deg()[0],
        cycle_deg=layout.engine.cycle_deg,
        is_clockwise=layout.rotation == "clockwise",
        camshafts=layout.camshafts,
    )


def proportions_from(table: Any) -> Proportions:
    """Return the default proportions with what a `proportions` table overrides.

    Raises
    ------
    InputError
        For a coefficient that is negative.
    """
    given = {} if table is None else msgspec.structs.asdict(table)
    try:
        return Proportions(**{name: value for name, value in given.items() if value is not None})
    except InputError as error:
        raise error.inside("proportions") from None


def _throw_angles_deg(crank: CrankTable) -> list[float]:
    if crank.throw_angles_deg is None:
        raise InputError(
            "crank.throw_angles_deg",
            "nothing",
            "one angle for each throw is needed; firing-orders finds them from facts on the "
            "lattice of throw_angle_step_deg",
        )
    if crank.throw_angle_step_deg is not None:
        raise InputError(
            "crank.throw_angle_step_deg", "a step beside throw_angles_deg", "one of the two"
        )
    return crank.throw_angles_deg


def _throw_positions_mm(crank: CrankTable) -> FloatArray:
    n = len(_throw_angles_deg(crank))
    given, pitch_mm = crank.throw_positions_mm, crank.throw_pitch_mm
    if given is not None and pitch_mm is not None:
        raise InputError(
            "crank.throw_pitch_mm", "a pitch beside throw_positions_mm", "one of the two"
        )
    if given is None:
        if pitch_mm is None and n > 1:
            raise InputError("crank", "no throw positions", "throw_positions_mm or throw_pitch_mm")
        return np.arange(n, dtype=np.float64) * (pitch_mm or 0.0)
    lengths_agree("crank.throw_positions_mm", given, n)
    positions_mm = np.array(given, float)
    if np.any(np.diff(positions_mm) <= 0):
        raise InputError(
            "crank.throw_positions_mm", str(given), "rising from the free end to the driving end"
        )
    return positions_mm


def _cylinder_places(file: LayoutTables) -> tuple[IntArray, IntArray]:
    """Return throw and bank of each cylinder, counted from 0."""
    table, n_throws, n_banks = (
        file.cylinders,
        len(_throw_angles_deg(file.crank)),
        len(file.banks.angles_deg),
    )
    throw = table.throw if table.throw is not None else list(range(1, n_throws + 1))
    n = len(throw)
    if n > MOST_CYLINDERS:
        raise InputError("cylinders.throw", f"{n} cylinders", f"1 to {MOST_CYLINDERS}")
    if table.bank is None and n_banks > 1:
        raise InputError(
            "cylinders.bank", "nothing", f"one bank (1 to {n_banks}) for each cylinder"
        )
    bank = lengths_agree("cylinders.bank", table.bank, n) or [1] * n
    for where, values, most, kind in (
        ("cylinders.throw", throw, n_throws, "throw"),
        ("cylinders.bank", bank, n_banks, "bank"),
    ):
        for index, value in enumerate(values):
            if value > most:
                raise InputError(f"{where}[{index}]", str(value), f"1 to {most}")
        missing = sorted(set(range(1, most + 1)) - set(values))
        if missing:
            raise InputError(where, f"no cylinder on {kind} {missing[0]}", f"every {kind} in use")
    return np.array(throw) - 1, np.array(bank) - 1


def _labels(
    file: LayoutTables, positions_m: FloatArray, banks: IntArray, angles_deg: FloatArray
) -> tuple[str, ...]:
    given = lengths_agree("cylinders.labels", file.cylinders.labels, len(banks))
    if given is None:
        return numbering.labels(
            file.numbering,
            positions_m=positions_m,
            banks=banks,
            bank_angles_deg=angles_deg,
            is_clockwise=file.rotation == "clockwise",
        )
    for index, label in enumerate(given):
        if not label.strip() or label in given[:index]:
            raise InputError(f"cylinders.labels[{index}]", repr(label), "a label used once")
    return tuple(given)


def _engine(
    file: LayoutTables,
    positions_m: FloatArray,
    throws: IntArray,
    throw_positions_m: FloatArray,
    middle_mm: float,
    folder: Path,
) -> Engine:
    table = file.cylinder
    crank_radius_mm = 0.5 * table.stroke_mm
    shortest_mm = crank_radius_mm + abs(table.pin_path_offset_mm)
    if table.rod_length_mm <= shortest_mm:
        raise InputError(
            "cylinder.rod_length_mm",
            f"{table.rod_length_mm:g}",
            f"above {shortest_mm:g} (half the stroke plus the pin-path offset) to turn over",
        )
    bore_mm = float("nan") if table.bore_mm is None else table.bore_mm
    speed_rpm = (file.operation or OperationTable()).speed_rpm
    return Engine(
        cycle_deg=180.0 * file.cycle_strokes,
        crank_radius_m=units.m_from_mm(crank_radius_mm),
        rod_length_m=units.m_from_mm(table.rod_length_mm),
        pin_path_offset_m=units.m_from_mm(table.pin_path_offset_mm),
        reciprocating_mass_kg=table.reciprocating_mass_kg,
        rotating_mass_kg=table.rotating_mass_kg,
        speed_rad_s=units.rad_s_from_rpm(speed_rpm),
        bore_m=units.m_from_mm(bore_mm),
        positions_m=positions_m,
        throws=throws,
        throw_positions_m=throw_positions_m,
        main_positions_m=_main_positions_m(file, throw_positions_m, middle_mm),
        n_banks=len(file.banks.angles_deg),
        open_duration_deg=file.exhaust.open_duration_deg,
        proportions=proportions_from(file.proportions),
        duty=duty_from(
            file.combustion,
            file.flywheel,
            file.torsion,
            file.bearings,
            file.rod,
            cycle_deg=180.0 * file.cycle_strokes,
            folder=folder,
        ),
    )


def _main_positions_m(
    file: LayoutTables, throw_positions_m: FloatArray, middle_mm: float
) -> FloatArray:
    given_mm = file.crank.main_bearing_positions_mm
    where = "crank.main_bearing_positions_mm"
    if given_mm is None:
        bore_mm = file.cylinder.bore_mm or DRAWN_BORE_TO_STROKE * file.cylinder.stroke_mm
        gaps_mm = np.diff(throw_positions_m) * units.MM_PER_M
        is_bay_end = gaps_mm >= WEB_BELOW_BORES * (file.cylinder.bore_mm or 0.0)
        return sizing.main_positions_m(throw_positions_m, is_bay_end, units.m_from_mm(bore_mm))
    if np.any(np.diff(given_mm) <= 0):
        raise InputError(where, str(given_mm), "rising from the free end to the driving end")
    mains_m = (np.array(given_mm, float) - middle_mm) / units.MM_PER_M
    if mains_m[0] >= throw_positions_m[0] or mains_m[-1] <= throw_positions_m[-1]:
        raise InputError(where, str(given_mm), "a main bearing beyond the throws at each end")
    return mains_m


def _shaft_heights_m(balance: BalanceTable) -> tuple[float | None, ...]:
    given = {f"{shaft.order} {shaft.sense}": shaft.height_mm for shaft in balance.shafts}
    heights_mm = [given.get(slot.name) for slot in SLOTS]
    return tuple(None if mm is None else units.m_from_mm(mm) for mm in heights_mm)


def _shaft_fractions(balance: BalanceTable) -> FloatArray:
    fractions = np.zeros(len(SLOTS))
    allowed = [slot.name for slot in SLOTS]
    for index, shaft in enumerate(balance.shafts):
        name = f"{shaft.order} {shaft.sense}"
        where = f"balance.shafts[{index}]"
        if name not in allowed:
            raise InputError(
                where, repr(name), ", ".join(allowed) + " (counterweights take 1 forward)"
            )
        if fractions[allowed.index(name)]:
            raise InputError(where, f"{name!r} a second time", "each slot once, with its fraction")
        fractions[allowed.index(name)] = shaft.fraction
    return fractions


def _collectors(
    table: ExhaustTable, batch: Batch, names: tuple[str, ...], engine: Engine
) -> IntArray:
    where, n = "exhaust.collectors", len(names)
    if isinstance(table.collectors, str):
        rule = parse_collector_rule(table.collectors, where)
        if isinstance(rule, int):
            count = exhaust.n_partitions(n, rule)
            if not 0 < count <= exhaust.MOST_PARTITIONS:
                raise InputError(
                    where,
                    f"{table.collectors!r}, {count} partitions of {n} cylinders",
                    f"1 to {exhaust.MOST_PARTITIONS} partitions",
                )
            return exhaust.best_partition(
                firing.firing_angles_deg(batch),
                rule,
                cycle_deg=engine.cycle_deg,
                open_duration_deg=engine.open_duration_deg,
            )
        return batch.banks.copy() if rule == "per bank" else np.zeros((1, n), np.int64)
    return partition_from_labels(table.collectors, names, where)[np.newaxis]


def partition_from_labels(groups: list[list[str]], names: tuple[str, ...], where: str) -> IntArray:
    """Return the group of each cylinder from lists of labels that must hold each exactly once."""
    partition = np.full(len(names), -1)
    for g, group in enumerate(groups):
        if not group:
            raise InputError(f"{where}[{g}]", "an empty list", "one cylinder or more")
        for c, label in enumerate(group):
            place = f"{where}[{g}][{c}]"
            index = numbering.index_of(label, names, place)
            if partition[index] >= 0:
                raise InputError(place, f"{label!r} a second time", "each cylinder once")
            partition[index] = g
    if np.any(partition < 0):
        missing = names[int(np.argmin(partition))]
        raise InputError(where, f"no collector for {missing!r}", "every cylinder in one collector")
    return partition


def parse_collector_rule(text: str, where: str) -> str | int:
    """Return "one", "per bank", or the number of groups of "best of N".

    Raises
    ------
    InputError
        If it is none of these.
    """
    if text in ("one", "per bank"):
        return text
    count = text.removeprefix("best of ")
    if text.startswith("best of ") and count in [str(n) for n in range(1, MOST_CYLINDERS + 1)]:
        return int(count)
    raise unknown_word(where, text, ["one", "per bank", "best of 2", "best of 3", "best of 4"])
