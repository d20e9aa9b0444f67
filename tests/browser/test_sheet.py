"""The sheet of a layout as a browser shows and prints it, at the width of a desk and of a phone."""

from __future__ import annotations

import math
import os
import shutil
import subprocess
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from evaluate import evaluation_document, read_layout
from evaluate.inertia import NOTHING_SHARE, scales
from optimize.sheets import THIN_SPACE, sheet_html

LAYOUTS = Path(__file__).parents[2] / "studies" / "layouts"
CHECKS = Path(__file__).with_name("page_checks.js")
#: One cylinder and many, in line and in banks, both senses of rotation, both cycles.
NAMES = (
    "single",
    "in-line-four-flat",
    "v-eight-cross-plane",
    "v-eight-cross-plane-anticlockwise",
    "w-sixteen-four-banks",
    "two-stroke-in-line-three",
)
DESK, PHONE = 1280, 400
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
OPTIONS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
NO_BROWSER = (
    f"none of {', '.join(BROWSERS)} is installed; on Debian: apt-get install chromium poppler-utils"
)
PX_PER_MM = 96 / 25.4
# A4 less the margins that the style sheet sets.
COLUMN_MM, PAGE_MM = 210 - 2 * 15, 297 - 17 - 19


def needed_program(*names: str) -> str:
    """Return the first program that is there; without one fail in CI and skip elsewhere."""
    for name in names:
        path = shutil.which(name)
        if path:
            return path
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(NO_BROWSER)
    pytest.skip(NO_BROWSER)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = needed_program(*BROWSERS)
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=list(OPTIONS))
        yield running
        running.close()


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("sheets")
    files = {name: folder / f"{name}.html" for name in NAMES}
    # Two processes, since drawing takes most of the time of these tests.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for file, text in zip(files.values(), pool.map(sheet_of, files), strict=True):
            file.write_text(text, encoding="utf-8")
    return files


def sheet_of(name: str) -> str:
    return sheet_html(read_layout(LAYOUTS / f"{name}.toml"))


class Sheet:
    """A sheet open in a browser, with what it asked for and complained of."""

    def __init__(self, page: Page, file: Path, name: str, width: int) -> None:
        self.page, self.file, self.name, self.width = page, file, name, width
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.goto(file.as_uri(), wait_until="load")
        page.evaluate(CHECKS.read_text(encoding="utf-8"))

    def ask(self, check: str) -> Any:
        return self.page.evaluate(f"window.sheetChecks.{check}()")


@pytest.fixture(
    scope="module",
    params=[(name, width) for name in NAMES for width in (DESK, PHONE)],
    ids=lambda p: f"{p[0]} at {p[1]} px",
)
def sheet(
    request: pytest.FixtureRequest, browser: Browser, sheets: dict[str, Path]
) -> Iterator[Sheet]:
    name, width = request.param
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme="light")
    yield Sheet(page, sheets[name], name, width)
    page.close()


@pytest.fixture(scope="module", params=NAMES)
def desk_sheet(
    request: pytest.FixtureRequest, browser: Browser, sheets: dict[str, Path]
) -> Iterator[Sheet]:
    page = browser.new_page(viewport={"width": DESK, "height": 900}, color_scheme="light")
    yield Sheet(page, sheets[request.param], request.param, DESK)
    page.close()


# A page with one fault of each kind, to see that the checks see them.
FAULTY = """
<!DOCTYPE html><html lang="en"><body style="margin: 0; background: #fff">
<p style="width: 2000px">wide</p>
<p style="position: absolute; margin: 0; top: 100px; color: #999">grey below</p>
<p style="position: absolute; margin: 0; top: 105px; font-size: 9px">small above</p>
<div style="width: 40px; height: 20px; overflow: hidden; white-space: nowrap">does not fit in</div>
<figure id="f"><svg id="f" width="200" height="100" viewBox="0 0 100 50" aria-labelledby="none">
<defs><path id="a" d="M0 0H4000V4000H0z" transform="scale(0.015625)"/></defs>
<g class="text"><g transform="translate(10 20) scale(0.05 -0.05)"><use href="#a"/></g></g>
<g class="text"><g transform="translate(12 20) scale(0.02 -0.02)"><use href="#a"/></g></g>
<g class="text"><g transform="translate(98 20) scale(0.05 -0.05)"><use href="#b"/></g></g>
<g class="text"><g transform="translate(98 20) scale(0.05 -0.05)"><use href="#a"/></g></g>
</svg></figure></body></html>
"""


def test_checks_see_faults(browser, tmp_path):
    file = tmp_path / "faulty.html"
    file.write_text(FAULTY, encoding="utf-8")
    page = browser.new_page(viewport={"width": PHONE, "height": 900})
    try:
        faulty = Sheet(page, file, "faulty", PHONE)
        assert faulty.ask("width") == [2000, PHONE]
        assert any("DIV" in text for text in faulty.ask("overflowing"))
        assert faulty.ask("overlapping") == ["grey below / small above"]
        assert faulty.ask("overlappingInPictures") == ["f: text 0 / text 1"]
        assert faulty.ask("cutInPictures") == ["f: text 3"]
        assert faulty.ask("smallest") == 9
        # Two pixels to a unit, and letters of 100 units at a scale of 0.02.
        assert faulty.ask("smallestInPictures") == [["f", pytest.approx(4)]]
        # Contrast of #999999 on white is 2.85 : 1 by the formula of the guidelines.
        contrasts = dict(map(tuple, faulty.ask("contrasts")))
        assert contrasts["grey below"] == pytest.approx(2.85, abs=0.005)
        assert faulty.ask("references") == {"twice": ["f"], "broken": ["none", "b"]}
    finally:
        page.close()


def test_nothing_is_loaded_but_the_file_and_nothing_goes_wrong(sheet):
    assert sheet.requests == [sheet.file.as_uri()]
    assert sheet.complaints == []


def test_page_does_not_scroll_sideways_and_nothing_leaves_its_box(sheet):
    needed, given = sheet.ask("width")
    assert needed <= given
    assert sheet.ask("overflowing") == []


def test_no_text_covers_another(sheet):
    assert sheet.ask("overlapping") == []
    assert sheet.ask("overlappingInPictures") == []


def test_no_text_is_cut_off_a_picture(sheet):
    assert sheet.ask("cutInPictures") == []


def test_text_can_be_read(sheet):
    # Limits of this project: 11 px on the page and 8 px in pictures, at the width of a phone.
    assert sheet.ask("smallest") >= 11
    too_small = [pair for pair in sheet.ask("smallestInPictures") if not pair[1] >= 8]
    assert too_small == []


def test_each_picture_is_shown_once_in_the_version_that_fits(sheet):
    pictures = sheet.ask("pictures")
    # All eight of a layout, less the choices and the camshafts of an engine that has none.
    assert len(pictures) >= 6
    for picture in pictures:
        assert (picture["seen"], picture["all"]) == (1, 2), picture["id"]
        assert picture["height"] > 50, picture["id"]
        assert picture["letters"] > 0, picture["id"]
        assert picture["isInside"], picture["id"]
        # Shown nearly at the size it was drawn for: 7.4 in on a desk, 4.2 in on a phone.
        assert 0.85 <= picture["width"] / picture["natural"] <= 1.1, picture["id"]


def test_pictures_have_names(sheet):
    for picture in sheet.ask("pictures"):
        assert picture["role"] == "img"
        assert sheet.page.title().split(":")[0] in picture["name"]
        assert len(picture["description"]) > 20, picture["id"]
        assert picture["caption"].startswith("Figure ")


def test_identifiers_are_unique_and_references_lead_somewhere(sheet):
    assert sheet.ask("references") == {"twice": [], "broken": []}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast(sheet, scheme):
    sheet.page.emulate_media(color_scheme=scheme)
    try:
        contrasts, grounds = sheet.ask("contrasts"), sheet.ask("grounds")
    finally:
        sheet.page.emulate_media(color_scheme="light")
    # 4.5 : 1: Web Content Accessibility Guidelines 2.2, success criterion 1.4.3.
    assert [pair for pair in contrasts if pair[1] < 4.5] == []
    assert min(grounds) > 0.9


def test_dark_page_is_dark(desk_sheet):
    look = "getComputedStyle(document.body).backgroundColor"
    light = desk_sheet.page.evaluate(look)
    desk_sheet.page.emulate_media(color_scheme="dark")
    dark = desk_sheet.page.evaluate(look)
    desk_sheet.page.emulate_media(color_scheme="light")
    mean = [np.mean([int(v) for v in c[4:-1].split(",")]) for c in (dark, light)]
    assert mean[0] < 60 < 200 < mean[1]


def test_page_has_the_parts_that_assistive_software_needs(desk_sheet):
    page = desk_sheet.page
    assert page.locator("html").get_attribute("lang") == "en"
    viewport = page.locator("meta[name=viewport]").get_attribute("content")
    assert viewport == "width=device-width, initial-scale=1"
    assert desk_sheet.ask("landmarks") == {"header": 1, "nav": 1, "main": 1, "footer": 1}
    levels = [level for level, _ in desk_sheet.ask("headings")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    steps = [b - a for a, b in pairwise(levels)]
    assert max(steps) <= 1, "a heading level is skipped"
    for table in desk_sheet.ask("tables"):
        assert table["caption"].startswith("Table "), table["id"]
        assert table["unscoped"] == 0, table["id"]


def read(text: str) -> float:
    return float(text.replace(THIN_SPACE, "").replace("\u2212", "-"))


@pytest.mark.parametrize(("quantity", "unit"), [("force", "N"), ("couple", "Nm")])
def test_orders_table_is_the_evaluation_document(desk_sheet, quantity, unit):
    layout = read_layout(LAYOUTS / f"{desk_sheet.name}.toml")
    inertia = evaluation_document(layout)["inertia"]
    least = NOTHING_SHARE * scales(layout.engine)[("force", "couple").index(quantity)]
    table = next(t for t in desk_sheet.ask("tables") if t["id"] == f"table-orders-{quantity}")
    parts = {"reciprocating": "reciprocating", "rotating": "rotating", "left over": "residual"}
    seen = set()
    for row in table["rows"]:
        entry = inertia[parts[row["heading"]]][row["group"]]
        seen.add((parts[row["heading"]], row["group"]))
        sides = [heading.split()[0] for heading in table["headings"][2:]]
        assert sorted(sides) == ["backward", "forward", "peak"]
        for side, (text, exact) in zip(sides, row["cells"], strict=True):
            value = entry[f"{quantity}_{side}_{unit}"]
            assert float(exact) == value
            if abs(value) < least:
                assert text == "0"
            else:
                # Whole numbers from 100, three digits below: half a unit of the last one.
                digit = max(1.0, 10.0 ** (math.floor(math.log10(value)) - 2))
                digit = digit if value >= 100 else 10.0 ** (math.floor(math.log10(value)) - 2)
                assert read(text) == pytest.approx(value, abs=0.5001 * digit, rel=0)
    wanted = {(part, order) for part in parts.values() for order in inertia[part]}
    assert seen == wanted


def test_metrics_table_is_the_evaluation_document(desk_sheet):
    metrics = evaluation_document(read_layout(LAYOUTS / f"{desk_sheet.name}.toml"))["metrics"]
    table = next(t for t in desk_sheet.ask("tables") if t["id"] == "table-metrics")
    exact = [row["cells"][0][1] for row in table["rows"]]
    assert [float(value) for value in exact] == list(metrics.values())


def test_printed_blocks_fit_on_a_page(desk_sheet):
    page = desk_sheet.page
    page.emulate_media(media="print")
    page.set_viewport_size({"width": round(COLUMN_MM * PX_PER_MM), "height": 900})
    try:
        heights = desk_sheet.ask("tallest")
        needed, given = desk_sheet.ask("width")
        pictures = desk_sheet.ask("pictures")
    finally:
        page.emulate_media(media="null")
        page.set_viewport_size({"width": DESK, "height": 900})
    assert needed <= given
    assert [pair for pair in heights if pair[1] > PAGE_MM * PX_PER_MM] == []
    assert all(picture["seen"] == 1 for picture in pictures)
    assert all(picture["natural"] > 500 for picture in pictures)  # the wide version


def test_print(desk_sheet, tmp_path):
    text_of, image_of = needed_program("pdftotext"), needed_program("pdftoppm")
    file = tmp_path / "sheet.pdf"
    file.write_bytes(desk_sheet.page.pdf(format="A4", prefer_css_page_size=True))
    text = subprocess.run(
        [text_of, "-layout", str(file), "-"], capture_output=True, text=True, check=True
    ).stdout
    words = " ".join(text.split())
    for _, heading in desk_sheet.ask("headings"):
        assert heading in words
    for table in desk_sheet.ask("tables"):
        assert " ".join(table["caption"].split()) in words
    subprocess.run(
        [image_of, "-r", "50.8", "-gray", "-png", str(file), str(tmp_path / "page")], check=True
    )
    images = sorted(tmp_path.glob("page*.png"))
    assert 4 <= len(images) <= 20
    for image in images:
        grey = np.asarray(Image.open(image).convert("L"))  # 2 px to a millimetre
        assert grey.shape == pytest.approx((594, 420), abs=2)
        # Half a millimetre of slack at the sides; the running foot stands in the lower margin.
        for name, margin in {
            "left": grey[:, : 2 * 15 - 1],
            "right": grey[:, -2 * 15 + 1 :],
            "top": grey[: 2 * 17 - 1],
            "foot": grey[-2 * 5 :],
        }.items():
            assert margin.min() > 250, f"{image.name}: something in the {name} margin"
        body = grey[2 * 17 : -2 * 19]
        assert body.min() < 128, f"{image.name} is empty"
