"""Many classes on one page: takes, open questions, failures, and nothing about a child.

Each class is a few counts (`class_counts`); no name, id, file or point of a student goes further.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypedDict

from pegmark.publish import todo
from pegmark.publish.class_records import class_records
from pegmark.publish.templates import template
from pegmark.records.states import state_of
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

# How a class's run ended, by the exit code of grade.py; None: the run itself was lost.
RUN_ENDS: dict[int | None, str] = {
    0: "",
    1: "the program itself failed on some; their class page says on whom",
    2: "not graded: something in its folder must be mended first",
    3: "not finished; earlier results still stand",
    None: "not finished: its job was lost; run again",
}
OTHER_END = "stopped before its end; run again"


class ClassCounts(TypedDict):
    """What is said of one class."""

    class_name: str
    students: int
    takes: int  # recordings that were to be graded
    missing: int  # students who handed nothing in
    unreadable: int  # students whose recording could not be read
    questions: int  # that one listening answers each
    to_mark: int  # students with points that only the teacher gives


class ClassState(TypedDict):
    """One class after its run."""

    folder: str
    address: str | None  # of its class page, from the district's
    log: str
    code: int | None  # of `RUN_ENDS`
    counts: ClassCounts | None


CLASS_NUMBERS = ("students", "takes", "missing", "unreadable", "questions", "to_mark")


def class_counts(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None,
    takes: int,
) -> ClassCounts:
    """The counts of a graded class; `takes`: how many recordings its students handed in."""
    tasks = todo.todo(records, ticket, second_opinion)
    class_list = class_records(records, ticket)
    states = [state_of(record) for record in class_list]
    return {
        "class_name": ticket["class_name"],
        "students": len(class_list),
        "takes": takes,
        "missing": states.count("missing"),
        "unreadable": states.count("unreadable"),
        "questions": sum(len(entry["reasons"]) for entry in tasks["listen"]["entries"]),
        "to_mark": sum(bool(todo.criteria_to_mark(record)) for record in class_list),
    }


def totals(states: Sequence[ClassState]) -> dict[str, int]:
    """The sums over all classes that were ever graded."""
    known = [numbers(state["counts"]) for state in states if state["counts"]]
    return {name: sum(one[name] for one in known) for name in CLASS_NUMBERS}


def numbers(counts: ClassCounts) -> dict[str, int]:
    """The numbers of a class by name, in the page's order."""
    return {name: value for name, value in counts.items() if isinstance(value, int)}


def end_words(code: int | None) -> str:
    """How a class's run ended; "" when all went well."""
    return RUN_ENDS.get(code, OTHER_END)


def summary_lines(states: Sequence[ClassState]) -> list[str]:
    """How all classes stand, in a few lines."""
    sums = totals(states)
    failed = [state for state in states if state["code"] != 0]
    return [
        f"{len(states)} {'class' if len(states) == 1 else 'classes'}, {len(failed)} of them with a "
        f"failure; {sums['takes']} takes of "
        f"{sums['students']} students, {sums['missing']} not handed in, {sums['unreadable']} could "
        "not be read",
        f"  Open questions for the ear: {sums['questions']}; students to be marked: "
        f"{sums['to_mark']}",
        *(
            f"  {state['folder']}: {end_words(state['code'])} (log: {state['log']})"
            for state in failed
        ),
    ]


def district_page(states: Sequence[ClassState]) -> str:
    """The page of all classes as HTML text: those with a failure first."""
    rows = [
        {
            "name": wording.safe_text(_name(state)),
            "folder": wording.safe_text(state["folder"]),
            "address": state["address"],
            "failure": end_words(state["code"]),
            "log": wording.safe_text(state["log"]),
            "numbers": list(numbers(state["counts"]).values())
            if state["counts"]
            else [""] * len(CLASS_NUMBERS),
        }
        for state in sorted(states, key=lambda state: state["code"] == 0)
    ]
    sums = totals(states)
    failures = sum(bool(row["failure"]) for row in rows)
    return str(
        template("district.html.j2").render(
            rows=rows, sums=[sums[name] for name in CLASS_NUMBERS], failures=failures
        )
    )


def _name(state: ClassState) -> str:
    """The class's own name, else its folder's."""
    counts = state["counts"]
    return (counts and counts["class_name"]) or state["folder"].rstrip("/").rpartition("/")[2]
