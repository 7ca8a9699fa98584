"""The submissions folder: every file in it, told apart by content.

Everything here is untrusted. Names are only compared and shown, never run or used to write;
links are not followed; only plain files are opened, and never so that a pipe could hang us;
archives are read in place with bounds, their recordings written out by content hash only.
Hashes are remembered by path, size and time, so a second look at a class costs no reading.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from pegmark.files.media import is_media, open_plain
from pegmark.files.recordings import Recording, content_digest, suffix_of
from pegmark.receive.archives import read_archive
from pegmark.receive.strays import (
    EXTENSIONS,
    MAX_DEPTH,
    Stray,
    by_kind,
    by_name,
    no_reading,
    not_recording,
)
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.words.file_names import path_text, shown

FOLDER = "submissions"
EMPTY_SHA256 = hashlib.sha256(b"").hexdigest()
MAX_FILES = 20_000  # a class of 150 hands in a few hundred: more is the wrong folder
_DOCUMENTS = """
apk docx epub jar key mscz musicxml mxl numbers odp ods odt pages pptx xlsm xlsx xpi
"""
_PACKED_DOCUMENTS = frozenset(_DOCUMENTS.split())  # .zip inside, but no export of recordings


@dataclass
class Collection:
    """Everything in the submissions folder."""

    recordings: list[Recording] = field(default_factory=list)
    strays: list[Stray] = field(default_factory=list)
    memory: dict[str, Any] = field(default_factory=dict)  # path -> what was found there
    hashed: int = 0  # files read in full, because they were not remembered


def collect(
    class_dir: Path,
    memory: dict[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Collection:
    """All files under CLASS_DIR/submissions, at any depth, in the order of their names.

    Parameters
    ----------
    memory : what an earlier `Collection.memory` held
    progress : called with the name of each file that is read in full

    Raises TeacherError when there is no such folder or it holds far too much.
    """
    root = class_dir / FOLDER
    if not os.path.isdir(root):
        raise TeacherError([no_submissions(class_dir)])
    collection = Collection()
    for entry, text in _walk(root, collection.strays):
        key = f"{FOLDER}/{text}"
        _take_entry(entry, text, (memory or {}).get(key), collection, progress)
        if "\\x" in text and key in collection.memory:  # bytes that are no UTF-8: see path_text
            raw = os.fsencode(os.path.relpath(entry.path, class_dir))
            collection.memory[key] = {**collection.memory[key], "raw": raw.hex()}
    return collection


def no_submissions(class_dir: Path) -> Problem:
    """The problem of a folder that is no class."""
    return problem(
        "no_submissions",
        f"There is no folder {FOLDER!r} in {class_dir}.",
        "Create it and put the recordings there.",
    )


def _walk(root: Path, strays: list[Stray]) -> Iterator[tuple[os.DirEntry[str], str]]:
    """(entry, path under root as text) of everything that is not a plain folder."""
    waiting: list[tuple[str, str, int]] = [(str(root), "", 0)]
    found = 0
    while waiting:
        folder, prefix, depth = waiting.pop()
        try:
            with os.scandir(folder) as listing:
                entries = sorted(listing, key=lambda entry: os.fsencode(entry.name))
        except OSError as error:
            strays.append(no_reading(prefix.rstrip("/") or FOLDER, error))
            continue
        folders = []
        for entry in entries:
            text = prefix + path_text(entry.name)
            if entry.is_dir(follow_symlinks=False) and depth < MAX_DEPTH:
                folders.append((entry.path, text + "/", depth + 1))
                continue
            found += 1
            if found > MAX_FILES:
                raise TeacherError(
                    [
                        problem(
                            "too_many_files",
                            f"There are more than {MAX_FILES:,} files in {root}.",
                            "Check that this is the right folder.",
                        )
                    ]
                )
            yield entry, text
        waiting.extend(reversed(folders))


def _take_entry(
    entry: os.DirEntry[str],
    text: str,
    known: Any,
    collection: Collection,
    progress: Callable[[str], None] | None,
) -> None:
    """Sort one entry of the folder into recordings and strays."""
    try:
        status = entry.stat(follow_symlinks=False)
    except OSError as error:
        collection.strays.append(no_reading(text, error))
        return
    stray = by_kind(entry, text, status.st_mode) or by_name(text)
    if stray:
        collection.strays.append(stray)
        return
    key = f"{FOLDER}/{text}"
    if not (known and known["size"] == status.st_size and known["mtime_ns"] == status.st_mtime_ns):
        if progress:
            progress(text)
        known = _read(entry.path, text)
        collection.hashed += 1
        if isinstance(known, Stray):
            collection.strays.append(known)
            return
    collection.memory[key] = known
    _unpack(key, text, known, collection)


def _unpack(key: str, text: str, known: dict[str, Any], collection: Collection) -> None:
    """What one remembered file stands for: a recording, a stray, or an archive of both."""
    if known["kind"] == "recording":
        collection.recordings.append(
            Recording(text, known["sha256"], known["size"], known["mtime_ns"], key)
        )
    elif known["kind"] == "archive":
        for one in known["members"]:
            collection.recordings.append(
                Recording(
                    f"{text}/{one['file']}",
                    one["sha256"],
                    one["size"],
                    known["mtime_ns"],
                    key,
                    one["member"],
                )
            )
        collection.strays.extend(Stray(**stray) for stray in known["strays"])
    else:
        collection.strays.append(not_recording(text))


def _read(path: str, text: str) -> dict[str, Any] | Stray:
    """Hash one plain file; a file that changes meanwhile is read twice, then left for later."""
    for _ in range(2):
        try:
            with open_plain(path) as stream:
                before = os.fstat(stream.fileno())
                found = _read_open(stream, before.st_size, text)
                after = os.fstat(stream.fileno())
        except OSError as error:
            return no_reading(text, error)
        if (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns):
            return {**found, "size": after.st_size, "mtime_ns": after.st_mtime_ns}
    return Stray(
        text,
        "still_changing",
        f"{shown(text)} was changing while it was read: it may still be copied or downloaded.",
        "Wait until it is complete and run again.",
    )


def _read_open(stream: IO[bytes], size: int, text: str) -> dict[str, Any]:
    head = stream.read(4096)
    suffix = suffix_of(text)[1:]
    if suffix in EXTENSIONS or is_media(head):
        stream.seek(0)
        return {"kind": "recording", "sha256": content_digest(stream, size)}
    if suffix == "zip" or (head.startswith(b"PK") and suffix not in _PACKED_DOCUMENTS):
        return read_archive(stream, size, text)
    return {"kind": "other"}
