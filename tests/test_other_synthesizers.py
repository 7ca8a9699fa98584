"""The pitch of a lone pluck that is not our laboratory's, beside two general-purpose libraries.

The sounds are Csound's (a general-purpose synthesizer for music, Debian: csound) three models of a
plucked string, and plucks of Debian's sound font. Beside our reading stand librosa's (pyin) and
Praat's, by parselmouth (autocorrelation). They hear the same stretch of the note: pyin
in steps of 5 cents here, Praat's autocorrelation without steps.
"""

from __future__ import annotations

import shutil
import subprocess

import librosa
import numpy as np
import parselmouth
import pytest
import soundfile

from lab import samples
from pegmark.measure.note_fit import fit_note

RATE_HZ = 16000
LEAD_S, LASTS_S = 0.4, 1.4
SETTLED_S = 0.25  # what the libraries hear begins so long after the pluck
PYIN_CENTS = 3.0  # half a step, and a little
PRAAT_CENTS = 0.3
EXACT_CENTS = 0.2  # of modes that ring at the frequencies asked for
needs_csound = pytest.mark.skipif(
    shutil.which("csound") is None, reason="csound is not installed (tests/apt-packages.txt)"
)
needs_samples = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not samples.SOUND_FONT.is_file(),
    reason="fluidsynth or its sound font is not installed (tests/apt-packages.txt)",
)
MODELS = {  # Csound's opcodes for a plucked string, each played at p4 Hz
    "digital waveguide": "a1 wgpluck2 0.2, 0.6, p4, 0.15, 0.35",
    "recirculating noise": "a1 pluck 0.6, p4, p4, 0, 1",
    "damped modes": """
        a0 mpulse 0.4, 0
        a1 mode a0, p4, 900
        a2 mode a0, 2 * p4, 1500
        a3 mode a0, 3 * p4, 1900
        a4 mode a0, 4 * p4, 2000
        a5 mode a0, 5 * p4, 2100
        a1 = (a1 + a2 / 2 + a3 / 3 + a4 / 4 + a5 / 5) * 0.02""",
}
OPEN_HZ = (65.4064, 97.9989, 146.8324, 196.0, 293.6648, 440.0)


def csound(model: str, f0_hz: float, folder) -> np.ndarray:
    """A pluck by one of MODELS, (samples,) at RATE_HZ after LEAD_S of silence."""
    score = f"""<CsoundSynthesizer>
<CsOptions>
-W -3 -d -o {folder / "note.wav"}
</CsOptions>
<CsInstruments>
sr = 96000
ksmps = 1
nchnls = 1
0dbfs = 1
seed 7
instr 1
{MODELS[model]}
out a1
endin
</CsInstruments>
<CsScore>
i1 0 {LASTS_S} {f0_hz}
e
</CsScore>
</CsoundSynthesizer>
"""
    (folder / "note.csd").write_text(score)
    subprocess.run(["csound", str(folder / "note.csd")], check=True, capture_output=True)
    audio, own_hz = soundfile.read(folder / "note.wav")
    return delivered(audio, own_hz)


def delivered(audio: np.ndarray, own_hz: int) -> np.ndarray:
    """At RATE_HZ, after silence, over a little noise."""
    low = librosa.resample(np.asarray(audio, float), orig_sr=own_hz, target_sr=RATE_HZ)
    low = np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), low]) / np.abs(low).max() * 0.4
    return (low + np.random.default_rng(1).normal(0, 1e-4, len(low))).astype(np.float32)


def read(audio: np.ndarray, near_hz: float):
    """(our fit, librosa's pitch, Praat's pitch), all told a pitch that is 5 cents off."""
    coarse = near_hz * 2 ** (5 / 1200)
    end_s = min(LEAD_S + LASTS_S, len(audio) / RATE_HZ)
    note = {"kind": "plucked", "start_s": LEAD_S, "end_s": end_s, "f0_hz": coarse}
    part = audio[round((LEAD_S + SETTLED_S) * RATE_HZ) : round(end_s * RATE_HZ)].astype(float)
    span = {"fmin": coarse / 2, "fmax": coarse * 2}
    size = {"frame_length": 2048 if coarse > 80 else 4096, "hop_length": 256}
    track, voiced, _ = librosa.pyin(part, sr=RATE_HZ, resolution=0.05, **size, **span)
    sound = parselmouth.Sound(part, RATE_HZ)
    praat = sound.to_pitch_ac(pitch_floor=coarse / 2, pitch_ceiling=coarse * 2)
    praat_hz = praat.selected_array["frequency"]
    medians = (np.median(track[voiced]), np.median(praat_hz[praat_hz > 0]))
    return fit_note(audio, RATE_HZ, note), *medians


def cents(hz: float, than_hz: float) -> float:
    return float(1200 * np.log2(hz / than_hz))


@needs_csound
@pytest.mark.parametrize("f0_hz", OPEN_HZ)
@pytest.mark.parametrize("model", MODELS)
def test_a_pluck_of_csound_is_read_where_two_libraries_read_it(model, f0_hz, tmp_path):
    fit, pyin_hz, praat_hz = read(csound(model, f0_hz, tmp_path), f0_hz)
    assert fit.ok
    assert abs(cents(fit.f0_hz, pyin_hz)) < PYIN_CENTS + fit.half_width_cents  # librosa
    assert abs(cents(fit.f0_hz, praat_hz)) < PRAAT_CENTS + fit.half_width_cents  # parselmouth
    if model == "damped modes":
        assert abs(cents(fit.f0_hz, f0_hz)) < EXACT_CENTS


@needs_samples
@pytest.mark.parametrize(
    ("program", "key"),
    [("plucked bass", 28), ("plucked bass", 33), ("plucked bass", 38), ("plucked bass", 43),
     ("plucked guitar", 50), ("plucked guitar", 55), ("plucked guitar", 62)],
)  # fmt: skip
def test_a_pluck_of_the_sound_font_is_read_where_two_libraries_read_it(program, key):
    audio, _ = samples.play(program, key, LASTS_S)
    near_hz = 440 * 2 ** ((key - 69) / 12)
    fit, pyin_hz, praat_hz = read(delivered(audio, samples.FONT_RATE_HZ), near_hz)
    assert fit.ok
    assert abs(cents(fit.f0_hz, pyin_hz)) < PYIN_CENTS + fit.half_width_cents  # librosa
    assert abs(cents(fit.f0_hz, praat_hz)) < PRAAT_CENTS + fit.half_width_cents  # parselmouth
