"""Camshafts: the sense a drive gives them, half speed, and where lobes stand.

Independent of the package are a camshaft that is turned here in small steps past its followers, a
train of gears that is turned tooth by tooth, and the mirror image that one sees from the other end.
Facts of the trade: common practice, no source. Angles are compared with a tolerance of 1e-9
degrees, of round-off only, where nothing else is said.
"""

from __future__ import annotations

import itertools
import random
import re
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evaluate import InputError, layout_from_tables
from evaluate.camshafts import (
    UNKNOWN_DRIVE,
    Shaft,
    camshafts,
    clockwise_sign,
    firing_from_lobes_deg,
    gear_train,
    lobe_angles_deg,
    speed_ratio,
)
from tests.evaluate.layouts import classic, tables

few = settings(max_examples=80, deadline=None)
ENDS = ("free end", "driving end")
SENSES = ("clockwise", "anticlockwise")


def with_drive(drive: Any, *, strokes: int = 4, **more: Any) -> Any:
    """Return the drive of the only camshaft of an in-line twin."""
    layout = layout_from_tables(tables([0, 0], strokes=strokes, camshafts={"drive": drive, **more}))
    return layout.camshafts[0].drive


# --- Sense of rotation ---------------------------------------------------------------------------


@pytest.mark.parametrize("n", range(2, 13))
def test_an_odd_number_of_gears_turns_the_camshaft_as_the_crank(n: int) -> None:
    # Common practice, no source: with an odd number of gears in the train the camshaft turns as
    # the crank does, with an even number against it.
    sense = 1
    for _ in range(n - 1):  # two gears in mesh turn against each other
        sense = -sense
    assert gear_train(n).with_crank == (sense == 1) == (n % 2 == 1)
    drive = with_drive({"gears": n})
    assert drive.with_crank == (sense == 1)
    assert str(n) in drive.words
    assert ("against" in drive.words) == (sense == -1)


@pytest.mark.parametrize("by", ["chain", "belt"])
def test_a_chain_or_belt_keeps_the_sense(by: str) -> None:
    # Common practice, no source: both sprockets are on the same side of the chain.
    assert with_drive({"by": by}).with_crank is True
    assert with_drive({"by": by, "teeth": [20, 40]}).with_crank is True


def test_without_a_drive_the_sense_is_not_known_and_a_picture_says_so() -> None:
    layout = classic("four flat")
    assert layout.camshafts[0].drive.with_crank is None
    drawn = camshafts(layout)[0]
    assert drawn.is_assumed
    assert "no drive" in drawn.drive


# --- Exactly one half ----------------------------------------------------------------------------


def turned_tooth_by_tooth(teeth: list[int | list[int]], n_passed: int) -> Fraction:
    """Return the turns of the last gear when so many teeth of the first have passed its mesh."""
    passed = Fraction(n_passed)
    for index, gear in enumerate(teeth[1:], 1):
        if isinstance(gear, int):
            turns = passed / gear  # as many teeth pass on both sides of a mesh
        else:
            turns = passed / gear[0]
            passed = turns * gear[1]  # the second gear on the same idler
        if index == len(teeth) - 1:
            return turns
    raise AssertionError(teeth)


@few
@given(
    st.integers(8, 60),
    st.lists(
        st.one_of(st.integers(8, 90), st.tuples(st.integers(8, 90), st.integers(8, 90)).map(list)),
        max_size=4,
    ),
    st.integers(8, 120),
)
def test_speed_ratio_is_that_of_teeth_passing_each_mesh(
    first: int, idlers: list[int | list[int]], last: int
) -> None:
    train = [first, *idlers, last]
    one_turn = turned_tooth_by_tooth(train, first)
    assert speed_ratio(train) == one_turn
    plain = all(isinstance(gear, int) for gear in idlers)
    if plain:  # idlers that are one gear cancel
        assert speed_ratio(train) == Fraction(first, last)


@pytest.mark.parametrize(
    "teeth",
    [
        [24, 48],
        [19, 38],
        [24, 31, 48],
        [24, 17, 53, 48],
        [24, [36, 24], 32],
        [30, [40, 20], 17, 30],
    ],
)
def test_trains_of_exactly_one_half(teeth: list[int | list[int]]) -> None:
    # 24/36 x 24/32 = 1/2; 30/40 x 20/30 = 1/2, the idler of 17 cancels.
    assert turned_tooth_by_tooth(teeth, teeth[0]) == Fraction(1, 2)  # type: ignore[arg-type]
    drive = with_drive({"teeth": teeth})
    assert drive.with_crank == (len(teeth) % 2 == 1)  # gears on one idler count once
    assert with_drive({"teeth": teeth, "gears": len(teeth)}) == drive


@few
@given(st.integers(8, 60), st.lists(st.integers(8, 90), max_size=3), st.integers(8, 120))
def test_wrong_teeth_are_refused_with_a_count_that_fits(
    first: int, idlers: list[int], last: int
) -> None:
    teeth = [first, *idlers, last]
    if last == 2 * first:
        assert with_drive({"teeth": teeth}).with_crank == (len(teeth) % 2 == 1)
        return
    with pytest.raises(InputError) as refusal:
        with_drive({"teeth": teeth})
    message = str(refusal.value)
    assert "camshafts.drive.teeth" in message
    offered = re.search(r"as with (\d+) teeth on the camshaft", message)
    assert offered, message
    assert Fraction(first, int(offered[1])) == Fraction(1, 2)
    on_crank = re.search(r"(\d+) on the crank", message)
    assert (on_crank is not None) == (last % 2 == 0)
    if on_crank:
        assert Fraction(int(on_crank[1]), last) == Fraction(1, 2)


def test_wrong_teeth_of_a_compound_idler_offer_a_count_that_fits() -> None:
    # 24/36 x 24/30 = 8/15; with 32 on the camshaft it is 1/2; on the crank 22.5 would be needed.
    with pytest.raises(InputError, match="as with 32 teeth on the camshaft") as refusal:
        with_drive({"teeth": [24, [36, 24], 30]})
    assert "8/15" in str(refusal.value)
    assert "on the crank" not in str(refusal.value)
    assert speed_ratio([24, [36, 24], 32]) == Fraction(1, 2)


def test_a_two_stroke_camshaft_turns_once_a_turn() -> None:
    assert with_drive({"teeth": [24, 31, 24]}, strokes=2).with_crank is True
    with pytest.raises(InputError, match="24 teeth on the camshaft"):
        with_drive({"teeth": [24, 48]}, strokes=2)


@pytest.mark.parametrize(
    ("drive", "piece"),
    [
        ({"gears": 3, "teeth": [24, 48]}, "camshafts.drive.gears"),
        ({"by": "chain", "gears": 3}, "camshafts.drive.gears"),
        ({}, "camshafts.drive"),
        ({"gears": 1}, "camshafts.drive.gears"),
        ({"teeth": [[12, 24], 48]}, "camshafts.drive.teeth[0]"),
        ({"teeth": [24, [30, 30, 30], 48]}, "camshafts.drive.teeth[1]"),
        ({"teeth": [24, 0, 48]}, "camshafts.drive.teeth"),
        ([{"gears": 2}, {"gears": 3}], "camshafts.drive"),
        ({"by": "gear", "gears": 3}, "camshafts.drive.by"),
    ],
)
def test_drives_that_do_not_fit_are_refused(drive: Any, piece: str) -> None:
    with pytest.raises(InputError) as refusal:
        with_drive(drive)
    assert piece in str(refusal.value)


@pytest.mark.parametrize(
    "given_angles",
    [{"follower_angles_deg": [0.0]}, {"placed": "one", "follower_angles_deg": [0, 9]}],
)
def test_follower_angles_belong_to_one_camshaft_for_all_banks(given_angles: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=r"camshafts\.follower_angles_deg"):
        with_drive({"gears": 2}, **given_angles)


# --- A camshaft turned in small steps ------------------------------------------------------------


def firings_watched(
    lobes_deg: list[float],
    followers_deg: list[float],
    *,
    turns_clockwise: bool,
    cycle: int,
    step_deg: float = 0.5,
) -> list[float]:
    """Return the crank angles at which lobes pass their followers, from the first one's on.

    All angles are clockwise as seen, in a plane that stands still; the camshaft starts where the
    first lobe lies under its follower.
    """
    direction = 1 if turns_clockwise else -1
    start = followers_deg[0] - lobes_deg[0]
    times: list[float | None] = [None] * len(lobes_deg)
    for k in range(round(360 / step_deg)):
        for i, (lobe, follower) in enumerate(zip(lobes_deg, followers_deg, strict=True)):
            off = (start + lobe + direction * k * step_deg - follower) % 360
            if min(off, 360 - off) < 0.25 * step_deg:
                assert times[i] is None  # passes once a turn of the camshaft
                times[i] = k * step_deg * cycle / 360
    assert None not in times
    return [float(time) for time in times if time is not None]


COMBINATIONS = list(
    itertools.product(SENSES, (True, False), ENDS, (360, 720))
)  # rotation, as the crank, seen from, cycle


@pytest.mark.parametrize(("rotation", "with_crank", "seen_from", "cycle"), COMBINATIONS)
@pytest.mark.parametrize("is_v", [False, True])
def test_lobes_pass_their_followers_when_their_cylinders_fire(
    rotation: str, with_crank: bool, seen_from: str, cycle: int, is_v: bool
) -> None:
    dice = random.Random(f"{rotation} {with_crank} {seen_from} {cycle} {is_v}")
    # As seen, the crank turns clockwise if it does so from the free end and one looks from there,
    # or if neither.
    crank_clockwise = (rotation == "clockwise") == (seen_from == "free end")
    for _ in range(5):
        n = dice.randint(2, 6)
        firing = [0, *(5 * dice.randrange(cycle // 5) for _ in range(n - 1))]
        # Followers are stated in the direction of crank rotation.
        along_rotation = [dice.choice([-30, 30]) if is_v else 0 for _ in range(n)]
        seen_clockwise = [a if crank_clockwise else -a for a in along_rotation]
        shaft = Shaft(
            name="camshaft",
            cylinders=np.arange(n),
            followers_deg=np.array(along_rotation, float),
            drive=UNKNOWN_DRIVE,
        )
        sign = clockwise_sign(is_clockwise=rotation == "clockwise", seen_from=seen_from)
        lobes = lobe_angles_deg(
            np.array([firing], float), shaft, with_crank=with_crank, cycle_deg=cycle, sign=sign
        )[0].tolist()
        watched = firings_watched(
            lobes,
            seen_clockwise,
            turns_clockwise=crank_clockwise == with_crank,
            cycle=cycle,
        )
        assert watched == pytest.approx(firing, abs=1e-9)


@pytest.mark.parametrize(("rotation", "with_crank", "seen_from", "cycle"), COMBINATIONS)
def test_lobes_of_a_layout_file_pass_their_followers_in_the_firing_order(
    rotation: str, with_crank: bool, seen_from: str, cycle: int
) -> None:
    # The whole way from a file: in-line five 1-2-4-5-3 (kfz-tech.de, read), as a two-stroke in the
    # order in which its pistons come up, theta = -alpha: 0, 72, 144, 216, 288 for 1, 5, 2, 3, 4.
    layout = classic(
        "five",
        strokes=cycle // 180,
        rotation=rotation,
        camshafts={"drive": {"gears": 3 if with_crank else 2}},
    )
    camshaft = camshafts(layout, seen_from=seen_from)[0]
    crank_clockwise = (rotation == "clockwise") == (seen_from == "free end")
    assert camshaft.with_crank == with_crank
    assert camshaft.turns == SENSES[0 if crank_clockwise == with_crank else 1]
    assert camshaft.seen_from == seen_from
    angles = [lobe.angle_deg for lobe in camshaft.lobes]
    assert angles == sorted(angles)
    by_cylinder = sorted(camshaft.lobes, key=lambda lobe: lobe.cylinder)
    times = firings_watched(
        [lobe.angle_deg for lobe in by_cylinder],
        [0.0] * 5,
        turns_clockwise=camshaft.turns == "clockwise",
        cycle=cycle,
    )
    order = [str(i + 1) for i in np.argsort(times)]
    assert order == (["1", "2", "4", "5", "3"] if cycle == 720 else ["1", "5", "2", "3", "4"])
    # 180 degrees of crank are 90 of cam (common practice, no source): 144 are 72.
    gaps = np.diff([*angles, 360.0])
    np.testing.assert_allclose(gaps, 72.0, atol=1e-9)


def test_180_degrees_of_crank_are_90_of_cam() -> None:
    # Common practice, no source. In-line four 1-3-4-2: firings 180 apart.
    layout = classic("four flat", order=["1", "3", "4", "2"], camshafts={"drive": {"gears": 2}})
    lobes = {lobe.label: lobe.angle_deg for lobe in camshafts(layout)[0].lobes}
    # Against a crank that turns clockwise, so anticlockwise: the next lobe stands clockwise of it.
    assert lobes == pytest.approx({"1": 0, "3": 90, "4": 180, "2": 270}, abs=1e-9)
    layout = classic("four flat", order=["1", "3", "4", "2"], camshafts={"drive": {"gears": 3}})
    lobes = {lobe.label: lobe.angle_deg for lobe in camshafts(layout)[0].lobes}
    assert lobes == pytest.approx({"1": 0, "3": 270, "4": 180, "2": 90}, abs=1e-9)


@pytest.mark.parametrize("name", ["five", "V8 cross", "V12", "opposed 6"])
@pytest.mark.parametrize("placed", ["per bank", "one"])
@pytest.mark.parametrize("rotation", SENSES)
def test_lobes_seen_from_the_driving_end_are_mirrored(
    name: str, placed: str, rotation: str
) -> None:
    layout = classic(name, rotation=rotation, camshafts={"placed": placed, "drive": {"gears": 4}})
    front, back = (camshafts(layout, seen_from=end) for end in ENDS)
    assert len(front) == len(back) == (1 if placed == "one" or name == "five" else 2)
    for a, b in zip(front, back, strict=True):
        assert {a.turns, b.turns} == set(SENSES)
        assert a.with_crank == b.with_crank
        mirrored = {lobe.label: -lobe.angle_deg % 360 for lobe in a.lobes}
        assert {lobe.label: lobe.angle_deg % 360 for lobe in b.lobes} == pytest.approx(
            mirrored, abs=1e-9
        )


def test_an_anticlockwise_engine_is_the_mirror_image_of_a_clockwise_one() -> None:
    left, right = (
        camshafts(classic("V8 cross", rotation=rotation, camshafts={"drive": {"gears": 3}}))
        for rotation in SENSES
    )
    for a, b in zip(left, right, strict=True):
        mirrored = {lobe.label: -lobe.angle_deg % 360 for lobe in a.lobes}
        assert {lobe.label: lobe.angle_deg for lobe in b.lobes} == pytest.approx(mirrored, abs=1e-9)


def test_one_camshaft_in_a_v_places_lobes_by_the_followers() -> None:
    # By hand: V twin at 90 on one pin, banks -45 and +45, the second fires phi = 90 or 450 later. A
    # central camshaft that turns clockwise as the crank has lobe 1 at -45 at the start, and brings
    # lobe 2 to +45 when it has turned by phi / 2: it starts at 45 - phi / 2, from lobe 1 90 more.
    one = {"placed": "one", "drive": {"gears": 3}}
    layout = classic("V2 90", order=["1", "2"], camshafts=one)
    phi = layout.firing_angles_deg[1]
    assert phi in (90.0, 450.0)
    lobes = {lobe.label: lobe.angle_deg for lobe in camshafts(layout)[0].lobes}
    assert lobes["2"] == pytest.approx((45 - phi / 2 + 45) % 360, abs=1e-9)
    # Followers side by side for both banks: the bank angle no longer matters.
    layout = classic("V2 90", order=["1", "2"], camshafts=one | {"follower_angles_deg": [0, 0]})
    lobes = {lobe.label: lobe.angle_deg for lobe in camshafts(layout)[0].lobes}
    assert lobes["2"] == pytest.approx(-phi / 2 % 360, abs=1e-9)


def test_a_camshaft_of_each_bank_holds_that_bank() -> None:
    layout = classic("V8 cross", camshafts={"drive": [{"gears": 2}, {"gears": 3}]})
    first, second = camshafts(layout)
    assert (first.banks, second.banks) == ((1,), (2,))
    assert {lobe.label for lobe in first.lobes} == {"1", "3", "5", "7"}
    assert {lobe.label for lobe in second.lobes} == {"2", "4", "6", "8"}
    assert (first.with_crank, second.with_crank) == (False, True)
    assert (first.turns, second.turns) == ("anticlockwise", "clockwise")
    for camshaft in (first, second):  # from the camshaft's own first lobe
        assert min(lobe.angle_deg for lobe in camshaft.lobes) == 0.0


# --- There and back ------------------------------------------------------------------------------


@few
@given(
    st.sampled_from([360.0, 720.0]),
    st.booleans(),
    st.booleans(),
    st.sampled_from(ENDS),
    st.lists(
        st.tuples(st.integers(0, 719), st.sampled_from([-45.0, 0.0, 30.0, 100.0])), min_size=1
    ),
    st.randoms(use_true_random=False),
)
def test_firing_angles_come_back_from_lobes(
    cycle: float,
    with_crank: bool,
    is_clockwise: bool,
    seen_from: str,
    drawn: list[tuple[int, float]],
    dice: Any,
) -> None:
    firing = np.array([[angle % cycle for angle, _ in drawn]])
    members = list(range(len(drawn)))
    dice.shuffle(members)
    shaft = Shaft(
        name="camshaft",
        cylinders=np.array(members),
        followers_deg=np.array([follower for _, follower in drawn]),
        drive=UNKNOWN_DRIVE,
    )
    how: dict[str, Any] = {
        "with_crank": with_crank,
        "cycle_deg": cycle,
        "sign": clockwise_sign(is_clockwise=is_clockwise, seen_from=seen_from),
    }
    lobes = lobe_angles_deg(firing, shaft, **how)
    assert np.all((lobes >= 0) & (lobes < 360))
    assert lobes[0, 0] == 0.0
    back = firing_from_lobes_deg(lobes, shaft, **how)[0]
    wanted = (firing[0, members] - firing[0, members[0]]) % cycle
    np.testing.assert_allclose(back, wanted, atol=1e-6)  # what is taken to be equal
    again = lobe_angles_deg(
        np.array([[back[members.index(i)] for i in range(len(members))]]), shaft, **how
    )
    np.testing.assert_allclose(again, lobes, atol=1e-6)
