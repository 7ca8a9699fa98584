"""Hand-made measured takes and score tickets for the tests of the grading. Nothing is listened to.

A take is described string by string in cents against equal temperament at A4 = 440 Hz; what is
not said is what a careful student does: every string turned in one small sounding move, A first,
and bowed again after the last turn.
"""

from __future__ import annotations

import math
from copy import deepcopy
from pathlib import Path
from typing import Any

from pegmark.files import yaml_files
from pegmark.score import score_student
from pegmark.settings.rubric import load_rubric
from pegmark.trade import pitch
from pegmark.trade.instruments import load_instruments

CONFIG = Path(__file__).resolve().parents[1] / "config"
INSTRUMENTS = load_instruments(CONFIG / "instruments.yaml")
RUBRIC = load_rubric(CONFIG / "rubric.yaml")
COMMENTS = {
    language: yaml_files.read_yaml(CONFIG / name).data
    for language, name in (("en", "comments.yaml"), ("es", "comments.es.yaml"))
}
SHA = "5e" * 32
MARKED = {"bridge": 1, "answers": 2, "daily": 1}


def move(
    start_s: float, size: float, to: float = 0.0, sounding: bool | None = True
) -> dict[str, Any]:
    """A turn of `size` cents that ends at `to`; one in silence takes longer."""
    return {
        "start_s": start_s,
        "end_s": start_s + max(1.6 if sounding is False else 0.8, abs(size) / 150),
        "from_cents": to - size,
        "to_cents": to,
        "sounding": sounding,
    }


def string(
    name: str, cents: float = 0.0, uncertainty: float = 0.8, place: int = 1, **changes: Any
) -> dict[str, Any]:
    """One string of a measured take, tuned as the `place`-th; keywords replace its fields."""
    target = pitch.equal_hz(name)
    start = 5.0 + 7.0 * place
    moves = changes.pop("moves", [move(start, 30.0, cents)])
    at_s = 42.0 + 2.0 * place
    if moves and changes.get("checked_s", at_s) is None:
        at_s = moves[-1]["end_s"]
    upward = [m["to_cents"] - m["from_cents"] for m in moves]
    fields = {
        "target_hz": target,
        "f0_hz": pitch.shift_hz(target, cents),
        "deviation_cents": cents,
        "uncertainty_cents": uncertainty,
        "kind": "bowed",
        "at_s": at_s,
        "notes": 6,
        "heard": "heard",
        "start_cents": moves[0]["from_cents"] if moves else cents,
        "tuned_as": place,
        "moves": moves,
        "largest_move_cents": max([u for u in upward if u > 0], default=None),
        "slipped_cents": None,
        "drift_cents": 4.0,
        "settled_s": moves[-1]["end_s"] if moves else None,
        "checked_s": at_s,
        "deciding": {"start_s": at_s, "end_s": at_s + 1.5},
    }
    return {**fields, **changes}


def not_heard(name: str) -> dict[str, Any]:
    """A string that was not heard at all."""
    unknown = dict.fromkeys(
        ("f0_hz", "deviation_cents", "uncertainty_cents", "kind", "at_s", "start_cents",
         "tuned_as", "largest_move_cents", "drift_cents", "settled_s", "checked_s", "deciding")
    )  # fmt: skip
    return {**string(name), **unknown, "notes": 0, "moves": [], "heard": "not_heard"}


def take(
    key: str = "violin",
    cents: dict[str, float] | None = None,
    strings: dict[str, dict[str, Any]] | None = None,
    tone_hz: float | None = None,
    pairs: dict[tuple[str, str], float] | None = None,
    **changes: Any,
) -> dict[str, Any]:
    """A measured take.

    cents : where strings were left (0 where nothing is said)
    strings : fields of a string to replace (`string`'s keywords), or a whole one (`not_heard`)
    tone_hz : a sounded reference tone
    pairs : two strings sounded together at the end, higher first -> cents wider than pure
    """
    instrument = INSTRUMENTS[key]
    order = list(changes.get("order") or instrument.order)
    order += [name for name in instrument.strings if name not in order]
    built = {}
    for name in instrument.strings:
        own = (strings or {}).get(name, {})
        if own.get("heard") == "not_heard":
            built[name] = not_heard(name)
            continue
        own = dict(own)
        built[name] = string(
            name,
            own.pop("cents", (cents or {}).get(name, 0.0)),
            own.pop("uncertainty", 0.8),
            own.pop("place", order.index(name) + 1),
            **own,
        )
    ends = [m["end_s"] for s in built.values() for m in s["moves"]]
    ranked = sorted((s["tuned_as"], n) for n, s in built.items() if s["tuned_as"] is not None)
    notes = [note for name, s in built.items() if s["notes"] for note in _notes(name, s)]
    if tone_hz is not None:
        notes.append(_note(None, 2.0, "reference_tone", tone_hz, None))
    intervals = []
    for place, ((upper, lower), wide) in enumerate((pairs or {}).items()):
        intervals.append(
            {
                "string": upper,
                "string_2": lower,
                "interval_cents": wide,
                "beats_hz": 0.5,
                "at_s": 55.0 + 3 * place,
                "uncertainty_cents": 0.7,
            }
        )
    record = {
        "take": f"{SHA[:16]}-{key.replace(' ', '_')}",
        "status": "ok",
        "problems": [],
        "instrument": key,
        "recording": {
            "snr_db": 32.0,
            "clipped_fraction": 0.0,
            "speed_error_cents": None,
            "low_cut_hz": None,
            "gated": False,
        },
        "notes": sorted(notes, key=lambda note: note["start_s"]),
        "speech": [{"start_s": 0.4, "end_s": 4.2}],
        "strings": built,
        "order": [name for _, name in ranked],
        "last_turn_s": max(ends, default=None),
        "intervals": intervals,
    }
    return {**record, **changes}


def _notes(name: str, state: dict[str, Any]) -> list[dict[str, Any]]:
    """What was sounded of a string: a pluck on either side of every turn, then the check."""
    moves = state["moves"]
    stays = [(m["start_s"] - 0.9, m["start_s"], m["from_cents"]) for m in moves[:1]]
    ends = [*(m["start_s"] for m in moves[1:]), math.inf]
    for one, until in zip(moves, ends, strict=False):
        stays.append((one["end_s"], min(one["end_s"] + 0.9, until), one["to_cents"]))
    plucks = [
        {
            **_note(name, start_s, "plucked", pitch.shift_hz(state["target_hz"], cents), cents),
            "end_s": end_s,
            "attack_drift_cents": state["drift_cents"],
            "role": "tuning",
        }
        for start_s, end_s, cents in stays
    ]
    if state["checked_s"] is None and moves:
        return plucks
    left = (state["at_s"], state["kind"], state["f0_hz"], state["deviation_cents"])
    return [*plucks, _note(name, *left)]


def _note(
    name: str | None, start_s: float, kind: str, f0_hz: float, cents: float | None
) -> dict[str, Any]:
    return {
        "start_s": start_s,
        "end_s": start_s + 1.5,
        "kind": kind,
        "string": name,
        "string_odds": 0.99,
        "snr_db": 30.0,
        "f0_hz": f0_hz,
        "deviation_cents": cents,
        "uncertainty_cents": 0.3 if kind == "reference_tone" else 0.9,
        "attack_drift_cents": None,
        "track": [] if cents is None else [[start_s, cents], [start_s + 1.5, cents]],
        "role": "check" if name else None,
    }


def facts(record: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """The decoder's facts of a take."""
    return {
        "take": record["take"],
        "status": "ok",
        "problems": [],
        "container": "mp4",
        "codec": "aac",
        "sample_rate_hz": 48000,
        "duration_s": 62.5,
        **changes,
    }


def ticket(key: str = "violin", language: str = "en", **changes: Any) -> dict[str, Any]:
    """A score ticket with one take; `marks` may be given as {criterion: points}."""
    instrument = INSTRUMENTS[key]
    made = {
        "student": {
            "student_id": "s01",
            "family_name": "Ostermoor",
            "given_name": "Ada",
            "instrument": instrument.name,
            "section": "Strings 2",
        },
        "instrument": instrument.as_dict(),
        "state": "received",
        "problems": [],
        "takes": [a_take(key)],
        "other_takes": [],
        "policy": "latest",
        "late": None,
        "reference": {"a4_hz": 440.0, "temperament": "equal", "method": "tuner"},
        "tolerances": {
            "in_tune_cents": 3,
            "close_cents": 8,
            "below_c3_factor": 2,
            "strings": {},
            "instruments": {},
        },
        "rubric": deepcopy(RUBRIC),
        "marks": [],
        "language": language,
        "sentences": COMMENTS[language]["score"],
        **changes,
    }
    if isinstance(made["marks"], dict):
        made["marks"] = [mark(*item) for item in made["marks"].items()]
    made["reference"] = {
        "a4_hz": 440.0,
        "temperament": "equal",
        "method": "tuner",
        **made["reference"],
    }
    return made


def a_take(key: str = "violin", sha256: str = SHA, attempt: int = 1) -> dict[str, Any]:
    """A take as the ticket names it."""
    return {
        "take": f"{sha256[:16]}-{key.replace(' ', '_')}",
        "file": f"Ada take {attempt}.mp4",
        "sha256": sha256,
        "attempt": attempt,
        "attempts": attempt,
        "received": f"2026-03-0{attempt}T16:12:00+01:00",
        "hours_late": 0,
    }


def mark(criterion: str, points: float | None, comment: str = "") -> dict[str, Any]:
    """One of the teacher's marks."""
    return {"criterion": criterion, "points": points, "comment": comment, "saved_at": None}


def grade(measured: dict[str, Any] | None = None, **changes: Any) -> dict[str, Any]:
    """The record of one take, graded with a ticket that `changes` describe."""
    measured = take() if measured is None else measured
    made = ticket(measured["instrument"], **changes)
    one = measured["take"]
    return score_student(made, {one: measured}, {one: facts(measured)})


def row(record: dict[str, Any], criterion: str) -> dict[str, Any]:
    """One criterion of a record's score."""
    return next(c for c in record["score"]["criteria"] if c["id"] == criterion)


def examples() -> dict[str, dict[str, Any]]:
    """A record of every state, as `score_student` makes it (tests/data/records)."""
    perfect = take(cents={"E5": 1.1, "A4": -0.4, "D4": 0.9, "G3": -1.6})
    mixed = take(
        "cello",
        cents={"A3": 0.6, "D3": 4.8, "G2": -25.0, "C2": -8.2},
        strings={
            "G2": {
                "moves": [move(29.0, 140.0, -31.0, False), move(31.5, 24.0, -7.0)],
                "slipped_cents": 18.0,
            }
        },
    )
    unsure = take("double bass", strings={"D2": {"heard": "not_heard"}, "E1": {"uncertainty": 11}})
    unreadable = ticket()
    broken = facts(
        perfect,
        status="unreadable",
        duration_s=0.0,
        problems=[
            {
                "code": "not_a_recording",
                "message": "The file is a picture, not a recording.",
                "action": "Ask for the recording again.",
            }
        ],
    )
    return {
        "graded_full_marks": grade(perfect, marks=MARKED),
        "graded_points_open": grade(mixed),
        "graded_spanish": grade(mixed, language="es", marks={**MARKED, "sounding": 0.5}),
        "needs_listening": grade(unsure),
        "unreadable": score_student(unreadable, {}, {broken["take"]: broken}),
        "missing": score_student(ticket(state="missing", takes=[]), {}, {}),
        "excused": score_student(ticket(state="excused", takes=[]), {}, {}),
    }


if __name__ == "__main__":
    from pegmark.files.store import write_json

    for name, record in examples().items():
        write_json(Path(__file__).parent / "data" / "records" / f"{name}.json", record)
