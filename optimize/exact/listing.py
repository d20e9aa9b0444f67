"""Single candidates of crank classes, where counting them by halves does not do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evaluate import firing
from evaluate.batch import FloatArray, IntArray
from optimize.exact.classes import Classes
from optimize.exact.couples import Group, groups_of
from optimize.exact.outcomes import Outcomes
from optimize.exact.space import Frame, Setting, Space
from optimize.genome import Designs

if TYPE_CHECKING:
    from optimize.exact.sweep import Sweep

#: Candidates scored together.
BLOCK = 1 << 15


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """Candidates of one class under one setting."""

    designs: Designs
    index: int
    setting: int


def with_firing(
    space: Space, frame: Frame, kinds: IntArray, angles_deg: FloatArray, settings: list[Setting]
) -> Designs:
    """Return arrangements with firings as candidates.

    Parameters
    ----------
    space, frame
        Where they belong.
    kinds : array of int, shape (candidates, places)
        Arrangements.
    angles_deg : array, shape (candidates, cylinders)
        Firing angles, cylinders in the order of the sorted kinds. [deg]
    settings : list of Setting
        One a candidate, or one for all.
    """
    designs = space.designs(frame, kinds, None, settings)
    place_of = np.argsort(kinds, axis=1, kind="stable")
    shape = (len(kinds), space.n_places, space.per_item)
    placed = np.empty(shape)
    rows = np.arange(len(kinds))[:, np.newaxis]
    placed[rows, place_of] = angles_deg.reshape(shape)
    fired = placed.reshape(len(kinds), -1)
    fired = firing.wrap_deg(fired - fired[:, :1], space.study.cycle_deg)
    turns = (fired - firing.crank_phases_deg(designs.batch)) / firing.TURN_DEG
    batch = designs.batch.having(firing_bits=np.rint(turns).astype(np.int64))
    if isinstance(space.study.collectors, int):
        from optimize.genome import with_collectors

        batch = with_collectors(space.study, space.family, batch)
    return Designs(batch=batch, splay_deg=designs.splay_deg)


def arrangements_of(sweep: Sweep, group: Group) -> Iterator[IntArray]:
    """Give all arrangements of one class, in blocks of shape (arrangements, places)."""
    for split in sweep.couples.arrangements.splits(group.form):
        for start in range(0, len(split), BLOCK):
            pair = np.arange(start, min(start + BLOCK, len(split)))
            rows = split.rows(pair // len(split.rear), pair % len(split.rear))
            yield group.distinct[0][rows]


def candidates_of(
    sweep: Sweep, classes: Classes, pairs: IntArray, outcomes: Outcomes
) -> Iterator[Listed]:
    """Give every candidate of some classes and settings, in blocks of one class and setting.

    Parameters
    ----------
    sweep : Sweep
        The space and frame.
    classes : Classes
        A block of classes.
    pairs : array of int, shape (pairs, 2)
        Class of the block, and setting.
    outcomes : Outcomes
        Their feasible firings.
    """
    space, frame = sweep.space, sweep.frame
    order = np.argsort(outcomes.classes, kind="stable")
    edges = np.searchsorted(outcomes.classes[order], np.arange(len(classes) + 1))
    wanted = np.unique(pairs, axis=0)
    for index in np.unique(wanted[:, 0]).tolist():
        group = groups_of(space, frame, classes.kinds[index : index + 1])[0]
        firings = outcomes.angles_deg[order[edges[index] : edges[index + 1]]]
        for kinds in arrangements_of(sweep, group):
            step = max(1, BLOCK // len(kinds))
            for begin in range(0, len(firings), step):
                some = firings[begin : begin + step]
                rows = np.repeat(kinds, len(some), axis=0)
                fired = np.tile(some, (len(kinds), 1))
                for setting in wanted[wanted[:, 0] == index, 1].tolist():
                    designs = with_firing(space, frame, rows, fired, [space.settings[setting]])
                    yield Listed(designs=designs, index=index, setting=setting)
