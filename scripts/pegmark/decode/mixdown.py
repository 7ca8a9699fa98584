"""Mixing down: frames of any rate, layout and format become mono audio at one rate.

Task: the decoded frames of one sound track in, in their order; mono float audio out, with what
was lost or chosen on the way. Where the time stamps leave a hole (packets that were never
recorded or got lost) silence is put in, so that every later second is where a player shows it.

Conventions: audio is float32, full scale +-1, at `RATE_HZ`; times are in seconds of the container.
Resampling, with its anti-alias filter, and the mixing of surround sound are FFmpeg's, through PyAV.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import av
import av.error
import numpy as np
from numpy.typing import NDArray

from pegmark.signals.audio import RATE_HZ

# Measured: flat to 0.4 dB up to 7 kHz, and a tone at 8.05 kHz or above comes through at -90 dB or
# less (the library's own choice, 32 taps and 0.97, lets 8.3 kHz through at -19 dB). Surround sound
# is mixed so that it cannot exceed full scale.
FILTER = {"filter_size": "64", "cutoff": "0.92", "rematrix_maxval": "1"}
CLIPPED_AT = 0.99  # of full scale: what a clipped sample still reaches after a lossy codec
DEAD_CHANNEL_DB = -30.0  # a channel this far below the other carries nothing but its noise
INVERTED_CORRELATION = -0.5  # channels this opposed would cancel when added
MIX_LOSS_DB = -3.0  # a sum this much weaker than its channels has lost something
HOLE_S = 0.06  # what the sound may lag behind its time stamps before a hole is filled
MIXDOWN_STEP_S = 0.01  # a hole begins with a step between two frames; less is a clock that drifts
LONGEST_HOLE_S = 60.0  # a longer step is a damaged time stamp, or a recorder that counts anew
BACK_S = 1.0  # as is one that goes back this far
BLOCK = 1 << 20  # samples worked on at a time, so that temporary arrays stay small
# FFmpeg's sample formats that NumPy has too, as its types. And PyAV walks past the end of a frame's
# list of planes where there are eight or more (PyAV 18: a crash).
PLAIN_KINDS = {"u8": "u1", "s16": "i2", "s32": "i4", "flt": "f4", "dbl": "f8"}
PLAIN_FORMATS = {f"{name}{planar}": k for name, k in PLAIN_KINDS.items() for planar in ("", "p")}
PLAIN_PLANES = 7


class Clock:
    """Where the next frame belongs, by the container's time stamps."""

    def __init__(self, start_s: float | None):
        self._due_s = start_s  # where the sound that was kept ends
        self._ended_s = start_s  # where the last frame ended, by its own stamp

    def hole_before(self, start_s: float | None, length_s: float) -> float:
        """Seconds of silence to put before a frame with this time stamp (None: unknown)."""
        if start_s is None:
            if self._due_s is not None and self._ended_s is not None:
                self._due_s, self._ended_s = self._due_s + length_s, self._ended_s + length_s
            return 0.0
        if self._due_s is None or not -BACK_S < start_s - self._due_s < LONGEST_HOLE_S:
            self._due_s = self._ended_s = start_s
        assert self._ended_s is not None
        lag_s, step_s = start_s - self._due_s, start_s - self._ended_s
        hole_s = lag_s if lag_s > HOLE_S and step_s > MIXDOWN_STEP_S else 0.0
        self._due_s += hole_s + length_s
        self._ended_s = start_s + length_s
        return hole_s


class Mixdown:
    """Takes the frames of one sound track and keeps one or two channels of them at `RATE_HZ`.

    max_s : no more than this many seconds are kept
    start_s : where the container's time begins, in seconds; None: at the first frame
    """

    def __init__(self, max_s: float, start_s: float | None = None):
        self.samples = 0
        self.filled_s = 0.0  # silence put into holes behind the first frame
        self._limit = int(max_s * RATE_HZ)
        self._kept = np.empty((0, 0), np.float32)
        self._clock = Clock(start_s)
        self._kind: tuple[str, str, int] | None = None
        self._resampler: av.AudioResampler | None = None
        self._loud = self._seen = 0

    @property
    def full(self) -> bool:
        """Whether `max_s` are kept already."""
        return 0 < self._limit <= self.samples

    @property
    def clipped_fraction(self) -> float:
        """Part of the samples, at the source's own rate, that reach `CLIPPED_AT`."""
        return self._loud / self._seen if self._seen else 0.0

    def add(self, frame: av.AudioFrame) -> None:
        """Keep one frame; what exceeds `max_s` is dropped."""
        first = self._kind is None
        if first:
            channels = min(frame.layout.nb_channels, 2)
            # Memory that is not yet written to is not yet taken: this costs what is kept.
            self._kept = np.empty((channels, self._limit), np.float32)
        hole_s = self._clock.hole_before(frame.time, frame.samples / frame.sample_rate)
        if hole_s:
            self._flush()
            self._keep(np.zeros((len(self._kept), round(hole_s * RATE_HZ)), np.float32))
            self.filled_s += 0.0 if first else hole_s
        loud, seen = count_loud(frame)
        self._loud, self._seen = self._loud + loud, self._seen + seen
        self._resample(frame)

    def finish(self) -> tuple[NDArray[np.float32], str]:
        """(mono audio, how its channels were chosen); no frame may be added afterwards.

        Channels are added only where that loses nothing: a dead channel is left out, and of two
        channels that would cancel (one inverted) the louder is kept.
        """
        self._flush()
        kept = self._kept[:, : self.samples]
        _bound(kept)
        if len(kept) < 2:
            return kept.reshape(-1), "mono"
        choice = choose_channels(*_powers(kept))
        if choice == "mix":
            kept[0] += kept[1]
            kept[0] *= np.float32(0.5)
        return kept[1 if choice.startswith("right") else 0], choice

    def _resample(self, frame: av.AudioFrame) -> None:
        kind = (frame.format.name, frame.layout.name, frame.sample_rate)
        if kind != self._kind:  # a stream may change its format on the way
            self._flush()
            self._kind = kind
        if self._resampler is None:
            self._resampler, parts = _start_resampling(frame, len(self._kept))
        else:
            parts = self._resampler.resample(frame)
        self._keep_parts(parts)

    def _flush(self) -> None:
        if self._resampler is not None:
            self._keep_parts(self._resampler.resample(None))
            self._resampler = None

    def _keep_parts(self, parts: list[av.AudioFrame]) -> None:
        for part in parts:  # packed: one row, the channels in turn
            channels = part.layout.nb_channels
            plane: Any = part.planes[0]
            block = np.frombuffer(plane, np.float32, part.samples * channels)
            self._keep(block.reshape(-1, channels).T[: len(self._kept)])

    def _keep(self, block: NDArray[np.float32]) -> None:
        end = min(self.samples + block.shape[1], self._limit)
        self._kept[:, self.samples : end] = block[:, : end - self.samples]
        self.samples = end


def _bound(kept: NDArray[np.float32]) -> None:
    """Bring samples to full scale and what is no number to zero, in place; here, not by frame."""
    for start in range(0, kept.shape[1], BLOCK):
        block = kept[:, start : start + BLOCK]
        np.nan_to_num(block, copy=False, nan=0.0)
        np.clip(block, -1.0, 1.0, out=block)


def _start_resampling(
    frame: av.AudioFrame, channels: int
) -> tuple[av.AudioResampler, list[av.AudioFrame]]:
    """A resampler for frames like this one, and what it gives for it."""
    layout = "mono" if channels == 1 else "stereo"
    try:
        resampler = av.AudioResampler("flt", layout, RATE_HZ, options=FILTER)
        return resampler, resampler.resample(frame)
    except av.error.ArgumentError:  # no rule to mix these channels, as of a sound field: the first
        resampler = av.AudioResampler("flt", None, RATE_HZ, options=FILTER)
        return resampler, resampler.resample(frame)


def count_loud(frame: av.AudioFrame) -> tuple[int, int]:
    """(samples of a frame that reach `CLIPPED_AT` of full scale, samples in all)."""
    channels = frame.layout.nb_channels
    planes = channels if frame.format.is_planar else 1
    if frame.format.name not in PLAIN_FORMATS or planes > PLAIN_PLANES:
        (frame,) = av.AudioResampler("flt").resample(frame)
        planes = 1
    kind, each = PLAIN_FORMATS[frame.format.name], frame.samples * channels // planes
    low, high = loud_bounds(kind)
    loud = 0
    for number in range(planes):
        plane: Any = frame.planes[number]
        samples: NDArray[Any] = np.frombuffer(plane, kind, each)
        loud += int(np.count_nonzero(samples >= high) + np.count_nonzero(samples <= low))
    return loud, frame.samples * channels


@cache
def loud_bounds(kind: str) -> tuple[float, float]:
    """Between which values samples of this dtype stand below `CLIPPED_AT` of full scale."""
    if kind.startswith("f"):
        return -CLIPPED_AT, CLIPPED_AT
    bounds = np.iinfo(kind)
    middle = (bounds.max + bounds.min + 1) // 2
    reach = int(CLIPPED_AT * (bounds.max - middle))
    return middle - reach, middle + reach


def choose_channels(left_power: float, right_power: float, product: float) -> str:
    """Which of two channels to use, from their powers and their product, summed over the take."""
    louder = "left" if left_power >= right_power else "right"
    high, low = max(left_power, right_power), min(left_power, right_power)
    if high == 0:
        return "mix"
    if low <= high * 10 ** (DEAD_CHANNEL_DB / 10):
        return louder
    if product / np.sqrt(high * low) <= INVERTED_CORRELATION:
        return f"{louder} (the channels are opposed)"
    mixed = (left_power + right_power + 2 * product) / 4
    return "mix" if mixed >= high * 10 ** (MIX_LOSS_DB / 10) / 2 else louder


def _powers(kept: NDArray[np.float32]) -> tuple[float, float, float]:
    left_power = right_power = product = 0.0
    for start in range(0, kept.shape[1], BLOCK):
        left, right = kept[:, start : start + BLOCK].astype(np.float64)
        left_power += float(left @ left)
        right_power += float(right @ right)
        product += float(left @ right)
    return left_power, right_power, product
