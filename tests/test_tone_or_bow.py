"""A steady bow is no reference tone, and a made tone no string.

Truth is made: sounds of the laboratory and sums of sines, whose series and phases are known.
"""

from __future__ import annotations

import numpy as np
import pytest

from conftest import ROOT
from lab import rooms, strings
from pegmark.segment import find_notes
from pegmark.segment.reference_tones import Tone
from pegmark.segment.tone_or_bow import is_bowed
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
SECONDS = 2.5
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")


def noisy(sound: np.ndarray, snr_db: float = 35.0) -> np.ndarray:
    noise = rooms.noise(len(sound), RATE_HZ, seed=3)
    return (sound + noise * np.sqrt(np.mean(sound**2)) * 10 ** (-snr_db / 20)).astype(np.float32)


def saw(hz: float) -> np.ndarray:
    """All partials, as in a bow's sound, but against an even clock."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    return sum(np.sin(2 * np.pi * n * hz * t + n) / n for n in range(1, int(6000 / hz) + 1)) / 5


def steady_bow(hz: float, wander_cents: float, seed: int = 5) -> np.ndarray:
    return strings.bow(hz, SECONDS, RATE_HZ, seed=seed, wander_cents=wander_cents)[0]


@pytest.mark.parametrize("hz", [82.4, 196.0, 440.0, 659.3])
@pytest.mark.parametrize("wander_cents", [0.1, 1.0])
def test_a_string_that_hardly_wanders_is_bowed(hz, wander_cents):
    assert is_bowed(noisy(steady_bow(hz, wander_cents)), RATE_HZ, Tone(0.0, SECONDS, hz, -10.0))


def test_a_bow_is_known_by_its_second_partial():
    audio = noisy(steady_bow(98.0, 0.1))
    assert is_bowed(audio, RATE_HZ, Tone(0.0, SECONDS, 196.0, -10.0))


@pytest.mark.parametrize("hz", [196.0, 440.0])
@pytest.mark.parametrize("wave", ["sine", "square", "organ", "saw"])
def test_a_made_tone_is_none_however_many_partials_it_has(hz, wave):
    made = saw(hz) if wave == "saw" else rooms.reference_tone(hz, SECONDS, RATE_HZ, wave=wave)
    assert not is_bowed(noisy(made), RATE_HZ, Tone(0.0, SECONDS, hz, -10.0))


@pytest.mark.parametrize(("name", "string"), [("violin", "A4"), ("cello", "G2")])
def test_a_very_steady_bow_in_a_take_is_a_note(name, string):
    hz = INSTRUMENTS[name].hz()[string]
    audio = noisy(np.concatenate([np.zeros(8000), steady_bow(hz, 0.1), np.zeros(8000)]))
    kinds = [note["kind"] for note in find_notes(audio, RATE_HZ, INSTRUMENTS[name])["notes"]]
    assert kinds == ["bowed"]
