"""A plucked note: its partials' pitches, its glide, and its f0 in the small-amplitude limit.

`read_pluck` takes the audio apart once; `PluckReading.solve` turns what was read into a pitch for
any knowledge of the string's inharmonicity and tension modulation, at no cost in audio: what the
take's other notes teach about a string (pegmark.measure) needs no second reading.

Tension modulation: f(t) = f_inf (1 + c E(t)), E the note's own energy (Legge & Fletcher 1984;
Tolonen, Valimaki & Karjalainen 2000: from memory). The *glide* of a note is c E at its start, in
cents.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pegmark import partials
from pegmark.dsp import Real, smooth
from pegmark.partials import CENTS, Tracks

SETTLED_S = 0.25  # a note is settled from here after its start
ATTACK_S = 0.03  # before this the finger is still at the string
DRIFT_S = (0.05, 0.15)  # where a pluck's attack is read
END_GUARD_S = 0.015  # a finger may already be damping the string
BLOCKS = 14  # stretches of time the phases are averaged over
LEAST_SNR = 2.0  # a partial weaker than this against its noise is left out
LEAST_PARTIAL_SE = 25.0  # cents: a partial less sure than this tells nothing
THEORY_FREEDOM = 4.0  # the noise theory is worth as much as so many residuals
# A pluck's start stands this much sharp, one standard deviation each: a soft one hardly, a loud
# one 16-60 cents (orchestral samples). Which of them a note is, it says itself.
GLIDE_PRIORS_CENTS = np.array([0.2, 1.0, 4.0, 12.0, 35.0])
GLIDE_DOUBT = 0.15  # the energy law holds to this part of what it corrects
GLIDING_CENTS = 4.0  # a track that leaves its model by more than this glides
PULL_HZ = 300.0  # the body's main resonances lie below; above, it pulls less and less
# A string's two polarizations stand some tenths of a cent apart: a pluck's pitch is not defined
# better than this.
FLOOR_CENTS = 0.12


@dataclass
class PluckReading:
    """What was read of a pluck.

    number, own, own_se, lean : shape (partials,): the partials used, their deviation from the
        series of (f1_hz, b) without any glide, its standard error, and what a cent of glide adds.
    glide, glide_var : the glide as the note alone tells it, and its variance (cents squared).
    common_se : standard error from what all partials' residuals share, in cents.
    energy : power of all partials at the start; shape (frames,): its course as a part of that.
    times_s (from the note's start), track, weight : shape (frames,): the common pitch in cents
        against f1_hz, smoothed over `smoothed` frames, and what it is worth.
    """

    f1_hz: float
    b: float
    number: Real
    own: Real
    own_se: Real
    lean: Real
    glide: float
    glide_var: float
    common_se: float
    energy: float
    shape: Real
    times_s: Real
    track: Real
    weight: Real
    smoothed: int

    def solve(
        self,
        b_prior: tuple[float, float] = partials.B_PRIOR,
        glide_prior: tuple[float, float] | None = None,
    ) -> PluckPitch:
        """The note's pitch.

        b_prior : mean and standard deviation of the string's B.
        glide_prior : mean and standard deviation of the glide in cents, from the string's other
            notes; None: the mixture of GLIDE_PRIORS_CENTS.
        """
        if glide_prior is None:
            glide, glide_var = mixed_glide(self.glide, self.glide_var)
        else:
            total = self.glide_var + glide_prior[1] ** 2
            share = glide_prior[1] ** 2 / total
            glide = share * self.glide + (1 - share) * glide_prior[0]
            glide_var = share * self.glide_var
        pull = 1 / np.maximum(1, self.number * self.f1_hz / PULL_HZ)
        own = self.own - glide * self.lean
        series = partials.fit_series(self.number, own, self.own_se, pull, self.b, b_prior)
        lean = float(series.share @ self.lean)
        variance = series.se_cents**2 + lean**2 * (glide_var + (GLIDE_DOUBT * glide) ** 2)
        variance += self.common_se**2 + FLOOR_CENTS**2
        return PluckPitch(series, glide, glide_var, float(np.sqrt(variance)))

    @property
    def settled(self) -> Real:
        """The frames in which the note is settled, a mask."""
        return self.times_s >= min(SETTLED_S, self.times_s[-1] / 3)

    def way_cents(self, glide: float) -> tuple[float, float]:
        """(how far the settled pitch moves beyond its glide, its standard error), in cents: the
        last quarter of the track against its first."""
        off = (self.track - glide * self.shape)[self.settled]
        weight = self.weight[self.settled]
        quarter = len(off) // 4
        if quarter == 0:
            return 0.0, 0.0
        parts = (slice(None, quarter), slice(-quarter, None))
        means, variance = [], 0.0
        for part in parts:
            mean = np.average(off[part], weights=weight[part])
            spread = np.average((off[part] - mean) ** 2, weights=weight[part])
            means.append(mean)
            variance += spread / max(1.0, quarter / self.smoothed)
        return float(means[1] - means[0]), float(np.sqrt(variance))

    def drift_cents(self, f0_cents: float) -> float | None:
        """The pitch at DRIFT_S against the settled f0 (cents against f1_hz); None: not heard.

        Track and series are joined where the note is settled: the track's mix of partials may
        stand a little off the series.
        """
        early = (self.times_s >= DRIFT_S[0]) & (self.times_s < DRIFT_S[1])
        late = self.times_s >= SETTLED_S
        if not early.any() or late.sum() < 3:
            return None
        return float(np.average(self.track[early], weights=self.weight[early]) - f0_cents)


@dataclass
class PluckPitch:
    """A solved pluck: series.cents is f0 against the reading's f1_hz."""

    series: partials.Series
    glide: float
    glide_var: float
    se_cents: float


def read_pluck(
    audio: Real, rate_hz: float, f0_hz: float, b: float, length_s: float
) -> PluckReading | str:
    """Read a pluck, or say why not.

    audio : from the note's start to its end. f0_hz : within 60 cents. length_s : of the note.
    """
    skip = min(ATTACK_S, length_s / 5)
    first, last = round(skip * rate_hz), len(audio) - round(END_GUARD_S * rate_hz)
    cut = audio[first:last]
    look = partials.first_look(cut[: round(0.8 * rate_hz)], rate_hz, f0_hz, b)
    if look is None:
        return "too short"
    reading: PluckReading | str = "too short"
    f1, b = look
    for _ in range(2):
        tracks = partials.take_apart(cut, rate_hz, f1, b)
        if tracks is None or len(tracks.times_s) < 4:
            return "too short"
        reading = _read_tracks(tracks, b, skip)
        if isinstance(reading, str):
            return reading
        series = reading.solve().series
        high = reading.number[-1]
        moved = partials.stretch_cents(high, max(0.0, series.b)) - partials.stretch_cents(high, b)
        if abs(moved + series.cents) * high < REREAD_CENTS:
            break
        f1, b = f1 * 2 ** (series.cents / 1200), max(0.0, series.b)
    return reading


REREAD_CENTS = 300.0  # of the first partial: then the highest was read beside its place


def _read_tracks(tracks: Tracks, b: float, skip: float) -> PluckReading | str:
    snr = tracks.snr
    good = snr[: max(3, len(snr) // 2)].mean(axis=0) > LEAST_SNR
    if not good.any():
        return "too faint"
    tracks = tracks.only(good)
    blocks = int(np.clip(len(tracks.times_s) // 3, 3, BLOCKS))
    time, cycles, weight = partials.block_phases(tracks, 0, blocks)
    heard = (weight > 0).sum(axis=0) >= 3
    if not heard.any():
        return "too faint"
    tracks = tracks.only(heard)
    time, cycles, weight = time[:, heard], cycles[:, heard], weight[:, heard]
    hz = tracks.f1_hz
    energy, shape = _energy(tracks)
    steps = np.diff(tracks.times_s) * (shape[1:] + shape[:-1]) / 2
    gone = np.concatenate([[0.0], np.cumsum(steps)]) * hz / CENTS  # cycles per cent of glide
    sharp = np.interp(time, tracks.times_s, gone)

    lean, _, curve = partials.slopes(time, sharp, weight, THEORY_FREEDOM)
    slope, _, rest = partials.slopes(time, cycles, weight, THEORY_FREEDOM)
    glide, glide_var = _raw_glide(rest, curve, weight)
    straight = cycles - mixed_glide(glide, glide_var)[0] * sharp
    _, slope_se, rest = partials.slopes(time, straight, weight, THEORY_FREEDOM)
    own_se = slope_se / hz * CENTS
    usable = own_se < LEAST_PARTIAL_SE
    if not usable.any():
        return "too faint"
    width = round(max(0.04, 2 * partials.PERIODS / hz) / tracks.hop_s)
    frame_weight = (np.minimum(tracks.snr, 1e4) * tracks.number**2).sum(axis=1) + 1e-9
    return PluckReading(
        f1_hz=hz,
        b=b,
        number=tracks.number[usable],
        own=(slope / hz * CENTS)[usable],
        own_se=own_se[usable],
        lean=(lean / hz * CENTS)[usable],
        glide=glide,
        glide_var=glide_var,
        common_se=_common_wander(time, rest, weight) / hz * CENTS,
        energy=energy,
        shape=shape,
        times_s=tracks.times_s + skip,
        track=partials.common_track(tracks, width),
        weight=frame_weight,
        smoothed=max(1, width),
    )


def _energy(tracks: Tracks) -> tuple[float, Real]:
    """(power at the note's start, its course as a part of that) of all partials."""
    power = np.maximum(np.abs(tracks.amplitudes) ** 2 - tracks.noise, 0).sum(axis=1)
    power = smooth(power, max(3, round(0.03 / tracks.hop_s)))
    first = float(power[: max(1, len(power) // 20)].max())
    return first, np.minimum(power / max(first, 1e-30), 1.2)


def _raw_glide(rest: Real, curve: Real, weight: Real) -> tuple[float, float]:
    """The glide all partials share, (cents, variance), before any prior."""
    information = max(float((weight * curve**2).sum()), 1e-30)
    glide = float((weight * curve * rest).sum() / information)
    freedom = max(1, (weight > 0).sum() - 2 * weight.shape[1] - 1)
    chi = float((weight * (rest - glide * curve) ** 2).sum())
    return glide, max(1.0, chi / freedom) / information


def mixed_glide(glide: float, variance: float) -> tuple[float, float]:
    """A measured glide and its variance after the mixed prior of GLIDE_PRIORS_CENTS."""
    prior = GLIDE_PRIORS_CENTS**2
    total = prior + variance
    log = -0.5 * (np.log(total) + glide**2 / total)
    p = np.exp(log - log.max())
    p /= p.sum()
    means = glide * prior / total
    mean = float(p @ means)
    return mean, float(p @ (prior * variance / total + (means - mean) ** 2))


def _common_wander(time: Real, rest: Real, weight: Real) -> float:
    """Standard error of the slope, in cycles/s, from what all partials' residuals share."""
    total = weight.sum(axis=1)
    used = total > 0
    if used.sum() < 5:
        return 0.0
    w = total[used]
    shared = (weight * rest).sum(axis=1)[used] / w
    at = (weight * time).sum(axis=1)[used] / w
    information = (w * (at - np.average(at, weights=w)) ** 2).sum()
    chi = (w * shared**2).sum() / (used.sum() - 3)
    return float(np.sqrt(max(0.0, chi - 1) / information))
