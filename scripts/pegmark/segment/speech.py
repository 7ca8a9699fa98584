"""Where somebody speaks: passages in which the sound changes all the time.

A string is set going and then changes slowly; speech rises and falls many times a second, and its
spectrum never stays. Every quarter of a second the surrounding second is described by such numbers,
weighed by curves (`pegmark.segment.note_classifier`, question "speech"), and what is likely speech
is joined into passages. Times are seconds from the block's start.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pegmark.segment import note_classifier
from pegmark.segment.spectrogram import Block
from pegmark.signals.spectra import Array, log_1_plus

Floats = NDArray[np.float64]

SPEECH_WINDOW_S, STEP_S = 1.0, 0.25
LAG = 3  # fine frames between which a change is counted: 30 ms
CHANGE_DEAD = 0.3  # smaller changes of log(1 + magnitude / floor) are noise's
BURST = 0.15  # such a mean change is a rise or a fall of much of the spectrum
SPEECH_APART = 4  # long frames between which spectra are compared: 128 ms
VOICE_HZ = (100.0, 4000.0)
SPEECH_JOIN_S = 1.25  # a breath between two sentences
SHORTEST_S = 0.75
SPEECH_ACCEPT_LOG_ODDS = 0.0


def describe(block: Block, floor: Array) -> tuple[Floats, dict[str, Floats]]:
    """(middles of the windows in s, inputs of the question "speech").

    floor : the take's noise floor in the fine frames, per bin.
    """
    seconds = len(block.audio) / block.rate_hz
    times = np.arange(0, seconds, STEP_S)
    log = log_1_plus(block.fine / floor)
    rise = np.maximum(log[LAG:] - log[:-LAG] - np.float32(CHANGE_DEAD), 0).mean(axis=1)
    fall = np.maximum(log[:-LAG] - log[LAG:] - np.float32(CHANGE_DEAD), 0).mean(axis=1)
    loud = log.mean(axis=1)
    same, middle = _spectra(block)
    fine, long = block.fine_s, block.long_s
    level = _window_mean(loud, times, fine)
    spread = np.sqrt(np.maximum(_window_mean(loud**2, times, fine) - level**2, 0))
    centre = _window_mean(middle, times, long)
    sway = np.sqrt(np.maximum(_window_mean(middle**2, times, long) - centre**2, 0))
    return times, {
        "level": level,
        "spread": spread,
        "rise": np.log(_window_mean(rise, times, fine) + 1e-3),
        "fall": np.log(_window_mean(fall, times, fine) + 1e-3),
        "bursts": _window_mean((rise > BURST).astype(float), times, fine),
        "falls": _window_mean((fall > BURST).astype(float), times, fine),
        "same": _window_mean(same, times, long),
        "centre": centre,
        "sway": sway,
    }


def log_odds(block: Block, floor: Array) -> tuple[Floats, Floats]:
    """(middles of the windows in s, log odds that somebody speaks there)."""
    times, inputs = describe(block, floor)
    return times, note_classifier.weigh(inputs, "speech")


def passages(times: Floats, log_odds: Floats) -> list[tuple[float, float]]:
    """Begin and end, in s, of the passages of speech."""
    spans: list[tuple[float, float]] = []
    for t in times[log_odds > SPEECH_ACCEPT_LOG_ODDS]:
        begin, end = float(t - STEP_S / 2), float(t + STEP_S / 2)
        if spans and begin - spans[-1][1] < SPEECH_JOIN_S:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((max(0.0, begin), end))
    return [(begin, end) for begin, end in spans if end - begin >= SHORTEST_S]


def _spectra(block: Block) -> tuple[Floats, Floats]:
    """(likeness of spectra 128 ms apart, middle of the spectrum in octaves) of the long frames."""
    bin_hz = block.search.bin_hz
    first, last = (int(hz / bin_hz) for hz in VOICE_HZ)
    part = block.long[:, first:last]
    unit = part / (np.sqrt((part**2).sum(axis=1, keepdims=True)) + np.float32(1e-9))
    same = np.ones(len(part))
    if len(part) > SPEECH_APART:
        like = (unit[SPEECH_APART:] * unit[:-SPEECH_APART]).sum(axis=1)
        same[SPEECH_APART // 2 : SPEECH_APART // 2 + len(like)] = like
    octave = np.log2(np.arange(first, last) * bin_hz).astype(np.float32)
    middle = (part @ octave) / (part.sum(axis=1) + np.float32(1e-9))
    return same, middle.astype(np.float64)


def _window_mean(values: NDArray, times: Floats, step_s: float) -> Floats:
    total = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    first = np.clip(np.rint((times - SPEECH_WINDOW_S / 2) / step_s).astype(int), 0, len(values))
    last = np.clip(np.rint((times + SPEECH_WINDOW_S / 2) / step_s).astype(int), 0, len(values))
    empty = last <= first
    first = np.where(empty, np.maximum(0, len(values) - 1), first)
    last = np.where(empty, len(values), last)
    return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1))
