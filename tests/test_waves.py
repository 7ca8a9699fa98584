"""Beats in words, against published beat rates, generated double stops and sampled players.

The rates of tempered fifths and fourths from F3 to G4: B. Capleton, Theory and Practice of Piano
Tuning (2007), as table 1 of J. Neurosci. 32(35) (2012) 12251-12257 prints them. The fifth A4-E5 of
equal temperament, 1.488 a second: R. Moody on the Piano Technicians Guild's list, June 1997.
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from scipy.signal import butter, hilbert, sosfiltfilt

from lab import samples
from lab.events import Both, Bow, Player, Rest, Room
from lab.playing import assemble
from pegmark.measure.two_strings import beats_hz, read_two
from pegmark.trade import pitch
from pegmark.words.waves import waves
from takes import COMMENTS, INSTRUMENTS, grade, row, take

needs_samples = pytest.mark.skipif(
    not (shutil.which("fluidsynth") and samples.SOUND_FONT.exists()),
    reason="fluidsynth and its sound font are not installed (tests/apt-packages.txt)",
)
ENGLISH = COMMENTS["en"]["score"]["words"]["waves"]
PUBLISHED = [
    *(("F3", "C4", 0.6), ("G3", "D4", 0.7), ("A3", "E4", 0.7), ("B3", "F#4", 0.8)),
    *(("C4", "G4", 0.9), ("A3", "D4", 1.0), ("D4", "G4", 1.3), ("B3", "E4", 1.1)),
]


@pytest.mark.parametrize(("low", "high", "rate"), PUBLISHED)
def test_tempered_fifths_and_fourths_beat_as_published(low, high, rate):
    assert round(beats_hz(pitch.equal_hz(low), pitch.equal_hz(high)), 1) == rate


def test_the_violins_tempered_fifths():
    assert beats_hz(440.0, pitch.equal_hz("E5")) == pytest.approx(1.488, abs=0.005)
    for low in ("G3", "D4", "A4"):
        pure = pitch.shift_hz(pitch.equal_hz(low), pitch.PURE_FIFTH_CENTS)
        assert beats_hz(pitch.equal_hz(low), pure) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("beats", "words"),
    [
        (0.0, "no waves"),
        (0.18, "no waves"),
        (0.2, "one slow wave in five seconds"),
        (0.66, "one slow wave in two seconds"),  # G-D of equal temperament
        (0.99, "one slow wave each second"),  # D-A
        (1.49, "one slow wave each second"),  # A-E
        (3.2, "three slow waves each second"),
        (3.82, "four quick waves each second"),
        (6.4, "six quick waves each second"),
        (6.6, "more waves than you can count"),
        (40.0, "more waves than you can count"),
    ],
)
def test_beats_in_words(beats, words):
    assert waves(beats, ENGLISH) == words


def test_every_rate_has_words_in_every_language():
    for language in COMMENTS.values():
        table = language["score"]["words"]["waves"]
        said = [waves(rate, table) for rate in np.arange(0, 9, 0.01)]
        assert all(one and "{" not in one for one in said)
        assert len(set(said)) == 12


@pytest.mark.parametrize(
    ("key", "name", "other", "cents", "words"),
    [
        # E5 5 cents above a pure 660 Hz: 3.82 a second (design, section 5; calculated).
        ("violin", "E5", "A4", 1.955 + 5.0, "four quick waves each second"),
        # D4 5 cents below a pure 293.333 Hz: 3 x 0.846 = 2.54 a second (calculated).
        ("violin", "D4", "A4", -1.955 - 5.0, "three slow waves each second"),
        # Fourths on the bass: 4 x E1's 41.25 Hz, 12 cents low: 1.14 a second (calculated).
        ("double bass", "E1", "A1", 1.955 - 12.0, "one slow wave each second"),
    ],
)
def test_a_sheet_says_what_an_interval_sounds_like(key, name, other, cents, words):
    record = grade(take(key, cents={name: cents}), reference={"method": "string_to_string"})
    said = [e["text"] for e in row(record, "final_pitch")["evidence"] if e["string"] == name]
    assert said[0].endswith(f"Played together, they make {words}.")


def power_at(audio: np.ndarray, hz: float) -> np.ndarray:
    """The squared envelope of the partials about `hz`, 200 a second."""
    band = butter(4, [hz - 25, hz + 25], "bandpass", fs=16000, output="sos")
    power = np.abs(hilbert(sosfiltfilt(band, audio))) ** 2
    return power[: len(power) // 80 * 80].reshape(-1, 80).mean(axis=1)


def swells_a_second(power: np.ndarray) -> float:
    """How often a level swells and fades: the strongest rate from 1.2 to 12 a second."""
    window = np.hanning(len(power))
    spectrum = np.abs(np.fft.rfft((power - np.average(power, weights=window)) * window, 1 << 15))
    rates = np.fft.rfftfreq(1 << 15, 1 / 200)
    wanted = (rates > 1.2) & (rates < 12)
    return float(rates[wanted][np.argmax(spectrum[wanted])])


@pytest.mark.parametrize(("off_cents", "seed"), [(5.0, 1), (-8.0, 2), (12.0, 3)])
def test_a_generated_double_stop_swells_as_often_as_is_said(off_cents, seed):
    """The physical model's violin, A with E off pure by some cents."""
    violin = INSTRUMENTS["violin"]
    start = {"E5": 1.955 + off_cents, "A4": 0.0, "D4": 0.0, "G3": 0.0}
    audio, truth = assemble(
        violin, start, (Rest(0.3), Both("A4", "E5", 5.0)), player=Player(seed=seed, wander_cents=0),
        room=Room(snr_db=40, rt60_s=None),
    )  # fmt: skip
    note = truth["notes"][0]
    sound = audio[int((note["start_s"] + 0.4) * 16000) : int((note["end_s"] - 0.4) * 16000)]
    expected = beats_hz(440.0, pitch.shift_hz(660.0, off_cents))
    assert swells_a_second(power_at(sound, 1320.0)) == pytest.approx(expected, abs=0.3)
    assert waves(expected, ENGLISH) == waves(round(expected), ENGLISH)


def mean_hz(audio: np.ndarray, hz: float) -> tuple[float, float]:
    """The mean frequency of the partial about `hz`: loud moments most, and every moment alike."""
    band = butter(4, [hz - 25, hz + 25], "bandpass", fs=16000, output="sos")
    wave = hilbert(sosfiltfilt(band, audio))[1600:-1600]
    turns = wave[1:] * wave[:-1].conj()
    loud, alike = np.angle(turns.sum()), np.angle(turns).mean()
    return loud / (2 * np.pi) * 16000, alike / (2 * np.pi) * 16000


@needs_samples
@pytest.mark.parametrize("off_cents", [4.0, -4.0, 8.0, 14.0])
def test_two_sampled_players_at_once_are_read_to_beat_as_they_do(off_cents):
    """A bowed A and a bowed E of the sound font, each at its pitch, summed.

    What they do is read off each one alone: the partials that meet about 1320 Hz.
    """
    violin = INSTRUMENTS["violin"]
    cents = {"E5": 1.955 + off_cents, "A4": 0.0, "D4": 0.0, "G3": 0.0}
    parts = []
    for string in ("A4", "E5"):
        audio, truth = assemble(
            violin, cents, (Rest(0.3), Bow(string, 5.0)), player=Player(seed=7, real=True),
            room=Room(snr_db=45, rt60_s=None),
        )  # fmt: skip
        at = int((truth["notes"][0]["start_s"] + 0.4) * 16000)
        one = audio[at : at + 4 * 16000]
        parts.append(one / np.std(one))
    read = read_two(parts[0] + parts[1], 16000, 440.0, pitch.shift_hz(660.0, off_cents))
    assert not isinstance(read, str), read
    both = zip(mean_hz(parts[1], 1320.0), mean_hz(parts[0], 1320.0), strict=True)
    expected = sorted(abs(high - low) for high, low in both)
    # A sampled player's own pitch wanders, so "how often" has no one answer: between the two.
    assert expected[0] - 0.2 < beats_hz(read[0].f0_hz, read[1].f0_hz) < expected[1] + 0.2
    assert expected[1] - expected[0] < 2.0
