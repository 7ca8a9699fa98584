"""Which of a student's takes counts, and what the teacher is told of the others."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pegmark.score import review_reasons
from pegmark.score.review_reasons import Doubt
from pegmark.settings.rubric import TEACHER

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Record, StudentProblem
    from pegmark.records.tickets import CountedTake


def handed_in(take: CountedTake) -> tuple[int, str, str]:
    """Takes by attempt, then by time, then by content: never by the order of files."""
    return take["attempt"] or 0, take["received"] or "", take["take"]


def choose_best(records: list[Record]) -> int:
    """The place of the best take, among the records of all in the order they came in.

    A take that cannot be read never takes the place of one that can. The points of the criteria
    that were measured in all of them decide, then what is left open, then the later.
    """
    places = [i for i, record in enumerate(records) if record["status"] != "unreadable"]
    places = places or list(range(len(records)))
    measured = [
        {row["id"]: _measured(row) for row in records[place]["score"]["criteria"]}
        for place in places
    ]
    shared = [one for one in measured[0] if all(m[one] is not None for m in measured)]
    earned = [round(sum(points[one] or 0.0 for one in shared), 2) for points in measured]
    unknown = [_open_points(records[place]) for place in places]
    return places[max(range(len(places)), key=lambda k: (earned[k], -unknown[k], k))]


def _measured(row: Criterion) -> float | None:
    """The points that were measured, whatever mark stands over them; None: not measured."""
    given = row["given_for"]
    return given["measured_points"] if given else row["measured_points"]


def told_of_others(
    takes: list[CountedTake], records: list[Record], chosen: int
) -> list[StudentProblem]:
    """What the teacher is told of the takes that do not count; none of it is a question."""
    if records[chosen]["status"] == "unreadable":
        return []
    found = []
    for place, (take, other) in enumerate(zip(takes, records, strict=True)):
        if place == chosen:
            continue
        fields: tuple[tuple[str, Any], ...] = (("attempt", take["attempt"] or take["file"]),)
        if other["status"] == "unreadable":
            found.append(Doubt("other_take_unreadable", fields=fields))
        elif still_open := _open_points(other):
            found.append(Doubt("other_take_open", fields=(*fields, ("open", still_open))))
    return [review_reasons.as_problem(doubt, []) for doubt in found]


def _open_points(record: Record) -> float:
    """The points of measured kinds that a take left open."""
    rows = record["score"]["criteria"]
    return float(sum(r["open"] for r in rows if r["by"] == "open" and r["kind"] != TEACHER))
