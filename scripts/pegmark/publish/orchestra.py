"""The orchestra: how the open strings would sound together, as they were left.

Every string of the class with a known pitch is one voice. Of each open pitch: how far the voices
spread, over the class and by section. Of two voices whose pitches are octaves apart: how often they
beat. And which few corrections would bring the most together.

Conventions: pitches in Hz, deviations in cents against the assignment's equal-tempered target, so
that the A's of all instruments can be set side by side; a spread is the standard deviation (n - 1)
in cents. Two voices beat |h f_low - f_high| times a second, where the h-th partial of the lower
meets the fundamental of the higher (Helmholtz, On the Sensations of Tone, chapter VIII (from
memory)).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import fmean, median, stdev
from typing import TYPE_CHECKING, Any

from pegmark.publish.class_records import full_name
from pegmark.words.wording import letter

if TYPE_CHECKING:
    from pegmark.records.student import Record

A = "A"  # the string that every instrument of the orchestra has
SURE_CENTS = 10.0  # half-width; a pitch known no better says nothing of how two strings beat
CORRECTIONS = 3
WORTH_CENTS = 3.0  # nearer to its target a string is in tune: nobody is asked to turn it again
STAND = "stand"  # the roster's column that says who shares a music stand, where it has one


@dataclass(frozen=True)
class Voice:
    """One open string of one student, as it was left."""

    student_id: str
    name: str
    section: str
    instrument: str
    stand: str
    string: str  # scientific pitch notation
    f0_hz: float
    cents: float


@dataclass(frozen=True)
class Spread:
    """How the voices of one pitch, or of one letter, stand to each other; None: fewer than two."""

    voices: int
    spread_cents: float | None
    lowest_cents: float
    highest_cents: float


@dataclass(frozen=True)
class Correction:
    """A string tuned again: whose, and what spread is left afterwards."""

    voice: Voice
    spread_cents: float


def voices(records: Iterable[Record], ticket: Mapping[str, Any]) -> list[Voice]:
    """Every string with a pitch that is surely known, in the roster's order, high to low."""
    stands = {row["student_id"]: str(row.get(STAND) or "") for row in ticket["students"]}
    found = []
    for record in records:
        student = record["student"]
        for name, string in record["strings"].items():
            half, f0_hz, cents = (
                string["uncertainty_cents"],
                string["f0_hz"],
                string["deviation_cents"],
            )
            if f0_hz is None or cents is None or half is None or half > SURE_CENTS:
                continue
            found.append(
                Voice(
                    student["student_id"],
                    full_name(record),
                    student.get("section") or "",
                    student["instrument"],
                    stands.get(student["student_id"], ""),
                    name,
                    f0_hz,
                    cents,
                )
            )
    return found


def spread_of(some: Sequence[Voice]) -> Spread:
    """How voices of one letter stand to each other. Raises ValueError for none."""
    cents = [voice.cents for voice in some]
    return Spread(len(cents), _spread(cents), min(cents), max(cents))


def by_pitch(all_voices: Sequence[Voice]) -> dict[str, list[Voice]]:
    """The voices of every open pitch, the highest pitch first."""
    found: dict[str, list[Voice]] = {}
    for voice in sorted(all_voices, key=lambda v: -v.f0_hz * 2 ** (-v.cents / 1200)):
        found.setdefault(voice.string, []).append(voice)
    return found


def by_section(some: Sequence[Voice]) -> dict[str, list[Voice]]:
    """The voices of every section, in the order in which they come."""
    found: dict[str, list[Voice]] = {}
    for voice in some:
        found.setdefault(voice.section, []).append(voice)
    return found


def beats_hz(one_hz: float, other_hz: float) -> float | None:
    """How often two strings of one letter beat; None where they are no octaves apart."""
    low, high = sorted((one_hz, other_hz))
    octaves = round(math.log2(high / low))
    if abs(math.log2(high / low) - octaves) > 1 / 12:
        return None
    return abs(2**octaves * low - high)


def partners(all_voices: Sequence[Voice]) -> list[tuple[Voice, Voice]]:
    """Strings of one pitch whose players share a music stand, as the roster's column says."""
    return [
        (one, other)
        for one, other in combinations(all_voices, 2)
        if one.stand
        and (one.section, one.stand, one.string) == (other.section, other.stand, other.string)
    ]


def between_sections(a_strings: Sequence[Voice]) -> list[tuple[str, str, float]]:
    """Of every two groups (section and instrument), how often the middles of their A's beat."""
    groups: dict[str, list[float]] = {}
    for voice in a_strings:
        name = ", ".join(filter(None, (voice.section, voice.instrument)))
        groups.setdefault(name, []).append(voice.f0_hz)
    middles = {name: median(hz) for name, hz in groups.items()}
    found = []
    for one, other in combinations(middles, 2):
        beats = beats_hz(middles[one], middles[other])
        if beats is not None:
            found.append((one, other, beats))
    return found


def corrections(some: Sequence[Voice], most: int = CORRECTIONS) -> list[Correction]:
    """The strings which, tuned to their target one after the other, narrow the spread most.

    Strings that are in tune are left alone, so there may be fewer than `most`. A greedy choice: it
    is what a teacher does.
    """
    left = list(some)
    found: list[Correction] = []
    while len(found) < most and len(left) > 1:
        off = [at for at, voice in enumerate(left) if abs(voice.cents) > WORTH_CENTS]
        trials = [(_spread([v.cents for v in _corrected(left, at)]) or 0.0, at) for at in off]
        spread, at = min(trials, default=(math.inf, 0))
        if spread >= (_spread([v.cents for v in left]) or 0.0):
            break
        found.append(Correction(left[at], spread))
        left = _corrected(left, at)
    return found


def corrected(some: Sequence[Voice], done: Sequence[Correction]) -> list[Voice]:
    """The voices after these corrections."""
    again = {(c.voice.student_id, c.voice.string) for c in done}
    return [_tuned(v) if (v.student_id, v.string) in again else v for v in some]


def a_strings(all_voices: Sequence[Voice]) -> list[Voice]:
    """The voices of all A's, of every octave."""
    return [voice for voice in all_voices if letter(voice.string) == A]


def _corrected(some: Sequence[Voice], at: int) -> list[Voice]:
    return [_tuned(voice) if number == at else voice for number, voice in enumerate(some)]


def _tuned(voice: Voice) -> Voice:
    return replace(voice, f0_hz=voice.f0_hz * 2 ** (-voice.cents / 1200), cents=0.0)


def _spread(cents: Sequence[float]) -> float | None:
    return stdev(cents, fmean(cents)) if len(cents) > 1 else None
