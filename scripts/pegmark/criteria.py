"""The measured kinds of criteria: one function per kind, from a judged take to points.

Each function takes a `Take` and one criterion of the rubric and gives a `Finding`: the points
that are sure, the points that stay open, the evidence for both, and the doubts a teacher has to
settle. Every point lost carries evidence (what, how much, at which second).

The thresholds in the rubric are common practice, no source.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pegmark.doubts import Doubt
from pegmark.feedback import Voice, evidence
from pegmark.judge import Frame, Judgement, Tolerance, hear_a, judge, neighbour_of
from pegmark.rubric import setting


@dataclass(frozen=True)
class Take:
    """A judged take: strings, notes and intervals in the record's form, and the judgements."""

    frame: Frame
    judgements: dict[str, Judgement]
    strings: dict[str, dict[str, Any]]
    notes: list[dict[str, Any]]
    intervals: list[dict[str, Any]]
    order: list[str]
    last_turn_s: float | None
    voice: Voice
    unnamed: list[dict[str, Any]] = field(default_factory=list)  # notes that may be any string


@dataclass
class Finding:
    """What one criterion earned."""

    points: float
    open: float = 0.0
    evidence: list[dict[str, Any]] = field(default_factory=list)
    close_call: bool = False
    doubts: list[Doubt] = field(default_factory=list)


def size(move: dict[str, Any]) -> float:
    """The size of a move in cents, upward positive."""
    return float(move["to_cents"] - move["from_cents"])


def find(take: Take, criterion: dict[str, Any]) -> Finding:
    """The finding of one criterion of a measured kind."""
    return KINDS[criterion["kind"]](take, criterion)


def final_pitch(take: Take, criterion: dict[str, Any]) -> Finding:
    """Every string has an equal share of the points, by its verdict."""
    levels = setting(criterion, "levels")
    share = criterion["points"] / len(take.frame.instrument.strings)
    finding = Finding(0.0)
    best = max(levels.values())
    for name, judgement in take.judgements.items():
        if judgement.verdict in ("not_heard", "unsure"):
            finding.open += share
            finding.doubts.append(_string_doubt(name, judgement))
            finding.evidence.append(_unknown_string(take, name, judgement))
            continue
        earned = share * levels[judgement.verdict]
        finding.points += earned
        lost = share * best - earned
        if judgement.verdict != "in_tune":
            finding.evidence.append(_off_string(take, name, judgement, lost))
        if judgement.close_call:
            finding.close_call = True
            finding.evidence.append(evidence(take.voice, "close_call", judgement.at_s, name))
    if not finding.evidence:
        finding.evidence.append(evidence(take.voice, "all_in_tune"))
    return finding


def _off_string(take: Take, name: str, judgement: Judgement, lost: float) -> dict[str, Any]:
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
            other=judgement.neighbour,
            cents=judgement.cents,
            width=judgement.cents if higher else -judgement.cents,
        )
    return evidence(
        take.voice,
        f"string_{judgement.verdict}",
        judgement.at_s,
        name,
        lost,
        cents=judgement.off_cents,
        direction=judgement.cents,
    )


def _unknown_string(take: Take, name: str, judgement: Judgement) -> dict[str, Any]:
    doubt = _string_doubt(name, judgement)
    return evidence(take.voice, doubt.code, doubt.at_s, name)


def _string_doubt(name: str, judgement: Judgement) -> Doubt:
    """Why a string has no verdict."""
    if judgement.verdict == "not_heard":
        return Doubt("string_not_heard", name)
    codes = {
        "wide": "pitch_unsure",
        "fell": "fell_far",
        "contradiction": "pitch_contradicts",
        "no_a": "no_a_heard",
        "no_neighbour": "neighbour_unsure",
    }
    code = codes.get(judgement.reason or "", "which_string")
    fields = (
        ("cents", judgement.off_cents),
        ("half", judgement.uncertainty_cents),
        ("other", judgement.neighbour),
    )
    return Doubt(code, name, judgement.at_s, fields)


def order(take: Take, criterion: dict[str, Any]) -> Finding:
    """The strings that the instrument's order asks for come first; the rest is free."""
    wanted = list(take.frame.instrument.order)
    unknown = [
        Doubt("string_not_heard", name)
        for name in wanted
        if take.strings[name]["heard"] == "not_heard"
    ] + _unplaced(take)
    if not unknown and len(take.order) < len(wanted):
        unknown = [Doubt("order_unsure")]
    if unknown:
        return _open(take, criterion, "order_open", unknown)
    for place, name in enumerate(wanted):
        found = take.order[place]
        if found != name:
            at_s = _first_turn_s(take, found)
            code = "order_first" if place == 0 else "order_next"
            item = evidence(take.voice, code, at_s, found, criterion["points"], wanted=name)
            return Finding(0.0, evidence=[item])
    return Finding(
        criterion["points"], evidence=[evidence(take.voice, "order_good", strings=wanted)]
    )


def _unplaced(take: Take) -> list[Doubt]:
    """Doubts on strings that were not told apart at all: their turns may belong anywhere."""
    return [
        Doubt("which_string", name, string["at_s"])
        for name, string in take.strings.items()
        if string["heard"] == "unsure" and string["tuned_as"] is None
    ]


def _first_turn_s(take: Take, name: str) -> float | None:
    moves = take.strings[name]["moves"]
    if moves:
        return float(moves[0]["start_s"])
    return first_s(take, name)


def first_s(take: Take, name: str) -> float | None:
    """When a string was first heard."""
    starts: list[float] = [note["start_s"] for note in take.notes if note["string"] == name]
    known: float | None = take.strings[name]["at_s"]
    return min(starts) if starts else known


def sounding_while_turning(take: Take, criterion: dict[str, Any]) -> Finding:
    """The string sounds all the while it is turned (plucked or bowed).

    Changes smaller than `ignore_below_cents` are not counted: a string moves that much by itself
    when its neighbours are tightened. A silent move with a note in it that may be any string is
    unknown. An unknown move costs nothing; where most are unknown, the teacher decides.
    """
    moves = [
        (name, move)
        for name, move in _moves(take)
        if abs(size(move)) >= setting(criterion, "ignore_below_cents")
    ]
    heard = {id(move): _sounding(take, move) for _, move in moves}
    silent = [(name, move) for name, move in moves if heard[id(move)] is False]
    unknown = [(name, move) for name, move in moves if heard[id(move)] is None]
    if len(silent) > setting(criterion, "silent_moves_allowed"):
        return _lost_by_moves(take, criterion, "silent_move", silent)
    if _unplaced(take):
        return _open(take, criterion, "sounding_open", _unplaced(take))
    if not moves:
        return _no_turns(take, criterion)
    if len(unknown) * 2 > len(moves):
        name, move = unknown[0]
        doubt = Doubt("sounding_unsure", name, move["start_s"])
        return _open(take, criterion, "sounding_open", [doubt])
    good = evidence(take.voice, "sounding_good")
    return Finding(criterion["points"], evidence=[good], close_call=bool(unknown))


def _sounding(take: Take, move: dict[str, Any]) -> bool | None:
    """Whether the string sounded during a move; unknown where a note without a name lies in it."""
    hidden = any(
        note["start_s"] < move["end_s"] and note["end_s"] > move["start_s"] for note in take.unnamed
    )
    sounding: bool | None = move["sounding"]
    return None if sounding is False and hidden else sounding


def small_moves(take: Take, criterion: dict[str, Any]) -> Finding:
    """No upward move larger than the limit of its string; turning down never costs.

    A large move of which it is unknown whether the string sounded may have been several small
    ones: the teacher decides. The string's half-width is given for free, up to its in-tune
    tolerance.
    """
    large, unknown, close_call = [], [], False
    for name, move in _moves(take):
        limit = move_limit(take, criterion, name)
        over = round(size(move) - limit, 1)
        if over <= 0:
            continue
        tolerance = take.frame.tolerances[name].in_tune
        margin = min(take.strings[name]["uncertainty_cents"] or 0.0, tolerance)
        if over <= margin:
            close_call = True
        elif _sounding(take, move) is None:
            unknown.append((name, move))
        else:
            large.append((name, move))
    if len(large) > setting(criterion, "large_moves_allowed"):
        return _lost_by_moves(take, criterion, "large_move", large)
    if _unplaced(take):
        return _open(take, criterion, "moves_open", _unplaced(take))
    if unknown:
        name, move = unknown[0]
        return _open(take, criterion, "moves_open", [Doubt("moves_unsure", name, move["start_s"])])
    if not any(True for _ in _moves(take)):
        return _no_turns(take, criterion)
    return Finding(
        criterion["points"],
        evidence=[evidence(take.voice, "moves_good")],
        close_call=close_call,
    )


def move_limit(take: Take, criterion: dict[str, Any], name: str) -> float:
    """The largest upward move of a string in cents that costs nothing."""
    own = setting(criterion, "strings").get(name)
    if own is not None:
        return float(own)
    top = name == take.frame.instrument.strings[0]
    return float(setting(criterion, "top_string_cents" if top else "other_cents"))


def final_check(take: Take, criterion: dict[str, Any]) -> Finding:
    """Every string sounds again after the last turn of any."""
    bowed_only = setting(criterion, "bowed")
    doubts: list[Doubt] = []
    missing = []
    for name, string in take.strings.items():
        if string["heard"] == "not_heard":
            doubts.append(Doubt("string_not_heard", name))
        elif not _checked(take, name, bowed_only):
            if string["heard"] == "unsure":
                doubts.append(Doubt("which_string", name, string["at_s"]))
            else:
                missing.append(name)
    if len(missing) > setting(criterion, "strings_missing_allowed"):
        share = criterion["points"] / len(missing)
        code = "no_bowed_check" if bowed_only else "not_checked"
        items = [
            evidence(take.voice, code, take.last_turn_s, name, share)
            if take.last_turn_s is not None
            else evidence(take.voice, "never_checked", None, name, share)
            for name in missing
        ]
        return Finding(0.0, evidence=items)
    if doubts:
        return _open(take, criterion, "check_open", doubts)
    return Finding(criterion["points"], evidence=[evidence(take.voice, "check_good")])


def _checked(take: Take, name: str, bowed_only: bool) -> bool:
    checked_s = take.strings[name]["checked_s"]
    if not bowed_only:
        return checked_s is not None
    after_s = take.last_turn_s or 0.0
    return any(
        note["kind"] in ("bowed", "two_strings")
        and name in (note["string"], note.get("string_2"))
        and note["start_s"] >= after_s
        for note in take.notes
    )


def method_used(take: Take, criterion: dict[str, Any]) -> Finding:
    """The assignment's way of tuning could be heard.

    by_ear: a sounded A; string_to_string: every pair of neighbours sounded together. A tuner
    makes no sound, and a tone may be in the student's earphones: what was not heard is the
    teacher's to settle, unless the rubric says `unheard: lost`.
    """
    method = take.frame.method
    if method == "by_ear":
        tone = hear_a(take.notes, None)
        if tone is not None:
            item = evidence(take.voice, "method_by_ear", tone.at_s)
            return Finding(criterion["points"], evidence=[item])
    elif method == "string_to_string":
        heard = {frozenset((i["string"], i["string_2"])) for i in take.intervals}
        a_name = take.frame.a_string
        pairs = [(name, neighbour_of(name, take.frame)) for name in take.strings if name != a_name]
        if all(frozenset(pair) in heard for pair in pairs):
            item = evidence(take.voice, "method_string_to_string")
            return Finding(criterion["points"], evidence=[item])
    if method != "tuner" and setting(criterion, "unheard") == "lost":
        item = evidence(take.voice, f"method_{method}_unheard", lost=criterion["points"])
        return Finding(0.0, evidence=[item])
    return _open(take, criterion, "method_open", [Doubt("method_unheard")])


def whole_pitch(take: Take, criterion: dict[str, Any]) -> Finding:
    """The pitch of the whole instrument: the median of its strings against the assignment's A."""
    unknown = [
        _string_doubt(name, judgement)
        for name, judgement in take.judgements.items()
        if judgement.verdict == "not_heard" or judgement.reason == "string"
    ]
    if unknown:
        return _open(take, criterion, "whole_open", unknown)
    strings = list(take.strings.values())
    cents = statistics.median(string["deviation_cents"] for string in strings)
    half = statistics.median(string["uncertainty_cents"] for string in strings)
    widest = max(take.frame.tolerances.values(), key=lambda tolerance: tolerance.in_tune)
    verdict, close_call = judge(cents, half, (0.0, 0.0), Tolerance(widest.in_tune, widest.close))
    if verdict == "unsure":
        return _open(take, criterion, "whole_open", [Doubt("whole_unsure")])
    levels = setting(criterion, "levels")
    points = criterion["points"] * levels[verdict]
    if verdict == "in_tune":
        item = evidence(take.voice, "whole_good")
    else:
        lost = criterion["points"] * max(levels.values()) - points
        item = evidence(take.voice, "whole_off", lost=lost, cents=cents, direction=cents)
    return Finding(points, evidence=[item], close_call=close_call)


def _moves(take: Take) -> list[tuple[str, dict[str, Any]]]:
    """Every move of the take, by time."""
    moves = [(name, m) for name, string in take.strings.items() for m in string["moves"]]
    return sorted(moves, key=lambda item: item[1]["start_s"])


def _lost_by_moves(
    take: Take, criterion: dict[str, Any], code: str, moves: list[tuple[str, dict[str, Any]]]
) -> Finding:
    """All points lost, shared among the moves by their size: the largest cost most."""
    whole = sum(abs(size(move)) for _, move in moves)
    items = [
        evidence(
            take.voice,
            code,
            move["start_s"],
            name,
            round(criterion["points"] * abs(size(move)) / whole, 4),
            cents=size(move),
        )
        for name, move in moves
    ]
    return Finding(0.0, evidence=items)


def _no_turns(take: Take, criterion: dict[str, Any]) -> Finding:
    """Nothing had to be turned: no fault; the rubric may leave it to the teacher instead."""
    if setting(criterion, "no_turns") == "open":
        return _open(take, criterion, "no_turns", [Doubt("no_turns")])
    return Finding(criterion["points"], evidence=[evidence(take.voice, "no_turns")])


def _open(take: Take, criterion: dict[str, Any], code: str, doubts: list[Doubt]) -> Finding:
    return Finding(
        0.0,
        open=criterion["points"],
        evidence=[evidence(take.voice, code, doubts[0].at_s)],
        doubts=doubts,
    )


KINDS: dict[str, Callable[[Take, dict[str, Any]], Finding]] = {
    "final_pitch": final_pitch,
    "order": order,
    "sounding_while_turning": sounding_while_turning,
    "small_moves": small_moves,
    "final_check": final_check,
    "method_used": method_used,
    "whole_pitch": whole_pitch,
}
