"""What every string was left at, and how surely."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, cast

import numpy as np

from pegmark.measure.left_pitch import LeftPitch, turned_after
from pegmark.measure.moves import slipped
from pegmark.measure.pieces import TunedString
from pegmark.measure.plateaus import ROUNDING_S
from pegmark.records.note import SURE_PROBABILITY
from pegmark.trade import pitch
from pegmark.trade.turning import TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.take import MeasuredNote, MeasuredString
    from pegmark.records.values import Heard

LOST_HALF_CENTS = 50.0  # half-width of a string that was moving when it was last heard
UNTOUCHED_CENTS = 2.0  # added in quadrature if another string was turned afterwards (design) ...
UNTOUCHED_SHARE = 0.02  # ... or so much of all those turns' way (common practice, no source)
UNREAD_S = 0.3  # a last note so long without a pitch leaves open where its string was left
UNSURE_REACH_CENTS = 600.0  # strings this close to an unnamed note may be the one that sounded


def describe(
    string: TunedString,
    strings: dict[str, TunedString],
    timed: list[MeasuredNote],
    left: LeftPitch | None,
    target_hz: float,
    last_turn_s: float | None,
    tuned_as: int | None,
) -> MeasuredString:
    """The fields of one string in the measured record; left: None where it was not heard."""
    moves = string.turns()
    upward = [m.size() for m in moves if m.size() > 0]
    field_values: MeasuredString = {
        "target_hz": target_hz,
        "f0_hz": None,
        "deviation_cents": None,
        "uncertainty_cents": None,
        "deciding_uncertainty_cents": None,
        "player_cents": None,
        "kind": None,
        "at_s": None,
        "notes": len(string.left),
        "heard": "unsure" if _untold(string, strings, timed) else _heard(string, timed, target_hz),
        "start_cents": string.pieces[0].cents if string.pieces else None,
        "moves": [m.as_dict() for m in moves],
        "changes": [m.as_change() for m in string.by_itself()],
        "largest_move_cents": max(upward) if upward else None,
        "slipped_cents": slipped(string),
        "drift_cents": _drift(string, timed),
        "settled_s": string.settled_s(),
        "checked_s": _checked_s(string, timed, last_turn_s),
        "deciding": None,
        "tuned_as": tuned_as,
    }
    if left is not None:
        last_heard = timed[string.notes[-1]]["end_s"]
        others = [move.size() for move in turned_after(string, strings, last_heard)]
        pulled = max(UNTOUCHED_CENTS, UNTOUCHED_SHARE * abs(sum(others))) if others else 0.0
        lost = LOST_HALF_CENTS if string.lost else 0.0
        note = timed[left.deciding.index]
        field_values |= {
            "f0_hz": pitch.shift_hz(target_hz, left.mean),
            "deviation_cents": left.mean,
            "uncertainty_cents": math.hypot(left.half, pulled, lost),
            "deciding_uncertainty_cents": math.hypot(left.deciding_half, lost),
            "player_cents": left.player_half,
            "kind": cast("Literal['plucked', 'bowed', 'two_strings']", note["kind"]),
            "at_s": left.deciding.start_s,
            "deciding": {"start_s": note["start_s"], "end_s": note["end_s"]},
        }
    return field_values


def _untold(
    string: TunedString, strings: dict[str, TunedString], timed: list[MeasuredNote]
) -> bool:
    """Whether a string was heard out of tune before the first turn of any, and never again.

    Who turns the other pegs turns this one too: it may have been tuned where nothing was heard. So
    it may if the others were turned unheard: sounded before, but not told, and told only later.
    """
    if not string.left or string.turns():
        return False
    last_s = max(piece.end_s for piece in string.pieces)
    others = [other for other in strings.values() if other is not string]
    turned_s = [move.start_s for other in others for move in other.turns()]
    if any(_is_unnamed(note) and note["end_s"] < last_s + ROUNDING_S for note in timed):
        told_s = (timed[other.notes[0]]["start_s"] for other in others if other.notes)
        turned_s += [start for start in told_s if start > last_s]
    off = abs(float(np.median([piece.cents for piece in string.left])))
    return off > TURN_CENTS and bool(turned_s) and last_s <= min(turned_s) + ROUNDING_S


def _is_unnamed(note: MeasuredNote) -> bool:
    return note["kind"] in ("plucked", "bowed", "two_strings") and not note.get("string")


def _heard(string: TunedString, timed: list[MeasuredNote], target_hz: float) -> Heard:
    """ "heard", "not_heard", or "unsure": an unnamed note may be this string's last word."""
    if string.lost:
        return "unsure"
    last = timed[string.notes[-1]]["start_s"] if string.pieces else -math.inf
    for note in timed:
        if not _is_unnamed(note) or note["start_s"] < last:
            continue
        if (note.get("string_odds") or 0.0) >= SURE_PROBABILITY:
            continue
        heights = (note.get("f0_hz"), note.get("f0_2_hz"))
        if any(f and abs(pitch.cents_between(f, target_hz)) < UNSURE_REACH_CENTS for f in heights):
            return "unsure"
    if not string.pieces:
        return "unsure" if string.notes else "not_heard"
    return "unsure" if _ends_unread(string, timed) else "heard"


def _ends_unread(string: TunedString, timed: list[MeasuredNote]) -> bool:
    """Whether a string's last note told no pitch: it may have moved since it was last measured."""
    note = timed[string.notes[-1]]
    long = note["end_s"] - note["start_s"] > UNREAD_S
    return long and note.get("f0_hz") is None


def _drift(string: TunedString, timed: list[MeasuredNote]) -> float | None:
    """The median attack drift of the notes that describe the string, else of all its plucks."""
    for indices in ([p.index for p in string.left], string.notes):
        drifts = [timed[i].get("attack_drift_cents") for i in indices]
        known = [d for d in drifts if d is not None]
        if known:
            return float(np.median(known))
    return None


def _checked_s(
    string: TunedString, timed: list[MeasuredNote], last_turn_s: float | None
) -> float | None:
    """The first sounding after the last turn of any string (with no turn at all: the first)."""
    starts = [timed[i]["start_s"] for i in string.notes]
    after = [s for s in starts if last_turn_s is None or s >= last_turn_s - ROUNDING_S]
    return min(after) if after else None
