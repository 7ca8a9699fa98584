"""Recordings for the tests of the decoder, made with PyAV: tones in any container and layout."""

from __future__ import annotations

import struct
import tempfile
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

FRAME = 1024
Floats = NDArray[np.float32]


def tone(hz: float, seconds: float, rate_hz: int, level: float = 0.5) -> Floats:
    """A sine of amplitude `level`, float32."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    return (level * np.sin(2 * np.pi * hz * time)).astype(np.float32)


def encode(
    sound: Floats,
    rate_hz: int,
    container: str,
    codec: str,
    layout: str | None = None,
    *,
    options: dict[str, str] | None = None,
    codec_options: dict[str, str] | None = None,
    holes: dict[float, float] | None = None,
    picture: Floats | None = None,
    metadata: dict[str, str] | None = None,
) -> bytes:
    """A file of `sound`, shape (n,) or (n, channels).

    options, codec_options : FFmpeg's, of the container and of the sound track.
    holes : second of the sound -> seconds of its time stamps left out there, packets and all.
    picture : luma (frames, height, width) as a video stream of ten pictures a second.
    """
    samples = sound.reshape(len(sound), -1)
    layout = layout or {1: "mono", 2: "stereo"}[samples.shape[1]]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording"
        with av.open(str(path), "w", format=container, options=options or {}) as out:
            out.metadata.update(metadata or {})
            stream = out.add_stream(codec, rate=rate_hz, layout=layout, options=codec_options)
            stream.bit_rate = 64000 * samples.shape[1]
            film = None if picture is None else _film(out, picture)
            for packets in _packets(stream, samples, rate_hz, layout):
                _mux(out, packets, holes)
                if film is not None:
                    out.mux(next(film, []))
            for packets in film or ():
                out.mux(packets)
        return path.read_bytes()


def _packets(stream, samples, rate_hz, layout):
    resampler = av.AudioResampler(stream.codec_context.format, layout)
    for start in range(0, len(samples), FRAME):
        block = np.ascontiguousarray(samples[start : start + FRAME]).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(block, format="flt", layout=layout)
        frame.sample_rate, frame.pts, frame.time_base = rate_hz, start, Fraction(1, rate_hz)
        for part in resampler.resample(frame):
            yield stream.encode(part)
    for part in resampler.resample(None):
        yield stream.encode(part)
    yield stream.encode(None)


def _film(out, picture):
    video = out.add_stream("libx264", rate=10, options={"preset": "ultrafast", "qp": "1"})
    video.height, video.width = picture.shape[1:]
    video.pix_fmt = "yuv420p"
    video.codec_context.thread_count = 1
    return _pictures(video, picture)


def _pictures(video, picture):
    for number, luma in enumerate(picture):
        shown = av.VideoFrame.from_ndarray(luma, format="gray").reformat(format="yuv420p")
        shown.pts, shown.time_base = number, Fraction(1, 10)
        yield video.encode(shown)
    yield video.encode(None)


def _mux(out, packets, holes) -> None:
    """Write packets, those that start in a hole left out."""
    for packet in packets:
        at = float(packet.pts * packet.time_base)
        if not any(start <= at < start + length for start, length in (holes or {}).items()):
            out.mux(packet)


def sparse_wav(path: Path, seconds: float, rate_hz: int, channels: int) -> None:
    """A 16-bit WAV file (RIFF WAVE, 1994) of one second of a 440 Hz tone, then digital silence.

    The silence is a hole in the file: a gigabyte of it takes no room on the disk.
    """
    first = (tone(440, 1, rate_hz)[:, None].repeat(channels, 1) * 32767).astype("<i2").tobytes()
    size = round(seconds * rate_hz) * channels * 2
    block = channels * 2
    mask = {1: 0x4, 2: 0x3, 6: 0x3F}[channels]  # of the loudspeakers: front, sides, bass
    pcm = bytes.fromhex("0100000000001000800000aa00389b71")  # KSDATAFORMAT_SUBTYPE_PCM
    form = struct.pack(
        "<HHIIHHHHI", 0xFFFE, channels, rate_hz, rate_hz * block, block, 16, 22, 16, mask
    )
    head = b"WAVEfmt " + struct.pack("<I", 40) + form + pcm + b"data" + struct.pack("<I", size)
    with open(path, "wb") as stream:
        stream.write(b"RIFF" + struct.pack("<I", len(head) + size) + head + first)
        stream.truncate(stream.tell() + size - len(first))


def frequency_hz(sound: Floats, rate_hz: int, near_hz: float) -> float:
    """The frequency of a steady tone: the slope of its phase after mixing down with `near_hz`.

    Blocks of a tenth of a second, Hann-windowed; exact to about 1e-6 of the frequency on a clean
    tone of some seconds.
    """
    size = rate_hz // 10
    blocks = sound[: len(sound) // size * size].reshape(-1, size).astype(float)
    time = np.arange(blocks.size).reshape(blocks.shape) / rate_hz
    carrier = np.exp(-2j * np.pi * near_hz * time) * np.hanning(size)
    phase = np.unwrap(np.angle((blocks * carrier).sum(axis=1)))
    slope = np.polyfit(time[:, size // 2], phase, 1)[0]
    return near_hz + slope / (2 * np.pi)


def level_db(sound: Floats, over: float = 0.5) -> float:
    """RMS against that of a sine of amplitude `over`, in dB."""
    rms = np.sqrt(np.mean(np.square(sound, dtype=float)))
    return float(20 * np.log10(max(rms / (over / np.sqrt(2)), 1e-12)))
