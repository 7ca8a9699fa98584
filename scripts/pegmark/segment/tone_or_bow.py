"""Whether what sounds as steadily as a tone is a bow after all.

A bow in a good hand holds its pitch to a tenth of a cent and its level to a fifth of a decibel for
seconds. But its string gives a whole series of partials, where a tone has one, or the odd ones, or
a few pipes; and what its pitch does wander turns all partials alike, the n-th n times as far,
while a tone's stand where they stood, to within the noise.
"""

from __future__ import annotations

import numpy as np

from pegmark.segment.reference_tones import Tone
from pegmark.signals.frames import Complex, Real, partial_amplitudes

TONE_OR_BOW_BEFORE_S = 0.15  # a partial is louder than so long before the start ...
RISES_DB = 4.0  # ... by this
TONE_OR_BOW_EDGE_S = (0.3, 0.15)  # left out at a tone's beginning and end: attacks and endings
TONE_OR_BOW_LEAST_S = 0.5
TONE_OR_BOW_FRAME_S, TONE_OR_BOW_HOP_S = 0.1, 0.05
TONE_OR_BOW_PERIODS = 4  # of the fundamental, where these are longer
TONE_OR_BOW_LOWEST_HZ, TONE_OR_BOW_TOP_HZ, TONE_OR_BOW_PARTIALS = 25.0, 6000.0, 14
STANDS_DB, BELOW_DB = 8.0, 45.0  # over what is between the partials, under the strongest one
STEADY_DB = 3.0  # how much a partial's level moves, one standard deviation
BELOW = (1, 2, 3)  # a bow's second or third partial may have been taken for a tone
BELOW_SHARE = 0.6  # then so many of the partials beside it are there
WHOLE, IN_A_ROW = 9, 5  # so many partials, or all of so many first ones: a whole series
LEVEL_DB = 1.0  # frames further off the middle level have something else in them
FEWEST_FRAMES = 6
EXACT = 0.03  # radians: a tone's highest partial stands this still, or ...
EXACT_NOISE = 0.5  # ... moves with the others by less than this part of what it does alone


def is_bowed(audio: Real, rate_hz: float, tone: Tone) -> bool:
    """Whether a steady sound is a bowed string.

    Parameters
    ----------
    audio : shape (samples,), in which the tone's times count.
    """
    begin_s, end_s = tone.start_s + TONE_OR_BOW_EDGE_S[0], tone.end_s - TONE_OR_BOW_EDGE_S[1]
    if end_s - begin_s < TONE_OR_BOW_LEAST_S:
        middle_s = (tone.start_s + tone.end_s) / 2
        begin_s, end_s = middle_s - TONE_OR_BOW_LEAST_S / 2, middle_s + TONE_OR_BOW_LEAST_S / 2
    piece = audio[max(0, round(begin_s * rate_hz)) : round(end_s * rate_hz)]
    before = audio[: max(0, round((tone.start_s - TONE_OR_BOW_BEFORE_S) * rate_hz))]
    for below in reversed(BELOW):
        f0_hz = tone.f0_hz / below
        if f0_hz < TONE_OR_BOW_LOWEST_HZ:
            continue
        z, there = _series(piece, before, rate_hz, f0_hz)
        number = 1 + np.arange(len(there))
        if len(z) < FEWEST_FRAMES or (below > 1 and not _is_lower(there, number % below > 0)):
            continue
        first = int(np.argmin(there)) if not there.all() else len(there)
        if there.sum() >= WHOLE or first >= IN_A_ROW:
            return not _stands_still(z[:, there], number[there])
    return False


def _is_lower(there: Real, beside: Real) -> bool:
    """Whether the partials that only a lower fundamental has are there."""
    return bool(there[:8][beside[:8]].mean() > BELOW_SHARE)


def _series(piece: Real, before: Real, rate_hz: float, f0_hz: float) -> tuple[Complex, Real]:
    """(amplitudes of the partials of f0_hz, (frames, partials); which of them are there).

    What rang on as loud just before, a string of nearly the tone's pitch, is no partial of it, nor
    is what comes and dies away under it.
    """
    number = np.arange(1, 1 + min(TONE_OR_BOW_PARTIALS, int(TONE_OR_BOW_TOP_HZ / f0_hz)))
    both = np.concatenate([number * f0_hz, (number - 0.5) * f0_hz])
    size = round(max(TONE_OR_BOW_FRAME_S, TONE_OR_BOW_PERIODS / f0_hz) * rate_hz)
    z, _ = partial_amplitudes(piece, rate_hz, both, size, round(TONE_OR_BOW_HOP_S * rate_hz))
    if not len(z):
        return z[:, : len(number)], np.zeros(len(number), bool)
    levels = 20 * np.log10(np.abs(z) + 1e-7)
    level = np.median(levels, axis=0)
    own, between = level[: len(number)], level[len(number) :]
    there = (own > between + STANDS_DB) & (own > own.max() - BELOW_DB)
    there &= levels[:, : len(number)].std(axis=0) < STEADY_DB
    if len(before) >= size:
        rang, _ = partial_amplitudes(before[-size:], rate_hz, number * f0_hz, size, size)
        there &= own > 20 * np.log10(np.abs(rang[0]) + 1e-7) + RISES_DB
    return z[:, : len(number)], there


def _stands_still(z: Complex, number: Real) -> bool:
    """Whether partials keep their phases against an even clock, as only a made tone does."""
    level = 10 * np.log10((np.abs(z) ** 2).sum(axis=1) + 1e-14)
    clear = np.abs(level - np.median(level)) < LEVEL_DB
    phase = np.unwrap(np.angle(z), axis=0)
    if clear.sum() >= FEWEST_FRAMES:
        phase = phase[clear]
        time = np.flatnonzero(clear).astype(float)
    else:
        time = np.arange(len(phase), dtype=float)
    line, _ = np.linalg.qr(np.stack([np.ones(len(time)), time], axis=1))
    rest = phase - line @ (line.T @ phase)
    alone = rest / number  # of the first partial, in radians
    weight = number**2 / np.maximum(rest.var(axis=0), 1e-6)
    common = alone @ weight / weight.sum()
    moved = float(np.sqrt(np.mean(common**2))) * number.max()
    noise = float(np.median(np.sqrt(np.mean((rest - np.outer(common, number)) ** 2, axis=0))))
    return moved < max(EXACT, EXACT_NOISE * noise)
