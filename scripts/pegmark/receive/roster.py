"""The roster: who is in the class, on which instrument, from roster.csv or roster.xlsx."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pegmark.files import yaml_files
from pegmark.files.code_pages import MIXED
from pegmark.files.tables import Row, Table, read_table
from pegmark.receive.roster_names import WHOLE_NAME, read_name
from pegmark.receive.roster_words import (
    LANGUAGES,
    NO,
    NO_ENTRY,
    ROSTER_FIELDS,
    ROSTER_PART,
    ROSTER_YES,
)
from pegmark.receive.school_export import find_export, read_export
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.settings.assignment import Settings
from pegmark.trade.instruments import fold
from pegmark.words import times
from pegmark.words.file_names import listed, shown

ROSTER_NEEDED = (
    ("student_id",),
    ("family_name", "given_name", *WHOLE_NAME),
    ("instrument",),
)
# Tables in a class folder that are something else.
_OTHER_TABLE = re.compile(
    r"(?:matches.*|received|marks.*|blind.*|sent|gradebook.*|attention|instruments|"
    r"users|classes|enrollments)\.\w+",
    re.IGNORECASE,
)
_TABLES = (".csv", ".tsv", ".xlsx", ".ods")
_ROSTER = re.compile(r"roster\.(?:csv|tsv|txt|xlsx|ods)", re.IGNORECASE)
_SECOND_ROSTER = re.compile(r"roster.*\.(?:csv|tsv|txt|xlsx|ods)$", re.IGNORECASE)
# One mailbox, deliberately narrower than RFC 5322: no quotes, comments, spaces or line breaks.
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+")


@dataclass(frozen=True)
class Student:
    """One row of the roster."""

    student_id: str
    family_name: str
    given_name: str
    instrument: str  # key of the instrument table
    section: str = ""
    email: str = ""  # addresses parted by ;
    nickname: str = ""
    language: str | None = None
    due: datetime | None = None  # the student's own, where it differs from the assignment's
    excused: bool = False
    extra: Mapping[str, str] = field(default_factory=dict)
    line: int = 0

    @property
    def name(self) -> str:
        """'Ana Ruiz', as messages say it."""
        return " ".join(part for part in (self.given_name, self.family_name) if part)

    def as_dict(self) -> dict[str, Any]:
        """The row as publish.json carries it."""
        return {
            "student_id": self.student_id,
            "family_name": self.family_name,
            "given_name": self.given_name,
            "instrument": self.instrument,
            "section": self.section,
            "email": self.email,
            "nickname": self.nickname,
            "language": self.language,
            "due": self.due.isoformat() if self.due else None,
            "excused": self.excused,
            "extra": dict(self.extra),
        }


@dataclass(frozen=True)
class Roster:
    """The class, in the roster's order."""

    students: tuple[Student, ...]
    understood: str  # one line: how the file was read
    notices: tuple[dict[str, str], ...] = ()  # attention rows that do not stop the class

    def by_id(self) -> dict[str, Student]:
        """student_id -> student."""
        return {student.student_id: student for student in self.students}


def read_roster(class_dir: Path, settings: Settings) -> Roster:
    """The roster of a class folder.

    Raises TeacherError with everything wrong in it at once, by row: ids that are impossible or
    stand twice, instruments that are not known, languages, due times and excuses not understood.
    """
    table = _with_whole_name(roster_table(class_dir, find_roster(class_dir), settings))
    problems: list[Problem] = []
    notices: list[dict[str, str]] = []
    students = [_student(table, row, settings, problems, notices) for row in table.rows]
    problems += _repeated(table, students)
    if not students and not problems:
        problems.append(
            problem("no_students", f"{table.name}: there is no student in it.", "Add a row each.")
        )
    if problems:
        raise TeacherError(problems)
    notices += [*_unsure_names(table), *_mixed(table), *_unread(class_dir, table)]
    return Roster(tuple(students), _understood(table, students), tuple(notices))


def roster_table(class_dir: Path, path: Path, settings: Settings) -> Table:
    """The class list as a table, whatever it came as. Raises TeacherError."""
    if path == find_export(class_dir):
        return read_export(class_dir, path, settings.assignment["oneroster_class"])
    mapped = settings.assignment["roster_columns"]
    return read_table(path, ROSTER_FIELDS, ROSTER_NEEDED, mapped=mapped)


def find_roster(class_dir: Path) -> Path:
    """The class list: roster.csv and its like, else the one table that is nothing else, else the
    school's export by the open roster standard.

    Raises TeacherError where there is none, or more than one.
    """
    files = sorted(path for path in class_dir.iterdir() if path.is_file())
    found = [path for path in files if _ROSTER.fullmatch(path.name)] or [
        path
        for path in files
        if path.suffix.lower() in _TABLES
        and not path.name.startswith((".", "~$"))
        and not _OTHER_TABLE.fullmatch(path.name)
    ]
    if len(found) == 1:
        return found[0]
    if not found and (export := find_export(class_dir)):
        return export
    if not found:
        raise TeacherError(
            [
                problem(
                    "no_roster",
                    f"There is no roster.csv or roster.xlsx in {class_dir}.",
                    "Put the class list there, with the columns student_id, family_name, "
                    "given_name, instrument, section, email.",
                )
            ]
        )
    named = ", ".join(shown(path.name) for path in found)
    exact = bool(_ROSTER.fullmatch(found[0].name))
    raise TeacherError(
        [
            problem(
                "two_rosters",
                f"There are several rosters: {named}."
                if exact
                else f"Several tables may be the class list: {named}.",
                "Keep one of them." if exact else "Name the right one roster.csv (or .xlsx, .ods).",
            )
        ]
    )


def _with_whole_name(table: Table) -> Table:
    """A column of whole names beside the parted ones is kept as it is, like any extra column."""
    if not {"family_name", "given_name", "full_name"} <= set(table.columns):
        return table
    return replace(table, extra=tuple(sorted((*table.extra, table.columns["full_name"]))))


def _unsure_names(table: Table) -> list[dict[str, str]]:
    """One row for all whole names that were parted by likelihood."""
    unsure = [(row, name) for row in table.rows if not (name := read_name(table, row)).sure]
    if not unsure:
        return []
    spoken = [f"{table.unit} {row.line}: {name.given} | {name.family}" for row, name in unsure]
    return [
        {
            "student_id": "",
            "file": table.name,
            "code": "names_parted",
            "message": f"{table.name}: names in one column, split as given | family: "
            f"{listed(spoken)}.",
            "action": "Where that is wrong, write the name as Family, Given.",
        }
    ]


def _unread(class_dir: Path, table: Table) -> list[dict[str, str]]:
    """One row for tables that may be the roster as well: 'roster (1).csv' beside roster.csv."""
    names = sorted(path.name for path in class_dir.iterdir() if _SECOND_ROSTER.match(path.name))
    others = [shown(name) for name in names if name != table.name]
    if not others:
        return []
    return [
        {
            "student_id": "",
            "file": "",
            "code": "roster_not_read",
            "message": f"{listed(others)} beside {shown(table.name)} was not read.",
            "action": "Keep the newer one as the roster, and move the other away.",
        }
    ]


def _mixed(table: Table) -> list[dict[str, str]]:
    if MIXED not in table.form:
        return []
    return [
        {
            "student_id": "",
            "file": table.name,
            "code": "mixed_code_pages",
            "message": f"{table.name} mixes two text encodings ({table.form}).",
            "action": "Check the names with accents; saving it once as CSV (UTF-8) fixes it.",
        }
    ]


def _student(
    table: Table,
    row: Row,
    settings: Settings,
    problems: list[Problem],
    notices: list[dict[str, str]],
) -> Student:
    """One row; its mistakes are added to `problems`."""

    def refuse(column: str, wrong: str, action: str) -> None:
        where = table.where(row, column)
        problems.append(problem("bad_roster_row", f"{where}: {wrong}.", action))

    name = read_name(table, row)
    if not (name.family or name.given):
        refuse("family_name", "there is no name", "Fill in the name.")
    student = Student(
        student_id=table.cell(row, "student_id"),
        family_name=name.family,
        given_name=name.given,
        instrument=_instrument(table.cell(row, "instrument"), settings, refuse),
        section=table.cell(row, "section"),
        email=_email(table, row, notices),
        nickname=table.cell(row, "nickname"),
        language=_language(table.cell(row, "language"), settings, refuse),
        due=_due(table.cell(row, "due"), settings, refuse),
        excused=_excused(table.cell(row, "excused"), refuse),
        extra={table.header[i]: row.cells[i] for i in table.extra},
        line=row.line,
    )
    plain = {key: value for key, value in student.as_dict().items() if value or key in _REQUIRED}
    for keys, wrong, action in yaml_files.violations(plain, "roster_row"):
        if keys[:1] != ("instrument",):
            refuse(str(keys[0]), "it is empty" if wrong.startswith('""') else wrong, action)
    return student


_REQUIRED = ("student_id", "family_name", "given_name", "instrument")


def _instrument(text: str, settings: Settings, refuse: Any) -> str:
    folded = fold(re.sub(r"[()\[\],;:#]", " ", text))
    names = settings.instrument_names
    key = names.get(folded) or names.get(ROSTER_PART.sub("", folded))
    if key is None:
        meant = yaml_files.did_you_mean(text, list(settings.instrument_names)) if text else ""
        refuse(
            "instrument",
            f"{text!r} is not a known instrument" if text else "it is empty",
            f"{meant}Allowed: {', '.join(settings.instruments)}, and the names in "
            "config/instruments.yaml.",
        )
    return key or ""


def _email(table: Table, row: Row, notices: list[dict[str, str]]) -> str:
    """Addresses parted by ';'. A bad one is told and left out: it does not stop the class."""
    kept = []
    for address in re.split(r"[;,\s]+", table.cell(row, "email")):
        if fold(address) in NO_ENTRY:
            continue
        if _ADDRESS.fullmatch(address) and len(address) <= 254:
            kept.append(address)
        else:
            notices.append(
                {
                    "student_id": table.cell(row, "student_id"),
                    "file": table.name,
                    "code": "bad_email",
                    "message": f"{table.where(row, 'email')}: {address[:80]!r} is not an e-mail "
                    "address.",
                    "action": "Correct it; until then no draft goes there.",
                }
            )
    return ";".join(dict.fromkeys(kept))


def _language(text: str, settings: Settings, refuse: Any) -> str | None:
    if not text:
        return None
    named = (code for code, names in LANGUAGES.items() if fold(text) in names)
    code = next(named, text.lower())
    known = sorted(settings.sentences)
    if known and code not in known:
        refuse("language", f"there are no sentences for {text!r}", f"Allowed: {', '.join(known)}.")
    return code


def _due(text: str, settings: Settings, refuse: Any) -> datetime | None:
    if not text:
        return None
    due = times.read_moment(text, settings.zone, day_end=True)
    if due is None:
        refuse(
            "due",
            f"{text!r} is not a date and time"
            + ("" if settings.zone else " with a zone (assignment.yaml has no due with one)"),
            "Write it like 2026-03-06 18:00, or with its zone 2026-03-06 18:00 +01:00.",
        )
    return due


def _excused(text: str, refuse: Any) -> bool:
    word = fold(text)
    if word not in ROSTER_YES | NO:
        refuse("excused", f"{text!r} is neither yes nor no", "Write yes, or leave it empty.")
    return word in ROSTER_YES


def _repeated(table: Table, students: list[Student]) -> list[Problem]:
    """Ids that stand twice; capitals do not part two ids, since they do not part two files."""
    problems = []
    first: dict[str, Student] = {}
    for student in students:
        other = first.setdefault(student.student_id.casefold(), student)
        if other is not student and student.student_id:
            problems.append(
                problem(
                    "student_twice",
                    f"{table.name}, {table.unit}s {other.line} and {student.line}: the student_id "
                    f"{student.student_id!r} appears twice ({other.name}, {student.name}).",
                    "Give each student an id of their own, or remove one row.",
                )
            )
    return problems


def _understood(table: Table, students: list[Student]) -> str:
    """One line for the teacher: what was read, and as what."""
    named = ", ".join(
        f"{table.header[column]} = {name}"
        for name, column in sorted(table.columns.items(), key=lambda item: item[1])
        if fold(table.header[column]) != fold(name)
    )
    kept = ", ".join(table.header[i] for i in table.extra)
    parts = [
        f"{shown(table.name)}: {len(students)} students ({table.form})",
        "" if _ROSTER.fullmatch(table.name) else "taken for the roster",
        f"read as {named}" if named else "",
        f"kept as they are: {kept}" if kept else "",
    ]
    return "; ".join(part for part in parts if part) + "."
