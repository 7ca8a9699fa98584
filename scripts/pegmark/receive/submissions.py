"""The submissions folder: every file in it, told apart by content.

Everything here is untrusted. Names are only compared and shown, never run or used to write;
links are not followed; only plain files are opened, and never so that a pipe could hang us;
archives are read in place with bounds, their recordings written out by content hash only.
Hashes are remembered by path, size and time, so a second look at a class costs no reading.
"""

from __future__ import annotations

import contextlib
import hashlib
import lzma
import os
import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from pegmark.files.media import is_media, open_plain
from pegmark.files.store import is_full, read_json
from pegmark.records.problems import TeacherError, problem
from pegmark.words.file_names import path_text, shown

FOLDER = "submissions"
EMPTY_SHA256 = hashlib.sha256(b"").hexdigest()
MAX_FILES = 20_000  # a class of 150 hands in a few hundred: more is the wrong folder
MAX_DEPTH = 40
MAX_MEMBERS = 5_000  # files in one archive
MAX_DIRECTORY = 4_000_000  # bytes of an archive's own list: 5,000 names of 800 characters
MAX_UNPACKED = 50_000_000_000  # bytes in one archive
MAX_RATIO = 100  # unpacked : packed; recordings are packed already (near 1), silence is 20-50
FREE_UNPACKED = 20_000_000  # bytes below which the ratio says nothing
CHUNK = 1 << 20
_MEDIA = """
3g2 3gp aac ac3 aif aifc aiff amr asf avi caf dv f4v flac flv m2ts m4a m4b m4v mka mkv mov
mp2 mp3 mp4 mpeg mpg mts mxf oga ogg ogv opus qt ts wav weba webm wma wmv
"""
_DOCUMENTS = """
apk docx epub jar key mscz musicxml mxl numbers odp ods odt pages pptx xlsm xlsx xpi
"""
EXTENSIONS = frozenset(_MEDIA.split())
_PACKED_DOCUMENTS = frozenset(_DOCUMENTS.split())  # .zip inside, but no export of recordings
_UNFINISHED = frozenset(
    {"crdownload", "download", "icloud", "opdownload", "part", "partial", "tmp"}
)
_OTHER_ARCHIVES = frozenset({"7z", "bz2", "gz", "rar", "tar", "tgz", "xz", "zst"})
_CLUTTER = frozenset({"thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r", "__macosx"})
_ZIP_ERRORS = (
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


@dataclass(frozen=True)
class Stray:
    """A file that is not taken for a recording, and why."""

    file: str
    code: str
    message: str
    action: str


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
        raise TeacherError(
            [
                problem(
                    "no_submissions",
                    f"There is no folder {FOLDER!r} in {class_dir}.",
                    "Make it and put the recordings in.",
                )
            ]
        )
    collection = Collection()
    for entry, text in _walk(root, collection.strays):
        key = f"{FOLDER}/{text}"
        _take_entry(entry, text, (memory or {}).get(key), collection, progress)
        if "\\x" in text and key in collection.memory:  # bytes that are no UTF-8: see path_text
            raw = os.fsencode(os.path.relpath(entry.path, class_dir))
            collection.memory[key] = {**collection.memory[key], "raw": raw.hex()}
    return collection


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
        return _digest(stream, os.fstat(stream.fileno()).st_size)


def extract_member(archive: Path, recording: Recording, folder: Path) -> Path:
    """Write one recording of an archive to `folder`, named by its content; returns the file.

    Raises OSError when the archive no longer holds that content.
    """
    target = folder / (recording.sha256 + _suffix(recording.file))
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
    except _ZIP_ERRORS as error:
        if is_full(error):
            raise
        raise OSError(f"{archive.name}: {error}") from error
    finally:
        part.unlink(missing_ok=True)
    return target


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
            strays.append(_no_reading(prefix.rstrip("/") or FOLDER, error))
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
        collection.strays.append(_no_reading(text, error))
        return
    stray = _by_kind(entry, text, status.st_mode) or _by_name(text)
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
        collection.strays.append(_not_recording(text))


def _read(path: str, text: str) -> dict[str, Any] | Stray:
    """Hash one plain file; a file that changes meanwhile is read twice, then left for later."""
    for _ in range(2):
        try:
            with open_plain(path) as stream:
                before = os.fstat(stream.fileno())
                found = _read_open(stream, before.st_size, text)
                after = os.fstat(stream.fileno())
        except OSError as error:
            return _no_reading(text, error)
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
    suffix = _suffix(text)[1:]
    if suffix in EXTENSIONS or is_media(head):
        stream.seek(0)
        return {"kind": "recording", "sha256": _digest(stream, size)}
    if suffix == "zip" or (head.startswith(b"PK") and suffix not in _PACKED_DOCUMENTS):
        return _read_archive(stream, size, text)
    return {"kind": "other"}


def _digest(stream: IO[bytes], size: int) -> str:
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


def _read_archive(stream: IO[bytes], size: int, text: str) -> dict[str, Any]:
    """The recordings of a .zip, hashed in place; nothing is written."""
    members: list[dict[str, Any]] = []
    strays: list[Stray] = []
    try:
        if _directory_size(stream, size) > MAX_DIRECTORY:
            strays.append(_zip_bounds(text))
        else:
            with zipfile.ZipFile(stream) as packed:
                infos = packed.infolist()
                total = sum(info.file_size for info in infos)
                if len(infos) > MAX_MEMBERS or total > min(
                    MAX_UNPACKED, MAX_RATIO * size + FREE_UNPACKED
                ):
                    strays.append(_zip_bounds(text))
                else:
                    for index, info in enumerate(infos):
                        _read_member(packed, index, info, text, members, strays)
    except _ZIP_ERRORS:
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
        strays.append(_link(inside))
        return
    if stray := _by_name(inside):
        strays.append(stray)
        return
    suffix = _suffix(name)[1:]
    try:
        with packed.open(info) as source:
            if suffix not in EXTENSIONS and not is_media(source.read(4096)):
                strays.append(_packed_again(inside) if suffix == "zip" else _not_recording(inside))
                return
        with packed.open(info) as source:
            digest = _digest(source, info.file_size)
    except _ZIP_ERRORS:
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


def _by_kind(entry: os.DirEntry[str], text: str, mode: int) -> Stray | None:
    """A stray for what is no plain file."""
    if stat.S_ISLNK(mode):
        return _link(text)
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
            f"{shown(text)} is no file but a pipe, socket or device; it was not opened.",
            "Remove it; if it should be a recording, copy that here.",
        )
    return None


def _by_name(text: str) -> Stray | None:
    """A stray for what its name says it is: the system's own files, unfinished downloads."""
    parts = text.lower().split("/")
    suffix = _suffix(text)[1:]
    if suffix in _UNFINISHED:
        return Stray(
            text,
            "not_downloaded",
            f"{shown(text)} is a download or copy that is not complete.",
            "Finish it or download it again, then run again.",
        )
    if parts[-1].startswith((".", "~$")) or any(part in _CLUTTER for part in parts):
        return Stray(text, "system_file", f"{shown(text)} is a file of the computer's own.", "")
    if suffix in _OTHER_ARCHIVES:
        return Stray(
            text,
            "other_archive",
            f"{shown(text)} is a packed folder that is not opened here.",
            "Unpack it and put the recordings here.",
        )
    return None


def _link(text: str) -> Stray:
    return Stray(
        text,
        "link",
        f"{shown(text)} is a link and was not followed.",
        "Put the recording itself here.",
    )


def _not_recording(text: str) -> Stray:
    return Stray(
        text,
        "not_a_recording",
        f"{shown(text)} is no recording and was left aside.",
        "Nothing to do, unless a recording was meant: then ask for it again.",
    )


def _packed_again(text: str) -> Stray:
    return Stray(
        text,
        "zip_in_zip",
        f"{shown(text)} is a .zip inside a .zip and was not opened.",
        "Unpack the outer one and put what is in it here.",
    )


def _zip_bounds(text: str) -> Stray:
    return Stray(
        text,
        "zip_too_large",
        f"{shown(text)} holds too much to be an export of recordings (more than "
        f"{MAX_MEMBERS:,} files, or unpacked more than {MAX_RATIO} times its own size).",
        "If it is one, unpack it yourself and put the recordings here.",
    )


def _no_reading(text: str, error: OSError) -> Stray:
    if isinstance(error, PermissionError):
        return Stray(
            text,
            "no_permission",
            f"{shown(text)} may not be opened: this account has no permission to read it.",
            "Give yourself permission to read it, or copy it here anew.",
        )
    return Stray(
        text,
        "cannot_open",
        f"{shown(text)} cannot be opened ({error.strerror or error}).",
        "Copy it here anew.",
    )


def _suffix(text: str) -> str:
    """'.mov', lower case, plain ASCII letters and digits only; '' for anything else."""
    suffix = os.path.splitext(text)[1].lower()
    return suffix if suffix[1:].isascii() and suffix[1:].isalnum() else ""
