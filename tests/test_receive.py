"""The intake as a whole: tickets, retakes, re-runs, and everything that is told or asked."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
import subprocess
import sys
from datetime import timedelta, timezone
from pathlib import Path

import pytest

from lab.bench import CONFIG
from lab.classroom import ROSTER, build, hand_in, recording
from pegmark.files import yaml_files
from pegmark.files.recordings import lookup
from pegmark.receive import intake, retakes, take_in
from pegmark.receive.attention_rows import stray_report
from pegmark.receive.handed import Intake
from pegmark.receive.retakes import Take, attempt_words, hours_late, order_takes, platform_time
from pegmark.records.problems import TeacherError
from pegmark.words.times import UTC, read_moment
from test_submissions import zip_bytes

DUE = "title: Week 3\ndue: 2026-03-06 18:00 +01:00\n"
CET = timezone(timedelta(hours=1))
FILES = {"Ana Ruiz.mov": "a", "s02.m4a": "b", "Ann Lee.webm": "c", "lee_anna.mp4": "d"}


def take(class_dir: Path, **more) -> Intake:
    return take_in(class_dir, CONFIG, **more)


def ticket(class_dir: Path, path: str) -> dict:
    return json.loads((class_dir / "results" / "tickets" / path).read_text(encoding="utf-8"))


def state(class_dir: Path) -> dict[str, tuple[int, bytes]]:
    """Every file under results: when it was written, and what is in it."""
    results = class_dir / "results"
    return {
        str(path.relative_to(results)): (path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(results.rglob("*"))
        if path.is_file()
    }


def changed(before: dict, after: dict) -> set[str]:
    return {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}


def rows(intake: Intake, code: str) -> list[dict[str, str]]:
    return [row for row in intake.attention if row["code"] == code]


def sha(content: str) -> str:
    return hashlib.sha256(recording(content)).hexdigest()


# -- tickets ---------------------------------------------------------------------------------


def test_a_class_becomes_tickets_that_keep_to_their_schemas(tmp_path):
    class_dir = build(tmp_path, FILES, assignment_yaml=DUE)
    intake = take(class_dir)
    assert [s["state"] for s in intake.students] == ["received"] * 4
    assert intake.attention == []
    tickets = sorted((class_dir / "results" / "tickets").rglob("*.json"))
    assert len(tickets) == 3 + 4 * 4
    for path in tickets:
        kind = path.stem if path.parent.name == "tickets" else path.parent.name
        data = json.loads(path.read_text(encoding="utf-8"))
        assert yaml_files.check(data, f"ticket_{kind}", path.name) == []


def test_what_the_tickets_say(tmp_path):
    files = {"2026-03-06 18-30 Ana Ruiz.mov": "a", "Ana Ruiz 2026-03-05 12.00.mov": "old"}
    class_dir = build(tmp_path, files, assignment_yaml=DUE)
    take(class_dir)
    name = f"{sha('a')[:16]}-violin"
    assert ticket(class_dir, f"decode/{name}.json") == {
        "take": name,
        "sha256": sha("a"),
        "max_s": 1200.0,
    }
    listen = ticket(class_dir, f"listen/{name}.json")
    assert listen["instrument"]["strings"] == ["E5", "A4", "D4", "G3"]
    score = ticket(class_dir, "score/s01.json")
    assert score["student"] == {
        "student_id": "s01",
        "family_name": "Ruiz",
        "given_name": "Ana",
        "instrument": "violin",
        "section": "7B",
    }
    assert score["takes"] == [
        {
            "take": name,
            "file": "2026-03-06 18-30 Ana Ruiz.mov",
            "sha256": sha("a"),
            "attempt": 2,
            "attempts": 2,
            "received": "2026-03-06T18:30:00+01:00",
            "hours_late": 0.5,
        }
    ]
    assert score["other_takes"] == [
        {
            "file": "Ana Ruiz 2026-03-05 12.00.mov",
            "sha256": sha("old"),
            "received": "2026-03-05T12:00:00+01:00",
        }
    ]
    render = ticket(class_dir, "render/s02.json")
    assert render["email"] == "ben@example.org;home@example.org"
    assert render["epoch"] == 1772816400
    assert set(render["sentences"]) == {"sheet", "mail"}
    old = f"{sha('old')[:16]}-violin"  # listened to as well, and not graded
    index = ticket(class_dir, "class.json")
    assert index["takes"] == sorted([name, old])
    assert index["students"][0]["takes"] == [old, name]
    assert [spare["take"] for spare in score["spare_takes"]] == [old]
    whose = ticket(class_dir, "publish.json")["takes"]
    assert [(one["take"], one["student_id"], one["file"]) for one in whose] == [
        (name, "s01", score["takes"][0]["file"]),
        (old, "s01", score["other_takes"][0]["file"]),
    ]
    assert [one["named_day"] for one in whose] == ["2026-03-06", "2026-03-05"]
    assert [one["received"] for one in whose] == [
        score["takes"][0]["received"],
        score["other_takes"][0]["received"],
    ]


def test_the_instrument_is_part_of_the_take(tmp_path):
    class_dir = build(tmp_path, {"Ann Lee.mov": "a"})
    assert take(class_dir).takes == [f"{sha('a')[:16]}-double_bass"]


def test_missing_is_not_handed_in_and_excused_is_excused(tmp_path):
    roster = ROSTER.replace("email\n", "email,excused\n").replace("ana@example.org", "a@b.org,yes")
    class_dir = build(tmp_path, {"Ana Ruiz.mov": "a"}, roster=roster.replace("7C,\n", "7C,,\n"))
    intake = take(class_dir)
    assert [s["state"] for s in intake.students] == ["excused", "missing", "missing", "missing"]
    assert intake.takes == []
    assert ticket(class_dir, "score/s01.json")["other_takes"][0]["file"] == "Ana Ruiz.mov"
    (row,) = rows(intake, "excused_handed_in")
    assert row["student_id"] == "s01"
    assert "empty the excused cell" in row["action"]


def test_a_due_time_and_language_of_ones_own(tmp_path):
    roster = (
        "student_id,family_name,given_name,instrument,due,language\n"
        "s01,Ruiz,Ana,violin,2026-03-08 18:00,es\ns02,Lee,Ann,viola,,\n"
    )
    files = {"Ana Ruiz 2026-03-07 18-00.mov": "a", "Ann Lee 2026-03-07 18-00.mov": "b"}
    class_dir = build(tmp_path, files, roster=roster, assignment_yaml=DUE)
    take(class_dir)
    assert ticket(class_dir, "score/s01.json")["takes"][0]["hours_late"] == 0.0
    assert ticket(class_dir, "score/s02.json")["takes"][0]["hours_late"] == 24.0
    assert ticket(class_dir, "render/s01.json")["due"] == "2026-03-08T18:00:00+01:00"
    assert ticket(class_dir, "render/s01.json")["language"] == "es"
    assert ticket(class_dir, "score/s02.json")["language"] == "en"


# -- matches told and asked ------------------------------------------------------------------


def offered(row: dict[str, str]) -> list[str]:
    """The lines that an action offers for matches.csv."""
    return row["action"].rpartition(": ")[2].split("  |  ")


def paste_line(row: dict[str, str]) -> list[str]:
    """The first line that an action offers, read as CSV."""
    return next(csv.reader(offered(row)[:1]))


@pytest.mark.parametrize(
    "name",
    [
        "Lee.mov",
        "Lee, 'A' \"x\".mov",
        "=Lee.mov",
        "folder/Lee.mov",
        "Lee 🎻 é.mov",
        "Lee\n2.mov",
        "\u202eLee.mov",
        "'Lee.mov",
        "Lee  tuning.mov",
    ],
)
def test_an_asked_file_is_graded_once_its_line_is_pasted(tmp_path, name):
    class_dir = build(tmp_path, {name: "x"})
    intake = take(class_dir)
    assert intake.takes == []
    (row,) = rows(intake, "match_several")
    assert row["file"] == name
    assert "Ann Lee (s03)" in row["message"]
    assert "Anna Lee (s04)" in row["message"]
    _, student_id = paste_line(row)
    line = offered(row)[0]
    (class_dir / "matches.csv").write_text(line + "\n", encoding="utf-8")  # with no header
    again = take(class_dir)
    assert again.attention == []
    assert [s["student_id"] for s in again.students if s["takes"]] == [student_id]
    (class_dir / "matches.csv").write_text(f"file,student_id\n{line}\n", encoding="utf-8")
    assert take(class_dir).students == again.students


MATCHES = {  # forms of a matches.csv that is there already; another line stands in it
    "with commas": "file,student_id\nother.mov,-\n{line}\n",
    "with semicolons": "file;student_id\nother.mov;-\n{line}\n",
    "with tabs": "file\tstudent_id\nother.mov\t-\n{line}\n",
    "of three columns": "file;student_id;take\nother.mov;-;\n{line}\n",
    "in another order": "student_id;file\n-;other.mov\n{line}\n",
    "with more columns": "file,student_id,seen by me\nother.mov,-,yes\n{line}\n",
    "without a header": "other.mov;-\n{line}\n",
    "alone": "{line}",
    "as one cell": 'file;student_id;take\nother.mov;-;\n"{doubled}";;\n',
    "as one cell of commas": '"{doubled}",,\nother.mov,-,\n',
}


@pytest.mark.parametrize("form", MATCHES)
@pytest.mark.parametrize("name", ["Lee, A; x.mov", "Lee | 'y' \"z\".mov", "folder/=Lee.mov"])
def test_every_offered_line_of_every_kind_can_be_pasted_as_it_is(tmp_path, name, form):
    files = {
        name: "asked",
        "IMG_0001.MOV": "nobody",
        "Ben, O; k.mov": "told",
        "Ana Ruiz, one; x.mov": "1",
        "Ruiz Ana, two; y.mov": "2",
        "other.mov": "-",
    }
    class_dir = build(tmp_path, files, matches_csv="file,student_id\nother.mov,-\n")
    intake = take(class_dir)
    kinds = {"match_several", "match_none", "take_undecided", "matched_by_likeness"}
    offering = [row for row in intake.attention if row["code"] in kinds]
    assert {row["code"] for row in offering} == kinds
    for row in offering:
        for line in offered(row):
            doubled = line.replace('"', '""')
            text = MATCHES[form].format(line=line, doubled=doubled)
            (class_dir / "matches.csv").write_text(text, encoding="utf-8")
            again = take(class_dir)
            assert row not in again.attention
            assert not [r for r in again.attention if "matches.csv" in r["message"]]
            _, student_id, *number = next(csv.reader([line]))
            takes = (
                json.loads(again.tickets[f"score/{student_id}.json"])["takes"]
                if (student_id != "-")
                else []
            )
            assert student_id == "-" or row["file"] in {t["file"] for t in takes} or number


def test_a_file_of_nobody_can_be_put_aside_for_good(tmp_path):
    class_dir = build(tmp_path, {"IMG_0001.MOV": "x"})
    (row,) = rows(take(class_dir), "match_none")
    assert "no name from the roster" in row["message"]
    assert offered(row) == ["IMG_0001.MOV,-"]
    (class_dir / "matches.csv").write_text("file,student_id\nIMG_0001.MOV,-\n")
    assert take(class_dir).attention == []
    hand_in(class_dir, "IMG_0002.MOV", "x")  # a copy of what is nobody's is asked about
    assert [row["file"] for row in rows(take(class_dir), "match_none")] == ["IMG_0002.MOV"]


def test_a_file_without_a_name_may_be_of_those_from_whom_nothing_came(tmp_path):
    files = {"Ana Ruiz.mov": "a", "Ann Lee.mov": "c", "IMG_0001.MOV": "x"}
    class_dir = build(tmp_path, files)
    (row,) = rows(take(class_dir), "match_none")
    assert "no name from the roster was found in it" in row["message"]
    assert "nothing has come from Ben Okafor (s02) or Anna Lee (s04)." in row["message"]
    assert offered(row) == ["IMG_0001.MOV,-"]  # no line names a student without evidence
    assert "s02" not in [s["student_id"] for s in take(class_dir).students if s["takes"]]
    hand_in(class_dir, "Ben Okafor.mov", "b")
    (row,) = rows(take(class_dir), "match_none")
    assert "nothing has come from Anna Lee (s04)." in row["message"]


def test_the_page_may_ask_of_those_who_are_near_or_from_whom_nothing_came(tmp_path):
    intake = take(build(tmp_path, {"Ana Ruiz.mov": "a", "Ann Lee.mov": "c", "IMG_0001.MOV": "x"}))
    (question,) = json.loads(intake.tickets["publish.json"])["questions"]
    assert question["file"] == "IMG_0001.MOV"
    assert question["guesses"] == ["s02", "s04"]
    assert question["asked"].startswith("no name from the roster was found in it;")


def test_every_matches_file_counts_and_two_that_contradict_stop_the_run(tmp_path):
    class_dir = build(
        tmp_path,
        {"x.mov": "a", "y.mov": "b", "z.mov": "c"},
        matches_csv="file,student_id\nx.mov,s01\n",
    )
    later = class_dir / "matches-20260306-181500.csv"
    later.write_text("file,student_id\r\nx.mov,s01\r\ny.mov,s02\r\nz.mov,-\r\n")
    intake = take(class_dir)
    assert {s["student_id"] for s in intake.students if s["takes"]} == {"s01", "s02"}
    assert intake.attention == []
    later.write_text("file,student_id\nx.mov,s03\n")
    with pytest.raises(
        TeacherError, match=r"matches-20260306-181500\.csv, line 2: x\.mov is given"
    ):
        take(class_dir)


def test_the_teachers_own_matching_always_wins(tmp_path):
    class_dir = build(
        tmp_path,
        {"Ana Ruiz.mov": "a", "week/s02.mov": "b"},
        matches_csv="file,student_id\nAna Ruiz.mov,s02\nsubmissions/week/S02.MOV,s03\n",
    )
    intake = take(class_dir)
    assert {s["student_id"] for s in intake.students if s["takes"]} == {"s02", "s03"}
    assert intake.attention == []


def test_lines_of_matches_that_cannot_be_used_are_told(tmp_path):
    class_dir = build(
        tmp_path,
        {"a/x.mov": "a", "b/x.mov": "b", "Ana Ruiz.mov": "c"},
        matches_csv="file,student_id\nx.mov,s01\nAna Ruis.mov,s01\nAna Ruiz.mov,s99\n",
    )
    intake = take(class_dir)
    (several,) = rows(intake, "file_in_several_folders")
    assert "line 2" in several["message"]
    assert "a/x.mov" in several["action"]
    (gone,) = rows(intake, "no_such_file")
    assert "line 3" in gone["message"]
    assert "ana ruiz.mov" in gone["action"]
    (nobody,) = rows(intake, "match_of_nobody")
    assert "line 4, student_id: 's99' is not on the roster" in nobody["message"]
    assert intake.takes == []  # the teacher said it is not Ana's


def test_matches_that_contradict_stop_the_run(tmp_path):
    class_dir = build(
        tmp_path,
        {"Ana Ruiz.mov": "a"},
        matches_csv="file,student_id,take\nAna Ruiz.mov,s01,\nana ruiz.MOV,s02,x\n",
    )
    with pytest.raises(TeacherError) as caught:
        take(class_dir)
    assert "matches.csv, line 3, take" in str(caught.value)
    (class_dir / "matches.csv").write_text("file,student_id\nAna Ruiz.mov,s01\nana ruiz.MOV,s02\n")
    with pytest.raises(TeacherError, match=r"line 3: Ana Ruiz\.mov is given to s01 and to s02"):
        take(class_dir)


def test_thin_matches_are_used_and_told(tmp_path):
    class_dir = build(tmp_path, {"Ben week 3.mov": "a", "Ana Riuz.mov": "b"})
    intake = take(class_dir)
    assert [len(s["takes"]) for s in intake.students] == [1, 1, 0, 0]
    (one,) = rows(intake, "matched_by_one_name")
    assert "Ben week 3.mov = Ben Okafor" in one["message"]
    (near,) = rows(intake, "matched_by_likeness")
    assert near["student_id"] == "s01"
    assert "a spelling mistake" in near["message"]
    (class_dir / "matches.csv").write_text(near["action"].split(": ", 1)[1] + "\n")
    assert rows(take(class_dir), "matched_by_likeness") == []


def test_strays_share_a_row_and_a_copy_is_no_question(tmp_path):
    files = {
        "Ana Ruiz.mov": "a",
        "video copy.mov": "a",
        ".DS_Store": b"x",
        "a/.DS_Store": b"x",
        "notes.txt": b"x",
        "x.mov.part": b"x",
    }
    class_dir = build(tmp_path, files)
    intake = take(class_dir)
    assert {row["code"] for row in intake.attention} == {
        "copy",
        "system_file",
        "not_a_recording",
        "not_downloaded",
    }
    assert ".DS_Store, a/.DS_Store" in rows(intake, "system_file")[0]["message"]
    assert len(stray_report(intake)) == 3  # the computer's own share a line


# -- retakes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "latest"),
    [
        ("Ana Ruiz.mov", "Ana Ruiz take 2.mov"),
        ("Ana Ruiz.mov", "Ana Ruiz (1).mov"),
        ("Ana Ruiz (1).mov", "Ana Ruiz (2).mov"),
        ("Ana Ruiz.mov", "Ana Ruiz v2.mov"),
        ("Ana Ruiz v2.mov", "Ana_Ruiz_V10.mov"),
        ("Ana Ruiz.mov", "retake/Ana Ruiz.mov"),
        ("tuning ruiz ana.mov", "Ana Ruiz redo.mov"),
        ("AnaRuizTake1.mov", "AnaRuizTake3.mov"),
        ("Ana Ruiz first try.mov", "Ana Ruiz second try.mov"),
        ("Ana Ruiz 1st attempt.mov", "Ana Ruiz 2nd attempt.mov"),
        ("Ana Ruiz.mov", "Ana Ruiz FINAL.mov"),
        ("2026-03-05 17-00 Ana Ruiz take 2.mov", "2026-03-05 18-00 Ana Ruiz take 1.mov"),
        ("Ana Ruiz - Mar 5, 2026 1159 AM.mov", "Ana Ruiz - Mar 5, 2026 605 PM.mov"),
        ("Ana Ruiz 2026-03-04.mov", "Ana Ruiz 2026-03-06.mov"),
        ("2026-03-04 Ana Ruiz take 2.mov", "2026-03-06 Ana Ruiz.mov"),
    ],
)
def test_which_take_is_the_latest(tmp_path, first, latest):
    class_dir = build(tmp_path, {first: "1", latest: "2"}, assignment_yaml=DUE)
    intake = take(class_dir)
    assert intake.attention == []
    score = ticket(class_dir, "score/s01.json")
    assert [t["file"] for t in score["takes"]] == [latest]
    assert (score["takes"][0]["attempt"], score["takes"][0]["attempts"]) == (2, 2)
    assert [t["file"] for t in score["other_takes"]] == [first]


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("Ana Ruiz.mov", "ruiz ana.mov"),
        ("Ana Ruiz take 2.mov", "Ana Ruiz retake.mov"),
        ("Ana Ruiz/VID_20260305_170000.mp4", "Ana Ruiz/VID_20260306_170000.mp4"),  # a camera's
        ("Ana Ruiz/IMG_0012.MOV", "Ana Ruiz/IMG_0013.MOV"),
        ("Ana Ruiz/VID_20260305.mp4", "Ana Ruiz/VID_20260306.mp4"),
        ("Ana Ruiz 2026-03-05.mov", "Ana Ruiz.mov"),
        ("Ana Ruiz 2026-03-05.mov", "ruiz ana 2026-03-05.mov"),
        ("Ana Ruiz 2026-03-05 17-00.mov", "Ana Ruiz.mov"),  # only one is known
        ("Ana Ruiz (1).mov", "other name Ana Ruiz.mov"),
        ("Ana Ruiz week 3.mov", "Ana Ruiz week 4.mov"),
    ],
)
def test_what_stays_undecided_is_asked(tmp_path, one, two):
    class_dir = build(tmp_path, {one: "1", two: "2"}, assignment_yaml=DUE)
    os.utime(class_dir / "submissions" / one, (0, 1_772_000_000))
    os.utime(class_dir / "submissions" / two, (0, 1_772_100_000))
    intake = take(class_dir)
    (row,) = rows(intake, "take_undecided")
    score = ticket(class_dir, "score/s01.json")
    graded = score["takes"][0]
    assert graded["sha256"] == min(sha("1"), sha("2"))  # by content, whatever the names
    assert graded["attempt"] is None
    assert score["problems"] == [{k: row[k] for k in ("code", "message", "action")}]
    assert one in row["message"]
    assert two in row["message"]
    assert "by content, not by time" in row["message"]
    (hint,) = rows(intake, "take_hint")
    assert "copying and downloading change" in hint["message"]
    assert hint["file"] == two
    # The teacher decides with a take number; a file's time in the ticket would re-run the score.
    assert "2026-02" not in json.dumps(score)
    other = one if graded["file"] == two else two
    (class_dir / "matches.csv").write_text(f'file,student_id,take\n"{other}",s01,2\n')
    assert rows(take(class_dir), "take_undecided") == []
    assert ticket(class_dir, "score/s01.json")["takes"][0]["file"] == other


def test_received_csv_decides_and_tells_lateness(tmp_path):
    class_dir = build(
        tmp_path,
        {"Ana Ruiz.mov": "1", "ruiz ana.mov": "2"},
        assignment_yaml=DUE,
        received_csv="file,received\nAna Ruiz.mov,2026-03-06 21:00\n"
        "ruiz ana.mov,2026-03-06 16:00 +00:00\nnot there.mov,2026-03-06 16:00\nAna Ruiz.mov,soon\n",
    )
    intake = take(class_dir)
    score = ticket(class_dir, "score/s01.json")
    assert score["takes"][0]["file"] == "Ana Ruiz.mov"
    assert score["takes"][0]["hours_late"] == 3.0
    assert [t["received"] for t in score["other_takes"]] == ["2026-03-06T16:00:00+00:00"]
    assert "line 4" in rows(intake, "no_such_file")[0]["message"]
    assert "line 5, received: 'soon'" in rows(intake, "bad_received")[0]["message"]


def test_all_takes_are_graded_where_the_best_counts(tmp_path):
    class_dir = build(
        tmp_path,
        {"Ana Ruiz.mov": "1", "ruiz ana.mov": "2"},
        assignment_yaml="attempts: best\n",
    )
    intake = take(class_dir)
    assert intake.attention == []
    score = ticket(class_dir, "score/s01.json")
    assert {t["sha256"] for t in score["takes"]} == {sha("1"), sha("2")}
    assert score["other_takes"] == []
    assert len(intake.takes) == 2


def test_the_order_of_the_files_does_not_matter():
    takes = [Take(f"{i}" * 64, f"Ana take {i}.mov", (f"Ana take {i}.mov",), i) for i in range(1, 5)]
    for shift in range(4):
        order = order_takes(takes[shift:] + takes[:shift])
        assert [one.file for one in order.takes] == [one.file for one in takes]
        assert [one.attempt for one in order.takes] == [1, 2, 3, 4]
        assert order.decided


@pytest.mark.parametrize(
    ("student_id", "family", "given", "one", "two"),
    [
        ("v07", "Ruiz", "Ana", "v07 tuning.wav", "v07 tuning take 2.wav"),
        ("take-5", "Ruiz", "Ana", "take 5 tuning.wav", "Take-5 tuning (redo).wav"),
        ("s1", "Popa", "Toma", "Toma Popa.wav", "Toma Popa take 2.wav"),
        ("s1", "Final", "Ana", "Ana Final.wav", "Ana Final take 2.wav"),
        ("v07", "Ruiz", "Ana", "V07/Ana Ruiz.wav", "v07/Ana Ruiz again.wav"),
    ],
)
def test_an_id_or_a_name_is_no_attempt(tmp_path, student_id, family, given, one, two):
    header = "student_id,family_name,given_name,instrument\n"
    roster = f"{header}{student_id},{family},{given},violin\n"
    class_dir = build(tmp_path, {one: "1", two: "2"}, roster)
    intake = take(class_dir)
    assert rows(intake, "take_undecided") == []
    (latest,) = ticket(class_dir, f"score/{student_id}.json")["takes"]
    assert (latest["file"], latest["attempt"]) == (two, 2)


def test_ids_that_look_like_attempts_leave_the_choice_open(tmp_path):
    roster = "student_id,family_name,given_name,instrument\nv07,Ruiz,Ana,violin\n"
    class_dir = build(tmp_path, {"v07 tuning.wav": "1", "Ana Ruiz.wav": "2"}, roster)
    assert len(rows(take(class_dir), "take_undecided")) == 1


def test_what_is_known_less_surely_only_parts_what_is_level():
    """The teacher's numbers first: a later time never lifts a take above them."""

    def numbered(letter, number, hour):
        moment = read_moment(f"2026-03-06 {hour}:00", UTC)
        return Take(letter * 64, f"{letter}.mov", (f"{letter}.mov",), 0, moment, number)

    takes = [numbered("a", 2, 10), numbered("b", 2, 11), numbered("c", 1, 12)]
    order = order_takes(takes)
    assert [one.file for one in order.takes] == ["c.mov", "a.mov", "b.mov"]
    assert order.decided


def test_attempts_are_numbered_only_where_the_order_is_known():
    files = ("Ana.mov", "ana ruiz.mov", "Ana take 3.mov")
    order = order_takes([Take(f"{i}" * 64, f, (f,), 0) for i, f in enumerate(files)])
    assert order.takes[-1].file == "Ana take 3.mov"
    assert [one.attempt for one in order.takes] == [None, None, 3]


@pytest.mark.parametrize(
    ("name", "moment"),
    [
        ("2026-03-06-18-05-12_Ana.mov", "2026-03-06T18:05:12+01:00"),
        ("Ana 2026-03-06T18:05:12Z.mov", "2026-03-06T18:05:12+00:00"),
        ("Ana_20260306_1805.mov", "2026-03-06T18:05:00+01:00"),
        ("Ana 2026-03-06 at 18.05.12.mov", "2026-03-06T18:05:12+01:00"),
        ("12 - Ana - Mar 6, 2026 1205 AM.mov", "2026-03-06T00:05:00+01:00"),
        ("2026-03-06 18-05 Ana/VID_20260301_101010.mp4", "2026-03-06T18:05:00+01:00"),
        ("VID_20260306_180512 Ana.mp4", None),
        ("Screen Recording 2026-03-06 at 18.05.12.mov", None),
        ("Ana 2026-03-06.mov", None),  # a day is no time of day
        ("Ana 2026-13-40 18-05.mov", None),
        ("Ana 2026-03-06 18-05 2026-03-07 18-05.mov", None),
        ("Ana 1805.mov", None),
    ],
)
def test_times_in_file_names(name, moment):
    found = platform_time(name, CET)
    assert (found.isoformat() if found else None) == moment


def test_lateness_is_unknown_unless_both_times_are_known():
    due = read_moment("2026-03-06 18:00 +01:00", None)
    assert hours_late(None, due) is None
    assert hours_late(due, None) is None
    assert hours_late(due.replace(tzinfo=None), due) is None
    assert hours_late(due, due) == 0.0
    assert hours_late(due - timedelta(days=1), due) == 0.0
    assert hours_late(due + timedelta(minutes=90), due.astimezone(UTC)) == 1.5


def test_attempt_words():
    assert attempt_words("Ana tuning.mov") == 1
    assert attempt_words("vivaldi2.mov") == 1
    assert attempt_words("Toma 3 Ana.mov") == 3
    assert attempt_words("Ana_retake_4.mov") == 4


# -- doubles ---------------------------------------------------------------------------------


def test_one_recording_under_two_names_is_a_question(tmp_path):
    class_dir = build(tmp_path, {"Ana Ruiz.mov": "same", "Ben Okafor.mov": "same"})
    intake = take(class_dir)
    (whole,) = rows(intake, "same_recording")  # told once
    assert "Ana Ruiz (Ana Ruiz.mov) and Ben Okafor (Ben Okafor.mov)" in whole["message"]
    assert whole["action"].startswith("Was one filed under the wrong name?")
    assert whole["student_id"] == ""
    for student_id, other in (("s01", "Ben"), ("s02", "Ana")):
        (problem,) = ticket(class_dir, f"score/{student_id}.json")["problems"]
        assert problem["code"] == "same_recording"
        assert other not in json.dumps(problem)  # a sheet may show it: no other child's name
    assert len(intake.takes) == 2  # each as its own instrument


def test_the_same_file_twice_from_one_student_is_one_take_and_told(tmp_path):
    files = {"Ana Ruiz.mov": "same", "Ana Ruiz take 2.mov": "same", "Ben Okafor.mov": "b"}
    class_dir = build(tmp_path, {**files, "e.zip": zip_bytes({"ben okafor.mov": recording("b")})})
    intake = take(class_dir)
    assert [len(student["takes"]) for student in intake.students] == [1, 1, 0, 0]
    (row,) = intake.attention
    assert (row["code"], row["student_id"]) == ("copies", "")
    assert "Ana Ruiz: Ana Ruiz.mov = Ana Ruiz take 2.mov, " in row["message"]
    assert "Ben Okafor: Ben Okafor.mov = e.zip/ben okafor.mov." in row["message"]
    assert "another take" in row["action"]


def test_empty_files_are_no_doubles(tmp_path):
    class_dir = build(tmp_path, {"Ana Ruiz.mov": b"", "Ben Okafor.mov": b""})
    assert take(class_dir).attention == []


# -- marks -----------------------------------------------------------------------------------


def test_marks_reach_their_students_ticket_only(tmp_path, config_with_rubric):
    class_dir = build(tmp_path, FILES, marks_csv="student_id,criterion,points\ns01,bridge,1\n")
    take_in(class_dir, config_with_rubric)
    before = state(class_dir)
    assert ticket(class_dir, "score/s01.json")["marks"] == [
        {"criterion": "bridge", "points": 1.0, "comment": "", "saved_at": None, "take": None}
    ]
    (class_dir / "marks.csv").write_text("student_id,criterion,points\ns01,bridge,0\n")
    take_in(class_dir, config_with_rubric)
    assert changed(before, state(class_dir)) == {"tickets/score/s01.json", "tickets/publish.json"}


def test_a_refused_mark_waits_for_the_teacher(tmp_path, config_with_rubric):
    text = "student_id,criterion,points\ns01,bridge,7\ns09,bridge,1\ns02,brige,1\n"
    class_dir = build(tmp_path, FILES, marks_csv=text)
    intake = take_in(class_dir, config_with_rubric)
    assert rows(intake, "mark_refused")[0]["student_id"] == "s01"
    assert rows(intake, "mark_of_nobody")[0]["message"].startswith("marks.csv, line 3")
    assert rows(intake, "mark_without_criterion")[0]["message"].startswith("marks.csv, line 4")
    assert [p["code"] for p in ticket(class_dir, "score/s01.json")["problems"]] == ["mark_refused"]
    assert ticket(class_dir, "score/s02.json")["problems"] == []


# -- runs again ------------------------------------------------------------------------------


def test_a_second_run_writes_and_reads_nothing(tmp_path):
    class_dir = build(tmp_path, FILES, assignment_yaml=DUE)
    assert take(class_dir).written == 19
    before = state(class_dir)
    again = take(class_dir)
    assert (again.written, again.hashed, again.removed) == (0, 0, [])
    assert state(class_dir) == before


def test_a_dry_run_writes_nothing(tmp_path):
    class_dir = build(tmp_path, FILES)
    intake = take(class_dir, dry=True)
    assert not (class_dir / "results").exists()
    assert len(intake.tickets) == 19
    take(class_dir)
    before = state(class_dir)
    (class_dir / "submissions" / "s02.m4a").unlink()
    take(class_dir, dry=True)
    assert state(class_dir) == before


def test_a_copied_folder_changes_no_ticket(tmp_path):
    class_dir = build(tmp_path, FILES, assignment_yaml=DUE)
    take(class_dir)
    before = state(class_dir)
    for path in (class_dir / "submissions").iterdir():
        os.utime(path, (1, 1))
    take(class_dir)
    assert changed(before, state(class_dir)) == {"tickets/files.json"}
    moved = class_dir.rename(class_dir.parent / "elsewhere") / "strings-7b"
    shutil.move(moved.parent, tmp_path / "again")
    copy = tmp_path / "again"
    copy.rename(tmp_path / "strings-7b")
    take(tmp_path / "strings-7b")
    assert changed(before, state(tmp_path / "strings-7b")) == {"tickets/files.json"}


def test_a_renamed_file_is_not_measured_again(tmp_path):
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    before = state(class_dir)
    folder = class_dir / "submissions"
    (folder / "Ana Ruiz.mov").rename(folder / "RUIZ ana tuning.mov")
    take(class_dir)
    named = ("score/s01", "publish", "files")  # the tickets that name the file
    assert changed(before, state(class_dir)) == {f"tickets/{one}.json" for one in named}
    assert lookup(class_dir, f"{sha('a')[:16]}-violin").name == "RUIZ ana tuning.mov"


def test_one_retake_changes_one_student(tmp_path):
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    before = state(class_dir)
    hand_in(class_dir, "Ana Ruiz take 2.mov", "a2")
    intake = take(class_dir)
    assert intake.hashed == 1
    new = f"{sha('a2')[:16]}-violin"
    concerned = ("score/s01", "class", "publish", "files", f"decode/{new}", f"listen/{new}")
    assert changed(before, state(class_dir)) == {f"tickets/{one}.json" for one in concerned}


def make_results(class_dir: Path, student_id: str, take_: str) -> list[Path]:
    """Stand-ins for what the stages make."""
    results = class_dir / "results"
    paths = [
        *(results / f"work/{folder}/{student_id}.{end}" for folder, end in
          (("sheets", "pdf"), ("outbox", "eml"), ("records", "json"), ("scores", "json"))),
        results / f"work/clips/{student_id}/A4.mp3",
        *(results / f"{folder}/{take_}.json" for folder in
          ("decoded", "notes", "strings", "measured")),
        results / f"decoded/{take_}.npy",
    ]  # fmt: skip
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("{}")
    return paths


def test_a_student_off_the_roster_leaves_nothing_behind_and_it_is_said(tmp_path):
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    gone = make_results(class_dir, "s02", f"{sha('b')[:16]}-cello")
    kept = make_results(class_dir, "s01", f"{sha('a')[:16]}-violin")
    text = "\n".join(line for line in ROSTER.splitlines() if not line.startswith("s02"))
    (class_dir / "roster.csv").write_text(text + "\n")
    assert take(class_dir, dry=True).removed == []
    intake = take(class_dir, prune=True)
    assert not any(path.exists() for path in gone)
    assert all(path.exists() for path in kept)
    assert not (class_dir / "results/tickets/score/s02.json").exists()
    assert not (class_dir / "results/tickets/render/s02.json").exists()
    assert len(intake.removed) == 2
    assert intake.removed[0].startswith("Ben Okafor (s02) is no longer on the roster")
    assert "1 recording no longer belongs to a student" in intake.removed[1]
    assert take(class_dir).removed == []


def test_older_takes_keep_what_was_measured(tmp_path):
    """The teacher may turn to the best take, or back to the first: nothing is measured twice."""
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    kept = make_results(class_dir, "s01", f"{sha('a')[:16]}-violin")
    hand_in(class_dir, "Ana Ruiz take 2.mov", "a2")
    assert take(class_dir).removed == []
    assert all(path.exists() for path in kept)


def test_memory_that_is_broken_is_made_anew(tmp_path):
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    before = state(class_dir)
    for content in ("{", "[]", '{"files": 3}', ""):
        (class_dir / "results/tickets/files.json").write_text(content)
        assert take(class_dir).hashed == 4
    assert changed(before, state(class_dir)) == {"tickets/files.json"}
    assert {k: v[1] for k, v in state(class_dir).items()} == {k: v[1] for k, v in before.items()}


def test_nothing_is_overwritten_before_every_mistake_is_mended(tmp_path):
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    before = state(class_dir)
    (class_dir / "roster.csv").write_text(ROSTER + "s01,Kim,Jo,violin,7C,\n")
    (class_dir / "marks.csv").write_text("hello\n")
    (class_dir / "matches.csv").write_bytes(b"PK no lines")
    hand_in(class_dir, "Ana Ruiz take 2.mov", "a2")
    with pytest.raises(TeacherError) as caught:
        take(class_dir)
    for file in ("roster.csv", "marks.csv", "matches.csv"):
        assert file in str(caught.value)
    assert state(class_dir) == before


@pytest.mark.parametrize(
    ("block", "said"),
    [
        ("{columns: {Note: grad}}", "gradebook.columns.Note: there is no column 'grad'. Did you "
         'mean "grade"?'),
        ("{scale: own}", "gradebook.own: the scale has no grade from 0 percent on"),
        ("{scale: own, own: {50: x}}", "gradebook.own: the scale has no grade from 0 percent on"),
        ("{scale: marks}", '"marks" is not one of the choices'),
        ("{own: {101: x}}", "101"),
    ],
)  # fmt: skip
def test_a_gradebook_that_cannot_be_is_told(tmp_path, block, said):
    class_dir = build(tmp_path, FILES, assignment_yaml=f"gradebook: {block}\n")
    with pytest.raises(TeacherError) as caught:
        take(class_dir)
    assert said in str(caught.value)


def test_what_went_out_reaches_the_class_pages_ticket_only(tmp_path):
    class_dir = build(tmp_path, FILES)
    take(class_dir)
    before = state(class_dir)
    header = "student_id,sheet_sha256,sent_at\n"
    (class_dir / "sent.csv").write_text(f"{header}s01,{64 * 'a'},2026-03-07\ns02,cu")
    take(class_dir)
    assert changed(before, state(class_dir)) == {"tickets/publish.json"}
    assert ticket(class_dir, "publish.json")["sent"] == {"s01": [64 * "a"]}
    (class_dir / "sent.csv").write_text("who\nAna\n")
    with pytest.raises(TeacherError, match=r"sent\.csv"):
        take(class_dir)


def test_mistakes_of_settings_and_tables_are_told_together(tmp_path):
    class_dir = build(
        tmp_path,
        FILES,
        ROSTER.replace("bass", "kazoo")
        .replace("email\n", "due\n")
        .replace("ana@example.org", "2026-03-09 08:00")
        .replace("ben@example.org;home@example.org", "")
        .replace("anna@example.org", ""),
        assignment_yaml="due: next Friday\nattempts: lastest\n",
        received_csv="hello\n",
        marks_csv="hello\n",
    )
    with pytest.raises(TeacherError) as caught:
        take(class_dir)
    said = str(caught.value)
    for one in ("line 1, due: 'next Friday'", "line 2, attempts", "'kazoo'", "received.csv",
                "marks.csv"):  # fmt: skip
        assert one in said
    assert "with a zone (assignment.yaml has no due" not in said
    assert len(caught.value.problems) == 5
    assert not (class_dir / "results").exists()


# -- lookup ----------------------------------------------------------------------------------


def test_lookup_finds_the_content(tmp_path):
    class_dir = build(tmp_path, {"Ana Ruiz.mov": "a", "copies/ana ruiz.mov": "a"})
    (name,) = take(class_dir).takes
    first = lookup(class_dir, name)
    assert first.read_bytes() == recording("a")
    first.unlink()
    assert lookup(class_dir, name).read_bytes() == recording("a")
    os.utime(lookup(class_dir, name), (5, 5))  # a new time alone is no change
    assert lookup(class_dir, name).read_bytes() == recording("a")


def test_lookup_tells_what_changed_under_its_hands_and_it_is_decoded_again(tmp_path):
    class_dir = build(tmp_path, {"Ana Ruiz.mov": "a"})
    (name,) = take(class_dir).takes
    hand_in(class_dir, "Ana Ruiz.mov", "b")
    with pytest.raises(TeacherError) as caught:
        lookup(class_dir, name)
    assert caught.value.problems[0]["code"] == "file_changed"
    facts = class_dir / "results" / "decoded" / f"{name}.json"
    facts.parent.mkdir()
    facts.write_text(json.dumps({"problems": caught.value.problems}))
    facts.with_suffix(".npy").write_bytes(b"")
    hand_in(class_dir, "Ana Ruiz.mov", "a")
    take(class_dir)
    assert not facts.exists()
    assert not facts.with_suffix(".npy").exists()


def test_lookup_unpacks_a_recording_by_its_content(tmp_path):
    export = zip_bytes({"../Ana Ruiz.mov": recording("a"), "Ben Okafor.m4a": recording("b")})
    class_dir = build(tmp_path, {"export.zip": export})
    one, two = sorted(take(class_dir).takes, key=lambda name: name.split("-")[1], reverse=True)
    assert lookup(class_dir, one).read_bytes() == recording("a")
    path = lookup(class_dir, two)
    assert path == class_dir / "results" / "unzipped" / f"{sha('b')}.m4a"
    assert lookup(class_dir, two) == path
    (class_dir / "submissions" / "export.zip").write_bytes(zip_bytes({"x.mov": recording("c")}))
    path.unlink()
    with pytest.raises(TeacherError):
        lookup(class_dir, two)
    with pytest.raises(TeacherError, match="2 of 4 students handed in before"):
        take(class_dir)
    intake = take(class_dir, go_on=True, prune=True)
    assert intake.takes == []
    assert list((class_dir / "results" / "unzipped").iterdir()) == []


def test_intake_imports_nothing_heavy():
    """Start-up time: the intake runs before anything else, and `lookup` in every decode job."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from pegmark.receive import take_in\n"
        "heavy = ('numpy', 'pandas', 'librosa', 'scipy', 'openpyxl', 'jinja2')\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    scripts = str(Path(intake.__file__).parents[2])
    done = subprocess.run(
        [sys.executable, "-c", code, scripts], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.fixture
def config_with_rubric(tmp_path):
    """The project's settings with a rubric of two criteria."""
    config = tmp_path / "config"
    config.mkdir()
    for path in CONFIG.glob("*.yaml"):
        shutil.copy(path, config)
    (config / "rubric.yaml").write_text(
        "title: Two\ncriteria:\n"
        "  - {id: bridge, title: Bridge, points: 1, kind: teacher}\n"
        "  - {id: answers, title: Answers, points: 2, kind: teacher}\n"
    )
    return config


def test_retakes_know_no_verdict_from_a_files_time():
    """Times of files are hints only: two takes that differ in nothing else stay undecided."""
    takes = [Take("a" * 64, "x.mov", ("x.mov",), 1), Take("b" * 64, "y.mov", ("y.mov",), 10**18)]
    assert not retakes.order_takes(takes).decided
