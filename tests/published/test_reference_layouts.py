"""Four layout files against values computed in the time domain, without phasors.

Source: point-mass motion of every wrist pin, crankpin, counterweight and shaft weight, computed
from exact positions and from momentum that is differentiated spectrally; orders read off an FFT.
Made independently of this project's formulas (computed, not published). The files are unedited
copies.

Tolerances, as stated with the values: 1e-6 of scale, since both sides are exact to round-off but
for the conventions that are checked; 1e-4 of scale for the totals over all orders, which hold
orders above the sixth (and odd ones with an offset pin path) that this project leaves out. The
scale of a force or couple is the largest of its kind in the file, but at least one cylinder's
m r w^2 (times the crank's length), since an opposed twin has no free force at all; of an unbalance
one cylinder's m r (times the length), of an angle the cycle.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evaluate

LAYOUTS = Path(__file__).parent / "data" / "layouts"
NAMES = sorted(path.stem for path in LAYOUTS.glob("*.toml"))
TOTALS = ("force_rms_N", "couple_rms_Nm", "force_peak_N", "couple_peak_Nm")
UNITS = ("_Nm", "_N", "_kgm2", "_kgm", "_deg")


def leaves(value: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield every value that is no table with the path to it."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for index, item in enumerate(value):
            yield from leaves(item, (*path, str(index)))
    else:
        yield path, value


def unit_of(path: tuple[str, ...]) -> str:
    """Return the unit that ends the key, or an empty text for a pure number."""
    key = "spacing_deg" if path[-1] == "collectors" else path[-1]
    return next((unit for unit in UNITS if key.endswith(unit)), "")


def scales(expected: dict[str, Any], engine: evaluate.Engine) -> dict[str, float]:
    """Return the size by unit that a difference is judged against."""
    inertia = list(leaves(expected["inertia"]))
    at_pin_kgm = engine.reciprocating_mass_kg * engine.crank_radius_m
    one_cylinder_N = at_pin_kgm * engine.speed_rad_s**2
    length_m = float(np.ptp(engine.positions_m))
    return {
        "_N": max(one_cylinder_N, *(value for path, value in inertia if unit_of(path) == "_N")),
        "_Nm": max(
            one_cylinder_N * length_m,
            *(value for path, value in inertia if unit_of(path) == "_Nm"),
        ),
        "_kgm": at_pin_kgm,
        "_kgm2": at_pin_kgm * length_m,
        "_deg": engine.cycle_deg,
        "": 1.0,
    }


def at(document: Any, path: tuple[str, ...]) -> Any:
    """Return what stands in a document under a path of `leaves`."""
    if path == ("exhaust", "collectors"):
        return [collector["spacings_deg"] for collector in document["exhaust"]["collectors"]]
    for key in path:
        document = document[int(key)] if isinstance(document, list) else document[key]
    return document


def test_the_four_layouts_are_there() -> None:
    assert len(NAMES) == 4


@pytest.mark.parametrize("name", NAMES)
def test_every_value_agrees_with_point_masses_in_the_time_domain(name: str) -> None:
    layout = evaluate.read_layout(LAYOUTS / f"{name}.toml")
    document = evaluate.evaluation_document(layout)
    expected = json.loads((LAYOUTS / f"{name}.expected.json").read_text(encoding="utf-8"))
    scale = scales(expected, layout.engine)
    for path, wanted in leaves(expected):
        share = 1e-4 if path[0] == "inertia" and path[1] in TOTALS else 1e-6
        got, where = at(document, path), ".".join(path)
        if isinstance(wanted, str):
            assert got == wanted, where
            continue
        # A flat shape for lists of lists of spacings; each list must be as long as the other.
        assert np.shape(got) == np.shape(wanted), where
        np.testing.assert_allclose(
            got, wanted, rtol=0, atol=share * scale[unit_of(path)], err_msg=where
        )


@pytest.mark.parametrize("name", NAMES)
def test_no_shaft_or_collector_is_added(name: str) -> None:
    document = evaluate.evaluation_document(evaluate.read_layout(LAYOUTS / f"{name}.toml"))
    expected = json.loads((LAYOUTS / f"{name}.expected.json").read_text(encoding="utf-8"))
    assert len(document["balance"]["shafts"]) == len(expected["balance"]["shafts"])
