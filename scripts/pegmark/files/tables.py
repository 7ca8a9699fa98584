"""Tables as teachers have them: CSV in any of the usual forms, or a sheet of a workbook.

RFC 4180 with the liberties spreadsheets take: semicolons, tabs or bars for commas, UTF-8 or
UTF-16 with or without a mark, Windows and Mac code pages, a title above the header, blank lines,
``sep=;``, and ``="007"`` for a number that must stay a text. Cells are data and nothing else: a
formula stays the text it is.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pegmark.files.code_pages import decode_text
from pegmark.files.workbooks import TooLarge, read_pages
from pegmark.files.yaml_files import did_you_mean
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.trade.instruments import fold

TABLE_MAX_BYTES = 10_000_000  # a roster of 150 students is 20 kB
MAX_ROWS = 20_000
MAX_CELL = 2_000  # characters
MAX_COLUMNS = 200
HEADER_WITHIN = 20  # rows: a title or two may stand above the header

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True)
class Row:
    """One row: its line (CSV) or row number (workbook), counted from 1, and all its cells."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A table whose header has been understood."""

    name: str
    header: tuple[str, ...]
    columns: Mapping[str, int]  # our field -> column
    rows: tuple[Row, ...]
    form: str  # "commas, UTF-8"
    unit: str = "line"
    extra: tuple[int, ...] = field(default=())  # columns that are none of our fields

    def cell(self, row: Row, name: str) -> str:
        """The cell of one of our fields, "" where the table has no such column."""
        column = self.columns.get(name)
        return "" if column is None else row.cells[column]

    def where(self, row: Row, name: str = "") -> str:
        """'roster.csv, line 4, Last name', for messages; `name` is one of our fields."""
        column = self.columns.get(name)
        heading = "" if column is None else f", {self.header[column] or name}"
        return f"{self.name}, {self.unit} {row.line}{heading}"


def read_table(
    path: Path,
    fields: Mapping[str, Sequence[str]],
    needed: Sequence[Sequence[str]],
    mapped: Mapping[str, str] | None = None,
    bare: Sequence[str] = (),
) -> Table:
    """A table with the columns that `fields` names.

    Parameters
    ----------
    fields : our field -> the headers it may have, the surest first (compared by `fold`)
    needed : each entry lists fields of which at least one must be there
    mapped : header -> field, as the teacher has set it; stands over `fields`
    bare : the fields of a table that may also come without a header, in this order

    Raises TeacherError: unreadable, not a table, no header, columns missing, ragged rows.
    """
    mapped = {_key(header): name for header, name in (mapped or {}).items()}
    keyed = {name: [_key(alias) for alias in (name, *many)] for name, many in fields.items()}
    sheets = _read_sheets(path)
    best: tuple[tuple[int, int], _Sheet, int, dict[str, int]] | None = None
    for sheet in sheets:
        for index, (_, cells) in enumerate(sheet.rows[:HEADER_WITHIN]):
            columns = _columns(cells, keyed, mapped)
            score = (len(columns), -index)
            if bare and not all(any(one in columns for one in choice) for choice in needed):
                continue
            if columns and (best is None or score > best[0]):
                best = (score, sheet, index, columns)
    if best is None and bare:
        return _bare_table(path.name, sheets, bare)
    if best is None:
        broken = [p for sheet in sheets if (p := sheet.broken)]
        if broken and not any(sheet.rows for sheet in sheets):
            raise TeacherError(broken[:1])
        expected = ", ".join(fields)
        raise TeacherError(
            [
                problem(
                    "no_header",
                    f"{path.name}: no row with column headers was found.",
                    f"Put a first row with headers above the data: {expected}.",
                )
            ]
        )
    _, sheet, index, columns = best
    if sheet.broken:
        raise TeacherError([sheet.broken])
    header = sheet.rows[index][1]
    _check_columns(path.name, header, columns, fields, needed, mapped)
    return _table(path.name, sheet, index, columns)


def split_line(line: str, delimiter: str) -> tuple[str, ...]:
    """One line of CSV as clean cells; quotes that are not closed as they should be are texts."""
    return tuple(map(clean_cell, next(csv.reader([line], delimiter=delimiter), [])))


def find_columns(cells: Sequence[str], fields: Mapping[str, Sequence[str]]) -> dict[str, int]:
    """Our field -> column, for cells that may be a header."""
    keyed = {name: [_key(alias) for alias in (name, *many)] for name, many in fields.items()}
    return _columns(cells, keyed, {})


def clean_cell(value: Any) -> str:
    """A cell as plain text: one line, single spaces, no control or invisible characters, NFC."""
    text = str(value)[: MAX_CELL + 1]
    if text.isascii() and text.isprintable() and not text.startswith("="):  # most cells are
        return " ".join(text.split())
    if match := re.fullmatch(r'="(.*)"', text):
        text = match[1]
    text = "".join(
        " " if char.isspace() or unicodedata.category(char) == "Cc" else char
        for char in unicodedata.normalize("NFC", text)
        if unicodedata.category(char) not in ("Cf", "Cs", "Co", "Cn")
    )
    return " ".join(text.split())


def csv_line(cells: Iterable[str]) -> str:
    """Cells as one CSV line, quoted by RFC 4180, without the line end."""
    out = io.StringIO()
    csv.writer(out).writerow(list(cells))
    return out.getvalue().removesuffix("\r\n")


@dataclass
class _Sheet:
    """Rows that are not blank, with their line numbers."""

    rows: list[tuple[int, list[str]]]
    form: str
    unit: str = "line"
    broken: Problem | None = None


def _read_sheets(path: Path) -> list[_Sheet]:
    try:
        size = path.stat().st_size
        if size > TABLE_MAX_BYTES:
            raise TeacherError([_not_table(path, f"larger than {TABLE_MAX_BYTES // 1_000_000} MB")])
        content = path.read_bytes()
    except OSError as error:
        raise TeacherError([_not_table(path, error.strerror or str(error))]) from error
    if content.startswith(b"PK"):
        return _workbook(path)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise TeacherError([_not_table(path, "an old .xls workbook or a locked one")])
    text, encoding = decode_text(content)
    if "\0" in text:
        raise TeacherError([_not_table(path, "not a text")])
    first, _, rest = text.partition("\n")
    named = re.fullmatch(r'"?sep=(.)"?\s*', first)
    if named:
        text = "\n" + rest
    return [
        _csv_sheet(path, text, delimiter, f"{spoken}, {encoding}")
        for delimiter, spoken in DELIMITERS.items()
        if not named or named[1] == delimiter
    ]


def _csv_sheet(path: Path, text: str, delimiter: str, form: str) -> _Sheet:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    sheet = _Sheet([], form)
    line = 1
    try:
        for cells in reader:
            cleaned = [clean_cell(cell) for cell in cells[:MAX_COLUMNS]]
            if any(cleaned):
                sheet.rows.append((line, cleaned))
            line = reader.line_num + 1
            if len(sheet.rows) > MAX_ROWS:
                sheet.broken = _not_table(path, f"more than {MAX_ROWS} rows")
                break
    except csv.Error as error:
        sheet.broken = problem(
            "not_a_table",
            f"{path.name}, line {line}: a quotation mark is opened and not closed as it should "
            f"be ({error}).",
            'Put " only around whole cells, and write "" for one inside a cell.',
        )
    return sheet


def _workbook(path: Path) -> list[_Sheet]:
    """The sheets of a workbook that hold anything."""
    try:
        return [_page(path, title, rows) for title, rows in read_pages(path, MAX_COLUMNS)]
    except TeacherError:
        raise
    except TooLarge as error:
        raise TeacherError([_not_table(path, "too large when unpacked")]) from error
    except Exception as error:  # the readers raise whatever their XML and zip readers raise
        raise TeacherError([_not_table(path, "not a workbook that can be opened")]) from error


def _page(path: Path, title: str, rows: Iterable[Sequence[Any]]) -> _Sheet:
    kept = []
    for number, values in enumerate(rows, start=1):
        cells = [_text(value) for value in values]
        if any(cells):
            kept.append((number, cells))
        if number > MAX_ROWS:
            raise TeacherError([_not_table(path, f"more than {MAX_ROWS} rows")])
    return _Sheet(kept, f"workbook, sheet {title!r}", "row")


def _text(value: Any) -> str:
    """A workbook's value as the text a teacher sees: 1012 and not 1012.0, dates year first."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return clean_cell(value)


def _columns(
    cells: Sequence[str], fields: Mapping[str, Sequence[str]], mapped: Mapping[str, str]
) -> dict[str, int]:
    """Our field -> column, for a row read as a header."""
    keys = [_key(cell) for cell in cells]
    columns = {mapped[key]: index for index, key in enumerate(keys) if key in mapped}
    for name, aliases in fields.items():
        for key in aliases:
            if name in columns or key not in keys:
                continue
            index = keys.index(key)
            if index not in columns.values():
                columns[name] = index
    return columns


def _check_columns(
    name: str,
    header: Sequence[str],
    columns: Mapping[str, int],
    fields: Mapping[str, Sequence[str]],
    needed: Sequence[Sequence[str]],
    mapped: Mapping[str, str],
) -> None:
    problems = []
    shown = ", ".join(cell for cell in header if cell)
    for choice in needed:
        if not any(one in columns for one in choice):
            spare = [c for i, c in enumerate(header) if c and i not in columns.values()]
            near = next((text for one in choice if (text := did_you_mean(one, spare))), "")
            problems.append(
                problem(
                    "no_column",
                    f"{name}: there is no column {choice[0]} (the headers are: {shown}).",
                    f"{near}Rename a header to {choice[0]}.",
                )
            )
    keys = [_key(cell) for cell in header]
    for key, one in mapped.items():
        if key not in keys:
            problems.append(
                problem(
                    "no_column",
                    f"{name}: roster_columns maps {key!r} to {one}, but there is no such header "
                    f"(the headers are: {shown}).",
                    "Correct roster_columns in assignment.yaml.",
                )
            )
    twice = {header[i] for i, key in enumerate(keys) if key and keys.index(key) != i}
    for cell in sorted(twice):
        index = keys.index(_key(cell))
        if index in columns.values():
            problems.append(
                problem(
                    "column_twice",
                    f"{name}: the header {cell!r} appears twice.",
                    "Rename or remove one of the two columns.",
                )
            )
    if problems:
        raise TeacherError(problems)


def _bare_table(name: str, sheets: list[_Sheet], fields: Sequence[str]) -> Table:
    """A table without a header: the form in which most of its rows have cells enough."""

    def fit(sheet: _Sheet) -> int:
        return sum(1 < len(cells) <= len(fields) for _, cells in sheet.rows)

    sheet = max(sheets, key=fit)
    if sheet.broken:
        raise TeacherError([sheet.broken])
    headed = _Sheet([(0, list(fields)), *sheet.rows], sheet.form, sheet.unit)
    return _table(name, headed, 0, {one: place for place, one in enumerate(fields)})


def _table(name: str, sheet: _Sheet, index: int, columns: dict[str, int]) -> Table:
    header = sheet.rows[index][1]
    width = len(header)
    rows, problems = [], []
    for line, cells in sheet.rows[index + 1 :]:
        if any(cells[width:]):
            problems.append(
                problem(
                    "ragged_row",
                    f"{name}, {sheet.unit} {line}: {len(cells)} cells under {width} headers.",
                    'Put "quotes" around a cell that holds a separator.',
                )
            )
        if any(len(cell) > MAX_CELL for cell in cells):
            problems.append(
                problem(
                    "long_cell",
                    f"{name}, {sheet.unit} {line}: a cell has more than {MAX_CELL} characters.",
                    "Shorten it.",
                )
            )
        padded = [*cells[:width], *[""] * (width - len(cells))]
        rows.append(Row(line, tuple(padded)))
    if problems:
        raise TeacherError(problems)
    extra = tuple(i for i, cell in enumerate(header) if cell and i not in columns.values())
    return Table(name, tuple(header), columns, tuple(rows), sheet.form, sheet.unit, extra)


def _key(header: str) -> str:
    return fold(re.sub(r"[:*?/(),;&+]", " ", clean_cell(header).replace("#", " no")))


def _not_table(path: Path, why: str) -> Problem:
    return problem(
        "not_a_table",
        f"{path.name}: cannot be read as a table ({why}).",
        "Save it again as CSV (UTF-8) or .xlsx.",
    )
