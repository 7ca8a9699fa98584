"""A whole take measured: what notes of a string share, and the record's form."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from conftest import ROOT
from lab import rooms, strings, takes
from pegmark.files.store import dump_json, rounded
from pegmark.identify import name_strings
from pegmark.measure import take
from pegmark.measure.note_fit import NoteFit, fit_note
from pegmark.segment import find_notes
from pegmark.signals.stiff_string import Body
from pegmark.trade import pitch
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
NOTE_FIELDS = {  # contract: measured/<take>.json
    "start_s", "end_s", "kind", "string", "string_odds", "f0_hz", "deviation_cents",
    "uncertainty_cents", "attack_drift_cents", "snr_db", "level_db", "track", "role",
}  # fmt: skip


def found(truth: dict, seed: int) -> dict:
    """The record of strings/<take>.json as good finding would give it: ms and cents off."""
    rng = np.random.default_rng([seed, 41])
    notes = []
    for n in truth["notes"]:
        note = {k: n.get(k) for k in ("kind", "string", "snr_db")}
        note |= {"string_odds": 0.99, "level_db": -20.0, "salience": 5.0}
        note["start_s"] = n["start_s"] + rng.uniform(-0.01, 0.01)
        note["end_s"] = n["end_s"] + rng.uniform(-0.02, 0.01)
        note["f0_hz"] = n["f0_hz"] * 2 ** (rng.normal(0, 4) / 1200)
        if "f0_2_hz" in n:
            note["f0_2_hz"] = n["f0_2_hz"] * 2 ** (rng.normal(0, 4) / 1200)
            note["string_2"] = n["string_2"]
        notes.append(note)
    recording = {"snr_db": 25.0, "clipped_fraction": 0.0, "low_cut_hz": None, "gated": False}
    return {
        "take": "0123456789abcdef-x",
        "status": "ok",
        "problems": [],
        "recording": recording | {"hum_hz": None, "pumping": None, "level_dbfs": -20.0},
        "notes": notes,
        "speech": [{"start_s": 0.0, "end_s": 1.0}],
    }


@pytest.fixture(scope="module")
def viola_take():
    viola = INSTRUMENTS["viola"]
    events = [
        takes.Tune("A4", (-20.0, 2.0), "plucked", gap_s=0.8),
        takes.Pluck("A4", 2),
        takes.Pluck("D4", 2),
        takes.Pluck("G3", 2),
        takes.Pluck("C3", 3),
        *(takes.Bow(s, 1.6) for s in viola.strings),
        takes.Both("G3", "D4"),
    ]
    start = {"A4": -50.0, "D4": 4.0, "G3": -7.0, "C3": 0.5}
    player = takes.Player(seed=5, glide_cents=(2, 12), pull_cents=8.0)
    audio, truth = takes.assemble(
        viola, start, events, player=player, room=takes.Room(snr_db=28, rt60_s=0.3)
    )
    return audio, truth, found(truth, 5), viola


@pytest.fixture(scope="module")
def record(viola_take):
    audio, _, strings_record, viola = viola_take
    return take.measure_take(audio, RATE_HZ, strings_record, viola)


class TestRecord:
    def test_form(self, record: dict) -> None:
        assert {"take", "status", "problems", "instrument", "recording", "notes"} <= set(record)
        assert {"speech", "strings", "order", "last_turn_s", "intervals"} <= set(record)
        assert record["instrument"] == "viola"
        assert record["recording"]["speed_error_cents"] is None
        for note in record["notes"]:
            assert set(note) >= NOTE_FIELDS
            assert len(note["track"]) <= 12
            assert all(note["start_s"] <= t <= note["end_s"] for t, _ in note["track"])
        dump_json(rounded(record))  # plain data, no NaN

    def test_every_note_and_string(self, record: dict, viola_take) -> None:
        _, truth, _, viola = viola_take
        for note, true in zip(record["notes"], truth["notes"], strict=True):
            if true["moving"]:
                continue
            target = viola.hz()[true["string"]]
            error = note["deviation_cents"] - pitch.cents_between(true["f0_hz"], target)
            assert abs(error) < max(3.0, note["uncertainty_cents"])
        for name, string in record["strings"].items():
            left = truth["strings"][name]["left_cents"]
            assert string["deviation_cents"] == pytest.approx(left, abs=2.0)

    def test_two_strings(self, record: dict, viola_take) -> None:
        true = viola_take[1]["notes"][-1]
        note = record["notes"][-1]
        assert note["kind"] == "two_strings"
        assert note["interval_cents"] == pytest.approx(true["interval_cents"], abs=0.6)
        assert note["beats_hz"] == pytest.approx(true["beats_hz"], abs=0.15)

    def test_same_input_same_bytes(self, record: dict, viola_take) -> None:
        audio, _, strings_record, viola = viola_take
        again = take.measure_take(audio, RATE_HZ, strings_record, viola)
        assert dump_json(rounded(again)) == dump_json(rounded(record))

    def test_gain_and_time_shift(self, record: dict, viola_take) -> None:
        audio, _, strings_record, viola = viola_take
        later = 0.4375
        shifted = dict(strings_record)
        shifted["notes"] = [
            n | {"start_s": n["start_s"] + later, "end_s": n["end_s"] + later}
            for n in strings_record["notes"]
        ]
        silence = np.zeros(int(later * RATE_HZ), np.float32)
        moved = take.measure_take(np.concatenate([silence, -0.2 * audio]), RATE_HZ, shifted, viola)
        for a, b in zip(record["notes"], moved["notes"], strict=True):
            assert b["deviation_cents"] == pytest.approx(a["deviation_cents"], abs=0.05)
        for name in record["strings"]:
            a, b = record["strings"][name], moved["strings"][name]
            assert b["deviation_cents"] == pytest.approx(a["deviation_cents"], abs=0.05)

    def test_twice_the_take_gives_twice_the_notes(self, record: dict, viola_take) -> None:
        audio, _, strings_record, viola = viola_take
        length = len(audio) / RATE_HZ
        double = dict(strings_record)
        double["notes"] = strings_record["notes"] + [
            n | {"start_s": n["start_s"] + length, "end_s": n["end_s"] + length}
            for n in strings_record["notes"]
        ]
        both = take.measure_take(np.concatenate([audio, audio]), RATE_HZ, double, viola)
        count = len(record["notes"])
        assert len(both["notes"]) == 2 * count
        for a, b in zip(both["notes"][:count], both["notes"][count:], strict=True):
            assert b["f0_hz"] == pytest.approx(a["f0_hz"], rel=2e-4)


class TestWithoutPitch:
    def test_unreadable(self) -> None:
        problem = {"code": "unreadable", "message": "m", "action": "a"}
        strings_record = {"take": "t", "status": "unreadable", "problems": [problem]}
        strings_record |= {"recording": None, "notes": [], "speech": []}
        record = take.measure_take(
            np.zeros(0, np.float32), RATE_HZ, strings_record, INSTRUMENTS["cello"]
        )
        assert record["status"] == "unreadable"
        assert record["problems"] == [problem]
        assert record["notes"] == []
        assert all(s["deviation_cents"] is None for s in record["strings"].values())

    def test_a_note_of_silence_is_kept_and_has_no_pitch(self) -> None:
        note = {"start_s": 0.5, "end_s": 1.5, "kind": "plucked", "string": "D4", "f0_hz": 290.0}
        strings_record = {"take": "t", "status": "ok", "problems": [], "recording": {}}
        strings_record |= {"notes": [note | {"string_odds": 0.5}], "speech": []}
        audio = np.zeros(2 * RATE_HZ, np.float32)
        (measured,) = take.measure_take(audio, RATE_HZ, strings_record, INSTRUMENTS["violin"])[
            "notes"
        ]
        for field in ("f0_hz", "deviation_cents", "uncertainty_cents", "attack_drift_cents"):
            assert measured[field] is None
        assert measured["track"] == []

    def test_a_note_of_no_string_has_pitch_but_no_deviation(self) -> None:
        clean, truth = strings.bow(520.0, 1.5, RATE_HZ, seed=2, lead_s=0.3)
        note = {"start_s": 0.3, "end_s": 1.8, "kind": "bowed", "string": None, "f0_hz": 520.0}
        fit = fit_note(clean, RATE_HZ, note)
        measured = take.describe(note, fit, INSTRUMENTS["violin"].hz())
        assert measured["f0_hz"] == pytest.approx(truth["f_inf_hz"], rel=1e-4)
        assert measured["deviation_cents"] is None

    def test_a_harmonic_is_compared_with_its_open_string(self) -> None:
        note = {"start_s": 0.0, "end_s": 1.0, "kind": "harmonic", "string": "G2", "f0_hz": 294.0}
        fit = NoteFit("harmonic", True, "", 3 * 98.0, 0.5)
        measured = take.describe(note, fit, INSTRUMENTS["cello"].hz())
        assert measured["deviation_cents"] == pytest.approx(0.02, abs=0.01)


def told(audio: np.ndarray, note: dict, name: str, hum_hz: float | None = None) -> dict:
    (same,) = take.tell_pairs(audio, RATE_HZ, [note], INSTRUMENTS[name], hum_hz)
    return same


class TestSpokenOver:
    """A voice that covers a note makes it less sure."""

    def test_only_what_is_spoken_over(self) -> None:
        note = {"kind": "plucked", "uncertainty_cents": 1.0, "scatter_cents": 10.0, "rests": None}
        note["snr_db"] = 30.0
        notes = [
            {**note, "start_s": 0.0, "end_s": 1.0},
            {**note, "start_s": 1.0, "end_s": 2.0},
            {
                **note,
                "start_s": 2.0,
                "end_s": 4.0,
                "kind": "bowed",
                "rests": [[2.0, 3.0, 5.0, 1.0]],
            },
            {**note, "start_s": 4.0, "end_s": 5.0, "uncertainty_cents": None},
        ]
        take.widen_for_take([{"start_s": 0.97, "end_s": 4.5}], notes)
        widths = [one["uncertainty_cents"] for one in notes]
        assert widths[0] == 1.0  # spoken over for 3 % of it
        assert widths[1] == pytest.approx(np.hypot(1.3, 2 * 2.5))  # 2 cents beyond what bodies do
        assert widths[2] == pytest.approx(np.hypot(1.0, 0.3))
        assert widths[3] is None
        assert notes[2]["rests"] == [(2.0, 3.0, 5.0, pytest.approx(np.hypot(1.0, 0.3)))]

    def test_a_faint_pluck_is_less_sure(self) -> None:
        note = {"kind": "plucked", "start_s": 0.0, "end_s": 1.0, "rests": None}
        levels_db = (30.0, 25.0, 15.0, 0.0, -5.0, None)
        notes = [note | {"snr_db": level, "uncertainty_cents": 1.0} for level in levels_db]
        take.widen_for_take([], notes)
        assert [one["uncertainty_cents"] for one in notes] == [1.0, 1.0, 1.4, 2.0, 2.0, 1.0]

    @pytest.mark.parametrize("name", ["violin", "cello"])
    def test_the_interval_holds_while_somebody_speaks(self, name: str) -> None:
        """Unseen takes: of the notes under speech most lie inside, of all none far outside."""
        instrument = INSTRUMENTS[name]
        events: list[takes.Event] = []
        for string in instrument.strings:
            events += [takes.Say(takes.GREETINGS[0], over=True), takes.Pluck(string, 3, 0.8)]
            events += [takes.Say(takes.SPOKEN_ANSWERS[0], over=True), takes.Bow(string, 2.0)]
        start = dict.fromkeys(instrument.strings, 6.0)
        room = takes.Room(snr_db=30, rt60_s=0.3)
        audio, truth = takes.assemble(
            instrument, start, events, player=takes.Player(seed=778001), room=room
        )
        heard = {"take": "x", **find_notes(audio, RATE_HZ, instrument)}
        record = take.measure_take(audio, RATE_HZ, name_strings(heard, instrument), instrument)
        off = [
            abs(note["deviation_cents"] - true["cents"]) / note["uncertainty_cents"]
            for note in record["notes"]
            for true in truth["notes"]
            if abs(note["start_s"] - true["start_s"]) < 0.06 and note["string"] == true["string"]
            if note["deviation_cents"] is not None
        ]
        assert len(off) >= 5  # of 16: the voice hides the others
        assert np.mean(np.array(off) <= 1) >= 0.8
        assert max(off) < 3


class TestBowsEnd:
    """Where a bow leaves the string is not known: its mean pitch is the less sure for it."""

    def test_the_more_it_wanders_and_the_shorter_it_is(self) -> None:
        def half(seconds: float, wander_cents: float, hz: float = 220.0) -> float:
            note = {"kind": "bowed", "start_s": 1.0, "end_s": 1.0 + seconds, "string": "A3"}
            fit = NoteFit("bowed", True, "", hz, 0.1, scatter_cents=wander_cents)
            return take.describe(note, fit, {"A3": 220.0})["uncertainty_cents"]

        sure = NoteFit("bowed", se_cents=0.1).half_width_cents
        assert half(2.0, 0.0) == sure
        assert half(2.0, 1.0) == pytest.approx(np.hypot(sure, 0.62 / 1.55))
        assert half(0.5, 1.0) == pytest.approx(np.hypot(sure, 0.62 / 0.3))
        assert half(2.0, 1.0, 55.0) > half(2.0, 1.0)  # a low string rings on for longer

    def test_what_a_wandering_bow_leaves_open_is_the_players(self) -> None:
        """A bow held still, and wandering: the measurement's part stays, the player's grows."""

        def parts(wander_cents: float) -> tuple[float, float]:
            audio, _ = strings.bow(
                220.0, 2.0, RATE_HZ, seed=31, lead_s=1.0, wander_cents=wander_cents
            )
            audio = rooms.mix(audio, rooms.noise(len(audio), RATE_HZ, seed=3), 30, RATE_HZ, 1.2)
            note = {"kind": "bowed", "start_s": 1.0, "end_s": 3.0, "string": "A3", "f0_hz": 220.0}
            told = take.describe(note, fit_note(audio, RATE_HZ, note), {"A3": 220.0})
            whole, player = told["uncertainty_cents"], told["player_cents"]
            return player, np.sqrt(whole**2 - player**2)

        (still, measured), (wandering, measured_too) = parts(0.1), parts(3.0)
        assert still < 0.2 < 0.6 < wandering
        assert measured < 0.1
        assert measured_too < 0.4

    def test_the_interval_holds_where_strings_ring_on(self) -> None:
        """Unseen takes: most bows' truth, the mean over the bowed time, lies inside."""
        off = []
        for k, key in enumerate(sorted(INSTRUMENTS)):
            instrument = INSTRUMENTS[key]
            bows = [takes.Bow(string, 1.5) for string in instrument.strings]
            events = [takes.Rest(0.5), *(e for bow in bows for e in (bow, takes.Rest(1.2)))]
            player = takes.Player(seed=779001 + k, wander_cents=3.0)
            room = takes.Room(snr_db=30, rt60_s=0.5)
            start = dict.fromkeys(instrument.strings, -4.0)
            audio, truth = takes.assemble(instrument, start, events, player=player, room=room)
            heard = {"take": "x", **find_notes(audio, RATE_HZ, instrument)}
            strings = name_strings(heard, instrument)
            record = take.measure_take(audio, RATE_HZ, strings, instrument)
            off += [
                abs(note["deviation_cents"] - true["cents"]) / note["uncertainty_cents"]
                for note in record["notes"]
                for true in truth["notes"]
                if note["kind"] == "bowed" and abs(note["start_s"] - true["start_s"]) < 0.1
            ]
        assert len(off) >= 12  # of 16
        assert np.mean(np.array(off) <= 1) >= 0.85
        assert max(off) < 2


class TestPairs:
    """Two strings bowed together, taken for one by the finding of notes."""

    @pytest.mark.parametrize(
        ("name", "low", "high"),
        [("violin", "G3", "D4"), ("violin", "A4", "E5"), ("viola", "C3", "G3"),
         ("cello", "C2", "G2"), ("double bass", "A1", "D2")],
    )  # fmt: skip
    @pytest.mark.parametrize("taken_for", ["low", "high"])
    def test_told_as_two(self, name: str, low: str, high: str, taken_for: str) -> None:
        hz = INSTRUMENTS[name].hz()
        for seed, balance_db in enumerate((-8.0, 0.0, 8.0)):
            clean, truth = strings.two_strings(
                hz[low] * 2 ** (12 / 1200), hz[high] * 2 ** (-15 / 1200), 2.5, RATE_HZ,
                seed=40 + seed, balance_db=balance_db, lead_s=0.3,
            )  # fmt: skip
            audio = rooms.mix(clean, rooms.noise(len(clean), RATE_HZ, seed=seed), 25, RATE_HZ, 0.3)
            string, f0 = (low, "f_inf_hz") if taken_for == "low" else (high, "f_inf_2_hz")
            note = {"start_s": 0.3, "end_s": 2.8, "kind": "bowed", "string": string}
            found = told(audio, note | {"f0_hz": truth[f0]}, name)
            assert (found["kind"], found["string"], found["string_2"]) == ("two_strings", low, high)
            fit = fit_note(audio, RATE_HZ, found)
            assert abs(pitch.cents_between(fit.f0_hz, truth["f_inf_hz"])) < 1.0
            assert abs(pitch.cents_between(fit.f0_2_hz, truth["f_inf_2_hz"])) < 1.0

    @pytest.mark.parametrize("slipped", [-75.0, -55.0, 55.0])
    def test_a_neighbour_that_moved_unheard_is_told(self, slipped: float) -> None:
        """Its peg let go since it was last sounded: with the other string it is heard again."""
        hz = INSTRUMENTS["viola"].hz()
        high = hz["A4"] * 2 ** (slipped / 1200)
        for seed in range(3):
            clean, truth = strings.two_strings(
                hz["D4"], high, 2.5, RATE_HZ, seed=60 + seed, lead_s=0.3
            )
            audio = rooms.mix(clean, rooms.noise(len(clean), RATE_HZ, seed=seed), 25, RATE_HZ, 0.3)
            note = {"start_s": 0.3, "end_s": 2.8, "kind": "bowed", "string": "D4"}
            found = told(audio, note | {"f0_hz": truth["f_inf_hz"]}, "viola")
            assert (found["kind"], found["string_2"]) == ("two_strings", "A4")
            fit = fit_note(audio, RATE_HZ, found)
            assert abs(pitch.cents_between(fit.f0_2_hz, high)) < 1.0

    def test_a_neighbour_heard_just_before_has_not_moved(self) -> None:
        """What looks like it, 55 cents off, is not that string."""
        hz = INSTRUMENTS["viola"].hz()
        high = hz["A4"] * 2 ** (-55 / 1200)
        clean, truth = strings.two_strings(hz["D4"], high, 2.5, RATE_HZ, seed=60, lead_s=0.5)
        audio = rooms.mix(clean, rooms.noise(len(clean), RATE_HZ, seed=0), 25, RATE_HZ, 0.5)
        alone = {"kind": "bowed", "string": "A4", "f0_hz": hz["A4"]}
        both = {"kind": "bowed", "start_s": 0.5, "end_s": 3.0, "string": "D4"}
        both |= {"f0_hz": truth["f_inf_hz"]}
        for ends_s, kind in ((0.45, "bowed"), (-0.5, "two_strings")):  # just before, or long ago
            before = alone | {"start_s": ends_s - 1, "end_s": ends_s}
            found = take.tell_pairs(audio, RATE_HZ, [before, both], INSTRUMENTS["viola"])
            assert found[1]["kind"] == kind

    @pytest.mark.parametrize(
        ("name", "bowed", "ringing"),
        [("violin", "D4", "A4"), ("violin", "A4", "D4"), ("cello", "G2", "C2"),
         ("double bass", "D2", "A1")],
    )  # fmt: skip
    def test_a_neighbour_that_rings_on_is_no_second_bow(self, name, bowed, ringing) -> None:
        hz = INSTRUMENTS[name].hz()
        for seed in range(4):
            clean, truth = strings.bow(hz[bowed], 2.0, RATE_HZ, seed=seed, lead_s=0.5)
            other, _ = strings.pluck(hz[ringing], 2.4, RATE_HZ, seed=70 + seed, level=0.3)
            audio = clean.copy()
            audio[: len(other)] += other[: len(audio)]
            note = {"start_s": 0.5, "end_s": 2.5, "kind": "bowed", "string": bowed}
            note["f0_hz"] = truth["f_inf_hz"]
            assert told(audio, note, name) == note

    @pytest.mark.parametrize(("name", "string", "mains_hz"), [("cello", "G2", 60.0),
                             ("double bass", "D2", 50.0)])  # fmt: skip
    def test_hum_is_no_second_string(self, name: str, string: str, mains_hz: float) -> None:
        """100 Hz lies beside G2, 60 Hz by less than two semitones from C2 and A1."""
        hz = INSTRUMENTS[name].hz()
        clean, truth = strings.bow(hz[string], 2.0, RATE_HZ, seed=3, lead_s=0.5)
        hum = rooms.hum(len(clean), RATE_HZ, mains_hz=mains_hz, seed=1)
        audio = (clean + 0.1 * np.sqrt(np.mean(clean**2)) * hum).astype(np.float32)
        note = {"start_s": 0.5, "end_s": 2.5, "kind": "bowed", "string": string}
        note["f0_hz"] = truth["f_inf_hz"]
        assert told(audio, note, name, mains_hz) == note

    def test_one_bow_is_one(self) -> None:
        for name in ("violin", "viola", "cello", "double bass"):
            for seed, (string, hz) in enumerate(INSTRUMENTS[name].hz().items()):
                clean, truth = strings.bow(
                    hz, 1.8, RATE_HZ, seed=seed, lead_s=0.3, body=strings.Body.of(name, seed)
                )
                note = {"start_s": 0.3, "end_s": 2.1, "kind": "bowed", "string": string}
                note["f0_hz"] = truth["f_inf_hz"]
                assert told(clean, note, name) == note


class TestSharing:
    def test_a_weak_note_learns_from_the_strong_ones(self) -> None:
        """Of five bass plucks one is faint: B and the glide of the others serve it too."""
        rng = np.random.default_rng(3)
        audio = np.zeros(12 * RATE_HZ, np.float32)
        notes = []
        for i in range(5):
            level = 0.02 if i == 4 else 0.3
            clean, truth = strings.pluck(
                41.2, 1.8, RATE_HZ, seed=60 + i, b=3e-4, glide_cents=20 * (level / 0.3) ** 2,
                level=level, polarization_cents=0.2,
            )  # fmt: skip
            start = 0.5 + 2.2 * i
            first = round(start * RATE_HZ)
            audio[first : first + len(clean)] += clean
            notes.append(
                {"start_s": start, "end_s": start + 1.8, "kind": "plucked", "string": "E1"}
                | {"f0_hz": truth["f_inf_hz"] * 2 ** (rng.normal(0, 4) / 1200)}
            )
        audio += rooms.noise(len(audio), RATE_HZ, seed=4).astype(np.float32) * 0.002
        fits = take.fit_notes(audio, RATE_HZ, notes, INSTRUMENTS["double bass"])
        alone = fit_note(
            audio, RATE_HZ, notes[4], b_prior=INSTRUMENTS["double bass"].stiffness,
            body=Body(*INSTRUMENTS["double bass"].body),
        )  # fmt: skip
        assert abs(fits[4].b - 3e-4) <= abs(alone.b - 3e-4) + 1e-6
        for fit, note in zip(fits, notes, strict=True):
            assert abs(pitch.cents_between(fit.f0_hz, 41.2)) < max(1.0, fit.half_width_cents)
            assert fit.track[0][0] >= note["start_s"]

    def test_one_note_is_left_alone(self) -> None:
        clean, truth = strings.pluck(220.0, 1.2, RATE_HZ, seed=9, lead_s=0.3)
        note = {"start_s": 0.3, "end_s": 1.5, "kind": "plucked", "string": "A3"}
        note["f0_hz"] = truth["f_inf_hz"]
        fits = take.fit_notes(clean, RATE_HZ, [note], INSTRUMENTS["cello"])
        cello = INSTRUMENTS["cello"]
        known = {"b_prior": cello.stiffness, "body": Body(*cello.body)}
        alone = fit_note(clean, RATE_HZ, note, **known)
        assert fits[0].f0_hz == alone.f0_hz


@pytest.mark.parametrize("key", sorted(INSTRUMENTS))
def test_every_instrument_has_a_body(key: str) -> None:
    low, high, _ = INSTRUMENTS[key].body
    assert 30 < low < high < 1000


def test_a_note_is_told_what_the_others_know_and_never_itself(monkeypatch):
    """The B that the least sure pluck is solved with: the others' mean, weighted by 1 / se^2."""
    b, b_se = [1e-5, 3e-5, 9e-4], [1e-5, 2e-5, 5e-4]
    reading = SimpleNamespace(energy=1.0, glide=5.0, glide_var=400.0)
    fits = [
        NoteFit("plucked", f0_hz=220.0, b=b[k], b_se=b_se[k], reading=reading) for k in range(3)
    ]
    told = []
    monkeypatch.setattr(take, "moved", lambda fit, start_s: fit)
    monkeypatch.setattr(
        take, "solve_pluck", lambda reading, kind, known_b, prior, *_: told.append(known_b)
    )
    take.share(fits, [0.0, 1.0, 2.0], (5e-5, 7e-5), Body(250.0, 580.0, 2.0))
    weight = np.array(b_se[:2]) ** -2.0
    expected = float(weight @ np.array(b[:2]) / weight.sum())  # 1.4e-5; with itself 1.54e-5
    assert told[-1][0] == pytest.approx(expected, rel=1e-9)
