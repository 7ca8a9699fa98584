"""String against string: the passage given for an interval sounds just those two strings.

A take of the laboratory, listened to, measured and graded; its passages are then measured with a
general-purpose library, SciPy's spectra, which knows nothing of strings.
"""

import itertools

import numpy as np
import pytest
import scipy.signal

from lab import takes
from pegmark.identify import name_strings
from pegmark.measure import measure_take
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


def test_one_string_that_is_out_costs_once(played):
    """D stands 20 cents low: its intervals to A and to G are out, and only D loses for it."""
    _, _, record = played
    lost = {e["string"]: e["lost"] for e in row(record, "final_pitch")["evidence"] if e["lost"]}
    assert set(lost) == {"D4", "E5"}
    assert record["strings"]["G3"]["verdict"] == "in_tune"
    assert row(record, "final_pitch")["points"] == 2
