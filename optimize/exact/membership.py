"""Whether a design belongs to the space of a study, and how many the space holds.

Written from the definition of the space (cranks, banks, bits, fractions, shafts), not from the
genes that a search decodes or the classes that an enumeration walks through.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from evaluate import firing
from evaluate.batch import SLOTS, FloatArray
from optimize.families import Family
from optimize.fronts import one_row_batch
from optimize.study import Choice, Study

_SAME_DEG = 1e-6  # angles closer than this are one: round-off of sums, far below any lattice
_SAME = 1e-9  # the same for fractions
_NUMBERS = (
    "bank_angle_deg",
    "splay_deg",
    "reciprocating_fraction",
    "rotating_fraction",
    "cylinders",
    "equals",
)


def shape_problem(row: pd.Series, family: Family | None) -> str | None:
    """Return why a row cannot be rebuilt at all, None if it can.

    Parameters
    ----------
    row : Series
        Of a front table.
    family : Family or None
        The family of that name; None if the study has none.
    """
    if family is None:
        return f"the study has no family {row['family']!r}"
    n = family.cylinders
    lengths = {
        "throw_angles_deg": family.engine.n_throws,
        "firing_angles_deg": n,
        "cylinder_banks": n,
        "collectors": n,
    }
    for name, length in lengths.items():
        if len(row[name]) != length:
            return f"{name} has {len(row[name])} entries, not {length}"
        if not np.isfinite(np.array(row[name], float)).all():
            return f"{name} holds what is no number"
    for name in _NUMBERS:
        if not math.isfinite(row[name]):
            return f"{name} is no number"
    given = (row["arrangement"], int(row["cylinders"]), row["pins"])
    if given != (family.arrangement, n, family.pins):
        return "arrangement, cylinders or pins are not those of its family"
    banks = 1 if family.arrangement == "in-line" else 2
    if not set(np.array(row["cylinder_banks"]).tolist()) <= set(range(1, banks + 1)):
        return "a cylinder stands on a bank that the family has not"
    unknown = set(shaft_names(row)) - {slot.name for slot in SLOTS}
    return f"unknown balance shafts {sorted(unknown)}" if unknown else None


def space_problems(row: pd.Series, family: Family, study: Study) -> list[str]:
    """Return in which ways a row lies outside the space of its study; none if inside.

    Parameters
    ----------
    row : Series
        Of a front table, of which `shape_problem` said nothing.
    family : Family
        Its family.
    study : Study
        Says what the space is.
    """
    problems = [
        *_crank_problems(row, family, study),
        *_bank_problems(row, family, study),
        *_firing_problems(row, study),
        *_balance_problems(row, study),
        *_collector_problems(row, study),
    ]
    if int(row["equals"]) < 1:
        problems.append(f"{row['equals']} designs stand behind it")
    return problems


def raw_count(study: Study, family: Family) -> int | None:
    """Return the number of raw candidates of a family, None where they cannot be counted so.

    Parameters
    ----------
    study : Study
        A lattice study; even firing and mirror-symmetric cranks are not counted here.
    family : Family
        One of its families.

    Notes
    -----
    lattice^(throws - 1) x 2^(n - 1) firing bits (four-stroke) x bank angles x splays x
    assignments of cylinders to banks (own throws) x fractions x sets of balance shafts; paired
    cylinders are one throw here.
    """
    is_range = study.bank_angle_deg.is_range and family.arrangement == "v"
    if study.even_firing or study.mirror_symmetric or not study.throw_angle_step_deg:
        return None
    if is_range or study.reciprocating_fraction.is_range:
        return None
    n = family.cylinders
    throws = n // 2 if family.is_paired else n
    count = int(len(lattice_deg(study, family)) ** (throws - 1))
    count *= 2 ** (n - 1) if study.cycle_deg > firing.TURN_DEG else 1
    count *= len(study.bank_angle_deg.values) if family.arrangement == "v" else 1
    count *= len(splays_deg(study, family)) if family.pins == "split" else 1
    if family.arrangement != "in-line" and not family.is_paired:
        count *= math.comb(n, (n + 1) // 2)
    return count * len(study.reciprocating_fraction.values) * len(study.shaft_subsets)


def lattice_deg(study: Study, family: Family) -> list[float]:
    """Return the angles that a throw may take. [deg]

    Multiples of the step; with even-firing angles also those at which throws of an evenly firing
    engine stand: 360/N apart, or 720/N where each crank angle serves both turns of a four-stroke.
    """
    steps = round(firing.TURN_DEG / study.throw_angle_step_deg)
    angles = {round(firing.TURN_DEG * k / steps, 6) for k in range(steps)}
    if study.add_even_firing_angles:
        is_shared = study.cycle_deg > firing.TURN_DEG and family.cylinders % 2 == 0
        places = family.cylinders // 2 if is_shared else family.cylinders
        angles |= {round(firing.TURN_DEG * k / places, 6) for k in range(places)}
    return sorted(angles)


def splays_deg(study: Study, family: Family) -> list[float]:
    """Return the splays on the lattice: multiples of the step but 0 whose pin halves overlap."""
    step = study.throw_angle_step_deg
    most = int(180 / step + 1e-9)
    splays = [k * step for k in range(-most, most + 1) if k]
    return [splay for splay in splays if _may_splay(splay, study, family)]


def shaft_names(row: pd.Series) -> list[str]:
    """Return the names of a row's balance shafts."""
    return [] if row["shafts"] == "none" else str(row["shafts"]).split(" + ")


def _may_splay(splay_deg: float, study: Study, family: Family) -> bool:
    """Return whether the study allows a splay: its limit, and d - 2 r sin(delta/2) >= 0.2 d."""
    p, engine = study.proportions, family.engine
    pin_m = p.pin_diameter_to_bore * engine.bore_m
    half_rad = math.radians(abs(splay_deg) / 2)
    overlap_m = pin_m - 2 * engine.crank_radius_m * math.sin(half_rad)
    is_thick = overlap_m >= (p.pin_overlap_min - _SAME) * pin_m
    return is_thick and abs(splay_deg) <= study.splay_limit_deg + _SAME_DEG


def _apart_deg(one: float | FloatArray, other: float | FloatArray) -> FloatArray:
    """Return how far angles are apart, the shorter way round. [deg]"""
    apart: FloatArray = np.abs((np.asarray(one) - np.asarray(other) + 180) % 360 - 180)
    return apart


def _crank_problems(row: pd.Series, family: Family, study: Study) -> list[str]:
    angles = np.array(row["throw_angles_deg"], float)
    problems = []
    if _apart_deg(angles[0], 0.0) > _SAME_DEG:
        problems.append("throw 1 does not stand at 0 deg")
    if family.pins == "split":
        if (_apart_deg(angles[1::2], angles[::2] + row["splay_deg"]) > _SAME_DEG).any():
            problems.append("throw angles do not have the splay that is stated")
        angles = angles[::2]
    if study.throw_angle_step_deg and not study.even_firing:
        lattice = np.array(lattice_deg(study, family))
        off = _apart_deg(angles[:, np.newaxis], lattice).min(axis=1) > _SAME_DEG
        if off.any():
            problems.append(f"throw angle {angles[off][0]:.6g} deg is not on the lattice")
    if study.mirror_symmetric and (_apart_deg(angles, angles[::-1]) > _SAME_DEG).any():
        problems.append("the crank is not mirror-symmetric")
    return problems + _splay_problems(row, family, study)


def _splay_problems(row: pd.Series, family: Family, study: Study) -> list[str]:
    splay, bank = float(row["splay_deg"]), float(row["bank_angle_deg"])
    if family.pins != "split":
        return [f"a splay of {splay:g} deg"] if abs(splay) > _SAME_DEG else []
    if study.even_firing:
        pairs = np.array([(fit.bank_angle_deg, fit.splay_deg) for fit in family.even_fits])
        is_known = (np.abs(pairs - [bank, splay]) < _SAME_DEG).all(axis=1).any()
    elif study.throw_angle_step_deg:
        is_known = min(abs(splay - known) for known in splays_deg(study, family)) < _SAME_DEG
    else:
        is_known = _may_splay(splay, study, family)
    return [] if is_known else [f"a splay of {splay:g} deg is not one of the study's"]


def _bank_problems(row: pd.Series, family: Family, study: Study) -> list[str]:
    problems = []
    bank, banks = float(row["bank_angle_deg"]), np.array(row["cylinder_banks"], int)
    if family.arrangement == "v":
        is_known = _is_chosen(study.bank_angle_deg, bank, _SAME_DEG)
    else:
        is_known = abs(bank - (180.0 if family.arrangement == "opposed" else 0.0)) < _SAME_DEG
    if not is_known:
        problems.append(f"a bank angle of {bank:g} deg is not one of the study's")
    if family.fixed_banks is not None:
        is_dealt = bool((banks - 1 == family.fixed_banks).all())
    else:
        is_dealt = int((banks == 1).sum()) == (family.cylinders + 1) // 2
    return problems if is_dealt else [*problems, "its cylinders are dealt out to banks otherwise"]


def _firing_problems(row: pd.Series, study: Study) -> list[str]:
    given = np.array(row["firing_angles_deg"], float)
    batch = one_row_batch(row)
    problems = []
    if not np.isin(batch.firing_bits, (0, 1)).all() or batch.firing_bits[0, 0] != 0:
        problems.append("cylinders fire outside the cycle, or the first not at 0 deg")
    elif study.cycle_deg <= firing.TURN_DEG and batch.firing_bits.any():
        problems.append("cylinders of a two-stroke fire in a second turn")
    if np.abs(firing.firing_angles_deg(batch)[0] - given).max() > _SAME_DEG:
        problems.append("firing angles do not follow from throw angles and banks")
    rising = np.sort(given)
    intervals = np.diff(rising, append=rising[0] + study.cycle_deg)
    if study.even_firing and np.ptp(intervals) > _SAME_DEG:
        problems.append("it does not fire evenly")
    return problems


def _balance_problems(row: pd.Series, study: Study) -> list[str]:
    problems = []
    fraction = float(row["reciprocating_fraction"])
    if not _is_chosen(study.reciprocating_fraction, fraction, _SAME):
        problems.append(f"a reciprocating fraction of {fraction:g} is not one of the study's")
    if abs(row["rotating_fraction"] - study.rotating_fraction) > _SAME:
        problems.append(f"a rotating fraction of {row['rotating_fraction']:g}")
    names = [slot.name for slot in SLOTS]
    if tuple(sorted(names.index(name) for name in shaft_names(row))) not in study.shaft_subsets:
        problems.append(f"balance shafts {row['shafts']} are not allowed")
    return problems


def _collector_problems(row: pd.Series, study: Study) -> list[str]:
    """Return whether collectors follow the study's rule; of a best partition only the number."""
    given, rule = np.array(row["collectors"], int), study.collectors
    if isinstance(rule, int):
        is_right = sorted(set(given.tolist())) == list(range(1, rule + 1))
    elif isinstance(rule, dict):
        is_right = bool((given - 1 == np.array(rule[len(given)])).all())
    elif rule == "one":
        is_right = bool((given == 1).all())
    else:
        is_right = bool((given == np.array(row["cylinder_banks"], int)).all())
    return [] if is_right else ["its exhaust collectors are not those of the study"]


def _is_chosen(choice: Choice, value: float, tolerance: float) -> bool:
    if choice.is_range:
        return choice.low - tolerance <= value <= choice.high + tolerance
    return min(abs(value - known) for known in choice.values) < tolerance
