"""The series that a string's partials form: stiff, and pulled about by the instrument's body.

The series of a stiff string is f_n = n f_1 sqrt((1 + B n^2) / (1 + B)) (Fletcher & Rossing, The
Physics of Musical Instruments, 2.18, written so that f_1 is the first partial); B = 0 for a bowed
string. Frequencies in Hz, deviations in cents, partial numbers from 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pegmark.signals.frames import Real

# How far a body may pull a partial (most beside its main resonances, which usually means 5-40
# cents), and how far each stands off by itself whatever its number (rooms, polarizations, all the
# other resonances): grids, and the usual size of the latter.
PULLS_CENTS = np.geomspace(0.2, 40.0, 10)
LONE_CENTS = np.array([0.03, 0.1, 0.3, 1.0, 3.0])
_SPREADS, _LONERS = (grid.ravel() for grid in np.meshgrid(PULLS_CENTS, LONE_CENTS))
USUAL_LONE_CENTS = 0.08
PULL_FACTOR, LONE_FACTOR = 1.0, 1.0  # standard deviations of their natural logarithms
B_PRIOR = (5e-5, 1.5e-4)  # mean and standard deviation of B before anything is heard
B_MOST = 1.5e-3  # no string of these instruments is stiffer
TAIL_Q = 6.0  # of the outermost resonance of a body
# Resonances hold low partials apart from the series, and more of them upwards than downwards: of
# the pull that all share so much is expected, and so much about it (the laboratory's bodies).
SHARED_MEAN = 0.4
SHARED_SD = 0.6
SHARED_TAIL = 1.5  # the tails of several resonances add up


def stretch(number: Real, b: float) -> Real:
    """f_n / (n f_1) of a stiff string, for partial numbers of any shape."""
    return np.sqrt((1 + b * number**2) / (1 + b))


def stretch_cents(number: Real, b: float) -> Real:
    """How far partials stand above whole multiples of the first, in cents; any shape."""
    return 600 * np.log2((1 + b * number**2) / (1 + b))


class Pull(NamedTuple):
    """How strongly a body may pull partials: each by itself and all together, shape (partials,),
    relative (1: full), and how far it usually pulls fully, in cents."""

    own: Real
    shared: Real
    usual_cents: float


class Body(NamedTuple):
    """An instrument's body: the lowest and highest of its main resonances (air, wood) in Hz, and
    how far it usually pulls a partial beside one of them, in cents."""

    low_hz: float
    high_hz: float
    usual_pull_cents: float = 4.0

    def pull(self, hz: Real) -> Pull:
        """How strongly partials at `hz`, shape (partials,), may be pulled.

        Between the main resonances a partial may stand on either side of one, so it is pulled by
        itself. Outside, a body is a mass (above) or a spring (below) to all partials alike, the
        less the farther: the tail of a resonance of Q = TAIL_Q.
        """
        beyond = np.maximum(0, np.maximum(hz / self.high_hz, self.low_hz / hz) - 1)
        tail = 1 / (1 + TAIL_Q * beyond)
        shared = np.where(hz < self.low_hz, -0.5, SHARED_TAIL) * tail * (beyond > 0)
        return Pull(tail**2, shared, self.usual_pull_cents)


UNKNOWN_BODY = Body(90.0, 500.0)  # where nothing is known of the instrument


@dataclass
class Series:
    """A fitted series: cents of its first partial, its standard error, the spread (standard
    deviation) of the partials about it that a body brings, and by themselves (lone), B with its
    standard error, and each partial's weight in the first partial's pitch, shape (partials,)."""

    cents: float
    se_cents: float
    spread_cents: float
    lone_cents: float
    b: float
    b_se: float
    share: Real


def fit_series(
    number: Real,
    cents: Real,
    se_cents: Real,
    pull: Pull,
    b: float,
    b_prior: tuple[float, float] = B_PRIOR,
) -> Series:
    """The stiff-string series through measured partials.

    Parameters
    ----------
    number, cents, se_cents : shape (partials,): their deviations from the series of `b`, and
        standard errors.
    pull : how strongly the body may pull them; see Body.pull.
    b_prior : mean and standard deviation of B.

    Method: a linear mixed model. Each partial = first partial + B's effect + a pull of the body
    (standard deviation: an unknown spread times `pull`, part of it shared, because above its
    resonances a body is a mass to all of them) + a spread of its own + noise. Both spreads are
    integrated out over a grid by their restricted likelihood, so their uncertainty is part of the
    standard error; B has a Gaussian prior. Partials far off are trusted less (weights of a t-like
    law), twice.
    """
    slope = (stretch_cents(number, b + 1e-6) - stretch_cents(number, b)) / 1e-6
    spreads, loners = _SPREADS, _LONERS
    shared = spreads[:, None] * pull.shared
    expected = cents - (b_prior[0] - b) * slope - SHARED_MEAN * shared
    loose = np.ones(len(number))
    for last in (False, False, True) if len(number) > 3 else (True,):
        own = se_cents**2 + loners[:, None] ** 2 + (spreads[:, None] * pull.own) ** 2
        inverse = _Inverse.of(own * loose, SHARED_SD * shared, b_prior[1] * slope)
        ones = inverse.times(np.ones(len(number)))
        information = ones.sum(axis=1)
        mean = (ones * expected).sum(axis=1) / information
        rest = expected - mean[:, None]
        inverse_rest = inverse.times(rest)
        chi = np.einsum("gp,gp->g", rest, inverse_rest)
        log = -0.5 * (inverse.log_determinant + np.log(information) + chi)
        log += -0.5 * (np.log(spreads / pull.usual_cents) / PULL_FACTOR) ** 2
        log += -0.5 * (np.log(loners / USUAL_LONE_CENTS) / LONE_FACTOR) ** 2
        p = np.exp(log - log.max())
        p /= p.sum()
        if last:
            break
        # what a partial misses by when the others foretell it, in its standard deviations
        diagonal = inverse.diagonal - ones**2 / information[:, None]
        miss = (p[:, None] * inverse_rest**2 / np.maximum(diagonal, 1e-12)).sum(axis=0)
        loose = np.maximum(1.0, loose * (miss + 4) / 5)
    cents_1 = float(p @ mean)
    variance = float(p @ (1 / information + (mean - cents_1) ** 2))
    gain = b_prior[1] ** 2 * (inverse_rest @ slope)
    b_fit = b_prior[0] + float(p @ gain)
    slope_v = inverse.times(slope)
    centred = slope_v @ slope - (slope_v.sum(axis=1)) ** 2 / information
    b_var = b_prior[1] ** 2 - b_prior[1] ** 4 * centred
    b_se = float(np.sqrt(max(p @ b_var, 1e-20)))
    share = p @ (ones / information[:, None])
    spread, lone = (float(np.exp(p @ np.log(grid))) for grid in (spreads, loners))
    return Series(cents_1, float(np.sqrt(variance)), spread, lone, b_fit, b_se, share)


@dataclass
class _Inverse:
    """The inverse of many matrices diag(d) + a a' + b b' (Woodbury): cheap at any size.

    weight (1 / d), a, by_a (weight a), by_b : shape (grid, partials); b : shape (partials,);
    aa, ab, bb (of the 2 x 2 matrix 1 + [a b]' [a b] / d), determinant : shape (grid,).
    """

    weight: Real
    a: Real
    b: Real
    by_a: Real
    by_b: Real
    aa: Real
    ab: Real
    bb: Real
    determinant: Real

    @classmethod
    def of(cls, d: Real, a: Real, b: Real) -> _Inverse:
        """Of d and a, shape (grid, partials), and b, shape (partials,)."""
        weight = 1 / d
        by_a, by_b = weight * a, weight * b
        aa, ab, bb = 1 + np.einsum("gp,gp->g", by_a, a), by_a @ b, 1 + by_b @ b
        return cls(weight, a, b, by_a, by_b, aa, ab, bb, aa * bb - ab**2)

    @property
    def log_determinant(self) -> Real:
        """Of the matrices themselves, shape (grid,)."""
        return np.log(self.determinant) - np.log(self.weight).sum(axis=1)

    @property
    def diagonal(self) -> Real:
        """Shape (grid, partials)."""
        aa, ab, bb = ((x / self.determinant)[:, None] for x in (self.aa, self.ab, self.bb))
        cross = bb * self.by_a**2 - 2 * ab * self.by_a * self.by_b + aa * self.by_b**2
        return self.weight - cross

    def times(self, x: Real) -> Real:
        """The inverses times vectors x, shape (partials,) or (grid, partials)."""
        y = self.weight * x
        on_a, on_b = np.einsum("gp,gp->g", self.a, y), y @ self.b
        part_a = (self.bb * on_a - self.ab * on_b) / self.determinant
        part_b = (self.aa * on_b - self.ab * on_a) / self.determinant
        return y - self.by_a * part_a[:, None] - self.by_b * part_b[:, None]
