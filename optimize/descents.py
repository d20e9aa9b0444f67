"""Descents from one design in its continuous variables.

Firing bits, balance shafts and banks stay; throw angles, splay, bank angle and counterweight
fraction move as far as the study lets them vary continuously. From each start several descents
are made, all by sequential quadratic programming (scipy's SLSQP) with slopes from central
differences scored as one batch:

- one on the achievement scalarising function max_i (f_i - f_i,start) / resolution_i + a small sum
  (A. P. Wierzbicki, The use of reference objectives in multiobjective optimization, in: Multiple
  criteria decision making, theory and application, Springer 1980), over the objectives that can
  become better at all near the start, the maximum written as a bound on each;
- for each of these objectives one that lessens it alone while no other leaves its rounded value,
  and one while no other gets worse by a resolution.

Slopes are taken over half a degree first, which sees past the corners of firing metrics, then over
five thousandths. Everything that is scored on the way counts, not only where a descent ends.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.optimize import minimize  # type: ignore[import-untyped]

from evaluate.batch import FloatArray, IntArray
from optimize.archive import TIE_SHARE, non_dominated, rounded_boxes
from optimize.families import splay_limit_deg
from optimize.genome import Genome
from optimize.problem import Island

STEP = 5 / 360  # of a gene: 5 degrees of a throw angle
STRIDES = (0.1, 0.001)  # of slopes, in steps
SUM_SHARE = 0.01  # of the sum of all objectives beside their maximum
PENALTY = 10.0  # of a resolution by which a held objective is worse, in resolutions gained
TIDY_STEPS = (5.0, 1.0, 0.5, 0.1, 0.01)  # round numbers that are tried for a result [deg]
TIDY_LOSS = 0.1  # of a resolution that a round number may cost within the rounded value
TIDY_SHARE = 0.1  # of the evaluations that are kept for it
FRACTION_UNIT = 0.02  # counterweight fraction that is rounded like a degree
_BELOW_ONE = float(np.nextafter(1.0, 0.0))


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What the descents from one start came upon.

    Attributes
    ----------
    genomes, objectives : array, shape (candidates, genes), (candidates, objectives)
        Feasible candidates that none other dominates when rounded, one for each rounded vector.
    evaluations : int
        Designs scored.
    """

    genomes: FloatArray
    objectives: FloatArray
    evaluations: int


def continuous_columns(genome: Genome) -> IntArray:
    """Return the columns of the genes that vary continuously."""
    columns = [
        np.arange(segment.start, segment.stop)
        for segment in genome.segments
        if segment.kind in ("angle", "real") and not segment.options
    ]
    return np.concatenate(columns).astype(np.int64) if columns else np.zeros(0, np.int64)


class _SpentError(Exception):
    """The evaluations of a descent are used up."""


@dataclass(kw_only=True, slots=True)
class _Ground:
    """What the descents from one start walk on; remembers all that was scored.

    A point is the continuous genes in steps of `STEP`.
    """

    island: Island
    genome: FloatArray
    columns: IntArray
    is_angle: np.ndarray
    resolutions: FloatArray
    start: FloatArray
    box: IntArray
    limit: int = 0
    spent: int = 0
    genomes: list[FloatArray] = field(default_factory=list)
    objectives: list[FloatArray] = field(default_factory=list)

    @classmethod
    def at(cls, island: Island, genome: FloatArray) -> _Ground:
        """Return the ground around a start, which is scored but not counted."""
        columns = continuous_columns(island.genome)
        angles = [range(s.start, s.stop) for s in island.genome.segments if s.kind == "angle"]
        resolutions = np.array([objective.resolution for objective in island.study.objectives])
        objectives, _ = island.score(genome[np.newaxis])
        return cls(
            island=island,
            genome=genome,
            columns=columns,
            is_angle=np.isin(columns, [column for part in angles for column in part]),
            resolutions=resolutions,
            start=objectives[0],
            box=rounded_boxes(objectives, resolutions)[0],
        )

    @property
    def origin(self) -> FloatArray:
        """Return the start as a point."""
        point: FloatArray = self.genome[self.columns] / STEP
        return point

    def genomes_at(self, points: FloatArray) -> FloatArray:
        """Return the genomes of points: angles go round, numbers stop at their limits."""
        genes = points * STEP
        genes = np.where(self.is_angle, genes % 1.0, genes)
        genomes = np.repeat(self.genome[np.newaxis], len(points), axis=0)
        genomes[:, self.columns] = np.clip(genes, 0.0, _BELOW_ONE)
        return genomes

    def score(self, genomes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return objectives and violations, and remember what is feasible."""
        if self.spent + len(genomes) > self.limit:
            raise _SpentError
        self.spent += len(genomes)
        objectives, violations = self.island.score(genomes)
        feasible = (violations <= 0).all(axis=1)
        self.genomes.append(genomes[feasible])
        self.objectives.append(objectives[feasible])
        return objectives, violations

    def best(self) -> tuple[FloatArray, FloatArray]:
        """Return genomes and objectives of what nothing dominates, one for each rounded vector."""
        genomes = np.concatenate([self.genome[np.newaxis][:0], *self.genomes])
        objectives = np.concatenate([self.start[np.newaxis][:0], *self.objectives])
        rows = _representatives(objectives, self.resolutions)
        return genomes[rows], objectives[rows]


def _representatives(objectives: FloatArray, resolutions: FloatArray) -> IntArray:
    """Return the rows that nothing dominates when rounded: of equals the best in all."""
    boxes = rounded_boxes(objectives, resolutions)
    rows = np.flatnonzero(non_dominated(boxes))
    total = (objectives[rows] / resolutions).sum(axis=1).round(6)
    order = np.lexsort([rows, total])
    _, first = np.unique(boxes[rows][order], axis=0, return_index=True)
    chosen: IntArray = np.sort(rows[order][first])
    return chosen


@dataclass(frozen=True, kw_only=True, slots=True)
class _Aim:
    """What a descent lessens, and what it holds.

    Attributes
    ----------
    targets : array of int
        Objectives whose achievement is lessened.
    ceilings : array, shape (objectives,)
        What the others must not exceed.
    """

    targets: IntArray
    ceilings: FloatArray


def improved_from(island: Island, genome: FloatArray, *, evaluations: int) -> Found:
    """Return what descents from one start come upon.

    Parameters
    ----------
    island : Island
        The family under a study with continuous variables.
    genome : array, shape (genes,)
        The start.
    evaluations : int
        Designs that may be scored.
    """
    ground = _Ground.at(island, genome)
    n_columns = len(ground.columns)
    if n_columns and evaluations >= 4 * n_columns:
        ground.limit = int(evaluations * (1 - TIDY_SHARE))
        aims = _aims(ground)
        for place, aim in enumerate(aims):
            left = int(evaluations * (1 - TIDY_SHARE)) - ground.spent
            ground.limit = ground.spent + max(left, 0) // (len(aims) - place)
            _descend(ground, aim)
    ground.limit = evaluations
    genomes, objectives = _tidied(ground, *ground.best())
    return Found(genomes=genomes, objectives=objectives, evaluations=ground.spent)


def _aims(ground: _Ground) -> list[_Aim]:
    """Return the aims of all descents, after a look around of a step and a tenth of it."""
    unit = np.eye(len(ground.columns))
    try:
        looks = [
            ground.score(ground.genomes_at(ground.origin + reach * unit))
            for reach in (1.0, -1.0, 0.1, -0.1)
        ]
    except _SpentError:
        return []
    lower = ground.start - TIE_SHARE * ground.resolutions
    targets = np.flatnonzero(np.any([(seen < lower).any(axis=0) for seen, _ in looks], axis=0))
    same_box = ground.box * ground.resolutions
    one_worse = ground.start + ground.resolutions
    aims = [_Aim(targets=targets, ceilings=same_box)] if len(targets) > 1 else []
    for target in targets:
        for ceilings in (same_box, one_worse):
            aims.append(_Aim(targets=np.array([target]), ceilings=ceilings))
    return aims


def _excesses(
    ground: _Ground, aim: _Aim, objectives: FloatArray, violations: FloatArray
) -> FloatArray:
    """Return achievements, then by how much held objectives and limits are exceeded.

    Shape (candidates, targets + held objectives + constraints); in resolutions, constraints in
    hundredths of their scale.
    """
    held = np.setdiff1d(np.arange(len(ground.resolutions)), aim.targets)
    change = ((objectives - ground.start) / ground.resolutions)[:, aim.targets]
    achieved = change + SUM_SHARE * change.sum(axis=1, keepdims=True)
    over = ((objectives - aim.ceilings) / ground.resolutions)[:, held]
    return np.concatenate([achieved, over, 100 * violations], axis=1)


def _merit(excesses: FloatArray, n_targets: int) -> FloatArray:
    """Return one number a candidate, to be lessened: achievement and penalties."""
    penalties = np.maximum(excesses[:, n_targets:] - TIE_SHARE, 0).sum(axis=1)
    merit: FloatArray = excesses[:, :n_targets].max(axis=1) + PENALTY * penalties
    return merit


def _descend(ground: _Ground, aim: _Aim) -> None:
    """Go downhill from the start, with long strides and then from the best point with short ones.

    The maximum of the achievements is an unknown of its own, the last, that bounds each of them.
    """
    best: list[Any] = [np.inf, ground.origin]
    along_last = np.append(np.zeros(len(ground.columns)), 1.0)
    for stride in STRIDES:
        slopes = _Slopes(ground=ground, aim=aim, stride=stride, best=best)
        constraint = {"type": "ineq", "fun": slopes.room, "jac": slopes.room_slopes}
        begin = np.append(best[1], min(best[0], 0.0))
        try:
            minimize(
                lambda point: point[-1],
                begin,
                jac=lambda _: along_last,
                method="SLSQP",
                constraints=[constraint],
                options={"maxiter": 100, "ftol": 1e-4},
            )
        except _SpentError:
            return


@dataclass(kw_only=True, slots=True)
class _Slopes:
    """Constraints of a descent with their slopes, scored as one batch a point."""

    ground: _Ground
    aim: _Aim
    stride: float
    best: list[Any]
    known: tuple[bytes, FloatArray, FloatArray] | None = None

    def room(self, point: FloatArray) -> FloatArray:
        """Return what is left to each bound, 0 or more where it holds."""
        values, _ = self._at(point[:-1])
        room = -values
        room[: len(self.aim.targets)] += point[-1]
        return room

    def room_slopes(self, point: FloatArray) -> FloatArray:
        """Return the slopes of `room`, shape (bounds, unknowns)."""
        _, slopes = self._at(point[:-1])
        bound = np.zeros((len(slopes), 1))
        bound[: len(self.aim.targets)] = 1.0
        return np.concatenate([-slopes, bound], axis=1)

    def _at(self, point: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return values and slopes at a point, from memory where it is the last one again."""
        name = point.tobytes()
        if self.known is None or self.known[0] != name:
            n = len(point)
            unit = self.stride * np.eye(n)
            points = point + np.concatenate([np.zeros((1, n)), unit, -unit])
            scores = self.ground.score(self.ground.genomes_at(points))
            excesses = _excesses(self.ground, self.aim, *scores)
            self._remember(points, excesses)
            slopes = (excesses[1 : n + 1] - excesses[n + 1 :]).T / (2 * self.stride)
            self.known = (name, excesses[0], slopes)
        return self.known[1], self.known[2]

    def _remember(self, points: FloatArray, excesses: FloatArray) -> None:
        merit = _merit(excesses, len(self.aim.targets))
        row = int(merit.argmin())
        if merit[row] < self.best[0]:
            self.best[:] = [float(merit[row]), points[row]]


def _tidied(
    ground: _Ground, genomes: FloatArray, objectives: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return candidates with the roundest numbers that cost nothing, as far as evaluations last.

    A rounder number may not leave the rounded objectives, nor cost a tenth of a resolution.
    """
    genomes, objectives = genomes.copy(), objectives.copy()
    for row in range(len(genomes)):
        trials = _rounder(ground, genomes[row])
        try:
            found, violations = ground.score(trials)
        except _SpentError:
            break
        boxes = rounded_boxes(found, ground.resolutions)
        mine = rounded_boxes(objectives[row : row + 1], ground.resolutions)
        loss = ((found - objectives[row]) / ground.resolutions).max(axis=1)
        good = (boxes <= mine).all(axis=1) & (violations <= 0).all(axis=1) & (loss <= TIDY_LOSS)
        if good.any():
            chosen = int(np.argmax(good))
            genomes[row], objectives[row] = trials[chosen], found[chosen]
    rows = _representatives(objectives, ground.resolutions)
    return genomes[rows], objectives[rows]


def _rounder(ground: _Ground, genome: FloatArray) -> FloatArray:
    """Return the genome with its continuous numbers rounded, the roundest first."""
    study, family = ground.island.study, ground.island.family
    trials = np.repeat(genome[np.newaxis], len(TIDY_STEPS), axis=0)
    splay_deg = splay_limit_deg(study, family.engine) if family.pins == "split" else 0.0
    bank, fraction = study.bank_angle_deg, study.reciprocating_fraction
    scales = {  # value = low + gene * span
        "throw_angles": (0.0, 360.0, 1.0),
        "splay": (-splay_deg, 2 * splay_deg, 1.0),
        "bank_angle": (bank.low, bank.high - bank.low, 1.0),
        "fraction": (fraction.low, fraction.high - fraction.low, FRACTION_UNIT),
    }
    for segment in ground.island.genome.segments:
        if segment.name in scales and not segment.options and segment.kind in ("angle", "real"):
            low, span, unit = scales[segment.name]
            columns = slice(segment.start, segment.stop)
            steps = unit * np.array(TIDY_STEPS)[:, np.newaxis]
            values = np.rint((low + genome[columns] * span) / steps) * steps
            genes = (values - low) / span
            genes = genes % 1.0 if segment.kind == "angle" else genes
            trials[:, columns] = np.clip(genes, 0.0, _BELOW_ONE)
    return trials
