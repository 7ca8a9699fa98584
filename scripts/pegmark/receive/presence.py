"""Is the class still there: a folder that was not fully copied or downloaded is no empty class."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pegmark.files.store import read_json
from pegmark.receive.handed import Handed, Intake
from pegmark.receive.roster import find_roster
from pegmark.receive.submissions import FOLDER, Collection, no_submissions
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.words.file_names import listed

MOST_LOST = 0.25  # of the class; a retake or two is usual, a quarter gone at once is an accident
ANYWAY = "if it is meant so, run again with --go-on"


def check_folder(class_dir: Path) -> None:
    """Raise TeacherError where this is no class folder, before anything is written into it."""
    problems: list[Problem] = []
    try:
        find_roster(class_dir)
    except TeacherError as error:
        problems += error.problems
    if not (class_dir / FOLDER).is_dir():
        problems.append(no_submissions(class_dir))
    if problems:
        raise TeacherError(problems)


def check_presence(
    results: Path, intake: Intake, handed: Sequence[Handed], collection: Collection
) -> None:
    """Raise TeacherError where no recording is left, or much of the class is gone since last time.

    Nothing was written by then.
    """
    expected = [one for one in handed if not one.student.excused]
    if expected and not collection.recordings:
        raise TeacherError([_nothing_there(intake, collection)])
    before = _received_before(results)
    lost = [
        one.student.name
        for one in handed
        if one.state == "missing" and one.student.student_id in before
    ]
    if len(lost) > MOST_LOST * len(handed):
        raise TeacherError(
            [
                problem(
                    "class_gone",
                    f"{len(lost)} of {len(handed)} students handed in before and have nothing "
                    f"now: {listed(lost)}.",
                    f"Check that {FOLDER} is whole (a cloud drive may not have fetched it); "
                    f"{ANYWAY}.",
                )
            ]
        )


def _nothing_there(intake: Intake, collection: Collection) -> Problem:
    kinds = len(collection.strays)
    seen = f"{kinds} file{'s' if kinds != 1 else ''}, and none is a recording that can be read"
    first = f", such as: {collection.strays[0].message}" if kinds else "."
    return problem(
        "no_recordings",
        f"{FOLDER} holds {seen if kinds else 'nothing'}{first}",
        f"Put the recordings in; {ANYWAY}.",
    )


def _received_before(results: Path) -> set[str]:
    try:
        students = read_json(results / "tickets" / "class.json")["students"]
        return {one["student_id"] for one in students if one["state"] == "received"}
    except (OSError, ValueError, KeyError, TypeError):
        return set()
