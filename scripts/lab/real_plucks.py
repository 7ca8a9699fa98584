"""Plucks of a real double bass: do repeated plucks of one pitch agree within their intervals?

The folder (not a part of this project) holds mono recordings, one note a file, from before its
onset to the end of its ring: NOTE_vlV_rrR_pizz.flac, V = 1 (soft) to 4 (hard), R = 1 to 4. They
were played minutes apart on strings that nobody turned; a stopped pitch may differ by where the
finger lands. Each is resampled to the nearest open string of a bass, put over pink noise, and the
plucks of a pitch are measured as those of one string of one take.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple, cast

import numpy as np

from lab import rooms
from lab.bench import TABLE
from lab.figures import share
from lab.note_cases import LEAD_S
from pegmark.measure.note_fit import NoteFit
from pegmark.measure.take import fit_notes
from pegmark.records.take import NamedNote
from pegmark.signals.audio import RATE_HZ

# Pitch in Hz, the open string it is brought to (a whole tone off at most), and whether it is open
# itself on that instrument, which is tuned in fifths.
RECORDED = {
    "c1": (32.703, 32.703, True), "eb1": (38.891, 41.2034, False), "gb1": (46.249, 41.2034, False),
    "a1": (55.0, 55.0, False), "c2": (65.406, 73.4162, False), "eb2": (77.782, 73.4162, False),
    "gb2": (92.499, 97.9989, False), "a2": (110.0, 97.9989, True),
}  # fmt: skip
RECORDED_SNR_DB = 25.0
FINGER_CENTS = 2.0  # where a finger lands
HARD_FROM = 3  # dynamics of 3 and 4 are hard plucks
ONSET = 0.1  # of the peak of the level (over 5 ms)


class Pluck(NamedTuple):
    """One recording: samples at RATE_HZ with noise, where the note begins and ends, how hard."""

    audio: np.ndarray
    start_s: float
    end_s: float
    hard: bool


def read(path: Path, seed: int) -> Pluck:
    """A recording brought to its open string, over noise."""
    import librosa
    import soundfile

    pitch_hz, open_hz, _ = RECORDED[path.name.split("_")[0]]
    audio, rate_hz = soundfile.read(path)
    audio = librosa.resample(
        audio, orig_sr=rate_hz, target_sr=RATE_HZ * pitch_hz / open_hz, res_type="soxr_hq"
    )
    width = RATE_HZ // 200
    level = np.sqrt(np.convolve(audio**2, np.ones(width) / width, "same"))
    start_s = LEAD_S + int(np.argmax(level > ONSET * level.max())) / RATE_HZ
    audio = np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), audio])
    noise = rooms.noise(len(audio), RATE_HZ, seed=seed)
    mixed = rooms.mix(audio, noise, RECORDED_SNR_DB, RATE_HZ, start_s).astype(np.float32)
    return Pluck(
        mixed, start_s, len(mixed) / RATE_HZ, int(path.name.split("_vl")[1][0]) >= HARD_FROM
    )


def measured(plucks: list[Pluck], open_hz: float) -> list[NoteFit]:
    """Their fits, as of one string of one take."""
    notes: list[NamedNote] = []
    gone_s = 0.0
    for pluck in plucks:
        note: dict[str, Any] = {
            "kind": "plucked", "string": "X", "f0_hz": open_hz,
            "start_s": gone_s + pluck.start_s, "end_s": gone_s + pluck.end_s,
        }  # fmt: skip
        notes.append(cast(NamedNote, note))
        gone_s += len(pluck.audio) / RATE_HZ
    whole = np.concatenate([pluck.audio for pluck in plucks])
    return fit_notes(whole, RATE_HZ, notes, TABLE["double bass"])


def rows(folder: Path) -> Iterator[tuple[object, ...]]:
    """A row a pitch: plucks, standard deviation and median half-width in cents, and how many pairs
    agree within their joint interval, in per cent: all, and soft against hard."""
    for name, (_, open_hz, is_open) in RECORDED.items():
        paths = sorted(folder.glob(f"{name}_vl*_pizz.flac"))
        plucks = [read(path, seed) for seed, path in enumerate(paths, 1)]
        fits = measured(plucks, open_hz)
        known = [(p, f) for p, f in zip(plucks, fits, strict=True) if f.f0_hz is not None]
        cents = np.array([1200 * np.log2(float(f.f0_hz or 0) / open_hz) for _, f in known])
        half = np.array([float(f.half_width_cents or 0) for _, f in known])
        hard = np.array([p.hard for p, _ in known])
        joint = np.hypot(np.hypot(half[:, None], half), 0.0 if is_open else FINGER_CENTS)
        agree = np.abs(cents[:, None] - cents) <= joint
        pairs = np.triu(np.ones_like(agree), 1)
        apart = pairs & (hard[:, None] != hard)
        yield (
            name, len(known), float(np.std(cents)), float(np.median(half)),
            f"{share(agree[pairs]):.0f}", f"{share(agree[apart]):.0f}",
        )  # fmt: skip
