"""From a measured take to a judged one, in the record's form.

Deviations are moved to the assignment's reference; turns are weighed; what a string did by itself
is told from what was done to it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, cast

from pegmark.score import turns
from pegmark.score.feedback import Voice
from pegmark.score.finding import Take
from pegmark.score.reference import frame_of
from pegmark.score.slips import as_set, slips_left
from pegmark.score.turns import Sounded
from pegmark.score.verdicts import Judgement, deciding_half, judge_strings
from pegmark.trade.targets import Frame

if TYPE_CHECKING:
    from pegmark.records import student, take
    from pegmark.records.student import Record, StudentNote, StudentString
    from pegmark.records.take import Measured, MeasuredMove, MeasuredNote, MeasuredString
    from pegmark.records.tickets import ScoreTicket

# A note without a name and that is one of no string with more than this probability is none.
NO_STRING_PROBABILITY = 0.95
RECORDING_FIELDS = (
    "snr_db", "clipped_fraction", "speed_error_cents", "low_cut_hz", "gated", "hum_hz", "pumping",
    "level_dbfs",
)  # fmt: skip
NOTE_FIELDS = (
    "start_s", "end_s", "kind", "string", "f0_hz", "deviation_cents", "uncertainty_cents",
    "attack_drift_cents", "role", "track",
)  # fmt: skip
OPTIONAL_NOTE_FIELDS = ("string_2", "f0_2_hz", "interval_cents", "beats_hz")
STRING_FIELDS = (
    "f0_hz", "deviation_cents", "uncertainty_cents", "kind", "at_s", "notes", "heard",
    "start_cents", "tuned_as", "moves", "largest_move_cents", "slipped_cents", "drift_cents",
    "settled_s", "checked_s", "deciding",
)  # fmt: skip


def judge_take(ticket: ScoreTicket, measured: Measured) -> Take:
    """A measured take moved to the assignment's reference and judged."""
    slips = slips_left(measured)
    frame, heard_a, tone = frame_of(ticket, as_set(measured, slips))
    unheard_a = ticket["reference"].get("unheard_a", "open")
    judgements = judge_strings(measured, frame, heard_a, unheard_a)
    sounded = _sounded(measured, frame)
    strings = {
        name: _string(measured["strings"].get(name), judgements[name], sounded[name], frame)
        for name in frame.instrument.strings
    }
    last_turn_s = turns.last_turn_s(strings.values())
    for name, string in strings.items():
        others = [m for other in strings for m in strings[other]["moves"] if other != name]
        measured_string = measured["strings"].get(name)
        told = measured_string.get("changes") if measured_string else None
        string["own_changes"] = (
            turns.own_changes(string, sounded[name], others)
            if told is None
            else [_shifted(change, frame.shift(name)) for change in told]
        )
        turns.mark_repairs(string["moves"], string["own_changes"])
        string["checked_s"] = turns.checked_s(sounded[name], last_turn_s)
    return Take(
        frame=frame,
        judgements=judgements,
        strings=strings,
        notes=[_note(note, frame) for note in measured["notes"]],
        intervals=list(measured.get("intervals") or []),
        order=_rank(strings),
        last_turn_s=last_turn_s,
        voice=Voice(ticket["sentences"]),
        sounded=sounded,
        tone=tone,
        heard_a=heard_a,
        slips=slips,
        halves={
            name: deciding_half(measured["strings"][name])
            for name in strings
            if name in measured["strings"]
        },
    )


def _shifted(change: take.OwnChange, shift: float) -> student.OwnChange:
    """A change that the measuring told, against the assignment's reference."""
    return {
        "start_s": change["start_s"],
        "end_s": change["end_s"],
        "cause": change["cause"],
        "from_cents": change["from_cents"] - shift,
        "to_cents": change["to_cents"] - shift,
    }


def _rank(strings: dict[str, StudentString]) -> list[str]:
    """The strings by their first sure turns, and each one's place ("tuned_as") set to match."""
    starts = {
        name: move["start_s"]
        for name, string in strings.items()
        for move in reversed(string["moves"])
        if move["sure"]
    }
    order = sorted(starts, key=lambda name: starts[name])
    for name, string in strings.items():
        string["tuned_as"] = order.index(name) + 1 if name in starts else None
    return order


def _sounded(measured: Measured, frame: Frame) -> dict[str, Sounded]:
    """The notes that bear on each string, in order of time; cents are the record's."""
    in_order = sorted(measured["notes"], key=lambda note: (note["start_s"], note["end_s"]))
    notes: list[MeasuredNote] = [
        {**note, "deviation_cents": _less(note.get("deviation_cents"), _shift(note, frame))}
        for note in in_order
    ]
    in_tune = {name: tolerance.in_tune for name, tolerance in frame.tolerances.items()}
    clear = turns.clear_notes(notes, measured["speech"], in_tune)
    nameless = [note for note in notes if _is_unnamed(note)]
    return {
        name: turns.sounded_of(name, notes, clear, nameless, measured["speech"])
        for name in frame.instrument.strings
    }


def _shift(note: MeasuredNote, frame: Frame) -> float:
    """What a note's deviation is less against the assignment's reference, in cents."""
    name = note["string"]
    return frame.shift(name) if name in frame.instrument.strings else 0.0


def _is_unnamed(note: MeasuredNote) -> bool:
    """Whether a note may be any string: it has no name, and that it is none is not sure."""
    may_be_string = note["kind"] in ("plucked", "bowed", "two_strings")
    none = note.get("string_odds")
    return (
        may_be_string and note["string"] is None and (none is None or none < NO_STRING_PROBABILITY)
    )


def _string(
    measured: MeasuredString | None, judgement: Judgement, sounded: Sounded, frame: Frame
) -> StudentString:
    """One string in the record's form: deviations against the assignment's reference."""
    name = sounded.name
    shift = frame.shift(name)
    known = measured or cast("MeasuredString", {})
    copied = cast("StudentString", {f: known.get(f) for f in STRING_FIELDS})
    heard = known.get("heard", "not_heard")
    shifted: list[MeasuredMove] = [
        {
            **move,
            "from_cents": move["from_cents"] - shift,
            "to_cents": move["to_cents"] - shift,
        }
        for move in (known.get("moves") or [] if heard != "not_heard" else [])
    ]
    moves = turns.weigh_moves(shifted, sounded)
    settled_s = copied["settled_s"]
    home = judgement.home_cents or frame.span(name)
    return {
        **copied,
        "target_hz": frame.target_hz(name),
        "heard": heard,
        "notes": known.get("notes") or 0,
        "deviation_cents": _less(copied["deviation_cents"], shift),
        "start_cents": _less(copied["start_cents"], shift),
        "moves": moves,
        "home_cents": list(home),
        "zero_cents": judgement.zero_cents or 0.0,
        "verdict": judgement.verdict,
        "close_call": judgement.close_call,
        "judged": {
            "against": judgement.against,
            "cents": judgement.cents,
            "off_cents": judgement.off_cents,
            "uncertainty_cents": judgement.uncertainty_cents,
            "neighbour": judgement.neighbour,
            "reason": judgement.reason,
            "before_slip": cast("Literal['in_tune', 'close'] | None", judgement.before_slip),
        },
        **turns.summary(moves, home, frame.tolerances[name].in_tune),
        "settle_s": settled_s - moves[0]["start_s"] if moves and settled_s is not None else None,
    }


def _note(note: MeasuredNote, frame: Frame) -> StudentNote:
    """One note in the record's form."""
    shift = _shift(note, frame)
    kept = {key: note.get(key) for key in NOTE_FIELDS}
    kept |= {key: note.get(key) for key in OPTIONAL_NOTE_FIELDS if key in note}
    return {
        **cast("StudentNote", kept),
        "deviation_cents": _less(note.get("deviation_cents"), shift),
        "track": [(at_s, _less(cents, shift)) for at_s, cents in note.get("track") or []],
    }


def _less(cents: float | None, shift: float) -> float | None:
    return None if cents is None else cents - shift


def fill_in(record: Record, judged: Take, measured: Measured) -> None:
    """What was measured, in the record's form."""
    recording = measured["recording"] or cast("take.MeasuredRecording", {})
    kept = {key: recording.get(key) for key in RECORDING_FIELDS[:5]}
    kept |= {key: recording.get(key) for key in RECORDING_FIELDS[5:] if key in recording}
    record["recording"] = cast("student.RecordingQuality", kept)
    record["notes"] = judged.notes
    record["speech"] = [{"start_s": s["start_s"], "end_s": s["end_s"]} for s in measured["speech"]]
    record["strings"] = judged.strings
    record["order"] = judged.order
    record["reference"]["a4_hz"] = judged.frame.a4_hz
    record["last_turn_s"] = judged.last_turn_s
    record["intervals"] = judged.intervals
    record["tolerances"] = {
        name: {"in_tune_cents": tolerance.in_tune, "close_cents": tolerance.close}
        for name, tolerance in judged.frame.tolerances.items()
    }
