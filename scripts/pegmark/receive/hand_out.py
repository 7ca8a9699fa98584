"""Each student's takes: which count, and what the teacher must know of them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from pegmark.files.recordings import Recording
from pegmark.files.tables import clean_cell
from pegmark.receive import retakes, submissions
from pegmark.receive.attention_rows import attention_row
from pegmark.receive.handed import Handed, Intake, Row
from pegmark.receive.marks import Marks
from pegmark.receive.own_matches import offered_line
from pegmark.receive.retakes import Take
from pegmark.receive.roster import Roster, Student
from pegmark.records.problems import Problem, problem
from pegmark.settings.assignment import Settings
from pegmark.words.file_names import listed, shown


def hand_out(
    owners: Mapping[str, list[Recording]],
    roster: Roster,
    settings: Settings,
    numbers: Mapping[str, int],
    received: Mapping[str, datetime],
    intake: Intake,
) -> list[Handed]:
    """Each student's takes: those to grade and the others."""
    best = settings.assignment["attempts"] == "best"
    handed = []
    for student in roster.students:
        one = Handed(student)
        handed.append(one)
        found = retakes.make_takes(
            owners.get(student.student_id, []), received, numbers, settings.zone, _own(student)
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
            intake.attention.append(attention_row(told, student.student_id, takes[-1].file))
            intake.attention += _time_hint(takes, student, settings)
    return handed


def _own(student: Student) -> tuple[str, ...]:
    names = (student.given_name, student.family_name, student.nickname)
    return (student.student_id, *names, *(word for name in names for word in name.split()))


def _undecided(takes: list[Take], student_id: str) -> Problem:
    names = ", ".join(shown(take.file) for take in takes)
    lines = [offered_line(clean_cell(take.file), student_id, 2) for take in takes]
    return problem(
        "take_undecided",
        f"{len(takes)} takes came in, and nothing says which is the latest: {names}. "
        f"{shown(takes[-1].file)} was graded (chosen by content, not by time).",
        "Say which take counts: the latest gets the highest number. Add one of these lines to "
        f"matches.csv: {'  |  '.join(lines)}",
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


def _excused_row(one: Handed) -> Row:
    take = one.others[-1]
    return {
        "student_id": one.student.student_id,
        "file": take.file,
        "code": "excused_handed_in",
        "message": f"{one.student.name} is excused on the roster, but {shown(take.file)} came in.",
        "action": "To have it graded, empty the excused cell.",
    }


def point_out_doubles(handed: list[Handed], intake: Intake) -> None:
    """The same content under two students: a question to the teacher, never a verdict."""
    holders: dict[str, list[tuple[Handed, Take]]] = {}
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
        for one, _ in same:
            one.problems.append(
                problem(
                    "same_recording",
                    "The same recording also came in under another student's name.",
                    question,
                )
            )


def point_out_copies(handed: list[Handed], intake: Intake) -> None:
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
                "message": f"The very same recording under several names: {listed(copies)}.",
                "action": "Nothing to do, unless one of them was meant to be another take.",
            }
        )


def tell_marks(marks: Marks, handed: list[Handed], intake: Intake) -> None:
    """Marks that cannot be used: told by line, and the student waits for the teacher's answer."""
    by_id = {one.student.student_id: one for one in handed}
    for refused in marks.refused:
        told = problem(refused.code, refused.message, refused.action)
        intake.attention.append(attention_row(told, refused.student_id, refused.file))
        if refused.student_id and refused.code == "mark_refused":
            by_id[refused.student_id].problems.append(told)
