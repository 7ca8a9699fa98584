"""What a take is called: by its content, so that no renaming of files makes another of it."""

from __future__ import annotations

TAKE_DIGITS = 16  # of a content's hash, with which a take's name begins: tells a class's apart
