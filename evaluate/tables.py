"""Typed TOML at the edge: reads a file into a declared structure, or raises one clear message."""

from __future__ import annotations

import math
import tomllib
import types
import typing
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from evaluate.errors import InputError, nearest

T = TypeVar("T")
LARGEST_FILE_BYTES = 2_000_000
MOST_PROBLEMS = 12  # named in one message


class Table(msgspec.Struct, forbid_unknown_fields=True):
    """A TOML table with declared keys; a key that is not declared is an error."""


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of a TOML file.

    Raises
    ------
    InputError
        If there is no such file, it cannot be read, or it is not TOML.
    """
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError(str(path), "a file over 2 MB", "a study or layout file in TOML")
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(str(path), reason.lower(), "a readable file") from None
    except ValueError as error:  # no TOML, no UTF-8, or a number of thousands of digits
        raise InputError(path.name, f"no valid TOML ({error})", "TOML 1.0 in UTF-8") from None
    except RecursionError:
        raise InputError(path.name, "tables nested too deep", "TOML 1.0") from None


def typed(data: dict[str, Any], shape: type[T]) -> T:
    """Return `data` as an instance of a declared structure.

    Parameters
    ----------
    data : dict
        Tables as read.
    shape : type
        A `msgspec.Struct` that forbids unknown fields.

    Raises
    ------
    InputError
        For unknown keys (all of them, each with its nearest spelling), numbers that are not
        finite, wrong types and values outside the declared bounds.
    """
    try:
        problems = [*_unknown_keys(data, shape, ""), *_not_finite(data, "")]
    except RecursionError:
        raise InputError("the file", "tables nested too deep", "the keys of the README") from None
    if problems:
        raise problems[0] if len(problems) == 1 else _gathered(problems)
    try:
        return msgspec.convert(data, shape)
    except msgspec.ValidationError as error:
        raise _from_msgspec(error, data) from None


def lengths_agree(where: str, values: list[Any] | None, n: int) -> list[Any] | None:
    """Return a list that must have `n` entries, or None.

    Raises
    ------
    InputError
        If it has another number of them.
    """
    if values is not None and len(values) != n:
        raise InputError(where, f"{len(values)} entries", f"{n}, one for each")
    return values


def _gathered(problems: list[InputError]) -> InputError:
    first, rest = problems[0], problems[1:MOST_PROBLEMS]
    more = "; ".join(f"{problem.where}: got {problem.got}" for problem in rest)
    if len(problems) > MOST_PROBLEMS:
        more += f"; and {len(problems) - MOST_PROBLEMS} more"
    suggestion = first.suggestion
    return InputError(first.where, f"{first.got} (and {more})", first.allowed, suggestion)


def _unknown_keys(data: Any, shape: Any, where: str) -> list[InputError]:
    problems: list[InputError] = []
    for struct, item, path in _tables(data, shape, where):
        allowed = [field.encode_name for field in msgspec.structs.fields(struct)]
        for key in item:
            if key not in allowed:
                shown = key if key.isprintable() else repr(key)
                place = f"{path}.{shown}" if path else shown
                problems.append(
                    InputError(place, "an unknown key", ", ".join(allowed), nearest(key, allowed))
                )
    return problems


def _tables(data: Any, shape: Any, where: str) -> list[tuple[type, dict[str, Any], str]]:
    """Return every table of `data` that has a declared structure, with that and its path."""
    found: list[tuple[type, dict[str, Any], str]] = []
    origin, arguments = typing.get_origin(shape), typing.get_args(shape)
    if origin is typing.Annotated:
        return _tables(data, arguments[0], where)
    if origin in (typing.Union, types.UnionType):
        for argument in arguments:
            found += _tables(data, argument, where)
    elif origin in (list, tuple) and isinstance(data, list):
        for index, item in enumerate(data):
            found += _tables(item, arguments[0], f"{where}[{index}]")
    elif isinstance(shape, type) and issubclass(shape, msgspec.Struct) and isinstance(data, dict):
        found.append((shape, data, where))
        for field in msgspec.structs.fields(shape):
            if field.encode_name in data:
                place = f"{where}.{field.encode_name}" if where else field.encode_name
                found += _tables(data[field.encode_name], field.type, place)
    return found


def _not_finite(data: Any, where: str) -> list[InputError]:
    if isinstance(data, dict):
        items = [(value, f"{where}.{key}" if where else key) for key, value in data.items()]
    elif isinstance(data, list):
        items = [(value, f"{where}[{index}]") for index, value in enumerate(data)]
    elif isinstance(data, float) and not math.isfinite(data):
        return [InputError(where, str(data), "a finite number")]
    elif isinstance(data, int) and not isinstance(data, bool) and abs(data) > 2**53:
        return [InputError(where, "a number of over 16 digits", "a number below 2^53")]
    else:
        return []
    return [problem for value, place in items for problem in _not_finite(value, place)]


def _from_msgspec(error: msgspec.ValidationError, data: Any) -> InputError:
    text, _, path = str(error).partition(" - at `$")
    where = path.rstrip("`").lstrip(".")
    value: Any = data
    for part in where.replace("[", ".[").split("."):
        try:
            value = (
                value[int(part[1:-1])] if part.startswith("[") else value[part] if part else value
            )
        except (KeyError, IndexError, TypeError, ValueError):
            break
    if "missing required field" in text:
        missing = text.split("`")[1]
        return InputError(
            f"{where}.{missing}" if where else missing, "nothing", "this key is needed"
        )
    allowed = text.removeprefix("Expected ").split(", got")[0].replace("`", "")
    for name, plain in (("float", "a number"), ("int", "a whole number"), ("str", "a text")):
        allowed = allowed.replace(name, plain)
    for name, plain in (("array", "a list"), ("object", "a table"), ("bool", "true or false")):
        allowed = allowed.replace(name, plain)
    suggestion = None
    if text.startswith("Invalid enum value"):
        allowed = "one of the words of the README"
    return InputError(where or "the file", _shown(value), allowed, suggestion)


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "a table"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
