"""File names from outside, made safe to store and to show."""

from __future__ import annotations

import os
import unicodedata


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
