"""Rows of the attention list, as the intake writes them."""

from __future__ import annotations

from collections.abc import Iterable

from pegmark.receive import strays
from pegmark.receive.handed import Intake, Row
from pegmark.records.problems import Problem
from pegmark.words.file_names import listed, shown


def stray_report(intake: Intake) -> list[str]:
    """Lines about files that were not taken for recordings; what needs no answer shares one."""
    return [f"{row['message']} {row['action']}".strip() for row in stray_rows(intake.strays)]


def stray_rows(strays: Iterable[strays.Stray]) -> list[Row]:
    """Strays as attention rows; what needs no answer shares a row of its kind."""
    rows = []
    grouped: dict[str, list[str]] = {"system_file": [], "not_a_recording": []}
    for stray in strays:
        if stray.code in grouped:
            grouped[stray.code].append(shown(stray.file))
        else:
            rows.append({"student_id": "", **vars(stray)})
    if grouped["not_a_recording"]:
        rows.append(
            {
                "student_id": "",
                "file": "",
                "code": "not_a_recording",
                "message": f"Not recordings, left aside: {listed(grouped['not_a_recording'])}.",
                "action": "Nothing to do, unless one of them was meant to be a recording.",
            }
        )
    if grouped["system_file"]:
        rows.append(
            {
                "student_id": "",
                "file": "",
                "code": "system_file",
                "message": f"System files, left aside: {listed(grouped['system_file'])}.",
                "action": "Nothing to do.",
            }
        )
    return rows


def attention_row(told: Problem, student_id: str = "", file: str = "") -> Row:
    return {
        "student_id": student_id,
        "file": file,
        "code": told["code"],
        "message": told["message"],
        "action": told["action"],
    }
