"""The story that page and print tell of a run, as plain data: nothing is decided after this."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from evaluate import units
from evaluate.metrics import METRICS
from optimize.report.answer import Option, answer
from optimize.report.certainty import sure
from optimize.report.glossary import METHOD, glossary
from optimize.report.runs import Run
from optimize.report.tables import (
    baseline_table,
    beaten_line,
    families_table,
    islands_table,
    objectives_table,
    options_table,
)
from optimize.report.words import (
    amount_text,
    balance_words,
    difference_text,
    judged,
    kind_words,
    listed,
    pins_words,
    prices,
    spaced,
    strengths,
)
from optimize.robust import interval_note
from optimize.sheets import NO_BREAK, TableView, number_text
from optimize.shortlist import scaled_objectives
from optimize.texts import CAUTION


@dataclass(frozen=True, kw_only=True, slots=True)
class Story:
    """All that page and print say of one run, but for the pictures and the interactive front.

    Attributes
    ----------
    name, question : str
        Of the study.
    facts : tuple of (str, str)
        The givens.
    short : tuple of str
        The answer in a few sentences.
    options : tuple of Option
        The shortlist.
    options_table, objectives_table, families_table, islands_table : TableView
        Shortlist in numbers; what is traded; families and what beats them; what was searched.
    baseline_table : TableView or None
        Baseline beside the shortlist.
    baseline_notes, beaten, sure, notes : tuple of str
        On the baseline; what became of the families; how sure the result is; on reading the
        numbers.
    method, glossary : tuple
        Sentences; words and their meaning.
    caution : str
        The caution that stands on every report.
    """

    name: str
    question: str
    facts: tuple[tuple[str, str], ...]
    short: tuple[str, ...]
    options: tuple[Option, ...]
    options_table: TableView
    objectives_table: TableView
    families_table: TableView
    islands_table: TableView
    baseline_table: TableView | None
    baseline_notes: tuple[str, ...]
    beaten: tuple[str, ...]
    sure: tuple[str, ...]
    notes: tuple[str, ...]
    method: tuple[str, ...]
    glossary: tuple[tuple[str, str], ...]
    caution: str


def story(run: Run) -> Story:
    """Return what a report says of a run.

    Parameters
    ----------
    run : Run
        From `read_report_run`.
    """
    options = _options(run)
    answered = answer(run, options)
    return Story(
        name=run.study.name,
        question=run.study.question or f"Which layout for {run.study.name}?",
        facts=_facts(run),
        short=answered.sentences,
        options=options,
        options_table=options_table(run),
        objectives_table=objectives_table(run),
        families_table=families_table(run),
        islands_table=islands_table(run),
        baseline_table=baseline_table(run, answered.named),
        baseline_notes=baseline_notes(run),
        beaten=beaten(run),
        sure=sure(run),
        notes=tuple(n for n in (interval_note(run.study),) if n),
        method=METHOD,
        glossary=glossary(run),
        caution=CAUTION,
    )


# The question ----------------------------------------------------------------------------------


def _facts(run: Run) -> tuple[tuple[str, str], ...]:
    study = run.study
    strokes = round(study.cycle_deg / 180)
    if study.speed_rad_s is not None:
        speed = f"{number_text(units.rpm_from_rad_s(study.speed_rad_s))}{NO_BREAK}rpm for all"
    else:
        piston = number_text(study.mean_piston_speed_m_s)
        speed = f"mean piston speed {piston}{NO_BREAK}m/s for all"
    facts = [
        ("Displacement", f"{number_text(1e6 * study.displacement_m3)}{NO_BREAK}cm³"),
        ("Working cycle", f"{ {2: 'two', 4: 'four'}[strokes] }-stroke"),
        ("Speed", speed),
        ("Cylinders", listed([str(n) for n in study.cylinders], "or")),
        ("Arrangements", listed([_ARRANGEMENT_WORDS[a] for a in study.arrangements], "or")),
        ("Firing", "even only" if study.even_firing else "even or uneven"),
    ]
    limits = [_limit_text(bound.key, bound.sign, bound.limit) for bound in study.bounds]
    if limits:
        facts.append(("Limits", "; ".join(limits)))
    if run.baseline is not None:
        facts.append(("Baseline", run.baseline.layout.name))
    return tuple(facts)


_ARRANGEMENT_WORDS = {"in-line": "in line", "v": "V", "opposed": "opposed"}


def _limit_text(key: str, sign: float, limit: float) -> str:
    word = "at most" if sign > 0 else "at least"
    return f"{METRICS[key].label} {word} {amount_text(key, limit)}"


# The answer ------------------------------------------------------------------------------------


def _options(run: Run) -> tuple[Option, ...]:
    scaled = scaled_objectives(run.front, run.study)
    places = {design: place for place, design in enumerate(run.front["design"])}
    found = []
    for pick in run.picks:
        place = places[pick.design]
        row = run.front.iloc[place]
        how = judged(run.front, scaled, run.study, place)
        found.append(
            Option(
                design=pick.design,
                family=row["family"],
                kind=kind_words(row),
                facts=_option_facts(row),
                strengths=strengths(how),
                prices=prices(how),
                reasons=pick.reasons,
                against_baseline=_against(run, row),
            )
        )
    return tuple(found)


def _option_facts(row: pd.Series) -> tuple[tuple[str, str], ...]:
    throws = " ".join(f"{number_text(a, places=2)}°" for a in row["throw_angles_deg"])
    facts = [
        ("Firing order", row["firing_order"]),
        ("Throw angles", throws),
        ("Balancing", balance_words(row)),
        (
            "Bore × stroke",
            f"{number_text(row['bore_mm'], places=1)} × "
            f"{number_text(row['stroke_mm'], places=1)}{NO_BREAK}mm",
        ),
        ("Speed", f"{number_text(row['speed_rpm'])}{NO_BREAK}rpm"),
    ]
    if row["pins"]:
        facts.insert(2, ("Crankpins", pins_words(row)))
    return tuple(facts)


def _against(run: Run, row: pd.Series) -> str:
    if run.baseline is None:
        return ""
    texts = [
        difference_text(o, float(row[o.key]), run.baseline.values[o.key])
        for o in run.study.objectives
    ]
    said = [text for text in texts if text]
    if run.placed is not None and run.placed.judgement.common.member == row["design"]:
        text = "the baseline's own layout, at the study's givens"
        return f"{text}: {listed(said)}" if said else text
    return listed(said) if said else "no difference that matters in any objective"


# Beside the answer ----------------------------------------------------------------------------


def beaten(run: Run) -> tuple[str, ...]:
    """Return what became of the families: those on the front, then each other one in a line."""
    counts = run.front["family"].value_counts()
    names = [family.name for family in run.files.families]
    on_front = [f"{name} ({counts[name]})" for name in names if name in counts]
    texts = [f"Families on the front, with their designs: {listed(on_front)}."]
    texts += [
        f"{name}: {beaten_line(run, run.files.family_rows(name))}."
        for name in names
        if name not in counts
    ]
    return tuple(texts)


def baseline_notes(run: Run) -> tuple[str, ...]:
    """Return where the baseline stands among the designs of the run, in words."""
    if run.baseline is None:
        return ()
    if run.placed is None:
        return ("It cannot be placed among the designs.",)
    return tuple(spaced(text) for text in run.placed.sentences)
