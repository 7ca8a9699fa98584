"""attention.csv: everything of the class that needs a person, one row each.

Rows come from the intake (files of nobody, unreadable tables ...), from the problems of every
record, from its state (late, not handed in, points still open), and from what shows with all takes
at hand: the second opinion on pitches, one recording under two names, the recording times. What
two of them say stands once. What must be mended first stands first (`TASKS`): the points that only
the teacher gives come last, since there are some for every student.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pegmark.files.csv_text import csv_text
from pegmark.publish.class_records import (
    class_records,
    criterion_titles,
    full_name,
    hours_late,
    open_criteria,
)
from pegmark.publish.oneroster import without_ids
from pegmark.records.states import DECISIONS
from pegmark.words.file_names import listed, shown

if TYPE_CHECKING:
    from pegmark.records.student import Record

COLUMNS = ("student_id", "file", "code", "message", "action")

Row = dict[str, str]

OTHER_WAYS = {  # observation -> what it sounds like
    "way_by_ear": "by ear to an A",
    "way_string_to_string": "string against string",
    "way_apart": "no two strings at once",
}
# The kinds of rows, the most pressing first: belongs to nobody, could not be read, to be listened
# to, done but with a note, handed in late, not handed in, points open.
SAME = "same_recording"  # a group's row stands for the problem in each of its records
TASKS = ("unmatched", "unreadable", "listen", "other", "late", "missing", "open")


def attention_csv(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None = None,
) -> str:
    """The attention list as RFC 4180 text (see `attention_rows`)."""
    return csv_text(COLUMNS, attention_rows(records, ticket, second_opinion))


def attention_rows(
    records: Mapping[str, Record],
    ticket: Mapping[str, Any],
    second_opinion: Mapping[str, Any] | None = None,
) -> list[Row]:
    """Everything that needs a person, in the order of `TASKS`, and in each in the roster's."""
    class_list = class_records(records, ticket)
    said: dict[tuple[str, ...], Row] = {}
    for row in map(_row, ticket.get("attention", [])):
        said.setdefault((row["student_id"], row["code"], row["message"]), row)
    for record in class_list:
        for row in _problem_rows(record):
            said.setdefault((row["student_id"], row["code"], row["message"]), row)
    codes = {key[:2] for key in said}
    rows = list(said.values())
    titles = criterion_titles(ticket)
    for record in class_list:
        rows += [
            r for r in _state_rows(record, titles) if (r["student_id"], r["code"]) not in codes
        ]
        rows += _second_opinion_rows(record, second_opinion)
        rows += _recording_time_rows(record, ticket, second_opinion)
    rows += _same_recording_rows(class_list, ticket, second_opinion)
    rows += _other_way_rows(class_list)
    rows += _oneroster_rows(ticket)
    place = {record["student"]["student_id"]: i for i, record in enumerate(class_list)}
    status = {record["student"]["student_id"]: record["status"] for record in class_list}

    def order(row: Row) -> tuple[int, int]:
        task = task_of(row, status.get(row["student_id"]))
        return TASKS.index(task), place.get(row["student_id"], -1)

    return sorted(rows, key=order)


def task_of(row: Row, status: str | None) -> str:
    """Which of `TASKS` a row belongs to; `status` is its student's, None for nobody's."""
    by_code = {
        "open_points": "open",
        "late": "late",
        "missing": "missing",
        SAME: "other",  # of two students: the question stands in one place
    }
    if row["code"] in by_code:
        return by_code[row["code"]]
    if row["code"] in DECISIONS and status == "graded":
        return "open"
    if status is None:
        return "unmatched" if row["file"] or row["student_id"] else "other"
    if status == "unreadable":
        return "unreadable"
    if status == "needs_listening" or row["code"] == "second_opinion":
        return "listen"
    return "other"


def _row(fields: Mapping[str, Any]) -> Row:
    return {column: str(fields.get(column) or "") for column in COLUMNS}


def _of(record: Record, code: str, message: str, action: str) -> Row:
    file = record["submission"]["file"] if record["submission"] else None
    return _row({"student_id": record["student"]["student_id"], "file": file, "code": code,
                 "message": message, "action": action})  # fmt: skip


def _problem_rows(record: Record) -> Iterator[Row]:
    for problem in record["problems"]:
        if problem["code"] != SAME:
            yield _of(record, problem["code"], problem["message"], problem["action"])


def _state_rows(record: Record, titles: Mapping[str, str]) -> Iterator[Row]:
    late = hours_late(record)
    if late is not None:
        yield _of(
            record, "late", f"Handed in {late:.1f} hours late.", "Decide whether that matters."
        )
    if record["status"] == "missing":
        yield _of(record, "missing", "Nothing was handed in.", "Ask the student for a recording.")
    open_titles = [titles.get(c["id"], c["id"]) for c in open_criteria(record)]
    if open_titles and record["status"] != "unreadable":  # which waits for another recording
        yield _of(
            record,
            "open_points",
            f"No points yet for: {', '.join(open_titles)}.",
            "Give points on the dashboard and put the marks file into the class folder.",
        )


def _second_opinion_rows(record: Record, opinion: Mapping[str, Any] | None) -> Iterator[Row]:
    for found in disagreements(record, opinion):
        yield _of(
            record,
            "second_opinion",
            f"{found['string']} at {found['at_s']:.1f} s: measured {found['f0_hz']:.2f} Hz, "
            f"the second opinion {found['second_hz']:.2f} Hz ({found['apart_cents']:+.0f} cents).",
            "Listen to this string.",
        )


def _recording_time_rows(
    record: Record, ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None
) -> Iterator[Row]:
    """When the takes were recorded, where nothing says which is the latest: a hint and no more."""
    if not any(problem["code"] == "take_undecided" for problem in record["problems"]):
        return
    mine = [t for t in ticket["takes"] if t["student_id"] == record["student"]["student_id"]]
    said = [(recorded_at(take["take"], ticket, opinion), take["file"]) for take in mine]
    known = sorted((moment, file) for moment, file in said if moment)
    if known:
        spoken = ", ".join(f"{shown(file)} {moment}" for moment, file in known)
        yield _row(
            {
                "student_id": record["student"]["student_id"],
                "file": known[-1][1],
                "code": "take_hint",
                "message": f"Recording times that stand in the files, by the devices' own clocks: "
                f"{spoken}.",
                "action": "A hint only; decide which take counts.",
            }
        )


def recorded_at(take: str, ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None) -> str:
    """'2026-03-06 17:45', when its container says that a take was recorded; "" if it does not.

    In the zone of the assignment's due time, or UTC; what has no zone is taken as there.
    """
    text = (opinion or {}).get("recorded_at", {}).get(take)
    if text is None:
        return ""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo:
        due = ticket["due"]
        moment = moment.astimezone((datetime.fromisoformat(due).tzinfo if due else None) or UTC)
    return f"{moment:%Y-%m-%d %H:%M}"


def _same_recording_rows(
    class_list: list[Record], ticket: Mapping[str, Any], opinion: Mapping[str, Any] | None
) -> Iterator[Row]:
    """One recording under several names, a row for all of them: a question, never a verdict."""
    names = {record["student"]["student_id"]: full_name(record) for record in class_list}
    for group in _same_recordings(opinion):
        takes = [take for take in ticket["takes"] if take["take"] in group]
        whose = list(dict.fromkeys(take["student_id"] for take in takes))
        if len(whose) == 1:
            files = " and ".join(shown(take["file"]) for take in takes)
            message = f"{names[whose[0]]} may have handed in the same recording twice: {files}."
            action = "Was another take meant? Then ask for it; no points were changed."
        else:
            spoken = " and ".join(f"{names[t['student_id']]} ({shown(t['file'])})" for t in takes)
            message = f"The same recording may have come in for {spoken}: they sound alike."
            action = (
                "Was one filed under the wrong name? Listen to both, and settle it in "
                "matches.csv, or mark by hand; no points were changed."
            )
        alone = whose[0] if len(whose) == 1 else ""
        yield _row({"student_id": alone, "file": takes[0]["file"], "code": SAME,
                    "message": message, "action": action})  # fmt: skip


def _same_recordings(opinion: Mapping[str, Any] | None) -> list[set[str]]:
    """Takes that are the same recording, each in one set with all the others."""
    groups: list[set[str]] = []
    for pair in (opinion or {}).get("same_recordings", []):
        apart = [group for group in groups if group.isdisjoint(pair["takes"])]
        joined = [group for group in groups if not group.isdisjoint(pair["takes"])]
        groups = [*apart, set(pair["takes"]).union(*joined)]
    return sorted(groups, key=min)


def _other_way_rows(class_list: list[Record]) -> Iterator[Row]:
    """Who seems to have tuned in another way than the task's: one row for all, no verdict."""
    seen: dict[str, list[str]] = {}
    for record in class_list:
        for one in record["observations"]:
            if one["code"] in OTHER_WAYS:
                seen.setdefault(one["code"], []).append(full_name(record))
    if seen:
        spoken = "; ".join(f"{OTHER_WAYS[code]}: {listed(names)}" for code, names in seen.items())
        yield _row(
            {
                "code": "other_way",
                "message": f"Another way of tuning than the task's, as it sounds: {spoken}.",
                "action": "Nothing was taken off. Ask them, or show the way once more.",
            }
        )


def _oneroster_rows(ticket: Mapping[str, Any]) -> Iterator[Row]:
    """Students whom the OneRoster archive leaves out; one row where it is the same for all."""
    left_out = without_ids(ticket)
    columns = {tuple(missing) for _, missing in left_out}
    if len(left_out) == len(ticket["students"]) and len(columns) == 1:
        left_out = [("", left_out[0][1])]
    for student_id, missing in left_out:
        yield _row(
            {
                "student_id": student_id,
                "code": "no_oneroster_ids",
                "message": f"Not in oneroster.zip: the roster lacks {', '.join(missing)}.",
                "action": "Fill these columns of the roster from the school's own export.",
            }
        )


def disagreements(record: Record, opinion: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """What the second opinion heard otherwise in this student's graded take."""
    take = record["submission"]["take"] if record["submission"] else None
    return [row for row in (opinion or {}).get("disagreements", []) if row["take"] == take]
