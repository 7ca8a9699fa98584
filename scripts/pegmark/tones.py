"""Sounded reference tones: steady lines in the spectrum.

A tone from a speaker keeps its pitch to a fraction of a cent and its level to a fraction of a
decibel for a second and longer, which no string does, bowed or plucked. So every bin of the long
frames is asked for how long it stays level; a line that is also a peak and keeps its frequency
is one partial of a tone. Lines that sound together and stand in simple ratios are one tone.

A tone is looked for over the whole range, since A4 lies outside a cello's and a bass's; mains
hum is steady too, and is left out by its frequency.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pegmark.coarse import Array

Floats = NDArray[np.float64]

LEAST_S = 1.0  # shorter steady sounds are not called tones
WINDOW_S = 0.8  # level and pitch are judged over this time
LEVEL_SD_DB = 0.4
WANDER_HZ = 0.04  # frequency, 1 sigma: this ...
WANDER_CENTS = 0.6  # ... or this, whichever is more
BELOW_TOP_DB = 45.0  # lines this far below the take's loudest partial are not sounded for anyone
TONE_HZ = (80.0, 2500.0)  # fundamentals
JOIN_S = 0.7  # a line broken for less (a note at its frequency) goes on
RATIO_TOLERANCE = 0.004
QUIET_SHARE = 0.08  # company counts when it is there for all but this part of the time
COMPANY_DB = 24.0  # and within this of the tone's strongest line
STRANGE_SHARE = 0.34  # lines that are not steady, for each that is
NOISE_DB = 10.0  # and stands this far over the block's quiet frames
EDGE_S, EDGE_DB = 0.26, 12.0  # so long before it is steady, a tone is this much softer
HUM_SHARE = 0.003  # within this of a multiple of the mains' frequency: hum


@dataclass
class Tone:
    """A sounded tone: begin and end in s, fundamental in Hz, level in dB of its strongest line."""

    start_s: float
    end_s: float
    f0_hz: float
    level_db: float
    lines_hz: list[float] = field(default_factory=list)


def steady_lines(long: Array, long_s: float, bin_hz: float, top: float) -> list[Tone]:
    """Steady lines of a block's long frames, each as a Tone of one partial."""
    width = round(WINDOW_S / long_s)
    if len(long) < width + 2:
        return []
    first, last = int(TONE_HZ[0] / bin_hz), int(4 * TONE_HZ[1] / bin_hz)
    level = 20 * np.log10(long[:, first - 1 : min(last, long.shape[1] - 1) + 1] + 1e-7)
    middle = level[:, 1:-1]
    peak = (middle >= level[:, :-2]) & (middle >= level[:, 2:])
    loud = (middle > 20 * np.log10(top) - BELOW_TOP_DB) & peak
    often = _running_mean(loud.astype(np.float32), width) > 0.9
    columns = np.flatnonzero(often.any(axis=0))
    if not len(columns):
        return []
    here, left, right = (level[:, columns + k].astype(float) for k in (1, 0, 2))
    bend = np.minimum(left - 2 * here + right, -1e-3)
    shift = np.clip(0.5 * (left - right) / bend, -1, 1)  # the top of a parabola through the peak
    hz = (columns + first + shift) * bin_hz
    height = here - 0.25 * (left - right) * shift
    wander = np.maximum(WANDER_HZ, WANDER_CENTS / 1731 * hz.mean(axis=0))
    steady = _running_sd(height, width) < LEVEL_SD_DB
    steady &= _running_sd(hz, width) < wander
    steady &= often[:, columns]
    lines = []
    for column in np.flatnonzero(steady.any(axis=0)):
        for begin, end in _spans(steady[:, column], round(JOIN_S / long_s)):
            inside = steady[begin:end, column]
            lines.append(
                Tone(
                    (begin - width / 2 + 1.5) * long_s,
                    (end + width / 2 - 2.5) * long_s,
                    float(np.median(hz[begin:end, column][inside])),
                    float(np.median(height[begin:end, column])),
                )
            )
    return [line for line in lines if line.end_s - line.start_s >= LEAST_S]


def find_tones(
    long: Array, long_s: float, bin_hz: float, top: float, hum_hz: float | None = None
) -> list[Tone]:
    """The reference tones in a block's long frames, in order of time.

    top : the loudest magnitude of the take.
    """
    tones = join_lines(steady_lines(long, long_s, bin_hz, top), hum_hz)
    return [
        tone
        for tone in tones
        if _switched(tone, long, long_s, bin_hz) and _stands_alone(tone, long, long_s, bin_hz)
    ]


def _switched(tone: Tone, long: Array, long_s: float, bin_hz: float) -> bool:
    """Whether the tone came at once, as a speaker's does and a bow's does not.

    A tone that already sounds when the block begins cannot be asked.
    """
    line = round(tone.lines_hz[0] / bin_hz)
    level = 20 * np.log10(long[:, line - 1 : line + 2].max(axis=1) + 1e-7)
    first, last = max(0, round(tone.start_s / long_s)), round(tone.end_s / long_s)
    before = first - round(EDGE_S / long_s)
    steady = float(np.median(level[first : last + 1]))
    return before < 2 or float(level[before]) < steady - EDGE_DB


def _stands_alone(tone: Tone, long: Array, long_s: float, bin_hz: float) -> bool:
    """Whether all that sounds with the tone's lines all the while is steady too.

    A steady line of a bowed note is one of many partials that are not; a note beside a tone is
    not there all the while.
    """
    first = max(0, int(tone.start_s / long_s) + 3)
    last = min(len(long), int(tone.end_s / long_s) - 2)
    if last - first < 4:
        return False
    quiet = np.quantile(long[first:last], QUIET_SHARE, axis=0)
    noise = np.quantile(long[::4], QUIET_SHARE, axis=0) * 10 ** (NOISE_DB / 20)
    own = [round(line / bin_hz) for line in tone.lines_hz]
    strongest = max(float(quiet[b - 1 : b + 2].max()) for b in own)
    least = strongest * 10 ** (-COMPANY_DB / 20)
    middle = quiet[1:-1]
    peaks = np.flatnonzero((middle > least) & (middle >= quiet[:-2]) & (middle > quiet[2:])) + 1
    peaks = peaks[quiet[peaks] > noise[peaks]]
    peaks = peaks[peaks * bin_hz > 0.3 * tone.f0_hz]
    # A window's side lobes and a beat's shoulders are no company: only peaks well apart count.
    strange = [b for b in peaks if min(abs(b - line) for line in own) > 5]
    return len(strange) <= STRANGE_SHARE * len(own)


def join_lines(lines: list[Tone], hum_hz: float | None) -> list[Tone]:
    """Tones from lines: what sounds together in whole-number ratios is one."""
    kept = [line for line in lines if not _is_hum(line.f0_hz, hum_hz)]
    tones: list[Tone] = []
    for line in sorted(kept, key=lambda line: (line.f0_hz, line.start_s)):
        for tone in tones:
            number = line.f0_hz / tone.f0_hz
            together = min(line.end_s, tone.end_s) - max(line.start_s, tone.start_s)
            if abs(number - round(number)) < RATIO_TOLERANCE * number and together > -JOIN_S:
                tone.start_s = min(tone.start_s, line.start_s)
                tone.end_s = max(tone.end_s, line.end_s)
                tone.level_db = max(tone.level_db, line.level_db)
                tone.lines_hz.append(line.f0_hz)
                break
        else:
            tones.append(Tone(line.start_s, line.end_s, line.f0_hz, line.level_db, [line.f0_hz]))
    tones = [tone for tone in tones if tone.f0_hz <= TONE_HZ[1]]
    return sorted(tones, key=lambda tone: tone.start_s)


def _is_hum(f_hz: float, hum_hz: float | None) -> bool:
    if hum_hz is None:
        return False
    number = round(f_hz / hum_hz)
    return number >= 1 and abs(f_hz - number * hum_hz) < HUM_SHARE * f_hz


def _running_mean(values: Array, width: int) -> Floats:
    total = np.cumsum(np.pad(values, ((1, 0), (0, 0))), axis=0, dtype=np.float64)
    mean = (total[width:] - total[:-width]) / width
    before = width // 2
    return np.pad(mean, ((before, len(values) - len(mean) - before), (0, 0)))


def _running_sd(values: Floats, width: int) -> Floats:
    centred = values - values.mean(axis=0)
    mean = _running_mean(centred, width)
    sd = np.sqrt(np.maximum(_running_mean(centred**2, width) - mean**2, 0))
    before = width // 2
    sd[:before], sd[len(sd) - (width - before) + 1 :] = np.inf, np.inf
    return sd


def _spans(mask: NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    at = np.flatnonzero(mask)
    breaks = np.flatnonzero(np.diff(at) > gap)
    starts = np.concatenate([[0], breaks + 1])
    ends = np.concatenate([breaks, [len(at) - 1]])
    return [(int(at[a]), int(at[b]) + 1) for a, b in zip(starts, ends, strict=True)]
