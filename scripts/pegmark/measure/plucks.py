"""A plucked note: its partials' pitches, its glide, and its f0 in the small-amplitude limit.

`read_pluck` takes the audio apart once; `PluckReading.solve` turns what was read into a pitch for
any knowledge of the string's inharmonicity and tension modulation, at no cost in audio: what the
take's other notes teach about a string (pegmark.measure.take) needs no second reading.

Tension modulation: f(t) = f_inf (1 + c E(t)), E the note's own energy (Legge & Fletcher 1984;
Tolonen, Valimaki & Karjalainen 2000: from memory). The *glide* of a note is c E at its start, in
cents.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from pegmark.measure import beating, other_sounds, pitch_course
from pegmark.measure.glide import (
    COURSES,
    THEORY_FREEDOM,
    course_posterior,
    energy_of,
    fit_lines,
    mixed_glide,
)
from pegmark.measure.pitch_course import Course, Way
from pegmark.signals import partials, phases, stiff_string
from pegmark.signals.frames import Real, smooth
from pegmark.signals.partials import CENTS_PER_LOG, Tracks

SETTLED_S = 0.25  # a note is settled from here after its start
ATTACK_S = 0.03  # before this the finger is still at the string
DRIFT_S = (0.05, 0.15)  # where a pluck's attack is read
END_GUARD_S = 0.015  # a finger may already be damping the string
FIRST_LOOK_S = 0.8
REREAD_CENTS = 60.0  # of the first partial: then the highest was read beside its place
# Partials that stand so far off their series may have been numbered from a stiffer string's: the
# note is read as one of these B too (a double bass of part size), and kept where they stand much
# closer and are no fewer than so many.
MISNUMBERED_CENTS = 16.0
STIFFER_B = (4e-4, 7e-4, 1.1e-3)
CLOSER, NO_FEWER = 0.6, 0.7
BLOCKS = 14  # stretches of time the phases are averaged over
LEAST_BLOCKS = 3  # a partial must be heard in so many stretches of time
PLUCK_LEAST_SNR = 2.0  # a partial weaker than this against its noise is left out
LEAST_PARTIAL_SE = 25.0  # cents: a partial less sure than this tells nothing
# Another sound begins where a note's level rises again.
ONSET_S = 0.12  # a finger damps what rang before within this
RISE_S = 0.05
RISE = 3.0  # power, about 5 dB: polarizations beat by less when all partials are summed
RISE_ALONE = 9.0  # where one partial is all that is heard, which beats by more
FALLS_AGAIN = 2.0  # power, 3 dB: a sound that is held moves less
LEAST_FRAMES = 6
# What the glide does not know of an attack, one standard deviation at the onset; more on the
# low strings (sampled bass plucks stand up to 5 cents off for a quarter second, either way).
ATTACK_CENTS = 0.35
LOW_HZ = 100.0
PLUCK_ATTACK_DIES_S = 0.1
PLUCK_EARLY_CENTS = 0.6  # an attack's pitch is off by this, if no glide says more
# A string's two polarizations stand some tenths of a cent apart: a pluck's pitch is not defined
# better than this.
FLOOR_CENTS = 0.11
# How wide each part of a pluck's doubt really is, found on 18,750 plucks of the laboratory so that
# the truth lies inside for 95 % at every level of noise, in rooms and on every instrument; as
# standard deviations.
SERIES_DOUBT = 0.54  # noise, B and the body's pulls know of one another: together they err less
COMMON_DOUBT = 1.05  # what moves all partials' phases together is slower than their residuals show
GLIDE_SEEN = 0.75  # a faint note's glide is left in (GLIDE_LEAN): its error is one-sided
GLIDE_LEFT = 0.025  # of a low string's glide so much outlasts the energy that is heard
COURSE_DOUBT = 0.7  # how far the courses' pitches lie apart
# A pitch that wanders as it dies away is known to this part of its wander, below LOW_HZ: a heavy
# string moves its body. Less above: what seems to wander there is mostly a room.
WANDER_DOUBT = 1.3
FREEDOM = 4.0  # and the errors have the tails of so many degrees of freedom


@dataclass
class PluckReading:
    """What was read of a pluck.

    number, own, own_se : shape (partials,): the partials used, their deviation from the series of
        (f1_hz, b) without any glide, and its standard error, in cents.
    lean : what a cent of glide adds to `own`, shape (courses, partials); see measure.glide.
    glides, variances, posterior : shape (courses,): the glide of each course in cents as the note
        alone tells it, its variance, and how likely the course is.
    common_se : standard error from what all partials' residuals share, in cents.
    attack : how much of the note is attack: the mean of exp(-t / PLUCK_ATTACK_DIES_S), weighted as
        the pitch is.
    energy : power of all partials at the start; heard, shape (frames,): its course as a part of
        that.
    times_s (from the note's start), track, weight : shape (frames,): the common pitch in cents
        against f1_hz, smoothed, and what it is worth.
    course : the same in a few bins, not smoothed.
    beating_db : how deep the partials beat (pegmark.measure.beating); None: not known.
    """

    f1_hz: float
    b: float
    number: Real
    own: Real
    own_se: Real
    lean: Real
    glides: Real
    variances: Real
    posterior: Real
    powers: Real
    common_se: float
    attack: float
    energy: float
    heard: Real
    times_s: Real
    track: Real
    weight: Real
    course: Course
    beating_db: float | None

    @property
    def glide(self) -> float:
        """The glide in cents as the note alone tells it."""
        return float(self.posterior @ self.glides)

    @property
    def glide_var(self) -> float:
        """Its variance."""
        return float(self.posterior @ (self.variances + (self.glides - self.glide) ** 2))

    def solve(
        self,
        b_prior: tuple[float, float] = stiff_string.B_PRIOR,
        glide_prior: tuple[float, float] | None = None,
        body: stiff_string.Body = stiff_string.UNKNOWN_BODY,
    ) -> PluckPitch:
        """The note's pitch.

        b_prior : mean and standard deviation of the string's B.
        glide_prior : mean and standard deviation of the glide in cents, from the string's other
            notes; None: what plucks usually do.
        """
        glides, variances = self._glides(glide_prior)
        own = self.own - self.posterior @ (glides[:, None] * self.lean)
        own_se = np.hypot(self.own_se, self._glide_doubt(glides, variances))
        series = self._series(own, own_se, b_prior, body)
        lean = self.lean @ series.share
        # Tension only sharpens: what looks like a fall from below is another sound's doing.
        rises = np.minimum(0.0, self.glides)
        seen = math.sqrt(self.posterior @ (lean**2 * (rises**2 + variances)))
        moves = lean * glides
        apart = math.sqrt(self.posterior @ (moves - self.posterior @ moves) ** 2)
        glide = float(self.posterior @ glides)
        sharp = self.posterior @ (glides[:, None] * self.course.energy ** self.powers[:, None])
        way = pitch_course.way_of(self.course, sharp, self.settled_s)
        low = LOW_HZ / self.f1_hz
        attack_cents = ATTACK_CENTS * max(1.0, low)
        doubts = (
            SERIES_DOUBT * series.se_cents,
            COMMON_DOUBT * self.common_se,
            GLIDE_SEEN * seen,
            COURSE_DOUBT * apart,
            GLIDE_LEFT * min(1.0, low**2) * glide,
            attack_cents * self.attack,
            WANDER_DOUBT * min(1.0, low) * way.wander,
            FLOOR_CENTS,
        )
        return PluckPitch(series, glide, math.hypot(*doubts), doubts, sharp, way)

    def _glides(self, prior: tuple[float, float] | None) -> tuple[Real, Real]:
        """The glide of each course and its variance, after the prior."""
        if prior is None:
            pairs = [mixed_glide(*pair) for pair in zip(self.glides, self.variances, strict=True)]
            return np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
        share = prior[1] ** 2 / (self.variances + prior[1] ** 2)
        glides = np.maximum(0.0, share * self.glides + (1 - share) * prior[0])
        return glides, share * self.variances

    def _glide_doubt(self, glides: Real, variances: Real) -> Real:
        """How far the glide's doubt moves each partial against the others, in cents, shape
        (partials,): those that are heard only early lean on it most."""
        weight = self.own_se**-2.0
        beyond = self.lean - (self.lean @ weight / weight.sum())[:, None]
        moves = glides[:, None] * beyond
        within = self.posterior @ (variances[:, None] * beyond**2)
        return np.asarray(np.sqrt(within + self.posterior @ (moves - self.posterior @ moves) ** 2))

    def moving(self, b_prior: tuple[float, float], body: stiff_string.Body) -> stiff_string.Series:
        """The series above the common pitch of the bins: of a note that moves, whose partials'
        slopes speak of different times."""
        return self._series(self.course.own, self.own_se, b_prior, body)

    def _series(
        self, own: Real, own_se: Real, b_prior: tuple[float, float], body: stiff_string.Body
    ) -> stiff_string.Series:
        pulls = body.pull(self.number * self.f1_hz)
        return stiff_string.fit_series(self.number, own, own_se, pulls, self.b, b_prior)

    @property
    def settled_s(self) -> float:
        """The note is settled from here on; of a short note the last two thirds count."""
        return min(SETTLED_S, float(self.times_s[-1]) / 3)

    def drift_cents(self, f0_cents: float) -> float | None:
        """The pitch at DRIFT_S against the settled f0 (cents against f1_hz); None: not heard.

        Track and series are joined where the note is settled: the track's mix of partials may
        stand a little off the series.
        """
        if self.times_s[0] > DRIFT_S[1] or self.times_s[-1] < SETTLED_S:
            return None
        early = (self.times_s >= DRIFT_S[0]) & (self.times_s < DRIFT_S[1])
        if not early.any():
            return None
        return float(np.average(self.track[early], weights=self.weight[early]) - f0_cents)


@dataclass
class PluckPitch:
    """A solved pluck: series.cents is f0 against the reading's f1_hz, `doubts` the parts of its
    standard error se_cents, `sharp` its glide in the bins of the course in cents, shape (bins,),
    and `way` how it moves beyond that."""

    series: stiff_string.Series
    glide: float
    se_cents: float
    doubts: tuple[float, ...]
    sharp: Real
    way: Way


def read_pluck(
    audio: Real,
    rate_hz: float,
    f0_hz: float,
    b: float,
    *,
    before: Real | None = None,
    other_hz: Iterable[float] = (),
    removed: Real | None = None,
) -> PluckReading | str:
    """Read a pluck, or say why not.

    audio : from the note's start to its end. f0_hz : within 60 cents.
    before : the audio up to the note's start. other_hz : fundamentals of what may sound beside it
        (other strings, mains hum); what is heard of them before makes partials doubtful.
    removed : what was taken out of the audio before, as long as it.
    """
    skip = min(ATTACK_S, len(audio) / rate_hz / 5)
    first, last = round(skip * rate_hz), len(audio) - round(END_GUARD_S * rate_hz)
    cut = audio[first:last]
    early = cut[: round(FIRST_LOOK_S * rate_hz)]
    look = partials.first_look(early, rate_hz, f0_hz, b)
    if look is None:
        return "too short or silent"
    gone = None if removed is None else removed[first:last]

    def read(f1: float, b: float) -> PluckReading | str:
        tracks = partials.take_apart(cut, rate_hz, f1, b)
        if tracks is None or len(tracks.times_s) < 4:
            return "too short"
        ghosts = other_sounds.ghosts_of(tracks.hz, _early(tracks), rate_hz, before, other_hz, gone)
        return _read_tracks(tracks, b, skip, ghosts)

    reading = read(*look)
    if isinstance(reading, str):
        return reading
    if reading.solve().series.spread_cents > MISNUMBERED_CENTS:
        looks = (partials.first_look(early, rate_hz, f0_hz, stiffer) for stiffer in STIFFER_B)
        reading = _closest(reading, [read(*look) for look in looks if look])
    b = reading.b
    series, high = reading.solve().series, reading.number[-1]
    found_b = max(0.0, series.b)
    moved = stiff_string.stretch_cents(high, found_b) - stiff_string.stretch_cents(high, b)
    if abs(moved + series.cents) * high < REREAD_CENTS:
        return reading
    return read(reading.f1_hz * 2 ** (series.cents / 1200), found_b)


def _closest(reading: PluckReading, others: Iterable[PluckReading | str]) -> PluckReading:
    """Of readings of one note the one whose partials stand closest to their series."""
    best, spread = reading, CLOSER * reading.solve().series.spread_cents
    for other in others:
        if isinstance(other, str) or len(other.number) < NO_FEWER * len(reading.number):
            continue
        found = other.solve().series.spread_cents
        if found < spread:
            best, spread = other, found
    return best


def _early(tracks: Tracks) -> Real:
    """Each partial's size in the first third of the note."""
    return np.asarray(np.abs(tracks.amplitudes[: max(3, len(tracks.amplitudes) // 3)]).mean(axis=0))


def _read_tracks(tracks: Tracks, b: float, skip: float, ghosts: Real) -> PluckReading | str:
    snr = tracks.snr
    strong = snr[: max(3, len(snr) // 2)].mean(axis=0)
    good = strong > PLUCK_LEAST_SNR
    if not good.any():
        return "too faint"
    # A faint partial comes in softly, so that no hair's breadth decides.
    faint = np.sqrt(strong[good] / (strong[good] - PLUCK_LEAST_SNR))
    tracks, ghosts = tracks.only(good), ghosts[good]
    alone = _until_another(tracks)
    if alone is None:
        return "too short"
    tracks = alone
    blocks = int(np.clip(len(tracks.times_s) // 3, 3, BLOCKS))
    time, cycles, weight = phases.block_phases(tracks, 0, blocks)
    weight = _doubt_attack(time + skip, weight, tracks.f1_hz)
    count = (weight > 0).sum(axis=0)
    least = min(LEAST_BLOCKS, blocks)
    clear = count >= least
    if not clear.any():
        return "too faint"
    tracks, ghosts, faint = tracks.only(clear), ghosts[clear], faint[clear]
    faint = faint * (count[clear] / (count[clear] - least + 1)) ** 0.25
    time, cycles, weight = time[:, clear], cycles[:, clear], weight[:, clear]
    hz = tracks.f1_hz
    energy = energy_of(tracks)
    course = pitch_course.read_course(tracks, skip, energy.own)
    posterior = course_posterior(course)
    line = fit_lines(tracks, time, cycles, weight, energy.own, posterior)
    room = other_sounds.room_of(line.rest, weight, tracks.number)
    beat = other_sounds.beat_cents(ghosts, room, _lasting_s(time, weight), tracks.hz)
    own_se = np.hypot(line.slope_se / hz * CENTS_PER_LOG, beat) * faint
    usable = own_se < LEAST_PARTIAL_SE
    if not usable.any():
        return "too faint"
    width = round(max(0.04, 2 * partials.TRACKS_PERIODS / hz) / tracks.hop_s)
    frame_weight = (np.minimum(tracks.snr, 1e4) * tracks.number**2).sum(axis=1) + 1e-9
    return PluckReading(
        f1_hz=hz,
        b=b,
        number=tracks.number[usable],
        own=(line.slope / hz * CENTS_PER_LOG)[usable],
        own_se=own_se[usable],
        lean=(line.lean / hz * CENTS_PER_LOG)[:, usable],
        glides=line.glide,
        variances=line.variance,
        posterior=posterior,
        powers=COURSES,
        common_se=_common_wander(time, line.rest, weight) / hz * CENTS_PER_LOG,
        attack=_attack(time, weight, skip),
        energy=energy.start,
        heard=energy.heard,
        times_s=tracks.times_s + skip,
        track=partials.common_track(tracks, width),
        weight=frame_weight,
        course=replace(course, own=course.own[usable]),
        beating_db=beating.beat_depth_db(tracks, ghosts),
    )


def _lasting_s(time: Real, weight: Real) -> Real:
    """How long each partial tells its pitch, in s, shape (partials,)."""
    total = weight.sum(axis=0)
    centred = time - (weight * time).sum(axis=0) / total
    return np.asarray(np.sqrt(12 * (weight * centred**2).sum(axis=0) / total))


def _until_another(tracks: Tracks) -> Tracks | None:
    """The note up to where its level rises again: another sound begins there."""
    power = np.maximum(np.abs(tracks.amplitudes) ** 2 - tracks.noise, 0)
    alone = power.shape[1] == 1
    end = _end_of_fall(power.sum(axis=1), tracks.hop_s, RISE_ALONE if alone else RISE)
    if end < len(power) and not alone:
        # One partial alone that rises and falls again beats, with the body or by itself; one that
        # stays is another's sound.
        loudest = int(np.argmax(power.sum(axis=0)))
        if _falls_again(power[end:, loudest], tracks.hop_s):
            others = np.delete(power, loudest, 1).sum(axis=1)
            end = max(end, _end_of_fall(others, tracks.hop_s, RISE))
    return tracks.until(end) if end >= LEAST_FRAMES else None


def _falls_again(power: Real, hop_s: float) -> bool:
    """Whether a level that rose is well below its highest again at the end."""
    power = smooth(power, max(3, round(RISE_S / hop_s)))
    return bool(len(power) and power[-1] < power.max() / FALLS_AGAIN)


def _end_of_fall(power: Real, hop_s: float, rise: float) -> int:
    """How many frames a level takes to its lowest before it rises again; all if it does not."""
    power = smooth(power, max(3, round(RISE_S / hop_s)))
    power = np.maximum(power, 1e-5 * power.max())
    # What the string still rang with may meet its new sound: so far a dip is the note's own.
    loudest = int(np.argmax(power[: max(1, round(ONSET_S / hop_s))]))
    after = power[loudest:]
    risen = np.flatnonzero(after > rise * np.minimum.accumulate(after))
    if not len(risen):
        return len(power)
    return loudest + int(np.argmin(after[: risen[0] + 1])) + 1  # the last frame of the fall


def _doubt_attack(time: Real, weight: Real, f1_hz: float) -> Real:
    """Weights that trust the phases of the attack no further than the pitch does.

    Where noise rules they stay; in a clear note they leave the attack to itself.
    """
    drift = (
        PLUCK_EARLY_CENTS
        / CENTS_PER_LOG
        * f1_hz
        * PLUCK_ATTACK_DIES_S
        * np.exp(-time / PLUCK_ATTACK_DIES_S)
    )
    return weight / (1 + weight * drift**2)


def _attack(time: Real, weight: Real, skip: float) -> float:
    """How far a cent of attack, dying with PLUCK_ATTACK_DIES_S, moves the slopes of the phases."""
    dying = -PLUCK_ATTACK_DIES_S * np.exp(-(time + skip) / PLUCK_ATTACK_DIES_S)  # its phase
    lean = phases.slopes(time, dying, weight, THEORY_FREEDOM)[0]
    information = weight.sum(axis=0)
    return float((lean * information).sum() / information.sum())


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
    lasting = phases.lasting(shared[:, None], w[:, None])
    return float(np.sqrt(max(0.0, chi - 1) * lasting / information))
