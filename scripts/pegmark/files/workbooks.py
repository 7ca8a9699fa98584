"""Workbooks as rows of texts: .xlsx (ISO/IEC 29500) and .ods (ISO/IEC 26300), read without trust.

A formula counts as the value last shown; nothing in a workbook is ever run.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from itertools import repeat
from pathlib import Path
from typing import Any

MAX_UNPACKED = 100_000_000  # bytes a workbook may hold when unpacked

Page = tuple[str, Iterator[list[Any]]]  # a sheet's title, and its rows of values

_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"


class TooLarge(ValueError):
    """A workbook that would unpack to more than `MAX_UNPACKED` bytes."""


def read_pages(path: Path, columns: int) -> list[Page]:
    """The sheets of a workbook, each row with at most `columns` values.

    Raises TooLarge, or whatever the XML and zip readers raise on a file that is none.
    """
    with zipfile.ZipFile(path) as archive:
        if sum(info.file_size for info in archive.infolist()) > MAX_UNPACKED:
            raise TooLarge
        if "content.xml" in archive.namelist():
            return _open_document(archive.read("content.xml"), columns)
    return _office_open(path, columns)


def _office_open(path: Path, columns: int) -> list[Page]:
    from openpyxl import load_workbook

    book = load_workbook(path, read_only=True, data_only=True)
    return [
        (page.title, (list(row[:columns]) for row in page.iter_rows(values_only=True)))
        for page in book.worksheets
    ]


def _open_document(content: bytes, columns: int) -> list[Page]:
    from xml.etree import ElementTree

    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
        raise ValueError("a spreadsheet has no document type")  # entities could grow without end
    root = ElementTree.fromstring(content)
    return [
        (table.get(f"{_TABLE}name", ""), _rows(table, columns))
        for table in root.iter(f"{_TABLE}table")
    ]


def _rows(table: Any, columns: int) -> Iterator[list[Any]]:
    """Rows in order; blank ones count only where something follows (a sheet ends with many)."""
    blank = 0
    for row in table.iter(f"{_TABLE}table-row"):
        values: list[Any] = []
        for cell in row:
            if cell.tag in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
                again = int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
                values += [_value(cell)] * min(again, columns - len(values))
        again = int(row.get(f"{_TABLE}number-rows-repeated", "1"))
        if not any(values):
            blank += again
            continue
        yield from repeat([], blank)
        yield from repeat(values, again)
        blank = 0


def _value(cell: Any) -> Any:
    """Numbers and dates as they are kept, everything else as it is shown."""
    kind = cell.get(f"{_OFFICE}value-type")
    if kind == "float":
        return float(cell.get(f"{_OFFICE}value"))
    if kind == "date":
        return cell.get(f"{_OFFICE}date-value").replace("T", " ")
    return "\n".join("".join(line.itertext()) for line in cell.iter(f"{_TEXT}p")) or None
