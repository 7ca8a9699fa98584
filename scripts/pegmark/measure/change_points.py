"""Where a string's pitch changed: its pieces joined to stretches at one pitch."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from pegmark.measure.moves import PULL_MOST_CENTS, moves_between
from pegmark.measure.pieces import (
    UNSETTLED_HALF_CENTS,
    Piece,
    Stretch,
    TunedString,
    repeat_sd,
    sounding,
    systematic,
)
from pegmark.measure.plateaus import REST_CENTS, REST_S, ROUNDING_S
from pegmark.statistics.student_t import NORMAL_95
from pegmark.trade.instruments import Prior
from pegmark.trade.turning import TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.take import MeasuredNote

# A turn is of 5 cents or more (design, section 3): what is read this small may be one, where no
# other string was played, which might have pulled it.
LEAST_TURN_CENTS = 4.5
CHANGE_CENTS = 2.0  # the smallest change-point: real strings breathe by a cent or two
BRIEF_REST_S = 0.7  # a bow that rests no longer at its end may have left the string
OUTLIER_S = 0.3  # last notes shorter than this do not overturn what good ones agree on ...
OUTLIER_HALF_CENTS = 4.0  # ... nor do notes measured this badly ...
OUTLIER_LONG_S = 1.0  # ... unless they are longer than any syllable
SHARP_START_S = 0.4  # a loud pluck's start stands sharp for so long ...
SHARP_START_CENTS = 15.0  # ... and by so much, where no note before says where the string was
HARDLY_S, HARDLY_HALF_CENTS = 0.25, 4.0  # a rest so short or unsure may be another sound's
AT_ONCE_S = 0.3  # nor at all between notes so close
SOON_S = 1.5  # nobody turns a peg unheard between notes so close
FAINT_BELOW_DB = 8.0  # last notes so much fainter against the noise may be speech or somebody else


def find_changes(string: TunedString, timed: list[MeasuredNote], prior: Prior) -> None:
    """Fill in what describes a string as left, its changes, and whether it was lost.

    timed : the take's notes in order of time, which the string's pieces count.
    """
    if not string.pieces:
        return
    string.lost = string.pieces[-1].lost or any(
        _unconfirmed(last, before) for before, last in pairwise(string.pieces[-2:])
    )
    heard_last = string.pieces
    _rest_between_notes(string.pieces)
    string.pieces = _confirmed(string.pieces)
    known = [p for p in string.pieces if p.half <= UNSETTLED_HALF_CENTS]
    fine = _merge([Stretch([p]) for p in known or string.pieces], prior, CHANGE_CENTS)
    fine = _drop_outliers(fine)
    string.pieces = [p for stretch in fine for p in stretch.pieces]
    settled = [s for s in fine if s.settled()]
    string.left = [p for p in (settled or fine)[-1].pieces if p.steady or not settled]
    if settled and fine[-1] is not settled[-1]:  # it was still moving when last heard
        string.left = fine[-1].pieces
    string.lost |= not known or _moved_on(heard_last, string.left) or _hardly_heard(string, timed)
    string.lost |= _passed_over(string, timed)
    turned = _merge(fine, prior, LEAST_TURN_CENTS)
    string.changes = [
        move
        for move in moves_between(turned, string, timed, LEAST_TURN_CENTS)
        if abs(move.size()) > TURN_CENTS or not move.between_visits
    ]
    string.small = [
        move
        for move in moves_between(fine, string, timed, CHANGE_CENTS)
        if abs(move.size()) <= TURN_CENTS
    ]


def _unconfirmed(last: Piece, before: Piece) -> bool:
    """Whether a string moved as its last note died away, and was not sounded again: another
    player's note, or a voice, may have taken over."""
    if last.index != before.index:
        return False
    brief = last.kind == "bowed" and last.end_s - last.start_s < BRIEF_REST_S
    return abs(last.cents - before.cents) > (TURN_CENTS if brief else UNSETTLED_HALF_CENTS) and (
        brief or last.kind == "plucked"
    )


def _moved_on(pieces: list[Piece], left: list[Piece]) -> bool:
    """Whether later notes, measured too badly to say where, say that the string moved on."""
    after = [p for p in pieces if p.index > left[-1].index]
    return any(
        abs(p.cents - left[-1].cents) > math.hypot(p.half, left[-1].half)
        and p.end_s - p.start_s >= OUTLIER_S
        for p in after
    )


def _passed_over(string: TunedString, timed: list[MeasuredNote]) -> bool:
    """Whether a long last note, of which no pitch is known, came when a hand was at the peg: right
    after a turn, or after others had been played."""
    last = string.left[-1]
    later = [timed[i] for i in string.notes if i > last.index]
    lengths = [note["end_s"] - note["start_s"] for note in later]
    if max(lengths, default=0.0) < OUTLIER_LONG_S:
        return False
    turning = sum(p.index == last.index for p in string.pieces) > 1
    visited = any(
        names and string.name not in names
        for i in range(last.index + 1, string.notes[-1])
        if (names := [name for name, _ in sounding(timed[i])])
    )
    return turning or visited


def _hardly_heard(string: TunedString, timed: list[MeasuredNote]) -> bool:
    """Whether the notes that say where the string is are faint ones, far from all before them."""
    left = {p.index for p in string.left}
    before = [
        p for p in string.pieces if p.index not in left and p.start_s < string.left[0].start_s
    ]
    if not before or abs(before[-1].cents - string.left[0].cents) <= PULL_MOST_CENTS:
        return False
    own, others = (
        [snr for i in sorted(group) if (snr := timed[i].get("snr_db")) is not None]
        for group in (left, {p.index for p in before})
    )
    return bool(own and others) and max(own) < float(np.median(others)) - FAINT_BELOW_DB


def _rest_between_notes(pieces: list[Piece]) -> None:
    """Mark as steady where one note glides to and the next glides on from, if it is one pitch."""
    for a, b in pairwise(pieces):
        apart_s = b.end_s - a.start_s  # the last point of one track to the first of the next
        moving = not a.steady and not b.steady and not a.glides_on
        if moving and apart_s >= REST_S - ROUNDING_S and abs(a.cents - b.cents) <= REST_CENTS:
            a.steady = b.steady = True


def _confirmed(pieces: list[Piece]) -> list[Piece]:
    """The pieces without those rests of plucks that the notes beside them contradict.

    A loud pluck starts sharp: what falls soon after its start was turned only if the note before
    ended where it started. And what the next note, soon after, takes up again it never left.
    """
    kept = _without(_is_attack, pieces)
    kept = _without(_is_taken_back, kept)
    for piece, after in zip(kept, [*kept[1:], None], strict=True):
        piece.glides_on &= after is not None and after.index == piece.index
    return kept


def _without(
    doubted: Callable[[Piece, Piece | None, Piece | None], bool], pieces: list[Piece]
) -> list[Piece]:
    """The pieces that are not doubted, of what comes after them and what was kept before."""
    kept: list[Piece] = []
    for piece, after in zip(pieces, [*pieces[1:], None], strict=True):
        if not doubted(piece, after, kept[-1] if kept else None):
            kept.append(piece)
    return kept if len(kept) == len(pieces) else _without(doubted, kept)


def _is_attack(piece: Piece, after: Piece | None, before: Piece | None) -> bool:
    """Whether a pluck's first piece is the sharp start of the one that follows."""
    first = piece.glides_on and (before is None or before.index != piece.index)
    if not first or after is None or piece.kind != "plucked" or piece.cents < after.cents:
        return False
    if after.start_s - piece.start_s > SHARP_START_S:
        return False
    if before is None or piece.start_s - before.end_s > SOON_S:
        return piece.cents - after.cents < SHARP_START_CENTS
    return abs(before.cents - piece.cents) > abs(before.cents - after.cents)


def _is_taken_back(piece: Piece, after: Piece | None, before: Piece | None) -> bool:
    """Whether where a note moved to at its end is contradicted by the next note, or was hardly
    heard and never again: another sound may have taken over."""
    if before is None or before.index != piece.index or not before.steady:
        return False
    if after is not None and after.index == piece.index:
        return False
    if piece.kind == "bowed":
        at_once = after is not None and after.start_s - piece.end_s <= AT_ONCE_S
        return at_once and after is not None and _is_back(piece, after, before)
    hardly = piece.half > HARDLY_HALF_CENTS or piece.end_s - piece.start_s < HARDLY_S
    small = abs(piece.cents - before.cents) < SHARP_START_CENTS
    if after is None:
        return small
    soon = after.start_s - piece.end_s <= SOON_S
    return _is_back(piece, after, before) and (soon or hardly or small)


def _is_back(piece: Piece, after: Piece, before: Piece) -> bool:
    """Whether the next note stands where a note had stood before it moved."""
    there = abs(after.cents - before.cents) < abs(after.cents - piece.cents) / 2
    return after.steady and there


def _merge(stretches: list[Stretch], prior: Prior, least: float) -> list[Stretch]:
    """Join neighbours whose pitches agree, the most alike first, until none do."""
    stretches = [_measured(Stretch(list(s.pieces)), prior) for s in stretches]
    while len(stretches) > 1:
        apart = [_apart(a, b, prior, least) for a, b in pairwise(stretches)]
        k = int(np.argmin(apart))
        if apart[k] > 1:
            break
        joined = _measured(Stretch(stretches[k].pieces + stretches[k + 1].pieces), prior)
        stretches[k : k + 2] = [joined]
    return stretches


def _measured(stretch: Stretch, prior: Prior) -> Stretch:
    """Fill in the stretch's own mean and half-width: its steady notes, weighted, with repeats."""
    pieces = [p for p in stretch.pieces if p.steady] or stretch.pieces
    variance = np.array([p.variance() + repeat_sd(p.kind, prior) ** 2 for p in pieces])
    weight = 1 / variance
    stretch.mean = float(np.sum(weight * [p.cents for p in pieces]) / np.sum(weight))
    stretch.shared = float(np.sum(weight * [p.half for p in pieces]) / np.sum(weight))
    stretch.half = NORMAL_95 / math.sqrt(float(np.sum(weight)))
    return stretch


def _apart(a: Stretch, b: Stretch, prior: Prior, least: float) -> float:
    """The distance of two stretches in units of the smallest that counts."""
    if a.pieces[-1].glides_on:
        return math.inf  # a glide was heard between them
    half = math.hypot(a.half, b.half)
    if a.kinds() != b.kinds():
        kinds = (systematic(kind, prior) for kind in ("plucked", "bowed"))
        half = math.hypot(half, a.shared, b.shared, *kinds)
    return abs(a.mean - b.mean) / max(least, half)


def _drop_outliers(stretches: list[Stretch]) -> list[Stretch]:
    """Leave out last notes, short or badly measured, that good ones before them contradict.

    What is spoken after the last note can pass for a note, not for a good one.
    """
    kept = list(stretches)
    while len(kept) > 1 and all(_poor(p) for p in kept[-1].pieces):
        kept.pop()
    good = sum(p.steady and not _poor(p) for p in kept[-1].pieces)
    return kept if good >= 2 and not kept[-1].pieces[-1].glides_on else stretches


def _poor(piece: Piece) -> bool:
    length = piece.end_s - piece.start_s
    badly = piece.half > OUTLIER_HALF_CENTS and length < OUTLIER_LONG_S
    return length < OUTLIER_S or badly
