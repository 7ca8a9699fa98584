"""What a student does in a take, event by event; with what, and where it is recorded.

Cents are deviations from the equal-tempered pitch at A4 = 440 Hz; seconds count from the start.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lab import speech, strings
from pegmark.trade.instruments import Instrument


@dataclass(frozen=True)
class Say:
    """Speech; over=True: what comes next begins 0.4 s after the speech does."""

    text: str
    over: bool = False


@dataclass(frozen=True)
class Rest:
    """Nothing happens, for so many seconds; strings ring on."""

    seconds: float


@dataclass(frozen=True)
class Tune:
    """A string's peg turned to each of `to` (cents) in turn.

    by "plucked": plucked every gap_s or so all the while; "in the ring": plucked once, turned while
    that rings, listened to for gap_s; "bowed": one long bow; "silent": damped, turned unheard, then
    plucked. speed is in cents per second. jerks_cents: a peg that sticks and jumps by about so much
    at a time; None: it turns evenly.
    """

    string: str
    to: tuple[float, ...]
    by: str = "plucked"
    gap_s: float = 0.8
    speed: float = 60.0
    jerks_cents: float | None = None


@dataclass(frozen=True)
class Pluck:
    """A string plucked `times` times, gap_s apart."""

    string: str
    times: int = 1
    gap_s: float = 0.9


@dataclass(frozen=True)
class Bow:
    """A string bowed, changing direction `changes` times.

    swell_db : levels spread evenly over the bow, straight lines between: (-12, 0) grows.
    ring_s : how long the string rings when the bow has left it; None: damped soon, as a hand does.
    stop_s : the bow stays on the string and stops it, within so long.
    """

    string: str
    seconds: float = 2.0
    changes: int = 0
    attack_s: float = 0.08
    swell_db: tuple[float, ...] = ()
    ring_s: float | None = None
    stop_s: float | None = None


@dataclass(frozen=True)
class Both:
    """Two strings under one bow."""

    low: str
    high: str
    seconds: float = 2.5


@dataclass(frozen=True)
class Touch:
    """A string touched at 1/node and sounded."""

    string: str
    node: int = 2
    by: str = "plucked"
    seconds: float = 1.2


@dataclass(frozen=True)
class Tone:
    """A sounded reference; under=True: what comes next begins 0.5 s after the tone does.

    sound : (samples,) at the take's rate, what is heard instead of a made wave.
    """

    hz: float = 440.0
    seconds: float = 3.0
    wave: str = "sine"
    level: float = 0.12
    under: bool = False
    sound: np.ndarray | None = None


@dataclass(frozen=True)
class TuningNote:
    """The A that another instrument gives; under=True: what comes next begins 0.5 s after it does.

    by : a key of samples.PROGRAMS; sampled, at hz: of a piano the fundamental's.
    """

    by: str = "piano"
    hz: float = 440.0
    seconds: float = 3.0
    level: float = 0.2
    under: bool = False


@dataclass(frozen=True)
class Slip:
    """A peg that lets go: the string falls by itself, in the ring of a pluck or between others."""

    string: str
    by_cents: float
    over_s: float = 0.4
    ringing: bool = False


Event = Say | Rest | Tune | Pluck | Bow | Both | Touch | Tone | TuningNote | Slip


@dataclass(frozen=True)
class Room:
    """Where and with what a take is recorded.

    snr_db : of the middle note (median) over the noise, as rooms.snr_db defines it.
    partner_db : another student tunes the same instrument beside; the middle one of its notes
        against the take's own, over their first half second.
    """

    snr_db: float = 30.0
    colour: str = "pink"
    rt60_s: float | None = 0.4
    hum_hz: float | None = None
    hum_db: float = -12.0  # against the noise
    thumps_per_minute: float = 0.0
    low_cut_hz: float | None = None
    other_player_db: float | None = None  # against the take's own notes
    partner_db: float | None = None


@dataclass(frozen=True)
class Player:
    """Who plays: the instrument's body, strings and habits.

    real : bowed notes from the sampled players and the bass's plucks from the sampled bass;
        otherwise everything from the model.
    coupling : cents that every other string moves for a cent of a turn (the neck gives).
    body : in place of one of the instrument's usual ones.
    stiffness, ring : factors of the strings' inharmonicity and of how long they ring.
    positions : where strings are plucked, in turn, as parts of their length; (): near one place.
    false_cents : how far a string's two polarizations stand apart; more in an old, false string.
    pressure_cents : how far bows of one string differ by how they are pressed, standard deviation.
    """

    seed: int = 0
    real: bool = False
    glide_cents: tuple[float, float] = (4.0, 20.0)
    pull_cents: float | None = None  # None: the body's own
    wander_cents: float = 1.5
    coupling: float = 0.0
    voice: str = speech.VOICES[0]
    body: strings.Body | None = None
    stiffness: float = 1.0
    ring: float = 1.0
    positions: tuple[float, ...] = ()
    false_cents: float = 0.4
    pressure_cents: float = 0.0


USUAL_PLAYER, USUAL_ROOM = Player(), Room()


@dataclass
class Performance:
    """What has been written down so far; times grow with `clock`."""

    instrument: Instrument
    hz: dict[str, float]
    player: Player
    rng: np.random.Generator
    paths: dict[str, list[tuple[float, float]]]
    clock: float = 0.5
    notes: list[dict[str, Any]] = field(default_factory=list)
    speech: list[tuple[float, str]] = field(default_factory=list)
    tones: list[tuple[float, Tone | TuningNote]] = field(default_factory=list)
    turns: list[dict[str, Any]] = field(default_factory=list)
    slips: list[dict[str, Any]] = field(default_factory=list)
    stops: list[tuple[str, float]] = field(default_factory=list)
    busy_until: float = 0.0

    def cents(self, string: str) -> float:
        return self.paths[string][-1][1]

    def move(self, string: str, start_s: float, end_s: float, cents: float) -> None:
        change = cents - self.cents(string)
        for name, path in self.paths.items():
            part = change if name == string else -self.player.coupling * change
            if part:
                path += [(start_s, path[-1][1]), (end_s, path[-1][1] + part)]

    def note(self, string: str, kind: str, start_s: float, seconds: float, **more: Any) -> None:
        entry = {"string": string, "kind": kind, "start_s": start_s, "seconds": seconds}
        self.notes.append(entry | more)
        self.busy_until = max(self.busy_until, start_s + seconds)
