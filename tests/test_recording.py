"""Faults of a recording: found where they are, and only there.

Takes and their faults come from the sound laboratory, so the truth is exact.
"""

from __future__ import annotations

import numpy as np
import pytest

from conftest import ROOT
from lab import rooms, takes
from pegmark.identify import name_strings
from pegmark.measure import measure_take, speed
from pegmark.segment import find_notes, recording_quality
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
HUM_TOLERANCE_HZ = 0.03  # design, section 6: found to 0.03 Hz at -25 to -45 dB
# 1200 log2(48000 / 44100), calculated: design, section 5.
MISLABEL_CENTS = 146.707


def played(name: str, *, seed: int = 3, cents: float = 0.0, tone_hz: float | None = None):
    """(audio, truth) of a quiet take: every string plucked and bowed, with pauses, and speech."""
    instrument = INSTRUMENTS[name]
    events: list = [takes.Say("Good evening. I am going to tune my strings now.")]
    if tone_hz:
        events.append(takes.Tone(tone_hz, 2.5))
    for string in instrument.strings:
        events += [takes.Pluck(string, 2), takes.Rest(0.8), takes.Bow(string, 1.6), takes.Rest(1.2)]
    return takes.assemble(
        instrument,
        dict.fromkeys(instrument.strings, cents),
        events,
        player=takes.Player(seed=seed, pull_cents=2.0, glide_cents=(1, 4)),
        room=takes.Room(snr_db=36, rt60_s=0.3),
    )


@pytest.fixture(scope="module")
def clean():
    return played("violin")[0]


def with_hum(audio: np.ndarray, mains_hz: float, db: float) -> np.ndarray:
    """`audio` over hum, `db` against the audio's RMS."""
    hum = rooms.hum(len(audio), RATE_HZ, mains_hz=mains_hz, seed=1)
    level = float(np.sqrt(np.mean(np.square(audio, dtype=float))))
    return (audio + hum * level * 10 ** (db / 20)).astype(np.float32)


def facts(audio: np.ndarray) -> dict:
    return find_notes(audio, RATE_HZ, INSTRUMENTS["violin"])["recording"]


class TestFaults:
    def test_a_clean_recording_has_none(self, clean) -> None:
        found = facts(clean)
        assert found["clipped_fraction"] == 0.0
        assert found["low_cut_hz"] is None
        assert found["gated"] is False
        assert found["hum_hz"] is None
        assert found["pumping"] is False
        assert found["snr_db"] == pytest.approx(36, abs=6)

    @pytest.mark.parametrize("over_db", [3.0, 6.0, 12.0])
    def test_clipping(self, clean, over_db) -> None:
        spoilt = rooms.clip(clean, over_db=over_db)
        true = float(np.mean(np.abs(spoilt) >= 0.999))
        assert recording_quality.clipped_fraction(spoilt) == pytest.approx(true, rel=0.25)
        # A flat top is one at any level.
        assert recording_quality.clipped_fraction(spoilt * 0.4) == pytest.approx(true, rel=0.25)

    def test_smooth_waves_are_not_clipped(self) -> None:
        for wave in ("sine", "organ"):
            tone = rooms.reference_tone(440, 2.0, RATE_HZ, wave=wave)
            assert recording_quality.clipped_fraction(tone) == 0.0

    @pytest.mark.parametrize("threshold_db", [-40.0, -30.0])
    def test_gating(self, clean, threshold_db) -> None:
        spoilt = rooms.gate(clean, RATE_HZ, threshold_db=threshold_db)
        assert facts(spoilt)["gated"] is True

    def test_pumping(self, clean) -> None:
        assert facts(rooms.pump(clean, RATE_HZ))["pumping"] is True

    @pytest.mark.parametrize("cutoff_hz", [100.0, 200.0, 300.0])
    def test_low_cut(self, clean, cutoff_hz) -> None:
        spoilt = rooms.high_pass(clean, RATE_HZ, cutoff_hz=cutoff_hz).astype(np.float32)
        assert facts(spoilt)["low_cut_hz"] == pytest.approx(cutoff_hz, rel=0.35)

    def test_too_quiet(self, clean) -> None:
        found = find_notes(clean * np.float32(1e-3), RATE_HZ, INSTRUMENTS["violin"])
        loud = facts(clean)["level_dbfs"]
        assert found["recording"]["level_dbfs"] == pytest.approx(loud - 60, abs=0.5)
        assert [p["code"] for p in found["problems"]] == ["too_quiet"]
        assert find_notes(clean, RATE_HZ, INSTRUMENTS["violin"])["problems"] == []

    def test_too_noisy(self, clean) -> None:
        noise = rooms.noise(len(clean), RATE_HZ, colour="white", seed=2)
        level = float(np.sqrt(np.mean(np.square(clean, dtype=float))))
        noisy = facts((clean + noise * level * 10 ** (-3 / 20)).astype(np.float32))
        assert noisy["snr_db"] < 14  # below this the score sends a take to the teacher
        assert noisy["snr_db"] < facts(clean)["snr_db"] - 15

    def test_nothing_at_all(self) -> None:
        found = facts(np.zeros(RATE_HZ * 3, np.float32))
        assert (found["snr_db"], found["hum_hz"], found["low_cut_hz"]) == (None, None, None)
        assert found["clipped_fraction"] == 0.0


class TestHum:
    @pytest.mark.parametrize("db", [-25, -35, -45])
    @pytest.mark.parametrize("mains_hz", [49.87, 50.02, 59.96, 60.11])
    def test_its_frequency(self, clean, mains_hz, db) -> None:
        found = recording_quality.hum_hz(with_hum(clean, mains_hz, db), RATE_HZ)
        assert found == pytest.approx(mains_hz, abs=HUM_TOLERANCE_HZ)

    @pytest.mark.parametrize(
        ("name", "strings"),
        [("viola", ("C3", "G3")), ("cello", ("C2",)), ("cello", ("C2", "G2")),
         ("double bass", ("A1",)), ("double bass", ("E1", "A1"))],
    )  # fmt: skip
    def test_open_strings_are_no_hum(self, name, strings) -> None:
        """C2 lies 3 cents from 60 Hz at the wrong rate, A1 4 cents (calculated)."""
        instrument = INSTRUMENTS[name]
        for seed in range(2):
            events = [
                takes.Pluck(s, 3, 0.8) if k % 2 else takes.Bow(s, 2.0)
                for k in range(3)
                for s in strings
            ]
            start = dict.fromkeys(instrument.strings, 2.6)
            audio, _ = takes.assemble(instrument, start, events, player=takes.Player(seed=seed))
            assert recording_quality.hum_hz(audio, RATE_HZ) is None

    def test_a_short_recording_is_not_asked(self) -> None:
        assert recording_quality.hum_hz(np.zeros(RATE_HZ, np.float32), RATE_HZ) is None


class TestSpeed:
    """44.1 kHz sound labelled 48 kHz, and the other way: confirmed, asked, or neither."""

    def test_the_sum(self) -> None:
        for ratio, cents in zip(speed.LABEL_RATIOS, (MISLABEL_CENTS, -MISLABEL_CENTS), strict=True):
            assert 1200 * np.log2(1 / ratio) == pytest.approx(cents, abs=1e-3)

    @pytest.mark.parametrize("sign", [1, -1])
    @pytest.mark.parametrize("mains_hz", [49.9, 60.05])
    def test_hum_confirms(self, sign, mains_hz) -> None:
        cents = sign * MISLABEL_CENTS
        hum = mains_hz * 2 ** (cents / 1200)
        found, told = speed.speed_fault(hum, [], [cents + d for d in (-30, 4, 12, -5)])
        assert found == pytest.approx(cents, abs=1e-3)
        assert (told or {}).get("code") == "speed_fault"

    @pytest.mark.parametrize("sign", [1, -1])
    @pytest.mark.parametrize("a_hz", [440.0, 442.0, 220.0])
    def test_a_reference_tone_confirms(self, sign, a_hz) -> None:
        cents = sign * MISLABEL_CENTS
        found, told = speed.speed_fault(None, [a_hz * 2 ** (cents / 1200)], [cents, cents + 9])
        assert found == pytest.approx(cents, abs=1e-3)
        assert (told or {}).get("code") == "speed_fault"

    def test_strings_alone_give_a_question(self) -> None:
        found, told = speed.speed_fault(None, [], [146.0, 150.0, 143.0, 149.0])
        assert found is None
        assert (told or {}).get("code") == "speed_question"

    @pytest.mark.parametrize(
        ("hum", "tones", "cents"),
        [
            (None, [], [40.0, 45.0, 41.0, 39.0]),  # uniformly sharp: no fault of the recording
            (50.0, [], [146.0, 150.0, 143.0, 149.0]),  # hum says that the label is right
            (65.3, [], [2.0, 1.0, -3.0, 0.0]),  # a C string taken for hum
            (None, [478.9], [2.0, 1.0, -3.0, 0.0]),
            (54.4, [], [146.0]),  # one string says nothing
            (None, [], []),
        ],
    )
    def test_else_nothing(self, hum, tones, cents) -> None:
        assert speed.speed_fault(hum, tones, cents) == (None, None)

    @pytest.mark.parametrize(
        ("name", "true_hz", "label_hz", "witness"),
        [("violin", 44100, 48000, "hum"), ("cello", 48000, 44100, "tone"),
         ("viola", 44100, 48000, None)],
    )  # fmt: skip
    def test_in_a_whole_take(self, name, true_hz, label_hz, witness) -> None:
        """Strings tuned 10 cents sharp, played at the wrong speed, come back 10 cents sharp."""
        tone_hz = 440.0 if witness == "tone" else None
        audio, _ = played(name, cents=10.0, tone_hz=tone_hz)
        if witness == "hum":
            audio = with_hum(audio, 50.0, -30)
        spoilt = rooms.mislabel(audio, true_hz=true_hz, label_hz=label_hz)
        instrument = INSTRUMENTS[name]
        notes = {"take": "x"} | find_notes(spoilt, RATE_HZ, instrument)
        record = measure_take(spoilt, RATE_HZ, name_strings(notes, instrument), instrument)
        codes = [p["code"] for p in record["problems"]]
        wrong = 1200 * np.log2(label_hz / true_hz)
        if witness is None:
            assert codes == ["speed_question"]
            assert record["recording"]["speed_error_cents"] is None
            expected = 10.0 + wrong
        else:
            assert codes == ["speed_fault"]
            assert record["recording"]["speed_error_cents"] == pytest.approx(wrong, abs=1e-3)
            expected = 10.0
        for string in record["strings"].values():
            assert string["deviation_cents"] == pytest.approx(expected, abs=3)
