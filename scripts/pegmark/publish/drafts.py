"""The e-mail draft that carries a sheet: unsent, in a file that any mail program opens.

RFC 5322 through Python's email package. A draft has no Date and no sender: the teacher's own mail
program fills them in when she sends it, and the same sheet always gives the same bytes. Names and
addresses come from the roster and are untrusted: names go into the text and the subject only, made
safe; an address that is not one plain mailbox is left out.
"""

from __future__ import annotations

import re
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from pegmark.render.sheet_view import student_name
from pegmark.words import wording

if TYPE_CHECKING:
    from pegmark.records.student import Record

BOUNDARY = "=_pegmark_sheet_="  # holds "=", which neither encoding used below can write bare
LINE_LENGTH = 72  # characters of a line of plain text: common practice in mail
ADDRESS_LIMIT = 254  # characters of an address that mail can carry (RFC 5321, 4.5.3.1.3)
NAME_LENGTH = 80  # characters of an attachment's name: file systems take 255 bytes of them
_NO_FILE_NAME = re.compile(r'[\x00-\x1f\x7f/\\:*?"<>|]')  # what no common system allows in one
# RFC 5322 dot-atom, without "?": with it an address could be read as an encoded word (RFC 2047).
_MAILBOX = re.compile(r"[A-Za-z0-9!#$%&'*+/=^_`{|}~.-]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+")


def make_draft(record: Record, ticket: dict[str, Any], pdf_bytes: bytes) -> bytes | None:
    """The draft of one student's sheet as the bytes of an .eml file.

    None when there is nobody to write to, or when the sheet is not complete (points open, or
    something to listen to, or nothing graded) and the ticket does not ask for all drafts; and
    always while a mark that was given for another take waits to be kept.
    """
    addresses = mailboxes(ticket.get("email") or "")
    wanted = ticket["drafts"] == "all" or is_complete(record)
    wanted = wanted and not any(row.get("given_for") for row in record["score"]["criteria"])
    if not addresses or not wanted:
        return None
    message = EmailMessage(policy=SMTP)
    message["X-Unsent"] = "1"
    message["To"] = addresses
    message["Subject"] = _subject(record, ticket)
    message.set_content(_body(record, ticket), cte="quoted-printable")
    message["Content-Language"] = ticket["language"]
    message.add_attachment(
        pdf_bytes,
        maintype="application",
        subtype="pdf",
        filename=attachment_name(record, ticket),
    )
    message.set_boundary(BOUNDARY)
    return message.as_bytes()


def attachment_name(record: Record, ticket: dict[str, Any]) -> str:
    """'Ana Ruiz, Week 3.pdf': the sheet under a name that says whose and which it is."""
    name = student_name(record["student"], ticket["sentences"]["sheet"])
    parts = [part for part in (name, wording.safe_text(ticket.get("title"))) if part]
    plain = _NO_FILE_NAME.sub(" ", ", ".join(parts)).replace("=?", "= ?")
    return f"{' '.join(plain.split())[:NAME_LENGTH].strip(' .') or 'sheet'}.pdf"


def is_complete(record: Record) -> bool:
    """Whether a sheet is final: graded, with no point open."""
    return record["status"] == "graded" and not record["score"]["open"]


def mailboxes(text: str) -> list[Address]:
    """The addresses in a roster's cell, parted by ``;``; what is not one plain mailbox is left out.

    Plain means name@domain in ASCII, without display name, comment, quotes or control characters.
    """
    found = []
    for part in text.split(";"):
        part = part.strip()
        if not part.isascii() or len(part) > ADDRESS_LIMIT or not _MAILBOX.fullmatch(part):
            continue
        try:
            address = Address(addr_spec=part)
        except (ValueError, MessageError):
            continue
        if address not in found:
            found.append(address)
    return found


def _subject(record: Record, ticket: dict[str, Any]) -> str:
    words = ticket["sentences"]["mail"]
    title = wording.safe_text(ticket.get("title"))
    name = student_name(record["student"], ticket["sentences"]["sheet"])
    key = "subject" if title else "subject_untitled"
    # Python's email package decodes encoded words (RFC 2047) in a header that it is given, line
    # breaks included, so a name could add headers: no encoded word is let through.
    return str(words[key]).format(title=title, name=name).replace("=?", "= ?")


def _body(record: Record, ticket: dict[str, Any]) -> str:
    words = ticket["sentences"]["mail"]
    given = wording.safe_text(record["student"].get("given_name"))
    greeting = words["greeting" if given else "greeting_unnamed"].format(given_name=given)
    paragraphs = [greeting, words["bodies"][record["status"]].format(total=_total(record, ticket))]
    next_step = record.get("next_step")
    step = wording.safe_text(next_step["text"], 400) if next_step else ""
    # She writes the mail herself: a step that speaks of "your teacher" stays on the sheet.
    if step and words["teacher_word"].casefold() not in step.casefold():
        paragraphs.append(words["next_step"].format(text=step))
    paragraphs.append(words["closing"])
    if name := wording.safe_text(ticket.get("teacher")):
        paragraphs.append(name)
    return "\n\n".join("\n".join(wrap(p, LINE_LENGTH)) for p in paragraphs) + "\n"


def _total(record: Record, ticket: dict[str, Any]) -> str:
    words = ticket["sentences"]["mail"]
    decimal = ticket["sentences"]["sheet"]["decimal"]
    score = record.get("score") or {}
    still_open = score.get("open") or 0
    key = "total_open" if still_open else "total"
    return str(words[key]).format(
        points=wording.points(score.get("total") or 0, decimal),
        of=wording.points(score.get("of") or 0, decimal),
        open=wording.points(still_open, decimal),
    )
