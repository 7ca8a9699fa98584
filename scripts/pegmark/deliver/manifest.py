"""The seal of a whole run: what the results were, byte by byte, when the last run ended well.

A copy of a class folder may come with other times, or without the memory that the workflow keeps
of its results; by the seal they are known again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from pegmark.files.store import read_json

MANIFEST_NAME = "seal.json"
SEALED = ("decoded", "notes", "strings", "measured", "work", "tickets")  # folders of results/
UNSEALED = ("tickets/files.json", "tickets/recheck.json")  # memories: they change with no result


def make_seal(results: Path) -> dict[str, str]:
    """Path below results/ -> digest, for everything that a job reads or makes.

    Decoded audio is known by its length: its facts, with the hash of the recording in their name,
    are written with it, and reading it all would take longer than the rest together.
    """
    return {name: _digest(path) for name, path in sorted(_sealed(results))}


def holds(results: Path) -> bool:
    """Whether there is a seal and the results are still what it says."""
    try:
        seal = read_json(results / MANIFEST_NAME)
    except (OSError, ValueError):
        return False
    return bool(seal == make_seal(results))


def _sealed(results: Path) -> Iterator[tuple[str, Path]]:
    for folder in SEALED:
        for path in (results / folder).rglob("*"):
            name = path.relative_to(results).as_posix()
            if path.is_file() and not path.name.startswith(".") and name not in UNSEALED:
                yield name, path


def _digest(path: Path) -> str:
    if path.suffix == ".npy":
        return f"{path.stat().st_size} bytes"
    return hashlib.sha256(path.read_bytes()).hexdigest()
