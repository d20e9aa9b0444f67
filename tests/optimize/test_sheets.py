"""The sheet of a layout as data and as text; how it looks is tested in a browser."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner

from evaluate import Layout, evaluation_document, read_layout
from evaluate.layout import layout_from_tables
from evaluate.reading import reading
from evaluate.tables import read_toml
from optimize.cli import main
from optimize.inline_svg import inline_svg
from optimize.pictures import LAYOUT_PICTURES
from optimize.sheets import (
    SHORT,
    THIN_SPACE,
    UNKNOWN,
    SheetView,
    TableView,
    arrangement_text,
    is_trifle,
    number_text,
    sheet_html,
    sheet_view,
)
from optimize.texts import CAUTION

LAYOUTS = Path(__file__).parents[2] / "studies" / "layouts"
ALL = sorted(path.stem for path in LAYOUTS.glob("*.toml"))
MOST_BYTES = 1_500_000  # so that a sheet passes by mail: a limit of this project
HOSTILE = '<script>alert("1")</script> & </style> {{ 7 * 7 }} </title>'


def layout(name: str) -> Layout:
    return read_layout(LAYOUTS / f"{name}.toml")


def without_bore(name: str) -> Layout:
    tables = read_toml(LAYOUTS / f"{name}.toml")
    del tables["cylinder"]["bore_mm"]
    return layout_from_tables(tables)


def tables(view: SheetView) -> dict[str, TableView]:
    return {t.key: t for s in view.sections for part in s.parts for t in part.tables}


def test_numbers_are_written_in_one_way():
    assert number_text(12345.6) == f"12{THIN_SPACE}346"
    assert number_text(0.45678) == "0.457"
    assert number_text(-2.5) == "\u22122.5"
    assert number_text(247.5, places=2) == "247.5"
    assert number_text(100, places=2) == "100"
    assert number_text(-0.001, places=2) == "0"
    assert number_text(1e-7, least=1e-6) == "0"
    assert number_text(None) == number_text(float("nan")) == UNKNOWN


# Names of arrangements: terms of the trade, no source.
@pytest.mark.parametrize(
    ("bank_angles_deg", "n_cylinders", "words"),
    [
        ([0.0], 1, "one cylinder"),
        ([0.0], 4, "4 cylinders in line"),
        ([-45.0, 45.0], 8, "8 cylinders in a V of 90°"),
        ([45.0, -45.0], 8, "8 cylinders in a V of 90°"),
        ([-36.25, 36.25], 6, "6 cylinders in a V of 72.5°"),
        ([-90.0, 90.0], 4, "4 cylinders, opposed"),
        ([-67.5, -22.5, 22.5, 67.5], 16, "16 cylinders in 4 banks, 45° from bank to bank"),
        ([0.0, 100.0, 240.0], 3, "3 cylinders in 3 banks at 0°, 100°, 240°"),
    ],
)
def test_arrangement_in_words(bank_angles_deg, n_cylinders, words):
    assert arrangement_text(bank_angles_deg, n_cylinders) == words


@pytest.mark.parametrize("name", ALL)
def test_in_short_follows_its_rule(name):
    view = sheet_view(layout(name))
    said = [(s.topic, s.text) for s in reading(layout(name))]
    worth = [(k, t) for k, t in said if not is_trifle(t)]
    wanted = [text for topic, n in SHORT for text in [t for k, t in worth if k == topic][:n]]
    assert list(view.short) == wanted
    assert 3 <= len(view.short) <= 5
    for text in view.short:  # what is next to nothing stands there only beside what is not
        assert "next to nothing" not in text or "left to the mounts" in text


@pytest.mark.parametrize("name", ALL)
def test_every_statement_stands_in_a_section(name):
    view = sheet_view(layout(name))
    shown = [text for s in view.sections for part in s.parts for text in part.statements]
    assert {s.text for s in reading(layout(name))} <= set(shown)


def test_every_picture_of_a_layout_stands_on_the_sheet():
    view = sheet_view(layout("v-eight-cross-plane"))
    shown = [p.key for s in view.sections for part in s.parts for p in part.pictures]
    assert sorted(shown) == sorted(LAYOUT_PICTURES)


def test_sheet_is_complete_in_itself_and_small():
    text = sheet_html(layout("v-eight-cross-plane"))
    assert len(text.encode()) < MOST_BYTES
    assert "<script" not in text
    assert "http" not in text
    assert not re.search(r"<(link|img|iframe|object|embed|base)\b|@import|\bsrc=", text)
    assert "<?xml" not in text
    assert "<metadata" not in text
    assert CAUTION in unescape(text.replace("<wbr>", ""))


def test_same_layout_gives_the_same_bytes():
    assert sheet_html(layout("single")) == sheet_html(layout("single"))


def test_a_name_is_text_wherever_it_stands():
    text = sheet_html(replace(layout("single"), name=HOSTILE))
    assert "<script" not in text
    assert text.count("</style>") == 1
    assert text.count("</title>") == 1 + text.count("<title id=")
    assert "{{ 7 * 7 }}" in text
    heading = re.search(r"<h1>(.*?)</h1>", text)
    assert heading is not None
    assert unescape(heading[1].replace("<wbr>", "")) == HOSTILE


def test_what_is_not_known_is_a_dash_with_its_reason():
    view = sheet_view(without_bore("in-line-four-flat"))
    for key in ("metrics", "remedies"):
        table = tables(view)[key]
        cells = [c for g in table.groups for row in g.rows for c in row.cells]
        assert any(cell.text == UNKNOWN and cell.value is None for cell in cells), key
        assert any("no bore" in note for note in table.notes), key
    text = sheet_html(without_bore("in-line-four-flat"))
    assert not re.search(r"\b(nan|None|inf)\b", text)


@pytest.mark.parametrize("name", ALL)
def test_firing_table_waits_are_those_of_the_document(name):
    document = evaluation_document(layout(name))
    rows = tables(sheet_view(layout(name)))["firings"].groups[0].rows
    assert [row.cells[0].text for row in rows] == document["firing"]["order"]
    waits = [row.cells[2].value for row in rows]
    # The same differences, summed in another sequence: rounding of angles up to 720.
    assert waits == pytest.approx(document["firing"]["intervals_deg"], abs=1e-9)


def test_own_order_is_marked_among_those_that_the_crank_allows():
    for name in ("v-eight-cross-plane", "w-sixteen-four-banks", "in-line-four-cross-plane"):
        table = tables(sheet_view(layout(name)))["allowed"]
        marked = [r for r in table.groups[0].rows if r.mark]
        wanted = "-".join(evaluation_document(layout(name))["firing"]["order"])
        assert [r.cells[0].text for r in marked] == [wanted]


def test_inline_svg_names_are_its_own():
    draw = LAYOUT_PICTURES["crank"].draw
    one, two = (
        inline_svg(draw(layout("single"), 4.2), key=key, title="a < b", description="c & d")
        for key in ("one", "two")
    )
    names = [set(re.findall(r'\bid="([^"]+)"', svg.markup)) for svg in (one, two)]
    assert names[0]
    assert not names[0] & names[1]
    assert one.glyphs == two.glyphs
    assert '<title id="one-title">a &lt; b</title>' in one.markup
    assert '<desc id="one-desc">c &amp; d</desc>' in one.markup
    assert one.width_pt == pytest.approx(4.2 * 72)


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["evaluate", *map(str, arguments)])
    return result.exit_code, result.output


def test_evaluate_writes_a_sheet(tmp_path):
    target = tmp_path / "one.html"
    code, _ = run(LAYOUTS / "single.toml", "--sheet", target)
    assert code == 0
    assert target.read_text(encoding="utf-8") == sheet_html(layout("single"))
    assert [path.name for path in tmp_path.iterdir()] == ["one.html"]


@pytest.mark.parametrize("bad", ["none/one.html", "one.txt", "one", ".", "folder.html"])
def test_a_sheet_that_cannot_be_written_is_status_2_and_nothing_is(bad, tmp_path):
    (tmp_path / "folder.html").mkdir()
    code, output = run(
        LAYOUTS / "single.toml", "--sheet", tmp_path / bad, "--plots", tmp_path / "plots"
    )
    assert code == 2
    assert "--sheet" in output
    assert len(output.strip().splitlines()) == 1
    assert [path.name for path in tmp_path.rglob("*")] == ["folder.html"]
