"""Problems told to the teacher: a code, what is wrong, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, NotRequired, TypedDict

if TYPE_CHECKING:
    from pegmark.records.values import Code, CriterionId, Seconds, StringName


class Problem(TypedDict):
    """One thing that needs a person, as it stands in records and in attention.csv."""

    code: Code
    message: str
    action: str
    criteria: NotRequired[list[CriterionId]]  # those that it leaves open
    string: NotRequired[StringName | None]
    at_s: NotRequired[Seconds | None]
    end_s: NotRequired[Seconds | None]


class TeacherError(Exception):
    """Something only the teacher can mend (a broken roster, a wrong setting): stops the run.

    `problems` lists all of them at once; the text of the exception is the list, a line each.
    """

    def __init__(self, problems: list[Problem]):
        self.problems = problems
        super().__init__("\n".join(f"{p['message']} {p['action']}" for p in problems))


def problem(code: str, message: str, action: str) -> Problem:
    """One problem; `code` is lower case with underscores."""
    return {"code": code, "message": message, "action": action}
