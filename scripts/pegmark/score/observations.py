"""Observations beside the grade: what the take shows of strings, pegs and pitch. Never graded.

The thresholds are common practice, no source, unless a comment says otherwise. An observation is
a hint for the player and the teacher, not a finding about the instrument.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from pegmark.score.finding import Take
from pegmark.score.reference import A_REACH_CENTS
from pegmark.score.turns import size
from pegmark.score.ways import other_way
from pegmark.trade import pitch
from pegmark.trade.targets import distance_to_span
from pegmark.trade.tolerances import C3_SEMITONE

if TYPE_CHECKING:
    from pegmark.records.student import Observation, ObservationCode, StudentString

# Attack against decay. Sound strings plucked loudly start up to 16 cents sharp, low ones up to 40
# (real orchestral samples; design, section 6): what goes beyond is worth a look.
FALSE_CENTS = 20.0
FALSE_BELOW_C3_CENTS = 45.0
FALSE_NOTES = 2  # one odd attack is a finger or a voice, not the string
# How deep a pluck's partials swell and fade: sampled basses and guitars by up to 5 dB, the demo
# class's plucks in their rooms by up to 7; strings of the physical model whose two polarizations
# stand 6 cents apart or more (sound ones: tenths) mostly by 9 to 16 (tests/test_beating.py).
BEATING_DB = 10.0
SLIP_CENTS = 5.0  # below this a string breathes by itself
FAR_ABOVE_CENTS = 50.0  # a quarter tone above its pitch a thin string is near its breaking point
FAR_BELOW_CENTS = 300.0  # three semitones below: new, or its peg let go
OVERSHOOTS = 3  # going past the note this often: the moves are too large to land on it
TONE_OFF_CENTS = 3.0  # a sounded A this far from the assignment's is another A


def observe(take: Take) -> list[Observation]:
    """The observations of a take, by kind: what can harm first, then string by string."""
    found = []
    looks = (
        _far_above, _slipped, _false, _beating, _changed, _pulled, _against_each_other, _went_past,
        _whole, _tone, _harmonics, _other_way,
    )  # fmt: skip
    for look in looks:
        found += list(look(take))
    return found


def _seen(
    take: Take,
    code: ObservationCode,
    at_s: float | None,
    string: str | None = None,
    words: str | None = None,
    **fields: Any,
) -> Observation:
    """What is told, in the sentence of its code or another (`words`)."""
    text = take.voice.say(f"observations.{words or code}", at_s=at_s, string=string, **fields)
    return {"code": code, "text": text, "at_s": at_s, "string": string}


def _heard(take: Take) -> Iterator[tuple[str, StudentString]]:
    """The strings that were told apart."""
    return ((name, s) for name, s in take.strings.items() if s["heard"] == "heard")


def _stays(take: Take, name: str) -> list[tuple[float, float | None]]:
    """Where a string surely stood, and when: (cents, second), its start first."""
    moves = [move for move in take.strings[name]["moves"] if move["sure"]]
    start = take.strings[name]["start_cents"]
    at_s = _first_s(take, name)
    if moves and moves[0] is take.strings[name]["moves"][0]:
        begun = [(moves[0]["from_cents"], at_s)]
    elif not take.strings[name]["moves"] and start is not None and take.sounded[name].clear:
        begun = [(start, at_s)]
    else:
        begun = []
    return [*begun, *((move["to_cents"], move["end_s"]) for move in moves)]


def _first_s(take: Take, name: str) -> float | None:
    """When a string was first heard."""
    starts = [note["start_s"] for note in take.notes if note["string"] == name]
    return min(starts) if starts else take.strings[name]["at_s"]


def _far_above(take: Take) -> Iterator[Observation]:
    """A string that was left far above its pitch, or turned up that far on the way.

    One that was found there and turned down is no fault: that is what should be done.
    """
    for name, string in _heard(take):
        cents, half = string["deviation_cents"], string["uncertainty_cents"] or 0.0
        limit = _highest_home(take, name) + FAR_ABOVE_CENTS
        if cents is not None and cents - half > limit:
            yield _seen(take, "far_above", string["at_s"], name, cents=cents)
            continue
        ups = [m for m in string["moves"] if m["sure"] and m["to_cents"] > m["from_cents"]]
        highest = max(ups, key=lambda move: move["to_cents"], default=None)
        if highest is not None and highest["to_cents"] - half > limit:
            cents = highest["to_cents"] - string["zero_cents"]
            yield _seen(take, "went_far_above", highest["end_s"], name, cents=cents)


def _highest_home(take: Take, name: str) -> float:
    """The highest place a string may stand at: from the A that counts, never from a neighbour."""
    if take.judgements[name].against == "neighbour":
        return take.frame.span(name)[1] + take.base_cents
    return take.strings[name]["home_cents"][1]


def _slipped(take: Take) -> Iterator[Observation]:
    """A string that fell back by itself: the largest fall, told when it was heard."""
    for name, string in take.strings.items():
        slipped = string["slipped_cents"]
        if slipped is None or abs(slipped) < SLIP_CENTS:
            continue
        falls = [c for c in string["own_changes"] if c["cause"] == "slip"]
        worst = min(falls, key=size, default=None)
        at_s = worst["end_s"] if worst else string["at_s"]
        is_open = name in {take.blamed(other) for other in take.strings}
        words = "slipping_peg_left" if is_open else "slipping_peg"
        yield _seen(take, "slipping_peg", at_s, name, words, cents=slipped)


def _false(take: Take) -> Iterator[Observation]:
    """A string whose plucks begin far from the pitch they settle on, again and again."""
    for name, string in take.strings.items():
        low = pitch.semitone(name) < C3_SEMITONE
        limit = FALSE_BELOW_C3_CENTS if low else FALSE_CENTS
        drift = string["drift_cents"]
        if drift is None or abs(drift) <= limit:
            continue
        alike = [
            note
            for note in take.sounded[name].clear
            if not note.get("gliding") and (note.get("attack_drift_cents") or 0.0) / drift > 0.5
        ]
        if len(alike) >= FALSE_NOTES:
            yield _seen(
                take, "false_string", alike[0]["start_s"], name, cents=drift, direction=drift
            )


def _beating(take: Take) -> Iterator[Observation]:
    """A string whose partials beat by themselves, in most of its plucks that tell."""
    for name in take.strings:
        told = [n for n in take.sounded[name].clear if n.get("beating_db") is not None]
        deep = [note for note in told if (note["beating_db"] or 0.0) > BEATING_DB]
        if len(deep) >= max(FALSE_NOTES, len(told) / 2):
            yield _seen(take, "beating_string", deep[0]["start_s"], name)


def _changed(take: Take) -> Iterator[Observation]:
    """A string that stood so low that it is new, or had let go."""
    for name, _ in _heard(take):
        if take.judgements[name].reason == "far":
            continue
        lowest, at_s = min(_stays(take, name), default=(0.0, None))
        if lowest <= -FAR_BELOW_CENTS:
            yield _seen(take, "string_changed", at_s, name, cents=lowest)


def _pulled(take: Take) -> Iterator[Observation]:
    """A string that the tuning of others pulled out of tune, and that was left so."""
    for name, string in _heard(take):
        last = string["own_changes"][-1] if string["own_changes"] else None
        if last is None or last["cause"] != "pull" or string["verdict"] not in ("close", "out"):
            continue
        tolerance = take.frame.tolerances[name].in_tune
        span = string["home_cents"]
        before = abs(distance_to_span(last["from_cents"], span))
        left = abs(distance_to_span(last["to_cents"], span))
        if last["to_cents"] == string["deviation_cents"] and before <= tolerance < left:
            yield _seen(take, "pulled", last["end_s"], name, cents=size(last))


def _against_each_other(take: Take) -> Iterator[Observation]:
    """Two neighbours that are both in tune and lean apart, or together: not graded.

    Beats are those of the partials that meet in the pure interval.
    """
    if take.frame.method == "string_to_string":
        return  # there the intervals themselves are graded
    for upper, lower in pairwise(take.strings):
        pair = [take.strings[name] for name in (upper, lower)]
        if any(string["verdict"] != "in_tune" for string in pair):
            continue
        off = [_from_pure(take, name) for name in (upper, lower)]
        half = math.hypot(*(string["uncertainty_cents"] or 0.0 for string in pair))
        equal = abs(take.frame.pure_cents(upper) - take.frame.pure_cents(lower))
        allowed = max(take.frame.tolerances[name].in_tune for name in (upper, lower)) + equal
        if off[0] * off[1] < 0 and abs(off[0] - off[1]) - half > allowed:
            hertz = [string["f0_hz"] or 0.0 for string in pair]
            beats = _beats_hz(hertz[0], hertz[1], take.frame.instrument.interval)
            at_s = pair[0]["at_s"]
            yield _seen(take, "against_each_other", at_s, upper, other=lower, beats=beats)


def _from_pure(take: Take, name: str) -> float:
    """How far a string stands from its pure place above or below the assignment's A, in cents."""
    zero = 0.0 if take.frame.temperament == "pure" else take.frame.pure_cents(name)
    return (take.strings[name]["deviation_cents"] or 0.0) - zero


def _beats_hz(upper_hz: float, lower_hz: float, semitones: int) -> float:
    """Beats a second of the partials that meet in a pure fifth (3:2) or fourth (4:3)."""
    up, down = (2, 3) if semitones == 7 else (3, 4)
    return abs(up * upper_hz - down * lower_hz)


def _went_past(take: Take) -> Iterator[Observation]:
    for name, string in take.strings.items():
        past = string["overshoots"]
        if len(past) >= OVERSHOOTS:
            yield _seen(take, "went_past", past[0]["at_s"], name, times=len(past))


def _whole(take: Take) -> Iterator[Observation]:
    """All strings agree on another A, or all stand out of tune on one side of their pitch.

    By ear, what counts is the A that was sounded.
    """
    tone = take.heard_a
    base = take.base_cents
    known = [
        (string["deviation_cents"] - base, string["uncertainty_cents"], take.frame.tolerances[name])
        for name, string in take.strings.items()
        if string["heard"] == "heard"
        and string["deviation_cents"] is not None
        and string["uncertainty_cents"] is not None
    ]
    if len(known) < len(take.strings):
        return
    middle = statistics.median(cents for cents, _, _ in known)
    half = math.sqrt(sum(u * u for _, u, _ in known)) / len(known)
    tightest = min(tolerance.in_tune for _, _, tolerance in known)
    if abs(middle) <= tightest + half:
        return
    agree = all(abs(cents - middle) <= t.in_tune + u for cents, u, t in known)
    if agree and abs(middle) <= A_REACH_CENTS:
        wanted = pitch.shift_hz(take.frame.a4_hz, base)
        hertz = pitch.shift_hz(wanted, middle)
        code: ObservationCode = "another_a_heard" if tone else "another_a"
        yield _seen(take, code, None, None, hertz=hertz, wanted_hertz=wanted)
        return
    spans = [take.frame.span(name) for name in take.strings]
    off = [(distance_to_span(c, span), u, t) for (c, u, t), span in zip(known, spans, strict=True)]
    if all(cents > t.in_tune + u for cents, u, t in off):
        yield _seen(take, "whole_sharp", None, None, cents=min(cents for cents, _, _ in known))
    elif all(cents < -t.in_tune - u for cents, u, t in off):
        yield _seen(take, "whole_flat", None, None, cents=max(cents for cents, _, _ in known))


def _tone(take: Take) -> Iterator[Observation]:
    """A sounded A that is not the assignment's."""
    tone = take.tone
    if tone is None:
        return
    off = tone.cents - take.frame.a_cents
    if abs(off) > TONE_OFF_CENTS + tone.uncertainty_cents:
        hertz = pitch.shift_hz(take.frame.a4_hz, off)
        yield _seen(
            take, "tone_other_a", tone.at_s, None, hertz=hertz, wanted_hertz=take.frame.a4_hz
        )


def _other_way(take: Take) -> Iterator[Observation]:
    """Another way of tuning than the assignment's; of a wrong A it is enough to say that."""
    seen = other_way(take)
    if seen is None or (seen[0] == "way_by_ear" and any(_tone(take))):
        return
    yield _seen(take, *seen, way=take.frame.method)


def _harmonics(take: Take) -> Iterator[Observation]:
    """Harmonics where an open string is missing: harmonics are not graded."""
    harmonics = [note for note in take.notes if note["kind"] == "harmonic"]
    if harmonics and any(string["heard"] == "not_heard" for string in take.strings.values()):
        yield _seen(take, "harmonics", harmonics[0]["start_s"])
