"""The outbox as letters: who gets what, and what went out before."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from pathlib import Path

from pegmark.files.sent import sheet_digest


@dataclass(frozen=True)
class Letter:
    """One draft of the outbox."""

    student_id: str
    recipients: tuple[str, ...]
    subject: str
    sheet: str  # SHA-256 of the sheet it carries
    draft: EmailMessage

    def line(self) -> str:
        """Who gets what, for the teacher to look over."""
        return f"{self.student_id}: {self.subject} -> {', '.join(self.recipients)}"


def read_letters(outbox: Path) -> list[Letter]:
    """The drafts in the order of their names; ValueError for one that is no draft of ours."""
    return [_letter(path) for path in sorted(outbox.glob("*.eml"))]


def unsent(letters: list[Letter], sent: Collection[tuple[str, str]]) -> list[Letter]:
    """Those whose sheet did not go out to that student yet."""
    return [one for one in letters if (one.student_id, one.sheet) not in sent]


def ready_to_send(letter: Letter, sender: str, now: datetime) -> bytes:
    """The letter as it goes out: with sender, date, and an id that is the same whenever it goes."""
    message = message_from_bytes(letter.draft.as_bytes(), _class=EmailMessage, policy=SMTP)
    del message["X-Unsent"]
    message["From"] = sender
    message["Date"] = format_datetime(now)
    name = hashlib.sha256(f"{letter.student_id} {letter.sheet}".encode()).hexdigest()[:32]
    message["Message-ID"] = f"<{name}@{sender.rpartition('@')[2]}>"
    return message.as_bytes()


def _letter(path: Path) -> Letter:
    draft = message_from_bytes(path.read_bytes(), _class=EmailMessage, policy=SMTP)
    recipients = tuple(one.addr_spec for one in getattr(draft["To"], "addresses", ()))
    sheets = [part.get_content() for part in draft.iter_attachments()]
    if len(sheets) != 1 or not recipients or not isinstance(sheets[0], bytes):
        raise ValueError(f"{path.name} is no draft with one sheet and somebody to write to.")
    return Letter(path.stem, recipients, str(draft["Subject"]), sheet_digest(sheets[0]), draft)
