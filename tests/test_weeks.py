"""Week after week: a student's course, a class's course, and earlier folders that are only read.

What is said must be true of the numbers beside it; the rules are common practice, no source.
"""

from __future__ import annotations

import copy
import json
import os
from pathlib import Path
from typing import Any

import pytest

from conftest import ROOT
from lab import sheet_examples as examples
from lab.example_class import make_class
from pegmark.files.store import write_json
from pegmark.publish import weeks as pages
from pegmark.receive.history import read_weeks
from pegmark.records.problems import TeacherError
from pegmark.render import course as courses
from pegmark.render.sheet_view import sheet_view


def record_of(state: str) -> Any:
    path = ROOT / "tests/data/records" / f"{state}_full_marks.json"
    return json.loads(path.read_text(encoding="utf-8"))


def week(points: float | None = 8, instrument: str = "violin", open_: float = 0, **strings: Any):
    """A week; strings as name=(cents, verdict) or name=(cents, verdict, start)."""
    return {
        "title": "w", "instrument": instrument, "points": points, "of": 12, "open": open_,
        "strings": {
            name: {
                "cents": left[0], "half_cents": 0.5, "verdict": left[1],
                "start_cents": left[2] if len(left) > 2 else None,
                "slipped_cents": left[3] if len(left) > 3 else None,
            }
            for name, left in strings.items()
        },
    }  # fmt: skip


IN, CLOSE, OUT = (0.4, "in_tune"), (5.0, "close"), (20.0, "out")


@pytest.mark.parametrize(
    ("course", "said"),
    [
        ([week(A4=OUT)], None),  # no earlier week
        ([week(A4=OUT), week(A4=IN)], ("string_now", {"string": "A4"})),
        ([week(A4=(20, "out")), week(A4=(9, "out"))], ("closer", {"string": "A4", "cents": 11})),
        # Half a cent each way: 0.9 cents nearer is not surely nearer.
        ([week(A4=(9.9, "out")), week(A4=(9.0, "out"))], None),
        ([week(7, A4=IN), week(8, A4=IN)], ("point", {"points": 1})),
        ([week(7, A4=IN), week(9, A4=IN)], ("points", {"points": 2})),
        ([week(7, open_=1, A4=IN), week(9, A4=IN)], None),  # not yet marked: not comparable
        ([week(9, A4=IN), week(7, A4=IN)], None),
        ([week(A4=IN)] * 3, ("run", {"string": "A4", "weeks": 3})),
        ([week(A4=IN)] * 2, None),
        ([week(A4=(-9, "unsure")), week(A4=(1, "unsure"))], None),
    ],
)
def test_what_got_better_is_true_or_not_said(course, said):
    assert courses.better(course) == said


def test_the_longest_run_is_of_weeks_in_a_row():
    course = [week(A4=IN), week(A4=IN), week(A4=CLOSE), week(A4=IN), week(A4=IN), week(A4=OUT)]
    assert courses.longest_run(course, "A4") == ("A4", 3, 2)  # of two as long the later
    assert courses.weeks_in_tune(course, "A4") == 4
    assert courses.longest_run(course, "E5").weeks == 0


def test_a_new_instrument_begins_a_new_course():
    record = record_of("graded")
    earlier = [week(A4=IN), week(instrument="viola", A4=IN), week(A4=OUT)]
    assert len(courses.course_of(earlier, record)) == 2
    assert len(courses.course_of([week(instrument="cello")], record)) == 1


def test_the_sheet_shows_the_course_and_without_weeks_nothing():
    record = record_of("graded")
    ticket = examples.ticket()
    assert sheet_view(record, ticket)["weeks"] is None
    earlier = courses.this_week(record)
    for string in earlier["strings"].values():
        string |= {"verdict": "out", "cents": 30.0}
    shown = sheet_view(record, {**ticket, "weeks": [earlier]})["weeks"]
    names = [n for n, s in record["strings"].items() if s["verdict"] == "in_tune"]
    assert f"{names[0][0]} string is in tune now" in shown["lines"][0].replace("\u00a0", " ")
    assert "2 weeks" in shown["alt"]


@pytest.mark.parametrize("verdict", ["in_tune", "close", "out", "unsure", "not_heard"])
def test_every_verdict_has_a_mark_of_its_own(verdict):
    others = {"in_tune", "close", "out", "unsure", "not_heard"} - {verdict}
    own = courses.mark(verdict, 4.0, 0, 0)
    assert own not in {courses.mark(other, 4.0, 0, 0) for other in others}
    if verdict in ("close", "out"):
        assert own != courses.mark(verdict, -4.0, 0, 0)


def graded_folder(folder: Path, records: dict[str, Any], title: str = "Week 1") -> Path:
    write_json(folder / "results/tickets/publish.json", {"title": title})
    for student, record in records.items():
        write_json(folder / f"results/records/{student}.json", record)
    return folder


def test_earlier_folders_are_read_and_left_as_they_are(tmp_path):
    records, _ = make_class(6)
    graded_folder(tmp_path / "week 1", records)
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "week 1").rglob("*")}
    for path in (tmp_path / "week 1").rglob("*"):
        os.chmod(path, 0o555 if path.is_dir() else 0o444)
    (tmp_path / "now").mkdir()
    found = read_weeks(tmp_path / "now", ["../week 1"])
    assert {path: path.stat().st_mtime_ns for path in (tmp_path / "week 1").rglob("*")} == before
    heard = {s for s, r in records.items() if r["status"] in ("graded", "needs_listening")}
    assert set(found) == heard
    for student, (one,) in found.items():
        assert one["title"] == "Week 1"
        strings = records[student]["strings"]
        assert {n: s["verdict"] for n, s in one["strings"].items()} == {
            n: s["verdict"] for n, s in strings.items()
        }


def test_a_folder_that_was_not_graded_is_told_with_its_name(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(TeacherError) as told:
        read_weeks(tmp_path, ["empty", "nowhere"])
    assert [one["code"] for one in told.value.problems] == ["no_history", "no_history"]
    assert "nowhere" in told.value.problems[1]["message"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"status": "graded"}', "{"])
def test_a_broken_earlier_record_is_no_week(tmp_path, text):
    folder = graded_folder(tmp_path / "old", {})
    (folder / "results/records").mkdir(parents=True)
    (folder / "results/records/s1.json").write_text(text, encoding="utf-8")
    assert read_weeks(tmp_path, ["old"]) == {}


def student(*course: Any) -> pages.Student:
    return pages.Student("Ada Lind", "Oak", "violin", list(course))


@pytest.mark.parametrize(
    ("course", "why"),
    [
        ([week(A4=(0, "in_tune", -40)), week(A4=(1, "in_tune", -30)), week(A4=(0, "in_tune", -35))],
         "drifts"),
        ([week(A4=(0, "in_tune", 0)), week(A4=(0, "in_tune", -40)), week(A4=(0, "in_tune", 1)),
          week(A4=(0, "in_tune", 2))], None),  # one warm evening
        ([week(A4=(0, "in_tune", 0, -20)), week(A4=(0, "in_tune", 0, -30))], "slipped in 2"),
        ([week(A4=(0, "in_tune", 0, -20)), week(A4=(0, "in_tune", 0))], None),
        ([week(A4=OUT)] * 3, "3 weeks in a row"),
        ([week(A4=OUT), week(A4=CLOSE), week(A4=OUT)], None),
    ],
)  # fmt: skip
def test_who_needs_a_visit(course, why):
    found = pages.visits([student(*course)])
    assert [why in one.why for one in found] == ([True] if why else [])


def test_the_class_by_section_and_string_counts_every_week():
    both = [student(week(A4=OUT), week(A4=IN)), student(week(A4=IN), week(A4=IN)),
            pages.Student("Late", "Oak", "violin", [week(A4=CLOSE)])]  # fmt: skip
    (row,) = pages.course_rows(both)
    assert (row["section"], row["string"]) == ("Oak", "violin A")
    assert row["weeks"] == ["1 of 2", "2 of 3"]


def test_the_page_is_there_only_with_earlier_weeks():
    records, ticket = make_class(12)
    assert pages.weeks_page(records, ticket) is None
    heard = {s: r for s, r in records.items() if r["status"] == "graded"}
    ticket["weeks"] = {s: [courses.this_week(copy.deepcopy(r))] for s, r in heard.items()}
    page = pages.weeks_page(records, ticket)
    assert page is not None
    assert "<script" not in page
    assert "a week before" in page
