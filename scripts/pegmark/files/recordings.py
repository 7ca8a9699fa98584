"""A take's recording: which file of the class folder it is, found again by its content.

The intake's memory says what lay where (results/tickets/files.json). A recording inside a .zip is
written out only when it is asked for, under the name of its content.
"""

from __future__ import annotations

import hashlib
import lzma
import os
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pegmark.files.media import open_plain
from pegmark.files.store import is_full, read_json
from pegmark.records.problems import TeacherError, problem

CHUNK = 1 << 20  # bytes read at once
ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    OSError,
    RuntimeError,  # also NotImplementedError: a packing method that Python lacks
    ValueError,  # also UnicodeDecodeError
    struct.error,
    IndexError,
    OverflowError,
)


@dataclass(frozen=True)
class Recording:
    """One file taken for a recording (whether it can be decoded is found out later)."""

    file: str  # path under submissions, parted by /, as text: "Ana Ruiz/take 2.mov"
    sha256: str
    size: int
    mtime_ns: int
    path: str  # key in the memory: path under the class folder
    member: int | None = None  # place in the archive, for a file inside a .zip


def extract_member(archive: Path, recording: Recording, folder: Path) -> Path:
    """Write one recording of an archive to `folder`, named by its content; returns the file.

    Raises OSError when the archive no longer holds that content.
    """
    target = folder / (recording.sha256 + suffix_of(recording.file))
    if target.is_file() and target.stat().st_size == recording.size:
        return target
    folder.mkdir(parents=True, exist_ok=True)
    part = folder / f".part-{os.getpid()}-{recording.sha256[:16]}"
    digest = hashlib.sha256()
    try:
        with open_plain(archive) as stream, zipfile.ZipFile(stream) as packed:
            info = packed.infolist()[recording.member or 0]
            with packed.open(info) as source, open(part, "wb") as out:
                for chunk in _chunks(source, recording.size):
                    digest.update(chunk)
                    out.write(chunk)
        if digest.hexdigest() != recording.sha256:
            raise OSError(f"{archive.name} has changed")
        os.replace(part, target)
    except ZIP_ERRORS as error:
        if is_full(error):
            raise
        raise OSError(f"{archive.name}: {error}") from error
    finally:
        part.unlink(missing_ok=True)
    return target


def memory_path(class_dir: Path, key: str, known: dict[str, Any]) -> Path:
    """Where the file of a memory entry lies."""
    return class_dir / (os.fsdecode(bytes.fromhex(known["raw"])) if "raw" in known else key)


def lookup(class_dir: Path | str, take: str) -> Path:
    """Where the recording of a take lies now, for the stage that decodes it.

    A recording inside a .zip is written to results/unzipped, named by its content.
    Raises TeacherError ("file_changed") when no file of the folder has that content any more.
    """
    class_dir = Path(class_dir)
    memory = read_json(class_dir / "results" / "tickets" / "files.json")
    for source in memory["takes"].get(take, ()):
        recording = Recording(**source)
        known = memory["files"][recording.path]
        path = memory_path(class_dir, recording.path, known)
        try:
            status = os.stat(path, follow_symlinks=False)
            same = (status.st_size, status.st_mtime_ns) == (known["size"], known["mtime_ns"])
            if recording.member is not None:
                return extract_member(path, recording, class_dir / "results" / "unzipped")
            if same or content_hash(path) == recording.sha256:
                return path
        except OSError as error:
            if is_full(error):
                raise
    raise TeacherError(
        [
            problem(
                "file_changed",
                "The recording was changed or taken away while the class was being graded.",
                "Run again when the folder is at rest.",
            )
        ]
    )


def content_hash(path: Path) -> str:
    """The SHA-256 of a plain file; raises OSError."""
    with open_plain(path) as stream:
        return content_digest(stream, os.fstat(stream.fileno()).st_size)


def content_digest(stream: IO[bytes], size: int) -> str:
    digest = hashlib.sha256()
    for chunk in _chunks(stream, size):
        digest.update(chunk)
    return digest.hexdigest()


def _chunks(stream: IO[bytes], size: int) -> Iterator[bytes]:
    """At most `size` bytes of a stream: what grows while it is read does not keep us for ever."""
    left = size
    while left > 0 and (chunk := stream.read(min(CHUNK, left))):
        left -= len(chunk)
        yield chunk


def suffix_of(text: str) -> str:
    """'.mov', lower case, plain ASCII letters and digits only; '' for anything else."""
    suffix = os.path.splitext(text)[1].lower()
    return suffix if suffix[1:].isascii() and suffix[1:].isalnum() else ""
