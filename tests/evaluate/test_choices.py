"""The tree of choices against the allowed orders, which `tests.firing_by_hand` counts by bit sets.

A path through the tree is an order; what waits and what is done follow from the definition: a
cylinder at top dead centre that does not fire now fired 360 degrees before or will 360 later.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evaluate.choices import Choice, choice_lines, tree_of_choices
from evaluate.firing import allowed_firing_angles_deg, firing_sequence
from tests import firing_by_hand as by_hand
from tests.firing_by_hand import Vector

few = settings(max_examples=60, deadline=None)

#: TDC phases of cranks, from throws and banks: common practice, no source.
PHASES = {
    "single": [0],
    "twin, 360 crank": [0, 0],
    "twin, 180 crank": [0, 180],
    "three": [0, 120, 240],
    "four, flat": [0, 180, 180, 0],
    "four, all together": [0, 0, 0, 0],
    "five": [0, 144, 216, 288, 72],
    "six": [0, 120, 240, 240, 120, 0],
    "V6, 90 and 150": [0, 270, 120, 30, 240, 150],
    "V8 cross-plane": [0, 270, 270, 180, 90, 0, 180, 90],
}


def tree_and_orders(
    phases: Sequence[int], *, cycle: int = 720, even_only: bool
) -> tuple[Choice | None, list[Vector]]:
    """Return the tree of the package (None without an order) and the orders by hand."""
    pins = [-phase % 360 for phase in phases]
    axes = [0] * len(phases)
    if even_only:
        wanted = by_hand.even_vectors(pins, axes, cycle)
    else:
        wanted = list(by_hand.vectors(pins, axes, cycle))
    angles_deg = allowed_firing_angles_deg(
        np.array(phases, float), float(cycle), even_only=even_only
    )
    return tree_of_choices(angles_deg, float(cycle)) if wanted else None, wanted


def choices_of(choice: Choice) -> Iterator[Choice]:
    """Yield every choice of a tree."""
    yield choice
    for follower in choice.following:
        yield from choices_of(follower)


def angles_along(path: Sequence[Choice], n: int) -> Vector:
    """Return the firing angles that a path gives, and check that each cylinder fires once."""
    times: dict[int, int] = {}
    for choice in path:
        for i in choice.cylinders:
            assert i not in times
            times[i] = round(choice.angle_deg)
            assert choice.angle_deg == pytest.approx(times[i], abs=1e-6)
    return tuple(times[i] for i in range(n))


def check_tree(root: Choice, wanted: Sequence[Vector], phases: Sequence[int], cycle: int) -> None:
    """Check paths, counts, and what waits and what is done at every choice."""
    n = len(phases)
    paths = list(root.leaves())
    found = [angles_along(path, n) for path in paths]
    assert len(found) == len(set(found)) == len(wanted)
    assert set(found) == {tuple(map(int, angles)) for angles in wanted}
    assert root.n_orders == len(wanted)
    for choice in choices_of(root):
        if choice.following:
            assert choice.n_orders == sum(follower.n_orders for follower in choice.following)
            if choice.cylinders:
                assert all(after.angle_deg > choice.angle_deg for after in choice.following)
            kinds = [(after.angle_deg, after.cylinders) for after in choice.following]
            assert len(kinds) == len(set(kinds))
        else:
            assert choice.n_orders == 1
    for path, angles in zip(paths, found, strict=True):
        for choice in path:
            now = round(choice.angle_deg)
            firing = {i for i in range(n) if angles[i] == now} if choice.cylinders else set()
            assert set(choice.cylinders) == firing
            if not choice.cylinders:
                assert choice is root
                continue
            at_centre = {i for i in range(n) if phases[i] == now % 360} - firing
            assert set(choice.waiting) == {i for i in at_centre if angles[i] == now + 360}
            assert set(choice.done) == {i for i in at_centre if angles[i] == now - 360}
            assert at_centre == {*choice.waiting, *choice.done}


@pytest.mark.parametrize("even_only", [True, False])
@pytest.mark.parametrize("name", PHASES)
def test_paths_are_the_allowed_orders(name: str, even_only: bool) -> None:
    root, wanted = tree_and_orders(PHASES[name], even_only=even_only)
    if root is not None:
        check_tree(root, wanted, PHASES[name], 720)


@few
@given(st.lists(st.integers(0, 11), min_size=0, max_size=6), st.booleans())
def test_paths_are_the_allowed_orders_of_any_crank(rest: list[int], even_only: bool) -> None:
    phases = [0, *(30 * place for place in rest)]
    root, wanted = tree_and_orders(phases, even_only=even_only)
    if root is not None:
        check_tree(root, wanted, phases, 720)


@pytest.mark.parametrize("phases", [[0, 120, 240], [0, 0], [0, 90, 90, 180]])
def test_in_a_two_stroke_nothing_waits(phases: list[int]) -> None:
    root, wanted = tree_and_orders(phases, cycle=360, even_only=False)
    assert root is not None
    assert len(list(root.leaves())) == len(wanted) == 1
    assert not any(choice.waiting or choice.done for choice in choices_of(root))


def test_without_an_order_there_is_no_tree() -> None:
    with pytest.raises(ValueError, match="no firing order"):
        tree_of_choices(np.empty((0, 4)), 720.0)


# --- As text -------------------------------------------------------------------------------------

STEP = re.compile(r"([\d.]+): ([\d+]+)(?: \(([^)]*)\))?$")


def orders_in_text(lines: Sequence[str]) -> list[dict[int, tuple[int, ...]]]:
    """Read lines of text back: crank angle to cylinders of each order that is written out."""
    found: list[dict[int, tuple[int, ...]]] = []
    stem: list[tuple[int, dict[int, tuple[int, ...]]]] = []  # indent, what fired so far
    for number, line in enumerate(lines):
        indent = len(line) - len(line.lstrip())
        if line.lstrip().startswith(("then ", "...")):
            continue
        while stem and stem[-1][0] >= indent:
            stem.pop()
        so_far = dict(stem[-1][1]) if stem else {}
        for step in line.strip().split("; "):
            match = STEP.match(step)
            if match is None:  # words for a root without a firing
                continue
            cylinders = tuple(int(label) for label in match[2].split("+"))
            so_far[round(float(match[1]))] = cylinders
        stem.append((indent, so_far))
        after = lines[number + 1] if number + 1 < len(lines) else ""
        if not after.lstrip().startswith("then "):
            found.append(so_far)
    return found


@pytest.mark.parametrize("even_only", [True, False])
@pytest.mark.parametrize("name", [name for name in PHASES if name != "V8 cross-plane"])
def test_lines_mention_each_order_once(name: str, even_only: bool) -> None:
    phases = PHASES[name]
    root, wanted = tree_and_orders(phases, even_only=even_only)
    if root is None:
        return
    labels = tuple(str(i + 1) for i in range(len(phases)))
    lines = choice_lines(root, labels, at_most=10_000)
    assert not any("more" in line for line in lines)
    got = [
        tuple(next(time for time, who in read.items() if i + 1 in who) for i in range(len(phases)))
        for read in orders_in_text(lines)
    ]
    assert len(got) == len(wanted)
    assert set(got) == {tuple(map(int, angles)) for angles in wanted}


@pytest.mark.parametrize("at_most", [1, 3, 7, 8, 9])
def test_lines_that_are_left_out_are_counted(at_most: int) -> None:
    root, wanted = tree_and_orders(PHASES["V8 cross-plane"], even_only=True)
    assert root is not None
    assert len(wanted) == 8
    lines = choice_lines(root, tuple("12345678"), at_most=at_most)
    written = orders_in_text(lines)
    complete = [read for read in written if sum(map(len, read.values())) == 8]
    assert len(complete) == min(at_most, 8)
    left_out = 8 - len(complete)
    assert (f"{left_out} more" in lines[-1]) == (left_out > 0)


def test_the_familiar_reading_of_an_in_line_four() -> None:
    # Common practice, no source: at 0 cylinder 1 fires while 4, at its top dead centre too, waits
    # a turn; at 180 2 or 3; at 360 only 4, for 1 fired 360 before.
    root, _ = tree_and_orders(PHASES["four, flat"], even_only=True)
    assert root is not None
    assert (root.angle_deg, root.cylinders, root.waiting, root.done) == (0.0, (0,), (3,), ())
    assert {choice.cylinders for choice in root.following} == {(1,), (2,)}
    for choice in root.following:
        (only,) = choice.following
        assert (only.angle_deg, only.cylinders, only.done) == (360.0, (3,), (0,))
    text = "\n".join(choice_lines(root, ("1", "2", "3", "4"), at_most=12))
    for piece in ("0: 1 (4 waits a turn)", "at 180: 2 or 3", "360: 4 (1 fired 360 before)"):
        assert piece in text


def test_firings_that_differ_in_the_last_digit_are_one_event() -> None:
    # Design, section 3: differences within 1e-6 degrees are none. 2 and 3 reach top dead centre at
    # 71.7126365 by way of different sums, which floating point ends in different last digits.
    angles_deg = np.array(
        [[0.0, -30.0 - 228.2873635 - 30.0 + 360, 30.0 - 288.2873635 - 30.0 + 360]]
    )
    assert angles_deg[0, 1] != angles_deg[0, 2]
    assert abs(angles_deg[0, 1] - angles_deg[0, 2]) < 1e-9
    (path,) = tree_of_choices(angles_deg, 720.0).leaves()
    assert [choice.cylinders for choice in path] == [(0,), (1, 2)]
    swapped = angles_deg[:, [0, 2, 1]]
    for row in (angles_deg, swapped):
        assert firing_sequence(row).tolist() == [[0, 1, 2]]
