"""Single candidates of crank classes, where counting them by halves does not do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evaluate import firing
from evaluate.batch import FloatArray, IntArray
from evaluate.metrics import score
from optimize.archive import rounded_boxes
from optimize.exact.boxes import behind, reaches
from optimize.exact.classes import Classes
from optimize.exact.couples import Group, groups_of
from optimize.exact.levels import HAIR
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
    sweep: Sweep,
    classes: Classes,
    pairs: IntArray,
    outcomes: Outcomes,
    *,
    archive: IntArray | None = None,
    targets: IntArray | None = None,
) -> Iterator[Listed]:
    """Give the candidates of some classes and settings, in blocks of one class and setting.

    Parameters
    ----------
    sweep : Sweep
        The space and frame.
    classes : Classes
        A block of classes.
    pairs : array of int, shape (pairs, 2 + objectives)
        Class of the block, setting, and rounded objectives on the levels of frame and force, all
        others at their floor.
    outcomes : Outcomes
        Feasible firings of the classes.
    archive : array of int, shape (members, objectives), or None
        Candidates whose bounds are behind a member are left out.
    targets : array of int, shape (members, objectives), or None
        Candidates whose bounds are above all of these are left out.
    """
    space = sweep.space
    order = np.argsort(outcomes.classes, kind="stable")
    edges = np.searchsorted(outcomes.classes[order], np.arange(len(classes) + 1))
    _, first = np.unique(pairs[:, :2], axis=0, return_index=True)
    for index, setting, *bound in pairs[np.sort(first)].tolist():
        group = groups_of(space, sweep.frame, classes.kinds[index : index + 1])[0]
        mine = order[edges[index] : edges[index + 1]]
        for kinds in arrangements_of(sweep, group):
            step = max(1, BLOCK // len(kinds))
            for begin in range(0, len(mine), step):
                some = mine[begin : begin + step]
                place, fired = (grid.ravel() for grid in np.indices((len(kinds), len(some))))
                vectors = _bounds(sweep, kinds, setting, bound, outcomes.boxes[some])
                alive = np.ones(len(vectors), bool)
                if archive is not None:
                    alive = ~behind(vectors, archive)
                if targets is not None:
                    alive &= reaches(vectors, targets)
                place, fired = place[alive], fired[alive]
                if not len(place):
                    continue
                designs = with_firing(
                    space,
                    sweep.frame,
                    kinds[place],
                    outcomes.angles_deg[some[fired]],
                    [space.settings[setting]],
                )
                yield Listed(designs=designs, index=index, setting=setting)


def _bounds(
    sweep: Sweep, kinds: IntArray, setting: int, bound: list[int], firings: IntArray
) -> IntArray:
    """Return vectors that arrangements times firings cannot better, (pairs, objectives)."""
    columns = sweep.levels.columns
    shape = (len(kinds), len(firings))
    vectors = np.broadcast_to(np.array(bound), (*shape, len(bound))).copy()
    vectors[:, :, list(columns["firing"])] = firings
    for column in columns["couple"]:
        step = sweep.resolutions[column]
        designs = sweep.space.designs(sweep.frame, kinds, None, [sweep.space.settings[setting]])
        values = score(sweep.space.engine, designs.batch, ["couple_rms_Nm"])
        # A hair below the value: a twin's last digits may be less.
        boxes = rounded_boxes(values - HAIR * step, np.array([step]))
        vectors[:, :, column] = boxes
    return vectors.reshape(-1, len(bound))
