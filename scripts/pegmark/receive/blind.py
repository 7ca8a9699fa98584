"""Strings judged by ear before the machine's view was shown: every blind*.csv of the class folder.

A line is one string of one take: what the teacher heard and what the machine said then. So a line
stands for itself, also weeks later, and files of earlier weeks may lie beside this week's.
"""

from __future__ import annotations

import re
from datetime import tzinfo
from pathlib import Path
from typing import Any

from pegmark.files.tables import Row, Table, read_table
from pegmark.records.problems import Problem, problem
from pegmark.trade.tolerances import LEVELS
from pegmark.words import times

BLIND_FIELDS: dict[str, tuple[str, ...]] = {
    "student_id": ("student id", "id", "student"),
    "take": ("recording",),
    "string": ("corda", "cuerda"),
    "heard": ("by ear", "teacher"),
    "measured": ("machine",),
    "saved_at": ("saved", "saved at", "time", "date"),
}
BLIND_NEEDED = (("string",), ("heard",), ("measured",), ("saved_at",))


def read_blind(
    class_dir: Path, zone: tzinfo | None
) -> tuple[list[dict[str, Any]], list[tuple[str, Problem]]]:
    """The blind marks of a class folder, the newest of each string of a take, by time.

    Returns them, and what was refused: (file name, problem). `zone` stands in where saved_at has
    none. Raises TeacherError for a file that is no table.
    """
    newest: dict[tuple[str, str, str], dict[str, Any]] = {}
    refused = []
    for path in sorted(class_dir.glob("blind*.csv")):
        table = read_table(path, BLIND_FIELDS, BLIND_NEEDED)
        for row in table.rows:
            wrong = _wrong(table, row, zone)
            if wrong:
                refused.append((table.name, wrong))
                continue
            mark = _mark(table, row, zone)
            cell = (mark["student_id"], mark["take"], mark["string"])
            if cell not in newest or newest[cell]["saved_at"] <= mark["saved_at"]:
                newest[cell] = mark
    marks = sorted(newest.values(), key=lambda one: [one[key] for key in (
        "saved_at", "student_id", "take", "string")])  # fmt: skip
    return marks, refused


def _mark(table: Table, row: Row, zone: tzinfo | None) -> dict[str, Any]:
    moment = times.read_moment(table.cell(row, "saved_at"), zone or times.UTC)
    assert moment is not None
    return {
        **{key: table.cell(row, key) for key in ("student_id", "take", "string")},
        **{key: table.cell(row, key) for key in ("heard", "measured")},
        "saved_at": moment.isoformat(),
    }


def _wrong(table: Table, row: Row, zone: tzinfo | None) -> Problem | None:
    """What is wrong with a line, if anything is."""
    for field in ("heard", "measured"):
        text = table.cell(row, field)
        if text not in LEVELS:
            return problem(
                "blind_refused",
                f"{table.where(row, field)}: {text!r} is not a verdict; this line is not used.",
                f"Allowed: {', '.join(LEVELS)}.",
            )
    if not re.fullmatch(r"[A-G][#b]?-?[0-9]", table.cell(row, "string")):
        return problem(
            "blind_refused",
            f"{table.where(row, 'string')}: {table.cell(row, 'string')!r} is not a string; this "
            "line is not used.",
            "Write it like A4 or F#1.",
        )
    if times.read_moment(table.cell(row, "saved_at"), zone or times.UTC) is None:
        return problem(
            "blind_refused",
            f"{table.where(row, 'saved_at')}: {table.cell(row, 'saved_at')!r} is not a date and "
            "time; this line is not used.",
            "Write it like 2026-03-06 18:00 +01:00.",
        )
    return None
