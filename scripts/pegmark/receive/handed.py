"""What the intake finds: of each student, and of the class."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.receive import strays
from pegmark.receive.retakes import Take
from pegmark.receive.roster import Student
from pegmark.records.problems import Problem

if TYPE_CHECKING:
    from pegmark.records.values import State

Row = dict[str, str]  # student_id, file, code, message, action


@dataclass
class Intake:
    """What was taken in, and what was written."""

    class_dir: Path
    understood: str  # one line: how the roster was read
    students: list[dict[str, Any]] = field(default_factory=list)  # student_id, state, takes
    takes: list[str] = field(default_factory=list)  # every take of a student to be graded
    attention: list[Row] = field(default_factory=list)
    questions: list[dict[str, Any]] = field(default_factory=list)  # whose a file is, see owners
    blind: list[dict[str, Any]] = field(default_factory=list)  # judged by ear, see receive.blind
    tickets: dict[str, str] = field(default_factory=dict)  # path under results/tickets -> text
    strays: list[strays.Stray] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)  # sentences: whose results are gone
    again: list[str] = field(default_factory=list)  # tickets of jobs to repeat, see upkeep
    keep_until: str | None = None  # from this date on, recordings should be forgotten
    written: int = 0
    hashed: int = 0

    def count(self, state: str) -> int:
        """How many students are received, missing or excused."""
        return sum(student["state"] == state for student in self.students)


@dataclass
class Handed:
    """What one student handed in."""

    student: Student
    takes: list[Take] = field(default_factory=list)
    others: list[Take] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def spares(self) -> list[Take]:
        """Earlier takes, first to last: one of them counts where the latest cannot be heard."""
        return self.others if self.takes else []

    @property
    def state(self) -> State:
        if self.student.excused:
            return "excused"
        return "received" if self.takes else "missing"
