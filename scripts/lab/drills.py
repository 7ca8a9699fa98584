"""Short takes of one thing that is hard to hear, with full truth: for fitting, tests, figures.

`random_take` has each of these now and then; a drill has little else. Which pitches, tempos,
levels and rooms it takes is drawn from its seed.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np

from lab import speech, takes, wide
from pegmark.trade.instruments import Instrument

Events = list[takes.Event]


def quick_plucks(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Plucks every 0.25 to 0.5 s on a ringing string while its peg turns."""
    events: Events = []
    for string in _some(instrument, rng, 2):
        gap_s = float(rng.uniform(0.25, 0.5))
        moves = tuple(float(c) for c in np.linspace(rng.uniform(-120, -40), 0, 4))
        events += [
            takes.Tune(string, moves, gap_s=gap_s, speed=float(rng.uniform(40, 120))),
            takes.Pluck(string, 4, gap_s),
            takes.Rest(0.8),
        ]
    return events


def soft_bows(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Bows that grow out of nothing, some of them after a pluck that still rings."""
    events: Events = []
    for string in _some(instrument, rng, 4):
        if rng.random() < 0.4:
            events.append(takes.Pluck(string, 1, float(rng.uniform(0.5, 1.2))))
        attack_s = float(rng.uniform(0.15, 0.35))
        events.append(takes.Bow(string, float(rng.uniform(1.0, 2.5)), attack_s=attack_s))
    return events


def long_bows(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Long bows that change direction."""
    return [
        takes.Bow(
            s, float(rng.uniform(3, 6)), int(rng.integers(1, 5)), float(rng.uniform(0.04, 0.2))
        )
        for s in _some(instrument, rng, 3)
    ]


def bow_into_pluck(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Each string plucked and then bowed before it has died away."""
    events: Events = []
    for string in _some(instrument, rng, 4):
        events.append(takes.Pluck(string, 1, float(rng.uniform(0.4, 1.0))))
        attack_s = float(rng.uniform(0.04, 0.2))
        events.append(takes.Bow(string, float(rng.uniform(0.8, 2.0)), attack_s=attack_s))
    return events


def two_strings(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Neighbouring strings under one bow, and each alone."""
    events: Events = []
    for high, low in pairwise(instrument.strings):
        events.append(takes.Both(low, high, float(rng.uniform(1.2, 3.0))))
        events.append(takes.Bow(low, float(rng.uniform(1.0, 2.0))))
        if rng.random() < 0.5:
            events += [takes.Pluck(high, 1, 0.5), takes.Bow(low, 1.5)]
    return events


def harmonics(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Touched harmonics beside the open strings they belong to."""
    events: Events = [takes.Pluck(s, 1, 0.7) for s in instrument.strings]
    for string in _some(instrument, rng, 3):
        node = int(rng.choice([2, 3, 4]))
        by = str(rng.choice(["plucked", "bowed"]))
        events += [takes.Touch(string, node, by, float(rng.uniform(0.8, 1.6))), takes.Rest(0.4)]
        events.append(takes.Pluck(string, 1, 0.8))
    return events


def tone_and_string(instrument: Instrument, rng: np.random.Generator) -> Events:
    """A reference tone with the first string plucked to it, then alone."""
    string = instrument.order[0] if instrument.order else instrument.strings[0]
    hz = 440.0 if instrument.hz()[string] > 150 else 220.0
    wave = str(rng.choice(["sine", "square", "organ"]))
    level = float(rng.uniform(0.03, 0.15))
    return [
        takes.Pluck(string, 2, 0.9),
        takes.Tone(hz, float(rng.uniform(3, 5)), wave, level, under=bool(rng.random() < 0.7)),
        takes.Pluck(string, 4, float(rng.uniform(0.5, 1.2))),
        takes.Rest(1.5),
        takes.Bow(string, 1.5),
    ]


def spoken_over(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Plucks and bows while somebody speaks, and much speech alone."""
    events: Events = []
    for string in _some(instrument, rng, 3):
        events.append(takes.Say(_sentence(rng), over=bool(rng.random() < 0.5)))
        events.append(takes.Pluck(string, 2, float(rng.uniform(0.5, 1.0))))
        events.append(takes.Bow(string, 1.2) if rng.random() < 0.5 else takes.Rest(2.0))
        events.append(takes.Say(_sentence(rng)))
    return events


def neighbour(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Plucks and bows with long pauses, in which somebody else is heard (see `DRILL_ROOMS`)."""
    events: Events = []
    for string in _some(instrument, rng, 4):
        events += [takes.Pluck(string, 2, 0.9), takes.Rest(float(rng.uniform(0.5, 3.0)))]
        events.append(takes.Bow(string, 1.5))
    return events


def any_bows(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Bows of 0.4 to 1.5 s and longer, of all starts, swells and ends; loud plucks beside."""
    events: Events = []
    for string in _some(instrument, rng, 4):
        for _ in range(3):
            bow = takes.Bow(string, float(rng.uniform(0.4, 2.0)))
            events += [wide.any_bow(bow, rng), takes.Rest(float(rng.uniform(0, 1.2)))]
        if rng.random() < 0.5:
            events += [takes.Pluck(string, 1, float(rng.uniform(0.8, 2.5)))]
    return events


def given_a(instrument: Instrument, rng: np.random.Generator) -> Events:
    """Another instrument gives the A, alone or under the first string; then the strings."""
    string = instrument.order[0] if instrument.order else instrument.strings[0]
    cents = float(rng.normal(0, 60))
    events: Events = [wide.tuning_note(instrument, rng), takes.Pluck(string, 2, 0.9)]
    if rng.random() < 0.5:
        events.append(
            takes.Tune(string, (cents, 0.0), "bowed" if rng.random() < 0.5 else "plucked")
        )
    events.append(takes.Bow(string, float(rng.uniform(1.0, 2.5))))
    for other in _some(instrument, rng, 2):
        events.append(takes.Pluck(other, 2, 0.9))
    return events


DRILLS: dict[str, Callable[[Instrument, np.random.Generator], Events]] = {
    "quick plucks": quick_plucks,
    "soft bows": soft_bows,
    "long bows": long_bows,
    "bow into pluck": bow_into_pluck,
    "two strings": two_strings,
    "harmonics": harmonics,
    "tone and string": tone_and_string,
    "spoken over": spoken_over,
    "neighbour": neighbour,
    "knocks": neighbour,
    "any bows": any_bows,
    "given A": given_a,
    "partner": neighbour,
}
DRILL_ROOMS: dict[str, dict[str, Any]] = {
    "neighbour": {"other_player_db": -22.0},
    "knocks": {"thumps_per_minute": 25.0},
}
DRILL_SNR_DB = (12.0, 40.0)


def _own_room(name: str, rng: np.random.Generator) -> dict[str, Any]:
    """What a drill's room has besides."""
    if name == "partner":
        return {"partner_db": float(rng.uniform(*wide.PARTNER_DB))}
    return DRILL_ROOMS.get(name, {})


def drill(
    name: str,
    instrument: Instrument,
    seed: int,
    *,
    snr_db: float | None = None,
    real: bool = False,
    rate_hz: int = 16000,
) -> tuple[np.ndarray, dict[str, Any]]:
    """(audio, truth) of one drill, as `takes.assemble` gives them.

    name : a key of DRILLS. snr_db : None draws one from DRILL_SNR_DB.
    """
    rng = np.random.default_rng([seed, 29, list(DRILLS).index(name)])
    start = {s: float(rng.normal(0, 25)) for s in instrument.strings}
    events = DRILLS[name](instrument, rng)
    drawn = float(rng.uniform(*DRILL_SNR_DB))
    room = takes.Room(
        snr_db=drawn if snr_db is None else snr_db,
        colour=str(rng.choice(["pink", "brown", "white"])),
        rt60_s=float(rng.uniform(0.2, 0.7)),
        **_own_room(name, rng),
    )
    high = float(rng.uniform(5, 40))
    player = takes.Player(
        seed=seed, real=real, glide_cents=(2.0, high),
        wander_cents=float(rng.uniform(0.5, 4)), voice=str(rng.choice(speech.VOICES)),
    )  # fmt: skip
    audio, truth = takes.assemble(
        instrument, start, events, rate_hz=rate_hz, player=player, room=room
    )
    return audio, truth | {"seed": seed, "drill": name, "room": vars(room)}


def _some(instrument: Instrument, rng: np.random.Generator, most: int) -> list[str]:
    count = min(most, len(instrument.strings))
    return [str(s) for s in rng.permutation(instrument.strings)[:count]]


def _sentence(rng: np.random.Generator) -> str:
    return str(rng.choice((*takes.GREETINGS, *takes.SPOKEN_ANSWERS)))
