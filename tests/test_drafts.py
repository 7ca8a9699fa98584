"""The e-mail drafts: valid mail, right addresses, complete sheets only, hostile input harmless."""

from __future__ import annotations

import email
from email import policy
from email.message import EmailMessage
from typing import Any

import pytest

from lab import sheet_examples as examples
from pegmark.publish import drafts

PDF = b"%PDF-1.7\n" + bytes(range(256)) * 40


def complete(**student: Any) -> dict[str, Any]:
    record = examples.marked(examples.record())
    return {**record, "student": {**record["student"], **student}}


def parsed(record: dict[str, Any], **ticket: Any) -> EmailMessage:
    draft = drafts.make_draft(record, examples.ticket(**ticket), PDF)
    assert draft is not None
    message = email.message_from_bytes(draft, policy=policy.default)
    assert isinstance(message, EmailMessage)
    assert not message.defects
    return message


def body(message: EmailMessage) -> str:
    part = message.get_body(("plain",))
    assert isinstance(part, EmailMessage)
    return str(part.get_content())


def test_a_draft_carries_the_sheet() -> None:
    message = parsed(complete())
    assert message["X-Unsent"] == "1"
    assert [a.addr_spec for a in message["To"].addresses] == [
        "family.ostermoor@example.org",
        "ada@example.org",
    ]
    assert message["Subject"] == "Week 3: four strings by ear: tuning sheet for Ada Ostermoor"
    (attachment,) = message.iter_attachments()
    assert attachment.get_content() == PDF
    assert attachment.get_filename() == "Ada Ostermoor, Week 3 four strings by ear.pdf"
    assert attachment.get_content_type() == "application/pdf"
    text = body(message)
    assert text.startswith("Hello Ada,")
    assert "9½ of 12 points" in text
    assert "Your next step: Next time, keep plucking" in " ".join(text.split())


def test_a_draft_has_neither_date_nor_sender_nor_id() -> None:
    """Unsent: the teacher's mail program adds these when she sends it."""
    message = parsed(complete())
    for header in ("Date", "From", "Message-ID", "Sender", "Bcc"):
        assert message[header] is None
    assert message["MIME-Version"] == "1.0"


def test_the_bytes_are_fixed_and_plain_mail() -> None:
    """RFC 5322, 2.1.1 and 2.3: lines end in CRLF and have at most 998 characters of ASCII."""
    first = drafts.make_draft(complete(given_name="Žofie"), examples.ticket(), PDF)
    second = drafts.make_draft(complete(given_name="Žofie"), examples.ticket(), PDF)
    assert first == second
    assert first is not None
    assert first.isascii()
    assert b"\n" not in first.replace(b"\r\n", b"")
    assert max(map(len, first.split(b"\r\n"))) <= 998
    assert f'boundary="{drafts.BOUNDARY}"'.encode() in first


def test_a_draft_is_hardly_larger_than_its_sheet() -> None:
    """Base64 makes 4 bytes of 3 and breaks lines of 76 (RFC 2045, 6.8)."""
    sheet = PDF * 20
    draft = drafts.make_draft(complete(), examples.ticket(), sheet)
    assert draft is not None
    assert len(draft) < len(sheet) * 4 / 3 * 78 / 76 + 3000


@pytest.mark.parametrize(
    ("record", "asked", "made"),
    [
        (examples.marked(examples.record()), "complete", True),
        (examples.record(), "complete", False),
        (examples.bass(), "complete", False),
        (examples.unmeasured("missing"), "complete", False),
        (examples.unmeasured("excused"), "complete", False),
        (examples.record(), "all", True),
        (examples.bass(), "all", True),
        (examples.unmeasured("unreadable"), "all", True),
        (examples.unmeasured("missing"), "all", True),
    ],
)
def test_only_complete_sheets_unless_all_are_asked_for(
    record: dict[str, Any], asked: str, made: bool
) -> None:
    draft = drafts.make_draft(record, examples.ticket(drafts=asked), PDF)
    assert (draft is not None) is made


def test_an_open_sheet_says_so_far() -> None:
    text = " ".join(body(parsed(examples.record(), drafts="all")).split())
    assert "5½ of 12 points so far, 4 still open" in text


def test_a_missing_recording_is_not_zero_points() -> None:
    text = body(parsed(examples.unmeasured("missing"), drafts="all"))
    assert "I have not received a recording" in text
    assert "points" not in text


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("state", ["graded", "needs_listening", "unreadable", "missing", "excused"])
def test_a_mail_says_i_and_is_signed_and_never_speaks_of_the_teacher(language, state):
    record = (
        examples.record() if state in ("graded", "needs_listening") else examples.unmeasured(state)
    )
    record["status"] = state
    steps = examples.comments(language)["score"]["next_step"]
    for key in ("slipping_peg_friction", "string_low"):
        record["next_step"] = {"code": key, "text": steps[key].format(string="A")}
        ticket = examples.ticket(language=language, drafts="all", teacher="Ms Alder")
        text = body_of(drafts.make_draft(record, ticket, PDF))
        assert text.rstrip().endswith("Ms Alder")
        assert examples.comments(language)["mail"]["teacher_word"] not in text.casefold()
        assert (steps[key].split("{")[0] in text) is (key == "string_low")
    assert "Ms Alder" not in body_of(
        drafts.make_draft(record, examples.ticket(language=language, drafts="all"), b"%PDF")
    )


def body_of(draft):
    message = email.message_from_bytes(draft, policy=policy.default)
    return message.get_body(("plain",)).get_content()


def test_the_language_is_the_students() -> None:
    message = parsed(complete(), language="es")
    assert body(message).startswith("Hola, Ada:")
    assert "hoja de afinación de Ada Ostermoor" in message["Subject"]
    assert message.get_body(("plain",))["Content-Language"] == "es"


@pytest.mark.parametrize(
    "cell",
    [
        *("", "  ", ";;", "nobody", "a b@example.org", "a@b", "<a@example.org>"),
        *('"a"@example.org', "Ada <a@example.org>", "a@exam ple.org", "ü@example.org"),
        *("a@@example.org", "a@example.org,b@example.org", "x" * 250 + "@example.org"),
        *("a..b@example.org", ".a@example.org", "a@example.org\r\nBcc: x@y.z"),
        *("=?utf-8?q?a=0D=0ABcc=3A_b?=@example.org",),
    ],
)
def test_what_is_no_plain_mailbox_gets_no_mail(cell: str) -> None:
    assert drafts.mailboxes(cell) == []
    assert drafts.make_draft(complete(), examples.ticket(email=cell), PDF) is None


def test_good_addresses_are_kept_beside_bad_ones_and_doubles_are_dropped() -> None:
    cell = " a@example.org ; bad ;b.c+d@school.example.org;a@example.org"
    found = [a.addr_spec for a in drafts.mailboxes(cell)]
    assert found == ["a@example.org", "b.c+d@school.example.org"]


@pytest.mark.parametrize(
    "name",
    [
        "Ada\r\nBcc: evil@example.org",
        "Ada\r\n\r\n<html>",
        f"\r\n--{drafts.BOUNDARY}\r\nContent-Type: text/html\r\n\r\n<b>",
        f"--{drafts.BOUNDARY}--",
        "=?utf-8?q?=0D=0ABcc=3A_x=40example.org?=",
        "{title} {0} {name.__class__}",
        "A" * 500,
        "\u202egnitset\u202c",
        "李小龙 فاطمة",
        "\ud800",
    ],
)
def test_hostile_names_change_nothing_but_the_text(name: str) -> None:
    record = complete(given_name=name, family_name=name)
    message = parsed(record, title=name)
    assert [a.addr_spec for a in message["To"].addresses] == [
        "family.ostermoor@example.org",
        "ada@example.org",
    ]
    assert sorted(set(message.keys())) == [
        "Content-Type", "MIME-Version", "Subject", "To", "X-Unsent",
    ]  # fmt: skip
    parts = [part.get_content_type() for part in message.walk()]
    assert parts == ["multipart/mixed", "text/plain", "application/pdf"]
    (attachment,) = message.iter_attachments()
    assert attachment.get_content() == PDF
    assert "\n" not in message["Subject"]


@pytest.mark.parametrize("asked", ["complete", "all"])
def test_no_draft_leaves_while_a_mark_for_another_take_waits(asked: str) -> None:
    record = examples.marked(examples.record())
    ticket = examples.ticket(drafts=asked)
    assert drafts.make_draft(record, ticket, PDF) is not None
    record["score"]["criteria"][0]["given_for"] = {"points": 1, "take": None}
    assert drafts.make_draft(record, ticket, PDF) is None
