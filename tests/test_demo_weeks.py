"""End to end: three weeks of one class, each with its own way to tune, from recordings to pages.

The folders are made by scripts/lab/make_demo.py; what every string was really left at stands in
tests/data/demo_truth.json. One run of the command for each week, shared by all tests here.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys

import jsonschema
import pytest
from pypdf import PdfReader

from conftest import ROOT
from lab.demo_weeks import WEEKS
from lab.smallclass import everything_in
from pegmark.trade.pitch import cents_between

SAMPLED_CENTS = 2.5  # how far a sampled bow may stand from the pitch it was rendered at
MOST_BYTES = 8_000_000
TRUTH = json.loads((ROOT / "tests/data/demo_truth.json").read_text(encoding="utf-8"))["weeks"]
FOLDERS = [week.folder for week in WEEKS]
TUNER, BY_EAR, STRINGS = FOLDERS


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    """The three folders, graded in turn; what each held before the week after it was graded."""
    root = tmp_path_factory.mktemp("weeks")
    kept = {}
    for folder in FOLDERS:
        source = ROOT / "demo_inputs/weeks" / folder
        shutil.copytree(source, root / folder, ignore=shutil.ignore_patterns("results", ".*"))
        command = [sys.executable, str(ROOT / "scripts/grade.py"), str(root / folder)]
        run = subprocess.run(command, capture_output=True, text=True, timeout=600)
        assert run.returncode == 0, run.stdout + run.stderr
        kept[folder] = everything_in(root / folder)
    return root, kept


def record_of(root, folder, student):
    path = root / folder / "results/records" / f"{student}.json"
    return json.loads(path.read_text(encoding="utf-8"))


def sheet_text(root, folder, student):
    pages = PdfReader(root / folder / "results/sheets" / f"{student}.pdf").pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def texts(record):
    rows = [item["text"] for row in record["score"]["criteria"] for item in row["evidence"]]
    return rows + [one["text"] for one in record["observations"]]


def test_they_are_small():
    folders = [ROOT / "demo_inputs/weeks" / folder / "submissions" for folder in FOLDERS]
    files = [path for folder in folders for path in folder.iterdir()]
    assert sum(path.stat().st_size for path in files) < MOST_BYTES
    assert sorted(path.name for path in files) == sorted(
        file for folder in TRUTH.values() for file in folder
    )


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_student_has_a_record_and_a_sheet_and_no_string_is_silently_wrong(graded, folder):
    root, _ = graded
    schema = json.loads((ROOT / "workflow/schemas/record.schema.json").read_text("utf-8"))
    for student in ("dw-1", "dw-2", "dw-3"):
        record = record_of(root, folder, student)
        jsonschema.validate(record, schema)
        assert record["status"] in ("graded", "needs_listening")
        assert sheet_text(root, folder, student)
        truth = TRUTH[folder][record["submission"]["file"]]["strings"]
        for name, left in truth.items():
            string = record["strings"][name]
            if string["verdict"] in ("unsure", "not_heard"):
                assert record["status"] == "needs_listening"
                continue
            allowed = max(SAMPLED_CENTS, string["uncertainty_cents"])
            against_440 = string["deviation_cents"] + cents_between(
                record["reference"]["a4_hz"], 440.0
            )
            assert against_440 == pytest.approx(left["left_cents"], abs=allowed), name


def test_with_a_tuner_the_flat_string_costs_and_nothing_else(graded):
    root, _ = graded
    verdicts = {
        student: {n: s["verdict"] for n, s in record_of(root, TUNER, student)["strings"].items()}
        for student in ("dw-1", "dw-2", "dw-3")
    }
    assert verdicts["dw-2"].pop("G2") == "close"  # 14 cents: doubled below C3
    assert set(verdicts["dw-2"].values()) == {"in_tune"}
    assert set(verdicts["dw-1"].values()) | set(verdicts["dw-3"].values()) == {"in_tune"}
    for student in ("dw-1", "dw-2", "dw-3"):
        codes = {one["code"] for one in record_of(root, TUNER, student)["observations"]}
        assert not any(code.startswith("way_") for code in codes)


def test_by_ear_the_a_that_was_sounded_counts(graded):
    root, _ = graded
    for student in ("dw-1", "dw-2"):
        record = record_of(root, BY_EAR, student)
        assert record["reference"]["method"] == "by_ear"
        assert {s["verdict"] for s in record["strings"].values()} == {"in_tune"}, student
        (said,) = [text for text in texts(record) if "the A you heard" in text]
        hertz = float(re.findall(r"([\d.]+) hertz", said)[0])
        assert hertz == pytest.approx(442.0, abs=0.2)


def test_by_ear_another_way_is_pointed_out_and_the_a_is_asked_about(graded):
    root, _ = graded
    record = record_of(root, BY_EAR, "dw-3")
    codes = [one["code"] for one in record["observations"]]
    assert "way_string_to_string" in codes
    assert "You played two strings at once as you tuned" in sheet_text(root, BY_EAR, "dw-3")
    turning = {c["id"]: c for c in record["score"]["criteria"]}
    for criterion in ("order", "sounding", "small_moves", "final_check"):
        assert turning[criterion]["points"] == turning[criterion]["of"]  # not punished


def test_string_against_string_says_the_waves_that_are_heard(graded):
    """G2 and D3: 3 x 97.33 Hz x 20 cents are 3.4 waves a second (calculated)."""
    root, _ = graded
    good = record_of(root, STRINGS, "dw-1")
    assert {s["verdict"] for s in good["strings"].values()} == {"in_tune"}
    assert len(good["intervals"]) == 3
    record = record_of(root, STRINGS, "dw-2")
    verdicts = {name: s["verdict"] for name, s in record["strings"].items()}
    assert verdicts == {"A3": "in_tune", "D3": "in_tune", "G2": "out", "C2": "in_tune"}
    (said,) = [text for text in texts(record) if text.startswith("G and D are ")]
    assert "three slow waves each second" in said
    assert "three slow waves each second" in sheet_text(root, STRINGS, "dw-2")
    apart = record_of(root, STRINGS, "dw-3")
    assert [o["code"] for o in apart["observations"]] == ["way_apart"]
    assert {s["verdict"] for s in apart["strings"].values()} == {"in_tune"}


def test_practice_days_are_listed_and_nothing_is_marked(graded):
    root, _ = graded
    page = (root / BY_EAR / "results/dashboard.html").read_text(encoding="utf-8")
    assert "3 days: 13, 15, 16 April" in page
    record = record_of(root, BY_EAR, "dw-1")
    assert record["submission"]["file"] == "2026-04-16 Runa Holt.m4a"
    (daily,) = [c for c in record["score"]["criteria"] if c["id"] == "daily"]
    assert (daily["by"], daily["points"]) == ("open", None)


def test_the_third_sheet_shows_the_childs_own_course(graded):
    root, _ = graded
    assert "Your weeks" not in sheet_text(root, TUNER, "dw-1")
    for student in ("dw-1", "dw-2", "dw-3"):
        assert "Your weeks" in sheet_text(root, STRINGS, student)
    text = sheet_text(root, BY_EAR, "dw-2")
    assert "Your G string is in tune now. Last time it was not." in text


def test_the_pages_show_the_weeks_and_what_strings_did_between(graded):
    root, _ = graded
    assert not (root / TUNER / "results/weeks.html").exists()
    page = (root / STRINGS / "results/weeks.html").read_text(encoding="utf-8")
    assert "Between the recordings" in page
    cells = re.findall(r'<th scope="row">cello A</th><td>([^<]*)</td><td>2 times</td>', page)
    assert len(cells) == 1
    # A3 from 0.6 to -20 in 7 days, and from 7.85 to -12 in 7: 20.6 / 7 and 19.9 / 7 (calculated).
    assert float(cells[0].split(" ")[0].replace("\u2212", "-")) == pytest.approx(-2.9, abs=0.4)
    assert " \u00b1 " in cells[0]
    rows = re.findall(r'<th scope="row">cello G</th>((?:<td>[^<]*</td>)+)', page)
    assert "<td>0 of 1</td><td>1 of 1</td><td>0 of 1</td>" in rows
    projector = (root / STRINGS / "results/projector.html").read_text(encoding="utf-8")
    for name in ("Runa", "Holt", "Pim", "Aster", "Ida", "Vale", "dw-1", "dw-2", "dw-3"):
        assert name not in projector


def test_a_new_week_measures_and_writes_nothing_of_an_old_one(graded):
    root, kept = graded
    for folder in FOLDERS:
        assert everything_in(root / folder) == kept[folder]
    measured = {path.stem for path in (root / STRINGS / "results/measured").glob("*.json")}
    assert len(measured) == len(WEEKS[-1].recordings)
