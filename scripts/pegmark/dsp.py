"""Frames, windows and partials: the signal processing under the fine measurement.

Conventions
-----------
Audio is a mono float array at `rate_hz`. A *frame* is a stretch of audio under a Hann window; its
time is that of its middle. Complex amplitudes have shape (frames, partials): their phase is that
of the partial against a sine of exactly the given frequency that starts with the audio.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[Any]  # floating point; numpy's own types cannot say so without casts everywhere
Complex = NDArray[Any]

# Noise that overlapping Hann frames (a quarter of their length apart) share makes the mean of
# many of them this much less certain than independent frames would be: the sum of the squared
# window's autocorrelation at those lags.
OVERLAP_INFLATION = 2.67


def hann(size: int) -> Real:
    """Hann window of `size` samples, without zeros at the ends, scaled to a sum of 2.

    With that scale a sine of amplitude A gives a complex amplitude of magnitude A.
    """
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(size) + 0.5) / size)
    return (window * (2 / window.sum())).astype(np.float32)


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
    frames = np.lib.stride_tricks.sliding_window_view(audio, size)[::hop]
    offset = (np.arange(size) - (size - 1) / 2)[:, None]
    turns = offset * (np.asarray(hz) / rate_hz)
    turns = (2 * np.pi * (turns - np.rint(turns))).astype(np.float32)
    window = hann(size)[:, None]
    waves = np.concatenate([window * np.cos(turns), window * -np.sin(turns)], axis=1)
    product = np.ascontiguousarray(frames, dtype=np.float32) @ waves
    times = (np.arange(len(frames)) * hop + (size - 1) / 2) / rate_hz
    start = times[:, None] * hz
    start = (2 * np.pi * (start - np.rint(start))).astype(np.float32)
    back = np.cos(start) - 1j * np.sin(start)
    return (product[:, : len(hz)] + 1j * product[:, len(hz) :]) * back, times


def warp(audio: Real, position: Real) -> Real:
    """`audio` read at fractional sample positions, by cubic (Catmull-Rom) interpolation."""
    left = np.clip(position.astype(int), 1, len(audio) - 3)
    x = (position - left).astype(np.float32)
    a, b, c, d = (audio[left + k] for k in (-1, 0, 1, 2))
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
