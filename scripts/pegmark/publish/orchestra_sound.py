"""Strings sounded together, rendered from their measured pitches: what a forecast sounds like."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pegmark.signals.audio import RATE_HZ

SECONDS = 6.0  # three slow waves can be counted in it
CHORD_FADE_S = 0.15  # without clicks
CHORD_PARTIALS = 6  # enough that octaves are heard to beat; amplitudes 1/n, as a bowed string's
LEVEL_RMS = 0.08  # about -22 dB of full scale: many voices add up to high peaks
GOLDEN = 0.6180339887498949  # phases spread evenly, and the same at every run


def together(f0_hz: Sequence[float], rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """All pitches held at once, each a series of harmonics; shape (samples,), within +-1.

    Nothing above half the rate is made. No pitches: silence.
    """
    times = np.arange(round(SECONDS * rate_hz)) / rate_hz
    sound = np.zeros(len(times))
    for number, hz in enumerate(f0_hz):
        for n in range(1, CHORD_PARTIALS + 1):
            if n * hz < rate_hz / 2:
                phase = 2 * np.pi * (n * hz * times + (number * CHORD_PARTIALS + n) * GOLDEN)
                sound += np.sin(phase) / n
    ramp = np.minimum(1.0, np.minimum(times, times[::-1]) / CHORD_FADE_S)
    level = float(np.sqrt(np.mean(sound**2)))
    if level > 0:
        sound *= ramp * LEVEL_RMS / level
    return np.clip(sound, -1.0, 1.0).astype(np.float32)
