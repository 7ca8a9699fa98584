"""Two strings under one bow: both pitches, from the partials the two do not share."""

from __future__ import annotations

import numpy as np

from pegmark.bows import MeanPitch, mean_pitch
from pegmark.dsp import Real, partial_amplitudes
from pegmark.partials import CENTS, NOISE_S, TOP_HZ, Tracks, noise_power

FIFTH_FROM_CENTS = 600.0  # a wider interval is a fifth, a narrower one a fourth
COINCIDE = 0.16  # partials of the two closer than this part of the lower pitch are shared
MOST = 12  # partials of each
ROUNDS, MOVED_CENTS = 4, 1.0  # read again, at most so often, while the pitches move this far
# Two strings sound together when each has so many partials this far (power) over the noise, the
# fainter at least this loud against the louder, and neither falls to less than this.
CLEAR_PARTIALS, CLEAR_SNR = 3, 10.0
FAINTER = 0.02
FALLS_TO = 0.15
AT_PLACE = 0.04  # of its frequency (68 cents): a partial is looked for within 60 cents
LOCKED_CENTS = 10.0  # a bow's partials agree so far, even between another string's
HUM_PART = 0.003  # of a pitch: hum is that close to its multiple; the grid wanders less


def read_two(
    audio: Real, rate_hz: float, low_hz: float, high_hz: float
) -> tuple[MeanPitch, MeanPitch] | str:
    """Mean pitches of the lower and the upper string, or why there are none.

    audio : the stretch where both sound steadily. low_hz, high_hz : within 30 cents.

    Neighbouring partials of two strings in fifths lie half the lower pitch apart, in fourths a
    third: frames of 8 (12) of its periods put each on the other's zeros.
    """
    periods = _periods(low_hz, high_hz)
    means: list[MeanPitch] = []
    for _ in range(ROUNDS):
        pair = _read_pair(audio, rate_hz, low_hz, high_hz, periods)
        if isinstance(pair, str):
            return pair
        means = []
        for tracks in pair:
            mean = mean_pitch(tracks)
            if isinstance(mean, str):
                return mean
            means.append(mean)
        low, high = (mean.f0_hz for mean in means)
        moved = max(abs(interval_cents(low_hz, low)), abs(interval_cents(high_hz, high)))
        low_hz, high_hz = low, high
        if moved < MOVED_CENTS:
            break
    return means[0], means[1]


def sound_together(
    audio: Real,
    rate_hz: float,
    low_hz: float,
    high_hz: float,
    *,
    hum_hz: float | None = None,
    dying: bool = False,
) -> bool:
    """Whether two strings are bowed together in a stretch of audio, about equally loud.

    low_hz, high_hz : where they would sound, within 60 cents. A string that merely rings on from
    before is fainter than the bowed one, or dies away; `dying` is whether both may. Hum sounds
    like a string whose pitch is a multiple of its own.
    """
    pair = _read_pair(audio, rate_hz, low_hz, high_hz, _periods(low_hz, high_hz))
    if isinstance(pair, str):
        return False
    louds = []
    for tracks in pair:
        power = np.maximum(np.abs(tracks.amplitudes) ** 2 - tracks.noise, 0)
        off = _off_hz(tracks)
        clear = np.median(tracks.snr, axis=0) > CLEAR_SNR
        clear &= np.abs(off) < AT_PLACE * tracks.hz  # else a third string's, beside its place
        cents = off / tracks.hz * CENTS
        if clear.any():
            clear &= np.abs(cents - np.median(cents[clear])) < LOCKED_CENTS
        if clear.sum() < min(CLEAR_PARTIALS, len(clear)):
            return False
        third = max(1, len(power) // 3)
        first, last = power[:third, clear].mean(), power[-third:, clear].mean()
        if last < FALLS_TO * first and not dying:
            return False
        f0 = float(np.median(((tracks.hz + off) / tracks.number)[clear]))
        if hum_hz and abs(f0 - round(f0 / hum_hz) * hum_hz) < HUM_PART * f0:
            return False
        louds.append(float(np.median(power[:, clear], axis=0).sum()))
    return min(louds) > FAINTER * max(louds)


def _off_hz(tracks: Tracks) -> Real:
    """How far each partial's frequency stands from where it was looked for."""
    z = tracks.amplitudes
    return np.angle((z[1:] * z[:-1].conj()).sum(axis=0)) / (2 * np.pi * tracks.hop_s)


def beats_hz(low_hz: float, high_hz: float) -> float:
    """Beats per second of a nearly pure fifth or fourth, from its pitches."""
    if 1200 * np.log2(high_hz / low_hz) > FIFTH_FROM_CENTS:
        return float(abs(2 * high_hz - 3 * low_hz))
    return float(abs(3 * high_hz - 4 * low_hz))


def _periods(low_hz: float, high_hz: float) -> int:
    return 8 if 1200 * np.log2(high_hz / low_hz) > FIFTH_FROM_CENTS else 12


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
