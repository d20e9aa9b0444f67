"""Work in a notebook: frames with units, objects that show themselves, the script of pictures.

References: the table of metrics, pandas, and the pictures that the run itself has left.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

import optimize
from evaluate import METRICS, Evaluation, read_layout, score
from evaluate.notebook import table_html
from optimize import results, run
from tests.optimize.small_studies import in_this_process, metrics, write_study

ROOT = Path(__file__).parents[1]
FOUR = ROOT / "studies" / "layouts" / "in-line-four-flat.toml"


@pytest.fixture(scope="module")
def run_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a small run with pictures."""
    folder = tmp_path_factory.mktemp("notebook") / "run"
    folder.mkdir()
    path = write_study(
        folder,
        study={"name": "notebook", "question": "Which <twin>?"},
        space={"cylinders": [2, 3], "reciprocating_fraction": [0.0, 0.5]},
        constraints={"largest_interval_factor": 2.0},
        objectives=metrics(("force_rms_N", 500.0), ("firing_fluctuation", 0.04), ("parts", 1.0)),
        search={"population": 20, "evaluations": 400},
        tolerances={"throw_angle_deg": 0.5, "samples": 100},
    )
    study = optimize.read_study(path)
    path.rename(folder / "study.toml")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_pool", in_this_process)
        outcome = optimize.run_study(study, folder, workers=1)
    results.write_results(study, outcome, folder, pictures=True)
    return folder


class Cells(HTMLParser):
    """Reads the cells of a table, and checks that every element is closed in its turn."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, *_: object) -> None:
        self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        elif tag in ("th", "td"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("th", "td"):
            self.rows[-1][-1] += data


def test_a_front_is_a_frame_with_units_and_senses(run_dir: Path) -> None:
    front = optimize.read_front(run_dir / "front.parquet")
    units, senses = front.attrs["units"], front.attrs["senses"]
    for key, metric in METRICS.items():
        assert (units[key], senses[key]) == (metric.unit, metric.sense)
        assert key in front.columns
    assert units["force_rms_N_rounded"] == "N"
    assert units["force_rms_N_p95"] == "N"
    assert units["bank_angle_deg"] == units["throw_angles_deg"] == "deg"
    assert units["bore_mm"] == "mm"
    assert "family" not in units
    assert [o["metric"] for o in front.attrs["objectives"]] == [
        "force_rms_N",
        "firing_fluctuation",
        "parts",
    ]
    assert front.attrs["study"] == (run_dir / "study.toml").read_text("utf-8")
    assert front.sort_values("parts").attrs == front.attrs  # pandas hands them on
    json.dumps(front.attrs)


def test_public_names_stay_functions_whatever_was_imported() -> None:
    import optimize.shortlist
    import optimize.why

    for name in optimize.__all__:
        for _ in range(2):
            assert callable(getattr(optimize, name)), name


def test_tables_say_what_the_objects_hold(run_dir: Path) -> None:
    study = optimize.read_study(run_dir / "study.toml")
    shown = dict(Cells(study._repr_html_()).rows)
    assert shown["question"] == "Which <twin>?"
    assert "<twin>" not in study._repr_html_()
    assert shown["displacement"] == "1600 cm³"
    assert shown["cylinders"] == "2, 3"
    layout = read_layout(FOUR)
    shown = dict(Cells(layout._repr_html_()).rows)
    assert shown["firing order"] == "1-3-4-2"
    assert shown["firing intervals [deg]"] == "180-180-180-180"
    assert shown["throw angles [deg]"] == "0-180-180-0"
    answer = optimize.why_not(optimize.read_run(run_dir), layout)
    assert [row[1] for row in Cells(answer._repr_html_()).rows] == list(answer.sentences)


def test_an_evaluation_shows_its_metrics() -> None:
    layout = read_layout(FOUR)
    heading, *rows = Cells(Evaluation(layout.engine, layout.batch)._repr_html_()).rows
    assert len(heading) == 2
    values = score(layout.engine, layout.batch, METRICS)[0]
    assert [float(row[1]) for row in rows] == pytest.approx(values, rel=1e-4)
    many = layout.batch.having(
        **{
            name: np.repeat(getattr(layout.batch, name), 9, axis=0)
            for name in layout.batch.__slots__
        }
    )
    shown = Evaluation(layout.engine, many)._repr_html_()
    assert len(Cells(shown).rows[0]) == 7
    assert "9 candidates, the first" in shown


def test_text_in_tables_is_escaped() -> None:
    assert Cells(table_html("a < b", [("<i>", "&amp;")], heading=["", "'\""])).rows[1] == [
        "<i>",
        "&amp;",
    ]


def test_the_script_draws_the_pictures_of_the_run_again(run_dir: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "studies/report_pictures.py", str(run_dir), str(tmp_path)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    names = {path.name for path in (run_dir / "pictures").iterdir()}
    assert names == {path.name for path in tmp_path.iterdir()}
    for name in names:
        assert (tmp_path / name).read_bytes() == (run_dir / "pictures" / name).read_bytes(), name
    assert "on the front" in done.stdout
