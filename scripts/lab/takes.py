"""Whole recordings of a student who tunes, with the full truth: invented at random.

A take is a list of events and a Room (`lab.events`), which `assemble` plays (`lab.playing`);
`random_take` invents a description.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from lab import speech
from lab.events import (
    Both,
    Bow,
    Event,
    Player,
    Pluck,
    Rest,
    Room,
    Say,
    Slip,
    Tone,
    Touch,
    Tune,
)  # fmt: skip
from lab.playing import assemble
from lab.wide import widen
from pegmark.trade.instruments import Instrument

GREETINGS = (
    "Hello, this is my tuning for this week.",
    "Good evening. I am going to tune my strings now.",
    "Hi. I start with the A string, and then the others.",
)
SPOKEN_ANSWERS = (
    "I looked at the bridge before and after. It stands straight.",
    "I practised five times this week, mostly in the kitchen.",
    "The lowest string was difficult because the peg is stiff.",
)
DIFFICULTY: dict[str, dict[str, Any]] = {
    "easy": {"spread": 40.0, "snr": (30, 40), "glide": (2, 10), "odd": 0.05, "pull": 4.0},
    "usual": {"spread": 100.0, "snr": (18, 32), "glide": (4, 25), "odd": 0.2, "pull": None},
    "hard": {"spread": 200.0, "snr": (10, 20), "glide": (10, 50), "odd": 0.4, "pull": None},
}


def random_take(
    seed: int,
    instrument: Instrument,
    difficulty: str = "usual",
    *,
    rate_hz: int = 16000,
    real: bool = False,
    snr_db: float | None = None,
    wide: bool = False,
    plucked_check: bool = False,
    with_room: Callable[[Room], Room] | None = None,
) -> tuple[np.ndarray, dict[str, Any]]:
    """An invented take with its truth; difficulty is one of DIFFICULTY, which draws snr_db if None.

    wide: the same take with an unusual body and strings, all kinds of bows, often with another
    instrument that gives the A and a partner who tunes too (`lab.wide`; wants the sound font).
    plucked_check: the strings are checked with plucks in place of the bow.
    with_room : what is changed of the room that was drawn.

    Most takes go as taught: speech, A first, plucks while the peg turns, a bowed check, speech.
    The odd things of DIFFICULTY happen with the chance `odd` each: another order, a first round of
    all strings, a bowed turn, a silent turn, a slip, a reference tone, two strings together, a
    touched harmonic, speech over notes, hum, knocks, a low cut, somebody else practising, no check.
    """
    level = DIFFICULTY[difficulty]
    rng = np.random.default_rng([seed, 23])

    def odd() -> bool:
        return bool(rng.random() < level["odd"])

    start = {s: _mistuned(rng, level["spread"], instrument) for s in instrument.strings}
    order = list(instrument.order)
    order += [s for s in instrument.strings if s not in order]
    if odd():
        order = [str(s) for s in rng.permutation(order)]
    events: list[Event] = [Say(str(rng.choice(GREETINGS)))]
    if odd():
        events += [Pluck(s, 1) if rng.random() < 0.5 else Bow(s, 1.2) for s in instrument.strings]
    if odd():
        hz = 440.0 if instrument.hz()[order[0]] > 150 else 220.0
        events.append(Tone(hz, 3.0, str(rng.choice(["sine", "square", "organ"])), under=odd()))
    for string in order:
        if odd():
            events.append(Say(str(rng.choice(SPOKEN_ANSWERS)), over=True))
        final = float(rng.normal(0, 4)) if rng.random() < 0.75 else float(rng.normal(0, 20))
        by = "silent" if odd() else ("bowed" if odd() else "plucked")
        moves = small_moves(start[string], final, rng, largest=400 if by == "silent" else 60)
        gap_s = float(rng.uniform(0.4, 1.2))
        events.append(Tune(string, moves, by, gap_s, float(rng.uniform(30, 120))))
        events.append(Rest(float(rng.uniform(0, 0.8))))
        if odd() and instrument.name == "double bass":
            events.append(Touch(string, int(rng.choice([2, 3, 4]))))
    if odd():
        events.append(Slip(str(rng.choice(instrument.strings)), float(-rng.uniform(15, 60))))
    if not odd():
        for string in instrument.strings:
            seconds, changes = float(rng.uniform(1.2, 3)), int(rng.integers(0, 3))
            events.append(Bow(string, seconds, changes, float(rng.uniform(0.03, 0.25))))
    if odd():
        high, low = instrument.strings[:2]
        events.append(Both(low, high))
    events.append(Say(str(rng.choice(SPOKEN_ANSWERS))))
    player = Player(
        seed=seed, real=real, glide_cents=level["glide"],
        pull_cents=level["pull"],
        wander_cents=float(rng.uniform(0.5, 4)), coupling=0.01 if odd() else 0.0,
        voice=str(rng.choice(speech.VOICES)),
    )  # fmt: skip
    drawn = float(rng.uniform(*level["snr"]))
    room = Room(
        snr_db=drawn if snr_db is None else snr_db,
        colour=str(rng.choice(["pink", "brown", "white"])),
        rt60_s=float(rng.uniform(0.2, 0.8)), hum_hz=float(rng.choice([50, 60])) if odd() else None,
        thumps_per_minute=6.0 if odd() else 0.0, low_cut_hz=200.0 if odd() else None,
        other_player_db=-22.0 if odd() else None,
    )  # fmt: skip
    if plucked_check:
        draw = np.random.default_rng([seed, 41])
        events = [_as_plucks(event, draw) if isinstance(event, Bow) else event for event in events]
    if wide:
        draw = np.random.default_rng([seed, 37])
        events, player, room = widen(instrument, events, player, room, draw)
    if with_room:
        room = with_room(room)
    audio, truth = assemble(instrument, start, events, rate_hz=rate_hz, player=player, room=room)
    return audio, truth | {"seed": seed, "difficulty": difficulty, "room": vars(room)}


def _as_plucks(bow: Bow, rng: np.random.Generator) -> Pluck:
    return Pluck(bow.string, int(rng.integers(1, 4)), float(rng.uniform(0.6, 1.4)))


def small_moves(
    start: float, end: float, rng: np.random.Generator, *, largest: float = 60.0
) -> tuple[float, ...]:
    """Targets of a careful turn to `end` cents, sometimes a little too far and back."""
    targets, here = [], start
    while abs(end - here) > largest:
        here += float(np.sign(end - here) * rng.uniform(0.5, 1.0) * largest)
        targets.append(here)
    if rng.random() < 0.4:
        targets.append(end + float(np.sign(end - here) * rng.uniform(6, 20)))
    return (*targets, end)


def _mistuned(rng: np.random.Generator, spread: float, instrument: Instrument) -> float:
    most = 450.0 if instrument.interval == 7 else 350.0
    return float(np.clip(rng.normal(-0.3 * spread, spread), -most, most))
