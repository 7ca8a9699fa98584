"""Where a plucked string's pitch rests while its peg is turned in its ring.

The pitch of a pluck is known in a few stretches of time (bins), each with its standard error. They
are taken apart into rests, at one pitch, and ways between them (pegmark.measure.taken_apart), and
the glide of the pluck itself is told from them.
"""

from __future__ import annotations

import math
from functools import cache
from typing import NamedTuple

import numpy as np

from pegmark.measure.glide import GLIDE_PRIORS_CENTS, GLIDE_USUAL
from pegmark.measure.plateaus import wander
from pegmark.measure.taken_apart import Piece, Prices, chi_squared, take_apart
from pegmark.settings import fitted
from pegmark.signals.frames import Real

PLUCK_REST_DIES_S = 0.15  # what an attack does besides its glide is over by then
QUICK_CENTS = 12.0  # the ends of a way so far are read from the finer track ...
EDGE = 0.2  # ... where this part of it is done, and is left
# Glides that are tried: of a pluck alone, and in standard deviations of what the others tell.
GLIDES_CENTS = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 9.0, 13.0, 18.0, 25.0, 35.0])
GLIDE_STEPS = np.array([-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5])
PLUCK_REST_WANDER_SHARE = 0.3  # of the second differences: few of them see a turn
USUAL_SIGMAS = 1.0  # a glide further from what the others expect may be a turn


class Numbers(NamedTuple):
    """Fitted (lab/fits/measure_turns.py).

    bin_cents : what a resting pluck's bins do beyond their standard errors (rooms, polarizations),
    course : and the part of its glide by which the energy's course may be wrong. least_step_cents :
    rests closer than this are one. least_way_cents : what begins or ends a note so near its rest
    is no way. half_width, half_cent_s : how wide a rest's own half-width proves, and what is added
    to it by its length.
    """

    prices: Prices
    bin_cents: float
    course: float
    least_step_cents: float
    least_way_cents: float
    half_width: float
    half_cent_s: float


@cache
def fitted_numbers() -> Numbers:
    """What was fitted."""
    found = dict(fitted.numbers("measure")["pluck_rests"])
    return Numbers(prices=Prices.of(found.pop("prices")), **found)


class PluckRest(NamedTuple):
    """A rest in cents from start_s to end_s; sd_cents: of its mean; not steady: a way's end."""

    start_s: float
    end_s: float
    cents: float
    sd_cents: float
    steady: bool


class Glide(NamedTuple):
    """A pluck's own glide: `cents` as it alone tells it, times `course`, shape (bins,); usual: mean
    and standard deviation of what the string's other plucks tell of it, None where they cannot."""

    course: Real
    cents: float
    usual: tuple[float, float] | None = None

    def is_usual(self) -> bool:
        """Whether the pluck's own glide is one that the others expect."""
        if self.usual is None:
            return True
        return abs(self.cents - self.usual[0]) < USUAL_SIGMAS * self.usual[1]

    def candidates(self) -> tuple[Real, Real]:
        """Glides that it may have, and what each costs (chi-squared), shape (candidates,)."""
        if self.usual is None:
            cents = np.append(GLIDES_CENTS, self.cents)
            spread = GLIDE_PRIORS_CENTS**2
            likely = np.exp(-0.5 * cents[:, None] ** 2 / spread) / GLIDE_PRIORS_CENTS
            log = np.log(likely @ GLIDE_USUAL)
            return cents, -2 * (log - log.max())
        mean, sd = self.usual
        cents = np.append(np.maximum(0.0, mean + sd * GLIDE_STEPS), self.cents)
        return cents, ((cents - mean) / sd) ** 2


class Bins(NamedTuple):
    """A pluck's pitch in stretches of time: middles in s, pitches and their standard errors in
    cents, shape (bins,); its own glide; what an attack may do besides, one standard deviation at
    the start, in cents."""

    times_s: Real
    cents: Real
    se: Real
    glide: Glide
    attack_cents: float


def pluck_rests(bins: Bins, numbers: Numbers | None = None) -> tuple[list[PluckRest], float]:
    """The rests between which a pluck moved, in order, and its ends where it did not rest there;
    with the glide that goes with them.

    A turn down in the ring looks much like a glide, so both are found together: for each glide the
    pluck may have, the cheapest pieces; the cheapest of all are taken.

    numbers : in place of those that were fitted.

    Returns an empty list for a pluck that rested all along.
    """
    numbers = numbers or fitted_numbers()
    times_s, cents, se, glide, attack_cents = bins
    if len(times_s) < 2 * numbers.prices.least_points:
        return [], glide.cents
    attack = attack_cents * np.exp(-times_s / PLUCK_REST_DIES_S)
    own = glide.cents * glide.course
    sd = np.sqrt(se**2 + numbers.bin_cents**2 + attack**2)
    line, doubt = cents - own, np.hypot(sd, numbers.course * own)
    noise = max(1.0, wander(line, PLUCK_REST_WANDER_SHARE) / float(np.median(doubt)))
    prices = numbers.prices
    if glide.is_usual() and chi_squared(line, noise * doubt, prices.most) < prices.rest:
        return [], glide.cents
    sizes, costs = glide.candidates()
    sharp = sizes[:, None] * glide.course
    doubts = noise * np.hypot(sd, numbers.course * sharp)
    lines = cents - sharp
    prices_paid, pieces = take_apart(times_s, lines, doubts, prices)
    # A doubt that explains has its price.
    k = int(np.argmin(prices_paid + costs + 2 * np.log(doubts).sum(axis=1)))
    return _rests_of(pieces[k], times_s, lines[k], doubts[k], numbers), float(sizes[k])


def _rests_of(
    pieces: list[Piece], times_s: Real, line: Real, sd: Real, numbers: Numbers
) -> list[PluckRest]:
    """The rests among the pieces, and a way's ends where it begins or ends the note."""
    found: list[PluckRest] = []
    for first, stop, rests in pieces:
        if rests:
            rest = _rest(times_s, line, sd, first, stop)
            if found and abs(rest.cents - found[-1].cents) < numbers.least_step_cents:
                rest = _joined(found.pop(), rest)
            found.append(rest)
    begin, finish = (_passed(times_s, line, sd, at) for at in (0, len(line) - 1))
    if not found:
        far = abs(finish.cents - begin.cents) > 2 * numbers.least_way_cents
        return [begin, finish] if far else []
    least, long = numbers.least_way_cents, numbers.prices.least_points
    for place, piece, end in ((0, pieces[0], begin), (len(found), pieces[-1], finish)):
        far = abs(end.cents - found[place and -1].cents) > least
        if not piece.rests and piece.stop - piece.first >= long and far:
            found.insert(place, end)
    return found if len(found) > 1 else []


def _passed(times_s: Real, line: Real, sd: Real, at: int) -> PluckRest:
    """A pitch that only passed by."""
    return PluckRest(float(times_s[at]), float(times_s[at]), float(line[at]), float(sd[at]), False)


def _rest(times_s: Real, line: Real, sd: Real, first: int, stop: int) -> PluckRest:
    weight = sd[first:stop] ** -2.0
    mean = float(np.average(line[first:stop], weights=weight))
    se = float(weight.sum()) ** -0.5
    return PluckRest(float(times_s[first]), float(times_s[stop - 1]), mean, se, True)


def rest_half_width(own_cents: float, lasts_s: float, numbers: Numbers | None = None) -> float:
    """Half-width of a rest in cents, from its own: the ways beside it may be a part of it, the more
    the shorter it is."""
    numbers = numbers or fitted_numbers()
    short = numbers.half_cent_s / max(lasts_s, numbers.prices.least_s)
    return math.hypot(numbers.half_width * own_cents, short)


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
