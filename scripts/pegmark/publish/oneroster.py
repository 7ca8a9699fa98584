"""The grades by the open roster and gradebook standard: OneRoster 1.2, CSV binding.

What the roster must carry
--------------------------
Five extra columns (spelled with or without underscores, in any case), as the school's own roster
export has them: `sourced_id` (the student), `class_sourced_id`, `school_sourced_id`,
`academic_session_sourced_id` and `category_sourced_id`. The standard requires all of them of a
line item, so without one of them there is no file, and nothing is invented.

The archive holds lineItems.csv (one per class), results.csv and manifest.csv, sent as a delta: a
bulk file would tell the receiver to forget every other grade it has. Not handed in is a result
without a score, never a zero. The same class gives the same bytes.

Columns and values: the standard's CSV binding as the design, section 5, quotes it (second hand);
the manifest's list of files from memory, checked against public code that reads such archives.
"""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from pegmark.publish.class_records import class_records, hours_late

if TYPE_CHECKING:
    from pegmark.records.student import Record

ONEROSTER_NEEDED = (
    "sourced_id",
    "class_sourced_id",
    "school_sourced_id",
    "academic_session_sourced_id",
    "category_sourced_id",
)
LINE_ITEM_COLUMNS = (
    "sourcedId", "status", "dateLastModified", "title", "description", "assignDate", "dueDate",
    "classSourcedId", "categorySourcedId", "academicSessionSourcedId", "resultValueMin",
    "resultValueMax", "schoolSourcedId",
)  # fmt: skip
RESULT_COLUMNS = (
    "sourcedId", "status", "dateLastModified", "lineItemSourcedId", "studentSourcedId",
    "scoreStatus", "score", "scoreDate", "comment", "textScore", "classSourcedId", "inProgress",
    "incomplete", "late", "missing",
)  # fmt: skip
STANDARD_FILES = (
    "academicSessions", "categories", "classes", "classResources", "courses", "courseResources",
    "demographics", "enrollments", "lineItemLearningObjectiveIds", "lineItems",
    "lineItemScoreScales", "orgs", "resources", "resultLearningObjectiveIds", "results",
    "resultScoreScales", "roles", "scoreScales", "userProfiles", "userResources", "users",
)  # fmt: skip
SENT = ("lineItems", "results")
ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can hold: no clock in the bytes


def oneroster_zip(records: Mapping[str, Record], ticket: Mapping[str, Any]) -> bytes | None:
    """The archive, or None when no student of the roster carries all the ids."""
    ids = {row["student_id"]: _ids(row) for row in ticket["students"]}
    class_list = [
        (record, ids[record["student"]["student_id"]])
        for record in class_records(records, ticket)
        if set(ids[record["student"]["student_id"]]) == set(ONEROSTER_NEEDED)
    ]
    if not class_list:
        return None
    line_items: dict[str, dict[str, Any]] = {}
    for record, student_ids in class_list:
        item = _line_item(record, student_ids, ticket)
        line_items.setdefault(item["sourcedId"], item)
    results = [_result(record, student_ids, ticket) for record, student_ids in class_list]
    manifest = [
        {"propertyName": "manifest.version", "value": "1.0"},
        {"propertyName": "oneroster.version", "value": "1.2"},
        *(
            {"propertyName": f"file.{name}", "value": "delta" if name in SENT else "absent"}
            for name in STANDARD_FILES
        ),
        {"propertyName": "source.systemName", "value": "pegmark"},
    ]
    return _zip(
        {
            "lineItems.csv": _csv(LINE_ITEM_COLUMNS, line_items.values()),
            "manifest.csv": _csv(("propertyName", "value"), manifest),
            "results.csv": _csv(RESULT_COLUMNS, results),
        }
    )


def without_ids(ticket: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """(student_id, missing columns) of students left out of the archive.

    Empty when nobody on the roster has any of the ids: then the standard is not in use here.
    """
    ids = {row["student_id"]: _ids(row) for row in ticket["students"]}
    if not any(ids.values()):
        return []
    return [
        (student_id, [column for column in ONEROSTER_NEEDED if column not in found])
        for student_id, found in ids.items()
        if set(found) != set(ONEROSTER_NEEDED)
    ]


def _ids(row: Mapping[str, Any]) -> dict[str, str]:
    """The OneRoster ids of a roster row, by our column names; empty cells left out."""
    known = {name.replace("_", ""): name for name in ONEROSTER_NEEDED}
    found = {}
    for column, value in {**row, **(row.get("extra") or {})}.items():
        plain = "".join(c for c in str(column).lower() if c.isalnum())
        if plain in known and value and str(value).strip():
            found[known[plain]] = str(value).strip()
    return found


def _key(*parts: str) -> str:
    """A sourcedId of our own: the same line item or result keeps it in every run."""
    return "pegmark-" + hashlib.sha256("\n".join(parts).encode()).hexdigest()[:24]


def _moment(epoch: float) -> str:
    return f"{datetime.fromtimestamp(epoch, UTC):%Y-%m-%dT%H:%M:%S.000Z}"


def _line_item(record: Record, ids: Mapping[str, str], ticket: Mapping[str, Any]) -> dict[str, Any]:
    day = str(ticket.get("due") or _moment(ticket["epoch"]))[:10]
    return {
        "sourcedId": _key("line item", ids["class_sourced_id"], ticket["title"]),
        "status": "active",
        "dateLastModified": _moment(ticket["epoch"]),
        "title": ticket["title"],
        "description": "",
        "assignDate": day,  # when it was set is not known here
        "dueDate": day,
        "classSourcedId": ids["class_sourced_id"],
        "categorySourcedId": ids["category_sourced_id"],
        "academicSessionSourcedId": ids["academic_session_sourced_id"],
        "resultValueMin": "0",
        "resultValueMax": f"{record['score']['of']:g}",
        "schoolSourcedId": ids["school_sourced_id"],
    }


def _result(record: Record, ids: Mapping[str, str], ticket: Mapping[str, Any]) -> dict[str, Any]:
    line_item = _key("line item", ids["class_sourced_id"], ticket["title"])
    status = _score_status(record)
    score = _points(record) if status in ("fully graded", "partially graded") else None
    return {
        "sourcedId": _key("result", line_item, ids["sourced_id"]),
        "status": "active",
        "dateLastModified": _moment(_last_change(record, ticket)),
        "lineItemSourcedId": line_item,
        "studentSourcedId": ids["sourced_id"],
        "scoreStatus": status,
        "score": "" if score is None else f"{score:g}",
        "scoreDate": _moment(_last_change(record, ticket))[:10],
        "comment": "",
        "textScore": "",
        "classSourcedId": ids["class_sourced_id"],
        "inProgress": "false",
        "incomplete": _word(status in ("partially graded", "submitted")),
        "late": _word(hours_late(record) is not None),
        "missing": _word(record["status"] == "missing"),
    }


def _score_status(record: Record) -> str:
    """One of the standard's five words."""
    status, score = record["status"], record["score"]
    if status == "excused":
        return "exempt"
    if status == "missing":
        return "not submitted"
    if status == "unreadable" or score["total"] is None:
        return "submitted"
    return "partially graded" if score["open"] or status == "needs_listening" else "fully graded"


def _points(record: Record) -> float | None:
    """The total, less what the teacher's own policy takes off for lateness."""
    late = record["score"].get("late")
    total: float | None = late["total"] if late else record["score"]["total"]
    return total


def _last_change(record: Record, ticket: Mapping[str, Any]) -> float:
    """When the result last changed, as far as the inputs tell: never the machine's clock."""
    moments = [float(ticket["epoch"])]
    stamps = [c.get("saved_at") for c in record["score"]["criteria"]]
    if record["submission"]:
        stamps.append(record["submission"]["received"])
    for stamp in stamps:
        if stamp:
            moment = datetime.fromisoformat(stamp)
            moments.append((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp())
    return max(moments)


def _word(value: bool) -> str:
    return "true" if value else "false"


def _csv(columns: tuple[str, ...], rows: Iterable[Mapping[str, Any]]) -> str:
    """RFC 4180 text for machines: ids go out as they came in, nothing is neutralised."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def _zip(files: Mapping[str, str]) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as archive:
        for name, text in sorted(files.items()):
            info = zipfile.ZipInfo(name, ZIP_TIME)
            info.external_attr = 0o644 << 16
            info.create_system = 3  # the same on every system
            archive.writestr(info, text.encode("utf-8"))
    return content.getvalue()
