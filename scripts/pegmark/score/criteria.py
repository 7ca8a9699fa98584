"""The measured kinds of criteria: one function per kind, from a judged take to points.

Each function takes a `Take` and one criterion of the rubric and gives a `Finding`: the points
that are sure, the points that stay open, the evidence for both, and the doubts a teacher has to
settle. Every point lost carries evidence (what, how much, at which second).

The thresholds in the rubric are common practice, no source.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pegmark.score.feedback import Voice, evidence
from pegmark.score.review_reasons import Doubt
from pegmark.score.turns import EDGE_S, Sounded, is_of, size
from pegmark.score.verdicts import HeardA, Judgement, judge, neighbour_of
from pegmark.settings.rubric import setting
from pegmark.trade.targets import Frame, distance_to_span
from pegmark.trade.tolerances import Tolerance

# Listened to at length: more than a first round of all strings would give one
# (pegmark.measure.tuning).
AT_LENGTH_NOTES, AT_LENGTH_S = 3, 3.0
# The speed of one turn: slower it rests on its way, faster it is no turn (common practice).
ONE_TURN_CENTS_PER_S = (50.0, 300.0)
# A bow this long that no string was given to may be the check of one.
NAMELESS_BOW_S = 1.0


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
    sounded: dict[str, Sounded]
    tone: HeardA | None

    @property
    def heard_a(self) -> HeardA | None:
        """The sounded A that the whole instrument is counted from: by ear, if there was one."""
        return self.tone if self.frame.method == "by_ear" else None

    @property
    def base_cents(self) -> float:
        """What the whole instrument is counted from, against the assignment's A."""
        return self.heard_a.cents - self.frame.a_cents if self.heard_a else 0.0


@dataclass
class Finding:
    """What one criterion earned."""

    points: float
    open: float = 0.0
    evidence: list[dict[str, Any]] = field(default_factory=list)
    close_call: bool = False
    doubts: list[Doubt] = field(default_factory=list)


def find(take: Take, criterion: dict[str, Any]) -> Finding:
    """The finding of one criterion of a measured kind."""
    return KINDS[criterion["kind"]](take, criterion)


def final_pitch(take: Take, criterion: dict[str, Any]) -> Finding:
    """Every string has an equal share of the points, by its verdict."""
    levels = setting(criterion, "levels")
    share = criterion["points"] / len(take.frame.instrument.strings)
    finding = Finding(0.0)
    for name, judgement in take.judgements.items():
        if judgement.verdict in ("not_heard", "unsure"):
            finding.open += share
            finding.doubts.append(_string_doubt(name, judgement))
            finding.evidence.append(_unknown_string(take, name, judgement))
            continue
        earned = share * levels[judgement.verdict]
        finding.points += earned
        if judgement.verdict != "in_tune":
            finding.evidence.append(_off_string(take, name, judgement, share - earned))
        finding.close_call |= judgement.close_call
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
    return evidence(take.voice, doubt.code, doubt.at_s, name, other=judgement.neighbour)


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
    if code == "pitch_unsure" and judgement.against == "neighbour":
        code = "interval_unsure"
    fields = (
        ("cents", judgement.off_cents),
        ("half", judgement.uncertainty_cents),
        ("other", judgement.neighbour),
    )
    return Doubt(code, name, judgement.at_s, fields)


def order(take: Take, criterion: dict[str, Any]) -> Finding:
    """The strings that the instrument's order asks for come first; the rest is free.

    A string that was listened to at length before any other was begun with, even where it needed
    its first turn later.
    """
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
    came = [_begun_with(take) or take.order[0], *take.order]
    came = list(dict.fromkeys(came))
    for place, (name, found) in enumerate(zip(wanted, came, strict=False)):
        if found == name:
            continue
        unsure = [one for one in (found, name) if not _surely_placed(take, one)]
        if unsure or _first_turn_s(take, name, "since_s") <= _first_turn_s(take, found, "turned_s"):
            unsure = unsure or [name]
            doubt = Doubt("turn_unsure", unsure[0], _first_turn_s(take, unsure[0]))
            return _open(take, criterion, "order_open", [doubt])
        code = "order_first" if place == 0 else "order_next"
        at_s = _first_turn_s(take, found)
        item = evidence(take.voice, code, at_s, found, criterion["points"], wanted=name)
        return Finding(0.0, evidence=[item])
    return Finding(
        criterion["points"], evidence=[evidence(take.voice, "order_good", strings=wanted)]
    )


def _begun_with(take: Take) -> str | None:
    """The string that was sounded at length before any other, if there is one."""
    notes = sorted(
        (note for note in take.notes if any(is_of(note, name) for name in take.strings)),
        key=lambda note: note["start_s"],
    )
    if not notes:
        return None
    first: str = notes[0]["string"]
    alone = list(itertools.takewhile(lambda n: n["string"] == first and is_of(n, first), notes))
    seconds = alone[-1]["end_s"] - alone[0]["start_s"] if alone else 0.0
    at_length = len(alone) >= AT_LENGTH_NOTES or seconds >= AT_LENGTH_S
    return first if at_length else None


def _surely_placed(take: Take, name: str) -> bool:
    """Whether it is sure when a string was first turned, or that it was not."""
    moves = take.strings[name]["moves"]
    return bool(moves[0]["sure"] if moves else take.sounded[name].clear)


def _unplaced(take: Take) -> list[Doubt]:
    """Doubts on strings that were not told apart at all: their turns may belong anywhere."""
    return [
        Doubt("which_string", name, string["at_s"])
        for name, string in take.strings.items()
        if string["heard"] == "unsure" and string["tuned_as"] is None
    ]


def _first_turn_s(take: Take, name: str, when: str = "start_s") -> float:
    """When a string was first turned, or else first heard."""
    moves = take.strings[name]["moves"]
    return float(moves[0][when] if moves else first_s(take, name) or 0.0)


def first_s(take: Take, name: str) -> float | None:
    """When a string was first heard."""
    starts: list[float] = [note["start_s"] for note in take.notes if note["string"] == name]
    known: float | None = take.strings[name]["at_s"]
    return min(starts) if starts else known


def sounding_while_turning(take: Take, criterion: dict[str, Any]) -> Finding:
    """The string sounds all the while it is turned (plucked or bowed).

    Changes smaller than `ignore_below_cents` are not counted: a string moves that much by itself
    when its neighbours are tightened. What is unknown of a turn, or a turn that is not sure, costs
    nothing; where that is most of them, and more than the rubric allows, the teacher decides.
    """
    moves = [
        (name, move)
        for name, move in _moves(take)
        if abs(size(move)) >= setting(criterion, "ignore_below_cents")
    ]
    silent = [(name, move) for name, move in moves if move["sounding"] is False and move["sure"]]
    unknown = [
        (name, move)
        for name, move in moves
        if move["sounding"] is None or (move["sounding"] is False and not move["sure"])
    ]
    allowed = setting(criterion, "silent_moves_allowed")
    if len(silent) > allowed:
        return _by_moves(take, "silent_move", silent, lost=criterion["points"])
    if _unplaced(take):
        return _open(take, criterion, "sounding_open", _unplaced(take))
    if not moves:
        return _no_turns(take, criterion)
    if len(unknown) * 2 > len(moves) and len(silent) + len(unknown) > allowed:
        name, move = unknown[0]
        doubt = Doubt("sounding_unsure", name, move["start_s"])
        return _open(take, criterion, "sounding_open", [doubt])
    if silent:
        return _by_moves(take, "silent_move", silent, earned=criterion["points"])
    code = "sounding_mostly" if unknown else "sounding_good"
    return Finding(criterion["points"], evidence=[evidence(take.voice, code)])


def small_moves(take: Take, criterion: dict[str, Any]) -> Finding:
    """No upward move larger than the limit of its string; turning down never costs.

    A large move that is not sure, or that may have been several small ones, is the teacher's to
    decide. The string's half-width is given for free, up to its in-tune tolerance.
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
        elif move["sure"] and _in_one_go(take, name, move):
            large.append((name, move))
        else:
            unknown.append((name, move))
    allowed = setting(criterion, "large_moves_allowed")
    if len(large) > allowed:
        return _by_moves(take, "large_move", large, lost=criterion["points"])
    if _unplaced(take):
        return _open(take, criterion, "moves_open", _unplaced(take))
    if len(large) + len(unknown) > allowed:
        name, move = unknown[0]
        return _open(take, criterion, "moves_open", [Doubt("moves_unsure", name, move["start_s"])])
    if not _moves(take):
        return _no_turns(take, criterion)
    if large:
        return _by_moves(take, "large_move", large, earned=criterion["points"])
    code = "moves_mostly" if unknown else "moves_good"
    return Finding(
        criterion["points"], evidence=[evidence(take.voice, code)], close_call=close_call
    )


def _in_one_go(take: Take, name: str, move: dict[str, Any]) -> bool:
    """Whether a move surely did not rest on its way.

    In silence nobody listened on the way. While it sounded, a move is seen whole only inside one
    note, at a speed a hand turns a peg at; a note that began within it may have been a rest.
    """
    if move["sounding"] is None:
        return False
    within = (move["start_s"] + EDGE_S, move["end_s"] - EDGE_S)
    if any(within[0] < note["start_s"] < within[1] for note in take.sounded[name].own):
        return False
    seconds = max(move["end_s"] - move["start_s"], EDGE_S)
    slowest, fastest = ONE_TURN_CENTS_PER_S
    return move["sounding"] is False or slowest <= abs(size(move)) / seconds <= fastest


def move_limit(take: Take, criterion: dict[str, Any], name: str) -> float:
    """The largest upward move of a string in cents that costs nothing."""
    own = setting(criterion, "strings").get(name)
    if own is not None:
        return float(own)
    top = name == take.frame.instrument.strings[0]
    return float(setting(criterion, "top_string_cents" if top else "other_cents"))


def final_check(take: Take, criterion: dict[str, Any]) -> Finding:
    """Every string sounds again after the last turn of any.

    A touch-up smaller than `ignore_below_cents` needs no second round. A string that was not
    played again only after a turn that is not sure is the teacher's to decide.
    """
    bowed_only = setting(criterion, "bowed")
    turns = [
        (name, move)
        for name, move in _moves(take)
        if abs(size(move)) >= setting(criterion, "ignore_below_cents")
    ]
    sure_s = max((move["turned_s"] for _, move in turns if move["sure"]), default=None)
    last = max(turns, key=lambda turn: turn[1]["turned_s"], default=None)
    doubts, missing, maybe = [], [], []
    for name, string in take.strings.items():
        if string["heard"] == "not_heard":
            doubts.append(Doubt("string_not_heard", name))
        elif not _checked(take, name, sure_s, bowed_only):
            nameless_s = _nameless_s(take, sure_s)
            if string["heard"] == "unsure" or nameless_s is not None:
                doubts.append(Doubt("which_string", name, nameless_s or string["at_s"]))
            else:
                missing.append(name)
        elif last and not _checked(take, name, last[1]["turned_s"], bowed_only):
            maybe.append(name)
    allowed, points = setting(criterion, "strings_missing_allowed"), criterion["points"]
    if len(missing) > allowed:
        return Finding(0.0, evidence=[_not_checked(take, missing, sure_s, bowed_only, points)])
    if len(missing) + len(maybe) + len(doubts) > allowed:
        if maybe and last:
            doubts.append(Doubt("turn_unsure", last[0], last[1]["end_s"]))
        return _open(take, criterion, "check_open", doubts)
    if missing:
        return Finding(points, evidence=[_not_checked(take, missing, sure_s, bowed_only)])
    code = "check_mostly" if maybe or doubts else "check_good"
    return Finding(points, evidence=[evidence(take.voice, code)])


def _not_checked(
    take: Take, names: list[str], sure_s: float | None, bowed_only: bool, lost: float = 0.0
) -> dict[str, Any]:
    """Strings that were not played again after the last sure turn, or at all."""
    code = "no_bowed_check" if bowed_only else "not_checked"
    if sure_s is None:
        code = "never_checked"
    at_s = take.strings[names[0]]["at_s"] if sure_s is None else sure_s
    alone = names[0] if len(names) == 1 else None
    return evidence(take.voice, code, at_s, alone, lost, strings=names)


def _checked(take: Take, name: str, after_s: float | None, bowed_only: bool) -> bool:
    """Whether a string was sounded after a second of the take, or at all."""
    kinds = ("bowed", "two_strings") if bowed_only else ("plucked", "bowed", "two_strings")
    return any(
        note["kind"] in kinds
        and is_of(note, name)
        and (after_s is None or note["start_s"] >= after_s - EDGE_S)
        for note in take.notes
    )


def _nameless_s(take: Take, after_s: float | None) -> float | None:
    """When, after a second of the take, a note begins that may be any string."""
    nameless = [
        *next(iter(take.sounded.values())).nameless,
        *(
            note
            for note in take.notes
            if note["kind"] in ("bowed", "two_strings")
            and note["string"] is None
            and note["end_s"] - note["start_s"] >= NAMELESS_BOW_S
        ),
    ]
    starts = [n["start_s"] for n in nameless if after_s is None or n["start_s"] >= after_s]
    return min(starts, default=None)


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
        return _open(take, criterion, "method_open", [])
    if setting(criterion, "unheard") == "lost":
        item = evidence(take.voice, f"method_{method}_unheard", lost=criterion["points"])
        return Finding(0.0, evidence=[item])
    return _open(take, criterion, "method_open", [Doubt("method_unheard")])


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
        return _open(take, criterion, "whole_open", unknown)
    off = {
        name: distance_to_span(
            string["deviation_cents"] - take.base_cents, take.frame.span(name)
        )
        for name, string in take.strings.items()
    }  # fmt: skip
    cents = statistics.median(map(abs, off.values()))
    half = statistics.median(string["uncertainty_cents"] for string in take.strings.values())
    if take.heard_a:
        half = math.hypot(half, take.heard_a.uncertainty_cents)
    widest = max(take.frame.tolerances.values(), key=lambda tolerance: tolerance.in_tune)
    verdict, close_call = judge(cents, half, (0.0, 0.0), Tolerance(widest.in_tune, widest.close))
    if verdict == "unsure":
        return _open(take, criterion, "whole_open", [Doubt("whole_unsure")])
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
        cents=cents,
        direction=off[furthest],
    )
    return Finding(points, evidence=[item], close_call=close_call)


def _moves(take: Take) -> list[tuple[str, dict[str, Any]]]:
    """Every move of the take, by time."""
    moves = [(name, m) for name, string in take.strings.items() for m in string["moves"]]
    return sorted(moves, key=lambda item: item[1]["start_s"])


def _by_moves(
    take: Take,
    code: str,
    moves: list[tuple[str, dict[str, Any]]],
    earned: float = 0.0,
    lost: float = 0.0,
) -> Finding:
    """The points earned in spite of these moves, or lost by them: shared by size, the largest
    cost most."""
    whole = sum(abs(size(move)) for _, move in moves)
    items = [
        evidence(
            take.voice,
            code,
            move["start_s"],
            name,
            round(lost * abs(size(move)) / whole, 4),
            cents=size(move),
        )
        for name, move in moves
    ]
    return Finding(earned, evidence=items)


def _no_turns(take: Take, criterion: dict[str, Any]) -> Finding:
    """Nothing had to be turned: no fault; the rubric may leave it to the teacher instead."""
    if setting(criterion, "no_turns") == "open":
        return _open(take, criterion, "no_turns", [Doubt("no_turns")])
    return Finding(criterion["points"], evidence=[evidence(take.voice, "no_turns")])


def _open(take: Take, criterion: dict[str, Any], code: str, doubts: list[Doubt]) -> Finding:
    return Finding(
        0.0,
        open=criterion["points"],
        evidence=[evidence(take.voice, code, doubts[0].at_s if doubts else None)],
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
