"""Spoken sentences, by the espeak-ng synthesizer."""

from __future__ import annotations

import subprocess
import tempfile
from functools import lru_cache
from math import gcd
from pathlib import Path

import numpy as np

from lab.containers import read_recording

VOICES = ("en-gb+f2", "en-gb+f4", "en-us+m3", "en-gb+m7", "en-us+f5", "en-gb+f3")


def say(
    text: str, rate_hz: int, *, voice: str = VOICES[0], words_per_minute: int = 160, pitch: int = 60
) -> np.ndarray:
    """`text` spoken, float32, peak 0.3. pitch is the synthesizer's 0-99 (children above 60).

    Raises FileNotFoundError when espeak-ng is not installed (Debian: espeak-ng).
    """
    from scipy.signal import resample_poly

    speech, own_hz = _spoken(text, voice, words_per_minute, pitch)
    common = gcd(rate_hz, own_hz)
    audio = resample_poly(speech, rate_hz // common, own_hz // common)
    return (audio / max(np.abs(audio).max(), 1e-9) * 0.3).astype(np.float32)


@lru_cache(maxsize=256)
def _spoken(text: str, voice: str, words_per_minute: int, pitch: int) -> tuple[np.ndarray, int]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "speech.wav"
        command = ["espeak-ng", "-v", voice, "-s", str(words_per_minute), "-p", str(pitch)]
        subprocess.run([*command, "-w", str(path), "--stdin"], input=text.encode(), check=True)
        return read_recording(path)
