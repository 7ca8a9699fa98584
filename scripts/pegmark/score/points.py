"""The points of every criterion: measured, then the teacher's marks on top, then lateness.

A mark belongs to the take it was given for. Where another take counts now it is shown
("given_for") and not counted: the cell is open again until the teacher keeps it or gives another.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pegmark.records.take_names import TAKE_DIGITS
from pegmark.score.finding import Finding
from pegmark.settings.rubric import title_of

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Late, Score
    from pegmark.records.tickets import CountedTake, Mark, ScoreTicket


def score(ticket: ScoreTicket, take: CountedTake | None, findings: dict[str, Finding]) -> Score:
    """The points of every criterion: measured, then the teacher's marks on top.

    `take` is the one these are the points of, as the ticket names it; None: nothing was handed in.
    """
    rows = []
    for criterion in ticket["rubric"]["criteria"]:
        row = _row(criterion, findings.get(criterion["id"]), ticket["language"])
        marks = [mark for mark in ticket["marks"] if mark["criterion"] == criterion["id"]]
        _mark(row, criterion, marks, take, [*ticket.get("spare_takes", ()), *ticket["takes"]])
        rows.append(row)
    known = [row["points"] for row in rows if row["points"] is not None]
    total = plain(sum(known)) if known else None
    return {
        "criteria": rows,
        "total": total,
        "of": plain(sum(row["of"] for row in rows)),
        "open": plain(sum(row["open"] for row in rows)),
        "late": _late(ticket.get("late"), take["hours_late"] if take else None, total),
    }


def _mark(
    row: Criterion,
    criterion: dict[str, Any],
    marks: list[Mark],
    take: CountedTake | None,
    takes: list[CountedTake],
) -> None:
    """Put the teacher's mark of a cell on a row: the one for this take, else one to be kept."""
    owners = [_owner(mark, take, takes) for mark in marks]
    own = [mark for mark, owner in zip(marks, owners, strict=True) if owner is take]
    if own:
        mark = own[-1]
        row["comment"] = mark["comment"] or None
        row["saved_at"] = mark["saved_at"]
        if usable(mark, criterion):
            row |= {"points": mark["points"], "by": "teacher", "open": 0}
        return
    given = [(m, o) for m, o in zip(marks, owners, strict=True) if usable(m, criterion)]
    if given:
        mark, owner = given[-1]
        row["given_for"] = {
            "points": mark["points"] or 0.0,
            "comment": mark["comment"],
            "saved_at": mark["saved_at"],
            "take": owner["take"] if owner else None,
            "file": owner["file"] if owner else None,
            "received": owner["received"] if owner else None,
            "measured_points": row["measured_points"],
        }
        row |= {"points": None, "by": "open", "open": criterion["points"], "measured_points": None}


def _owner(mark: Mark, take: CountedTake | None, takes: list[CountedTake]) -> CountedTake | None:
    """The take that a mark was given for: the one it names, else the latest when it was saved.

    A mark that names a take which is not there any more belongs to no take.
    """
    if take is None:
        return None
    named = mark.get("take")
    if named:
        digits = named[:TAKE_DIGITS]
        found = (one for one in (take, *takes) if one["sha256"].startswith(digits))
        return next(found, None)
    if not mark["saved_at"] or not take["received"]:
        return take
    saved = datetime.fromisoformat(mark["saved_at"])
    before = [one for one in takes if one["received"] and _moment(one) <= saved]
    return max(before, key=_moment, default=take)


def _moment(take: CountedTake) -> datetime:
    return datetime.fromisoformat(take["received"] or "")


def _row(criterion: dict[str, Any], finding: Finding | None, language: str) -> Criterion:
    """A criterion as it was measured; one that was not (or cannot be) is open."""
    of = criterion["points"]
    row: Criterion = {
        "id": criterion["id"],
        "title": title_of(criterion, language),
        "kind": criterion["kind"],
        "points": None,
        "of": of,
        "by": "open",
        "open": of,
        "measured_points": None,
        "evidence": [],
        "comment": None,
        "saved_at": None,
        "given_for": None,
        "close_call": False,
    }
    if finding is None:
        return row
    points, lost = plain(finding.points), plain(of - finding.points - finding.open)
    # What is left, so that the three add up however they are rounded.
    still_open = max(0, plain(of - points - lost)) if finding.open else 0
    row |= {"evidence": finding.evidence, "close_call": finding.close_call, "open": still_open}
    if not finding.open:
        row |= {"points": points, "by": "measured", "measured_points": points}
    elif still_open < of:
        row["points"] = points
    return row


def usable(mark: Mark | None, criterion: dict[str, Any]) -> bool:
    """Whether a mark gives points that the criterion can have."""
    return bool(mark and mark["points"] is not None and 0 <= mark["points"] <= criterion["points"])


def _late(
    policy: dict[str, Any] | None, hours_late: float | None, total: float | None
) -> Late | None:
    """What lateness costs by the teacher's policy, beside the raw score; None without a policy.

    Every day begun after the grace costs the same; never more than the most, nor than there is.
    """
    if policy is None or hours_late is None or total is None:
        return None
    over = hours_late - policy.get("grace_hours", 0)
    days = max(0, math.ceil(over / 24))
    off = min(days * policy.get("points_off_per_day", 0), policy.get("most_points_off", total))
    off = min(off, total)
    return {"points_off": plain(off), "total": plain(total - off)}


def hours_over(hours_late: float | None, policy: dict[str, Any] | None) -> float | None:
    """Hours after the deadline; 0 within the grace that the policy gives."""
    if hours_late is None:
        return None
    return 0.0 if hours_late <= (policy or {}).get("grace_hours", 0) else hours_late


def plain(value: float) -> float:
    """Points rounded to a hundredth, whole ones as whole numbers."""
    value = round(value, 2)
    return int(value) if value == int(value) else value
