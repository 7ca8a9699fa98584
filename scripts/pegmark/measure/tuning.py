"""How each string was tuned, and how it was left: change-points, moves, the combined pitch.

All cents are against equal temperament at A4 = 440 Hz. An uncertainty is the half-width of a
95 % interval. The definitions are those of the design (section 3):

- A change-point parts two stretches of a string's notes whose pitches differ by more than their
  uncertainties and repeats explain. A turn is one larger than max(5 cents, the combined
  half-width), or a glide while the string sounds. Changes that a string made by itself (it was
  pulled by the tuning of others, or fell back) are change-points but no turns.
- A move joins two settled pitches. What glides through is not settled.
- A string is LEFT as its notes after its last change-point describe it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypedDict

from pegmark.measure.as_left import describe
from pegmark.measure.change_points import find_changes
from pegmark.measure.left_pitch import leave_all
from pegmark.measure.moves import find_causes
from pegmark.measure.pieces import TunedString, pieces_of, sounding
from pegmark.measure.plateaus import ROUNDING_S
from pegmark.trade import pitch
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.take import Interval, MeasuredNote, MeasuredString
    from pegmark.records.values import Role

ROUND_NOTES = 2  # a first round sounds every string once: at most so many notes of each ...
ROUND_GAP_S = 3.0  # ... and no longer silence (common practice, no source)


class Story(TypedDict):
    """How the strings of a take were tuned and left (see records.take.Measured)."""

    strings: dict[str, MeasuredString]
    order: list[str]
    last_turn_s: float | None
    roles: list[Role | None]  # one per note
    intervals: list[Interval]


def read_tuning(notes: list[MeasuredNote], instrument: Instrument) -> Story:
    """What every string's notes say of how it was tuned and left.

    Parameters
    ----------
    notes
        Measured notes ("start_s", "end_s", "kind", "string", "string_odds", "f0_hz",
        "deviation_cents", "uncertainty_cents", "attack_drift_cents", "track", "rests"; two
        strings together also "string_2", "f0_2_hz"), in any order. A note whose pitch is null
        sounds, but says nothing of pitch. Harmonics, reference tones and notes without a string
        say nothing of a string.
    instrument
        Its strings and the priors of its kind.

    Returns
    -------
    {"strings": {name: fields of the measured record}, "order", "last_turn_s", "roles" (one per
    note, in the order given), "intervals"}. See the contract for each field.
    """
    order = sorted(range(len(notes)), key=lambda i: _when(notes[i]))
    timed, strings = gather(notes, instrument)
    prior, targets = instrument.priors_cents, instrument.hz()
    last_turn = max((s.settled_s() or -math.inf for s in strings.values()), default=-math.inf)
    last_turn_s = None if last_turn == -math.inf else last_turn
    first_round = _first_round(timed, strings)
    ranks = _ranks(timed, strings, first_round)
    left = leave_all(strings, prior)
    record = {
        name: describe(
            string, strings, timed, left.get(name), targets[name], last_turn_s, ranks.get(name)
        )
        for name, string in strings.items()
    }
    roles = _roles(timed, strings, last_turn_s)
    return {
        "strings": record,
        "order": sorted(ranks, key=lambda name: ranks[name]),
        "last_turn_s": last_turn_s,
        "roles": [roles[order.index(i)] for i in range(len(notes))],
        "intervals": [interval for note in timed if (interval := read_interval(note, instrument))],
    }


def gather(
    notes: list[MeasuredNote], instrument: Instrument
) -> tuple[list[MeasuredNote], dict[str, TunedString]]:
    """The notes in order of time, and what they say of every string: its changes, its last notes.

    notes : as for `read_tuning`.
    """
    timed = sorted(notes, key=_when)
    strings = {name: TunedString(name) for name in instrument.strings}
    targets = instrument.hz()
    for i, note in enumerate(timed):
        for name, place in sounding(note):
            if name in strings:
                strings[name].notes.append(i)
                strings[name].pieces += pieces_of(i, note, place, targets[name])
    for string in strings.values():
        find_changes(string, timed, instrument.priors_cents)
    for string in strings.values():
        find_causes(string, strings)
    return timed, strings


def read_interval(note: MeasuredNote, instrument: Instrument) -> Interval | None:
    """The interval of a two_strings note against the pure one, or None when it has none.

    "interval_cents" is positive when it is wide; "beats_hz" is the rate of the beating partials,
    |2 f_high - 3 f_low| in fifths and |3 f_high - 4 f_low| in fourths.
    """
    names = list(instrument.strings)
    low_hz, high_hz = note.get("f0_hz"), note.get("f0_2_hz")
    if note["kind"] != "two_strings" or not (low_hz and high_hz):
        return None
    low, high = note.get("string"), note.get("string_2")
    if low is None or high is None or low not in names or high not in names:
        return None
    if names.index(low) - names.index(high) != 1:
        return None
    pure, up, down = (
        (pitch.PURE_FIFTH_CENTS, 2, 3)
        if instrument.interval == 7
        else (pitch.PURE_FOURTH_CENTS, 3, 4)
    )
    half = note.get("uncertainty_cents")
    half_2 = note.get("uncertainty_2_cents") or half
    return {
        "string": high,
        "string_2": low,
        "interval_cents": pitch.cents_between(high_hz, low_hz) - pure,
        "beats_hz": abs(up * high_hz - down * low_hz),
        "at_s": note["start_s"],
        "uncertainty_cents": None if half is None or half_2 is None else math.hypot(half, half_2),
    }


def _when(note: MeasuredNote) -> tuple[float, float, float]:
    return (note["start_s"], note["end_s"], note.get("f0_hz") or 0.0)


def _first_round(timed: list[MeasuredNote], strings: dict[str, TunedString]) -> set[int]:
    """The notes of a first round: every string heard is briefly sounded once, before any turn.

    A longer silence in it would hide a silent turn; more notes would be the tuning itself.
    """
    first_turn = min((m.start_s for s in strings.values() for m in s.turns()), default=math.inf)
    heard = {name for name, s in strings.items() if s.notes}
    visits: list[tuple[str, list[int]]] = []
    quiet_from = math.inf
    for i, note in enumerate(timed):
        names = [name for name, _ in sounding(note)]
        if not names:
            continue
        late = note["start_s"] >= first_turn or note["start_s"] - quiet_from > ROUND_GAP_S
        if late or len(names) > 1:
            break
        quiet_from = note["end_s"]
        if visits and visits[-1][0] == names[0]:
            if len(visits[-1][1]) == ROUND_NOTES:
                break
            visits[-1][1].append(i)
        elif names[0] in [name for name, _ in visits]:
            break
        else:
            visits.append((names[0], [i]))
    if {name for name, _ in visits} != heard or len(visits) < 2:
        return set()
    return {i for _, notes in visits for i in notes}


def _ranks(
    timed: list[MeasuredNote], strings: dict[str, TunedString], first_round: set[int]
) -> dict[str, int]:
    """String -> 1, 2, ...: by its first turn; never turned, by its first sounding outside a
    first round. With nothing outside the round, the round itself is the order.
    """
    outside = any(i not in first_round for s in strings.values() for i in s.notes)
    times: dict[str, float] = {}
    for name, string in strings.items():
        soundings = [
            timed[i]["start_s"] for i in string.notes if not outside or i not in first_round
        ]
        if string.turns():
            times[name] = string.turns()[0].start_s
        elif soundings:
            times[name] = min(soundings)
    ranked = sorted(times, key=lambda name: times[name])
    return {name: k for k, name in enumerate(ranked, start=1)}


def _roles(
    timed: list[MeasuredNote], strings: dict[str, TunedString], last_turn_s: float | None
) -> list[Role | None]:
    """Per note: "check" (describes how a string is left, after the last turn of any), "final"
    (describes it, before that), "tuning" (before it was left so), None (no string's note).
    """
    roles: list[Role | None] = [None] * len(timed)
    for string in strings.values():
        for i in string.notes:
            roles[i] = roles[i] or "tuning"
    for string in strings.values():
        for piece in string.left:
            late = last_turn_s is None or timed[piece.index]["start_s"] >= last_turn_s - ROUNDING_S
            if roles[piece.index] != "check":
                roles[piece.index] = "check" if late else "final"
    return roles
