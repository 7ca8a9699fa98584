"""From measured pitches to verdicts: reference, targets, tolerances, and the benefit of the doubt.

Conventions
-----------
Measured deviations stand against equal temperament at A4 = 440 Hz. Here they are moved to the
assignment's reference (`shift`) and judged (`judge_strings`). A string is judged by its distance
to the span between its equal-tempered and its pure target: 0 anywhere inside, so that neither way
of tuning is a fault. What the span is counted from depends on the assignment's method:

    tuner             the assignment's A
    by_ear            the A that was sounded; where none is in the recording, A itself is open
                      (unless the assignment says that its own A counts then) and the other strings
                      are counted from the student's own A
    string_to_string  A against the assignment's A, every other string by the pure interval to its
                      neighbour on A's side

Deviations and half-widths are rounded to a tenth of a cent before a verdict, so that the number
on the sheet is the number that was judged. A value on a boundary belongs to the better level.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

from pegmark.score.reference import HeardA
from pegmark.score.slips import as_set, slips_left
from pegmark.trade import pitch
from pegmark.trade.targets import Frame, distance_to_span
from pegmark.trade.tolerances import LEVELS, Tolerance

if TYPE_CHECKING:
    from pegmark.records.student import Against, Reason
    from pegmark.records.take import Measured, MeasuredNote, MeasuredString
    from pegmark.records.values import Verdict

# Two strings sounded together and the same two alone may differ by this much and still agree
# (a bow on two strings presses differently; common practice, no source).
CONTRADICTION_CENTS = 5.0
# A string that fell further than this by itself, and was left there, may as well be another sound
# taken for it: a person listens (common practice, no source).
FELL_CENTS = 100.0
# A string that stands further than a whole tone from the others was not left so by somebody who
# tuned it: it is another sound or another instrument's string (common practice, no source).
OTHER_SOUND_CENTS = 200.0
FAR_FROM_STRINGS = 2  # so many others say where the instrument stands


@dataclass(frozen=True)
class Judgement:
    """How one string is judged.

    `cents` is its signed distance to where it may stand, 0 inside; `off_cents` how far it stands
    from its target (what sentences say: the number of the record where the assignment's A counts).
    `home_cents` is where it may stand, (low, high), and `zero_cents` what `off_cents` is counted
    from, both in the record's cents; None where unknown. `passage` is where the string (or the two
    together) can be listened to, `beside` the neighbour where the two were sounded apart.
    `before_slip` is the better verdict that it would have had if no string had slipped and been
    left so, None where that changes nothing.
    """

    verdict: Verdict
    cents: float | None = None
    off_cents: float | None = None
    uncertainty_cents: float | None = None
    close_call: bool = False
    against: Against = "assignment"
    neighbour: str | None = None
    reason: Reason | None = None  # why unsure
    at_s: float | None = None
    passage: tuple[float, float] | None = None
    beside: tuple[float, float] | None = None
    before_slip: Verdict | None = None
    home_cents: tuple[float, float] | None = None
    zero_cents: float | None = None


def judge(
    cents: float, uncertainty_cents: float, span: tuple[float, float], tolerance: Tolerance
) -> tuple[Verdict, bool]:
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


def judge_strings(
    measured: Measured, frame: Frame, heard_a: HeardA | None, unheard_a: str = "open"
) -> dict[str, Judgement]:
    """The judgement on every string of a measured take, by the assignment's method.

    heard_a : the sounded A that counts. unheard_a : what the A string is judged by where the
    method is by_ear and no A was heard: "open" nothing, "reference" the assignment's A.
    """
    judged = _judge_all(measured, frame, heard_a, unheard_a)
    slips = slips_left(measured)
    if not slips:
        return judged
    before = _judge_all(as_set(measured, slips), frame, heard_a, unheard_a)
    return {name: _beside_as_set(one, before[name]) for name, one in judged.items()}


def _beside_as_set(left: Judgement, was: Judgement) -> Judgement:
    """The judgement on a string as it was left, with the better one on how it was set."""
    if not {left.verdict, was.verdict} <= set(LEVELS):
        return left
    better = LEVELS.index(was.verdict) < LEVELS.index(left.verdict)
    return replace(left, before_slip=was.verdict) if better else left


def _judge_all(
    measured: Measured, frame: Frame, heard_a: HeardA | None, unheard_a: str
) -> dict[str, Judgement]:
    judgements = {
        name: _judge_string(name, measured, frame, heard_a, unheard_a)
        for name in frame.instrument.strings
    }
    if frame.method == "string_to_string":
        return {
            name: _one_fault_once(name, one, judgements, measured, frame, heard_a)
            for name, one in judgements.items()
        }
    return judgements


def _judge_string(
    name: str,
    measured: Measured,
    frame: Frame,
    heard_a: HeardA | None,
    unheard_a: str,
) -> Judgement:
    string, a_name = measured["strings"].get(name), frame.a_string
    unknown = _unknown(name, measured)
    if unknown is not None or string is None:
        return unknown or Judgement("not_heard")
    if frame.method == "string_to_string" and name != a_name:
        return _judge_interval(name, measured, frame)
    if heard_a is not None or frame.method != "by_ear":
        return _judge_counted(name, string, frame, heard_a)
    if name != a_name:
        own = measured["strings"].get(a_name)
        if own is None or _unknown(a_name, measured) is not None:
            return Judgement("unsure", reason="no_a", **_where(string))
        return _judge_from_own(name, string, frame, own)
    if unheard_a == "reference":
        return _judge_counted(name, string, frame, None)
    return Judgement("unsure", reason="no_a_sounded", **_where(string))


def _judge_counted(
    name: str, string: MeasuredString, frame: Frame, heard_a: HeardA | None
) -> Judgement:
    """The judgement on a string counted from the sounded A, or from the assignment's."""
    if heard_a is None:
        return _judge_from(name, string, frame, frame.a_cents, 0.0, "assignment")
    half = heard_a.uncertainty_cents
    return _judge_from(name, string, frame, heard_a.cents, half, "reference_tone")


def deciding_half(string: MeasuredString) -> float:
    """The half-width that decides: what a student left out afterwards is not in it."""
    own = string.get("deciding_uncertainty_cents")
    half = string["uncertainty_cents"] if own is None else own
    return math.inf if half is None else half


def _known_cents(string: MeasuredString) -> float:
    """The deviation of a string whose pitch is known (see `_unknown`)."""
    cents = string["deviation_cents"]
    assert cents is not None
    return cents


def _where(string: MeasuredString) -> dict[str, Any]:
    """Where a string can be listened to."""
    note = string.get("deciding")
    passage = (note["start_s"], note["end_s"]) if note else None
    return {"at_s": string.get("at_s"), "passage": passage}


def _judge_from_own(
    name: str, string: MeasuredString, frame: Frame, own: MeasuredString
) -> Judgement:
    """The judgement on a string counted from the student's own A, where no A was heard.

    That A may itself be off by what is in tune: what it alone makes worse loses nothing in silence.
    """
    own_cents, half = _known_cents(own), deciding_half(own)
    judged = _judge_from(name, string, frame, own_cents, half, "own_a")
    if judged.verdict not in LEVELS[1:]:
        return judged
    reach = frame.tolerances[frame.a_string].in_tune
    others = [
        _judge_from(name, string, frame, own_cents + way, half, "own_a") for way in (-reach, reach)
    ]
    better = LEVELS[: LEVELS.index(judged.verdict)]
    if any(other.verdict in better for other in others):
        return Judgement("unsure", reason="no_a", **_where(string))
    return judged


def _unknown(name: str, measured: Measured) -> Judgement | None:
    """The judgement on a string whose pitch is not known, or None when it is."""
    string = measured["strings"].get(name)
    if string is None or string["heard"] == "not_heard":
        return Judgement("not_heard")
    cents = string["deviation_cents"]
    if string["heard"] == "unsure" or cents is None or string["uncertainty_cents"] is None:
        return Judgement("unsure", reason="string", **_where(string))
    if min(abs(string.get("slipped_cents") or 0.0), abs(cents)) > FELL_CENTS:
        return Judgement("unsure", reason="fell", **_where(string))
    beside = _from_others(name, measured)
    if beside is not None and abs(beside) > OTHER_SOUND_CENTS:
        return Judgement("unsure", reason="far", off_cents=round(beside, 1), **_where(string))
    return None


def _from_others(name: str, measured: Measured) -> float | None:
    """How far a string stands from the middle of the others in cents; None where few are known."""
    known = {
        one: string["deviation_cents"]
        for one, string in measured["strings"].items()
        if string["heard"] == "heard" and string["deviation_cents"] is not None
    }
    own = known.pop(name, None)
    if own is None or len(known) < FAR_FROM_STRINGS:
        return None
    return own - statistics.median(known.values())


def _judge_from(
    name: str,
    string: MeasuredString,
    frame: Frame,
    a_cents: float,
    a_uncertainty_cents: float,
    against: Against,
) -> Judgement:
    """The judgement on a string counted from an A at `a_cents` from 440 Hz."""
    half = math.hypot(deciding_half(string), a_uncertainty_cents)
    pure = frame.pure_cents(name)
    span = (min(0.0, pure), max(0.0, pure))
    return _state(
        name,
        _known_cents(string) - a_cents,
        half,
        span,
        frame,
        against=against,
        target=pure if frame.temperament == "pure" else 0.0,
        zero_cents=a_cents - frame.shift(name),
        **_where(string),
    )


def _state(
    name: str,
    cents: float,
    half: float,
    span: tuple[float, float],
    frame: Frame,
    *,
    against: Against,
    at_s: float | None,
    passage: tuple[float, float] | None,
    zero_cents: float,
    target: float = 0.0,
    neighbour: str | None = None,
    beside: tuple[float, float] | None = None,
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
        passage=passage,
        beside=beside,
        home_cents=(span[0] + zero_cents, span[1] + zero_cents),
        zero_cents=target + zero_cents,
    )


def neighbour_of(name: str, frame: Frame) -> str:
    """The neighbour of `name` on the A string's side."""
    names = frame.instrument.strings
    place, a_place = names.index(name), names.index(frame.a_string)
    return names[place + (1 if place < a_place else -1)]


def _one_fault_once(
    name: str,
    judged: Judgement,
    judgements: dict[str, Judgement],
    measured: Measured,
    frame: Frame,
    heard_a: HeardA | None,
) -> Judgement:
    """The judgement on a string whose interval is out because its neighbour is.

    Where both intervals of a string are out, its own fault costs it once: the string on its far
    side is judged by its pitch if that is the better.
    """
    beside = judgements.get(judged.neighbour or "")
    if beside is None or not {judged.verdict, beside.verdict} <= {"close", "out"}:
        return judged
    alone = _judge_counted(name, measured["strings"][name], frame, heard_a)
    better = LEVELS[: LEVELS.index(judged.verdict)]
    return alone if alone.verdict in better else judged


def _judge_interval(name: str, measured: Measured, frame: Frame) -> Judgement:
    """The judgement on a string by the pure interval to its neighbour on A's side.

    The two sounded together after both were set decide; where they were not, the two pitches do.
    Positive cents: the string stands too high for a pure interval.
    """
    strings, other = measured["strings"], neighbour_of(name, frame)
    string, beside = strings[name], strings.get(other)
    alone = None
    if beside is not None and _unknown(other, measured) is None:
        expected = frame.pure_cents(name) - frame.pure_cents(other)
        alone = (
            _known_cents(string) - _known_cents(beside) - expected,
            math.hypot(deciding_half(string), deciding_half(beside)),
        )
    together = _sounded_together(name, other, measured, frame)
    if together is None and alone is None:
        why = {"reason": "no_neighbour", **_where(string)}
        return Judgement("unsure", against="neighbour", neighbour=other, **why)
    if together is not None and alone is not None:
        apart = abs(together.cents - alone[0])
        if apart > max(CONTRADICTION_CENTS, math.hypot(together.half, alone[1])):
            why = {"reason": "contradiction", "at_s": together.at_s, "passage": together.passage}
            return Judgement("unsure", against="neighbour", neighbour=other, **why)
    if together is not None:
        cents, half = together.cents, together.half
        where: dict[str, Any] = {"at_s": together.at_s, "passage": together.passage}
    else:
        assert alone is not None
        assert beside is not None
        cents, half = alone
        where = {**_where(string), "beside": _where(beside)["passage"]}
    return _state(
        name,
        cents,
        half,
        (0.0, 0.0),
        frame,
        against="neighbour",
        neighbour=other,
        zero_cents=_known_cents(string) - cents - frame.shift(name),
        **where,
    )


class _Together(NamedTuple):
    """Two strings sounded together: how wide of pure, how surely, and where."""

    cents: float
    half: float
    at_s: float
    passage: tuple[float, float] | None


def _sounded_together(name: str, other: str, measured: Measured, frame: Frame) -> _Together | None:
    """The last two-string note of a pair after both were set.

    None for a pair that does not stand in the instrument's interval (a low C beside E).
    """
    if abs(pitch.semitone(name) - pitch.semitone(other)) != frame.instrument.interval:
        return None
    strings = measured["strings"]
    set_s = max(strings[s]["settled_s"] or 0.0 for s in (name, other) if s in strings)
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
    # against the pure interval (pegmark.measure.tuning.read_interval)
    wide = last["interval_cents"] if name == last["string"] else -last["interval_cents"]
    passage = _two_strings(last["at_s"], measured["notes"])
    return _Together(wide, last["uncertainty_cents"] or 0.0, last["at_s"], passage)


def _two_strings(at_s: float, notes: list[MeasuredNote]) -> tuple[float, float] | None:
    """The note of two strings that begins at a second."""
    ends = (n["end_s"] for n in notes if n["kind"] == "two_strings" and n["start_s"] == at_s)
    return next(((at_s, end_s) for end_s in ends), None)
