"""The forecast of the orchestra: spreads, beats, corrections, and the sounds made from them.

Beat rates: two tones beat at the difference of their frequencies (Helmholtz, On the Sensations of
Tone, chapter VIII (from memory)); sums of sinusoids are measured by SciPy's own spectrum. The
forecast of the demo class is compared with its recordings as librosa hears them, in
tests/test_demo.py.
"""

from __future__ import annotations

import statistics

import librosa
import numpy as np
import pytest
from scipy import signal

from lab.example_class import make_class
from pegmark.publish import orchestra, orchestra_page
from pegmark.publish.orchestra import Voice
from pegmark.publish.orchestra_sound import SECONDS, together

RATE_HZ = 16_000


def voice(name: str, string: str, hz: float, cents: float, **others: str) -> Voice:
    told = {"section": "", "instrument": "violin", "stand": "", **others}
    return Voice(name, name, string=string, f0_hz=hz, cents=cents, **told)


def a_strings(*cents: float) -> list[Voice]:
    return [voice(f"v{n}", "A4", 440 * 2 ** (c / 1200), c) for n, c in enumerate(cents)]


def beats_of(sound: np.ndarray, below_hz: float = 20.0) -> float:
    """The strongest rate at which the level of a sound comes and goes, by SciPy's periodogram."""
    level = np.abs(signal.hilbert(sound)) ** 2
    rate, power = signal.periodogram(level, RATE_HZ, nfft=1 << 20)
    near = (rate > 0.3) & (rate < below_hz)
    return float(rate[near][power[near].argmax()])


@pytest.mark.parametrize(
    ("one", "other", "beats"),
    [
        (440.0, 441.0, 1.0),  # common practice: 441 beside 440 already sounds off
        (440.0, 443.5, 3.5),
        (220.0, 441.0, 1.0),  # a cello's A: its second partial beside the violins'
        (55.0, 441.0, 1.0),  # a bass's: its eighth
        (110.5, 440.0, 2.0),
    ],
)
def test_beats_of_one_letter_over_octaves(one, other, beats):
    assert orchestra.beats_hz(one, other) == pytest.approx(beats)
    assert orchestra.beats_hz(other, one) == pytest.approx(beats)


def test_a_fifth_is_no_octave():
    assert orchestra.beats_hz(440.0, 660.0) is None


@pytest.mark.parametrize("off_hz", [1.0, 2.5, 4.0])
def test_the_rendered_sound_beats_as_the_forecast_says(off_hz):
    low_pass = signal.butter(6, 600, fs=RATE_HZ, output="sos")
    sound = signal.sosfiltfilt(low_pass, together([440.0, 440.0 + off_hz]))
    said = orchestra.beats_hz(440.0, 440.0 + off_hz)
    assert beats_of(sound[3200:-3200]) == pytest.approx(said, abs=0.15)


def test_the_rendered_sound_has_every_pitch_and_no_clipping():
    pitches = [55.2, 219.4, 440.0, 446.0]
    sound = together(pitches)
    assert len(sound) == SECONDS * RATE_HZ
    assert np.abs(sound).max() < 1.0
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    for pitch in pitches:
        near = np.abs(hz - pitch) < 0.4
        assert spectrum[near].max() > 20 * np.median(spectrum)
    assert together([]).max() == 0.0


def test_librosa_hears_the_pitch_of_one_voice():
    found = librosa.yin(together([441.3])[1600:-1600], fmin=300, fmax=600, sr=RATE_HZ)
    assert float(np.median(found)) == pytest.approx(441.3, abs=0.5)


def test_the_spread_is_the_standard_deviation():
    told = orchestra.spread_of(a_strings(-4, 0, 1, 9))
    assert told.spread_cents == pytest.approx(statistics.stdev([-4, 0, 1, 9]))
    assert (told.voices, told.lowest_cents, told.highest_cents) == (4, -4, 9)
    assert orchestra.spread_of(a_strings(7)).spread_cents is None


def test_the_corrections_are_those_that_narrow_the_spread_most():
    some = a_strings(0, 1, -2, 14, -11, 2, 5)
    found = orchestra.corrections(some)
    assert [c.voice.cents for c in found] == [14, -11, 5]
    after = orchestra.corrected(some, found)
    assert [v.cents for v in after] == [0, 1, -2, 0, 0, 2, 0]
    assert found[-1].spread_cents == pytest.approx(statistics.stdev(v.cents for v in after))
    assert after[3].f0_hz == pytest.approx(440.0)
    assert [v.f0_hz for v in some[:3]] == [v.f0_hz for v in after[:3]]


@pytest.mark.parametrize("cents", [(0.0, 1.0, -2.9), (7.0, 7.0)])
def test_nobody_in_tune_is_asked_to_turn_nor_where_nothing_is_gained(cents):
    assert orchestra.corrections(a_strings(*cents)) == []


def test_stand_partners_come_from_the_roster():
    pair = [
        voice("a", "A4", 440, 0, stand="1", section="Oak"),
        voice("b", "A4", 441, 3.9, stand="1", section="Oak"),
        voice("c", "A4", 442, 7.9, stand="1", section="Elm"),
        voice("d", "A4", 443, 11.8, section="Oak"),
        voice("b", "D4", 294, 2, stand="1", section="Oak"),
    ]
    found = orchestra.partners(pair)
    assert [(one.name, other.name) for one, other in found] == [("a", "b")]


def test_between_sections_the_middles_are_compared():
    some = [
        *a_strings(0, 0, 30),
        voice("c1", "A3", 220.5, 3.9, instrument="cello"),
        voice("c2", "A3", 220.5, 3.9, instrument="cello"),
    ]
    assert orchestra.between_sections(some) == [("violin", "cello", pytest.approx(1.0))]


@pytest.mark.parametrize(
    ("beats", "words"),
    [
        (0.1, "no waves to be heard"),
        (0.5, "one slow wave every 2 seconds"),
        (3.0, "about 3 waves a second"),
    ],
)
def test_beats_in_words(beats, words):
    assert orchestra_page.beats_words(beats) == words


def test_strings_that_are_not_known_are_no_voices():
    records, ticket = make_class(12)
    heard = orchestra.voices(records.values(), ticket)
    for one in heard:
        string = records[one.student_id]["strings"][one.string]
        assert string["f0_hz"] == one.f0_hz
        assert string["uncertainty_cents"] <= orchestra.SURE_CENTS
    known = sum(
        s["f0_hz"] is not None and (s["uncertainty_cents"] or 99) <= orchestra.SURE_CENTS
        for record in records.values()
        for s in record["strings"].values()
    )
    assert 0 < len(heard) == known


def test_the_page_names_what_it_forecasts_and_asks_for_nothing_from_outside():
    records, ticket = make_class(30)
    pages = orchestra_page.orchestra_pages(records, ticket)
    assert set(pages) == {"orchestra.html", "orchestra/as_left.mp3", "orchestra/after.mp3"}
    page = pages["orchestra.html"]
    assert isinstance(page, str)
    assert "http:" not in page
    assert "https:" not in page
    assert page.count("<script") == 1  # that a stroke says whose it is
    heard = orchestra.voices(records.values(), ticket)
    for one in orchestra.corrections(orchestra.a_strings(heard)):
        assert one.voice.name in page
    assert pages == orchestra_page.orchestra_pages(records, ticket)


def test_names_are_escaped():
    records, ticket = make_class(8)
    for record in records.values():
        record["student"]["given_name"] = "<b>&"
    page = orchestra_page.orchestra_pages(records, ticket)["orchestra.html"]
    assert isinstance(page, str)
    assert "<b>&" not in page


def test_a_class_without_two_a_strings_has_no_page():
    records, ticket = make_class(6)
    for record in records.values():
        record["strings"] = {}
    assert set(orchestra_page.orchestra_pages(records, ticket).values()) == {None}
