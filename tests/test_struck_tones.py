"""A piano's A is read by its fundamental, whatever its stretched partials say.

The truth is a stiff string's series (Fletcher & Rossing, The Physics of Musical Instruments, 2.18:
from memory) with the stiffness of a piano's middle strings (4e-4 to 8e-4; common practice).
"""

from __future__ import annotations

import numpy as np
import pytest

from pegmark.measure.note_fit import fit_note
from pegmark.measure.struck_tones import read_fundamental
from pegmark.trade.pitch import cents_between

RATE_HZ = 16000
STIFF = 7e-4


def piano(f1_hz: float, seconds: float = 2.5, b: float = STIFF) -> np.ndarray:
    """A struck string whose first partial is f1_hz."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(t))
    for n in range(1, int(5000 / f1_hz)):
        hz = n * f1_hz * np.sqrt((1 + b * n**2) / (1 + b))
        sound += np.exp(-t * (0.8 + 0.3 * n)) / n * np.sin(2 * np.pi * hz * t + n)
    sound *= np.clip(t / 0.005, 0, 1)
    noise = np.random.default_rng(1).normal(size=len(t)) * 1e-3
    return (0.3 * sound + noise).astype(np.float32)


@pytest.mark.parametrize("f1_hz", [207.7, 220.5, 415.3, 442.0])
def test_a_struck_a_is_its_fundamental(f1_hz):
    audio = np.concatenate([np.zeros(8000, np.float32), piano(f1_hz)])
    note = {"start_s": 0.5, "end_s": 2.9, "kind": "reference_tone", "f0_hz": f1_hz * 1.004}
    fit = fit_note(audio, RATE_HZ, note)
    off = abs(cents_between(fit.f0_hz, f1_hz))
    assert off < 0.5
    assert off <= fit.half_width_cents < 2.0


def test_where_no_line_stands_there_is_no_fundamental():
    noise = np.random.default_rng(2).normal(size=2 * RATE_HZ).astype(np.float32)
    assert read_fundamental(noise, RATE_HZ, 440.0) is None
    assert read_fundamental(noise[:800], RATE_HZ, 440.0) is None
