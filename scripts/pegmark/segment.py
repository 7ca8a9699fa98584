"""Finding the notes of a take: when each sounds, plucked or bowed, about how high.

Method
------
A stretch of the take is a note when one harmonic series explains it for long enough: the salience
of `pegmark.coarse` stays high and its pitch steady. Stretches are parted at onsets (spectral flux
over a running median) and where the pitch leaps. What is short and restless is speech; what never
decays and hardly wanders, with few partials, is a sounded reference tone.

Conventions: times in seconds from the take's start, levels in dB below full scale.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pegmark.coarse import PitchSearch, magnitudes
from pegmark.instruments import Instrument
from pegmark.recording import judge_recording

Array = NDArray[Any]

SIZE = 4096  # samples of a pitch frame: 256 ms, four periods of the lowest string and more
HOP = 512  # 32 ms
FLUX_SIZE, FLUX_HOP = 512, 160  # 32 and 10 ms: as sharp as an onset is heard
FLUX_FLOOR, FLUX_RATIO = 0.02, 3.0  # an onset stands this far over the running median
ONSET_GAP_S = 0.12  # two plucks by hand are never closer
SALIENT = 3.2  # a frame explained by a harmonic series; noise and consonants stay below 2.5
LEAP_CENTS = 60.0  # between frames 32 ms apart no peg moves a sounding string this far
SHORTEST_S = 0.14
RESTLESS_CENTS = 10.0  # scatter about a straight line: strings stay below 8, vowels do not
RESTLESS_SHORT_CENTS = 5.0  # of a note as short as a syllable
FAST_CENTS_S = 45.0  # a short note gliding faster than this is speech
SHORT_S = 0.65  # the longest syllable in a sentence
SYLLABLE_S = 0.32  # too short to tell from a syllable
CLEAR = 5.0  # the median salience of a note; vowels and breath stay below
BOW_DB_S = -10.0  # decay flatter than this, for this long: a bow
BOW_S = 0.7
PLUCK_PEAK_S = 0.2  # a pluck is loudest at once
TONE_S, TONE_CENTS, TONE_DB = 1.0, 0.6, 0.5  # a sounded tone: long, and as steady as nothing played
BACKGROUND_DB = 26.0  # a note this far below the take's loud notes is somebody else's
PARTIALS = 10


def find_notes(audio: Array, rate_hz: float, instrument: Instrument) -> dict[str, Any]:
    """The notes of a take, its speech, and what is wrong with the recording.

    Parameters
    ----------
    audio : float32, shape (samples,), full scale +-1.
    rate_hz : its rate.
    instrument : whose strings to look for.

    Returns the record of notes/<take>.json without its take id.
    """
    search = PitchSearch.for_instrument(instrument, SIZE, rate_hz)
    frames = _track(audio, rate_hz, search)
    onsets = _onsets(audio, rate_hz)
    stretches = _stretches(frames, onsets, rate_hz)
    notes = [_describe(frames, first, last, rate_hz) for first, last in stretches]
    kept, speech = _sort_out([note for note in notes if note])
    for note in kept:
        note["start_s"] = _nearest(onsets, note["start_s"])
    recording, problems = judge_recording(audio, rate_hz, kept, instrument)
    fields = ("start_s", "end_s", "kind", "f0_hz", "snr_db", "level_db", "salience")
    return {
        "status": "ok",
        "problems": problems,
        "recording": recording,
        "notes": [{field: note[field] for field in fields} for note in kept],
        "speech": _merge(speech, kept, audio, rate_hz),
    }


class _Frames:
    """Per frame: time, pitch (grid index and Hz), salience, level of the pitch's partials."""

    def __init__(self, count: int):
        self.hz = np.zeros(count)
        self.salience = np.zeros(count)
        self.level = np.zeros(count)
        self.rich = np.zeros(count)


def _track(audio: Array, rate_hz: float, search: PitchSearch) -> _Frames:
    padded = np.pad(audio, SIZE // 2)
    frames = _Frames(max(0, 1 + (len(padded) - SIZE) // HOP))
    at = 0
    for spectra in magnitudes(padded, SIZE, HOP):
        white = search.whiten(spectra)
        salience = search.salience(white)
        best = salience.argmax(axis=1)
        rows = np.arange(len(best))
        part = slice(at, at + len(best))
        frames.hz[part] = _refined(search, salience, best)
        frames.salience[part] = salience[rows, best]
        power = _partial_power(spectra, frames.hz[part], rate_hz)
        frames.level[part] = 10 * np.log10(power.sum(axis=1) + 1e-12)
        frames.rich[part] = power.sum(axis=1) ** 2 / ((power**2).sum(axis=1) + 1e-24)
        at += len(best)
    return frames


def _refined(search: PitchSearch, salience: Array, best: Array) -> Array:
    """The peak between grid points, by a parabola."""
    inside = np.clip(best, 1, salience.shape[1] - 2)
    rows = np.arange(len(best))
    a, b, c = (salience[rows, inside + k] for k in (-1, 0, 1))
    bend = a - 2 * b + c
    shift = np.where(np.abs(bend) > 1e-6, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0)
    return search.f0_hz[inside] * 2 ** (np.clip(shift, -1, 1) * 5 / 1200)


def _partial_power(spectra: Array, hz: Array, rate_hz: float) -> Array:
    bins = np.rint(np.arange(1, PARTIALS + 1) * hz[:, None] * SIZE / rate_hz).astype(int)
    inside = bins < spectra.shape[1] - 1
    bins = np.where(inside, bins, 1)
    rows = np.arange(len(spectra))[:, None]
    near = np.maximum(spectra[rows, bins - 1], spectra[rows, bins + 1])
    return np.asarray(np.maximum(spectra[rows, bins], near) ** 2 * inside, dtype=float)


def _onsets(audio: Array, rate_hz: float) -> Array:
    """Times of sudden rises, in seconds."""
    flux, before = [], None
    for spectra in magnitudes(np.pad(audio, FLUX_SIZE // 2), FLUX_SIZE, FLUX_HOP, 4096):
        loud = np.log1p(1000 * spectra)
        start = loud[:1] if before is None else before
        rise = np.maximum(0, loud - np.concatenate([start, loud[:-1]]))
        flux.append(rise.mean(axis=1))
        before = loud[-1:]
    if not flux:
        return np.zeros(0)
    curve = np.concatenate(flux)
    pad = np.pad(curve, 50, mode="edge")
    median = np.median(np.lib.stride_tricks.sliding_window_view(pad, 101), axis=1)
    over = curve - FLUX_FLOOR - FLUX_RATIO * median
    gap = round(ONSET_GAP_S * rate_hz / FLUX_HOP)
    found: list[int] = []
    for i in np.flatnonzero(over > 0):
        if found and i - found[-1] < gap:
            if curve[i] > curve[found[-1]]:
                found[-1] = int(i)
        else:
            found.append(int(i))
    return np.array(found) * FLUX_HOP / rate_hz


def _stretches(frames: _Frames, onsets: Array, rate_hz: float) -> list[tuple[int, int]]:
    """Runs of salient frames of one pitch, parted at onsets: (first, last + 1)."""
    salient = frames.salience > SALIENT
    cents = 1200 * np.log2(np.maximum(frames.hz, 1.0))
    parted = np.zeros(len(salient) + 1, bool)
    hop_s = HOP / rate_hz
    # A frame is centred: the one that begins behind the onset shows the new note alone.
    parted[np.clip(np.rint((onsets + 0.06) / hop_s).astype(int), 0, len(salient))] = True
    runs, first = [], None
    for i, good in enumerate(salient):
        if first is not None and (
            not good or parted[i] or abs(cents[i] - cents[i - 1]) > LEAP_CENTS
        ):
            runs.append((first, i))
            first = None
        if good and first is None:
            first = i
    if first is not None:
        runs.append((first, len(salient)))
    return _joined(runs, parted, cents)


def _joined(runs: list[tuple[int, int]], parted: Array, cents: Array) -> list[tuple[int, int]]:
    """Runs of one pitch joined over a frame or two that failed between them."""
    joined: list[tuple[int, int]] = []
    for first, last in runs:
        if joined:
            start, end = joined[-1]
            near = abs(np.median(cents[first:last]) - np.median(cents[start:end])) < LEAP_CENTS
            if first - end <= 3 and near and not parted[end : first + 1].any():
                joined[-1] = (start, last)
                continue
        joined.append((first, last))
    return joined


def _describe(frames: _Frames, first: int, last: int, rate_hz: float) -> dict[str, Any] | None:
    hop_s = HOP / rate_hz
    if (last - first) * hop_s < SHORTEST_S:
        return None
    cents = 1200 * np.log2(frames.hz[first:last])
    time = np.arange(last - first) * hop_s
    settled = time >= min(0.1, time[-1] / 3)
    slope, line = _line(time[settled], cents[settled])
    level = frames.level[first:last]
    decay = _line(time[settled], level[settled])[0]
    steady = np.abs(np.diff(level[settled])).max(initial=0.0)
    tail = cents[len(cents) // 2 :]
    return {
        "start_s": max(0.0, first * hop_s - 0.06),
        "end_s": last * hop_s,
        "f0_hz": float(2 ** (np.median(tail) / 1200)),
        "scatter": float(np.sqrt(np.mean((cents[settled] - line) ** 2))),
        "slope": slope,
        "decay": decay,
        "peak_s": float(time[int(np.argmax(level))]),
        "unsteady_db": float(steady),
        "rich": float(np.median(frames.rich[first:last])),
        "level_db": float(np.quantile(level, 0.8)),
        "salience": float(np.median(frames.salience[first:last])),
        "snr_db": None,
    }


def _line(time: Array, value: Array) -> tuple[float, Array]:
    if len(time) < 3:
        return 0.0, np.full(len(value), value.mean() if len(value) else 0.0)
    middle = time - time.mean()
    slope = float(middle @ (value - value.mean()) / (middle @ middle))
    return slope, value.mean() + slope * middle


def _sort_out(notes: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Notes that a string made, with their kind; and the rest, which is speech."""
    kept, speech = [], []
    for note in notes:
        length = note["end_s"] - note["start_s"]
        brief = length < SHORT_S
        restless = note["scatter"] > (RESTLESS_SHORT_CENTS if brief else RESTLESS_CENTS)
        gliding = brief and abs(note["slope"]) > FAST_CENTS_S
        faint = note["salience"] < CLEAR
        (speech if restless or gliding or faint or length < SYLLABLE_S else kept).append(note)
        note["kind"] = _kind(note, length)
    if kept:
        loud = float(np.quantile([note["level_db"] for note in kept], 0.8))
        kept = [note for note in kept if note["level_db"] > loud - BACKGROUND_DB]
    return kept, speech


def _kind(note: dict[str, Any], length: float) -> str:
    tone = note["scatter"] < TONE_CENTS and note["unsteady_db"] < TONE_DB and note["rich"] < 2.5
    if length > TONE_S and tone:
        return "reference_tone"
    if length > BOW_S and note["decay"] > BOW_DB_S:
        return "bowed"
    if length > BOW_S and note["peak_s"] > PLUCK_PEAK_S and note["decay"] > 2 * BOW_DB_S:
        return "bowed"
    return "plucked"


def _nearest(onsets: Array, time: float, reach_s: float = 0.1) -> float:
    if not len(onsets):
        return time
    near = float(onsets[int(np.argmin(np.abs(onsets - time)))])
    return near if abs(near - time) < reach_s else time


def _merge(
    speech: list[dict[str, Any]], notes: list[dict[str, Any]], audio: Array, rate_hz: float
) -> list[dict[str, float]]:
    """Passages of speech, joined over pauses of less than a second and half a second or more."""
    passages: list[dict[str, float]] = []
    for one in sorted(speech, key=lambda note: note["start_s"]):
        if passages and one["start_s"] - passages[-1]["end_s"] < 1.0:
            passages[-1]["end_s"] = max(passages[-1]["end_s"], one["end_s"])
        else:
            passages.append({"start_s": one["start_s"], "end_s": one["end_s"]})
    return [p for p in passages if p["end_s"] - p["start_s"] >= 0.5]
