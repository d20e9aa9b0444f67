"""The sheet of one layout: a page in a single file that argues why the layout shakes.

`sheet_view` decides what stands on the page, as plain data; the template only draws it. The page
needs no network and no script: pictures are inline SVG, each in a wide and a narrow version, of
which the style sheet shows the one that fits.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from evaluate import firing, units
from evaluate.camshafts import camshafts
from evaluate.errors import InputError
from evaluate.inertia import NOTHING_SHARE, scales
from evaluate.layout import MOST_FOR_ORDERS, Layout, order_line
from evaluate.metrics import METRICS, axis_label
from evaluate.orders import SORT_RULE, AllowedOrders, orders_to_show
from evaluate.reading import reading
from evaluate.remedies import remedies, without_repeats
from evaluate.results import evaluation_document
from evaluate.tolerance_results import limits_text, shares_text
from optimize.files import writable_directory
from optimize.inline_svg import InlineSvg, glyph_sheet, inline_svg
from optimize.pictures import LAYOUT_PICTURES, NARROW_IN, WIDE_IN
from optimize.pictures.bearings import BearingsView, bearings_view
from optimize.pictures.campbell import CampbellView, campbell_view
from optimize.pictures.torque import TorqueView, torque_view
from optimize.texts import CAUTION, value_text

#: Widths in which each picture is drawn: a column of a desktop or of A4, and a phone. [in]
WIDTHS_IN = {"wide": WIDE_IN, "narrow": NARROW_IN}
UNKNOWN = "-"
THIN_SPACE, NO_BREAK = "\u202f", "\u00a0"
_PLAIN = re.compile(r"[A-Za-z0-9 ]")
_HYPHEN = re.compile(r"(?<=\w)-(?=\w)")
#: What "In short" takes from the reading: so many first findings on each topic, in this order.
SHORT = (("force", 2), ("couple", 1), ("remedy", 1), ("firing", 1))
SHORT_RULE = (
    "Picked by rule: the first two findings on free forces, and the first each on free couples, "
    "remedies and firing."
)
MOST_CRITICALS = 8  # rows of the table of critical speeds, those with most twist
MOST_ORDERS = 12  # rows of the table of firing orders; the layout's own is added if further down


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """A cell of a table: what is read, the exact value behind it, and small print below."""

    text: str
    value: float | None = None
    detail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """Heading of a column; numbers stand to the right."""

    heading: str
    unit: str = ""
    is_number: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """Cells of a row, the first of which is its heading; a mark makes the row stand out."""

    cells: tuple[Cell, ...]
    mark: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Rows under one heading that stands before the first of them; none if it is empty."""

    rows: tuple[Row, ...]
    heading: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class TableView:
    """A table: its key in the page, caption, columns, rows in groups and notes below it.

    `look` is "half" for a table that stands beside another one, "wide" for one that turns into
    one block a row where the page is narrow, "explained" for one whose last column is prose.
    """

    key: str
    caption: str
    columns: tuple[Column, ...]
    groups: tuple[Group, ...]
    notes: tuple[str, ...] = ()
    look: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PictureView:
    """A picture: its key in the table of pictures, its name, and how to read it."""

    key: str
    title: str
    caption: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """Part of a section: what the numbers say, the pictures that show it, the numbers."""

    heading: str = ""
    statements: tuple[str, ...] = ()
    pictures: tuple[PictureView, ...] = ()
    tables: tuple[TableView, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """A section of the page."""

    key: str
    heading: str
    lead: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetView:
    """All that stands on the page but the pictures themselves."""

    name: str
    summary: str
    facts: tuple[tuple[str, str], ...]
    assumed: tuple[str, ...]
    short: tuple[str, ...]
    short_rule: str
    sections: tuple[Section, ...]
    caution: str


def sheet_html(layout: Layout) -> str:
    """Return the page of one layout, complete in itself.

    Parameters
    ----------
    layout : Layout
        From `evaluate.layout`.

    Returns
    -------
    str
        HTML. The same layout gives the same text with the same libraries.
    """
    view = sheet_view(layout)
    drawn = _drawn(layout, [p for s in view.sections for part in s.parts for p in part.pictures])
    glyphs = {
        k: v
        for versions in drawn.values()
        for svg in versions.values()
        for k, v in svg.glyphs.items()
    }
    return (
        page_environment()
        .get_template("sheet.html")
        .render(
            view=view,
            pictures={
                key: {name: Markup(svg.markup) for name, svg in versions.items()}
                for key, versions in drawn.items()
            },
            glyphs=Markup(glyph_sheet(glyphs)),
            running_title=Markup(css_text(view.name)),
            table_numbers=_numbered(
                t.key for s in view.sections for p in s.parts for t in p.tables
            ),
            picture_numbers=_numbered(drawn),
        )
    )


def page_environment() -> jinja2.Environment:
    """Return what turns the templates of this package into pages, with all text escaped."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("optimize", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["breakable"] = _breakable
    return environment


def sheet_file(path: Path, where: str) -> Path:
    """Return the file that a sheet can be written to.

    Raises
    ------
    InputError
        If its name does not end in .html, or its directory cannot be written to.
    """
    if path.is_dir():
        raise InputError(where, f"{path}, a directory", "a file ending in .html")
    if path.suffix.lower() != ".html":
        raise InputError(where, str(path), "a file ending in .html")
    if not path.parent.is_dir():
        raise InputError(where, f"{path} in no directory", "a file in a directory that exists")
    writable_directory(path.parent, where)
    return path


def number_text(value: float | None, *, places: int | None = None, least: float = 0.0) -> str:
    """Return a number as the page writes it.

    Parameters
    ----------
    value : float or None
        None or NaN for what is not known.
    places : int, optional
        At most so many digits behind the point, for angles and places; left out, as many
        digits as a reader needs: whole numbers from 100, three digits below.
    least : float
        What is smaller is left by rounding and is 0.
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if abs(value) < least:
        value = 0.0
    if places is None:
        text = value_text(value)
    else:
        text = f"{round(value, places) + 0.0:,.{places}f}"
        if places:
            text = text.rstrip("0").rstrip(".")
    return text.replace(",", THIN_SPACE).replace("-", "\u2212")


def sheet_view(layout: Layout) -> SheetView:
    """Return what stands on the page of a layout, as plain data."""
    document = evaluation_document(layout)
    said = _Reading(layout)
    return SheetView(
        name=layout.name,
        summary=_summary(layout, document),
        facts=_facts(layout, document),
        assumed=_assumed(layout),
        short=said.short(),
        short_rule=SHORT_RULE,
        sections=(
            _firing_section(layout, document, said),
            _crank_section(layout, document, said),
            _forces_section(layout, document, said),
            _remedy_section(layout, document, said),
            _shaft_section(layout),
            _metrics_section(layout, document),
            _conventions_section(layout),
        ),
        caution=CAUTION,
    )


class _Reading:
    """Statements on a layout, by topic."""

    def __init__(self, layout: Layout) -> None:
        self._statements = reading(layout)

    def on(self, *topics: str) -> tuple[str, ...]:
        """Return the statements on topics, topic by topic."""
        return tuple(s.text for topic in topics for s in self._statements if s.topic == topic)

    def short(self) -> tuple[str, ...]:
        """Return the first findings on each topic that "In short" takes up, but no trifles."""
        worth = {topic: [t for t in self.on(topic) if not is_trifle(t)] for topic, _ in SHORT}
        return tuple(text for topic, count in SHORT for text in worth[topic][:count])


def is_trifle(text: str) -> bool:
    """Return whether a statement speaks of nothing but orders too small to matter."""
    return text.endswith("is next to nothing.") and "is left to the mounts" not in text


# Heading --------------------------------------------------------------------------------------


def arrangement_text(bank_angles_deg: Sequence[float], n_cylinders: int) -> str:
    """Return how cylinders are arranged, in words.

    Examples
    --------
    >>> arrangement_text([-45.0, 45.0], 8)
    '8 cylinders in a V of 90°'
    """
    if n_cylinders == 1:
        return "one cylinder"
    count = f"{n_cylinders} cylinders"
    if len(bank_angles_deg) == 1:
        return f"{count} in line"
    gaps = [number_text(b - a, places=2) for a, b in pairwise(sorted(bank_angles_deg))]
    if len(gaps) == 1:
        return f"{count}, opposed" if gaps == ["180"] else f"{count} in a V of {gaps[0]}°"
    if len(set(gaps)) == 1:
        return f"{count} in {len(bank_angles_deg)} banks, {gaps[0]}° from bank to bank"
    places = ", ".join(f"{number_text(a, places=2)}°" for a in bank_angles_deg)
    return f"{count} in {len(bank_angles_deg)} banks at {places}"


def _summary(layout: Layout, document: dict[str, Any]) -> str:
    strokes = {720.0: "four-stroke", 360.0: "two-stroke"}[layout.engine.cycle_deg]
    arrangement = arrangement_text(layout.batch.bank_angles_deg[0].tolist(), len(layout.labels))
    return (
        f"{arrangement}, {strokes}, crank turning {layout.rotation} as seen from the free end, "
        f"{number_text(document['speed_rpm'])}{NO_BREAK}rpm"
    )


def _assumed(layout: Layout) -> tuple[str, ...]:
    """Return all that the file left open, as sentences without a full stop."""
    sentences = list(layout.assumed)
    if layout.mains_assumed:
        sentences.append(
            "no main bearings in the file: one at each end and one between throws that leave room"
        )
    is_two_stroke = layout.engine.cycle_deg == firing.TURN_DEG
    if not is_two_stroke and any(shaft.is_assumed for shaft in camshafts(layout)):
        sentences.append("no camshaft drive in the file: a chain, which turns as the crank")
    if math.isfinite(layout.engine.bore_m):
        sentences.append(
            "sizes and masses of the whole engine: from proportions of the project, no "
            "measured engine"
        )
    return tuple(sentences)


def _facts(layout: Layout, document: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    engine, size, balance = layout.engine, document["size"], document["balance"]
    shafts = [f"order {s['order']} {s['sense']}" for s in balance["shafts"]]
    share = [
        number_text(100 * balance[f"{kind}_fraction"]) for kind in ("rotating", "reciprocating")
    ]
    scheme = document["numbering"]
    return (
        ("Firing order", order_line(layout.labels, layout.firing_angles_deg)),
        ("Displacement", _displacement_text(size["displacement_cm3"])),
        (
            "Bore × stroke",
            f"{number_text(size['bore_mm'], places=2)} × "
            f"{number_text(size['stroke_mm'], places=2)} mm",
        ),
        ("Connecting rod", f"{number_text(units.mm_from_m(engine.rod_length_m), places=2)} mm"),
        ("Mean piston speed", f"{number_text(document['mean_piston_speed_m_s'])} m/s"),
        (
            "Masses of one cylinder",
            f"{number_text(engine.reciprocating_mass_kg)} kg reciprocating, "
            f"{number_text(engine.rotating_mass_kg)} kg rotating",
        ),
        ("Counterweights", f"{share[0]} % of the rotating mass, {share[1]} % of the reciprocating"),
        ("Balance shafts", ", ".join(shafts) or "none"),
        (
            "Cylinder labels",
            scheme["scheme"]
            + (f": {scheme['meaning']}" if scheme["meaning"] else " in the layout file"),
        ),
    )


def _displacement_text(displacement_cm3: float | None) -> str:
    if displacement_cm3 is None:
        return f"{UNKNOWN} (no bore in the file)"
    return f"{number_text(displacement_cm3)}{NO_BREAK}cm³"


# Sections -------------------------------------------------------------------------------------


def _firing_section(layout: Layout, document: dict[str, Any], said: _Reading) -> Section:
    return Section(
        key="firing",
        heading="What fires when",
        lead="Firing and exhaust pulses over one cycle, counted from the firing of cylinder "
        f"{layout.labels[0]}.",
        parts=(
            Part(
                statements=said.on("firing", "exhaust"),
                pictures=_pictures("strip"),
                tables=(_firing_table(layout, document),),
            ),
            _choices_part(layout),
            *_camshafts_parts(layout, said),
        ),
    )


def _firing_table(layout: Layout, document: dict[str, Any]) -> TableView:
    angles_deg = document["firing"]["angles_deg"]
    order = [layout.labels.index(label) for label in document["firing"]["order"]]
    cycle_deg = layout.engine.cycle_deg
    groups = layout.batch.collectors[0].tolist()
    rows = []
    for place, i in enumerate(order):
        wait_deg = (angles_deg[order[(place + 1) % len(order)]] - angles_deg[i]) % cycle_deg
        if len(order) == 1:
            wait_deg = cycle_deg
        own = [angles_deg[j] for j in order if groups[j] == groups[i] and j != i]
        pulse_deg = min(((a - angles_deg[i]) % cycle_deg for a in own), default=cycle_deg)
        rows.append(
            Row(
                cells=(
                    Cell(text=layout.labels[i]),
                    _number(angles_deg[i], places=2),
                    _number(wait_deg, places=2),
                    Cell(text=str(int(layout.engine.throws[i]) + 1)),
                    Cell(text=str(int(layout.batch.banks[0, i]) + 1)),
                    Cell(text=str(groups[i] + 1)),
                    _number(pulse_deg, places=2),
                )
            )
        )
    return TableView(
        key="firings",
        caption="Firings in their order",
        columns=(
            Column(heading="cylinder", is_number=False),
            Column(heading="fires at", unit="deg"),
            Column(heading="next after", unit="deg"),
            Column(heading="throw"),
            Column(heading="bank"),
            Column(heading="collector"),
            Column(heading="next pulse in it after", unit="deg"),
        ),
        groups=(Group(rows=tuple(rows)),),
    )


def _choices_part(layout: Layout) -> Part:
    """Return the orders that this crank allows: even ones if it fires evenly, all otherwise."""
    heading = "What this crank would allow"
    n, cycle_deg = len(layout.labels), layout.engine.cycle_deg
    if n == 1 or cycle_deg == firing.TURN_DEG:
        why = "One cylinder" if n == 1 else "A two-stroke fires every cylinder once a turn, so it"
        return Part(heading=heading, notes=(f"{why} leaves nothing to choose: one firing order.",))
    found = orders_to_show(layout, n_collectors=1)
    if not len(found):
        note = f"No even order; all are counted up to {MOST_FOR_ORDERS} cylinders, this has {n}."
        return Part(heading=heading, notes=(note,))
    return Part(
        heading=heading,
        statements=_allowed_texts(layout, found),
        pictures=_pictures("choices"),
        tables=(_orders_allowed_table(layout, found),),
    )


def _allowed_texts(layout: Layout, found: AllowedOrders) -> tuple[str, ...]:
    who = "This crank and the facts in its file allow" if found.cuts else "This crank allows"
    count = number_text(len(found), places=0)
    orders = "firing order" if len(found) == 1 else "firing orders"
    if not found.even_only:
        return (f"{who} no even firing, and {count} {orders} in all.",)
    texts = [f"{who} {count} even {orders}."]
    if not _is_own(layout, found).any():
        texts.append("The order of this layout is not among them: it fires unevenly.")
    return tuple(texts)


def _is_own(layout: Layout, found: AllowedOrders) -> NDArray[np.bool_]:
    """Return which of the orders is the layout's own, (orders,)."""
    apart_deg = np.abs(found.angles_deg - layout.firing_angles_deg).max(axis=1)
    is_own: NDArray[np.bool_] = apart_deg < firing.SNAP_DEG
    return is_own


def _orders_allowed_table(layout: Layout, found: AllowedOrders) -> TableView:
    keys = ["neighbour_firing_share", "exhaust_overlap_deg", "exhaust_spacing_min_deg"]
    if layout.engine.n_banks > 1:
        keys.insert(1, "bank_alternation_share")
    if not found.even_only:
        keys.insert(0, "firing_unevenness_deg")
    own = _is_own(layout, found)
    shown = [row for row in range(len(found)) if row < MOST_ORDERS or own[row]]
    rows = tuple(
        Row(
            cells=(
                Cell(text=order_line(layout.labels, found.angles_deg[row]), detail=_rank_text(row)),
                *(_number(float(found.scores[key][row])) for key in keys),
            ),
            mark="this layout" if own[row] else "",
        )
        for row in shown
    )
    notes = [f"Sorted: {SORT_RULE}."]
    if len(found) > len(shown):
        left_out = number_text(len(found) - len(shown), places=0)
        notes.insert(0, f"{left_out} further ones are not listed.")
    return TableView(
        key="allowed",
        caption="Firing orders that this crank allows",
        columns=(
            Column(heading="firing order", is_number=False),
            *(Column(heading=METRICS[key].label, unit=METRICS[key].unit) for key in keys),
        ),
        groups=(Group(rows=rows),),
        notes=tuple(notes),
        look="wide",
    )


def _rank_text(row: int) -> str:
    """Return the rank of a row that stands outside the first ones."""
    return f"number {number_text(row + 1, places=0)} in the list" if row >= MOST_ORDERS else ""


def _camshafts_parts(layout: Layout, said: _Reading) -> tuple[Part, ...]:
    """Return the camshafts; a two-stroke engine has none unless its file says so."""
    is_two_stroke = layout.engine.cycle_deg == firing.TURN_DEG
    if is_two_stroke and all(shaft.is_assumed for shaft in camshafts(layout)):
        return ()
    return (
        Part(
            heading="Camshafts",
            statements=said.on("camshaft"),
            pictures=_pictures("camshafts"),
            tables=(_camshafts_table(layout),),
        ),
    )


def _camshafts_table(layout: Layout) -> TableView:
    shafts = camshafts(layout)
    groups = tuple(
        Group(
            heading=shaft.name,
            rows=tuple(
                Row(
                    cells=(
                        Cell(text=lobe.label),
                        _number(lobe.angle_deg, places=2),
                        _number(float(layout.firing_angles_deg[lobe.cylinder]), places=2),
                    )
                )
                for lobe in shaft.lobes
            ),
        )
        for shaft in shafts
    )
    ways: dict[str, list[str]] = {}
    for shaft in shafts:
        way = f"{shaft.turns}, seen from the {shaft.seen_from}; {shaft.drive}."
        ways.setdefault(way, []).append(shaft.name)
    notes = [
        f"Turning {way}" if len(ways) == 1 else f"Turning of the {', '.join(names)}: {way}"
        for way, names in ways.items()
    ]
    return TableView(
        key="camshafts",
        caption=f"Lobes of one kind, as seen from the {shafts[0].seen_from}",
        columns=(
            Column(heading="camshaft", is_number=False),
            Column(heading="lobe of cylinder", is_number=False),
            Column(heading="clockwise from the first lobe", unit="deg"),
            Column(heading="cylinder fires at", unit="deg"),
        ),
        groups=groups,
        notes=tuple(notes),
    )


def _crank_section(layout: Layout, document: dict[str, Any], said: _Reading) -> Section:
    return Section(
        key="crank",
        heading="What that crank is",
        lead="Throws from the free end; angles in the direction of rotation, places from "
        f"{layout.origin} towards the driving end.",
        parts=(
            Part(
                statements=said.on("crank"),
                pictures=_pictures("crank", "side"),
                tables=(_throws_table(layout, document), _cylinders_table(document)),
            ),
        ),
    )


def _throws_table(layout: Layout, document: dict[str, Any]) -> TableView:
    engine = layout.engine
    rows = []
    for throw in range(engine.n_throws):
        driven = [c for c in document["cylinders"] if c["throw"] == throw + 1]
        rows.append(
            Row(
                cells=(
                    Cell(text=str(throw + 1)),
                    _number(driven[0]["pin_angle_deg"] % 360.0, places=2),
                    _number(float(units.mm_from_m(engine.throw_positions_m[throw])), places=2),
                    Cell(text=", ".join(c["label"] for c in driven)),
                    _number(document["balance"]["counterweight_kgm"][throw]),
                )
            )
        )
    mains = ", ".join(number_text(units.mm_from_m(s), places=1) for s in engine.main_positions_m)
    notes = [f"Main bearings at {mains} mm" + (" (assumed)." if layout.mains_assumed else ".")]
    if any(row.cells[4].value is None for row in rows):
        notes.append(_unknown_note(layout))
    return TableView(
        key="throws",
        look="half",
        caption="Throws",
        columns=(
            Column(heading="throw", is_number=False),
            Column(heading="angle", unit="deg"),
            Column(heading="place", unit="mm"),
            Column(heading="cylinders", is_number=False),
            Column(heading="counterweight", unit="kg·m"),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=tuple(notes),
    )


def _cylinders_table(document: dict[str, Any]) -> TableView:
    rows = [
        Row(
            cells=(
                Cell(text=c["label"]),
                Cell(text=str(c["throw"])),
                Cell(text=str(c["bank"])),
                _number(c["bank_axis_deg"], places=2),
                _number(c["position_mm"], places=2),
                _number(c["tdc_deg"], places=2),
            )
        )
        for c in document["cylinders"]
    ]
    return TableView(
        key="cylinders",
        look="half",
        caption="Cylinders",
        columns=(
            Column(heading="cylinder", is_number=False),
            Column(heading="throw"),
            Column(heading="bank"),
            Column(heading="bank axis", unit="deg"),
            Column(heading="place", unit="mm"),
            Column(heading="top dead centre at", unit="deg"),
        ),
        groups=(Group(rows=tuple(rows)),),
    )


def _forces_section(layout: Layout, document: dict[str, Any], said: _Reading) -> Section:
    return Section(
        key="forces",
        heading="What it leaves over",
        lead="Free forces and couples by order of crank speed at "
        f"{number_text(document['speed_rpm'])} rpm: before any balancing, and what the layout's "
        "counterweights and shafts leave.",
        parts=(
            Part(
                statements=said.on("force", "couple"),
                pictures=_pictures("orders", "orbit"),
                tables=(
                    _orders_table(layout, document["inertia"], "force"),
                    _orders_table(layout, document["inertia"], "couple"),
                ),
            ),
        ),
    )


def _orders_table(layout: Layout, inertia: dict[str, Any], quantity: str) -> TableView:
    sides = ("forward", "backward", "peak")
    least_of = dict(zip(("force", "couple"), scales(layout.engine), strict=True))
    key_unit, unit = {"force": ("N", "N"), "couple": ("Nm", "N·m")}[quantity]
    least = NOTHING_SHARE * least_of[quantity]
    groups = []
    for order, before in inertia["reciprocating"].items():
        states = [("reciprocating", before), ("left over", inertia["residual"][order])]
        if order in inertia["rotating"]:
            states.insert(1, ("rotating", inertia["rotating"][order]))
        rows = [
            Row(
                cells=(
                    Cell(text=name),
                    *(_number(entry[f"{quantity}_{s}_{key_unit}"], least=least) for s in sides),
                ),
                mark="left" if name == "left over" else "",
            )
            for name, entry in states
        ]
        groups.append(Group(heading=order, rows=tuple(rows)))
    rms, peak = (
        number_text(inertia[f"{quantity}_{k}_{key_unit}"], least=least) for k in ("rms", "peak")
    )
    return TableView(
        key=f"orders-{quantity}",
        look="half",
        caption=f"Free {quantity} by order",
        columns=(
            Column(heading="order", is_number=False),
            Column(heading="of", is_number=False),
            *(Column(heading=side, unit=unit) for side in sides),
        ),
        groups=tuple(groups),
        notes=(f"All orders together leave {rms} {unit} RMS over a turn, {peak} {unit} at most.",),
    )


def _remedy_section(layout: Layout, document: dict[str, Any], said: _Reading) -> Section:
    tables = [_remedies_table(layout)]
    if document["balance"]["shafts"]:
        tables.append(_shafts_table(layout, document["balance"]))
    return Section(
        key="remedies",
        heading="What would remedy it, and at what price",
        lead="The layout as given beside a ladder of counterweights and balance shafts, with what "
        "each leaves and what each costs.",
        parts=(
            Part(
                statements=said.on("remedy"),
                pictures=_pictures("remedies"),
                tables=tuple(tables),
                notes=_pair_notes(document["balance"]["second_order_pair"]),
            ),
        ),
    )


def _remedies_table(layout: Layout) -> TableView:
    columns = (
        ("force_rms_N", "RMS force", "N"),
        ("force_peak_N", "peak force", "N"),
        ("couple_rms_Nm", "RMS couple", "N·m"),
        ("couple_peak_Nm", "peak couple", "N·m"),
        ("internal_couple_Nm", "internal couple", "N·m"),
        ("parts", "parts index", ""),
        ("crank_train_mass_kg", "crank-train mass", "kg"),
        ("counterweight_kgm", "counter\u00adweights", "kg·m"),
        ("shaft_friction_W", "shaft friction", "W"),
    )
    found = without_repeats(remedies(layout))
    least_N, least_Nm = (NOTHING_SHARE * scale for scale in scales(layout.engine))
    least = {key: {"N": least_N, "N·m": least_Nm}.get(unit, 0.0) for key, _, unit in columns}
    rows = tuple(
        Row(
            cells=(
                Cell(text=remedy.name),
                *(_number(float(getattr(remedy, key)), least=least[key]) for key, _, _ in columns),
            ),
            mark="this layout" if remedy.is_given else "",
        )
        for remedy in found
    )
    is_known = all(cell.value is not None for row in rows for cell in row.cells[1:])
    return TableView(
        key="remedies",
        caption="What each remedy leaves and costs",
        columns=(
            Column(heading="remedy", is_number=False),
            *(Column(heading=heading, unit=unit) for _, heading, unit in columns),
        ),
        groups=(Group(rows=rows),),
        notes=() if is_known else (_unknown_note(layout),),
        look="wide",
    )


def _shafts_table(layout: Layout, balance: dict[str, Any]) -> TableView:
    rows = []
    for shaft in balance["shafts"]:
        rows.append(
            Row(
                cells=(
                    Cell(text=f"order {shaft['order']} {shaft['sense']}"),
                    _number(100 * shaft["fraction"]),
                    _number(shaft["force_unbalance_kgm"]),
                    _number(shaft["phase_deg"], places=2),
                    _number(shaft["couple_unbalance_kgm2"]),
                    _number(shaft["couple_phase_deg"], places=2),
                    _number(shaft["mass_estimate_kg"]),
                    _number(shaft["friction_estimate_W"]),
                )
            )
        )
    notes = [
        "Phases: where the heavy point stands when the first cylinder is at its top dead centre, "
        "in the direction of crank rotation; of a couple, the point towards the driving end.",
        f"Estimates: {balance['shaft_assumptions']}.",
    ]
    if any(row.cells[place].value is None for row in rows for place in (3, 5)):
        notes.append(f"A phase of {UNKNOWN}: there is nothing to cancel.")
    if any(row.cells[6].value is None for row in rows):
        notes.append(_unknown_note(layout))
    return TableView(
        key="shafts",
        caption="Balance shafts of this layout",
        columns=(
            Column(heading="shaft", is_number=False),
            Column(heading="share taken", unit="%"),
            Column(heading="unbalance", unit="kg·m"),
            Column(heading="at", unit="deg"),
            Column(heading="couple unbalance", unit="kg·m²"),
            Column(heading="at", unit="deg"),
            Column(heading="mass", unit="kg"),
            Column(heading="friction", unit="W"),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=tuple(notes),
        look="wide",
    )


def _pair_notes(pair: dict[str, Any] | None) -> tuple[str, ...]:
    if pair is None:
        return ()
    height = number_text(pair["height_forward_above_backward_mm"], places=1)
    return (
        "Second-order pair: the rolling moment of order 2 is "
        f"{number_text(pair['rolling_moment_before_Nm'])} N·m without it; with the forward shaft "
        f"{height} mm above the other it is {number_text(pair['rolling_moment_then_Nm'])} N·m "
        "(gas torque not counted).",
    )


def _shaft_section(layout: Layout) -> Section:
    """Return torque, main bearings and torsion, each part with what can be computed of it."""
    low, high = (
        number_text(units.rpm_from_rad_s(speed), places=0)
        for speed in layout.engine.duty.torsion.range_rad_s(layout.engine)
    )
    lead = (
        "Gas and inertia together: torque of the crank and loads of its main bearings at "
        f"{number_text(units.rpm_from_rad_s(layout.engine.speed_rad_s))} rpm, torsional vibration "
        f"from {low} to {high} rpm."
    )
    if layout.duty_assumed:
        lead += f" Assumed: {'; '.join(layout.duty_assumed)}."
    return Section(
        key="shaft",
        heading="What the shaft and its bearings bear",
        lead=lead,
        parts=(_loads_part(layout), _torsion_part(layout)),
    )


def _loads_part(layout: Layout) -> Part:
    torque, loads = torque_view(layout), bearings_view(layout)
    tables = []
    if torque is not None:
        tables.append(_torque_table(torque))
    if loads is not None:
        tables.append(_bearings_table(loads))
    return Part(
        heading="Torque and main bearings",
        statements=() if loads is None else loads.words[:1],
        pictures=_pictures("torque", "bearings"),
        tables=tuple(tables),
    )


def _torque_table(view: TorqueView) -> TableView:
    rows = (
        ("mean torque", view.mean_Nm, "N·m"),
        ("ripple, highest less lowest", view.ripple_Nm, "N·m"),
        ("fluctuation of energy", view.energy_J, "J"),
        ("variation of speed to be held", 100 * view.coefficient, "%"),
        ("inertia of all that turns for it", view.flywheel_kgm2, "kg·m²"),
    )
    return TableView(
        key="torque",
        caption="Torque and flywheel",
        columns=(
            Column(heading="over a cycle", is_number=False),
            Column(heading="value"),
            Column(heading="unit", is_number=False),
        ),
        groups=(
            Group(
                rows=tuple(
                    Row(cells=(Cell(text=name), _number(value), Cell(text=unit)))
                    for name, value, unit in rows
                )
            ),
        ),
        notes=(view.combustion,),
        look="half",
    )


def _bearings_table(view: BearingsView) -> TableView:
    rows = tuple(
        Row(
            cells=(
                Cell(text=str(bearing.number)),
                _number(bearing.peak_N),
                _number(bearing.mean_N),
            ),
            mark="bears most" if bearing.number == view.worst else "",
        )
        for bearing in view.bearings
    )
    return TableView(
        key="bearings",
        caption="Loads of the main bearings",
        columns=(
            Column(heading="main bearing, from the free end", is_number=False),
            Column(heading="peak", unit="N"),
            Column(heading="mean", unit="N"),
        ),
        groups=(Group(rows=rows),),
        notes=("Every bay carries its own throws: the crank hands nothing on past a bearing.",),
        look="half",
    )


def _torsion_part(layout: Layout) -> Part:
    view = campbell_view(layout)
    tables: list[TableView] = []
    if view is not None:
        tables.append(_modes_table(view))
        if view.criticals:
            tables.append(_criticals_table(view))
    return Part(
        heading="Torsional vibration",
        statements=() if view is None else view.words[:-1],
        pictures=_pictures("torsion"),
        tables=tuple(tables),
    )


def _modes_table(view: CampbellView) -> TableView:
    return TableView(
        key="modes",
        caption="Natural frequencies of the shaft",
        columns=(Column(heading="mode", is_number=False), Column(heading="frequency", unit="Hz")),
        groups=(
            Group(
                rows=tuple(
                    Row(cells=(Cell(text=str(mode)), _number(frequency_Hz)))
                    for mode, frequency_Hz in enumerate(view.frequencies_Hz, start=1)
                )
            ),
        ),
        notes=("The lowest, and all that an order can meet.", view.words[-1]),
        look="half",
    )


def _criticals_table(view: CampbellView) -> TableView:
    """Return the criticals with most twist, by falling speed."""
    ranked = sorted(view.criticals, key=lambda c: -c.twist_deg)
    kept = set(ranked[:MOST_CRITICALS])
    rows = tuple(
        Row(
            cells=(
                Cell(text=f"{critical.order:g}"),
                Cell(text=str(critical.mode)),
                _number(critical.speed_rpm, places=0),
                _number(critical.twist_deg),
                _number(critical.stress_MPa),
            ),
            mark="major" if critical.is_major else "",
        )
        for critical in view.criticals
        if critical in kept
    )
    notes = ["Twist and stress: amplitudes of this order alone. Major: all cylinders in phase."]
    n_left_out = len(view.criticals) - len(rows)
    if n_left_out:
        notes.insert(0, f"{number_text(n_left_out)} with less twist are not listed.")
    if any(row.cells[4].value is None for row in rows):
        notes.append(f"{UNKNOWN}: not known, because no diameters or no damping are stated.")
    return TableView(
        key="criticals",
        caption="Critical speeds in the running range",
        columns=(
            Column(heading="order", is_number=False),
            Column(heading="mode"),
            Column(heading="speed", unit="rpm"),
            Column(heading="twist", unit="deg"),
            Column(heading="stress", unit="MPa"),
        ),
        groups=(Group(rows=rows),),
        notes=tuple(notes),
        look="half",
    )


def _metrics_section(layout: Layout, document: dict[str, Any]) -> Section:
    rows = []
    for key, value in document["metrics"].items():
        metric = METRICS[key]
        rows.append(
            Row(
                cells=(
                    Cell(text=axis_label(key)),
                    _number(value),
                    Cell(text=metric.sense),
                    Cell(text=metric.meaning),
                )
            )
        )
    is_known = all(row.cells[1].value is not None for row in rows)
    table = TableView(
        key="metrics",
        caption="All metrics of this layout",
        columns=(
            Column(heading="metric", is_number=False),
            Column(heading="value"),
            Column(heading="better", is_number=False),
            Column(heading="meaning", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=() if is_known else (_unknown_note(layout),),
        look="explained",
    )
    return Section(
        key="metrics",
        heading="All metrics",
        lead="The numbers by which a search would compare this layout with others.",
        parts=(Part(tables=(table,)), *_tolerances_parts(document)),
    )


def _tolerances_parts(document: dict[str, Any]) -> tuple[Part, ...]:
    """Return how built engines scatter, nothing where the file states no tolerances."""
    built = document["tolerances"]
    if built is None:
        return ()
    rows = []
    for key, values in built["metrics"].items():
        cells = [_number(values[name]) for name in ("drawn", "p05", "p95", "worst")]
        if len({cell.text for cell in cells}) > 1:
            rows.append(Row(cells=(Cell(text=axis_label(key)), *cells)))
    notes = [
        f"{built['samples']} samples, seed {built['seed']}; {built['distribution']}. Metrics that "
        "keep the digits shown are left out."
    ]
    for kind in ("force", "couple"):
        if built[kind]["shares"]:
            made_by = shares_text(built[kind]["shares"])
            notes.append(f"Scatter of the mean square of the free {kind}: {made_by}.")
    share = f"{built['interval_share']:.0%}"
    table = TableView(
        key="built-engines",
        caption=f"Built engines: {limits_text(built['limits'])}",
        columns=(
            Column(heading="metric", is_number=False),
            Column(heading="as drawn"),
            Column(heading=f"{share} have at least"),
            Column(heading=f"{share} have at most"),
            Column(heading="worst"),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=tuple(notes),
    )
    return (Part(heading="Engines as they are built", tables=(table,)),)


def _conventions_section(layout: Layout) -> Section:
    view = "the pictures show the crank as it looks from there"
    if layout.rotation == "anticlockwise":
        view = "this crank turns anticlockwise, so pictures from there are mirrored"
    return Section(
        key="conventions",
        heading="Conventions",
        lead="Signs and words of this sheet.",
        parts=(
            Part(
                statements=(
                    "Angles grow in the direction of rotation, seen from the free end of the "
                    f"crank; 0 is straight up; {view}.",
                    f"Places along the crank grow from {layout.origin} towards the driving end. A "
                    "couple is the sum of place times force, named by the plane of the force.",
                    "The order is the number of cycles per turn. Forward turns with the crank, "
                    "backward against it; counterweights can cancel the forward first order and "
                    "nothing else.",
                    "The peak of an order is forward plus backward; the least is their difference. "
                    f"A {UNKNOWN} stands for what is not known.",
                ),
            ),
        ),
    )


# Pieces ---------------------------------------------------------------------------------------


def _number(value: float | None, *, places: int | None = None, least: float = 0.0) -> Cell:
    """Return a cell that keeps the exact value beside the text."""
    text = number_text(value, places=places, least=least)
    return Cell(text=text, value=None if text == UNKNOWN else value)


def _unknown_note(layout: Layout) -> str:
    if not math.isfinite(layout.engine.bore_m):
        return f"{UNKNOWN}: not known, because the layout file gives no bore."
    return f"{UNKNOWN}: not known."


_CAPTIONS = {
    "strip": "Firings from left to right over one cycle with the waits between them; below, when "
    "the exhaust of each cylinder is open, collector by collector.",
    "choices": "From left to right over the cycle: which cylinders can fire at each angle, and the "
    "orders in which the branches end.",
    "camshafts": "Lobes of each camshaft, drawn as seen.",
    "crank": "Crankpins at crank angle 0 with their throw numbers, and the axes of the banks.",
    "side": "Throws, main bearings and cylinders in their places along the crank.",
    "orders": "Outlines: before balancing. Filled: what is left, forward and backward.",
    "orbit": "The tip of the free force, and of the free couple, over one turn of the crank.",
    "remedies": "What each remedy leaves, before and after, and what it costs.",
    "torque": "Torque of the crank over one cycle; below, its amplitudes by order.",
    "bearings": "The tip of the load on each main bearing over one cycle, all on one scale; below, "
    "peaks and means.",
    "torsion": "A ray for each order, a level line for each natural frequency, a mark where they "
    "meet; below, the largest twist of a single order.",
}


def _pictures(*keys: str) -> tuple[PictureView, ...]:
    return tuple(
        PictureView(key=key, title=LAYOUT_PICTURES[key].title, caption=_CAPTIONS[key])
        for key in keys
    )


def _drawn(layout: Layout, pictures: Iterable[PictureView]) -> dict[str, dict[str, InlineSvg]]:
    """Return every picture in both widths."""
    return {
        picture.key: {
            name: inline_svg(
                LAYOUT_PICTURES[picture.key].draw(layout, width_in),
                key=f"{picture.key}-{name}",
                title=f"{picture.title}: {layout.name}",
                description=LAYOUT_PICTURES[picture.key].alt(layout),
            )
            for name, width_in in WIDTHS_IN.items()
        }
        for picture in pictures
    }


def _numbered(keys: Iterable[str]) -> dict[str, int]:
    return {key: number for number, key in enumerate(keys, start=1)}


def _breakable(text: str) -> Markup:
    """Return a text that may break after each hyphen, as long firing orders must."""
    return Markup(_HYPHEN.sub("-<wbr>", str(escape(text))))


def css_text(text: str) -> str:
    """Return a text for a string in a style sheet, safe inside HTML too."""
    return "".join(
        c if (c.isascii() and c.isalnum()) or c == " " else f"\\{ord(c):x} " for c in text
    )
