"""The PDF sheet a student takes home: a page of texts and pictures, set and tagged.

What the page says comes from `pegmark.render.sheet_view`, how it looks from sheet.html.j2 and
sheet.css; WeasyPrint sets it as PDF/UA-1. The same record, ticket and fonts always give the same
bytes.
"""

from __future__ import annotations

import hashlib
import logging
import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.render.sheet_view import LAYOUTS, is_heard, sheet_view

if TYPE_CHECKING:
    from pegmark.records.student import Record
    from pegmark.records.tickets import RenderTicket

SHEET_TEMPLATES = Path(__file__).parent


def render_sheet(record: Record, ticket: RenderTicket) -> bytes:
    """The PDF of one student's sheet.

    `record` is results/records/<student_id>.json, `ticket` results/tickets/render/<student_id>.json
    with the language's sentences. Raises KeyError when a sentence is missing.
    """
    # HarfBuzz and fontTools take the dates they write into fonts from this variable.
    os.environ["SOURCE_DATE_EPOCH"] = str(int(ticket["epoch"]))
    pages, html = _set_roomiest(record, ticket)
    identifier = hashlib.sha256(html.encode("utf-8")).hexdigest()[:32].encode()
    pdf: bytes = pages.write_pdf(
        pdf_variant="pdf/ua-1", pdf_identifier=identifier, finisher=_finish
    )
    _report_missing_letters(pages)
    return pdf


def _finish(_: Any, pdf: Any) -> None:
    _scope_headers(pdf)
    _name_glyphs(pdf)


def _scope_headers(pdf: Any) -> None:
    """Mark every table header as a column's or a row's, which WeasyPrint leaves to the reader.

    ISO 14289-1, 7.5: assistive programs that do not follow header ids go by the scope.
    """

    def parent(element: dict[str, Any]) -> dict[str, Any]:
        found: dict[str, Any] = pdf.objects[int(element["P"].split()[0])]
        return found

    for element in pdf.objects:
        if isinstance(element, dict) and element.get("S") == "/TH" and "A" in element:
            heads = parent(parent(element))["S"] == "/THead"
            element["A"]["Scope"] = "/Column" if heads else "/Row"


def _name_glyphs(pdf: Any) -> None:
    """Give a letter to the glyphs that WeasyPrint leaves without one.

    Where several glyphs draw a syllable together (Devanagari, Bengali ...), the first carries all
    its letters and the others none, which ISO 14289-1, 7.21.7 forbids; theirs becomes U+2060, which
    has no width and no sound.
    """
    for element in pdf.objects:
        if b"begincmap" in (getattr(element, "stream", None) or ()):
            element.stream = [line.replace(b"<>", b"<2060>") for line in element.stream]


def _report_missing_letters(pages: Any) -> None:
    """Say in the log which letters no installed font has: they stand as boxes on the sheet."""
    missing = sorted({chr(c) for font in pages.fonts.values() for c in font.missing})
    if missing:
        logging.getLogger(__name__).warning(
            "No installed font has the letters %s. Install more fonts, such as Debian's "
            "fonts-noto-core and fonts-wqy-microhei, and grade again.",
            " ".join(missing),
        )


def _set_roomiest(record: Record, ticket: RenderTicket) -> tuple[Any, str]:
    """The laid-out pages and their HTML: the roomiest layout with the fewest pages."""
    layouts = list(LAYOUTS) if is_heard(record) else list(LAYOUTS)[:1]
    best: tuple[Any, str] | None = None
    for layout in layouts:
        pages, html = _set_page(record, ticket, layout)
        if best is None or len(pages.pages) < len(best[0].pages):
            best = pages, html
        if len(pages.pages) == 1:
            break
    assert best is not None
    return best


def _set_page(record: Record, ticket: RenderTicket, layout: str) -> tuple[Any, str]:
    """The laid-out pages and their HTML in one of the layouts."""
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    html = _template().render(sheet_view(record, ticket, layout))
    # Everything the page needs is inside it: no file and no network address is ever opened.
    nothing_else = URLFetcher(allowed_protocols=["data"], fail_on_errors=True)
    page = HTML(string=html, url_fetcher=nothing_else)
    options = {"stylesheets": [_style()], "font_config": _fonts(), "pdf_variant": "pdf/ua-1"}
    return page.render(**options), html


def load_page_parts() -> None:
    """Load what all sheets share, before the first: for a process that others are forked from."""
    for part in (_template, _fonts, _style):
        part()


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(SHEET_TEMPLATES), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("sheet.html.j2")


@cache
def _fonts() -> Any:
    from weasyprint.text.fonts import FontConfiguration

    return FontConfiguration()


@cache
def _style() -> Any:
    from weasyprint import CSS

    return CSS(string=(SHEET_TEMPLATES / "sheet.css").read_text("utf-8"), font_config=_fonts())
