"""Whether a run directory says the truth: records, every front member again, and chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimize.archive import non_dominated
from optimize.checkpoint import study_hash
from optimize.exact.certificate import boxes_of_rows, front_hash
from optimize.exact.membership import raw_count, shape_problem, space_problems
from optimize.exact.rescoring import TOLERANCE, score_problems
from optimize.exact.run_files import Certificate, RunFiles, read_run
from optimize.exact.run_files import row_words as words
from optimize.exact.sampling import FamilySample, sample_family
from optimize.families import Family
from optimize.fronts import package_versions
from optimize.problem import Island
from optimize.texts import families_text

SCHEMA = "crankfront.verification/1"
USUAL_SAMPLE = 20_000
_MOST_NAMED = 5  # rows that one sentence names


@dataclass(frozen=True, kw_only=True, slots=True)
class Check:
    """One thing that was looked at."""

    check: str
    holds: bool
    detail: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Verification:
    """All that came out.

    Attributes
    ----------
    study : str
        Name of the study.
    checks : tuple of Check
        What was checked.
    remarks : tuple of str
        What could not be checked, or is worth knowing without being wrong.
    sample : dict
        Of the random sample, JSON-ready.
    """

    study: str
    checks: tuple[Check, ...]
    remarks: tuple[str, ...]
    sample: dict[str, Any]

    @property
    def holds(self) -> bool:
        """Return whether every check holds."""
        return all(check.holds for check in self.checks)

    def document(self) -> dict[str, Any]:
        """Return everything JSON-ready."""
        return {
            "schema": SCHEMA,
            "study": self.study,
            "holds": self.holds,
            "checks": [
                {"check": c.check, "holds": c.holds, "detail": c.detail} for c in self.checks
            ],
            "remarks": list(self.remarks),
            "sample": self.sample,
        }


def verify_run(
    folder: Path, *, sample: int = USUAL_SAMPLE, seed: int | None = None
) -> Verification:
    """Check a run directory against its study, its certificate and a random sample.

    Parameters
    ----------
    folder : Path
        Left by `enumerate`, or by `optimize`: then nothing is claimed to be complete, and the
        sample may well find what the search missed.
    sample : int
        Random candidates in all; 0 for none.
    seed : int or None
        Of the sample; None for the study's.

    Returns
    -------
    Verification

    Raises
    ------
    InputError
        If it is no run directory, or a file of it cannot be read.
    """
    run = read_run(folder)
    sound, problems = _sound_rows(run)
    checks, remarks = [_study_check(run)], []
    if run.certificate is None:
        remarks.append("no certificate: a search cannot prove its front")
    else:
        checks += [_coverage_check(run), _hash_check(run), *_raw_checks(run, remarks)]
        remarks += _version_remarks(run.certificate)
    checks.append(_check("space", problems, f"all {len(run.rows)} rows lie in the study's space"))
    checks += [_score_check(run, sound), _own_fronts_check(run), _common_front_check(run)]
    samples = _samples(run, sound, sample, run.study.seed if seed is None else seed, remarks)
    if sample:
        checks.append(_sample_check(samples))
    return Verification(
        study=run.study.name,
        checks=tuple(checks),
        remarks=tuple(remarks),
        sample=_sample_document(samples, sample, run.study.seed if seed is None else seed),
    )


def _check(name: str, problems: Sequence[str], good: str) -> Check:
    """Return a check that holds when there are no problems, with a sentence either way."""
    if not problems:
        return Check(check=name, holds=True, detail=good)
    more = len(problems) - _MOST_NAMED
    shown = "; ".join(problems[:_MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
    return Check(check=name, holds=False, detail=shown)


def _study_check(run: RunFiles) -> Check:
    """Check that study, Parquet files and certificate speak of one study."""
    problems = []
    if run.certificate and run.certificate.study_sha256 != study_hash(run.study.text):
        problems.append("study.toml is not the study that the certificate was made for")
    for name, text in run.written_for.items():
        if text != run.study.text:
            problems.append(f"study.toml is not the study that {name}.parquet was written for")
    return _check("study", problems, "study.toml is the study of all files")


def _coverage_check(run: RunFiles) -> Check:
    """Check that the certificate speaks of each family once, and of all their members."""
    assert run.certificate is not None
    problems = [] if run.certificate.is_finished else ["the enumeration was not finished"]
    if run.certificate.is_complete and run.certificate.not_enumerated:
        problems.append("it claims to be complete, but leaves families out")
    covered = [family.family for family in run.certificate.families]
    left_out = [family.family for family in run.certificate.not_enumerated]
    names = [family.name for family in run.families]
    problems += [f"{n} is not mentioned" for n in names if n not in covered + left_out]
    problems += [f"{n} is no family of the study" for n in covered if n not in names]
    problems += [f"{n} is named twice" for n in names if (covered + left_out).count(n) > 1]
    for family in run.certificate.families:
        found = len(run.family_rows(family.family))
        if found != family.members:
            problems.append(f"{family.family} has {found} members, not {family.members}")
    good = f"{families_text(len(covered))} enumerated, {len(left_out)} left out with a reason"
    return _check("certificate", problems, good)


def _hash_check(run: RunFiles) -> Check:
    assert run.certificate is not None
    problems = []
    if front_hash(run.common, run.study) != run.certificate.front_sha256:
        problems.append("front.parquet is not the front that the certificate describes")
    for family in run.certificate.families:
        if front_hash(run.family_rows(family.family), run.study) != family.front_sha256:
            problems.append(f"{family.family}: its front is not the one of the certificate")
    return _check("hashes", problems, "all fronts are those that the certificate describes")


def _raw_checks(run: RunFiles, remarks: list[str]) -> list[Check]:
    """Check the sizes of the families; a family that cannot be counted so is a remark."""
    assert run.certificate is not None
    families = {family.name: family for family in run.families}
    problems, counted = [], 0
    for claim in run.certificate.families:
        if claim.family not in families:
            continue
        count = raw_count(run.study, families[claim.family])
        if count is None:
            remarks.append(f"{claim.family}: raw candidates are not counted independently here")
            continue
        counted += 1
        if count != claim.raw:
            problems.append(f"{claim.family}: {count:,} raw candidates, not {claim.raw:,}")
    if not counted:
        return []
    good = f"raw candidates of {families_text(counted)} are as many as the space holds"
    return [_check("raw candidates", problems, good)]


def _version_remarks(certificate: Certificate) -> list[str]:
    here = package_versions()
    names = sorted(set(here) | set(certificate.versions))
    changed = [
        f"{name} {certificate.versions.get(name, 'none')}, here {here.get(name, 'none')}"
        for name in names
        if certificate.versions.get(name) != here.get(name)
    ]
    return ["other package versions: " + "; ".join(changed)] if changed else []


def _sound_rows(run: RunFiles) -> tuple[pd.DataFrame, list[str]]:
    """Return the rows that are designs of the space, and what is wrong with the others."""
    families = {family.name: family for family in run.families}
    problems: list[str] = []
    kept = np.zeros(len(run.rows), bool)
    for place, (_, row) in enumerate(run.rows.iterrows()):
        family = families.get(row["family"])
        broken = shape_problem(row, family)
        if broken is not None or family is None:
            problems.append(f"{row['design']}: {broken}")
            continue
        found = space_problems(row, family, run.study)
        problems += [f"{words(row)}: {problem}" for problem in found]
        kept[place] = not found
    return run.rows[kept], problems


def _score_check(run: RunFiles, sound: pd.DataFrame) -> Check:
    """Check every member by the plain path: as a batch of one, and as a layout file."""
    islands = {family.name: Island(run.study, family) for family in run.families}
    problems = []
    for _, row in sound.iterrows():
        found = score_problems(row, islands[row["family"]])
        problems += [f"{words(row)}: {problem}" for problem in found]
    unsound = len(run.rows) - len(sound)
    if unsound:
        problems.append(f"{unsound} rows outside the space were not scored")
    good = (
        f"all {len(sound)} members score as they say, as a batch of one and as a layout file "
        f"(to {TOLERANCE:g} of the value and of the inertia scale), round to the same whole "
        "numbers, and are feasible"
    )
    return _check("scores", problems, good)


def _own_fronts_check(run: RunFiles) -> Check:
    """Check that no member of a family dominates or equals another of it."""
    problems = []
    names = list(dict.fromkeys(run.rows["family"])) if len(run.rows) else []
    for name in names:
        rows = run.family_rows(name)
        boxes = boxes_of_rows(rows, run.study)
        repeated = pd.DataFrame(boxes).duplicated().to_numpy()
        beaten = ~non_dominated(boxes)
        problems += [
            f"{words(row)} is dominated in its family" for _, row in rows[beaten].iterrows()
        ]
        problems += [f"{words(row)} equals another" for _, row in rows[repeated].iterrows()]
    good = f"in {families_text(len(names))} no member dominates or equals another"
    return _check("family fronts", problems, good)


def _common_front_check(run: RunFiles) -> Check:
    """Check that front.parquet is the non-dominated part of family_fronts.parquet."""
    boxes = boxes_of_rows(run.rows, run.study)
    best = {tuple(box) for box in boxes[non_dominated(boxes)].tolist()}
    common = [tuple(box) for box in boxes_of_rows(run.common, run.study).tolist()]
    problems = []
    if set(common) - best:
        problems.append(f"{len(set(common) - best)} designs of front.parquet do not belong there")
    if best - set(common):
        problems.append(f"{len(best - set(common))} designs are missing in front.parquet")
    if len(common) != len(set(common)):
        problems.append("front.parquet holds designs that are equal when rounded")
    problems += _different_rows(run)
    good = f"front.parquet is the non-dominated part of all family fronts, {len(common)} designs"
    return _check("common front", problems, good)


def _different_rows(run: RunFiles) -> list[str]:
    """Return which designs are not the same in the two files, or on the front in one only."""
    if run.rows.empty or run.common.empty:
        return []
    there = {row["design"]: row for _, row in run.rows.iterrows()}
    on_front = set(run.rows[run.rows["on_front"]]["design"]) if "on_front" in run.rows else None
    problems = []
    if on_front is not None and on_front != set(run.common["design"]):
        problems.append("the two files do not put the same designs on the front")
    shared = [column for column in run.common.columns if column in run.rows.columns]
    for _, row in run.common.iterrows():
        other = there.get(row["design"])
        if other is None:
            problems.append(f"{words(row)} is not in family_fronts.parquet")
            continue
        unlike = [name for name in shared if not _is_same(row[name], other[name])]
        if unlike:
            problems.append(f"{words(row)} differs in the two files: {', '.join(unlike)}")
    return problems


def _is_same(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray):
        return bool(np.array_equal(one, other))
    return bool(one == other) or (one != one and other != other)  # NaN in both


def _samples(
    run: RunFiles, sound: pd.DataFrame, n: int, seed: int, remarks: list[str]
) -> list[FamilySample]:
    """Return a sample of each family that was covered, equal parts of the whole."""
    families = _claimed(run)
    if run.certificate and len(families) < len(run.families):
        names = ", ".join(f.name for f in run.families if f not in families)
        remarks.append(f"not enumerated, so nothing is proven of them: {names}")
    if not n or not families:
        remarks.append("no random sample was drawn")
        return []
    samples = []
    for place, family in enumerate(families):
        share = n // len(families) + (place < n % len(families))
        rows = sound[sound["family"] == family.name] if len(sound) else sound
        samples.append(sample_family(Island(run.study, family), rows, n=share, seed=seed))
    return samples


def _claimed(run: RunFiles) -> list[Family]:
    if run.certificate is None:
        return list(run.families)
    names = {family.family for family in run.certificate.families}
    return [family for family in run.families if family.name in names]


def _sample_check(samples: Sequence[FamilySample]) -> Check:
    problems = [
        f"{s.family}: {s.beyond} feasible candidates that no member dominates or equals"
        for s in samples
        if s.beyond
    ]
    drawn, feasible = (sum(getattr(s, name) for s in samples) for name in ("drawn", "feasible"))
    good = (
        f"of {drawn:,} random candidates {feasible:,} are feasible, and each is dominated or "
        "equalled by a member of its family's front"
    )
    return _check("random sample", problems, good)


def _sample_document(samples: Sequence[FamilySample], n: int, seed: int) -> dict[str, Any]:
    return {
        "asked": n,
        "seed": seed,
        "drawn": sum(s.drawn for s in samples),
        "feasible": sum(s.feasible for s in samples),
        "families": [
            {"family": s.family, "drawn": s.drawn, "feasible": s.feasible, "beyond": s.beyond}
            for s in samples
        ],
        "counterexamples": [found for s in samples for found in s.counterexamples],
    }
