"""Taking a child's recordings and results out of a class folder, or all recordings' sound.

What a class folder holds of one student: recordings below submissions/ (those that count, earlier
ones, and those of a student who is excused), everything below results/ that is named by the
student or by the content of a recording, lines in the teacher's tables, the roster's row, and the
engine's memory of it. Whose a recording is, is asked of the folder as it is now and of the last
results: the roster may have changed since. What stands outside the folder cannot be reached, and is
told.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pegmark.files.made import EDITED
from pegmark.files.recordings import memory_path
from pegmark.files.store import read_json, remove, write_bytes
from pegmark.receive.cut_lines import Theirs, cut_lines, cut_numbered
from pegmark.receive.intake import take_in
from pegmark.receive.roster import find_roster, roster_table
from pegmark.receive.submissions import FOLDER, collect
from pegmark.records.problems import TeacherError, problem
from pegmark.settings.assignment import read_settings
from pegmark.words.file_names import listed

TABLES = ("matches*.csv", "received.csv", "sent.csv", "marks*.csv", "blind*.csv")
SOUND_FOLDERS = ("decoded", "clips", "work/clips", "unzipped")
RECORDINGS_GONE = ("class_gone", "no_recordings")  # codes of a class without its recordings
OUT_OF_REACH = (
    "Not reached: backups and copies elsewhere, the folders of other weeks (run this there too), "
    "mails that went out, the learning platform, the school's own gradebook."
)
KEEP_RESULTS = (
    "The points stand in results as they are. Do not grade this folder again: without its "
    "recordings nothing is handed in."
)


@dataclass
class Forgotten:
    """What was taken away, and what must be done by hand."""

    removed: list[str] = field(default_factory=list)  # paths below the class folder
    lines: list[str] = field(default_factory=list)  # "marks.csv: 3 lines"
    left: list[str] = field(default_factory=list)  # sentences
    again: bool = False  # whether the rest of the class is to be graded again

    def sentences(self) -> list[str]:
        """The report for the teacher."""
        told = [f"Removed: {path}" for path in self.removed]
        told += [f"Removed from {line}" for line in self.lines]
        return [*(told or ["There was nothing to remove."]), *self.left, OUT_OF_REACH]


@dataclass(frozen=True)
class _Folder:
    """What is known of the recordings of a class."""

    path: Path
    files: Mapping[str, Any]  # path below the class folder -> what was found there
    owners: Mapping[str, set[str]]  # SHA-256 -> students
    students: set[str]
    whole: bool  # whether the class still has its recordings

    def recordings(self) -> Iterator[tuple[str, str, str | None, int]]:
        """(key in `files`, SHA-256, name inside an archive, time of change in ns)."""
        for key, known in self.files.items():
            if known["kind"] == "recording":
                yield key, known["sha256"], None, known["mtime_ns"]
            for member in known.get("members", ()):
                yield key, member["sha256"], member["file"], known["mtime_ns"]


def forget_student(class_dir: Path, config_dir: Path, student_id: str) -> Forgotten:
    """Remove everything of one student. Raises TeacherError: nobody of that id is known."""
    folder = _look(class_dir, config_dir)
    if student_id not in folder.students:
        raise TeacherError([_nobody(student_id, folder.students)])
    contents = {sha for sha, whose in folder.owners.items() if whose == {student_id}}
    mine = {sha for sha, whose in folder.owners.items() if student_id in whose}
    files = _file_names(folder, mine)
    found = Forgotten(again=folder.whole)
    _remove_recordings(folder, lambda sha, _: sha in contents, found)
    if mine - contents:
        found.left.append(
            "A recording that came in under another student's name as well was left: "
            f"{listed(sorted(_file_names(folder, mine - contents)))}."
        )
    names = _names(student_id, contents)
    for path in _named(class_dir / "results", names):
        _take_away(class_dir, path, found)
    clear_logs(class_dir)
    _take_away(class_dir, class_dir / "results" / "tickets" / "recheck.json", found)
    _forget_in_engine(class_dir, names)
    _cut_tables(class_dir, Theirs(student_id, files), found)
    _cut_roster(class_dir, config_dir, student_id, found)
    _cut_sent_log(class_dir, student_id, found)
    _tell_rest(class_dir, folder, found)
    return found


def forget_sound(class_dir: Path, before: datetime | None) -> Forgotten:
    """Remove recordings and what sounds or shows of them; measurements, sheets and points stay.

    `before`: only recordings whose file is older than that; None: all. What was decoded of
    recordings that have vanished goes in any case: nobody can say how old they were.
    """
    folder = _look(class_dir, None)
    found = Forgotten()

    def old(_: str, mtime_ns: int) -> bool:
        return before is None or datetime.fromtimestamp(mtime_ns / 1e9, UTC) < before

    young = {sha[:16] for _, sha, _, mtime_ns in folder.recordings() if not old(sha, mtime_ns)}
    _remove_recordings(folder, old, found)
    results = class_dir / "results"
    for name in SOUND_FOLDERS:
        for path in sorted((results / name).glob("*")):
            content = _graded(results, path.name) if name.endswith("clips") else path.name[:16]
            if path.suffix != ".json" and content not in young:  # facts do not sound
                _take_away(class_dir, path, found)
    if found.removed:
        found.left.append(KEEP_RESULTS)
    return found


def clear_logs(class_dir: Path) -> None:
    """Remove the logs of the class as a whole, which may name anybody."""
    for form in ("results/logs/*.log", ".snakemake/log/*", ".snakemake/iocache/*"):
        for path in class_dir.glob(form):
            remove(path)


# -- whose is what --------------------------------------------------------------------------------


def _look(class_dir: Path, config_dir: Path | None) -> _Folder:
    """What the last results say of the folder, and what a look at it says now.

    Without `config_dir` nobody is told apart. Raises TeacherError where there are no results.
    """
    results = class_dir / "results"
    try:
        memory = read_json(results / "tickets" / "files.json")["files"]
        tickets = [read_json(path) for path in (results / "tickets" / "score").glob("*.json")]
    except (OSError, ValueError, KeyError) as error:
        raise TeacherError([_no_results(class_dir)]) from error
    whole = True
    if config_dir:
        now, whole = _fresh(class_dir, config_dir)
        tickets += now
    owners: dict[str, set[str]] = {}
    for ticket in tickets:
        for take in (*ticket["takes"], *ticket["spare_takes"], *ticket["other_takes"]):
            owners.setdefault(take["sha256"], set()).add(ticket["student"]["student_id"])
    students = {ticket["student"]["student_id"] for ticket in tickets}
    files = collect(class_dir, memory).memory if (class_dir / FOLDER).is_dir() else {}
    return _Folder(class_dir, files, owners, students, whole)


def _fresh(class_dir: Path, config_dir: Path) -> tuple[list[dict[str, Any]], bool]:
    """The students' tickets as a run would write them now, none where the tables are broken; and
    whether the class still has its recordings."""
    whole = True
    try:
        try:
            intake = take_in(class_dir, config_dir, dry=True)
        except TeacherError as error:
            if not any(one["code"] in RECORDINGS_GONE for one in error.problems):
                return [], True
            whole = False
            intake = take_in(class_dir, config_dir, dry=True, go_on=True)
    except TeacherError:
        return [], whole
    texts = (text for path, text in intake.tickets.items() if path.startswith("score/"))
    return [json.loads(text) for text in texts], whole


def _no_results(class_dir: Path) -> Any:
    return problem(
        "no_results",
        f"There are no results in {class_dir} that say whose is what.",
        "Grade the class once, or remove the files by hand.",
    )


def _nobody(student_id: str, known: Collection[str]) -> Any:
    return problem(
        "nobody",
        f"There is no student {student_id} on the roster or in the last results.",
        f"Known: {', '.join(sorted(known))}.",
    )


def _file_names(folder: _Folder, contents: Collection[str]) -> set[str]:
    """The paths below submissions/ of some contents, and their bare names where only they have
    them."""
    named: dict[str, set[bool]] = {}
    paths = set()
    for key, sha, member, _ in folder.recordings():
        path = "/".join(filter(None, (key.removeprefix(f"{FOLDER}/"), member)))
        named.setdefault(path.rpartition("/")[2], set()).add(sha in contents)
        if sha in contents:
            paths.add(path)
    return paths | {name for name, whose in named.items() if whose == {True}}


# -- taking away ----------------------------------------------------------------------------------


def _remove_recordings(
    folder: _Folder, wanted: Callable[[str, int], bool], found: Forgotten
) -> None:
    for key, sha, member, mtime_ns in folder.recordings():
        if not wanted(sha, mtime_ns):
            continue
        if member is None:
            _take_away(folder.path, memory_path(folder.path, key, folder.files[key]), found)
        else:
            found.left.append(
                f"{member} lies inside {key}: unpack it, remove that recording, and throw the "
                "archive away."
            )


def _graded(results: Path, owner: str) -> str:
    """The first digits of the take that a student's clips are from; "" where nothing says it."""
    try:
        submission = read_json(results / "records" / f"{owner}.json")["submission"]
        return str(submission["sha256"])[:16]
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _names(student_id: str, contents: Collection[str]) -> str:
    """How files of a student are named, as a regular expression: by the id, or by a content."""
    takes = (rf"{sha[:16]}[0-9a-f]*(?:-\w+)?" for sha in sorted(contents))
    return "|".join((re.escape(student_id), *takes))


def _named(results: Path, names: str) -> Iterator[Path]:
    """Files and folders that are named so, the outermost of each."""
    edited = rf"(?: \({EDITED}(?: \d+)?\))?"
    pattern = re.compile(rf"(?:{names}){edited}(?:\.\w+)*")
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


def _forget_in_engine(class_dir: Path, names: str) -> None:
    """The engine's own memory: a file for each output, named by its path, and its logs."""
    pattern = re.compile(rf"(?:^|/)(?:{names})(?:[./]|$)")
    for path in (class_dir / ".snakemake" / "metadata").rglob("*"):
        try:
            output = base64.urlsafe_b64decode(path.name).decode("utf-8")
        except (binascii.Error, ValueError):
            continue
        if pattern.search(output):
            path.unlink(missing_ok=True)


# -- the teacher's own tables ---------------------------------------------------------------------


def _cut_tables(class_dir: Path, whose: Theirs, found: Forgotten) -> None:
    for path in sorted(path for form in TABLES for path in class_dir.glob(form)):
        _say_cut(path.name, cut_lines(path, whose), found)
    for path in class_dir.glob("marks*.xlsx"):
        found.left.append(f"{path.name} is a workbook: remove the student's lines there yourself.")


def _cut_sent_log(class_dir: Path, student_id: str, found: Forgotten) -> None:
    log = class_dir / "sent.log"
    if not log.is_file():
        return
    lines = log.read_bytes().splitlines(keepends=True)
    mine = re.compile(rb"\S+ " + re.escape(student_id.encode()) + rb": ")
    kept = [line for line in lines if not mine.match(line)]
    if kept != lines:
        write_bytes(log, b"".join(kept))
        log.chmod(0o600)
    _say_cut(log.name, len(lines) - len(kept), found)


def _cut_roster(class_dir: Path, config_dir: Path, student_id: str, found: Forgotten) -> None:
    """Remove the row from a roster of text, where what is left is surely the others' rows."""
    settings, _ = read_settings(class_dir, config_dir)
    try:
        path = find_roster(class_dir)
        table = roster_table(class_dir, path, settings)
    except TeacherError:
        found.left.append("The roster cannot be read: take the student out there yourself.")
        return
    mine = {row.line for row in table.rows if table.cell(row, "student_id") == student_id}
    others = [row.cells for row in table.rows if row.line not in mine]
    if not mine:
        return
    if table.unit == "line" and others:
        before = path.read_bytes()
        cut = cut_numbered(path, mine)
        if [row.cells for row in roster_table(class_dir, path, settings).rows] == others:
            _say_cut(path.name, cut, found)
            return
        write_bytes(path, before)
    found.left.append(
        f"{path.name} still has {student_id}: take the student out there yourself, or the name "
        "stays in the results."
    )


def _say_cut(name: str, lines: int, found: Forgotten) -> None:
    if lines:
        found.lines.append(f"{name}: {lines} line{'s' if lines > 1 else ''}")


def _tell_rest(class_dir: Path, folder: _Folder, found: Forgotten) -> None:
    """What may still name the student and is not taken away by itself."""
    edited = sorted(path.name for path in (class_dir / "results").glob(f"*({EDITED}*"))
    if edited:
        found.left.append(f"Edited by hand, and may name the student: {listed(edited)}.")
    if not folder.whole:
        found.left.append(
            "The other students' recordings are not there, so the class was not graded again: the "
            "pages and tables of the class in results still name the student. Edit or remove them."
        )
