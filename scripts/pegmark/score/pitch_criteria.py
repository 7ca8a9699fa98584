"""Criteria of pitch: how every string was left, the whole instrument, the way of tuning."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pegmark.score.feedback import evidence
from pegmark.score.finding import Finding, Take, left_open
from pegmark.score.review_reasons import LEVEL_WORDS, Doubt
from pegmark.score.verdicts import Judgement, judge, neighbour_of
from pegmark.settings.rubric import setting
from pegmark.trade.targets import distance_to_span
from pegmark.trade.tolerances import LEVELS, Tolerance

if TYPE_CHECKING:
    from pegmark.records.student import Evidence

# So many strings that two instruments share, and nothing else, may be either of them.
OTHERS_HEARD = 2


def final_pitch(take: Take, criterion: dict[str, Any]) -> Finding:
    """Every string has an equal share of the points, by its verdict.

    A string that fell by itself and was left so loses nothing: where it had stood better, the
    teacher decides.
    """
    levels = setting(criterion, "levels")
    share = criterion["points"] / len(take.frame.instrument.strings)
    finding = Finding(0.0)
    for name, judgement in take.judgements.items():
        if take.blamed(name) is not None:
            finding.open += share
            finding.doubts.append(_slip_doubt(take, name))
            finding.evidence += _left_slipped(take, name, judgement)
            continue
        if judgement.verdict not in LEVELS:
            finding.open += share
            finding.doubts.append(_told(take, name, _string_doubt(name, judgement)))
            finding.evidence.append(_unknown_string(take, name, judgement))
            continue
        earned = share * levels[judgement.verdict]
        finding.points += earned
        finding.evidence += _why(take, name, judgement, share - earned)
        finding.close_call |= judgement.close_call
    if all(one.verdict == "in_tune" for one in take.judgements.values()):
        finding.evidence.insert(0, evidence(take.voice, "all_in_tune"))
    if take.heard_a is not None and (finding.points or finding.open < criterion["points"]):
        hertz, at_s = take.heard_a.hertz, take.heard_a.at_s
        finding.evidence.append(evidence(take.voice, "counted_from", at_s, hertz=hertz))
    return finding


def _why(take: Take, name: str, judgement: Judgement, lost: float) -> list[Evidence]:
    """What is said of a string with a verdict: why it lost points, or why it did not."""
    if judgement.verdict != "in_tune":
        return [_off_string(take, name, judgement, lost)]
    return _pure_string(take, name, judgement)


def _left_slipped(take: Take, name: str, judgement: Judgement) -> list[Evidence]:
    """What is said of a string that a slip left worse than it had been set."""
    blamed = take.blamed(name) or name
    slip = take.slips[blamed]
    said = evidence(take.voice, "slipped_left", slip.end_s, blamed, cents=slip.cents)
    return [_off_string(take, name, judgement, 0.0), {**said, "string": name}]


def _slip_doubt(take: Take, name: str) -> Doubt:
    blamed = take.blamed(name) or name
    slip, judgement = take.slips[blamed], take.judgements[name]
    end_s = judgement.passage[1] if judgement.passage else None
    fields = (
        ("slipped", blamed),
        ("down", abs(slip.cents)),
        ("before", LEVEL_WORDS[judgement.before_slip or judgement.verdict]),
        ("left", LEVEL_WORDS[judgement.verdict]),
    )
    return Doubt("slipped_left", name, slip.end_s, end_s, fields)


def _pure_string(take: Take, name: str, judgement: Judgement) -> list[Evidence]:
    """That a string is in tune by its pure place, where that is what makes it in tune."""
    if judgement.against == "neighbour" or judgement.off_cents is None:
        return []
    pure = take.frame.pure_cents(name)
    equal_off = judgement.off_cents + (pure if take.frame.temperament == "pure" else 0.0)
    decided = abs(equal_off) > take.frame.tolerances[name].in_tune and equal_off * pure > 0
    if not decided:
        return []
    code = "in_tune_pure_low" if pure < 0 else "in_tune_pure_high"
    return [evidence(take.voice, code, judgement.at_s, name)]


def _off_string(take: Take, name: str, judgement: Judgement, lost: float) -> Evidence:
    assert judgement.cents is not None
    if judgement.against == "neighbour":
        higher = list(take.strings).index(name) < list(take.strings).index(
            judgement.neighbour or name
        )
        return evidence(
            take.voice,
            f"interval_{judgement.verdict}",
            judgement.at_s,
            name,
            lost,
            passage=judgement.passage,
            beside=judgement.beside,
            other=judgement.neighbour,
            cents=judgement.cents,
            width=judgement.cents if higher else -judgement.cents,
            beats=_beats(take, name, judgement),
        )
    return evidence(
        take.voice,
        f"string_{judgement.verdict}",
        judgement.at_s,
        name,
        lost,
        passage=judgement.passage,
        cents=judgement.off_cents,
        direction=judgement.cents,
    )


def _beats(take: Take, name: str, judgement: Judgement) -> float:
    """Waves a second of a string and its neighbour where they are so far from pure.

    Of the partials that meet in a pure fifth (3:2) or fourth (4:3).
    """
    string = take.strings[name]
    own_hz = string["f0_hz"] or string["target_hz"]
    higher = list(take.strings).index(name) < list(take.strings).index(judgement.neighbour or name)
    fifth = take.frame.instrument.interval == 7
    meets = (2 if higher else 3) if fifth else (3 if higher else 4)
    assert judgement.cents is not None
    return float(meets * own_hz * abs(1 - 2 ** (-judgement.cents / 1200)))


def _unknown_string(take: Take, name: str, judgement: Judgement) -> Evidence:
    doubt = _string_doubt(name, judgement)
    return evidence(
        take.voice,
        doubt.code,
        doubt.at_s,
        name,
        passage=judgement.passage,
        beside=judgement.beside,
        other=judgement.neighbour,
    )


def _check_passage(take: Take) -> tuple[float | None, float | None]:
    """Where every string is played once more: from the last turn to the end of the last note."""
    ends = [note["end_s"] for note in take.notes if note["string"] in take.strings]
    starts = [note["start_s"] for note in take.notes if note["string"] in take.strings]
    if not ends:
        return None, None
    return (min(starts) if take.last_turn_s is None else take.last_turn_s), max(ends)


def _told(take: Take, name: str, doubt: Doubt) -> Doubt:
    """A doubt with where to listen for a string that was not heard, and with the instrument whose
    strings would fit, where it is about one that this has and that has not."""
    if doubt.end_s is None:
        start_s, end_s = _check_passage(take)
        doubt = replace(doubt, at_s=start_s, end_s=end_s)
    others = {one for one, string in take.strings.items() if string["heard"] == "heard"} - {name}
    if len(others) < OTHERS_HEARD:
        return doubt
    for instrument, strings in take.frame.instrument.usual.items():
        if name not in strings and others <= set(strings):
            return replace(doubt, fields=(*doubt.fields, ("other_instrument", instrument)))
    return doubt


def _string_doubt(name: str, judgement: Judgement) -> Doubt:
    """Why a string has no verdict."""
    if judgement.verdict == "not_heard":
        return Doubt("string_not_heard", name)
    codes = {
        "wide": "pitch_unsure",
        "fell": "fell_far",
        "far": "far_off",
        "contradiction": "pitch_contradicts",
        "no_a": "no_a_heard",
        "no_a_sounded": "no_a_sounded",
        "no_neighbour": "neighbour_unsure",
    }
    code = codes.get(judgement.reason or "", "which_string")
    if code == "pitch_unsure" and judgement.against == "neighbour":
        code = "interval_unsure"
    fields = (
        ("cents", judgement.off_cents),
        ("half", judgement.uncertainty_cents),
        ("other", judgement.neighbour),
    )
    end_s = judgement.passage[1] if judgement.passage else None
    return Doubt(code, name, judgement.at_s, end_s, fields)


def method_used(take: Take, criterion: dict[str, Any]) -> Finding:
    """The assignment's way of tuning could be heard.

    by_ear: a sounded A; string_to_string: every pair of neighbours sounded together. A tone may be
    in the student's earphones: what was not heard is the teacher's to settle, unless the rubric
    says `unheard: lost`. A tuner makes no sound at all: those points are always hers to give.
    """
    method = take.frame.method
    if method == "by_ear":
        if take.tone is not None:
            item = evidence(take.voice, "method_by_ear", take.tone.at_s)
            return Finding(criterion["points"], evidence=[item])
    elif method == "string_to_string":
        heard = {frozenset((i["string"], i["string_2"])) for i in take.intervals}
        a_name = take.frame.a_string
        pairs = [(name, neighbour_of(name, take.frame)) for name in take.strings if name != a_name]
        if all(frozenset(pair) in heard for pair in pairs):
            item = evidence(take.voice, "method_string_to_string")
            return Finding(criterion["points"], evidence=[item])
    if method == "tuner":
        return left_open(take, criterion, "method_open", [])
    if setting(criterion, "unheard") == "lost":
        points = criterion["points"] * setting(criterion, "levels")["unheard"]
        lost = criterion["points"] - points
        item = evidence(take.voice, f"method_{method}_unheard", lost=lost)
        return Finding(points, evidence=[item])
    return left_open(take, criterion, "method_open", [Doubt("method_unheard")])


def whole_pitch(take: Take, criterion: dict[str, Any]) -> Finding:
    """The pitch of the whole instrument: how far its strings stand from the assignment's A.

    That is the median of their distances, each to where its string may stand (`judge`); by ear,
    what counts is the A that was sounded. Distances and not deviations: one string too high makes
    no other one right that is too low.
    """
    unknown = [
        _string_doubt(name, judgement)
        for name, judgement in take.judgements.items()
        if judgement.verdict == "not_heard" or judgement.reason == "string"
    ]
    if unknown:
        return left_open(take, criterion, "whole_open", unknown)
    off = _distances(take, {})
    cents, half, widest = _middle(take, off)
    verdict, close_call = judge(cents, half, (0.0, 0.0), widest)
    if _worse_by_slips(take, verdict):
        slipped = next(iter(take.slips))
        return left_open(take, criterion, "whole_open", [_slip_doubt(take, slipped)])
    if verdict == "unsure":
        return left_open(take, criterion, "whole_open", [Doubt("whole_unsure")])
    if verdict == "in_tune":
        good = evidence(take.voice, "whole_good")
        return Finding(criterion["points"], evidence=[good], close_call=close_call)
    points = criterion["points"] * setting(criterion, "levels")[verdict]
    apart = min(off.values()) < -widest.in_tune and max(off.values()) > widest.in_tune
    furthest = max(off, key=lambda name: abs(off[name]))
    item = evidence(
        take.voice,
        "whole_apart" if apart else "whole_off",
        take.strings[furthest]["at_s"],
        lost=criterion["points"] - points,
        passage=take.judgements[furthest].passage,
        cents=cents,
        direction=off[furthest],
    )
    return Finding(points, evidence=[item], close_call=close_call)


def _distances(take: Take, instead: dict[str, float]) -> dict[str, float]:
    """How far every string stands from where it may, in cents; `instead` of as it was left."""
    left = {name: string["deviation_cents"] for name, string in take.strings.items()}
    known = {name: cents for name, cents in left.items() if cents is not None} | instead
    return {
        name: distance_to_span(known[name] - take.base_cents, take.frame.span(name))
        for name in take.strings
    }


def _middle(take: Take, off: dict[str, float]) -> tuple[float, float, Tolerance]:
    """The middle distance with its half-width, and the widest tolerance of the strings."""
    half = statistics.median(take.halves.values())
    if take.heard_a:
        half = math.hypot(half, take.heard_a.uncertainty_cents)
    widest = max(take.frame.tolerances.values(), key=lambda tolerance: tolerance.in_tune)
    return statistics.median(map(abs, off.values())), half, widest


def _worse_by_slips(take: Take, verdict: str) -> bool:
    """Whether the whole stands worse only because strings slipped and were left so."""
    if not take.slips or verdict not in LEVELS:
        return False
    stood = {name: slip.from_cents - take.frame.shift(name) for name, slip in take.slips.items()}
    cents, half, widest = _middle(take, _distances(take, stood))
    before, _ = judge(cents, half, (0.0, 0.0), widest)
    return before in LEVELS[: LEVELS.index(verdict)]
