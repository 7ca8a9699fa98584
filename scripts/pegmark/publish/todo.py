"""What the teacher must do now: four steps, in the order in which they are done.

The class page and the command's summary show the same steps with the same numbers (`steps`,
`step_lines`). Behind them stands every row of the attention list under its task (`todo`). Where
there may be many, a row is a few words: who is to be listened to shows each reason as a word that
plays the passage; open points are counted by criterion, since nearly every student has some; late
and missing students are names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pegmark.publish.attention import TASKS, Row, attention_rows, disagreements, task_of
from pegmark.publish.class_records import (
    class_records,
    criterion_titles,
    open_criteria,
    recording_address,
)
from pegmark.records.states import DECISIONS
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

FILE_LIMIT = 120  # characters of a file name
QUESTION_S = 20  # to hear a passage twice and decide (common practice, no source)
TODO_STEPS = (  # code, heading, what starts it, its tasks
    ("whose", "Whose file is this?", "Start matching", ("unmatched",)),
    ("listen", "Listen", "Start listening", ("listen",)),
    ("mark", "Mark", "Start marking", ("open",)),
    ("ask", "Ask again", "Show whom", ("unreadable", "missing")),
)
NOTES = ("other", "late")  # no work, but worth a look
HEADINGS = {  # task -> (heading, what it means)
    "unmatched": ("Unmatched files", "Files and lines that match no student on the roster."),
    "unreadable": ("Could not be read", "Ask for these recordings again."),
    "listen": (
        "Needs your ear",
        "pegmark was not sure enough of these. Click a reason to hear the passage.",
    ),
    "other": ("Worth a look", "Done, but with a note."),
    "late": ("Late", "Shown here; no points are taken off."),
    "missing": ("Not handed in", "No recording arrived."),
    "open": ("Waiting for your marks", "Students by what is still to be marked:"),
}
# Recordings that could not be matched: she looks at one to say whose it is.
WHOSE = ("match_none", "match_several", "match_contradiction")
LATE_COUNTS = "Points are taken off as assignment.yaml says."
# Problem code -> the reason in a few words, where it has some.
REASONS = {
    "string_not_heard": "{string} not heard",
    "which_string": "which notes are {string}",
    "string_unsure": "notes without a name",
    "pitch_unsure": "{string} unsure",
    "fell_far": "{string} fell far",
    "slipped_left": "{string} after a slip",
    "far_off": "{string} far off",
    "no_a_sounded": "no A heard for {string}",
    "pitch_contradicts": "{string} sounds two pitches",
    "no_a_heard": "no A heard for {string}",
    "neighbour_unsure": "{string} beside an unsure string",
    "order_unsure": "which string came first",
    "sounding_unsure": "sounding while turned",
    "moves_unsure": "size of a turn on {string}",
    "method_unheard": "way of tuning",
    "no_turns": "nothing was turned",
    "already_in_tune": "nothing had to be turned",
    "whole_unsure": "pitch of the whole",
    "wrong_instrument": "another instrument?",
    "noisy": "noisy",
    "too_quiet": "very quiet",
    "recording_speed": "wrong speed",
    "speed_fault": "wrong speed",
    "speed_question": "right speed?",
    "sound_gaps": "gaps in the sound",
    "second_opinion": "{string}: {f0_hz:.1f} or, by the second opinion, {second_hz:.1f} Hz",
}


def todo(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None,
) -> dict[str, dict[str, Any]]:
    """The tasks by their code: heading, what it means, entries, how many they are.

    An entry's `student_id` is "" where it is nobody's; `address` leads to its recording. Entries
    of `listen` have `reasons`, of `open` a criterion with the number of its students, the others
    message and action.
    """
    class_list = class_records(records, ticket)
    status = {r["student"]["student_id"]: r["status"] for r in class_list}
    rows: dict[str, list[Row]] = {task: [] for task in TASKS}
    for row in attention_rows(records, ticket, second_opinion):
        rows[task_of(row, status.get(row["student_id"]))].append(row)
    entries = {task: _entries(of_task, status) for task, of_task in rows.items()}
    counted = {task: len(found) for task, found in entries.items()}
    by_id = {r["student"]["student_id"]: r for r in class_list}
    titles = criterion_titles(ticket)
    for entry in entries["listen"]:
        of_student = [r for r in rows["listen"] if r["student_id"] == entry["student_id"]]
        entry["reasons"] = _reasons(of_student, by_id[entry["student_id"]], second_opinion)
    entries["open"] = _open_by_criterion(class_list, titles)
    for entry in entries["late"]:
        entry["message"] = entry["message"].removeprefix("Handed in ").removesuffix(".")
    late_counts = ticket["policies"]["late"] is not None
    return {
        task: {
            "code": task,
            "heading": HEADINGS[task][0],
            "what": LATE_COUNTS if task == "late" and late_counts else HEADINGS[task][1],
            "entries": entries[task],
            "count": counted[task],
        }
        for task in TASKS
    }


def steps(tasks: Mapping[str, dict[str, Any]], class_list: list[Record]) -> list[dict[str, Any]]:
    """The four steps: code, heading, number (`count`), its words, the button, the tasks.

    Parameters
    ----------
    tasks : of `todo`.
    class_list : the records of the whole roster, which give the students to be marked.
    """
    made = []
    for code, heading, button, of_step in TODO_STEPS:
        # One who is to be asked again stands in one task only: unreadable or not handed in.
        count = sum(tasks[task]["count"] for task in of_step)
        if code == "mark":
            count = sum(bool(criteria_to_mark(record)) for record in class_list)
        made.append(
            {
                "code": code,
                "heading": heading,
                "button": button,
                "count": count,
                "words": _step_words(code, count, tasks),
                "tasks": [tasks[task] for task in of_step if tasks[task]["count"]],
            }
        )
    return made


def step_lines(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None,
) -> list[str]:
    """The four steps as lines of text: '2. Listen: 3 students, about 1 minute'."""
    tasks = todo(records, ticket, second_opinion)
    made = steps(tasks, class_records(records, ticket))
    return [
        f"{place}. {step['heading'].rstrip('?')}: {step['words']}"
        for place, step in enumerate(made, start=1)
    ]


def criteria_to_mark(record: Record) -> list[str]:
    """The open criteria that only the teacher can give, beside those that an ear settles."""
    if record["status"] == "unreadable":
        return []
    asked = {
        one
        for problem in record["problems"]
        if is_asked(problem) and not is_decision(record, problem)
        for one in problem["criteria"]
    }
    return [row["id"] for row in open_criteria(record) if row["id"] not in asked]


def is_asked(problem: Mapping[str, Any]) -> bool:
    """Whether a problem is a question of its own; marks of another take are kept while marking."""
    return bool(problem.get("criteria")) and problem["code"] != "marks_of_other_take"


def is_decision(record: Record, problem: Mapping[str, Any]) -> bool:
    """Whether a problem is asked while marking: nothing has to be heard for it, nor for others of
    its take."""
    return problem.get("code") in DECISIONS and record["status"] != "needs_listening"


def _step_words(code: str, count: int, tasks: Mapping[str, dict[str, Any]]) -> str:
    if not count:
        return "nothing"
    if code == "whose":
        return _counted(count, "file")
    words = _counted(count, "student")
    if code == "listen":
        questions = sum(len(entry["reasons"]) for entry in tasks["listen"]["entries"])
        minutes = math.ceil(questions * QUESTION_S / 60)
        words += f", about {_counted(minutes, 'minute')}"
    return words


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _entries(rows: list[Row], status: Mapping[str, str]) -> list[dict[str, Any]]:
    """A student stands once in a task, with all that is said; what is nobody's stands by itself."""
    found: dict[object, dict[str, Any]] = {}
    for place, row in enumerate(rows):
        message = wording.safe_text(row["message"], wording.TEXT_LIMIT)
        action = wording.safe_text(row["action"], wording.TEXT_LIMIT)
        known = row["student_id"] in status
        entry = found.get(row["student_id"] if known else place)
        if entry:
            entry["message"] += " " + message
            entry["action"] += " " + action
            continue
        file = wording.safe_text(row["file"], FILE_LIMIT)
        found[row["student_id"] if known else place] = {
            "student_id": row["student_id"] if known else "",
            "stranger": "" if known else wording.safe_text(row["student_id"]),
            "file": "" if file in message else file,
            "address": recording_address(row["file"]) if row["code"] in WHOSE else None,
            "message": message,
            "action": action,
        }
    return list(found.values())


def _reasons(
    rows: list[Row], record: Record, second_opinion: Mapping[str, Any] | None
) -> list[dict[str, Any]]:
    """Why a take is to be listened to, one reason a row."""
    told = {(p["code"], p["message"]): p for p in record["problems"]}
    others = iter(disagreements(record, second_opinion))  # in the order of their rows
    reasons = []
    for row in rows:
        about = (
            next(others)
            if row["code"] == "second_opinion"
            else told.get((row["code"], row["message"]), {})
        )
        reasons.append(_reason(row, about, list(record["strings"])))
    return reasons


def _reason(row: Row, about: Mapping[str, Any], strings: list[str]) -> dict[str, Any]:
    """A reason in a few words with its passage; one that has none in full (`words` is "").

    `clip` is the number of the string's clip, 1 the highest.
    """
    string = about.get("string")
    words = REASONS.get(row["code"], "")
    if string is None and "{string}" in words:
        words = ""
    return {
        "words": words.format(**{**about, "string": wording.letter(string or "")}),
        "message": wording.safe_text(row["message"], wording.TEXT_LIMIT),
        "action": wording.safe_text(row["action"], wording.TEXT_LIMIT),
        "at": wording.clock(about.get("at_s")),
        "at_s": about.get("at_s"),
        "clip": strings.index(string) + 1 if string in strings else None,
    }


def _open_by_criterion(class_list: list[Record], titles: Mapping[str, str]) -> list[dict[str, Any]]:
    """How many students wait for points in each criterion, in the rubric's order.

    A take that could not be read waits for another recording, not for points.
    """
    count = dict.fromkeys(titles, 0)
    for record in class_list:
        if record["status"] != "unreadable":
            for criterion in open_criteria(record):
                count[criterion["id"]] = count.get(criterion["id"], 0) + 1
    return [
        {"criterion": one, "title": wording.safe_text(titles.get(one, one)), "students": number}
        for one, number in count.items()
        if number
    ]
