"""How notes of one string err together: "as_left" {shared_part, width, pull_sd_cents}.

Invented takes of all difficulties and instruments, a half with sampled players, a third of them
wide and another third checked with plucks, are heard as the stages before hear them. Of every
string that is known, and after which no other was turned, the last notes are kept beside the truth
(`pegmark.measure.left_pitch`):

- shared_part: how the errors of two notes of one kind on one string go together, in units of
  their own half-widths: their mean product over their mean square;
- width, pull_sd_cents: so that the truth is inside for INSIDE of strings, as their plucks after
  the last turn of others say (width of plucks), as their plucks from before it say with a pull
  added (pull_sd_cents), and as all notes of those say that were bowed (width of bows).

The instruments' priors are not fitted: notes of the laboratory differ by what each says of itself
and by no more, those of real players do.

The half-widths of single notes are inputs here: where they change, fit anew.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lab import chain
from lab.fits.segment import INSTRUMENTS, TABLE
from lab.takes import random_take
from lab.truths import left_cents
from pegmark.measure.left_pitch import (
    Doubts,
    LastNotes,
    LeftPitch,
    last_notes,
    left_pitches,
    turned_after,
)
from pegmark.measure.pieces import Piece
from pegmark.measure.tuning import gather
from pegmark.statistics.student_t import NORMAL_95

CODE = ("pegmark.measure.left_pitch", "pegmark.measure.tuning")
SEED, TAKES, HELD = 1_500_000, 192, 96

MEASURED_MIX = ("usual", "usual", "hard", "easy")
# Of strings: what is asked for lies around it. Less where bows decide, for the takes learnt from
# have more unusual bodies and noise than classes; more where plucks do, for they are fewer.
INSIDE = {"bowed": 0.955, "plucked": 0.975}
MOST_PRODUCT = 9.0  # no pair of notes says more of how errors go together (squared deviations)
MISTAKEN_CENTS = 5.0  # a string further off was mistaken for another sound: no width mends that
BISECTIONS = 14

Heard = list[dict[str, Any]]
Keep = Callable[[LastNotes], list[Piece]]


def make(number: int) -> tuple[NDArray[Any], dict[str, Any]]:
    """One take to learn from, (samples,) float16, and its truth."""
    instrument = TABLE[INSTRUMENTS[number % 4]]
    difficulty = MEASURED_MIX[(number // 4) % len(MEASURED_MIX)]
    real, third = bool((number // 16) % 2), (number // 4) % 3
    audio, truth = random_take(
        SEED + number, instrument, difficulty, real=real, wide=third == 2, plucked_check=third == 1
    )
    return audio.astype(np.float16), truth


def hear(audio: NDArray[Any], truth: dict[str, Any]) -> dict[str, Any]:
    """The last notes of a take's strings, each with what it was left at."""
    instrument = TABLE[truth["instrument"]]
    record = chain.hear(audio.astype(np.float32), instrument).measured
    _, strings = gather(record["notes"], instrument)
    known = {
        name: string
        for name, string in strings.items()
        if string.left and record["strings"][name]["heard"] == "heard"
        if truth["strings"][name]["heard"]
        if not turned_after(string, strings, string.left[-1].end_s)
    }
    return {
        "instrument": instrument.key,
        "notes": {name: last_notes(string, strings) for name, string in known.items()},
        "left_cents": {name: left_cents(truth, name) for name in known},
    }


def fit(heard: Heard) -> dict[str, Any]:
    """The numbers of `Doubts`."""
    shared = {kind: _shared_part(heard, kind) for kind in ("plucked", "bowed")}

    def doubts(plucked: float, bowed: float = 1.0, pull: float = 1.0) -> Doubts:
        return Doubts(shared, {"plucked": plucked, "bowed": bowed}, pull)

    plucks, bows = INSIDE["plucked"], INSIDE["bowed"]
    plucked = _bisect(plucks, lambda width: _inside(heard, doubts(width), _fresh_plucks))
    pull = _bisect(plucks, lambda sd: _inside(heard, doubts(plucked), _stale_plucks, sd))
    bowed = _bisect(bows, lambda width: _inside(heard, doubts(plucked, width, pull), _with_bows))
    return {"as_left": doubts(plucked, bowed, pull)._asdict()}


def figures(numbers: dict[str, Any], heard: Heard) -> dict[str, Any]:
    """Of strings held back: errors in cents, half-widths, and per cent inside."""
    doubts = Doubts(**numbers["as_left"])
    found: dict[str, Any] = {}
    for name, keep in (("with bows", _with_bows), ("plucks only", _without_bows)):
        strings = list(_strings(heard, doubts, keep))
        errors = [abs(error) for error, _ in strings]
        found[name] = {
            "strings": len(strings),
            "error p50": float(np.percentile(errors, 50)),
            "error p95": float(np.percentile(errors, 95)),
            "half-width p50": float(np.median([left.half for _, left in strings])),
            "inside %": 100 * float(np.mean([abs(e) <= left.half for e, left in strings])),
        }
    return found


def _fresh_plucks(notes: LastNotes) -> list[Piece]:
    return [p for p in notes.pieces if p.kind == "plucked" and p.start_s >= notes.fresh_s]


def _stale_plucks(notes: LastNotes) -> list[Piece]:
    return [p for p in notes.pieces if p.kind == "plucked" and p.start_s < notes.fresh_s]


def _with_bows(notes: LastNotes) -> list[Piece]:
    return list(notes.pieces) if any(p.kind == "bowed" for p in notes.pieces) else []


def _without_bows(notes: LastNotes) -> list[Piece]:
    return [] if _with_bows(notes) else list(notes.pieces)


def _strings(heard: Heard, doubts: Doubts, keep: Keep) -> Iterator[tuple[float, LeftPitch]]:
    """(error in cents, what it was said to be left at) of every string that keeps any notes."""
    for take in heard:
        kept = {name: notes._replace(pieces=keep(notes)) for name, notes in take["notes"].items()}
        kept = {name: notes for name, notes in kept.items() if notes.pieces}
        prior = TABLE[take["instrument"]].priors_cents
        for name, left in left_pitches(kept, prior, doubts).items():
            yield left.mean - take["left_cents"][name], left


def _inside(heard: Heard, doubts: Doubts, keep: Keep, pull_sd: float = 0.0) -> float:
    """The share of strings whose interval, with a pull, holds the truth."""
    pull = NORMAL_95 * pull_sd
    held = [
        abs(error) <= math.hypot(left.half, pull)
        for error, left in _strings(heard, doubts, keep)
        if abs(error) < MISTAKEN_CENTS
    ]
    return float(np.mean(held))


def _shared_part(heard: Heard, kind: str) -> float:
    """How errors of notes of one kind on one string go together, from 0 to 1."""
    squares, products = [], []
    for take in heard:
        for name, notes in take["notes"].items():
            off = [
                (p.cents - take["left_cents"][name]) / max(p.half, 0.1) * NORMAL_95
                for p in notes.pieces
                if p.kind == kind and p.start_s >= notes.fresh_s
            ]
            squares += [min(a * a, MOST_PRODUCT) for a in off]
            products += [
                float(np.clip(a * b, -MOST_PRODUCT, MOST_PRODUCT))
                for place, a in enumerate(off)
                for b in off[:place]
            ]
    return float(np.clip(np.mean(products) / np.mean(squares), 0.0, 1.0))


def _bisect(share: float, inside: Callable[[float], float]) -> float:
    """The least number, from 0.1 to 3, from which on this share of the strings is inside."""
    low, high = 0.1, 3.0
    for _ in range(BISECTIONS):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if inside(middle) >= share else (middle, high)
    return round(high, 3)
