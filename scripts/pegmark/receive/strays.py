"""Strays: files that are not taken for recordings, each with the reason and what to do."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass

from pegmark.files.recordings import suffix_of
from pegmark.words.file_names import shown

MAX_DEPTH = 40
MAX_MEMBERS = 5_000  # files in one archive
MAX_RATIO = 100  # unpacked : packed; recordings are packed already (near 1), silence is 20-50
_MEDIA = """
3g2 3gp aac ac3 aif aifc aiff amr asf avi caf dv f4v flac flv m2ts m4a m4b m4v mka mkv mov
mp2 mp3 mp4 mpeg mpg mts mxf oga ogg ogv opus qt ts wav weba webm wma wmv
"""
EXTENSIONS = frozenset(_MEDIA.split())
_UNFINISHED = frozenset(
    {"crdownload", "download", "icloud", "opdownload", "part", "partial", "tmp"}
)
_OTHER_ARCHIVES = frozenset({"7z", "bz2", "gz", "rar", "tar", "tgz", "xz", "zst"})
_CLUTTER = frozenset({"thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r", "__macosx"})


@dataclass(frozen=True)
class Stray:
    """A file that is not taken for a recording, and why."""

    file: str
    code: str
    message: str
    action: str


def by_kind(entry: os.DirEntry[str], text: str, mode: int) -> Stray | None:
    """A stray for what is no plain file."""
    if stat.S_ISLNK(mode):
        return link_stray(text)
    if stat.S_ISDIR(mode):
        return Stray(
            text,
            "too_deep",
            f"{shown(text)} lies more than {MAX_DEPTH} folders deep and was not opened.",
            "Move its recordings further up.",
        )
    if not stat.S_ISREG(mode):
        return Stray(
            text,
            "special_file",
            f"{shown(text)} is not a file but a pipe, socket or device; it was not opened.",
            "Remove it; if it should be a recording, copy that here.",
        )
    return None


def by_name(text: str) -> Stray | None:
    """A stray for what its name says it is: the system's own files, unfinished downloads."""
    parts = text.lower().split("/")
    suffix = suffix_of(text)[1:]
    if suffix in _UNFINISHED:
        return Stray(
            text,
            "not_downloaded",
            f"{shown(text)} is an incomplete download or copy.",
            "Finish it or download it again, then run again.",
        )
    if parts[-1].startswith((".", "~$")) or any(part in _CLUTTER for part in parts):
        return Stray(text, "system_file", f"{shown(text)} is a system file.", "")
    if suffix in _OTHER_ARCHIVES:
        return Stray(
            text,
            "other_archive",
            f"{shown(text)} is an archive of a kind that is not opened here.",
            "Unpack it and put the recordings here.",
        )
    return None


def link_stray(text: str) -> Stray:
    return Stray(
        text,
        "link",
        f"{shown(text)} is a link and was not followed.",
        "Put the recording itself here.",
    )


def not_recording(text: str) -> Stray:
    return Stray(
        text,
        "not_a_recording",
        f"{shown(text)} is not a recording and was left aside.",
        "Nothing to do, unless a recording was meant: then ask for it again.",
    )


def packed_again(text: str) -> Stray:
    return Stray(
        text,
        "zip_in_zip",
        f"{shown(text)} is a .zip inside a .zip and was not opened.",
        "Unpack the outer one and put what is in it here.",
    )


def zip_bounds(text: str) -> Stray:
    return Stray(
        text,
        "zip_too_large",
        f"{shown(text)} holds too much to be an export of recordings (more than "
        f"{MAX_MEMBERS:,} files, or unpacked more than {MAX_RATIO} times its own size).",
        "If it is one, unpack it yourself and put the recordings here.",
    )


def no_reading(text: str, error: OSError) -> Stray:
    if isinstance(error, PermissionError):
        return Stray(
            text,
            "no_permission",
            f"{shown(text)} may not be opened: this account has no permission to read it.",
            "Give yourself permission to read it, or copy it here again.",
        )
    return Stray(
        text,
        "cannot_open",
        f"{shown(text)} cannot be opened ({error.strerror or error}).",
        "Copy it here again.",
    )
