"""gradebook.csv: one row for every student of the roster, always all of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.files.csv_text import csv_text
from pegmark.publish.class_records import class_records
from pegmark.records.columns import FIRST_COLUMNS, GRADE_COLUMN, LATE_COLUMNS
from pegmark.records.states import state_of

if TYPE_CHECKING:
    from pegmark.records.student import Record

PERCENT_DIGITS = 1  # 89.95 of 100 is 90: a grade is not lost to what rounding hides
USUAL_STRINGS = 4  # columns always there; a fifth only where an instrument has five strings


def gradebook_csv(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> str:
    """The gradebook as RFC 4180 text.

    After `FIRST_COLUMNS` comes a column per criterion id of the rubric and one per string
    position (`string_1_cents` is the highest string's deviation). Unknown is an empty cell: a take
    that was not handed in has no total, and no zero. Where the teacher's policy takes points off
    for lateness, the raw total stays, and two columns at the end say what comes off. With a scale
    of its own, the class has the column `grade`; with a map of columns, only those of the map.
    """
    students = class_records(records, ticket)
    how = ticket.get("gradebook") or {}
    criteria = [c["id"] for c in ticket["rubric"]["criteria"]]
    most = max([USUAL_STRINGS, *(len(r["strings"]) for r in students)])
    strings = [f"string_{position}_cents" for position in range(1, most + 1)]
    late = LATE_COLUMNS if ticket["policies"]["late"] else ()
    grade = () if how.get("scale", "points") == "points" else (GRADE_COLUMN,)
    columns = [*FIRST_COLUMNS, *grade, *criteria, *strings, *late]
    wanted = how.get("columns") or dict.fromkeys(columns)
    roster = {row["student_id"]: row for row in ticket["students"]}
    rows = []
    for record in students:
        row = {**roster[record["student"]["student_id"]], **_row(record)}
        row[GRADE_COLUMN] = grade_of(record, how)
        rows.append({header: row.get(ours or header) for header, ours in wanted.items()})
    return csv_text(list(wanted), rows, semicolons=how.get("separator") == "semicolon")


def grade_of(record: Record, how: Mapping[str, Any]) -> str | float | None:
    """The total, less what comes off for lateness, by the class's scale.

    None while anything is open or waits for the teacher: a grade that may change is none.
    """
    score = record["score"]
    final = record["status"] == "graded" and not score["open"]
    if not final or score["total"] is None:
        return None
    points = float(score["late"]["total"] if score["late"] else score["total"])
    scale = how.get("scale", "points")
    if scale == "points":
        return points
    percent = round(100 * points / score["of"], PERCENT_DIGITS) if score["of"] else None
    if scale == "percent" or percent is None:
        return percent
    steps = {float(low): str(grade) for low, grade in how[scale].items()}
    return steps[max(low for low in steps if low <= percent)]


def _row(record: Record) -> dict[str, Any]:
    score = record["score"]
    submission, late = record["submission"], score["late"]
    points = {c["id"]: c["points"] for c in score["criteria"]}
    cents = {
        f"string_{position}_cents": string["deviation_cents"]
        for position, string in enumerate(record["strings"].values(), start=1)
    }
    absent = record["status"] in ("missing", "excused")
    first = {
        **record["student"],
        "status": state_of(record),
        "total": None if absent else score["total"],
        "of": score["of"],
        "open_points": None if absent else score["open"],
        "hours_late": submission["hours_late"] if submission else None,
        "late_points_off": late["points_off"] if late else None,
        "total_after_late": late["total"] if late else None,
    }
    return {**points, **cents, **first}
