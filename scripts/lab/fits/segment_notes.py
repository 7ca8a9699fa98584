"""What kind a note is, and whether another sounds it: {"notes": {question: table}}.

- "bowed": takes of plucks and bows of every kind (`lab.kinds`), models and sampled players in turn,
  openings and drills; every true note from the onset (`pegmark.segment.onsets`) that is its own.
- "sounded_a": openings (`lab.openings`), of which every other one has an A that another sounds;
  every note that may be it.

The first is told by boosted trees, the other by curves that are added up (`lab.fits.learners`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lab import samples
from lab.bench import INSTRUMENTS, TABLE
from lab.drills import DRILLS, drill
from lab.fits.learners import add_curves, grow, how_well
from lab.kinds import kinds_take
from lab.openings import SOUNDED, STRUCK, opening_take
from pegmark.segment import note_classifier, note_kind, onsets, sounded_a, spectrogram
from pegmark.segment.notes import pitch_search
from pegmark.signals.audio import RATE_HZ

CODE = ("pegmark.segment.note_kind", "pegmark.segment.sounded_a")
SEED, TAKES, HELD = 1_600_000, 360, 48

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ONSET_NEAR_S = (
    0.06,
    0.12,
)  # an onset so long after a note's start, and so much about that, is its own
CUT_SHARE, CUT_S = 0.15, (0.2, 0.8)  # so many notes are heard for so long only
FEW_PENALTY = 3.0  # of six parts of the openings each told by the others: best of 0.1 to 3
OFF_CENTS = 3.0  # how well their pitch is known, 1 sigma


@dataclass
class Heard:
    """Inputs and answers of both questions, of every note; either may be empty."""

    kinds: dict[str, Floats]
    bowed: Bools
    openings: dict[str, Floats]
    another: Bools


def make(number: int) -> tuple[np.ndarray, dict[str, Any]]:
    """One take to learn from, (samples,) float16 at RATE_HZ, and its truth."""
    seed, turn = SEED + number, number // 6
    instrument = TABLE[INSTRUMENTS[turn % 4]]
    if number % 6 < 4:
        font = (None, samples.SOUND_FONT, None, samples.OTHER_FONT)[number % 6]
        audio, truth = kinds_take(seed, instrument, font)
    elif number % 6 == 4:
        audio, truth = opening_take(seed, instrument, list(SOUNDED)[turn % len(SOUNDED)])
    elif turn % 3:
        audio, truth = opening_take(seed, instrument)
    else:
        audio, truth = drill(list(DRILLS)[turn // 3 % len(DRILLS)], instrument, seed)
    return audio.astype(np.float16), truth


def hear(audio: np.ndarray, truth: dict[str, Any]) -> Heard:
    """Inputs and answers of one take, audio of (samples,) at RATE_HZ."""
    audio = audio.astype(np.float32)
    kinds, bowed = _kinds(audio, truth)
    openings: list[dict[str, float]] = []
    another: list[bool] = []
    if "by" in truth:
        sounded = [tone | {"kind": _kind_of(truth["by"]), "tone": True} for tone in truth["tones"]]
        played = sorted([*sounded, *truth["notes"]], key=lambda note: note["start_s"])
        instrument = TABLE[truth["instrument"]]
        for note, inputs in sounded_a.openings(audio, RATE_HZ, played, instrument):
            openings.append(inputs)
            another.append("tone" in note)
            if "tone" not in note:
                break
    return Heard(
        _columns(kinds), np.array(bowed, bool), _columns(openings), np.array(another, bool)
    )


def _kind_of(by: str) -> str:
    return "plucked" if by in STRUCK else "bowed"


def _kinds(audio: np.ndarray, truth: dict[str, Any]) -> tuple[list[dict[str, float]], list[bool]]:
    """(inputs, whether it is bowed) of every true note, from the onset that is seen nearest."""
    instrument = TABLE[truth["instrument"]]
    rng = np.random.default_rng([truth["seed"], 43])
    floor = spectrogram.noise_floor(audio, instrument)
    block = spectrogram.read_block(audio, RATE_HZ, pitch_search(instrument, RATE_HZ), floor)
    times, heights = onsets.find_candidates(block, floor)
    inputs, bowed = [], []
    for note, later in zip(truth["notes"], [*truth["notes"][1:], None], strict=True):
        is_bowed = note.get("by", note["kind"]) != "plucked"
        near = np.flatnonzero(np.abs(times - note["start_s"] - ONSET_NEAR_S[0]) < ONSET_NEAR_S[1])
        if not len(near):
            continue
        off = np.abs(times[near] - note["start_s"])
        onset_s = float(times[near[np.argmax(heights[near] if is_bowed else -off)]])
        until_s = later["start_s"] if later else len(audio) / RATE_HZ
        if rng.random() < CUT_SHARE:  # as an onset that is none would do
            until_s = min(until_s, onset_s + float(rng.uniform(*CUT_S)))
        if until_s - onset_s > note_kind.KIND_LEAST_S:
            f0_hz = note["f0_hz"] * 2 ** (float(rng.normal(0, OFF_CENTS)) / 1200)
            inputs.append(note_kind.describe(audio, RATE_HZ, onset_s, until_s, f0_hz))
            bowed.append(is_bowed)
    return inputs, bowed


def _columns(rows: list[dict[str, float]]) -> dict[str, Floats]:
    return {name: np.array([row[name] for row in rows]) for name in (rows[0] if rows else {})}


def _joined(parts: list[tuple[dict[str, Floats], Bools]]) -> tuple[dict[str, Floats], Bools]:
    some = [(inputs, yes) for inputs, yes in parts if len(yes)]
    names = some[0][0]
    inputs = {name: np.concatenate([one[name] for one, _ in some]) for name in names}
    return inputs, np.concatenate([yes for _, yes in some])


def cases(heard: list[Heard]) -> dict[str, tuple[dict[str, Floats], Bools]]:
    """Inputs and answers of each question."""
    return {
        "bowed": _joined([(h.kinds, h.bowed) for h in heard]),
        "sounded_a": _joined([(h.openings, h.another) for h in heard]),
    }


def fit(heard: list[Heard]) -> dict[str, Any]:
    """The tables of both questions."""
    known = cases(heard)
    another = add_curves(*known["sounded_a"], penalty=FEW_PENALTY)
    return {"notes": {"bowed": grow(*known["bowed"]), "sounded_a": another}}


def figures(numbers: dict[str, Any], heard: list[Heard]) -> dict[str, float]:
    """How well the tables answer."""
    found: dict[str, float] = {}
    for question, (inputs, yes) in cases(heard).items():
        told = how_well(note_classifier.weigh_by(numbers["notes"][question], inputs), yes)
        found |= {f"{question}: {name}": value for name, value in told.items()}
    return found
