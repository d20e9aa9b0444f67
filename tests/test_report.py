"""The report tells what the Parquet says: numbers of the page and of the PDF against the files."""

from __future__ import annotations

import hashlib
import math
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from PIL import Image

from evaluate.metrics import METRICS
from optimize.cli import main
from optimize.one_design import export_design
from optimize.pictures.options import option_picture
from optimize.pictures.tradeoffs import near_places, tradeoffs_picture
from optimize.report.page import page_data, tradeoffs_of
from optimize.report.payload import design_texts
from optimize.report.runs import read_report_run
from optimize.session import search_and_write
from optimize.texts import CAUTION
from tests.browser.test_sheet import needed_program
from tests.reported_runs import small_run, stored_front, stored_metadata

VENDOR = Path(__file__).parents[1] / "optimize" / "templates" / "vendor"
KEYS = ("force_rms_N", "couple_rms_Nm", "firing_fluctuation", "exhaust_unevenness_deg", "parts")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_run(tmp_path_factory.mktemp("reported") / "run")


@pytest.fixture(scope="module")
def written(run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("written")
    result = CliRunner().invoke(main, ["report", str(run), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert CAUTION in result.output
    return out


@pytest.fixture(scope="module")
def html(written: Path) -> str:
    return (written / "report.html").read_text(encoding="utf-8")


class Tables(HTMLParser):
    """Rows of every table by its identifier: first cell, then text and exact value of each."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: dict[str, list[list[tuple[str, float | None]]]] = {}
        self._name = ""
        self._cell: list[str] | None = None
        self._value: float | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "table":
            self._name = given.get("id") or ""
            self.tables[self._name] = []
        elif tag == "tr" and self._name:
            self.tables[self._name].append([])
        elif tag in ("td", "th") and self._name:
            self._cell, self._value = [], None
        elif tag == "data":
            self._value = float(given["value"] or "nan")
        elif tag == "small" and self._cell is not None:
            self._cell.append("\n")

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell.append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th") and self._cell is not None:
            self.tables[self._name][-1].append(("".join(self._cell).strip(), self._value))
            self._cell = None
        elif tag == "table":
            self._name = ""


@pytest.fixture(scope="module")
def tables(html: str) -> dict[str, list[list[tuple[str, float | None]]]]:
    parser = Tables()
    parser.feed(html[: html.index("<script")])
    return parser.tables


def read(text: str) -> float:
    return float(re.sub("[\u202f, ]", "", text).replace("\u2212", "-"))


def digit(value: float) -> float:
    """Return half a unit of the last digit shown: whole from 100, else three digits."""
    if value == 0 or abs(value) < 1e-6:
        return 1e-6
    if abs(value) >= 100:
        return 0.5001
    return 0.5001 * 10.0 ** (math.floor(math.log10(abs(value))) - 2)


def test_the_page_carries_every_number_of_the_parquet(run, html):
    front, data = stored_front(run), page_data(html)
    assert data["values"]["design"] == list(front["design"])
    assert set(METRICS) <= set(data["values"])
    for name, cells in data["values"].items():
        for cell, stored in zip(cells, front[name], strict=True):
            if isinstance(stored, np.ndarray):
                assert cell == stored.tolist(), name
            elif cell is None:
                assert math.isnan(stored), name
            else:
                assert cell == stored, name  # bit for bit, not nearly
    for objective in data["objectives"]:
        assert objective["rounded"] == front[f"{objective['metric']}_rounded"].tolist()


def test_the_options_are_the_shortlist_and_their_numbers_the_parquet(run, tables):
    front = stored_front(run).set_index("design")
    rows = {row[0][0].split("\n")[0].split(" ")[0]: row[1:] for row in tables["table-options"][1:]}
    picks = [pick["design"] for pick in stored_metadata(run)["shortlist"]]
    assert [name for name in rows if name != "baseline"] == picks
    for design in picks:
        for key, (text, exact) in zip(KEYS, rows[design], strict=True):
            stored = front.loc[design, key]
            assert exact == stored
            assert read(text) == pytest.approx(stored, abs=digit(stored))


def test_spans_of_the_objectives_are_those_of_the_parquet(run, tables):
    front = stored_front(run)
    for key, row in zip(KEYS, tables["table-objectives"][1:], strict=True):
        assert row[0][0] == METRICS[key].label
        assert [row[1][1], row[2][1]] == [front[key].min(), front[key].max()]  # less is better


def test_families_table_counts_what_the_parquet_has(run, tables):
    front = stored_front(run)
    own = pd.read_parquet(run / "family_fronts.parquet")
    for name, members, common, why in tables["table-families"][1:]:
        assert members[1] == (own["family"] == name[0]).sum()
        assert common[1] == (front["family"] == name[0]).sum()
        if members[1] and not common[1]:
            first = own[own["family"] == name[0]].iloc[0]
            how = first["dominated_how"].replace(",", "")
            said = why[0].replace("\u202f", "").replace(",", "")
            if how == "equal when rounded":
                assert f"{first['dominated_by']} has the same counted values" in said
            else:
                assert f"{first['dominated_by']} has {how} than {first['design']}" in said


#: "residual force 1 569 N (best 0 N)" and the like, in the cards of the options.
_SAID = re.compile(r"([a-z-]+(?: [a-z-]+)*) ([\d.\u202f]+)")


def test_numbers_in_the_words_on_each_option_are_the_parquet_s(run, html):
    front = stored_front(run).set_index("design")
    labels = {METRICS[key].label: key for key in KEYS}
    checked = 0
    for design in [pick["design"] for pick in stored_metadata(run)["shortlist"]]:
        card = html[html.index(f'id="option-{design}"') :]
        for kind in ("Strengths", "Price"):
            found = re.search(rf"<dt>{kind}</dt><dd>([^<]*)</dd>", card[: card.index("</li>")])
            for part in (found[1] if found else "").split("; "):
                said = _SAID.match(part)
                if not said:
                    continue
                key = labels[said[1]]
                stored, span = front.loc[design, key], front[key]
                assert read(said[2]) == pytest.approx(stored, abs=digit(stored)), part
                share = (stored - span.min()) / (span.max() - span.min())
                # Rounded values decide, which are at most one resolution away.
                slack = {"force_rms_N": 50, "couple_rms_Nm": 5, "firing_fluctuation": 0.01}.get(
                    key, 5 if key == "exhaust_unevenness_deg" else 1
                ) / (span.max() - span.min())
                assert share <= 0.1 + slack if kind == "Strengths" else share >= 0.25 - slack, part
                checked += 1
    assert checked >= 10


def test_every_layout_file_in_the_page_is_what_export_writes(run, html):
    texts = design_texts(page_data(html))
    assert len(texts) == len(stored_front(run))
    for design, text in texts.items():
        assert text == export_design(run, design, out=None, front="common")


def test_hypervolume_and_seeds_are_told_as_they_are(run, html):
    front, metadata = stored_front(run), stored_metadata(run)
    volume = re.search(r"The front dominates ([\d.]+)\u00a0% of the box", html)
    assert volume
    assert float(volume[1]) == pytest.approx(100 * metadata["hypervolume"], rel=5e-3)
    told = re.search(r"repeated 2 times .*?: (\d+) of the (\d+) searched", html)
    assert told
    assert [int(told[1]), int(told[2])] == [int((front["seeds_found"] == 2).sum()), len(front)]


def test_caution_stands_at_the_foot(html):
    foot = html[html.index("<footer") : html.index("</footer>")]
    assert CAUTION in foot


def test_the_page_is_the_same_again(run, html, tmp_path):
    result = CliRunner().invoke(main, ["report", str(run), "--out", str(tmp_path)])
    assert result.exit_code == 0
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == html


@pytest.fixture(scope="module")
def printed(written: Path) -> str:
    program = needed_program("pdftotext")
    return subprocess.run(
        [program, "-layout", str(written / "report.pdf"), "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout


def test_the_pdf_tells_the_same_numbers(run, printed):
    front = stored_front(run).set_index("design")
    assert 2 <= printed.count("\f") <= 4
    table = printed[printed.index("The options in numbers") : printed.index("Less is better")]
    for pick in stored_metadata(run)["shortlist"]:
        design = pick["design"]
        found = re.search(rf"^\s*{design} (.*)$", table, re.MULTILINE)
        assert found, design
        numbers = [read(text) for text in re.split(r"\s{2,}", found[1].strip())[1:]]
        stored = [front.loc[design, key] for key in KEYS]
        for shown, value in zip(numbers, stored, strict=True):
            assert shown == pytest.approx(value, abs=digit(value)), design
    words = " ".join(printed.split())
    assert " ".join(CAUTION.split()) in words
    assert "Which layout for a 1.6-litre generator engine" in words


def shares_of_the_span(front: pd.DataFrame) -> pd.DataFrame:
    """Return rounded objectives between the best (0) and the worst (1) of the front."""
    rounded = front.set_index("design")[[f"{key}_rounded" for key in KEYS]]  # less is better
    return (rounded - rounded.min()) / (rounded.max() - rounded.min())


def answer_of(html: str) -> list[str]:
    block = html[html.index('<ol class="short">') :]
    return [
        re.sub("<[^>]+>", "", text).replace("&#39;", "'")
        for text in re.findall(r"<li>(.*?)</li>", block[: block.index("</ol>")], re.DOTALL)
    ]


def test_the_answer_states_its_rule_its_runner_up_and_what_a_sum_picks(run, html):
    # By the words of the rule, in pandas: least bad in the worst objective, ties by the sum.
    shares = shares_of_the_span(stored_front(run))
    order = pd.DataFrame({"worst": shares.max(axis=1).round(9), "sum": shares.sum(axis=1).round(9)})
    best, second = order.sort_values(["worst", "sum"], kind="stable").index[:2]
    by_sum = order["sum"].idxmin()
    told = answer_of(html)
    assert f"If all objectives weigh the same, build {best}: " in told[0]
    assert told[0].startswith(f"It depends on how you weigh: {best} or {by_sum}.") == (
        best != by_sum
    )
    assert told[1].startswith(f"Why {best}: its worst objective, as a share of the front's span")
    said = re.search(r"least bad \((.*), (\d+)\u00a0% of the span\)", told[1])
    assert said
    worst = next(key for key in KEYS if METRICS[key].label == said[1])
    assert shares.loc[best, f"{worst}_rounded"] == pytest.approx(order.loc[best, "worst"])
    assert int(said[2]) == round(100 * order.loc[best, "worst"])
    assert f"Runner-up by the same rule: {second} (" in told[1]
    assert f"picks {by_sum}" in told[2]


def test_shafts_stand_wherever_a_design_is_recommended(run, html, tables, printed):
    front = stored_front(run).set_index("design")
    words = {0: "no balance shaft", 1: "one balance shaft", 2: "2 balance shafts"}
    told, print_words = " ".join(answer_of(html)), " ".join(printed.split())
    seen = set()
    for row in tables["table-options"][1:-1]:
        design, detail = row[0][0].split("\n")[:2]
        names = front.loc[design, "shafts"]
        said = words[0 if names == "none" else len(names.split(" + "))]
        seen.add(said)
        assert detail.startswith(f"{front.loc[design, 'family']}, {said}")
        card = html[html.index(f'id="option-{design}"') :]
        assert said in card[: card.index("</h3>")]
        assert re.search(rf"{design}: [^(]*, {said} \(", print_words)
        for recommended in re.findall(rf"build {design}(?: instead)?: ([^.]*)", told):
            assert said in recommended
    assert len(seen) >= 2


def test_the_table_beside_the_baseline_has_every_design_of_the_answer(html, tables):
    heading = [cell[0] for cell in tables["table-baseline"][0]]
    named = set(re.findall(r"\bD\d+\b", " ".join(answer_of(html))))
    assert len(named) >= 3
    assert named == set(heading[2:-1])


def test_the_pick_that_is_the_baseline_is_said_to_be_it(html):
    told = next(text for text in answer_of(html) if "baseline" in text)
    # Four cylinders of 80 x 79.7 mm in the file against 1600 cm3 in the study: figures of both.
    assert "is the baseline's own layout (in-line four, flat crank)" in told
    assert "displacement 1\u202f602 cm³ in the file, 1\u202f600 cm³ here" in told


def test_one_verdict_and_a_next_step_that_names_the_run(run, html, printed):
    told = answer_of(html)[-1]
    assert told.startswith("Likely, not proved:")
    step = f"crankfront enumerate {run}/study.toml --out {run}-exact proves it."
    assert told.endswith(f"Next step: {step}")
    assert html.count("not proved") == 2  # in the answer and under how sure this is
    assert "".join(step.split()) in "".join(printed.split())
    assert f"<code>crankfront why {run} LAYOUT.toml</code>" in html


def test_a_run_can_be_reported_from_inside_its_directory(run, tmp_path, monkeypatch):
    monkeypatch.chdir(run)
    result = CliRunner().invoke(main, ["report", ".", "--out", str(tmp_path)])
    assert result.exit_code == 0, result.output
    told = answer_of((tmp_path / "report.html").read_text(encoding="utf-8"))[-1]
    step = f"crankfront enumerate study.toml --out {run.resolve()}-exact proves it."
    assert told.endswith(f"Next step: {step}")


def test_beaten_designs_have_every_column_that_an_axis_can_show(run, html):
    data = page_data(html)
    own = pd.read_parquet(run / "family_fronts.parquet")
    own = own[~own["on_front"]].set_index("design")
    behind = data["behind"]["values"]
    assert len(behind["design"]) == len(own)
    for column in data["columns"]:
        key = column["key"]
        if any(isinstance(value, (int, float)) for value in data["values"][key]):
            stored = own.loc[behind["design"], key].to_numpy(float)
            shown = np.array([np.nan if v is None else v for v in behind[key]], float)
            np.testing.assert_allclose(shown, stored, rtol=6e-6, atol=1e-300)


def test_the_pdf_has_every_family_and_the_numbers_of_the_page(run, html, printed):
    own = pd.read_parquet(run / "family_fronts.parquet")
    part = printed[printed.index("Why not mine?") : printed.index("How sure this is")]
    beaten = [f for f in own["family"].unique() if f not in set(stored_front(run)["family"])]
    assert beaten
    for family in beaten:
        first = own[own["family"] == family].iloc[0]
        line = re.search(rf"^\s*{family}: (\S+) .*$", part, re.MULTILINE)
        assert line
        assert line[1] == first["dominated_by"]
    assert " more" not in part
    assert re.findall(r"Table (\d)\. (\S+ \S+)", printed) == [
        (number, caption)
        for number, caption in re.findall(r"<b>Table (\d)\.</b> (\S+ \S+)", html)
        if f"Table {number}." in printed
    ]
    for number, title in re.findall(r"<b>Figure (\d)\. ([^<.]*)\.</b>", html):
        assert f"Figure {number}. {title}." in printed


def test_pages_of_the_pdf_are_filled_inside_their_margins_and_read_in_grey(written, tmp_path):
    program = needed_program("pdftoppm")
    stem = tmp_path / "page"
    subprocess.run(
        [program, "-r", "50.8", "-gray", "-png", str(written / "report.pdf"), str(stem)], check=True
    )
    images = sorted(tmp_path.glob("page*.png"))
    assert 2 <= len(images) <= 4
    for image in images:
        grey = np.asarray(Image.open(image).convert("L"))  # 2 px to a millimetre
        assert grey.shape == pytest.approx((594, 420), abs=2)
        for margin in (grey[:, : 2 * 16], grey[:, -2 * 16 :], grey[: 2 * 12], grey[-2 * 8 :]):
            assert margin.min() > 250, image.name
        assert grey[2 * 15 : 2 * 90].min() < 100, image.name


def test_the_library_in_the_page_is_the_one_that_its_notice_names():
    notice = (VENDOR / "README.md").read_text(encoding="utf-8")
    digest = hashlib.sha256((VENDOR / "echarts.min.js").read_bytes()).hexdigest()
    assert digest in notice
    for licence in ("echarts-LICENSE", "echarts-NOTICE", "echarts-LICENSE-d3"):
        assert (VENDOR / licence).stat().st_size > 100


def test_several_runs_are_told_side_by_side(run, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(run, other)
    table = pq.read_table(run / "front.parquet")
    kept = table.slice(1)  # the other run lacks the first design
    pq.write_table(kept, other / "front.parquet")
    out = tmp_path / "out"
    result = CliRunner().invoke(main, ["report", str(run), str(other), "--out", str(out)])
    assert result.exit_code == 0, result.output
    html = (out / "report.html").read_text(encoding="utf-8")
    n = table.num_rows
    assert f"Of {n} different trade-offs (rounded objectives) {n - 1} are on every front" in html
    parser = Tables()
    parser.feed(html[: html.index("<script")])
    runs = {row[0][0].split("\n")[0]: row for row in parser.tables["table-runs"][1:]}
    assert [runs[k][3][1] for k in ("small", "other")] == [n, n - 1]
    ((design, *values, elsewhere),) = parser.tables["table-only-1"][1:]
    front = stored_front(run)
    assert design[0].split("\n")[0] == front["design"][0]
    assert [value for _, value in values] == [front[f"{key}_rounded"][0] for key in KEYS]
    assert elsewhere[0] == "nothing as good"
    assert "table-only-2" not in parser.tables
    program = needed_program("pdftotext")
    text = subprocess.run(
        [program, str(out / "report.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "The runs compared" in text
    assert text.count("\f") <= 5


SINGLE = """
[study]
name = "one <b> & \\"more\\""
question = "Which <i>engine</i> & why?"
seed = 3
[engine]
cycle_strokes = 2
displacement_cm3 = 200
speed = { rpm = 6000 }
[space]
cylinders = [2]
arrangements = ["in-line"]
throw_angle_step_deg = 90
[[objectives]]
metric = "exhaust_spacing_min_deg"
[search]
population = 8
evaluations = 40
"""


def test_a_front_of_one_design_and_a_question_with_marks_of_html(tmp_path):
    study = tmp_path / "one.toml"
    study.write_text(SINGLE, encoding="utf-8")
    run = tmp_path / "run"
    search_and_write(study, out=run, resume=False, workers=1, seed=None, pictures=False)
    result = CliRunner().invoke(main, ["report", str(run)])
    assert result.exit_code == 0, result.output
    html = (run / "report.html").read_text(encoding="utf-8")
    assert "<h1>Which &lt;i&gt;engine&lt;/i&gt; &amp; why?</h1>" in html
    assert page_data(html)["study"] == 'one <b> & "more"'
    assert "One design is on the front" in html
    assert "More is better in every column" in html
    assert (run / "report.pdf").read_bytes().startswith(b"%PDF")


def test_shortlisted_marks_are_drawn_last_and_every_design_once(run):
    front, view = stored_front(run), tradeoffs_of(read_report_run(run))
    picks = [pick["design"] for pick in stored_metadata(run)["shortlist"]]
    figure = tradeoffs_picture(view, width_in=7.0)
    panels = [axes for axes in figure.axes if axes.lines]
    assert len(view.panels) == len(panels) == len(KEYS) - 1
    for key, panel, axes in zip(KEYS[:-1], view.panels, panels, strict=True):
        assert sorted(named.design for named in panel.names) == sorted(picks)
        others = [place for m in panel.marks for place in zip(m.x, m.y, strict=True)]
        wanted = front[["parts", key]].to_numpy()
        named = [(named.x, named.y) for named in panel.names]
        assert sorted([*others, *named]) == sorted(map(tuple, wanted.tolist()))
        marks = [one for one in axes.lines if one.get_marker() in ("o", "^", "s")]
        is_named = [any(np.allclose(one.get_xydata()[0], n) for n in named) for one in marks]
        rings = [one for one in marks if one.get_markeredgecolor() == "black"]
        assert rings
        plain = [
            one.get_zorder() for one, is_one in zip(marks, is_named, strict=True) if not is_one
        ]
        assert max(plain) < min(ring.get_zorder() for ring in rings)
        for text in axes.texts:
            assert text.get_bbox_patch() is None  # nothing behind a name that would hide a mark


def test_crankpins_of_an_option_are_numbered_with_the_cylinders_that_fire(run):
    read_run = read_report_run(run)
    for design in [pick["design"] for pick in stored_metadata(run)["shortlist"]]:
        layout = read_run.layout(read_run.row(design))
        figure = option_picture(layout)
        crank, strip = figure.axes
        on_pins = sorted(n for text in crank.texts for n in text.get_text().split(","))
        fired = sorted(n for text in strip.texts for n in text.get_text().split("+"))
        assert on_pins == fired == sorted(layout.labels)
        places = [text.get_position() for text in crank.texts]
        dashed = [one for one in crank.lines if one.get_linestyle() not in ("-", "None")]
        for one in dashed:  # no axis sticks out behind a name
            end = one.get_xydata()[-1]
            assert all(math.dist(end, place) > 0.1 for place in places)


def test_names_cover_no_mark_and_no_name_where_there_is_room():
    rng = np.random.default_rng(5)  # plain loops against the arrays of the placing
    for _ in range(30):
        marks = rng.uniform(60, 940, (14, 2))
        named, size = marks[:5], np.array([36.0, 14.0])
        middles = near_places(
            named, np.tile(size, (5, 1)), marks, np.array([0, 0, 1000, 1000]), px_per_pt=1.8
        )
        for k, middle in enumerate(middles):
            assert np.all(middle >= 0.5 * size)
            assert np.all(middle <= 1000 - 0.5 * size)
            assert math.dist(middle, named[k]) < 120
            for other in middles[:k]:
                assert np.any(np.abs(middle - other) >= size)
        covered = sum(
            bool(np.all(np.abs(mark - middle) < 0.5 * size)) for mark in marks for middle in middles
        )
        assert covered == 0


def refused(*arguments: Any) -> str:
    result = CliRunner().invoke(main, ["report", *map(str, arguments)])
    assert result.exit_code == 2
    assert isinstance(result.exception, SystemExit)
    assert result.stderr.count("\n") == 1
    return result.stderr


def test_what_is_no_run_is_refused(run, tmp_path):
    assert "no directory" in refused(tmp_path / "nowhere")
    assert "no study.toml" in refused(tmp_path)
    assert "twice" in refused(run, run)
    (tmp_path / "report.html").mkdir()
    assert "report.html" in refused(run, "--out", tmp_path)
    assert not (tmp_path / "report.pdf").exists()
