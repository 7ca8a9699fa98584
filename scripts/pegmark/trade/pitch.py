"""Pitch arithmetic: cents, hertz, scientific pitch names, equal-tempered and pure targets.

Conventions
-----------
Pitches are named in scientific pitch notation (``A4``, ``F#1``, ``Bb0``). A deviation is
``1200 * log2(f0_hz / target_hz)`` in cents: positive is sharp.

The equal-tempered table follows ISO 16:1975 (A4 = 440 Hz); pure targets are stacked from A by
just fifths (3:2), on instruments tuned in fourths by just fourths (4:3).
"""

from __future__ import annotations

import math
import re

A4_HZ = 440.0  # concert A, ISO 16:1975
PURE_FIFTH_CENTS = 1200 * math.log2(3 / 2)  # 701.955
PURE_FOURTH_CENTS = 1200 * math.log2(4 / 3)  # 498.045
A4_SEMITONE = 69  # the number of A4 when C4 is 60, semitone steps (common numbering)

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "b": -1}
_NAME = re.compile(r"([A-G])([#b]?)(-?\d+)")


def cents_between(f0_hz: float, target_hz: float) -> float:
    """The deviation of `f0_hz` from `target_hz` in cents (positive: sharp)."""
    if not (f0_hz > 0 and target_hz > 0):
        raise ValueError(f"frequencies must be above 0 Hz, got {f0_hz!r} and {target_hz!r}")
    return 1200 * math.log2(f0_hz / target_hz)


def shift_hz(f_hz: float, cents: float) -> float:
    """`f_hz` moved by `cents`."""
    return f_hz * 2 ** (cents / 1200)


def semitone(name: str) -> int:
    """The semitone number of a pitch name: ``C4`` is 60, ``A4`` is 69.

    Raises ValueError for anything that is not a pitch name such as ``G3`` or ``F#1``.
    """
    match = _NAME.fullmatch(name)
    if match is None:
        raise ValueError(f"{name!r} is not a pitch name such as G3, F#1 or Bb0")
    step, accidental, octave = match.groups()
    return 12 * (int(octave) + 1) + _STEPS[step] + _ACCIDENTALS[accidental]


def equal_hz(name: str, a4_hz: float = A4_HZ) -> float:
    """The equal-tempered frequency of a pitch name in Hz."""
    return a4_hz * 2 ** ((semitone(name) - A4_SEMITONE) / 12)


def pure_hz(name: str, a4_hz: float = A4_HZ, interval_semitones: int = 7) -> float:
    """The frequency of an open string tuned from A by pure intervals, in Hz.

    `interval_semitones` is the instrument's interval between strings: 7 (fifths) or 5 (fourths).
    A string that no stack of that interval from A reaches within a few steps keeps its
    equal-tempered pitch's nearest stack: the count of steps is the smallest that gives the
    right pitch class.

    Raises ValueError when `interval_semitones` is neither 5 nor 7.
    """
    if interval_semitones not in (5, 7):
        raise ValueError(f"strings stand in fifths (7) or fourths (5), not {interval_semitones}")
    distance = semitone(name) - A4_SEMITONE
    steps = min((k for k in range(-6, 7) if (k * interval_semitones - distance) % 12 == 0), key=abs)
    octaves = (distance - steps * interval_semitones) // 12
    cents_per_step = PURE_FIFTH_CENTS if interval_semitones == 7 else PURE_FOURTH_CENTS
    return a4_hz * 2 ** (steps * cents_per_step / 1200 + octaves)
