"""Taking one student's lines out of a teacher's table: every other byte of it stays as it was."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from pegmark.files.code_pages import decode_text
from pegmark.files.store import write_bytes
from pegmark.files.tables import DELIMITERS, clean_cell, find_columns
from pegmark.receive.submissions import FOLDER

OWNER_FIELDS: dict[str, tuple[str, ...]] = {
    "file": ("filename", "file name", "recording", "archivo", "datei", "fichier", "bestand"),
    "student_id": ("student id", "id", "student"),
}
OWNER_ORDER = {"file": 0, "student_id": 1}  # of a matches.csv without a header
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_WIDE = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


@dataclass(frozen=True)
class Theirs:
    """How the lines of a student are known: by the id, or by one of the files."""

    student_id: str
    files: Collection[str]  # paths below submissions/, and names that only this student's have

    def is_id(self, cell: str) -> bool:
        """Whether a cell of ids is this student's."""
        return cell.casefold() == self.student_id.casefold()

    def is_file(self, cell: str) -> bool:
        """Whether a cell of files is one of this student's."""
        return _plain(cell) in {_plain(file) for file in self.files}


def cut_lines(path: Path, whose: Theirs) -> int:
    """Remove the lines of a student from a table of files or ids; how many there were."""
    header: dict[str, dict[str, int]] = {}  # separator -> field -> column

    def mine(_: int, record: str) -> bool:
        for delimiter in DELIMITERS:
            known = find_columns(_cells(record, delimiter), OWNER_FIELDS)
            if known and delimiter not in header:
                header[delimiter] = known
        places = next(iter(header.values()), OWNER_ORDER)
        return any(_has(cells, places, whose) for cells in _readings(record))

    return _cut(path, mine)


def cut_numbered(path: Path, lines: Collection[int]) -> int:
    """Remove the rows that begin at these lines, counted from 1; how many there were."""
    return _cut(path, lambda number, _: number in lines)


def _cut(path: Path, mine: Callable[[int, str], bool]) -> int:
    content = path.read_bytes()
    encoding = _WIDE.get(content[:2], "latin-1")  # the latter: a letter for each byte
    kept, cut = [], 0
    for number, record in _records(content.decode(encoding)):
        if mine(number, _readable(record, encoding)):
            cut += 1
        else:
            kept.append(record)
    if cut:
        mode = path.stat().st_mode
        write_bytes(path, "".join(kept).encode(encoding))
        path.chmod(mode)
    return cut


def _records(text: str) -> Iterator[tuple[int, str]]:
    """(number of its first line, text with its line end) of each row, by RFC 4180: a row goes on
    over the line while a quotation mark is open."""
    lines = _LINE.findall(text)
    start = 0
    for end in range(1, len(lines) + 1):
        row = "".join(lines[start:end])
        if row.count('"') % 2 == 0:
            yield start + 1, row
            start = end
    for number in range(start, len(lines)):  # a mark that is never closed is a text
        yield number + 1, lines[number]


def _readable(record: str, encoding: str) -> str:
    text = decode_text(record.encode("latin-1"))[0] if encoding == "latin-1" else record
    return text.lstrip("\ufeff").rstrip("\r\n")


def _readings(record: str) -> Iterator[tuple[str, ...]]:
    """A row's cells by every separator; a lone cell, as of a pasted line, is read once more."""
    forms = [_cells(record, one) for one in DELIMITERS]
    alone = [next(filter(None, cells)) for cells in forms if sum(map(bool, cells)) == 1]
    return chain(forms, (_cells(cell, one) for cell in alone for one in DELIMITERS))


def _cells(record: str, delimiter: str) -> tuple[str, ...]:
    row = next(csv.reader(io.StringIO(record, newline=""), delimiter=delimiter), [])
    return tuple(map(clean_cell, row))


def _has(cells: tuple[str, ...], places: dict[str, int], whose: Theirs) -> bool:
    asked = {"file": whose.is_file, "student_id": whose.is_id}
    in_header = any(at < len(cells) and asked[name](cells[at]) for name, at in places.items())
    pasted = len(cells) in (2, 3) and (whose.is_file(cells[0]) and whose.is_id(cells[1]))
    return in_header or pasted


def _plain(file: str) -> str:
    text = file.removeprefix("'").replace("\\", "/").removeprefix("./")
    return text.removeprefix(f"{FOLDER}/").casefold()
