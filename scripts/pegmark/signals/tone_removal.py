"""A sounded reference tone taken out of a recording, so that the string beside it can be measured.

A tone from a speaker stands still in pitch, level and phase, which no string does. So each of its
partials is brought down to rest (multiplied by a turning phasor), looked at in many short frames,
and what most of them agree on is the tone: notes that come and go, and strings whose pitch is
nearly the tone's, are heard in some frames only or turn from frame to frame (complex demodulation
and medians: from memory).
"""

from __future__ import annotations

import numpy as np

from pegmark.signals.frames import Real, hann

REMOVAL_FRAME_S = 0.25  # long enough to tell partials 10 Hz apart ...
REMOVAL_HOP_S = 0.1
REMOVAL_TOP_HZ = 6000.0
REMOVAL_EDGE_S = 0.05  # a tone's own beginning and end are no part of the rest
REMOVAL_FADE_S = 0.02
REMOVAL_LEAST_FRAMES = 4


def without_tone(audio: Real, rate_hz: float, start_s: float, end_s: float, f0_hz: float) -> Real:
    """A copy of `audio`, shape (samples,), less the tone of f0_hz between start_s and end_s."""
    first, last = max(0, round(start_s * rate_hz)), min(len(audio), round(end_s * rate_hz))
    rest = audio.astype(float)
    piece = rest[first:last].copy()
    edge, size = round(REMOVAL_EDGE_S * rate_hz), round(REMOVAL_FRAME_S * rate_hz)
    starts = np.arange(edge, len(piece) - edge - size, round(REMOVAL_HOP_S * rate_hz))
    if len(starts) < REMOVAL_LEAST_FRAMES:
        return rest
    t = np.arange(len(piece)) / rate_hz
    fade = np.minimum(1, np.minimum(t, t[-1] - t) / REMOVAL_FADE_S)
    frames = starts[:, None] + np.arange(size)
    window = hann(size) / hann(size).sum()
    middle = (starts + size / 2) / rate_hz
    for n in range(1, 1 + int(min(REMOVAL_TOP_HZ, 0.45 * rate_hz) / f0_hz)):
        turn = _turning(n * f0_hz / rate_hz, len(piece))
        still = (piece * turn.conj())[frames] @ window
        off_hz = _turning_hz(still)
        level = _middle(still * np.exp(-2j * np.pi * off_hz * middle))
        tone = level * _turning((n * f0_hz + off_hz) / rate_hz, len(piece))
        rest[first:last] -= 2 * fade * tone.real
    return rest


def _turning(turns: float, count: int) -> np.ndarray:
    """exp(2 pi i turns k) for k = 0 ... count - 1, as products of few far steps and few near."""
    near, far = np.arange(256), 256 * np.arange(-(-count // 256))
    far_turns, near_turns = (np.exp(2j * np.pi * turns * k) for k in (far, near))
    return np.asarray(np.outer(far_turns, near_turns).ravel()[:count])


def _turning_hz(still: np.ndarray) -> float:
    """How fast most of the frames say that the tone turns on: its pitch was known not quite."""
    return float(np.median(np.angle(still[1:] * still[:-1].conj()))) / (2 * np.pi * REMOVAL_HOP_S)


def _middle(values: np.ndarray) -> complex:
    return complex(np.median(values.real), np.median(values.imag))
