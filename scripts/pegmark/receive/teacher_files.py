"""What the teacher says about files: whose they are (matches.csv), when they came
(received.csv)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path

from pegmark.files import yaml_files
from pegmark.files.tables import Row, Table, clean_cell, read_table
from pegmark.receive.archives import Recording
from pegmark.receive.submissions import FOLDER
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.words import times

NOBODY = "-"  # the student_id of a file that is no student's

MATCH_FIELDS: dict[str, tuple[str, ...]] = {
    "file": ("filename", "file name", "recording", "archivo"),
    "student_id": ("student id", "id", "student"),
    "take": ("attempt", "take number", "toma"),
}
RECEIVED_FIELDS: dict[str, tuple[str, ...]] = {
    "file": ("filename", "file name", "recording", "archivo"),
    "received": ("received at", "submitted", "submitted at", "handed in", "date", "time"),
}


@dataclass
class Matches:
    """The lines of matches.csv that can be used."""

    owners: dict[str, str] = field(default_factory=dict)  # file -> student_id or NOBODY
    takes: dict[str, int] = field(default_factory=dict)  # file -> which take it is
    notices: list[Problem] = field(default_factory=list)  # lines that cannot be used


class FileNames:
    """The recordings, to be found by the name a teacher wrote into a table."""

    def __init__(self, recordings: Sequence[Recording]):
        self._paths: dict[str, list[str]] = {}
        self._names: dict[str, list[str]] = {}
        for recording in recordings:
            key = _key(recording.file)
            self._paths.setdefault(key, []).append(recording.file)
            self._names.setdefault(key.rsplit("/", 1)[-1], []).append(recording.file)

    def find(self, text: str) -> list[str]:
        """The files of that path, or of that bare name: none, one or several.

        A leading apostrophe, as spreadsheets put before a text that looks like a formula, counts
        as not written where the name is not found with it.
        """
        for key in (_key(text), _key(text.removeprefix("'"))):
            for known in (self._paths, self._names):
                if key in known:
                    return known[key]
        return []

    def problem_of(self, table: Table, row: Row, files: Sequence[str]) -> Problem | None:
        """What to say of a line whose file is not there, or stands for several."""
        text = table.cell(row, "file")
        if len(files) == 1:
            return None
        if files:
            return problem(
                "file_in_several_folders",
                f"{table.where(row, 'file')}: {text!r} is the name of {len(files)} recordings.",
                f"Write it with its folder, such as {files[0]}.",
            )
        meant = yaml_files.did_you_mean(_key(text), list(self._paths)) if text else ""
        return problem(
            "no_such_file",
            f"{table.where(row, 'file')}: there is no recording {text!r} in {FOLDER}.",
            f"{meant}Correct the name, or remove the line.",
        )


def read_matches(
    class_dir: Path, recordings: Sequence[Recording], student_ids: Mapping[str, object]
) -> Matches:
    """matches.csv: file, student_id, and perhaps take; the header may be left out.

    Lines that name a file or student that is not there are told and not used. Raises TeacherError
    for what is no table, and for a file that is given to two students.
    """
    path = class_dir / "matches.csv"
    matches = Matches()
    if not path.is_file():
        return matches
    needed = (("file",), ("student_id",))
    table = read_table(path, MATCH_FIELDS, needed, bare=tuple(MATCH_FIELDS))
    names = FileNames(recordings)
    ids = {one.casefold(): one for one in student_ids}
    errors: list[Problem] = []
    for row in table.rows:
        line, wrong = _match_line(table, row)
        files = names.find(table.cell(row, "file"))
        notice = names.problem_of(table, row, files)
        if wrong or notice:
            errors += wrong
            matches.notices += [notice] if notice else []
            continue
        (file,) = files
        owner = (
            NOBODY if line["student_id"] == NOBODY else ids.get(str(line["student_id"]).casefold())
        )
        if owner is None:
            meant = yaml_files.did_you_mean(str(line["student_id"]), list(student_ids))
            matches.notices.append(
                problem(
                    "match_of_nobody",
                    f"{table.where(row, 'student_id')}: {line['student_id']!r} is not on the "
                    f"roster; {file} is nobody's for now.",
                    f"{meant}Correct the student_id, or remove the line.",
                )
            )
            owner = NOBODY
        first = matches.owners.setdefault(file, owner)
        if first != owner:
            errors.append(
                problem(
                    "match_twice",
                    f"{table.where(row)}: {file} is given to {first} and to {owner}.",
                    "Keep one of the two lines.",
                )
            )
        if line["take"]:
            matches.takes[file] = int(str(line["take"]))
    if errors:
        raise TeacherError(errors)
    return matches


def _match_line(table: Table, row: Row) -> tuple[dict[str, object], list[Problem]]:
    take = table.cell(row, "take")
    line: dict[str, object] = {
        "file": table.cell(row, "file"),
        "student_id": table.cell(row, "student_id") or NOBODY,
        "take": int(take) if take.isascii() and take.isdigit() else take or None,
    }
    return line, yaml_files.check(line, "match", table.where(row))


def read_received(
    class_dir: Path, recordings: Sequence[Recording], zone: tzinfo | None
) -> tuple[dict[str, datetime], list[Problem]]:
    """When files came in, from received.csv (file, received): file -> moment.

    `zone` stands in where a time has none. The second value tells lines that could not be used.
    Raises TeacherError when it is no table.
    """
    path = class_dir / "received.csv"
    if not path.is_file():
        return {}, []
    table = read_table(path, RECEIVED_FIELDS, (("file",), ("received",)))
    names = FileNames(recordings)
    received: dict[str, datetime] = {}
    notices: list[Problem] = []
    for row in table.rows:
        text = table.cell(row, "received")
        moment = times.read_moment(text, zone or times.UTC)
        files = names.find(table.cell(row, "file"))
        notice = names.problem_of(table, row, files)
        if notice is None and moment is None:
            notice = problem(
                "bad_received",
                f"{table.where(row, 'received')}: {text!r} is no date and time.",
                "Write it like 2026-03-06 18:00 +01:00.",
            )
        if notice:
            notices.append(notice)
        elif moment:
            received[files[0]] = moment
    return received, notices


def _key(file: str) -> str:
    text = clean_cell(file).replace("\\", "/").removeprefix("./")
    return text.removeprefix(f"{FOLDER}/").casefold()
