"""General-purpose pitch libraries on a note, beside our own fit; imported when they are asked."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np

from lab.note_cases import Case, ours
from pegmark.signals.audio import RATE_HZ

PACKAGES = ("librosa", "parselmouth", "pyworld")

# pyworld asks a module that setuptools no longer brings for its own version; nothing else.
if not importlib.util.find_spec("pkg_resources"):
    unknown: Any = SimpleNamespace(get_distribution=lambda _: SimpleNamespace(version="unknown"))
    sys.modules["pkg_resources"] = unknown

Method = Callable[[Case], float | None]


def heard(case: Case) -> tuple[np.ndarray, float, float]:
    """(audio, lowest, highest pitch in Hz) as the libraries get them."""
    first, last = (round(t * RATE_HZ) for t in case.window)
    coarse = case.note["f0_hz"]
    return case.audio[first:last].astype(np.float64), coarse / 2, coarse * 2


def frame_length(low_hz: float) -> int:
    """Samples: room for more than two periods of the lowest pitch searched."""
    return 2048 if 2.5 * RATE_HZ / low_hz < 2048 else 4096


def median_of(track: np.ndarray) -> float | None:
    good = track[np.isfinite(track) & (track > 0)]
    return float(np.median(good)) if len(good) else None


def pyin(case: Case) -> float | None:
    """librosa's probabilistic YIN."""
    import librosa

    audio, low, high = heard(case)
    size = frame_length(low)
    track, _, _ = librosa.pyin(
        audio, fmin=low, fmax=high, sr=RATE_HZ, frame_length=size, hop_length=256, resolution=0.05
    )
    return median_of(track)


def yin(case: Case) -> float | None:
    """librosa's YIN."""
    import librosa

    audio, low, high = heard(case)
    track = librosa.yin(
        audio, fmin=low, fmax=high, sr=RATE_HZ, frame_length=frame_length(low), hop_length=256
    )
    return median_of(track)


def praat(case: Case) -> float | None:
    """Praat's autocorrelation, by parselmouth."""
    import parselmouth

    audio, low, high = heard(case)
    sound = parselmouth.Sound(audio, RATE_HZ)
    try:
        pitch = sound.to_pitch_ac(pitch_floor=low, pitch_ceiling=high)
    except parselmouth.PraatError:  # a stretch too short for three periods of the floor
        return None
    return median_of(pitch.selected_array["frequency"])


def world(case: Case) -> float | None:
    """WORLD's harvest and stonemask, by pyworld."""
    import pyworld

    audio, low, high = heard(case)
    track, times = pyworld.harvest(audio, RATE_HZ, f0_floor=low, f0_ceil=high)
    return median_of(pyworld.stonemask(audio, track, times, RATE_HZ))


METHODS: dict[str, Method] = {
    "ours": ours,
    "librosa yin": yin,
    "librosa pyin": pyin,
    "Praat (parselmouth)": praat,
    "WORLD (pyworld)": world,
}


def _pyin_whole(audio: np.ndarray, low_hz: float, high_hz: float) -> object:
    import librosa

    size = frame_length(low_hz)
    return librosa.pyin(audio, fmin=low_hz, fmax=high_hz, sr=RATE_HZ, frame_length=size)


def _praat_whole(audio: np.ndarray, low_hz: float, high_hz: float) -> object:
    import parselmouth

    sound = parselmouth.Sound(audio, RATE_HZ)
    return sound.to_pitch_ac(pitch_floor=low_hz, pitch_ceiling=high_hz)


# The pitch alone of a whole take, (samples,), between two pitches in Hz.
WHOLE_TAKE_METHODS = {"librosa pyin": _pyin_whole, "Praat (parselmouth)": _praat_whole}
