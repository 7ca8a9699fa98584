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
from pegmark.records.weeks import week_of
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
                "left_cents": left[0], "found_cents": left[2] if len(left) > 2 else None,
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
    earlier = week_of(record)
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
    ticket["weeks"] = {s: [week_of(copy.deepcopy(r))] for s, r in heard.items()}
    page = pages.weeks_page(records, ticket)
    assert page is not None
    assert "<script" not in page
    assert "a week before" in page


# -- between takes ---------------------------------------------------------------------------------


def dated(day: str | None, half: float | None = 0.6, **strings: Any):
    one = week(**strings)
    one["day"] = day
    for string in one["strings"].values():
        string["start_half_cents"] = half
    return one


def test_a_drift_is_told_a_day_with_its_interval():
    """14 cents down in 7 days; half-widths 0.5 and 0.6 add in quadrature (calculated)."""
    course = [dated("2026-03-02", A4=(1.0, "in_tune", -30)),
              dated("2026-03-09", A4=(0.0, "in_tune", -13.0))]  # fmt: skip
    (one,) = pages.drifts(course, "A4")
    assert (one.cents, one.days) == (-14.0, 7)
    assert one.half == pytest.approx((0.5**2 + 0.6**2) ** 0.5)
    (row,) = pages.drift_rows([student(*course)])
    assert row == {"string": "violin A", "a_day": "\u22122 \u00b1 0.1", "count": 1}


@pytest.mark.parametrize(
    ("one", "other", "half"),
    [(None, "2026-03-09", 0.6), ("2026-03-02", None, 0.6), ("2026-03-09", "2026-03-09", 0.6),
     ("2026-03-09", "2026-03-02", 0.6), ("2026-03-02", "2026-03-09", None)],
)  # fmt: skip
def test_nothing_is_told_a_day_where_the_days_or_the_pitch_are_not_known(one, other, half):
    course = [dated(one, A4=IN), dated(other, half, A4=(0.0, "in_tune", -13.0))]
    assert pages.drift_rows([student(*course)]) == []


def test_a_drift_is_the_strings_own_though_the_weeks_count_from_other_as():
    """Tuned to 440 one week, to 442 the next: 442 is 7.851 cents above (calculated)."""
    record = record_of("graded")
    name = next(iter(record["strings"]))
    record["strings"][name] |= {"deviation_cents": 0.0, "start_cents": -10.0, "zero_cents": 0.0}
    later = copy.deepcopy(record)
    later["reference"]["a4_hz"] = 442.0
    later["strings"][name]["start_cents"] = -10.0 - 7.851
    (one,) = pages.drifts([week_of(record), week_of(later)], name)
    assert one.cents == pytest.approx(-10.0, abs=0.01)


def test_strings_of_several_students_are_taken_together():
    """By random effects: the interval holds the students' spread (Hartung and Knapp's, t)."""
    many = [
        student(dated("2026-03-02", D4=(0.0, "in_tune", 0.0)),
                dated("2026-03-12", D4=(0.0, "in_tune", -10.0 * fall)))
        for fall in (1.0, 2.0, 3.0)
    ]  # fmt: skip
    (row,) = pages.drift_rows(many)
    assert row["a_day"].startswith("\u22122 \u00b1 ")
    half = float(row["a_day"].split("\u00b1 ")[1])
    # Three values 1, 2, 3: sd 1, t(2) = 4.303: 4.303 / sqrt(3) = 2.48 (Student's table).
    assert half == pytest.approx(2.48, abs=0.06)
    assert row["count"] == 3


@pytest.mark.parametrize(
    ("found", "hint"),
    [((-40, -25, -16), "still settles"), ((-30, -32, -28), "a peg that creeps"),
     ((-30, 25, -28), "a warm and a cold room"), ((30, 25, 28), "a warm and a cold room")],
)  # fmt: skip
def test_a_drift_has_a_hint_for_the_care_list(found, hint):
    days = ["2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23"]
    course = [dated(day, A4=(0.0, "in_tune", start))
              for day, start in zip(days, (0.0, *found), strict=True)]  # fmt: skip
    (visit,) = pages.visits([student(*course)])
    assert hint in visit.why
    assert (" a day): " in visit.why) == (not max(found) > 0 > min(found))


def test_the_day_of_an_earlier_take_is_found_in_its_folder(tmp_path):
    records, ticket = make_class(3, seed=1)
    folder = graded_folder(tmp_path / "old", records)
    heard = [s for s, r in records.items() if r["status"] in ("graded", "needs_listening")]
    takes = [records[s]["submission"]["take"] for s in heard]
    days = {"named_day": "2026-03-02", "received": "2026-03-05T10:00:00+00:00"}
    ticket["takes"] = [{"take": takes[0], "student_id": heard[0], "file": "a", **days}]
    ticket["takes"] += [
        {"take": take, "student_id": s, "file": "b"}
        for s, take in zip(heard[1:], takes[1:], strict=True)
    ]
    write_json(folder / "results/tickets/publish.json", ticket)
    recorded = {takes[0]: "2026-03-04T10:00:00", takes[1]: "2026-03-03T10:00:00"}
    write_json(folder / "results/work/recheck.json", {"recorded_at": recorded})
    found = read_weeks(tmp_path, ["old"])
    assert [found[s][0]["day"] for s in heard[:2]] == ["2026-03-02", "2026-03-03"]
    assert all(found[s][0]["day"] is None for s in heard[2:])


def test_namesakes_and_who_joined_late_have_their_own_course():
    records, ticket = make_class(12)
    heard = [s for s, r in records.items() if r["status"] == "graded"][:3]
    for one in heard[:2]:
        records[one]["student"] |= {"given_name": "Ada", "family_name": "Lind"}
    ticket["weeks"] = {heard[0]: [week_of(copy.deepcopy(records[heard[0]]))]}
    (only,) = pages.students_of(records, ticket)
    assert only.name == "Ada Lind"
    assert len(only.course) == 2
