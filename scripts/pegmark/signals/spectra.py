"""Spectra: overlapping frames under a Hann window, their magnitudes, and means along them.

Conventions: frequencies in Hz, times in seconds, spectra as arrays of shape (frames, bins).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
FRAMES_AT_ONCE = 32  # stay in a processor's own cache: many more cost twice the time


def frames_of(audio: Array, size: int, hop: int) -> Array:
    """Overlapping frames of `audio`, a view of shape (frames, size); none if it is too short."""
    if len(audio) < size:
        return np.empty((0, size), dtype=np.float32)
    return np.lib.stride_tricks.sliding_window_view(audio, size)[::hop]


@lru_cache(maxsize=256)
def hann(size: int) -> Array:
    """The periodic Hann window, float32; not to be written to."""
    phase = 2 * np.pi * np.arange(size) / size
    window = (0.5 - 0.5 * np.cos(phase)).astype(np.float32)
    window.flags.writeable = False
    return window


def magnitudes(audio: Array, size: int, hop: int, bins: int | None = None) -> Iterator[Array]:
    """Magnitude spectra in blocks of frames, scaled so that a full-scale sine gives 1.

    audio : shape (samples,). size, hop : of a frame, in samples. bins : so many of the lowest;
    None: all. Each block has the shape (frames, bins).
    """
    window = hann(size)
    window = window * (2 / window.sum())
    frames = frames_of(audio, size, hop)
    for first in range(0, len(frames), FRAMES_AT_ONCE):
        yield np.abs(np.fft.rfft(frames[first : first + FRAMES_AT_ONCE] * window)[:, :bins])


def local_mean(spectra: Array, half_width: int) -> Array:
    """The running mean of each row over 2 * half_width + 1 bins (shorter at the ends).

    spectra : shape (frames, bins), and so is what is returned.
    """
    count, bins = spectra.shape
    half = min(half_width, bins)
    total = np.empty((count, bins + 1 + 2 * half))
    total[:, : half + 1] = 0
    np.cumsum(spectra, axis=1, out=total[:, half + 1 : half + 1 + bins])
    total[:, half + 1 + bins :] = total[:, half + bins, None]
    bin_ = np.arange(bins)
    used = np.minimum(bin_ + half + 1, bins) - np.maximum(bin_ - half, 0)
    mean = np.empty((count, bins), np.float32)
    np.subtract(total[:, 2 * half + 1 :], total[:, :bins], out=mean, casting="same_kind")
    mean /= used.astype(np.float32)
    return mean


def log_1_plus(x: Array) -> Array:
    """log(1 + x) of values that are not small, any shape; numpy's log1p is slow on many
    processors."""
    return np.log(x + np.float32(1))
