"""Where a sounding string's pitch rests, and so between which pitches it is turned.

A *rest* is a stretch of REST_S or more at one pitch. Conventions: times in seconds of the take,
pitches in cents, half-widths of 95 % intervals in cents. A *track* is a pitch over time.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from pegmark.statistics.student_t import NORMAL_95

ROUNDING_S = 1e-6  # times equal within this are equal
REST_S = 0.2  # a pitch that stands for so long is settled, be it between two turns of a peg
REST_CENTS = 3.0  # ... within so much
REST_CENTS_PER_S = 12.0  # slower than any turn
COARSE_HALF_CENTS = 3.0  # half-width of a rest read from a coarse track (a dozen points a note)
# Quantiles of the absolute value of a standard normal variable.
QUANTILE = {0.15: 0.189, 0.3: 0.385}


class Rest(NamedTuple):
    """Where a note's pitch rested; not steady: only where its track begins or ends."""

    start_s: float
    end_s: float
    cents: float
    steady: bool
    half: float = COARSE_HALF_CENTS


def between_turns(
    times: np.ndarray, cents: np.ndarray, noise: float, least: float, half: float
) -> list[Rest]:
    """All rests of a track, and its ends where it did not rest; neighbours more than `least` apart.

    noise : standard deviation of the track's points. half : no rest is surer than this.
    """
    rests = plateaus(times, cents, noise, half)
    if not rests or rests[0].start_s > times[0]:
        rests.insert(0, Rest(float(times[0]), float(times[0]), float(cents[0]), False))
    if rests[-1].end_s < times[-1]:
        rests.append(Rest(float(times[-1]), float(times[-1]), float(cents[-1]), False))
    return distinct(rests, least)


def wander(cents: np.ndarray, share: float) -> float:
    """The standard deviation of a track's points about their neighbours, in cents.

    From a low quantile (`share`) of their second differences, each of which has the root of 6
    times that deviation: a low one sees little of the turns.
    """
    low = float(np.quantile(np.abs(np.diff(cents, 2)), share))
    return low / (QUANTILE[share] * math.sqrt(6))


def smooth(cents: np.ndarray) -> np.ndarray:
    """Running median of three: one bad point is no turn."""
    padded = np.concatenate([cents[:1], cents, cents[-1:]])
    return np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)


def plateaus(
    times: np.ndarray, cents: np.ndarray, noise: float, half: float = COARSE_HALF_CENTS
) -> list[Rest]:
    """Stretches of a track that stand still for `REST_S` or more."""
    step = np.round(np.diff(times), 6)  # the same wherever in the take the note lies
    still = np.abs(np.diff(cents)) <= 1 + noise + np.minimum(REST_CENTS_PER_S * step, 2.0)
    rests = []
    k = 0
    while k < len(still):
        if not still[k]:
            k += 1
            continue
        first = k
        while k < len(still) and still[k]:
            k += 1
        while first < k and np.ptp(cents[first : k + 1]) > REST_CENTS + 2 * noise:
            first += 1  # the end of a glide, or of an attack
        if times[k] - times[first] >= REST_S - ROUNDING_S:
            middle = float(np.median(cents[first : k + 1]))
            width = max(half, NORMAL_95 * noise / math.sqrt(k + 1 - first))
            rests.append(Rest(float(times[first]), float(times[k]), middle, True, width))
    return rests


def distinct(rests: list[Rest], least: float) -> list[Rest]:
    """Rests with those joined that stand closer than `least`; a true rest beats a note's end."""
    kept = [rests[0]]
    for rest in rests[1:]:
        before = kept[-1]
        if abs(rest.cents - before.cents) > least:
            kept.append(rest)
            continue
        if before.steady and rest.steady:
            weight = (rest.end_s - rest.start_s) / (
                rest.end_s - rest.start_s + before.end_s - before.start_s
            )
            cents = weight * rest.cents + (1 - weight) * before.cents
            half = max(before.half, rest.half, abs(rest.cents - before.cents) / 2)
        else:
            known = rest if rest.steady else before
            cents, half = known.cents, known.half
        kept[-1] = Rest(before.start_s, rest.end_s, cents, before.steady or rest.steady, half)
    return kept
