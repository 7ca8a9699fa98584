"""How a pluck's pitch goes, in a few stretches of time (bins) that all its partials share."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pegmark.signals import partials, phases
from pegmark.signals.frames import OVERLAP_INFLATION, Real
from pegmark.signals.partials import CENTS_PER_LOG, Tracks

BINS = 12
LEAST_BIN_SNR = 3.0  # a fainter partial (power over noise) says nothing of a bin's pitch
SURE_BIN_CENTS = 2.5  # a bin less sure than this tells nothing of a glide
GLIDE_COURSE = 0.2  # a glide's course is known to this part of what is left of it
NOISE_SHARE = 1.4  # noise alone scatters a dozen bins by up to so much of its variance
GLIDING_CENTS = 4.0  # a bin whose pitch leaves the note's by more than this ...
GLIDING_SIGMAS = 5.0  # ... and by so many of its standard errors has moved
GLIDING_CHI = 6.0  # so much more scatter of all bins than their errors explain is a drift
ROUNDS, TWO_WAY_ROUNDS = 4, 4
FIRST_LOOSE_CENTS = 3.0  # at first every partial may leave the common pitch by this


@dataclass
class Course:
    """The common pitch in bins.

    at_s, cents, se_cents : shape (bins,): time from the note's start, pitch against the tracks'
        first partial, standard error. own : each partial's place against that pitch in cents,
        shape (partials,). energy : the string's own, as a part of its start,
        shape (bins,).
    """

    at_s: Real
    cents: Real
    se_cents: Real
    own: Real
    energy: Real


@dataclass
class Way:
    """How a pluck moves beyond its glide, in cents: `span` from its lowest to its highest, `mean`
    over the settled time, against the reading's f1_hz, `wander` the standard deviation that noise
    does not explain; gliding: more than a pluck that is left alone moves."""

    span: float
    mean: float
    wander: float
    gliding: bool


def way_of(course: Course, sharp: Real, settled_s: float) -> Way:
    """How the pitch moves beyond its glide; sharp: the glide in each bin in cents, (bins,)."""
    settled = course.at_s >= settled_s
    known = settled & (course.se_cents < SURE_BIN_CENTS)
    if known.sum() < 3:
        return Way(0.0, 0.0, 0.0, False)
    at, se = course.at_s[known], course.se_cents[known]
    off = course.cents[known] - sharp[known]
    away = off - np.average(off, weights=se**-2)
    few = len(off) / (len(off) - 1)
    excess = np.average(few * away**2 - NOISE_SHARE * se**2, weights=se**-2)
    doubt = GLIDING_CENTS + GLIDE_COURSE * sharp[known]
    far = np.sign(away) * (np.abs(away) > np.maximum(doubt, GLIDING_SIGMAS * se))
    # A peg turns for longer than one bin; a room makes single ones jump.
    moved = bool((far[1:] * far[:-1] > 0).any())
    drifts = (away**2 / se**2).sum() > GLIDING_CHI * (len(off) - 1)
    ends = float(abs(off[-1] - off[0]))
    # Every stretch of time counts alike; where the pitch is unsure, the nearest known one.
    filled = np.interp(course.at_s[settled], at, off)
    gliding = moved or (drifts and ends > 2 * GLIDING_CENTS)
    wander = math.sqrt(max(0.0, float(excess)))
    return Way(float(np.ptp(off)), float(filled.mean()), wander, bool(gliding))


def read_course(tracks: Tracks, skip_s: float, energy: Real) -> Course:
    """The common pitch in at most BINS stretches of time, with standard errors.

    tracks : the note from skip_s after its start. energy : the string's own,
    shape (frames,).

    The errors come from how far the partials disagree: so whatever moves single partials (noise,
    a room, polarizations) is in them, and what moves all of them is not.
    """
    z = tracks.amplitudes
    count = int(np.clip((len(z) - 1) // 3, 1, BINS))
    edges = np.linspace(0, len(z) - 1, count + 1).astype(int)[:-1]
    sizes = np.diff(np.append(edges, len(z) - 1))
    cents = _bin_cents(tracks, edges)
    weight = _bin_weight(tracks, edges, sizes)
    loose = np.full(z.shape[1], FIRST_LOOSE_CENTS**2)
    first = weight
    for _ in range(ROUNDS if count > 2 else 1):
        weight = first / (1 + first * loose)
        common, own = _two_way(cents, weight)
        rest = cents - common[:, None] - own
        loose = phases.looseness(rest, first, loose)
    freedom = max(1, (count - 1) * (z.shape[1] - 1))
    scale = max(1.0, float((weight * rest**2).sum()) / freedom)
    total = weight.sum(axis=1)
    level = partials.weighted_median(own, weight.sum(axis=0))
    removed = np.add.reduceat(tracks.cents[1:], edges) / sizes
    return Course(
        at_s=np.add.reduceat(tracks.times_s[1:], edges) / sizes + skip_s,
        cents=common + level + removed,
        se_cents=np.sqrt(scale / total),
        own=own - level,
        energy=np.add.reduceat(energy[1:], edges) / sizes,
    )


def _bin_cents(tracks: Tracks, edges: Real) -> Real:
    """Each partial's pitch in each bin, against its place, in cents, shape (bins, partials)."""
    z = tracks.amplitudes
    product = z[1:] * z[:-1].conj()
    mean = np.angle(product.sum(axis=0))
    turned = np.add.reduceat(product * np.exp(-1j * mean), edges, axis=0)
    return np.asarray(
        (np.angle(turned) + mean) / (2 * np.pi * tracks.hop_s) / tracks.hz * CENTS_PER_LOG
    )


def _bin_weight(tracks: Tracks, edges: Real, sizes: Real) -> Real:
    """The inverse variance of those pitches by the noise theory."""
    power = np.add.reduceat(np.abs(tracks.amplitudes[1:]) ** 2, edges, axis=0)
    snr = power / np.add.reduceat(tracks.noise[1:], edges, axis=0) - 1
    # Noise alone has the pitch it is compared with: it would pull a fading note back.
    snr = np.where(snr > LEAST_BIN_SNR, np.minimum(snr, 1e3), 0)
    # The mean pitch of a bin is its phase's way from end to end; at low levels noise meets noise
    # in every product and adds up on the way.
    quiet = np.maximum(snr, 1e-3)
    noisy = 1 / quiet + sizes[:, None] / (2 * OVERLAP_INFLATION * quiet**2)
    span_s = sizes[:, None] * tracks.hop_s
    return np.asarray((2 * np.pi * span_s * tracks.hz / CENTS_PER_LOG) ** 2 / noisy)


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
