"""Make everything that shows a whole class: dashboard, gradebook, attention list, e-mail drafts.

Reads the publish ticket and every student's record, sheet and render ticket; writes
dashboard.html, gradebook.csv, attention.csv, outbox/<student_id>.eml and, where the roster carries
the ids, oneroster.zip into the results folder.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pegmark.files.csv_text import BYTE_ORDER_MARK
from pegmark.files.sent import sheet_digest
from pegmark.files.store import read_json, write_bytes, write_text
from pegmark.publish import class_pages, make_draft, print_file
from pegmark.records.faults import STAGE_S, fault, run_in_child
from pegmark.records.validation import RecordError, valid

if TYPE_CHECKING:
    from pegmark.records.problems import Problem
    from pegmark.records.student import Record, StudentProblem

Records = dict[str, "Record"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ticket", type=Path, required=True, help="tickets/publish.json")
    parser.add_argument("--records", type=Path, required=True, help="folder of <student_id>.json")
    parser.add_argument("--sheets", type=Path, required=True, help="folder of <student_id>.pdf")
    parser.add_argument("--mail", type=Path, required=True, help="folder of render tickets")
    parser.add_argument("--faults", type=Path, help="folder of faults in making the sheets")
    parser.add_argument("--recheck", type=Path, help="the second opinion, if there is one")
    parser.add_argument("--out", type=Path, required=True, help="the results folder")
    arguments = parser.parse_args()
    end = run_in_child(lambda: publish(arguments), seconds=STAGE_S)
    if end != "done":
        sys.exit(f"The pages of the class could not be made ({end}).")


def publish(arguments: argparse.Namespace) -> None:
    """Make all pages and files of the class."""
    ticket = looked_at(read_json(arguments.ticket))
    opinion = read_json(arguments.recheck) if arguments.recheck else None
    records = read_records(arguments.records, ticket)
    spoiled = add_faults(records, arguments.faults)
    out: Path = arguments.out
    for name, content in class_pages(records, ticket, opinion).items():
        write_page(out / name, content)
    fit = {student: record for student, record in records.items() if student not in spoiled}
    write_page(out / print_file.PRINT_FILE, print_file.print_file(fit, ticket, arguments.sheets))
    write_outbox(out / "outbox", fit, arguments.sheets, arguments.mail, ticket.get("sent", {}))


def looked_at(ticket: dict[str, Any]) -> dict[str, Any]:
    """The ticket; where it is not what it should be, with that among what needs a person."""
    try:
        return valid(ticket, "ticket_publish")
    except RecordError as error:
        row = {"student_id": "", "file": "", **fault(error)}
        return {**ticket, "attention": [*ticket["attention"], row]}


def read_records(folder: Path, ticket: dict[str, Any]) -> Records:
    """The records there are; a student without one is told apart by the pages themselves."""
    paths = {row["student_id"]: folder / f"{row['student_id']}.json" for row in ticket["students"]}
    return {student: read_json(path) for student, path in paths.items() if path.is_file()}


def add_faults(records: Records, folder: Path | None) -> set[str]:
    """Tell the faults in making sheets in the records; the students whose sheet is not right."""
    spoiled = set()
    for student, record in records.items():
        told = read_json(folder / f"{student}.json") if folder else []
        if told:
            record["problems"] += [as_students(one) for one in told]
            spoiled.add(student)
    return spoiled


def as_students(told: Problem) -> StudentProblem:
    """A fault as a student's record has it: about no string, and leaving no points open."""
    return {
        "code": told["code"],
        "message": told["message"],
        "action": told["action"],
        "criteria": [],
        "string": None,
        "at_s": None,
        "end_s": None,
    }


def write_outbox(
    outbox: Path, records: Records, sheets: Path, mail: Path, sent: Mapping[str, list[str]]
) -> None:
    """A draft for every sheet that may go out, and none that may no longer or went out before."""
    outbox.mkdir(parents=True, exist_ok=True)
    wanted = set()
    for student, record in records.items():
        sheet, ticket = sheets / f"{student}.pdf", mail / f"{student}.json"
        if not (sheet.is_file() and ticket.is_file()):
            continue
        pdf = sheet.read_bytes()
        draft = make_draft(record, read_json(ticket), pdf)
        if draft is not None and sheet_digest(pdf) not in sent.get(student, ()):
            wanted.add(f"{student}.eml")
            write_bytes(outbox / f"{student}.eml", draft)
    for path in outbox.glob("*.eml"):
        if path.name not in wanted:
            path.unlink()


def write_page(path: Path, content: str | bytes | None) -> None:
    """A page or file of the class; None takes an earlier one away that is no longer true."""
    if content is None:
        path.unlink(missing_ok=True)
    elif isinstance(content, str):
        mark = BYTE_ORDER_MARK if path.suffix == ".csv" else ""
        write_text(path, mark + content)
    else:
        write_bytes(path, content)


if __name__ == "__main__":
    main()
