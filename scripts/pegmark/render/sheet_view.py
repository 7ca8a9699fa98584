"""What a sheet says: a record's facts as texts and pictures, in the student's language.

`sheet_view` gives everything the page shows, by the names that sheet.html.j2 uses; no
sentence stands in code or template, all come from the ticket's part of the comments files. Unknown
values are left out or said to be unknown, never shown as zero. All text from outside is made safe.
"""

from __future__ import annotations

from base64 import b64encode
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pegmark.render import pictures, string_path
from pegmark.render.course import better, course_of, course_svg, longest_run, weeks_in_tune
from pegmark.render.praise import praise
from pegmark.render.sheet_facts import facts_of
from pegmark.render.string_words import string_word, strings_said
from pegmark.trade.instruments import Instrument
from pegmark.trade.tolerances import LEVELS
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import (
        Criterion,
        Evidence,
        Move,
        Observation,
        Record,
        StudentName,
        StudentString,
        Submission,
    )  # fmt: skip
    from pegmark.records.tickets import RenderTicket

UNMEASURED = ("unreadable", "missing", "excused")  # the states in which nothing was heard
# How a sheet can be set, the roomiest first: the height of its pictures, in CSS pixels. The style
# of each stands in sheet.css; a sheet with nothing heard is set "bare".
LAYOUTS = {"usual": string_path.HIGH, "close": 68.0, "tight": 54.0}
TURNS_TOLD = 12  # in the words of a picture; more cannot be followed by ear
SHEET_EXACT_CENTS = 0.05  # below, one decimal shows 0: "right on the line"
LONG_NAME = 32  # characters that fit one line of the title in its usual size
Words = dict[str, Any]


def is_heard(record: Record) -> bool:
    """Whether there are strings to show."""
    return record["status"] not in UNMEASURED and bool(record.get("strings"))


def sheet_view(record: Record, ticket: RenderTicket, layout: str = "usual") -> dict[str, Any]:
    """The page's texts and pictures, by the names the template uses; None for what is left out.

    `layout` is one of `LAYOUTS`.
    """
    words: Words = ticket["sentences"]["sheet"]
    name = student_name(record["student"], words)
    heard = is_heard(record)
    block = ticket.get("instrument")
    instrument = Instrument.from_dict(block) if block else None
    return {
        "layout": layout if heard else "bare",
        "language": ticket["language"],
        "paper": ticket["paper"].lower(),
        "created": datetime.fromtimestamp(int(ticket["epoch"]), UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "title": words["title"].format(name=name),
        "long_title": len(name) > LONG_NAME,
        "about": _about(record, ticket, words),
        "late": _late(record.get("submission"), words),
        "total": _total(record, words),
        "state": _state(record, ticket, words),
        "paths": _paths(record, instrument, words, LAYOUTS[layout]) if heard else None,
        "well": _well(record, words),
        "next_step": _next_step(record, words),
        "points": _points(record, words),
        "counts": _counts(record, words),
        "weeks": _weeks(record, ticket, words) if heard else None,
        "observations": _observations(record, words),
        "cautions": _cautions(instrument, words, ticket["language"]),
        "sure": _sure(record, words) if heard else None,
        "facts": facts_of(record, words),
    }


def _weeks(record: Record, ticket: RenderTicket, words: Words) -> dict[str, Any] | None:
    """The student's course; None where no earlier week on this instrument is known."""
    course = course_of(ticket["weeks"], record) if ticket["weeks"] else []
    told = words["weeks"]
    if len(course) < 2:
        return None
    found = better(course)
    runs = [longest_run(course, name) for name in course[-1]["strings"]]
    best = max(runs, key=lambda run: run.weeks)
    lines = []
    if found is not None:
        key, fields = found
        lines.append(told[key].format(**_week_fields(fields, words)))
    if best.weeks > 1 and (found is None or found[0] != "run"):
        fields = {"string": best.string, "weeks": best.weeks}
        lines.append(told["longest"].format(**_week_fields(fields, words)))
    names = {name: string_word(name, words) for name in course[-1]["strings"]}
    rows = [
        told["alt_string"].format(string=said, count=weeks_in_tune(course, name), weeks=len(course))
        for name, said in names.items()
    ]
    return {
        "heading": told["heading"],
        "lines": [wording.unwidowed(line) for line in lines],
        "picture": _image(course_svg(course, names, words["decimal"])),
        "alt": told["alt"].format(weeks=len(course), strings=" ".join(rows)),
        "key": told["key"],
    }


def _week_fields(fields: dict[str, Any], words: Words) -> dict[str, Any]:
    """What fills in a sentence on the weeks, as people say it."""
    said = dict(fields)
    if "string" in said:
        said["string"] = string_word(said["string"], words)
    for name in ("cents", "points"):
        if name in said:
            said[name] = getattr(wording, name)(said[name], words["decimal"])
    return said


def student_name(student: StudentName, words: Words) -> str:
    """The student's name as people say it, made safe; the id where the roster has no name."""
    given = wording.safe_text(student.get("given_name"))
    family = wording.safe_text(student.get("family_name"))
    name = wording.safe_text(f"{given} {family}")
    return name or str(words["no_name"]).format(student_id=student["student_id"])


def _about(record: Record, ticket: RenderTicket, words: Words) -> list[str]:
    student = record["student"]
    instrument = student.get("instrument")
    items = [
        words["instruments"].get(instrument, instrument),
        student.get("section"),
        ticket.get("class_name"),
        ticket.get("title"),
    ]
    return [text for item in items if (text := wording.safe_text(item))]


def _late(submission: Submission | None, words: Words) -> str | None:
    hours = submission.get("hours_late") if submission else None
    if not hours or hours <= 0:
        return None
    if hours < 1:
        amount = words["under_an_hour"]
    elif round(hours) == 1:
        amount = words["hours_one"]
    elif hours < 48:
        amount = words["hours_many"].format(hours=round(hours))
    else:
        amount = words["days_many"].format(days=round(hours / 24))
    return str(words["late"]).format(hours=amount)


def _total(record: Record, words: Words) -> dict[str, Any]:
    score = record.get("score") or {}
    total, of, still_open = score.get("total"), score.get("of"), score.get("open") or 0
    if record["status"] == "excused":
        return {"sum": "", "in_words": True, "lines": []}
    if total is None or of is None or (record["status"] in UNMEASURED and not total):
        return {"sum": words["not_graded"], "in_words": True, "lines": []}
    decimal = words["decimal"]
    lines = [words["total_label"]]
    if still_open:
        key = "open_one" if still_open == 1 else "open_many"
        lines = [
            f"{words['total_label']} {words['so_far']}",
            words[key].format(points=wording.points(still_open, decimal)),
        ]
    text = words["total"].format(
        points=wording.points(total, decimal), of=wording.points(of, decimal)
    )
    return {"sum": text, "in_words": False, "lines": lines}


def _state(record: Record, ticket: RenderTicket, words: Words) -> dict[str, str] | None:
    """What the student is told first where the sheet is not simply graded."""
    state = words["states"][record["status"]]
    if state is None:
        return None
    due = wording.date(ticket.get("due"), words) if record["status"] == "missing" else ""
    was_due = " " + words["was_due"].format(date=due) if due else ""
    return {"headline": state["headline"], "text": wording.unwidowed(state["text"] + was_due)}


def _paths(
    record: Record, instrument: Instrument | None, words: Words, height: float
) -> dict[str, Any]:
    part = words["paths"]
    frame = string_path.frame_of(record, height)
    names = list(record["strings"])
    rows = [
        _path_row(record, name, rank, frame, instrument, words) for rank, name in enumerate(names)
    ]
    return {
        **{key: part[key] for key in ("heading", "intro", "string", "path", "result", "time")},
        "scale": part["scale"],
        "rows": rows,
        "axis": _image(pictures.axis_svg(frame)),
        "axis_alt": part["alt_time"].format(
            start=wording.clock(frame.start_s), end=wording.clock(frame.end_s)
        ),
        "key": [
            {"text": part["key"][kind], "picture": _image(pictures.key_svg(kind))}
            for kind in pictures.kinds_shown(record, instrument, height)
        ],
    }


def _path_row(
    record: Record,
    name: str,
    rank: int,
    frame: string_path.Frame,
    instrument: Instrument | None,
    words: Words,
) -> dict[str, Any]:
    part = words["paths"]
    notes = [note for note in record.get("notes") or [] if note.get("string") == name]
    home = string_path.home_of(record, name, instrument)
    picture = pictures.string_svg(
        record["strings"][name], notes, frame, home, rank, words["decimal"]
    )
    string = string_path.from_home(record["strings"][name], home)
    place = string.get("tuned_as") or 0
    return {
        "letter": string_word(name, words),
        "order": part["order"][place - 1] if 1 <= place <= len(part["order"]) else None,
        "picture": _image(picture),
        "alt": _path_alt(name, string, words),
        "verdict": verdict_word(string, words),
        "edge": part["close_call"] if string.get("close_call") else None,
        "lines": _result_lines(string, words),
    }


def verdict_word(string: StudentString, words: Words) -> str:
    """How a string was left, in a word or two that say which way it is off."""
    verdict = string.get("verdict") or "unsure"
    side = ""
    deviation = string.get("deviation_cents")
    if verdict in ("close", "out") and deviation is not None:
        side = "_high" if deviation > 0 else "_low"
    return str(words["paths"]["verdicts"][verdict + side])


def deviation_words(deviation: float, words: Words) -> str:
    """A deviation in words: ``2.4 cents low``."""
    if abs(deviation) < SHEET_EXACT_CENTS:
        return str(words["paths"]["exact"])
    side = "high" if deviation > 0 else "low"
    return str(words["paths"][side]).format(cents=wording.cents(deviation, words["decimal"]))


def _result_lines(string: StudentString, words: Words) -> list[str]:
    part, decimal = words["paths"], words["decimal"]
    deviation, sure = string.get("deviation_cents"), string.get("uncertainty_cents")
    if deviation is None:
        return []
    left = [deviation_words(deviation, words)]
    if string.get("f0_hz") is not None:
        left.append(part["hertz"].format(hz=f"{string['f0_hz']:.1f}".replace(".", decimal)))
    lines = [", ".join(left)]
    if sure is not None:
        lines.append(part["give_or_take"].format(cents=wording.cents(sure, decimal)))
    return lines


def _path_alt(name: str, string: StudentString, words: Words) -> str:
    """The picture's story in words: sizes, times, silence, slips."""
    part, decimal = words["paths"], words["decimal"]
    sure = string.get("uncertainty_cents")
    fields = {"sure": wording.cents(sure, decimal) if sure is not None else "?"}
    ends = {
        end: part[f"alt_{end}_{_side(value)}"].format(
            cents=wording.cents(value or 0.0, decimal), **fields
        )
        for end, value in (
            ("start", string.get("start_cents")),
            ("end", string.get("deviation_cents")),
        )
    }
    return str(part["alt"]).format(
        string=string_word(name, words), turns=_turns_alt(string, words), **ends
    )


def _turns_alt(string: StudentString, words: Words) -> str:
    """Every turn with its size and time, as many as can be listened to; then what slipped."""
    part, decimal = words["paths"], words["decimal"]
    moves = sorted(string.get("moves") or [], key=lambda move: move["start_s"])
    said = [_turn_alt(move, words) for move in moves[:TURNS_TOLD]] or [part["alt_turns_none"]]
    if len(moves) > TURNS_TOLD:
        said.append(part["alt_more"].format(turns=len(moves) - TURNS_TOLD))
    if slipped := string.get("slipped_cents"):
        said.append(part["alt_slipped"].format(cents=wording.cents(slipped, decimal)))
    return " ".join(said)


def _turn_alt(move: Move, words: Words) -> str:
    part = words["paths"]
    size = move["to_cents"] - move["from_cents"]
    how = {True: "", False: part["alt_silent"], None: part["alt_unheard"]}[move.get("sounding")]
    text = part["alt_turn_up" if size > 0 else "alt_turn_down"].format(
        cents=wording.cents(size, words["decimal"]), time=wording.clock(move["start_s"])
    )
    return f"{text}{how}."


def _side(cents: float | None) -> str:
    if cents is None:
        return "unknown"
    if abs(cents) < SHEET_EXACT_CENTS:
        return "exact"
    return "high" if cents > 0 else "low"


def _well(record: Record, words: Words) -> dict[str, str] | None:
    if not record.get("submission"):
        return None
    text = wording.unwidowed(praise(record, words))
    return {"heading": words["well"]["heading"], "text": text}


def _next_step(record: Record, words: Words) -> dict[str, str] | None:
    step = record.get("next_step")
    if not step:
        return None
    text = wording.unwidowed(wording.safe_text(step["text"], wording.TEXT_LIMIT))
    return {"heading": words["next_step"], "text": text}


def _points(record: Record, words: Words) -> dict[str, Any] | None:
    criteria = (record.get("score") or {}).get("criteria") or []
    if record["status"] in UNMEASURED:
        criteria = [item for item in criteria if item["by"] == "teacher" or item.get("comment")]
    if not criteria:
        return None
    part = words["points"]
    return {
        **{key: part[key] for key in ("heading", "criterion", "score", "reason")},
        "rows": [_points_row(item, words) for item in criteria],
    }


def _counts(record: Record, words: Words) -> dict[str, Any] | None:
    """What a take is marked on, for who has still to hand one in."""
    if record["status"] not in ("unreadable", "missing"):
        return None
    part = words["counts"]
    rows = []
    for item in (record.get("score") or {}).get("criteria") or []:
        if item["by"] == "teacher":
            continue
        key = "worth_one" if item["of"] == 1 else "worth_many"
        points = wording.points(item["of"], words["decimal"])
        rows.append({"title": _title(item), "worth": part[key].format(points=points)})
    return {"heading": part["heading"], "rows": rows} if rows else None


def _title(item: Criterion) -> str:
    return wording.safe_text(item.get("title") or item["id"])


def _points_row(item: Criterion, words: Words) -> dict[str, Any]:
    """One criterion: its points, whole or so far, and the reasons."""
    part, decimal = words["points"], words["decimal"]
    given, still_open = item.get("points"), item.get("open") or 0.0
    value, more = part["open"], None
    if given is not None:
        value = part["value"].format(
            points=wording.points(given, decimal), of=wording.points(item["of"], decimal)
        )
        if still_open:
            more = part["open_part"].format(points=wording.points(still_open, decimal))
    return {
        "title": _title(item),
        "picture": _image(pictures.points_svg(given, item["of"], still_open)),
        "value": value,
        "more": more,
        "reasons": _reasons(item, words),
    }


def _reasons(item: Criterion, words: Words) -> list[dict[str, Any]]:
    """Why there are these points: the teacher's words first.

    Where she decided otherwise than was measured, what was measured is no reason any more.
    """
    part, given = words["points"], item.get("points")
    reasons = []
    comment = wording.safe_text(item.get("comment"), wording.TEXT_LIMIT)
    by_teacher = item["by"] == "teacher"
    if comment or by_teacher:
        text = part["teacher_comment"].format(comment=comment) if comment else part["teacher"]
        reasons.append({"text": text, "at": None, "teacher": True})
    overruled = by_teacher and item.get("measured_points") != given
    for evidence in [] if overruled else item.get("evidence") or []:
        reasons.append({**_timed(evidence, words), "teacher": False})
    if item.get("close_call") and item["by"] == "measured":
        reasons.append({"text": part["close_call"], "at": None, "teacher": False})
    if given is None or item.get("open"):
        key = "open_reason" if given is None else "open_part_reason"
        reasons.append({"text": part[key], "at": None, "teacher": False})
    return reasons


def _timed(item: Evidence | Observation, words: Words) -> dict[str, Any]:
    """A text with its time in the take, which is left out where the text says it already."""
    text = wording.safe_text(item["text"], wording.TEXT_LIMIT)
    time = wording.clock(item.get("at_s"))
    shown = words["points"]["at"].format(time=time) if time and time not in text else None
    return {"text": text, "at": shown}


def _observations(record: Record, words: Words) -> dict[str, Any] | None:
    items = record.get("observations") or []
    if not items:
        return None
    return {"heading": words["observations"], "rows": [_timed(item, words) for item in items]}


def _cautions(instrument: Instrument | None, words: Words, language: str) -> dict[str, Any]:
    part = words["cautions"]
    own = instrument.cautions if instrument else {}
    rows = [*part["all"], *(part[instrument.pegs] if instrument else []), *own.get(language, [])]
    return {"heading": part["heading"], "rows": rows, "stop": part["stop"]}


def _sure(record: Record, words: Words) -> dict[str, str]:
    """How sure the machine is, in words: the well heard, the less sure, the not heard, the edge."""
    part, strings = words["sure"], record["strings"]
    known = {
        name: half
        for name, string in strings.items()
        if (half := string.get("uncertainty_cents")) is not None and string.get("verdict") in LEVELS
    }
    less = {
        name: sure
        for name, sure in known.items()
        if sure > record["tolerances"][name]["in_tune_cents"]
    }
    clear = [sure for name, sure in known.items() if name not in less]
    lost = [name for name, string in strings.items() if name not in known]
    edge = [name for name in known if strings[name].get("close_call")]
    sentences = []
    if clear:
        key = "clear" if len(clear) == len(strings) else "clear_some"
        sentences.append(part[key].format(cents=wording.cents(max(clear), words["decimal"])))
    if less:
        cents = wording.cents(max(less.values()), words["decimal"])
        sentences.append(part["less"].format(strings=strings_said(list(less), words), cents=cents))
    if lost:
        sentences.append(part["not_heard"].format(strings=strings_said(lost, words)))
    if edge:
        sentences.append(part["close_call"].format(strings=strings_said(edge, words)))
    if record["status"] == "needs_listening":
        sentences.append(part["listening"])
    sentences.append(part["wrong"])
    return {"heading": part["heading"], "text": wording.unwidowed(" ".join(sentences))}


def _image(svg: str) -> str:
    """SVG as an address that carries its own content."""
    return "data:image/svg+xml;base64," + b64encode(svg.encode("utf-8")).decode("ascii")
