"""One file of all sheets to print, with bookmarks by section and student."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.publish.class_records import full_name
from pegmark.publish.drafts import is_complete

if TYPE_CHECKING:
    from pegmark.records.student import Record

PRINT_FILE = "sheets.pdf"


def print_file(
    records: Mapping[str, Record], ticket: Mapping[str, Any], sheets: Path
) -> bytes | None:
    """The complete sheets (all of them where the class asks for all drafts), by section.

    Sections in the order of their names, students in the roster's. None where there is no sheet.
    The same sheets give the same bytes.
    """
    wanted = [
        (record, sheets / f"{row['student_id']}.pdf")
        for row in ticket["students"]
        if (record := records.get(row["student_id"])) is not None
        and (ticket["policies"]["drafts"] == "all" or is_complete(record))
    ]
    found = [(record, path) for record, path in wanted if path.is_file()]
    found.sort(key=lambda pair: str(pair[0]["student"].get("section") or "").casefold())
    return _joined(found) if found else None


def _joined(sheets: Iterable[tuple[Record, Path]]) -> bytes:
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter()
    writer.metadata = None
    sections: dict[str, Any] = {}
    for record, path in sheets:
        first = len(writer.pages)
        for page in PdfReader(path).pages:
            writer.add_page(page)
        section = str(record["student"].get("section") or "")
        if section and section not in sections:
            sections[section] = writer.add_outline_item(title=section, page_number=first)
        name = full_name(record)
        writer.add_outline_item(title=name, page_number=first, parent=sections.get(section))
    writer.compress_identical_objects()  # the fonts of all sheets, once
    content = io.BytesIO()
    writer.write(content)
    return content.getvalue()
