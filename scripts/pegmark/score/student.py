"""From a measured take to the record: points with their evidence, the teacher's marks on top.

`score_student` makes the whole record of one student (workflow/schemas/record.schema.json) from
the score ticket, the measured takes and the facts of their containers. The order of the takes
does not matter, and the same inputs give the same record.

Conventions
-----------
A criterion is decided by "measured", by "teacher" (her points always win), or still "open". The
points of an open criterion are those that are sure so far (null where none are); the rest is in
its `open`. The score's total adds what is sure, its `open` what is not. Problems name the
criteria they concern; the status is "needs_listening" as long as one of them waits that an ear can
settle, and not a decision alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from pegmark.files.store import rounded
from pegmark.score import criteria, points, review_reasons
from pegmark.score.feedback import Voice, next_step
from pegmark.score.finding import Finding
from pegmark.score.judged_take import fill_in, judge_take
from pegmark.score.observations import observe
from pegmark.score.review_reasons import Doubt
from pegmark.score.several_takes import choose_best, handed_in, told_of_others
from pegmark.settings.rubric import TEACHER
from pegmark.signals.audio import SPEED_CENTS
from pegmark.trade.instruments import Instrument

if TYPE_CHECKING:
    from pegmark.records.problems import Problem
    from pegmark.records.student import (
        Criterion,
        OtherTake,
        Record,
        Reference,
        ShortRecord,
        Status,
        StudentProblem,
        Submission,
    )  # fmt: skip
    from pegmark.records.take import Decoded, Measured, MeasuredRecording
    from pegmark.records.tickets import CountedFrom, CountedTake, ScoreTicket

# Below, onsets are missed (design, section 6: finding notes fails from 10 dB down).
NOISY_SNR_DB = 10.0

UNDECIDED = "take_undecided"  # what the intake says where nothing tells the latest take


def score_student(
    ticket: ScoreTicket, measured: dict[str, Measured], facts: dict[str, Decoded]
) -> Record:
    """The record of one student.

    Parameters
    ----------
    ticket : tickets/score/<student_id>.json
    measured : take id -> measured/<take>.json; a take that is not there could not be measured
    facts : take id -> decoded/<take>.json
    """
    takes = sorted(ticket["takes"], key=handed_in)
    if ticket["state"] != "received" or not takes:
        excused = ticket["state"] == "excused"
        return _finish(_blank(ticket, "excused" if excused else "missing"), ticket)
    if ticket["policy"] != "best":
        return _score_latest(ticket, takes, measured, facts)
    records = [_score_take(ticket, t, measured.get(t["take"]), facts.get(t["take"])) for t in takes]
    chosen = choose_best(records)
    record = records[chosen]
    record["problems"] += told_of_others(takes, records, chosen)
    record["other_takes"] = [
        *(_as_other(other) for other in takes if other is not takes[chosen]),
        *_by_file(ticket["other_takes"]),
    ]
    return _finish(record, ticket)


def _score_latest(
    ticket: ScoreTicket,
    takes: list[CountedTake],
    measured: dict[str, Measured],
    facts: dict[str, Decoded],
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


def _is_heard(measured: Measured | None, facts: Decoded | None) -> bool:
    """Whether a take could be read, and holds any note."""
    readable = measured is not None and measured["status"] == "ok"
    decoded = facts is None or facts["status"] == "ok"
    return measured is not None and readable and decoded and bool(measured["notes"])


def _as_other(take: CountedTake) -> OtherTake:
    return {"file": take["file"], "sha256": take["sha256"], "received": take["received"]}


def verdicts_of(record: Record) -> ShortRecord:
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
    ticket: ScoreTicket, take: CountedTake, measured: Measured | None, facts: Decoded | None
) -> Record:
    """The record of one take, before takes are compared; marks are already in the score."""
    record = _blank(ticket, "graded")
    record["submission"] = _submission(take, facts, ticket.get("late"))
    kinds = {c["id"]: c["kind"] for c in ticket["rubric"]["criteria"]}
    measured_kinds = {one: kind for one, kind in kinds.items() if kind != TEACHER}
    stage_problems = _unlike([p for told in (facts, measured) if told for p in told["problems"]])
    readable = measured is not None and measured["status"] == "ok"
    if facts is not None and facts["status"] != "ok":
        readable = False
    if not readable or measured is None:
        record["status"] = "unreadable"
        told = [cast("Problem", {**one, "criteria": list(kinds)}) for one in stage_problems]
        record["problems"] += [p for t in told if (p := review_reasons.from_stage(t, kinds))]
        if not told:
            record["problems"].append(review_reasons.as_problem(Doubt("not_measured"), list(kinds)))
        return record
    judged = judge_take(ticket, measured)
    fill_in(record, judged, measured)
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
    for known in record["problems"]:
        if known["code"] == UNDECIDED:  # no grade is staked on the toss of a coin
            known["criteria"] = list(measured_kinds)
    record["problems"] += _faults(measured, stage_problems, measured_kinds)
    record["problems"] += _doubted(findings)
    record["score"] = points.score(ticket, take, findings)
    record["problems"] += _marks_of_others(record["score"]["criteria"])
    record["observations"] = observe(judged)
    return record


def _faults(measured: Measured, told: list[Problem], kinds: dict[str, str]) -> list[StudentProblem]:
    """Faults of the recording that no earlier stage has told."""
    recording = measured["recording"] or cast("MeasuredRecording", {})
    codes = {problem["code"] for problem in told}
    found = []
    snr = recording.get("snr_db")
    if snr is not None and snr < NOISY_SNR_DB and not any("nois" in code for code in codes):
        found.append(Doubt("noisy", fields=(("snr", snr),)))
    speed = recording.get("speed_error_cents")
    if speed is not None and abs(speed) >= SPEED_CENTS and not any("speed" in c for c in codes):
        found.append(Doubt("recording_speed", fields=(("cents", speed),)))
    pitch = [one for one, kind in kinds.items() if kind in review_reasons.PITCH_KINDS]
    return [review_reasons.as_problem(doubt, pitch) for doubt in found]


def _marks_of_others(rows: list[Criterion]) -> list[StudentProblem]:
    """That marks were given for another take than the one that counts now."""
    given = {row["id"]: row["given_for"] for row in rows if row["given_for"]}
    if not given:
        return []
    first = next(iter(given.values()))
    fields = (("criteria", ", ".join(given)), ("when", first["received"] or first["file"]))
    return [review_reasons.as_problem(Doubt("marks_of_other_take", fields=fields), [])]


def _doubted(findings: dict[str, Finding]) -> list[StudentProblem]:
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


def _unlike(problems: list[Problem]) -> list[Problem]:
    """Problems without those that say the same again."""
    return list({(p["code"], p["message"]): p for p in problems}.values())


def _submission(
    take: CountedTake, facts: Decoded | None, late: dict[str, Any] | None
) -> Submission:
    """The recording as it was handed in; within the policy's grace it is in time."""
    known = facts or cast("Decoded", {})
    return {
        "file": take["file"],
        "sha256": take["sha256"],
        "attempt": take["attempt"],
        "attempts": take["attempts"],
        "received": take["received"],
        "hours_late": points.hours_over(take["hours_late"], late),
        "take": take["take"],
        "duration_s": known.get("duration_s"),
        "container": known.get("container"),
        "codec": known.get("codec"),
        "sample_rate_hz": known.get("sample_rate_hz"),
    }


# The record -----------------------------------------------------------------------------------


def _blank(ticket: ScoreTicket, status: Status) -> Record:
    """The record of a student of whom nothing was measured."""
    reference = ticket["reference"]
    return {
        "schema_version": 1,
        "language": ticket["language"],
        "student": {**ticket["student"]},
        "status": status,
        "problems": [
            {**problem, "criteria": [], "string": None, "at_s": None, "end_s": None}
            for problem in ticket["problems"]
        ],
        "settled_problems": [],
        "submission": None,
        "recording": None,
        "reference": _counted_from(reference),
        "tolerances": {},
        "notes": [],
        "speech": [],
        "strings": {},
        "order": [],
        "last_turn_s": None,
        "intervals": [],
        "score": points.score(ticket, None, {}),
        "observations": [],
        "next_step": None,
        "other_takes": _by_file(ticket["other_takes"]),
    }


def _counted_from(reference: CountedFrom) -> Reference:
    """The assignment's reference, with the range of A that it allows where it is one."""
    told: Reference = {
        "a4_hz": reference["a4_hz"],
        "temperament": reference["temperament"],
        "method": reference["method"],
    }
    if most := reference.get("a4_most_hz"):
        told |= {"a4_least_hz": reference["a4_hz"], "a4_most_hz": most}
    return told


def _finish(record: Record, ticket: ScoreTicket) -> Record:
    """Settle what the teacher has marked, and say the status and the next step."""
    by_id = {c["id"]: c for c in ticket["rubric"]["criteria"]}
    for mark in ticket["marks"]:
        criterion = by_id.get(mark["criterion"])
        if mark["points"] is not None and not (criterion and points.usable(mark, criterion)):
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
    elif record["status"] == "graded" and any(map(review_reasons.is_for_the_ear, waiting)):
        record["status"] = "needs_listening"
    if record["strings"]:
        instrument = Instrument.from_dict(ticket["instrument"])
        voice = Voice(ticket["sentences"])
        record["next_step"] = next_step(record, list(instrument.order), instrument.pegs, voice)
    stable: Record = rounded(record)
    return stable


def _by_file(others: list[OtherTake]) -> list[OtherTake]:
    """Files that are no takes of their own, by name."""
    return sorted(others, key=lambda other: (other["file"], other["sha256"]))
