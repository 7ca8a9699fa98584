"""Where a plucked string's pitch rests while its peg is turned in its ring.

The pitch of a pluck is known in a few stretches of time (bins), each with its standard error. They
are taken apart into rests, at one pitch, and ways between them, with the fewest pieces that explain
the bins (dynamic programming over the last bin of each piece; Bellman 1961: from memory). A glide
of the pluck itself is taken out before.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from pegmark.measure.plateaus import wander
from pegmark.signals.frames import Real

LEAST_REST_S = 0.12  # a pitch that stands for so long rests
REST_BINS = 2  # and in so many bins
# What a resting pluck's bins do beyond their standard errors (rooms, polarizations, cents), and the
# part of its glide by which the energy's course may be wrong.
BIN_SD_CENTS = 0.7
PLUCK_REST_GLIDE_COURSE = 0.25
ATTACK_DIES_S = 0.15
MOST_CHI = 9.0  # no bin says more than this against a rest: single ones jump in rooms
REST_COSTS = 9.0  # a rest more must explain this much (chi-squared)
WAY_COSTS = 6.0  # and a way as much ...
WAY_BIN_COSTS = 4.0  # ... and this for each bin that it explains
LEAST_STEP_CENTS = 3.0  # rests closer than this are one
QUICK_CENTS = 12.0  # the ends of a way so far are read from the finer track ...
EDGE = 0.2  # ... where this part of it is done, and is left
LEAST_WAY_CENTS = 5.0  # what begins or ends a note so near its rest is no way


class PluckRest(NamedTuple):
    """A rest in cents from start_s to end_s; sd_cents: of its mean; not steady: a way's end."""

    start_s: float
    end_s: float
    cents: float
    sd_cents: float
    steady: bool


def pluck_rests(
    times_s: Real, cents: Real, se: Real, sharp: Real, attack_cents: float
) -> list[PluckRest]:
    """The rests between which a pluck moved, in order, and its ends where it did not rest there.

    Parameters
    ----------
    times_s, cents, se, sharp : middles, pitches, their standard errors and the glide of the pluck
        itself, in cents, shape (bins,).
    attack_cents : what an attack may do besides, one standard deviation at the start.

    Returns an empty list for a pluck that rested all along.
    """
    if len(times_s) < 2 * REST_BINS:
        return []
    line = cents - sharp
    attack = attack_cents * np.exp(-times_s / ATTACK_DIES_S)
    sd = np.sqrt(se**2 + BIN_SD_CENTS**2 + (PLUCK_REST_GLIDE_COURSE * sharp) ** 2 + attack**2)
    sd = sd * max(1.0, wander(line, 0.3) / float(np.median(sd)))
    if _chi(line, sd) < REST_COSTS:
        return []
    pieces = _taken_apart(times_s, line, sd)
    found: list[PluckRest] = []
    for first, stop, rests in pieces:
        if rests:
            rest = _rest(times_s, line, sd, first, stop)
            if found and abs(rest.cents - found[-1].cents) < LEAST_STEP_CENTS:
                rest = _joined(found.pop(), rest)
            found.append(rest)
    if not found:
        return []
    for place, (first, stop, rests) in ((0, pieces[0]), (len(found), pieces[-1])):
        at = first if place == 0 else stop - 1
        far = abs(line[at] - found[place and -1].cents) > LEAST_WAY_CENTS
        if not rests and stop - first >= REST_BINS and far:
            edge = float(times_s[at])
            found.insert(place, PluckRest(edge, edge, float(line[at]), float(sd[at]), False))
    return found if len(found) > 1 else []


def _rest(times_s: Real, line: Real, sd: Real, first: int, stop: int) -> PluckRest:
    weight = sd[first:stop] ** -2.0
    mean = float(np.average(line[first:stop], weights=weight))
    se = float(weight.sum()) ** -0.5
    return PluckRest(float(times_s[first]), float(times_s[stop - 1]), mean, se, True)


def sharpened(rests: list[PluckRest], times_s: Real, line: Real) -> list[PluckRest]:
    """The rests with the ends of quick ways between them read from a finer track.

    times_s, line : the track in cents, less its glide, shape (frames,).
    """
    sharp = list(rests)
    for k in range(len(rests) - 1):
        a, b = sharp[k], sharp[k + 1]
        step = b.cents - a.cents
        between = (times_s > a.start_s) & (times_s < b.end_s)
        if not (a.steady and b.steady) or abs(step) < QUICK_CENTS or not between.any():
            continue
        at, gone = times_s[between], (line[between] - a.cents) / step
        crossed = int(np.argmax(gone > 0.5))
        left, reached = np.flatnonzero(gone[:crossed] < EDGE), np.flatnonzero(gone > 1 - EDGE)
        reached = reached[reached > crossed]
        if len(left) and len(reached):
            begin, end = float(at[left[-1]]), float(at[reached[0]])
            sharp[k] = a._replace(end_s=max(a.start_s, begin))
            sharp[k + 1] = b._replace(start_s=min(b.end_s, end))
    return sharp


def _joined(a: PluckRest, b: PluckRest) -> PluckRest:
    weight = a.sd_cents**-2.0, b.sd_cents**-2.0
    mean = (weight[0] * a.cents + weight[1] * b.cents) / sum(weight)
    return PluckRest(a.start_s, b.end_s, mean, sum(weight) ** -0.5, True)


def _taken_apart(times_s: Real, line: Real, sd: Real) -> list[tuple[int, int, bool]]:
    """The cheapest pieces as (first bin, bin after the last, whether it rests)."""
    size = len(line)
    best = [0.0] + [math.inf] * size
    came: list[tuple[int, bool]] = [(0, True)] * (size + 1)
    for stop in range(1, size + 1):
        for first in range(stop):
            for rests in (True, False):
                cost = best[first] + _cost(times_s, line, sd, first, stop, rests)
                if cost < best[stop]:
                    best[stop], came[stop] = cost, (first, rests)
    pieces, stop = [], size
    while stop:
        first, rests = came[stop]
        pieces.append((first, stop, rests))
        stop = first
    return pieces[::-1]


def _cost(times_s: Real, line: Real, sd: Real, first: int, stop: int, rests: bool) -> float:
    if not rests:
        return WAY_COSTS + WAY_BIN_COSTS * (stop - first)
    if stop - first < REST_BINS or times_s[stop - 1] - times_s[first] < LEAST_REST_S / 2:
        return math.inf
    return REST_COSTS + _chi(line[first:stop], sd[first:stop])


def _chi(line: Real, sd: Real) -> float:
    """How far bins stand from one pitch: their chi-squared, each one's at most MOST_CHI."""
    weight = sd**-2.0
    mean = (weight * line).sum() / weight.sum()
    return float(np.minimum(weight * (line - mean) ** 2, MOST_CHI).sum())
