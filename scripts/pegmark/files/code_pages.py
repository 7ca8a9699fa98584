"""Texts of unknown encoding: byte-order marks, UTF-8, older code pages, and the two mixed."""

from __future__ import annotations

import codecs
import re

_CODE_PAGES = ("cp1252", "mac_roman", "cp1250")
SPOKEN = {
    "utf-8-sig": "UTF-8",
    "utf-8": "UTF-8",
    "utf-16": "UTF-16",
    "cp1252": "Windows-1252",
    "cp1250": "Windows-1250",
    "mac_roman": "Mac Roman",
}
MIXED = "UTF-8 mixed with "  # how the spoken name of a mixed encoding begins
# Two bytes of UTF-8 that are a Latin letter beyond ASCII, U+00C0 to U+017F but for two signs:
# what a name pasted in from elsewhere has. Other pairs come about by chance in old code pages.
_LETTER = re.compile(rb"\xc3[\x80-\x96\x98-\xb6\xb8-\xbf]|[\xc4\xc5][\x80-\xbf]")


def decode_text(content: bytes) -> tuple[str, str]:
    """The text of a file of unknown encoding, and the encoding as people call it.

    A byte-order mark decides, then strict UTF-8, then the code page in which the letters beyond
    ASCII stand where letters stand in names. Where some are UTF-8 and others are not, each is
    read as what it is, and the name begins with `MIXED`.
    """
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16")):
        if content.startswith(mark):
            return content.decode(name, "replace"), SPOKEN[name]
    if content.startswith(b"\xfe\xff"):
        return content.decode("utf-16", "replace"), SPOKEN["utf-16"]
    if content[1:40:2].count(0) > 10 and not content[0:40:2].count(0):
        return content.decode("utf-16-le", "replace"), SPOKEN["utf-16"]
    try:
        return content.decode("utf-8"), SPOKEN["utf-8"]
    except UnicodeDecodeError:
        return _decode_old(content)


def _decode_old(content: bytes) -> tuple[str, str]:
    rest = _LETTER.sub(b"", content)  # what is left may be of one code page
    name = max(_CODE_PAGES, key=lambda page: _likely(content, page))
    if rest != content and _likely(content, name) < len(_LETTER.findall(content)) + _likely(
        rest, page := max(_CODE_PAGES, key=lambda page: _likely(rest, page))
    ):
        return _decode_mixed(content, page), MIXED + SPOKEN[page]
    return content.decode(name, "replace"), SPOKEN[name]


def _decode_mixed(content: bytes, page: str) -> str:
    """UTF-8 where it is UTF-8, the code page elsewhere."""

    def by_page(error: UnicodeError) -> tuple[str, int]:
        assert isinstance(error, UnicodeDecodeError)
        return error.object[error.start : error.end].decode(page, "replace"), error.end

    codecs.register_error("pegmark.mixed", by_page)
    return content.decode("utf-8", "pegmark.mixed")


def _likely(content: bytes, page: str) -> int:
    """How well the letters beyond ASCII fit into words when read in a code page."""
    text = content.decode(page, "replace")
    score = 0
    for before, char in zip(" " + text, text, strict=False):
        if char.isascii():
            continue
        if char.islower() or (char.isupper() and not before.islower()):
            score += 1
        else:
            score -= 1
    return score
