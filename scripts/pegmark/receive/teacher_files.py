"""What the teacher says about files by their names, and when they came (received.csv)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, tzinfo
from pathlib import Path

from pegmark.files import yaml_files
from pegmark.files.recordings import Recording
from pegmark.files.tables import Row, Table, clean_cell, read_table
from pegmark.receive.submissions import FOLDER
from pegmark.records.problems import Problem, problem
from pegmark.words import times

RECEIVED_FIELDS: dict[str, tuple[str, ...]] = {
    "file": ("filename", "file name", "recording", "archivo"),
    "received": ("received at", "submitted", "submitted at", "handed in", "date", "time"),
}


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
                f"{table.where(row, 'received')}: {text!r} is not a date and time.",
                "Write it like 2026-03-06 18:00 +01:00.",
            )
        if notice:
            notices.append(notice)
        elif moment:
            received[files[0]] = moment
    return received, notices


def numbered_files(class_dir: Path, name: str, suffixes: Sequence[str]) -> list[Path]:
    """marks.csv, marks (1).csv, marks-2.csv, marks-10.csv ... in the order of their numbers."""
    wanted = re.compile(rf"{name}.*\.(?:{'|'.join(suffixes)})", re.IGNORECASE)
    found = (p for p in class_dir.iterdir() if wanted.fullmatch(p.name) and p.is_file())
    return sorted(found, key=_natural)


def _natural(path: Path) -> list[tuple[int, int, str]]:
    """marks.csv before marks 2.csv before marks 10.csv."""
    parts = re.findall(r"\d+|\D+", path.stem.lower())
    return [(1, int(p), "") if p.isdigit() else (0, 0, p) for p in parts]


def _key(file: str) -> str:
    text = clean_cell(file).replace("\\", "/").removeprefix("./")
    return text.removeprefix(f"{FOLDER}/").casefold()
