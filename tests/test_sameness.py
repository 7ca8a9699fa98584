"""The same recording under two names is found, whatever it was coded into; another take never is.

The sounds are the laboratory's; that one recording is another one over again is known because it
was made from it (no outside source).
"""

from __future__ import annotations

import io
import random

import numpy as np
import pytest
from scipy.signal import resample_poly

from lab.bench import CONFIG
from lab.containers import write_recording
from lab.paths import random_path
from lab.takes import Bow, Player, Room, Tune, assemble
from pegmark.decode import decode_recording
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.recheck import same_recordings
from pegmark.recheck.same_recording import LIKENESS, likeness
from pegmark.segment import find_notes
from pegmark.trade.instruments import load_instruments

VIOLIN = load_instruments(CONFIG / "instruments.yaml")["violin"]
RATE_HZ = 16000
TRIMMED_S = 1.7


def perform(seed, start_cents=-20.0):
    """The exercise of the class, played by somebody."""
    order = ("A4", "D4", "G3", "E5")
    events = [*(Tune(string, (0.0,)) for string in order), *(Bow(s, 1.0) for s in order)]
    start = dict.fromkeys(order, start_cents)
    return assemble(VIOLIN, start, events, player=Player(seed=seed), room=Room(snr_db=28.0))[0]


def heard(audio):
    """The measured record of a take."""
    notes = {"take": "t", **find_notes(audio, RATE_HZ, VIOLIN)}
    return measure_take(audio, RATE_HZ, name_strings(notes, VIOLIN), VIOLIN)


def coded(audio, kind, trimmed_s=0.0, gain_db=0.0):
    """A take that went through a container of this kind, cut at its start, with another level."""
    audio = audio[round(trimmed_s * RATE_HZ) :] * 10 ** (gain_db / 20)
    content = io.BytesIO()
    write_recording(content, resample_poly(audio, 3, 1), 48000, kind=kind, bit_rate=64000)
    content.seek(0)
    return decode_recording(content)[0]


@pytest.fixture(scope="module")
def takes():
    """Take id -> sound: one take and what was made of it, another student's, her own second."""
    first = perform(seed=5)
    return {
        "aa-violin": first,
        **{f"{kind}-violin": coded(first, kind, TRIMMED_S, -6.0) for kind in ("m4a", "ogg", "mp3")},
        "zz-violin": perform(seed=6),
        "own-violin": perform(seed=7, start_cents=35.0),
    }


@pytest.fixture(scope="module")
def measured(takes):
    return {take: heard(audio) for take, audio in takes.items()}


def pairs_of(measured, takes, names):
    found = same_recordings(
        {name: measured[name] for name in names}, lambda take: (takes[take], RATE_HZ)
    )
    return [set(pair["takes"]) for pair in found], found


@pytest.mark.parametrize("kind", ["m4a", "ogg", "mp3"])
def test_a_take_coded_anew_cut_and_softer_is_the_same(measured, takes, kind):
    pairs, (found,) = pairs_of(measured, takes, ["aa-violin", f"{kind}-violin"])
    assert pairs == [{"aa-violin", f"{kind}-violin"}]
    assert found["shift_s"] == pytest.approx(-TRIMMED_S, abs=0.1)  # a codec's delay
    assert found["matched"] >= 0.8 * found["of"] >= 10
    assert found["likeness"] > 0.9


def test_two_students_and_two_takes_of_one_student_are_not(measured, takes):
    assert pairs_of(measured, takes, ["aa-violin", "zz-violin", "own-violin"])[0] == []


def test_every_pair_of_the_class_and_no_other(measured, takes):
    copies = ["aa-violin", "m4a-violin", "mp3-violin", "ogg-violin"]
    expected = [{one, other} for i, one in enumerate(copies) for other in copies[i + 1 :]]
    assert pairs_of(measured, takes, takes)[0] == expected
    again = dict(sorted(measured.items(), reverse=True))
    assert pairs_of(again, takes, takes)[0] == expected


def test_a_copy_as_another_instrument_is_the_intakes_to_tell(measured, takes):
    other = {"aa-violin": measured["aa-violin"], "aa-viola": measured["aa-violin"]}
    assert same_recordings(other, lambda _: (takes["aa-violin"], RATE_HZ)) == []


# -- without a chain: notes as tones ------------------------------------------------------------


def tones(starts_s, hz, seed, seconds=12.0):
    """A sound with a decaying tone at every start, its partials drawn from the seed."""
    rng = np.random.default_rng(seed)
    sound = rng.normal(0, 1e-3, round(seconds * RATE_HZ))
    for start_s, f0_hz in zip(starts_s, hz, strict=True):
        t = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ
        level, phase = rng.uniform(0.2, 1, 6), rng.uniform(0, 6.28, 6)
        tone = sum(level[n] * np.sin(6.2832 * (n + 1) * f0_hz * t + phase[n]) for n in range(6))
        at = round(start_s * RATE_HZ)
        sound[at : at + len(t)] += 0.1 * np.exp(-3 * t) * tone
    return sound.astype(np.float32)


def record(starts_s, hz, speech=()):
    notes = [{"start_s": float(s), "f0_hz": float(f)} for s, f in zip(starts_s, hz, strict=True)]
    return {"notes": notes, "speech": [{"start_s": s, "end_s": s + 1} for s in speech]}


BEATS = np.arange(1.0, 11.0, 0.75)
STRINGS = np.resize([659.26, 440.0, 293.66, 196.0], len(BEATS))


def test_playing_along_at_the_same_moments_is_not_the_same():
    """As with a metronome and everyone in tune: the notes agree, the sound does not."""
    made = {f"{seed}-violin": tones(BEATS, STRINGS, seed) for seed in range(12)}
    notes = dict.fromkeys(made, record(BEATS, STRINGS))
    asked = []

    def load(take):
        asked.append(take)
        return made[take], RATE_HZ

    assert same_recordings(notes, load) == []
    assert set(asked) == set(made)  # the notes alone would have said so


def test_only_where_the_notes_agree_is_the_sound_asked_for():
    def never(take):
        raise AssertionError(take)

    rng = random.Random(1)
    instruments = load_instruments(CONFIG / "instruments.yaml")
    kinds = [instruments[key] for key in ("violin", "viola", "cello", "double bass")]
    simulated = {
        f"{k:02}-x": {"notes": random_path(rng.choice(kinds), k).notes, "speech": []}
        for k in range(120)
    }
    assert same_recordings(simulated, never) == []


def test_the_second_half_alone_is_found_in_the_whole():
    whole = tones(BEATS, STRINGS, 1)
    half = whole[round(5.5 * RATE_HZ) :]
    later = BEATS > 6
    notes = {
        "a-x": record(BEATS, STRINGS, speech=[0.2]),
        "b-x": record(BEATS[later] - 5.5, STRINGS[later]),
    }
    (found,) = same_recordings(notes, lambda t: ({"a-x": whole, "b-x": half}[t], RATE_HZ))
    assert (found["shift_s"], found["matched"], found["of"]) == (-5.5, 7, 7)


def test_spoken_passages_count_beside_the_notes():
    sound = tones(BEATS[:3], STRINGS[:3], 1)
    audio = {"a-x": sound, "b-x": 0.5 * sound}
    spoken = {name: record(BEATS[:3], STRINGS[:3], speech=[6.0, 8.0]) for name in audio}
    quiet = {name: record(BEATS[:3], STRINGS[:3]) for name in audio}
    rng = np.random.default_rng(2)
    sound[6 * RATE_HZ :] += rng.normal(0, 0.1, len(sound) - 6 * RATE_HZ).astype(np.float32)
    audio["b-x"] = 0.5 * sound
    assert len(same_recordings(spoken, lambda t: (audio[t], RATE_HZ))) == 1
    assert same_recordings(quiet, lambda t: (audio[t], RATE_HZ)) == []  # three notes say nothing


def test_takes_without_notes_are_like_nothing():
    empty = {"a-x": record([], []), "b-x": record([], []), "c-x": record(BEATS, STRINGS)}
    assert same_recordings(empty, lambda _: pytest.fail("nothing to listen to")) == []
    assert same_recordings({}, lambda _: pytest.fail("nothing to listen to")) == []


def test_likeness_is_that_of_the_waveforms():
    sound, other = tones(BEATS, STRINGS, 1), tones(BEATS, STRINGS, 2)
    noise = np.random.default_rng(3).normal(0, 1, len(sound)).astype(np.float32)
    assert likeness(sound, -0.3 * sound, RATE_HZ, BEATS, 0.0) == pytest.approx(1, abs=1e-6)
    assert likeness(sound, np.roll(sound, 160), RATE_HZ, BEATS, 0.0) == pytest.approx(1, abs=0.01)
    assert likeness(sound, other, RATE_HZ, BEATS, 0.0) < 0.8 * LIKENESS
    assert likeness(sound, noise, RATE_HZ, BEATS, 0.0) < 0.1
    assert likeness(sound, np.zeros_like(sound), RATE_HZ, BEATS, 0.0) == 0.0
    assert likeness(sound, sound[:RATE_HZ], RATE_HZ, BEATS, 0.0) == 0.0  # nothing left to compare
