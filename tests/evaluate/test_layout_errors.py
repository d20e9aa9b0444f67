"""Bad layout files: one clear message each, that says where and what is allowed, never a traceback.

No outside source: what a message must hold is the project's own promise (where: got what; allowed
what, with the nearest spelling of a wrong word).
"""

from __future__ import annotations

import copy
import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from evaluate import InputError, evaluation_document, layout_from_tables, read_layout

GOOD = """\
name = "three"
cycle_strokes = 4
rotation = "clockwise"

[cylinder]
bore_mm = 74.0
stroke_mm = 76.0
rod_length_mm = 132.0
pin_path_offset_mm = 0.0
reciprocating_mass_kg = 0.42
rotating_mass_kg = 0.55

[crank]
throw_angles_deg = [0, 240, 120]
throw_positions_mm = [-82, 0, 82]

[banks]
angles_deg = [0]

[cylinders]
throw = [1, 2, 3]
bank = [1, 1, 1]
labels = ["1", "2", "3"]

[firing]
order = ["1", "3", "2"]

[balance]
rotating_fraction = 1.0
reciprocating_fraction = 0.5
shafts = [{ order = 1, sense = "backward" }]

[exhaust]
collectors = [["1", "2", "3"]]
open_duration_deg = 240

[operation]
speed_rpm = 5500
"""

# A piece of the good file, what stands there instead, and the pieces of the message.
BAD = [
    # Unknown keys, with the nearest spelling.
    ("stroke_mm = 76.0", "strok_mm = 76.0", ["cylinder.strok_mm", "unknown", "'stroke_mm'"]),
    ("[balance]", "[balanse]", ["balanse", "unknown key", "Did you mean 'balance'"]),
    ("angles_deg = [0]", "angle_deg = [0]", ["banks.angle_deg", "'angles_deg'"]),
    ('sense = "backward" }', 'sens = "backward" }', ["balance.shafts[0].sens", "'sense'"]),
    ("speed_rpm = 5500", "speed_rpm = 5500\nrpm = 1", ["operation.rpm", "speed_rpm"]),
    ("[operation]", "[engine]\n[operation]", ["engine", "unknown key", "operation"]),
    ("[operation]", "[proportions]\nbank_wide_to_bore = 1\n[operation]", ["'bank_width_to_bore'"]),
    (
        "bore_mm = 74.0",
        "boar_mm = 74.0\nstrokes = 2",
        ["cylinder.boar_mm", "cylinder.strokes", "'bore_mm'"],  # all of them at once
    ),
    # Wrong types.
    ("stroke_mm = 76.0", 'stroke_mm = "76"', ["cylinder.stroke_mm", "'76'", "a number"]),
    ("stroke_mm = 76.0", "stroke_mm = true", ["cylinder.stroke_mm", "True", "a number"]),
    ("stroke_mm = 76.0", "stroke_mm = 2020-01-01", ["cylinder.stroke_mm", "a number"]),
    ("stroke_mm = 76.0", "stroke_mm = [76]", ["cylinder.stroke_mm", "[76]", "a number"]),
    ("[0, 240, 120]", "120", ["crank.throw_angles_deg", "120", "a list"]),
    ("[0, 240, 120]", '[0, "240", 120]', ["crank.throw_angles_deg[1]", "'240'", "a number"]),
    ("[1, 2, 3]", "[1, 2.5, 3]", ["cylinders.throw[1]", "2.5", "a whole number"]),
    ('["1", "3", "2"]', '"1-3-2"', ["firing.order", "'1-3-2'", "a list"]),
    ('["1", "3", "2"]', "[1, 3, 2]", ["firing.order[0]", "a text"]),
    ('name = "three"', "name = 3", ["name", "3", "a text"]),
    (
        "[operation]\nspeed_rpm = 5500\n",
        "[[operation]]\nspeed_rpm = 5500\n",
        ["operation", "table"],
    ),
    ('[{ order = 1, sense = "backward" }]', "{ order = 1 }", ["balance.shafts", "a list"]),
    # Numbers that are none, and huge ones.
    ("stroke_mm = 76.0", "stroke_mm = nan", ["cylinder.stroke_mm", "nan", "finite"]),
    ("stroke_mm = 76.0", "stroke_mm = inf", ["cylinder.stroke_mm", "inf", "finite"]),
    ("stroke_mm = 76.0", "stroke_mm = 1e999", ["cylinder.stroke_mm", "inf", "finite"]),
    ("[0, 240, 120]", "[0, -inf, 120]", ["crank.throw_angles_deg[1]", "-inf", "finite"]),
    ("stroke_mm = 76.0", "stroke_mm = 76000000000000000000", ["cylinder.stroke_mm", "16 digits"]),
    ("[1, 2, 3]", "[1, 2, 99999999999999999999]", ["cylinders.throw[2]", "16 digits"]),
    # Signs and bounds.
    ("stroke_mm = 76.0", "stroke_mm = -76.0", ["cylinder.stroke_mm", "-76", ">= 0.01"]),
    ("stroke_mm = 76.0", "stroke_mm = 0", ["cylinder.stroke_mm", ">= 0.01"]),
    ("bore_mm = 74.0", "bore_mm = 0", ["cylinder.bore_mm", ">= 0.01"]),
    ("kg = 0.42", "kg = -0.42", ["cylinder.reciprocating_mass_kg", "-0.42", "> 0"]),
    ("kg = 0.42", "kg = 0", ["cylinder.reciprocating_mass_kg", "> 0"]),
    ("kg = 0.55", "kg = -0.55", ["cylinder.rotating_mass_kg", "-0.55", ">= 0"]),
    ("speed_rpm = 5500", "speed_rpm = -1", ["operation.speed_rpm", ">= 0.01"]),
    ("fraction = 0.5", "fraction = -0.5", ["balance.reciprocating_fraction", ">= 0"]),
    ("_deg = 240", "_deg = 721", ["exhaust.open_duration_deg", "721", "<= 720"]),
    ("_deg = 240", "_deg = 0", ["exhaust.open_duration_deg", "> 0"]),
    ("cycle_strokes = 4", "cycle_strokes = 6", ["cycle_strokes", "6"]),
    ('"clockwise"', '"left"', ["rotation", "'left'"]),
    ('name = "three"', 'numbering = "DIN 73201"', ["numbering", "'DIN 73021'"]),
    ("[operation]", "[proportions]\nbank_width_to_bore = -1\n[operation]", ["bank_width_to_bore"]),
    # Rods that do not let the crank turn over.
    (
        "rod_length_mm = 132.0",
        "rod_length_mm = 38.0",
        ["cylinder.rod_length_mm", "got 38", "above 38"],
    ),
    ("offset_mm = 0.0", "offset_mm = -94", ["cylinder.rod_length_mm", "132", "offset"]),
    # Lengths that differ.
    ("[-82, 0, 82]", "[-82, 82]", ["crank.throw_positions_mm", "2 entries", "3"]),
    ("[1, 1, 1]", "[1, 1]", ["cylinders.bank", "2 entries", "3"]),
    ('labels = ["1", "2", "3"]', 'labels = ["1", "2"]', ["cylinders.labels", "2 entries"]),
    ("bank = [1, 1, 1]", "position_mm = [0, 1]", ["cylinders.position_mm", "2 entries"]),
    ('order = ["1", "3", "2"]', "angles_deg = [0, 240]", ["firing.angles_deg", "2 entries"]),
    ("[0, 240, 120]", "[]", ["crank.throw_angles_deg", "length"]),
    ("angles_deg = [0]", "angles_deg = []", ["banks.angles_deg", "length"]),
    # Throws and banks.
    ("[1, 2, 3]", "[1, 2, 4]", ["cylinders.throw[2]", "4", "1 to 3"]),
    ("[1, 2, 3]", "[0, 2, 3]", ["cylinders.throw[0]", "0", ">= 1"]),
    ("[1, 2, 3]", "[1, 2, 2]", ["cylinders.throw", "no cylinder on throw 3"]),
    ("[1, 1, 1]", "[1, 2, 1]", ["cylinders.bank[1]", "2", "1 to 1"]),
    ("angles_deg = [0]", "angles_deg = [-45, 45]", ["cylinders.bank", "no cylinder on bank 2"]),
    ("[-82, 0, 82]", "[82, 0, -82]", ["crank.throw_positions_mm", "rising"]),
    ("[-82, 0, 82]", "[-82, -82, 82]", ["crank.throw_positions_mm", "rising"]),
    (
        "throw_positions_mm = [-82, 0, 82]",
        "throw_positions_mm = [-82, 0, 82]\nthrow_pitch_mm = 82",
        ["crank.throw_pitch_mm", "one of the two"],
    ),
    (
        "throw_positions_mm = [-82, 0, 82]",
        "",
        ["crank", "no throw positions", "throw_pitch_mm"],
    ),
    # Labels.
    ('labels = ["1", "2", "3"]', 'labels = ["1", "2", "2"]', ["cylinders.labels[2]", "'2'"]),
    ('labels = ["1", "2", "3"]', 'labels = ["1", " ", "3"]', ["cylinders.labels[1]", "' '"]),
    ('["1", "3", "2"]', '["1", "3", "4"]', ["firing.order[2]", "'4'", "1, 2, 3"]),
    ('["1", "3", "2"]', '["1", "3", "3"]', ["firing.order", "'3' twice", "every cylinder once"]),
    ('["1", "3", "2"]', '["1", "3"]', ["firing.order", "no '2'", "every cylinder once"]),
    ('["1", "3", "2"]', '["1", "3", "2", "1"]', ["firing.order", "'1' twice"]),
    ('["1", "3", "2"]', "[]", ["firing.order", "length"]),
    ('[["1", "2", "3"]]', '[["1", "2", "x"]]', ["exhaust.collectors[0][2]", "'x'"]),
    ('[["1", "2", "3"]]', '[["1", "2"], ["3", "1"]]', ["exhaust.collectors[1][1]", "second time"]),
    ('[["1", "2", "3"]]', '[["1", "2"]]', ["exhaust.collectors", "no collector for '3'"]),
    ('[["1", "2", "3"]]', '[["1", "2", "3"], []]', ["exhaust.collectors[1]", "empty"]),
    ('[["1", "2", "3"]]', "[]", ["exhaust.collectors", "no collector for '1'"]),
    ('[["1", "2", "3"]]', '"per bnak"', ["exhaust.collectors", "'per bank'"]),
    ('[["1", "2", "3"]]', '"best of 0"', ["exhaust.collectors", "best of 2"]),
    ('[["1", "2", "3"]]', '"best of 4"', ["exhaust.collectors", "0 partitions of 3"]),
    ('[["1", "2", "3"]]', '"best of -1"', ["exhaust.collectors", "best of 2"]),
    # Orders.
    (
        'cycle_strokes = 4\nrotation = "clockwise"',
        'cycle_strokes = 2\nrotation = "clockwise"',
        ["firing.order", "1-3-2", "one turn", "1-2-3"],
    ),
    (
        'order = ["1", "3", "2"]',
        'order = ["1", "3", "2"]\nangles_deg = [0, 480, 240]',
        ["firing", "one of the two"],
    ),
    (
        'order = ["1", "3", "2"]',
        "angles_deg = [0, 400, 240]",
        ["firing.angles_deg[1]", "400", "cylinder 2", "120 or 480"],
    ),
    # Balance shafts.
    ('sense = "backward"', 'sense = "forward"', ["balance.shafts[0]", "'1 forward'", "2 forward"]),
    ("order = 1,", "order = 3,", ["balance.shafts[0].order", "3"]),
    ("order = 1,", "fraction = 0, order = 1,", ["balance.shafts[0].fraction", "> 0"]),
    ("order = 1,", "fraction = 1.5, order = 1,", ["balance.shafts[0].fraction", "<= 1"]),
    ("order = 1, ", "", ["balance.shafts[0].order", "nothing", "needed"]),
    (
        '[{ order = 1, sense = "backward" }]',
        '[{ order = 2, sense = "forward" }, { order = 2, sense = "forward" }]',
        ["balance.shafts[1]", "'2 forward' a second time"],
    ),
    # Missing tables and keys.
    ("stroke_mm = 76.0\n", "", ["cylinder.stroke_mm", "nothing", "needed"]),
    ("throw_angles_deg = [0, 240, 120]\n", "", ["crank.throw_angles_deg", "nothing", "needed"]),
    # Too many cylinders.
    (
        "[0, 240, 120]",
        str([0] * 33),
        ["crank.throw_angles_deg", "length", "32"],
    ),
    ("throw = [1, 2, 3]", f"throw = {[1] * 30 + [2, 3, 1]}", ["cylinders.throw", "length", "32"]),
]


def one_error(text: str, folder: Path) -> str:
    """Return the message of a layout file that must be refused."""
    file = folder / "bad.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_layout(file)
    assert type(caught.value) is InputError
    return str(caught.value)


def test_the_good_file_is_good(tmp_path: Path) -> None:
    file = tmp_path / "good.toml"
    file.write_text(GOOD, encoding="utf-8")
    assert evaluation_document(read_layout(file))["firing"]["order"] == ["1", "3", "2"]


@pytest.mark.parametrize(
    ("good", "bad", "pieces"),
    [pytest.param(*row, id=f"{i:02d} {row[1][:40]!r}") for i, row in enumerate(BAD)],
)
def test_bad_file(good: str, bad: str, pieces: list[str], tmp_path: Path) -> None:
    assert GOOD.count(good) >= 1
    message = one_error(GOOD.replace(good, bad, 1), tmp_path)
    assert message.startswith("bad.toml: ")
    assert "; allowed: " in message or "got no valid TOML" in message
    for piece in pieces:
        assert piece in message


WHOLE_FILES = [
    pytest.param("", ["bad.toml: cylinder", "nothing", "needed"], id="empty"),
    pytest.param("[cylinder]\n", ["bad.toml: cylinder.stroke_mm", "needed"], id="empty table"),
    pytest.param(
        GOOD[GOOD.index("[crank]") :], ["bad.toml: cylinder", "needed"], id="no [cylinder]"
    ),
    pytest.param(GOOD[: GOOD.index("[crank]")], ["bad.toml: crank", "needed"], id="no [crank]"),
    pytest.param("cylinder = 3\ncrank = 4\n", ["bad.toml: cylinder", "a table"], id="no tables"),
    pytest.param("[cylinder\n", ["bad.toml", "no valid TOML", "line 1"], id="no TOML"),
    pytest.param('{"json": 1}', ["bad.toml", "no valid TOML"], id="JSON"),
    pytest.param("a = 1\na = 2\n", ["bad.toml", "no valid TOML"], id="a key twice"),
    pytest.param("a = " + "[" * 3000, ["bad.toml", "too deep"], id="nested lists"),
]


@pytest.mark.parametrize(("text", "pieces"), WHOLE_FILES)
def test_bad_whole_file(text: str, pieces: list[str], tmp_path: Path) -> None:
    message = one_error(text, tmp_path)
    for piece in pieces:
        assert piece in message


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_bytes(b"\xff\xfe\x00name")
    with pytest.raises(InputError, match=r"bad\.toml: .*UTF-8"):
        read_layout(file)


FOUND = [  # by fuzzing
    pytest.param(
        GOOD + "[torsion.shaft]\nmain_diameter_to_bore = 6e-321\n",
        ["torsion.main_diameter_to_bore", "0.001 to 1e+06"],
        id="a shaft thinner than floating point",
    ),
    pytest.param(
        GOOD + "[proportions]\nshaft_core_diameter_to_bore = 5e-324\n",
        ["proportions.shaft_core_diameter_to_bore", "1e-06 to 1e+06"],
        id="a divisor of nearly nothing",
    ),
    pytest.param(
        "".join(f"k{i} = 1\n" for i in range(3000)) + GOOD,
        ["bad.toml: k0: got an unknown key (and k1: ", "k11: got an unknown key; and 2988 more"],
        id="thousands of unknown keys",
    ),
    pytest.param(
        GOOD.replace('[["1", "2", "3"]]', f'"{"x" * 9000}"'),
        ["exhaust.collectors: got 'xxx", "...; allowed: one, per bank"],
        id="a word of thousands of letters",
    ),
    pytest.param(
        GOOD.replace('order = ["1", "3", "2"]', 'order = ["1", "a", "b\\n"]')
        .replace('labels = ["1", "2", "3"]', 'labels = ["1", "b\\n", "a"]')
        .replace('[["1", "2", "3"]]', '"one"')
        .replace("cycle_strokes = 4", "cycle_strokes = 2"),
        ["firing.order: got 1-a-b\\n, which this crank forbids"],
        id="a line break in a label",
    ),
]


@pytest.mark.parametrize(("text", "pieces"), FOUND)
def test_what_fuzzing_found_is_one_short_line(text: str, pieces: list[str], tmp_path: Path) -> None:
    message = one_error(text, tmp_path)
    assert message.isprintable()
    assert len(message) < 8000
    for piece in pieces:
        assert piece in message


def test_missing_file_and_directory(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.toml: got no such file"):
        read_layout(tmp_path / "nowhere.toml")
    with pytest.raises(InputError, match=r": got is a directory"):
        read_layout(tmp_path)
    file = tmp_path / "good.toml"
    file.write_text(GOOD, encoding="utf-8")
    with pytest.raises(InputError, match="not a directory"):
        read_layout(file / "more.toml")


def test_a_file_that_is_far_too_large(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text("# " + "x" * 2_100_000, encoding="utf-8")
    with pytest.raises(InputError, match="2 MB"):
        read_layout(file)


def test_more_than_sixteen_uneven_cylinders_need_an_order() -> None:
    tables = {
        "cylinder": {"stroke_mm": 80, "rod_length_mm": 140, "reciprocating_mass_kg": 0.5},
        "crank": {"throw_angles_deg": [20 * i for i in range(18)], "throw_pitch_mm": 90},
    }
    message = "firing: got nothing, .* cannot fire evenly; allowed: an order"
    with pytest.raises(InputError, match=message):
        layout_from_tables(tables)
    order = [str(1 + -i % 18) for i in range(18)]
    wanted = {**tables, "firing": {"order": order}, "cycle_strokes": 2}
    assert len(layout_from_tables(wanted).labels) == 18


def test_an_error_inside_a_table_keeps_its_parts() -> None:
    error = InputError("stroke_mm", "'x'", "a number", "bore_mm").inside("cylinder")
    error = error.inside("file.toml")
    assert str(error) == (
        "file.toml: cylinder.stroke_mm: got 'x'; allowed: a number. Did you mean 'bore_mm'?"
    )
    assert (error.got, error.allowed, error.suggestion) == ("'x'", "a number", "bore_mm")


# --- Files at the edge ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        # Python refuses to convert more than 4300 digits with a plain ValueError.
        pytest.param("stroke_mm = 76.0", "stroke_mm = " + "7" * 5000, id="5000 digits"),
        # str.isdigit is true of superscripts, int() refuses them.
        pytest.param('[["1", "2", "3"]]', '"best of ²"', id="best of superscript two"),
        # Dotted keys nest without recursion in the reader, but not in the check behind it.
        pytest.param('name = "three"', "x." + ".".join("a" * 2000) + " = 1", id="dotted keys"),
    ],
)
def test_bad_file_that_python_itself_stumbles_over(good: str, bad: str, tmp_path: Path) -> None:
    assert one_error(GOOD.replace(good, bad, 1), tmp_path).startswith("bad.toml")


def test_a_superscript_label(tmp_path: Path) -> None:
    text = GOOD.replace('["1", "2", "3"]', '["1", "²", "3"]').replace('"3", "2"]', '"3", "²"]')
    file = tmp_path / "good.toml"
    file.write_text(text, encoding="utf-8")
    assert evaluation_document(read_layout(file))["firing"]["order"] == ["1", "3", "²"]


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("rod_length_mm = 132.0", "rod_length_mm = 1e300"),
        ("bore_mm = 74.0", "bore_mm = 1e300"),
        ("kg = 0.42", "kg = 1e308"),
        ("speed_rpm = 5500", "speed_rpm = 1e300"),
        ("speed_rpm = 5500", "speed_rpm = 1e-300"),
        ("stroke_mm = 76.0", "stroke_mm = 1e-300"),
        ("[-82, 0, 82]", "[-1e308, 0, 1e308]"),
        ("rotating_fraction = 1.0", "rotating_fraction = 1e308"),
        ("[0, 240, 120]", "[0, 1e20, 120]"),  # a turn is lost in the rounding of the number
    ],
)
def test_numbers_out_of_all_proportion(good: str, bad: str, tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(GOOD.replace(good, bad, 1), encoding="utf-8")
    with pytest.raises(InputError):
        evaluation_document(read_layout(file))


# --- Files that something was done to -------------------------------------------------------------

TABLES: dict[str, Any] = {
    "name": "all keys",
    "cycle_strokes": 4,
    "rotation": "clockwise",
    "numbering": "SAE J824 A",
    "cylinder": {
        "bore_mm": 74.0,
        "stroke_mm": 76.0,
        "rod_length_mm": 132.0,
        "pin_path_offset_mm": 1.0,
        "reciprocating_mass_kg": 0.42,
        "rotating_mass_kg": 0.55,
    },
    "crank": {
        "throw_angles_deg": [0, 240, 120],
        "throw_positions_mm": [-82, 0, 82],
        "reference_mm": 0.0,
        "main_bearing_positions_mm": [-120, -41, 41, 120],
    },
    "banks": {"angles_deg": [-10, 10]},
    "cylinders": {
        "throw": [1, 2, 3],
        "bank": [1, 2, 1],
        "labels": ["1", "2", "3"],
        "position_mm": [-82, 0, 82],
    },
    "firing": {"order": ["1", "3", "2"]},
    "balance": {
        "rotating_fraction": 1.0,
        "reciprocating_fraction": 0.5,
        "shafts": [{"order": 1, "sense": "backward", "fraction": 0.5}],
    },
    "exhaust": {"collectors": [["1", "2"], ["3"]], "open_duration_deg": 240},
    "operation": {"speed_rpm": 5500},
    "proportions": {"steel_density_kg_m3": 7850.0},
}

# Everything that a TOML file can hold; lengths and masses stay within a million, see above.
NUMBERS = st.integers(-(10**9), 10**9).map(lambda k: k / 1000)
SCALARS = st.one_of(
    st.booleans(),
    st.integers(-5, 40),
    st.integers(-(10**25), 10**25),
    NUMBERS,
    st.sampled_from([float("nan"), float("inf"), -float("inf")]),
    st.sampled_from(["", "1", "2", "one", "per bank", "best of 2", "forward", "ISO 1204", "x"]),
    st.text(st.characters(codec="utf-8"), max_size=8),
    st.just(datetime.date(2026, 11, 25)),
    st.just(datetime.time(12, 30)),
    st.just(datetime.datetime(2026, 11, 25, 12, 30)),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(["order", "sense", "fraction", "x"]), inner, max_size=3),
    ),
    max_leaves=6,
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the path to every table, list and value below `value`."""
    found = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        if isinstance(item, (dict, list)):
            found += places(item, (*path, key))
        else:
            found.append((*path, key))
    return found


def holder(tables: dict[str, Any], path: tuple[Any, ...]) -> Any:
    """Return the table or list that holds what stands at a path."""
    for key in path[:-1]:
        tables = tables[key]
    return tables


CHANGES = st.one_of(
    st.tuples(st.just("set"), st.sampled_from(places(TABLES)), VALUES),
    st.tuples(st.just("remove"), st.sampled_from(places(TABLES)), st.none()),
    st.tuples(st.just("add"), st.sampled_from(places(TABLES)), VALUES),
)


def changed(changes: list[tuple[str, tuple[Any, ...], Any]]) -> dict[str, Any]:
    """Return the tables with changes made one after the other, where they still can be."""
    tables = copy.deepcopy(TABLES)
    for what, path, value in changes:
        try:
            inside = holder(tables, path)
            inside[path[-1]]
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
        if isinstance(inside, (str, bytes)):
            continue
        if what == "remove":
            del inside[path[-1]]
        elif what == "set":
            inside[path[-1]] = value
        elif isinstance(inside, dict):
            inside[f"{path[-1]}_too"] = value
        else:
            inside.insert(path[-1], value)
    return tables


@settings(max_examples=250, deadline=None)
@given(st.lists(CHANGES, min_size=1, max_size=3))
@example([])
def test_a_changed_layout_is_refused_or_evaluated(
    changes: list[tuple[str, tuple[Any, ...], Any]],
) -> None:
    tables = changed(changes)
    refusal, document = None, None
    try:
        document = evaluation_document(layout_from_tables(tables))
    except InputError as error:
        refusal = error
    if document is not None:
        assert document["schema"] == "crankfront.evaluation/1"
        assert all(document["inertia"][key] >= 0 for key in ("force_rms_N", "couple_peak_Nm"))
    else:
        assert refusal is not None
        assert refusal.where.split(".")[0].split("[")[0] in {*TABLES, *tables}  # names the place
        assert "; allowed: " in str(refusal)
