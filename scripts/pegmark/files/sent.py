"""sent.csv in the class folder: which sheet went out to whom, so that none goes out twice."""

from __future__ import annotations

import csv
import hashlib
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

SENT_NAME = "sent.csv"
UNSURE = "unsure "  # before the time of a letter that may have gone out
SENT_COLUMNS = ("student_id", "sheet_sha256", "sent_at")


def read_sent(class_dir: Path) -> set[tuple[str, str]]:
    """(student_id, SHA-256 of the sheet) of everything that went out; lines cut short are none."""
    path = class_dir / SENT_NAME
    if not path.is_file():
        return set()
    with open(path, newline="", encoding="utf-8-sig") as stream:
        rows = list(csv.DictReader(stream))
    return {
        (row["student_id"], row["sheet_sha256"])
        for row in rows
        if row.get("sent_at") and row.get("student_id") and len(row["sheet_sha256"] or "") == 64
    }


def sheet_digest(pdf: bytes) -> str:
    """How sent.csv knows a sheet."""
    return hashlib.sha256(pdf).hexdigest()


def add_sent(class_dir: Path, student_id: str, digest: str, how: str = "") -> None:
    """Write down that a sheet went out; on the disk when this returns."""
    path = class_dir / SENT_NAME
    new = not path.exists()
    with open(path, "a", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerows(_lines(new, student_id, digest, how))
        stream.flush()
        os.fsync(stream.fileno())


def _lines(new: bool, student_id: str, digest: str, how: str) -> Iterator[tuple[str, ...]]:
    if new:
        yield SENT_COLUMNS
    yield student_id, digest, how + datetime.now(UTC).isoformat(timespec="seconds")
