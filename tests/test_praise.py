"""A sheet begins with one true thing that went well: never against what the record says."""

from __future__ import annotations

import itertools
import random
import re
from typing import Any

import pytest

from lab import sheet_examples
from pegmark.render.praise import NEARER_CENTS, praise

KINDS = {"sounding": "sounding_while_turning", "bridge": "teacher", "answers": "teacher",
         "daily": "teacher"}  # fmt: skip
WORDS = {language: sheet_examples.comments(language)["sheet"] for language in ("en", "es")}


def a_record() -> dict[str, Any]:
    """The sheet's example, its criteria with the kinds that a record has."""
    record = sheet_examples.record()
    for row in record["score"]["criteria"]:
        row["kind"] = KINDS.get(row["id"], row["id"])
    return record


def with_verdicts(verdict: str, **changes: Any) -> dict[str, Any]:
    record = a_record()
    for string in record["strings"].values():
        string |= {"verdict": verdict, **changes}
    return record


def set_points(record: dict[str, Any], points: float, by: str = "measured") -> None:
    for row in record["score"]["criteria"]:
        row |= {"points": points, "by": by}


def test_strings_in_tune_come_first() -> None:
    record = a_record()  # E, A and D in tune, G a little low
    assert praise(record, WORDS["en"]) == "You left the E, A and D strings in tune."
    assert praise(with_verdicts("in_tune"), WORDS["en"]) == "You left all your strings in tune."
    assert praise(with_verdicts("in_tune"), WORDS["es"]) == "Dejaste afinadas todas tus cuerdas."


def test_what_the_teacher_took_points_off_is_not_praised() -> None:
    record = with_verdicts("in_tune")
    final = next(r for r in record["score"]["criteria"] if r["kind"] == "final_pitch")
    final |= {"by": "teacher", "points": 1.0, "measured_points": 4.0}
    assert "in tune" not in praise(record, WORDS["en"])


@pytest.mark.parametrize("language", WORDS)
def test_half_a_point_of_twelve_has_its_praise_too(language: str) -> None:
    record = with_verdicts("out", start_cents=-100.0, deviation_cents=-60.0)
    set_points(record, 0)
    assert "40" in praise(record, WORDS[language])
    record = with_verdicts("out", start_cents=-10.0, deviation_cents=-90.0)
    set_points(record, 0)
    heard = WORDS[language]["well"]["heard"].split("{")[0]
    assert praise(record, WORDS[language]).startswith(heard)
    record = with_verdicts("not_heard", start_cents=None, deviation_cents=None)
    set_points(record, 0)
    assert praise(record, WORDS[language]) == WORDS[language]["well"]["handed_in"]


def test_praise_never_contradicts_the_record() -> None:
    """Drawn records: what each sentence claims is looked up again in the record itself."""
    draw = random.Random(17)
    well = WORDS["en"]["well"]
    seen = set()
    for _ in range(2000):
        record = a_record()
        strings = record["strings"]
        for string in strings.values():
            string["verdict"] = draw.choice(["in_tune", "close", "out", "unsure", "not_heard"])
            string["start_cents"] = draw.uniform(-100, 100)
            heard = string["verdict"] != "not_heard"
            string["deviation_cents"] = draw.uniform(-60, 60) if heard else None
        for row in record["score"]["criteria"]:
            row["by"] = draw.choice(["measured", "teacher", "open"])
            row["points"] = draw.choice([0, row["of"]])
            row["measured_points"] = draw.choice([0, row["of"]])
        said = praise(record, WORDS["en"])
        key = next(
            k for k, t in well.items() if said.startswith(t.split("{")[0]) and k != "heading"
        )
        seen.add(key)
        rows = {r["kind"]: r for r in record["score"]["criteria"]}
        kinds = {"all_checked": "final_check", "sounding": "sounding_while_turning",
                 "small": "small_moves", "order": "order"}  # fmt: skip
        if key in kinds:
            assert rows[kinds[key]]["by"] == "measured"
            assert rows[kinds[key]]["points"] == rows[kinds[key]]["of"]
        if "in tune" in said or "close to the note" in said:
            final = rows["final_pitch"]
            assert not (final["by"] == "teacher" and final["points"] < final["measured_points"])
            verdict = "close" if "close to" in said else "in_tune"
            assert {n[0] for n, s in strings.items() if s["verdict"] == verdict} == (
                {n[0] for n in strings} if "all your" in said else named(said)
            )
        if key == "nearer":
            (name,) = [n for n in strings if n[0] in named(said)]
            string = strings[name]
            gain = abs(string["start_cents"]) - abs(string["deviation_cents"])
            assert gain >= NEARER_CENTS
    assert len(seen) >= 6


def pattern(text: str) -> str:
    return re.sub(r"\\\{\w+\\\}", ".+", re.escape(text))


def named(said: str) -> set[str]:
    """The letters of the strings in a sentence."""
    words = said.replace(",", " ").replace(".", " ").split()
    return {one for one, _ in itertools.groupby(words) if one in "GDAE"}
