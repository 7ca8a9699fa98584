"""What the program made among the files that a teacher opens: results/made.json.

Path below results/ -> SHA-256 of what was delivered there. What is not in it, or is not that any
more, is the teacher's own: it is never deleted and never written over.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

from pegmark.files.store import read_json

MADE_NAME = "made.json"
COMING = "made.coming.json"  # the same of a delivery that is at work, or was cut short
EDITED = "edited by hand"  # stands in the name of a file that was moved beside

Made = dict[str, set[str]]  # path below results/ -> digests that are ours


def read_made(results: Path) -> Made:
    """The list of the last delivery, and of one that was cut short; empty where there was none."""
    made: Made = {}
    for name in (MADE_NAME, COMING):
        try:
            for path, digest_ in dict(read_json(results / name)).items():
                made.setdefault(path, set()).add(digest_)
        except (OSError, ValueError, TypeError):
            continue
    return made


def digest(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def is_made(results: Path, name: str, made: Made) -> bool:
    """Whether the file at `name` is still what the program put there.

    Results of before there was a list are known by their double in results/work.
    """
    path, double = results / name, results / "work" / name
    if name in made:
        return digest(path) in made[name]
    return not made and double.is_file() and digest(double) == digest(path)


def keep_beside(path: Path) -> Path:
    """A second name for a file, which says why, for when its own is taken; returns that."""
    number = 1
    while True:
        count = f" {number}" if number > 1 else ""
        beside = path.with_name(f"{path.stem} ({EDITED}{count}){path.suffix}")
        if not beside.exists():
            break
        number += 1
    try:
        os.link(path, beside)
    except OSError:  # a file system without links
        shutil.copy2(path, beside)
    return beside
