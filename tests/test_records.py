"""The records: one source for their types and their schemas."""

from __future__ import annotations

import json
import subprocess
import sys

import jsonschema
import pytest

from conftest import ROOT
from lab.make_schemas import RECORDS, all_schemas, schema_of
from pegmark.records import take, values


@pytest.mark.parametrize(("path", "text"), list(all_schemas()), ids=RECORDS)
def test_schemas_are_made_from_the_types(path, text):
    told = "run scripts/lab/make_schemas.py"
    assert path.read_text(encoding="utf-8") == text, told
    jsonschema.Draft202012Validator.check_schema(json.loads(text))


def test_a_type_says_what_its_schema_says():
    note = schema_of(take.Strings)["$defs"]["NamedNote"]
    assert note["additionalProperties"] is False
    assert "string_2" not in note["required"]
    assert {"string", "string_odds", "f0_hz"} <= set(note["required"])
    assert note["properties"]["string_odds"] == {"type": "number", "minimum": 0, "maximum": 1}
    assert note["properties"]["kind"]["enum"] == list(values.Kind.__args__)
    measured = schema_of(take.Measured)
    assert measured["properties"]["strings"]["propertyNames"]["pattern"].startswith("^[A-G]")
    assert measured["$defs"]["MeasuredString"]["properties"]["kind"]["enum"][-1] is None
    track = measured["$defs"]["MeasuredNote"]["properties"]["track"]["items"]
    assert (track["minItems"], track["maxItems"]) == (2, 2)


def test_types_cost_a_stage_nothing_at_its_start():
    """The types are for the type checker and the schemas: no stage imports them when it runs."""
    stages = ["receive", "decode", "segment", "identify", "measure", "score", "render"]
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT / 'scripts')!r})\n"
        f"for one in {stages!r}: __import__('pegmark.' + one)\n"
        "print(*sorted(m for m in sys.modules if m.startswith('pegmark.records')))"
    )
    loaded = subprocess.check_output([sys.executable, "-c", code], text=True).split()
    assert "pegmark.records.problems" in loaded
    typed = {
        f"pegmark.records.{name}" for name in ["values", "take", "student", "tickets", "recheck"]
    }
    assert not typed & set(loaded)
