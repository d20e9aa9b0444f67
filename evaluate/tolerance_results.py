"""What tolerances do to one layout, as a plain document."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from evaluate.layout import Layout
from evaluate.metrics import METRICS
from evaluate.scatter import scatter
from evaluate.tolerances import DRAWN, INTERVAL_SHARE, spread

DISTRIBUTION = (
    "independent errors, normal with the limit at three standard deviations, cut off at the limit"
)
_WORDS = {
    "throw_angle_deg": ("throw angles", "deg"),
    "bank_angle_deg": ("bank angles", "deg"),
    "reciprocating_mass_percent": ("reciprocating masses", "%"),
    "rotating_mass_percent": ("rotating masses", "%"),
    "counterweight_percent": ("counterweights", "%"),
    "shaft_phase_deg": ("timing of balance shafts", "deg"),
    "shaft_unbalance_percent": ("unbalance of balance shafts", "%"),
}
#: Intervals narrower than this share of the value are round-off: the metric does not move.
_ROUND_OFF = 1e-9


def tolerance_document(layout: Layout) -> dict[str, Any]:
    """Return how built engines of a layout scatter, and which tolerance makes it.

    Parameters
    ----------
    layout : Layout
        With tolerances.

    Returns
    -------
    dict
        `limits`, `samples`, `seed`, `distribution`; `metrics`, those that move, each with `drawn`,
        `mean`, `p05` and `p95` (95 % of built engines have this or more, or less) and `worst` of
        the samples; `force` and `couple`, each with the exact RMS over all engines built and the
        `shares` that each limit has in the scatter of the mean square.
    """
    tolerances = layout.tolerances
    assert tolerances is not None
    keys = [key for key in METRICS if key not in DRAWN]
    found = spread(layout.engine, layout.batch, tolerances, keys)
    names = {
        "drawn": found.drawn,
        "mean": found.mean,
        "p05": found.low,
        "p95": found.high,
        "worst": found.worst,
    }
    metrics = {}
    for column, key in enumerate(keys):
        values = {name: float(array[0, column]) for name, array in names.items()}
        size = max(abs(value) for value in values.values())
        if any(abs(value - values["drawn"]) > _ROUND_OFF * size for value in values.values()):
            metrics[key] = values
    return {
        "limits": tolerances.limits,
        "samples": tolerances.samples,
        "seed": tolerances.seed,
        "distribution": DISTRIBUTION,
        "interval_share": INTERVAL_SHARE,
        "metrics": metrics,
        **_scatter(layout),
    }


def limits_text(limits: Mapping[str, float]) -> str:
    """Return limits in words, such as "throw angles ± 0.25 deg"."""
    parts = [f"{_WORDS[name][0]} ± {limit:g} {_WORDS[name][1]}" for name, limit in limits.items()]
    return ", ".join(parts) or "no limit above 0"


def shares_text(shares: Mapping[str, float]) -> str:
    """Return who makes the scatter, the largest first, such as "throw angles 72 %"."""
    largest = sorted(shares.items(), key=lambda item: -item[1])
    return ", ".join(f"{_WORDS[name][0]} {share:.0%}" for name, share in largest if share >= 0.005)


def _scatter(layout: Layout) -> dict[str, Any]:
    """Return the exact RMS of force and couple, and who makes their scatter."""
    assert layout.tolerances is not None
    found = scatter(layout.engine, layout.batch, layout.tolerances)
    document = {}
    for kind, (name, unit) in enumerate((("force", "N"), ("couple", "Nm"))):
        alone = {limit: values[kind] for limit, values in found.scatter.items()}
        whole = sum(alone.values())
        document[name] = {
            f"rms_of_all_{unit}": math.sqrt(found.mean_square[kind]),
            "shares": {limit: value / whole for limit, value in alone.items()} if whole else {},
        }
    return document
