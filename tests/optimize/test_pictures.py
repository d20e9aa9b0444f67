"""Pictures: their views by equality, their drawings by what a reader must be able to rely on."""

from __future__ import annotations

import colorsys
from itertools import combinations, pairwise
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from scipy.optimize import isotonic_regression

from evaluate import METRICS, Evaluation, layout_from_tables
from optimize.pictures import crank, drawing, fronts, orders, side, strips
from optimize.pictures.card import design_card
from tests.optimize.picture_checks import (
    CYLINDER,
    LAYOUTS,
    assert_all_inside,
    assert_texts_clear,
    assert_two_pictures,
    layout_of,
    texts_of,
)

FRONT_FAMILIES = [
    *((f"in-line {n}", "in-line", n, "") for n in range(2, 10)),
    *(
        (f"{word} {n} {pins}".replace("V ", "V"), arrangement, n, pins)
        for word, arrangement in (("V", "v"), ("opposed", "opposed"))
        for n in (2, 4, 6, 8)
        for pins in ("shared", "split", "own-main", "own-web")
    ),
]
OBJECTIVES = ["force_rms_N", "firing_fluctuation", "exhaust_spacing_min_deg", "parts"]


def strip_of(name: str) -> strips.StripView:
    layout = layout_of(name)
    return strips.strip_view(layout, Evaluation(layout.engine, layout.batch))


def front_of(n_families: int, n_designs: int, *, seed: int = 1) -> pd.DataFrame:
    """Return a made-up front in which many designs share a spot."""
    random = np.random.default_rng(seed)
    chosen = [FRONT_FAMILIES[i % len(FRONT_FAMILIES)] for i in range(n_families)]
    rows = []
    for number in range(n_designs):
        family, arrangement, cylinders, pins = chosen[number % n_families]
        rows.append(
            {
                "design": f"D{number + 1}",
                "family": family,
                "arrangement": arrangement,
                "cylinders": cylinders,
                "pins": pins,
                "force_rms_N": float(random.choice([0.0, random.gamma(2, 900)])),
                "firing_fluctuation": 1 / cylinders + float(random.choice([0, 0.1])),
                "exhaust_spacing_min_deg": float(random.choice([90, 180, 240])),
                "parts": float(2 * cylinders + random.integers(6)),
            }
        )
    return pd.DataFrame(rows)


def small_front() -> pd.DataFrame:
    described = [
        ("D1", "V6 split", "v", 6, "split", 0.0, 0.25, 90.0),
        ("D2", "in-line 4", "in-line", 4, "", 100.0, 0.75, 240.0),
        ("D3", "in-line 4", "in-line", 4, "", 0.0, 0.25, 90.0),
    ]
    names = ["design", "family", "arrangement", "cylinders", "pins"]
    return pd.DataFrame(
        described, columns=[*names, "force_rms_N", "firing_fluctuation", "exhaust_spacing_min_deg"]
    )


def shortlist_of(front: pd.DataFrame, n: int) -> list[tuple[str, str, str]]:
    rows = front.iloc[:: max(1, len(front) // max(1, n))].head(n)
    return [
        (design, f"{design} {family}", "least residual force among those that fire evenly")
        for design, family in zip(rows["design"], rows["family"], strict=True)
    ]


def history_of(front: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for place, family in enumerate([*front["family"].unique(), "all"]):
        for step in range(1, 6):
            share = step / (6 + place)
            rows.append((1000 * step, share, 3 + step, family))
    return pd.DataFrame(rows, columns=["evaluations", "hypervolume", "front_size", "family"])


def luminance(color: str) -> float:
    """Return the relative luminance of sRGB, by the formula of WCAG 2.2."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(color)]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


# Views of one layout: angles by hand from the conventions of the project's documentation.


def test_throws_that_share_an_angle_share_a_pin():
    view = crank.crank_view(layout_of("in-line four"))
    assert view.pins == (
        crank.PinView(throws=(1, 4), cylinders=(("1",), ("4",)), angle_deg=0, picture_deg=0),
        crank.PinView(throws=(2, 3), cylinders=(("2",), ("3",)), angle_deg=180, picture_deg=180),
    )
    cylinders = ("1", "2", "3", "4")
    assert view.banks == (
        crank.BankView(number=1, cylinders=cylinders, angle_deg=0, picture_deg=0),
    )
    assert not view.is_mirrored


def test_anticlockwise_crank_is_mirrored_and_says_so():
    view = crank.crank_view(layout_of("anticlockwise three"))
    seen = [(pin.throws, pin.angle_deg, pin.picture_deg) for pin in view.pins]
    assert seen == [((1,), 0, 0), ((2,), 240, 120), ((3,), 120, 240)]
    assert view.is_mirrored
    figure = design_card(layout_of("anticlockwise three"), title="x")
    assert any(
        "anticlockwise" in t.get_text() and "mirrored" in t.get_text() for t in texts_of(figure)
    )


def test_clockwise_crank_does_not_claim_to_be_mirrored():
    figure = design_card(layout_of("in-line four"), title="x")
    assert not any("mirrored" in text.get_text() for text in texts_of(figure))


def test_labels_of_near_throws_stand_apart():
    layout = layout_from_tables(
        {"cylinder": CYLINDER, "crank": {"throw_angles_deg": [355, 0, 5], "throw_pitch_mm": 90}}
    )
    assert_texts_clear(crank.crank_picture(layout, width_in=4.2))


def test_strip_of_an_in_line_four():
    """Pulses 180 deg apart, each open for 240: the next one opens 60 deg before one closes."""
    view = strip_of("in-line four")
    assert view.order == "1-3-4-2"
    assert [(m.angle_deg, m.text) for m in view.firings] == [
        (0, "1"),
        (180, "3"),
        (360, "4"),
        (540, "2"),
    ]
    assert [(m.angle_deg, m.text) for m in view.intervals] == [
        (90, "180"),
        (270, "180"),
        (450, "180"),
        (630, "180"),
    ]
    (collector,) = view.collectors
    assert [(o.label, o.lane, o.pieces_deg) for o in collector.openings] == [
        ("1", 0, ((0, 240),)),
        ("3", 1, ((180, 420),)),
        ("4", 0, ((360, 600),)),
        ("2", 1, ((540, 720), (0, 60))),
    ]
    assert collector.overlaps_deg == ((0, 60), (180, 240), (360, 420), (540, 600))


def test_strip_without_overlap_has_none():
    """Three pulses a bank, 240 deg apart and open for 240: they just meet."""
    view = strip_of("V six with splayed pins")
    assert [collector.overlaps_deg for collector in view.collectors] == [(), ()]
    assert [collector.n_lanes for collector in view.collectors] == [1, 1]


def test_cylinders_that_fire_together_share_a_mark():
    tables = {
        "cylinder": CYLINDER,
        "crank": {"throw_angles_deg": [0, 0], "throw_pitch_mm": 90},
        "firing": {"angles_deg": [0, 0]},
    }
    layout = layout_from_tables(tables)
    view = strips.strip_view(layout, Evaluation(layout.engine, layout.batch))
    assert view.firings == (strips.MarkView(angle_deg=0, text="1+2"),)
    assert [mark.text for mark in view.intervals] == ["720"]
    assert [mark.text for mark in view.collectors[0].spacings] == ["0", "720"]


def test_bars_of_a_single_cylinder():
    """Half of the reciprocating mass in the counterweight leaves the backward half.

    Direct and reverse cranks: T. Bevan, The Theory of Machines, ch. 14; the formula m r w^2 / 2
    from memory. The exact motion has C_1 = 1 to round-off: relative tolerance 1e-9.
    """
    tables = {
        "cylinder": CYLINDER,
        "balance": {"rotating_fraction": 1.0, "reciprocating_fraction": 0.5},
        "operation": {"speed_rpm": 3000},
        **LAYOUTS["single"],
    }
    layout = layout_from_tables(tables)
    view = orders.balance_view(layout, Evaluation(layout.engine, layout.batch))
    half_N = 0.5 * 0.45 * 0.04 * (2 * np.pi * 50) ** 2
    force, couple = view.parts
    assert force.orders[0] == 1
    assert force.backward_before[0] == pytest.approx(half_N, rel=1e-9)
    assert force.forward_before[0] == pytest.approx(half_N * (1 + 2 * 0.5 / 0.45), rel=1e-9)
    assert force.forward_left[0] == 0
    assert force.backward_left[0] == pytest.approx(half_N, rel=1e-9)
    assert couple.largest == 0
    assert view.note.startswith("counterweights: 100 % of rotating, 50 % of reciprocating mass")


def test_side_view_of_a_pair_of_opposed_cylinders():
    tables = {
        "cylinder": {**CYLINDER, "bore_mm": 80},
        "crank": {"throw_angles_deg": [0, 180], "throw_positions_mm": [0, 42]},
        "banks": {"angles_deg": [-90, 90]},
        "cylinders": {"bank": [1, 2]},
    }
    view = side.side_view(layout_from_tables(tables))
    assert view.throws_mm == ((1, -21, 40), (2, 21, -40))
    assert view.mains_mm == (-42, 42)  # 42 mm is less than 0.9 bore: a web, no bearing between
    assert [(c.label, c.position_mm, c.pin_height_mm, c.row) for c in view.cylinders] == [
        ("1", -21, 40, 1),
        ("2", 21, -40, -1),
    ]
    assert view.path_mm == (
        (-42, 0),
        (-31.5, 0),
        (-31.5, 40),
        (0, 40),
        (0, -40),
        (31.5, -40),
        (31.5, 0),
        (42, 0),
    )


def test_side_view_without_a_bore_says_so():
    cylinder = {key: value for key, value in CYLINDER.items() if key != "bore_mm"}
    layout = layout_from_tables({"cylinder": cylinder, **LAYOUTS["in-line four"]})
    view = side.side_view(layout)
    assert "bore is unknown" in view.note
    assert 0 < view.bore_mm < 95  # the pitch: neighbours do not touch


# Views of a front.


def test_matrix_view_of_a_small_front():
    view = fronts.matrix_view(small_front(), ["force_rms_N", "exhaust_spacing_min_deg"])
    assert [(axis.label, axis.better) for axis in view.axes] == [
        ("residual force [N]", "← less is better"),
        ("least exhaust spacing [deg]", "more is better →"),
    ]
    assert [(f.family, f.designs, f.values) for f in view.families] == [
        ("in-line 4", ("D2", "D3"), ((100, 240), (0, 90))),
        ("V6 split", ("D1",), ((0, 90),)),
    ]


def test_single_objective_is_shown_against_its_rank():
    view = fronts.matrix_view(small_front(), ["exhaust_spacing_min_deg"])
    ranks = {f.designs: f.values for f in view.families}
    assert ranks == {("D2", "D3"): ((240, 1), (90, 3)), ("D1",): ((90, 2),)}


def test_lower_is_better_on_every_parallel_axis():
    """Axes reach 7 % beyond the values; the second one is upside down, more being better."""
    shortlist = [("D2", "the odd one", "to see it")]
    view = fronts.parallel_view(
        small_front(), ["force_rms_N", "exhaust_spacing_min_deg"], shortlist
    )
    near, far = 0.07 / 1.14, 1.07 / 1.14
    heights = {line.design: line.heights for line in view.lines}
    assert heights["D1"] == pytest.approx((near, far), abs=1e-12)  # round-off of one division
    assert heights["D2"] == pytest.approx((far, near), abs=1e-12)
    assert [line.name for line in view.lines] == ["", "", "the odd one"]
    assert view.reasons == ("the odd one (D2): to see it",)


def test_families_on_one_spot_stand_side_by_side():
    view = fronts.plane_view(
        small_front(), [("D1", "D1 V6", "why")], x="force_rms_N", y="firing_fluctuation"
    )
    spots = [(s.family, s.x, s.y, s.designs) for s in view.spots]
    assert spots == [
        ("in-line 4", 100, 0.75, ("D2",)),
        ("in-line 4", 0, 0.25, ("D3",)),
        ("V6 split", 0, 0.25, ("D1",)),
    ]
    assert view.spots[0].aside_pt == (0, 0)
    assert view.spots[1].aside_pt != view.spots[2].aside_pt
    assert view.names == ((2, "D1 V6"),)
    assert view.family_names == ((0, "in-line 4"),)  # the other one is named already
    assert view.reasons == ("D1 V6: why",)


def test_side_by_side_never_on_each_other():
    for n in range(2, 41):
        places = np.array(fronts._side_by_side(n))
        apart = min(np.hypot(*(a - b)) for a, b in combinations(places, 2))
        assert apart > 11, n  # a small mark is 5.5 pt wide


def test_history_view_names_the_best_of_several_seeds():
    history = pd.DataFrame(
        [
            ("in-line 4", 0, 200, 0.5, 4),
            ("in-line 4", 0, 100, 0.2, 3),
            ("in-line 4", 1, 100, 0.6, 5),
            ("all", -1, 300, 0.7, 6),
        ],
        columns=["family", "seed", "evaluations", "hypervolume", "front_size"],
    )
    tracks = fronts.history_view(history)
    assert [(t.name, t.evaluations, t.hypervolume, t.front_size, t.is_merged) for t in tracks] == [
        ("in-line 4", (100,), (0.6,), (5,), False),
        ("", (100, 200), (0.2, 0.5), (3, 4), False),
        ("all families", (300,), (0.7,), (6,), True),
    ]
    assert tracks[0].style == fronts.family_style("in-line", 4, "")


def test_shortlisted_design_must_be_in_the_front():
    with pytest.raises(ValueError, match="'D9'"):
        fronts.parallel_view(small_front(), ["force_rms_N"], [("D9", "nobody", "")])


def test_no_plane_without_its_columns():
    front = small_front().drop(columns="firing_fluctuation")
    assert fronts.force_evenness(front, [], title="x") is None


def test_constant_objective_has_an_axis_with_one_tick():
    axis = fronts.axis_view("force_rms_N", np.zeros(3))
    assert axis.ticks == (0.0,)
    assert axis.low < 0 < axis.high


def test_axis_of_values_that_cannot_be_known():
    axis = fronts.axis_view("box_litres", np.full(2, np.nan))
    assert axis.ticks == ()
    assert axis.low < axis.high


# The scheme of colours and marks.


@pytest.mark.parametrize("arrangement", ["in-line", "v", "opposed"])
def test_more_cylinders_are_darker(arrangement: str):
    shades = [luminance(fronts.family_style(arrangement, n, "").color) for n in range(1, 17)]
    assert all(dark < light for light, dark in pairwise(shades))


def test_arrangement_is_told_by_hue_and_without_colour():
    """Okabe and Ito's blue, vermilion and bluish green (hues from memory): 202, 27, 164 deg."""
    styles = [
        fronts.family_style(arrangement, 6, "") for arrangement in ("in-line", "v", "opposed")
    ]
    hues_deg = [360 * colorsys.rgb_to_hsv(*to_rgb(style.color))[0] for style in styles]
    np.testing.assert_allclose(hues_deg, [202, 27, 164], atol=15)  # "like", not the same
    assert len({(style.is_hollow, style.line) for style in styles}) == 3


def test_pins_are_told_by_marker():
    markers = {
        fronts.family_style("v", 6, p).marker for p in ("shared", "split", "own-main", "own-web")
    }
    assert len(markers) == 4


# Placing.


@given(st.lists(st.floats(0, 10), min_size=1, max_size=12), st.floats(0.01, 0.5))
def test_spread_is_the_least_squares_answer(positions: list[float], least: float):
    """Against SciPy's isotonic regression; far bounds, so that only the distance matters."""
    placed = drawing.spread(positions, least, -100, 100)
    order = np.argsort(positions, kind="stable")
    ranks = least * np.arange(len(positions))
    expected = isotonic_regression(np.array(positions)[order] - ranks).x + ranks
    np.testing.assert_allclose(np.array(placed)[order], expected, atol=1e-9)  # round-off


@given(st.lists(st.floats(0, 1), min_size=2, max_size=30), st.floats(0.01, 0.5))
def test_spread_stays_within_its_bounds(positions: list[float], least: float):
    placed = np.sort(drawing.spread(positions, least, 0, 1))
    assert placed[0] >= -1e-9
    assert placed[-1] <= 1 + 1e-9
    assert np.diff(placed).min() >= min(least, 1 / (len(positions) - 1)) - 1e-9


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 12))
def test_labels_do_not_cover_each_other(seed: int, n: int):
    random = np.random.default_rng(seed)
    bounds = np.array([0.0, 0.0, 900.0, 600.0])
    anchors = random.uniform(0, 1, (n, 2)) ** 3 * [900, 600]  # crowded in one corner
    sizes = np.column_stack([random.uniform(60, 220, n), np.full(n, 18.0)])
    marks = np.column_stack([anchors, np.full(n, 8.0)])
    middles = drawing.place_labels(anchors, sizes, marks, bounds)
    low, high = middles - sizes / 2, middles + sizes / 2
    assert low.min() >= -1e-9
    assert np.all(high <= bounds[2:] + 1e-9)
    for i, j in combinations(range(n), 2):
        assert not np.all((low[i] < high[j]) & (low[j] < high[i])), (i, j)


# Drawings.


@pytest.mark.parametrize("name", LAYOUTS)
def test_card_keeps_within_its_sheet(name: str):
    figure = design_card(layout_of(name), title=f"{name}, 100 $ and 100 %", subtitle="why")
    assert_all_inside(figure)
    labels = {text.get_text() for text in texts_of(figure)}
    assert drawing.FOOTER in labels
    assert set(layout_of(name).labels) <= labels


def test_card_is_written_as_two_pictures(tmp_path: Path):
    figure = design_card(layout_of("opposed four"), title="x")
    assert_two_pictures(figure, tmp_path)


def test_long_words_keep_within_the_sheet():
    long = "a reason that goes on about quiet running and short cranks; " * 12
    figure = design_card(layout_of("in-line four"), title=long, subtitle=long)
    assert_all_inside(figure)


@pytest.mark.parametrize(
    ("n_families", "n_designs", "n_named"),
    [
        pytest.param(1, 1, 1, id="one design"),
        pytest.param(2, 4, 0, id="no shortlist"),
        pytest.param(4, 12, 4, id="a few"),
        pytest.param(40, 500, 10, id="very many"),
    ],
)
def test_pictures_of_a_front_keep_within_their_sheets(
    n_families: int, n_designs: int, n_named: int, tmp_path: Path
):
    front = front_of(n_families, n_designs)
    named = shortlist_of(front, n_named)
    figures = [
        fronts.scatter_matrix(front, OBJECTIVES, title="pairs"),
        fronts.parallel_coordinates(front, OBJECTIVES, named, title="all at once"),
        fronts.force_evenness(front, named, title="plane"),
        fronts.hypervolume_history(history_of(front), title="growth"),
    ]
    for number, figure in enumerate(figures):
        assert figure is not None
        assert_all_inside(figure)
        if n_designs < 100:  # writing takes its time and does not depend on their number
            assert_two_pictures(figure, tmp_path / str(number))


@pytest.mark.parametrize("n_objectives", [1, 2, 8])
def test_any_number_of_objectives(n_objectives: int):
    front = front_of(5, 20)
    for key in METRICS:
        if key not in front:
            front[key] = 1.0  # constant
    objectives = list(METRICS)[:n_objectives]
    assert_all_inside(fronts.scatter_matrix(front, objectives, title="pairs"))
    assert_all_inside(fronts.parallel_coordinates(front, objectives, [], title="all at once"))


def test_names_on_the_plane_do_not_cover_each_other():
    front = front_of(12, 200)
    named = shortlist_of(front, 10)
    figure = fronts.force_evenness(front, named, title="plane")
    assert figure is not None
    names = {name for _, name, _ in named}
    renderer = FigureCanvasAgg(figure).get_renderer()
    boxes = [t.get_window_extent(renderer) for t in texts_of(figure) if t.get_text() in names]
    assert len(boxes) == len(names)
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))


def test_axes_say_which_direction_is_better():
    figure = fronts.scatter_matrix(front_of(3, 9), OBJECTIVES, title="pairs")
    for axes in figure.axes:
        for label in (axes.get_xlabel(), axes.get_ylabel()):
            if "exhaust" in label:
                assert "more is better →" in label
            elif label:
                assert "← less is better" in label


def test_same_picture_same_bytes(tmp_path: Path):
    written = []
    for name in ("one", "two"):
        front = front_of(6, 30)
        figure = fronts.force_evenness(front, shortlist_of(front, 3), title="plane")
        assert figure is not None
        written.append(drawing.save(figure, tmp_path / name))
        written.append(
            drawing.save(design_card(layout_of("V twelve"), title="x"), tmp_path / f"card-{name}")
        )
    (png_1, svg_1), (card_png_1, card_svg_1), (png_2, svg_2), (card_png_2, card_svg_2) = written
    for first, second in (
        (svg_1, svg_2),
        (png_1, png_2),
        (card_svg_1, card_svg_2),
        (card_png_1, card_png_2),
    ):
        assert first.read_bytes() == second.read_bytes(), second
    assert b"<dc:date>" not in svg_1.read_bytes()


def test_drawing_leaves_the_settings_of_matplotlib_alone(tmp_path: Path):
    before = dict(matplotlib.rcParams)
    drawing.save(design_card(layout_of("single"), title="x"), tmp_path / "x")
    assert dict(matplotlib.rcParams) == before
