"""JSON Schemas of study and layout files, from the declarations that also check them."""

from __future__ import annotations

import typing
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import msgspec

from evaluate.batch import SLOTS
from evaluate.layout_tables import MOST_CYLINDERS, LayoutTables
from evaluate.metrics import METRICS
from evaluate.numbering import SCHEMES
from evaluate.pressure import Combustion
from evaluate.proportions import DIVISORS, LEAST, MOST, Proportions
from evaluate.sizing import PINS
from evaluate.torsion_crank import FORMULAS, ShaftProportions
from optimize.files import file_to_write, json_text, write_text
from optimize.schema_texts import TEXTS, attribute_texts
from optimize.study import ARRANGEMENTS, MOST_OBJECTIVES, StudyTables

DIALECT = "https://json-schema.org/draft/2020-12/schema"
FILES = {"study": StudyTables, "layout": LayoutTables}
#: Ends of keys that say the unit, the longer ones first.
_UNITS = {
    "_Nms_per_rad": "N·m·s/rad",
    "_Nm_per_rad": "N·m/rad",
    "_kg_per_m3": "kg/m³",
    "_kg_m3": "kg/m³",
    "_kgm2": "kg·m²",
    "_Pa_s": "Pa·s",
    "_m_s": "m/s",
    "_cm3": "cm³",
    "_percent": "%",
    "_bar": "bar",
    "_rpm": "rpm",
    "_deg": "deg",
    "_mm": "mm",
    "_kg": "kg",
    "_Pa": "Pa",
    "_K": "K",
}
_COUNTS = "|".join(str(n) for n in range(1, MOST_CYLINDERS + 1))
_Schema = dict[str, Any]


def json_schema(kind: str) -> _Schema:
    """Return the JSON Schema of a kind of file.

    Parameters
    ----------
    kind : str
        A key of `FILES`.

    Returns
    -------
    dict
        JSON-ready, in the dialect 2020-12: keys, types, bounds, words, defaults, and one line with
        the unit for each key. What no schema can say (that two numbers fit together, that a file
        exists) is checked when a file is read.
    """
    shape = FILES[kind]
    made = msgspec.json.schema(shape)
    definitions: _Schema = made["$defs"]
    for name, struct in _structs(shape).items():
        _complete(definitions[name if name in definitions else _qualified(struct)], struct)
    for name, finish in _FINISHES.items():
        if name in definitions:
            finish(definitions[name]["properties"], definitions[name])
    return {
        "$schema": DIALECT,
        "title": f"crankfront {kind} file",
        **_without_null(definitions.pop(shape.__name__) | {"title": f"crankfront {kind} file"}),
        "$defs": {name: _without_null(one) for name, one in definitions.items()},
    }


def write_schema(kind: str, *, out: Path | None) -> str:
    """Return the JSON Schema of a kind of file as text, and write it where asked.

    Parameters
    ----------
    kind : str
        A key of `FILES`.
    out : Path or None
        File to write.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    file_to_write(out, "--out", suffix=".json")
    text = json_text(json_schema(kind))
    if out is not None:
        write_text(out, text)
    return text


def _qualified(struct: type) -> str:
    return f"{struct.__module__}.{struct.__qualname__}"


def _structs(shape: Any) -> dict[str, type[msgspec.Struct]]:
    """Return every declared table below a type, by the name that its schema has."""
    found: list[type[msgspec.Struct]] = []

    def walk(one: Any) -> None:
        if isinstance(one, type) and issubclass(one, msgspec.Struct):
            if one not in found:
                found.append(one)
                for field in msgspec.structs.fields(one):
                    walk(field.type)
            return
        for argument in typing.get_args(one):
            walk(argument)

    walk(shape)
    names = [struct.__name__ for struct in found]
    return {s.__name__ if names.count(s.__name__) == 1 else _qualified(s): s for s in found}


def _complete(schema: _Schema, struct: type[msgspec.Struct]) -> None:
    """Put descriptions, units and defaults beside the keys of one table."""
    texts = texts_of(struct)
    for field in msgspec.structs.fields(struct):
        key = field.encode_name
        entry = schema["properties"][key]
        text, unit = texts.get(key, ""), _unit(key)
        is_without = bool(unit) and not text.endswith("]")
        entry["description"] = f"{text} [{unit}]" if is_without else text.removesuffix(" [-]")
        if field.default_factory is not msgspec.NODEFAULT and "default" not in entry:
            default = _without_none(msgspec.to_builtins(field.default_factory()))
            if not isinstance(default, dict):  # of a table the keys have defaults of their own
                entry["default"] = default


def _without_none(value: Any) -> Any:
    """Return plain data without the keys that nothing is said of."""
    if isinstance(value, list):
        return [_without_none(one) for one in value]
    if isinstance(value, dict):
        return {key: _without_none(one) for key, one in value.items() if one is not None}
    return value


def texts_of(struct: type[msgspec.Struct]) -> dict[str, str]:
    """Return what each key of a declared table means."""
    name = struct.__name__
    texts = dict(TEXTS.get(name, {}))
    if name == "ProportionsTable":
        texts |= attribute_texts(Proportions)
    elif name == "ShaftTable" and "formula" in struct.__struct_fields__:
        texts = attribute_texts(ShaftProportions)
        texts["formula"] = f"Of the stiffness of a throw: {', '.join(FORMULAS)}."
    elif name == "CombustionTable":
        said = attribute_texts(Combustion)
        texts |= {key: said[_FIELDS.get(key, key)] for key in struct.__struct_fields__[2:]}
        texts |= {key: texts[key].replace(" [Pa]", "") for key in _FIELDS}
    elif name == "ConstraintsTable":
        bounds = {key: f"Limits of the {m.label}: {m.meaning}." for key, m in METRICS.items()}
        texts |= {k: f"{text} [{METRICS[k].unit or '-'}]" for k, text in bounds.items()}
    return texts


_FIELDS = {
    "mean_effective_pressure_bar": "imep_Pa",
    "intake_pressure_bar": "intake_pressure_Pa",
    "exhaust_pressure_bar": "exhaust_pressure_Pa",
}


def _unit(key: str) -> str:
    if key in METRICS:
        return ""  # said with its meaning
    return next((unit for end, unit in _UNITS.items() if key.endswith(end)), "")


def _space(keys: _Schema, _table: _Schema) -> None:
    keys["arrangements"] |= {"items": {"enum": list(ARRANGEMENTS)}, "uniqueItems": True}
    keys["pins"] |= {"items": {"enum": list(PINS)}, "uniqueItems": True}
    meanings = "; ".join(f"{pin}: {meaning}" for pin, meaning in PINS.items())
    keys["pins"]["description"] += f" {meanings}."
    keys["cylinders"]["uniqueItems"] = True


def _shafts(keys: _Schema, _table: _Schema) -> None:
    keys["slots"] |= {"items": {"enum": [slot.name for slot in SLOTS]}, "uniqueItems": True}


def _speed(_keys: _Schema, table: _Schema) -> None:
    table["oneOf"] = [{"required": ["rpm"]}, {"required": ["mean_piston_speed_m_s"]}]


def _bound(_keys: _Schema, table: _Schema) -> None:
    table["anyOf"] = [{"required": ["at_most"]}, {"required": ["at_least"]}]


def _objective(keys: _Schema, _table: _Schema) -> None:
    keys["metric"]["enum"] = list(METRICS)
    del keys["metric"]["type"]


def _study(keys: _Schema, _table: _Schema) -> None:
    keys["objectives"]["maxItems"] = MOST_OBJECTIVES


def _layout(keys: _Schema, _table: _Schema) -> None:
    keys["numbering"]["enum"] = list(SCHEMES)
    meanings = "; ".join(f"{name}: {meaning}" for name, meaning in SCHEMES.items())
    keys["numbering"]["description"] += f" {meanings}."


def _collectors(keys: _Schema, _table: _Schema) -> None:
    rules = {"type": "string", "pattern": f"^(one|per bank|best of ({_COUNTS}))$"}
    ways = keys["collectors"]["anyOf"]
    keys["collectors"]["anyOf"] = [rules if one == {"type": "string"} else one for one in ways]
    for one in ways:
        if one.get("type") == "object":
            one["propertyNames"] = {"pattern": f"^({_COUNTS})$"}
    keys["collectors"]["examples"] = ["one", "per bank", "best of 2"]


def _proportions(keys: _Schema, _table: _Schema) -> None:
    for item in fields(Proportions):
        least = LEAST if item.name in DIVISORS else 0
        least = -MOST if item.name == "pin_path_offset_to_crank_radius" else least
        keys[item.name] |= {"default": item.default, "minimum": least, "maximum": MOST}


def _shaft(keys: _Schema, _table: _Schema) -> None:
    for item in fields(ShaftProportions):
        keys[item.name]["default"] = item.default
    keys["formula"] |= {"enum": list(FORMULAS)}


_FINISHES: dict[str, Callable[[_Schema, _Schema], None]] = {
    "StudyTables": _study,
    "LayoutTables": _layout,
    "SpaceTable": _space,
    "ShaftsTable": _shafts,
    "SpeedTable": _speed,
    "BoundTable": _bound,
    "ObjectiveTable": _objective,
    "CollectorsTable": _collectors,
    "ExhaustTable": _collectors,
    "ProportionsTable": _proportions,
    "ShaftTable": _shaft,
    "evaluate.duty_tables.ShaftTable": _shaft,
}


def _without_null(schema: Any) -> Any:
    """Return a schema without null, which TOML does not have, in types and defaults."""
    if isinstance(schema, list):
        return [_without_null(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    kept = {
        key: _without_null(value)
        for key, value in schema.items()
        if not (key == "default" and value is None)
    }
    ways = kept.get("anyOf")
    if isinstance(ways, list) and {"type": "null"} in ways:
        ways = [way for way in ways if way != {"type": "null"}]
        del kept["anyOf"]
        kept = {**(ways[0] if len(ways) == 1 else {"anyOf": ways}), **kept}
    return kept
