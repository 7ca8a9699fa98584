"""A line of pitches taken apart into rests, at one pitch, and the ways between them.

The fewest pieces that explain the line, each at its price in chi-squared: dynamic programming over
the last point of each piece (Bellman 1961: from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from pegmark.measure.plateaus import QUANTILE
from pegmark.signals.frames import Real

# Pieces often cost the same, as no point costs more than so much: no rounding of a processor may
# decide between them.
COST_DIGITS = 6
STRAY_LAGS, STRAY_QUANTILE = (2, 3), 0.3


class Prices(NamedTuple):
    """What pieces cost, in chi-squared; fitted (lab/fits/measure_turns.py).

    rest, way : each of them; way_point : each point that a way explains. most : no point says more
    against a rest. least_points, least_s : no rest has fewer points, or is shorter.
    """

    rest: float
    way: float
    way_point: float
    most: float
    least_points: int
    least_s: float

    @classmethod
    def of(cls, numbers: Mapping[str, float]) -> Prices:
        """From fitted numbers."""
        return cls(**{name: numbers[name] for name in cls._fields})  # type: ignore[arg-type]


class Piece(NamedTuple):
    """From point `first` to before point `stop`; whether the pitch rests there."""

    first: int
    stop: int
    rests: bool


def take_apart(
    times_s: Real, lines: Real, sd: Real, prices: Prices
) -> tuple[Real, list[list[Piece]]]:
    """What the cheapest pieces of every line cost, shape (lines,), and they, in order.

    times_s : middles in s, shape (points,). lines, sd : pitches and their standard deviations in
    cents, shape (lines, points).
    """
    size = lines.shape[1]
    rests = _rest_costs(times_s, lines, sd, prices)
    ways = prices.way + prices.way_point * np.arange(size, 0, -1)
    each = np.arange(len(lines))
    best = np.zeros((len(lines), size + 1))
    came = np.zeros((len(lines), size + 1), int)
    for stop in range(1, size + 1):
        found = best[:, :stop] + np.minimum(rests[:, :stop, stop], ways[size - stop :])
        found = found.round(COST_DIGITS)
        came[:, stop] = found.argmin(axis=1)
        best[:, stop] = found[each, came[:, stop]]
    pieces = [_pieces(first, rests[k], ways) for k, first in enumerate(came)]
    return best[:, -1], pieces


def _pieces(came: Real, rests: Real, ways: Real) -> list[Piece]:
    """The pieces of a line from the first point of the piece that ends before each."""
    pieces, stop = [], len(came) - 1
    while stop:
        first = int(came[stop])
        pieces.append(
            Piece(first, stop, bool(rests[first, stop].round(COST_DIGITS) <= ways[first - stop]))
        )
        stop = first
    return pieces[::-1]


def _rest_costs(times_s: Real, lines: Real, sd: Real, prices: Prices) -> Real:
    """What a rest from one point to before another costs, shape (lines, points, points + 1)."""
    size = lines.shape[1]
    weight = sd**-2.0
    start = np.zeros((len(lines), 1))
    total = np.concatenate([start, np.cumsum(weight, axis=1)], axis=1)
    sums = np.concatenate([start, np.cumsum(weight * lines, axis=1)], axis=1)
    first, stop = np.arange(size)[:, None], np.arange(size + 1)[None, :]
    long = stop - first >= prices.least_points
    mean = np.where(long, sums[:, stop] - sums[:, first], 0.0)
    mean = mean / np.where(long, total[:, stop] - total[:, first], 1.0)
    point = np.arange(size)
    inside = (point >= first[..., None]) & (point < stop[..., None])
    off = (lines[:, None, None, :] - mean[..., None]) ** 2 * weight[:, None, None, :]
    chi = np.einsum("lfsp,fsp->lfs", np.minimum(off, prices.most), inside)
    lasts_s = times_s[np.maximum(stop - 1, 0)] - times_s[first]
    long &= lasts_s.round(COST_DIGITS) >= prices.least_s
    return np.where(long, prices.rest + chi, np.inf)


def stray_of(line: Real) -> float:
    """The standard deviation of a line's points about a pitch that moves now and then.

    From a low quantile of the differences of points a little apart, few of which see a turn; the
    smaller of two distances, as points close to each other may stray alike or against each other.
    """
    found = [
        float(np.quantile(np.abs(line[lag:] - line[:-lag]), STRAY_QUANTILE))
        for lag in STRAY_LAGS
        if len(line) > lag
    ]
    return min(found) / (QUANTILE[STRAY_QUANTILE] * math.sqrt(2))


def chi_squared(line: Real, sd: Real, most: float) -> float:
    """How far points stand from one pitch; each one's at most `most`."""
    weight = sd**-2.0
    mean = (weight * line).sum() / weight.sum()
    return float(np.minimum(weight * (line - mean) ** 2, most).sum())
