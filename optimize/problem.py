"""What one island optimises: decode, score and constrain whole populations."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from evaluate import sizing
from evaluate.batch import FloatArray
from evaluate.metrics import METRICS, Evaluation
from optimize.canonical import KeyArray, Symmetry, canonical_keys, symmetries
from optimize.families import Family
from optimize.genome import Designs, Genome, genome_of, throw_angles_deg
from optimize.robust import objective_values
from optimize.study import Study


@dataclass(frozen=True)
class Island:
    """A family under a study: from genomes to objectives, violations and keys.

    Attributes
    ----------
    study, family
        What is given and what fixes the number of variables.
    starts : Designs or None
        Designs of the family that a search takes into its first population.
    """

    study: Study
    family: Family
    starts: Designs | None = field(default=None, compare=False)

    @cached_property
    def genome(self) -> Genome:
        """The genes and their decoder."""
        return genome_of(self.study, self.family)

    @cached_property
    def ways(self) -> tuple[Symmetry, ...]:
        """Symmetries under which designs are one."""
        return symmetries(self.study, self.family)

    @cached_property
    def constraint_names(self) -> tuple[str, ...]:
        """What each column of the violations stands for, in words."""
        return tuple(name for name, _ in self._violations(self._one_design()))

    def keys(self, designs: Designs) -> KeyArray:
        """Return the canonical key of each design."""
        return canonical_keys(designs, self.ways, cycle_deg=self.study.cycle_deg)

    def score(self, genomes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return objectives, all to be lessened, and violations, each row of a genome.

        Parameters
        ----------
        genomes : array, shape (candidates, genes)
            In [0, 1).

        Returns
        -------
        tuple of two arrays
            Objectives (candidates, objectives), negated where more is better, and violations
            (candidates, constraints), scaled by their limit; 0 or less is feasible.

        Raises
        ------
        FloatingPointError
            If an objective is not finite: pymoo would take NaN for a good value.
        """
        return self.judge(self.genome.decode(genomes))

    def judge(self, designs: Designs) -> tuple[FloatArray, FloatArray]:
        """Return objectives and violations of designs, wherever they come from.

        Parameters
        ----------
        designs : Designs
            Candidates of the family.

        Returns
        -------
        tuple of two arrays
            As `score` returns them.

        Raises
        ------
        FloatingPointError
            If an objective is not finite.
        """
        evaluation = Evaluation(self.family.engine, designs.batch)
        signs = np.array([o.sign for o in self.study.objectives])
        objectives = objective_values(self.study, evaluation) * signs
        if not np.isfinite(objectives).all():
            row, column = np.argwhere(~np.isfinite(objectives))[0]
            key, pins_deg = self.study.objectives[column].key, designs.batch.pin_angles_deg[row]
            raise FloatingPointError(f"{self.family.name}: {key} is not finite: pins {pins_deg}")
        violations = [values for _, values in self._violations((designs, evaluation))]
        return objectives, np.column_stack(violations)

    def _one_design(self) -> tuple[Designs, Evaluation]:
        designs = self.genome.decode(np.full((1, self.genome.n_genes), 0.5))
        return designs, Evaluation(self.family.engine, designs.batch)

    def _violations(self, parts: tuple[Designs, Evaluation]) -> list[tuple[str, FloatArray]]:
        """Return name and scaled violation of each constraint that can bind in this family."""
        designs, evaluation = parts
        study, family, engine = self.study, self.family, self.family.engine
        batch, zero = designs.batch, np.zeros(len(designs.batch))
        found: list[tuple[str, FloatArray]] = [("none", zero)]
        if study.largest_interval_factor is not None and not study.even_firing:
            even_deg = study.cycle_deg / family.cylinders
            excess = evaluation.firing.largest_interval_deg / even_deg
            limit = study.largest_interval_factor
            found.append(
                (f"largest firing interval at most {limit:g} x cycle/N", excess - limit - 1e-9)
            )
        if family.arrangement != "in-line":
            found.append(
                ("bores of the banks clear", sizing.bore_clash_m(engine, batch) / engine.bore_m)
            )
            if family.fixed_banks is None:
                spacing = sizing.bore_spacing_shortfall_m(engine, batch) / engine.bore_m
                found.append(("bores of a bank apart", spacing))
        if family.pins == "split":
            overlap = sizing.pin_overlap_shortfall(engine, designs.splay_deg)
            found.append(("halves of the splayed pin overlap", overlap - 1e-9))
        if study.mirror_symmetric and study.even_firing and family.arrangement != "in-line":
            found.append(("mirror-symmetric crank", self._asymmetry(designs)))
        for bound in study.bounds:
            value = METRICS[bound.key].compute(evaluation)
            scale = abs(bound.limit) or METRICS[bound.key].resolution
            word = "at most" if bound.sign > 0 else "at least"
            excess = bound.sign * (value - bound.limit) / scale - 1e-9
            found.append((f"{bound.key} {word} {bound.limit:g}", excess))
        return [
            (name, np.maximum(np.nan_to_num(values, nan=1e9, neginf=-1.0), -1.0))
            for name, values in found
        ]

    def _asymmetry(self, designs: Designs) -> FloatArray:
        """Return the largest angle between mirror-image throws (pairs), over half a turn."""
        angles_deg = throw_angles_deg(self.family, designs.batch)
        if self.family.pins == "split":
            angles_deg = angles_deg[:, ::2]
        apart_deg = (angles_deg - angles_deg[:, ::-1] + 180) % 360 - 180
        worst: FloatArray = np.abs(apart_deg).max(axis=1) / 180 - 1e-9
        return worst
