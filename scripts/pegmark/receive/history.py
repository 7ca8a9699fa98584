"""Earlier weeks: what the class folders named in `history:` say of each student. Only read.

A week of a student is taken from results/records/<student_id>.json of that folder, which a run
made; nothing there is measured again, and nothing is written. Students are known by their id: names
may be the same, or change.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.files.store import read_json
from pegmark.records.problems import Problem, TeacherError, problem
from pegmark.records.states import HEARD_STATES
from pegmark.records.weeks import day_of, week_of

if TYPE_CHECKING:
    from pegmark.records.tickets import Week


def read_weeks(class_dir: Path, folders: list[str]) -> dict[str, list[Week]]:
    """student_id -> the weeks in which a take was heard, in the order of `folders`.

    Parameters
    ----------
    class_dir : this week's folder; the others may be named relative to it.
    folders : class folders that were graded, or their results folders, the earliest first.

    Raises TeacherError with every folder that is not there or was not graded.
    """
    problems: list[Problem] = []
    weeks: dict[str, list[Week]] = {}
    for name in folders:
        results = _results(class_dir, name)
        if results is None:
            problems.append(_not_graded(name))
            continue
        title = str(_publish_ticket(results).get("title") or Path(name).name)
        days = _days(results)
        for path in sorted((results / "records").glob("*.json")):
            week = _week(path, title, days)
            if week is not None:
                weeks.setdefault(path.stem, []).append(week)
    if problems:
        raise TeacherError(problems)
    return weeks


def _results(class_dir: Path, name: str) -> Path | None:
    """The results folder that a line of `history:` means; None if there is none."""
    folder = class_dir / Path(name).expanduser()
    for results in (folder / "results", folder):
        if (results / "records").is_dir():
            return results
    return None


def _not_graded(name: str) -> Problem:
    return problem(
        "no_history",
        f"assignment.yaml, history: there are no results in {name}.",
        "Grade that class folder first, correct the name, or remove the line.",
    )


def _publish_ticket(results: Path) -> dict[str, Any]:
    path = results / "tickets" / "publish.json"
    found = read_json(path) if path.is_file() else {}
    return found if isinstance(found, dict) else {}


def _week(path: Path, title: str, days: dict[str, str]) -> Week | None:
    """What one record says; None where nothing was heard, or the file is no record of ours."""
    try:
        record = read_json(path)
        if record["status"] not in HEARD_STATES:
            return None
        record["score"]["total"]
        return week_of(record, title, days.get(record["submission"]["take"]))
    except (OSError, json.JSONDecodeError, KeyError, TypeError, AttributeError):
        return None


def _days(results: Path) -> dict[str, str]:
    """take -> the day it was recorded on, as far as that folder tells."""
    opinion = results / "work" / "recheck.json"
    try:
        recorded = read_json(opinion)["recorded_at"] if opinion.is_file() else {}
        takes = _publish_ticket(results).get("takes", [])
        return {
            one["take"]: day
            for one in takes
            if (day := day_of(one, recorded.get(one["take"]) or ""))
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
