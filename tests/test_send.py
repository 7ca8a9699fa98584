"""Letters go out through a real mail server on the loopback: under TLS, and each at most once."""

from __future__ import annotations

import csv
import smtplib
import socket
import ssl
import subprocess
import sys
from email import message_from_bytes
from email.policy import SMTP as SMTP_POLICY

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult

import classfolder
import environment
import send
from lab import sheet_examples
from pegmark.deliver import mail
from pegmark.files.sent import Attempt, read_sent
from pegmark.publish.drafts import make_draft
from pegmark.words.terminal import EXIT_REFUSED

PASSWORD = "correct horse"
BIG = b"%PDF-1.7 " + b"x" * 400_000  # more than the buffers of a connection hold at once


def certificate(folder, name: str):
    """A key and a certificate for a host, by OpenSSL."""
    key, cert = folder / f"{name}.key", folder / f"{name}.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
         "-subj", f"/CN={name}", "-addext", f"subjectAltName=DNS:{name}",
         "-keyout", str(key), "-out", str(cert)],
        check=True, capture_output=True,
    )  # fmt: skip
    return key, cert


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    folder = tmp_path_factory.mktemp("certificates")
    return {name: certificate(folder, name) for name in ("localhost", "elsewhere.example")}


class Box:
    """What the server took, and how it misbehaves."""

    def __init__(self):
        self.taken = []
        self.refuse = set()
        self.drop = []  # how many bytes of a message the server reads before it hangs up
        self.reject = 0  # how many messages are refused when they are whole
        self.mute = 0  # how many messages are taken without an answer

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address in self.refuse:
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        if self.reject:
            self.reject -= 1
            return "552 5.3.4 message too large"
        self.taken.append((tuple(envelope.rcpt_tos), envelope.content))
        if self.mute:
            self.mute -= 1
            server.transport.abort()
            return "250 nobody hears this"
        return "250 OK"


class Dropping(SMTP):
    """Hangs up in the middle of a message, as often as its box says."""

    async def smtp_DATA(self, arg):
        if not self.event_handler.drop:
            await super().smtp_DATA(arg)
            return
        size = self.event_handler.drop.pop(0)
        await self.push("354 End data with <CR><LF>.<CR><LF>")
        await self._reader.readexactly(size)
        self.transport.abort()


class Desk(Controller):
    def factory(self):
        return Dropping(self.handler, **self.SMTP_kwargs)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def serve(certificates):
    """Start a server for a box; it ends with the test."""
    running = []

    def start(box, host="localhost", tls=True):
        key, cert = certificates[host]
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(cert, key)

        def known(server, session, envelope, how, data):
            return AuthResult(success=data.password == PASSWORD.encode(), handled=False)

        options = {"tls_context": context, "require_starttls": True} if tls else {}
        desk = Desk(box, hostname="127.0.0.1", port=free_port(), authenticator=known,
                    auth_required=tls, **options)  # fmt: skip
        desk.start()
        running.append(desk)
        return desk.port

    yield start
    for desk in running:
        desk.stop()


@pytest.fixture
def class_dir(tmp_path):
    """Three drafts, the second to two addresses."""
    outbox = tmp_path / "class" / "results" / "outbox"
    outbox.mkdir(parents=True)
    addresses = ("ada@example.org", "ben@example.org;home@example.org", "cai@example.org")
    for number, address in enumerate(addresses, start=1):
        record = {**sheet_examples.record(), "status": "graded"}
        ticket = sheet_examples.ticket(email=address, drafts="all")
        draft = make_draft(record, ticket, BIG + str(number).encode())
        (outbox / f"m{number}.eml").write_bytes(draft)
    return tmp_path / "class"


@pytest.fixture
def sent(monkeypatch, capsys, certificates, class_dir):
    """Run the command; (exit code, what it said)."""
    asked = []

    def run(port, *more, host="localhost", really=True, password=PASSWORD):
        monkeypatch.setattr(environment, "enter", lambda: None)
        monkeypatch.setattr(send, "KEYRINGS", ())
        monkeypatch.setattr(send.getpass, "getpass", lambda text: asked.append(text) or password)
        monkeypatch.setattr(sys, "argv", [
            "send.py", str(class_dir), "--server", "localhost", "--port", str(port),
            "--user", "teacher", "--sender", "teacher@school.example", "--per-minute", "60000",
            "--certificates", str(certificates[host][1]), *(["--really"] if really else []), *more,
        ])  # fmt: skip
        code = send.main()
        return code, capsys.readouterr().out

    run.asked = asked
    return run


def rows(class_dir):
    with open(class_dir / "sent.csv", newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_it_only_shows_unless_it_is_really_meant(sent, class_dir):
    code, said = sent(1, really=False)  # nothing listens there
    assert code == 0
    assert "3 to send, 0 went out before." in said
    assert "-> ben@example.org, home@example.org" in said
    assert "Nothing was sent. Add --really" in said
    assert sent.asked == []
    assert sorted(path.name for path in class_dir.iterdir()) == ["results"]


def test_letters_go_out_once(sent, serve, class_dir):
    box = Box()
    port = serve(box)
    code, said = sent(port)
    assert code == 0
    assert "3 of 3 went out." in said
    assert [to for to, _ in box.taken] == [
        ("ada@example.org",), ("ben@example.org", "home@example.org"), ("cai@example.org",),
    ]  # fmt: skip
    message = message_from_bytes(box.taken[0][1], policy=SMTP_POLICY)
    assert message["From"] == "teacher@school.example"
    assert message["Date"]
    assert message["X-Unsent"] is None
    (sheet,) = message.iter_attachments()
    assert sheet.get_content() == BIG + b"1"
    assert [row["student_id"] for row in rows(class_dir)] == ["m1", "m2", "m3"]
    log = class_dir / "sent.log"
    assert log.stat().st_mode & 0o777 == 0o600
    assert log.read_text(encoding="utf-8").count(": sent") == 3
    code, said = sent(port)
    assert "0 to send, 3 went out before." in said
    assert len(box.taken) == 3
    # A new sheet is another letter, and goes.
    record = {**sheet_examples.record(), "status": "graded"}
    ticket = sheet_examples.ticket(email="ada@example.org", drafts="all")
    draft = make_draft(record, ticket, b"%PDF-1.7 a retake")
    (class_dir / "results" / "outbox" / "m1.eml").write_bytes(draft)
    code, said = sent(port)
    assert "1 to send, 2 went out before." in said
    assert [to for to, _ in box.taken[3:]] == [("ada@example.org",)]


@pytest.mark.parametrize(
    ("host", "trusted", "said"),
    [
        ("localhost", "elsewhere.example", "cannot be trusted"),  # of nobody we know
        ("elsewhere.example", "elsewhere.example", "cannot be trusted"),  # another host's
    ],
)
def test_a_wrong_certificate_sends_nothing(sent, serve, class_dir, host, trusted, said):
    box = Box()
    code, told = sent(serve(box, host), host=trusted)
    assert code == send.EXIT_NOT_ALL
    assert said in told
    assert box.taken == []
    assert not (class_dir / "sent.csv").exists()


def test_without_tls_nothing_is_sent_not_even_the_password(sent, serve):
    box = Box()
    code, told = sent(serve(box, tls=False))
    assert code == send.EXIT_NOT_ALL
    assert "offers no TLS" in told
    assert box.taken == []


def test_a_wrong_password_is_one_sentence(sent, serve):
    code, told = sent(serve(Box()), password="wrong")
    assert code == send.EXIT_NOT_ALL
    assert "refuses this user and password" in told
    assert "wrong" not in told


def test_a_server_that_is_not_there_is_one_sentence(sent):
    code, told = sent(1)
    assert code == send.EXIT_NOT_ALL
    assert "cannot be reached" in told


def test_a_refused_recipient_stops_nobody_else(sent, serve, class_dir):
    box = Box()
    box.refuse = {"ada@example.org", "home@example.org"}
    code, told = sent(serve(box))
    assert code == send.EXIT_NOT_ALL
    assert "m1 was refused: ada@example.org: 550 5.1.1 no such mailbox" in told
    assert "m2: not to home@example.org (550" in told
    assert [to for to, _ in box.taken] == [("ben@example.org",), ("cai@example.org",)]
    assert [row["student_id"] for row in rows(class_dir)] == ["m2", "m3"]


def test_a_connection_dropped_in_the_middle_of_a_message_is_taken_up_again(sent, serve, class_dir):
    box = Box()
    box.drop = [1_000, 100_000]
    code, told = sent(serve(box))
    assert code == 0, told
    assert [to[0] for to, _ in box.taken] == [
        "ada@example.org", "ben@example.org", "cai@example.org",
    ]  # fmt: skip
    assert len(rows(class_dir)) == 3


def test_a_server_that_always_drops_is_given_up_and_gone_on_with_later(sent, serve, class_dir):
    box = Box()
    box.drop = [1_000] * mail.TRIES
    port = serve(box)
    code, told = sent(port)
    assert code == send.EXIT_NOT_ALL
    assert f"dropped {mail.TRIES} times" in told
    assert "0 of 3 went out." in told
    assert sent(port)[0] == 0
    assert len(box.taken) == 3


def test_a_drop_before_the_answer_is_unsure_and_not_sent_twice(sent, serve, class_dir):
    box = Box()
    box.mute = 1
    port = serve(box)
    code, told = sent(port)
    assert code == send.EXIT_NOT_ALL
    assert "m1 may have gone out" in told
    assert [to[0] for to, _ in box.taken] == [
        "ada@example.org", "ben@example.org", "cai@example.org",
    ]  # fmt: skip
    assert rows(class_dir)[0]["sent_at"].startswith("unsure ")
    assert "0 to send, 3 went out before." in sent(port)[1]
    assert len(box.taken) == 3


def test_a_kill_before_the_answer_is_unsure_and_not_sent_twice(sent, serve, class_dir, monkeypatch):
    """Whatever ends the program there: the letter was written down before its last line went."""
    box = Box()
    port = serve(box)

    def killed(*_):
        raise MemoryError("killed")  # what nothing here handles

    with monkeypatch.context() as patch:
        patch.setattr(smtplib.SMTP, "getreply", killed_at_last(killed, box))
        with pytest.raises(MemoryError):
            sent(port)
    assert rows(class_dir)[0]["sent_at"].startswith("unsure ")
    assert "2 to send, 1 went out before." in sent(port)[1]
    assert [to[0] for to, _ in box.taken].count("ada@example.org") == 1


def killed_at_last(kill, box):
    """The answer to a letter that the box has taken is never read; others are."""
    read, done = smtplib.SMTP.getreply, []

    def getreply(smtp):
        answer = read(smtp)
        if box.taken and not done:
            done.append(answer)
            kill()
        return answer

    return getreply


def test_a_stop_by_hand_is_said_and_gone_on_with(sent, serve, class_dir, monkeypatch):
    box = Box()
    port = serve(box)

    def stop():
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(smtplib.SMTP, "getreply", killed_at_last(stop, box))
        code, told = sent(port)
    assert (code, "Stopped." in told) == (send.EXIT_NOT_ALL, True)
    sent(port)
    assert sorted(to[0] for to, _ in box.taken) == [
        "ada@example.org", "ben@example.org", "cai@example.org",
    ]  # fmt: skip


def test_a_letter_that_is_refused_at_its_end_is_not_written_down(sent, serve, class_dir):
    box = Box()
    box.reject = 1
    port = serve(box)
    code, told = sent(port)
    assert code == send.EXIT_NOT_ALL
    assert "m1 was refused: 552" in told
    assert [row["student_id"] for row in rows(class_dir)] == ["m2", "m3"]
    assert "1 to send, 2 went out before." in sent(port)[1]
    assert {row["student_id"] for row in rows(class_dir)} == {"m1", "m2", "m3"}


def test_two_at_once_send_nothing_twice(sent, serve, class_dir):
    box = Box()
    handle = classfolder.hold(class_dir, print)
    code, told = sent(serve(box))
    classfolder.let_go(handle)
    assert code == EXIT_REFUSED
    assert "Nothing was sent: class is being graded already." in told
    assert box.taken == []


def test_a_list_of_what_went_out_that_cannot_be_read_stops_it(sent, serve, class_dir):
    box = Box()
    (class_dir / "sent.csv").write_text("who,what\nm1,sheet\n", encoding="utf-8")
    code, told = sent(serve(box))
    assert code == EXIT_REFUSED
    assert "Nothing was sent: sent.csv" in told
    assert box.taken == []


@pytest.mark.parametrize("end", ["", "m2,cut", "m2,cut\r\n"])
def test_a_list_that_a_spreadsheet_saved_or_a_kill_cut_short_is_read(class_dir, end):
    first = f"\ufeffstudent_id;sheet_sha256;sent_at\r\nm1;{'a' * 64};2026-03-07\r\n"
    (class_dir / "sent.csv").write_text(first + end.replace(",", ";"), encoding="utf-8", newline="")
    assert read_sent(class_dir) == {("m1", "a" * 64)}
    attempt = Attempt(class_dir, "m3", "b" * 64)
    attempt.begin()
    attempt.went_out()
    assert read_sent(class_dir) == {("m1", "a" * 64), ("m3", "b" * 64)}


def test_after_a_line_that_was_cut_short_the_next_stands_on_its_own(sent, serve, class_dir):
    (class_dir / "sent.csv").write_text("student_id,sheet_sha256,sent_at\nm9,cu", encoding="utf-8")
    assert sent(serve(Box()))[0] == 0
    assert {student for student, _ in read_sent(class_dir)} == {"m1", "m2", "m3"}


def test_tls_from_the_first_byte(sent, certificates, monkeypatch):
    """RFC 8314: where the port is the one for it, TLS begins before any word is said."""
    box = Box()
    key, cert = certificates["localhost"]
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    desk = Controller(
        box, hostname="127.0.0.1", port=free_port(), ssl_context=context, auth_require_tls=False,
        authenticator=lambda *_: AuthResult(success=True),
    )  # fmt: skip
    desk.start()
    try:
        monkeypatch.setattr(mail, "TLS_PORT", desk.port)
        assert sent(desk.port)[0] == 0
    finally:
        desk.stop()
    assert len(box.taken) == 3


def test_the_pace_is_kept():
    pauses = []
    post = mail.Post(mail.Server("localhost", 1, "", ""), 30, pauses.append)
    post._smtp = object()
    hand_in, mail._hand_in = mail._hand_in, lambda *_: {}
    try:
        for _ in range(3):
            post.send("a@b", ("c@d",), b"", lambda: None)
    finally:
        mail._hand_in = hand_in
    assert pauses[0] == 0
    assert all(1.9 < pause <= 2.0 for pause in pauses[1:])


def test_the_password_comes_from_the_keyring(monkeypatch):
    monkeypatch.setattr(send, "KEYRINGS", ((sys.executable, "-c", "print('from the ring')"),))
    monkeypatch.setattr(send.getpass, "getpass", lambda _: pytest.fail("asked"))
    assert send.find_password("mail.example", "me") == "from the ring"
