"""The class page in a real browser, opened from disk and watched (see browserdesk)."""

import csv
import io
import re
from functools import cache
from pathlib import Path

import numpy as np
import pikepdf
import pytest

import browserdesk
from browserdesk import Desk, in_time, wait_until
from lab.example_class import RUBRIC, make_class
from pegmark.publish.class_pages import class_pages
from pegmark.publish.dashboard import build_dashboard
from pegmark.render.clips import encode_mp3

pytestmark = browserdesk.MARKS
GIVEN = {"student_id": "s001", "criterion": "bridge", "points": 1, "comment": "",
         "saved_at": None}  # fmt: skip
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def class_page(tmp_path_factory):
    return write_page(tmp_path_factory.mktemp("class"), *make_class(12))


def write_page(folder, records, ticket):
    """The page on disk, with clips and a recording for the first student who has one."""
    results = folder / "results"
    results.mkdir()
    page = results / "dashboard.html"
    page.write_text(build_dashboard(records, ticket), encoding="utf-8")
    first = next((r for r in records.values() if r["strings"]), None)
    if first:
        for name in first["strings"]:
            clip = results / "clips" / first["student"]["student_id"] / f"{name}.mp3"
            clip.parent.mkdir(parents=True, exist_ok=True)
            clip.write_bytes(tone_mp3(3))
        recording = folder / "submissions" / first["submission"]["file"]
        recording.parent.mkdir(parents=True)
        recording.write_bytes(tone_mp3(60))
    return page


@cache
def tone_mp3(seconds):
    rate_hz = 16000
    t = np.arange(seconds * rate_hz) / rate_hz
    return encode_mp3(0.1 * np.sin(2 * np.pi * 440 * t), rate_hz)


def shown_names(page):
    return page.locator("#students tbody tr[data-student] .name").all_inner_texts()


def cents_of(page, column):
    cells = page.locator(f"#students tbody tr[data-student] td:nth-child({column})")
    return [float(cell.get_attribute("data-order")) for cell in cells.all()]


def open_ids(record):
    return [c["id"] for c in record["score"]["criteria"] if c["by"] == "open"]


def saved_rows(page):
    with page.expect_download() as download:
        page.click("#save")
    assert re.fullmatch(r"marks-\d{8}-\d{6}\.csv", download.value.suggested_filename)
    text = Path(download.value.path()).read_bytes().decode("utf-8")
    return {(r["student_id"], r["criterion"]): r
            for r in csv.DictReader(io.StringIO(text, newline=""))}  # fmt: skip


# The table


def test_sorting_by_mouse_keyboard_and_choice(class_page, desk):
    page = desk.open(class_page)
    roster = shown_names(page)
    farthest = page.locator("#students thead th").last
    farthest.click()
    column = page.locator("#students thead th").count()
    in_time(page, lambda: is_sorted(cents_of(page, column)))
    farthest.locator("[tabindex]").focus()
    page.keyboard.press("Enter")
    in_time(page, lambda: is_sorted(cents_of(page, column)[::-1]))
    page.select_option("#sort-by", label="Student")
    in_time(page, lambda: is_sorted([n.split()[::-1] for n in shown_names(page)]))
    page.select_option("#sort-by", label="roster")
    in_time(page, lambda: shown_names(page) == roster)


def is_sorted(values):
    return values == sorted(values)


def test_filtering_and_search(class_page, desk):
    records, _ = make_class(12)
    page = desk.open(class_page)
    page.select_option("#by-section", "Cello")
    cellos = [s for s, r in records.items() if r["student"]["section"] == "Cello"]
    rows = page.locator("#students tbody tr[data-student]")
    assert sorted(row.get_attribute("data-student") for row in rows.all()) == cellos
    assert page.inner_text("#shown") == f"{len(cellos)} of 12 shown"
    assert page.locator(".left-mark:not(.faded)").count() == sum(
        len(records[s]["strings"]) for s in cellos
    )
    page.select_option("#by-section", "")
    page.select_option("#by-state", "needs-me")
    needing = {
        student
        for student, r in records.items()
        if r["status"] in ("needs_listening", "unreadable") or (r["submission"] and open_ids(r))
    }
    assert {row.get_attribute("data-student") for row in rows.all()} == needing
    page.select_option("#by-state", "")
    page.fill("#find", records["s004"]["student"]["family_name"])
    family = records["s004"]["student"]["family_name"]
    assert shown_names(page)
    assert all(family in name for name in shown_names(page))


# Listening


def test_a_clip_plays_by_key_and_another_stops_it(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    page.keyboard.press("2")
    wait_until(page, "document.querySelector('.opened [data-clip=\"2\"]').currentTime > 0.2")
    page.keyboard.press("1")
    wait_until(page, "document.querySelector('.opened [data-clip=\"1\"]').currentTime > 0.1")
    assert page.evaluate("document.querySelector('.opened [data-clip=\"2\"]').paused")
    page.keyboard.press("1")
    wait_until(page, "document.querySelector('.opened [data-clip=\"1\"]').paused")


def test_a_clip_that_is_not_there_is_said(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    page.keyboard.press("s")
    page.wait_for_selector(".opened .no-media")
    assert page.inner_text(".opened .no-media") == "No clip beside this page."


def test_the_recording_opens_at_the_right_second(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    look = page.locator(".looks .time").last
    at_s = float(look.get_attribute("data-time"))
    look.click()
    wait_until(page, f"document.querySelector('.opened video').currentTime >= {at_s - 1}")
    assert page.evaluate("document.querySelector('.opened video').currentTime") < at_s + 5
    link = page.get_attribute(".opened .video-link", "href")
    assert link.endswith(f"take%20%231.mp4#t={at_s - 1:.1f}")


def test_a_reason_to_listen_opens_its_student_and_plays_the_string(class_page, desk):
    page = desk.open(class_page)
    page.click('[data-step="listen"] summary')
    reason = page.locator('[data-task="listen"] .hear').first
    student, clip = reason.get_attribute("data-student"), reason.get_attribute("data-play")
    reason.click()
    assert page.get_attribute(".opened", "data-student") == student
    # Only the first student's clips are there: an attempt to play this one is what can be seen.
    page.wait_for_selector(".opened .no-media")
    assert page.locator(f'.opened [data-clip="{clip}"]').count() == 0


# Marks


def test_one_criterion_is_marked_through_the_class_by_keyboard(class_page, desk):
    records, _ = make_class(12)
    waiting = [s for s, r in records.items() if r["submission"] and "answers" in open_ids(r)]
    page = desk.open(class_page)
    page.click('[data-step="mark"] summary')
    page.locator('.by-criterion[data-criterion="answers"]').focus()
    page.keyboard.press("Enter")
    for student in waiting[:3]:
        assert page.inner_text("#flow-title") == "Spoken answers"
        assert page.evaluate("document.activeElement.id") == "flow-student"
        assert page.inner_text("#flow-student").startswith(name_of(records[student]))
        page.keyboard.press("2")
    page.keyboard.press("Escape")
    assert page.inner_text("#save-state") == "3 new marks to save."
    page.select_option("#by-state", "open:answers")
    assert page.inner_text("#shown") == f"{len(waiting) - 3} of 12 shown"


def name_of(record):
    return f"{record['student']['given_name']} {record['student']['family_name']}"


def test_marks_are_saved_by_key_also_from_inside_a_comment(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    page.locator('.opened fieldset[data-criterion="bridge"] .comment').focus()
    page.keyboard.type("Look twice.")
    with page.expect_download() as download:
        page.keyboard.press("Control+s")
    assert "Look twice." in Path(download.value.path()).read_text("utf-8")


def test_marks_by_keyboard_alone_reach_the_file_and_the_next_run(class_page, desk, tmp_path):
    from pegmark.receive.marks import read_marks

    records, _ = make_class(12)
    students = [s for s, r in records.items() if r["submission"] and open_ids(r)]
    page = desk.open(class_page)
    page.keyboard.press("o")
    first = page.get_attribute(".opened", "data-student")
    assert first == students[0]
    page.keyboard.press("m")
    page.keyboard.type("1")
    page.keyboard.press("Enter")
    page.keyboard.type("1,5")
    page.keyboard.press("Tab")
    page.keyboard.type('Good "why", =next time\nsay how.')
    page.keyboard.press("Escape")
    page.keyboard.press("o")
    second = page.get_attribute(".opened", "data-student")
    assert second == students[1]
    page.keyboard.press("m")
    page.keyboard.type("0")
    assert page.inner_text("#save-state") == "3 new marks to save."
    saved = saved_rows(page)
    given = open_ids(records[first])
    assert saved[first, given[0]]["points"] == "1"
    assert saved[first, given[1]]["points"] == "1.5"
    assert saved[first, given[1]]["comment"] == 'Good "why", =next time\nsay how.'
    later = open_ids(records[second])
    assert saved[second, later[0]]["points"] == "0"
    # Complete: what was in the folder before is in the file too.
    before = {(s, c["id"]): c["points"] for s, r in records.items()
              for c in r["score"]["criteria"] if c["by"] == "teacher"}  # fmt: skip
    assert before
    assert all(float(saved[key]["points"]) == points for key, points in before.items())
    # The next run reads it.
    lines = ["student_id,criterion,points,comment,saved_at"]
    for (student, criterion), row in saved.items():
        comment = row["comment"].replace('"', '""')
        lines.append(f'{student},{criterion},{row["points"]},"{comment}",{row["saved_at"]}')
    (tmp_path / "marks-1.csv").write_text("\r\n".join(lines), encoding="utf-8")
    marks = read_marks(tmp_path, list(records), {c["id"]: c["points"] for c in RUBRIC["criteria"]},
                       None)  # fmt: skip
    assert marks.refused == ()
    read = {m.criterion: m for m in marks.by_student[first]}
    assert (read[given[1]].points, read[given[1]].comment[:5]) == (1.5, "Good ")


def test_points_by_mouse_show_the_new_sum_at_once(class_page, desk):
    records, _ = make_class(12)
    student = next(s for s, r in records.items() if r["status"] == "graded"
                   and r["score"]["open"] == 4)  # fmt: skip
    page = desk.open(class_page, f"#student-{student}")
    before = records[student]["score"]["total"]
    page.click('.opened fieldset[data-criterion="answers"] .choice[data-points="2"]')
    row = page.locator(f"#student-{student}")
    assert row.locator(".points-cell").inner_text().startswith(f"{before + 2:g}".replace(".5", "½"))
    assert row.locator(".open-cell").inner_text() == "2"
    page.click('.opened fieldset[data-criterion="answers"] .choice[data-points="2"]')
    assert row.locator(".open-cell").inner_text() == "3"
    assert page.inner_text("#save-state") == "No new marks."
    # An override of what was measured counts in place of it.
    page.fill('.opened fieldset[data-criterion="final_pitch"] .points', "4")
    measured = next(c for c in records[student]["score"]["criteria"] if c["id"] == "final_pitch")
    total = f"{before - measured['points'] + 4:g}".replace(".5", "½")
    assert row.locator(".points-cell").inner_text().startswith(total)


def test_points_open_in_part_count_and_stay_open_until_marked(desk, tmp_path):
    records, ticket = make_class(1, seed=1)
    ticket["marks"] = []
    for criterion in records["s001"]["score"]["criteria"]:
        criterion |= {"points": 1, "by": "measured", "open": 0, "measured_points": 1}
    records["s001"]["score"]["criteria"][0] |= {"points": 2.5, "by": "open", "open": 1}
    page = desk.open(write_page(tmp_path, records, ticket), "#student-s001")
    assert page.inner_text("#student-s001 .points-cell").startswith("9½ of 12 so far")
    page.keyboard.press("m")
    page.keyboard.type("3")
    assert page.inner_text("#student-s001 .points-cell").startswith("10 of 12")
    assert "so far" not in page.inner_text("#student-s001 .points-cell")


def test_points_out_of_range_are_refused_beside_the_field(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    field = page.locator('.opened fieldset[data-criterion="answers"]')
    for text in ("3", "-1", "two", "1e1"):
        field.locator(".points").fill(text)
        assert field.locator(".wrong").inner_text().startswith("Only 0 to 2")
        assert page.inner_text("#save-state") == "No new marks."
    field.locator(".points").fill(".5")
    assert field.locator(".wrong").is_hidden()
    assert page.inner_text("#save-state") == "1 new mark to save."


def test_unsaved_work_survives_a_closed_tab(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    page.fill('.opened fieldset[data-criterion="bridge"] .comment', "Look again at 0:02.")
    page.fill('.opened fieldset[data-criterion="bridge"] .points', "0.5")
    page.close()
    page = desk.open(class_page, "#student-s001")
    assert page.inner_text("#save-state") == "1 new mark to save."
    bridge = page.locator('.opened fieldset[data-criterion="bridge"]')
    assert bridge.locator(".points").input_value() == "0.5"
    assert bridge.locator(".comment").input_value() == "Look again at 0:02."
    assert saved_rows(page)["s001", "bridge"]["points"] == "0.5"
    page.close()
    page = desk.open(class_page)
    assert "1 saved to a file, not yet in this page" in page.inner_text("#save-state")


@pytest.mark.parametrize("name", ["Hill Strings", "Harbour Strings"])
def test_work_of_one_class_is_not_seen_in_another(class_page, desk, tmp_path, name):
    records, ticket = make_class(2, seed=1)
    ticket["class_name"] = name  # a class may have the name of another in another folder
    other = write_page(tmp_path, records, ticket)
    page = desk.open(class_page, "#student-s001")
    page.fill('.opened fieldset[data-criterion="bridge"] .points', "1")
    assert desk.open(other).inner_text("#save-state") == "No new marks."


def test_two_open_tabs_never_write_over_each_other(class_page, desk):
    one, two = (desk.open(class_page, "#student-s001") for _ in range(2))
    cell = '.opened fieldset[data-criterion="{}"] .points'
    one.fill(cell.format("bridge"), "0.5")
    in_time(two, lambda: two.input_value(cell.format("bridge")) == "0.5")
    two.fill(cell.format("answers"), "1.5")
    one.close()
    rows = saved_rows(two)
    assert rows["s001", "bridge"]["points"] == "0.5"
    assert rows["s001", "answers"]["points"] == "1.5"
    again = desk.open(class_page, "#student-s001")
    assert again.inner_text("#save-state").startswith("2 saved to a file")


def test_a_long_comment_is_shown_whole(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    comment = page.locator(".opened .comment").first
    comment.fill("Well seen, and said in good time. " * 5)
    assert comment.evaluate("e => e.scrollHeight - e.clientHeight") <= 1
    page.keyboard.press("Escape")
    page.keyboard.press("n")
    page.keyboard.press("p")
    assert comment.evaluate("e => e.scrollHeight - e.clientHeight") <= 1


def test_drafts_end_when_the_page_has_them(desk, tmp_path):
    records, ticket = make_class(2, seed=1)
    criteria = {c["id"]: c for c in records["s001"]["score"]["criteria"]}
    criteria["bridge"] |= {"points": None, "by": "open"}
    ticket["marks"] = []
    path = write_page(tmp_path, records, ticket)
    page = desk.open(path, "#student-s001")
    page.fill('.opened fieldset[data-criterion="bridge"] .points', "1")
    saved_rows(page)
    page.close()
    criteria["bridge"] |= {"points": 1, "by": "teacher"}
    ticket["marks"] = [GIVEN]
    path.write_text(build_dashboard(records, ticket), encoding="utf-8")
    assert desk.open(path).inner_text("#save-state") == "No new marks."


def test_a_mark_taken_back_is_saved_as_an_empty_cell_with_its_time(desk, tmp_path):
    records, ticket = make_class(1, seed=1)
    ticket["marks"] = [GIVEN]
    page = desk.open(write_page(tmp_path, records, ticket), "#student-s001")
    page.fill('.opened fieldset[data-criterion="bridge"] .points', "")
    row = saved_rows(page)["s001", "bridge"]
    assert row["points"] == ""
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+Z", row["saved_at"])


# Keys


def test_students_one_after_the_other_by_key(class_page, desk):
    page = desk.open(class_page)
    page.select_option("#sort-by", label="Student")
    page.locator("body").click(position={"x": 2, "y": 2})
    order = [row.get_attribute("data-student")
             for row in page.locator("#students tbody tr[data-student]").all()]  # fmt: skip
    seen = []
    for _ in range(3):
        page.keyboard.press("n")
        seen.append(page.get_attribute(".opened", "data-student"))
    assert seen == order[:3]
    page.keyboard.press("p")
    assert page.get_attribute(".opened", "data-student") == order[1]
    assert page.locator(".opened").count() == 1
    assert page.evaluate("document.activeElement.matches('.opened h3')")
    page.keyboard.press("Escape")
    assert page.locator(".opened").count() == 0
    assert page.evaluate("document.activeElement.closest('tr').dataset.student") == order[1]


def test_a_row_opens_with_enter_and_says_so(class_page, desk):
    page = desk.open(class_page)
    button = page.locator("#student-s003 .open-student")
    button.focus()
    assert button.get_attribute("aria-expanded") == "false"
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-expanded") == "true"
    assert page.get_attribute(".opened", "data-student") == "s003"


def test_keys_can_be_switched_off_and_never_act_inside_a_comment(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    comment = page.locator(".opened .comment").first
    comment.focus()
    page.keyboard.type("no pop, sv 12")
    assert page.get_attribute(".opened", "data-student") == "s001"
    assert comment.input_value() == "no pop, sv 12"
    page.keyboard.press("Escape")
    page.uncheck("#use-keys")
    page.locator(".opened h3").focus()
    page.keyboard.press("n")
    assert page.get_attribute(".opened", "data-student") == "s001"
    assert not desk.open(class_page).is_checked("#use-keys")


def test_a_task_leads_to_its_student(class_page, desk):
    page = desk.open(class_page)
    task = page.locator('[data-task="late"]')
    page.locator(".note-list summary", has_text="Late").click()
    link = task.locator("a").first
    student = link.get_attribute("href").removeprefix("#student-")
    link.click()
    assert page.get_attribute(".opened", "data-student") == student
    page.keyboard.press("Escape")
    link.click()
    assert page.get_attribute(".opened", "data-student") == student


# Views


def test_pictures_keep_their_ink_where_the_reader_sets_the_colours(class_page, chromium):
    """A dark reader's theme would else set dark ink on black."""
    context = chromium.new_context(forced_colors="active", color_scheme="dark")
    page = context.new_page()
    page.goto(class_page.as_uri() + "#student-s001")
    page.wait_for_selector(".opened")
    pictures = page.locator(".left-picture, .opened .path-picture svg, .bar, #students .mark")
    assert pictures.count() > 20
    for picture in pictures.all():
        assert picture.evaluate("e => getComputedStyle(e).backgroundColor") == "rgb(255, 255, 255)"
    digit = page.locator(".left-picture text").first
    assert digit.evaluate("e => getComputedStyle(e).fill") == "rgb(31, 39, 51)"
    context.close()


def test_on_paper_there_is_nothing_to_press(class_page, desk):
    page = desk.open(class_page, "#student-s001")
    page.emulate_media(media="print")
    hidden = "nav, .tools, #projector, #save-bar, #keys, .opened audio, .opened .give, .show-video"
    for part in page.locator(hidden).all():
        assert part.is_hidden()
    for part in ("#students thead", ".opened .path-picture", ".left-picture", "#todo"):
        assert page.locator(part).first.is_visible()
    assert (
        page.evaluate("getComputedStyle(document.querySelector('figure')).breakInside") == "avoid"
    )
    assert page.evaluate("getComputedStyle(document.querySelector('#students tr')).display") == (
        "table-row"
    )


@pytest.mark.parametrize("size", [1, 8, 150])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_for_a_meeting_is_one_page_of_any_class(desk, tmp_path, size, paper):
    page = desk.open(write_page(tmp_path, *make_class(size)), "#student-s001")
    page.evaluate("window.print = () => { window.asked = true; }")  # which has no printer here
    page.click("#print-sheet")
    assert page.evaluate("window.asked")
    assert page.locator(".opened").count() == 0
    margins = dict.fromkeys(("top", "bottom", "left", "right"), "12mm")
    made = page.pdf(format=paper, landscape=True, margin=margins)
    with pikepdf.open(io.BytesIO(made)) as printed:
        assert len(printed.pages) == 1
    in_time(page, lambda: page.evaluate("document.documentElement.dataset.paper === undefined"))


def test_a_mark_says_whose_it_is_under_the_pointer_and_under_the_keys(class_page, desk):
    records, _ = make_class(12)
    page = desk.open(class_page)
    note = page.locator(".mark-note")
    mark = page.locator(".left-mark").nth(7)
    mark.scroll_into_view_if_needed()
    mark.hover(force=True)
    name = name_of(records[mark.get_attribute("data-student")])
    assert note.inner_text().startswith(f"{name}, ")
    page.mouse.move(2, 2)
    assert note.is_hidden()
    # By keys: Tab reaches one mark of each chart, arrows the others, Enter opens the student.
    charts = page.locator(".left-picture").all()
    assert all(chart.locator('.left-mark[tabindex="0"]').count() == 1 for chart in charts)
    page.locator('.left-picture [tabindex="0"]').first.focus()
    page.keyboard.press("End")
    page.keyboard.press("ArrowLeft")
    last = charts[0].locator(".left-mark").nth(-2)
    assert last.evaluate("e => e === document.activeElement")
    student = last.get_attribute("data-student")
    said = note.inner_text()
    assert said == last.get_attribute("aria-label")
    assert said.startswith(f"{name_of(records[student])}, ")
    page.keyboard.press("Enter")
    assert page.get_attribute(".opened", "data-student") == student


def test_a_picture_wider_than_its_place_is_scrolled_by_keys(class_page, chromium):
    desk = Desk(chromium, 320)
    page = desk.open(class_page, "#student-s001")
    picture = page.locator(".opened .path-picture").first
    assert picture.evaluate("e => e.scrollWidth > e.clientWidth && e.tabIndex === 0")
    # The end of the path, where the string was left, is in sight.
    assert picture.evaluate("e => e.scrollLeft + e.clientWidth >= e.scrollWidth - 1")
    desk.close()
    desk = Desk(chromium)
    page = desk.open(class_page, "#student-s001")
    assert page.locator(".opened .path-picture").first.evaluate("e => e.tabIndex") == -1
    desk.close()


def test_no_sideways_scrolling(chromium, tmp_path):
    records, ticket = make_class(12)
    for record in records.values():
        if record["student"]["instrument"] == "double bass" and record["strings"]:
            record["strings"]["B0"] = record["strings"]["E1"]  # five columns: the widest table
    desk = Desk(chromium)
    page = desk.open(write_page(tmp_path, records, ticket), "#student-s001")
    for width in (320, 768, 1050, 1060, 1280, 1920):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.scrollingElement.scrollWidth") <= width
    desk.close()


def test_an_excused_student_has_nothing_to_mark(class_page, desk):
    records, _ = make_class(12)
    student = next(s for s, r in records.items() if r["status"] == "excused")
    page = desk.open(class_page, f"#student-{student}")
    assert "Excused this time." in page.inner_text(".opened")
    assert page.locator(".opened .points").count() == 0
    assert page.inner_text(f"#student-{student} .open-cell") == ""


def test_targets_are_large_enough(class_page, desk):
    # Source: WCAG 2.2, 2.5.8: 24 by 24 CSS pixels, links inside sentences excepted.
    page = desk.open(class_page, "#student-s001")
    small = page.evaluate("""[...document.querySelectorAll("button, input, select, summary")]
        .map(e => [e, e.getBoundingClientRect()]).filter(([e, r]) => r.width && r.height
          && (r.width < 24 || r.height < 24) && !(e.type === "checkbox" && e.labels.length))
        .map(([e, r]) => `${e.outerHTML.slice(0, 60)} ${r.width} ${r.height}`)""")
    assert small == []


# Widths in CSS pixels, from a phone held upright to a large screen; both layouts of every part.
WIDTHS = {"page": (320, 390, 768, 1060, 1280, 1920), "student": (320, 768, 1400, 1920),
          "flow": (320, 768, 1920), "whose": (390, 1280), "hear": (390, 1280),
          "empty": (320, 1400), "agreement": (320, 1400)}  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("view", WIDTHS)
def test_axe_finds_no_violation_of_wcag_2_2_aa(class_page, chromium, tmp_path, view, scheme):
    path = class_page
    if view in ("empty", "agreement"):
        records, ticket = make_class(0 if view == "empty" else 3, seed=1)
        for record in records.values():
            record["score"]["criteria"][1] |= {
                "points": 1, "by": "teacher", "measured_points": 0,
                "evidence": [{"text": "D came first.", "at_s": 75.0, "lost": 1}],
            }  # fmt: skip
        path = write_page(tmp_path, records, ticket)
    desk = Desk(chromium)
    page = desk.open(path, "#student-s001" if view == "student" else "")
    page.emulate_media(color_scheme=scheme)
    starts = {"flow": "mark", "whose": "whose", "hear": "listen"}
    if view in starts:
        page.click(f'[data-start="{starts[view]}"]')
    if view == "student":
        page.locator(".opened details.notes summary").click()
        page.click(".show-video")
        page.fill('.opened fieldset[data-criterion="answers"] .points', "9")
    for width in WIDTHS[view]:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.scrollingElement.scrollWidth") <= width
        assert_no_violation(page)
    desk.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["projector", "orchestra", "lesson", "blind"])
def test_axe_finds_no_violation_in_the_other_pages(chromium, tmp_path, name, scheme):
    records, ticket = make_class(30)
    path = tmp_path / f"{name}.html"
    path.write_text(class_pages(records, ticket, None)[path.name], encoding="utf-8")
    context = chromium.new_context(color_scheme=scheme)
    page = context.new_page()
    page.goto(path.as_uri())
    for width in (320, 1280, 1920):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.scrollingElement.scrollWidth") <= width
        assert_no_violation(page)
    context.close()


def assert_no_violation(page):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}})
    assert len(found.response["passes"]) > 10
    assert found.violations_count == 0, found.generate_report()


def test_hostile_names_are_shown_as_text(desk, tmp_path):
    name = "<script>alert(1)</script>\"'=cmd()"
    records, ticket = make_class(2, seed=1)
    for record in records.values():
        record["student"] |= {"given_name": name, "family_name": "", "section": name}
        record["observations"] = [{"code": "slipping_peg", "text": name, "at_s": 1.0}]
    hostile = "<img src=x onerror=alert(2)>.mov"
    ticket["attention"][0]["file"] = ticket["questions"][0]["file"] = hostile
    page = desk.open(write_page(tmp_path, records, ticket), "#student-s001")
    assert shown_names(page) == [name, name]
    assert page.locator(".opened .name").inner_text() == name
    assert page.locator("img").count() == 0
    page.select_option("#by-section", name)
    assert len(shown_names(page)) == 2
    page.click('[data-step="whose"] summary')
    assert hostile in page.inner_text("#todo")
    page.click('[data-start="whose"]')
    assert page.inner_text("#flow-student") == hostile
    assert name in page.inner_text("#flow-answers")


def test_a_class_of_150_opens_whole(desk, tmp_path):
    page = desk.open(write_page(tmp_path, *make_class(150)))
    assert page.locator("#students tbody tr[data-student]").count() == 150
    page.keyboard.press("n")
    assert page.locator(".opened").count() == 1


def test_a_class_of_nobody_opens(desk, tmp_path):
    page = desk.open(write_page(tmp_path, *make_class(0)))
    assert "There is nobody on the roster." in page.inner_text("main")
