"""A note's pitch followed roughly through far glides: the likeliest path through its spectra.

The fine reading of partials wants a pitch within 60 cents all along. A peg that turns under a long
bow moves it by hundreds; this finds the way, to some 10 cents.
"""

from __future__ import annotations

import numpy as np

from pegmark.signals.frames import Real, hann

TRACK_REACH_CENTS = 500.0  # a path goes no further than this from the pitch given
STEP_CENTS = 10.0
TRACK_HOP_S = 0.1
TRACK_WINDOW_S = 0.128
TRACK_PERIODS = 5  # of the pitch given, if they are longer
TRACK_SPECTRUM = 8192  # zero-padded length
TRACK_PARTIALS = 10
TRACK_TOP_HZ = 4500.0
FASTEST_CENTS_PER_S = 500.0
TRACK_WAY_COSTS = 0.004  # of a frame's mean salience, per cent of way
AMPLITUDE_POWER = 0.5  # the loudest partial shall not rule


def rough_track(audio: Real, rate_hz: float, f0_hz: float) -> tuple[Real, Real]:
    """(times in s, cents against f0_hz), shape (frames,); no frames when audio is too short."""
    size = round(max(TRACK_WINDOW_S, TRACK_PERIODS / f0_hz) * rate_hz)
    if len(audio) < size:
        return np.empty(0), np.empty(0)
    hop = round(TRACK_HOP_S * rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(audio, size)[::hop]
    spectra = np.abs(np.fft.rfft(frames * hann(size), max(TRACK_SPECTRUM, size))) ** AMPLITUDE_POWER
    candidates = np.arange(-TRACK_REACH_CENTS, TRACK_REACH_CENTS + 1, STEP_CENTS)
    count = max(1, min(TRACK_PARTIALS, int(TRACK_TOP_HZ / f0_hz)))
    hz = np.outer(np.arange(1, count + 1), f0_hz * 2 ** (candidates / 1200))
    position = hz * max(TRACK_SPECTRUM, size) / rate_hz
    left = np.minimum(position.astype(int), spectra.shape[1] - 2)
    part = (position - left)[:, :, None]
    weight = np.arange(1, count + 1)[:, None, None] ** -0.5
    bins = np.ascontiguousarray(spectra.T)  # whole rows are read faster than columns
    found = bins[left] * (1 - part) + bins[left + 1] * part
    salience = np.ascontiguousarray((found * weight).sum(axis=0).T)
    salience /= np.maximum(salience.mean(axis=1, keepdims=True), 1e-12)
    times = (np.arange(len(frames)) * hop + (size - 1) / 2) / rate_hz
    return times, candidates[_best_path(salience)]


def _best_path(salience: Real) -> Real:
    """Indices of the candidates, frame by frame, with the largest sum less what the way costs."""
    reach = round(FASTEST_CENTS_PER_S * TRACK_HOP_S / STEP_CENTS)
    cost = np.abs(np.arange(-reach, reach + 1)) * STEP_CENTS * TRACK_WAY_COSTS
    candidate = np.arange(salience.shape[1])
    padded = np.full(len(candidate) + 2 * reach, -np.inf)
    near = np.lib.stride_tricks.sliding_window_view(padded, len(cost))  # follows `padded`
    total, came = salience[0], []
    for frame in salience[1:]:
        padded[reach:-reach] = total
        options = near - cost
        best = options.argmax(axis=1)
        came.append(candidate + best - reach)
        total = frame + options[candidate, best]
    path = [int(np.argmax(total))]
    for before in reversed(came):
        path.append(int(before[path[-1]]))
    return np.array(path[::-1])
