"""A pitch followed through the frames of a block, and what its partials do meanwhile.

Conventions: one *block* of a take is read at a time; times are seconds from the block's start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pegmark.segment.spectrogram import LONG_BINS, LONG_SIZE, PAD, Block, Floats, Ints
from pegmark.signals.spectra import Array

BEFORE_FRAMES = 8
FOLLOW_FROM_S = 0.08  # the first long frame wholly after the onset, nearly
FOLLOWING_PARTIALS = 10
LIVE_SALIENCE = 2.5  # below this (white noise reaches it) a pitch is no longer there ...
LIVE_SHARE = 0.3  # ... nor below this part of its own best


@dataclass
class Followed:
    """Pitches followed frame by frame, shape (hypotheses, frames).

    cents : against the hypothesis' grid pitch, nan where it is not there
    salience : at the followed pitch, nan outside the block; run : frames until it is lost
    partials : power of each partial, (hypotheses, frames, FOLLOWING_PARTIALS)
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
    power = np.full((count, frames, FOLLOWING_PARTIALS), np.nan, np.float32)
    later = first[:, None] + np.arange(k + 1)
    power[:, : k + 1] = _comb(block, later, f0_hz[places[:, : k + 1]])
    power[:, : k + 1][later > last] = np.nan
    return Followed(cents, salience, run, power, _db(before.sum(axis=2)))


def _comb(block: Block, frame: Ints, f0_hz: Floats) -> Array:
    """Power of the partials of f0_hz in long frames, with one more axis of FOLLOWING_PARTIALS."""
    bins = np.rint(
        np.arange(1, FOLLOWING_PARTIALS + 1) * f0_hz[..., None] * LONG_SIZE / block.rate_hz
    )
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


def summary(block: Block, followed: Followed, next_s: Floats) -> dict[str, Floats]:
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
