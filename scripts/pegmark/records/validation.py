"""Whether a record is what its schema says, looked at in every run before it is written.

The schemas are those of workflow/schemas, made from the records' types: only their few keywords
are known here (JSON Schema 2020-12), which costs a stage milliseconds where a general validator
would cost each of some hundred short processes its import. A record that does not fit is a fault
of our own, told as any other (`faults`).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

SCHEMAS = Path(__file__).resolve().parents[3] / "workflow" / "schemas"

Schema = Mapping[str, Any]
Rules = Mapping[str, Schema]  # the schema's $defs
Faults = Iterator[tuple[str, str]]  # where it is, what it is
Record = TypeVar("Record")


class RecordError(Exception):
    """A record is not what its schema says."""


def valid(record: Record, name: str) -> Record:
    """The record itself, if it fits the schema of this name ("notes", "ticket_score").

    Raises RecordError with the first thing that does not fit, and where it is.
    """
    for where, what in faults_of(record, schema_named(name)):
        raise RecordError(f"{name}{where}: {what}")
    return record


@cache
def schema_named(name: str) -> Schema:
    """A schema of workflow/schemas; read once."""
    schema: Schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    return schema


def faults_of(value: Any, schema: Schema) -> Faults:
    """Everything in a JSON value that does not fit a schema. Raises KeyError for a new keyword."""
    return _faults(value, schema, schema.get("$defs", {}))


def _faults(value: Any, schema: Schema, rules: Rules) -> Faults:
    for keyword, wanted in schema.items():
        if keyword in SAYS_NOTHING:
            continue
        look = KEYWORDS[keyword]
        yield from look(value, wanted, schema, rules)


def _type(value: Any, wanted: str | list[str], *_: Any) -> Faults:
    names = [wanted] if isinstance(wanted, str) else wanted
    if not any(TYPES[name](value) for name in names):
        yield "", f"{_shown(value)} is no {' or '.join(names)}"


def _is_number(value: Any) -> bool:
    whole = isinstance(value, int) and not isinstance(value, bool)
    return whole or (isinstance(value, float) and math.isfinite(value))


TYPES: dict[str, Callable[[Any], bool]] = {
    "null": lambda value: value is None,
    "boolean": lambda value: isinstance(value, bool),
    "string": lambda value: isinstance(value, str),
    "number": _is_number,
    "integer": lambda value: _is_number(value) and value == int(value),
    "array": lambda value: isinstance(value, list),
    "object": lambda value: isinstance(value, dict),
}


def _ref(value: Any, wanted: str, _: Schema, rules: Rules) -> Faults:
    return _faults(value, rules[wanted.removeprefix("#/$defs/")], rules)


def _properties(value: Any, wanted: Mapping[str, Schema], _: Schema, rules: Rules) -> Faults:
    if isinstance(value, dict):
        for key, schema in wanted.items():
            if key in value:
                yield from _inside(f".{key}", _faults(value[key], schema, rules))


def _more_properties(value: Any, wanted: bool | Schema, schema: Schema, rules: Rules) -> Faults:
    if isinstance(value, dict):
        for key in value.keys() - schema.get("properties", {}).keys():
            if wanted is False:
                yield f".{key}", "it has no such field"
            elif isinstance(wanted, Mapping):
                yield from _inside(f".{key}", _faults(value[key], wanted, rules))


def _names(value: Any, wanted: Schema, _: Schema, rules: Rules) -> Faults:
    if isinstance(value, dict):
        for key in value:
            yield from _inside(f".{key}", _faults(key, wanted, rules))


def _required(value: Any, wanted: list[str], *_: Any) -> Faults:
    if isinstance(value, dict):
        yield from ((f".{key}", "it is missing") for key in wanted if key not in value)


def _items(value: Any, wanted: Schema, _: Schema, rules: Rules) -> Faults:
    if isinstance(value, list):
        for i, item in enumerate(value):
            yield from _inside(f"[{i}]", _faults(item, wanted, rules))


def _first_items(value: Any, wanted: list[Schema], _: Schema, rules: Rules) -> Faults:
    if isinstance(value, list):
        for i, (item, schema) in enumerate(zip(value, wanted, strict=False)):
            yield from _inside(f"[{i}]", _faults(item, schema, rules))


def _any_of(value: Any, wanted: list[Schema], _: Schema, rules: Rules) -> Faults:
    found = [list(_faults(value, schema, rules)) for schema in wanted]
    if all(found):
        yield from found[0]


def _all_of(value: Any, wanted: list[Schema], _: Schema, rules: Rules) -> Faults:
    for schema in wanted:
        yield from _faults(value, schema, rules)


def _if(value: Any, wanted: Schema, schema: Schema, rules: Rules) -> Faults:
    fits = next(_faults(value, wanted, rules), None) is None
    return _faults(value, schema.get("then" if fits else "else", {}), rules)


def _inside(place: str, found: Faults) -> Faults:
    return ((place + where, what) for where, what in found)


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=repr)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _rule(fits: Callable[[Any, Any], bool], says: str, of: str) -> Callable[..., Faults]:
    """A keyword that looks at one value of type `of`; it says nothing of others."""

    def look(value: Any, wanted: Any, *_: Any) -> Faults:
        if TYPES[of](value) and not fits(value, wanted):
            yield "", says.format(_shown(value), wanted)

    return look


def _same(value: Any, other: Any) -> bool:
    """Equal as JSON is: true is not 1."""
    return value == other and isinstance(value, bool) == isinstance(other, bool)


def _const(value: Any, wanted: Any, *_: Any) -> Faults:
    if not _same(value, wanted):
        yield "", f"{_shown(value)} is not {_shown(wanted)}"


def _enum(value: Any, wanted: list[Any], *_: Any) -> Faults:
    if not any(_same(value, one) for one in wanted):
        yield "", f"{_shown(value)} is none of {', '.join(map(_shown, wanted))}"


# What only explains, and what another keyword looks at.
SAYS_NOTHING = {"$schema", "$comment", "$defs", "title", "description", "then", "else"}
KEYWORDS: dict[str, Callable[..., Faults]] = {
    "type": _type,
    "$ref": _ref,
    "const": _const,
    "enum": _enum,
    "properties": _properties,
    "additionalProperties": _more_properties,
    "propertyNames": _names,
    "required": _required,
    "items": _items,
    "prefixItems": _first_items,
    "anyOf": _any_of,
    "allOf": _all_of,
    "if": _if,
    "minItems": _rule(lambda value, least: len(value) >= least, "{} has fewer than {}", "array"),
    "maxItems": _rule(lambda value, most: len(value) <= most, "{} has more than {}", "array"),
    "minLength": _rule(lambda value, least: len(value) >= least, "{} is too short", "string"),
    "pattern": _rule(lambda value, form: bool(re.search(form, value)), "{} is not {}", "string"),
    "minimum": _rule(lambda value, least: bool(value >= least), "{} is below {}", "number"),
    "maximum": _rule(lambda value, most: bool(value <= most), "{} is above {}", "number"),
    "exclusiveMinimum": _rule(
        lambda value, least: bool(value > least), "{} is not above {}", "number"
    ),
}
