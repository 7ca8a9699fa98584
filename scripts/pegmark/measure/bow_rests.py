"""Where a bowed string's pitch rests while its peg is turned under the bow.

Bows wander, so how far is asked of each: of its pitch in tenths of a second by how that moves in
two or three of them, and then by how far it strays within the rests that were found.
"""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pegmark.measure.bows import MeanPitch
from pegmark.measure.taken_apart import Piece, Prices, stray_of, take_apart
from pegmark.settings import fitted
from pegmark.signals.frames import Real
from pegmark.signals.partials import CENTS_PER_LOG

BOW_REST_STEP_S = 0.1  # a bow's rests are looked for in means over this ...
BOW_REST_LEAST_POINTS, BOW_REST_MOST_POINTS = (
    5,
    80,
)  # ... of longer ones over more: the work grows with their cube
BOW_REST_ROUNDS = 2
TOLD_REST_S = 0.35  # a bow that wanders stays at one pitch for three tenths of a second
SAME_MOMENT_S = 1e-6  # times nearer than this are one: no rounding moves a point across an edge


class BowRest(NamedTuple):
    """A rest in cents against the bow's mean; half_cents, its half-width, is None of a way's end,
    where the pitch only passed by."""

    start_s: float
    end_s: float
    cents: float
    half_cents: float | None


class Numbers(NamedTuple):
    """Fitted (lab/fits/measure_turns.py).

    stray : how far a tenth of a second strays, in units of what it seems to; floor_cents added in
    quadrature. least_cents, least_sds : rests that stand closer are one. half_cents,
    half_cent_s : half-width of a rest, and what is added by its length.
    """

    prices: Prices
    stray: float
    floor_cents: float
    least_cents: float
    least_sds: float
    half_cents: float
    half_cent_s: float


@cache
def fitted_numbers() -> Numbers:
    """What was fitted."""
    found = dict(fitted.numbers("measure")["bow_rests"])
    return Numbers(prices=Prices.of(found.pop("prices")), **found)


def bow_rests(mean: MeanPitch) -> list[BowRest]:
    """The pitches between which a bow was turned, in order, times as of `mean`; none if it was
    not."""
    line = line_of(mean)
    return [] if line is None else rests_of_line(*line, fitted_numbers())


def line_of(mean: MeanPitch) -> tuple[Real, Real] | None:
    """(middles in s, pitch in cents against the mean) of a bow's tenths of a second."""
    seconds = float(mean.times_s[-1] - mean.times_s[0])
    step_s = max(BOW_REST_STEP_S, seconds / BOW_REST_MOST_POINTS)
    count = int(seconds / step_s)
    if count < BOW_REST_LEAST_POINTS:
        return None
    starts_s = mean.times_s[0] + step_s * np.arange(count)
    edges = np.searchsorted(mean.times_s, starts_s - SAME_MOMENT_S)
    total = np.add.reduceat(mean.weight, edges)
    cents = CENTS_PER_LOG * np.log(mean.hz / mean.f0_hz)
    line = np.add.reduceat(mean.weight * cents, edges) / total
    return mean.times_s[0] + step_s * (np.arange(count) + 0.5), line


def rests_of_line(times_s: Real, line: Real, numbers: Numbers) -> list[BowRest]:
    """The same of a line of tenths of a second."""
    if np.ptp(line) < numbers.least_cents:
        return []
    sd = math.hypot(numbers.stray * stray_of(line), numbers.floor_cents)
    pieces: list[Piece] = []
    for _ in range(BOW_REST_ROUNDS):
        points = np.full((1, len(line)), sd)
        pieces = take_apart(times_s, line[None], points, numbers.prices)[1][0]
        seen = _stray_within(line, pieces)
        if seen <= sd:
            break
        sd = seen
    least = max(numbers.least_cents, numbers.least_sds * sd)
    kept: list[list[int]] = []  # first and last point of each rest
    for piece in pieces:
        if not piece.rests:
            continue
        here = line[piece.first : piece.stop].mean()
        if kept and abs(here - line[kept[-1][0] : kept[-1][1] + 1].mean()) < least:
            kept[-1][1] = piece.stop - 1
        else:
            kept.append([piece.first, piece.stop - 1])
    rests = [
        BowRest(
            float(times_s[first]),
            float(times_s[last]),
            float(line[first : last + 1].mean()),
            math.hypot(
                half_width(float(times_s[last] - times_s[first]), numbers),
                _step_within(line[first : last + 1]),
            ),
        )
        for first, last in kept
    ]
    rests = _with_ends(rests, kept, times_s, line, least)
    return rests if any(_are_apart(a, b) for a, b in pairwise(rests)) else []


def _are_apart(a: BowRest, b: BowRest) -> bool:
    """Whether two rests, neither of them brief, lie further apart than they are known; a way's end
    always does."""
    if a.half_cents is None or b.half_cents is None:
        return True
    brief = min(a.end_s - a.start_s, b.end_s - b.start_s) < TOLD_REST_S
    return not brief and abs(a.cents - b.cents) > math.hypot(a.half_cents, b.half_cents)


def half_width(lasts_s: float, numbers: Numbers) -> float:
    """Half-width of a rest that lasts so long, in cents: ways beside it may be a part of it."""
    return math.hypot(numbers.half_cents, numbers.half_cent_s / (lasts_s + BOW_REST_STEP_S))


def _step_within(line: Real) -> float:
    """How far a rest's second half stands from its first: a small turn may hide in it."""
    middle = len(line) // 2
    return abs(float(line[middle:].mean() - line[:middle].mean())) if middle else 0.0


def _with_ends(
    rests: list[BowRest], kept: list[list[int]], times_s: Real, line: Real, least: float
) -> list[BowRest]:
    """The rests, and the ends of the line where it comes from elsewhere, or goes on."""
    if not rests:
        return []
    if kept[0][0] > 1 and abs(line[0] - rests[0].cents) > least:
        rests = [BowRest(float(times_s[0]), float(times_s[0]), float(line[0]), None), *rests]
    if kept[-1][1] < len(line) - 2 and abs(line[-1] - rests[-1].cents) > least:
        rests = [*rests, BowRest(float(times_s[-1]), float(times_s[-1]), float(line[-1]), None)]
    return rests


def _stray_within(line: Real, pieces: list[Piece]) -> float:
    """The standard deviation of points within their rests."""
    rests = [line[p.first : p.stop] for p in pieces if p.rests]
    count = sum(len(rest) - 1 for rest in rests)
    return math.sqrt(
        sum(float(((rest - rest.mean()) ** 2).sum()) for rest in rests) / max(1, count)
    )
