"""Properties of the whole chain of listening: find, name, measure, tell what is left.

What is done to a recording (played faster, later, louder, with its channels swapped) must be found
in the results and nothing else.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given
from hypothesis import strategies as st

from conftest import ROOT, cases
from lab import samples, takes
from pegmark.decode import decode_recording
from pegmark.identify import name_strings
from pegmark.measure import measure_take
from pegmark.segment import find_notes
from pegmark.trade.instruments import load_instruments
from pegmark.trade.pitch import cents_between
from soundfiles import encode

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
FEW = cases(
    4,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],  # an example takes seconds: none is made simpler
)
SHIFT_CENTS = 0.1  # a shift of the recording moves every result by it, this closely
SAME_CENTS = 0.1  # nothing else moves any result by more
EDGE_S = 0.05  # notes of a kind whose ends are found this much alike are compared one by one


def hear(audio: np.ndarray, name: str) -> dict[str, Any]:
    instrument = INSTRUMENTS[name]
    notes = {"take": "t", **find_notes(audio, RATE_HZ, instrument)}
    return measure_take(audio, RATE_HZ, name_strings(notes, instrument), instrument)


def take(name: str) -> np.ndarray:
    """A short take in a quiet room: a peg turned, plucks, and every string bowed at the end."""
    strings = list(INSTRUMENTS[name].strings)
    events: list[Any] = [
        takes.Tune(strings[1], (-15.0, 3.0), "plucked"),
        takes.Pluck(strings[1], 2),
        takes.Bow(strings[1], 1.6),
        takes.Bow(strings[0], 1.6),
        takes.Bow(strings[2], 1.6),
        takes.Pluck(strings[3], 2, 1.1),
        takes.Bow(strings[3], 1.6),
    ]
    start = dict(zip(strings, (6.0, -40.0, -5.0, 2.0), strict=True))
    player = takes.Player(seed=21, pull_cents=4.0, glide_cents=(2, 6), wander_cents=0.3)
    room = takes.Room(snr_db=45, rt60_s=None)
    return takes.assemble(INSTRUMENTS[name], start, events, player=player, room=room)[0]


@pytest.fixture(scope="module", params=["violin", "cello"])
def heard(request) -> tuple[str, np.ndarray, dict[str, Any]]:
    audio = take(request.param)
    record = hear(audio, request.param)
    assert all(string["heard"] == "heard" for string in record["strings"].values())
    assert {note["kind"] for note in record["notes"]} >= {"plucked", "bowed"}
    return request.param, audio, record


def assert_moved(record: dict[str, Any], plain: dict[str, Any], cents: float, most: float) -> None:
    """Every pitch of `record` is `cents` above the one of `plain`; all else is the same.

    A single pluck is held to its own interval: some milliseconds more of it let faint partials in
    or out. What a string is left at is held to `most`.
    """
    assert record["order"] == plain["order"]
    assert record["instrument"] == plain["instrument"]
    for name, a in plain["strings"].items():
        b = record["strings"][name]
        assert b["heard"] == a["heard"]
        assert b["deviation_cents"] - a["deviation_cents"] == pytest.approx(cents, abs=most)
    speed = 2 ** (cents / 1200)
    alike = 0
    later = record["notes"][0]["start_s"] * speed - plain["notes"][0]["start_s"]
    for a in plain["notes"]:
        for b in record["notes"]:
            ends = [abs(b[end] * speed - later - a[end]) for end in ("start_s", "end_s")]
            if max(ends) > EDGE_S or a["gliding"] or a["uncertainty_cents"] > 2:
                continue
            if b["kind"] != a["kind"]:
                continue
            alike += 1
            assert b["string"] == a["string"]
            within = a["uncertainty_cents"] if a["kind"] == "plucked" else most
            assert cents_between(b["f0_hz"], a["f0_hz"]) == pytest.approx(cents, abs=within)
    assert alike >= 7


@FEW
@given(cents=st.floats(-60, 60))
def test_a_shift_of_the_recording_moves_every_result_by_as_much(heard, cents) -> None:
    name, audio, plain = heard
    factor = 2 ** (cents / 1200)
    played = samples.replay(audio, np.full(int(len(audio) / factor), factor)).astype(np.float32)
    assert_moved(hear(played, name), plain, cents, SHIFT_CENTS)


@FEW
@given(later=st.integers(0, 2 * RATE_HZ), gain_db=st.floats(-25, 8))
def test_time_and_gain_change_nothing(heard, later, gain_db) -> None:
    name, audio, plain = heard
    room = np.tile(audio[: RATE_HZ // 4], 9)[:later]  # the take begins with the room's noise
    record = hear(np.concatenate([room, audio]) * np.float32(10 ** (gain_db / 20)), name)
    assert_moved(record, plain, 0.0, SAME_CENTS)
    moved_s = record["notes"][0]["start_s"] - plain["notes"][0]["start_s"]
    assert moved_s == pytest.approx(later / RATE_HZ, abs=0.035)


@pytest.mark.parametrize("other", ["quieter", "later", "silent", "opposed"])
def test_the_order_of_the_channels_changes_nothing(heard, other, tmp_path) -> None:
    name, audio, _ = heard
    second = {
        "quieter": 0.4 * audio,
        "later": np.roll(audio, 3),
        "silent": 0 * audio,
        "opposed": -0.9 * audio,
    }[other]
    records = []
    for k, channels in enumerate([(audio, second), (second, audio)]):
        path = tmp_path / f"{k}.wav"
        path.write_bytes(encode(np.stack(channels, axis=1), RATE_HZ, "wav", "pcm_f32le"))
        decoded, facts = decode_recording(path)
        assert facts["status"] == "ok"
        records.append(hear(decoded, name))
    assert_moved(records[1], records[0], 0.0, 1e-3)
