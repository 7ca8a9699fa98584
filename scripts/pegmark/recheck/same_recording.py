"""The same recording under two names: takes that hold the same notes at the same moments.

A recording that was coded anew, cut at its start or made louder keeps its notes; two performances
of one exercise share the pitches but not the moments, and never the waveform. So takes are
compared whatever their names and containers say: pairs of notes of one pitch vote for a shift in
time; where many agree on one shift, the sound of the two takes is laid side by side there. What
comes out is a question to the teacher, and changes no grade.

A recording played faster or slower, or recorded anew from a loudspeaker, is another recording.
Figures: `scripts/lab/benchmark_sameness.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pegmark.records.recheck import SameRecording
    from pegmark.records.take import Measured

START_S = 0.015  # as far as coding anew moves the start of most notes (at 64 kb/s: 5 ms)
CENTS = 12.0  # and their pitch (95 % within 4 cents)
LEAST = 4  # notes in common: fewer agree by chance, and then the sound may, too
TWIN_SHARE = 0.5  # of the notes where both takes sound, and of half of the shorter take's
# Of the sound: coded anew 0.95 and more, by a telephone's speech codec 0.77; the notes of two
# performances laid onto each other by force 0.47 (99 of 100), at most 0.65.
LIKENESS = 0.72
TWIN_PASSAGES = 8  # notes whose sound is compared
PASSAGE_S = 0.4  # of each, from shortly before its start
TWIN_BEFORE_S = 0.05
LAG_S = 0.03  # how far the shift that the notes agree on may be from the true one
SPEECH_CENTS = -1e6  # stands for the pitch of a spoken passage: like its like, and nothing else

Floats = NDArray[np.float64]
LoadAudio = Callable[[str], tuple[NDArray[Any], int]]


def same_recordings(measured: Mapping[str, Measured], load_audio: LoadAudio) -> list[SameRecording]:
    """Pairs of takes that are one and the same recording, by all that can be heard.

    Parameters
    ----------
    measured : take id -> record of measured/<take>.json
    load_audio : take id -> (mono float audio (samples,), rate in Hz); called for the few takes
        whose notes agree. Two takes of the very same file are no pair.

    Returns
    -------
    In the order of take ids: ``takes`` [one, other]; ``shift_s``, what stands at t in the one
    stands at t + shift_s in the other; ``matched`` notes and spoken passages in both, ``of`` as
    many where both takes sound; ``likeness`` of their waveforms, 0 to 1.
    """
    names = sorted(measured)
    takes = [_events(measured[name]) for name in names]
    found: list[SameRecording] = []
    for one, other, shift_s in _candidates(takes):
        pair = names[one], names[other]
        if _content(pair[0]) == _content(pair[1]):
            continue
        starts_s, of = _in_both(takes[one], takes[other], shift_s)
        if len(starts_s) < max(LEAST, TWIN_SHARE * of):
            continue
        (first, rate_hz), (second, _) = map(load_audio, pair)
        alike = likeness(first, second, rate_hz, starts_s, shift_s)
        if alike >= LIKENESS:
            found.append(
                {
                    "takes": list(pair),
                    "shift_s": round(shift_s, 2),
                    "matched": len(starts_s),
                    "of": of,
                    "likeness": round(alike, 2),
                }
            )
    return found


def likeness(
    one: NDArray[Any], other: NDArray[Any], rate_hz: int, starts_s: Floats, shift_s: float
) -> float:
    """How alike two takes sound at some notes' starts, 0 to 1: the mean normalised correlation.

    All passages at one and the same lag, at most LAG_S from `shift_s`: two strings of one pitch
    may fall into step in one note, not in several. 0.0 with fewer than `LEAST` passages.
    """
    size, reach = round(PASSAGE_S * rate_hz), round(LAG_S * rate_hz)
    total, count = np.zeros(2 * reach + 1), 0
    places = (
        np.linspace(0, len(starts_s) - 1, min(TWIN_PASSAGES, len(starts_s))).round().astype(int)
    )
    for start_s in starts_s[places]:
        at = round((start_s - TWIN_BEFORE_S) * rate_hz)
        there = at + round(shift_s * rate_hz) - reach
        wide = size + 2 * reach
        if at < 0 or there < 0 or at + size > len(one) or there + wide > len(other):
            continue
        passage = np.asarray(one[at : at + size], float)
        total += _correlation(passage, np.asarray(other[there : there + wide], float))
        count += 1
    return float(np.abs(total).max()) / count if count >= LEAST else 0.0


def _correlation(passage: Floats, around: Floats) -> Floats:
    """The normalised correlation of a passage with a longer one, at every place in it."""
    size = 1 << (len(around) + len(passage)).bit_length()
    product = np.fft.rfft(around, size) * np.conj(np.fft.rfft(passage, size))
    places = len(around) - len(passage) + 1
    energy = np.cumsum(np.concatenate([[0.0], around**2]))
    energy = energy[len(passage) :] - energy[:places]
    scale = np.sqrt(np.sum(passage**2) * np.maximum(energy, 0))
    return np.fft.irfft(product, size)[:places] / np.maximum(scale, 1e-12)


def _content(take: str) -> str:
    """What a take id says of the recording's content: the hash before the instrument."""
    return take.split("-")[0]


def _events(record: Measured) -> Floats:
    """Start in seconds and pitch in cents of everything that sounds, shape (n, 2), by start."""
    notes = [
        (note["start_s"], 1200 * np.log2(note["f0_hz"] / 440))
        for note in record["notes"]
        if note["f0_hz"]
    ]
    spoken = [(passage["start_s"], SPEECH_CENTS) for passage in record["speech"]]
    return np.array(sorted(notes + spoken), float).reshape(-1, 2)


def _candidates(takes: list[Floats]) -> list[tuple[int, int, float]]:
    """(one, other, shift in seconds) of the takes in which enough notes vote for one shift."""
    sizes = np.array([len(take) for take in takes], int)
    owner = np.repeat(np.arange(len(takes)), sizes)
    start_s, cents = np.concatenate([*takes, np.zeros((0, 2))]).T
    by_pitch = np.argsort(cents, kind="stable")
    owner, start_s, cents = owner[by_pitch], start_s[by_pitch], cents[by_pitch]
    found = []
    for one, take in enumerate(takes):
        low = np.searchsorted(cents, take[:, 1] - CENTS)
        high = np.searchsorted(cents, take[:, 1] + CENTS, "right")
        alike = np.concatenate([*map(np.arange, low, high), np.zeros(0)]).astype(int)
        shift_s = start_s[alike] - np.repeat(take[:, 0], high - low)
        later = owner[alike] > one
        for other, mean_s, votes in _most_votes(owner[alike][later], shift_s[later]):
            if votes >= max(LEAST, TWIN_SHARE * min(sizes[one], sizes[other]) / 2):
                found.append((one, other, mean_s))
    return found


def _most_votes(owner: NDArray[np.int64], shift_s: Floats) -> list[tuple[int, float, int]]:
    """(other take, median shift, votes) for every take that was voted for.

    Votes are counted in bins that overlap by half: those for one shift lie within 2 START_S, and
    one bin holds them all.
    """
    if not len(shift_s):
        return []
    width = 4 * START_S
    bins = np.concatenate([2 * np.floor(shift_s / width), 2 * np.floor(shift_s / width + 0.5) - 1])
    bins = (bins - bins.min()).astype(np.int64)
    key = np.tile(owner, 2) * (bins.max() + 1) + bins
    order = np.argsort(key, kind="stable")
    key, votes_s = key[order], np.tile(shift_s, 2)[order]
    first = np.flatnonzero(np.diff(key, prepend=-1))
    counts = np.diff(first, append=len(key))
    others = key[first] // (bins.max() + 1)
    best = np.lexsort((-counts, others))[np.unique(others, return_index=True)[1]]
    return [
        (int(others[i]), float(np.median(votes_s[first[i] : first[i] + counts[i]])), int(counts[i]))
        for i in best
    ]


def _in_both(one: Floats, other: Floats, shift_s: float) -> tuple[Floats, int]:
    """Starts (in the one) of the notes that stand in both; how many there are where both sound."""
    moved = other - [shift_s, 0]
    begin = max(one[0, 0], moved[0, 0]) - START_S
    end = min(one[-1, 0], moved[-1, 0]) + START_S
    here = [take[(take[:, 0] >= begin) & (take[:, 0] <= end)] for take in (one, moved)]
    apart = np.abs(here[0][:, None] - here[1][None])
    near = (apart[..., 0] <= START_S) & (apart[..., 1] <= CENTS)
    # Two notes may both lie near one: what counts is the smaller number.
    both = here[0][near.any(axis=1)], here[1][near.any(axis=0)]
    starts_s = min(both, key=len)[:, 0]
    return starts_s, round(sum(map(len, here)) / 2)
