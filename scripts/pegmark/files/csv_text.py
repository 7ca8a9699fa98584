"""CSV for people: RFC 4180 text whose cells a spreadsheet never runs as formulas.

Text cells that begin with a character that starts a formula are neutralised with an apostrophe
(OWASP ASVS 5, V1.2.10). Numbers stay numbers, a minus sign included; None is an empty cell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

BYTE_ORDER_MARK = "\ufeff"  # without it some spreadsheets misread names with accents
# OWASP names = + - @ tab and NUL; a line end in front and the full-width forms reach the same
# parser in common spreadsheets.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\0", "\r", "\n", "＝", "＋", "－", "＠")


def cell(value: Any) -> str:
    """The text of one cell: numbers as they are, None empty, text neutralised."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value + 0.0:.10g}"
    text = str(value)
    return "'" + text.replace("\0", "") if text.startswith(FORMULA_STARTS) else text


def csv_text(
    columns: Sequence[str], rows: Iterable[Mapping[str, Any]], semicolons: bool = False
) -> str:
    """A CSV file as text: a header of `columns`, then a line per row, lines ended by CR LF.

    A column that a row lacks is an empty cell; keys that are no column are left out. With
    `semicolons` these part the cells, and numbers have decimal commas: the form that spreadsheets
    expect where a comma is the decimal sign.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=";" if semicolons else ",", lineterminator="\r\n")

    def text(value: Any) -> str:
        local = semicolons and isinstance(value, float)
        return cell(value).replace(".", ",") if local else cell(value)

    writer.writerow([cell(column) for column in columns])
    writer.writerows([text(row.get(column)) for column in columns] for row in rows)
    return stream.getvalue()
