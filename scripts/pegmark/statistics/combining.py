"""Repeated measurements of one quantity combined by random effects."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from pegmark.statistics.student_t import NORMAL_95, student_95

ROOT_PART = 1e-9  # the variance between notes is found to so much of what it may be at most


class Combined(NamedTuple):
    """A pitch combined from notes: `mean` and `half_width` (95 %), `tau2` between notes."""

    mean: float
    half_width: float
    tau2: float


def combine(
    values: list[float],
    variances: list[float],
    prior_tau2: float = 0.0,
    prior_notes: float = 0.0,
) -> Combined:
    """Combine repeated measurements by random effects.

    The variance between notes is Paule and Mandel's (1982): the one for which the weighted sum
    of squares about the mean equals its degrees of freedom. The interval is Hartung and Knapp's
    (2001), Student's t with the estimated scale, never narrower than the scale 1 gives. A prior
    variance between notes counts like `prior_notes` further degrees of freedom (a moderated
    variance, Smyth 2004), so that one or two notes borrow the instrument's spread.

    Raises ValueError for no values, or a single one without a prior.
    """
    freedom = len(values) - 1 + prior_notes
    if len(values) == 0 or freedom <= 0:
        raise ValueError("one note has no spread of its own: give a prior, or more notes")
    typical = float(np.median(variances))

    def weigh(tau2: float) -> tuple[float, float, float]:
        """(mean, total weight, spread about the mean with the prior's part)."""
        weights = [1 / (variance + tau2) for variance in variances]
        total = sum(weights)
        mean = sum(w * y for w, y in zip(weights, values, strict=True)) / total
        spread = sum(w * (y - mean) ** 2 for w, y in zip(weights, values, strict=True))
        return mean, total, spread + prior_notes * (prior_tau2 + typical) / (tau2 + typical)

    start = prior_tau2 + float(np.var(values)) + typical
    tau2 = _root(lambda tau2: weigh(tau2)[2], freedom, start)
    mean, total, spread = weigh(tau2)
    scale = max(spread / freedom, 1.0)
    return Combined(mean, student_95(freedom) * math.sqrt(scale / total), tau2)


def weigh(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean and half-width (95 %) of independent (value, half-width), wider where they contradict.

    The widening is Birge's ratio (1932).
    """
    values = np.array([value for value, _ in parts])
    weight = np.array([half for _, half in parts]) ** -2.0
    mean = float(np.sum(weight * values) / np.sum(weight))
    squares = float(np.sum(weight * (values - mean) ** 2)) * NORMAL_95**2
    ratio = math.sqrt(squares / max(len(parts) - 1, 1))
    return mean, max(ratio, 1.0) / math.sqrt(float(np.sum(weight)))


def _root(spread: Any, freedom: float, start: float) -> float:
    """The tau2 >= 0 where the falling function `spread` meets `freedom`, by bisection."""
    if spread(0.0) <= freedom:
        return 0.0
    low, high = 0.0, start
    while spread(high) > freedom:
        high *= 2
    while high - low > ROOT_PART * start:
        middle = (low + high) / 2
        low, high = (middle, high) if spread(middle) > freedom else (low, middle)
    return (low + high) / 2
