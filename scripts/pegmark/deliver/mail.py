"""Letters through a school's mail server: TLS or nothing, each at most once.

RFC 5321 over TLS (RFC 3207, RFC 8314). A message counts for the server when the line with the
lone dot is taken (RFC 5321, 4.1.1.4): a connection that drops before that line lost the message,
and it is sent again; one that drops between that line and the answer leaves it unsure, and it is
not sent again.
"""

from __future__ import annotations

import contextlib
import re
import select
import smtplib
import ssl
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

TIMEOUT_S = 60.0  # RFC 5321, 4.5.3.2 allows minutes; a school's server answers in seconds
TLS_PORT = 465  # TLS from the first byte (RFC 8314); on other ports it is asked for
TRIES = 3  # connections for one letter
# How long to look for a connection that the server has closed before the last line.
MAIL_LOOK_S = 0.2


class NoMail(Exception):
    """No letter can go out now; the text says why and what to do."""


class Refused(Exception):
    """The server takes this letter from nobody or for nobody; the others may still go."""


class Unsure(Exception):
    """The connection dropped before the server's answer: the letter may have gone out."""


@dataclass(frozen=True)
class Server:
    """Where mail is handed in, and as whom."""

    host: str
    port: int
    user: str
    password: str
    certificates: str | None = None  # a file of the school's own authority

    def connect(self) -> smtplib.SMTP:
        """A connection under TLS, logged in; NoMail says why there is none."""
        try:
            return self._connect()
        except ssl.SSLCertVerificationError as error:
            raise NoMail(
                f"{self.host} shows a certificate that cannot be trusted "
                f"({error.verify_message}). Nothing was sent; ask whoever runs it."
            ) from error
        except smtplib.SMTPNotSupportedError as error:
            raise NoMail(
                f"{self.host} offers no TLS on port {self.port}. Nothing was sent: passwords and "
                "grades do not go over an open line."
            ) from error
        except smtplib.SMTPAuthenticationError as error:
            raise NoMail(f"{self.host} refuses this user and password.") from error
        except (OSError, smtplib.SMTPException) as error:
            raise NoMail(f"{self.host}, port {self.port}, cannot be reached: {error}.") from error

    def _connect(self) -> smtplib.SMTP:
        context = ssl.create_default_context(cafile=self.certificates)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        smtp: smtplib.SMTP
        if self.port == TLS_PORT:
            smtp = smtplib.SMTP_SSL(self.host, self.port, timeout=TIMEOUT_S, context=context)
        else:
            smtp = smtplib.SMTP(self.host, self.port, timeout=TIMEOUT_S)
        try:
            if self.port != TLS_PORT:
                smtp.starttls(context=context)
            if self.user:
                smtp.login(self.user, self.password)
        except BaseException:
            smtp.close()
            raise
        return smtp


class Post:
    """Hands letters in, over a new connection where the last one dropped, at a given pace."""

    def __init__(
        self, server: Server, per_minute: float, sleep: Callable[[float], None] = time.sleep
    ):
        self._server = server
        self._pause_s = 60.0 / per_minute
        self._sleep = sleep
        self._smtp: smtplib.SMTP | None = None
        self._next = 0.0

    def send(
        self,
        sender: str,
        recipients: tuple[str, ...],
        message: bytes,
        at_last: Callable[[], None],
    ) -> dict[str, str]:
        """Hand one letter in; returns whom the server refused, each with its reason.

        `at_last` is called, once at most, before the line after which the letter counts. Raises
        Refused, Unsure or NoMail.
        """
        self._sleep(max(0.0, self._next - time.monotonic()))
        for left in reversed(range(TRIES)):
            smtp = self._smtp = self._smtp or self._server.connect()
            try:
                refused = _hand_in(smtp, sender, recipients, message, at_last)
                self._next = time.monotonic() + self._pause_s
                return refused
            except (OSError, smtplib.SMTPServerDisconnected) as error:
                self.close()
                if not left:
                    raise NoMail(f"The connection dropped {TRIES} times ({error}).") from error
        raise AssertionError("unreachable")

    def close(self) -> None:
        """End the connection, if there is one."""
        if self._smtp is not None:
            with contextlib.suppress(OSError, smtplib.SMTPException):
                self._smtp.quit()
        self._smtp = None


@contextlib.contextmanager
def open_post(server: Server, per_minute: float) -> Iterator[Post]:
    """A post that is connected, and closed in the end."""
    post = Post(server, per_minute)
    try:
        yield post
    finally:
        post.close()


def _hand_in(
    smtp: smtplib.SMTP,
    sender: str,
    recipients: tuple[str, ...],
    message: bytes,
    at_last: Callable[[], None],
) -> dict[str, str]:
    """One transaction (RFC 5321, 3.3). OSError or SMTPServerDisconnected: surely not taken."""
    _need(smtp.mail(sender), smtp)
    answers = {one: smtp.rcpt(one) for one in recipients}
    refused = {one: _spoken(answer) for one, answer in answers.items() if answer[0] // 100 != 2}
    if any(code == 421 for code, _ in answers.values()):
        raise smtplib.SMTPServerDisconnected("the server is closing")
    if len(refused) == len(recipients):
        smtp.rset()
        raise Refused("; ".join(f"{one}: {why}" for one, why in refused.items()))
    _need(smtp.docmd("DATA"), smtp, 3)
    lines = message if message.endswith(b"\r\n") else message + b"\r\n"
    smtp.send(re.sub(rb"(?:\A|(?<=\r\n))\.", b"..", lines))  # RFC 5321, 4.5.2
    _still_there(smtp)
    at_last()
    try:
        smtp.send(b".\r\n")
        answer = smtp.getreply()
    except (OSError, smtplib.SMTPServerDisconnected) as error:
        raise Unsure(str(error)) from error
    _need(answer, smtp)
    return refused


def _still_there(smtp: smtplib.SMTP) -> None:
    """Raise where the server has closed or speaks before the message is whole."""
    if smtp.sock is None or select.select([smtp.sock], [], [], MAIL_LOOK_S)[0]:
        raise smtplib.SMTPServerDisconnected("the server closed the connection")


def _need(answer: tuple[int, bytes], smtp: smtplib.SMTP, kind: int = 2) -> None:
    """Raise where a command was not taken: for now (4yz, RFC 5321, 4.2.1), or for this letter."""
    code = answer[0]
    if code // 100 == kind:
        return
    if code == 421:
        raise smtplib.SMTPServerDisconnected("the server is closing")
    smtp.rset()
    if code // 100 == 4:
        raise NoMail(f"The server takes no more for now ({_spoken(answer)}). Go on later.")
    raise Refused(_spoken(answer))


def _spoken(answer: tuple[int, bytes]) -> str:
    return f"{answer[0]} {answer[1].decode('utf-8', 'replace')}"
