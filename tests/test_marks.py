"""The teacher's marks: several files merged cell by cell, every bad line told by its number."""

from __future__ import annotations

import pytest

from lab.classroom import build
from pegmark.receive.marks import Marks, read_marks, write_template
from pegmark.records.problems import TeacherError
from pegmark.score import score_student
from pegmark.words.times import UTC
from takes import MARKED, RUBRIC, grade, take, ticket

STUDENTS = ("s01", "s02")
CRITERIA = {"final_pitch": 4.0, "bridge": 1.0, "answers": 2.0}


def read(class_dir) -> Marks:
    return read_marks(class_dir, STUDENTS, CRITERIA, UTC)


def cells(marks: Marks) -> dict[tuple[str, str], tuple[float | None, str]]:
    return {
        (student_id, mark.criterion): (mark.points, mark.comment)
        for student_id, row in marks.by_student.items()
        for mark in row
    }


def write(class_dir, name: str, text: str) -> None:
    (class_dir / name).write_text(text, encoding="utf-8")


def test_no_file_is_no_mark(tmp_path):
    marks = read(build(tmp_path))
    assert marks.by_student == {}
    assert marks.refused == ()


def test_points_comments_and_empty_cells(tmp_path):
    text = (
        "student_id,criterion,points,comment\n"
        "s01,bridge,1,Well looked.\n"
        "S01,Answers,1.5,\n"
        "s02,bridge,,Tell me more.\n"
        "s02,answers,,\n"
    )
    marks = read(build(tmp_path, marks_csv=text))
    assert cells(marks) == {
        ("s01", "bridge"): (1.0, "Well looked."),
        ("s01", "answers"): (1.5, ""),
        ("s02", "bridge"): (None, "Tell me more."),
    }
    assert [mark.criterion for mark in marks.by_student["s01"]] == ["bridge", "answers"]


def test_a_decimal_comma(tmp_path):
    text = "student_id;criterion;points;comment\ns01;answers;0,5;\n"
    assert cells(read(build(tmp_path, marks_csv=text))) == {("s01", "answers"): (0.5, "")}


@pytest.mark.parametrize(
    ("typed", "points"), [("2", 2), ("2.", 2), (".5", 0.5), (",5", 0.5), ("-0", 0), ("+1", 1)]
)
def test_points_as_people_type_them(tmp_path, typed, points):
    text = f"student_id;criterion;points\ns01;answers;{typed}\n"
    marks = read(build(tmp_path, marks_csv=text))
    assert cells(marks) == {("s01", "answers"): (points, "")}
    assert str(cells(marks)["s01", "answers"][0]) == f"{float(points)}"  # and no minus zero


def test_the_newest_saved_at_of_a_cell_wins(tmp_path):
    class_dir = build(tmp_path)
    head = "student_id,criterion,points,comment,saved_at\n"
    write(class_dir, "marks.csv", head + "s01,bridge,0,new,2026-03-07T10:00:00Z\n")
    write(class_dir, "marks (1).csv", head + "s01,bridge,1,old,2026-03-07T10:59:00+01:00\n")
    write(class_dir, "marks-z.csv", head + "s01,answers,2,,2026-03-01T10:00:00Z\n")
    assert cells(read(class_dir)) == {
        ("s01", "bridge"): (0.0, "new"),  # 10:00 UTC is later than 10:59 +01:00
        ("s01", "answers"): (2.0, ""),
    }


@pytest.mark.parametrize("zone", [UTC, None])
def test_a_time_without_a_zone_is_a_time(tmp_path, zone):
    """Without a due time the class has no zone; what was saved later still wins."""
    class_dir = build(tmp_path)
    head = "student_id,criterion,points,saved_at\n"
    write(class_dir, "marks 1.csv", head + "s01,bridge,1,2026-03-06 18:00\n")
    write(class_dir, "marks 2.csv", head + "s01,bridge,0,2026-03-06 17:00\n")
    marks = read_marks(class_dir, STUDENTS, CRITERIA, zone)
    assert cells(marks) == {("s01", "bridge"): (1.0, "")}
    assert marks.refused == ()


def test_a_line_without_a_time_is_older_and_a_conflict_is_told(tmp_path):
    class_dir = build(tmp_path)
    write(class_dir, "marks.csv", "student_id,criterion,points\ns01,bridge,1\ns02,bridge,1\n")
    head = "student_id,criterion,points,comment,saved_at\n"
    write(
        class_dir,
        "marks-a.csv",
        head + "s01,bridge,0,,2020-01-01T00:00:00Z\ns02,bridge,1,,2020-01-01T00:00:00Z\n",
    )
    marks = read(class_dir)
    assert cells(marks) == {("s01", "bridge"): (0.0, ""), ("s02", "bridge"): (1.0, "")}
    (told,) = marks.refused
    assert (told.code, told.student_id) == ("mark_twice", "s01")
    assert told.message.startswith("marks.csv, line 2: another mark for bridge of s01 counts")
    assert "marks-a.csv, line 2" in told.message


def test_files_without_times_count_in_the_order_of_their_names(tmp_path):
    class_dir = build(tmp_path)
    for name, points in (("marks.csv", 0), ("marks 10.csv", 2), ("marks 2.csv", 1)):
        write(class_dir, name, f"student_id,criterion,points\ns01,answers,{points}\n")
    assert cells(read(class_dir)) == {("s01", "answers"): (2.0, "")}


def test_an_unfilled_template_takes_nothing_back_but_a_saved_empty_cell_does(tmp_path):
    class_dir = build(tmp_path, marks_csv="student_id,criterion,points\ns01,bridge,1\n")
    write(class_dir, "marks-template.csv", "student_id,criterion,points,comment\ns01,bridge,,\n")
    assert cells(read(class_dir)) == {("s01", "bridge"): (1.0, "")}
    head = "student_id,criterion,points,comment,saved_at\n"
    write(class_dir, "marks-web.csv", head + "s01,bridge,,,2026-03-07T10:00:00Z\n")
    assert cells(read(class_dir)) == {("s01", "bridge"): (None, "")}


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        ("s011,bridge,1,,", "mark_of_nobody", ["line 2, student_id: 's011'", 'mean "s01"']),
        ("s01,brigde,1,,", "mark_without_criterion",
         ["line 2, criterion: 'brigde'", 'mean "bridge"', "final_pitch, bridge, answers"]),
        ("s01,bridge,2,,", "mark_refused", ["line 2, points: '2'", "Allowed: 0 to 1"]),
        ("s01,bridge,-1,,", "mark_refused", ["'-1'", "Allowed: 0 to 1"]),
        ("s01,bridge,one,,", "mark_refused", ["'one'", "Allowed: 0 to 1"]),
        ("s01,bridge,nan,,", "mark_refused", ["'nan'"]),
        ("s01,bridge,=1+0,,", "mark_refused", ["'=1+0'"]),
        ("s01,bridge,1e0,,", "mark_refused", ["'1e0'"]),
        ("s01,bridge,1,,yesterday", "mark_refused", ["saved_at: 'yesterday'"]),
    ],
)  # fmt: skip
def test_bad_lines_are_refused_by_number(tmp_path, line, code, words):
    text = f"student_id,criterion,points,comment,saved_at\n{line}\ns02,bridge,1,,\n"
    marks = read(build(tmp_path, marks_csv=text))
    (refused,) = marks.refused
    assert refused.code == code
    assert refused.message.startswith("marks.csv, line 2")
    for word in words:
        assert word in f"{refused.message} {refused.action}"
    assert cells(marks) == {("s02", "bridge"): (1.0, "")}  # the good line is used


def test_points_at_the_edges_of_the_range(tmp_path):
    text = "student_id,criterion,points\ns01,final_pitch,4\ns01,bridge,0\ns02,final_pitch,4.0001\n"
    marks = read(build(tmp_path, marks_csv=text))
    assert cells(marks) == {("s01", "final_pitch"): (4.0, ""), ("s01", "bridge"): (0.0, "")}
    assert len(marks.refused) == 1


def test_a_file_that_is_no_table_stops_the_run(tmp_path):
    class_dir = build(tmp_path, marks_csv='student_id,criterion,points\ns01,"bridge,1\n')
    write(class_dir, "marks-b.csv", "hello\n")
    with pytest.raises(TeacherError) as caught:
        read(class_dir)
    assert "marks.csv, line 2" in str(caught.value)
    assert "marks-b.csv" in str(caught.value)


def test_a_comment_stays_one_plain_line(tmp_path):
    text = 'student_id,criterion,points,comment\ns01,bridge,1,"=HYPERLINK(1)\n\u202enext"\n'
    marks = read(build(tmp_path, marks_csv=text))
    assert cells(marks)["s01", "bridge"][1] == "=HYPERLINK(1) next"


# -- the template -----------------------------------------------------------------------------


def records():
    """One who is graded but for the teacher's points, one unsure, one done, one who is missing."""
    unsure = take(strings={"D4": {"heard": "not_heard"}})
    made = {
        "s01": grade(marks={"bridge": 1}),
        "s02": grade(unsure, marks=MARKED),
        "s03": grade(marks=MARKED),
        "s04": score_student(ticket(state="missing", takes=[]), {}, {}),
    }
    for student_id, record in made.items():
        record["student"] |= {"student_id": student_id, "given_name": "=Zoë"}
    return made


def template_lines(path):
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    return [line.split(",")[:6] for line in lines]


def test_a_template_has_every_open_cell(tmp_path):
    path = write_template(tmp_path, records())
    assert path == tmp_path / "marks.csv"
    assert template_lines(path) == [
        ["student_id", "criterion", "points", "comment", "of", "so far"],
        ["s01", "answers", "", "", "2", ""],
        ["s01", "daily", "", "", "1", ""],
        ["s02", "final_pitch", "", "", "4", "3"],
    ]
    text = path.read_text(encoding="utf-8-sig")
    assert "D4 was not heard." in text
    assert ",'=Zoë Ostermoor," in text  # no spreadsheet runs a name


def test_a_template_filled_in_is_a_marks_file(tmp_path):
    path = write_template(build(tmp_path), records())
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("answers,,,", "answers,1.5,Good.,"), encoding="utf-8")
    rubric = {c["id"]: c["points"] for c in RUBRIC["criteria"]}
    marks = read_marks(path.parent, ["s01", "s02"], rubric, UTC)
    assert cells(marks) == {("s01", "answers"): (1.5, "Good.")}
    assert marks.refused == ()


def test_a_template_never_writes_over_marks(tmp_path):
    write(tmp_path, "marks.csv", "student_id,criterion,points\ns01,bridge,1\n")
    first = write_template(tmp_path, records())
    assert first.name == "marks-open.csv"
    assert write_template(tmp_path, records()) == first  # nothing was filled in
    text = first.read_text(encoding="utf-8")
    first.write_text(text.replace("answers,,", "answers,2,"), encoding="utf-8")
    kept = first.read_bytes()
    assert write_template(tmp_path, records()).name == "marks-open-2.csv"
    assert first.read_bytes() == kept
    write(tmp_path, "marks-open-2.csv", "no table\n")
    assert write_template(tmp_path, records()).name == "marks-open-3.csv"


def test_nothing_open_no_template(tmp_path):
    assert write_template(tmp_path, {"s03": records()["s03"]}) is None
    assert list(tmp_path.iterdir()) == []
