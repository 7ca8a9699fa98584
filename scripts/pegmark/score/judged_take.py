"""From a measured take to a judged one, in the record's form.

Deviations are moved to the assignment's reference; turns are weighed; what a string did by itself
is told from what was done to it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from pegmark.score import turns
from pegmark.score.feedback import Voice
from pegmark.score.finding import Take
from pegmark.score.reference import frame_of
from pegmark.score.slips import as_set, slips_left
from pegmark.score.turns import Sounded
from pegmark.score.verdicts import Judgement, deciding_half, judge_strings
from pegmark.trade.targets import Frame

if TYPE_CHECKING:
    from pegmark.records.take import Measured

Record = dict[str, Any]

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


def judge_take(ticket: dict[str, Any], measured: Record) -> Take:
    """A measured take moved to the assignment's reference and judged."""
    slips = slips_left(cast("Measured", measured))
    frame, heard_a, tone = frame_of(ticket, as_set(cast("Measured", measured), slips))
    unheard_a = ticket["reference"].get("unheard_a", "open")
    judgements = judge_strings(cast("Measured", measured), frame, heard_a, unheard_a)
    sounded = _sounded(measured, frame)
    strings = {
        name: _string(measured["strings"].get(name) or {}, judgements[name], sounded[name], frame)
        for name in frame.instrument.strings
    }
    last_turn_s = turns.last_turn_s(strings.values())
    for name, string in strings.items():
        others = [m for other in strings for m in strings[other]["moves"] if other != name]
        told = (measured["strings"].get(name) or {}).get("changes")
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


def _shifted(change: Record, shift: float) -> Record:
    """A change that the measuring told, against the assignment's reference."""
    cents = {key: change[key] - shift for key in ("from_cents", "to_cents")}
    return {**{key: change[key] for key in ("start_s", "end_s", "cause")}, **cents}


def _rank(strings: dict[str, Record]) -> list[str]:
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


def _sounded(measured: Record, frame: Frame) -> dict[str, Sounded]:
    """The notes that bear on each string, in order of time; cents are the record's."""
    notes = sorted(measured["notes"], key=lambda note: (note["start_s"], note["end_s"]))
    notes = [
        {**note, "deviation_cents": _less(note.get("deviation_cents"), frame.shift(note["string"]))}
        if note["string"] in frame.instrument.strings
        else note
        for note in notes
    ]
    in_tune = {name: tolerance.in_tune for name, tolerance in frame.tolerances.items()}
    clear = turns.clear_notes(notes, measured["speech"], in_tune)
    nameless = [note for note in notes if _is_unnamed(note)]
    return {
        name: turns.sounded_of(name, notes, clear, nameless, measured["speech"])
        for name in frame.instrument.strings
    }


def _is_unnamed(note: Record) -> bool:
    """Whether a note may be any string: it has no name, and that it is none is not sure."""
    may_be_string = note["kind"] in ("plucked", "bowed", "two_strings")
    none = note.get("string_odds")
    return (
        may_be_string and note["string"] is None and (none is None or none < NO_STRING_PROBABILITY)
    )


def _string(measured: Record, judgement: Judgement, sounded: Sounded, frame: Frame) -> Record:
    """One string in the record's form: deviations against the assignment's reference."""
    name = sounded.name
    shift = frame.shift(name)
    string: Record = {f: measured.get(f) for f in STRING_FIELDS}
    string["target_hz"] = frame.target_hz(name)
    string["heard"] = measured.get("heard", "not_heard")
    string["notes"] = measured.get("notes") or 0
    string["deviation_cents"] = _less(string["deviation_cents"], shift)
    string["start_cents"] = _less(string["start_cents"], shift)
    moves = [
        {
            **{key: move[key] for key in ("start_s", "end_s", "sounding")},
            "uncertainty_cents": move.get("uncertainty_cents"),
            "from_cents": move["from_cents"] - shift,
            "to_cents": move["to_cents"] - shift,
        }
        for move in (measured.get("moves") or [] if string["heard"] != "not_heard" else [])
    ]
    moves = string["moves"] = turns.weigh_moves(moves, sounded)
    settled_s = string["settled_s"]
    home = judgement.home_cents or frame.span(name)
    return {
        **string,
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
            "before_slip": judgement.before_slip,
        },
        **turns.summary(moves, home, frame.tolerances[name].in_tune),
        "settle_s": settled_s - moves[0]["start_s"] if moves and settled_s is not None else None,
    }


def _note(note: Record, frame: Frame) -> Record:
    """One note in the record's form."""
    shift = frame.shift(note["string"]) if note["string"] in frame.instrument.strings else 0.0
    return {
        **{key: note.get(key) for key in NOTE_FIELDS},
        "deviation_cents": _less(note.get("deviation_cents"), shift),
        "track": [[at_s, _less(cents, shift)] for at_s, cents in note.get("track") or []],
        **{key: note[key] for key in OPTIONAL_NOTE_FIELDS if key in note},
    }


def _less(cents: float | None, shift: float) -> float | None:
    return None if cents is None else cents - shift


def fill_in(record: Record, take: Take, measured: Record) -> None:
    """What was measured, in the record's form."""
    recording = measured["recording"]
    record["recording"] = {
        **{key: recording.get(key) for key in RECORDING_FIELDS[:5]},
        **{key: recording[key] for key in RECORDING_FIELDS[5:] if key in recording},
    }
    record["notes"] = take.notes
    record["speech"] = [{k: s[k] for k in ("start_s", "end_s")} for s in measured["speech"]]
    record["strings"] = take.strings
    record["order"] = take.order
    record["reference"]["a4_hz"] = take.frame.a4_hz
    record["last_turn_s"] = take.last_turn_s
    record["intervals"] = take.intervals
    record["tolerances"] = {
        name: {"in_tune_cents": tolerance.in_tune, "close_cents": tolerance.close}
        for name, tolerance in take.frame.tolerances.items()
    }
