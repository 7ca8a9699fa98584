"""Salience: which fundamental a stretch of sound has, good to a few cents.

Method
------
Harmonic summation on a whitened spectrum (the idea is Hermes, "Measurement of pitch by
subharmonic summation", JASA 83, 1988 (from memory)), with penalties at the half and the thirds
of every partial, which remove octave and twelfth errors: ``W = log(1 + |X| / local mean)``,

    S(f) = sum over n = 1..12 of 0.86**(n - 1) *
           (W(n f) - 0.6 max(W((n - 1/2) f), (W((n - 1/3) f) + W((n - 2/3) f)) / 2))

W is read once on a logarithmic axis of 5 cents, where every product with a number is a shift:
the whole search is then some fifty additions of slices for all frames together.

Conventions: frequencies in Hz, times in seconds, spectra as arrays of shape (frames, bins).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pegmark.signals.spectra import Array, local_mean, log_1_plus
from pegmark.trade.instruments import Instrument

SALIENCE_STEP_CENTS = 5.0  # grid of the search
MARGIN_CENTS = 550.0  # an open string is looked for up to this far out of tune
SALIENCE_PARTIALS = 12
PARTIAL_WEIGHT = 0.86  # each partial counts this much of the one below it
PENALTY = 0.6
SALIENCE_TOP_HZ = 5500.0  # above this, string partials drown in bow noise and codecs
WHITEN_HZ = 150.0  # half-width of the local mean
_PER_OCTAVE = int(1200 / SALIENCE_STEP_CENTS)


class PitchSearch:
    """The search for one instrument, FFT size and rate; tables are made once."""

    def __init__(self, low_hz: float, high_hz: float, size: int, rate_hz: float):
        self.size = size
        self.bin_hz = rate_hz / size
        self.half_width = max(1, round(WHITEN_HZ / self.bin_hz))
        top = min(SALIENCE_TOP_HZ, 0.48 * rate_hz)
        count = int(np.ceil(_PER_OCTAVE * np.log2(high_hz / low_hz))) + 1
        self.f0_hz = low_hz * 2 ** (np.arange(count) / _PER_OCTAVE)
        # The axis of W begins a third of the lowest fundamental: the lowest penalty looks there.
        self._base_hz = low_hz / 3.001
        points = int(_PER_OCTAVE * np.log2(top / self._base_hz))
        position = self._base_hz * 2 ** (np.arange(points) / _PER_OCTAVE) / self.bin_hz
        self._bin = position.astype(np.int32)
        self._part = (position - self._bin).astype(np.float32)[:, None]
        self._points = points

    @classmethod
    def for_instrument(
        cls, instrument: Instrument, size: int, rate_hz: float, margin_cents: float = MARGIN_CENTS
    ) -> PitchSearch:
        """A search from the lowest string to the highest, widened by `margin_cents`."""
        pitches = instrument.hz().values()
        wide = 2 ** (margin_cents / 1200)
        return cls(min(pitches) / wide, max(pitches) * wide, size, rate_hz)

    def whiten(self, spectra: Array) -> Array:
        """W of magnitude spectra, shape (frames, bins): 0.7 in noise, 2-4 on a partial."""
        return log_1_plus(spectra / (local_mean(spectra, self.half_width) + np.float32(1e-9)))

    def salience(self, white: Array) -> Array:
        """S on the grid `f0_hz`, shape (frames, len(f0_hz)), of whitened spectra."""
        bins = np.ascontiguousarray(white.T)  # a shift is then a block of whole rows
        axis = bins[self._bin] * (1 - self._part) + bins[self._bin + 1] * self._part
        count = len(self.f0_hz)
        total = np.zeros((count, white.shape[0]), dtype=np.float32)
        for n in range(1, SALIENCE_PARTIALS + 1):
            on = self._shifted(axis, n)
            rows = on.shape[0]
            if rows == 0:
                break
            half = self._shifted(axis, n - 1 / 2)[:rows]
            thirds = self._shifted(axis, n - 1 / 3)[:rows] + self._shifted(axis, n - 2 / 3)[:rows]
            thirds *= 0.5
            np.maximum(half, thirds, out=thirds)
            thirds *= -PENALTY
            thirds += on
            thirds *= PARTIAL_WEIGHT ** (n - 1)
            total[:rows] += thirds
        return total.T

    def _shifted(self, axis: Array, factor: float) -> Array:
        start = round(_PER_OCTAVE * np.log2(factor * self.f0_hz[0] / self._base_hz))
        return axis[start : start + len(self.f0_hz)]

    def refine(self, white: Array, f0_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pitches moved to the best sum of their partials within 12 cents.

        white : shape (notes, bins), one whitened row for each of the pitches f0_hz.
        """
        near = f0_hz[:, None] * 2 ** (np.arange(-12, 13) / 1200)
        position = near[:, :, None] * np.arange(1, SALIENCE_PARTIALS + 1) / self.bin_hz
        inside = position < min(SALIENCE_TOP_HZ / self.bin_hz, white.shape[1] - 2)
        position = np.where(inside, position, 0)
        left = position.astype(int)
        row = np.arange(len(f0_hz))[:, None, None]
        value = white[row, left]
        value += (white[row, left + 1] - value) * (position - left)
        weight = PARTIAL_WEIGHT ** np.arange(SALIENCE_PARTIALS)
        total = (value * weight * inside).sum(axis=2)
        best = total.argmax(axis=1)
        return near[np.arange(len(f0_hz)), best]
