"""One recording of a demo class: who plays what, where, and what is wrong with it."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np

from lab.containers import write_recording
from lab.demo_picture import demo_picture
from lab.events import Event, Player, Room
from lab.playing import assemble
from lab.rooms import high_pass
from lab.speech import VOICES


@dataclass(frozen=True)
class Recording:
    """One file of the class: who plays what, where, and what is wrong with it."""

    student_id: str | None
    file: str
    kind: str
    instrument: str
    start_cents: dict[str, float]
    events: tuple[Event, ...]
    wrong: str
    seed: int
    voice: int
    rate_hz: int = 48000
    bit_rate: int | None = 64000
    stereo: bool = False
    picture: tuple[int, int] | None = None  # width, height in pixels
    snr_db: float = 30.0
    hum_hz: float | None = None
    keep: float = 1.0  # part of the file that arrived


def record(recording: Recording, instrument: Any) -> tuple[bytes, dict[str, Any]]:
    """The file's bytes and the truth of what it holds."""
    made_at = 16000 if recording.rate_hz == 8000 else recording.rate_hz
    player = Player(seed=recording.seed, real=True, voice=VOICES[recording.voice], pull_cents=6.0)
    room = Room(snr_db=recording.snr_db, rt60_s=0.35, hum_hz=recording.hum_hz)
    audio, truth = assemble(
        instrument,
        recording.start_cents,
        recording.events,
        rate_hz=made_at,
        player=player,
        room=room,
    )
    audio = _as_recorded(audio, made_at, recording)
    stream = io.BytesIO()
    write_recording(
        stream,
        audio,
        recording.rate_hz,
        kind=recording.kind,
        bit_rate=recording.bit_rate,
        picture=_picture(recording),
    )
    content = stream.getvalue()
    content = content[: int(len(content) * recording.keep)]
    kept = ("duration_s", "notes", "speech", "turns", "slips", "strings", "order", "last_turn_s")
    heard = {key: truth[key] for key in kept}
    about = {"student_id": recording.student_id, "instrument": recording.instrument}
    return content, about | {"wrong": recording.wrong} | heard


def _as_recorded(audio: np.ndarray, rate_hz: int, recording: Recording) -> np.ndarray:
    """What the recorder's microphone and channels make of the sound."""
    if recording.rate_hz == 8000:
        from scipy.signal import resample_poly

        return resample_poly(audio, 1, 2)
    audio = high_pass(audio, rate_hz, cutoff_hz=40, order=2)
    return np.stack([audio, 0.8 * audio], axis=1) if recording.stereo else audio


def _picture(recording: Recording) -> np.ndarray | None:
    return recording.picture and demo_picture(*recording.picture, recording.seed)
