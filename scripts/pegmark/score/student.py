"""From a measured take to the record: points with their evidence, the teacher's marks on top.

`score_student` makes the whole record of one student (workflow/schemas/record.schema.json) from
the score ticket, the measured takes and the facts of their containers. The order of the takes
does not matter, and the same inputs give the same record.

Conventions
-----------
A criterion is decided by "measured", by "teacher" (her points always win), or still "open". The
points of an open criterion are those that are sure so far (null where none are); the rest is in
its `open`. The score's total adds what is sure, its `open` what is not. Problems name the
criteria they concern; the status is "needs_listening" as long as one of them waits.
"""

from __future__ import annotations

import math
from typing import Any

from pegmark.files.store import rounded
from pegmark.score import criteria, review_reasons, turns
from pegmark.score.criteria import Take
from pegmark.score.feedback import Voice, next_step
from pegmark.score.observations import observe
from pegmark.score.review_reasons import Doubt
from pegmark.score.turns import Sounded
from pegmark.score.verdicts import Judgement, judge_strings, tone_of
from pegmark.settings.rubric import TEACHER, title_of
from pegmark.trade.instruments import Instrument
from pegmark.trade.targets import Frame
from pegmark.trade.tolerances import resolve_tolerances

SCHEMA_VERSION = 1
Record = dict[str, Any]

# Below, onsets are missed (design, section 6: finding notes fails from 10 dB down).
NOISY_SNR_DB = 10.0
# A note without a name and with surer odds than this is no string at all (pegmark.measure.tuning).
NO_STRING_ODDS = 0.95
# A phone's clock is off by 0.17 cents at 100 ppm (design, section 5): more than this is a fault.
SPEED_CENTS = 1.0

UNDECIDED = "take_undecided"  # what the intake says where nothing tells the latest take

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


def score_student(
    ticket: dict[str, Any], measured: dict[str, Record], facts: dict[str, Record]
) -> Record:
    """The record of one student.

    Parameters
    ----------
    ticket : tickets/score/<student_id>.json
    measured : take id -> measured/<take>.json; a take that is not there could not be measured
    facts : take id -> decoded/<take>.json
    """
    takes = sorted(ticket["takes"], key=_handed_in)
    if ticket["state"] != "received" or not takes:
        state = "excused" if ticket["state"] == "excused" else "missing"
        return _finish(_blank(ticket, state), ticket)
    if ticket["policy"] != "best":
        return _score_latest(ticket, takes, measured, facts)
    records = [_score_take(ticket, t, measured.get(t["take"]), facts.get(t["take"])) for t in takes]
    chosen = max(range(len(takes)), key=lambda i: _goodness(records[i], i))
    record = records[chosen]
    others = [i for i in range(len(takes)) if i != chosen]
    record["problems"] += _better_elsewhere(record, [(takes[i], records[i]) for i in others])
    record["other_takes"] = [
        *(_as_other(takes[i]) for i in others),
        *_by_file(ticket["other_takes"]),
    ]
    return _finish(record, ticket)


def _score_latest(
    ticket: dict[str, Any],
    takes: list[Record],
    measured: dict[str, Record],
    facts: dict[str, Record],
) -> Record:
    """The record of the latest take, or of the latest before it in which anything is heard."""
    ordered = [*ticket.get("spare_takes", ()), *takes]
    heard = [t for t in ordered if _is_heard(measured.get(t["take"]), facts.get(t["take"]))]
    chosen = takes[-1] if takes[-1] in heard or not heard else heard[-1]
    record = _score_take(ticket, chosen, measured.get(chosen["take"]), facts.get(chosen["take"]))
    for later in ordered[ordered.index(chosen) + 1 :]:
        doubt = Doubt("later_take_empty", fields=(("attempt", later["attempt"] or later["file"]),))
        record["problems"].append(review_reasons.as_problem(doubt, []))
    aside = [
        other
        for other in ticket["other_takes"]
        if (other["file"], other["sha256"]) != (chosen["file"], chosen["sha256"])
    ]
    record["other_takes"] = [
        *(_as_other(other) for other in takes if other is not chosen),
        *_by_file(aside),
    ]
    return _finish(record, ticket)


def _is_heard(measured: Record | None, facts: Record | None) -> bool:
    """Whether a take could be read, and holds any note."""
    readable = measured is not None and measured["status"] == "ok"
    decoded = facts is None or facts["status"] == "ok"
    return measured is not None and readable and decoded and bool(measured["notes"])


def _as_other(take: Record) -> Record:
    return {key: take[key] for key in ("file", "sha256", "received")}


def verdicts_of(record: Record) -> Record:
    """The short form of a record: results/scores/<student_id>.json."""
    strings = record["strings"].items()
    return {
        "schema_version": record["schema_version"],
        "student_id": record["student"]["student_id"],
        "status": record["status"],
        "problems": record["problems"],
        "score": record["score"],
        "verdicts": {name: string["verdict"] for name, string in strings},
        "observations": record["observations"],
        "next_step": record["next_step"],
    }


# One take -------------------------------------------------------------------------------------


def _score_take(
    ticket: dict[str, Any], take: dict[str, Any], measured: Record | None, facts: Record | None
) -> Record:
    """The record of one take, before takes are compared; marks are already in the score."""
    record = _blank(ticket, "graded")
    record["submission"] = _submission(take, facts)
    kinds = {c["id"]: c["kind"] for c in ticket["rubric"]["criteria"]}
    measured_kinds = {one: kind for one, kind in kinds.items() if kind != TEACHER}
    stage_problems = _unlike([*((facts or {}).get("problems") or []),
                              *((measured or {}).get("problems") or [])])  # fmt: skip
    readable = measured is not None and measured["status"] == "ok"
    if facts is not None and facts["status"] != "ok":
        readable = False
    if not readable or measured is None:
        record["status"] = "unreadable"
        told = [{**problem, "criteria": list(kinds)} for problem in stage_problems]
        record["problems"] += [p for t in told if (p := review_reasons.from_stage(t, kinds))]
        if not told:
            record["problems"].append(review_reasons.as_problem(Doubt("not_measured"), list(kinds)))
        return record
    judged = _judge_take(ticket, measured)
    _fill(record, judged, measured)
    findings = {
        criterion["id"]: criteria.find(judged, criterion)
        for criterion in ticket["rubric"]["criteria"]
        if criterion["kind"] != TEACHER
    }
    nameless = next(iter(judged.sounded.values())).nameless
    hidden = sum(note["start_s"] < (judged.last_turn_s or 0.0) for note in nameless)
    for problem in stage_problems:
        concerning = review_reasons.from_stage(problem, measured_kinds, hidden)
        if concerning is not None:
            record["problems"].append(concerning)
    for problem in record["problems"]:
        if problem["code"] == UNDECIDED:  # no grade is staked on the toss of a coin
            problem["criteria"] = list(measured_kinds)
    record["problems"] += _faults(measured, stage_problems, list(measured_kinds))
    record["problems"] += _doubted(findings)
    record["score"] = _score(ticket, findings, record["submission"]["hours_late"])
    record["observations"] = observe(judged)
    return record


def _judge_take(ticket: dict[str, Any], measured: Record) -> Take:
    """A measured take moved to the assignment's reference and judged."""
    instrument = Instrument.from_dict(ticket["instrument"])
    reference = ticket["reference"]
    frame = Frame(
        instrument,
        float(reference["a4_hz"]),
        reference["temperament"],
        reference["method"],
        resolve_tolerances(ticket["tolerances"], instrument),
    )
    judgements = judge_strings(measured, frame)
    sounded = _sounded(measured, frame)
    strings = {
        name: _string(measured["strings"].get(name) or {}, judgements[name], sounded[name], frame)
        for name in instrument.strings
    }
    last_turn_s = turns.last_turn_s(strings.values())
    for name, string in strings.items():
        others = [m for other in strings for m in strings[other]["moves"] if other != name]
        string["own_changes"] = turns.own_changes(string, sounded[name], others)
        string["checked_s"] = turns.checked_s(sounded[name], last_turn_s)
    return Take(
        frame=frame,
        judgements=judgements,
        strings=strings,
        notes=[_note(note, frame) for note in measured["notes"]],
        intervals=list(measured.get("intervals") or []),
        order=list(measured["order"]),
        last_turn_s=last_turn_s,
        voice=Voice(ticket["sentences"]),
        sounded=sounded,
        tone=tone_of(measured, frame),
    )


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
    odds = note.get("string_odds")
    return may_be_string and note["string"] is None and (odds is None or odds < NO_STRING_ODDS)


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
            "from_cents": move["from_cents"] - shift,
            "to_cents": move["to_cents"] - shift,
        }
        for move in measured.get("moves") or []
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


def _fill(record: Record, take: Take, measured: Record) -> None:
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
    record["last_turn_s"] = take.last_turn_s
    record["intervals"] = take.intervals
    record["tolerances"] = {
        name: {"in_tune_cents": tolerance.in_tune, "close_cents": tolerance.close}
        for name, tolerance in take.frame.tolerances.items()
    }


def _faults(measured: Record, told: list[Record], concerned: list[str]) -> list[Record]:
    """Faults of the recording that no earlier stage has told."""
    recording, codes = measured["recording"], {problem["code"] for problem in told}
    found = []
    snr = recording.get("snr_db")
    if snr is not None and snr < NOISY_SNR_DB and not any("nois" in code for code in codes):
        found.append(Doubt("noisy", fields=(("snr", snr),)))
    speed = recording.get("speed_error_cents")
    if speed is not None and abs(speed) >= SPEED_CENTS and not any("speed" in c for c in codes):
        found.append(Doubt("recording_speed", fields=(("cents", speed),)))
    return [review_reasons.as_problem(doubt, concerned) for doubt in found]


def _doubted(findings: dict[str, criteria.Finding]) -> list[Record]:
    """One problem per doubt, with all the criteria it leaves open."""
    concerned: dict[Doubt, list[str]] = {}
    for identity, finding in findings.items():
        for doubt in finding.doubts:
            concerned.setdefault(_same(doubt, concerned), []).append(identity)
    return [
        review_reasons.as_problem(doubt, list(dict.fromkeys(c))) for doubt, c in concerned.items()
    ]


def _same(doubt: Doubt, known: dict[Doubt, list[str]]) -> Doubt:
    """The doubt already known about the same string, or this one."""
    for other in known:
        if (other.code, other.string) == (doubt.code, doubt.string):
            return other
    return doubt


def _unlike(problems: list[Record]) -> list[Record]:
    """Problems without those that say the same again."""
    return list({(p["code"], p["message"]): p for p in problems}.values())


def _submission(take: dict[str, Any], facts: Record | None) -> Record:
    known = facts or {}
    return {
        **{key: take[key] for key in ("file", "sha256", "attempt", "attempts", "received")},
        "hours_late": take["hours_late"],
        "take": take["take"],
        **{key: known.get(key) for key in ("duration_s", "container", "codec", "sample_rate_hz")},
    }


# Points ---------------------------------------------------------------------------------------


def _score(
    ticket: dict[str, Any], findings: dict[str, criteria.Finding], hours_late: float | None
) -> Record:
    """The points of every criterion: measured, then the teacher's marks on top."""
    marks = _marks(ticket)
    rows = []
    for criterion in ticket["rubric"]["criteria"]:
        row = _row(criterion, findings.get(criterion["id"]), ticket["language"])
        mark = marks.get(criterion["id"])
        if mark is not None:
            row["comment"] = mark["comment"] or None
            row["saved_at"] = mark["saved_at"]
            if _usable(mark, criterion):
                row |= {"points": mark["points"], "by": "teacher", "open": 0}
        rows.append(row)
    known = [row["points"] for row in rows if row["points"] is not None]
    total = _plain(sum(known)) if known else None
    return {
        "criteria": rows,
        "total": total,
        "of": _plain(sum(row["of"] for row in rows)),
        "open": _plain(sum(row["open"] for row in rows)),
        "late": _late(ticket.get("late"), hours_late, total),
    }


def _row(criterion: Record, finding: criteria.Finding | None, language: str) -> Record:
    """A criterion as it was measured; one that was not (or cannot be) is open."""
    of = criterion["points"]
    row = {
        "id": criterion["id"],
        "title": title_of(criterion, language),
        "kind": criterion["kind"],
        "points": None,
        "of": of,
        "by": "open",
        "open": of,
        "measured_points": None,
        "evidence": [],
        "comment": None,
        "saved_at": None,
        "close_call": False,
    }
    if finding is None:
        return row
    points, lost = _plain(finding.points), _plain(of - finding.points - finding.open)
    # What is left, so that the three add up however they are rounded.
    still_open = max(0, _plain(of - points - lost)) if finding.open else 0
    row |= {"evidence": finding.evidence, "close_call": finding.close_call, "open": still_open}
    if not finding.open:
        row |= {"points": points, "by": "measured", "measured_points": points}
    elif still_open < of:
        row["points"] = points
    return row


def _marks(ticket: dict[str, Any]) -> dict[str, Record]:
    """The teacher's marks by criterion."""
    return {mark["criterion"]: mark for mark in ticket["marks"]}


def _usable(mark: Record | None, criterion: Record) -> bool:
    """Whether a mark gives points that the criterion can have."""
    return bool(mark and mark["points"] is not None and 0 <= mark["points"] <= criterion["points"])


def _late(policy: Record | None, hours_late: float | None, total: float | None) -> Record | None:
    """What lateness costs by the teacher's policy, beside the raw score; None without a policy.

    Every day begun after the grace costs the same; never more than the most, nor than there is.
    """
    if policy is None or hours_late is None or total is None:
        return None
    over = hours_late - policy.get("grace_hours", 0)
    days = max(0, math.ceil(over / 24))
    off = min(days * policy.get("points_off_per_day", 0), policy.get("most_points_off", total))
    off = min(off, total)
    return {"points_off": _plain(off), "total": _plain(total - off)}


def _plain(value: float) -> float:
    """Points rounded to a hundredth, whole ones as whole numbers."""
    value = round(value, 2)
    return int(value) if value == int(value) else value


# The record -----------------------------------------------------------------------------------


def _blank(ticket: dict[str, Any], status: str) -> Record:
    """The record of a student of whom nothing was measured."""
    reference = ticket["reference"]
    return {
        "schema_version": SCHEMA_VERSION,
        "language": ticket["language"],
        "student": dict(ticket["student"]),
        "status": status,
        "problems": [
            {**problem, "criteria": [], "string": None, "at_s": None}
            for problem in ticket["problems"]
        ],
        "settled_problems": [],
        "submission": None,
        "recording": None,
        "reference": {key: reference[key] for key in ("a4_hz", "temperament", "method")},
        "tolerances": {},
        "notes": [],
        "speech": [],
        "strings": {},
        "order": [],
        "last_turn_s": None,
        "intervals": [],
        "score": _score(ticket, {}, None),
        "observations": [],
        "next_step": None,
        "other_takes": _by_file(ticket["other_takes"]),
    }


def _finish(record: Record, ticket: dict[str, Any]) -> Record:
    """Settle what the teacher has marked, and say the status and the next step."""
    by_id = {c["id"]: c for c in ticket["rubric"]["criteria"]}
    for mark in ticket["marks"]:
        criterion = by_id.get(mark["criterion"])
        if mark["points"] is not None and not (criterion and _usable(mark, criterion)):
            fields = (("criterion", mark["criterion"]), ("points", mark["points"]))
            record["problems"].append(
                review_reasons.as_problem(Doubt("mark_not_used", fields=fields), [])
            )
    marked = [row["id"] for row in record["score"]["criteria"] if row["by"] == "teacher"]
    waiting = [p for p in record["problems"] if not review_reasons.settled(p, marked)]
    record["settled_problems"] = [
        p for p in record["problems"] if review_reasons.settled(p, marked)
    ]
    record["problems"] = waiting
    if len(marked) == len(by_id):
        record["status"] = "graded"
    elif record["status"] == "graded" and any(p["criteria"] for p in waiting):
        record["status"] = "needs_listening"
    if record["strings"]:
        instrument = Instrument.from_dict(ticket["instrument"])
        voice = Voice(ticket["sentences"])
        record["next_step"] = next_step(record, list(instrument.order), instrument.pegs, voice)
    stable: Record = rounded(record)
    return stable


# Several takes --------------------------------------------------------------------------------


def _handed_in(take: dict[str, Any]) -> tuple[int, str, str]:
    """Takes by attempt, then by time, then by content: never by the order of files."""
    return take["attempt"] or 0, take["received"] or "", take["take"]


def _by_file(others: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Files that are no takes of their own, by name."""
    return sorted(others, key=lambda other: (other["file"], other["sha256"]))


def _goodness(record: Record, place: int) -> tuple[bool, float, float, int]:
    """What makes a take the better one: readable, most points, fewest open, then the later."""
    score = record["score"]
    total = -1.0 if score["total"] is None else score["total"]
    return record["status"] != "unreadable", total, -score["open"], place


def _better_elsewhere(record: Record, others: list[tuple[Record, Record]]) -> list[Record]:
    """Problems for takes that could not be read, and for those whose open points may decide."""
    found = []
    for take, other in others:
        fields: tuple[tuple[str, Any], ...] = (("attempt", take["attempt"] or take["file"]),)
        score = other["score"]
        if other["status"] == "unreadable":
            if record["status"] != "unreadable":
                found.append(
                    review_reasons.as_problem(Doubt("other_take_unreadable", fields=fields), [])
                )
            continue
        waiting = [r for r in score["criteria"] if r["by"] == "open" and r["kind"] != TEACHER]
        still_open = sum(row["open"] for row in waiting)
        if waiting and (score["total"] or 0) + still_open > (record["score"]["total"] or 0):
            fields = (*fields, ("open", still_open))
            doubt = Doubt("other_take_open", fields=fields)
            found.append(review_reasons.as_problem(doubt, [row["id"] for row in waiting]))
    return found
