"""The look at every record in a run: as strict as a general validator, and told as our fault."""

from __future__ import annotations

import copy
import json
import random
import sys
from collections.abc import Iterator
from typing import Any

import jsonschema
import numpy as np
import pytest

from conftest import ROOT
from lab.make_schemas import RECORDS
from pegmark.files.store import read_json, write_json
from pegmark.records.faults import FAULT
from pegmark.records.validation import RecordError, faults_of, schema_named, valid
from pegmark.trade.instruments import load_instruments

TAKE = "0123456789abcdef-violin"
TEXTS = ("", "abc", "A4", TAKE, "s-1", "f" * 64, "2026-03-06T18:00:00+01:00", "en", "x y")
ODD = (None, True, False, 0, 1, -1, 1.5, -0.001, 10**6, *TEXTS, [], [1.0, 2.0], {}, {"code": "a"})
ANYTHING = (1, "a", None, {"key": [1, 2]})


def an_example(schema: dict, root: dict, rng: random.Random) -> Any:
    """A value that fits a schema made from our types."""
    if "$ref" in schema:
        return an_example(root["$defs"][schema["$ref"].rpartition("/")[2]], root, rng)
    if "anyOf" in schema:
        return an_example(rng.choice(schema["anyOf"]), root, rng)
    for key in ("const", "enum"):
        if key in schema:
            return schema[key] if key == "const" else rng.choice(schema[key])
    kind = schema.get("type", "any")
    kind = rng.choice(kind) if isinstance(kind, list) else kind
    if kind == "object":
        return _an_object(schema, root, rng)
    if kind == "array":
        if "prefixItems" in schema:
            return [an_example(one, root, rng) for one in schema["prefixItems"]]
        size = rng.randint(schema.get("minItems", 0), schema.get("maxItems", 3))
        return [an_example(schema["items"], root, rng) for _ in range(size)]
    if kind == "string":
        return rng.choice([one for one in TEXTS if jsonschema.validators.Draft202012Validator(
            schema).is_valid(one)])  # fmt: skip
    low = schema.get("minimum", schema.get("exclusiveMinimum", -1) + 1)
    high = schema.get("maximum", low + 5)
    made = {"null": None, "boolean": rng.random() < 0.5, "integer": rng.randint(low, high)}
    made["number"] = rng.choice([low, high, (low + high) / 2])
    return made.get(kind, rng.choice(ANYTHING))


def _an_object(schema: dict, root: dict, rng: random.Random) -> dict:
    made = {
        key: an_example(one, root, rng)
        for key, one in schema.get("properties", {}).items()
        if key in schema.get("required", ()) or rng.random() < 0.7
    }
    more = schema.get("additionalProperties", {})
    if more is not False:
        names = schema.get("propertyNames", {"type": "string"})
        for _ in range(2):
            made.setdefault(an_example(names, root, rng), an_example(more, root, rng))
    return made


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """(container, key) of everything inside a value."""
    keys = value if isinstance(value, dict) else range(len(value) if isinstance(value, list) else 0)
    for key in keys:
        yield value, key
        yield from places(value[key])


def spoiled(value: Any, rng: random.Random) -> Any:
    """A copy with one thing in it changed, taken away or added."""
    value = copy.deepcopy(value)
    container, key = rng.choice(list(places(value)))
    way = rng.randrange(4)
    if way == 0:
        del container[key]
    elif way == 1 and isinstance(container, dict):
        container[f"{key}x"] = container.pop(key)
    else:
        container[key] = copy.deepcopy(rng.choice(ODD))
    return value


@pytest.mark.parametrize("name", RECORDS)
def test_it_says_what_a_general_validator_says(name):
    """Against jsonschema, a library of its own, on 60 records that fit and 240 spoiled ones."""
    schema, rng = dict(schema_named(name)), random.Random(name)
    general = jsonschema.Draft202012Validator(schema)
    refused = 0
    for _ in range(60):
        value = an_example(schema, schema, rng)
        fits = general.is_valid(value)
        assert list(faults_of(value, schema)) == [] or not fits, value
        assert fits or name in ("record", "score")  # whose points hang together
        for other in (spoiled(value, rng) for _ in range(4)):
            refused += not general.is_valid(other)
            assert (list(faults_of(other, schema)) == []) == general.is_valid(other), other
    assert refused > 60


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"string_oods": 1.0}, r"strings.notes\[0\].string_oods: it has no such field"),
        ({"string": "H4"}, r'strings.notes\[0\].string: "H4" is not \^\[A-G\]'),
        ({"kind": "plukced"}, r'notes\[0\].kind: "plukced" is none of "plucked", "bowed"'),
        ({"level_db": None}, r"notes\[0\].level_db: null is no number"),
        ({"f0_hz": float("nan")}, r"notes\[0\].f0_hz: NaN is no number"),
        ({"string_odds": 1.5}, r"notes\[0\].string_odds: 1.5 is above 1"),
    ],
)
def test_what_does_not_fit_is_said_with_its_place(change, where):
    note = {"start_s": 0, "end_s": 1, "kind": "bowed", "f0_hz": 440.0, "snr_db": 20, "level_db": -9}
    note |= {"string": "A4", "string_odds": 0.99}
    record = {"take": TAKE, "status": "ok", "problems": [], "recording": None, "speech": []}
    assert valid({**record, "notes": [note]}, "strings")["notes"] == [note]
    with pytest.raises(RecordError, match=where):
        valid({**record, "notes": [{**note, **change}]}, "strings")
    with pytest.raises(RecordError, match=r"strings\.notes: it is missing"):
        valid(record, "strings")


def test_a_record_that_does_not_fit_is_a_fault_of_the_program(tmp_path, monkeypatch, capfd):
    """Told to the teacher in the take's record, which is what the later stages expect."""
    import pegmark.segment
    import segment as stage

    violin = load_instruments(ROOT / "config/instruments.yaml")["violin"]
    files = {key: tmp_path / f"{key}.json" for key in ("ticket", "facts", "notes")}
    write_json(files["ticket"], {"take": TAKE, "instrument": violin.as_dict()})
    write_json(files["facts"], {"status": "ok", "rate_hz": 16000, "problems": [],
                                "clipped_fraction": 0.0})  # fmt: skip
    np.save(tmp_path / "audio.npy", np.zeros(1600, np.float32))
    wrong = {"status": "ok", "problems": [], "recording": {}, "notes": [], "speech": []}
    monkeypatch.setattr(pegmark.segment, "find_notes", lambda *_: copy.deepcopy(wrong))
    options = [f"--{key}={path}" for key, path in files.items()]
    monkeypatch.setattr(sys, "argv", ["segment", *options, f"--audio={tmp_path / 'audio.npy'}"])
    stage.main()
    written = read_json(files["notes"])
    assert valid(written, "notes")["status"] == "unreadable"
    assert [told["code"] for told in written["problems"]] == [FAULT]
    assert "notes.recording" in written["problems"][0]["message"]
    assert "RecordError" in capfd.readouterr().err


def test_the_schemas_use_no_keyword_that_is_not_looked_at():
    for name in RECORDS:
        text = json.loads((ROOT / f"workflow/schemas/{name}.schema.json").read_text("utf-8"))
        for value in ({}, [], "text", 1.5, None):
            assert list(faults_of(value, text))
