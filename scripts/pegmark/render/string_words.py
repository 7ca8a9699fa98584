"""What the student's language calls a string, alone and in a sentence."""

from __future__ import annotations

from typing import Any

from pegmark.words import wording

Words = dict[str, Any]


def string_word(name: str, words: Words) -> str:
    """What the language calls a string: ``A4`` is A in English, la in Spanish."""
    letter = wording.letter(name)
    return str(words["notes"].get(letter[0], letter[0])) + letter[1:]


def strings_said(names: list[str], words: Words) -> str:
    """Strings in a sentence: ``the A string``, ``the A and D strings``."""
    letters = wording.listed([string_word(name, words) for name in names], words["and"])
    key = "string_one" if len(names) == 1 else "string_many"
    return str(words[key]).format(strings=letters)
