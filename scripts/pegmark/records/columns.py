"""The gradebook's own columns, whose names no criterion may have."""

from __future__ import annotations

import re

FIRST_COLUMNS = (
    "student_id", "family_name", "given_name", "section", "instrument", "status",
    "total", "of", "open_points", "hours_late",
)  # fmt: skip
GRADE_COLUMN = "grade"  # the total by the teacher's own scale
LATE_COLUMNS = ("late_points_off", "total_after_late")
STRING_COLUMN = re.compile(r"string_\d+_cents")


def is_own_column(name: str) -> bool:
    """Whether a column of this name is taken, so that no criterion may have it as its id."""
    return name in (*FIRST_COLUMNS, *LATE_COLUMNS, GRADE_COLUMN) or bool(
        STRING_COLUMN.fullmatch(name)
    )
