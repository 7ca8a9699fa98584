"""The weeks of a class: its course by section and string, and who needs a visit.

From the earlier weeks that the assignment names and this week's records. A string's drift between
two takes is where it was first heard less where it was left the week before: nobody turned it for
the recording in between, though practice may have. So it is a hint for the care of an instrument,
not a measurement of the string, and it goes to the teacher alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Any, NamedTuple

from pegmark.publish.class_records import class_records, full_name
from pegmark.publish.practice import take_day
from pegmark.publish.templates import template
from pegmark.records.states import HEARD_STATES
from pegmark.render.course import IN_TUNE, course_of, verdict_of
from pegmark.statistics.combining import combine
from pegmark.statistics.student_t import NORMAL_95
from pegmark.words.wording import MINUS, letter, number

if TYPE_CHECKING:
    from pegmark.records.student import Record
    from pegmark.records.tickets import Week

WEEKS_PAGE = "weeks.html"
DRIFT_CENTS = 15.0  # more every week, and a string does not hold (common practice, no source)
DRIFT_WEEKS = 2  # seen so often, it is no single warm evening
SLIPS = 2  # a peg that slipped once may have been turned badly; twice is worth a look
SETTLES = 0.8  # each drift at most this part of the one before: it comes to rest
# What a string that drifts up, or both ways, may be (common practice, no source).
OLD = "an old string, or a warm and a cold room: wipe it, and try a new string"
OUT_WEEKS = 3  # a string out of tune for so many weeks needs a visit


class Visit(NamedTuple):
    """One line of the care list: whose string, and what was seen."""

    name: str
    string: str
    why: str


class Drift(NamedTuple):
    """How far a string moved between two takes, how sure that is (95 %), and in how many days."""

    cents: float
    half: float | None
    days: int | None


class Student(NamedTuple):
    """A student's course, this week last."""

    name: str
    section: str
    instrument: str
    course: list[Week]


def students_of(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    opinion: Mapping[str, Any] | None = None,
) -> list[Student]:
    """Everybody with an earlier week on the same instrument and a take that was heard now."""
    found = []
    for record in class_records(records, ticket):
        who = record["student"]
        weeks = ticket["weeks"].get(who["student_id"], [])
        if record["status"] in HEARD_STATES and len(course := course_of(weeks, record)) > 1:
            name, section = full_name(record), who.get("section") or ""
            course[-1]["day"] = _day_of(record, ticket, opinion)
            found.append(Student(name, section, who["instrument"], course))
    return found


def course_rows(students: Sequence[Student]) -> list[dict[str, Any]]:
    """By section, instrument and string: how many were in tune, week by week, this week last."""
    longest = max((len(student.course) for student in students), default=0)
    rows: dict[tuple[str, str, str], list[list[bool]]] = {}
    for student in students:
        for string in student.course[-1]["strings"]:
            key = (student.section, student.instrument, string)
            cells = rows.setdefault(key, [[] for _ in range(longest)])
            for back, week in enumerate(reversed(student.course), start=1):
                verdict = verdict_of(week, string)
                if verdict in (IN_TUNE, "close", "out"):
                    cells[-back].append(verdict == IN_TUNE)
    return [
        {
            "section": section,
            "string": f"{instrument} {letter(string)}",
            "weeks": [f"{sum(cell)} of {len(cell)}" if cell else "" for cell in cells],
        }
        for (section, instrument, string), cells in rows.items()
    ]


def visits(students: Sequence[Student]) -> list[Visit]:
    """Strings and pegs worth a look: what drifts, what slipped, what stays out of tune."""
    found = []
    for student in students:
        for string in student.course[-1]["strings"]:
            for why in (_drifts(student, string), _slips(student, string), _stays(student, string)):
                if why:
                    found.append(Visit(student.name, f"{student.instrument} {string}", why))
    return found


def drifts(course: Sequence[Week], string: str) -> list[Drift]:
    """From each week to the next, from where the string was left to where it was found."""
    found = []
    for before, after in pairwise(course):
        left = before["strings"].get(string)
        then = after["strings"].get(string)
        was = left and left.get("left_cents")
        found_at = then and then.get("found_cents")
        if left and then and was is not None and found_at is not None:
            halves = (left["half_cents"], then.get("start_half_cents"))
            half = None if None in halves else math.hypot(*(h for h in halves if h is not None))
            found.append(Drift(found_at - was, half, _days_between(before, after)))
    return found


def drift_rows(students: Sequence[Student]) -> list[dict[str, Any]]:
    """By instrument and string: the drift a day over all students, with its 95 % interval."""
    daily: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for student in students:
        for string in student.course[-1]["strings"]:
            for one in drifts(student.course, string):
                if one.days and one.half is not None:
                    key = (student.instrument, string)
                    daily.setdefault(key, []).append((one.cents / one.days, one.half / one.days))
    return [
        {
            "string": f"{instrument} {letter(string)}",
            "a_day": _a_day(*_together(known)),
            "count": len(known),
        }
        for (instrument, string), known in daily.items()
    ]


def weeks_page(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    opinion: Mapping[str, Any] | None = None,
) -> str | None:
    """The page as HTML text; None where no earlier week is known."""
    students = students_of(records, ticket, opinion)
    if not students:
        return None
    rows = course_rows(students)
    view = {
        "class_name": ticket["class_name"],
        "title": ticket["title"],
        "students": len(students),
        "weeks": max(len(row["weeks"]) for row in rows) if rows else 0,
        "rows": rows,
        "visits": visits(students),
        "drifts": drift_rows(students),
    }
    return str(template("weeks.html.j2").render(view=view))


def _day_of(
    record: Record, ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None
) -> str | None:
    """When the take that counts was recorded."""
    submission = record["submission"]
    mine = (t for t in ticket["takes"] if submission and t["take"] == submission["take"])
    take = next(mine, None)
    day = take_day(take, ticket, opinion) if take else None
    return day.isoformat() if day else None


def _days_between(before: Week, after: Week) -> int | None:
    """Whole days from one take to the next; None where that is not known, or not one."""
    one, other = before.get("day"), after.get("day")
    days = (date.fromisoformat(other) - date.fromisoformat(one)).days if one and other else 0
    return days if days > 0 else None


def _together(known: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean and half-width (95 %) of drifts: strings differ, so by random effects."""
    if len(known) == 1:
        return known[0]
    variances = [(half / NORMAL_95) ** 2 for _, half in known]
    mean, half, _ = combine([value for value, _ in known], variances)
    return mean, half


def _a_day(mean: float, half: float) -> str:
    """'−1.3 ± 0.4'."""
    return f"{_signed(mean, 1)} ± {number(half, 1)}"


def _signed(value: float, digits: int) -> str:
    sign = MINUS if value < 0 else "+"
    return f"{sign}{number(abs(value), digits)}"


def _drifts(student: Student, string: str) -> str | None:
    found = drifts(student.course, string)
    far = [one for one in found if abs(one.cents) > DRIFT_CENTS]
    if len(far) < DRIFT_WEEKS or len(far) < len(found) - 1:
        return None
    cents = [one.cents for one in found]
    if max(cents) > 0 > min(cents):
        most = number(max(map(abs, cents)), 0)
        return f"moves both ways between recordings, by up to {most} cents: {OLD}"
    daily = [(d.cents / d.days, d.half / d.days) for d in found if d.days and d.half is not None]
    a_day = f" ({_a_day(*_together(daily))} a day)" if daily else ""
    return (
        f"drifts between recordings, about {_signed(median(cents), 0)} cents{a_day}: {_hint(cents)}"
    )


def _hint(cents: Sequence[float]) -> str:
    """What may make a string drift so (common practice, no source)."""
    if min(cents) > 0:
        return OLD
    settles = all(abs(later) < SETTLES * abs(sooner) for sooner, later in pairwise(cents))
    if settles:
        return "less each time, as a new string that still settles: tune it daily"
    return "an old string, or a peg that creeps: look at how the peg fits"


def _slips(student: Student, string: str) -> str | None:
    slipped = sum(
        bool(week["strings"][string]["slipped_cents"])
        for week in student.course
        if string in week["strings"]
    )
    if slipped < SLIPS:
        return None
    return f"slipped in {slipped} recordings: push the peg in as it turns, or show it to a luthier"


def _stays(student: Student, string: str) -> str | None:
    last = [verdict_of(week, string) for week in student.course[-OUT_WEEKS:]]
    if len(last) < OUT_WEEKS or any(verdict != "out" for verdict in last):
        return None
    return f"out of tune {OUT_WEEKS} weeks in a row: look at it together"
