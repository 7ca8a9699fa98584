"""The fine measurement side by side with general-purpose pitch libraries, in one run.

    python scripts/benchmark_measure.py [--quick] [--stages] [--notes 40] [--coverage 160]

Material: plucked and bowed notes of the sound laboratory with exact truth, through noise, a phone's
low cut, mains hum, three codecs and rooms; and sampled players of Debian's fluid-soundfont-gm,
rendered with known offsets. None of the seeds or parameters were used to tune the method.

Every method hears the same stretch of the same note (a pluck from 250 ms after its start, a bow
between 250 ms after its start and 200 ms before its end) and the same range, an octave around the
coarse pitch; the libraries' answer is the median of their track. Figures per cell, in cents: bias
and root mean square error without gross errors (over 50 cents, or no answer), 95th percentile of
all errors (no answer counts as a semitone) with its bootstrap 95 % interval, gross errors. Then CPU
seconds per recorded minute, and how often the truth lies inside our stated 95 % interval, per
group.

The Cramer-Rao bound beside is what no unbiased method could beat, as a 95th percentile: for
sinusoids of known decay in the cell's noise, whose pitch stands still (it knows nothing of glides,
bodies and wander, so real figures lie well above).
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")
# pyworld asks a module that setuptools no longer brings for its own version; nothing else.
if not importlib.util.find_spec("pkg_resources"):
    unknown: Any = SimpleNamespace(get_distribution=lambda _: SimpleNamespace(version="unknown"))
    sys.modules["pkg_resources"] = unknown

import librosa
import numpy as np
import parselmouth
import pyworld
from pegmark import measure
from pegmark.bows import bow_window
from pegmark.dsp import partial_amplitudes
from pegmark.lab import containers, rooms, samples, strings
from pegmark.notefit import fit_note
from pegmark.plucks import SETTLED_S

RATE_HZ = 16000
LEAD_S = 0.4
CONFIG = Path(__file__).resolve().parents[1] / "config" / "instruments.yaml"
STAGE_TAKES = 8
GROSS_CENTS = 50.0
NO_ANSWER_CENTS = 100.0
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
}


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


Method = Callable[[Case], float | None]


def ours(case: Case) -> float | None:
    return measured(case)[0]


def measured(case: Case) -> tuple[float | None, float | None]:
    """(f0 in Hz, half-width in cents) of our fit."""
    name = case.instrument
    fit = fit_note(
        case.audio,
        RATE_HZ,
        case.note,
        b_prior=measure.B_PRIORS.get(name, measure.B_PRIOR),
        body_hz=measure.BODY_HZ[name],
    )
    return fit.f0_hz, fit.half_width_cents


def heard(case: Case) -> tuple[np.ndarray, float, float]:
    """(audio, lowest, highest pitch in Hz) as the libraries get them."""
    first, last = (round(t * RATE_HZ) for t in case.window)
    coarse = case.note["f0_hz"]
    return case.audio[first:last].astype(np.float64), coarse / 2, coarse * 2


def frame_length(low_hz: float) -> int:
    """Samples: room for more than two periods of the lowest pitch searched."""
    return 2048 if 2.5 * RATE_HZ / low_hz < 2048 else 4096


def median_of(track: np.ndarray) -> float | None:
    good = track[np.isfinite(track) & (track > 0)]
    return float(np.median(good)) if len(good) else None


def pyin(case: Case) -> float | None:

    audio, low, high = heard(case)
    size = frame_length(low)
    track, _, _ = librosa.pyin(
        audio, fmin=low, fmax=high, sr=RATE_HZ, frame_length=size, hop_length=256, resolution=0.05
    )
    return median_of(track)


def yin(case: Case) -> float | None:

    audio, low, high = heard(case)
    track = librosa.yin(
        audio, fmin=low, fmax=high, sr=RATE_HZ, frame_length=frame_length(low), hop_length=256
    )
    return median_of(track)


def praat(case: Case) -> float | None:

    audio, low, high = heard(case)
    sound = parselmouth.Sound(audio, RATE_HZ)
    try:
        pitch = sound.to_pitch_ac(pitch_floor=low, pitch_ceiling=high)
    except parselmouth.PraatError:  # a stretch too short for three periods of the floor
        return None
    return median_of(pitch.selected_array["frequency"])


def world(case: Case) -> float | None:

    audio, low, high = heard(case)
    track, times = pyworld.harvest(audio, RATE_HZ, f0_floor=low, f0_ceil=high)
    return median_of(pyworld.stonemask(audio, track, times, RATE_HZ))


METHODS: dict[str, Method] = {
    "ours": ours,
    "librosa yin": yin,
    "librosa pyin": pyin,
    "Praat (parselmouth)": praat,
    "WORLD (pyworld)": world,
}


def synthetic(kind: str, condition: str, seed: int) -> Case:
    """A note of the laboratory."""
    snr_db, spoil = CONDITIONS[condition]
    rng = np.random.default_rng([seed, kind == "bowed", 9173])
    name = list(OPEN_HZ)[seed % 4]
    f0 = OPEN_HZ[name][rng.integers(4)] * 2 ** (rng.uniform(-90, 90) / 1200)
    body = strings.Body.of(name, seed)
    if kind == "plucked":
        clean, truth = strings.pluck(
            f0, float(rng.uniform(0.5, 2.0)), RATE_HZ, seed=seed, body=body, lead_s=LEAD_S,
            b=float(rng.uniform(0, 4e-4 if name == "double bass" else 1e-4)),
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
    case = Case(audio, truth["f_inf_hz"], note, name, None)
    if set(spoil) <= {"low_cut"}:
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

    key = int(rng.choice([28, 33, 38, 43]))
    name = "double bass"
    pitches = []
    for offset in (0.0, float(rng.uniform(-60, 60))):
        raw, truth = samples.play("plucked bass", key, 1.6, offset_cents=offset)
        low = librosa.resample(raw, orig_sr=samples.RATE_HZ, target_sr=RATE_HZ, res_type="soxr_hq")
        clean = np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), low]).astype(np.float32)
        note = {"kind": "plucked", "start_s": LEAD_S, "end_s": LEAD_S + truth["end_s"]}
        note["f0_hz"] = 440 * 2 ** ((key - 69 + offset / 100) / 12)
        pitches.append((measured(Case(clean, 0, note, name, None))[0] or 0, offset))
    truth_hz = pitches[0][0] * 2 ** (pitches[1][1] / 1200)
    told = {"kind": "plucked", "onset_s": LEAD_S, "end_s": note["end_s"], "f_inf_hz": truth_hz}
    return spoilt(clean, told, name, 30, {}, rng)


@dataclass
class Cell:
    """The errors of all methods on one cell's notes, nan for no answer; CPU and audio seconds."""

    name: str
    errors: dict[str, np.ndarray]
    bounds: np.ndarray


def run_cell(name: str, cases: list[Case], clock: dict[str, float], seconds: list[float]) -> Cell:
    errors: dict[str, list[float]] = {method: [] for method in METHODS}
    for case in cases:
        seconds.append(case.note["end_s"] - case.note["start_s"])
        for method, hears in METHODS.items():
            begin = time.process_time()
            f0 = hears(case)
            clock[method] += time.process_time() - begin
            errors[method].append(1200 * np.log2(f0 / case.truth_hz) if f0 else np.nan)
    bounds = np.array([c.bound_cents for c in cases if c.bound_cents is not None])
    return Cell(name, {m: np.array(e) for m, e in errors.items()}, bounds)


def fine(errors: np.ndarray) -> np.ndarray:
    """The errors that are no gross ones."""
    return errors[np.abs(np.nan_to_num(errors, nan=1e9)) <= GROSS_CENTS]


def sizes(errors: np.ndarray) -> np.ndarray:
    """The sizes of all errors, those without an answer too."""
    return np.abs(np.nan_to_num(errors, nan=NO_ANSWER_CENTS))


def p95(errors: np.ndarray) -> float:
    """The 95th percentile of the error."""
    return float(np.quantile(sizes(errors), 0.95))


def bootstrap(errors: np.ndarray, rounds: int = 400) -> tuple[float, float]:
    """The 95 % interval of the 95th percentile."""
    rng = np.random.default_rng(0)
    drawn = sizes(errors)[rng.integers(0, len(errors), (rounds, len(errors)))]
    low, high = np.quantile(np.quantile(drawn, 0.95, axis=1), [0.025, 0.975])
    return float(low), float(high)


def rows_of(cell: Cell) -> Iterator[str]:
    limit = f"{1.96 * np.nanmedian(cell.bounds):.3f}" if len(cell.bounds) else ""
    for method, errors in cell.errors.items():
        good = fine(errors)
        low, high = bootstrap(errors)
        gross = len(errors) - len(good)
        rms = np.sqrt(np.mean(good**2)) if len(good) else np.nan
        bias = np.mean(good) if len(good) else np.nan
        yield (
            f"| {cell.name} | {method} | {bias:+.2f} | {rms:.2f} | {p95(errors):.2f} "
            f"| {low:.2f}-{high:.2f} | {gross}/{len(errors)} | {limit} |"
        )


def verdict(cells: list[Cell]) -> list[str]:
    """Where ours is not the best: cells where another's whole interval lies below ours."""
    lines = []
    for cell in cells:
        own = bootstrap(cell.errors["ours"])
        for method, errors in cell.errors.items():
            if method != "ours" and bootstrap(errors)[1] < own[0]:
                lines.append(f"{cell.name}: {method} is better beyond the bootstrap intervals.")
    return lines or ["In no cell is another method better beyond the bootstrap intervals."]


def coverage(count: int, seed: int) -> list[str]:
    """Rows: how often the truth lies inside our interval, per group, and the interval's size."""
    groups: dict[str, list[tuple[float, float]]] = {}
    kinds = [(kind, condition) for kind in ("plucked", "bowed") for condition in CONDITIONS]
    for k, (kind, condition) in enumerate(kinds):
        for i in range(count):
            case = synthetic(kind, condition, seed + 1000 * k + i)
            f0, width = measured(case)
            if f0 is None or width is None:
                continue
            pair = (abs(1200 * np.log2(f0 / case.truth_hz)), width)
            for group in (kind, f"{kind}, {case.instrument}", f"{kind}, {condition}"):
                groups.setdefault(group, []).append(pair)
    rows = []
    for group, pairs in sorted(groups.items()):
        error, width = np.array(pairs).T
        inside = 100 * np.mean(error <= width)
        rows.append(f"| {group} | {len(pairs)} | {inside:.1f} | {np.median(width):.2f} |")
    return rows


def stages(seed: int) -> list[str]:
    """Rows: what each stage costs on invented takes of all instruments, and the peak of memory."""
    from pegmark.identify import name_strings
    from pegmark.instruments import load_instruments
    from pegmark.lab.takes import random_take
    from pegmark.segment import find_notes

    table = load_instruments(CONFIG)
    clock = {"segment": 0.0, "identify": 0.0, "measure": 0.0}
    seconds, notes = 0.0, 0
    made = []
    for i in range(STAGE_TAKES):
        instrument = table[list(OPEN_HZ)[i % 4]]
        made.append((random_take(seed + i, instrument, "usual")[0], instrument))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for audio, instrument in made:
        begin = time.process_time()
        heard_notes = {"take": "x", **find_notes(audio, RATE_HZ, instrument)}
        clock["segment"] += time.process_time() - begin
        begin = time.process_time()
        named = name_strings(heard_notes, instrument)
        clock["identify"] += time.process_time() - begin
        begin = time.process_time()
        measure.measure_take(audio, RATE_HZ, named, instrument)
        clock["measure"] += time.process_time() - begin
        seconds += len(audio) / RATE_HZ
        notes += len(named["notes"])
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    rows = [f"| {name} | {spent / seconds * 60:.2f} |" for name, spent in clock.items()]
    rows.append(f"| together | {sum(clock.values()) / seconds * 60:.2f} |")
    rows.append(f"\n{notes / seconds * 60:.0f} notes a minute; {more:.0f} MB above the takes' own.")
    return rows


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="few notes: under two minutes")
    parser.add_argument("--stages", action="store_true", help="only what the stages cost")
    parser.add_argument("--notes", type=int, default=40, help="notes per cell, all methods")
    parser.add_argument("--coverage", type=int, default=160, help="notes per cell, ours alone")
    parser.add_argument("--seed", type=int, default=100_000)
    options = parser.parse_args()
    if options.quick:
        options.notes, options.coverage = 6, 12
    print("| stage | CPU s per recorded minute |\n|---|---|")
    print("\n".join(stages(options.seed)), flush=True)
    if options.stages:
        return
    warm = synthetic("bowed", "40 dB", 1)
    for hears in METHODS.values():  # imports and compilation are no part of the figures
        hears(warm)
    clock = dict.fromkeys(METHODS, 0.0)
    seconds: list[float] = []
    cells = []
    print("\n| cell | method | bias | RMSE | p95 | its 95 % interval | gross | Cramer-Rao p95 |")
    print("|---|---|---|---|---|---|---|---|")
    plan: list[tuple[str, Callable[[int], Case]]] = [
        (f"{kind}, {condition}", partial(synthetic, kind, condition))
        for kind in ("plucked", "bowed")
        for condition in CONDITIONS
    ]
    if samples.SOUND_FONT.is_file():
        names = (*OPEN_HZ, "plucked bass")
        plan += [(f"sampled, {name}", partial(sampled, name)) for name in names]
    for name, make in plan:
        seeds = range(options.seed, options.seed + options.notes)
        cell = run_cell(name, [make(seed) for seed in seeds], clock, seconds)
        cells.append(cell)
        print("\n".join(rows_of(cell)), flush=True)
    print("\n| method | pooled p95 | gross | CPU s per recorded minute |\n|---|---|---|---|")
    for method in METHODS:
        everything = np.concatenate([cell.errors[method] for cell in cells])
        good = fine(everything)
        cost = clock[method] / sum(seconds) * 60
        gross = f"{len(everything) - len(good)}/{len(everything)}"
        print(f"| {method} | {p95(everything):.2f} | {gross} | {cost:.2f} |")
    print("\n" + "\n".join(verdict(cells)))
    print("\n| group | notes | truth inside our 95 % interval, % | median half-width, cents |")
    print("|---|---|---|---|")
    print("\n".join(coverage(options.coverage, options.seed + 500_000)))


if __name__ == "__main__":
    main()
