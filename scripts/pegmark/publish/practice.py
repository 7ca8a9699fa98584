"""Practice days: on how many days of the week a student recorded a tuning.

A day is the date in a take's name, else the one that its container carries, else when it came in.
It is listed and offered as points for daily practice where the rubric says how many days earn them
all; nothing is marked by itself. A recording in which nothing was heard is no practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from pegmark.publish.attention import recorded_at
from pegmark.records.weeks import day_of

if TYPE_CHECKING:
    from pegmark.records.student import Record

WEEK = timedelta(days=7)
OFFERED_PARTS = 4  # of a point: what is offered is rounded to a quarter


def practice_days(
    record: Record, ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None
) -> list[date]:
    """The days of the last week with a recording that was heard; [] where they are fewer than two.

    opinion : results/work/recheck.json, which knows what was heard and what containers say.
    """
    mine = [t for t in ticket["takes"] if t["student_id"] == record["student"]["student_id"]]
    heard = (opinion or {}).get("takes", {})
    days = {
        day for take in mine if heard.get(take["take"]) and (day := take_day(take, ticket, opinion))
    }
    week = sorted(day for day in days if day > max(days) - WEEK)
    return week if len(week) > 1 else []


def offered(criterion: Mapping[str, Any], days: list[date]) -> float | None:
    """The points of a criterion that so many days would earn; None where none are offered."""
    wanted = criterion.get("practice_days")
    if not wanted or not days:
        return None
    share = min(1.0, len(days) / wanted)
    return float(round(criterion["points"] * share * OFFERED_PARTS) / OFFERED_PARTS)


def practice_data(
    record: Record, ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None
) -> dict[str, Any]:
    """For the marking: the days as text, and what is offered by criterion."""
    days = practice_days(record, ticket, opinion)
    found = {c["id"]: offered(c, days) for c in ticket["rubric"]["criteria"]}
    return {
        "days": spoken_days(days),
        "points": {one: points for one, points in found.items() if points is not None},
    }


def spoken_days(days: list[date]) -> str:
    """'4 days: 2, 3, 4 March, 1 April'; "" for none."""
    if not days:
        return ""
    words = [
        str(day.day) if later and later.month == day.month else f"{day.day} {day:%B}"
        for day, later in zip(days, [*days[1:], None], strict=True)
    ]
    return f"{len(days)} days: {', '.join(words)}"


def take_day(
    take: Mapping[str, Any], ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None
) -> date | None:
    """The day a take was recorded on, as far as anything tells."""
    text = day_of(take, recorded_at(take["take"], ticket, opinion))
    return date.fromisoformat(text) if text else None
