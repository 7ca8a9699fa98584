"""Words and numbers for people: sentences from the comments files, filled in and made safe.

No sentence lives here. A sentence is a `str.format` template of config/comments*.yaml with named
fields; what is filled in (names, file names) is untrusted and goes through `safe_text` first.
"""

from __future__ import annotations

import math
import unicodedata
from datetime import datetime
from typing import Any

MINUS = "\u2212"  # the typographic minus: a hyphen is easily overlooked in small print
WIDOW_LIMIT = 15  # characters of a word that may draw the one before it onto its line
NAME_LIMIT = 120  # characters of a name that a sheet shows: three lines of a smaller title
TEXT_LIMIT = 400  # characters of a comment, message or reason: five lines of a sheet
# Small pictures are no part of a name, and text fonts do not have them.
_PICTOGRAPHS = frozenset(map(chr, (*range(0x1F000, 0x1FB00), *range(0xFE00, 0xFE10))))
_KEPT_FORMAT_CHARACTERS = "\u200c\u200d"  # joiners that Persian, Hindi and others spell with


def safe_text(text: object, limit: int = NAME_LIMIT) -> str:
    """Untrusted `text` on one line: no control or direction characters, at most `limit` long.

    Characters outside the letters, marks, numbers, punctuation, symbols and spaces of Unicode
    are dropped (controls, overrides of the writing direction, lone surrogates, private use),
    since they can forge or hide what stands beside them; so are pictographs.
    """
    normal = unicodedata.normalize("NFC", str(text if text is not None else ""))
    kept = "".join(_safe_character(c) for c in normal)
    line = " ".join(kept.split())
    return line if len(line) <= limit else line[: limit - 1].rstrip() + "…"


def _safe_character(character: str) -> str:
    if character.isspace():
        return " "
    if character in _KEPT_FORMAT_CHARACTERS:
        return character
    if character in _PICTOGRAPHS or unicodedata.category(character).startswith("C"):
        return ""
    return character


def clock(seconds: float | None) -> str:
    """A time in a take as m:ss (``75.4`` -> ``1:15``); empty when unknown."""
    if seconds is None:
        return ""
    whole = max(0, math.floor(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def number(value: float, digits: int, decimal: str = ".") -> str:
    """`value` with at most `digits` decimals, without a trailing zero or a negative zero."""
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        text = "0"
    return text.replace("-", MINUS).replace(".", decimal)


def points(value: float, decimal: str = ".") -> str:
    """Points of a rubric as people write them: 3, 3½, 3.2."""
    whole = math.floor(value)
    if value - whole == 0.5:
        return f"{whole or ''}½"
    return number(value, 2, decimal)


def cents(value: float, decimal: str = ".") -> str:
    """The size of a deviation: one decimal below 10 cents, none above; without its sign.

    The decimal stays where it is 0: ``1.0 cents`` needs no singular.
    """
    size = abs(value)
    return f"{size:.{1 if round(size, 1) < 10 else 0}f}".replace(".", decimal)


def letter(string: str) -> str:
    """The name players use for a string: ``F#1`` -> ``F♯``."""
    return string.rstrip("-0123456789").replace("#", "♯").replace("b", "♭")


def listed(items: list[str], joiner: str) -> str:
    """``A, D and G``: `joiner` is the word before the last, with its spaces."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + joiner + items[-1]


def unwidowed(text: str) -> str:
    """`text` with its last two words kept on one line, so that no word ends it alone."""
    start, _, last = text.rpartition(" ")
    return f"{start}\u00a0{last}" if start and len(last) <= WIDOW_LIMIT else text


def date(iso: str | None, words: dict[str, Any]) -> str:
    """An ISO date-time as the language writes it, in its own zone; empty when not readable."""
    try:
        moment = datetime.fromisoformat(iso or "")
    except ValueError:
        return ""
    return str(words["date"]).format(
        day=moment.day,
        month=words["months"][moment.month - 1],
        year=moment.year,
        time=f"{moment:%H:%M}",
    )
