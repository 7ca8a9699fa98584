"""Observations beside the grade: on and beside their thresholds, and never graded."""

import pytest

from pegmark.publish.maintenance import LOOK_AT
from takes import grade, move, row, take

FOUR = ("E5", "A4", "D4", "G3")


def seen(measured, **changes):
    """(code, string) of what was observed, in its order."""
    return [(o["code"], o["string"]) for o in grade(measured, **changes)["observations"]]


def test_a_good_take_has_nothing_to_say():
    assert seen(take()) == []


def zigzag(far, times):
    """Turns that go past the note by `far` cents, so many times, and then land on it."""
    ends = [(-1) ** k * far for k in range(times)]
    starts = [-30.0, *ends]
    return [move(20 + 2 * k, to - start, to)
            for k, (start, to) in enumerate(zip(starts, [*ends, 0.0], strict=True))]  # fmt: skip


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"drift_cents": 20.0}, []),
        ({"drift_cents": 20.5}, ["false_string"]),
        ({"drift_cents": -25.0}, ["false_string"]),
        ({"drift_cents": None}, []),
        ({"slipped_cents": 4.9}, []),
        ({"slipped_cents": 5.0}, ["slipping_peg"]),
        ({"slipped_cents": 18.0}, ["slipping_peg"]),
        ({"start_cents": 50.0, "moves": [move(20, -50.0)]}, []),
        ({"start_cents": 80.0, "moves": [move(20, -80.0)]}, []),  # found so, and turned down
        ({"moves": [move(20, 80.0, 50.8), move(22, -50.8)]}, []),
        ({"moves": [move(20, 80.0, 51.0), move(22, -51.0)]}, ["went_far_above"]),
        ({"cents": 50.8}, []),  # 0.8 cents more or less
        ({"cents": 50.9}, ["far_above"]),
        ({"cents": 50.9, "moves": [move(20, 80.0, 70.0), move(22, -19.1, 50.9)]}, ["far_above"]),
        ({"start_cents": -299.0, "moves": []}, []),
        ({"start_cents": -300.0, "moves": []}, ["string_changed"]),
        ({"moves": [move(20, 30), move(22, -30), move(24, 30)]}, []),
        ({"moves": zigzag(3.0, 3)}, []),  # back and forth inside the tolerance
        ({"moves": zigzag(9.0, 2)}, []),
        ({"moves": zigzag(9.0, 3)}, ["went_past"]),
        ({"moves": [move(20, 9), move(22, 9), move(24, 9), move(26, 9)]}, []),
        # Where it was left is not where it was set: the others pulled it, down or up.
        ({"cents": -3.0, "moves": [move(14, 30, 4.0)]}, []),  # pulled, and still in tune
        ({"cents": -7.0, "moves": [move(14, 30, 2.0)]}, ["pulled"]),
        ({"cents": 9.0, "moves": [move(14, 30, 2.0)]}, ["pulled"]),
        ({"cents": -9.0, "moves": [move(14, 30, -4.0)]}, []),  # was not in tune before either
        ({"cents": -9.0, "moves": [move(14, 30, -4.5)]}, []),  # less than a change
        ({"cents": -12.0, "slipped_cents": 12.0, "moves": [move(14, 30, 0.0)]}, ["slipping_peg"]),
    ],
)
def test_one_string(fields, expected):
    assert seen(take(strings={"D4": fields})) == [(code, "D4") for code in expected]


def test_low_strings_may_glide_further():
    """A loud bass string starts up to 40 cents sharp and is sound (design, section 6)."""
    assert seen(take("double bass", strings={"E1": {"drift_cents": 45.0}})) == []
    assert seen(take("double bass", strings={"E1": {"drift_cents": 45.5}})) == [
        ("false_string", "E1")
    ]


@pytest.mark.parametrize(
    ("depths", "expected"),
    [
        ([10.5, 10.5], ["beating_string"]),
        ([10.0, 10.0], []),  # on the threshold
        ([10.5], []),  # one is a finger, or another string ringing on
        ([10.5, None, 10.5, None], ["beating_string"]),  # short ones tell nothing
        ([10.5, 10.5, 2.0, 2.0], ["beating_string"]),
        ([10.5, 10.5, 2.0, 2.0, 2.0], []),
    ],
)
def test_a_string_whose_partials_beat(depths, expected):
    measured = take()
    like = next(n for n in measured["notes"] if n["string"] == "D4" and n["kind"] == "plucked")
    for place, depth in enumerate(depths):
        start_s = 50.0 + place
        measured["notes"].append(
            {**like, "start_s": start_s, "end_s": start_s + 0.9, "beating_db": depth}
        )
    assert seen(measured) == [(code, "D4") for code in expected]


def test_far_above_says_how_much_and_when():
    measured = take(strings={"E5": {"moves": [move(20, 80.0, 60.0), move(22, -60.0)]}})
    (found,) = grade(measured)["observations"]
    assert (
        found["text"]
        == "Your E string went 60 cents too high at 0:20. A string can break like that, so stop "
        "sooner."
    )
    assert found["at_s"] == pytest.approx(20.8)


@pytest.mark.parametrize(
    ("cents", "expected"),
    [
        ([7.9, 7.9, 7.9, 7.9], "another_a"),
        ([-8.0, -7.0, -9.0, -8.5], "another_a"),
        ([-101.0, -101.5, -100.8, -102.0], "another_a"),  # an A of 415 Hz
        ([3.0, 3.0, 3.0, 3.0], None),
        ([12.0, 25.0, 9.0, 18.0], "whole_sharp"),
        ([-12.0, -25.0, -9.0, -18.0], "whole_flat"),
        ([12.0, 25.0, -9.0, 18.0], None),
        ([-12.0, -25.0, -9.0, -6.0], None),  # G within 3 cents of its pure pitch is in tune
        ([12.0, 25.0, 0.0, 18.0], None),
    ],
)
def test_the_whole_instrument(cents, expected):
    measured = take(cents=dict(zip(FOUR, cents, strict=True)))
    whole = [code for code, string in seen(measured) if string is None]
    assert whole == ([expected] if expected else [])


def test_another_a_is_named_and_the_grade_follows_the_assignments():
    """442 Hz is 7.851 cents above 440 (design, section 5; calculated)."""
    record = grade(take(cents=dict.fromkeys(FOUR, 7.851)))
    assert (
        record["observations"][0]["text"] == "Your strings match an A of 442 hertz. We tune to 440."
    )
    assert row(record, "final_pitch")["points"] == 2  # all four close
    assert seen(take(cents=dict.fromkeys(FOUR, 7.851)), reference={"a4_hz": 442.0}) == []


@pytest.mark.parametrize(
    ("tone_hz", "expected"),
    [
        (440.0, ["way_by_ear"]), (440.7, ["way_by_ear"]), (392.0, []),
        (442.0, ["tone_other_a"]), (221.0, ["tone_other_a"]),
    ],
)  # fmt: skip
def test_a_sounded_a_that_is_another(tone_hz, expected):
    assert [code for code, _ in seen(take(tone_hz=tone_hz))] == expected


def test_by_ear_the_sounded_a_counts():
    """Tuned to a sounded 442: the tone is told, and the strings that fit it are not."""
    at_442 = take(cents=dict.fromkeys(FOUR, 7.851), tone_hz=442.0)
    by_ear = {"method": "by_ear"}
    assert [code for code, _ in seen(at_442, reference=by_ear)] == ["tone_other_a"]
    at_440 = take(tone_hz=442.0)
    record = grade(at_440, reference=by_ear)
    assert [o["code"] for o in record["observations"]] == ["another_a_heard", "tone_other_a"]
    text = record["observations"][0]["text"]
    assert text == "Your strings match an A of 440 hertz. The A you heard was 442."


def test_harmonics_are_told_where_an_open_string_is_missing():
    measured = take(strings={"G3": {"heard": "not_heard"}})
    harmonic = {**measured["notes"][0], "kind": "harmonic", "start_s": 30.0, "end_s": 31.0}
    measured["notes"].append(harmonic)
    assert ("harmonics", None) in seen(measured)
    whole = take()
    whole["notes"].append(harmonic)
    assert seen(whole) == []


def test_a_string_not_told_apart_is_not_observed():
    unsure = {"heard": "unsure", "start_cents": 400.0, "moves": []}
    assert seen(take(strings={"D4": unsure})) == []


def test_observations_cost_nothing():
    tired = {"drift_cents": 60.0, "slipped_cents": 30.0, "start_cents": 90.0}
    assert grade(take(strings={"D4": tired}))["score"] == grade()["score"]


def test_what_harms_comes_first():
    measured = take(strings={"G3": {"drift_cents": 60.0}, "E5": {"cents": 90.0}})
    assert [code for code, _ in seen(measured)] == ["far_above", "false_string"]


def test_the_care_list_knows_the_codes():
    """The list of instruments to look at goes by these codes."""
    assert set(LOOK_AT) == {
        "far_above", "slipping_peg", "false_string", "beating_string", "string_changed",
    }  # fmt: skip


def test_the_path_of_a_string_is_counted():
    moves = [move(20, 30, sounding=False), move(22, -12), move(25, 12)]
    state = grade(take(strings={"D4": {"moves": moves, "settled_s": 25.8}}))["strings"]["D4"]
    assert (state["reversals"], state["silent_moves"]) == (2, 1)
    assert state["settle_s"] == pytest.approx(5.8)


# Two strings against each other


@pytest.mark.parametrize(
    ("cents", "beats"),
    [
        # |3 f(A) - 2 f(E)|, from A 440.5719 and E 658.4939 Hz (design, section 5; calculated).
        ({"A4": 2.25, "E5": -2.0}, "five quick waves each second"),  # 4.7
        ({"A4": 0.0, "E5": 0.0}, None),  # an equal-tempered fifth is as narrow as it should be
        ({"A4": 1.0, "E5": -1.0}, None),
        ({"A4": 2.9, "E5": 2.9}, None),  # both high, and together
        ({"A4": 9.0, "E5": -9.0}, None),  # not in tune: that is said of each
    ],
)
def test_two_strings_in_tune_that_lean_away_from_each_other(cents, beats):
    strings = {name: {"cents": c, "uncertainty": 0.1} for name, c in cents.items()}
    record = grade(take(strings=strings))
    seen = [o for o in record["observations"] if o["code"] == "against_each_other"]
    assert len(seen) == (beats is not None)
    if beats:
        assert f"they make {beats}." in seen[0]["text"]
        assert row(record, "final_pitch")["points"] == 4  # told, not graded


# Another way than the task's


def both(low, high, start_s):
    """Two strings under one bow, as a measured note."""
    (note,) = [n for n in take()["notes"] if n["string"] == low][:1]
    return {**note, "kind": "two_strings", "string_2": high, "start_s": start_s,
            "end_s": start_s + 2.0, "f0_2_hz": 1.5 * note["f0_hz"], "interval_cents": 0.0,
            "beats_hz": 0.0}  # fmt: skip


PAIRED = [both("A4", "E5", 13.5), both("D4", "A4", 20.5), both("G3", "D4", 27.5)]


@pytest.mark.parametrize(
    ("method", "tone_hz", "pairs", "expected"),
    [
        ("tuner", None, [], []),
        ("tuner", 440.0, [], ["way_by_ear"]),
        ("tuner", None, PAIRED, ["way_string_to_string"]),
        ("tuner", None, PAIRED[:1], []),  # a bow that slid over
        ("tuner", None, [{**p, "start_s": 60.0, "end_s": 62.0} for p in PAIRED], []),  # a check
        ("by_ear", 440.0, [], []),
        ("by_ear", 440.0, PAIRED, []),  # A by ear, then in fifths
        ("by_ear", None, PAIRED, ["way_string_to_string"]),
        ("by_ear", None, [], []),  # the A itself is asked about
        ("string_to_string", None, PAIRED, []),
        ("string_to_string", 440.0, PAIRED[:1], []),
        ("string_to_string", None, [], ["way_apart"]),
    ],
)
def test_another_way_is_pointed_out_and_costs_nothing(method, tone_hz, pairs, expected):
    measured = take(**({"tone_hz": tone_hz} if tone_hz else {}))
    measured["notes"] = sorted([*measured["notes"], *pairs], key=lambda note: note["start_s"])
    record = grade(measured, reference={"method": method})
    found = [o for o in record["observations"] if o["code"].startswith("way_")]
    assert [o["code"] for o in found] == expected
    assert all("This costs you nothing." in o["text"] for o in found)
    plain = grade(take(**({"tone_hz": tone_hz} if tone_hz else {})), reference={"method": method})
    assert record["score"]["total"] == plain["score"]["total"]
    assert record["status"] == plain["status"]
