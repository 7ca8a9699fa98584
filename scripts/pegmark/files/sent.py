"""sent.csv in the class folder: which sheet went out to whom, so that none goes out twice."""

from __future__ import annotations

import csv
import hashlib
import io
import os
from datetime import UTC, datetime
from pathlib import Path

from pegmark.files.tables import DELIMITERS, read_table
from pegmark.records.problems import TeacherError, problem

SENT_NAME = "sent.csv"
UNSURE = "unsure "  # before the time of a letter that may have gone out
LINE_END = "\r\n"
SENT_COLUMNS = ("student_id", "sheet_sha256", "sent_at")


def read_sent(class_dir: Path) -> set[tuple[str, str]]:
    """(student_id, SHA-256 of the sheet) of everything that went out; lines cut short are none.

    Raises TeacherError where the file is there and cannot be read: then nobody knows what went out.
    """
    path = class_dir / SENT_NAME
    if not path.is_file() or not path.stat().st_size:
        return set()
    table = read_table(path, dict.fromkeys(SENT_COLUMNS, ()), [(name,) for name in SENT_COLUMNS])
    if "UTF-16" in table.form:  # no line of ours can follow
        raise TeacherError(
            [
                problem(
                    "bad_sent", f"{SENT_NAME} was saved as UTF-16.", "Save it again as CSV (UTF-8)."
                )
            ]
        )
    rows = (tuple(table.cell(row, name) for name in SENT_COLUMNS) for row in table.rows)
    return {(student, sheet) for student, sheet, at in rows if student and at and len(sheet) == 64}


def sheet_digest(pdf: bytes) -> str:
    """How sent.csv knows a sheet."""
    return hashlib.sha256(pdf).hexdigest()


class Attempt:
    """One letter on its way: written down as unsure before its last line goes, so that whatever
    happens then (a drop, a kill, the power) it is not sent twice; settled when the answer is there.
    """

    def __init__(self, class_dir: Path, student_id: str, digest: str):
        self._path = class_dir / SENT_NAME
        self._letter = (student_id, digest)
        self._before: int | None = None  # size of the file without this letter's line

    def begin(self) -> None:
        """The last line goes now; on the disk when this returns."""
        self._before = self._path.stat().st_size if self._path.exists() else 0
        self._write(self._before, UNSURE)

    def went_out(self) -> None:
        """The server has taken it."""
        self._write(self._before or 0, "")

    def did_not(self) -> None:
        """It surely did not go out."""
        if self._before is not None:
            with open(self._path, "r+b") as stream:
                stream.truncate(self._before)

    def _write(self, start: int, how: str) -> None:
        now = how + datetime.now(UTC).isoformat(timespec="seconds")
        with open(self._path, "r+b" if self._path.exists() else "w+b") as stream:
            stream.seek(start - 1 if start else 0)
            ended = not start or stream.read(1) in b"\r\n"  # a line may have been cut short
            stream.seek(start)
            rows = [*([] if start else [SENT_COLUMNS]), (*self._letter, now)]
            text = io.StringIO()
            csv.writer(text, delimiter=self._separator() if start else ",").writerows(rows)
            stream.write(f"{'' if ended else LINE_END}{text.getvalue()}".encode())
            stream.truncate()
            stream.flush()
            os.fsync(stream.fileno())

    def _separator(self) -> str:
        """What parts the cells: a spreadsheet may have saved the file with its own."""
        with open(self._path, encoding="utf-8", errors="replace") as stream:
            first = stream.readline()
        return next((one for one in DELIMITERS if one in first), ",")
