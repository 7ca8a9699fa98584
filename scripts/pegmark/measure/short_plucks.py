"""A short pluck: its partials fitted to the waveform itself.

A frame of four periods (pegmark.signals.partials) lasts a tenth of a second on a bass's E, and a
course of phases wants many. A note of few periods is one least-squares fit of everything that was
heard,

    x(t) = sum over n of Re[(a_n + c_n t) exp(2 pi i f_n t)] + noise,

t from the middle: c_n / a_n is to first order minus the decay, and 2 pi i times how far partial n
lies from f_n. The fit is repeated from the series it found, with more partials each time, as a
first pitch 60 cents off may mislead the high ones. Its covariance is that of linear least squares,
in the noise that is left around each partial (Kay, Fundamentals of Statistical Signal Processing:
Estimation Theory, 1993, chapter 4: from memory). Of its glide so short a note tells nothing that
could be trusted: its interval allows for what plucks usually do (pegmark.measure.plucks).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pegmark.measure import other_sounds, plucks
from pegmark.measure.pitch_course import Course
from pegmark.signals import partials, stiff_string
from pegmark.signals.frames import Complex, Real
from pegmark.signals.partials import CENTS_PER_LOG

COUNTS = (4, 6, 9, 13, 19, 28, 40)  # partials of each round, as many as the last can place
# The click of the finger is over after this part of the note (9 ms of 0.15 s): waiting longer, as
# for longer notes, would cost more than the click does, for the error goes with time^-1.5.
CLICK_PART = 1 / 16
LEAST_PERIODS = 2.5  # a partial takes four numbers, and a period tells two
DECAY = 4.0  # 1/s: low strings' partials at first
MOST_DECAY = 30.0  # 1/s
NEAR = 3.0  # noise is that of so many first partials' distances on both sides
RIDGE = 1e-6  # of a column's own power: partials that a short stretch cannot tell apart
MOST_STEP_CENTS = 80.0  # of one round
REACH_CENTS = 90.0  # the pitch is given within 60; what runs away further was none
UNKNOWN_GLIDE = 1e6  # cents squared
MOMENTS = 33  # at which the note's course is looked at


def read_short(
    audio: Real,
    rate_hz: float,
    f0_hz: float,
    b: float,
    *,
    before: Real | None = None,
    other_hz: Iterable[float] = (),
    removed: Real | None = None,
) -> plucks.PluckReading | str:
    """Read a pluck of few periods, or say why not; parameters as for plucks.read_pluck."""
    skip = min(plucks.ATTACK_S, CLICK_PART * len(audio) / rate_hz)
    first, last = round(skip * rate_hz), len(audio) - round(plucks.END_GUARD_S * rate_hz)
    cut = audio[first:last].astype(float)
    if len(cut) < LEAST_PERIODS * rate_hz / f0_hz or not cut.any():
        return "too short"
    waves = _settle(cut, rate_hz, f0_hz, b)
    if isinstance(waves, str):
        return waves
    gone = None if removed is None else removed[first:last]
    loud = np.abs(waves.amplitude)
    ghosts = other_sounds.ghosts_of(waves.hz, loud, rate_hz, before, other_hz, gone)
    lasts_s = len(cut) / rate_hz
    beat = other_sounds.beat_cents(ghosts, other_sounds.ROOM, lasts_s, waves.hz)
    return _reading(waves, beat, skip + lasts_s * np.linspace(0, 1, MOMENTS))


def _settle(audio: Real, rate_hz: float, f0_hz: float, b: float) -> _Waves | str:
    """The fit at the series that it finds itself."""
    f1, decay = f0_hz, np.array([DECAY])
    for count in COUNTS:
        number = np.arange(1, 1 + max(1, min(count, int(partials.TOP_HZ / f1))))
        decay = np.append(decay, np.full(len(number), np.median(decay)))[: len(number)]
        waves = _fit(audio, rate_hz, f1, b, number, decay)
        known = waves.se_cents < plucks.LEAST_PARTIAL_SE
        if not known.any():
            return "too faint"
        pulls = stiff_string.UNKNOWN_BODY.pull(waves.hz[known])
        found = stiff_string.fit_series(
            number[known], waves.cents[known], waves.se_cents[known], pulls, b
        )
        f1 *= 2 ** (np.clip(found.cents, -MOST_STEP_CENTS, MOST_STEP_CENTS) / 1200)
        b, decay = float(np.clip(found.b, 0, stiff_string.B_MOST)), waves.decay
    return waves if abs(np.log2(f1 / f0_hz)) < REACH_CENTS / 1200 else "no steady pitch"


@dataclass
class _Waves:
    """Partials fitted: where each stands against the series of (f1_hz, b) in cents, with standard
    error, its decay in 1/s and its complex amplitude in the middle; shape (partials,)."""

    f1_hz: float
    b: float
    number: Real
    hz: Real
    cents: Real
    se_cents: Real
    decay: Real
    amplitude: Complex


def _fit(audio: Real, rate_hz: float, f1_hz: float, b: float, number: Real, decay: Real) -> _Waves:
    """Least squares of the waves of a series that die with `decay`, and of their first change."""
    hz = f1_hz * number * stiff_string.stretch(number, b)
    count, size = len(hz), len(audio)
    time = ((np.arange(size) - (size - 1) / 2) / rate_hz)[:, None]
    turns, dying = 2 * np.pi * time * hz, np.exp(-time * decay)
    waves = np.concatenate([dying * np.cos(turns), dying * -np.sin(turns)], axis=1)
    rows = np.concatenate([waves, time * waves], axis=1)
    scale = np.sqrt((rows**2).sum(axis=0))
    rows /= scale
    inverse = np.linalg.inv(rows.T @ rows + RIDGE * np.eye(4 * count))
    found = inverse @ (rows.T @ audio)
    noise = _noise(audio - rows @ found, rate_hz, hz)
    a, c = (part[:count] + 1j * part[count:] for part in np.split(found / scale, 2))
    a = np.where(np.abs(a) > 1e-12, a, 1e-12)
    change = c / a
    # How the turning (the imaginary part) hangs on the four numbers of its partial.
    by = np.stack([-change / a, -1j * change / a, 1 / a, 1j / a], axis=1).imag
    place = np.arange(count)[:, None] + count * np.arange(4)
    by = by / scale[place]
    variance = noise * np.einsum(
        "ni,nij,nj->n", by, inverse[place[:, :, None], place[:, None, :]], by
    )
    to_cents = CENTS_PER_LOG / (2 * np.pi * hz)
    return _Waves(
        f1_hz=f1_hz,
        b=b,
        number=number,
        hz=hz,
        cents=change.imag * to_cents,
        se_cents=np.sqrt(np.maximum(variance, 0)) * to_cents,
        decay=np.clip(decay - change.real, 0, MOST_DECAY),
        amplitude=a,
    )


def _noise(rest: Real, rate_hz: float, hz: Real) -> Real:
    """The variance of a sample of white noise as loud as what is left around each partial."""
    power = 2 * np.abs(np.fft.rfft(rest)) ** 2 / len(rest)
    at = np.fft.rfftfreq(len(rest), 1 / rate_hz)
    band = np.abs(at - hz[:, None]) < NEAR * hz[0]
    taken = 4 * (np.abs(hz - hz[:, None]) < NEAR * hz[0]).sum(axis=1)
    return np.asarray((band * power).sum(axis=1) / np.maximum(2 * band.sum(axis=1) - taken, 2))


def _reading(waves: _Waves, beat: Real, times_s: Real) -> plucks.PluckReading:
    """What was read, as that of a longer note; times_s, shape (moments,): from the note's start."""
    since = times_s - times_s.mean()
    power = ((np.abs(waves.amplitude) * np.exp(-np.outer(since, waves.decay))) ** 2).sum(axis=1)
    shape = power / power[0]
    counts = 1 - (since / since[-1]) ** 2  # the slope of a phase hangs on what lies between
    known = waves.se_cents < plucks.LEAST_PARTIAL_SE
    own, own_se = waves.cents[known], np.hypot(waves.se_cents, beat)[known]
    level = partials.weighted_median(own, own_se**-2)
    return plucks.PluckReading(
        f1_hz=waves.f1_hz,
        b=waves.b,
        number=waves.number[known],
        own=own,
        own_se=own_se,
        lean=np.full((1, len(own)), np.average(shape, weights=counts)),
        glides=np.zeros(1),
        variances=np.full(1, UNKNOWN_GLIDE),
        posterior=np.ones(1),
        powers=np.ones(1),
        common_se=0.0,
        attack=float(np.average(np.exp(-times_s / plucks.PLUCK_ATTACK_DIES_S), weights=counts)),
        energy=float(power[0]),
        heard=shape,
        times_s=times_s,
        track=np.full(len(times_s), level),
        weight=counts,
        course=Course(
            at_s=times_s[[len(times_s) // 2]],
            cents=np.array([level]),
            se_cents=np.array([(own_se**-2).sum() ** -0.5]),
            own=own - level,
            energy=np.array([np.average(shape, weights=counts)]),
        ),
        beating_db=None,
    )


__all__ = ["read_short"]
