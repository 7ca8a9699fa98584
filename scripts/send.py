"""Send the drafts of a graded class: python3 scripts/send.py CLASS_DIR --server HOST --sender ME

Shows who gets what; nothing goes out without --really. TLS is required, and the password is asked
or taken from the system's keyring (never from the command line or a file). What went out stands
in CLASS_DIR/sent.csv and sent.log: a sheet never goes out twice, and after an interruption the
same command goes on.
"""

import argparse
import getpass
import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import environment

if TYPE_CHECKING:
    from pegmark.deliver.letters import Letter
    from pegmark.deliver.mail import Post

EXIT_NOT_ALL = 3
PER_MINUTE = 20  # a pace that mail servers of schools bear; common practice, no source
# Where a system keeps passwords, and how it is asked: the answer comes over a pipe.
KEYRINGS = (
    ("secret-tool", "lookup", "service", "{host}", "user", "{user}"),
    ("security", "find-generic-password", "-w", "-s", "{host}", "-a", "{user}"),
)


def main() -> int:
    """Show the letters, and send them if that is really meant; 0 when all went out."""
    arguments = read_arguments()
    environment.enter()
    import classfolder
    from pegmark.records.problems import TeacherError
    from pegmark.words.terminal import EXIT_REFUSED, tell

    if not (arguments.class_dir / "results" / "outbox").is_dir():
        tell(f"There is no folder {arguments.class_dir / 'results/outbox'}. Grade the class first.")
        return EXIT_REFUSED
    try:
        handle = classfolder.hold(arguments.class_dir, tell)  # nobody else sends or grades now
        try:
            return show_and_send(arguments)
        finally:
            classfolder.let_go(handle)
    except ValueError as error:
        tell(f"Nothing was sent: {error} Grade the class again, or move that file away.")
    except TeacherError as error:
        tell(*(f"Nothing was sent: {one['message']} {one['action']}" for one in error.problems))
    except OSError as error:
        tell(f"Nothing was sent: {classfolder.machine_says(error)}")
    return EXIT_REFUSED


def show_and_send(arguments: argparse.Namespace) -> int:
    """Show what waits; send it where `--really` is given."""
    from pegmark.deliver.letters import read_letters, unsent
    from pegmark.files.sent import read_sent
    from pegmark.words.terminal import tell

    letters = read_letters(arguments.class_dir / "results" / "outbox")
    waiting = unsent(letters, read_sent(arguments.class_dir))
    tell(f"{len(waiting)} to send, {len(letters) - len(waiting)} went out before.")
    tell(*(f"  {letter.line()}" for letter in waiting))
    if not arguments.really:
        tell("Nothing was sent. Add --really to send them.")
        return 0
    return send(arguments, waiting) if waiting else 0


def read_arguments() -> argparse.Namespace:
    """The command line, checked."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("class_dir", type=Path, help="the graded class")
    parser.add_argument("--server", help="the school's mail server, such as mail.school.example")
    parser.add_argument("--port", type=int, default=587, help="587 (default) or 465")
    parser.add_argument("--user", default="", help="who logs in (default: nobody)")
    parser.add_argument("--sender", help="the address that the letters come from")
    parser.add_argument("--per-minute", type=float, default=PER_MINUTE, help="pace (default: 20)")
    parser.add_argument("--certificates", help="certificate file of the school's own authority")
    parser.add_argument("--really", action="store_true", help="send; without it, only show")
    arguments = parser.parse_args()
    if arguments.really and not (arguments.server and arguments.sender):
        parser.error("to send, give --server and --sender")
    if arguments.sender and not re.fullmatch(r"[\w.+-]+@[\w-]+(\.[\w-]+)*", arguments.sender):
        parser.error(f"{arguments.sender!r} is no plain address")
    if not arguments.per_minute > 0:
        parser.error("--per-minute must be above 0")
    return arguments


def send(arguments: argparse.Namespace, letters: list["Letter"]) -> int:
    """Send all letters; what is refused or unsure is told at the end."""
    from pegmark.deliver.mail import NoMail, Server, open_post
    from pegmark.words.terminal import tell

    password = find_password(arguments.server, arguments.user) if arguments.user else ""
    server = Server(
        arguments.server, arguments.port, arguments.user, password, arguments.certificates
    )
    told: list[str] = []
    gone = 0
    with open_post(server, arguments.per_minute) as post:
        try:
            for letter in letters:
                said = send_one(post, letter, arguments.sender, arguments.class_dir)
                told += said
                gone += not said
        except NoMail as error:
            told.append(str(error))
        except KeyboardInterrupt:
            told.append("Stopped. The same command goes on; what was on its way is not sent again.")
    tell(f"{gone} of {len(letters)} went out.", *(f"  {one}" for one in told))
    return EXIT_NOT_ALL if told else 0


def send_one(post: "Post", letter: "Letter", sender: str, class_dir: Path) -> list[str]:
    """Send one letter and write it down; sentences about what did not go as it should."""
    from pegmark.deliver.letters import ready_to_send
    from pegmark.deliver.mail import NoMail, Refused, Unsure
    from pegmark.files.sent import Attempt

    message = ready_to_send(letter, sender, datetime.now(UTC))
    attempt = Attempt(class_dir, letter.student_id, letter.sheet)
    try:
        refused = post.send(sender, letter.recipients, message, attempt.begin)
    except Refused as error:
        attempt.did_not()
        write_log(class_dir, letter, f"refused: {error}")
        return [f"{letter.student_id} was refused: {error}"]
    except NoMail:
        attempt.did_not()
        raise
    except Unsure:
        write_log(class_dir, letter, "unsure: the connection dropped before the answer")
        return [
            f"{letter.student_id} may have gone out: the connection dropped before the answer. It "
            "is not sent again; to do so all the same, remove its line from sent.csv."
        ]
    attempt.went_out()
    not_to = [f"not to {one} ({why})" for one, why in refused.items()]
    write_log(class_dir, letter, ", ".join(["sent", *not_to]))
    return [f"{letter.student_id}: {one}" for one in not_to]


def write_log(class_dir: Path, letter: "Letter", outcome: str) -> None:
    """One line of sent.log, for its owner alone."""
    from pegmark.words.file_names import shown

    handle = os.open(class_dir / "sent.log", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    with os.fdopen(handle, "a", encoding="utf-8") as log:
        moment = datetime.now(UTC).isoformat(timespec="seconds")
        log.write(f"{moment} {shown(letter.line())}: {shown(outcome)}\n")


def find_password(host: str, user: str) -> str:
    """The password from the system's keyring, or as the teacher types it."""
    for form in KEYRINGS:
        command = [part.format(host=host, user=user) for part in form]
        try:
            found = subprocess.run(command, capture_output=True, text=True, timeout=60)
        except (OSError, subprocess.TimeoutExpired):
            continue
        if found.returncode == 0 and found.stdout.strip("\n"):
            return found.stdout.strip("\n")
    return getpass.getpass(f"Password of {user} at {host}: ")


if __name__ == "__main__":
    sys.exit(main())
