"""The class as the pages of the class level see it: one record for every student of the roster.

`records` maps student_id to a record (results/records/<student_id>.json); `ticket` is
tickets/publish.json. The order is always the roster's.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import quote

from pegmark.records.problems import problem

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Record


def class_records(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> list[Record]:
    """A record for every student of the roster, in the roster's order.

    A student whose record was not made (a job failed) gets a stand-in that says so: nobody is
    left out of a page or a file.
    """
    return [records.get(row["student_id"]) or _stand_in(row, ticket) for row in ticket["students"]]


def _stand_in(row: Mapping[str, Any], ticket: Mapping[str, Any]) -> Record:
    criteria: list[Any] = [
        {"id": c["id"], "title": c.get("title", c["id"]), "points": None, "of": c["points"],
         "by": "open", "open": c["points"], "measured_points": None, "evidence": []}
        for c in ticket["rubric"]["criteria"]
    ]  # fmt: skip
    made: dict[str, Any] = {
        "student": {
            key: row.get(key, "")
            for key in ("student_id", "family_name", "given_name", "instrument", "section")
        },
        "status": "unreadable",
        "problems": [
            problem(
                "no_result",
                "The program made no result for this student.",
                "Run it again; if it happens again, look in results/logs.",
            )
        ],
        "submission": None,
        "recording": None,
        "notes": [],
        "speech": [],
        "strings": {},
        "order": [],
        "score": {
            "criteria": criteria,
            "total": None,
            "of": sum(c["of"] for c in criteria),
            "open": sum(c["of"] for c in criteria),
            "late": None,
        },
        "observations": [],
        "next_step": None,
        "other_takes": [],
    }
    return cast("Record", made)  # with what a page of somebody without a take shows


def full_name(record: Record) -> str:
    """Given and family name as one text; the id where both are empty."""
    student = record["student"]
    name = f"{student.get('given_name') or ''} {student.get('family_name') or ''}".strip()
    return name or student["student_id"]


def criterion_titles(ticket: Mapping[str, Any]) -> dict[str, str]:
    """Criterion id -> title as the class's own rubric says it (records: the student's language)."""
    return {c["id"]: c.get("title") or c["id"] for c in ticket["rubric"]["criteria"]}


def counted_from(string: Mapping[str, Any], key: str = "deviation_cents") -> float | None:
    """The cents of a string (`key`) from what it was judged by: not the assignment's A where it
    was tuned by ear to another, or to its neighbour."""
    cents: float | None = string.get(key)
    return None if cents is None else cents - string.get("zero_cents", 0.0)


def open_criteria(record: Record) -> list[Criterion]:
    """The criteria of a handed-in take that still wait for points, in part or altogether."""
    if record["status"] in ("missing", "excused"):
        return []
    return [c for c in record["score"]["criteria"] if c["by"] == "open"]


def recording_address(file: str) -> str | None:
    """Where the page finds a file of submissions/; None inside a .zip archive."""
    packed = any(part.lower().endswith(".zip") for part in file.split("/")[:-1])
    return None if packed else "../submissions/" + quote(file)


def hours_late(record: Record) -> float | None:
    """Hours after the due time, or None when in time, unknown or not handed in."""
    submission = record["submission"]
    hours = submission["hours_late"] if submission else None
    return hours if hours and hours > 0 else None
