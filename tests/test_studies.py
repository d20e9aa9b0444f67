"""The study and layout files that users run as they are: they work, and say what is known.

Sources of the facts stand beside each layout. "Handbook": the table of free forces and moments in
the crankshaft-drive chapter of the Bosch Automotive Handbook, values from memory. "Bevan": T.
Bevan, The Theory of Machines, ch. 14 (direct and reverse cranks), from memory unless an example is
named. "Derived": summed by hand with Bevan's method, no table has it. "Practice": common practice,
no source. Coefficients are exact roots or printed digits, never our own output.
"""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evaluate import Layout, evaluation_document, read_layout
from optimize.cli import main
from optimize.plan import plan_of
from optimize.run import Outcome, run_study
from optimize.study import Study, read_study

STUDIES = Path(__file__).parents[1] / "studies"
STUDY_FILES = sorted(STUDIES.glob("*.toml"))
LAYOUT_FILES = sorted((STUDIES / "layouts").glob("*.toml"))

#: Three or four printed digits; the series of C_2 below is cut after lambda^5 (6e-5 off at most).
PRINTED_DIGITS = 2e-3
#: Of one cylinder's m r w^2 (times the crank's length): sums of a dozen terms cancel to round-off.
ROUND_OFF = 1e-9
DEGREES = 1e-6  # angles are sums and differences of the file's round numbers

#: What "free of orders 1 and 2" means.
ALL_CLEAN = ("force 1", "couple 1", "force 2", "couple 2")
FORCES_CLEAN = ("force 1", "force 2")


@dataclass(frozen=True, kw_only=True)
class Facts:
    """What is known of a layout.

    Attributes
    ----------
    order, intervals_deg
        Firing order with the file's labels, and intervals from its first firing.
    reciprocating, residual : dict
        Before balancing, and after counterweights and shafts: "force 1", "couple 2", ... with
        (greatest, least) over a turn in m r w^2, or that times C_2 for order 2, and times
        `length_mm` for couples.
    clean : tuple of str
        What is zero after counterweights and shafts.
    length_mm : float
        The a or b of the sources: throw pitch, pitch of pairs, or stagger of an opposed pair.
    spacings_deg : tuple of tuples or None
        Exhaust spacings by collector.
    """

    order: str
    intervals_deg: tuple[float, ...]
    clean: tuple[str, ...] = ()
    reciprocating: dict[str, tuple[float, float]] = field(default_factory=dict)
    residual: dict[str, tuple[float, float]] = field(default_factory=dict)
    length_mm: float = 0.0
    spacings_deg: tuple[tuple[float, ...], ...] | None = None


ROOT_2, ROOT_3, ROOT_10 = math.sqrt(2), math.sqrt(3), math.sqrt(10)
FACTS: dict[str, Facts] = {
    # Bevan, one-half rule: half the mass counterweighted leaves half the force, turning.
    "single": Facts(
        order="1",
        intervals_deg=(720,),
        clean=("couple 1", "couple 2"),
        reciprocating={"force 1": (1, 0), "force 2": (1, 0)},
        residual={"force 1": (0.5, 0.5), "force 2": (1, 0)},
    ),
    # Textbook sum of two cylinders in step; then the one-half rule. Intervals: practice.
    "in-line-twin-360": Facts(
        order="1-2",
        intervals_deg=(360, 360),
        clean=("couple 1", "couple 2"),
        reciprocating={"force 1": (2, 0), "force 2": (2, 0)},
        residual={"force 1": (1, 1)},
    ),
    # Textbook: couple F1 a, force 2 F2. Intervals: practice.
    "in-line-twin-180": Facts(
        order="1-2",
        intervals_deg=(180, 540),
        clean=("force 1", "couple 2"),
        reciprocating={"couple 1": (1, 0), "force 2": (2, 0)},
        length_mm=91,
    ),
    # Derived: sqrt(2) F1, F1 a / sqrt(2), F2 a. Intervals: practice.
    "in-line-twin-270": Facts(
        order="1-2",
        intervals_deg=(270, 450),
        clean=("force 2",),
        reciprocating={"force 1": (ROOT_2, 0), "couple 1": (1 / ROOT_2, 0), "couple 2": (1, 0)},
        length_mm=91,
    ),
    # Handbook: sqrt(3) F1 a, sqrt(3) F2 a. Counterweights and one backward shaft: practice.
    "in-line-three": Facts(
        order="1-3-2",
        intervals_deg=(240,) * 3,
        clean=(*FORCES_CLEAN, "couple 1"),
        reciprocating={"couple 1": (ROOT_3, 0), "couple 2": (ROOT_3, 0)},
        residual={"couple 2": (ROOT_3, 0)},
        length_mm=82,
    ),
    # Only what the offset leaves alone; its own effect has a test below.
    "in-line-three-offset-path": Facts(order="1-3-2", intervals_deg=(240,) * 3, clean=FORCES_CLEAN),
    # Handbook, as the three above, whatever the cycle. Intervals: one firing a turn and cylinder.
    "two-stroke-in-line-three": Facts(
        order="1-3-2",
        intervals_deg=(120,) * 3,
        clean=FORCES_CLEAN,
        reciprocating={"couple 1": (ROOT_3, 0), "couple 2": (ROOT_3, 0)},
        length_mm=92,
        spacings_deg=((120,) * 3,),
    ),
    # Handbook: 4 F2. Order, and 360 between pulses of {1, 4} and of {2, 3}: practice.
    "in-line-four-flat": Facts(
        order="1-3-4-2",
        intervals_deg=(180,) * 4,
        clean=("force 1", "couple 1", "couple 2"),
        reciprocating={"force 2": (4, 0)},
        spacings_deg=((360, 360), (360, 360)),
    ),
    # Derived: sqrt(10) F1 a. Intervals: practice.
    "in-line-four-cross-plane": Facts(
        order="1-3-2-4",
        intervals_deg=(270, 180, 90, 180),
        clean=ALL_CLEAN,
        reciprocating={"couple 1": (ROOT_10, 0)},
        length_mm=86,
    ),
    # Handbook: 0.449 F1 a, 4.98 F2 a with this order. Intervals: practice.
    "in-line-five": Facts(
        order="1-2-4-5-3",
        intervals_deg=(144,) * 5,
        clean=FORCES_CLEAN,
        reciprocating={"couple 1": (0.449, 0), "couple 2": (4.98, 0)},
        length_mm=90,
    ),
    # Handbook: all zero. Order and pulses of the front and the rear three: practice.
    "in-line-six": Facts(
        order="1-5-3-6-2-4",
        intervals_deg=(120,) * 6,
        clean=ALL_CLEAN,
        spacings_deg=((240,) * 3, (240,) * 3),
    ),
    # Derived: all zero by symmetry. Order: practice.
    "in-line-eight": Facts(
        order="1-6-2-5-8-3-7-4",
        intervals_deg=(90,) * 8,
        clean=ALL_CLEAN,
        spacings_deg=((360, 360),) * 4,
    ),
    # Khurmi and Gupta, Theory of Machines, ch. 22, ex. 22.13: F1 constant, sqrt(2) F2 across;
    # intervals 360 -+ 90: V-twin rule, practice.
    "v-twin-90": Facts(
        order="1-2",
        intervals_deg=(450, 270),
        clean=("force 1",),
        reciprocating={"force 1": (1, 1), "force 2": (ROOT_2, 0)},
    ),
    # Derived: forward and backward first-order couple sqrt(10)/2 F1 a each, 2 sqrt(2) F2.
    "v-four-90-own-throws": Facts(
        order="1-3-2-4",
        intervals_deg=(180,) * 4,
        clean=("force 1", "couple 2"),
        reciprocating={"couple 1": (ROOT_10, 0), "force 2": (2 * ROOT_2, 0)},
        residual={"couple 1": (ROOT_10 / 2, ROOT_10 / 2)},
        length_mm=95.8,
    ),
    # Handbook: 3/2 F1 a and 3/2 F2 a. Counterweights cancel the first: practice.
    "v-six-60-own-pins": Facts(
        order="1-2-3-4-5-6",
        intervals_deg=(120,) * 6,
        clean=(*FORCES_CLEAN, "couple 1"),
        reciprocating={"couple 1": (1.5, 1.5), "couple 2": (1.5, 1.5)},
        length_mm=120,
        spacings_deg=((240,) * 3, (240,) * 3),
    ),
    # Handbook: 0.4483 F1 a after counterweights, second order (0.966 +- 0.259) sqrt(3) F2 a (the
    # remembered entry has 0.256; sin 15 is 0.2588); before counterweights (cos 15 +- sin 15)
    # sqrt(3). Order: service manuals of such engines, from memory.
    "v-six-90-split-pins": Facts(
        order="1-6-5-4-3-2",
        intervals_deg=(120,) * 6,
        clean=(*FORCES_CLEAN, "couple 1"),
        reciprocating={
            "couple 1": (1.6730 + 0.4483, 1.6730 - 0.4483),
            "couple 2": ((0.9659 + 0.2588) * ROOT_3, (0.9659 - 0.2588) * ROOT_3),
        },
        length_mm=110,
    ),
    # Derived: first order sqrt(3) forward and sqrt(3)/2 backward, second the other way round.
    "v-six-120": Facts(
        order="1-2-3-4-5-6",
        intervals_deg=(120,) * 6,
        clean=FORCES_CLEAN,
        reciprocating={
            "couple 1": (1.5 * ROOT_3, 0.5 * ROOT_3),
            "couple 2": (1.5 * ROOT_3, 0.5 * ROOT_3),
        },
        residual={"couple 1": (ROOT_3 / 2, ROOT_3 / 2)},
        length_mm=110,
    ),
    # Handbook: sqrt(10) F1 a, turning, so that counterweights cancel it. Order: marine engine
    # catalogue; pulses of the two banks follow from it.
    "v-eight-cross-plane": Facts(
        order="1-8-4-3-6-5-7-2",
        intervals_deg=(90,) * 8,
        clean=ALL_CLEAN,
        reciprocating={"couple 1": (ROOT_10, ROOT_10)},
        length_mm=112,
        spacings_deg=((270, 180, 90, 180), (90, 180, 270, 180)),
    ),
    # SAE J824: the mirrored engine; banks seen from the driving end (method B).
    "v-eight-cross-plane-anticlockwise": Facts(
        order="1R-4L-2L-2R-3L-3R-4R-1L",
        intervals_deg=(90,) * 8,
        clean=ALL_CLEAN,
        reciprocating={"couple 1": (ROOT_10, ROOT_10)},
        length_mm=112,
    ),
    # C. F. Taylor, The Internal-Combustion Engine in Theory and Practice, vol. 2, ch. 8, from
    # memory: 4 sqrt(2) F2 across the bisector. Order by bank: practice.
    "v-eight-flat-plane": Facts(
        order="1-5-3-7-4-8-2-6",
        intervals_deg=(90,) * 8,
        clean=("force 1", "couple 1"),
        reciprocating={"force 2": (4 * ROOT_2, 0)},
        spacings_deg=((180,) * 4, (180,) * 4),
    ),
    # Handbook: all zero. Order by bank: practice.
    "v-twelve-60": Facts(
        order="1-12-5-8-3-10-6-7-2-11-4-9",
        intervals_deg=(60,) * 12,
        clean=ALL_CLEAN,
        spacings_deg=((120,) * 6, (120,) * 6),
    ),
    # Textbook: F1 b and F2 b, b the stagger. Intervals: practice.
    "opposed-twin": Facts(
        order="1-2",
        intervals_deg=(360, 360),
        clean=FORCES_CLEAN,
        reciprocating={"couple 1": (1, 0), "couple 2": (1, 0)},
        residual={"couple 1": (0.5, 0.5)},
        length_mm=40,
    ),
    # Handbook: 2 F2 b. Order: aviation training text.
    "opposed-four": Facts(
        order="1-3-2-4",
        intervals_deg=(180,) * 4,
        clean=(*FORCES_CLEAN, "couple 1"),
        reciprocating={"couple 2": (2, 0)},
        length_mm=52,
        spacings_deg=((360, 360), (360, 360)),
    ),
    # Handbook: all zero. Order: aviation training text.
    "opposed-six": Facts(order="1-4-5-2-3-6", intervals_deg=(120,) * 6, clean=ALL_CLEAN),
    # Bevan, example 14.12: 3/2 F1 turning with the crank, 3/2 F2 against it. Odd number of
    # cylinders on one throw fires every other one: practice.
    "radial-three": Facts(
        order="1-3-2",
        intervals_deg=(240,) * 3,
        clean=("force 1", "couple 1", "couple 2"),
        reciprocating={"force 1": (1.5, 1.5), "force 2": (1.5, 1.5)},
    ),
    # Derived: 16 phases 45 apart, two at each of eight; banks 45 apart make the first-order couple
    # 4 x sqrt(10)/2 F1 a turn with the crank. The order is left to the program: any even one.
    "w-sixteen-four-banks": Facts(
        order="",
        intervals_deg=(45,) * 16,
        clean=ALL_CLEAN,
        reciprocating={"couple 1": (2 * ROOT_10, 2 * ROOT_10)},
        length_mm=160,
    ),
}
EACH_LAYOUT = [pytest.param(name, facts, id=name) for name, facts in FACTS.items()]


@cache
def layout(name: str) -> Layout:
    """Return a layout by the stem of its file."""
    return read_layout(STUDIES / "layouts" / f"{name}.toml")


@cache
def document(name: str) -> dict[str, Any]:
    """Return its evaluation."""
    return evaluation_document(layout(name))


def given(name: str) -> dict[str, Any]:
    """Return the tables of its file as they stand."""
    return tomllib.loads((STUDIES / "layouts" / f"{name}.toml").read_text(encoding="utf-8"))


def single_force_N(name: str) -> float:
    """Return m r w^2 of one cylinder, from the numbers in the file."""
    tables = given(name)
    cylinder, speed_rpm = tables["cylinder"], tables["operation"]["speed_rpm"]
    speed_rad_s = speed_rpm * math.pi / 30
    radius_m = cylinder["stroke_mm"] / 2000
    return float(cylinder["reciprocating_mass_kg"] * radius_m * speed_rad_s**2)


def second_harmonic(name: str) -> float:
    """Return C_2 of the central slider-crank: lambda + lambda^3/4 + 15 lambda^5/128.

    Biezeno and Grammel, Engineering Dynamics, vol. 4, and others, from memory.
    """
    cylinder = given(name)["cylinder"]
    ratio = cylinder["stroke_mm"] / 2 / cylinder["rod_length_mm"]
    return float(ratio + ratio**3 / 4 + 15 * ratio**5 / 128)


def span_m(name: str) -> float:
    """Return the length of the crank between its outer cylinders, at least 10 mm."""
    return max(0.01, float(np.ptp(layout(name).engine.positions_m)))


def test_every_layout_file_has_its_facts() -> None:
    assert sorted(FACTS) == sorted(path.stem for path in LAYOUT_FILES)
    assert len(FACTS) >= 16


@pytest.mark.parametrize(("name", "facts"), EACH_LAYOUT)
def test_a_layout_fires_as_it_is_known_to(name: str, facts: Facts) -> None:
    firing = document(name)["firing"]
    if facts.order:
        assert "-".join(firing["order"]) == facts.order
    assert firing["fire_together"] == []
    np.testing.assert_allclose(firing["intervals_deg"], facts.intervals_deg, atol=DEGREES)


@pytest.mark.parametrize(("name", "facts"), EACH_LAYOUT)
def test_a_layout_is_as_free_of_shaking_as_it_is_known_to_be(name: str, facts: Facts) -> None:
    residual, force_N = document(name)["inertia"]["residual"], single_force_N(name)
    for what in facts.clean:
        kind, order = what.split()
        key, scale = ("force_peak_N", force_N)
        if kind == "couple":
            key, scale = "couple_peak_Nm", force_N * span_m(name)
        assert residual[order][key] == pytest.approx(0, abs=ROUND_OFF * scale), what


@pytest.mark.parametrize(
    ("name", "stage", "what", "expected"),
    [
        pytest.param(name, stage, what, expected, id=f"{name} {stage} {what}")
        for name, facts in FACTS.items()
        for stage in ("reciprocating", "residual")
        for what, expected in getattr(facts, stage).items()
    ],
)
def test_a_layout_shakes_as_much_as_is_published(
    name: str, stage: str, what: str, expected: tuple[float, float]
) -> None:
    kind, order = what.split()
    unit = single_force_N(name) * (second_harmonic(name) if order == "2" else 1.0)
    if kind == "couple":
        assert FACTS[name].length_mm > 0
        unit *= FACTS[name].length_mm / 1000
    row, ending = document(name)["inertia"][stage][order], "N" if kind == "force" else "Nm"
    got = [row[f"{kind}_{which}_{ending}"] / unit for which in ("peak", "least")]
    assert got == pytest.approx(expected, rel=PRINTED_DIGITS, abs=PRINTED_DIGITS)


@pytest.mark.parametrize(
    ("name", "facts"), [p for p in EACH_LAYOUT if FACTS[str(p.id)].spacings_deg is not None]
)
def test_exhaust_pulses_are_spaced_as_known(name: str, facts: Facts) -> None:
    got = [tuple(c["spacings_deg"]) for c in document(name)["exhaust"]["collectors"]]
    assert facts.spacings_deg is not None
    assert len(got) == len(facts.spacings_deg)
    for mine, known in zip(got, facts.spacings_deg, strict=True):
        np.testing.assert_allclose(mine, known, atol=DEGREES)


def test_nothing_but_the_order_of_the_four_banks_is_assumed() -> None:
    # Files that users learn from leave nothing open unless their comment says so.
    assumed = {name: document(name)["assumed"] for name in FACTS if document(name)["assumed"]}
    assert list(assumed) == ["w-sixteen-four-banks"]


def test_the_mirrored_v_eight_has_the_same_numbers() -> None:
    # A mirror image has the same forces, couples and pulses (design, section 3: angles grow in the
    # direction of rotation). The very same arithmetic runs, so the numbers are equal to the bit.
    one, other = document("v-eight-cross-plane"), document("v-eight-cross-plane-anticlockwise")
    assert one["rotation"] != other["rotation"]
    assert one["inertia"] == other["inertia"]
    assert one["firing"]["angles_deg"] == other["firing"]["angles_deg"]
    assert one["metrics"] == other["metrics"]


def test_the_v_four_has_exactly_the_two_even_orders_of_its_comment() -> None:
    # Brute force over the turns of the cycle with theta = beta - alpha (design, section 3).
    tables = given("v-four-90-own-throws")
    axes = [tables["banks"]["angles_deg"][bank - 1] for bank in tables["cylinders"]["bank"]]
    tops = [b - a for b, a in zip(axes, tables["crank"]["throw_angles_deg"], strict=True)]
    phases = [(top - tops[0]) % 360 for top in tops]
    even = set()
    for turns in product((0, 360), repeat=3):
        angles = [phase + turn for phase, turn in zip(phases, (0, *turns), strict=True)]
        if sorted(angles) == [0, 180, 360, 540]:
            even.add("-".join(str(i + 1) for i in sorted(range(4), key=lambda i: angles[i])))
    assert even == {"1-3-2-4", "1-4-2-3"}
    assert len(set(tables["crank"]["throw_angles_deg"])) == 4
    assert tables["cylinders"]["bank"] == [1, 2, 2, 1]


def test_third_order_forces_of_the_offset_three_add_up() -> None:
    # R. L. Norton, Design of Machinery, ch. 4 (from memory): x = r cos + sqrt(l^2 - (r sin - e)^2).
    # The third harmonic of its second derivative, times three cylinders in step. The transform of
    # 4096 exact points and the sums differ from the program's by round-off, 1e-9 with a margin.
    name = "in-line-three-offset-path"
    cylinder = given(name)["cylinder"]
    r, rod, e = (
        cylinder["stroke_mm"] / 2,
        cylinder["rod_length_mm"],
        cylinder["pin_path_offset_mm"],
    )
    theta = 2 * np.pi * np.arange(4096) / 4096
    travel = r * np.cos(theta) + np.sqrt(rod**2 - (r * np.sin(theta) - e) ** 2)
    third = 2 * abs(np.fft.rfft(travel)[3]) / 4096 * 9 / r
    expected_N = 3 * third * single_force_N(name)
    residual = document(name)["inertia"]["residual"]
    assert residual["3"]["force_peak_N"] == pytest.approx(expected_N, rel=1e-9)
    central = document("in-line-three")["inertia"]["residual"]
    assert central.get("3", {}).get("force_peak_N", 0.0) == 0.0


def test_the_readme_of_the_studies_names_every_file() -> None:
    text = (STUDIES / "README.md").read_text(encoding="utf-8")
    missing = [path.name for path in STUDY_FILES + LAYOUT_FILES if f"`{path.name}`" not in text]
    assert missing == []


def test_the_files_that_the_commands_name_in_their_help_exist() -> None:
    texts = [str(command.epilog) for command in (main, *main.commands.values())]
    named = re.findall(r"studies/\S+\.toml", " ".join(texts))
    assert named
    assert [path for path in named if not (STUDIES.parent / path).exists()] == []


EACH_STUDY = pytest.mark.parametrize("path", STUDY_FILES, ids=lambda path: path.stem)


def test_the_three_studies_are_there() -> None:
    assert {path.stem for path in STUDY_FILES} >= {
        "compact-four-stroke",
        "automotive",
        "large-bore",
    }


@EACH_STUDY
def test_a_study_yields_families_of_each_kind_it_asks_for(path: Path) -> None:
    study = read_study(path)
    families = plan_of(study).families
    assert study.name == path.stem
    assert study.question
    assert {family.arrangement for family in families} == set(study.arrangements)
    assert {family.cylinders for family in families} == set(study.cylinders)
    paired_with = {family.pins for family in families if family.arrangement != "in-line"}
    assert paired_with == set(study.pins)


@EACH_STUDY
def test_the_baseline_answers_to_the_givens_of_its_study(path: Path) -> None:
    # Baseline files have round numbers: 1 % of displacement and speed. Otherwise its scores would
    # not stand beside those of the front.
    study = read_study(path)
    if path.stem == "every-v-eight":  # asks what there is at all, not what is better than one
        assert study.baseline is None
        return
    assert study.baseline is not None
    engine = read_layout(study.baseline).engine
    bore_area_m2 = math.pi / 4 * engine.bore_m**2
    swept_m3 = engine.n_cylinders * bore_area_m2 * 2 * engine.crank_radius_m
    assert swept_m3 == pytest.approx(study.displacement_m3, rel=0.01)
    assert engine.n_cylinders in study.cylinders
    assert engine.cycle_deg == study.cycle_deg
    if study.speed_rad_s is not None:
        assert engine.speed_rad_s == pytest.approx(study.speed_rad_s, rel=0.01)
    else:
        piston_speed_m_s = 2 * engine.crank_radius_m * engine.speed_rad_s / math.pi
        assert piston_speed_m_s == pytest.approx(study.mean_piston_speed_m_s, rel=0.01)


def tiny(study: Study, *, each: int) -> Study:
    """Return the study with a budget of so many designs a family."""
    return replace(study, evaluations=each * len(plan_of(study).families), population=16)


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Study, Outcome]]:
    """Return every study with the outcome of a tiny run."""
    found = {}
    for path in STUDY_FILES:
        study = tiny(read_study(path), each=48)
        folder = tmp_path_factory.mktemp(path.stem)
        found[path.stem] = (study, run_study(study, folder, workers=1))
    return found


@EACH_STUDY
def test_a_study_runs_and_finds_designs_within_its_limits(
    path: Path, outcomes: dict[str, tuple[Study, Outcome]]
) -> None:
    study, outcome = outcomes[path.stem]
    assert outcome.is_complete
    assert len(outcome.common) > 1
    assert sum(state.evaluations for state in outcome.states.values()) <= study.evaluations
    for intervals_deg in outcome.common["firing_intervals_deg"]:
        even_deg = study.cycle_deg / len(intervals_deg)
        factor = study.largest_interval_factor
        limit = 1.0 if study.even_firing or factor is None else factor
        assert max(intervals_deg) <= limit * even_deg + DEGREES
        assert sum(intervals_deg) == pytest.approx(study.cycle_deg, abs=DEGREES)
    for bound in study.bounds:
        excess = bound.sign * (outcome.common[bound.key] - bound.limit)
        assert excess.max() <= 1e-6 * abs(bound.limit)


def test_the_front_of_the_demo_keeps_the_classics_in_view(
    outcomes: dict[str, tuple[Study, Outcome]],
) -> None:
    # Design, section 5: a front without in-line four, five or six lacks a price. That the flat
    # four and the mirrored six stand for their families is the trade's own judgement (handbook
    # table: the one without first order, the other without any).
    _, outcome = outcomes["compact-four-stroke"]
    front = outcome.common
    assert set(front["family"]) >= {"in-line 4", "in-line 5", "in-line 6"}
    assert "0-180-180-0" in set(front.loc[front["family"] == "in-line 4", "throw_angles"])
    sixes = set(front.loc[front["family"] == "in-line 6", "throw_angles"])
    assert sixes <= {"0-240-120-120-240-0", "0-120-240-240-120-0"}
