"""A reference tone taken out: what is left is the string, whose pitch is known exactly.

Truth: sinusoids, and notes of the sound laboratory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from conftest import ROOT
from lab import takes
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.segment import find_notes
from pegmark.signals.tone_removal import without_tone
from pegmark.trade.instruments import Instrument, load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
T = np.arange(4 * RATE_HZ) / RATE_HZ


def tone(hz: float, partials: tuple[int, ...] = (1, 3, 5)) -> np.ndarray:
    lasts = (T > 0.5) & (T < 3.5)
    return 0.1 * lasts * sum(np.sin(2 * np.pi * n * hz * T + n) / n for n in partials)


def level_db(audio: np.ndarray) -> float:
    inside = audio[int(0.7 * RATE_HZ) : int(3.3 * RATE_HZ)]
    return float(10 * np.log10(np.mean(inside**2) + 1e-20))


@pytest.mark.parametrize("hz", [220.0, 440.0, 442.0])
@pytest.mark.parametrize("off_hz", [0.0, 0.05, -0.1])
def test_a_tone_goes_though_its_pitch_was_known_not_quite(hz, off_hz):
    audio = tone(hz)
    rest = without_tone(audio, RATE_HZ, 0.5, 3.5, hz + off_hz)
    assert level_db(rest) < level_db(audio) - 40


@pytest.mark.parametrize("apart_hz", [-3.0, 1.0, 5.0, 40.0])
def test_what_comes_and_goes_beside_the_tone_stays(apart_hz):
    string = sum(
        np.sin(2 * np.pi * (440 + apart_hz) * T) * 0.2 * np.exp(-4 * (T - at)) * (at < T)
        for at in (1.0, 2.0)
    )
    rest = without_tone(string + tone(440.0), RATE_HZ, 0.5, 3.5, 440.0)
    assert level_db(rest - string) < level_db(string) - 12


def test_outside_its_time_nothing_is_changed_and_the_input_never_is():
    audio = np.random.default_rng(1).normal(size=len(T)) * 0.1
    before = audio.copy()
    rest = without_tone(audio, RATE_HZ, 1.0, 3.0, 440.0)
    assert (audio == before).all()
    assert (rest[:RATE_HZ] == audio[:RATE_HZ]).all()
    assert (rest[3 * RATE_HZ :] == audio[3 * RATE_HZ :]).all()


def test_a_tone_too_short_to_be_looked_at_stays():
    audio = tone(440.0)
    assert (without_tone(audio, RATE_HZ, 1.0, 1.4, 440.0) == audio).all()


def readings(
    instrument: Instrument, cents: float, tone: takes.Tone, seed: int
) -> tuple[list[dict[str, Any]], list[tuple[float, float]]]:
    """(the reference tones told, (error, half-width) of the notes found) of a string plucked
    before, under and after a tone that begins while it rings."""
    string = instrument.order[0]
    events = [
        takes.Pluck(string, 2, 0.9),
        tone,
        takes.Pluck(string, 4, 1.0),
        takes.Rest(1.5),
    ]
    audio, truth = takes.assemble(
        instrument, {string: cents}, events,
        player=takes.Player(seed=seed), room=takes.Room(snr_db=30, rt60_s=0.3),
    )  # fmt: skip
    found = name_strings({"take": "t", **find_notes(audio, RATE_HZ, instrument)}, instrument)
    measured = measure_take(audio, RATE_HZ, found, instrument)["notes"]
    starts = np.array([note["start_s"] for note in found["notes"]])
    read = []
    for note in truth["notes"]:
        k = int(np.abs(starts - note["start_s"]).argmin())
        if measured[k]["kind"] == "reference_tone" or abs(starts[k] - note["start_s"]) > 0.05:
            continue
        if measured[k]["deviation_cents"] is not None:
            off = measured[k]["deviation_cents"] - note["cents"]
            read.append((off, measured[k]["uncertainty_cents"]))
    return [note for note in measured if note["kind"] == "reference_tone"], read


@pytest.mark.parametrize("name", ["violin", "cello", "double bass"])
@pytest.mark.parametrize("wave", ["sine", "organ"])
def test_strings_plucked_under_a_sounded_a_are_measured_as_what_they_are(name, wave):
    """At a fifth of a semitone from the tone: a reading of the tone would be 20 cents off."""
    tone_hz = 220.0 if name == "double bass" else 440.0
    tone = takes.Tone(tone_hz, 4.5, wave, 0.08, under=True)
    _, read = readings(INSTRUMENTS[name], -20.0, tone, 31)
    assert len(read) >= 2  # those before the tone at least
    assert all(abs(off) < max(1.0, 1.2 * half) for off, half in read)


@pytest.mark.parametrize("seed", range(41, 47))
@pytest.mark.parametrize(
    ("name", "tone_hz", "wave"),
    [("violin", 440.0, "organ"), ("viola", 440.0, "organ"), ("cello", 220.0, "square")],
)
def test_a_soft_tone_that_begins_on_a_ringing_string_of_nearly_its_pitch_is_told(
    name, tone_hz, wave, seed
):
    """Both beat in every partial they share; the string is within 15 cents of the tone."""
    cents = (-15.0, -6.0, 5.0, 12.0)[seed % 4]
    tone = takes.Tone(tone_hz, 4.0, wave, 0.05, under=True)
    tones, read = readings(INSTRUMENTS[name], cents, tone, seed)
    assert [round(tone["f0_hz"]) for tone in tones] == [tone_hz]
    assert len(read) >= 5
    assert all(abs(off) < max(1.0, 1.5 * half) for off, half in read)
