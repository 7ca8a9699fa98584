"""Whose A: what the pitches of one take are counted from.

tuner             the assignment's A; where that is a range, the A that was sounded if it lies
                  in the range, else the student's own A as near as the range comes to it
by_ear            the A that was sounded, whatever sounded it
string_to_string  as tuner, for the A string alone
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from pegmark.trade import pitch
from pegmark.trade.instruments import Instrument
from pegmark.trade.targets import Frame
from pegmark.trade.tolerances import resolve_tolerances

if TYPE_CHECKING:
    from pegmark.records.take import Measured, MeasuredNote, MeasuredString
    from pegmark.records.tickets import ScoreTicket

# A sounded A may belong to another tuning pitch: 415 Hz stands 101 cents below 440.
A_REACH_CENTS = 120.0
# A tone this near to where the A string stood before its first turn may be that string.
OWN_CENTS = 3.0
# Half-width taken for a sounded tone that came without one: such tones are steady to 0.3 cents.
TONE_UNCERTAINTY_CENTS = 1.0


@dataclass(frozen=True)
class HeardA:
    """The A the student tuned to: its place in cents from A4 = 440 Hz, folded into one octave."""

    cents: float
    uncertainty_cents: float
    at_s: float

    @property
    def hertz(self) -> float:
        """Its pitch as an A4."""
        return pitch.shift_hz(pitch.A4_HZ, self.cents)


def hear_a(sounded: Iterable[MeasuredNote], a_settled_s: float | None) -> HeardA | None:
    """The sounded A among what somebody else sounded: the last before the A string was set.

    sounded : reference tones. Where all came later, the first one; what is no A is left out.
    """
    tones = []
    for one in sounded:
        hertz = one["f0_hz"]
        if not hertz:
            continue
        cents = pitch.cents_between(hertz, pitch.A4_HZ)
        folded = cents - 1200 * round(cents / 1200)
        if abs(folded) <= A_REACH_CENTS:
            half = one.get("uncertainty_cents")
            tones.append(
                HeardA(folded, TONE_UNCERTAINTY_CENTS if half is None else half, one["start_s"])
            )
    if not tones:
        return None
    tones.sort(key=lambda tone: tone.at_s)
    before = [tone for tone in tones if a_settled_s is not None and tone.at_s < a_settled_s]
    return before[-1] if before else tones[0]


def tone_of(measured: Measured, a_string: str) -> HeardA | None:
    """The A that was sounded in a measured take, whatever the assignment's method."""
    string = measured["strings"].get(a_string) or cast("MeasuredString", {})
    settled_s = string.get("settled_s")
    tones = [note for note in measured["notes"] if note["kind"] == "reference_tone"]
    heard = [tone for tone in tones if not _is_own(tone, string, a_string)]
    return hear_a(heard, string.get("at_s") if settled_s is None else settled_s)


def _is_own(tone: MeasuredNote, string: MeasuredString, a_string: str) -> bool:
    """Whether a sounded A may be the student's own string before it was turned.

    It stands where the A string stood then, in its octave; what somebody tunes to is where the
    string is brought.
    """
    moves, start = string.get("moves") or [], string.get("start_cents")
    if not moves or not tone["f0_hz"]:
        return False
    stood = moves[0]["from_cents"] if start is None else start
    near = OWN_CENTS + (tone["uncertainty_cents"] or 0.0)
    cents = pitch.cents_between(tone["f0_hz"], pitch.equal_hz(a_string))
    left = string["deviation_cents"]
    away = left is None or abs(left - cents) > near
    return away and abs(cents - stood) <= near and tone["start_s"] < moves[0]["end_s"]


def frame_of(ticket: ScoreTicket, measured: Measured) -> tuple[Frame, HeardA | None, HeardA | None]:
    """What a take is counted from: (frame, the sounded A that counts, the sounded A if any)."""
    instrument = Instrument.from_dict(ticket["instrument"])
    reference = ticket["reference"]
    least = float(reference["a4_hz"])
    most = float(reference.get("a4_most_hz") or least)
    frame = Frame(
        instrument,
        least,
        reference["temperament"],
        reference["method"],
        resolve_tolerances(ticket["tolerances"], instrument),
    )
    tone = tone_of(measured, frame.a_string)
    counted = tone if frame.method == "by_ear" or _allows(least, most, tone) else None
    if most > least:
        own_hz = counted.hertz if counted else _own_a_hz(measured, frame)
        frame = frame.at(min(max(own_hz, least), most))
    return frame, counted, tone


def _allows(least_hz: float, most_hz: float, tone: HeardA | None) -> bool:
    """Whether a sounded A lies in the range that the assignment allows."""
    if tone is None or most_hz <= least_hz:
        return False
    half = tone.uncertainty_cents
    low, high = (pitch.cents_between(hertz, pitch.A4_HZ) for hertz in (least_hz, most_hz))
    return low - half <= tone.cents <= high + half


def _own_a_hz(measured: Measured, frame: Frame) -> float:
    """The A that the student's own instrument has: its A string's, else its strings' middle."""
    heard = {
        name: string["deviation_cents"]
        for name, string in measured["strings"].items()
        if string["heard"] == "heard" and string["deviation_cents"] is not None
    }
    if not heard:
        return frame.a4_hz
    cents = heard.get(frame.a_string, statistics.median(heard.values()))
    return pitch.shift_hz(pitch.A4_HZ, cents)
