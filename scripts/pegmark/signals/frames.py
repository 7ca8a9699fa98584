"""Frames, windows and partials: the signal processing under the fine measurement.

Conventions
-----------
Audio is a mono float array at `rate_hz`. A *frame* is a stretch of audio under a Hann window; its
time is that of its middle. Complex amplitudes have shape (frames, partials): their phase is that
of the partial against a sine of exactly the given frequency that starts with the audio.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[Any]  # floating point; numpy's own types cannot say so without casts everywhere
Complex = NDArray[Any]

# Noise that overlapping Hann frames (a quarter of their length apart) share makes the mean of
# many of them this much less certain than independent frames would be: the sum of the squared
# window's autocorrelation at those lags.
OVERLAP_INFLATION = 2.67


@lru_cache(maxsize=256)
def hann(size: int) -> Real:
    """Hann window of `size` samples, without zeros at the ends, scaled to a sum of 2; read only.

    With that scale a sine of amplitude A gives a complex amplitude of magnitude A.
    """
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(size) + 0.5) / size)
    window = (window * (2 / window.sum())).astype(np.float32)
    window.flags.writeable = False
    return window


def partial_amplitudes(
    audio: Real, rate_hz: float, hz: Real, size: int, hop: int
) -> tuple[Complex, Real]:
    """Complex amplitudes of sines of fixed frequencies, frame by frame.

    Parameters
    ----------
    audio : shape (samples,).
    hz : shape (partials,), the frequencies looked at.
    size, hop : length and distance of the frames, in samples.

    Returns
    -------
    (amplitudes, times_s): shapes (frames, partials) and (frames,); no frames when the audio is
    shorter than one.
    """
    if len(audio) < size:
        return np.empty((0, len(hz)), np.complex64), np.empty(0)
    audio = np.ascontiguousarray(audio, np.float32)
    count, step = (len(audio) - size) // hop + 1, audio.itemsize
    frames: Real = np.ndarray((count, size), np.float32, audio, strides=(hop * step, step))
    # About the middle of a frame the window and cosines are even and sines odd: half is enough.
    half = (size + 1) // 2
    left, right = frames[:, :half], frames[:, : -half - 1 : -1]
    window = hann(size)[:half, None].copy()
    if size % 2:
        window[-1] /= 2  # the middle sample is in both halves
    cosine, sine = _waves(np.arange(half) - (size - 1) / 2, np.asarray(hz) / rate_hz)
    turned = np.empty((count, len(hz)), np.complex64)
    turned.real = (left + right) @ (window * cosine)
    turned.imag = (right - left) @ (window * sine)
    times = (np.arange(count) * hop + (size - 1) / 2) / rate_hz
    back = np.empty(turned.shape, np.complex64)
    back.real, back.imag = _waves(-times, np.asarray(hz))
    return turned * back, times


def _waves(place: Real, turns: Real) -> tuple[Real, Real]:
    """Cosine and sine of 2 pi place turns, shape (places, turns), single precision."""
    phase = place[:, None] * turns
    phase -= np.rint(phase)
    phase *= 2 * np.pi
    phase = phase.astype(np.float32)
    return np.cos(phase), np.sin(phase)


def medians(values: Real) -> Real:
    """The median of each column, shape (columns,), of values of shape (rows, columns)."""
    ordered = np.sort(np.ascontiguousarray(values.T), axis=1)
    return (ordered[:, (len(values) - 1) // 2] + ordered[:, len(values) // 2]) / 2


def warp(audio: Real, position: Real) -> Real:
    """`audio`, shape (samples,), read at fractional positions in samples, any shape, by cubic
    (Catmull-Rom) interpolation; shape as the positions."""
    left = np.clip(position.astype(int), 1, len(audio) - 3)
    x = (position - left).astype(np.float32)
    a, b, c, d = (audio.take(left + k) for k in (-1, 0, 1, 2))
    return b + 0.5 * x * (c - a + x * (2 * a - 5 * b + 4 * c - d + x * (3 * (b - c) + d - a)))


def smooth(values: Real, width: int) -> Real:
    """Running mean over `width` values, shorter at the ends; same shape."""
    if width <= 1 or len(values) < 3:
        return values
    half = min(width // 2, len(values) - 1)
    total = np.concatenate([[0.0], np.cumsum(values)])
    index = np.arange(len(values))
    reach = np.minimum(np.minimum(index, len(values) - 1 - index), half)
    return (total[index + reach + 1] - total[index - reach]) / (2 * reach + 1)
