"""Who else is heard in a take: somebody practising next door, a partner who tunes too."""

from __future__ import annotations

from typing import Any

import numpy as np

from lab import strings
from lab.events import Performance, Room

Alone = list[tuple[int, np.ndarray]]  # notes alone, each with its first sample
FIRST_S = 0.5  # of a note, by which levels are compared


def play(
    take: Performance, dry: np.ndarray, rate_hz: int, room: Room, own: Alone, own_level: float
) -> list[dict[str, Any]]:
    """Add the others to `dry`, (samples,); gives what they sounded.

    own : the take's notes alone; own_level : all of them together, RMS over the take.
    """
    heard = []
    if room.other_player_db is not None:
        heard += _next_door(take, dry, rate_hz, room.other_player_db, own_level)
    if room.partner_db is not None:
        heard += _partner(take, dry, rate_hz, room.partner_db, own)
    return heard


def _next_door(
    take: Performance, dry: np.ndarray, rate_hz: int, level_db: float, own_level: float
) -> list[dict[str, Any]]:
    """Bowed notes of a scale, dull through the wall; levels over the whole take."""
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
    dry += out * own_level / level * 10 ** (level_db / 20)
    return notes


def _partner(
    take: Performance, dry: np.ndarray, rate_hz: int, level_db: float, own: Alone
) -> list[dict[str, Any]]:
    """Another student who tunes the same strings, plucked and bowed, each some cents off."""
    rng = np.random.default_rng([take.player.seed, 31])
    body = strings.Body.of(take.instrument.name, take.player.seed + 1)
    off = {string: float(rng.normal(0, 40)) for string in take.hz}
    sounds: Alone = []
    notes = []
    at = float(rng.uniform(0.3, 2))
    while at < len(dry) / rate_hz - 3:
        string = str(rng.choice(list(take.hz)))
        f0_hz = take.hz[string] * 2 ** (off[string] / 1200)
        more: dict[str, Any] = {"seed": int(rng.integers(2**31)), "body": body}
        for _ in range(int(rng.integers(1, 5))):
            seconds = float(rng.uniform(0.5, 1.8))
            make = strings.bow if rng.random() < 0.4 else strings.pluck
            sound, truth = make(f0_hz, seconds, rate_hz, **more)
            sounds.append((int(at * rate_hz), sound))
            notes.append({"start_s": at, "end_s": at + seconds, "f0_hz": truth["f_inf_hz"]})
            at += seconds + 0.05
        at += float(rng.uniform(0.2, 3))
    if sounds and own:
        gain = _middle(own, rate_hz) / _middle(sounds, rate_hz) * 10 ** (level_db / 20)
        for start, sound in sounds:
            _add(dry, gain * sound, start / rate_hz, rate_hz)
    return notes


def _middle(notes: Alone, rate_hz: int) -> float:
    """The middle one (median) of the notes' levels over their first FIRST_S."""
    half = int(FIRST_S * rate_hz)
    return float(np.median([np.sqrt(np.mean(sound[:half] ** 2)) for _, sound in notes])) or 1e-12


def _add(dry: np.ndarray, sound: np.ndarray, start_s: float, rate_hz: int) -> None:
    start = int(start_s * rate_hz)
    dry[start : start + len(sound)] += sound[: max(0, len(dry) - start)]
