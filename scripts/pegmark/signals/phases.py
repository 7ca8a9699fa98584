"""Partials' phases over time, averaged over blocks, and the frequencies that they tell.

Times in seconds, phases in cycles of the note's first partial.
"""

from __future__ import annotations

import numpy as np

from pegmark.signals.frames import OVERLAP_INFLATION, Real
from pegmark.signals.partials import Tracks

MOST_LASTING = 0.6  # the greatest autocorrelation of residuals that is believed
PHASE_SLIPS_BELOW = 3.0  # signal over noise (power) of a block
PHASE_FLOOR = 0.003  # radians: no block's phase is believed better (leaks, rounding)


def slopes(time: Real, cycles: Real, weight: Real, steady: float) -> tuple[Real, Real, Real]:
    """Each partial's frequency offset from its phase over time.

    Parameters
    ----------
    time, weight : shape (blocks, partials); weight is the inverse variance of cycles.
    cycles : shape (blocks, partials), phase in cycles of the first partial.
    steady : degrees of freedom that the noise theory is worth.

    Returns (slope in cycles per second, standard error, residuals), the standard error from the
    noise theory and the residuals together, never less than the theory's.
    """
    total = np.maximum(weight.sum(axis=0), 1e-30)
    t = time - (weight * time).sum(axis=0) / total
    y = cycles - (weight * cycles).sum(axis=0) / total
    information = np.maximum((weight * t**2).sum(axis=0), 1e-30)
    slope = (weight * t * y).sum(axis=0) / information
    rest = y - slope * t
    freedom = np.maximum((weight > 0).sum(axis=0) - 2, 0)
    chi = (weight * rest**2).sum(axis=0) * lasting(rest, weight)
    scale = (steady + chi) / np.maximum(steady + freedom, 1e-9)
    return slope, np.sqrt(np.maximum(scale, 1.0) / information), rest


def lasting(rest: Real, weight: Real) -> float:
    """How much more slow residuals tell against a slope than quick ones: (1 + r) / (1 - r), r the
    autocorrelation of all partials' residuals, shape (blocks, partials), at one block (an AR(1)
    law)."""
    total = float((weight * rest**2).sum())
    if len(rest) < 6 or total <= 0:
        return 1.0
    pair = np.sqrt(weight[1:] * weight[:-1]) * rest[1:] * rest[:-1]
    # A line through 14 blocks leaves white residuals an autocorrelation of about -0.1.
    r = min(max(float(pair.sum()) / total + 0.1, 0.0), MOST_LASTING)
    return (1 + r) / (1 - r)


def looseness(rest: Real, weight: Real, loose: Real) -> Real:
    """How far each partial leaves what is common beyond its noise: a variance, shape (partials,).

    rest : what is left, shape (times, partials), in any unit. weight : its inverse variance by the
    noise theory, 0 where nothing is heard. loose : what was last found (moments, weighted by it).
    """
    used = weight > 0
    noise = np.where(used, 1 / np.maximum(weight, 1e-30), 0.0)
    trust = np.where(used, 1 / np.maximum(noise + loose, 1e-30), 0.0)
    trust = (trust / np.maximum(trust.max(axis=0), 1e-30)) ** 2
    count = used.sum(axis=0)
    few = count / np.maximum(count - 2, 1)
    excess = (trust * (few * rest**2 - noise)).sum(axis=0)
    return np.asarray(np.maximum(excess / np.maximum(trust.sum(axis=0), 1e-30), 0.0))


def block_phases(tracks: Tracks, first: int, blocks: int) -> tuple[Real, Real, Real]:
    """Phases averaged over `blocks` stretches of time, from frame `first` on.

    Returns (time_s, cycles, weight), shapes (blocks, partials): mean time, phase in cycles of the
    first partial against tracks.hz (the removed track is added back), and inverse variance in
    cycles of the first partial by the noise theory. A block of nothing but noise weighs 0.
    """
    z = tracks.amplitudes[first:]
    snr = tracks.snr[first:]
    edges = np.linspace(0, len(z), blocks + 1).astype(int)[:-1]
    product = z[1:] * z[:-1].conj()
    step = np.angle(product.sum(axis=0)) / (2 * np.pi)  # cycles per frame
    index = np.arange(len(z))[:, None]
    turned = z * np.exp(-2j * np.pi * (step * index - np.rint(step * index)))
    total = np.add.reduceat(turned, edges, axis=0)
    loud = np.abs(z)
    sum_loud = np.maximum(np.add.reduceat(loud, edges, axis=0), 1e-30)
    at = np.add.reduceat(loud * index, edges, axis=0) / sum_loud
    time = np.interp(at, index[:, 0], tracks.times_s[first:])
    phase = np.unwrap(np.angle(total), axis=0) / (2 * np.pi) + step * at
    removed = np.interp(at, index[:, 0], tracks.cycles[first:])
    scale = tracks.hz / tracks.f1_hz
    cycles = phase / scale + removed
    counts = np.diff(np.append(edges, len(z)))[:, None]
    coherent = np.abs(total) / counts
    overlap = np.minimum(counts, OVERLAP_INFLATION)
    noise = np.add.reduceat(tracks.noise[first:], edges, axis=0) / counts
    # Of the mean, over its noise; noise alone gives 1.
    power = np.maximum(coherent**2 * counts / overlap / noise - 1, 1e-6)
    mean_snr = np.add.reduceat(snr, edges, axis=0) / counts
    # The phase of a faint block may have slipped a turn, which no weight by its noise tells.
    power = power / (1 + (PHASE_SLIPS_BELOW / power) ** 3)
    weight = 2 * power * (2 * np.pi * scale) ** 2
    weight = np.where(mean_snr > 0.7, weight, 0)
    return time, cycles, np.minimum(weight, (2 * np.pi * scale) ** 2 / PHASE_FLOOR**2)
