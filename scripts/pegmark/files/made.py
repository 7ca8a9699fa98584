"""What the program made among the files that a teacher opens: results/made.json.

Path below results/ -> SHA-256 of what was delivered there. What is not in it, or is not that any
more, is the teacher's own: it is never deleted and never written over.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from pegmark.files.store import read_json

NAME = "made.json"
EDITED = "edited by hand"  # stands in the name of a file that was moved beside


def read_made(results: Path) -> dict[str, str]:
    """The list of the last delivery; empty where there was none."""
    try:
        return dict(read_json(results / NAME))
    except (OSError, ValueError, TypeError):
        return {}


def digest(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def is_made(results: Path, name: str, made: dict[str, str]) -> bool:
    """Whether the file at `name` is still what the program put there.

    Results of before there was a list are known by their double in results/work.
    """
    path, double = results / name, results / "work" / name
    if name in made:
        return digest(path) == made[name]
    return not made and double.is_file() and digest(double) == digest(path)


def set_aside(path: Path) -> Path:
    """Move a file beside itself, under a name that says why; returns the new path."""
    number = 1
    while True:
        count = f" {number}" if number > 1 else ""
        beside = path.with_name(f"{path.stem} ({EDITED}{count}){path.suffix}")
        if not beside.exists():
            return path.rename(beside)
        number += 1
