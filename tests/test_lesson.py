"""The page of the next lesson: what costs the class most, and whom it may hear."""

from __future__ import annotations

import io
from typing import Any

import av
import numpy as np
import pytest

from lab.example_class import make_class
from pegmark.publish import lesson
from pegmark.render import clips
from pegmark.settings.rubric import DEFAULTS


@pytest.fixture
def small() -> tuple[dict[str, dict[str, Any]], dict[str, Any]]:
    return make_class(30)


def lost_by_hand(records: dict[str, dict[str, Any]], criterion: str) -> float:
    total = 0.0
    for record in records.values():
        if record["status"] in ("graded", "needs_listening"):
            for row in record["score"]["criteria"]:
                if row["id"] == criterion and row["points"] is not None:
                    total += max(0.0, row["of"] - row["points"] - row["open"])
    return total


def test_topics_are_the_dearest_criteria(small):
    records, ticket = small
    found = lesson.topics(records.values(), ticket)
    by_title = {c["title"]: c["id"] for c in ticket["rubric"]["criteria"]}
    costs = {one.title: lost_by_hand(records, by_title[one.title]) for one in found}
    assert [one.lost for one in found] == pytest.approx(sorted(costs.values(), reverse=True))
    left_out = set(by_title) - set(costs)
    assert len(found) == lesson.TOPICS or all(
        lost_by_hand(records, by_title[title]) == 0 for title in left_out
    )


def test_what_is_open_or_missing_costs_nothing(small):
    records, ticket = small
    for record in records.values():
        for row in record["score"]["criteria"]:
            row |= {"by": "open", "points": None, "open": row["of"]}
    assert lesson.topics(records.values(), ticket) == []


def test_every_kind_has_something_to_practise():
    assert set(lesson.PRACTICE) == {*DEFAULTS, "teacher"}


@pytest.mark.parametrize(
    ("cell", "may"), [("yes", True), ("X", True), (" Ja ", True), ("no", False), ("", False)]
)
def test_the_roster_says_who_may_be_heard(cell, may):
    assert lesson.may_be_played({"may_be_played": cell}) is may


def test_a_roster_without_the_column_names_nobody(small):
    records, ticket = small
    assert lesson.passages(records.values(), ticket) == []
    page = lesson.lesson_page(records, ticket)
    assert "<audio" not in page
    for record in records.values():
        assert record["student"]["family_name"] not in page


def test_only_good_strings_of_students_who_may_be_heard(small):
    records, ticket = small
    for row in ticket["students"][::2]:
        row["may_be_played"] = "yes"
    for record in records.values():
        for string in record["strings"].values():
            for move in string["moves"]:
                move["sounding"] = True
    found = lesson.passages(records.values(), ticket)
    assert 0 < len(found) <= lesson.PASSAGES
    names = {f"{r['given_name']} {r['family_name']}": r for r in ticket["students"][::2]}
    for one in found:
        string = records[names[one.who]["student_id"]]["strings"][one.string]
        assert string["verdict"] == "in_tune"
        record = records[names[one.who]["student_id"]]
        # What is played is what is said of it: the turns, not the note that decided.
        assert one.string == clips.well_turned(record)
        assert one.clip == f"clips/{record['student']['student_id']}/turns.mp3"
        noise = np.random.default_rng(1).normal(0, 0.1, 80 * 16000).astype(np.float32)
        sound = clips.cut_clips(noise, 16000, record)["turns.mp3"]
        with av.open(io.BytesIO(sound)) as container:
            length_s = container.duration / av.time_base
        turned_s = string["moves"][-1]["end_s"] - string["moves"][0]["start_s"]
        assert length_s == pytest.approx(min(turned_s + 2 * clips.ROOM_S, 10.5), abs=0.4)
    page = lesson.lesson_page(records, ticket)
    assert page.count("<audio") == len(found)


def test_the_page_opens_nothing_from_outside_and_escapes(small):
    records, ticket = small
    ticket["class_name"] = "<i>Heron"
    page = lesson.lesson_page(records, ticket)
    assert "<i>" not in page
    assert "http:" not in page
    assert "<script" not in page
