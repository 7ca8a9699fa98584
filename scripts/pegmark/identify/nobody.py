"""Notes that are too faint to be the student's: somebody else practises behind her.

A partner in the next room is 14 dB or more below; the student's own notes of one kind lie closer
together than that, her bows above her plucks. What is fainter is nobody's string: it would stand
for a string that was turned, or decide where one was left.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pegmark.records.take import Note


NOBODY_KINDS = ("plucked", "bowed")
# Of 290 own notes of 12 invented takes the faintest bow lay 9.4 dB under the middle one, the
# faintest pluck 8.4; a partner's 14 dB below the take lay 9 to 18 dB under the middle bow.
TOO_FAINT_DB = 11.0
BOW_OVER_PLUCK_DB = 2.5  # a player's middle bow is louder than her middle pluck by this or more
OWN_DB = 15.0  # the middle one is that of notes no further under the loudest tenth
LOUDEST_SHARE = 0.9
FEWEST = 4  # notes of both kinds, or nothing is said


def too_faint(notes: Sequence[Note]) -> list[bool]:
    """Whether each note is too faint to be the player's.

    notes : of notes/<take>.json, with "kind" and "level_db".
    """
    levels = {kind: _levels(notes, kind) for kind in NOBODY_KINDS}
    if sum(map(len, levels.values())) < FEWEST:
        return [False] * len(notes)
    usual = {kind: _usual_db(known) for kind, known in levels.items()}
    usual["bowed"] = max(usual["bowed"], usual["plucked"] + BOW_OVER_PLUCK_DB)
    return [
        note["kind"] in NOBODY_KINDS
        and note.get("level_db") is not None
        and note["level_db"] < usual[note["kind"]] - TOO_FAINT_DB
        for note in notes
    ]


def _levels(notes: Sequence[Note], kind: str) -> np.ndarray:
    known = [n["level_db"] for n in notes if n["kind"] == kind and n.get("level_db") is not None]
    return np.array(known, float)


def _usual_db(levels: np.ndarray) -> float:
    """The middle level of the player's own notes of a kind; -inf where there are none."""
    if not len(levels):
        return -np.inf
    own = levels[levels > np.quantile(levels, LOUDEST_SHARE) - OWN_DB]
    return float(np.median(own))
