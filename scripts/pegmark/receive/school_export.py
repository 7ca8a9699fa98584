"""A class from the school's own export by the open roster standard: OneRoster 1.2, CSV, bulk.

Read from a folder ``oneroster/`` or a ``oneroster*.zip`` in the class folder: users.csv,
classes.csv and enrollments.csv (columns from memory of the standard's CSV tables). What the
standard does not know, instrument and section, stands in a small table beside it, instruments.csv
(student_id, instrument, section); who is missing there is told.
"""

from __future__ import annotations

import csv
import re
import tempfile
import zipfile
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from pegmark.files.tables import Row, Table, clean_cell, read_table
from pegmark.receive.archives import MAX_RATIO
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.words.file_names import listed

NAMES = ("users", "classes", "enrollments")
MAX_TABLE = 50_000_000  # bytes of one table: a school of 3,000 has 1 MB of users
USERS: dict[str, tuple[str, ...]] = dict.fromkeys(
    (
        *("sourcedId", "status", "username", "givenName", "familyName", "middleName"),
        *("identifier", "email", "preferredGivenName"),
    ),
    (),
)
CLASSES: dict[str, tuple[str, ...]] = dict.fromkeys(
    ("sourcedId", "status", "title", "schoolSourcedId", "termSourcedIds"), ()
)
ENROLLMENTS: dict[str, tuple[str, ...]] = dict.fromkeys(
    ("sourcedId", "status", "classSourcedId", "userSourcedId", "role"), ()
)
SIDE = {"student_id": ("id", "sourcedid", "username"), "instrument": (), "section": ()}
SIDE_TABLE = "instruments.csv"
HEADER = (
    *("student_id", "family_name", "given_name", "given_name_2", "nickname", "email"),
    *("instrument", "section", "sourced_id", "class_sourced_id", "school_sourced_id"),
    "academic_session_sourced_id",
)
OURS = HEADER[:8]
GONE = "tobedeleted"  # the standard's word in `status`
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")

Records = list[dict[str, str]]


def find_export(class_dir: Path) -> Path | None:
    """The school's export in a class folder, if there is exactly one."""
    found = [
        path
        for path in sorted(class_dir.iterdir())
        if re.fullmatch(r"oneroster.*\.zip", path.name, re.IGNORECASE)
        or (path.name.lower() == "oneroster" and path.is_dir())
    ]
    return found[0] if len(found) == 1 else None


def read_export(class_dir: Path, export: Path, wanted: str | None) -> Table:
    """The students of one class as a roster.

    Parameters
    ----------
    wanted : sourcedId or title of the class, where the export holds several

    Raises TeacherError: tables missing or broken, no such class, students without an instrument.
    """
    with _opened(export) as folder:
        users, classes, enrollments = (
            _records(folder / f"{name}.csv", fields)
            for name, fields in zip(NAMES, (USERS, CLASSES, ENROLLMENTS), strict=True)
        )
    enrolled = [one for one in enrollments if one["role"].lower() == "student"]
    chosen = _choose(export, classes, enrolled, wanted)
    mine = {
        one["userSourcedId"] for one in enrolled if one["classSourcedId"] == chosen["sourcedId"]
    }
    side = _side_table(class_dir)
    rows = [_row(user, chosen, side) for user in users if user["sourcedId"] in mine]
    lacking = [f"{row[2]} {row[1]} ({row[0]})" for row in rows if not row[6]]
    if lacking:
        raise TeacherError([_no_instruments(lacking)])
    places = {name: HEADER.index(name) for name in OURS}
    extra = tuple(range(len(OURS), len(HEADER)))
    form = f"OneRoster, class {chosen['title'] or chosen['sourcedId']}"
    numbered = tuple(Row(number, cells) for number, cells in enumerate(rows, start=1))
    return Table(export.name, HEADER, places, numbered, form, "student", extra)


def _row(
    user: Mapping[str, str], chosen: Mapping[str, str], side: Mapping[str, Mapping[str, str]]
) -> tuple[str, ...]:
    keys = (user["identifier"], user["username"], user["sourcedId"])
    student_id = next((key for key in keys if _ID.fullmatch(key)), user["sourcedId"])
    beside = next((side[key.casefold()] for key in keys if key.casefold() in side), {})
    return (
        *(student_id, user["familyName"], user["givenName"], user["middleName"]),
        *(user["preferredGivenName"], user["email"], beside.get("instrument", "")),
        beside.get("section") or chosen["title"],
        *(user["sourcedId"], chosen["sourcedId"], chosen["schoolSourcedId"]),
        chosen["termSourcedIds"].split(",")[0].strip(),
    )


def _choose(
    export: Path, classes: Records, enrolled: Records, wanted: str | None
) -> dict[str, str]:
    taught = {one["classSourcedId"] for one in enrolled}
    held = [one for one in classes if one["sourcedId"] in taught]
    fit = [one for one in held if wanted in (None, one["sourcedId"], one["title"])]
    if len(fit) == 1:
        return fit[0]
    names = listed([f"{one['title']} ({one['sourcedId']})" for one in held]) or "none"
    raise TeacherError(
        [
            problem(
                "which_class",
                f"{export.name}: classes with students are: {names}.",
                "Say which one in assignment.yaml, by its sourcedId: oneroster_class: ...",
            )
        ]
    )


def _side_table(class_dir: Path) -> dict[str, dict[str, str]]:
    path = class_dir / SIDE_TABLE
    if not path.is_file():
        return {}
    table = read_table(path, SIDE, (("student_id",), ("instrument",)))
    return {
        table.cell(row, "student_id").casefold(): {
            name: table.cell(row, name) for name in ("instrument", "section")
        }
        for row in table.rows
    }


def _no_instruments(lacking: list[str]) -> Problem:
    return problem(
        "no_instruments",
        f"{SIDE_TABLE} gives no instrument for {len(lacking)} "
        f"student{'' if len(lacking) == 1 else 's'}: {listed(lacking)}.",
        f"Give {SIDE_TABLE} the columns student_id, instrument and section, and a row for each.",
    )


def _records(path: Path, fields: Mapping[str, tuple[str, ...]]) -> Records:
    """The rows of one table of the standard that are not to be deleted."""
    if not path.is_file():
        raise TeacherError(
            [
                problem(
                    "no_table",
                    f"The school's export has no {path.name}.",
                    "Ask for a bulk export with users.csv, classes.csv and enrollments.csv.",
                )
            ]
        )
    needed = [name for name in fields if name.endswith("ourcedId")]
    rows = _plain_rows(path, fields, needed)
    if rows is None:  # a spreadsheet has saved it in its own way
        table = read_table(path, fields, [(name,) for name in needed])
        rows = [{name: table.cell(row, name) for name in fields} for row in table.rows]
    return [row for row in rows if row["status"].lower() != GONE]


def _plain_rows(path: Path, fields: Iterable[str], needed: Collection[str]) -> Records | None:
    """The rows of a table as the standard writes it (RFC 4180, UTF-8), also of a whole district;
    None where it is no such table."""
    if path.stat().st_size > MAX_TABLE:
        return None
    try:
        with open(path, newline="", encoding="utf-8-sig") as stream:
            reader = csv.reader(stream, strict=True)
            places = {name: at for at, name in enumerate(next(reader, ()))}
            if not set(needed) <= places.keys():
                return None
            known = [(name, places.get(name, MAX_TABLE)) for name in fields]
            return [
                {n: clean_cell(row[at]) if at < len(row) else "" for n, at in known}
                for row in reader
                if any(row)
            ]
    except (csv.Error, UnicodeError):
        return None


@contextmanager
def _opened(export: Path) -> Iterator[Path]:
    """A folder with the three tables; of an archive only these are unpacked, and with bounds."""
    if export.is_dir():
        yield export
        return
    with tempfile.TemporaryDirectory() as folder:
        try:
            with zipfile.ZipFile(export) as archive:
                for info in archive.infolist():
                    name = info.filename.replace("\\", "/").rpartition("/")[2]
                    if name in {f"{one}.csv" for one in NAMES}:
                        bound = min(MAX_TABLE, MAX_RATIO * max(info.compress_size, 1))
                        with archive.open(info) as source:
                            content = source.read(bound + 1)
                        if len(content) > bound:
                            raise ValueError("it unpacks to far too much")
                        Path(folder, name).write_bytes(content)
        except (zipfile.BadZipFile, ValueError, OSError, RuntimeError, EOFError) as error:
            raise TeacherError(
                [
                    problem(
                        "bad_export",
                        f"{export.name} cannot be unpacked ({error}).",
                        "Download it again, or unpack it into a folder named oneroster.",
                    )
                ]
            ) from error
        yield Path(folder)
