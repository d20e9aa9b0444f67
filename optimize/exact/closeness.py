"""How near a search came to the exact front: shares of its hypervolume, members found."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from evaluate.batch import FloatArray, IntArray
from evaluate.errors import InputError
from optimize.archive import hypervolume, non_dominated
from optimize.exact.certificate import boxes_of_rows, front_hash
from optimize.exact.run_files import RunFiles, read_run
from optimize.families import Family
from optimize.study import Study

SCHEMA = "crankfront.gap/1"
REFERENCE = 1.1  # beyond the exact front's worst values, in units of its span
#: What two studies of one space may differ in. The tables of gas, flywheel and torsion count by
#: what was read from them (`duty`), since they name files by their place.
_FREE = (
    "name",
    "question",
    "seed",
    "text",
    "population",
    "evaluations",
    "seeds",
    "is_exact_auto",
    "exact_steps",
    "baseline",
    "duty_tables",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Shares:
    """How much of one exact front was found.

    Attributes
    ----------
    hypervolume_share : float or None
        Hypervolume of what was found over that of the exact front, 0 to 1; None where the exact
        front is empty.
    front_members_found, front_members_exact : int
        Distinct rounded objective vectors of the exact front that were found, and all of them.
    """

    hypervolume_share: float | None
    front_members_found: int
    front_members_exact: int

    def document(self) -> dict[str, Any]:
        """Return it JSON-ready."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Gap:
    """A search beside the exact fronts of its space.

    Attributes
    ----------
    study : str
        Name of the study that was searched.
    common : Shares
        The front over all families that could be enumerated.
    families : dict
        Each of these families by itself.
    not_enumerated : dict
        Reason by name of the family.
    """

    study: str
    common: Shares
    families: dict[str, Shares]
    not_enumerated: dict[str, str]

    def document(self) -> dict[str, Any]:
        """Return everything JSON-ready."""
        return {
            "schema": SCHEMA,
            "study": self.study,
            **self.common.document(),
            "families": [{"family": n, **part.document()} for n, part in self.families.items()],
            "not_enumerated": [
                {"family": name, "reason": reason} for name, reason in self.not_enumerated.items()
            ],
        }


def shares(study: Study, found: IntArray, exact: IntArray) -> Shares:
    """Return how much of an exact front was found.

    Parameters
    ----------
    study : Study
        Says what the columns are.
    found, exact : array of int, shape (members, objectives)
        Rounded objectives as multiples of their resolution, to be lessened
        (`optimize.archive.rounded_boxes`). Members of `found` that others dominate do no harm.

    Returns
    -------
    Shares

    Raises
    ------
    InputError
        If something found is better than the exact front, which then is none.

    Notes
    -----
    Each objective is scaled so that the exact front reaches from 0 (its ideal) to 1 (its nadir,
    the worst value on the front); where all members have one value, one resolution is the unit.
    Hypervolumes are taken to the reference point 1.1 in every objective, so that the ends of the
    front count too. What was found further out than that counts nothing.
    """
    n_objectives = len(study.objectives)
    for boxes in (found, exact):
        if boxes.ndim != 2 or boxes.shape[1] != n_objectives:
            raise ValueError(f"got boxes of shape {boxes.shape}; allowed: (n, {n_objectives})")
    exact = np.unique(exact[non_dominated(exact)], axis=0)
    _require_covered(found, exact)
    if not len(exact):
        return Shares(hypervolume_share=None, front_members_found=0, front_members_exact=0)
    reached = {tuple(box) for box in found.tolist()}
    ideal, nadir = exact.min(axis=0), exact.max(axis=0)
    span = np.maximum(nadir - ideal, 1)
    volume = _volume((found - ideal) / span) / _volume((exact - ideal) / span)
    return Shares(
        hypervolume_share=min(volume, 1.0),  # round-off
        front_members_found=sum(tuple(box) in reached for box in exact.tolist()),
        front_members_exact=len(exact),
    )


def _volume(scaled: FloatArray) -> float:
    n_objectives = scaled.shape[1]
    return hypervolume(scaled, np.zeros(n_objectives), np.full(n_objectives, REFERENCE))


def _require_covered(found: IntArray, exact: IntArray) -> None:
    """Refuse an exact front that something found is better than: shares would say nothing."""
    for box in found:
        if not (exact <= box).all(axis=1).any():
            raise InputError(
                "exact front",
                f"a design that none of its members dominates or equals (steps {box.tolist()})",
                "the exact front of the space that was searched; see crankfront verify",
            )


def gap_of_run(folder: Path, *, exact: Path | None = None, workers: int | None = None) -> Gap:
    """Return how near a search came to the exact fronts of its space.

    Parameters
    ----------
    folder : Path
        Run directory of the search.
    exact : Path or None
        Run directory of an enumeration of the same space; None to enumerate it now.
    workers : int or None
        Processes for that; None for all cores.

    Raises
    ------
    InputError
        If a directory cannot be used, the spaces differ, or nothing can be enumerated.
    """
    run = read_run(folder)
    if exact is None:
        fronts, left_out = _enumerated(run, workers or os.cpu_count() or 1)
    else:
        fronts, left_out = _read_exact(run, read_run(exact, "--exact"))
    found = {name: boxes_of_rows(run.family_rows(name), run.study) for name in fronts}
    return Gap(
        study=run.study.name,
        common=shares(run.study, _together(run, found), _together(run, fronts)),
        families={name: shares(run.study, found[name], boxes) for name, boxes in fronts.items()},
        not_enumerated=left_out,
    )


def _together(run: RunFiles, boxes: Mapping[str, IntArray]) -> IntArray:
    """Return the boxes of all families that no other dominates, each once."""
    empty = np.zeros((0, len(run.study.objectives)), np.int64)
    merged = np.unique(np.concatenate([empty, *boxes.values()]), axis=0)
    return merged[non_dominated(merged)]


def _enumerated(run: RunFiles, workers: int) -> tuple[dict[str, IntArray], dict[str, str]]:
    """Return the boxes of the exact front of each family that can be enumerated, and the rest."""
    from optimize.exact.driver import enumerate_families  # heavy, and not needed with --exact
    from optimize.exact.space import why_not_exact

    reasons = {f.name: why_not_exact(run.study, f) for f in run.families}
    left_out = {name: reason for name, reason in reasons.items() if reason is not None}
    families = [family for family in run.families if family.name not in left_out]
    _require_some(families, left_out)
    found = enumerate_families(run.study, families, None, workers=workers)
    return {family.name: found[family.name].front.boxes for family in families}, left_out


def _require_some(families: Sequence[Family], left_out: Mapping[str, str]) -> None:
    if not families:
        reasons = "; ".join(f"{name}: {reason}" for name, reason in left_out.items())
        raise InputError("RUN_DIR", f"no family that can be enumerated ({reasons})", "a lattice")


def _read_exact(run: RunFiles, exact: RunFiles) -> tuple[dict[str, IntArray], dict[str, str]]:
    """Return the boxes of each family that an enumeration covered, and what it left out."""
    changed = differences(run.study, exact.study)
    if changed:
        raise InputError(
            "--exact", f"another space: {'; '.join(changed)}", "an enumeration of the same space"
        )
    certificate = exact.certificate
    if certificate is None or not certificate.is_finished:
        got = "no certificate" if certificate is None else "an enumeration that was not finished"
        raise InputError("--exact", f"{exact.folder} with {got}", "a finished run of enumerate")
    fronts = {}
    for family in certificate.families:
        rows = exact.family_rows(family.family)
        if front_hash(rows, exact.study) != family.front_sha256:
            got = f"{exact.folder}, whose front of {family.family} was changed"
            raise InputError("--exact", got, "a run as enumerate wrote it")
        fronts[family.family] = boxes_of_rows(rows, exact.study)
    return fronts, {family.family: family.reason for family in certificate.not_enumerated}


def differences(one: Study, other: Study) -> list[str]:
    """Return in what two studies describe different spaces, in words; empty when in nothing.

    Name, question, seed, budget and baseline may differ.
    """
    changed = []
    for field in fields(Study):
        if field.name in _FREE:
            continue
        if field.name == "tolerances" and not (one.kept_shares or other.kept_shares):
            continue  # they are shown beside the objectives, and decide nothing
        values = [_plain(getattr(study, field.name)) for study in (one, other)]
        if values[0] != values[1]:
            shown = [text if len(text) <= 60 else "..." for text in map(str, values)]
            changed.append(f"{field.name} {shown[0]} there, {shown[1]} here")
    return changed


def _plain(value: Any) -> Any:
    """Return a value as something that compares by content, arrays included."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value
