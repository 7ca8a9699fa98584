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

from pegmark.segment.phase_at_onset import changes
from pegmark.signals.salience import PitchSearch
from pegmark.signals.spectra import (
    FRAMES_AT_ONCE,
    Array,
    frames_of,
    hann,
    local_mean,
    log_1_plus,
    magnitudes,
)
from pegmark.trade.instruments import Instrument

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Fine frames: 64 ms every 10 ms, for times and levels. Long frames: 256 ms every 32 ms, for pitch.
# Deep frames: 128 ms every 10 ms, for the soft starts of low strings.
FINE_SIZE, FINE_HOP = 1024, 160
DEEP_SIZE = 2048
LONG_SIZE, LONG_HOP = 4096, 512
FLUX_HZ = (40.0, 1500.0)  # a string's lower partials; higher up is consonants' and bow hair's
FINE_LAG, FINE_DEAD, FINE_LEAST = 3, 0.3, 0.02  # frames back, rise not counted, smallest peak
DEEP_LAG, DEEP_DEAD, DEEP_LEAST = 5, 0.5, 0.006
STRONG_FLUX = 0.08  # such a peak ends the stretch in which a candidate is described
DEEP_BELOW_HZ = 100.0  # instruments with a string below this get the deep frames
PEAK_REACH_S = 0.05  # a peak is the highest within this
MEDIAN_REACH_S = 0.25
LONG_BINS = 1500  # bins of the long frames that are kept: up to 5.9 kHz
HYPOTHESES = 3  # pitches searched in what is new; one more is the pitch of all that sounds
FOLLOW_FRAMES = 45  # a candidate is followed for this many long frames: 1.4 s
BEFORE_FRAMES = 8
FOLLOW_FROM_S = 0.08  # the first long frame wholly after the onset, nearly
PARTIALS = 10
KIN_NUMBERS, KIN_CENTS = (2, 8), 30.0  # such multiples of a pitch are taken for its partials
STRIKE_DB = 40.0  # bins this far below an onset's loudest say nothing
LIVE_SALIENCE = 2.5  # below this (white noise reaches it) a pitch is no longer there ...
LIVE_SHARE = 0.3  # ... nor below this part of its own best


@dataclass
class Block:
    """Spectra of one block of a take.

    fine, deep : (fine frames, bins to 1.5 kHz), magnitudes; deep only where it is needed
    long : (long frames, LONG_BINS), magnitudes; salience : (long frames, grid), padded by PAD.
    """

    audio: Array
    rate_hz: float
    search: PitchSearch
    fine: Array
    deep: Array | None
    long: Array
    salience: Array

    @property
    def long_s(self) -> float:
        return LONG_HOP / self.rate_hz

    @property
    def fine_s(self) -> float:
        return FINE_HOP / self.rate_hz


def _low_pass(taps: int, cut_hz: float, rate_hz: float) -> Array:
    """A low-pass filter: a windowed sinc (Kaiser's window; 75 dB where it stops)."""
    place = np.arange(taps) - taps // 2
    filter_ = np.sinc(2 * cut_hz / rate_hz * place) * np.append(0, np.kaiser(taps - 1, 7.3))
    return np.asarray(filter_ / filter_.sum(), np.float32)


# Fine and deep frames end at FLUX_HZ: they are read at a fourth of the rate, 4 kHz, of which what
# lies above 2.5 kHz would come back below 1.5 kHz.
SLOWER = 4
LOW_PASS = _low_pass(80, 2000.0, 16000.0)
PAD = 8  # grid steps added at both ends of a block's salience, so that neighbours always exist


@dataclass(frozen=True)
class Floor:
    """The take's noise floor in the fine and (where they are needed) deep frames, per bin."""

    fine: Array
    deep: Array | None


def noise_floor(audio: Array, instrument: Instrument, every: int = 6) -> Floor:
    """The lowest fifth of the magnitudes, per bin, over the whole take (every sixth frame)."""
    low = min(instrument.hz().values()) < DEEP_BELOW_HZ
    slow = slower(audio)
    deep = _floor(slow, DEEP_SIZE, every) if low else None
    return Floor(_floor(slow, FINE_SIZE, every), deep)


def _floor(slow: Array, size: int, every: int) -> Array:
    bins = int(np.ceil(FLUX_HZ[1] * size / 16000)) + 1
    size, hop = size // SLOWER, FINE_HOP * every // SLOWER
    padded = np.pad(slow, (0, max(0, size - len(slow))))
    spectra = np.concatenate(list(magnitudes(padded, size, hop, bins)))
    spectra.partition(len(spectra) // 5, axis=0)
    low = spectra[len(spectra) // 5]
    low = np.convolve(np.pad(low, 4, "edge"), np.full(9, 1 / 9), "valid")
    return np.asarray(np.maximum(low, 1e-6), np.float32)  # 1e-6: less than 16 bits can hold


def read_block(audio: Array, rate_hz: float, search: PitchSearch, floor: Floor) -> Block:
    """All spectra of a block."""
    frames = 1 + len(audio) // LONG_HOP
    block = Block(
        audio=audio,
        rate_hz=rate_hz,
        search=search,
        fine=np.empty((1 + len(audio) // FINE_HOP, len(floor.fine)), np.float32),
        deep=None,
        long=np.empty((frames, LONG_BINS), np.float32),
        salience=np.full((frames, len(search.f0_hz) + 2 * PAD), -9, np.float32),
    )
    if floor.deep is not None:
        block.deep = np.empty((len(block.fine), len(floor.deep)), np.float32)
    read_again(block, audio, 0, len(audio))
    return block


def read_again(block: Block, audio: Array, first: int, last: int) -> None:
    """Give a block audio that differs from its own only from sample `first` to `last`."""
    block.audio = audio
    slow = slower(audio)
    for spectra, size in ((block.fine, FINE_SIZE), (block.deep, DEEP_SIZE)):
        if spectra is not None:
            begin, end = first // SLOWER - len(LOW_PASS), last // SLOWER + len(LOW_PASS)
            _read_into(spectra, slow, size // SLOWER, FINE_HOP // SLOWER, begin, end)
    changed = _read_into(block.long, audio, LONG_SIZE, LONG_HOP, first, last)
    for begin in range(changed.start, changed.stop, FRAMES_AT_ONCE):
        rows = slice(begin, min(begin + FRAMES_AT_ONCE, changed.stop))
        salience = block.search.salience(block.search.whiten(block.long[rows]))
        block.salience[rows, PAD:-PAD] = salience


def slower(audio: Array) -> Array:
    """Audio at 1 / SLOWER of its rate: sample k is what was heard at sample k * SLOWER."""
    together = 16  # samples, whose filters stand side by side in a matrix
    filters = np.zeros((len(LOW_PASS) + (together - 1) * SLOWER, together), np.float32)
    for k in range(together):
        filters[k * SLOWER : k * SLOWER + len(LOW_PASS), k] = LOW_PASS
    padded = np.pad(audio, (len(LOW_PASS) // 2, len(filters)))
    slow = frames_of(padded, len(filters), together * SLOWER) @ filters
    return np.asarray(slow.ravel()[: -(-len(audio) // SLOWER)])


def _read_into(spectra: Array, audio: Array, size: int, hop: int, first: int, last: int) -> slice:
    """Read the frames (row k is centred on sample k * hop) that hear samples first to last."""
    half = size // 2
    rows = slice(max(0, (first - half) // hop), min(len(spectra), (last + half) // hop + 1))
    begin, end = rows.start * hop - half, (rows.stop - 1) * hop + half
    piece = np.pad(audio[max(0, begin) : end], (max(0, -begin), max(0, end - len(audio))))
    row = rows.start
    for part in magnitudes(piece, size, hop, spectra.shape[1]):
        spectra[row : row + len(part)] = part
        row += len(part)
    return rows


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
        **_summary(block, followed, next_s[candidate]),
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


@dataclass
class Followed:
    """Pitches followed frame by frame, shape (hypotheses, frames).

    cents : against the hypothesis' grid pitch, nan where it is not there
    salience : at the followed pitch, nan outside the block; run : frames until it is lost
    partials : power of each partial, (hypotheses, frames, PARTIALS)
    before_db : comb level before the onset, (hypotheses, BEFORE_FRAMES)
    """

    cents: Floats
    salience: Floats
    run: Ints
    partials: Array
    before_db: Floats


def follow(block: Block, onset_s: Floats, grid: Ints, frames: int) -> Followed:
    """Follow pitches from just after their onset for so many long frames."""
    count, last = len(grid), len(block.long) - 1
    first = np.rint((onset_s + FOLLOW_FROM_S) / block.long_s).astype(int)
    position, alive = grid.copy(), np.ones(count, bool)
    missed, run, top = np.zeros(count, int), np.zeros(count, int), np.zeros(count)
    cents, salience = np.full((count, frames), np.nan), np.full((count, frames), np.nan)
    f0_hz = block.search.f0_hz
    before = _comb(block, first[:, None] + np.arange(-BEFORE_FRAMES, 0), f0_hz[grid][:, None])
    places = np.empty((count, frames), int)
    most = len(f0_hz) - 1
    for k in range(frames):
        inside = first + k <= last
        frame = np.minimum(np.maximum(first + k, 0), last)
        reach = 8 if k == 0 else 5
        steps = np.arange(-reach, reach + 1)  # PAD is as far as they go beyond the grid
        near = block.salience[frame[:, None], position[:, None] + (steps + PAD)]
        here = near.max(axis=1)
        good = (here > np.maximum(LIVE_SALIENCE, LIVE_SHARE * top)) & inside
        missed = np.where(good, 0, missed + 1)
        alive &= missed < 2
        moved = alive & good
        step = near.argmax(axis=1) - reach
        position = np.where(moved, np.minimum(np.maximum(position + step, 0), most), position)
        top = np.where(inside, np.maximum(top, here), top)
        cents[moved, k] = (position[moved] - grid[moved]) * 5.0
        salience[inside, k] = here[inside]
        run[moved] = k + 1
        places[:, k] = position
        if not alive.any():
            break
    power = np.full((count, frames, PARTIALS), np.nan, np.float32)
    later = first[:, None] + np.arange(k + 1)
    power[:, : k + 1] = _comb(block, later, f0_hz[places[:, : k + 1]])
    power[:, : k + 1][later > last] = np.nan
    return Followed(cents, salience, run, power, _db(before.sum(axis=2)))


def _comb(block: Block, frame: Ints, f0_hz: Floats) -> Array:
    """Power of the partials of f0_hz in long frames, one more axis of PARTIALS than these."""
    bins = np.rint(np.arange(1, PARTIALS + 1) * f0_hz[..., None] * LONG_SIZE / block.rate_hz)
    inside = bins < LONG_BINS - 2
    row = LONG_BINS * np.minimum(np.maximum(frame, 0), len(block.long) - 1)
    at = row[..., None] + np.where(inside, bins, 1).astype(int)
    long = block.long.ravel()
    high = np.maximum(np.maximum(long.take(at), long.take(at - 1)), long.take(at + 1))
    return high**2 * inside


def _db(power: Floats) -> Floats:
    return 10 * np.log10(power + 1e-10)


def _line(x: Floats, y: Floats, use: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """(slope, rms of the rest) of straight lines through each row's used points."""
    count = np.maximum(use.sum(axis=1), 1)
    y = np.where(use, y, 0)
    dx = (x - (use * x).sum(axis=1)[:, None] / count[:, None]) * use
    dy = (y - y.sum(axis=1)[:, None] / count[:, None]) * use
    slope = (dx * dy).sum(axis=1) / np.maximum((dx**2).sum(axis=1), 1e-6)
    rest = np.sqrt(((dy - slope[:, None] * dx) ** 2).sum(axis=1) / count)
    few = use.sum(axis=1) < 3
    return np.where(few, 0.0, slope), np.where(few, 15.0, rest)


def _summary(block: Block, followed: Followed, next_s: Floats) -> dict[str, Floats]:
    frames = followed.cents.shape[1]
    number = np.arange(frames)[None, :]
    t = (np.arange(frames) * block.long_s).astype(np.float64)
    until = np.floor((np.minimum(next_s, 1.4) - FOLLOW_FROM_S) / block.long_s).astype(int)
    length = np.minimum(followed.run, np.maximum(3, until))
    within = number < length[:, None]
    slope, wander = _line(t, followed.cents, within & ~np.isnan(followed.cents))
    kept = np.where(within & ~np.isnan(followed.salience), followed.salience, 0)
    stay = kept.sum(axis=1) / np.maximum(length, 1)

    level = _db(followed.partials.sum(axis=2))
    known = ~np.isnan(level)
    early = np.where(known & (number < 6), level, -100).max(axis=1)
    used = known & (number >= 1) & (number < np.maximum(length, 6)[:, None])
    decay, _ = _line(t, level, used)
    peak = np.where(used, level, -999).argmax(axis=1)
    quarter = min(frames - 1, round(0.25 / block.long_s))
    late = np.where(known[:, quarter], level[:, quarter], early)
    return {
        "stay": stay,
        "run_s": followed.run * block.long_s,
        "slope": slope,
        "wander": wander,
        "rise_db": early - followed.before_db[:, 1:5].mean(axis=1),
        "level_db": early,
        "decay": decay,
        "drop_db": early - late,
        "peak_s": peak * block.long_s,
        **_how_partials_move(followed.partials, length),
    }


def _how_partials_move(power: Array, length: Ints) -> dict[str, Floats]:
    power = np.nan_to_num(power)
    top = power.max(axis=(1, 2), keepdims=True)
    level = 10 * np.log10(power + top * 1e-4 + 1e-12)
    change = np.diff(level, axis=1)
    number = np.arange(change.shape[1])[None, :]
    used = (number >= 1) & (number < np.maximum(length, 4)[:, None] - 1)
    weight = np.sqrt(power[:, 1:] + power[:, :-1]) * used[:, :, None]
    total = weight.sum(axis=(1, 2)) + 1e-9
    common = (weight * change).sum(axis=2) / (weight.sum(axis=2) + 1e-9)
    mean = (power * (np.arange(power.shape[1]) < length[:, None])[:, :, None]).sum(axis=1)
    return {
        "swing": (weight * np.maximum(change, 0)).sum(axis=(1, 2)) / total,
        "shape": (weight * np.abs(change - common[:, :, None])).sum(axis=(1, 2)) / total,
        "rich": np.sqrt(mean).sum(axis=1) ** 2 / (mean.sum(axis=1) + 1e-12),
    }
