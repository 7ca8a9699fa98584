"""The pitch that a string was left at, and its doubt: as much as was heard of it.

The notes of one kind are combined by random effects. Of their own doubts a part is shared, so that
no number of notes reduces it (`Doubts`: a body that bends a low partial bends it in each pluck);
the spread from note to note comes from the notes, beside a prior that fades with every one. Notes
from before another string's turn may have been pulled off since, all alike: how far strings are
pulled is read from all strings of the take that were sounded before and after. Kinds are combined
last, wider where they contradict.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import NamedTuple

from pegmark.measure.pieces import Move, Piece, TunedString, repeat_sd, systematic
from pegmark.settings import fitted
from pegmark.statistics.combining import combine, weigh
from pegmark.statistics.student_t import NORMAL_95
from pegmark.trade.instruments import Prior

LEAST_SD_CENTS = 0.05  # no note is surer than this
PRIOR_NOTES = 4.0  # the prior of the repeat counts like this many notes (degrees of freedom)
PULL_STRINGS = 1.0  # what is known of pulls before listening counts like so many strings
USUAL_PLUCKS = 4  # fewer plucks than a careful student's widen no interval that decides


class Doubts(NamedTuple):
    """How notes of one string err together; fitted (lab/fits/measure.py).

    shared_part : of a note's variance, by kind, what all notes of its kind and string share.
    width : how wide a note's own half-width proves, by kind. pull_sd_cents : how far a string is
    pulled while others are turned, before listening (standard deviation).
    """

    shared_part: Mapping[str, float]
    width: Mapping[str, float]
    pull_sd_cents: float


@cache
def fitted_doubts() -> Doubts:
    """What was fitted."""
    return Doubts(**fitted.numbers("measure")["as_left"])


class Part(NamedTuple):
    """What the notes of one kind say, all from before or all from after others' last turn.

    mean : cents. own, shared : half-widths of what the notes do not share, and do. usual : `own`,
    had the string been sounded as often as usual. player : of `own`, what the playing leaves open.
    """

    kind: str
    fresh: bool
    mean: float
    own: float
    shared: float
    usual: float
    player: float


class LeftPitch(NamedTuple):
    """A string as left.

    mean, half : its pitch in cents with the half-width of what was heard of it. deciding_half : the
    half-width that decides, which nothing that was left out makes wider. player_half : the part of
    `half` that is the player's (a pitch that wanders, notes that differ); the rest in quadrature
    is the measurement's.
    """

    mean: float
    half: float
    deciding_half: float
    player_half: float
    deciding: Piece


def turned_after(string: TunedString, strings: dict[str, TunedString], at_s: float) -> list[Move]:
    """The turns of other strings that ended after `at_s`."""
    return [
        move
        for other in strings.values()
        if other is not string
        for move in other.turns()
        if move.end_s > at_s
    ]


def leave_all(strings: dict[str, TunedString], prior: Prior) -> dict[str, LeftPitch]:
    """What every string that was heard was left at."""
    heard = {name: last_notes(s, strings) for name, s in strings.items() if s.left}
    return left_pitches(heard, prior, fitted_doubts())


class LastNotes(NamedTuple):
    """The notes that describe a string as left, and since when no other was turned."""

    pieces: Sequence[Piece]
    fresh_s: float


def last_notes(string: TunedString, strings: dict[str, TunedString]) -> LastNotes:
    """The last notes of a string that was heard."""
    last_s = string.left[-1].start_s
    ends = [move.end_s for move in turned_after(string, strings, -math.inf)]
    return LastNotes(string.left, max((end for end in ends if end <= last_s), default=-math.inf))


def left_pitches(
    heard: Mapping[str, LastNotes], prior: Prior, doubts: Doubts
) -> dict[str, LeftPitch]:
    """What the strings of one take were left at, from their last notes."""
    parts = {name: _parts(notes, prior, doubts) for name, notes in heard.items()}
    pull = _pull_half(parts.values(), doubts)
    return {name: _left(heard[name].pieces, found, pull) for name, found in parts.items()}


def _parts(notes: LastNotes, prior: Prior, doubts: Doubts) -> list[Part]:
    found = []
    for kind in ("bowed", "plucked"):
        for fresh in (True, False):
            pieces = [
                p for p in notes.pieces if p.kind == kind and (p.start_s >= notes.fresh_s) == fresh
            ]
            if pieces:
                found.append(_part(kind, fresh, pieces, prior, doubts))
    return found


def _part(kind: str, fresh: bool, pieces: Sequence[Piece], prior: Prior, doubts: Doubts) -> Part:
    part = doubts.shared_part[kind]
    wide = [(1.0 if p.rest else doubts.width[kind]) * p.half / NORMAL_95 for p in pieces]
    sds = [max(sd, LEAST_SD_CENTS) for sd in wide]
    alone = [(1 - part) * sd**2 for sd in sds]
    found = combine([p.cents for p in pieces], alone, repeat_sd(kind, prior) ** 2, PRIOR_NOTES)
    weights = [1 / (variance + found.tau2) for variance in alone]
    mean_sd = sum(w * sd for w, sd in zip(weights, sds, strict=True)) / sum(weights)
    few = min(1.0, len(pieces) / USUAL_PLUCKS) if kind == "plucked" else 1.0
    shared = math.hypot(math.sqrt(part) * NORMAL_95 * mean_sd, systematic(kind, prior))
    usual = found.half_width * math.sqrt(few)
    player = found.half_width * math.sqrt(_players_share(pieces, alone, found.tau2))
    return Part(kind, fresh, found.mean, found.half_width, shared, usual, player)


def _players_share(pieces: Sequence[Piece], alone: Sequence[float], tau2: float) -> float:
    """Of the variance that notes do not share, what their wander and their differences make."""
    wander = [
        variance * min(1.0, p.player / max(p.half, 1e-9)) ** 2
        for p, variance in zip(pieces, alone, strict=True)
    ]
    return (sum(wander) + len(pieces) * tau2) / (sum(alone) + len(pieces) * tau2)


def _pull_half(takes_parts: Iterable[list[Part]], doubts: Doubts) -> float:
    """Half-width of how far strings were pulled by the turning of others, from this take."""
    total, count = PULL_STRINGS * doubts.pull_sd_cents**2, PULL_STRINGS
    for parts in takes_parts:
        sides = [
            [(p.mean, math.hypot(p.own, p.shared)) for p in parts if p.fresh == fresh]
            for fresh in (True, False)
        ]
        if all(sides):
            (after, half), (before, half_before) = (weigh(side) for side in sides)
            seen = (after - before) ** 2 - (half**2 + half_before**2) / NORMAL_95**2
            total, count = total + max(0.0, seen), count + 1
    return NORMAL_95 * math.sqrt(total / count)


def _left(pieces: Sequence[Piece], parts: list[Part], pull: float) -> LeftPitch:
    # A bow reads more surely than a pluck; of equals the earliest is listened to.
    deciding = min(pieces, key=lambda p: (p.kind != "bowed", p.half, p.start_s))
    mean, half = _joined(parts, [p.own for p in parts], pull)
    _, usual = _joined(parts, [p.usual for p in parts], pull)
    return LeftPitch(mean, half, min(half, usual), _players(parts, half), deciding)


def _players(parts: Sequence[Part], half: float) -> float:
    """The player's part of a string's half-width: as large as in its parts, each as it weighs."""
    weight = [1 / (p.own**2 + p.shared**2) for p in parts]
    mine = sum((w * p.player) ** 2 for w, p in zip(weight, parts, strict=True))
    whole = sum(w**2 * (p.own**2 + p.shared**2) for w, p in zip(weight, parts, strict=True))
    return half * math.sqrt(mine / whole)


def _joined(parts: Sequence[Part], own: Sequence[float], pull: float) -> tuple[float, float]:
    """Mean and half-width of a string's parts, kind by kind. Where all notes are from before
    others' turns, so is what they say; what may have changed since is not in it."""
    pull = pull if any(p.fresh for p in parts) else 0.0
    kinds = []
    for kind in dict.fromkeys(p.kind for p in parts):
        told = [
            (p.mean, math.hypot(half, 0.0 if p.fresh else pull))
            for p, half in zip(parts, own, strict=True)
            if p.kind == kind
        ]
        mean, half = weigh(told)
        kinds.append((mean, math.hypot(half, max(p.shared for p in parts if p.kind == kind))))
    return weigh(kinds)
