"""Tickets: what each later stage is told, a small file each, by content."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from pegmark.files import store as result_files
from pegmark.files.media import MAX_S
from pegmark.files.recordings import Recording
from pegmark.files.sent import read_sent
from pegmark.receive import retakes
from pegmark.receive.handed import Handed, Intake
from pegmark.receive.marks import Mark, Marks
from pegmark.receive.retakes import Take
from pegmark.receive.roster import Student
from pegmark.receive.submissions import Collection
from pegmark.records.faults import fault
from pegmark.records.problems import TeacherError
from pegmark.records.validation import RecordError, valid
from pegmark.settings.assignment import Settings
from pegmark.words import times

if TYPE_CHECKING:
    from pegmark.records.student import StudentName
    from pegmark.records.tickets import CountedTake, ScoreTicket, Week, WhoseTake
    from pegmark.records.values import InstrumentName


def take_id(sha256: str, instrument_key: str) -> str:
    """'3fa9c1d2e4b5a697-double_bass': a recording as one instrument is measured once."""
    return f"{sha256[:16]}-{instrument_key.replace(' ', '_')}"


def make_tickets(
    intake: Intake,
    handed: list[Handed],
    settings: Settings,
    marks: Marks,
    collection: Collection,
    weeks: dict[str, list[Week]],
) -> None:
    tickets: dict[str, Any] = {}
    sources: dict[str, list[dict[str, Any]]] = {}
    whose: list[WhoseTake] = []
    by_content: dict[str, list[Recording]] = {}
    for recording in collection.recordings:
        by_content.setdefault(recording.sha256, []).append(recording)
    for one in handed:
        student_id = one.student.student_id
        instrument = settings.instruments[one.student.instrument]
        ids = [take_id(take.sha256, instrument.key) for take in (*one.spares, *one.takes)]
        # Takes that do not count are listened to as well: one may be another one over again.
        for take in (*one.takes, *one.others) if one.takes else ():
            name = take_id(take.sha256, instrument.key)
            whose.append(
                {
                    "take": name,
                    "student_id": student_id,
                    "file": take.file,
                    "named_day": _named_day(take),
                    "received": _iso(take.received),
                }
            )
            tickets[f"decode/{name}.json"] = {"take": name, "sha256": take.sha256, "max_s": MAX_S}
            tickets[f"listen/{name}.json"] = {"take": name, "instrument": instrument.as_dict()}
            sources[name] = [vars(recording) for recording in by_content[take.sha256]]
        tickets[f"score/{student_id}.json"] = _score_ticket(
            one, settings, marks.by_student.get(student_id, ())
        )
        tickets[f"render/{student_id}.json"] = {
            **_render_ticket(one, settings, intake.class_dir),
            "weeks": weeks.get(student_id, []),
        }
        intake.students.append({"student_id": student_id, "state": one.state, "takes": ids})
    intake.takes = sorted(sources)
    tickets["publish.json"] = {
        **_publish_ticket(intake, handed, settings, marks),
        "takes": whose,
        "weeks": {id_: weeks[id_] for one in handed if (id_ := one.student.student_id) in weeks},
        "sent": _sent(intake.class_dir),
    }
    tickets["class.json"] = {"students": intake.students, "takes": intake.takes}
    tickets["files.json"] = {"files": collection.memory, "takes": sources}
    _look_at(tickets)
    intake.tickets = {path: result_files.dump_line(ticket) for path, ticket in tickets.items()}


def _look_at(tickets: dict[str, Any]) -> None:
    """Look at the two tickets that no stage's start looks at; raises TeacherError."""
    try:
        valid(tickets["class.json"], "ticket_class")
        valid(tickets["files.json"], "ticket_files")
    except RecordError as error:
        raise TeacherError([fault(error)]) from error


def _named_day(take: Take) -> str | None:
    """The day that stands in a take's name, the innermost first, where there is one."""
    parts = (part for file in take.files for part in reversed(file.split("/")))
    return next((day.isoformat() for part in parts if (day := times.day_in_name(part))), None)


def _sent(class_dir: Path) -> dict[str, list[str]]:
    """student_id -> the sheets that went out, as sent.csv says."""
    sent: dict[str, list[str]] = {}
    for student_id, sheet in sorted(read_sent(class_dir)):
        sent.setdefault(student_id, []).append(sheet)
    return sent


def _student_block(student: Student, settings: Settings) -> StudentName:
    return {
        "student_id": student.student_id,
        "family_name": student.family_name,
        "given_name": student.given_name,
        "instrument": cast("InstrumentName", settings.instruments[student.instrument].name),
        "section": student.section,
    }


def _score_ticket(one: Handed, settings: Settings, marks: Iterable[Mark]) -> ScoreTicket:
    student = one.student
    due = student.due or settings.due
    key = student.instrument
    attempts = len(one.takes) + len(one.others)

    def handed_in(take: Take) -> CountedTake:
        return {
            "take": take_id(take.sha256, key),
            "file": take.file,
            "sha256": take.sha256,
            "attempt": take.attempt,
            "attempts": attempts,
            "received": _iso(take.received),
            "hours_late": retakes.hours_late(take.received, due),
        }

    return {
        "student": _student_block(student, settings),
        "instrument": settings.instruments[key].as_dict(),
        "state": one.state,
        "problems": one.problems,
        "takes": [handed_in(take) for take in one.takes],
        "spare_takes": [handed_in(take) for take in one.spares],
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


def _render_ticket(one: Handed, settings: Settings, class_dir: Path) -> dict[str, Any]:
    student = one.student
    words = _sentences(student, settings)
    return {
        "language": _language(student, settings),
        "sentences": {"sheet": words.get("sheet", {}), "mail": words.get("mail", {})},
        "paper": settings.assignment["paper"],
        "title": settings.assignment["title"],
        "due": _iso(student.due or settings.due),
        "email": student.email,
        "teacher": settings.assignment["teacher"],
        "stills": settings.assignment["stills"],
        "drafts": settings.assignment["drafts"],
        "class_name": settings.assignment["class_name"] or class_dir.resolve().name,
        "epoch": settings.epoch,
        "instrument": settings.instruments[student.instrument].as_dict(),
        "tolerances": settings.assignment["tolerances"],
    }


def _publish_ticket(
    intake: Intake, handed: list[Handed], settings: Settings, marks: Marks
) -> dict[str, Any]:
    assignment = settings.assignment
    return {
        "title": assignment["title"],
        "class_name": assignment["class_name"] or intake.class_dir.resolve().name,
        "students": [_roster_row(one.student, settings) for one in handed],
        "attention": intake.attention,
        "questions": intake.questions,
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
        "gradebook": assignment["gradebook"],
        "blind": intake.blind,
        "policies": {key: assignment[key] for key in ("attempts", "drafts", "late")},
        "understood": intake.understood,
        "comments": assignment["comments"],
        "stills": assignment["stills"],
        "ear": {
            language: {**words["ear"], "notes": words["sheet"]["notes"]}
            for language, words in settings.sentences.items()
        },
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
