"""Note names and their pitches, against a printed table and a general-purpose library."""

from __future__ import annotations

import librosa
import pytest

from conftest import ROOT
from pegmark.trade import pitch
from pegmark.trade.instruments import load_instruments

TABLE = load_instruments(ROOT / "config" / "instruments.yaml")
# Equal temperament with A4 = 440 Hz (ISO 16:1975), in Hz as handbooks print it, to a hundredth:
# from memory.
ISO_16_HZ = {
    "A0": 27.50, "A#0": 29.14, "B0": 30.87,
    "C1": 32.70, "C#1": 34.65, "D1": 36.71, "D#1": 38.89, "E1": 41.20, "F1": 43.65,
    "F#1": 46.25, "G1": 49.00, "G#1": 51.91, "A1": 55.00, "A#1": 58.27, "B1": 61.74,
    "C2": 65.41, "D2": 73.42, "E2": 82.41, "F2": 87.31, "G2": 98.00, "A2": 110.00, "B2": 123.47,
    "C3": 130.81, "D3": 146.83, "E3": 164.81, "F3": 174.61, "G3": 196.00, "A3": 220.00,
    "B3": 246.94,
    "C4": 261.63, "C#4": 277.18, "D4": 293.66, "D#4": 311.13, "E4": 329.63, "F4": 349.23,
    "F#4": 369.99, "G4": 392.00, "G#4": 415.30, "A4": 440.00, "A#4": 466.16, "B4": 493.88,
    "C5": 523.25, "E5": 659.26,
}  # fmt: skip
PRINTED_TO_HZ = 0.0051  # half a hundredth, rounded
FLATS = {"Bb0": "A#0", "Db1": "C#1", "Eb1": "D#1", "Gb1": "F#1", "Ab1": "G#1", "Bb1": "A#1",
         "Db4": "C#4", "Eb4": "D#4", "Gb4": "F#4", "Ab4": "G#4", "Bb4": "A#4"}  # fmt: skip


@pytest.mark.parametrize("name", ISO_16_HZ)
def test_pitches_are_those_of_the_printed_table(name):
    assert pitch.equal_hz(name) == pytest.approx(ISO_16_HZ[name], abs=PRINTED_TO_HZ)


@pytest.mark.parametrize("name", FLATS)
def test_a_flat_is_the_sharp_below_it(name):
    assert pitch.equal_hz(name) == pitch.equal_hz(FLATS[name])


@pytest.mark.parametrize(("key", "string"), [(k, s) for k, i in TABLE.items() for s in i.strings])
def test_every_open_string_of_every_instrument_stands_in_the_printed_table(key, string):
    assert TABLE[key].hz()[string] == pytest.approx(ISO_16_HZ[string], abs=PRINTED_TO_HZ)


def test_all_names_are_what_librosa_calls_them():
    """librosa.note_to_midi and note_to_hz: another hand's reading of every name."""
    for octave in range(-1, 9):
        for step in "CDEFGAB":
            for accidental in ("", "#", "b"):
                name = f"{step}{accidental}{octave}"
                assert pitch.semitone(name) == librosa.note_to_midi(name)
                assert pitch.equal_hz(name) == pytest.approx(librosa.note_to_hz(name), rel=1e-12)


@pytest.mark.parametrize(
    ("cents", "hz", "than_hz"),  # design, section 5: calculated
    [(3.930, 441, 440), (7.851, 442, 440), (11.764, 443, 440), (-101.271, 415, 440)],
)
def test_cents_between_two_pitches(cents, hz, than_hz):
    assert pitch.cents_between(hz, than_hz) == pytest.approx(cents, abs=5e-4)
    assert pitch.shift_hz(than_hz, cents) == pytest.approx(hz, abs=2e-4)


@pytest.mark.parametrize(
    ("key", "string", "cents"),  # pure intervals from A (design, section 5): calculated
    [
        ("violin", "E5", 1.955), ("violin", "D4", -1.955), ("violin", "G3", -3.910),
        ("viola", "C3", -5.865), ("cello", "C2", -5.865), ("double bass", "E1", 1.955),
        ("double bass", "D2", -1.955), ("double bass", "G2", -3.910),
        ("five-string bass", "B0", 3.910), ("solo bass", "F#1", 5.865),
    ],
)  # fmt: skip
def test_pure_targets_stand_so_far_from_equal_ones(key, string, cents):
    instrument = TABLE[key]
    pure, equal = instrument.pure_hz()[string], instrument.hz()[string]
    assert pitch.cents_between(pure, equal) == pytest.approx(cents, abs=5e-4)


@pytest.mark.parametrize("name", ["H4", "A", "A##4", "a4", "Cb", "A4 ", ""])
def test_what_is_no_name_is_refused(name):
    with pytest.raises(ValueError, match="is not a pitch name"):
        pitch.semitone(name)
