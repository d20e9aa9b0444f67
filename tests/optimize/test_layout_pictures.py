"""Single pictures of a layout: views by equality, drawings by what a reader relies on."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

from evaluate import Evaluation, layout_from_tables
from evaluate.camshafts import camshafts
from evaluate.choices import tree_of_choices
from evaluate.layout import Layout
from evaluate.orders import allowed_orders
from evaluate.remedies import Remedy
from optimize.pictures import LAYOUT_PICTURES, NARROW_IN, WIDE_IN, choices_of, comparison_picture
from optimize.pictures import choices as choices_module
from optimize.pictures.cams import cams_view
from optimize.pictures.choices import LeafView, choices_view
from optimize.pictures.comparison import comparison_view
from optimize.pictures.crank import BankView, PinView, crank_view
from optimize.pictures.drawing import save
from optimize.pictures.frame import fitted, key_shape, text_in
from optimize.pictures.orbit import orbit_view
from optimize.pictures.remedy import ladder_view
from optimize.pictures.side import side_view
from tests.optimize.picture_checks import (
    CYLINDER,
    LAYOUTS,
    assert_texts_clear,
    layout_of,
    texts_of,
)

AT_WIDE_TOO = ["in-line four", "cross-plane V eight", "four banks of four", "V twelve"]
WIDTHS = [(name, NARROW_IN) for name in LAYOUTS] + [(name, WIDE_IN) for name in AT_WIDE_TOO]


@cache
def known(name: str) -> Layout:
    return layout_of(name)


def written(figure: Figure) -> str:
    return "\n".join(text.get_text() for text in texts_of(figure))


def single(**tables: Any) -> Layout:
    """Return one cylinder of 0.45 kg and 0.5 kg at 40 mm, at 3000 rpm."""
    given_tables = {
        "cylinder": CYLINDER,
        "crank": {"throw_angles_deg": [0]},
        "operation": {"speed_rpm": 3000},
    }
    return layout_from_tables({**given_tables, **tables}, default_name="single")


# Crank. Angles by hand from the conventions of the project's documentation.


def test_crank_says_what_hangs_on_what():
    view = crank_view(known("cross-plane V eight"))
    assert view.pins == (
        PinView(throws=(1,), cylinders=(("1", "2"),), angle_deg=0, picture_deg=0),
        PinView(throws=(2,), cylinders=(("3", "4"),), angle_deg=90, picture_deg=90),
        PinView(throws=(3,), cylinders=(("5", "6"),), angle_deg=270, picture_deg=270),
        PinView(throws=(4,), cylinders=(("7", "8"),), angle_deg=180, picture_deg=180),
    )
    assert view.banks == (
        BankView(number=1, cylinders=("1", "3", "5", "7"), angle_deg=-45, picture_deg=315),
        BankView(number=2, cylinders=("2", "4", "6", "8"), angle_deg=45, picture_deg=45),
    )


def test_side_view_takes_main_bearings_from_the_file():
    """Places from the file, 0 at the middle between first and last cylinder: 240 mm."""
    view = side_view(known("four banks of four"))
    assert view.mains_mm == (-320, -160, 0, 160, 320)
    assert "assumed" not in view.note
    assert "assumed" in side_view(known("in-line four")).note


# Paths of force and couple.


def test_path_of_a_single_cylinder():
    """Piston acceleration at the dead centres is r w^2 (1 +- r/l): any text on machines.

    With all of the rotating and half of the reciprocating mass balanced, half of the latter's
    first order remains at the dead centres, and the counterweight, opposite the pin, at 90 deg.
    Orders beyond 6 are left out: (r/l)^7 is 2e-4 of the force, times a small factor; 1e-4 of it.
    """
    speed2 = (2 * math.pi * 50) ** 2
    unit_N, turning_N = 0.45 * 0.04 * speed2, 0.5 * 0.04 * speed2
    ratio = 40 / 135
    layout = single(balance={"rotating_fraction": 1.0, "reciprocating_fraction": 0.5})
    view = orbit_view(layout, Evaluation(layout.engine, layout.batch))
    force, couple = view.paths
    within = {"abs": 1e-4 * unit_N}
    assert force.before[0] == pytest.approx((0, unit_N * (1 + ratio) + turning_N), **within)
    assert force.before[180] == pytest.approx((0, -unit_N * (1 - ratio) - turning_N), **within)
    assert force.left[0] == pytest.approx((0, unit_N * (0.5 + ratio)), **within)
    assert force.left[180] == pytest.approx((0, unit_N * (ratio - 0.5)), **within)
    assert force.left[90][0] == pytest.approx(-0.5 * unit_N, **within)
    assert [mark.angles_deg for mark in force.marks] == [(0,), (90,), (180,), (270,)]
    assert (couple.before, couple.left, couple.scale) == ((), (), 0)
    assert couple.words == "No free couple, with or without balancing."


def test_path_is_mirrored_for_an_anticlockwise_crank():
    balance = {"rotating_fraction": 1.0, "reciprocating_fraction": 0.5}
    paths = []
    for rotation in ("clockwise", "anticlockwise"):
        layout = single(balance=balance, rotation=rotation)
        view = orbit_view(layout, Evaluation(layout.engine, layout.batch))
        assert view.is_mirrored == ("mirrored" in view.note) == (rotation == "anticlockwise")
        paths.append(np.array(view.paths[0].left))
    np.testing.assert_array_equal(paths[0] * [-1, 1], paths[1])


def test_in_line_four_shakes_up_and_down_twice_a_turn():
    """Common practice, no source: with a flat crank the second order adds, the first cancels."""
    layout = known("in-line four")
    force, couple = orbit_view(layout, Evaluation(layout.engine, layout.batch)).paths
    assert [mark.angles_deg for mark in force.marks] == [(0, 180), (90, 270)]
    right = np.array(force.left)[:, 0]
    assert np.abs(right).max() < 1e-9 * force.scale  # round-off of the sums
    assert force.words.endswith("balancing takes nothing from it.")
    assert couple.words.startswith("No free couple")


def test_path_that_shrinks_to_a_point_is_said_in_words():
    """Common practice, no source: counterweights quiet a cross-plane V8 but for the 4th order."""
    tables = {"cylinder": CYLINDER, **LAYOUTS["cross-plane V eight"]}
    tables["balance"] = {"rotating_fraction": 1.0, "reciprocating_fraction": 0.5}
    layout = layout_from_tables(tables)
    _, couple = orbit_view(layout, Evaluation(layout.engine, layout.batch)).paths
    assert couple.marks == ()
    assert couple.words.startswith(("What remains is a point", "Nothing remains"))


# Choices.


def test_choices_of_a_flat_four():
    """Common practice, no source: 1-3-4-2 and 1-2-4-3, chosen half a turn after cylinder 1."""
    layout = known("in-line four")
    view = choices_view(layout, choices_of(layout)[0])
    nodes = {(n.angle_deg, n.row, n.text, n.aside, n.is_chosen) for n in view.nodes}
    assert nodes == {
        (0, 0.5, "1", "4 waits", False),
        (180, 0, "2", "3 waits", True),
        (360, 0, "4", "1 fired", False),
        (540, 0, "3", "2 fired", False),
        (180, 1, "3", "2 waits", True),
        (360, 1, "4", "1 fired", False),
        (540, 1, "2", "3 fired", False),
    }
    assert view.leaves == (
        LeafView(row=0, node=3, text="1-2-4-3", is_folded=False),
        LeafView(row=1, node=6, text="1-3-4-2", is_folded=False),
    )
    assert len(view.edges) == len(view.nodes) - 1  # a tree
    assert (view.n_orders, view.n_hidden, view.n_even) == (2, 0, 2)


def test_uneven_orders_are_called_uneven():
    """Common practice, no source: a V twin on one pin fires 90 deg off the even 360."""
    tables = {
        "cylinder": CYLINDER,
        "crank": {"throw_angles_deg": [0]},
        "banks": {"angles_deg": [-45, 45]},
        "cylinders": {"throw": [1, 1], "bank": [1, 2]},
    }
    layout = layout_from_tables(tables)
    view = choices_view(layout, choices_of(layout)[0])
    assert view.n_even == 0
    assert [n.angle_deg for n in view.nodes if n.text == "2"] == [450, 90]
    assert "none of them even" in written(
        choices_module.choices_picture(layout, choices_of(layout)[0], width_in=NARROW_IN)
    ).replace("\n", " ")


def test_tree_of_all_orders_counts_the_even_ones():
    """An opposed four has two even orders of eight sets of angles (common practice, no source)."""
    layout = known("opposed four")
    angles_deg = allowed_orders(layout, even_only=False).angles_deg
    view = choices_view(layout, tree_of_choices(angles_deg, 720.0))
    assert (view.n_orders, view.n_even) == (8, 2)
    leaves = [leaf.text for leaf in view.leaves]
    assert {"1-3-2-4", "1-4-2-3", "1+2-3+4"} <= set(leaves)  # together is flagged
    assert all(leaf.startswith("1") for leaf in leaves)


@pytest.mark.parametrize("most", [1, 2, 7, 24, 200])
def test_no_order_is_lost_in_folding(most: int):
    layout = known("V twelve")
    root, _ = choices_of(layout)
    view = choices_view(layout, root, most_leaves=most)
    whole = [leaf for leaf in view.leaves if not leaf.is_folded]
    folded = [int(leaf.text.split()[0]) for leaf in view.leaves if leaf.is_folded]
    assert len(view.leaves) <= most
    assert len(whole) + sum(folded) == root.n_orders
    assert view.n_hidden == sum(folded)
    assert len({leaf.text for leaf in whole}) == len(whole)
    rows = sorted(leaf.row for leaf in view.leaves)
    assert rows == list(range(len(rows)))


# Camshafts, remedies, several layouts.


def test_lobes_of_a_flat_four():
    """By hand: half speed, so that 180 deg of crank are 90 of cam, and lobes stand back."""
    layout = known("in-line four")
    (cam,) = cams_view(camshafts(layout)).cams
    assert [(lobe.labels, lobe.angle_deg) for lobe in cam.lobes] == [
        (("1",), 0),
        (("2",), 90),
        (("4",), 180),
        (("3",), 270),
    ]
    assert cam.is_clockwise
    assert "Assumed" in cam.words


def test_lobes_at_one_angle_share_a_mark():
    tables = {
        "cylinder": CYLINDER,
        "crank": {"throw_angles_deg": [0, 0], "throw_pitch_mm": 90},
        "firing": {"angles_deg": [0, 0]},
    }
    (cam,) = cams_view(camshafts(layout_from_tables(tables))).cams
    assert [(lobe.labels, lobe.angle_deg) for lobe in cam.lobes] == [(("1", "2"), 0)]


def remedy(name: str, force_N: float, parts: float, mass_kg: float, friction_W: float) -> Remedy:
    return Remedy(
        name=name,
        rotating_fraction=1.0,
        reciprocating_fraction=0.0,
        shaft_fractions=(0.0, 0.0, 0.0),
        is_given=name == "as given",
        force_rms_N=force_N,
        force_peak_N=2 * force_N,
        couple_rms_Nm=1e-12,  # round-off
        couple_peak_Nm=1e-12,
        internal_couple_Nm=50.0,
        parts=parts,
        crank_train_mass_kg=mass_kg,
        counterweight_kgm=0.1,
        shaft_friction_W=friction_W,
    )


def test_prices_are_differences_to_the_layout_as_given():
    rungs = [
        remedy("as given", 1000.0, 17, 20.0, 0.0),
        remedy("pair of shafts", 40.0, 21, 21.5, 60.0),
        remedy("no counterweights", 1000.0, 17, 16.0, 0.0),
    ]
    view = ladder_view(known("in-line four"), rungs)
    assert [(s.largest, s.given) for s in view.scales] == [(1000, 1000), (0, 0), (50, 50)]
    assert [(r.name, r.is_given, r.values) for r in view.rungs] == [
        ("As given", True, (1000, 0, 50)),
        ("Pair of shafts", False, (40, 0, 50)),
        ("No counterweights", False, (1000, 0, 50)),
    ]
    assert [rung.price for rung in view.rungs] == [
        ("17 parts", "20 kg"),
        ("21 parts\u00a0(+4)", "21.5 kg\u00a0(+1.5)", "60 W friction\u00a0(+60)"),
        ("17 parts", "16 kg\u00a0(−4)"),
    ]


def test_unknown_masses_are_left_out_of_the_price():
    rungs = [remedy("as given", 1.0, 17, math.nan, math.nan)]
    assert ladder_view(known("in-line four"), rungs).rungs[0].price == ("17 parts",)


def test_layouts_share_their_scales():
    layouts = [known("in-line four"), known("two-stroke three")]
    view = comparison_view(layouts)
    four, three = view.layouts
    assert view.span_deg == 720
    assert [(m.angle_deg, m.text) for m in three.firings] == [
        (0, "1"),
        (120, "3"),
        (240, "2"),
        (360, "1"),
        (480, "3"),
        (600, "2"),
    ]
    assert "two of its cycles" in view.note
    for bar_of_four, bar_of_three in zip(four.bars, three.bars, strict=True):
        largest = max(bar_of_four.value, bar_of_three.value)
        assert bar_of_four.largest == bar_of_three.largest == largest
    assert four.bars[1].value == 0  # a mirror-symmetric crank has no couple: common practice


# Drawings.


@pytest.mark.parametrize(("name", "width_in"), WIDTHS)
def test_texts_are_inside_and_none_covers_another(name: str, width_in: float):
    for picture in LAYOUT_PICTURES.values():
        figure = picture.draw(known(name), width_in)
        assert figure.get_size_inches()[0] == width_in
        assert_texts_clear(figure)


@pytest.mark.parametrize("width_in", [NARROW_IN, WIDE_IN])
def test_texts_of_a_comparison_are_inside_and_none_covers_another(width_in: float):
    for names in (list(LAYOUTS)[:6], list(LAYOUTS)[6:]):
        assert_texts_clear(comparison_picture([known(n) for n in names], width_in=width_in))


def test_more_orders_than_a_tree_holds_are_counted():
    """By hand: no two of its sixteen pistons reach TDC together, so 2^15 orders, none even."""
    layout = known("in-line sixteen")
    root, n_left_out = choices_of(layout)
    view = choices_view(layout, root, n_left_out=n_left_out)
    assert (view.n_orders, view.n_even) == (2**15, 0)
    n_drawn = sum(not leaf.is_folded for leaf in view.leaves)
    assert n_drawn + view.n_hidden == 2**15


def test_long_names_are_wrapped():
    layout = single(name="a very long name of a study without an end, " * 6 + "x" * 120)
    for picture in LAYOUT_PICTURES.values():
        assert_texts_clear(picture.draw(layout, NARROW_IN))


def test_every_cylinder_is_named_in_pictures_of_cylinders():
    layout = known("four banks of four")
    for key in ("crank", "side", "strip", "camshafts"):
        labels = {text.get_text() for text in texts_of(LAYOUT_PICTURES[key].draw(layout, WIDE_IN))}
        assert set(layout.labels) <= labels, key


@pytest.mark.parametrize("key", ["crank", "orbit"])
def test_mirrored_pictures_say_so(key: str):
    turned = written(LAYOUT_PICTURES[key].draw(known("anticlockwise three"), NARROW_IN))
    assert "mirrored" in turned.replace("\n", " ")
    assert "anticlockwise" in turned
    usual = written(LAYOUT_PICTURES[key].draw(known("in-line four"), NARROW_IN))
    assert "mirrored" not in usual


def test_axes_have_units():
    layout = known("in-line four")
    for key, units in {
        "strip": ["[deg]"],
        "choices": ["[deg]"],
        "side": ["[mm]"],
        "orders": ["[N]", "[N·m]"],
        "orbit": ["[N]"],
        "remedies": ["[N]", "[N·m]", "kg"],
    }.items():
        text = written(LAYOUT_PICTURES[key].draw(layout, WIDE_IN))
        assert all(unit in text for unit in units), key


def test_forward_and_backward_are_told_without_colour():
    figure = LAYOUT_PICTURES["orders"].draw(known("in-line four"), WIDE_IN)
    assert figure.legends
    hatches = [handle.get_hatch() for handle in figure.legends[0].legend_handles]
    filled = [handle.get_facecolor()[3] > 0 for handle in figure.legends[0].legend_handles]
    assert len(set(zip(hatches, filled, strict=True))) == 3


def test_pictures_have_a_sentence_for_those_who_cannot_see_them():
    layout = known("cross-plane V eight")
    texts = {key: picture.alt(layout) for key, picture in LAYOUT_PICTURES.items()}
    assert all(text.endswith(".") for text in texts.values())
    assert "four throws" in texts["crank"]
    assert "eight cylinders" in texts["side"]
    assert "8 firing orders" in texts["choices"]  # a cross-plane V8 on shared pins: 2^3, by hand
    assert "N·m" in texts["orbit"]
    assert texts["camshafts"].count("camshaft of bank") == 2


def test_same_picture_same_bytes(tmp_path: Path):
    layout = known("V six with splayed pins")
    for key in ("crank", "orbit", "choices"):  # the others are made of the same
        draw = LAYOUT_PICTURES[key].draw
        first, second = (save(draw(layout, NARROW_IN), tmp_path / n / key) for n in "ab")
        for one, two in zip(first, second, strict=True):
            assert one.read_bytes() == two.read_bytes(), two


def test_drawing_leaves_the_settings_of_matplotlib_alone():
    before = dict(matplotlib.rcParams)
    for picture in LAYOUT_PICTURES.values():
        picture.draw(known("single"), NARROW_IN)
    assert dict(matplotlib.rcParams) == before


# The frame.


@settings(deadline=None)
@given(st.text(st.characters(codec="ascii", exclude_categories=["C"])), st.floats(0.4, 4))
def test_wrapped_text_fits_and_loses_nothing(text: str, width_in: float):
    lines = fitted(text, width_in)
    assert all(text_in(line) <= width_in for line in lines if len(line) > 1)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_key_takes_few_rows_where_there_is_room():
    texts = ["one thing", "another thing", "a third thing"]
    assert key_shape(texts, 10.0) == (3, 1)
    assert key_shape(texts, 0.5) == (1, 3)
