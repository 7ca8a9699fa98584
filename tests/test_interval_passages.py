"""String against string: the passage given for an interval sounds just those two strings.

A take of the laboratory, listened to, measured and graded; its passages and their clips are then
measured with general-purpose libraries, SciPy and librosa, which know nothing of strings.
"""

import io
import itertools

import av
import librosa
import numpy as np
import pytest
import scipy.signal

from lab import takes
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.render.clips import ROOM_S, cut_clips, evidence_clip
from pegmark.segment import find_notes
from pegmark.trade import pitch
from takes import INSTRUMENTS, SHA, grade, row

RATE_HZ = 16000
VIOLIN = INSTRUMENTS["violin"]
LEFT = {"E5": 14.0, "A4": 0.0, "D4": -20.0, "G3": -3.9}  # D against both its neighbours, E too high
FAINT_DB = 25.0  # a string that is not bowed stands so far below those that are


@pytest.fixture(scope="module")
def played():
    events = [
        takes.Tune("A4", (0.0,)),
        *(takes.Bow(name, 1.6) for name in VIOLIN.strings),
        takes.Rest(2.0),
    ]
    for high, low in itertools.pairwise(VIOLIN.strings):
        events += [takes.Both(low, high, 2.5), takes.Rest(2.5)]
    start = {**LEFT, "A4": -30.0}
    audio, truth = takes.assemble(
        VIOLIN, start, events, player=takes.Player(seed=8), room=takes.Room(snr_db=35, rt60_s=0.2)
    )
    notes = {"take": f"{SHA[:16]}-violin", "status": "ok",
             **find_notes(audio, RATE_HZ, VIOLIN)}  # fmt: skip
    measured = measure_take(audio, RATE_HZ, name_strings(notes, VIOLIN), VIOLIN)
    record = grade(measured, reference={"method": "string_to_string"})
    return audio, truth, record


def level_db(sound, hertz):
    """The level near a frequency (a quarter tone either way) in dB, by Welch's method."""
    found, power = scipy.signal.welch(sound, RATE_HZ, nperseg=8192, noverlap=4096)
    near = np.abs(1200 * np.log2(np.maximum(found, 1.0) / hertz)) < 50
    return 10 * np.log10(power[near].max())


def test_a_passage_sounds_just_its_two_strings(played):
    audio, _, record = played
    items = [e for e in row(record, "final_pitch")["evidence"] if e["code"].startswith("interval_")]
    assert items
    for item in items:
        pair = (item["string"], record["strings"][item["string"]]["judged"]["neighbour"])
        sound = audio[round(item["start_s"] * RATE_HZ) : round(item["end_s"] * RATE_HZ)]
        assert len(sound) > RATE_HZ
        heard = [level_db(sound, pitch.equal_hz(n) * 2 ** (LEFT[n] / 1200)) for n in pair]
        for other in set(VIOLIN.strings) - set(pair):
            assert level_db(sound, pitch.equal_hz(other)) < min(heard) - FAINT_DB, (pair, other)


def test_its_clip_holds_the_two_strings_by_librosa(played):
    """Cut as the class page plays it: by librosa's spectrum, both strings stand where they were
    left, and no other string within 25 dB of them."""
    audio, _, record = played
    cut = cut_clips(audio, RATE_HZ, record)
    items = row(record, "final_pitch")["evidence"]
    places = [k for k, item in enumerate(items) if item["code"].startswith("interval_")]
    assert places
    for place in places:
        name = evidence_clip(record, "final_pitch", place)
        own = f"{items[place]['string']}.mp3"  # where the two together decided the string as well
        assert name in (f"final_pitch-{place + 1}.mp3", own)
        with av.open(io.BytesIO(cut[name])) as container:
            (stream,) = container.streams.audio
            sound = np.concatenate([f.to_ndarray()[0] for f in container.decode(stream)])
        long_s = items[place]["end_s"] - items[place]["start_s"]
        assert len(sound) / RATE_HZ == pytest.approx(long_s + 2 * ROOM_S, abs=0.15)
        spectrum = np.abs(librosa.stft(sound, n_fft=16384, hop_length=2048)).max(axis=1)
        found = librosa.fft_frequencies(sr=RATE_HZ, n_fft=16384)

        def peak(hertz, spectrum=spectrum, found=found):
            near = np.flatnonzero(np.abs(1200 * np.log2(np.maximum(found, 1.0) / hertz)) < 60)
            top = near[np.argmax(spectrum[near])]
            return 1200 * np.log2(found[top] / hertz), 20 * np.log10(spectrum[top])

        string = items[place]["string"]
        pair = (string, record["strings"][string]["judged"]["neighbour"])
        levels = []
        for one in pair:
            left_hz = pitch.equal_hz(one) * 2 ** (LEFT[one] / 1200)
            cents, level = peak(left_hz)
            assert abs(cents) < 1200 * np.log2(1 + 1.0 / left_hz), one  # a bin of 0.98 Hz
            levels.append(level)
        for other in set(VIOLIN.strings) - set(pair):
            assert peak(pitch.equal_hz(other))[1] < min(levels) - FAINT_DB, (pair, other)


def test_one_string_that_is_out_costs_once(played):
    """D stands 20 cents low: its intervals to A and to G are out, and only D loses for it."""
    _, _, record = played
    lost = {e["string"]: e["lost"] for e in row(record, "final_pitch")["evidence"] if e["lost"]}
    assert set(lost) == {"D4", "E5"}
    assert record["strings"]["G3"]["verdict"] == "in_tune"
    assert row(record, "final_pitch")["points"] == 2
