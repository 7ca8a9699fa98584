"""Whether a take sounds like the way of tuning that was asked for: pointed out, never graded.

A tuner makes no sound, so it is never heard; what is heard is an A that somebody sounded before
the A string was set, and neighbouring strings sounded together while there was still turning. Where
no A was heard by ear, the A itself is asked about (`no_a_sounded`), and nothing more is said.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pegmark.score.finding import Take

if TYPE_CHECKING:
    from pegmark.records.student import ObservationCode

PAIRS = 2  # of neighbours sounded together: one alone may be a bow that slid over


def other_way(take: Take) -> tuple[ObservationCode, float | None] | None:
    """What the take looks like instead, and the second that shows it; None: like the task."""
    pairs = _pairs_while_turning(take)
    method, tone = take.frame.method, take.tone
    if method == "string_to_string":
        apart = not take.intervals and all(n["kind"] != "two_strings" for n in take.notes)
        return ("way_apart", None) if apart and take.turns else None
    if len(pairs) >= PAIRS and not (method == "by_ear" and tone):
        return "way_string_to_string", min(pairs.values())
    if method == "tuner" and tone is not None and _before_a_was_set(take):
        return "way_by_ear", tone.at_s
    return None


def _pairs_while_turning(take: Take) -> dict[frozenset[str], float]:
    """Neighbours that were sounded together before the last turn -> when first."""
    last_s = take.last_turn_s
    found: dict[frozenset[str], float] = {}
    for note in take.notes:
        pair = (note.get("string"), note.get("string_2")) if note["kind"] == "two_strings" else ()
        known = frozenset(name for name in pair if name)
        if len(known) == 2 and last_s is not None and note["start_s"] < last_s:
            found.setdefault(known, note["start_s"])
    return found


def _before_a_was_set(take: Take) -> bool:
    settled_s = take.strings[take.frame.a_string]["settled_s"]
    assert take.tone is not None
    return settled_s is not None and take.tone.at_s < settled_s
