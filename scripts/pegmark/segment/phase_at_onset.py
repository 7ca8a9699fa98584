"""What the partials of a pitch do at an onset: how far they rise, how far their phases jump.

A string that rings on keeps its phases; one that is set going anew breaks them, even where its
level hardly rises. Two windows before an onset give every partial's frequency, and so the phase
that it would have after it; what is heard there instead is compared (the idea of onset detection
in the complex domain is Duxbury, Bello, Davies & Sandler, DAFx 2003: from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pegmark.signals.spectra import hann

Array = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Complex = NDArray[np.complexfloating]

WINDOW_S = 0.064
APART_S = 0.020  # between the two windows on each side of the onset
# The windows end so long before the onset and begin so long after it.
PHASE_BEFORE_S, PHASE_AFTER_S = 0.010, 0.005
SPECTRUM = 4096  # zero-padded length at 16 kHz
PHASE_PARTIALS = 20
PHASE_TOP_HZ = 6000.0
PHASE_HIGH_FROM = 6  # partials from this one are high ones
REACH_BINS = 4  # a partial's peak is looked for so far about its place: inharmonic, or off the grid
RISE_DB = (-15.0, 25.0)  # further rises and falls say no more
PHASE_LOUD = 0.03  # of the loudest partial: below, a rise may be the noise's
FEW = 3  # so many partials have risen by `few_rise` or more
FAINTEST = 1e-7  # less than 16 bits can hold


def changes(
    audio: Array, rate_hz: float, times: Floats, candidate: Ints, f0_hz: Floats
) -> dict[str, Floats]:
    """How the partials of pitches change at onsets.

    times : (candidates,), s. candidate, f0_hz : (hypotheses,), which onset and what pitch.

    Returns, each of shape (hypotheses,): all_rise, high_rise, few_rise (dB: mean of all and of the
    high partials, and what FEW of the loud ones reach); phase_break (0 to 2: mean of 1 - cos of the
    phases' jumps); novelty (log of the part of the energy that the past does not foretell).
    """
    size, apart = round(WINDOW_S * rate_hz), round(APART_S * rate_hz)
    at = np.rint(times * rate_hz).astype(int)
    end, begin = at - round(PHASE_BEFORE_S * rate_hz), at + round(PHASE_AFTER_S * rate_hz)
    starts = (end - size - apart, end - size, begin, begin + apart)
    spectra = [_spectra(audio, start, size) for start in starts]
    loudness = np.abs(spectra[1]) + np.abs(spectra[2])
    number = np.arange(1, PHASE_PARTIALS + 1)
    hz = number * f0_hz[:, None]
    used = hz < PHASE_TOP_HZ
    row = candidate[:, None]
    bins = _peaks_near(loudness, row, np.where(used, hz * SPECTRUM / rate_hz, REACH_BINS))
    first, last, after, later = (spectrum[row, bins] for spectrum in spectra)
    turned = 2 * np.pi * bins / SPECTRUM * apart
    unturn = np.exp(-1j * turned)
    # The mean of the frequencies on both sides: a peg that turns is no break.
    advance = turned + (_phase(last, first, unturn) + _phase(later, after, unturn)) / 2
    foretold = last * np.exp(1j * advance * (begin - end + size)[row] / apart)
    both = np.sqrt(np.minimum(np.abs(last), np.abs(after))) * used
    jump = 1 - np.cos(np.angle(after * foretold.conj()))
    before_db, after_db = (20 * np.log10(np.abs(z) + FAINTEST) for z in (last, after))
    rise = np.clip(after_db - before_db, *RISE_DB)
    weight = np.sqrt(np.abs(after)) * used
    loud = used & (np.abs(after) > PHASE_LOUD * np.abs(after).max(axis=1, keepdims=True))
    energy = ((np.abs(after) ** 2 + np.abs(last) ** 2) * used).sum(axis=1)
    surprise = (np.abs(after - foretold) ** 2 * used).sum(axis=1)
    return {
        "all_rise": _mean(rise, weight),
        "high_rise": _mean(rise, weight * (number >= PHASE_HIGH_FROM)),
        "few_rise": np.sort(np.where(loud, rise, RISE_DB[0]), axis=1)[:, -FEW],
        "phase_break": _mean(jump, both),
        "novelty": np.log((surprise + 1e-12) / (energy + 1e-12)),
    }


def _spectra(audio: Array, start: Ints, size: int) -> Complex:
    """Spectra of the windows that begin at `start` samples; silence outside the audio."""
    padded = np.pad(audio, SPECTRUM)
    last = len(padded) - size
    view = np.lib.stride_tricks.sliding_window_view(padded, size)
    return np.fft.rfft(view[np.clip(start + SPECTRUM, 0, last)] * hann(size), SPECTRUM)


def _peaks_near(loudness: Floats, row: Ints, place: Floats) -> Ints:
    """The loudest bin within REACH_BINS of each place."""
    steps = np.arange(-REACH_BINS, REACH_BINS + 1)
    near = np.rint(place).astype(int)[:, :, None] + steps
    best = loudness[row[:, :, None], near].argmax(axis=2)
    return np.take_along_axis(near, best[:, :, None], axis=2)[:, :, 0]


def _phase(z: Complex, before: Complex, unturn: Complex) -> Floats:
    return np.asarray(np.angle(z * before.conj() * unturn), np.float64)


def _mean(values: Floats, weight: Floats) -> Floats:
    return np.asarray((weight * values).sum(axis=1) / (weight.sum(axis=1) + 1e-9))
