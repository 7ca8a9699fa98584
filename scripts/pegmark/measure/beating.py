"""How much a pluck's partials beat by themselves.

A string that is worn, dirty or uneven swings at two slightly different pitches across its two
directions, so that each of its partials swells and fades (Weinreich 1977; from memory). A sound
string does so a little too; what counts is how deep.
"""

from __future__ import annotations

import numpy as np

from pegmark.signals.frames import Real
from pegmark.signals.partials import Tracks

FROM_S, TO_S, LEAST_S = 0.1, 1.2, 0.45  # the stretch of a note that is looked at
LOUD = 30.0  # power over noise that a partial keeps to the end of the stretch: 15 dB
ALONE = 0.05  # a part of it may be another sound's, ringing on: more would beat with it
LEAST_PARTIALS, BEATING_LEAST_FRAMES = 3, 12
DEPTH_PERCENT = (3.0, 97.0)  # of the frames: how far a partial swells and fades


def beat_depth_db(tracks: Tracks, ghosts: Real) -> float | None:
    """How deep the partials beat, in dB from trough to crest: the median of the loud ones.

    ghosts : shape (partials,): the part of each that another sound may be. None: too short, or
    too few partials are loud and alone. A decay in two stages is no beat: a parabola through the
    level in dB is taken out, which also hides what beats less than about once.
    """
    inside = (tracks.times_s >= FROM_S) & (tracks.times_s <= TO_S)
    amplitudes = tracks.amplitudes[inside][:, ghosts < ALONE]
    loud = tracks.snr[inside][:, ghosts < ALONE] > LOUD
    if amplitudes.shape[1] < LEAST_PARTIALS:
        return None
    lasts = np.where(loud, np.arange(len(loud))[:, None], -1).max(axis=0, initial=-1)
    frames = int(np.sort(lasts)[-LEAST_PARTIALS]) + 1  # as long as enough partials last
    if frames < BEATING_LEAST_FRAMES or np.ptp(tracks.times_s[inside][:frames]) < LEAST_S:
        return None
    amplitudes = amplitudes[:frames, lasts >= frames - 1]
    level = 20 * np.log10(np.abs(amplitudes) + 1e-15)
    curve = np.polynomial.chebyshev.chebvander(np.linspace(-1, 1, frames), 2)
    rest = level - curve @ np.linalg.lstsq(curve, level, rcond=None)[0]
    low, high = np.percentile(rest, DEPTH_PERCENT, axis=0)
    return float(np.median(high - low))
