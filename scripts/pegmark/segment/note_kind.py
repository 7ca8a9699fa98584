"""Whether a note is plucked or bowed: told from how its sound is held.

Length says nothing: a bow may be short and a pluck ring long. A bow feeds the string, so its level
is held until the bow leaves it; a pluck only dies away, its high partials first. A bow locks all
partials to whole multiples (Helmholtz motion), while those of a pluck stand where stiffness and
body put them; and a bow hisses between the partials (Fletcher & Rossing, The Physics of Musical
Instruments, chapter 10: from memory). The partials of every note are therefore read in frames of
four periods from its onset on, and described by numbers that `pegmark.segment.note_classifier`
weighs (question "bowed", fitted by scripts/lab/fits/segment.py).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pegmark.segment import note_classifier
from pegmark.signals.frames import Complex, partial_amplitudes
from pegmark.signals.spectra import Array

Floats = NDArray[np.float64]

KIND_PERIODS = 4  # of the note in a frame: neighbouring partials then fall on the window's zeros
KIND_HOP_S = 0.01
KIND_BEFORE_S, KIND_AFTER_S = 0.08, 1.5  # a note is looked at from and to here about its onset ...
KIND_LEAST_S = 0.15  # ... but for so long at least
GUARD_S = 0.02  # the next note may begin so much before its onset is seen
KIND_PARTIALS, KIND_TOP_HZ = 14, 5500.0
HIGH_FROM = 6  # partials from this one are high ones
FLOOR_DB = -50.0  # against the note's highest level: further down nothing is told
HELD_DB = (2.0, 4.0, 8.0)  # for what part of its time is a note within this of its highest level?
PLACES = (0.1, 0.2, 0.3, 0.45, 0.6, 0.75, 0.9)  # parts of a note's time at which its level is read
TIMES_S = (0.1, 0.2, 0.3, 0.5, 0.8)  # after its highest level, also
LOCKED_LAG = 2  # frames over which the distances of neighbouring partials are compared
LEAST_CENTS = 0.3  # nearer to whole multiples than this no one tells


def bowed_log_odds(
    audio: Array, rate_hz: float, onset_s: Floats, until_s: Floats, f0_hz: Floats
) -> Floats:
    """Log odds that each note is bowed rather than plucked, shape (notes,).

    Parameters
    ----------
    audio : shape (samples,).
    onset_s, until_s : shape (notes,), when each begins, and when the next note does, in s.
    f0_hz : shape (notes,), good to some cents.
    """
    notes = zip(onset_s, until_s, f0_hz, strict=True)
    described = [describe(audio, rate_hz, *note) for note in notes]
    if not described:
        return np.zeros(0)
    inputs = {name: np.array([one[name] for one in described]) for name in described[0]}
    return note_classifier.weigh(inputs, "bowed")


def describe(
    audio: Array, rate_hz: float, onset_s: float, until_s: float, f0_hz: float
) -> dict[str, float]:
    """The inputs of the question "bowed" for one note, by name.

    Levels are in dB against the note's highest. "at_..": the level at a part of its time;
    "after_..": so many hundredths of a second after its highest; "held_..": for what part of its
    time it is within so many dB; "peak": s from the onset to the highest level; "rise": s that it
    takes from -12 dB to there; "steep", "late": dB a second soon after and in the last half;
    "bend": the one less the other; "high": how much faster the high partials fall, dB a second;
    "jitter": of the level from frame to frame, dB; "hiss": between the partials, dB against them;
    "spread": log of cents by which partials stand off whole multiples; "length": log of s;
    "height": the pitch in octaves, to the half.
    """
    part = read_partials(audio, rate_hz, onset_s, until_s, f0_hz)
    known = _level(part.power, part.times) | _mixture(part) | part.locking()
    known["height"] = float(np.round(2 * np.log2(f0_hz)) / 2)
    return {name: float(np.round(value, note_classifier.DIGITS)) for name, value in known.items()}


class Partials(NamedTuple):
    """A note's partials, frame by frame.

    z : (frames, partials), complex amplitudes; power, between : (frames, partials), of them, and of
    what is half-way below each; times : (frames,), s after the onset; f0_hz : the pitch.
    """

    z: Complex
    power: Floats
    between: Floats
    times: Floats
    f0_hz: float

    def locking(self) -> dict[str, float]:
        """How far partials stand off whole multiples: "spread", "stretch", "coherent"."""
        return _locking(self.z, self.f0_hz)


def read_partials(
    audio: Array, rate_hz: float, onset_s: float, until_s: float, f0_hz: float
) -> Partials:
    """The partials of a note about its onset, up to KIND_AFTER_S later or the next note's onset."""
    begin_s = max(0.0, onset_s - KIND_BEFORE_S)
    end_s = min(onset_s + KIND_AFTER_S, max(until_s - GUARD_S, onset_s + KIND_LEAST_S))
    piece = np.asarray(audio[round(begin_s * rate_hz) : round(end_s * rate_hz)], np.float32)
    size = KIND_PERIODS * max(2, round(rate_hz / f0_hz))
    piece = np.pad(piece, (size // 2, max(size, size // 2)))
    count = max(1, min(KIND_PARTIALS, int(KIND_TOP_HZ / f0_hz)))
    hz = f0_hz * np.arange(1, count + 1)
    both = np.concatenate([hz, hz - f0_hz / 2])
    z, times = partial_amplitudes(piece, rate_hz, both, size, round(KIND_HOP_S * rate_hz))
    times = times - size / 2 / rate_hz + begin_s - onset_s
    inside = times < end_s - onset_s
    z, power = z[inside], np.abs(z[inside]) ** 2
    return Partials(z[:, :count], power[:, :count], power[:, count:], times[inside], f0_hz)


def _db(power: Floats, top: float) -> Floats:
    return np.maximum(10 * np.log10(np.maximum(power, 1e-14) / max(top, 1e-14)), FLOOR_DB)


def _level(own: Floats, times: Floats) -> dict[str, float]:
    """What a note's level does; own : (frames, partials), power."""
    level = own.sum(axis=1)
    level = np.convolve(np.pad(level, 1, "edge"), np.full(3, 1 / 3), "valid")
    level = _db(level, float(level.max()))
    peak = int(level.argmax())
    known = {"peak": float(times[peak])}
    below = np.flatnonzero(level[: peak + 1] < -12.0)
    known["rise"] = float(times[peak] - times[below[-1] if len(below) else 0])
    # what is over: where it is 25 dB down for good, a bow has left and a pluck has died away
    over = np.flatnonzero(level > -25.0)[-1]
    start = int(np.argmax(times >= 0))
    stop = max(over, start + 4) + 1
    body, at = level[start:stop], times[start:stop]
    places = np.interp(np.array(PLACES), np.linspace(0, 1, len(body)), body)
    known |= {f"at_{round(100 * p)}": float(v) for p, v in zip(PLACES, places, strict=True)}
    after = np.interp(times[peak] + np.array(TIMES_S), times, level)
    known |= {f"after_{round(100 * t)}": float(v) for t, v in zip(TIMES_S, after, strict=True)}
    known |= {f"held_{round(db)}": float(np.mean(body > -db)) for db in HELD_DB}
    middle = (len(body) + 1) // 2
    known["steep"] = slope(times[peak : peak + 20], level[peak : peak + 20])
    known["early"] = slope(at[:middle], body[:middle])
    known["late"] = slope(at[middle:], body[middle:])
    known["bend"] = known["early"] - known["late"]
    steps = np.diff(body)
    known["falls"] = float(np.mean(steps < 0))
    known["fastest"] = float(-steps.min(initial=0.0))
    known["jitter"] = float(np.median(np.abs(np.diff(body, 2)))) if len(body) > 4 else 0.0
    known["length"] = float(np.log(max(0.01, at[-1])))
    return known


def slope(x: Floats, y: Floats) -> float:
    """The slope of a straight line through points; 0 for fewer than three."""
    if len(x) < 3:
        return 0.0
    away = x - x.mean()
    return float(np.clip(away @ y / (away @ away), -200, 200))


def _mixture(part: Partials) -> dict[str, float]:
    """How the parts of a note's sound move against each other."""
    own, between, times = part.power, part.between, part.times
    total = own.sum(axis=1)
    used = (times > 0.02) & (total > total.max() * 10 ** (FLOOR_DB / 20))
    if used.sum() < 4:
        used = times > -1
    low, high = own[used, :HIGH_FROM].sum(axis=1), own[used, HIGH_FROM:].sum(axis=1)
    top = float(own.max())
    slopes = [slope(times[used], _db(part, top)) for part in (low, high)]
    middles = own[used].mean(axis=0)
    between_db = 10 * np.log10((np.median(between[used], axis=0) + 1e-14) / (middles + 1e-14))
    loud = middles > middles.max() * 1e-3
    each = [slope(times[used], _db(line, float(line.max()))) for line in own[used][:, loud].T]
    number = np.flatnonzero(loud)
    changes = np.diff(_db(own[used][:, loud], top), axis=0)
    return {
        "high": slopes[1] - slopes[0],
        "tilt": slope(number.astype(float), np.array(each)),
        "unlike": float(np.std(each)),
        "ups": float(np.mean(np.maximum(changes, 0))),
        "hiss": float(np.median(between_db[loud])),
        "hiss_high": float(np.median(between_db[loud & (np.arange(len(loud)) >= HIGH_FROM)]))
        if (loud & (np.arange(len(loud)) >= HIGH_FROM)).any()
        else 0.0,
        "rich": float(np.sqrt(middles).sum() ** 2 / (middles.sum() + 1e-14)),
    }


def _locking(z: Complex, f0_hz: float) -> dict[str, float]:
    """How far partials stand off whole multiples, log of cents.

    The distance of two neighbours is the rate at which their phases turn against each other: all
    distances are one in a bowed string, also while its pitch moves.
    """
    if z.shape[1] < 3 or len(z) < LOCKED_LAG + 4:
        return {"spread": 3.0, "stretch": 0.0, "coherent": 0.9}
    pair = z[:, 1:] * z[:, :-1].conj()
    turned = (pair[LOCKED_LAG:] * pair[:-LOCKED_LAG].conj()).sum(axis=0)
    weight = np.abs(turned) ** 0.5
    mean = (turned / np.maximum(np.abs(turned), 1e-20) * weight).sum()
    apart = np.angle(turned * np.conj(mean)) / (2 * np.pi * LOCKED_LAG * KIND_HOP_S)  # Hz
    cents = apart / f0_hz * 1731.2
    spread = float(np.sqrt((weight * cents**2).sum() / max(weight.sum(), 1e-20)))
    coherent = float(
        (np.abs(turned)).sum() / max((np.abs(pair[LOCKED_LAG:] * pair[:-LOCKED_LAG])).sum(), 1e-20)
    )
    number = np.arange(len(cents)) + 1.5
    away = number**2 - (weight @ number**2) / max(weight.sum(), 1e-20)
    stretch = float((weight * away * cents).sum() / max((weight * away**2).sum(), 1e-20))
    return {"spread": np.log(max(spread, LEAST_CENTS)), "stretch": stretch, "coherent": coherent}
