"""Intake: who handed in what, as small tickets for the workflow.

Runs before the workflow looks at times. A ticket is rewritten only when its content differs, and
recordings are known by their content: copying the folder anew or renaming a file changes no
ticket of decoding or listening, and only the stages whose tickets change run again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pegmark.files import store as result_files
from pegmark.files.tables import clean_cell, csv_line
from pegmark.receive import retakes, submissions, teacher_files
from pegmark.receive.marks import Mark, Marks, read_marks
from pegmark.receive.matching import Match, Matcher
from pegmark.receive.retakes import Take
from pegmark.receive.roster import Roster, Student, read_roster
from pegmark.receive.submissions import Collection, Recording, lookup
from pegmark.records.faults import FAULT
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.settings.assignment import Settings, load_assignment
from pegmark.words.file_names import shown

MAX_S = 1200.0  # 20 minutes of a recording are decoded; the rest is cut, and it is said
NAMES_IN_ROW = 30  # file names listed in one attention row; the rest is counted

__all__ = ["Intake", "lookup", "stray_report", "take_in"]

Row = dict[str, str]  # student_id, file, code, message, action

# Where a student's and a take's files lie under results; `tickets` are ours, the rest the stages'.
RESULT_FOLDERS = ("sheets", "outbox", "records", "scores", "clips", "work/faults")
STUDENT_FOLDERS = (
    *RESULT_FOLDERS,
    *(f"work/{folder}" for folder in RESULT_FOLDERS[:-1]),
    *("tickets/score", "tickets/render", "logs/score", "logs/render"),
)
LISTEN_FOLDERS = ("notes", "strings", "measured")
TAKE_FOLDERS = (
    *("decoded", *LISTEN_FOLDERS, "tickets/decode", "tickets/listen"),
    *(f"logs/{stage}" for stage in ("decode", "segment", "identify", "measure")),
)
# Problems that another run may not meet: a file that was at work, and faults of our own program.
PASSING = ("file_changed", FAULT)


@dataclass
class Intake:
    """What was taken in, and what was written."""

    class_dir: Path
    understood: str  # one line: how the roster was read
    students: list[dict[str, Any]] = field(default_factory=list)  # student_id, state, takes
    takes: list[str] = field(default_factory=list)  # every take of a student to be graded
    attention: list[Row] = field(default_factory=list)
    tickets: dict[str, str] = field(default_factory=dict)  # path under results/tickets -> text
    strays: list[submissions.Stray] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)  # sentences: whose results are gone
    again: list[str] = field(default_factory=list)  # tickets of jobs to repeat, see `_failed`
    written: int = 0
    hashed: int = 0

    def count(self, state: str) -> int:
        """How many students are received, missing or excused."""
        return sum(student["state"] == state for student in self.students)


@dataclass
class _Handed:
    """What one student handed in."""

    student: Student
    takes: list[Take] = field(default_factory=list)
    others: list[Take] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def state(self) -> str:
        if self.student.excused:
            return "excused"
        return "received" if self.takes else "missing"


def take_in(
    class_dir: Path | str,
    config_dir: Path | str,
    dry: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Intake:
    """Take in a class folder: read, match, and write the tickets that changed.

    Parameters
    ----------
    dry : write and remove nothing
    progress : called with the name of each file that is read in full (first time only)

    Raises TeacherError, before anything is written, with every mistake in settings, roster,
    matches.csv, received.csv and marks*.csv.
    """
    class_dir, config_dir = Path(class_dir), Path(config_dir)
    results = class_dir / "results"
    settings = load_assignment(class_dir, config_dir)
    roster, collection, matches, received, marks = _read_all(class_dir, settings, progress)
    intake = Intake(class_dir, roster.understood, strays=collection.strays)
    intake.hashed = collection.hashed
    intake.attention += roster.notices
    for notice in (*matches.notices, *received[1]):
        intake.attention.append(_row(notice))
    owners = _match_all(collection, roster, settings, matches, intake)
    handed = _hand_out(owners, roster, settings, matches.takes, received[0], intake)
    _point_out_doubles(handed, intake)
    _point_out_copies(handed, intake)
    _tell_marks(marks, handed, intake)
    intake.attention += _stray_rows(collection.strays)
    _make_tickets(intake, handed, settings, marks, collection)
    failed = _failed(results, intake)
    if not dry:
        _write(results, intake, handed)
        for path in failed:
            path.unlink()
    return intake


def stray_report(intake: Intake) -> list[str]:
    """A line for each file that was not taken for a recording."""
    return [f"{stray.message} {stray.action}".strip() for stray in intake.strays]


# -- reading -----------------------------------------------------------------------------------


def _read_all(
    class_dir: Path, settings: Settings, progress: Callable[[str], None] | None
) -> tuple[
    Roster,
    Collection,
    teacher_files.Matches,
    tuple[dict[str, datetime], list[Problem]],
    Marks,
]:
    """All tables and the folder; the mistakes of all of them are told together."""
    problems: list[Problem] = []

    def tried(read: Callable[[], Any]) -> Any:
        try:
            return read()
        except TeacherError as error:
            problems.extend(error.problems)
            return None

    roster = tried(lambda: read_roster(class_dir, settings))
    memory = _memory(class_dir)
    collection = tried(lambda: submissions.collect(class_dir, memory, progress))
    ids = roster.by_id() if roster else {}
    criteria = {c["id"]: float(c["points"]) for c in settings.rubric.get("criteria", [])}
    recordings = collection.recordings if collection else []
    matches = tried(lambda: teacher_files.read_matches(class_dir, recordings, ids))
    received = tried(lambda: teacher_files.read_received(class_dir, recordings, settings.zone))
    marks = tried(lambda: read_marks(class_dir, ids, criteria, settings.zone))
    if problems:
        raise TeacherError(problems)
    return roster, collection, matches, received, marks


def _memory(class_dir: Path) -> dict[str, Any]:
    """The hashes of an earlier run; a memory that cannot be read is no memory."""
    path = class_dir / "results" / "tickets" / "files.json"
    try:
        return dict(result_files.read_json(path)["files"])
    except (OSError, ValueError, KeyError, TypeError):
        return {}


# -- whose is what -----------------------------------------------------------------------------


def _match_all(
    collection: Collection,
    roster: Roster,
    settings: Settings,
    matches: teacher_files.Matches,
    intake: Intake,
) -> dict[str, list[Recording]]:
    """student_id -> recordings; what is told or asked goes to the attention list."""
    title = settings.assignment["title"]
    class_name = settings.assignment["class_name"] or intake.class_dir.resolve().name
    matcher = Matcher(roster.students, settings.instrument_names, (title, class_name))
    names = roster.by_id()
    owners: dict[str, list[Recording]] = {}
    told: list[tuple[Recording, Match]] = []
    asked: list[tuple[Recording, Match]] = []
    for recording in collection.recordings:
        owner = matches.owners.get(recording.file)
        if owner is not None:
            if owner != teacher_files.NOBODY:
                owners.setdefault(owner, []).append(recording)
            continue
        match = matcher.match(recording.file)
        if match.student_id is None:
            asked.append((recording, match))
            continue
        owners.setdefault(match.student_id, []).append(recording)
        if not match.sure:
            told.append((recording, match))
    owned = {r.sha256: sid for sid, same in owners.items() for r in same if r.size}
    waiting = [s for s in roster.students if s.student_id not in owners and not s.excused]
    for recording, match in asked:
        owner = owned.get(recording.sha256)
        if owner:  # a copy of what is already somebody's: nothing to ask
            intake.attention.append(_copy_row(recording, names[owner]))
        else:
            intake.attention.append(_asked_row(recording, match, names, waiting))
    intake.attention += _told_rows(told, names)
    return owners


def _asked_row(
    recording: Recording,
    match: Match,
    names: Mapping[str, Student],
    waiting: Sequence[Student],
) -> Row:
    """The question whose a file is. `waiting`: from whom nothing came; if few, it may be theirs."""
    file = shown(recording.file)
    ids = match.guesses
    if not ids and len(waiting) <= 2:
        ids = tuple(student.student_id for student in waiting)
    guesses = [f"{names[guess].name} ({guess})" for guess in ids]
    if guesses and not match.guesses:
        said = (
            f"{file}: no name of the roster was found in it; nothing came from "
            f"{' or '.join(guesses)}."
        )
    elif not guesses:
        said = f"{file}: no name of the roster was found in it."
    elif match.how == "no_name":
        said = f"{file}: no student's full name is in it; nearest: {' or '.join(guesses)}."
    elif match.how == "contradiction":
        said = f"{file}: the name says more than one student: {' or '.join(guesses)}."
    else:
        said = f"{file}: more than one student may be meant: {' or '.join(guesses)}."
    best = ids[0] if ids else "STUDENT_ID"
    line = csv_line([clean_cell(recording.file), best])
    other = f" (or {ids[1]})" if len(ids) > 1 else ""
    return {
        "student_id": "",
        "file": recording.file,
        "code": {"no_name": "match_none", "contradiction": "match_contradiction"}.get(
            match.how, "match_several"
        ),
        "message": f"{said} It is not graded.",
        "action": f"Add this line to matches.csv: {line}{other}. If it is nobody's, put - as the "
        "student_id.",
    }


_HOW = {
    "one_name": "one name only",
    "initial": "a name and an initial",
    "near": "a slip in the spelling",
    "across": "names on two folders",
    "told_apart": "namesakes told apart by instrument or section",
    "name": "other names beside it, or a name that is also another word",
}


def _told_rows(told: list[tuple[Recording, Match]], names: Mapping[str, Student]) -> list[Row]:
    """Matches that are used and worth a glance; those by one name share a row."""
    rows = []
    short = [(r, m) for r, m in told if m.how == "one_name"]
    if short:
        pairs = [f"{shown(r.file)} = {names[m.student_id or ''].name}" for r, m in short]
        rows.append(
            {
                "student_id": "",
                "file": "",
                "code": "matched_by_one_name",
                "message": f"Matched by one name only: {_listed(pairs)}.",
                "action": "Glance over it; correct what is wrong in matches.csv.",
            }
        )
    for recording, match in told:
        if match.how == "one_name":
            continue
        student = names[match.student_id or ""]
        line = csv_line([clean_cell(recording.file), student.student_id])
        rows.append(
            {
                "student_id": student.student_id,
                "file": recording.file,
                "code": "matched_by_likeness",
                "message": f"{shown(recording.file)} was taken for {student.name} "
                f"({_HOW[match.how]}).",
                "action": f"If that is right, add to matches.csv: {line}",
            }
        )
    return rows


def _copy_row(recording: Recording, owner: Student) -> Row:
    return {
        "student_id": owner.student_id,
        "file": recording.file,
        "code": "copy",
        "message": f"{shown(recording.file)} is the same recording as one of {owner.name}.",
        "action": "Nothing to do.",
    }


# -- takes -------------------------------------------------------------------------------------


def _hand_out(
    owners: Mapping[str, list[Recording]],
    roster: Roster,
    settings: Settings,
    numbers: Mapping[str, int],
    received: Mapping[str, datetime],
    intake: Intake,
) -> list[_Handed]:
    """Each student's takes: those to grade and the others."""
    best = settings.assignment["attempts"] == "best"
    handed = []
    for student in roster.students:
        one = _Handed(student)
        handed.append(one)
        found = retakes.make_takes(
            owners.get(student.student_id, []), received, numbers, settings.zone
        )
        if not found:
            continue
        order = retakes.order_takes(found)
        takes = list(order.takes)
        if student.excused:
            one.others = takes
            intake.attention.append(_excused_row(one))
            continue
        one.takes, one.others = (takes, []) if best else (takes[-1:], takes[:-1])
        if not (order.decided or best):
            told = _undecided(takes, student.student_id)
            one.problems.append(told)
            intake.attention.append(_row(told, student.student_id, takes[-1].file))
            intake.attention += _time_hint(takes, student, settings)
    return handed


def _undecided(takes: list[Take], student_id: str) -> Problem:
    names = ", ".join(shown(take.file) for take in takes)
    line = csv_line([clean_cell(takes[-1].file), student_id, "2"])
    return problem(
        "take_undecided",
        f"{len(takes)} takes came in, and nothing says which is the latest: {names}. "
        f"{shown(takes[-1].file)} was graded (chosen by content, not by time).",
        "Say which take counts: give the latest the highest number in matches.csv (file, "
        f"student_id, take), such as {line}.",
    )


def _time_hint(takes: list[Take], student: Student, settings: Settings) -> list[Row]:
    """File times of undecided takes, as a hint: copying and downloading change them."""
    zone = settings.zone or UTC
    ordered = sorted(takes, key=lambda take: (take.mtime_ns, take.sha256))
    if ordered[-1].mtime_ns - ordered[-2].mtime_ns < 60 * 10**9:
        return []
    spoken = ", ".join(
        f"{shown(take.file)} {datetime.fromtimestamp(take.mtime_ns // 10**9, zone):%Y-%m-%d %H:%M}"
        for take in ordered
    )
    return [
        {
            "student_id": student.student_id,
            "file": ordered[-1].file,
            "code": "take_hint",
            "message": f"File times, which copying and downloading change: {spoken}.",
            "action": "A hint only; decide which take counts.",
        }
    ]


def _excused_row(one: _Handed) -> Row:
    take = one.others[-1]
    return {
        "student_id": one.student.student_id,
        "file": take.file,
        "code": "excused_handed_in",
        "message": f"{one.student.name} is excused on the roster, but {shown(take.file)} came in.",
        "action": "To have it graded, empty the excused cell.",
    }


def _point_out_doubles(handed: list[_Handed], intake: Intake) -> None:
    """The same content under two students: a question to the teacher, never a verdict."""
    holders: dict[str, list[tuple[_Handed, Take]]] = {}
    for one in handed:
        for take in (*one.takes, *one.others):
            if take.sha256 != submissions.EMPTY_SHA256:
                holders.setdefault(take.sha256, []).append((one, take))
    for same in holders.values():
        if len(same) < 2:
            continue
        spoken = " and ".join(f"{one.student.name} ({shown(take.file)})" for one, take in same)
        question = "Was one filed under the wrong name? Settle it in matches.csv, or mark by hand."
        intake.attention.append(
            {
                "student_id": "",
                "file": same[0][1].file,
                "code": "same_recording",
                "message": f"The same recording came in for {spoken}.",
                "action": question,
            }
        )
        for one, take in same:
            told = problem(
                "same_recording",
                "The same recording also came in under another student's name.",
                question,
            )
            one.problems.append(told)
            intake.attention.append(_row(told, one.student.student_id, take.file))


def _point_out_copies(handed: list[_Handed], intake: Intake) -> None:
    """The same content twice from one student: one row for all of them."""
    copies = [
        f"{one.student.name}: {' = '.join(shown(file) for file in take.files)}"
        for one in handed
        for take in (*one.takes, *one.others)
        if len(take.files) > 1
    ]
    if copies:
        intake.attention.append(
            {
                "student_id": "",
                "file": "",
                "code": "copies",
                "message": f"The very same recording under several names: {_listed(copies)}.",
                "action": "Nothing to do, unless one of them was meant to be another take.",
            }
        )


def _tell_marks(marks: Marks, handed: list[_Handed], intake: Intake) -> None:
    """Marks that cannot be used: told by line, and the student waits for the teacher's answer."""
    by_id = {one.student.student_id: one for one in handed}
    for refused in marks.refused:
        told = problem(refused.code, refused.message, refused.action)
        intake.attention.append(_row(told, refused.student_id, refused.file))
        if refused.student_id and refused.code == "mark_refused":
            by_id[refused.student_id].problems.append(told)


def _stray_rows(strays: Iterable[submissions.Stray]) -> list[Row]:
    """Strays as attention rows; what needs no answer shares a row of its kind."""
    rows = []
    grouped: dict[str, list[str]] = {"system_file": [], "not_a_recording": []}
    for stray in strays:
        if stray.code in grouped:
            grouped[stray.code].append(shown(stray.file))
        else:
            rows.append({"student_id": "", **vars(stray)})
    if grouped["not_a_recording"]:
        rows.append(
            {
                "student_id": "",
                "file": "",
                "code": "not_a_recording",
                "message": f"No recordings, left aside: {_listed(grouped['not_a_recording'])}.",
                "action": "Nothing to do, unless one of them was meant to be a recording.",
            }
        )
    if grouped["system_file"]:
        rows.append(
            {
                "student_id": "",
                "file": "",
                "code": "system_file",
                "message": f"Files of the computer's own, left aside: "
                f"{_listed(grouped['system_file'])}.",
                "action": "Nothing to do.",
            }
        )
    return rows


def _listed(names: list[str]) -> str:
    more = len(names) - NAMES_IN_ROW
    return ", ".join(names[:NAMES_IN_ROW]) + (f" and {more} more" if more > 0 else "")


def _row(told: Problem, student_id: str = "", file: str = "") -> Row:
    return {
        "student_id": student_id,
        "file": file,
        "code": told["code"],
        "message": told["message"],
        "action": told["action"],
    }


# -- tickets -----------------------------------------------------------------------------------


def take_id(sha256: str, instrument_key: str) -> str:
    """'3fa9c1d2e4b5a697-double_bass': a recording as one instrument is measured once."""
    return f"{sha256[:16]}-{instrument_key.replace(' ', '_')}"


def _make_tickets(
    intake: Intake,
    handed: list[_Handed],
    settings: Settings,
    marks: Marks,
    collection: Collection,
) -> None:
    tickets: dict[str, Any] = {}
    sources: dict[str, list[dict[str, Any]]] = {}
    whose: list[dict[str, str]] = []
    by_content: dict[str, list[Recording]] = {}
    for recording in collection.recordings:
        by_content.setdefault(recording.sha256, []).append(recording)
    for one in handed:
        student_id = one.student.student_id
        instrument = settings.instruments[one.student.instrument]
        ids = [take_id(take.sha256, instrument.key) for take in one.takes]
        # Takes that do not count are listened to as well: one may be another one over again.
        for take in (*one.takes, *one.others) if one.takes else ():
            name = take_id(take.sha256, instrument.key)
            whose.append({"take": name, "student_id": student_id, "file": take.file})
            tickets[f"decode/{name}.json"] = {"take": name, "sha256": take.sha256, "max_s": MAX_S}
            tickets[f"listen/{name}.json"] = {"take": name, "instrument": instrument.as_dict()}
            sources[name] = [vars(recording) for recording in by_content[take.sha256]]
        tickets[f"score/{student_id}.json"] = _score_ticket(
            one, settings, marks.by_student.get(student_id, ())
        )
        tickets[f"render/{student_id}.json"] = _render_ticket(one, settings, intake.class_dir)
        intake.students.append({"student_id": student_id, "state": one.state, "takes": ids})
    intake.takes = sorted(sources)
    tickets["publish.json"] = {
        **_publish_ticket(intake, handed, settings, marks),
        "takes": whose,
    }
    tickets["class.json"] = {"students": intake.students, "takes": intake.takes}
    tickets["files.json"] = {"files": collection.memory, "takes": sources}
    intake.tickets = {path: result_files.dump_json(ticket) for path, ticket in tickets.items()}


def _student_block(student: Student, settings: Settings) -> dict[str, Any]:
    return {
        "student_id": student.student_id,
        "family_name": student.family_name,
        "given_name": student.given_name,
        "instrument": settings.instruments[student.instrument].name,
        "section": student.section,
    }


def _score_ticket(one: _Handed, settings: Settings, marks: Iterable[Mark]) -> dict[str, Any]:
    student = one.student
    due = student.due or settings.due
    key = student.instrument
    attempts = len(one.takes) + len(one.others)
    return {
        "student": _student_block(student, settings),
        "instrument": settings.instruments[key].as_dict(),
        "state": one.state,
        "problems": one.problems,
        "takes": [
            {
                "take": take_id(take.sha256, key),
                "file": take.file,
                "sha256": take.sha256,
                "attempt": take.attempt,
                "attempts": attempts,
                "received": _iso(take.received),
                "hours_late": retakes.hours_late(take.received, due),
            }
            for take in one.takes
        ],
        "other_takes": [
            {"file": take.file, "sha256": take.sha256, "received": _iso(take.received)}
            for take in one.others
        ],
        "policy": settings.assignment["attempts"],
        "late": settings.assignment["late"],
        "reference": settings.reference,
        "tolerances": settings.assignment["tolerances"],
        "rubric": settings.rubric,
        "marks": [mark.as_dict() for mark in marks],
        "language": _language(student, settings),
        "sentences": _sentences(student, settings).get("score", {}),
    }


def _render_ticket(one: _Handed, settings: Settings, class_dir: Path) -> dict[str, Any]:
    student = one.student
    words = _sentences(student, settings)
    return {
        "language": _language(student, settings),
        "sentences": {"sheet": words.get("sheet", {}), "mail": words.get("mail", {})},
        "paper": settings.assignment["paper"],
        "title": settings.assignment["title"],
        "due": _iso(student.due or settings.due),
        "email": student.email,
        "drafts": settings.assignment["drafts"],
        "class_name": settings.assignment["class_name"] or class_dir.resolve().name,
        "epoch": settings.epoch,
        "instrument": settings.instruments[student.instrument].as_dict(),
        "tolerances": settings.assignment["tolerances"],
    }


def _publish_ticket(
    intake: Intake, handed: list[_Handed], settings: Settings, marks: Marks
) -> dict[str, Any]:
    assignment = settings.assignment
    return {
        "title": assignment["title"],
        "class_name": assignment["class_name"] or intake.class_dir.resolve().name,
        "students": [_roster_row(one.student, settings) for one in handed],
        "attention": intake.attention,
        "rubric": settings.rubric,
        "tolerances": assignment["tolerances"],
        "reference": settings.reference,
        "epoch": settings.epoch,
        "due": _iso(settings.due),
        "language": assignment["language"],
        "marks": [
            {"student_id": student_id, **mark.as_dict()}
            for student_id, row in marks.by_student.items()
            for mark in row
        ],
        "policies": {key: assignment[key] for key in ("attempts", "drafts", "late")},
        "understood": intake.understood,
    }


def _roster_row(student: Student, settings: Settings) -> dict[str, Any]:
    """A row of the roster: extra columns as they are, then ours."""
    row = student.as_dict()
    extra = row.pop("extra")
    ours = {**row, **_student_block(student, settings), "instrument_key": student.instrument}
    return {**extra, **ours}


def _language(student: Student, settings: Settings) -> str:
    return str(student.language or settings.assignment["language"])


def _sentences(student: Student, settings: Settings) -> dict[str, Any]:
    return settings.sentences.get(_language(student, settings), {})


def _iso(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None


# -- writing -----------------------------------------------------------------------------------


def _write(results: Path, intake: Intake, handed: list[_Handed]) -> None:
    """Write the tickets that differ; take away what belongs to nobody any more."""
    tickets = results / "tickets"
    for path, text in intake.tickets.items():
        intake.written += result_files.write_if_changed(tickets / path, text)
    students = {one.student.student_id for one in handed}
    takes = {
        take_id(take.sha256, one.student.instrument)
        for one in handed
        for take in (*one.takes, *one.others)
    }
    intake.removed += _remove_students(results, students)
    intake.removed += _remove_takes(results, takes, set(intake.takes))


def _remove_students(results: Path, students: set[str]) -> list[str]:
    """Everything that was made for students who are no longer on the roster."""
    names = {
        path.stem: _name_in(path)
        for path in (results / "tickets" / "score").glob("*.json")
        if path.stem not in students
    }
    gone: set[str] = set()
    for folder in STUDENT_FOLDERS:
        for path in _listing(results / folder):
            owner = re.sub(r"\.(?:json|pdf|eml|log)$", "", path.name)
            alone = owner == path.name and not path.is_dir()  # no file of ours
            if owner not in students and not alone and not owner.startswith("."):
                result_files.remove(path)
                gone.add(owner)
    return [
        f"{names.get(owner) or owner} is no longer on the roster: the sheet, draft, record and "
        "clips made before are removed."
        for owner in sorted(gone)
    ]


def _name_in(ticket: Path) -> str:
    try:
        student = result_files.read_json(ticket)["student"]
        return f"{student['given_name']} {student['family_name']} ({student['student_id']})".strip()
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _remove_takes(results: Path, kept: set[str], graded: set[str]) -> list[str]:
    """What was made of recordings that are no student's any more, and tickets not needed now."""
    gone: set[str] = set()
    for folder in TAKE_FOLDERS:
        alive = graded if folder.startswith(("tickets/", "logs/")) else kept
        for path in _listing(results / folder):
            take = path.name.split(".")[0]
            if re.match(r"[0-9a-f]{16}-", take) and take not in alive:
                path.unlink()
                if take not in kept:
                    gone.add(take)
    contents = {take[:16] for take in kept}
    for path in _listing(results / "unzipped"):
        if path.name[:16] not in contents and not path.name.startswith("."):
            path.unlink()
    if not gone:
        return []
    many = len(gone) != 1
    return [
        f"{len(gone)} recording{'s are' if many else ' is'} no student's any more: what was "
        f"measured of {'them' if many else 'it'} is removed."
    ]


def _failed(results: Path, intake: Intake) -> list[Path]:
    """Results that hold a passing problem: they are taken away, so that their jobs run again.

    What the jobs' tickets are stands in `intake.again`, for a dry run.
    """
    failed: list[Path] = []

    def forget(ticket: str, *paths: Path) -> None:
        intake.again.append(ticket)
        failed.extend(path for path in paths if path.is_file())

    for take in intake.takes:
        facts = results / "decoded" / f"{take}.json"
        heard = [results / folder / f"{take}.json" for folder in LISTEN_FOLDERS]
        if _has_passing(facts):
            forget(f"decode/{take}.json", facts, facts.with_suffix(".npy"))
        elif any(map(_has_passing, heard)):
            forget(f"listen/{take}.json", *heard)
    for student in intake.students:
        name = f"{student['student_id']}.json"
        if _has_passing(results / "work" / "records" / name):
            forget(f"score/{name}", results / "work" / "records" / name)
        if _has_passing(results / "work" / "faults" / name):
            forget(f"render/{name}", results / "work" / "faults" / name)
    opinions = [results / "work" / "recheck.json", results / "tickets" / "recheck.json"]
    if _has_passing(opinions[0]):
        forget("code/recheck.json", *opinions)
    return failed


def _has_passing(path: Path) -> bool:
    try:
        text = path.read_text(encoding="utf-8")
        if not any(f'"{code}"' in text for code in PASSING):
            return False
        found = result_files.read_json(path)
    except (OSError, ValueError):
        return False
    problems = found if isinstance(found, list) else found["problems"]
    return any(one["code"] in PASSING for one in problems)


def _listing(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.is_dir() else []
