"""What lies outside of the usual: bodies, strings, hands, bows, openings, partners of other kinds.

`widen` turns a description of a take into one of the same events that is played otherwise. The
measuring is fitted to the usual ones; figures on these say what it does elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lab import strings
from lab.events import Bow, Event, Player, Room, Tune, TuningNote
from pegmark.trade.instruments import Instrument

GIVEN_A_HZ = (415.0, 445.0)  # the A that others give: old pitch to a sharp orchestra's
GIVERS = (  # who gives the A, and in which octaves
    ("piano", (0, 1)),
    ("oboe", (0,)),
    ("violin", (0,)),
    ("viola", (0, -1)),
    ("cello", (-1, -2)),
    ("church organ", (0, -1)),
    ("reed organ", (0, -1)),
)
SWELLS_DB: tuple[tuple[float, ...], ...] = ((), (-14, 0), (0, -10), (-12, 0, -12), (-20, 0, 0))
PARTNER_DB = (-30.0, -14.0)


def widen(
    instrument: Instrument,
    events: Sequence[Event],
    player: Player,
    room: Room,
    rng: np.random.Generator,
) -> tuple[list[Event], Player, Room]:
    """The same take with an unusual body, strings, hands, bows; half with an A given first."""
    hands = np.random.default_rng([player.seed, 41])
    wider = [
        any_bow(event, rng)
        if isinstance(event, Bow)
        else any_hand(event, hands)
        if isinstance(event, Tune)
        else event
        for event in events
    ]
    if rng.random() < 0.5:
        wider.insert(min(1, len(wider)), tuning_note(instrument, rng))
    if rng.random() < 0.4:
        room = replace(room, partner_db=float(rng.uniform(*PARTNER_DB)))
    return wider, unusual(instrument, player, rng), room


def unusual(instrument: Instrument, player: Player, rng: np.random.Generator) -> Player:
    """A player whose body, strings (half of them of part size) and plucking places are unusual."""
    part_size = bool(rng.random() < 0.5)
    return replace(
        player,
        body=strings.Body.outside(instrument.name, int(rng.integers(2**31))),
        stiffness=float(rng.uniform(1, 4)) if part_size else 1.0,
        ring=float(rng.uniform(0.5, 0.8)) if part_size else 1.0,
        positions=(float(rng.uniform(0.05, 0.15)), float(rng.uniform(0.25, 0.45))),
    )


def any_hand(tune: Tune, rng: np.random.Generator) -> Tune:
    """The same turns by a peg that jerks or a fine tuner, plucked all the while or once a turn."""
    by = "in the ring" if tune.by == "plucked" and rng.random() < 0.4 else tune.by
    jerks = float(rng.uniform(3, 15)) if rng.random() < 0.4 else None
    fine = rng.random() < 0.2
    speed = float(rng.uniform(15, 40)) if fine else tune.speed
    return replace(tune, by=by, jerks_cents=jerks, speed=speed)


def any_bow(bow: Bow, rng: np.random.Generator) -> Bow:
    """A bow short or long, hard or soft at its start, level or swelling, ringing on or stopped."""
    seconds = float(rng.uniform(0.4, 1.5)) if rng.random() < 0.6 else bow.seconds
    ending = int(rng.integers(3))
    return replace(
        bow,
        seconds=seconds,
        changes=bow.changes if seconds > 1.2 else 0,
        attack_s=float(rng.choice([rng.uniform(0.012, 0.03), bow.attack_s, rng.uniform(0.2, 0.4)])),
        swell_db=SWELLS_DB[int(rng.integers(len(SWELLS_DB)))],
        ring_s=float(rng.uniform(0.8, 2.5)) if ending == 1 else None,
        stop_s=float(rng.uniform(0.02, 0.08)) if ending == 2 else None,
    )


def tuning_note(instrument: Instrument, rng: np.random.Generator) -> TuningNote:
    """The A of another instrument, in an octave that it has."""
    by, octaves = GIVERS[int(rng.integers(len(GIVERS)))]
    hz = float(rng.uniform(*GIVEN_A_HZ)) * 2.0 ** int(rng.choice(octaves))
    seconds, level = float(rng.uniform(1.5, 5)), float(rng.uniform(0.05, 0.3))
    return TuningNote(by, hz, seconds, level, under=bool(rng.random() < 0.3))
