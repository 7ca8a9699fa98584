"""What a room, a phone and a microphone add to a note, and how they spoil it.

Signals are float arrays, full scale +-1. Functions that add something return it alone, so that
`mix` can set its level; functions that spoil return the spoilt signal, as long as the given one.
"""

from __future__ import annotations

import numpy as np

BAND_HZ = (50.0, 5500.0)  # signal-to-noise ratios are counted in this band ...
BAND_S = 0.5  # ... over this time from the onset (design, section 6)


def noise(size: int, rate_hz: int, *, colour: str = "pink", seed: int) -> np.ndarray:
    """Room noise of unit RMS; colour "white", "pink" (-3 dB per octave) or "brown" (-6 dB)."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=size))
    hz = np.maximum(np.fft.rfftfreq(size, 1 / rate_hz), 20.0)
    spectrum *= hz ** {"white": 0.0, "pink": -0.5, "brown": -1.0}[colour]
    return _unit(np.fft.irfft(spectrum, size))


def hum(size: int, rate_hz: int, *, mains_hz: float = 50.0, seed: int) -> np.ndarray:
    """Mains hum of unit RMS: the fundamental and its harmonics, even ones strong (rectifiers)."""
    rng = np.random.default_rng(seed)
    t = np.arange(size) / rate_hz
    wave = np.zeros(size)
    for n in range(1, 13):
        amplitude = rng.uniform(0.3, 1) * (1.0 if n == 1 or n % 2 == 0 else 0.4) / n
        wave += amplitude * np.sin(2 * np.pi * (n * mains_hz * t + rng.uniform()))
    return _unit(wave)


def thumps(size: int, rate_hz: int, *, per_minute: float = 8.0, seed: int) -> np.ndarray:
    """Handling noise: a knocked table, a shifted phone. Peak 1; silent where none falls."""
    rng = np.random.default_rng(seed)
    wave = np.zeros(size)
    for _ in range(rng.poisson(per_minute * size / rate_hz / 60)):
        start = int(rng.integers(0, size))
        t = np.arange(min(size - start, int(0.4 * rate_hz))) / rate_hz
        knock = np.exp(-t / rng.uniform(0.02, 0.06)) * rng.normal(size=len(t))
        knock = np.convolve(knock, np.ones(max(1, rate_hz // 500)) / (rate_hz // 500), "same")
        boom = np.exp(-t / 0.05) * np.sin(2 * np.pi * rng.uniform(60, 130) * t)
        wave[start : start + len(t)] += rng.uniform(0.3, 1) * (knock + 0.5 * boom)
    return wave / max(np.abs(wave).max(), 1e-12) if wave.any() else wave


def high_pass(
    audio: np.ndarray, rate_hz: int, *, cutoff_hz: float = 200.0, order: int = 4
) -> np.ndarray:
    """A phone's low cut: a Butterworth high-pass."""
    from scipy.signal import butter, sosfilt

    return sosfilt(butter(order, cutoff_hz, "high", fs=rate_hz, output="sos"), audio)


def reverberate(
    audio: np.ndarray, rate_hz: int, *, rt60_s: float = 0.5, wet_db: float = -6.0, seed: int
) -> np.ndarray:
    """The sound in a room: direct sound and a tail that falls 60 dB in rt60_s seconds.

    wet_db is the tail's energy against the direct sound's for noise. The treble dies sooner.
    """
    from scipy.signal import fftconvolve

    rng = np.random.default_rng(seed)
    t = np.arange(int(rt60_s * 1.2 * rate_hz)) / rate_hz
    dull = noise(len(t), rate_hz, colour="pink", seed=int(rng.integers(2**31)))
    bright = rng.normal(size=len(t))
    tail = np.exp(-6.908 * t / rt60_s) * dull + np.exp(-9.2 * t / rt60_s) * bright * 0.7
    tail[: int(0.004 * rate_hz)] = 0  # the first wall is some way off
    tail *= 10 ** (wet_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1
    return fftconvolve(audio, tail)[: len(audio)]


def band_power(audio: np.ndarray, rate_hz: int) -> float:
    """Mean power inside BAND_HZ (of what the rate can hold)."""
    spectrum = np.abs(np.fft.rfft(audio)) ** 2
    hz = np.fft.rfftfreq(len(audio), 1 / rate_hz)
    spectrum[1 : len(spectrum) - (1 - len(audio) % 2)] *= 2
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    return float(spectrum[inside].sum() / len(audio) ** 2)


def snr_db(clean: np.ndarray, other: np.ndarray, rate_hz: int, onset_s: float = 0.0) -> float:
    """Signal-to-noise ratio in dB as the project defines it.

    The clean note over everything else: mean power, 50-5500 Hz, the first 0.5 s from the onset.
    Give both after any filter.
    """
    span = _first(onset_s, rate_hz)
    ratio = band_power(clean[span], rate_hz) / max(band_power(other[span], rate_hz), 1e-30)
    return float(10 * np.log10(max(ratio, 1e-30)))


def mix(
    clean: np.ndarray, other: np.ndarray, snr: float, rate_hz: int, onset_s: float = 0.0
) -> np.ndarray:
    """`clean` with `other` under it, scaled so that `snr_db` of the two is `snr`."""
    scale = 10 ** ((snr_db(clean, other, rate_hz, onset_s) - snr) / 20)
    return (clean + scale * other).astype(np.float32)


def clip(audio: np.ndarray, *, over_db: float = 6.0) -> np.ndarray:
    """Overloaded: `over_db` too loud, cut at full scale."""
    return np.clip(audio / np.abs(audio).max() * 10 ** (over_db / 20), -1, 1).astype(np.float32)


def gate(
    audio: np.ndarray, rate_hz: int, *, threshold_db: float = -25.0, hold_s: float = 0.15
) -> np.ndarray:
    """A call's noise suppression: what stays `threshold_db` under the loudest is silenced."""
    level = _level(audio, rate_hz, 0.01)
    loud = (level > np.abs(audio).max() * 10 ** (threshold_db / 20)).astype(float)
    width = int(hold_s * rate_hz)
    held = np.convolve(loud, np.ones(width))[: len(audio)] > 0.5
    soft = np.ones(int(0.01 * rate_hz)) / int(0.01 * rate_hz)
    return (audio * np.convolve(held, soft, "same")).astype(np.float32)


def pump(
    audio: np.ndarray, rate_hz: int, *, ratio: float = 4.0, release_s: float = 0.4
) -> np.ndarray:
    """Automatic gain: loud passages turned down at once, soft ones up over release_s."""
    level = _level(audio, rate_hz, 0.005)
    step = int(0.005 * rate_hz)
    coarse = np.maximum(level[::step], 1e-4)
    fall = np.exp(-0.005 / release_s)
    held = np.empty_like(coarse)
    top = coarse[0]
    for i, value in enumerate(coarse):
        top = max(value, top * fall)
        held[i] = top
    gain = np.maximum(held, 3e-3) ** (1 / ratio - 1)
    out = audio * np.interp(np.arange(len(audio)), np.arange(len(gain)) * step, gain)
    return (out / np.abs(out).max() * np.abs(audio).max()).astype(np.float32)


def mislabel(audio: np.ndarray, *, true_hz: int = 44100, label_hz: int = 48000) -> np.ndarray:
    """What is heard when sound recorded at true_hz is played as label_hz: shorter and sharper.

    44100 as 48000 moves every pitch by +146.707 cents.
    """
    from math import gcd

    from scipy.signal import resample_poly

    common = gcd(true_hz, label_hz)
    return resample_poly(audio, true_hz // common, label_hz // common).astype(np.float32)


def reference_tone(
    f_hz: float, duration_s: float, rate_hz: int, *, wave: str = "sine", level: float = 0.2
) -> np.ndarray:
    """A sounded reference: wave "sine", "square" or "organ" (a few steady pipes)."""
    t = np.arange(int(duration_s * rate_hz)) / rate_hz
    series = {
        "sine": {1: 1.0},
        "square": {n: 1 / n for n in range(1, 20, 2)},
        "organ": {1: 1.0, 2: 0.6, 3: 0.25, 4: 0.35, 6: 0.12, 8: 0.15},
    }[wave]
    tone = np.zeros(len(t))
    for n, amplitude in series.items():
        if n * f_hz < 0.46 * rate_hz:
            tone += amplitude * np.sin(2 * np.pi * n * f_hz * t + n * n)
    ends = np.clip(t / 0.02, 0, 1) * np.clip((duration_s - t) / 0.02, 0, 1)
    return (tone / np.abs(tone).max() * level * ends).astype(np.float32)


def _first(onset_s: float, rate_hz: int) -> slice:
    start = round(onset_s * rate_hz)
    return slice(start, start + int(BAND_S * rate_hz))


def _unit(wave: np.ndarray) -> np.ndarray:
    return wave / max(np.sqrt(np.mean(wave**2)), 1e-12)


def _level(audio: np.ndarray, rate_hz: int, smooth_s: float) -> np.ndarray:
    width = max(1, int(smooth_s * rate_hz))
    return np.sqrt(np.convolve(np.square(audio, dtype=float), np.ones(width) / width, "same"))
