"""Figures of errors and shares, with their intervals."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

Z95 = 1.959964  # standard deviations from the middle to either end of 95 %
BOOTSTRAPS = 400  # samples drawn for a bootstrap interval


def percentile(errors: ArrayLike, per_cent: float) -> float:
    """A percentile of errors' sizes; nan of none."""
    sizes = np.abs(np.asarray(errors, float))
    return float(np.percentile(sizes, per_cent)) if sizes.size else float("nan")


def bootstrap(errors: ArrayLike, per_cent: float = 95.0) -> tuple[float, float]:
    """The 95 % interval of a percentile of errors' sizes.

    From percentiles of samples drawn with replacement (Efron 1979: from memory), always the same.
    """
    sizes = np.abs(np.asarray(errors, float))
    drawn = np.random.default_rng(0).integers(0, len(sizes), (BOOTSTRAPS, len(sizes)))
    low, high = np.percentile(np.percentile(sizes[drawn], per_cent, axis=1), [2.5, 97.5])
    return float(low), float(high)


def share(yes: Iterable[bool]) -> float:
    """Per cent of yes; nan of none."""
    answers = np.fromiter(yes, bool)
    return 100 * float(answers.mean()) if answers.size else float("nan")


def wilson(yes: float, count: int) -> tuple[float, float]:
    """The 95 % interval, in per cent, of a share of `yes` of `count` (Wilson 1927: from memory)."""
    if count == 0:
        return 0.0, 100.0
    part, z2 = yes / count, Z95**2 / count
    middle = (part + z2 / 2) / (1 + z2)
    half = float(np.sqrt(part * (1 - part) * z2 + z2**2 / 4)) / (1 + z2)
    return 100 * (middle - half), 100 * (middle + half)
