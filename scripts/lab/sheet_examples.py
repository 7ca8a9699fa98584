"""Records and tickets for the tests of the sheet, made by hand from the contract. All invented."""

from __future__ import annotations

from functools import cache
from typing import Any

import yaml

from lab.bench import CONFIG, TABLE

TITLES = {
    "final_pitch": ("Each string left in tune", 4),
    "order": ("A tuned first", 1),
    "sounding": ("Sounded all the while it was turned", 1),
    "small_moves": ("Small moves", 1),
    "final_check": ("All strings checked at the end", 1),
    "bridge": ("Bridge checked before and after", 1),
    "answers": ("Spoken answers", 2),
    "daily": ("Tuned daily", 1),
}


@cache
def comments(language: str = "en") -> dict[str, Any]:
    """The comments file of a language."""
    name = "comments.yaml" if language == "en" else f"comments.{language}.yaml"
    return yaml.safe_load((CONFIG / name).read_text("utf-8"))


def ticket(key: str | None = "violin", language: str = "en", **changes: Any) -> dict[str, Any]:
    """A render ticket."""
    words = comments(language)
    return {
        "language": language,
        "sentences": {"sheet": words["sheet"], "mail": words["mail"]},
        "paper": "A4",
        "title": "Week 3: four strings by ear",
        "due": "2026-03-06T17:00:00+01:00",
        "email": "family.ostermoor@example.org;ada@example.org",
        "teacher": None,
        "stills": False,
        "drafts": "complete",
        "class_name": "Lanternfield School Strings",
        "epoch": 1772812800,
        "weeks": [],
        "instrument": TABLE[key].as_dict() if key else None,
        "tolerances": {
            "in_tune_cents": 3,
            "close_cents": 8,
            "below_c3_factor": 2,
            "strings": {},
            "instruments": {},
        },
        **changes,
    }


def string(levels: list[float], times: list[float], hz: float, **changes: Any) -> dict[str, Any]:
    """A string that goes through `levels` (cents); move i starts at times[i] and lasts 0.6 s."""
    moves = [
        {"start_s": t, "end_s": t + 0.6, "from_cents": a, "to_cents": b, "sounding": True}
        for t, a, b in zip(times, levels, levels[1:], strict=False)
    ]
    left = levels[-1]
    verdict = "in_tune" if abs(left) <= 3 else "close" if abs(left) <= 8 else "out"
    ups = [m["to_cents"] - m["from_cents"] for m in moves]
    return {
        "target_hz": hz,
        "f0_hz": round(hz * 2 ** (left / 1200), 4),
        "deviation_cents": left,
        "uncertainty_cents": 0.8,
        "kind": "plucked",
        "at_s": times[-1] + 2 if times else 5.0,
        "notes": 2 * len(levels),
        "tuned_as": None,
        "moves": moves,
        "start_cents": levels[0],
        "largest_move_cents": max([u for u in ups if u > 0], default=None),
        "slipped_cents": None,
        "drift_cents": 4.2,
        "heard": "heard",
        "close_call": False,
        "verdict": verdict,
        "deciding": {"start_s": 40.0, "end_s": 42.0},
        **changes,
    }


def notes_of(strings: dict[str, dict[str, Any]], check_s: float) -> list[dict[str, Any]]:
    """Plucks every 0.7 s while a string is tuned, and a bowed check of each from `check_s` on."""
    notes = []
    for i, (name, s) in enumerate(strings.items()):
        if s["deviation_cents"] is None:
            continue
        times = [m["start_s"] for m in s["moves"]] or [s["at_s"]]
        t, last = times[0] - 1.4, s["moves"][-1]["end_s"] + 1.5 if s["moves"] else times[0]
        while t <= last:
            level = s["start_cents"]
            for m in s["moves"]:
                if t >= m["end_s"]:
                    level = m["to_cents"]
                elif t > m["start_s"]:
                    share = (t - m["start_s"]) / (m["end_s"] - m["start_s"])
                    level = m["from_cents"] + share * (m["to_cents"] - m["from_cents"])
            wobble = (-1) ** int(t * 10) * 0.4
            notes.append(_note("plucked", name, t, t + 0.6, level + wobble))
            t += 0.7
        start = check_s + 2.2 * i
        notes.append(_note("bowed", name, start, start + 1.8, s["deviation_cents"] + 0.1))
    return notes


def _note(kind: str, name: str, start: float, end: float, cents: float) -> dict[str, Any]:
    return {
        "start_s": round(start, 2),
        "end_s": round(end, 2),
        "kind": kind,
        "string": name,
        "f0_hz": 440.0,
        "deviation_cents": round(cents, 2),
        "uncertainty_cents": 0.9,
        "attack_drift_cents": None,
        "role": None,
    }


def criterion(key: str, points: float | None, by: str, *texts: Any, **more: Any) -> dict[str, Any]:
    """One criterion of a score; each text is (text, at_s)."""
    title, of = TITLES[key]
    evidence = [{"text": text, "at_s": at_s} for text, at_s in texts]
    return {
        "id": key,
        "title": title,
        "points": points,
        "of": of,
        "by": by,
        "open": of if points is None else 0,
        "evidence": evidence,
        "comment": None,
        "close_call": False,
        **more,
    }


def record(**changes: Any) -> dict[str, Any]:
    """A violin take, measured, with the teacher's four points still open."""
    strings = {
        "E5": string([-48, -9, 1.2], [27.0, 30.2], 659.2551, tuned_as=3),
        "A4": string([-62, -30, -8, 0.4], [7.0, 9.6, 12.2], 440.0, tuned_as=1),
        "D4": string([24, -4, -0.9], [17.0, 20.5], 293.6648, tuned_as=2),
        "G3": string([-95, 12, -9.4], [34.0, 38.4], 195.9977, tuned_as=4, verdict="close"),
    }
    strings["G3"]["moves"][0]["sounding"] = False
    criteria = [
        criterion("final_pitch", 3.5, "measured", ("G was left 9.4 cents low.", 44.1)),
        criterion("order", 1, "measured", ("You began with A.", 7.0)),
        criterion("sounding", 0, "measured", ("G was turned in silence.", 34.0)),
        criterion("small_moves", 0, "measured", ("One turn on G went up 107 cents.", 34.0)),
        criterion("final_check", 1, "measured", ("All four strings were bowed at the end.", 43.0)),
        criterion("bridge", None, "open"),
        criterion("answers", None, "open"),
        criterion("daily", None, "open"),
    ]
    base = {
        "schema_version": 1,
        "language": "en",
        "student": {
            "student_id": "s01",
            "family_name": "Ostermoor",
            "given_name": "Ada",
            "instrument": "violin",
            "section": "Violin 2",
        },
        "status": "graded",
        "problems": [],
        "submission": {
            "file": "Ada tuning week3.mov",
            "sha256": "0" * 64,
            "attempt": 2,
            "attempts": 2,
            "received": "2026-03-06T16:12:00+01:00",
            "hours_late": 0,
            "duration_s": 58.2,
            "container": "mov",
            "codec": "aac",
            "sample_rate_hz": 44100,
        },
        "recording": {
            "snr_db": 34.0,
            "clipped_fraction": 0.0,
            "speed_error_cents": None,
            "low_cut_hz": None,
            "gated": False,
        },
        "reference": {"a4_hz": 440.0, "temperament": "equal", "method": "by_ear"},
        "tolerances": {n: {"in_tune_cents": 3, "close_cents": 8} for n in strings},
        "notes": notes_of(strings, 42.5),
        "speech": [{"start_s": 0.3, "end_s": 4.8}],
        "strings": strings,
        "order": ["A4", "D4", "E5", "G3"],
        "score": {"criteria": criteria, "total": 5.5, "of": 12, "open": 4},
        "observations": [
            {
                "code": "false_string",
                "text": "E sounds different at the start of each pluck and "
                "after. It may be an old string.",
                "at_s": 31.0,
            }
        ],
        "next_step": {
            "code": "sound_while_turning",
            "text": "Next time, keep plucking while you turn the peg, and stop when the G is home.",
        },
        "other_takes": [],
    }
    return {**base, **changes}


def marked(rec: dict[str, Any]) -> dict[str, Any]:
    """The record once the teacher has given her points."""
    given = {"bridge": (1, "I saw you look twice."), "answers": (2, None), "daily": (1, None)}
    criteria = [
        {**c, "points": given[c["id"]][0], "by": "teacher", "open": 0, "comment": given[c["id"]][1]}
        if c["id"] in given
        else c
        for c in rec["score"]["criteria"]
    ]
    total = sum(c["points"] for c in criteria)
    return {**rec, "score": {**rec["score"], "criteria": criteria, "total": total, "open": 0}}


def bass(**changes: Any) -> dict[str, Any]:
    """A double bass heard in part: a string not heard, one unsure, a noisy room."""
    strings = {
        "G2": string([-20, 2.5], [9.0], 97.9989, tuned_as=2, uncertainty_cents=1.9),
        "D2": string([310, 40, -2.2], [16, 19], 73.4162, tuned_as=3, uncertainty_cents=2.6),
        "A1": string([-18, -3.1], [4.0], 55.0, tuned_as=1, verdict="in_tune", close_call=True),
        "E1": string([-15, -9], [24], 41.2034, tuned_as=4, verdict="unsure", uncertainty_cents=11),
    }
    strings["D2"] |= {"verdict": "not_heard", "deviation_cents": None, "uncertainty_cents": None}
    strings["D2"] |= {"f0_hz": None, "moves": [], "start_cents": None, "tuned_as": None}
    base = record()
    criteria = [
        criterion("final_pitch", None, "open", ("D was not heard.", None)),
        *base["score"]["criteria"][1:],
    ]
    return {
        **base,
        "student": {
            "student_id": "s07",
            "family_name": "Quill",
            "given_name": "Bram",
            "instrument": "double bass",
            "section": "Basses",
        },
        "status": "needs_listening",
        "strings": strings,
        "tolerances": {
            n: {"in_tune_cents": 3 if n == "G2" else 6, "close_cents": 8 if n == "G2" else 16}
            for n in strings
        },
        "notes": notes_of(strings, 33.0),
        "recording": {**base["recording"], "snr_db": 11.0, "low_cut_hz": 90.0},
        "score": {"criteria": criteria, "total": 2, "of": 12, "open": 8},
        "submission": {**base["submission"], "hours_late": 5.2},
        **changes,
    }


def unmeasured(status: str) -> dict[str, Any]:
    """A student of whom nothing was heard: unreadable, missing or excused."""
    base = record()
    criteria = [
        {**c, "points": None, "by": "open", "open": c["of"], "evidence": []}
        for c in base["score"]["criteria"]
    ]
    return {
        **base,
        "status": status,
        "submission": base["submission"] if status == "unreadable" else None,
        "recording": None,
        "notes": [],
        "speech": [],
        "strings": {},
        "order": [],
        "score": {"criteria": criteria, "total": None, "of": 12, "open": 12},
        "observations": [],
        "next_step": None,
    }
