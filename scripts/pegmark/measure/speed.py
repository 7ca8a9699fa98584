"""Recording speed: whether a file's sample rate is mislabelled."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from pegmark.records.problems import Problem, problem
from pegmark.signals.audio import LABEL_RATIOS
from pegmark.trade.mains import MAINS_HZ
from pegmark.trade.pitch import A4_HZ, cents_between, shift_hz

SPEED_TOLERANCE_CENTS = 12.0  # a confirmed fault agrees with the ratio's 146.7 cents this well:
# the grid wanders by 7 cents, and a tuner may be set to 442 Hz (8 cents)
SPEED_SUSPECT_CENTS = 60.0  # the strings' median within this of the ratio's cents: suspected
SPEED_QUESTION_CENTS = 25.0  # and all strings off by the ratio's cents, this closely: a question
SPEED_STRINGS = 2  # one string alone says nothing of the recording


def speed_fault(
    hum: float | None, tones_hz: Iterable[float], string_cents: Sequence[float]
) -> tuple[float | None, Problem | None]:
    """Whether the file's sample rate is mislabelled.

    Parameters
    ----------
    hum : fundamental of the mains hum in Hz, or None.
    tones_hz : fundamentals of sounded reference tones.
    string_cents : what every string was left at, cents against equal temperament.

    Returns (cents to be taken out of all pitches, problem). Only the ratio of 44.1 to 48 kHz and
    its inverse are ever found. Strings that stand off by about that much are suspected; hum or a
    reference tone off by exactly that much confirms it; without either, strings that all stand
    off by that much alone give a question and no correction.
    """
    if len(string_cents) < SPEED_STRINGS:
        return None, None
    middle, spread = float(np.median(string_cents)), float(np.ptp(string_cents))
    for ratio in LABEL_RATIOS:
        cents = 1200 * math.log2(1 / ratio)
        if abs(middle - cents) > SPEED_SUSPECT_CENTS:
            continue
        side = "high" if cents > 0 else "low"
        if _is_off_by(cents, hum, tones_hz):
            return cents, problem(
                "speed_fault",
                f"The recording plays {abs(cents):.0f} cents too {side}: its sample rate is "
                "mislabelled. All pitches were corrected by that much.",
                "Listen once, and ask the student to record with another program next time.",
            )
        if hum is None and abs(middle - cents) < SPEED_QUESTION_CENTS > spread:
            return None, problem(
                "speed_question",
                f"All strings are about {abs(cents):.0f} cents too {side}, as in a recording "
                "played at the wrong speed.",
                "Ask the student how it was recorded, or listen to hear whether the voice sounds "
                "natural.",
            )
    return None, None


def _is_off_by(cents: float, hum: float | None, tones_hz: Iterable[float]) -> bool:
    """Whether the hum, or a tone that should be an A, stands off by `cents`."""
    known = [cents_between(hum, mains) for mains in MAINS_HZ] if hum is not None else []
    for tone in tones_hz:
        octave = 1200 * round(cents_between(tone, shift_hz(A4_HZ, cents)) / 1200)
        known.append(cents_between(tone, A4_HZ) - octave)
    return any(abs(off - cents) < SPEED_TOLERANCE_CENTS for off in known)
