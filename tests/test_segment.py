"""Notes found in whole takes of the sound laboratory, whose truth is exact.

Small seeded groups; scripts/lab/benchmark_segment.py has the figures for large ones. Times asked
for: 30 ms (design, issue "Measure like a laboratory"); a bow has no sharp beginning: 60 ms.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from conftest import ROOT, cases
from lab import rooms, speech, strings, takes
from pegmark.segment import find_notes
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
FOUR = ("violin", "viola", "cello", "double bass")
WITHIN_S = {"plucked": 0.03, "harmonic": 0.03, "bowed": 0.06, "two_strings": 0.06}
SENTENCES = (*takes.GREETINGS, *takes.SPOKEN_ANSWERS)
LEAST_SNR_DB = 12.0  # the lowest level that the issue names
COARSE_CENTS = 60.0  # what pegmark.measure.note_fit asks of a coarse pitch
PLAIN = takes.Room(snr_db=30, rt60_s=0.3)


def take(
    name: str,
    events: Sequence[takes.Event],
    seed: int = 1,
    cents: Sequence[float] = (-20.0, 8.0, -35.0, 12.0),
    room: takes.Room = PLAIN,
    **player: Any,
) -> tuple[np.ndarray, dict[str, Any]]:
    instrument = INSTRUMENTS[name]
    start = dict(zip(instrument.strings, cents, strict=False))
    return takes.assemble(
        instrument, start, events, player=takes.Player(seed=seed, **player), room=room
    )


def listen(audio: np.ndarray, name: str) -> dict[str, Any]:
    return find_notes(audio, RATE_HZ, INSTRUMENTS[name])


def played(record: dict[str, Any]) -> list[dict[str, Any]]:
    """The notes that would be graded or reported as the student's."""
    return [note for note in record["notes"] if note["kind"] != "reference_tone"]


def is_somewhere(found: dict[str, Any], truth: Sequence[dict[str, Any]]) -> bool:
    """Whether a true note of that pitch begins within a tenth of a second of a found one."""
    return any(
        abs(found["start_s"] - note["start_s"]) < 0.1
        and abs(1200 * np.log2(found["f0_hz"] / note["f0_hz"])) < COARSE_CENTS
        for note in truth
    )


def matched(
    found: Sequence[dict[str, Any]], truth: Sequence[dict[str, Any]]
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Pairs (truth, found) whose starts agree, nearest first, none used twice."""
    pairs = sorted(
        (abs(f["start_s"] - t["start_s"]), i, j)
        for i, t in enumerate(truth)
        for j, f in enumerate(found)
        if abs(f["start_s"] - t["start_s"]) <= WITHIN_S[t["kind"]]
    )
    taken: dict[int, int] = {}
    for _, i, j in pairs:
        if i not in taken and j not in taken.values():
            taken[i] = j
    return [(truth[i], found[j]) for i, j in sorted(taken.items())]


def heard(
    name: str, made: tuple[np.ndarray, dict[str, Any]]
) -> tuple[list[tuple[dict[str, Any], dict[str, Any]]], int, int]:
    """(pairs, notes missed, notes too many) of one take."""
    audio, truth = made
    found = played(listen(audio, name))
    pairs = matched(found, truth["notes"])
    return pairs, len(truth["notes"]) - len(pairs), len(found) - len(pairs)


def enough(heard_takes: Sequence[tuple[list[Any], int, int]]) -> list[Any]:
    """The pairs of some takes, after the issue's bounds for what is found and what is said.

    It asks for 98 % at 35 dB and 95 % at 20 dB; these takes have 30 dB: 97 %. Precision 98 %.
    """
    pairs = [pair for one, _, _ in heard_takes for pair in one]
    missed, extra = (sum(one[k] for one in heard_takes) for k in (1, 2))
    assert len(pairs) >= 0.97 * (len(pairs) + missed)
    assert len(pairs) >= 0.98 * (len(pairs) + extra)
    return pairs


def off_cents(pair: tuple[dict[str, Any], dict[str, Any]]) -> float:
    true, found = pair
    return 1200 * float(np.log2(found["f0_hz"] / true["f0_hz"]))


def every_string(name: str, *, bowed: bool = True) -> list[takes.Event]:
    events: list[takes.Event] = []
    for string in INSTRUMENTS[name].strings:
        events.append(takes.Pluck(string, 3, 0.8))
    if bowed:
        events += [takes.Bow(string, 1.5) for string in INSTRUMENTS[name].strings]
    return events


class TestNoNotes:
    """What is no note of the student's is none."""

    @pytest.mark.parametrize("seconds", [0.0, 0.05, 0.3, 2.0])
    def test_silence(self, seconds) -> None:
        record = listen(np.zeros(int(seconds * RATE_HZ), np.float32), "violin")
        assert record["notes"] == []
        assert record["speech"] == []
        assert record["status"] == "ok"

    @pytest.mark.parametrize("name", FOUR)
    def test_a_third_of_a_second(self, name) -> None:
        """Of anything: too short for a note, and nothing breaks."""
        hz = list(INSTRUMENTS[name].hz().values())[1]
        sounds = [
            rooms.noise(4800, RATE_HZ, seed=1) * 0.1,
            strings.pluck(hz, 0.3, RATE_HZ, seed=1)[0],
            rooms.reference_tone(440, 0.3, RATE_HZ),
        ]
        for sound in sounds:
            assert len(listen(np.asarray(sound, np.float32), name)["notes"]) <= 1

    @pytest.mark.parametrize(
        ("name", "voice"), list(zip(FOUR * 2, (*speech.VOICES, *speech.VOICES[:2]), strict=True))
    )
    def test_speech_alone(self, name, voice) -> None:
        parts = [
            np.pad(speech.say(text, RATE_HZ, voice=voice, pitch=45 + 7 * i), (8000, 4000))
            for i, text in enumerate(SENTENCES)
        ]
        audio = np.concatenate(parts)
        audio = audio + 0.001 * rooms.noise(len(audio), RATE_HZ, seed=3)
        record = listen(audio.astype(np.float32), name)
        assert played(record) == []
        assert spoken_share(record, len(audio) / RATE_HZ) > 0.5

    @pytest.mark.parametrize("name", FOUR)
    @pytest.mark.parametrize("colour", ["white", "pink", "brown"])
    def test_noise_alone(self, name, colour) -> None:
        audio = 0.05 * rooms.noise(12 * RATE_HZ, RATE_HZ, colour=colour, seed=5)
        record = listen(audio.astype(np.float32), name)
        assert record["notes"] == []
        assert record["speech"] == []

    @pytest.mark.parametrize("name", FOUR)
    @pytest.mark.parametrize("mains_hz", [50.02, 59.97])
    def test_hum_alone(self, name, mains_hz) -> None:
        hum = rooms.hum(12 * RATE_HZ, RATE_HZ, mains_hz=mains_hz, seed=2)
        audio = 0.02 * hum + 0.002 * rooms.noise(len(hum), RATE_HZ, seed=4)
        record = listen(audio.astype(np.float32), name)
        assert record["notes"] == []
        assert record["recording"]["hum_hz"] == pytest.approx(mains_hz, abs=0.03)

    @pytest.mark.parametrize("name", FOUR)
    def test_knocks_alone(self, name) -> None:
        knocks = 0.3 * rooms.thumps(20 * RATE_HZ, RATE_HZ, per_minute=30, seed=6)
        audio = knocks + 0.002 * rooms.noise(len(knocks), RATE_HZ, seed=7)
        assert listen(audio.astype(np.float32), name)["notes"] == []

    @pytest.mark.parametrize("wave", ["sine", "square", "organ"])
    @pytest.mark.parametrize(("name", "hz"), [("violin", 440), ("cello", 440), ("cello", 220)])
    def test_a_tone_alone(self, name, wave, hz) -> None:
        tone = rooms.reference_tone(hz, 3.0, RATE_HZ, wave=wave)
        audio = np.pad(tone, (RATE_HZ, RATE_HZ))
        audio = audio + 0.001 * rooms.noise(len(audio), RATE_HZ, seed=8)
        (note,) = listen(audio.astype(np.float32), name)["notes"]
        assert note["kind"] == "reference_tone"
        assert note["f0_hz"] == pytest.approx(hz, rel=1e-4)
        assert note["start_s"] == pytest.approx(1.0, abs=0.3)
        assert note["end_s"] == pytest.approx(4.0, abs=0.3)


def spoken_share(record: dict[str, Any], seconds: float) -> float:
    return float(sum(p["end_s"] - p["start_s"] for p in record["speech"]) / seconds)


class TestPlainTakes:
    def test_every_note_is_found(self) -> None:
        """Pluck and bow of every string: there, kinds right, pitches a few cents good."""
        pairs = enough([heard(name, take(name, every_string(name))) for name in FOUR])
        assert all(true["kind"] == found["kind"] for true, found in pairs)
        assert np.median([abs(off_cents(pair)) for pair in pairs]) < 5
        assert max(abs(off_cents(pair)) for pair in pairs) < COARSE_CENTS

    def test_the_record(self) -> None:
        audio, _ = take("viola", [takes.Pluck("A4", 2), takes.Bow("D4", 1.5)])
        record = listen(audio, "viola")
        assert set(record) == {"status", "problems", "recording", "notes", "speech"}
        starts = [note["start_s"] for note in record["notes"]]
        assert starts == sorted(starts)
        for note in record["notes"]:
            assert 0 <= note["start_s"] < note["end_s"] <= len(audio) / RATE_HZ
            assert note["snr_db"] > 10
            assert -60 < note["level_db"] < 0

    def test_another_rate_is_refused(self) -> None:
        with pytest.raises(ValueError, match="decode again"):
            find_notes(np.zeros(44100, np.float32), 44100, INSTRUMENTS["violin"])

    def test_a_long_take_is_read_in_blocks(self) -> None:
        """Nothing is lost or doubled where one block of audio ends and the next begins."""
        audio, truth = take("violin", every_string("violin"))
        audio = np.tile(audio, 14)
        found = played(listen(audio, "violin"))
        assert len(audio) / RATE_HZ > 250
        assert len(found) == 14 * len(truth["notes"])


class TestTones:
    @pytest.mark.parametrize("wave", ["sine", "square", "organ"])
    @pytest.mark.parametrize("under", [True, False])
    @pytest.mark.parametrize(("name", "hz"), [("violin", 440.0), ("cello", 220.0)])
    def test_under_and_beside_the_notes(self, name, hz, under, wave) -> None:
        """The tone is at the student's own A string, the string some cents off.

        The tone is taken out, and all that is sounded under it is found.
        """
        top = INSTRUMENTS[name].strings[1 if name == "violin" else 0]
        events = [
            takes.Pluck(top, 1, 2.5),
            takes.Tone(hz, 3.5, wave, level=0.05, under=under),
            takes.Pluck(top, 3, 0.9),
            takes.Rest(1.0),
            takes.Bow(top, 1.5),
        ]
        made = take(name, events)
        record = listen(made[0], name)
        tones = [n for n in record["notes"] if n["kind"] == "reference_tone"]
        assert all(abs(1200 * np.log2(tone["f0_hz"] / hz)) < 1 for tone in tones)
        sounded = made[1]["notes"]
        if under and wave == "sine":
            assert len(tones) <= 1  # the cello's string still rings louder than that sine
        else:
            assert len(tones) == 1
        pairs = matched(played(record), sounded)
        assert len(pairs) == len(sounded) == len(played(record))
        assert max(abs(off_cents(pair)) for pair in pairs) < 30


class TestOthers:
    @pytest.mark.parametrize("name", FOUR)
    def test_somebody_else_practises(self, name) -> None:
        room = takes.Room(snr_db=30, rt60_s=0.3, other_player_db=-22)
        pairs, missed, extra = heard(name, take(name, every_string(name), seed=2, room=room))
        assert extra <= 1
        assert missed <= 1
        assert len(pairs) >= 15

    @pytest.mark.parametrize("name", FOUR)
    def test_knocks(self, name) -> None:
        room = takes.Room(snr_db=30, rt60_s=0.3, thumps_per_minute=20)
        pairs, missed, extra = heard(name, take(name, every_string(name), seed=4, room=room))
        assert (missed, extra) == (0, 0)
        assert all(true["kind"] == found["kind"] for true, found in pairs)

    def test_speech_between_and_over_the_notes(self) -> None:
        """Three plucks before, three under speech as loud as they (-6 to 3 dB).

        Of those under speech the issue asks for what can be measured: here for half. No note is
        said where none is; that one under speech is said to begin some hundredths early is none.
        """
        before, under, extra = 0, 0, 0
        for name in FOUR:
            top = INSTRUMENTS[name].strings[1]
            events = [
                takes.Say(SENTENCES[0]),
                takes.Pluck(top, 3),
                takes.Rest(1.5),
                takes.Say(SENTENCES[3], over=True),
                takes.Pluck(top, 3, 1.0),
                takes.Rest(2.0),
                takes.Say(SENTENCES[4]),
            ]
            audio, truth = take(name, events, seed=5)
            record = listen(audio, name)
            pairs = matched(played(record), truth["notes"])
            before += sum(true in truth["notes"][:3] for true, _ in pairs)
            under += sum(true in truth["notes"][3:] for true, _ in pairs)
            extra += sum(not is_somewhere(found, truth["notes"]) for found in played(record))
            for passage in truth["speech"]:
                middle = (passage["start_s"] + passage["end_s"]) / 2
                assert any(p["start_s"] < middle < p["end_s"] for p in record["speech"])
            quiet = [note["start_s"] + 0.3 for note in truth["notes"][:2]]
            for at, passage in itertools.product(quiet, record["speech"]):
                assert not passage["start_s"] < at < passage["end_s"]
        assert before == 12
        assert under >= 6
        assert extra == 0


class TestBegunUnderSpeech:
    def test_a_bow_that_speech_covers_at_first_is_found(self) -> None:
        """It stands still for longer than any vowel; the peg had slipped before it."""
        audio, truth = takes.random_take(951005, INSTRUMENTS["viola"], "usual")
        (bow,) = [n for n in truth["notes"] if n["kind"] == "bowed" and n["string"] == "A4"]
        assert truth["speech"][-2]["start_s"] < bow["start_s"] < truth["speech"][-2]["end_s"]
        found = [n for n in listen(audio, "viola")["notes"] if n["kind"] == "bowed"]
        assert min(abs(n["start_s"] - bow["start_s"]) for n in found) < WITHIN_S["bowed"]


class TestKinds:
    def test_two_strings_are_one_bow(self) -> None:
        """Found once, at the pitch of one of them; pegmark.measure.take tells that there are
        two."""
        takes_heard = []
        for name in FOUR:
            names = INSTRUMENTS[name].strings
            events = [*every_string(name, bowed=False), takes.Rest(2.0)]
            events += [takes.Both(low, high) for high, low in itertools.pairwise(names)]
            events += [takes.Bow(string, 1.5) for string in names]
            takes_heard.append(heard(name, take(name, events, seed=3)))
        for true, found in enough(takes_heard):
            assert found["kind"] == {"two_strings": "bowed"}.get(true["kind"], true["kind"])
            hz = [true["f0_hz"], true.get("f0_2_hz", true["f0_hz"])]
            assert min(abs(1200 * np.log2(found["f0_hz"] / one)) for one in hz) < COARSE_CENTS

    def test_touched_harmonics(self) -> None:
        takes_heard = []
        strings_touched = (("double bass", "D2"), ("double bass", "A1"), ("cello", "D3"))
        for (name, string), node in itertools.product(
            (*strings_touched, ("violin", "G3")), (2, 3, 4)
        ):
            events = [
                *every_string(name, bowed=False),
                takes.Touch(string, node),
                takes.Rest(0.5),
                takes.Touch(string, node, by="bowed"),
                takes.Rest(0.5),
                takes.Pluck(string, 2),
            ]
            takes_heard.append(heard(name, take(name, events, seed=6, cents=(2, -3, 4, -2))))
        pairs = enough(takes_heard)
        assert all(found["kind"] == true["kind"] for true, found in pairs)


class TestWaysOfPlaying:
    @pytest.mark.parametrize("name", FOUR)
    def test_a_bow_into_a_ringing_pluck(self, name) -> None:
        events = []
        for string in INSTRUMENTS[name].strings:
            events += [takes.Pluck(string, 1, 0.7), takes.Bow(string, 1.5)]
        pairs, missed, extra = heard(name, take(name, events, seed=7))
        assert (missed, extra) == (0, 0)
        assert all(true["kind"] == found["kind"] for true, found in pairs)

    def test_quick_plucks_while_the_peg_turns(self) -> None:
        """Every 0.3 s on the ringing string.

        Its ring leaves each pluck -5 to 5 dB over everything else. That is below the lowest level
        of the issue, 12 dB, whose bound is taken: 85 % found, 98 % of what is said right.
        """
        found, missed, extra = 0, 0, 0
        for name in FOUR:
            string = INSTRUMENTS[name].strings[1]
            moves = (-80.0, -55.0, -30.0, -10.0, 0.0)
            events = [takes.Tune(string, moves, gap_s=0.3, speed=80), takes.Pluck(string, 4, 0.3)]
            pairs, *wrong = heard(name, take(name, events, seed=8, cents=(0, -120, 0, 0)))
            assert all(note["kind"] == "plucked" for _, note in pairs)
            found, missed, extra = found + len(pairs), missed + wrong[0], extra + wrong[1]
        assert found + missed > 60
        assert found >= 0.85 * (found + missed)
        assert extra <= 0.02 * (found + extra)

    @pytest.mark.parametrize("name", FOUR)
    def test_a_bow_that_changes_direction_is_one_note(self, name) -> None:
        events = [takes.Bow(s, 5.0, changes=3) for s in INSTRUMENTS[name].strings[:3]]
        audio, truth = take(name, events, seed=9)
        found = played(listen(audio, name))
        clear = [note for note in truth["notes"] if note["snr_db"] >= LEAST_SNR_DB]
        pairs = matched(found, clear)
        assert len(pairs) == len(clear) >= 1
        assert len(matched(found, truth["notes"])) == len(found)
        assert all(note["kind"] == "bowed" for _, note in pairs)
        assert all(abs(found["end_s"] - true["end_s"]) < 0.5 for true, found in pairs)

    @pytest.mark.parametrize("name", FOUR)
    def test_soft_starts(self, name) -> None:
        """Each out of the ring of the string before.

        What begins less than LEAST_SNR_DB over that may be late or missed.
        """
        events = [takes.Bow(s, 2.0, attack_s=0.3) for s in INSTRUMENTS[name].strings]
        audio, truth = take(name, events, seed=10)
        found = played(listen(audio, name))
        clear = [note for note in truth["notes"] if note["snr_db"] >= LEAST_SNR_DB]
        assert len(clear) >= 2
        pairs = matched(found, clear)
        assert len(pairs) == len(clear)
        assert all(note["kind"] == "bowed" for _, note in pairs)
        starts = [note["start_s"] for note in truth["notes"]]
        for note in found:
            assert min(abs(note["start_s"] - at) for at in starts) < 0.2


@pytest.fixture(scope="module")
def short_take():
    events = [
        takes.Pluck("A4", 2, 0.8),
        takes.Bow("D4", 1.2),
        takes.Tone(440, 1.5),
        takes.Say("Hi.", over=False),
        takes.Pluck("G3", 2, 0.8),
    ]
    audio, truth = take("violin", events, seed=11)
    return audio, truth, listen(audio, "violin")


class TestProperties:
    @given(gain_db=st.floats(-30, 12))
    @cases(12, suppress_health_check=[HealthCheck.too_slow])
    def test_gain_changes_nothing(self, short_take, gain_db) -> None:
        audio, _, record = short_take
        same_notes(listen(audio * np.float32(10 ** (gain_db / 20)), "violin"), record, 0.0)

    @given(shift_s=st.floats(0.0, 2.0))
    @cases(12, suppress_health_check=[HealthCheck.too_slow])
    def test_time_shift_changes_nothing(self, short_take, shift_s) -> None:
        audio, _, record = short_take
        shift = round(shift_s * RATE_HZ)
        noise = audio[: RATE_HZ // 4]  # the take begins with the room's noise
        lead = np.tile(noise, 9)[:shift]
        same_notes(listen(np.concatenate([lead, audio]), "violin"), record, shift / RATE_HZ)

    @given(gap_s=st.floats(0.0, 2.0))
    @cases(8, suppress_health_check=[HealthCheck.too_slow])
    def test_twice_the_take_gives_twice_the_notes(self, short_take, gap_s) -> None:
        audio, _, record = short_take
        gap = np.tile(audio[: RATE_HZ // 4], 9)[: round(gap_s * RATE_HZ)]
        twice = listen(np.concatenate([audio, gap, audio]), "violin")
        assert kinds(twice) == {kind: 2 * n for kind, n in kinds(record).items()}


def kinds(record: dict[str, Any]) -> dict[str, int]:
    names = [note["kind"] for note in record["notes"]]
    return {name: names.count(name) for name in sorted(set(names))}


def same_notes(record: dict[str, Any], other: dict[str, Any], later_s: float) -> None:
    """The same notes, `later_s` later: one frame's time and a few cents may differ."""
    assert kinds(record) == kinds(other)
    for a, b in zip(record["notes"], other["notes"], strict=True):
        assert a["kind"] == b["kind"]
        assert a["start_s"] - later_s == pytest.approx(b["start_s"], abs=0.035)
        assert abs(1200 * np.log2(a["f0_hz"] / b["f0_hz"])) < 8
