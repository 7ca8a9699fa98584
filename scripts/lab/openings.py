"""Openings: another sounds the A first, then the student tunes to it.

A piano, an oboe or another reed, a partner's violin or cello an octave away, an organ, a tone
player; from the sound font, or computed (a struck string with a piano's stiffness and slow fall, a
reed's even series). The A is anywhere from 415 to 445 Hz, one to three times; the student's A is
out of tune by a little or by nothing, plucked or bowed first. In as many takes nobody sounds
anything: the student's own first notes are just like the others.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from lab import samples, speech, strings, takes
from lab.wide import GIVEN_A_HZ
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

# Who sounds it, and in which octaves (0: that of 440 Hz).
SOUNDED = {
    "piano": (0, -1),
    "bright piano": (0, -1),
    "oboe": (0,),
    "english horn": (0, -1),
    "clarinet": (0, -1),
    "reed organ": (0, -1),
    "church organ": (0, -1),
    "violin": (0,),
    "cello": (-1,),
    "computed piano": (0, -1),
    "computed reed": (0, -1),
    "computed partner": (0, -1),
    "tone": (0, -1),
}
LIKE_OWN = ("violin", "cello", "computed partner")  # these only an octave away from the student's
STRUCK = ("piano", "bright piano", "computed piano")


def opening_take(
    seed: int,
    instrument: Instrument,
    by: str | None = None,
    *,
    whole: bool = False,
    font: Path = samples.SOUND_FONT,
) -> tuple[np.ndarray, dict[str, Any]]:
    """(audio, truth) as `takes.assemble` gives them.

    by : a key of SOUNDED; None: nobody sounds an A. Truth has "by", and "tones" where one does.
    whole : all strings are tuned to the student's A, and bowed as a check; else one more sounds.
    """
    rng = np.random.default_rng([seed, 37])
    own = next(s for s in instrument.strings if s[0] == "A")
    a4_hz = float(rng.uniform(*GIVEN_A_HZ))
    base = 1200 * np.log2(a4_hz / 440)
    events: list[takes.Event] = []
    if rng.random() < 0.5:
        events.append(takes.Say(str(rng.choice(takes.GREETINGS))))
    if by is not None:
        octave = _octave(by, instrument.hz()[own], rng)
        hz = a4_hz * 2.0**octave
        seconds = float(rng.uniform(1.5, 3.5))
        for _ in range(int(rng.integers(1, 3))):
            sound = _sound(by, hz, seconds, rng, font, exact=whole)
            events.append(takes.Tone(hz, seconds, sound=sound * rng.uniform(0.3, 1.0)))
    start = {s: base + float(rng.normal(0, 25)) for s in instrument.strings}
    if rng.random() < 0.2:
        start[own] = base + float(rng.uniform(-3, 3))
    first = takes.Pluck(own, int(rng.integers(1, 4)), float(rng.uniform(0.7, 1.2)))
    if rng.random() < 0.3:
        events.append(takes.Bow(own, float(rng.uniform(0.8, 2.0))))
    else:
        events.append(first)
    gap_s = float(rng.uniform(0.5, 1.0))
    moves = takes.small_moves(start[own], base + float(rng.normal(0, 2)), rng)
    events.append(takes.Tune(own, moves, "plucked", gap_s, float(rng.uniform(30, 90))))
    if rng.random() < 0.7:
        events.append(takes.Bow(own, float(rng.uniform(1.0, 2.0))))
    others = [s for s in instrument.strings if s != own]
    if whole:
        events += _tuned_after(others, start, base, instrument, rng)
    else:
        other = str(rng.choice(others))
        events += [takes.Pluck(other, 2, 0.8), takes.Bow(other, float(rng.uniform(0.8, 1.6)))]
    player = takes.Player(
        seed=seed, glide_cents=(2.0, float(rng.uniform(5, 30))),
        wander_cents=float(rng.uniform(0.3, 4)), voice=str(rng.choice(speech.VOICES)),
    )  # fmt: skip
    room = takes.Room(snr_db=float(rng.uniform(18, 38)), rt60_s=float(rng.uniform(0.2, 0.6)))
    audio, truth = takes.assemble(
        instrument, start, events, rate_hz=RATE_HZ, player=player, room=room
    )
    return audio, truth | {"seed": seed, "by": by, "a4_hz": a4_hz}


def _tuned_after(
    others: list[str],
    start: dict[str, float],
    base: float,
    instrument: Instrument,
    rng: np.random.Generator,
) -> list[takes.Event]:
    """The other strings tuned in turn, most well, and all bowed at the end."""
    events: list[takes.Event] = []
    for string in others:
        left = base + float(rng.normal(0, 3) if rng.random() < 0.8 else rng.normal(0, 15))
        moves = takes.small_moves(start[string], left, rng)
        gap_s = float(rng.uniform(0.5, 1.0))
        events.append(takes.Tune(string, moves, "plucked", gap_s, float(rng.uniform(30, 90))))
    return [*events, *(takes.Bow(s, float(rng.uniform(1.2, 2.2))) for s in instrument.strings)]


def _octave(by: str, own_hz: float, rng: np.random.Generator) -> int:
    own = round(np.log2(own_hz / 440))
    octaves = [o for o in SOUNDED[by] if by not in LIKE_OWN or o != own] or [own + 1]
    return int(rng.choice(octaves))


def _sound(
    by: str, hz: float, seconds: float, rng: np.random.Generator, font: Path, exact: bool = False
) -> np.ndarray:
    """An A of hz as `by` sounds it, (samples,) at RATE_HZ, peak about 0.3.

    exact : a sampled one is brought to hz by what is heard of it (`_heard_hz`); the font's own
    tuning is off by up to 9 cents.
    """
    seed = int(rng.integers(2**31))
    if by == "tone":
        from lab import rooms

        wave = str(rng.choice(["sine", "square", "organ"]))
        return rooms.reference_tone(hz, seconds, RATE_HZ, wave=wave, level=0.3)
    if by == "computed piano":
        stiff = 4e-4 * (hz / 220) ** 1.2 * float(rng.uniform(0.6, 1.6))
        sound, _ = strings.pluck(
            hz, seconds, RATE_HZ, seed=seed, b=stiff, t60_s=float(rng.uniform(5, 12)),
            position=0.12, loudness=float(rng.uniform(0.2, 0.7)), polarization_cents=0.6,
        )  # fmt: skip
        return sound
    if by == "computed reed":
        return _reed(hz, seconds, rng)
    if by == "computed partner":
        body = strings.Body.of("violin" if hz > 300 else "cello", seed)
        return strings.bow(hz, seconds, RATE_HZ, seed=seed, body=body)[0]
    velocity = int(rng.integers(60, 115))
    sound = _sampled(by, hz, seconds, velocity, font)
    if exact:
        sound = _sampled(by, hz * hz / _heard_hz(sound, hz, by), seconds, velocity, font)
    return sound


def _sampled(by: str, hz: float, seconds: float, velocity: int, font: Path) -> np.ndarray:
    from scipy.signal import resample_poly

    exact = 69 + 12 * np.log2(hz / 440)
    key = round(exact)
    raw, _ = samples.play(
        by, key, seconds, offset_cents=100 * (exact - key), velocity=velocity, font=font
    )
    sound = resample_poly(raw.astype(float), 1, samples.FONT_RATE_HZ // RATE_HZ)
    sound = sound[samples.first_sound(sound) :]
    return np.asarray(sound * 0.3 / max(np.abs(sound).max(), 1e-9))


def _heard_hz(sound: np.ndarray, hz: float, by: str) -> float:
    """What is heard of a sound near hz, its attack and its end left out: librosa's YIN; of a struck
    string the first partial, since the stiff string's others stand above whole multiples."""
    import librosa

    steady = sound[RATE_HZ // 4 : max(RATE_HZ, len(sound) - RATE_HZ // 2)]
    low, high = hz * 2 ** (-60 / 1200), hz * 2 ** (60 / 1200)
    if by in STRUCK:
        size = 16 * len(steady)
        spectrum = np.abs(np.fft.rfft(steady * np.hanning(len(steady)), size))
        found = np.fft.rfftfreq(size, 1 / RATE_HZ)
        near = (found > low) & (found < high)
        return float(found[near][np.argmax(spectrum[near])])
    found = librosa.yin(steady, fmin=low, fmax=high, sr=RATE_HZ, frame_length=4096)
    return float(np.median(found))


def _reed(hz: float, seconds: float, rng: np.random.Generator) -> np.ndarray:
    """A reed: an even series with a formant, held, its pitch a little alive."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    wander = strings.slow_wander(rng, seconds, float(rng.uniform(0.5, 3)), t)
    wander -= wander.mean()
    turns = np.cumsum(hz * 2 ** (wander / 1200)) / RATE_HZ
    formant_hz = float(rng.uniform(900, 1500))
    sound = np.zeros(len(t))
    for n in range(1, int(6000 / hz)):
        gain = np.exp(-np.abs(np.log2(n * hz / formant_hz)) * 1.2)
        sound += gain * np.sin(2 * np.pi * n * turns + n)
    sound *= 1 + 0.1 * strings.slow_wander(rng, seconds, 1.0, t).clip(-2, 2)
    sound *= np.clip(t / 0.05, 0, 1) * np.clip((seconds - t) / 0.08, 0, 1)
    return np.asarray(0.3 * sound / np.abs(sound).max())
