"""Takes from their description to sound: what is sounded when, the sum of it all, and the truth.

Strings ring on until they are sounded again or stopped, other strings resonate, the pitch of a
ringing string follows its peg.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from lab import others, rooms, speech
from lab.events import (
    USUAL_PLAYER,
    USUAL_ROOM,
    Both,
    Bow,
    Event,
    Performance,
    Player,
    Pluck,
    Rest,
    Room,
    Say,
    Slip,
    Tone,
    Touch,
    Tune,
    TuningNote,
)  # fmt: skip
from lab.timbre import Timbre, note_truth, stopped_s
from pegmark.trade.instruments import Instrument

LEAST_TURN_S = 0.12  # no hand turns a peg in less
JERK_S = 0.05  # a peg that sticks jumps in so long


def assemble(
    instrument: Instrument,
    start_cents: dict[str, float],
    events: Sequence[Event],
    *,
    rate_hz: int = 16000,
    player: Player = USUAL_PLAYER,
    room: Room = USUAL_ROOM,
) -> tuple[np.ndarray, dict[str, Any]]:
    """(audio float32, truth) of a take.

    truth: instrument, rate_hz, duration_s;
    notes: start_s, end_s, kind, string (and string_2: of two, the upper), by (of harmonics),
    f0_hz (f0_2_hz), cents (f0_hz against equal temperament), start_cents, end_cents, moving,
    snr_db (the note alone over everything else, before the room's echo);
    strings: start_cents, left_cents, left_hz, tuned_as, settled_s; order; turns: string, start_s,
    end_s, from_cents, to_cents, sounding; slips; speech; tones.
    """
    take = Performance(
        instrument=instrument,
        hz=instrument.hz(),
        player=player,
        rng=np.random.default_rng([player.seed, 11]),
        paths={s: [(0.0, float(start_cents.get(s, 0.0)))] for s in instrument.strings},
    )
    for event in events:
        _HANDLERS[type(event)](take, event)
    return _render(take, rate_hz, room)


def _say(take: Performance, event: Say) -> None:
    spoken = speech.say(event.text, 16000, voice=take.player.voice)
    take.speech.append((take.clock, event.text))
    end = take.clock + len(spoken) / 16000
    take.busy_until = max(take.busy_until, end)
    take.clock = take.clock + 0.4 if event.over else end + take.rng.uniform(0.3, 0.7)


def _rest(take: Performance, event: Rest) -> None:
    take.clock += event.seconds


def _tone(take: Performance, event: Tone | TuningNote) -> None:
    take.tones.append((take.clock, event))
    take.busy_until = max(take.busy_until, take.clock + event.seconds)
    take.clock += 0.5 if event.under else event.seconds + take.rng.uniform(0.3, 0.8)


def _pluck(take: Performance, event: Pluck) -> None:
    for _ in range(event.times):
        take.note(event.string, "plucked", take.clock, 0.3)
        take.clock += event.gap_s * take.rng.uniform(0.85, 1.15)


def _bow(take: Performance, event: Bow) -> None:
    evenly = np.linspace(0, event.seconds, event.changes + 2)[1:-1]
    changes = evenly + take.rng.uniform(-0.1, 0.1, len(evenly))
    more = {"changes_s": tuple(changes.tolist()), "attack_s": event.attack_s}
    more |= {"swell_db": event.swell_db, "ring_s": event.ring_s, "stop_s": event.stop_s}
    take.note(event.string, "bowed", take.clock, event.seconds, **more)
    take.clock += event.seconds + take.rng.uniform(0.15, 0.5)


def _both(take: Performance, event: Both) -> None:
    take.note(event.low, "two_strings", take.clock, event.seconds, string_2=event.high)
    take.clock += event.seconds + take.rng.uniform(0.2, 0.5)


def _touch(take: Performance, event: Touch) -> None:
    more = {"node": event.node, "by": event.by}
    take.note(event.string, "harmonic", take.clock, event.seconds, **more)
    take.clock += event.seconds + take.rng.uniform(0.1, 0.3)


def _slip(take: Performance, event: Slip) -> None:
    if event.ringing:
        take.note(event.string, "plucked", take.clock, 0.3)
        take.clock += take.rng.uniform(0.3, 0.6)
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
    take.clock = end + (take.rng.uniform(0.5, 1.0) if event.ringing else 0.1)


def _tune(take: Performance, event: Tune) -> None:
    if event.by == "in the ring":
        _tune_in_the_ring(take, event)
        return
    silent = event.by == "silent"
    begin = take.clock
    if silent:
        take.stops.append((event.string, begin - 0.05))
    clock = begin if silent else begin + take.rng.uniform(0.3, 0.6)
    for target in event.to:
        end = _turn(take, event, clock, target)
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


def _tune_in_the_ring(take: Performance, event: Tune) -> None:
    for target in event.to:
        take.note(event.string, "plucked", take.clock, 0.3)
        end = _turn(take, event, take.clock + take.rng.uniform(0.3, 0.6), target)
        take.clock = end + event.gap_s * take.rng.uniform(0.6, 1.2)
    _pluck(take, Pluck(event.string, 1, event.gap_s))


def _turn(take: Performance, event: Tune, start_s: float, target: float) -> float:
    """Turn the peg from start_s on; gives when it is there."""
    before = take.cents(event.string)
    end_s = start_s + max(LEAST_TURN_S, abs(target - before) / event.speed)
    jumps = 1
    if event.jerks_cents is not None:
        jumps = max(1, round(abs(target - before) / event.jerks_cents))
    each_s = (end_s - start_s) / jumps
    for number in range(jumps):
        jump_s = each_s if jumps == 1 else min(JERK_S, each_s)
        end_jump_s = start_s + (number + 1) * each_s
        here = before + (target - before) * (number + 1) / jumps
        take.move(event.string, end_jump_s - jump_s, end_jump_s, here)
    turn = {"string": event.string, "start_s": start_s, "end_s": end_s, "from_cents": before}
    sounding = event.by != "silent"
    take.turns.append(turn | {"to_cents": float(target), "sounding": sounding})
    return end_s


_HANDLERS: dict[type, Any] = {
    Say: _say,
    Rest: _rest,
    Tune: _tune,
    Pluck: _pluck,
    Bow: _bow,
    Both: _both,
    Touch: _touch,
    Tone: _tone,
    TuningNote: _tone,
    Slip: _slip,
}


def _render(take: Performance, rate_hz: int, room: Room) -> tuple[np.ndarray, dict[str, Any]]:
    size = int((max(take.clock, take.busy_until) + 1.2) * rate_hz)
    dry = np.zeros(size)
    alone, notes = _play_notes(take, dry, rate_hz)
    own_level = float(np.sqrt(np.mean(dry**2)))
    heard = {
        "speech": _play_speech(take, dry, rate_hz),
        "tones": _play_tones(take, dry, rate_hz),
        "others": others.play(take, dry, rate_hz, room, alone, own_level),
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
    take: Performance, dry: np.ndarray, rate_hz: int
) -> tuple[list[tuple[int, np.ndarray]], list[dict[str, Any]]]:
    """Add all notes to `dry`; gives each note alone with its first sample, and the truths."""
    timbre = Timbre(take, rate_hz)
    alone, truths = [], []
    for number, note in enumerate(take.notes):
        stop_s = stopped_s(take, note, len(dry) / rate_hz)
        sound, truth = timbre.sound(number, note, stop_s)
        start = _add(dry, sound, note["start_s"], rate_hz)
        sound = sound[: len(dry) - start]
        level = float(np.abs(sound).max(initial=0))
        _add(dry, timbre.sympathy(note, len(sound), level), note["start_s"], rate_hz)
        alone.append((start, sound))
        truths.append(note_truth(take, note, truth, stop_s))
    return alone, truths


def _play_speech(take: Performance, dry: np.ndarray, rate_hz: int) -> list[dict[str, Any]]:
    spoken = []
    for start_s, text in take.speech:
        words = speech.say(text, rate_hz, voice=take.player.voice)
        _add(dry, words, start_s, rate_hz)
        spoken.append({"start_s": start_s, "end_s": start_s + len(words) / rate_hz, "text": text})
    return spoken


def _play_tones(take: Performance, dry: np.ndarray, rate_hz: int) -> list[dict[str, Any]]:
    tones = []
    for number, (start_s, tone) in enumerate(take.tones):
        if isinstance(tone, TuningNote):
            wave, by = _tuning_note(take, tone, number, rate_hz), tone.by
        else:
            wave, by = _reference_tone(tone, rate_hz), tone.wave
        _add(dry, wave, start_s, rate_hz)
        end_s = start_s + tone.seconds
        tones.append({"start_s": start_s, "end_s": end_s, "f0_hz": tone.hz, "by": by})
    return tones


def _reference_tone(tone: Tone, rate_hz: int) -> np.ndarray:
    if tone.sound is not None:
        return tone.sound
    return rooms.reference_tone(tone.hz, tone.seconds, rate_hz, wave=tone.wave, level=tone.level)


def _tuning_note(take: Performance, tone: TuningNote, number: int, rate_hz: int) -> np.ndarray:
    from lab import samples

    seed = take.player.seed + number
    return samples.tuning_note(
        tone.by, tone.hz, tone.seconds, rate_hz, seed=seed, level=tone.level
    )[0]


def _add(dry: np.ndarray, sound: np.ndarray, start_s: float, rate_hz: int) -> int:
    """Add `sound` to `dry` in place; gives its first sample."""
    start = int(start_s * rate_hz)
    dry[start : start + len(sound)] += sound[: len(dry) - start]
    return start


def _strings_truth(take: Performance) -> dict[str, Any]:
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


def _first(audio: np.ndarray, size: int) -> np.ndarray:
    return np.pad(audio[:size], (0, max(0, size - len(audio))))
