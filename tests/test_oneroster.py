"""The OneRoster archive. Source of columns and words: OneRoster 1.2 CSV binding, as quoted in the
design, section 5; the list of files from memory, checked against public readers of such archives.
"""

import csv
import io
import random
import zipfile

from lab.example_class import make_class, make_record
from pegmark.publish.oneroster import STANDARD_FILES, oneroster_zip, without_ids

IDS = {
    "sourced_id": "U-{n}",
    "class_sourced_id": "C-1",
    "school_sourced_id": "O-1",
    "academic_session_sourced_id": "T-1",
    "category_sourced_id": "G-1",
}


def a_class(size=6, seed=1):
    records, ticket = make_class(size, seed)
    for n, row in enumerate(ticket["students"]):
        row.update({name: value.format(n=n) for name, value in IDS.items()})
    return records, ticket


def tables(archive):
    with zipfile.ZipFile(io.BytesIO(archive)) as zipped:
        assert zipped.testzip() is None
        texts = {name: zipped.read(name).decode("utf-8") for name in zipped.namelist()}
    return {name: list(csv.DictReader(io.StringIO(text))) for name, text in texts.items()}


def test_without_ids_there_is_no_archive():
    records, ticket = make_class(3)
    assert oneroster_zip(records, ticket) is None
    assert without_ids(ticket) == []


def test_one_column_short_is_no_archive_and_says_which():
    records, ticket = a_class(2)
    for row in ticket["students"]:
        del row["category_sourced_id"]
    assert oneroster_zip(records, ticket) is None
    assert without_ids(ticket) == [("s001", ["category_sourced_id"]),
                                   ("s002", ["category_sourced_id"])]  # fmt: skip


def test_the_manifest_names_every_file_of_the_standard():
    records, ticket = a_class()
    made = tables(oneroster_zip(records, ticket))
    assert sorted(made) == ["lineItems.csv", "manifest.csv", "results.csv"]
    manifest = {row["propertyName"]: row["value"] for row in made["manifest.csv"]}
    assert manifest["manifest.version"] == "1.0"
    assert manifest["oneroster.version"] == "1.2"
    assert len(STANDARD_FILES) == 21
    for name in STANDARD_FILES:
        sent = name in ("lineItems", "results")
        assert manifest[f"file.{name}"] == ("delta" if sent else "absent")


def test_line_items_one_per_class_with_everything_the_standard_requires():
    records, ticket = a_class()
    ticket["students"][0]["class_sourced_id"] = "C-2"
    items = tables(oneroster_zip(records, ticket))["lineItems.csv"]
    assert sorted(item["classSourcedId"] for item in items) == ["C-1", "C-2"]
    assert len({item["sourcedId"] for item in items}) == 2
    assert ",".join(items[0]) == (
        "sourcedId,status,dateLastModified,title,description,assignDate,"
        "dueDate,classSourcedId,categorySourcedId,academicSessionSourcedId,resultValueMin,resultValueMax,schoolSourcedId"
    )
    for item in items:
        assert all(value for column, value in item.items() if column != "description")
        assert (item["dueDate"], item["resultValueMax"]) == ("2026-03-06", "12")


def test_every_state_has_its_word_and_missing_is_no_zero():
    records, ticket = a_class(6)
    roster = ticket["students"]
    for n, status in enumerate(["missing", "excused", "unreadable"]):
        row = roster[n]
        records[row["student_id"]] = make_record(row, status, random.Random(1))
    for student in ("s004", "s005"):
        record = records[student]
        record["status"] = "graded"
        for criterion in record["score"]["criteria"]:
            criterion["points"] = criterion["points"] or 1
        record["score"] |= {"open": 0, "total": 9.5}
    records["s005"]["score"]["open"] = 2
    records["s004"]["submission"]["hours_late"] = 3.0
    results = tables(oneroster_zip(records, ticket))["results.csv"]
    by_student = {row["studentSourcedId"]: row for row in results}
    assert ",".join(results[0]) == (
        "sourcedId,status,dateLastModified,lineItemSourcedId,studentSourcedId,scoreStatus,score,"
        "scoreDate,comment,textScore,classSourcedId,inProgress,incomplete,late,missing"
    )
    assert [by_student[f"U-{n}"]["scoreStatus"] for n in range(5)] == [
        "not submitted", "exempt", "submitted", "fully graded", "partially graded"]  # fmt: skip
    assert [by_student[f"U-{n}"]["score"] for n in range(5)] == ["", "", "", "9.5", "9.5"]
    assert [by_student[f"U-{n}"]["missing"] for n in range(2)] == ["true", "false"]
    assert by_student["U-3"]["late"] == "true"
    assert len({row["sourcedId"] for row in results}) == 6


def test_points_taken_off_by_the_teachers_policy_are_taken_off_here_too():
    records, ticket = a_class(2)
    records["s001"]["score"] |= {"total": 9, "late": {"points_off": 2.5, "total": 6.5}}
    results = tables(oneroster_zip(records, ticket))["results.csv"]
    assert results[0]["score"] == "6.5"
    assert results[1]["score"] == f"{records['s002']['score']['total']:g}"


def test_ids_are_found_as_school_exports_spell_them():
    records, ticket = make_class(1)
    ticket["students"][0] |= {
        "sourcedId": "U", "classSourcedId": "C", "schoolSourcedId": "O",
        "Academic Session SourcedId": "T", "category_sourced_id": "G",
    }  # fmt: skip
    assert oneroster_zip(records, ticket) is not None


def test_students_without_ids_are_named():
    records, ticket = a_class(3)
    ticket["students"][1]["sourced_id"] = " "
    assert without_ids(ticket) == [("s002", ["sourced_id"])]
    assert len(tables(oneroster_zip(records, ticket))["results.csv"]) == 2


def test_the_same_class_gives_the_same_bytes():
    assert oneroster_zip(*a_class()) == oneroster_zip(*a_class())


def test_a_retake_moves_the_time_of_its_result_only():
    records, ticket = a_class(2, seed=1)
    before = tables(oneroster_zip(records, ticket))["results.csv"]
    records["s001"]["submission"]["received"] = "2026-04-01T10:00:00+02:00"
    after = tables(oneroster_zip(records, ticket))["results.csv"]
    assert after[0]["dateLastModified"] == "2026-04-01T08:00:00.000Z"
    assert after[1] == before[1]
