"""The teacher's marks: every marks*.csv of the class folder, merged cell by cell.

A cell is one criterion of one student, for one take where the line names it ("take": as the
dashboard and the template write it; it begins with the first digits of the content's hash). The
newest saved_at wins; a line without saved_at is older than any with one, and among those the file
that comes later by name wins. An empty line without saved_at says nothing (an unfilled template);
one with saved_at takes an earlier mark back.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.files import yaml_files
from pegmark.files.csv_text import BYTE_ORDER_MARK, csv_text
from pegmark.files.store import write_text
from pegmark.files.tables import Row, Table, read_table
from pegmark.receive.teacher_files import numbered_files
from pegmark.records.problems import TeacherError
from pegmark.records.take_names import TAKE_DIGITS
from pegmark.words import times

if TYPE_CHECKING:
    from pegmark.records import tickets

MARKS_FIELDS: dict[str, tuple[str, ...]] = {
    "student_id": ("student id", "id", "student"),
    "criterion": ("criterion id", "criteria", "criterio"),
    "points": ("point", "score", "marks", "mark", "puntos"),
    "comment": ("comments", "note", "remark", "comentario"),
    "saved_at": ("saved", "saved at", "time", "date"),
    "take": ("recording", "take id", "toma"),
}
MARKS_NEEDED = (("student_id",), ("criterion",), ("points",))


@dataclass(frozen=True)
class Mark:
    """One cell: points (null: not yet) and a comment, as the teacher saved it."""

    student_id: str
    criterion: str
    points: float | None
    comment: str
    saved_at: datetime | None
    where: str  # "marks.csv, line 4"
    take: str | None = None  # it was given for: begins with the first digits of its content's hash

    def as_dict(self) -> tickets.Mark:
        """The mark as the score ticket carries it."""
        return {
            "criterion": self.criterion,
            "points": self.points,
            "comment": self.comment,
            "saved_at": self.saved_at.isoformat() if self.saved_at else None,
            "take": self.take,
        }


@dataclass(frozen=True)
class Refused:
    """A line that is not used, and why."""

    student_id: str  # "" when it names nobody of the roster
    criterion: str
    file: str
    code: str
    message: str
    action: str


@dataclass(frozen=True)
class Marks:
    """All marks of a class."""

    by_student: Mapping[str, tuple[Mark, ...]]  # in the rubric's order
    refused: tuple[Refused, ...]


def read_marks(
    class_dir: Path,
    student_ids: Collection[str],
    criteria: Mapping[str, float],
    zone: tzinfo | None,
) -> Marks:
    """The merged marks of a class folder.

    Parameters
    ----------
    criteria : id of each criterion of the rubric -> its points
    zone : stands in where saved_at has none

    Lines with unknown ids or criteria and points out of range are refused, each by its line.
    Raises TeacherError for files that are no tables, all of them at once.
    """
    problems, refused, found = [], [], []
    for path in numbered_files(class_dir, "marks", ("csv", "xlsx")):
        try:
            table = read_table(path, MARKS_FIELDS, MARKS_NEEDED)
        except TeacherError as error:
            problems += error.problems
            continue
        read, bad = _read(table, student_ids, criteria, zone)
        found += read
        refused += bad
    if problems:
        raise TeacherError(problems)
    merged, overruled = _merge(found)
    order = {criterion: place for place, criterion in enumerate(criteria)}
    by_student: dict[str, list[Mark]] = {}
    for mark in sorted(merged, key=lambda m: order[m.criterion]):
        by_student.setdefault(mark.student_id, []).append(mark)
    return Marks({k: tuple(v) for k, v in sorted(by_student.items())}, (*refused, *overruled))


def _read(
    table: Table, student_ids: Collection[str], criteria: Mapping[str, float], zone: tzinfo | None
) -> tuple[list[Mark], list[Refused]]:
    marks: list[Mark] = []
    refused: list[Refused] = []
    folded_ids = {one.casefold(): one for one in student_ids}
    folded_criteria = {one.casefold(): one for one in criteria}
    for row in table.rows:
        if not (table.cell(row, "points") or table.cell(row, "comment")) and not table.cell(
            row, "saved_at"
        ):
            continue
        student = folded_ids.get(table.cell(row, "student_id").casefold(), "")
        criterion = folded_criteria.get(table.cell(row, "criterion").casefold(), "")
        wrong = _wrong(table, row, student, criterion, student_ids, criteria, zone)
        if wrong:
            refused.append(Refused(student, criterion, table.name, *wrong))
            continue
        text = table.cell(row, "saved_at")
        marks.append(
            Mark(
                student,
                criterion,
                _points(table.cell(row, "points")),
                table.cell(row, "comment"),
                times.read_moment(text, zone or times.UTC) if text else None,
                table.where(row),
                table.cell(row, "take").lower() or None,
            )
        )
    return marks, refused


def _wrong(
    table: Table,
    row: Row,
    student: str,
    criterion: str,
    student_ids: Collection[str],
    criteria: Mapping[str, float],
    zone: tzinfo | None,
) -> tuple[str, str, str] | None:
    """(code, message, action) for a line that cannot be used."""
    if not student:
        text = table.cell(row, "student_id")
        meant = yaml_files.did_you_mean(text, list(student_ids)) if text else ""
        return (
            "mark_of_nobody",
            f"{table.where(row, 'student_id')}: {text!r} is not on the roster; this mark is not "
            "used.",
            f"{meant}Correct the student_id, or remove the line.",
        )
    if not criterion:
        text = table.cell(row, "criterion")
        meant = yaml_files.did_you_mean(text, list(criteria)) if text else ""
        return (
            "mark_without_criterion",
            f"{table.where(row, 'criterion')}: {text!r} is not a criterion of the rubric; this "
            "mark is not used.",
            f"{meant}Allowed: {', '.join(criteria)}.",
        )
    text = table.cell(row, "points")
    points = _points(text)
    most = criteria[criterion]
    if text and (points is None or not 0 <= points <= most):
        return (
            "mark_refused",
            f"{table.where(row, 'points')}: {text!r} is not allowed for {criterion} of "
            f"{student}; this mark is not used.",
            f"Allowed: 0 to {most:g}, or empty for not yet.",
        )
    text = table.cell(row, "saved_at")
    if text and times.read_moment(text, zone or times.UTC) is None:
        return (
            "mark_refused",
            f"{table.where(row, 'saved_at')}: {text!r} is not a date and time; this mark of "
            f"{student} is not used.",
            "Write it like 2026-03-06 18:00 +01:00, or leave it empty.",
        )
    text = table.cell(row, "take")
    if text and not re.match(rf"[0-9a-f]{{{TAKE_DIGITS}}}", text.lower()):
        return (
            "mark_refused",
            f"{table.where(row, 'take')}: {text!r} is not a take; this mark of {student} is not "
            "used.",
            "Keep what the dashboard or the template wrote there, or leave it empty.",
        )
    return None


def _points(text: str) -> float | None:
    """A number with a decimal point or comma (1, 0.5, ,5), or None."""
    if not re.fullmatch(r"[+-]?(?:\d{1,6}[.,]?\d{0,6}|[.,]\d{1,6})", text):
        return None
    return float(text.replace(",", ".")) + 0.0  # no minus zero


def _merge(marks: list[Mark]) -> tuple[list[Mark], list[Refused]]:
    """The mark that counts in each cell; lines without a time that say otherwise are told.

    The newest of a student's marks for one criterion stands last.
    """
    cells: dict[tuple[str, str, str | None], list[Mark]] = {}
    for mark in marks:
        take = mark.take and mark.take[:TAKE_DIGITS]
        cells.setdefault((mark.student_id, mark.criterion, take), []).append(mark)
    merged, told = [], []
    for (student, criterion, _), cell in cells.items():
        dated = [mark for mark in cell if mark.saved_at]
        bare = [mark for mark in cell if not mark.saved_at]
        counts = max(enumerate(dated), key=_newest)[1] if dated else bare[-1]
        merged.append(counts)
        told += [
            Refused(
                student,
                criterion,
                mark.where.split(",")[0],
                "mark_twice",
                f"{mark.where}: another mark for {criterion} of {student} counts ({counts.where}).",
                "Remove the line that is wrong.",
            )
            for mark in bare
            if mark is not counts and (mark.points, mark.comment) != (counts.points, counts.comment)
        ]
    merged.sort(key=lambda mark: mark.saved_at.timestamp() if mark.saved_at else 0.0)
    return merged, told


def _newest(entry: tuple[int, Mark]) -> tuple[float, int]:
    """By time saved; of two at the same time, the one that stands later."""
    place, mark = entry
    return (mark.saved_at.timestamp() if mark.saved_at else 0.0, place)


TEMPLATE = ("student_id", "criterion", "points", "comment", "of", "so far", "name", "why", "take")
WAITING = ("graded", "needs_listening", "unreadable")  # states in which there is work to mark


def open_cells(records: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """A template's lines: every cell that still waits for the teacher, in roster order.

    Beyond what a marks file needs they say how many points there are ("of"), how many are sure
    ("so far"), whose it is and what the machine could not settle ("why").
    """
    lines = []
    for student_id, record in records.items():
        if record["status"] not in WAITING:
            continue
        student = record["student"]
        name = " ".join(filter(None, (student["given_name"], student["family_name"])))
        for criterion in record["score"]["criteria"]:
            if criterion["by"] != "open":
                continue
            why = [p["message"] for p in record["problems"] if criterion["id"] in p["criteria"]]
            lines.append(
                {
                    "student_id": student_id,
                    "criterion": criterion["id"],
                    "take": (record["submission"] or {}).get("take"),
                    "of": criterion["of"],
                    "so far": criterion["points"],
                    "name": name,
                    "why": " ".join(why),
                }
            )
    return lines


def write_template(class_dir: Path, records: Mapping[str, Mapping[str, Any]]) -> Path | None:
    """A marks file with a line for every open cell, beside those there are; None: none is open.

    A file in which something was filled in is never touched: the lines then go to marks-open.csv,
    marks-open-2.csv ...
    """
    lines = open_cells(records)
    if not lines:
        return None
    names = itertools.chain(
        ("marks.csv", "marks-open.csv"), (f"marks-open-{n}.csv" for n in itertools.count(2))
    )
    path = next(path for name in names if _is_free(path := class_dir / name))
    write_text(path, BYTE_ORDER_MARK + csv_text(TEMPLATE, lines))
    return path


def _is_free(path: Path) -> bool:
    """Whether a template may be written here: nothing there, or a template left as it was."""
    if not path.exists():
        return True
    try:
        table = read_table(path, MARKS_FIELDS, MARKS_NEEDED)
    except TeacherError:
        return False
    filled = ("points", "comment", "saved_at")
    return not any(table.cell(row, field) for row in table.rows for field in filled)
