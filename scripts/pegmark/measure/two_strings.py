"""Two strings under one bow: both pitches, from the partials the two do not share."""

from __future__ import annotations

import numpy as np

from pegmark.measure.bows import MeanPitch, mean_pitch
from pegmark.signals.frames import Real, medians, partial_amplitudes
from pegmark.signals.partials import CENTS_PER_LOG, NOISE_S, TOP_HZ, Tracks, noise_power

FIFTH_FROM_CENTS = 600.0  # a wider interval is a fifth, a narrower one a fourth
COINCIDE = 0.16  # partials of the two closer than this part of the lower pitch are shared
MOST = 12  # partials of each
PAIR_ROUNDS, MOVED_CENTS = 4, 1.0  # read again, at most so often, while the pitches move this far
# Two strings sound together when each has so many partials this far (power) over the noise, the
# fainter at least this loud against the louder, and neither falls to less than this.
CLEAR_PARTIALS, CLEAR_SNR = 3, 10.0
FAINTER = 0.02
FALLS_TO = 0.15
AT_PLACE = 0.04  # of its frequency (68 cents): a partial is looked for within 60 cents
PAIR_LOCKED_CENTS = 10.0  # a bow's partials agree so far, even between another string's
HUM_PART = 0.003  # of a pitch: hum is that close to its multiple; the grid wanders less


def read_two(
    audio: Real, rate_hz: float, low_hz: float, high_hz: float
) -> tuple[MeanPitch, MeanPitch] | str:
    """Mean pitches of the lower and the upper string, or why there are none.

    audio : the stretch where both sound steadily. low_hz, high_hz : within 30 cents.

    Neighbouring partials of two strings in fifths lie half the lower pitch apart, in fourths a
    third: frames of 8 (12) of its periods put each on the other's zeros.
    """
    means: list[MeanPitch] = []
    for _ in range(PAIR_ROUNDS):
        means = []
        for own, other in ((low_hz, high_hz), (high_hz, low_hz)):
            tracks = _read_string(audio, rate_hz, own, other)
            mean = tracks if isinstance(tracks, str) else mean_pitch(tracks)
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
    own_hz: float,
    other_hz: float,
    *,
    hum_hz: float | None = None,
    dying: bool = False,
) -> bool:
    """Whether two strings are bowed together in a stretch of audio, about equally loud.

    own_hz, other_hz : where they would sound, within 60 cents; what is known to sound comes first,
    and the other is looked for first. A string that merely rings on from before is fainter than
    the bowed one, or dies away; `dying` is whether both may. Hum sounds like a string whose pitch
    is a multiple of its own.
    """
    louds = []
    for hz in ((other_hz, own_hz), (own_hz, other_hz)):
        tracks = _read_string(audio, rate_hz, *hz)
        if isinstance(tracks, str):
            return False
        power = np.maximum(np.abs(tracks.amplitudes) ** 2 - tracks.noise, 0)
        off = _off_hz(tracks)
        clear = medians(tracks.snr) > CLEAR_SNR
        clear &= np.abs(off) < AT_PLACE * tracks.hz  # else a third string's, beside its place
        cents = off / tracks.hz * CENTS_PER_LOG
        if clear.any():
            clear &= np.abs(cents - np.median(cents[clear])) < PAIR_LOCKED_CENTS
        if clear.sum() < min(CLEAR_PARTIALS, len(clear)):
            return False
        third = max(1, len(power) // 3)
        first, last = power[:third, clear].mean(), power[-third:, clear].mean()
        if last < FALLS_TO * first and not dying:
            return False
        f0 = float(np.median(((tracks.hz + off) / tracks.number)[clear]))
        if hum_hz and abs(f0 - round(f0 / hum_hz) * hum_hz) < HUM_PART * f0:
            return False
        louds.append(float(medians(power[:, clear]).sum()))
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


def _read_string(audio: Real, rate_hz: float, own_hz: float, other_hz: float) -> Tracks | str:
    """The partials of one of two strings that lie apart from the other's."""
    low_hz, high_hz = sorted((own_hz, other_hz))
    periods = _periods(low_hz, high_hz)
    size = periods * max(2, round(rate_hz / low_hz))
    hop = size // periods
    number = np.arange(1, 1 + min(MOST, int(TOP_HZ / own_hz)))
    distance = np.abs(number * own_hz - np.rint(number * own_hz / other_hz) * other_hz)
    number = number[distance > COINCIDE * low_hz]
    if not len(number):
        return "no partials of its own"
    hz = number * own_hz
    half = low_hz * 2 / periods  # the window's zeros
    z, times = partial_amplitudes(
        audio, rate_hz, np.concatenate([hz, hz - half, hz + half]), size, hop
    )
    if len(z) < 4:
        return "too short"
    own, below, above = np.split(z, 3, axis=1)
    width = round(NOISE_S * rate_hz / hop)
    noise = np.minimum(noise_power(below, width), noise_power(above, width))
    zero = np.zeros(len(times))
    return Tracks(own, times, number, hz, noise, zero, zero, hop / rate_hz, own_hz)


def interval_cents(low_hz: float, high_hz: float) -> float:
    """The interval in cents."""
    return float(CENTS_PER_LOG * np.log(high_hz / low_hz))
