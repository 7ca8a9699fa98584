"""The next lesson: what the class should practise, by the points it costs, and what to play to it.

For the teacher, on one printed page. Points are counted as they stand: what is still open, and what
was not handed in, says nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from pegmark.publish.class_records import class_records, counted_from, full_name
from pegmark.publish.templates import template
from pegmark.render.clips import clip_name, well_turned
from pegmark.words.wording import clock, letter, number
from pegmark.words.wording import points as points_words

if TYPE_CHECKING:
    from pegmark.records.student import Record

LESSON_PAGE = "lesson.html"
TOPICS = 5
PASSAGES = 3
WORST_STRINGS = 3
MAY_BE_PLAYED = "may_be_played"  # the roster's column: whose clips the class may hear
YES = ("1", "ja", "oui", "sí", "si", "true", "x", "y", "yes")
# What to do about it, by the kind of criterion (common practice, no source). Strings are under
# tension: nothing here asks for a large or a fast turn.
PRACTICE = {
    "final_pitch": "Tune one string together. Pluck, turn a little, listen until it stands still. "
    "Then everyone bows it once more.",
    "order": "Say the order aloud before the first turn: A first, because every instrument has it.",
    "sounding_while_turning": "One turns, the other listens: the turn stops when the sound stops. "
    "Pluck again, then go on.",
    "small_moves": "Who can make the smallest turn that the others still hear? The thin top string "
    "by its fine tuner, if there is one.",
    "final_check": "End every tuning with one slow bow on each string. If one has slipped, tune it "
    "again.",
    "method_used": "Go through this way of tuning once together, slowly, before anyone does it "
    "alone.",
    "whole_pitch": "Give one A, and let everyone match it before they go on to the other strings.",
    "teacher": "Show it once, then let two students show it.",
}


class Topic(NamedTuple):
    """One criterion: points lost by so many of so many students."""

    title: str
    kind: str
    lost: float
    students: int
    of: int
    worst: list[str]  # of the strings themselves: which cost most


class Passage(NamedTuple):
    """A string that was brought to its pitch as it should be, and that the class may hear."""

    who: str
    string: str
    from_cents: float
    moves: int
    clip: str
    at: str


def topics(records: Iterable[Record], ticket: Mapping[str, Any]) -> list[Topic]:
    """The criteria by how many points they cost the class, the dearest first; those at no cost
    are left out."""
    handed_in = [r for r in records if r["status"] in ("graded", "needs_listening")]
    found = []
    for criterion in ticket["rubric"]["criteria"]:
        lost = [
            row["of"] - row["points"] - row["open"]
            for record in handed_in
            for row in record["score"]["criteria"]
            if row["id"] == criterion["id"] and row["points"] is not None
        ]
        total = sum(loss for loss in lost if loss > 0)
        if total > 0:
            kind = criterion["kind"]
            worst = _worst_strings(handed_in) if kind == "final_pitch" else []
            students = sum(loss > 0 for loss in lost)
            title = criterion.get("title") or criterion["id"]
            found.append(Topic(title, kind, total, students, len(lost), worst))
    return sorted(found, key=lambda topic: -topic.lost)[:TOPICS]


def passages(records: Iterable[Record], ticket: Mapping[str, Any]) -> list[Passage]:
    """Strings worth hearing, one a student: in tune, turned while they sounded, from far off.

    Only of students whose roster row says so in the column `may_be_played`.
    """
    allowed = {row["student_id"] for row in ticket["students"] if may_be_played(row)}
    found = []
    for record in records:
        if record["student"]["student_id"] in allowed and record.get("submission"):
            name = well_turned(record)
            found += [_passage(record, name)] if name else []
    return sorted(found, key=lambda p: -abs(p.from_cents))[:PASSAGES]


def may_be_played(row: Mapping[str, Any]) -> bool:
    """Whether the roster allows this student's clips to be played to the class."""
    return str(row.get(MAY_BE_PLAYED) or "").strip().casefold() in YES


def lesson_page(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> str:
    """The page as HTML text."""
    some = class_records(records, ticket)
    return str(
        template("lesson.html.j2").render(
            class_name=ticket["class_name"],
            title=ticket["title"],
            topics=[{**t._asdict(), **_topic_words(t)} for t in topics(some, ticket)],
            passages=[p._asdict() | {"words": _passage_words(p)} for p in passages(some, ticket)],
            column=MAY_BE_PLAYED,
        )
    )


def _passage(record: Record, name: str) -> Passage:
    moves = record["strings"][name]["moves"]
    start = counted_from(record["strings"][name], "start_cents") or 0.0
    clip = f"clips/{record['student']['student_id']}/{clip_name('turns')}"
    at = clock(moves[0]["start_s"])
    return Passage(full_name(record), name, start, len(moves), clip, at)


def _worst_strings(records: Iterable[Record]) -> list[str]:
    """Which strings were left out of tune most often: "cello A (5 of 8)"."""
    off: Counter[tuple[str, str]] = Counter()
    heard: Counter[tuple[str, str]] = Counter()
    for record in records:
        for name, string in record["strings"].items():
            key = (record["student"]["instrument"], name)
            heard[key] += string["verdict"] in ("in_tune", "close", "out")
            off[key] += string["verdict"] in ("close", "out")
    worst = sorted((key for key in off if off[key]), key=lambda key: (-off[key], key))
    return [
        f"{instrument} {letter(name)} ({off[instrument, name]} of {heard[instrument, name]})"
        for instrument, name in worst[:WORST_STRINGS]
    ]


def _topic_words(topic: Topic) -> dict[str, str]:
    points = "point" if topic.lost == 1 else "points"
    return {
        "cost": f"{points_words(topic.lost)} {points} lost, by {topic.students} of {topic.of}",
        "practice": PRACTICE[topic.kind],
    }


def _passage_words(passage: Passage) -> str:
    side = "below" if passage.from_cents < 0 else "above"
    turns = "turn" if passage.moves == 1 else "turns"
    return (
        f"{passage.who}, {passage.string}: from {number(abs(passage.from_cents), 0)} cents {side} "
        f"to in tune in {passage.moves} {turns}, sounding all the while"
    )
