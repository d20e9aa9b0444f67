"""What is written where: never over an input, never over what is no file, only if all is well."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from evaluate import InputError
from optimize.cli import main
from optimize.files import write_text

LAYOUTS = Path(__file__).parents[1] / "studies" / "layouts"
FOUR = (LAYOUTS / "in-line-four-flat.toml").read_text(encoding="utf-8")
#: 4 fires right after 1 only where it fires a turn later: no even order of a flat crank does.
ONE_THEN_FOUR = '\n[facts]\nnext = [["1", "4"]]\n'


def crankfront(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def refused(result: Result, *pieces: str) -> None:
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    for piece in pieces:
        assert piece in result.stderr


@pytest.fixture
def own(tmp_path: Path) -> Path:
    file = tmp_path / "own.toml"
    file.write_text(FOUR, encoding="utf-8")
    return file


def without_order(text: str) -> str:
    lines = text.splitlines(keepends=True)
    return "".join(x for x in lines if not x.startswith(("[firing]", "order = [")))


def test_the_file_that_is_read_is_not_written_over(own: Path):
    refused(crankfront("firing-orders", own, "--save", own), "--save", "is read")
    link = own.with_name("link.toml")
    link.symlink_to(own)
    refused(crankfront("firing-orders", own, "--save", link), "--save", "is read")
    assert own.read_text(encoding="utf-8") == FOUR


@pytest.mark.parametrize(
    ("option", "name", "piece"),
    [
        ("--save", "new.parquet", "ending in .toml"),
        ("--parquet", "own.toml", "ending in .parquet"),
        ("--save", "missing/new.toml", "directory that exists"),
    ],
)
def test_other_files_are_refused_before_anything_is_printed(
    own: Path, option: str, name: str, piece: str
):
    refused(crankfront("firing-orders", own, option, own.parent / name), option, piece)
    assert [path.name for path in own.parent.iterdir()] == ["own.toml"]


def test_what_is_no_regular_file_stays_what_it_is(own: Path):
    pipe = own.with_name("pipe.toml")
    os.mkfifo(pipe)
    refused(crankfront("firing-orders", own, "--save", pipe), "--save", "no regular file")
    assert pipe.is_fifo()
    with pytest.raises(InputError, match="no regular file"):
        write_text(pipe, "text")
    (own.parent / "tree.png").mkdir()
    tree = own.with_name("tree")
    refused(crankfront("firing-orders", own, "--tree", tree), "--tree", "tree.png")
    refused(crankfront("compare", own, own, "--picture", tree), "--picture", "tree.png")


def test_a_link_stays_a_link(tmp_path: Path):
    target, link = tmp_path / "target.txt", tmp_path / "link.txt"
    target.write_text("old", encoding="utf-8")
    link.symlink_to(target)
    write_text(link, "new")
    assert link.is_symlink()
    assert target.read_text(encoding="utf-8") == "new"


def test_a_dot_in_the_name_of_a_picture_is_kept(own: Path):
    result = crankfront("firing-orders", own, "--tree", own.with_name("engine-1.5"))
    assert result.exit_code == 0
    assert own.with_name("engine-1.5.png").exists()
    assert not own.with_name("engine-1.png").exists()


def test_facts_choose_among_the_angles_of_one_order(own: Path):
    # 1-4-2-3 on a flat crank: 4 fires with 1 or a turn after it; only the latter is "after".
    own.write_text(FOUR.replace('["1", "3", "4", "2"]', '["1", "4", "2", "3"]') + ONE_THEN_FOUR)
    document = json.loads(crankfront("evaluate", own, "--json").stdout)
    assert document["firing"]["order"] == ["1", "4", "2", "3"]
    assert document["firing"]["angles_deg"][3] == 360


def test_a_page_and_pictures_where_facts_leave_uneven_orders_only(own: Path, tmp_path: Path):
    own.write_text(without_order(FOUR) + ONE_THEN_FOUR)
    page, folder = tmp_path / "page.html", tmp_path / "pictures"
    result = crankfront("evaluate", own, "--sheet", page, "--plots", folder)
    assert result.exit_code == 0, result.stderr
    assert "no even firing" in page.read_text(encoding="utf-8")
    assert (folder / "own-choices.png").exists()


def test_places_are_counted_from_where_the_page_says(own: Path, tmp_path: Path):
    page = tmp_path / "page.html"
    words = {"the middle of the crank": FOUR}
    given = FOUR.replace("[crank]", "[crank]\nreference_mm = 100.0")
    words["the reference plane of the file"] = given
    for origin, text in words.items():
        own.write_text(text, encoding="utf-8")
        assert crankfront("evaluate", own, "--sheet", page).exit_code == 0
        assert f"from {origin} towards the driving end" in page.read_text(encoding="utf-8")


def test_facts_are_counted_where_no_order_is_even():
    cross = LAYOUTS / "in-line-four-cross-plane.toml"
    document = json.loads(crankfront("firing-orders", cross, "--next", "1,2", "--json").stdout)
    # Pins at 0, 270, 90, 180: 2 reaches top dead centre 90 after 1, 4 at 180, 3 at 270. 2 is next
    # after 1 if it fires at 90 (all four ways of 3 and 4), or at 450 when 3 and 4 wait: 540, 630.
    (fact,) = document["facts"]
    assert (document["count"], fact["left_by_it_alone"], fact["left_without_it"]) == (0, 5, 8)
    text = crankfront("firing-orders", cross, "--next", "1,2").stdout
    assert "that the crank and the facts allow is 1-2-3-4" in text


def test_contradictory_facts_on_an_unknown_crank_are_found_at_once(tmp_path: Path):
    file = tmp_path / "twelve.toml"
    throws = ", ".join(str(i) for i in range(1, 13))
    file.write_text(f"[crank]\nthrow_angle_step_deg = 60\n[cylinders]\nthrow = [{throws}]\n")
    result = crankfront("firing-orders", file, "--next", "1,12", "--next", "12,1")
    refused(result, "--next", "contradict each other", "over ")
