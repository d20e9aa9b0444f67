"""A family's space as items on places: what stands where along the crank, and in how many ways.

An *item* is what one place along the crank carries: a cylinder with its crankpin, or a V pair with
its pin. Its *kind* is a whole number: the angle (a lattice angle, or with even firing the place of
its first cylinder in the firing grid), and in the families that assign banks freely, the bank. A
crank is a row of kinds, one a place; turning it adds a step to all angles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import comb

import numpy as np

from evaluate import firing, sizing
from evaluate.batch import SLOTS, Batch, Engine, FloatArray, IntArray
from optimize.canonical import Symmetry, symmetries
from optimize.families import Family, firing_grid
from optimize.genome import Designs, lattice_angles_deg, lattice_splays_deg, with_collectors
from optimize.study import Study

MOST_CLASSES = 4_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """What all cranks of one sweep share.

    Attributes
    ----------
    bank_angle_deg, splay_deg : float
        Included angle of the banks, and of the pins of a pair. [deg]
    steps : int
        With even firing and pairs: grid steps from the first cylinder of a pair to the second.
    """

    bank_angle_deg: float
    splay_deg: float
    steps: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """What acts on finished sums: the balanced fraction and the slots that shafts take."""

    fraction: float
    slots: tuple[int, ...]


@dataclass(frozen=True)
class Space:
    """A family under a study, seen as kinds of items on places."""

    study: Study
    family: Family

    @property
    def engine(self) -> Engine:
        """The givens of the family."""
        return self.family.engine

    @property
    def n_places(self) -> int:
        """Return the number of items along the crank."""
        return self.family.cylinders // self.per_item

    @property
    def per_item(self) -> int:
        """Return the number of cylinders of one item."""
        return 2 if self.family.is_paired else 1

    @property
    def n_kind_banks(self) -> int:
        """Return how many banks a kind tells apart: 2 where banks are assigned, else 1."""
        return 2 if self.family.fixed_banks is None else 1

    @cached_property
    def n_angles(self) -> int:
        """The number of angles that an item may take; they are evenly spaced over a turn."""
        if self.study.even_firing:
            return firing_grid(self.family.cylinders, self.study.cycle_deg)[0]
        return len(lattice_angles_deg(self.study, self.family))

    @property
    def n_kinds(self) -> int:
        """Return the number of kinds."""
        return self.n_angles * self.n_kind_banks

    @cached_property
    def n_first_bank(self) -> int:
        """How many cylinders stand on the first bank, where banks are assigned."""
        return (self.family.cylinders + 1) // 2

    @cached_property
    def frames(self) -> tuple[Frame, ...]:
        """All bank angles and splays, in a fixed order."""
        study, family = self.study, self.family
        if study.even_firing and family.is_paired:
            frames = [
                Frame(bank_angle_deg=f.bank_angle_deg, splay_deg=f.splay_deg, steps=f.steps)
                for f in family.even_fits
            ]
        else:
            angles = {"in-line": (0.0,), "opposed": (180.0,)}.get(
                family.arrangement, study.bank_angle_deg.values
            )
            is_split = family.pins == "split"
            splays = lattice_splays_deg(study, family).tolist() if is_split else [0.0]
            frames = [Frame(bank_angle_deg=a, splay_deg=s) for a in angles for s in splays]
        return tuple(frames)

    @cached_property
    def settings(self) -> tuple[Setting, ...]:
        """All fractions and shaft subsets, in a fixed order."""
        return tuple(
            Setting(fraction=fraction, slots=slots)
            for fraction in self.study.reciprocating_fraction.values
            for slots in self.study.shaft_subsets
        )

    @cached_property
    def ways(self) -> tuple[Symmetry, ...]:
        """Symmetries that map the space onto itself and keep every active metric.

        Where the first bank has one cylinder more, mirroring leads out of the space.
        """
        is_lopsided = self.n_kind_banks == 2 and self.family.cylinders % 2 == 1
        found = symmetries(self.study, self.family)
        return tuple(w for w in found if not (is_lopsided and w.is_mirrored))

    @property
    def n_bit_sets(self) -> int:
        """Return the number of firing-bit sets with the first bit 0."""
        is_four_stroke = self.study.cycle_deg > firing.TURN_DEG
        return int(2 ** (self.family.cylinders - 1)) if is_four_stroke else 1

    def pins_deg(self, frame: Frame) -> FloatArray:
        """Return the pin angle of each cylinder of each kind, shape (kinds, per item). [deg]"""
        index = np.arange(self.n_kinds)
        if self.study.even_firing:
            grid_deg = firing.TURN_DEG / self.n_angles
            half_deg = 0.0 if self.family.arrangement == "in-line" else 0.5 * frame.bank_angle_deg
            axes_deg = np.where(index // self.n_angles == 0, -half_deg, half_deg)
            first_deg = axes_deg - (index % self.n_angles) * grid_deg
        else:
            first_deg = lattice_angles_deg(self.study, self.family)[index % self.n_angles]
        if self.per_item == 1:
            return firing.wrap_deg(first_deg)[:, np.newaxis]
        return firing.wrap_deg(np.column_stack([first_deg, first_deg + frame.splay_deg]))

    def kind_banks(self) -> IntArray:
        """Return the bank of each cylinder of each kind, shape (kinds, per item)."""
        if self.per_item == 2:
            return np.tile(np.array([0, 1], np.int64), (self.n_kinds, 1))
        return (np.arange(self.n_kinds) // self.n_angles)[:, np.newaxis]

    def bank_patterns(self, frame: Frame, *, only_clear: bool = True) -> IntArray:
        """Return the ways to assign banks to places, (patterns, places).

        One row of zeros where banks are not assigned. With `only_clear` those alone whose bores
        keep clear of each other (and pin halves overlap); no row where nothing does.
        """
        n = self.family.cylinders
        if self.n_kind_banks == 2:
            chosen = np.array(list(combinations(range(n), self.n_first_bank)))
            patterns = np.ones((len(chosen), n), np.int64)
            np.put_along_axis(patterns, chosen, 0, axis=1)
        else:
            assert self.family.fixed_banks is not None
            patterns = self.family.fixed_banks[np.newaxis]
        clear = self._is_clear(patterns, frame) if only_clear else np.ones(len(patterns), bool)
        if self.n_kind_banks == 2:
            kept: IntArray = patterns[clear]
            return kept
        return np.zeros((int(clear[0]), self.n_places), np.int64)

    def _is_clear(self, patterns: IntArray, frame: Frame) -> np.ndarray:
        if self.family.arrangement == "in-line":
            return np.ones(len(patterns), bool)
        n = len(patterns)
        half_deg = 0.5 * frame.bank_angle_deg
        batch = Batch(
            pin_angles_deg=np.zeros((n, self.family.cylinders)),
            bank_angles_deg=np.tile([-half_deg, half_deg], (n, 1)),
            banks=patterns,
            firing_bits=np.zeros((n, self.family.cylinders), np.int64),
            rotating_fraction=np.zeros(n),
            reciprocating_fraction=np.zeros(n),
            shaft_fractions=np.zeros((n, len(SLOTS))),
            collectors=np.zeros((1, self.family.cylinders), np.int64),
        )
        clear = sizing.bore_clash_m(self.engine, batch) <= 0
        if self.n_kind_banks == 2:
            clear &= sizing.bore_spacing_shortfall_m(self.engine, batch) <= 0
        if self.family.pins == "split":
            overlap = sizing.pin_overlap_shortfall(self.engine, np.full(n, frame.splay_deg))
            clear &= overlap <= 1e-9  # the allowance of optimize.problem
        return clear

    def raw_count(self) -> int:
        """Return the number of candidates of a space whose firing is not given in advance."""
        n_orders = self.n_angles ** (self._n_free_places - 1)
        n_banks = comb(self.family.cylinders, self.n_first_bank) if self.n_kind_banks == 2 else 1
        n_choices = n_banks * self.n_bit_sets * len(self.frames) * len(self.settings)
        return int(n_orders * n_choices)

    @property
    def _n_free_places(self) -> int:
        return (self.n_places + 1) // 2 if self.study.mirror_symmetric else self.n_places

    def designs(
        self, frame: Frame, kinds: IntArray, bits: IntArray | None, settings: list[Setting]
    ) -> Designs:
        """Return cranks as candidates, the first cylinder's pin at 0.

        Parameters
        ----------
        frame : Frame
            Bank angle and splay.
        kinds : array of int, shape (candidates, places)
            What stands where.
        bits : array of int, shape (candidates, cylinders), or None
            Firing bits, first column 0; None for zeros.
        settings : list of Setting
            One a candidate, or one for all.
        """
        n = len(kinds)
        table_deg, bank_table = self.pins_deg(frame), self.kind_banks()
        pins_deg = table_deg[kinds].reshape(n, -1)
        half_deg = 0.5 * frame.bank_angle_deg
        halves = [0.0] if self.family.arrangement == "in-line" else [-half_deg, half_deg]
        if len(settings) == 1:
            settings = settings * n
        shafts = np.zeros((n, len(SLOTS)))
        for row, setting in enumerate(settings):
            shafts[row, list(setting.slots)] = 1.0
        batch = Batch(
            pin_angles_deg=firing.wrap_deg(pins_deg - pins_deg[:, :1]),
            bank_angles_deg=np.tile(halves, (n, 1)),
            banks=bank_table[kinds].reshape(n, -1),
            firing_bits=np.zeros(pins_deg.shape, np.int64) if bits is None else bits,
            rotating_fraction=np.full(n, self.study.rotating_fraction),
            reciprocating_fraction=np.array([setting.fraction for setting in settings]),
            shaft_fractions=shafts,
            collectors=np.zeros((1, self.family.cylinders), np.int64),
        )
        batch = with_collectors(self.study, self.family, batch)
        return Designs(batch=batch, splay_deg=np.full(n, frame.splay_deg))


def why_not_exact(study: Study, family: Family) -> str | None:
    """Return why a family cannot be enumerated, None if it can."""
    if study.kept_shares:
        return (
            f"{', '.join(study.kept_shares)} with kept_by is a quantile of built engines, which "
            "has no bounds to enumerate by (leave kept_by out)"
        )
    if not study.even_firing and not study.throw_angle_step_deg:
        return "its throw angles are continuous (space.throw_angle_step_deg is 0)"
    is_v = family.arrangement == "v"
    # On a shared pin only the bank angles on the firing grid fire evenly, a list though a range.
    is_listed = study.even_firing and family.pins == "shared"
    if study.bank_angle_deg.is_range and is_v and not is_listed:
        return "its bank angle is a range (space.bank_angle_deg; list the angles)"
    if study.reciprocating_fraction.is_range:
        return "the balanced fraction is a range (space.reciprocating_fraction; list the values)"
    if not study.even_firing:
        angles_deg = lattice_angles_deg(study, family)
        if np.ptp(np.diff(angles_deg, append=firing.TURN_DEG)) > 1e-6:
            return (
                "the angles of even firing that are added to its lattice are no part of it "
                "(space.add_even_firing_angles; take a step that divides them)"
            )
    space = Space(study, family)
    if n_classes_at_most(space) > MOST_CLASSES:
        return (
            f"about {n_classes_at_most(space):.2g} sets of throw angles, "
            f"above the limit of {MOST_CLASSES:,}"
        )
    return None


def n_classes_at_most(space: Space) -> int:
    """Return about how many crank classes there are, for a check before any is made."""
    m, angles = space.n_places, space.n_angles
    if space.study.even_firing and space.n_kind_banks == space.per_item == 1:
        return 1  # every place of the grid equally often
    if space.study.even_firing:
        per = firing_grid(space.family.cylinders, space.study.cycle_deg)[1] + 1
        return int(per**angles)
    if space.n_kind_banks == 1:
        return comb(angles + m - 1, m) // angles + 1
    first, second = space.n_first_bank, m - space.n_first_bank
    return (comb(angles + first - 1, first) // angles + 1) * comb(angles + second - 1, second)
