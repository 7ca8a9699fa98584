"""The teacher's whole round: grade a class, listen and mark in the browser, put the saved file into
the folder, grade again, and the score has changed.

The recording is one of the demo class's, through a real container.
"""

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

import browserdesk
from browserdesk import Desk, started_chromium, wait_until

ROOT = Path(__file__).resolve().parents[1]
pytestmark = browserdesk.MARKS
RECORDING = "demo_inputs/submissions/Lantern/sk-104_tuning.mkv"
ROSTER = """\
student_id,family_name,given_name,instrument,section,email
sk-104,Okwuosa,Ifeoma,viola,Lantern,ifeoma.okwuosa@example.org
sk-108,Harrowgate,Nia,violin,Breakwater,nia.harrowgate@example.org
"""


@pytest.fixture(scope="module")
def class_dir(tmp_path_factory):
    folder = tmp_path_factory.mktemp("chain") / "class"
    (folder / "submissions").mkdir(parents=True)
    (folder / "roster.csv").write_text(ROSTER, encoding="utf-8")
    (folder / "submissions" / "sk-104_tuning.mkv").write_bytes((ROOT / RECORDING).read_bytes())
    return folder


def grade(folder):
    """Run the one command; the student's record and her row of the gradebook."""
    command = [sys.executable, str(ROOT / "scripts/grade.py"), str(folder)]
    run = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert run.returncode == 0, run.stdout + run.stderr
    record = json.loads((folder / "results/records/sk-104.json").read_text("utf-8"))
    with open(folder / "results/gradebook.csv", newline="", encoding="utf-8-sig") as stream:
        row = next(csv.DictReader(stream))
    return record, row


def test_marks_given_in_the_browser_change_the_score_of_the_next_run(class_dir):
    before, row = grade(class_dir)
    points = before["score"]["total"]
    criteria = {c["id"]: c for c in before["score"]["criteria"]}
    waiting = [c for c in before["score"]["criteria"] if c["by"] == "open"]
    assert {"bridge", "answers", "daily"} <= {c["id"] for c in waiting}
    draft = class_dir / "results/outbox/sk-104.eml"
    assert not draft.exists()
    with started_chromium() as chromium:
        desk = Desk(chromium)
        page = desk.open(class_dir / "results/dashboard.html")
        page.keyboard.press("o")
        assert page.get_attribute(".opened", "data-student") == "sk-104"
        listen(page, before)
        page.locator(".opened h3").focus()
        page.keyboard.press("m")
        for criterion in waiting:
            page.keyboard.type(f"{criterion['of']:g}")
            page.keyboard.press("Enter")
        page.fill('.opened fieldset[data-criterion="answers"] .comment', 'Clear, "loud", =whole.')
        with page.expect_download() as download:
            page.keyboard.press("Control+s")
        download.value.save_as(class_dir / download.value.suggested_filename)
        shown = page.inner_text("#student-sk-104 .points-cell")

        after, row = grade(class_dir)
        sure = sum(c["points"] or 0 for c in waiting)
        total = points - sure + sum(c["of"] for c in waiting)
        assert after["score"]["total"] == total > points
        assert after["score"]["open"] == 0
        assert float(row["total"]) == total
        assert row["open_points"] == "0"
        given = {c["id"]: c for c in after["score"]["criteria"]}
        assert given["answers"]["by"] == "teacher"
        assert given["answers"]["comment"] == 'Clear, "loud", =whole.'
        assert given["order"] == criteria["order"]
        assert draft.exists()  # a complete sheet may go out

        page.reload()
        page.wait_for_selector("html[data-ready]", state="attached")
        assert page.inner_text("#save-state") == "No new marks."
        now = page.inner_text("#student-sk-104 .points-cell")
        assert now == shown.removesuffix(" new")
        assert "so far" not in now
        desk.close()


def listen(page, record):
    """Each string's clip plays by its key, and the video opens at a string's second."""
    for number, name in enumerate(record["strings"], start=1):
        page.locator(".opened h3").focus()
        page.keyboard.press(str(number))
        clip = f"document.querySelector('.opened [data-clip=\"{number}\"]')"
        wait_until(page, f"{clip}.currentTime > 0.1")
        deciding = record["strings"][name]["deciding"]
        length = page.evaluate(f"{clip}.duration")
        assert length == pytest.approx(deciding["end_s"] - deciding["start_s"] + 0.8, abs=0.4)
    time = page.locator(".opened .path-foot .time").first
    at_s = float(time.get_attribute("data-time"))
    time.click()
    wait_until(page, f"document.querySelector('.opened video')?.currentTime > {at_s - 0.9}")
    assert page.evaluate("document.querySelector('.opened video').currentTime") < at_s + 3
    assert page.evaluate("document.querySelector('.opened video').videoWidth") > 0
