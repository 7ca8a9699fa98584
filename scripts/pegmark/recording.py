"""What is to be said of a recording as such: level, noise, clipping, hum, low cut, gating, speed.

Levels are in dB against full scale; all frequencies as the file's label has them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pegmark.coarse import Array, frames_of, magnitudes
from pegmark.pitch import cents_between
from pegmark.problems import Problem, problem

Floats = NDArray[np.float64]

FRAME_S = 0.05
QUIET_SHARE, LOUD_SHARE = 0.1, 0.9
CLIP_SHARE = 0.98  # samples within 2 % of the peak: a resampled flat top wobbles that much
CLIP_CROWD = 12.0  # as many times more of them than a smooth wave's crest has are clipping

MAINS_HZ = (50.0, 60.0)
MAINS_WANDER = 0.004  # the grid wanders by +-0.2 Hz at the worst
LABEL_RATIOS = (44100 / 48000, 48000 / 44100)  # a recording's true over its labelled rate
HUM_SECONDS = 8.0
HUM_HARMONICS = (1, 2, 3, 4, 5, 6)
HUM_DB = 9.0  # harmonics of hum stand at least so far above their surroundings, on average

SPEED_TOLERANCE_CENTS = 12.0  # a confirmed fault agrees with the ratio's 146.7 cents this well
SPEED_QUESTION_CENTS = 25.0  # all strings off by the ratio's cents, this closely: a question
REFERENCE_HZ = (440.0, 442.0, 443.0, 441.0, 220.0, 415.0)


def level_db(audio: Array, rate_hz: float) -> Floats:
    """RMS level of each FRAME_S of the recording in dB of full scale."""
    size = int(FRAME_S * rate_hz)
    frames = frames_of(audio, size, size)
    if not len(frames):
        return np.array([-120.0])
    return 10 * np.log10(np.mean(np.square(frames), axis=1, dtype=np.float64) + 1e-12)


def clipped_fraction(audio: Array) -> float:
    """Part of the samples that lie at a flat top.

    A wave that is not clipped has few samples near its peak; a clipped one has a crowd there.
    """
    size = np.abs(audio)
    peak = float(size.max(initial=0))
    if peak < 1e-3:
        return 0.0
    near = float(np.mean(size > CLIP_SHARE * peak))
    below = float(np.mean((size > (3 * CLIP_SHARE - 2) * peak) & (size <= CLIP_SHARE * peak)))
    return near if near > CLIP_CROWD / 2 * max(below, 1e-6) and near > 1e-5 else 0.0


def hum_hz(audio: Array, rate_hz: float) -> float | None:
    """The fundamental of mains hum, or None where none stands out.

    Looked for at 50 and 60 Hz, and where a mislabelled sample rate would put them. The power
    spectra of stretches of HUM_SECONDS are combined by their lower quartile, so that notes, which
    come and go, do not pass for hum.
    """
    fewer = max(1, int(rate_hz // 1000))  # to about 1 kHz: a mean of neighbours is filter enough
    usable = len(audio) // fewer * fewer
    slow = audio[:usable].reshape(-1, fewer).mean(axis=1)
    rate = rate_hz / fewer
    size = int(HUM_SECONDS * rate)
    if len(slow) < size:
        return None
    spectra = np.concatenate(list(magnitudes(slow.astype(np.float32), size, size // 2)))
    level = np.log(np.quantile(spectra, 0.25, axis=0) + 1e-9)
    bin_hz = rate / size
    best: tuple[float, float] | None = None
    for mains in MAINS_HZ:
        for ratio in (1.0, *LABEL_RATIOS):
            near = mains / ratio
            grid = near * (1 + np.linspace(-MAINS_WANDER, MAINS_WANDER, 81))
            total = np.zeros(len(grid))
            for n in HUM_HARMONICS:
                total += _above_surroundings(level, n * grid / bin_hz)
            height = float(total.max()) / len(HUM_HARMONICS) * 20 / math.log(10)
            if height > HUM_DB and (best is None or height > best[0] + (ratio != 1.0) * 2):
                best = (height, _refined(grid, total))
    return None if best is None else best[1]


def _above_surroundings(level: Floats, position: Floats) -> Floats:
    """The level read at fractional bins, over the median of the bins around them."""
    position = np.minimum(position, len(level) - 2)
    left = position.astype(int)
    part = position - left
    value = level[left] * (1 - part) + level[left + 1] * part
    middle = int(np.median(left))
    around = level[max(0, middle - 30) : middle + 31]
    return np.clip(value - np.median(around), -1.0, 4.0)


def _refined(grid: Floats, total: Floats) -> float:
    top = int(total.argmax())
    if 0 < top < len(grid) - 1:
        a, b, c = total[top - 1 : top + 2]
        bend = a - 2 * b + c
        if bend < 0:
            return float(grid[top] + 0.5 * (a - c) / bend * (grid[1] - grid[0]))
    return float(grid[top])


def low_cut_hz(audio: Array, rate_hz: float) -> float | None:
    """The frequency below which a filter has taken the bass away, or None.

    Room noise rises towards low frequencies; where the quiet frames' spectrum falls instead, by
    more than 12 dB an octave, the microphone or phone has cut it.
    """
    size = 4096
    if len(audio) < 4 * size:
        return None
    spectra = np.concatenate([m[:, :300] for m in magnitudes(audio, size, 4 * size)])
    quiet = np.quantile(spectra, 0.3, axis=0)
    bin_hz = rate_hz / size
    edges = 31.25 * 2 ** (np.arange(0, 20) / 3)
    bands = [
        10 * np.log10(np.mean(quiet[_bins(a, bin_hz) : _bins(b, bin_hz) + 1] ** 2) + 1e-14)
        for a, b in itertools.pairwise(edges)
    ]
    for k in range(len(bands) - 4, 2, -1):
        octave_below, here = bands[k - 3], bands[k]
        if here - octave_below > 12 and here - min(bands[:k]) > 18:
            return float(edges[k])
    return None


def _bins(hz: float, bin_hz: float) -> int:
    return max(1, round(hz / bin_hz))


def is_gated(levels_db: Floats) -> bool:
    """Whether noise suppression silences the pauses: many frames fall far below all others."""
    loud = float(np.quantile(levels_db, LOUD_SHARE))
    dead = levels_db < loud - 65
    between = (levels_db >= loud - 65) & (levels_db < loud - 45)
    return bool(dead.mean() > 0.08 and dead.sum() > 2 * between.sum())


def pumps(
    levels_db: Floats, spans: Sequence[tuple[float, float]], duration_s: float
) -> bool | None:
    """Whether noise swells after every sound, as an automatic gain does. None: no pauses."""
    sounding = np.zeros(len(levels_db), bool)
    for start, end in spans:
        sounding[max(0, int(start / FRAME_S) - 1) : int(end / FRAME_S) + 6] = True
    rises: list[float] = []
    at = np.flatnonzero(np.diff(np.concatenate([[True], sounding, [True]]).astype(int)))
    for begin, end in zip(at[::2], at[1::2], strict=False):
        if end - begin >= 12:
            third = (end - begin) // 3
            pause = levels_db[begin:end]
            rises.append(float(np.median(pause[-third:]) - np.median(pause[:third])))
    if len(rises) < 3:
        return None
    return bool(np.median(rises) > 4.0)


def speed_fault(
    hum: float | None, tones_hz: Iterable[float], string_cents: Sequence[float]
) -> tuple[float | None, Problem | None]:
    """Whether the file's sample rate is mislabelled.

    Parameters
    ----------
    hum : fundamental of the mains hum in Hz, or None.
    tones_hz : fundamentals of sounded reference tones.
    string_cents : what every string was left at, cents against equal temperament.

    Returns (cents to be taken out of all pitches, problem). Only the ratio of 44.1 to 48 kHz and
    its inverse are ever found, and only hum or a reference tone confirms one; strings that all
    stand off by that much alone give a question and no correction.
    """
    found = []
    for ratio in LABEL_RATIOS:
        cents = 1200 * math.log2(1 / ratio)
        by_hum = hum is not None and any(
            abs(cents_between(hum, mains / ratio)) < SPEED_TOLERANCE_CENTS for mains in MAINS_HZ
        )
        by_tone = any(
            abs(cents_between(tone, 440.0 / ratio) - 1200 * octave) < SPEED_TOLERANCE_CENTS
            for tone in tones_hz
            for octave in (-1, 0, 1)
        )
        off = len(string_cents) >= 2 and abs(
            float(np.median(string_cents)) - cents
        ) < SPEED_QUESTION_CENTS + float(np.ptp(string_cents))
        if by_hum or (by_tone and off):
            found.append(cents)
        elif off and float(np.ptp(string_cents)) < SPEED_QUESTION_CENTS and hum is None:
            return None, problem(
                "speed_question",
                f"All strings stand about {abs(cents):.0f} cents too "
                f"{'high' if cents > 0 else 'low'}, as in a recording played at the wrong speed.",
                "Ask the student how it was recorded, or listen whether the voice sounds natural.",
            )
    if not found:
        return None, None
    return found[0], problem(
        "speed_fault",
        f"The recording plays {abs(found[0]):.0f} cents too {'high' if found[0] > 0 else 'low'}: "
        "its sample rate is mislabelled. All pitches were corrected by that much.",
        "Listen once, and ask the student to record with another program next time.",
    )
