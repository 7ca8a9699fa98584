"""The fine pitch of one note, and how sure it is.

Task: from a note's place, kind and coarse pitch to its f0 within fractions of a cent, with a
standard error that is honest about noise, the body's pull on partials, and a pitch that moves.

Definitions (design, section 3)
-------------------------------
* Plucked: the first partial of the stiff-string series in the small-amplitude limit.
* Bowed: the mean from 250 ms after the start to 200 ms before the end.
* Gliding (the peg turns while it sounds): the mean from 250 ms on; the uncertainty covers the way.

Method: complex amplitudes of all partials in frames of four periods (neighbours fall on the
window's zeros, so what is found between the partials is noise), read along the note's own pitch
track; weighted regression of each partial's phase; a mixed model through the partials. See
pegmark.measure.plucks, pegmark.measure.bows, pegmark.measure.two_strings; pegmark.signals.partials
holds what they share. Plucks too short for frames: pegmark.measure.short_plucks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from pegmark.measure import bows, plucks, short_plucks, struck_tones, two_strings
from pegmark.measure.bow_rests import bow_rests
from pegmark.measure.pluck_rests import (
    Bins,
    Glide,
    PluckRest,
    pluck_rests,
    rest_half_width,
    sharpened,
)
from pegmark.signals import partials, stiff_string
from pegmark.signals.frames import Real
from pegmark.signals.partials import CENTS_PER_LOG
from pegmark.statistics.student_t import student_95

FEW_PERIODS = 17.0  # fewer are too few for frames of four: less than a dozen frames
LONGEST_PLUCK_S = 3.0  # a pluck tells nothing new afterwards
GLIDING_BOW_CENTS = 8.0  # a bow whose pitch goes this far, and twice its wander, glides
# Nor is it held still when it wanders further: none of 1,905 held bows of takes did (their players
# made or sampled), and six of 20 in which a turn of the peg was not told.
MOST_WANDER_CENTS = 6.0
STRAYS_CENTS = 1.6  # a pluck's first bins stray by this, of low strings by more
TRACK_POINTS = 12  # contract: at most
TRACK_SE_CENTS = 3.0  # a track's point less sure than this is left out
LEAST_BOW_S = 0.6  # a note that is no pluck is tried as a bow if it lasts so long
SUSTAINED_S, SUSTAINED = 1.0, 0.5  # a pluck loses more than half its power in this time
LOWEST_HZ = 20.0
STRETCHED_CENTS = 0.8  # all partials further than this from the fundamental are a piano's
MOST_SE_CENTS = 25.0  # a pitch less sure than a quarter tone each way is none
# Partials that stand further off their series are no string's: of 18,750 plucks of the laboratory
# one was, and what is read from such among other sounds is 20 cents wrong or more.
MOST_SPREAD_CENTS = 32.0
BEFORE_S = 0.25  # what sounded before a note is looked for in this stretch ...
ONSET_DOUBT_S = 0.015  # ... that ends where the note may already begin


class HeldPitch(NamedTuple):
    """A pitch held for a while; half_cents, its half-width, is None where it only passed by."""

    start_s: float
    end_s: float
    hz: float
    half_cents: float | None


@dataclass
class NoteFit:
    """What a note's measurement gave.

    f0_hz and se_cents (1 sigma, everything the note itself knows) are None when not ok; reason
    then says why. freedom: degrees of freedom behind se_cents. b, b_se: inharmonicity (plucks).
    drift_cents: the attack (50-150 ms) against f0. track: (time in the take in s, Hz), where the
    pitch is sure, so it may be empty.
    rests: where its pitch rested between turns; empty: it was not turned; None: not known.
    partials: the numbers used. scatter_cents: within a bow the standard deviation of the pitch,
    else the partials' spread about their series. way_cents: how far the pitch moves in all.
    wander_se_cents: of se_cents, what the wandering of a bow's pitch makes.
    reading: what a pluck can be solved anew from. Two strings: f0_2_hz, se_2_cents.
    """

    kind: str
    ok: bool = False
    reason: str = ""
    f0_hz: float | None = None
    se_cents: float | None = None
    freedom: float = 8.0
    b: float | None = None
    b_se: float | None = None
    drift_cents: float | None = None
    track: list[tuple[float, float]] = field(default_factory=list)
    rests: list[HeldPitch] | None = None
    partials: list[int] = field(default_factory=list)
    scatter_cents: float | None = None
    gliding: bool = False
    way_cents: float = 0.0
    wander_se_cents: float = 0.0
    reading: plucks.PluckReading | None = None
    f0_2_hz: float | None = None
    se_2_cents: float | None = None

    @property
    def half_width_cents(self) -> float | None:
        """Half-width of the 95 % interval of f0, in cents."""
        return None if self.se_cents is None else self.se_cents * student_95(self.freedom)

    def scaled(self, factor: float) -> NoteFit:
        """The same note, every pitch `factor` times as high."""
        return replace(
            self,
            f0_hz=None if self.f0_hz is None else self.f0_hz * factor,
            f0_2_hz=None if self.f0_2_hz is None else self.f0_2_hz * factor,
            track=[(t, hz * factor) for t, hz in self.track],
            rests=self.rests and [rest._replace(hz=rest.hz * factor) for rest in self.rests],
        )


def fit_note(
    audio: Real,
    rate_hz: float,
    note: Mapping[str, Any],
    other_hz: Iterable[float] = (),
    *,
    removed: Real | None = None,
    hum_hz: float | None = None,
    b_prior: tuple[float, float] = stiff_string.B_PRIOR,
    body: stiff_string.Body = stiff_string.UNKNOWN_BODY,
) -> NoteFit:
    """Measure one note.

    Parameters
    ----------
    audio : the whole take, shape (samples,).
    note : start_s, end_s, kind, f0_hz (coarse, within 60 cents; two_strings also f0_2_hz).
    other_hz : last known pitches of other strings that may still ring.
    removed : what was taken out of the take before (tones), as long as it.
    hum_hz : fundamental of the mains hum, if there is any.
    b_prior : mean and standard deviation of the string's inharmonicity B.
    body : the instrument's body.
    """
    fit = _fit(audio, rate_hz, note, other_hz, removed, hum_hz, b_prior, body)
    if fit.se_cents is not None and fit.se_cents > MOST_SE_CENTS and not fit.gliding:
        return NoteFit(fit.kind, reason="too unsure")
    if fit.reading and (fit.scatter_cents or 0) > MOST_SPREAD_CENTS and not fit.gliding:
        return NoteFit(fit.kind, reason="its partials form no series")
    return fit


def _fit(
    audio: Real,
    rate_hz: float,
    note: Mapping[str, Any],
    other_hz: Iterable[float],
    removed: Real | None,
    hum_hz: float | None,
    b_prior: tuple[float, float],
    body: stiff_string.Body,
) -> NoteFit:
    kind = str(note["kind"])
    f0 = note.get("f0_hz")
    if not f0 or not LOWEST_HZ < f0 < 0.4 * rate_hz:
        return NoteFit(kind, reason="no pitch")
    start = float(note["start_s"])
    end = min(float(note["end_s"]), len(audio) / rate_hz)
    if kind == "two_strings":
        return _two_strings(audio, rate_hz, start, end, float(f0), note.get("f0_2_hz"))
    if kind == "reference_tone":
        return _sounded(audio, rate_hz, start, end, float(f0))
    beside = [*other_hz, hum_hz] if hum_hz else list(other_hz)
    pluck = partial(
        _pluck, audio, rate_hz, start, end, float(f0), kind, beside, removed, b_prior, body
    )
    # Whoever found the note may have taken a pluck for a bow, or the other way: what was read says
    # so, and the other reading is taken where it holds.
    if kind == "bowed":
        fit, plucked = _bow(audio, rate_hz, start, end, float(f0), kind)
        other = pluck() if plucked else fit
        return other if other.ok else fit
    fit = pluck()
    if end - start < LEAST_BOW_S or (fit.ok and not _sustained(fit)):
        return fit
    other, plucked = _bow(audio, rate_hz, start, end, float(f0), kind)
    return other if other.ok and not plucked else fit


def _sustained(fit: NoteFit) -> bool:
    """Whether what was read as a pluck sounds on as no pluck does."""
    if fit.reading is None or fit.reading.times_s[-1] < SUSTAINED_S:
        return False
    third = len(fit.reading.heard) // 3
    return bool(fit.reading.heard[-third:].mean() > SUSTAINED * fit.reading.heard[:third].mean())


def _cut(audio: Real, rate_hz: float, start: float, end: float) -> Real:
    return audio[max(0, round(start * rate_hz)) : max(0, round(end * rate_hz))]


def _pluck(
    audio: Real,
    rate_hz: float,
    start: float,
    end: float,
    f0: float,
    kind: str,
    beside: list[float],
    removed: Real | None,
    b_prior: tuple[float, float],
    body: stiff_string.Body,
) -> NoteFit:
    end = min(end, start + LONGEST_PLUCK_S)
    cut = _cut(audio, rate_hz, start, end)
    before = _cut(audio, rate_hz, max(0.0, start - BEFORE_S), start - ONSET_DOUBT_S)
    gone = None if removed is None else _cut(removed, rate_hz, start, end)
    few = (end - start) * f0 < FEW_PERIODS
    reading = (short_plucks.read_short if few else plucks.read_pluck)(
        cut, rate_hz, f0, b_prior[0], before=before, other_hz=beside, removed=gone
    )
    if isinstance(reading, str):
        return NoteFit(kind, reason=reading)
    fit = solve_pluck(reading, kind, b_prior, None, body)
    return moved(fit, start)


def moved(fit: NoteFit, start_s: float) -> NoteFit:
    """`fit` with its times counted from the take's start, for a note that begins at `start_s`."""
    rests = fit.rests and [
        rest._replace(start_s=start_s + rest.start_s, end_s=start_s + rest.end_s)
        for rest in fit.rests
    ]
    return replace(fit, track=[(start_s + t, hz) for t, hz in fit.track], rests=rests)


def solve_pluck(
    reading: plucks.PluckReading,
    kind: str,
    b_prior: tuple[float, float] = stiff_string.B_PRIOR,
    glide_prior: tuple[float, float] | None = None,
    body: stiff_string.Body = stiff_string.UNKNOWN_BODY,
    usual_glide: tuple[float, float] | None = None,
) -> NoteFit:
    """A pluck's measurement from what was read of it; the track's times count from its start.

    b_prior, glide_prior : as for plucks.PluckReading.solve. usual_glide : mean and standard
        deviation of the glide by the string's other plucks, beside which a turn is told.
    """
    pitch = reading.solve(b_prior, glide_prior, body)
    series = pitch.series
    f0 = reading.f1_hz * 2 ** (series.cents / 1200)
    fit = NoteFit(kind, True, "", f0, pitch.se_cents)
    fit.freedom = plucks.FREEDOM
    fit.b, fit.b_se = max(0.0, series.b), series.b_se
    fit.partials = [int(n) for n in reading.number]
    fit.scatter_cents = series.spread_cents
    # The track's mix of partials may stand a little off the series: joined where it is settled.
    way, course = pitch.way, reading.course
    fit.gliding, fit.way_cents = way.gliding, way.span
    known = course.se_cents < TRACK_SE_CENTS
    late = known & (course.at_s >= reading.settled_s)
    off = course.cents - pitch.sharp
    trust = np.where(late if late.any() else known, course.se_cents, np.inf) ** -2.0
    still = float(np.average(off, weights=trust)) if trust.any() else series.cents
    shape = reading.posterior @ course.energy ** reading.powers[:, None]
    rests, glide = pluck_rests(bins_of(reading, pitch.glide, usual_glide))
    if way.gliding or rests:
        moving = reading.moving(b_prior, body)
        sharp = glide * shape
        still = way.mean if way.gliding else float(np.average((course.cents - sharp)[known]))
        f0 = fit.f0_hz = reading.f1_hz * 2 ** ((still + moving.cents) / 1200)
        fit.se_cents = float(np.hypot(pitch.se_cents, max(way.span, _far(rests)) / 4))
        fit.gliding = True
        line = reading.track - np.interp(reading.times_s, course.at_s, sharp)
        rests = sharpened(rests, reading.times_s, line)
        fit.rests = [_held(rest, f0, still, moving.se_cents) for rest in rests] or None
    else:
        fit.rests = []
    fit.drift_cents = reading.drift_cents(still)
    hz = f0 * 2 ** ((course.cents - still) / 1200)
    points = zip(course.at_s[known], hz[known], strict=True)
    fit.track = [(float(t), float(f)) for t, f in points]
    fit.reading = reading
    return fit


def bins_of(
    reading: plucks.PluckReading, glide_cents: float, usual: tuple[float, float] | None
) -> Bins:
    """The bins of a pluck that are known, with its own glide and what others say of it."""
    course = reading.course
    known = course.se_cents < TRACK_SE_CENTS
    shape = reading.posterior @ course.energy ** reading.powers[:, None]
    strays = STRAYS_CENTS * max(1.0, plucks.LOW_HZ / reading.f1_hz)
    return Bins(
        course.at_s[known],
        course.cents[known],
        course.se_cents[known],
        Glide(shape[known], glide_cents, usual),
        strays,
    )


def _far(rests: list[PluckRest]) -> float:
    """From the lowest to the highest of a pluck's rests, in cents."""
    return float(np.ptp([rest.cents for rest in rests])) if rests else 0.0


def own_half(rest: PluckRest, series_se: float) -> float:
    """Half-width of a pluck's rest in cents by its bins and its series alone."""
    se = np.hypot(plucks.SERIES_DOUBT * series_se, np.hypot(rest.sd_cents, plucks.FLOOR_CENTS))
    return student_95(plucks.FREEDOM) * float(se)


def _held(rest: PluckRest, f0: float, still: float, series_se: float) -> HeldPitch:
    """A pluck's rest in Hz; at `still` cents of its bins stands f0, known to series_se cents."""
    half = rest_half_width(own_half(rest, series_se), rest.end_s - rest.start_s)
    hz = f0 * 2 ** ((rest.cents - still) / 1200)
    return HeldPitch(rest.start_s, rest.end_s, hz, half if rest.steady else None)


def bow_mean(
    audio: Real, rate_hz: float, start: float, end: float, f0: float
) -> tuple[float, bows.MeanPitch | str]:
    """When in the take a bow is read from, and its mean pitch, or why it has none."""
    begin, stop = _padded(
        bows.bow_window(end - start), start, partials.TRACKS_PERIODS / f0 + bows.COHERENT_S
    )
    return begin, bows.read_bow(_cut(audio, rate_hz, begin, stop), rate_hz, f0)


def _bow(
    audio: Real, rate_hz: float, start: float, end: float, f0: float, kind: str
) -> tuple[NoteFit, bool]:
    """The fit as a bow, and whether the note is a pluck after all."""
    begin, mean = bow_mean(audio, rate_hz, start, end, f0)
    if isinstance(mean, str):
        return NoteFit(kind, reason=mean), False
    return _from_mean(mean, kind, begin), mean.plucked


def _sounded(audio: Real, rate_hz: float, start: float, end: float, f0: float) -> NoteFit:
    """A sounded A: read as a bow is, or by its fundamental where its partials are stretched."""
    fit, _ = _bow(audio, rate_hz, start, end, f0, "reference_tone")
    cut = _cut(audio, rate_hz, start, end)
    first = struck_tones.read_fundamental(cut, rate_hz, fit.f0_hz or f0)
    if first is None or (
        fit.f0_hz and abs(CENTS_PER_LOG * np.log(first.hz / fit.f0_hz)) < STRETCHED_CENTS
    ):
        return fit
    return NoteFit(
        "reference_tone", True, "", first.hz, first.se_cents, partials=[1],
        track=[(start, first.hz)],
    )  # fmt: skip


def _two_strings(
    audio: Real, rate_hz: float, start: float, end: float, f0: float, f0_2: float | None
) -> NoteFit:
    if not f0_2 or f0_2 <= f0:
        return NoteFit("two_strings", reason="no second pitch")
    begin, stop = _padded(bows.bow_window(end - start), start, 8 / f0 + bows.COHERENT_S)
    pair = two_strings.read_two(_cut(audio, rate_hz, begin, stop), rate_hz, f0, f0_2)
    if isinstance(pair, str):
        return NoteFit("two_strings", reason=pair)
    fit = _from_mean(pair[0], "two_strings", begin)
    upper = _from_mean(pair[1], "two_strings", begin)
    fit.f0_2_hz, fit.se_2_cents = upper.f0_hz, upper.se_cents
    fit.gliding |= upper.gliding
    return fit


def _padded(window: tuple[float, float], start: float, frame_s: float) -> tuple[float, float]:
    """Begin and stop in the take so that the first and last frames' middles lie on the window."""
    return max(0.0, start + window[0] - frame_s / 2), start + window[1] + frame_s / 2


def _from_mean(mean: bows.MeanPitch, kind: str, begin: float) -> NoteFit:
    fit = NoteFit(kind, True, "", mean.f0_hz, mean.se_cents, freedom=20.0)
    fit.partials = [int(n) for n in mean.number]
    fit.scatter_cents = mean.wander_cents
    fit.wander_se_cents = mean.wander_se_cents
    fit.way_cents = mean.way_cents
    fit.gliding = mean.wander_cents > MOST_WANDER_CENTS or abs(mean.way_cents) > max(
        GLIDING_BOW_CENTS, 2 * mean.wander_cents
    )
    fit.rests = _rests(mean, begin)
    if fit.rests:
        heights = CENTS_PER_LOG * np.log([rest.hz / mean.f0_hz for rest in fit.rests])
        fit.gliding, fit.way_cents = True, float(heights[-1] - heights[0])
        fit.wander_se_cents = float(np.ptp(heights) / 2)
        fit.se_cents = float(np.hypot(mean.se_cents, fit.wander_se_cents))
    elif fit.gliding:
        fit.wander_se_cents = max(abs(mean.way_cents) / 2, mean.wander_cents)
        fit.se_cents = float(np.hypot(mean.se_cents, fit.wander_se_cents))
    fit.track = [(begin + t, hz) for t, hz in _thin(mean.times_s, mean.hz, mean.weight)]
    return fit


def _rests(mean: bows.MeanPitch, begin: float) -> list[HeldPitch]:
    """The pitches between which a bow was turned; none if it was not."""
    return [
        HeldPitch(
            begin + rest.start_s,
            begin + rest.end_s,
            mean.f0_hz * 2 ** (rest.cents / 1200),
            rest.half_cents,
        )
        for rest in bow_rests(mean)
    ]


def _thin(time: Real, hz: Real, weight: Real) -> list[tuple[float, float]]:
    """A track of at most TRACK_POINTS means."""
    edges = np.linspace(0, len(time), min(TRACK_POINTS, len(time)) + 1).astype(int)[:-1]
    total = np.add.reduceat(weight, edges)
    mean_hz = np.add.reduceat(weight * hz, edges) / total
    mean_time = np.add.reduceat(time, edges) / np.diff(np.append(edges, len(time)))
    return [(float(t), float(f)) for t, f in zip(mean_time, mean_hz, strict=True)]


__all__ = ["CENTS_PER_LOG", "NoteFit", "fit_note", "solve_pluck"]
