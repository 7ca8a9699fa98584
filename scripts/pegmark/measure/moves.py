"""The moves between settled pitches, and whose doing each was."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from pegmark.measure.pieces import Move, Piece, Stretch, TunedString, sounding
from pegmark.trade.turning import SILENT_GAP_S, SOUNDING_GAP_S, TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.take import MeasuredNote

# A string moves a little by itself while others are tuned, down as they go up: this far, and by
# this share of their turns, but never more than the last figure (common practice, no source).
PULL_CENTS = 8.0
PULL_SHARE = 0.05
PULL_MOST_CENTS = 25.0
LET_GO_CENTS = 20.0  # nobody turns a string down so far from pitch and leaves it: it let go;
NEARLY_CENTS = 2.0  # ... or nearly, where its interval leaves that open
NEAR_CENTS = 30.0  # a string further from its pitch was not set yet: who loosens it means to
AWAY_PART = 0.5  # a fall from pitch adds so much of its way to the string's distance
AGAIN_S = 3.0  # who turns a peg sounds the string again within this
JERK_CENTS_PER_S = 200.0  # no hand turns a peg down so fast that listens ...
HAND_CENTS_PER_S = 90.0  # ... seldom faster than this ...
UNHEARD_CENTS_PER_S = 60.0  # ... (of a fall between two notes only the longest time is known) ...
EDGES_S = 0.15  # ... where a move's ends are known to this ...
STOOD_NOTES, SET_CENTS = 3, 10.0  # ... a string that so many notes found so near its pitch
STOOD_S = 0.7  # what stood no longer a hand had just turned there


def moves_between(
    stretches: list[Stretch],
    string: TunedString,
    timed: list[MeasuredNote],
    least: float = TURN_CENTS,
) -> list[Move]:
    """The changes between settled pitches; what glides through in between belongs to them."""
    ends = [k for k, s in enumerate(stretches) if s.settled() or k in (0, len(stretches) - 1)]
    moves = []
    for a, b in pairwise(ends):
        before, after = stretches[a].pieces[-1], stretches[b].pieces[0]
        chain = [p for stretch in stretches[a : b + 1] for p in stretch.pieces]
        chain = chain[chain.index(before) : chain.index(after) + 1]
        others_s = _others_between(before, after, string, timed)
        glided = _glided(chain)
        silence = _silence([timed[i] for i in string.notes], before.end_s, after.start_s)
        move = Move(
            # While another string was played, no hand was at this one's peg.
            start_s=max(before.end_s, min(others_s, after.start_s)),
            end_s=max(after.start_s, before.end_s),
            from_cents=stretches[a].mean,
            to_cents=stretches[b].mean,
            sounding=True if glided else _sounded(silence),
            since_s=before.end_s,
            glided=glided,
            between_visits=others_s > -math.inf,
            hand_heard=any(p.glides_on for p in chain[:-1])
            or any(before.index < i < after.index for i in string.notes),
            heard_again=after.glides_on or _heard_again(after, string, timed),
            stood_notes=len({p.index for p in stretches[a].pieces if p.steady}),
            stood_s=before.end_s - stretches[a].pieces[0].start_s,
            half=math.hypot(stretches[a].half, stretches[b].half),
        )
        if abs(move.size()) > least:
            moves.append(move)
    return moves


def _heard_again(after: Piece, string: TunedString, timed: list[MeasuredNote]) -> bool:
    """Whether a string was sounded anew where it had moved to, before any other was."""
    for i in range(after.index + 1, len(timed)):
        names = [name for name, _ in sounding(timed[i])]
        if names:
            return string.name in names and timed[i]["start_s"] - after.end_s < AGAIN_S
    return False


def _glided(chain: list[Piece]) -> bool:
    """Whether most of the way along `chain` was heard as glides."""
    steps = [(abs(b.cents - a.cents), a.glides_on) for a, b in pairwise(chain)]
    return sum(way for way, heard in steps if heard) > sum(w for w, heard in steps if not heard)


def _silence(notes: list[MeasuredNote], begin: float, end: float) -> float:
    """The longest silence of a string between two times, in seconds."""
    silence, quiet_from = 0.0, begin
    for note in notes:
        if note["end_s"] >= begin and note["start_s"] <= end:
            silence = max(silence, note["start_s"] - quiet_from)
            quiet_from = max(quiet_from, note["end_s"])
    return max(silence, end - quiet_from)


def _sounded(silence: float) -> bool | None:
    """Whether a string sounded while it moved unheard, from the longest silence."""
    if silence <= SOUNDING_GAP_S:
        return True
    return False if silence >= SILENT_GAP_S else None


def _others_between(
    before: Piece, after: Piece, string: TunedString, timed: list[MeasuredNote]
) -> float:
    """When the last note of other strings alone between two pieces ended; -inf: there is none."""
    return max(
        (
            timed[i]["end_s"]
            for i in range(before.index + 1, after.index)
            if (names := [name for name, _ in sounding(timed[i])]) and string.name not in names
        ),
        default=-math.inf,
    )


def find_causes(string: TunedString, strings: dict[str, TunedString]) -> None:
    """Tell turns from what the string did by itself: it was pulled by others, or its peg let go.

    Of changes that are too small for turns only pulls are told.
    """
    for move in (*string.changes, *string.small):
        if _pulled(move, string, strings):
            move.cause = "pull"
    string.small = [move for move in string.small if move.cause == "pull"]
    for k, move in enumerate(string.changes):
        if move.cause == "pull" or not _fell(move):
            continue
        onward = string.changes[k + 1] if k + 1 < len(string.changes) else None
        at_once = onward is not None and not onward.between_visits and onward.size() > 0
        if _let_go(move, at_once):
            move.cause = "slip"
        elif at_once and not move.glided and move.between_visits:
            move.sounding = None  # it may have been loosened to seat the peg


def _pulled(move: Move, string: TunedString, strings: dict[str, TunedString]) -> bool:
    """Whether others' turns, while they were played, explain how far this string moved."""
    if not move.between_visits or move.glided:
        return False
    turns = [
        other_move.size()
        for other in strings.values()
        if other is not string
        for other_move in other.changes
        if other_move.end_s > move.since_s and other_move.start_s < move.end_s
    ]
    most = min(PULL_CENTS + PULL_SHARE * abs(sum(turns)), PULL_MOST_CENTS)
    return sum(turns) != 0 and abs(move.size()) <= most


def _fell(move: Move) -> bool:
    """Whether a string fell away from its pitch."""
    away = abs(move.to_cents) - abs(move.from_cents)
    return move.size() < 0 and away > -AWAY_PART * move.size()


def _let_go(move: Move, at_once: bool) -> bool:
    """Whether a fall from pitch was the peg's own doing; at_once: the string was tuned again then.

    It was where a string that stood falls faster than hands turn. Nobody turns down a string either
    that had been listened to at its pitch, not so far. Else a hand is at the peg where the string
    falls while it is sounded, and is sounded again. Who loosens a string far from its pitch, or a
    little on coming back to it, seats the peg.
    """
    fall, seconds = -move.size(), move.end_s - move.start_s
    large = fall >= LET_GO_CENTS - min(move.half, NEARLY_CENTS)
    heard = move.glided or (move.sounding is not False and not move.between_visits)
    if heard and move.stood_s < STOOD_S:
        return False  # the hand that brought it here turns on
    if move.glided and fall > JERK_CENTS_PER_S * seconds:
        return True
    hand = HAND_CENTS_PER_S if move.glided else UNHEARD_CENTS_PER_S
    if heard and large and fall > hand * (seconds - EDGES_S):
        stood = move.stood_notes >= STOOD_NOTES and abs(move.from_cents) <= SET_CENTS
        if stood:
            return True
    if move.glided or (move.sounding and not move.between_visits):
        return large and not move.heard_again
    if at_once:
        return large and abs(move.from_cents) <= NEAR_CENTS and not move.hand_heard
    return large or move.between_visits


def slipped(string: TunedString) -> float | None:
    """The largest fall of a string by itself, in cents (positive); None: it never fell."""
    falls = [-m.size() for m in string.changes if m.cause == "slip"]
    return max(falls) if falls else None
