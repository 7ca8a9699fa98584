"""Pieces of notes at one pitch, and what is gathered about one string.

All cents are against equal temperament at A4 = 440 Hz. An uncertainty is the half-width of a
95 % interval.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from pegmark.measure import plateaus
from pegmark.measure.plateaus import COARSE_HALF_CENTS, ROUNDING_S, Rest
from pegmark.statistics.student_t import NORMAL_95
from pegmark.trade import pitch
from pegmark.trade.instruments import Prior
from pegmark.trade.turning import TURN_CENTS

if TYPE_CHECKING:
    from pegmark.records.take import MeasuredMove, MeasuredNote, OwnChange

Place = Literal["f0_hz", "f0_2_hz"]  # the field of a note that holds a string's pitch

PIECE_ATTACK_S = 0.15  # a pluck falls fastest before this (design, section 6)
UNSAID_TURN_CENTS = 8.0  # a turn in a bow whose fit does not call it gliding: bows wander ...
UNSAID_REST_S = 0.3  # ... but do not rest in between
TRACK_GAP_S = 1.0  # a note that sounds on longer than this after its track may have moved on
STRAIGHT_CENTS = 0.01  # a fall this even from third to third is a peg's, not an attack's
UNSETTLED_HALF_CENTS = 12.0  # a pitch known no better than this is not a settled one
FLOOR_SD_CENTS = {"plucked": 0.8, "bowed": 0.45}  # of a note beside others: real strings breathe


def repeat_sd(kind: str, prior: Prior) -> float:
    """Standard deviation, in cents, from note to note of one kind, before listening."""
    return (prior.plucked_repeat if kind == "plucked" else prior.bowed_repeat) / NORMAL_95


def systematic(kind: str, prior: Prior) -> float:
    """Half-width, in cents, of what all notes of one kind share, before listening."""
    return prior.plucked_systematic if kind == "plucked" else prior.bowed_systematic


@dataclass
class Piece:
    """A stretch of one note at one pitch. A gliding note gives two, before and after."""

    index: int  # of the note, in order of time
    start_s: float
    end_s: float
    cents: float
    half: float  # half-width of the note itself
    kind: str  # plucked or bowed: how its pitch was made
    steady: bool  # False: the string was moving
    glides_on: bool = False  # the next piece is the same note, after a glide
    lost: bool = False  # it moved on, and where to was not heard
    player: float = 0.0  # the part of `half` that is the player's
    rest: bool = False  # a part of a note, between turns: `half` was fitted as it is

    def variance(self) -> float:
        """Of its pitch, in cents squared."""
        return max(self.half / NORMAL_95, FLOOR_SD_CENTS[self.kind]) ** 2


@dataclass
class Stretch:
    """Neighbouring pieces at one pitch."""

    pieces: list[Piece]
    mean: float = 0.0
    half: float = 0.0
    shared: float = 0.0  # half-width of what its notes may share

    def settled(self) -> bool:
        """Whether any of its pieces stood still."""
        return any(p.steady for p in self.pieces)

    def kinds(self) -> set[str]:
        """Of plucked and bowed, those that its pieces are."""
        return {p.kind for p in self.pieces}


@dataclass
class Move:
    """A change of a string's pitch from one settled pitch to the next."""

    start_s: float
    end_s: float
    from_cents: float
    to_cents: float
    sounding: bool | None
    since_s: float  # the end of the last note before it
    glided: bool  # most of the way was heard
    between_visits: bool  # other strings sounded in between
    hand_heard: bool  # a part of the way was heard as a glide, or there was more to hear
    heard_again: bool  # the string was sounded anew where it had moved to, before any other was
    stood_notes: int  # that found the string where it moved from ...
    stood_s: float  # ... and for how long it was so
    half: float  # of its size, 95 %
    cause: str = "turn"  # turn, pull or slip

    def size(self) -> float:
        """In cents, positive upward."""
        return self.to_cents - self.from_cents

    def as_dict(self) -> MeasuredMove:
        """As the measured record has it."""
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "from_cents": self.from_cents,
            "to_cents": self.to_cents,
            "sounding": self.sounding,
            "uncertainty_cents": self.half,
        }

    def as_change(self) -> OwnChange:
        """As the measured record has what the string did by itself."""
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "from_cents": self.from_cents,
            "to_cents": self.to_cents,
            "uncertainty_cents": self.half,
            "cause": "slip" if self.cause == "slip" else "pull",
        }


@dataclass
class TunedString:
    """Everything gathered about one string."""

    name: str
    notes: list[int] = field(default_factory=list)  # indices, in order of time
    pieces: list[Piece] = field(default_factory=list)
    left: list[Piece] = field(default_factory=list)
    changes: list[Move] = field(default_factory=list)
    small: list[Move] = field(default_factory=list)  # changes too small for turns
    lost: bool = False  # it was moving when last heard, or never heard well enough

    def turns(self) -> list[Move]:
        """Its changes that a hand made."""
        return [m for m in self.changes if m.cause == "turn"]

    def by_itself(self) -> list[Move]:
        """Its changes that no hand made, in order of time."""
        own = [m for m in (*self.changes, *self.small) if m.cause != "turn"]
        return sorted(own, key=lambda m: m.start_s)

    def settled_s(self) -> float | None:
        """When its last turn ended."""
        return self.turns()[-1].end_s if self.turns() else None


def sounding(note: MeasuredNote) -> list[tuple[str, Place]]:
    """The strings a note sounds, each with the field that holds its pitch."""
    name, second = note.get("string"), note.get("string_2")
    if note["kind"] in ("plucked", "bowed") and name:
        return [(name, "f0_hz")]
    if note["kind"] == "two_strings" and name and second:
        return [(name, "f0_hz"), (second, "f0_2_hz")]
    return []


def pieces_of(index: int, note: MeasuredNote, place: Place, target_hz: float) -> list[Piece]:
    """The pieces of note number `index`; `place` is the field of its pitch. None: no pitch."""
    f0, half = note.get("f0_hz"), note.get("uncertainty_cents")
    if place == "f0_2_hz":
        f0, half = note.get("f0_2_hz"), note.get("uncertainty_2_cents") or half
    if f0 is None or half is None:
        return []
    cents = pitch.cents_between(f0, target_hz)
    kind = "plucked" if note["kind"] == "plucked" else "bowed"
    stops = _rests(note, half) if place == "f0_hz" else []
    if len(stops) < 2:
        steady = half <= UNSETTLED_HALF_CENTS
        if stops and stops[0].steady and not steady:
            cents, half, steady = stops[0].cents, stops[0].half, True
        piece = Piece(index, note["start_s"], note["end_s"], cents, half, kind, steady)
        piece.player = min(half, note.get("player_cents") or 0.0)
        piece.lost = bool(note.get("gliding")) and _track_lost(note)
        return [piece]
    pieces = [
        Piece(index, stop.start_s, stop.end_s, stop.cents, stop.half, kind, stop.steady, rest=True)
        for stop in stops
    ]
    for piece in pieces[:-1]:
        piece.glides_on = True
    pieces[0].start_s, pieces[-1].end_s = note["start_s"], note["end_s"]
    pieces[-1].lost = not pieces[-1].steady or _track_lost(note)
    return pieces


def _track_lost(note: MeasuredNote) -> bool:
    """Whether a note sounds on after its track, or what is known of its rests, ends."""
    track = note.get("track") or []
    known_s = max(
        [at for at, _ in track] + [rest[1] for rest in note.get("rests") or []], default=0
    )
    return note["end_s"] - known_s > TRACK_GAP_S


def _rests(note: MeasuredNote, half: float) -> list[Rest]:
    """The pitches between which a note glides (its peg turned while it sounded).

    Fewer than two: it did not. A bow's fit reads them from its fine track ("rests"); else they
    come from the coarse one. Whether a pluck glides beyond the fall of its attack is known to
    its fit ("gliding"); where that is not told, a pluck that falls steepest at first does not.
    """
    told = note.get("rests")
    if told is not None:
        return [
            Rest(start, end, cents, width is not None, width or COARSE_HALF_CENTS)
            for start, end, cents, width in told
        ]
    gliding, plucked = note.get("gliding"), note["kind"] == "plucked"
    track = np.array(note.get("track") or [], dtype=float).reshape(-1, 2)
    if plucked:
        track = track[track[:, 0] >= note["start_s"] + PIECE_ATTACK_S - ROUNDING_S]
    if len(track) < 4 or (plucked and gliding is False):
        return []
    times, cents = track[:, 0], plateaus.smooth(track[:, 1])
    noise = plateaus.wander(track[:, 1], 0.15 if gliding else 0.3)
    least = max(TURN_CENTS, 3 * noise)
    if plucked and gliding is None and _falls_as_attack(times, cents):
        return []
    if gliding is False and not plucked:
        # Only what rests, turns and rests again is more than wander.
        found = plateaus.plateaus(times, cents, noise)
        found = [rest for rest in found if rest.end_s - rest.start_s >= UNSAID_REST_S - ROUNDING_S]
        return plateaus.distinct(found, max(least, half, UNSAID_TURN_CENTS)) if found else []
    return plateaus.between_turns(times, cents, noise, least, COARSE_HALF_CENTS)


def _falls_as_attack(times: np.ndarray, cents: np.ndarray) -> bool:
    third = times[0] + (times[-1] - times[0]) * np.array([1, 2]) / 3
    early, late = np.interp(third, times, cents)
    steeper = (cents[0] - early) - (early - late)
    return bool(cents[-1] < cents[0] and steeper > STRAIGHT_CENTS)
