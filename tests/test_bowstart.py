"""When a bow begins. Truth: ramps of sinusoids, and bows of the sound laboratory."""

from __future__ import annotations

import numpy as np
import pytest

from conftest import ROOT
from lab import rooms, strings
from pegmark.segment import bow_onset, find_notes, spectrogram
from pegmark.segment.notes import pitch_search
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
T = np.arange(2 * RATE_HZ) / RATE_HZ


def block_of(audio: np.ndarray) -> spectrogram.Block:
    audio = (audio + rooms.noise(len(audio), RATE_HZ, seed=1) * 1e-4).astype(np.float32)
    violin = INSTRUMENTS["violin"]
    floor = spectrogram.noise_floor(audio, violin)
    return spectrogram.read_block(audio, RATE_HZ, pitch_search(violin, RATE_HZ), floor)


@pytest.mark.parametrize("grows_s", [0.08, 0.2])
def test_the_rise_is_described_as_it_is(grows_s):
    """A tone whose amplitude grows evenly from 0.8 s on."""
    growing = np.clip((T - 0.8) / grows_s, 0, 1) * np.sin(2 * np.pi * 440 * T)
    onset_s = 0.8 + 0.5 * grows_s
    rise = bow_onset.describe_rise(block_of(0.3 * growing), onset_s, 440.0)
    assert rise is not None
    passed = [rise[f"passed_{part}"] for part in (12, 20, 35, 50, 70, 90)]
    assert passed == sorted(passed)
    assert rise["passed_50"] == pytest.approx(0.0, abs=0.01)
    assert rise["passed_35"] == pytest.approx(-0.15 * grows_s, abs=0.01)


def test_where_nothing_rises_only_the_usual_lateness_is_known():
    block = block_of(0.3 * np.sin(2 * np.pi * 440 * T))
    assert bow_onset.describe_rise(block, 1.0, 440.0) is None
    assert bow_onset.bow_start(block, 1.0, 440.0) == 1.0 - bow_onset.SOONER_S


def test_bows_of_every_string_and_attack_begin_where_they_were_set_down():
    late = []
    for k, name in enumerate(("violin", "viola", "cello", "double bass")):
        for place, hz in enumerate(INSTRUMENTS[name].hz().values()):
            for attack_s in (0.04, 0.1, 0.2):
                seed = 100 * k + 10 * place + round(50 * attack_s)
                clean, truth = strings.bow(
                    hz, 1.5, RATE_HZ, seed=seed, attack_s=attack_s, lead_s=0.6,
                    body=strings.Body.of(name, seed),
                )  # fmt: skip
                noise = rooms.noise(len(clean), RATE_HZ, seed=seed)
                audio = rooms.mix(clean, noise, 30, RATE_HZ, truth["onset_s"])
                notes = find_notes(audio, RATE_HZ, INSTRUMENTS[name])["notes"]
                late += [notes[0]["start_s"] - truth["onset_s"]] if notes else [np.inf]
    assert np.mean(np.abs(late) < 0.03) > 0.93  # found within 30 ms (design, section 6)
