"""The fine measurement of single notes.

Sources: (C) calculated from the formula named, (S) published, (M) from memory, as the design marks
its facts. Seeds and parameters here are not those the method was tuned on.
"""

from __future__ import annotations

import shutil
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from conftest import ROOT, cases
from lab import rooms, samples, strings
from pegmark.measure import other_sounds, two_strings
from pegmark.measure.note_fit import NoteFit, fit_note
from pegmark.signals import frames, partials, stiff_string
from pegmark.trade.instruments import load_instruments

RATE_HZ = 16000
INSTRUMENTS = load_instruments(ROOT / "config" / "instruments.yaml")
OPEN_HZ = {
    "violin": (195.9977, 293.6648, 440.0, 659.2551),
    "viola": (130.8128, 195.9977, 293.6648, 440.0),
    "cello": (65.4064, 97.9989, 146.8324, 220.0),
    "double bass": (41.2034, 55.0, 73.4162, 97.9989),
}
SOUND_FONT = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not samples.SOUND_FONT.is_file(),
    reason="needs apt-get install fluidsynth fluid-soundfont-gm",
)


def cents(a: float, b: float) -> float:
    return float(1200 * np.log2(a / b))


def noisy(clean: np.ndarray, snr_db: float, seed: int) -> np.ndarray:
    noise = rooms.noise(len(clean), RATE_HZ, seed=seed)
    return rooms.mix(clean, noise, snr_db, RATE_HZ, 0.3)


def as_note(truth: dict, seed: int) -> dict:
    """What the finding of notes would say: some milliseconds and cents off."""
    rng = np.random.default_rng([seed, 3])
    note = {
        "kind": truth["kind"],
        "start_s": truth["onset_s"] + rng.uniform(-0.005, 0.01),
        "end_s": truth["end_s"] + rng.uniform(-0.02, 0.01),
        "f0_hz": truth["f_inf_hz"] * 2 ** (rng.normal(0, 4) / 1200),
    }
    if "f_inf_2_hz" in truth:
        note["f0_2_hz"] = truth["f_inf_2_hz"] * 2 ** (rng.normal(0, 4) / 1200)
    return note


def random_pluck(seed: int, *, real_body: bool, **fixed) -> tuple[np.ndarray, dict]:
    rng = np.random.default_rng([seed, 4021])
    instrument = list(OPEN_HZ)[seed % 4]
    f0 = OPEN_HZ[instrument][rng.integers(4)] * 2 ** (rng.uniform(-70, 70) / 1200)
    options = {
        "b": rng.uniform(0, 4e-4 if instrument == "double bass" else 1e-4),
        "position": rng.uniform(0.1, 0.4),
        "loudness": rng.uniform(0.2, 0.9),
        "body": strings.Body.of(instrument, 5000 + seed) if real_body else strings.PLAIN_BODY,
        "glide_cents": min(40.0, rng.exponential(8)) if real_body else 0.0,
        "polarization_cents": 0.4 if real_body else 0.0,
        "lead_s": 0.3,
        "seed": 7000 + seed,
    } | fixed
    duration = options.pop("duration_s", rng.uniform(0.6, 1.8))
    return strings.pluck(options.pop("f0_hz", f0), duration, RATE_HZ, **options)


def errors(
    make, count: int, snr_db: float, instrument: str | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """(errors in cents, their half-widths) of `count` notes; every one must be measured."""
    found = []
    for seed in range(count):
        clean, truth = make(seed)
        played = instrument or list(OPEN_HZ)[seed % 4]
        fit = fit_note(
            noisy(clean, snr_db, seed),
            RATE_HZ,
            as_note(truth, seed),
            b_prior=INSTRUMENTS[played].stiffness,
            body=stiff_string.Body(*INSTRUMENTS[played].body),
        )
        assert fit.ok, (seed, fit.reason)
        found.append((cents(fit.f0_hz, truth["f_inf_hz"]), fit.half_width_cents))
    table = np.array(found)
    return table[:, 0], table[:, 1]


class TestHandbook:
    def test_inharmonicity_of_a_steel_e_string(self) -> None:
        # (C) B = pi^3 E d^4 / (64 T L^2), Fletcher & Rossing 2.18: 0.26 mm, 0.325 m, 76.5 N, steel
        # of 2.0e11 Pa.
        b = np.pi**3 * 2.0e11 * 0.00026**4 / (64 * 76.5 * 0.325**2)
        assert b == pytest.approx(5.5e-5, rel=0.01)
        assert stiff_string.stretch_cents(np.array([10.0]), b)[0] == pytest.approx(4.7, abs=0.05)

    def test_that_string_is_measured_so(self) -> None:
        clean, truth = strings.pluck(659.2551, 1.2, RATE_HZ, seed=1, b=5.5e-5, lead_s=0.3)
        fit = fit_note(noisy(clean, 40, 1), RATE_HZ, as_note(truth, 1))
        assert fit.b == pytest.approx(5.5e-5, abs=2 * fit.b_se + 1e-6)
        assert cents(fit.f0_hz, 659.2551) == pytest.approx(0, abs=0.5)

    def test_440_to_441(self) -> None:
        # (C) 1200 log2(441 / 440)
        fits = []
        for f0 in (440.0, 441.0):
            clean, truth = strings.bow(f0, 1.5, RATE_HZ, seed=8, wander_cents=0, lead_s=0.3)
            fits.append(fit_note(noisy(clean, 40, 8), RATE_HZ, as_note(truth, 8)).f0_hz)
        assert cents(fits[1], fits[0]) == pytest.approx(3.930, abs=0.05)

    @pytest.mark.parametrize(
        ("low", "high", "beats"),
        # (C) |3 f_low - 2 f_high| of equal-tempered fifths G3-D4, D4-A4, A4-E5
        [(195.9977, 293.6648, 0.664), (293.6648, 440.0, 0.994), (440.0, 659.2551, 1.490)],
    )
    def test_beats_of_tempered_fifths(self, low: float, high: float, beats: float) -> None:
        assert two_strings.beats_hz(low, high) == pytest.approx(beats, abs=0.001)

    def test_beats_of_a_sharp_e(self) -> None:
        # (C) E5 5 cents above the pure fifth over A4 = 440
        assert two_strings.beats_hz(440.0, 660.0 * 2 ** (5 / 1200)) == pytest.approx(3.82, abs=0.01)

    def test_pure_intervals(self) -> None:
        # (C) 3:2, 4:3, ratio 1.49 against 3:2, the Pythagorean comma
        assert two_strings.interval_cents(1, 1.5) == pytest.approx(701.955, abs=0.001)
        assert two_strings.interval_cents(3, 4) == pytest.approx(498.045, abs=0.001)
        assert two_strings.interval_cents(1.49, 1.5) == pytest.approx(11.580, abs=0.001)
        comma = 12 * two_strings.interval_cents(2, 3) - 7 * two_strings.interval_cents(1, 2)
        assert comma == pytest.approx(23.460, abs=0.001)


class TestAccuracy:
    """The design's table "Accuracy to reach" (section 6): 95th percentiles in cents."""

    @pytest.mark.parametrize(("snr_db", "most"), [(40, 0.3), (20, 0.33), (10, 1.0)])
    def test_pluck(self, snr_db: float, most: float) -> None:
        found, _ = errors(lambda s: random_pluck(s, real_body=False), 60, snr_db)
        assert np.quantile(np.abs(found), 0.95) < most

    def test_pluck_below_100_hz(self) -> None:
        found, _ = errors(lambda s: random_pluck(s, real_body=False, f0_hz=41 + s % 58), 60, 20)
        assert np.quantile(np.abs(found), 0.95) < 0.5

    def test_short_pluck(self) -> None:
        found, _ = errors(
            lambda s: random_pluck(s, real_body=False, f0_hz=300 + 6 * s, duration_s=0.15), 60, 20
        )
        assert np.quantile(np.abs(found), 0.95) < 1.0

    def test_short_pluck_below_100_hz(self) -> None:
        """Of five to fifteen periods."""

        def make(seed: int):
            return random_pluck(seed, real_body=False, f0_hz=40 + seed / 2, duration_s=0.15)

        found, _ = errors(make, 120, 20, "double bass")
        assert np.quantile(np.abs(found), 0.95) < 1.0

    def test_glide(self) -> None:
        found, _ = errors(
            lambda s: random_pluck(s, real_body=False, glide_cents=15.0, duration_s=0.8), 60, 20
        )
        assert np.quantile(np.abs(found), 0.95) < 1.0

    @pytest.mark.parametrize("snr_db", [20, 10])
    def test_bow(self, snr_db: float) -> None:
        def make(seed: int):
            instrument = list(OPEN_HZ)[seed % 4]
            return strings.bow(
                OPEN_HZ[instrument][seed // 4 % 4], 1.5, RATE_HZ, seed=9000 + seed, lead_s=0.3
            )

        found, _ = errors(make, 48, snr_db)
        assert np.quantile(np.abs(found), 0.95) < 0.5

    @pytest.mark.parametrize(("snr_db", "most"), [(20, 0.5), (10, 1.0)])
    def test_two_strings(self, snr_db: float, most: float) -> None:
        worst, out = [], []
        for seed in range(32):
            low, high = OPEN_HZ[list(OPEN_HZ)[seed % 4]][seed // 4 % 3 :][:2]
            off = np.random.default_rng(seed).uniform(-30, 30)
            clean, truth = strings.two_strings(
                low, high * 2 ** (off / 1200), 2.5, RATE_HZ, seed=9500 + seed, lead_s=0.3
            )
            fit = fit_note(noisy(clean, snr_db, seed), RATE_HZ, as_note(truth, seed))
            assert fit.ok
            worst.append(abs(cents(fit.f0_hz, truth["f_inf_hz"])))
            worst.append(abs(cents(fit.f0_2_hz, truth["f_inf_2_hz"])))
            interval = two_strings.interval_cents(fit.f0_hz, fit.f0_2_hz)
            out.append(abs(interval - truth["interval_cents"]))
        assert np.quantile(worst, 0.95) < most
        assert np.quantile(out, 0.95) < 1.5 * most

    def test_low_cut_of_a_phone(self) -> None:
        def make(seed: int):
            clean, truth = random_pluck(seed, real_body=False, f0_hz=41 + seed)
            return rooms.high_pass(clean, RATE_HZ, cutoff_hz=200.0), truth

        found, _ = errors(make, 40, 25)
        assert np.quantile(np.abs(found), 0.95) < 0.5


class TestHonesty:
    @pytest.mark.parametrize("snr_db", [30, 12])
    def test_plucks_of_real_bodies(self, snr_db: float) -> None:
        """Bodies that pull partials by 5-40 cents, glides, two polarizations."""
        found, widths = errors(lambda s: random_pluck(s, real_body=True), 120, snr_db)
        covered = np.mean(np.abs(found) <= widths)
        assert covered >= 0.92
        assert np.median(widths) < 3.0  # and not by saying nothing

    def test_bows(self) -> None:
        def make(seed: int):
            rng = np.random.default_rng([seed, 88])
            instrument = list(OPEN_HZ)[seed % 4]
            return strings.bow(
                OPEN_HZ[instrument][rng.integers(4)], rng.uniform(1, 2.5), RATE_HZ,
                seed=9800 + seed, wander_cents=rng.uniform(0.3, 4), lead_s=0.3,
                body=strings.Body.of(instrument, 6000 + seed), attack_s=rng.uniform(0.03, 0.25),
            )  # fmt: skip

        found, widths = errors(make, 80, 15)
        assert np.mean(np.abs(found) <= widths) >= 0.92
        assert np.median(widths) < 0.5

    def test_short_notes_say_so(self) -> None:
        _, short = errors(
            lambda s: random_pluck(s, real_body=True, f0_hz=196.0, duration_s=0.2), 12, 25
        )
        _, long = errors(
            lambda s: random_pluck(s, real_body=True, f0_hz=196.0, duration_s=1.5), 12, 25
        )
        assert np.median(short) > 1.5 * np.median(long)

    def test_few_periods_tell_no_glide(self) -> None:
        """A tenth of a second may be an attack that stands 60 cents sharp: the interval says so."""

        def make(seed: int):
            body = strings.Body.of("double bass", 5000 + seed)
            return random_pluck(seed, real_body=True, body=body, f0_hz=40 + seed, duration_s=0.12)

        found, widths = errors(make, 60, 20, "double bass")
        assert np.mean(np.abs(found) <= widths) >= 0.92
        assert np.median(widths) > 12


class TestMovingNotes:
    def test_turning_peg_gives_a_track_and_a_wide_interval(self) -> None:
        path = [(0.0, -40.0), (0.3, -40.0), (0.8, 0.0), (1.2, 0.0)]
        clean, truth = strings.turn(293.66, path, 1.2, RATE_HZ, seed=5, lead_s=0.3)
        fit = fit_note(noisy(clean, 30, 5), RATE_HZ, as_note(truth, 5))
        assert fit.gliding
        assert fit.half_width_cents > 8
        track = [cents(hz, 293.66) for _, hz in fit.track]
        assert track[0] == pytest.approx(-40, abs=4)
        assert track[-2] == pytest.approx(0, abs=4)
        assert all(0.3 <= t <= 1.5 for t, _ in fit.track)
        assert len(fit.track) <= 12

    def test_turning_peg_under_a_bow(self) -> None:
        path = [(0.0, -60.0), (2.0, 0.0)]
        clean, truth = strings.turn(220.0, path, 2.0, RATE_HZ, seed=6, by="bowed", lead_s=0.3)
        fit = fit_note(noisy(clean, 30, 6), RATE_HZ, as_note(truth, 6))
        assert fit.gliding
        assert fit.half_width_cents > 10

    @pytest.mark.parametrize(
        ("f0", "far"),
        [(41.2, 60.0), (98.0, -120.0), (220.0, 250.0), (440.0, 30.0), (659.3, -300.0)],
    )
    def test_a_long_bow_rests_before_and_after_the_peg_turns(self, f0: float, far: float) -> None:
        path = [(0.0, 0.0), (1.4, 0.0), (1.4 + abs(far) / 100, far), (6.0, far)]
        clean, truth = strings.turn(
            f0, path, 6.0, RATE_HZ, seed=int(f0), by="bowed", lead_s=0.3, wander_cents=1.0
        )
        note = as_note(truth, 1) | {"f0_hz": f0 * 2 ** (3 / 1200)}
        fit = fit_note(noisy(clean, 20, 6), RATE_HZ, note)
        assert fit.gliding
        first, last = fit.rests[0], fit.rests[-1]
        # the bow's own wander moves a rest of a second or two by up to about its size
        assert cents(first.hz, f0) == pytest.approx(0, abs=2.5)
        assert cents(last.hz, f0) == pytest.approx(far, abs=2.5)
        assert all(rest.half_cents is not None for rest in (first, last))
        assert first.end_s == pytest.approx(1.7, abs=0.3)
        assert 1.5 < last.start_s < 3.5 + abs(far) / 100
        assert fit.half_width_cents > abs(far) / 2

    @pytest.mark.parametrize("f0", [41.2, 146.8, 440.0])
    def test_a_bow_that_wanders_has_no_rests(self, f0: float) -> None:
        for seed in range(4):
            clean, truth = strings.bow(
                f0, 5.0, RATE_HZ, seed=300 + seed, lead_s=0.3, wander_cents=4.0, changes_s=[2.5]
            )
            fit = fit_note(noisy(clean, 20, seed), RATE_HZ, as_note(truth, seed))
            assert fit.rests == []
            assert abs(cents(fit.f0_hz, truth["f_inf_hz"])) < max(0.6, fit.half_width_cents)

    @pytest.mark.parametrize("seed", range(50, 56))
    def test_a_bow_turned_down_and_back_is_not_taken_for_held(self, seed: int) -> None:
        """It ends where it began, so only its rests or its wander tell."""
        path = [(0.0, 0.0), (0.4, 0.0), (0.9, -18.0), (2.0, -18.0), (2.3, 0.0), (4.0, 0.0)]
        clean, truth = strings.turn(
            440.0, path, 4.0, RATE_HZ, seed=seed, by="bowed", lead_s=0.3, wander_cents=4.0
        )
        fit = fit_note(noisy(clean, 25, seed), RATE_HZ, as_note(truth, 1) | {"f0_hz": 440.0})
        assert fit.gliding
        assert abs(cents(fit.f0_hz, 440.0)) < fit.half_width_cents

    def test_a_bow_turned_at_its_beginning_is_known_by_its_rest(self) -> None:
        """Most of it rests; what is turned before would pull the mean down by six cents."""
        path = [(0.0, -55.0), (0.45, -55.0), (0.95, 0.0), (2.6, 0.0)]
        clean, truth = strings.bow(659.26, 2.6, RATE_HZ, seed=21, lead_s=0.3, path=path)
        fit = fit_note(noisy(clean, 30, 21), RATE_HZ, as_note(truth, 21))
        assert fit.gliding
        assert cents(fit.rests[-1].hz, 659.26) == pytest.approx(0, abs=2)

    def test_a_loud_attack_is_no_turn(self) -> None:
        clean, truth = strings.pluck(41.2, 1.6, RATE_HZ, seed=7, glide_cents=40, lead_s=0.3)
        fit = fit_note(noisy(clean, 35, 7), RATE_HZ, as_note(truth, 7))
        assert not fit.gliding
        assert fit.drift_cents == pytest.approx(truth["attack_drift_cents"], abs=5)
        assert abs(cents(fit.f0_hz, 41.2)) <= fit.half_width_cents


class TestOtherSounds:
    def test_harmonics(self) -> None:
        for by in ("plucked", "bowed"):
            clean, truth = strings.touched_harmonic(
                98.0, 3, 1.5, RATE_HZ, seed=3, by=by, lead_s=0.3
            )
            fit = fit_note(noisy(clean, 30, 3), RATE_HZ, as_note(truth, 3))
            assert fit.kind == "harmonic"
            assert abs(cents(fit.f0_hz, truth["f_inf_hz"])) < 1.0

    @pytest.mark.parametrize("wave", ["sine", "square", "organ"])
    def test_reference_tones(self, wave: str) -> None:
        tone = np.concatenate(
            [np.zeros(4800), rooms.reference_tone(440.7, 2.0, RATE_HZ, wave=wave)]
        )
        note = {"kind": "reference_tone", "start_s": 0.3, "end_s": 2.3, "f0_hz": 440.0}
        fit = fit_note(noisy(tone, 30, 1), RATE_HZ, note)
        assert cents(fit.f0_hz, 440.7) == pytest.approx(0, abs=0.05)

    @pytest.mark.parametrize("mains_hz", [50.0, 60.0])
    def test_hum(self, mains_hz: float) -> None:
        """Hum 20 dB under plucks whose partials lie beside its own."""
        found = []
        for seed, f0 in enumerate((49.0, 55.0, 61.0, 98.0, 147.0, 196.0, 302.0)):
            clean, truth = random_pluck(seed, real_body=False, f0_hz=f0, duration_s=1.2)
            hum = rooms.hum(len(clean), RATE_HZ, mains_hz=mains_hz, seed=seed)
            audio = noisy(rooms.mix(clean, hum, 20, RATE_HZ, 0.3), 35, seed)
            fit = fit_note(audio, RATE_HZ, as_note(truth, seed), hum_hz=mains_hz)
            found.append(abs(cents(fit.f0_hz, truth["f_inf_hz"])))
            assert found[-1] <= fit.half_width_cents
        assert np.median(found) < 0.5

    def test_another_string_that_rings_on(self) -> None:
        """D rings while A is plucked: A's even partials are doubtful, its odd ones are not."""
        ring, _ = strings.pluck(293.2, 2.6, RATE_HZ, seed=11, b=0, loudness=0.9)
        clean, truth = strings.pluck(440.0, 1.5, RATE_HZ, seed=12, lead_s=0.7, loudness=0.4)
        audio = noisy(clean + ring[: len(clean)] * 0.8, 40, 1)
        fit = fit_note(audio, RATE_HZ, as_note(truth, 1), [293.2])
        assert abs(cents(fit.f0_hz, 440.0)) <= fit.half_width_cents
        assert abs(cents(fit.f0_hz, 440.0)) < 2.0

    @pytest.mark.parametrize("off", [0.985, 1.012])
    def test_a_steady_tone_beside_one_partial_of_a_bow(self, off: float) -> None:
        """It holds that partial; the others are locked together and outvote it."""
        clean, truth = strings.bow(196.0, 2.0, RATE_HZ, seed=12, lead_s=0.3)
        tone = rooms.reference_tone(3 * 196.0 * off, 2.4, RATE_HZ, wave="sine")
        audio = noisy(clean, 30, 12)
        audio[: len(tone)] += 0.7 * tone[: len(audio)]
        fit = fit_note(audio, RATE_HZ, as_note(truth, 12))
        assert cents(fit.f0_hz, truth["f_inf_hz"]) == pytest.approx(0, abs=0.5)

    def test_a_dip_where_the_old_sound_meets_the_new_is_the_notes_own(self) -> None:
        clean, truth = strings.pluck(97.0, 1.2, RATE_HZ, seed=4, lead_s=0.3)
        since = np.arange(len(clean)) / RATE_HZ - truth["onset_s"]
        dipped = clean * (1 - 0.75 * np.exp(-(((since - 0.06) / 0.02) ** 2)))
        fit = fit_note(noisy(dipped, 30, 4), RATE_HZ, as_note(truth, 4))
        assert fit.ok, fit.reason
        assert abs(cents(fit.f0_hz, truth["f_inf_hz"])) < fit.half_width_cents < 5

    def test_what_sounds_after_it_is_not_the_note(self) -> None:
        first, truth = strings.pluck(440.0, 1.0, RATE_HZ, seed=13, lead_s=0.3)
        second, _ = strings.pluck(452.0, 1.0, RATE_HZ, seed=14, lead_s=1.1)
        audio = np.zeros(len(second), np.float32)
        audio[: len(first)] += first
        note = as_note(truth, 2) | {"end_s": 1.8}
        fit = fit_note(noisy(audio + second, 40, 2), RATE_HZ, note)
        assert abs(cents(fit.f0_hz, 440.0)) < 1.5

    @pytest.mark.parametrize("kind", ["plucked", "bowed"])
    def test_a_wrong_kind_costs_little(self, kind: str) -> None:
        other = "bowed" if kind == "plucked" else "plucked"
        make = strings.pluck if kind == "plucked" else strings.bow
        found = []
        for seed in range(12):
            body = strings.Body.of("cello", 300 + seed, 15.0)
            clean, truth = make(147.0, 1.6, RATE_HZ, seed=400 + seed, body=body, lead_s=0.3)
            note = as_note(truth, seed) | {"kind": other}
            fit = fit_note(noisy(clean, 30, seed), RATE_HZ, note)
            found.append(abs(cents(fit.f0_hz, 147.0)))
        assert np.median(found) < 1.0

    @pytest.mark.parametrize(
        "kind", ["plucked", "bowed", "two_strings", "harmonic", "reference_tone"]
    )
    def test_nothing_there_is_no_pitch(self, kind: str) -> None:
        noise = np.random.default_rng(1).normal(size=3 * RATE_HZ).astype(np.float32) * 0.01
        click = np.zeros(3 * RATE_HZ, np.float32)
        click[9000] = 1
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for audio in (noise, click, np.zeros(3 * RATE_HZ, np.float32)):
                for start, end in (
                    (0.5, 1.5),
                    (0.5, 0.52),
                    (0.5, 0.58),
                    (1.0, 1.0),
                    (2.9, 3.4),
                    (5.0, 6.0),
                ):
                    note = {"kind": kind, "start_s": start, "end_s": end, "f0_hz": 196.0}
                    fit = fit_note(audio, RATE_HZ, note | {"f0_2_hz": 294.0})
                    assert not fit.ok or fit.half_width_cents > 8
                    assert fit.ok == (fit.f0_hz is not None) == (fit.half_width_cents is not None)
                    assert fit.ok or fit.reason

    def test_no_coarse_pitch(self) -> None:
        note = {"kind": "plucked", "start_s": 0.0, "end_s": 1.0, "f0_hz": None}
        assert fit_note(np.zeros(RATE_HZ), RATE_HZ, note) == NoteFit("plucked", reason="no pitch")

    @pytest.mark.parametrize(
        ("pulled", "is_string"), [([20, -20, 20], True), ([36, -37, 39, -40, 42, -43] * 2, False)]
    )
    def test_partials_that_form_no_series_are_no_string(
        self, pulled: list[float], is_string: bool
    ) -> None:
        """Calculated: twelve dying partials, the lowest pulled as by a body, or all of them out of
        place."""
        off = np.zeros(12)
        off[: len(pulled)] = pulled
        hz = 55.0 * np.arange(1, 13) * 2 ** (off / 1200)
        time = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ - 0.3
        waves = (np.cos(2 * np.pi * time[:, None] * hz) / np.arange(1, 13)).sum(axis=1)
        audio = np.where(time > 0, 0.2 * waves * np.exp(-3 * time), 0)
        note = {"kind": "plucked", "start_s": 0.3, "end_s": 1.5, "f0_hz": 55.0}
        fit = fit_note(
            noisy(audio, 30, 1),
            RATE_HZ,
            note,
            body=stiff_string.Body(*INSTRUMENTS["double bass"].body),
        )
        assert fit.ok is is_string
        if is_string:
            assert abs(cents(fit.f0_hz, 55.0)) < fit.half_width_cents < 2
        else:
            assert fit.reason == "its partials form no series"


QUICK = cases(15, suppress_health_check=list(HealthCheck))


class TestProperties:
    @staticmethod
    def sound(kind: str) -> tuple[np.ndarray, dict]:
        if kind == "plucked":
            body = strings.Body.of("violin", 77, 12.0)
            clean, truth = strings.pluck(
                293.66, 1.2, RATE_HZ, seed=31, body=body, glide_cents=8, lead_s=0.5
            )
        else:
            clean, truth = strings.bow(293.66, 1.4, RATE_HZ, seed=32, lead_s=0.5)
        return noisy(clean, 45, 31), truth

    @pytest.mark.parametrize("kind", ["plucked", "bowed"])
    @QUICK
    @given(shift=st.floats(-80, 80))
    def test_a_shift_of_the_recording_moves_the_pitch_with_it(
        self, kind: str, shift: float
    ) -> None:
        audio, truth = self.sound(kind)
        factor = 2 ** (shift / 1200)
        played = samples.replay(audio, np.full(int(len(audio) / factor), factor)).astype(np.float32)
        note = {"kind": kind, "start_s": truth["onset_s"], "end_s": truth["end_s"]}
        plain = fit_note(audio, RATE_HZ, note | {"f0_hz": truth["f_inf_hz"]})
        moved = fit_note(
            played,
            RATE_HZ,
            {
                "kind": kind,
                "start_s": note["start_s"] / factor,
                "end_s": note["end_s"] / factor,
                "f0_hz": truth["f_inf_hz"] * factor,
            },
        )
        assert cents(moved.f0_hz, plain.f0_hz) == pytest.approx(shift, abs=0.1)

    @pytest.mark.parametrize("kind", ["plucked", "bowed"])
    @QUICK
    @given(gain=st.floats(0.003, 3), sign=st.sampled_from([1, -1]), later=st.integers(0, 5000))
    def test_gain_sign_and_time_change_nothing(
        self, kind: str, gain: float, sign: int, later: int
    ) -> None:
        audio, truth = self.sound(kind)
        note = {"kind": kind, "f0_hz": truth["f_inf_hz"]}
        times = np.array([truth["onset_s"], truth["end_s"]])
        plain = fit_note(audio, RATE_HZ, note | dict(zip(("start_s", "end_s"), times, strict=True)))
        times = times + later / RATE_HZ
        moved = fit_note(
            np.concatenate([np.zeros(later, np.float32), sign * gain * audio]),
            RATE_HZ,
            note | dict(zip(("start_s", "end_s"), times, strict=True)),
        )
        assert cents(moved.f0_hz, plain.f0_hz) == pytest.approx(0, abs=0.02)
        assert moved.half_width_cents == pytest.approx(plain.half_width_cents, rel=0.05)

    @QUICK
    @given(off=st.floats(-50, 50), few=st.booleans())
    def test_the_coarse_pitch_hardly_matters(self, off: float, few: bool) -> None:
        if few:  # periods
            clean, truth = random_pluck(2, real_body=True, f0_hz=55.0, duration_s=0.15)
            audio = noisy(clean, 30, 8)
        else:
            audio, truth = self.sound("plucked")
        note = {"kind": "plucked", "start_s": truth["onset_s"], "end_s": truth["end_s"]}
        plain = fit_note(audio, RATE_HZ, note | {"f0_hz": truth["f_inf_hz"]})
        other = fit_note(audio, RATE_HZ, note | {"f0_hz": truth["f_inf_hz"] * 2 ** (off / 1200)})
        assert cents(other.f0_hz, plain.f0_hz) == pytest.approx(0, abs=0.1)


class TestSignals:
    def test_amplitudes_of_a_sine(self) -> None:
        t = np.arange(4000) / RATE_HZ
        wave = 0.4 * np.cos(2 * np.pi * 312.5 * t + 0.7)
        z, times = frames.partial_amplitudes(wave, RATE_HZ, np.array([312.5, 468.75]), 204, 51)
        assert np.abs(z[:, 0]) == pytest.approx(0.4, rel=0.01)
        assert np.angle(z[:, 0]) == pytest.approx(0.7, abs=0.01)
        assert np.abs(z[:, 1]).max() < 0.01
        assert times[1] - times[0] == pytest.approx(51 / RATE_HZ)

    @pytest.mark.parametrize("size", [204, 205])
    def test_amplitudes_are_the_sums_they_stand_for(self, size: int) -> None:
        """Against the sums written out in double precision."""
        wave = np.random.default_rng(3).normal(size=1000)
        hz = np.array([98.0, 440.3, 1999.0])
        z, times = frames.partial_amplitudes(wave, RATE_HZ, hz, size, 51)
        window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
        for frame in range(len(z)):
            at = 51 * frame + np.arange(size)
            turns = np.exp(-2j * np.pi * hz * at[:, None] / RATE_HZ)
            expected = 2 / window.sum() * (wave[at] * window) @ turns
            assert z[frame] == pytest.approx(expected, abs=2e-6)
            assert times[frame] == pytest.approx(at.mean() / RATE_HZ)
        assert len(z) == (1000 - size) // 51 + 1

    @pytest.mark.parametrize("rows", [1, 2, 7, 8])
    def test_medians_are_numpys(self, rows: int) -> None:
        values = np.random.default_rng(rows).normal(size=(rows, 5))
        assert np.array_equal(frames.medians(values), np.median(values, axis=0))

    def test_warping_by_nothing_is_nothing(self) -> None:
        wave = np.sin(np.arange(500) / 9).astype(np.float32)
        moved = frames.warp(wave, np.arange(2, 400) + 0.5)
        assert moved == pytest.approx(np.sin((np.arange(2, 400) + 0.5) / 9), abs=1e-3)

    def test_noise_power(self) -> None:
        rng = np.random.default_rng(2)
        z = rng.normal(size=(4000, 3)) + 1j * rng.normal(size=(4000, 3))
        assert np.median(dsp_noise := partials.noise_power(z, 200), axis=0) == pytest.approx(
            2.0, rel=0.1
        )
        assert dsp_noise.shape == z.shape

    def test_inverse_of_a_diagonal_and_two_vectors(self) -> None:
        """Against numpy's own inverse and determinant."""
        rng = np.random.default_rng(2)
        d, a, b, x = rng.uniform(0.1, 5, (7, 9)), *rng.normal(0, 3, (3, 7, 9))
        dense = d[:, :, None] * np.eye(9) + a[:, :, None] * a[:, None] + np.outer(b[0], b[0])
        inverse = stiff_string._Inverse.of(d, a, b[0])
        expected = np.linalg.inv(dense)
        assert np.allclose(inverse.times(x), np.einsum("gij,gj->gi", expected, x), atol=1e-9)
        assert np.allclose(inverse.diagonal, np.einsum("gii->gi", expected), atol=1e-9)
        assert np.allclose(inverse.log_determinant, np.linalg.slogdet(dense)[1], atol=1e-9)

    def test_series_through_partials_that_a_body_pulls(self) -> None:
        """Two low partials 20 and 35 cents off do not move the pitch."""
        number = np.arange(1, 16)
        truth = stiff_string.stretch_cents(number, 6e-5)
        measured = truth + 3.0
        measured[[0, 2]] += [-35, 20]
        pull = stiff_string.Body(250.0, 580.0).pull(number * 196.0)
        fit = stiff_string.fit_series(number, measured, np.full(15, 0.1), pull, 0.0)
        assert fit.cents == pytest.approx(3.0, abs=0.3)
        assert fit.b == pytest.approx(6e-5, abs=1e-5)


@SOUND_FONT
@pytest.mark.soundfont
class TestAgainstOtherLibraries:
    """Sampled bowed players of Debian's fluid-soundfont-gm, vibrato removed by the lab."""

    CASES = (("violin", 440.0), ("viola", 196.0), ("cello", 98.0), ("double bass", 55.0))

    @staticmethod
    def sampled(instrument: str, f0: float, offset: float) -> tuple[np.ndarray, dict, float]:
        audio, truth = samples.bowed(
            instrument, f0 * 2 ** (offset / 1200), 1.6, RATE_HZ, seed=2, lead_s=0.3
        )
        note = {"kind": "bowed", "start_s": 0.3, "end_s": 1.9, "f0_hz": truth["f_inf_hz"]}
        return audio, note, truth["f_inf_hz"]

    @pytest.mark.parametrize(("instrument", "f0"), CASES)
    def test_pyin(self, instrument: str, f0: float) -> None:
        import librosa

        audio, note, _ = self.sampled(instrument, f0, 17.0)
        inside = audio[int(0.55 * RATE_HZ) : int(1.7 * RATE_HZ)]
        size, steps = (2048, 0.05) if f0 > 90 else (4096, 0.1)
        track, voiced, _ = librosa.pyin(
            inside,
            fmin=f0 / 2,
            fmax=f0 * 2,
            sr=RATE_HZ,
            frame_length=size,
            resolution=steps,
            hop_length=512,
        )
        ours = fit_note(audio, RATE_HZ, note).f0_hz
        assert cents(float(np.nanmedian(track[voiced])), ours) == pytest.approx(0, abs=6)

    @pytest.mark.parametrize(("instrument", "f0"), CASES)
    def test_praat(self, instrument: str, f0: float) -> None:
        import parselmouth

        audio, note, _ = self.sampled(instrument, f0, -23.0)
        sound = parselmouth.Sound(audio.astype(float), RATE_HZ).extract_part(0.55, 1.7)
        pitch = sound.to_pitch_ac(pitch_floor=f0 / 1.5, pitch_ceiling=f0 * 1.5)
        heard = pitch.selected_array["frequency"]
        ours = fit_note(audio, RATE_HZ, note).f0_hz
        assert cents(float(np.median(heard[heard > 0])), ours) == pytest.approx(0, abs=4)

    @pytest.mark.parametrize(("instrument", "f0"), CASES)
    def test_known_pitch(self, instrument: str, f0: float) -> None:
        audio, note, truth = self.sampled(instrument, f0, 9.0)
        assert cents(fit_note(audio, RATE_HZ, note).f0_hz, truth) == pytest.approx(0, abs=1.5)

    def offset_of_raw_pluck(self, key: int) -> tuple[float, float]:
        """(by how much more than 13.7 cents a sampled pluck played so much higher is measured
        higher, the lesser of both half-widths)."""
        fits = []
        for offset in (0.0, 13.7):
            raw, truth = samples.play("plucked bass", key, 1.6, offset_cents=offset)
            audio = np.ascontiguousarray(raw, np.float32)
            note = {"kind": "plucked", "start_s": 0.0, "end_s": truth["end_s"]}
            f0 = 440 * 2 ** ((key - 69) / 12)
            fits.append(fit_note(audio, samples.FONT_RATE_HZ, note | {"f0_hz": f0}))
        half = min(fit.half_width_cents for fit in fits)
        return cents(fits[1].f0_hz, fits[0].f0_hz) - 13.7, half

    @pytest.mark.parametrize("key", [33, 38, 43])
    def test_offsets_of_raw_plucks(self, key: int) -> None:
        assert self.offset_of_raw_pluck(key)[0] == pytest.approx(0, abs=0.15)

    def test_offsets_of_all_raw_plucks_of_a_bass(self) -> None:
        """All as closely as both measurements claim, most to 0.15 cents."""
        off, half = np.array([self.offset_of_raw_pluck(key) for key in range(28, 46)]).T
        assert (np.abs(off) < half).all()
        assert np.sum(np.abs(off) < 0.15) >= 16


@pytest.mark.parametrize(("other_hz", "marked"), [([293.66], {2, 5, 8}), ([], set())])
def test_a_partial_is_another_sounds_only_where_a_string_that_rings_comes_near_it(other_hz, marked):
    """G3 plucked into a ringing D4: every third partial of G lies beside every second of D."""
    hz = 196.0 * np.arange(1, 10)
    t = np.arange(RATE_HZ) / RATE_HZ
    before = sum(0.1 * np.sin(2 * np.pi * 293.66 * n * t) for n in range(1, 7))
    ghosts = other_sounds.ghosts_of(hz, np.full(9, 0.05), RATE_HZ, before, other_hz, None)
    assert set(np.flatnonzero(ghosts > 0.5)) == marked
    assert ghosts[sorted(set(range(9)) - marked)].max(initial=0) < 0.05
    if marked:  # an amplitude of 0.1 beside one of 0.05
        assert ghosts[sorted(marked)] == pytest.approx([2.0] * 3, rel=0.15)
