"""Ask the run's server for one step; without a server, be the step.

    python -I -S stage_client.py SCRIPT [arguments]

Started once for every step of a class, so it imports next to nothing. See stage_server.py.
"""

import json
import os
import socket
import sys

SOCKETS = "PEGMARK_STAGES"  # the folder where this run's servers listen, if it has some
CRASHED = 70  # EX_SOFTWARE of sysexits.h: the step ended without an answer


def ask(server: socket.socket, arguments: list[str]) -> int:
    """The exit code of a step that the server starts for us."""
    watched, held = os.pipe()  # `held` closes when we end, however that is
    message = json.dumps({"folder": os.getcwd(), "arguments": arguments}).encode()
    socket.send_fds(server, [message], [1, 2, watched])
    os.close(watched)
    answer = server.recv(1)
    os.close(held)
    return answer[0] if answer else CRASHED


def main() -> None:
    """Run the step of the arguments."""
    arguments = sys.argv[1:]
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        of_a_take = arguments[1:2] == ["decode"]  # after steps.py
        server.connect(os.path.join(os.environ[SOCKETS], "takes" if of_a_take else "students"))
    except (OSError, KeyError):
        os.execv(sys.executable, [sys.executable, *arguments])
    sys.exit(ask(server, arguments))


main()
