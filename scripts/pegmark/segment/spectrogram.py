"""One block of a take as spectra: fine frames for times, long ones for pitch.

A take is read a block at a time; times are seconds from the block's start. Row k of a spectrogram
is centred on sample k times its hop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pegmark.signals.salience import PitchSearch
from pegmark.signals.spectra import (
    FRAMES_AT_ONCE,
    Array,
    frames_of,
    magnitudes,
)
from pegmark.trade.instruments import Instrument

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Fine frames: 64 ms every 10 ms, for times and levels. Long frames: 256 ms every 32 ms, for pitch.
# Deep frames: 128 ms every 10 ms, for the soft starts of low strings.
FINE_SIZE, FINE_HOP = 1024, 160
DEEP_SIZE = 2048
LONG_SIZE, LONG_HOP = 4096, 512
FLUX_HZ = (40.0, 1500.0)  # a string's lower partials; higher up is consonants' and bow hair's
DEEP_BELOW_HZ = 100.0  # instruments with a string below this get the deep frames
LONG_BINS = 1500  # bins of the long frames that are kept: up to 5.9 kHz


@dataclass
class Block:
    """Spectra of one block of a take.

    fine, deep : (fine frames, bins to 1.5 kHz), magnitudes; deep only where it is needed
    long : (long frames, LONG_BINS), magnitudes; salience : (long frames, grid), padded by PAD.
    """

    audio: Array
    rate_hz: float
    search: PitchSearch
    fine: Array
    deep: Array | None
    long: Array
    salience: Array

    @property
    def long_s(self) -> float:
        return LONG_HOP / self.rate_hz

    @property
    def fine_s(self) -> float:
        return FINE_HOP / self.rate_hz


def _low_pass(taps: int, cut_hz: float, rate_hz: float) -> Array:
    """A low-pass filter: a windowed sinc (Kaiser's window; 75 dB where it stops)."""
    place = np.arange(taps) - taps // 2
    filter_ = np.sinc(2 * cut_hz / rate_hz * place) * np.append(0, np.kaiser(taps - 1, 7.3))
    return np.asarray(filter_ / filter_.sum(), np.float32)


# Fine and deep frames end at FLUX_HZ: they are read at a fourth of the rate, 4 kHz, of which what
# lies above 2.5 kHz would come back below 1.5 kHz.
SLOWER = 4
LOW_PASS = _low_pass(80, 2000.0, 16000.0)
PAD = 8  # grid steps added at both ends of a block's salience, so that neighbours always exist


@dataclass(frozen=True)
class Floor:
    """The take's noise floor in the fine and (where they are needed) deep frames, per bin."""

    fine: Array
    deep: Array | None


def noise_floor(audio: Array, instrument: Instrument, every: int = 6) -> Floor:
    """The lowest fifth of the magnitudes, per bin, over the whole take (every sixth frame)."""
    low = min(instrument.hz().values()) < DEEP_BELOW_HZ
    slow = slower(audio)
    deep = _floor(slow, DEEP_SIZE, every) if low else None
    return Floor(_floor(slow, FINE_SIZE, every), deep)


def _floor(slow: Array, size: int, every: int) -> Array:
    bins = int(np.ceil(FLUX_HZ[1] * size / 16000)) + 1
    size, hop = size // SLOWER, FINE_HOP * every // SLOWER
    padded = np.pad(slow, (0, max(0, size - len(slow))))
    spectra = np.concatenate(list(magnitudes(padded, size, hop, bins)))
    spectra.partition(len(spectra) // 5, axis=0)
    low = spectra[len(spectra) // 5]
    low = np.convolve(np.pad(low, 4, "edge"), np.full(9, 1 / 9), "valid")
    return np.asarray(np.maximum(low, 1e-6), np.float32)  # 1e-6: less than 16 bits can hold


def read_block(audio: Array, rate_hz: float, search: PitchSearch, floor: Floor) -> Block:
    """All spectra of a block."""
    frames = 1 + len(audio) // LONG_HOP
    block = Block(
        audio=audio,
        rate_hz=rate_hz,
        search=search,
        fine=np.empty((1 + len(audio) // FINE_HOP, len(floor.fine)), np.float32),
        deep=None,
        long=np.empty((frames, LONG_BINS), np.float32),
        salience=np.full((frames, len(search.f0_hz) + 2 * PAD), -9, np.float32),
    )
    if floor.deep is not None:
        block.deep = np.empty((len(block.fine), len(floor.deep)), np.float32)
    read_again(block, audio, 0, len(audio))
    return block


def read_again(block: Block, audio: Array, first: int, last: int) -> None:
    """Give a block audio that differs from its own only from sample `first` to `last`."""
    block.audio = audio
    slow = slower(audio)
    for spectra, size in ((block.fine, FINE_SIZE), (block.deep, DEEP_SIZE)):
        if spectra is not None:
            begin, end = first // SLOWER - len(LOW_PASS), last // SLOWER + len(LOW_PASS)
            _read_into(spectra, slow, size // SLOWER, FINE_HOP // SLOWER, begin, end)
    changed = _read_into(block.long, audio, LONG_SIZE, LONG_HOP, first, last)
    for begin in range(changed.start, changed.stop, FRAMES_AT_ONCE):
        rows = slice(begin, min(begin + FRAMES_AT_ONCE, changed.stop))
        salience = block.search.salience(block.search.whiten(block.long[rows]))
        block.salience[rows, PAD:-PAD] = salience


def slower(audio: Array) -> Array:
    """Audio at 1 / SLOWER of its rate: sample k is what was heard at sample k * SLOWER."""
    together = 16  # samples, whose filters stand side by side in a matrix
    filters = np.zeros((len(LOW_PASS) + (together - 1) * SLOWER, together), np.float32)
    for k in range(together):
        filters[k * SLOWER : k * SLOWER + len(LOW_PASS), k] = LOW_PASS
    padded = np.pad(audio, (len(LOW_PASS) // 2, len(filters)))
    slow = frames_of(padded, len(filters), together * SLOWER) @ filters
    return np.asarray(slow.ravel()[: -(-len(audio) // SLOWER)])


def _read_into(spectra: Array, audio: Array, size: int, hop: int, first: int, last: int) -> slice:
    """Read the frames (row k is centred on sample k * hop) that hear samples first to last."""
    half = size // 2
    rows = slice(max(0, (first - half) // hop), min(len(spectra), (last + half) // hop + 1))
    begin, end = rows.start * hop - half, (rows.stop - 1) * hop + half
    piece = np.pad(audio[max(0, begin) : end], (max(0, -begin), max(0, end - len(audio))))
    row = rows.start
    for part in magnitudes(piece, size, hop, spectra.shape[1]):
        spectra[row : row + len(part)] = part
        row += len(part)
    return rows
