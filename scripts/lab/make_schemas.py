"""The JSON Schemas of the records, from their types in pegmark.records.

    .venv/bin/python scripts/lab/make_schemas.py

writes workflow/schemas/<record>.schema.json anew; tests/test_records.py fails when they differ from
the types. The schemas of what a teacher writes (assignment, rubric, instruments, comments, tables)
are not made: their words are what she reads when something is wrong.
"""

from __future__ import annotations

import argparse
import sys
import types
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import (
    Annotated,
    Any,
    Literal,
    NotRequired,
    Union,
    get_args,
    get_origin,
    get_type_hints,
    is_typeddict,
)

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from environment import ROOT
from pegmark.files.store import dump_json, write_if_changed
from pegmark.records import recheck, student, take, tickets, values
from pegmark.records.validation import SCHEMAS

RECORDS = {
    "decoded": take.Decoded,
    "notes": take.Notes,
    "strings": take.Strings,
    "measured": take.Measured,
    "record": student.Record,
    "score": student.ShortRecord,
    "recheck": recheck.Recheck,
    "ticket_class": tickets.ClassTicket,
    "ticket_decode": tickets.DecodeTicket,
    "ticket_files": tickets.FilesTicket,
    "ticket_listen": tickets.ListenTicket,
    "ticket_publish": tickets.PublishTicket,
    "ticket_render": tickets.RenderTicket,
    "ticket_score": tickets.ScoreTicket,
}
PLAIN = {str: "string", float: "number", int: "integer", bool: "boolean", type(None): "null"}

Schema = dict[str, Any]


def all_schemas() -> Iterator[tuple[Path, str]]:
    """Every schema's file and text."""
    for name, record in RECORDS.items():
        yield SCHEMAS / f"{name}.schema.json", dump_json(schema_of(record))


def schema_of(record: type) -> Schema:
    """The JSON Schema of a record, every record inside it once, by its type's name."""
    found: dict[str, Schema] = {}
    own = _fields(record, found)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$comment": "Made by scripts/lab/make_schemas.py from pegmark.records.",
        "title": _words(record),
        **own,
        "$defs": dict(sorted(found.items())),
    }


def _words(record: type) -> str:
    return " ".join((record.__doc__ or "").split())


def _fields(record: type, found: dict[str, Schema]) -> Schema:
    hints = get_type_hints(record, localns=vars(values), include_extras=True)
    optional = {key for key, hint in hints.items() if get_origin(hint) is NotRequired}
    return {
        "type": "object",
        "additionalProperties": False,
        "required": [key for key in hints if key not in optional],
        "properties": {key: _value(hint, found) for key, hint in hints.items()},
    }


def _value(hint: Any, found: dict[str, Schema]) -> Schema:
    """The schema of one value; the records inside it go to `found`."""
    origin, arguments = get_origin(hint), get_args(hint)
    if hint is Any:
        return {}
    if hint in PLAIN:
        return {"type": PLAIN[hint]}
    if origin is NotRequired:
        return _value(arguments[0], found)
    if origin is Annotated:
        return _also(arguments[0], arguments[1:], found)
    if origin is Literal:
        return {"const": arguments[0]} if len(arguments) == 1 else {"enum": list(arguments)}
    if origin in (Union, types.UnionType):
        (one,) = (each for each in arguments if each is not type(None))
        return _or_null(_value(one, found))
    if origin is list:
        return {"type": "array", "items": _value(arguments[0], found)}
    if origin is tuple:
        items = [_value(each, found) for each in arguments]
        size = len(items)
        return {"type": "array", "prefixItems": items, "minItems": size, "maxItems": size}
    if origin is dict:
        return _table(*(_value(each, found) for each in arguments))
    if is_typeddict(hint):
        if hint.__name__ not in found:
            found[hint.__name__] = {}  # taken, before what is inside it
            found[hint.__name__] = {"description": _words(hint), **_fields(hint, found)}
        return {"$ref": f"#/$defs/{hint.__name__}"}
    raise TypeError(f"{hint!r} has no place in a record")


def _also(hint: Any, more: tuple[values.Also, ...], found: dict[str, Schema]) -> Schema:
    keywords = {key: value for each in more for key, value in each.keywords.items()}
    if "additionalProperties" in keywords:  # only the fields' own schema can open them
        return {**_fields(hint, found), **keywords}
    return {**_value(hint, found), **keywords}


def _or_null(schema: Schema) -> Schema:
    if "enum" in schema:
        return {**schema, "enum": [*schema["enum"], None]}
    if "type" in schema:
        return {**schema, "type": [schema["type"], "null"]}
    return {"anyOf": [schema, {"type": "null"}]}


def _table(keys: Schema, items: Mapping[str, Any]) -> Schema:
    named = {} if keys == {"type": "string"} else {"propertyNames": keys}
    return {"type": "object", **named, **({"additionalProperties": items} if items else {})}


def main() -> None:
    """Write the schemas that differ."""
    argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    ).parse_args()
    for path, text in all_schemas():
        if write_if_changed(path, text):
            print(path.relative_to(ROOT))


if __name__ == "__main__":
    main()
