"""The class page without a browser: what it holds, what it links, what it must never do."""

import html.parser
import json
import random
import re
from pathlib import Path

import pytest

from lab.example_class import make_class, make_record, make_string
from pegmark.publish import class_pictures
from pegmark.publish.class_view import class_view
from pegmark.publish.dashboard import _inline_script, build_dashboard
from pegmark.publish.maintenance import care_list
from pegmark.publish.todo import step_lines
from pegmark.records.states import STATE_WORDS
from takes import grade, take

ROOT = Path(__file__).resolve().parents[1]


class Page(html.parser.HTMLParser):
    """Elements with their attributes, and the texts of the page (scripts and styles left out).

    `opened` are the same of each student's opened row, which the page keeps as text till then.
    """

    def __init__(self, text):
        super().__init__()
        self.elements, self.texts, self._raw = [], [], None
        self.scripts, self.opened = [], {}
        self.feed(text)
        for attrs, inner in self.scripts:
            if attrs.get("type") == "text/html":
                self.opened[attrs["id"]] = Page(inner)
        for page in self.opened.values():
            self.elements += page.elements
            self.texts += page.texts

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._raw = tag if tag in ("script", "style") else None
        if tag == "script":
            self.scripts.append((dict(attrs), ""))

    def handle_endtag(self, tag):
        self._raw = None

    def handle_data(self, data):
        if self._raw == "script":
            attrs, before = self.scripts[-1]
            self.scripts[-1] = (attrs, before + data)
        elif self._raw is None:
            self.texts.append(data)

    def data(self):
        return next(json.loads(text) for attrs, text in self.scripts
                    if attrs.get("id") == "class-data")  # fmt: skip


HOSTILE = "<script>alert(1)</script>\"'&amp;=cmd()"


def test_every_student_of_the_roster_is_on_the_page():
    records, ticket = make_class(20)
    del records["s005"]
    page = Page(build_dashboard(records, ticket))
    rows = [a["data-student"] for tag, a in page.elements if tag == "tr" and "data-student" in a]
    assert rows == [f"s{n:03d}" for n in range(1, 21)]
    assert list(page.opened) == [f"opened-s{n:03d}" for n in range(1, 21)]
    assert "The program made no result for this student." in " ".join(page.texts)


def test_nothing_comes_from_a_network():
    records, ticket = make_class(6)
    page = Page(build_dashboard(records, ticket))
    for tag, attrs in page.elements:
        for name in ("src", "href", "data-src", "poster", "action", "srcset"):
            assert not re.match(r"(?i)\s*(https?:|//|javascript:)", attrs.get(name) or ""), (tag,)
    style = re.findall(r"<style>(.*?)</style>", build_dashboard(records, ticket), re.DOTALL)
    assert not any(word in "".join(style) for word in ("url(", "@import", "@font-face"))
    policy = next(a["content"] for t, a in page.elements
                  if a.get("http-equiv") == "Content-Security-Policy")  # fmt: skip
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy
    assert "connect-src" not in policy


def test_hostile_texts_stay_texts():
    records, ticket = make_class(4, seed=1)
    record = records["s001"]
    for key in ("given_name", "family_name", "section"):
        record["student"][key] = HOSTILE
    record["submission"]["file"] = 'x"><img src=x onerror=alert(1)>/a b#?.mp4'
    record["problems"] = [{"code": "x", "message": HOSTILE, "action": HOSTILE}]
    comment = "</script><script>alert(2)</script>"
    ticket["marks"] = [{"student_id": "s001", "criterion": "daily", "points": None,
                        "comment": comment, "saved_at": None}]  # fmt: skip
    record["observations"] = [{"code": "x", "text": HOSTILE, "at_s": 1.0}]
    ticket["class_name"] = HOSTILE
    ticket["attention"][0]["file"] = HOSTILE
    text = build_dashboard(records, ticket)
    page = Page(text)
    types = [a.get("type") for a, _ in page.scripts]
    assert types == ["text/html"] * 4 + ["application/json", "text/plain", "module"]
    assert not any(opened.scripts for opened in page.opened.values())
    assert not any(tag == "img" or any(n.startswith("on") for n in a) for tag, a in page.elements)
    assert any(HOSTILE in text for text in page.texts)
    assert page.data()["marks"][0]["comment"] == comment
    (link,) = [a["href"] for t, a in page.elements if a.get("class") == "video-link"
               and "onerror" in a["href"]]  # fmt: skip
    assert link == (
        "../submissions/x%22%3E%3Cimg%20src%3Dx%20onerror%3Dalert%281%29%3E/a%20b%23%3F.mp4#t=0"
    )


def test_writing_directions_cannot_be_turned_around():
    records, ticket = make_class(1, seed=1)
    records["s001"]["student"]["given_name"] = "Ada\u202egnp.exe"
    assert "\u202e" not in build_dashboard(records, ticket)


def test_script_text_cannot_end_its_element():
    # Source: HTML standard, 4.12.1.3 (restrictions for contents of script elements).
    made = _inline_script('a="</script>";b="<!-- <script>"')
    assert "</script" not in made
    assert "<!--" not in made


def test_tasks_hold_every_attention_row():
    records, ticket = make_class(60)
    view = class_view(records, ticket)
    tasks = {code: task["entries"] for code, task in view["tasks"].items()}
    status = {r["student"]["student_id"]: r["status"] for r in records.values()}

    def who(code):
        return {entry["student"]["id"] for entry in tasks[code]}

    assert [e["message"] for e in tasks["unmatched"]] == [
        "IMG_2231.mov: no name from the roster was found in it."
    ]
    assert who("unreadable") == {s for s, state in status.items() if state == "unreadable"}
    assert who("listen") == {s for s, state in status.items() if state == "needs_listening"}
    assert who("missing") == {s for s, state in status.items() if state == "missing"}
    assert who("late") == {s for s, r in records.items()
                           if (r["submission"] or {}).get("hours_late")}  # fmt: skip
    waiting = [r for s, r in records.items()
               if status[s] in ("graded", "needs_listening") and r["score"]["open"]]  # fmt: skip
    assert view["tasks"]["open"]["count"] == len(waiting)
    assert {e["criterion"]: e["students"] for e in tasks["open"]} == {
        criterion["id"]: number
        for place, criterion in enumerate(ticket["rubric"]["criteria"])
        if (number := sum(r["score"]["criteria"][place]["by"] == "open" for r in waiting))
    }


def test_reasons_to_listen_are_a_few_words_that_play_their_passage():
    records, ticket = make_class(1, seed=1)
    record = records["s001"]
    take = record["submission"]["take"]
    name = list(record["strings"])[2]
    unknown = {"code": "new_code", "message": "Something new. " * 9, "action": "A.", "at_s": None}
    record["problems"] = [
        {"code": "pitch_unsure", "message": "M.", "action": "A.", "criteria": ["final_pitch"],
         "string": name, "at_s": 75.0},
        {"code": "order_unsure", "message": "M.", "action": "A.", "string": None, "at_s": None},
        unknown,
    ]  # fmt: skip
    record["status"] = "needs_listening"
    opinion = {"disagreements": [{"take": take, "string": name, "at_s": 12.0, "f0_hz": 440.11,
                                  "second_hz": 431.0, "apart_cents": -36.2}]}  # fmt: skip
    refused = {"student_id": "s001", "file": "marks.csv", "code": "mark_refused",
               "message": "Line 4: 99 is too much.", "action": "Mend it."}  # fmt: skip
    ticket["attention"].append(refused)
    (entry,) = class_view(records, ticket, opinion)["tasks"]["listen"]["entries"]
    assert sorted((r["words"], r["clip"], r["at"]) for r in entry["reasons"]) == sorted([
        (f"{name[0]} unsure", 3, "1:15"),
        ("which string came first", None, ""),
        ("", None, ""),
        ("", None, ""),
        (f"{name[0]}: 440.1 or, by the second opinion, 431.0 Hz", 3, "0:12"),
    ])  # fmt: skip
    text = build_dashboard(records, ticket, opinion)
    assert "Line 4: 99 is too much. <em>Mend it.</em>" in text
    assert f"{unknown['message'].strip()} <em>A.</em>" in text


@pytest.mark.parametrize("size", [0, 8, 150])
def test_the_steps_have_the_numbers_of_their_tasks_and_stand_folded(size):
    records, ticket = make_class(size)
    view = class_view(records, ticket)
    steps = {step["code"]: step for step in view["steps"]}
    assert list(steps) == ["whose", "listen", "mark", "ask"]
    status = [record["status"] for record in records.values()]
    assert steps["whose"]["count"] == len(ticket["attention"])
    assert steps["listen"]["count"] == status.count("needs_listening")
    assert steps["ask"]["count"] == status.count("unreadable") + status.count("missing")
    assert steps["mark"]["count"] == sum(
        bool(record["submission"])
        and record["status"] != "unreadable"
        and any(c["by"] == "open" and c["kind"] == "teacher" for c in record["score"]["criteria"])
        for record in records.values()
    )
    page = Page(build_dashboard(records, ticket))
    assert not any(tag == "details" and "open" in attrs for tag, attrs in page.elements)
    assert step_lines(records, ticket, None) == [
        f"{place}. {step['heading'].rstrip('?')}: {step['words']}"
        for place, step in enumerate(view["steps"], start=1)
    ]


def test_a_question_of_one_string_counts_a_third_of_a_minute():
    records, ticket = make_class(1, seed=1)
    record = records["s001"]
    record["status"] = "needs_listening"
    asked = {"code": "pitch_unsure", "action": "A.", "criteria": ["final_pitch"], "at_s": 1.0}
    record["problems"] = [
        {**asked, "message": f"M {name}.", "string": name} for name in record["strings"]
    ]
    assert step_lines(records, ticket, None)[1] == "2. Listen: 1 student, about 2 minutes"
    record["problems"] = record["problems"][:3]
    assert step_lines(records, ticket, None)[1] == "2. Listen: 1 student, about 1 minute"


def test_a_state_is_graded_only_when_nothing_is_open():
    records, ticket = make_class(60)
    for student in class_view(records, ticket)["students"]:
        record = records[student["id"]]
        if record["status"] == "graded":
            is_open = any(c["by"] == "open" for c in record["score"]["criteria"])
            assert student["state"] == ("waiting for your marks" if is_open else "graded")
    page = Page(build_dashboard(records, ticket))
    cells = {a["data-state"] for tag, a in page.elements if tag == "tr" and "data-state" in a}
    assert cells <= set(STATE_WORDS.values())


def test_problems_of_a_graded_take_are_shown_too():
    records, ticket = make_class(1, seed=1)
    records["s001"]["problems"] = [{"code": "matched_by_likeness", "message": "M.", "action": "A."}]
    tasks = {c: t["entries"] for c, t in class_view(records, ticket)["tasks"].items()}
    assert [(e["message"], e["action"]) for e in tasks["other"]] == [("M.", "A.")]


def test_a_note_about_the_whole_class_is_not_taken_for_a_file_of_nobody():
    records, ticket = make_class(1, seed=1)
    row = {"student_id": "", "file": "", "code": "matched_by_one_name", "message": "M.",
           "action": "A."}  # fmt: skip
    ticket["attention"].append(row)
    tasks = {c: t["entries"] for c, t in class_view(records, ticket)["tasks"].items()}
    assert [e["message"] for e in tasks["other"]] == ["M."]
    assert len(tasks["unmatched"]) == 1


def test_a_recording_of_nobody_can_be_looked_at():
    """She has to see or hear it to say whose it is."""
    records, ticket = make_class(1, seed=1)
    row = {"student_id": "", "message": "M.", "action": "A."}
    ticket["attention"] = [
        {**row, "file": "late ones/a #1.mov", "code": "match_none"},
        {**row, "file": "all.zip/b.mov", "code": "match_several"},
        {**row, "file": "notes.txt", "code": "not_a_recording"},
    ]
    page = Page(build_dashboard(records, ticket))
    links = [a["href"] for tag, a in page.elements if tag == "a" and "submissions" in a["href"]
             and "video-link" not in a.get("class", "")]  # fmt: skip
    assert links == ["../submissions/late%20ones/a%20%231.mov"]


def test_a_problem_names_criteria_as_the_rubric_does():
    """Their ids are for marks.csv and stay in attention.csv."""
    records, ticket = make_class(1, seed=1)
    problem = {"code": "pitch_unsure", "message": "M.", "at_s": None, "string": None,
               "criteria": ["final_pitch", "order"],
               "action": "Listen. Then give points for: final_pitch, order."}  # fmt: skip
    records["s001"]["problems"] = [problem]
    (student,) = class_view(records, ticket)["students"]
    assert student["problems"][0]["action"] == (
        "Listen. Then give points for: Strings in tune and A first."
    )


def test_every_size_in_a_paths_words_has_its_unit():
    records, ticket = make_class(1, seed=1)
    string = next(iter(records["s001"]["strings"].values()))
    string |= {
        "largest_move_cents": 1.0,
        "overshoots": [{"cents": 3.6, "at_s": 18.0}],
        "own_changes": [{"cause": "pull", "from_cents": 0, "to_cents": -9.6, "end_s": 25.0}],
        "slipped_cents": 27.0,
    }
    (student,) = class_view(records, ticket)["students"]
    path = student["strings"][0]["path"]
    for said in (
        "the largest upward 1.0 cents",
        "3.6 cents past the note at 0:18",
        "moved by the others' tuning 9.6 cents, heard at 0:25",
        "slipped back 27 cents",
    ):
        assert said in path  # fmt: skip


def test_an_attention_row_of_an_unknown_student_is_not_lost():
    records, ticket = make_class(1, seed=1)
    row = {"code": "mark_of_nobody", "message": "zz9 is not on the roster.", "action": "Mend it."}
    ticket["attention"].append({"student_id": "zz9", "file": "", **row})
    tasks = {c: t["entries"] for c, t in class_view(records, ticket)["tasks"].items()}
    assert tasks["unmatched"][1]["stranger"] == "zz9"
    assert "zz9 is not on the roster." in build_dashboard(records, ticket)


def test_clips_are_linked_for_passages_there_are():
    records, ticket = make_class(1, seed=1)
    record = records["s001"]
    block, _, _ = make_string("E1", 1, 3.0, random.Random(1))
    record["strings"] = {"F#1": block, "B1": {**block, "deciding": None}}
    record["tolerances"] = {name: {"in_tune_cents": 3, "close_cents": 8} for name in ("F#1", "B1")}
    page = Page(build_dashboard(records, ticket))
    clips = [a["src"] for tag, a in page.elements if tag == "audio"]
    assert clips == ["clips/s001/Fs1.mp3", "clips/s001/speech.mp3"]
    assert all(a["preload"] == "none" for tag, a in page.elements if tag == "audio")


def test_a_recording_inside_an_archive_is_named_and_not_linked():
    records, ticket = make_class(1, seed=1)
    records["s001"]["submission"]["file"] = "export.zip/Ada/take.mov"
    text = build_dashboard(records, ticket)
    assert "The recording is inside export.zip/Ada/take.mov" in text
    assert "../submissions/export.zip" not in text


def test_moments_to_look_at_the_bridge():
    records, ticket = make_class(1, seed=1)
    turns = [m for s in records["s001"]["strings"].values() for m in s["moves"]]
    (student,) = class_view(records, ticket)["students"]
    before, after = student["looks"]
    assert before["at_s"] == pytest.approx(min(m["start_s"] for m in turns) - 5)
    assert after["at_s"] == max(m["end_s"] for m in turns)


def test_marks_that_are_in_the_folder_go_into_the_page():
    records, ticket = make_class(1, seed=1)
    mark = {"student_id": "s001", "criterion": "daily", "points": 1, "comment": "",
            "saved_at": "2026-03-07T10:00:00Z"}  # fmt: skip
    ticket["marks"] = [mark]
    data = Page(build_dashboard(records, ticket)).data()
    assert data["marks"] == [mark]
    without = data["students"][0]["unmarked"]
    assert without["answers"] == [None, 2]
    assert without["order"] == [records["s001"]["score"]["criteria"][1]["points"], 0]


def test_the_example_ticket_is_what_the_intake_writes():
    import jsonschema

    schema = json.loads((ROOT / "workflow/schemas/ticket_publish.schema.json").read_text())
    jsonschema.validate(make_class(20)[1], schema)


def test_points_that_are_sure_in_part_and_problems_that_are_settled():
    records, ticket = make_class(1, seed=1)
    record = records["s001"]
    pitch = record["score"]["criteria"][0]
    pitch |= {"points": 2.5, "by": "open", "open": 1, "measured_points": None}
    bridge = record["score"]["criteria"][5]
    bridge |= {"points": 1, "by": "teacher", "open": 0, "measured_points": 0}
    record["settled_problems"] = [
        {"code": "x", "message": "The G was unsure.", "action": "Listen.", "at_s": 61.0}
    ]
    text = build_dashboard(records, ticket)
    assert "2½ sure, the rest open" in text
    assert "you gave 1, measured 0" in text
    assert "Settled by your marks: The G was unsure." in text
    without = Page(text).data()["students"][0]["unmarked"]
    assert (without["final_pitch"], without["bridge"]) == ([2.5, 1], [0, 0])


def test_lateness_that_costs_points_is_said():
    records, ticket = make_class(1, seed=1)
    assert "no points are taken off" in build_dashboard(records, ticket)
    ticket["policies"]["late"] = {"points_off_per_day": 1}
    assert "no points are taken off" not in build_dashboard(records, ticket)


def test_150_students_stay_under_12_megabytes():
    records, ticket = make_class(150)
    assert len(build_dashboard(records, ticket).encode()) < 12_000_000


def test_the_same_class_gives_the_same_bytes():
    assert build_dashboard(*make_class(12)) == build_dashboard(*make_class(12))


def test_a_class_of_nobody_and_a_class_that_handed_in_nothing():
    records, ticket = make_class(0)
    assert "There is nobody on the roster." in build_dashboard(records, ticket)
    records, ticket = make_class(2)
    for row in ticket["students"]:
        records[row["student_id"]] = make_record(row, "missing", None)
    text = build_dashboard(records, ticket)
    assert "No string has been heard yet." in text
    assert "<audio" not in text


def test_the_agreement_is_shown_where_marks_overlap():
    records, ticket = make_class(12)
    assert class_view(records, ticket)["agreement"] is None
    assert "You and the machine" not in build_dashboard(records, ticket)
    graded = [r for r in records.values() if r["status"] == "graded"]
    for place, record in enumerate(graded):
        order = record["score"]["criteria"][1]
        order |= {"points": 1, "by": "teacher", "measured_points": int(place > 0)}
        order["evidence"] = [{"text": "D came first.", "at_s": 75.0, "lost": 1}]
    found = class_view(records, ticket)["agreement"]
    (row,) = found["criteria"]
    assert (row["title"], row["pairs"]) == ("A first", len(graded))
    assert row["exact"] == f"{(len(graded) - 1) / len(graded):.0%}"
    (differ,) = found["disagreements"]
    assert differ["student"]["id"] == graded[0]["student"]["student_id"]
    assert (differ["teacher"], differ["measured"], differ["at"]) == ("1", "0", "1:15")
    assert "D came first." in build_dashboard(records, ticket)


# The class's pictures


def test_marks_lie_in_the_order_of_their_cents_and_none_covers_another():
    strings = [{"student_id": f"s{n}", "section": "", "verdict": "in_tune", "cents": (n % 7) - 3.0}
               for n in range(80)]  # fmt: skip
    placed, height = class_pictures._perched(strings)
    by_cents = {s["cents"]: x for s, x, _ in placed}
    assert [by_cents[c] for c in sorted(by_cents)] == sorted(by_cents.values())
    for i, (_, x, rise) in enumerate(placed):
        assert rise + 6 <= height
        for _, other_x, other_rise in placed[:i]:
            assert abs(x - other_x) >= 9 or abs(rise - other_rise) >= 9


def test_high_and_low_have_marks_of_their_own():
    names = {
        class_pictures.mark_name(v, c) for v in class_pictures.CHART_VERDICTS for c in (5.0, -5.0)
    }
    assert names == {"in_tune", "close_high", "close_low", "out_high", "out_low", "unsure",
                     "not_heard"}  # fmt: skip
    assert all(f'id="mark-{name}"' in class_pictures.symbols_svg() for name in names)


def test_which_string_gives_most_trouble():
    def left(*verdicts):
        return [{"verdict": v} for v in verdicts]

    order = class_pictures.trouble_order(
        {
            ("violin", "E5"): left("in_tune", "in_tune", "out"),
            ("violin", "G3"): left("in_tune", "close", "out"),
            ("violin", "A4"): left("in_tune", "in_tune", "in_tune"),
        }
    )
    assert [key[1] for key, _ in order] == ["G3", "E5", "A4"]
    assert class_pictures.sentence(order[0][1]) == "1 in tune, 1 close, 1 out of tune"


def test_the_string_to_talk_about_is_not_one_childs():
    records, ticket = make_class(0)
    rows = [{"student_id": f"s{n}", "family_name": "", "given_name": "X", "section": "",
             "instrument": "cello" if n == 0 else "violin"} for n in range(4)]  # fmt: skip
    for row in rows:
        records[row["student_id"]] = make_record(row, "graded", random.Random(1))
    verdicts = {"s0": "out", "s1": "in_tune", "s2": "in_tune", "s3": "close"}
    for student, record in records.items():
        for name, string in record["strings"].items():
            worst = name in ("A3", "G3")
            string["verdict"] = verdicts[student] if worst else "in_tune"
    ticket["students"] = rows
    shown = class_view(records, ticket)["pictures"]
    assert shown["trouble"][0]["label"] == "cello A"
    assert [row["label"] for row in shown["trouble"]] == ["cello A", "violin G"]
    assert shown["calm"].startswith("cello D (1 of 1), ")
    assert (shown["worst"]["label"], shown["worst"]["share"]) == ("violin G", "2 of 3")
    assert shown["worst"]["few"] == ""


@pytest.mark.parametrize(("players", "few"), [(1, "one player only"), (2, "two players only")])
def test_a_claim_about_a_small_group_says_how_small_it_is(players, few):
    records, ticket = make_class(players, seed=1)
    rows = [{"student_id": s, "family_name": "", "given_name": "X", "section": "Violin 1",
             "instrument": "violin"} for s in records]  # fmt: skip
    records = {row["student_id"]: make_record(row, "graded", random.Random(1)) for row in rows}
    for record in records.values():
        record["strings"]["G3"]["verdict"] = "out"
    ticket["students"] = rows
    shown = class_view(records, ticket)["pictures"]
    assert shown["worst"]["few"] == few
    assert shown["sections"][0]["few"] == few.replace("player", "student")
    assert f"0 of {players} in tune ({few})" in " ".join(build_dashboard(records, ticket).split())


def test_what_was_not_heard_well_is_not_said_to_be_out_of_tune():
    """Two of two known are in tune: the third player's unsure string makes no trouble."""
    records, ticket = make_class(0)
    rows = [{"student_id": f"s{n}", "family_name": "", "given_name": "X", "section": "",
             "instrument": "violin"} for n in range(3)]  # fmt: skip
    for row in rows:
        record = records[row["student_id"]] = make_record(row, "graded", random.Random(1))
        for string in record["strings"].values():
            string["verdict"] = "in_tune"
    records["s0"]["strings"]["G3"]["verdict"] = "unsure"
    ticket["students"] = rows
    shown = class_view(records, ticket)["pictures"]
    assert shown["worst"] is None
    assert "violin G (2 of 2)" in shown["calm"]
    for record in records.values():
        record["strings"]["D4"]["verdict"] = "not_heard"
    (row,) = class_view(records, ticket)["pictures"]["trouble"]  # of D nothing is known
    assert (row["label"], row["share"]) == ("violin D", "not known")


def test_by_ear_strings_are_told_from_the_a_that_was_sounded():
    """All four at 442 Hz, as the sounded A: in tune, and right on in every number of the page."""
    names = ("E5", "A4", "D4", "G3")
    record = grade(
        take(cents=dict.fromkeys(names, 7.851), tone_hz=442.0), reference={"method": "by_ear"}
    )
    ticket = make_class(1)[1]
    ticket["students"] = [record["student"]]
    view = class_view({"s01": record}, ticket)
    strings = view["students"][0]["strings"]
    assert [s["verdict"] for s in strings] == ["in_tune"] * 4
    assert [s["left"] for s in strings] == ["right on, give or take 0.8"] * 4
    assert all(s["path"].startswith("started 30 cents low") for s in strings)
    assert view["students"][0]["worst"] == pytest.approx(0.0, abs=0.001)
    left = class_pictures.strings_left([record])
    assert [c["cents"] for of in left.values() for c in of] == pytest.approx([0] * 4, abs=0.001)


def test_records_as_the_scoring_writes_them():
    paths = sorted((ROOT / "tests" / "data" / "records").glob("*.json"))
    records = [json.loads(path.read_text("utf-8")) for path in paths]
    for place, record in enumerate(records):
        record["student"]["student_id"] = f"r{place}"
    ticket = make_class(1)[1]
    ticket["students"] = [record["student"] for record in records]
    by_id = {record["student"]["student_id"]: record for record in records}
    page = Page(build_dashboard(by_id, ticket))
    assert len(page.opened) == len(records) >= 5
    for record in records:
        for problem in record["problems"]:
            assert problem["message"] in " ".join(" ".join(page.texts).split())


def test_a_bar_shows_every_verdict_in_proportion():
    svg = class_pictures.bar_svg({"in_tune": 6, "out": 2})
    widths = [float(w) for w in re.findall(r'width="([\d.]+)" height="19"', svg)]
    assert widths[0] == pytest.approx(3 * widths[1], rel=0.01)
    assert sum(widths) == pytest.approx(class_pictures.BAR_WIDTH - 1, abs=0.3)


def test_the_picture_says_in_words_what_it_shows():
    records, _ = make_class(30)
    left = class_pictures.strings_left(records.values())
    violins = {name: strings for (kind, name), strings in left.items() if kind == "violin"}
    svg = class_pictures.left_svg("violin", violins)
    assert "How every violin string was left. E5: " in svg
    assert svg.count('class="left-mark"') == sum(map(len, violins.values()))


def test_instruments_stand_in_the_order_of_a_score():
    records, ticket = make_class(30)
    order = [p["instrument"] for p in class_view(records, ticket)["pictures"]["left"]]
    assert order == ["violin", "viola", "cello", "double bass"]


def test_care_lists_instruments_not_habits():
    records, _ = make_class(1, seed=1)
    records["s001"]["observations"] = [
        {"code": "slipping_peg", "text": "The A peg slipped.", "at_s": 4.0},
        {"code": "whole_sharp", "text": "All strings are sharp.", "at_s": None},
    ]
    (entry,) = care_list(records.values())
    assert entry["student_id"] == "s001"
    assert entry["text"] == "The A peg slipped."
    assert entry["look_at"]


def test_a_bass_is_never_told_to_push_its_machine_head_in():
    # Source: the design, section 5, cautions (common practice).
    records, _ = make_class(1, seed=1)
    records["s001"]["observations"] = [{"code": "slipping_peg", "text": "Slipped.", "at_s": 4.0}]
    for instrument, words in (("double bass", "not pushed in"), ("cello", "is pushed in")):
        records["s001"]["student"]["instrument"] = instrument
        (entry,) = care_list(records.values())
        assert words in entry["look_at"]


def test_a_mark_without_a_take_that_was_given_for_another_names_it():
    """The page then shows it as that, and one key keeps it."""
    records, ticket = make_class(2)
    student_id, record = next(iter(records.items()))
    row, saved_at = record["score"]["criteria"][0], "2026-03-01T20:00:00+01:00"
    other = "0123456789abcdef-violin"
    row["given_for"] = {"points": 1, "comment": "", "saved_at": saved_at, "take": other}
    mark = {"student_id": student_id, "criterion": row["id"], "points": 1, "comment": "",
            "saved_at": saved_at, "take": None}  # fmt: skip
    same = {**mark, "criterion": record["score"]["criteria"][1]["id"]}
    shown = class_view(records, {**ticket, "marks": [mark, same]})["data"]["marks"]
    assert [one["take"] for one in shown] == [other, None]
