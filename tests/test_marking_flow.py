"""Marking as one flow, in a real browser: keys counted, sound waited for, answers by ear."""

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import browserdesk
from browserdesk import in_time
from lab.example_class import make_class
from pegmark.publish.dashboard import build_dashboard
from pegmark.receive.own_matches import read_matches
from pegmark.receive.submissions import collect
from pegmark.render.stills import still_names
from test_dashboard_browser import name_of, open_ids, tone_mp3

pytestmark = browserdesk.MARKS
TEACHERS = ("bridge", "answers", "daily")


def write_class(folder, records, ticket, opinion=None):
    """The page, with the clips of every student and every recording."""
    results = folder / "results"
    results.mkdir()
    for student, record in records.items():
        if not record["strings"]:
            continue
        clips = results / "clips" / student
        clips.mkdir(parents=True)
        (clips / "speech.mp3").write_bytes(tone_mp3(20))
        for name in record["strings"]:
            (clips / f"{name}.mp3").write_bytes(tone_mp3(3))
        recording = folder / "submissions" / record["submission"]["file"]
        recording.parent.mkdir(parents=True)
        recording.write_bytes(tone_mp3(60))
    page = results / "dashboard.html"
    page.write_text(build_dashboard(records, ticket, opinion), encoding="utf-8")
    return page


def saved(page):
    with page.expect_download() as download:
        page.keyboard.press("Control+s")
    text = Path(download.value.path()).read_bytes().decode("utf-8")
    return {(r["student_id"], r["criterion"]): r
            for r in csv.DictReader(io.StringIO(text, newline=""))}  # fmt: skip


def waiting(records, criterion):
    return [s for s, r in records.items() if r["strings"] and criterion in open_ids(r)]


def practised(ticket, student, days):
    """A take of a student for each day, and the second opinion that heard them."""
    takes = [f"{n:016x}-violin" for n in range(len(days))]
    ticket["takes"] += [
        {"take": take, "student_id": student, "file": f"{day} tuning.mov", "named_day": day}
        for take, day in zip(takes, days, strict=True)
    ]
    return {"takes": {take: {"A4": {}} for take in takes}, "disagreements": [], "recorded_at": {},
            "same_recordings": []}  # fmt: skip


WATCH = """() => {
  window.waits = [];
  addEventListener("keydown", () => { window.pressed = performance.now(); }, true);
  addEventListener("click", () => { window.pressed = performance.now(); }, true);
  addEventListener("playing", (e) => {
    if (e.target.closest("#flow-player")) window.waits.push(performance.now() - window.pressed);
  }, true);
}"""


PICTURES = '[...document.querySelectorAll("#flow-stills img")]'
ALL_SHOWN = f"{PICTURES}.length === 6 && {PICTURES}.every((i) => i.naturalWidth)"
PRESS_AND_WAIT = f"""async () => {{
  const before = document.querySelector("#flow-stills img");
  const begun = performance.now();
  document.querySelectorAll("#flow-answers button")[2].click();
  const shown = () => document.querySelector("#flow-stills img") !== before && {ALL_SHOWN};
  while (!shown()) await new Promise(requestAnimationFrame);
  return performance.now() - begun;
}}"""


def test_a_hundred_students_take_one_key_each_and_nobody_waits_for_sound(desk, tmp_path):
    """Issue: at most 2 keys a student and criterion, no waiting for sound over 0.3 s.

    That the next sound is loaded before its turn holds on any machine; how long a key takes till
    it sounds is judged by nine of ten, since other work on the machine delays single ones
    (benchmark_dashboard.py measures all of them).
    """
    records, ticket = make_class(100)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.evaluate(WATCH)
    page.wait_for_timeout(1500)  # as long as a teacher reads the first screen
    page.click('[data-start="mark"]')
    cells = [(s, c) for c in TEACHERS for s in waiting(records, c)]
    assert len(cells) > 150
    for place, (student, _) in enumerate(cells):
        assert page.inner_text("#flow-student").startswith(name_of(records[student]))
        if place < 40:
            in_time(page, lambda n=place: page.evaluate("window.waits.length") > n)
        page.keyboard.press("1")
    assert page.is_visible("#flow-end")
    waits = sorted(page.evaluate("window.waits"))
    assert len(waits) >= 40
    assert waits[len(waits) * 9 // 10] < 300
    rows = saved(page)
    assert {key for key, row in rows.items() if row["points"] == "1" and row["take"]} >= set(cells)
    page.keyboard.press("Escape")
    # Left are those whose question for the ear is open still.
    assert page.inner_text('[data-step="mark"] .step-words').startswith("done")


# A person's share of one bridge, by the model human processor and the keystroke-level model (Card,
# Moran and Newell 1983 and 1980, from memory): six fixations, one decision, one press.
PERSON_S = 6 * 0.23 + 1.2 + 0.2


def test_a_hundred_bridges_are_marked_from_their_pictures_in_five_minutes(desk, tmp_path):
    """Issue: under 5 minutes of a person's clicking. Counted: one press each; waited for: pictures.

    The machine's own share is judged by the middle of a hundred, since other work on the machine
    delays single ones.
    """
    records, ticket = make_class(185)
    ticket["stills"] = True
    path = write_class(tmp_path, records, ticket)
    picture = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 255, (240, 320, 3), np.uint8)
    Image.fromarray(noise).save(picture, "JPEG", quality=80)
    open_here = waiting(records, "bridge")
    assert len(open_here) >= 100
    for student in open_here:
        for name in still_names():
            (path.parent / "clips" / student / name).write_bytes(picture.getvalue())
    page = desk.open(path)
    page.click('[data-step="mark"] summary')
    page.click('.by-criterion[data-criterion="bridge"]')
    in_time(page, lambda: page.evaluate(ALL_SHOWN))
    waited = [page.evaluate(PRESS_AND_WAIT) for _ in open_here[1:]]
    share_s = sorted(waited)[len(waited) // 2] / 1000
    print(f"{len(waited)} bridges, one press each, pictures after {share_s * 1000:.0f} ms (middle)")
    assert 100 * (share_s + PERSON_S) < 300
    page.keyboard.press("1")
    assert page.is_visible("#flow-end")
    rows = saved(page)
    assert all(rows[student, "bridge"]["points"] == "1" for student in open_here)


def test_the_next_sound_is_loaded_before_its_turn(desk, tmp_path):
    records, ticket = make_class(12)
    page = desk.open(write_class(tmp_path, records, ticket))
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.click('[data-step="mark"] summary')
    page.click('.by-criterion[data-criterion="answers"]')
    second, third, fourth = waiting(records, "answers")[1:4]
    in_time(page, lambda: any(f"clips/{third}/" in url for url in asked))
    assert any(f"clips/{second}/" in url for url in asked)
    assert not any(f"clips/{fourth}/" in url for url in asked)
    page.keyboard.press("1")
    in_time(page, lambda: any(f"clips/{fourth}/" in url for url in asked))


def test_full_points_to_all_still_open_are_taken_back_by_one_key(desk, tmp_path):
    records, ticket = make_class(30)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-start="mark"]')
    open_here = waiting(records, "bridge")
    page.keyboard.press("0")
    page.keyboard.press("x")
    assert f"full points to {len(open_here) - 1} students" in page.inner_text("#flow-did")
    assert page.inner_text("#flow-title") == "Spoken answers"
    page.keyboard.press("u")
    assert page.inner_text("#flow-title") == "Bridge checked"
    rows = saved(page)
    given = [s for s in open_here if rows.get((s, "bridge"), {}).get("points")]
    assert given == open_here[:1]


@pytest.mark.parametrize(
    ("typed", "points"), [("1/2", "0.5"), ("1,5", "1.5"), ("1.5", "1.5"), ("1½", "1.5")]
)
def test_half_points_are_read_as_people_write_them(desk, tmp_path, typed, points):
    records, ticket = make_class(12)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-step="mark"] summary')
    page.click('.by-criterion[data-criterion="answers"]')
    (first, *_) = waiting(records, "answers")
    page.fill("#flow-points", typed)
    page.press("#flow-points", "Enter")
    assert saved(page)[(first, "answers")]["points"] == points


def test_too_many_points_are_refused_and_the_student_stays(desk, tmp_path):
    records, ticket = make_class(12)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-start="mark"]')
    before = page.inner_text("#flow-student")
    page.keyboard.press("3")
    page.fill("#flow-points", "1,5")
    page.press("#flow-points", "Enter")
    assert page.inner_text("#flow-wrong") == "Give 0 to 1."
    assert page.inner_text("#flow-student") == before
    assert page.locator("#flow-did").inner_text() == ""


def test_a_comment_of_the_teachers_list_takes_one_key(desk, tmp_path):
    records, ticket = make_class(12)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-step="mark"] summary')
    page.click('.by-criterion[data-criterion="answers"]')
    (first, *_) = waiting(records, "answers")
    page.keyboard.press("b")
    page.keyboard.press("2")
    row = saved(page)[(first, "answers")]
    assert (row["points"], row["comment"]) == ("2", "Speak a little louder.")


def test_one_student_at_a_time(desk, tmp_path):
    records, ticket = make_class(12)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-start="mark"]')
    page.click("#flow-by-student")
    first = waiting(records, "bridge")[0]
    for _ in TEACHERS:
        assert page.inner_text("#flow-student").startswith(name_of(records[first]))
        page.click("#flow-answers button >> nth=0")  # by touch
    assert not page.inner_text("#flow-student").startswith(name_of(records[first]))


def test_the_recording_starts_at_the_moment_that_matters(desk, tmp_path):
    records, ticket = make_class(12)
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-start="mark"]')
    record = records[waiting(records, "bridge")[0]]
    first = min(n["start_s"] for n in record["notes"])
    last = max(n["end_s"] for n in record["notes"])
    player = page.locator("#flow-player video")
    in_time(page, lambda: not player.evaluate("e => e.paused || e.seeking"))
    at = player.evaluate("e => e.currentTime")
    assert max(0, first - 5) <= at <= first
    player.evaluate("(e, t) => { e.currentTime = t; }", first - 0.1)
    in_time(page, lambda: last <= player.evaluate("e => e.currentTime") <= last + 5)
    page.keyboard.press("1")
    for _ in waiting(records, "bridge")[1:]:
        page.keyboard.press("1")
    assert page.inner_text("#flow-title") == "Spoken answers"
    assert page.locator("#flow-player audio").get_attribute("src").endswith("speech.mp3")


def test_whose_file_this_is_becomes_a_file_that_the_next_run_reads(desk, tmp_path):
    records, ticket = make_class(12)
    ticket["questions"] = [
        {"file": f"new/{name}", "asked": "no name was found in it.", "guesses": guesses}
        for name, guesses in [("one.mov", ["s003", "s005"]), ("two, again.mov", []), ("3.mov", []),
                              ("4.mov", ["s001"])]
    ]  # fmt: skip
    ticket["attention"] = [
        {
            "student_id": "",
            "file": q["file"],
            "code": "match_none",
            "message": q["file"],
            "action": "!",
        }
        for q in ticket["questions"]
    ]
    path = write_class(tmp_path, records, ticket)
    for question in ticket["questions"]:
        recording = tmp_path / "submissions" / question["file"]
        recording.parent.mkdir(exist_ok=True)
        recording.write_bytes(tone_mp3(5))
    page = desk.open(path)
    assert page.inner_text('[data-step="whose"] .step-words') == "4 files"
    page.click('[data-start="whose"]')
    assert page.inner_text("#flow-student") == "new/one.mov"
    player = page.locator("#flow-player video")
    in_time(page, lambda: not player.evaluate("e => e.paused"))  # it plays from its beginning
    page.keyboard.press("2")
    assert page.inner_text("#flow-student") == "new/two, again.mov"
    page.fill("#flow-whose", "s00")
    page.press("#flow-whose", "Enter")
    assert page.inner_text("#flow-wrong") == "9 students are called that: type the id."
    page.fill("#flow-whose", "S007")
    page.press("#flow-whose", "Enter")
    page.keyboard.press("0")
    page.keyboard.press("1")
    assert page.inner_text("#flow-end").endswith(
        "Save the matches file and put it into the class folder."
    )
    page.keyboard.press("u")
    page.click("#flow-answers button >> nth=1")  # not s001's after all, by touch
    page.reload()  # nothing is lost with a closed tab
    page.wait_for_selector("html[data-ready]", state="attached")
    assert page.inner_text('[data-step="whose"] .step-words') == "done; save the matches file"
    with page.expect_download() as download:
        page.click("#save-matches")
    assert download.value.suggested_filename.startswith("matches-2")
    saved_as = tmp_path / download.value.suggested_filename
    saved_as.write_bytes(Path(download.value.path()).read_bytes())
    matches = read_matches(tmp_path, collect(tmp_path, {}).recordings, records)
    assert matches.owners == {
        "new/one.mov": "s005", "new/two, again.mov": "s007", "new/3.mov": "-", "new/4.mov": "-",
    }  # fmt: skip
    assert matches.notices == []


def ask_for(records, student, names):
    record = records[student]
    record["status"] = "needs_listening"
    record["problems"] = []
    for name in names:
        record["strings"][name] |= {"verdict": "unsure"}
        record["problems"].append(
            {"code": "pitch_unsure", "message": f"{name} is unsure.", "action": "Listen.",
             "criteria": ["final_pitch"], "string": name, "at_s": 20.0}
        )  # fmt: skip
    row = record["score"]["criteria"][0]
    row |= {"by": "open", "points": 2.0, "open": float(len(names)), "measured_points": None}


@pytest.mark.parametrize(
    ("keys", "points", "said"),
    [
        ("11", "4", "A is in tune. D is in tune."),
        ("12", "3", "A is in tune. D is too high."),
        ("33", "2", "A is too low. D is too low."),
        ("41", "4", "A: no fault of yours. D is in tune."),
    ],
)
def test_questions_for_the_ear_become_marks(desk, tmp_path, keys, points, said):
    records, ticket = make_class(1, seed=1)
    ask_for(records, "s001", ["A4", "D4"])
    page = desk.open(write_class(tmp_path, records, ticket))
    assert page.inner_text('[data-step="listen"] .step-words') == "1 student, about 1 minute"
    page.click('[data-start="listen"]')
    assert page.inner_text("#flow-question") == "A4 is unsure. Is the A string in tune?"
    assert page.locator("#flow-player audio").get_attribute("src") == "clips/s001/A4.mp3"
    for key in keys:
        page.keyboard.press(key)
    assert page.is_visible("#flow-end")
    row = saved(page)[("s001", "final_pitch")]
    assert (row["points"], row["comment"]) == (points, said)
    page.keyboard.press("Escape")
    assert page.inner_text('[data-step="listen"] .step-words').startswith("done")


@pytest.mark.parametrize(
    ("key", "points", "said"),
    [("1", "3", "D counts as it was set."), ("2", "2.5", "D counts as it was left.")],
)
@pytest.mark.parametrize("with_ear", [False, True])
def test_a_slip_that_was_left_is_decided_by_one_key(desk, tmp_path, key, points, said, with_ear):
    """While marking; where another string of the take has to be heard anyway, beside it."""
    records, ticket = make_class(1, seed=1)
    ask_for(records, "s001", ["A4"] if with_ear else [])
    record = records["s001"]
    record["problems"].append(
        {"code": "slipped_left", "message": "D4 slipped.", "action": "Decide.",
         "criteria": ["final_pitch"], "string": "D4", "at_s": 20.0}
    )  # fmt: skip
    record["strings"]["D4"] |= {"verdict": "close", "judged": {"before_slip": "in_tune"}}
    record["score"]["criteria"][0]["open"] = 1.0 + with_ear
    if not with_ear:
        record["status"] = "graded"
    page = desk.open(write_class(tmp_path, records, ticket))
    step = page.inner_text('[data-step="listen"] .step-words')
    assert step == ("1 student, about 1 minute" if with_ear else "nothing")
    if with_ear:
        page.click('[data-start="listen"]')
        page.keyboard.press("2")  # A is too high
    else:
        page.click('[data-step="mark"] summary')
        page.click('.by-criterion[data-criterion="final_pitch"]')
    assert page.inner_text("#flow-question") == "D4 slipped. Decide."
    assert page.locator("#flow-player audio").get_attribute("src") == "clips/s001/D4.mp3"
    page.keyboard.press(key)
    assert page.is_visible("#flow-end")
    row = saved(page)[("s001", "final_pitch")]
    assert (row["points"], row["comment"]) == (
        points,
        ("A is too high. " if with_ear else "") + said,
    )


def test_an_answer_by_ear_is_taken_back(desk, tmp_path):
    records, ticket = make_class(1, seed=1)
    ask_for(records, "s001", ["A4", "D4"])
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-start="listen"]')
    page.keyboard.press("2")
    page.keyboard.press("u")
    page.keyboard.press("1")
    page.keyboard.press("1")
    assert saved(page)[("s001", "final_pitch")]["points"] == "4"


def test_a_mark_for_another_take_is_shown_not_counted_and_kept_by_one_key(desk, tmp_path):
    records, ticket = make_class(12)
    student = waiting(records, "answers")[0]
    mark = {"student_id": student, "criterion": "answers", "points": 1, "comment": "Good.",
            "saved_at": "2026-03-01T10:00:00+01:00", "take": "0123456789abcdef-violin"}  # fmt: skip
    ticket["marks"] = [mark]
    page = desk.open(write_class(tmp_path, records, ticket))
    page.click('[data-step="mark"] summary')
    page.click('.by-criterion[data-criterion="answers"]')
    assert page.inner_text("#flow-kept").startswith("Given for the take of 3/1/2026: 1.")
    page.keyboard.press("k")
    row = saved(page)[(student, "answers")]
    assert (row["points"], row["comment"]) == ("1", "Good.")
    assert row["take"] == records[student]["submission"]["take"]


def test_practice_days_are_offered_by_one_key_and_nothing_is_marked_by_itself(desk, tmp_path):
    records, ticket = make_class(12)
    student, other = waiting(records, "daily")[:2]
    ticket["rubric"]["criteria"][-1]["practice_days"] = 4
    opinion = practised(ticket, student, ("2026-03-02", "2026-03-03", "2026-03-05"))
    page = desk.open(write_class(tmp_path, records, ticket, opinion))
    page.click('[data-step="mark"] summary')
    page.click('.by-criterion[data-criterion="daily"]')
    assert page.inner_text("#flow-days").startswith("Recorded on 3 days: 2, 3, 5 March. Give")
    page.keyboard.press("p")
    assert page.is_hidden("#flow-days")  # of the next one nothing is known
    page.keyboard.press("p")  # and so the key gives nothing
    rows = saved(page)
    assert rows[(student, "daily")]["points"] == "0.75"
    assert (other, "daily") not in rows
