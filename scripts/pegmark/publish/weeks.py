"""The weeks of a class: its course by section and string, and who needs a visit.

From the earlier weeks that the assignment names and this week's records. A string's drift between
two takes is where it was first heard less where it was left the week before: nobody turned it for
the recording in between, though practice may have. So it is a hint for the care of an instrument,
not a measurement of the string, and it goes to the teacher alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Any, NamedTuple

from pegmark.publish.class_records import class_records, full_name
from pegmark.publish.templates import template
from pegmark.records.states import HEARD_STATES
from pegmark.render.course import IN_TUNE, course_of, verdict_of
from pegmark.words.wording import MINUS, letter, number

if TYPE_CHECKING:
    from pegmark.records.student import Record
    from pegmark.records.tickets import Week

WEEKS_PAGE = "weeks.html"
DRIFT_CENTS = 15.0  # more every week, and a string does not hold (common practice, no source)
DRIFT_WEEKS = 2  # seen so often, it is no single warm evening
SLIPS = 2  # a peg that slipped once may have been turned badly; twice is worth a look
OUT_WEEKS = 3  # a string out of tune for so many weeks needs a visit


class Visit(NamedTuple):
    """One line of the care list: whose string, and what was seen."""

    name: str
    string: str
    why: str


class Student(NamedTuple):
    """A student's course, this week last."""

    name: str
    section: str
    instrument: str
    course: list[Week]


def students_of(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> list[Student]:
    """Everybody with an earlier week on the same instrument and a take that was heard now."""
    found = []
    for record in class_records(records, ticket):
        who = record["student"]
        weeks = ticket["weeks"].get(who["student_id"], [])
        if record["status"] in HEARD_STATES and len(course := course_of(weeks, record)) > 1:
            name, section = full_name(record), who.get("section") or ""
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


def drifts(course: Sequence[Week], string: str) -> list[float]:
    """From each week to the next: cents from where the string was left to where it was found."""
    found = []
    for before, after in pairwise(course):
        left = before["strings"].get(string)
        then = after["strings"].get(string)
        if left and then and left["cents"] is not None and then["start_cents"] is not None:
            found.append(then["start_cents"] - left["cents"])
    return found


def weeks_page(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> str | None:
    """The page as HTML text; None where no earlier week is known."""
    students = students_of(records, ticket)
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
    }
    return str(template("weeks.html.j2").render(view=view))


def _drifts(student: Student, string: str) -> str | None:
    found = drifts(student.course, string)
    far = [cents for cents in found if abs(cents) > DRIFT_CENTS]
    if len(far) < DRIFT_WEEKS or len(far) < len(found) - 1:
        return None
    middle = median(found)
    sign = MINUS if middle < 0 else "+"
    return (
        f"drifts between recordings, about {sign}{number(abs(middle), 0)} cents: a new string that "
        "still settles, an old one, or a peg that creeps"
    )


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
