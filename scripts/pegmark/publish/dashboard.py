"""The class page: one offline HTML file with everything a teacher works from after the deadline.

`build_dashboard` turns records into a view (plain texts, numbers and pictures), and the template
places them; Jinja escapes every text, and data for the script goes in as JSON that cannot end its
element. Scripts, styles and pictures stand inside the page; only clips, sheets and the students'
own recordings are linked beside it. The page's security policy allows nothing from a network.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from pegmark.publish import class_pictures
from pegmark.publish.agreement import agreement
from pegmark.publish.attention import disagreements, recorded_at
from pegmark.publish.class_records import (
    STATUS_WORDS,
    Record,
    class_records,
    counted_from,
    criterion_titles,
    full_name,
    hours_late,
    open_criteria,
    recording_address,
)
from pegmark.publish.maintenance import care_list
from pegmark.publish.todo import COLUMNS, FILE_LIMIT, TEXT_LIMIT, todo
from pegmark.render import pictures
from pegmark.render.clips import clip_name
from pegmark.trade import pitch
from pegmark.trade.instruments import OpenStrings
from pegmark.words import wording

TEMPLATES = Path(__file__).parent
NOTHING = {"missing": "Nothing was handed in.", "excused": "Excused this time."}
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
}
ENOUGH_PLAYERS = 3  # below, "the string that gives most trouble" is about one child
BEFORE_TURN_S = 5.0  # a look at the bridge before the first turn starts this much earlier


def build_dashboard(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None = None,
) -> str:
    """The page as HTML text.

    `records` maps student_id to the record, `ticket` is tickets/publish.json, `second_opinion`
    what `pegmark.recheck.second_opinion.second_opinion` gave, or None.
    """
    view = class_view(records, ticket, second_opinion)
    return _template().render(
        view=view,
        style=_text("dashboard.css"),
        script=_inline_script(_text("dashboard.js")),
        table_library=_inline_script(_table_library()),
    )


def class_view(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Everything the template shows, as plain data."""
    class_list = class_records(records, ticket)
    titles = {one: wording.safe_text(text) for one, text in criterion_titles(ticket).items()}
    aliases = _aliases(class_list)
    students = [_student(r, aliases, titles, ticket, second_opinion) for r in class_list]
    by_id = {student["id"]: student for student in students}
    tasks = todo(records, ticket, second_opinion)
    for task in tasks.values():
        for entry in task["entries"]:
            entry["student"] = by_id.get(entry.get("student_id", ""))
    title = wording.safe_text(ticket["title"])
    class_name = wording.safe_text(ticket["class_name"])
    return {
        "title": title,
        "class_name": class_name,
        "due": _moment(ticket["due"]),
        "asked": _asked(ticket),
        "understood": _line(ticket["understood"]),
        "students": students,
        "counts": _counts(class_list),
        "tasks": tasks,
        "columns": COLUMNS,
        "criteria": list(titles.items()),
        "string_count": max([4, *(len(r["strings"]) for r in class_list)]),
        "sections": sorted({s["section"] for s in students if s["section"]}),
        "pictures": _pictures(class_list),
        "care": [{**entry, "student": by_id[entry["student_id"]], "text": _line(entry["text"])}
                 for entry in care_list(class_list)],
        "agreement": _agreement(class_list, titles, by_id),
        "verdicts": [(v, class_pictures.VERDICT_WORDS[v]) for v in class_pictures.VERDICTS],
        "data": {
            "key": f"{class_name}|{title}",
            "class": class_name,
            "rubric": [{"id": c["id"], "of": c["points"]} for c in ticket["rubric"]["criteria"]],
            "marks": ticket["marks"],
            "students": [_student_data(r) for r in class_list],
        },
    }  # fmt: skip


# The page's parts


def _asked(ticket: Mapping[str, Any]) -> str:
    """What the class was asked for, in one line."""
    reference, tolerances = ticket["reference"], ticket["tolerances"]
    methods = {
        "tuner": "with a tuner",
        "by_ear": "by ear to a sounded A",
        "string_to_string": "string against string",
    }
    intervals = {"equal": "equal temperament", "pure": "pure intervals"}
    factor = tolerances["below_c3_factor"]
    wider = {1: "", 2: "; strings below C3 twice as wide"}.get(
        factor, f"; strings below C3 {factor:g} times as wide"
    )
    return (
        f"A = {reference['a4_hz']:g} Hz, {intervals[reference['temperament']]}, "
        f"{methods[reference['method']]}. In tune within {tolerances['in_tune_cents']:g} cents, "
        f"close within {tolerances['close_cents']:g}{wider}."
    )


def _counts(class_list: list[Record]) -> list[tuple[str, int]]:
    states = [record["status"] for record in class_list]
    return [(words, states.count(s)) for s, words in STATUS_WORDS.items() if s in states]


def _pictures(class_list: list[Record]) -> dict[str, Any]:
    left = class_pictures.strings_left(class_list)
    instruments: dict[str, dict[str, list[dict[str, Any]]]] = {}
    for (instrument, name), strings in left.items():
        instruments.setdefault(instrument, {})[name] = strings
    trouble: list[dict[str, Any]] = [
        {
            "label": f"{instrument} {wording.letter(name)}",
            "name": name,
            "bar": class_pictures.bar_svg(count),
            "words": class_pictures.sentence(count),
            "share": f"{count['in_tune']} of {count.total()}",
            "players": count.total(),
            "all_in_tune": count["in_tune"] == count.total(),
        }
        for (instrument, name), count in class_pictures.trouble_order(left)
    ]
    return {
        "left": [
            {"instrument": instrument, "svg": class_pictures.left_svg(instrument, strings)}
            for instrument, strings in sorted(instruments.items(), key=_score_order)
        ],
        "trouble": [row for row in trouble if not row["all_in_tune"]],
        "calm": wording.listed([row["label"] for row in trouble if row["all_in_tune"]], " and "),
        "worst": _worst(trouble),
        "sections": _sections(class_list),
    }


def _score_order(entry: tuple[str, dict[str, list[dict[str, Any]]]]) -> tuple[int, str]:
    """Instruments as a score lists them: those with the higher top string first."""
    instrument, strings = entry
    return -pitch.semitone(next(iter(strings))), instrument


def _worst(trouble: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The string to talk about in class: of those that enough students play, if there are any."""
    shared = [row for row in trouble if row["players"] >= ENOUGH_PLAYERS] or trouble
    return shared[0] if shared and not shared[0]["all_in_tune"] else None


def _sections(class_list: list[Record]) -> list[dict[str, Any]]:
    sections: dict[str, list[Record]] = {}
    for record in class_list:
        sections.setdefault(record["student"].get("section") or "No section", []).append(record)
    counted = []
    for name, members in sorted(sections.items()):
        strings = [s for r in members for s in r["strings"].values()]
        counted.append((name, members, strings, class_pictures.counts(strings)))
    return [
        {
            "name": wording.safe_text(name),
            "students": len(members),
            "heard": sum(bool(r["strings"]) for r in members),
            "typical": _median([abs(c) for s in strings if (c := counted_from(s)) is not None]),
            "bar": class_pictures.bar_svg(count),
            "words": class_pictures.sentence(count),
        }
        for name, members, strings, count in counted
    ]  # fmt: skip


def _agreement(
    class_list: list[Record], titles: Mapping[str, str], by_id: Mapping[str, dict[str, Any]]
) -> dict[str, Any] | None:
    """How far her points and the measured ones agree, in words; None where no two overlap."""
    found = agreement(class_list)
    if found is None:
        return None
    return {
        "pairs": found["all"]["pairs"],
        "exact": _percent(found["all"]["exact"]),
        "criteria": [
            {
                "title": titles.get(row["id"], row["id"]),
                "pairs": row["pairs"],
                "exact": _percent(row["exact"]),
                "adjacent": _percent(row["adjacent"]),
                "kappa": _kappa(row),
            }
            for row in found["criteria"]
        ],
        "disagreements": [
            {
                "student": by_id[row["student_id"]],
                "title": titles.get(row["criterion"], row["criterion"]),
                "measured": _points(row["measured"]),
                "teacher": _points(row["teacher"]),
                "of": _points(row["of"]),
                "at": "" if (at := wording.clock(row["at_s"])) in row["text"] else at,
                "text": _line(row["text"]),
                "comment": _line(row["comment"] or ""),
            }
            for row in found["disagreements"]
        ],
    }


def _percent(share: float | None) -> str:
    return "" if share is None else f"{share:.0%}"


def _kappa(row: Mapping[str, Any]) -> str:
    if row["kappa"] is None:
        return "not defined"
    kappa = wording.number(row["kappa"], 2)
    if row["low"] is None:
        return kappa
    return f"{kappa} ({wording.number(row['low'], 2)} to {wording.number(row['high'], 2)})"


# One student


def _student(
    record: Record,
    aliases: Mapping[str, str],
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
        "alias": aliases[student_id],
        "section": wording.safe_text(student.get("section") or ""),
        "instrument": wording.safe_text(student.get("instrument") or ""),
        "status": record["status"],
        "state": STATUS_WORDS[record["status"]],
        "measured": bool(strings),
        "marked": _is_marked(record),
        "nothing": NOTHING.get(record["status"], ""),
        "total": score["total"],
        "total_text": _points(score["total"]),
        "of": _points(score["of"]),
        "open": [c["id"] for c in open_criteria(record)],
        "late": late,
        "late_text": _hours(late) + _taken_off(score.get("late")),
        "worst": worst,
        "strings": strings,
        "problems": [_problem(p, titles) for p in record["problems"]],
        "settled": [_problem(p, titles) for p in record.get("settled_problems", [])],
        "second_opinion": [
            {**found, "at": wording.clock(found["at_s"]), "letter": wording.letter(found["string"])}
            for found in disagreements(record, second_opinion)
        ],
        "observations": [
            {"text": _line(o["text"]), "at_s": o.get("at_s"), "at": wording.clock(o.get("at_s"))}
            for o in record["observations"]
        ],
        "next_step": _line((record.get("next_step") or {}).get("text") or ""),
        # What waits for the teacher stands first, beside the clips.
        "criteria": sorted(
            [_criterion(c, titles) for c in score["criteria"]], key=lambda c: c["by"] != "open"
        ),
        "notes": [_note(n) for n in record["notes"]],
        "speech": _speech(record),
        "axis": pictures.axis_svg(pictures.frame_of(record)) if strings else "",
        "key": [(kind, KEY_WORDS[kind]) for kind in pictures.kinds_shown(record)]
        if strings
        else [],
        "video": _video(submission),
        "looks": _looks(record),
        "facts": _facts(record, ticket, second_opinion),
        "other_takes": [wording.safe_text(t["file"], FILE_LIMIT) for t in record["other_takes"]],
        "sheet": f"sheets/{student_id}.pdf",
    }


def _is_marked(record: Record) -> bool:
    """Whether there is something to give points for."""
    return record["status"] not in NOTHING


def _strings(record: Record) -> list[dict[str, Any]]:
    frame = pictures.frame_of(record)
    instrument = _instrument(record)
    found = []
    for rank, (name, string) in enumerate(record["strings"].items()):
        notes = [n for n in record["notes"] if n.get("string") == name]
        cents, half = counted_from(string), string["uncertainty_cents"]
        deciding = string.get("deciding")
        picture = ""
        if name in (record.get("tolerances") or {}):
            home = pictures.home_of(record, name, instrument)
            picture = pictures.string_svg(string, notes, frame, home, rank)
        found.append(
            {
                "name": name,
                "letter": wording.letter(name),
                "verdict": string["verdict"],
                "words": class_pictures.VERDICT_WORDS[string["verdict"]],
                "mark": class_pictures.mark_svg(string["verdict"], cents),
                "cents": cents,
                "cents_text": _signed(cents),
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
        said.append("not played after the last turn of any")
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
        "message": _line(problem["message"]),
        "action": _line(action),
        "at_s": at_s,
        "at": wording.clock(at_s),
    }


def _criterion(criterion: Mapping[str, Any], titles: Mapping[str, str]) -> dict[str, Any]:
    by = criterion["by"]
    points = _points(criterion["points"])
    said = {
        "measured": f"measured {points}",
        "teacher": f"you gave {points}",
        "open": f"{points} sure, the rest open" if points else "open",
    }[by]
    before = criterion.get("measured_points")
    if by == "teacher" and before is not None:
        said += f", measured {_points(before)}"
    return {
        "id": criterion["id"],
        "title": titles.get(criterion["id"], criterion["id"]),
        "of": criterion["of"],
        "of_text": _points(criterion["of"]),
        "by": by,
        "said": said + (", a close call" if criterion.get("close_call") else ""),
        "choices": _choices(criterion["of"]),
        "evidence": [
            {"text": _line(e["text"]), "at_s": e.get("at_s"), "at": wording.clock(e.get("at_s"))}
            for e in criterion["evidence"]
        ],
    }


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
        "cents": _signed(note.get("deviation_cents")),
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


def _facts(
    record: Record, ticket: Mapping[str, Any], second_opinion: Mapping[str, Any] | None
) -> list[tuple[str, str]]:
    submission, recording = record.get("submission"), record.get("recording") or {}
    if submission is None:
        return []
    recorded = recorded_at(submission["take"], ticket, second_opinion)
    facts = [
        ("File", wording.safe_text(submission["file"], FILE_LIMIT)),
        ("Take", f"{submission['attempt'] or 'one'} of {submission['attempts']}"),
        ("Received", _moment(submission.get("received"))),
        ("Recorded", f"{recorded}, by the device's own clock" if recorded else ""),
        ("Length", wording.clock(submission.get("duration_s"))),
        ("Format", _line(" ".join(str(submission.get(k) or "") for k in ("container", "codec")))),
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


def _aliases(class_list: list[Record]) -> dict[str, str]:
    """Names for the projector view, in an order that says nothing about the roster's."""
    ids = [record["student"]["student_id"] for record in class_list]
    mixed = sorted(ids, key=lambda one: hashlib.sha256(one.encode()).hexdigest())
    return {one: f"Player {place}" for place, one in enumerate(mixed, start=1)}


# Data for the script


def _student_data(record: Record) -> dict[str, Any]:
    """What the page's script needs to add up a student's points: [points, still open] of every
    criterion as it stands without the teacher's marks."""
    return {
        "id": record["student"]["student_id"],
        "marked": _is_marked(record),
        "unmarked": {c["id"]: _without_mark(c) for c in record["score"]["criteria"]},
    }


def _without_mark(criterion: Mapping[str, Any]) -> list[float | None]:
    if criterion["by"] == "teacher":
        measured = criterion["measured_points"]
        return [measured, criterion["of"] if measured is None else 0]
    return [criterion["points"], criterion["open"]]


# Small words


def _line(text: str) -> str:
    return wording.safe_text(text, TEXT_LIMIT)


def _points(value: float | None) -> str:
    return "" if value is None else wording.points(value)


def _signed(cents: float | None) -> str:
    if cents is None:
        return ""
    size = wording.cents(cents)
    if float(size) == 0:
        return size
    return ("+" if cents > 0 else wording.MINUS) + size


def _hours(hours: float | None) -> str:
    if hours is None:
        return ""
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"


def _taken_off(late: Mapping[str, Any] | None) -> str:
    """What the teacher's policy takes off, beside the raw points: ', −2 points'."""
    off = late["points_off"] if late else 0
    return f", {wording.MINUS}{_points(off)} points" if off else ""


def _moment(iso: str | None) -> str:
    try:
        return f"{datetime.fromisoformat(iso or ''):%a %d %b %Y, %H:%M}"
    except ValueError:
        return ""


def _median(values: list[float]) -> str:
    if not values:
        return ""
    ordered = sorted(values)
    middle = len(ordered) // 2
    value = ordered[middle] if len(ordered) % 2 else sum(ordered[middle - 1 : middle + 1]) / 2
    return wording.cents(value)


# What stands inside the page


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["fill_svg"] = class_pictures.fill_svg
    environment.globals["mark_svg"] = class_pictures.mark_svg
    environment.globals["symbols_svg"] = class_pictures.symbols_svg
    environment.globals["key_svg"] = pictures.key_svg
    return environment.get_template("dashboard.html.j2")


def _text(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _table_library() -> str:
    """DataTables as the installed itables package bundles it: an ES module, licences included.

    The file is read without importing the package, which would load pandas.
    """
    package = find_spec("itables")
    if package is None or package.origin is None:
        raise ModuleNotFoundError("itables is not installed: set up the environment again")
    return (Path(package.origin).parent / "html" / "dt_bundle.js").read_text(encoding="utf-8")


def _inline_script(script: str) -> str:
    """Script text that cannot end the element it stands in (HTML standard, 4.12.1.3)."""
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")
