"""File names from outside, made safe to store and to show."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Sequence

NAMES_IN_ROW = 30  # file names listed in one attention row; the rest is counted


def path_text(path: str) -> str:
    r"""A path as text that can be stored: bytes that are no UTF-8 become ``\xNN``."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def shown(text: str) -> str:
    """A file name as it may stand in a message: control and direction marks made visible."""
    return "".join(
        char.encode("unicode_escape").decode()
        if unicodedata.category(char) in ("Cc", "Cf", "Cs", "Zl", "Zp")
        else char
        for char in text
    )


def listed(names: Sequence[str]) -> str:
    """Names in one row of text; what is more than `NAMES_IN_ROW` is counted."""
    more = len(names) - NAMES_IN_ROW
    return ", ".join(names[:NAMES_IN_ROW]) + (f" and {more} more" if more > 0 else "")
