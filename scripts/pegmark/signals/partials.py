"""A note's partials: where they are, how they move together, and the series they form.

Conventions
-----------
Frequencies in Hz, times in seconds, deviations in cents. Partial numbers start at 1. The series of
a stiff string is f_n = n f_1 sqrt((1 + B n^2) / (1 + B)) (Fletcher & Rossing, The Physics of
Musical Instruments, 2.18, written so that f_1 is the first partial); B = 0 for a bowed string.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from pegmark.signals.frames import (
    OVERLAP_INFLATION,
    Complex,
    Real,
    medians,
    partial_amplitudes,
    smooth,
    warp,
)

CENTS_PER_LOG = 1200 / np.log(2)  # cents per relative change of frequency, small changes
TOP_HZ = 5000.0  # partials above drown in bow noise and codecs
MOST_PARTIALS = 20
FIRST_PARTIALS = 9  # the first round: low numbers, which a poor start cannot confuse
NOISE_S = 0.1  # noise beside the partials is averaged over this
SERIES_PERIODS = 4  # of the note in a frame: neighbouring partials fall on the window's zeros
# How far a body may pull a partial (most beside its main resonances, which usually means 5-40
# cents), and how far each stands off by itself whatever its number (rooms, polarizations, all the
# other resonances): grids, and the usual size of the latter.
PULLS_CENTS = np.geomspace(0.2, 40.0, 10)
LONE_CENTS = np.array([0.03, 0.1, 0.3, 1.0, 3.0])
_SPREADS, _LONERS = (grid.ravel() for grid in np.meshgrid(PULLS_CENTS, LONE_CENTS))
USUAL_LONE_CENTS = 0.08
PULL_FACTOR, LONE_FACTOR = 1.0, 1.0  # standard deviations of their natural logarithms
FIRST_SPREAD_CENTS = 6.0  # how far a low partial usually stands off the series
B_PRIOR = (5e-5, 1.5e-4)  # mean and standard deviation of B before anything is heard
B_MOST = 1.5e-3  # no string of these instruments is stiffer


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
        """The same note with some of its partials (indices or a mask)."""
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


def stretch(number: Real, b: float) -> Real:
    """f_n / (n f_1) of a stiff string."""
    return np.sqrt((1 + b * number**2) / (1 + b))


def stretch_cents(number: Real, b: float) -> Real:
    """How far partial `number` stands above the harmonic of the first partial, in cents."""
    return 600 * np.log2((1 + b * number**2) / (1 + b))


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
        hop = size // SERIES_PERIODS
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

    track : the pitch in cents against f0_hz, per sample, where it is known to move far.

    A note whose pitch moves is read again along its own track, so that its high partials stay
    inside their bands.
    """
    tracks = _read(audio, rate_hz, f0_hz, b, track)
    if tracks is None or len(tracks.times_s) < 6:
        return tracks
    moved = common_track(tracks, round(max(0.03, 2 * SERIES_PERIODS / f0_hz) / tracks.hop_s))
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
    hop = size // SERIES_PERIODS
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
    """Samples of a frame: SERIES_PERIODS of the note, a whole number of hops."""
    return SERIES_PERIODS * max(2, round(rate_hz / f0_hz))


class Pull(NamedTuple):
    """How strongly a body may pull partials: each by itself and all together, shape (partials,),
    relative (1: full), and how far it usually pulls fully, in cents."""

    own: Real
    shared: Real
    usual_cents: float


class Body(NamedTuple):
    """An instrument's body: the lowest and highest of its main resonances (air, wood) in Hz, and
    how far it usually pulls a partial beside one of them, in cents."""

    low_hz: float
    high_hz: float
    usual_pull_cents: float = 4.0

    def pull(self, hz: Real) -> Pull:
        """How strongly partials at `hz` may be pulled.

        Between the main resonances a partial may stand on either side of one, so it is pulled by
        itself. Outside, a body is a mass (above) or a spring (below) to all partials alike, the
        less the farther: the tail of a resonance of Q = TAIL_Q.
        """
        beyond = np.maximum(0, np.maximum(hz / self.high_hz, self.low_hz / hz) - 1)
        tail = 1 / (1 + TAIL_Q * beyond)
        shared = np.where(hz < self.low_hz, -0.5, SHARED_TAIL) * tail * (beyond > 0)
        return Pull(tail**2, shared, self.usual_pull_cents)


TAIL_Q = 6.0
# Resonances hold low partials apart from the series, and more of them upwards than downwards: of
# the pull that all share so much is expected, and so much about it (the laboratory's bodies).
SHARED_MEAN = 0.4
SHARED_SD = 0.6
SHARED_TAIL = 1.5  # the tails of several resonances add up
UNKNOWN_BODY = Body(90.0, 500.0)  # where nothing is known of the instrument


@dataclass
class Series:
    """A fitted series: cents of its first partial, its standard error, the spread (standard
    deviation) of the partials about it that a body brings, and by themselves (lone), B with its
    standard error, and each partial's weight in the first partial's pitch, shape (partials,)."""

    cents: float
    se_cents: float
    spread_cents: float
    lone_cents: float
    b: float
    b_se: float
    share: Real


def fit_series(
    number: Real,
    cents: Real,
    se_cents: Real,
    pull: Pull,
    b: float,
    b_prior: tuple[float, float] = B_PRIOR,
) -> Series:
    """The stiff-string series through measured partials.

    Parameters
    ----------
    number, cents, se_cents : shape (partials,): their deviations from the series of `b`, and
        standard errors.
    pull : how strongly the body may pull them; see Body.pull.
    b_prior : mean and standard deviation of B.

    Method: a linear mixed model. Each partial = first partial + B's effect + a pull of the body
    (standard deviation: an unknown spread times `pull`, part of it shared, because above its
    resonances a body is a mass to all of them) + a spread of its own + noise. Both spreads are
    integrated out over a grid by their restricted likelihood, so their uncertainty is part of the
    standard error; B has a Gaussian prior. Partials far off are trusted less (weights of a t-like
    law), twice.
    """
    slope = (stretch_cents(number, b + 1e-6) - stretch_cents(number, b)) / 1e-6
    spreads, loners = _SPREADS, _LONERS
    shared = spreads[:, None] * pull.shared
    expected = cents - (b_prior[0] - b) * slope - SHARED_MEAN * shared
    loose = np.ones(len(number))
    for last in (False, False, True) if len(number) > 3 else (True,):
        own = se_cents**2 + loners[:, None] ** 2 + (spreads[:, None] * pull.own) ** 2
        inverse = _Inverse.of(own * loose, SHARED_SD * shared, b_prior[1] * slope)
        ones = inverse.times(np.ones(len(number)))
        information = ones.sum(axis=1)
        mean = (ones * expected).sum(axis=1) / information
        rest = expected - mean[:, None]
        inverse_rest = inverse.times(rest)
        chi = np.einsum("gp,gp->g", rest, inverse_rest)
        log = -0.5 * (inverse.log_determinant + np.log(information) + chi)
        log += -0.5 * (np.log(spreads / pull.usual_cents) / PULL_FACTOR) ** 2
        log += -0.5 * (np.log(loners / USUAL_LONE_CENTS) / LONE_FACTOR) ** 2
        p = np.exp(log - log.max())
        p /= p.sum()
        if last:
            break
        # what a partial misses by when the others foretell it, in its standard deviations
        diagonal = inverse.diagonal - ones**2 / information[:, None]
        miss = (p[:, None] * inverse_rest**2 / np.maximum(diagonal, 1e-12)).sum(axis=0)
        loose = np.maximum(1.0, loose * (miss + 4) / 5)
    cents_1 = float(p @ mean)
    variance = float(p @ (1 / information + (mean - cents_1) ** 2))
    gain = b_prior[1] ** 2 * (inverse_rest @ slope)
    b_fit = b_prior[0] + float(p @ gain)
    slope_v = inverse.times(slope)
    centred = slope_v @ slope - (slope_v.sum(axis=1)) ** 2 / information
    b_var = b_prior[1] ** 2 - b_prior[1] ** 4 * centred
    b_se = float(np.sqrt(max(p @ b_var, 1e-20)))
    share = p @ (ones / information[:, None])
    spread, lone = (float(np.exp(p @ np.log(grid))) for grid in (spreads, loners))
    return Series(cents_1, float(np.sqrt(variance)), spread, lone, b_fit, b_se, share)


@dataclass
class _Inverse:
    """The inverse of many matrices diag(d) + a a' + b b' (Woodbury): cheap at any size.

    weight (1 / d), a, by_a (weight a), by_b : shape (grid, partials); b : shape (partials,);
    aa, ab, bb (of the 2 x 2 matrix 1 + [a b]' [a b] / d), determinant : shape (grid,).
    """

    weight: Real
    a: Real
    b: Real
    by_a: Real
    by_b: Real
    aa: Real
    ab: Real
    bb: Real
    determinant: Real

    @classmethod
    def of(cls, d: Real, a: Real, b: Real) -> _Inverse:
        weight = 1 / d
        by_a, by_b = weight * a, weight * b
        aa, ab, bb = 1 + np.einsum("gp,gp->g", by_a, a), by_a @ b, 1 + by_b @ b
        return cls(weight, a, b, by_a, by_b, aa, ab, bb, aa * bb - ab**2)

    @property
    def log_determinant(self) -> Real:
        """Of the matrices themselves, shape (grid,)."""
        return np.log(self.determinant) - np.log(self.weight).sum(axis=1)

    @property
    def diagonal(self) -> Real:
        """Shape (grid, partials)."""
        aa, ab, bb = ((x / self.determinant)[:, None] for x in (self.aa, self.ab, self.bb))
        cross = bb * self.by_a**2 - 2 * ab * self.by_a * self.by_b + aa * self.by_b**2
        return self.weight - cross

    def times(self, x: Real) -> Real:
        """The inverses times vectors x, shape (partials,) or (grid, partials)."""
        y = self.weight * x
        on_a, on_b = np.einsum("gp,gp->g", self.a, y), y @ self.b
        part_a = (self.bb * on_a - self.ab * on_b) / self.determinant
        part_b = (self.aa * on_b - self.ab * on_a) / self.determinant
        return y - self.by_a * part_a[:, None] - self.by_b * part_b[:, None]


def slopes(time: Real, cycles: Real, weight: Real, steady: float) -> tuple[Real, Real, Real]:
    """Each partial's frequency offset from its phase over time.

    Parameters
    ----------
    time, weight : shape (blocks, partials); weight is the inverse variance of cycles.
    cycles : shape (blocks, partials), phase in cycles of the first partial.
    steady : degrees of freedom that the noise theory is worth.

    Returns (slope in cycles per second, standard error, residuals), the standard error from the
    noise theory and the residuals together, never less than the theory's.
    """
    total = np.maximum(weight.sum(axis=0), 1e-30)
    t = time - (weight * time).sum(axis=0) / total
    y = cycles - (weight * cycles).sum(axis=0) / total
    information = np.maximum((weight * t**2).sum(axis=0), 1e-30)
    slope = (weight * t * y).sum(axis=0) / information
    rest = y - slope * t
    freedom = np.maximum((weight > 0).sum(axis=0) - 2, 0)
    chi = (weight * rest**2).sum(axis=0) * lasting(rest, weight)
    scale = (steady + chi) / np.maximum(steady + freedom, 1e-9)
    return slope, np.sqrt(np.maximum(scale, 1.0) / information), rest


def lasting(rest: Real, weight: Real) -> float:
    """How much more slow residuals tell against a slope than quick ones: (1 + r) / (1 - r), r the
    autocorrelation of all partials' residuals at one block (an AR(1) law)."""
    total = float((weight * rest**2).sum())
    if len(rest) < 6 or total <= 0:
        return 1.0
    pair = np.sqrt(weight[1:] * weight[:-1]) * rest[1:] * rest[:-1]
    # A line through 14 blocks leaves white residuals an autocorrelation of about -0.1.
    r = min(max(float(pair.sum()) / total + 0.1, 0.0), MOST_LASTING)
    return (1 + r) / (1 - r)


MOST_LASTING = 0.6


def looseness(rest: Real, weight: Real, loose: Real) -> Real:
    """How far each partial leaves what is common beyond its noise: a variance, shape (partials,).

    rest : what is left, shape (times, partials), in any unit. weight : its inverse variance by the
    noise theory, 0 where nothing is heard. loose : what was last found (moments, weighted by it).
    """
    used = weight > 0
    noise = np.where(used, 1 / np.maximum(weight, 1e-30), 0.0)
    trust = np.where(used, 1 / np.maximum(noise + loose, 1e-30), 0.0)
    trust = (trust / np.maximum(trust.max(axis=0), 1e-30)) ** 2
    count = used.sum(axis=0)
    few = count / np.maximum(count - 2, 1)
    excess = (trust * (few * rest**2 - noise)).sum(axis=0)
    return np.asarray(np.maximum(excess / np.maximum(trust.sum(axis=0), 1e-30), 0.0))


def block_phases(tracks: Tracks, first: int, blocks: int) -> tuple[Real, Real, Real]:
    """Phases averaged over `blocks` stretches of time, from frame `first` on.

    Returns (time_s, cycles, weight), shapes (blocks, partials): mean time, phase in cycles of the
    first partial against tracks.hz (the removed track is added back), and inverse variance in
    cycles of the first partial by the noise theory. A block of nothing but noise weighs 0.
    """
    z = tracks.amplitudes[first:]
    snr = tracks.snr[first:]
    edges = np.linspace(0, len(z), blocks + 1).astype(int)[:-1]
    product = z[1:] * z[:-1].conj()
    step = np.angle(product.sum(axis=0)) / (2 * np.pi)  # cycles per frame
    index = np.arange(len(z))[:, None]
    turned = z * np.exp(-2j * np.pi * (step * index - np.rint(step * index)))
    total = np.add.reduceat(turned, edges, axis=0)
    loud = np.abs(z)
    sum_loud = np.maximum(np.add.reduceat(loud, edges, axis=0), 1e-30)
    at = np.add.reduceat(loud * index, edges, axis=0) / sum_loud
    time = np.interp(at, index[:, 0], tracks.times_s[first:])
    phase = np.unwrap(np.angle(total), axis=0) / (2 * np.pi) + step * at
    removed = np.interp(at, index[:, 0], tracks.cycles[first:])
    scale = tracks.hz / tracks.f1_hz
    cycles = phase / scale + removed
    counts = np.diff(np.append(edges, len(z)))[:, None]
    coherent = np.abs(total) / counts
    overlap = np.minimum(counts, OVERLAP_INFLATION)
    noise = np.add.reduceat(tracks.noise[first:], edges, axis=0) / counts
    # Of the mean, over its noise; noise alone gives 1.
    power = np.maximum(coherent**2 * counts / overlap / noise - 1, 1e-6)
    mean_snr = np.add.reduceat(snr, edges, axis=0) / counts
    # The phase of a faint block may have slipped a turn, which no weight by its noise tells.
    power = power / (1 + (SERIES_SLIPS_BELOW / power) ** 3)
    weight = 2 * power * (2 * np.pi * scale) ** 2
    weight = np.where(mean_snr > 0.7, weight, 0)
    return time, cycles, np.minimum(weight, (2 * np.pi * scale) ** 2 / PHASE_FLOOR**2)


SERIES_SLIPS_BELOW = 3.0  # signal over noise (power) of a block
PHASE_FLOOR = 0.003  # radians: no block's phase is believed better (leaks, rounding)


def weighted_median(values: Real, weight: Real) -> float:
    """The value below which half the weight lies."""
    order = np.argsort(values)
    heap = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(heap, heap[-1] / 2)])
