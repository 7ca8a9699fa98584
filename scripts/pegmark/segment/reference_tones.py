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
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pegmark.signals.spectra import Array

Floats = NDArray[np.float64]

TONE_LEAST_S = 1.0  # shorter steady sounds are not called tones
TONE_WINDOW_S = 0.8  # level and pitch are judged over this time
LEVEL_SD_DB = 0.4
WANDER_HZ = 0.04  # frequency, 1 sigma: this ...
WANDER_CENTS = 0.6  # ... or this, whichever is more
BELOW_TOP_DB = 45.0  # lines this far below the take's loudest partial are not sounded for anyone
TONE_HZ = (80.0, 2500.0)  # fundamentals
JOIN_S = 0.7  # a line broken for less (a note at its frequency) goes on
RATIO_TOLERANCE = 0.004
TONE_QUIET_SHARE = 0.08  # company counts when it is there for all but this part of the time
COMPANY_DB = 24.0  # and within this of the tone's strongest line
STRANGE_SHARE = 0.34  # lines that are not steady, for each that is
NOISE_DB = 10.0  # and stands this far over the block's quiet frames
EDGE_S, EDGE_DB = 0.26, 12.0  # so long before it begins, a tone is this soft ...
LEAST_EDGE_DB = 4.0  # ... or at least this much softer
ALONE_FROM_S, ALONE_S = 0.15, 0.25  # after its onset a tone is alone for so long at least ...
ALONE_SD_DB = 0.25  # ... and this steady
BEAT_DB, BEAT_HZ = 6.0, 3.0  # what a string that rings on as loud as the tone would add
HIDDEN_DB, HIDDEN_S = 4.0, 0.3  # a tone that goes on is never so much softer for so long ...
SAME_HZ, SAME_FRAMES = 1.0, 4  # ... and ends where it stood alone: this near, in so many frames
STAYS_HZ, STAYS_DB = 0.12, 0.6  # so near its first frequency and level a tone's line stays ...
STAYS, STAYS_BESIDE = 0.2, 0.35  # ... for this part of its time, if it began alone; if not alone
LONG_S, BRIEF_STAYS = 2.0, 0.5  # a brief one must stay more, and be alone: a bow may by chance
LOWER_GAINS = 0.5  # a fundamental below the lines explains so many of them more
HUM_SHARE = 0.003  # within this of a multiple of the mains' frequency: hum


@dataclass
class Tone:
    """A sounded tone: begin and end in s, fundamental in Hz, level in dB of its strongest line."""

    start_s: float
    end_s: float
    f0_hz: float
    level_db: float
    lines: list[tuple[float, float]] = field(default_factory=list)  # (Hz, dB)

    @property
    def lines_hz(self) -> list[float]:
        """The frequencies of its lines."""
        return [hz for hz, _ in self.lines] or [self.f0_hz]

    @property
    def strongest_hz(self) -> float:
        """The frequency of its strongest line."""
        return max(self.lines, key=lambda line: line[1])[0] if self.lines else self.f0_hz


@dataclass(frozen=True)
class Lines:
    """What is asked for lines: a block's long frames, (frames, bins) of magnitudes.

    long_s : seconds a frame; top : the loudest magnitude of the take; hum_hz : of the mains.
    """

    long: Array
    long_s: float
    bin_hz: float
    top: float
    hum_hz: float | None = None

    def read(
        self, first_frame: int, last_frame: int, bins: NDArray[np.int64]
    ) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """(frequency in Hz, level in dB, is a loud peak) of the bins in a stretch of frames.

        The place of a peak between bins is that of a steady tone under a Hann window.
        """
        part = self.long[first_frame:last_frame]
        here, left, right = (part[:, bins + k].astype(np.float64) + 1e-7 for k in (0, -1, 1))
        peak = (here > self._least) & (here >= left) & (here >= right)
        ratio = np.maximum(left, right) / here
        shift = np.clip((2 * ratio - 1) / (ratio + 1), 0, 0.5)
        hz = np.asarray((bins + np.where(right >= left, shift, -shift)) * self.bin_hz)
        away = np.maximum(shift, 1e-6)
        height = np.asarray(here * np.pi * away * (1 - away**2) / np.sin(np.pi * away))
        return (
            hz.astype(np.float64),
            np.asarray(20 * np.log10(height), np.float64),
            peak,
        )

    @property
    def _least(self) -> float:
        return float(self.top * 10 ** (-BELOW_TOP_DB / 20))

    def peaks(self, first_frame: int, last_frame: int) -> NDArray[np.bool_]:
        """Whether each of `bins` is a peak loud enough for a tone's, in a stretch of frames."""
        part = self.long[first_frame:last_frame, self.bins.start - 1 : self.bins.stop + 1]
        peak = part > self._least
        peak[:, 1:] &= part[:, 1:] >= part[:, :-1]
        peak[:, :-1] &= part[:, :-1] >= part[:, 1:]
        return peak[:, 1:-1]

    @cached_property
    def noise(self) -> Floats:
        """The magnitude of each bin in the block's quiet frames."""
        return np.asarray(np.quantile(self.long[::4], TONE_QUIET_SHARE, axis=0), np.float64)

    @property
    def bins(self) -> slice:
        """The bins in which lines are looked for."""
        last = min(int(4 * TONE_HZ[1] / self.bin_hz), self.long.shape[1] - 2)
        return slice(int(TONE_HZ[0] / self.bin_hz), last)

    def level_at(self, hz: float) -> Floats:
        """The level in dB at a frequency in every frame."""
        line = round(hz / self.bin_hz)
        return np.asarray(20 * np.log10(self.long[:, line - 1 : line + 2].max(axis=1) + 1e-7))

    def frame(self, t_s: float) -> int:
        """The frame at a time, inside the block."""
        return min(max(0, round(t_s / self.long_s)), len(self.long) - 1)


def steady_lines(lines: Lines) -> list[Tone]:
    """Steady lines of a block, each as a Tone of one partial."""
    width = round(TONE_WINDOW_S / lines.long_s)
    if len(lines.long) < width + 2:
        return []
    peaks = lines.peaks(0, len(lines.long))
    columns = np.flatnonzero(peaks.sum(axis=0) > 0.9 * width)
    often = _running_mean(peaks[:, columns], width) > 0.9
    columns, often = columns[often.any(axis=0)], often[:, often.any(axis=0)]
    if not len(columns):
        return []
    hz, height, _ = lines.read(0, len(lines.long), columns + lines.bins.start)
    steady = _running_sd(height, width) < LEVEL_SD_DB
    steady &= _running_sd(hz, width) < _wander(hz)
    steady &= often
    found = []
    for column in np.flatnonzero(steady.any(axis=0)):
        for begin, end in _spans(steady[:, column], round(JOIN_S / lines.long_s)):
            inside = steady[begin:end, column]
            found.append(
                Tone(
                    (begin - width / 2 + 1.5) * lines.long_s,
                    (end + width / 2 - 2.5) * lines.long_s,
                    float(np.median(hz[begin:end, column][inside])),
                    float(np.median(height[begin:end, column])),
                )
            )
    return [line for line in found if line.end_s - line.start_s >= TONE_LEAST_S]


def lines_from(lines: Lines, onset_s: float) -> list[Tone]:
    """Lines steady from an onset on, that then go on under whatever is played over them."""
    first = lines.frame(onset_s + ALONE_FROM_S)
    last = first + round(ALONE_S / lines.long_s)
    if last >= len(lines.long):
        return []
    bins = np.flatnonzero(lines.peaks(first, last).all(axis=0)) + lines.bins.start
    if not len(bins):
        return []
    hz, height, _ = lines.read(first, last, bins)
    before = max(0, lines.frame(onset_s) - round(EDGE_S / lines.long_s))
    rang = lines.read(before, before + 1, bins)[1][0]
    beat = 10 ** ((rang - height.mean(axis=0)) / 20)  # amplitude of what rings on, of the tone's
    steady = height.std(axis=0) < ALONE_SD_DB + BEAT_DB * beat
    steady &= hz.std(axis=0) < _wander(hz) + BEAT_HZ * beat
    found = []
    for column in np.flatnonzero(steady):
        line_hz, level_db = float(hz[:, column].mean()), float(height[:, column].mean())
        tone = Tone(onset_s, (last - 1) * lines.long_s, line_hz, level_db)
        tone.end_s = _there_until(tone, lines, 1)
        if tone.end_s - onset_s >= TONE_LEAST_S:
            found.append(tone)
    return found


def find_tones(lines: Lines, onsets_s: Floats) -> list[Tone]:
    """The reference tones in a block's long frames, in order of time.

    onsets_s : where something loud begins, in s.
    """
    tones: list[Tone] = []
    for onset_s in onsets_s:
        if any(t.start_s - JOIN_S < onset_s < t.end_s for t in tones):
            continue
        alone_s = onset_s + ALONE_FROM_S + ALONE_S
        for tone in _one_tone(lines_from(lines, float(onset_s)), lines.hum_hz):
            if _rise_db(tone, lines) < EDGE_DB:
                continue
            stays = _stays(tone, lines)
            alone = _stands_alone(tone, lines, alone_s, after_ringing=True)
            brief = tone.end_s - tone.start_s < LONG_S
            least = BRIEF_STAYS if brief else STAYS if alone else STAYS_BESIDE
            tones += [tone] if stays > least and (alone or not brief) else []
    begun = list(tones)  # whose lines are known best, since they stood alone
    for tone in join_lines(steady_lines(lines), lines.hum_hz):
        if any(min(t.end_s, tone.end_s) > max(t.start_s, tone.start_s) for t in begun):
            continue
        if _stands_alone(tone, lines, tone.end_s):
            tone.start_s = min(tone.start_s, _there_until(tone, lines, -1))
            tone.end_s = max(tone.end_s, _there_until(tone, lines, 1))
            tones += [tone] if _rise_db(tone, lines) > EDGE_DB else []
    return sorted(tones, key=lambda tone: tone.start_s)


def _wander(hz: Floats) -> Floats:
    return np.asarray(np.maximum(WANDER_HZ, WANDER_CENTS / 1731 * hz.mean(axis=0)))


def _there_until(tone: Tone, lines: Lines, way: int) -> float:
    """When the tone's line is lost for good, forwards from its end or (-1) back from its start.

    What is played over it may hide it, as long as something sounds there.
    """
    bin_ = round(tone.strongest_hz / lines.bin_hz)
    last = lines.frame(tone.end_s if way > 0 else tone.start_s)
    # what lies behind is asked no more, but for the running mean's first values
    begin, end = (max(0, last - SAME_FRAMES), len(lines.long))
    if way < 0:
        begin, end = 0, min(end, last + SAME_FRAMES)
    hz, height, peak = lines.read(begin, end, np.arange(bin_ - 1, bin_ + 2))
    loud = height > tone.level_db - HIDDEN_DB
    near = (peak & loud & (np.abs(hz - tone.strongest_hz) < SAME_HZ)).any(axis=1)
    same = _running_mean(np.asarray(near)[:, None], SAME_FRAMES)[:, 0] > 0.99
    ahead = slice(last - begin, None) if way > 0 else slice(last, None, -1)
    sounding = np.flatnonzero(np.asarray(loud.any(axis=1))[ahead])
    gaps = np.flatnonzero(np.diff(sounding, prepend=0) > HIDDEN_S / lines.long_s)
    until = int(sounding[gaps[0]]) if len(gaps) else len(lines.long)
    sure = np.flatnonzero(same[ahead][:until])
    return (last + way * (int(sure[-1]) if len(sure) else 0)) * lines.long_s


def _stays(tone: Tone, lines: Lines) -> float:
    """For what part of its time a tone's lines (the median) are found where they first stood.

    A bow that was steady for a moment has moved on by then; what is played over a tone hides it
    now and then only.
    """
    first, last = lines.frame(tone.start_s + ALONE_FROM_S), lines.frame(tone.end_s)
    there = []
    for line_hz, level_db in tone.lines:
        bins = np.arange(-1, 2) + round(line_hz / lines.bin_hz)
        hz, height, _ = lines.read(first, last, bins)
        same = np.abs(hz - line_hz).min(axis=1) < STAYS_HZ
        there.append(np.mean(same & (np.abs(height.max(axis=1) - level_db) < STAYS_DB)))
    return float(np.median(there))


def _rise_db(tone: Tone, lines: Lines) -> float:
    """How far most of its lines rise at the tone's start; inf where the block does not show it."""
    before = lines.frame(tone.start_s) - round(EDGE_S / lines.long_s)
    if before < 2:
        return np.inf
    rises = [level_db - lines.level_at(hz)[before] for hz, level_db in tone.lines]
    return float(np.median(rises))


def _stands_alone(tone: Tone, lines: Lines, until_s: float, *, after_ringing: bool = False) -> bool:
    """Whether all that sounds with the tone's lines all the while is steady too.

    A steady line of a bowed note is one of many partials that are not; a note beside a tone is
    not there all the while.
    """
    long, bin_hz = lines.long, lines.bin_hz
    first = max(0, int(tone.start_s / lines.long_s) + 3)
    last = min(len(long), int(until_s / lines.long_s) - 2)
    if last - first < 4:
        return False
    quiet = np.quantile(long[first:last], TONE_QUIET_SHARE, axis=0)
    noise = lines.noise * 10 ** (NOISE_DB / 20)
    own = [round(line / bin_hz) for line in (*tone.lines_hz, tone.f0_hz)]
    strongest = max(float(quiet[b - 1 : b + 2].max()) for b in own)
    least = strongest * 10 ** (-COMPANY_DB / 20)
    middle = quiet[1:-1]
    peaks = np.flatnonzero((middle > least) & (middle >= quiet[:-2]) & (middle > quiet[2:])) + 1
    peaks = peaks[quiet[peaks] > noise[peaks]]
    peaks = peaks[peaks * bin_hz > 0.3 * tone.f0_hz]
    before = lines.frame(tone.start_s) - round(EDGE_S / lines.long_s)
    if after_ringing and before >= 0:  # what rings on from before is no company either
        peaks = peaks[quiet[peaks] > long[before, peaks] * 10 ** (LEAST_EDGE_DB / 20)]
    # A window's side lobes and a beat's shoulders are no company: only peaks well apart count.
    strange = [b for b in peaks if min(abs(b - line) for line in own) > 5]
    return len(strange) <= STRANGE_SHARE * len(own)


def join_lines(lines: list[Tone], hum_hz: float | None) -> list[Tone]:
    """Tones from lines: what sounds together in whole-number ratios is one."""
    kept = [line for line in lines if not _is_hum(line.f0_hz, hum_hz)]
    tones: list[Tone] = []
    for line in sorted(kept, key=lambda line: (line.f0_hz, line.start_s)):
        for tone in tones:
            together = min(line.end_s, tone.end_s) - max(line.start_s, tone.start_s)
            if _off_multiple(line.f0_hz, tone.f0_hz) < RATIO_TOLERANCE and together > -JOIN_S:
                tone.start_s = min(tone.start_s, line.start_s)
                tone.end_s = max(tone.end_s, line.end_s)
                tone.level_db = max(tone.level_db, line.level_db)
                tone.lines.append((line.f0_hz, line.level_db))
                break
        else:
            own = [(line.f0_hz, line.level_db)]
            tones.append(Tone(line.start_s, line.end_s, line.f0_hz, line.level_db, own))
    tones = [tone for tone in tones if tone.f0_hz <= TONE_HZ[1]]
    return sorted(tones, key=lambda tone: tone.start_s)


def _one_tone(lines: list[Tone], hum_hz: float | None) -> list[Tone]:
    """The tone whose fundamental explains most of the lines that began together, if any did.

    The fundamental itself may be hidden by a string.
    """
    lines = [line for line in lines if not _is_hum(line.f0_hz, hum_hz)]
    best: list[Tone] = []
    most, f0_hz = 0.0, 0.0
    for number in (1, 2, 3):
        for line in lines:
            tried = line.f0_hz / number
            off = [_off_multiple(other.f0_hz, tried) / RATIO_TOLERANCE for other in lines]
            explains = sum(max(0.0, 1 - part**2) for part in off)
            if (
                explains > most + (LOWER_GAINS if number > 1 else 0)
                and TONE_HZ[0] <= tried <= TONE_HZ[1]
            ):
                most, f0_hz = explains, tried
                best = [other for other, part in zip(lines, off, strict=True) if part < 1]
    if not best:
        return []
    loudest = max(best, key=lambda line: line.level_db)
    end_s = float(np.median([line.end_s for line in best]))
    parts = [(line.f0_hz, line.level_db) for line in best]
    f0_hz = float(np.median([hz / round(hz / f0_hz) for hz, _ in parts]))
    return [Tone(loudest.start_s, end_s, f0_hz, loudest.level_db, parts)]


def _off_multiple(f_hz: float, f0_hz: float) -> float:
    """How far a frequency stands off the nearest multiple of another, as a part of it."""
    number = f_hz / f0_hz
    return abs(number - max(1, round(number))) / number


def _is_hum(f_hz: float, hum_hz: float | None) -> bool:
    if hum_hz is None:
        return False
    number = round(f_hz / hum_hz)
    return number >= 1 and abs(f_hz - number * hum_hz) < HUM_SHARE * f_hz


def _running_mean(values: NDArray, width: int) -> Floats:
    rows, columns = values.shape
    total = np.zeros((rows + 1, columns))
    np.cumsum(values, axis=0, out=total[1:])
    mean = np.zeros((rows, columns))
    before = width // 2
    mean[before : before + rows + 1 - width] = (total[width:] - total[:-width]) / width
    return mean


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
