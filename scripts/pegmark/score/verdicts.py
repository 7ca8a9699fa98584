"""From measured pitches to verdicts: reference, targets, tolerances, and the benefit of the doubt.

Conventions
-----------
Measured deviations stand against equal temperament at A4 = 440 Hz. Here they are moved to the
assignment's reference (`shift`) and judged (`judge_strings`). A string is judged by its distance
to the span between its equal-tempered and its pure target: 0 anywhere inside, so that neither way
of tuning is a fault. What the span is counted from depends on the assignment's method:

    tuner             the assignment's A
    by_ear            the A that was sounded; where none is in the recording, A itself against the
                      assignment's A and the other strings from the student's own A
    string_to_string  A against the assignment's A, every other string by the pure interval to its
                      neighbour on A's side

Deviations and half-widths are rounded to a tenth of a cent before a verdict, so that the number
on the sheet is the number that was judged. A value on a boundary belongs to the better level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from pegmark.trade import pitch
from pegmark.trade.targets import Frame, distance_to_span
from pegmark.trade.tolerances import Tolerance

# A sounded A may belong to another tuning pitch: 415 Hz stands 101 cents below 440.
A_REACH_CENTS = 120.0
# Half-width taken for a sounded tone that came without one: such tones are steady to 0.3 cents.
TONE_UNCERTAINTY_CENTS = 1.0
# Two strings sounded together and the same two alone may differ by this much and still agree
# (a bow on two strings presses differently; common practice, no source).
CONTRADICTION_CENTS = 5.0
# A string that fell further than this by itself, and was left there, may as well be another sound
# taken for it: a person listens (common practice, no source).
FELL_CENTS = 100.0


@dataclass(frozen=True)
class Judgement:
    """How one string is judged.

    `cents` is its signed distance to where it may stand, 0 inside; `off_cents` how far it stands
    from its target (what sentences say: the number of the record where the assignment's A counts).
    `home_cents` is where it may stand, (low, high), and `zero_cents` what `off_cents` is counted
    from, both in the record's cents; None where unknown.
    """

    verdict: str
    cents: float | None = None
    off_cents: float | None = None
    uncertainty_cents: float | None = None
    close_call: bool = False
    against: str = "assignment"  # assignment, reference_tone, own_a or neighbour
    neighbour: str | None = None
    reason: str | None = None  # why unsure: string, fell, wide, contradiction, no_a, no_neighbour
    at_s: float | None = None
    home_cents: tuple[float, float] | None = None
    zero_cents: float | None = None


@dataclass(frozen=True)
class HeardA:
    """The A the student tuned to: its place in cents from A4 = 440 Hz, folded into one octave."""

    cents: float
    uncertainty_cents: float
    at_s: float


def judge(
    cents: float, uncertainty_cents: float, span: tuple[float, float], tolerance: Tolerance
) -> tuple[str, bool]:
    """The verdict on a deviation with its 95 % half-width, and whether it was a close call.

    Where a boundary lies inside the interval the better level is given if the half-width is at
    most the in-tune tolerance (a close call); a wider interval that straddles is "unsure".
    """

    def rounded_distance(value: float) -> float:
        return round(abs(distance_to_span(value, span)), 1)

    cents, half = round(cents, 1), round(uncertainty_cents, 1)
    ends = (rounded_distance(cents - half), rounded_distance(cents + half))
    crosses = (cents - half <= span[1]) and (cents + half >= span[0])
    best = tolerance.level(0.0 if crosses else min(ends))
    if best == tolerance.level(max(ends)):
        return best, False
    if half <= tolerance.in_tune:
        return best, True
    return "unsure", False


def hear_a(notes: list[dict[str, Any]], a_settled_s: float | None) -> HeardA | None:
    """The sounded A among a take's reference tones: the last one before the A string was set.

    Where all of them came later, the first one; tones that are no A are left out.
    """
    tones = []
    for note in notes:
        if note["kind"] != "reference_tone" or not note.get("f0_hz"):
            continue
        cents = pitch.cents_between(note["f0_hz"], pitch.A4_HZ)
        folded = cents - 1200 * round(cents / 1200)
        if abs(folded) <= A_REACH_CENTS:
            half = note.get("uncertainty_cents")
            tones.append(
                HeardA(folded, TONE_UNCERTAINTY_CENTS if half is None else half, note["start_s"])
            )
    if not tones:
        return None
    tones.sort(key=lambda tone: tone.at_s)
    before = [tone for tone in tones if a_settled_s is not None and tone.at_s < a_settled_s]
    return before[-1] if before else tones[0]


def tone_of(measured: dict[str, Any], frame: Frame) -> HeardA | None:
    """The A that was sounded in a measured take, whatever the assignment's method."""
    a_string = measured["strings"].get(frame.a_string) or {}
    settled_s = a_string.get("settled_s")
    return hear_a(measured["notes"], a_string.get("at_s") if settled_s is None else settled_s)


def judge_strings(measured: dict[str, Any], frame: Frame) -> dict[str, Judgement]:
    """The judgement on every string of a measured take, by the assignment's method."""
    strings = measured["strings"]
    a_name = frame.a_string
    tone = tone_of(measured, frame) if frame.method == "by_ear" else None
    judgements = {}
    for name in frame.instrument.strings:
        string = strings.get(name)
        unknown = _unknown(string)
        if unknown is not None or string is None:
            judgements[name] = unknown or Judgement("not_heard")
        elif frame.method == "string_to_string" and name != a_name:
            judgements[name] = _judge_interval(name, measured, frame)
        elif frame.method == "by_ear" and tone is not None:
            judgements[name] = _judge_from(
                name, string, frame, tone.cents, tone.uncertainty_cents, "reference_tone"
            )
        elif frame.method == "by_ear" and name != a_name:
            own = strings.get(a_name)
            if own is None or _unknown(own) is not None:
                judgements[name] = Judgement("unsure", reason="no_a", at_s=string.get("at_s"))
            else:
                judgements[name] = _judge_from(
                    name, string, frame, own["deviation_cents"], own["uncertainty_cents"], "own_a"
                )
        else:
            judgements[name] = _judge_from(name, string, frame, frame.a_cents, 0.0, "assignment")
    return judgements


def _unknown(string: dict[str, Any] | None) -> Judgement | None:
    """The judgement on a string whose pitch is not known, or None when it is."""
    if string is None or string["heard"] == "not_heard":
        return Judgement("not_heard")
    known = string["deviation_cents"] is not None and string["uncertainty_cents"] is not None
    if string["heard"] == "unsure" or not known:
        return Judgement("unsure", reason="string", at_s=string.get("at_s"))
    if min(abs(string.get("slipped_cents") or 0.0), abs(string["deviation_cents"])) > FELL_CENTS:
        return Judgement("unsure", reason="fell", at_s=string.get("at_s"))
    return None


def _judge_from(
    name: str,
    string: dict[str, Any],
    frame: Frame,
    a_cents: float,
    a_uncertainty_cents: float,
    against: str,
) -> Judgement:
    """The judgement on a string counted from an A at `a_cents` from 440 Hz."""
    cents = string["deviation_cents"] - a_cents
    half = math.hypot(string["uncertainty_cents"], a_uncertainty_cents)
    pure = frame.pure_cents(name)
    span = (min(0.0, pure), max(0.0, pure))
    target = pure if frame.temperament == "pure" else 0.0
    return _state(
        name,
        cents,
        half,
        span,
        frame,
        against=against,
        target=target,
        at_s=string.get("at_s"),
        zero_cents=a_cents - frame.shift(name),
    )


def _state(
    name: str,
    cents: float,
    half: float,
    span: tuple[float, float],
    frame: Frame,
    *,
    against: str,
    at_s: float | None,
    zero_cents: float,
    target: float = 0.0,
    neighbour: str | None = None,
) -> Judgement:
    """The judgement on `cents` against a span; `zero_cents` is where they are counted from, in
    the record's cents."""
    verdict, close_call = judge(cents, half, span, frame.tolerances[name])
    return Judgement(
        verdict,
        cents=round(distance_to_span(round(cents, 1), span), 1),
        off_cents=round(cents - target, 1),
        uncertainty_cents=round(half, 1),
        close_call=close_call,
        against=against,
        neighbour=neighbour,
        reason="wide" if verdict == "unsure" else None,
        at_s=at_s,
        home_cents=(span[0] + zero_cents, span[1] + zero_cents),
        zero_cents=target + zero_cents,
    )


def neighbour_of(name: str, frame: Frame) -> str:
    """The neighbour of `name` on the A string's side."""
    names = frame.instrument.strings
    place, a_place = names.index(name), names.index(frame.a_string)
    return names[place + (1 if place < a_place else -1)]


def _judge_interval(name: str, measured: dict[str, Any], frame: Frame) -> Judgement:
    """The judgement on a string by the pure interval to its neighbour on A's side.

    The two sounded together after both were set decide; where they were not, the two pitches do.
    Positive cents: the string stands too high for a pure interval.
    """
    strings, other = measured["strings"], neighbour_of(name, frame)
    string, beside = strings[name], strings.get(other)
    if beside is None or _unknown(beside) is not None:
        alone = None
    else:
        expected = frame.pure_cents(name) - frame.pure_cents(other)
        alone = (
            string["deviation_cents"] - beside["deviation_cents"] - expected,
            math.hypot(string["uncertainty_cents"], beside["uncertainty_cents"]),
        )
    together = _sounded_together(name, other, measured, frame)
    if together is None and alone is None:
        return Judgement(
            "unsure",
            against="neighbour",
            neighbour=other,
            reason="no_neighbour",
            at_s=string.get("at_s"),
        )
    if together is not None and alone is not None:
        apart = abs(together[0] - alone[0])
        if apart > max(CONTRADICTION_CENTS, math.hypot(together[1], alone[1])):
            return Judgement(
                "unsure",
                against="neighbour",
                neighbour=other,
                reason="contradiction",
                at_s=together[2],
            )
    if together is not None:
        cents, half, at_s = together
    else:
        assert alone is not None
        cents, half, at_s = *alone, string.get("at_s")
    return _state(
        name,
        cents,
        half,
        (0.0, 0.0),
        frame,
        against="neighbour",
        neighbour=other,
        at_s=at_s,
        zero_cents=string["deviation_cents"] - cents - frame.shift(name),
    )


def _sounded_together(
    name: str, other: str, measured: dict[str, Any], frame: Frame
) -> tuple[float, float, float] | None:
    """The last two-string note of a pair after both were set: (cents, half-width, second).

    None for a pair that does not stand in the instrument's interval (a low C beside E).
    """
    if abs(pitch.semitone(name) - pitch.semitone(other)) != frame.instrument.interval:
        return None
    strings = measured["strings"]
    set_s = max((strings.get(s) or {}).get("settled_s") or 0.0 for s in (name, other))
    found = [
        interval
        for interval in measured.get("intervals") or []
        if {interval["string"], interval["string_2"]} == {name, other}
        and interval["at_s"] >= set_s
        and interval.get("uncertainty_cents") is not None
    ]
    if not found:
        return None
    last = max(found, key=lambda interval: interval["at_s"])
    wide = last[
        "interval_cents"
    ]  # against the pure interval (pegmark.measure.tuning.read_interval)
    return (wide if name == last["string"] else -wide), last["uncertainty_cents"], last["at_s"]
