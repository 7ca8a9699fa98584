"""How deep a pluck's partials beat: two polarizations apart by known amounts, and real plucks.

A string's two polarizations stand tenths of a cent apart when it is sound (lab.strings;
Weinreich 1977: from memory). Two partials d cents apart at n f0 beat n f0 (2^(d/1200) - 1) times a
second (calculated).
"""

import numpy as np
import pytest

from lab import samples
from lab.strings import Body, pluck
from pegmark.measure.beating import beat_depth_db
from pegmark.measure.note_fit import fit_note
from pegmark.score.observations import BEATING_DB
from pegmark.signals.partials import Tracks
from pegmark.trade import pitch

RATE = 16000


def depth(audio, f0_hz, duration_s):
    """What the measuring says of one pluck in a quiet room."""
    room = np.random.default_rng(3).normal(0, 0.001, RATE // 2 + len(audio))
    room[RATE // 2 :] += audio
    note = {"kind": "plucked", "start_s": 0.5, "end_s": 0.5 + duration_s, "f0_hz": f0_hz}
    fit = fit_note(room, RATE, note)
    assert fit.reading is not None
    return fit.reading.beating_db


STRINGS = [("violin", "G3"), ("viola", "D4"), ("cello", "G2"), ("double bass", "D2")]


@pytest.mark.parametrize(("instrument", "name"), STRINGS)
@pytest.mark.parametrize("duration_s", [0.7, 1.5])
def test_a_sound_string_and_a_false_one(instrument, name, duration_s):
    f0_hz = pitch.equal_hz(name)
    found = {}
    for apart in (0.4, 1.0, 10.0):
        depths = [
            depth(
                pluck(f0_hz, duration_s, RATE, seed=seed, body=Body.of(instrument, seed),
                      glide_cents=8, polarization_cents=apart)[0],
                f0_hz, duration_s,
            )
            for seed in range(3)
        ]  # fmt: skip
        found[apart] = [d for d in depths if d is not None]
    assert max(found[0.4] + found[1.0]) < BEATING_DB / 3
    assert np.median(found[10.0]) > BEATING_DB


@pytest.mark.parametrize(("program", "key"), [("plucked bass", 33), ("plucked guitar", 50)])
def test_real_plucks_are_not_called_false(program, key):
    """The sampled players of Debian's sound font."""
    for velocity in (60, 110):
        audio, _ = samples.play(program, key, 1.6, velocity=velocity)
        found = depth(np.asarray(audio, float)[::3], 440 * 2 ** ((key - 69) / 12), 1.5)
        assert found is None or found < BEATING_DB - 2


def tracks_of(level_db, times_s):
    """Six partials of given levels, far above the noise."""
    amplitudes = 10 ** (np.asarray(level_db) / 20).astype(complex)
    zeros = np.zeros(len(times_s))
    return Tracks(
        amplitudes=amplitudes, times_s=times_s, number=np.arange(1.0, 7),
        hz=np.arange(1.0, 7) * 200,
        noise=np.full(amplitudes.shape, 1e-9), cents=zeros, cycles=zeros,
        hop_s=float(times_s[1] - times_s[0]), f1_hz=200.0,
    )  # fmt: skip


def test_the_depth_is_from_trough_to_crest():
    """A sine of 5 dB in the level is 10 dB deep; its extreme 3 % at either end are left out, which
    takes off 1 - cos(0.03 pi) = 0.4 % (calculated). A decay in two stages is no beat."""
    times_s = np.linspace(0.1, 1.2, 220)
    t = times_s[:, None]
    decay = -20 * t + 4 * t**2
    flat = np.ones(6)
    assert beat_depth_db(tracks_of(decay * flat, times_s), np.zeros(6)) == pytest.approx(
        0, abs=0.01
    )
    beats = decay + 5 * np.sin(2 * np.pi * 4 * t)
    assert beat_depth_db(tracks_of(beats * flat, times_s), np.zeros(6)) == pytest.approx(
        10, abs=0.5
    )


def test_what_cannot_be_told_is_not():
    times_s = np.linspace(0.1, 1.2, 220)
    beats = -20 * times_s[:, None] + 5 * np.sin(2 * np.pi * 4 * times_s[:, None]) * np.ones(6)
    whole = tracks_of(beats, times_s)
    others = np.array([0.0, 0.0, 0.3, 0.3, 0.3, 0.3])  # another string rings in four of the six
    assert beat_depth_db(whole, others) is None
    short = times_s < 0.5
    assert beat_depth_db(tracks_of(beats[short], times_s[short]), np.zeros(6)) is None
    faint = tracks_of(beats - 75, times_s)
    assert beat_depth_db(faint, np.zeros(6)) is None
