"""Invented classes of any size for the tests of the class level: records and a publish ticket.

Written from the contract of the record by hand; the numbers are drawn from a fixed seed, so the
same size always gives the same class. No real people.
"""

from __future__ import annotations

import random
from typing import Any

STRINGS = {
    "violin": ["E5", "A4", "D4", "G3"],
    "viola": ["A4", "D4", "G3", "C3"],
    "cello": ["A3", "D3", "G2", "C2"],
    "double bass": ["G2", "D2", "A1", "E1"],
}
HZ = {  # equal temperament at 440 Hz (ISO 16:1975)
    "E5": 659.2551, "A4": 440.0, "D4": 293.6648, "G3": 195.9977, "C3": 130.8128, "A3": 220.0,
    "D3": 146.8324, "G2": 97.9989, "C2": 65.4064, "D2": 73.4162, "A1": 55.0, "E1": 41.2034,
    "B0": 30.8677,
}  # fmt: skip
EXAMPLE_GIVEN = ["Ada", "Bruno", "Chidi", "Dana", "Emil", "Farah", "Goran", "Hana", "Ilse", "Jomo"]
EXAMPLE_FAMILY = ["Lind", "Okafor", "Marsh", "Rojas", "Sato", "Virta", "Weber", "Ximenes", "Young"]
SECTIONS = {"violin": ["Violin 1", "Violin 2"], "viola": ["Viola"], "cello": ["Cello"],
            "double bass": ["Bass"]}  # fmt: skip

RUBRIC: dict[str, Any] = {
    "title": "Tuning take",
    "criteria": [
        {"id": "final_pitch", "title": "Strings in tune", "points": 4, "kind": "final_pitch"},
        {"id": "order", "title": "A first", "points": 1, "kind": "order"},
        {"id": "sounding", "title": "Sounding while turning", "points": 1,
         "kind": "sounding_while_turning"},
        {"id": "small_moves", "title": "Small moves", "points": 1, "kind": "small_moves"},
        {"id": "final_check", "title": "Final check", "points": 1, "kind": "final_check"},
        {"id": "bridge", "title": "Bridge checked", "points": 1, "kind": "teacher",
         "shows": "before_and_after"},
        {"id": "answers", "title": "Spoken answers", "points": 2, "kind": "teacher"},
        {"id": "daily", "title": "Daily practice", "points": 1, "kind": "teacher"},
    ],
}  # fmt: skip
TEACHERS_OWN = ("bridge", "answers", "daily")


def make_class(size: int, seed: int = 7) -> tuple[dict[str, Any], dict[str, Any]]:
    """`size` students: (records by student_id, publish ticket)."""
    draw = random.Random(seed)
    roster, records = [], {}
    for number in range(size):
        instrument = draw.choices(list(STRINGS), weights=[6, 2, 3, 1])[0]
        row: dict[str, Any] = {
            "student_id": f"s{number + 1:03d}",
            "family_name": draw.choice(EXAMPLE_FAMILY),
            "given_name": draw.choice(EXAMPLE_GIVEN),
            "instrument": instrument,
            "section": draw.choice(SECTIONS[instrument]),
            "email": f"s{number + 1:03d}@example.org",
            "instrument_key": instrument,
            "nickname": "",
            "language": None,
            "due": None,
            "excused": False,
        }
        roster.append(row)
        state = draw.choices(
            ["graded", "needs_listening", "unreadable", "missing", "excused"],
            weights=[80, 10, 3, 5, 2],
        )[0]
        records[row["student_id"]] = make_record(row, state, draw)
    ticket = make_ticket(roster)
    ticket["takes"] = [
        {"take": record["submission"]["take"], "student_id": student,
         "file": record["submission"]["file"]}
        for student, record in records.items() if record["submission"]
    ]  # fmt: skip
    ticket["marks"] = [
        {
            "student_id": student,
            "criterion": c["id"],
            "points": c["points"],
            "comment": c["comment"] or "",
            "saved_at": None,
        }
        for student, record in records.items()
        for c in record["score"]["criteria"]
        if c["by"] == "teacher"
    ]
    return records, ticket


def make_ticket(roster: list[dict[str, Any]]) -> dict[str, Any]:
    """A publish ticket for a roster, with one file of nobody."""
    return {
        "title": "Open strings, week 3",
        "class_name": "Harbour Strings",
        "due": "2026-03-06T18:00:00+01:00",
        "students": roster,
        "attention": [
            {
                "student_id": "",
                "file": "IMG_2231.mov",
                "code": "match_none",
                "message": "IMG_2231.mov: no name from the roster was found in it.",
                "action": "Add this line to matches.csv: IMG_2231.mov,-",
            }
        ]
        if roster
        else [],
        "questions": [
            {
                "file": "IMG_2231.mov",
                "asked": "no name from the roster was found in it.",
                "guesses": [row["student_id"] for row in roster[:2]],
            }
        ]
        if roster
        else [],
        "rubric": RUBRIC,
        "tolerances": {
            "in_tune_cents": 3,
            "close_cents": 8,
            "below_c3_factor": 2,
            "strings": {},
            "instruments": {},
        },
        "reference": {"a4_hz": 440.0, "temperament": "equal", "method": "tuner"},
        "language": "en",
        "marks": [],
        "policies": {"attempts": "latest", "drafts": "complete", "late": None},
        "understood": "roster.csv: UTF-8, commas.",
        "stills": False,
        "comments": ["Clear and complete.", "Speak a little louder."],
        "ear": {
            "en": {
                "in_tune": "{string} is in tune.",
                "high": "{string} is too high.",
                "low": "{string} is too low.",
                "unclear": "{string}: no fault of yours.",
                "as_set": "{string} counts as it was set.",
                "as_left": "{string} counts as it was left.",
                "notes": {},
            }
        },
        "epoch": 1772816400,
        "weeks": {},
        "takes": [],
    }


def make_record(row: dict[str, Any], status: str, draw: random.Random) -> dict[str, Any]:
    """A whole record of one student in the given state."""
    record: dict[str, Any] = {
        "schema_version": 1,
        "student": {k: row[k] for k in
                    ("student_id", "family_name", "given_name", "instrument", "section")},
        "status": status,
        "language": "en",
        "problems": [],
        "submission": None,
        "recording": None,
        "reference": {"a4_hz": 440, "temperament": "equal", "method": "tuner"},
        "notes": [],
        "speech": [],
        "strings": {},
        "order": [],
        "intervals": [],
        "settled_problems": [],
        "tolerances": {},
        "score": _score(None, {}, draw),
        "observations": [],
        "next_step": None,
        "other_takes": [],
    }  # fmt: skip
    if status in ("missing", "excused"):
        return record
    record["submission"] = {
        "file": f"{row['given_name']} {row['student_id']}/take #1.mp4",
        "sha256": f"{draw.getrandbits(256):064x}",
        "attempt": 1,
        "attempts": 1,
        "take": "",
        "received": "2026-03-06T17:20:00+01:00",
        "hours_late": round(draw.uniform(0.3, 30), 1) if draw.random() < 0.1 else 0.0,
        "duration_s": 62.0,
        "container": "mp4",
        "codec": "aac",
        "sample_rate_hz": 48000,
    }
    kind = row["instrument"].replace(" ", "_")
    record["submission"]["take"] = f"{record['submission']['sha256'][:16]}-{kind}"
    if status == "unreadable":
        record["problems"] = [
            {"code": "unreadable", "message": "The file holds no sound that can be read.",
             "action": "Ask the student to hand it in again."}
        ]  # fmt: skip
        return record
    record["recording"] = {"snr_db": 31.2, "clipped_fraction": 0.0, "speed_error_cents": None,
                           "low_cut_hz": None, "gated": False}  # fmt: skip
    names = STRINGS[row["instrument"]]
    t_s = 6.0
    for place, name in enumerate(names):
        record["strings"][name], notes, t_s = make_string(name, place + 1, t_s, draw)
        record["notes"] += notes
        low = HZ[name] < HZ["C3"]
        record["tolerances"][name] = {"in_tune_cents": 6 if low else 3,
                                      "close_cents": 16 if low else 8}  # fmt: skip
    record["order"] = names
    record["speech"] = [{"start_s": 0.5, "end_s": 4.8}, {"start_s": t_s, "end_s": t_s + 9}]
    if status == "needs_listening":
        name = names[-1]
        record["strings"][name] |= {"verdict": "unsure", "uncertainty_cents": 14.0}
        record["problems"] = [
            {"code": "pitch_unsure", "message": f"The {name} string could not be told for sure.",
             "action": "Listen to it and give the points for strings in tune.",
             "criteria": ["final_pitch"], "string": name,
             "at_s": record["strings"][name]["at_s"]}
        ]  # fmt: skip
    record["score"] = _score(record, {"bridge": 1, "answers": draw.choice([1, 2]), "daily": 1}
                             if draw.random() < 0.3 else {}, draw)  # fmt: skip
    if draw.random() < 0.12:
        record["observations"].append(
            {"code": "slipping_peg", "text": f"The peg of {names[0]} slipped back.", "at_s": 12.0}
        )
    record["next_step"] = {"code": "check_all", "text": "Bow all strings once more at the end."}
    return record


def make_string(
    name: str, rank: int, t_s: float, draw: random.Random
) -> tuple[dict[str, Any], list[dict[str, Any]], float]:
    """One string tuned in two or three turns: (its block, its notes, when it ended)."""
    start = draw.gauss(-20, 35)
    left = draw.gauss(0, 2.0) if draw.random() < 0.75 else draw.gauss(-3, 12)
    steps = [start, start + 0.6 * (left - start), left, left]
    notes, moves = [], []
    for turn, cents in enumerate(steps):
        begin, end = t_s, t_s + draw.uniform(0.7, 2.2)
        last = turn == len(steps) - 1
        notes.append(
            {
                "start_s": round(begin, 2),
                "end_s": round(end, 2),
                "kind": "bowed" if last else "plucked",
                "string": name,
                "string_odds": 0.99,
                "f0_hz": round(HZ[name] * 2 ** (cents / 1200), 4),
                "deviation_cents": round(cents, 2),
                "uncertainty_cents": 1.1,
                "attack_drift_cents": 4.2,
                "snr_db": 30.0,
                "level_db": -22.0,
                "role": "check" if last else "final" if turn == len(steps) - 2 else "tuning",
                "track": [
                    [round(begin + (end - begin) * k / 8, 3), round(cents + draw.gauss(0, 0.4), 2)]
                    for k in range(9)
                ],
            }
        )
        if turn and not last:
            moves.append(
                {"start_s": round(t_s - 0.6, 2), "end_s": round(t_s, 2),
                 "from_cents": round(steps[turn - 1], 2), "to_cents": round(cents, 2),
                 "sounding": draw.random() < 0.8}
            )  # fmt: skip
        t_s = end + 0.8
    verdict = "in_tune" if abs(left) <= 3 else "close" if abs(left) <= 8 else "out"
    block = {
        "target_hz": HZ[name],
        "f0_hz": notes[-1]["f0_hz"],
        "deviation_cents": round(left, 2),
        "uncertainty_cents": round(draw.uniform(0.4, 2.0), 2),
        "kind": "bowed",
        "at_s": notes[-1]["start_s"],
        "notes": len(notes),
        "heard": "heard",
        "start_cents": round(start, 2),
        "tuned_as": rank,
        "moves": moves,
        "largest_move_cents": max(
            [m["to_cents"] - m["from_cents"] for m in moves if m["to_cents"] > m["from_cents"]],
            default=None,
        ),
        "slipped_cents": None,
        "drift_cents": 4.2,
        "settled_s": moves[-1]["end_s"],
        "checked_s": notes[-1]["start_s"],
        "deciding": {"start_s": notes[-1]["start_s"], "end_s": notes[-1]["end_s"]},
        "verdict": verdict,
        "close_call": False,
    }
    return block, notes, t_s


def _score(
    record: dict[str, Any] | None, given: dict[str, float], draw: random.Random
) -> dict[str, Any]:
    criteria = [_criterion(criterion, record, given, draw) for criterion in RUBRIC["criteria"]]
    known = [c["points"] for c in criteria if c["points"] is not None]
    return {
        "criteria": criteria,
        "total": sum(known) if known else None,
        "of": sum(c["of"] for c in criteria),
        "open": sum(c["open"] for c in criteria),
        "late": None,
    }


def _criterion(
    criterion: dict[str, Any],
    record: dict[str, Any] | None,
    given: dict[str, float],
    draw: random.Random,
) -> dict[str, Any]:
    """One criterion: the teacher's, measured, open, or (strings in tune) open in part."""
    row = {
        **{key: criterion[key] for key in ("id", "title", "kind")},
        "points": None,
        "of": criterion["points"],
        "by": "open",
        "open": criterion["points"],
        "measured_points": None,
        "evidence": [],
        "comment": None,
        "saved_at": None,
        "close_call": False,
    }
    if criterion["id"] in given:
        return row | {"points": given[criterion["id"]], "by": "teacher", "open": 0}
    if criterion["id"] in TEACHERS_OWN or record is None:
        return row
    if criterion["id"] == "final_pitch":
        verdicts = [s["verdict"] for s in record["strings"].values()]
        row["points"] = sum({"in_tune": 1, "close": 0.5}.get(v, 0) for v in verdicts)
        row["open"] = verdicts.count("unsure")
    else:
        row |= {"points": float(draw.random() < 0.8), "open": 0}
    evidence = {"text": f"What was heard for {criterion['title'].lower()}.", "at_s": 12.5}
    row["evidence"] = [evidence]
    if not row["open"]:
        row |= {"by": "measured", "measured_points": row["points"]}
    return row
