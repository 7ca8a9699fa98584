"""What comes from outside is data and nothing else: one test for each way in and out.

Sources: OWASP Cheat Sheet Series and ASVS 5 (CSV and formula injection, deserialisation, file
upload, e-mail header injection, cross-site scripting), from memory. Decoders without network are
tested in test_privacy, names on the terminal in test_workflow.
"""

from __future__ import annotations

import ast
import csv
import email
import email.policy
import io
import re
import time
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import pytest

import render
from lab import sheet_examples
from lab.bench import CONFIG
from lab.classroom import ROSTER, build, recording
from lab.example_class import make_class
from pegmark.files.csv_text import FORMULA_STARTS
from pegmark.files.recordings import lookup
from pegmark.files.yaml_files import read_yaml
from pegmark.publish import class_pages
from pegmark.publish.drafts import make_draft
from pegmark.receive import take_in
from pegmark.receive.marks import write_template
from pegmark.records.problems import TeacherError

SCRIPTS = Path(__file__).resolve().parents[1] / "scripts"
EVIL = '"><script>alert(1)</script><svg onload=alert(2)>'


def test_yaml_aliases_and_tags_are_refused(tmp_path):
    laughs = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    laughs += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 12)]
    path = tmp_path / "assignment.yaml"
    for text, said in (
        ("\n".join(laughs), "line 2: cannot be read as YAML (an alias such as *name"),
        ('title: !!python/object/apply:os.system ["touch ' + str(tmp_path / "x") + '"]', "line 1"),
        ("title: !<tag:yaml.org,2002:python/name:os.system> x", "line 1"),
    ):
        path.write_text(text)
        began = time.monotonic()
        with pytest.raises(TeacherError) as caught:
            read_yaml(path)
        assert said in str(caught.value)
        assert time.monotonic() - began < 2
    assert not (tmp_path / "x").exists()


def test_no_cell_that_leaves_is_a_formula(tmp_path):
    """gradebook.csv, also in the school's own columns, attention.csv and the marks to fill in."""
    for start in FORMULA_STARTS:
        evil = f"{start}cmd|' /C calc'!A0"
        records, ticket = make_class(3)
        for row in ticket["students"]:
            row |= {"given_name": evil, "section": evil, "locker": evil}
        for record in records.values():
            record["student"] |= {"given_name": evil, "family_name": evil, "section": evil}
            record["problems"] = [
                {"code": "x", "message": evil, "action": evil, "criteria": [], "string": None}
            ]
        ticket["attention"] = [
            {"student_id": "", "file": evil, "code": "x", "message": evil, "action": evil}
        ]
        texts = [class_pages(records, ticket, None)["attention.csv"]]
        for columns in ({}, {evil: "locker", "b": "given_name", "c": "section"}):
            ticket["gradebook"] = {
                "columns": columns, "scale": "points", "letters": {}, "own": {},
                "separator": "comma",
            }  # fmt: skip
            texts.append(class_pages(records, ticket, None)["gradebook.csv"])
        folder = tmp_path / f"{ord(start)}"
        folder.mkdir()
        template = write_template(folder, records)
        texts += [template.read_text(encoding="utf-8-sig")] if template else []
        for text in texts:
            for row in csv.reader(io.StringIO(text, newline="")):
                for cell in row:
                    number = re.fullmatch(r"-?[\d.]+", cell)
                    assert number or not cell.startswith(FORMULA_STARTS), (start, cell)


def test_names_and_titles_add_no_mail_header():
    record = sheet_examples.record()
    evil = "Ada\r\nBcc: all@example.org\r\n\r\n=?utf-8?q?=0D=0ABcc:_x@example.org?="
    record["student"] |= {"given_name": evil, "family_name": evil}
    ticket = sheet_examples.ticket(email="a@example.org;b@example.org\r\nBcc: c@x", title=evil)
    content = make_draft({**record, "status": "graded"}, {**ticket, "drafts": "all"}, b"%PDF-1.7")
    message = email.message_from_bytes(content, policy=email.policy.SMTP)
    assert message["Bcc"] is None
    assert {name.lower() for name in message} == {
        *("x-unsent", "to", "subject", "mime-version", "content-type"),
    }
    assert [one.addr_spec for one in message["To"].addresses] == ["a@example.org"]
    (sheet,) = message.iter_attachments()
    assert not re.search(r"[\x00-\x1f/\\\\:]", sheet.get_filename())


def test_no_name_leads_out_of_the_class_folder(tmp_path):
    """Member names of archives, student ids, and names in the teacher's tables."""
    export = io.BytesIO()
    with zipfile.ZipFile(export, "w") as archive:
        for name in ("../../Ana Ruiz.mov", "/etc/Ben Okafor.mov", "C:\\\\x\\\\..\\\\Ann Lee.mov"):
            archive.writestr(name, recording(name))
    outside = {path.name for path in tmp_path.iterdir()}
    class_dir = build(tmp_path, {"export.zip": export.getvalue()})
    for take in take_in(class_dir, CONFIG).takes:
        assert lookup(class_dir, take).is_relative_to(class_dir / "results" / "unzipped")
    assert {path.name for path in tmp_path.iterdir()} - outside == {"strings-7b"}
    for student_id in ("../x", "..", "a/b", "/etc/passwd", "a\\\\b", "x\0y"):
        (class_dir / "roster.csv").write_text(ROSTER.replace("s01", student_id))
        with pytest.raises(TeacherError, match=r"student_id|not a text"):
            take_in(class_dir, CONFIG)


def test_a_small_archive_that_unpacks_without_end_is_not_opened(tmp_path):
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(3):
            archive.writestr(f"Ana Ruiz {number}.mov", bytes(30_000_000))
    class_dir = build(tmp_path, {"bomb.zip": bomb.getvalue(), "Ben Okafor.mov": "b"})
    intake = take_in(class_dir, CONFIG)
    assert [row["code"] for row in intake.attention] == ["zip_too_large"]
    assert len(intake.takes) == 1


class Tags(HTMLParser):
    """The elements of a page that run something, and attributes that do."""

    def __init__(self):
        super().__init__()
        self.scripts, self.handlers = [], []

    def handle_starttag(self, tag, attributes):
        self.scripts += [tag] if tag == "script" else []
        self.handlers += [name for name, value in attributes if value and "alert(" in value
                          and name.startswith("on")]  # fmt: skip


def scripts_of(page: str) -> tuple[int, list[str]]:
    tags = Tags()
    tags.feed(page)
    return len(tags.scripts), tags.handlers


def test_html_and_svg_in_names_and_comments_stay_text():
    records, ticket = make_class(4)
    plain = class_pages(records, ticket, None)["dashboard.html"]
    for row, record in zip(ticket["students"], records.values(), strict=True):
        row |= {"given_name": EVIL, "section": EVIL}
        record["student"] |= {"given_name": EVIL, "family_name": EVIL, "section": EVIL}
        for criterion in record["score"]["criteria"]:
            criterion["comment"] = EVIL
        if record.get("submission"):
            record["submission"]["file"] = f"{EVIL}.mov"
    ticket |= {"title": EVIL, "class_name": EVIL}
    page = class_pages(records, ticket, None)["dashboard.html"]
    assert "<script>alert(1)" not in page
    assert "<svg onload" not in page
    assert scripts_of(page) == scripts_of(plain)


def test_names_from_outside_are_told_by_the_one_function_that_escapes():
    """Every other print of the product says its own words alone, or stands in its own tools."""
    tools = {"check.py", "environment.py", "terminal.py"}  # no name of a class reaches these
    found = []
    for path in (*SCRIPTS.glob("*.py"), *(SCRIPTS / "pegmark").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or path.name in tools:
                continue
            called = ast.unparse(node.func)
            if called in ("print", "sys.stdout.write", "sys.stderr.write", "logging.info"):
                plain = all(isinstance(one, ast.Constant) for one in node.args)
                found += [] if plain else [f"{path.name}: {ast.unparse(node)}"]
    assert found == ["stage_server.py: print(end.code, file=sys.stderr)"]  # our stages' own end


def test_a_name_in_the_log_of_a_sheet_forges_no_line(capsys, tmp_path, monkeypatch):
    """A recording without pictures is told there."""
    submission = {"take": "a" * 16 + "-violin", "file": "\x1b[2Jx\nNo fault.mp4", "duration_s": 20}
    notes = [{"string": "A4", "start_s": 8, "end_s": 9}]
    monkeypatch.setattr("pegmark.files.recordings.lookup", lambda *_: tmp_path / "none.mp4")
    render.write_stills({"submission": submission, "notes": notes}, tmp_path, tmp_path)
    said = capsys.readouterr().out
    assert said.count("\n") == 1
    assert "\x1b" not in said
    assert "\\x1b[2Jx\\nNo fault.mp4" in said
