"""A bow that somebody speaks over is read from where the voice has ended."""

from __future__ import annotations

import numpy as np
import pytest

from pegmark.measure.clear_bows import CLEAR_BOW_S, clear_from_s, clear_of_speech, is_held_bow
from pegmark.measure.note_fit import fit_note
from pegmark.trade.instruments import load_instruments
from takes import CONFIG

RATE_HZ = 16_000
VIOLIN = load_instruments(CONFIG / "instruments.yaml")["violin"]


@pytest.mark.parametrize(
    ("passages", "start_s"),
    [
        ([], 2.0),
        ([(0.0, 1.5)], 2.0),  # before it
        ([(1.0, 3.5)], 3.5),
        ([(1.0, 2.5), (3.0, 4.0)], 4.0),  # the last word counts
        ([(1.0, 5.5)], 2.0),  # too little is left
        ([(5.9, 7.0)], 2.0),  # the voice ends after the bow
    ],
)
def test_from_when_on_nobody_speaks(passages, start_s):
    assert clear_from_s(2.0, 6.0, passages) == start_s
    assert start_s == 2.0 or 6.0 - start_s >= CLEAR_BOW_S


def test_a_turned_bow_keeps_its_own_reading():
    assert is_held_bow("bowed", False, [])
    assert is_held_bow("bowed", False, None)
    assert not is_held_bow("bowed", True, [])
    assert not is_held_bow("bowed", False, [(0, 1, 3.0, 0.1)])
    assert not is_held_bow("plucked", False, None)


def test_what_a_voice_pulls_is_left_out():
    """A steady A under a sliding sound in its first half: read as surely as if it were alone."""
    times = np.arange(4 * RATE_HZ) / RATE_HZ
    sound = sum(np.sin(2 * np.pi * 440 * n * times) / n for n in range(1, 9)) * 0.05
    slide = 2 * np.pi * np.cumsum(430 + 4 * np.sin(2 * np.pi * 0.7 * times)) / RATE_HZ
    voice = sum(np.sin(n * slide) / n for n in range(1, 9)) * 0.03 * (times < 2.0)
    audio = (sound + voice).astype(np.float32)
    note = {"start_s": 0.0, "end_s": 4.0, "kind": "bowed", "f0_hz": 440.0, "string": "A4"}
    whole = fit_note(audio, RATE_HZ, note)
    speech = [{"start_s": 0.0, "end_s": 2.0}]
    (clear,) = clear_of_speech(audio, RATE_HZ, [note], [whole], speech, VIOLIN, None)
    assert not whole.gliding
    assert clear.f0_hz is not None
    assert abs(1200 * np.log2(clear.f0_hz / 440)) < 0.005
    assert clear.half_width_cents < whole.half_width_cents / 5
    (same,) = clear_of_speech(audio, RATE_HZ, [note], [whole], [], VIOLIN, None)
    assert same is whole
