"""How sure a result is: proved or searched, how often, and whether it had settled."""

from __future__ import annotations

from optimize.exact.run_files import Certificate
from optimize.report.runs import Run
from optimize.sheets import NO_BREAK, number_text
from optimize.texts import families_text


def sure(run: Run) -> tuple[str, ...]:
    """Return how sure the result is, in sentences, what was done first."""
    texts = [_what_was_done(run)]
    volume = run.metadata.get("hypervolume")
    if volume is not None:
        texts.append(
            f"The front dominates {number_text(100 * volume)}{NO_BREAK}% of the box between the "
            "best and the worst values met (its hypervolume): a number for comparing runs of the "
            "same study, without a meaning of its own."
        )
    texts += _seeds(run)
    texts += _settled(run)
    return tuple(texts)


def _what_was_done(run: Run) -> str:
    n, certificate = len(run.front), run.files.certificate
    head = f"{number_text(n)} designs are on the front: none is beaten by another in everything."
    if n == 1:
        head = "One design is on the front: it beats all others."
    parts = []
    if certificate is not None:
        raw = sum(family.raw for family in certificate.families)
        proof = "so it is proved that nothing better exists among them"
        if not certificate.is_finished:
            proof = "but the enumeration is not finished"
        parts.append(
            f"All {number_text(raw)} candidates of {families_text(len(certificate.families))} "
            f"were looked at, {proof}"
        )
    n_searched = len(run.files.families) - _n_exact(certificate)
    if n_searched > 0:
        scored = run.metadata.get("evaluations")
        count = "" if scored is None else f" with {number_text(scored)} different designs scored"
        early = "" if run.metadata.get("is_complete", True) else ", and stopped early"
        parts.append(
            f"{families_text(n_searched)} "
            f"{'was' if n_searched == 1 else 'were'} searched{count}{early}: likely, not proved"
        )
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
            "The search was done once (one seed): whether chance has missed a design cannot be "
            "said. Several seeds in the study file would tell."
        ]
    everywhere = int((searched["seeds_found"] >= seeds).sum())
    return [
        f"The search was repeated {seeds} times with other random numbers: {everywhere} of the "
        f"{len(searched)} searched designs were found every time, "
        f"{int((searched['seeds_found'] <= 1).sum())} only once."
    ]


def _settled(run: Run) -> list[str]:
    if run.status is None:
        return []
    searched = [island for island in run.status.islands if island.mode == "searched"]
    if not searched:
        return []
    ended = [i for i in searched if i.state in ("settled", "exhausted")]
    texts = [
        f"Searches (a family and a seed each): {len(searched)}; "
        f"{sum(i.state == 'exhausted' for i in ended)} ran out of new designs, "
        f"{sum(i.state == 'settled' for i in ended)} had stopped moving before they ended."
    ]
    if len(ended) < len(searched):
        texts.append(
            f"{len(searched) - len(ended)} ended with the budget, and might gain from a larger one."
        )
    return [" ".join(texts)]
