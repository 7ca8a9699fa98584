"""The results between runs: tickets that changed are written, what is nobody's is taken away."""

from __future__ import annotations

import re
from pathlib import Path

from pegmark.files import store as result_files
from pegmark.receive.handed import Handed, Intake
from pegmark.receive.tickets import take_id
from pegmark.records.faults import FAULT

# Where a student's and a take's files lie under results; `tickets` are ours, the rest the stages'.
# What a teacher opens is taken away by the last step, which knows what she made herself.
RESULT_FOLDERS = ("sheets", "outbox", "records", "scores", "clips", "faults")
STUDENT_FOLDERS = (
    *(f"work/{folder}" for folder in RESULT_FOLDERS),
    *("tickets/score", "tickets/render", "logs/students"),
    *("logs/score", "logs/render"),  # of versions before
)
LISTEN_FOLDERS = ("notes", "strings", "measured")
TAKE_FOLDERS = (
    *("decoded", *LISTEN_FOLDERS, "tickets/decode", "tickets/listen", "logs/takes"),
    *(f"logs/{stage}" for stage in ("decode", "segment", "identify", "measure")),  # as well
)
# Problems that another run may not meet: a file that was at work, and faults of our own program.
PASSING = ("file_changed", FAULT)


def write_tickets(results: Path, intake: Intake, handed: list[Handed], prune: bool) -> None:
    """Write the tickets that differ; take away what belongs to nobody any more.

    What was measured of recordings that vanished stays unless `prune`: they may come back.
    """
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
    if prune:
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
        f"{len(gone)} recording{'s no longer belong' if many else ' no longer belongs'} to a "
        f"student: what was measured of {'them' if many else 'it'} is removed."
    ]


def failed_results(results: Path, intake: Intake) -> list[Path]:
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
