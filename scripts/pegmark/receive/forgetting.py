"""Taking a child's recordings and results out of a class folder, or all recordings' sound.

What a class folder holds of one student: recordings below submissions/, everything below
results/ that is named by the student or a take, lines in the teacher's tables, and the engine's
memory of it. What stands outside the folder cannot be reached, and is told.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pegmark.files.made import EDITED
from pegmark.files.recordings import memory_path
from pegmark.files.store import read_json, remove, write_bytes
from pegmark.files.tables import DELIMITERS, split_line
from pegmark.receive.submissions import FOLDER
from pegmark.records.problems import TeacherError, problem

TABLES = ("matches*.csv", "received.csv", "sent.csv", "marks*.csv")
SOUND_FOLDERS = ("decoded", "clips", "stills", "work/clips", "work/stills", "unzipped")
OUT_OF_REACH = (
    "Not reached: backups and copies elsewhere, mails that went out, the learning platform, the "
    "school's own gradebook."
)


@dataclass
class Forgotten:
    """What was taken away, and what must be done by hand."""

    removed: list[str] = field(default_factory=list)  # paths below the class folder
    lines: list[str] = field(default_factory=list)  # "marks.csv: 3 lines"
    left: list[str] = field(default_factory=list)  # sentences

    def sentences(self) -> list[str]:
        """The report for the teacher."""
        told = [f"Removed: {path}" for path in self.removed]
        told += [f"Removed from {line}" for line in self.lines]
        return [*(told or ["There was nothing to remove."]), *self.left, OUT_OF_REACH]


def forget_student(class_dir: Path, student_id: str) -> Forgotten:
    """Remove everything of one student but the roster's row. Raises TeacherError: nobody known."""
    tickets = _tickets(class_dir)
    known = {row["student_id"] for row in tickets["publish"]["students"]}
    if student_id not in known:
        raise TeacherError(
            [
                problem(
                    "nobody",
                    f"There is no student {student_id} in the last results.",
                    f"Known: {', '.join(sorted(known))}.",
                )
            ]
        )
    whose: dict[str, set[str]] = {}
    for one in tickets["publish"]["takes"]:
        whose.setdefault(one["take"], set()).add(one["student_id"])
    takes = {take for take, owners in whose.items() if owners == {student_id}}
    files = {one["file"] for one in tickets["publish"]["takes"] if one["student_id"] == student_id}
    found = Forgotten()
    _remove_recordings(class_dir, tickets["files"], lambda source: source["file"] in files, found)
    for path in _named(class_dir / "results", {student_id, *takes}):
        _take_away(class_dir, path, found)
    clear_logs(class_dir)
    _take_away(class_dir, class_dir / "results" / "tickets" / "recheck.json", found)
    _forget_in_engine(class_dir, {student_id, *takes})
    _cut_lines(class_dir, {student_id.casefold(), *(file.casefold() for file in files)}, found)
    found.left.append(
        f"The roster still has {student_id}: remove that row, or the name stays in the results."
    )
    return found


def forget_sound(class_dir: Path, before: datetime | None) -> Forgotten:
    """Remove recordings and what sounds or shows of them; measurements, sheets and points stay.

    `before`: only recordings whose file is older than that; None: all.
    """
    tickets = _tickets(class_dir)
    found = Forgotten()

    def old(source: dict[str, Any]) -> bool:
        moment = datetime.fromtimestamp(source["mtime_ns"] / 1e9, UTC)
        return before is None or moment < before

    takes = {
        take
        for take, sources in tickets["files"]["takes"].items()
        if sources and all(map(old, sources))
    }
    owners = {one["student_id"] for one in tickets["publish"]["takes"] if one["take"] in takes}
    contents = {take.split("-")[0] for take in takes}
    _remove_recordings(class_dir, tickets["files"], old, found)
    for folder in SOUND_FOLDERS:
        names = owners if folder.endswith(("clips", "stills")) else takes
        for path in sorted((class_dir / "results" / folder).glob("*")):
            name = path.name.split(".")[0]
            unpacked = folder == "unzipped" and name[:16] in contents
            if unpacked or (name in names and path.suffix != ".json"):  # facts do not sound
                _take_away(class_dir, path, found)
    return found


def clear_logs(class_dir: Path) -> None:
    """Remove the logs of the class as a whole, which may name anybody."""
    for form in ("results/logs/*.log", ".snakemake/log/*", ".snakemake/iocache/*"):
        for path in class_dir.glob(form):
            remove(path)


def _tickets(class_dir: Path) -> dict[str, Any]:
    try:
        return {
            name: read_json(class_dir / "results" / "tickets" / f"{name}.json")
            for name in ("publish", "files")
        }
    except (OSError, ValueError) as error:
        raise TeacherError(
            [
                problem(
                    "no_results",
                    f"There are no results in {class_dir} that say whose is what.",
                    "Grade the class once, or remove the files by hand.",
                )
            ]
        ) from error


def _remove_recordings(
    class_dir: Path,
    memory: dict[str, Any],
    wanted: Callable[[dict[str, Any]], bool],
    found: Forgotten,
) -> None:
    archives = set()
    for source in (one for sources in memory["takes"].values() for one in sources if wanted(one)):
        path = memory_path(class_dir, source["path"], memory["files"][source["path"]])
        if source["member"] is None:
            _take_away(class_dir, path, found)
        else:
            archives.add((source["path"], source["file"]))
    for archive, file in sorted(archives):
        found.left.append(
            f"{file.removeprefix(FOLDER + '/')} lies inside {archive}: unpack it, remove that "
            "recording, and throw the archive away."
        )


def _named(results: Path, names: Collection[str]) -> Iterator[Path]:
    """Files and folders that are named by one of `names`, the outermost of each."""
    edited = rf"(?: \({EDITED}(?: \d+)?\))?"
    spelled = "|".join(map(re.escape, sorted(names)))
    pattern = re.compile(rf"(?:{spelled}){edited}(?:\.\w+)*")
    waiting = [results]
    while waiting:
        for path in sorted(waiting.pop().glob("*")):
            if pattern.fullmatch(path.name):
                yield path
            elif path.is_dir() and not path.is_symlink():
                waiting.append(path)


def _take_away(class_dir: Path, path: Path, found: Forgotten) -> None:
    if path.exists() or path.is_symlink():
        remove(path)
        found.removed.append(path.relative_to(class_dir).as_posix())


def _forget_in_engine(class_dir: Path, names: Collection[str]) -> None:
    """The engine's own memory: a file for each output, named by its path, and its logs."""
    engine = class_dir / ".snakemake"
    for path in (engine / "metadata").rglob("*"):
        try:
            output = base64.urlsafe_b64decode(path.name).decode("utf-8")
        except (binascii.Error, ValueError):
            continue
        if any(re.search(rf"(?:^|/){re.escape(name)}(?:[./]|$)", output) for name in names):
            path.unlink(missing_ok=True)


def _cut_lines(class_dir: Path, words: Collection[str], found: Forgotten) -> None:
    """Lines of the teacher's tables with a cell that is the student's id or file."""
    for path in sorted(path for form in TABLES for path in class_dir.glob(form)):
        lines = path.read_bytes().splitlines(keepends=True)
        kept = [line for line in lines if not _has_cell(line, words)]
        if kept != lines:
            write_bytes(path, b"".join(kept))
            found.lines.append(f"{path.name}: {len(lines) - len(kept)} lines")
    log = class_dir / "sent.log"
    if log.is_file():
        lines = log.read_bytes().splitlines(keepends=True)
        mine = re.compile(
            rb"\S+ (?:" + b"|".join(re.escape(w.encode()) for w in words) + rb"): ", re.I
        )
        kept = [line for line in lines if not mine.match(line)]
        if kept != lines:
            write_bytes(log, b"".join(kept))
            log.chmod(0o600)
            found.lines.append(f"sent.log: {len(lines) - len(kept)} lines")
    for path in class_dir.glob("marks*.xlsx"):
        found.left.append(f"{path.name} is a workbook: remove the student's lines there yourself.")


def _has_cell(line: bytes, words: Collection[str]) -> bool:
    text = line.decode("utf-8-sig", "replace").rstrip("\r\n")
    cells = (cell for delimiter in DELIMITERS for cell in split_line(text, delimiter))
    return any(cell.casefold().removeprefix(f"{FOLDER}/") in words for cell in cells)
