"""Whose the recordings are: matches.csv first, then the names; what is told or asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pegmark.files.recordings import Recording
from pegmark.files.tables import clean_cell
from pegmark.receive.handed import Intake, Row
from pegmark.receive.matching import Match, Matcher
from pegmark.receive.own_matches import NOBODY, Matches, offered_line
from pegmark.receive.roster import Roster, Student
from pegmark.receive.submissions import Collection
from pegmark.settings.assignment import Settings
from pegmark.words.file_names import listed, shown


def match_all(
    collection: Collection,
    roster: Roster,
    settings: Settings,
    matches: Matches,
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
            if owner != NOBODY:
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
            intake.questions.append(_file_question(recording, match, names, waiting))
    intake.attention += _told_rows(told, names)
    return owners


def _asked_row(
    recording: Recording,
    match: Match,
    names: Mapping[str, Student],
    waiting: Sequence[Student],
) -> Row:
    """The question whose a file is. `waiting`: from whom nothing came; if few, it may be theirs."""
    return {
        "student_id": "",
        "file": recording.file,
        "code": {"no_name": "match_none", "contradiction": "match_contradiction"}.get(
            match.how, "match_several"
        ),
        "message": f"{shown(recording.file)}: {_question(match, names, waiting)} It is not graded.",
        "action": _offer(recording, match),
    }


def _file_question(
    recording: Recording,
    match: Match,
    names: Mapping[str, Student],
    waiting: Sequence[Student],
) -> dict[str, Any]:
    """The same question as the class page asks it: those who may be meant are its answers."""
    left = [one.student_id for one in waiting] if len(waiting) in (1, 2) else []
    return {
        "file": recording.file,
        "asked": _question(match, names, waiting),
        "guesses": list(dict.fromkeys([*match.guesses, *left])),
    }


def _question(match: Match, names: Mapping[str, Student], waiting: Sequence[Student]) -> str:
    guesses = " or ".join(f"{names[guess].name} ({guess})" for guess in match.guesses)
    if not guesses:
        no_name = "no name from the roster was found in it"
        if len(waiting) not in (1, 2):
            return f"{no_name}."
        left = " or ".join(f"{one.name} ({one.student_id})" for one in waiting)
        return f"{no_name}; nothing has come from {left}."
    if match.how == "no_name":
        return f"no student's full name is in it; nearest: {guesses}."
    if match.how == "contradiction":
        return f"the name says more than one student: {guesses}."
    return f"more than one student may be meant: {guesses}."


def _offer(recording: Recording, match: Match) -> str:
    """A line for each student whom something in the name speaks for, and one for no student."""
    file = clean_cell(recording.file)
    lines = [offered_line(file, one) for one in match.guesses[: match.spoken_for]]
    unmatched = offered_line(file, NOBODY)
    if not lines:
        return (
            "Add this line to matches.csv with the student_id in place of the last -, or as it is "
            f"if it is no student's: {unmatched}"
        )
    return f"Add one of these lines to matches.csv: {'  |  '.join([*lines, unmatched])}"


_HOW = {
    "one_name": "one name only",
    "initial": "a name and an initial",
    "near": "a spelling mistake",
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
                "message": f"Matched by one name only: {listed(pairs)}.",
                "action": "Check these at a glance; correct any that are wrong in matches.csv.",
            }
        )
    for recording, match in told:
        if match.how == "one_name":
            continue
        student = names[match.student_id or ""]
        line = offered_line(clean_cell(recording.file), student.student_id)
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
