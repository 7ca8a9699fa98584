"""Archives of recordings: .zip files read in place, with bounds, and never trusted.

Their recordings are hashed where they lie; one is written out only when it is decoded, under the
name of its content.
"""

from __future__ import annotations

import contextlib
import stat
import struct
import zipfile
from typing import IO, Any

from pegmark.files.media import is_media
from pegmark.files.recordings import ZIP_ERRORS, content_digest, suffix_of
from pegmark.receive.strays import (
    EXTENSIONS,
    MAX_MEMBERS,
    MAX_RATIO,
    Stray,
    by_name,
    link_stray,
    not_recording,
    packed_again,
    zip_bounds,
)
from pegmark.words.file_names import path_text, shown

MAX_DIRECTORY = 4_000_000  # bytes of an archive's own list: 5,000 names of 800 characters
ARCHIVE_MAX_UNPACKED = 50_000_000_000  # bytes in one archive
FREE_UNPACKED = 20_000_000  # bytes below which the ratio says nothing


def read_archive(stream: IO[bytes], size: int, text: str) -> dict[str, Any]:
    """The recordings of a .zip, hashed in place; nothing is written."""
    members: list[dict[str, Any]] = []
    strays: list[Stray] = []
    try:
        if _directory_size(stream, size) > MAX_DIRECTORY:
            strays.append(zip_bounds(text))
        else:
            with zipfile.ZipFile(stream) as packed:
                infos = packed.infolist()
                total = sum(info.file_size for info in infos)
                if len(infos) > MAX_MEMBERS or total > min(
                    ARCHIVE_MAX_UNPACKED, MAX_RATIO * size + FREE_UNPACKED
                ):
                    strays.append(zip_bounds(text))
                else:
                    for index, info in enumerate(infos):
                        _read_member(packed, index, info, text, members, strays)
    except ZIP_ERRORS:
        strays.append(
            Stray(
                text,
                "zip_damaged",
                f"{shown(text)} cannot be opened as a .zip: it is damaged or incomplete.",
                "Download it again, or unpack it yourself and put the recordings here.",
            )
        )
    members.sort(key=lambda one: (one["file"], one["member"]))
    return {"kind": "archive", "members": members, "strays": [vars(stray) for stray in strays]}


def _read_member(
    packed: zipfile.ZipFile,
    index: int,
    info: zipfile.ZipInfo,
    text: str,
    members: list[dict[str, Any]],
    strays: list[Stray],
) -> None:
    """Sort one entry of an archive into recordings and strays."""
    if info.is_dir():
        return
    name = member_name(info)
    inside = f"{text}/{name}"
    mode = info.external_attr >> 16
    if info.flag_bits & 1:
        strays.append(
            Stray(
                inside,
                "zip_locked",
                f"{shown(inside)} is locked with a password.",
                "Unpack it yourself and put the recordings here.",
            )
        )
        return
    if stat.S_ISLNK(mode):
        strays.append(link_stray(inside))
        return
    if stray := by_name(inside):
        strays.append(stray)
        return
    suffix = suffix_of(name)[1:]
    try:
        with packed.open(info) as source:
            if suffix not in EXTENSIONS and not is_media(source.read(4096)):
                strays.append(packed_again(inside) if suffix == "zip" else not_recording(inside))
                return
        with packed.open(info) as source:
            digest = content_digest(source, info.file_size)
    except ZIP_ERRORS:
        strays.append(
            Stray(
                inside,
                "zip_damaged",
                f"{shown(inside)} cannot be unpacked: the .zip is damaged there.",
                "Download the .zip again, or ask for this recording again.",
            )
        )
        return
    members.append({"file": name, "member": index, "sha256": digest, "size": info.file_size})


def member_name(info: zipfile.ZipInfo) -> str:
    r"""An archive member's name as text: ``/`` between folders, no drive, no ``..``.

    Archives without the UTF-8 flag are decoded as code page 437 (APPNOTE.TXT, appendix D); many
    programs write UTF-8 there all the same.
    """
    name = info.filename
    if not info.flag_bits & 0x800 and not name.isascii():
        with contextlib.suppress(UnicodeError):
            name = name.encode("cp437").decode("utf-8")
    name = path_text(name.replace("\\", "/").encode("utf-8", "replace").decode())
    parts = [part for part in name.split("/") if part not in ("", ".", "..")]
    if parts and len(parts[0]) == 2 and parts[0][1] == ":":
        parts = parts[1:]
    return "/".join(parts)[:1000] or "unnamed"


def _directory_size(stream: IO[bytes], size: int) -> int:
    """Bytes of a .zip's central directory (APPNOTE.TXT 4.3.14, 4.3.16), read before zipfile
    loads the whole of it; 0 where no end record is found (zipfile then says so)."""
    start = max(0, size - 66_000)
    stream.seek(start)
    tail = stream.read(66_000)
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) < at + 22:
        return 0
    length = int(struct.unpack_from("<L", tail, at + 12)[0])
    if length == 0xFFFFFFFF and (big := tail.rfind(b"PK\x06\x06", 0, at)) >= 0:
        length = int(struct.unpack_from("<Q", tail, big + 40)[0])
    return length
