"""The gradebook block of assignment.yaml: are its columns there, and its scale whole."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pegmark.files.yaml_files import did_you_mean
from pegmark.records.columns import FIRST_COLUMNS, GRADE_COLUMN, LATE_COLUMNS, is_own_column
from pegmark.records.problems import Problem, problem


def check_gradebook(
    assignment: dict[str, Any], rubric: dict[str, Any], roster_columns: Iterable[str]
) -> list[Problem]:
    """Mistakes in the map of columns and in the scale that only the whole class shows."""
    block = assignment["gradebook"]
    criteria = [one["id"] for one in rubric.get("criteria", [])]
    known = [*FIRST_COLUMNS, GRADE_COLUMN, *LATE_COLUMNS, *criteria, *roster_columns]
    told = [
        problem(
            "bad_setting",
            f"assignment.yaml, gradebook.columns.{header}: there is no column {ours!r}.",
            f"{did_you_mean(ours, known)}Allowed: {', '.join(dict.fromkeys(known))}.",
        )
        for header, ours in (block["columns"] or {}).items()
        if ours not in known and not is_own_column(ours)
    ]
    scale = block["scale"]
    if scale in ("letters", "own") and 0.0 not in map(float, block[scale] or ()):
        told.append(
            problem(
                "bad_setting",
                f"assignment.yaml, gradebook.{scale}: the scale has no grade from 0 percent on.",
                "Add the lowest grade, such as 0: F.",
            )
        )
    return told
