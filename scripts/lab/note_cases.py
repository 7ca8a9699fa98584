"""Single notes with exact truth, through what spoils them: to judge and fit the measuring by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lab import containers, rooms, samples, strings
from lab.bench import TABLE
from pegmark.measure.bows import bow_window
from pegmark.measure.note_fit import NoteFit, fit_note
from pegmark.measure.plucks import SETTLED_S
from pegmark.signals.audio import RATE_HZ
from pegmark.signals.frames import partial_amplitudes
from pegmark.signals.stiff_string import Body

LEAD_S = 0.4
OPEN_HZ = {
    "violin": (195.9977, 293.6648, 440.0, 659.2551),
    "viola": (130.8128, 195.9977, 293.6648, 440.0),
    "cello": (65.4064, 97.9989, 146.8324, 220.0),
    "double bass": (41.2034, 55.0, 73.4162, 97.9989),
}
# Name of a cell -> (SNR in dB, what else is done to the sound).
CONDITIONS: dict[str, tuple[float, dict[str, Any]]] = {
    "40 dB": (40, {}),
    "20 dB": (20, {}),
    "10 dB": (10, {}),
    "5 dB": (5, {}),
    "low cut 200 Hz, 20 dB": (20, {"low_cut": 200.0}),
    "hum 50 Hz, 25 dB": (25, {"hum": 50.0}),
    "hum 60 Hz, 25 dB": (25, {"hum": 60.0}),
    "AAC 64k, 30 dB": (30, {"codec": "aac"}),
    "Opus 32k, 30 dB": (30, {"codec": "opus"}),
    "MP3 96k, 30 dB": (30, {"codec": "mp3"}),
    "room 0.3 s, 30 dB": (30, {"rt60": 0.3}),
    "room 0.6 s, 30 dB": (30, {"rt60": 0.6}),
    "room 0.9 s, 30 dB": (30, {"rt60": 0.9}),
    # Modes moved 0.7 to 1.4 times, any Q, half of them part-size: what nothing was fitted to.
    "other body, 20 dB": (20, {"body": "outside"}),
    "other body, 40 dB": (40, {"body": "outside"}),
}

NOISE_LEVELS = ("40 dB", "20 dB", "10 dB", "5 dB")


@dataclass
class Case:
    """One note to measure: audio, truth in Hz, the note as the finding of notes would give it."""

    audio: np.ndarray
    truth_hz: float
    note: dict[str, Any]
    instrument: str
    bound_cents: float | None  # Cramer-Rao, one standard deviation

    @property
    def window(self) -> tuple[float, float]:
        """Seconds of the audio that the libraries hear."""
        start, end = self.note["start_s"], self.note["end_s"]
        if self.note["kind"] == "bowed":
            first, last = bow_window(end - start)
            return start + first, start + last
        return start + min(SETTLED_S, (end - start) / 3), end


def fitted(case: Case) -> NoteFit:
    """Our fit, with what is known of the instrument."""
    known = TABLE[case.instrument]
    return fit_note(
        case.audio,
        RATE_HZ,
        case.note,
        b_prior=known.stiffness,
        body=Body(*known.body),
    )


def ours(case: Case) -> float | None:
    return fitted(case).f0_hz


def synthetic(kind: str, condition: str, seed: int) -> Case:
    """A note of the laboratory."""
    snr_db, spoil = CONDITIONS[condition]
    rng = np.random.default_rng([seed, kind == "bowed", 9173])
    name = list(OPEN_HZ)[seed % 4]
    f0 = OPEN_HZ[name][rng.integers(4)] * 2 ** (rng.uniform(-90, 90) / 1200)
    other = "body" in spoil
    body = strings.Body.outside(name, seed) if other else strings.Body.of(name, seed)
    if kind == "plucked":
        most = (4e-4 if name == "double bass" else 1e-4) * (2.5 if other and seed % 2 else 1)
        clean, truth = strings.pluck(
            f0, float(rng.uniform(0.5, 2.0)), RATE_HZ, seed=seed, body=body, lead_s=LEAD_S,
            b=float(rng.uniform(0, most)),
            position=float(rng.uniform(0.08, 0.35)), loudness=float(rng.uniform(0.1, 0.9)),
            glide_cents=float(min(60, rng.exponential(10))),
            polarization_cents=float(rng.uniform(0, 0.8)),
        )  # fmt: skip
    else:
        seconds = float(rng.uniform(1.0, 3.0))
        changes = [seconds / 2] if seconds > 2 and rng.random() < 0.5 else []
        clean, truth = strings.bow(
            f0, seconds, RATE_HZ, seed=seed, body=body, lead_s=LEAD_S, changes_s=changes,
            wander_cents=float(rng.uniform(0.3, 4)), attack_s=float(rng.uniform(0.03, 0.25)),
        )  # fmt: skip
    return spoilt(clean, truth, name, snr_db, spoil, rng)


def spoilt(
    clean: np.ndarray, truth: dict, name: str, snr_db: float, spoil: dict, rng: np.random.Generator
) -> Case:
    """`clean` with everything that the cell does to it, as a case."""
    seed = int(rng.integers(2**31))
    if "rt60" in spoil:
        clean = rooms.reverberate(clean, RATE_HZ, rt60_s=spoil["rt60"], seed=seed)
    noise = rooms.noise(len(clean), RATE_HZ, colour=str(rng.choice(["pink", "white"])), seed=seed)
    if "hum" in spoil:
        noise = noise + 1.5 * rooms.hum(len(clean), RATE_HZ, mains_hz=spoil["hum"], seed=seed)
    if "low_cut" in spoil:
        clean = rooms.high_pass(clean, RATE_HZ, cutoff_hz=spoil["low_cut"])
        noise = rooms.high_pass(noise, RATE_HZ, cutoff_hz=spoil["low_cut"])
    audio = rooms.mix(clean, noise, snr_db, RATE_HZ, truth["onset_s"])
    if "codec" in spoil:
        audio = containers.codec_roundtrip(audio, RATE_HZ, spoil["codec"])
    note = {
        "kind": truth["kind"],
        "start_s": truth["onset_s"] + rng.uniform(-0.005, 0.01),
        "end_s": truth["end_s"] + rng.uniform(-0.02, 0.01),
        "f0_hz": truth["f_inf_hz"] * 2 ** (rng.normal(0, 4) / 1200),
    }
    if "f_inf_2_hz" in truth:
        note["f0_2_hz"] = truth["f_inf_2_hz"] * 2 ** (rng.normal(0, 4) / 1200)
    case = Case(audio, truth["f_inf_hz"], note, name, None)
    if set(spoil) <= {"low_cut", "body"} and truth["kind"] != "two_strings":
        case.bound_cents = bound(clean, audio - clean, case)
    return case


def bound(clean: np.ndarray, noise: np.ndarray, case: Case) -> float:
    """The Cramer-Rao bound of a still pitch, one standard deviation in cents.

    Each partial's phase tells the pitch with the information n^2 A(t)^2 / N0 (t - mean)^2, summed
    over time; its own phase and amplitude are unknown (Rife & Boorstyn 1974, for A(t): from
    memory). N0 is the noise's density around the partial.
    """
    first, last = (round(t * RATE_HZ) for t in case.window)
    f0 = case.truth_hz
    number = np.arange(1, 1 + min(40, int(7000 / f0)))
    size = 4 * round(RATE_HZ / f0)
    z, times = partial_amplitudes(clean[first:last], RATE_HZ, number * f0, size, size // 4)
    if len(z) < 3:
        return np.nan
    part = noise[first:last]
    spectrum = np.abs(np.fft.rfft(part)) ** 2 / len(part) / RATE_HZ  # two-sided density, 1/Hz
    width = max(5, int(100 * len(part) / RATE_HZ))
    density = np.convolve(spectrum, np.ones(width) / width, "same")
    at = np.minimum((number * f0 * len(part) / RATE_HZ).astype(int), len(density) - 1)
    power = np.abs(z) ** 2
    middle = (power * times[:, None]).sum(axis=0) / power.sum(axis=0)
    energy = (power * (times[:, None] - middle) ** 2).sum(axis=0) * (times[1] - times[0])
    information = ((2 * np.pi * number) ** 2 * energy / (2 * density[at])).sum()
    return float(1200 / np.log(2) / np.sqrt(information) / f0)


def sampled(name: str, seed: int) -> Case:
    """A note of a sampled player at a known pitch; "plucked bass" is a raw pluck whose truth is
    our own reading of it without noise, moved by the offset that it was played with."""
    rng = np.random.default_rng([seed, 557])
    if name == "plucked bass":
        return sampled_pluck(rng)
    f0 = OPEN_HZ[name][seed // 4 % 4] * 2 ** (rng.uniform(-60, 60) / 1200)
    clean, truth = samples.bowed(
        name, f0, float(rng.uniform(1.2, 2.4)), RATE_HZ, seed=seed, lead_s=LEAD_S,
        wander_cents=float(rng.uniform(0.5, 3)), velocity=int(rng.integers(50, 120)),
    )  # fmt: skip
    return spoilt(clean, truth, name, 30, {}, rng)


def sampled_pluck(rng: np.random.Generator) -> Case:
    """A sampled bass pluck, moved by a known offset."""
    import librosa

    key = int(rng.choice([28, 33, 38, 43]))
    name = "double bass"
    pitches = []
    for offset in (0.0, float(rng.uniform(-60, 60))):
        raw, truth = samples.play("plucked bass", key, 1.6, offset_cents=offset)
        low = librosa.resample(
            raw, orig_sr=samples.FONT_RATE_HZ, target_sr=RATE_HZ, res_type="soxr_hq"
        )
        clean = np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), low]).astype(np.float32)
        note = {"kind": "plucked", "start_s": LEAD_S, "end_s": LEAD_S + truth["end_s"]}
        note["f0_hz"] = 440 * 2 ** ((key - 69 + offset / 100) / 12)
        pitches.append((ours(Case(clean, 0, note, name, None)) or 0, offset))
    truth_hz = pitches[0][0] * 2 ** (pitches[1][1] / 1200)
    told = {"kind": "plucked", "onset_s": LEAD_S, "end_s": note["end_s"], "f_inf_hz": truth_hz}
    return spoilt(clean, told, name, 30, {}, rng)
