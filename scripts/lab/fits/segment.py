"""The tables by which candidates are told from notes: {"note_classifier": {question: table}}.

Takes of the sound laboratory are made: every other one an invented take (all difficulties, a
quarter of them with sampled players, a third of them wide), the others drills of one hard thing
each (a third of them with sampled players), all four instruments in turn. Every hypothesis of every
candidate (`pegmark.segment.onsets`) is compared with the truth:

- "note": yes for the hypothesis nearest to the start of a true note, with its pitch; those beside
  it that have its pitch too are left out; all others are no.
- "bowed": of those that are notes, whether a bow sounded them;
- "speech": of every quarter second (`pegmark.segment.speech`), whether somebody speaks;
- "bow_start": of those that are bows, how long after the onset the bow was set down, in s (it is
  before: the figure is negative; `pegmark.segment.bow_onset`).

"note" and "bow_start" are told by boosted trees, the others by curves that are added up
(`lab.fits.learners`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lab.bench import INSTRUMENTS, TABLE
from lab.drills import DRILLS, drill
from lab.fits.learners import add_curves, grow, how_well
from lab.takes import random_take
from pegmark.segment import bow_onset, note_classifier, onsets, spectrogram, speech
from pegmark.segment.notes import pitch_search
from pegmark.segment.onsets import Features
from pegmark.signals.audio import RATE_HZ
from pegmark.trade.instruments import Instrument

CODE = (
    "pegmark.segment.spectrogram",
    "pegmark.segment.onsets",
    "pegmark.segment.following",
    "pegmark.segment.note_classifier",
    "pegmark.segment.speech",
    "pegmark.segment.bow_onset",
    "pegmark.segment.notes",
)
SEED, TAKES, HELD = 600_000, 1200, 200

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

DIFFICULTY_MIX = ("easy", "usual", "hard", "usual", "hard")
START_EARLIEST_S = 0.05  # a candidate so long before a true start may be it ...
START_LATEST_S = {"plucked": 0.05, "bowed": 0.2}  # ... or so long after: bows grow
TRUE_CENTS = 40.0
SPEECH_EDGE_S = 0.4  # windows so near to the edge of a passage are neither speech nor none
FOUND_S = 0.03  # a start counts as found within this


@dataclass
class Heard:
    """What is known of one take: inputs and answers of all questions.

    notes, yes, use, bowed : of every hypothesis; use: neither twice a note nor left out
    seconds, spoken, clear : of every window of `pegmark.segment.speech`; clear: not at a passage's
        edge
    rises, after_s : of every bow's candidates, and the bow's start after each
    """

    onset_s: Floats
    notes: dict[str, Floats]
    yes: Bools
    use: Bools
    bowed: Bools
    times: Floats
    seconds: dict[str, Floats]
    spoken: Bools
    clear: Bools
    rises: dict[str, Floats]
    after_s: Floats


def make(number: int) -> tuple[np.ndarray, dict[str, Any]]:
    """One take to learn from, (samples,) float16 at RATE_HZ, and its truth."""
    instrument = TABLE[INSTRUMENTS[(number // 2) % 4]]
    if number % 2:
        name = list(DRILLS)[(number // 2) % len(DRILLS)]
        audio, truth = drill(name, instrument, SEED + number, real=(number // 2) % 3 == 1)
    else:
        difficulty = DIFFICULTY_MIX[(number // 8) % len(DIFFICULTY_MIX)]
        real = (number // 8) % 4 == 3
        wide = (number // 2) % 3 == 2
        audio, truth = random_take(SEED + number, instrument, difficulty, real=real, wide=wide)
    return audio.astype(np.float16), truth  # 16 bits: no recording has more


def ways(note: dict[str, Any]) -> str:
    """How a true note is sounded: "plucked" or "bowed"."""
    return "plucked" if note.get("by", note["kind"]) == "plucked" else "bowed"


def answers(features: Features, truth: dict[str, Any]) -> tuple[Bools, Bools, Bools]:
    """(is a note, is left out, is bowed) of every hypothesis."""
    count = len(features)
    yes, out, bowed = np.zeros(count, bool), np.zeros(count, bool), np.zeros(count, bool)
    for note in truth["notes"]:
        after = features.onset_s - note["start_s"]
        near = (after > -START_EARLIEST_S) & (after < START_LATEST_S[ways(note)])
        for f0_hz in _start_pitches(note):
            right = near & (np.abs(1200 * np.log2(features.f0_hz / f0_hz)) < TRUE_CENTS)
            if not right.any():
                continue
            # Of a growing bow the strongest candidate, of a pluck the nearest one.
            worth = features.flux if ways(note) == "bowed" else -np.abs(after)
            best = int(np.flatnonzero(right)[np.argmax(worth[right])])
            out |= right
            yes[best] = True
            bowed[best] = ways(note) == "bowed"
    return yes, out & ~yes, bowed


def _start_pitches(note: dict[str, Any]) -> list[float]:
    """The pitches of a true note soon after its start, in Hz."""
    known = [note["f0_hz"], *([note["f0_2_hz"]] if note.get("f0_2_hz") else [])]
    if note["cents"] is not None:
        known.append(note["f0_hz"] * 2 ** ((note["start_cents"] - note["cents"]) / 1200))
    return known


def hear(audio: np.ndarray, truth: dict[str, Any]) -> Heard:
    """Inputs and answers of one take, audio of (samples,) at RATE_HZ."""
    instrument: Instrument = TABLE[truth["instrument"]]
    audio = audio.astype(np.float32)
    floor = spectrogram.noise_floor(audio, instrument)
    block = spectrogram.read_block(audio, RATE_HZ, pitch_search(instrument, RATE_HZ), floor)
    features = onsets.describe(block, *onsets.find_candidates(block, floor))
    inputs = note_classifier.inputs_of(features, np.zeros(len(features)))
    yes, out, bowed = answers(features, truth)
    times, seconds = speech.describe(block, floor.fine)
    inside, edge = np.zeros(len(times), bool), np.zeros(len(times), bool)
    for passage in truth["speech"]:
        inside |= (times > passage["start_s"]) & (times < passage["end_s"])
        for end in ("start_s", "end_s"):
            edge |= np.abs(times - passage[end]) < SPEECH_EDGE_S
    rises, after_s = bow_starts(block, features, truth)
    return Heard(
        features.onset_s, inputs, yes, ~out, bowed, times, seconds, inside, ~edge, rises, after_s
    )


def bow_starts(
    block: spectrogram.Block, features: Features, truth: dict[str, Any]
) -> tuple[dict[str, Floats], Floats]:
    """(inputs, true start after the onset in s) of every candidate that may be a bow's start."""
    rises, after = [], []
    for note in truth["notes"]:
        if ways(note) != "bowed":
            continue
        late = features.onset_s - note["start_s"]
        near = (late > -START_EARLIEST_S) & (late < bow_onset.BOW_ONSET_BEFORE_S)
        pitches = np.array(_start_pitches(note))
        apart = np.abs(1200 * np.log2(features.f0_hz[:, None] / pitches)).min(axis=1)
        near &= apart < TRUE_CENTS
        _, first = np.unique(features.candidate[near], return_index=True)
        for index in np.flatnonzero(near)[first]:
            onset_s, f0_hz = float(features.onset_s[index]), float(features.f0_hz[index])
            rise = bow_onset.describe_rise(block, onset_s, f0_hz)
            if rise is not None:
                rises.append(rise)
                after.append(note["start_s"] - onset_s)
    names = rises[0] if rises else {}
    return {name: np.array([r[name] for r in rises]) for name in names}, np.array(after)


def joined(parts: list[dict[str, Floats]], use: list[Bools], names: Iterable[str]) -> Any:
    """Inputs of many takes, only those used."""
    return {
        name: np.concatenate([p[name][u] for p, u in zip(parts, use, strict=True)])
        for name in names
    }


def cases(heard: list[Heard], speech: dict[str, Any] | None) -> dict[str, tuple[Any, Bools]]:
    """Inputs and answers of each question; notes only where the curves of speech are known."""
    clear = [h.clear for h in heard]
    seconds = joined([h.seconds for h in heard], clear, heard[0].seconds)
    known = {"speech": (seconds, np.concatenate([h.spoken[h.clear] for h in heard]))}
    if speech is None:
        return known
    notes = []
    for h in heard:
        talk = np.interp(h.onset_s, h.times, note_classifier.weigh_by(speech, h.seconds))
        notes.append(
            h.notes | {"talk": note_classifier.as_input(np.clip(talk, *note_classifier.TALK))}
        )
    use, yes = [h.use for h in heard], [h.yes for h in heard]
    answer = np.concatenate([h.yes[h.use] for h in heard])
    known["note"] = (joined(notes, use, notes[0]), answer)
    bowed = np.concatenate([h.bowed[h.yes] for h in heard])
    known["bowed"] = (joined(notes, yes, notes[0]), bowed)
    return known


def fit(heard: list[Heard]) -> dict[str, Any]:
    """The tables of all questions."""
    talk = add_curves(*cases(heard, None)["speech"])
    known = cases(heard, talk)
    return {
        "note_classifier": {
            "note": grow(*known["note"]),
            "bowed": add_curves(*known["bowed"]),
            "speech": talk,
            "bow_start": grow(*starts(heard)),
        }
    }


def starts(heard: list[Heard]) -> tuple[dict[str, Floats], Floats]:
    """Inputs and answers of the question "bow_start"."""
    some = [h for h in heard if len(h.after_s)]
    inputs = joined([h.rises for h in some], [np.isfinite(h.after_s) for h in some], some[0].rises)
    return inputs, np.concatenate([h.after_s for h in some])


def figures(numbers: dict[str, Any], heard: list[Heard]) -> dict[str, float]:
    """How well the tables answer."""
    tables = numbers["note_classifier"]
    found: dict[str, float] = {}
    for question, (inputs, yes) in cases(heard, tables["speech"]).items():
        told = how_well(note_classifier.weigh_by(tables[question], inputs), yes)
        found |= {f"{question}: {name}": value for name, value in told.items()}
    inputs, after_s = starts(heard)
    off = np.abs(note_classifier.weigh_by(tables["bow_start"], inputs) - after_s)
    found["bow_start: bows"] = len(off)
    found[f"bow_start: within {FOUND_S} s, %"] = round(100 * float(np.mean(off < FOUND_S)), 1)
    return found
