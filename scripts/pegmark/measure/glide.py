"""How a pluck's sharp start settles: the glide, by tension modulation.

A string swings wider when it is loud, which stretches it: f(t) = f_inf (1 + c E(t)), E the energy
of its swinging (Legge & Fletcher 1984; Tolonen, Valimaki & Karjalainen 2000: from memory). What is
heard of that energy is what the body radiates of it, and a hard pluck's pitch outlasts it: on a
real double bass (16 plucks of each of 8 pitches) it falls as the energy that is heard to the power
of 0.4 to 0.9. So the glide's *course* is that energy to each power of COURSES, and how well each
fits says how much it counts. The *glide* of a note is c E at its start, in cents.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from pegmark.measure.pitch_course import Course
from pegmark.signals import phases
from pegmark.signals.frames import Real, smooth
from pegmark.signals.partials import CENTS_PER_LOG, Tracks

THEORY_FREEDOM = 4.0  # the noise theory is worth as much as so many residuals
# The glide goes as the string's energy to one of these powers.
COURSES = np.array([0.5, 0.7, 1.0])
COURSE_USUAL = np.array([0.1, 0.2, 0.7])  # how often plucks are so
# A bin's pitch is known no better than this; less so while the finger leaves the string.
BIN_FLOOR_CENTS = 0.3
EARLY_CENTS = 1.5
EARLY_DIES_S = 0.1
GLIDE_MOST_CENTS = 35.0
# A pluck's start stands this much sharp, one standard deviation each: a soft one hardly, a loud
# one 16-60 cents (orchestral samples). Which of them a note is, it says itself.
GLIDE_PRIORS_CENTS = np.array([0.2, 1.0, 4.0, 12.0, 35.0])
# How often plucks are so; and how the reading leans where a note cannot tell: to none at all, since
# a glide that is not there costs more cents than one left in, which the interval allows for.
GLIDE_USUAL = np.array([1.0, 1.0, 2.0, 2.0, 1.0])
GLIDE_LEAN = np.array([8.0, 3.0, 1.0, 1.0, 1.0])
GLIDE_LOOSE = 2.0  # what is heard of a string's energy is not its energy
GLIDE_BETWEEN = 0.5  # c differs between plucks of one string by this part of it
USUAL_GLIDE_CENTS = 1.5  # and a glide by this
ENERGY_S = 0.03  # the heard energy is smoothed over this
EARLY_S = 0.1  # how loud each partial starts is read in this time ...
CLEAR = 4.0  # ... of those that are so far (power) over the noise
BETWEEN_ROUNDS = 8


class Lines(NamedTuple):
    """Each partial's phase as a line and a glide that all share (cycles of the first partial).

    slope, slope_se : shape (partials,). lean : what a cent of glide adds to the slope, shape
    (courses, partials). rest : what is left, shape (blocks, partials).
    glide, variance : in cents, of each course, shape (courses,).
    """

    slope: Real
    slope_se: Real
    lean: Real
    rest: Real
    glide: Real
    variance: Real


class Energy(NamedTuple):
    """What is heard of a string's energy: its power at the start, the power's course as a part of
    that, and the course of the string's own energy, shape (frames,)."""

    start: float
    heard: Real
    own: Real


def energy_of(tracks: Tracks) -> Energy:
    """How a note dies away.

    A body radiates some partials more than others, so the string's own energy counts each by how
    it dies away, and as a plucked string shares out its energy: 1 / n^2.
    """
    power = np.maximum(np.abs(tracks.amplitudes) ** 2 - tracks.noise, 0)
    width = max(3, round(ENERGY_S / tracks.hop_s))
    start = max(2, min(round(EARLY_S / tracks.hop_s), len(power) // 4))
    early, noise = power[:start].mean(axis=0), tracks.noise[:start].mean(axis=0)
    clear = early > CLEAR * noise
    if not clear.any():
        clear = early >= early.max()
    share = np.where(clear, 1 / np.maximum(early, 1e-30) / tracks.number**2, 0)
    courses = [smooth(power @ part, width) for part in (np.ones(len(share)), share)]
    loud = [float(course[: max(1, len(course) // 20)].max()) for course in courses]
    heard, own = (
        np.minimum(course / max(first, 1e-30), 1.2)
        for course, first in zip(courses, loud, strict=True)
    )
    return Energy(loud[0], heard, own)


def course_posterior(course: Course) -> Real:
    """How likely each of COURSES is, shape (courses,), by how the common pitch goes in its bins:
    what a line of each leaves over."""
    early = EARLY_CENTS * np.exp(-course.at_s / EARLY_DIES_S)
    weight = 1 / (course.se_cents**2 + BIN_FLOOR_CENTS**2 + early**2)
    cents = course.cents - np.average(course.cents, weights=weight)
    chi = np.empty(len(COURSES))
    for k, power in enumerate(COURSES):
        shape = course.energy**power
        shape = shape - np.average(shape, weights=weight)
        information = float(weight @ shape**2) + GLIDE_MOST_CENTS**-2
        glide = max(0.0, float(weight * shape @ cents) / information)
        chi[k] = weight @ (cents - glide * shape) ** 2
    scale = max(1.0, chi.min() / max(1, len(cents) - 2))
    likely = COURSE_USUAL * np.exp(-0.5 * (chi - chi.min()) / scale)
    return np.asarray(likely / likely.sum())


def fit_lines(
    tracks: Tracks, time: Real, cycles: Real, weight: Real, energy: Real, posterior: Real
) -> Lines:
    """The lines through phases.

    time, cycles, weight : shape (blocks, partials), as of partials.block_phases. energy : the
    string's own, shape (frames,). posterior : how likely each of COURSES is.
    """
    sharp = np.array([_cycles_of(tracks, time, energy**power) for power in COURSES])
    slope, _, rest = phases.slopes(time, cycles, weight, THEORY_FREEDOM)
    fits = [phases.slopes(time, one, weight, THEORY_FREEDOM) for one in sharp]
    pairs = [_shared_glide(rest, curve, weight) for _, _, curve in fits]
    settled = [mixed_glide(*pair)[0] for pair in pairs]
    gone = np.tensordot(posterior * settled, sharp, 1)
    _, slope_se, left = phases.slopes(time, cycles - gone, weight, THEORY_FREEDOM)
    lean = np.array([fit[0] for fit in fits])
    cents, variance = np.array(pairs).T
    return Lines(slope, slope_se, lean, left, cents, variance)


def _cycles_of(tracks: Tracks, time: Real, course: Real) -> Real:
    """Cycles of the first partial that a cent of glide of that course has gained at `time`."""
    steps = np.diff(tracks.times_s) * (course[1:] + course[:-1]) / 2
    gained = np.concatenate([[0.0], np.cumsum(steps)]) * tracks.f1_hz / CENTS_PER_LOG
    return np.interp(time, tracks.times_s, gained)


def _shared_glide(rest: Real, curve: Real, weight: Real) -> tuple[float, float]:
    """The glide the partials share, (cents, variance), before any prior.

    Each partial tells its own; how far these differ is a part of the doubt (random effects by
    moments, DerSimonian & Laird 1986).
    """
    information = np.maximum((weight * curve**2).sum(axis=0), 1e-30)
    each = (weight * curve * rest).sum(axis=0) / information
    left = rest - each * curve
    freedom = np.maximum((weight > 0).sum(axis=0) - 3, 1)
    chi = (weight * left**2).sum(axis=0) * phases.lasting(left, weight)
    scale = np.maximum(1.0, (THEORY_FREEDOM + chi) / (THEORY_FREEDOM + freedom))
    variance = scale / information
    few = len(each) / max(1, len(each) - 1)
    between = 0.0
    for _ in range(BETWEEN_ROUNDS):
        share = 1 / (variance + between)
        mean = float(share @ each / share.sum())
        excess = float(share**2 @ (few * (each - mean) ** 2 - variance) / (share**2).sum())
        between = max(0.0, excess)
    share = 1 / (variance + between)
    return float(share @ each / share.sum()), float(1 / share.sum())


def mixed_glide(glide: float, variance: float) -> tuple[float, float]:
    """A measured glide after the mixed prior of GLIDE_PRIORS_CENTS, and its mean squared error.

    The glide leans to none at all; its error does not: it is taken of the half of every law that
    lies above 0 (tension only sharpens), weighted as plucks are, with a variance that allows for
    the energy's course not being known well.
    """
    prior = GLIDE_PRIORS_CENTS**2
    p = _posterior(glide, prior + variance) * GLIDE_LEAN
    mean = max(0.0, float(p @ (glide * prior / (prior + variance)) / p.sum()))
    total = prior + GLIDE_LOOSE**2 * variance
    sd = np.sqrt(prior * GLIDE_LOOSE**2 * variance / total)
    at = np.maximum(glide * prior / total / np.maximum(sd, 1e-9), -8)
    above = np.array([math.erfc(-x / math.sqrt(2)) / 2 for x in at])
    p = _posterior(glide, total) * GLIDE_USUAL * above
    hazard = np.exp(-(at**2) / 2) / math.sqrt(2 * math.pi) / above
    spread = np.maximum(sd**2 * (1 - at * hazard - hazard**2), 0)
    return mean, float(p @ (spread + (sd * (at + hazard) - mean) ** 2) / p.sum())


def _posterior(value: float, variance: Real) -> Real:
    """How likely a value is under Gaussian laws round 0, relative to one another."""
    log = -0.5 * (np.log(variance) + value**2 / variance)
    likely = np.exp(log - log.max())
    return np.asarray(likely / likely.sum())


def usual_glide(energy: float, others_energy: Real, others_glide: Real) -> tuple[float, float]:
    """Mean and standard deviation of a pluck's glide in cents by its string's other plucks.

    Their middle c counts: a turn in the ring of some, which looks like a glide, does not move that.
    others_energy, others_glide : shape (plucks,).
    """
    c = float(np.median(np.maximum(others_glide, 0.0) / others_energy))
    usual = min(energy * c, GLIDE_MOST_CENTS)
    return usual, math.hypot(GLIDE_BETWEEN * usual, USUAL_GLIDE_CENTS)
