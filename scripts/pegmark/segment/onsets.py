"""Where something begins to sound, and what speaks for it being a string.

Candidates are the peaks of the spectral flux below 1.5 kHz, counted against the take's own noise
floor (the idea of log flux with a maximum filter over neighbouring bins is Boeck & Widmer,
"Maximum filter vibrato suppression for onset detection", DAFx 2013: from memory). Far more
are taken than there are notes. For each, the pitch of what is *new* is searched in the spectrum
after it less the spectrum before it, so a string plucked while others ring is found by itself.
Each of a candidate's likeliest pitches is then followed through the next second and described by
numbers (`Features`): `pegmark.segment.note_classifier` weighs them.

Conventions: one *block* of a take is read at a time; times are seconds from the block's start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pegmark.segment.following import follow, summary
from pegmark.segment.phase_at_onset import changes
from pegmark.segment.spectrogram import (
    DEEP_SIZE,
    FINE_SIZE,
    FLUX_HZ,
    LONG_BINS,
    LONG_SIZE,
    Block,
    Floats,
    Floor,
    Ints,
)
from pegmark.signals.spectra import Array, hann, local_mean, log_1_plus

FINE_LAG, FINE_DEAD, FINE_LEAST = 3, 0.3, 0.02  # frames back, rise not counted, smallest peak
DEEP_LAG, DEEP_DEAD, DEEP_LEAST = 5, 0.5, 0.006
STRONG_FLUX = 0.08  # such a peak ends the stretch in which a candidate is described
PEAK_REACH_S = 0.05  # a peak is the highest within this
MEDIAN_REACH_S = 0.25
HYPOTHESES = 3  # pitches searched in what is new; one more is the pitch of all that sounds
FOLLOW_FRAMES = 45  # a candidate is followed for this many long frames: 1.4 s
KIN_NUMBERS, KIN_CENTS = (2, 8), 30.0  # such multiples of a pitch are taken for its partials
STRIKE_DB = 40.0  # bins this far below an onset's loudest say nothing


def _flux(spectra: Array, floor: Array, size: int, rate_hz: float, lag: int, dead: float) -> Array:
    """Mean rise of log(1 + |X| / floor) against `lag` frames before, neighbours' maximum."""
    first = int(FLUX_HZ[0] * size / rate_hz)
    log = log_1_plus(spectra[:, first:] / floor[first:])
    before = log.copy()
    np.maximum(before[:, 1:], log[:, :-1], out=before[:, 1:])
    np.maximum(before[:, :-1], log[:, 1:], out=before[:, :-1])
    rise = log[lag:] - before[:-lag] - np.float32(dead)
    np.maximum(rise, 0, out=rise)
    return np.concatenate([np.zeros(min(lag, len(log)), np.float32), rise.mean(axis=1)])


def find_candidates(block: Block, floor: Floor) -> tuple[Floats, Floats]:
    """(times in s, heights) of everything that might be an onset, in order."""
    flux = _flux(block.fine, floor.fine, FINE_SIZE, block.rate_hz, FINE_LAG, FINE_DEAD)
    times, heights = _peaks(flux, FINE_LEAST, block.fine_s)
    if block.deep is not None and floor.deep is not None:
        flux = _flux(block.deep, floor.deep, DEEP_SIZE, block.rate_hz, DEEP_LAG, DEEP_DEAD)
        more, more_heights = _peaks(flux, DEEP_LEAST, block.fine_s)
        new = _nearest(more, times) > 0.06
        times = np.concatenate([times, more[new]])
        heights = np.concatenate([heights, more_heights[new]])
        order = np.argsort(times, kind="stable")
        times, heights = times[order], heights[order]
    return times, heights


def _peaks(flux: Array, least: float, step_s: float) -> tuple[Floats, Floats]:
    reach = round(PEAK_REACH_S / step_s)
    wide = round(MEDIAN_REACH_S / step_s)
    view = np.lib.stride_tricks.sliding_window_view
    highest = view(np.pad(flux, reach, constant_values=-1), 2 * reach + 1).max(axis=1)
    usual = np.median(view(np.pad(flux, wide, "edge"), 2 * wide + 1)[::5], axis=1)
    height = flux - np.repeat(usual, 5)[: len(flux)]
    at = np.flatnonzero((flux >= highest) & (height > least))
    return (at * step_s).astype(np.float64), height[at].astype(np.float64)


def _nearest(times: Floats, others: Floats) -> Floats:
    if not len(others):
        return np.full(len(times), np.inf)
    index = np.searchsorted(others, times)
    left = np.abs(times - others[np.maximum(index - 1, 0)])
    right = np.abs(times - others[np.minimum(index, len(others) - 1)])
    return np.minimum(left, right)


@dataclass
class Features:
    """What is known of each hypothesis (a candidate with a pitch); all arrays of one length.

    onset_s, flux : when, and how strong the rise is
    f0_hz, grid : the pitch, and its index in the search's grid
    rank : 0 for the candidate's likeliest pitch; share : its score as a part of that one's
    new, after : salience of the pitch in what is new, and in all that sounds then
    stay : mean salience while it is followed; run_s : how long it is there
    slope : cents per second; wander : what is left of the pitch's track, cents
    rise_db : comb level against before; level_db : comb level; decay : dB per second
    peak_s : time of the highest level; swing : rises of single partials, dB a frame
    shape : how unlike the partials move, dB a frame (strings move alike, vowels do not)
    strike : rise of the partials within some 40 ms, dB; stray : rise between the partials
    rich : effective number of partials; next_s, last_s : distance to strong neighbours in time
    below, above : best share of the candidate's other pitches that this one is a harmonic of, and
        of those that are harmonics of this one; 0 for none
    all_rise, high_rise, few_rise, phase_break, novelty : see
        `pegmark.segment.phase_at_onset.changes`
    """

    onset_s: Floats
    flux: Floats
    candidate: Ints
    grid: Ints
    f0_hz: Floats
    rank: Ints
    share: Floats
    new: Floats
    after: Floats
    stay: Floats
    run_s: Floats
    slope: Floats
    wander: Floats
    rise_db: Floats
    level_db: Floats
    decay: Floats
    drop_db: Floats
    peak_s: Floats
    swing: Floats
    shape: Floats
    strike: Floats
    stray: Floats
    rich: Floats
    next_s: Floats
    last_s: Floats
    below: Floats
    above: Floats
    all_rise: Floats
    high_rise: Floats
    few_rise: Floats
    phase_break: Floats
    novelty: Floats

    def __len__(self) -> int:
        return len(self.onset_s)


def describe(block: Block, times: Floats, heights: Floats) -> Features:
    """The features of all hypotheses of a block's candidates."""
    strong = times[heights > STRONG_FLUX]
    gap = strong[None, :] - times[:, None]
    next_s = np.where(gap > 0.02, gap, 9.0).min(axis=1, initial=9.0)
    last_s = np.where(gap < -0.02, -gap, 9.0).min(axis=1, initial=9.0)
    new, after = _what_is_new(block, times, next_s, last_s)
    score = new + 0.5 * after
    grid = np.column_stack([_best_peaks(score, HYPOTHESES), after.argmax(axis=1)])
    count = HYPOTHESES + 1
    candidate = np.repeat(np.arange(len(times)), count)
    flat = grid.ravel()
    f0_hz = block.search.f0_hz[flat]
    strike, stray = _strike(block, times[candidate], f0_hz)
    best = np.maximum(score.max(axis=1, initial=0.1), 0.1)
    share = score[candidate, flat] / best[candidate]
    below, above = _kin(f0_hz.reshape(-1, count), share.reshape(-1, count))
    followed = follow(block, times[candidate], flat, FOLLOW_FRAMES)
    return Features(
        onset_s=times[candidate],
        flux=heights[candidate],
        candidate=candidate,
        grid=flat,
        f0_hz=f0_hz,
        rank=np.tile(np.arange(count), len(times)),
        share=share,
        new=new[candidate, flat],
        after=after[candidate, flat],
        strike=strike,
        stray=stray,
        next_s=next_s[candidate],
        last_s=last_s[candidate],
        below=below,
        above=above,
        **changes(block.audio, block.rate_hz, times, candidate, f0_hz),
        **summary(block, followed, next_s[candidate]),
    )


def _kin(f0_hz: Floats, share: Floats) -> tuple[Floats, Floats]:
    """`Features.below` and `above`, flat, from f0_hz and share of shape (candidates, pitches)."""
    ratio = f0_hz[:, :, None] / f0_hz[:, None, :]
    number = np.clip(np.rint(ratio), *KIN_NUMBERS)
    harmonic = np.abs(1200 * np.log2(ratio / number)) < KIN_CENTS
    below = np.where(harmonic, share[:, None, :], 0).max(axis=2)
    above = np.where(harmonic, share[:, :, None], 0).max(axis=1)
    return below.ravel(), above.ravel()


def _what_is_new(
    block: Block, times: Floats, next_s: Floats, last_s: Floats
) -> tuple[Array, Array]:
    """Salience of what is new at each candidate, and of all that sounds after it."""
    rate, search = block.rate_hz, block.search
    longest, shortest = LONG_SIZE, int(0.075 * rate)
    size_after = np.clip((next_s - 0.01) * rate, shortest, longest).astype(int)
    size_before = np.clip((last_s - 0.01) * rate, shortest, longest).astype(int)
    begin = np.rint((times + 0.005) * rate).astype(int)
    after = _spectra_of(block.audio, begin, size_after)
    end = np.rint((times - 0.010) * rate).astype(int)
    before = _spectra_of(block.audio, end - size_before, size_before)
    wide = before.copy()  # a neighbour's maximum: the two windows may differ in length
    np.maximum(wide[:, 1:], before[:, :-1], out=wide[:, 1:])
    np.maximum(wide[:, :-1], before[:, 1:], out=wide[:, :-1])
    mean = local_mean(after, search.half_width) + np.float32(1e-7)
    fresh = log_1_plus(np.maximum(after - wide, 0) / mean)
    return search.salience(fresh), search.salience(log_1_plus(after / mean))


def _strike(block: Block, onset_s: Floats, f0_hz: Floats) -> tuple[Floats, Floats]:
    """(rise of the partials, rise between them) in the fine frames about the onsets, dB."""
    at = np.rint(onset_s / block.fine_s).astype(int)[:, None]
    last = len(block.fine) - 1
    after = block.fine[np.clip(at + np.arange(1, 6), 0, last)].max(axis=1)
    before = block.fine[np.clip(at - np.arange(4, 9), 0, last)].max(axis=1)
    rise = np.clip(20 * np.log10((after + 1e-7) / (before + 1e-7)), -10, 25)
    loud = after > after.max(axis=1, keepdims=True) * 10 ** (-STRIKE_DB / 20)
    number = np.arange(1, 25)
    return (
        _mean_at(rise, loud, number * f0_hz[:, None] * FINE_SIZE / block.rate_hz),
        _mean_at(rise, loud, (number - 0.5) * f0_hz[:, None] * FINE_SIZE / block.rate_hz),
    )


def _mean_at(values: Array, use: NDArray[np.bool_], bins: Floats) -> Floats:
    inside = bins < values.shape[1] - 0.5
    at = np.where(inside, np.rint(bins), 0).astype(int)
    row = np.arange(len(values))[:, None]
    used = inside & use[row, at]
    return np.asarray((values[row, at] * used).sum(axis=1) / np.maximum(used.sum(axis=1), 1))


def _spectra_of(audio: Array, begin: Ints, size: Ints) -> Array:
    frames = np.zeros((len(begin), LONG_SIZE), np.float32)
    for row, (first, length) in enumerate(zip(begin, size, strict=True)):
        window = hann(length)
        piece = audio[max(first, 0) : max(first + length, 0)]
        offset = max(0, -first)
        part = window[offset : offset + len(piece)] * (2 / window.sum())
        frames[row, offset : offset + len(piece)] = piece * part
    return np.abs(np.fft.rfft(frames)[:, :LONG_BINS])


def _best_peaks(score: Array, count: int) -> Ints:
    left, found = score.copy(), []
    rows = np.arange(len(score))[:, None]
    for _ in range(count):
        best = left.argmax(axis=1)
        found.append(best)
        near = np.clip(best[:, None] + np.arange(-20, 21), 0, score.shape[1] - 1)
        left[rows, near] = -9
    return np.stack(found, axis=1)
