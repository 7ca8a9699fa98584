"""Short takes of plucks and bows of every kind, with full truth: is each told for what it is?

Bows of 0.4 to 1.5 s and longer, set down hard or soft, that swell or fade, that ring on after they
leave the string or stop dead; plucks soft and loud, that ring long or hardly at all. Players are
models (`lab.strings`) or sampled, as a synthesizer plays them: their vibrato, release and ring are
the sound font's own. Strings ring into one another; rooms and noise are drawn from the seed.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from lab import rooms, samples, strings
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

DRAWN_NOTES = 8  # in a take
PLUCKED_SHARE = 0.45
PLUCKED_PROGRAMS = {  # sampled plucks near each instrument's
    "violin": ("plucked strings", "plucked guitar", "plucked harp"),
    "viola": ("plucked strings", "plucked guitar", "plucked harp"),
    "cello": ("plucked strings", "plucked guitar", "plucked bass", "plucked steel guitar"),
    "double bass": ("plucked bass", "plucked strings"),
}
DRAWN_SNR_DB = (15.0, 40.0)
DRAWN_LEVELS = (0.15, 1.0)  # of a note, linear
DOUBLED_SHARE, LEVELLED_SHARE = 0.2, 0.2
STOP_S = 0.015  # a finger stops a string in this
Rng = np.random.Generator
Sound = tuple[np.ndarray, str]  # audio from its start, manner


def kinds_take(
    seed: int, instrument: Instrument, font: Path | None = None
) -> tuple[np.ndarray, dict[str, Any]]:
    """(audio float32 at RATE_HZ, truth) of one take.

    font : of the sampled players; None: models play. Truth: instrument, notes (start_s, end_s,
    kind, string, f0_hz, manner), seed.
    """
    rng = np.random.default_rng([seed, 31])
    player: Callable[[bool, float, float, Rng], Sound]
    player = _model(instrument, seed) if font is None else _sampled(instrument, font)
    out_cents = {string: float(rng.normal(0, 30)) for string in instrument.strings}
    clock_s, notes, pieces = 0.6, [], []
    for _ in range(DRAWN_NOTES):
        string = str(rng.choice(instrument.strings))
        f0_hz = instrument.hz()[string] * 2 ** (out_cents[string] / 1200)
        is_plucked = bool(rng.random() < PLUCKED_SHARE)
        low, high = ((0.4, 0.8), (0.8, 1.5), (1.5, 3.0))[rng.choice(3, p=[0.4, 0.45, 0.15])]
        seconds = float(rng.uniform(low, high))
        sound, manner = player(is_plucked, f0_hz, seconds, rng)
        notes.append(
            {
                "start_s": clock_s, "end_s": clock_s + seconds, "string": string, "f0_hz": f0_hz,
                "kind": "plucked" if is_plucked else "bowed", "manner": manner,
            }
        )  # fmt: skip
        pieces.append((string, round(clock_s * RATE_HZ), sound * rng.uniform(*DRAWN_LEVELS)))
        low, high = ((-0.05, 0.1), (0.1, 0.6), (0.6, 1.5))[rng.choice(3)]
        clock_s += seconds + float(rng.uniform(low, high))
    audio = _together(pieces, round((clock_s + 1.0) * RATE_HZ))
    return _recorded(audio, rng, seed), {
        "instrument": instrument.key,
        "notes": notes,
        "seed": seed,
    }


def _together(pieces: list[tuple[str, int, np.ndarray]], size: int) -> np.ndarray:
    """All notes; what still rings on a string ends where it is sounded again."""
    audio = np.zeros(size)
    for k, (string, start, sound) in enumerate(pieces):
        again = [later for name, later, _ in pieces[k + 1 :] if name == string]
        length = min(len(sound), size - start, *(later - start for later in again[:1]))
        audio[start : start + length] += _stopped(sound[:length], length / RATE_HZ, STOP_S)
    return audio


def _stopped(sound: np.ndarray, at_s: float, over_s: float) -> np.ndarray:
    t = np.arange(len(sound)) / RATE_HZ
    return sound * np.clip((at_s - t) / over_s, 0, 1)


def _recorded(audio: np.ndarray, rng: Rng, seed: int) -> np.ndarray:
    if rng.random() < 0.8:
        rt60_s = float(rng.uniform(0.15, 0.9))
        audio = rooms.reverberate(audio, RATE_HZ, rt60_s=rt60_s, seed=seed)
    colour = str(rng.choice(["pink", "brown", "white"]))
    noise = rooms.noise(len(audio), RATE_HZ, colour=colour, seed=seed)
    wanted = rooms.band_power(audio, RATE_HZ) / 10 ** (rng.uniform(*DRAWN_SNR_DB) / 10)
    audio = audio + noise * np.sqrt(wanted / rooms.band_power(noise, RATE_HZ))
    return (audio * 0.9 * rng.uniform(0.1, 1.0) / np.abs(audio).max()).astype(np.float32)


def _model(instrument: Instrument, seed: int) -> Callable[[bool, float, float, Rng], Sound]:
    """A player whose notes are computed."""
    body = strings.Body.of(instrument.name, seed)

    def play(is_plucked: bool, f0_hz: float, seconds: float, rng: Rng) -> Sound:
        note_seed = int(rng.integers(2**31))
        if is_plucked:
            t60_s = 2.2 * np.sqrt(220 / f0_hz) * 4 ** rng.uniform(-0.7, 0.8)
            loudness = float(rng.uniform(0.1, 1.0))
            sound, _ = strings.pluck(
                f0_hz, min(4.0, 1.1 * t60_s), RATE_HZ, seed=note_seed, body=body, t60_s=t60_s,
                position=float(rng.uniform(0.08, 0.35)), loudness=loudness,
                b=float(rng.uniform(0, 3e-4)), glide_cents=float(rng.uniform(0, 40)) * loudness,
                polarization_cents=float(rng.uniform(0.1, 3.0)),
            )  # fmt: skip
            if rng.random() < LEVELLED_SHARE:  # as a telephone that evens loudness records it
                sound = rooms.pump(sound, RATE_HZ, ratio=float(rng.uniform(1.3, 2.5)))
            return sound.astype(float), "long ring" if t60_s > 2.5 else "short ring"
        attack_s = float(rng.choice([rng.uniform(0.01, 0.05), rng.uniform(0.05, 0.3)]))
        wander = float(rng.choice([0.1, rng.uniform(0.3, 5)], p=[0.2, 0.8]))
        vibrato, turns = float(rng.choice([0.0, rng.uniform(3, 25)])), float(rng.uniform(4, 7))

        def bow(hz: float, seed: int) -> np.ndarray:
            return strings.bow(
                hz, seconds, RATE_HZ, seed=seed, body=body, attack_s=min(attack_s, seconds / 2),
                wander_cents=wander, noise_db=float(rng.uniform(-45, -20)), ring_s=1.5,
                path=lambda t: vibrato * np.sin(2 * np.pi * turns * t) if vibrato else 0 * t,
            )[0].astype(float)  # fmt: skip

        sound = bow(f0_hz, note_seed)
        if rng.random() < DOUBLED_SHARE:  # two that play as one: their partials are not locked
            apart = 2 ** (float(rng.normal(0, 6)) / 1200)
            sound += bow(f0_hz * apart, note_seed + 1) * float(rng.uniform(0.2, 1.0))
        return _bowed_so(sound, seconds, rng)

    return play


def _sampled(instrument: Instrument, font: Path) -> Callable[[bool, float, float, Rng], Sound]:
    """A player of a sound font; its own tuning is good to some cents, its notes keep vibrato."""
    from scipy.signal import resample_poly

    def play(is_plucked: bool, f0_hz: float, seconds: float, rng: Rng) -> Sound:
        program = instrument.name
        if is_plucked:
            program = str(rng.choice(PLUCKED_PROGRAMS[instrument.name]))
        exact = 69 + 12 * np.log2(f0_hz / 440)
        key = round(exact + rng.choice([-2, -1, 0, 0, 0, 1, 2]))
        velocity = int(rng.choice([rng.integers(35, 75), rng.integers(75, 127)]))
        long_s = max(2.5, seconds) if is_plucked else seconds
        sound, _ = samples.play(
            program, key, long_s, offset_cents=100 * (exact - key), velocity=velocity, font=font
        )
        sound = resample_poly(sound.astype(float), 1, samples.FONT_RATE_HZ // RATE_HZ)
        sound = sound[samples.first_sound(sound) :]
        sound *= 0.3 / max(np.abs(sound).max(), 1e-9)
        if is_plucked:
            return sound, program
        return _bowed_so(sound, seconds, rng)

    return play


def _bowed_so(sound: np.ndarray, seconds: float, rng: Rng) -> Sound:
    """A bow as it is, or one that stops dead, swells or fades."""
    t = np.arange(len(sound)) / RATE_HZ
    manner = str(rng.choice(["as it is", "rings on", "stops dead", "swells", "fades"]))
    share = np.clip(t / seconds, 0, 1)
    if manner == "as it is":
        sound = sound * np.exp(-np.maximum(t - seconds, 0) * 12)
    elif manner == "stops dead":
        sound = _stopped(sound, seconds, 0.04)
    elif manner == "swells":
        sound = sound * 10 ** (rng.uniform(4, 12) * (np.sin(np.pi * share) - 1) / 20)
    elif manner == "fades":
        sound = sound * 10 ** (-rng.uniform(2, 6) * share / 20)
    return sound, manner
