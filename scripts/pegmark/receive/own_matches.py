"""matches.csv, matches-2.csv ...: whose a file is, in the teacher's own words.

Read line by line, so that every line the program offers can be pasted as it is: with commas into
a file of semicolons, with a third cell under two headers, without a header, or as one cell of a
spreadsheet, which then stands in quotes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

from pegmark.files import yaml_files
from pegmark.files.code_pages import decode_text
from pegmark.files.recordings import Recording
from pegmark.files.tables import (
    DELIMITERS,
    TABLE_MAX_BYTES,
    Row,
    Table,
    csv_line,
    find_columns,
    split_line,
)
from pegmark.receive.teacher_files import FileNames, numbered_files
from pegmark.records.problems import Problem, TeacherError, problem

NOBODY = "-"  # the student_id of a file that is no student's

MATCHES_FIELDS: dict[str, tuple[str, ...]] = {
    "file": ("filename", "file name", "recording", "archivo", "datei", "fichier", "bestand"),
    "student_id": ("student id", "id", "student"),
    "take": ("attempt", "take number", "toma"),
}
Cells = tuple[str, ...]


@dataclass
class Matches:
    """The lines of matches*.csv that can be used."""

    owners: dict[str, str] = field(default_factory=dict)  # file -> student_id or NOBODY
    takes: dict[str, int] = field(default_factory=dict)  # file -> which take it is
    notices: list[Problem] = field(default_factory=list)  # lines that cannot be used


def offered_line(file: str, student_id: str, take: int | None = None) -> str:
    """A line for matches.csv, to be pasted as it is."""
    return csv_line([file, student_id, *([str(take)] if take else [])])


def read_matches(
    class_dir: Path, recordings: Sequence[Recording], student_ids: Mapping[str, object]
) -> Matches:
    """Every matches*.csv: file, student_id, and perhaps take; the header may be left out.

    Lines that name a file or student that is not there are told and not used. Raises TeacherError
    for what is no table, and for a file that is given to two students.
    """
    matches = Matches()
    names = FileNames(recordings)
    ids = {one.casefold(): one for one in student_ids}
    errors = []
    for path in numbered_files(class_dir, "matches", ("csv",)):
        table = _read_lines(path, names, ids)
        errors += [p for row in table.rows for p in _take_line(matches, table, row, names, ids)]
    if errors:
        raise TeacherError(errors)
    return matches


def _take_line(
    matches: Matches, table: Table, row: Row, names: FileNames, ids: Mapping[str, str]
) -> list[Problem]:
    """Use one line; what stops the class is returned."""
    line, wrong = _match_line(table, row)
    files = names.find(table.cell(row, "file"))
    notice = names.problem_of(table, row, files)
    if wrong or notice:
        matches.notices += [notice] if notice else []
        return wrong
    (file,) = files
    owner = _owner(matches, table, row, file, ids)
    if line["take"]:
        matches.takes[file] = int(str(line["take"]))
    first = matches.owners.setdefault(file, owner)
    if first == owner:
        return []
    return [
        problem(
            "match_twice",
            f"{table.where(row)}: {file} is given to {first} and to {owner}.",
            "Keep one of the two lines.",
        )
    ]


def _owner(matches: Matches, table: Table, row: Row, file: str, ids: Mapping[str, str]) -> str:
    """The student of a line; `NOBODY` where the roster has no such student, which is told."""
    said = table.cell(row, "student_id") or NOBODY
    if said == NOBODY:
        return NOBODY
    if said.casefold() in ids:
        return ids[said.casefold()]
    meant = yaml_files.did_you_mean(said, list(ids.values()))
    matches.notices.append(
        problem(
            "match_of_nobody",
            f"{table.where(row, 'student_id')}: {said!r} is not on the roster, so {file} is "
            "not matched yet.",
            f"{meant}Correct the student_id, or remove the line.",
        )
    )
    return NOBODY


def _match_line(table: Table, row: Row) -> tuple[dict[str, object], list[Problem]]:
    take = table.cell(row, "take")
    line: dict[str, object] = {
        "file": table.cell(row, "file"),
        "student_id": table.cell(row, "student_id") or NOBODY,
        "take": int(take) if take.isascii() and take.isdigit() else take or None,
    }
    return line, yaml_files.check(line, "match", table.where(row))


# -- lines in any form ---------------------------------------------------------------------------


def _read_lines(path: Path, names: FileNames, ids: Mapping[str, str]) -> Table:
    """The lines as rows of file, student_id, take, each read in the form that makes sense of it."""
    content = path.read_bytes()
    text, encoding = decode_text(content[: TABLE_MAX_BYTES + 1])
    if len(content) > TABLE_MAX_BYTES or "\0" in text or content.startswith(b"PK"):
        raise TeacherError([_no_table(path, "not a text of lines")])
    header: dict[str, int] = {}
    rows: list[Row] = []
    form = ","
    for number, line in enumerate(text.splitlines(), start=1):
        forms = _forms(line, form)
        if not any(forms[0]):
            continue
        found = (find_columns(cells, MATCHES_FIELDS) for cells in forms) if not rows else ()
        columns = next((one for one in found if {"file", "student_id"} <= set(one)), None)
        if columns:
            header, rows = columns, []
            form = next(d for d in DELIMITERS if len(split_line(line, d)) > 1)
            continue
        rows.append(Row(number, _best(forms, header, names, ids)))
    if rows and not any(row.cells[1] for row in rows):
        raise TeacherError([_no_table(path, "no line has a file and a student_id")])
    fields = tuple(MATCHES_FIELDS)
    places = {name: place for place, name in enumerate(fields)}
    return Table(path.name, fields, places, tuple(rows), f"{DELIMITERS[form]}, {encoding}")


def _forms(line: str, first: str) -> list[Cells]:
    """A line read with every separator, the file's own first, and a lone cell read once more."""
    order = [first, *(one for one in DELIMITERS if one != first)]
    forms = [split_line(line, one) for one in order]
    alone = [next(filter(None, cells)) for cells in forms if sum(map(bool, cells)) == 1]
    return [*forms, *chain.from_iterable([split_line(cell, d) for d in order] for cell in alone)]


def _best(
    forms: Iterable[Cells], header: Mapping[str, int], names: FileNames, ids: Mapping[str, str]
) -> Cells:
    """The reading, as (file, student_id, take), that names a student and a file."""
    ordered = [
        reading for cells in forms for reading in (_in_order(cells, header), _in_order(cells, {}))
    ]

    def sense(cells: Cells) -> int:
        known = cells[1] == NOBODY or cells[1].casefold() in ids
        return 2 * known + 1 * bool(names.find(cells[0]))

    return max(ordered, key=sense)  # of equals the first: the file's own form


def _in_order(cells: Cells, header: Mapping[str, int]) -> Cells:
    places = {name: place for place, name in enumerate(MATCHES_FIELDS)} | dict(header)
    third = cells[2] if len(cells) > 2 else ""
    if header and "take" not in header and not third.isdigit():  # a column of the teacher's own
        places["take"] = len(cells)
    return tuple(cells[p] if (p := places[name]) < len(cells) else "" for name in MATCHES_FIELDS)


def _no_table(path: Path, why: str) -> Problem:
    return problem(
        "not_a_table",
        f"{path.name}: cannot be read as a table ({why}).",
        "Write a line for each file: its name, a comma, the student_id.",
    )
