"""Hypothesis strategies: good files changed as texts, as values, and both."""

from __future__ import annotations

import copy
import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import msgspec.inspect as declared
import tomli_w
from hypothesis import strategies as st

from evaluate.metrics import METRICS
from tests.fuzz.sources import Source, sources

T = TypeVar("T")
Draw = Callable[[st.SearchStrategy[T]], T]
UNITS = ("_deg", "_mm", "_kg", "rpm", "_cm3", "_to_bore", "_fraction", "at_most")
Place = tuple[Any, Any]  # a table or list, and a key or index of it

HUGE_LIST, LONG_TEXT, LONG_LINE = 20_000, 5_000, 300_000
#: Numbers that stand in real files, and their neighbours.
USUAL = (0, 1, 2, 3, 4, 5, 6, 8, 0.5, 0.25, 1.0, 12, 15, 45, 60, 72, 90, 120, 180, 240, 270, 360)
USUAL += (-1, -0.5, -45, -90, 540, 720, 1e-3, 100, 1000)
EXTREME = (float("nan"), float("inf"), float("-inf"), -0.0, 5e-324, 1e-300, 1e-12, 1e-6, -1e-6)
EXTREME += (0.1 + 0.2, 1e6, 1e9, 1e12, -1e12, 1e300, -1e300, 2**31, 2**53, 2**63, -(2**63), 10**400)
#: Words of the files, labels, and what is near them.
WORDS = ("1", "2", "3", "4", "01", "A1", "b1", " ", "", "one", "per bank", "best of 2", "best of 3")
WORDS += ("best of 32", "best of 0", "clockwise", "anticlockwise", "forward", "backward", "chain")
WORDS += ("spark", "compression", "DIN 73021", "ISO 1204", "in-line", "v", "opposed", "shared")
WORDS += ("split", "own-web", "own-main", "1 backward", "2 forward", "auto", "never", *METRICS)
WORDS += ("layouts/in-line-three.toml", "layouts", "trace.csv", "nowhere.toml", "..", "/", "/dev")
ODD_TEXTS = ("é", "\u202eabc", "\x00", "\x1b[31m", "a\nb", "\ufeff", "😀", "\u2028", "'\"", "[b]x")
ODD_TEXTS += ("x" * LONG_TEXT, "[/]", "%s{0}", "\r", "\\", "a.b", "ſ", "١", "𝟏")


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """A changed file.

    Attributes
    ----------
    kind, name : str
        Of the good file.
    data : bytes
        What stands in the file.
    changes : tuple of str
        What was done, for reports.
    choice : int
        A random number from 0 to 99 for whoever tries it.
    """

    kind: str
    name: str
    data: bytes
    changes: tuple[str, ...]
    choice: int


@st.composite
def mutants(draw: Draw[Any], kind: str) -> Mutant:
    """Draw a changed file of a kind: half of them gently, the others anyhow or as texts."""
    source = draw(st.sampled_from(sources(kind)))
    how = draw(st.integers(0, 11))
    changes: list[str] = []
    data = source.text.encode()
    if source.tables and how < 10:
        data = _changed_values(draw, source, changes, _GENTLE if how < 7 else _WILD)
    if not source.tables and how < 7:
        data = _changed_trace(draw, source.text, changes)
    elif how >= 9 or not source.tables:
        for _ in range(draw(st.sampled_from((1, 1, 1, 2, 4)))):
            data = _changed_text(draw, data, changes)
    choice = draw(st.integers(0, 99))
    return Mutant(kind=kind, name=source.name, data=data, changes=tuple(changes), choice=choice)


# ---------------------------------------------------------------------------------- as values


Change = Callable[[Draw[Any], Any, Source, list[str]], None]


def _changed_values(
    draw: Draw[Any], source: Source, changes: list[str], kinds: Sequence[Change]
) -> bytes:
    tables = copy.deepcopy(source.tables)
    for _ in range(draw(st.sampled_from((1, 1, 2, 2, 3, 5)))):
        change = draw(st.sampled_from(kinds))
        change(draw, tables, source, changes)
    return tomli_w.dumps(tables).encode("utf-8", "surrogatepass")


def _places(data: Any) -> list[Place]:
    """Return every place of tables and lists, outermost first."""
    items = data.items() if isinstance(data, dict) else enumerate(data)
    found: list[Place] = []
    for key, value in list(items):
        found.append((data, key))
        if isinstance(value, (dict, list)):
            found += _places(value)
    return found


def _draw_place(draw: Draw[Any], tables: Any, *types: type) -> Place | None:
    fitting = [
        (holder, key)
        for holder, key in _places(tables)
        if not types or (isinstance(holder[key], types) and not isinstance(holder[key], bool))
    ]
    return draw(st.sampled_from(fitting)) if fitting else None


def _nudge(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    """Move a number a little, or by a power of ten."""
    place = _draw_place(draw, tables, int, float)
    if place is None:
        return
    holder, key = place
    value = holder[key]
    factor = draw(st.sampled_from((0.5, 0.9, 1.1, 2, 3, -1, 0.1, 10, 0.01, 100, 1e-4, 1e4)))
    step = draw(st.sampled_from((0, 0, 1, -1, 1e-7)))
    moved = value * factor + step
    is_whole = isinstance(value, int) and abs(moved) < 1e15
    holder[key] = int(moved) if is_whole else moved
    changes.append(f"{key}: {value} to {holder[key]}")


def _nudge_quantity(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    """Move a number that may have a fraction, mostly a little."""
    place = _draw_quantity(draw, tables)
    if place is not None:
        holder, key = place
        factor = draw(st.sampled_from((0.5, 0.8, 0.99, 1.01, 1.2, 2, 3, 0.1, 10, 0.01, 100, 1e4)))
        before, holder[key] = holder[key], holder[key] * factor
        changes.append(f"{key}: {before} to {holder[key]}")


def _usual_quantity(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_quantity(draw, tables)
    if place is not None:
        holder, key = place
        holder[key] = draw(st.sampled_from(USUAL))
        changes.append(f"{key}: {holder[key]}")


def _draw_quantity(draw: Draw[Any], tables: Any) -> Place | None:
    """Draw a place with a number that is no count: it has a fraction, or its key a unit."""
    found = [
        (holder, key)
        for name, table, named in [(k, h, h[k]) for h, k in _places(tables) if isinstance(k, str)]
        for holder, key in (
            [(named, i) for i in range(len(named))] if isinstance(named, list) else [(table, name)]
        )
        if isinstance(holder[key], float) or (type(holder[key]) is int and name.endswith(UNITS))
    ]
    return draw(st.sampled_from(found)) if found else None


def _swap(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_place(draw, tables, list)
    if place is not None and len(place[0][place[1]]) > 1:
        values = place[0][place[1]]
        one, other = draw(st.tuples(*2 * [st.integers(0, len(values) - 1)]))
        values[one], values[other] = values[other], values[one]
        changes.append(f"{place[1]}: {one} and {other} swapped")


def _delete_optional(draw: Draw[Any], tables: Any, source: Source, changes: list[str]) -> None:
    table, shape = draw(st.sampled_from(_tables(tables, source.shape)))
    optional = [f.encode_name for f in shape.fields if not f.required and f.encode_name in table]
    if optional:
        key = draw(st.sampled_from(optional))
        del table[key]
        changes.append(f"without {key}")


def _other_number(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_place(draw, tables, int, float)
    if place is not None:
        holder, key = place
        holder[key] = draw(st.sampled_from(USUAL + USUAL + EXTREME))
        changes.append(f"{key}: {str(holder[key])[:40]}")


def _other_word(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_place(draw, tables, str)
    if place is not None:
        holder, key = place
        holder[key] = draw(st.sampled_from(WORDS + ODD_TEXTS))
        changes.append(f"{key}: {holder[key][:40]!r}")


def _other_type(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_place(draw, tables)
    if place is not None:
        holder, key = place
        # A copy: later changes must not reach what the strategy draws from.
        holder[key] = copy.deepcopy(draw(_ANYTHING))
        changes.append(f"{key}: {str(holder[key])[:40]}")


def _delete(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_place(draw, tables)
    if place is not None:
        holder, key = place
        del holder[key]
        changes.append(f"without {key}")


def _rename(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    place = _draw_place(draw, tables)
    if place is not None and isinstance(place[0], dict):
        holder, key = place
        others = [k for k in holder if k != key] + [key[:-1] or "x", key + "s", *ODD_TEXTS, *WORDS]
        name = draw(st.sampled_from(others))
        holder[name] = holder.pop(key)
        changes.append(f"{key} called {name[:40]!r}")


def _change_list(draw: Draw[Any], tables: Any, _: Source, changes: list[str]) -> None:
    """Drop, double, swap, turn, grow or empty entries of a list."""
    place = _draw_place(draw, tables, list)
    if place is None:
        return
    holder, key = place
    values = list(holder[key])
    what = draw(st.sampled_from(("drop", "double", "swap", "reverse", "empty", "grow", "wrap")))
    if values and what in ("drop", "double", "swap"):
        one = draw(st.integers(0, len(values) - 1))
        other = draw(st.integers(0, len(values) - 1))
        if what == "drop":
            del values[one]
        elif what == "double":
            values.insert(other, copy.deepcopy(values[one]))
        else:
            values[one], values[other] = values[other], values[one]
    elif what == "reverse":
        values.reverse()
    elif what == "wrap":
        values = [values]
    elif what == "grow":
        n = draw(st.sampled_from((2, 3, 5, 17, 33, HUGE_LIST)))
        values = (values * n)[: max(n, len(values))] if n == HUGE_LIST else values * n
    else:
        values = []
    holder[key] = values
    changes.append(f"{key}: {what}")


def _add_declared(draw: Draw[Any], tables: Any, source: Source, changes: list[str]) -> None:
    """Fill a key that the structure of the file declares, most often with a value that fits."""
    tables_of_file = _tables(tables, source.shape)
    table, shape = draw(st.sampled_from(tables_of_file))
    field = draw(st.sampled_from(shape.fields))
    words = [holder[key] for holder, key in _places(tables) if isinstance(holder[key], str)]
    labels = words + [str(i) for i in range(1, 5)]
    table[field.encode_name] = _fitting(draw, field.type, (*labels, *WORDS))
    changes.append(f"{field.encode_name} as declared: {str(table[field.encode_name])[:60]}")


#: Most of what these make is still an engine.
_GENTLE: tuple[Change, ...] = (
    *4 * (_nudge_quantity,),
    *2 * (_usual_quantity,),
    *3 * (_add_declared,),
    _swap,
    _delete_optional,
)
_WILD: tuple[Change, ...] = (
    *2 * (_nudge,),
    *2 * (_add_declared,),
    *3 * (_other_number,),
    *2 * (_change_list,),
    *2 * (_other_word,),
    _other_type,
    _delete,
    _rename,
)

_PLAIN = st.one_of(
    st.sampled_from(USUAL + EXTREME),
    st.sampled_from(WORDS + ODD_TEXTS),
    st.booleans(),
    st.sampled_from(
        (
            datetime.date(2020, 1, 1),
            datetime.time(1, 2, 3),
            datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC),
        )
    ),
)


def _nested(depth: int) -> list[Any]:
    found: list[Any] = []
    for _ in range(depth):
        found = [found]
    return found


_ANYTHING = st.one_of(
    _PLAIN,
    st.lists(_PLAIN, max_size=4),
    st.dictionaries(st.sampled_from(WORDS + ODD_TEXTS), _PLAIN, max_size=3),
    st.sampled_from((1, 2, 40, 100)).map(_nested),
    st.sampled_from((0.0, 1, "1", [1])).map(lambda value: [value] * HUGE_LIST),
)


def _tables(data: Any, shape: Any) -> list[tuple[dict[str, Any], Any]]:
    """Return every table of a file that has a declared structure, with that."""
    found: list[tuple[dict[str, Any], Any]] = []
    if isinstance(shape, declared.UnionType):
        for one in shape.types:
            found += _tables(data, one)
    elif isinstance(shape, declared.ListType) and isinstance(data, list):
        for item in data:
            found += _tables(item, shape.item_type)
    elif isinstance(shape, declared.StructType) and isinstance(data, dict):
        found.append((data, shape))
        for field in shape.fields:
            if field.encode_name in data:
                found += _tables(data[field.encode_name], field.type)
    return found


def _fitting(draw: Draw[Any], shape: Any, words: Sequence[str]) -> Any:
    """Draw a value of a declared type; texts are among some words."""
    if isinstance(shape, declared.UnionType):
        types = [one for one in shape.types if not isinstance(one, declared.NoneType)]
        return _fitting(draw, draw(st.sampled_from(types)), words)
    if isinstance(shape, declared.LiteralType):
        return draw(st.sampled_from(shape.values))
    if isinstance(shape, declared.BoolType):
        return draw(st.booleans())
    if isinstance(shape, (declared.IntType, declared.FloatType)):
        return _fitting_number(draw, shape)
    if isinstance(shape, declared.ListType):
        most = min(shape.max_length or 6, 6)
        n = draw(st.integers(min(shape.min_length or 0, most), most))
        return [_fitting(draw, shape.item_type, words) for _ in range(n)]
    if isinstance(shape, declared.DictType):
        return {str(draw(st.integers(1, 6))): _fitting(draw, shape.value_type, words)}
    if isinstance(shape, declared.StructType):
        table = {}
        for field in shape.fields:
            if field.required or draw(st.integers(0, max(2, len(shape.fields) // 3))) == 0:
                table[field.encode_name] = _fitting(draw, field.type, words)
        return table
    return draw(st.sampled_from(words))


def _fitting_number(draw: Draw[Any], shape: Any) -> int | float:
    """Draw a number: an end of what is allowed, or a usual one, seldom just beyond."""
    ends = [end for end in (shape.ge, shape.gt, shape.le, shape.lt) if end is not None]
    low = max([end for end in (shape.ge, shape.gt) if end is not None], default=-1e9)
    high = min([end for end in (shape.le, shape.lt) if end is not None], default=1e9)
    usual = [value for value in USUAL if low <= value <= high]
    beyond = [low - 1, high + 1, low * 1.000001, high * 0.999999, high**0.5 if high > 0 else high]
    value = draw(st.sampled_from([*ends, *3 * usual, *beyond]))
    return int(value) if isinstance(shape, declared.IntType) else value


def changed_plain_values(draw: Draw[Any], data: Any, changes: list[str]) -> None:
    """Change values of JSON, about whose structure nothing is declared."""
    source = Source(kind="json", name="json", text="", tables={})
    for _ in range(draw(st.sampled_from((1, 1, 2, 4)))):
        kinds = (_nudge, _other_number, _change_list, _other_word, _other_type, _delete, _rename)
        draw(st.sampled_from(kinds))(draw, data, source, changes)


def _changed_trace(draw: Draw[Any], text: str, changes: list[str]) -> bytes:
    """Change a column, a cell or a row of a trace, so that most of it still is one."""
    header, *lines = text.splitlines()
    rows = [[float(cell) for cell in line.split(",")] for line in lines]
    for _ in range(draw(st.integers(1, 3))):
        what = draw(st.sampled_from(("scale", "shift", "cell", "drop", "swap", "unit", "header")))
        row, column = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, 1))
        factor = draw(st.sampled_from((0.5, 0.9, 0.999, 1.001, 1.1, 2, 0, -1, 10, 1e5, 1e300)))
        changes.append(f"{what} {row} {column} {factor}")
        if what == "scale":
            rows = [[*r[:column], r[column] * factor, *r[column + 1 :]] for r in rows]
        elif what == "shift":
            rows = [[r[0] + 30 * factor, r[1]] for r in rows]
        elif what == "cell":
            rows[row][column] *= factor
        elif what == "drop":
            del rows[row : row + draw(st.sampled_from((1, 1, 1, 2, 20)))]
        elif what == "swap":
            rows = [*rows[row:], *rows[:row]]
        elif what == "unit":
            header = draw(st.sampled_from(("crank_angle_deg,pressure_Pa", "a,b", header + ",c")))
        else:
            header = draw(st.sampled_from(("# x\n\n", "\ufeff", '"', ","))) + header
        rows = rows or [[0.0, 1.0]]
    return "\n".join([header, *(",".join(map(repr, r)) for r in rows)]).encode()


# ----------------------------------------------------------------------------------- as texts


def changed_bytes(draw: Draw[Any], data: bytes, changes: list[str]) -> bytes:
    """Change any file as bytes: a bit of it, a piece, its end, or all."""
    name = draw(st.sampled_from(("flip", "insert", "cut", "double", "truncate", "empty", "zeros")))
    changes.append(name)
    if name == "empty":
        return b""
    if name == "zeros":
        start, stop = _span(draw, data)
        return data[:start] + bytes(stop - start) + data[stop:]
    some = {"flip": _flip, "insert": _insert, "cut": _cut, "double": _double}
    return some.get(name, _truncate)(draw, data)


def _changed_text(draw: Draw[Any], data: bytes, changes: list[str]) -> bytes:
    name = draw(st.sampled_from(sorted(_TEXT_CHANGES)))
    changes.append(name)
    return _TEXT_CHANGES[name](draw, data)


def _span(draw: Draw[Any], data: bytes) -> tuple[int, int]:
    start = draw(st.integers(0, max(0, len(data) - 1)))
    return start, min(len(data), start + draw(st.sampled_from((1, 2, 5, 20, 100, 1000))))


def _flip(draw: Draw[Any], data: bytes) -> bytes:
    at, _ = _span(draw, data)
    return data[:at] + bytes([draw(st.integers(0, 255))]) + data[at + 1 :]


def _insert(draw: Draw[Any], data: bytes) -> bytes:
    at, _ = _span(draw, data)
    pieces = (b"\x00", b"\xff\xfe", b"\xed\xa0\x80", b"\n", b"\r", b'"', b"'''", b"[", b"]", b"{")
    pieces += (b"}", b"=", b".", b"#", b"-", b"e99", b"_", b"\\u0000", "\u00a0é".encode(), b"nan")
    return data[:at] + draw(st.sampled_from(pieces)) + data[at:]


def _cut(draw: Draw[Any], data: bytes) -> bytes:
    start, stop = _span(draw, data)
    return data[:start] + data[stop:]


def _double(draw: Draw[Any], data: bytes) -> bytes:
    start, stop = _span(draw, data)
    return data[:stop] + data[start:stop] + data[stop:]


def _truncate(draw: Draw[Any], data: bytes) -> bytes:
    return data[: _span(draw, data)[0]]


def _lines(draw: Draw[Any], data: bytes) -> bytes:
    """Delete, double or move one line."""
    lines = data.split(b"\n")
    one = draw(st.integers(0, len(lines) - 1))
    other = draw(st.integers(0, len(lines) - 1))
    line = lines[one]
    if draw(st.booleans()):
        del lines[one]
    if draw(st.booleans()):
        lines.insert(other, line)
    return b"\n".join(lines)


def _encoded(draw: Draw[Any], data: bytes) -> bytes:
    text = data.decode("utf-8", "replace").replace("e", "é", 1)
    encoding = draw(st.sampled_from(("utf-16", "utf-16-le", "latin-1", "utf-8-sig", "utf-32")))
    return text.encode(encoding, "replace")


def _line_ends(draw: Draw[Any], data: bytes) -> bytes:
    return data.replace(b"\n", draw(st.sampled_from((b"\r\n", b"\r", b"\n\n\n", b"\n\r", b""))))


def _long_line(draw: Draw[Any], data: bytes) -> bytes:
    pieces = (b"# ", b'name = "', b"x = ", b"x = 0x", b"x = 1.", b"x = 1e", b"x = '''")
    filler = draw(st.sampled_from((b"9", b"a", b" ", b"\t", b"_", b"\\")))
    line = draw(st.sampled_from(pieces)) + filler * LONG_LINE
    return line + b"\n" + data if draw(st.booleans()) else data + b"\n" + line


def _deep(draw: Draw[Any], data: bytes) -> bytes:
    n = draw(st.sampled_from((10, 100, 400, 900, 3000, 100_000)))
    texts = (
        b"x = " + b"[" * n + b"]" * n,
        b"x = " + b"[" * n,
        b"x = " + b"{a=" * n + b"1" + b"}" * n,
        b"[" + b".".join([b"a"] * min(n, 3000)) + b"]",
        b".".join([b"a"] * min(n, 3000)) + b" = 1",
        b"[[" + b".".join([b"a"] * min(n, 3000)) + b"]]",
        b"[facts]\ncrankpins = " + b"[" * n + b"1" + b"]" * n,
    )
    line = draw(st.sampled_from(texts))
    return line + b"\n" + data if draw(st.booleans()) else data + b"\n" + line + b"\n"


def _many(draw: Draw[Any], data: bytes) -> bytes:
    """Add thousands of keys or tables."""
    n = draw(st.sampled_from((100, 3000)))
    texts = (
        "".join(f"k{i} = {i}\n" for i in range(n)),
        "".join(f"[t{i}]\n" for i in range(n)),
        "[[objectives]]\nmetric = 'parts'\n" * n,
        "x = [" + "{}," * n + "]\n",
    )
    piece = draw(st.sampled_from(texts)).encode()
    return piece + data if draw(st.booleans()) else data + b"\n" + piece


def _number_text(draw: Draw[Any], data: bytes) -> bytes:
    """Put another number where digits stand."""
    digits = [i for i, byte in enumerate(data) if chr(byte).isdigit()]
    if not digits:
        return data
    at = draw(st.sampled_from(digits))
    texts = (b"0", b"1e308", b"1e400", b"-0.0", b"nan", b"inf", b"-inf", b"9" * 40, b"9" * 5000)
    texts += (b"0x1F", b"1_0", b"1979-05-27", b"true", b"''", b"1e-320", b"-1", b"12")
    return data[:at] + draw(st.sampled_from(texts)) + data[at + 1 :]


def _splice(draw: Draw[Any], data: bytes) -> bytes:
    """Go on with the end of another file."""
    other = draw(st.sampled_from(sources(draw(st.sampled_from(("layout", "study"))))))
    lines, others = data.split(b"\n"), other.text.encode().split(b"\n")
    head = lines[: draw(st.integers(0, len(lines)))]
    return b"\n".join(head + others[draw(st.integers(0, len(others))) :])


_TEXT_CHANGES: dict[str, Callable[[Draw[Any], bytes], bytes]] = {
    "a byte": _flip,
    "bytes put in": _insert,
    "bytes cut": _cut,
    "bytes doubled": _double,
    "truncated": _truncate,
    "lines": _lines,
    "more lines": _lines,
    "encoding": _encoded,
    "line ends": _line_ends,
    "a long line": _long_line,
    "deep": _deep,
    "many keys": _many,
    "a number": _number_text,
    "another number": _number_text,
    "spliced": _splice,
}
