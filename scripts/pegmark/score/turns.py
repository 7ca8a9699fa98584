"""How each string was tuned, as far as a person would stake a grade on it.

From a measured string and its notes: its turns with what is sure of each, how far they went past
the note, where they turned back, which were silent, how long it took, and what the string did by
itself. Criteria and observations build on these; all cents are against the record's targets.

A turn joins two plateaus, stretches at one pitch. It is sure when a clear note stands on each: a
note that is as loud as the take's others, of a known string, and no speech. One syllable taken for
a note makes two turns that nobody made; neither is sure.

A string that changed unseen while others were played is found changed when it is played again. The
measuring puts such a turn right before that; where the gap is too short for a hand to turn a peg,
it happened earlier, in or after the string's last note before. So a turn has an earliest and a
latest second ("since_s", "turned_s").

The thresholds are common practice, no source, unless a comment says otherwise.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypedDict

from pegmark.trade.turning import SILENT_GAP_S, SOUNDING_GAP_S, TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.student import Move, Overshoot, OwnChange, StudentNote, StudentString
    from pegmark.records.take import MeasuredMove, MeasuredNote, Span

CLEAR_PROBABILITY = 0.9  # the path search is this sure of the note's string
CLEAR_BELOW_DB = 10.0  # a note this much fainter against the noise than the take's usual ...
CLEAR_TOLERANCES = 2.0  # ... or known to no better than this many in-tune tolerances is not clear
SPOKEN_SHARE = 0.5  # of a note under speech: it may be the speech
TURNS_SAME_CENTS = 1.0  # rounding and averaging of one and the same change
TURNS_EDGE_S = 0.02  # notes and turns that meet share their edge


@dataclass(frozen=True)
class Sounded:
    """The notes that bear on one string, in order of time.

    `name` is the string, `own` are its notes, `clear` those of them that are beyond doubt,
    `nameless` the notes of the take that may be any string, `covering` the tones and the speech
    under which a string may sound unheard.
    """

    name: str
    own: list[MeasuredNote]
    clear: list[MeasuredNote]
    nameless: list[MeasuredNote]
    covering: list[Span]


class Summary(TypedDict):
    """The turns of a string in short (see records.student.StudentString)."""

    overshoots: list[Overshoot]
    reversals: int
    turned_back_s: list[float]
    silent_moves: int
    largest_silent: Move | None


def size(move: MeasuredMove | Move | OwnChange) -> float:
    """The size of a turn in cents, upward positive."""
    return move["to_cents"] - move["from_cents"]


def clear_notes(
    notes: Iterable[MeasuredNote], speech: Iterable[Span], in_tune: dict[str, float]
) -> list[MeasuredNote]:
    """The notes that surely are a string's, and whose pitch is known.

    in_tune : the in-tune tolerance of every string in cents. A note that glides is known by its
    track, whatever the half-width of its mean.
    """
    notes, speech = list(notes), list(speech)
    heights = [snr for n in notes if n["string"] and (snr := n.get("snr_db")) is not None]
    least_db = statistics.median(heights) - CLEAR_BELOW_DB if heights else None
    return [note for note in notes if _is_clear(note, speech, in_tune, least_db)]


def _is_clear(
    note: MeasuredNote, speech: list[Span], in_tune: dict[str, float], least_db: float | None
) -> bool:
    name = note["string"]
    if name not in in_tune or note["f0_hz"] is None:
        return False
    probability, snr = note.get("string_odds"), note.get("snr_db")
    half = note.get("uncertainty_cents")
    if probability is not None and probability < CLEAR_PROBABILITY:
        return False
    if snr is not None and least_db is not None and snr < least_db:
        return False
    spoken = sum(_overlap(note, one) for one in speech)
    if spoken > SPOKEN_SHARE * (note["end_s"] - note["start_s"]):
        return False
    return bool(note.get("gliding")) or (
        half is not None and half <= CLEAR_TOLERANCES * in_tune[name]
    )


def _overlap(a: Span, b: Span) -> float:
    return max(0.0, min(a["end_s"], b["end_s"]) - max(a["start_s"], b["start_s"]))


def is_of(note: MeasuredNote | StudentNote, name: str) -> bool:
    """Whether a note sounds the string `name`, alone or with another."""
    sounding = note["kind"] in ("plucked", "bowed", "two_strings")
    return sounding and name in (note.get("string"), note.get("string_2"))


def sounded_of(
    name: str,
    notes: list[MeasuredNote],
    clear: list[MeasuredNote],
    nameless: list[MeasuredNote],
    speech: list[Span],
) -> Sounded:
    """What bears on one string; all lists are in order of time."""
    tones: list[Span] = [note for note in notes if note["kind"] == "reference_tone"]
    return Sounded(
        name,
        [note for note in notes if is_of(note, name)],
        [note for note in clear if is_of(note, name)],
        nameless,
        [*tones, *speech],
    )


# Turns ----------------------------------------------------------------------------------------


def weigh_moves(moves: list[MeasuredMove], sounded: Sounded) -> list[Move]:
    """The turns of a string with what is sure of each.

    Added are "sure" (a clear note on either side), "since_s" and "turned_s", the first and the
    last second a hand can have been at the peg. "sounding" false stays only where a silence lies
    inside the turn.
    """
    edges = [-math.inf, *(m["end_s"] for m in moves)]
    closes = [*(m["start_s"] for m in moves), math.inf]
    clear = [
        any(
            n["start_s"] < close - TURNS_EDGE_S and n["end_s"] > edge + TURNS_EDGE_S
            for n in sounded.clear
        )
        for edge, close in zip(edges, closes, strict=True)
    ]
    weighed: list[Move] = []
    for place, move in enumerate(moves):
        since_s, turned_s = _when_turned(move, sounded)
        weighed.append(
            {
                "start_s": move["start_s"],
                "end_s": move["end_s"],
                "sounding": _sounding(move, sounded),
                "uncertainty_cents": move.get("uncertainty_cents"),
                "from_cents": move["from_cents"],
                "to_cents": move["to_cents"],
                "sure": clear[place] and clear[place + 1],
                "since_s": since_s,
                "turned_s": turned_s,
                "repair": False,
            }
        )
    return weighed


def _sounding(move: MeasuredMove, sounded: Sounded) -> bool | None:
    """Whether the string sounded during a turn. Silence needs a silence inside the turn."""
    if move["sounding"] is not False:
        return move["sounding"]
    if _silence_s(move, sounded) < SILENT_GAP_S:
        return None
    return None if any(_overlap(move, note) > 0 for note in sounded.nameless) else False


def _silence_s(move: MeasuredMove, sounded: Sounded) -> float:
    """The longest time inside a turn in which nothing was heard that may be the string."""
    longest, quiet_from = 0.0, move["start_s"]
    sounds: list[Span] = [*sounded.own, *sounded.covering]
    for note in sorted(sounds, key=lambda sound: sound["start_s"]):
        if note["end_s"] > move["start_s"] and note["start_s"] < move["end_s"]:
            longest = max(longest, note["start_s"] - quiet_from)
            quiet_from = max(quiet_from, note["end_s"])
    return max(longest, move["end_s"] - quiet_from)


def _when_turned(move: MeasuredMove, sounded: Sounded) -> tuple[float, float]:
    """The first and the last second of a turn.

    A turn in which the string rang on from one note to the next is where the notes are. Else the
    string may have moved at any time since its last note, and not where the gap is too short.
    """
    last_s, clear_s = _last_s(sounded.own, move), _last_s(sounded.clear, move)
    came_back = move["start_s"] - last_s > SOUNDING_GAP_S
    if move["sounding"] is True and not came_back:
        return move["start_s"], move["end_s"]
    too_short = move["end_s"] - move["start_s"] < SOUNDING_GAP_S
    return clear_s, last_s if too_short else move["end_s"]


def _last_s(notes: list[MeasuredNote], move: MeasuredMove) -> float:
    """When the last of these notes before a turn ended; the turn's start where there is none."""
    start_s = move["start_s"]
    before = [note["end_s"] for note in notes if note["start_s"] < start_s - TURNS_EDGE_S]
    return min(max(before, default=start_s), start_s)


def last_turn_s(strings: Iterable[StudentString]) -> float | None:
    """When the last sure turn of any string ended; None where there is none."""
    ends = (move["turned_s"] for string in strings for move in string["moves"] if move["sure"])
    return max(ends, default=None)


def checked_s(sounded: Sounded, after_s: float | None) -> float | None:
    """When a string was first sounded after a second of the take; None: it was not."""
    starts = (note["start_s"] for note in sounded.own)
    return min((s for s in starts if after_s is None or s >= after_s - TURNS_EDGE_S), default=None)


def summary(moves: list[Move], span: tuple[float, float], tolerance: float) -> Summary:
    """The turns of a string in short; only what is sure of them.

    span : where the string may stand, tolerance : how far beside it is in tune, in cents.
    """
    sure = [move for move in moves if move["sure"]]
    silent = [move for move in sure if move["sounding"] is False]
    turned_back_s = reversals(sure)
    return {
        "overshoots": overshoots(sure, span, tolerance),
        "reversals": len(turned_back_s),
        "turned_back_s": turned_back_s,
        "silent_moves": len(silent),
        "largest_silent": max(silent, key=lambda move: abs(size(move)), default=None),
    }


def overshoots(moves: list[Move], span: tuple[float, float], tolerance: float) -> list[Overshoot]:
    """Turns that went past the note: from one side of its span out of tune on the other.

    Each is {"at_s", "cents"}: when, and how far past (signed).
    """
    low, high = span
    found: list[Overshoot] = []
    for move in moves:
        start, end = move["from_cents"], move["to_cents"]
        past = end - high if end > high else min(0.0, end - low)
        crossed = start < low if past > 0 else start > high
        if crossed and abs(past) > tolerance:
            found.append({"at_s": move["end_s"], "cents": past})
    return found


def reversals(moves: list[Move]) -> list[float]:
    """The seconds at which the turning of a string changed its direction."""
    return [b["start_s"] for a, b in pairwise(moves) if (size(a) > 0) != (size(b) > 0)]


def mark_repairs(moves: list[Move], changes: list[OwnChange]) -> None:
    """Mark the turns that only put right what a slip had done ("repair").

    They are the upward turns from a slip on, until the string is back where it had stood.
    """
    for move in moves:
        move["repair"] = False
    for slip in (change for change in changes if change["cause"] == "slip"):
        for move in moves:
            if move["start_s"] < slip["start_s"] - TURNS_EDGE_S:
                continue
            if size(move) <= 0:
                break
            move["repair"] = True
            if move["to_cents"] >= slip["from_cents"] - TURN_CENTS:
                break


# What a string did by itself ------------------------------------------------------------------


def own_changes(string: StudentString, sounded: Sounded, others: list[Move]) -> list[OwnChange]:
    """What changed between the turns of a string: it slipped, or the tuning of others pulled it.

    Each is {"start_s", "end_s", "from_cents", "to_cents", "cause": "slip" or "pull"}: between
    these two seconds it changed. `string` has start_cents, moves, deviation_cents and
    slipped_cents (the largest fall that the measuring took for a slip), `others` are the turns of
    all other strings.
    """
    moves, left = string["moves"], string["deviation_cents"]
    stays = [(move["end_s"], move["to_cents"]) for move in moves]
    if not moves:
        if not sounded.own or string["start_cents"] is None:
            return []
        stays = [(sounded.own[0]["start_s"], string["start_cents"])]
    onward = [(move["start_s"], move["from_cents"]) for move in moves[1:]]
    found: list[OwnChange] = []
    for (since_s, was), (until_s, then) in zip(stays, [*onward, (math.inf, left)], strict=True):
        if then is None or abs(then - was) <= TURN_CENTS:
            continue
        start_s, end_s = _when_changed(since_s, was, until_s, then, sounded)
        pulled = any(m["start_s"] < end_s and m["end_s"] > start_s for m in others)
        fall = string["slipped_cents"]
        slipped = fall is not None and abs(then - was + fall) <= TURNS_SAME_CENTS
        if not pulled and not slipped and not moves:
            continue  # a first note alone is no pitch to have changed from
        found.append(
            {
                "start_s": start_s,
                "end_s": end_s,
                "from_cents": was,
                "to_cents": then,
                "cause": "slip" if slipped or (then < was and not pulled) else "pull",
            }
        )
    return found


def _when_changed(
    since_s: float, was: float, until_s: float, then: float, sounded: Sounded
) -> tuple[float, float]:
    """The last second at the old pitch and the first at the new one, from the notes between."""
    for note in sounded.own:
        cents = note.get("deviation_cents")
        if cents is None or not since_s - TURNS_EDGE_S <= note["start_s"] < until_s:
            continue
        if abs(cents - then) < abs(cents - was):
            return since_s, max(since_s, note["start_s"])
        since_s = max(since_s, note["end_s"])
    return since_s, since_s if until_s == math.inf else max(since_s, until_s)
