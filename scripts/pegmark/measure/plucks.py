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
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pegmark.measure import beating
from pegmark.signals import partials
from pegmark.signals.frames import OVERLAP_INFLATION, Real, partial_amplitudes, smooth
from pegmark.signals.partials import CENTS, Tracks

SETTLED_S = 0.25  # a note is settled from here after its start
ATTACK_S = 0.03  # before this the finger is still at the string
DRIFT_S = (0.05, 0.15)  # where a pluck's attack is read
END_GUARD_S = 0.015  # a finger may already be damping the string
BLOCKS = 14  # stretches of time the phases are averaged over
LEAST_BLOCKS = 3  # a partial must be heard in so many stretches of time
LEAST_SNR = 2.0  # a partial weaker than this against its noise is left out
LEAST_PARTIAL_SE = 25.0  # cents: a partial less sure than this tells nothing
THEORY_FREEDOM = 4.0  # the noise theory is worth as much as so many residuals
# A pluck's start stands this much sharp, one standard deviation each: a soft one hardly, a loud
# one 16-60 cents (orchestral samples). Which of them a note is, it says itself.
GLIDE_PRIORS_CENTS = np.array([0.2, 1.0, 4.0, 12.0, 35.0])
# How often plucks are so; and how the reading leans where a note cannot tell: to none at all, since
# a glide that is not there costs more cents than one left in, which the interval allows for.
GLIDE_USUAL = np.array([1.0, 1.0, 2.0, 2.0, 1.0])
GLIDE_LEAN = np.array([8.0, 3.0, 1.0, 1.0, 1.0])
GLIDE_COURSE = 0.2  # a glide's course is the energy's to this part of the glide
BINS = 12
LEAST_BIN_SNR = 3.0  # a fainter partial (power over noise) says nothing of a bin's pitch
SURE_BIN_CENTS = 2.5  # a bin less sure than this tells nothing of a glide
# What the energy law does not know of an attack, one standard deviation at the onset; more on the
# low strings (sampled bass plucks stand up to 5 cents off for a quarter second, either way).
ATTACK_CENTS = 0.8
ATTACK_LOW_HZ = 100.0
ATTACK_DIES_S = 0.1
EARLY_CENTS = 0.6  # an attack's pitch is off by this, if no glide says more
GLIDING_CENTS = 4.0  # a bin whose pitch leaves the note's by more than this ...
GLIDING_SIGMAS = 5.0  # ... and by so many of its standard errors has moved
GLIDING_CHI = 6.0  # so much more scatter of all bins than their errors explain is a drift
# A string's two polarizations stand some tenths of a cent apart: a pluck's pitch is not defined
# better than this.
FLOOR_CENTS = 0.09
# How wide each part of a pluck's doubt really is, found on 18,750 plucks of the laboratory so that
# the truth lies inside for 95 % at every level of noise, in rooms and on every instrument; as
# standard deviations.
SERIES_DOUBT = 0.48  # noise, B and the body's pulls know of one another: together they err less
COMMON_DOUBT = 2.3  # what moves all partials' phases together is slower than their residuals show
GLIDE_SEEN = 1.35  # a faint note's glide is left in (GLIDE_LEAN): its error is one-sided
GLIDE_LEFT = 0.008  # of a glide so much outlasts the energy that is heard: bodies radiate unevenly
GLIDE_LOOSE = 2.0  # what is heard of a string's energy is not its energy
FREEDOM = 4.0  # and the errors have the tails of so many degrees of freedom


@dataclass
class PluckReading:
    """What was read of a pluck.

    number, own, own_se, lean : shape (partials,): the partials used, their deviation from the
        series of (f1_hz, b) without any glide, its standard error, and what a cent of glide adds.
    glide, glide_var : the glide as the note alone tells it, and its variance (cents squared).
    common_se : standard error from what all partials' residuals share, in cents.
    attack : how much of the note is attack: the mean of exp(-t / ATTACK_DIES_S), weighted as the
        pitch is.
    energy : power of all partials at the start; shape (frames,): its course as a part of that.
    times_s (from the note's start), track, weight : shape (frames,): the common pitch in cents
        against f1_hz, smoothed, and what it is worth.
    bin_s, bin_cents, bin_se, bin_shape : shape (bins,): the same in a few bins, not smoothed.
    bin_own : shape (partials,): each partial's place against that common pitch, in cents.
    beating_db : how deep the partials beat (pegmark.measure.beating); None: not known.
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
    attack: float
    energy: float
    shape: Real
    times_s: Real
    track: Real
    weight: Real
    bin_own: Real
    bin_s: Real
    bin_cents: Real
    bin_se: Real
    bin_shape: Real
    beating_db: float | None

    def solve(
        self,
        b_prior: tuple[float, float] = partials.B_PRIOR,
        glide_prior: tuple[float, float] | None = None,
        body: partials.Body = partials.UNKNOWN_BODY,
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
            glide = max(0.0, share * self.glide + (1 - share) * glide_prior[0])
            glide_var = share * self.glide_var
        series = self._series(self.own - glide * self.lean, b_prior, body)
        lean = float(series.share @ self.lean)
        # Tension only sharpens: what looks like a fall from below is another sound's doing.
        rise = min(0.0, self.glide)
        attack_cents = ATTACK_CENTS * max(1.0, ATTACK_LOW_HZ / self.f1_hz)
        doubts = (
            SERIES_DOUBT * series.se_cents,
            COMMON_DOUBT * self.common_se,
            GLIDE_SEEN * lean * math.hypot(rise, math.sqrt(glide_var)),
            GLIDE_LEFT * glide,
            attack_cents * self.attack,
            FLOOR_CENTS,
        )
        return PluckPitch(series, glide, glide_var, math.hypot(*doubts))

    def moving(self, b_prior: tuple[float, float], body: partials.Body) -> partials.Series:
        """The series above the common pitch of the bins: of a note that moves, whose partials'
        slopes speak of different times."""
        return self._series(self.bin_own, b_prior, body)

    def _series(
        self, own: Real, b_prior: tuple[float, float], body: partials.Body
    ) -> partials.Series:
        pulls = body.pull(self.number * self.f1_hz)
        return partials.fit_series(self.number, own, self.own_se, pulls, self.b, b_prior)

    @property
    def settled_s(self) -> float:
        """The note is settled from here on; of a short note the last two thirds count."""
        return min(SETTLED_S, float(self.times_s[-1]) / 3)

    def way(self, glide: float) -> Way:
        """How the pitch moves beyond its glide."""
        settled = self.bin_s >= self.settled_s
        known = settled & (self.bin_se < SURE_BIN_CENTS)
        if known.sum() < 3:
            return Way(0.0, 0.0, False)
        at, se = self.bin_s[known], self.bin_se[known]
        off = self.bin_cents[known] - glide * self.bin_shape[known]
        away = off - np.average(off, weights=se**-2)
        doubt = GLIDING_CENTS + GLIDE_COURSE * glide * self.bin_shape[known]
        far = np.sign(away) * (np.abs(away) > np.maximum(doubt, GLIDING_SIGMAS * se))
        # A peg turns for longer than one bin; a room makes single ones jump.
        moved = bool((far[1:] * far[:-1] > 0).any())
        drifts = (away**2 / se**2).sum() > GLIDING_CHI * (len(off) - 1)
        ends = float(abs(off[-1] - off[0]))
        # Every stretch of time counts alike; where the pitch is unsure, the nearest known one.
        filled = np.interp(self.bin_s[settled], at, off)
        gliding = moved or (drifts and ends > 2 * GLIDING_CENTS)
        return Way(float(np.ptp(off)), float(filled.mean()), bool(gliding))

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
class Way:
    """How a pluck moves beyond its glide, in cents: `span` from its lowest to its highest, `mean`
    over the settled time, against the reading's f1_hz; gliding: more than noise explains."""

    span: float
    mean: float
    gliding: bool


@dataclass
class PluckPitch:
    """A solved pluck: series.cents is f0 against the reading's f1_hz."""

    series: partials.Series
    glide: float
    glide_var: float
    se_cents: float


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
    look = partials.first_look(cut[: round(FIRST_LOOK_S * rate_hz)], rate_hz, f0_hz, b)
    if look is None:
        return "too short or silent"
    gone = None if removed is None else removed[first:last]

    def read(f1: float, b: float) -> PluckReading | str:
        tracks = partials.take_apart(cut, rate_hz, f1, b)
        if tracks is None or len(tracks.times_s) < 4:
            return "too short"
        ghosts = ghosts_of(tracks.hz, _early(tracks), rate_hz, before, other_hz, gone)
        return _read_tracks(tracks, b, skip, ghosts)

    f1, b = look
    reading = read(f1, b)
    if isinstance(reading, str):
        return reading
    series, high = reading.solve().series, reading.number[-1]
    found_b = max(0.0, series.b)
    moved = partials.stretch_cents(high, found_b) - partials.stretch_cents(high, b)
    if abs(moved + series.cents) * high < REREAD_CENTS:
        return reading
    return read(f1 * 2 ** (series.cents / 1200), found_b)


def ghosts_of(
    hz: Real,
    loud: Real,
    rate_hz: float,
    before: Real | None,
    other_hz: Iterable[float],
    removed: Real | None,
) -> Real:
    """How large a part of each partial may be another sound's, shape (partials,).

    hz, loud : the partials' frequencies and amplitudes. before, other_hz, removed : as for
    read_pluck, `removed` only where the note is. Only partials that another comb of `other_hz`
    comes near are asked for in what was heard before; what the string itself still rang with, seen
    at the others, is taken off. Of what was removed some may be left or some too much.
    """
    loud, size = np.maximum(loud, 1e-12), partials.frame_size(rate_hz, hz[0])
    near = np.zeros(len(hz), bool)
    for other in other_hz:
        near |= np.abs(hz - np.rint(hz / other) * other) < GHOST_REACH * hz[0]
    ghosts = np.zeros(len(hz))
    if before is not None and len(before) >= size and near.any():
        z, _ = partial_amplitudes(before[-size:], rate_hz, hz, size, size)
        part = np.abs(z[0]) / loud
        own = float(np.median(part[~near])) if not near.all() else 0.0
        ghosts = np.where(near, np.sqrt(np.maximum(part**2 - 2 * own**2, 0)), 0)
    if removed is not None:
        size = min(size, len(removed))
        z, _ = partial_amplitudes(removed, rate_hz, hz, size, size)
        ghosts = np.maximum(ghosts, TORN * np.abs(z).mean(axis=0) / loud)
    return ghosts


def beat_cents(ghosts: Real, room: float, lasts_s: Real | float, hz: Real) -> Real:
    """Standard error of each partial's pitch from other sounds and echoes that beat with it.

    ghosts : shape (partials,): the part of each that is another's. room : the part that echoes are.
    lasts_s : how long each is heard. Cents.
    """
    echoes = np.hypot(ghosts, ROOM_TURNS * room)
    return np.asarray(GHOST_SLOPE * echoes / np.maximum(lasts_s, 1e-3) / hz * CENTS)


def _early(tracks: Tracks) -> Real:
    """Each partial's size in the first third of the note."""
    return np.asarray(np.abs(tracks.amplitudes[: max(3, len(tracks.amplitudes) // 3)]).mean(axis=0))


FIRST_LOOK_S = 0.8
GHOST_REACH = 0.3  # another partial within this part of the first partial's pitch beats slowly
GHOST_SLOPE = 0.3  # error of a phase's slope that a beat brings: this x its size / time
# A room's echoes beat with every partial like a ghost of about this part of it; how far a note's
# own phases leave their lines tells more, and this counts as so many phases.
ROOM = 0.13
ROOM_FREEDOM = 3.0
ROOM_MOST, ROOM_LEAST = 1.0, 0.02
ROOM_TURNS = 0.5  # an echo dies sooner than its partial: it beats for a part of the note
TORN = 0.5  # of what was taken out at a partial so much may be wrong
REREAD_CENTS = 60.0  # of the first partial: then the highest was read beside its place


def _read_tracks(tracks: Tracks, b: float, skip: float, ghosts: Real) -> PluckReading | str:
    snr = tracks.snr
    strong = snr[: max(3, len(snr) // 2)].mean(axis=0)
    good = strong > LEAST_SNR
    if not good.any():
        return "too faint"
    # A faint partial comes in softly, so that no hair's breadth decides.
    faint = np.sqrt(strong[good] / (strong[good] - LEAST_SNR))
    tracks, ghosts = tracks.only(good), ghosts[good]
    alone = _until_another(tracks)
    if alone is None:
        return "too short"
    tracks = alone
    blocks = int(np.clip(len(tracks.times_s) // 3, 3, BLOCKS))
    time, cycles, weight = partials.block_phases(tracks, 0, blocks)
    weight = _doubt_attack(time + skip, weight, tracks.f1_hz)
    count = (weight > 0).sum(axis=0)
    least = min(LEAST_BLOCKS, blocks)
    heard = count >= least
    if not heard.any():
        return "too faint"
    tracks, ghosts, faint = tracks.only(heard), ghosts[heard], faint[heard]
    faint = faint * (count[heard] / (count[heard] - least + 1)) ** 0.25
    time, cycles, weight = time[:, heard], cycles[:, heard], weight[:, heard]
    hz = tracks.f1_hz
    energy, shape = _energy(tracks)
    line = _lines(tracks, time, cycles, weight, shape)
    room = _room(line.rest, weight, tracks.number)
    total = weight.sum(axis=0)
    centred = time - (weight * time).sum(axis=0) / total
    lasts_s = np.sqrt(12 * (weight * centred**2).sum(axis=0) / total)
    beat = beat_cents(ghosts, room, lasts_s, tracks.hz)
    own_se = np.hypot(line.slope_se / hz * CENTS, beat) * faint
    usable = own_se < LEAST_PARTIAL_SE
    if not usable.any():
        return "too faint"
    width = round(max(0.04, 2 * partials.PERIODS / hz) / tracks.hop_s)
    frame_weight = (np.minimum(tracks.snr, 1e4) * tracks.number**2).sum(axis=1) + 1e-9
    return PluckReading(
        f1_hz=hz,
        b=b,
        number=tracks.number[usable],
        own=(line.slope / hz * CENTS)[usable],
        own_se=own_se[usable],
        lean=(line.lean / hz * CENTS)[usable],
        glide=line.glide,
        glide_var=line.glide_var,
        common_se=_common_wander(time, line.rest, weight) / hz * CENTS,
        attack=_attack(time, weight, skip),
        energy=energy,
        shape=shape,
        times_s=tracks.times_s + skip,
        track=partials.common_track(tracks, width),
        weight=frame_weight,
        beating_db=beating.beat_depth_db(tracks, ghosts),
        **_bins(tracks, skip, shape, usable),
    )


def _room(rest: Real, weight: Real, number: Real) -> float:
    """How large a part of the partials the room's echoes are, as their phases' residuals tell.

    A ghost of the part g turns a phase to and fro by g / sqrt(2) radians. Low partials count most:
    those are what it moves by cents (and the two polarizations turn the high ones).
    """
    count = (weight > 0).sum(axis=0)
    freedom = np.maximum(count - 2, 0)
    radians = (2 * np.pi * number) ** 2 / weight.sum(axis=0)
    excess = ((weight * rest**2).sum(axis=0) - freedom) * radians
    seen = excess * count / np.maximum(freedom, 1)
    usual = ROOM**2 / 2
    tells = freedom * (usual / (usual + radians * count)) ** 2 / number
    mean = (ROOM_FREEDOM * usual + (tells * seen).sum()) / (ROOM_FREEDOM + tells.sum())
    return float(np.clip(np.sqrt(2 * max(mean, 0.0)), ROOM_LEAST, ROOM_MOST))


class _Lines(NamedTuple):
    """Each partial's phase as a line and a glide that all share (cycles of the first partial)."""

    slope: Real
    slope_se: Real
    lean: Real
    rest: Real
    glide: float
    glide_var: float


def _lines(tracks: Tracks, time: Real, cycles: Real, weight: Real, shape: Real) -> _Lines:
    """The lines through the phases; shape (frames,): the course of the glide."""
    steps = np.diff(tracks.times_s) * (shape[1:] + shape[:-1]) / 2
    # cycles per cent of glide
    gone = np.concatenate([[0.0], np.cumsum(steps)]) * tracks.f1_hz / CENTS
    sharp = np.interp(time, tracks.times_s, gone)
    lean, _, curve = partials.slopes(time, sharp, weight, THEORY_FREEDOM)
    slope, _, rest = partials.slopes(time, cycles, weight, THEORY_FREEDOM)
    glide, glide_var = _raw_glide(rest, curve, weight)
    straight = cycles - mixed_glide(glide, glide_var)[0] * sharp
    _, slope_se, rest = partials.slopes(time, straight, weight, THEORY_FREEDOM)
    return _Lines(slope, slope_se, lean, rest, glide, glide_var)


def _bins(tracks: Tracks, skip: float, shape: Real, usable: Real) -> dict[str, Real]:
    """The common pitch in at most BINS stretches of time, with standard errors.

    The errors come from how far the partials disagree: so whatever moves single partials (noise,
    a room, polarizations) is in them, and what moves all of them is not.
    """
    z = tracks.amplitudes
    count = int(np.clip((len(z) - 1) // 3, 1, BINS))
    edges = np.linspace(0, len(z) - 1, count + 1).astype(int)[:-1]
    product = z[1:] * z[:-1].conj()
    per_step = 2 * np.pi * tracks.hop_s
    mean = np.angle(product.sum(axis=0))
    turned = np.add.reduceat(product * np.exp(-1j * mean), edges, axis=0)
    cents = np.angle(turned) / per_step / tracks.hz * CENTS
    sizes = np.diff(np.append(edges, len(z) - 1))
    power = np.add.reduceat(np.abs(z[1:]) ** 2, edges, axis=0)
    snr = power / np.add.reduceat(tracks.noise[1:], edges, axis=0) - 1
    # Noise alone has the pitch it is compared with: it would pull a fading note back.
    snr = np.where(snr > LEAST_BIN_SNR, np.minimum(snr, 1e3), 0)
    # The mean pitch of a bin is its phase's way from end to end; at low levels noise meets noise
    # in every product and adds up on the way.
    quiet = np.maximum(snr, 1e-3)
    noisy = 1 / quiet + sizes[:, None] / (2 * OVERLAP_INFLATION * quiet**2)
    span_s = sizes[:, None] * tracks.hop_s
    weight = (2 * np.pi * span_s * tracks.hz / CENTS) ** 2 / noisy
    cents = cents + mean / per_step / tracks.hz * CENTS
    common, own = _two_way(cents, weight)
    rest = cents - common[:, None] - own
    freedom = max(1, (count - 1) * (z.shape[1] - 1))
    scale = max(1.0, float((weight * rest**2).sum()) / freedom)
    total = weight.sum(axis=1)
    level = partials.weighted_median(own, weight.sum(axis=0))
    removed = np.add.reduceat(tracks.cents[1:], edges) / sizes
    return {
        "bin_own": own[usable] - level,
        "bin_s": np.add.reduceat(tracks.times_s[1:], edges) / sizes + skip,
        "bin_cents": common + level + removed,
        "bin_se": np.sqrt(scale / total),
        "bin_shape": np.add.reduceat(shape[1:], edges) / sizes,
    }


def _two_way(values: Real, weight: Real) -> tuple[Real, Real]:
    """values[b, n] taken apart into common[b] + own[n] by weighted least squares.

    A partial that is heard only early has its own level from there: so the mix that changes as
    the high partials die is no glide, and a glide is no partial's own.
    """
    weighted = weight * values
    rows, columns = (weighted.sum(axis=k) for k in (1, 0))
    row_weight, column_weight = (weight.sum(axis=k) for k in (1, 0))
    own = np.zeros(values.shape[1])
    common = own
    for _ in range(TWO_WAY_ROUNDS):
        common = (rows - weight @ own) / row_weight
        own = (columns - common @ weight) / column_weight
    return common, own


TWO_WAY_ROUNDS = 12


def _until_another(tracks: Tracks) -> Tracks | None:
    """The note up to where its level rises again: another sound begins there."""
    power = np.maximum(np.abs(tracks.amplitudes) ** 2 - tracks.noise, 0).sum(axis=1)
    power = smooth(power, max(3, round(RISE_S / tracks.hop_s)))
    power = np.maximum(power, 1e-5 * power.max())
    # What the string still rang with may meet its new sound: so far a dip is the note's own.
    loudest = int(np.argmax(power[: max(1, round(ONSET_S / tracks.hop_s))]))
    after = power[loudest:]
    risen = np.flatnonzero(after > RISE * np.minimum.accumulate(after))
    if not len(risen):
        return tracks
    end = loudest + int(np.argmin(after[: risen[0] + 1])) + 1  # the last frame of the fall
    return tracks.until(end) if end >= LEAST_FRAMES else None


ONSET_S = 0.12  # a finger damps what rang before within this
RISE_S = 0.05
RISE = 3.0  # power, about 5 dB: polarizations beat by less when all partials are summed
LEAST_FRAMES = 6


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
    last = partials.lasting(rest - glide * curve, weight)
    return glide, max(1.0, chi / freedom * last) / information


def _doubt_attack(time: Real, weight: Real, f1_hz: float) -> Real:
    """Weights that trust the phases of the attack no further than the pitch does.

    Where noise rules they stay; in a clear note they leave the attack to itself.
    """
    drift = EARLY_CENTS / CENTS * f1_hz * ATTACK_DIES_S * np.exp(-time / ATTACK_DIES_S)
    return weight / (1 + weight * drift**2)


def _attack(time: Real, weight: Real, skip: float) -> float:
    """How far a cent of attack, dying with ATTACK_DIES_S, moves the slopes of the phases."""
    dying = -ATTACK_DIES_S * np.exp(-(time + skip) / ATTACK_DIES_S)  # its phase
    lean = partials.slopes(time, dying, weight, THEORY_FREEDOM)[0]
    information = weight.sum(axis=0)
    return float((lean * information).sum() / information.sum())


def mixed_glide(glide: float, variance: float) -> tuple[float, float]:
    """A measured glide after the mixed prior of GLIDE_PRIORS_CENTS, and its mean squared error.

    The glide leans to none at all; its error does not: it is taken of the half of every law that
    lies above 0 (tension only sharpens), weighted as plucks are, with a variance that allows for
    the energy's course not being known well.
    """
    prior = GLIDE_PRIORS_CENTS**2
    p = _odds(glide, prior + variance) * GLIDE_LEAN
    mean = max(0.0, float(p @ (glide * prior / (prior + variance)) / p.sum()))
    total = prior + GLIDE_LOOSE**2 * variance
    sd = np.sqrt(prior * GLIDE_LOOSE**2 * variance / total)
    at = np.maximum(glide * prior / total / np.maximum(sd, 1e-9), -8)
    above = np.array([math.erfc(-x / math.sqrt(2)) / 2 for x in at])
    p = _odds(glide, total) * GLIDE_USUAL * above
    hazard = np.exp(-(at**2) / 2) / math.sqrt(2 * math.pi) / above
    spread = np.maximum(sd**2 * (1 - at * hazard - hazard**2), 0)
    return mean, float(p @ (spread + (sd * (at + hazard) - mean) ** 2) / p.sum())


def _odds(value: float, variance: Real) -> Real:
    """How likely a value is under Gaussian laws round 0, relative to one another."""
    log = -0.5 * (np.log(variance) + value**2 / variance)
    likely = np.exp(log - log.max())
    return np.asarray(likely / likely.sum())


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
    lasting = partials.lasting(shared[:, None], w[:, None])
    return float(np.sqrt(max(0.0, chi - 1) * lasting / information))
