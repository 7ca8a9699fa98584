"""Short listening copies of a take, so that a teacher can judge it without opening the video.

One clip per string (the passage that decided its pitch, with a little room around it) and one of
all spoken passages joined. Levels are evened out, lengths are bounded, and the same audio always
gives the same bytes.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pegmark.records.student import Record
    from pegmark.records.take import Span

ROOM_S = 0.4  # kept before and after a passage, so that a note starts and ends naturally
FADE_S = 0.03  # long enough that a cut makes no click
STRING_MAX_S = 6.0  # a settled note is heard within seconds
SPEECH_MAX_S = 120.0  # two spoken answers; the rest of a long talk stays in the video
PAUSE_S = 0.25  # silence between joined spoken passages
LEVEL_DBFS = -20.0  # RMS of every clip, so that she need not touch the volume
PEAK_DBFS = -1.0  # nothing clips, even where that keeps a clip below LEVEL_DBFS
BIT_RATE = 48_000  # bits per second: transparent for one voice at 16 kHz


def cut_clips(audio: np.ndarray, rate_hz: int, record: Record) -> dict[str, bytes]:
    """The clips of one take: file name -> mp3 bytes.

    `audio` is mono float (samples,) at `rate_hz`; `record` has `strings` (each with `deciding`
    or null) and `speech`. Names are the string's with `#` as `s` (``Fs1.mp3``) and
    ``speech.mp3``; a string without a deciding passage, or a take without speech, has no clip.
    """
    clips = {}
    for name, string in record["strings"].items():
        passage = string.get("deciding")
        if passage:
            end_s = min(passage["end_s"], passage["start_s"] + STRING_MAX_S - 2 * ROOM_S)
            sound = _passage(audio, rate_hz, passage["start_s"], end_s)
            if sound.size:
                clips[clip_name(name)] = encode_mp3(_levelled(sound), rate_hz)
    spoken = _speech(audio, rate_hz, record["speech"])
    if spoken.size:
        clips[clip_name("speech")] = encode_mp3(_levelled(spoken), rate_hz)
    return clips


def clip_name(subject: str) -> str:
    """The file name of the clip of a string (or of "speech")."""
    return subject.replace("#", "s") + ".mp3"


def _passage(audio: np.ndarray, rate_hz: int, start_s: float, end_s: float) -> np.ndarray:
    first = max(0, round((start_s - ROOM_S) * rate_hz))
    last = min(len(audio), round((end_s + ROOM_S) * rate_hz))
    if last <= first:
        return np.zeros(0, np.float32)
    sound = np.array(audio[first:last], dtype=np.float64)
    ramp = np.linspace(0.0, 1.0, min(round(FADE_S * rate_hz), len(sound) // 2))
    sound[: len(ramp)] *= ramp
    sound[len(sound) - len(ramp) :] *= ramp[::-1]
    return sound


def _speech(audio: np.ndarray, rate_hz: int, speech: list[Span]) -> np.ndarray:
    """The spoken passages joined by short pauses, passages whose rooms meet taken as one."""
    spans: list[list[float]] = []
    for passage in sorted(speech, key=lambda p: p["start_s"]):
        if spans and passage["start_s"] - spans[-1][1] <= 2 * ROOM_S:
            spans[-1][1] = max(spans[-1][1], passage["end_s"])
        else:
            spans.append([passage["start_s"], passage["end_s"]])
    pause = np.zeros(round(PAUSE_S * rate_hz))
    pieces: list[np.ndarray] = []
    for start_s, end_s in spans:
        sound = _passage(audio, rate_hz, start_s, end_s)
        pieces += [pause, sound] if pieces else [sound]
    joined = np.concatenate(pieces) if pieces else np.zeros(0)
    return joined[: round(SPEECH_MAX_S * rate_hz)]


def _levelled(sound: np.ndarray) -> np.ndarray:
    peak = float(np.max(np.abs(sound)))
    if peak == 0.0:
        return sound
    rms = float(np.sqrt(np.mean(sound**2)))
    gain = min(10 ** (LEVEL_DBFS / 20) / rms, 10 ** (PEAK_DBFS / 20) / peak)
    return sound * gain


def encode_mp3(sound: np.ndarray, rate_hz: int) -> bytes:
    """Mono float sound (samples,) within +-1 as an mp3 file at `rate_hz`."""
    import av

    stream_bytes = io.BytesIO()
    with av.open(stream_bytes, "w", format="mp3") as container:
        stream = container.add_stream("libmp3lame", rate=rate_hz)
        stream.bit_rate = BIT_RATE
        stream.layout = "mono"
        samples = np.round(np.clip(sound, -1.0, 1.0) * 32767).astype(np.int16)
        frame = av.AudioFrame.from_ndarray(samples[np.newaxis, :], format="s16p", layout="mono")
        frame.sample_rate = rate_hz
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return stream_bytes.getvalue()
