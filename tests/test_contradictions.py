"""No two sentences of one sheet deny each other: 5,000 random takes, read against each other.

What a sentence claims is said here by its code: nothing of the grading is asked.
"""

import random

import pytest

from odd_takes import drawn_take, odd_rubric, odd_take
from takes import RUBRIC, grade

TAKES, PARTS = 5000, 25

UNTURNED = {"already_in_tune", "no_turns"}
TURNED = {
    "order_first", "order_next", "order_good", "sounding_good", "sounding_up", "silent_move",
    "moves_good", "large_move", "only_down", "turns_for_you", "not_checked", "no_bowed_check",
    "went_past", "went_far_above",
}  # fmt: skip
OFF = {"string_close", "string_out", "interval_close", "interval_out"}
UNKNOWN = {
    "string_not_heard", "which_string", "pitch_unsure", "interval_unsure", "fell_far",
    "pitch_contradicts", "no_a_heard", "no_a_sounded", "neighbour_unsure",
}  # fmt: skip
# Of the whole take: where one is said, none of the others may be.
NEVER_TOGETHER = [
    (UNTURNED, TURNED),
    ({"already_in_tune", "all_in_tune"}, OFF | UNKNOWN),
    ({"all_in_tune"}, {"whole_sharp", "whole_flat", "far_above", "string_changed_left"}),
    ({"check_good", "check_mostly"}, {"not_checked", "no_bowed_check", "never_checked"}),
    ({"check_good", "check_mostly"}, {"check_unsure", "string_not_heard"}),
    ({"sounding_good", "sounding_up"}, {"silent_move", "turns_for_you", "sounding_mostly"}),
    ({"moves_good", "only_down"}, {"large_move", "turns_for_you_moves", "moves_mostly"}),
    ({"only_down"}, {"moves_good", "moves_mostly"}),
    ({"order_good"}, {"order_first", "order_next", "order_unsure", "order_free"}),
    ({"whole_good"}, {"whole_off", "whole_apart", "whole_sharp", "whole_flat"}),
    ({"whole_sharp"}, {"whole_flat"}),
    ({"counted_from", "method_by_ear"}, {"no_a_sounded", "method_by_ear_unheard"}),
    ({"method_string_to_string"}, {"method_string_to_string_unheard"}),
]
# Of one string: the same.
NEVER_OF_A_STRING = [
    ({"string_not_heard"}, OFF | {"silent_move", "large_move", "pulled", "order_first",
                                  "order_next", "in_tune_pure_low", "in_tune_pure_high",
                                  "against_each_other"}),
    ({"in_tune_pure_low", "in_tune_pure_high"}, OFF | UNKNOWN | {"pulled", "far_above"}),
    ({"against_each_other"}, OFF | UNKNOWN),
    (OFF, UNKNOWN),
    ({"string_close", "interval_close"}, {"string_out", "interval_out"}),
    ({"string_low"}, {"far_above"}),
    ({"string_high"}, {"string_changed_left"}),
]  # fmt: skip


def said(record):
    """(code, string, item) of every sentence of a sheet."""
    for row in record["score"]["criteria"]:
        for item in row["evidence"]:
            yield item["code"], item["string"], item
    for item in record["observations"]:
        yield item["code"], item["string"], item


def contradictions(record):
    """Every pair of sentences that cannot both be true, and what a sentence says of the points."""
    whole, by_string = {}, {}
    for code, string, item in said(record):
        whole.setdefault(code, item)
        by_string.setdefault(string, {}).setdefault(code, item)
    for one, other in NEVER_TOGETHER:
        if one & set(whole) and other & set(whole):
            yield sorted(one & set(whole)), sorted(other & set(whole))
    for string, codes in by_string.items():
        for one, other in NEVER_OF_A_STRING:
            if string and one & set(codes) and other & set(codes):
                yield string, sorted(one & set(codes)), sorted(other & set(codes))
    yield from _of_the_record(record, whole)
    yield from _of_the_points(record)


def _of_the_record(record, whole):
    """Sentences against the record beside them: what was tuned first, and what slipped."""
    order, strings = record["order"], record["strings"]
    for name, string in strings.items():
        turned = any(move["sure"] for move in string["moves"])
        if (string["tuned_as"] is not None) != turned or (name in order) != turned:
            yield name, "tuned_as", string["tuned_as"]
    for code in ("order_first", "order_next"):
        if code in whole and whole[code]["string"] not in order:
            yield code, whole[code]["string"], order
    if "slipped_left" in whole and "slipping_peg" not in whole:
        yield "slipped_left", None, None
    left_so = {string for code, string, _ in said(record) if code == "slipped_left"}
    for code, string, item in said(record):
        free = "costs you nothing" in item["text"] or "no te quita nada" in item["text"]
        if code == "slipping_peg" and free and string in left_so:
            yield code, string, item["text"]
    step = record["next_step"]
    if step and step["code"] in ("string_high", "string_low"):
        wrong = "string_low" if step["code"] == "string_high" else "string_high"
        off = [s["judged"]["cents"] for s in strings.values() if s["verdict"] in ("close", "out")]
        sign = 1 if step["code"] == "string_high" else -1
        if not any(cents is not None and cents * sign > 0 for cents in off):
            yield step["code"], wrong, off


def _of_the_points(record):
    """What is said to cost nothing costs nothing; praise stands where nothing was lost."""
    good = {"all_in_tune", "order_good", "order_free", "order_unsure", "sounding_good",
            "sounding_up", "sounding_mostly", "moves_good", "moves_mostly", "only_down",
            "check_good", "check_mostly", "whole_good"}  # fmt: skip
    lost_any = False
    for row in record["score"]["criteria"]:
        codes = {item["code"] for item in row["evidence"]}
        lost = row["of"] - (row["points"] or 0) - row["open"]
        lost_any |= lost > 0.01
        if codes & good and lost > 0.01 and row["kind"] != "final_pitch":
            yield row["id"], sorted(codes), lost
        for item in row["evidence"]:
            if item["lost"] and item["code"] in good | {"slipped_left", "turns_for_you"}:
                yield row["id"], item["code"], item["lost"]
    if record["next_step"] and record["next_step"]["code"].startswith("challenge") and lost_any:
        yield "challenge", None, None


@pytest.mark.parametrize("part", range(PARTS))
def test_no_sentence_of_a_sheet_denies_another(part):
    for seed in range(part * TAKES // PARTS, (part + 1) * TAKES // PARTS):
        draw = random.Random(seed)
        reference = {
            "method": draw.choice(["tuner", "tuner", "by_ear", "string_to_string"]),
            "temperament": draw.choice(["equal", "equal", "pure"]),
            "a4_hz": draw.choice([440.0, 440.0, 442.0, 415.0]),
        }
        if draw.random() < 0.2:
            reference["a4_most_hz"] = reference["a4_hz"] + 3
        measured = odd_take(draw) if draw.random() < 0.3 else drawn_take(draw)
        rubric = odd_rubric(draw) if draw.random() < 0.5 else RUBRIC
        language = draw.choice(["en", "es"])
        record = grade(measured, rubric=rubric, reference=reference, language=language)
        found = list(contradictions(record))
        assert found == [], (seed, found, [item["text"] for _, _, item in said(record)])


def test_the_reader_finds_what_is_wrong():
    """A sheet made to deny itself is caught."""
    record = grade()
    record["score"]["criteria"][0]["evidence"].append(
        {"code": "no_turns", "string": None, "lost": 0, "text": "We did not hear you turn a peg."}
    )
    assert list(contradictions(record))
