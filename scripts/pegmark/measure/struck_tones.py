"""The pitch of a sounded A whose partials are stretched: a piano's, read by its fundamental.

The partials of a piano stand ever further above whole multiples (Fletcher & Rossing, The Physics of
Musical Instruments, chapter 12: from memory), so a fit through all of them says another pitch than
the one that a student tunes to. The fundamental's phase against an even clock says it alone.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pegmark.signals.frames import Real, partial_amplitudes
from pegmark.signals.partials import CENTS_PER_LOG

FRAME_S, HOP_S = 0.1, 0.025
PERIODS = 6  # of the pitch in a frame, where these are longer
STRUCK_FROM_S = 0.1  # the hammer's noise is over
STRUCK_LEAST_FRAMES = 8
FALLEN_DB = 25.0  # further down the fundamental says nothing
MOST_TURN = 0.6  # radians about a straight line: more is not one steady tone
STRUCK_ROUNDS = 3  # each begins with the pitch of the one before
STRUCK_FLOOR_CENTS = 0.2  # strings of one key stand apart by as much (common practice, no source)


class Fundamental(NamedTuple):
    """A fundamental's frequency in Hz and its standard error in cents."""

    hz: float
    se_cents: float


def read_fundamental(audio: Real, rate_hz: float, f0_hz: float) -> Fundamental | None:
    """The fundamental of a sound that begins with `audio`, shape (samples,).

    f0_hz : within 25 cents. None where it is too short, or no single steady line.
    """
    size = round(max(FRAME_S, PERIODS / f0_hz) * rate_hz)
    hz, phase, times = f0_hz, np.empty(0), np.empty(0)
    for _ in range(STRUCK_ROUNDS):
        z, times = partial_amplitudes(
            audio[round(STRUCK_FROM_S * rate_hz) :],
            rate_hz,
            np.array([hz]),
            size,
            round(HOP_S * rate_hz),
        )
        level = np.abs(z[:, 0]) if len(z) else np.empty(0)
        loud = level > level.max(initial=0) * 10 ** (-FALLEN_DB / 20)
        last = int(np.argmin(loud)) if len(loud) and not loud.all() else len(loud)
        if last < STRUCK_LEAST_FRAMES:
            return None
        times, phase = times[:last], np.unwrap(np.angle(z[:last, 0]))
        slope, middle = np.polyfit(times, phase, 1, w=level[:last])
        hz += float(slope) / (2 * np.pi)
    rest = phase - (slope * times + middle)
    if float(np.sqrt(np.mean(rest**2))) > MOST_TURN or abs(CENTS_PER_LOG * np.log(hz / f0_hz)) > 50:
        return None
    half = len(times) // 2
    parts = [
        np.polyfit(times[part], phase[part], 1)[0] for part in (slice(half), slice(half, None))
    ]
    apart = abs(parts[1] - parts[0]) / (2 * np.pi) / hz * CENTS_PER_LOG
    return Fundamental(hz, float(np.hypot(STRUCK_FLOOR_CENTS, apart / 4)))
