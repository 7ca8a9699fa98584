"""The scripts of the class level, publish.py and recheck.py, run as the workflow runs them."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader, PdfWriter

from lab import sheet_examples
from lab.example_class import HZ, make_class
from pegmark.files.sent import sheet_digest

ROOT = Path(__file__).resolve().parents[1]


def run(script, *arguments):
    command = [sys.executable, str(ROOT / "scripts" / script), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.fixture
def folder(tmp_path):
    """Six students: records, render tickets and sheets as the stages before leave them."""
    records, ticket = make_class(6, seed=1)
    results = tmp_path / "results"
    for name in ("records", "sheets", "tickets/render"):
        (results / name).mkdir(parents=True)
    for student, record in records.items():
        write(results / "records" / f"{student}.json", record)
        sheet = PdfWriter()
        sheet.add_blank_page(width=595, height=842)
        sheet.metadata = {"/Title": student}
        sheet.write(results / "sheets" / f"{student}.pdf")
        mail = sheet_examples.ticket(email=f"{student}@example.org")
        write(results / "tickets" / "render" / f"{student}.json", mail)
    write(results / "tickets" / "publish.json", ticket)
    return results


def write(path, value):
    path.write_text(json.dumps(value), encoding="utf-8")


def publish(results, *more):
    run("publish.py", "--ticket", results / "tickets/publish.json",
        "--records", results / "records", "--sheets", results / "sheets",
        "--mail", results / "tickets/render", "--out", results, *more)  # fmt: skip


def complete(results, student):
    path = results / "records" / f"{student}.json"
    record = json.loads(path.read_text())
    record["status"] = "graded"
    record["problems"] = []
    for criterion in record["score"]["criteria"]:
        criterion["points"] = criterion["of"]
        criterion |= {"by": "measured", "open": 0}
    record["score"] |= {"total": 12, "open": 0}
    write(path, record)


def test_everything_of_the_class_is_written(folder):
    complete(folder, "s001")
    publish(folder)
    assert (folder / "dashboard.html").read_text("utf-8").startswith("<!doctype html>")
    assert len((folder / "gradebook.csv").read_text("utf-8").splitlines()) == 7
    assert "IMG_2231.mov" in (folder / "attention.csv").read_text("utf-8")
    assert not (folder / "oneroster.zip").exists()
    assert (folder / "outbox" / "s001.eml").read_bytes().startswith(b"X-Unsent: 1")


def test_a_draft_that_may_no_longer_go_out_is_taken_away(folder):
    complete(folder, "s001")
    publish(folder)
    assert (folder / "outbox" / "s001.eml").exists()
    path = folder / "records" / "s001.json"
    record = json.loads(path.read_text())
    record["status"] = "needs_listening"
    write(path, record)
    (folder / "outbox" / "gone.eml").write_text("a student who left")
    publish(folder)
    assert "s001.eml" not in [p.name for p in (folder / "outbox").iterdir()]
    assert not (folder / "outbox" / "gone.eml").exists()


def test_a_sheet_that_went_out_has_no_draft_until_it_is_another_one(folder):
    complete(folder, "s001")
    sheet = folder / "sheets" / "s001.pdf"
    path = folder / "tickets" / "publish.json"
    ticket = json.loads(path.read_text())
    write(path, {**ticket, "sent": {"s001": [sheet_digest(sheet.read_bytes())]}})
    publish(folder)
    assert not (folder / "outbox" / "s001.eml").exists()
    with open(sheet, "ab") as stream:
        stream.write(b"% a retake")
    publish(folder)
    assert (folder / "outbox" / "s001.eml").exists()


def test_an_archive_that_is_no_longer_true_is_taken_away(folder):
    (folder / "oneroster.zip").write_bytes(b"old")
    publish(folder)
    assert not (folder / "oneroster.zip").exists()


def test_a_student_without_a_record_or_a_sheet_stops_nobody(folder):
    (folder / "records" / "s003.json").unlink()
    (folder / "sheets" / "s002.pdf").unlink()
    publish(folder)
    assert "no_result" in (folder / "attention.csv").read_text("utf-8")


def test_the_same_inputs_give_the_same_bytes(folder):
    complete(folder, "s001")
    names = ("dashboard.html", "gradebook.csv", "attention.csv", "outbox/s001.eml")
    publish(folder)
    before = [(folder / name).read_bytes() for name in names]
    publish(folder)
    assert [(folder / name).read_bytes() for name in names] == before


def test_the_second_opinion_reaches_the_page_and_is_remembered(folder):
    record = json.loads((folder / "records" / "s001.json").read_text())
    name = next(iter(record["strings"]))
    take = record["submission"]["take"]
    hz = HZ[name] * 2 ** (-40 / 1200)
    for part in ("measured", "decoded"):
        (folder / part).mkdir()
    string = {"target_hz": HZ[name], "f0_hz": HZ[name], "uncertainty_cents": 1.0,
              "deciding": {"start_s": 0.0, "end_s": 2.0}}  # fmt: skip
    measured = {"strings": {name: string}, "recording": {}, "notes": [], "speech": []}
    write(folder / "measured" / f"{take}.json", measured)
    write(folder / "decoded" / f"{take}.json", {"recorded_at": None})
    t = np.arange(2 * 16000) / 16000
    tone = sum(np.sin(2 * np.pi * n * hz * t) / n for n in range(1, 6)).astype(np.float32)
    np.save(folder / "decoded" / f"{take}.npy", tone)
    arguments = ("--measured", folder / "measured", "--decoded", folder / "decoded",
                 "--memory", folder / "memory.json", "--out", folder / "recheck.json")  # fmt: skip
    run("recheck.py", *arguments)
    (folder / "decoded" / f"{take}.npy").unlink()  # a second run needs no audio
    run("recheck.py", *arguments)
    publish(folder, "--recheck", folder / "recheck.json")
    assert "the second opinion" in (folder / "attention.csv").read_text("utf-8")
    assert "the second opinion" in (folder / "dashboard.html").read_text("utf-8")


def bookmarks(path):
    """Titles as a tree, each with the number of its page from 0."""
    reader = PdfReader(path)

    def of(items):
        return [
            of(one)
            if isinstance(one, list)
            else (one.title, reader.get_destination_page_number(one))
            for one in items
        ]

    return of(reader.outline)


def test_one_file_of_all_sheets_to_print_has_bookmarks_by_section(folder):
    ticket = json.loads((folder / "tickets/publish.json").read_text())
    for student, section in (("s001", "Violas"), ("s002", "Basses"), ("s004", "Violas")):
        complete(folder, student)
        path = folder / "records" / f"{student}.json"
        record = json.loads(path.read_text())
        record["student"] |= {"section": section, "family_name": "F", "given_name": student}
        write(path, record)
    publish(folder)
    tree = bookmarks(folder / "sheets.pdf")
    others = {row["student_id"] for row in ticket["students"]} - {"s001", "s002", "s004"}
    left = [
        one
        for one in others
        if json.loads((folder / "records" / f"{one}.json").read_text())["status"] == "graded"
    ]
    if not left:
        assert tree == [
            ("Basses", 0),
            [("s002 F", 0)],
            ("Violas", 1),
            [("s001 F", 1), ("s004 F", 2)],
        ]
    once = (folder / "sheets.pdf").read_bytes()
    publish(folder)
    assert (folder / "sheets.pdf").read_bytes() == once
    ticket["policies"]["drafts"] = "all"
    write(folder / "tickets/publish.json", ticket)
    publish(folder)
    assert len(PdfReader(folder / "sheets.pdf").pages) == 6


def test_tables_open_with_their_letters_in_spreadsheets(folder):
    publish(folder)
    for name in ("gradebook.csv", "attention.csv"):
        assert (folder / name).read_bytes().startswith(b"\xef\xbb\xbf")
