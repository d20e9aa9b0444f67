"""The story that page and print tell of a run, as plain data: nothing is decided after this."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from evaluate import units
from evaluate.errors import InputError
from evaluate.metrics import METRICS
from evaluate.sizing import PINS
from optimize.exact.run_files import Certificate
from optimize.report.runs import Run, objective_column
from optimize.report.words import (
    DEAR_SHARE,
    GOOD_SHARE,
    amount_text,
    balance_words,
    design_words,
    difference_text,
    judged,
    listed,
    pins_words,
    prices,
    strengths,
)
from optimize.robust import interval_note, objective_heading
from optimize.sheets import NO_BREAK, UNKNOWN, Cell, Column, Group, Row, TableView, number_text
from optimize.shortlist import FAVOUR, Pick, scaled_objectives
from optimize.texts import CAUTION, families_text
from optimize.why import why

FAVOURED = f" weighs {FAVOUR:g} times each other objective"
BALANCED = "balanced: all objectives weigh the same"


@dataclass(frozen=True, kw_only=True, slots=True)
class Option:
    """A design of the shortlist.

    Attributes
    ----------
    design, family, kind : str
        Its name, its family, and what kind of engine it is, in words.
    facts : tuple of (str, str)
        Firing order, throws, balancing, speed.
    strengths, prices, reasons : tuple of str
        What it is good at, what that costs, why it is on the list.
    against_baseline : str
        How it differs from the baseline; empty where there is none.
    """

    design: str
    family: str
    kind: str
    facts: tuple[tuple[str, str], ...]
    strengths: tuple[str, ...]
    prices: tuple[str, ...]
    reasons: tuple[str, ...]
    against_baseline: str


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
    return Story(
        name=run.study.name,
        question=run.study.question or f"Which layout for {run.study.name}?",
        facts=_facts(run),
        short=_short(run, options),
        options=options,
        options_table=_options_table(run),
        objectives_table=_objectives_table(run),
        families_table=_families_table(run),
        islands_table=_islands_table(run),
        baseline_table=_baseline_table(run),
        baseline_notes=_baseline_notes(run),
        beaten=_beaten(run),
        sure=_sure(run),
        notes=tuple(n for n in (interval_note(run.study),) if n),
        method=METHOD,
        glossary=_glossary(run),
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
                kind=design_words(row),
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
    return listed(said) if said else "the same in every objective"


def _short(run: Run, options: Sequence[Option]) -> tuple[str, ...]:
    first = options[0]
    texts = [
        f"If all objectives weigh the same, build {first.design}: {first.kind}, "
        f"{_head(run.row(first.design))}. In its favour: {listed(first.strengths) or 'no extreme'}"
        f".{_cost(first)}"
    ]
    if first.against_baseline and run.baseline is not None:
        texts.append(
            f"{first.design} beside the baseline ({run.baseline.layout.name}): "
            f"{first.against_baseline}."
        )
    texts += _favoured(run, options)
    texts.append(_sure(run)[0])
    return tuple(texts)


def _head(row: pd.Series) -> str:
    return balance_words(row).split("; ")[0]


def _cost(option: Option) -> str:
    return f" Its price: {listed(option.prices)}." if option.prices else ""


def _favoured(run: Run, options: Sequence[Option]) -> list[str]:
    """Return what to build instead where one objective counts most, one sentence a design."""
    first, texts = options[0], []
    same = [_weighed(reason) for reason in first.reasons if reason.endswith(FAVOURED)]
    if same:
        texts.append(f"That holds as well if {listed(same, 'or')} counts four times as much.")
    for option in options[1:]:
        weighed = [_weighed(reason) for reason in option.reasons if reason.endswith(FAVOURED)]
        if weighed:
            texts.append(
                f"If {listed(weighed, 'or')} counts four times as much as anything else, build "
                f"{option.design} instead: {option.kind}, with "
                f"{listed([_said(run, option.design, label) for label in weighed])}.{_cost(option)}"
            )
    return texts


def _said(run: Run, design: str, label: str) -> str:
    objective = next(o for o in run.study.objectives if METRICS[o.key].label == label)
    value = float(run.row(design)[objective_column(run.front, objective)])
    return f"{label} {amount_text(objective.key, value)}"


def _weighed(reason: str) -> str:
    return reason.removesuffix(FAVOURED)


def _options_table(run: Run) -> TableView:
    rows = [
        Row(
            cells=(
                Cell(text=pick.design, detail=run.row(pick.design)["family"]),
                *_objective_cells(run, run.row(pick.design)),
            ),
            mark="balanced" if BALANCED in pick.reasons else "",
        )
        for pick in run.picks
    ]
    if run.baseline is not None:
        baseline = pd.Series(run.baseline.values)
        cells = (number_cell(float(baseline[o.key])) for o in run.study.objectives)
        rows.append(Row(cells=(Cell(text="baseline", detail=run.baseline.layout.name), *cells)))
    return TableView(
        key="options",
        caption="The options in numbers",
        columns=(Column(heading="design", is_number=False), *_objective_columns(run)),
        groups=(Group(rows=tuple(rows)),),
        notes=_senses(run),
        look="wide",
    )


def _senses(run: Run) -> tuple[str, ...]:
    most = [METRICS[o.key].label for o in run.study.objectives if METRICS[o.key].sense == "most"]
    if not most:
        return ("Less is better in every column.",)
    return (f"Less is better, but for {listed(most)}: there more is.",)


def _objective_columns(run: Run) -> tuple[Column, ...]:
    return tuple(
        Column(heading=_heading(o), unit=METRICS[o.key].unit) for o in run.study.objectives
    )


def _heading(objective: object) -> str:
    text = objective_heading(objective)  # type: ignore[arg-type]
    return text.split(" [")[0] + (text.split("]", 1)[1] if "]" in text else "")


def _objective_cells(run: Run, row: pd.Series) -> tuple[Cell, ...]:
    columns = [objective_column(run.front, o) for o in run.study.objectives]
    return tuple(number_cell(float(row[column])) for column in columns)


def number_cell(value: float) -> Cell:
    """Return a cell that keeps the exact value beside the text."""
    known = bool(np.isfinite(value))
    return Cell(text=number_text(value), value=value if known else None)


# What is traded --------------------------------------------------------------------------------


def _objectives_table(run: Run) -> TableView:
    rows = []
    for objective in run.study.objectives:
        metric = METRICS[objective.key]
        values = run.front[objective_column(run.front, objective)].to_numpy(float)
        ends = (values.min(), values.max())
        best, worst = ends if metric.sense == "least" else ends[::-1]
        rows.append(
            Row(
                cells=(
                    Cell(text=_heading(objective)),
                    number_cell(float(best)),
                    number_cell(float(worst)),
                    number_cell(objective.resolution),
                    Cell(text=metric.unit or UNKNOWN),
                    Cell(text=metric.meaning),
                )
            )
        )
    return TableView(
        key="objectives",
        caption="What is traded: the span of each objective over the front",
        columns=(
            Column(heading="objective", is_number=False),
            Column(heading="best"),
            Column(heading="worst"),
            Column(heading="matters from"),
            Column(heading="unit", is_number=False),
            Column(heading="meaning", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=(
            "Matters from: differences smaller than this do not count; values are rounded up to "
            "it before designs are compared.",
        ),
        look="wide",
    )


# Families --------------------------------------------------------------------------------------


def _families_table(run: Run) -> TableView:
    rows = []
    on_front = run.front["family"].value_counts()
    for family in run.files.families:
        own = run.files.family_rows(family.name)
        common = int(on_front.get(family.name, 0))
        rows.append(
            Row(
                cells=(
                    Cell(text=family.name),
                    number_cell(len(own)),
                    number_cell(common),
                    Cell(text=_what_beats(own, common)),
                )
            )
        )
    return TableView(
        key="families",
        caption="Each family's own front, and what beats the best of it",
        columns=(
            Column(heading="family", is_number=False),
            Column(heading="own front"),
            Column(heading="on the common front"),
            Column(heading="what beats it", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        notes=(
            "Own front: designs that no other of the same family beats. "
            f"Crankpins: {'; '.join(f'{name}, {words}' for name, words in PINS.items())}.",
        ),
        look="wide",
    )


#: Families that are named with what beats them where there is no room for all.
_MOST_BEATEN = 2


def _beaten(run: Run) -> tuple[str, ...]:
    """Return in a few sentences what became of the families."""
    counts = run.front["family"].value_counts()
    names = [family.name for family in run.files.families]
    on_front = [f"{name} ({counts[name]})" for name in names if name in counts]
    texts = [f"Families on the front, with their designs: {listed(on_front)}."]
    absent = [f for f in run.files.families if f.name not in counts]
    if not absent:
        return tuple(texts)
    nothing = [f.name for f in absent if run.files.family_rows(f.name).empty]
    if nothing:
        texts.append(f"No design keeps the limits in: {listed(nothing)}.")
    found = [f.name for f in absent if f.name not in nothing]
    if found:
        said = [f"{name}: {_what_beats(run.files.family_rows(name), 0)}" for name in found]
        more = f"; and {len(said) - _MOST_BEATEN} more" if len(said) > _MOST_BEATEN else ""
        texts.append(f"Beaten throughout: {'; '.join(said[:_MOST_BEATEN])}{more}.")
    return tuple(texts)


def _what_beats(own: pd.DataFrame, common: int) -> str:
    if own.empty:
        return "no design keeps the limits"
    if common:
        return "nothing: it is on the front"
    first = own.iloc[0]
    return f"{first['design']} is behind {first['dominated_by']}: {first['dominated_how']}"


# How sure it is --------------------------------------------------------------------------------


def _sure(run: Run) -> tuple[str, ...]:
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
    designs = "1 design is" if n == 1 else f"{number_text(n)} designs are"
    head = f"{designs} on the front: none of them is beaten by another in everything."
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
        f"Of {len(searched)} searches (a family and a seed each), "
        f"{sum(i.state == 'exhausted' for i in ended)} ran out of new designs and "
        f"{sum(i.state == 'settled' for i in ended)} had stopped moving before they ended."
    ]
    if len(ended) < len(searched):
        texts.append(
            f"{len(searched) - len(ended)} ended with the budget, and might gain from a larger one."
        )
    return [" ".join(texts)]


_STATES = {
    "exhausted": "no new design to be found",
    "settled": "front had stopped moving",
    "done": "budget spent",
    "running": "under way when written",
    "waiting": "not begun",
}


def _islands_table(run: Run) -> TableView:
    raw = (
        {}
        if run.files.certificate is None
        else {family.family: family.raw for family in run.files.certificate.families}
    )
    rows = []
    for family in run.files.families:
        own = (
            []
            if run.status is None
            else [island for island in run.status.islands if island.family == family.name]
        )
        if family.name in raw:
            how, scored, end = "all looked at", float(raw[family.name]), "proved"
        elif own:
            how, scored = "searched", float(sum(island.evaluations for island in own))
            end = listed(sorted({_STATES[island.state] for island in own}))
        else:
            how, scored, end = "searched", np.nan, "not known"
        rows.append(
            Row(cells=(Cell(text=family.name), Cell(text=how), number_cell(scored), Cell(text=end)))
        )
    return TableView(
        key="searched",
        caption="What was looked at, family by family",
        columns=(
            Column(heading="family", is_number=False),
            Column(heading="how", is_number=False),
            Column(heading="designs"),
            Column(heading="how it ended", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        look="wide",
    )


# Baseline --------------------------------------------------------------------------------------

#: Beside the objectives: what tells whether two engines are comparable, and what they weigh.
_BESIDE = ("crank_length_mm", "crank_train_mass_kg", "box_litres")


def _baseline_table(run: Run) -> TableView | None:
    baseline = run.baseline
    if baseline is None:
        return None
    keys = [o.key for o in run.study.objectives]
    keys += [key for key in _BESIDE if key not in keys]
    picks = run.picks[:4]
    rows = [
        Row(
            cells=(
                Cell(text=METRICS[key].label),
                number_cell(baseline.values[key]),
                *(number_cell(float(run.row(pick.design)[key])) for pick in picks),
                Cell(text=METRICS[key].unit or UNKNOWN),
            )
        )
        for key in keys
    ]
    return TableView(
        key="baseline",
        caption=f"The baseline, {baseline.layout.name}, beside the first of the shortlist",
        columns=(
            Column(heading="value", is_number=False),
            Column(heading="baseline"),
            *(Column(heading=pick.design) for pick in picks),
            Column(heading="unit", is_number=False),
        ),
        groups=(Group(rows=tuple(rows)),),
        look="wide",
    )


def _baseline_notes(run: Run) -> tuple[str, ...]:
    """Return where the baseline stands among the designs of the run, in words."""
    if run.baseline is None:
        return ()
    try:
        return why(run.files, run.baseline.layout).sentences
    except InputError as error:
        return (f"It cannot be placed among the designs: {error}.",)


# Foot ------------------------------------------------------------------------------------------

METHOD = (
    "Every candidate is a rigid crank with slider-crank motion at constant speed; free forces and "
    "couples are summed order by order, after counterweights and balance shafts have taken what "
    "they can.",
    "Different numbers of cylinders are compared at equal total displacement; bore, masses, "
    "pitches and sizes follow from proportions that stand in the study, assumptions of the "
    "project and no measured engine.",
    "A design is on the front if no other is at least as good in every objective and better in "
    "one, after values are rounded up to the difference that matters. One design stands for all "
    "with the same rounded values.",
    "The shortlist is picked by rule: the design with the best balance, the best in each "
    "objective, the best when one objective weighs four times as much, and up to two knees, where "
    "every neighbour loses more than it gains.",
    f"A strength is a value within {GOOD_SHARE:.0%} of the best, a price one beyond "
    f"{DEAR_SHARE:.0%}, both of the span between the best and the worst on the front.",
)

_WORDS = (
    ("front", "the designs that no other beats in everything: the honest choices"),
    ("objective", "what is to be as small, or as large, as it can be"),
    (
        "free force",
        "what the moving masses leave unbalanced and the mounts must hold; its couple tips or "
        "yaws the engine",
    ),
    ("order", "cycles per turn of the crank: the first order shakes once a turn, the second twice"),
    ("throw, crankpin", "the crank's arms and the pins on them, to which the rods are joined"),
    ("counterweight", "mass on the crank opposite a throw; takes the part that turns with it"),
    (
        "balance shaft",
        "a shaft with weights that turns with or against the crank, once or twice as fast, and "
        "cancels one part of what is left",
    ),
    (
        "firing order",
        "the order in which cylinders fire, numbered along the crank from its free end",
    ),
    ("bank", "a row of cylinders; a V has two, and its bank angle lies between them"),
    ("family", "number of cylinders, arrangement and crankpins together"),
    ("RMS", "root mean square: a mean over a turn in which large values count more"),
    ("hypervolume", "how much of the space of objective values a front beats, 0 to 100 %"),
)


def _glossary(run: Run) -> tuple[tuple[str, str], ...]:
    metrics = [(METRICS[o.key].label, METRICS[o.key].meaning) for o in run.study.objectives]
    return (*metrics, *_WORDS)


def pick_of(run: Run, design: str) -> Pick:
    """Return the pick of a design on the shortlist."""
    return next(pick for pick in run.picks if pick.design == design)
