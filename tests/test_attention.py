"""attention.csv: nothing that needs a person is hidden, nothing stands twice."""

import csv
import io
import itertools
import random

from lab.example_class import make_class, make_record
from pegmark.publish.attention import COLUMNS, TASKS, attention_csv, attention_rows, task_of
from pegmark.publish.class_records import full_name
from pegmark.publish.dashboard import build_dashboard
from pegmark.publish.oneroster import ONEROSTER_NEEDED
from pegmark.publish.todo import todo


def codes(rows, student_id):
    return sorted(row["code"] for row in rows if row["student_id"] == student_id)


def test_columns():
    records, ticket = make_class(2)
    header = attention_csv(records, ticket).split("\r\n")[0]
    assert header == ",".join(COLUMNS) == "student_id,file,code,message,action"


def test_the_most_pressing_comes_first_and_in_each_kind_the_roster():
    records, ticket = make_class(60)
    rows = attention_rows(records, ticket)
    assert rows[0]["file"] == "IMG_2231.mov"
    status = {student: record["status"] for student, record in records.items()}
    tasks = [task_of(row, status.get(row["student_id"])) for row in rows]
    assert [task for task, _ in itertools.groupby(tasks)] == [t for t in TASKS if t != "other"]
    for task in TASKS:
        ids = [row["student_id"] for row, of in zip(rows, tasks, strict=True) if of == task]
        assert ids == sorted(ids)
    assert all(row["action"] and row["message"] for row in rows)


def test_every_state_that_needs_a_person_is_listed():
    records, ticket = make_class(4, seed=1)
    roster = ticket["students"]
    records["s001"] = make_record(roster[0], "missing", None)
    records["s002"] = make_record(roster[1], "excused", None)
    records["s003"]["submission"]["hours_late"] = 5.25
    del records["s004"]
    rows = attention_rows(records, ticket)
    assert codes(rows, "s001") == ["missing"]
    assert codes(rows, "s002") == []
    assert "late" in codes(rows, "s003")
    assert "5.2 hours late" in next(r["message"] for r in rows if r["code"] == "late")
    assert "no_result" in codes(rows, "s004")


def test_what_the_intake_said_is_not_said_twice():
    records, ticket = make_class(1)
    records["s001"] = make_record(ticket["students"][0], "missing", None)
    problem = {"code": "missing", "message": "Nothing came from Ada.", "action": "Ask her."}
    records["s001"]["problems"] = [problem]
    ticket["attention"] = [{"student_id": "s001", "file": "", **problem}]
    assert attention_rows(records, ticket) == [{"student_id": "s001", "file": "", **problem}]


def test_open_points_name_their_criteria():
    records, ticket = make_class(1, seed=1)
    for criterion in records["s001"]["score"]["criteria"]:
        criterion["by"] = "open" if criterion["id"] in ("bridge", "daily") else "measured"
    (row,) = [r for r in attention_rows(records, ticket) if r["code"] == "open_points"]
    assert row["message"] == "No points yet for: Bridge checked, Daily practice."


def test_a_take_that_could_not_be_read_waits_for_another_not_for_points():
    records, ticket = make_class(1)
    records["s001"] = make_record(ticket["students"][0], "unreadable", random.Random(1))
    records["s001"]["submission"]["hours_late"] = 0.0
    assert codes(attention_rows(records, ticket), "s001") == ["unreadable"]


def test_a_second_opinion_that_differs_is_listed_with_both_numbers():
    records, ticket = make_class(1, seed=1)
    take = records["s001"]["submission"]["take"]
    found = {"take": take, "string": "A4", "at_s": 12.0, "f0_hz": 440.11, "second_hz": 431.0,
             "apart_cents": -36.2}  # fmt: skip
    other = {**found, "take": "0" * 16 + "-violin"}
    opinion = {"disagreements": [found, other]}
    (row,) = [r for r in attention_rows(records, ticket, opinion) if r["code"] == "second_opinion"]
    assert "440.11" in row["message"]
    assert "431.00" in row["message"]
    assert row["student_id"] == "s001"


def test_hostile_file_names_are_neutralised():
    records, ticket = make_class(1)
    ticket["attention"] = [{"student_id": "", "file": '=HYPERLINK("x")', "code": "unmatched",
                            "message": "+x", "action": "a"}]  # fmt: skip
    first = next(csv.DictReader(io.StringIO(attention_csv(records, ticket), newline="")))
    assert first["file"] == '\'=HYPERLINK("x")'
    assert first["message"] == "'+x"


def test_students_without_oneroster_ids_are_named_only_where_the_school_uses_them():
    records, ticket = make_class(3, seed=1)

    def about_ids():
        rows = attention_rows(records, ticket)
        return [(r["student_id"], r["message"]) for r in rows if r["code"] == "no_oneroster_ids"]

    assert about_ids() == []
    for row in ticket["students"]:
        row["sourced_id"] = "U-" + row["student_id"]
    ((student, message),) = about_ids()
    assert student == ""
    assert "class_sourced_id" in message
    others = [name for name in ONEROSTER_NEEDED if name != "sourced_id"]
    for row in ticket["students"][1:]:
        row |= dict.fromkeys(others, "X")
    assert [student for student, _ in about_ids()] == ["s001"]


# -- one recording under two names --------------------------------------------------------------


def with_takes(size=4):
    """A class whose first student has a second take, and the publish ticket that says so."""
    records, ticket = make_class(size, seed=1)
    for take in ticket["takes"]:
        take["file"] = f"{take['student_id']}.mov"
    again = {"take": "a" * 16 + "-violin", "student_id": "s001", "file": "Again\n.mp3"}
    ticket["takes"].append(again)
    return records, ticket, [take["take"] for take in ticket["takes"]]


def alike(*pairs):
    more = {"shift_s": 0.0, "matched": 9, "of": 9, "likeness": 0.9}
    return {"disagreements": [], "same_recordings": [{"takes": list(p), **more} for p in pairs]}


def about_same(records, ticket, opinion):
    rows = attention_rows(records, ticket, opinion)
    return [row for row in rows if row["code"] == "same_recording"]


def test_one_recording_of_two_students_is_one_question():
    records, ticket, takes = with_takes()
    opinion = alike((takes[1], takes[2]))
    before = attention_rows(records, ticket)
    (one,) = about_same(records, ticket, opinion)
    assert (one["student_id"], one["file"]) == ("", "s002.mov")
    first, second = (full_name(records[student]) for student in ("s002", "s003"))
    assert f"{first} (s002.mov) and {second} (s003.mov)" in one["message"]
    assert "may have" in one["message"]
    assert one["action"].startswith("Was one filed under the wrong name?")
    assert "no points were changed" in one["action"]
    for word in ("cheat", "copied", "fraud", "stolen", "dishonest"):
        assert word not in (one["message"] + one["action"]).lower()
    rest = [r for r in attention_rows(records, ticket, opinion) if r != one]
    assert rest == before  # it changes nothing else


def test_one_recording_handed_in_twice_by_the_same_student():
    records, ticket, takes = with_takes()
    (row,) = about_same(records, ticket, alike((takes[0], takes[-1])))
    assert row["student_id"] == "s001"
    assert (
        "may have handed in the same recording twice: s001.mov and Again\\n.mp3" in row["message"]
    )


def test_pairs_that_hang_together_are_one_question():
    records, ticket, takes = with_takes()
    opinion = alike((takes[0], takes[1]), (takes[2], takes[3]), (takes[1], takes[2]))
    (row,) = about_same(records, ticket, opinion)
    for student in ("s001", "s002", "s003", "s004"):
        assert full_name(records[student]) in row["message"]
    apart = about_same(records, ticket, alike((takes[2], takes[3]), (takes[0], takes[1])))
    assert len({row["message"] for row in apart}) == 2


def test_the_very_same_file_under_two_names_is_one_row_too():
    """The intake's row for both stands for the problem in each of their records."""
    records, ticket, _ = with_takes()
    told = {"code": "same_recording", "message": "It came in twice.", "action": "Was it?",
            "criteria": [], "string": None, "at_s": None, "end_s": None}  # fmt: skip
    for student in ("s002", "s003"):
        records[student]["problems"].append(told)
    row = {"student_id": "", "file": "a.mov", "code": "same_recording", "message": "Same.",
           "action": "Was it?"}  # fmt: skip
    ticket["attention"].append(row)
    assert about_same(records, ticket, None) == [row]
    assert task_of(row, None) == "other"  # and is no file that belongs to nobody


def test_the_question_stands_on_the_to_do_list_in_one_place():
    records, ticket, takes = with_takes()
    records["s002"]["status"] = "needs_listening"
    tasks = todo(records, ticket, alike((takes[1], takes[2])))
    entries = [e for e in tasks["other"]["entries"] if "same recording" in e["message"]]
    assert [e["student_id"] for e in entries] == [""]
    assert all("wrong name?" in e["action"] for e in entries)
    assert not any("same recording" in e["message"] for e in tasks["listen"]["entries"])


def test_recording_times_are_a_hint_where_nothing_says_which_take_is_the_latest():
    records, ticket, takes = with_takes()
    opinion = {
        "recorded_at": {
            takes[0]: "2026-03-06T23:30:00+00:00",
            takes[-1]: "2026-03-05T09:00:00",  # a device without a zone
            takes[1]: "2026-03-01T09:00:00+00:00",
        }
    }

    def hints():
        return [r for r in attention_rows(records, ticket, opinion) if r["code"] == "take_hint"]

    assert hints() == []
    page = build_dashboard(records, ticket, opinion)
    assert page.count("2026-03-07 00:30, by the device&#39;s own clock") == 1
    records["s001"]["problems"] = [
        {"code": "take_undecided", "message": "Which?", "action": "Say."}
    ]
    (row,) = hints()
    assert (row["student_id"], row["file"]) == ("s001", "s001.mov")
    assert row["message"].endswith(
        "by the devices' own clocks: Again\\n.mp3 2026-03-05 09:00, s001.mov 2026-03-07 00:30."
    )
    assert "hint only" in row["action"]
    opinion["recorded_at"] = {takes[1]: "2026-03-01T09:00:00+00:00"}
    assert hints() == []


def test_another_way_than_the_tasks_is_one_row_for_all_and_no_question():
    records, ticket = make_class(6, seed=1)
    for student, code in (("s001", "way_by_ear"), ("s002", "way_by_ear"), ("s003", "way_apart")):
        told = {"code": code, "text": "x", "at_s": None, "string": None}
        records[student]["observations"].append(told)
    (row,) = [r for r in attention_rows(records, ticket) if r["code"] == "other_way"]
    names = [full_name(records[student]) for student in ("s001", "s002", "s003")]
    assert (
        f"by ear to an A: {names[0]}, {names[1]}; no two strings at once: {names[2]}."
        in (row["message"])
    )
    assert task_of(row, None) == "other"
    assert row["action"].startswith("Nothing was taken off.")
