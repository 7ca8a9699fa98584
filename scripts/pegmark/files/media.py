"""Files from outside: opened without trust, and told to be media by their first bytes."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import IO

# 20 minutes of a recording are decoded; the rest is cut, and it is said. No tuning video is longer,
# and it bounds time and memory.
MAX_S = 1200.0


def open_plain(path: Path | str) -> IO[bytes]:
    """Open a plain file to read; a link, pipe or device raises OSError and never waits."""
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    handle = os.open(path, flags)
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError("not a plain file")
        return os.fdopen(handle, "rb", buffering=0)
    except BaseException:
        os.close(handle)
        raise


def is_media(head: bytes) -> bool:
    """Whether a file's first bytes are those of an audio or video container.

    Signatures: ISO/IEC 14496-12 and QuickTime boxes, EBML, RIFF, Ogg, FLAC, ID3 and MPEG audio
    frames, AIFF, AMR (RFC 4867), ASF, CAF, MPEG program and transport streams, FLV.
    """
    box = head[4:8]
    if box == b"ftyp":
        return head[8:12] not in (b"heic", b"heix", b"mif1", b"msf1", b"avif", b"crx ")
    if box in (b"moov", b"mdat", b"wide", b"free", b"skip"):
        return True
    if head[:4] == b"RIFF":
        return head[8:12] in (b"WAVE", b"AVI ")
    if head[:4] == b"FORM":
        return head[8:12] in (b"AIFF", b"AIFC")
    if len(head) > 2 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0:
        return head[1] not in (0xFE, 0xFF) and head[2] != 0xFF and head[1] != 0xD8
    if len(head) > 376 and head[0] == head[188] == head[376] == 0x47:
        return True
    return head.startswith(_SIGNATURES)


_SIGNATURES = (
    b"\x1aE\xdf\xa3",
    b"OggS",
    b"fLaC",
    b"ID3",
    b"#!AMR",
    b"\x30\x26\xb2\x75\x8e\x66\xcf\x11",
    b"caff",
    b"\x00\x00\x01\xba",
    b"FLV\x01",
)
