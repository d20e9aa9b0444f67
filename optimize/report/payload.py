"""The front as data inside the page: what its script draws, filters, compares and hands out."""

from __future__ import annotations

from typing import Any

import pandas as pd

from evaluate.metrics import METRICS
from optimize.pictures.fronts import family_style
from optimize.pictures.tradeoffs import BASELINE_COLOR, price_of
from optimize.report.beside import Beside
from optimize.report.runs import Run, plain_value
from optimize.report.tables import beaten_sentence
from optimize.report.words import kind_words
from optimize.robust import HIGH, KEPT, LOW, objective_column

#: Columns of a design beside its metrics, as they stand in the Parquet.
_PLAIN = (
    "design",
    "family",
    "arrangement",
    "cylinders",
    "pins",
    "bank_angle_deg",
    "splay_deg",
    "firing_order",
    "shafts",
    "reciprocating_fraction",
    "rotating_fraction",
    "bore_mm",
    "stroke_mm",
    "speed_rpm",
    "equals",
    "generation",
    "seed",
    "seeds_found",
    "also_in",
)
_LISTS = ("throw_angles_deg", "cylinder_banks", "firing_angles_deg", "collectors")
_WORDS = {
    "design": ("design", "", "its name on the front"),
    "family": ("family", "", "cylinders, arrangement and crankpins"),
    "arrangement": ("arrangement", "", "in line, V or opposed"),
    "cylinders": ("cylinders", "", "how many"),
    "pins": ("crankpins", "", "how two cylinders of a pair meet the crank"),
    "bank_angle_deg": ("bank angle", "deg", "between the two banks; 0 in line"),
    "splay_deg": ("splay", "deg", "from the pin of bank 1 to that of bank 2 in a pair"),
    "firing_order": ("firing order", "", "cylinders numbered from the free end"),
    "shafts": ("balance shafts", "", "order and sense of each"),
    "reciprocating_fraction": (
        "share of reciprocating mass",
        "",
        "of the reciprocating mass, in the counterweights",
    ),
    "rotating_fraction": ("share of rotating mass", "", "of the rotating mass, balanced"),
    "bore_mm": ("bore", "mm", "from equal displacement"),
    "stroke_mm": ("stroke", "mm", "from equal displacement"),
    "speed_rpm": ("speed", "rpm", "at which all is computed"),
    "throw_angles_deg": ("throw angles", "deg", "in the direction of rotation, throw 1 first"),
    "cylinder_banks": ("bank of each cylinder", "", "cylinder 1 first"),
    "firing_angles_deg": ("firing angles", "deg", "by cylinder, after the firing of cylinder 1"),
    "collectors": ("exhaust collector of each cylinder", "", "cylinder 1 first"),
    "equals": ("designs it stands for", "", "known with the same rounded objectives, itself among"),
    "generation": ("generation", "", "of the search that found it; 0 when enumerated"),
    "seed": ("found by repetition", "", "-1 when enumerated"),
    "seeds_found": ("repetitions with it", "", "how many found these objectives"),
    "also_in": ("also in", "", "families with the same rounded objectives"),
}
#: Designs of family fronts that are drawn faintly behind the front; more would fill the page.
MOST_BEHIND = 800


def payload(run: Run, others: Beside | None = None) -> dict[str, Any]:
    """Return the document that the page carries, ready for JSON.

    Parameters
    ----------
    run : Run
        From `read_report_run`.
    others : Beside or None
        Other runs beside this one.
    """
    front, study = run.front, run.study
    metrics = [key for key in METRICS if key in front.columns]
    built = [c for c in front.columns if c.endswith((LOW, HIGH, KEPT)) and c not in METRICS]
    names = [*(c for c in _PLAIN if c in front.columns), *_LISTS, *metrics, *built]
    objectives = [
        {
            "metric": o.key,
            "column": objective_column(front, o),
            "resolution": o.resolution,
            "rounded": [plain_value(v) for v in front[f"{o.key}_rounded"]],
        }
        for o in study.objectives
    ]
    return {
        "study": study.name,
        "cycle_deg": study.cycle_deg,
        "open_duration_deg": study.open_duration_deg,
        "objectives": objectives,
        "price": price_of([o.key for o in study.objectives]),
        "columns": [_column(name, metrics) for name in names],
        "values": {name: [plain_value(v) for v in front[name]] for name in names},
        "families": _families(run),
        "kinds": [kind_words(row) for _, row in front.iterrows()],
        "shortlist": {pick.design: list(pick.reasons) for pick in run.picks},
        "baseline": _baseline(run),
        "behind": _behind(run),
        "others": [] if others is None else _others(others),
        "layouts": _layouts(run),
    }


def _column(name: str, metrics: list[str]) -> dict[str, str]:
    if name in metrics:
        metric = METRICS[name]
        return {
            "key": name,
            "label": metric.label,
            "unit": metric.unit,
            "sense": metric.sense,
            "meaning": metric.meaning,
        }
    for end, words in ((LOW, "low end"), (HIGH, "high end"), (KEPT, "kept by the stated share")):
        if name.endswith(end) and name not in _WORDS:
            metric = METRICS[name.removesuffix(end)]
            return {
                "key": name,
                "label": f"{metric.label}, {words}",
                "unit": metric.unit,
                "sense": metric.sense,
                "meaning": "of engines as they are built, within the study's tolerances",
            }
    label, unit, meaning = _WORDS.get(name, (name.replace("_", " "), "", ""))
    return {"key": name, "label": label, "unit": unit, "sense": "", "meaning": meaning}


def _families(run: Run) -> list[dict[str, Any]]:
    used = set(run.front["family"])
    return [
        {
            "name": family.name,
            "color": family_style(family.arrangement, family.cylinders, family.pins).color,
            "throws": [int(throw) + 1 for throw in family.engine.throws],
        }
        for family in run.files.families
        if family.name in used
    ]


def _baseline(run: Run) -> dict[str, Any] | None:
    if run.baseline is None:
        return None
    values = {key: plain_value(value) for key, value in run.baseline.values.items()}
    return {"name": run.baseline.layout.name, "values": values, "color": BASELINE_COLOR}


def _others(others: Beside) -> list[dict[str, Any]]:
    """Return the fronts of the other runs, in the rounded objectives that all runs have."""
    found = others.comparison
    fronts = []
    for place, label in list(enumerate(others.labels))[1:]:
        every = [vector for vector in found.vectors if vector.designs[place]]
        own = every[:: -(-len(every) // MOST_BEHIND) or 1]  # of very many, every second or so
        fronts.append(
            {
                "label": label,
                "left_out": len(every) - len(own),
                "design": [vector.designs[place] for vector in own],
                "family": [vector.families[place] for vector in own],
                "values": {
                    o.metric: [plain_value(vector.values[o.metric]) for vector in own]
                    for o in found.objectives
                },
            }
        )
    return fronts


def _behind(run: Run) -> dict[str, Any]:
    """Return the numbers of designs that are only on their own family's front, the best first.

    Every column that the charts can be drawn by is among them, to six digits.

    They stand in `family_fronts.parquet` sorted by objectives; each family gets its share.
    """
    rows = run.files.rows
    rows = rows[~rows["on_front"]] if len(rows) else rows
    if len(rows) > MOST_BEHIND:
        rank = rows.groupby("family").cumcount()
        rows = rows.loc[rank.sort_values(kind="stable").index[:MOST_BEHIND]].sort_index()
    columns = [
        name
        for name in rows.columns
        if (name in METRICS or name in _PLAIN or name.endswith((LOW, HIGH, KEPT)))
        and pd.api.types.is_numeric_dtype(rows[name])
    ]
    values: dict[str, list[Any]] = {}
    if len(rows):
        values = {name: list(rows[name]) for name in ("design", "family")}
        values["told"] = [beaten_sentence(row) for _, row in rows.iterrows()]
        values |= {name: [_short(plain_value(v)) for v in rows[name]] for name in columns}
    return {
        "left_out": int((~run.files.rows["on_front"]).sum() - len(rows)) if len(rows) else 0,
        "values": values,
    }


def _short(value: Any) -> Any:
    return float(f"{value:.6g}") if isinstance(value, float) else value


def _layouts(run: Run) -> dict[str, Any]:
    """Return every design's layout file, each distinct line once.

    Designs of a family differ in a few lines, so that thousands of files take little room and are
    still the very text that `crankfront export` writes.
    """
    lines: dict[str, int] = {}
    designs = [
        [lines.setdefault(line, len(lines)) for line in run.layout_file(row).split("\n")]
        for _, row in run.front.iterrows()
    ]
    return {"lines": list(lines), "designs": designs}


def design_texts(document: dict[str, Any]) -> dict[str, str]:
    """Return the layout files in a payload, by design."""
    lines = document["layouts"]["lines"]
    names = document["values"]["design"]
    files = document["layouts"]["designs"]
    return {
        name: "\n".join(lines[n] for n in numbers)
        for name, numbers in zip(names, files, strict=True)
    }


def frame_of(document: dict[str, Any]) -> pd.DataFrame:
    """Return the designs in a payload as a frame."""
    return pd.DataFrame(document["values"])
