"""All designs that share the rounded objectives of one: found on the lattice, one row each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from evaluate.batch import IntArray
from evaluate.errors import InputError, unknown_word
from optimize.canonical import canonical_keys, canonical_twins
from optimize.exact.certificate import boxes_of_rows
from optimize.exact.classes import Classes
from optimize.exact.listing import BLOCK, with_firing
from optimize.exact.members import Block, Product, Single, picked
from optimize.exact.run_files import read_run
from optimize.exact.space import Space, why_not_exact
from optimize.exact.sweep import Sweep
from optimize.families import Family
from optimize.fronts import FamilyFront, design_rows
from optimize.genome import Designs
from optimize.problem import Island
from optimize.study import Study


def equals_of_design(folder: Path, design: str, *, most: int) -> pd.DataFrame:
    """Return the designs of a run's lattice with the same rounded objectives as one of its members.

    Parameters
    ----------
    folder : Path
        Run directory, of an enumeration or of a search on a lattice.
    design : str
        Name of the member, such as "D7".
    most : int
        Number of designs to stop at.

    Returns
    -------
    DataFrame
        Columns as in `family_fronts.parquet`, one row a distinct design; `attrs["is_whole"]` says
        whether these are all.

    Raises
    ------
    InputError
        If there is no such run or member, or its family cannot be enumerated.
    """
    run = read_run(folder)
    rows = run.rows
    if rows.empty:
        raise InputError("RUN_DIR", f"{folder} without any design", "a run with a design")
    if design not in set(rows["design"]):
        raise unknown_word("DESIGN", design, list(rows["design"]))
    row = rows[rows["design"] == design].iloc[0]
    family = next(f for f in run.families if f.name == row["family"])
    reason = why_not_exact(run.study, family)
    if reason:
        raise InputError("DESIGN", f"{design} of {family.name}: {reason}", "a lattice space")
    box = boxes_of_rows(rows[rows["design"] == design].iloc[:1], run.study)
    designs, is_whole = equal_designs(run.study, family, box, most=most)
    n = len(designs.batch)
    front = FamilyFront(
        island=Island(run.study, family),
        designs=designs,
        boxes=np.repeat(box, n, axis=0),
        equals=np.full(n, int(row["equals"])),
        generations=np.zeros(n, np.int64),
        seeds=np.zeros(n, np.int64) - 1,
        seeds_found=np.zeros(n, np.int64),
    )
    table = design_rows(run.study, front)
    table.attrs["is_whole"] = is_whole
    return table


def equal_designs(
    study: Study, family: Family, box: IntArray, *, most: int
) -> tuple[Designs, bool]:
    """Return distinct designs of a family with given rounded objectives, and whether these are all.

    Parameters
    ----------
    study, family
        The space.
    box : array of int, shape (1, objectives)
        Rounded objectives.
    most : int
        Number of designs to stop at.
    """
    space = Space(study, family)
    found: dict[int, Designs] = {}
    for number, frame in enumerate(space.frames):
        sweep = Sweep(space, frame)
        if sweep.couples.arrangements.is_empty:
            continue
        for start in range(0, len(sweep.classes), sweep.block):
            classes = sweep.classes.rows(slice(start, start + sweep.block))
            lister = _Lister(sweep, number, classes, box, most=most, known=found)
            lister.members()
            if len(found) > most:
                return _joined(space, list(found.values())[:most]), False
    return _joined(space, list(found.values())), True


class _Lister(Block):
    """A block that keeps designs instead of counting them."""

    def __init__(
        self,
        sweep: Sweep,
        frame: int,
        classes: Classes,
        targets: IntArray,
        *,
        most: int,
        known: dict[int, Designs],
    ) -> None:
        super().__init__(sweep, frame, classes, targets)
        self.most, self.known = most, known

    def take(self, hit: Product) -> None:
        """Keep arrangements times firings of one class."""
        space, frame = self.sweep.space, self.sweep.frame
        settings = [space.settings[hit.setting]]
        step = max(1, BLOCK // len(hit.rows))
        for begin in range(0, len(hit.fired), step):
            if len(self.known) > self.most:
                return
            some = hit.fired[begin : begin + step]
            kinds = np.repeat(hit.rows, len(some), axis=0)
            self._keep(
                with_firing(space, frame, kinds, np.tile(some, (len(hit.rows), 1)), settings)
            )

    def take_listed(self, hit: Single) -> None:
        """Keep candidates that were scored one by one."""
        self._keep(hit.designs)

    def _keep(self, designs: Designs) -> None:
        space = self.sweep.space
        cycle_deg = space.study.cycle_deg
        keys = canonical_keys(designs, space.ways, cycle_deg=cycle_deg)
        _, first = np.unique(keys, return_index=True)
        twins = canonical_twins(picked(designs, first), space.ways, cycle_deg=cycle_deg)
        for row, key in enumerate(keys[first].tolist()):
            if key not in self.known and len(self.known) <= self.most:
                self.known[key] = picked(twins, np.array([row]))


def _joined(space: Space, designs: list[Designs]) -> Designs:
    """Return single designs as one batch."""
    if not designs:
        island = Island(space.study, space.family)
        return island.genome.decode(np.zeros((0, island.genome.n_genes)))
    first = designs[0].batch
    arrays = {
        name: np.concatenate([_rows(one, name) for one in designs]) for name in first.__slots__
    }
    return Designs(
        batch=first.having(**arrays),
        splay_deg=np.concatenate([one.splay_deg for one in designs]),
    )


def _rows(designs: Designs, name: str) -> np.ndarray:
    array: np.ndarray = getattr(designs.batch, name)
    return np.broadcast_to(array, (len(designs.batch), *array.shape[1:]))
