"""Observations beside the grade: what the take shows of strings, pegs and pitch. Never graded.

The thresholds are common practice, no source, unless a comment says otherwise. An observation is
a hint for the player and the teacher, not a finding about the instrument.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from pegmark import pitch
from pegmark.criteria import Take, first_s, size
from pegmark.judge import A_REACH_CENTS, C3_SEMITONE, hear_a

# Attack against decay. Sound strings plucked loudly start up to 16 cents sharp, low ones up to 40
# (real orchestral samples; design, section 6): what goes beyond is worth a look.
FALSE_CENTS = 20.0
FALSE_BELOW_C3_CENTS = 45.0
SLIP_CENTS = 5.0  # below this a string breathes by itself
FAR_ABOVE_CENTS = 50.0  # a quarter tone above its pitch a thin string is near its breaking point
FAR_BELOW_CENTS = 300.0  # three semitones below: new, or its peg let go
REVERSALS = 3  # turning back and forth this often: the moves are too large to land on the note
TONE_OFF_CENTS = 3.0  # a sounded A this far from the assignment's is another A


def observe(take: Take) -> list[dict[str, Any]]:
    """The observations of a take, by kind: what can harm first, then string by string."""
    found = []
    for look in (_far_above, _slipped, _false, _changed, _went_past, _whole, _tone, _harmonics):
        found += list(look(take))
    return found


def reversals(string: dict[str, Any]) -> int:
    """How often the turning of a string changed its direction."""
    signs = [size(move) > 0 for move in string["moves"]]
    return sum(a != b for a, b in pairwise(signs))


def _seen(
    take: Take, code: str, at_s: float | None, string: str | None = None, **fields: Any
) -> dict[str, Any]:
    text = take.voice.say(f"observations.{code}", at_s=at_s, string=string, **fields)
    return {"code": code, "text": text, "at_s": at_s, "string": string}


def _far_above(take: Take) -> Iterator[dict[str, Any]]:
    """A string that stood far above its pitch at any time: the highest place and its second."""
    for name, string in take.strings.items():
        places = [(move["to_cents"], move["end_s"]) for move in string["moves"]]
        for cents, at_s in (
            (string["start_cents"], first_s(take, name)),
            (string["deviation_cents"], string["at_s"]),
        ):
            if cents is not None:
                places.append((cents, at_s))
        if not places:
            continue
        cents, at_s = max(places, key=lambda place: place[0])
        if cents > FAR_ABOVE_CENTS and string["heard"] == "heard":
            yield _seen(take, "far_above", at_s, name, cents=cents)


def _slipped(take: Take) -> Iterator[dict[str, Any]]:
    for name, string in take.strings.items():
        if string["slipped_cents"] is not None and abs(string["slipped_cents"]) >= SLIP_CENTS:
            yield _seen(take, "slipping_peg", string["at_s"], name, cents=string["slipped_cents"])


def _false(take: Take) -> Iterator[dict[str, Any]]:
    for name, string in take.strings.items():
        low = pitch.semitone(name) < C3_SEMITONE
        limit = FALSE_BELOW_C3_CENTS if low else FALSE_CENTS
        if string["drift_cents"] is not None and abs(string["drift_cents"]) > limit:
            yield _seen(take, "false_string", string["at_s"], name, cents=string["drift_cents"])


def _changed(take: Take) -> Iterator[dict[str, Any]]:
    for name, string in take.strings.items():
        starts = [string["start_cents"], *(move["from_cents"] for move in string["moves"])]
        lowest = min((cents for cents in starts if cents is not None), default=0.0)
        if lowest <= -FAR_BELOW_CENTS and string["heard"] == "heard":
            yield _seen(take, "string_changed", first_s(take, name), name, cents=lowest)


def _went_past(take: Take) -> Iterator[dict[str, Any]]:
    for name, string in take.strings.items():
        times = reversals(string)
        if times >= REVERSALS:
            yield _seen(take, "went_past", string["moves"][0]["start_s"], name, times=times)


def _whole(take: Take) -> Iterator[dict[str, Any]]:
    """All strings agree on another A, or all stand on one side of their pitch."""
    known = [
        (string["deviation_cents"], string["uncertainty_cents"], take.frame.tolerances[name])
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
        hertz = pitch.shift_hz(take.frame.a4_hz, middle)
        yield _seen(take, "another_a", None, None, hertz=hertz, wanted_hertz=take.frame.a4_hz)
    elif all(cents > t.in_tune + u for cents, u, t in known):
        yield _seen(take, "whole_sharp", None, None, cents=min(cents for cents, _, _ in known))
    elif all(cents < -t.in_tune - u for cents, u, t in known):
        yield _seen(take, "whole_flat", None, None, cents=max(cents for cents, _, _ in known))


def _tone(take: Take) -> Iterator[dict[str, Any]]:
    """A sounded A that is not the assignment's."""
    tone = hear_a(take.notes, None)
    if tone is None:
        return
    off = tone.cents - take.frame.a_cents
    if abs(off) > TONE_OFF_CENTS + tone.uncertainty_cents:
        hertz = pitch.shift_hz(take.frame.a4_hz, off)
        yield _seen(
            take, "tone_other_a", tone.at_s, None, hertz=hertz, wanted_hertz=take.frame.a4_hz
        )


def _harmonics(take: Take) -> Iterator[dict[str, Any]]:
    """Harmonics where an open string is missing: harmonics are not graded."""
    harmonics = [note for note in take.notes if note["kind"] == "harmonic"]
    if harmonics and any(string["heard"] == "not_heard" for string in take.strings.values()):
        yield _seen(take, "harmonics", harmonics[0]["start_s"])
