"""Intake: who handed in what, as small tickets for the workflow.

Runs before the workflow looks at times. A ticket is rewritten only when its content differs, and
recordings are known by their content: copying the folder anew or renaming a file changes no
ticket of decoding or listening, and only the stages whose tickets change run again.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.files import store as result_files
from pegmark.files.sent import read_sent
from pegmark.receive import own_matches, submissions, teacher_files
from pegmark.receive.attention_rows import attention_row, stray_rows
from pegmark.receive.blind import read_blind
from pegmark.receive.hand_out import hand_out, point_out_copies, point_out_doubles, tell_marks
from pegmark.receive.handed import Intake
from pegmark.receive.history import read_weeks
from pegmark.receive.marks import Marks, read_marks
from pegmark.receive.owners import match_all
from pegmark.receive.presence import check_presence
from pegmark.receive.roster import Roster, read_roster
from pegmark.receive.submissions import Collection
from pegmark.receive.tickets import make_tickets
from pegmark.receive.upkeep import failed_results, write_tickets
from pegmark.records.problems import Problem, TeacherError
from pegmark.settings.assignment import Settings, read_settings
from pegmark.settings.gradebook import check_gradebook

if TYPE_CHECKING:
    from pegmark.records.tickets import Week

__all__ = ["Intake", "take_in"]


def take_in(
    class_dir: Path | str,
    config_dir: Path | str,
    dry: bool = False,
    progress: Callable[[str], None] | None = None,
    *,
    go_on: bool = False,
    prune: bool = False,
) -> Intake:
    """Take in a class folder: read, match, and write the tickets that changed.

    Parameters
    ----------
    dry : write and remove nothing
    progress : called with the name of each file that is read in full (first time only)
    go_on : go on although much of the class has gone missing, see `check_presence`
    prune : take away what was measured of recordings that are not there any more

    Raises TeacherError, before anything is written, with every mistake in settings, roster,
    matches.csv, received.csv, marks*.csv and blind*.csv.
    """
    class_dir, config_dir = Path(class_dir), Path(config_dir)
    results = class_dir / "results"
    settings, mistakes = read_settings(class_dir, config_dir)
    if mistakes and not settings.instruments:  # without them no roster can be read
        raise TeacherError(mistakes)
    roster, collection, matches, received, marks, weeks = _read_all(
        class_dir, settings, mistakes, progress
    )
    intake = Intake(class_dir, roster.understood, strays=collection.strays)
    intake.hashed = collection.hashed
    intake.keep_until = settings.assignment["keep_until"]
    intake.attention += roster.notices
    for notice in (*matches.notices, *received[1]):
        intake.attention.append(attention_row(notice))
    owners = match_all(collection, roster, settings, matches, intake)
    handed = hand_out(owners, roster, settings, matches.takes, received[0], intake)
    point_out_doubles(handed, intake)
    point_out_copies(handed, intake)
    tell_marks(marks, handed, intake)
    intake.blind, refused = read_blind(class_dir, settings.zone)
    intake.attention += [attention_row(told, file=name) for name, told in refused]
    intake.attention += stray_rows(collection.strays)
    if not go_on:
        check_presence(results, intake, handed, collection)
    make_tickets(intake, handed, settings, marks, collection, weeks)
    failed = failed_results(results, intake)
    if not dry:
        write_tickets(results, intake, handed, prune)
        for path in failed:
            path.unlink()
    return intake


def _read_all(
    class_dir: Path,
    settings: Settings,
    mistakes: list[Problem],
    progress: Callable[[str], None] | None,
) -> tuple[
    Roster,
    Collection,
    own_matches.Matches,
    tuple[dict[str, datetime], list[Problem]],
    Marks,
    dict[str, list[Week]],
]:
    """All tables and the folder; their mistakes are told together with those of the settings."""
    problems = list(mistakes)

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
    matches = tried(lambda: own_matches.read_matches(class_dir, recordings, ids))
    received = tried(lambda: teacher_files.read_received(class_dir, recordings, settings.zone))
    marks = tried(lambda: read_marks(class_dir, ids, criteria, settings.zone))
    weeks = tried(lambda: read_weeks(class_dir, settings.assignment.get("history") or []))
    tried(lambda: read_sent(class_dir))
    if roster:
        columns = roster.students[0].extra
        problems += check_gradebook(settings.assignment, settings.rubric, columns)
    if problems:
        raise TeacherError(problems)
    return roster, collection, matches, received, marks, weeks


def _memory(class_dir: Path) -> dict[str, Any]:
    """The hashes of an earlier run; a memory that cannot be read is no memory."""
    path = class_dir / "results" / "tickets" / "files.json"
    try:
        return dict(result_files.read_json(path)["files"])
    except (OSError, ValueError, KeyError, TypeError):
        return {}
