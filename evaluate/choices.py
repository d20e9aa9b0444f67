"""The tree of choices: which cylinder can fire next, and why only that one later."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from evaluate.batch import FloatArray
from evaluate.firing import SNAP_DEG, TURN_DEG, ticks


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """What fires at one crank angle, and what can follow.

    Attributes
    ----------
    angle_deg : float
        Crank angle after the first firing. [deg]
    cylinders : tuple of int
        Indices of the cylinders that fire; none at a root where orders differ in the first firing.
    waiting : tuple of int
        At top dead centre then too, but they fire one turn later.
    done : tuple of int
        At top dead centre then too, but they fired one turn before.
    following : tuple of Choice
        The alternatives for the next firing; one where nothing is left to choose, none at the end.
    n_orders : int
        Distinct firing-angle vectors that pass through here.
    """

    angle_deg: float
    cylinders: tuple[int, ...]
    waiting: tuple[int, ...]
    done: tuple[int, ...]
    following: tuple[Choice, ...]
    n_orders: int

    def leaves(self) -> Iterator[tuple[Choice, ...]]:
        """Yield every path from here to the end of the cycle."""
        if not self.following:
            yield (self,)
        for choice in self.following:
            for path in choice.leaves():
                yield (self, *path)


def tree_of_choices(angles_deg: FloatArray, cycle_deg: float) -> Choice:
    """Return the tree of what can fire when, as far as the given orders differ.

    Parameters
    ----------
    angles_deg : array, shape (orders, cylinders)
        Distinct firing-angle vectors of one crank, from `firing.allowed_firing_angles_deg`; their
        sequence is kept where branches fork. [deg]
    cycle_deg : float
        720 or 360. [deg]

    Returns
    -------
    Choice
        The first firing; a root without one where orders differ in it.

    Raises
    ------
    ValueError
        If there is no order.
    """
    if not len(angles_deg):
        raise ValueError("no firing order, so there is nothing to choose")
    fire = ticks(angles_deg)
    turn = round(TURN_DEG / SNAP_DEG)
    events = [_events(row) for row in fire.tolist()]
    at_centre: dict[int, tuple[int, ...]] = {}
    for i, tick in enumerate(fire[0].tolist()):
        at_centre[tick % turn] = (*at_centre.get(tick % turn, ()), i)
    has_two_turns = round(cycle_deg / SNAP_DEG) > turn

    def grow(rows: list[int], depth: int) -> Choice:
        tick, cylinders = events[rows[0]][depth]
        branches: dict[tuple[int, tuple[int, ...]], list[int]] = {}
        for row in rows:
            if depth + 1 < len(events[row]):
                branches.setdefault(events[row][depth + 1], []).append(row)
        others = [i for i in at_centre[tick % turn] if i not in cylinders] if has_two_turns else []
        return Choice(
            angle_deg=float(angles_deg[rows[0], cylinders[0]]),
            cylinders=cylinders,
            waiting=tuple(others) if tick < turn else (),
            done=tuple(others) if tick >= turn else (),
            following=tuple(grow(members, depth + 1) for members in branches.values()),
            n_orders=len(rows),
        )

    roots: dict[tuple[int, tuple[int, ...]], list[int]] = {}
    for row, firings in enumerate(events):
        roots.setdefault(firings[0], []).append(row)
    first = tuple(grow(members, 0) for members in roots.values())
    if len(first) == 1:
        return first[0]
    return Choice(
        angle_deg=0.0, cylinders=(), waiting=(), done=(), following=first, n_orders=len(events)
    )


def _events(fire: list[int]) -> list[tuple[int, tuple[int, ...]]]:
    """Return the firings in order: tick and cylinders."""
    together: dict[int, tuple[int, ...]] = {}
    for i, tick in enumerate(fire):
        together[tick] = (*together.get(tick, ()), i)
    return sorted(together.items())


def choice_lines(root: Choice, labels: tuple[str, ...], *, at_most: int) -> list[str]:
    """Return the tree as lines of text, a chain without a fork on one line.

    Parameters
    ----------
    root : Choice
        From `tree_of_choices`.
    labels : tuple of str
        Cylinder labels.
    at_most : int
        Orders to write out; a last line counts those left out.
    """
    lines: list[str] = []
    n_written = 0

    def write(choice: Choice, indent: str) -> None:
        nonlocal n_written
        if n_written >= at_most:
            return
        steps = [_step(choice, labels)]
        while len(choice.following) == 1:
            choice = choice.following[0]
            steps.append(_step(choice, labels))
        if choice.cylinders or len(steps) > 1:
            lines.append(indent + "; ".join(steps))
        if not choice.following:
            n_written += 1
            return
        lines.append(f"{indent}  then {_alternatives(choice.following, labels)}")
        for follower in choice.following:
            write(follower, indent + "    ")

    write(root, "")
    if n_written < root.n_orders:
        lines.append(f"... and {root.n_orders - n_written} more")
    return lines


def _alternatives(following: tuple[Choice, ...], labels: tuple[str, ...]) -> str:
    by_angle: dict[str, list[str]] = {}
    for choice in sorted(following, key=lambda choice: choice.angle_deg):
        by_angle.setdefault(f"{choice.angle_deg:g}", []).append(_names(choice.cylinders, labels))
    return ", or ".join(f"at {angle}: {' or '.join(names)}" for angle, names in by_angle.items())


def _step(choice: Choice, labels: tuple[str, ...]) -> str:
    text = f"{choice.angle_deg:g}: {_names(choice.cylinders, labels)}"
    if choice.waiting:
        waits = "wait" if len(choice.waiting) > 1 else "waits"
        text += f" ({_names(choice.waiting, labels)} {waits} a turn)"
    if choice.done:
        text += f" ({_names(choice.done, labels)} fired 360 before)"
    return text


def _names(cylinders: tuple[int, ...], labels: tuple[str, ...]) -> str:
    return "+".join(labels[i] for i in cylinders)
