"""What the recording itself is like: level, noise, clipping, gating, mains hum.

Levels are of the whole band in dB below full scale (mean power); the noise is what is left where
no note sounds. Sources of the limits: common practice, no source, where not said otherwise.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pegmark.coarse import hann
from pegmark.instruments import Instrument
from pegmark.problems import Problem, problem

Array = NDArray[Any]

FRAME_S = 0.05
QUIET_DBFS = -55.0  # notes softer than this are near the noise of a telephone's microphone
NOISY_DB = 12.0  # below this signal-to-noise ratio notes are missed
GATED_DBFS = -100.0  # silence this deep, beside sound, is made by a noise suppressor
GATED_SHARE = 0.05
HUM_HZ = (50.0, 60.0)
HUM_RANGE_HZ = 0.6
HUM_DB = 15.0  # the hum's harmonics stand this far over their neighbourhood
HUM_SIZE = 1 << 17  # 8 s at 16 kHz: 0.12 Hz a bin


def judge_recording(
    audio: Array, rate_hz: float, notes: list[dict[str, Any]], instrument: Instrument
) -> tuple[dict[str, Any], list[Problem]]:
    """The recording block of notes/<take>.json, and its problems; fills the notes' snr_db."""
    levels = _frame_levels(audio, rate_hz)
    noise = _noise_level(levels, notes)
    for note in notes:
        note["snr_db"] = None if noise is None else _note_level(levels, note) - noise
    loud = [_note_level(levels, note) for note in notes]
    level = float(np.median(loud)) if loud else None
    snr = None if noise is None or level is None else level - noise
    gated = bool(np.mean(levels < GATED_DBFS) > GATED_SHARE) if len(levels) else False
    recording = {
        "snr_db": snr,
        "clipped_fraction": None,
        "low_cut_hz": None,
        "gated": gated,
        "hum_hz": mains_hum(audio, rate_hz),
        "pumping": None,
        "level_dbfs": level,
    }
    return recording, _problems(recording, notes)


def _frame_levels(audio: Array, rate_hz: float) -> Array:
    size = round(FRAME_S * rate_hz)
    whole = audio[: len(audio) // size * size].reshape(-1, size)
    power = np.einsum("ij,ij->i", whole, whole, dtype=np.float64) / size
    return np.asarray(10 * np.log10(power + 1e-13))


def _note_level(levels: Array, note: dict[str, Any]) -> float:
    first = int(note["start_s"] / FRAME_S)
    part = levels[first : max(first + 1, min(int(note["end_s"] / FRAME_S), first + 10))]
    return float(10 * np.log10(np.mean(10 ** (part / 10)))) if len(part) else float(levels[-1])


def _noise_level(levels: Array, notes: list[dict[str, Any]]) -> float | None:
    """The level that the quietest tenth of the frames without a note has."""
    free = np.ones(len(levels), bool)
    for note in notes:
        free[int(note["start_s"] / FRAME_S) : int((note["end_s"] + 0.5) / FRAME_S) + 1] = False
    quiet = levels[free & (levels > GATED_DBFS)]
    if len(quiet) < 10:
        quiet = levels[levels > GATED_DBFS]
    return float(np.quantile(quiet, 0.1)) if len(quiet) else None


def mains_hum(audio: Array, rate_hz: float) -> float | None:
    """The measured fundamental of mains hum in Hz, or None where there is none.

    The mean power spectrum of long frames is searched for a series of at least three of the first
    six harmonics of 50 or 60 Hz, each well over its neighbourhood.
    """
    size = HUM_SIZE
    while size > len(audio) and size > 1 << 14:
        size >>= 1
    if len(audio) < size:
        return None
    window = hann(size)
    power = np.zeros(size // 2 + 1)
    for start in range(0, len(audio) - size + 1, size // 2):
        power += np.abs(np.fft.rfft(audio[start : start + size] * window)) ** 2
    bin_hz = rate_hz / size
    found = [hum for mains in HUM_HZ if (hum := _hum_near(power, bin_hz, mains)) is not None]
    return max(found)[1] if found else None


def _hum_near(power: Array, bin_hz: float, mains: float) -> tuple[int, float] | None:
    fits = []
    for n in range(1, 7):
        low = round((mains - HUM_RANGE_HZ) * n / bin_hz)
        high = round((mains + HUM_RANGE_HZ) * n / bin_hz) + 1
        wide = power[max(0, low - 40) : high + 40]
        peak = low + int(np.argmax(power[low:high]))
        if low < peak < high - 1 and power[peak] > np.median(wide) * 10 ** (HUM_DB / 10):
            fits.append(peak * bin_hz / n)
    if len(fits) < 3 or np.ptp(fits) > 2 * bin_hz:
        return None
    return len(fits), float(np.median(fits))


def _problems(recording: dict[str, Any], notes: list[dict[str, Any]]) -> list[Problem]:
    problems = []
    if not notes:
        problems.append(
            problem(
                "no_notes",
                "No note of the instrument was heard in the recording.",
                "Listen to the take; if it is silent, ask the student to record again.",
            )
        )
    if recording["level_dbfs"] is not None and recording["level_dbfs"] < QUIET_DBFS:
        problems.append(
            problem("too_quiet", "The recording is very quiet.", "Listen to the take yourself.")
        )
    if recording["snr_db"] is not None and recording["snr_db"] < NOISY_DB:
        problems.append(
            problem(
                "too_noisy",
                f"The notes stand only {recording['snr_db']:.0f} dB over the noise.",
                "Listen to the take yourself; a quieter room helps next time.",
            )
        )
    return problems
