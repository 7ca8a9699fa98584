"""A sustained note (a bow, a reference tone): the mean of its pitch over a stretch of time.

A bowed string is locked: its partials are exact multiples, so one common phase carries the pitch,
and the mean of the pitch is that phase's way from one end to the other. Where the bow changes
direction the phase turns over; those moments are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pegmark.signals import partials
from pegmark.signals.frames import OVERLAP_INFLATION, Real, smooth
from pegmark.signals.partials import CENTS_PER_LOG, Tracks
from pegmark.signals.pitch_track import rough_track

BOW_SETTLED_S = 0.25  # a bow's pitch counts from here after its start ...
BOW_END_S = 0.2  # ... to here before its end
FAR_CENTS = 45.0  # a pitch that roughly goes further than this is read along its way
LEAST_SNR = 2.0
WANDER_S = 0.06  # a bow's pitch wanders over such times
BOW_EDGE_S = 0.013  # the ends of the stretch are known to this: onset, and what a room holds on to
RAMPS_S = (0.0, 0.02, 0.04, 0.08, 0.16)  # the ends' phases may be averaged over these
COHERENT_S = 0.03  # a bow's phase is averaged over this
SLIPS_BELOW = 8.0  # signal over noise (power) under which a partial's phase slips turns
LEAST_SPREAD_CENTS = 0.5
BREAK = 8.0  # a frame whose pitch lies so many standard deviations off is a break
BESIDE_S = 0.1  # how far on either side of a break
SAG_CENTS = 2.0  # what a pitch may do in a break, where it is not read
QUIET = 0.15  # a frame with so little of the median's power is one too: the phase turns over there
BOW_FLOOR_CENTS = 0.012  # these and SAG_CENTS: found on 700 bows of the laboratory
PLUCK_FALL_DB_PER_S = 12.0  # a bow's level does not fall faster, a pluck's seldom slower
ODD_OF = 5  # of so many partials or more one may be odd ...
ODD = 6.0  # ... by so many of their standard deviations
APART = 2.0  # a room moves neighbouring partials alike: their disagreement tells half of it
LOCKED_CENTS = 0.4  # partials of a bow agree better in their means


@dataclass
class MeanPitch:
    """A sustained pitch: f0_hz, its standard error, the standard deviation of the pitch inside
    (wander), what that makes of the standard error (wander_se_cents), its way from the first
    quarter to the last, and the track (times_s, hz, weight).
    plucked: the partials stand as a stiff string's and die away: no bow does that."""

    f0_hz: float
    se_cents: float
    wander_cents: float
    wander_se_cents: float
    way_cents: float
    times_s: Real
    hz: Real
    weight: Real
    number: Real
    plucked: bool


def bow_window(length_s: float) -> tuple[float, float]:
    """Seconds after a bow's start between which its pitch is taken; of a short one the middle."""
    if length_s < BOW_SETTLED_S + BOW_END_S + 0.1:
        return length_s / 3, length_s * 2 / 3
    return BOW_SETTLED_S, length_s - BOW_END_S


def read_bow(audio: Real, rate_hz: float, f0_hz: float) -> MeanPitch | str:
    """The mean pitch of a stretch of audio, or why there is none.

    f0_hz : within 60 cents; of a pitch that moves further, within 60 cents of any part of it.
    """
    times, cents = rough_track(audio, rate_hz, f0_hz)
    if len(times) and np.ptp(cents) > FAR_CENTS:
        rough = smooth(cents, 3)
        way = np.interp(np.arange(len(audio)) / rate_hz, times, rough)
        tracks = partials.take_apart(audio, rate_hz, f0_hz, 0.0, way)
    else:
        look = partials.first_look(audio, rate_hz, f0_hz, 0.0, stiff=False)
        if look is None:
            return "too short or silent"
        tracks = partials.take_apart(audio, rate_hz, look[0], 0.0)
    if tracks is None:
        return "too short"
    return mean_pitch(tracks)


def mean_pitch(tracks: Tracks) -> MeanPitch | str:
    """The mean pitch of a locked series of partials, or why there is none."""
    good = tracks.snr.mean(axis=0) > LEAST_SNR
    if not good.any():
        return "too faint"
    tracks, centre = _averaged(tracks.only(good))
    z, number, f1 = tracks.amplitudes, tracks.number, tracks.f1_hz
    if len(z) < 4:
        return "too short"
    snr = np.minimum(tracks.snr, 1e4)
    # Weights that do not move in time: then the steps' sum is the phase's way end to end. A faint
    # partial now and then slips a whole turn, which no averaging mends: it hardly counts.
    middle_snr = np.median(snr, axis=0) + 1e-9
    holds = 1 / (1 + (SLIPS_BELOW / middle_snr) ** 3)
    constant = middle_snr * holds
    per_step = 2 * np.pi * tracks.hop_s
    turned = np.angle(z[1:] * z[:-1].conj())
    constant = constant * _agreeing(
        turned.mean(axis=0) / number / per_step / f1 * CENTS_PER_LOG, constant
    )
    share = constant * number / (constant * number**2).sum()
    common = centre + turned @ share / per_step
    cents = common / f1 * CENTS_PER_LOG + (tracks.cents[1:] + tracks.cents[:-1]) / 2
    steps = np.diff(tracks.times_s)
    advance = common * tracks.hop_s + np.diff(tracks.cycles)  # cycles beyond f1
    level = (np.sqrt(snr[1:] * snr[:-1]) * number**2).sum(axis=1)
    middle = np.median(cents)
    spread = 1.4826 * np.median(np.abs(cents - middle)) + LEAST_SPREAD_CENTS
    valid = (np.abs(cents - middle) < BREAK * spread) & (level > QUIET * np.median(level))
    if valid.sum() < 3:
        return "too faint"
    slow = smooth(cents, max(1, round(WANDER_S / tracks.hop_s)))[valid]
    quarter = max(1, len(slow) // 4)
    way = float(slow[-quarter:].mean() - slow[:quarter].mean())
    line = np.polyfit(np.arange(len(slow)), slow, 1) if len(slow) > 3 else np.zeros(2)
    wander = float(np.std(slow - np.polyval(line, np.arange(len(slow)))))
    # Noise of the common phase, in cycles of the first partial.
    noise = np.sqrt((share**2 / (2 * np.maximum(snr, 0.5))).sum(axis=1).mean()) / (2 * np.pi)
    filled = _filled(advance, valid, tracks.hop_s)
    f0, se, loose = _mean_step(filled, steps, noise, f1, wander, tracks.hop_s)
    breaks = 1 - float(steps[valid].sum() / steps.sum())
    # A room moves every partial by itself: how far their means disagree says how far all may.
    means = turned[valid].mean(axis=0) / number / per_step / f1 * CENTS_PER_LOG
    part = share * number
    apart = float((part**2 * (means - part @ means) ** 2).sum() * _few(part))
    # What noise alone makes them disagree is in se already.
    turn = CENTS_PER_LOG / (
        2 * np.pi * f1 * float(steps.sum())
    )  # cents of f1 per radian from end to end
    apart = max(0.0, apart - float(((part * turn / number) ** 2 * holds / middle_snr).sum()))
    # Every break tears the phase: two more ends.
    gaps = int((np.diff(valid.astype(int)) < 0).sum())
    torn = np.sqrt(2 * gaps) * noise * 2 * np.pi * turn
    se = float(np.sqrt(se**2 + torn**2 + APART * apart + (SAG_CENTS * breaks) ** 2))
    times = (tracks.times_s[1:] + tracks.times_s[:-1]) / 2
    hz = f1 * 2 ** (cents / 1200)
    fall = _fall_db_per_s(snr * tracks.noise, tracks.times_s)
    plucked = fall > PLUCK_FALL_DB_PER_S and _loose(means, np.median(snr, axis=0))
    return MeanPitch(f0, se, wander, loose, way, times, hz, level + 1e-9, number, plucked)


def _filled(advance: Real, valid: Real, hop_s: float) -> Real:
    """The steps' advance, in a break as it is on both sides of it: a bow's pitch sags there, and
    has begun to beside it."""
    if valid.all():
        return advance
    beside = smooth(advance[valid], max(1, round(BESIDE_S / hop_s)))
    at = np.flatnonzero(valid)
    return np.where(valid, advance, np.interp(np.arange(len(advance)), at, beside))


def _fall_db_per_s(power: Real, times_s: Real) -> float:
    """How fast the sum of all partials dies, from the first third to the last."""
    total = power.sum(axis=1) + 1e-20
    third = max(1, len(total) // 3)
    way_s = times_s[-third:].mean() - times_s[:third].mean()
    return float(10 * np.log10(total[:third].mean() / total[-third:].mean()) / max(way_s, 0.05))


def _loose(cents: Real, weight: Real) -> bool:
    """Whether the clear partials' means disagree: a bow locks them, a stiff string and a body do
    not."""
    used = weight > 2 * SLIPS_BELOW
    if used.sum() < 3:
        return False
    middle = np.median(cents[used])
    return bool(np.median(np.abs(cents[used] - middle)) > LOCKED_CENTS)


def _agreeing(cents: Real, weight: Real) -> Real:
    """1 for partials whose means agree, 0 for the few that another sound holds: a bow locks them.
    Where many disagree all are kept, and their disagreement is the pitch's."""
    used = weight > SLIPS_BELOW
    if used.sum() < ODD_OF:
        return np.ones(len(cents))
    middle = np.median(cents[used])
    apart = np.abs(cents - middle)
    odd = apart > ODD * (1.4826 * np.median(apart[used]) + LOCKED_CENTS)
    if (odd & used).sum() > used.sum() / 4:
        return np.ones(len(cents))
    return np.where(odd, 0.0, 1.0)


def _few(part: Real) -> float:
    """What corrects a scatter about a weighted mean for the freedom the mean took."""
    return 1 / max(0.3, 1 - float((part**2).sum()))


def _averaged(tracks: Tracks) -> tuple[Tracks, float]:
    """(longer frames, turned so that the common pitch stands still; that pitch in cycles/s of the
    first partial against f1_hz). Averaging COHERENT_S keeps a wandering bow's phase and lifts
    faint partials out of the noise."""
    z, number = tracks.amplitudes, tracks.number
    per_step = 2 * np.pi * tracks.hop_s
    own = np.angle((z[1:] * z[:-1].conj()).sum(axis=0)) / per_step / number
    centre = partials.weighted_median(own, np.median(tracks.snr, axis=0) * number**2 + 1e-9)
    turns = centre * number * (np.arange(len(z)) * tracks.hop_s)[:, None]
    still = z * np.exp(-2j * np.pi * (turns - np.rint(turns)))
    width = min(round(COHERENT_S / tracks.hop_s), len(z) // 8)
    if width < 2:
        return replace(tracks, amplitudes=still), centre
    step = max(1, width // 2)
    total = np.concatenate([np.zeros((1, len(number))), np.cumsum(still, axis=0)])
    mean = (total[width:] - total[:-width])[::step] / width
    lead = (width - 1) / 2
    at = lead + step * np.arange(len(mean))
    frames = np.arange(len(z))
    longer = replace(
        tracks,
        amplitudes=mean,
        times_s=np.interp(at, frames, tracks.times_s),
        noise=tracks.noise[: len(z) - width + 1][::step] * min(1.0, OVERLAP_INFLATION / width),
        cents=np.interp(at, frames, tracks.cents),
        cycles=np.interp(at, frames, tracks.cycles),
        hop_s=step * tracks.hop_s,
    )
    return longer, centre


def _mean_step(
    advance: Real, steps: Real, noise: float, f1: float, wander: float, hop_s: float
) -> tuple[float, float, float]:
    """(f0, standard error in cents, the wander's part of it): the mean step, its ends averaged as
    long as noise asks.

    Averaging the phase over a ramp at each end tames noise and lets the wander in; the ramp with
    the smallest sum of both is taken.
    """
    long = float(steps.sum())
    wander *= np.sqrt(1 + WANDER_S / long)  # a short stretch shows but a part of it
    best: tuple[float, float, int] | None = None
    for ramp_s in RAMPS_S:
        ramp = round(min(ramp_s, long / 3) / hop_s)
        independent = max(1.0, ramp / OVERLAP_INFLATION)
        from_noise = np.sqrt(2 / independent) * noise / long / f1 * CENTS_PER_LOG
        half_s = ramp * hop_s / 2
        loose = (
            wander * np.sqrt(2 * (BOW_EDGE_S**2 + half_s**2 / (1 + 2 * half_s / WANDER_S))) / long
        )
        se = float(np.hypot(from_noise, loose))
        if best is None or se < best[0]:
            best = (se, loose, ramp)
    assert best is not None
    se, loose, ramp = best
    kernel = np.minimum(np.arange(1, len(advance) + 1), np.arange(len(advance), 0, -1))
    kernel = np.minimum(kernel / (ramp + 1), 1.0)
    f0 = f1 + float((kernel * advance).sum() / (kernel * steps).sum())
    return f0, float(np.hypot(se, BOW_FLOOR_CENTS)), float(loose)
