"""The one way to the terminal: what comes from outside can neither steer it nor forge a line."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import TextIO

from pegmark.words.file_names import shown

EXIT_REFUSED = 2  # the command was not begun: what it was asked cannot be done


def tell(*sentences: str, stream: TextIO | None = None) -> None:
    """Print a line for each sentence; control characters and line ends in it are made visible.

    Without a `stream`: the standard output. A pipe that was closed at the other end takes no
    more, and the work goes on.
    """
    out = stream or sys.stdout
    try:
        for sentence in sentences:
            print(plain_line(sentence), file=out)
        out.flush()
    except BrokenPipeError:
        _close_quietly(out)


def plain_line(text: str) -> str:
    """A text as one line of a terminal, in the letters that its encoding has."""
    line = shown(text)
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    return line.encode(encoding, "backslashreplace").decode(encoding)


def _close_quietly(stream: TextIO) -> None:
    """Let everything that is still printed go nowhere, the flush at the end included."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
