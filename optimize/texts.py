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


#: Share of a counted difference from which the true one is told beside it.
_CLEARLY = 0.25


def difference_text(counted: float, raw: float, unit: str, step: float, what: str) -> str:
    """Return a difference between rounded values, with the true one where they differ clearly.

    Values are rounded up to whole steps, so that anything above 0 counts as one step.

    Parameters
    ----------
    counted, raw : float
        Difference between the rounded values, and between the values; both positive. [unit]
    unit : str
        Unit, "" for pure numbers.
    step : float
        Resolution. [unit]
    what : str
        Such as "less residual force".

    Examples
    --------
    >>> difference_text(50.0, 0.43, "N", 50.0, "less residual force")
    '0.43 N less residual force (counted as one step of 50 N)'
    >>> difference_text(1450.0, 1430.0, "N", 50.0, "less residual force")
    '1,450 N less residual force'
    """

    def amount(text: str) -> str:
        return f"{text} {unit}" if unit else text

    if not math.isfinite(raw) or abs(raw - counted) <= _CLEARLY * counted:
        return f"{amount(f'{counted:,.6g}')} {what}"
    n = round(counted / step)
    steps = "one step" if n == 1 else f"{n} steps"
    size = amount(f"{step:,.6g}")
    return f"{amount(value_text(raw))} {what} (counted as {steps} of {size})"


def families_text(n: int) -> str:
    """Return a number of families in words."""
    return "1 family" if n == 1 else f"{n} families"
