"""gradebook.csv: one row for every student of the roster, always all of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pegmark.files.csv_text import csv_text
from pegmark.publish.class_records import Record, class_records
from pegmark.records.columns import FIRST_COLUMNS, LATE_COLUMNS
from pegmark.records.states import state_of

USUAL_STRINGS = 4  # columns always there; a fifth only where an instrument has five strings


def gradebook_csv(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> str:
    """The gradebook as RFC 4180 text.

    After `FIRST_COLUMNS` comes a column per criterion id of the rubric and one per string
    position (`string_1_cents` is the highest string's deviation). Unknown is an empty cell: a take
    that was not handed in has no total, and no zero. Where the teacher's policy takes points off
    for lateness, the raw total stays, and two columns at the end say what comes off.
    """
    students = class_records(records, ticket)
    criteria = [c["id"] for c in ticket["rubric"]["criteria"]]
    most = max([USUAL_STRINGS, *(len(r["strings"]) for r in students)])
    strings = [f"string_{position}_cents" for position in range(1, most + 1)]
    late = LATE_COLUMNS if ticket["policies"]["late"] else ()
    columns = [*FIRST_COLUMNS, *criteria, *strings, *late]
    return csv_text(columns, [_row(record) for record in students])


def _row(record: Record) -> dict[str, Any]:
    score = record["score"]
    submission = record.get("submission") or {}
    points = {c["id"]: c["points"] for c in score["criteria"]}
    cents = {
        f"string_{position}_cents": string["deviation_cents"]
        for position, string in enumerate(record["strings"].values(), start=1)
    }
    late = score.get("late") or {}
    absent = record["status"] in ("missing", "excused")
    first = {
        **record["student"],
        "status": state_of(record),
        "total": None if absent else score["total"],
        "of": score["of"],
        "open_points": None if absent else score["open"],
        "hours_late": submission.get("hours_late"),
        "late_points_off": late.get("points_off"),
        "total_after_late": late.get("total"),
    }
    return {**points, **cents, **first}
