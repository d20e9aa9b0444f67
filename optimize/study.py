"""Study files: the givens, the space, the limits, the objectives and the budget of one search."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from evaluate import firing, units
from evaluate.batch import SLOTS
from evaluate.duty import Duty
from evaluate.duty_tables import (
    BearingsTable,
    CombustionTable,
    FlywheelTable,
    TorsionTable,
    check_duty,
    duty_from,
)
from evaluate.errors import InputError, unknown_word
from evaluate.layout import (
    parse_collector_rule,
    partition_from_labels,
    proportions_from,
    read_layout,
)
from evaluate.layout_tables import NotNegative, ProportionsTable, Share
from evaluate.metrics import METRICS, known_metric
from evaluate.notebook import table_html
from evaluate.proportions import Proportions
from evaluate.sizing import PINS
from evaluate.tables import Table, read_toml, typed
from evaluate.tolerance_tables import TolerancesTable, tolerances_from
from evaluate.tolerances import DRAWN, Tolerances, most_share
from optimize.inputs import with_copies

MOST_CYLINDERS = 16
MOST_OBJECTIVES = 8
LEAST_STEP_DEG = 0.05
ARRANGEMENTS = ("in-line", "v", "opposed")
DEFAULT_OBJECTIVES = (
    "force_rms_N",
    "couple_rms_Nm",
    "firing_fluctuation",
    "exhaust_unevenness_deg",
    "parts",
)


class StudyTable(Table, kw_only=True):
    """Name, question and seed."""

    name: Annotated[str, Meta(min_length=1, max_length=80)]
    question: str = ""
    seed: Annotated[int, Meta(ge=0)] = 1


class SpeedTable(Table, kw_only=True):
    """Equal speed or equal mean piston speed for all cylinder counts."""

    rpm: Annotated[float, Meta(ge=0.01, le=1e6)] | None = None
    mean_piston_speed_m_s: Annotated[float, Meta(ge=1e-4, le=1e3)] | None = None


class EngineTable(Table, kw_only=True):
    """The givens."""

    displacement_cm3: Annotated[float, Meta(ge=0.01, le=1e9)]
    speed: SpeedTable
    cycle_strokes: Literal[2, 4] = 4
    stroke_to_bore: Annotated[float, Meta(ge=0.01, le=100)] = 1.0
    crank_radius_to_rod: Annotated[float, Meta(ge=0.001, lt=1)] = 0.30


class RangeTable(Table, kw_only=True):
    """A continuous range."""

    from_: float = msgspec.field(name="from")
    to: float


class ShaftsTable(Table, kw_only=True):
    """Balance-shaft slots that may be used, and how many at once."""

    slots: list[str] = msgspec.field(default_factory=list)
    at_most: Annotated[int, Meta(ge=0, le=3)] = 3


class SpaceTable(Table, kw_only=True):
    """What is searched."""

    cylinders: Annotated[list[Annotated[int, Meta(ge=1, le=MOST_CYLINDERS)]], Meta(min_length=1)]
    arrangements: Annotated[list[str], Meta(min_length=1)] = msgspec.field(
        default_factory=lambda: list(ARRANGEMENTS)
    )
    pins: Annotated[list[str], Meta(min_length=1)] = msgspec.field(
        default_factory=lambda: list(PINS)
    )
    bank_angle_deg: Annotated[list[float], Meta(min_length=1)] | RangeTable = msgspec.field(
        default_factory=lambda: [60.0, 75.0, 90.0, 120.0]
    )
    throw_angle_step_deg: Annotated[float, Meta(ge=0, le=180)] = 15.0
    add_even_firing_angles: bool = False
    reciprocating_fraction: Annotated[list[NotNegative], Meta(min_length=1)] | RangeTable = (
        msgspec.field(default_factory=lambda: [0.0, 0.5])
    )
    rotating_fraction: Share = 1.0
    balance_shafts: ShaftsTable = msgspec.field(default_factory=ShaftsTable)


class BoundTable(Table, kw_only=True):
    """Limits of a value."""

    at_most: float | None = None
    at_least: float | None = None


class SplayTable(Table, kw_only=True):
    """Limit of the splay of a split pin."""

    at_most: Annotated[float, Meta(ge=0, le=180)]


ConstraintsTable = msgspec.defstruct(
    "ConstraintsTable",
    [
        ("even_firing", bool, False),
        ("mirror_symmetric", bool, False),
        ("largest_interval_factor", Annotated[float, Meta(ge=1)] | None, 1.25),
        ("splay_deg", SplayTable | None, None),
        *((key, BoundTable | None, None) for key in METRICS),
    ],
    forbid_unknown_fields=True,
    kw_only=True,
    frozen=True,
)


class ObjectiveTable(Table, kw_only=True):
    """One objective and the difference that matters."""

    metric: str
    resolution: Annotated[float, Meta(ge=1e-6, le=1e9)] | None = None
    #: Share of built engines that must be as good or better, by the tolerances.
    kept_by: Annotated[float, Meta(ge=0.5, lt=1)] | None = None


class CollectorsTable(Table, kw_only=True):
    """Exhaust collectors."""

    collectors: str | dict[str, list[list[str]]] = "per bank"
    open_duration_deg: Annotated[float, Meta(gt=0, le=720)] = 240.0


class SearchTable(Table, kw_only=True):
    """Budget."""

    population: Annotated[int, Meta(ge=8, le=10_000)] = 200
    evaluations: Annotated[int, Meta(ge=8, le=10**12)] = 200_000
    seeds: Annotated[int, Meta(ge=1, le=1000)] = 1
    exact: Literal["never", "auto"] = "never"
    exact_steps: Annotated[int, Meta(ge=1, le=10**15)] = 2_000_000_000
    #: A front that has not changed over this share of its designs ends its island; 1: never.
    settled_after: Annotated[float, Meta(ge=0.1, le=1)] = 0.5
    #: Budget of a family without a place on the common front, beside that of one with.
    dominated_share: Annotated[float, Meta(ge=0, le=1)] = 0.25


class BaselineTable(Table, kw_only=True):
    """What everybody would build."""

    layout: str


class StudyTables(Table, kw_only=True):
    """A study file."""

    study: StudyTable
    engine: EngineTable
    space: SpaceTable
    proportions: ProportionsTable | None = None  # type: ignore[valid-type]
    combustion: CombustionTable | None = None  # type: ignore[valid-type]
    flywheel: FlywheelTable | None = None
    torsion: TorsionTable | None = None
    bearings: BearingsTable | None = None
    tolerances: TolerancesTable | None = None
    constraints: ConstraintsTable = msgspec.field(default_factory=ConstraintsTable)  # type: ignore[valid-type]
    objectives: Annotated[list[ObjectiveTable], Meta(min_length=1)] = msgspec.field(
        default_factory=lambda: [ObjectiveTable(metric=key) for key in DEFAULT_OBJECTIVES]
    )
    exhaust: CollectorsTable = msgspec.field(default_factory=CollectorsTable)
    search: SearchTable = msgspec.field(default_factory=SearchTable)
    baseline: BaselineTable | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Objective:
    """A metric to be improved and the difference in it that matters, in its unit.

    With `kept_by`, what counts is the value that this share of built engines keeps, not the drawn
    engine's.
    """

    key: str
    resolution: float
    kept_by: float | None = None

    @property
    def sign(self) -> float:
        """Return 1 when less is better and -1 when more is."""
        return 1.0 if METRICS[self.key].sense == "least" else -1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Bound:
    """A limit on a metric: value <= limit for sign 1, value >= limit for sign -1."""

    key: str
    sign: float
    limit: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """A value that is picked from a list (`values`) or from a range (`low`, `high`)."""

    values: tuple[float, ...] = ()
    low: float = 0.0
    high: float = 0.0

    @property
    def is_range(self) -> bool:
        """Return whether any value between the two ends may be taken."""
        return not self.values


@dataclass(frozen=True, kw_only=True, slots=True)
class Study:
    """One checked study.

    Attributes
    ----------
    text : str
        The file as it was read, for the run directory and the results' metadata.
    cycle_deg, displacement_m3, speed_rad_s, mean_piston_speed_m_s
        The givens; exactly one of the speeds is not None. [deg], [m^3], [rad/s], [m/s]
    duty : Duty
        Gas, flywheel and torsion.
    duty_tables : dict
        The tables that say so, for layout files of single designs.
    tolerances : Tolerances or None
        By how much built engines may differ; None where the file does not say.
    throw_angle_step_deg : float
        Lattice of the throw angles; 0 for continuous ones. [deg]
    add_even_firing_angles : bool
        Whether each family's lattice also holds the angles of evenly firing throws, such as
        multiples of 72 deg for five cylinders.
    shaft_subsets : tuple of tuple of int
        Allowed sets of `SLOTS`, the empty one first.
    collectors : str, int or dict
        "one", "per bank", a number of groups (the best partition), or partitions by count.
    splay_limit_deg : float
        Largest splay of a split pin. [deg]
    is_exact_auto : bool
        Whether families that are small enough are enumerated instead of searched.
    exact_steps : int
        Firings and arrangements that an enumeration of one family may have to look at for that.
    settled_after : float
        Share of an island's designs over which its front must not have changed to end it; 1: never.
    dominated_share : float
        Budget of a family that others beat in everything, beside that of the others.
    """

    name: str
    question: str
    seed: int
    text: str
    cycle_deg: float
    displacement_m3: float
    stroke_to_bore: float
    crank_radius_to_rod: float
    speed_rad_s: float | None
    mean_piston_speed_m_s: float | None
    proportions: Proportions
    duty: Duty
    duty_tables: dict[str, Any]
    tolerances: Tolerances | None
    cylinders: tuple[int, ...]
    arrangements: tuple[str, ...]
    pins: tuple[str, ...]
    bank_angle_deg: Choice
    throw_angle_step_deg: float
    add_even_firing_angles: bool
    reciprocating_fraction: Choice
    rotating_fraction: float
    shaft_subsets: tuple[tuple[int, ...], ...]
    even_firing: bool
    mirror_symmetric: bool
    largest_interval_factor: float | None
    splay_limit_deg: float
    bounds: tuple[Bound, ...]
    objectives: tuple[Objective, ...]
    collectors: str | int | dict[int, tuple[int, ...]]
    open_duration_deg: float
    population: int
    evaluations: int
    seeds: int
    is_exact_auto: bool
    exact_steps: int
    settled_after: float
    dominated_share: float
    baseline: Path | None

    @property
    def active_metrics(self) -> tuple[str, ...]:
        """Return the keys of all metrics that decide, objectives first, each once."""
        keys = [o.key for o in self.objectives] + [b.key for b in self.bounds]
        return tuple(dict.fromkeys(keys))

    @property
    def kept_shares(self) -> dict[str, float]:
        """Return by metric the share of built engines that its objective asks for, if any."""
        return {o.key: o.kept_by for o in self.objectives if o.kept_by is not None}

    def _repr_html_(self) -> str:
        """Return what is asked, given and traded as a table, for notebooks."""
        from optimize.study_differences import study_words  # which imports this module

        rows = [("question", self.question), *study_words(self).items()]
        return table_html(self.name, [row for row in rows if row[1]])


def read_study(path: Path | str) -> Study:
    """Return the study in a file.

    Raises
    ------
    InputError
        If the file cannot be used; the message says where and what is allowed.
    """
    file = Path(path)
    tables = with_copies(read_toml(file), file.parent)
    try:
        return study_from_tables(tables, text=file.read_text("utf-8"), folder=file.parent)
    except InputError as error:
        raise error.inside(file.name) from None


def study_from_tables(tables: dict[str, Any], *, text: str = "", folder: Path = Path()) -> Study:
    """Return a study from tables as `tomllib` reads them.

    Raises
    ------
    InputError
        If they do not describe a study.
    """
    file = typed(tables, StudyTables)
    space, constraints = file.space, file.constraints
    _words("space.arrangements", space.arrangements, ARRANGEMENTS)
    _words("space.pins", space.pins, PINS)
    _unique("space.cylinders", space.cylinders)
    speed = file.engine.speed
    if (speed.rpm is None) == (speed.mean_piston_speed_m_s is None):
        got = "neither" if speed.rpm is None else "both"
        raise InputError("engine.speed", got, "one of rpm and mean_piston_speed_m_s")
    splay = constraints.splay_deg  # type: ignore[attr-defined]
    tolerances = tolerances_from(file.tolerances)
    return Study(
        name=file.study.name,
        question=file.study.question,
        seed=file.study.seed,
        text=text,
        cycle_deg=180.0 * file.engine.cycle_strokes,
        displacement_m3=file.engine.displacement_cm3 * 1e-6,
        stroke_to_bore=file.engine.stroke_to_bore,
        crank_radius_to_rod=file.engine.crank_radius_to_rod,
        speed_rad_s=None if speed.rpm is None else units.rad_s_from_rpm(speed.rpm),
        mean_piston_speed_m_s=speed.mean_piston_speed_m_s,
        proportions=_proportions(file.proportions, file.engine.crank_radius_to_rod),
        duty=_duty(file, folder),
        duty_tables=_duty_tables(tables, folder),
        tolerances=tolerances,
        cylinders=tuple(sorted(space.cylinders)),
        arrangements=tuple(a for a in ARRANGEMENTS if a in space.arrangements),
        pins=tuple(p for p in PINS if p in space.pins),
        bank_angle_deg=_choice("space.bank_angle_deg", space.bank_angle_deg, above=0, most=180),
        throw_angle_step_deg=_step(space.throw_angle_step_deg),
        add_even_firing_angles=space.add_even_firing_angles,
        reciprocating_fraction=_choice(
            "space.reciprocating_fraction", space.reciprocating_fraction, above=-1e-12, most=2
        ),
        rotating_fraction=space.rotating_fraction,
        shaft_subsets=_shaft_subsets(space.balance_shafts),
        even_firing=constraints.even_firing,  # type: ignore[attr-defined]
        mirror_symmetric=constraints.mirror_symmetric,  # type: ignore[attr-defined]
        largest_interval_factor=constraints.largest_interval_factor,  # type: ignore[attr-defined]
        splay_limit_deg=180.0 if splay is None else splay.at_most,
        bounds=_bounds(constraints),
        objectives=_objectives(file.objectives, tolerances),
        collectors=_collectors(file.exhaust.collectors, space.cylinders),
        open_duration_deg=file.exhaust.open_duration_deg,
        population=file.search.population,
        evaluations=file.search.evaluations,
        seeds=file.search.seeds,
        is_exact_auto=file.search.exact == "auto",
        exact_steps=file.search.exact_steps,
        settled_after=file.search.settled_after,
        dominated_share=file.search.dominated_share,
        baseline=_baseline(file.baseline, folder),
    )


def _words(where: str, given: list[str], allowed: Any) -> None:
    for index, word in enumerate(given):
        if word not in allowed:
            raise unknown_word(f"{where}[{index}]", word, allowed)
    _unique(where, given)


def _unique(where: str, given: list[Any]) -> None:
    for index, item in enumerate(given):
        if item in given[:index]:
            raise InputError(f"{where}[{index}]", f"{item!r} a second time", "each value once")


def _duty(file: StudyTables, folder: Path) -> Duty:
    if file.torsion is not None and file.torsion.inertias_kgm2 is not None:
        raise InputError(
            "torsion.inertias_kgm2", "stated inertias", "torsion.shaft: families differ in theirs"
        )
    duty = duty_from(
        file.combustion,
        file.flywheel,
        file.torsion,
        file.bearings,
        None,  # a rod of its own size and mass cannot be one for all families
        cycle_deg=180.0 * file.engine.cycle_strokes,
        folder=folder,
    )
    proportions = proportions_from(file.proportions)
    check_duty(
        duty,
        crank_radius_to_rod=file.engine.crank_radius_to_rod,
        offset_to_crank_radius=proportions.pin_path_offset_to_crank_radius,
        cycle_deg=180.0 * file.engine.cycle_strokes,
    )
    return duty


_DUTY = ("combustion", "flywheel", "torsion", "bearings")


def _duty_tables(tables: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Return the tables on gas, flywheel and torsion, with a trace named by its whole path."""
    kept: dict[str, Any] = {key: dict(tables[key]) for key in _DUTY if key in tables}
    if "trace" in kept.get("combustion", {}):
        kept["combustion"]["trace"] = str((folder / kept["combustion"]["trace"]).resolve())
    return kept


def _proportions(table: Any, crank_radius_to_rod: float) -> Proportions:
    proportions = proportions_from(table)
    offset = abs(proportions.pin_path_offset_to_crank_radius)
    if 1 / crank_radius_to_rod <= 1 + offset:
        raise InputError(
            "proportions.pin_path_offset_to_crank_radius",
            f"{offset:g}",
            f"below {1 / crank_radius_to_rod - 1:g}, so that the crank turns over",
        )
    for name in ("pitch_shared_to_bore", "pitch_split_to_bore"):
        if getattr(proportions, name) <= proportions.stagger_to_bore:
            raise InputError(
                f"proportions.{name}",
                f"{getattr(proportions, name):g}",
                f"above the stagger, {proportions.stagger_to_bore:g}",
            )
    return proportions


def _choice(where: str, given: list[float] | RangeTable, *, above: float, most: float) -> Choice:
    if isinstance(given, RangeTable):
        if given.from_ > given.to:
            raise InputError(where, f"from {given.from_:g} to {given.to:g}", "from <= to")
        ends = [("from", given.from_), ("to", given.to)]
    else:
        _unique(where, given)
        ends = [(f"[{i}]", value) for i, value in enumerate(given)]
    for name, value in ends:
        if not above < value <= most:
            place = f"{where}{name}" if name.startswith("[") else f"{where}.{name}"
            least = f"above {above:g}" if above >= 0 else "0 or above"
            raise InputError(place, f"{value:g}", f"{least}, at most {most:g}")
    if isinstance(given, RangeTable):
        if given.from_ == given.to:
            return Choice(values=(given.from_,))
        return Choice(low=given.from_, high=given.to)
    return Choice(values=tuple(sorted(given)))


def _step(step_deg: float) -> float:
    if 0 < step_deg < LEAST_STEP_DEG:
        raise InputError(
            "space.throw_angle_step_deg",
            f"{step_deg:g}",
            f"{LEAST_STEP_DEG:g} or more, or 0 for continuous angles",
        )
    if step_deg:
        steps = firing.TURN_DEG / step_deg
        if abs(steps - round(steps)) > 1e-9:
            near = firing.TURN_DEG / round(steps)
            raise InputError(
                "space.throw_angle_step_deg",
                f"{step_deg:g}",
                f"a step that divides 360, such as {near:.12g}, or 0 for continuous angles",
            )
    return step_deg


def _shaft_subsets(table: ShaftsTable) -> tuple[tuple[int, ...], ...]:
    names = [slot.name for slot in SLOTS]
    _words("space.balance_shafts.slots", table.slots, names)
    columns = sorted(names.index(slot) for slot in table.slots)
    subsets = [
        tuple(c for i, c in enumerate(columns) if pick >> i & 1)
        for pick in range(2 ** len(columns))
    ]
    allowed = [subset for subset in subsets if len(subset) <= table.at_most]
    return tuple(sorted(allowed, key=lambda subset: (len(subset), subset)))


def _bounds(constraints: Any) -> tuple[Bound, ...]:
    bounds = []
    for key in METRICS:
        table = getattr(constraints, key)
        if table is None:
            continue
        where, least, most = f"constraints.{key}", table.at_least, table.at_most
        if least is None and most is None:
            raise InputError(where, "neither at_most nor at_least", "one of them or both")
        if least is not None and most is not None and least > most:
            raise InputError(
                where, f"at_least {least:g} above at_most {most:g}", "at_least <= at_most"
            )
        if most is not None:
            bounds.append(Bound(key=key, sign=1.0, limit=most))
        if least is not None:
            bounds.append(Bound(key=key, sign=-1.0, limit=least))
    return tuple(bounds)


def _objectives(
    tables: list[ObjectiveTable], tolerances: Tolerances | None
) -> tuple[Objective, ...]:
    if len(tables) > MOST_OBJECTIVES:
        raise InputError("objectives", f"{len(tables)} objectives", f"1 to {MOST_OBJECTIVES}")
    objectives: list[Objective] = []
    for index, table in enumerate(tables):
        where = f"objectives[{index}].metric"
        metric = known_metric(table.metric, where)
        if table.metric in [objective.key for objective in objectives]:
            raise InputError(where, f"{table.metric!r} a second time", "each metric once")
        resolution = metric.resolution if table.resolution is None else table.resolution
        if table.kept_by is not None:
            _check_kept_by(f"objectives[{index}].kept_by", table, tolerances)
        objectives.append(Objective(key=table.metric, resolution=resolution, kept_by=table.kept_by))
    return tuple(objectives)


def _check_kept_by(where: str, table: ObjectiveTable, tolerances: Tolerances | None) -> None:
    """Refuse a share of built engines that nothing says how to build."""
    share = table.kept_by or 0.0
    if tolerances is None:
        raise InputError(where, f"{share:g} without a table [tolerances]", "with it, or no kept_by")
    if table.metric in DRAWN:
        raise InputError(
            where, f"{share:g} for {table.metric}", "a metric that tolerances move; no kept_by here"
        )
    most = most_share(tolerances.samples)
    if share > most:
        raise InputError(
            where,
            f"{share:g} with {tolerances.samples} samples",
            f"at most {most:g}, or more tolerances.samples, for five samples to lie beyond it",
        )


def _collectors(
    given: str | dict[str, list[list[str]]], cylinders: list[int]
) -> str | int | dict[int, tuple[int, ...]]:
    where = "exhaust.collectors"
    if isinstance(given, str):
        return parse_collector_rule(given, where)
    partitions: dict[int, tuple[int, ...]] = {}
    for key, groups in given.items():
        if key not in [str(n) for n in cylinders]:
            counts = ", ".join(str(n) for n in sorted(cylinders))
            raise InputError(
                f"{where}.{key}", "this key", f"a cylinder count of the space: {counts}"
            )
        names = tuple(str(i + 1) for i in range(int(key)))
        partition = partition_from_labels(groups, names, f"{where}.{key}")
        partitions[int(key)] = tuple(int(group) for group in partition)
    for n in cylinders:
        if n not in partitions:
            raise InputError(where, f"none for {n} cylinders", f"a list of collectors under {n}")
    return partitions


def _baseline(table: BaselineTable | None, folder: Path) -> Path | None:
    if table is None:
        return None
    path = folder / table.layout
    try:
        read_layout(path)
    except InputError as error:
        raise error.inside("baseline.layout") from None
    return path


FIELD_NAMES = tuple(item.name for item in fields(Study))
