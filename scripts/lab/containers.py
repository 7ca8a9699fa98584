"""Sound written to, and read back from, the files that phones, laptops and browsers make."""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import av
import numpy as np

# File ending -> (container, audio codec, video codec) as phones and browsers pair them.
CONTAINERS = {
    "mp4": ("mp4", "aac", "libx264"),
    "mov": ("mov", "aac", "libx264"),
    "m4a": ("ipod", "aac", None),
    "webm": ("webm", "libopus", "libvpx"),
    "mkv": ("matroska", "libopus", "libx264"),
    "3gp": ("3gp", "libopencore_amrnb", "h263"),
    "mp3": ("mp3", "libmp3lame", None),
    "ogg": ("ogg", "libopus", None),
    "opus": ("ogg", "libopus", None),
    "wav": ("wav", "pcm_s16le", None),
    "flac": ("flac", "flac", None),
    "aiff": ("aiff", "pcm_s16be", None),
    "amr": ("amr", "libopencore_amrnb", None),
}
LOSSY = {"aac": ("m4a", 64000), "opus": ("ogg", 32000), "mp3": ("mp3", 96000)}
OPUS_HZ = (8000, 12000, 16000, 24000, 48000)
FRAMES_PER_S = 2  # of the picture: it costs little, and a phone's file has one
KEY_FRAME_S = 2  # from one whole picture to the next, as a phone writes them (from memory: 1 to 2)


def write_recording(
    target: Path | BinaryIO,
    audio: np.ndarray,
    rate_hz: int,
    *,
    kind: str,
    bit_rate: int | None = None,
    picture: np.ndarray | None = None,
    metadata: dict[str, str] | None = None,
) -> None:
    """Write `audio` (mono (n,) or stereo (n, 2), full scale +-1) as a file of `kind`.

    Parameters
    ----------
    target : a path or a binary stream.
    rate_hz : must be one that the codec takes (Opus 48000, AMR 8000).
    kind : a key of CONTAINERS.
    bit_rate : of the audio, in bit/s; None: the codec's own choice.
    picture : an RGB image (height, width, 3) uint8 that stands still as the video stream; even
        sizes; 3gp wants 176 x 144.
    metadata : of the container, such as creation_time.

    The same call gives the same bytes with the same PyAV.
    """
    container_name, audio_codec, video_codec = CONTAINERS[kind]
    samples = np.atleast_2d(np.asarray(audio, np.float32).T)
    layout = {1: "mono", 2: "stereo"}[len(samples)]
    name = str(target) if isinstance(target, Path) else target
    options = {"fflags": "+bitexact"}
    with av.open(name, "w", format=container_name, options=options) as container:
        container.metadata.update(metadata or {})
        # PyAV's types cannot tell an audio stream by its codec's name.
        stream: Any = container.add_stream(audio_codec, rate=rate_hz, layout=layout)
        if bit_rate is not None:
            stream.bit_rate = bit_rate
        video = None
        if picture is not None and video_codec is not None:
            video = _add_picture(container, video_codec, picture)
        resampler = av.AudioResampler(format=stream.codec_context.format, layout=layout)
        chunk = 4096
        shown = 0
        for start in range(0, samples.shape[1], chunk):
            block = np.ascontiguousarray(np.clip(samples[:, start : start + chunk], -1, 1))
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout=layout)
            frame.sample_rate = rate_hz
            frame.pts = start
            frame.time_base = Fraction(1, rate_hz)
            for converted in resampler.resample(frame):
                container.mux(stream.encode(converted))
            while video is not None and shown / FRAMES_PER_S < (start + chunk) / rate_hz:
                container.mux(video.encode(_frame(picture, shown)))
                shown += 1
        for converted in resampler.resample(None):
            container.mux(stream.encode(converted))
        container.mux(stream.encode(None))
        if video is not None:
            container.mux(video.encode(None))


def read_recording(source: Path | BinaryIO) -> tuple[np.ndarray, int]:
    """(mono audio float32, its own rate in Hz) of the first audio stream."""
    name = str(source) if isinstance(source, Path) else source
    with av.open(name, "r") as container:
        resampler = av.AudioResampler(format="fltp", layout="mono")
        frames = [f for frame in container.decode(audio=0) for f in resampler.resample(frame)]
        rate_hz = frames[0].sample_rate
        audio = np.concatenate([frame.to_ndarray()[0] for frame in frames])
    return audio, rate_hz


def codec_roundtrip(
    audio: np.ndarray, rate_hz: int, codec: str, *, bit_rate: int | None = None
) -> np.ndarray:
    """What a codec leaves of `audio`: as long, at the same rate, and not delayed.

    codec is a key of LOSSY, which also has the usual bit rate. The sound is coded at 48 kHz, as
    phones do.
    """
    from scipy.signal import resample_poly

    kind, usual = LOSSY[codec]
    common = int(np.gcd(48000, rate_hz))
    up, down = 48000 // common, rate_hz // common
    stream = io.BytesIO()
    high = resample_poly(audio, up, down)
    write_recording(stream, high, 48000, kind=kind, bit_rate=bit_rate or usual)
    stream.seek(0)
    decoded, decoded_hz = read_recording(stream)
    if decoded_hz != 48000:
        raise ValueError(f"{codec} came back at {decoded_hz} Hz, not 48000")
    back = resample_poly(_undelayed(high, decoded), down, up)[: len(audio)]
    return np.pad(back, (0, len(audio) - len(back))).astype(np.float32)


def _add_picture(container: Any, codec: str, picture: np.ndarray) -> Any:
    rate = Fraction(FRAMES_PER_S)
    options = {"libx264": {"crf": "32", "preset": "fast"}, "libvpx": {"crf": "40"}}.get(codec, {})
    stream = container.add_stream(codec, rate=rate, options=options)
    stream.height, stream.width = picture.shape[:2]
    stream.pix_fmt = "yuv420p"
    stream.bit_rate = 20000
    stream.codec_context.thread_count = 1
    stream.codec_context.gop_size = KEY_FRAME_S * FRAMES_PER_S
    return stream


def _frame(picture: Any, number: int) -> av.VideoFrame:
    frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="yuv420p")
    frame.pts = number
    frame.time_base = Fraction(1, FRAMES_PER_S)
    return frame


def _undelayed(sent: np.ndarray, received: np.ndarray) -> np.ndarray:
    """`received` moved to where it agrees best with `sent` (a codec's delay is whole samples)."""
    size = 1 << int(np.ceil(np.log2(len(sent) + len(received))))
    match = np.fft.irfft(np.fft.rfft(received, size) * np.conj(np.fft.rfft(sent, size)), size)
    delay = int(np.argmax(match))
    if delay > size // 2:
        return np.concatenate([np.zeros(size - delay, received.dtype), received])
    return received[delay:]
