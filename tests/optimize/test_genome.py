"""Genomes decode into members of the space, all of them; operators keep genomes genomes.

References: sections 3 (firing angles), 4.7 (pin overlap) and 5 (the space) of the design, applied
here in plain loops. Even firing: every interval is cycle/N, to 1e-6 degrees, the difference that
the design takes for none.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest

from evaluate import Batch, firing
from optimize import operators
from optimize.families import Family, all_families
from optimize.genome import Designs, Genome, genome_of
from optimize.seeding import first_genomes
from optimize.study import Study
from tests.optimize.small_studies import named_family, small_study
from tests.optimize.twins import firing_angles_deg, intervals_deg

CYCLES = {2: 360.0, 4: 720.0}
ALL_PINS = ["shared", "split", "own-main", "own-web"]
NEARLY_ONE = float(np.nextafter(1.0, 0.0))


def wide_study(*, strokes: int, bank_angle: Any, even: bool, step_deg: float = 15.0) -> Study:
    """Return a study of all families of 1 to 12 cylinders."""
    return small_study(
        engine={"cycle_strokes": strokes},
        space={
            "cylinders": list(range(1, 13)),
            "arrangements": ["in-line", "v", "opposed"],
            "pins": ALL_PINS,
            "bank_angle_deg": bank_angle,
            "throw_angle_step_deg": step_deg,
            "reciprocating_fraction": [0.0, 0.25, 0.5],
            "balance_shafts": {"slots": ["1 backward", "2 forward", "2 backward"], "at_most": 2},
        },
        constraints={"even_firing": even, "splay_deg": {"at_most": 45.0}},
    )


def decoded(study: Study, family: Family, n: int, seed: int) -> tuple[Genome, Designs]:
    """Return random designs of a family, those of the corners of the cube among them."""
    genome = genome_of(study, family)
    genomes = np.random.default_rng(seed).random((n, genome.n_genes))
    genomes[0], genomes[1] = 0.0, NEARLY_ONE
    return genome, genome.decode(genomes)


def fired_deg(batch: Batch) -> list[list[float]]:
    """Return each candidate's firing angles by the definition of the design."""
    banks = np.broadcast_to(batch.banks, batch.pin_angles_deg.shape)
    return [
        firing_angles_deg(
            [float(batch.bank_angles_deg[c, bank]) for bank in banks[c]],
            batch.pin_angles_deg[c].tolist(),
            batch.firing_bits[c].tolist(),
        )
        for c in range(len(batch))
    ]


EVEN_SPACES = [
    pytest.param(strokes, bank_angle, id=f"{strokes}-stroke, {name}")
    for strokes in CYCLES
    for name, bank_angle in (
        ("listed banks", [15.0, 36.0, 45.0, 60.0, 72.0, 90.0, 120.0, 180.0]),
        ("a range of banks", {"from": 40.0, "to": 130.0}),
    )
]


@pytest.mark.parametrize(("strokes", "bank_angle"), EVEN_SPACES)
def test_even_decoding_always_fires_evenly(strokes: int, bank_angle: Any) -> None:
    study = wide_study(strokes=strokes, bank_angle=bank_angle, even=True)
    families, _ = all_families(study)
    assert len(families) > 40
    for family in families:
        _, designs = decoded(study, family, 12, seed=family.cylinders)
        even_deg = CYCLES[strokes] / family.cylinders
        for fired in fired_deg(designs.batch):
            gaps = intervals_deg(fired, CYCLES[strokes])
            assert gaps == pytest.approx([even_deg] * len(gaps), abs=1e-6), family.name


@pytest.mark.parametrize("even", [True, False])
@pytest.mark.parametrize(("strokes", "bank_angle"), EVEN_SPACES)
def test_designs_are_members_of_the_space(strokes: int, bank_angle: Any, even: bool) -> None:
    study = wide_study(strokes=strokes, bank_angle=bank_angle, even=even)
    allowed_shafts = {
        chosen for chosen in itertools.product((0.0, 1.0), repeat=3) if sum(chosen) <= 2
    }
    for family in all_families(study)[0]:
        _, designs = decoded(study, family, 40, seed=1)
        batch, n = designs.batch, family.cylinders
        banks = np.broadcast_to(batch.banks, batch.pin_angles_deg.shape)
        assert (batch.pin_angles_deg[:, 0] == 0).all(), "the first throw stands at 0"
        assert (batch.firing_bits[:, 0] == 0).all()
        assert set(np.unique(batch.firing_bits)) <= ({0, 1} if strokes == 4 else {0})
        assert set(batch.reciprocating_fraction.tolist()) <= {0.0, 0.25, 0.5}
        assert len(set(batch.reciprocating_fraction.tolist())) == 3
        assert (batch.rotating_fraction == 1).all()
        shafts = {tuple(row) for row in batch.shaft_fractions.tolist()}
        assert shafts <= allowed_shafts
        assert len(shafts) >= 4
        _check_banks(family, bank_angle, batch.bank_angles_deg)
        if family.arrangement == "in-line":
            assert (banks == 0).all()
        elif family.pins in ("shared", "split"):
            assert (banks == np.arange(n) % 2).all()
        else:
            assert (banks.sum(axis=1) == n // 2).all(), "the banks share the cylinders evenly"
            assert n < 4 or len({tuple(row) for row in banks.tolist()}) > 1
        _check_splay(family, designs)
        if not even:
            steps = batch.pin_angles_deg / 15.0
            np.testing.assert_allclose(steps, np.rint(steps), rtol=0, atol=1e-9)
            assert ((batch.pin_angles_deg >= 0) & (batch.pin_angles_deg < 360)).all()


def _check_banks(family: Family, bank_angle: Any, axes_deg: np.ndarray) -> None:
    if family.arrangement == "in-line":
        assert axes_deg.shape[1] == 1
        assert (axes_deg == 0).all()
        return
    np.testing.assert_allclose(axes_deg[:, 0], -axes_deg[:, 1], rtol=0, atol=1e-12)
    included = axes_deg[:, 1] - axes_deg[:, 0]
    if family.arrangement == "opposed":
        assert (included == 180).all()
    elif isinstance(bank_angle, dict):
        assert ((included >= bank_angle["from"] - 1e-9) & (included <= bank_angle["to"])).all()
    else:
        assert set(included.tolist()) <= set(bank_angle)


def _check_splay(family: Family, designs: Designs) -> None:
    """Splay is that of the second bank's pin, within the study's limit and the pins' overlap."""
    pins = designs.batch.pin_angles_deg
    if family.pins not in ("shared", "split"):
        assert (designs.splay_deg == 0).all()
        return
    apart = (pins[:, 1::2] - pins[:, ::2] + 180) % 360 - 180
    np.testing.assert_allclose(apart, designs.splay_deg[:, np.newaxis] + 0 * apart, atol=1e-6)
    if family.pins == "shared":
        assert (designs.splay_deg == 0).all()
        return
    # Overlap d - 2 r sin(splay/2) >= 0.2 d with d = 0.6 bore (section 4.7): 57.4 deg at
    # stroke = bore, so that the study's 45 deg decide.
    assert ((np.abs(designs.splay_deg) > 0) & (np.abs(designs.splay_deg) <= 45 + 1e-9)).all()


def test_a_lattice_may_hold_the_evenly_firing_angles_too() -> None:
    # Throws of a four-stroke of five fire evenly 72 degrees apart, which no step of 15 hits.
    space = {"cylinders": [5], "throw_angle_step_deg": 15.0, "add_even_firing_angles": True}
    study = small_study(space=space)
    family = named_family(study, "in-line 5")
    genome, designs = decoded(study, family, 3000, seed=4)
    expected = sorted({15.0 * k for k in range(24)} | {72.0 * k for k in range(5)})
    assert np.unique(designs.batch.pin_angles_deg).tolist() == pytest.approx(expected, abs=1e-9)
    # And the evenly firing half of a first population lands on them exactly.
    batch = genome.decode(first_genomes(genome, 100, np.random.default_rng(3))).batch
    for fired in fired_deg(batch)[:50]:
        assert intervals_deg(fired, 720.0) == pytest.approx([144.0] * 5, abs=1e-6)


def test_overlap_of_the_halves_limits_the_splay() -> None:
    study = small_study(
        space={
            "cylinders": [4],
            "arrangements": ["v"],
            "pins": ["split"],
            "throw_angle_step_deg": 0.0,
            "bank_angle_deg": [90.0],
        }
    )
    family = named_family(study, "V4 split")
    _, designs = decoded(study, family, 500, seed=3)
    pin, radius = 0.6 * family.engine.bore_m, family.engine.crank_radius_m
    limit_deg = 2 * math.degrees(math.asin(0.8 * pin / (2 * radius)))
    splays = np.abs(designs.splay_deg)
    assert splays.max() <= limit_deg + 1e-9
    assert splays.max() > 0.98 * limit_deg


def test_mirror_symmetric_cranks_are_palindromes() -> None:
    for pins in ALL_PINS:
        for n in (4, 6, 10):
            study = small_study(
                space={
                    "cylinders": [n],
                    "arrangements": ["in-line", "v"],
                    "pins": [pins],
                    "throw_angle_step_deg": 30.0,
                },
                constraints={"mirror_symmetric": True},
            )
            for family in all_families(study)[0]:
                _, designs = decoded(study, family, 30, seed=n)
                angles = designs.batch.pin_angles_deg
                if family.is_paired:
                    angles = angles[:, ::2]
                assert (angles == angles[:, ::-1]).all(), family.name
                assert angles.shape[1] == 2 or len({tuple(row) for row in angles.tolist()}) > 5


def test_continuous_angles_and_ranges_fill_their_range() -> None:
    study = small_study(
        space={
            "cylinders": [3],
            "arrangements": ["v"],
            "pins": ["own-main"],
            "throw_angle_step_deg": 0.0,
            "bank_angle_deg": {"from": 50.0, "to": 70.0},
            "reciprocating_fraction": {"from": 0.2, "to": 0.6},
        }
    )
    _, designs = decoded(study, named_family(study, "V3 own-main"), 2000, seed=9)
    batch = designs.batch
    for values, low, high in (
        (batch.pin_angles_deg[:, 1:].ravel(), 0.0, 360.0),
        (batch.bank_angles_deg[:, 1] * 2, 50.0, 70.0),
        (batch.reciprocating_fraction, 0.2, 0.6),
    ):
        assert low <= values.min() < low + 0.01 * (high - low)
        assert high - 0.01 * (high - low) < values.max() <= high
        # Uniform: the quarters hold a quarter each; 2000 draws, five standard errors.
        shares = np.histogram(values, bins=4, range=(low, high))[0] / len(values)
        assert shares == pytest.approx([0.25] * 4, abs=5 * math.sqrt(0.25 * 0.75 / 2000))


# Every even order of a small family, by brute force over all cranks on a lattice that holds them:
# a V pair's dead centres, the axes less the pins, lie on the firing grid only if the pins do.
REACHABLE: dict[str, tuple[str, int, dict[str, Any], list[float], list[float], int]] = {
    "in-line 4": ("in-line 4", 4, {"cylinders": [4]}, [0.0], [90.0], 500),
    "in-line 3": ("in-line 3", 4, {"cylinders": [3]}, [0.0], [120.0], 200),
    "in-line 5 two-stroke": ("in-line 5", 2, {"cylinders": [5]}, [0.0], [72.0], 1500),
    "in-line 6": ("in-line 6", 4, {"cylinders": [6]}, [0.0], [120.0], 20_000),
    "V4 own-main": (
        "V4 own-main",
        4,
        {"cylinders": [4], "arrangements": ["v"], "pins": ["own-main"], "bank_angle_deg": [90.0]},
        [90.0],
        [90.0],
        3000,
    ),
    "V3 own-web": (
        "V3 own-web",
        4,
        {"cylinders": [3], "arrangements": ["v"], "pins": ["own-web"], "bank_angle_deg": [90.0]},
        [90.0],
        [30.0],
        400,
    ),
    "V6 shared": (
        "V6 shared",
        4,
        {
            "cylinders": [6],
            "arrangements": ["v"],
            "pins": ["shared"],
            "bank_angle_deg": [60.0, 120.0],
        },
        [60.0, 120.0],
        [60.0],
        3000,
    ),
    "V6 split": (
        "V6 split",
        4,
        {
            "cylinders": [6],
            "arrangements": ["v"],
            "pins": ["split"],
            "bank_angle_deg": [90.0],
            "throw_angle_step_deg": 30.0,
        },
        [90.0],
        [30.0],
        3000,
    ),
    "V8 shared": (
        "V8 shared",
        4,
        {"cylinders": [8], "arrangements": ["v"], "pins": ["shared"], "bank_angle_deg": [90.0]},
        [90.0],
        [90.0],
        60_000,
    ),
    "V6 shared two-stroke": (
        "V6 shared",
        2,
        {"cylinders": [6], "arrangements": ["v"], "pins": ["shared"], "bank_angle_deg": [60.0]},
        [60.0],
        [60.0],
        400,
    ),
    "opposed 4 shared": (
        "opposed 4 shared",
        4,
        {"cylinders": [4], "arrangements": ["opposed"], "pins": ["shared"]},
        [180.0],
        [90.0],
        500,
    ),
}


@pytest.mark.parametrize("name", REACHABLE)
def test_every_even_order_that_a_crank_allows_is_reachable(name: str) -> None:
    family_name, strokes, space, angles_deg, steps_deg, n_random = REACHABLE[name]
    study = small_study(
        engine={"cycle_strokes": strokes}, space=space, constraints={"even_firing": True}
    )
    family = named_family(study, family_name)
    wanted = _even_designs(family, strokes, angles_deg, steps_deg[0])
    assert len(wanted) >= 2
    _, designs = decoded(study, family, n_random, seed=6)
    found = _as_whole_numbers(designs.batch)
    assert found == wanted


def _as_whole_numbers(batch: Batch) -> set[tuple[int, ...]]:
    """Return bank angle, banks, pins and firing angles of each candidate, in whole degrees."""
    banks = np.broadcast_to(batch.banks, batch.pin_angles_deg.shape)
    fired = firing.firing_angles_deg(batch)
    columns = [
        np.ptp(batch.bank_angles_deg, axis=1)[:, np.newaxis],
        banks,
        batch.pin_angles_deg % 360,
        fired,
    ]
    return {tuple(row) for row in np.rint(np.concatenate(columns, axis=1)).astype(int).tolist()}


def _even_designs(
    family: Family, strokes: int, angles_deg: list[float], step_deg: float
) -> set[tuple[int, ...]]:
    """Return every crank of a lattice with every even firing that `evaluate` says it allows."""
    n, cycle = family.cylinders, CYCLES[strokes]
    lattice = [step_deg * k for k in range(round(360 / step_deg))]
    is_paired = family.pins in ("shared", "split")
    splays = [s for s in (-30.0, 30.0)] if family.pins == "split" else [0.0]
    choices = (
        [tuple(int(b) for b in family.fixed_banks)]
        if family.fixed_banks is not None
        else [
            tuple(int(i not in first) for i in range(n))
            for first in map(set, itertools.combinations(range(n), (n + 1) // 2))
        ]
    )
    found = set()
    for angle, splay, banks in itertools.product(angles_deg, splays, choices):
        axes = np.array([0.0 if angle == 0 else angle * (bank - 0.5) for bank in banks])
        for rest in itertools.product(lattice, repeat=(n // 2 if is_paired else n) - 1):
            throws = (0.0, *rest)
            pins = np.array([p for t in throws for p in (t, t + splay)] if is_paired else throws)
            centres = axes - pins
            phases = np.mod(np.rint(centres - centres[0]), 360.0)
            if _is_hopeless(phases, cycle):
                continue
            for fired in firing.allowed_firing_angles_deg(phases, cycle, even_only=True):
                row = [angle, *banks, *(pins % 360), *fired]
                found.add(tuple(round(float(value)) for value in row))
    return found


def _is_hopeless(phases: np.ndarray, cycle_deg: float) -> bool:
    """Return whether the dead centres cannot fire evenly: spares trying every bit set."""
    counts = np.unique(phases, return_counts=True)[1]
    return bool(counts.max() > cycle_deg / 360.0)


OPERATED = {
    "in-line 6": {"space": {"cylinders": [6]}},
    "continuous V4 split": {
        "space": {
            "cylinders": [4],
            "arrangements": ["v"],
            "pins": ["split"],
            "throw_angle_step_deg": 0.0,
            "bank_angle_deg": {"from": 50.0, "to": 90.0},
            "reciprocating_fraction": {"from": 0.0, "to": 1.0},
            "balance_shafts": {"slots": ["1 backward", "2 forward"]},
        }
    },
    "V6 own-web": {
        "space": {
            "cylinders": [6],
            "arrangements": ["v"],
            "pins": ["own-web"],
            "bank_angle_deg": [60.0, 90.0],
            "balance_shafts": {"slots": ["1 backward", "2 forward", "2 backward"]},
        }
    },
    "even V8 shared": {
        "space": {
            "cylinders": [8],
            "arrangements": ["v"],
            "pins": ["shared"],
            "bank_angle_deg": [90.0],
        },
        "constraints": {"even_firing": True},
    },
    "mirror-symmetric in-line 8": {
        "space": {"cylinders": [8]},
        "constraints": {"mirror_symmetric": True},
    },
    "in-line 1": {"space": {"cylinders": [1]}},
}


@pytest.fixture(params=list(OPERATED))
def genome(request: pytest.FixtureRequest) -> Genome:
    study = small_study(**OPERATED[request.param])
    return genome_of(study, all_families(study)[0][0])


def _is_in_range(genomes: np.ndarray) -> bool:
    return bool(((genomes >= 0) & (genomes < 1)).all())


def test_operators_keep_genomes_genomes(genome: Genome) -> None:
    rng = np.random.default_rng(8)
    first, second = operators.sample(genome, 400, rng), operators.sample(genome, 400, rng)
    first[:3], second[:3] = 0.0, NEARLY_ONE  # the corners, where steps lead out
    first[3:6], second[3:6] = NEARLY_ONE, NEARLY_ONE
    kept = first.copy(), second.copy()
    one, two = operators.crossover(genome, first, second, rng)
    mutated = operators.mutate(genome, first, rng)
    for children in (one, two, mutated):
        assert children.shape == first.shape
        assert _is_in_range(children)
    assert (first == kept[0]).all()
    assert (second == kept[1]).all()


def test_crossover_of_twins_gives_twins(genome: Genome) -> None:
    rng = np.random.default_rng(1)
    parents = operators.sample(genome, 200, rng)
    one, two = operators.crossover(genome, parents, parents.copy(), rng)
    assert (one == parents).all()
    assert (two == parents).all()


def test_crossover_never_blends_what_has_no_between(genome: Genome) -> None:
    """Lattice angles, bits, slots and ranks come from one parent or the other, unchanged."""
    rng = np.random.default_rng(2)
    first, second = operators.sample(genome, 300, rng), operators.sample(genome, 300, rng)
    one, two = operators.crossover(genome, first, second, rng)
    for segment in genome.segments:
        columns = slice(segment.start, segment.stop)
        if segment.kind in ("pick", "key", "step") or segment.options:
            from_first = (one[:, columns] == first[:, columns]) & (
                two[:, columns] == second[:, columns]
            )
            from_second = (one[:, columns] == second[:, columns]) & (
                two[:, columns] == first[:, columns]
            )
            assert (from_first | from_second).all()
            assert 0.4 < from_first.mean() < 0.6  # a fair coin for each of 300 genes or more


def test_blended_angles_stay_between_or_a_little_beyond_along_the_shorter_arc() -> None:
    study = small_study(**OPERATED["continuous V4 split"])
    genome = genome_of(study, named_family(study, "V4 split"))
    angles = genome.segment("throw_angles")
    columns = slice(angles.start, angles.stop)
    rng = np.random.default_rng(3)
    first, second = operators.sample(genome, 500, rng), operators.sample(genome, 500, rng)
    first[:, columns], second[:, columns] = 0.95, 0.05  # 36 degrees apart across 0
    children = operators.crossover(genome, first, second, rng)
    for child in children:
        from_zero = (child[:, columns] + 0.5) % 1 - 0.5
        # A quarter of the gap beyond either parent at most: 0.05 + 0.25 * 0.1.
        assert np.abs(from_zero).max() <= 0.075 + 1e-12
        assert np.ptp(from_zero) > 0.1


def test_mutation_changes_some_genes_and_only_by_permutation_where_ranks_count(
    genome: Genome,
) -> None:
    rng = np.random.default_rng(4)
    parents = operators.sample(genome, 500, rng)
    mutated = operators.mutate(genome, parents, rng)
    changed = (mutated != parents).any(axis=1).mean()
    assert 0.2 < changed <= 1.0
    for segment in genome.segments:
        columns = slice(segment.start, segment.stop)
        if segment.kind == "key":
            assert (
                np.sort(mutated[:, columns], axis=1) == np.sort(parents[:, columns], axis=1)
            ).all()


def test_mutation_reaches_every_value_of_a_pick() -> None:
    study = small_study(**OPERATED["V6 own-web"])
    genome = genome_of(study, named_family(study, "V6 own-web"))
    genomes = np.zeros((4000, genome.n_genes))
    designs = genome.decode(operators.mutate(genome, genomes, np.random.default_rng(5)))
    assert len({tuple(row) for row in designs.batch.shaft_fractions.tolist()}) == 8
    assert len({tuple(row) for row in designs.batch.firing_bits.tolist()}) > 5


def test_lattice_steps_are_up_to_three_cells() -> None:
    study = small_study(space={"cylinders": [6], "throw_angle_step_deg": 10.0})
    genome = genome_of(study, named_family(study, "in-line 6"))
    angles = genome.segment("throw_angles")
    rng = np.random.default_rng(6)
    genomes = np.full((20_000, genome.n_genes), 0.5)
    before = genome.decode(genomes).batch.pin_angles_deg
    after = genome.decode(operators.mutate(genome, genomes, rng)).batch.pin_angles_deg
    moved = np.rint(((after - before + 180) % 360 - 180) / 10.0).astype(int)[:, 1:]
    steps, counts = np.unique(moved[moved != 0], return_counts=True)
    near = counts[np.abs(steps) <= 3].sum() / counts.sum()
    assert angles.options == 36
    assert near > 0.7  # the rest are drawn afresh


@pytest.mark.parametrize(
    ("tables", "name"),
    [
        ({"space": {"cylinders": [4], "throw_angle_step_deg": 90.0}}, "in-line 4"),
        ({"space": {"cylinders": [5], "throw_angle_step_deg": 36.0}}, "in-line 5"),
        (
            {
                "space": {
                    "cylinders": [6],
                    "arrangements": ["v"],
                    "pins": ["split"],
                    "bank_angle_deg": [60.0, 90.0],
                    "throw_angle_step_deg": 30.0,
                }
            },
            "V6 split",
        ),
        (
            {
                "space": {
                    "cylinders": [8],
                    "arrangements": ["v"],
                    "pins": ["shared"],
                    "bank_angle_deg": [60.0, 90.0, 120.0],
                    "throw_angle_step_deg": 45.0,
                }
            },
            "V8 shared",
        ),
        (
            {
                "space": {
                    "cylinders": [5],
                    "arrangements": ["v"],
                    "pins": ["own-main"],
                    "bank_angle_deg": {"from": 71.9999, "to": 72.0001},
                    "throw_angle_step_deg": 36.0,
                }
            },
            "V5 own-main",
        ),
        (
            {
                "space": {
                    "cylinders": [4],
                    "arrangements": ["opposed"],
                    "pins": ["own-web"],
                    "throw_angle_step_deg": 0.0,
                }
            },
            "opposed 4 own-web",
        ),
        (
            {
                "engine": {"cycle_strokes": 2},
                "space": {"cylinders": [6], "throw_angle_step_deg": 60.0},
            },
            "in-line 6",
        ),
    ],
)
def test_first_populations_start_from_even_cranks(tables: dict[str, Any], name: str) -> None:
    # Half of a free first population is taken from the evenly firing space; where the lattice
    # holds these cranks, their genomes must decode to even firing, to 1e-3 degrees with a range
    # of bank angles and to 1e-6 otherwise.
    study = small_study(**tables)
    family = named_family(study, name)
    genome = genome_of(study, family)
    genomes = first_genomes(genome, 120, np.random.default_rng(7))
    assert genomes.shape == (120, genome.n_genes)
    assert _is_in_range(genomes)
    batch = genome.decode(genomes).batch
    cycle = study.cycle_deg
    tolerance = 1e-3 if study.bank_angle_deg.is_range else 1e-6
    even = [
        max(abs(gap - cycle / family.cylinders) for gap in intervals_deg(fired, cycle)) < tolerance
        for fired in fired_deg(batch)
    ]
    assert all(even[:60])
    assert not all(even[60:]), "the other half is chance"
    assert len({tuple(row) for row in batch.pin_angles_deg[:60].tolist()}) > 1


def test_first_population_is_chance_where_nothing_fires_evenly() -> None:
    # A shared pin at 90 degrees puts the dead centres of a V2 90 apart, even firing needs 360.
    study = small_study(
        space={
            "cylinders": [2],
            "arrangements": ["v"],
            "pins": ["shared"],
            "bank_angle_deg": [90.0],
        }
    )
    genome = genome_of(study, named_family(study, "V2 shared"))
    genomes = first_genomes(genome, 50, np.random.default_rng(1))
    assert genomes.shape == (50, genome.n_genes)
    assert _is_in_range(genomes)


def test_collectors_follow_the_rule_of_the_study() -> None:
    rng = np.random.default_rng(2)
    space = {
        "cylinders": [4],
        "arrangements": ["v"],
        "pins": ["own-main"],
        "bank_angle_deg": [90.0],
    }
    for rule, expected in (
        ("one", lambda _: np.zeros((30, 4), int)),
        ("per bank", lambda batch: batch.banks),
        ({"4": [["1", "4"], ["2", "3"]]}, lambda _: np.array([[0, 1, 1, 0]] * 30)),
    ):
        study = small_study(space=space, exhaust={"collectors": rule})
        genome = genome_of(study, named_family(study, "V4 own-main"))
        batch = genome.decode(rng.random((30, genome.n_genes))).batch
        collectors = np.broadcast_to(batch.collectors, (30, 4))
        assert (collectors == expected(batch)).all()


def test_best_of_two_collectors_is_no_worse_than_any_partition() -> None:
    # 7 partitions of four cylinders into two non-empty groups, tried here one by one: least
    # overlap at an opening of 240 degrees.
    study = small_study(space={"throw_angle_step_deg": 30.0}, exhaust={"collectors": "best of 2"})
    genome = genome_of(study, named_family(study, "in-line 4"))
    batch = genome.decode(np.random.default_rng(3).random((40, genome.n_genes))).batch
    for row, fired in enumerate(fired_deg(batch)):
        overlaps = {
            groups: _overlap_deg(fired, groups)
            for groups in itertools.product((0, 1), repeat=4)
            if len(set(groups)) == 2
        }
        chosen = tuple(int(g) for g in batch.collectors[row])
        assert overlaps[chosen] == pytest.approx(min(overlaps.values()), abs=1e-6)


def _overlap_deg(fired: list[float], groups: tuple[int, ...]) -> float:
    total = 0.0
    for group in set(groups):
        gaps = intervals_deg([f for f, g in zip(fired, groups, strict=True) if g == group], 720.0)
        total += sum(max(0.0, 240.0 - gap) for gap in gaps)
    return total
