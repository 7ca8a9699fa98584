"""Decoding: the sound of any container a phone, laptop or learning platform makes.

Task: one recording in, mono float audio at one fixed rate out, with the facts of the container.
What a file is, its content says, never its name. Only its sound track is demuxed and decoded, by
sound decoders alone; nothing in the file can make us open another one (formats are listed, and no
protocol is allowed: the file itself is handed over open).

Conventions: audio is float32, shape (samples,), full scale +-1, at `RATE_HZ`. Demuxing and
decoding are FFmpeg's, through PyAV; `mixdown` makes mono of the frames.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import av
import av.error
import av.stream
import numpy as np
from numpy.typing import NDArray

from pegmark.decode.mixdown import Mixdown
from pegmark.files.media import MAX_S, is_media, open_plain
from pegmark.records.problems import Problem, problem
from pegmark.signals.audio import RATE_HZ

if TYPE_CHECKING:
    from pegmark.records.take import DecodedFacts

SHORT_S = 1.0  # shorter than any tuning can be
CUT_SHORT_S = 2.0  # a recording this much shorter than its container says has lost its end
CUT_SHORT_SHARE = 0.05  # and this part of it: containers round, and pictures outlast the sound
HOLES_S = 0.5  # more silence than this in place of lost sound may hide a turn
SILENT_PEAK = 1e-4  # of full scale, -80 dB: a microphone that is on gives more than this
MAX_DAMAGE = 1000  # damaged packets: more, and the rest is not worth crawling through
RATES_HZ = range(2_000, 768_001)  # anything else is a damaged header
FORMATS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,mp3,ogg,wav,w64,flac,aiff,amr,amrnb,amrwb,aac,"
    "asf,avi,mpegts,mpeg,caf,au,loas"
)
GUESSED_LENGTH = frozenset({"aac", "amr", "amrnb", "amrwb", "loas"})  # from their bit rate, badly
CODECS = (
    "aac,aac_latm,ac3,adpcm_ima_qt,adpcm_ima_wav,adpcm_ms,alac,amrnb,amrwb,eac3,flac,gsm,gsm_ms,"
    "mp1,mp1float,mp2,mp2float,mp3,mp3float,opus,pcm_alaw,pcm_f32be,pcm_f32le,pcm_f64be,pcm_f64le,"
    "pcm_mulaw,pcm_s16be,pcm_s16le,pcm_s24be,pcm_s24le,pcm_s32be,pcm_s32le,pcm_s8,pcm_u8,qcelp,"
    "vorbis,wmalossless,wmapro,wmav1,wmav2,wmavoice"
)
OPEN_OPTIONS = {"protocol_whitelist": "", "format_whitelist": FORMATS, "codec_whitelist": CODECS}
SEND_AGAIN = "Ask the student to record again, or to send the file as it came from the camera."
LISTEN = "Listen to the take yourself before you trust the grade."


class _Unreadable(Exception):
    def __init__(self, code: str, message: str, action: str = SEND_AGAIN):
        self.problem = problem(code, message, action)
        super().__init__(message)


def decode_recording(
    source: Path | str | IO[bytes], max_s: float = MAX_S
) -> tuple[NDArray[np.float32], DecodedFacts]:
    """Decode the audio of one recording.

    Parameters
    ----------
    source : file of any container in `FORMATS`, whatever its ending says, or such a file open
    max_s : no more than this many seconds are decoded

    Returns
    -------
    audio : float32, shape (samples,), at `RATE_HZ`; empty when nothing could be read
    facts : container, codec, sample_rate_hz, channels, channel_choice, duration_s,
        declared_duration_s, cut, recorded_at, clipped_fraction, filled_s (silence put in for
        sound that is missing), rate_hz, samples, status ("ok" or "unreadable") and problems.
        Unknown facts are None.

    A file that cannot be read as a recording is a result (status "unreadable"), not an exception.
    Raises OSError where the file cannot be opened or is no plain file.
    """
    if isinstance(source, (str, Path)):
        with open_plain(source) as stream:
            return decode_recording(stream, max_s)
    facts = _no_facts()
    try:
        return _decode(source, max_s, facts), facts
    except _Unreadable as error:
        return _give_up(facts, error.problem)
    except av.error.FFmpegError:
        return _give_up(facts, _explain(source))


def unreadable(given: Problem) -> tuple[NDArray[np.float32], DecodedFacts]:
    """The result for a recording that could not be decoded for the reason `given`."""
    return _give_up(_no_facts(), given)


def _no_facts() -> DecodedFacts:
    return {
        "status": "ok",
        "problems": [],
        "container": None,
        "codec": None,
        "sample_rate_hz": None,
        "channels": None,
        "channel_choice": None,
        "duration_s": None,
        "declared_duration_s": None,
        "recorded_at": None,
        "clipped_fraction": None,
        "filled_s": None,
        "cut": False,
        "rate_hz": RATE_HZ,
        "samples": 0,
    }


def _give_up(facts: DecodedFacts, why: Problem) -> tuple[NDArray[np.float32], DecodedFacts]:
    facts |= {"status": "unreadable", "problems": [*facts["problems"], why], "samples": 0}
    return np.zeros(0, np.float32), facts


def _explain(source: IO[bytes]) -> Problem:
    """Why a file could not be opened, from its first bytes."""
    source.seek(0)
    head = source.read(4096)
    if not head:
        return problem("empty_file", "The file is empty (0 bytes).", SEND_AGAIN)
    if b"ftyp" in head[:64]:
        return problem(
            "cut_recording",
            "The file begins like a video but its table of contents is missing or damaged: "
            "the recording or its upload was cut off.",
            SEND_AGAIN,
        )
    if _is_text(head):
        what = "a web page" if b"<html" in head.lower() or b"<!doctype" in head.lower() else "text"
        return problem("not_a_recording", f"The file is {what}, not a recording.", SEND_AGAIN)
    if is_media(head):
        return problem(
            "damaged_recording",
            "The file begins like a recording but cannot be read: it is damaged or was cut off.",
            SEND_AGAIN,
        )
    return problem("not_a_recording", "The file is not a recording.", SEND_AGAIN)


def _is_text(head: bytes) -> bool:
    if b"\0" in head:
        return False
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start > len(head) - 4  # only the last letter was cut in two
    return True


def _decode(source: IO[bytes], max_s: float, facts: DecodedFacts) -> NDArray[np.float32]:
    with av.open(source, "r", options=OPEN_OPTIONS, metadata_errors="replace") as container:
        _note_container(container, facts)
        stream = _choose_stream(container)
        facts["codec"] = stream.codec.name
        for other in container.streams:
            if other.index != stream.index:
                other.discard = av.stream.Discard.all
        stream.thread_type = "NONE"
        started = container.start_time
        mixdown = Mixdown(max_s, None if started is None else started / av.time_base)
        damaged = _feed(container, stream, mixdown, facts)
    audio, choice = mixdown.finish()
    length_s = mixdown.samples / RATE_HZ
    facts |= {
        "channel_choice": choice,
        "duration_s": length_s,
        "samples": mixdown.samples,
        "clipped_fraction": mixdown.clipped_fraction,
        "filled_s": mixdown.filled_s,
        "cut": mixdown.full,
    }
    _judge_sound(audio, facts, mixdown.filled_s)
    _judge_length(facts, length_s)
    _judge_damage(facts, damaged)
    return audio


def _choose_stream(container: Any) -> Any:
    if not container.streams.audio:
        raise _Unreadable("no_audio", "The file has pictures but no sound track.")
    known = CODECS.split(",")
    streams = [s for s in container.streams.audio if s.codec_context and s.codec.name in known]
    if not streams:
        raise _Unreadable("unknown_codec", "The sound track is of a kind that cannot be read here.")
    return max(streams, key=lambda s: (s.codec_context.sample_rate or 0, -s.index))


def _note_container(container: Any, facts: DecodedFacts) -> None:
    name = container.format.name.split(",")[0]
    declared = container.duration and name not in GUESSED_LENGTH
    facts |= {
        "container": name,
        "declared_duration_s": container.duration / av.time_base if declared else None,
        "recorded_at": _recorded_at(container.metadata),
    }


def _recorded_at(metadata: dict[str, str]) -> str | None:
    """The container's own recording time, when it is a plausible date (a hint, never a verdict)."""
    from datetime import datetime

    text = metadata.get("creation_time", "")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment.isoformat() if moment.year >= 2000 else None


def _feed(container: Any, stream: Any, mixdown: Mixdown, facts: DecodedFacts) -> int:
    """Give the track's frames to `mixdown`; returns how many of its packets were damaged."""
    damage: list[str] = []
    frames = 0
    for frame in _frames(container, stream, damage):
        if frames == 0:  # of the sound itself: headers halve the rate of some AAC
            facts |= {"sample_rate_hz": frame.sample_rate, "channels": frame.layout.nb_channels}
        frames += 1
        mixdown.add(frame)
        if mixdown.full:
            break
    if frames <= len(damage):
        raise _Unreadable(
            "no_sound_decoded",
            "The file has a sound track, but none of it plays: it is damaged or locked.",
        )
    return len(damage)


def _frames(container: Any, stream: Any, damage: list[str]) -> Iterator[Any]:
    """The decoded frames, going on behind damaged packets."""
    packets = container.demux(stream)
    while len(damage) <= MAX_DAMAGE:
        try:
            packet = next(packets)
        except (StopIteration, av.error.EOFError):
            return
        except av.error.FFmpegError as error:
            damage.append(type(error).__name__)
            packets = container.demux(stream)
            continue
        if packet.has_sidedata("encryption_info"):
            raise _Unreadable("locked", "The sound track is locked (copy-protected).")
        frames: list[Any] = []
        try:
            frames = packet.decode()
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            damage.append(type(error).__name__)
        for frame in frames:
            if frame.sample_rate in RATES_HZ and frame.samples:
                yield frame
            else:
                damage.append("rate")


def _judge_sound(audio: NDArray[np.float32], facts: DecodedFacts, filled_s: float) -> None:
    if not len(audio) or max(audio.max(), -audio.min()) < SILENT_PEAK:
        raise _Unreadable(
            "silent",
            "There is nothing but silence in the recording.",
            "Ask the student to record again with the microphone on.",
        )
    if filled_s > HOLES_S:
        facts["problems"].append(
            problem("sound_gaps", f"{filled_s:.1f} s of the sound are missing in between.", LISTEN)
        )


def _judge_length(facts: DecodedFacts, length: float) -> None:
    problems, declared = facts["problems"], facts["declared_duration_s"]
    if facts["cut"]:
        problems.append(
            problem(
                "too_long",
                f"The recording is longer than {length / 60:.0f} minutes; only those were heard.",
                "Listen to the rest yourself, or ask for a shorter take.",
            )
        )
    elif declared is not None and declared - length > max(CUT_SHORT_S, CUT_SHORT_SHARE * declared):
        problems.append(
            problem(
                "cut_recording",
                f"The file says {declared:.0f} s but only {length:.0f} s of sound are in it.",
                "Check with the student whether the upload was complete.",
            )
        )
    if length < SHORT_S:
        raise _Unreadable("too_short", f"The recording is only {length:.1f} s long.")


def _judge_damage(facts: DecodedFacts, damaged: int) -> None:
    told = [one["code"] for one in facts["problems"]]
    damaged -= "cut_recording" in told  # the packet in which it was cut off
    if damaged > 0:
        places, verb = ("One place", "was") if damaged == 1 else (f"{damaged} places", "were")
        facts["problems"].append(
            problem(
                "damaged_recording",
                f"{places} in the recording could not be played and {verb} passed over.",
                LISTEN,
            )
        )
