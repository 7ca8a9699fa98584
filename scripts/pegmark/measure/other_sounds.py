"""What else sounds in a note's partials: strings that ring on, hum, a room's echoes.

Another sound beside a partial beats with it, so that its phase turns to and fro about its line.
How large a part of each partial it may be, and what that costs in cents, is estimated here.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from pegmark.signals import partials
from pegmark.signals.frames import Real, partial_amplitudes
from pegmark.signals.partials import CENTS_PER_LOG

GHOST_REACH = 0.3  # another partial within this part of the first partial's pitch beats slowly
GHOST_SLOPE = 0.3  # error of a phase's slope that a beat brings: this x its size / time
# A room's echoes beat with every partial like a ghost of about this part of it; how far a note's
# own phases leave their lines tells more, and this counts as so many phases.
ROOM = 0.13
ROOM_FREEDOM = 3.0
ROOM_MOST, ROOM_LEAST = 1.0, 0.02
ROOM_TURNS = 0.5  # an echo dies sooner than its partial: it beats for a part of the note
TORN = 0.5  # of what was taken out at a partial so much may be wrong


def ghosts_of(
    hz: Real,
    loud: Real,
    rate_hz: float,
    before: Real | None,
    other_hz: Iterable[float],
    removed: Real | None,
) -> Real:
    """How large a part of each partial may be another sound's, shape (partials,).

    hz, loud : the partials' frequencies and amplitudes. before, other_hz, removed : as for
    read_pluck, `removed` only where the note is. Only partials that another comb of `other_hz`
    comes near are asked for in what was heard before; what the string itself still rang with, seen
    at the others, is taken off. Of what was removed some may be left or some too much.
    """
    loud, size = np.maximum(loud, 1e-12), partials.frame_size(rate_hz, hz[0])
    near = np.zeros(len(hz), bool)
    for other in other_hz:
        near |= np.abs(hz - np.rint(hz / other) * other) < GHOST_REACH * hz[0]
    ghosts = np.zeros(len(hz))
    if before is not None and len(before) >= size and near.any():
        z, _ = partial_amplitudes(before[-size:], rate_hz, hz, size, size)
        part = np.abs(z[0]) / loud
        own = float(np.median(part[~near])) if not near.all() else 0.0
        ghosts = np.where(near, np.sqrt(np.maximum(part**2 - 2 * own**2, 0)), 0)
    if removed is not None:
        size = min(size, len(removed))
        z, _ = partial_amplitudes(removed, rate_hz, hz, size, size)
        ghosts = np.maximum(ghosts, TORN * np.abs(z).mean(axis=0) / loud)
    return ghosts


def beat_cents(ghosts: Real, room: float, lasts_s: Real | float, hz: Real) -> Real:
    """Standard error of each partial's pitch from other sounds and echoes that beat with it.

    ghosts : shape (partials,): the part of each that is another's. room : the part that echoes are.
    lasts_s : how long each is heard. Cents.
    """
    echoes = np.hypot(ghosts, ROOM_TURNS * room)
    return np.asarray(GHOST_SLOPE * echoes / np.maximum(lasts_s, 1e-3) / hz * CENTS_PER_LOG)


def room_of(rest: Real, weight: Real, number: Real) -> float:
    """How large a part of the partials the room's echoes are, as their phases' residuals tell.

    A ghost of the part g turns a phase to and fro by g / sqrt(2) radians. Low partials count most:
    those are what it moves by cents (and the two polarizations turn the high ones).
    """
    count = (weight > 0).sum(axis=0)
    freedom = np.maximum(count - 2, 0)
    radians = (2 * np.pi * number) ** 2 / weight.sum(axis=0)
    excess = ((weight * rest**2).sum(axis=0) - freedom) * radians
    seen = excess * count / np.maximum(freedom, 1)
    usual = ROOM**2 / 2
    tells = freedom * (usual / (usual + radians * count)) ** 2 / number
    mean = (ROOM_FREEDOM * usual + (tells * seen).sum()) / (ROOM_FREEDOM + tells.sum())
    return float(np.clip(np.sqrt(2 * max(mean, 0.0)), ROOM_LEAST, ROOM_MOST))
