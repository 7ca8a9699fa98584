"""Two strings under one bow: both pitches, from the partials the two do not share."""

from __future__ import annotations

import numpy as np

from pegmark.bows import MeanPitch, mean_pitch
from pegmark.dsp import Real, partial_amplitudes
from pegmark.partials import CENTS, NOISE_S, TOP_HZ, Tracks, noise_power

FIFTH_FROM_CENTS = 600.0  # a wider interval is a fifth, a narrower one a fourth
COINCIDE = 0.16  # partials of the two closer than this part of the lower pitch are shared
MOST = 12  # partials of each


def read_two(
    audio: Real, rate_hz: float, low_hz: float, high_hz: float
) -> tuple[MeanPitch, MeanPitch] | str:
    """Mean pitches of the lower and the upper string, or why there are none.

    audio : the stretch where both sound steadily. low_hz, high_hz : within 30 cents.

    Neighbouring partials of two strings in fifths lie half the lower pitch apart, in fourths a
    third: frames of 8 (12) of its periods put each on the other's zeros.
    """
    fifth = 1200 * np.log2(high_hz / low_hz) > FIFTH_FROM_CENTS
    periods = 8 if fifth else 12
    means: list[MeanPitch] = []
    for _ in range(2):
        pair = _read_pair(audio, rate_hz, low_hz, high_hz, periods)
        if isinstance(pair, str):
            return pair
        means = []
        for tracks in pair:
            mean = mean_pitch(tracks)
            if isinstance(mean, str):
                return mean
            means.append(mean)
        low_hz, high_hz = means[0].f0_hz, means[1].f0_hz
    return means[0], means[1]


def beats_hz(low_hz: float, high_hz: float) -> float:
    """Beats per second of a nearly pure fifth or fourth, from its pitches."""
    if 1200 * np.log2(high_hz / low_hz) > FIFTH_FROM_CENTS:
        return float(abs(2 * high_hz - 3 * low_hz))
    return float(abs(3 * high_hz - 4 * low_hz))


def _read_pair(
    audio: Real, rate_hz: float, low_hz: float, high_hz: float, periods: int
) -> tuple[Tracks, Tracks] | str:
    size = periods * max(2, round(rate_hz / low_hz))
    hop = size // periods
    combs = []
    for own, other in ((low_hz, high_hz), (high_hz, low_hz)):
        number = np.arange(1, 1 + min(MOST, int(TOP_HZ / own)))
        distance = np.abs(number * own - np.rint(number * own / other) * other)
        combs.append(number[distance > COINCIDE * low_hz])
    if not all(len(comb) for comb in combs):
        return "no partials of their own"
    hz = [combs[0] * low_hz, combs[1] * high_hz]
    half = low_hz * 2 / periods  # the window's zeros
    beside = np.concatenate([h + sign * half for h in hz for sign in (-1, 1)])
    z, times = partial_amplitudes(audio, rate_hz, np.concatenate([*hz, beside]), size, hop)
    if len(z) < 4:
        return "too short"
    count = len(hz[0]) + len(hz[1])
    floor = noise_power(z[:, count:], round(NOISE_S * rate_hz / hop))
    ends = np.cumsum([len(hz[0]), len(hz[0]), len(hz[1])])
    quiet = np.split(floor, ends, axis=1)
    noise = [np.minimum(quiet[0], quiet[1]), np.minimum(quiet[2], quiet[3])]
    zero = np.zeros(len(times))
    columns = (z[:, : len(hz[0])], z[:, len(hz[0]) : count])
    low, high = (
        Tracks(columns[i], times, combs[i], hz[i], noise[i], zero, zero, hop / rate_hz, f)
        for i, f in enumerate((low_hz, high_hz))
    )
    return low, high


def interval_cents(low_hz: float, high_hz: float) -> float:
    """The interval in cents."""
    return float(CENTS * np.log(high_hz / low_hz))
