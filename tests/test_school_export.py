"""A class from the school's OneRoster export, and what goes back, by the standard's tables.

Source: OneRoster 1.2, CSV binding, tables of users, classes, enrollments, lineItems and results:
columns, required ones and enumerations, all from memory.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile

import pytest

from lab.bench import CONFIG
from lab.classroom import build
from lab.example_class import make_class
from pegmark.publish.oneroster import oneroster_zip
from pegmark.receive.roster import read_roster
from pegmark.records.problems import TeacherError
from pegmark.settings.assignment import load_assignment

USERS = (
    "sourcedId,status,dateLastModified,enabledUser,username,userIds,givenName,familyName,"
    "middleName,identifier,email,sms,phone,agentSourcedIds,grades,password,userMasterIdentifier,"
    "resourceSourcedIds,preferredGivenName,preferredMiddleName,preferredFamilyName,"
    "primaryOrgSourcedId,pronouns"
)
CLASSES = (
    "sourcedId,status,dateLastModified,title,grades,courseSourcedId,classCode,classType,"
    "location,schoolSourcedId,termSourcedIds,subjects,subjectCodes,periods"
)
ENROLLMENTS = (
    "sourcedId,status,dateLastModified,classSourcedId,schoolSourcedId,userSourcedId,"
    "role,primary,beginDate,endDate"
)


def table(header: str, *rows: dict[str, str]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, header.split(","), restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def user(number: int, given: str, family: str, **more: str) -> dict[str, str]:
    return {"sourcedId": f"u-{number}", "enabledUser": "true", "username": f"pupil{number}",
            "givenName": given, "familyName": family, "primaryOrgSourcedId": "org-1",
            **more}  # fmt: skip


def enrolled(number: int, whom: int, where: str = "c-1", **more: str) -> dict[str, str]:
    return {"sourcedId": f"e-{number}", "classSourcedId": where, "schoolSourcedId": "org-1",
            "userSourcedId": f"u-{whom}", "role": "student", "primary": "false",
            **more}  # fmt: skip


def a_class(title: str, sourced_id: str) -> dict[str, str]:
    return {"sourcedId": sourced_id, "title": title, "courseSourcedId": "k",
            "classType": "scheduled",
            "schoolSourcedId": "org-1", "termSourcedIds": "t-1,t-2"}  # fmt: skip


EXPORT = {
    "users.csv": table(
        USERS,
        user(1, "Zoë", "Müller", middleName="Ida", email="zoe@example.org", identifier="4711"),
        user(2, "Ana", "Ruiz", preferredGivenName="Anita"),
        user(3, "Lee", "Gone", status="tobedeleted"),
        user(4, "Tea", "Cher"),
        user(5, "Ben", "Okafor"),
    ),
    "classes.csv": table(CLASSES, a_class("Strings 7b", "c-1"), a_class("Empty", "c-9")),
    "enrollments.csv": table(
        ENROLLMENTS,
        enrolled(1, 1), enrolled(2, 2), enrolled(3, 3),
        enrolled(4, 4, role="teacher"), enrolled(5, 5, status="tobedeleted"),
    ),
}  # fmt: skip
SIDE = "student_id,instrument,section\n4711,Geige,Firsts\npupil2,cello,\n"


def make(tmp_path, files=EXPORT, side=SIDE, zipped=True, **tables):
    class_dir = build(tmp_path, instruments_csv=side, **tables)
    (class_dir / "roster.csv").unlink()
    if zipped:
        with zipfile.ZipFile(class_dir / "OneRoster bulk.zip", "w") as archive:
            for name, text in files.items():
                archive.writestr(name, text)
    else:
        (class_dir / "oneroster").mkdir()
        for name, text in files.items():
            (class_dir / "oneroster" / name).write_text(text, encoding="utf-8")
    return class_dir


def read(class_dir):
    return read_roster(class_dir, load_assignment(class_dir, CONFIG))


@pytest.mark.parametrize("zipped", [True, False])
def test_a_class_from_the_schools_export(tmp_path, zipped):
    roster = read(make(tmp_path, zipped=zipped))
    one, two = roster.students
    assert (one.student_id, one.family_name, one.given_name) == ("4711", "Müller", "Zoë Ida")
    assert (one.instrument, one.section, one.email) == ("violin", "Firsts", "zoe@example.org")
    assert (two.student_id, two.nickname, two.section) == ("pupil2", "Anita", "Strings 7b")
    assert one.extra == {
        "sourced_id": "u-1",
        "class_sourced_id": "c-1",
        "school_sourced_id": "org-1",
        "academic_session_sourced_id": "t-1",
    }
    assert "OneRoster, class Strings 7b" in roster.understood


def test_who_has_no_instrument_is_listed(tmp_path):
    with pytest.raises(TeacherError) as caught:
        read(make(tmp_path, side="student_id,instrument\n4711,viola\n"))
    assert "no instrument for 1 student: Ana Ruiz (pupil2)" in str(caught.value)


def test_of_several_classes_the_assignment_says_which(tmp_path):
    two = {
        **EXPORT,
        "enrollments.csv": EXPORT["enrollments.csv"] + "e-9,,,c-9,org-1,u-5,student,,,\r\n",
    }
    with pytest.raises(TeacherError, match=r"Strings 7b \(c-1\), Empty \(c-9\)"):
        read(make(tmp_path / "a", two))
    chosen = make(tmp_path / "b", two, assignment_yaml="oneroster_class: Strings 7b\n")
    assert len(read(chosen).students) == 2


@pytest.mark.parametrize("lacking", ["users.csv", "classes.csv", "enrollments.csv"])
def test_a_table_that_is_missing_is_named(tmp_path, lacking):
    files = {name: text for name, text in EXPORT.items() if name != lacking}
    with pytest.raises(TeacherError, match=f"has no {lacking}"):
        read(make(tmp_path, files))


def test_an_archive_that_unpacks_without_end_or_escapes_is_refused(tmp_path):
    class_dir = make(tmp_path / "a")
    with zipfile.ZipFile(class_dir / "OneRoster bulk.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("users.csv", b"a" * 60_000_000)
    with pytest.raises(TeacherError, match="far too much"):
        read(class_dir)
    escaping = {f"../../{name}": text for name, text in EXPORT.items()}
    class_dir = make(tmp_path / "b", escaping)
    assert len(read(class_dir).students) == 2  # by their names; nothing is written where they say
    assert sorted(p.name for p in (tmp_path / "b").iterdir()) == ["strings-7b"]


# -- what goes back, by the standard's tables -----------------------------------------------------

GUID, DAY, WHEN = (
    r"[^\x00-\x20,]{1,255}",
    r"\d{4}-\d\d-\d\d",
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z",
)
NUMBER, TEXT, FLAG = r"-?\d+(\.\d+)?", r".+", r"true|false"
STATUS = r"active|tobedeleted"
SCORE = r"exempt|fully graded|not submitted|partially graded|submitted"
TABLES = {  # column -> (required, form)
    "lineItems.csv": {
        "sourcedId": (True, GUID), "status": (True, STATUS), "dateLastModified": (True, WHEN),
        "title": (True, TEXT), "description": (False, TEXT), "assignDate": (True, DAY),
        "dueDate": (True, DAY), "classSourcedId": (True, GUID), "categorySourcedId": (True, GUID),
        "academicSessionSourcedId": (True, GUID), "resultValueMin": (False, NUMBER),
        "resultValueMax": (False, NUMBER), "schoolSourcedId": (True, GUID),
    },
    "results.csv": {
        "sourcedId": (True, GUID), "status": (True, STATUS), "dateLastModified": (True, WHEN),
        "lineItemSourcedId": (True, GUID), "studentSourcedId": (True, GUID),
        "scoreStatus": (True, SCORE), "score": (False, NUMBER), "scoreDate": (True, DAY),
        "comment": (False, TEXT), "textScore": (False, TEXT), "classSourcedId": (False, GUID),
        "inProgress": (False, FLAG), "incomplete": (False, FLAG), "late": (False, FLAG),
        "missing": (False, FLAG),
    },
    "manifest.csv": {"propertyName": (True, TEXT), "value": (True, TEXT)},
}  # fmt: skip


def faults_of(archive: bytes) -> list[str]:
    """Where an archive breaks the standard's tables."""
    found = []
    with zipfile.ZipFile(io.BytesIO(archive)) as zipped:
        texts = {name: zipped.read(name).decode("utf-8") for name in zipped.namelist()}
    found += [f"{name} is no file of it" for name in texts.keys() ^ TABLES.keys()]
    for name, columns in TABLES.items():
        reader = csv.DictReader(io.StringIO(texts[name]))
        if list(reader.fieldnames or ()) != list(columns):
            found.append(f"{name}: other columns, or in another order")
        for number, row in enumerate(reader, start=1):
            for column, (required, form) in columns.items():
                value = row[column]
                if (value or required) and not re.fullmatch(form, value or ""):
                    found.append(f"{name}, row {number}, {column}: {value!r}")
    items = {row["sourcedId"] for row in csv.DictReader(io.StringIO(texts["lineItems.csv"]))}
    results = list(csv.DictReader(io.StringIO(texts["results.csv"])))
    found += [
        f"a result of no line item: {r}" for r in results if r["lineItemSourcedId"] not in items
    ]
    if len({row["sourcedId"] for row in results}) != len(results):
        found.append("two results of one sourcedId")
    return found


def test_what_goes_back_keeps_to_the_standards_tables(tmp_path):
    """The ids of a class that came by the standard are enough, with the category of the grade."""
    roster = read(make(tmp_path))
    records, ticket = make_class(30, seed=3)
    for row in ticket["students"]:
        row.update(roster.students[0].extra, category_sourced_id="cat-1")
        row["sourced_id"] = f"u-{row['student_id']}"
    archive = oneroster_zip(records, ticket)
    assert faults_of(archive) == []
    broken = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(broken, "w") as new:
        for name in old.namelist():
            text = old.read(name).replace(b"not submitted", b"absent").replace(b",active,", b",,")
            new.writestr(name, text)
    assert len(faults_of(broken.getvalue())) > 30  # the check can fail


def test_the_export_of_a_whole_district_is_read(tmp_path):
    """More rows than any roster has: 30,000 enrolments of 500 classes."""
    others = (enrolled(n, n, f"c-{n % 500 + 10}") for n in range(10, 30_010))
    mine = [enrolled(1, 1), enrolled(2, 2)]
    files = {**EXPORT, "enrollments.csv": table(ENROLLMENTS, *others, *mine)}
    class_dir = make(tmp_path, files, assignment_yaml="oneroster_class: c-1\n")
    assert [student.name for student in read(class_dir).students] == ["Zoë Ida Müller", "Ana Ruiz"]


def test_an_export_that_a_spreadsheet_saved_again_is_read(tmp_path):
    files = {name: text.replace(",", ";") for name, text in EXPORT.items()}
    assert len(read(make(tmp_path, files)).students) == 2
