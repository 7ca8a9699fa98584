"""Criteria of how the strings were turned: order, sounding, small moves, the check at the end.

What cannot be decided of a turn goes to the student's favour and is said on the sheet; it never
sends a take to the teacher's ear. A turn that only put right what a string did by itself costs
nothing anywhere, and neither does turning down. The benefit of the doubt holds for every
threshold, with the half-width of the turn itself.

The thresholds are the rubric's (pegmark.settings.rubric), common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pegmark.score.feedback import evidence
from pegmark.score.finding import Finding, Take, left_open
from pegmark.score.review_reasons import Doubt
from pegmark.score.turns import TURNS_EDGE_S, is_of, size
from pegmark.settings.rubric import setting
from pegmark.trade.targets import distance_to_span

if TYPE_CHECKING:
    from pegmark.records.student import Evidence, Move

    Turn = tuple[str, Move]

# The speed of one turn: slower it rests on its way, faster it is no turn (common practice).
ONE_TURN_CENTS_PER_S = (50.0, 300.0)
# A turn known to this share of its limit is known well enough for a close call (design, section
# 4); one known worse cannot be decided at the limit.
KNOWN_SHARE = 0.1
NOTE_BESIDE_S = 2.0  # of the notes beside a turn: enough to hear a pitch by
# A bow this long that no string was given to may be the check of one.
NAMELESS_BOW_S = 1.0


def half_width(take: Take, turn: Turn) -> float:
    """The half-width of a turn's size in cents; where the turn has none, its string's."""
    name, move = turn
    own = move.get("uncertainty_cents")
    if own is not None:
        return float(own)
    string = take.halves.get(name, math.inf)
    return string if math.isfinite(string) else 0.0


def surely_above(take: Take, turn: Turn, least_cents: float) -> bool:
    """Whether a turn is that large, either way, whatever its interval leaves open."""
    return round(abs(size(turn[1])) - half_width(take, turn), 1) >= least_cents


def _costs(turn: Turn) -> bool:
    """Whether a turn can cost anything: upward, and not what put a slipped string right."""
    return size(turn[1]) > 0 and not turn[1]["repair"]


# Order ----------------------------------------------------------------------------------------


def order(take: Take, criterion: dict[str, Any]) -> Finding:
    """The strings that the instrument's order asks for are turned first; the rest is free.

    Judged by first sure turns. A string that needed no turn (nobody turned it, or it stood in
    tune before its first) cannot cost the point, however often it was sounded.
    """
    if take.nothing_turned:
        return _nothing_turned(take, criterion)
    first = {name: move for name, move in reversed(_sure_turns(take)) if not move["repair"]}
    came = sorted(first, key=lambda name: first[name]["start_s"])
    wanted = [name for name in take.frame.instrument.order if _needed_turning(take, name)]
    ahead = [n for n in came if n in wanted or n not in take.frame.instrument.order]
    for place, name in enumerate(wanted):
        found = ahead[place] if place < len(ahead) else None
        if found == name:
            continue
        if found is None or _may_be_earlier(take, name, first[found]):
            return _kept(take, criterion, "order_unsure")
        code = "order_first" if place == 0 else "order_next"
        move = first[found]
        points = criterion["points"] * setting(criterion, "levels")["wrong"]
        item = evidence(
            take.voice,
            code,
            move["start_s"],
            found,
            criterion["points"] - points,
            passage=_around(take, (found, move)),
            wanted=name,
        )
        return Finding(points, evidence=[item])
    if not wanted:
        code = "order_unsure" if take.untold or not came else "order_free"
        return _kept(take, criterion, code)
    return _kept(take, criterion, "order_good", strings=wanted)


def _sure_turns(take: Take) -> list[Turn]:
    return [(name, move) for name, move in take.turns if move["sure"]]


def _needed_turning(take: Take, name: str) -> bool:
    """Whether a string was turned, and did not stand in tune before its first turn."""
    moves = [move for move in take.strings[name]["moves"] if not move["repair"]]
    if not moves:
        return False
    off = abs(distance_to_span(moves[0]["from_cents"], take.strings[name]["home_cents"]))
    tolerance = take.frame.tolerances[name].in_tune
    return round(off - min(half_width(take, (name, moves[0])), tolerance), 1) > tolerance


def _may_be_earlier(take: Take, name: str, than: Move) -> bool:
    """Whether a string may have been turned first before the end of another's first turn."""
    moves = [move for move in take.strings[name]["moves"] if not move["repair"]]
    if not any(move["sure"] for move in moves):
        return True
    return bool(moves[0]["since_s"] <= than["turned_s"])


# Sounding and small moves ---------------------------------------------------------------------


def sounding_while_turning(take: Take, criterion: dict[str, Any]) -> Finding:
    """The string sounds all the while it is turned (plucked or bowed), by the share of turns.

    Changes smaller than `ignore_below_cents` are not counted: a string moves that much by itself
    when its neighbours are tightened.
    """
    if take.nothing_turned:
        return _nothing_turned(take, criterion)
    least = setting(criterion, "ignore_below_cents")
    counted = [t for t in take.turns if not t[1]["repair"] and surely_above(take, t, least)]
    unheard = [t for t in counted if t[1]["sounding"] is not True and _costs(t)]
    silent = [t for t in unheard if t[1]["sounding"] is False and t[1]["sure"]]
    whole = [t for t in counted if t[1]["sounding"] is not False or _costs(t)]
    good = "sounding_good" if len(whole) == len(counted) else "sounding_up"
    return _by_share(
        take,
        criterion,
        bad=silent,
        of=len(whole),
        allowed=setting(criterion, "silent_moves_allowed"),
        undecided=len(unheard) > len(silent) or bool(take.untold) or not counted,
        codes=(good, "sounding_mostly", "silent_move"),
    )


def small_moves(take: Take, criterion: dict[str, Any]) -> Finding:
    """No upward move larger than the limit of its string, by the share of turns.

    A large move that is not sure, that is not known well enough, or that may have been several
    small ones cannot be decided.
    """
    if take.nothing_turned:
        return _nothing_turned(take, criterion)
    large, undecided, close_call = [], False, False
    upward = [turn for turn in take.turns if _costs(turn)]
    for name, move in upward:
        limit = move_limit(take, criterion, name)
        over, half = round(size(move) - limit, 1), half_width(take, (name, move))
        if over <= 0:
            continue
        if over <= half:
            close_call |= half <= KNOWN_SHARE * limit
            undecided |= half > KNOWN_SHARE * limit
        elif move["sure"] and _in_one_go(take, name, move):
            large.append((name, move))
        else:
            undecided = True
    finding = _by_share(
        take,
        criterion,
        bad=large,
        of=len(upward),
        allowed=setting(criterion, "large_moves_allowed"),
        undecided=undecided or bool(take.untold),
        codes=("moves_good" if upward else "only_down", "moves_mostly", "large_move"),
    )
    finding.close_call = close_call
    return finding


def _by_share(
    take: Take,
    criterion: dict[str, Any],
    *,
    bad: list[Turn],
    of: int,
    allowed: int,
    undecided: bool,
    codes: tuple[str, str, str],
) -> Finding:
    """The points of the step that the share of good turns reaches.

    bad : the turns that count against it, `of` all that count; so many of them are `allowed`.
    codes : the sentences for all good, for good as far as one could hear, and for a bad turn.
    """
    share = 1.0 if not of else 1 - max(0, len(bad) - allowed) / of
    points = criterion["points"] * setting(criterion, "levels")[_step(criterion, share)]
    good, mostly, wrong = codes
    if not bad:
        return Finding(points, evidence=[evidence(take.voice, mostly if undecided else good)])
    finding = _by_moves(take, wrong, bad, points, criterion["points"] - points)
    if undecided:
        finding.evidence.append(evidence(take.voice, "turns_for_you"))
    return finding


def _step(criterion: dict[str, Any], share: float) -> str:
    """all, most, some or none: the step that a share of good turns reaches."""
    least = setting(criterion, "from_share")
    return next((s for s in ("all", "most", "some") if round(share - least[s], 6) >= 0), "none")


def _by_moves(take: Take, code: str, turns: list[Turn], earned: float, lost: float) -> Finding:
    """The points earned in spite of these turns; what is lost is shared by size, the largest
    cost most."""
    whole = sum(abs(size(move)) for _, move in turns)
    items = [
        evidence(
            take.voice,
            code,
            move["start_s"],
            name,
            round(lost * abs(size(move)) / whole, 4),
            passage=_around(take, (name, move)),
            cents=size(move),
        )
        for name, move in turns
    ]
    return Finding(earned, evidence=items)


def _around(take: Take, turn: Turn) -> tuple[float, float]:
    """The passage of a turn, with the notes before and after it: from which pitch to which."""
    name, move = turn
    own = take.sounded[name].own
    before = [n for n in own if n["start_s"] < move["start_s"] - TURNS_EDGE_S]
    after = [n for n in own if n["end_s"] > move["end_s"] + TURNS_EDGE_S]
    start_s, end_s = move["start_s"], move["end_s"]
    if before:
        start_s = max(before[-1]["start_s"], start_s - NOTE_BESIDE_S)
    if after:
        end_s = min(after[0]["end_s"], end_s + NOTE_BESIDE_S)
    return start_s, end_s


def _in_one_go(take: Take, name: str, move: Move) -> bool:
    """Whether a move surely did not rest on its way.

    In silence nobody listened on the way. While it sounded, a move is seen whole only inside one
    note, at a speed a hand turns a peg at; a note that began within it may have been a rest.
    """
    if move["sounding"] is None:
        return False
    within = (move["start_s"] + TURNS_EDGE_S, move["end_s"] - TURNS_EDGE_S)
    if any(within[0] < note["start_s"] < within[1] for note in take.sounded[name].own):
        return False
    seconds = max(move["end_s"] - move["start_s"], TURNS_EDGE_S)
    slowest, fastest = ONE_TURN_CENTS_PER_S
    return move["sounding"] is False or slowest <= abs(size(move)) / seconds <= fastest


def move_limit(take: Take, criterion: dict[str, Any], name: str) -> float:
    """The largest upward move of a string in cents that costs nothing."""
    own = setting(criterion, "strings").get(name)
    if own is not None:
        return float(own)
    top = name == take.frame.instrument.strings[0]
    return float(setting(criterion, "top_string_cents" if top else "other_cents"))


# The check at the end -------------------------------------------------------------------------


def final_check(take: Take, criterion: dict[str, Any]) -> Finding:
    """Every string sounds again after the last turn of any.

    A touch-up smaller than `ignore_below_cents` needs no second round, nor does one that put a
    slipped string right.
    """
    bowed_only, least = setting(criterion, "bowed"), setting(criterion, "ignore_below_cents")
    turns = [t for t in take.turns if not t[1]["repair"] and surely_above(take, t, least)]
    last = max((t for t in turns if t[1]["sure"]), key=_surely_over_s, default=None)
    sure_s = _surely_over_s(last) if last else None
    any_s = max((move["turned_s"] for _, move in turns), default=None)
    missing: list[str] = []
    unsure: list[str] = []
    maybe: list[str] = []
    for name, string in take.strings.items():
        if string["heard"] == "not_heard":
            unsure.append(name)
        elif not _checked(take, name, sure_s, bowed_only):
            hidden = string["heard"] == "unsure" or _nameless_s(take, sure_s) is not None
            (unsure if hidden else missing).append(name)
        elif not _checked(take, name, any_s, bowed_only):
            maybe.append(name)
    counted = max(0, len(missing) - setting(criterion, "strings_missing_allowed"))
    share = 1 - counted / len(take.strings)
    points = criterion["points"] * setting(criterion, "levels")[_step(criterion, share)]
    lost = criterion["points"] - points
    items = [_not_checked(take, missing, last, bowed_only, lost)] if missing else []
    if unsure:
        items.append(evidence(take.voice, "check_unsure"))
    elif not missing:
        items.append(evidence(take.voice, "check_mostly" if maybe else "check_good"))
    return Finding(points, evidence=items)


def _surely_over_s(turn: Turn) -> float:
    """The earliest second at which a turn may have been over: where a string was found turned on
    coming back to it, that is when it was last heard before."""
    move = turn[1]
    return float(move["turned_s"] if move["since_s"] >= move["start_s"] else move["since_s"])


def _not_checked(
    take: Take, names: list[str], last: Turn | None, bowed_only: bool, lost: float
) -> Evidence:
    """Strings that were not played again after the last sure turn, or at all."""
    code = "no_bowed_check" if bowed_only else "not_checked"
    if last is None:
        code = "never_checked"
        at_s = take.strings[names[0]]["at_s"]
        passage = _deciding(take, names[0])
    else:
        at_s = _surely_over_s(last)
        passage = (min(last[1]["start_s"], at_s), max(last[1]["end_s"], at_s))
    alone = names[0] if len(names) == 1 else None
    return evidence(take.voice, code, at_s, alone, lost, passage=passage, strings=names)


def _deciding(take: Take, name: str) -> tuple[float, float] | None:
    note = take.strings[name]["deciding"]
    return (note["start_s"], note["end_s"]) if note else None


def _checked(take: Take, name: str, after_s: float | None, bowed_only: bool) -> bool:
    """Whether a string was sounded after a second of the take, or at all."""
    kinds = ("bowed", "two_strings") if bowed_only else ("plucked", "bowed", "two_strings")
    return any(
        note["kind"] in kinds
        and is_of(note, name)
        and (after_s is None or note["start_s"] >= after_s - TURNS_EDGE_S)
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


# What they share ------------------------------------------------------------------------------


def _nothing_turned(take: Take, criterion: dict[str, Any]) -> Finding:
    """Nothing was turned: what that earns is one question for the whole take, or full points."""
    ready = all(one.verdict == "in_tune" for one in take.judgements.values())
    code = "already_in_tune" if ready else "no_turns"
    if setting(criterion, "no_turns") == "full":
        return _kept(take, criterion, code)
    starts = [note["start_s"] for note in take.notes if note["string"] in take.strings]
    ends = [note["end_s"] for note in take.notes if note["string"] in take.strings]
    doubt = Doubt(code, at_s=min(starts, default=None), end_s=max(ends, default=None))
    return left_open(take, criterion, code, [doubt])


def _kept(take: Take, criterion: dict[str, Any], code: str, strings: Sequence[str] = ()) -> Finding:
    item = evidence(take.voice, code, strings=list(strings))
    return Finding(criterion["points"], evidence=[item])
