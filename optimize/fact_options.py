"""Facts given on the command line, as the same table that a layout file has."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from evaluate.errors import InputError
from evaluate.fact_kinds import FactsTable, option_name
from evaluate.tables import typed


def facts_table(
    *,
    same_tdc: Sequence[str],
    after: Sequence[str],
    order: Sequence[str],
    apart: Sequence[str],
    tdc_apart: Sequence[str],
    crankpins: Sequence[str],
    lobes: Sequence[str],
    lobes_seen_from: str,
    lobes_met: str,
    tolerance_deg: float | None,
) -> FactsTable:
    """Return the facts of options such as ``--apart 1,3,180``.

    Raises
    ------
    InputError
        For an option that cannot be read.
    """
    table: dict[str, Any] = {
        "same_tdc": [_labels(text, "--same-tdc") for text in same_tdc],
        "next": [_labels(text, "--next") for text in after],
        "order": [_labels(text, "--order", least=3) for text in order],
        "apart": [_apart(text, "--apart") for text in apart],
        "tdc_apart": [_apart(text, "--tdc-apart") for text in tdc_apart],
        "crankpins": [_crankpins(text) for text in crankpins],
        "lobes": [
            {**_lobes(text), "seen_from": lobes_seen_from, "met": lobes_met} for text in lobes
        ],
    }
    if tolerance_deg is not None:
        table["tolerance_deg"] = tolerance_deg
    try:
        return typed(table, FactsTable)
    except InputError as error:
        key = re.split(r"[\[.]", error.where)[0]
        raise InputError(option_name(key), error.got, error.allowed, error.suggestion) from None


def _labels(text: str, option: str, *, least: int = 2) -> list[str]:
    labels = [label.strip() for label in text.split(",")]
    if len(labels) < least or not all(labels):
        example = ",".join(("1", "3", "4", "2")[:least])
        raise InputError(
            option, repr(text), f"{least} cylinder labels or more with commas between: {example}"
        )
    return labels


def _apart(text: str, option: str) -> dict[str, Any]:
    *labels, degrees = [part.strip() for part in text.split(",")]
    if len(labels) != 2 or not all(labels):
        raise InputError(option, repr(text), "two cylinders and degrees, such as 1,3,180")
    return {"cylinders": labels, "degrees": _number(degrees, option)}


def _crankpins(text: str) -> list[int | list[int]]:
    groups = [group.split("+") for group in text.split(",")]
    try:
        met = [[int(throw) for throw in group] for group in groups]
    except ValueError:
        raise InputError(
            "--crankpins", repr(text), "throws in the order they are met, such as 1,2+5,3+4"
        ) from None
    return [throws[0] if len(throws) == 1 else throws for throws in met]


def _lobes(text: str) -> dict[str, Any]:
    pieces = [label.partition("@") for label in _labels(text, "--lobes")]
    has_angle = {at == "@" for _, at, _ in pieces}
    if len(has_angle) > 1:
        raise InputError("--lobes", repr(text), "an angle for every lobe or for none: 1@0,3@90")
    lobes: dict[str, Any] = {"order": [label.strip() for label, _, _ in pieces]}
    if has_angle == {True}:
        lobes["angles_deg"] = [_number(angle, "--lobes") for _, _, angle in pieces]
    return lobes


def _number(text: str, option: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(option, repr(text), "a number of degrees") from None
