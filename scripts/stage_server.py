"""Stages started without their start-up: forked from one process that has imported everything.

    python stage_server.py FOLDER takes|students

A class of 150 students is some 300 short steps, and most of a step's own time is Python's imports.
The workflow starts two servers a run: one with what hears takes, one with what sets sheets, so that
neither carries the other's libraries. Its rules ask for a step (`stage_client.py`), and the server
forks a process that runs the script exactly as `python scripts/<stage>.py` would: with the client's
folder, arguments and output. Nothing is shared but modules already loaded, and without a server the
client runs the script itself, so a stage can always be run by hand, or on a node.

The protocol: a client connects and sends its folder and arguments as JSON, with three files: the
two of its output, and the end of a pipe that closes when the client goes, which takes the step with
it. The step answers with one byte, its exit code; a step that crashed answers nothing.
The server ends when its standard input does: the engine holds the other end. Steps at work then
end first. At its end it says what the steps of each script took.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import resource
import runpy
import selectors
import signal
import socket
import sys
import traceback
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from environment import SCRIPTS
from pegmark.words.terminal import tell

# What the steps of single takes and students import; the class-level ones run once.
IMPORTED = {
    "takes": (
        *("av", "pegmark.decode", "pegmark.segment", "pegmark.identify", "pegmark.measure"),
        *("pegmark.records.faults", "pegmark.files.recordings"),
    ),
    "students": (
        *("av", "weasyprint", "weasyprint.text.fonts", "jinja2", "pegmark.score"),
        *("pegmark.render", "pegmark.records.faults", "pegmark.files.recordings"),
    ),
}
MESSAGE_BYTES = 1 << 20  # a step's arguments: some file names
BACKLOG = 64  # clients that may wait for the server to begin


@dataclass
class Cost:
    """What the steps of one script took together; of memory, the largest process of them."""

    steps: int = 0
    cpu_s: float = 0.0
    peak_mb: float = 0.0

    def add(self, used: resource.struct_rusage) -> None:
        """Another step has ended."""
        self.steps += 1
        self.cpu_s += used.ru_utime + used.ru_stime
        self.peak_mb = max(self.peak_mb, used.ru_maxrss / 1024)  # Linux: in kB


class Server:
    """The steps at work, by the pipe that tells when the client of each has gone."""

    def __init__(self, path: str):
        self.path, self.kind = path, Path(path).name
        self.listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.listener.bind(path)
        self.listener.listen(BACKLOG)
        self.watched = selectors.DefaultSelector()
        self.watched.register(self.listener, selectors.EVENT_READ)
        self.watched.register(sys.stdin, selectors.EVENT_READ)
        self.steps: dict[int, tuple[int, str]] = {}
        self.costs: dict[str, Cost] = {}
        self.open = True

    def serve(self) -> None:
        """Start steps until the engine is gone, then wait for those at work, and sum up."""
        while self.open or self.steps:
            for key, _ in self.watched.select():
                if key.fileobj is self.listener and self.open:
                    self.begin()
                elif key.fileobj is sys.stdin:
                    self.close()
                elif key.fd in self.steps:
                    self.end(key.fd)
        own = self.costs[f"server of {self.kind}"] = Cost()
        own.add(resource.getrusage(resource.RUSAGE_SELF))
        for name, cost in self.costs.items():
            tell(f"{name}: {cost.steps} steps, {cost.cpu_s:.2f} CPU s, {cost.peak_mb:.0f} MB")

    def close(self) -> None:
        """No more steps: the engine is gone."""
        self.open = False
        for stream in (sys.stdin, self.listener):
            self.watched.unregister(stream)
        self.listener.close()
        Path(self.path).unlink()
        with contextlib.suppress(OSError):  # the other server's socket is in it
            Path(self.path).parent.rmdir()

    def begin(self) -> None:
        """Fork the step that a client asks for."""
        client, _ = self.listener.accept()
        prepare(self.kind)
        with client:
            message, files, _, _ = socket.recv_fds(client, MESSAGE_BYTES, 3)
            if len(files) != 3:  # not one of ours, or gone already
                return
            asked = json.loads(message)
            step = os.fork()
            if step == 0:
                run(client, asked, files)
        with contextlib.suppress(OSError):  # the step does it too: whoever comes first
            os.setpgid(step, step)
        os.close(files[0])
        os.close(files[1])
        self.steps[files[2]] = step, name_of(asked["arguments"])
        self.watched.register(files[2], selectors.EVENT_READ)

    def end(self, gone: int) -> None:
        """A client has gone: it was answered, or its step ends with it."""
        self.watched.unregister(gone)
        os.close(gone)
        step, name = self.steps.pop(gone)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(step, signal.SIGKILL)  # a step that has answered is at its end anyway
        _, _, used = os.wait4(step, 0)
        self.costs.setdefault(name, Cost()).add(used)


def name_of(arguments: list[str]) -> str:
    """What a step is called in the sum: its script, and its first stage where there are several."""
    return " ".join(Path(word).stem for word in arguments[:2] if not word.startswith("-"))


@cache
def prepare(kind: str) -> None:
    """Import what the steps will need, once, when the first is asked for."""
    for name in IMPORTED[kind]:
        importlib.import_module(name)
    if kind == "students":
        importlib.import_module("pegmark.render.sheet").load_page_parts()
    gc.freeze()  # a step's collector would copy every page it looks at


def run(client: socket.socket, asked: dict[str, object], files: list[int]) -> None:
    """Be the step: the script's own process from here on. Never returns."""
    code = 1
    try:
        with contextlib.suppress(OSError):
            os.setpgid(0, 0)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        os.dup2(files[0], 1)
        os.dup2(files[1], 2)
        for file in files:
            os.close(file)
        os.chdir(str(asked["folder"]))
        sys.argv = [str(word) for word in asked["arguments"]]  # type: ignore[attr-defined]
        runpy.run_path(sys.argv[0], run_name="__main__")
        code = 0
    except SystemExit as end:
        code = told(end)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        with contextlib.suppress(OSError):
            client.send(bytes([code]))
        os._exit(code)


def told(end: SystemExit) -> int:
    """The exit code that Python itself would give, and its message."""
    if isinstance(end.code, int):
        return end.code & 0xFF
    if end.code is not None:
        print(end.code, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(SCRIPTS))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the engine ends the run, and so this
    try:
        server = Server(str(Path(*sys.argv[1:3])))
    except FileNotFoundError:  # the run has ended before its server began, and took the folder away
        sys.exit()
    server.serve()
