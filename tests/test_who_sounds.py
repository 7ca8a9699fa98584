"""Plucked or bowed, and an A that another sounds first: told from what is held and what it is like.

Sounds of the laboratory, whose truth is made; scripts/lab/benchmark_hearing.py has the figures for
sampled players and for many.
"""

from __future__ import annotations

import numpy as np
import pytest

from conftest import ROOT
from lab import rooms, strings
from lab.openings import opening_take
from pegmark.segment import find_notes, sounded_a
from pegmark.segment.high_a import find_high_a
from pegmark.segment.note_kind import bowed_log_odds
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
OPEN_HZ = {"violin": 440.0, "viola": 196.0, "cello": 98.0, "double bass": 55.0}


def log_odds(sound: np.ndarray, hz: float) -> float:
    audio = np.concatenate([np.zeros(8000), sound, np.zeros(8000)])
    noise = rooms.noise(len(audio), RATE_HZ, seed=4)
    audio += noise * np.sqrt(np.mean(sound**2)) * 10 ** (-30 / 20)
    one = (np.array([value]) for value in (0.5, np.inf, hz))
    return float(bowed_log_odds(audio.astype(np.float32), RATE_HZ, *one)[0])


@pytest.mark.parametrize("name", OPEN_HZ)
@pytest.mark.parametrize("attack_s", [0.03, 0.2])
def test_a_short_bow_that_stops_dead_is_bowed(name, attack_s):
    hz, body = OPEN_HZ[name], strings.Body.of(name, 3)
    sound, _ = strings.bow(hz, 0.7, RATE_HZ, seed=6, body=body, attack_s=attack_s, ring_s=0.05)
    assert log_odds(sound, hz) > 0


@pytest.mark.parametrize("name", OPEN_HZ)
@pytest.mark.parametrize("loudness", [0.2, 0.9])
def test_a_pluck_that_rings_long_is_plucked(name, loudness):
    hz, body = OPEN_HZ[name], strings.Body.of(name, 3)
    t60_s = 1.6 * 2.2 * np.sqrt(220 / hz)
    sound, _ = strings.pluck(
        hz, 2.5, RATE_HZ, seed=7, body=body, t60_s=t60_s, loudness=loudness, glide_cents=15
    )
    assert log_odds(sound, hz) < 0


@pytest.mark.parametrize(("name", "by"), [("violin", "computed piano"), ("cello", "computed reed")])
def test_an_a_that_another_sounds_first_is_no_string_of_hers(name, by):
    audio, truth = opening_take(11, INSTRUMENTS[name], by)
    end_s = truth["tones"][-1]["end_s"]
    notes = find_notes(audio, RATE_HZ, INSTRUMENTS[name])["notes"]
    opening = [note for note in notes if note["start_s"] < end_s - 0.6]
    assert opening, "it is listed"
    assert {note["kind"] for note in opening} == {"reference_tone"}
    assert all(note["kind"] != "reference_tone" for note in notes if note["start_s"] > end_s + 0.2)


@pytest.mark.parametrize("name", ["viola", "cello"])
def test_her_own_first_notes_stay_hers(name):
    audio, _ = opening_take(12, INSTRUMENTS[name])
    notes = find_notes(audio, RATE_HZ, INSTRUMENTS[name])["notes"]
    assert all(note["kind"] != "reference_tone" for note in notes)


@pytest.mark.parametrize(
    ("hz", "cents"),
    [(440.0, 0.0), (220.0, 0.0), (415.3, -100.0), (442.0, 7.85), (110.0, 0.0), (466.2, None)],
)
def test_an_a_is_one_in_any_octave_and_at_any_usual_pitch(hz, cents):
    # 415 Hz is a semitone under 440 (equal temperament, ISO 16); 466 Hz is a semitone over it.
    folded = sounded_a.folded_cents(hz)
    assert folded is None if cents is None else folded == pytest.approx(cents, abs=0.1)


def test_an_a_above_all_strings_is_listed():
    bass = INSTRUMENTS["double bass"]
    audio, truth = opening_take(22, bass, "computed reed")
    assert truth["tones"][0]["f0_hz"] > 400, "three octaves over the bass's own"
    first = find_notes(audio, RATE_HZ, bass)["notes"][0]
    assert first["kind"] == "reference_tone"
    off_cents = 1200 * np.log2(first["f0_hz"] / truth["a4_hz"])
    assert off_cents - 1200 * round(off_cents / 1200) == pytest.approx(0, abs=10)


def test_an_a_beyond_the_search_is_found_by_itself():
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    reed = sum(np.sin(2 * np.pi * n * 442.0 * t + n) / n for n in range(1, 12))
    audio = np.concatenate([np.zeros(RATE_HZ), 0.1 * reed, np.zeros(RATE_HZ)])
    audio = (audio + 1e-3 * rooms.noise(len(audio), RATE_HZ, seed=2)).astype(np.float32)
    (note,) = find_high_a(audio, RATE_HZ, 4.0, 268.0)
    assert note["f0_hz"] == pytest.approx(442.0, rel=0.001)
    assert note["start_s"] == pytest.approx(1.0, abs=0.15)
    assert note["end_s"] == pytest.approx(3.0, abs=0.15)
    assert find_high_a(audio, RATE_HZ, 0.9, 268.0) == [], "only before the first note"
    assert find_high_a(audio, RATE_HZ, 4.0, 602.0) == [], "a cello's own search goes there"
