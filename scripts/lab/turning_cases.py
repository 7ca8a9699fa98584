"""Short takes about one way of turning each, or of slipping: for what is told of turns.

All strings of a take are turned the same way and checked at the end, mostly with the bow. What a
string did is the take's truth, as of `lab.playing.assemble`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from lab.events import Bow, Event, Player, Pluck, Rest, Room, Slip, Tune
from lab.playing import assemble
from lab.wide import tuning_note
from pegmark.trade.instruments import Instrument

Draw = np.random.Generator
Habit = Callable[[str, float, Draw], list[Event]]

SMALL_CENTS = (5.0, 10.0)
PEGS = (None, 4.0, 10.0)  # even, or in jumps of about so many cents
BYS = ("plucked", "in the ring", "bowed")


def _turned(string: str, to: tuple[float, ...], rng: Draw, gap_s: tuple[float, float]) -> Tune:
    by, peg = str(rng.choice(BYS, p=(0.5, 0.3, 0.2))), PEGS[int(rng.integers(len(PEGS)))]
    return Tune(string, to, by, float(rng.uniform(*gap_s)), float(rng.uniform(20, 90)), peg)


def _steps(start: float, sizes: tuple[float, float], count: int, rng: Draw) -> tuple[float, ...]:
    """Where turns of any direction lead, back to pitch rather than away from it."""
    places = [start]
    for _ in range(count):
        side = -np.sign(places[-1]) if abs(places[-1]) > sizes[0] else rng.choice([-1, 1])
        places.append(places[-1] + float(side * rng.uniform(*sizes)))
    return tuple(places[1:])


def small_turns(string: str, start: float, rng: Draw) -> list[Event]:
    """A fine tuner's, or a careful hand's: 5 to 10 cents each."""
    return [Pluck(string), _turned(string, _steps(start, SMALL_CENTS, 2, rng), rng, (0.9, 1.5))]


def a_second_apart(string: str, start: float, rng: Draw) -> list[Event]:
    """Two turns to pitch with a second between them."""
    first = float(np.sign(start) * rng.uniform(12, 60))
    away = first + float(np.sign(start) * rng.uniform(12, 60))
    brought = Tune(string, (away,), "silent", speed=150)
    return [brought, _turned(string, (away - first, float(rng.normal(0, 2))), rng, (1.1, 1.2))]


def too_far_and_back(string: str, start: float, rng: Draw) -> list[Event]:
    """Past the pitch, and back to it."""
    past = -float(np.sign(start) * rng.uniform(8, 25))
    return [Pluck(string), _turned(string, (past, float(rng.normal(0, 2))), rng, (0.9, 1.4))]


def slip_tuned_again(string: str, start: float, rng: Draw) -> list[Event]:
    """It is set, lets go, and is tuned again at once."""
    near, fall = float(rng.normal(0, 3)), float(rng.uniform(20, 60))
    again = Tune(string, (near,), "plucked", 0.8, float(rng.uniform(30, 90)))
    fell = Slip(string, -fall, float(rng.uniform(0.1, 0.4)))
    return [Tune(string, (near,)), Pluck(string, 2), fell, Pluck(string, 2), again]


def slip_in_the_ring(string: str, start: float, rng: Draw) -> list[Event]:
    """It jumps down within a twentieth of a second while a pluck rings."""
    fall = Slip(string, -float(rng.uniform(20, 60)), 0.05, ringing=True)
    return [Tune(string, (float(rng.normal(0, 3)),)), Pluck(string), fall, Pluck(string)]


def slip_in_silence(string: str, start: float, rng: Draw) -> list[Event]:
    """It has died away, lets go, and is found so at the check."""
    fall = Slip(string, -float(rng.uniform(20, 60)), float(rng.uniform(0.05, 0.4)))
    return [Tune(string, (float(rng.normal(0, 3)),)), Pluck(string), Rest(2.5), fall]


def turned_down(string: str, start: float, rng: Draw) -> list[Event]:
    """A hand lets it down, to seat the peg or to come from below, and tunes it up again."""
    low = start - float(rng.uniform(20, 60))
    return [Pluck(string), _turned(string, (low, float(rng.normal(0, 3))), rng, (0.9, 1.4))]


def left_alone(string: str, start: float, rng: Draw) -> list[Event]:
    """Nobody turns it; it is plucked soft and loud, and bowed."""
    bows = [Bow(string, float(rng.uniform(1, 2.5))) for _ in range(2)]
    return [Pluck(string, 3, 0.7), bows[0], Pluck(string, 2), bows[1]]


CASES: dict[str, Habit] = {
    "small turns": small_turns,
    "a second apart": a_second_apart,
    "too far and back": too_far_and_back,
    "slip, tuned again": slip_tuned_again,
    "slip in the ring": slip_in_the_ring,
    "slip in silence": slip_in_silence,
    "turned down by hand": turned_down,
    "left alone": left_alone,
}
FALLS = ("slip, tuned again", "slip in the ring", "slip in silence")


def turning_take(
    seed: int, instrument: Instrument, case: str, *, real: bool = False, rate_hz: int = 16000
) -> tuple[np.ndarray, dict[str, Any]]:
    """A take of one of CASES with its truth; real: bows, and a bass's plucks, of sampled players.

    A third of the strings are false, bows are pressed more and less, and some takes begin with the
    A of another instrument (that needs the sound font).
    """
    rng = np.random.default_rng([seed, 47])
    start = {name: float(rng.normal(0, 25)) for name in instrument.strings}
    events = list(_events(instrument, start, CASES[case], rng))
    if real and rng.random() < 0.4:
        events.insert(0, tuning_note(instrument, rng))
    low, high = float(rng.uniform(2, 6)), float(rng.uniform(8, 25))
    player = Player(
        seed=seed, real=real, glide_cents=(low, high), wander_cents=float(rng.uniform(0.5, 3)),
        false_cents=float(rng.choice([0.4, 0.8, 2.5])),
        pressure_cents=float(rng.uniform(0, 0.8)),
    )  # fmt: skip
    room = Room(snr_db=float(rng.uniform(18, 32)), rt60_s=float(rng.uniform(0.2, 0.8)))
    return assemble(instrument, start, events, rate_hz=rate_hz, player=player, room=room)


def _events(
    instrument: Instrument, start: dict[str, float], habit: Habit, rng: Draw
) -> Iterator[Event]:
    order = [*instrument.order, *(s for s in instrument.strings if s not in instrument.order)]
    for string in order:
        yield from habit(string, start[string], rng)
        yield Rest(float(rng.uniform(0.3, 0.8)))
    bowed = rng.random() < 0.7
    for string in instrument.strings:
        yield Bow(string, float(rng.uniform(1.2, 2.5))) if bowed else Pluck(string, 2)
