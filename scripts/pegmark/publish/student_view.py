"""One student of the class page: the row of the table and what opens below it."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.publish import class_pictures
from pegmark.publish.attention import disagreements, recorded_at
from pegmark.publish.class_records import (
    counted_from,
    full_name,
    hours_late,
    open_criteria,
    recording_address,
)
from pegmark.publish.marking import media_of, questions_of, take_of
from pegmark.publish.page_words import (
    hours_text,
    moment_text,
    one_line,
    points_text,
    signed,
    taken_off,
)
from pegmark.publish.practice import practice_data, practice_days, spoken_days
from pegmark.publish.todo import FILE_LIMIT, criteria_to_mark
from pegmark.records.states import STATE_WORDS, state_of
from pegmark.render import pictures, string_path
from pegmark.render.clips import clip_name, evidence_clip
from pegmark.trade import pitch
from pegmark.trade.instruments import OpenStrings
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Criterion, Record, RecordingQuality

NOTHING_HEARD_WORDS = {"missing": "Nothing was handed in.", "excused": "Excused this time."}
KEY_WORDS = {  # of the path pictures
    "start": "first heard",
    "pluck": "plucks",
    "bow": "bowed",
    "sounding": "turned while sounding",
    "silent": "turned in silence",
    "unheard": "slipped, or turned unheard",
    "size": "cents of the largest turn up",
    "left": "left here",
    "sure": "how sure",
    "unsure": "left about here: unsure",
    "nothing": "not heard",
    "in_tune": "in tune",
    "close": "close",
    "sure_number": "give or take, in cents",
    "pure": "the pure interval: also right",
    "beyond": "further off than 20 cents: not to scale",
}
BEFORE_TURN_S = 5.0  # a look at the bridge before the first turn starts this much earlier


def student_view(
    record: Record,
    titles: Mapping[str, str],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None,
) -> dict[str, Any]:
    """The row and the opened row of one student."""
    student = record["student"]
    student_id = student["student_id"]
    score = record["score"]
    submission = record.get("submission")
    late = hours_late(record)
    strings = _strings(record)
    worst = max((abs(s["cents"]) for s in strings if s["cents"] is not None), default=None)
    return {
        "id": student_id,
        "name": wording.safe_text(full_name(record)),
        "sort_name": wording.safe_text(
            f"{student.get('family_name') or ''} {student.get('given_name') or ''}"
        ).casefold(),
        "section": wording.safe_text(student.get("section") or ""),
        "instrument": wording.safe_text(student.get("instrument") or ""),
        "status": state_of(record),
        "state": STATE_WORDS[state_of(record)],
        "measured": bool(strings),
        "marked": is_marked(record),
        "nothing": NOTHING_HEARD_WORDS.get(record["status"], ""),
        "total": score["total"],
        "total_text": points_text(score["total"]),
        "of": points_text(score["of"]),
        "open": [c["id"] for c in open_criteria(record)],
        "late": late,
        "late_text": hours_text(late) + taken_off(score.get("late")),
        "worst": worst,
        "strings": strings,
        "problems": [_problem(p, titles) for p in record["problems"]],
        "settled": [_problem(p, titles) for p in record.get("settled_problems", [])],
        "second_opinion": [
            {**found, "at": wording.clock(found["at_s"]), "letter": wording.letter(found["string"])}
            for found in disagreements(record, second_opinion)
        ],
        "observations": [
            {"text": one_line(o["text"]), "at_s": o.get("at_s"), "at": wording.clock(o.get("at_s"))}
            for o in record["observations"]
        ],
        "next_step": one_line(record["next_step"]["text"] if record["next_step"] else ""),
        # What waits for the teacher stands first, beside the clips.
        "criteria": sorted(
            [_criterion(record, c, titles) for c in score["criteria"]],
            key=lambda c: c["by"] != "open",
        ),
        "notes": [_note(n) for n in record["notes"]],
        "speech": _speech(record),
        "axis": pictures.axis_svg(string_path.frame_of(record)) if strings else "",
        "key": _key(record) if strings else [],
        "video": _video(submission),
        "looks": _looks(record),
        "facts": _facts(record, ticket, second_opinion),
        "other_takes": [wording.safe_text(t["file"], FILE_LIMIT) for t in record["other_takes"]],
        "sheet": f"sheets/{student_id}.pdf",
    }


def _key(record: Record) -> list[tuple[str, str]]:
    """What the pictures of the take hold, each with its words."""
    shown = pictures.kinds_shown(record, _instrument(record))
    return [(kind, KEY_WORDS[kind]) for kind in shown]


def is_marked(record: Record) -> bool:
    """Whether there is something to give points for."""
    return record["status"] not in NOTHING_HEARD_WORDS


def _strings(record: Record) -> list[dict[str, Any]]:
    frame = string_path.frame_of(record)
    instrument = _instrument(record)
    found = []
    for rank, (name, string) in enumerate(record["strings"].items()):
        notes: list[Any] = [n for n in record["notes"] if n.get("string") == name]
        cents, half = counted_from(string), string["uncertainty_cents"]
        deciding = string.get("deciding")
        picture = ""
        if name in (record.get("tolerances") or {}):
            home = string_path.home_of(record, name, instrument)
            picture = pictures.string_svg(string, notes, frame, home, rank)
        found.append(
            {
                "name": name,
                "letter": wording.letter(name),
                "verdict": string["verdict"],
                "words": class_pictures.VERDICT_WORDS[string["verdict"]],
                "mark": class_pictures.mark_svg(string["verdict"], cents),
                "cents": cents,
                "cents_text": signed(cents),
                "left": _left(string),
                "half": None if half is None else wording.cents(half),
                "close_call": bool(string.get("close_call")),
                "hz": None if string["f0_hz"] is None else f"{string['f0_hz']:.2f}",
                "path": _path_words(string),
                "picture": picture,
                "clip": f"clips/{record['student']['student_id']}/{clip_name(name)}"
                if deciding
                else None,
                "at_s": deciding["start_s"] if deciding else string.get("at_s"),
                "at": wording.clock(deciding["start_s"] if deciding else string.get("at_s")),
            }
        )
    return found


def _instrument(record: Record) -> OpenStrings | None:
    """The instrument as far as its pictures need it: its strings and their interval."""
    names = tuple(record["strings"])
    steps = {pitch.semitone(a) - pitch.semitone(b) for a, b in itertools.pairwise(names)}
    interval = 7 if steps == {7} else 5
    return OpenStrings(names, interval) if names else None


def _left(string: Mapping[str, Any]) -> str:
    """How a string was left, in words: '3.2 cents low, give or take 0.8'."""
    cents, half = counted_from(string), string["uncertainty_cents"]
    if cents is None:
        return "no pitch"
    way = "right on" if abs(cents) < 0.05 else ("high" if cents > 0 else "low")
    size = way if way == "right on" else f"{wording.cents(cents)} cents {way}"
    return size if half is None else f"{size}, give or take {wording.cents(half)}"


def _path_words(string: Mapping[str, Any]) -> str:
    """The path in words: 'started 32 cents low; 3 turns in 6 s, 1 silent (60 cents at 0:10)'."""
    said = []
    start = counted_from(string, "start_cents")
    if start is not None:
        said.append(f"started {wording.cents(start)} cents {'high' if start > 0 else 'low'}")
    said.append(_turn_words(string))
    largest = string.get("largest_move_cents")
    if largest:
        said.append(f"the largest upward {wording.cents(largest)} cents")
    for past in string.get("overshoots") or []:
        said.append(
            f"{wording.cents(past['cents'])} cents past the note at {wording.clock(past['at_s'])}"
        )
    back = [wording.clock(second) for second in string.get("turned_back_s") or []]
    if back:
        said.append(f"turned back at {', '.join(back)}")
    changes = string.get("own_changes") or []
    words = {"slip": "slipped", "pull": "moved by the others' tuning"}
    for change in changes:
        size = wording.cents(change["to_cents"] - change["from_cents"])
        at = wording.clock(change["end_s"])
        said.append(f"{words[change['cause']]} {size} cents, heard at {at}")
    if string.get("slipped_cents") and not any(c["cause"] == "slip" for c in changes):
        said.append(f"slipped back {wording.cents(string['slipped_cents'])} cents")
    if string.get("checked_s") is None and string["verdict"] != "not_heard":
        said.append("not played after the last turn")
    return "; ".join(said)


def _turn_words(string: Mapping[str, Any]) -> str:
    """The turns in words: how many, in what time, how many of them silent and how large."""
    moves = string.get("moves") or []
    if not moves:
        return "not turned"
    said = f"{len(moves)} turn{'' if len(moves) == 1 else 's'}"
    settle_s = string.get("settle_s")
    if settle_s is not None and settle_s >= 1:
        said += f" in {settle_s:.0f} s"
    silent = string.get("silent_moves", sum(m.get("sounding") is False for m in moves))
    if silent:
        said += f", {silent} silent"
    worst = string.get("largest_silent")
    if silent and worst:
        size = wording.cents(worst["to_cents"] - worst["from_cents"])
        at = wording.clock(worst["start_s"])
        said += f" ({'' if silent == 1 else 'largest '}{size} cents at {at})"
    return said


def _problem(problem: Mapping[str, Any], titles: Mapping[str, str]) -> dict[str, Any]:
    """A problem with its criteria called as the rubric calls them: ids are for marks.csv."""
    at_s = problem.get("at_s")
    action, criteria = problem["action"], problem.get("criteria") or []
    ids = f": {', '.join(criteria)}."
    if criteria and action.endswith(ids):
        named = wording.listed([titles.get(one, one) for one in criteria], " and ")
        action = f"{action.removesuffix(ids)}: {named}."
    return {
        "message": one_line(problem["message"]),
        "action": one_line(action),
        "at_s": at_s,
        "at": wording.clock(at_s),
    }


def _criterion(record: Record, criterion: Criterion, titles: Mapping[str, str]) -> dict[str, Any]:
    by = criterion["by"]
    points = points_text(criterion["points"])
    said = {
        "measured": f"measured {points}",
        "teacher": f"you gave {points}",
        "open": f"{points} sure, the rest open" if points else "open",
    }[by]
    before = criterion.get("measured_points")
    if by == "teacher" and before is not None:
        said += f", measured {points_text(before)}"
    return {
        "id": criterion["id"],
        "title": titles.get(criterion["id"], criterion["id"]),
        "of": criterion["of"],
        "of_text": points_text(criterion["of"]),
        "by": by,
        "said": said + (", a close call" if criterion.get("close_call") else ""),
        "choices": _choices(criterion["of"]),
        "evidence": [
            {
                "text": one_line(e["text"]),
                "at_s": e.get("at_s"),
                "at": wording.clock(e.get("at_s")),
                "clip": _own_clip(record, criterion["id"], place),
            }
            for place, e in enumerate(criterion["evidence"])
        ],
    }


def _own_clip(record: Record, criterion: str, place: int) -> str | None:
    """The address of a sentence's clip, where it is not that of a string."""
    name = evidence_clip(record, criterion, place)
    strings = {clip_name(string) for string in record["strings"]}
    return (
        f"clips/{record['student']['student_id']}/{name}" if name and name not in strings else None
    )


def _choices(of: float) -> list[str]:
    """The points that a click gives: whole points up to four, else none, half and all."""
    if of == int(of) and of <= 4:
        return [str(n) for n in range(int(of) + 1)]
    return ["0", f"{of / 2:g}", f"{of:g}"]


def _note(note: Mapping[str, Any]) -> dict[str, Any]:
    kinds = {"two_strings": "two strings", "reference_tone": "reference tone"}
    name = note.get("string")
    names = [name, note["string_2"]] if name and note.get("string_2") else [name]
    half = note.get("uncertainty_cents")
    return {
        "at_s": note["start_s"],
        "at": f"{note['start_s']:.1f}",
        "long": f"{note['end_s'] - note['start_s']:.1f}",
        "kind": kinds.get(note["kind"], note["kind"]),
        "string": " and ".join(n for n in names if n) or "?",
        "hz": "" if note.get("f0_hz") is None else f"{note['f0_hz']:.2f}",
        "cents": signed(note.get("deviation_cents")),
        "half": "" if half is None else wording.cents(half),
        "role": note.get("role") or "",
    }


def _speech(record: Record) -> dict[str, Any] | None:
    if not record["speech"]:
        return None
    seconds = sum(p["end_s"] - p["start_s"] for p in record["speech"])
    return {
        "clip": f"clips/{record['student']['student_id']}/{clip_name('speech')}",
        "seconds": f"{seconds:.0f}",
        "passages": [
            {"at_s": p["start_s"], "at": wording.clock(p["start_s"])} for p in record["speech"]
        ],
    }


def _video(submission: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """The student's own recording, linked from beside the page; None inside a .zip archive."""
    if submission is None:
        return None
    file = submission["file"]
    return {"file": wording.safe_text(file, FILE_LIMIT), "href": recording_address(file)}


def _looks(record: Record) -> list[dict[str, Any]]:
    """The moments to look at the instrument itself: before the first turn and after the last."""
    turns = [m for s in record["strings"].values() for m in s.get("moves") or []]
    if not turns:
        return []
    first = max(0.0, min(m["start_s"] for m in turns) - BEFORE_TURN_S)
    last = max(m["end_s"] for m in turns)
    return [
        {"words": words, "at_s": at_s, "at": wording.clock(at_s)}
        for words, at_s in (("before the first turn", first), ("after the last turn", last))
    ]


_UNKNOWN: RecordingQuality = {
    "snr_db": None,
    "clipped_fraction": None,
    "speed_error_cents": None,
    "low_cut_hz": None,
    "gated": None,
}


def _facts(
    record: Record, ticket: Mapping[str, Any], second_opinion: Mapping[str, Any] | None
) -> list[tuple[str, str]]:
    submission, recording = record["submission"], record["recording"] or _UNKNOWN
    if submission is None:
        return []
    recorded = recorded_at(submission["take"], ticket, second_opinion)
    facts = [
        ("File", wording.safe_text(submission["file"], FILE_LIMIT)),
        ("Take", f"{submission['attempt'] or 'one'} of {submission['attempts']}"),
        ("Received", moment_text(submission.get("received"))),
        ("Recorded", f"{recorded}, by the device's own clock" if recorded else ""),
        ("Recorded on", spoken_days(practice_days(record, ticket, second_opinion))),
        ("Length", wording.clock(submission.get("duration_s"))),
        (
            "Format",
            one_line(" ".join(str(submission.get(k) or "") for k in ("container", "codec"))),
        ),
    ]
    if recording.get("snr_db") is not None:
        facts.append(("Signal over noise", f"{recording['snr_db']:.0f} dB"))
    if recording.get("clipped_fraction"):
        facts.append(("Clipped", f"{recording['clipped_fraction']:.1%} of the samples"))
    if recording.get("low_cut_hz"):
        facts.append(("Nothing below", f"{recording['low_cut_hz']:.0f} Hz"))
    if recording.get("speed_error_cents"):
        facts.append(("Recording speed off by", f"{recording['speed_error_cents']:+.1f} cents"))
    if recording.get("gated"):
        facts.append(("Noise suppression", "cut into the notes"))
    return [(name, text) for name, text in facts if text]


def _format(submission: Mapping[str, Any]) -> str:
    return " ".join(str(submission.get(key) or "") for key in ("container", "codec"))


def student_data(
    record: Record, ticket: Mapping[str, Any], second_opinion: Mapping[str, Any] | None
) -> dict[str, Any]:
    """What the page's script needs of a student: the take that counts, [points, still open] of
    every criterion as it stands without the teacher's marks, and what marking plays and asks."""
    return {
        "id": record["student"]["student_id"],
        "take": take_of(record),
        "given_for": {
            c["id"]: c["given_for"] for c in record["score"]["criteria"] if c.get("given_for")
        },
        "marked": is_marked(record),
        "unmarked": {c["id"]: _without_mark(c) for c in record["score"]["criteria"]},
        "marking": {
            "criteria": criteria_to_mark(record),
            "questions": questions_of(
                record, ticket["ear"], disagreements(record, second_opinion), ticket["rubric"]
            ),
            "media": media_of(record, bool(ticket.get("stills"))),
            "practice": practice_data(record, ticket, second_opinion),
        },
    }


def _without_mark(criterion: Mapping[str, Any]) -> list[float | None]:
    if criterion["by"] == "teacher":
        measured = criterion["measured_points"]
        return [measured, criterion["of"] if measured is None else 0]
    return [criterion["points"], criterion["open"]]
