"""What is to be said of a recording as such: level, noise, clipping, hum, low cut, gating, speed.

Levels are in dB against full scale; all frequencies as the file's label has them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pegmark.records.problems import Problem, problem
from pegmark.signals.audio import LABEL_RATIOS
from pegmark.signals.spectra import Array, frames_of, magnitudes
from pegmark.trade.mains import MAINS_HZ

Floats = NDArray[np.float64]
QUALITY_FRAME_S = 0.05
QUIET_SHARE, LOUD_SHARE = 0.1, 0.9
# What plays loudest a tenth of the time: a phone across a room records at -40 dB or more (common
# practice, no source); below -60 a lossy codec keeps little.
QUIET_DBFS = -60.0
CLIP_SHARE = 0.98  # samples within 2 % of the peak: a resampled flat top wobbles that much
CLIP_CROWD = 3.0  # as many times more of them than just below are clipping; a sine has 1.4
MAINS_WANDER = 0.004  # the grid wanders by +-0.2 Hz at the worst
HUM_SECONDS = 8.0
HUM_HARMONICS = (1, 2, 3, 4, 5, 6)
HUM_DB = 6.0  # harmonics of hum stand at least so far above their surroundings, on average
# In frames of HUM_FRAME_S at least HUM_STEADY of them stand so far out of what is beside them, and
# their quiet quarter is no more than so far above their quietest twentieth. Hum at -35 dB under
# two ringing strings: 1-4 dB; the strings themselves: 6-50 dB.
HUM_FRAME_S, HUM_STEADY, HUM_STANDS_DB, HUM_STEADY_DB = 0.5, 2, 8.0, 4.0


def level_db(audio: Array, rate_hz: float) -> Floats:
    """RMS level of each QUALITY_FRAME_S of the recording in dB of full scale."""
    size = int(QUALITY_FRAME_S * rate_hz)
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
    return near if near > CLIP_CROWD * below and near > 1e-5 else 0.0


def hum_hz(audio: Array, rate_hz: float) -> float | None:
    """The fundamental of mains hum, or None where none stands out.

    Looked for at 50 and 60 Hz, and where a mislabelled sample rate would put them. The power
    spectra of stretches of HUM_SECONDS are combined by their lower quartile. Open strings lie
    close to what is looked for (C2 beside 60 Hz at the wrong rate), so harmonics of hum must also
    stay level all the while, which strings never do.
    """
    fewer = max(1, int(rate_hz // 1000))  # to about 1 kHz: a mean of neighbours is filter enough
    usable = len(audio) // fewer * fewer
    slow = audio[:usable].reshape(-1, fewer).mean(axis=1).astype(np.float32)
    rate = rate_hz / fewer
    size = int(HUM_SECONDS * rate)
    if len(slow) < size:
        return None
    spectra = np.concatenate(list(magnitudes(slow, size, size // 2)))
    level = np.log(np.quantile(spectra, 0.25, axis=0) + 1e-9)
    bin_hz = rate / size
    short = int(HUM_FRAME_S * rate)
    frames = np.concatenate(list(magnitudes(slow, short, short // 2)))
    best: tuple[int, float, float] | None = None
    for mains in MAINS_HZ:
        for ratio in (1.0, *LABEL_RATIOS):
            near = mains / ratio
            grid = near * (1 + np.linspace(-MAINS_WANDER, MAINS_WANDER, 81))
            total = np.zeros(len(grid))
            for n in HUM_HARMONICS:
                total += _above_surroundings(level, n * grid / bin_hz)
            height = float(total.max()) / len(HUM_HARMONICS) * 20 / math.log(10)
            if height < HUM_DB:
                continue
            found = _refined(grid, total)
            steady = _steady_harmonics(frames, rate / short, found)
            if steady >= HUM_STEADY and (best is None or (steady, height) > best[:2]):
                best = (steady, height, found)
    return None if best is None else best[2]


def _steady_harmonics(frames: Array, bin_hz: float, hum: float) -> int:
    """How many harmonics of `hum` stand out of short frames and stay level through the take."""
    count = 0
    for n in HUM_HARMONICS:
        middle = round(n * hum / bin_hz)
        line, beside = frames[:, middle], frames[:, [middle - 3, middle + 3]]
        low, usual = np.quantile(line, (0.05, 0.25))
        stands = low > 10 ** (HUM_STANDS_DB / 20) * np.quantile(beside, 0.1)
        count += bool(stands and usual < 10 ** (HUM_STEADY_DB / 20) * low)
    return count


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
    spectra = np.concatenate(list(magnitudes(audio, size, 4 * size, 300)))
    quiet = np.quantile(spectra, 0.3, axis=0)
    bin_hz = rate_hz / size
    edges = 31.25 * 2 ** (np.arange(0, 16) / 3)  # thirds of an octave up to 1 kHz
    bands = [
        10 * np.log10(np.mean(quiet[_bins(a, bin_hz) : _bins(b, bin_hz) + 1] ** 2) + 1e-14)
        for a, b in itertools.pairwise(edges)
    ]
    for k in range(len(bands) - 1, 2, -1):
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
        sounding[max(0, int(start / QUALITY_FRAME_S) - 1) : int(end / QUALITY_FRAME_S) + 6] = True
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


def problems_of(level_dbfs: float) -> list[Problem]:
    """What is so wrong with a recording that its notes may be missed, told to the teacher.

    Noise is told by the score, which knows what it costs.
    """
    if level_dbfs >= QUIET_DBFS:
        return []
    return [
        problem(
            "too_quiet",
            f"The recording is very quiet ({level_dbfs:.0f} dB of full scale): notes may "
            "have been missed.",
            "Listen to the take, and ask the student to sit closer to the microphone.",
        )
    ]
