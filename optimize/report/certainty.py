"""How sure a result is: proved or searched, how often, and whether it had settled."""

from __future__ import annotations

import shlex
from pathlib import Path

from optimize.exact.run_files import Certificate
from optimize.exact.space import why_not_exact
from optimize.report.runs import Run
from optimize.report.words import listed
from optimize.sheets import NO_BREAK, number_text
from optimize.status import IslandStatus
from optimize.texts import families_text


def sure(run: Run) -> tuple[str, ...]:
    """Return how sure the result is, in sentences: the verdict, what was done, what to do next."""
    texts = [verdict(run), _what_was_done(run)]
    volume = run.metadata.get("hypervolume")
    if volume is not None:
        texts.append(
            f"The front dominates {number_text(100 * volume)}{NO_BREAK}% of the box between the "
            "best and the worst values met (its hypervolume): a number for comparing runs of the "
            "same study, without a meaning of its own."
        )
    texts += [*_settled(run), *_seeds(run), next_step(run)]
    return tuple(text for text in texts if text)


def verdict(run: Run) -> str:
    """Return how sure the front is, in one sentence."""
    certificate = run.files.certificate
    n_searched = len(run.files.families) - _n_exact(certificate)
    if n_searched == 0:
        if certificate is None or not certificate.is_finished:
            return "Not proved yet: the enumeration is not finished."
        return "Proved: every candidate was looked at, and nothing better exists among them."
    if not run.metadata.get("is_complete", True):
        return "Provisional: the search was stopped early, and better designs may be missing."
    searched = _searched(run)
    if searched and all(island.state == "exhausted" for island in searched):
        return (
            "Very likely, not proved: every search went on until it met no new design any more, "
            "but chance may have missed one."
        )
    n_open = sum(island.state not in ("settled", "exhausted") for island in searched)
    if searched and n_open == 0:
        return (
            "Likely, not proved: every search went on until its front had stopped moving or no new "
            "design was met."
        )
    if not searched:
        return "Likely, not proved: it was searched, not enumerated."
    return (
        f"Likely, not proved: {n_open} of {len(searched)} searches ended with the budget, before "
        "their own front had stopped moving."
    )


def next_step(run: Run) -> str:
    """Return the command that would make the result surer; empty where it is proved."""
    folder, certificate = run.files.folder, run.files.certificate
    study = quoted(folder / "study.toml")
    exact = set() if certificate is None else {f.family for f in certificate.families}
    open_ones = [f for f in run.files.families if f.name not in exact]
    if not open_ones:
        if certificate is not None and certificate.is_finished:
            return ""
        return f"Next step: crankfront enumerate {study} --out {quoted(folder)} --resume goes on."
    if not run.metadata.get("is_complete", True):
        return f"Next step: crankfront optimize {study} --out {quoted(folder)} --resume goes on."
    whole = [f for f in open_ones if why_not_exact(run.study, f) is None]
    if len(whole) == len(open_ones):
        target = quoted(_beside(folder, "exact"))
        return f"Next step: crankfront enumerate {study} --out {target} proves it."
    longer = quoted(_beside(folder, "longer"))
    again = f"crankfront optimize {study} --out {longer}"
    text = (
        f"Next step: a larger budget (evaluations under [search] in {study}, now "
        f"{number_text(run.study.evaluations)}), then {again} may find more."
    )
    if whole:
        text += (
            f' With exact = "auto" there, {families_text(len(whole))} of {len(open_ones)} would '
            "be enumerated and so proved."
        )
    return text


def quoted(path: Path) -> str:
    """Return a path as a command line takes it."""
    return shlex.quote(path.as_posix())


def _beside(folder: Path, what: str) -> Path:
    """Return a name beside a run directory, which may be given as "." too."""
    named = folder if folder.name not in ("", "..") else folder.resolve()
    return named.with_name(f"{named.name}-{what}")


def _searched(run: Run) -> list[IslandStatus]:
    if run.status is None:
        return []
    return [island for island in run.status.islands if island.mode == "searched"]


def _what_was_done(run: Run) -> str:
    n, certificate = len(run.front), run.files.certificate
    head = f"{number_text(n)} designs are on the front: none is beaten by another in everything."
    if n == 1:
        head = "One design is on the front: it beats all others."
    parts = []
    if certificate is not None:
        raw = sum(family.raw for family in certificate.families)
        unfinished = "" if certificate.is_finished else "; the enumeration is not finished"
        parts.append(
            f"All {number_text(raw)} candidates of {families_text(len(certificate.families))} "
            f"were enumerated{unfinished}"
        )
    n_searched = len(run.files.families) - _n_exact(certificate)
    if n_searched > 0:
        scored = run.metadata.get("evaluations")
        each = "different designs" if run.study.seeds == 1 else "designs (different in each seed)"
        count = "" if scored is None else f" with {number_text(scored)} {each} scored"
        families = families_text(n_searched)
        parts.append(f"{families} {'was' if n_searched == 1 else 'were'} searched{count}")
    return f"{head} {'. '.join(parts)}."


def _n_exact(certificate: Certificate | None) -> int:
    return 0 if certificate is None else len(certificate.families)


def _seeds(run: Run) -> list[str]:
    front, seeds = run.front, run.study.seeds
    if "seeds_found" not in front.columns:
        return []
    searched = front[front["seed"] >= 0]
    if searched.empty:
        return []
    if seeds < 2:
        return [
            "The search was done once (one seed); seeds = 3 under [search] in the study file would "
            "show how much hangs on chance."
        ]
    everywhere = int((searched["seeds_found"] >= seeds).sum())
    return [
        f"The search was repeated {seeds} times with other random numbers: {everywhere} of the "
        f"{len(searched)} searched designs were found every time, "
        f"{int((searched['seeds_found'] <= 1).sum())} only once."
    ]


def _settled(run: Run) -> list[str]:
    searched = _searched(run)
    if not searched:
        return []
    n_none = sum(island.state == "exhausted" for island in searched)
    n_still = sum(island.state == "settled" for island in searched)
    n_left = len(searched) - n_none - n_still
    kinds = [
        (n_none, "met no new design any more"),
        (n_still, "had a front that had stopped moving"),
        (n_left, "ended with the budget"),
    ]
    said = listed([f"{number_text(n)} {words}" for n, words in kinds if n])
    return [f"Of {number_text(len(searched))} searches (a family and a seed each) {said}."]
