"""Short listening copies of a take, so that a teacher can judge it without opening the video.

One clip per string (the passage that decided its pitch, with a little room around it), one for
every passage that a sentence about points rests on (a turn, two strings together or one after the
other), one of the turns that are worth hearing, and one of all spoken passages joined. Levels are
evened out, lengths are bounded, and the same audio always gives the same bytes.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pegmark.records.student import Evidence, Record
    from pegmark.records.take import Span

ROOM_S = 0.5  # kept before and after a passage, so that a note starts and ends naturally
FADE_S = 0.03  # long enough that a cut makes no click
STRING_MAX_S = 6.0  # a settled note is heard within seconds
TURN_MAX_S = 10.0  # of a longer passage its beginning and its end: from which pitch to which
SPEECH_MAX_S = 120.0  # two spoken answers; the rest of a long talk stays in the video
PAUSE_S = 0.25  # silence between joined passages
LEVEL_DBFS = -20.0  # RMS of every clip, so that she need not touch the volume
PEAK_DBFS = -1.0  # nothing clips, even where that keeps a clip below LEVEL_DBFS
BIT_RATE = 48_000  # bits per second: transparent for one voice at 16 kHz


def cut_clips(audio: np.ndarray, rate_hz: int, record: Record) -> dict[str, bytes]:
    """The clips of one take: file name -> mp3 bytes.

    `audio` is mono float (samples,) at `rate_hz`. Names are the string's with `#` as `s`
    (``Fs1.mp3``), the criterion's with the number of its sentence (``sounding-2.mp3``),
    ``turns.mp3`` and ``speech.mp3``; a string without a deciding passage, a take without speech or
    without turns that are worth hearing has no such clip.
    """
    sounds = {clip_name(name): _joined(audio, rate_hz, spans)
              for name, spans in _passages(record).items()}  # fmt: skip
    sounds[clip_name("speech")] = _speech(audio, rate_hz, record["speech"])
    return {
        name: encode_mp3(_levelled(sound), rate_hz) for name, sound in sounds.items() if sound.size
    }


def well_turned(record: Record) -> str | None:
    """The string whose turns are worth hearing: in tune, turned only while it sounded, and that
    from furthest off; None where there is none."""
    from_far = {
        name: abs(string["start_cents"] - string.get("zero_cents", 0.0))
        for name, string in record["strings"].items()
        if string.get("verdict") == "in_tune"
        and string["start_cents"] is not None
        and string["moves"]
        and all(move["sounding"] for move in string["moves"])
    }
    return max(from_far, key=lambda name: from_far[name], default=None)


def evidence_clip(record: Record, criterion: str, place: int) -> str | None:
    """The file name of the clip of a criterion's sentence (`place` counts from 0), or None.

    Where it rests on the note that decided its string, that string's clip holds it.
    """
    items = next(row["evidence"] for row in record["score"]["criteria"] if row["id"] == criterion)
    item = items[place]
    if not _has_passage(item):
        return None
    name = item["string"]
    deciding = record["strings"][name]["deciding"] if name in record["strings"] else None
    if name and deciding and "beside" not in item and deciding["start_s"] == item["start_s"]:
        return clip_name(name)
    return clip_name(f"{criterion}-{place + 1}")


def _has_passage(item: Evidence) -> bool:
    start_s, end_s = item.get("start_s"), item.get("end_s")
    return start_s is not None and end_s is not None and end_s > start_s


def _passages(record: Record) -> dict[str, list[tuple[float, float]]]:
    """What is cut from the take: subject of a clip -> its spans in seconds."""
    found = {}
    for name, string in record["strings"].items():
        if passage := string["deciding"]:
            start_s = passage["start_s"]
            end_s = min(passage["end_s"], start_s + STRING_MAX_S - 2 * ROOM_S)
            found[name] = [(start_s, end_s)]
    if turned := well_turned(record):
        moves = record["strings"][turned]["moves"]
        found["turns"] = _halves(moves[0]["start_s"], moves[-1]["end_s"])
    for row in record["score"]["criteria"]:
        for place, item in enumerate(row["evidence"]):
            subject = f"{row['id']}-{place + 1}"
            if evidence_clip(record, row["id"], place) == clip_name(subject):
                found[subject] = _spans(item)
    return found


def _spans(item: Evidence) -> list[tuple[float, float]]:
    """The spans of a sentence's passage, with that of the string beside."""
    start_s, end_s = item["start_s"] or 0.0, item["end_s"] or 0.0
    return [*_halves(start_s, end_s), *([item["beside"]] if "beside" in item else [])]


def _halves(start_s: float, end_s: float) -> list[tuple[float, float]]:
    """A passage; of one that is too long its beginning and its end."""
    half = TURN_MAX_S / 2 - ROOM_S
    if end_s - start_s <= 2 * half:
        return [(start_s, end_s)]
    return [(start_s, start_s + half), (end_s - half, end_s)]


def _joined(audio: np.ndarray, rate_hz: int, spans: list[tuple[float, float]]) -> np.ndarray:
    """Passages one after the other, with short pauses."""
    pause = np.zeros(round(PAUSE_S * rate_hz))
    pieces: list[np.ndarray] = []
    for start_s, end_s in spans:
        sound = _passage(audio, rate_hz, start_s, end_s)
        pieces += [pause, sound] if pieces and sound.size else [sound]
    return np.concatenate(pieces) if pieces else np.zeros(0)


def clip_name(subject: str) -> str:
    """The file name of the clip of a string (or of "speech", or of a criterion's sentence)."""
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
    spans: list[tuple[float, float]] = []
    for passage in sorted(speech, key=lambda p: p["start_s"]):
        if spans and passage["start_s"] - spans[-1][1] <= 2 * ROOM_S:
            spans[-1] = (spans[-1][0], max(spans[-1][1], passage["end_s"]))
        else:
            spans.append((passage["start_s"], passage["end_s"]))
    return _joined(audio, rate_hz, spans)[: round(SPEECH_MAX_S * rate_hz)]


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
