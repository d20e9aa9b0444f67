"""Pictures of torque, main bearings and torsion: views against hand calculation, drawings."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from evaluate import layout_from_tables, read_layout
from evaluate.duty import Duty, trace_of
from evaluate.layout import Layout
from evaluate.torsion_batch import TorsionGivens
from evaluate.torsion_chain import Chain
from optimize.pictures import LAYOUT_PICTURES, NARROW_IN, WIDE_IN
from optimize.pictures.bearings import bearings_view, ring_step
from optimize.pictures.campbell import campbell_view, twist_text
from optimize.pictures.graphs import clear_of_each_other, rows_of
from optimize.pictures.torque import torque_view
from optimize.sheets import TableView, sheet_view
from tests.optimize.picture_checks import (
    CYLINDER,
    LAYOUTS,
    assert_all_inside,
    assert_texts_clear,
    layout_of,
    texts_of,
)

SHIPPED = Path(__file__).parents[2] / "studies" / "layouts"
KEYS = ("torque", "bearings", "torsion")
SPEED_RAD_S = 3000 * math.pi / 30
RADIUS_M, ROD_M, BORE_M = 0.04, 0.135, 0.08


@cache
def known(name: str) -> Layout:
    return layout_of(name)


def at_3000(name: str, **tables: Any) -> Layout:
    """Return a layout of the cylinders of `picture_checks` at 3000 rpm."""
    return at_speed(name, 3000, **tables)


def at_speed(name: str, speed_rpm: float, **tables: Any) -> Layout:
    given = {"cylinder": CYLINDER, "operation": {"speed_rpm": speed_rpm}, **LAYOUTS[name]}
    return layout_from_tables({**given, **tables}, default_name=name)


def without_bore(name: str) -> Layout:
    cylinder = {key: value for key, value in CYLINDER.items() if key != "bore_mm"}
    return at_3000(name, cylinder=cylinder)


def with_chain(layout: Layout, **parts: Any) -> Layout:
    """Return a layout whose shaft is two discs of 0.02 and 0.08 kg m^2."""
    stations = (0,) * layout.engine.n_cylinders
    discs = {"inertias_kgm2": (0.02, 0.08), "stiffnesses_Nm_per_rad": (40000.0,)}
    chain = Chain(cylinder_stations=stations, **discs, **parts)
    duty = Duty(torsion=TorsionGivens(chain=chain))
    return replace(layout, engine=replace(layout.engine, duty=duty))


def written(figure: Figure) -> str:
    return "\n".join(text.get_text() for text in texts_of(figure))


def drawn(key: str, layout: Layout, width_in: float = NARROW_IN) -> Figure:
    return LAYOUT_PICTURES[key].draw(layout, width_in)


# Torque.


def test_mean_torque_is_mean_effective_pressure_times_swept_volume():
    """Work of a cycle over its angle, p V / (4 pi) in a four-stroke: any text on engines.

    The pressure is scaled to its mean, and sums over 720 samples are as good as 1e-3.
    """
    layout = at_3000("in-line four")
    view = torque_view(layout)
    assert view is not None
    trace = trace_of(layout.engine)
    volume_m3 = volumes_m3(trace.psi_rad)
    closed = np.append(trace.pressure_Pa, trace.pressure_Pa[0])
    steps_m3 = np.diff(np.append(volume_m3, volume_m3[0]))
    work_J = float((0.5 * (closed[1:] + closed[:-1]) * steps_m3).sum())
    assert view.mean_Nm == pytest.approx(4 * work_J / (4 * math.pi), rel=1e-3)


def volumes_m3(psi_rad: np.ndarray) -> np.ndarray:
    """Return the volume above the piston, less a constant: the textbook's crank and rod."""
    side = RADIUS_M * np.sin(psi_rad)
    height = RADIUS_M * np.cos(psi_rad) + np.sqrt(ROD_M**2 - side**2)
    volumes: np.ndarray = -math.pi / 4 * BORE_M**2 * height
    return volumes


def test_energy_and_flywheel_from_the_drawn_curve():
    """Turning-moment diagram by hand: trapezoids, E = highest less lowest, I = E / (C w^2).

    Within 1 %: the curve is sampled every degree.
    """
    view = torque_view(at_3000("single"))
    assert view is not None
    excess = np.array(view.torque_Nm) - view.mean_Nm
    steps_rad = np.diff(np.deg2rad(view.angles_deg))
    energy_J = np.cumsum(0.5 * (excess[1:] + excess[:-1]) * steps_rad)
    wanted_J = energy_J.max() - min(energy_J.min(), 0.0)
    assert view.energy_J == pytest.approx(wanted_J, rel=0.01)
    wanted = view.energy_J / (view.coefficient * SPEED_RAD_S**2)
    assert view.flywheel_kgm2 == pytest.approx(wanted, rel=1e-12)
    assert view.ripple_Nm == pytest.approx(max(view.torque_Nm) - min(view.torque_Nm), rel=1e-12)


def test_even_firing_leaves_multiples_of_half_the_cylinders():
    """Common practice, no source; also Den Hartog, Mechanical Vibrations, ch. 5 (from memory)."""
    view = torque_view(known("in-line four"))
    assert view is not None
    assert view.orders == tuple(0.5 * q for q in range(1, 25))
    left = {o for o, a in zip(view.orders, view.amplitudes_Nm, strict=True) if a}
    assert left == {2.0, 4.0, 6.0, 8.0, 10.0, 12.0}


def test_a_two_stroke_has_whole_orders():
    view = torque_view(known("two-stroke three"))
    assert view is not None
    assert (view.cycle_deg, view.orders) == (360, tuple(range(1, 13)))


def test_firings_stand_where_they_happen():
    """Order and intervals from the file; both cylinders of a common dead centre by hand."""
    view = torque_view(known("in-line four"))
    assert view is not None
    firings = [(f.angle_deg, f.cylinders) for f in view.firings]
    assert firings == [(0, ("1",)), (180, ("3",)), (360, ("4",)), (540, ("2",))]
    crank = {"throw_angles_deg": [0, 0], "throw_pitch_mm": 95}
    twin = layout_from_tables(
        {"cylinder": CYLINDER, "crank": crank, "cycle_strokes": 2}, default_name="twin"
    )
    view = torque_view(twin)
    assert view is not None
    assert [f.cylinders for f in view.firings] == [("1", "2")]


def test_texts_in_rows_keep_clear_of_each_other():
    assert rows_of([0.0, 0.01, 3.0], ["10", "11", "12"]) == [0, 1, 0]
    assert clear_of_each_other([0.0, 0.01, 3.0], ["10", "11", "12"]) == [0, 2]


# Bearings.


def test_loads_of_a_single_cylinder_as_it_fires():
    """At the dead centre m r w^2 (1 + r/l) + m_rot r w^2 - (p - p0) A, half on each main.

    Statics and any text on machines; the kinematics are exact there, so to round-off.
    """
    layout = at_3000("single", balance={"rotating_fraction": 0.0, "reciprocating_fraction": 0.0})
    view = bearings_view(layout)
    assert view is not None
    pressure_Pa = trace_of(layout.engine).pressure_Pa[0]
    gas_N = (pressure_Pa - 101325) * math.pi / 4 * BORE_M**2
    whole_N = (0.45 * (1 + RADIUS_M / ROD_M) + 0.5) * RADIUS_M * SPEED_RAD_S**2 - gas_N
    for bearing in view.bearings:
        assert bearing.path_N[0] == pytest.approx((0, 0.5 * whole_N), abs=1e-9 * abs(whole_N))
        assert bearing.peak_N == pytest.approx(math.hypot(*bearing.at_peak_N), rel=1e-12)
    assert "As much falls on main bearing" in view.words[0]


def test_path_is_mirrored_for_an_anticlockwise_crank():
    one, other = (
        bearings_view(at_3000("single", rotation=rotation))
        for rotation in ("clockwise", "anticlockwise")
    )
    assert one is not None
    assert other is not None
    assert not one.is_mirrored
    assert other.is_mirrored
    for here, there in zip(one.bearings, other.bearings, strict=True):
        assert max(abs(right) for right, _ in here.path_N) > 100
        assert there.path_N == tuple((-right, up) for right, up in here.path_N)
        assert there.at_peak_N == (-here.at_peak_N[0], here.at_peak_N[1])


@pytest.mark.parametrize(("name", "n_mains"), [("V twelve", 7), ("in-line sixteen", 17)])
def test_of_many_bearings_the_worst_are_drawn(name: str, n_mains: int):
    view = bearings_view(known(name))
    assert view is not None
    assert len(view.bearings) == n_mains
    *mains, pin = view.drawn
    assert (len(mains), pin.number) == (5, 0)
    assert view.worst in {bearing.number for bearing in mains}
    least_N = min(bearing.peak_N for bearing in mains)
    left_out = [bearing.peak_N for bearing in view.bearings if not bearing.is_drawn]
    assert max(left_out) <= least_N * (1 + 1e-9)
    assert f"5 of {n_mains}" in view.words[1]


def test_the_crankpin_is_drawn_on_its_throw():
    # At gas exchange top dead centre the piston pulls outward along the throw (common practice).
    view = bearings_view(known("in-line four"))
    assert view is not None
    half = len(view.crankpin.path_N) // 2
    right_N, up_N = view.crankpin.path_N[half]
    assert abs(right_N) < 0.02 * up_N


def test_plots_are_round_and_on_one_scale():
    figure = drawn("bearings", known("cross-plane V eight"))
    polar = [axes for axes in figure.axes if axes.patches and axes.get_aspect() == 1.0]
    assert len(polar) == 5 + 1  # four throws of a V8 on shared pins: common practice; one crankpin
    assert len({(*axes.get_xlim(), *axes.get_ylim()) for axes in polar}) == 1
    sizes = {tuple(np.round(axes.get_position().size, 9)) for axes in polar}
    assert len(sizes) == 1


@pytest.mark.parametrize("largest", [0.3, 0.9, 2.1, 14.5, 23.0, 41.0, 99.0, 640.0])
def test_rings_are_few_and_round(largest: float):
    step = ring_step(largest)
    assert 1 <= largest / step <= 5
    assert f"{step:.0e}"[0] in "125"
    assert step == pytest.approx(float(f"{step:.0e}"), rel=1e-12)  # one digit says it all


# Torsion.


def test_criticals_lie_where_rays_meet_levels():
    """f = order x speed / 60: the definition of an order."""
    view = campbell_view(at_speed("four banks of four", 5000))
    assert view is not None
    assert len({critical.mode for critical in view.criticals}) > 1
    rays = {ray.order for ray in view.rays}
    for critical in view.criticals:
        ray_Hz = critical.order * critical.speed_rpm / 60
        assert critical.frequency_Hz == pytest.approx(ray_Hz, rel=1e-9)
        assert view.frequencies_Hz[critical.mode - 1] == pytest.approx(ray_Hz, rel=1e-9)
        assert critical.order in rays
        envelope = np.interp(critical.speed_rpm, view.speeds_rpm, view.twist_deg)
        assert critical.twist_deg <= envelope * (1 + 1e-3)  # between two samples of the curve
    assert max(view.levels_Hz) < view.top_Hz


def test_major_orders_of_a_four():
    """Den Hartog, Mechanical Vibrations, ch. 5 (from memory): multiples of half the cylinders."""
    view = campbell_view(known("in-line four"))
    assert view is not None
    assert [ray.order for ray in view.rays if ray.is_major] == [2, 4, 6, 8, 10, 12]
    assert all(ray.is_named for ray in view.rays if ray.is_major)


def test_two_discs_resonate_where_the_textbook_says():
    """w^2 = k (1/J1 + 1/J2): Thomson, Theory of Vibration with Applications, ch. 5 (memory)."""
    wanted_Hz = math.sqrt(40000 * (1 / 0.02 + 1 / 0.08)) / (2 * math.pi)
    view = campbell_view(with_chain(at_3000("single"), magnifier=40.0))
    assert view is not None
    assert view.frequencies_Hz == pytest.approx((wanted_Hz,), rel=1e-9)
    speeds = [60 * wanted_Hz / order for order in np.arange(0.5, 12.5, 0.5)]
    within = sorted((s for s in speeds if 600 <= s <= 3000), reverse=True)
    assert [c.speed_rpm for c in view.criticals] == pytest.approx(within, rel=1e-9)


def test_without_damping_there_is_no_twist():
    layout = with_chain(at_3000("single"))
    view = campbell_view(layout)
    assert view is not None
    assert view.criticals
    assert view.twist_deg == ()
    assert "nothing damps" in view.words[0]
    figure = drawn("torsion", layout)
    assert_texts_clear(figure)
    assert "twist [deg]" not in written(figure)


def test_a_stated_shaft_needs_no_bore():
    layout = with_chain(without_bore("in-line four"), magnifier=40.0)
    text = written(drawn("torsion", layout)).replace("\n", " ")
    assert "only inertia excites" in text
    assert "frequency [Hz]" in text


def test_twist_has_two_digits():
    assert [twist_text(x) for x in (0.2037, 0.0343, 1.26, 1e-5)] == [
        "0.20°",
        "0.034°",
        "1.3°",
        "<0.001°",
    ]


# Drawings. That no text covers another in any layout: tests/optimize/test_layout_pictures.py.


@pytest.mark.parametrize("name", ["radial-three", "v-eight-cross-plane-anticlockwise"])
@pytest.mark.parametrize("width_in", [NARROW_IN, WIDE_IN])
def test_shipped_layouts_are_drawn_clear(name: str, width_in: float):
    layout = read_layout(SHIPPED / f"{name}.toml")
    for key in KEYS:
        figure = drawn(key, layout, width_in)
        assert_texts_clear(figure)
        assert_all_inside(figure)


@pytest.mark.parametrize("name", list(LAYOUTS))
def test_many_criticals_are_drawn_clear(name: str):
    assert_texts_clear(drawn("torsion", at_speed(name, 6000)))


@pytest.mark.parametrize("key", KEYS)
def test_without_a_bore_words_stand_in_place_of_the_picture(key: str):
    figure = drawn(key, without_bore("in-line four"))
    assert "Bore unknown" in written(figure)
    assert not figure.axes
    assert_texts_clear(figure)
    assert "bore is unknown" in LAYOUT_PICTURES[key].alt(without_bore("in-line four"))


def test_mirrored_plots_say_so():
    turned = written(drawn("bearings", known("anticlockwise three"))).replace("\n", " ")
    assert "mirrored" in turned
    assert "mirrored" not in written(drawn("bearings", known("in-line four")))


def test_axes_have_units():
    for key, units in {
        "torque": ["[deg]", "[N·m]", "[per turn]"],
        "bearings": ["[kN]"],
        "torsion": ["[rpm]", "[Hz]", "[deg]"],
    }.items():
        text = written(drawn(key, known("in-line four"), WIDE_IN))
        assert all(unit in text for unit in units), key


def test_lines_are_told_without_colour():
    for key in ("torque", "torsion"):
        figure = drawn(key, known("cross-plane V eight"))
        handles = figure.legends[0].get_lines()
        looks = {
            (h.get_linestyle(), h.get_linewidth(), h.get_marker(), h.get_markerfacecolor())
            if h.get_marker() not in ("None", "")
            else (h.get_linestyle(), h.get_linewidth())
            for h in handles
        }
        assert len(looks) == len(handles), key


# On the sheet.


def test_sheet_tells_the_same_numbers():
    layout = at_speed("cross-plane V eight", 6000)
    view = sheet_view(layout)
    keys = [section.key for section in view.sections]
    assert keys.index("shaft") == keys.index("remedies") + 1
    section = view.sections[keys.index("shaft")]
    tables = {table.key: table for part in section.parts for table in part.tables}
    torque, bearings, shaft = torque_view(layout), bearings_view(layout), campbell_view(layout)
    assert torque is not None
    assert bearings is not None
    assert shaft is not None
    assert values(tables["torque"])[0] == [torque.mean_Nm]
    assert values(tables["bearings"]) == [[b.peak_N, b.mean_N] for b in bearings.bearings]
    assert values(tables["modes"]) == [[f] for f in shaft.frequencies_Hz]
    marked = [row.cells[0].text for row in tables["bearings"].groups[0].rows if row.mark]
    assert marked == [str(bearings.worst)]
    listed = tables["criticals"].groups[0].rows
    assert len(listed) == min(8, len(shaft.criticals))
    assert max(c.twist_deg for c in shaft.criticals) in [row.cells[3].value for row in listed]
    assert all(sentence in section.lead for sentence in layout.duty_assumed)


def values(table: TableView) -> list[list[float]]:
    return [
        [cell.value for cell in row.cells if cell.value is not None]
        for group in table.groups
        for row in group.rows
    ]


def test_sheet_without_a_bore_has_no_tables_of_the_shaft():
    section = next(s for s in sheet_view(without_bore("single")).sections if s.key == "shaft")
    assert [part.tables for part in section.parts] == [(), ()]
    assert [p.key for part in section.parts for p in part.pictures] == list(KEYS)
