"""The A that another sounds first: a piano, a reed, a partner an octave away.

Who tunes by ear is given an A before her own first note. It is told from that note by what it is
like: the last notes of the student's A string are surely hers, and what opens the take is compared
with them (how loud each partial is, how fast the sound falls, how far the partials stand off whole
multiples: a piano's stand far, Fletcher & Rossing, The Physics of Musical Instruments, chapter 12:
from memory). `pegmark.segment.note_classifier` weighs it (question "sounded_a", fitted by
scripts/lab/fits/segment_notes.py). Only what opens a take can be such an A, and only before the
first note that is none; where a tone is told, it is the A that was given.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pegmark.segment import note_classifier
from pegmark.segment.note_kind import Partials, read_partials, slope
from pegmark.signals.spectra import Array
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Note

Floats = NDArray[np.float64]

A_CENTS = (-115.0, 40.0)  # an A is looked for here about that of 440 Hz: from 412 to 450 Hz
OWN_REACH_CENTS = 450.0  # the student's A string is no further out
# Log odds asked of another's A, nine to one: few takes open with one. Of 56 takes in which seven
# opened so, it names 6 rightly and none of the student's own notes (at 0: 7 of those).
LEAST_LOG_ODDS = 2.2
OWN_NOTES = 6  # so many of its last notes are compared with
TONE_LEVELS = 8  # partials whose levels are compared
LEVEL_FROM_S, LEVEL_TO_S = 0.08, 0.6  # in this time after the onset
FAINTEST_DB = -40.0  # against all partials
UNKNOWN_DB, UNKNOWN_CENTS = 12.0, 60.0  # stand for a difference where there is nothing to compare
FARTHEST = 100.0  # no difference counts for more


class Timbre(NamedTuple):
    """What a note sounds like.

    levels_db : (TONE_LEVELS,), the first partials against all; fall_db_s : of the level; stretch,
    spread : how partials stand off whole multiples, as in `note_kind`; hiss_db : between them.
    """

    levels_db: Floats
    fall_db_s: float
    stretch: float
    spread: float
    hiss_db: float


def tell(audio: Array, rate_hz: float, notes: list[Note], instrument: Instrument) -> None:
    """Give what another sounds at a take's opening the kind "reference_tone", in place.

    Parameters
    ----------
    audio : shape (samples,), the take.
    notes : sorted by start_s, each with start_s, end_s, f0_hz, kind.
    """
    for note, inputs in openings(audio, rate_hz, notes, instrument):
        named = {name: np.array([value]) for name, value in inputs.items()}
        if note_classifier.weigh(named, "sounded_a")[0] < LEAST_LOG_ODDS:
            return
        note["kind"] = "reference_tone"


def openings(
    audio: Array, rate_hz: float, notes: Sequence[Any], instrument: Instrument
) -> Iterator[tuple[Any, dict[str, float]]]:
    """(note, inputs of the question "sounded_a") of each note that may open the take, in order."""
    played = [note for note in notes if note["kind"] != "reference_tone"]
    tones = [note for note in notes if note["kind"] == "reference_tone"]
    own_hz = next((hz for name, hz in instrument.hz().items() if name[0] == "A"), None)
    if own_hz is None:
        return
    for k, note in enumerate(played):
        is_later = any(tone["start_s"] < note["start_s"] for tone in tones)
        if is_later or folded_cents(note["f0_hz"]) is None:
            return
        own = [n for n in played[k + 1 :] if _apart(n["f0_hz"], own_hz) < OWN_REACH_CENTS]
        own = [n for n in own if not any(_together(n, tone) for tone in tones)]
        if not own:
            return
        yield note, describe(audio, rate_hz, note, own, instrument)


def folded_cents(f0_hz: float) -> float | None:
    """The distance from the nearest A of 440 Hz in any octave; None: too far to be an A."""
    cents = float(1200 * np.log2(f0_hz / 440))
    cents -= 1200 * round(cents / 1200)
    return cents if A_CENTS[0] < cents < A_CENTS[1] else None


def describe(
    audio: Array,
    rate_hz: float,
    note: Note,
    own: list[Note],
    instrument: Instrument,
) -> dict[str, float]:
    """The inputs of the question "sounded_a": a note beside later ones of the A string."""
    mine = timbre_of(audio, rate_hz, note)
    others = [timbre_of(audio, rate_hz, n) for n in own[-OWN_NOTES:]]
    apart = [float(np.sqrt(np.mean((mine.levels_db - o.levels_db) ** 2))) for o in others]
    falls = [mine.fall_db_s - o.fall_db_s for o in others]
    hiss = [mine.hiss_db - o.hiss_db for o in others]
    stretches = [o.stretch for o in others]
    to_string = min(_apart(note["f0_hz"], hz) for hz in instrument.hz().values())
    first, last = (_apart(note["f0_hz"], own[i]["f0_hz"]) for i in (0, -1))
    same_kind = [
        a for a, n in zip(apart, own[-OWN_NOTES:], strict=True) if n["kind"] == note["kind"]
    ]
    known = {
        "to_string": to_string,
        "apart": min(apart),
        "apart_usually": float(np.median(apart)),
        "apart_of_kind": min(same_kind) if same_kind else UNKNOWN_DB,
        "fall": mine.fall_db_s,
        "fall_apart": min(falls, key=abs),
        "fall_most": max(falls),
        "stretch": mine.stretch,
        "stretch_apart": mine.stretch - float(np.median(stretches)),
        "spread": mine.spread,
        "hiss": mine.hiss_db,
        "hiss_apart": min(hiss, key=abs),
        "first_apart": min(first, FARTHEST),
        "last_apart": min(last, FARTHEST),
        "bowed": float(note["kind"] != "plucked"),
        "height": float(np.round(2 * np.log2(note["f0_hz"])) / 2),
    }
    return {name: float(np.round(value, note_classifier.DIGITS)) for name, value in known.items()}


def timbre_of(audio: Array, rate_hz: float, note: Note) -> Timbre:
    """What a note of a take sounds like."""
    part = read_partials(audio, rate_hz, note["start_s"], note["end_s"] + 0.02, note["f0_hz"])
    inside = (part.times > LEVEL_FROM_S) & (part.times < LEVEL_TO_S)
    if not inside.any():
        inside = part.times >= 0
    power = np.zeros(TONE_LEVELS)
    own = part.power[inside].mean(axis=0)[:TONE_LEVELS]
    power[: len(own)] = own
    levels = 10 * np.log10(power / max(power.sum(), 1e-14) + 1e-14)
    return Timbre(np.maximum(levels, FAINTEST_DB), *_moves(part))


def _moves(part: Partials) -> tuple[float, float, float, float]:
    level = 10 * np.log10(part.power.sum(axis=1) + 1e-14)
    after = part.times > 0.1
    fall = slope(part.times[after], level[after]) if after.sum() > 4 else 0.0
    locking = part.locking()
    between = 10 * np.log10(
        (np.median(part.between, axis=0) + 1e-14) / (part.power.mean(axis=0) + 1e-14)
    )
    loud = part.power.mean(axis=0) > 1e-3 * part.power.mean(axis=0).max()
    return fall, locking["stretch"], locking["spread"], float(np.median(between[loud]))


def _together(note: Note, tone: Note) -> bool:
    return note["start_s"] < tone["end_s"] and tone["start_s"] < note["end_s"]


def _apart(f_hz: float, other_hz: float) -> float:
    return float(abs(1200 * np.log2(f_hz / other_hz)))
