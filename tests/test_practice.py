"""Practice days: which days of a week have a recording, and what points are offered for them."""

from __future__ import annotations

from datetime import date

import pytest

from lab.example_class import make_class
from pegmark.publish.gradebook import gradebook_csv
from pegmark.publish.practice import offered, practice_days, spoken_days
from pegmark.words.times import day_in_name


def class_with(*takes, heard=True):
    """A class whose first student has these takes: (named day, recorded at, received)."""
    records, ticket = make_class(3, seed=1)
    ticket["takes"] = []
    opinion = {"takes": {}, "recorded_at": {}, "disagreements": [], "same_recordings": []}
    for number, (named, recorded, received) in enumerate(takes):
        take = f"{number:016x}-violin"
        ticket["takes"].append(
            {"take": take, "student_id": "s001", "file": f"{number}.mov", "named_day": named,
             "received": received}
        )  # fmt: skip
        opinion["takes"][take] = {"A4": {}} if heard else {}
        if recorded:
            opinion["recorded_at"][take] = recorded
    return records["s001"], ticket, opinion


def days(*takes, **more):
    return [f"{day:%d}" for day in practice_days(*class_with(*takes, **more))]


def test_a_day_is_by_name_then_by_container_then_by_arrival():
    assert days(
        ("2026-03-02", "2026-03-07T10:00:00+00:00", "2026-03-08T10:00:00+00:00"),
        (None, "2026-03-04T10:00:00+00:00", "2026-03-08T10:00:00+00:00"),
        (None, None, "2026-03-05T10:00:00+00:00"),
        (None, None, None),
    ) == ["02", "04", "05"]


def test_several_takes_of_one_day_are_one_and_one_day_alone_is_no_list():
    twice = ("2026-03-02", None, None)
    assert days(twice, twice) == []
    assert days(twice, twice, ("2026-03-03", None, None)) == ["02", "03"]


def test_only_the_last_seven_days_are_the_week():
    assert days(*((f"2026-03-{n:02}", None, None) for n in (1, 3, 4, 10))) == ["04", "10"]


def test_a_recording_in_which_nothing_was_heard_is_no_practice():
    takes = [("2026-03-02", None, None), ("2026-03-03", None, None)]
    assert days(*takes, heard=False) == []
    record, ticket, _ = class_with(*takes)
    assert practice_days(record, ticket, None) == []  # without the second opinion nobody knows


def test_another_students_takes_are_not_counted():
    record, ticket, opinion = class_with(("2026-03-02", None, None), ("2026-03-03", None, None))
    ticket["takes"][1]["student_id"] = "s002"
    assert practice_days(record, ticket, opinion) == []


@pytest.mark.parametrize(
    ("points", "wanted", "count", "expected"),
    [(1, 5, 2, 0.5), (1, 5, 4, 0.75), (1, 5, 5, 1.0), (2, 5, 7, 2.0), (1, None, 4, None),
     (1, 5, 0, None), (3, 4, 3, 2.25)],
)  # fmt: skip
def test_what_is_offered(points, wanted, count, expected):
    criterion = {"id": "daily", "points": points, "practice_days": wanted}
    assert offered(criterion, [date(2026, 3, n + 1) for n in range(count)]) == expected


def test_nothing_is_marked_by_itself():
    record, ticket, _ = class_with(*((f"2026-03-0{n}", None, None) for n in range(2, 8)))
    records = {"s001": record}
    before = gradebook_csv(records, ticket)
    ticket["rubric"]["criteria"][-1]["practice_days"] = 5
    assert gradebook_csv(records, ticket) == before


def test_days_in_words():
    some = [date(2026, 2, 27), date(2026, 2, 28), date(2026, 3, 1), date(2026, 3, 3)]
    assert spoken_days(some) == "4 days: 27, 28 February, 1, 3 March"
    assert spoken_days([]) == ""


@pytest.mark.parametrize(
    ("name", "day"),
    [
        ("2026-03-04 tuning.mov", "2026-03-04"),
        ("VID_20260304_171233.mp4", "2026-03-04"),
        ("tuning 2026.03.04", "2026-03-04"),
        ("Ana - Mar 4, 2026 605 PM.mov", "2026-03-04"),
        ("2026-03-04 for 2026-03-06.mov", None),
        ("2026-13-04.mov", None),
        ("IMG_0012.mov", None),
        ("120260304.mov", None),
    ],
)
def test_days_in_names(name, day):
    found = day_in_name(name)
    assert (found and found.isoformat()) == day
