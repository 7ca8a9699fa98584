"""gradebook.csv: every student, numbers as numbers, text that no spreadsheet runs."""

import csv
import io

from lab.example_class import make_class, make_record, make_string
from pegmark.files.csv_text import cell, csv_text
from pegmark.publish.gradebook import gradebook_csv
from pegmark.records.columns import FIRST_COLUMNS


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_columns_are_the_contracts():
    records, ticket = make_class(3)
    header = gradebook_csv(records, ticket).split("\r\n")[0].split(",")
    # Source: the design, end of section 3.
    assert header == [
        "student_id",
        "family_name",
        "given_name",
        "section",
        "instrument",
        "status",
        "total",
        "of",
        "open_points",
        "hours_late",
        "final_pitch",
        "order",
        "sounding",
        "small_moves",
        "final_check",
        "bridge",
        "answers",
        "daily",
        "string_1_cents",
        "string_2_cents",
        "string_3_cents",
        "string_4_cents",
    ]
    assert tuple(header[: len(FIRST_COLUMNS)]) == FIRST_COLUMNS


def test_every_student_of_the_roster_has_a_row_in_its_order():
    records, ticket = make_class(40)
    del records["s007"]  # a job that failed
    rows = rows_of(gradebook_csv(records, ticket))
    assert [r["student_id"] for r in rows] == [f"s{n:03d}" for n in range(1, 41)]
    assert rows[6]["status"] == "unreadable"
    assert rows[6]["total"] == ""


def test_a_record_of_nobody_on_the_roster_is_left_out():
    records, ticket = make_class(3)
    ticket["students"] = ticket["students"][:2]
    assert len(rows_of(gradebook_csv(records, ticket))) == 2


def test_missing_is_not_zero():
    records, ticket = make_class(1)
    records["s001"] = make_record(ticket["students"][0], "missing", None)
    (row,) = rows_of(gradebook_csv(records, ticket))
    assert (row["status"], row["total"], row["final_pitch"]) == ("missing", "", "")
    assert row["string_1_cents"] == row["hours_late"] == ""
    assert row["of"] == "12"


def test_zero_points_stay_zero_and_negative_cents_stay_numbers():
    records, ticket = make_class(1, seed=1)
    record = records["s001"]
    assert record["status"] == "graded"
    record["score"]["criteria"][1]["points"] = 0
    first = next(iter(record["strings"].values()))
    first["deviation_cents"] = -12.25
    (row,) = rows_of(gradebook_csv(records, ticket))
    assert row["order"] == "0"
    assert row["string_1_cents"] == "-12.25"
    assert float(row["total"]) == record["score"]["total"]


def test_a_fifth_string_gets_a_fifth_column_and_the_others_none():
    import random

    records, ticket = make_class(2, seed=1)
    block, _, _ = make_string("B0", 5, 50.0, random.Random(1))
    records["s001"]["strings"]["B0"] = block
    first, second = rows_of(gradebook_csv(records, ticket))
    assert float(first["string_5_cents"]) == block["deviation_cents"]
    assert second["string_5_cents"] == ""


def test_lateness_costs_points_only_by_policy_and_in_columns_of_its_own():
    records, ticket = make_class(2, seed=1)
    records["s001"]["score"] |= {"total": 9, "late": {"points_off": 2, "total": 7}}
    assert "late_points_off" not in gradebook_csv(records, ticket)
    ticket["policies"]["late"] = {"points_off_per_day": 2}
    first, second = rows_of(gradebook_csv(records, ticket))
    assert (first["total"], first["late_points_off"], first["total_after_late"]) == ("9", "2", "7")
    assert second["late_points_off"] == second["total_after_late"] == ""


def test_hostile_names_are_neutralised_and_come_back_whole():
    records, ticket = make_class(1, seed=1)
    student = records["s001"]["student"]
    student["family_name"] = "=cmd()"
    student["given_name"] = 'Ann "Nan",\nO\'Hara'
    student["section"] = "@SUM(A1)"
    (row,) = rows_of(gradebook_csv(records, ticket))
    assert row["family_name"] == "'=cmd()"
    assert row["given_name"] == 'Ann "Nan",\nO\'Hara'
    assert row["section"] == "'@SUM(A1)"


def test_cells_that_start_a_formula():
    # Source: OWASP ASVS 5, V1.2.10: = + - @ tab NUL as first character.
    for text in ("=1", "+1", "-1", "@x", "\tx", "\0x"):
        assert cell(text).startswith("'")
    assert cell(-1.5) == "-1.5"
    assert cell(-0.0) == "0"
    assert cell(0.1 + 0.2) == "0.3"
    assert cell(None) == ""
    assert cell("a=b") == "a=b"


def test_lines_end_in_cr_lf_and_quotes_double():
    # Source: RFC 4180, section 2, rules 1, 6 and 7.
    assert csv_text(["a", "b"], [{"a": 'x"y', "b": "1,2"}]) == 'a,b\r\n"x""y","1,2"\r\n'


def test_pandas_reads_it_with_numbers():
    import pandas as pd

    records, ticket = make_class(60)
    table = pd.read_csv(io.StringIO(gradebook_csv(records, ticket)), dtype={"student_id": str})
    assert len(table) == 60
    assert table["string_1_cents"].dtype.kind == "f"
    assert table["of"].eq(12).all()


def graded(total, **score):
    records, ticket = make_class(1)
    (record,) = records.values()
    record["status"] = "graded"
    record["score"] |= {"total": total, "of": 12, "open": 0, **score}
    return records, ticket


HOW = {"columns": {}, "scale": "percent", "letters": {"90": "A", "75": "B", "0": "F"}, "own": {}}


def test_a_map_of_columns_gives_the_schools_own_table():
    records, ticket = graded(9)
    ticket["students"][0]["SIS number"] = "0042"
    columns = {
        "Pupil": "student_id",
        "SIS": "SIS number",
        "Week 3 (%)": "grade",
        "Pitch": "final_pitch",
    }
    ticket["gradebook"] = {**HOW, "columns": columns}
    text = gradebook_csv(records, ticket)
    assert text.split("\r\n")[0] == "Pupil,SIS,Week 3 (%),Pitch"
    (row,) = rows_of(text)
    assert (row["Pupil"], row["SIS"], row["Week 3 (%)"]) == ("s001", "0042", "75")


def test_the_scales():
    for scale, total, grade in (
        ("percent", 10, "83.3"),
        ("letters", 10, "B"),
        ("letters", 9, "B"),  # 75 % is the step itself
        ("letters", 8.9, "F"),
        ("letters", 12, "A"),
        ("own", 10, "2"),
    ):
        records, ticket = graded(total)
        ticket["gradebook"] = {**HOW, "scale": scale, "own": {"92": "1", "81": "2", "0": "6"}}
        assert rows_of(gradebook_csv(records, ticket))[0]["grade"] == grade, (scale, total)


def test_lateness_is_in_the_grade_and_what_is_open_has_none():
    records, ticket = graded(12, late={"total": 9, "points_off": 3})
    ticket["gradebook"] = {**HOW, "scale": "letters"}
    assert rows_of(gradebook_csv(records, ticket))[0]["grade"] == "B"
    for changes in ({"score": {"open": 1}}, {"status": "needs_listening"}, {"status": "missing"}):
        records, ticket = graded(12)
        ticket["gradebook"] = {**HOW, "scale": "letters"}
        (record,) = records.values()
        record["score"] |= changes.pop("score", {})
        record |= changes
        assert rows_of(gradebook_csv(records, ticket))[0]["grade"] == "", changes


def test_semicolons_come_with_decimal_commas():
    records, ticket = graded(10.5)
    ticket["gradebook"] = {**HOW, "separator": "semicolon"}
    rows = list(csv.reader(io.StringIO(gradebook_csv(records, ticket), newline=""), delimiter=";"))
    row = dict(zip(*rows, strict=True))
    assert (row["total"], row["grade"]) == ("10,5", "87,5")
    assert row["student_id"] == "s001"
