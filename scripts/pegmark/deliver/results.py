"""The last step of a run: what was made aside takes the place of the earlier results, all at once.

While a run is at work, and when it fails (a full disk, a fault, a kill), the folder still shows
the results of the run before: never half of each.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from pegmark.files.store import PART, remove

FOLDERS = ("records", "scores", "sheets", "clips", "outbox", "orchestra")
FILES = (
    *(
        "dashboard.html",
        "orchestra.html",
        "lesson.html",
        "gradebook.csv",
        "attention.csv",
        "recheck.json",
    ),
    "oneroster.zip",
)


def deliver(work: Path, results: Path) -> None:
    """Make the results in `results` what they are in `work`.

    Files are linked, so that they take no room twice; where a file system has no links they are
    copied. All of them stand ready under other names before the first takes its place.
    """
    wanted = dict(_files(work))
    new = {n: source for n, source in wanted.items() if not _is_same(source, results / n)}
    ready = [(_ready(source, results / n), results / n) for n, source in new.items()]
    for part, target in ready:
        os.replace(part, target)
    for name, path in _files(results):
        if name not in wanted:
            remove(path)
    for folder in FOLDERS:
        for path in (results / folder).glob("*"):
            if path.is_dir() and not (work / folder / path.name).is_dir():
                remove(path)


def is_delivered(work: Path, results: Path) -> bool:
    """Whether nothing of `work` is missing in `results`."""
    return all((results / name).exists() for name, _ in _files(work))


def _files(root: Path) -> Iterator[tuple[str, Path]]:
    """Path below `root` -> file, for every result a teacher may open."""
    for name in FILES:
        if (root / name).is_file():
            yield name, root / name
    for folder in FOLDERS:
        for path in sorted((root / folder).rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                yield path.relative_to(root).as_posix(), path


def _is_same(source: Path, target: Path) -> bool:
    return target.exists() and os.path.samefile(source, target)


def _ready(source: Path, target: Path) -> Path:
    """`source` beside `target`, under the name of a file that is still being written."""
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{PART}{target.name}")
    part.unlink(missing_ok=True)
    try:
        os.link(source, part)
    except OSError:
        shutil.copy2(source, part)
    return part
