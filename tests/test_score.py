"""The record: states, problems and what ends them, marks on top, references, several takes."""

import itertools
import json
import random
import subprocess
import sys
from copy import deepcopy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conftest import cases
from lab import sheet_examples
from odd_takes import odd_rubric, odd_take
from pegmark.files.store import dump_json, read_json, write_json
from pegmark.files.yaml_files import violations
from pegmark.measure.tuning import read_interval
from pegmark.publish.attention import _state_rows
from pegmark.render import string_path
from pegmark.render.sheet_view import sheet_view, verdict_word
from pegmark.score import score_student
from pegmark.score.student import verdicts_of
from pegmark.trade import pitch
from takes import (
    COMMENTS,
    CONFIG,
    INSTRUMENTS,
    MARKED,
    SHA,
    a_take,
    examples,
    facts,
    grade,
    mark,
    move,
    not_heard,
    row,
    take,
    ticket,
)

ROOT = CONFIG.parent
OTHER_SHA = "a7" * 32


def codes(record):
    return [problem["code"] for problem in record["problems"]]


# States


@pytest.mark.parametrize("name", list(examples()))
def test_example_records_are_what_the_code_makes(name):
    """tests/data/records is what other tests build on: `python tests/takes.py` makes it anew."""
    assert read_json(ROOT / "tests/data/records" / f"{name}.json") == examples()[name]


@pytest.mark.parametrize("name", list(examples()))
def test_records_fit_their_schemas(name):
    record = examples()[name]
    assert list(violations(record, "record")) == []
    assert list(violations(verdicts_of(record), "score")) == []


@pytest.mark.parametrize("state", ["missing", "excused"])
def test_nothing_handed_in_is_no_zero(state):
    record = score_student(ticket(state=state, takes=[]), {}, {})
    assert record["status"] == state
    assert record["score"]["total"] is None
    assert all(r["points"] is None and r["by"] == "open" for r in record["score"]["criteria"])
    assert record["submission"] is None
    assert record["next_step"] is None


def test_an_unreadable_take():
    record = examples()["unreadable"]
    assert record["status"] == "unreadable"
    assert codes(record) == ["not_a_recording"]
    assert record["problems"][0]["criteria"] == [c["id"] for c in record["score"]["criteria"]]
    assert record["submission"]["file"] == "Ada take 1.mp4"


def test_a_take_that_could_not_be_measured_is_told():
    record = score_student(ticket(), {}, {SHA[:16] + "-violin": facts(take())})
    assert record["status"] == "unreadable"
    assert codes(record) == ["not_measured"]


def test_a_measured_fault_is_told():
    broken = take(status="unreadable", problems=[problem("stage_failed")], recording=None)
    record = grade(broken)
    assert (record["status"], codes(record)) == ("unreadable", ["stage_failed"])


@pytest.mark.parametrize("state", ["unreadable", "missing"])
def test_all_points_by_the_teacher_make_a_grade(state):
    """She heard the student play in class: her points count, whatever the file was."""
    marks = {c["id"]: c["points"] for c in ticket()["rubric"]["criteria"]}
    handed = {} if state == "unreadable" else {"state": "missing", "takes": []}
    record = score_student(ticket(marks=marks, **handed), {}, {})
    assert (record["status"], record["score"]["total"]) == ("graded", 12)
    assert record["problems"] == []


# Problems


def problem(code, **more):
    return {"code": code, "message": f"What {code} says.", "action": "Listen.", **more}


def test_a_fault_of_the_recording_needs_listening_until_all_it_names_is_marked():
    noisy = take(problems=[problem("wrong_instrument")])
    record = grade(noisy, marks=MARKED)
    assert record["status"] == "needs_listening"
    assert record["score"]["total"] == 12  # what was measured is shown
    (told,) = record["problems"]
    assert told["criteria"] == ["final_pitch", "order", "sounding", "small_moves", "final_check"]
    four = dict.fromkeys(told["criteria"][:4], 1)
    assert grade(noisy, marks={**MARKED, **four})["status"] == "needs_listening"
    done = grade(noisy, marks={**MARKED, **four, "final_check": 0})
    assert (done["status"], done["problems"]) == ("graded", [])
    assert [p["code"] for p in done["settled_problems"]] == ["wrong_instrument"]


@pytest.mark.parametrize(
    ("recording", "code"),
    [
        ({"snr_db": 9.9}, "noisy"),
        ({"speed_error_cents": 146.7}, "recording_speed"),
        ({"speed_error_cents": -146.7}, "recording_speed"),
    ],
)
def test_faults_in_the_figures_of_the_recording(recording, code):
    measured = take()
    measured["recording"].update(recording)
    record = grade(measured)
    assert (record["status"], codes(record)) == ("needs_listening", [code])
    measured["problems"] = [problem("noise_loud" if code == "noisy" else "speed_wrong")]
    assert len(grade(measured)["problems"]) == 1  # told once


@pytest.mark.parametrize("recording", [{"snr_db": 10.0}, {"speed_error_cents": 0.2}, {}])
def test_an_ordinary_recording_has_no_fault(recording):
    measured = take()
    measured["recording"].update(recording)
    assert grade(measured)["status"] == "graded"


def test_a_problem_told_by_two_stages_stands_once():
    same = problem("cut_recording")
    measured = take(problems=[same])
    made = ticket()
    record = score_student(
        made,
        {measured["take"]: measured},
        {measured["take"]: facts(measured, problems=[dict(same)])},
    )
    assert codes(record) == ["cut_recording"]


def test_what_the_intake_says_is_kept_and_stops_nothing():
    record = grade(problems=[problem("late")])
    assert (record["status"], codes(record)) == ("graded", ["late"])
    assert record["problems"][0]["criteria"] == []


def test_which_take_counts_is_settled_by_the_teacher_before_a_grade_goes_out():
    measured = [c["id"] for c in ticket()["rubric"]["criteria"] if c["kind"] != "teacher"]
    undecided = {"problems": [problem("take_undecided")]}
    record = grade(take(cents={"G3": -25.0}), **undecided)
    assert (record["status"], codes(record)) == ("needs_listening", ["take_undecided"])
    assert record["problems"][0]["criteria"] == measured
    settled = grade(take(cents={"G3": -25.0}))
    assert record["score"] == settled["score"]  # the points stand, for when it is settled
    assert record["next_step"] == settled["next_step"]
    marked = grade(take(), marks=dict.fromkeys(measured, 1), **undecided)
    assert (marked["status"], codes(marked)) == ("graded", [])


@pytest.mark.parametrize(
    ("key", "missing", "other"),
    [("violin", "E5", "viola"), ("viola", "C3", "violin"), ("violin", "D4", None),
     ("cello", "C2", None), ("double bass", "E1", None)],
)  # fmt: skip
@pytest.mark.parametrize("heard", ["unsure", "not_heard"])
def test_another_instrument_is_named_with_the_one_setting(key, missing, other, heard):
    """Violin and viola share G, D and A: where only the fourth string is in doubt."""
    record = grade(take(key, strings={missing: {"heard": heard}}))
    (told,) = record["problems"]
    said = f"If it is a {other}, write {other} in the instrument column of roster.csv."
    assert (said in told["action"]) is (other is not None)
    assert ("roster.csv" in told["action"]) is (other is not None)


def test_a_doubt_names_every_criterion_it_leaves_open():
    record = grade(take(strings={"A4": {"heard": "not_heard"}}))
    (told,) = record["problems"]
    assert (told["code"], told["string"]) == ("string_not_heard", "A4")
    assert told["criteria"] == ["final_pitch"]  # how it was turned goes to the student's favour
    done = grade(take(strings={"A4": {"heard": "not_heard"}}), marks={"final_pitch": 3})
    assert done["status"] == "graded"
    assert done["score"]["open"] == 4  # the teacher's own four wait, but nothing must be heard


@pytest.mark.parametrize(("count", "told"), [(2, []), (3, ["string_unsure"])])
def test_nameless_notes_are_told_when_there_are_some_and_ask_nothing(count, told):
    measured = take(problems=[problem("string_unsure")])
    for place in range(count):
        measured["notes"].append(
            {**measured["notes"][0], "start_s": 10.0 + place, "end_s": 10.4 + place,
             "string": None, "kind": "plucked", "string_odds": 0.5}
        )  # fmt: skip
    record = grade(measured)
    assert (record["status"], codes(record)) == ("graded", told)


# Marks


def test_the_teachers_points_win_and_the_measured_ones_stay_beside():
    record = grade(
        take(cents={"G3": -25.0}),
        marks=[mark("final_pitch", 4, "In tune to my ear."), mark("order", 0.5)],
    )
    found = row(record, "final_pitch")
    assert (found["points"], found["by"], found["measured_points"]) == (4, "teacher", 3)
    assert found["comment"] == "In tune to my ear."
    assert found["evidence"][0]["code"] == "string_out"  # what was heard is still said
    assert row(record, "order")["points"] == 0.5
    assert record["score"]["total"] == 4 + 0.5 + 3


def test_a_comment_alone_gives_no_points():
    record = grade(marks=[mark("bridge", None, "I could not see it."), mark("order", None, "Nice")])
    assert (row(record, "bridge")["by"], row(record, "bridge")["points"]) == ("open", None)
    assert row(record, "bridge")["comment"] == "I could not see it."
    assert (row(record, "order")["by"], row(record, "order")["comment"]) == ("measured", "Nice")


@pytest.mark.parametrize("wrong", [mark("order", 2), mark("order", -1), mark("gone", 1)])
def test_marks_that_do_not_fit_the_rubric_are_told_and_not_used(wrong):
    record = grade(marks=[wrong])
    assert codes(record) == ["mark_not_used"]
    assert record["score"]["total"] == 8
    assert record["status"] == "graded"


def test_a_total_with_open_points_is_so_far():
    record = grade(marks={"bridge": 1})
    assert (record["score"]["total"], record["score"]["open"]) == (9, 3)
    assert record["score"]["of"] == 12


def test_points_in_part():
    """Three strings are sure, one was not heard: three points so far, one open."""
    record = grade(take(strings={"D4": {"heard": "not_heard"}}))
    found = row(record, "final_pitch")
    assert (found["points"], found["open"], found["by"]) == (3, 1, "open")
    assert found["measured_points"] is None


@pytest.mark.parametrize("points", [0.05, 0.33, 1.1, 1.25, 2.35, 6.67, 3])
@pytest.mark.parametrize("key", ["violin", "five-string bass"])
def test_points_of_any_size_add_up(points, key):
    """Shares of a string are told to a hundredth, and the parts are still the whole."""
    rubric = {"title": "", "criteria": [{"id": "it", "title": "It", "points": points,
                                         "kind": "final_pitch"}]}  # fmt: skip
    names = INSTRUMENTS[key].strings
    whole = grade(take(key), rubric=rubric)
    assert (row(whole, "it")["points"], whole["score"]["open"]) == (points, 0)
    assert whole["next_step"]["code"] == "challenge_tuner"  # nothing seems to be lost
    for count in range(1, len(names)):
        strings = {name: {"heard": "not_heard"} for name in names[:count]}
        found = row(grade(take(key, strings=strings), rubric=rubric), "it")
        assert (found["points"] or 0) + found["open"] == pytest.approx(points, abs=1e-9)


STRINGS = st.sampled_from(["E5", "A4", "D4", "G3"])


@cases(50)
@given(
    st.dictionaries(STRINGS, st.floats(-40, 40)),
    st.dictionaries(STRINGS, st.sampled_from(["not_heard", "unsure"])),
    st.dictionaries(
        st.sampled_from(["final_pitch", "order", "bridge", "daily"]), st.sampled_from([0, 0.5, 1])
    ),
)
def test_the_score_always_adds_up(cents, heard, marks):
    record = grade(
        take(cents=cents, strings={n: {"heard": h} for n, h in heard.items()}), marks=marks
    )
    score = record["score"]
    known = [r["points"] for r in score["criteria"] if r["points"] is not None]
    assert score["total"] == (pytest.approx(sum(known), abs=0.01) if known else None)
    assert score["open"] == pytest.approx(sum(r["open"] for r in score["criteria"]))
    assert (score["total"] or 0) + score["open"] <= score["of"] + 1e-9
    assert list(violations(record, "record")) == []
    dump_json(record)  # no NaN


# Lateness


@pytest.mark.parametrize(
    ("hours", "off"),
    [(0, 0), (2, 0), (2.1, 1), (25.9, 1), (26.1, 2), (200, 3), (None, None)],
)
def test_lateness_costs_by_the_teachers_policy_on_its_own_line(hours, off):
    late = {"grace_hours": 2, "points_off_per_day": 1, "most_points_off": 3}
    record = grade(takes=[{**a_take(), "hours_late": hours}], late=late, marks=MARKED)
    assert record["score"]["total"] == 12  # the raw score is kept
    if off is None:
        assert record["score"]["late"] is None
    else:
        assert record["score"]["late"] == {"points_off": off, "total": 12 - off}


@pytest.mark.parametrize(
    ("hours", "late", "said"),
    [
        (1.5, {"grace_hours": 2, "points_off_per_day": 1}, None),
        (2.0, {"grace_hours": 2}, None),
        (3.0, {"grace_hours": 2}, "Handed in 3 hours after the deadline."),
        (1.5, None, "Handed in 2 hours after the deadline."),
    ],
)
def test_within_the_grace_nothing_says_late(hours, late, said):
    record = grade(takes=[{**a_take(), "hours_late": hours}], late=late)
    view = sheet_view(record, sheet_examples.ticket())
    assert view["late"] == said
    about = {line["code"] for line in _state_rows(record, {})}
    assert ("late" in about) is (said is not None)
    assert record["submission"]["hours_late"] == (hours if said else 0)


def test_lateness_costs_nothing_without_a_policy():
    record = grade(takes=[{**a_take(), "hours_late": 30.0}])
    assert record["score"]["late"] is None
    assert record["submission"]["hours_late"] == 30.0


# References


def test_deviations_stand_against_the_assignments_a():
    """442 Hz is 7.851 cents above 440 (design, section 5; calculated)."""
    record = grade(take(cents=dict.fromkeys(("E5", "A4", "D4", "G3"), 7.851)),
                   reference={"a4_hz": 442.0})  # fmt: skip
    for name, state in record["strings"].items():
        assert state["deviation_cents"] == pytest.approx(0.0, abs=0.001)
        assert state["target_hz"] == pytest.approx(pitch.equal_hz(name, 442.0), abs=1e-3)
        assert state["moves"][0]["to_cents"] == pytest.approx(0.0, abs=0.001)
        assert state["start_cents"] == pytest.approx(-30.0, abs=0.001)
    tracks = [note["track"][0][1] for note in record["notes"] if note["role"] == "check"]
    assert tracks == pytest.approx([0.0] * 4, abs=0.001)
    assert row(record, "final_pitch")["points"] == 4
    assert row(grade(take(), reference={"a4_hz": 442.0}), "final_pitch")["points"] == 2


@pytest.mark.parametrize("temperament", ["equal", "pure"])
@pytest.mark.parametrize(
    ("key", "pure"),
    [  # pure intervals from A in cents (design, section 5; calculated)
        ("violin", {"E5": 1.955, "D4": -1.955, "G3": -3.910}),
        ("viola", {"C3": -5.865}),
        ("cello", {"C2": -5.865}),
        ("double bass", {"E1": 1.955, "D2": -1.955, "G2": -3.910}),
    ],
)
def test_pure_intervals_are_no_fault(key, pure, temperament):
    record = grade(take(key, cents=pure), reference={"temperament": temperament})
    assert row(record, "final_pitch")["points"] == 4
    for name, cents in pure.items():
        state = record["strings"][name]
        assert state["judged"]["cents"] == pytest.approx(0.0, abs=0.051)
        expected = 0.0 if temperament == "pure" else cents
        assert state["deviation_cents"] == pytest.approx(expected, abs=0.001)


def test_by_ear_counts_from_the_a_that_was_sounded():
    at_442 = dict.fromkeys(("E5", "A4", "D4", "G3"), 7.851)
    by_ear = {"method": "by_ear"}
    record = grade(take(cents=at_442, tone_hz=442.0), reference=by_ear)
    assert row(record, "final_pitch")["points"] == 4
    assert record["strings"]["A4"]["judged"]["against"] == "reference_tone"
    assert record["strings"]["A4"]["deviation_cents"] == pytest.approx(7.851)
    low = grade(take("cello", cents={"A3": 7.851, "D3": 7.851, "G2": 7.851, "C2": 7.851},
                     tone_hz=442.0), reference=by_ear)  # fmt: skip
    assert row(low, "final_pitch")["points"] == 4


def test_by_ear_without_a_sounded_a_counts_from_the_students_own():
    at_442 = dict.fromkeys(("E5", "A4", "D4", "G3"), 7.851)
    record = grade(take(cents=at_442), reference={"method": "by_ear"})
    against = {name: state["judged"]["against"] for name, state in record["strings"].items()}
    assert {name: against[name] for name in ("E5", "D4", "G3")} == dict.fromkeys(
        ("E5", "D4", "G3"), "own_a"
    )
    # Nobody knows which A she tuned to: no point is lost, and the take says why.
    assert record["strings"]["A4"]["verdict"] == "unsure"
    found = row(record, "final_pitch")
    assert (found["points"], found["open"]) == (3, 1)
    (told,) = record["problems"]
    assert (told["code"], told["string"]) == ("no_a_sounded", "A4")
    assert told["end_s"] > told["at_s"]
    assert [item["text"] for item in found["evidence"]] == [
        "We did not hear the A that you tuned your A string to."
    ]


def test_by_ear_without_a_sounded_a_counts_from_the_assignments_only_if_that_is_written():
    at_442 = dict.fromkeys(("E5", "A4", "D4", "G3"), 7.851)
    reference = {"method": "by_ear", "unheard_a": "reference"}
    record = grade(take(cents=at_442), reference=reference)
    assert record["strings"]["A4"]["judged"]["against"] == "assignment"
    assert record["strings"]["A4"]["verdict"] == "close"
    assert row(record, "final_pitch")["points"] == 3.5


@pytest.mark.parametrize("hertz", [442.9, 221.45, 885.8])
@pytest.mark.parametrize("method", ["by_ear", "tuner"])
def test_an_a_counts_whatever_sounded_it(hertz, method):
    """442.9 Hz is 11.373 cents above 440, in any octave (calculated)."""
    cents = dict.fromkeys(("E5", "A4", "D4", "G3"), 11.373)
    measured = take(cents=cents, tone_hz=hertz)
    record = grade(measured, reference={"method": method})
    assert row(record, "final_pitch")["points"] == (4 if method == "by_ear" else 0)
    texts = [item["text"] for item in row(record, "final_pitch")["evidence"]]
    said = "Your strings were checked against the A you heard: 442.9 hertz."
    assert (said in texts) is (method == "by_ear")


@pytest.mark.parametrize(
    ("tone_hz", "own_hz", "verdict"),
    [
        (443.0, 443.0, "in_tune"),  # she matched the A that was sounded, and the range allows it
        (443.0, 440.0, "out"),  # it sounded 443, and hers is another
        (None, 440.0, "in_tune"),
        (None, 441.7, "in_tune"),  # between the two: her own A counts
        (None, 443.0, "in_tune"),
        (None, 444.5, "close"),  # 5.852 cents above 443 (calculated)
        (445.5, 445.5, "out"),  # 9.742 cents above 443: another A than the range allows
    ],
)
@pytest.mark.parametrize("method", ["tuner", "string_to_string"])
def test_the_reference_may_be_a_range(tone_hz, own_hz, verdict, method):
    own = pitch.cents_between(own_hz, 440.0)
    cents = dict.fromkeys(("E5", "A4", "D4", "G3"), own)
    if method == "string_to_string":  # pure fifths from A: only A has a pitch to be judged by
        cents = {"E5": own + 1.955, "A4": own, "D4": own - 1.955, "G3": own - 3.91}
    reference = {"method": method, "a4_hz": 440.0, "a4_most_hz": 443.0}
    record = grade(take(cents=cents, tone_hz=tone_hz), reference=reference)
    assert record["strings"]["A4"]["verdict"] == verdict
    if verdict == "in_tune":
        assert row(record, "final_pitch")["points"] == 4
    if method == "string_to_string":
        assert (
            row(record, "final_pitch")["points"]
            == 3 + {"in_tune": 1, "close": 0.5, "out": 0}[verdict]
        )
    assert 440.0 <= record["reference"]["a4_hz"] <= 443.0
    assert (record["reference"]["a4_least_hz"], record["reference"]["a4_most_hz"]) == (440, 443)
    assert list(violations(record, "record")) == []


def test_by_ear_without_any_a_is_for_the_teacher():
    record = grade(take(strings={"A4": {"heard": "not_heard"}}), reference={"method": "by_ear"})
    assert {s["verdict"] for s in record["strings"].values()} == {"not_heard", "unsure"}
    assert "no_a_heard" in codes(record)


def test_the_tone_before_the_a_was_set_counts():
    measured = take(cents={"A4": 7.851, "D4": 7.851}, tone_hz=442.0)
    later = dict(next(n for n in measured["notes"] if n["kind"] == "reference_tone"))
    measured["notes"].append({**later, "start_s": 39.0, "end_s": 41.0, "f0_hz": 440.0})
    state = grade(measured, reference={"method": "by_ear"})["strings"]["A4"]
    assert state["judged"]["cents"] == pytest.approx(0.0, abs=0.05)


FIFTHS = {("E5", "A4"): 0.0, ("A4", "D4"): 0.0, ("D4", "G3"): 0.0}


def test_string_to_string_grades_the_intervals():
    """D and G 12 cents flat together: their fifth is pure, only D's to A is not."""
    measured = take(cents={"D4": -13.955, "G3": -15.910, "E5": 1.955})
    record = grade(measured, reference={"method": "string_to_string"})
    verdicts = {name: state["verdict"] for name, state in record["strings"].items()}
    assert verdicts == {"E5": "in_tune", "A4": "in_tune", "D4": "out", "G3": "in_tune"}
    lost = row(record, "final_pitch")["evidence"]
    assert [item["code"] for item in lost] == ["interval_out"]
    assert lost[0]["text"].startswith("D and A are 12 cents too far apart")


@pytest.mark.parametrize(
    ("key", "low", "high", "ratio"),
    [("violin", "A4", "E5", 3 / 2), ("double bass", "A1", "D2", 4 / 3)],
)
@pytest.mark.parametrize(("wide", "verdict"), [(0.0, "in_tune"), (-6.0, "close"), (12.0, "out")])
def test_an_interval_as_the_measuring_tells_it(key, low, high, ratio, wide, verdict):
    """Two strings sounded together, from their pitches: what tuning writes is what is judged."""
    low_hz = pitch.equal_hz(low)
    note = {
        "start_s": 55.0, "end_s": 57.5, "kind": "two_strings", "string": low, "string_2": high,
        "f0_hz": low_hz, "f0_2_hz": pitch.shift_hz(ratio * low_hz, wide), "uncertainty_cents": 0.5,
    }  # fmt: skip
    measured = take(key, strings={high: {"cents": 1.955 + wide, "uncertainty": 2.0}})
    if key == "double bass":  # D2 is judged by A1; a pure fourth is 498.045, a tempered one 500
        measured["strings"][high]["deviation_cents"] = -1.955 + wide
        verdict = "in_tune" if abs(wide) <= 6 else "close"  # doubled below C3
    measured["intervals"] = [read_interval(note, INSTRUMENTS[key])]
    state = grade(measured, reference={"method": "string_to_string"})["strings"][high]
    assert state["verdict"] == verdict
    assert state["judged"]["cents"] == pytest.approx(wide, abs=0.051)
    assert state["judged"]["uncertainty_cents"] == pytest.approx(0.7, abs=0.051)


@pytest.mark.parametrize(
    ("wide", "verdict"),
    [(0.0, "in_tune"), (3.0, "in_tune"), (4.5, "close"), (-4.5, "close"), (-12.0, "out")],
)
def test_two_strings_sounded_together_decide(wide, verdict):
    e_string = {"E5": {"cents": 1.955 + wide, "uncertainty": 2.5}}
    measured = take(strings=e_string, pairs={**FIFTHS, ("E5", "A4"): wide})
    state = grade(measured, reference={"method": "string_to_string"})["strings"]["E5"]
    assert state["verdict"] == verdict
    assert state["judged"]["cents"] == pytest.approx(wide, abs=0.05)


def test_an_interval_of_a_lower_string_turns_its_sign():
    """A fifth too wide below A means the lower string is too low."""
    measured = take(cents={"D4": -1.955 - 6.0}, pairs={("A4", "D4"): 6.0})
    state = grade(measured, reference={"method": "string_to_string"})["strings"]["D4"]
    assert state["judged"]["cents"] == pytest.approx(-6.0, abs=0.05)


def test_an_interval_sounded_before_the_last_turn_counts_no_more():
    measured = take(cents={"E5": 1.955}, pairs={("E5", "A4"): 20.0})
    measured["intervals"][0]["at_s"] = 8.0
    state = grade(measured, reference={"method": "string_to_string"})["strings"]["E5"]
    assert state["verdict"] == "in_tune"


def test_a_pair_that_contradicts_its_strings_is_for_the_teacher():
    measured = take(cents={"E5": 1.955}, pairs={("E5", "A4"): 20.0})
    record = grade(measured, reference={"method": "string_to_string"})
    assert record["strings"]["E5"]["verdict"] == "unsure"
    assert codes(record) == ["pitch_contradicts"]


def test_an_interval_to_a_string_that_is_not_known_is_for_the_teacher():
    measured = take(cents={"G3": -3.91}, strings={"D4": {"heard": "not_heard"}})
    record = grade(measured, reference={"method": "string_to_string"})
    assert record["strings"]["G3"]["verdict"] == "unsure"
    assert codes(record) == ["string_not_heard", "neighbour_unsure"]
    told = next(p for p in record["problems"] if p["code"] == "neighbour_unsure")
    assert told["message"].startswith("D4 is not known, so the interval of G3 to it")


def test_fourths_are_judged_as_fourths():
    """The bass's pure fourths (design, section 5): E1 +1.955, D2 -1.955, G2 -3.910 from A."""
    measured = take("double bass", cents={"E1": 1.955, "D2": -1.955, "G2": -3.910})
    record = grade(measured, reference={"method": "string_to_string"})
    for state in record["strings"].values():
        assert state["judged"]["cents"] == pytest.approx(0.0, abs=0.05)


def test_a_low_c_is_no_fourth_below_e():
    """A five-string bass may go down to C, a third below E: the two are no pair to sound."""
    pure = {"E1": 1.955, "D2": -1.955, "G2": -3.910, "C1": -5.865}
    measured = take("five-string bass in c", cents=pure, pairs={("E1", "C1"): -98.0})
    record = grade(measured, reference={"method": "string_to_string"})
    assert {state["verdict"] for state in record["strings"].values()} == {"in_tune"}


# What a sheet and its pictures count from is what was judged


@pytest.mark.parametrize(
    ("reference", "described", "homes"),
    [
        ({}, {}, {"E5": [0, 1.955], "A4": [0, 0], "D4": [-1.955, 0], "G3": [-3.91, 0]}),
        ({"temperament": "pure"}, {}, {"E5": [-1.955, 0], "A4": [0, 0], "G3": [0, 3.91]}),
        ({"a4_hz": 442.0}, {}, {"E5": [0, 1.955], "A4": [0, 0]}),
        # 442 Hz is 7.851 cents above 440 (design, section 5; calculated)
        (
            {"method": "by_ear"},
            {"tone_hz": 442.0},
            {"E5": [7.851, 9.807], "A4": [7.851, 7.851], "G3": [3.941, 7.851]},
        ),
        (
            {"method": "by_ear", "temperament": "pure"},
            {"tone_hz": 442.0},
            {"E5": [5.897, 7.851], "G3": [7.851, 11.761]},
        ),
        (
            {"method": "by_ear", "unheard_a": "reference"},
            {"cents": {"A4": 15.0}},
            {"E5": [15, 16.955], "A4": [0, 0], "D4": [13.045, 15]},
        ),
        # D is judged by A, G by D as it was left.
        (
            {"method": "string_to_string"},
            {"cents": {"D4": -13.955, "G3": -15.0}},
            {"E5": [1.955, 1.955], "D4": [-1.955, -1.955], "G3": [-15.91, -15.91]},
        ),
    ],
)
def test_the_record_says_where_a_string_may_stand(reference, described, homes):
    record = grade(take(**described), reference=reference)
    for name, home in homes.items():
        state = record["strings"][name]
        assert state["home_cents"] == pytest.approx(home, abs=0.002)
        low, high = state["home_cents"]
        away = max(state["deviation_cents"] - high, 0) + min(state["deviation_cents"] - low, 0)
        assert state["judged"]["cents"] == pytest.approx(away, abs=0.06)  # judged to a tenth


def test_by_ear_a_turn_to_the_sounded_a_is_no_overshoot():
    """From 22 cents below to the sounded A: 7.9 cents above the assignment's, and right."""
    at_442 = take(cents=dict.fromkeys(("E5", "A4", "D4", "G3"), 7.851), tone_hz=442.0)
    overshoots = {
        method: [len(s["overshoots"]) for s in grade(at_442, reference={"method": method})
                 ["strings"].values()]
        for method in ("tuner", "by_ear")
    }  # fmt: skip
    assert overshoots == {"tuner": [1, 1, 1, 1], "by_ear": [0, 0, 0, 0]}


@pytest.mark.parametrize("method", ["tuner", "by_ear", "string_to_string"])
def test_no_sheet_contradicts_its_verdicts(method):
    """What is in tune stands on its line, to within the tolerance, in words too."""
    measured = take(cents={"E5": 9.8, "A4": 7.9, "D4": -6.0, "G3": -8.0}, tone_hz=442.0)
    record = grade(measured, reference={"method": method})
    instrument, words = INSTRUMENTS["violin"], COMMENTS["en"]["sheet"]
    for name, state in record["strings"].items():
        home = string_path.home_of(record, name, instrument)
        shown = string_path.from_home(state, home)
        assert shown["deviation_cents"] == pytest.approx(state["judged"]["off_cents"], abs=0.06)
        low, high = home.in_tune
        inside = low - 0.05 <= shown["deviation_cents"] <= high + 0.05  # judged to a tenth
        assert inside is (state["verdict"] == "in_tune")
        word = verdict_word(shown, words)
        side = "high" if state["judged"]["cents"] > 0 else "low"
        assert word == "in tune" if inside else word.endswith(side)


# Several takes


def two_takes(first, second, **changes):
    """The record of two takes, the second the later one."""
    second = {**second, "take": f"{OTHER_SHA[:16]}-violin"}
    made = ticket(takes=[a_take(), a_take(sha256=OTHER_SHA, attempt=2)], **changes)
    both = {one["take"]: one for one in (first, second)}
    return score_student(made, both, {name: facts(one) for name, one in both.items()})


def test_the_latest_take_counts_unless_the_best_does():
    good, worse = take(), take(cents={"G3": -25.0})
    latest = two_takes(good, worse)
    assert (latest["submission"]["attempt"], latest["score"]["total"]) == (2, 7)
    best = two_takes(good, worse, policy="best")
    assert (best["submission"]["attempt"], best["score"]["total"]) == (1, 8)
    assert [other["sha256"] for other in best["other_takes"]] == [OTHER_SHA]
    assert two_takes(worse, good, policy="best")["submission"]["attempt"] == 2
    assert two_takes(good, good, policy="best")["submission"]["attempt"] == 2


@pytest.mark.parametrize(
    "later",
    [
        take(status="unreadable", problems=[problem("not_audio")]),
        {**take(), "notes": []},  # silent
        None,  # could not be measured
    ],
)
def test_a_broken_or_silent_take_never_displaces_one_that_is_heard(later):
    first = take()
    latest = a_take(sha256=OTHER_SHA, attempt=2)
    aside = {key: a_take()[key] for key in ("file", "sha256", "received")}
    made = ticket(takes=[latest], spare_takes=[a_take()], other_takes=[aside])
    measured = {first["take"]: first}
    if later:
        measured[latest["take"]] = {**later, "take": latest["take"]}
    record = score_student(made, measured, {name: facts(one) for name, one in measured.items()})
    assert record["submission"]["sha256"] == SHA
    assert record["score"]["total"] == 8
    assert [other["sha256"] for other in record["other_takes"]] == [OTHER_SHA]
    (told,) = [one for one in record["problems"] if one["code"] == "later_take_empty"]
    assert told["message"].startswith("Take 2 came later")
    assert told["criteria"] == []


def test_of_two_silent_takes_the_latest_counts():
    silent = {**take(), "notes": []}
    record = two_takes(silent, silent)
    assert record["submission"]["attempt"] == 2


def test_the_best_take_is_a_readable_one():
    broken = take(status="unreadable", problems=[problem("stage_failed")])
    record = two_takes(take(cents={"G3": -25.0}), broken, policy="best")
    assert (record["submission"]["attempt"], record["status"]) == (1, "graded")
    assert codes(record) == ["other_take_unreadable"]


def test_only_what_was_measured_in_both_decides_between_takes():
    """The pitch of the second is open: it cannot make it the better, nor the worse."""
    unsure = {"G3": {"heard": "not_heard"}}
    record = two_takes(take(cents={"D4": 5.0}), take(strings=unsure), policy="best")
    assert (record["submission"]["attempt"], record["score"]["total"]) == (1, 7.5)
    assert (record["status"], codes(record)) == ("graded", ["other_take_open"])  # no question
    assert record["next_step"]["code"] == "string_high"  # about the take that counts
    hasty = take(cents={"D4": 5.0}, order=["D4", "A4", "G3", "E5"])
    record = two_takes(hasty, take(strings=unsure), policy="best")
    assert record["submission"]["attempt"] == 2  # better by the order, which both have


@pytest.mark.parametrize("policy", ["latest", "best"])
@pytest.mark.parametrize("broken", [1, 2])
def test_a_take_that_cannot_be_read_never_takes_the_place_of_one_that_can(policy, broken):
    measured = {SHA[:16] + "-violin": take(), OTHER_SHA[:16] + "-violin": take()}
    del measured[(SHA if broken == 1 else OTHER_SHA)[:16] + "-violin"]
    made = ticket(takes=[a_take(), a_take(sha256=OTHER_SHA, attempt=2)], policy=policy)
    record = score_student(made, measured, {})
    assert (record["status"], record["submission"]["attempt"]) == ("graded", 3 - broken)
    if policy == "best":
        assert codes(record) == ["other_take_unreadable"]
    else:  # an older one that does not count is no news
        assert codes(record) == (["later_take_empty"] if broken == 2 else [])


# Whose mark it is


LATER = "2026-03-03T10:00:00+01:00"  # after both takes
BETWEEN = "2026-03-01T20:00:00+01:00"  # after the first, before the second


@pytest.mark.parametrize(
    ("fields", "counts"),
    [
        ({"take": OTHER_SHA[:16]}, True),
        ({"take": SHA[:16]}, False),
        ({"take": SHA[:16], "saved_at": LATER}, False),  # what it names counts, not when
        ({"take": "0" * 16}, False),  # of a take that is not there any more
        ({"saved_at": LATER}, True),
        ({"saved_at": BETWEEN}, False),  # then the first was the latest
        ({"saved_at": "2026-02-01T10:00:00+01:00"}, True),  # before any: of no take
        ({}, True),
    ],
)
@pytest.mark.parametrize("criterion", ["bridge", "order"])
def test_a_mark_belongs_to_the_take_it_was_given_for(fields, counts, criterion):
    given = {**mark(criterion, 0.5, "Well seen."), **fields}
    record = two_takes(take(), take(), marks=[given])
    found = row(record, criterion)
    if counts:
        assert (found["points"], found["by"], found["given_for"]) == (0.5, "teacher", None)
        return
    assert (found["points"], found["by"], found["open"]) == (None, "open", 1)
    assert (found["given_for"]["points"], found["given_for"]["comment"]) == (0.5, "Well seen.")
    first = (a_take()["file"], a_take()["received"])
    known = fields.get("take") != "0" * 16
    assert (found["given_for"]["file"], found["given_for"]["received"]) == (
        first if known else (None, None)
    )
    assert codes(record) == ["marks_of_other_take"]
    assert (criterion == "bridge") == (record["score"]["total"] == 8)
    assert list(violations(record, "record")) == []


def test_a_mark_kept_for_the_new_take_counts_again():
    old = {**mark("bridge", 0.5), "take": SHA[:16], "saved_at": BETWEEN}
    kept = {**old, "take": OTHER_SHA[:16], "saved_at": LATER}
    record = two_takes(take(), take(), marks=[old, kept])
    assert (row(record, "bridge")["points"], row(record, "bridge")["by"]) == (0.5, "teacher")
    assert codes(record) == []


TAKES = st.lists(
    st.tuples(
        st.sampled_from([1, 2, 3, None]),  # attempt: two may have the same, or none is known
        st.sampled_from(["2026-03-01T16:12:00+01:00", "2026-03-02T09:00:00+01:00", None]),
        st.sampled_from([0.0, 5.0, -25.0]),
        st.sampled_from(["heard", "not_heard", "unsure", "unreadable", "lost"]),
    ),
    min_size=2,
    max_size=4,
)


@cases(60)
@given(TAKES, st.randoms(use_true_random=False), st.sampled_from(["latest", "best"]))
def test_no_order_of_files_changes_a_record(described, draw, policy):
    """Takes, their facts and the files left aside come in any order: the bytes stay the same."""
    made, measured, known = [], {}, {}
    for place, (attempt, received, cents, state) in enumerate(described):
        one = take(cents={"G3": cents})
        if state in ("not_heard", "unsure"):
            one = take(strings={"D4": {"heard": state}})
        if state == "unreadable":
            one |= {"status": "unreadable", "problems": [problem("stage_failed")]}
        listed = a_take(sha256=f"{place}{place}" * 32)
        one["take"] = listed["take"]
        made.append(listed | {"attempt": attempt, "received": received, "file": f"{place}.mp4"})
        if state != "lost":
            measured[one["take"]] = one
        known[one["take"]] = facts(one)
    aside = [{"file": f"copy {n}.mp4", "sha256": SHA, "received": None} for n in range(3)]

    def shuffled(items):
        items = list(items)
        draw.shuffle(items)
        return items

    records = {
        dump_json(
            score_student(
                ticket(takes=shuffled(made), other_takes=shuffled(aside), policy=policy),
                dict(shuffled(deepcopy(measured).items())),
                dict(shuffled(known.items())),
            )
        )
        for _ in range(4)
    }
    assert len(records) == 1


@cases(40)
@given(st.randoms(use_true_random=False))
def test_no_order_of_notes_changes_points(draw):
    measured = take(cents={"G3": -25.0}, strings={"D4": {"moves": [move(20, 30, sounding=False)]}},
                    tone_hz=440.0, pairs=FIFTHS)  # fmt: skip
    for method in ("tuner", "by_ear", "string_to_string"):
        mixed = deepcopy(measured)
        for part in ("notes", "intervals"):
            draw.shuffle(mixed[part])
        before, after = (grade(m, reference={"method": method}) for m in (measured, mixed))
        assert after["score"] == before["score"]
        assert after["observations"] == before["observations"]


def test_the_order_of_files_changes_nothing():
    first, second = take(cents={"G3": -25.0}), take(strings={"E5": {"heard": "not_heard"}})
    second["take"] = f"{OTHER_SHA[:16]}-violin"
    takes = [a_take(), a_take(sha256=OTHER_SHA, attempt=2)]
    records = set()
    for policy, order in itertools.product(["latest", "best"], [(0, 1), (1, 0)]):
        both = [(first, second)[i] for i in order]
        made = ticket(takes=[takes[i] for i in order], policy=policy)
        measured = {one["take"]: deepcopy(one) for one in both}
        records.add(
            policy
            + dump_json(score_student(made, measured, {m: facts(measured[m]) for m in measured}))
        )
    assert len(records) == 2


# Whole records


@pytest.mark.parametrize("key", list(INSTRUMENTS))
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_instrument_and_language(key, language):
    """Full marks where all is well, and no sentence missing where nothing is."""
    good = grade(take(key), language=language)
    assert good["score"]["total"] == 8
    names = INSTRUMENTS[key].strings
    bad = take(
        key,
        strings={
            name: {"cents": (-1) ** place * 60.0, "checked_s": None, "slipped_cents": 20.0,
                   "drift_cents": 90.0, "start_cents": -400.0,
                   "moves": [move(40.0 - 4 * place, 250.0, 60.0, sounding=False)]}
            for place, name in enumerate(names)
        },
        order=list(reversed(names)),
    )  # fmt: skip
    record = grade(bad, language=language)
    assert record["score"]["total"] == 0
    assert list(violations(record, "record")) == []


def test_the_same_inputs_give_the_same_bytes():
    assert dump_json(grade()) == dump_json(grade())


def test_nothing_given_is_changed():
    measured, made = take(cents={"G3": -25.0}), ticket(marks=MARKED)
    kept = deepcopy((measured, made))
    score_student(made, {measured["take"]: measured}, {measured["take"]: facts(measured)})
    assert (measured, made) == kept


def test_a_string_the_measuring_left_out_is_not_heard():
    measured = take()
    del measured["strings"]["G3"]
    measured["order"].remove("G3")
    measured["notes"] = [n for n in measured["notes"] if n["string"] != "G3"]
    assert grade(measured)["strings"]["G3"]["verdict"] == "not_heard"
    assert not_heard("G3")["heard"] == "not_heard"


def test_the_stage_script(tmp_path):
    measured = take(cents={"G3": -25.0})
    write_json(tmp_path / "ticket.json", ticket(marks=MARKED))
    write_json(tmp_path / "measured.json", measured)
    write_json(tmp_path / "facts.json", facts(measured))
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts/score.py"), "--ticket", "ticket.json", "--measured",
         "measured.json", "--facts", "facts.json", "--record", "out/record.json", "--score",
         "out/score.json"],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert read_json(tmp_path / "out/record.json") == grade(measured, marks=MARKED)
    assert read_json(tmp_path / "out/score.json")["verdicts"]["G3"] == "out"


def test_the_stage_script_takes_no_files(tmp_path):
    """A student who handed in nothing has none."""
    write_json(tmp_path / "ticket.json", ticket(state="missing", takes=[]))
    arguments = [
        "--ticket",
        "ticket.json",
        "--measured",
        "--facts",
        "--record",
        "r",
        "--score",
        "s",
    ]
    subprocess.run(
        [sys.executable, str(ROOT / "scripts/score.py"), *arguments], cwd=tmp_path, check=True
    )
    assert json.loads((tmp_path / "s").read_text())["status"] == "missing"


def test_the_stage_imports_only_what_it_uses():
    """One short process per student: plain Python, no scientific library."""
    heavy = ("numpy", "scipy", "pandas", "yaml", "jsonschema")
    code = f"import sys, pegmark.score.student; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT / "scripts", capture_output=True, text=True
    )
    assert done.stdout.strip() == "[]"


# Whatever the measuring says


@pytest.mark.parametrize("seed", range(150))
def test_whatever_was_measured_the_record_is_whole(seed):
    """No fault, a record by its schema, every point accounted for, every doubt named."""
    draw = random.Random(seed)
    method = draw.choice(["tuner", "by_ear", "string_to_string"])
    reference = {"method": method, "temperament": draw.choice(["equal", "pure"]),
                 "a4_hz": draw.choice([440.0, 442.0, 415.0])}  # fmt: skip
    record = grade(odd_take(draw), rubric=odd_rubric(draw), reference=reference,
                   language=draw.choice(["en", "es"]))  # fmt: skip
    assert list(violations(record, "record")) == []
    dump_json(record)  # no NaN
    named = {one for told in record["problems"] for one in told["criteria"]}
    for found in record["score"]["criteria"]:
        lost = found["of"] - (found["points"] or 0) - found["open"]
        assert lost >= -0.001
        if found["kind"] == "teacher":
            continue
        assert found["evidence"]
        # Each share of a string is told to the fourth digit, the points to the second.
        assert sum(item["lost"] for item in found["evidence"]) == pytest.approx(lost, abs=0.011)
        asks = found["kind"] == "method_used" and method == "tuner"  # hers to give, no doubt
        assert found["by"] == "measured" or found["id"] in named or asks


# Single faults that no test saw once


@pytest.mark.parametrize("cents", [150.0, -150.0])
def test_a_string_far_out_that_never_slipped_is_out_and_not_unsure(cents):
    record = grade(take(cents={"D4": cents}))
    assert record["strings"]["D4"]["verdict"] == "out"


def test_a_string_that_slipped_far_and_was_put_right_is_in_tune():
    record = grade(take(strings={"D4": {"slipped_cents": 150.0}}))
    assert record["strings"]["D4"]["verdict"] == "in_tune"


def test_a_string_that_slipped_far_and_was_left_so_goes_to_the_ear():
    record = grade(take(strings={"D4": {"cents": -150.0, "slipped_cents": 150.0}}))
    assert record["strings"]["D4"]["verdict"] == "unsure"


@pytest.mark.parametrize(("half", "joint"), [(0.4, 0.9), (2.0, 2.2), (None, 1.3)])
def test_a_sounded_a_brings_its_own_half_width(half, joint):
    """Half-widths add as the root of their squares' sum; a tone without one has 1 cent."""
    measured = take(tone_hz=440.0)
    next(n for n in measured["notes"] if n["kind"] == "reference_tone")["uncertainty_cents"] = half
    record = grade(measured, reference={"method": "by_ear"})
    for string in record["strings"].values():
        assert string["judged"]["uncertainty_cents"] == pytest.approx(joint, abs=0.051)


def test_a_policy_that_names_no_price_of_a_day_costs_nothing():
    for late in ({"grace_hours": 2}, {"most_points_off": 3}, {}):
        record = grade(takes=[{**a_take(), "hours_late": 80.0}], late=late, marks=MARKED)
        assert record["score"]["late"] == {"points_off": 0, "total": 12}


def test_what_a_string_that_nobody_turned_did_by_itself_is_counted_from_its_first_note():
    """It stood at pitch at 5 s, 40 cents lower at 9 s and from then on: it fell between the two."""
    string = {"moves": [], "start_cents": 0.0, "cents": -40.0, "slipped_cents": 40.0}
    measured = take(strings={"D4": string})
    (last,) = [note for note in measured["notes"] if note["string"] == "D4"]
    earlier = [
        {**last, "start_s": at, "end_s": at + 1.5, "kind": "plucked", "deviation_cents": cents,
         "f0_hz": pitch.shift_hz(pitch.equal_hz("D4"), cents),
         "track": [[at, cents], [at + 1.5, cents]], "role": "tuning"}
        for at, cents in ((5.0, 0.0), (9.0, -40.0), (13.0, -40.0))
    ]  # fmt: skip
    measured["notes"] = sorted([*measured["notes"], *earlier], key=lambda note: note["start_s"])
    (change,) = grade(measured)["strings"]["D4"]["own_changes"]
    assert change["cause"] == "slip"
    assert 5.0 <= change["start_s"] <= change["end_s"] <= 9.0
    assert (change["from_cents"], change["to_cents"]) == (0.0, -40.0)
