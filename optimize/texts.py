"""Words and numbers that all outputs share; imports nothing heavy."""

from __future__ import annotations

import math

CAUTION = (
    "Results are concept-stage estimates from idealised rigid-body models. They do not replace "
    "detailed crankshaft strength, torsional-vibration, bearing and mount analysis, testing, the "
    "applicable rules and codes, or the judgement of qualified engineers. Rotating and "
    "reciprocating machinery can injure and kill when a balance or strength error goes unnoticed."
)


def value_text(value: float) -> str:
    """Return a value with as many digits as its reader needs."""
    if not math.isfinite(value):
        return "-"
    if abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.3g}" if abs(value) >= 1e-6 else "0"


def families_text(n: int) -> str:
    """Return a number of families in words."""
    return "1 family" if n == 1 else f"{n} families"
