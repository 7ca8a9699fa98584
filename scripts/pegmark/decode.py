"""Decoding: the sound of any container a phone, laptop or learning platform makes.

Task: one recording in, mono float audio at one fixed rate out, with the facts of the container.
Only the audio stream is decoded; nothing in the file can make us open another file (formats and
protocols are listed, names are never read as addresses).

Conventions: audio is float32, shape (samples,), full scale +-1, at `RATE_HZ`. Decoding and
resampling (with its anti-alias filter) are FFmpeg's, through PyAV.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
from numpy.typing import NDArray

from pegmark.problems import Problem, problem

RATE_HZ = 16_000  # E5 keeps twelve partials below half of it; cheap to analyse
MAX_S = 1200.0  # 20 minutes: no tuning video is longer; bounds time and memory
SHORT_S = 1.0  # shorter than any tuning can be
CUT_SHORT_S = 2.0  # a recording this much shorter than its container says has lost its end
CLIPPED_AT = 0.99  # of full scale: what a clipped sample still reaches after a lossy codec
DEAD_CHANNEL_DB = -30.0  # a channel this far below the other carries nothing but its noise
INVERTED_CORRELATION = -0.5  # channels this opposed would cancel when added
MIX_LOSS_DB = -3.0  # a sum this much weaker than its channels has lost something
STORED_SCALE = 32767.0  # both channels are kept as 16-bit numbers until they are combined
FORMATS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,mp3,ogg,wav,w64,flac,aiff,amr,amrnb,amrwb,aac,"
    "asf,avi,mpegts,mpeg,caf,au,loas"
)
OPEN_OPTIONS = {"protocol_whitelist": "file", "format_whitelist": FORMATS}
SEND_AGAIN = "Ask the student to record again, or to send the file as it came from the camera."


class _Unreadable(Exception):
    def __init__(self, code: str, message: str, action: str = SEND_AGAIN):
        self.problem = problem(code, message, action)
        super().__init__(message)


def decode_recording(
    path: Path | str, max_s: float = MAX_S
) -> tuple[NDArray[np.float32], dict[str, Any]]:
    """Decode the audio of one recording.

    Parameters
    ----------
    path : file of any container in `FORMATS`, whatever its ending says
    max_s : no more than this many seconds are decoded

    Returns
    -------
    audio : float32, shape (samples,), at `RATE_HZ`; empty when nothing could be read
    facts : container, codec, sample_rate_hz, channels, channel_choice, duration_s,
        declared_duration_s, cut, recorded_at, clipped_fraction, rate_hz, samples, status
        ("ok" or "unreadable") and problems. Unknown facts are None.

    A file that cannot be read is a result (status "unreadable"), not an exception.
    """
    facts = _no_facts()
    try:
        if Path(path).stat().st_size == 0:
            raise _Unreadable("empty_file", "The file is empty (0 bytes).")
        audio = _decode(path, max_s, facts)
    except _Unreadable as error:
        return _give_up(facts, error.problem)
    except av.error.FFmpegError as error:
        return _give_up(facts, _explain(error, path))
    return audio, facts


def unreadable(given: Problem) -> tuple[NDArray[np.float32], dict[str, Any]]:
    """The result for a recording that could not be decoded for the reason `given`."""
    return _give_up(_no_facts(), given)


def _no_facts() -> dict[str, Any]:
    unknown = (
        "container codec sample_rate_hz channels channel_choice duration_s declared_duration_s "
        "recorded_at clipped_fraction"
    )
    return {
        "status": "ok",
        "problems": [],
        **dict.fromkeys(unknown.split()),
        "cut": False,
        "rate_hz": RATE_HZ,
        "samples": 0,
    }


def _give_up(facts: dict[str, Any], why: Problem) -> tuple[NDArray[np.float32], dict[str, Any]]:
    facts.update(status="unreadable", problems=[why], samples=0)
    return np.zeros(0, np.float32), facts


def _explain(error: Exception, path: Path | str) -> Problem:
    with open(path, "rb") as stream:
        head = stream.read(4096)
    if b"ftyp" in head[:64]:
        return problem(
            "cut_recording",
            "The file begins like a video but its table of contents is missing: "
            "the recording or its upload was cut off.",
            SEND_AGAIN,
        )
    if _is_text(head):
        what = "a web page" if b"<html" in head.lower() or b"<!doctype" in head.lower() else "text"
        return problem("not_a_recording", f"The file is {what}, not a recording.", SEND_AGAIN)
    return problem(
        "not_a_recording",
        f"The file cannot be read as a recording ({type(error).__name__}).",
        SEND_AGAIN,
    )


def _is_text(head: bytes) -> bool:
    if b"\0" in head:
        return False
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start > len(head) - 4  # only the last letter was cut in two
    return True


def _decode(path: Path | str, max_s: float, facts: dict[str, Any]) -> NDArray[np.float32]:
    address = f"file:{Path(path).absolute()}"
    with av.open(address, options=OPEN_OPTIONS, metadata_errors="replace") as container:
        stream = _choose_stream(container)
        _note_container(container, stream, facts)
        stream.thread_type = "NONE"
        channels, loud, errors = _read_channels(container, stream, max_s, facts)
    samples = sum(chunk.shape[1] for chunk in channels)
    if samples == 0:
        raise _Unreadable("no_sound_decoded", "The file has a sound track, but none of it plays.")
    audio, choice = _combine(channels, samples)
    facts.update(
        channel_choice=choice,
        duration_s=samples / RATE_HZ,
        samples=samples,
        clipped_fraction=loud,
    )
    _judge_length(facts, errors)
    return audio


def _choose_stream(container: Any) -> Any:
    streams = [s for s in container.streams.audio if s.codec_context is not None]
    if not streams:
        if container.streams.audio:
            raise _Unreadable(
                "unknown_codec", "The sound track is locked or of a kind that cannot be read here."
            )
        raise _Unreadable("no_audio", "The file has pictures but no sound track.")
    return max(streams, key=lambda s: (s.codec_context.sample_rate or 0, -s.index))


def _note_container(container: Any, stream: Any, facts: dict[str, Any]) -> None:
    codec = stream.codec_context
    facts.update(
        container=container.format.name.split(",")[0],
        codec=codec.name,
        sample_rate_hz=codec.sample_rate or None,
        channels=codec.channels or None,
        declared_duration_s=container.duration / av.time_base if container.duration else None,
        recorded_at=_recorded_at(container.metadata),
    )


def _recorded_at(metadata: dict[str, str]) -> str | None:
    """The container's own recording time, when it is a plausible date (a hint, never a verdict)."""
    from datetime import datetime

    text = metadata.get("creation_time", "")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment.isoformat() if moment.year >= 2000 else None


def _frames(container: Any, stream: Any, errors: list[str]) -> Iterator[Any]:
    """The decoded frames, going on behind damaged packets."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
            yield from packet.decode()
        except StopIteration:
            return
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            errors.append(type(error).__name__)
            if len(errors) > 1000:  # damaged all through: stop rather than crawl
                return


def _read_channels(
    container: Any, stream: Any, max_s: float, facts: dict[str, Any]
) -> tuple[list[NDArray[np.int16]], float, list[str]]:
    """One or two channels at `RATE_HZ` in 16-bit chunks, the clipped share, and decode errors."""
    resampler, source, layout = None, None, None
    chunks: list[NDArray[np.int16]] = []
    errors: list[str] = []
    taken, loud, seen = 0, 0, 0
    limit = int(max_s * RATE_HZ)
    for frame in itertools.chain(_frames(container, stream, errors), [None]):  # None: flush
        if frame is None and resampler is None:
            break
        if frame is not None:
            kind = (frame.format.name, frame.layout.name, frame.sample_rate)
            if kind != source:  # a stream may change its format on the way
                layout = layout or ("mono" if frame.layout.nb_channels == 1 else "stereo")
                resampler, source = av.AudioResampler("fltp", layout, RATE_HZ), kind
            full_scale = _full_scale(frame)
            loud += int(np.count_nonzero(full_scale >= CLIPPED_AT))
            seen += full_scale.size
        for part in resampler.resample(frame):
            block = np.nan_to_num(part.to_ndarray())
            chunks.append((np.clip(block, -1, 1) * STORED_SCALE).round().astype(np.int16))
            taken += block.shape[1]
        if taken >= limit:
            facts["cut"] = True
            chunks[-1] = chunks[-1][:, : chunks[-1].shape[1] - (taken - limit)]
            break
    return chunks, loud / seen if seen else 0.0, errors


def _full_scale(frame: Any) -> NDArray[np.float64]:
    """The absolute samples of a frame as shares of full scale."""
    samples = frame.to_ndarray()
    if samples.dtype == np.uint8:
        return np.abs(samples.astype(np.float32) - 128) / 127
    if samples.dtype.kind == "i":
        return np.abs(samples.astype(np.float64)) / np.iinfo(samples.dtype).max
    return np.abs(samples)


def _combine(chunks: list[NDArray[np.int16]], samples: int) -> tuple[NDArray[np.float32], str]:
    """Mono audio from one or two channels, chosen by what is in them.

    Channels are added only where that loses nothing: a dead channel is left out, and of two
    channels that would cancel (one inverted) the louder is kept.
    """
    stored = np.empty((chunks[0].shape[0], samples), np.int16)
    at = 0
    while chunks:
        chunk = chunks.pop(0)
        stored[:, at : at + chunk.shape[1]] = chunk
        at += chunk.shape[1]
    if len(stored) == 1:
        return (stored[0] / np.float32(STORED_SCALE)).astype(np.float32), "mono"
    left_power, right_power, product = _powers(stored)
    choice = _choose_channels(left_power, right_power, product)
    audio = np.empty(samples, np.float32)
    if choice == "mix":
        np.add(stored[0], stored[1], out=audio, dtype=np.float32)
        audio *= np.float32(0.5 / STORED_SCALE)
    else:
        loudest = 0 if choice.startswith("left") else 1
        np.multiply(stored[loudest], np.float32(1 / STORED_SCALE), out=audio, dtype=np.float32)
    return audio, choice


def _powers(stored: NDArray[np.int16]) -> tuple[float, float, float]:
    left_power = right_power = product = 0.0
    for start in range(0, stored.shape[1], 1 << 20):  # blocks: memory stays small
        left, right = stored[:, start : start + (1 << 20)].astype(np.float64)
        left_power += float(left @ left)
        right_power += float(right @ right)
        product += float(left @ right)
    return left_power, right_power, product


def _choose_channels(left_power: float, right_power: float, product: float) -> str:
    louder = "left" if left_power >= right_power else "right"
    high, low = max(left_power, right_power), min(left_power, right_power)
    if high == 0:
        return "mix"
    if low <= high * 10 ** (DEAD_CHANNEL_DB / 10):
        return louder
    mixed = (left_power + right_power + 2 * product) / 4
    if product / np.sqrt(high * low) <= INVERTED_CORRELATION:
        return f"{louder} (the channels are opposed)"
    return "mix" if mixed >= high * 10 ** (MIX_LOSS_DB / 10) / 2 else louder


def _judge_length(facts: dict[str, Any], errors: list[str]) -> None:
    problems: list[Problem] = facts["problems"]
    length, declared = facts["duration_s"], facts["declared_duration_s"]
    if facts["cut"]:
        problems.append(
            problem(
                "too_long",
                f"The recording is longer than {length / 60:.0f} minutes; only those were heard.",
                "Listen to the rest yourself, or ask for a shorter take.",
            )
        )
    elif declared is not None and declared - length > max(CUT_SHORT_S, 0.05 * declared):
        problems.append(
            problem(
                "cut_recording",
                f"The file says {declared:.0f} s but only {length:.0f} s of sound are in it.",
                "Check with the student whether the upload was complete.",
            )
        )
    if length < SHORT_S:
        facts["status"] = "unreadable"
        problems.append(
            problem("too_short", f"The recording is only {length:.1f} s long.", SEND_AGAIN)
        )
    elif errors:
        problems.append(
            problem(
                "damaged_recording",
                f"{len(errors)} places in the recording are damaged and were passed over.",
                "Listen to the take yourself before you trust the grade.",
            )
        )
