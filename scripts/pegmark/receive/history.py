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
        for path in sorted((results / "records").glob("*.json")):
            week = _week(path, title)
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


def _week(path: Path, title: str) -> Week | None:
    """What one record says; None where nothing was heard, or the file is no record of ours."""
    try:
        record = read_json(path)
        if record["status"] not in HEARD_STATES:
            return None
        score = record["score"]
        return {
            "title": title,
            "instrument": record["student"]["instrument"],
            "points": score["total"],
            "of": score["of"],
            "open": score["open"],
            "strings": {
                name: {
                    "cents": _cents(string),
                    "half_cents": string["uncertainty_cents"],
                    "verdict": string["verdict"],
                    "start_cents": _cents(string, "start_cents"),
                    "slipped_cents": string.get("slipped_cents"),
                }
                for name, string in record["strings"].items()
            },
        }
    except (OSError, json.JSONDecodeError, KeyError, TypeError, AttributeError):
        return None


def _cents(string: dict[str, Any], key: str = "deviation_cents") -> float | None:
    """From what the string was judged by, as everywhere a class is shown."""
    value = string.get(key)
    return None if value is None else round(value - (string.get("zero_cents") or 0.0), 4)
