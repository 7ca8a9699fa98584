"""When a bow begins: told from the rise of its partials.

A bow's loudness grows smoothly, and a soft start comes out of the noise, or of what still rings,
late: what finds notes (`pegmark.segment.onsets`) sees it 20 to 100 ms after the bow was set down.
Where the amplitude passes fixed parts of what it settles at tells how fast it grows, and so when it
was nothing. How the one follows from the other is learnt on notes of the sound laboratory
(scripts/lab/fits/segment.py, question "bow_start"): seconds by which the start lies after
the onset.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pegmark.segment import note_classifier, spectrogram
from pegmark.segment.spectrogram import Block

Floats = NDArray[np.float64]

BOW_ONSET_BEFORE_S, AFTER_S = 0.15, 0.5  # the rise is looked at from and to here about the onset
BOW_ONSET_SETTLED_S = 0.2  # from so long after the onset the amplitude counts as settled
FLUX_S = 0.06  # an onset is seen so long or less after half of the rise
PARTS = (0.03, 0.05, 0.08, 0.12, 0.2, 0.35, 0.5)  # of the settled amplitude: passed when?
LATE_PARTS = (0.7, 0.9)  # passed when for the first time after half of it?
LEAST_RISE = 1.5  # a smaller one, in amplitude, says nothing
BOW_ONSET_PARTIALS = 8
SOONER_S = 0.02  # onsets of bows are late by this or more: all that is known without a rise


def bow_start(block: Block, onset_s: float, f0_hz: float) -> float:
    """When the bow that was seen at onset_s, of pitch f0_hz, begins, in s of the block."""
    inputs = describe_rise(block, onset_s, f0_hz)
    if inputs is None:
        return onset_s - SOONER_S
    named = {name: np.array([value]) for name, value in inputs.items()}
    after_s = float(note_classifier.weigh(named, "bow_start")[0])
    return onset_s + min(max(after_s, -BOW_ONSET_BEFORE_S), 0.0)


def describe_rise(block: Block, onset_s: float, f0_hz: float) -> dict[str, float] | None:
    """The rise of a bow's partials about an onset, by name; None where there is none.

    "passed_3" ... "passed_90": when the amplitude passes so many hundredths of what it settles at,
    in s after the onset; "contrast": log of the settled amplitude over the least before it;
    "height": the pitch in octaves, to the half.
    """
    step = block.fine_s
    first = max(0, round((onset_s - BOW_ONSET_BEFORE_S) / step))
    last = min(len(block.fine), round((onset_s + AFTER_S) / step))
    at = round(onset_s / step) - first
    settles = at + round(BOW_ONSET_SETTLED_S / step)
    if last - first < settles + 5:
        return None
    bins = np.rint(
        np.arange(1, BOW_ONSET_PARTIALS + 1) * f0_hz * spectrogram.FINE_SIZE / block.rate_hz
    )
    bins = np.unique(bins[bins < block.fine.shape[1]].astype(int))
    amplitude = np.sqrt((block.fine[first:last, bins].astype(float) ** 2).sum(axis=1))
    settled = float(np.median(amplitude[settles:]))
    before = float(amplitude[: max(1, at - 2)].min()) + 1e-12
    if settled < LEAST_RISE * before:
        return None
    rise = (amplitude - before) / (settled - before)
    from_ = max(0, at - round(FLUX_S / step))
    half = from_ + int(np.argmax(rise[from_:] > 0.5))
    passed = [_last_passed(rise[: half + 1], part) for part in PARTS]
    passed += [half + float(np.argmax(rise[half:] > part)) for part in LATE_PARTS]
    known = {
        f"passed_{round(100 * part)}": (place - at) * step
        for part, place in zip((*PARTS, *LATE_PARTS), passed, strict=True)
    }
    known |= {
        "contrast": np.log(settled / before),
        "height": np.round(2 * np.log2(f0_hz)) / 2,
    }
    return {name: float(np.round(value, note_classifier.DIGITS)) for name, value in known.items()}


def _last_passed(rise: Floats, part: float) -> float:
    """The last place, as a fractional index, where `rise` goes up through `part`; 0: nowhere."""
    below = np.flatnonzero(rise[:-1] < part)
    if not len(below):
        return 0.0
    i = int(below[-1])
    return i + float((part - rise[i]) / max(rise[i + 1] - rise[i], 1e-6))
