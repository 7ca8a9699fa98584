"""How each string was tuned, and how it was left: change-points, moves, the combined pitch.

All cents are against equal temperament at A4 = 440 Hz. An uncertainty is the half-width of a
95 % interval. The definitions are those of the design (section 3):

- A change-point parts two stretches of a string's notes whose pitches differ by more than their
  uncertainties and repeats explain. A turn is one larger than max(5 cents, the combined
  half-width), or a glide while the string sounds. Changes that a string made by itself (it was
  pulled by the tuning of others, or fell back) are change-points but no turns.
- A move joins two settled pitches. What glides through is not settled.
- A string is LEFT as its notes after its last change-point describe it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from pegmark.measure import plateaus
from pegmark.measure.plateaus import COARSE_HALF_CENTS, REST_CENTS, REST_S, ROUNDING_S, Rest
from pegmark.records.note import SURE_ODDS
from pegmark.statistics.combining import combine
from pegmark.statistics.student_t import NORMAL_95
from pegmark.trade import pitch
from pegmark.trade.instruments import Instrument

TURN_CENTS = 5.0  # the smallest change that is called a turn (design, section 3)
CHANGE_CENTS = 2.0  # the smallest change-point: real strings breathe by a cent or two
ATTACK_S = 0.15  # a pluck falls fastest before this (design, section 6)
UNSAID_TURN_CENTS = 8.0  # a turn in a bow whose fit does not call it gliding: bows wander ...
UNSAID_REST_S = 0.3  # ... but do not rest in between
TRACK_GAP_S = 1.0  # a note that sounds on longer than this after its track may have moved on
LOST_HALF_CENTS = 50.0  # half-width of a string that was moving when it was last heard
STRAIGHT_CENTS = 0.01  # a fall this even from third to third is a peg's, not an attack's
UNSETTLED_HALF_CENTS = 12.0  # a pitch known no better than this is not a settled one
SOUNDING_GAP_S = 0.5  # a silence shorter than this between two plucks: turned while it rang
SILENT_GAP_S = 1.2  # longer than this: turned in silence; between the two, unknown
OUTLIER_S = 0.3  # last notes shorter than this do not overturn what good ones agree on ...
OUTLIER_HALF_CENTS = 4.0  # ... nor do notes measured this badly ...
OUTLIER_LONG_S = 1.0  # ... unless they are longer than any syllable
UNTOUCHED_CENTS = 2.0  # added in quadrature if another string was turned afterwards (design) ...
UNTOUCHED_SHARE = 0.02  # ... or so much of all those turns' way (common practice, no source)
FAINT_BELOW_DB = 8.0  # last notes so much fainter against the noise may be speech or somebody else
# A string moves a little by itself while others are tuned, down as they go up: this far, and by
# this share of their turns, but never more than the last figure (common practice, no source).
PULL_CENTS = 8.0
PULL_SHARE = 0.05
PULL_MOST_CENTS = 25.0
LET_GO_CENTS = 20.0  # nobody turns a string down so far from pitch and leaves it: it let go
ROUND_NOTES = 2  # a first round sounds every string once: at most so many notes of each ...
ROUND_GAP_S = 3.0  # ... and no longer silence (common practice, no source)
UNSURE_REACH_CENTS = 600.0  # strings this close to an unnamed note may be the one that sounded


class Prior(NamedTuple):
    """What is known of an instrument before listening, in cents (half-widths of 95 %).

    `repeat`: how far one note stands from another of an untouched string. `systematic`: what all
    notes of a kind share, so that averaging never reduces it. Plucks: a body resonance beside a
    low partial bends the whole series the same way each time; the heavier the string against the
    body, the more. Cello +-2 and bass +-5 from take to take are measured on real samples
    (design, section 6); the violin's strings are a quarter of the cello's weight and keep twice
    the partials, so +-1, the viola stands between. Bows: the player's force flattens (from
    memory), less on light strings.
    """

    plucked_repeat: float
    bowed_repeat: float
    plucked_systematic: float
    bowed_systematic: float


PRIORS = {
    "violin": Prior(1.2, 0.8, 1.0, 0.5),
    "viola": Prior(1.2, 0.8, 1.5, 0.6),
    "cello": Prior(1.5, 1.0, 2.0, 0.8),
    "double bass": Prior(3.5, 2.0, 5.0, 1.5),
}
PRIOR_NOTES = 8.0  # the prior of the repeat counts like this many notes (degrees of freedom)
FLOOR_SD_CENTS = {"plucked": 0.8, "bowed": 0.45}  # no note is surer than this (design, section 6)


@dataclass
class _Piece:
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

    def variance(self) -> float:
        return max(self.half / NORMAL_95, FLOOR_SD_CENTS[self.kind]) ** 2


@dataclass
class _Stretch:
    """Neighbouring pieces at one pitch."""

    pieces: list[_Piece]
    mean: float = 0.0
    half: float = 0.0

    def settled(self) -> bool:
        return any(p.steady for p in self.pieces)

    def kinds(self) -> set[str]:
        return {p.kind for p in self.pieces}


@dataclass
class _Move:
    start_s: float
    end_s: float
    from_cents: float
    to_cents: float
    sounding: bool | None
    since_s: float  # the end of the last note before it
    glided: bool  # most of the way was heard
    between_visits: bool  # other strings sounded in between
    cause: str = "turn"  # turn, pull or slip

    def size(self) -> float:
        return self.to_cents - self.from_cents

    def as_dict(self) -> dict[str, Any]:
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "from_cents": self.from_cents,
            "to_cents": self.to_cents,
            "sounding": self.sounding,
        }


@dataclass
class _String:
    """Everything gathered about one string."""

    name: str
    notes: list[int] = field(default_factory=list)  # indices, in order of time
    pieces: list[_Piece] = field(default_factory=list)
    left: list[_Piece] = field(default_factory=list)
    changes: list[_Move] = field(default_factory=list)
    lost: bool = False  # it was moving when last heard, or never heard well enough

    def turns(self) -> list[_Move]:
        return [m for m in self.changes if m.cause == "turn"]

    def settled_s(self) -> float | None:
        return self.turns()[-1].end_s if self.turns() else None


def read_tuning(notes: list[dict[str, Any]], instrument: Instrument) -> dict[str, Any]:
    """What every string's notes say of how it was tuned and left.

    Parameters
    ----------
    notes
        Measured notes ("start_s", "end_s", "kind", "string", "string_odds", "f0_hz",
        "deviation_cents", "uncertainty_cents", "attack_drift_cents", "track", "rests"; two
        strings together also "string_2", "f0_2_hz"), in any order. A note whose pitch is null
        sounds, but says nothing of pitch. Harmonics, reference tones and notes without a string
        say nothing of a string.
    instrument
        Its strings and the priors of its kind.

    Returns
    -------
    {"strings": {name: fields of the measured record}, "order", "last_turn_s", "roles" (one per
    note, in the order given), "intervals"}. See the contract for each field.
    """
    order = sorted(range(len(notes)), key=lambda i: _when(notes[i]))
    timed = [notes[i] for i in order]
    prior = PRIORS.get(instrument.name, PRIORS["double bass"])
    strings = {name: _String(name) for name in instrument.strings}
    targets = instrument.hz()
    for i, note in enumerate(timed):
        for name, place in _sounding(note):
            if name in strings:
                strings[name].notes.append(i)
                strings[name].pieces += _pieces(i, note, place, targets[name])
    for string in strings.values():
        _find_changes(string, timed, prior)
    for string in strings.values():
        _find_causes(string, strings)
    last_turn = max((s.settled_s() or -math.inf for s in strings.values()), default=-math.inf)
    last_turn_s = None if last_turn == -math.inf else last_turn
    first_round = _first_round(timed, strings)
    ranks = _ranks(timed, strings, first_round)
    record = {
        name: _describe(string, strings, timed, prior, targets[name], last_turn_s)
        | {"tuned_as": ranks.get(name)}
        for name, string in strings.items()
    }
    roles = _roles(timed, strings, last_turn_s)
    return {
        "strings": record,
        "order": sorted(ranks, key=lambda name: ranks[name]),
        "last_turn_s": last_turn_s,
        "roles": [roles[order.index(i)] for i in range(len(notes))],
        "intervals": [interval for note in timed if (interval := read_interval(note, instrument))],
    }


def read_interval(note: dict[str, Any], instrument: Instrument) -> dict[str, Any] | None:
    """The interval of a two_strings note against the pure one, or None when it has none.

    "interval_cents" is positive when it is wide; "beats_hz" is the rate of the beating partials,
    |2 f_high - 3 f_low| in fifths and |3 f_high - 4 f_low| in fourths.
    """
    names = list(instrument.strings)
    if note["kind"] != "two_strings" or not (note.get("f0_hz") and note.get("f0_2_hz")):
        return None
    low, high = note.get("string"), note.get("string_2")
    if low not in names or high not in names or names.index(low) - names.index(high) != 1:
        return None
    pure, up, down = (
        (pitch.PURE_FIFTH_CENTS, 2, 3)
        if instrument.interval == 7
        else (pitch.PURE_FOURTH_CENTS, 3, 4)
    )
    half = note.get("uncertainty_cents")
    half_2 = note.get("uncertainty_2_cents") or half
    return {
        "string": high,
        "string_2": low,
        "interval_cents": pitch.cents_between(note["f0_2_hz"], note["f0_hz"]) - pure,
        "beats_hz": abs(up * note["f0_2_hz"] - down * note["f0_hz"]),
        "at_s": note["start_s"],
        "uncertainty_cents": None if half is None or half_2 is None else math.hypot(half, half_2),
    }


def _when(note: dict[str, Any]) -> tuple[float, float, float]:
    return (note["start_s"], note["end_s"], note.get("f0_hz") or 0.0)


def _sounding(note: dict[str, Any]) -> list[tuple[str, str]]:
    """The strings a note sounds, each with the field that holds its pitch."""
    if note["kind"] in ("plucked", "bowed") and note.get("string"):
        return [(note["string"], "f0_hz")]
    if note["kind"] == "two_strings" and note.get("string") and note.get("string_2"):
        return [(note["string"], "f0_hz"), (note["string_2"], "f0_2_hz")]
    return []


def _pieces(index: int, note: dict[str, Any], place: str, target_hz: float) -> list[_Piece]:
    f0, half = note.get(place), note.get("uncertainty_cents")
    if place == "f0_2_hz":
        half = note.get("uncertainty_2_cents") or half
    if f0 is None or half is None:
        return []
    cents = pitch.cents_between(f0, target_hz)
    kind = "plucked" if note["kind"] == "plucked" else "bowed"
    stops = _rests(note, half) if place == "f0_hz" else []
    if len(stops) < 2:
        steady = half <= UNSETTLED_HALF_CENTS
        if stops and stops[0].steady and not steady:
            cents, half, steady = stops[0].cents, stops[0].half, True
        piece = _Piece(index, note["start_s"], note["end_s"], cents, half, kind, steady)
        piece.lost = bool(note.get("gliding")) and _track_lost(note)
        return [piece]
    pieces = [
        _Piece(index, stop.start_s, stop.end_s, stop.cents, stop.half, kind, stop.steady)
        for stop in stops
    ]
    for piece in pieces[:-1]:
        piece.glides_on = True
    pieces[0].start_s, pieces[-1].end_s = note["start_s"], note["end_s"]
    pieces[-1].lost = not pieces[-1].steady or _track_lost(note)
    return pieces


def _track_lost(note: dict[str, Any]) -> bool:
    """Whether a note sounds on after its track, or what is known of its rests, ends."""
    track = note.get("track") or []
    known_s = max(
        [at for at, _ in track] + [rest[1] for rest in note.get("rests") or []], default=0
    )
    return note["end_s"] - known_s > TRACK_GAP_S


def _rests(note: dict[str, Any], half: float) -> list[Rest]:
    """The pitches between which a note glides (its peg turned while it sounded).

    Fewer than two: it did not. A bow's fit reads them from its fine track ("rests"); else they
    come from the coarse one. Whether a pluck glides beyond the fall of its attack is known to
    its fit ("gliding"); where that is not told, a pluck that falls steepest at first does not.
    """
    if note.get("rests") is not None:
        return [
            Rest(start, end, cents, width is not None, width or COARSE_HALF_CENTS)
            for start, end, cents, width in note["rests"]
        ]
    gliding, plucked = note.get("gliding"), note["kind"] == "plucked"
    track = np.array(note.get("track") or [], dtype=float).reshape(-1, 2)
    if plucked:
        track = track[track[:, 0] >= note["start_s"] + ATTACK_S - ROUNDING_S]
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


def _find_changes(string: _String, timed: list[dict[str, Any]], prior: Prior) -> None:
    if not string.pieces:
        return
    string.lost = string.pieces[-1].lost or any(
        _unconfirmed(last, before) for before, last in pairwise(string.pieces[-2:])
    )
    heard_last = string.pieces
    _rest_between_notes(string.pieces)
    known = [p for p in string.pieces if p.half <= UNSETTLED_HALF_CENTS]
    fine = _merge([_Stretch([p]) for p in known or string.pieces], prior, CHANGE_CENTS)
    fine = _drop_outliers(fine)
    string.pieces = [p for stretch in fine for p in stretch.pieces]
    settled = [s for s in fine if s.settled()]
    string.left = [p for p in (settled or fine)[-1].pieces if p.steady or not settled]
    if settled and fine[-1] is not settled[-1]:  # it was still moving when last heard
        string.left = fine[-1].pieces
    string.lost |= not known or _moved_on(heard_last, string.left) or _hardly_heard(string, timed)
    turned = _merge(fine, prior, TURN_CENTS)
    string.changes = _moves(turned, string, timed)


def _unconfirmed(last: _Piece, before: _Piece) -> bool:
    """Whether a string moved far as its last pluck died away, and was not sounded again: another
    player's note may have taken over."""
    same = last.index == before.index and last.kind == "plucked"
    return same and abs(last.cents - before.cents) > UNSETTLED_HALF_CENTS


def _moved_on(pieces: list[_Piece], left: list[_Piece]) -> bool:
    """Whether later notes, too badly measured to say where, say that the string moved on."""
    after = [p for p in pieces if p.start_s > left[-1].start_s and p.half > UNSETTLED_HALF_CENTS]
    return any(
        abs(p.cents - left[-1].cents) > p.half and p.end_s - p.start_s >= OUTLIER_S for p in after
    )


def _hardly_heard(string: _String, timed: list[dict[str, Any]]) -> bool:
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


def _rest_between_notes(pieces: list[_Piece]) -> None:
    """Mark as steady where one note glides to and the next glides on from, if it is one pitch."""
    for a, b in pairwise(pieces):
        apart_s = b.end_s - a.start_s  # the last point of one track to the first of the next
        moving = not a.steady and not b.steady and not a.glides_on
        if moving and apart_s >= REST_S - ROUNDING_S and abs(a.cents - b.cents) <= REST_CENTS:
            a.steady = b.steady = True


def _merge(stretches: list[_Stretch], prior: Prior, least: float) -> list[_Stretch]:
    """Join neighbours whose pitches agree, the most alike first, until none do."""
    stretches = [_measured(_Stretch(list(s.pieces)), prior) for s in stretches]
    while len(stretches) > 1:
        apart = [_apart(a, b, prior, least) for a, b in pairwise(stretches)]
        k = int(np.argmin(apart))
        if apart[k] > 1:
            break
        joined = _measured(_Stretch(stretches[k].pieces + stretches[k + 1].pieces), prior)
        stretches[k : k + 2] = [joined]
    return stretches


def _measured(stretch: _Stretch, prior: Prior) -> _Stretch:
    """Fill in the stretch's own mean and half-width: its steady notes, weighted, with repeats."""
    pieces = [p for p in stretch.pieces if p.steady] or stretch.pieces
    variance = np.array([p.variance() + _repeat_sd(p.kind, prior) ** 2 for p in pieces])
    weight = 1 / variance
    stretch.mean = float(np.sum(weight * [p.cents for p in pieces]) / np.sum(weight))
    stretch.half = NORMAL_95 / math.sqrt(float(np.sum(weight)))
    return stretch


def _apart(a: _Stretch, b: _Stretch, prior: Prior, least: float) -> float:
    """The distance of two stretches in units of the smallest that counts."""
    if a.pieces[-1].glides_on:
        return math.inf  # a glide was heard between them
    half = math.hypot(a.half, b.half)
    if a.kinds() != b.kinds():
        half = math.hypot(half, prior.plucked_systematic, prior.bowed_systematic)
    return abs(a.mean - b.mean) / max(least, half)


def _repeat_sd(kind: str, prior: Prior) -> float:
    return (prior.plucked_repeat if kind == "plucked" else prior.bowed_repeat) / NORMAL_95


def _systematic(kind: str, prior: Prior) -> float:
    return prior.plucked_systematic if kind == "plucked" else prior.bowed_systematic


def _drop_outliers(stretches: list[_Stretch]) -> list[_Stretch]:
    """Leave out last notes, short or badly measured, that good ones before them contradict.

    What is spoken after the last note can pass for a note, not for a good one.
    """
    kept = list(stretches)
    while len(kept) > 1 and all(_poor(p) for p in kept[-1].pieces):
        kept.pop()
    good = sum(p.steady and not _poor(p) for p in kept[-1].pieces)
    return kept if good >= 2 and not kept[-1].pieces[-1].glides_on else stretches


def _poor(piece: _Piece) -> bool:
    length = piece.end_s - piece.start_s
    badly = piece.half > OUTLIER_HALF_CENTS and length < OUTLIER_LONG_S
    return length < OUTLIER_S or badly


def _moves(stretches: list[_Stretch], string: _String, timed: list[dict[str, Any]]) -> list[_Move]:
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
        move = _Move(
            # While another string was played, no hand was at this one's peg.
            start_s=max(before.end_s, min(others_s, after.start_s)),
            end_s=max(after.start_s, before.end_s),
            from_cents=stretches[a].mean,
            to_cents=stretches[b].mean,
            sounding=True if glided else _sounded(silence),
            since_s=before.end_s,
            glided=glided,
            between_visits=others_s > -math.inf,
        )
        if abs(move.size()) > TURN_CENTS:
            moves.append(move)
    return moves


def _glided(chain: list[_Piece]) -> bool:
    """Whether most of the way along `chain` was heard as glides."""
    steps = [(abs(b.cents - a.cents), a.glides_on) for a, b in pairwise(chain)]
    return sum(way for way, heard in steps if heard) > sum(w for w, heard in steps if not heard)


def _silence(notes: list[dict[str, Any]], begin: float, end: float) -> float:
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
    before: _Piece, after: _Piece, string: _String, timed: list[dict[str, Any]]
) -> float:
    """When the last note of other strings alone between two pieces ended; -inf: there is none."""
    return max(
        (
            timed[i]["end_s"]
            for i in range(before.index + 1, after.index)
            if (names := [name for name, _ in _sounding(timed[i])]) and string.name not in names
        ),
        default=-math.inf,
    )


def _find_causes(string: _String, strings: dict[str, _String]) -> None:
    """Tell turns from what the string did by itself: it was pulled by others, or it fell back.

    A fall from pitch, not heard as a glide, is a slip if it was found on coming back to the
    string, or if it was large and left so. If the string was tuned again at once it may have been
    loosened to seat the peg.
    """
    for k, move in enumerate(string.changes):
        if move.between_visits and not move.glided:
            others = sum(
                m.size()
                for other in strings.values()
                if other is not string
                for m in other.changes
                if m.end_s > move.since_s and m.start_s < move.end_s
            )
            pull = min(PULL_CENTS + PULL_SHARE * abs(others), PULL_MOST_CENTS)
            if others and abs(move.size()) <= pull:
                move.cause = "pull"
                continue
        fell = move.size() < 0 and abs(move.to_cents) > abs(move.from_cents) and not move.glided
        if not fell:
            continue
        onward = string.changes[k + 1] if k + 1 < len(string.changes) else None
        at_once = onward is not None and not onward.between_visits and onward.size() > 0
        if at_once:
            move.sounding = None if move.between_visits else move.sounding
        elif move.between_visits or -move.size() >= LET_GO_CENTS:
            move.cause = "slip"


def _slipped(string: _String) -> float | None:
    falls = [-m.size() for m in string.changes if m.cause == "slip"]
    return max(falls) if falls else None


class _Left(NamedTuple):
    mean: float
    half_width: float
    deciding: _Piece


def _leave(string: _String, strings: dict[str, _String], prior: Prior) -> _Left | None:
    """Combine the notes of the last stretch: each kind by itself, then the kinds.

    Notes from before another string's turn may have been pulled off since, all alike: they are
    combined by themselves, with `UNTOUCHED_CENTS` more.
    """
    if not string.left:
        return None
    last_s = string.left[-1].start_s
    ends = [move.end_s for move in _turned_after(string, strings, -math.inf)]
    fresh_s = max((end for end in ends if end <= last_s), default=-math.inf)
    kinds = []
    for kind in ("bowed", "plucked"):
        pieces = [p for p in string.left if p.kind == kind]
        parts = []
        for part, pulled in (
            ([p for p in pieces if p.start_s >= fresh_s], 0.0),
            ([p for p in pieces if p.start_s < fresh_s], UNTOUCHED_CENTS),
        ):
            if part:
                values, variances = [p.cents for p in part], [p.variance() for p in part]
                own = combine(values, variances, _repeat_sd(kind, prior) ** 2, PRIOR_NOTES)
                parts.append((own.mean, math.hypot(own.half_width, pulled)))
        if parts:
            mean, half = _weigh(parts)
            kinds.append((mean, math.hypot(half, _systematic(kind, prior))))
    mean, half = _weigh(kinds)
    # A bow reads more surely than a pluck; of equals the earliest is listened to.
    deciding = min(string.left, key=lambda p: (p.kind != "bowed", p.half, p.start_s))
    return _Left(mean, half, deciding)


def _weigh(parts: list[tuple[float, float]]) -> tuple[float, float]:
    """Mean and half-width of independent (value, half-width), wider where they contradict.

    The widening is Birge's ratio (1932).
    """
    values = np.array([value for value, _ in parts])
    weight = np.array([half for _, half in parts]) ** -2.0
    mean = float(np.sum(weight * values) / np.sum(weight))
    squares = float(np.sum(weight * (values - mean) ** 2)) * NORMAL_95**2
    ratio = math.sqrt(squares / max(len(parts) - 1, 1))
    return mean, max(ratio, 1.0) / math.sqrt(float(np.sum(weight)))


def _turned_after(string: _String, strings: dict[str, _String], at_s: float) -> list[_Move]:
    """The turns of other strings that ended after `at_s`."""
    return [
        move
        for other in strings.values()
        if other is not string
        for move in other.turns()
        if move.end_s > at_s
    ]


def _describe(
    string: _String,
    strings: dict[str, _String],
    timed: list[dict[str, Any]],
    prior: Prior,
    target_hz: float,
    last_turn_s: float | None,
) -> dict[str, Any]:
    """The fields of one string in the measured record."""
    left = _leave(string, strings, prior)
    moves = string.turns()
    upward = [m.size() for m in moves if m.size() > 0]
    field_values: dict[str, Any] = {
        "target_hz": target_hz,
        "f0_hz": None,
        "deviation_cents": None,
        "uncertainty_cents": None,
        "kind": None,
        "at_s": None,
        "notes": len(string.left),
        "heard": "unsure" if _untold(string, strings, timed) else _heard(string, timed, target_hz),
        "start_cents": string.pieces[0].cents if string.pieces else None,
        "moves": [m.as_dict() for m in moves],
        "largest_move_cents": max(upward) if upward else None,
        "slipped_cents": _slipped(string),
        "drift_cents": _drift(string, timed),
        "settled_s": string.settled_s(),
        "checked_s": _checked_s(string, timed, last_turn_s),
        "deciding": None,
    }
    if left is not None:
        last_heard = timed[string.notes[-1]]["end_s"]
        others = [move.size() for move in _turned_after(string, strings, last_heard)]
        pulled = max(UNTOUCHED_CENTS, UNTOUCHED_SHARE * abs(sum(others))) if others else 0.0
        note = timed[left.deciding.index]
        field_values |= {
            "f0_hz": pitch.shift_hz(target_hz, left.mean),
            "deviation_cents": left.mean,
            "uncertainty_cents": math.hypot(
                left.half_width, pulled, LOST_HALF_CENTS if string.lost else 0.0
            ),
            "kind": note["kind"],
            "at_s": left.deciding.start_s,
            "deciding": {"start_s": note["start_s"], "end_s": note["end_s"]},
        }
    return field_values


def _untold(string: _String, strings: dict[str, _String], timed: list[dict[str, Any]]) -> bool:
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


def _is_unnamed(note: dict[str, Any]) -> bool:
    return note["kind"] in ("plucked", "bowed", "two_strings") and not note.get("string")


def _heard(string: _String, timed: list[dict[str, Any]], target_hz: float) -> str:
    """ "heard", "not_heard", or "unsure": an unnamed note may be this string's last word."""
    if string.lost:
        return "unsure"
    last = timed[string.notes[-1]]["start_s"] if string.pieces else -math.inf
    for note in timed:
        if not _is_unnamed(note) or note["start_s"] < last:
            continue
        if (note.get("string_odds") or 0.0) >= SURE_ODDS:
            continue
        heights = [note[key] for key in ("f0_hz", "f0_2_hz") if note.get(key)]
        if any(abs(pitch.cents_between(f, target_hz)) < UNSURE_REACH_CENTS for f in heights):
            return "unsure"
    if not string.pieces:
        return "unsure" if string.notes else "not_heard"
    return "heard"


def _drift(string: _String, timed: list[dict[str, Any]]) -> float | None:
    """The median attack drift of the notes that describe the string, else of all its plucks."""
    for indices in ([p.index for p in string.left], string.notes):
        drifts = [timed[i].get("attack_drift_cents") for i in indices]
        known = [d for d in drifts if d is not None]
        if known:
            return float(np.median(known))
    return None


def _checked_s(
    string: _String, timed: list[dict[str, Any]], last_turn_s: float | None
) -> float | None:
    """The first sounding after the last turn of any string (with no turn at all: the first)."""
    starts = [timed[i]["start_s"] for i in string.notes]
    after = [s for s in starts if last_turn_s is None or s >= last_turn_s - ROUNDING_S]
    return min(after) if after else None


def _first_round(timed: list[dict[str, Any]], strings: dict[str, _String]) -> set[int]:
    """The notes of a first round: every string heard is briefly sounded once, before any turn.

    A longer silence in it would hide a silent turn; more notes would be the tuning itself.
    """
    first_turn = min((m.start_s for s in strings.values() for m in s.turns()), default=math.inf)
    heard = {name for name, s in strings.items() if s.notes}
    visits: list[tuple[str, list[int]]] = []
    quiet_from = math.inf
    for i, note in enumerate(timed):
        names = [name for name, _ in _sounding(note)]
        if not names:
            continue
        late = note["start_s"] >= first_turn or note["start_s"] - quiet_from > ROUND_GAP_S
        if late or len(names) > 1:
            break
        quiet_from = note["end_s"]
        if visits and visits[-1][0] == names[0]:
            if len(visits[-1][1]) == ROUND_NOTES:
                break
            visits[-1][1].append(i)
        elif names[0] in [name for name, _ in visits]:
            break
        else:
            visits.append((names[0], [i]))
    if {name for name, _ in visits} != heard or len(visits) < 2:
        return set()
    return {i for _, notes in visits for i in notes}


def _ranks(
    timed: list[dict[str, Any]], strings: dict[str, _String], first_round: set[int]
) -> dict[str, int]:
    """String -> 1, 2, ...: by its first turn; never turned, by its first sounding outside a
    first round. With nothing outside the round, the round itself is the order.
    """
    outside = any(i not in first_round for s in strings.values() for i in s.notes)
    times: dict[str, float] = {}
    for name, string in strings.items():
        soundings = [
            timed[i]["start_s"] for i in string.notes if not outside or i not in first_round
        ]
        if string.turns():
            times[name] = string.turns()[0].start_s
        elif soundings:
            times[name] = min(soundings)
    ranked = sorted(times, key=lambda name: times[name])
    return {name: k for k, name in enumerate(ranked, start=1)}


def _roles(
    timed: list[dict[str, Any]], strings: dict[str, _String], last_turn_s: float | None
) -> list[str | None]:
    """Per note: "check" (describes how a string is left, after the last turn of any), "final"
    (describes it, before that), "tuning" (before it was left so), None (no string's note).
    """
    roles: list[str | None] = [None] * len(timed)
    for string in strings.values():
        for i in string.notes:
            roles[i] = roles[i] or "tuning"
    for string in strings.values():
        for piece in string.left:
            late = last_turn_s is None or timed[piece.index]["start_s"] >= last_turn_s - ROUNDING_S
            if roles[piece.index] != "check":
                roles[piece.index] = "check" if late else "final"
    return roles
