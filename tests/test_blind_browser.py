"""The blind page in a real browser: nothing of the machine's view before it is saved, and the file
that is saved is read by the next run."""

import csv
import io
import re
from datetime import UTC
from pathlib import Path

import pytest

import browserdesk
from lab.example_class import make_class
from pegmark.publish.blind import blind_agreement, blind_page, drawn
from pegmark.receive.blind import read_blind
from test_dashboard_browser import tone_mp3

pytestmark = browserdesk.MARKS
HEARD = ("in_tune", "close", "out")


@pytest.fixture
def sample(tmp_path):
    """The class folder, the page in its results, and the records that were drawn."""
    records, ticket = make_class(12, seed=3)
    results = tmp_path / "results"
    for record in drawn(records, ticket):
        clips = results / "clips" / record["student"]["student_id"]
        clips.mkdir(parents=True)
        for name in record["strings"]:
            (clips / f"{name}.mp3").write_bytes(tone_mp3(3))
    page = results / "blind.html"
    page.write_text(blind_page(records, ticket), encoding="utf-8")
    return tmp_path, page, drawn(records, ticket)


def opened(desk, path):
    page = desk.context.new_page()
    page.set_default_timeout(8000)
    page.on("request", lambda request: desk.requests.append(request.url))
    page.on("pageerror", lambda error: desk.errors.append(str(error)))
    page.goto(path.as_uri(), wait_until="domcontentloaded", timeout=30_000)
    return page


def test_what_the_ear_says_is_saved_before_the_machine_is_shown(desk, sample):
    folder, path, records = sample
    page = opened(desk, path)
    sets = page.locator("fieldset")
    strings = [(r, n) for r in records for n, s in r["strings"].items() if s["verdict"] in HEARD]
    assert sets.count() == len(strings) > 5
    assert "machine:" not in page.inner_text("main")
    assert page.is_disabled("#save")
    judged = list(range(0, len(strings), 2))  # every other one: nobody has to judge all
    for place in judged:
        answer = sets.nth(place).locator(f'input[value="{HEARD[place % 3]}"]')
        answer.focus()
        page.keyboard.press("Space")  # by keyboard
        assert answer.is_checked()
    assert page.inner_text("#state") == f"{len(judged)} of {len(strings)} strings judged."
    assert "machine:" not in page.inner_text("main")
    with page.expect_download() as download:
        page.click("#save")
    name = download.value.suggested_filename
    assert re.fullmatch(r"blind-\d{8}-\d{6}\.csv", name)
    text = Path(download.value.path()).read_bytes().decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    for place, row in zip(judged, rows, strict=True):
        record, string = strings[place]
        assert row["student_id"] == record["student"]["student_id"]
        assert row["take"] == record["submission"]["take"]
        assert (row["string"], row["heard"]) == (string, HEARD[place % 3])
        assert row["measured"] == record["strings"][string]["verdict"]
        words = row["measured"].replace("_", " ")
        assert sets.nth(place).locator("[data-said]").inner_text() == f"The machine: {words}."
        assert sets.nth(place).locator("input").first.is_disabled()  # seen: no second thought
    assert page.locator("[data-said]:not(:empty)").count() == len(judged)
    (folder / name).write_text(text, encoding="utf-8", newline="")
    found, refused = read_blind(folder, UTC)
    assert refused == []
    told = blind_agreement(found)
    same = sum(row["heard"] == row["measured"] for row in rows)
    assert (told["pairs"], told["exact"]) == (len(rows), pytest.approx(same / len(rows)))


def test_its_clips_play_from_disk(desk, sample):
    _, path, records = sample
    page = opened(desk, path)
    player = page.locator("audio").first
    student = records[0]["student"]["student_id"]
    assert player.get_attribute("src").startswith(f"clips/{student}/")
    player.evaluate("e => e.play()")
    browserdesk.in_time(page, lambda: player.evaluate("e => e.currentTime") > 0.1)
