"""How each string was tuned: what is sure of a turn, and what a false one may not cost.

Takes are hand-made (tests/takes.py). The moves of every case are said as a listener would find
them; thresholds are common practice, no source.
"""

from copy import deepcopy

import pytest

from pegmark.publish.maintenance import care_list
from pegmark.score.turns import overshoots, own_changes, reversals, size, sounded_of
from takes import grade, move, row, take

SILENT = move(20, 60, sounding=False)  # 20.0 to 21.6 s


def note(name, start_s, end_s, cents=0.0, **more):
    """A measured note of a take."""
    (like,) = (n for n in take()["notes"] if n["string"] == "D4" and n["role"] == "check")
    return {**like, "string": name, "start_s": start_s, "end_s": end_s, "kind": "plucked",
            "deviation_cents": cents, **more}  # fmt: skip


def with_notes(measured, *notes):
    measured = deepcopy(measured)
    measured["notes"] = sorted([*measured["notes"], *notes], key=lambda n: n["start_s"])
    return measured


def without(measured, chosen):
    """The take without the notes that `chosen` picks."""
    measured = deepcopy(measured)
    measured["notes"] = [n for n in measured["notes"] if not chosen(n)]
    return measured


def only_move(measured, name="D4"):
    (found,) = grade(measured)["strings"][name]["moves"]
    return found


def points(measured, criterion, **changes):
    found = row(grade(measured, **changes), criterion)
    return found["points"], found["open"]


# What is sure of a turn


def before(name="D4", start_s=20.0):
    """Picks the notes of a string before a second."""
    return lambda n: n["string"] == name and n["start_s"] < start_s


@pytest.mark.parametrize(
    ("changes", "sure"),
    [
        ({}, True),
        ({"snr_db": 20.0}, True),
        ({"snr_db": 19.9}, False),  # 10 dB fainter than the take's usual 30
        ({"uncertainty_cents": 6.0}, True),
        ({"uncertainty_cents": 6.1}, False),  # twice the tolerance
        ({"uncertainty_cents": 30.0, "gliding": True}, True),  # it glides: its track says where
        ({"string_odds": 0.9}, True),
        ({"string_odds": 0.89}, False),
        ({"f0_hz": None}, False),
    ],
)
def test_a_turn_is_sure_between_clear_notes(changes, sure):
    measured = take(strings={"D4": {"moves": [SILENT]}})
    for one in measured["notes"]:
        if before()(one):
            one.update(changes)
    assert only_move(measured)["sure"] is sure
    lost = points(measured, "sounding") == (0.75, 0)  # one turn of four
    assert lost is sure  # a turn that is not sure costs nothing


def test_a_note_under_speech_is_not_clear():
    measured = take(strings={"D4": {"moves": [SILENT]}})
    measured["speech"].append({"start_s": 19.5, "end_s": 19.9})  # 0.4 of 0.9 s
    assert only_move(measured)["sure"]
    measured["speech"][-1]["start_s"] = 19.4
    assert not only_move(measured)["sure"]


def test_a_string_first_heard_after_a_turn_has_no_sure_turn():
    measured = without(take(strings={"D4": {"moves": [SILENT]}}), before())
    assert not only_move(measured)["sure"]


def test_one_syllable_taken_for_a_note_costs_nothing():
    """Spoken at 30 s, long after D was set: a jump of 40 cents, and back at the check."""
    moves = [move(18, 30), move(30.3, 40, 40, sounding=False), move(45.5, -40, 0, sounding=False)]
    moves[1]["end_s"], moves[2]["end_s"] = 30.3, 45.52
    measured = take(strings={"D4": {"moves": moves, "at_s": 46.0, "settled_s": 45.52}})
    for one in measured["notes"]:
        if one["string"] == "D4" and 30 < one["start_s"] < 45:
            one.update(snr_db=12.0, uncertainty_cents=6.9)
    record = grade(measured)
    assert record["score"]["total"] == 8
    assert record["status"] == "graded"
    assert record["observations"] == []
    assert record["strings"]["D4"]["overshoots"] == []


# Silence


@pytest.mark.parametrize(
    ("sounds", "sounding"),
    [
        ([], False),
        ([("D4", 20.3, 20.5)], None),  # 1.1 s are left
        ([("D4", 20.1, 20.3)], False),  # 1.3 s are left
    ],
)
def test_silence_needs_a_silence_of_its_own(sounds, sounding):
    measured = with_notes(
        take(strings={"D4": {"moves": [SILENT]}}),
        *(note(*one, uncertainty_cents=20.0) for one in sounds),
    )
    assert only_move(measured)["sounding"] is sounding


@pytest.mark.parametrize("covering", ["speech", "reference_tone"])
def test_what_covers_a_string_is_no_silence(covering):
    measured = take(strings={"D4": {"moves": [SILENT]}})
    if covering == "speech":
        measured["speech"].append({"start_s": 20.2, "end_s": 21.5})
    else:
        tone = note(None, 20.2, 21.5, None, kind="reference_tone", f0_hz=440.0)
        measured = with_notes(measured, tone)
    assert only_move(measured)["sounding"] is None
    assert points(measured, "sounding") == (1, 0)
    evidence = row(grade(measured), "sounding")["evidence"]
    assert [item["code"] for item in evidence] == ["sounding_mostly"]


# When it was turned


def found_later(gap_s=0.1, sounding=False):
    """D was left at 30 cents, sounded in passing until 19.9, and is found turned at its check."""
    turned = {"start_s": 46.0 - gap_s, "end_s": 46.0, "from_cents": -30.0, "to_cents": 0.0,
              "sounding": sounding}  # fmt: skip
    measured = take(strings={"D4": {"moves": [turned], "at_s": 46.0, "checked_s": 46.0}})
    measured["last_turn_s"] = 46.0
    last = next(n for n in measured["notes"] if n["string"] == "D4")
    last.update(start_s=19.0, end_s=19.9)
    return measured


@pytest.mark.parametrize("sounding", [False, None, True])
def test_a_turn_found_on_coming_back_was_made_before(sounding):
    """No hand turns a peg in a tenth of a second between two bows."""
    measured = found_later(0.1, sounding)
    turned = only_move(measured)
    assert (turned["since_s"], turned["turned_s"]) == (19.9, 19.9)
    assert points(measured, "final_check") == (1, 0)


def test_a_turn_with_time_enough_may_be_where_it_seems():
    measured = found_later(1.3)
    turned = only_move(measured)
    assert (turned["since_s"], turned["turned_s"]) == (19.9, 46.0)
    assert turned["sounding"] is False
    assert points(measured, "final_check") == (1, 0)  # it may have been turned before the check
    codes = [item["code"] for item in row(grade(measured), "final_check")["evidence"]]
    assert codes == ["check_mostly"]


def test_a_turn_that_rang_on_is_where_its_notes_are():
    turned = only_move(take())
    assert (turned["since_s"], turned["turned_s"]) == (turned["start_s"], turned["end_s"])


# Order


def test_an_early_unseen_turn_goes_to_the_students_favour():
    """A sounded once at the start and was found turned at its check: perhaps it came first."""
    measured = take(order=["D4", "G3", "E5", "A4"])
    turned = {"start_s": 43.9, "end_s": 44.0, "from_cents": -30.0, "to_cents": 0.0,
              "sounding": False}  # fmt: skip
    late = take(order=["D4", "G3", "E5", "A4"], strings={"A4": {"moves": [turned], "at_s": 44.0}})
    assert points(measured, "order") == (0, 0)
    for one in late["notes"]:
        if one["string"] == "A4" and one["start_s"] < 44:
            one.update(start_s=5.0, end_s=5.9)
    assert points(late, "order") == (1, 0)
    assert grade(late)["problems"] == []
    assert [e["code"] for e in row(grade(late), "order")["evidence"]] == ["order_unsure"]


@pytest.mark.parametrize("first", ["A4", "D4", "E5"])
@pytest.mark.parametrize("times", [1, 2, 3, 12])
def test_a_first_round_is_no_tuning(first, times):
    """However often a string was plucked before any was turned, and whichever was."""
    plucks = [note(first, 0.2 * k, 0.2 * k + 0.2, -30.0, snr_db=30.0) for k in range(times)]
    for order, expected in ((["A4", "D4", "G3", "E5"], (1, 0)), (["D4", "A4", "G3", "E5"], (0, 0))):
        measured = with_notes(take(order=order), *plucks)
        assert points(measured, "order") == expected
        assert grade(measured)["order"] == order


def test_a_turn_that_is_not_sure_does_not_make_an_order():
    measured = take(order=["D4", "A4", "G3", "E5"])
    for one in measured["notes"]:
        if one["string"] == "D4" and one["role"] == "tuning":
            one["snr_db"] = 8.0
    assert points(measured, "order") == (1, 0)
    assert grade(measured)["order"] == ["A4", "G3", "E5"]  # D was turned, and nobody knows when


# The check


@pytest.mark.parametrize(("cents", "expected"), [(9.9, (1, 0)), (10.7, (1, 0)), (10.8, (0, 0))])
def test_a_touch_up_needs_no_second_round(cents, expected):
    """G is checked last, and touched up; the three others were bowed before."""
    moves = [move(33, 30, -cents), move(56, cents)]
    measured = take(strings={"G3": {"moves": moves, "at_s": 58.0, "checked_s": 58.0}})
    measured = with_notes(measured, note("G3", 54.0, 56.0, -cents, kind="bowed"))
    assert points(measured, "final_check") == expected
    strict = {"criteria": [{"id": "final_check", "title": "", "points": 1, "kind": "final_check",
                            "ignore_below_cents": 1}]}  # fmt: skip
    assert points(measured, "final_check", rubric=strict) == (0, 0)


def test_a_check_missed_after_a_turn_that_is_not_sure_costs_nothing():
    moves = [move(33, 30, -20), move(56, 20)]
    measured = take(strings={"G3": {"moves": moves, "at_s": 58.0, "checked_s": 58.0}})
    for one in measured["notes"]:
        if one["string"] == "G3" and one["start_s"] > 50:
            one["snr_db"] = 8.0
    record = grade(measured)
    assert points(measured, "final_check") == (1, 0)
    assert record["problems"] == []
    codes = [item["code"] for item in row(record, "final_check")["evidence"]]
    assert codes == ["check_mostly"]


@pytest.mark.parametrize(
    ("seconds", "kind", "expected"),
    [(2.0, "bowed", (1, 0)), (0.9, "bowed", (0, 0)), (2.0, "plucked", (0, 0))],
)
def test_a_long_bow_without_a_name_may_be_the_missing_check(seconds, kind, expected):
    measured = take(strings={"D4": {"checked_s": None}})
    bow = note(None, 56.0, 56.0 + seconds, None, kind=kind, string_odds=0.99)
    assert points(with_notes(measured, bow), "final_check") == expected


# Large moves


@pytest.mark.parametrize(
    ("seconds", "inside", "expected"),
    [
        (1.0, False, (0.75, 0)),
        (1.0, True, (1, 0)),  # a pluck within it: it may have rested there
        (2.79, False, (0.75, 0)),  # 140 cents at 50 a second
        (2.9, False, (1, 0)),  # slower: it may have rested
        (0.47, False, (0.75, 0)),
        (0.46, False, (1, 0)),  # faster than a peg is turned
    ],
)
def test_a_large_move_is_seen_in_one_go(seconds, inside, expected):
    large = {**move(20, 140.0), "end_s": 20 + seconds}
    measured = take(strings={"D4": {"moves": [large]}})
    if inside:
        measured = with_notes(measured, note("D4", 20.4, 20.8, -70.0, uncertainty_cents=20.0))
    assert points(measured, "small_moves") == expected


# The summary of a string's turns


def test_overshoots_go_past_the_note_and_out_of_tune():
    moves = [move(20, 34, 4.0), move(22, -9, -5.0), move(24, 7, 2.0), move(26, -1, 1.0)]
    found = overshoots(moves, (-1.955, 0.0), 3.0)
    assert [item["cents"] for item in found] == pytest.approx([4.0, -3.045])
    assert [item["at_s"] for item in found] == [20.8, 22.8]
    assert overshoots([move(20, 5, 9.0)], (0.0, 0.0), 3.0) == []  # from above, further up


def test_reversals_are_told_by_their_second():
    assert reversals([move(20, 30), move(22, -9), move(24, -2), move(26, 4)]) == [22, 26]


def test_the_record_tells_how_a_string_was_tuned():
    moves = [move(20, 60, 9.0, sounding=False), move(24, -24, -15.0, sounding=False), move(27, 15)]
    state = grade(take(strings={"D4": {"moves": moves, "settled_s": 27.8}}))["strings"]["D4"]
    assert state["silent_moves"] == 2
    assert state["largest_silent"]["start_s"] == 20
    assert size(state["largest_silent"]) == pytest.approx(60)
    assert (state["reversals"], state["turned_back_s"]) == (2, [24, 27])
    assert [o["cents"] for o in state["overshoots"]] == pytest.approx([9.0, -13.045], abs=1e-3)
    assert state["settle_s"] == pytest.approx(7.8)
    assert state["own_changes"] == []


# What a string did by itself


@pytest.mark.parametrize(
    ("left", "slipped", "cause"),
    [
        (-20.0, 20.0, "slip"),
        (-20.0, None, "pull"),  # others were turned meanwhile, and the measuring calls it no slip
        (20.0, None, "pull"),
        (5.0, None, None),  # no more than a string breathes
    ],
)
def test_what_changed_between_setting_and_check(left, slipped, cause):
    fields = {"cents": left, "moves": [move(14, 30)], "slipped_cents": slipped}
    state = grade(take(strings={"D4": fields}))["strings"]["D4"]
    found = [(c["cause"], c["from_cents"], c["to_cents"]) for c in state["own_changes"]]
    assert found == ([(cause, 0.0, left)] if cause else [])
    if found:
        (change,) = state["own_changes"]
        # between its last pluck after the turn and its check
        assert (change["start_s"], change["end_s"]) == (15.7, state["at_s"])


def test_a_fall_that_nobody_else_can_have_caused_is_a_slip():
    """Set at 40 s, when the others were done; then it fell, and was set again."""
    moves = [move(40, 30), move(43, 25)]
    state = grade(take(strings={"D4": {"moves": moves, "at_s": 46.0}}))["strings"]["D4"]
    (change,) = state["own_changes"]
    assert (change["cause"], size(change)) == ("slip", pytest.approx(-25))


def test_a_slip_of_a_string_never_turned_is_told():
    fields = {"cents": -40.0, "moves": [], "settled_s": None, "start_cents": 0.0,
              "slipped_cents": 40.0}  # fmt: skip
    measured = with_notes(take(strings={"D4": fields}), note("D4", 12.0, 13.0, 0.0))
    (change,) = grade(measured)["strings"]["D4"]["own_changes"]
    assert (change["cause"], change["start_s"], change["end_s"]) == ("slip", 13.0, 48.0)


def test_a_string_with_no_notes_did_nothing():
    string = {"moves": [], "start_cents": None, "deviation_cents": None, "slipped_cents": None}
    assert own_changes(string, sounded_of("D4", [], [], [], []), []) == []


def test_a_slipping_peg_is_told_by_how_much_and_when_it_was_heard():
    fields = {"cents": -27.0, "moves": [move(14, 30)], "slipped_cents": 27.0}
    (seen,) = grade(take(strings={"D4": fields}))["observations"]
    assert seen["text"] == (
        "Your D string seems to have slipped down 27 cents at 0:48, and stayed there. That can "
        "happen to anyone."
    )
    assert seen["at_s"] == 48.0
    fields["moves"].append(move(50, 27.0))
    (seen,) = grade(take(strings={"D4": {**fields, "cents": 0.0, "at_s": 58.0}}))["observations"]
    assert seen["text"].endswith("That can happen to anyone, and it costs you nothing.")


# A slip is nobody's fault


def slipped(size=30.0, again=None, at_s=40.0):
    """D was set at 14.8 s, fell by itself, and was put right by the turns `again`."""
    again = [move(at_s, size)] if again is None else again
    moves = [move(14, 30.0), *again]
    return take(strings={"D4": {"moves": moves, "slipped_cents": size, "at_s": 58.0}})


SHARES = ["final_pitch", "order", "sounding", "small_moves", "final_check"]


@pytest.mark.parametrize(
    "measured",
    [
        slipped(),
        slipped(again=[move(40, 30.0, sounding=False)]),  # put right in silence
        slipped(150.0),  # in one go
        slipped(60.0, again=[move(40, 25.0, -35.0), move(42, 35.0)]),  # in two
        slipped(at_s=56.0),  # after the others were checked
    ],
)
def test_what_slipped_and_was_put_right_costs_nothing_anywhere(measured):
    record = grade(measured)
    assert [row(record, one)["points"] for one in SHARES] == [4, 1, 1, 1, 1]
    assert all(item["lost"] == 0 for one in SHARES for item in row(record, one)["evidence"])
    assert "slipping_peg" in [seen["code"] for seen in record["observations"]]


def left_slipped(name="D4", fall=27.0, **more):
    """A string that was set, and fell by itself before it was bowed at the end."""
    fields = {"cents": -fall, "moves": [move(14, 30.0)], "slipped_cents": fall, "at_s": 48.0}
    return {"strings": {name: fields, **more.pop("others", {})}, **more}


def test_a_slip_that_was_left_is_one_question_and_no_lost_point():
    record = grade(take(**left_slipped()))
    assert [row(record, one)["points"] for one in SHARES] == [3, 1, 1, 1, 1]
    assert row(record, "final_pitch")["open"] == 1
    items = row(record, "final_pitch")["evidence"]
    assert [(i["code"], i["lost"]) for i in items] == [("string_out", 0), ("slipped_left", 0)]
    (told,) = record["problems"]
    assert (told["code"], told["string"], told["criteria"]) == ("slipped_left", "D4",
                                                                ["final_pitch"])  # fmt: skip
    assert told["message"] == (
        "D4 slipped 27 cents at 0:48 and was left there: D4 had been in tune, and is out."
    )
    assert told["end_s"] > told["at_s"]
    assert record["status"] == "graded"  # all of it was heard: it is hers to decide
    assert record["next_step"]["text"].startswith("Gently push the peg of your D string in")
    assert care_list([record])[0]["code"] == "slipping_peg"
    done = grade(take(**left_slipped()), marks={"final_pitch": 4})
    assert (row(done, "final_pitch")["points"], done["problems"]) == (4, [])


PAIRS = {("E5", "A4"): 0.0, ("A4", "D4"): 0.0, ("D4", "G3"): 0.0}


@pytest.mark.parametrize(
    ("described", "reference", "left_open"),
    [
        # String against string, the two never sounded at once: D fell after G was tuned to it, so
        # that both its intervals are out. G's own pitch fits A (one fault costs once).
        (left_slipped(cents={"G3": -3.9, "E5": 2.0}), {"method": "string_to_string"}, ["D4"]),
        # By ear, no A sounded: the others were tuned to an A that fell afterwards.
        (left_slipped("A4"), {"method": "by_ear"}, ["E5", "D4", "G3"]),
        (left_slipped("A4", others={"G3": {"cents": -60.0}}), {"method": "by_ear"}, ["E5", "D4"]),
        # A range: the student's own A counts, as she had set it.
        (
            left_slipped("A4", 20.0, cents={"E5": 6.0, "D4": 6.0, "G3": 6.0}),
            {"a4_hz": 440.0, "a4_most_hz": 442.0},
            ["A4"],
        ),
    ],
)
def test_what_hangs_on_a_string_that_slipped_loses_nothing_either(described, reference, left_open):
    measured = take(**described)
    if "a4_most_hz" in reference:
        measured["strings"]["A4"]["moves"][0]["to_cents"] = 6.0
        measured["strings"]["A4"].update(deviation_cents=-14.0, slipped_cents=20.0)
    record = grade(measured, reference=reference)
    asked = {p["string"] for p in record["problems"] if p["code"] == "slipped_left"}
    assert asked == set(left_open)
    lost = {item["string"] for item in row(record, "final_pitch")["evidence"] if item["lost"]}
    assert lost == ({"G3"} if "G3" in described["strings"] else set())


def test_two_strings_sounded_before_one_of_them_slipped_tell_how_it_was_set():
    measured = take(**left_slipped(pairs=PAIRS, cents={"E5": 1.955, "G3": -3.91}))
    for place, one in enumerate(measured["intervals"]):
        one["at_s"] = 36.0 + place
    measured["strings"]["D4"]["settled_s"] = 15.6
    measured["strings"]["D4"]["changes"] = [
        {"start_s": 40.0, "end_s": 48.0, "from_cents": -1.955, "to_cents": -27.0, "cause": "slip"}
    ]
    record = grade(measured, reference={"method": "string_to_string"})
    codes = {p["code"] for p in record["problems"]}
    assert not any(item["lost"] for item in row(record, "final_pitch")["evidence"])
    assert codes <= {"slipped_left", "pitch_contradicts"}


def test_the_whole_instrument_loses_nothing_by_a_slip():
    """Two strings fell far, two stand: their middle is out, and was not before."""
    fields = {"moves": [move(14, 30.0)], "slipped_cents": 30.0, "cents": -30.0}
    rubric = {"title": "", "criteria": [{"id": "it", "title": "It", "points": 2,
                                         "kind": "whole_pitch"}]}  # fmt: skip
    record = grade(take(strings={"D4": dict(fields), "G3": dict(fields)}), rubric=rubric)
    assert (row(record, "it")["points"], row(record, "it")["open"]) == (None, 2)
    assert [p["code"] for p in record["problems"]] == ["slipped_left"]


def test_turns_after_a_slip_was_put_right_count_again():
    again = [move(40, 30.0), move(44, 60.0, 60.0, sounding=False), move(47, -60.0)]
    assert points(slipped(again=again), "sounding") == (0.75, 0)


def test_the_care_list_says_every_time_a_string_slipped():
    moves = [move(14, 30.0), move(40, 30.0), move(50, 30.0)]
    record = grade(take(strings={"D4": {"moves": moves, "slipped_cents": 30.0, "at_s": 58.0}}))
    (entry,) = [one for one in care_list([record]) if one["code"] == "slipping_peg"]
    slips = [c for c in record["strings"]["D4"]["own_changes"] if c["cause"] == "slip"]
    assert len(slips) == 2
    assert entry["times"] == "0:40, 0:50"
