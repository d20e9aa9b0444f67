"""Families: what fixes the number of variables, each searched as an island of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evaluate import exhaust, firing
from evaluate.batch import Engine, IntArray
from evaluate.errors import InputError
from evaluate.sizing import crank_length_m, cylinder_size, sized_engine
from optimize.study import Study


@dataclass(frozen=True, kw_only=True, slots=True)
class EvenFit:
    """How a V pair can fire evenly on its pin.

    Attributes
    ----------
    bank_angle_deg, splay_deg : float
        Bank angle and splay of the second bank's pin from the first's. [deg]
    steps : int
        Steps of the firing grid by which the second cylinder of a pair reaches its dead centre
        after the first.
    """

    bank_angle_deg: float
    splay_deg: float
    steps: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Family:
    """Cylinder count x arrangement x pins.

    Attributes
    ----------
    name : str
        Such as "in-line 4", "V6 split", "opposed 4 own-web".
    arrangement, pins : str
        As in study files; `pins` is empty for in-line engines.
    engine : Engine
        What all candidates of the family share.
    fixed_banks : array of int or None
        Bank of each cylinder, None where the search assigns them.
    even_fits : tuple of EvenFit
        With even firing and paired pins: the bank angles and splays that allow it.
    """

    name: str
    arrangement: str
    pins: str
    cylinders: int
    engine: Engine
    fixed_banks: IntArray | None
    even_fits: tuple[EvenFit, ...] = ()

    @property
    def is_paired(self) -> bool:
        """Return whether two cylinders share a crankpin or a splayed one."""
        return self.pins in ("shared", "split")


def firing_grid(n_cylinders: int, cycle_deg: float) -> tuple[int, int]:
    """Return (steps per turn, cylinders per step) of evenly firing crank phases.

    A four-stroke with an even count has two cylinders at each of N/2 phases, one for each turn;
    with an odd count, and in a two-stroke, each of N phases has one.
    """
    if cycle_deg > firing.TURN_DEG and n_cylinders % 2 == 0:
        return n_cylinders // 2, 2
    return n_cylinders, 1


def all_families(study: Study) -> tuple[list[Family], list[str]]:
    """Return the families of a study in a fixed order, and why others are left out.

    Raises
    ------
    InputError
        If no family is left.
    """
    families, left_out = [], []
    for n_cylinders in study.cylinders:
        for arrangement in study.arrangements:
            for pins in ("",) if arrangement == "in-line" else study.pins:
                name = family_name(arrangement, n_cylinders, pins)
                made = _family(study, name, arrangement, n_cylinders, pins)
                if isinstance(made, Family):
                    families.append(made)
                else:
                    left_out.append(f"{name}: {made}")
    if not families:
        raise InputError(
            "space", "no family at all: " + "; ".join(left_out), "a space with one family or more"
        )
    return families, left_out


def family_name(arrangement: str, n_cylinders: int, pins: str) -> str:
    """Return the name of a family."""
    head = f"V{n_cylinders}" if arrangement == "v" else f"{arrangement} {n_cylinders}"
    return f"{head} {pins}".strip()


def family_engine(study: Study, arrangement: str, n_cylinders: int, pins: str) -> Engine:
    """Return what all candidates of a family share at a study's givens, searched or not."""
    return sized_engine(
        n_cylinders,
        n_banks=1 if arrangement == "in-line" else 2,
        pins=pins or None,
        size=cylinder_size(
            n_cylinders,
            displacement_m3=study.displacement_m3,
            stroke_to_bore=study.stroke_to_bore,
            crank_radius_to_rod=study.crank_radius_to_rod,
            speed_rad_s=study.speed_rad_s,
            mean_piston_speed_m_s=study.mean_piston_speed_m_s,
        ),
        cycle_deg=study.cycle_deg,
        open_duration_deg=study.open_duration_deg,
        proportions=study.proportions,
        duty=study.duty,
    )


def _family(study: Study, name: str, arrangement: str, n_cylinders: int, pins: str) -> Family | str:
    """Return the family, or the reason why it has no design."""
    if arrangement != "in-line" and n_cylinders < 2:
        return "needs two cylinders"
    if pins in ("shared", "split") and n_cylinders % 2:
        return f"{pins} pins need an even count"
    engine = family_engine(study, arrangement, n_cylinders, pins)
    for bound in study.bounds:
        length_mm = crank_length_m(engine) * 1000
        if bound.key == "crank_length_mm" and bound.sign * (length_mm - bound.limit) > 0:
            return f"its crank is {length_mm:.0f} mm long, outside the limit of {bound.limit:g} mm"
    if isinstance(study.collectors, int):
        count = exhaust.n_partitions(n_cylinders, study.collectors)
        if not 0 < count <= exhaust.MOST_PARTITIONS:
            return f"{count} partitions into {study.collectors} collectors"
    least_splay_deg = max(study.throw_angle_step_deg, 1e-6)
    is_free_split = pins == "split" and not study.even_firing
    if is_free_split and splay_limit_deg(study, engine) < least_splay_deg:
        return "no splay but 0 within the limits, and that is a shared pin"
    fixed: IntArray | None = None
    if arrangement == "in-line":
        fixed = np.zeros(n_cylinders, np.int64)
    elif pins in ("shared", "split"):
        fixed = np.arange(n_cylinders, dtype=np.int64) % 2
    is_halved = study.even_firing and study.mirror_symmetric and arrangement == "in-line"
    if is_halved and n_cylinders > 1 and firing_grid(n_cylinders, study.cycle_deg)[1] == 1:
        return "fires evenly only with all throws apart, so not mirror-symmetric"
    fits: tuple[EvenFit, ...] = ()
    if study.even_firing and pins in ("shared", "split"):
        fits = _even_fits(study, engine, arrangement, pins)
        if not fits:
            return "no bank angle of the study lets it fire evenly"
    return Family(
        name=name,
        arrangement=arrangement,
        pins=pins,
        cylinders=n_cylinders,
        engine=engine,
        fixed_banks=fixed,
        even_fits=fits,
    )


def splay_limit_deg(study: Study, engine: Engine) -> float:
    """Return the largest splay that the study and the overlap of the pin halves allow. [deg]"""
    p = study.proportions
    pin_m = p.pin_diameter_to_bore * engine.bore_m
    sine = (1 - p.pin_overlap_min) * pin_m / (2 * engine.crank_radius_m)
    overlap_deg = 2 * np.degrees(np.arcsin(np.clip(sine, 0, 1)))
    return min(float(overlap_deg), study.splay_limit_deg)


def _even_fits(study: Study, engine: Engine, arrangement: str, pins: str) -> tuple[EvenFit, ...]:
    """Return the bank angles and splays with V - splay on the firing grid.

    With a range of bank angles and a splayed pin there is a continuum; its members on the study's
    own angle step (5 degrees when the step is 0) stand for it.
    """
    n_steps, per_step = firing_grid(engine.n_cylinders, study.cycle_deg)
    grid_deg = firing.TURN_DEG / n_steps
    limit_deg = splay_limit_deg(study, engine) if pins == "split" else 0.0
    fits = []
    for bank_deg in _bank_angles_to_try(study, arrangement, grid_deg, is_split=pins == "split"):
        for steps in range(n_steps):
            splay_deg = (bank_deg - steps * grid_deg + 180) % 360 - 180
            if abs(splay_deg) > limit_deg + 1e-9 or (pins == "split" and abs(splay_deg) < 1e-9):
                continue
            cycle_length = n_steps // int(np.gcd(steps, n_steps)) if steps else 1
            if per_step == 1 and cycle_length % 2:
                continue
            fits.append(
                EvenFit(bank_angle_deg=bank_deg, splay_deg=round(splay_deg, 9) + 0.0, steps=steps)
            )
    return tuple(fits)


def _bank_angles_to_try(
    study: Study, arrangement: str, grid_deg: float, *, is_split: bool
) -> list[float]:
    choice = study.bank_angle_deg
    if arrangement == "opposed":
        return [180.0]
    if not choice.is_range:
        return list(choice.values)
    on_grid = {grid_deg * k for k in range(1, int(180 / grid_deg + 1e-9) + 1)}
    if is_split:
        step = study.throw_angle_step_deg or 5.0
        on_grid |= {step * k for k in range(1, int(180 / step + 1e-9) + 1)}
        on_grid |= {choice.low, choice.high}
    inside = [a for a in on_grid if choice.low - 1e-9 <= a <= choice.high + 1e-9]
    return sorted({round(a, 9) for a in inside})
