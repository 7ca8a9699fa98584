"""Whole recordings of a student who tunes, made from a description, with the full truth.

A take is a list of events (Say, Rest, Tune, Pluck, Bow, Both, Touch, Tone, Slip) and a Room.
`assemble` plays them: strings ring on until they are sounded again or stopped, other strings
resonate, the pitch of a ringing string follows its peg. `random_take` invents a description.

Cents are deviations from the equal-tempered pitch at A4 = 440 Hz; seconds count from the start.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lab import rooms, speech, strings
from pegmark.trade.instruments import Instrument

RING_DB = 40.0  # a note's stated end: where it has fallen this far, unless it was stopped before


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

    by "plucked": plucked every gap_s or so all the while; "bowed": one long bow; "silent": damped,
    turned unheard, then plucked. speed is in cents per second.
    """

    string: str
    to: tuple[float, ...]
    by: str = "plucked"
    gap_s: float = 0.8
    speed: float = 60.0


@dataclass(frozen=True)
class Pluck:
    """A string plucked `times` times, gap_s apart."""

    string: str
    times: int = 1
    gap_s: float = 0.9


@dataclass(frozen=True)
class Bow:
    """A string bowed, changing direction `changes` times."""

    string: str
    seconds: float = 2.0
    changes: int = 0
    attack_s: float = 0.08


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
    """A sounded reference; under=True: what comes next begins 0.5 s after the tone does."""

    hz: float = 440.0
    seconds: float = 3.0
    wave: str = "sine"
    level: float = 0.12
    under: bool = False


@dataclass(frozen=True)
class Slip:
    """A peg that lets go: the string falls by itself."""

    string: str
    by_cents: float
    over_s: float = 0.4


Event = Say | Rest | Tune | Pluck | Bow | Both | Touch | Tone | Slip


@dataclass(frozen=True)
class Room:
    """Where and with what a take is recorded.

    snr_db : of the middle note (median) over the noise, as rooms.snr_db defines it.
    """

    snr_db: float = 30.0
    colour: str = "pink"
    rt60_s: float | None = 0.4
    hum_hz: float | None = None
    hum_db: float = -12.0  # against the noise
    thumps_per_minute: float = 0.0
    low_cut_hz: float | None = None
    other_player_db: float | None = None  # against the take's own notes


@dataclass(frozen=True)
class Player:
    """Who plays: the instrument's body, strings and habits.

    real : bowed notes from the sampled players and the bass's plucks from the sampled bass;
        otherwise everything from the model.
    coupling : cents that every other string moves for a cent of a turn (the neck gives).
    """

    seed: int = 0
    real: bool = False
    glide_cents: tuple[float, float] = (4.0, 20.0)
    pull_cents: float | None = None  # None: the body's own
    wander_cents: float = 1.5
    coupling: float = 0.0
    voice: str = speech.VOICES[0]


@dataclass
class _Take:
    """What has been written down so far; times grow with `clock`."""

    instrument: Instrument
    hz: dict[str, float]
    player: Player
    rng: np.random.Generator
    paths: dict[str, list[tuple[float, float]]]
    clock: float = 0.5
    notes: list[dict[str, Any]] = field(default_factory=list)
    speech: list[tuple[float, str]] = field(default_factory=list)
    tones: list[tuple[float, Tone]] = field(default_factory=list)
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


def assemble(
    instrument: Instrument,
    start_cents: dict[str, float],
    events: Sequence[Event],
    *,
    rate_hz: int = 16000,
    player: Player = Player(),
    room: Room = Room(),
) -> tuple[np.ndarray, dict[str, Any]]:
    """(audio float32, truth) of a take.

    truth: instrument, rate_hz, duration_s;
    notes: start_s, end_s, kind, string (and string_2: of two, the upper), by (of harmonics),
    f0_hz (f0_2_hz), cents (f0_hz against equal temperament), start_cents, end_cents, moving,
    snr_db (the note alone over everything else, before the room's echo);
    strings: start_cents, left_cents, left_hz, tuned_as, settled_s; order; turns: string, start_s,
    end_s, from_cents, to_cents, sounding; slips; speech; tones.
    """
    take = _Take(
        instrument=instrument,
        hz=instrument.hz(),
        player=player,
        rng=np.random.default_rng([player.seed, 11]),
        paths={s: [(0.0, float(start_cents.get(s, 0.0)))] for s in instrument.strings},
    )
    for event in events:
        _HANDLERS[type(event)](take, event)
    return _render(take, rate_hz, room)


def _say(take: _Take, event: Say) -> None:
    spoken = speech.say(event.text, 16000, voice=take.player.voice)
    take.speech.append((take.clock, event.text))
    end = take.clock + len(spoken) / 16000
    take.busy_until = max(take.busy_until, end)
    take.clock = take.clock + 0.4 if event.over else end + take.rng.uniform(0.3, 0.7)


def _rest(take: _Take, event: Rest) -> None:
    take.clock += event.seconds


def _tone(take: _Take, event: Tone) -> None:
    take.tones.append((take.clock, event))
    take.busy_until = max(take.busy_until, take.clock + event.seconds)
    take.clock += 0.5 if event.under else event.seconds + take.rng.uniform(0.3, 0.8)


def _pluck(take: _Take, event: Pluck) -> None:
    for _ in range(event.times):
        take.note(event.string, "plucked", take.clock, 0.3)
        take.clock += event.gap_s * take.rng.uniform(0.85, 1.15)


def _bow(take: _Take, event: Bow) -> None:
    evenly = np.linspace(0, event.seconds, event.changes + 2)[1:-1]
    changes = evenly + take.rng.uniform(-0.1, 0.1, len(evenly))
    more = {"changes_s": tuple(changes.tolist()), "attack_s": event.attack_s}
    take.note(event.string, "bowed", take.clock, event.seconds, **more)
    take.clock += event.seconds + take.rng.uniform(0.15, 0.5)


def _both(take: _Take, event: Both) -> None:
    take.note(event.low, "two_strings", take.clock, event.seconds, string_2=event.high)
    take.clock += event.seconds + take.rng.uniform(0.2, 0.5)


def _touch(take: _Take, event: Touch) -> None:
    more = {"node": event.node, "by": event.by}
    take.note(event.string, "harmonic", take.clock, event.seconds, **more)
    take.clock += event.seconds + take.rng.uniform(0.1, 0.3)


def _slip(take: _Take, event: Slip) -> None:
    end = take.clock + event.over_s
    before = take.cents(event.string)
    take.move(event.string, take.clock, end, before + event.by_cents)
    take.slips.append(
        {
            "string": event.string,
            "start_s": take.clock,
            "end_s": end,
            "from_cents": before,
            "to_cents": before + event.by_cents,
        }
    )
    take.clock = end + 0.1


def _tune(take: _Take, event: Tune) -> None:
    silent = event.by == "silent"
    begin = take.clock
    if silent:
        take.stops.append((event.string, begin - 0.05))
    clock = begin if silent else begin + take.rng.uniform(0.3, 0.6)
    for target in event.to:
        before = take.cents(event.string)
        end = clock + max(0.12, abs(target - before) / event.speed)
        take.move(event.string, clock, end, target)
        turn = {"string": event.string, "start_s": clock, "end_s": end, "from_cents": before}
        take.turns.append(turn | {"to_cents": float(target), "sounding": not silent})
        clock = end + event.gap_s * take.rng.uniform(0.6, 1.2) * (0.5 if silent else 1.0)
    if event.by == "bowed":
        seconds = clock - begin + 0.8
        take.note(event.string, "bowed", begin, seconds, changes_s=(), attack_s=0.08)
        take.clock = begin + seconds + 0.3
    elif silent:
        take.clock = clock
        _pluck(take, Pluck(event.string, 2, event.gap_s))
    else:
        at = begin
        while at < clock + 0.2:
            take.note(event.string, "plucked", at, 0.3)
            at += event.gap_s * take.rng.uniform(0.8, 1.2)
        take.note(event.string, "plucked", at, 0.3)
        take.clock = at + event.gap_s * take.rng.uniform(0.9, 1.3)


_HANDLERS: dict[type, Any] = {
    Say: _say,
    Rest: _rest,
    Tune: _tune,
    Pluck: _pluck,
    Bow: _bow,
    Both: _both,
    Touch: _touch,
    Tone: _tone,
    Slip: _slip,
}


def _render(take: _Take, rate_hz: int, room: Room) -> tuple[np.ndarray, dict[str, Any]]:
    size = int((max(take.clock, take.busy_until) + 1.2) * rate_hz)
    dry = np.zeros(size)
    alone, notes = _play_notes(take, dry, rate_hz)
    own_level = float(np.sqrt(np.mean(dry**2)))
    heard = {
        "speech": _play_speech(take, dry, rate_hz),
        "tones": _play_tones(take, dry, rate_hz),
        "others": _play_others(take, dry, rate_hz, room, own_level),
    }

    def cut(sound: np.ndarray) -> np.ndarray:
        if room.low_cut_hz is None:
            return sound
        return rooms.high_pass(sound, rate_hz, cutoff_hz=room.low_cut_hz)

    audio = dry
    if room.rt60_s is not None:
        audio = rooms.reverberate(dry, rate_hz, rt60_s=room.rt60_s, seed=take.player.seed)
    alone = [(start, cut(sound)) for start, sound in alone]
    noise = cut(_noise(size, rate_hz, room, take.player.seed))
    half = int(rooms.BAND_S * rate_hz)
    powers = [rooms.band_power(_first(sound, half), rate_hz) for _, sound in alone]
    middle = float(np.median(powers)) if powers else 1e-3
    noise *= np.sqrt(middle / 10 ** (room.snr_db / 10) / rooms.band_power(noise, rate_hz))
    everything = cut(dry) + noise
    for (start, sound), power, note in zip(alone, powers, notes, strict=True):
        rest = everything[start : start + half].copy()
        rest[: len(sound)] -= sound[: len(rest)]
        note["snr_db"] = float(10 * np.log10(power / rooms.band_power(rest, rate_hz)))
    audio = cut(audio) + noise
    audio *= min(1.0, 0.9 / np.abs(audio).max())
    truth = {
        "instrument": take.instrument.key,
        "rate_hz": rate_hz,
        "duration_s": size / rate_hz,
        "notes": notes,
        **heard,
        "turns": take.turns,
        "slips": take.slips,
        **_strings_truth(take),
    }
    return audio.astype(np.float32), truth


def _play_notes(
    take: _Take, dry: np.ndarray, rate_hz: int
) -> tuple[list[tuple[int, np.ndarray]], list[dict[str, Any]]]:
    """Add all notes to `dry`; gives each note alone with its first sample, and the truths."""
    timbre = _Timbre(take, rate_hz)
    alone, truths = [], []
    for number, note in enumerate(take.notes):
        stop_s = _stopped(take, note, len(dry) / rate_hz)
        sound, truth = timbre.sound(number, note, stop_s)
        start = _add(dry, sound, note["start_s"], rate_hz)
        sound = sound[: len(dry) - start]
        level = float(np.abs(sound).max(initial=0))
        _add(dry, timbre.sympathy(note, len(sound), level), note["start_s"], rate_hz)
        alone.append((start, sound))
        truths.append(_note_truth(take, note, truth, stop_s))
    return alone, truths


def _play_speech(take: _Take, dry: np.ndarray, rate_hz: int) -> list[dict[str, Any]]:
    spoken = []
    for start_s, text in take.speech:
        words = speech.say(text, rate_hz, voice=take.player.voice)
        _add(dry, words, start_s, rate_hz)
        spoken.append({"start_s": start_s, "end_s": start_s + len(words) / rate_hz, "text": text})
    return spoken


def _play_tones(take: _Take, dry: np.ndarray, rate_hz: int) -> list[dict[str, float]]:
    tones = []
    for start_s, tone in take.tones:
        wave = rooms.reference_tone(
            tone.hz, tone.seconds, rate_hz, wave=tone.wave, level=tone.level
        )
        _add(dry, wave, start_s, rate_hz)
        tones.append({"start_s": start_s, "end_s": start_s + tone.seconds, "f0_hz": tone.hz})
    return tones


def _add(dry: np.ndarray, sound: np.ndarray, start_s: float, rate_hz: int) -> int:
    """Add `sound` to `dry` in place; gives its first sample."""
    start = int(start_s * rate_hz)
    dry[start : start + len(sound)] += sound[: len(dry) - start]
    return start


class _Timbre:
    """How this player's strings sound: fixed for a take."""

    def __init__(self, take: _Take, rate_hz: int) -> None:
        player, rng = take.player, np.random.default_rng([take.player.seed, 13])
        self.take, self.rate_hz, self.player = take, rate_hz, player
        self.body = strings.Body.of(take.instrument.name, player.seed, player.pull_cents)
        most = 4e-4 if take.instrument.name == "double bass" else 1e-4
        self.b = {s: float(rng.uniform(0, most)) for s in take.instrument.strings}
        self.t60 = {
            s: float(2.2 * np.sqrt(220 / hz) * rng.uniform(0.7, 1.3)) for s, hz in take.hz.items()
        }
        self.position = float(rng.uniform(0.12, 0.27))

    def sound(
        self, number: int, note: dict[str, Any], stop_s: float
    ) -> tuple[np.ndarray, dict[str, Any]]:
        """One note's audio from its start, and the generator's truth."""
        rng = np.random.default_rng([self.player.seed, number, 17])
        seed = int(rng.integers(2**31))
        f0_hz, path = self._pitch(note["string"], note["start_s"])
        kind = note["kind"]
        if kind == "two_strings":
            high_hz, _ = self._pitch(note["string_2"], note["start_s"])
            return strings.two_strings(
                f0_hz, high_hz, note["seconds"], self.rate_hz, seed=seed, body=self.body,
                wander_cents=self.player.wander_cents, balance_db=rng.uniform(-4, 4),
            )  # fmt: skip
        if kind == "harmonic":
            return strings.touched_harmonic(
                f0_hz, note["node"], note["seconds"], self.rate_hz, seed=seed, by=note["by"],
                body=self.body, level=0.15,
            )  # fmt: skip
        if kind == "bowed":
            return self._bowed(note, f0_hz, path, seed, rng)
        return self._plucked(note, f0_hz, path, stop_s - note["start_s"], seed, rng)

    def _pitch(self, string: str, start_s: float) -> tuple[float, strings.CentsPath]:
        """The pitch at a time and, where the peg turns later, the way from it on."""
        corners = np.array(self.take.paths[string])
        here = float(np.interp(start_s, corners[:, 0], corners[:, 1]))
        later = corners[corners[:, 0] > start_s]
        f0_hz = self.take.hz[string] * 2 ** (here / 1200)
        if not len(later) or np.all(np.abs(later[:, 1] - here) < 1e-9):
            return f0_hz, None
        return f0_hz, [(0.0, 0.0), *((float(t - start_s), float(c - here)) for t, c in later)]

    def _bowed(
        self, note: dict[str, Any], f0_hz: float, path: strings.CentsPath, seed: int, rng: Any
    ) -> tuple[np.ndarray, dict[str, Any]]:
        level = rng.uniform(0.2, 0.35)
        if self.player.real:
            from lab import samples

            return samples.bowed(
                self.take.instrument.name, f0_hz, note["seconds"], self.rate_hz, seed=seed,
                wander_cents=self.player.wander_cents, path=path, level=level,
            )  # fmt: skip
        return strings.bow(
            f0_hz, note["seconds"], self.rate_hz, seed=seed, body=self.body, path=path,
            wander_cents=self.player.wander_cents, changes_s=note["changes_s"],
            attack_s=note["attack_s"], level=level,
        )  # fmt: skip

    def _plucked(
        self,
        note: dict[str, Any],
        f0_hz: float,
        path: strings.CentsPath,
        seconds: float,
        seed: int,
        rng: Any,
    ) -> tuple[np.ndarray, dict[str, Any]]:
        loudness = rng.uniform(0.2, 0.9)
        level = 0.1 + 0.2 * loudness
        if self.player.real and self.take.instrument.name == "double bass":
            from lab import samples

            return samples.plucked(
                "plucked bass", f0_hz, seconds, self.rate_hz, path=path, level=level,
                velocity=int(60 + 50 * loudness),
            )  # fmt: skip
        low, high = self.player.glide_cents
        return strings.pluck(
            f0_hz, seconds, self.rate_hz, seed=seed, body=self.body, path=path,
            b=self.b[note["string"]], t60_s=self.t60[note["string"]],
            position=self.position * rng.uniform(0.9, 1.1), loudness=loudness,
            glide_cents=low + (high - low) * loudness**2, level=level,
        )  # fmt: skip

    def sympathy(self, note: dict[str, Any], size: int, level: float) -> np.ndarray:
        """What the other open strings add: partials shared with the note, at their own pitch."""
        t = np.arange(size) / self.rate_hz
        out = np.zeros(size)
        names = {note["string"], note.get("string_2")}
        f0_hz, _ = self._pitch(note["string"], note["start_s"])
        for string in self.take.instrument.strings:
            if string in names:
                continue
            own_hz, _ = self._pitch(string, note["start_s"])
            for n in range(1, 9):
                m = round(n * f0_hz / own_hz)
                if m < 1 or m > 10:
                    continue
                apart = 1200 * np.log2(n * f0_hz / (m * own_hz))
                amplitude = 0.06 * level / n / np.hypot(1, apart / 8)
                if amplitude < 0.001 * level:
                    continue
                fall = 6.9 / self.t60[string] * (1 + (m * own_hz / 1500) ** 1.5)
                swell = (1 - np.exp(-t / 0.12)) * np.exp(-fall * t)
                out += amplitude * swell * np.sin(2 * np.pi * m * own_hz * t)
        return out * np.clip((t[-1] - t) / 0.03, 0, 1) if size else out


def _stopped(take: _Take, note: dict[str, Any], duration_s: float) -> float:
    """When a note's string is stopped: sounded again, damped, or the take's end."""
    touched = [
        n["start_s"] for n in take.notes if note["string"] in (n["string"], n.get("string_2"))
    ]
    touched += [at for string, at in take.stops if string == note["string"]]
    # The finger that plucks again stops the string a moment before.
    after = [at - 0.02 for at in touched if at > note["start_s"] + 0.05]
    ring_s = 2.2 * np.sqrt(220 / take.hz[note["string"]]) * 1.1
    return float(min([*after, note["start_s"] + ring_s, duration_s - 0.05]))


def _note_truth(
    take: _Take, note: dict[str, Any], truth: dict[str, Any], stop_s: float
) -> dict[str, Any]:
    plucked = note["kind"] == "plucked"
    fallen_s = note["start_s"] + 2.2 * np.sqrt(220 / take.hz[note["string"]]) * RING_DB / 60
    end_s = min(stop_s, fallen_s) if plucked else note["start_s"] + note["seconds"]
    corners = np.array(take.paths[note["string"]])
    t = np.arange(note["start_s"], end_s, 0.01)
    cents = np.interp(t, corners[:, 0], corners[:, 1])
    late = t >= note["start_s"] + min(strings.SETTLED_S, (end_s - note["start_s"]) / 3)
    target = take.hz[note["string"]]
    f0_hz = float((target * 2 ** (cents[late] / 1200)).mean()) if plucked else truth["f_inf_hz"]
    entry = {
        "start_s": note["start_s"],
        "end_s": float(end_s),
        "kind": note["kind"],
        "string": note["string"],
        "f0_hz": f0_hz,
        "cents": None if note["kind"] == "harmonic" else float(1200 * np.log2(f0_hz / target)),
        "start_cents": float(cents[0]),
        "end_cents": float(cents[-1]),
        "moving": bool(np.ptp(cents) > 1.0),
    }
    if note["kind"] == "two_strings":
        entry |= {"string_2": note["string_2"], "f0_2_hz": truth["f_inf_2_hz"]}
        entry |= {"interval_cents": truth["interval_cents"], "beats_hz": truth["beats_hz"]}
    if note["kind"] == "harmonic":
        entry |= {"by": note["by"]}
    return entry


def _strings_truth(take: _Take) -> dict[str, Any]:
    first_turn: dict[str, float] = {}
    for turn in take.turns:
        first_turn.setdefault(turn["string"], turn["start_s"])
    order = sorted(first_turn, key=lambda s: first_turn[s])
    last = {turn["string"]: turn["end_s"] for turn in take.turns}
    table = {}
    for string in take.instrument.strings:
        left = take.cents(string)
        heard = any(string in (n["string"], n.get("string_2")) for n in take.notes)
        table[string] = {
            "start_cents": take.paths[string][0][1],
            "left_cents": left,
            "left_hz": take.hz[string] * 2 ** (left / 1200),
            "tuned_as": order.index(string) + 1 if string in order else None,
            "settled_s": last.get(string),
            "heard": heard,
        }
    return {"strings": table, "order": order, "last_turn_s": max(last.values(), default=None)}


def _noise(size: int, rate_hz: int, room: Room, seed: int) -> np.ndarray:
    noise = rooms.noise(size, rate_hz, colour=room.colour, seed=seed)
    if room.hum_hz:
        hum = rooms.hum(size, rate_hz, mains_hz=room.hum_hz, seed=seed)
        noise = noise + hum * 10 ** (room.hum_db / 20)
    if room.thumps_per_minute:
        noise = noise + 8 * rooms.thumps(
            size, rate_hz, per_minute=room.thumps_per_minute, seed=seed
        )
    return noise


def _play_others(
    take: _Take, dry: np.ndarray, rate_hz: int, room: Room, own_level: float
) -> list[dict[str, float]]:
    """Somebody practising next door: bowed notes of a scale, dull through the wall."""
    if room.other_player_db is None:
        return []
    rng = np.random.default_rng([take.player.seed, 19])
    out, notes = np.zeros(len(dry)), []
    at = rng.uniform(0.5, 3)
    base = float(np.median(list(take.hz.values()))) * rng.uniform(1.0, 2.0)
    while at < len(dry) / rate_hz - 3:
        f0_hz = base * 2 ** (int(rng.choice([0, 2, 4, 5, 7, 9, 11, 12])) / 12)
        seconds = float(rng.uniform(0.4, 1.6))
        seed = int(rng.integers(2**31))
        sound, truth = strings.bow(f0_hz, seconds, rate_hz, seed=seed, wander_cents=6)
        dull = np.convolve(sound, np.ones(max(1, rate_hz // 2500)), "same")
        _add(out, dull, at, rate_hz)
        notes.append({"start_s": at, "end_s": at + seconds, "f0_hz": truth["f_inf_hz"]})
        at += seconds + (rng.uniform(1, 4) if rng.random() < 0.2 else 0.05)
    level = max(float(np.sqrt(np.mean(out**2))), 1e-12)
    dry += out * own_level / level * 10 ** (room.other_player_db / 20)
    return notes


def _first(audio: np.ndarray, size: int) -> np.ndarray:
    return np.pad(audio[:size], (0, max(0, size - len(audio))))


# --- Takes invented at random -----------------------------------------------------------------

GREETINGS = (
    "Hello, this is my tuning for this week.",
    "Good evening. I am going to tune my strings now.",
    "Hi. I start with the A string, and then the others.",
)
ANSWERS = (
    "I looked at the bridge before and after. It stands straight.",
    "I practised five times this week, mostly in the kitchen.",
    "The lowest string was difficult because the peg is stiff.",
)
LEVELS: dict[str, dict[str, Any]] = {
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
) -> tuple[np.ndarray, dict[str, Any]]:
    """An invented take with its truth; difficulty is a key of LEVELS, which draws snr_db if None.

    Most takes go as taught: speech, A first, plucks while the peg turns, a bowed check, speech.
    The odd things of LEVELS happen with the chance `odd` each: another order, a first round of all
    strings, a bowed turn, a silent turn, a slip, a reference tone, two strings together, a touched
    harmonic, speech over notes, hum, knocks, a low cut, somebody else practising, no check.
    """
    level = LEVELS[difficulty]
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
            events.append(Say(str(rng.choice(ANSWERS)), over=True))
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
    events.append(Say(str(rng.choice(ANSWERS))))
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
    audio, truth = assemble(instrument, start, events, rate_hz=rate_hz, player=player, room=room)
    return audio, truth | {"seed": seed, "difficulty": difficulty, "room": vars(room)}


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
