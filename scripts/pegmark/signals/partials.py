"""A note's partials: where they are, and how they move together.

Frequencies in Hz, times in seconds, deviations in cents. Partial numbers start at 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pegmark.signals.frames import Complex, Real, medians, partial_amplitudes, smooth, warp
from pegmark.signals.stiff_string import B_MOST, B_PRIOR, stretch, stretch_cents

CENTS_PER_LOG = 1200 / np.log(2)  # cents per relative change of frequency, small changes
TOP_HZ = 5000.0  # partials above drown in bow noise and codecs
MOST_PARTIALS = 20
FIRST_PARTIALS = 9  # the first round: low numbers, which a poor start cannot confuse
NOISE_S = 0.1  # noise beside the partials is averaged over this
TRACKS_PERIODS = 4  # of the note in a frame: neighbouring partials fall on the window's zeros
FIRST_SPREAD_CENTS = 6.0  # how far a low partial usually stands off the series


@dataclass
class Tracks:
    """A note taken apart.

    amplitudes (frames, partials) complex, turned so that a partial at its expected frequency keeps
    its phase; times_s (frames,) in seconds of the audio given; hz (partials,) the expected
    frequencies, the phases' reference; noise (frames, partials) power between the partials;
    cents (frames,) the common pitch track that was taken out, against hz; cycles (frames,) its
    integral in cycles of the first partial; f1_hz the expected first partial.
    """

    amplitudes: Complex
    times_s: Real
    number: Real
    hz: Real
    noise: Real
    cents: Real
    cycles: Real
    hop_s: float
    f1_hz: float

    def only(self, keep: Real) -> Tracks:
        """The same note with some of its partials: indices, shape (kept,), or a mask of all."""
        return replace(
            self,
            amplitudes=self.amplitudes[:, keep],
            number=self.number[keep],
            hz=self.hz[keep],
            noise=self.noise[:, keep],
        )

    def until(self, frame: int) -> Tracks:
        """The same note up to a frame."""
        return replace(
            self,
            amplitudes=self.amplitudes[:frame],
            times_s=self.times_s[:frame],
            noise=self.noise[:frame],
            cents=self.cents[:frame],
            cycles=self.cycles[:frame],
        )

    @cached_property
    def snr(self) -> Real:
        """Signal over noise of every amplitude, as a power ratio, shape (frames, partials)."""
        power = np.abs(self.amplitudes) ** 2
        return np.maximum(power / self.noise - 1, 0)


def first_look(
    audio: Real, rate_hz: float, f0_hz: float, b: float, *, stiff: bool = True
) -> tuple[float, float] | None:
    """(f1_hz, B) from a start up to 60 cents off; None: too short or silent.

    stiff=False holds B. Each partial's mean frequency is the phase of its lag-one product, which no
    wrapping can mislead while the start is closer than half the distance of two partials: so the
    lowest partials come first, and all of them when those have told where they are.
    """
    for most in (FIRST_PARTIALS, MOST_PARTIALS):
        number = np.arange(1, 1 + max(1, min(most, int(TOP_HZ / f0_hz))))
        hz = f0_hz * number * stretch(number, b)
        size = frame_size(rate_hz, f0_hz)
        hop = size // TRACKS_PERIODS
        z, _times = partial_amplitudes(audio, rate_hz, hz, size, hop)
        if len(z) < 3:
            return None
        product = z[1:] * z[:-1].conj()
        total = product.sum(axis=0)
        cents = np.angle(total) / (2 * np.pi * hop / rate_hz) / hz * CENTS_PER_LOG
        steady = np.abs(total) / np.maximum(np.abs(product).sum(axis=0), 1e-30)
        # A lag-one product of random phase is as good as nothing. Loud partials count more, but
        # not by their power: the loudest may be the one a body pulls.
        weight = steady**4 * np.abs(total) ** 0.5 * number
        if weight.max() <= 0:
            return None
        median = weighted_median(cents, weight)
        weight = weight / weight.max() / (FIRST_SPREAD_CENTS**2 + (cents - median) ** 2)
        slope = stretch_cents(number, b + B_PRIOR[1]) - stretch_cents(number, b)
        rows = np.stack([np.ones(len(number)), slope], axis=1)
        normal = (rows * weight[:, None]).T @ rows + np.diag([0.0, 1.0 if stiff else 1e9])
        step, more_b = np.linalg.solve(normal, (rows * weight[:, None]).T @ cents)
        f0_hz = f0_hz * 2 ** (min(max(float(step), -80), 80) / 1200)
        b = min(max(b + float(more_b) * B_PRIOR[1], 0), B_MOST)
    return f0_hz, b


def take_apart(
    audio: Real, rate_hz: float, f0_hz: float, b: float, track: Real | None = None
) -> Tracks | None:
    """All usable partials of a note and their common pitch track; None when it is too short.

    audio : shape (samples,). track : shape (samples,), the pitch in cents against f0_hz where it is
    known to move far.

    A note whose pitch moves is read again along its own track, so that its high partials stay
    inside their bands.
    """
    tracks = _read(audio, rate_hz, f0_hz, b, track)
    if tracks is None or len(tracks.times_s) < 6:
        return tracks
    moved = common_track(tracks, round(max(0.03, 2 * TRACKS_PERIODS / f0_hz) / tracks.hop_s))
    if np.ptp(moved) * tracks.number[-1] < 60:  # cents of the highest partial: still in its band
        return tracks
    track = np.interp(np.arange(len(audio)) / rate_hz, tracks.times_s, moved)
    return _read(audio, rate_hz, f0_hz, b, track)


def common_track(tracks: Tracks, width: int) -> Real:
    """The pitch the partials share, frame by frame, in cents against `tracks.hz`: (frames,).

    Every partial's own mean is taken out first, so that a mix that changes as the high partials
    die is no glide; the mean of the track is the partials' weighted mean. Includes what was
    already taken out of the amplitudes.
    """
    z = tracks.amplitudes
    product = z[1:] * z[:-1].conj()
    total = product.sum(axis=0)
    unit = total / np.maximum(np.abs(total), 1e-30)
    turned = product * unit.conj()
    snr = np.sqrt(tracks.snr[1:] * tracks.snr[:-1])
    weight = np.minimum(snr, 1e4)
    # one partial counts by its number squared: its phase moves n times as fast
    rate = np.angle(turned) / (2 * np.pi * tracks.hop_s)
    share = weight * tracks.number
    common = (share * rate).sum(axis=1) / np.maximum((share * tracks.number).sum(axis=1), 1e-9)
    mean = np.angle(unit) / (2 * np.pi * tracks.hop_s * tracks.hz) * CENTS_PER_LOG
    own = weight.sum(axis=0) * tracks.number**2
    level = weighted_median(mean, own)
    cents = common / tracks.f1_hz * CENTS_PER_LOG + level
    padded = np.concatenate([cents[:1], (cents[1:] + cents[:-1]) / 2, cents[-1:]])
    return smooth(padded, width) + tracks.cents


def _read(audio: Real, rate_hz: float, f0_hz: float, b: float, track: Real | None) -> Tracks | None:
    number = np.arange(1, 1 + max(1, min(MOST_PARTIALS, int(TOP_HZ / f0_hz))))
    hz = f0_hz * number * stretch(number, b)
    position = np.arange(len(audio), dtype=float)
    if track is not None:  # audio at even steps of the note's own phase: its pitch stands still
        ratio = np.exp2(track / 1200)
        phase = np.concatenate([[0.0], np.cumsum((ratio[1:] + ratio[:-1]) / 2)])
        position = np.interp(np.arange(0, phase[-1]), phase, position)
        audio = warp(audio, position)
    size = frame_size(rate_hz, f0_hz)
    hop = size // TRACKS_PERIODS
    between = np.concatenate([[hz[0] / 2], (hz[1:] + hz[:-1]) / 2, [hz[-1] + hz[0] / 2]])
    z, even = partial_amplitudes(audio, rate_hz, np.concatenate([hz, between]), size, hop)
    if len(z) < 3:
        return None
    noise = noise_power(z[:, len(hz) :], round(NOISE_S * rate_hz / hop))
    times, cents = even, np.zeros(len(even))
    if track is not None:
        times = np.interp(even * rate_hz, np.arange(len(position)), position) / rate_hz
        cents = np.interp(times * rate_hz, np.arange(len(track)), track)
    return Tracks(
        amplitudes=z[:, : len(hz)],
        times_s=times,
        number=number,
        hz=hz,
        noise=(noise[:, 1:] + noise[:, :-1]) / 2,
        cents=cents,
        cycles=np.asarray((even - times) * hz[0]),
        hop_s=hop / rate_hz,
        f1_hz=float(hz[0]),
    )


def noise_power(amplitudes: Complex, width: int) -> Real:
    """Mean noise power around each frame, of amplitudes read where no partial is.

    The running mean over `width` frames, or the note's own level where that is higher, so that
    speech or a knock beside a note weighs on the frames it falls on. The median of an exponential
    law is log 2 of its mean. Shape (frames, n), same as given.
    """
    power = np.abs(amplitudes) ** 2
    steady = medians(power) / np.log(2) + 1e-16
    half = max(1, min(width, len(power)) // 2)
    total = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power, axis=0, dtype=float)])
    index = np.arange(len(power))
    left, right = np.maximum(index - half, 0), np.minimum(index + half + 1, len(power))
    around = (total[right] - total[left]) / (right - left)[:, None]
    return np.maximum(around, steady)


def frame_size(rate_hz: float, f0_hz: float) -> int:
    """Samples of a frame: TRACKS_PERIODS of the note, a whole number of hops."""
    return TRACKS_PERIODS * max(2, round(rate_hz / f0_hz))


def weighted_median(values: Real, weight: Real) -> float:
    """The value below which half the weight lies; values and weight of shape (n,)."""
    order = np.argsort(values)
    heap = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(heap, heap[-1] / 2)])
